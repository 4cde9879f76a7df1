"""Bradford adaptation against a reference library and against the printed matrix."""

from __future__ import annotations

import numpy as np
import pytest

from vision.chart import BRADFORD_D50_D65

colour = pytest.importorskip("colour", reason="colour-science is a test dependency")


def _white(name):
    return colour.xy_to_XYZ(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][name])


def test_matrix_agrees_with_the_library():
    expected = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        _white("D50"), _white("D65"), transform="Bradford"
    )
    np.testing.assert_allclose(BRADFORD_D50_D65, expected, atol=2e-4)


def test_white_goes_to_white():
    np.testing.assert_allclose(BRADFORD_D50_D65 @ _white("D50"), _white("D65"), atol=5e-4)
