"""The iris: black and white only, or its color."""

from __future__ import annotations

import numpy as np
import pytest

from tests.drawn_face import PAINT, Drawing, draw
from vision import iris
from vision.calibration import Calibration
from vision.locate import face_model
from vision.locate.face import find_faces
from vision.traits import TraitRecord

pytestmark = pytest.mark.skipif(face_model.load() is None, reason="the face model is not installed")

LIGHTS = {"neutral": (1.0, 1.0, 1.0), "warm": (1.5, 1.0, 0.5), "cool": (0.8, 1.0, 1.35)}


def read(what: Drawing) -> TraitRecord:
    drawn = draw(what)
    (face,) = find_faces(drawn.photo)
    return iris.measure(drawn.photo, face, Calibration())


@pytest.mark.parametrize("light", LIGHTS)
@pytest.mark.parametrize("color", ["blue", "brown", "green"])
def test_color_survives_the_light(color: str, light: str) -> None:
    record = read(Drawing(iris=color, liner=None, neutral=LIGHTS[light], exposure=0.7, width_px=240))
    assert record.state == color
    hue = record.quantities["hue_deg"]
    true_hue = np.degrees(np.arctan2(PAINT[color][2], PAINT[color][1])) % 360
    assert abs((hue.value - true_hue + 180) % 360 - 180) < max(3 * hue.u, 12)


@pytest.mark.parametrize("light", LIGHTS)
@pytest.mark.parametrize("liner", ["blue", "brown"])
def test_black_and_white_stays_unpainted_under_colored_light_and_beside_colored_liner(
    liner: str, light: str
) -> None:
    """The dealer's trap: unpainted irises mean an early release, warm light or the liner's blur tint them."""
    record = read(
        Drawing(iris=None, liner=liner, neutral=LIGHTS[light], exposure=0.7, width_px=200, blur_px=1.3)
    )
    assert record.state == "unpainted"


@pytest.mark.parametrize("glance", [-0.8, 0.8])
def test_a_glance_to_the_side_is_no_hindrance(glance: float) -> None:
    assert read(Drawing(iris="blue", glance=glance, eye_scale=1.25, width_px=240)).state == "blue"


def test_confidence_falls_with_blur() -> None:
    sharp = read(Drawing(iris="brown", liner=None, width_px=120, blur_px=0.5))
    soft = read(Drawing(iris="brown", liner=None, width_px=120, blur_px=3.5))
    assert soft.candidates.get("brown", 0.0) < sharp.candidates["brown"]
