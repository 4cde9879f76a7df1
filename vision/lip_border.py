"""Where the molded lips end: seen by a network, or fitted to the paint.

Worn paint and overpaint can only be told apart against the border that the mold gave the lips. It shows as
relief, faintly; a small network has learned to see it whatever is painted there
(``sample_images/train_mouth.py``). Without it the face model's outline is fitted to the paint.

How a dealer would be misled, and what stands against it:

- a network has a border inside the paint of neat lips, and calls them overpainted: such a border is believed
  only where measured paint lies on both sides of a good part of it, where lightness changes across it as
  relief does, where the photo has pixels enough to show both, and where the paint is larger than lips are by
  a face model that knows no paint;
- a network sees lips elsewhere: it must agree with the face model on place and size;
- where flat light or blur hides all relief it takes the paint's edge for the lips': bare vinyl that paint,
  mirrored, and the face model call lips counts as half of them (:attr:`vision.lips.LipPaint.missed`);
- fitted to worn paint, lips shrink with it: a fit pays for every step away from the face model.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.eye_paint import LUMA
from vision.face_reading import FaceReading
from vision.face_view import FaceView, blurred, grown

#: A border inside paint is believed where measured paint crosses at least this share of it. Of five neat
#: mouths that the network took for overpainted (four by a renderer that did not teach it) none reached a
#: quarter, of twelve overpainted ones all but one did.
RINGED = 0.25
#: Lightness must change across that border by at least this much, as a log ratio: relief shows it (0.10 to
#: 0.56 on held-out sculpted heads, 0.036 and 0.043 on flat ones, up to 0.012 on drawings).
STEP = 0.05
#: Paint on both sides of a border reaches this far from it, in face widths.
RING = 0.015
#: Or, where relief is strong, only this far, changing lightness by at least the second (0.28, 0.36 and 0.39
#: across the borders of three thinly overpainted mouths, at most 0.09 across those of neat ones that the
#: network took for overpainted).
THIN_RING, THIN_STEP = 0.010, 0.20
#: That distance must be at least this many pixels of the original, and this many standard deviations of the
#: photo's blur, or the border cannot be told from the paint's own edge.
LEAST_RING_PX, LEAST_RING_BLURS = 3.0, 2.0

#: The network's classes that make up either lip.
UPPER, LOWER = ("upper_bare", "upper_paint"), ("lower_bare", "lower_paint")

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Molded:
    """What the mouth network sees of the molded lips, painted or not; masks in view pixels.

    ``lip`` is all of them, ``upper`` the upper one, ``painted`` what it takes for painted of them; ``beyond``
    is the area of paint outside of them ÷ theirs. ``in_paint`` says whether their border lies amid measured
    paint and shows there as relief.
    """

    lip: Mask
    upper: Mask
    painted: Mask
    beyond: float
    in_paint: bool


def molded(reading: FaceReading, model: Mask, paint: Mask) -> Molded | None:
    """Return what the mouth network sees of the molded lips; None where it is none or sees them elsewhere.

    Parameters
    ----------
    reading
        The face.
    model
        (H, W) the lips as the face model has them.
    paint
        (H, W) measured paint.
    """
    upper, lower = reading.mouth_chance(*UPPER), reading.mouth_chance(*LOWER)
    bare, beyond = reading.mouth_chance("upper_bare", "lower_bare"), reading.mouth_chance("paint_beyond")
    if upper is None or lower is None or bare is None or beyond is None:
        return None
    unit = reading.view.unit
    chance = upper + lower
    lip = (chance > 0.5) & reading.view.valid
    area, expected = int(np.count_nonzero(lip)), int(np.count_nonzero(model))
    shared = int(np.count_nonzero(lip & grown(model, 0.03 * unit)))
    if not 0.35 * expected < area < 2.5 * expected or shared < 0.6 * area:
        return None
    larger = int(np.count_nonzero(paint)) > expected
    in_paint = larger and _relief(reading, lip, beyond > 0.5, paint, RING) >= STEP
    return Molded(
        lip,
        lip & (upper > lower),
        lip & (chance - bare > bare),
        float(np.count_nonzero(beyond > 0.5) / area),
        in_paint or _relief(reading, lip, beyond > 0.5, paint, THIN_RING) >= THIN_STEP,
    )


def _relief(reading: FaceReading, lip: Mask, beyond: Mask, paint: Mask, ring: float) -> float:
    """Return how much lightness changes across the border of the lips where that lies amid paint.

    Mean absolute log ratio over ``ring`` face widths; 0 where paint that reaches so far crosses too little of
    the border, or where the photo has too few pixels or too much blur to tell.
    """
    ring_px = ring * reading.view.face.width
    if ring_px < max(LEAST_RING_PX, LEAST_RING_BLURS * _blur(reading)):
        return 0.0
    width = ring * reading.view.unit
    border, crossed = _crossed(lip, beyond, paint, width)
    if np.count_nonzero(crossed) < RINGED * np.count_nonzero(border):
        return 0.0
    return _step(reading.view, crossed, lip, width)


def _blur(reading: FaceReading) -> float:
    """Return the photo's blur at the eyes: standard deviation in pixels of the original."""
    return max((eye.edge_px for eye in reading.eyes), default=0.0)


def _crossed(lip: Mask, beyond: Mask, paint: Mask, width: float) -> tuple[Mask, Mask]:
    """Return the molded border as the network sees it, and where paint of some width crosses it.

    Neat paint ends at the border. A network that misplaces the border of neat lips has it too far in on some
    sides only, so what counts is how much of the border lies in the midst of paint.
    """
    border = lip & ~grown(lip, -1.5)
    return border, border & grown(beyond, width) & grown(paint, -width)


def _step(view: FaceView, border: Mask, lip: Mask, width: float) -> float:
    """Return how much lightness changes across a border in the midst of paint: mean |log ratio|.

    The change over ``width`` pixels across the border, first averaged over as much along it, so that noise
    goes. Drawn lips have none, nor have lips that stand out so little that no border could be seen.
    """
    light = np.log(blurred(view.linear.astype(np.float64) @ LUMA, 0.4 * width) + 0.003)
    outside, inside = (cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5) for mask in (~lip, lip))
    down, right = np.gradient(blurred(outside - inside, 0.4 * width))
    light_down, light_right = np.gradient(light)
    slope = (light_down * down + light_right * right) / np.maximum(np.hypot(down, right), 1e-6)
    along = blurred(slope * border, width) / np.maximum(blurred(border, width), 1e-9)
    return float(width * np.abs(along[border]).mean()) if border.any() else 0.0


def fit_lip(view: FaceView, outline: Array, paint: Mask, glare: Mask) -> Mask:
    """Move and stretch the model's lips until they agree best with the paint, within the model's errors.

    The model's outline errs by a fraction of a lip in place and size, but hardly in shape. Paint outside
    and lack of paint inside both count against a fit, and so does every step away from the model, so that a
    rubbed corner or a smear outside does not drag the border along.

    Parameters
    ----------
    view
        The upright face.
    outline
        (N, 2) the model's lips in view pixels.
    paint, glare
        (H, W) pixels of paint, and pixels that tell nothing of it.

    Returns
    -------
    (H, W) the lips.
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
    parting = float(parting_height(view) - y0) * scale
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
    return view.mask_view(_moved(outline, parting_height(view), view.unit, best))


def mirrored(view: FaceView, paint: Mask) -> Mask:
    """Return (H, W) paint mirrored across the middle of the mouth, each side stretched to the other's width.

    Molded lips are alike left and right; rubbed paint seldom is. So one side tells where the other's lip is.
    In a face turned so far that the sides cannot be compared the paint is returned as it is.
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
    """Return an outline after (5,) steps: shift right and down, width, height above and below the parting.

    Steps count standard errors of the model's lips on dolls, from rendered tuning photos: 0.012 and 0.018
    face widths in place, 8 % in width, 16 % in height.
    """
    shift_x, shift_y, wide, up, low = steps
    middle = (outline[:, 0].min() + outline[:, 0].max()) / 2
    x = middle + (outline[:, 0] - middle) * np.exp(0.08 * wide) + 0.012 * unit * shift_x
    rise = outline[:, 1] - parting
    y = parting + rise * np.where(rise < 0, np.exp(0.16 * up), np.exp(0.16 * low)) + 0.018 * unit * shift_y
    return np.stack([x, y], axis=1)


def parting_height(view: FaceView) -> float:
    """Return y of the parting between the lips, in view pixels."""
    points = view.points(view.face.inner_lips or view.face.lips)
    return float(np.mean(points[:, 1]))


def settle_edge(lip: Mask, whole: Mask, paint: Mask, belt: float) -> Mask:
    """Return the lips with the paint's edge, where there is paint in a belt around the fitted border.

    Parameters
    ----------
    lip
        (H, W) the fitted lips.
    whole, paint
        (H, W) paint with what mirroring adds to it, and paint alone.
    belt
        How far from the border of ``lip`` the paint's edge may lie, in view pixels.
    """
    if not paint.any():
        return lip
    inner, outer = grown(lip, -belt), grown(lip, belt)
    nearby = grown(whole & outer, 1.5 * belt)
    settled = inner | (outer & paint) | (lip & whole) | (lip & ~nearby)
    # What lacks paint on a strip thinner than the belt is the border's error, not wear.
    missing = settled & ~paint
    wide = grown(grown(missing, -0.5 * belt), 0.5 * belt) & missing
    return settled & (paint | wide)
