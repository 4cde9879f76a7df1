"""Measurements beside a face network: its masks guide them, its answers are second opinions."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.drawn_face import Drawing, Drawn, draw
from vision import ear_stain, eyeliner, face_reading, iris, lip_repaint, lips, sheen
from vision.calibration import Calibration
from vision.face_view import grown
from vision.locate import face_model
from vision.locate.face import find_faces
from vision.locate.parts import Parts, available, of_mouth
from vision.locate.places import FacePlace
from vision.photo import Photo

pytestmark = pytest.mark.skipif(face_model.load() is None, reason="the face model is not installed")

NAMES = ("other", "upper_bare", "upper_paint", "lower_bare", "lower_paint", "paint_beyond")


def network(drawn: Drawn, **answers: dict[str, float]) -> Parts:
    """A network that sees the molded lips, and paint on and beyond them, as drawn and gives these answers."""
    return seeing(drawn.masks["lip_molded"], drawn.masks["lip_paint"], answers)


def seeing(lip: np.ndarray, paint: np.ndarray, answers: dict[str, dict[str, float]]) -> Parts:
    """A network that sees lips here and paint there."""
    rows = np.flatnonzero(lip.any(axis=1))
    upper = lip & (np.arange(len(lip)) < rows.mean())[:, None]
    lower = lip & ~upper
    halves = [upper & ~paint, upper & paint, lower & ~paint, lower & paint]
    chance = np.stack([~(lip | paint), *halves, paint & ~lip]).astype(np.float32)
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
    monkeypatch.setattr(face_reading, "of_mouth", answer)
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
    # The picture of it shows both outlines, and the sign of a repaint is no surer than the state.
    assert helped.region is not None
    assert set(helped.region.names) == {"paint", "molded lips"}
    signs = read(monkeypatch, drawn, network(drawn, **OVERPAINTED), lip_repaint)
    assert 0.6 <= signs.quantities["over_border_chance"].value <= lips.MOST_BY_NETWORK


def test_a_border_without_relief_is_believed_by_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    # Neat lips without any form: a network that sees smaller ones inside them has made them up.
    drawn = draw(Drawing(width_px=300, exposure=0.75))
    molded = drawn.masks["lip_molded"]
    small = grown(molded, -6)
    record = read(monkeypatch, drawn, seeing(small, molded, OVERPAINTED))
    assert record.state != "overpainted"


def test_a_border_that_paint_does_not_surround_is_no_overpaint(monkeypatch: pytest.MonkeyPatch) -> None:
    # Neat raised lips, and a network that has their border too far in on one side.
    drawn = raised(draw(Drawing(width_px=300, exposure=0.75)))
    molded = drawn.masks["lip_molded"]
    part = molded & np.roll(molded, 10, axis=0)
    record = read(monkeypatch, drawn, seeing(part, molded, OVERPAINTED))
    assert record.state != "overpainted"


def test_small_lips_show_no_border_inside_their_paint(monkeypatch: pytest.MonkeyPatch) -> None:
    # A few pixels from the edge of neat paint all is blur: a border there is made up, whatever its light.
    drawn = raised(draw(Drawing(width_px=160, exposure=0.75)))
    molded = drawn.masks["lip_molded"]
    small = grown(molded, -3)
    record = read(monkeypatch, drawn, seeing(small, molded, OVERPAINTED))
    assert record.state != "overpainted"


@pytest.mark.parametrize(("shade", "seen"), [(0.8, True), (0.95, False)], ids=["deep", "faint"])
def test_a_thin_rim_of_paint_needs_deep_relief(
    monkeypatch: pytest.MonkeyPatch, shade: float, seen: bool
) -> None:
    # Near the edge of paint a network misplaces neat borders, too: light must say clearly that one is there.
    drawn = raised(draw(Drawing(width_px=400, exposure=0.75, lip_spill=0.011)), shade)
    monkeypatch.setattr(face_reading, "of_mouth", lambda photo, face: network(drawn))
    photo = Photo.from_array(drawn.photo.rgb)
    (face,) = find_faces(photo)
    found = lips.find_paint(face_reading.read_face(photo, face))
    assert found is not None
    assert found.seen is not None
    assert found.seen.in_paint == seen


def test_a_network_that_sees_no_paint_beyond_has_no_ground_for_overpaint(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Large neat lips look overpainted at a glance: what it sees of them counts, and is never quite believed.
    drawn = draw(Drawing(width_px=300, exposure=0.75))
    record = read(monkeypatch, drawn, network(drawn, **OVERPAINTED))
    assert record.state == "full"
    assert record.confidence <= lips.MOST_BY_NETWORK


@pytest.mark.parametrize("paint", ["lip_paint", None], ids=["pale paint", "none"])
def test_lips_are_bare_only_if_the_network_sees_none_painted(
    monkeypatch: pytest.MonkeyPatch, paint: str | None
) -> None:
    # Paint as pale as skin tells nothing by its color.
    drawn = draw(Drawing(colors={"red": (75, 15, 20)}, width_px=240))
    seen = drawn.masks[paint] if paint else np.zeros_like(drawn.masks["lip_paint"])
    answers = {"lips": {"full": 0.9, "bare": 0.1} if paint else {"bare": 0.9, "full": 0.1}}
    record = read(monkeypatch, drawn, seeing(drawn.masks["lip_molded"], seen, answers))
    assert (record.state == "bare") == (paint is None)
    assert record.confidence < 0.9


@pytest.mark.parametrize(("sigma", "seen"), [(0.0, True), (6.0, False)], ids=["sharp", "soft"])
def test_a_soft_photo_shows_no_border_inside_the_paint(
    monkeypatch: pytest.MonkeyPatch, sigma: float, seen: bool
) -> None:
    # Blur carries paint beyond its edge, and the light of raised lips with it.
    drawn = raised(draw(Drawing(width_px=400, exposure=0.75, lip_spill=0.05)))
    rgb = cv2.GaussianBlur(drawn.photo.rgb, (0, 0), sigma) if sigma else drawn.photo.rgb
    monkeypatch.setattr(face_reading, "of_mouth", lambda photo, face: network(drawn))
    photo = Photo.from_array(rgb)
    (face,) = find_faces(photo)
    found = lips.find_paint(face_reading.read_face(photo, face))
    assert found is not None
    assert (found.seen is not None and found.seen.in_paint) == seen


@pytest.mark.parametrize("light", [(1, 1, 1), (1.5, 1, 0.5)], ids=["neutral", "warm"])
@pytest.mark.parametrize("red", [(44, 62, 38), (62, 48, 12), (60, 50, 48)], ids=["red", "pink", "orange"])
def test_flat_lips_as_drawn_are_never_called_overpainted(
    red: tuple[float, float, float], light: tuple[float, float, float]
) -> None:
    # With the network that ships, where it ships: it has called such lips overpainted.
    drawn = draw(Drawing(colors={"red": red}, neutral=light, exposure=0.7, width_px=240))
    (face,) = find_faces(drawn.photo)
    assert lips.measure(drawn.photo, face, Calibration()).state in ("full", None)


def test_lips_are_not_full_to_a_network_that_takes_the_paint_for_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Half a mouth rubbed bare without any relief left to see: the other half tells where lips must be.
    drawn = draw(Drawing(lip_cover=0.6, width_px=240))
    paint = drawn.masks["lip_paint"]
    record = read(monkeypatch, drawn, seeing(paint, paint, {"lips": {"full": 0.97, "rubbed": 0.03}}))
    assert record.state is None  # full by its outline, rubbed by the other
    found = record.quantities["coverage_total"]
    assert found.value - 2 * found.u < drawn.coverage < found.value + 2 * found.u


def test_pale_paint_that_a_network_overlooks_is_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    # Paint as light as the vinyl, of another tint: the network sees it in the fold only.
    drawn = draw(Drawing(colors={"red": (74, 24, 17)}, width_px=300, exposure=0.75))
    paint = drawn.masks["lip_paint"]
    fold = paint & grown(paint, -6)
    record = read(monkeypatch, drawn, seeing(drawn.masks["lip_molded"], fold, {}))
    assert record.quantities["coverage_total"].value > 0.9


@pytest.mark.parametrize("beside", [0.0, 0.4], ids=["beside the lips", "across them"])
def test_hair_is_no_paint_where_the_face_network_sees_it(
    monkeypatch: pytest.MonkeyPatch, beside: float
) -> None:
    # A red lock that touches bare lips at a corner, or hides two fifths of them.
    drawn = draw(Drawing(lips=None, width_px=300, exposure=0.75))
    molded = drawn.masks["lip_molded"]
    ys, xs = np.nonzero(molded)
    edge = int(xs.min() + beside * np.ptp(xs))
    lock = np.zeros_like(molded)
    lock[ys.min() - 60 : ys.max() + 60, edge - 45 : edge] = True
    rgb = drawn.photo.rgb.copy()
    rgb[lock] = (150, 62, 40)
    hair = np.stack([lock, np.zeros_like(lock)]).astype(np.float32)
    whole = np.array([[1.0, 0, 0], [0, 1.0, 0]])
    monkeypatch.setattr(
        face_reading, "of_face", lambda photo, face: Parts(("hair", "other"), hair, {}, whole)
    )
    sees = seeing(molded & ~lock, np.zeros_like(lock), {"lips": {"bare": 0.9, "rubbed": 0.1}})
    monkeypatch.setattr(face_reading, "of_mouth", lambda photo, face: sees)
    photo = Photo.from_array(rgb)
    (face,) = find_faces(photo)
    record = lips.measure(photo, face, Calibration())
    assert record.state in ("bare", None)
    found = record.quantities["coverage_total"]
    assert found.value < 0.1
    assert record.quantities["beyond_border"].value < 0.1


def test_gloss_is_told_from_bare_vinyl_by_a_network(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = draw(Drawing(width_px=300, exposure=0.75))
    rgb = drawn.photo.rgb.copy()
    ys, xs = np.nonzero(drawn.masks["lip_paint"])
    left, right = int(np.quantile(xs, 0.2)), int(np.quantile(xs, 0.8))
    rgb[int(np.quantile(ys, 0.6)) : ys.max() - 2, left:right] = 250
    glossy = replace(drawn, photo=Photo.from_array(rgb))
    record = read(monkeypatch, glossy, network(drawn, lips={"full": 0.95, "rubbed": 0.05}))
    assert "glare" in record.flags
    assert record.quantities["coverage_total"].value > 0.95


def test_the_mouth_network_sees_a_mirror_image_mirrored() -> None:
    if not available("mouth"):
        pytest.skip("the network is not there")
    drawn = draw(Drawing(width_px=300, exposure=0.75))
    (face,) = find_faces(drawn.photo)
    width = drawn.photo.width
    left, right, lips_ = ([(width - x, y) for x, y in p] for p in (face.right_eye, face.left_eye, face.lips))
    place = replace(face, left_eye=tuple(left), right_eye=tuple(right), lips=tuple(lips_))
    seen = of_mouth(drawn.photo, face)
    other = of_mouth(Photo.from_array(np.ascontiguousarray(drawn.photo.rgb[:, ::-1])), place)
    assert seen is not None
    assert other is not None
    shape = drawn.photo.rgb.shape[:2]
    plain = np.array([[1.0, 0, 0], [0, 1.0, 0]])
    one, two = (parts.on(plain, shape, "upper_paint", "lower_paint") for parts in (seen, other))
    assert one.max() > 0.5
    assert np.abs(one - two[:, ::-1])[one > 0.02].mean() < 0.05


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
    monkeypatch.setattr(face_reading, "of_mouth", broken)
    drawn = draw(Drawing(width_px=300, exposure=0.75))
    (face,) = find_faces(drawn.photo)
    assert lips.measure(drawn.photo, face, Calibration()).quantities["coverage_total"].value > 0.9


EVERY = (*NAMES, "skin", "iris", "eye_white", "hair", "ear_stain")
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
    monkeypatch.setattr(face_reading, "of_mouth", lambda photo, face: parts)
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
    small = grown(drawn.masks["lip_molded"], -6)
    answers = {"lips": {"overpainted": 0.99, "full": 0.01}}
    record = read(monkeypatch, drawn, seeing(small, drawn.masks["lip_paint"], answers))
    assert record.confidence < 0.9


def test_the_mouth_network_is_asked_for_lips_only(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []
    monkeypatch.setattr(face_reading, "of_mouth", lambda photo, face: asked.append(face))
    photo = Photo.from_array(draw(DRAWN).photo.rgb)
    (face,) = find_faces(photo)
    eyeliner.measure(photo, face, Calibration())
    ear_stain.measure(photo, face, Calibration())
    assert not asked
    lips.measure(photo, face, Calibration())
    lip_repaint.measure(photo, face, Calibration())
    assert len(asked) == 1


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
