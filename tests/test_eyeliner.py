"""The liner's color: its own pixels, under any light, and silence where the picture cannot tell."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest

from tests.drawn_face import PAINT, Drawing, draw
from vision import eyeliner
from vision.calibration import Calibration
from vision.eye_paint import lay_strip
from vision.face_reading import read_face
from vision.locate import face_model
from vision.locate.face import find_faces
from vision.photo import Photo
from vision.traits import TraitRecord

pytestmark = pytest.mark.skipif(face_model.load() is None, reason="the face model is not installed")

WARM, COOL = (1.5, 1.0, 0.5), (0.8, 1.0, 1.35)


def read(what: Drawing, cal: Calibration | None = None) -> TraitRecord:
    drawn = draw(what)
    faces = find_faces(drawn.photo)
    assert len(faces) == 1
    return eyeliner.measure(drawn.photo, faces[0], cal or Calibration())


@pytest.mark.parametrize("neutral", [(1.0, 1.0, 1.0), WARM, COOL], ids=["neutral", "warm", "cool"])
@pytest.mark.parametrize("liner", ["blue", "brown"])
def test_hue_survives_the_light(liner: str, neutral: tuple[float, float, float]) -> None:
    record = read(Drawing(liner=liner, liner_width=0.03, neutral=neutral, exposure=0.7, width_px=260))
    assert record.state == liner
    true_hue = np.degrees(np.arctan2(PAINT[liner][2], PAINT[liner][1])) % 360
    hue = record.quantities["hue_deg"]
    assert abs((hue.value - true_hue + 180) % 360 - 180) < max(3 * hue.u, 12)


def test_black_paint_is_black() -> None:
    record = read(Drawing(liner="black", liner_width=0.03, width_px=260))
    assert record.state == "black"
    assert record.quantities["chroma"].value < 10


def test_a_thin_lash_line_is_never_called_brown() -> None:
    """The dealer's trap: black over skin, blurred, looks brown, and brown means another release."""
    for width, blur in ((80, 1.2), (120, 1.5), (200, 2.0)):
        record = read(Drawing(liner=None, width_px=width, blur_px=blur))
        assert record.state != "brown"
        assert record.candidates.get("brown", 0) < 0.6


def test_shadow_and_brow_are_no_liner() -> None:
    record = read(Drawing(liner=None, shade=0.9, width_px=260, colors={"brow": (45, 2, -34)}))
    assert record.state in (None, "none", "black")
    assert record.candidates.get("blue", 0) < 0.2


def test_iris_color_does_not_leak_into_the_liner() -> None:
    record = read(Drawing(liner="brown", liner_width=0.03, iris="blue", width_px=260, blur_px=1.2))
    assert record.state == "brown"


def test_uncertainty_grows_as_the_picture_shrinks() -> None:
    large = read(Drawing(liner="brown", liner_width=0.025, width_px=300))
    small = read(Drawing(liner="brown", liner_width=0.025, width_px=90, blur_px=1.2))
    assert small.candidates["brown"] < large.candidates["brown"]
    assert small.quantities["lab_L"].u > large.quantities["lab_L"].u


def test_a_weak_reference_of_the_photo_does_not_overrule_the_eye_white() -> None:
    wrong = Calibration(method="scene", neutral_rgb=(0.6, 1.0, 1.7), u_delta_e=8.0)
    assert read(Drawing(liner="blue", neutral=WARM, exposure=0.7, width_px=260), wrong).state == "blue"


def test_the_record_names_its_pixels() -> None:
    record = read(Drawing(liner="blue", width_px=260))
    assert record.region is not None
    x0, y0, x1, _ = record.region.bounds
    truth = draw(Drawing(liner="blue", width_px=260)).masks["eyeliner"]
    ys, xs = np.nonzero(truth)
    assert abs(x0 - xs.min()) < 25
    assert abs(x1 - xs.max()) < 25
    assert abs(y0 - ys.min()) < 15
    assert 0.3 * truth.sum() < record.n_pixels < 3 * truth.sum()


def test_one_touched_up_eye_is_flagged() -> None:
    plain = draw(Drawing(liner="blue", liner_width=0.03, width_px=260))
    brown = draw(Drawing(liner="brown", liner_width=0.03, width_px=260))
    rgb = plain.photo.rgb.copy()
    middle = rgb.shape[1] // 2
    rgb[:, middle:] = brown.photo.rgb[:, middle:]
    photo = type(plain.photo).from_array(rgb)
    (face,) = find_faces(photo)
    record = eyeliner.measure(photo, face, Calibration())
    assert "eyes_disagree" in record.flags
    assert record.confidence < 0.9


def test_too_small_a_face_is_refused() -> None:
    drawn = draw(Drawing(width_px=120))
    (face,) = find_faces(drawn.photo)
    x0, y0, _, _ = face.box
    tiny = dataclasses.replace(face, box=(x0, y0, x0 + 40, y0 + 50))
    assert eyeliner.measure(drawn.photo, tiny, Calibration()).not_measured == "too_small"


def test_on_fair_skin_a_blue_liner_is_no_part_of_the_white() -> None:
    """Fair vinyl is nearly white: a pale blue liner is farther from it than the eye's white is."""
    colors = {"skin": (86.0, 4.0, 4.0), "blue": (72.0, -6.0, -18.0)}
    record = read(Drawing(liner="blue", width_px=300, shade=0.3, colors=colors))
    assert record.state == "blue"


def test_shade_beside_the_nose_is_no_liner() -> None:
    """The hollow between eye and nose is warm and dark: it must not turn a black liner brown."""
    drawn = draw(Drawing(liner="black", liner_width=0.024, width_px=300))
    (face,) = find_faces(drawn.photo)
    rgb = drawn.photo.rgb.astype(float)
    y, x = np.mgrid[: rgb.shape[0], : rgb.shape[1]]
    for eye, side in ((face.left_eye, max), (face.right_eye, min)):
        at = side(eye, key=lambda p: p[0])
        near = np.exp(-(((x - at[0]) / 14) ** 2 + ((y - at[1] + 10) / 18) ** 2))
        rgb *= 1 - 0.62 * near[..., None] * np.array([0.8, 1.0, 1.1])
    record = eyeliner.measure(Photo.from_array(np.clip(rgb, 0, 255).astype(np.uint8)), face, Calibration())
    assert record.state in (None, "black")
    assert record.candidates["brown"] < 0.3


def test_what_has_white_above_it_is_no_liner() -> None:
    """Of a large eye the glint in the iris may be taken for the white: the band above it is iris."""
    drawn = draw(Drawing(liner="brown", liner_width=0.03, iris=None, width_px=300))
    (face,) = find_faces(drawn.photo)
    assert eyeliner.measure(drawn.photo, face, Calibration()).state == "brown"
    liner = drawn.masks["eyeliner"].astype(np.uint8)
    over = cv2.dilate(liner, np.ones((17, 1), np.uint8), anchor=(0, 0)).astype(bool)
    over &= np.cumsum(liner[::-1], axis=0)[::-1] > 0
    rgb = drawn.photo.rgb.copy()
    rgb[over & (liner == 0)] = np.median(rgb[drawn.masks["eye_white"]], axis=0)
    record = eyeliner.measure(Photo.from_array(rgb), face, Calibration())
    assert record.state is None


def test_paint_as_light_as_skin_is_found_and_turquoise_is_not_called_blue() -> None:
    """Turquoise and teal (h 180–217°) lie outside of blue (ISCC-NBS names: 225–305°, NBS SP 440, 1976)."""
    colors = {"blue": (62.0, -32.0, -13.0), "skin": (64.0, 15.0, 24.0)}  # "blue" as drawn is turquoise here
    record = read(Drawing(liner="blue", liner_width=0.03, width_px=260, colors=colors))
    assert record.state == "other"
    truth = draw(Drawing(liner="blue", liner_width=0.03, width_px=260, colors=colors)).masks["eyeliner"]
    assert record.n_pixels > 0.6 * truth.sum()


def test_shade_on_the_white_does_not_bring_the_iris_into_the_band() -> None:
    """A shadow's edge across both eyes ends the bright white halfway: above it lies the eye, not the lid."""
    drawn = draw(Drawing(liner="brown", liner_width=0.03, iris="blue", width_px=300))
    (face,) = find_faces(drawn.photo)
    ys, _ = np.nonzero(drawn.masks["eye_white"])
    rgb = drawn.photo.rgb.astype(float)
    edge = 0.45 * ys.min() + 0.55 * ys.max()
    rgb *= np.where(np.arange(len(rgb)) < edge, 0.62, 1.0)[:, None, None]
    record = eyeliner.measure(Photo.from_array(rgb.astype(np.uint8)), face, Calibration())
    assert record.state in (None, "brown")
    assert record.candidates["blue"] < 0.2


def test_gloss_on_black_paint_does_not_make_it_gray() -> None:
    drawn = draw(Drawing(liner="black", liner_width=0.03, width_px=300))
    (face,) = find_faces(drawn.photo)
    dull = eyeliner.measure(drawn.photo, face, Calibration())
    rgb = drawn.photo.rgb.astype(float)
    x = np.arange(rgb.shape[1])
    for eye in (face.left_eye, face.right_eye):
        middle = np.mean([p[0] for p in eye])
        shine = 90 * (np.abs(x - middle) < 0.04 * 300)
        rgb += shine[None, :, None] * drawn.masks["eyeliner"][..., None]
    record = eyeliner.measure(Photo.from_array(np.clip(rgb, 0, 255).astype(np.uint8)), face, Calibration())
    assert record.state == "black"
    assert record.quantities["lab_L"].value < dull.quantities["lab_L"].value + 6


def test_hair_that_touches_the_band_does_not_widen_it() -> None:
    """Dark hair over a lid joins a lash line: its width is read where its own upper end is seen."""
    bare = draw(Drawing(liner="black", liner_width=0.012, width_px=300))
    (face,) = find_faces(bare.photo)
    liner = bare.masks["eyeliner"].astype(np.uint8)
    over = cv2.dilate(liner, np.ones((13, 1), np.uint8), anchor=(0, 0)).astype(bool)
    half = np.zeros_like(over)
    for eye in (face.left_eye, face.right_eye):
        left, middle = min(p[0] for p in eye), np.mean([p[0] for p in eye])
        half[:, int(left) - 20 : int(middle)] = True
    rgb = bare.photo.rgb.copy()
    rgb[over & half] = np.median(rgb[bare.masks["eyeliner"]], axis=0).astype(np.uint8)
    widths = []
    for photo in (bare.photo, Photo.from_array(rgb)):
        reading = read_face(photo, face)
        # What a network would see.
        seen = cv2.dilate(bare.masks["eyeliner"].astype(np.float32), np.ones((5, 5), np.uint8))
        laid = cv2.warpAffine(seen, reading.view.to_view, reading.view.rgb.shape[1::-1])
        assert reading.skin is not None
        bands = [
            eyeliner.find_band(
                reading.view, lay_strip(reading.view, reading.skin, eye), eye, Calibration(), laid
            )
            for eye in reading.eyes
        ]
        widths.append([band.width for band in bands])
    assert np.allclose(widths[0], widths[1], rtol=0.2)
    assert all(band.bounded < 0.75 for band in bands)
