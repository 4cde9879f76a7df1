"""The parts network helps to recognize a view; by its word alone a stranger becomes no doll."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from sample_images.drawn_soles import Scene, Spot, draw, outline, pair
from vision.locate import mark, parts, pose, soles, view_opinion
from vision.locate import view as view_module
from vision.locate.parts import Parts
from vision.locate.soles import find_soles, second_look
from vision.locate.view import Evidence, find_places, recognize
from vision.locate.view_opinion import Opinion, ask
from vision.photo import Photo
from vision.traits import View

NAMES = ("other", "vinyl", "covered", "lips", "eye", "hair", "garment", "sole", "hole", "mark", "reference")
#: Shares of the picture that go with each view.
SHOWN = {
    View.FACE: {"vinyl": 0.3, "eye": 0.02, "lips": 0.005, "hair": 0.2},
    View.CROWD: {"vinyl": 0.2, "eye": 0.02, "lips": 0.005, "hair": 0.2},
    View.BODY: {"vinyl": 0.2, "covered": 0.05, "garment": 0.1},
    View.SOLES: {"sole": 0.2, "vinyl": 0.05},
    View.MARK: {"vinyl": 0.5, "mark": 0.1},
    View.HEAD_BACK: {"hair": 0.4, "vinyl": 0.1},
}


def _opinion(view: View, p: float, shares: dict[str, float] | None = None) -> Opinion:
    rest = (1 - p) / (len(View) - 1)
    return Opinion(
        {str(v): p if v is view else rest for v in View}, SHOWN[view] if shares is None else shares
    )


def test_without_a_network_nothing_changes():
    scores = {view: float(i) for i, view in enumerate(View)}
    assert view_opinion.weigh(scores, dict.fromkeys(View, 0.0), None) == scores


#: For each view evidence too weak to make it.
WEAK = {
    View.FACE: {"heads": 1, "doll": 0.5, "face_share": 0.2, "face_trust": 0.7},
    View.BODY: {"torso": 0.55},
    View.SOLES: {"soles": 0.6},
    View.MARK: {"mark": 0.6},
    View.HEAD_BACK: {"hair": 0.3},
}


@pytest.mark.parametrize("view", list(WEAK))
def test_weak_evidence_and_a_network_that_agrees_make_a_view(view):
    assert recognize(Evidence(**WEAK[view])).state is View.OTHER
    seen = recognize(Evidence(**WEAK[view], opinion=_opinion(view, 0.85)))
    assert seen.state is view
    assert seen.confidence < 0.96


@pytest.mark.parametrize("view", list(SHOWN))
@pytest.mark.parametrize("p", [0.5, 0.7, 0.89])
def test_a_network_that_is_not_quite_sure_makes_no_view_by_itself(view, p):
    assert recognize(Evidence(opinion=_opinion(view, p))).state is View.OTHER


@pytest.mark.parametrize("view", list(SHOWN))
def test_a_sure_network_that_sees_no_fitting_part_makes_no_view_by_itself(view):
    assert recognize(Evidence(opinion=_opinion(view, 0.999, {"other": 1.0}))).state is View.OTHER


@pytest.mark.parametrize("view", [View.FACE, View.BODY])
def test_a_sure_network_that_sees_fitting_parts_is_heard_but_not_believed_outright(view):
    seen = recognize(Evidence(opinion=_opinion(view, 0.99)))
    assert seen.state is view
    assert seen.confidence < 0.9


def test_a_network_that_says_other_takes_less_than_clear_evidence_gives():
    face = {"heads": 1, "doll": 0.95, "face_share": 0.4, "face_trust": 1.0}
    denied = recognize(Evidence(**face, opinion=_opinion(View.OTHER, 0.99, {"other": 1.0})))
    assert denied.state is View.FACE
    assert denied.confidence < recognize(Evidence(**face)).confidence


def test_a_persons_torso_stays_other_whatever_the_network_says_below_certainty():
    person = {"heads": 1, "face_share": 0.15, "face_trust": 0.95, "torso": 0.95, "doll": 0.02}
    assert recognize(Evidence(**person, opinion=_opinion(View.BODY, 0.6))).state is View.OTHER


def test_shares_are_those_of_the_picture_not_of_the_square(monkeypatch):
    chance = np.zeros((2, 72, 72), np.float32)
    chance[0], chance[1, :, 27:45] = 1, 0
    chance[:, :, 36:45] = [[[0.0]], [[1.0]]]  # the right half of a picture four times as high as wide
    # A picture of 200 × 800 in the middle of the square.
    to_samples = np.array([[72 / 800, 0, 27.0], [0, 72 / 800, 0]])
    found = Parts(("other", "vinyl"), chance, {"view": {"body": 1.0}}, to_samples)
    monkeypatch.setattr(parts, "of_photo", lambda photo: found)
    opinion = ask(Photo.from_array(np.zeros((800, 200, 3), np.uint8)))
    assert opinion is not None
    assert opinion.share("vinyl") == pytest.approx(0.5, abs=0.06)


def _broken(photo):
    raise RuntimeError("runtime gone")


def test_a_network_that_fails_is_one_that_is_not_there(monkeypatch):
    photo = Photo.from_array(draw(pair(), (700, 800), Scene()))
    monkeypatch.setattr(parts, "of_photo", lambda photo: None)
    before = find_places(photo)
    monkeypatch.setattr(parts, "of_photo", _broken)
    after = find_places(photo)
    assert after.view == before.view
    assert after.soles == before.soles
    assert view_opinion.ask(photo) is None


# --- what is not looked for ---------------------------------------------------------------------------


@pytest.mark.parametrize("view", list(SHOWN))
def test_the_network_is_sure_of_a_view_only_with_its_parts(view):
    assert view_opinion.sure_of(_opinion(view, 0.95)) is view
    assert view_opinion.sure_of(_opinion(view, 0.85)) is None
    assert view_opinion.sure_of(_opinion(view, 0.95, {"other": 1.0})) is None


def test_the_network_is_never_sure_that_nothing_of_a_doll_is_seen():
    assert view_opinion.sure_of(_opinion(View.OTHER, 0.999, {"other": 1.0})) is None
    assert view_opinion.sure_of(None) is None


#: What is looked for in a picture without a face, by the view that the network is sure of.
LOOKED_FOR = {
    None: {"soles", "mark", "torso", "hair"},
    View.FACE: set(),
    View.BODY: {"torso"},
    View.SOLES: {"soles"},
    View.MARK: {"mark"},
    View.HEAD_BACK: {"mark", "hair"},
}


@pytest.mark.parametrize("view", list(LOOKED_FOR))
def test_what_shows_another_view_is_not_looked_for(view, monkeypatch):
    looked: set[str] = set()

    def finder(what, answer):
        return lambda *_: looked.add(what) or answer

    monkeypatch.setattr(view_opinion, "ask", lambda photo: None if view is None else _opinion(view, 0.95))
    monkeypatch.setattr(soles, "find_soles", finder("soles", []))
    monkeypatch.setattr(mark, "find_marks", finder("mark", []))
    monkeypatch.setattr(pose, "find_torso", finder("torso", None))
    monkeypatch.setattr(view_module, "_hair_share", finder("hair", 0.0))
    find_places(Photo.from_array(np.full((300, 400, 3), 128, np.uint8)))
    assert looked == LOOKED_FOR[view]


@pytest.mark.parametrize("view", [View.SOLES, View.MARK, View.HEAD_BACK])
def test_a_persons_face_stands_against_a_sure_network(view):
    person = {"heads": 1, "face_share": 0.3, "face_trust": 0.95, "doll": 0.02}
    assert recognize(Evidence(**person, opinion=_opinion(view, 0.99))).state is View.OTHER


# --- soles --------------------------------------------------------------------------------------------


def _seeing(monkeypatch, masks: list[np.ndarray], shape: tuple[int, int], p: float = 0.95) -> None:
    """Let the network see soles in some outlines, and nothing else."""
    size = 96
    scale = size / max(shape)
    sole = np.zeros((size, size), np.uint8)
    for line in masks:
        cv2.fillPoly(sole, [np.round(line * scale).astype(np.int32)], 1)
    chance = np.zeros((len(NAMES), size, size), np.float32)
    chance[NAMES.index("sole")] = p * sole
    chance[0] = 1 - p * sole
    found = Parts(NAMES, chance, {}, np.array([[scale, 0, 0], [0, scale, 0.0]]))
    monkeypatch.setattr(parts, "of_photo", lambda photo: found)


def test_soles_that_only_the_network_sees_are_added_and_stay_doubtful(monkeypatch):
    lines = pair()
    gray = Photo.from_array(np.full((800, 700, 3), 120, np.uint8))
    _seeing(monkeypatch, lines, (800, 700))
    places = second_look(gray, [])
    assert [p.part for p in places] == ["left_foot", "right_foot"]
    assert all("by_network" in p.flags and p.confidence < 0.5 for p in places)


def test_a_hole_in_what_the_network_sees_speaks_for_a_sole(monkeypatch):
    lines = pair()
    scene = Scene(spots=tuple(Spot("open", tuple(line.mean(0)), 26, depth=4) for line in lines))
    photo = Photo.from_array(draw(lines, (700, 800), scene))
    _seeing(monkeypatch, lines, (800, 700))
    places = second_look(photo, [])
    assert len(places) == 2
    assert min(p.confidence for p in places) > 0.6


def test_feet_that_touch_are_parted(monkeypatch):
    lines = [outline((220, 400), 420, 0.0), outline((450, 400), 420, 0.0, mirror=True)]
    _seeing(monkeypatch, [*lines, np.array([[260, 320], [420, 320], [420, 370], [260, 370.0]])], (800, 700))
    assert len(second_look(Photo.from_array(np.full((800, 700, 3), 120, np.uint8)), [])) == 2


def test_a_network_that_sees_a_found_sole_makes_it_surer_and_one_that_does_not_less_sure(monkeypatch):
    lines = pair()
    photo = Photo.from_array(draw(lines, (700, 800), Scene()))
    found = find_soles(photo)
    _seeing(monkeypatch, lines, (800, 700))
    surer = second_look(photo, found)
    _seeing(monkeypatch, [], (800, 700))
    doubted = second_look(photo, found)
    for before, more, less in zip(found, surer, doubted, strict=True):
        assert less.confidence < before.confidence < more.confidence
        assert (more.outline, more.part) == (before.outline, before.part)
        assert "second_opinion" in more.flags
        assert "opinions_differ" in less.flags


def test_a_second_foot_that_the_network_sees_joins_one_that_was_found(monkeypatch):
    lines = pair()
    photo = Photo.from_array(draw([lines[1]], (700, 800), Scene()))
    found = find_soles(photo)
    assert len(found) == 1
    _seeing(monkeypatch, lines, (800, 700))
    places = second_look(photo, found)
    assert [p.part for p in places] == ["left_foot", "right_foot"]
    assert not any("alone" in p.flags for p in places)
    assert places[1].outline == found[0].outline
