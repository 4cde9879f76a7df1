"""Ear stains: green on skin, enclosed by it, against the skin's own color."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.drawn_face import Drawing, draw, lab_to_linear
from vision import ear_stain
from vision.calibration import Calibration
from vision.locate import face_model
from vision.locate.face import find_faces
from vision.photo import Photo
from vision.traits import TraitRecord

pytestmark = pytest.mark.skipif(face_model.load() is None, reason="the face model is not installed")


def read(what: Drawing) -> dict[str | None, TraitRecord]:
    drawn = draw(what)
    (face,) = find_faces(drawn.photo)
    return {r.part: r for r in ear_stain.measure(drawn.photo, face, Calibration())}


@pytest.mark.parametrize(
    "light", [(1, 1, 1), (1.5, 1, 0.5), (0.85, 1, 1.25)], ids=["neutral", "warm", "cool"]
)
def test_a_stain_is_found_at_its_ear_and_only_there(light: tuple[float, float, float]) -> None:
    records = read(Drawing(ear_stain=True, neutral=light, exposure=0.7, width_px=280))
    assert records["right_ear"].state == "green"
    assert records["left_ear"].state != "green"
    truth = draw(Drawing(ear_stain=True, width_px=280)).masks["ear_stain"].sum()
    area = records["right_ear"].quantities["area_px"]
    assert area.value == pytest.approx(truth, abs=max(3 * area.u, 0.4 * truth))


def test_an_ear_is_named_by_the_photo_s_left_and_right() -> None:
    """On a head upside down the places' left ear, named on the upright head, lies on the photo's right."""
    drawn = draw(Drawing(ear_stain=True, exposure=0.7, width_px=280))
    (face,) = find_faces(drawn.photo)
    other = replace(face, left_ear=face.right_ear, right_ear=face.left_ear)
    records = {r.part: r for r in ear_stain.measure(drawn.photo, other, Calibration())}
    assert records["right_ear"].state == "green"
    alone = ear_stain.measure(
        drawn.photo, replace(face, left_ear=face.right_ear, right_ear=()), Calibration()
    )
    assert [r.part for r in alone] == ["right_ear"]


def test_green_that_is_found_all_over_the_picture_is_no_stain() -> None:
    drawn = draw(Drawing(ear_stain=True, exposure=0.7, width_px=280))
    (face,) = find_faces(drawn.photo)
    rgb = drawn.photo.rgb.copy()
    rgb[: rgb.shape[0] // 5] = np.median(rgb[drawn.masks["ear_stain"]], axis=0)
    records = {r.part: r for r in ear_stain.measure(Photo.from_array(rgb), face, Calibration())}
    assert records["right_ear"].state != "green"


@pytest.mark.parametrize("hair", [(62, 8, 34), (25, 6, 10), (45, -20, 10), (50, -28, 22)])
def test_hair_and_green_surroundings_are_no_stain(hair: tuple[float, float, float]) -> None:
    records = read(Drawing(width_px=280, colors={"hair": hair}))
    assert all(record.state != "green" for record in records.values())


def test_shadow_is_no_stain() -> None:
    records = read(Drawing(width_px=280, shade=1.0))
    assert all(record.state != "green" for record in records.values())


def test_a_green_cast_is_no_stain() -> None:
    records = read(Drawing(width_px=280, neutral=(0.8, 1.15, 0.75), exposure=0.7))
    assert all(record.state != "green" for record in records.values())


def test_a_covered_ear_is_not_called_clean() -> None:
    drawn = draw(Drawing(width_px=280))
    (face,) = find_faces(drawn.photo)
    rgb = drawn.photo.rgb.copy()
    hair = (255 * lab_to_linear((25, 6, 10)) ** (1 / 2.2)).astype(np.uint8)
    x = np.mean(face.left_ear, axis=0)[0]
    rgb[:, : int(x + 0.12 * 280)] = hair
    records = {r.part: r for r in ear_stain.measure(Photo.from_array(rgb), face, Calibration())}
    left = records["left_ear"]
    assert left.state is None or left.confidence < 0.75


def test_certainty_of_a_clean_ear_grows_with_the_picture() -> None:
    small, large = read(Drawing(width_px=120))["left_ear"], read(Drawing(width_px=400))["left_ear"]
    assert small.candidates["none"] < large.candidates["none"]


def test_green_on_the_face_itself_is_no_stain() -> None:
    """A turned head brings its far iris, or a cheek that mirrors green cloth, to where the ear may be."""
    drawn = draw(Drawing(exposure=0.7, width_px=280))
    (face,) = find_faces(drawn.photo)
    x, y = np.mean(face.skin[2], axis=0)
    rgb = drawn.photo.rgb.copy()
    cv2.circle(rgb, (round(x), round(y)), 14, (90, 128, 96), -1, cv2.LINE_AA)
    window = ((x - 60, y - 60), (x + 60, y - 60), (x + 60, y + 60), (x - 60, y + 60))
    turned = replace(face, left_ear=(), right_ear=window)
    (record,) = ear_stain.measure(Photo.from_array(rgb), turned, Calibration())
    assert record.state != "green"


@pytest.mark.parametrize("stained", [True, False])
def test_a_stain_is_told_from_the_green_cloth_that_it_touches(stained: bool) -> None:
    drawn = draw(Drawing(ear_stain=True, exposure=0.7, width_px=280))
    (face,) = find_faces(drawn.photo)
    rgb = drawn.photo.rgb.copy()
    if not stained:
        rgb = draw(Drawing(exposure=0.7, width_px=280)).photo.rgb.copy()
    # Cloth that covers the outer fifth of the stain.
    at = round(np.quantile(np.nonzero(drawn.masks["ear_stain"])[1], 0.8))
    rgb[:, at:] = (20, 70, 60)
    records = {r.part: r for r in ear_stain.measure(Photo.from_array(rgb), face, Calibration())}
    assert (records["right_ear"].state == "green") == stained


def test_a_stain_that_runs_into_greenish_hair_is_found() -> None:
    """A lock of ash hair beside the lobe is a little greener than skin, and goes on beyond the ear."""
    drawn = draw(Drawing(ear_stain=True, exposure=0.7, width_px=280))
    (face,) = find_faces(drawn.photo)
    rgb = drawn.photo.rgb.copy()
    ys, xs = np.nonzero(drawn.masks["ear_stain"])
    ash = tuple(int(v) for v in 255 * (0.6 * lab_to_linear((64, 4, 18))) ** (1 / 2.2))
    cv2.rectangle(rgb, (int(xs.max()) - 6, int(ys.mean())), (int(xs.max()) + 12, rgb.shape[0]), ash, -1)
    records = {r.part: r for r in ear_stain.measure(Photo.from_array(rgb), face, Calibration())}
    assert records["right_ear"].state == "green"


def test_light_that_cloth_throws_on_the_jaw_is_no_stain() -> None:
    drawn = draw(Drawing(exposure=0.7, width_px=280))
    (face,) = find_faces(drawn.photo)
    rgb = drawn.photo.rgb.astype(np.float64)
    y, x = np.mgrid[0 : rgb.shape[0], 0 : rgb.shape[1]]
    bottom = max(v for _, v in face.right_ear)
    right = np.quantile([u for u, _ in face.right_ear], 0.4)
    lit = np.exp(-(((x - right) / 12) ** 2 + ((y - bottom) / 40) ** 2))[..., None]
    rgb = rgb * (1 - lit * np.array([0.45, 0.05, 0.2]))
    records = ear_stain.measure(Photo.from_array(rgb.astype(np.uint8)), face, Calibration())
    assert all(record.state != "green" for record in records)


def test_an_ear_turned_away_is_less_surely_clean() -> None:
    """Its lobe shows an edge only, and a stain there would not be seen."""
    drawn = draw(Drawing(exposure=0.7, width_px=280))
    (face,) = find_faces(drawn.photo)
    sure = []
    for yaw in (0.0, 10.0, 18.0):
        records = ear_stain.measure(drawn.photo, replace(face, yaw_deg=-yaw), Calibration())
        sure.append({r.part: r for r in records}["left_ear"].candidates["none"])
    assert sure[0] > sure[1] > sure[2]
    assert sure[2] < 0.6


@pytest.mark.parametrize("blur_px", [0.8, 6.0])
def test_a_blurred_ear_is_not_called_clean(blur_px: float) -> None:
    record = read(Drawing(exposure=0.7, width_px=280, blur_px=blur_px)).get("left_ear")
    assert (record is not None and record.state == "none") == (blur_px < 2)


def test_a_gray_patch_on_tan_skin_is_neither_stain_nor_clean() -> None:
    """On tan vinyl copper green turns gray: no proof of a stain, and no clean ear."""
    colors = {"skin": (58.0, 24.0, 34.0), "stain": (46.0, -1.0, 8.0)}
    record = read(Drawing(ear_stain=True, width_px=280, colors=colors))["right_ear"]
    assert record.state != "none"


def test_a_stain_of_the_color_of_the_cloth_behind_is_not_called_clean() -> None:
    drawn = draw(Drawing(ear_stain=True, exposure=0.7, width_px=280))
    (face,) = find_faces(drawn.photo)
    rgb = drawn.photo.rgb.copy()
    rgb[: rgb.shape[0] // 5] = np.median(rgb[drawn.masks["ear_stain"]], axis=0)
    records = {r.part: r for r in ear_stain.measure(Photo.from_array(rgb), face, Calibration())}
    assert records["right_ear"].state is None
