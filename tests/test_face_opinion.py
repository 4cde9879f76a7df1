"""Measurements beside a face network: its masks guide them, its answers are second opinions."""

from __future__ import annotations

import numpy as np
import pytest

from tests.drawn_face import Drawing, Drawn, draw
from vision import eyeliner, face_reading, lips
from vision.calibration import Calibration
from vision.locate import face_model
from vision.locate.face import find_faces
from vision.locate.parts import Parts
from vision.locate.places import FacePlace
from vision.photo import Photo

pytestmark = pytest.mark.skipif(face_model.load() is None, reason="the face model is not installed")

NAMES = ("other", "lip_bare", "lip_paint")


def network(drawn: Drawn, **answers: dict[str, float]) -> Parts:
    """A network that sees the molded lips as drawn and gives these answers."""
    molded = drawn.masks["lip_molded"].astype(np.float32)
    chance = np.stack([1 - molded, 0 * molded, molded])
    return Parts(NAMES, chance, answers, np.array([[1.0, 0, 0], [0, 1.0, 0]]))


def read(monkeypatch: pytest.MonkeyPatch, drawn: Drawn, parts: Parts | None, module=lips):
    def answer(photo: Photo, face: FacePlace) -> Parts | None:
        return parts

    monkeypatch.setattr(face_reading, "of_face", answer)
    photo = Photo.from_array(drawn.photo.rgb)
    (face,) = find_faces(photo)
    return module.measure(photo, face, Calibration())


def test_overpaint_shows_once_the_molded_border_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = draw(Drawing(lip_spill=0.014, width_px=300, exposure=0.75))
    alone = read(monkeypatch, drawn, None)
    helped = read(monkeypatch, drawn, network(drawn, lips={"overpainted": 0.9, "full": 0.1}))
    painted, molded = drawn.masks["lip_paint"], drawn.masks["lip_molded"]
    truth = np.count_nonzero(painted & ~molded) / np.count_nonzero(molded)
    assert helped.quantities["beyond_border"].value == pytest.approx(truth, abs=0.12)
    assert helped.candidates["overpainted"] > alone.candidates["overpainted"]
    assert helped.state == "overpainted"


def test_neat_lips_stay_full_with_a_network(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = draw(Drawing(width_px=300, exposure=0.75))
    record = read(monkeypatch, drawn, network(drawn, lips={"full": 0.95, "overpainted": 0.05}))
    assert record.state == "full"
    assert "second_opinion" in record.flags


def test_a_network_that_sees_the_lips_elsewhere_is_not_followed(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = draw(Drawing(width_px=300, exposure=0.75))
    alone = read(monkeypatch, drawn, None)
    astray = network(drawn)
    shifted = Parts(NAMES, np.roll(astray.chance, 90, axis=1), {}, astray.to_samples)
    record = read(monkeypatch, drawn, shifted)
    assert record.quantities["coverage_total"].value == alone.quantities["coverage_total"].value


def test_a_network_that_contradicts_a_clear_liner_silences_it(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = draw(Drawing(width_px=300, exposure=0.75, liner="blue"))
    record = read(monkeypatch, drawn, network(drawn, eyeliner={"brown": 0.98, "blue": 0.02}), eyeliner)
    assert record.state is None
    assert record.not_measured == "ambiguous"
    assert {"blue", "brown"} <= set(record.candidates)
    assert "opinions_differ" in record.flags


def test_a_network_that_fails_is_one_that_is_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(photo: Photo, face: FacePlace) -> Parts:
        raise RuntimeError("no memory")

    monkeypatch.setattr(face_reading, "of_face", broken)
    drawn = draw(Drawing(width_px=300, exposure=0.75))
    (face,) = find_faces(drawn.photo)
    assert lips.measure(drawn.photo, face, Calibration()).quantities["coverage_total"].value > 0.9
