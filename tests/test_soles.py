"""Soles are found in drawings of soles, and not where there are none."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from sample_images.drawn_soles import Scene, Spot, draw, outline, pair
from vision.locate import blobs
from vision.locate.soles import Hole, find_soles, grow, refine
from vision.photo import Photo


def _overlap(place, truth, shape) -> float:
    a, b = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
    cv2.fillPoly(a, [np.round(np.array(place.outline)).astype(np.int32)], 1)
    cv2.fillPoly(b, [np.round(truth).astype(np.int32)], 1)
    return float((a & b).sum() / (a | b).sum())


@pytest.mark.parametrize(
    ("background", "white"),
    [
        ((0.25, 0.3, 0.38), (1, 1, 1)),
        ((0.75, 0.74, 0.7), (1.2, 1, 0.75)),
        ((0.05, 0.05, 0.06), (0.9, 1, 1.2)),
    ],
)
def test_both_soles_are_found_left_first_and_outlined(background, white):
    lines = pair()
    rgb = draw(lines, (700, 800), Scene(background=background, white=white))
    places = find_soles(Photo.from_array(rgb))
    assert [p.part for p in places] == ["left_foot", "right_foot"]
    for place, line in zip(places, lines, strict=True):
        assert place.confidence > 0.6
        assert _overlap(place, line, rgb.shape[:2]) > 0.8


def test_places_scale_with_the_picture():
    lines = [line * 3 for line in pair()]
    rgb = draw(lines, (2100, 2400), Scene())
    places = find_soles(Photo.from_array(rgb))
    assert len(places) == 2
    assert _overlap(places[0], lines[0], rgb.shape[:2]) > 0.8


def test_one_foot_is_told_from_two():
    rgb = draw([outline((420, 400), 500, 0.1)], (700, 800), Scene())
    places = find_soles(Photo.from_array(rgb))
    assert len(places) == 1
    assert places[0].part == "right_foot"
    assert "alone" in places[0].flags


def test_a_foot_that_leaves_the_picture_is_flagged():
    rgb = draw([outline((330, 760), 520, 0.0)], (700, 800), Scene())
    for place in find_soles(Photo.from_array(rgb)):
        assert "cut_off" in place.flags


@pytest.mark.parametrize("kind", ["blank", "noise", "wood", "checks", "disc"])
def test_no_soles_where_there_are_none(kind):
    rng = np.random.default_rng(3)
    rgb = np.full((600, 800, 3), (150, 120, 95), np.uint8)
    if kind == "noise":
        rgb = rng.integers(0, 255, rgb.shape, dtype=np.uint8)
    elif kind == "wood":
        grain = cv2.resize(rng.normal(0, 18, (600, 4)).astype(np.float32), (800, 600)).T
        rgb = np.clip(rgb + cv2.resize(grain, (800, 600))[..., None], 0, 255).astype(np.uint8)
    elif kind == "checks":
        tiles = rng.integers(20, 235, (4, 6, 3), dtype=np.uint8)
        rgb = cv2.resize(tiles, (800, 600), interpolation=cv2.INTER_NEAREST)
    elif kind == "disc":
        cv2.circle(rgb, (400, 300), 240, (200, 170, 60), -1)
    assert all(p.confidence < 0.5 for p in find_soles(Photo.from_array(rgb)))


def _filled(line: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(line).astype(np.int32)], 1)
    return mask > 0


def test_a_hole_shows_the_foot_where_white_balance_leaves_no_skin_color():
    lines = pair()
    holes = [Spot("open", tuple(line.mean(0)), 26, depth=4) for line in lines]
    scene = Scene(white=(0.75, 1.0, 2.2), background=(0.3, 0.3, 0.3))
    bare = find_soles(Photo.from_array(draw(lines, (700, 800), scene)))
    rgb = draw(lines, (700, 800), Scene(white=scene.white, background=scene.background, spots=tuple(holes)))
    places = find_soles(Photo.from_array(rgb))
    assert len(places) == 2
    assert min(_overlap(p, line, rgb.shape[:2]) for p, line in zip(places, lines, strict=True)) > 0.8
    assert places[0].confidence > max((p.confidence for p in bare), default=0.0)


def test_the_foot_around_a_hole_is_followed_to_its_edge():
    line = outline((350, 400), 560, 0.2)
    center = line.mean(0)
    rgb = draw([line], (700, 800), Scene(spots=(Spot("open", tuple(center), 30, depth=4),)))
    scene = blobs.scene_of(Photo.from_array(rgb))
    found = grow(scene, Hole(*(center * scene.scale), 30 * scene.scale, 0.9))
    truth = _filled(line * scene.scale, scene.shape)
    assert found is not None
    assert (found.mask & truth).sum() / (found.mask | truth).sum() > 0.85


def test_a_rough_region_is_drawn_along_the_edges():
    line = outline((350, 400), 560, 0.2)
    scene = blobs.scene_of(Photo.from_array(draw([line], (700, 800), Scene())))
    truth = _filled(line * scene.scale, scene.shape)
    rough = cv2.erode(truth.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    before, after = (
        (m & truth).sum() / (m | truth).sum() for m in (rough, refine(scene, blobs.describe(scene, rough)))
    )
    assert after > max(0.9, before)
