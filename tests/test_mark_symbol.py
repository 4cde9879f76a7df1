"""The sign beside a name: right, or withheld, never the wrong one."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from tests import drawn_marks
from vision import mark_box, mark_reader, mark_signs, mark_symbol, mark_text
from vision.ocr import OcrLine, RapidEngine, guarded
from vision.photo import Photo
from vision.traits import Reason, Region, TextLine, Trait, TraitRecord


@pytest.fixture(scope="module")
def engine():
    if RapidEngine().available() is not None:
        pytest.skip("the OCR models are not installed")
    return guarded(RapidEngine())


def photo_of(line, letter_px=52, **light):
    mask, corners = drawn_marks.lettering([line], letter_px=letter_px)
    return Photo.from_array(drawn_marks.photographed(mask, **light)), corners


def read(engine, line, **options):
    photo, _ = photo_of(line, **options)
    text = mark_text.measure(photo, [], engine)
    return mark_symbol.measure(photo, [], text), text


LIGHTS = [
    {"azimuth_deg": a, "elevation_deg": e, "depth": d, "seed": s}
    for s, (a, e, d) in enumerate([(20, 25, 3.0), (140, 30, -3.0), (260, 20, 2.5), (80, 45, 4.0)])
]


@pytest.mark.parametrize("light", LIGHTS)
@pytest.mark.parametrize(
    ("line", "right"),
    [("VERITY®", "registered"), ("VERITY™", "trademark"), ("©VERITY", "none"), ("VERITY", "none")],
)
def test_never_the_wrong_sign(engine, line, right, light):
    record, _ = read(engine, line, **light)
    assert record.state in (right, None)


def test_most_clear_registered_signs_are_answered(engine):
    answers = [read(engine, "VERITY®", **light)[0].state == "registered" for light in LIGHTS]
    assert sum(answers) >= 3


def test_sign_is_part_of_the_text_as_read(engine):
    _, text = read(engine, "VERITY®", **LIGHTS[0])
    assert [line.text for line in text.text] == ["VERITY®"]
    _, text = read(engine, "©MCMLX", **LIGHTS[0])
    assert [line.text for line in text.text] == ["©MCMLX"]


def test_copyright_sign_alone_is_none_and_flagged(engine):
    record, _ = read(engine, "©VERITY", **LIGHTS[0])
    if record.state is not None:
        assert record.state == "none"
        assert "copyright_sign" in record.flags


def test_small_sign_is_never_named(engine):
    for line in ("VERITY®", "VERITY™"):
        record, _ = read(engine, line, letter_px=18, **LIGHTS[0])
        assert record.state not in ("registered", "trademark")


def test_margin_is_reported_with_every_sign(engine):
    record, _ = read(engine, "VERITY®", **LIGHTS[0])
    assert 0 <= record.quantities["margin"].value <= 1


def test_without_text_the_reason_is_passed_on():
    photo, _ = photo_of("VERITY")
    missing = TraitRecord.withheld(Trait.MARK_TEXT, Reason.ENGINE_MISSING, "mark_text/1", "No engine.")
    assert mark_symbol.measure(photo, [], missing).not_measured is Reason.ENGINE_MISSING


def test_badly_read_text_does_not_prove_that_no_sign_is_there():
    photo, corners = photo_of("VERITY")
    polygon = tuple((float(x), float(y)) for x, y in corners)
    doubtful = TraitRecord.stated(
        Trait.MARK_TEXT, "present", 0.9, "mark_text/1", text=(TextLine("VERI", 0.2, polygon),)
    )
    assert mark_symbol.measure(photo, [], doubtful).state is None


def test_no_sign_on_blank_vinyl():
    blank = Photo.from_array(drawn_marks.photographed(np.zeros(drawn_marks.SIZE, np.float32)))
    outline = np.array([[100, 240], [600, 240], [600, 320], [100, 320.0]])
    assert mark_signs.find_signs(blank.rgb, outline) == []


def test_normalization_forgets_exposure():
    strip = drawn_marks.photographed(drawn_marks.lettering(["VERITY"])[0])[220:332]
    dim = (np.clip(strip / 255.0, 0, 1) ** 1.0 * 200).astype(np.uint8)
    a, b = mark_signs.normalized(strip), mark_signs.normalized(dim)
    assert np.corrcoef(a.ravel(), b.ravel())[0, 1] > 0.98


def test_section_of_a_line_keeps_its_ends():
    outline = np.array([[0, 0], [100, 0], [100, 20], [0, 20.0]])
    part = mark_box.section(outline, 0.25, 0.75)
    assert np.allclose(part, [[25, 0], [75, 0], [75, 20], [25, 20]])
    longer = mark_box.section(outline, -0.1, 1.1)
    assert np.allclose(longer, [[-10, 0], [110, 0], [110, 20], [-10, 20]])


SEEN = {
    "kind": "trademark",
    "presence": 0.48,
    "margin": 0.95,
    "at": 0.95,
    "size_px": 26.0,
    "center": (50.0, 50.0),
}
AREA = Region.box(0, 0, 100, 100)


def shares(**some):
    return {"registered": 0.0, "copyright": 0.0, "trademark": 0.0, "other": 0.0} | some


def test_a_faint_sign_is_believed_only_where_the_reader_of_lines_sees_it_too():
    faint = mark_signs.Sign(**SEEN, shares=shares(trademark=0.98, other=0.02))
    alone = mark_symbol._signed(faint, 32.0, AREA)
    both = mark_symbol._signed(faint, 32.0, AREA, mark_symbol.Second(trademark=1.0))
    against = mark_symbol._signed(faint, 32.0, AREA, mark_symbol.Second(trademark=0.2, ringed=0.8))
    assert (alone.state, both.state, against.state) == (None, "trademark", None)


@pytest.mark.parametrize(
    ("second", "state"),
    [
        (mark_symbol.Second(trademark=0.75, ringed=0.25, lights=1), None),
        (mark_symbol.Second(trademark=0.75, ringed=0.25, lights=4), "trademark"),
        (mark_symbol.Second(trademark=0.5, ringed=0.5, lights=4), None),
        (mark_symbol.Second(trademark=0.75, ringed=0.0, lights=1), "trademark"),
    ],
)
def test_one_light_of_four_may_show_another_sign_but_no_look_at_one_photo_may(second, state):
    """Looks at one photo err together; lights by themselves, as often as on lines never trained on."""
    faint = mark_signs.Sign(**SEEN, shares=shares(trademark=0.98, other=0.02))
    assert mark_symbol._signed(faint, 32.0, AREA, second).state == state


def test_the_order_of_the_lights_does_not_matter(monkeypatch):
    said = {10: "VERITY©", 20: "VERITY™", 30: "VERITY™", 40: "VERITY™"}
    line = TextLine("VERITY", 0.9, ((0.0, 0.0), (90.0, 0.0), (90.0, 20.0), (0.0, 20.0)))
    monkeypatch.setattr(mark_reader, "available", lambda: True)
    monkeypatch.setattr(
        mark_reader,
        "opinions",
        lambda pictures, outline: (
            [OcrLine("", 0.9)] + [OcrLine(said[int(p[0, 0, 0])], 0.9) for _ in range(4) for p in pictures]
        ),
    )
    pictures = [np.full((40, 100, 3), level, np.uint8) for level in said]
    forth, back = (mark_symbol.second_opinion(some, line) for some in (pictures, pictures[::-1]))
    assert forth == back == mark_symbol.Second(trademark=0.75, ringed=0.25, lights=4)


def test_kinds_that_are_not_told_apart_do_not_make_no_sign_likely():
    """A sign that may be anything is not shown to a dealer as "none, 73 %"."""
    even = shares(registered=0.14, copyright=0.29, trademark=0.25, other=0.32)
    sign = mark_signs.Sign(**SEEN | {"presence": 0.8, "margin": 0.02}, shares=even)
    record = mark_symbol._signed(sign, 32.0, AREA)
    assert record.state is None
    assert record.candidates["none"] < 0.65
    assert record.candidates["registered"] > 0.15


def test_a_second_reader_never_settles_which_letter_the_ring_holds():
    """It reads ® as © as often as not: its word must not make up for a thin margin."""
    doubtful = mark_signs.Sign(
        **SEEN | {"kind": "registered", "presence": 1.0, "margin": 0.2},
        shares=shares(registered=0.6, copyright=0.4),
    )
    record = mark_symbol._signed(doubtful, 32.0, AREA, mark_symbol.Second(ringed=1.0))
    assert record.state is None


@pytest.mark.parametrize(("ringed", "state"), [(0.0, None), (1.0, "registered")])
def test_a_sign_larger_than_its_letters_is_a_shadow_unless_it_is_read_too(ringed, state):
    large = mark_signs.Sign(
        **SEEN | {"kind": "registered", "presence": 1.0, "size_px": 60.0}, shares=shares(registered=1.0)
    )
    assert mark_symbol._signed(large, 32.0, AREA, mark_symbol.Second(ringed=ringed)).state == state


@pytest.mark.parametrize(("lit", "presence"), [((0, 2), 0.8), ((3,), 0.4), ((), None)])
def test_half_of_the_lights_showing_a_sign_are_enough_and_one_is_not(monkeypatch, lit, presence):
    """Strokes vanish in light along them; what a single light of four shows may be a shadow."""
    pictures = [np.full((200, 600, 3), 10 * k, np.uint8) for k in range(4)]

    def looks(picture, band, zoom, parts=None):
        look = np.zeros((2, 5, 14, 60), np.float32)
        look[:, 0] = 1.0
        if picture[0, 0, 0] // 10 in lit:
            look[:, :2, 6:9, 40:43] = np.array([0.2, 0.8])[:, None, None]
        return look

    monkeypatch.setattr(mark_signs, "_looks", looks)
    outline = np.array([[100, 80], [500, 80], [500, 120], [100, 120.0]])
    signs = mark_signs.find_signs(pictures[0], outline, pictures[1:])
    assert [round(s.presence, 1) for s in signs] == ([presence] if presence else [])
    assert all(s.kind == "registered" for s in signs)


def test_only_where_a_sign_may_be_is_looked_at_in_further_sizes():
    """What the network says of a place is the same as if it saw the whole line."""
    photo, corners = photo_of("VERITY ®")
    middle = 0.5 * (corners[:2] + corners[:1:-1])
    across = 1.8 * (corners[:2] - middle)
    band, _ = mark_signs._band(np.concatenate([middle + across, (middle - across)[::-1]]))
    plain = mark_signs._looks(photo.rgb, band, 1.0)
    ((start, stop),) = mark_signs._glimpsed([plain])
    assert 0.5 < start < 0.9 < stop + 0.2
    whole = mark_signs._looks(photo.rgb, band, 1.2)
    part = mark_signs._looks(photo.rgb, band, 1.2, [(start, stop)])
    assert part.shape == whole.shape
    assert np.abs(part - whole)[..., round(start * whole.shape[3]) + 8 :].max() < 0.02
    assert (part[:, 0, :, : int(start * whole.shape[3]) - 4] == 1.0).all()
    blank = np.zeros_like(plain)
    blank[:, 0] = 1.0
    assert mark_signs._glimpsed([blank]) == []


@pytest.mark.parametrize(("at", "may_be"), [(0.1, False), (0.9, True)])
def test_a_faint_shadow_before_the_name_is_not_the_sign(at, may_be):
    faint = mark_signs.Sign(
        **SEEN | {"at": at, "presence": 0.35}, shares=shares(registered=0.5, trademark=0.5)
    )
    assert mark_symbol._may_be_the_sign(faint) is may_be
    clear = dataclasses.replace(faint, presence=0.9)
    assert mark_symbol._may_be_the_sign(clear)
