"""Find soles seen from below: one or two smooth, elongated, skin-colored regions.

How a dealer would be misled, and what stands against it: fingers, a table of wood or a coin taken for a foot
(the region must be smooth, of vinyl's hue, of a sole's shape, stand out from what is around it and not run
out of the picture on several sides; two feet must resemble each other); one foot taken for two, or two for
one (a pair is kept only when both halves are sole-shaped).

Two ways lead to a region. Colors of the whole photo are grouped, which finds a foot that differs from what is
around it. And dark spots that look like holes are looked for everywhere; what has the color of the vinyl
beside such a spot is the foot, also where a wrong white balance leaves no skin color. The outline of what
is chosen is then drawn along the edges of the picture (graph cut: Rother et al. 2004,
doi:10.1145/1015706.1015720).

The parts network (:mod:`vision.locate.parts`) looks a second time, where it is installed: it makes a place
surer or less sure, and adds soles that neither way found. What it alone sees stays doubtful without a hole.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.locate import blobs, parts
from vision.locate.blobs import Blob, Scene
from vision.locate.places import SolePlace
from vision.network import heard
from vision.photo import Photo

#: Soles are not reported below this probability.
LEAST = 0.2
#: Long side of the picture in which holes are looked for before any sole is known.
_SEARCH_SIDE = 480
#: Color steps from the vinyl beside a hole up to which a pixel may belong to the same foot.
_STEPS = (3.5, 5.5, 8.0, 11.0)
#: What a color unlike vinyl can cost, as the white balance may be far off; and where a hole speaks for vinyl.
_OFF_COLOR, _OFF_COLOR_HOLE = -3.0, -1.5
#: How sure a sole is that the parts network alone sees, in log-odds.
_SEEN_ALONE = -0.2
#: Log-odds that it adds to or takes from a sole that it sees wholly or not at all.
_MOST_ADDED, _MOST_TAKEN = 1.0, 0.7


@dataclass(frozen=True, slots=True)
class Hole:
    """A dark spot of the reduced picture that is a hole with probability ``chance``; sizes in its pixels."""

    x: float
    y: float
    radius: float
    chance: float


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
    holes = _find_holes(photo, scene)
    regions = [*found, *(b for hole in holes[:3] if (b := grow(scene, hole)) is not None)]
    scored = [(b, sole_score(b, bool(h > 1.5)), h) for b in regions for h in (hole_score(holes, b),)]
    scored = sorted(((b, s, h) for b, s, h in scored if s + h > -1.0), key=lambda c: -c[1] - c[2])[:7]
    # A search within the region sees a hole's surroundings better.
    rated = [(b, s + max(h, _hole_evidence(photo, scene, b) if h < 2 else 0.0)) for b, s, h in scored]
    singles = [((b,), s - 1.2) for b, s in rated]
    pairs = [
        ((a, b), 0.5 * max(s, t) + 0.25 * (s + t) + pair_score(a, b) - 1.2)
        for (a, s), (b, t) in combinations(rated, 2)
        if np.count_nonzero(a.mask & b.mask) < 0.02 * min(a.mask.sum(), b.mask.sum())
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
    masks = [refine(scene, b) for b in chosen]
    return [
        _outlined(photo, mask, scene.scale, SolePlace((), confidence, n, flags))
        for mask, n in zip(masks, names, strict=True)
    ]


# --- the parts network's look ---------------------------------------------------------------------------


def second_look(photo: Photo, found: Sequence[SolePlace]) -> list[SolePlace]:
    """Return soles as the parts network sees them too.

    Parameters
    ----------
    found
        What :func:`find_soles` returned for the photo.

    Returns
    -------
    ``found`` as it is where the network is not available or fails. Otherwise its confidences moved, with the
    flag ``"second_opinion"`` or ``"opinions_differ"``, outlines that leave out a good part of a sole made
    whole, and up to two soles in all, those that the network alone saw with the flag ``"by_network"``.
    """
    seen = heard("parts", lambda: parts.of_photo(photo))
    if seen is None or "sole" not in seen.names:
        return list(found)
    scene, _ = blobs.regions_of(photo)
    to_view = np.array([[scene.scale, 0.0, 0.0], [0.0, scene.scale, 0.0]])
    chance = seen.on(to_view, scene.shape, *(n for n in ("sole", "hole") if n in seen.names))
    inside = [_filled(s, scene) for s in found]
    feet = _seen_feet(scene, chance)
    places = [
        _agreed(s, float(chance[m].mean()) if m.any() else 0.5) for s, m in zip(found, inside, strict=True)
    ]
    for i, whole in enumerate(_wholes(feet, chance > 0.5, inside)):
        if _cut_short(inside[i], whole):
            outer = refine(scene, blobs.describe(scene, whole))
            places[i] = _outlined(photo, outer, scene.scale, places[i])
    added = [b for b in feet if not any(_on(b.mask, m) for m in inside)]
    places += [_by_network(photo, scene, b, float(chance[b.mask].mean())) for b in added[: 2 - len(places)]]
    return _named(places, photo.width) if len(places) > len(found) else places


def _filled(sole: SolePlace, scene: Scene) -> blobs.Mask:
    """Return the mask of an outline in the reduced picture."""
    mask = np.zeros(scene.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(np.asarray(sole.outline) * scene.scale - 0.5).astype(np.int32)], 1)
    return mask > 0


def _on(mask: blobs.Mask, other: blobs.Mask) -> bool:
    """Return whether one region lies on another to a fifth of either."""
    both = np.count_nonzero(mask & other)
    return bool(both > 0.2 * min(np.count_nonzero(mask), np.count_nonzero(other)))


def _wholes(feet: Sequence[Blob], seen: blobs.Mask, inside: Sequence[blobs.Mask]) -> list[blobs.Mask]:
    """Return, for each of some soles, the foot it lies on as the network sees it, or nothing.

    Two feet that are seen as one are shared out: each sole gets what is nearest to it.
    """
    pieces = blobs.components(seen.astype(np.uint8), 0.01 * seen.size)
    out = []
    for i, mask in enumerate(inside):
        rest = [m for j, m in enumerate(inside) if j != i]
        foot = next((b.mask for b in feet if _on(b.mask, mask)), None)
        if foot is None:
            joined = (p for p in pieces if _on(p, mask) and any(_on(p, m) for m in rest))
            foot = next(joined, np.zeros_like(mask))
        away = [cv2.distanceTransform((~m).astype(np.uint8), cv2.DIST_L2, 5) for m in (mask, *rest)]
        out.append(blobs.fill_holes((foot > 0) & (np.stack(away).argmin(0) == 0), 0.04))
    return out


def _cut_short(mask: blobs.Mask, whole: blobs.Mask) -> bool:
    """Return whether an outline holds only a part of a sole.

    A step in the vinyl can end an outline early; a hole in what is left out would be missed, and the foot
    said to have none.
    """
    shared = np.count_nonzero(mask & whole)
    return bool(shared > 0.8 * np.count_nonzero(mask) and shared < 0.8 * np.count_nonzero(whole))


def _agreed(sole: SolePlace, chance: float) -> SolePlace:
    """Return a sole with its confidence moved by the network's mean probability inside it."""
    moved = float(np.clip(4 * (chance - 0.5), -_MOST_TAKEN, _MOST_ADDED))
    flag = "second_opinion" if chance > 0.6 else "opinions_differ" if chance < 0.3 else None
    flags = (*sole.flags, flag) if flag else sole.flags
    return replace(sole, confidence=_shifted(sole.confidence, moved), flags=flags)


def _shifted(chance: float, moved: float) -> float:
    chance = min(max(chance, 1e-3), 1 - 1e-3)
    return 1 / (1 + math.exp(-math.log(chance / (1 - chance)) - moved))


def _seen_feet(scene: Scene, chance: NDArray[np.float32]) -> list[Blob]:
    """Return the soles that the network sees, largest first: feet that touch are parted."""
    least = 0.01 * chance.size
    feet = []
    for piece in blobs.components((chance > 0.5).astype(np.uint8), least):
        filled = blobs.fill_holes(piece, 0.04)  # spots, not the gap between two feet
        whole = blobs.describe(scene, filled)
        halves = [blobs.describe(scene, half) for half in blobs.split(filled, least)]
        # Two feet side by side are wider or more notched than one, and each half is a foot.
        two = len(halves) == 2 and min(h.elongation for h in halves) > max(1.4, whole.elongation)
        feet += halves if two else [whole]
    return sorted((b for b in feet if 1.2 < b.elongation < 5.0), key=lambda b: -b.area)


def _by_network(photo: Photo, scene: Scene, b: Blob, chance: float) -> SolePlace:
    """Return a sole that the network alone saw; what is measured is whether a hole lies in it."""
    odds = _SEEN_ALONE + 2 * (chance - 1) + _hole_evidence(photo, scene, b)
    place = SolePlace((), 1 / (1 + math.exp(-odds)), "left_foot", ("by_network",))
    return _outlined(photo, refine(scene, b), scene.scale, place)


def _named(places: Sequence[SolePlace], width: int) -> list[SolePlace]:
    """Return soles the image's left first and named so; one alone by the half of the picture it lies in."""

    def middle(sole: SolePlace) -> float:
        return float(np.mean(np.asarray(sole.outline)[:, 0]))

    ordered = sorted(places, key=middle)
    if len(ordered) == 1:
        (sole,) = ordered
        part = "left_foot" if 2 * middle(sole) < width else "right_foot"
        return [replace(sole, part=part, flags=(*sole.flags, "alone"))]
    rest = [tuple(f for f in s.flags if f != "alone") for s in ordered]
    names = ("left_foot", "right_foot")
    return [replace(s, part=n, flags=f) for s, n, f in zip(ordered, names, rest, strict=True)]


# --- holes first -------------------------------------------------------------------------------------


def _find_holes(photo: Photo, scene: Scene) -> list[Hole]:
    """Return what looks like a hole anywhere in the photo, likeliest first, in pixels of the scene."""
    from vision.hole_clues import whole
    from vision.hole_kinds import glance
    from vision.hole_search import find_spots

    cut = whole(photo, _SEARCH_SIDE)
    k = scene.scale / cut.scale
    judged = [glance(spot) for spot in find_spots(cut)[0]]
    found = [
        Hole(j.spot.ellipse.x * k, j.spot.ellipse.y * k, j.spot.ellipse.a * k, j.p_hole)
        for j in judged
        if j.p_hole > 0.5 and j.spot.diameter >= 7
    ]
    return sorted(found, key=lambda h: -h.chance)


def grow(scene: Scene, hole: Hole) -> Blob | None:
    """Return the region around a hole that has the color of the vinyl beside it, the most sole-like one.

    Light falls off across a foot, and how far its color strays is not known: several steps are tried.
    """
    h, w = scene.shape
    ys, xs = np.mgrid[:h, :w]
    away = np.hypot(xs - hole.x, ys - hole.y) / max(hole.radius, 1.5)
    beside = (away > 1.2) & (away < 2.0)
    if np.count_nonzero(beside) < 8:
        return None
    tint = np.median(scene.chroma[beside], axis=0)
    light = float(np.median(scene.lab[..., 0][beside]))
    off = np.linalg.norm(scene.chroma - tint, axis=-1) + 0.12 * np.abs(scene.lab[..., 0] - light)
    found = []
    for step in _STEPS:
        piece = _piece_at((off < step) | (away < 1.3), hole)
        if piece is not None:
            found.append(blobs.describe(scene, piece))
    best = max(found, key=sole_score, default=None)
    return None if best is None else blobs.describe(scene, refine(scene, best))


def _piece_at(mask: blobs.Mask, hole: Hole) -> blobs.Mask | None:
    """Return the connected piece of a mask that holds a hole, its gaps filled."""
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    opened = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, kernel)
    y = min(max(round(hole.y), 0), mask.shape[0] - 1)
    x = min(max(round(hole.x), 0), mask.shape[1] - 1)
    _, labels = cv2.connectedComponents(opened, connectivity=4)
    if not labels[y, x]:
        return None
    piece = blobs.fill_holes(labels == labels[y, x])
    return piece if 0.004 < piece.mean() < 0.6 else None


def hole_score(holes: Sequence[Hole], b: Blob) -> float:
    """Return how much the holes that lie in a region, of a fitting size, speak for its being a sole."""
    h, w = b.mask.shape
    best = 0.0
    for hole in holes:
        x, y = min(max(round(hole.x), 0), w - 1), min(max(round(hole.y), 0), h - 1)
        if b.mask[y, x] and 0.06 < 2 * hole.radius / b.length < 0.3:
            best = max(best, 2.5 * (hole.chance - 0.5) / 0.5)
    return best


def refine(scene: Scene, b: Blob) -> blobs.Mask:
    """Return a region's mask with its border drawn along the picture's edges nearby.

    The middle is kept, and nothing farther out than a fifth of the width is added: a shin has the
    foot's color and would be followed to the picture's border.
    """
    ys, xs = np.nonzero(b.mask)
    margin = round(0.3 * b.width) + 2
    near = np.s_[
        max(0, ys.min() - margin) : ys.max() + margin + 1, max(0, xs.min() - margin) : xs.max() + margin + 1
    ]
    mask = b.mask[near]
    sure = cv2.erode(np.pad(mask.astype(np.uint8), 1), _disk(0.15 * b.width))[1:-1, 1:-1]
    wide = cv2.dilate(mask.astype(np.uint8), _disk(0.2 * b.width))
    labels = np.where(wide > 0, cv2.GC_PR_BGD, cv2.GC_BGD).astype(np.uint8)
    labels[mask] = cv2.GC_PR_FGD
    labels[sure > 0] = cv2.GC_FGD
    if not sure.any() or (labels == cv2.GC_BGD).sum() < 20:
        return b.mask
    light, tints = 2.0 * scene.lab[near][..., :1], 128 + 2 * scene.chroma[near]
    codes = np.clip(np.dstack([light, tints]), 0, 255).astype(np.uint8)
    cv2.setRNGSeed(7)
    cv2.grabCut(codes, labels, (0, 0, 1, 1), np.zeros((1, 65)), np.zeros((1, 65)), 3, cv2.GC_INIT_WITH_MASK)
    kept = np.isin(labels, (cv2.GC_FGD, cv2.GC_PR_FGD)).astype(np.uint8)
    pieces = blobs.components(cv2.morphologyEx(kept, cv2.MORPH_OPEN, _disk(2.0)), 0.5 * b.mask.sum())
    if not pieces:
        return b.mask
    refined = np.zeros_like(b.mask)
    refined[near] = max(pieces, key=np.count_nonzero)
    refined = blobs.fill_holes(refined)
    return refined if np.count_nonzero(refined) < 1.6 * np.count_nonzero(b.mask) else b.mask


def _disk(radius: float) -> NDArray[np.uint8]:
    side = 2 * max(1, round(radius)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)), np.uint8)


# --- what speaks for a sole --------------------------------------------------------------------------


def _hole_evidence(photo: Photo, scene: Scene, b: Blob) -> float:
    """Return how much a hole of a fitting size speaks for a region being a sole."""
    from vision.hole_clues import cut_out
    from vision.hole_kinds import glance
    from vision.hole_search import find_spots

    place = _outlined(photo, b.mask, scene.scale, SolePlace((), 0.5, "left_foot"))
    cut = cut_out(photo, place, longest=400)
    if cut is None:
        return 0.0
    spots = [glance(s) for s in find_spots(cut)[0] if s.diameter >= 7]
    fitting = [j for j in spots if 0.06 < j.spot.diameter * cut.scale / cut.length < 0.25]
    p = max((j.p_hole for j in fitting), default=0.0)
    return 2.5 * max(0.0, p - 0.5) / 0.5


def sole_score(b: Blob, holed: bool = False) -> float:
    """Return log-odds-like evidence that one region is a sole; 0 is undecided.

    ``holed`` says that what looks like a hole lies in it, which is by itself evidence of vinyl.
    """
    score = 2.0
    score += max(
        _OFF_COLOR_HOLE if holed else _OFF_COLOR, 2.0 * math.log(max(blobs.vinyl_likeness(b.lab), 1e-3)) + 0.5
    )
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
