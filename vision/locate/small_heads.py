"""Where heads may be that are too small in a photo for the face detectors: guesses by the parts network.

The detectors see a photo at 192 px and know upright faces best. The parts network knows hair and vinyl at any
turn, and shown a photo tile by tile it sees heads some 4 % of the photo's width wide.

How a dealer would be misled: hair-like and skin-like things are everywhere. So a guess is a square to look at
and nothing more: detectors and mesh must find a face in it as anywhere else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from vision.locate import parts
from vision.locate.parts import Parts
from vision.locate.squares import tiles
from vision.network import heard
from vision.photo import Photo
from vision.traits import View

#: Tiles to a photo's long side; each overlaps the next by half.
ACROSS = 2
#: A tile of which the network is so sure that it shows nothing of a doll is not looked into.
NOTHING_THERE = 0.9
#: Heads take at least this share of a tile, and where vinyl is counted at most that one: more is background.
LEAST_SHARE, MOST_SHARE = 0.0015, 0.15
#: Side of the square to look at, in sides of what was seen.
MARGIN = 2.2
#: At most so many squares are looked at, the largest ones.
MOST_SQUARES = 8

#: What the network sees of a head; hair and paint alone serve where the background has the color of vinyl.
_HEAD_PARTS = (("hair", "eye", "lips", "vinyl"), ("hair", "eye", "lips"))


@dataclass(frozen=True, slots=True)
class Square:
    """A place to look for a face: middle and side in pixels of the upright original."""

    x: float
    y: float
    side: float


def head_squares(photo: Photo) -> list[Square]:
    """Return squares that may hold a small head, the largest first; none without the network."""
    found: list[Square] = []
    for x, y, side in tiles(photo.width, photo.height, ACROSS):
        seen = _seen(photo, (x + side / 2, y + side / 2), side)
        if seen is not None and seen.answers["view"][str(View.OTHER)] < NOTHING_THERE:
            found += [square for names in _HEAD_PARTS for square in _squares(seen, names)]
    found.sort(key=lambda square: -square.side)
    kept: list[Square] = []
    for square in found:
        if not any(_same(square, other) for other in kept):
            kept.append(square)
    return kept[:MOST_SQUARES]


def _seen(photo: Photo, middle: tuple[float, float], side: float) -> Parts | None:
    seen = heard("parts", lambda: parts.of_square(photo, middle, side))
    return seen if seen is not None and "view" in seen.answers else None


def _squares(seen: Parts, names: Sequence[str]) -> list[Square]:
    """Return a square about each connected region of some parts that has the size of a head."""
    region = (seen.of(*(name for name in names if name in seen.names)) > 0.5).astype(np.uint8)
    count, _, stats, _ = cv2.connectedComponentsWithStats(region, connectivity=8)
    back = cv2.invertAffineTransform(seen.to_samples)
    squares = []
    for x, y, wide, high, area in stats[1:count].tolist():
        if LEAST_SHARE <= area / region.size <= MOST_SHARE:
            middle = back @ np.array([x + (wide - 1) / 2, y + (high - 1) / 2, 1.0])
            squares.append(
                Square(float(middle[0]), float(middle[1]), float(MARGIN * max(wide, high) * back[0, 0]))
            )
    return squares


def _same(one: Square, other: Square) -> bool:
    """Whether two squares show about the same."""
    apart = float(np.hypot(one.x - other.x, one.y - other.y))
    return apart < 0.25 * other.side and one.side > 0.5 * other.side
