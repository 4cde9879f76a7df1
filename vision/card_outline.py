"""Outlines of flat things with four straight, sharp sides: where a gray card may lie.

Evenly colored areas leak through the smallest gap in their border and fall apart under a shadow. So nothing
is flooded here: from the middle of each smooth area rays run outward to the first sharp step of color, and
four straight lines have to explain nearly all of the points where they stop. Shading and soft shadows are
no steps.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_RAYS = 96
#: One ray in so many is tried first: most smooth areas are open to one side, which a few rays show.
_FIRST = 4
_MOST_SEEDS = 300
#: Smallest half-width of a card, as a share of the long side of the view.
_LEAST_REACH = 0.012


def quads(view: NDArray[np.uint8], wanted: NDArray[np.bool_]) -> Iterator[Array]:
    """Yield (4, 2) corners of straight-sided smooth areas, none touching the frame.

    Parameters
    ----------
    view
        (H, W, 3) uint8 sRGB, reduced to about a thousand pixels.
    wanted
        (H, W) where the color may be that of a card; areas that lie elsewhere are passed over.
    """
    lab = _smooth_lab(view)
    slope = _slope(lab)
    seen: list[Array] = []
    for reach, seed in _seeds(slope, wanted):
        corners = _around(lab, seed, reach)
        if corners is None or touches(corners, view.shape) or not card_like(corners):
            continue
        if any(_same(corners, other) for other in seen):
            continue
        seen.append(corners)
        yield corners


def touches(corners: Array, shape: tuple[int, ...]) -> bool:
    """Tell whether a corner lies at the frame or beyond."""
    return bool(
        (corners < 4).any() or (corners[:, 0] > shape[1] - 5).any() or (corners[:, 1] > shape[0] - 5).any()
    )


def _same(one: Array, other: Array) -> bool:
    gap = np.hypot(*(one[:, None] - other[None]).transpose(2, 0, 1)).min(axis=1)
    return bool(gap.max() < 5)


def _smooth_lab(view: NDArray[np.uint8]) -> NDArray[np.float32]:
    """CIELAB with noise taken down; edges stay where they are."""
    smooth = cv2.GaussianBlur(cv2.medianBlur(view, 3), (0, 0), 0.8)
    return np.asarray(cv2.cvtColor(smooth.astype(np.float32) / 255, cv2.COLOR_RGB2LAB))


def _slope(lab: NDArray[np.float32]) -> NDArray[np.float32]:
    """Color difference across two pixels, in either direction, as a length."""
    dx, dy = cv2.Sobel(lab, cv2.CV_32F, 1, 0) / 4, cv2.Sobel(lab, cv2.CV_32F, 0, 1) / 4
    return np.asarray(np.sqrt((dx**2 + dy**2).sum(axis=2)), np.float32)


def _seeds(slope: NDArray[np.float32], wanted: NDArray[np.bool_]) -> list[tuple[float, tuple[int, int]]]:
    """Middles of smooth areas, widest first: half their width and (x, y)."""
    least = max(5.0, _LEAST_REACH * max(slope.shape))
    noise = float(np.median(slope))
    found: list[tuple[float, int, int]] = []
    for level in (max(2.0, 1.5 * noise), max(4.0, 3.0 * noise), max(8.0, 5.0 * noise)):
        edge = cv2.morphologyEx((slope > level).astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
        edge[[0, -1]] = edge[:, [0, -1]] = 1
        reach = cv2.distanceTransform(1 - edge, cv2.DIST_L2, 5)
        peak = wanted & (reach >= cv2.dilate(reach, np.ones((9, 9), np.uint8))) & (reach >= least)
        found += [(float(reach[y, x]), int(x), int(y)) for y, x in np.argwhere(peak)]
    spots = np.array(sorted(found, reverse=True)).reshape(-1, 3)
    kept: list[tuple[float, tuple[int, int]]] = []
    while len(spots) and len(kept) < _MOST_SEEDS:
        reach_here, x, y = spots[0]
        kept.append((float(reach_here), (int(x), int(y))))
        spots = spots[np.hypot(spots[:, 1] - x, spots[:, 2] - y) > 0.5 * spots[:, 0]]
    return kept


def _around(lab: NDArray[np.float32], seed: tuple[int, int], reach: float) -> Array | None:
    """Return the corners of the four straight edges around a point, or None."""
    few = _RAYS // _FIRST
    if len(_stops(lab, seed, reach, few)) < 0.7 * few:
        return None
    points = _stops(lab, seed, reach, _RAYS)
    if len(points) < 0.8 * _RAYS:
        return None
    lines, explained = _four_lines(points)
    if lines is None or explained < 0.8 * _RAYS:
        return None
    corners = np.array([_meet(lines[k - 1], lines[k]) for k in range(4)])
    if not np.isfinite(corners).all() or not cv2.isContourConvex(corners.astype(np.float32)):
        return None
    if cv2.pointPolygonTest(corners.astype(np.float32), (float(seed[0]), float(seed[1])), False) <= 0:
        return None
    return corners


def _stops(lab: NDArray[np.float32], seed: tuple[int, int], reach: float, rays: int) -> Array:
    """Return (N, 2) first sharp steps of color along rays, in order of angle.

    ``reach``: half the width of the smooth area; a card's corners lie at most seven times as far.
    """
    angle = np.arange(rays) * 2 * np.pi / rays
    direction = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    length = int(min(0.5 * max(lab.shape[:2]), 7 * reach + 20))
    along = np.arange(length, dtype=np.float32)
    x = (seed[0] + along * direction[:, :1]).astype(np.float32)
    y = (seed[1] + along * direction[:, 1:]).astype(np.float32)
    profile = cv2.remap(lab, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    total = np.zeros((rays, length + 1, 3), np.float32)
    np.cumsum(profile, axis=1, out=total[:, 1:])
    at = np.arange(6, length - 5)
    # Mean of five pixels before a place against three after it, the place and its neighbors left out.
    change = (total[:, 11:-1] - total[:, 8:-4]) / 3 - (total[:, 5:-7] - total[:, :-12]) / 5
    step = np.sqrt(np.einsum("ijk,ijk->ij", change, change))
    near = step[:, : max(8, int(0.5 * reach))]
    level = max(5.0, 5.0 * float(np.median(near)))
    above = step > level
    # The step peaks at the edge itself, a little after it first shows.
    first = above.argmax(axis=1)
    window = np.minimum(first[:, None] + np.arange(7), step.shape[1] - 1)
    peak = first + np.take_along_axis(step, window, axis=1).argmax(axis=1)
    inside = (
        above.any(axis=1)
        & (x[np.arange(rays), at[peak]] < lab.shape[1] - 3)
        & (y[np.arange(rays), at[peak]] < lab.shape[0] - 3)
        & (x[np.arange(rays), at[peak]] > 2)
        & (y[np.arange(rays), at[peak]] > 2)
    )
    return np.asarray(seed + direction * (at[peak] + 0.5)[:, None])[inside]


def _four_lines(points: Array) -> tuple[list[tuple[Array, Array]] | None, int]:
    """Explain points in order round a shape by four lines; return them in order and how many they explain."""
    count = len(points)
    left = np.ones(count, bool)
    found: list[tuple[float, Array, Array]] = []
    explained = 0
    for _ in range(4):
        line = _best_line(points, left)
        if line is None:
            return None, 0
        inliers, middle, direction = line
        explained += int(inliers.sum())
        left &= ~inliers
        where = np.flatnonzero(inliers) * 2 * np.pi / count
        turn = float(np.angle(np.exp(1j * where).mean())) % (2 * np.pi)
        found.append((turn, middle, direction))
    found.sort(key=lambda item: item[0])
    return [(middle, direction) for _, middle, direction in found], explained


def _best_line(points: Array, left: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], Array, Array] | None:
    """Return the points on the line that explains most of what is left, its middle and its direction."""
    index = np.flatnonzero(left)
    if len(index) < 5:
        return None
    pairs = np.concatenate(
        [np.stack([index, np.roll(index, -gap)], axis=1) for gap in (2, 3, 5, 8, 13) if gap < len(index)]
    )
    direction = points[pairs[:, 1]] - points[pairs[:, 0]]
    size = np.hypot(*direction.T)
    pairs, direction = pairs[size > 4], direction[size > 4] / size[size > 4, None]
    if not len(pairs):
        return None
    normal = np.stack([-direction[:, 1], direction[:, 0]], axis=1)
    off = np.abs(points[index] @ normal.T - (points[pairs[:, 0]] * normal).sum(axis=1))
    best = int((off < 1.6).sum(axis=0).argmax())
    inliers = np.zeros(len(points), bool)
    inliers[index[off[:, best] < 1.6]] = True
    for _ in range(2):
        if inliers.sum() < 5:
            return None
        middle = points[inliers].mean(axis=0)
        _, _, axes = np.linalg.svd(points[inliers] - middle, full_matrices=False)
        away = np.abs((points - middle) @ np.array([-axes[0, 1], axes[0, 0]]))
        inliers = left & (away < 1.6)
    return inliers, middle, axes[0]


def _meet(one: tuple[Array, Array], other: tuple[Array, Array]) -> Array:
    """Return where two lines, each given by a point and a direction, meet."""
    (a, r), (c, s) = one, other
    area = float(r[0] * s[1] - r[1] * s[0])
    if abs(area) < 0.05:
        return np.full(2, np.nan)
    return np.asarray(a + r * float((c - a)[0] * s[1] - (c - a)[1] * s[0]) / area)


def card_like(corners: Array) -> bool:
    """Tell whether four corners can be a rectangle's seen at up to 40° or so."""
    edges = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(*edges.T)
    if lengths.min() < 8:
        return False
    ahead = edges / lengths[:, None]
    turns = np.degrees(np.arccos(np.clip((ahead * np.roll(ahead, -1, axis=0)).sum(axis=1), -1, 1)))
    pairs = np.stack([lengths[:2], lengths[2:]])
    opposite = pairs.min(axis=0) / pairs.max(axis=0)
    ratio = pairs.mean(axis=0).min() / pairs.mean(axis=0).max()
    return bool(turns.min() > 50 and turns.max() < 130 and opposite.min() > 0.6 and ratio > 0.33)
