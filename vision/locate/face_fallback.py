"""Find a face without the face model: two dark eyes alike, level, and something redder below them.

A guess, good for a single upright-ish face that fills a fair part of the picture, and flagged so. People,
dolls and many other things pass; the measurements decide whether there is paint.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.face_view import polygon_of
from vision.locate.places import FacePlace
from vision.photo import Photo, linear
from vision.traits import Polygon

METHOD = "face_fallback/1"

#: Long side of the picture that is searched, in pixels.
SEARCH_PX = 240

#: A guess of this kind is never given more.
MOST_CONFIDENCE = 0.5

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Spot:
    """A compact dark spot in the searched picture: center, width, how much darker than around."""

    x: float
    y: float
    size: float
    depth: float


@dataclass(frozen=True, slots=True)
class _Guess:
    left: Array
    right: Array
    mouth: Array
    score: float


def find_faces_classical(photo: Photo) -> list[FacePlace]:
    """Return at most one place for each head that looks like a face, strongest first.

    Returns
    -------
    Places without landmarks, flagged ``"fallback"``, with confidence of at most ``MOST_CONFIDENCE``.
    """
    small, scale = photo.small
    shrink = min(1.0, SEARCH_PX / max(small.shape[:2]))
    picture = cv2.resize(small, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    light = linear(np.asarray(picture, np.uint8)).astype(np.float64)
    luma = np.log(light @ np.array([0.2126, 0.7152, 0.0722]) + 0.01)
    red = np.log((light[..., 0] + 0.01) / (light[..., 1] + 0.01))
    guesses = _guesses(_dark_spots(luma), red)
    kept: list[_Guess] = []
    for guess in sorted(guesses, key=lambda g: -g.score):
        middle, span = _middle_and_span(guess)
        if all(np.linalg.norm(middle - _middle_and_span(k)[0]) > 1.5 * span for k in kept):
            kept.append(guess)
    return [_place(guess, scale * shrink) for guess in kept[:4]]


def _middle_and_span(guess: _Guess) -> tuple[Array, float]:
    return (guess.left + guess.right) / 2, float(np.linalg.norm(guess.right - guess.left))


def _dark_spots(luma: Array) -> list[_Spot]:
    """Compact spots darker than their surroundings, at several sizes."""
    spots: list[_Spot] = []
    for radius in (3, 5, 8, 12):
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
        hat = cv2.morphologyEx(luma.astype(np.float32), cv2.MORPH_BLACKHAT, kernel)
        count, labels, stats, centers = cv2.connectedComponentsWithStats((hat > 0.7).astype(np.uint8))
        for i in range(1, count):
            w, h, area = (int(stats[i, k]) for k in (cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT, cv2.CC_STAT_AREA))
            compact = area > 0.3 * w * h and 0.35 < w / h < 4 and max(w, h) <= 2.6 * radius
            if compact and area >= max(4, 0.25 * radius**2):
                depth = float(hat[labels == i].mean())
                spots.append(_Spot(float(centers[i][0]), float(centers[i][1]), float(max(w, h)), depth))
    spots.sort(key=lambda spot: -spot.depth * spot.size)
    return spots[:60]


def _guesses(spots: list[_Spot], red: Array) -> list[_Guess]:
    """Pairs of like spots with something redder where the mouth would be, at any of four turns."""
    out = []
    for i, a in enumerate(spots):
        for b in spots[i + 1 :]:
            apart = np.array([b.x - a.x, b.y - a.y])
            span = float(np.linalg.norm(apart))
            alike = min(a.size, b.size) / max(a.size, b.size)
            if not (1.3 * max(a.size, b.size) < span < 6 * max(a.size, b.size)) or alike < 0.5:
                continue
            for across in (apart / span, -apart / span):
                down = np.array([-across[1], across[0]])
                middle = np.array([(a.x + b.x) / 2, (a.y + b.y) / 2])
                mouth, contrast = _mouth(red, middle, across, down, span)
                score = alike * min(contrast / 0.4, 1.0) * min(1.0, (a.depth + b.depth) / 3)
                if contrast > 0.12:
                    first = np.array([a.x, a.y]) if across @ apart > 0 else np.array([b.x, b.y])
                    out.append(_Guess(first, 2 * middle - first, mouth, float(score)))
    return out


def _mouth(red: Array, middle: Array, across: Array, down: Array, span: float) -> tuple[Array, float]:
    """The reddest place below the eyes and how much redder it is than the cheeks at its height."""
    best, best_contrast = middle, 0.0
    for step in np.linspace(0.85, 1.45, 7):
        at = middle + step * span * down
        cheeks = [_mean(red, at + side * 0.55 * span * across, 0.08 * span) for side in (-1, 1)]
        here = _mean(red, at, 0.10 * span)
        if any(np.isnan(v) for v in (*cheeks, here)):
            continue
        contrast = here - max(cheeks)
        if contrast > best_contrast:
            best, best_contrast = at, contrast
    return best, float(best_contrast)


def _mean(values: Array, at: Array, radius: float) -> float:
    r = max(1, round(radius))
    x, y = round(float(at[0])), round(float(at[1]))
    if x - r < 0 or y - r < 0 or x + r >= values.shape[1] or y + r >= values.shape[0]:
        return float("nan")
    return float(values[y - r : y + r + 1, x - r : x + r + 1].mean())


def _place(guess: _Guess, scale: float) -> FacePlace:
    """Write a place from three points; proportions of an average face, from memory."""
    left, right, mouth = guess.left / scale, guess.right / scale, guess.mouth / scale
    span = float(np.linalg.norm(right - left))
    across = (right - left) / span
    down = np.array([-across[1], across[0]])
    middle = (left + right) / 2

    def oval(center: Array, wide: float, high: float) -> Polygon:
        t = np.linspace(0, 2 * np.pi, 24, endpoint=False)[:, None]
        return polygon_of(center + span * (wide * np.cos(t) * across + high * np.sin(t) * down))

    def at(x: float, y: float) -> Array:
        return np.asarray(middle + span * (x * across + y * down))

    corners = np.array([at(x, y) for x in (-1.2, 1.2) for y in (-1.0, 1.9)])
    low, high = corners.min(axis=0), corners.max(axis=0)
    return FacePlace(
        box=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        confidence=MOST_CONFIDENCE * min(1.0, guess.score),
        left_eye=oval(left, 0.27, 0.12),
        right_eye=oval(right, 0.27, 0.12),
        lips=oval(mouth, 0.34, 0.14),
        inner_lips=oval(mouth, 0.28, 0.02),
        left_ear=oval(at(-1.2, 0.45), 0.2, 0.4),
        right_ear=oval(at(1.2, 0.45), 0.2, 0.4),
        skin=(
            oval(at(0, -0.6), 0.45, 0.12),
            oval(at(-0.55, 0.6), 0.2, 0.18),
            oval(at(0.55, 0.6), 0.2, 0.18),
            oval(mouth + 0.38 * span * down, 0.2, 0.08),
        ),
        roll_deg=float(np.degrees(np.arctan2(across[1], across[0]))),
        method=METHOD,
        flags=("fallback",),
    )
