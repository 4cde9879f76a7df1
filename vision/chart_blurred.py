"""A small or blurred color chart found by the order of its colors, where its patches have no outlines left.

How a dealer would be misled: a toy, a print or a row of buttons has many colors too. Nothing is believed
here: a place whose 24 colors follow each other like the chart's is proposed, and :mod:`vision.chart` proves
or refuses it by the published values.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.color import srgb_to_linear

Array = NDArray[np.float64]

#: (24, 2) where the patches lie from the middle of the chart, in patch distances, row by row.
_CELLS: Array = np.array([[x - 2.5, y - 1.5] for y in range(4) for x in range(6)], np.float64)
#: Distances of patches in pixels of the view that are tried; closer ones are too small to read there.
_PITCHES = (5.0, 6.0, 7.2, 8.6, 10.4, 12.4, 15.0)
#: So many places of many colors get a closer look.
_MOST_PLACES = 3
#: Such a place varies at least this much (standard deviation) both in a* and in b* of CIELAB, in each of its
#: quarters, which have this size in pixels of the view at half size.
_LEAST_SPREAD, _QUARTER = 5.0, (11, 11)
#: Least correlation of color ratios with the chart's that is worth proving.
_LEAST_LIKE = 0.7


def candidates(view: NDArray[np.uint8], reference: Array) -> Iterator[Array]:
    """Yield (3, 3) homographies from grid coordinates (patch centers at whole numbers) to pixels of ``view``.

    A few places of many colors are compared with the chart at some ten thousand turns, sizes and shifts by
    the correlation of their color ratios, which neither light nor exposure changes; the best is refined.

    Parameters
    ----------
    view
        (H, W, 3) uint8 sRGB, some 900 pixels long.
    reference
        (24, 3) the chart's linear RGB, row by row.
    """
    log = np.log(srgb_to_linear(cv2.GaussianBlur(view, (0, 0), 1.0)) + 0.01)
    ratios = (log - log[..., 1:2])[..., [0, 2]]
    known = np.log(np.maximum(reference, 0.0) + 0.01)
    known = (known - known[:, 1:2])[:, [0, 2]]
    for middle in _colorful(view):
        best = _best(ratios, known, _coarse(middle))
        best, like = _finer(ratios, known, best)
        if like > _LEAST_LIKE:
            yield _homography(best)


def _colorful(view: NDArray[np.uint8]) -> Iterator[Array]:
    """Yield (x, y) of the middles of the most varied places, as large as charts 40 to 120 px long."""
    half = cv2.resize(view, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    lab = cv2.cvtColor(half, cv2.COLOR_RGB2LAB)[..., 1:].astype(np.float32)
    mean = cv2.blur(lab, _QUARTER)
    spread = np.sqrt(np.maximum(cv2.blur(lab * lab, _QUARTER) - mean * mean, 0)).min(axis=2)
    # A border between two colors, as of garment and doll, crosses some quarters only; a chart fills all.
    quarters = [np.roll(spread, shift, axis=(0, 1)) for shift in ((-5, -5), (-5, 5), (5, -5), (5, 5))]
    spread = np.min(quarters, axis=0)
    for _ in range(_MOST_PLACES):
        y, x = np.unravel_index(int(spread.argmax()), spread.shape)
        if spread[y, x] < _LEAST_SPREAD:
            return
        yield np.array([2.0 * x, 2.0 * y])
        cv2.circle(spread, (int(x), int(y)), 30, 0.0, -1)


def _coarse(middle: Array) -> Array:
    """Return (N, 5) tries round a place.

    A try is x, y of the chart's middle in pixels, its turn in radians, ln of the patches' distance in pixels,
    and ln of how much longer that distance is along the rows than across.
    """
    steps = np.arange(-3, 4) * 0.5
    turns = np.radians(np.arange(0, 360, 12))
    rows = [
        (middle[0] + pitch * dx, middle[1] + pitch * dy, turn, np.log(pitch), 0.0)
        for pitch in _PITCHES
        for dx in steps
        for dy in steps
        for turn in turns
    ]
    return np.array(rows)


def _finer(ratios: Array, known: Array, start: Array) -> tuple[Array, float]:
    """Return the best try in finer and finer steps round a first one, and its correlation."""
    like = 0.0
    for size in (1.0, 0.5, 0.25):
        axes = [np.arange(-1, 2) * size * step for step in (0.35, 0.35, 0.12, 0.1, 0.12)]
        tried = start + np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 5) * _units(start)
        found = _likeness(ratios, known, tried)
        start, like = tried[int(found.argmax())], float(found.max())
    return start, like


def _units(row: Array) -> Array:
    """Return (5,) the steps that count as one for each number of a try: for x and y, a patch distance."""
    return np.array([np.exp(row[3]), np.exp(row[3]), 1.0, 1.0, 1.0])


def _best(ratios: Array, known: Array, tried: Array) -> Array:
    """Return the try at which the picture is most like the chart."""
    return np.asarray(tried[int(_likeness(ratios, known, tried).argmax())], np.float64)


def _homography(row: Array) -> Array:
    """Return the (3, 3) homography from grid coordinates to pixels of one try."""
    x, y, turn, size, stretch = row
    along, across = np.exp(size + stretch / 2), np.exp(size - stretch / 2)
    c, s = np.cos(turn), np.sin(turn)
    linear = np.array([[along * c, -across * s], [along * s, across * c]])
    shift = np.array([x, y]) - linear @ np.array([2.5, 1.5])
    return np.vstack([np.column_stack([linear, shift]), [0.0, 0.0, 1.0]])


def _likeness(ratios: Array, known: Array, tried: Array) -> Array:
    """Return the (N,) correlations of the chart's color ratios with those seen at each try's 24 places.

    A try that leaves the picture has -1.
    """
    along, across = np.exp(tried[:, 3] + tried[:, 4] / 2), np.exp(tried[:, 3] - tried[:, 4] / 2)
    c, s = np.cos(tried[:, 2]), np.sin(tried[:, 2])
    u, v = along[:, None] * _CELLS[:, 0], across[:, None] * _CELLS[:, 1]
    x = np.rint(tried[:, :1] + c[:, None] * u - s[:, None] * v).astype(int)
    y = np.rint(tried[:, 1:2] + s[:, None] * u + c[:, None] * v).astype(int)
    height, width = ratios.shape[:2]
    inside = ((x >= 0) & (y >= 0) & (x < width) & (y < height)).all(axis=1)
    seen = ratios[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)]
    seen = seen - seen.mean(axis=1, keepdims=True)
    goal = known - known.mean(axis=0)
    size = np.sqrt(np.square(seen).sum(axis=(1, 2)) * np.square(goal).sum())
    return np.where(inside, (seen * goal).sum(axis=(1, 2)) / np.maximum(size, 1e-9), -1.0)
