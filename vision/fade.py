"""Skin fade: vinyl that saw light beside vinyl that clothing kept in the dark.

How a dealer would be misled: a doll with its clothes on shows no covered vinyl at all; highlights and deep
shade look like another color; two photos differ in their light by more than fade does. Hence only evenly lit
vinyl counts, and two photos are compared only where both carry a gray card or color chart. How light across
the line misleads stands in ``fade_step.py``, what else makes such a step in ``fade_meaning.py``.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.color import (
    delta_e_2000,
    delta_e_f,
    grey_scale_class,
    lab_to_linear,
    linear_to_lab,
    srgb_to_linear,
)
from vision.fade_meaning import (
    NOTICEABLE_LEVEL,
    either_way,
    labs,
    named,
    numbers,
    phi,
    probability,
    quantities_of,
    sentence,
    unfolded,
)
from vision.fade_step import Difference, block_medians, brightness_of_fading, compare
from vision.locate.clothing_line import features_of
from vision.locate.places import LinePlace
from vision.photo import Photo
from vision.quality import glare_mask
from vision.traits import Quantity, Reason, Region, Trait, TraitRecord

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Pixels = NDArray[np.uint8]

METHOD = "fade/2"

#: Relative error of brightness because vinyl and card face the light differently.
_U_FACING = 0.15
# The compared regions are reduced to so many pixels across at most.
_VIEW = 512
# A side is measured with so many evenly lit pixels of the reduced photo.
_FEWEST = 60
_ASK = (
    "Ask for a photo of the bare body, front and back, with the clothing lowered or off, in even daylight, "
    "with a plain gray card beside the doll."
)


def measure(photo: Photo, line: LinePlace | None, cal: Calibration) -> TraitRecord:
    """Compare exposed with covered vinyl.

    Parameters
    ----------
    photo
        The photo.
    line
        Covered and exposed vinyl, located or named by the user; None when no covered vinyl is in view.
    cal
        White reference of the photo.

    Returns
    -------
    TraitRecord
        ``none`` or ``faded`` with ``delta_e00`` (CIEDE2000), ``delta_L``, ``delta_a``, ``delta_b`` (exposed
        minus covered, D65) and ``grey_scale_grade`` (ISO 105-A05; made for textiles, not vinyl). Withheld as
        ``no_reference`` without covered vinyl, ``too_small`` or ``ambiguous`` else. Where only one side is
        in view, its color stands in the quantities, for :func:`between`.
    """
    if line is not None and bool(line.covered.polygons) != bool(line.exposed.polygons):
        return _one_side(photo, line, cal)
    if line is None or not line.covered.polygons:
        return _withheld(
            Reason.NO_REFERENCE,
            f"No vinyl that clothing once covered can be told from the rest, so fade stays open. {_ASK}",
        )
    rgb, scale = _reduced(photo, line)
    covered, exposed = (_usable(rgb, mask) for mask in _apart(rgb, line, scale))
    for side, mask in (("covered", covered), ("exposed", exposed)):
        if mask.sum() < _FEWEST:
            return _withheld(
                Reason.TOO_SMALL,
                f"Too little evenly lit {side} vinyl is in view to compare. {_ASK}",
                region=_both(line),
            )
    found = compare(srgb_to_linear(rgb), covered, exposed, scale)
    return _record(found, line, cal)


def _record(found: Difference, line: LinePlace, cal: Calibration) -> TraitRecord:
    """Return the record of a step across one line."""
    quantities = quantities_of(found, cal)
    p, doubts = probability(found, line, cal, quantities)
    flags = list(line.flags)
    if not found.beside:
        flags.append("not_beside")
    if cal.method in ("scene", "none"):
        flags.append("no_white_reference")
    flags += doubts
    if "side_unsure" in flags:
        quantities = either_way(quantities)
    grade = grey_scale_class(float(delta_e_f(*labs(found, found.log, cal))))
    e = quantities["delta_e00"]
    size = f"ΔE00 {e.value:.1f} ± {e.u:.1f}"
    return TraitRecord.decide(
        Trait.SKIN_FADE,
        {"faded": p, "none": 1 - p},
        METHOD,
        ambiguous=(
            f"A difference of {size} between the two sides may be fade, or only light. "
            "Ask for the same view in even daylight, with a plain gray card."
        ),
        detail=sentence(p, quantities, grade, flags),
        quantities=quantities,
        region=_both(line),
        n_pixels=found.n_pixels,
        flags=tuple(dict.fromkeys(flags)),
    )


def _withheld(reason: Reason, detail: str, region: Region | None = None) -> TraitRecord:
    return TraitRecord.withheld(Trait.SKIN_FADE, reason, METHOD, detail, region=region)


# --- which pixels -------------------------------------------------------------------------------------


def _both(line: LinePlace) -> Region:
    """Return both regions as one, each polygon named after its side."""
    covered, exposed = line.covered.polygons, line.exposed.polygons
    return Region(covered + exposed, ("covered",) * len(covered) + ("exposed",) * len(exposed))


def _reduced(photo: Photo, line: LinePlace) -> tuple[Pixels, float]:
    """Return the photo reduced to what the comparison needs, and its pixels per pixel of the original."""
    x0, y0, x1, y1 = _both(line).bounds
    scale = min(1.0, _VIEW / max(x1 - x0, y1 - y0, 1.0), 1.5 * _VIEW / max(photo.width, photo.height))
    rgb = cv2.resize(photo.rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return np.asarray(rgb, np.uint8), scale


def _mask(rgb: Pixels, region: Region, scale: float) -> Mask:
    """Draw a region of the original into the reduced picture."""
    out = np.zeros(rgb.shape[:2], np.uint8)
    for polygon in region.polygons:
        points = (np.asarray(polygon) + 0.5) * scale - 0.5
        cv2.fillPoly(out, [np.round(points).astype(np.int32)], 1)
    return out > 0


def _apart(rgb: Pixels, line: LinePlace, scale: float) -> tuple[Mask, Mask]:
    """Draw both regions; an island of the smaller one inside the other's outline is its own."""
    covered, exposed = _mask(rgb, line.covered, scale), _mask(rgb, line.exposed, scale)
    if covered.sum() > exposed.sum():
        return covered & ~exposed, exposed
    return covered, exposed & ~covered


def _usable(rgb: Pixels, mask: Mask) -> Mask:
    """Leave out highlights with a rim round them, clipped pixels and deep shade."""
    if not mask.any():
        return mask
    shine = glare_mask(rgb, mask) | ((rgb >= 250).any(axis=2) & mask)
    shine = cv2.dilate(shine.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    level = rgb.max(axis=2)
    typical = float(np.median(level[mask]))
    return mask & ~shine & (level > 0.35 * typical) & (level > 14)


# --- two photos ---------------------------------------------------------------------------------------


def _one_side(photo: Photo, line: LinePlace, cal: Calibration) -> TraitRecord:
    """Return the color of the only side in view, withheld: it tells of fade beside another photo."""
    side = "covered" if line.covered.polygons else "exposed"
    other = "exposed" if side == "covered" else "covered"
    rgb, scale = _reduced(photo, line)
    mask = _usable(rgb, _mask(rgb, _both(line), scale))
    if mask.sum() < _FEWEST:
        return _withheld(
            Reason.TOO_SMALL, f"Too little evenly lit {side} vinyl is in view. {_ASK}", region=_both(line)
        )
    lab, u = _color_of(srgb_to_linear(rgb), mask, cal)
    return TraitRecord.withheld(
        Trait.SKIN_FADE,
        Reason.NO_REFERENCE,
        METHOD,
        f"Only {side} vinyl is in view. Compare it with {other} vinyl in another photo of the same doll, "
        "both with a gray card or color chart beside the doll.",
        quantities={
            f"{side}_{c}": Quantity(float(v), float(s)) for c, v, s in zip("Lab", lab, u, strict=True)
        },
        region=_both(line),
        n_pixels=int(mask.sum() / scale**2),
        flags=(side, cal.method),
    )


def _color_of(linear: Array, mask: Mask, cal: Calibration) -> tuple[Array, Array]:
    """Return (3,) L*, a*, b* of a mask's pixels and their standard uncertainties."""
    lab = linear_to_lab(cal.apply(np.median(linear[mask], axis=0)[None]))[0]
    ratios = features_of(linear, 0.8)
    scatter = [0.5 * block_medians(ratios[..., k], mask).std() for k in (0, 1)]
    u_ab = math.hypot(cal.u_delta_e / math.sqrt(2), 100 * math.hypot(*scatter) / 2)
    u_lightness = math.hypot((lab[0] + 16) / 3 * math.hypot(cal.u_exposure, _U_FACING), 0.5)
    return lab, np.array([u_lightness, u_ab, u_ab])


def between(covered: TraitRecord, exposed: TraitRecord) -> TraitRecord | None:
    """Compare covered vinyl in one photo with exposed vinyl in another photo of the same doll.

    Parameters
    ----------
    covered, exposed
        Records of :func:`measure` of photos in which one side was in view.

    Returns
    -------
    TraitRecord
        As :func:`measure`; None unless both photos carry a chart or card, since without one two photos differ
        by more than fade does. How brightly vinyl is lit beside its card is not known, so that lightness is
        weak here and the state rests on a* and b*.
    """
    for side, record in (("covered", covered), ("exposed", exposed)):
        seen = {f"{side}_{c}" for c in "Lab"} <= set(record.quantities)
        if not (seen and {"grey_card", "color_chart"} & set(record.flags)):
            return None
    (first, u_first), (photographed, u_second) = _lab_of(covered, "covered"), _lab_of(exposed, "exposed")
    u = np.hypot(u_first, u_second)
    second, level, u[0] = _as_lit_alike(first, photographed, float(u[0]))
    nominal = numbers(first, second)
    moved = np.array([numbers(first, second + step) for step in np.diag(u)]) - nominal
    value, u_value = float(nominal[0]), unfolded(nominal[0], math.hypot(*moved[:, 0]), u)
    differs = (float(delta_e_2000(first, level)) - NOTICEABLE_LEVEL) / math.hypot(*moved[1:, 0], 0.4)
    p = float(np.clip(phi(differs), 0.08, 0.92))
    quantities = named(nominal, [u_value, *u, math.hypot(*moved[:, -1])])
    return TraitRecord.decide(
        Trait.SKIN_FADE,
        {"faded": p, "none": 1 - p},
        METHOD,
        ambiguous=(
            f"Covered and exposed vinyl of two photos differ by ΔE00 {value:.1f} ± {u_value:.1f}, "
            f"which may be their light. {_ASK}"
        ),
        detail=sentence(p, quantities, grey_scale_class(float(delta_e_f(first, second)))),
        quantities=quantities,
        region=exposed.region,
        n_pixels=covered.n_pixels + exposed.n_pixels,
        flags=("two_photos",),
    )


def _lab_of(record: TraitRecord, side: str) -> tuple[Array, Array]:
    """Return (3,) L*, a*, b* of the side that a record of one side tells of, and their uncertainties."""
    found = [record.quantities[f"{side}_{c}"] for c in "Lab"]
    return np.array([q.value for q in found]), np.array([q.u for q in found])


def _as_lit_alike(first: Array, photographed: Array, u_lightness: float) -> tuple[Array, Array, float]:
    """Return exposed vinyl as it would be in the light of covered vinyl whose (3,) CIELAB is ``first``.

    Darker light makes a* and b* smaller too: both are compared at what fading does to brightness.

    Returns
    -------
    second, level, u
        (3,) CIELAB of exposed vinyl as bright as fading makes it; the same as bright as covered vinyl; the
        standard uncertainty of the lightness of ``second``.
    """
    covered, exposed = (np.maximum(lab_to_linear(lab), 1e-4) for lab in (first, photographed))
    ratio = np.log(exposed / covered)
    color = np.array([ratio[0] - ratio[1], ratio[2] - ratio[1]])
    brighter = math.log(float(exposed.mean() / covered.mean()))
    # L* + 16 goes with the cube root of luminance.
    root = float(first[0]) + 16
    step, u_step, _ = brightness_of_fading(color, covered, brighter, 3 * u_lightness / root)
    as_faded, as_covered = exposed * math.exp(step - brighter), exposed * math.exp(-brighter)
    second, level = linear_to_lab(np.stack([as_faded, as_covered]))
    return second, level, u_step * root / 3
