"""Signs that the paint of the eyes was renewed: both eyes should bear the same paint.

How a dealer would be misled, and what stands against it: a turned head makes eyes unlike (one turned by more
than ``MOST_YAW`` is not compared); one side lies in shade or in light of another color (each eye is read
against its own white, and lightness hardly counts); hair over a lid makes its line shorter (widths are
compared where the line is seen, and hidden lids are left out).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision import eyeliner, iris
from vision.calibration import Calibration
from vision.color import delta_e_2000
from vision.eye_paint import eye_calibration, lab_of, lay_strip
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
    bands = _bands(reading, cal)
    signs = [_liner_widths(reading, bands), _liner_colors(reading, bands), _iris_colors(reading)]
    return [sign for sign in signs if sign is not None]


def _bands(reading: FaceReading, cal: Calibration) -> list[eyeliner.Band]:
    assert reading.skin is not None
    white = eye_calibration(reading.eyes, cal)
    return [
        eyeliner.find_band(reading.view, lay_strip(reading.view, reading.skin, eye), eye, white)
        for eye in reading.eyes
    ]


def _liner_widths(reading: FaceReading, bands: list[eyeliner.Band]) -> Sign | None:
    """How unlike the liners of both eyes are in width (absolute logarithm of the ratio)."""
    if any(band.coverage < 0.4 or band.seen < 0.75 or band.width_px < 2.5 for band in bands):
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
