"""Holes are told from paint and dirt, and "none" is said only where a hole would show."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from sample_images.drawn_soles import Scene, Spot, draw, outline
from vision import foot_holes, hole_clues, hole_kinds, hole_search
from vision.calibration import Calibration
from vision.foot_holes import measure
from vision.locate.places import SolePlace
from vision.photo import Photo
from vision.traits import Reason, Trait

SIZE = (420, 560)
RADIUS = 24.0
CENTER = (208.0, 190.0)
LIGHTS = [(-0.6, -0.5, 0.6), (0.6, -0.3, 0.6), (0.1, 0.7, 0.6)]


def _sole(scale: float = 1.0) -> np.ndarray:
    return outline((210, 280), 440, 0.05) * scale


def _place(line: np.ndarray, **rest) -> SolePlace:
    return SolePlace(tuple((float(x), float(y)) for x, y in line), 0.95, "left_foot", **rest)


def _record(*spots: Spot, scene: Scene | None = None, squeeze: float = 1.0):
    scene = replace(scene or Scene(), spots=spots)
    rgb, line = draw([_sole()], SIZE, scene), _sole()
    if squeeze != 1.0:  # what an oblique view does to it
        rgb = cv2.resize(rgb, (round(SIZE[0] * squeeze), SIZE[1]), interpolation=cv2.INTER_AREA)
        line = line * (rgb.shape[1] / SIZE[0], 1)
    return measure(Photo.from_array(rgb), _place(line), Calibration())


def _p_hole(record) -> float:
    return 1 - record.candidates.get("none", 0.0)


@pytest.mark.parametrize("light", LIGHTS)
def test_a_hole_is_seen_under_any_light(light):
    record = _record(Spot("open", CENTER, RADIUS, depth=4), scene=Scene(light=light))
    assert _p_hole(record) > 0.7
    assert record.quantities["diameter_px"].value == pytest.approx(2 * RADIUS, rel=0.12)
    assert record.quantities["circularity"].value > 0.9


@pytest.mark.parametrize("squeeze", [1.0, 0.85, 0.7])
def test_diameter_survives_an_oblique_view(squeeze):
    record = _record(Spot("open", CENTER, RADIUS, depth=4), squeeze=squeeze)
    assert record.quantities["diameter_px"].value == pytest.approx(2 * RADIUS, rel=0.12)


@pytest.mark.parametrize("light", LIGHTS)
@pytest.mark.parametrize("color", [(0.02, 0.02, 0.022), (0.03, 0.03, 0.08), (0.02, 0.05, 0.03)])
def test_a_dot_of_paint_is_no_hole(color, light):
    record = _record(Spot("paint", CENTER, RADIUS, color), scene=Scene(light=light))
    assert record.state in (None, "none")


@pytest.mark.parametrize("color", [(0.01, 0.05, 0.02), (0.01, 0.015, 0.06), (0.03, 0.02, 0.06)])
@pytest.mark.parametrize("ambient", [0.2, 0.7])
def test_paint_of_a_hue_that_no_light_from_vinyl_has_is_hardly_a_hole(color, ambient):
    record = _record(Spot("paint", CENTER, RADIUS, color), scene=Scene(ambient=ambient, gloss=0.0))
    assert _p_hole(record) < 0.4


def test_an_even_interior_counts_against_a_hole_only_with_a_foreign_hue():
    gray, green = np.zeros(131), np.zeros(131)
    green[6:130:10] = -0.6
    green[1:130:10] = gray[1:130:10] = 0.05
    assert hole_clues.paint_signs(gray)[0] == 0
    assert min(hole_clues.paint_signs(green)) > 0.4
    green[1:130:10] = 0.5  # light that falls unevenly on a wall
    assert hole_clues.paint_signs(green)[1] == 0


def test_dirt_is_no_hole():
    for seed in range(5):
        record = _record(Spot("dirt", CENTER, 30, (0.1, 0.06, 0.03), seed=seed))
        assert record.state in (None, "none")


def test_a_bump_and_a_blank_sole_are_none():
    for spots in ((), (Spot("bump", CENTER, 40),)):
        record = _record(*spots)
        assert record.state == "none"
        assert record.confidence > 0.8


def test_a_lining_is_seen_and_measured():
    spot = Spot("lined", CENTER, RADIUS, (0.85, 0.85, 0.85), thickness=0.3, depth=4, seed=2)
    record = _record(spot)
    bare = _record(Spot("open", CENTER, RADIUS, depth=4))
    assert record.state == "lined"
    assert record.quantities["lining_fraction"].value > 0.3
    assert "lining_fraction" not in bare.quantities


def test_roughness_orders_edges():
    rough = [
        _record(Spot("drilled", CENTER, RADIUS, depth=4, raggedness=r, seed=4))
        .quantities["circularity"]
        .value
        for r in (0.0, 0.4, 1.2)
    ]
    assert rough[0] > rough[1] > rough[2]


def test_what_is_seen_through_a_hole_is_no_ragged_edge():
    """A hole that shows the table behind it in part is dark in part: its border there is no cut edge."""
    turn = np.linspace(0, 2 * np.pi, 128, endpoint=False)
    chips = 1 + 0.12 * np.maximum(0, np.sin(9 * turn)) - 0.08 * np.maximum(0, np.sin(14 * turn))
    half = np.minimum(1.0, 0.4 / np.maximum(1e-6, np.cos(turn) + (np.cos(turn) <= 0)))
    assert hole_clues._lit_arc(np.ones(128)) == hole_clues._lit_arc(chips) == 0
    assert 0.25 < hole_clues._lit_arc(half) < 0.4
    assert hole_clues._lit_arc(np.roll(half, 50)) == hole_clues._lit_arc(half)
    ragged = {"surface": 0.1, "open": 0.05, "lined": 0.2, "drilled_ragged": 0.6, "drilled_neat": 0.05}
    assert hole_kinds._not_ragged(ragged, hole_clues._lit_arc(chips)) == pytest.approx(ragged)
    doubted = hole_kinds._not_ragged(ragged, hole_clues._lit_arc(half))
    assert doubted["drilled_ragged"] < 0.25
    assert sum(doubted.values()) == pytest.approx(1)


def test_a_neat_hole_of_bare_vinyl_is_never_called_drilled():
    for light in LIGHTS:
        record = _record(Spot("open", CENTER, RADIUS, depth=4), scene=Scene(light=light))
        assert record.state in (None, "open")
        assert record.confidence < 0.9


def test_blur_and_smallness_forbid_none():
    blurred = _record(scene=Scene(blur=9))
    assert blurred.not_measured is Reason.BLURRED
    rgb = cv2.resize(draw([_sole()], SIZE, Scene()), None, fx=0.1, fy=0.1, interpolation=cv2.INTER_AREA)
    small = measure(Photo.from_array(rgb), _place(_sole(0.1)), Calibration())
    assert small.not_measured is Reason.TOO_SMALL


def test_a_cut_off_sole_is_not_called_none():
    rgb = draw([_sole()], SIZE, Scene())
    record = measure(Photo.from_array(rgb), _place(_sole(), flags=("cut_off",)), Calibration())
    assert record.not_measured is Reason.OCCLUDED


def test_dark_and_burnt_out_soles_are_refused():
    assert _record(scene=Scene(exposure=0.01)).not_measured is Reason.TOO_DARK
    assert _record(scene=Scene(exposure=12.0)).not_measured is Reason.CLIPPED


@pytest.mark.parametrize(
    "polygon",
    [(), ((1.0, 1.0),), ((5.0, 5.0), (6.0, 5.0), (6.0, 6.0)), ((-50.0, -50.0), (-9.0, -50.0), (-9.0, -9.0))],
)
def test_a_useless_outline_is_a_typed_refusal(polygon):
    photo = Photo.from_array(np.full((60, 60, 3), 180, np.uint8))
    record = measure(photo, SolePlace(polygon, 0.5, "right_foot"), Calibration())
    assert record.not_measured is Reason.NOT_LOCATED
    assert record.part == "right_foot"
    assert record.trait == Trait.FOOT_HOLES


def test_white_balance_hardly_matters():
    spot = Spot("open", CENTER, RADIUS, depth=4)
    plain, warm = (_record(spot, scene=Scene(white=w)) for w in ((1, 1, 1), (1.25, 1.0, 0.7)))
    assert _p_hole(warm) == pytest.approx(_p_hole(plain), abs=0.1)


def test_a_record_is_the_same_twice():
    spot = Spot("open", CENTER, RADIUS, depth=4)
    assert _record(spot).to_json() == _record(spot).to_json()


def test_blur_estimate_follows_blur():
    got = []
    for sigma in (0.8, 2.0, 4.0):
        photo = Photo.from_array(draw([_sole()], SIZE, Scene(blur=sigma)))
        cut = hole_clues.cut_out(photo, _place(_sole()))
        assert cut is not None
        got.append(hole_clues.blur_sigma(cut))
    assert got[0] < got[1] < got[2]
    assert got[1] == pytest.approx(2.0, rel=0.5)


def test_doubt_about_the_sole_is_doubt_about_the_hole():
    rgb, line = draw([_sole()], SIZE, Scene()), _sole()
    sure, unsure = (
        measure(Photo.from_array(rgb), replace(_place(line), confidence=c), Calibration()) for c in (1.0, 0.5)
    )
    assert sure.state == "none"
    assert unsure.not_measured is Reason.AMBIGUOUS


def test_a_person_who_says_that_these_are_soles_takes_the_doubt_away_from_a_hole():
    rgb = draw([_sole()], SIZE, Scene(spots=(Spot("lined", CENTER, RADIUS, (0.85, 0.85, 0.85), depth=4),)))
    told, found = (
        measure(Photo.from_array(rgb), replace(_place(_sole()), confidence=0.5, flags=flags), Calibration())
        for flags in (("view_given",), ())
    )
    assert told.candidates["lined"] > found.candidates["lined"] + 0.2


def test_where_a_hole_lies_in_the_foot_is_said():
    inner, outer = (
        _record(Spot("open", (x, 190.0), RADIUS, depth=4)).quantities
        for x in (CENTER[0] + 20, CENTER[0] + 65)
    )
    assert inner["diameter_of_length"].value == pytest.approx(2 * RADIUS / 440, rel=0.15)
    assert abs(outer["off_axis"].value - inner["off_axis"].value) > 0.2


def test_what_is_pointed_at_and_bright_inside_is_not_called_none():
    rgb = draw([_sole()], SIZE, Scene(spots=(Spot("paint", CENTER, RADIUS, (0.34, 0.22, 0.15)),)))
    turns = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    circle = tuple((CENTER[0] + RADIUS * np.cos(t), CENTER[1] + RADIUS * np.sin(t)) for t in turns)
    record = measure(Photo.from_array(rgb), _place(_sole(), hole=circle), Calibration())
    assert record.not_measured is Reason.AMBIGUOUS


# --- two readers of a spot ----------------------------------------------------------------------------


def _seen_as(monkeypatch, **chance: float):
    kinds = ("surface", "open_plain", "open_beaded", "lined", "drilled_ragged", "drilled_neat")
    monkeypatch.setattr(
        hole_kinds, "seen_kinds", lambda spot, cut, photo: {k: chance.get(k, 0.002) for k in kinds}
    )


LINED = Spot("lined", CENTER, RADIUS, (0.85, 0.85, 0.85), thickness=0.3, depth=4, seed=2)


def test_readers_that_agree_are_noted_and_never_certain(monkeypatch):
    _seen_as(monkeypatch, lined=0.99)
    record = _record(LINED)
    assert record.state == "lined"
    assert record.confidence < 0.97
    assert "second_opinion" in record.flags


def test_a_bead_speaks_for_the_mold_where_a_plain_edge_does_not(monkeypatch):
    """A dealer would pay for a molded hole that a drill made."""
    _seen_as(monkeypatch, open_beaded=0.98)
    beaded = _record(Spot("open", CENTER, RADIUS, depth=4))
    assert beaded.state == "open"
    assert beaded.confidence < 0.95
    _seen_as(monkeypatch, open_plain=0.55, drilled_neat=0.44)
    plain = _record(Spot("open", CENTER, RADIUS, depth=4))
    assert plain.not_measured is Reason.AMBIGUOUS
    assert "macro" in plain.detail


@pytest.mark.parametrize("said", ["open_beaded", "lined", "drilled_ragged"])
def test_a_network_alone_makes_no_hole_in_a_bare_sole(monkeypatch, said):
    _seen_as(monkeypatch, **{said: 0.99})
    assert _record().state == "none"


def test_a_doll_is_accused_less_surely_where_the_readers_differ(monkeypatch):
    _seen_as(monkeypatch, drilled_ragged=0.99)
    record = _record(LINED)
    assert record.candidates["drilled"] <= foot_holes.ALONE
    assert "opinions_differ" in record.flags


def test_no_hole_is_said_less_surely_where_the_readers_differ(monkeypatch):
    _seen_as(monkeypatch, surface=0.99)
    record = _record(LINED)
    assert record.candidates["none"] <= foot_holes.ALONE
    assert "opinions_differ" in record.flags


def test_a_hole_that_shows_the_table_behind_it_is_not_called_none(monkeypatch):
    """It is as light as the table, and a search for the dark passes it by."""
    through = Spot("paint", CENTER, RADIUS, (0.30, 0.42, 0.62))
    rgb = draw([_sole()], SIZE, Scene(spots=(through,), gloss=0.0))
    cut = hole_clues.cut_out(Photo.from_array(rgb), _place(_sole()))
    assert not [s for s in hole_search.find_spots(cut)[0] if s.clues.depth < hole_kinds.BRIGHTEST_HOLE]
    (spot,) = hole_search.find_foreign(cut, [])
    assert np.hypot(*(spot.outline.mean(0) - CENTER)) < 0.3 * RADIUS
    assert spot.diameter == pytest.approx(2 * RADIUS, rel=0.25)
    _seen_as(monkeypatch, open_plain=0.97)
    record = _record(through, scene=Scene(gloss=0.0))
    assert record.state != "none"
    assert max(record.candidates.values()) <= foot_holes.ALONE
    monkeypatch.setattr(hole_kinds, "seen_kinds", lambda spot, cut, photo: None)
    assert _record(through, scene=Scene(gloss=0.0)).state != "none"


def test_nothing_foreign_lies_on_a_bare_sole_nor_beside_a_hole_that_is_known():
    cut = hole_clues.cut_out(Photo.from_array(draw([_sole()], SIZE, Scene())), _place(_sole()))
    assert hole_search.find_foreign(cut, []) == []
    holed = hole_clues.cut_out(
        Photo.from_array(draw([_sole()], SIZE, Scene(spots=(LINED,)))), _place(_sole())
    )
    known = hole_search.find_spots(holed)[0]
    assert hole_search.find_foreign(holed, known) == []


def test_two_kinds_of_hole_in_one_outline_are_said(monkeypatch):
    """Both feet in one outline would lend one foot's hole to the other."""
    heel = replace(LINED, center=(206.0, 400.0))
    at_heel = "lined"

    def by_place(spot, cut, photo):
        low = (spot.ellipse.y / cut.scale + cut.origin[1]) > 300
        kind = at_heel if low else "drilled_ragged"
        return dict.fromkeys(("surface", "open_plain", "open_beaded", "drilled_neat"), 0.002) | {
            "lined": 0.002,
            "drilled_ragged": 0.002,
            kind: 0.98,
        }

    monkeypatch.setattr(hole_kinds, "seen_kinds", by_place)
    record = _record(Spot("drilled", CENTER, RADIUS, depth=4, raggedness=1.0, seed=4), heel)
    assert record.not_measured is Reason.AMBIGUOUS
    assert "two_kinds" in record.flags


def test_a_hole_network_that_fails_is_one_that_is_not_there(monkeypatch):
    spot = Spot("open", CENTER, RADIUS, depth=4)
    monkeypatch.setattr(hole_kinds, "seen_kinds", lambda spot, cut, photo: None)
    before = _record(spot)

    def broken(spot, cut, photo):
        raise RuntimeError("runtime gone")

    monkeypatch.setattr(hole_kinds, "seen_kinds", broken)
    assert _record(spot).to_json() == before.to_json()


def test_a_spot_is_the_same_however_the_photo_is_turned():
    """The network is asked about a spot turned and mirrored: its answer does not turn with the photo."""
    rgb = draw([_sole()], SIZE, Scene(spots=(LINED,)))
    photo, turned = Photo.from_array(rgb), Photo.from_array(np.ascontiguousarray(rgb[::-1, ::-1]))
    far = np.array(SIZE) - 1
    answers = []
    for picture, line in ((photo, _sole()), (turned, far - _sole())):
        cut = hole_clues.cut_out(picture, _place(line))
        spot = hole_search.find_spots(cut)[0][0]
        answers.append(hole_kinds.seen_kinds(spot, cut, picture))
    assert answers[0] == pytest.approx(answers[1], abs=0.1)
