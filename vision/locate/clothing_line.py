"""A clothing line inside bare vinyl: a step in the vinyl's own color that light cannot make.

How a dealer would be misled, and what is done about it:

* a shaded side, a terminator, a second lamp: color follows brightness over the whole body, so the part of
  color that brightness explains is taken off first; what drifts along the body makes no step;
* a cast shadow: it is much darker, and its step of color and brightness varies with how much other light
  reaches each spot, while vinyl keeps one ratio along the whole line, lit or shaded;
* light bounced into hollows or off a garment: a slope over some width, not two levels side by side;
* blush, stains, knees: islands within the vinyl, while a garment's line ends at the outline or the garment;
* limbs of another vinyl: the step lies at a joint and is left to whoever looks at the picture;
* a hand that holds the doll: lit for itself, it is brighter than the vinyl here and darker there.

All lengths are pixels of a view in which the figure is about 512 pixels long.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Steps of ln(r/g), ln(b/g): below, light and noise make them; above, it is another material.
LEAST_STEP, LARGEST_STEP = 0.02, 0.6
_COARSE = 256
_FIRST_ROUNDS, _ROUNDS = 5, 12
_MOST_PIXELS = 4000
_AROUND = 2.6
_SPACING = 11.0
#: Weights of :func:`evidence`, the last one constant: logistic regression on drawn bodies (see
#: tests/bench/fade.py), the constant lowered since a photo shows things that were not drawn.
WEIGHTS = np.array(
    [0.95, 1.53, 1.02, -0.91, -0.86, -1.01, -2.46, -0.38, 1.12, -1.35, 2.91, 2.47, 1.2, -1.89, 0.54, -5.6]
)  # fmt: skip
_REACH = 17.0
_WIDTHS = (0.8, 2.0, 4.0)


@dataclass(frozen=True, slots=True)
class Division:
    """Vinyl divided in two colors, as a mixture of two levels under one smooth light.

    Attributes
    ----------
    one
        (H, W) the side with more red; the rest of the vinyl is the other.
    step
        (2,) ln(r/g), ln(b/g) of ``one`` minus the other, equal everywhere.
    sigma
        (2,) what one pixel strays from its level.
    gain
        How much better two levels explain the colors than one: mean log-likelihood a pixel.
    light
        (H, W, 2) what light alone does to ln(r/g), ln(b/g).
    """

    one: Mask
    step: Array
    sigma: Array
    gain: float
    light: Array


@dataclass(frozen=True, slots=True)
class Stretches:
    """Pieces of one line, measured each for itself.

    Attributes
    ----------
    step
        (K, 3) first side minus second side in ln(r/g), ln(b/g) and ln of brightness at the line.
    width
        Half width of the transition in pixels, the same for all.
    gain
        (K,) how much better a step explains color than a slope does: ln of the ratio of residuals.
    """

    step: Array
    width: float
    gain: Array

    def __len__(self) -> int:
        return len(self.step)


@dataclass(frozen=True, slots=True)
class Candidate:
    """A division with its line: ``border`` are the pixels of ``one`` that touch ``two``."""

    division: Division
    one: Mask
    two: Mask
    border: Mask
    stretches: Stretches
    clues: dict[str, float]

    @property
    def probability(self) -> float:
        """Probability that this is a clothing line, from the clues together.

        Islands (red knees, a stain, a hollow), a mere strip that kept less of its red (vinyl that a garment
        tints from close by) and what is lit for itself (a hand that holds the doll) are none, whatever else
        speaks for them.
        """
        z = WEIGHTS[-1] + float(np.dot(WEIGHTS[:-1], evidence(self.clues)))
        p = 1 / (1 + math.exp(-float(np.clip(z, -30, 30))))
        doubtful = self.clues["ends"] < 0.25 or self.clues["share"] > 0.9 or self.clues["crossed"] > 0.3
        return min(p, 0.4) if doubtful else p


def evidence(clues: Mapping[str, float]) -> Array:
    """Return the clues as numbers of like size that a weighted sum can use, in the order of ``WEIGHTS``.

    In turn: how far the two levels lie apart against their scatter; how much better two levels explain the
    colors; the step's share of less pink; a step of brightness that fading does not make; scatter within
    either side; whether the line runs along limbs rather than across; its length; whether its stretches show
    the same step and a step rather than a slope; whether it reaches the rim; which side is the thick of the
    body; whether the smaller side is an island, and how wide it is.
    """
    size = max(clues["size"], 1e-6)
    return np.array(
        [
            math.log(max(clues["contrast"], 0.5)),
            math.log(max(clues["level_gain"], 0.02)),
            clues["dr"] / size,
            min(5 * max(clues["dy"] - 0.05, -0.35 - clues["dy"], 0.0), 3.0),
            math.log(clues["loose_one"] + 0.02),
            math.log(clues["loose_two"] + 0.02),
            clues["runs_along"],
            math.log(clues["length"] + 0.1),
            clues["agree"],
            min(clues["spread"], 2.0),
            float(np.clip(clues["gain"], -0.5, 1.5)),
            clues["ends"],
            float(np.clip(clues["thick"], -1, 1)),
            clues["closed"],
            max(clues["fat"], -3.0),
        ]
    )


def features_of(linear: Array, sigma: float = 1.2) -> Array:
    """Return (H, W, 3) ln(r/g), ln(b/g) and ln of brightness of (H, W, 3) linear RGB, slightly smoothed."""
    smooth = cv2.GaussianBlur(linear, (0, 0), sigma) if sigma else linear
    log = np.log(np.maximum(smooth, 1.5e-3))
    return np.stack([log[..., 0] - log[..., 1], log[..., 2] - log[..., 1], log.mean(axis=2)], axis=-1)


def find(features: Array, vinyl: Mask, hint: Mask | None = None) -> list[Candidate]:
    """Return candidates of a clothing line, the one that explains the colors best first; four at most.

    Parameters
    ----------
    features
        (H, W, 3) of :func:`features_of`.
    vinyl
        (H, W) bare vinyl without its blurred rim, highlights and deep shade.
    hint
        (H, W) vinyl that something else takes for covered; tried as one more start.
    """
    if vinyl.sum() < 600:
        return []
    found: list[Candidate] = []
    for division in divide(features, vinyl, hint):
        if len(found) == 4:
            break
        if any(_same(division.one, c.division.one, vinyl) for c in found):
            continue
        candidate = assess(features, vinyl, division)
        if candidate is not None:
            found.append(candidate)
    return found


def _same(a: Mask, b: Mask, vinyl: Mask) -> bool:
    return float(((a ^ b) & vinyl).sum()) < 0.15 * min(float(a.sum()), float(b.sum())) + 1


# --- two levels under one light ------------------------------------------------------------------------


def divide(features: Array, vinyl: Mask, hint: Mask | None = None) -> list[Division]:
    """Divide vinyl in two colors in several ways, most explaining first.

    Color ratios are taken as what light does (a quadratic of brightness, since two lights, a tone curve and
    bounced light all bring color with brightness, and a slope over the picture, since a second lamp may stand
    to one side) plus one of two levels. Levels and light are fitted in turns, robustly, each pixel's level
    from its surroundings.
    """
    k = min(1.0, _COARSE / max(vinyl.shape))
    size = (max(8, round(vinyl.shape[1] * k)), max(8, round(vinyl.shape[0] * k)))
    mask = _heart(cv2.resize(vinyl.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.7)
    if mask.sum() < 200:
        return []
    coarse = smooth_within(_shrunk(features, vinyl, size), mask, 1.2)
    problem = _Mixture.of(coarse, mask)
    first = [problem.fit(start, _FIRST_ROUNDS) for start in _starts(coarse, mask, hint, size)]
    best = sorted((fit for fit in first if fit is not None), key=lambda fit: -fit.gain)
    kept: list[_Fit] = []
    for fit in best:
        if len(kept) < 5 and not any(_same(fit.one > 0.5, k.one > 0.5, mask) for k in kept):
            kept.append(fit)
    again = (problem.fit(k.one > 0.5, _ROUNDS) for k in kept)
    fits = sorted((fit for fit in again if fit is not None), key=lambda fit: -fit.gain)
    return [_enlarged(fit, problem, features, vinyl) for fit in fits]


def _heart(mask: Mask) -> Mask:
    """Return a mask without its rim, where bounced light, blur and thrifty color coding disturb.

    Limbs too thin to have an inside go with it, unless little else is left.
    """
    small = mask.astype(np.uint8)
    inner = cv2.erode(small, np.ones((7, 7), np.uint8)) > 0
    if inner.sum() > 0.4 * mask.sum():
        return inner
    inner = cv2.erode(small, np.ones((3, 3), np.uint8)) > 0
    return inner if inner.sum() > 0.5 * mask.sum() else mask


def _shrunk(features: Array, vinyl: Mask, size: tuple[int, int]) -> Array:
    weight = cv2.resize(vinyl.astype(np.float64), size, interpolation=cv2.INTER_AREA)
    total = cv2.resize(features * vinyl[..., None], size, interpolation=cv2.INTER_AREA)
    return np.asarray(total / np.maximum(weight, 1e-6)[..., None])


def _starts(coarse: Array, mask: Mask, hint: Mask | None, size: tuple[int, int]) -> Iterator[Mask]:
    """Yield first divisions: a hint, and levels of color less what brightness explains."""
    if hint is not None:
        known = cv2.resize(hint.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.5
        if (known & mask).sum() > 30:
            yield known & mask
    ys, xs = np.nonzero(mask)
    light = light_columns(coarse[ys, xs, 2], ys, xs, frame_of(coarse, mask))[:, :3]
    color = coarse[mask][:, :2]
    rest = np.zeros((*mask.shape, 2))
    rest[mask] = color - light @ robust_fit(light, color)
    smooth = smooth_within(rest, mask, 2.0)
    for way in ((1.0, 0.0), (0.8, -0.6), (0.8, 0.6)):
        along = smooth @ np.array(way)
        for share in (0.12, 0.3, 0.5, 0.7, 0.88):
            yield mask & (along > np.quantile(along[mask], share))


def frame_of(features: Array, mask: Mask) -> tuple[float, float, float, float]:
    """Return the typical brightness, the center (y, x) and the half extent of a mask."""
    ys, xs = np.nonzero(mask)
    half = math.hypot(np.ptp(ys), np.ptp(xs)) / 2 + 1
    return float(np.median(features[..., 2][mask])), float(ys.mean()), float(xs.mean()), half


def light_columns(
    brightness: Array, ys: NDArray[Any], xs: NDArray[Any], frame: tuple[float, float, float, float]
) -> Array:
    """Columns of what light may do to color: 1, brightness, its square, and place."""
    typical, middle_y, middle_x, half = frame
    t = np.clip(brightness - typical, -2.0, 1.5)
    return np.column_stack([np.ones(len(t)), t, t * t, (xs - middle_x) / half, (ys - middle_y) / half])


def robust_fit(columns: Array, values: Array, rounds: int = 5) -> Array:
    """Least squares that far values hardly bend (Cauchy weights)."""
    weight = np.ones(len(values))
    solution = np.zeros((columns.shape[1], values.shape[1]))
    for _ in range(rounds):
        solution = _weighted_fit(columns, values, weight)
        off = values - columns @ solution
        scale = np.maximum(1.4826 * np.median(np.abs(off), axis=0), 0.006)
        weight = 1 / (1 + np.square(off / scale).sum(axis=1) / 4)
    return solution


def _weighted_fit(columns: Array, values: Array, weight: Array) -> Array:
    """Weighted least squares on a few thousand of the rows."""
    every = max(1, len(values) // _MOST_PIXELS)
    root = np.sqrt(weight[::every])[:, None]
    solution = np.linalg.lstsq(columns[::every] * root, values[::every] * root, rcond=None)[0]
    return np.asarray(solution, np.float64)


def _coding(features: Array) -> Array:
    """Return (2,) what a JPEG's coarse levels of color do to ln(r/g) and ln(b/g).

    One level of Cr moves red by 1.402 and green by -0.714 codes, one of Cb blue by 1.772 and green by -0.344
    (ITU-T T.871); ln of light changes 2.2 times as much as ln of a code. Averages over whole blocks still
    keep some 0.4 of a level. Two such levels side by side are no clothing line.
    """
    a, b, y = np.median(features, axis=0)
    green = y - (a + b) / 3
    red_code, green_code, blue_code = 255 * np.exp(np.array([green + a, green, green + b]) / 2.2)
    levels = (
        0.4 * 2.2 * np.array([1.402 / red_code + 0.714 / green_code, 1.772 / blue_code + 0.344 / green_code])
    )
    return np.clip(levels, 0.007, 0.05)


@dataclass(frozen=True, slots=True)
class _Fit:
    """Two levels fitted: ``one`` is the (H, W) probability of the first level."""

    one: Array
    step: Array
    sigma: Array
    gain: float
    light: Array


@dataclass(frozen=True, slots=True)
class _Mixture:
    """The pixels of a coarse view, ready for fitting two levels."""

    mask: Mask
    frame: tuple[float, float, float, float]
    columns: Array
    color: Array
    single: Array
    around: NDArray[np.float32]
    floor: Array

    @classmethod
    def of(cls, coarse: Array, mask: Mask) -> _Mixture:
        """Gather what all fits share."""
        ys, xs = np.nonzero(mask)
        frame = frame_of(coarse, mask)
        columns = light_columns(coarse[ys, xs, 2], ys, xs, frame)
        color = coarse[ys, xs, :2]
        single = color - columns @ robust_fit(columns, color)
        around = np.maximum(cv2.GaussianBlur(mask.astype(np.float32), (0, 0), _AROUND), 1e-3)
        return cls(
            mask, frame, columns, color, single, np.asarray(around, np.float32), _coding(coarse[ys, xs])
        )

    def fit(self, start: Mask, rounds: int) -> _Fit | None:
        """Fit light and levels in turns; None when one level vanishes."""
        one, weight = start[self.mask].astype(float), np.ones(len(self.color))
        for _ in range(rounds):
            if not 0.012 < one.mean() < 0.988:
                return None
            solution = _weighted_fit(np.column_stack([self.columns, one]), self.color, weight)
            light, step = solution[:-1], solution[-1]
            off = self.color - self.columns @ light
            left = np.where(one[:, None] > 0.5, off - step, off)
            sigma = np.maximum(1.4826 * np.median(np.abs(left), axis=0), self.floor)
            far, near = (np.square(v / sigma).sum(axis=1) for v in (off, off - step))
            evidence = np.zeros(self.mask.shape, np.float32)
            evidence[self.mask] = np.clip((far - near) / 2, -6, 6)
            smooth = (cv2.GaussianBlur(evidence, (0, 0), _AROUND) / self.around)[self.mask]
            one = 1 / (1 + np.exp(-np.clip(2 * smooth, -30, 30)))
            misfit = np.minimum(far, near)
            weight = 1 / (1 + misfit / 4)
        alone = np.square(self.single / sigma).sum(axis=1)
        gain = float(np.mean(np.log1p(alone / 4)) - np.mean(np.log1p(misfit / 4)))
        share = np.zeros(self.mask.shape)
        share[self.mask] = one
        return _Fit(share, step, sigma, gain, light)


def _enlarged(fit: _Fit, problem: _Mixture, features: Array, vinyl: Mask) -> Division:
    """Bring a division to the size of the view; ``one`` becomes the redder side."""
    height, width = vinyl.shape
    k = fit.one.shape[1] / width
    ys, xs = np.mgrid[:height, :width]
    columns = light_columns(
        features[..., 2].ravel(), (ys.ravel() + 0.5) * k - 0.5, (xs.ravel() + 0.5) * k - 0.5, problem.frame
    )
    light = (columns @ fit.light).reshape(height, width, 2)
    off = features[..., :2] - light
    nearer = np.square((off - fit.step) / fit.sigma).sum(axis=2) < np.square(off / fit.sigma).sum(axis=2)
    # Near the rim the coarse picture knows no vinyl: there the nearest color decides.
    known = cv2.resize(problem.mask.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR) > 0.9
    grown = cv2.resize(fit.one, (width, height), interpolation=cv2.INTER_LINEAR) > 0.5
    one = np.where(known, grown, nearer) & vinyl
    if fit.step[0] < 0:
        return Division(vinyl & ~one, -fit.step, fit.sigma, fit.gain, light + fit.step)
    return Division(one, fit.step, fit.sigma, fit.gain, light)


def smooth_within(values: Array, mask: Mask, sigma: float) -> Array:
    """Blur (H, W, C) inside a mask only."""
    weight = cv2.GaussianBlur(mask.astype(np.float64), (0, 0), sigma)
    top = cv2.GaussianBlur(values * mask[..., None], (0, 0), sigma)
    return np.asarray(top / np.maximum(weight, 1e-6)[..., None])


def _cleaned(one: Mask, vinyl: Mask) -> tuple[Mask, Mask]:
    """Give islands on either side to the side that surrounds them."""
    least = max(0.012 * float(vinyl.sum()), 80.0)
    smooth = cv2.GaussianBlur(one.astype(np.float32), (0, 0), 2) / np.maximum(
        cv2.GaussianBlur(vinyl.astype(np.float32), (0, 0), 2), 1e-3
    )
    one = vinyl & (smooth > 0.5)
    for _ in range(2):
        for side, sign in ((one, False), (vinyl & ~one, True)):
            count, labels, stats, _ = cv2.connectedComponentsWithStats(side.astype(np.uint8), connectivity=4)
            small = 1 + np.flatnonzero(stats[1:, cv2.CC_STAT_AREA] < least)
            if count > 1 and len(small):
                one = np.where(np.isin(labels, small), sign, one)
    one = one & vinyl
    return one, vinyl & ~one


# --- one candidate -------------------------------------------------------------------------------------


def assess(features: Array, vinyl: Mask, division: Division) -> Candidate | None:
    """Measure the line of a division in stretches and gather what speaks for a clothing line."""
    if not LEAST_STEP < float(np.hypot(*division.step)) < LARGEST_STEP:
        return None
    one, two = _cleaned(division.one, vinyl)
    if min(one.sum(), two.sum()) < max(0.012 * float(vinyl.sum()), 120):
        return None
    signed = _signed_distance(one, two)
    border = _border(one, two)
    if border.sum() < 15:
        return None
    freed = features.copy()
    freed[..., :2] -= division.light
    stretches = _measure_stretches(freed, vinyl, signed, border)
    if stretches is None:
        return None
    clues = _clues(stretches, division, one, two, vinyl, border, freed)
    return Candidate(division, one, two, border, stretches, clues)


def _signed_distance(one: Mask, two: Mask) -> Array:
    """Distance in pixels from the line: positive in ``one``, negative in ``two``."""
    to_one, to_two = (cv2.distanceTransform((~m).astype(np.uint8), cv2.DIST_L2, 5) for m in (one, two))
    return np.where(one, to_two - 0.5, np.where(two, 0.5 - to_one, 0.0)).astype(np.float64)


def _border(one: Mask, two: Mask) -> Mask:
    """Pixels of ``one`` that touch ``two``."""
    return one & (cv2.dilate(two.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)


def _measure_stretches(features: Array, vinyl: Mask, signed: Array, border: Mask) -> Stretches | None:
    """Fit every stretch of a line; all share the width that fits them best together."""
    seeds = _seeds(border)
    ys, xs = np.nonzero(vinyl & (np.abs(signed) < _REACH))
    if len(ys) < 60:
        return None
    distance = np.hypot(xs[:, None] - seeds[None, :, 0], ys[:, None] - seeds[None, :, 1])
    nearest = distance.argmin(axis=1)
    close = distance[np.arange(len(ys)), nearest] < _REACH + 2
    pieces = []
    for k, seed in enumerate(seeds):
        here = (nearest == k) & close
        y, x = ys[here], xs[here]
        n = signed[y, x]
        if min((n > 2).sum(), (n < -2).sum()) >= 15:
            pieces.append((features[y, x], n, (x - seed[0]) / _REACH, (y - seed[1]) / _REACH))
    if len(pieces) < 2:
        return None
    fits = {w: [_fit_stretch(f, n, x, y, w) for f, n, x, y in pieces] for w in _WIDTHS}
    width = min(_WIDTHS, key=lambda w: float(np.median([row[2] for row in fits[w]])))
    step, gain, _ = (np.array(v, float) for v in zip(*fits[width], strict=True))
    return Stretches(step, width, gain)


def _seeds(border: Mask) -> Array:
    """Points about evenly spaced along a border, (K, 2) of x and y."""
    ys, xs = np.nonzero(border)
    points = np.column_stack([xs, ys]).astype(float)
    seeds: list[Array] = []
    left = np.ones(len(points), bool)
    while left.any() and len(seeds) < 90:
        seed = points[np.argmax(left)]
        seeds.append(seed)
        left &= np.hypot(*(points - seed).T) > _SPACING
    return np.array(seeds)


def _fit_stretch(f: Array, n: Array, x: Array, y: Array, width: float) -> tuple[Array, float, float]:
    """Compare both sides of one stretch; fit a step on a slope, and a curved slope without a step.

    Returns
    -------
    The (3,) step, ln of how much better the step explains color, and what is left of color.
    """
    plane = np.column_stack([np.ones(len(n)), x, y])
    bent = np.column_stack([plane, x * x, x * y, y * y])
    rise = 0.5 * np.tanh(n / (2 * width))
    without = _residual(bent, f[:, :2])
    left = _residual(np.column_stack([rise, plane]), f[:, :2])
    color = np.median(f[n > 2, :2], axis=0) - np.median(f[n < -2, :2], axis=0)
    brightness = _robust(np.column_stack([rise, bent]), f[:, 2:])[0]
    gain = math.log(max(without, 1e-9) / max(left, 1e-9))
    return np.append(color, brightness), gain, left


def _residual(columns: Array, f: Array) -> float:
    solution = np.linalg.lstsq(columns, f, rcond=None)[0]
    return float(np.mean(np.square(f - columns @ solution)))


def _robust(columns: Array, f: Array) -> Array:
    """Least squares of each channel with the worst pixels left out."""
    solution = np.linalg.lstsq(columns, f, rcond=None)[0]
    for _ in range(2):
        for k in range(f.shape[1]):
            off = np.abs(f[:, k] - columns @ solution[:, k])
            keep = off < 3 * max(1.4826 * float(np.median(off)), 0.004)
            solution[:, k] = np.linalg.lstsq(columns[keep], f[keep, k], rcond=None)[0]
    return np.asarray(solution, np.float64)


# --- clues ---------------------------------------------------------------------------------------------


def _clues(
    s: Stretches, division: Division, one: Mask, two: Mask, vinyl: Mask, border: Mask, freed: Array
) -> dict[str, float]:
    """Return plain numbers that speak for or against a clothing line; see :func:`evidence`."""
    size = float(np.hypot(*division.step))
    way = division.step / size
    along = s.step[:, :2] @ way / size
    depth = _depth(vinyl)
    smaller = one if one.sum() < two.sum() else two
    loose = [
        float(np.median(np.abs((freed[side][:, :2] - level) @ way))) / size
        for side, level in ((one, division.step), (two, np.zeros(2)))
    ]
    return {
        "size": size,
        "dr": float(division.step[0]),
        "dy": float(np.median(s.step[:, 2])),
        "crossed": float(min(-np.quantile(s.step[:, 2], 0.2), np.quantile(s.step[:, 2], 0.8))),
        "contrast": float(np.hypot(*(division.step / division.sigma))),
        "level_gain": division.gain,
        "share": float(one.sum()) / float(vinyl.sum()),
        "length": float(border.sum()) / math.sqrt(float(vinyl.sum())),
        "agree": float(np.mean((along > 0.4) & (along < 1.8))),
        "spread": 1.4826 * float(np.median(np.abs(along - np.median(along)))),
        "gain": float(np.median(s.gain)),
        "loose_one": loose[0],
        "loose_two": loose[1],
        "thick": math.log(float(depth[one].mean()) / float(depth[two].mean())),
        "ends": _ends(border, vinyl),
        "closed": _closed(smaller, border),
        "fat": math.log(max(_widest(smaller), 0.5) / float(depth.max())),
        "runs_along": _runs_along(one, two, vinyl, border),
    }


def _ends(border: Mask, vinyl: Mask) -> float:
    """Return how much of the border's pieces (by length) reach the rim of the vinyl at two places."""
    whole = cv2.morphologyEx(vinyl.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
    rim = cv2.dilate(1 - whole, np.ones((5, 5), np.uint8))
    thick = cv2.dilate(border.astype(np.uint8), np.ones((3, 3), np.uint8))
    count, labels = cv2.connectedComponents(thick, connectivity=8)
    total = reached = 0.0
    for k in range(1, count):
        piece = labels == k
        length = float((piece & border).sum())
        touching = cv2.connectedComponents((piece & (rim > 0)).astype(np.uint8), connectivity=8)[0] - 1
        total += length
        reached += length * (min(touching, 2) / 2)
    return reached / max(total, 1.0)


def _depth(mask: Mask) -> Array:
    """Distance to the outline of a mask, in pixels; the edge of the picture is none. 0 outside."""
    wider = cv2.copyMakeBorder(mask.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_REPLICATE)
    # A mask without any outline is infinitely deep for OpenCV.
    depth = np.minimum(cv2.distanceTransform(wider, cv2.DIST_L2, 5), max(mask.shape))
    return np.asarray(depth[1:-1, 1:-1], np.float64)


def _widest(side: Mask) -> float:
    """Return the radius of the largest disk inside a side, in pixels."""
    return float(_depth(side).max())


def _closed(smaller: Mask, border: Mask) -> float:
    """Return the share of a side's outline that is border: all of an island's, half of a belt's."""
    outline = smaller & (cv2.erode(smaller.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0)
    near = cv2.dilate(border.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    return float(near[outline].mean()) if outline.any() else 1.0


def _runs_along(one: Mask, two: Mask, vinyl: Mask, border: Mask) -> float:
    """Return 0–1: how far color changes in the direction in which the distance from the outline does."""
    depth = _depth(vinyl)
    signed = np.clip(_signed_distance(one, two), -12, 12)
    near = cv2.dilate(border.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    ax, ay = _slope_of(signed)
    bx, by = _slope_of(depth)
    weight = (np.hypot(ax, ay) * np.hypot(bx, by))[near]
    agree = (ax * bx + ay * by)[near] / np.maximum(weight, 1e-9)
    return float((weight * agree**2).sum() / max(weight.sum(), 1e-9))


def _slope_of(values: Array) -> tuple[Array, Array]:
    smooth = cv2.GaussianBlur(values, (0, 0), 2)
    return np.gradient(smooth, axis=1), np.gradient(smooth, axis=0)
