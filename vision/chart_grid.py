"""Where a 6 by 4 grid of patches may lie: squares in rank and file, and what OpenCV's detector sees.

Everything here only proposes; :mod:`vision.chart` proves or refuses. The whole picture is searched at a
coarse size. Charts that are small in it are looked for where the picture is patchy: thin dark lines between
fields of many colors. Only such windows are enlarged and searched again. Out of focus, patches run into each
other and have no outlines, but their middles keep their colors (:mod:`vision.chart_blurred`).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.photo import shrunk

Array = NDArray[np.float64]

#: Patches of a chart along its long and its short side.
COLUMNS, ROWS = 6, 4


@dataclass(frozen=True, slots=True)
class _Square:
    center: Array
    sides: Array  # (2, 2): the two edge vectors
    size: float


def _squares(rgb: NDArray[np.uint8]) -> list[_Square]:
    """Return square-like outlines in (H, W, 3) uint8 RGB: dark-rimmed patches at any rotation and tilt."""
    short = min(rgb.shape[:2])
    found: list[_Square] = []
    lab = cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB)
    red, green, blue = cv2.split(rgb)
    darkest = cv2.min(cv2.min(red, green), blue)
    for channel in (_brightest(rgb), lab[..., 0], darkest, lab[..., 1], lab[..., 2]):
        for block in (max(short // 40 | 1, 5), max(short // 14 | 1, 5)):
            binary = cv2.adaptiveThreshold(
                channel, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY, block, -2
            )
            binary = cv2.morphologyEx(binary, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
            contours, _ = cv2.findContours(binary, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
            for contour in contours:
                area = cv2.contourArea(contour)
                if 30 < area < (0.2 * short) ** 2:  # of many thousand, most are specks
                    square = _as_square(np.asarray(contour, np.int32), area)
                    if square is not None:
                        found.append(square)
    return _distinct(found)


def _brightest(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return (H, W) the largest channel of each pixel."""
    red, green, blue = cv2.split(rgb)
    return np.asarray(cv2.max(cv2.max(red, green), blue), np.uint8)


def _as_square(contour: NDArray[np.int32], area: float) -> _Square | None:
    quad = cv2.approxPolyDP(contour, 0.1 * cv2.arcLength(contour, True), True)
    if len(quad) != 4 or not cv2.isContourConvex(quad):
        return None
    p = quad.reshape(4, 2).astype(float)
    if area < 0.75 * cv2.contourArea(quad):
        return None
    u, v = ((p[1] - p[0]) + (p[2] - p[3])) / 2, ((p[3] - p[0]) + (p[2] - p[1])) / 2
    a, b = np.hypot(*u), np.hypot(*v)
    if min(a, b) < 0.45 * max(a, b) or abs(np.dot(u, v)) > 0.6 * a * b:
        return None
    return _Square(p.mean(axis=0), np.stack([u, v]), float(np.sqrt(area)))


def _distinct(squares: list[_Square]) -> list[_Square]:
    """Drop repeats of one patch seen in several channels; the middle-sized one stays."""
    if not squares:
        return []
    kept: list[_Square] = []
    centers = np.array([s.center for s in squares])
    sizes = np.array([s.size for s in squares])
    free = np.ones(len(squares), bool)
    for i in np.argsort(sizes):
        if not free[i]:
            continue
        near = free & (np.hypot(*(centers - centers[i]).T) < 0.35 * sizes[i]) & (sizes < 1.5 * sizes[i])
        members = np.flatnonzero(near)
        kept.append(squares[int(members[np.argsort(sizes[members])[len(members) // 2]])])
        free[near] = False
    return kept


def _grids(squares: list[_Square]) -> Iterator[Array]:
    """Yield (3, 3) homographies from grid coordinates (patch centers at whole numbers) to pixels."""
    if len(squares) < 7:
        return
    centers = np.array([s.center for s in squares])
    sizes = np.array([s.size for s in squares])
    left = set(range(len(squares)))
    while left:
        seed = left.pop()
        group, queue = [seed], [seed]
        while queue:
            i = queue.pop()
            gap = np.hypot(*(centers - centers[i]).T)
            similar = (sizes > 0.6 * sizes[i]) & (sizes < 1.65 * sizes[i]) & (gap < 1.9 * sizes[i])
            for j in np.flatnonzero(similar):
                if int(j) in left:
                    left.remove(int(j))
                    group.append(int(j))
                    queue.append(int(j))
        if len(group) >= 7:
            homography = _lattice([squares[i] for i in group])
            if homography is not None:
                yield from _windows(*homography)


def _lattice(group: list[_Square]) -> tuple[Array, Array] | None:
    """Number the squares of one group as a grid; return the homography and the whole coordinates."""
    typical = float(np.median([s.size for s in group]))
    group = [s for s in group if 0.7 < s.size / typical < 1.35]
    if len(group) < 7:
        return None
    centers = np.array([s.center for s in group])
    start = int(np.argmin(np.hypot(*(centers - np.median(centers, axis=0)).T)))
    cells = {start: np.zeros(2)}
    steps = {start: _typical_sides(group, group[start].sides) * 1.18}
    queue = [start]
    while queue:
        i = queue.pop(0)
        to_cell = np.linalg.pinv(steps[i].T)
        for j in range(len(group)):
            if j in cells:
                continue
            offset = to_cell @ (centers[j] - centers[i])
            whole = np.round(offset)
            if np.abs(whole).sum() == 1 and np.abs(offset - whole).max() < 0.28:
                cells[j] = cells[i] + whole
                axis = int(np.argmax(np.abs(whole)))
                step = steps[i].copy()
                step[axis] = 0.5 * step[axis] + 0.5 * (centers[j] - centers[i]) * whole[axis]
                steps[j] = step
                queue.append(j)
    if len(cells) < 7:
        return None
    coordinates = np.array(list(cells.values()))
    pixels = centers[list(cells)]
    if np.ptp(coordinates, axis=0).min() < 1:
        return None
    homography, inliers = cv2.findHomography(coordinates, pixels, cv2.RANSAC, 0.2 * group[start].size)
    if homography is None or inliers.sum() < 7:
        return None
    return np.asarray(homography, np.float64), coordinates[inliers.ravel() > 0]


def _typical_sides(group: list[_Square], like: Array) -> Array:
    """Return the median of the squares' edge vectors, each turned and named like those of one of them."""
    turned = []
    for square in group:
        a, b = square.sides
        ways = [np.array(w) for w in ((a, b), (b, -a), (-a, -b), (-b, a), (b, a), (a, -b), (-b, -a), (-a, b))]
        turned.append(min(ways, key=lambda way: float(np.abs(way - like).sum())))
    return np.asarray(np.median(turned, axis=0), np.float64)


def _windows(homography: Array, cells: Array) -> Iterator[Array]:
    """Yield the grid shifted and turned so that a 6 by 4 window covers most of the squares found."""
    ranked: list[tuple[int, Array]] = []
    for turn in (np.eye(3), np.array([[0.0, 1, 0], [1, 0, 0], [0, 0, 1]])):
        turned = cells @ turn[:2, :2]
        low, high = turned.min(axis=0).astype(int), turned.max(axis=0).astype(int)
        for x0, y0 in itertools.product(range(low[0] - 2, high[0] + 1), range(low[1] - 2, high[1] + 1)):
            inside = np.all((turned >= (x0, y0)) & (turned < (x0 + COLUMNS, y0 + ROWS)), axis=1).sum()
            shift = np.array([[1.0, 0, x0], [0, 1, y0], [0, 0, 1]])
            ranked.append((int(inside), homography @ turn @ shift))
    ranked.sort(key=lambda item: -item[0])
    for inside, candidate in ranked[:14]:
        if inside >= 7 and inside >= 0.7 * ranked[0][0]:
            yield candidate


def _detector_grids(rgb: NDArray[np.uint8]) -> Iterator[Array]:
    """Yield grids from OpenCV's own chart detector."""
    detector = cv2.mcc.CCheckerDetector.create()
    detector.setColorChartType(cv2.mcc.MCC24)
    try:
        if not detector.process(np.ascontiguousarray(rgb[..., ::-1]), 3):
            return
        boxes = [np.asarray(checker.getBox(), float) for checker in detector.getListColorChecker()]
    except cv2.error:
        return
    for box in boxes:
        for corners in (box, np.roll(box, 1, axis=0)):
            grid = np.array([[-0.43, -0.43], [5.43, -0.43], [5.43, 3.43], [-0.43, 3.43]])
            yield cv2.getPerspectiveTransform(grid.astype(np.float32), corners.astype(np.float32)).astype(
                float
            )


def _snap(homography: Array, squares: list[_Square]) -> Array:
    """Refit a grid to the squares that lie near its patch centers."""
    cells = np.array([[x, y] for y in range(ROWS) for x in range(COLUMNS)], float)
    expected = project(homography, cells)
    pitch = pitch_of(homography)
    source, target = [], []
    centers = np.array([s.center for s in squares if 0.5 < s.size / pitch < 1.1]).reshape(-1, 2)
    for cell, point in zip(cells, expected, strict=True):
        apart = np.hypot(*(centers - point).T)
        if len(apart) and apart.min() < 0.3 * pitch:
            source.append(cell)
            target.append(centers[int(apart.argmin())])
    if len(source) < 8:
        return homography
    found, _ = cv2.findHomography(np.array(source), np.array(target), cv2.RANSAC, 0.1 * pitch)
    if found is None:
        return homography
    refined = np.asarray(found, np.float64)
    if np.hypot(*(project(refined, cells) - expected).T).max() > 0.45 * pitch:
        return homography
    return refined


def project(homography: Array, points: Array) -> Array:
    """Return (N, 2) points of the grid, patch centers at whole numbers, in pixels."""
    return cv2.perspectiveTransform(points.reshape(1, -1, 2), homography)[0]


def pitch_of(homography: Array) -> float:
    """Return the distance of neighboring patch centers in pixels: geometric mean of both directions."""
    c = project(homography, np.array([[0.0, 0], [5, 0], [5, 3], [0, 3]]))
    along = (np.hypot(*(c[1] - c[0])) + np.hypot(*(c[2] - c[3]))) / 10
    across = (np.hypot(*(c[3] - c[0])) + np.hypot(*(c[2] - c[1]))) / 6
    return float(np.sqrt(along * across))


def _plausible(homography: Array, shape: tuple[int, ...]) -> bool:
    """Tell whether the grid lies wholly in the picture, without fold, tilted no more than a chart can be."""
    c = project(homography, np.array([[-0.4, -0.4], [5.4, -0.4], [5.4, 3.4], [-0.4, 3.4]]))
    if not np.isfinite(c).all() or not cv2.isContourConvex(c.astype(np.float32)):
        return False
    room = pitch_of(homography)
    if (c < -room).any() or (c[:, 0] > shape[1] + room).any() or (c[:, 1] > shape[0] + room).any():
        return False
    sides = np.hypot(*(np.roll(c, -1, axis=0) - c).T)
    stretch = (sides[0] + sides[2]) / (sides[1] + sides[3]) / (5.8 / 3.8)
    return bool(0.5 < stretch < 2.0 and sides.min() > 0)


# --- where to look -------------------------------------------------------------------------------------

#: Long sides of the views searched: the whole picture at the first, its patchy windows at both.
_COARSE, _FINE = 900, 1800
#: A window spans so many pixels of its view and is enlarged so many times.
_WINDOW, _ENLARGED = 200, 2.5
_MOST_WINDOWS = 4
#: Least patchiness worth a closer look: the spread of a* or of b* in CIELAB, whichever is less.
_LEAST_PATCHY = 7.0


def candidates(rgb: NDArray[np.uint8]) -> Iterator[Array]:
    """Yield distinct (3, 3) homographies of grids in pixels of (H, W, 3) ``rgb``, the largest grids first."""
    seen: list[Array] = []
    for homography in _proposals(rgb):
        corners = project(homography, _CORNERS)
        if _plausible(homography, rgb.shape) and not any(
            np.abs(corners - known).max() < 0.25 * pitch_of(homography) for known in seen
        ):
            seen.append(corners)
            yield homography


_CORNERS: Array = np.array([[-0.42, -0.42], [5.42, -0.42], [5.42, 3.42], [-0.42, 3.42]])


def _proposals(rgb: NDArray[np.uint8]) -> Iterator[Array]:
    long_side = max(rgb.shape[:2])
    tiny = long_side < 0.78 * _COARSE
    if tiny:
        yield from _in_view(rgb, 1.0)
    coarse, scale = _sized(rgb, _COARSE / long_side if tiny else min(1.0, _COARSE / long_side))
    yield from _in_view(coarse, scale)
    yield from _in_windows(coarse, scale)
    if long_side > 1.1 * _COARSE:
        yield from _in_windows(*_sized(rgb, min(1.0, _FINE / long_side)))


def _in_windows(view: NDArray[np.uint8], scale: float) -> Iterator[Array]:
    """Yield grids found in the enlarged patchy windows of a view, in pixels of the picture."""
    for middle in _patchy(view):
        x, y = np.maximum(np.round(middle - _WINDOW / 2).astype(int), 0)
        cut = np.ascontiguousarray(view[y : y + _WINDOW, x : x + _WINDOW])
        shift = np.array([[1.0, 0, x / scale], [0, 1, y / scale], [0, 0, 1]])
        for homography in _in_view(_sized(cut, _ENLARGED)[0], scale * _ENLARGED):
            yield shift @ homography


def _sized(rgb: NDArray[np.uint8], scale: float) -> tuple[NDArray[np.uint8], float]:
    """Return the picture at a scale, and that scale."""
    if scale < 1:
        return shrunk(rgb, (round(rgb.shape[1] * scale), round(rgb.shape[0] * scale))), scale
    if scale > 1:
        return np.asarray(
            cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC), np.uint8
        ), scale
    return rgb, 1.0


def _in_view(view: NDArray[np.uint8], scale: float) -> Iterator[Array]:
    """Yield grids found in a view, in pixels of the picture that it shows ``scale`` times as large."""
    squares = _squares(view)
    # Centers of pixels, not their corners, lie at whole numbers.
    half = 0.5 / scale - 0.5
    up = np.array([[1 / scale, 0, half], [0, 1 / scale, half], [0, 0, 1.0]])
    for homography in itertools.chain(_grids(squares), _detector_grids(view)):
        yield up @ _snap(homography, squares)


def _patchy(view: NDArray[np.uint8]) -> Iterator[Array]:
    """Yield (x, y) of the places of a view where thin dark lines part fields of many colors, best first.

    A chart some 60 to 130 px wide shows so. Foliage, print and toys do as well, so that it is worth a closer
    look and no more.
    """
    brightest = _brightest(view)
    closed = cv2.morphologyEx(brightest, cv2.MORPH_CLOSE, np.ones((7, 7), np.uint8))
    lines = (cv2.subtract(closed, brightest) > 12).astype(np.float32)
    half = cv2.resize(view, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    around = (31, 31)
    share = cv2.blur(cv2.resize(lines, half.shape[1::-1], interpolation=cv2.INTER_AREA), around)
    lab = cv2.cvtColor(half, cv2.COLOR_RGB2LAB)[..., 1:].astype(np.float32)
    mean = cv2.blur(lab, around)
    spread = np.sqrt(np.maximum(cv2.blur(lab * lab, around) - mean * mean, 0)).min(axis=2)
    score = np.where((share > 0.12) & (share < 0.75), spread, 0).astype(np.float32)
    for _ in range(_MOST_WINDOWS):
        y, x = np.unravel_index(int(score.argmax()), score.shape)
        if score[y, x] < _LEAST_PATCHY:
            return
        yield np.array([2.0 * x, 2.0 * y])
        cv2.circle(score, (int(x), int(y)), 30, 0.0, -1)
