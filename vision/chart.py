"""The 24-patch color chart: found, proven to be one, and fitted.

A finder only proposes places. What makes a place a chart is that its 24 patches, in one of the eight ways
a 6 by 4 grid can lie, agree with the published values after a small and well-behaved correction. Charts of
other makers fail that test and are refused.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import follow, undo_tone
from vision.chart_blurred import candidates as by_colors
from vision.chart_grid import COLUMNS, ROWS, candidates, pitch_of, project
from vision.color import delta_e_2000, linear_to_lab, luminance, srgb_to_linear, xyz_to_linear
from vision.photo import shrunk

Array = NDArray[np.float64]

#: CIELAB under D50 (2°), the edition for charts made after November 2014, row by row from "dark skin";
#: the last row is the gray scale from white to black. The maker's published averages, as tabulated in
#: colour-science 0.4.7 ("ColorChecker24 - After November 2014"). The edition before differs by 0.85 ΔE00
#: on average and 1.95 at most; a chart of that edition adds that much to the residual.
CHART_LAB_D50: Array = np.array(
    [
        [37.54, 14.37, 14.92],
        [64.66, 19.27, 17.50],
        [49.32, -3.82, -22.54],
        [43.46, -12.74, 22.72],
        [54.94, 9.61, -24.79],
        [70.48, -32.26, -0.37],
        [62.73, 35.83, 56.50],
        [39.43, 10.75, -45.17],
        [50.57, 48.64, 16.67],
        [30.10, 22.54, -20.87],
        [71.77, -24.13, 58.19],
        [71.51, 18.24, 67.37],
        [28.37, 15.42, -49.80],
        [54.38, -39.72, 32.27],
        [42.43, 51.05, 28.62],
        [81.80, 2.67, 80.41],
        [50.63, 51.28, -14.12],
        [49.57, -29.71, -28.32],
        [95.19, -1.03, 2.93],
        [81.29, -0.57, 0.44],
        [66.89, -0.75, -0.06],
        [50.76, -0.13, 0.14],
        [35.63, -0.46, -0.48],
        [20.64, 0.07, -0.46],
    ]
)
EDITION = "24-patch chart, values after November 2014"

_D50: Array = np.array([0.96422, 1.0, 0.82521])
#: XYZ under D50 to XYZ under D65 (Lam 1985; matrix as computed by colour-science 0.4.7).
BRADFORD_D50_D65: Array = np.array(
    [[0.95547, -0.02310, 0.06326], [-0.02837, 1.01000, 0.02104], [0.01231, -0.02051, 1.33037]]
)

#: Patches narrower than this are refused: blur, demosaicing and JPEG chroma subsampling mix neighbors.
MIN_PITCH_PX = 8.5
#: Long side of the view in which a chart is told by the order of its colors.
_VIEW = 900


def reference_linear() -> Array:
    """Return the chart's (24, 3) linear sRGB under D65 (Bradford-adapted from D50); may leave [0, 1]."""
    fy = (CHART_LAB_D50[:, 0] + 16) / 116
    f = np.stack([fy + CHART_LAB_D50[:, 1] / 500, fy, fy - CHART_LAB_D50[:, 2] / 200], axis=1)
    xyz = np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29)) * _D50
    return xyz_to_linear(xyz @ BRADFORD_D50_D65.T)


@dataclass(frozen=True, slots=True)
class ChartFit:
    """A chart that passed, and what it says about the photo.

    Attributes
    ----------
    corners
        (4, 2) outline of the patch grid, pixels of the photo, starting at the "dark skin" corner and going
        along its row.
    pitch_px
        Distance between neighboring patches as photographed, the geometric mean of both directions.
    neutral_rgb
        Linear RGB of a neutral surface relative to green = 1.
    u_log_neutral
        (2,) standard uncertainty of ln(r/g) and ln(b/g) from the scatter of the gray patches.
    exposure
        Factor from white-balanced linear RGB to reflectance.
    matrix
        (3, 3) correction after white balance; its rows sum to 1, so that neutrals stay neutral.
    tone
        (2, 6) tone curve for :func:`undo_tone`.
    haze
        (3,) linear RGB of flare and gloss of the lamp's color, to be taken off before the tone curve.
    residual
        (24,) ΔE00 left on each patch; NaN where a patch was clipped.
    shade
        (24,) ln of each patch's light relative to the chart's mean.
    flags
        ``"clipped_channel"``, ``"partly_shaded"``, ``"mixed_light"``, ``"reflection"``, ``"small"``.
    """

    corners: Array
    pitch_px: float
    neutral_rgb: tuple[float, float, float]
    u_log_neutral: tuple[float, float]
    exposure: float
    matrix: Array
    tone: Array
    haze: Array
    residual: Array
    shade: Array
    flags: tuple[str, ...] = ()

    @property
    def residual_mean(self) -> float:
        """Mean ΔE00 over the patches that were not clipped."""
        return float(np.nanmean(self.residual))

    @property
    def residual_max(self) -> float:
        """Worst ΔE00 over the patches that were not clipped."""
        return float(np.nanmax(self.residual))


@dataclass(frozen=True, slots=True)
class ChartSearch:
    """What the search came to: a fit, or the plain reasons why candidates were refused."""

    fit: ChartFit | None = None
    refused: tuple[str, ...] = ()
    grids: tuple[Array, ...] = ()  # (4, 2) corners of refused grids of patches


@dataclass(frozen=True, slots=True)
class _Patches:
    """Samples of a 6 by 4 grid in reading order of the grid as it lies."""

    linear: Array  # (24, 3)
    spread: Array  # (24,) relative standard deviation inside the patch
    clipped: NDArray[np.bool_]  # (24,)


# --- sampling ------------------------------------------------------------------------------------------


def _sample(rgb: NDArray[np.uint8], homography: Array) -> _Patches:
    """Read the inner part of each patch in linear light."""
    cell = int(np.clip(2 * pitch_of(homography) // 2, 8, 40))
    scale = np.array([[1 / cell, 0, -0.5 + 0.5 / cell], [0, 1 / cell, -0.5 + 0.5 / cell], [0, 0, 1]])
    size = (COLUMNS * cell, ROWS * cell)
    flat = cv2.warpPerspective(
        rgb,
        homography @ scale,
        size,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    inner = slice(round(0.3 * cell), max(round(0.7 * cell), round(0.3 * cell) + 1))
    grid = flat.reshape(ROWS, cell, COLUMNS, cell, 3).swapaxes(1, 2)[:, :, inner, inner]
    pixels = grid.reshape(24, -1, 3)
    linear = srgb_to_linear(pixels)
    mean = linear.mean(axis=1)
    spread = linear.std(axis=1).mean(axis=1) / np.maximum(mean.mean(axis=1), 0.01)
    clipped = (pixels >= 253).any(axis=2).mean(axis=1) > 0.02
    return _Patches(mean, spread, clipped)


# --- fitting -------------------------------------------------------------------------------------------

#: The order of patches in each of the eight ways a 6 by 4 grid can lie (four of them mirrored).
_TURNS: tuple[NDArray[np.int_], ...] = tuple(
    np.arange(24).reshape(ROWS, COLUMNS)[::up, ::along].ravel() for up in (1, -1) for along in (1, -1)
)
_CELLS: Array = np.array([[x, y] for y in range(ROWS) for x in range(COLUMNS)], float)

#: A chart is accepted up to this mean ΔE00 after the fit. Real charts, old or new edition, through phone
#: processing stay below it; grids of other colors do not come near it under a fit this stiff.
MAX_RESIDUAL_MEAN = 6.0
_STIFFNESS = 0.15


#: Least correlation of a grid's ln(r/g), ln(b/g) with the published ones for a fit to be tried at all.
#: Charts, real ones under any processing, reach 0.9; other grids, in the best way to lie, seldom 0.65.
_LEAST_LIKE = 0.75


def _likeness(linear: Array, reference: Array, usable: NDArray[np.bool_]) -> float:
    """Return the correlation of both color ratios with the reference's, blind to light and shade."""
    ratios = []
    for colors in (linear, reference):
        log = np.log(np.maximum(colors[usable], 2e-3))
        ratio = log[:, [0, 2]] - log[:, 1:2]
        ratios.append(ratio - np.median(ratio, axis=0))
    seen, known = ratios
    size = float(np.sqrt((seen**2).sum() * (known**2).sum()))
    return float((seen * known).sum()) / size if size > 1e-9 else 0.0


def _hats(x: Array, nodes: Array) -> Array:
    """Return the (N, K) weights of piecewise linear interpolation, extended straight past the ends."""
    k = np.clip(np.searchsorted(nodes, x) - 1, 0, len(nodes) - 2)
    t = (x - nodes[k]) / (nodes[k + 1] - nodes[k])
    weights = np.zeros((len(x), len(nodes)))
    rows = np.arange(len(x))
    weights[rows, k], weights[rows, k + 1] = 1 - t, t
    return weights


def _tone(
    linear: Array, reference: Array, usable: NDArray[np.bool_], cells: Array
) -> tuple[Array, Array, Array]:
    """Return the photo's tone curve, ln of each channel's light, and ln of the light on each patch.

    Phone photos are not linear after the sRGB curve is taken off: a shoulder and a toe remain. The model is
    ln m = T(ln reference + ln light of the channel) + light gradient over the chart, T being piecewise linear
    through the six gray steps with its bends held down, so that a gradient along the gray row, which the
    colored patches above do not follow, is not taken for a curve.

    Returns
    -------
    nodes
        (2, 6): ln of true relative light, ln of linear RGB as photographed; both increase.
    light
        (3,) ln of each channel's light.
    gradient
        (24,) ln of the smoothly varying light on each patch relative to the middle of the chart.
    """
    grey = np.arange(18, 24)[usable[18:]]
    seen = np.log(np.maximum(linear, 1e-4))
    seen_luminance = seen.mean(axis=1)
    known = np.log(np.maximum(reference.mean(axis=1), 0.01))
    place = cells - cells.mean(axis=0)
    light = np.median(seen[grey] - known[grey, None], axis=0)
    bends = np.diff(np.eye(6), 2, axis=0)
    slopes = np.diff(np.eye(6), axis=0)
    for _ in range(4):
        nodes = np.sort(known[18:]) + light.mean()
        x = np.concatenate([known + light.mean(), *(known[grey] + light[c] for c in range(3))])
        y = np.concatenate([seen_luminance, *(seen[grey, c] for c in range(3))])
        where = np.concatenate([place, *(place[grey] for _ in range(3))])
        base = np.concatenate([0.5 * usable * (np.arange(24) < 18), np.full(3 * len(grey), 1.0)])
        columns = np.hstack([_hats(x, nodes), where])
        prior = np.zeros((4 + 5 + 2 + 1, 8))
        prior[:4, :6] = 0.35 * bends / np.diff(nodes)[:4, None]
        prior[4:9, :6] = 0.15 * slopes / np.diff(nodes)[:, None]
        prior[9, 6] = prior[10, 7] = 1.0
        prior[11, 4] = 1.0
        aim = np.concatenate([np.zeros(4), np.full(5, 0.15), np.zeros(2), nodes[4:5]])
        w = base.copy()
        for _ in range(5):
            solution, *_ = np.linalg.lstsq(
                np.vstack([columns * w[:, None], prior]), np.concatenate([y * w, aim]), rcond=None
            )
            rest = y - columns @ solution
            scale = max(1.4826 * float(np.median(np.abs(rest[base > 0]))), 0.03)
            w = base / np.sqrt(1 + (rest / (2 * scale)) ** 2)
        steps = np.clip(np.diff(solution[:6]) / np.diff(nodes), 0.35, 2.5) * np.diff(nodes)
        curve = solution[4] + np.concatenate([[0], np.cumsum(steps)]) - steps[:4].sum()
        straight = follow(curve, nodes, seen - (place @ solution[6:])[:, None])
        light = np.median(straight[grey] - known[grey, None], axis=0)
    return np.stack([nodes, curve]), light, place @ solution[6:]


def _haze(grey: Array, known: Array) -> tuple[Array, Array]:
    """Return the light that lies over the chart: gloss, sky or room mirrored in its surface, lens flare.

    Gray patches, (N, 3) as photographed against (N,) as published, lie on a straight line in each channel.
    Where it does not start at 0, light was added. A curve that darkens shadows makes all three start below 0;
    then only what they differ by counts as added.

    Returns
    -------
    (3,) linear RGB of the added light, 0 where it is within noise, and (3,) which share of it has the lamp's
    color.
    """
    if len(grey) < 4:
        return np.zeros(3), np.zeros(3)
    slope, offset = np.polyfit(known, grey, 1, w=1 / (grey[:, 1] + 0.02))
    over = offset / slope - min(0.0, float((offset / slope).min()))
    if slope.min() < 0.05 or over.max() < 0.004:
        return np.zeros(3), np.zeros(3)
    return np.minimum(slope * over, 0.8 * grey.min(axis=0)), over.min() / np.maximum(over, 1e-9)


def _stiff_matrix(balanced: Array, reference: Array, weight: Array) -> Array:
    """Return the (3, 3) matrix nearest to identity that maps ``balanced`` to ``reference``; rows sum to 1."""
    known = balanced @ _CHROMA_BASIS.T
    matrix = np.eye(3)
    for row in range(3):
        a = np.vstack([known * weight[:, None], _STIFFNESS * np.eye(2)])
        b = np.concatenate([(reference[:, row] - balanced[:, row]) * weight, np.zeros(2)])
        matrix[row] += np.linalg.lstsq(a, b, rcond=None)[0] @ _CHROMA_BASIS
    return matrix


@dataclass(frozen=True, slots=True)
class _Correction:
    """From patches as photographed to their colors under D65."""

    haze: Array  # (3,)
    tone: Array  # (2, 6)
    shade: Array  # (24,)
    neutral: Array  # (3,)
    exposure: float
    matrix: Array  # (3, 3)

    def apply(self, raw: Array) -> Array:
        linear = undo_tone(np.maximum(raw - self.haze, 1e-3), self.tone)
        return linear / np.exp(self.shade)[:, None] / self.neutral * self.exposure @ self.matrix.T


_CHROMA_BASIS: Array = np.array([[1, -1, 0], [1, 1, -2]], float) / np.sqrt([[2], [6]])


def _moved(start: _Correction, step: Array, place: Array) -> _Correction:
    """Return the correction moved by 18 numbers: tone 6, neutral 2, exposure 1, light 2, matrix 6, haze 1."""
    curve = np.maximum.accumulate(start.tone[1] + step[:6]) + 1e-3 * np.arange(6)
    return _Correction(
        start.haze * np.exp(step[17]),
        np.stack([start.tone[0], curve]),
        start.shade + place @ step[9:11],
        start.neutral * np.exp([step[6], 0.0, step[7]]),
        start.exposure * float(np.exp(step[8])),
        start.matrix + step[11:17].reshape(3, 2) @ _CHROMA_BASIS,
    )


def _polished(
    start: _Correction, raw: Array, reference: Array, usable: NDArray[np.bool_], cells: Array
) -> _Correction:
    """Refine all parts of the correction together, by perceived color error, each held near its start.

    The scales of the priors say how far each part may reasonably move: they keep the correction tame
    outside the chart's colors, which 24 patches alone would not.
    """
    from scipy.optimize import least_squares

    place = cells - cells.mean(axis=0)
    goal = linear_to_lab(reference)
    chroma = np.hypot(goal[:, 1], goal[:, 2])[:, None]
    weight = usable[:, None] * np.hstack([np.ones((24, 1)), 1 / (1 + 0.045 * np.tile(chroma, 2))])
    scale = np.repeat([0.15, 0.04, 0.3, 0.03, 0.15, 0.3], [6, 2, 1, 2, 6, 1])
    identity = np.zeros(18)
    identity[11:17] = -((start.matrix - np.eye(3)) @ _CHROMA_BASIS.T).ravel()

    def misfit(step: Array) -> Array:
        lab = linear_to_lab(_moved(start, step, place).apply(raw))
        return np.concatenate([((lab - goal) * weight).ravel(), (step - identity) / scale])

    found = least_squares(misfit, np.zeros(18), loss="soft_l1", f_scale=3.0, max_nfev=12)
    return _moved(start, found.x, place)


def _fit_as(patches: _Patches, turn: NDArray[np.int_], homography: Array) -> ChartFit | None:
    """Fit the correction with the grid lying as ``turn`` says; None when too little is usable."""
    reference = reference_linear()
    raw, clipped = patches.linear[turn], patches.clipped[turn]
    cells = _CELLS[turn]
    usable = ~clipped & (raw.max(axis=1) > 2e-3)
    grey = np.zeros(24, bool)
    grey[18:23] = True
    grey &= usable & (raw.min(axis=1) > 1e-3)
    if usable.sum() < 15 or grey.sum() < 3:
        return None

    haze, of_lamp = _haze(raw[18:][usable[18:]], reference[18:, 1][usable[18:]])
    raw = np.maximum(raw - haze, 1e-3)
    nodes, light, gradient = _tone(raw, reference, usable, cells)
    linear = undo_tone(raw, nodes)
    brightness = np.log(luminance(linear / np.exp(light)) / luminance(reference))
    rest = brightness - gradient
    shaded = bool(_steps(rest[usable]) > 0.5)
    shade = brightness if shaded else gradient
    lit = usable & (shade > np.median(shade[usable]) - 0.35)
    flat = linear / np.exp(shade - np.median(shade[usable]))[:, None]

    neutral_from = grey & lit if (grey & lit).sum() >= 2 else grey
    ratios = np.log(linear[neutral_from] / reference[neutral_from])
    weight = np.sqrt(np.clip(linear[neutral_from].mean(axis=1), 0.01, 0.5))
    cast = np.average(ratios - ratios[:, 1:2], axis=0, weights=weight)
    scatter = (ratios - ratios[:, 1:2])[:, [0, 2]].std(axis=0) / np.sqrt(max(len(ratios) - 1, 1))
    neutral = np.exp(cast)

    exposure = np.exp(-np.median(np.log((flat[grey] / neutral).mean(axis=1) / reference[grey].mean(axis=1))))
    balanced = flat / neutral * exposure
    start = _Correction(
        haze, nodes, shade - np.median(shade[usable]), neutral, float(exposure),
        _stiff_matrix(balanced, reference, usable / (np.abs(reference).max(axis=1) + 0.08)),
    )  # fmt: skip
    correction = _polished(start, patches.linear[turn], reference, usable, cells)
    corrected = linear_to_lab(correction.apply(patches.linear[turn]))
    residual = np.where(usable, delta_e_2000(corrected, linear_to_lab(reference)), np.nan)

    flags = []
    if clipped.any():
        flags.append("clipped_channel")
    if shaded or float(np.ptp(gradient)) > 0.6:
        flags.append("partly_shaded")
    if _light_differs(linear, reference, grey, shade):
        flags.append("mixed_light")
    if (haze * (1 - of_lamp)).max() > 0.004 or _reflects(patches.spread[turn], residual, shade, usable):
        flags.append("reflection")
    pitch = pitch_of(homography)
    if pitch < 1.6 * MIN_PITCH_PX:
        flags.append("small")
    corners = project(homography, _outline(turn))
    return ChartFit(
        corners=corners,
        pitch_px=pitch,
        neutral_rgb=(float(correction.neutral[0]), 1.0, float(correction.neutral[2])),
        u_log_neutral=(float(scatter[0]), float(scatter[1])),
        exposure=correction.exposure,
        matrix=correction.matrix,
        tone=correction.tone,
        haze=correction.haze * of_lamp,
        residual=residual,
        shade=shade,
        flags=tuple(flags),
    )


def _steps(values: Array) -> float:
    """Return the gap between the means of the two best-split halves of ``values``: a cast shadow's depth.

    0 unless both halves hold four patches and lie clearly apart.
    """
    v = np.sort(values)
    best = 0.0
    for k in range(4, len(v) - 3):
        low, high = v[:k], v[k:]
        within = float(np.sqrt((low.var() * len(low) + high.var() * len(high)) / len(v)))
        gap = float(high.mean() - low.mean())
        if gap > 4 * within:
            best = max(best, gap)
    return best


def _light_differs(linear: Array, reference: Array, grey: NDArray[np.bool_], shade: Array) -> bool:
    """Tell whether the gray patches disagree on the light's color beyond what flare explains."""
    if grey.sum() < 3:
        return False
    ratios = np.log(linear[grey] / reference[grey])
    tint = (ratios - ratios[:, 1:2])[:, [0, 2]]
    return bool(np.ptp(tint, axis=0).max() > 0.15)


def _reflects(spread: Array, residual: Array, shade: Array, usable: NDArray[np.bool_]) -> bool:
    """Tell whether some patch is brighter than the light allows and wrong or uneven with it: a reflection."""
    odd = (
        usable & (shade > np.median(shade[usable]) + 0.35) & ((spread > 0.12) | (np.nan_to_num(residual) > 8))
    )
    return bool(odd.any())


def _outline(turn: NDArray[np.int_]) -> Array:
    """Return the (4, 2) grid corners in grid coordinates, starting at the reference's first patch."""
    first, along, last, down = (_CELLS[turn[i]] for i in (0, 5, 23, 18))
    middle = np.array([2.5, 1.5])
    return np.array([c + 0.42 * np.sign(c - middle) for c in (first, along, last, down)])


_CLIPPED = "A color chart may be in view, but most of its patches are clipped or black."


def _judge(rgb: NDArray[np.uint8], homography: Array) -> tuple[ChartFit | None, str]:
    """Prove or refuse one candidate grid; the text says why it was refused."""
    pitch = pitch_of(homography)
    patches = _sample(rgb, homography)
    usable = ~patches.clipped & (patches.linear.max(axis=1) > 2e-3)
    if usable.sum() < 15:
        return None, _CLIPPED
    reference = reference_linear()
    likeness = [_likeness(patches.linear[turn], reference, usable[turn]) for turn in _TURNS]
    ranked = np.argsort(likeness)[::-1]
    if likeness[ranked[0]] < _LEAST_LIKE:
        return None, (
            "A grid of patches was found, but its colors do not fit the published values; it is not used."
        )
    fits = [fit for k in ranked[:2] if (fit := _fit_as(patches, _TURNS[k], homography)) is not None]
    if not fits:
        return None, _CLIPPED
    fits.sort(key=lambda fit: fit.residual_mean)
    best = fits[0]
    if pitch < MIN_PITCH_PX and best.residual_mean < 2 * MAX_RESIDUAL_MEAN:
        return None, (
            f"A color chart was found, but its patches are {pitch:.0f} px apart, too small to read; "
            "photograph it closer."
        )
    if best.residual_mean > MAX_RESIDUAL_MEAN:
        return None, (
            "A grid of patches was found, but its colors do not fit the published values "
            f"(mean ΔE00 {best.residual_mean:.1f}); it is not used."
        )
    if len(fits) > 1 and fits[1].residual_mean < 1.3 * best.residual_mean:
        return None, "A grid of patches was found, but not which way up it lies; it is not used."
    if np.abs(best.matrix - np.eye(3)).max() > 0.9:
        return None, "A color chart was found, but only an extreme correction would fit it; it is not used."
    return best, ""


# --- the search ----------------------------------------------------------------------------------------


def find_chart(rgb: NDArray[np.uint8]) -> ChartSearch:
    """Find the classic 24-patch chart, prove it by its colors and fit the correction.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8 sRGB.

    Returns
    -------
    ChartSearch
        With the best-fitting chart, or with the plain reasons why candidates were refused. Patches closer
        than :data:`MIN_PITCH_PX` and fits above :data:`MAX_RESIDUAL_MEAN` are refused.
    """
    refused: list[str] = []
    grids: list[Array] = []
    best: ChartFit | None = None
    for homography in itertools.chain(candidates(rgb), _by_colors(rgb)):
        fit, why = _judge(rgb, homography)
        if fit is None:
            refused.append(why)
            grids.append(project(homography, _outline(_TURNS[0])))
        elif best is None or fit.residual_mean < best.residual_mean:
            best = fit
        if best is not None and best.residual_mean < 3.0:
            break
    if best is not None:
        return ChartSearch(best)
    return ChartSearch(None, _worth_saying(refused), tuple(grids))


def _by_colors(rgb: NDArray[np.uint8]) -> Iterator[Array]:
    """Yield grids that the order of colors shows, in pixels of ``rgb``."""
    scale = min(1.0, _VIEW / max(rgb.shape[:2]))
    view = shrunk(rgb, (round(rgb.shape[1] * scale), round(rgb.shape[0] * scale))) if scale < 1 else rgb
    half = 0.5 / scale - 0.5
    up = np.array([[1 / scale, 0, half], [0, 1 / scale, half], [0, 0, 1.0]])
    for homography in by_colors(view, reference_linear()):
        yield up @ homography


def _worth_saying(refused: list[str]) -> tuple[str, ...]:
    """Return each kind of refusal once: printed cloth and tiles give dozens of grids."""
    kinds: dict[str, str] = {}
    for why in refused:
        kinds.setdefault(why.split(",", maxsplit=1)[0], why)
    return tuple(kinds.values())
