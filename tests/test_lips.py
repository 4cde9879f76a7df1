"""Lip paint: cover, wear and overrun, judged on symmetric molded lips."""

from __future__ import annotations

import numpy as np
import pytest

from tests.drawn_face import Drawing, draw
from vision import face_reading, lips
from vision.calibration import Calibration
from vision.locate import face_model
from vision.locate.face import find_faces
from vision.photo import Photo
from vision.traits import TraitRecord

pytestmark = pytest.mark.skipif(face_model.load() is None, reason="the face model is not installed")


@pytest.fixture(autouse=True)
def measured_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is measured, whatever a face network would say; tests/test_face_opinion.py hears both."""
    monkeypatch.setattr(face_reading, "of_face", lambda photo, face: None)


REDS = {"red": (44, 58, 30), "pink": (62, 34, 10), "orange": (60, 44, 44), "dark": (30, 34, 16)}


def read(what: Drawing) -> tuple[TraitRecord, float]:
    drawn = draw(what)
    (face,) = find_faces(drawn.photo)
    return lips.measure(drawn.photo, face, Calibration()), drawn.coverage


@pytest.mark.parametrize("light", [(1, 1, 1), (1.5, 1, 0.5), (0.8, 1, 1.3)], ids=["neutral", "warm", "cool"])
@pytest.mark.parametrize("paint", REDS)
def test_full_lips_are_full_in_any_color_and_light(paint: str, light: tuple[float, float, float]) -> None:
    record, _ = read(Drawing(colors={"red": REDS[paint]}, neutral=light, exposure=0.7, width_px=240))
    assert record.quantities["coverage_total"].value > 0.9
    assert record.state in ("full", None)


@pytest.mark.parametrize("cover", [0.35, 0.6, 0.8])
def test_rubbed_lips_are_rubbed(cover: float) -> None:
    record, truth = read(Drawing(lip_cover=cover, width_px=240))
    found = record.quantities["coverage_total"]
    assert record.state in ("rubbed", None)
    assert found.value == pytest.approx(truth, abs=max(0.12, 2.5 * found.u))


def test_less_paint_reads_as_less_paint() -> None:
    values = [
        read(Drawing(lip_cover=c, width_px=240))[0].quantities["coverage_total"].value for c in (0.3, 0.6, 1)
    ]
    assert values == sorted(values)


def test_bare_lips_are_never_called_painted() -> None:
    record, _ = read(Drawing(lips=None, width_px=240))
    assert record.state in ("bare", None)
    assert record.quantities["coverage_total"].value < 0.1


def test_pale_paint_is_not_called_bare_with_confidence() -> None:
    record, _ = read(Drawing(colors={"red": (72, 20, 18)}, width_px=240))
    assert not (record.state == "bare" and record.confidence > 0.75)


def test_no_false_alarm_of_overpaint_on_neat_lips() -> None:
    for seed in range(3):
        record, _ = read(Drawing(width_px=140 + 60 * seed, blur_px=0.6 + 0.5 * seed, seed=seed))
        assert record.state != "overpainted"
        assert record.candidates["overpainted"] < 0.46


def test_paint_far_outside_is_overpaint() -> None:
    drawn = draw(Drawing(width_px=240))
    (face,) = find_faces(drawn.photo)
    rgb = drawn.photo.rgb.copy()
    paint = np.median(rgb[drawn.masks["lip_paint"]], axis=0)
    ys, xs = np.nonzero(drawn.masks["lip_paint"])
    rgb[ys.max() - 4 : ys.max() + 22, int(xs.mean()) - 28 : int(xs.mean()) + 28] = paint
    photo = Photo.from_array(rgb)
    record = lips.measure(photo, face, Calibration())
    assert record.quantities["beyond_border"].value > 0.1
    assert record.candidates["overpainted"] > lips_candidates(drawn.photo, face)["overpainted"]


def lips_candidates(photo: Photo, face: object) -> dict[str, float]:
    return dict(lips.measure(photo, face, Calibration()).candidates)  # type: ignore[arg-type]


def test_glare_is_not_missing_paint() -> None:
    drawn = draw(Drawing(width_px=240))
    (face,) = find_faces(drawn.photo)
    rgb = drawn.photo.rgb.copy()
    ys, xs = np.nonzero(drawn.masks["lip_paint"])
    y, x = int(np.quantile(ys, 0.8)), int(xs.mean())
    rgb[y - 3 : y + 3, x - 14 : x + 14] = 250
    record = lips.measure(Photo.from_array(rgb), face, Calibration())
    assert record.quantities["coverage_total"].value > 0.93
