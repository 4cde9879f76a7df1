"""The color of lip paint: read in any light against white eyes, through gloss and shade, or not at all."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from tests.drawn_face import Drawing, draw
from vision import face_reading, lips
from vision.calibration import Calibration
from vision.lip_color import paint_color
from vision.locate import face_model
from vision.locate.face import find_faces
from vision.photo import Photo
from vision.traits import TraitRecord

pytestmark = pytest.mark.skipif(face_model.load() is None, reason="the face model is not installed")

FRESH, PALED = (44.0, 58.0, 30.0), (62.0, 26.0, 12.0)


@pytest.fixture(autouse=True)
def measured_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(face_reading, "of_face", lambda photo, face: None)
    monkeypatch.setattr(face_reading, "of_mouth", lambda photo, face: None)


def read(rgb: np.ndarray) -> TraitRecord:
    photo = Photo.from_array(rgb)
    (face,) = find_faces(photo)
    return lips.measure(photo, face, Calibration())


@pytest.mark.parametrize("light", [(1, 1, 1), (1.5, 1, 0.5), (0.8, 1, 1.3)], ids=["neutral", "warm", "cool"])
@pytest.mark.parametrize("paint", [FRESH, PALED], ids=["fresh", "paled"])
def test_the_color_lies_within_its_uncertainty(
    paint: tuple[float, float, float], light: tuple[float, float, float]
) -> None:
    drawn = draw(Drawing(colors={"red": paint}, neutral=light, exposure=0.7, width_px=240))
    chroma = read(drawn.photo.rgb).quantities["chroma"]
    assert chroma.value == pytest.approx(np.hypot(*paint[1:]), abs=2 * chroma.u)
    assert chroma.u < 20


def test_gloss_and_shade_cost_no_chroma() -> None:
    drawn = draw(Drawing(colors={"red": FRESH}, exposure=0.7, width_px=300))
    plain = read(drawn.photo.rgb).quantities["chroma"]
    rgb = drawn.photo.rgb.copy()
    ys, xs = np.nonzero(drawn.masks["lip_paint"])
    y = int(np.quantile(ys, 0.8))
    rgb[y - 3 : y + 3, int(np.quantile(xs, 0.3)) : int(np.quantile(xs, 0.7))] = 250
    upper = drawn.masks["lip_paint"] & (np.arange(len(rgb)) < int(np.median(ys)))[:, None]
    rgb[upper] = (rgb[upper] * 0.6).astype(np.uint8)
    assert read(rgb).quantities["chroma"].value == pytest.approx(plain.value, abs=0.5 * plain.u)


def test_bare_lips_have_no_paint_color() -> None:
    assert "chroma" not in read(draw(Drawing(lips=None, width_px=240)).photo.rgb).quantities


def test_without_a_white_there_is_no_color() -> None:
    photo = draw(Drawing(exposure=0.7, width_px=240)).photo
    (face,) = find_faces(photo)
    reading = face_reading.read_face(photo, face)
    found = lips.find_paint(reading)
    assert found is not None
    blind = dataclasses.replace(reading, left=None, right=None)
    assert paint_color(reading, found.covered, found.glare, Calibration()) is not None
    assert paint_color(blind, found.covered, found.glare, Calibration()) is None
    assert paint_color(reading, np.zeros_like(found.covered), found.glare, Calibration()) is None
