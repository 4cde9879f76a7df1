"""Hue on a circle, readings with their uncertainty, and names that admit doubt."""

from __future__ import annotations

import numpy as np
import pytest

from vision import color
from vision.calibration import Calibration


def test_hue_means_wrap_around():
    mean, spread = color.circular_mean_deg([350, 10])
    assert color.hue_difference(mean, 0) == pytest.approx(0, abs=1e-9)
    assert spread == pytest.approx(10, abs=0.2)
    assert color.circular_mean_deg([90, 90, 90]) == pytest.approx((90, 0), abs=1e-6)
    assert color.circular_mean_deg([0, 180])[1] > 300


def test_hue_mean_takes_weights():
    mean, _ = color.circular_mean_deg([0, 90], [3, 1])
    assert 0 < mean < 45
    with pytest.raises(ValueError, match="at least one"):
        color.circular_mean_deg([])
    with pytest.raises(ValueError, match="at least one"):
        color.circular_mean_deg([10], [0])


@pytest.mark.parametrize(
    ("first", "second", "expected"), [(10, 350, 20), (350, 10, -20), (180, 0, -180), (5, 5, 0)]
)
def test_hue_difference_goes_the_short_way(first, second, expected):
    assert float(color.hue_difference(first, second)) == pytest.approx(expected)


def test_hue_and_chroma():
    assert float(color.hue_deg([50, 0, -3])) == pytest.approx(270)
    assert float(color.chroma([50, 3, -4])) == pytest.approx(5)


# -- readings -------------------------------------------------------------------------------------------


def reading(lab, u_white=0.0, u_exposure=0.0, noise=0.0, **calibration):
    linear = color.lab_to_linear(lab)
    cal = Calibration(u_delta_e=u_white, u_exposure=u_exposure, **calibration)
    return color.read_color(linear, np.eye(3) * noise**2, cal)


def test_a_perfect_reading_is_as_certain_as_a_file_of_8_bits_allows(rng):
    lab = np.array([40.0, 20.0, -30.0])
    found = reading(lab)
    assert found.lab == pytest.approx(lab)
    code = 255 * color.linear_to_srgb(color.lab_to_linear(lab)) + rng.uniform(-0.5, 0.5, (40_000, 3))
    draws = color.linear_to_lab(color.srgb_to_linear(code / 255))
    assert found.u_lab == pytest.approx(draws.std(axis=0), rel=0.05)


@pytest.mark.parametrize("haze", [0.0, 0.01])
def test_black_is_not_known_exactly(haze):
    """Where haze takes away all the light, small changes change nothing: the reading had seemed certain."""
    cal = Calibration("color_chart", residual_mean=1.5, haze=np.full(3, haze))
    found = color.read_color(np.full(3, 0.5 * haze), np.eye(3) * 1e-4**2, cal)
    assert found.lab[0] == pytest.approx(0, abs=0.01)
    assert found.u_lab.min() > 0.8  # of the chart's residual, a third of its square each


def test_uncertainty_matches_a_simulation(rng):
    lab = np.array([45.0, 15.0, 20.0])
    mean, noise = color.lab_to_linear(lab), 0.004
    found = reading(lab, noise=noise)
    draws = color.linear_to_lab(mean + rng.normal(0, noise, (40_000, 3)))
    assert found.u_lab == pytest.approx(draws.std(axis=0), rel=0.05)
    assert found.u_chroma == pytest.approx(color.chroma(draws).std(), rel=0.05)
    assert found.u_hue == pytest.approx(color.circular_mean_deg(color.hue_deg(draws))[1], rel=0.05)


def test_two_readings_of_one_paint_doubt_each_other(rng):
    """Of two readings drawn from one paint, each is as unsure as the method scatters."""
    scatter, widened = 6.0, []
    for _ in range(2000):
        one, other = (reading([40 + rng.normal(0, scatter), 0, 0], noise=1e-4) for _ in range(2))
        widened.append(one.widened(other).u_lab[0] ** 2)
        assert one.widened(other).lab == pytest.approx(one.lab)
    assert np.sqrt(np.mean(widened)) == pytest.approx(scatter, rel=0.05)
    same = reading([40, 5, 5], noise=0.01)
    assert same.widened(same).u_lab == pytest.approx(same.u_lab)


def test_white_error_moves_a_mid_grey_by_what_it_says(rng):
    found = reading([50, 0, 0], u_white=4)
    assert np.sqrt((found.u_lab**2).sum()) == pytest.approx(4, rel=5e-3)


def test_white_error_hurts_light_colors_more_than_dark_ones():
    dark, middle, light = (reading([lightness, 0, 0], u_white=4).u_lab[2] for lightness in (10, 50, 90))
    assert dark < middle < light


def test_exposure_error_moves_lightness_not_hue():
    found = reading([50, 20, 20], u_exposure=0.2)
    assert found.u_lab[0] > 3
    assert found.u_hue < 2


def test_a_vivid_hue_is_not_certain_because_white_is():
    """Phones turn hues: a red read as crimson to half a degree, from a perfect card, is a false promise."""
    red = [45, 60, 35]
    plain = reading(red, method="grey_card")
    assert 4 < plain.u_hue < 6
    assert 0.1 < plain.u_chroma / plain.chroma < 0.3
    good, fair = (reading(red, method="color_chart", residual_mean=r).u_hue for r in (1.0, 3.0))
    assert good < 1.5
    assert 2 * good < fair < plain.u_hue
    assert reading([45, 0, 0], method="color_chart", residual_mean=3.0).u_lab[1] < 2


def test_allowance_for_light_elsewhere_is_what_matte_surfaces_make(rng):
    def within(degrees, n=100_000):
        c = rng.uniform(np.cos(np.radians(degrees)), 1, n)
        turn = rng.uniform(0, 2 * np.pi, n)
        s = np.sqrt(1 - c * c)
        return np.column_stack([s * np.cos(turn), s * np.sin(turn), c])

    lamp, ambient = within(75), rng.uniform(0.2, 0.6, 100_000)
    doll, card = (
        ambient + (1 - ambient) * np.clip((within(40) * lamp).sum(axis=1), 0, None) for _ in range(2)
    )
    nearer = np.log(1 + rng.uniform(-1, 1, 100_000) / rng.uniform(3, 6, 100_000)) * 2
    spread = float(np.std(np.log(doll / card) + nearer))
    assert color.U_ELSEWHERE["grey_card"] == pytest.approx(spread, abs=0.06)
    assert color.U_ELSEWHERE["color_chart"] == pytest.approx(spread, abs=0.06)


def test_the_photo_is_brought_to_daylight():
    lab = np.array([60.0, 20, 10])
    cast = np.array([1.6, 1.0, 0.5])
    cal = Calibration("grey_card", (1.6, 1.0, 0.5), u_delta_e=1, exposure=2.0, u_exposure=0.02)
    found = color.read_color(color.lab_to_linear(lab) * cast / 2, np.zeros((3, 3)), cal)
    assert found.lab == pytest.approx(lab)


def test_no_chroma_means_any_hue():
    found = reading([30, 0, 0], u_white=8)
    assert found.u_hue == pytest.approx(103.9, abs=0.1)
    assert found.u_chroma > 1


def test_quantities_are_those_of_the_contract():
    quantities = reading([40, 3, -4], u_white=1).quantities()
    assert set(quantities) == {"hue_deg", "chroma", "lightness", "lab_L", "lab_a", "lab_b"}
    assert quantities["chroma"].value == pytest.approx(5)
    assert quantities["hue_deg"].unit == "deg"


# -- names ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lch", "name"),
    [
        ((40, 30, 265), "blue"),
        ((35, 20, 295), "blue"),
        ((32, 134, 306 - 4), "blue"),
        ((45, 25, 200), "turquoise"),
        ((35, 25, 55), "brown"),
        ((22, 14, 50), "brown"),
        ((14, 2, 100), "black"),
        ((50, 5, 300), "gray"),
        ((95, 2, 90), "white"),
        ((42, 60, 25), "red"),
        ((48, 65, 32), "red"),
        ((70, 35, 10), "pink"),
        ((75, 25, 40), "pink"),
        ((65, 75, 60), "orange"),
        ((80, 70, 95), "yellow"),
        ((50, 40, 140), "green"),
        ((40, 35, 325), "purple"),
    ],
)
def test_typical_colors_bear_their_name(lch, name):
    lightness, c, h = lch
    lab = [lightness, c * np.cos(np.radians(h)), c * np.sin(np.radians(h))]
    assert str(color.name_colors(lab)) == name


def test_every_color_has_a_name(rng):
    lab = np.stack([rng.uniform(0, 100, 5000), *rng.uniform(-100, 100, (2, 5000))], axis=1)
    assert set(np.unique(color.name_colors(lab))) <= set(color.COLOR_NAMES)


def test_probabilities_sum_to_one_and_are_ranked():
    names = color.hue_name(40, 12, 240, u_lightness=5, u_chroma=8, u_hue=40)
    assert sum(names.values()) == pytest.approx(1)
    assert list(names.values()) == sorted(names.values(), reverse=True)
    assert names == color.hue_name(40, 12, 240, u_lightness=5, u_chroma=8, u_hue=40)


def test_a_sharp_reading_is_named_and_a_vague_one_is_not():
    sharp = color.hue_name(40, 30, 265, u_lightness=2, u_chroma=2, u_hue=4)
    vague = color.hue_name(18, 6, 265, u_lightness=4, u_chroma=6, u_hue=60)
    assert sharp["blue"] > 0.99
    assert max(vague.values()) < 0.8
    assert {"blue", "black"} <= set(vague)


def test_near_black_brown_and_black_are_not_told_apart_in_bad_light():
    names = color.name_reading(reading([14, 3, 5], u_white=12, u_exposure=0.3))
    assert max(names.values()) < 0.9


def test_hue_zero_is_a_hue():
    assert color.hue_name(45, 50, 0, u_lightness=2, u_chroma=3, u_hue=3)["red"] > 0.95
    assert color.hue_name(45, 50, 359.9, u_lightness=2, u_chroma=3, u_hue=3)["red"] > 0.95


def test_pool():
    assert color.pool({"red": 0.25, "pink": 0.5, "blue": 0.25}, "red", "pink", "green") == 0.75
