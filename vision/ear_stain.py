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
from vision.eye_paint import LUMA, eye_calibration, lab_of, relative
from vision.face_reading import FaceReading, read_face, refuse
from vision.face_view import FaceView, blurred, outlines
from vision.locate.places import FacePlace, Polygon
from vision.photo import Photo
from vision.second_opinion import combine
from vision.traits import Quantity, Reason, Trait, TraitRecord

TRAIT = Trait.EAR_STAIN
METHOD = "ear_stain/6"

#: How much greener than skin (logarithm of green² ÷ red·blue) stained vinyl is at least. A stain is a filter
#: over skin: on tan vinyl it may look olive or gray, so no hue of its own is asked for.
GREENER = 0.22

#: Levels of that difference at which a patch is looked for: a stain's heart is greener than its surroundings.
LEVELS = (GREENER, 0.32, 0.45, 0.6)

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

#: Side of a small stain, in face widths: no photo that is to show there is none may be too coarse for it.
SMALL_STAIN = 0.045

#: Evidence below this is none: specks of noise reach it.
LEAST_EVIDENCE = 0.05

#: Ears stand off the head by about this much (from memory, of people): turned away so far, they show an edge.
FLARE_DEG = 20.0

#: A face narrower than this (px of the original) shows no readable stain. Of 20 stains in renders shrunk to
#: faces of 75 px 16 were found, and none of 48 clean ears was called green (nor clean: too few pixels).
LEAST_FACE_PX = 70.0

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Ear:
    """What was found at one ear, in view pixels.

    ``window`` is where the ear may be, ``bare`` plain skin there, ``skin`` skin beyond the face's own outline
    (the ear), ``stain`` stained skin, ``doubtful`` green that is no clear stain; ``green`` (H, W) is how much
    greener than skin a pixel is. ``evidence`` is how much speaks for a stain, and ``hidden`` for one that is
    gray or has the color of cloth behind it; ``shown`` is how far the ear faces the camera and lies in the
    photo, all 0–1. ``marked`` is how surely a network sees a stain there, or anywhere on the ear where none
    was found (0–1; None where no network looked).
    """

    window: Mask
    bare: Mask
    skin: Mask
    stain: Mask
    doubtful: Mask
    green: Array
    evidence: float
    hidden: float
    shown: float
    marked: float | None = None


@dataclass(frozen=True)
class _Colors:
    """Colors of a whole view, (H, W): linear RGB with noise taken down, and how it compares with skin."""

    linear: Array
    light: Array
    warmth: Array
    green: Array

    @property
    def signs(self) -> tuple[Array, Array, Array]:
        """How a pixel compares with skin: in light, warmth and greenness."""
        return self.light, self.warmth, self.green


@dataclass(frozen=True)
class _Scene:
    """The surroundings of one ear, (H, W) each: where skin lies beside a stain, and what colors there are.

    ``cal`` is the white to judge the stain's own color by.
    """

    view: FaceView
    window: Mask
    bare: Mask
    soft: Mask
    colors: _Colors
    cal: Calibration


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
    light, warmth, green = colors.signs
    # An ear may face the lamp while the cheek beside it lies in shade, and light through it is redder.
    lit = (light < 0.5) | (colors.linear @ LUMA < _brightest(reading, oval))
    bare = window & (np.abs(warmth) < 0.30) & (green > -0.3) & (green < 0.16) & (light > -1.1) & lit
    # No ear lies on the face: its far iris may be green, and its cheeks may mirror green cloth.
    on_face = cv2.distanceTransform(oval.astype(np.uint8), cv2.DIST_L2, 5) > EDGE_OF_FACE * view.unit
    greener = view.valid & ~on_face & (green > GREENER) & (warmth < 0.15) & (light > -2.2) & (light < 0.15)
    kernel = np.ones((3, 3), np.uint8)
    greener = cv2.morphologyEx(greener.astype(np.uint8), cv2.MORPH_OPEN, kernel).astype(bool)
    soft = (np.abs(warmth) < 0.45) & (green > -0.3) & (green < 0.35) & (light > -1.3) & lit
    hair = _hair(reading, colors)
    bare, soft = bare & ~hair, soft & ~hair
    scene = _Scene(view, window, bare, soft & ~greener, colors, eye_calibration(reading.eyes, cal))
    stain, evidence, hidden = _stains(greener, scene)
    # A stain counts as seen skin: a small ear may be stained all over.
    skin = _largest_with(bare | stain, window, round(0.012 * view.unit)) & ~oval
    # Little skin beside it that is no part of the face, and it may be anything behind the cheek.
    evidence *= min(1.0, np.count_nonzero(skin & ~stain) / view.unit**2 / (0.5 * WHOLE_EAR))
    marked = _marked(reading, stain if stain.any() else skin)
    facing = float(np.clip(1 + _toward(view.face, outline) / FLARE_DEG, 0, 1))
    shown = facing * float(np.clip((view.in_frame(outline) - 0.4) / 0.5, 0, 1))
    doubtful = greener & window & ~stain
    return Ear(window, bare, skin, stain, doubtful, green, evidence, hidden, shown, marked)


def _toward(face: FacePlace, outline: Polygon) -> float:
    """Degrees by which the head turns an ear toward the camera."""
    return face.yaw_deg * (1.0 if outline == face.left_ear else -1.0)


def _hair(reading: FaceReading, colors: _Colors) -> Mask:
    """Where the network sees hair and the color is one that hair has in this picture.

    The network knows no outlines of ears: it holds half an ear in front of black hair for hair.
    """
    chance = reading.chance("hair")
    if chance is None:
        return np.zeros(colors.green.shape, bool)
    hair, sure = chance >= 0.5, chance > 0.9
    if np.count_nonzero(sure) > 200:
        for sign in colors.signs:
            low, high = np.quantile(sign[sure], (0.05, 0.95))
            hair &= (sign >= low) & (sign <= high)
    return np.asarray(hair)


def _marked(reading: FaceReading, at: Mask) -> float | None:
    """Return how surely the network sees a stain on a tenth of some pixels; None where it did not look."""
    marked = reading.chance("ear_stain")
    if marked is None or reading.parts is None or not at.any():
        return None
    looked = reading.chance(*reading.parts.names)
    if looked is None or float(looked[at].mean()) < 0.9:
        return None
    return float(np.quantile(marked[at], 0.9))


def _stains(greener: Mask, scene: _Scene) -> tuple[Mask, float, float]:
    """Patches of green that end within the ear's surroundings and border on skin.

    Hair, cloth and plants run on beyond the ear, and their color is found elsewhere. A stain at the lobe may
    border on green cloth, but ends there with an edge, and it has skin on a good part of its sides.

    Returns
    -------
    The (H, W) mask of the patches that most speaks for, and how much that is, 0–1; and how much speaks for
    a stain if it may be gray, as on tan vinyl, or of the color of cloth behind the ear.
    """
    unit, window = scene.view.unit, scene.window
    around = _dilated(window, 0.06 * unit)
    border = around & ~_dilated(window, 0.05 * unit)
    found: list[tuple[float, int, Mask]] = []
    hidden = 0.0
    for part in _patches(greener & around, scene.colors.signs, unit):
        area = int(np.count_nonzero(part))
        if not 0.00025 < area / unit**2 < MOST_STAIN or np.any(part & border) or not np.any(part & window):
            continue
        evidence, alone = _evidence(part, scene)
        hidden = max(hidden, alone)
        if evidence > LEAST_EVIDENCE:
            found.append((evidence, area, part))
    out = np.zeros_like(greener)
    most = max((evidence for evidence, _, _ in found), default=0.0)
    for evidence, _, part in sorted(found, key=lambda p: -p[0] * p[1]):
        if evidence >= 0.5 * most and not np.any(part & out):
            out |= part
    return out, most, hidden


def _evidence(part: Mask, scene: _Scene) -> tuple[float, float]:
    """How much speaks for a patch of green to be stained vinyl, 0–1; and without the signs that may fail.

    Each sign can veto. On tan vinyl a stain is gray, and before cloth of its color it is lost: what has all
    other signs is no proof of a stain, but nobody can say that there is none.

    Earrings of brass or colored glass are small, light or no green of their own: a stain is larger, much
    greener than skin at its heart, leans to green against the white of the eyes as well, has skin on a good
    part of its sides, and its color is not found all over the rest of the picture.
    """
    unit, green = scene.view.unit, scene.colors.green
    held = float(np.clip((_sides(part, scene.soft, unit) - 0.2) / 0.2, 0, 1))
    # Lobes hang in the middle of the window: hair reaches in from above, and the jaw below mirrors cloth.
    rows = np.flatnonzero(scene.window.any(axis=1))
    high, low = (np.quantile(np.nonzero(part)[0], (0.5, 0.95)) - rows[0]) / len(rows)
    held *= float(np.clip((high - 0.05) / 0.15, 0, 1) * np.clip((0.95 - low) / 0.1, 0, 1))
    if held == 0:
        return 0.0, 0.0
    bare = green[scene.bare]
    unrest = float(1.4826 * np.median(np.abs(bare - np.median(bare)))) if len(bare) else 0.1
    strong = float(np.clip((np.quantile(green[part], 0.8) - 0.35) / max(0.4, 5 * unrest), 0, 1))
    big = float(np.clip(np.count_nonzero(part) / unit**2 / 0.005, 0, 1))
    lab_a = lab_of(scene.colors.linear[part], scene.cal)[..., 1]
    leaning = float(np.clip((2 - np.quantile(lab_a, 0.1)) / 6, 0, 1))
    alone = strong * big * held
    if alone * leaning == 0:
        return 0.0, alone
    apart = float(np.clip((MOST_ELSEWHERE - _elsewhere(part, scene)) / 5, 0, 1))
    return alone * leaning * apart, alone


def _elsewhere(stain: Mask, scene: _Scene) -> float:
    """Area of the stain's color in the rest of the view ÷ that of the stain; cloth and hair are all over."""
    alike = scene.view.valid & ~_dilated(stain, 0.03 * scene.view.unit)
    for sign, reach in zip(scene.colors.signs, (0.7, 0.2, 0.12), strict=True):
        alike &= np.abs(sign - np.median(sign[stain])) < reach
    alike = cv2.morphologyEx(alike.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)).astype(bool)
    return float(np.count_nonzero(alike) / np.count_nonzero(stain))


def _patches(green: Mask, signs: tuple[Array, Array, Array], unit: float) -> Iterator[Mask]:
    """Yield connected patches: as they are, what is greener still, and parted where their color has an edge.

    A stain often touches hair or cloth that is a little greener than skin: at a higher level it stands alone.
    """
    edge = np.zeros(green.shape)
    for sign, weight in zip(signs, (0.7, 1.0, 1.0), strict=True):
        plane = (weight * sign).astype(np.float32)
        edge += sum(cv2.Sobel(plane, cv2.CV_64F, *way) ** 2 for way in ((1, 0), (0, 1)))
    flat = green & (np.sqrt(edge) / 8 * unit < EDGE)
    for mask, grow in (*((green & (signs[2] > level), 0.0) for level in LEVELS), (flat, 0.008 * unit)):
        _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
        for i in np.flatnonzero(stats[1:, cv2.CC_STAT_AREA] > 0.0002 * unit**2) + 1:
            part = np.asarray(labels == i)
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


def _largest_with(mask: Mask, window: Mask, gap: int) -> Mask:
    """Keep the largest part: skin of the head, and not a warm wall behind it.

    Pieces within ``gap`` pixels of each other are one part: a dark fold parts an ear from the cheek.
    """
    inside = mask & window
    joined = _dilated(inside, gap / 2).astype(np.uint8)
    count, labels = cv2.connectedComponents(joined, connectivity=4)
    if count < 2:
        return np.zeros_like(mask)
    areas = np.bincount(labels[inside], minlength=count)
    return np.asarray(inside & (labels == 1 + int(np.argmax(areas[1:]))))


def _brightest(reading: FaceReading, oval: Mask) -> float:
    """Luminance above which nothing is matte skin in this light; infinite where the face is not outlined."""
    assert reading.skin is not None
    return 1.3 * float(np.quantile(reading.skin[oval] @ LUMA, 0.95)) if oval.any() else float("inf")


def _record(reading: FaceReading, ear: Ear) -> TraitRecord:
    view = reading.view
    p = _p_missed(ear, reading)
    if ear.stain.any():
        stained = 0.44 + 0.45 * (1 - (1 - ear.evidence) ** 2)
        p = max(0.45, stained * min(1.0, 0.5 + 0.5 * reading.likeness.probability))
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


def _p_missed(ear: Ear, reading: FaceReading) -> float:
    """Probability of a stain where none was made out.

    A small stain is lost in a small picture, an ear half under hair or turned away may hide its own, and
    green at the ear that could not be told from hair or cloth may be one.
    """
    unit, fine = reading.view.unit, _fineness(reading)
    seen = ear.shown * float(np.clip(np.count_nonzero(ear.skin) / unit**2 / WHOLE_EAR, 0, 1))
    doubtful = float(np.clip(np.count_nonzero(ear.doubtful) / unit**2 / 0.004, 0, 1))
    hint = float(np.quantile(ear.green[ear.skin], 0.98)) if ear.skin.any() else 0.0
    p = 0.45 - 0.33 * fine * seen + 0.1 * doubtful + 0.35 * min(1.0, ear.hidden / 0.3)
    return min(0.55, p + 0.25 * float(np.clip((hint - 0.14) / 0.1, 0, 1)))


def _fineness(reading: FaceReading) -> float:
    """How well a small stain would show, 0–1: by its pixels, and by its size against the blur."""
    side = SMALL_STAIN * reading.view.face.width
    blur = 2.355 * max(0.8, max((eye.edge_px for eye in reading.eyes), default=np.inf))
    return float(np.clip(min((side - 4) / 6, side / blur - 1), 0, 1))


def _withheld(reason: Reason, detail: str) -> TraitRecord:
    return TraitRecord.withheld(TRAIT, reason, METHOD, detail)
