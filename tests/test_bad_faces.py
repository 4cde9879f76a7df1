"""Pictures of faces that are no photos of a doll's face, or only part of one: a reason, nothing stated."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pipelines.examine import examine
from tests.bench.reach import ROOT
from vision import ear_stain, eyeliner, iris, lips, sheen
from vision.calibration import Calibration
from vision.face_reading import is_drawing
from vision.face_view import face_view
from vision.locate import face_model
from vision.locate.face import find_faces
from vision.locate.places import FacePlace
from vision.photo import Photo, load
from vision.traits import Reason, Trait, TraitRecord, View

pytestmark = pytest.mark.skipif(face_model.load() is None, reason="the face model is not installed")

TUNING = "photos/face_07.jpg"
FACE_TRAITS = frozenset(
    {Trait.EYELINER_COLOR, Trait.IRIS_COLOR, Trait.LIP_PAINT, Trait.SKIN_SHEEN, Trait.EAR_STAIN}
)


@pytest.fixture(scope="module")
def render() -> np.ndarray:
    """A rendered face some 300 px wide, of the tuning photos."""
    rgb = load((ROOT / TUNING).read_bytes(), TUNING).rgb
    return np.ascontiguousarray(cv2.resize(rgb, None, fx=0.7, fy=0.7, interpolation=cv2.INTER_AREA))


def measured(photo: Photo, face: FacePlace) -> list[TraitRecord]:
    """All that is said of the paint of one face."""
    one = [m.measure(photo, face, Calibration()) for m in (eyeliner, iris, lips, sheen)]
    return one + ear_stain.measure(photo, face, Calibration())


def cartoon(paper: int, skin: tuple[int, int, int], ink: tuple[int, int, int]) -> np.ndarray:
    """A face as a child or a printer draws it: discs and ellipses in flat colors."""
    draw = pytest.importorskip("skimage.draw")
    rgb = np.full((420, 360, 3), paper, np.uint8)

    def blob(y: float, x: float, high: float, wide: float, color: tuple[int, int, int]) -> None:
        rgb[draw.ellipse(y, x, high, wide, shape=rgb.shape[:2])] = color

    blob(200, 180, 165, 128, ink)
    blob(200, 180, 162, 125, skin)
    for x in (132, 228):
        blob(170, x, 19, 28, ink)
        blob(173, x, 16, 25, (250, 250, 250))
        blob(173, x, 13, 13, (40, 90, 190))
        blob(173, x, 6, 6, (10, 10, 10))
        blob(136, x, 4, 28, (90, 60, 40))
    blob(225, 180, 10, 8, ink)
    blob(225, 180, 9, 7, skin)
    blob(272, 180, 13, 38, (200, 30, 50))
    blob(272, 180, 1.5, 36, ink)
    return rgb


@pytest.mark.parametrize(
    ("paper", "skin", "ink"),
    [
        (255, (244, 200, 172), (60, 40, 40)),
        (200, (160, 110, 80), (20, 20, 20)),
        (252, (252, 252, 252), (0, 0, 0)),
    ],
    ids=["flat colors", "dark skin", "lines on paper"],
)
def test_a_drawn_picture_states_nothing_of_a_doll(
    paper: int, skin: tuple[int, int, int], ink: tuple[int, int, int]
) -> None:
    record = examine(Photo.from_array(cartoon(paper, skin, ink)), only=FACE_TRAITS, view=View.FACE)
    assert record.traits
    for trait in record.traits:
        assert trait.state is None, trait
        assert trait.detail


def test_a_drawing_is_told_from_a_photo(render: np.ndarray) -> None:
    drawing = Photo.from_array(cartoon(255, (244, 200, 172), (60, 40, 40)))
    (face,) = find_faces(drawing)
    assert is_drawing(face_view(drawing, face))
    for rgb in (render, cv2.resize(render, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)):
        photo = Photo.from_array(np.ascontiguousarray(rgb))
        (face,) = find_faces(photo)
        assert not is_drawing(face_view(photo, face))


def test_a_black_and_white_photo_says_so_for_every_color(render: np.ndarray) -> None:
    gray = cv2.cvtColor(render, cv2.COLOR_RGB2GRAY)
    record = examine(Photo.from_array(np.repeat(gray[..., None], 3, 2)), only=FACE_TRAITS, view=View.FACE)
    assert {t.trait for t in record.traits} == FACE_TRAITS
    for trait in record.traits:
        assert trait.not_measured is Reason.MONOCHROME, trait
        assert "color" in trait.detail


@pytest.mark.parametrize("part", ["lips", "left_eye", "right_eye"])
def test_what_the_frame_cuts_is_not_read(render: np.ndarray, part: str) -> None:
    """The face as located in the whole picture: the model may well place the rest outside of the frame."""
    (face,) = find_faces(Photo.from_array(render))
    middle = np.mean(getattr(face, part), axis=0).astype(int)
    cut = np.ascontiguousarray(render[: middle[1]] if part == "lips" else render[:, : middle[0]])
    shift = 0
    if part == "left_eye":  # keep the side of the other eye
        cut, shift = np.ascontiguousarray(render[:, middle[0] :]), int(middle[0])
    moved = _moved(face, shift)
    by_trait = {r.trait: r for r in measured(Photo.from_array(cut), moved)}
    if part == "lips":
        assert by_trait[Trait.LIP_PAINT].not_measured is Reason.NOT_IN_VIEW
    else:
        for trait in (Trait.EYELINER_COLOR, Trait.IRIS_COLOR):
            record = by_trait[trait]
            assert record.state is None or record.confidence < 0.9, record


@pytest.mark.parametrize("keep", [0.35, 0.55])
def test_a_face_cut_by_the_frame_is_not_read_as_another(render: np.ndarray, keep: float) -> None:
    """What the whole picture states may be lost, but must not turn into something else."""
    photo = Photo.from_array(render)
    (face,) = find_faces(photo)
    whole = {(r.trait, r.part): r for r in measured(photo, face)}
    x0, _, x1, _ = face.box
    cut = Photo.from_array(np.ascontiguousarray(render[:, : int(x0 + keep * (x1 - x0))]))
    for found in find_faces(cut):
        for record in measured(cut, found):
            before = whole.get((record.trait, record.part))
            if record.state is not None and before is not None and before.state is not None:
                assert record.state == before.state, record


def _moved(face: FacePlace, left: int) -> FacePlace:
    """The same place in a picture that lost ``left`` columns on its left."""
    import dataclasses

    def shift(polygon):
        return tuple((x - left, y) for x, y in polygon)

    names = ("left_eye", "right_eye", "lips", "inner_lips", "left_ear", "right_ear")
    return dataclasses.replace(
        face,
        box=(face.box[0] - left, face.box[1], face.box[2] - left, face.box[3]),
        landmarks=None if face.landmarks is None else face.landmarks - [left, 0],
        skin=tuple(shift(p) for p in face.skin),
        **{name: shift(getattr(face, name)) for name in names},
    )
