"""Evidence pictures say what the record says, change nothing, and carry no more than they show."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
import pytest
from PIL import Image

from pipelines import evidence, words
from vision import draw
from vision.calibration import Calibration
from vision.draw import (
    INK,
    LINE,
    MAX_ENLARGEMENT,
    PAPER,
    WIDTH,
    crop_box,
    crops_of,
    encode_png,
    evidence_crops,
    evidence_picture,
    wrap,
)
from vision.photo import Photo
from vision.traits import Quantity, Reason, Region, TextLine, TraitRecord

BLUE = TraitRecord.stated(
    "eyeliner_color",
    "blue",
    0.95,
    "eyeliner/1",
    quantities={
        "hue_deg": Quantity(262.1, 4.2, "deg"),
        "lightness": Quantity(35.0, 3.0),
        "lab_L": Quantity(35.0, 3.0),
        "lab_a": Quantity(-4.0, 3.0),
        "lab_b": Quantity(-28.0, 3.0),
    },
    region=Region.box(120, 90, 200, 130),
    n_pixels=900,
    detail="Both eyes agree.",
)


@dataclass
class Examined:
    file: str
    sha256: str
    calibration: Calibration | None
    traits: tuple[TraitRecord, ...]
    width_px: int = 400
    height_px: int = 300


def photo(height: int = 300, width: int = 400) -> Photo:
    rng = np.random.default_rng(1)
    return Photo.from_array(rng.integers(0, 255, (height, width, 3), dtype=np.uint8))


def examined(*records: TraitRecord, file: str = "IMG 1.jpg") -> Examined:
    return Examined(file, "ab" * 32, Calibration(method="grey_card", u_delta_e=1.6), records)


def test_one_picture_for_each_record_that_points_at_a_place():
    withheld = TraitRecord.withheld("lip_paint", Reason.GLARE, "lips/1", "Glare on the lips.")
    made = list(evidence.pictures(photo(), examined(BLUE, withheld)))
    assert [e.name for e in made] == ["IMG_1_jpg-eyeliner_color"]


def test_the_photo_is_not_changed_and_the_left_crop_is_untouched():
    pixels = photo()
    before = pixels.rgb.copy()
    plain, drawn, scale = evidence_crops(pixels.rgb, BLUE.region)
    list(evidence.pictures(pixels, examined(BLUE)))
    assert np.array_equal(pixels.rgb, before)
    assert plain.shape == drawn.shape
    assert not np.array_equal(plain, drawn)
    assert 0 < scale <= MAX_ENLARGEMENT


def test_the_text_carries_number_uncertainty_white_hash_and_version(monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "0")
    text = next(evidence.pictures(photo(), examined(BLUE))).text
    for part in (
        "262 ± 4°",
        "Blue",
        "95 %",
        "neutral card",
        "± 1.6 ΔE",
        "ab" * 32,
        "1970-01-01",
        "rakelight",
        "not proof",
        "400 × 300 px",
        "x 120 to 200, y 90 to 130",
        "one standard uncertainty",
    ):
        assert part in text


def test_the_written_picture_has_no_metadata(tmp_path):
    path = evidence.write(next(evidence.pictures(photo(), examined(BLUE))), tmp_path)
    with Image.open(path) as image:
        assert image.info == {}
        assert not image.getexif()
    assert path.with_suffix(".txt").read_text(encoding="utf-8").startswith("Eyeliner\n")


@pytest.mark.parametrize("name", ["../../etc/passwd", "a\\b.jpg", "con<script>.jpg", "   ", "ü" * 300])
def test_hostile_photo_names_stay_inside_the_folder(name, tmp_path):
    made = next(evidence.pictures(photo(), examined(BLUE, file=name)))
    path = evidence.write(made, tmp_path)
    assert path.parent == tmp_path
    assert path.exists()


def test_names_that_differ_in_suffix_only_do_not_collide():
    assert evidence.file_name("a.jpg", BLUE) != evidence.file_name("a.png", BLUE)


def test_pictures_are_the_same_bytes_each_time(monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "0")
    first, second = (encode_png(next(evidence.pictures(photo(), examined(BLUE))).picture) for _ in range(2))
    assert first == second
    assert Image.open(io.BytesIO(first)).size[0] == WIDTH


@pytest.mark.parametrize("box", [(0, 0, 5, 5), (395, 295, 400, 300), (0, 0, 400, 300), (10, 150, 390, 152)])
def test_crops_stay_inside_the_photo(box):
    x0, y0, x1, y1 = crop_box(Region.box(*box), (300, 400))
    assert 0 <= x0 < x1 <= 400
    assert 0 <= y0 < y1 <= 300
    assert x0 <= box[0] and y0 <= box[1] and x1 >= box[2] and y1 >= box[3]


def test_long_words_are_cut_and_nothing_is_lost():
    text = "a " + "x" * 400 + " end"
    lines = wrap(text, 300, 16)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")


def test_a_picture_without_a_region_shows_the_whole_photo():
    caption = evidence.caption_of(examined(BLUE), BLUE)
    page = evidence_picture(crops_of(photo().rgb, None), caption)
    assert page.dtype == np.uint8 and page.shape[1] == WIDTH


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (262.14, 4.2, "262 ± 4"),
        (4.23, 1.31, "4.2 ± 1.3"),
        (0.5, 0.04, "0.50 ± 0.04"),
        (-3.9, 2.1, "−4 ± 2"),
        (-0.3, 7.0, "0 ± 7"),
    ],
)
def test_numbers_carry_the_digits_that_their_uncertainty_supports(value, u, text):
    assert words.rounded(value, u) == text


def test_no_probability_reads_as_certainty():
    assert words.percent(1.0) == "over 99 %"
    assert words.percent(0.004) == "under 1 %"
    assert words.percent(0.0) == "under 1 %"


# -- on a phone, in grayscale, by the color-blind -------------------------------------------------------


def luminance(color):
    from vision.color import srgb_to_linear

    return float(srgb_to_linear(np.array(color, np.uint8)) @ [0.2126, 0.7152, 0.0722])


def contrast(one, other):
    """Contrast ratio of WCAG 2.2."""
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


@pytest.mark.parametrize("grey", range(0, 256, 15))
def test_the_outline_is_seen_on_every_brightness(grey):
    """By its brightness alone: an outline of a light and a dark line stands out from any ground."""
    ground = (grey,) * 3
    assert max(contrast(LINE, ground), contrast(INK, ground)) > 3
    assert contrast(LINE, INK) > 7


def test_type_is_large_enough_on_a_phone():
    sizes = (draw._TITLE, draw._HEAD, draw._BODY, draw._NOTE)
    assert min(sizes) * 400 / WIDTH >= 9
    assert contrast(draw.FAINT, PAPER) > 4.5


@pytest.mark.parametrize("words_count", [1, 30, 200])
def test_nothing_runs_out_of_the_picture(words_count):
    """However long the words, the margins stay empty."""
    long = " ".join(["measurement"] * words_count)
    caption = draw.Caption(long, long, (long, "x" * 200), (long, "f" * 64))
    page = evidence_picture(crops_of(photo().rgb, BLUE.region), caption)
    for margin in (
        page[: draw.GAP],
        page[-draw.GAP // 2 :],
        page[:, : draw.GAP - 2],
        page[:, -draw.GAP + 2 :],
    ):
        assert np.array_equal(np.unique(margin.reshape(-1, 3), axis=0), [PAPER])


def test_a_small_crop_is_shown_in_the_whole_photo():
    whole = np.full((600, 800, 3), 120, np.uint8)
    framed = draw.crops_of(whole, Region.box(700, 500, 740, 540)).framed
    changed = np.argwhere((framed != 120).any(-1))
    top, left = changed.min(0) / framed.shape[:2]
    assert top > 0.7 and left > 0.8


def test_lines_of_a_mark_are_numbered_in_picture_and_words():
    lines = tuple(
        TextLine(name, 0.9, ((20.0, y), (90.0, y), (90.0, y + 20), (20.0, y + 20)))
        for name, y in (("VERITY", 20.0), ("HARGROVE", 60.0))
    )
    mark = TraitRecord.stated(
        "mark_text", "present", 0.9, "mark_text/1", region=Region(tuple(x.polygon for x in lines)), text=lines
    )
    assert evidence.outlined(mark).names == ("1", "2")
    text = next(evidence.pictures(photo(), examined(mark))).text
    assert "1. “VERITY”" in text and "2. “HARGROVE”" in text


def test_each_name_is_written_once_and_inside():
    image = np.full((200, 200, 3), 120, np.uint8)
    corners = [(0, 0), (0, 90), (150, 20), (150, 120)]
    names = ("covered", "exposed", "covered", "exposed")
    boxes = tuple(Region.box(x, y, x + 40, y + 40).polygons[0] for x, y in corners)
    draw.tags(image, Region(boxes, names), (0, 0), 1.0)
    painted = (image != 120).any(-1)
    assert 1000 < painted.sum() < 12_000


def test_a_name_without_room_beside_its_outline_stands_below_it():
    image = np.full((200, 200, 3), 120, np.uint8)
    region = Region(Region.box(20, 60, 180, 120).polygons, ("molded lips",))
    draw.tags(image, region, (0, 0), 1.0)
    rows = np.flatnonzero((image != 120).any(-1).any(1))
    assert rows[0] >= 120


def test_regions_with_names_come_back_from_json():
    region = Region((BLUE.region.polygons[0],) * 2, ("covered", "exposed"))
    assert Region.from_json(region.to_json()) == region
    with pytest.raises(ValueError, match="as many names"):
        Region(region.polygons, ("covered",))


def test_remarks_are_words():
    record = BLUE.replace(flags=("eyes_disagree", "some_new_flag"))
    text = next(evidence.pictures(photo(), examined(record))).text
    assert "the eyes differ, some new flag" in text


@pytest.mark.parametrize(
    ("trait", "candidates", "told"),
    [
        ("ear_stain", {"none": 0.5, "green": 0.5}, "cannot tell: no green stain or green stain"),
        ("eyeliner_color", {"blue": 0.5, "black": 0.4}, "cannot tell: blue or black"),
    ],
)
def test_what_cannot_be_told_is_said_without_two_negations(trait, candidates, told):
    record = TraitRecord.withheld(trait, Reason.AMBIGUOUS, "t/1", "?", candidates=candidates)
    assert words.finding(record) == told


def test_a_hue_that_may_be_any_is_not_given_as_a_number():
    """How a dealer would be misled: "hue angle 282°" under a black liner reads as "blue"."""
    gray = {"hue_deg": Quantity(282.0, 104.0, "deg"), "chroma": Quantity(2.0, 7.0)}
    record = TraitRecord.stated("eyeliner_color", "black", 0.8, "t/1", quantities=gray)
    told, chroma = words.numbers(record)
    assert told == "hue not determined: nearly neutral"
    assert chroma == "chroma C* 2 ± 7"
    blue = record.replace(quantities={"hue_deg": Quantity(262.0, 4.0, "deg")})
    assert words.numbers(blue) == ["hue angle 262 ± 4°"]


def test_the_chance_of_a_sign_stands_behind_its_number():
    quantities = {"gloss": Quantity(0.51, 0.25), "gloss_chance": Quantity(0.12, 0.0)}
    record = TraitRecord.stated("lip_repaint_signs", "none", 0.8, "t/1", quantities=quantities)
    (text,) = words.numbers(record)
    assert text.endswith("0.5 ± 0.2 (a sign: 12 %)")
