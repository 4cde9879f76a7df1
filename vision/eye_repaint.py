"""Signs that the paint of the eyes was renewed: both eyes should bear the same paint.

How a dealer would be misled, and what stands against it: a turned head makes eyes unlike (one turned by more
than ``MOST_YAW`` is not compared); one side lies in shade or in light of another color (each eye is read
against its own white, and lightness hardly counts); hair over a lid makes its line shorter (widths are
compared where the line is seen, and hidden lids are left out); a tilted head makes brows look uneven (they
are measured from the line through both eyes), and so does a turned one (brows of unlike length are not
compared); the crease of a lid is taken for a brow that hair covers (where hair comes down to the brows they
are not compared).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import eyeliner, iris
from vision.calibration import Calibration
from vision.color import delta_e_2000
from vision.eye_paint import EyePaint, eye_calibration, lab_of, relative
from vision.face_reading import FaceReading
from vision.locate.places import FacePlace
from vision.photo import Photo
from vision.repaint import Sign, above, look_for_signs
from vision.traits import Quantity, Trait, TraitRecord

#: Heads turned farther (degrees) are not compared left with right.
MOST_YAW = 18.0
#: Logarithm of the ratio of both liners' widths from which they are unlike (one and a half times).
UNLIKE_WIDTH = 0.40
#: Difference between the paints of both eyes, ΔE00, that is no accident of light.
UNLIKE_COLOR = 11.0

#: Difference between the heights of both brows above their eyes, in face widths: a millimeter on a head an
#: inch wide.
UNEVEN_BROWS = 0.04
#: Brows are compared when the shorter is at least this long beside the other: on a turned head the far one is
#: short, and its arch stands elsewhere above the eye.
BROWS_ALIKE = 0.75
#: A brow is a thin line darker than the skin beside it by this (natural logarithm of light), this long at
#: least, at most this thick and this far above the eye, in face widths.
BROW_DARKER = 0.10
BROW_LENGTH, BROW_THICK, BROW_REACH = 0.09, 0.03, 0.32

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


def measure(photo: Photo, face: FacePlace, cal: Calibration) -> TraitRecord:
    """Look for signs of renewed paint on the eyes of one face.

    Returns
    -------
    An ``eye_repaint_signs`` record: none or present, told as that of the lips is.
    """
    return look_for_signs(photo, face, cal, Trait.EYE_REPAINT_SIGNS, "eyes", eye_signs)


def eye_signs(reading: FaceReading, cal: Calibration) -> list[Sign] | None:
    """Return the signs that can be judged on the eyes; None when not both are seen from about the front."""
    if reading.left is None or reading.right is None or abs(reading.view.face.yaw_deg) > MOST_YAW:
        return None
    bands = eyeliner.find_bands(reading, eye_calibration(reading.eyes, cal))
    signs = [
        _liner_widths(reading, bands), _liner_colors(reading, bands), _iris_colors(reading),
        _brow_heights(reading),
    ]  # fmt: skip
    return [sign for sign in signs if sign is not None]


def _liner_widths(reading: FaceReading, bands: list[eyeliner.Band]) -> Sign | None:
    """How unlike the liners of both eyes are in width (absolute logarithm of the ratio)."""
    if any(
        band.coverage < 0.4 or min(band.seen, band.bounded) < 0.75 or band.width_px < 2.5 for band in bands
    ):
        return None
    value = abs(float(np.log(bands[0].width / bands[1].width)))
    u = float(np.hypot(0.8 / bands[0].width_px, 0.8 / bands[1].width_px)) + 0.008 * abs(
        reading.view.face.yaw_deg
    )
    polygons = tuple(p for band in bands for p in reading.view.region(band.mask).polygons)
    return Sign(
        "liner_widths", "the liner is wider at one eye than at the other", Quantity(value, u),
        above(value, u, UNLIKE_WIDTH), polygons,
    )  # fmt: skip


def _liner_colors(reading: FaceReading, bands: list[eyeliner.Band]) -> Sign | None:
    """Difference between the liners of both eyes, each against its own white, ΔE00."""
    if any(len(band.core) < 6 or band.solid < 0.75 or band.seen < 0.75 for band in bands):
        return None
    left = [0.5 * (1 - band.solid) * float(np.linalg.norm(band.bare)) for band in bands]
    return _colors_apart(
        "liner_colors", "the liner has another color at one eye than at the other", reading,
        [band.core for band in bands], [band.mask for band in bands], 25 * sum(left),
    )  # fmt: skip


def _iris_colors(reading: FaceReading) -> Sign | None:
    """Difference between the painted irises, each against its own white, ΔE00."""
    irises = [iris.find_iris(reading.view, eye) for eye in reading.eyes]
    if any(found is None or found.share < 0.3 or len(found.core) < 12 for found in irises):
        return None
    known = [found for found in irises if found is not None]
    return _colors_apart(
        "iris_colors", "the irises differ in color", reading,
        [found.core for found in known], [found.mask for found in known], 0.0,
    )  # fmt: skip


def _brow_heights(reading: FaceReading) -> Sign | None:
    """How unlike both brows are in height above the line through the eyes, in face widths."""
    left, right = reading.left, reading.right
    if left is None or right is None:
        return None
    ends = [np.median(eye.rim[[0, -1]], axis=0) for eye in (left, right)]
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    up = np.array([along[1], -along[0]])
    brows = [brow for eye in (left, right) if (brow := find_brow(reading, eye)) is not None]
    unit = reading.view.unit
    if len(brows) < 2:
        return None
    lengths = [int(np.count_nonzero(brow.any(axis=0))) for brow in brows]
    if min(lengths) < BROWS_ALIKE * max(lengths):
        return None
    heights = []
    for brow, end in zip(brows, ends, strict=True):
        xy = np.argwhere(brow)[:, ::-1] - end
        # Both are read over the same stretch above the eye: a brow that hair shortens is no lower for it.
        heights.append(float(np.median(xy[np.abs(xy @ along) < 0.05 * unit] @ up)) / unit)
    value = abs(heights[0] - heights[1])
    blur = max(left.edge_px, right.edge_px) * reading.view.scale / unit
    u = float(np.hypot(0.006 + 0.5 * blur, 0.0012 * reading.view.face.yaw_deg))
    polygons = tuple(p for brow in brows for p in reading.view.region(brow).polygons)
    return Sign(
        "brow_heights", "one brow is painted higher above its eye than the other", Quantity(value, u),
        above(value, u, UNEVEN_BROWS), polygons,
    )  # fmt: skip


def find_brow(reading: FaceReading, eye: EyePaint) -> Mask | None:
    """Find the painted brow above an eye: (H, W) bool, or None where hair, shade or nothing is there."""
    assert reading.skin is not None
    view = reading.view
    unit = view.unit
    light, _, _ = relative(view.linear.astype(np.float64), reading.skin)
    size = 2 * round(BROW_THICK * unit) + 1
    thin = cv2.morphologyEx(
        light.astype(np.float32),
        cv2.MORPH_BLACKHAT,
        cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)),
    )
    y, x = np.mgrid[: light.shape[0], : light.shape[1]]
    rim = np.interp(np.arange(light.shape[1]), eye.rim[:, 0], eye.rim[:, 1])[None]
    x0, x1 = eye.rim[0, 0], eye.rim[-1, 0]
    room = 0.4 * (x1 - x0)
    within = (x > x0 - room) & (x < x1 + room) & (y < rim - 0.055 * unit) & (y > rim - BROW_REACH * unit)
    dark = (thin > BROW_DARKER) & view.valid
    count, labels, stats, _ = cv2.connectedComponentsWithStats((dark & within).astype(np.uint8))
    middle = (x0 + x1) / 2
    found = []
    for i in range(1, count):
        left, top, width, height, _ = stats[i]
        # A brow passes above the middle of its eye.
        if width >= BROW_LENGTH * unit and height <= width and left < middle < left + width:
            found.append((int(top), np.asarray(labels == i)))
    if not found:
        return None
    # Below a brow lie the lid's crease and lashes; what runs on beyond where a brow may be is hair.
    brow = min(found, key=lambda line: line[0])[1]
    return None if np.any(_grown(brow) & dark & ~within) else brow


def _grown(part: Mask) -> Mask:
    return cv2.dilate(part.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)


def _colors_apart(
    name: str, words: str, reading: FaceReading, cores: list[Array], masks: list[Mask], extra: float
) -> Sign:
    middles, spreads = [], []
    for eye, core in zip(reading.eyes, cores, strict=True):
        lab = lab_of(core, eye_calibration([eye], Calibration()))
        middles.append(np.median(lab, axis=0))
        spreads.append(float(np.mean(lab.std(axis=0))))
    # Shade differs from eye to eye more than within one: lightness says little.
    middles[1][0] = middles[0][0] + 0.35 * (middles[1][0] - middles[0][0])
    value = float(delta_e_2000(middles[0], middles[1]))
    # Whites of both eyes yellow unlike and lie in unlike shade, which their own reading shares only in part.
    u = float(np.hypot(3.5, 0.3 * max(spreads))) + extra
    polygons = tuple(p for mask in masks for p in reading.view.region(mask).polygons)
    return Sign(name, words, Quantity(value, u), above(value, u, UNLIKE_COLOR), polygons)
