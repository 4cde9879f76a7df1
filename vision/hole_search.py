"""Where on a sole a hole may be: dark compact spots, and those that differ from the vinyl in any way.

How a dealer would be misled: a hole that goes right through shows the table behind it, as light as the table
is. It keeps no light out, so a search for the dark finds a sole without a hole, and "none" is said of a doll
whose feet were opened. Such a spot is looked for by its color, and what it is, is left to the network that
sees it (:mod:`vision.hole_kinds`): nothing here says that it is a hole.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.color import luminance
from vision.hole_clues import LARGEST, SMALLEST, TINY, Ellipse, Sole, Spot, outlined, study
from vision.traits import Polygon

Floats = NDArray[Any]
Mask = NDArray[np.bool_]

#: A blob this dark beside the vinyl may be a hole.
DARK_ENOUGH = 0.35
_SEARCH_LENGTH = 320.0
_BEYOND = 0.05
#: A search by color: the sole's length (px), and the window of its own vinyl as a share of its width.
_LENGTH, _WINDOW = 200.0, 0.42
#: Natural log by which a spot differs from the vinyl around it at the least, and that in multiples of the
#: sole's own unevenness (median absolute difference).
_DIFFERENT, _UNEVEN = 0.22, 4.0
#: A compact spot fills this much of its convex hull, and is at least this broad for its length.
_SOLID, _BROAD = 0.7, 0.4
_MOST = 4


# --- by its dark ------------------------------------------------------------------------------------


def find_spots(cut: Sole) -> tuple[list[Spot], int]:
    """Return all dark compact spots on the sole, and how many dark blobs could not be studied.

    Such a blob lies at the border of the outline, or is no closed spot; it may still hide a hole.
    """
    found: list[Spot] = []
    unclear: list[Ellipse] = []
    for darkness, rough in _dark_blobs(cut):
        spot = study(cut, rough)
        if spot is None:
            if darkness < DARK_ENOUGH and _on_sole(cut, rough) > 0.5:
                unclear.append(rough)
        elif not any(_same(spot.ellipse, other.ellipse) for other in found):
            found.append(spot)
    left = [e for e in unclear if not any(_same(e, s.ellipse) for s in found)]
    return found, len(left)


def spot_at(cut: Sole, outline: Polygon) -> Spot | None:
    """Return the dark spot that a person outlined, its edge refined; None when no closed one is there.

    ``outline`` is in pixels of the original.
    """
    points = (np.asarray(outline, float).reshape(-1, 2) - cut.origin + 0.5) * cut.scale - 0.5
    if len(points) < 3:
        return None
    blob = np.zeros(cut.mask.shape, np.uint8)
    cv2.fillPoly(blob, [np.round(points * 16).astype(np.int32)], 1, shift=4)
    return study(cut, _moment_ellipse(blob > 0)) if blob.sum() >= 12 else None


def _on_sole(cut: Sole, e: Ellipse) -> float:
    """Return which share of an ellipse lies within the outline."""
    blob = np.zeros(cut.mask.shape, np.uint8)
    axes = (max(1, round(e.a)), max(1, round(e.b)))
    cv2.ellipse(blob, (round(e.x), round(e.y)), axes, math.degrees(e.angle), 0, 360, 1, -1)
    return float(cut.mask[blob > 0].mean()) if blob.any() else 0.0


def _same(one: Ellipse, other: Ellipse) -> bool:
    return math.hypot(one.x - other.x, one.y - other.y) < 0.6 * max(one.a, other.a)


def _beside(one: Ellipse, hole: Ellipse) -> bool:
    return math.hypot(one.x - hole.x, one.y - hole.y) < 2.4 * one.a + hole.a


def _relative_darkness(cut: Sole, scale: float) -> tuple[Floats, Floats]:
    """Return luminance over that of the vinyl around, at ``scale``, and where to look."""
    size = (max(8, round(cut.rgb.shape[1] * scale)), max(8, round(cut.rgb.shape[0] * scale)))
    y: Floats = cv2.resize(luminance(cut.rgb).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    mask: Floats = cv2.resize(cut.mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    # Outlines are rough, and holes lie near the heel's end: look a little beyond.
    reach = 2 * round(_BEYOND * cut.length * scale) + 1
    wide: Floats = cv2.dilate(mask, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach)))
    weight = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 0.06 * size[0])
    around = cv2.GaussianBlur(y * mask, (0, 0), 0.06 * size[0]) / np.maximum(weight, 1e-3)
    inner = cv2.erode(wide, np.ones((3, 3), np.uint8))
    filled: Floats = np.where(inner > 0, y, around).astype(np.float32)
    filled = cv2.GaussianBlur(filled, (0, 0), 0.8)
    across = 0.25 * min(cut.width * scale, 0.5 * cut.length * scale)
    return filled / np.maximum(_closed(filled, across), TINY), wide


def _closed(values: Floats, reach: float) -> Floats:
    """Return values with dark spots narrower than 2 ``reach`` px filled; wide ones on a reduced picture."""
    height, width = values.shape
    shrink = min(max(1, int(reach / 8)), max(1, min(height, width) // 8))
    size = (round(width / shrink), round(height / shrink))
    coarse = values if shrink == 1 else cv2.resize(values, size, interpolation=cv2.INTER_AREA)
    side = 2 * round(reach / shrink) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    base = cv2.morphologyEx(coarse, cv2.MORPH_CLOSE, kernel, borderType=cv2.BORDER_REPLICATE)
    return base if shrink == 1 else cv2.resize(base, (width, height), interpolation=cv2.INTER_LINEAR)


def _dark_blobs(cut: Sole) -> list[tuple[float, Ellipse]]:
    """Return (ratio of its darkest part to the vinyl, rough ellipse) of dark compact blobs, darkest first."""
    scale = min(1.0, _SEARCH_LENGTH / cut.length)
    ratio, mask = _relative_darkness(cut, scale)
    length = cut.length * scale
    least, most = math.pi / 4 * (SMALLEST * 0.7 * length) ** 2, math.pi / 4 * (LARGEST * length) ** 2
    found: list[tuple[float, float, Ellipse]] = []
    for level in (0.25, 0.4, 0.55, 0.7, 0.82):
        n, labels, stats, _ = cv2.connectedComponentsWithStats(
            ((ratio < level) & (mask > 0)).astype(np.uint8)
        )
        for k in range(1, n):
            if not max(5.0, least * 0.6) <= stats[k, cv2.CC_STAT_AREA] <= most:
                continue
            blob = labels == k
            ellipse = _moment_ellipse(blob)
            if ellipse.b < 0.33 * ellipse.a or _solidity(blob) < 0.68:
                continue
            darkest = float(np.percentile(ratio[blob], 10))
            # The level nearest half way between dark and vinyl outlines the spot best.
            misfit = abs(level - 0.5 * (darkest + 1))
            found.append((misfit, darkest, ellipse.scaled(1 / scale)))
    found.sort(key=lambda f: f[0])
    kept: list[tuple[float, Ellipse]] = []
    for _, darkest, e in found:
        if all(math.hypot(e.x - o.x, e.y - o.y) > 0.7 * max(e.a, o.a) for _, o in kept):
            kept.append((darkest, e))
    return sorted(kept, key=lambda k: k[0])[:6]


def _moment_ellipse(blob: Mask) -> Ellipse:
    ys, xs = np.nonzero(blob)
    cov = np.cov(np.stack([xs, ys])) + np.eye(2) / 12
    values, vectors = np.linalg.eigh(cov)
    return Ellipse(
        float(xs.mean()),
        float(ys.mean()),
        2 * math.sqrt(values[1]),
        2 * math.sqrt(values[0]),
        math.atan2(vectors[1, 1], vectors[0, 1]),
    )


def _solidity(blob: Mask) -> float:
    contours, _ = cv2.findContours(blob.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(max(contours, key=len))
    filled = np.zeros(blob.shape, np.uint8)
    cv2.fillConvexPoly(filled, hull, 1)
    return float(blob.sum() / max(1, filled.sum()))


# --- by its color -----------------------------------------------------------------------------------


def find_foreign(cut: Sole, known: Sequence[Spot]) -> list[Spot]:
    """Return compact spots of another light or color than the vinyl around them, none twice.

    Parameters
    ----------
    known
        Holes found before. What lies on them or close by is left out: who looks at it sees the hole.

    Returns
    -------
    Spots with ``by_color`` set: their outline is that of the foreign patch, and what they tell of an edge or
    of a profile is not to be believed. The most foreign first, four at the most.
    """
    scale = min(1.0, _LENGTH / cut.length)
    away, mask = _strangeness(cut, scale)
    least, most = (math.pi / 4 * (share * cut.length * scale) ** 2 for share in (SMALLEST, LARGEST))
    limit = max(_DIFFERENT, _UNEVEN * float(np.median(away[mask])))
    found: list[tuple[float, Ellipse]] = []
    n, labels, stats, _ = cv2.connectedComponentsWithStats(((away > limit) & mask).astype(np.uint8))
    for k in range(1, n):
        blob = labels == k
        if not max(6.0, least) <= stats[k, cv2.CC_STAT_AREA] <= most or _reaches(blob, mask):
            continue
        ellipse = _moment_ellipse(blob)
        if ellipse.b >= _BROAD * ellipse.a and _solidity(blob) >= _SOLID:
            found.append((float(np.median(away[blob])), ellipse.scaled(1 / scale)))
    found.sort(key=lambda f: -f[0])
    spots = (outlined(cut, e) for _, e in found if not any(_beside(e, s.ellipse) for s in known))
    return [s for s in spots if s is not None][:_MOST]


def _strangeness(cut: Sole, scale: float) -> tuple[Floats, Mask]:
    """Return how far (natural log, largest of three channels) each sample is from the vinyl around it.

    The vinyl around is the median of a window: a spot that fills less than half of it does not count.
    """
    size = tuple(max(8, round(v * scale)) for v in cut.rgb.shape[1::-1])
    rgb = cv2.resize(cut.rgb.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    mask = cv2.resize(cut.mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    logs = np.log(np.maximum(rgb, 0.004))
    middle = np.median(logs[mask], axis=0)
    codes = np.clip((logs - middle) * 40 + 128, 0, 255)  # eighty codes to a factor of e squared
    codes = np.where(mask[..., None], codes, 128).astype(np.uint8)
    side = min(2 * round(_WINDOW * cut.width * scale) + 1, 255)
    weight = cv2.blur(mask.astype(np.float32), (side, side))
    around = np.dstack([_median_within(codes[..., c], mask, weight, side) for c in range(3)])
    away = np.abs(cv2.GaussianBlur(codes, (0, 0), 0.7).astype(np.float32) - around).max(-1) / 40
    inner = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return away, inner


def _median_within(codes: NDArray[np.uint8], mask: Mask, weight: Floats, side: int) -> Floats:
    """Return the median of a window over the mask: what lies outside is first filled from within."""
    near = cv2.blur(np.where(mask, codes, 0).astype(np.float32), (side, side)) / np.maximum(weight, 1e-3)
    filled = np.where(mask, codes, np.clip(near, 0, 255)).astype(np.uint8)
    return cv2.medianBlur(filled, side).astype(np.float32)


def _reaches(blob: Mask, mask: Mask) -> bool:
    """Return whether a blob lies along the outline's border for more than a quarter of its own."""
    ring = cv2.dilate(blob.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    edge = ring & ~blob
    return bool(np.mean(~mask[edge]) > 0.25)
