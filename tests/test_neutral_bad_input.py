"""Charts and cards in photos that were toned, filtered, framed or stored in another color space.

How a dealer would be misled: a gray card in a black-and-white photo "proves" its white; a filter's colors
are read as the doll's, as certain as a card makes them; a wide-gamut photo is read as sRGB, all paint dull.
A limit: saturation pushed 2.5 times beside a mere card shows only where colors reach the edge of sRGB.
"""

from __future__ import annotations

import io

import cv2
import numpy as np
import pytest
from PIL import Image

from tests import icc
from tests.drawn_colors import Camera, cast, chart_face, ground, put
from tests.test_photo import in_space
from vision import neutral
from vision.color import lab_to_linear, read_color, srgb_to_linear
from vision.photo import Photo, load
from vision.quality import check_colors
from vision.traits import Region

VINYL = (66.0, 17.0, 19.0)
WHITE = cast(4200, 5200)
KINDS = ("color_chart", "grey_card")
BOX = (slice(90, 210), slice(70, 190))


def shot(kind: str) -> np.ndarray:
    """Return (700, 900, 3) uint8 of vinyl beside a chart or a card of 18 %, in the same light."""
    rng = np.random.default_rng(5)
    scene = ground(rng)
    scene[80:220, 60:200] = lab_to_linear(VINYL) * 0.9
    put(scene, chart_face() if kind == "color_chart" else np.full((200, 300, 3), 0.18), (450, 350), 300, 9)
    return Camera(WHITE, quality=95).shoot(scene, rng).rgb


def as_png(rgb: np.ndarray, **options: object) -> Photo:
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, "PNG", **options)
    return load(buffer.getvalue())


def grey(rgb: np.ndarray) -> np.ndarray:
    return np.repeat(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)[..., None], 3, axis=2)


def saturated(rgb: np.ndarray, by: float) -> np.ndarray:
    level = grey(rgb).astype(float)
    return np.clip(level + by * (rgb - level), 0, 255).round().astype(np.uint8)


def framed(rgb: np.ndarray) -> np.ndarray:
    """Return a screenshot of 900 × 1400: a white margin, a colored bar above, a grey panel below."""
    shown = np.full((1400, 900, 3), 255, np.uint8)
    shown[:90] = (0, 90, 200)
    shown[1200:1290, 40:500] = 118
    shown[300:1000] = rgb
    return shown


def wide(rgb: np.ndarray) -> np.ndarray:
    return in_space(rgb, icc.DISPLAY_P3_D50, 2.2)


WIDE = icc.rgb_profile("Wide test space", icc.DISPLAY_P3_D50, 2.2)
SPOILT = {
    "sepia": lambda rgb: as_png(np.clip(grey(rgb) * (1.0, 0.89, 0.69), 0, 255).astype(np.uint8)),
    "saturation 1.3": lambda rgb: as_png(saturated(rgb, 1.3)),
    "saturation 1.6": lambda rgb: as_png(saturated(rgb, 1.6)),
    "saturation 2.5": lambda rgb: as_png(saturated(rgb, 2.5)),
    "warm and faded": lambda rgb: as_png(
        np.clip(rgb * (1.12, 1.0, 0.8) + (15, 5, 0), 0, 255).astype(np.uint8)
    ),
    "contrast": lambda rgb: as_png((255 / (1 + np.exp(4 - rgb / 255 * 8))).astype(np.uint8)),
    "wide gamut, profile lost": lambda rgb: as_png(wide(rgb)),
}
UNHARMED = {
    "as it is": lambda rgb: (as_png(rgb), 0),
    "wide gamut": lambda rgb: (as_png(wide(rgb), icc_profile=WIDE), 0),
    "screenshot": lambda rgb: (as_png(framed(rgb)), 300),
}


def reading(photo: Photo, calibration, down: int = 0):
    box = (slice(BOX[0].start + down, BOX[0].stop + down), BOX[1])
    pixels = srgb_to_linear(photo.rgb[box].reshape(-1, 3))
    return read_color(pixels.mean(axis=0), np.cov(pixels.T) / 100, calibration)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("how", UNHARMED)
def test_what_harms_no_color_is_measured_right(kind, how):
    photo, down = UNHARMED[how](shot(kind))
    calibration = neutral.estimate(photo)
    assert calibration.method == kind
    assert np.abs(np.asarray(calibration.neutral_rgb) / WHITE - 1).max() < 0.05
    found = reading(photo, calibration, down)
    assert np.abs(found.lab - VINYL).max() < 3
    assert (np.abs(found.lab - VINYL) < 2 * found.u_lab).all()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("how", SPOILT)
def test_filtered_colors_are_refused_or_inside_their_uncertainty(kind, how):
    photo = SPOILT[how](shot(kind))
    gate = check_colors(photo)
    if gate.reason is not None:
        assert gate.detail
        return
    found = reading(photo, neutral.estimate(photo))
    assert (np.abs(found.lab - VINYL) < 2.5 * found.u_lab).all(), (found.lab, found.u_lab)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("hint", [None, Region.box(380, 300, 520, 400)])
def test_black_and_white_photo_has_no_white_reference(kind, hint):
    calibration = neutral.estimate(as_png(grey(shot(kind))), hint=hint)
    assert calibration.method == "none"
    assert calibration.u_delta_e > 4
    assert any("black and white" in note for note in calibration.notes)
