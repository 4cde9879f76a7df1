"""Measurements beside a face network: its masks guide them, its answers are second opinions."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.drawn_face import Drawing, Drawn, draw
from vision import ear_stain, eyeliner, face_reading, iris, lips, sheen
from vision.calibration import Calibration
from vision.locate import face_model
from vision.locate.face import find_faces
from vision.locate.parts import Parts
from vision.locate.places import FacePlace
from vision.photo import Photo

pytestmark = pytest.mark.skipif(face_model.load() is None, reason="the face model is not installed")

NAMES = ("other", "lip_bare", "lip_paint", "paint_beyond")


def network(drawn: Drawn, **answers: dict[str, float]) -> Parts:
    """A network that sees the molded lips, and paint beyond them, as drawn and gives these answers."""
    molded = drawn.masks["lip_molded"]
    return seeing(molded, drawn.masks["lip_paint"] & ~molded, answers)


def seeing(lip: np.ndarray, beyond: np.ndarray, answers: dict[str, dict[str, float]]) -> Parts:
    """A network that sees a lip here and paint beyond it there."""
    chance = np.stack([~(lip | beyond), np.zeros_like(lip), lip, beyond]).astype(np.float32)
    return Parts(NAMES, chance, answers, np.array([[1.0, 0, 0], [0, 1.0, 0]]))


def raised(drawn: Drawn, shade: float = 0.8) -> Drawn:
    """The drawing with lips that stand out of the face and so lie in another light."""
    molded = cv2.GaussianBlur(drawn.masks["lip_molded"].astype(np.float32), (0, 0), 1.0)[..., None]
    rgb = (drawn.photo.rgb * (1 - (1 - shade) * molded)).round().astype(np.uint8)
    return replace(drawn, photo=Photo.from_array(rgb))


def read(monkeypatch: pytest.MonkeyPatch, drawn: Drawn, parts: Parts | None, module=lips):
    def answer(photo: Photo, face: FacePlace) -> Parts | None:
        return parts

    monkeypatch.setattr(face_reading, "of_face", answer)
    photo = Photo.from_array(drawn.photo.rgb)
    (face,) = find_faces(photo)
    return module.measure(photo, face, Calibration())


OVERPAINTED = {"lips": {"overpainted": 0.9, "full": 0.1}}


def test_overpaint_shows_once_the_molded_border_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = raised(draw(Drawing(lip_spill=0.03, width_px=300, exposure=0.75)))
    alone = read(monkeypatch, drawn, None)
    helped = read(monkeypatch, drawn, network(drawn, **OVERPAINTED))
    painted, molded = drawn.masks["lip_paint"], drawn.masks["lip_molded"]
    truth = np.count_nonzero(painted & ~molded) / np.count_nonzero(molded)
    assert helped.quantities["beyond_border"].value == pytest.approx(truth, abs=0.12)
    assert helped.candidates["overpainted"] > alone.candidates["overpainted"]
    assert helped.state == "overpainted"


def test_a_border_without_relief_is_believed_by_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    # Neat lips without any form: a network that sees smaller ones inside them has made them up.
    drawn = draw(Drawing(width_px=300, exposure=0.75))
    molded = drawn.masks["lip_molded"]
    small = lips.grown(molded, -6)
    record = read(monkeypatch, drawn, seeing(small, molded & ~small, OVERPAINTED))
    assert record.state != "overpainted"


def test_a_border_that_paint_does_not_surround_is_no_overpaint(monkeypatch: pytest.MonkeyPatch) -> None:
    # Neat raised lips, and a network that has their border too far in on one side.
    drawn = raised(draw(Drawing(width_px=300, exposure=0.75)))
    molded = drawn.masks["lip_molded"]
    part = molded & np.roll(molded, 10, axis=0)
    record = read(monkeypatch, drawn, seeing(part, molded & ~part, OVERPAINTED))
    assert record.state != "overpainted"


def test_small_lips_show_no_border_inside_their_paint(monkeypatch: pytest.MonkeyPatch) -> None:
    # A few pixels from the edge of neat paint all is blur: a border there is made up, whatever its light.
    drawn = raised(draw(Drawing(width_px=160, exposure=0.75)))
    molded = drawn.masks["lip_molded"]
    small = lips.grown(molded, -3)
    record = read(monkeypatch, drawn, seeing(small, molded & ~small, OVERPAINTED))
    assert record.state != "overpainted"


@pytest.mark.parametrize(("sigma", "seen"), [(0.0, True), (6.0, False)], ids=["sharp", "soft"])
def test_a_soft_photo_shows_no_border_inside_the_paint(
    monkeypatch: pytest.MonkeyPatch, sigma: float, seen: bool
) -> None:
    # Blur carries paint beyond its edge, and the light of raised lips with it.
    drawn = raised(draw(Drawing(width_px=400, exposure=0.75, lip_spill=0.05)))
    rgb = cv2.GaussianBlur(drawn.photo.rgb, (0, 0), sigma) if sigma else drawn.photo.rgb
    monkeypatch.setattr(face_reading, "of_face", lambda photo, face: network(drawn))
    photo = Photo.from_array(rgb)
    (face,) = find_faces(photo)
    found = lips.find_paint(face_reading.read_face(photo, face))
    assert found is not None
    assert found.border_seen == seen


@pytest.mark.parametrize("light", [(1, 1, 1), (1.5, 1, 0.5)], ids=["neutral", "warm"])
@pytest.mark.parametrize("red", [(44, 62, 38), (62, 48, 12), (60, 50, 48)], ids=["red", "pink", "orange"])
def test_flat_lips_as_drawn_are_never_called_overpainted(
    red: tuple[float, float, float], light: tuple[float, float, float]
) -> None:
    # With the network that ships, where it ships: it has called such lips overpainted.
    drawn = draw(Drawing(colors={"red": red}, neutral=light, exposure=0.7, width_px=240))
    (face,) = find_faces(drawn.photo)
    assert lips.measure(drawn.photo, face, Calibration()).state in ("full", None)


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


EVERY = ("other", "skin", "lip_bare", "lip_paint", "paint_beyond", "iris", "eye_white", "hair", "ear_stain")
QUESTIONS = {
    "eyeliner": eyeliner.STATES,
    "iris": iris.STATES,
    "lips": ("full", "rubbed", "bare", "overpainted"),
    "sheen": ("matte", "greasy"),
    "doll": ("no", "yes"),
}
DRAWN = Drawing(width_px=260, exposure=0.75, liner="brown", iris="green", ear_stain=True)
TRUE = {
    "eyeliner_color": "brown", "iris_color": "green", "lip_paint": "full",
    "ear_stain left_ear": "none", "ear_stain right_ear": "green",
}  # fmt: skip


def nonsense(drawn: Drawn, seed: int) -> Parts:
    """A network that is sure of anything: blots of parts laid at random, each answer drawn by lot."""
    rng = np.random.default_rng(seed)
    height, width = drawn.photo.rgb.shape[:2]
    blots = rng.normal(0, 1, (len(EVERY), 12, 12)).astype(np.float32)
    big = np.stack([cv2.resize(b, (width, height), interpolation=cv2.INTER_CUBIC) for b in blots])
    chance = np.exp(6 * (big - big.max(0)))
    answers = {}
    for question, states in QUESTIONS.items():
        pick = int(rng.integers(len(states)))
        answers[question] = {s: 0.99 if i == pick else 0.01 / (len(states) - 1) for i, s in enumerate(states)}
    return Parts(EVERY, chance / chance.sum(0), answers, np.array([[1.0, 0, 0], [0, 1.0, 0]]))


@pytest.mark.parametrize("seed", range(3))
def test_a_network_that_talks_nonsense_makes_no_sure_mistake(
    monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    drawn = draw(DRAWN)
    parts = nonsense(drawn, seed)
    monkeypatch.setattr(face_reading, "of_face", lambda photo, face: parts)
    photo = Photo.from_array(drawn.photo.rgb)
    (face,) = find_faces(photo)
    records = [m.measure(photo, face, Calibration()) for m in (eyeliner, iris, lips, sheen)]
    for record in [*records, *ear_stain.measure(photo, face, Calibration())]:
        name = f"{record.trait} {record.part}" if record.part else record.trait
        wrong = record.state is not None and name in TRUE and record.state != TRUE[name]
        assert not (wrong and record.confidence >= 0.9), record


def test_a_network_that_sees_too_small_lips_is_never_sure_of_overpaint(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    drawn = draw(Drawing(width_px=300, exposure=0.75))
    small = lips.grown(drawn.masks["lip_molded"], -6).astype(np.float32)
    chance = np.stack([1 - small, 0 * small, small])
    answers = {"lips": {"overpainted": 0.99, "full": 0.01}}
    parts = Parts(NAMES[:3], chance, answers, np.array([[1.0, 0, 0], [0, 1.0, 0]]))
    record = read(monkeypatch, drawn, parts)
    assert record.confidence < 0.9


@pytest.mark.parametrize("seen", ["hair", "skin", "ear_stain"])
def test_a_stain_is_green_only_where_the_network_sees_no_hair(
    monkeypatch: pytest.MonkeyPatch, seen: str
) -> None:
    drawn = draw(DRAWN)
    stain = drawn.masks["ear_stain"].astype(np.float32)
    spot = cv2.dilate(stain, np.ones((25, 25), np.uint8))
    chance = np.zeros((len(EVERY), *spot.shape), np.float32)
    chance[EVERY.index("skin")] = 1 - spot
    chance[EVERY.index(seen)] += spot
    parts = Parts(EVERY, chance, {}, np.array([[1.0, 0, 0], [0, 1.0, 0]]))
    monkeypatch.setattr(face_reading, "of_face", lambda photo, face: parts)
    photo = Photo.from_array(drawn.photo.rgb)
    (face,) = find_faces(photo)
    record = {r.part: r for r in ear_stain.measure(photo, face, Calibration())}["right_ear"]
    assert (record.state == "green") == (seen == "ear_stain"), record
