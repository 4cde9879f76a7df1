"""Sheen of the skin: matte vinyl, or the greasy gloss of plasticizer on the surface.

Gloss follows coverage, contrast and sharpness of highlights (Marlow, Kim and Anderson 2012,
10.1016/j.cub.2012.08.009, from memory). Of these, sharpness depends least on the light: matte vinyl spreads
even a flash over a wide soft lobe, while a greasy film keeps highlights narrow. So what is measured is light
on top of the skin that is narrower than a few hundredths of the face's width. No published threshold for
one photo is known, and one photo gives no gloss units: the state is careful.

A highlight must show twice, for either sign alone misleads: it is lighter than the skin beside it (so are
noses and cheekbones, by their form) and it is whiter, of the light's color instead of the skin's (so are
scuffs and noise). Where the two do not agree nothing is said.

How a dealer would be misled, and what stands against it: one bright side of the face, or an even sheen of a
window (too broad to count); a painted or scratched line (a highlight is whiter than skin, not darker or
redder); an overexposed face (withheld); noise of a dark photo (its spread is taken off); dim even light that
hides grease (``matte`` is never given near certainty).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.eye_paint import LUMA, eye_calibration, relative
from vision.face_reading import FaceReading, read_face, refuse
from vision.face_view import blurred
from vision.locate.face import OVAL
from vision.locate.places import FacePlace
from vision.photo import Photo, linear
from vision.second_opinion import combine
from vision.traits import Quantity, Reason, Region, Trait, TraitRecord

TRAIT = Trait.SKIN_SHEEN
METHOD = "sheen/3"

#: A pixel lies under a highlight when it is lighter than its surroundings by this (natural logarithm).
HIGHLIGHT = 0.12

#: Widest highlight that counts, as a radius in face widths.
NARROW = 0.045

#: Width at which a region is judged, in pixels: sheen is coarse.
VIEW_PX = 260

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Highlights:
    """Narrow highlights on skin.

    ``fraction`` is their share of the skin; ``peak`` how much lighter than its surroundings the strongest
    percent of the skin is (natural logarithm), ``noise`` the same on the dark side, where no highlight can
    be; ``clipped`` the share of skin at the sensor's limit. ``whiter`` is how much light of the lamp's own
    color lies on the strongest percent of the skin, beyond its surroundings, ÷ the skin's usual light.
    """

    fraction: float
    peak: float
    noise: float
    clipped: float
    whiter: float
    mask: Mask


def measure(photo: Photo, place: FacePlace | Region, cal: Calibration) -> TraitRecord:
    """Judge the sheen of a face, or of a region of bare skin.

    Returns
    -------
    A ``skin_sheen`` record: matte or greasy, with ``highlight_fraction`` (0–1). The white reference is not
    needed: highlights are judged against the skin beside them.
    """
    if isinstance(place, Region):
        return _measure_region(photo, place, cal)
    reading = read_face(photo, place)
    refused = refuse(reading, TRAIT, METHOD)
    if refused is not None:
        return refused
    view = reading.view
    mask = _face_skin(reading)
    white = eye_calibration(reading.eyes, cal)
    found = find_highlights(view.linear, mask, view.unit, np.asarray(white.neutral_rgb))
    if found is None:
        return _withheld(Reason.OCCLUDED, "Too little bare skin is in view to judge its sheen.")
    return _record(
        found, view.region(found.mask if found.mask.any() else mask),
        view.original_pixels(mask), 0.5 + 0.5 * reading.likeness.probability, reading.opinion("sheen"),
    )  # fmt: skip


def _measure_region(photo: Photo, place: Region, cal: Calibration) -> TraitRecord:
    """Judge the bare skin inside polygons of the photo."""
    x0, y0, x1, y1 = (round(v) for v in place.bounds)
    x0, y0 = max(0, x0), max(0, y0)
    part = photo.rgb[y0 : max(y0, y1), x0 : max(x0, x1)]
    if min(part.shape[:2]) < 24:
        return _withheld(Reason.TOO_SMALL, "The skin in view is too small to judge its sheen.")
    scale = min(1.0, 2 * VIEW_PX / max(part.shape[:2]))
    small = np.asarray(cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    mask = np.zeros(small.shape[:2], np.uint8)
    for polygon in place.polygons:
        points = (np.asarray(polygon) - [x0, y0]) * scale
        cv2.fillPoly(mask, [np.round(points).astype(np.int32)], 1)
    unit = float(np.sqrt(np.count_nonzero(mask)))
    found = find_highlights(linear(small), mask.astype(bool), unit, np.asarray(cal.neutral_rgb))
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
    if reading.skin is not None:
        light, warmth, green = relative(view.linear.astype(np.float64), reading.skin)
        # Highlights are lighter and cooler than skin; hair, brows, dirt and scratches are not.
        alike = (light > -0.5) & (warmth < 0.3) & (np.abs(green) < 0.3)
        mask = _shrink(_largest(mask & (alike | (light > 0.15))), 0.02 * view.unit)
    for polygon, above, around in (
        (face.left_eye, 0.20, 0.05), (face.right_eye, 0.20, 0.05), (face.lips, 0.05, 0.05),
    ):  # fmt: skip
        points = view.points(polygon)
        (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
        pad = around * view.unit
        box = [int(v) for v in (y0 - above * view.unit, y1 + pad, x0 - pad, x1 + pad)]
        mask[max(0, box[0]) : max(0, box[1]), max(0, box[2]) : max(0, box[3])] = False
    return mask


def _largest(mask: Mask) -> Mask:
    """Keep the largest connected part and fill its holes."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    out = np.zeros(mask.shape, np.uint8)
    if contours:
        cv2.drawContours(out, [max(contours, key=cv2.contourArea)], -1, 1, cv2.FILLED)
    return out.astype(bool)


def _shrink(mask: Mask, by: float) -> Mask:
    return cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5) > by


def find_highlights(rgb: NDArray[np.float32], skin: Mask, unit: float, neutral: Array) -> Highlights | None:
    """Find light on the skin that is narrower than ``NARROW``.

    Parameters
    ----------
    rgb
        (H, W, 3) linear RGB of the photo.
    skin
        (H, W) bool: bare skin.
    unit
        Width of the face, or of the skin's area, in pixels of ``rgb``.
    neutral
        (3,) linear RGB of a neutral surface: the light's color.

    Returns
    -------
    None when less than 2 % of unit² is usable skin.
    """
    if np.count_nonzero(skin) < max(200.0, 0.02 * unit**2):
        return None
    if unit > 1.9 * VIEW_PX:
        # What is narrower than two of these pixels is noise, and the morphology below is slow.
        height, width = skin.shape
        half = (width // 2, height // 2)
        small = cv2.resize(rgb, half, interpolation=cv2.INTER_AREA)
        inside = cv2.resize(skin.astype(np.uint8), half, interpolation=cv2.INTER_NEAREST)
        found = find_highlights(np.asarray(small, np.float32), inside.astype(bool), unit / 2, neutral)
        if found is None:
            return None
        back = cv2.resize(found.mask.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST)
        return replace(found, mask=back.astype(bool) & skin)
    smooth = blurred(rgb, max(0.8, 0.008 * unit))
    # Red clips first on skin, and a white highlight lifts the darker channels most.
    light = np.log(smooth[..., 1:].mean(axis=-1) + 0.004)
    # What lies beside the skin must neither feed nor cut highlights: carry the skin's own level outward.
    weight = blurred(skin, 0.04 * unit)
    level = blurred(np.where(skin, light, 0.0), 0.04 * unit) / np.maximum(weight, 1e-6)
    light = np.where(skin, light, level).astype(np.float32)
    size = 2 * max(1, round(NARROW * unit)) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    above = cv2.morphologyEx(light, cv2.MORPH_TOPHAT, kernel)
    below = cv2.morphologyEx(light, cv2.MORPH_BLACKHAT, kernel)
    mask = skin & (above > HIGHLIGHT)
    sheen = _light_on_top(smooth, skin, neutral)
    whiter = cv2.morphologyEx(sheen, cv2.MORPH_TOPHAT, kernel)
    darker = cv2.morphologyEx(sheen, cv2.MORPH_BLACKHAT, kernel)
    return Highlights(
        fraction=float(mask.sum() / skin.sum()),
        peak=float(np.quantile(above[skin], 0.99)),
        noise=float(np.median(below[skin])),
        clipped=float((skin & (rgb[..., 1] > 0.985)).sum() / skin.sum()),
        # Noise of color reaches as far to the one side as to the other.
        whiter=float(np.quantile(whiter[skin], 0.99) - 0.6 * np.quantile(darker[skin], 0.95)),
        mask=mask,
    )


def _light_on_top(rgb: Array, skin: Mask, neutral: Array) -> NDArray[np.float32]:
    """Part each pixel into skin and mirrored light (dichromatic reflection); return the light's share.

    Shafer (1985), 10.1002/col.5080100409: what a dielectric mirrors has the light's color, what it scatters
    the body's. Where red has left the sensor's range, green and blue alone decide.

    Returns
    -------
    (H, W) float32 luminance of the mirrored light ÷ the skin's median luminance; off the skin its median.
    """
    body = np.median(rgb[skin], axis=0)
    body, light = body / (body @ LUMA), neutral / (neutral @ LUMA)
    usual = float(np.median(rgb[skin] @ LUMA))
    whole = np.linalg.pinv(np.stack([body, light], axis=1))[1]
    without_red = np.linalg.pinv(np.stack([body[1:], light[1:]], axis=1))[1]
    share = np.where(rgb[..., 0] > 0.97, rgb[..., 1:] @ without_red, rgb @ whole) / max(usual, 1e-4)
    return np.where(skin, share, np.median(share[skin])).astype(np.float32)


def _record(
    found: Highlights, region: Region, n_pixels: int, trust: float, opinion: Mapping[str, float] | None = None
) -> TraitRecord:
    """Weigh how strong the narrow highlights are."""
    quantities = {"highlight_fraction": Quantity(found.fraction, 0.3 * found.fraction + 0.005)}
    if found.clipped > 0.12:
        return TraitRecord.withheld(
            TRAIT, Reason.CLIPPED, METHOD, "The skin is overexposed; send a darker photo.",
            quantities=quantities, region=region, n_pixels=n_pixels,
        )  # fmt: skip
    peak = found.peak - 2 * found.noise
    lighter = float(np.clip((peak - 0.36) / 0.10, -2.0, 2.0))
    # Mirrored light as strong as the skin's own is gloss under any lamp; a third of it may be either.
    strong, weak = np.log(max(found.whiter, 1e-3) / 0.85), np.log(max(found.whiter, 1e-3) / 0.35)
    whiter = float(np.clip(max(strong, 0.0) / 0.2 + min(weak, 0.0) / 0.2, -2.5, 2.5))
    agree = whiter * lighter > 0
    odds = whiter + 0.5 * lighter if agree else 0.25 * (whiter + lighter)
    flags: tuple[str, ...] = ()
    if found.fraction < 0.006 and odds > 0:
        # One tiny spot: a lamp's mirror image may come from a chip of gloss or a speck.
        odds *= 0.4
        flags = ("few_highlights",)
    # Soft light from all around hides grease: the lack of highlights says less than their presence.
    reach = 0.74 if odds > 0 else 0.48
    greasy = 0.5 + reach * min(1.0, trust) * (1 / (1 + float(np.exp(-odds))) - 0.5)
    probabilities, said = combine({"greasy": greasy, "matte": 1 - greasy}, opinion)
    greasy = probabilities["greasy"]
    flags += (said,) if said else ()
    return TraitRecord.decide(
        TRAIT, probabilities, METHOD,
        "Cannot tell greasy from matte skin here. Send a photo in soft daylight, without flash.",
        detail="The skin shines as if greasy." if greasy > 0.5 else "The skin looks matte.",
        quantities=quantities, region=region, n_pixels=n_pixels, flags=flags,
    )  # fmt: skip


def _withheld(reason: Reason, detail: str) -> TraitRecord:
    return TraitRecord.withheld(TRAIT, reason, METHOD, detail)
