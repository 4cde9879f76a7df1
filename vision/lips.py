"""Paint on the molded lips: how much of the lip it covers, and whether it leaves it.

How a dealer would be misled, and what stands against it:

- a model's lip outline errs by a lip's edge, so a neat full mouth would read as rubbed or overpainted: in a
  belt around the outline the paint itself shows where the lip ends, and only paint missing well inside or
  present well outside counts as clear;
- evenly overpainted lips look neat, and a network that has seen many sees overpaint on large or drawn lips:
  its molded border is believed only where measured paint lies on both sides nearly all round, where lightness
  changes across it as relief does, where the photo has pixels enough to show both, and where the paint is
  larger than lips are by a face model that knows no paint;
- a greasy glare on the lips looks like missing paint: pixels that are lighter and whiter than skin are left
  out on both sides of the fraction;
- pale and faded paint passes for bare lips: contrast is judged against how much the bare skin around the
  mouth differs from place to place, and a weak contrast is withheld;
- shading in the fold of the mouth passes for dark paint: only ratios of color channels decide.
"""

from __future__ import annotations

import weakref
from dataclasses import dataclass
from statistics import NormalDist

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.eye_paint import LUMA, relative
from vision.face_reading import FaceReading, read_face, refuse
from vision.face_view import FaceView, blurred, outlines
from vision.lip_wear import wear
from vision.locate.places import FacePlace
from vision.photo import Photo
from vision.second_opinion import MOST, combine
from vision.traits import Quantity, Reason, Trait, TraitRecord

TRAIT = Trait.LIP_PAINT
METHOD = "lips/5"

#: Limits of the states: ``bare`` below the first, ``full`` from the second, ``overpainted`` above the third.
BARE, FULL, OVER = 0.10, 0.90, 0.14
#: A network's molded border is used where measured paint crosses at least this share of it. On held-out heads
#: 5 of 15 overpainted mouths reach it and none of 44 others (the nearest, a flat drawn one, 0.48); of 13 neat
#: ones by another renderer one did, whose paint was no larger than a face model's lips.
RINGED = 0.75
#: Lightness must change across that border by at least this much, as a log ratio: relief shows it (0.10 to
#: 0.56 on held-out sculpted heads, 0.036 and 0.043 on flat ones, up to 0.012 on drawings).
STEP = 0.05
#: Where paint crosses less of it than this, evenly overpainted lips are this much less likely (2 of 15 such
#: mouths against 21 of 23 neat ones there, each count with half a case added).
UNRINGED, UNLIKELIER = 0.1, 0.17
#: Paint on both sides of a border reaches this far, in face widths. It takes more pixels of the original than
#: this, and more than so many standard deviations of the photo's blur, to tell it from the paint's own edge.
RING, LEAST_RING_PX, BLURS = 0.015, 3.0, 2.0

#: Share of overpainted ones among wholly painted mouths (a fifth to a third in rendered photos).
OVERPAINTED = 0.3

#: Most that any state is given where a network saw the molded border: its word is then no second one.
MOST_BY_NETWORK = 0.75

#: Below this distance from skin, in log channel ratios, a tint is not surely paint.
WEAK = 0.8

#: Half the width of the doubt about the lip's border, in face widths, after the fit.
BELT = 0.018

#: Less of the lips than this inside the photo, and coverage says nothing of the mouth.
LEAST_IN_FRAME = 0.9

#: A face narrower than this (px of the original) has no readable lip edge.
LEAST_FACE_PX = 70.0

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Molded:
    """What the face network sees of the molded lip, painted or not.

    ``ringed`` is the share of its border that paint crosses, ``step`` how much lightness changes across that
    part of the border (mean absolute log ratio; 0 where too little of it is crossed), ``paint`` the area of
    the paint ÷ that of the lips where the face model, which knows nothing of paint, has them.
    """

    lip: Mask
    ringed: float
    step: float
    paint: float

    @property
    def shows(self) -> bool:
        """Whether a border lies in the midst of paint, relief shows it, and the paint is larger than lips."""
        return self.ringed >= RINGED and self.step >= STEP and self.paint > 1


@dataclass(frozen=True)
class LipPaint:
    """What was found at one mouth, in view pixels.

    ``lip`` is the molded lip as best known, ``paint`` the painted pixels, ``glare`` pixels that tell nothing;
    ``contrast`` the paint's distance from bare skin in log channel ratios and ``unrest`` that of bare skin
    from place to place; ``belt`` half the width of the doubt around the lip's outline; ``stray`` the area of
    strongly red pixels that are taken for no paint ÷ face width²; ``seen`` is what the face network sees of
    the molded lip, None where no network looked.
    """

    lip: Mask
    upper: Mask
    paint: Mask
    glare: Mask
    contrast: float
    unrest: float
    belt: float
    stray: float = 0.0
    seen: Molded | None = None

    @property
    def border_seen(self) -> bool:
        """Whether the lip is not fitted to the paint but seen by itself."""
        return self.seen is not None and self.seen.shows


def measure(photo: Photo, face: FacePlace, cal: Calibration) -> TraitRecord:
    """Read coverage of the lip paint of one face.

    Returns
    -------
    A ``lip_paint`` record: full, rubbed, bare or overpainted, with ``coverage_total``, ``coverage_upper``,
    ``coverage_lower`` and ``beyond_border`` (fractions of the molded lip's area); ``coverage_crown``,
    ``coverage_corners`` and ``coverage_edge`` say where paint is gone, and flags ``rubbed_crown`` and so on
    name those places on rubbed lips. The white reference is not used: paint is judged against the skin
    around it.
    """
    del cal
    reading = read_face(photo, face)
    refused = refuse(reading, TRAIT, METHOD)
    if refused is not None:
        return refused
    if face.width < LEAST_FACE_PX:
        return _withheld(Reason.TOO_SMALL, f"The face is only {face.width:.0f} px wide; send a closer photo.")
    if reading.view.in_frame(reading.view.face.lips) < LEAST_IN_FRAME:
        return _withheld(Reason.NOT_IN_VIEW, "The frame cuts the mouth; send a photo that shows all of it.")
    found = find_paint(reading)
    if found is None:
        return _withheld(Reason.NOT_LOCATED, "The mouth is hidden, clipped or too dark to measure.")
    if np.count_nonzero(found.glare & found.lip) > 0.4 * np.count_nonzero(found.lip):
        return _withheld(Reason.GLARE, "Glare hides most of the lips; send a photo in softer light.")
    return _record(reading, found)


_found: weakref.WeakKeyDictionary[FaceReading, LipPaint | None] = weakref.WeakKeyDictionary()


def find_paint(reading: FaceReading) -> LipPaint | None:
    """Find molded lip and paint around one mouth; None when no bare skin to compare with is in view.

    What was found is kept as long as the reading is: signs of a repaint ask for it, too.
    """
    if reading not in _found:
        _found[reading] = _find_paint(reading)
    return _found[reading]


def _find_paint(reading: FaceReading) -> LipPaint | None:
    view = reading.view
    outline = view.points(view.face.lips)
    start = view.mask_view(outline)
    if np.count_nonzero(start) < 60:
        return None
    unit = view.unit
    belt = max(1.0, BELT * unit)
    near, far = grown(start, 0.045 * unit), grown(start, 0.11 * unit)
    below_nose = np.arange(view.rgb.shape[0])[:, None] > outline[:, 1].min() - 0.05 * unit
    ring = far & ~near & view.valid & below_nose
    if np.count_nonzero(ring) < 60:
        return None
    signs = _signs(view, ring, reading.skin)
    if signs is None:
        return None
    light, tint = signs
    unrest = _unrest(tint, ring)
    core = grown(start, -0.012 * unit)
    direction, contrast = _paint_direction(tint, core, ring)
    strength = tint @ direction
    paint = _painted(strength, contrast, unrest, grown(start, 0.07 * unit), unit)
    paint = _connected_to(paint, grown(start, 0.02 * unit), 0.0004 * unit**2)
    glare = (light > 0.25) & (np.linalg.norm(tint, axis=-1) < 0.35 * max(contrast, 0.3))
    glare = grown(glare, 0.008 * unit) & ~paint
    whole = paint | _mirrored(view, paint)
    seen = _molded(reading, start, paint)
    if seen is not None and seen.shows:
        lip, belt = seen.lip, 0.5 * belt
    else:
        lip = _fit_lip(view, outline, whole, glare) if contrast > 2.5 * unrest else start
        lip = _settle_edge(lip, whole, paint, belt)
    red = grown(start, 0.09 * unit) & (tint[..., 1] < -0.5) & ~grown(paint, 0.02 * unit) & view.valid
    stray = float(np.count_nonzero(red & below_nose) / unit**2)
    # The fold between the lips is dark, not bare.
    fold = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * max(1, round(0.008 * unit)) + 1,) * 2)
    paint |= cv2.morphologyEx(paint.astype(np.uint8), cv2.MORPH_CLOSE, fold).astype(bool) & lip
    upper = _upper_half(view, lip)
    return LipPaint(lip, upper, paint, glare, contrast, unrest, belt, stray, seen)


def _molded(reading: FaceReading, start: Mask, paint: Mask) -> Molded | None:
    """What the network sees of the molded lip; None where it is none or lies elsewhere.

    The lip must lie where the face model has the lips, be of about their size and show enough pixels.
    """
    chance = reading.chance("lip_bare", "lip_paint")
    blur = max((eye.edge_px for eye in (reading.left, reading.right) if eye is not None), default=0.0)
    if chance is None or RING * reading.view.face.width < max(LEAST_RING_PX, BLURS * blur):
        return None
    beyond = reading.chance("paint_beyond")
    beyond = np.zeros_like(chance) if beyond is None else beyond
    lip = (chance > beyond) & (chance + beyond > 0.5)
    area, model = int(np.count_nonzero(lip)), int(np.count_nonzero(start))
    shared = int(np.count_nonzero(lip & grown(start, 0.03 * reading.view.unit)))
    if not 0.35 * model < area < 2.5 * model or shared < 0.6 * area:
        return None
    unit = reading.view.unit
    border, crossed = _crossed(lip, beyond > 0.5, paint, unit)
    ringed = float(np.count_nonzero(crossed)) / max(1, int(np.count_nonzero(border)))
    size = float(np.count_nonzero(paint)) / max(1, model)
    step = _step(reading.view, crossed, lip) if ringed >= RINGED else 0.0
    return Molded(lip, ringed, step, size)


def _crossed(lip: Mask, beyond: Mask, paint: Mask, unit: float) -> tuple[Mask, Mask]:
    """Return the molded border as the network sees it, and the part of it that paint crosses.

    Neat paint ends at the border. A network that misplaces the border of neat lips has it too far in on some
    sides only, so what counts is how much of the border lies in the midst of paint.
    """
    border = lip & ~grown(lip, -1.5)
    return border, border & grown(beyond, RING * unit) & grown(paint, -RING * unit)


def _step(view: FaceView, border: Mask, lip: Mask) -> float:
    """Return how much lightness changes across a border in the midst of paint: mean |log ratio|.

    The change over ``RING`` face widths, averaged along as much of the border so that noise goes, first.
    Drawn lips have none, nor have lips that stand out so little that no border could be seen.
    """
    width = RING * view.unit
    light = np.log(blurred(view.linear.astype(np.float64) @ LUMA, 0.4 * width) + 0.003)
    outside, inside = (cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5) for mask in (~lip, lip))
    down, right = np.gradient(blurred(outside - inside, 0.4 * width))
    light_down, light_right = np.gradient(light)
    slope = (light_down * down + light_right * right) / np.maximum(np.hypot(down, right), 1e-6)
    along = blurred(slope * border, width) / np.maximum(blurred(border, width), 1e-9)
    return float(width * np.abs(along[border]).mean()) if border.any() else 0.0


def _painted(strength: Array, contrast: float, unrest: float, where: Mask, unit: float) -> Mask:
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


def _fit_lip(view: FaceView, outline: Array, paint: Mask, glare: Mask) -> Mask:
    """Move and stretch the model's lips until they agree best with the paint, within the model's errors.

    The model's outline errs by a fraction of a lip in place and size, but hardly in shape. Paint outside
    and lack of paint inside both count against a fit, and so does every step away from the model, so that a
    rubbed corner or a smear outside does not drag the border along.
    """
    x0, y0 = np.floor(outline.min(axis=0) - 0.09 * view.unit).astype(int)
    x1, y1 = np.ceil(outline.max(axis=0) + 0.09 * view.unit).astype(int)
    x0, y0 = max(0, int(x0)), max(0, int(y0))
    window = (slice(y0, max(y0 + 1, int(y1))), slice(x0, max(x0 + 1, int(x1))))
    scale = min(1.0, 110 / max(1, x1 - x0))
    size = (max(8, round((x1 - x0) * scale)), max(8, round((y1 - y0) * scale)))
    painted = cv2.resize(paint[window].astype(np.float32), size, interpolation=cv2.INTER_AREA)
    bare = cv2.resize((~paint & ~glare)[window].astype(np.float32), size, interpolation=cv2.INTER_AREA)
    local = (outline - [x0, y0]) * scale
    parting = float(_parting_height(view) - y0) * scale
    unit = view.unit * scale
    area = float(max(cv2.contourArea(local.astype(np.float32)), 1.0))
    total = float(painted.sum())
    best = np.zeros(5)
    # The model follows painted lips outward readily, so a lip larger still than its outline is doubtful.
    grow = np.array([0.02, 0.02, 0.05, 0.05, 0.05])

    def badness(steps: Array) -> float:
        mask = np.zeros(size[::-1], np.uint8)
        cv2.fillPoly(mask, [np.round(_moved(local, parting, unit, steps) * 16).astype(np.int32)], 1, shift=4)
        inside = mask.astype(bool)
        hit = float(painted[inside].sum())
        miss = float(bare[inside].sum())
        return (
            (total - hit) / area
            + 0.6 * miss / area
            + float(np.sum(np.where(steps > 0, grow, 0.02) * steps**2))
        )

    value = badness(best)
    for reach in (1.0, 0.5, 0.25):
        for _ in range(2):
            for axis in range(5):
                for step in (-2 * reach, -reach, reach, 2 * reach):
                    trial = best.copy()
                    trial[axis] += step
                    at = badness(trial)
                    if at < value - 1e-6:
                        best, value = trial, at
    return view.mask_view(_moved(outline, _parting_height(view), view.unit, best))


def _mirrored(view: FaceView, paint: Mask) -> Mask:
    """Paint mirrored across the middle of the mouth, each side stretched to the other's width.

    Molded lips are alike left and right; rubbed paint seldom is. So one side tells where the other's lip is.
    """
    if view.face.landmarks is None:
        points = view.points(view.face.lips)
        middle, left, right = np.mean(points[:, 0]), points[:, 0].min(), points[:, 0].max()
    else:
        points = view.points(view.face.landmarks[[61, 291, 0, 17, 13, 14]])
        left, right, middle = points[0, 0], points[1, 0], points[2:, 0].mean()
    stretch = float(middle - left) / max(float(right - middle), 1e-3)
    if not 0.4 < stretch < 2.5:
        return paint
    height, width = paint.shape
    x = np.arange(width, dtype=np.float32)
    other = np.where(x > middle, middle - (x - middle) * stretch, middle + (middle - x) / stretch)
    rows = np.repeat(np.arange(height, dtype=np.float32)[:, None], width, axis=1)
    columns = np.repeat(other.astype(np.float32)[None], height, axis=0)
    return cv2.remap(paint.astype(np.uint8), columns, rows, cv2.INTER_NEAREST).astype(bool)


def _moved(outline: Array, parting: float, unit: float, steps: Array) -> Array:
    """Apply sideways and vertical shift, width, and heights above and below the parting, in standard errors.

    Standard errors of the model's lips on dolls, from rendered tuning photos: 0.012 and 0.018 face widths
    in place, 8 % in width, 16 % in height.
    """
    shift_x, shift_y, wide, up, low = steps
    middle = (outline[:, 0].min() + outline[:, 0].max()) / 2
    x = middle + (outline[:, 0] - middle) * np.exp(0.08 * wide) + 0.012 * unit * shift_x
    rise = outline[:, 1] - parting
    y = parting + rise * np.where(rise < 0, np.exp(0.16 * up), np.exp(0.16 * low)) + 0.018 * unit * shift_y
    return np.stack([x, y], axis=1)


def _parting_height(view: FaceView) -> float:
    """Height of the parting between the lips in the view."""
    points = view.points(view.face.inner_lips or view.face.lips)
    return float(np.mean(points[:, 1]))


def _settle_edge(lip: Mask, whole: Mask, paint: Mask, belt: float) -> Mask:
    """Within a belt around the fitted border, let the paint show the edge where there is paint."""
    if not paint.any():
        return lip
    inner, outer = grown(lip, -belt), grown(lip, belt)
    nearby = grown(whole & outer, 1.5 * belt)
    settled = inner | (outer & paint) | (lip & whole) | (lip & ~nearby)
    # What lacks paint on a strip thinner than the belt is the border's error, not wear.
    missing = settled & ~paint
    wide = grown(grown(missing, -0.5 * belt), 0.5 * belt) & missing
    return settled & (paint | wide)


def grown(mask: Mask, by: float) -> Mask:
    """Grow (or, negative, shrink) a mask by a distance in pixels."""
    if by >= 0:
        return cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5) <= by
    return cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5) > -by


def _signs(view: FaceView, ring: Mask, skin: Array | None) -> tuple[Array, Array] | None:
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


def _unrest(tint: Array, ring: Mask) -> float:
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


def _paint_direction(tint: Array, inner: Mask, ring: Mask) -> tuple[Array, float]:
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


def _connected_to(mask: Mask, anchor: Mask, least: float) -> Mask:
    """Keep connected parts that touch ``anchor`` and are not specks."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    keep = np.zeros(count, bool)
    touched = np.bincount(labels[anchor & mask], minlength=count)
    for i in range(1, count):
        area = stats[i, cv2.CC_STAT_AREA]
        keep[i] = area > least * 0.2 and touched[i] > 0.3 * area
    return keep[labels]


def _upper_half(view: FaceView, lip: Mask) -> Mask:
    """Pixels of the upper lip: above the parting, which the model's inner outline follows."""
    height, width = lip.shape
    if view.face.inner_lips:
        inner = view.points(view.face.inner_lips)
        order = np.argsort(inner[:, 0])
        xs, ys = inner[order, 0], inner[order, 1]
        half = len(xs) // 2
        fit = np.polyfit(xs, ys, 2) if half >= 3 else np.array([0.0, 0.0, ys.mean()])
        parting = np.polyval(fit, np.arange(width))
    else:
        rows = np.flatnonzero(lip.any(axis=1))
        parting = np.full(width, (rows.min() + rows.max()) / 2 if len(rows) else height / 2)
    return lip & (np.arange(height)[:, None] < parting[None])


def _record(reading: FaceReading, found: LipPaint) -> TraitRecord:
    """Turn areas into fractions with uncertainties, and those into a state."""
    view = reading.view
    known = found.lip & ~found.glare
    seen = visibility(found)
    cover = {
        "coverage_total": _share(found.paint, known),
        "coverage_upper": _share(found.paint, known & found.upper),
        "coverage_lower": _share(found.paint, known & ~found.upper),
    }
    beyond, u_beyond = beyond_border(found)
    u_cover = float(np.hypot(0.02 + 0.25 * _edge_share(found), 0.4 * (1 - seen)))
    quantities = {k: Quantity(v, u_cover * (1.0 if k == "coverage_total" else 1.3)) for k, v in cover.items()}
    quantities["beyond_border"] = Quantity(beyond, u_beyond)
    worn, rubbed = wear(found.paint, found.lip, found.upper, known, found.belt, u_cover)
    quantities |= worn
    probabilities = _states(cover["coverage_total"], u_cover, beyond, u_beyond, found, seen)
    if not found.border_seen:
        probabilities = _doubt_border(probabilities, _notch(found), _large(reading, found), found.seen)
    ceiling = 0.92 * min(1.0, 0.5 + 0.5 * reading.likeness.probability)
    if found.contrast < WEAK and beyond > 0.5 * OVER:
        # A faint tint that spreads beyond the lips is as likely light or shade as paint.
        ceiling *= 0.5
    probabilities = {k: ceiling * v + (1 - ceiling) / 4 for k, v in probabilities.items()}
    probabilities, said = combine(
        probabilities,
        reading.opinion("lips"),
        MOST_BY_NETWORK if found.border_seen else MOST,
        accusing=("overpainted",),
    )
    flags: tuple[str, ...] = ("weak_contrast",) if 0.2 < seen < 0.8 else ()
    flags += (said,) if said else ()
    if np.count_nonzero(found.glare & found.lip) > 0.08 * np.count_nonzero(found.lip):
        flags += ("glare",)
    state = max(probabilities, key=lambda k: probabilities[k])
    if state == "rubbed":
        flags += rubbed
    return TraitRecord.decide(
        TRAIT, probabilities, METHOD,
        _doubt(probabilities),
        detail=_SENTENCES[state], quantities=quantities, region=view.region(found.paint | found.lip),
        n_pixels=view.original_pixels(known), flags=flags,
    )  # fmt: skip


def beyond_border(found: LipPaint) -> tuple[float, float]:
    """Return the painted area outside of the molded lip ÷ the lip's area, with its standard uncertainty."""
    area = max(1, int(np.count_nonzero(found.lip & ~found.glare)))
    beyond = float(np.count_nonzero(found.paint & ~found.lip) / area)
    u = float(np.hypot(0.02 + 0.55 * _edge_share(found), 0.2 * (1 - visibility(found))))
    return beyond, u


def _edge_share(found: LipPaint) -> float:
    """Return the area in doubt along the lip's border ÷ the lip's area."""
    area = max(1, int(np.count_nonzero(found.lip & ~found.glare)))
    perimeter = max((cv2.arcLength(c, True) for c in outlines(found.lip)), default=0.0)
    return float(perimeter * 0.25 * found.belt / area)


def _notch(found: LipPaint) -> float:
    """Return what is missing from the paint's own convex outline below the parting, ÷ the lip's area.

    A lower lip is convex. Where paint was kissed off at its crown, the fitted lip shrinks with the paint, but
    the paint's edge is left with a notch.
    """
    lower = found.paint & (found.lip | grown(found.lip, found.belt)) & ~found.upper
    points = cv2.findNonZero(lower.astype(np.uint8))
    if points is None or len(points) < 20:
        return 0.0
    hull = np.zeros(lower.shape, np.uint8)
    cv2.fillConvexPoly(hull, cv2.convexHull(points), 1)
    below = np.cumsum(lower, axis=0) > 0  # what lies above the paint is the parting and the upper lip
    missing = hull.astype(bool) & below & ~found.paint
    lip_pixels = int(np.count_nonzero(found.lip))
    return float(np.count_nonzero(missing)) / max(1, lip_pixels)


def _large(reading: FaceReading, found: LipPaint) -> float:
    """Logarithm of how much likelier paint of this size is on overpainted lips than on neat ones.

    Two sizes are looked at: the paint's area ÷ that of the model's lips, and ÷ eye distance × eyes-to-mouth
    height, each 0 where only a molded border could tell. Molds differ by more (standard deviations of the
    logarithms 0.27 and 0.33) than paint beyond the border adds (0.22 and 0.25, on faces of the tuning kind
    whose lips were painted over by 20 to 60 %), so neither says much; they are no two witnesses and averaged.
    """
    view = reading.view
    painted = float(np.count_nonzero(found.paint))
    model = float(np.count_nonzero(view.mask(view.face.lips)))
    if painted < 1 or model < 1:
        return 0.0
    said = [_likelier(np.log(painted / model), -0.03, 0.27, 0.22)]
    if reading.left is not None and reading.right is not None:
        left, right = (np.argwhere(eye.aperture).mean(axis=0) for eye in (reading.left, reading.right))
        apart = float(right[1] - left[1])
        below = _parting_height(view) - float(left[0] + right[0]) / 2
        if apart > 0 and below > 0:
            said.append(_likelier(np.log(painted / (apart * below)), -2.2, 0.33, 0.25))
    return float(np.clip(np.mean(said), -1.2, 1.2))


def _likelier(x: float, middle: float, spread: float, shift: float) -> float:
    """Logarithm of the ratio of two normal densities that are ``shift`` apart."""
    return shift * (x - middle - shift / 2) / spread**2


def _doubt_border(
    probabilities: dict[str, float], notch: float, large: float, seen: Molded | None
) -> dict[str, float]:
    """Move part of ``full`` to the states that look alike when the molded border is not seen.

    The lip's outline is fitted to the paint, so evenly overpainted lips look full. How likely they are is
    what is known beforehand, ``OVERPAINTED``, moved by how ``large`` they are (a logarithm of odds) and by
    whether a network sees a border that paint crosses.
    """
    full = probabilities["full"]
    rubbed = full * float(np.clip((notch - 0.03) / 0.20, 0, 0.85))
    odds = OVERPAINTED / (1 - OVERPAINTED) * float(np.exp(large))
    if seen is not None and seen.ringed < UNRINGED:
        odds *= UNLIKELIER
    over = odds / (1 + odds) * (full - rubbed)
    return probabilities | {
        "full": full - rubbed - over,
        "rubbed": probabilities["rubbed"] + rubbed,
        "overpainted": probabilities["overpainted"] + over,
    }


_SENTENCES = {
    "full": "Paint covers the molded lips.",
    "rubbed": "Paint is missing on part of the molded lips.",
    "bare": "The lips carry no paint.",
    "overpainted": "Paint lies outside the molded border of the lips.",
}


def _doubt(probabilities: dict[str, float]) -> str:
    """Say what cannot be told apart, and what would help."""
    first, second = sorted(probabilities, key=lambda k: -probabilities[k])[:2]
    if {first, second} == {"full", "overpainted"}:
        return (
            "Cannot tell neat lips from evenly overpainted ones: the molded border under the paint is not "
            "seen. Send a sharp, close photo of the mouth in light from one side."
        )
    return "Cannot tell how much lip paint is left. Send a sharp, closer photo of the mouth in soft light."


def visibility(found: LipPaint) -> float:
    """How surely paint can be told from bare skin here, 0–1; near 0 means that nothing like paint shows.

    Shade, blush and light thrown back in the folds of bare lips reach some tenths; so does the palest paint.
    """
    return float(1 / (1 + np.exp(-(found.contrast - max(0.52, 2.5 * found.unrest)) / 0.09)))


def _states(
    cover: float, u_cover: float, beyond: float, u_beyond: float, found: LipPaint, seen: float
) -> dict[str, float]:
    """Probabilities of the four states under normal errors of coverage and overrun."""
    normal = NormalDist()
    over = normal.cdf((beyond - OVER) / u_beyond)
    less_bare = normal.cdf((BARE - cover) / u_cover)
    full = normal.cdf((cover - FULL) / u_cover)
    # Without contrast the mouth is bare or its paint is as pale as the skin: nobody can tell which.
    pale = 0.12 + 0.5 * min(1.0, found.contrast / 0.32)
    # Strong paint beside the lips as placed says that they are misplaced, not that they are bare.
    pale += (1 - pale) * 0.7 * min(1.0, found.stray / 0.004)
    bare = seen * less_bare + (1 - seen) * (1 - pale)
    rest = max(0.0, 1 - bare)
    full_share = full / max(full + (1 - less_bare - full), 1e-6) if less_bare < 1 else 0.5
    return {
        "bare": bare,
        "overpainted": rest * over,
        "full": rest * (1 - over) * full_share,
        "rubbed": rest * (1 - over) * (1 - full_share),
    }


def _share(paint: Mask, where: Mask) -> float:
    total = np.count_nonzero(where)
    return float(np.count_nonzero(paint & where) / total) if total else 0.0


def _withheld(reason: Reason, detail: str) -> TraitRecord:
    return TraitRecord.withheld(TRAIT, reason, METHOD, detail)
