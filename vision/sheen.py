"""Sheen of the skin: matte vinyl, or the greasy gloss of plasticizer on the surface.

Gloss follows coverage, contrast and sharpness of highlights (Marlow, Kim and Anderson 2012,
10.1016/j.cub.2012.08.009, from memory). Of these, sharpness depends least on the light: matte vinyl spreads
even a flash over a wide soft lobe, while a greasy film mirrors a lamp or a window with an edge. So light on
top of the skin, of the lamp's color, is parted from the skin's own, and what is measured is how steeply it
rises anywhere, in the skin's usual light a face width. No published threshold for one photo is known, and one
photo gives no gloss units: the state is careful.

A highlight must show twice, for either sign alone misleads: it is lighter than the skin beside it (so are
noses and cheekbones, by their form) and it is whiter, of the light's color instead of the skin's (so are
scuffs and noise). Where the two do not agree nothing is said.

How a dealer would be misled, and what stands against it: one bright side of the face, or a broad soft lobe on
matte vinyl under a hard lamp (neither rises steeply; a lobe that is plain to see without being steep even
speaks for matte skin); a painted or scratched line (a highlight is whiter than skin, not darker or redder; a
margin is kept off eyes and their paint); an overexposed face (withheld), or one whose red alone is
overexposed, which ends with an edge (red is then left out everywhere); noise of a dark photo (it digs pits as
well as it heaps peaks); a blurred photo, which takes the edge off grease (``matte`` needs a sharp one); dim
even light that hides grease (``matte`` is never given near certainty).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
METHOD = "sheen/4"

#: A pixel lies under a highlight when it is lighter than its surroundings by this (natural logarithm).
HIGHLIGHT = 0.12

#: Widest highlight that counts, as a radius in face widths.
NARROW = 0.045

#: Rise of mirrored light, in the skin's usual light a face width, that may be matte vinyl or grease.
#: On photos of the first renderer matte vinyl reached 20, save where overexposed, and grease began at 42.
STEEP = 29.0

#: Highlights are smoothed by this (face widths) before their steepness is read.
SMOOTH = 0.006

#: Widest detail, as a radius in face widths, in which noise is held against highlights.
FINE = 0.015

#: Blur of color that no photo is without, in its pixels (σ): it is stored for pairs of pixels.
LEAST_BLUR_PX = 0.8

#: Width at which a region is judged, in pixels: sheen is coarse.
VIEW_PX = 260

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Highlights:
    """Narrow highlights on skin.

    ``fraction`` is their share of the skin; ``peak`` how much lighter than its surroundings the strongest
    percent of the skin is (natural logarithm), ``noise`` the same on the dark side, where no highlight can
    be; ``clipped`` the share of skin at the sensor's limit. Of light with the lamp's own color, ÷ the skin's
    usual light: ``steep`` is its rise a face width on the steepest percent of the skin, ``lobe`` how far it
    stands out within ``NARROW``, and ``crisp`` the height of its finest peaks ÷ the depth of its finest pits.
    """

    fraction: float
    peak: float
    noise: float
    clipped: float
    steep: float
    lobe: float
    crisp: float
    mask: Mask


def measure(
    photo: Photo, place: FacePlace | Region, cal: Calibration, faces: Sequence[FacePlace] = ()
) -> TraitRecord:
    """Judge the sheen of a face, or of a region of bare skin.

    ``faces`` are left out of a region: white of eyes and gloss of painted lips are no sheen of skin.

    Returns
    -------
    A ``skin_sheen`` record: matte or greasy, with ``highlight_fraction`` (0–1). The white reference is not
    needed: highlights are judged against the skin beside them.
    """
    if isinstance(place, Region):
        return _measure_region(photo, place, cal, faces)
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
        view.original_pixels(mask), 0.5 + 0.5 * reading.likeness.probability,
        _blur(reading), reading.opinion("sheen"),
    )  # fmt: skip


def _blur(reading: FaceReading) -> float:
    """Blur at the less sharp eye, in face widths (σ); a camera's mosaic and its files blur color as well."""
    return max(LEAST_BLUR_PX, *(eye.edge_px for eye in reading.eyes), 0.0) / reading.view.face.width


def _measure_region(photo: Photo, place: Region, cal: Calibration, faces: Sequence[FacePlace]) -> TraitRecord:
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
    for face in faces:
        left, top, right, bottom = (max(0, int(scale * v)) for v in np.subtract(face.box, (x0, y0, x0, y0)))
        mask[top:bottom, left:right] = 0
    unit = float(np.sqrt(np.count_nonzero(mask)))
    rgb, inside = linear(small), mask.astype(bool)
    whole = max(1, int(np.count_nonzero(inside)))
    if inside.any():
        inside &= _plain(rgb, np.median(rgb[inside], axis=0).astype(np.float64), inside, unit)
    # Highlights may lie where the skin could not be parted from what is beside it.
    trust = 0.8 * min(1.0, float(np.count_nonzero(inside)) / whole / 0.8)
    found = find_highlights(rgb, inside, unit, np.asarray(cal.neutral_rgb))
    if found is None:
        return _withheld(Reason.OCCLUDED, "Too little bare skin is in view to judge its sheen.")
    return _record(found, place, round(np.count_nonzero(inside) / scale**2), trust, 0.0)


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
        mask = _plain(view.linear, reading.skin, mask, view.unit)
    # Beside an eye lie the wings of its liner, above it brows.
    for polygon, above, beside in (
        (face.left_eye, 0.20, 0.10), (face.right_eye, 0.20, 0.10), (face.lips, 0.05, 0.05),
    ):  # fmt: skip
        points = view.points(polygon)
        (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
        unit = view.unit
        box = [y0 - above * unit, y1 + 0.05 * unit, x0 - beside * unit, x1 + beside * unit]
        top, bottom, left, right = (max(0, int(v)) for v in box)
        mask[top:bottom, left:right] = False
    return mask


def _plain(rgb: NDArray[np.float32], skin: Array, mask: Mask, unit: float) -> Mask:
    """Keep of a mask what may be skin under light: hair, brows, dirt, seams and what lies behind are not.

    ``skin`` is the linear RGB of bare skin, (H, W, 3) or (3,). Highlights are lighter and cooler than skin.
    """
    light, warmth, green = relative(rgb.astype(np.float64), np.broadcast_to(skin, rgb.shape))
    alike = (light > -0.5) & (warmth < 0.3) & (np.abs(green) < 0.3)
    return _shrink(_largest(mask & (alike | (light > 0.15))), 0.02 * unit)


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
    sheen = _light_on_top(blurred(rgb, max(0.8, SMOOTH * unit)), skin, neutral)
    # The skin's outline is an edge of its own, of what lies beside it.
    inner = _shrink(skin, FINE * unit)
    inner = inner if inner.any() else skin
    rise = np.hypot(*(cv2.Sobel(sheen, cv2.CV_32F, *way) / 8 for way in ((1, 0), (0, 1)))) * unit
    size = 2 * max(1, round(FINE * unit)) + 1
    fine = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    peaks = np.quantile(cv2.morphologyEx(sheen, cv2.MORPH_TOPHAT, fine)[inner], 0.995)
    pits = np.quantile(cv2.morphologyEx(sheen, cv2.MORPH_BLACKHAT, fine)[inner], 0.995)
    steepest, usual = np.quantile(rise[inner], (0.99, 0.5))
    return Highlights(
        fraction=float(mask.sum() / skin.sum()),
        peak=float(np.quantile(above[skin], 0.99)),
        noise=float(np.median(below[skin])),
        clipped=float((skin & (rgb[..., 1] > 0.985)).sum() / skin.sum()),
        # The slopes of noise are spread like the length of a random step: its steepest percent is 2.6 times
        # its median (Rayleigh distribution), a little more where the noise is uneven.
        steep=float(np.sqrt(max(steepest**2 - (3 * usual) ** 2, 0.0))),
        lobe=float(np.quantile(cv2.morphologyEx(sheen, cv2.MORPH_TOPHAT, kernel)[inner], 0.99)),
        crisp=float(peaks / max(pits, 1e-4)),
        mask=mask,
    )


def _light_on_top(rgb: Array, skin: Mask, neutral: Array) -> NDArray[np.float32]:
    """Part each pixel into skin and mirrored light (dichromatic reflection); return the light's share.

    Shafer (1985), 10.1002/col.5080100409: what a dielectric mirrors has the light's color, what it scatters
    the body's. Where red leaves the sensor's range anywhere on the skin, green and blue alone decide
    everywhere: a change of method on the way would look like a highlight's edge.

    Returns
    -------
    (H, W) float32 luminance of the mirrored light ÷ the skin's median luminance; off the skin its median.
    """
    body = np.median(rgb[skin], axis=0)
    body, light = body / (body @ LUMA), neutral / (neutral @ LUMA)
    used = slice(1 if np.mean(rgb[skin][:, 0] > 0.97) > 0.005 else 0, None)
    unmix = np.linalg.pinv(np.stack([body[used], light[used]], axis=1))[1]
    share = rgb[..., used] @ unmix / max(float(np.median(rgb[skin] @ LUMA)), 1e-4)
    return np.where(skin, share, np.median(share[skin])).astype(np.float32)


def _record(
    found: Highlights, region: Region, n_pixels: int, trust: float, blur: float,
    opinion: Mapping[str, float] | None = None,
) -> TraitRecord:  # fmt: skip
    """Weigh how strong the narrow highlights are."""
    quantities = {"highlight_fraction": Quantity(found.fraction, 0.3 * found.fraction + 0.005)}
    if found.clipped > 0.12:
        return TraitRecord.withheld(
            TRAIT, Reason.CLIPPED, METHOD, "The skin is overexposed; send a darker photo.",
            quantities=quantities, region=region, n_pixels=n_pixels,
        )  # fmt: skip
    greasy = 0.5 + min(1.0, trust) * _greasier(found, blur)
    flags: tuple[str, ...] = ()
    if found.fraction < 0.006 and greasy > 0.5:
        # One tiny spot: a lamp's mirror image may come from a chip of gloss or a speck.
        greasy = 0.5 + 0.4 * (greasy - 0.5)
        flags = ("few_highlights",)
    probabilities, said = combine({"greasy": greasy, "matte": 1 - greasy}, opinion)
    greasy = probabilities["greasy"]
    flags += (said,) if said else ()
    return TraitRecord.decide(
        TRAIT, probabilities, METHOD,
        "Cannot tell greasy from matte skin here. Send a photo in soft daylight, without flash.",
        detail="The skin shines as if greasy." if greasy > 0.5 else "The skin looks matte.",
        quantities=quantities, region=region, n_pixels=n_pixels, flags=flags,
    )  # fmt: skip


def _greasier(found: Highlights, blur: float) -> float:
    """How far the probability of grease lies from a half; ``blur`` is the photo's, in face widths (σ)."""
    odds = float(np.clip(np.log(max(found.steep, 1e-3) / STEEP) / 0.3, -4, 4))
    if odds > 0:
        # Steep light that is not lighter than the skin beside it, or no steeper than noise, is none, and
        # what leaves the sensor's range ends with an edge.
        agree = float(np.clip((found.peak - 2 * found.noise - 0.20) / 0.12, 0, 1))
        agree *= float(np.clip((found.crisp - 1) / 0.6, 0, 1) * np.clip((0.06 - found.clipped) / 0.04, 0, 1))
        return 0.74 * (1 / (1 + float(np.exp(-odds * agree))) - 0.5)
    # Soft light from all around hides grease: no highlights say less than broad ones.
    reach = 0.48 + 0.2 * float(np.clip((found.lobe - 0.25) / 0.3, 0, 1))
    reach *= float(np.clip((0.012 - blur) / 0.006, 0, 1))
    return reach * (1 / (1 + float(np.exp(-odds))) - 0.5)


def _withheld(reason: Reason, detail: str) -> TraitRecord:
    return TraitRecord.withheld(TRAIT, reason, METHOD, detail)
