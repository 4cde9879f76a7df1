"""Our own two networks for molded lettering: the text map and the reader of lines."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests import drawn_marks
from vision import (
    mark_blank,
    mark_box,
    mark_lines,
    mark_looks,
    mark_map,
    mark_reader,
    mark_signs,
    mark_symbol,
    mark_text,
    mark_votes,
)
from vision.locate.mark import find_marks
from vision.mark_box import Box
from vision.ocr import OcrEngine, OcrLine, guarded
from vision.photo import Photo
from vision.traits import Reason, TextLine


def photo_of(lines, **light):
    mask, corners = drawn_marks.lettering(lines, size=(320, 480))
    return Photo.from_array(drawn_marks.photographed(mask, **light)), corners


def band(corners, room=0.45):
    """A line's outline with the room around letters that text detectors leave."""
    middle = 0.5 * (corners[:2] + corners[:1:-1])
    across = (1 + 2 * room) * (corners[:2] - middle)
    reach = 0.2 * np.linalg.norm(corners[1] - corners[0]) / 6 * np.array([[-1.0, 0], [1, 0]])
    return np.concatenate([middle + reach + across, (middle + reach - across)[::-1]])


# --- what the networks are given ----------------------------------------------------------------------


def test_normalization_forgets_exposure_and_slow_light():
    rng = np.random.default_rng(3)
    signal = rng.normal(0, 0.1, (48, 200)).astype(np.float32)
    ramp = np.linspace(0, 0.4, 200, dtype=np.float32)
    plain, _ = mark_reader.evened(signal)
    changed, _ = mark_reader.evened(signal + 0.7 + ramp)
    inner = (slice(8, 40), slice(40, 160))
    assert np.abs(plain[inner] - changed[inner]).max() < 0.15
    assert np.abs(plain).max() <= 4.0


@pytest.mark.parametrize(("shape", "sigma"), [((48, 390), 16.0), ((48, 390), 32.0), ((672, 500), 32.0)])
def test_average_on_a_reduced_picture_is_that_of_the_whole(shape, sigma):
    """The networks were trained on the average at full size."""
    rng = np.random.default_rng(8)
    image = cv2.GaussianBlur(rng.normal(0, 1, shape).astype(np.float32), (0, 0), 3.0) + 0.5
    image[:, shape[1] // 2 :] -= 1.0  # the edge of the light
    reach = (2 * int(3.5 * sigma) + 1,) * 2
    summed, weights = (
        cv2.GaussianBlur(i, reach, sigma, borderType=cv2.BORDER_CONSTANT)
        for i in (image, np.ones_like(image))
    )
    assert np.abs(mark_reader._blurred(image, sigma) - summed / weights).max() < 0.01 * image.std()


def test_heights_need_no_unit():
    height = np.random.default_rng(4).normal(0, 1, (48, 160)).astype(np.float32)
    small, _ = mark_reader.evened(height, True)
    large, _ = mark_reader.evened(1000 * height, True)
    assert np.allclose(small, large, atol=1e-3)


def test_records_fit_the_networks():
    strip = np.zeros((48, 128), np.float32)
    (logs,) = mark_reader.scores([strip])
    assert logs.shape == (64, len(mark_reader.alphabet()) + 1)
    assert np.allclose(np.exp(logs).sum(axis=1), 1.0, atol=1e-4)
    levels = mark_map.levels()
    assert 0.0 < levels.lettered < levels.blank < 1.0


# --- decoding -----------------------------------------------------------------------------------------


def path_of(text, repeats=2):
    """Scores that spell a text, each letter over some steps with nothing between."""
    letters = mark_reader.alphabet()
    steps = [0]
    for c in text:
        steps += [letters.index(c) + 1] * repeats + [0]
    logs = np.full((len(steps), len(letters) + 1), np.log(0.1 / len(letters)), np.float32)
    logs[np.arange(len(steps)), steps] = np.log(0.9)
    return logs


def test_doubled_letters_are_kept_and_long_ones_are_one():
    assert mark_reader.spelled(path_of("MCMXII 77®")).text == "MCMXII 77®"


def test_looks_outvote_one_that_errs():
    together = mark_reader.averaged([path_of("VERITY"), path_of("VERITY"), path_of("VEBITY")])
    line = mark_reader.spelled(together)
    assert line.text == "VERITY"
    assert line.characters[2][0][0] == "R"
    assert line.characters[2][0][1] < line.characters[1][0][1]
    assert np.allclose(np.exp(together).sum(axis=1), 1.0, atol=1e-4)


def test_looks_that_see_letters_at_unlike_steps_lose_none(monkeypatch):
    """Their mean would: a letter that each look sees two steps beside the others is in no look's favor."""
    texts = iter(["VERITY", "VERITY", "VEBITY", "VERIT"])
    monkeypatch.setattr(mark_reader, "scores", lambda strips: [path_of(next(texts)) for _ in strips])
    picture = np.full((60, 200, 3), 128, np.uint8)
    outline = np.array([[10, 10], [190, 10], [190, 50], [10, 50]], float)
    said = mark_reader.opinions([picture], outline)
    assert said[0].text == "VERITY"
    assert [line.text for line in said[1:]] == ["VERITY", "VERITY", "VEBITY", "VERIT"]


# --- what they see ------------------------------------------------------------------------------------


def test_reader_reads_a_line_and_nothing_on_bare_vinyl():
    photo, corners = photo_of(["HARGROVE"])
    line = mark_reader.opinions([photo.rgb], band(corners))[0]
    assert sum(a == b for a, b in zip(line.text, "HARGROVE", strict=False)) >= 6, line.text
    bare = drawn_marks.photographed(np.zeros((320, 480), np.float32), seed=5)
    assert mark_reader.opinions([bare], band(corners))[0].text == ""


@pytest.mark.parametrize(("share", "more"), [(0.55, True), (1.0, False)])
def test_letters_beyond_the_end_of_the_light_are_noticed(share, more):
    """HARGROVE read for HARGROVE WORKS, whose end lies in the dark, must not pass for the whole line."""
    mask, corners = drawn_marks.lettering(["HARGROVE WORKS"], letter_px=32, size=(240, 640))
    rgb = drawn_marks.photographed(mask, elevation_deg=35, seed=2).astype(np.float32)
    edge = int(corners[0, 0] + 0.6 * (corners[1, 0] - corners[0, 0]))
    rgb[:, edge:] *= 0.4
    outline = mark_box.section(band(corners), 0.0, share)
    box = Box(outline, 0.9)
    letters = mark_looks._letters_beyond((rgb.astype(np.uint8),), box, side=1)
    assert (letters >= mark_looks._FEWEST_LETTERS) is more
    assert mark_looks._letters_beyond((rgb.astype(np.uint8),), box, side=0) == 0


def test_a_line_that_the_engine_cuts_off_is_as_long_as_the_map_shows_it():
    """HARGROVE W, cut off at a scratch or at the end of the light, must not be all that is read."""
    photo, corners = photo_of(["HARGROVE WORKS"])
    start = Box(mark_box.section(band(corners), 0.0, 0.6), 0.9)
    rest = Box(mark_box.section(band(corners), 0.65, 1.0), 0.8)
    for found in ([start], [start, rest]):
        (line,) = mark_lines._along_map(found, photo)
        assert line.score == 0.9
        assert line.share_at(corners[0]) < 0.15
        assert line.share_at(corners[1]) > 0.85
    beside = Box(start.polygon + np.array([0.0, 4.0 * start.height]), 0.9)
    assert len(mark_lines._along_map([beside], photo)) == 2


def test_map_shows_lettering_and_its_height():
    photo, corners = photo_of(["HARGROVE"])
    found = mark_map.of_photo(photo)
    bare = Photo.from_array(drawn_marks.photographed(np.zeros((320, 480), np.float32), seed=5))
    assert found.highest > 0.7
    assert found.highest > mark_map.of_photo(bare).highest + 0.3
    line = found.lines()[0]
    assert np.linalg.norm(line.polygon.mean(axis=0) - corners.mean(axis=0)) < 15
    assert 25 < line.letter_px < 58


def test_a_place_with_letters_is_likely_and_one_without_is_not():
    photo, _ = photo_of(["HARGROVE"])
    scratched = Photo.from_array(drawn_marks.photographed(drawn_marks.scratched(4, (320, 480))))
    assert find_marks(photo)[0].confidence > 0.7
    assert max((p.confidence for p in find_marks(scratched)), default=0.0) < 0.6


# --- two opinions -------------------------------------------------------------------------------------


class Mistaken(OcrEngine):
    """Finds the line and always reads the same wrong text, with full confidence."""

    isolated = False
    asked = 0

    def __init__(self, outline=()):
        self.outline = tuple((float(x), float(y)) for x, y in outline)

    def available(self):
        return None

    def read(self, rgb):
        return []

    def find(self, rgb):
        Mistaken.asked += 1
        return [OcrLine("", 1.0, self.outline)] if self.outline else []

    def recognize(self, strips):
        return [OcrLine("QUINCE", 1.0) for _ in strips]


def test_an_engine_our_reader_contradicts_is_never_believed(monkeypatch):
    monkeypatch.setattr(mark_lines, "_lettered", lambda photo: None)  # it finds one outline in any picture
    photo, corners = photo_of(["HARGROVE"])
    record = mark_text.measure(photo, [], Mistaken(band(corners)))
    assert max((line.confidence for line in record.text or ()), default=0.0) < 0.5


def test_the_engine_is_not_asked_about_a_surely_blank_photo():
    photo = Photo.from_array(np.full((300, 400, 3), 160, np.uint8))
    Mistaken.asked = 0
    assert mark_blank.surely_blank(photo)
    record = mark_text.measure(photo, [], guarded(Mistaken()))
    assert Mistaken.asked == 0
    assert not record.text
    assert record.not_measured in (Reason.BLURRED, Reason.NOT_LOCATED)


def test_the_engine_looks_where_letters_surely_are_else_everywhere():
    """It may not be kept from the rest of a photo by what is no sure letter: a faint mark is found there."""
    mask, corners = drawn_marks.lettering(["VERITY"], size=(560, 1100))
    lettered = Photo.from_array(drawn_marks.photographed(mask))
    x0, y0, x1, y1 = mark_lines._windows(lettered, [])[0].box
    assert (x1 - x0) * (y1 - y0) < 0.7 * 560 * 1100
    assert (corners >= (x0, y0)).all()
    assert (corners <= (x1, y1)).all()
    blank = Photo.from_array(drawn_marks.photographed(drawn_marks.scratched(3)))
    assert mark_lines._windows(blank, [])[0].box == (0, 0, blank.width, blank.height)


def test_places_are_looked_at_closer_unless_each_line_was_found():
    """Two lines taken for one, or a line cut in half, is none found: small letters are lost in it."""
    photo, corners = photo_of(["HARGROVE"])
    whole = Box(band(corners), 0.9)
    half = Box(mark_box.section(whole.polygon, 0.0, 0.4), 0.9)
    tall = Box(band(corners, room=2.0), 0.9)
    assert mark_lines._shows_all([whole], photo)
    assert not any(mark_lines._shows_all(boxes, photo) for boxes in ([], [half], [tall]))


@pytest.mark.parametrize(
    ("color", "state"), [((214, 160, 130), "absent"), ((120, 140, 170), None), ((110, 120, 90), None)]
)
def test_only_vinyl_that_fills_the_photo_is_seen_to_bear_no_mark(color, state):
    """The smooth wall behind a small part says nothing of the part."""
    light = np.linspace(0.65, 1.0, 640)[None, :, None]
    grain = cv2.GaussianBlur(np.random.default_rng(3).normal(0, 1, (480, 640)), (0, 0), 2.5)
    wall = np.asarray(color) * light * (1 + 0.015 * grain / grain.std())[..., None]
    wall += np.random.default_rng(4).normal(0, 2, wall.shape)
    photo = Photo.from_array(np.clip(wall, 0, 255).astype(np.uint8))
    seen = mark_blank.surface_seen(photo)
    assert seen.side_lit
    assert seen.close is (state == "absent")
    assert mark_text.measure(photo, [], guarded(Mistaken())).state == state


def test_second_votes_keep_the_engines_small_letters_and_spaces():
    own = [OcrLine("MADEIN1417", 0.9), OcrLine("MADEIN1477", 0.8)]
    box = Box(np.zeros((4, 2)), 0.9)
    votes, _ = mark_votes._ballots(mark_votes.Reading(box, [OcrLine("Made in 1417", 0.9)], own))
    assert set(votes) == {"Made in 1417", "Made in 1477"}


def test_our_readers_rings_are_one_kind():
    photo, corners = photo_of(["VERITY"])
    line = TextLine("VERITY", 0.9, tuple(map(tuple, band(corners).tolist())))
    second = mark_symbol.second_opinion((photo.rgb,), line)
    assert 0.0 <= second.trademark <= 1.0
    assert 0.0 <= second.ringed <= 1.0


@pytest.mark.parametrize(("ringed", "state"), [(0.0, "trademark"), (0.8, None)])
def test_a_contradicted_sign_is_withheld(ringed, state):
    shares = {"registered": 0.02, "copyright": 0.02, "trademark": 0.95, "other": 0.01}
    sign = mark_signs.Sign("trademark", shares, 0.98, 0.9, 1.0, 40.0, (50.0, 50.0))
    region = mark_symbol.Region.box(0, 0, 9, 9)
    record = mark_symbol._signed(sign, 40.0, region, mark_symbol.Second(ringed=ringed))
    assert record.state == state
