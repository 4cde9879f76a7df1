"""Green stains that metal earrings leave in the vinyl at the ears.

How a dealer would be misled, and what stands against it: green cloth or a plant behind the ear (a stain is
enclosed by skin); the shade of hair, blond hair, tarnish and shadow (they are no greener than skin once its
own color is divided out, or they turn yellow, not green); a green cast over everything (skin is the
reference); an ear under hair called clean (bare skin must be in view there, or nothing is said).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.color import chroma, hue_deg
from vision.eye_paint import eye_calibration, lab_of, relative
from vision.face_reading import FaceReading, read_face, refuse
from vision.face_view import blurred, outlines
from vision.locate.places import FacePlace, Polygon
from vision.photo import Photo
from vision.traits import Quantity, Reason, Trait, TraitRecord

TRAIT = Trait.EAR_STAIN
METHOD = "ear_stain/1"

#: Hue window of copper greens on vinyl, in degrees hab under D65; widened by the reference's uncertainty.
GREEN_HUES = (115.0, 200.0)

#: A face narrower than this (px of the original) shows no readable stain.
LEAST_FACE_PX = 100.0

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


def measure(photo: Photo, face: FacePlace, cal: Calibration) -> list[TraitRecord]:
    """Look for green stains at the ears in view.

    Returns
    -------
    One ``ear_stain`` record an ear (``part`` ``left_ear`` or ``right_ear``, the image's): none or green, with
    ``area_px`` in pixels of the original. Ears turned away give no record.
    """
    reading = read_face(photo, face)
    records = []
    for part, outline in (("left_ear", face.left_ear), ("right_ear", face.right_ear)):
        if outline:
            records.append(_measure_ear(reading, outline, cal).replace(part=part))
    return records


def _measure_ear(reading: FaceReading, outline: Polygon, cal: Calibration) -> TraitRecord:
    refused = refuse(reading, TRAIT, METHOD)
    if refused is not None:
        return refused
    view = reading.view
    if view.face.width < LEAST_FACE_PX:
        return _withheld(
            Reason.TOO_SMALL, f"The face is only {view.face.width:.0f} px wide; send a closer photo."
        )
    assert reading.skin is not None
    window = view.mask(outline)
    linear = blurred(view.linear, max(0.8, 0.004 * view.unit))
    light, warmth, green = relative(linear, reading.skin)
    bare = window & (np.abs(warmth) < 0.30) & (np.abs(green) < 0.16) & (light > -1.1) & (light < 0.5)
    stain = _stain_mask(reading, linear, light, warmth, green, window, bare, cal)
    seen = float(np.count_nonzero(bare | stain) / max(int(np.count_nonzero(window)), 1))
    if seen < 0.12:
        return _withheld(Reason.OCCLUDED, "This ear is hidden by hair or hands, or lies outside the photo.")
    return _record(reading, window, bare, stain, green, seen)


def _stain_mask(
    reading: FaceReading,
    linear: Array,
    light: Array,
    warmth: Array,
    green: Array,
    window: Mask,
    bare: Mask,
    cal: Calibration,
) -> Mask:
    """Pixels that are greener than this skin, green in hue, and enclosed by skin."""
    greener = window & (green > 0.22) & (warmth < 0.10) & (light > -2.0)
    lab = lab_of(linear, eye_calibration(reading.eyes, cal))
    hue, strength = hue_deg(lab), chroma(lab)
    low, high = GREEN_HUES
    greener &= ((hue > low - 10) & (hue < high + 15)) | (strength < 6)
    unit = reading.view.unit
    greener = cv2.morphologyEx(greener.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)).astype(
        bool
    )
    count, labels, stats, _ = cv2.connectedComponentsWithStats(greener.astype(np.uint8), connectivity=8)
    out = np.zeros_like(greener)
    reach = np.ones((2 * int(0.012 * unit) + 3,) * 2, np.uint8)
    wide_bare = _bare_anywhere(light, warmth, green)
    for i in range(1, count):
        part = labels == i
        if stats[i, cv2.CC_STAT_AREA] < 0.00025 * unit**2:
            continue
        ring = cv2.dilate(part.astype(np.uint8), reach).astype(bool) & ~part & ~greener
        if np.count_nonzero(wide_bare & ring) > 0.45 * max(int(np.count_nonzero(ring)), 1):
            out |= part
    return out


def _bare_anywhere(light: Array, warmth: Array, green: Array) -> Mask:
    """Skin or the soft edge of a stain on it."""
    return (np.abs(warmth) < 0.45) & (green > -0.2) & (green < 0.35) & (light > -1.3) & (light < 0.5)


def _record(
    reading: FaceReading, window: Mask, bare: Mask, stain: Mask, green: Array, seen: float
) -> TraitRecord:
    view = reading.view
    area = view.original_pixels(stain)
    share = float(np.count_nonzero(stain)) / view.unit**2
    unrest = float(1.4826 * np.median(np.abs(green[bare] - np.median(green[bare])))) if bare.any() else 0.1
    depth = float(np.median(green[stain])) if stain.any() else 0.0
    if stain.any():
        strong = float(np.clip((depth - 0.22) / max(0.15, 4 * unrest), 0, 1))
        big = float(np.clip(share / 0.0012, 0, 1))
        p = (0.40 + 0.52 * strong * big) * min(1.0, 0.5 + 0.5 * reading.likeness.probability)
    else:
        # A small stain is lost in a small picture, and an ear half under hair may hide its own.
        fine = float(np.clip((view.face.width - 90) / 350, 0, 1))
        p = 0.36 - 0.30 * fine + 0.4 * (1 - min(1.0, seen / 0.45)) ** 1.5
        hint = float(np.quantile(green[bare], 0.98)) if bare.any() else 0.0
        p = min(0.6, p + 0.25 * float(np.clip((hint - 0.12) / 0.1, 0, 1)))
    edge = 0.5 * float(sum(cv2.arcLength(c, True) for c in outlines(stain))) / view.scale
    return TraitRecord.decide(
        TRAIT, {"green": p, "none": 1 - p}, METHOD,
        "Cannot tell whether this ear is stained. Send a close daylight photo of each ear, hair held back.",
        detail="Green stain at the ear, as copper leaves it." if p > 0.5 else "No green stain is in view.",
        quantities={"area_px": Quantity(float(area), float(max(edge, 1.0)), "px")},
        region=view.region(stain if stain.any() else window),
        n_pixels=view.original_pixels(bare | stain),
    )  # fmt: skip


def _withheld(reason: Reason, detail: str) -> TraitRecord:
    return TraitRecord.withheld(TRAIT, reason, METHOD, detail)
