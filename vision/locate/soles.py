"""Find soles seen from below: one or two smooth, elongated, skin-colored regions.

How a dealer would be misled, and what stands against it: fingers, a table of wood or a coin taken for a foot
(the region must be smooth, of vinyl's hue, of a sole's shape, stand out from what is around it and not run
out of the picture on several sides; two feet must resemble each other); one foot taken for two, or two for
one (a pair is kept only when both halves are sole-shaped).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.locate import blobs
from vision.locate.blobs import Blob, Scene
from vision.locate.places import SolePlace
from vision.photo import Photo

#: Soles are not reported below this probability.
LEAST = 0.2


def find_soles(photo: Photo) -> list[SolePlace]:
    """Find the soles in a photo.

    Parameters
    ----------
    photo
        Any photo.

    Returns
    -------
    At most two places, the image's left first, each with the probability that it is a sole; empty when
    there is none. Flags: ``"cut_off"`` when the outline runs along the picture's border, ``"alone"`` when
    only one foot was found.
    """
    scene, regions = blobs.regions_of(photo)
    return _places(photo, scene, regions)


def _places(photo: Photo, scene: Scene, found: Sequence[Blob]) -> list[SolePlace]:
    """Return the soles by color, shape and what lies in them.

    Shape alone does not tell a sole from a leg, a buttock or a coin. What does is a hole, as
    :mod:`vision.foot_holes` sees it, within a region of that shape; without one the confidence stays low.
    """
    ranked = sorted(((sole_score(b), b) for b in found), key=lambda c: -c[0])
    scored = [(b, s + _hole_evidence(photo, scene, b)) for s, b in ranked[:6] if s > -1.0]
    singles = [((b,), s - 1.2) for b, s in scored]
    pairs = [
        ((a, b), 0.5 * max(s, t) + 0.25 * (s + t) + pair_score(a, b) - 1.2)
        for (a, s), (b, t) in combinations(scored, 2)
        if not (a.mask & b.mask).any()
    ]
    best = max([*singles, *pairs], key=lambda c: c[1], default=None)
    if best is None:
        return []
    chosen, score = best
    confidence = 1 / (1 + math.exp(1.6 - score))
    if confidence < LEAST:
        return []
    chosen = tuple(sorted(chosen, key=lambda b: b.center[0]))
    names = ["left_foot", "right_foot"]
    if len(chosen) == 1:
        names = ["left_foot" if chosen[0].center[0] * 2 < scene.shape[1] else "right_foot"]
    flags = ("alone",) if len(chosen) == 1 else ()
    return [
        _outlined(photo, b.mask, scene.scale, SolePlace((), confidence, n, flags))
        for b, n in zip(chosen, names, strict=True)
    ]


def _hole_evidence(photo: Photo, scene: Scene, b: Blob) -> float:
    """Return how much a hole of a fitting size speaks for a region being a sole."""
    from vision.foot_holes import judge
    from vision.hole_clues import cut_out, find_spots

    place = _outlined(photo, b.mask, scene.scale, SolePlace((), 0.5, "left_foot"))
    cut = cut_out(photo, place, longest=400)
    if cut is None:
        return 0.0
    spots = [judge(s) for s in find_spots(cut)[0] if s.diameter >= 7]
    fitting = [j for j in spots if 0.06 < j.spot.diameter * cut.scale / cut.length < 0.25]
    p = max((j.p_hole for j in fitting), default=0.0)
    return 2.5 * max(0.0, p - 0.5) / 0.5


def sole_score(b: Blob) -> float:
    """Return log-odds-like evidence that one region is a sole; 0 is undecided."""
    score = 2.0
    score += 2.0 * math.log(max(blobs.vinyl_likeness(b.lab), 1e-3)) + 0.5
    score -= 8.0 * max(0.0, 0.87 - b.solidity)
    score -= 2.0 * max(0.0, 1.5 - b.elongation) + 1.2 * max(0.0, b.elongation - 3.3)
    score -= 90.0 * max(0.0, 0.035 - b.area) + 8.0 * max(0.0, b.area - 0.28)
    score -= 5.0 * max(0.0, b.border - 0.06)
    score -= 3.0 * max(0.0, b.texture - 0.45)
    score -= 0.25 * max(0.0, 12.0 - b.contrast)
    return min(score, 2.5)


def pair_score(a: Blob, b: Blob) -> float:
    """Return evidence that two regions are the soles of one doll: alike, side by side, about parallel."""
    size = 0.25 * (a.length + b.length + a.width + b.width)
    gap = math.hypot(a.center[0] - b.center[0], a.center[1] - b.center[1]) / size
    turn = abs((a.angle - b.angle + math.pi / 2) % math.pi - math.pi / 2)
    axis = 0.5 * math.atan2(
        math.sin(2 * a.angle) + math.sin(2 * b.angle), math.cos(2 * a.angle) + math.cos(2 * b.angle)
    )
    join = math.atan2(b.center[1] - a.center[1], b.center[0] - a.center[0])
    beside = abs(math.sin(join - axis))
    color = float(np.linalg.norm(_tint(a) - _tint(b)))
    score = 1.5
    score -= 2.0 * max(0.0, abs(math.log(a.area / b.area)) - 0.25)
    score -= 2.0 * max(0.0, turn - math.radians(35))
    score -= 2.5 * max(0.0, 0.75 - beside)
    score -= 2.0 * max(0.0, gap - 1.3) + 3.0 * max(0.0, 0.45 - gap)
    score -= 0.15 * max(0.0, color - 4.0)
    if score > -2.0 and _one_foot(a, b):
        score -= 3.0
    return score


def _one_foot(a: Blob, b: Blob) -> bool:
    """Return whether two touching regions together have the shape of one sole (ball and heel of it)."""
    grown = cv2.dilate(a.mask.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    if (grown & b.mask).sum() < 0.25 * min(a.width, b.width):
        return False
    hull = cv2.convexHull(np.concatenate([blobs.outline(a.mask), blobs.outline(b.mask)]))
    _, sides, _ = cv2.minAreaRect(hull)
    solid = (int(a.mask.sum()) + int(b.mask.sum())) / max(1.0, cv2.contourArea(hull))
    longer = max(sides) / max(1.0, min(sides))
    return bool(solid > 0.72 and 1.5 < longer < 4.5)


def _tint(b: Blob) -> NDArray[np.float64]:
    light, red, yellow = b.lab
    return 76 * np.array([red, yellow]) / (max(light, 8.0) + 16)


def _outlined(photo: Photo, mask: blobs.Mask, scale: float, place: SolePlace) -> SolePlace:
    """Return ``place`` with the outline of a mask of the reduced picture, in pixels of the original."""
    flags = place.flags
    contour = blobs.outline(_rounded(mask))
    h, w = mask.shape
    x, y = contour[:, 0], contour[:, 1]
    if ((x <= 1) | (y <= 1) | (x >= w - 2) | (y >= h - 2)).mean() > 0.05:
        flags = (*flags, "cut_off")
    points = np.clip((contour + 0.5) / scale, 0, (photo.width, photo.height))
    simple = cv2.approxPolyDP(points.astype(np.float32), 0.4 / scale, True).reshape(-1, 2)
    return replace(place, outline=tuple((float(px), float(py)) for px, py in simple), flags=flags)


def _rounded(mask: blobs.Mask) -> blobs.Mask:
    """Return the mask with notches closed: a hole at the edge of a region belongs to the sole."""
    size = 2 * max(1, round(0.08 * math.sqrt(mask.sum()))) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    padded = np.pad(mask.astype(np.uint8), size)
    closed = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, kernel)[size:-size, size:-size]
    return closed > 0
