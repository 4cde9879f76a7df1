"""Both feet are compared, and what a slant or a doubtful reading does to them is not called a difference."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipelines.guide import load
from sample_images.drawn_soles import Scene, Spot, draw, pair
from vision.calibration import Calibration
from vision.feet import compare
from vision.foot_holes import measure
from vision.locate.places import SolePlace
from vision.photo import Photo
from vision.traits import Quantity, Reason, Region, Trait, TraitRecord

KINDS = ("none", "open", "lined", "drilled")


def _foot(part: str, p: dict[str, float], size=0.15, axis=0.2, middle=0.4, hole: bool = True) -> TraitRecord:
    quantities = {
        "diameter_of_length": Quantity(size, 0.08 * size),
        "off_axis": Quantity(axis, 0.08),
        "off_middle": Quantity(middle, 0.06),
    }
    return TraitRecord.decide(
        Trait.FOOT_HOLES,
        p,
        "t/1",
        quantities=quantities if hole else {},
        region=Region.box(0, 0, 9, 9),
        part=part,
    )


def _pair(left: dict[str, float], right: dict[str, float], **of_right: float) -> TraitRecord:
    return compare([_foot("left_foot", left), _foot("right_foot", right, **of_right)])


OPEN = {"none": 0.02, "open": 0.75, "lined": 0.03, "drilled": 0.2}
UNSURE = {"none": 0.02, "open": 0.48, "lined": 0.05, "drilled": 0.45}
LINED = {"none": 0.02, "open": 0.02, "lined": 0.94, "drilled": 0.02}
RAGGED = {"none": 0.01, "open": 0.04, "lined": 0.02, "drilled": 0.93}
NONE = {"none": 0.93, "open": 0.03, "lined": 0.02, "drilled": 0.02}


@pytest.mark.parametrize("kind", [OPEN, UNSURE, LINED, RAGGED])
def test_feet_of_one_kind_that_match_are_alike(kind):
    record = _pair(kind, kind)
    assert record.state == "alike"
    assert record.quantities["diameter_ratio"].value == pytest.approx(1)
    assert record.part is None


def test_a_hole_in_one_heel_and_one_in_the_other_ball_are_no_pair():
    """Both lie equally far from the middle: a dealer would be told that the feet match."""
    feet = [_foot("left_foot", OPEN, middle=0.6), _foot("right_foot", OPEN, middle=0.6)]
    heel, ball = (
        replace(f, quantities={**f.quantities, "toward_top": Quantity(end, 0.06)})
        for f, end in zip(feet, (-0.6, 0.6), strict=True)
    )
    assert compare(feet).state == "alike"
    record = compare([heel, ball])
    assert record.state == "differ"
    assert "differ_in_place" in record.flags
    assert "off_middle_difference" not in record.quantities
    assert compare([ball, replace(ball, part="left_foot")]).state == "alike"


def test_two_soles_without_a_hole_are_alike():
    feet = [_foot(part, NONE, hole=False) for part in ("left_foot", "right_foot")]
    assert compare(feet).state == "alike"
    assert compare(feet).quantities == {}


def test_molded_and_ragged_holes_differ_in_kind():
    sure = {"none": 0.01, "open": 0.95, "lined": 0.01, "drilled": 0.03}
    record = _pair(sure, RAGGED)
    assert record.state == "differ"
    assert "differ_in_kind" in record.flags


@pytest.mark.parametrize("other", [NONE, LINED])
def test_a_hole_in_one_foot_only_or_lined_in_one_only_differs_in_kind(other):
    record = _pair({"none": 0.01, "open": 0.9, "lined": 0.01, "drilled": 0.08}, other)
    assert record.candidates["differ"] > record.candidates["alike"]
    assert record.state in ("differ", None)


def test_a_dot_of_paint_that_may_be_a_hole_is_no_difference_in_kind():
    perhaps = {"none": 0.22, "open": 0.41, "lined": 0.12, "drilled": 0.25}
    record = _pair(perhaps, NONE)
    assert record.state is None
    assert record.candidates["differ"] > 0.6
    assert _pair({"none": 0.04, "open": 0.22, "lined": 0.5, "drilled": 0.24}, NONE).state == "differ"


def test_two_readings_that_are_unsure_alike_are_no_difference_in_kind():
    leaning = {"none": 0.02, "open": 0.45, "lined": 0.05, "drilled": 0.48}
    assert _pair(UNSURE, leaning).state == "alike"


@pytest.mark.parametrize(
    ("change", "flag"),
    [
        ({"size": 0.32}, "differ_in_size"),
        ({"axis": 1.0}, "differ_in_place"),
        ({"middle": 0.9}, "differ_in_place"),
    ],
)
def test_holes_unlike_in_size_or_place_differ(change, flag):
    record = _pair(UNSURE, UNSURE, **change)
    assert record.state == "differ"
    assert flag in record.flags


@pytest.mark.parametrize("change", [{"size": 0.19}, {"axis": 0.42}, {"middle": 0.52}])
def test_what_a_slanted_view_does_is_no_difference(change):
    assert _pair(OPEN, OPEN, **change).state != "differ"


def test_more_difference_is_never_more_alike():
    chances = [_pair(OPEN, OPEN, size=s).candidates["differ"] for s in (0.15, 0.2, 0.27, 0.4)]
    assert chances == sorted(chances)


def test_one_foot_or_one_unread_foot_is_not_compared():
    assert compare([_foot("left_foot", OPEN)]).not_measured is Reason.NOT_IN_VIEW
    unread = TraitRecord.withheld(Trait.FOOT_HOLES, Reason.BLURRED, "t/1", "Blurred.", part="right_foot")
    assert compare([_foot("left_foot", OPEN), unread]).not_measured is Reason.BLURRED


def _drawn(sizes: tuple[float, float]) -> TraitRecord:
    lines = pair()
    spots = tuple(
        Spot("lined", (x, y), r, (0.85, 0.85, 0.85), thickness=0.3, depth=4, seed=2)
        for (x, y), r in zip((line.mean(0) for line in lines), sizes, strict=True)
    )
    photo = Photo.from_array(draw(lines, (700, 800), Scene(spots=spots)))
    places = [
        SolePlace(tuple((float(x), float(y)) for x, y in line), 0.97, part)
        for line, part in zip(lines, ("left_foot", "right_foot"), strict=True)
    ]
    return compare([measure(photo, place, Calibration()) for place in places])


def test_drawn_pairs_are_compared_as_drawn():
    alike, unlike = _drawn((24, 24)), _drawn((15, 40))
    assert alike.state == "alike"
    assert unlike.quantities["diameter_ratio"].value == pytest.approx(15 / 40, rel=0.15)
    assert unlike.state == "differ"


@pytest.mark.parametrize("name", ["verity", "early-vinyl"])
def test_shipped_guides_weigh_it_for_every_alteration_that_makes_holes(name):
    guide = load(name)
    drilled = [a for a in guide.alterations.values() if "foot_holes" in a.expect]
    assert drilled
    for alteration in drilled:
        assert alteration.expect["feet_match"] == {"alike": "sometimes", "differ": "sometimes"}
