"""The view: a person's word overrides, missing locators cost nothing else, strangers are no dolls."""

from __future__ import annotations

import importlib.util
import sys

import numpy as np
import pytest

from sample_images.drawn_soles import Scene, draw, pair
from tests.bench.reach import ROOT
from tests.small_pictures import laid_in
from vision.locate import view as view_module
from vision.locate.places import MarkPlace
from vision.locate.view import REGION_VIEWS, Evidence, find_places, recognize
from vision.locate.view_opinion import Opinion
from vision.photo import Photo, load
from vision.traits import Region, View


def _grey(height: int = 300, width: int = 400) -> Photo:
    return Photo.from_array(np.full((height, width, 3), 128, np.uint8))


@pytest.mark.parametrize("view", list(View))
def test_a_stated_view_is_taken_as_certain(view):
    places = find_places(_grey(), view=view)
    assert places.view.state is view
    assert places.view.confidence == 1.0


@pytest.mark.parametrize(("name", "view"), list(REGION_VIEWS.items()))
def test_a_region_implies_its_view(name, view):
    places = find_places(_grey(), regions={name: Region.box(100, 100, 160, 140)})
    assert places.view.state is view
    assert places.view.confidence == 1.0


def test_regions_replace_what_locators_find():
    box = Region.box(100, 100, 160, 180)
    soles = find_places(_grey(), regions={"right_sole": box, "left_sole": Region.box(20, 100, 80, 180)}).soles
    assert [s.part for s in soles] == ["left_foot", "right_foot"]
    assert soles[1].outline == box.polygons[0]
    face = find_places(_grey(), regions={"lips": box, "left_eye": Region.box(90, 50, 110, 60)}).faces[0]
    assert face.lips == box.polygons[0]
    assert face.right_eye == ()
    line = find_places(_grey(), regions={"covered": box}).line
    assert line is not None
    assert line.covered == box
    assert find_places(_grey(), regions={"mark": box}).marks[0].outline == box.polygons[0]


def test_a_stated_view_outranks_the_one_that_regions_imply():
    places = find_places(_grey(), view=View.BODY, regions={"mark": Region.box(10, 10, 50, 50)})
    assert places.view.state is View.BODY
    assert len(places.marks) == 1


def test_an_unknown_region_is_an_error():
    with pytest.raises(ValueError, match="left_nostril"):
        find_places(_grey(), regions={"left_nostril": Region.box(0, 0, 9, 9)})


def test_drawn_soles_are_soles():
    places = find_places(Photo.from_array(draw(pair(), (700, 800), Scene())))
    assert places.view.state is View.SOLES
    assert len(places.soles) == 2


@pytest.mark.parametrize("value", [0, 128, 255])
def test_an_empty_picture_is_other(value):
    places = find_places(Photo.from_array(np.full((300, 400, 3), value, np.uint8)))
    assert places.view.state is View.OTHER
    assert not (places.faces or places.soles or places.marks or places.line)


def test_a_locator_that_is_missing_or_fails_is_noted(monkeypatch):
    class Broken:
        @staticmethod
        def find_faces(photo, max_faces):
            raise RuntimeError("model gone")

    monkeypatch.setitem(sys.modules, "vision.locate.face", Broken)
    monkeypatch.setitem(sys.modules, "vision.locate.soles", None)
    places = find_places(_grey())
    assert places.view.state is View.OTHER
    assert any("face locator failed (RuntimeError)" in n for n in places.notes)
    assert any("soles locator is not installed" in n for n in places.notes)


def test_probabilities_sum_to_one_and_are_never_certain():
    for evidence in (Evidence(), Evidence(heads=1, doll=0.95, face_share=0.5, face_trust=1.0)):
        seen = recognize(evidence)
        assert sum(seen.candidates.values()) == pytest.approx(1)
        assert max(seen.candidates.values()) < 0.96


def test_more_evidence_means_more_probability():
    def p(view, **evidence):
        return recognize(Evidence(**evidence)).candidates[str(view)]

    one = {"heads": 1, "doll": 0.95, "face_trust": 0.9}
    assert p(View.FACE, **one, face_share=0.05) < p(View.FACE, **one, face_share=0.15)
    assert p(View.CROWD, heads=2, doll=0.9) < p(View.CROWD, heads=5, doll=0.9)
    assert p(View.SOLES, soles=0.3) < p(View.SOLES, soles=0.9)


def test_view_module_imports_no_locator_at_import_time():
    assert "find_faces" not in vars(view_module)


def test_a_persons_torso_is_no_dolls_body():
    base = {"heads": 1, "face_share": 0.15, "face_trust": 0.95, "torso": 0.95}
    assert recognize(Evidence(**base, doll=0.95)).state is View.BODY
    assert recognize(Evidence(**base, doll=0.05)).state is View.OTHER
    assert recognize(Evidence(torso=0.95)).state is View.BODY


@pytest.mark.parametrize(
    ("name", "rgb", "vinyl"),
    [
        ("pale vinyl", (226, 184, 160), True),
        ("tanned vinyl under a lamp", (205, 140, 92), True),
        ("a gray card", (150, 150, 150), False),
        ("a green circuit board", (40, 110, 60), False),
        ("a white board", (240, 240, 242), False),
        ("a blue chart patch", (60, 80, 160), False),
    ],
)
def test_letters_make_a_mark_only_on_vinyl(name, rgb, vinyl):
    picture = np.full((200, 300, 3), rgb, np.uint8)
    place = MarkPlace(((50, 50), (250, 50), (250, 120), (50, 120)), 0.9)
    assert view_module.on_vinyl(Photo.from_array(picture), place) is vinyl


@pytest.mark.skipif(importlib.util.find_spec("mediapipe") is None, reason="needs the face model")
@pytest.mark.parametrize("name", ["photos/face_02.jpg", "second/photos/face_05.jpg"])
def test_an_eye_of_a_face_said_to_be_soles_is_no_lined_hole(name):
    """A wrong word in a seller's list must not make a hole of an iris in its white."""
    path = ROOT / name
    places = find_places(load(path.read_bytes(), path.name), view=View.SOLES)
    assert places.soles == ()
    assert any("shows a face" in note for note in places.notes)


def test_a_person_who_says_soles_is_believed_more_than_the_locator():
    rgb = draw(pair(), (700, 800), Scene())
    seen = find_places(Photo.from_array(rgb), view=None).soles
    told = find_places(Photo.from_array(rgb), view=View.SOLES).soles
    assert len(told) == 2
    assert all("view_given" in s.flags for s in told)
    assert told[0].confidence > max((s.confidence for s in seen), default=0.0)


@pytest.mark.skipif(importlib.util.find_spec("mediapipe") is None, reason="needs the face model")
@pytest.mark.parametrize(
    ("name", "width", "view"),
    [
        ("photos/face_07.jpg", 300, View.FACE),
        ("photos/face_11.jpg", 300, View.FACE),
        ("photos/body_01.jpg", 300, View.BODY),
        ("second/photos/body_03.jpg", 400, View.BODY),
    ],
)
def test_a_small_head_is_told_from_that_of_a_body(name, width, view):
    """From far away both are a face of some 70 px; read as a body a head would yield no word on its paint."""
    rgb = load((ROOT / name).read_bytes(), name).rgb
    photo, _ = laid_in(rgb, width / rgb.shape[1])
    places = find_places(photo)
    assert places.view.state is view
    assert len(places.faces) == 1


def test_the_face_of_a_body_that_is_surely_seen_makes_no_view_of_a_face():
    """Read as a face alone the photo would yield no word on its clothing line."""
    seen = {"heads": 1, "doll": 0.95, "face_share": 0.19, "face_trust": 0.95, "torso": 0.4}
    sure = Opinion({str(v): 0.94 if v is View.BODY else 0.01 for v in View}, {"vinyl": 0.15, "garment": 0.1})
    assert recognize(Evidence(**seen)).state is View.FACE
    assert recognize(Evidence(**seen, opinion=sure)).state is View.BODY


def test_a_head_alone_is_a_face_however_small_and_only_if_a_dolls():
    far = {"heads": 1, "face_share": 0.05, "face_trust": 0.95}
    assert recognize(Evidence(**far, doll=0.9, head_alone=0.98)).state is View.FACE
    assert recognize(Evidence(**far, doll=0.9, head_alone=0.02)).state is not View.FACE
    assert recognize(Evidence(**far, doll=0.1, head_alone=0.98)).state is View.OTHER


@pytest.mark.skipif(importlib.util.find_spec("mediapipe") is None, reason="needs the face model")
def test_a_face_that_is_no_dolls_is_spoken_of():
    """Without a word a dealer would think that nobody saw it."""
    data = pytest.importorskip("skimage.data")
    places = find_places(Photo.from_array(np.ascontiguousarray(data.astronaut())))
    assert places.view.state is View.OTHER
    assert any("face was found" in note for note in places.notes)
