"""Where lip paint is gone: each place is told from the others, and none is named on whole paint."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.drawn_face import Drawing, draw
from vision import lip_wear, lips
from vision.calibration import Calibration
from vision.locate import face_model
from vision.locate.face import find_faces
from vision.photo import Photo
from vision.traits import TraitRecord

PLACES = ("crown", "corners", "edge")


def mouth() -> tuple[np.ndarray, np.ndarray]:
    """A mouth of two ellipses and its upper half."""
    mask = np.zeros((120, 240), np.uint8)
    cv2.ellipse(mask, (120, 52), (90, 26), 0, 0, 360, 1, -1)
    cv2.ellipse(mask, (120, 66), (70, 34), 0, 0, 360, 1, -1)
    return mask.astype(bool), np.arange(120)[:, None] < np.full((1, 240), 58)


def read(drawn, rubbed: np.ndarray) -> TraitRecord:
    """The reading of a drawn face whose paint was taken off somewhere."""
    rgb = drawn.photo.rgb.astype(np.float32)
    soft = cv2.GaussianBlur(rubbed.astype(np.float32), (0, 0), 0.8)[..., None]
    ring = cv2.dilate(drawn.masks["lip_molded"].astype(np.uint8), np.ones((25, 25))).astype(bool)
    bare = np.median(
        rgb[ring & ~cv2.dilate(drawn.masks["lip_molded"].astype(np.uint8), np.ones((9, 9))).astype(bool)], 0
    )
    photo = Photo.from_array(np.clip(rgb * (1 - soft) + bare * soft, 0, 255).astype(np.uint8))
    (face,) = find_faces(photo)
    return lips.measure(photo, face, Calibration())


def test_places_are_apart_and_inside() -> None:
    lip, upper = mouth()
    found = lip_wear.places(lip, upper)
    assert set(found) == set(PLACES)
    assert np.sum(list(found.values()), axis=0).max() == 1
    assert all(mask.any() and not np.any(mask & ~lip) for mask in found.values())


@pytest.mark.parametrize("gone", PLACES)
def test_a_place_without_paint_is_the_one_named(gone: str) -> None:
    lip, upper = mouth()
    bare = lip_wear.places(lip, upper)[gone]
    numbers, flags = lip_wear.wear(lip & ~bare, lip, upper, lip, belt=2.0, u=0.03)
    assert flags == (f"rubbed_{gone}",)
    assert numbers[f"coverage_{gone}"].value == 0
    assert all(numbers[f"coverage_{name}"].value == 1 for name in PLACES if name != gone)


def test_whole_paint_and_hidden_places_name_nothing() -> None:
    lip, upper = mouth()
    crown = lip_wear.places(lip, upper)["crown"]
    assert lip_wear.wear(lip, lip, upper, lip, belt=2.0, u=0.03)[1] == ()
    numbers, flags = lip_wear.wear(lip & ~crown, lip, upper, lip & ~crown, belt=2.0, u=0.03)
    assert "coverage_crown" not in numbers  # under glare nobody knows
    assert flags == ()


def test_doubt_about_the_outline_makes_the_edge_unsure_before_the_crown() -> None:
    lip, upper = mouth()
    numbers, _ = lip_wear.wear(lip, lip, upper, lip, belt=6.0, u=0.03)
    assert numbers["coverage_edge"].u > 2 * numbers["coverage_crown"].u


@pytest.mark.skipif(face_model.load() is None, reason="the face model is not installed")
def test_a_kissed_crown_and_a_worn_corner_are_told_apart_in_a_picture() -> None:
    drawn = draw(Drawing(width_px=320, exposure=0.75))
    paint = drawn.masks["lip_paint"]
    rows, columns = (np.flatnonzero(paint.any(axis=k)) for k in (1, 0))
    y, x = np.mgrid[: paint.shape[0], : paint.shape[1]]
    low = rows[0] + 0.72 * len(rows)
    crown = paint & (
        ((x - columns.mean()) / (0.24 * len(columns))) ** 2 + ((y - low) / (0.2 * len(rows))) ** 2 < 1
    )
    corners = paint & (np.abs(x - columns.mean()) > 0.36 * len(columns))
    one, other = read(drawn, crown), read(drawn, corners)
    assert one.quantities["coverage_crown"].value < one.quantities["coverage_corners"].value
    assert other.quantities["coverage_corners"].value < other.quantities["coverage_crown"].value
