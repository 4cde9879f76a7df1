"""Skin fade: vinyl that saw light beside vinyl that clothing kept in the dark.

How a dealer would be misled: a shaded or bent side, a cast shadow, a highlight or a second lamp looks like a
color change; a doll with its clothes on shows no covered vinyl at all. Hence light is compared with light:
under one lamp, shading multiplies all channels alike, so ratios of channels belong to the vinyl. Brightness
is compared only across the line itself, extrapolated to it from both sides. Where an arm lies before covered
vinyl in the shade of the armpit, both touch in the picture without being one surface: stretches of the line
count the less, the less their sides can lie in one smooth light.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.color import (
    delta_e_2000,
    delta_e_f,
    grey_scale_class,
    grey_scale_rating,
    lab_to_linear,
    linear_to_lab,
    srgb_to_linear,
)
from vision.locate.clothing_line import features_of, frame_of, light_columns, robust_fit
from vision.locate.places import LinePlace
from vision.photo import Photo
from vision.quality import glare_mask
from vision.traits import Quantity, Reason, Region, Trait, TraitRecord

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

METHOD = "fade/2"

#: A difference below this is not called fade: just noticeable in museum light-fading work
#: (Heritage Science 2022, 10.1186/s40494-022-00767-6).
JUST_NOTICEABLE = 1.7

# A line that nobody pointed at is believed from this probability on; from the second on where light of
# another color could part vinyl so: cast shadows, second lamps and bounced light are common.
_SURE_LOCATED, _SURE_BESIDE_LIGHT = 0.6, 0.7
# How sure the absence of a line makes of "not faded": an evenly faded doll has none either.
_LEAST_SURE, _UNMARKED = 0.5, 0.75
# A stretch of the line is measured with so many pixels on either side.
_LEAST_PIXELS = 12

#: Relative error of a color difference through an unknown tone curve or exposure, from the slopes that real
#: charts show in phone photos.
_U_TONE = 0.12
#: Relative error of a color step because vinyl scatters light below its surface and mirrors its surroundings,
#: both of which mix the two sides with each other or with white.
_U_DILUTED = 0.1
#: Relative error of brightness because vinyl and card face the light differently.
_U_FACING = 0.15
#: What fading usually adds to ln(brightness) (mostly 0 to 0.3, no published figure for vinyl), and how far a
#: step may lie from that, or depend on how shading is taken to bend, for light to be one light.
_USUAL_STEP, _ONE_LIGHT = 0.15, 0.2
#: Share of what a bend of shading moves a step of brightness by that is doubt: the bend is but a model.
_BEND_DOUBT = 0.25
_VIEW = 512
_ASK = (
    "Ask for a photo of the bare body, front and back, with the clothing lowered or off, in even daylight, "
    "with a plain gray card beside the doll."
)


@dataclass(frozen=True, slots=True)
class Difference:
    """Exposed minus covered, as logarithms of linear RGB.

    Attributes
    ----------
    covered
        (3,) mean linear RGB of the covered vinyl in the photo.
    log
        (3,) ln(r/g), ln(b/g) and ln(luminance) differences.
    u
        (3,) their standard uncertainties.
    n_pixels
        Pixels of the original that were compared.
    beside
        Whether both sides were compared across one line; else brightness is weakly known.
    agree
        Share of the line's stretches that show the step; 1 when there are none.
    surprise
        How far the step of ln(brightness), beyond its doubt, lies from all that fading makes: a shadow or a
        fold along the line.
    """

    covered: Array
    log: Array
    u: Array
    n_pixels: int
    beside: bool
    agree: float = 1.0
    surprise: float = 0.0


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
    scale = _scale_for(photo, line)
    rgb = np.asarray(cv2.resize(photo.rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    covered, exposed = (_usable(rgb, mask) for mask in _apart(rgb, line, scale))
    for side, mask in (("covered", covered), ("exposed", exposed)):
        if mask.sum() < 60:
            return _withheld(
                Reason.TOO_SMALL,
                f"Too little evenly lit {side} vinyl is in view to compare. {_ASK}",
                region=_both(line),
            )
    found = compare(srgb_to_linear(rgb), covered, exposed, scale)
    return _record(found, line, cal)


def _withheld(reason: Reason, detail: str, region: Region | None = None) -> TraitRecord:
    return TraitRecord.withheld(Trait.SKIN_FADE, reason, METHOD, detail, region=region)


def _both(line: LinePlace) -> Region:
    covered, exposed = line.covered.polygons, line.exposed.polygons
    return Region(covered + exposed, ("covered",) * len(covered) + ("exposed",) * len(exposed))


def _scale_for(photo: Photo, line: LinePlace) -> float:
    x0, y0, x1, y1 = _both(line).bounds
    return min(1.0, _VIEW / max(x1 - x0, y1 - y0, 1.0), 1.5 * _VIEW / max(photo.width, photo.height))


def _mask(rgb: NDArray[np.uint8], region: Region, scale: float) -> Mask:
    out = np.zeros(rgb.shape[:2], np.uint8)
    for polygon in region.polygons:
        points = (np.asarray(polygon) + 0.5) * scale - 0.5
        cv2.fillPoly(out, [np.round(points).astype(np.int32)], 1)
    return out > 0


def _apart(rgb: NDArray[np.uint8], line: LinePlace, scale: float) -> tuple[Mask, Mask]:
    """Draw both regions; an island of the smaller one inside the other's outline is its own."""
    covered, exposed = _mask(rgb, line.covered, scale), _mask(rgb, line.exposed, scale)
    if covered.sum() > exposed.sum():
        return covered & ~exposed, exposed
    return covered, exposed & ~covered


def _usable(rgb: NDArray[np.uint8], mask: Mask) -> Mask:
    """Leave out highlights with a rim round them, clipped pixels and deep shade."""
    if not mask.any():
        return mask
    shine = glare_mask(rgb, mask) | ((rgb >= 250).any(axis=2) & mask)
    shine = cv2.dilate(shine.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    level = rgb.max(axis=2)
    typical = float(np.median(level[mask]))
    return mask & ~shine & (level > 0.35 * typical) & (level > 14)


# --- two photos ----------------------------------------------------------------------------------------


def _one_side(photo: Photo, line: LinePlace, cal: Calibration) -> TraitRecord:
    """Return the color of the only side in view, withheld: it tells of fade beside another photo."""
    side = "covered" if line.covered.polygons else "exposed"
    other = "exposed" if side == "covered" else "covered"
    scale = _scale_for(photo, line)
    rgb = np.asarray(cv2.resize(photo.rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    mask = _usable(rgb, _mask(rgb, line.covered if side == "covered" else line.exposed, scale))
    if mask.sum() < 60:
        return _withheld(
            Reason.TOO_SMALL, f"Too little evenly lit {side} vinyl is in view. {_ASK}", region=_both(line)
        )
    linear = srgb_to_linear(rgb)
    middle = np.median(linear[mask], axis=0)
    lab = linear_to_lab(cal.apply(middle[None]))[0]
    ratios = features_of(linear, 0.8)
    scatter = [0.5 * _blocks(ratios[..., k], mask).std() for k in (0, 1)]
    u_ab = math.hypot(cal.u_delta_e / math.sqrt(2), 100 * math.hypot(*scatter) / 2)
    u_lightness = math.hypot((lab[0] + 16) / 3 * math.hypot(cal.u_exposure, _U_FACING), 0.5)
    values = zip("Lab", lab, (u_lightness, u_ab, u_ab), strict=True)
    return TraitRecord.withheld(
        Trait.SKIN_FADE,
        Reason.NO_REFERENCE,
        METHOD,
        f"Only {side} vinyl is in view. Compare it with {other} vinyl in another photo of the same doll, "
        "both with a gray card or color chart beside the doll.",
        quantities={f"{side}_{name}": Quantity(float(v), float(u)) for name, v, u in values},
        region=_both(line),
        n_pixels=int(mask.sum() / scale**2),
        flags=(side, cal.method),
    )


def _three(record: TraitRecord, side: str, field: str) -> Array:
    """Return (3,) values or uncertainties of the L*, a*, b* of one side."""
    return np.array([getattr(record.quantities[f"{side}_{c}"], field) for c in "Lab"], np.float64)


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
    sides = (covered, exposed)
    names = ("covered", "exposed")
    if not all({f"{n}_{c}" for c in "Lab"} <= set(r.quantities) for n, r in zip(names, sides, strict=True)):
        return None
    if not all(set(r.flags) & {"grey_card", "color_chart"} for r in sides):
        return None
    first, seen = (_three(r, n, "value") for n, r in zip(names, sides, strict=True))
    u = np.hypot(*(_three(r, n, "u") for n, r in zip(names, sides, strict=True)))
    # Darker light makes a* and b* smaller too: both are compared at what fading does to brightness.
    one, two = (np.maximum(lab_to_linear(lab), 1e-4) for lab in (first, seen))
    ratio = np.log(two / one)
    brighter = math.log(float(two.mean() / one.mean()))
    u_brighter = 3 * float(u[0]) / (float(first[0]) + 16)
    color = np.array([ratio[0] - ratio[1], ratio[2] - ratio[1]])
    expected, u_expected, _ = _brightness_of_fading(color, one, brighter, u_brighter)
    second, level_lab = linear_to_lab(
        np.stack([two * math.exp(expected - brighter), two * math.exp(-brighter)])
    )
    u = np.array([u_expected * (float(first[0]) + 16) / 3, *u[1:]])
    delta = second - first
    value = float(delta_e_2000(first, second))
    moved = [float(delta_e_2000(first, second + step)) - value for step in np.diag(u)]
    u_value = math.hypot(*moved)
    u_value = max(u_value, 0.7 * math.hypot(*u) if value < 2 * u_value else 0.0)
    level = float(delta_e_2000(first, level_lab))
    p = float(np.clip(_phi((level - 0.7 * JUST_NOTICEABLE) / math.hypot(*moved[1:], 0.4)), 0.08, 0.92))
    rating = float(delta_e_f(first, second))
    moved_grade = [grey_scale_rating(delta_e_f(first, second + step)) for step in np.diag(u)]
    grade = float(grey_scale_rating(rating))
    quantities = {
        "delta_e00": Quantity(value, u_value),
        **{f"delta_{c}": Quantity(float(d), float(s)) for c, d, s in zip("Lab", delta, u, strict=True)},
        "grey_scale_grade": Quantity(grade, math.hypot(*(float(g) - grade for g in moved_grade))),
    }
    return TraitRecord.decide(
        Trait.SKIN_FADE,
        {"faded": p, "none": 1 - p},
        METHOD,
        ambiguous=(
            f"Covered and exposed vinyl of two photos differ by ΔE00 {value:.1f} ± {u_value:.1f}, "
            f"which may be their light. {_ASK}"
        ),
        detail=_sentence(p, quantities, grey_scale_class(rating), False),
        quantities=quantities,
        region=exposed.region,
        n_pixels=covered.n_pixels + exposed.n_pixels,
        flags=("two_photos",),
    )


# --- comparison ----------------------------------------------------------------------------------------


def compare(linear: Array, covered: Mask, exposed: Mask, scale: float = 1.0) -> Difference:
    """Compare two sets of pixels at equal shading.

    Parameters
    ----------
    linear
        (H, W, 3) linear RGB as photographed.
    covered, exposed
        (H, W) pixels of each, disjoint.
    scale
        Pixels of ``linear`` per pixel of the original, for the count.

    Notes
    -----
    Ratios of channels are compared twice: side by side in stretches of the line, and over both areas with
    what light does to color fitted along. Light that misleads one seldom misleads the other in the same way,
    so that their disagreement joins the uncertainty. Brightness is compared across the line only, as a step
    with the profile that color shows, over a curved slope of shading; what the shape leaves open is bounded
    by how vinyl fades (see :func:`_brightness_of_fading`).
    """
    features = features_of(linear, 0.8)
    n = int((covered.sum() + exposed.sum()) / scale**2)
    mean = np.median(linear[covered], axis=0)
    strip = _strip(features, covered, exposed)
    stretches = None if strip is None else _color_steps(features, strip)
    if strip is None or stretches is None:
        color, spread = _over_areas(features, covered, exposed, 0.0, apart=True)
        y = float(np.quantile(features[exposed, 2], 0.8) - np.quantile(features[covered, 2], 0.8))
        brightness, u_y, _ = _brightness_of_fading(color, mean, y, 0.25)
        return Difference(
            mean, np.append(color, brightness), np.append(np.hypot(spread, 0.012), u_y), n, False
        )
    local, weights = stretches
    beside = _weighted_median(local, weights)
    scatter = 1.4826 * _weighted_median(np.abs(local - beside), weights) / math.sqrt(_worth(weights, 2))
    measured, u_measured = _brightness_step(features, strip, beside)
    brightness, u_y, surprise = _brightness_of_fading(beside, mean, measured, u_measured)
    over, _ = _over_areas(features, covered, exposed, brightness)
    color = (beside + over) / 2
    u = np.sqrt(scatter**2 / 2 + np.square(beside - over) / 4 + np.square([0.006, 0.008]))
    u = np.hypot(u, _U_DILUTED * np.abs(color))
    agree = float(np.mean(local @ color > 0.4 * float(color @ color)))
    return Difference(mean, np.append(color, brightness), np.append(u, u_y), n, True, agree, surprise)


@dataclass(frozen=True, slots=True)
class _Strip:
    """Pixels on both sides of a line, cut into stretches.

    ``away`` is the distance from the middle of the line, positive in covered vinyl; ``stretch`` numbers the
    stretches, ``start`` is where each lies and ``gap`` how wide the unnamed rim between both sides is.
    """

    ys: NDArray[np.int_]
    xs: NDArray[np.int_]
    away: Array
    stretch: NDArray[np.int_]
    start: Array
    gap: float
    reach: float


def _strip(features: Array, covered: Mask, exposed: Mask) -> _Strip | None:
    """Gather what lies along the line; None when the sides do not lie beside each other."""
    to_covered, to_exposed = _distance_to(covered), _distance_to(exposed)
    size = math.sqrt(min(covered.sum(), exposed.sum()))
    gap = float(min(to_covered[exposed].min(), to_exposed[covered].min()))
    if gap > 0.5 * size or gap > 60:
        return None
    reach = gap / 2 + float(np.clip(0.3 * size, 8, 36))
    away = np.where(
        covered, to_exposed - gap / 2, np.where(exposed, gap / 2 - to_covered, (to_exposed - to_covered) / 2)
    )
    middle = (np.abs(to_covered - to_exposed) < 1.5) & (to_covered + to_exposed < 1.4 * gap + 6)
    start = _spaced(middle, max(6.0, 0.3 * reach))
    if len(start) < 3:
        return None
    # The rim between both sides shows how soft the line is, but only where no third thing can lie in it.
    between = (to_covered < 0.75 * gap + 1) & (to_exposed < 0.75 * gap + 1) & (gap < 20)
    ys, xs = np.nonzero((covered | exposed | between) & (np.abs(away) < reach))
    distance = np.hypot(xs[:, None] - start[:, 0], ys[:, None] - start[:, 1])
    stretch = np.where(distance.min(axis=1) < 1.3 * reach, distance.argmin(axis=1), -1)
    return _Strip(ys, xs, away[ys, xs], stretch, start, gap, reach)


def _distance_to(mask: Mask) -> Array:
    return np.asarray(cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5), np.float64)


def _spaced(mask: Mask, spacing: float) -> Array:
    """Return (K, 2) points x, y of a mask, no two nearer than ``spacing``; 60 at most."""
    ys, xs = np.nonzero(mask)
    points = np.column_stack([xs, ys]).astype(np.float64)
    left = np.ones(len(points), bool)
    chosen: list[Array] = []
    while left.any() and len(chosen) < 60:
        seed = points[int(np.argmax(left))]
        chosen.append(seed)
        left &= np.hypot(*(points - seed).T) > spacing
    return np.array(chosen).reshape(-1, 2)


def _color_steps(features: Array, strip: _Strip) -> tuple[Array, Array] | None:
    """Return (K, 2) exposed minus covered color ratios of each stretch, and its pixels; None if too few."""
    color = features[strip.ys, strip.xs, :2]
    clear = strip.gap / 2 + 2
    steps, weights = [], []
    for k in range(len(strip.start)):
        here = strip.stretch == k
        inside, outside = here & (strip.away > clear), here & (strip.away < -clear)
        light = _light_at(features, strip, k, max(1.0, strip.gap / 4), 0.0)
        if light is not None and min(inside.sum(), outside.sum()) >= _LEAST_PIXELS:
            steps.append(np.median(color[outside], axis=0) - np.median(color[inside], axis=0))
            weights.append(float(min(inside.sum(), outside.sum())) * light.alike)
    return (np.array(steps), np.array(weights)) if len(steps) >= 3 else None


@dataclass(frozen=True, slots=True)
class _Light:
    """One stretch's ``step`` of ln(brightness), exposed minus covered, and its standard uncertainty ``u``.

    ``alike`` says, 0 to 1, how far both sides may lie in one smooth light.
    """

    step: float
    u: float
    alike: float


def _light_at(features: Array, strip: _Strip, k: int, width: float, shift: float) -> _Light | None:
    """Fit the step of one stretch over a curved slope of shading; None with too few pixels on a side."""
    here = np.flatnonzero(strip.stretch == k)
    away = strip.away[here]
    if min((away > 2).sum(), (away < -2).sum()) < _LEAST_PIXELS:
        return None
    brightness = features[strip.ys[here], strip.xs[here], 2]
    x = (strip.xs[here] - strip.start[k, 0]) / strip.reach
    y = (strip.ys[here] - strip.start[k, 1]) / strip.reach
    rise = -0.5 * np.tanh((away - shift) / (2 * width))
    straight = np.column_stack([rise, np.ones(len(here)), x, y])
    step, error = _first_coefficient(np.column_stack([straight, x * x, x * y, y * y]), brightness)
    bend = step - _first_coefficient(straight, brightness)[0]
    apart = float(np.median(brightness[away < 0]) - np.median(brightness[away > 0]))
    unlike = ((apart - _USUAL_STEP) ** 2 + bend**2) / _ONE_LIGHT**2
    return _Light(step, math.hypot(error, _BEND_DOUBT * bend), 1 / (1 + unlike))


def _over_areas(
    features: Array, covered: Mask, exposed: Mask, brightness: float, apart: bool = False
) -> tuple[Array, Array]:
    """Return the (2,) difference of color ratios with light fitted over both areas, and its uncertainty.

    Light makes color a function of brightness. Vinyl that is itself brighter by ``brightness`` would be taken
    for better lit vinyl; that is added back along the fitted function. Between areas ``apart`` a drift of
    light over the picture cannot be told from a step, so that none is fitted.
    """
    either = covered | exposed
    ys, xs = np.nonzero(either)
    columns = light_columns(features[ys, xs, 2], ys, xs, frame_of(features, either))
    columns = columns[:, :3] if apart else columns
    inside = covered[ys, xs].astype(float)
    solution = robust_fit(np.column_stack([columns, inside]), features[ys, xs, :2], 8)
    step = -solution[-1] + solution[1] * float(np.clip(brightness, -0.3, 0.4))
    off = features[ys, xs, :2] - columns @ solution[:-1] - inside[:, None] * solution[-1]
    spread = np.empty(2)
    for k in (0, 1):
        field = np.zeros(either.shape)
        field[ys, xs] = off[:, k]
        spread[k] = math.hypot(
            *(b.std() / math.sqrt(len(b)) for b in (_blocks(field, m) for m in (covered, exposed)))
        )
    return step, spread


def _brightness_step(features: Array, strip: _Strip, color: Array) -> tuple[float, float]:
    """Return exposed minus covered ln of brightness at the line, and its standard uncertainty."""
    width, shift = _profile(features, strip, color)
    found = [_light_at(features, strip, k, width, shift) for k in range(len(strip.start))]
    lights = [light for light in found if light is not None]
    if len(lights) < 2:
        return 0.0, 0.3
    values, own, alike = np.array([(light.step, light.u, light.alike) for light in lights]).T
    weights = alike / (own**2 + np.median(own) ** 2 + 1e-6)
    middle = float(_weighted_median(values[:, None], weights)[0])
    spread = 1.4826 * float(_weighted_median(np.abs(values - middle)[:, None], weights)[0])
    of_each = math.sqrt(float((weights * own**2).sum() / weights.sum()))
    worth = math.sqrt(_worth(weights, 3))
    return middle, math.hypot(spread / worth, of_each / worth, 0.03, 0.3 * spread)


def _worth(weights: Array, overlapping: int) -> float:
    """Return how many independent values weighted ones are worth of which so many overlap; at least 1."""
    return max(float(weights.sum() ** 2 / np.square(weights).sum()) / overlapping, 1.0)


def _profile(features: Array, strip: _Strip, color: Array) -> tuple[float, float]:
    """Return width and place of the transition, from the color of all stretches laid over each other."""
    size = float(np.hypot(*color))
    if size < 0.02:  # no color step shows how soft the line is: as soft as the rim that was left out
        return max(1.0, strip.gap / 4), 0.0
    along = features[strip.ys, strip.xs, :2] @ (color / size)
    clear = strip.gap / 2 + 2
    laid, counts = _laid_over(along, strip, clear)
    positions = np.arange(len(laid)) - (len(laid) // 2)
    known = counts > 8
    best = (math.inf, 1.0, 0.0)
    for width in (0.6, 1.0, 1.5, 2.2, 3.2, 4.5, 6.5):
        for shift in (-3.0, -1.5, 0.0, 1.5, 3.0):
            rise = -0.5 * np.tanh((positions - shift) / (2 * width))
            columns = np.column_stack([rise, np.ones(len(rise))])[known]
            root = np.sqrt(counts[known])
            solution = np.linalg.lstsq(columns * root[:, None], laid[known] * root, rcond=None)[0]
            left = float(np.square((laid[known] - columns @ solution) * root).sum())
            best = min(best, (left, width, shift))
    return best[1], best[2]


def _laid_over(along: Array, strip: _Strip, clear: float) -> tuple[Array, Array]:
    """Return medians and counts of a value by whole pixels from the line, less each stretch's own level."""
    half = math.ceil(strip.reach)
    place, value = [], []
    for k in range(len(strip.start)):
        here = strip.stretch == k
        inside, outside = here & (strip.away > clear), here & (strip.away < -clear)
        if min(inside.sum(), outside.sum()) < 12:
            continue
        level = (np.median(along[inside]) + np.median(along[outside])) / 2
        place.append(np.round(strip.away[here]).astype(int) + half)
        value.append(along[here] - level)
    laid, counts = np.zeros(2 * half + 1), np.zeros(2 * half + 1)
    if place:
        where, values = np.concatenate(place), np.concatenate(value)
        for k in range(2 * half + 1):
            counts[k] = (where == k).sum()
            laid[k] = np.median(values[where == k]) if counts[k] else 0.0
    return laid, counts


def _first_coefficient(columns: Array, values: Array) -> tuple[float, float]:
    """Return the first coefficient of a robust least-squares fit and its standard error."""
    keep = np.ones(len(values), bool)
    solution = np.zeros(columns.shape[1])
    off: Array = values
    for _ in range(3):
        solution = np.asarray(np.linalg.lstsq(columns[keep], values[keep], rcond=None)[0], np.float64)
        off = np.asarray(np.abs(values - columns @ solution), np.float64)
        keep = off < 3 * max(1.4826 * float(np.median(off)), 0.01)
    variance = float(np.linalg.pinv(columns[keep].T @ columns[keep])[0, 0])
    return float(solution[0]), math.sqrt(max(variance, 0.0)) * max(float(off[keep].std()), 0.004)


def _brightness_of_fading(
    color: Array, covered: Array, measured: float, u: float
) -> tuple[float, float, float]:
    """Combine a measured step of ln(brightness) with what fading allows, by their uncertainties.

    Returns the step, its uncertainty, and how far the measured one lies from both together.

    Light destroys colorants, and skin-colored vinyl gets its hue from what absorbs green and blue: these
    channels rise as the colorant goes while red hardly changes. Its change is taken as +0.05 ± 0.1 in ln,
    0 ± 0.05 where the color did not change (a physical expectation, no published figure for vinyl).
    """
    size = float(np.hypot(*color))
    certain = min(1.0, size / 0.08)
    red, u_red = 0.05 * certain, 0.05 + 0.05 * certain
    ratio = np.exp([red, red - color[0], red - color[0] + color[1]])
    expected = math.log(float((covered * ratio).sum() / max(float(covered.sum()), 1e-9)))
    surprise = max(0.0, abs(measured - expected) - 2 * math.hypot(u, u_red))
    # A step far from all expectation is a fold or a shadow along the line more often than vinyl.
    u = math.hypot(u, max(0.0, abs(measured - expected) - 2 * u_red))
    weight = u_red**2 / (u_red**2 + u**2)
    u_both = math.sqrt(u_red**2 * u**2 / (u_red**2 + u**2))
    return expected + weight * (measured - expected), u_both, surprise


def _blocks(values: Array, mask: Mask) -> Array:
    """Return medians of a mask's pixels over a coarse grid: independent samples, as pixels are not."""
    ys, xs = np.nonzero(mask)
    step = max(4.0, math.sqrt(mask.sum()) / 4)
    key = (ys // step).astype(int) * 10_000 + (xs // step).astype(int)
    names, counts = np.unique(key, return_counts=True)
    medians = [
        np.median(values[ys[key == k], xs[key == k]]) for k, c in zip(names, counts, strict=True) if c >= 8
    ]
    return np.array(medians if medians else [np.median(values[mask])])


def _weighted_median(values: Array, weights: Array) -> Array:
    out = np.empty(values.shape[1])
    for k in range(values.shape[1]):
        order = np.argsort(values[:, k])
        total = np.cumsum(weights[order])
        out[k] = values[order[np.searchsorted(total, total[-1] / 2)], k]
    return out


# --- judgement -----------------------------------------------------------------------------------------


def _labs(found: Difference, step: Array, cal: Calibration, cast: Array, gain: float) -> tuple[Array, Array]:
    """Return CIELAB of covered and exposed for a log difference, a change of white and of exposure."""
    covered = found.covered * np.exp([cast[0], 0.0, cast[1]]) * math.exp(gain)
    ratio = np.exp(np.array([step[0], 0.0, step[1]]))
    raised = covered * ratio
    raised *= covered.mean() * math.exp(step[2]) / raised.mean()
    first, second = linear_to_lab(cal.apply(np.stack([covered, raised])))
    return first, second


def _quantities(found: Difference, cal: Calibration) -> tuple[dict[str, Quantity], Array, float]:
    """Return the contract's quantities, the covered color, and u of ΔE00 by propagating each input alone."""
    no_cast = np.zeros(2)
    nominal = _numbers(*_labs(found, found.log, cal, no_cast, 0.0))
    moved = []
    for k in range(3):
        step = found.log.copy()
        step[k] += found.u[k]
        moved.append(_numbers(*_labs(found, step, cal, no_cast, 0.0)))
    white = cal.u_delta_e / 60
    for k in (0, 1):
        cast = no_cast.copy()
        cast[k] = white
        moved.append(_numbers(*_labs(found, found.log, cal, cast, 0.0)))
    moved.append(_numbers(*_labs(found, found.log, cal, no_cast, cal.u_exposure)))
    u = np.sqrt(np.square(np.array(moved) - nominal).sum(axis=0))
    if cal.tone is None:
        u = np.hypot(u, _U_TONE * np.abs(nominal))
    names = ("delta_e00", "delta_L", "delta_a", "delta_b", "grey_scale_grade")
    # Near zero ΔE00 folds: its uncertainty there is that of its parts.
    u[0] = max(u[0], 0.7 * float(np.sqrt(np.square(u[1:4]).sum())) if nominal[0] < 2 * u[0] else u[0])
    quantities = {n: Quantity(float(v), float(s)) for n, v, s in zip(names, nominal, u, strict=True)}
    covered, _ = _labs(found, found.log, cal, no_cast, 0.0)
    return quantities, covered, float(u[0])


def _numbers(covered: Array, exposed: Array) -> Array:
    grade = float(grey_scale_rating(delta_e_f(covered, exposed)))
    return np.array([float(delta_e_2000(covered, exposed)), *(exposed - covered), grade])


def _record(found: Difference, line: LinePlace, cal: Calibration) -> TraitRecord:
    quantities, _, u = _quantities(found, cal)
    value = quantities["delta_e00"].value
    flags = list(line.flags)
    if not found.beside:
        flags.append("not_beside")
    if cal.method in ("scene", "none"):
        flags.append("no_white_reference")
    p, more = _probability(found, line, cal, quantities)
    flags += more
    if "side_unsure" in flags:
        quantities = _either_way(quantities)
    grade = grey_scale_class(
        float(delta_e_f(_covered_lab(found, cal), _covered_lab(found, cal) + _delta(quantities)))
    )
    return TraitRecord.decide(
        Trait.SKIN_FADE,
        {"faded": p, "none": 1 - p},
        METHOD,
        ambiguous=(
            f"A difference of ΔE00 {value:.1f} ± {u:.1f} between the two sides may be fade, or only light. "
            "Ask for the same view in even daylight, with a plain gray card."
        ),
        detail=_one_side_yellower(quantities, grade)
        if "side_unsure" in flags and p > 0.5
        else _sentence(p, quantities, grade, "no_step" in line.flags),
        quantities=quantities,
        region=_both(line),
        n_pixels=found.n_pixels,
        flags=tuple(dict.fromkeys(flags)),
    )


def _probability(
    found: Difference, line: LinePlace, cal: Calibration, quantities: dict[str, Quantity]
) -> tuple[float, list[str]]:
    """Return the probability of fade, and flags on what speaks against it.

    Where a person named both sides, the difference decides. A line that was located must also be one: its
    probability goes along, and the smallness of a step that nobody pointed at says nothing, since its sides
    may be any two spots. Where no line shows between vinyl that something else takes for covered and the
    rest, ``none`` is as sure as that.
    """
    flags = []
    # Fade changes brightness too: where a person named both sides, a part of what is noticeable is asked for.
    located = "step" in line.flags
    differs = _differs_probability(found, cal, JUST_NOTICEABLE if located else 0.7 * JUST_NOTICEABLE)
    if _light_instead(found):
        flags.append("two_lights")
        differs = min(differs, 0.55)
    if "no_step" in line.flags:
        return (0.5 if differs > 0.3 else 1 - 0.5 * _LEAST_SURE - 0.5 * line.confidence * _UNMARKED), flags
    if not located:
        return 0.5 + (differs - 0.5) * min(1.0, line.confidence + 0.1 if line.confidence else 1.0), flags
    if not _fades_so(found, quantities):
        flags.append("unlike_fade")
        differs = min(differs, 0.55)
    if _only_yellow(found, cal):
        flags.append("side_unsure")
    p = line.confidence * differs
    doubtful = "side_unsure" in flags or _along_light(found)
    sure = p > (_SURE_BESIDE_LIGHT if doubtful else _SURE_LOCATED)
    return (p if sure else float(np.clip(p, 0.45, 0.55))), flags


def _covered_lab(found: Difference, cal: Calibration) -> Array:
    return _labs(found, found.log, cal, np.zeros(2), 0.0)[0]


def _delta(quantities: dict[str, Quantity]) -> Array:
    return np.array([quantities[f"delta_{c}"].value for c in "Lab"])


def _differs_probability(found: Difference, cal: Calibration, least: float) -> float:
    """Return the probability that the two sides differ noticeably in what light cannot change.

    That part is ΔE00 at equal brightness, which must exceed ``least``: a shadow changes a* and b* too, but
    not the channels' ratios.
    """
    level = found.log * (1, 1, 0)
    value = float(delta_e_2000(*_labs(found, level, cal, np.zeros(2), 0.0)))
    moved = []
    for k in (0, 1):
        step = level.copy()
        step[k] += found.u[k]
        moved.append(float(delta_e_2000(*_labs(found, step, cal, np.zeros(2), 0.0))) - value)
    u = math.hypot(*moved)
    return float(np.clip(_phi((value - least) / math.hypot(1.5 * u, 0.4)), 0.04, 0.97))


def _phi(z: float) -> float:
    return 0.5 * (1 + math.erf(z / math.sqrt(2)))


def _light_instead(found: Difference) -> bool:
    """Tell whether the step looks like a second light or a colored shadow rather than other vinyl.

    Light that turns bluer or yellower moves ln(r/g) and ln(b/g) in opposite ways, red with brightness; and a
    step of brightness far from what fading makes is a shadow's.
    """
    x, y, brightness = found.log
    another_lamp = _along_light(found) and abs(y) > 0.06 and abs(x) > 0.3 * abs(y)
    return bool(found.surprise > 0.2 or (another_lamp and x * brightness > 0 and abs(brightness) > 0.2))


def _along_light(found: Difference) -> bool:
    """Tell whether the color differs the way in which lamps and daylight do: redder and less blue, or back.

    From 2700 K to 12,000 K ln(r/g) changes by -0.6 to -0.8 of what ln(b/g) does (computed from
    :func:`vision.color.neutral_rgb_of`).
    """
    x, y, _ = found.log
    return bool(x * y < 0 and abs(x) < 1.2 * abs(y))


def _fades_so(found: Difference, quantities: dict[str, Quantity]) -> bool:
    """Tell whether a located step is one that fading makes: compared side by side, and not into the darker.

    A color step that nobody pointed at may also be bounced light near a garment or a second lamp.
    """
    lightness = quantities["delta_L"]
    return found.beside and lightness.value > -max(1.0, lightness.u)


def _only_yellow(found: Difference, cal: Calibration) -> bool:
    """Tell whether the sides differ in b* far more than in a*, at equal brightness.

    Light that takes red out of vinyl tells the sides apart. Yellow may be lost in light or come with age, so
    that nothing in its color tells which side was covered. Judged in CIELAB: yellow alone, b* by 5, moves
    ln(r/g) by a quarter of what it moves ln(b/g).
    """
    covered, exposed = _labs(found, found.log * (1, 1, 0), cal, np.zeros(2), 0.0)
    _, a, b = np.abs(exposed - covered)
    return bool(a < 0.35 * b)


def _either_way(quantities: dict[str, Quantity]) -> dict[str, Quantity]:
    """Return the quantities with the doubt that both sides may be taken for each other, one chance in two.

    A value v is then right or off by -2 v: root mean square √2 |v|. ΔE00 and the grade do not depend on it.
    """
    signed = {name: quantities[name] for name in ("delta_L", "delta_a", "delta_b")}
    return quantities | {
        name: Quantity(q.value, math.hypot(q.u, math.sqrt(2) * abs(q.value))) for name, q in signed.items()
    }


def _one_side_yellower(quantities: dict[str, Quantity], grade: str) -> str:
    e = quantities["delta_e00"]
    return (
        f"Vinyl on one side of a line is yellower than on the other: ΔE00 {e.value:.1f} ± {e.u:.1f}, gray "
        f"scale {grade} (a textile scale; vinyl is not textile). Which side was covered is a guess: vinyl "
        "may lose yellow in light or turn yellow with age: name both sides with a regions file if you know."
    )


def _sentence(p: float, quantities: dict[str, Quantity], grade: str, unmarked: bool) -> str:
    e = quantities["delta_e00"]
    if unmarked:
        return (
            f"No clothing line shows on the bare vinyl (ΔE00 {e.value:.1f} ± {e.u:.1f} between what clothing "
            "covers and the rest). A doll that faded evenly, never dressed, would look so too."
        )
    if p < 0.5:
        return f"Covered and exposed vinyl look alike (ΔE00 {e.value:.1f} ± {e.u:.1f})."
    words = direction(_delta(quantities), [quantities[f"delta_{c}"].u for c in "Lab"])
    return (
        f"Exposed vinyl is {words} than vinyl under the clothing: ΔE00 {e.value:.1f} ± {e.u:.1f}, gray scale "
        f"{grade} (a textile scale; vinyl is not textile)."
    )


def direction(delta: Array, u: Sequence[float]) -> str:
    """Say in a dealer's words how exposed vinyl differs from covered vinyl.

    Parameters
    ----------
    delta
        (3,) L*, a*, b* of exposed minus covered.
    u
        Their standard uncertainties: what lies within them is not named.
    """
    pairs = (("paler", "darker"), ("pinker", "less pink"), ("yellower", "less yellow"))
    named = [
        (abs(float(d)), up if d > 0 else down)
        for d, s, (up, down) in zip(delta, u, pairs, strict=True)
        if abs(d) > max(0.8, s)
    ]
    if not named:
        return "slightly different"
    words = [word for _, word in sorted(named, reverse=True)]
    if delta[1] < -0.8 and delta[2] < -0.8:
        words = [w for w in words if w not in ("less pink", "less yellow")] + ["grayer"]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]
