"""Telling lettering that is printed, written or stuck on from lettering that is molded.

A molded letter has the color of the vinyl around it: what shows is light and shadow, and where one edge is
darkened another is brightened. Ink, paint and metal have a color of their own. How a dealer would be misled
without this: a ruler, a box, a card or a penned price in the picture read as the doll's mark.

Two bounds come from how light falls, not from samples. A groove as wide as it is deep still sees half of the
light that its surroundings see (the view factor of a square groove's floor is √2 − 1 ≈ 0.41, and its walls
pass some on), so that relief without bright edges is darker by a factor of two at most. Bright edges show a
lamp at the side, whose share of the light a cast shadow takes away as well. And light changes in strength
across relief much more than in color.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.color import luminance, srgb_to_linear
from vision.ocr import straightened

_STRIP_PX = 48
#: Average over which grain and the fringes of the lens are smoothed, in pixels of the strip.
_GRAIN_PX = 1.2
#: Linear light added before logarithms, so that black does not count without end.
_DARKEST = np.float32(0.02)
#: Reach of the surroundings along the line, in pixels of the strip: a letter or two to each side.
_REACH_PX = 48
#: Logarithm of the darkening that a groove can make without a bright edge.
_GROOVE = math.log(2.0)
#: Light on an edge that faces the lamp over that on the ground, for a lamp 30° high; and what light is left
#: in the deepest shadow.
_STEEPEST, _LEAST_LIGHT = 2.0, 0.25
#: Change of log red/green and blue/green that goes as far as :data:`_GROOVE` in telling ink.
_TINT = 0.5
#: Sum of both, each over its bound, beyond which letters have a color of their own.
_OWN_COLOR = 1.0
#: Weaker over stronger of dark and bright edges, from which light from the side explains them.
_BOTH_SIDES = 0.4


@dataclass(frozen=True, slots=True)
class Strokes:
    """How the strokes of one line of letters differ from what lies between them.

    Attributes
    ----------
    darker, brighter
        How far the darkest and the brightest twentieth lie below and above the surroundings, natural
        logarithm of linear luminance.
    tint
        Distance between strokes and surroundings in log red/green and log blue/green.
    """

    darker: float
    brighter: float
    tint: float

    @property
    def own_color(self) -> float:
        """How far beyond what relief of one color shows: about 1 or less for molded letters."""
        bound = _GROOVE
        if self.darker > self.brighter:
            # A lamp that makes edges brighter by a share gives the ground that share of its light or more.
            shadow = -math.log(max(_LEAST_LIGHT, 1 - (math.exp(self.brighter) - 1) / (_STEEPEST - 1)))
            bound += max(0.0, shadow - self.brighter)
        return abs(self.darker - self.brighter) / bound + self.tint / _TINT

    @property
    def printed(self) -> bool:
        """Whether the letters have a color of their own, which no light on molded letters explains."""
        weak, strong = sorted((self.darker, self.brighter))
        return weak < _BOTH_SIDES * strong and self.own_color > _OWN_COLOR


def strokes_of(rgb: NDArray[np.uint8], outline: NDArray[Any]) -> Strokes:
    """Return how the letters of one line differ from what lies between them.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8 sRGB.
    outline
        (2 k, 2) points: the upper edge of the line, then the lower edge back.
    """
    points = np.asarray(outline, np.float64).reshape(-1, 2)
    linear = srgb_to_linear(straightened(rgb, points, _STRIP_PX)).astype(np.float32)
    linear = np.asarray(cv2.GaussianBlur(linear, (0, 0), _GRAIN_PX), np.float32)
    channels = np.log(linear + _DARKEST)
    tone = np.log(luminance(linear) + _DARKEST)
    width = tone.shape[1]
    stations = np.arange(0, width, 8)
    around = [np.median(tone[:, max(0, x - _REACH_PX) : x + _REACH_PX + 1]) for x in stations]
    change = tone - np.interp(np.arange(width), stations, around).astype(np.float32)
    darker, brighter = -float(np.percentile(change, 5)), float(np.percentile(change, 95))
    stroke = change if brighter > darker else -change
    strokes = stroke >= np.quantile(stroke, 0.9)
    ground = np.abs(change) <= np.quantile(np.abs(change), 0.4)
    tints = channels[..., [0, 2]] - channels[..., 1:2]
    tint = float(np.linalg.norm(np.median(tints[strokes], axis=0) - np.median(tints[ground], axis=0)))
    return Strokes(darker, brighter, tint)
