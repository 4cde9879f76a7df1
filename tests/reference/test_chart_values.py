"""The embedded chart values against the table of a reference library."""

from __future__ import annotations

import numpy as np
import pytest

from vision.chart import CHART_LAB_D50, reference_linear
from vision.color import delta_e_2000, linear_to_lab

colour = pytest.importorskip("colour", reason="colour-science is a test dependency")


def _published(edition):
    chart = colour.CCS_COLOURCHECKERS[f"ColorChecker24 - {edition} November 2014"]
    xyz = np.array([colour.xyY_to_XYZ(value) for value in chart.data.values()])
    return chart, xyz, np.array([colour.XYZ_to_Lab(value, chart.illuminant) for value in xyz])


def test_values_are_those_after_november_2014():
    _, _, lab = _published("After")
    np.testing.assert_allclose(CHART_LAB_D50, lab, atol=0.006)


def test_the_editions_differ_by_what_the_note_says():
    _, _, after = _published("After")
    _, _, before = _published("Before")
    difference = colour.delta_E(after, before, method="CIE 2000")
    assert difference.mean() == pytest.approx(0.85, abs=0.01)
    assert difference.max() == pytest.approx(1.95, abs=0.01)
    assert delta_e_2000(CHART_LAB_D50, before).mean() > 0.5


def test_reference_under_d65_agrees_with_the_library():
    chart, xyz, _ = _published("After")
    white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    adapted = np.array(
        [
            colour.chromatic_adaptation(
                v, colour.xy_to_XYZ(chart.illuminant), colour.xy_to_XYZ(white), transform="Bradford"
            )
            for v in xyz
        ]
    )
    lab = np.array([colour.XYZ_to_Lab(v, white) for v in adapted])
    assert delta_e_2000(linear_to_lab(reference_linear()), lab).max() < 0.05


def test_grey_patches_fall_and_are_nearly_neutral():
    lab = linear_to_lab(reference_linear())[18:]
    assert (np.diff(lab[:, 0]) < 0).all()
    assert np.abs(lab[:, 1:]).max() < 3.5
