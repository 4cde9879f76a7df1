"""Paint on lips told from skin by its tint: ratios of color channels, which shade does not change.

How a dealer would be misled: shade in the fold of the mouth passes for dark paint, and gloss for bare vinyl,
if lightness is asked; blush and light thrown back between the lips tint bare vinyl, so a tint counts against
how much bare skin differs around the mouth.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.eye_paint import relative
from vision.face_view import FaceView, blurred

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


def tints(view: FaceView, ring: Mask, skin: Array | None) -> tuple[Array, Array] | None:
    """Log ratios of each pixel to the skin there: (H, W) lightness and (H, W, 2) tint."""
    linear = view.linear.astype(np.float64)
    linear = blurred(linear, max(0.8, 0.004 * view.unit))
    bare = linear[ring]
    usable = (bare.min(axis=1) > 0.004) & (bare.max(axis=1) < 0.985)
    if usable.mean() < 0.3 or skin is None:
        return None
    light, warmth, green = relative(linear, skin)
    middle = [float(np.median(v[ring])) for v in (light, warmth, green)]
    return light - middle[0], np.stack([warmth - middle[1], green - middle[2]], axis=-1)


def unrest_of(tint: Array, ring: Mask) -> float:
    """How far bare skin differs from place to place around the mouth (eight sectors' medians)."""
    ys, xs = np.nonzero(ring)
    angle = np.arctan2(ys - ys.mean(), xs - xs.mean())
    sector = np.floor((angle + np.pi) / (2 * np.pi) * 8).astype(int) % 8
    values = tint[ring]
    medians = [np.median(values[sector == k], axis=0) for k in range(8) if np.count_nonzero(sector == k) > 8]
    if len(medians) < 4:
        return 0.1
    middle = np.median(medians, axis=0)
    return float(np.median(np.linalg.norm(np.array(medians) - middle, axis=1))) + 0.015


def paint_direction(tint: Array, inner: Mask, ring: Mask) -> tuple[Array, float]:
    """Unit vector from bare skin to paint in the tint plane, and how far the paint's core lies along it."""
    values = tint[inner]
    if len(values) < 20:
        return np.array([0.0, -1.0]), 0.0
    middle = np.median(tint[ring], axis=0)
    offset = values - middle
    length = np.linalg.norm(offset, axis=1)
    # Rubbed lips show paint on a part only: the direction is that of the strongly tinted part.
    strong = length >= np.quantile(length, 0.7)
    direction = np.median(offset[strong], axis=0)
    norm = float(np.linalg.norm(direction))
    if norm < 1e-6:
        return np.array([0.0, -1.0]), 0.0
    direction = direction / norm
    along = np.sort(offset @ direction)
    return direction, float(np.median(along[-max(5, len(along) // 4) :]))


def painted_pixels(strength: Array, contrast: float, unrest: float, where: Mask, unit: float) -> Mask:
    """Pixels that are paint by more than half, judged by its local strength, which gloss and shade weaken.

    Light mixes in proportion, strength in logarithms: half skin and half paint that differ by s, mostly in
    green and so twice over, differ from skin by 2 ln(2 / (1 + exp(-s / 2))), which is less than half of s.
    """
    reach = 2 * max(1, round(0.02 * unit)) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    plateau = cv2.dilate(cv2.erode(strength, np.ones((3, 3), np.uint8)), kernel)
    floor = max(0.22 * contrast, 2.5 * unrest, 0.06)
    full = np.clip(plateau, 0, contrast)
    return (strength > np.maximum(2 * np.log(2 / (1 + np.exp(-full / 2))), floor)) & where


def connected_to(mask: Mask, anchor: Mask, least: float) -> Mask:
    """Keep connected parts that touch ``anchor`` and are not specks."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    keep = np.zeros(count, bool)
    touched = np.bincount(labels[anchor & mask], minlength=count)
    for i in range(1, count):
        area = stats[i, cv2.CC_STAT_AREA]
        keep[i] = area > least * 0.2 and touched[i] > 0.3 * area
    return keep[labels]
