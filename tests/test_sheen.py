"""Sheen: narrow highlights, not brightness."""

from __future__ import annotations

import numpy as np
import pytest

from tests.drawn_face import Drawing, draw
from vision import sheen
from vision.calibration import Calibration
from vision.locate import face_model
from vision.locate.face import find_faces
from vision.locate.places import FacePlace
from vision.photo import Photo
from vision.traits import Region, TraitRecord

needs_model = pytest.mark.skipif(face_model.load() is None, reason="the face model is not installed")


def skin(highlight: float, width: float, shade: float = 0.3, exposure: float = 1.0) -> Photo:
    """A patch of skin under side light with five highlights, ``width`` of the patch wide (1 sigma)."""
    y, x = np.mgrid[0:300, 0:300] / 300 - 0.5
    light = np.array([0.42, 0.27, 0.2]) * (1 - shade * x)[..., None] * exposure
    spots = ((0, 0), (-0.3, -0.25), (0.3, -0.25), (-0.3, 0.25), (0.3, 0.25))
    lobes = [np.exp(-((x - u) ** 2 + (y - v) ** 2) / 2 / width**2) for u, v in spots]
    top = highlight * exposure * np.max(lobes, axis=0)[..., None]
    image = np.clip(light + top + np.random.default_rng(0).normal(0, 0.004, (300, 300, 3)), 0, 1)
    code = np.where(image <= 0.0031308, image * 12.92, 1.055 * image ** (1 / 2.4) - 0.055)
    return Photo.from_array(np.round(code * 255).astype(np.uint8))


WHOLE = Region.box(0, 0, 300, 300)


def read(photo: Photo) -> TraitRecord:
    return sheen.measure(photo, WHOLE, Calibration())


def test_crisp_highlights_read_as_greasier_than_soft_and_soft_as_none() -> None:
    greasy, soft, none = (
        read(skin(0.35, 0.03)).candidates["greasy"],
        read(skin(0.35, 0.3)).candidates["greasy"],
        read(skin(0.0, 0.1)).candidates["greasy"],
    )
    assert greasy > soft
    assert soft == pytest.approx(none, abs=0.1)


def test_exposure_and_side_light_do_not_make_grease() -> None:
    assert read(skin(0.0, 0.1, shade=0.9)).state != "greasy"
    assert read(skin(0.0, 0.1, exposure=1.6)).state != "greasy"
    bright, dark = read(skin(0.3, 0.03)), read(skin(0.3, 0.03, exposure=0.5))
    assert bright.candidates["greasy"] == pytest.approx(dark.candidates["greasy"], abs=0.15)


def test_a_broad_lobe_is_matte_however_strong_and_an_edge_is_grease() -> None:
    lobe, edge = read(skin(0.35, 0.16)), read(skin(0.6, 0.012))
    assert lobe.state == "matte"
    assert edge.state == "greasy"


def test_noise_is_no_grease() -> None:
    photo = skin(0.0, 0.1, exposure=0.3)
    noisy = photo.rgb + np.random.default_rng(1).normal(0, 12, photo.rgb.shape)
    assert read(Photo.from_array(np.clip(noisy, 0, 255).astype(np.uint8))).state != "greasy"


def test_red_that_leaves_the_range_makes_no_edge() -> None:
    assert read(skin(0.0, 0.1, shade=0.6, exposure=2.6)).state != "greasy"


def test_eyes_and_lips_in_a_region_of_skin_are_no_grease() -> None:
    photo = skin(0.0, 0.1)
    rgb = photo.rgb.copy()
    rgb[100:120, 100:140], rgb[150:160, 105:135] = 245, (230, 120, 120)
    there = FacePlace(
        box=(80, 80, 170, 180), confidence=0.9, left_eye=(), right_eye=(), lips=(), inner_lips=(),
        left_ear=(), right_ear=(), skin=(),
    )  # fmt: skip
    painted = Photo.from_array(rgb)
    assert sheen.measure(painted, WHOLE, Calibration(), (there,)).state == "matte"


def test_skin_of_which_little_could_be_parted_is_not_called_matte() -> None:
    rgb = skin(0.0, 0.1).rgb.copy()
    rgb[:, 120:] = (60, 110, 70)
    assert read(Photo.from_array(rgb)).state is None


def test_matte_is_never_near_certain() -> None:
    record = read(skin(0.0, 0.1))
    assert record.state == "matte"
    assert record.confidence < 0.9


def test_overexposed_skin_is_refused() -> None:
    assert read(skin(0.0, 0.1, exposure=4.5)).not_measured == "clipped"


def test_a_speck_of_skin_is_refused() -> None:
    assert sheen.measure(skin(0, 0.1), Region.box(10, 10, 25, 25), Calibration()).not_measured == "too_small"


@needs_model
@pytest.mark.parametrize(("blur_px", "state"), [(1.0, "matte"), (5.0, None)])
def test_a_blurred_face_is_not_called_matte(blur_px: float, state: str | None) -> None:
    """Blur takes the edge off grease."""
    drawn = draw(Drawing(width_px=240, blur_px=blur_px))
    (face,) = find_faces(drawn.photo)
    record = sheen.measure(drawn.photo, face, Calibration())
    assert record.state == state


@needs_model
def test_a_matte_face_is_not_greasy() -> None:
    drawn = draw(Drawing(width_px=240))
    (face,) = find_faces(drawn.photo)
    record = sheen.measure(drawn.photo, face, Calibration())
    assert record.state == "matte"
    assert 0 <= record.quantities["highlight_fraction"].value < 0.05
