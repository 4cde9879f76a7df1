"""Skin fade: vinyl that saw light beside vinyl that clothing kept in the dark.

How a dealer would be misled: a shaded or bent side, a cast shadow, a highlight or a second lamp looks like a
color change; a doll with its clothes on shows no covered vinyl at all. Hence light is compared with light:
under one lamp, shading multiplies all channels alike, so ratios of channels belong to the vinyl. Brightness
is compared only across the line itself, extrapolated to it from both sides.
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
    linear_to_lab,
    srgb_to_linear,
)
from vision.locate.places import LinePlace
from vision.photo import Photo
from vision.quality import glare_mask
from vision.traits import Quantity, Reason, Region, Trait, TraitRecord

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

METHOD = "fade/1"

#: A difference below this is not called fade: just noticeable in museum light-fading work
#: (Heritage Science 2022, 10.1186/s40494-022-00767-6).
JUST_NOTICEABLE = 1.7

# A step that the locator picked as the clearest of many must be clearer: bounced light makes faint ones.
_LEAST_LOCATED = 2.6
_SURE_LOCATED = 0.8

#: Relative error of a color difference through an unknown tone curve or exposure, from the slopes that real
#: charts show in phone photos.
_U_TONE = 0.12
_VIEW = 900
_ASK = (
    "Ask for a photo of the bare body, front and back, with the clothing lowered or off, in even daylight, "
    "with a plain grey card beside the doll."
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
    """

    covered: Array
    log: Array
    u: Array
    n_pixels: int
    beside: bool


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
        ``no_reference`` without covered vinyl, ``too_small``, ``clipped``, ``glare`` or ``ambiguous`` else.
    """
    if line is None or not line.covered.polygons or not line.exposed.polygons:
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
    Where the two sides lie along one line, it is cut into stretches; in each, channel ratios are averaged
    near the line and brightness is extrapolated to it from both sides. The scatter of the stretches is the
    uncertainty. Otherwise the whole areas are compared, and brightness by what faces the light in each.
    """
    log = np.log(np.maximum(linear, 1e-4))
    features = np.stack(
        [log[..., 0] - log[..., 1], log[..., 2] - log[..., 1], np.log(np.maximum(linear.mean(axis=2), 1e-4))],
        axis=-1,
    )
    stretches = _stretches(features, covered, exposed)
    n = int((covered.sum() + exposed.sum()) / scale**2)
    mean = np.median(linear[covered], axis=0)
    if stretches is not None:
        values, weights = stretches
        middle = _weighted_median(values, weights)
        spread = 1.4826 * _weighted_median(np.abs(values - middle), weights)
        u = np.hypot(spread / math.sqrt(max(len(values) - 1, 1)), [0.006, 0.008, 0.05])
        return Difference(mean, middle, u, n, True)
    middle = np.empty(3)
    u = np.empty(3)
    for k in (0, 1):
        one, two = _blocks(features[..., k], covered), _blocks(features[..., k], exposed)
        middle[k] = np.median(two) - np.median(one)
        u[k] = math.hypot(one.std() / math.sqrt(len(one)), two.std() / math.sqrt(len(two)), 0.012)
    middle[2] = np.quantile(features[exposed, 2], 0.8) - np.quantile(features[covered, 2], 0.8)
    u[2] = 0.15
    return Difference(mean, middle, u, n, False)


def _stretches(features: Array, covered: Mask, exposed: Mask) -> tuple[Array, Array] | None:
    """Return (K, 3) differences over stretches of the line and their weights, or None without a line."""
    to_covered, to_exposed = _distance_to(covered), _distance_to(exposed)
    size = math.sqrt(min(covered.sum(), exposed.sum()))
    gap = float(min(to_covered[exposed].min(), to_exposed[covered].min()))
    reach = gap + float(np.clip(0.3 * size, 6, 40))
    near_exposed, near_covered = exposed & (to_covered < reach), covered & (to_exposed < reach)
    if gap > 0.5 * size or gap > 60 or min(near_exposed.sum(), near_covered.sum()) < 40:
        return None
    ys, xs = np.nonzero(near_exposed | near_covered)
    points = np.column_stack([xs, ys]).astype(np.float32)
    pieces = _along_line(points, to_covered, to_exposed, gap, reach)
    values, weights = [], []
    for piece in pieces:
        x, y = points[piece].astype(int).T
        side = exposed[y, x]
        if min(side.sum(), (~side).sum()) < 12:
            continue
        f = features[y, x]
        difference = np.empty(3)
        for k in (0, 1):
            difference[k] = np.median(f[side, k]) - np.median(f[~side, k])
        away = np.where(side, to_covered[y, x] - gap / 2, gap / 2 - to_exposed[y, x])
        difference[2] = _jump(away, f[:, 2], side)
        values.append(difference)
        weights.append(float(min(side.sum(), (~side).sum())))
    if len(values) < 3:
        return None
    return np.array(values), np.array(weights)


def _distance_to(mask: Mask) -> Array:
    return np.asarray(cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5), np.float64)


def _along_line(
    points: NDArray[np.float32], to_covered: Array, to_exposed: Array, gap: float, reach: float
) -> list[NDArray[np.int_]]:
    """Group points by the nearest of a chain of seeds along the middle between the two sides."""
    middle = (np.abs(to_covered - to_exposed) < 1.5) & (to_covered + to_exposed < 1.4 * gap + 6)
    spacing = max(6.0, 0.3 * reach)
    seeds: list[NDArray[np.float32]] = []
    for y, x in np.argwhere(middle):
        if all(math.hypot(x - seed[0], y - seed[1]) > spacing for seed in seeds):
            seeds.append(np.array([x, y], np.float32))
        if len(seeds) >= 60:
            break
    if not seeds:
        return []
    distance = np.stack([np.hypot(*(points - seed).T) for seed in seeds])
    close = distance.min(axis=0) < reach + spacing
    nearest = distance.argmin(axis=0)
    return [np.flatnonzero((nearest == k) & close) for k in range(len(seeds))]


def _jump(away: Array, brightness: Array, side: Mask) -> float:
    """Return the step of brightness at the line: one slope over both sides, so that shading is taken out."""
    columns = np.column_stack([side.astype(float), away, np.ones(len(away))])
    keep = np.ones(len(away), bool)
    solution = np.zeros(3)
    for _ in range(3):
        solution, *_ = np.linalg.lstsq(columns[keep], brightness[keep], rcond=None)
        off = np.abs(brightness - columns @ solution)
        keep = off < 3 * max(1.4826 * float(np.median(off)), 0.01)
    return float(solution[0])


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
    quantities, covered, u = _quantities(found, cal)
    value = quantities["delta_e00"].value
    flags = list(line.flags)
    if not found.beside:
        flags.append("not_beside")
    if cal.method in ("scene", "none"):
        flags.append("no_white_reference")
    located = "step" in line.flags
    p = _faded_probability(found, cal, _LEAST_LOCATED if located else 0.7 * JUST_NOTICEABLE)
    if _light_instead(found):
        flags.append("two_lights")
        p = min(p, 0.55)
    if located and not _fades_so(found, quantities):
        flags.append("unlike_fade")
        p = min(p, 0.55)
    if located:
        # A faint step proves no covered vinyl, so that its smallness says nothing either way.
        p = max(p, 0.45) if p > _SURE_LOCATED else float(np.clip(p, 0.45, 0.55))
    if line.confidence:
        p = 0.5 + (p - 0.5) * min(1.0, line.confidence + 0.1)
    grade = grey_scale_class(float(delta_e_f(covered, covered + _delta(quantities))))
    detail = _sentence(p, quantities, grade)
    return TraitRecord.decide(
        Trait.SKIN_FADE,
        {"faded": p, "none": 1 - p},
        METHOD,
        ambiguous=(
            f"A difference of ΔE00 {value:.1f} ± {u:.1f} between the two sides may be fade, or only light. "
            "Ask for the same view in even daylight, with a plain grey card."
        ),
        detail=detail,
        quantities=quantities,
        region=_both(line),
        n_pixels=found.n_pixels,
        flags=tuple(dict.fromkeys(flags)),
    )


def _delta(quantities: dict[str, Quantity]) -> Array:
    return np.array([quantities[f"delta_{c}"].value for c in "Lab"])


def _faded_probability(found: Difference, cal: Calibration, least: float) -> float:
    """Return the probability of fade: the part of the difference that light cannot make must carry it.

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
    return float(np.clip(_phi((value - least) / math.hypot(1.5 * u, 0.5)), 0.04, 0.96))


def _phi(z: float) -> float:
    return 0.5 * (1 + math.erf(z / math.sqrt(2)))


def _light_instead(found: Difference) -> bool:
    """Tell whether the step looks like a second light or a colored shadow rather than other vinyl.

    Light that turns bluer or yellower moves ln(r/g) and ln(b/g) in opposite ways with brightness going along;
    a brightness step of a third or more between vinyl of one doll is a shadow.
    """
    x, y, brightness = found.log
    along_light = x * y < 0 and abs(y) > 0.06 and 0.3 < abs(x / y) < 1.2
    return bool(abs(brightness) > 0.45 or (along_light and abs(brightness) > 0.25))


def _fades_so(found: Difference, quantities: dict[str, Quantity]) -> bool:
    """Tell whether a located step is one that fading makes: compared side by side, and not into the darker.

    A color step that nobody pointed at may also be bounced light near a garment or a second lamp.
    """
    lightness = quantities["delta_L"]
    return found.beside and lightness.value > -max(1.0, lightness.u)


def _sentence(p: float, quantities: dict[str, Quantity], grade: str) -> str:
    e = quantities["delta_e00"]
    if p < 0.5:
        return f"Covered and exposed vinyl look alike (ΔE00 {e.value:.1f} ± {e.u:.1f})."
    words = direction(_delta(quantities), [quantities[f"delta_{c}"].u for c in "Lab"])
    return (
        f"Exposed vinyl is {words} than vinyl under the clothing: ΔE00 {e.value:.1f} ± {e.u:.1f}, grey scale "
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
        words = [w for w in words if w not in ("less pink", "less yellow")] + ["greyer"]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]
