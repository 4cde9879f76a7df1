"""Print, pen and rims of metal are told from letters of one color with their ground."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests import drawn_marks
from vision.color import linear_to_srgb
from vision.mark_print import Strokes, strokes_of
from vision.mark_reader import with_room

VINYL, CARD, PAPER = (0.62, 0.36, 0.25), (0.85, 0.85, 0.84), (0.55, 0.42, 0.28)
BLACK, BLUE_PEN, CHALK, GOLD = (0.03, 0.03, 0.03), (0.07, 0.1, 0.4), (0.85, 0.85, 0.83), (0.6, 0.38, 0.12)


def lettered(lines=("HARGROVE 1417",), **how):
    """The mask of some lettering and the outline of its one line, upper edge then lower."""
    mask, corners = drawn_marks.lettering(list(lines), **how)
    return mask, with_room(corners, 1.35)  # as found lines have it


def coded(linear):
    """Linear light as sRGB bytes."""
    return np.asarray(255 * linear_to_srgb(np.clip(linear, 0, 1)) + 0.5, np.uint8)


def printed(mask, ink, ground, light=(1.0, 1.0, 1.0), fall=0.5, blur=0.8, seed=0):
    """A flat sheet with ink where the mask is, under a light that falls off to one side."""
    rng = np.random.default_rng(seed)
    soft = cv2.GaussianBlur(mask, (0, 0), blur)[..., None]
    linear = (soft * np.array(ink) + (1 - soft) * np.array(ground)) * np.array(light)
    linear = linear * np.linspace(1.0, fall, mask.shape[1])[None, :, None]
    return coded(linear + rng.normal(0, 0.004, linear.shape))


@pytest.mark.parametrize(
    ("ink", "ground"),
    [(BLACK, CARD), (BLACK, VINYL), (BLUE_PEN, VINYL), (CHALK, BLACK), (GOLD, CARD), (BLACK, PAPER)],
)
@pytest.mark.parametrize("light", [(1.0, 1.0, 1.0), (1.0, 0.6, 0.3), (0.7, 0.8, 1.0)])
def test_ink_is_no_relief_in_any_light(ink, ground, light):
    mask, outline = lettered(angle_deg=20)
    assert strokes_of(printed(mask, ink, ground, light), outline).printed


def test_worn_and_soft_print_is_still_print():
    mask, outline = lettered()
    assert strokes_of(printed(mask, BLACK, CARD, blur=1.8), outline).printed
    assert strokes_of(printed(mask, tuple(0.25 * c for c in CARD), CARD), outline).printed


@pytest.mark.parametrize("depth", [4.0, 2.0, -4.0])
@pytest.mark.parametrize("elevation", [8, 25, 50, 80])
def test_molded_letters_have_the_color_of_their_ground(depth, elevation):
    mask, outline = lettered()
    for azimuth in (0, 90, 200):
        rgb = drawn_marks.photographed(mask, azimuth, elevation, depth)
        assert not strokes_of(rgb, outline).printed


def test_a_low_lamp_in_a_dark_room_makes_black_shadows_but_no_ink():
    """Cast shadows may be blacker than ink; the edges that face the lamp are bright then."""
    mask, outline = lettered()
    height = 6.0 * cv2.GaussianBlur(mask, (0, 0), 1.5)
    slope, sine, cosine = (f(np.radians(15.0)) for f in (np.tan, np.sin, np.cos))
    lit, ray = np.ones_like(mask), np.full(mask.shape[0], -np.inf)
    for x in range(mask.shape[1]):  # light from the left: what lies under the falling ray is in shadow
        ray = np.maximum(ray - slope, height[:, x])
        lit[:, x] = ray <= height[:, x] + 1e-3
    rise = np.gradient(height, axis=1)
    direct = np.clip(sine + rise * cosine, 0, None) / np.sqrt(1 + rise**2)
    linear = (direct * cv2.GaussianBlur(lit, (0, 0), 1.0) + 0.02)[..., None] * np.array(VINYL)
    strokes = strokes_of(coded(linear), outline)
    assert strokes.darker > 1.0
    assert not strokes.printed


@pytest.mark.parametrize(
    ("darker", "brighter", "ink"),
    [(1.2, 0.45, False), (1.2, 0.05, True), (2.4, 0.45, True), (0.1, 1.2, True)],
)
def test_edges_as_bright_as_a_lamp_makes_them_explain_a_shadow_as_deep(darker, brighter, ink):
    """A molded line in long shadows must not be lost as print, nor ink be let pass for a glint beside it."""
    assert Strokes(darker, brighter, tint=0.15).printed is ink


def test_dirt_in_incised_letters_is_no_ink():
    """Grime darkens a groove by a third or so and has no strong color: the mark must not be lost."""
    mask, outline = lettered()
    grime = tuple(0.6 * c for c in VINYL)
    assert not strokes_of(printed(mask, grime, VINYL), outline).printed
