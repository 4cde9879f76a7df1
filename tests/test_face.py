"""Faces are found at any turn and size, each head once; what is no doll yields no doll finding."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tests.bench.reach import ROOT
from tests.drawn_face import Drawing, draw
from tests.small_pictures import laid_in
from vision import eyeliner, iris, lips
from vision.calibration import Calibration
from vision.face_reading import is_monochrome, read_face
from vision.face_view import face_view
from vision.locate import face_model
from vision.locate.face import find_faces
from vision.photo import Photo, load

REAL = Path(__file__).resolve().parents[2] / "shared" / "real"
NO_DOLLS = sorted((*REAL.glob("face/*"), *REAL.glob("figure/*"))) if REAL.exists() else []

needs_model = pytest.mark.skipif(face_model.load() is None, reason="the face model is not installed")


def center(polygon: tuple[tuple[float, float], ...]) -> np.ndarray:
    return np.mean(polygon, axis=0)


def mask_center(mask: np.ndarray) -> np.ndarray:
    ys, xs = np.nonzero(mask)
    return np.array([xs.mean(), ys.mean()])


@needs_model
@pytest.mark.parametrize("roll", [0, 25, 90, 180, -90])
def test_a_face_is_found_at_any_turn(roll: float) -> None:
    drawn = draw(Drawing(width_px=160, roll_deg=roll))
    (face,) = find_faces(drawn.photo)
    assert abs((face.roll_deg - roll + 180) % 360 - 180) < 8
    # The lips lie on the lips, not on the forehead.
    off = np.linalg.norm(center(face.lips) - mask_center(drawn.masks["lip_molded"]))
    assert off < 0.1 * 160


@needs_model
@pytest.mark.parametrize("width", [62, 120, 400])
def test_size_does_not_matter(width: float) -> None:
    (face,) = find_faces(draw(Drawing(width_px=width)).photo)
    assert face.width == pytest.approx(width, rel=0.2)
    assert face.landmarks is not None
    assert face.landmarks.shape == (468, 2)


@needs_model
def test_left_and_right_are_the_image_s() -> None:
    (face,) = find_faces(draw(Drawing(width_px=160)).photo)
    assert center(face.left_eye)[0] < center(face.right_eye)[0]
    (turned,) = find_faces(draw(Drawing(width_px=160, roll_deg=180)).photo)
    # After turning the head upright, so upside down the order in the image is the other way round.
    assert center(turned.left_eye)[0] > center(turned.right_eye)[0]


@needs_model
def test_each_head_of_a_crowd_is_found_once() -> None:
    one = draw(Drawing(width_px=62)).photo.rgb
    other = draw(Drawing(width_px=62, lips=None, liner="brown", colors={"hair": (30, 6, 10)})).photo.rgb
    row = np.hstack([one, other, one, other])
    faces = find_faces(Photo.from_array(np.vstack([row, row[:, ::-1].copy(), row])))
    assert len(faces) == 12
    assert [face.part for face in faces] == [f"head_{i}" for i in range(1, 13)]
    ys = [face.box[1] for face in faces]
    assert max(ys[:4]) < min(ys[4:8]) < min(ys[8:])


@needs_model
@pytest.mark.parametrize("turn", range(4))
def test_a_small_head_is_found_at_any_turn(turn: int) -> None:
    """Detectors look at a picture at 192 px: of this head nine would be left."""
    picture = load((ROOT / "photos/face_07.jpg").read_bytes()).rgb
    (whole,) = find_faces(Photo.from_array(picture))
    photo, (x, y) = laid_in(picture, 70 / whole.width, turn)
    (face,) = find_faces(photo)
    assert face.width == pytest.approx(70, rel=0.15)
    assert abs((face.roll_deg - whole.roll_deg + 90 * turn + 180) % 360 - 180) < 15
    height, width = (round(side * 70 / whole.width) for side in picture.shape[:2])
    seen = np.array(center(whole.lips)) * 70 / whole.width
    for _ in range(turn):  # a quarter turn against the clock takes (x, y) to (y, width - x)
        seen, (height, width) = np.array([seen[1], width - seen[0]]), (width, height)
    assert np.linalg.norm(center(face.lips) - seen - [x, y]) < 8


@needs_model
def test_a_face_with_a_lock_across_is_found() -> None:
    """The mesh is sure of it in some crops and not in others; the first one must not decide."""
    name = "second/photos/face_06.jpg"
    (face,) = find_faces(load((ROOT / name).read_bytes(), name))
    truth = json.loads((ROOT / "second/truth/photos/face_06.json").read_text(encoding="utf-8"))
    left, right, mouth = (center(truth["places"][part]) for part in ("left_eye", "right_eye", "lips"))
    span = np.linalg.norm(right - left)
    assert np.linalg.norm(center(face.right_eye) - right) < 0.2 * span
    assert np.linalg.norm(center(face.left_eye) - left) < 0.2 * span
    assert np.linalg.norm(center(face.lips) - mouth) < 0.2 * span


@needs_model
@pytest.mark.parametrize("name", ["second/photos/soles_19.jpg", "photos/soles_05.jpg"])
def test_looking_harder_finds_no_face_in_soles(name: str) -> None:
    """Toes and dents pass for a face in some crop and turn, but with less support than is asked for."""
    assert find_faces(load((ROOT / name).read_bytes(), name)) == []


@needs_model
def test_nothing_is_found_in_an_empty_picture() -> None:
    noise = np.random.default_rng(0).integers(0, 255, (300, 400, 3)).astype(np.uint8)
    assert find_faces(Photo.from_array(noise)) == []
    assert find_faces(Photo.from_array(np.full((40, 30, 3), 128, np.uint8))) == []


@needs_model
def test_a_face_cut_by_the_frame_is_flagged() -> None:
    photo = draw(Drawing(width_px=200)).photo
    left = int(photo.width * 0.42)
    faces = find_faces(Photo.from_array(photo.rgb[:, left:].copy()))
    assert all("cut_by_frame" in face.flags for face in faces)


@needs_model
def test_the_view_is_upright_and_maps_back() -> None:
    drawn = draw(Drawing(width_px=160, roll_deg=90))
    (face,) = find_faces(drawn.photo)
    view = face_view(drawn.photo, face)
    left, right = view.points([center(face.left_eye)])[0], view.points([center(face.right_eye)])[0]
    assert right[0] - left[0] > 5 * abs(right[1] - left[1])
    mask = view.mask(face.lips)
    region = view.region(mask)
    assert np.allclose(center(region.polygons[0]), center(face.lips), atol=6)
    assert view.original_pixels(mask) == pytest.approx(np.count_nonzero(mask) / view.scale**2, abs=1)


@needs_model
def test_a_painted_face_is_a_doll_s_and_a_gray_one_has_no_color() -> None:
    drawn = draw(Drawing(width_px=200))
    (face,) = find_faces(drawn.photo)
    assert read_face(drawn.photo, face).likeness.probability > 0.8
    gray = np.repeat(drawn.photo.rgb.mean(axis=2).astype(np.uint8)[..., None], 3, axis=2)
    photo = Photo.from_array(gray)
    assert is_monochrome(face_view(photo, face))
    assert eyeliner.measure(photo, face, Calibration()).not_measured == "monochrome"
    sepia = np.clip(gray * np.array([1.0, 0.85, 0.62]), 0, 255).astype(np.uint8)
    assert is_monochrome(face_view(Photo.from_array(sepia), face))
    assert not is_monochrome(face_view(drawn.photo, face))


def test_without_the_model_a_clear_face_is_still_guessed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(face_model, "load", lambda: None)
    drawn = draw(Drawing(width_px=200))
    faces = find_faces(drawn.photo)
    assert faces
    assert all("fallback" in face.flags and face.confidence <= 0.5 for face in faces)
    best = max(faces, key=lambda face: face.confidence)
    assert np.linalg.norm(center(best.lips) - mask_center(drawn.masks["lip_molded"])) < 0.15 * 200
    record = eyeliner.measure(drawn.photo, best, Calibration())
    assert record.confidence < 0.9


@pytest.mark.private
@needs_model
@pytest.mark.parametrize("path", NO_DOLLS or [None], ids=lambda p: "absent" if p is None else p.stem)
def test_people_and_plaster_are_no_dolls(path: Path | None) -> None:
    if path is None:
        pytest.skip("the private photographs are not here")
    photo = load(path.read_bytes(), path.name)
    for face in find_faces(photo):
        for measure in (eyeliner.measure, iris.measure, lips.measure):
            record = measure(photo, face, Calibration())
            assert record.state is None or record.confidence < 0.6


@needs_model
def test_a_real_face_is_found_and_is_no_doll() -> None:
    data = pytest.importorskip("skimage.data")
    photo = Photo.from_array(np.ascontiguousarray(data.astronaut()))
    (face,) = find_faces(photo)
    # Read off the enlarged picture by eye.
    assert np.linalg.norm(center(face.lips) - np.array([224, 146])) < 7
    assert np.linalg.norm(center(face.left_eye) - np.array([203, 101])) < 6
    assert np.linalg.norm(center(face.right_eye) - np.array([247, 104])) < 6
    assert read_face(photo, face).likeness.probability < 0.25
    assert iris.measure(photo, face, Calibration()).state is None
