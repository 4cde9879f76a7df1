"""The step of color and brightness where covered vinyl meets exposed vinyl.

How a dealer would be misled: a shaded or bent side, a cast shadow or a second lamp parts vinyl like fade.
Hence light is compared with light: under one lamp, shading multiplies all channels alike, so ratios of
channels belong to the vinyl. Brightness is compared only across the line itself, extrapolated to it from both
sides. Where an arm lies before covered vinyl in the shade of the armpit, both touch in the picture without
being one surface: stretches of the line count the less, the less their sides can lie in one smooth light.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.locate.clothing_line import features_of, frame_of, light_columns, robust_fit

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A stretch of the line is measured with so many pixels on either side, the line by so many stretches.
_LEAST_PIXELS, _LEAST_STRETCHES = 12, 3

#: Relative error of a color step because vinyl scatters light below its surface and mirrors its surroundings,
#: both of which mix the two sides with each other or with white.
_U_DILUTED = 0.1
#: What fading usually adds to ln(brightness) (mostly 0 to 0.3, no published figure for vinyl), and how far a
#: step may lie from that, or depend on how shading is taken to bend, for light to be one light.
_USUAL_STEP, _ONE_LIGHT = 0.15, 0.2
#: Share of what a bend of shading moves a step of brightness by that is doubt: the bend is but a model.
_BEND_DOUBT = 0.25


@dataclass(frozen=True, slots=True)
class Difference:
    """Exposed minus covered, as logarithms of linear RGB.

    Attributes
    ----------
    covered
        (3,) median linear RGB of the covered vinyl in the photo.
    log
        (3,) differences of ln(r/g), ln(b/g) and ln(brightness).
    u
        (3,) their standard uncertainties.
    n_pixels
        Pixels of the original that were compared.
    beside
        Whether both sides were compared across one line; else brightness is weakly known.
    surprise
        How far the step of ln(brightness), beyond its doubt, lies from all that fading makes: a shadow or a
        fold along the line.
    """

    covered: Array
    log: Array
    u: Array
    n_pixels: int
    beside: bool
    surprise: float = 0.0


def compare(linear: Array, covered: Mask, exposed: Mask, scale: float = 1.0) -> Difference:
    """Compare two sets of pixels at equal shading.

    Parameters
    ----------
    linear
        (H, W, 3) linear RGB as photographed.
    covered, exposed
        (H, W) pixels of each, disjoint and neither empty.
    scale
        Pixels of ``linear`` per pixel of the original, for the count.

    Notes
    -----
    Ratios of channels are compared twice: side by side in stretches of the line, and over both areas with
    what light does to color fitted along. Light that misleads one seldom misleads the other in the same way,
    so that their disagreement joins the uncertainty. Brightness is compared across the line only, as a step
    with the profile that color shows, over a curved slope of shading; what the shape leaves open is bounded
    by how vinyl fades (see :func:`brightness_of_fading`).

    Sides that do not lie beside each other, or along too short a line, are compared as areas alone.
    """
    features = features_of(linear, 0.8)
    n_pixels = int((covered.sum() + exposed.sum()) / scale**2)
    typical = np.median(linear[covered], axis=0)
    strip = _strip(covered, exposed)
    stretches = None if strip is None else _color_steps(features, strip)
    if strip is None or stretches is None:
        return _apart(features, covered, exposed, typical, n_pixels)
    steps, weights = stretches
    beside = _weighted_median(steps, weights)
    scatter = 1.4826 * _weighted_median(np.abs(steps - beside), weights) / math.sqrt(_worth(weights, 2))
    measured, u_measured = _brightness_step(features, strip, beside)
    brightness, u_brightness, surprise = brightness_of_fading(beside, typical, measured, u_measured)
    over, _ = _over_areas(features, covered, exposed, brightness)
    color = (beside + over) / 2
    u = np.sqrt(scatter**2 / 2 + np.square(beside - over) / 4 + np.square([0.006, 0.008]))
    u = np.hypot(u, _U_DILUTED * np.abs(color))
    return Difference(
        typical, np.append(color, brightness), np.append(u, u_brightness), n_pixels, True, surprise
    )


def _apart(features: Array, covered: Mask, exposed: Mask, typical: Array, n_pixels: int) -> Difference:
    """Compare two areas without a line between them; brightness is what their best lit parts have."""
    color, u = _over_areas(features, covered, exposed, 0.0, apart=True)
    lit = float(np.quantile(features[exposed, 2], 0.8) - np.quantile(features[covered, 2], 0.8))
    brightness, u_brightness, _ = brightness_of_fading(color, typical, lit, 0.25)
    log, u_log = np.append(color, brightness), np.append(np.hypot(u, 0.012), u_brightness)
    return Difference(typical, log, u_log, n_pixels, False)


# --- the line and its stretches -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Strip:
    """Pixels on both sides of a line, cut into stretches.

    Attributes
    ----------
    ys, xs
        (N,) rows and columns of the pixels.
    away
        (N,) their distances from the middle of the line, positive in covered vinyl.
    stretch
        (N,) the number of the stretch each belongs to, -1 for none.
    start
        (K, 2) x, y of the middle of each stretch.
    gap
        Width of the unnamed rim between both sides.
    reach
        How far from the middle of the line the pixels lie at most.
    """

    ys: NDArray[np.int_]
    xs: NDArray[np.int_]
    away: Array
    stretch: NDArray[np.int_]
    start: Array
    gap: float
    reach: float

    @property
    def softness(self) -> float:
        """Width of the transition as far as the rim that was left out tells."""
        return max(1.0, self.gap / 4)

    def sides(self, k: int) -> tuple[Mask, Mask] | None:
        """Return the (N,) pixels of stretch ``k`` in either side, clear of the rim; None with too few."""
        here, clear = self.stretch == k, self.gap / 2 + 2
        covered, exposed = here & (self.away > clear), here & (self.away < -clear)
        return (covered, exposed) if min(covered.sum(), exposed.sum()) >= _LEAST_PIXELS else None


def _strip(covered: Mask, exposed: Mask) -> _Strip | None:
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
    if len(start) < _LEAST_STRETCHES:
        return None
    # The rim between both sides shows how soft the line is, but only where no third thing can lie in it.
    rim = (to_covered < 0.75 * gap + 1) & (to_exposed < 0.75 * gap + 1) & (gap < 20)
    ys, xs = np.nonzero((covered | exposed | rim) & (np.abs(away) < reach))
    distance = np.hypot(xs[:, None] - start[:, 0], ys[:, None] - start[:, 1])
    stretch = np.where(distance.min(axis=1) < 1.3 * reach, distance.argmin(axis=1), -1)
    return _Strip(ys, xs, away[ys, xs], stretch, start, gap, reach)


def _distance_to(mask: Mask) -> Array:
    """Return each pixel's distance to the nearest one of a mask, in pixels."""
    return np.asarray(cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5), np.float64)


def _spaced(mask: Mask, spacing: float) -> Array:
    """Return (K, 2) points x, y of a mask, no two nearer than ``spacing``; 60 at most."""
    ys, xs = np.nonzero(mask)
    points = np.column_stack([xs, ys]).astype(np.float64)
    left = np.ones(len(points), bool)
    chosen: list[Array] = []
    while left.any() and len(chosen) < 60:
        first = points[int(np.argmax(left))]
        chosen.append(first)
        left &= np.hypot(*(points - first).T) > spacing
    return np.array(chosen).reshape(-1, 2)


# --- color --------------------------------------------------------------------------------------------


def _color_steps(features: Array, strip: _Strip) -> tuple[Array, Array] | None:
    """Return (K, 2) exposed minus covered color ratios of the stretches, and (K,) weights; None if too few.

    A stretch weighs as many pixels as its smaller side has, less where its sides lie in two lights.
    """
    color = features[strip.ys, strip.xs, :2]
    steps, weights = [], []
    for k in range(len(strip.start)):
        sides, light = strip.sides(k), _light_at(features, strip, k, strip.softness, 0.0)
        if sides is None or light is None:
            continue
        covered, exposed = sides
        steps.append(np.median(color[exposed], axis=0) - np.median(color[covered], axis=0))
        weights.append(float(min(covered.sum(), exposed.sum())) * light.alike)
    return (np.array(steps), np.array(weights)) if len(steps) >= _LEAST_STRETCHES else None


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
            *(b.std() / math.sqrt(len(b)) for b in (block_medians(field, m) for m in (covered, exposed)))
        )
    return step, spread


def block_medians(values: Array, mask: Mask) -> Array:
    """Return medians of a mask's pixels over a coarse grid: independent samples, as pixels are not.

    Parameters
    ----------
    values
        (H, W) any value.
    mask
        (H, W) pixels that count, at least one.

    Returns
    -------
    (B,) medians of the cells with eight such pixels or more; of the whole mask where no cell has them.
    """
    ys, xs = np.nonzero(mask)
    step = max(4.0, math.sqrt(mask.sum()) / 4)
    key = (ys // step).astype(int) * 10_000 + (xs // step).astype(int)
    names, counts = np.unique(key, return_counts=True)
    medians = [
        np.median(values[ys[key == k], xs[key == k]]) for k, c in zip(names, counts, strict=True) if c >= 8
    ]
    return np.array(medians if medians else [np.median(values[mask])])


# --- brightness ---------------------------------------------------------------------------------------


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
    rise = _rise(away, width, shift)
    straight = np.column_stack([rise, np.ones(len(here)), x, y])
    step, error = _first_coefficient(np.column_stack([straight, x * x, x * y, y * y]), brightness)
    bend = step - _first_coefficient(straight, brightness)[0]
    apart = float(np.median(brightness[away < 0]) - np.median(brightness[away > 0]))
    unlike = ((apart - _USUAL_STEP) ** 2 + bend**2) / _ONE_LIGHT**2
    return _Light(step, math.hypot(error, _BEND_DOUBT * bend), 1 / (1 + unlike))


def _rise(away: Array, width: float, shift: float) -> Array:
    """Return a smooth step from -1/2 in covered to 1/2 in exposed vinyl, by the distance from the line."""
    return -0.5 * np.tanh((away - shift) / (2 * width))


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


def _profile(features: Array, strip: _Strip, color: Array) -> tuple[float, float]:
    """Return width and place of the transition, from the color of all stretches laid over each other."""
    size = float(np.hypot(*color))
    if size < 0.02:  # no color step shows how soft the line is: as soft as the rim that was left out
        return strip.softness, 0.0
    along = features[strip.ys, strip.xs, :2] @ (color / size)
    laid, counts = _laid_over(along, strip)
    positions = np.arange(len(laid), dtype=np.float64) - len(laid) // 2
    known = counts > 8
    root = np.sqrt(counts[known])
    best = (math.inf, 1.0, 0.0)
    for width in (0.6, 1.0, 1.5, 2.2, 3.2, 4.5, 6.5):
        for shift in (-3.0, -1.5, 0.0, 1.5, 3.0):
            rise = _rise(positions, width, shift)
            columns = np.column_stack([rise, np.ones(len(rise))])[known]
            solution = np.linalg.lstsq(columns * root[:, None], laid[known] * root, rcond=None)[0]
            left = float(np.square((laid[known] - columns @ solution) * root).sum())
            best = min(best, (left, width, shift))
    return best[1], best[2]


def _laid_over(along: Array, strip: _Strip) -> tuple[Array, Array]:
    """Return medians and counts of a value by whole pixels from the line, less each stretch's own level."""
    half = math.ceil(strip.reach)
    place, value = [], []
    for k in range(len(strip.start)):
        sides = strip.sides(k)
        if sides is None:
            continue
        here = strip.stretch == k
        level = (np.median(along[sides[0]]) + np.median(along[sides[1]])) / 2
        place.append(np.round(strip.away[here]).astype(int) + half)
        value.append(along[here] - level)
    laid, counts = np.zeros(2 * half + 1), np.zeros(2 * half + 1)
    if place:
        where, values = np.concatenate(place), np.concatenate(value)
        for k in range(2 * half + 1):
            counts[k] = (where == k).sum()
            laid[k] = np.median(values[where == k]) if counts[k] else 0.0
    return laid, counts


def brightness_of_fading(
    color: Array, covered: Array, measured: float, u: float
) -> tuple[float, float, float]:
    """Combine a measured step of ln(brightness) with what fading allows, by their uncertainties.

    Light destroys colorants, and skin-colored vinyl gets its hue from what absorbs green and blue: these
    channels rise as the colorant goes while red hardly changes. Its change is taken as +0.05 ± 0.1 in ln,
    0 ± 0.05 where the color did not change (a physical expectation, no published figure for vinyl).

    Parameters
    ----------
    color
        (2,) steps of ln(r/g) and ln(b/g), exposed minus covered.
    covered
        (3,) linear RGB of the covered vinyl.
    measured, u
        The step of ln(brightness), exposed minus covered, and its standard uncertainty.

    Returns
    -------
    step, u, surprise
        The combined step, its standard uncertainty, and how far, beyond the doubt of both, the measured step
        lies from the expected one.
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


# --- weighing stretches -------------------------------------------------------------------------------


def _worth(weights: Array, overlapping: int) -> float:
    """Return how many independent values weighted ones are worth when each so many overlap; at least 1."""
    return max(float(weights.sum() ** 2 / np.square(weights).sum()) / overlapping, 1.0)


def _weighted_median(values: Array, weights: Array) -> Array:
    """Return the (C,) weighted medians of the columns of (K, C) values by (K,) weights."""
    out = np.empty(values.shape[1])
    for k in range(values.shape[1]):
        order = np.argsort(values[:, k])
        total = np.cumsum(weights[order])
        out[k] = values[order[np.searchsorted(total, total[-1] / 2)], k]
    return out
