"""The second renderer's color arithmetic against a reference library, and its fixed list of photos."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from sample_images.independent.hues import (
    CHART_XYY,
    chart_linear_rgb,
    delta_e00,
    lab_to_rgb,
    light_rgb,
    rgb_to_lab,
)
from sample_images.independent.plan import plans

colour = pytest.importorskip("colour")


def test_chart_patches_match_the_published_table() -> None:
    """The embedded numbers are the table's, rounded."""
    table = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    assert np.abs(CHART_XYY - np.array(list(table.data.values()))).max() < 1e-5


def test_chart_colors_match_the_reference_conversion() -> None:
    """Bradford adaptation to D65 and sRGB primaries, as the library does it."""
    table = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    xyz = colour.xyY_to_XYZ(np.array(list(table.data.values())))
    want = colour.XYZ_to_sRGB(
        xyz, table.illuminant, chromatic_adaptation_transform="Bradford", apply_cctf_encoding=False
    )
    assert np.abs(chart_linear_rgb() - np.clip(want, 0, 1)).max() < 0.003


def test_lab_goes_there_and_back() -> None:
    """CIELAB of a color gives the color again."""
    rgb = np.random.default_rng(5).uniform(0, 1, (200, 3))
    assert np.abs(lab_to_rgb(rgb_to_lab(rgb)) - rgb).max() < 1e-9


def test_color_difference_matches_the_reference() -> None:
    """CIEDE2000 of random pairs, near and far."""
    rng = np.random.default_rng(6)
    for _ in range(200):
        one = rng.uniform((0, -60, -60), (100, 60, 60))
        two = one + rng.normal(0, rng.choice([1, 10, 40]), 3)
        assert delta_e00(one, two) == pytest.approx(
            float(colour.delta_E(one, two, method="CIE 2000")), abs=1e-4
        )


@pytest.mark.parametrize("kelvin", [2700, 3400, 4500, 5200, 6500, 7500])
def test_light_has_its_color_temperature(kelvin: float) -> None:
    """The light's chromaticity has the correlated color temperature asked for."""
    xyz = light_rgb(kelvin) @ np.asarray(colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ).T
    uv = colour.xy_to_UCS_uv(xyz[:2] / xyz.sum())
    found = float(colour.uv_to_CCT(uv)[0])
    assert found == pytest.approx(kelvin, rel=0.03)


def test_the_list_of_photos_is_whole() -> None:
    """Every photo once, the agreed number of each view, and every state asked for."""
    some = plans()
    assert len({p.id for p in some}) == len(some)
    views = Counter(p.view for p in some)
    assert views == {"face": 34, "body": 18, "soles": 22, "mark": 26, "crowd": 5, "other": 11}
    faces = [p.spec for p in some if p.view == "face"]
    assert {f["lips"] for f in faces} == {"full", "rubbed", "bare", "overpainted"}
    assert {f["iris"] for f in faces} == {"unpainted", "blue", "brown", "green"}
    assert sum(f["roll"] == "down" for f in faces) == 3
    holes = {h for p in some if p.view == "soles" for h in p.spec["holes"]}
    assert holes == {"none", "open", "lined", "drilled"}
