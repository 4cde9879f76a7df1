"""Merging photos and hands: no double counting, disagreement said aloud."""

import itertools

import pytest

from pipelines.dossier import HANDS_ON, build_dossier, counts
from pipelines.guide import load
from tests.records import FakePhoto, mark, photo, said, silent
from vision.traits import Quantity, Reason, View

GUIDE = load("verity")


def dossier(*photos, findings=()):
    return build_dossier(photos, findings, GUIDE)


def test_empty():
    assert dossier().traits == ()


def test_agreeing_photos_are_no_surer_than_the_best_one():
    merged = dossier(
        photo("a", View.FACE, said("eyeliner_color", "blue", 0.8)),
        photo("b", View.FACE, said("eyeliner_color", "blue", 0.93)),
    ).best("eyeliner_color")
    assert (merged.record.confidence, merged.source, merged.conflict) == (0.93, "b", False)
    assert len(merged.readings) == 2


def test_equal_disagreement_is_withheld_and_named():
    merged = dossier(
        photo("a", View.FACE, said("eyeliner_color", "blue")),
        photo("b", View.FACE, said("eyeliner_color", "brown")),
    ).best("eyeliner_color")
    assert merged.conflict
    assert merged.record.not_measured is Reason.AMBIGUOUS
    assert "a: blue" in merged.record.detail
    assert "b: brown" in merged.record.detail


def test_a_weak_dissent_lowers_but_does_not_silence():
    merged = dossier(
        photo("a", View.FACE, said("eyeliner_color", "blue", 0.95)),
        photo("b", View.FACE, said("eyeliner_color", "brown", 0.62)),
    ).best("eyeliner_color")
    assert merged.conflict
    assert merged.record.state == "blue"
    assert 0.6 <= merged.record.confidence < 0.95


def test_a_silent_photo_does_not_weaken_a_speaking_one():
    merged = dossier(
        photo("a", View.FACE, said("eyeliner_color", "blue")), photo("b", View.FACE, silent("eyeliner_color"))
    ).best("eyeliner_color")
    assert merged.record.confidence == 0.9


def test_the_most_useful_reason_is_kept():
    merged = dossier(
        photo("a", View.FACE, silent("eyeliner_color", Reason.NOT_IN_VIEW)),
        photo("b", View.FACE, silent("eyeliner_color", Reason.AMBIGUOUS, blue=0.5, black=0.45)),
    ).best("eyeliner_color")
    assert merged.record.not_measured is Reason.AMBIGUOUS


def test_a_copy_counts_once():
    first = photo("a", View.FACE, said("eyeliner_color", "blue"), sha256="same")
    copy = photo("b", View.FACE, said("eyeliner_color", "blue"), sha256="same")
    both = dossier(first, copy)
    assert both.traits == dossier(first).traits
    assert "b is the same file as a" in both.notes[0]


def test_order_does_not_matter():
    photos = [
        photo("a", View.FACE, said("eyeliner_color", "blue", 0.8)),
        photo("b", View.FACE, said("eyeliner_color", "brown", 0.8)),
        photo("c", View.FACE, said("eyeliner_color", "blue", 0.7)),
    ]
    results = [dossier(*order).to_json() for order in itertools.permutations(photos)]
    assert all(result == results[0] for result in results)


def test_feet_are_kept_apart():
    feet = dossier(
        photo(
            "s",
            View.SOLES,
            said("foot_holes", "open", part="left_foot"),
            said("foot_holes", "none", part="right_foot"),
        )
    ).of("foot_holes")
    assert [(m.part, m.record.state) for m in feet] == [("left_foot", "open"), ("right_foot", "none")]


def test_failed_and_crowd_photos_are_left_out():
    crowd = photo("c", View.CROWD, said("eyeliner_color", "blue", part="head_1"))
    failed = FakePhoto("x", (said("eyeliner_color", "blue"),), status="error")
    result = dossier(crowd, failed)
    assert result.traits == ()
    assert any("several dolls" in note for note in result.notes)


def test_a_photo_with_two_heads_is_left_out():
    two = photo(
        "c",
        View.FACE,
        said("eyeliner_color", "blue", part="head_1"),
        said("eyeliner_color", "brown", part="head_2"),
    )
    assert dossier(two).traits == ()


def test_a_photo_of_no_doll_is_named():
    assert dossier(photo("cat", View.OTHER)).notes == ("cat shows nothing that is measured here.",)


def test_a_mark_on_the_back_of_the_head_tells_its_place():
    place = dossier(photo("h", View.HEAD_BACK, mark("VERITY"), view_confidence=0.85)).best("mark_place")
    assert place.record.state == "head_back"
    assert place.record.confidence == pytest.approx(0.85 * 0.9)
    assert dossier(photo("m", View.MARK, mark("VERITY"))).best("mark_place") is None
    assert dossier(photo("h", View.HEAD_BACK, said("mark_text", "absent"))).best("mark_place") is None


def test_the_fullest_reading_gives_the_wording_and_is_not_changed():
    result = dossier(
        photo("a", View.MARK, mark("OPAL", "VER1TY", "PATENTED")), photo("b", View.MARK, mark("VERITY"))
    )
    wording = result.best("mark_wording")
    assert wording.record.state == "two_names"
    assert "VER1TY" in wording.record.detail
    assert wording.source == "a"


def test_an_unsure_mark_gives_an_unsure_wording():
    sure = dossier(photo("a", View.MARK, mark("OPAL", "VERITY", "PATENTED", confidence=0.95)))
    unsure = dossier(photo("a", View.MARK, mark("OPAL", "VERITY", "PATENTED", confidence=0.65)))
    assert sure.best("mark_wording").record.confidence > unsure.best("mark_wording").record.confidence


def test_hand_and_photo_may_disagree():
    merged = dossier(
        photo("a", View.FACE, said("eyeliner_color", "blue", 0.9)),
        findings=[said("eyeliner_color", "brown", 0.9)],
    ).best("eyeliner_color")
    assert merged.conflict
    assert HANDS_ON in merged.record.detail
    assert merged.record.confidence == pytest.approx(0.45, abs=0.01)


def test_a_mark_in_one_photo_is_not_contradicted_by_a_bare_place_in_another():
    merged = dossier(
        photo("a", View.MARK, said("mark_text", "absent", 0.97)),
        photo("b", View.MARK, mark("VERITY", confidence=0.8)),
    ).best("mark_text")
    assert (merged.record.state, merged.source, merged.conflict) == ("present", "b", False)


def test_no_mark_in_a_photo_is_not_no_mark_on_the_doll():
    seen = dossier(photo("a", View.MARK, said("mark_text", "absent"))).best("mark_text")
    felt = dossier(findings=[said("mark_text", "absent")]).best("mark_text")
    assert not counts(seen)
    assert counts(felt)


def liner(hue, u, confidence=0.93, state="blue"):
    return said("eyeliner_color", state, confidence).replace(quantities={"hue_deg": Quantity(hue, u, "deg")})


def test_the_liner_s_hue_is_weighed_as_far_as_it_is_known():
    """The dealer's trap: a warm lamp turns a clear blue greenish, and u says how far it may."""
    sure = dossier(photo("a", View.FACE, liner(222, 7))).best("liner_hue")
    assert (sure.record.state, sure.source) == ("green_blue", "a")
    assert sure.record.confidence <= 0.93
    in_warm_light = dossier(photo("a", View.FACE, liner(246, 25))).best("liner_hue")
    assert in_warm_light.record.state is None
    assert not counts(in_warm_light)


def test_hues_go_round():
    spec = GUIDE.traits["liner_hue"]
    assert spec.shares(-90, 5) == pytest.approx(spec.shares(270, 5))


@pytest.mark.parametrize("record", [liner(120, 5), silent("eyeliner_color"), said("eyeliner_color", "blue")])
def test_a_hue_outside_all_ranges_or_not_measured_gives_no_finding(record):
    assert dossier(photo("a", View.FACE, record)).of("liner_hue") == ()
