"""Sheen of the skin: matte vinyl, or the greasy gloss of plasticizer on the surface.

A highlight is the light's color on top of the skin's own: each pixel is split into skin (fixed ratios of the
channels, free amount) and neutral light (least squares). No published threshold for the highlight share in
one photo is known; gloss follows coverage, contrast and sharpness of highlights (Marlow, Kim and Anderson
2012, 10.1016/j.cub.2012.08.009, from memory), and one photo gives no gloss units. So the state is careful.

How a dealer would be misled, and what stands against it: a flash leaves small crisp spots on matte vinyl too
(share and spread are judged, and a few small spots are flagged ``flash``); a bright window on one cheek
(several parts of the face must agree); a soft even light hides grease (without any highlight ``matte`` is not
given at full confidence).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.eye_paint import LUMA, eye_calibration
from vision.face_reading import FaceReading, read_face, refuse
from vision.locate.face import OVAL
from vision.locate.places import FacePlace
from vision.photo import Photo, linear
from vision.traits import Quantity, Reason, Region, Trait, TraitRecord

TRAIT = Trait.SKIN_SHEEN
METHOD = "sheen/1"

#: A pixel is a highlight when the light on top is more than this part of the skin's own median.
HIGHLIGHT = 0.22

#: Width at which sheen is judged, in pixels: it is coarse.
VIEW_PX = 260

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Highlights:
    """Highlights on skin.

    ``fraction`` is their share of the skin; ``peak`` the light on top at their strongest percent, relative to
    the skin's own; ``crispness`` its steepest change per hundredth of the width; ``parts`` on how many
    quarters of the skin they lie; ``clipped`` the share of skin at the sensor's limit.
    """

    fraction: float
    peak: float
    crispness: float
    parts: int
    clipped: float
    mask: Mask


def measure(photo: Photo, place: FacePlace | Region, cal: Calibration) -> TraitRecord:
    """Judge the sheen of a face, or of a region of bare skin.

    Returns
    -------
    A ``skin_sheen`` record: matte or greasy, with ``highlight_fraction`` (0–1).
    """
    if isinstance(place, Region):
        return _measure_region(photo, place, cal)
    reading = read_face(photo, place)
    refused = refuse(reading, TRAIT, METHOD)
    if refused is not None:
        return refused
    view = reading.view
    mask = _face_skin(reading)
    white = np.asarray(eye_calibration(reading.eyes, cal).neutral_rgb)
    found = find_highlights(view.linear, mask, white, view.unit)
    if found is None:
        return _withheld(Reason.OCCLUDED, "Too little bare skin is in view to judge its sheen.")
    return _record(
        found, view.region(found.mask if found.mask.any() else mask),
        view.original_pixels(mask), 0.5 + 0.5 * reading.likeness.probability,
    )  # fmt: skip


def _measure_region(photo: Photo, place: Region, cal: Calibration) -> TraitRecord:
    """Judge the bare skin inside polygons of the photo."""
    x0, y0, x1, y1 = (round(v) for v in place.bounds)
    x0, y0 = max(0, x0), max(0, y0)
    part = photo.rgb[y0 : max(y0, y1), x0 : max(x0, x1)]
    if min(part.shape[:2]) < 24:
        return _withheld(Reason.TOO_SMALL, "The skin in view is too small to judge its sheen.")
    scale = min(1.0, 2 * VIEW_PX / max(part.shape[:2]))
    small = cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    mask = np.zeros(small.shape[:2], np.uint8)
    for polygon in place.polygons:
        points = (np.asarray(polygon) - [x0, y0]) * scale
        cv2.fillPoly(mask, [np.round(points).astype(np.int32)], 1)
    unit = float(np.sqrt(np.count_nonzero(mask)))
    found = find_highlights(linear(small), mask.astype(bool), np.asarray(cal.neutral_rgb), unit)
    if found is None:
        return _withheld(Reason.OCCLUDED, "Too little bare skin is in view to judge its sheen.")
    return _record(found, place, round(np.count_nonzero(mask) / scale**2), 0.8)


def _face_skin(reading: FaceReading) -> Mask:
    """Bare skin of the face: inside its oval, off eyes, brows and mouth, and of skin's color."""
    view, face = reading.view, reading.view.face
    if face.landmarks is not None:
        mask = view.mask_view(view.points(face.landmarks[list(OVAL)]))
        mask = _shrink(mask, 0.03 * view.unit)
    else:
        mask = np.zeros(view.rgb.shape[:2], bool)
        for polygon in face.skin:
            mask |= view.mask(polygon)
    for polygon, above, around in (
        (face.left_eye, 0.16, 0.05),
        (face.right_eye, 0.16, 0.05),
        (face.lips, 0.05, 0.05),
    ):
        points = view.points(polygon)
        (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
        pad = around * view.unit
        box = [int(v) for v in (y0 - above * view.unit, y1 + pad, x0 - pad, x1 + pad)]
        mask[max(0, box[0]) : max(0, box[1]), max(0, box[2]) : max(0, box[3])] = False
    if reading.skin is not None:
        light = np.log((view.linear @ LUMA + 0.003) / (reading.skin @ LUMA + 0.003))
        mask &= light > -0.9
    return mask


def _shrink(mask: Mask, by: float) -> Mask:
    return cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5) > by


def find_highlights(rgb: NDArray[np.float32], skin: Mask, white: Array, unit: float) -> Highlights | None:
    """Split each skin pixel into skin and light on top, and describe the light on top.

    Parameters
    ----------
    rgb
        (H, W, 3) linear RGB of the photo.
    skin
        (H, W) bool: bare skin.
    white
        (3,) linear RGB of a neutral surface.
    unit
        Width of the skin's area in pixels of ``rgb``.

    Returns
    -------
    None when less than 2 % of unit² is usable skin.
    """
    if np.count_nonzero(skin) < max(200.0, 0.02 * unit**2):
        return None
    smooth = cv2.GaussianBlur(rgb.astype(np.float64), (0, 0), max(0.8, 0.006 * unit))
    on_top, own = split_light(smooth, skin, white)
    level = float(np.median(own[skin]))
    if level < 0.01:
        return None
    clipped = skin & (rgb.max(axis=-1) > 0.985)
    excess = on_top / level
    excess -= np.quantile(excess[skin], 0.30)
    mask = skin & ((excess > HIGHLIGHT) | (clipped & (rgb.min(axis=-1) > 0.85)))
    gx, gy = cv2.Sobel(excess, cv2.CV_64F, 1, 0) / 8, cv2.Sobel(excess, cv2.CV_64F, 0, 1) / 8
    slope = np.hypot(gx, gy)[skin] * unit / 100
    ys, xs = np.nonzero(skin)
    quarter = (ys > np.median(ys)).astype(int) * 2 + (xs > np.median(xs))
    shares = [float(mask[ys[quarter == k], xs[quarter == k]].mean()) for k in range(4)]
    return Highlights(
        fraction=float(mask.sum() / skin.sum()),
        peak=float(np.quantile(excess[skin], 0.99)),
        crispness=float(np.quantile(slope, 0.99)),
        parts=sum(share > 0.004 for share in shares),
        clipped=float(clipped.sum() / skin.sum()),
        mask=mask,
    )


def split_light(rgb: Array, skin: Mask, white: Array) -> tuple[Array, Array]:
    """Return the (H, W) luminance of light on top of the skin and of the skin's own color.

    The skin's ratios of channels are taken from its more colored, not too dark half, where least light lies
    on top (dichromatic reflection: Shafer 1985, 10.1002/col.5080100409, from memory).
    """
    values = rgb[skin]
    luma = values @ LUMA
    color = values / (values @ np.ones(3))[:, None]
    neutral = white / white.sum()
    away = np.linalg.norm(color - neutral, axis=1)
    usable = luma > np.quantile(luma, 0.15)
    strong = usable & (away >= np.quantile(away[usable], 0.5))
    base = np.median(color[strong], axis=0)
    # Columns: skin of unit luminance, light of unit luminance.
    mix = np.stack([base / (base @ LUMA), white / (white @ LUMA)], axis=1)
    parts = rgb @ np.linalg.pinv(mix).T
    return parts[..., 1], np.maximum(parts[..., 0], 1e-4)


def _record(found: Highlights, region: Region, n_pixels: int, trust: float) -> TraitRecord:
    """Weigh spread, strength and crispness of the highlights."""
    u = 0.25 * found.fraction + 0.01
    quantities = {"highlight_fraction": Quantity(found.fraction, u)}
    flags: tuple[str, ...] = ()
    if found.clipped > 0.15:
        return TraitRecord.withheld(
            TRAIT, Reason.CLIPPED, METHOD, "The skin is overexposed; send a darker photo.",
            quantities=quantities, region=region, n_pixels=n_pixels,
        )  # fmt: skip
    crisp_spot = found.fraction < 0.035 and found.peak > 0.5
    if crisp_spot:
        flags += ("flash",)
    spread = np.tanh((found.fraction - 0.055) / 0.03)
    strength = np.tanh((found.peak - 0.75) / 0.35)
    odds = 1.6 * spread + 1.2 * strength + (0.5 if found.parts >= 3 else -0.5)
    greasy = float(1 / (1 + np.exp(-odds)))
    if crisp_spot:
        greasy = 0.5 + 0.3 * (greasy - 0.5)
    cap = 0.86 * min(1.0, trust)
    greasy = 0.5 + cap * (greasy - 0.5)
    return TraitRecord.decide(
        TRAIT, {"greasy": greasy, "matte": 1 - greasy}, METHOD,
        "Cannot tell greasy from matte skin here. Send a photo in soft daylight, without flash.",
        detail="The skin shines as if greasy." if greasy > 0.5 else "The skin looks matte.",
        quantities=quantities, region=region, n_pixels=n_pixels, flags=flags,
    )  # fmt: skip


def _withheld(reason: Reason, detail: str) -> TraitRecord:
    return TraitRecord.withheld(TRAIT, reason, METHOD, detail)
