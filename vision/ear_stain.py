"""Green stains that metal earrings leave in the vinyl at the ears.

How a dealer would be misled, and what stands against it: green cloth or a plant behind the ear, or seen
between strands of hair (a stain has skin on a good part of its sides, skin of an ear beside it, it ends with
an edge where cloth begins, and its color is not found all over the rest of the picture); a green iris, or a
cheek that mirrors green cloth, on a head so turned that the face lies where an ear would (a stain lies off
the face); the shade of hair, blond hair, tarnish and shadow (they are no greener than skin once its own color
is divided out, or they turn yellow, not green); a green cast over everything (skin is the reference); an ear
under hair called clean (bare skin must be in view there, or nothing is said).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.eye_paint import eye_calibration, lab_of, relative
from vision.face_reading import FaceReading, read_face, refuse
from vision.face_view import FaceView, blurred, outlines
from vision.locate.places import FacePlace, Polygon
from vision.photo import Photo
from vision.second_opinion import combine
from vision.traits import Quantity, Reason, Trait, TraitRecord

TRAIT = Trait.EAR_STAIN
METHOD = "ear_stain/4"

#: How much greener than skin (logarithm of green² ÷ red·blue) stained vinyl is at least. A stain is a filter
#: over skin: on tan vinyl it may look olive or gray, so no hue of its own is asked for.
GREENER = 0.22

#: Largest stain, least skin of an ear that is called seen, and that of an ear seen whole, ÷ face width².
MOST_STAIN = 0.03
LEAST_EAR = 0.0012
WHOLE_EAR = 0.008

#: Change of light, warmth or greenness (logarithms) a face width at which a color ends.
EDGE = 25.0

#: A stain's color covers no more than this, times its own area, of the rest of the view.
MOST_ELSEWHERE = 8.0

#: The model's outline of a face is this well placed at its sides, in face widths (a guess; on renders ears
#: begin outside of it, and irises lie more than twice as far inside).
EDGE_OF_FACE = 0.02

#: Directions in which a stain's surroundings are looked at.
SECTORS = 16

#: A face narrower than this (px of the original) shows no readable stain.
LEAST_FACE_PX = 100.0

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Ear:
    """What was found at one ear, in view pixels.

    ``window`` is where the ear may be, ``bare`` plain skin there, ``skin`` skin beyond the face's own outline
    (the ear), ``stain`` stained skin, ``doubtful`` green that is no clear stain; ``green`` (H, W) is how much
    greener than skin a pixel is, ``lab_a`` (N,) the stain's CIELAB a* against the white of the eyes;
    ``sides`` is the share of directions in which skin lies beside the stain, and ``elsewhere`` the area of
    its color in the rest of the view ÷ its own. ``marked`` is how surely a network sees a stain there, or
    anywhere on the ear where none was found (0–1; None where no network looked).
    """

    window: Mask
    bare: Mask
    skin: Mask
    stain: Mask
    doubtful: Mask
    green: Array
    lab_a: Array
    sides: float
    elsewhere: float
    marked: float | None = None


def measure(photo: Photo, face: FacePlace, cal: Calibration) -> list[TraitRecord]:
    """Look for green stains at the ears in view.

    Returns
    -------
    One ``ear_stain`` record an ear: none or green, with ``area_px`` in pixels of the original. ``part`` is
    ``left_ear`` for the one on the photo's left as it is, whichever way up the head lies. Ears turned away
    give no record.
    """
    reading = read_face(photo, face)
    ears = _in_photo(face)
    withheld = refuse(reading, TRAIT, METHOD)
    if withheld is None and face.width < LEAST_FACE_PX:
        withheld = _withheld(
            Reason.TOO_SMALL, f"The face is only {face.width:.0f} px wide; send a closer photo."
        )
    if withheld is not None:
        return [withheld.replace(part=part) for part in ears]
    if not ears:
        return []
    colors = _colors(reading)
    return [_measure_ear(reading, colors, outline, cal).replace(part=part) for part, outline in ears.items()]


def _in_photo(face: FacePlace) -> dict[str, Polygon]:
    """Name the ears in view by the photo's left and right; places name them on the head turned upright."""
    ears = [ear for ear in (face.left_ear, face.right_ear) if ear]
    across = [float(np.mean([x for x, _ in ear])) for ear in ears]
    if len(ears) == 2:
        order = np.argsort(across, kind="stable")
        return {"left_ear": ears[order[0]], "right_ear": ears[order[1]]}
    middle = (face.box[0] + face.box[2]) / 2
    return {"left_ear" if x < middle else "right_ear": ear for x, ear in zip(across, ears, strict=True)}


@dataclass(frozen=True)
class _Colors:
    """Colors of a whole view, (H, W): linear RGB with noise taken down, and how it compares with skin."""

    linear: Array
    light: Array
    warmth: Array
    green: Array


def _colors(reading: FaceReading) -> _Colors:
    assert reading.skin is not None
    linear = blurred(reading.view.linear, max(0.8, 0.004 * reading.view.unit))
    return _Colors(linear, *relative(linear, reading.skin))


def _measure_ear(reading: FaceReading, colors: _Colors, outline: Polygon, cal: Calibration) -> TraitRecord:
    ear = _look(reading, colors, outline, cal)
    if np.count_nonzero(ear.skin) < LEAST_EAR * reading.view.unit**2:
        return _withheld(Reason.OCCLUDED, "This ear is hidden by hair or hands, or turned away.")
    return _record(reading, ear)


def _look(reading: FaceReading, colors: _Colors, outline: Polygon, cal: Calibration) -> Ear:
    """Part the pixels at one ear into bare skin, stain, and green that may be either."""
    view = reading.view
    window, oval = view.mask(outline), _face_oval(view)
    light, warmth, green = colors.light, colors.warmth, colors.green
    bare = window & (np.abs(warmth) < 0.30) & (np.abs(green) < 0.16) & (light > -1.1) & (light < 0.5)
    # No ear lies on the face: its far iris may be green, and its cheeks may mirror green cloth.
    on_face = cv2.distanceTransform(oval.astype(np.uint8), cv2.DIST_L2, 5) > EDGE_OF_FACE * view.unit
    greener = view.valid & ~on_face & (green > GREENER) & (warmth < 0.15) & (light > -2.2) & (light < 0.15)
    kernel = np.ones((3, 3), np.uint8)
    greener = cv2.morphologyEx(greener.astype(np.uint8), cv2.MORPH_OPEN, kernel).astype(bool)
    soft = (np.abs(warmth) < 0.45) & (green > -0.2) & (green < 0.35) & (light > -1.3) & (light < 0.5)
    hair = reading.chance("hair")
    if hair is not None:
        bare &= hair < 0.5
        soft &= hair < 0.5
    stain, sides, elsewhere = _stains(greener, soft, window, (light, warmth, green), view)
    lab = lab_of(colors.linear[stain], eye_calibration(reading.eyes, cal))
    # A stain counts as seen skin: a small ear may be stained all over.
    skin = _largest_with(bare | stain, window) & ~oval
    return Ear(
        window, bare, skin, stain, greener & window & ~stain, green, lab[..., 1], sides,
        elsewhere, _marked(reading, stain if stain.any() else skin),
    )  # fmt: skip


def _marked(reading: FaceReading, at: Mask) -> float | None:
    """Return how surely the network sees a stain on a tenth of some pixels; None where it did not look."""
    marked = reading.chance("ear_stain")
    if marked is None or reading.parts is None or not at.any():
        return None
    looked = reading.chance(*reading.parts.names)
    if looked is None or float(looked[at].mean()) < 0.9:
        return None
    return float(np.quantile(marked[at], 0.9))


def _elsewhere(stain: Mask, signs: tuple[Array, Array, Array], view: FaceView) -> float:
    """Area of the stain's color in the rest of the view ÷ that of the stain; cloth and hair are all over."""
    alike = view.valid & ~_dilated(stain, 0.03 * view.unit)
    for sign, reach in zip(signs, (0.7, 0.2, 0.12), strict=True):
        alike &= np.abs(sign - np.median(sign[stain])) < reach
    alike = cv2.morphologyEx(alike.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)).astype(bool)
    return float(np.count_nonzero(alike) / np.count_nonzero(stain))


def _stains(
    greener: Mask, soft: Mask, window: Mask, signs: tuple[Array, Array, Array], view: FaceView
) -> tuple[Mask, float, float]:
    """Patches of green that end within the ear's surroundings and border on skin.

    Hair, cloth and plants run on beyond the ear, and their color is found elsewhere. A stain at the lobe may
    border on green cloth, but ends there with an edge, and it has skin on a good part of its sides.

    Returns
    -------
    The (H, W) mask; the share of directions in which skin lies beside it, 0–1; and the area of its color in
    the rest of the view ÷ its own.
    """
    unit = view.unit
    around = _dilated(window, 0.06 * unit)
    border = around & ~_dilated(window, 0.05 * unit)
    held: list[tuple[float, int, float, Mask]] = []
    for part in _patches(greener & around, signs, unit):
        area = int(np.count_nonzero(part))
        if not 0.00025 < area / unit**2 < MOST_STAIN or np.any(part & border) or not np.any(part & window):
            continue
        share = _sides(part, soft & ~greener, unit)
        if share > 0.25 and (elsewhere := _elsewhere(part, signs, view)) < MOST_ELSEWHERE:
            held.append((share, area, elsewhere, part))
    out = np.zeros_like(greener)
    kept = []
    for patch in sorted(held, key=lambda p: -p[0] * p[1]):
        if not np.any(patch[-1] & out):
            out |= patch[-1]
            kept.append(patch)
    if not kept:
        return out, 0.0, 0.0
    shares, areas, others = np.array([patch[:3] for patch in kept]).T
    return out, float(areas @ shares / areas.sum()), float(areas @ others / areas.sum())


def _patches(green: Mask, signs: tuple[Array, Array, Array], unit: float) -> Iterator[Mask]:
    """Yield connected patches: first as they are, then parted where their color has an edge."""
    edge = np.zeros(green.shape)
    for sign, weight in zip(signs, (0.7, 1.0, 1.0), strict=True):
        plane = (weight * sign).astype(np.float32)
        edge += sum(cv2.Sobel(plane, cv2.CV_64F, *way) ** 2 for way in ((1, 0), (0, 1)))
    flat = green & (np.sqrt(edge) / 8 * unit < EDGE)
    for mask, grow in ((green, 0.0), (flat, 0.008 * unit)):
        count, labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
        for i in range(1, count):
            part = np.asarray(labels == i)
            if np.count_nonzero(part) > 0.0002 * unit**2:
                yield _dilated(part, grow) & green if grow else part


def _sides(part: Mask, skin: Mask, unit: float) -> float:
    """Share of directions around a patch, seen from its middle, in which mostly skin lies beside it.

    A stain that fades out has its own soft rim beside it, and skin only farther on.
    """
    ys, xs = np.nonzero(part)
    y0, x0 = ys.mean(), xs.mean()
    held = np.zeros(SECTORS, bool)
    for inner, outer in ((0.006, 0.024), (0.018, 0.036)):
        ys, xs = np.nonzero(_dilated(part, outer * unit) & ~_dilated(part, inner * unit))
        sector = np.floor((np.arctan2(ys - y0, xs - x0) / (2 * np.pi) + 0.5) * SECTORS).astype(int) % SECTORS
        total = np.bincount(sector, minlength=SECTORS)
        held |= np.bincount(sector[skin[ys, xs]], minlength=SECTORS) > 0.4 * np.maximum(total, 1)
    return float(held.mean())


def _dilated(mask: Mask, by: float) -> Mask:
    size = 2 * max(1, round(by)) + 1
    return cv2.dilate(mask.astype(np.uint8), np.ones((size, size), np.uint8)).astype(bool)


def _face_oval(view: FaceView) -> Mask:
    """The face itself, without ears: the hull of the model's points, a little less than whole."""
    if view.face.landmarks is None:
        return np.zeros(view.rgb.shape[:2], bool)
    hull = cv2.convexHull(view.points(view.face.landmarks).astype(np.float32))[:, 0]
    return view.mask_view(hull.astype(np.float64))


def _largest_with(mask: Mask, window: Mask) -> Mask:
    """Keep the largest connected part: skin of the head, and not a warm wall behind it."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        (mask & window).astype(np.uint8), connectivity=4
    )
    if count < 2:
        return np.zeros_like(mask)
    return np.asarray(labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])))


def _record(reading: FaceReading, ear: Ear) -> TraitRecord:
    view = reading.view
    if ear.stain.any():
        p = max(0.45, _p_stained(ear, view.unit) * min(1.0, 0.5 + 0.5 * reading.likeness.probability))
    else:
        p = _p_missed(ear, view)
    chances, said = combine({"green": p, "none": 1 - p}, _opinion(ear))
    p = chances["green"]
    edge = 0.5 * float(sum(cv2.arcLength(c, True) for c in outlines(ear.stain))) / view.scale
    return TraitRecord.decide(
        TRAIT, chances, METHOD,
        "Cannot tell whether this ear is stained. Send a close daylight photo of each ear, hair held back.",
        detail="Green stain at the ear, as copper leaves it." if p > 0.5 else "No green stain is in view.",
        quantities={"area_px": Quantity(float(view.original_pixels(ear.stain)), max(edge, 1.0), "px")},
        region=view.region(ear.stain if ear.stain.any() else ear.window),
        n_pixels=view.original_pixels(ear.bare | ear.stain), flags=(said,) if said else (),
    )  # fmt: skip


def _opinion(ear: Ear) -> dict[str, float] | None:
    """Return what the network says of this ear, never surely: it was shown few stains."""
    if ear.marked is None:
        return None
    green = float(np.clip(ear.marked, 0.2, 0.8))
    return {"green": green, "none": 1 - green}


def _p_stained(ear: Ear, unit: float) -> float:
    """Probability of a stain where green borders on skin.

    Earrings of brass or colored glass are small, light or no green of their own: a stain is larger, much
    greener than skin at its heart, and leans to green against the white of the eyes as well.
    """
    bare = ear.green[ear.bare]
    unrest = float(1.4826 * np.median(np.abs(bare - np.median(bare)))) if len(bare) else 0.1
    depth = float(np.quantile(ear.green[ear.stain], 0.8))
    strong = float(np.clip((depth - 0.35) / max(0.4, 5 * unrest), 0, 1))
    big = float(np.clip(np.count_nonzero(ear.stain) / unit**2 / 0.005, 0, 1))
    held = float(np.clip((ear.sides - 0.2) / 0.2, 0, 1))
    leaning = float(np.clip((2 - np.quantile(ear.lab_a, 0.1)) / 6, 0, 1))
    apart = float(np.clip((MOST_ELSEWHERE - ear.elsewhere) / 5, 0, 1))
    # Little skin beside it that is no part of the face, and it may be anything behind the cheek.
    beside = np.count_nonzero(ear.skin & ~ear.stain) / unit**2 / (0.5 * WHOLE_EAR)
    return 0.44 + 0.45 * strong * big * held * leaning * apart * min(1.0, beside)


def _p_missed(ear: Ear, view: FaceView) -> float:
    """Probability of a stain where none was made out.

    A small stain is lost in a small picture, an ear half under hair or turned away may hide its own, and
    green at the ear that could not be told from hair or cloth may be one.
    """
    fine = float(np.clip((view.face.width - 90) / 350, 0, 1))
    seen = float(np.clip(np.count_nonzero(ear.skin) / view.unit**2 / WHOLE_EAR, 0, 1))
    doubtful = float(np.clip(np.count_nonzero(ear.doubtful) / view.unit**2 / 0.004, 0, 1))
    hint = float(np.quantile(ear.green[ear.skin], 0.98)) if ear.skin.any() else 0.0
    p = 0.40 - 0.28 * fine * seen
    return min(0.55, p + 0.2 * doubtful + 0.25 * float(np.clip((hint - 0.14) / 0.1, 0, 1)))


def _withheld(reason: Reason, detail: str) -> TraitRecord:
    return TraitRecord.withheld(TRAIT, reason, METHOD, detail)
