"""Molded text: where it is, what it says, and when nothing may be said."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
import pytest

from tests import drawn_marks
from tests.plugins import faulty_engines
from vision import mark_looks, mark_map, mark_reader, mark_text, relief
from vision.locate.mark import find_marks
from vision.mark_box import Box
from vision.mark_signs import Sign
from vision.mark_votes import Reading, agree, tidied
from vision.ocr import GuardedEngine, NullEngine, OcrEngine, OcrLine, RapidEngine, guarded
from vision.photo import Photo, load
from vision.traits import Reason


def photo_of(mask, **light):
    return Photo.from_array(drawn_marks.photographed(mask, **light))


def letters(lines):
    return "".join(c for line in lines for c in line.upper() if c.isalnum())


def distance(a, b):
    row = list(range(len(b) + 1))
    for i, x in enumerate(a, 1):
        last, row[0] = row[0], i
        for j, y in enumerate(b, 1):
            last, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, last + (x != y))
    return row[-1]


def errors(record, lines):
    """Character errors over characters, spaces and signs apart."""
    read = letters([line.text for line in record.text or ()])
    return distance(letters(lines), read) / len(letters(lines))


@pytest.fixture(scope="module")
def engine() -> GuardedEngine:
    if RapidEngine().available() is not None:
        pytest.skip("the OCR models are not installed")
    return guarded(RapidEngine())


# --- where ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("angle", [0, 40, 90, 150])
def test_lettering_is_found_and_its_direction_known(angle):
    mask, corners = drawn_marks.lettering(["HARGROVE 1417"], angle_deg=angle)
    place = find_marks(photo_of(mask))[0]
    outline = np.asarray(place.outline, np.float32)
    shared, _ = cv2.intersectConvexConvex(outline, corners.astype(np.float32))
    assert shared > 0.8 * cv2.contourArea(corners.astype(np.float32))
    assert place.confidence > 0.6
    assert abs((place.angle_deg - angle + 90) % 180 - 90) < 12
    assert 18 < place.letter_height_px < 76


def test_seams_scratches_and_pits_are_seldom_a_likely_place():
    likely = 0
    for seed in range(8):
        places = find_marks(photo_of(drawn_marks.scratched(seed), seed=seed))
        likely += max((p.confidence for p in places), default=0.0) > 0.6
    assert likely <= 2


@pytest.mark.parametrize("shape", [(1, 1), (3, 900), (40, 40), (300, 400)])
def test_even_and_tiny_pictures_have_no_place(shape):
    assert find_marks(Photo.from_array(np.full((*shape, 3), 170, np.uint8))) == []


def test_weave_is_no_likely_place():
    yy, xx = np.mgrid[:500, :700]
    weave = 150 + 40 * np.sign(np.sin(xx / 4)) * np.sign(np.sin(yy / 4))
    picture = np.repeat(weave[..., None], 3, axis=2).astype(np.uint8)
    assert max((p.confidence for p in find_marks(Photo.from_array(picture))), default=0.0) < 0.5


# --- what it says --------------------------------------------------------------------------------------


@pytest.mark.parametrize("angle", [0, 60, 90, 135, 180, 250, 270, 330])
def test_reads_at_any_angle(engine, angle):
    lines = ["HARGROVE", "VERITY 1417"]
    mask, _ = drawn_marks.lettering(lines, angle_deg=angle)
    record = mark_text.measure(photo_of(mask), [], engine)
    assert record.state == "present"
    assert errors(record, lines) <= 0.06
    first = np.asarray(record.text[0].polygon)
    half = len(first) // 2
    along = first[half - 1] - first[0]
    assert abs((np.degrees(np.arctan2(along[1], along[0])) - angle + 180) % 360 - 180) < 15


def test_raised_and_incised_read_alike(engine):
    lines = ["MADE IN JAPAN", "MCMLVIII"]
    mask, _ = drawn_marks.lettering(lines)
    for depth in (3.0, -3.0):
        assert errors(mark_text.measure(photo_of(mask, depth=depth), [], engine), lines) <= 0.1


def test_curved_line_is_read(engine):
    mask, _ = drawn_marks.lettering(["HARGROVE VERITY"], bend=1.6)
    assert errors(mark_text.measure(photo_of(mask), [], engine), ["HARGROVE VERITY"]) <= 0.15


def test_word_that_no_list_knows_is_read_as_it_stands(engine):
    mask, _ = drawn_marks.lettering(["QZ7 VEX9"])
    record = mark_text.measure(photo_of(mask), [], engine)
    assert errors(record, ["QZ7 VEX9"]) <= 0.15


def test_blur_never_raises_the_confidence_of_a_line_much(engine):
    mask, _ = drawn_marks.lettering(["HARGROVE 1417"])
    sharp = drawn_marks.photographed(mask)
    confidences = []
    for sigma in (0.0, 5.0, 9.0):
        soft = cv2.GaussianBlur(sharp, (0, 0), sigma) if sigma else sharp
        record = mark_text.measure(Photo.from_array(soft), [], engine)
        right = [line for line in record.text or () if letters([line.text]) == "HARGROVE1417"]
        confidences.append(
            max((line.confidence for line in record.text or () if line not in right), default=0.0)
        )
    assert max(confidences) < 0.9, "a wrong reading must not be called sure"


@pytest.mark.parametrize("seed", range(6))
def test_blank_vinyl_gives_no_text(engine, seed):
    mask = drawn_marks.scratched(seed) if seed % 2 else np.zeros(drawn_marks.SIZE, np.float32)
    record = mark_text.measure(photo_of(mask, seed=seed), [], engine)
    assert not record.text
    assert record.state != "present"


def test_frontal_light_on_blank_vinyl_is_not_absent(engine):
    even = np.full((500, 700, 3), (205, 170, 150), np.uint8)
    noise = np.random.default_rng(1).normal(0, 2, even.shape)
    record = mark_text.measure(Photo.from_array((even + noise).astype(np.uint8)), [], engine)
    assert record.state is None
    assert record.not_measured in (Reason.NOT_LOCATED, Reason.BLURRED)
    assert "side" in record.detail or "sharper" in record.detail


def test_four_lights_read_what_one_does_not(engine):
    lines = ["HARGROVE", "1417"]
    mask, _ = drawn_marks.lettering(lines, letter_px=30)
    pictures = [
        drawn_marks.photographed(mask, azimuth_deg=a, elevation_deg=35, depth=0.7)
        for a in (20.0, 110.0, 200.0, 290.0)
    ]
    fused = relief.fuse(pictures)
    assert len(fused.used) == 4
    photo = Photo.from_array(pictures[0])
    together = mark_text.measure(photo, [], engine, (fused.shaded, *fused.aligned[1:]))
    assert errors(together, lines) <= 0.1


# --- engines that misbehave ----------------------------------------------------------------------------


def test_no_engine_is_a_typed_reason():
    mask, _ = drawn_marks.lettering(["VERITY"])
    record = mark_text.measure(photo_of(mask), [], NullEngine())
    assert record.not_measured is Reason.ENGINE_MISSING


@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        (faulty_engines.Absent, Reason.ENGINE_MISSING),
        (faulty_engines.Dies, Reason.ENGINE_FAILED),
        (faulty_engines.Raises, Reason.ENGINE_FAILED),
        (faulty_engines.Surrogate, Reason.ENGINE_FAILED),
    ],
)
def test_fault_of_an_engine_is_a_typed_reason(fault, reason):
    mask, _ = drawn_marks.lettering(["VERITY"], size=(200, 300))
    record = mark_text.measure(photo_of(mask), [], guarded(fault()))
    assert record.state is None
    assert record.not_measured is reason


class Fickle(OcrEngine):
    """Finds one line and reads it differently each time, always with full confidence."""

    isolated = False
    words = ("VERITY", "HARGROVE", "1417", "JAPAN", "QUINCE", "MCMLX", "BODICE", "OXBOW")

    def __init__(self):
        self.calls = 0

    def available(self):
        return None

    def read(self, rgb):
        return []

    def find(self, rgb):
        h, w = rgb.shape[:2]
        box = ((0.2 * w, 0.4 * h), (0.8 * w, 0.4 * h), (0.8 * w, 0.6 * h), (0.2 * w, 0.6 * h))
        return [OcrLine("", 1.0, box)]

    def recognize(self, strips):
        self.calls += 1
        return [OcrLine(self.words[(self.calls + i) % 8], 1.0) for i in range(len(strips))]


@pytest.mark.parametrize(("own", "most"), [(False, 0.3), (True, 0.6)])
def test_confidence_is_agreement_not_the_engines_word(monkeypatch, own, most):
    if not own:
        monkeypatch.setattr(mark_reader, "available", lambda: False)
    mask, _ = drawn_marks.lettering(["VERITY"])
    record = mark_text.measure(photo_of(mask), [], Fickle())
    assert max((line.confidence for line in record.text or ()), default=0.0) < most


class Halved(Fickle):
    """Reads a whole line with doubt, each look otherwise, and the end of it with none."""

    def __init__(self):
        super().__init__()
        self._whole = itertools.cycle(("FHTENTED", "PA7ENTEB", "PATCNTFD", "PATEMTED", "PATENLED"))

    def recognize(self, strips):
        return [
            OcrLine("ENTED", 0.95)
            if strip.shape[1] < 5.5 * strip.shape[0]
            else OcrLine(next(self._whole), 0.7)
            for strip in strips
        ]


@pytest.mark.parametrize(("width_px", "reads"), [(170, "PATENTED"), (60, "©ATENTED")])
def test_a_shadow_taken_for_a_sign_costs_no_letters(monkeypatch, width_px, reads):
    """A dealer must not read © where the mold says PAT; a sign that takes one letter's place is one."""
    size = (300, 800)
    at = 0.5 * width_px / (0.6 * size[1])
    sign = Sign("copyright", {"copyright": 1.0}, 1.0, 1.0, at, width_px / 1.1, (200.0, 150.0))
    monkeypatch.setattr(mark_looks, "signs_in", lambda *_: [sign])
    monkeypatch.setattr(mark_reader, "available", lambda: False)
    monkeypatch.setattr(mark_map, "available", lambda: False)
    engine = Halved()
    if reads.startswith("©"):
        monkeypatch.setattr(engine, "recognize", lambda strips: [OcrLine("ATENTED", 0.95)] * len(strips))
    blank = Photo.from_array(np.full((*size, 3), 180, np.uint8))
    record = mark_text.measure(blank, [], engine)
    assert [line.text for line in record.text or ()] == [reads]


@pytest.mark.parametrize(("own", "swallowed"), [("OSTREL", True), ("©STREL", False)])
def test_a_letter_is_given_up_for_a_sign_only_where_our_reader_sees_one(own, swallowed):
    whole, around = reading_of(("OSTREL", 0.9)), reading_of(("STREL", 0.9))
    whole.own, around.text = [OcrLine(own, 0.9)], "©STREL"
    assert mark_looks._swallows(around, whole) is swallowed


@pytest.mark.parametrize(
    ("views", "own", "settled"),
    [
        (("VERITY", "VERITY"), "VERITY®", True),
        (("VERITYT", "VERITYT"), "VERITYT", False),  # both readers take a TM for a T
        (("MCMLVI", "MCMIVI"), "MCMLVI", False),
        (("DIS)GN", "DIS)GN"), "DESIGN", False),
        (("1", "1"), "1", False),
    ],
)
def test_no_more_looks_are_taken_only_where_independent_readers_agree(views, own, settled):
    sign = Sign("trademark", {"trademark": 1.0}, 0.9, 0.9, 0.9, 20.0, (200.0, 150.0))
    lines, said = [OcrLine(v, 0.99) for v in views], [OcrLine(own, 0.8)]
    signs = [sign] if views[0].startswith("VERITY") else []
    assert mark_looks._settled(lines, said, signs) is settled
    unclear = [OcrLine(v, 0.8) for v in views]
    assert not mark_looks._settled(unclear, said, signs)


# --- agreement -----------------------------------------------------------------------------------------


def reading_of(*texts):
    box = Box(np.array([[0, 0], [90, 0], [90, 20], [0, 20.0]]), 0.9)
    reading = Reading(box, [OcrLine(t, c) for t, c in texts])
    agree(reading)
    return reading


def test_majority_wins_and_the_rest_is_shown():
    reading = reading_of(("VERITY", 0.9), ("VERITY", 0.9), ("VERTTY", 0.8), ("VERITY", 0.7))
    assert reading.text == "VERITY"
    assert reading.alternatives == ("VERTTY",)
    assert reading.weakest < reading.agreement < 1.0


def test_a_reader_votes_for_all_letters_that_it_holds_possible():
    """Most looks take a shadowed K for an F, none of them surely; whoever sees a K is sure of it."""

    def read(text, last):
        letters = tuple(((c, 0.99),) for c in text[:-1])
        return OcrLine(text, 0.9, characters=(*letters, last))

    doubtful = [read("WORF", (("F", 0.5), ("K", 0.45)))] * 3
    box = Box(np.array([[0, 0], [90, 0], [90, 20], [0, 20.0]]), 0.9)
    reading = Reading(box, [*doubtful, read("WORK", (("K", 0.98),))])
    agree(reading)
    assert reading.text == "WORK"
    assert reading.alternatives == ("WORF",)
    assert reading.weakest == pytest.approx(0.25), "doubts that agree make nothing sure"


def test_a_letter_left_out_against_others_is_not_sure():
    """MCMVII for MCMLVII makes another year of it."""
    assert reading_of(("MCMVII", 0.9), ("MCMVII", 0.9), ("MCMLVII", 0.9)).weakest < 0.7
    assert reading_of(("MCMVII", 0.9), ("MCM VII", 0.9), ("MCMVII", 0.9)).weakest == 1.0


def test_lost_letter_comes_back_by_vote():
    assert reading_of(("HARGRVE", 0.6), ("HARGROVE", 0.9), ("HARGROVE", 0.8)).text == "HARGROVE"


def test_letters_that_nobody_believes_are_no_reading():
    assert reading_of(("VERITY", 0.0), ("", 0.0)).text == ""


def test_an_engines_signs_are_not_taken():
    assert tidied("VERITY® ©1962™") == "VERITY 1962"


def test_better_agreement_means_more_confidence():
    steps = [mark_text.line_confidence(a, a - 0.1, 0.95) for a in (0.4, 0.6, 0.8, 1.0)]
    assert steps == sorted(steps)
    assert steps[-1] <= 0.9


# --- real photographs ----------------------------------------------------------------------------------


@pytest.mark.private
def test_struck_coins(engine, real_photos):
    """Small worn lettering at any angle: some values must be read, nothing wrong called sure, none absent."""
    files = sorted((real_photos / "text").glob("coin_*.png"))
    if not files:
        pytest.skip("the private photographs hold no coins")
    values, known = 0, ("10", "20", "50", "1", "2", "EURO", "CENT")
    for file in files:
        photo = load(file.read_bytes(), file.name)
        record = mark_text.measure(photo, find_marks(photo), engine)
        assert record.state != "absent", file.name
        texts = [line.text for line in record.text or ()]
        values += file.name.split("_")[1].rstrip("ce") in " ".join(texts).split()
        for line in record.text or ():
            assert line.confidence < 0.95 or any(k in line.text for k in known), (file.name, line)
    assert values >= 2
