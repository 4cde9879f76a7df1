"""Signs that the paint of the lips was renewed.

How a dealer would be misled, and what stands against it:

- wear makes an edge ragged, too (only edges along the molded border and outside of it count);
- noise and JPEG blocks make any edge ragged (their share is taken off; small mouths are silent);
- gloss and skin shining through worn paint look like a second color (a second red must lie outside of all
  that the first can mix to with skin and white);
- the form of the lips catches light by itself (gloss alone never makes a sign).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import lips
from vision.calibration import Calibration
from vision.eye_paint import LUMA, eye_calibration, lab_of
from vision.face_reading import FaceReading
from vision.face_view import blurred, grown, outlines
from vision.lips import LipPaint
from vision.locate.places import FacePlace
from vision.photo import Photo
from vision.repaint import Sign, above, disc, look_for_signs
from vision.traits import Quantity, Trait, TraitRecord

#: Roughness of a paint's edge, in face widths, from which it looks brushed (from memory of sprayed edges).
RAGGED = 0.0030
#: Distance of a second red from all mixtures of the first, in a*, b*.
SECOND_RED = 11.0

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


def measure(photo: Photo, face: FacePlace, cal: Calibration) -> TraitRecord:
    """Look for signs of renewed paint on the lips of one face.

    Returns
    -------
    A ``lip_repaint_signs`` record: none or present. Quantities hold, for each sign that could be looked for,
    its number and ``<sign>_chance``, the probability that it is there (0–1); flags name the signs seen; the
    region's polygons are named by sign.
    """
    return look_for_signs(photo, face, cal, Trait.LIP_REPAINT_SIGNS, "lips", lip_signs)


def lip_signs(reading: FaceReading, cal: Calibration) -> list[Sign] | None:
    """Return the signs that can be judged on the lips; None when no paint is seen there."""
    found = lips.find_paint(reading)
    if found is None or lips.visibility(found) < 0.6 or not found.paint.any():
        return None
    signs = [_over_border(reading, found), _ragged_edge(reading, found)]
    signs += [_second_red(reading, found, cal), _gloss(reading, found), _over_scratches(reading, found)]
    return [sign for sign in signs if sign is not None]


def _over_border(reading: FaceReading, found: LipPaint) -> Sign:
    """Paint outside of the molded lip."""
    value, u = lips.beyond_border(found)
    outside = found.paint & ~found.lip
    # A border that a network sees is no surer evidence here than it is for the paint's state.
    most = lips.MOST_BY_NETWORK if found.lip_seen else 1.0
    return Sign(
        "over_border", "paint lies beyond the molded border", Quantity(value, u),
        min(most, 0.95 * lips.beyond_chance(found)), reading.view.region(outside).polygons,
    )  # fmt: skip


def _ragged_edge(reading: FaceReading, found: LipPaint) -> Sign | None:
    """How far the paint's outer edge strays from its own smooth course, as a brush leaves it."""
    unit = reading.view.unit
    closed = cv2.morphologyEx(found.paint.astype(np.uint8), cv2.MORPH_CLOSE, disc(0.02 * unit))
    near = grown(found.lip, 2 * found.belt) & ~grown(found.lip, -2 * found.belt)
    off: list[Array] = []
    for contour in outlines(closed.astype(bool)):
        points: Array = contour.reshape(-1, 2).astype(np.float64)
        if len(points) < 0.25 * unit:
            continue
        fine, course = _smoothed(points, 0.004 * unit), _smoothed(points, 0.018 * unit)
        tangent: Array = np.gradient(course, axis=0)
        length = np.linalg.norm(tangent, axis=1, keepdims=True) + 1e-9
        normal = np.stack([tangent[:, 1], -tangent[:, 0]], axis=1) / length
        # At the corners of the mouth and the cupid's bow the course itself bends sharply.
        bend = np.linalg.norm(np.gradient(tangent / length, axis=0), axis=1)
        at = points.astype(int)
        kept = near[at[:, 1], at[:, 0]] & (bend < 1.5 / (0.05 * unit))
        off.append(((fine - course) * normal).sum(axis=1)[kept])
    strays = np.concatenate(off) if off else np.empty(0)
    if len(strays) < 0.15 * unit:
        return None
    value = float(1.4826 * np.median(np.abs(strays - np.median(strays)))) / unit
    # Half a pixel of the original is lost to sampling, and as much to compression.
    floor = 0.35 / (reading.view.scale * unit / reading.view.scale) + 0.25 / (unit / reading.view.scale)
    value, u = float(np.sqrt(max(0.0, value**2 - floor**2))), 0.25 * value + 0.5 * floor
    polygons = tuple(p for p in reading.view.region(found.paint).polygons)
    return Sign(
        "ragged_edge", "the edge of the paint is uneven, as from a brush", Quantity(value, u),
        above(value, u, RAGGED), polygons,
    )  # fmt: skip


def _second_red(reading: FaceReading, found: LipPaint, cal: Calibration) -> Sign | None:
    """A second color within the paint, outside of what the first mixes to with skin and white."""
    if reading.skin is None:
        return None
    view = reading.view
    core = grown(found.paint, -0.012 * view.unit) & ~grown(found.glare, 0.008 * view.unit)
    if np.count_nonzero(core) < 200:
        return None
    white = eye_calibration(reading.eyes, cal) if reading.eyes else cal
    linear = blurred(view.linear.astype(np.float64), 0.005 * view.unit)
    tints = _tint(linear[core], white)
    halves = _two_groups(tints)
    if halves is None:
        return Sign("second_red", _SECOND, Quantity(0.0, 4.0), 0.03)
    bare = _tint(np.median(reading.skin[core], axis=0)[None], white)[0]
    first, second = (np.median(tints[halves == k], axis=0) for k in (0, 1))
    inside = [np.zeros(2), bare]
    value = min(_outside(second, np.array([first, *inside])), _outside(first, np.array([second, *inside])))
    # Grain of one color divided in two halves is apart by 1.6 of its spread: only more than that counts.
    spread = float(np.mean([tints[halves == k].std(axis=0) for k in (0, 1)]))
    where = np.zeros(core.shape, bool)
    smaller = int(np.count_nonzero(halves == 1) < len(halves) / 2)
    where[core] = halves == smaller
    patch = cv2.morphologyEx(where.astype(np.uint8), cv2.MORPH_OPEN, disc(0.008 * view.unit)).astype(bool)
    share = int(np.count_nonzero(patch)) / max(1, int(np.count_nonzero(where)))
    u = 3.0 + 1.2 * spread
    chance = above(value, u, SECOND_RED) * float(np.clip((share - 0.3) / 0.4, 0, 1))
    return Sign("second_red", _SECOND, Quantity(value, u), chance, view.region(patch).polygons)


_SECOND = "a second color lies within the paint, as from a touch-up"


def _gloss(reading: FaceReading, found: LipPaint) -> Sign | None:
    """How much stronger narrow highlights are on the paint than on the skin around it (logarithm)."""
    view = reading.view
    light = np.log(blurred(view.linear, 0.004 * view.unit) @ LUMA + 0.004)
    shine = cv2.morphologyEx(light.astype(np.float32), cv2.MORPH_TOPHAT, disc(0.02 * view.unit))
    paint = grown(found.paint | (found.glare & found.lip), -0.01 * view.unit)
    ring = grown(found.lip, 0.14 * view.unit) & ~grown(found.lip, 0.04 * view.unit) & view.valid
    if np.count_nonzero(paint) < 200 or np.count_nonzero(ring) < 200:
        return None
    value = float(np.quantile(shine[paint], 0.97) - np.quantile(shine[ring], 0.97))
    # The fold of the mouth and the form of the lips catch light by themselves: a weak sign at the most.
    return Sign(
        "gloss", "the lip paint is glossier than the vinyl beside it", Quantity(value, 0.25),
        min(0.55, above(value, 0.25, 0.8)), view.region(paint).polygons,
    )  # fmt: skip


def _over_scratches(reading: FaceReading, found: LipPaint) -> Sign | None:
    """Fine lines of the vinyl that end where the paint begins: share of lines lost under the paint."""
    view = reading.view
    light = np.log(view.linear @ LUMA.astype(np.float32) + 0.004).astype(np.float32)
    fine = cv2.GaussianBlur(light, (0, 0), 1.0) - cv2.GaussianBlur(light, (0, 0), 0.012 * view.unit)
    outside = grown(found.lip | found.paint, 0.05 * view.unit) & ~grown(
        found.lip | found.paint, 0.012 * view.unit
    )
    inside = grown(found.paint, -0.012 * view.unit) & ~found.glare
    if min(np.count_nonzero(outside & view.valid), np.count_nonzero(inside)) < 300:
        return None
    grain = float(1.4826 * np.median(np.abs(fine[outside])))
    lines = [float(np.mean(np.abs(fine[where]) > 0.06 + 4 * grain)) for where in (outside, inside)]
    lost = max(0.0, 1 - lines[1] / max(lines[0], 1e-6))
    # A few lines prove nothing; a scratched face has them over some percent of its vinyl.
    chance = float(np.clip((lines[0] - 0.02) / 0.06, 0, 1)) * above(lost, 0.25, 0.7)
    return Sign(
        "over_scratches", "scratches of the vinyl end where the paint begins",
        Quantity(lines[0] * lost, 0.02 + 0.25 * lines[0]), min(0.6, chance),
        view.region(outside).polygons,
    )  # fmt: skip


def _smoothed(points: Array, sigma: float) -> Array:
    """Smooth a closed line of evenly spaced (N, 2) points with a Gaussian along itself."""
    reach = int(np.ceil(3 * sigma))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    kernel /= kernel.sum()
    wrapped = np.take(points, np.arange(-reach, len(points) + reach), axis=0, mode="wrap")
    return np.stack([np.convolve(wrapped[:, k], kernel, "valid") for k in range(2)], axis=1)


def _tint(linear: Array, cal: Calibration) -> Array:
    """(N, 2) a*, b* of pixels brought to one lightness, so that shade does not matter."""
    level = np.maximum(linear @ LUMA, 1e-4)
    return lab_of(linear / level[:, None] * 0.18, Calibration(neutral_rgb=cal.neutral_rgb))[:, 1:]


def _two_groups(tints: Array) -> NDArray[np.int64] | None:
    """Divide (N, 2) tints in two along their longest axis; None when one part is a mere fringe."""
    middle = np.median(tints, axis=0)
    _, axes = np.linalg.eigh(np.cov((tints - middle).T))
    along = (tints - middle) @ axes[:, 1]
    low, high = np.quantile(along, [0.02, 0.98])
    if high - low < 1e-6:
        return None
    level = np.round(255 * np.clip((along - low) / (high - low), 0, 1)).astype(np.uint8)
    cut, _ = cv2.threshold(level, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    groups = (level > cut).astype(np.int64)
    return groups if 0.06 < groups.mean() < 0.94 else None


def _outside(point: Array, triangle: Array) -> float:
    """Distance of a point from a triangle in the plane; 0 inside."""
    polygon = cv2.convexHull(triangle.astype(np.float32))
    return max(0.0, -float(cv2.pointPolygonTest(polygon, (float(point[0]), float(point[1])), True)))
