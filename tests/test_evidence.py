"""Evidence pictures say what the record says, change nothing, and carry no more than they show."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
import pytest
from PIL import Image

from pipelines import evidence, words
from vision.calibration import Calibration
from vision.draw import MAX_ENLARGEMENT, crop_box, encode_png, evidence_crops, evidence_picture, wrap
from vision.photo import Photo
from vision.traits import Quantity, Reason, Region, TraitRecord

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
        "blue",
        "95 %",
        "neutral card",
        "± 1.6 ΔE",
        "ab" * 32,
        "1970-01-01",
        "rakelight",
        "not proof",
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
    assert Image.open(io.BytesIO(first)).size[0] == 1180


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
    page = evidence_picture(photo().rgb, None, caption)
    assert page.dtype == np.uint8 and page.shape[1] == 1180


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [(262.14, 4.2, "262 ± 4"), (4.23, 1.31, "4.2 ± 1.3"), (0.5, 0.04, "0.50 ± 0.04"), (-3.9, 2.1, "−4 ± 2")],
)
def test_numbers_carry_the_digits_that_their_uncertainty_supports(value, u, text):
    assert words.rounded(value, u) == text


def test_no_probability_reads_as_certainty():
    assert words.percent(1.0) == "over 99 %"
    assert words.percent(0.004) == "under 1 %"
    assert words.percent(0.0) == "under 1 %"
