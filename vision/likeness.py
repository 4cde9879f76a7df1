"""Whether two photos are one shot: saved again, reduced, brightened, cut closer, turned or mirrored.

A print is a small lightness picture of the whole photo, each pixel against its surroundings. Two prints of
one shot agree nearly everywhere after the closer cut is laid into the wider one. Two dolls on one stand
before one cloth agree in the stand and the cloth, and not where the dolls are. So agreement is asked for in
every part that has any detail, not on average: a dealer who photographs all dolls alike must not be told
that they are one.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.photo import Photo

#: Side of a print in pixels; a closer cut shows at least this share of each side.
SIDE = 64
_CLOSEST = 0.8
#: Two shots are one from this agreement on.
SAME = 0.72
#: Prints less alike than this at a quarter of the size are not compared further.
_COARSE = 0.55
_PARTS = 4

Floats = NDArray[np.float32]


def fingerprint(photo: Photo) -> bytes:
    """Return a photo's print: SIDE × SIDE lightness codes (CIELAB L*, 0–255), row by row."""
    small, _ = photo.small
    square = cv2.resize(small, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(cv2.cvtColor(square, cv2.COLOR_RGB2LAB)[..., 0]).tobytes()


class Prints:
    """Prints to compare with each other.

    Parameters
    ----------
    prints
        What :func:`fingerprint` gave, one a photo.
    """

    def __init__(self, prints: Sequence[bytes]) -> None:
        self._pictures = [np.frombuffer(p, np.uint8).reshape(SIDE, SIDE).astype(np.float32) for p in prints]

    def same_shots(self) -> list[tuple[int, int]]:
        """Return the pairs (i, j), i < j, that are one shot, in order."""
        return [
            (i, j) for i, j in self._candidates() if agreement(self._pictures[i], self._pictures[j]) >= SAME
        ]

    @cached_property
    def _coarse(self) -> Floats:
        """(N, 8, 256): each print at a quarter of its size in eight positions, mean 0 and length 1."""
        rows = [
            [
                _unit(_detail(cv2.resize(way, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA), 3))
                for way in _ways(p)
            ]
            for p in self._pictures
        ]
        return np.asarray(rows, np.float32).reshape(len(rows), 8, -1)

    def _candidates(self) -> list[tuple[int, int]]:
        """Return pairs that are alike at first sight in any of eight positions; blocks bound the memory."""
        count = len(self._pictures)
        found = []
        if count < 2:
            return []
        turned = self._coarse.reshape(count * 8, -1)
        for first in range(0, count, 256):
            block = self._coarse[first : first + 256, 0]
            alike = (block @ turned.T).reshape(len(block), count, 8).max(axis=2)
            for i, j in zip(*np.nonzero(alike >= _COARSE), strict=True):
                if first + i < j:
                    found.append((int(first + i), int(j)))
        return found


def agreement(one: Floats, other: Floats) -> float:
    """Return how far two prints agree where they agree least, from -1 to 1; 1 for one and the same.

    Parameters
    ----------
    one, other
        (SIDE, SIDE) lightness. Either may be a closer cut of the other, by at most a fifth of each side.
    """
    best = -1.0
    for way in _ways(other):
        best = max(best, _laid(one, way), _laid(way, one))
    return best


def _laid(wide: Floats, close: Floats) -> float:
    """Lay a closer cut into a wider picture where it fits best and return the agreement there."""
    best = -1.0
    reference = _detail(wide)
    for share in np.linspace(_CLOSEST, 1.0, 9):
        side = round(SIDE * float(share))
        cut = _detail(cv2.resize(close, (side, side), interpolation=cv2.INTER_AREA))
        fit = cv2.matchTemplate(reference, cut, cv2.TM_CCOEFF_NORMED)
        _, top, _, (x, y) = cv2.minMaxLoc(fit)
        if top > max(best, _COARSE):
            best = max(best, _least(reference[y : y + side, x : x + side], cut))
    return best


def _least(one: Floats, other: Floats) -> float:
    """Return the agreement of the worst part of two pictures, of those parts that have detail to compare."""
    worst = _correlation(one, other)
    edges = np.linspace(0, len(one), _PARTS + 1).round().astype(int)
    typical = float(one.std() * other.std())
    for top, low in pairwise(edges):
        for left, right in pairwise(edges):
            a, b = one[top:low, left:right], other[top:low, left:right]
            if (
                float(a.std() * b.std()) > 0.15 * typical
                or max(float(a.std()), float(b.std())) > typical**0.5
            ):
                worst = min(worst, _correlation(a, b))
    return worst


def _correlation(a: Floats, b: Floats) -> float:
    return float((_unit(a) * _unit(b)).sum())


def _unit(values: Floats) -> Floats:
    flat = values.ravel() - values.mean()
    return np.asarray(flat / max(float(np.linalg.norm(flat)), 1e-6), np.float32)


def _detail(picture: NDArray[Any], sigma: float = 6.0) -> Floats:
    """Take broad light off: a relit or brightened copy is still the same shot."""
    return np.asarray(picture - cv2.GaussianBlur(picture, (0, 0), sigma), np.float32)


def _ways(picture: Floats) -> list[Floats]:
    """Return a picture in its eight positions: four turns, each also mirrored."""
    turns = [np.ascontiguousarray(np.rot90(picture, k)) for k in range(4)]
    return [*turns, *(np.ascontiguousarray(turn[:, ::-1]) for turn in turns)]
