"""sRGB, CIELAB and the color of lights against published values and other libraries.

Values of IEC 61966-2-1:1999 and of its primaries in CIELAB D65, as computed with the standard's rounded
matrix; lights against CIE 15:2004 and a blackbody computed by another library.
"""

from __future__ import annotations

import numpy as np
import pytest

from vision import color

CODES = {
    0: 0.0,
    10: 0.00303527,
    11: 0.00334654,
    18: 0.00604883,
    55: 0.03820437,
    119: 0.18447499,
    128: 0.21586050,
    188: 0.50288646,
    200: 0.57758044,
    255: 1.0,
}


@pytest.mark.parametrize(("code", "light"), CODES.items())
def test_code_to_light(code, light):
    assert color.srgb_to_linear(np.array([code], np.uint8))[0] == pytest.approx(light, abs=5e-9)
    assert color.srgb_to_linear(np.array([code / 255]))[0] == pytest.approx(light, abs=5e-9)


def test_the_two_parts_of_the_curve_meet():
    assert color.srgb_to_linear(np.array([0.04045]))[0] == pytest.approx(0.0031308, abs=1e-7)
    assert color.linear_to_srgb(np.array([0.0031308]))[0] == pytest.approx(0.04045, abs=1e-5)


def test_codes_survive_a_round_trip():
    codes = np.arange(256, dtype=np.uint8)
    assert np.array_equal(np.rint(color.linear_to_srgb(color.srgb_to_linear(codes)) * 255), codes)


@pytest.mark.parametrize(
    ("rgb", "lab"),
    [
        ((255, 0, 0), (53.241, 80.092, 67.203)),
        ((0, 255, 0), (87.735, -86.183, 83.180)),
        ((0, 0, 255), (32.296, 79.186, -107.857)),
        ((119, 119, 119), (50.034, 0, 0)),
        ((255, 255, 255), (100, 0, 0)),
        ((0, 0, 0), (0, 0, 0)),
    ],
)
def test_lab_of_primaries(rgb, lab):
    # The standard's matrix is rounded to four digits; ours is not, hence the second digit.
    assert color.srgb_to_lab(np.array(rgb, np.uint8)) == pytest.approx(lab, abs=0.015)


def test_neutrals_have_no_color():
    greys = np.repeat(np.arange(256, dtype=np.uint8)[:, None], 3, axis=1)
    assert np.abs(color.srgb_to_lab(greys)[:, 1:]).max() < 0.01


def test_lab_agrees_with_scikit_image(rng):
    from skimage.color import rgb2lab

    rgb = rng.integers(0, 256, (500, 3)).astype(np.uint8)
    assert np.abs(color.srgb_to_lab(rgb) - rgb2lab(rgb[None])[0]).max() < 0.03


def test_lab_agrees_with_colour_science(rng):
    from colour import XYZ_to_Lab

    xyz = rng.uniform(0.0001, 1, (500, 3))
    white = color.WHITE[:2] / color.WHITE.sum()
    assert np.abs(color.xyz_to_lab(xyz) - XYZ_to_Lab(xyz, white)).max() < 1e-6


def test_lab_round_trip(rng):
    lab = np.stack([rng.uniform(1, 99, 200), *rng.uniform(-60, 60, (2, 200))], axis=1)
    assert np.allclose(color.linear_to_lab(color.lab_to_linear(lab)), lab, atol=1e-8)
    codes = rng.integers(0, 256, (200, 3)).astype(np.uint8)
    assert np.array_equal(color.lab_to_srgb8(color.srgb_to_lab(codes)), codes)


@pytest.mark.parametrize("kelvin", [1500, 2500, 2856, 4000, 6500, 10000])
def test_blackbody_agrees_with_the_planck_integral(kelvin):
    from colour.colorimetry import MSDS_CMFS

    observer = MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    length = observer.wavelengths * 1e-9
    power = length**-5 / np.expm1(1.4388e-2 / (length * kelvin))
    xyz = power @ observer.values
    assert np.abs(color.blackbody_xy(kelvin) - xyz[:2] / xyz.sum()).max() < 4e-4


@pytest.mark.parametrize(
    ("kelvin", "xy"),
    [(5003, (0.3457, 0.3586)), (5503, (0.3325, 0.3475)), (6504, (0.3127, 0.3291)), (7504, (0.2991, 0.3150))],
)
def test_daylight_passes_through_the_cie_illuminants(kelvin, xy):
    # D50, D55, D65, D75 (CIE 15:2004, table T.3; from memory) at their temperatures of today's scale.
    assert np.abs(color.daylight_xy(kelvin) - xy).max() < 3e-4


@pytest.mark.parametrize("kelvin", [2500, 3200, 4000, 5000, 6500, 7500])
def test_color_temperature_is_found_again(kelvin):
    found, duv = color.cct_of(color.neutral_rgb_of(kelvin))
    assert found == pytest.approx(kelvin, rel=0.01)
    assert -0.0005 < duv < 0.004


def test_a_light_off_the_line_is_told_apart_by_sign():
    green, magenta = np.array([1.0, 1.1, 1.0]), np.array([1.0, 0.9, 1.0])
    assert color.cct_of(green)[1] > 0.007
    assert color.cct_of(magenta)[1] < -0.002


@pytest.mark.parametrize(("lightness", "b", "angle"), [(66, 13, 50.9), (65.7, 17.8, 41.4), (38, 14.1, -40.4)])
def test_individual_typology_angle(lightness, b, angle):
    assert float(color.ita_deg([lightness, 10, b])) == pytest.approx(angle, abs=0.05)
