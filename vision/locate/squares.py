"""The squares that networks are shown, cut the same for training as at run time. Needs numpy only."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[Any]

#: A face's square is this many times as wide as the mean of eye distance and eyes-to-mouth distance.
FACE_SQUARE = 3.2
#: A mouth's square is this many times as wide as that mean.
MOUTH_SQUARE = 1.35


def face_square(left_eye: Floats, right_eye: Floats, mouth: Floats) -> tuple[float, float, float, float]:
    """Return x, y, side (px) and clockwise roll (radians) of the upright square around a face.

    Parameters
    ----------
    left_eye, right_eye, mouth
        (2,) middles of the eyes (the image's left and right) and of the lips.
    """
    size, roll = _size_and_roll(left_eye, right_eye, mouth)
    x, y = (0.5 * (left_eye + right_eye) + mouth) / 2
    return float(x), float(y), FACE_SQUARE * size, roll


def mouth_square(left_eye: Floats, right_eye: Floats, mouth: Floats) -> tuple[float, float, float, float]:
    """Return x, y, side (px) and clockwise roll (radians) of the upright square around a mouth.

    Parameters
    ----------
    left_eye, right_eye, mouth
        (2,) middles of the eyes (the image's left and right) and of the lips.
    """
    size, roll = _size_and_roll(left_eye, right_eye, mouth)
    return float(mouth[0]), float(mouth[1]), MOUTH_SQUARE * size, roll


def _size_and_roll(left_eye: Floats, right_eye: Floats, mouth: Floats) -> tuple[float, float]:
    """Return the mean of eye distance and eyes-to-mouth distance (px), and the face's clockwise roll."""
    across, down = right_eye - left_eye, mouth - (left_eye + right_eye) / 2
    width, height = max(float(np.hypot(*across)), 1e-6), max(float(np.hypot(*down)), 1e-6)
    both = across / width + np.array([down[1], -down[0]]) / height
    return 0.5 * (width + height), math.atan2(both[1], both[0])


def tiles(width: int, height: int, across: int) -> list[tuple[int, int, int]]:
    """Return x, y, side (px) of square tiles, ``across`` to the long side, overlapping by half."""
    side = math.ceil(max(width, height) / across)
    return [(x, y, side) for y in _starts(height, side) for x in _starts(width, side)]


def _starts(length: int, side: int) -> list[int]:
    """Return tile starts that cover ``length`` with half overlaps."""
    if length <= side:
        return [0]
    steps = math.ceil((length - side) / (side / 2))
    return [round(i * (length - side) / steps) for i in range(steps + 1)]
