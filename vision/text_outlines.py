"""Outlines of the lines of text in a map of where letters stand.

A text map marks the core of each line; the outline is the core grown by its thickness.

How a dealer would be misled: a line on a swelling body is seen bent, often as an S. Letters cut out along a
straight rectangle then stand slanted at its ends, where they are misread. So the outline follows the bend of
its core.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

#: Height of a capital over the height of a line's outline, as text detectors draw it.
CAPITAL_SHARE = 0.53

#: How much a bent core is grown on each side, times its thickness. For a core much longer than thick this is
#: the same as the growth of straight ones, area times 1.6 over the perimeter.
_GROWTH = 0.8
#: Shorter side of a core's rectangle over its thickness from which the core counts as bent.
_BENT = 1.15
#: The curve along a core has one degree more for so much more length over thickness, and this degree at most.
_SLENDER_A_DEGREE, _MOST_DEGREE = 6.0, 3
#: Steepest slope of that curve; a core bent further is tried as a part of a circle only.
_STEEPEST = 1.0
#: Spread of a core's pixels across its curve (standard deviation over its thickness) above which they do not
#: lie along it.
_MOST_SPREAD = 0.45
#: Points on each edge of a bent outline.
_BAND_POINTS = 33


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """The outline of one line and its mean score, 0–1.

    ``polygon`` is (2 k, 2) in the picture's pixels: the upper edge, then the lower edge back. ``core`` is
    (n, 2): columns and rows of the map's pixels in the line's core.
    """

    polygon: NDArray[np.float64]
    score: float
    core: NDArray[np.int64]


def lines_of_map(
    score: NDArray[np.float32], scale: tuple[float, float], threshold: float = 0.3, keep: float = 0.4
) -> list[Outline]:
    """Return outlines of the text lines in a text score map.

    Differentiable binarization's box step (Liao et al. 2020, 10.1609/aaai.v34i07.6812): the map marks the
    shrunken core of a line, so each core is grown by area · 1.6 / perimeter.

    Parameters
    ----------
    score
        (h, w) float32 in [0, 1].
    scale
        Map pixels per picture pixel, x and y.
    threshold, keep
        Score above which a pixel belongs to a core, and mean score below which a core is dropped.

    Returns
    -------
    The outlines by their highest points, from the top down.
    """
    out = []
    for contour in _cores(score, threshold):
        if min(cv2.minAreaRect(contour)[1]) < 3:
            continue
        x, y, w, h = cv2.boundingRect(contour)
        core = np.zeros((h, w), np.uint8)
        cv2.drawContours(core, [contour], -1, 1, cv2.FILLED, offset=(-x, -y))
        mean = float(score[y : y + h, x : x + w][core > 0].mean())
        if mean < keep:
            continue
        pixels = np.argwhere(core > 0)[:, ::-1] + (x, y)
        outline = _grown_outline(contour.reshape(-1, 2), core, pixels.astype(np.float64))
        out.append(Outline(outline / np.asarray(scale), mean, pixels))
    return sorted(out, key=lambda line: float(line.polygon[:, 1].min()))


def _cores(score: NDArray[np.float32], threshold: float) -> list[NDArray[np.int32]]:
    """Return contours of cores; one that twice the threshold parts into lines side by side gives those."""
    small = np.ones((2, 2), np.uint8)
    mask = np.asarray(cv2.dilate((score > threshold).astype(np.uint8), small), np.uint8)
    sure = cv2.erode((score > 2 * threshold).astype(np.uint8), small)
    out = []
    for contour in _contours(mask):
        blob = np.zeros(score.shape, np.uint8)
        cv2.drawContours(blob, [contour], -1, 1, cv2.FILLED)
        whole = cv2.contourArea(contour)
        parts = [
            c
            for c in _contours(np.asarray(cv2.bitwise_and(sure, blob), np.uint8))
            if cv2.contourArea(c) > 0.08 * whole + 8
        ]
        side_by_side = sum(max(cv2.minAreaRect(c)[1]) for c in parts) > 1.35 * max(
            cv2.minAreaRect(contour)[1]
        )
        out += parts if side_by_side else [contour]
    return out


def _contours(mask: NDArray[np.uint8]) -> list[NDArray[np.int32]]:
    """Return the outer contours, (n, 1, 2) of four points or more."""
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return [np.asarray(c, np.int32) for c in contours if len(c) >= 4]


def _grown_outline(
    contour: NDArray[Any], core: NDArray[np.uint8], pixels: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the outline of the line around a core: a rectangle, or a band along the core's bend."""
    (cx, cy), (w, h), angle = cv2.minAreaRect(contour)
    thickness = min(w, h, 2.0 * float(cv2.distanceTransform(np.pad(core, 1), cv2.DIST_L2, 3).max()))
    if min(w, h) > _BENT * thickness and max(w, h) > 2.5 * thickness:
        bent = [band for band in (_smooth_band(pixels), _circular_band(pixels)) if band is not None]
        if bent:
            return min(bent, key=lambda band: band[0])[1]
    grow = w * h * 1.6 / (2 * (w + h))
    return _from_top_left(cv2.boxPoints(((cx, cy), (w + 2 * grow, h + 2 * grow), angle)))


def _smooth_band(pixels: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]] | None:
    """Return the spread of pixels across a gentle curve and the band along it; None if none fits."""
    line = centerline(pixels)
    if line is None or line.spread > _MOST_SPREAD * line.thickness:
        return None
    reach = _GROWTH * line.thickness
    return line.spread, line.band(0.5 * line.thickness + reach, reach)


@dataclass(frozen=True, slots=True, eq=False)
class Centerline:
    """The gentle curve along which the core of a line lies: a polynomial over its longest direction.

    Attributes
    ----------
    middle, along
        (2,) mean of the core's pixels, and unit vector of its longest direction, rightward.
    curve
        Distance aside from ``middle``, positive below a line that runs right, as a function of the distance
        along.
    low, high
        Distances along at which the core begins and ends.
    thickness, spread
        Mean thickness of the core, and standard deviation of its pixels across the curve.
    """

    middle: NDArray[np.float64]
    along: NDArray[np.float64]
    curve: np.polynomial.Polynomial
    low: float
    high: float
    thickness: float
    spread: float

    def band(self, half: float, reach: float) -> NDArray[np.float64]:
        """Return the (2 k, 2) outline ``half`` to each side, lengthened straight on by ``reach``."""
        at = np.linspace(self.low - reach, self.high + reach, _BAND_POINTS)
        held = np.clip(at, self.low, self.high)
        slope = self.curve.deriv()(held)
        across = np.array([-self.along[1], self.along[0]])
        aside = self.curve(held) + slope * (at - held)
        center = self.middle + at[:, None] * self.along + aside[:, None] * across
        normal = (across - slope[:, None] * self.along) / np.hypot(1.0, slope)[:, None]
        return np.asarray(
            np.concatenate([center - half * normal, (center + half * normal)[::-1]]), np.float64
        )


def centerline(pixels: NDArray[np.float64]) -> Centerline | None:
    """Return the curve along which a line's core lies; None where it bends too far, or is but a spot.

    A body swells and narrows, so that a straight line of letters is seen as an S or a part of an arc: a
    cubic follows both.

    Parameters
    ----------
    pixels
        (n, 2) places of the core's pixels, one square unit each.
    """
    if len(pixels) < 4:
        return None
    middle = pixels.mean(axis=0)
    along = np.linalg.svd(pixels - middle, full_matrices=False)[2][0]
    if along[0] < 0 or (abs(along[0]) < 1e-9 and along[1] < 0):
        along = -along
    u, v = ((pixels - middle) @ axis for axis in (along, np.array([-along[1], along[0]])))
    low, high = float(u.min()), float(u.max())
    if high - low < 1.0:
        return None
    slender = (high - low) ** 2 / len(pixels)
    degree = int(np.clip(slender / _SLENDER_A_DEGREE, 1, _MOST_DEGREE))
    curve = np.polynomial.Polynomial.fit(u, v, degree)
    slope = curve.deriv()(np.linspace(low, high, _BAND_POINTS))
    if np.abs(slope).max() > _STEEPEST:
        return None
    length = float(np.hypot(1.0, slope).mean()) * (high - low)
    thickness = len(pixels) / max(length, 1e-6)
    return Centerline(middle, along, curve, low, high, thickness, float((v - curve(u)).std()))


def _circular_band(pixels: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]] | None:
    """Return the spread of pixels across a circle and the band along it; None if none fits."""
    center, radius = _circle(pixels)
    away = pixels - center
    mean = pixels.mean(axis=0) - center
    reference = math.atan2(mean[1], mean[0])
    turn = (np.arctan2(away[:, 1], away[:, 0]) - reference + np.pi) % (2 * np.pi) - np.pi
    low, high = np.quantile(turn, (0.005, 0.995))
    spread = float(np.hypot(*away.T).std())
    thickness = len(pixels) / max(radius * (high - low), 1e-6)
    if spread > _MOST_SPREAD * thickness or high - low > 5.5 or radius < 1.5 * thickness:
        return None
    reach = _GROWTH * thickness
    angles = np.linspace(low - reach / radius, high + reach / radius, _BAND_POINTS) + reference
    half = 0.5 * thickness + reach
    rays = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    outer, inner = ((radius + s * half) * rays + center for s in (1, -1))
    band = np.concatenate([outer, inner[::-1]])
    chord = band[_BAND_POINTS - 1] - band[0]
    backward = chord[0] < 0 or (abs(chord[0]) < 1e-9 and chord[1] < 0)
    return spread, np.asarray(np.roll(band, _BAND_POINTS, axis=0) if backward else band, np.float64)


def _circle(points: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Return center and radius of the circle nearest to the points: Kåsa's fit refined by Gauss-Newton."""
    origin = points.mean(axis=0)
    x, y = (points - origin).T
    design = np.stack([x, y, np.ones_like(x)], axis=1)
    a, b, c = np.linalg.lstsq(design, x * x + y * y, rcond=None)[0]
    state = np.array([a / 2, b / 2, math.sqrt(max(c + (a * a + b * b) / 4, 1e-6))])
    for _ in range(20):
        dx, dy = x - state[0], y - state[1]
        distance = np.maximum(np.hypot(dx, dy), 1e-6)
        jacobian = np.stack([-dx / distance, -dy / distance, -np.ones_like(x)], axis=1)
        step = np.linalg.lstsq(jacobian, -(distance - state[2]), rcond=None)[0]
        state += step
        if np.abs(step).max() < 1e-3:
            break
    return state[:2] + origin, float(abs(state[2]))


def _from_top_left(corners: NDArray[Any]) -> NDArray[np.float64]:
    """Order a rectangle's corners clockwise so that its longer side runs left to right (mod 180°)."""
    points = np.asarray(corners, np.float64)
    center = points.mean(axis=0)
    points = points[np.argsort(np.arctan2(*(points - center).T[::-1]))]
    if np.linalg.norm(points[1] - points[0]) < np.linalg.norm(points[2] - points[1]):
        points = np.roll(points, -1, axis=0)
    along = points[1] - points[0]
    if along[0] < 0 or (abs(along[0]) < 1e-9 and along[1] < 0):
        points = np.roll(points, 2, axis=0)
    return points
