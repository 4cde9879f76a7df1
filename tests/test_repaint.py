"""Signs of renewed paint: seen where they were drawn, silent on sprayed and worn paint and in odd light."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.drawn_face import Drawing, Drawn, draw
from vision import eye_repaint, lip_repaint
from vision.calibration import Calibration
from vision.locate import face_model
from vision.locate.face import find_faces
from vision.photo import Photo
from vision.traits import TraitRecord

pytestmark = pytest.mark.skipif(face_model.load() is None, reason="the face model is not installed")


def look(rgb: np.ndarray) -> tuple[TraitRecord, TraitRecord]:
    photo = Photo.from_array(rgb)
    (face,) = find_faces(photo)
    return (
        lip_repaint.measure(photo, face, Calibration()),
        eye_repaint.measure(photo, face, Calibration()),
    )


def tinted(drawn: Drawn, where: np.ndarray, factors: tuple[float, float, float]) -> np.ndarray:
    """Another color of paint under the same light: codes scaled channel by channel, edges kept soft."""
    soft = cv2.GaussianBlur(where.astype(np.float32), (0, 0), 1.0)[..., None]
    rgb = drawn.photo.rgb.astype(np.float32)
    return np.clip(rgb * (1 - soft + soft * np.asarray(factors, np.float32)), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    "what",
    [
        Drawing(exposure=0.75),
        Drawing(exposure=0.75, lip_cover=0.6, liner="brown"),
        Drawing(exposure=0.6, neutral=(1.5, 1.0, 0.55), noise=0.02),
        Drawing(exposure=0.75, blur_px=2.0, liner="black", iris=None),
        Drawing(exposure=0.7, shade=0.8),
    ],
    ids=["plain", "worn", "warm and grainy", "soft", "one side in shade"],
)
def test_sprayed_paint_shows_no_signs(what: Drawing) -> None:
    for record in look(draw(what).photo.rgb):
        assert record.state != "present", record


def test_a_second_red_is_a_sign() -> None:
    drawn = draw(Drawing(exposure=0.7))
    paint = drawn.masks["lip_paint"]
    part = paint & (np.arange(paint.shape[1])[None] > np.nonzero(paint)[1].mean())
    record, _ = look(tinted(drawn, part, (1.0, 0.75, 1.9)))
    assert "second_red" in record.flags
    assert record.state == "present"
    assert record.region is not None
    assert "second_red" in record.region.names
    assert record.quantities["second_red"].value > lip_repaint.SECOND_RED


def test_shade_across_the_lips_is_no_second_red() -> None:
    drawn = draw(Drawing(exposure=0.8))
    paint = drawn.masks["lip_paint"]
    part = paint & (np.arange(paint.shape[1])[None] > np.nonzero(paint)[1].mean())
    record, _ = look(tinted(drawn, part, (0.6, 0.6, 0.6)))
    assert "second_red" not in record.flags


def test_a_brushed_edge_is_rougher_than_a_sprayed_one() -> None:
    drawn = draw(Drawing(exposure=0.7))
    red = np.median(drawn.photo.rgb[drawn.masks["lip_paint"]], axis=0)
    sprayed, _ = look(drawn.photo.rgb)
    rng, rgb = np.random.default_rng(3), drawn.photo.rgb.astype(np.float32)
    edge = cv2.morphologyEx(drawn.masks["lip_paint"].astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3)))
    strokes = np.zeros(edge.shape, np.float32)
    for y, x in np.argwhere(edge)[::9]:
        cv2.circle(strokes, (int(x), int(y)), int(rng.integers(1, 6)), 1.0, -1)
    soft = cv2.GaussianBlur(strokes, (0, 0), 0.8)[..., None]
    brushed, _ = look(np.clip(rgb * (1 - soft) + red * soft, 0, 255).astype(np.uint8))
    assert brushed.quantities["ragged_edge"].value > 2 * sprayed.quantities["ragged_edge"].value
    assert brushed.quantities["ragged_edge_chance"].value > sprayed.quantities["ragged_edge_chance"].value


def test_one_eye_touched_up_in_another_color_is_a_sign() -> None:
    drawn = draw(Drawing(exposure=0.75, liner_width=0.03))
    liner = drawn.masks["eyeliner"]
    left = liner & (np.arange(liner.shape[1])[None] < liner.shape[1] / 2)
    _, record = look(tinted(drawn, left, (2.4, 0.8, 0.45)))
    assert "liner_colors" in record.flags
    assert record.state == "present"


def moved_brow(drawn: Drawn, rise: int) -> np.ndarray:
    """The brow on the picture's left painted higher by ``rise`` pixels."""
    brow = drawn.masks["brow"] & (np.arange(drawn.masks["brow"].shape[1])[None] < drawn.photo.width / 2)
    wide = cv2.dilate(brow.astype(np.uint8), np.ones((7, 7), np.uint8)).astype(bool)
    rgb = cv2.inpaint(drawn.photo.rgb, wide.astype(np.uint8), 5, cv2.INPAINT_TELEA)
    ys, xs = np.nonzero(wide)
    rgb[ys - rise, xs] = drawn.photo.rgb[ys, xs]
    return rgb


def test_a_brow_painted_higher_than_the_other_is_a_sign() -> None:
    _, record = look(moved_brow(draw(Drawing(exposure=0.75)), 29))
    assert "brow_heights" in record.flags
    number = record.quantities["brow_heights"]
    assert number.value == pytest.approx(29 / 420, abs=3 * number.u)


@pytest.mark.parametrize("roll", [-14.0, 14.0])
def test_a_tilted_head_has_even_brows(roll: float) -> None:
    _, record = look(draw(Drawing(exposure=0.75, roll_deg=roll)).photo.rgb)
    assert record.quantities["brow_heights_chance"].value < 0.2


def test_brows_of_which_one_lies_under_hair_are_not_compared() -> None:
    drawn = draw(Drawing(exposure=0.75))
    ys, xs = np.nonzero(drawn.masks["brow"][:, : drawn.photo.width // 2])
    rgb = drawn.photo.rgb.copy()
    rgb[: ys.max() + 8, xs.min() - 30 : xs.max() + 10] = np.median(rgb[drawn.masks["hair"]], axis=0) * 0.6
    _, record = look(rgb)
    assert "brow_heights" not in record.quantities


def test_a_small_face_says_nothing_of_signs() -> None:
    for record in look(draw(Drawing(width_px=110)).photo.rgb):
        assert record.state is None


def test_each_chance_belongs_to_a_number_and_is_a_probability() -> None:
    for record in look(draw(Drawing(exposure=0.75)).photo.rgb):
        chances = {k: q for k, q in record.quantities.items() if k.endswith("_chance")}
        assert chances
        for name, chance in chances.items():
            assert 0 <= chance.value <= 1
            assert record.quantities[name.removesuffix("_chance")].u > 0
