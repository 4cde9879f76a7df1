"""The painted eye: where white, iris, pupil and the band above the eye are. Shared by liner and iris.

Everything is judged against the skin and the white of the same eye, so that a colored light cancels: paint
differs from skin by its ratio to skin, whatever the white balance did. The model's eye outline only says
where to begin; a doll's painted eye is often far larger. How far it reaches a network sees better than the
white tells, which highlights lengthen and shadows and broad irises cut short; its edges come from the pixels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.polynomial.polynomial import polyfit, polyval
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.color import linear_to_lab
from vision.face_view import FaceView, blurred
from vision.locate.places import FacePlace, Polygon

#: How far white paint differs from skin at the least, in multiples of the skin's unrest; the second where a
#: network surely sees an eye (gloss, liner and hair count as unrest, and pale skin is nearly white).
CONTRAST, CONTRAST_SEEN = 2.2, 1.4

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Reflectance assumed for white eye paint, and the relative uncertainty of that (from memory).
WHITE_REFLECTANCE = 0.80
U_WHITE_REFLECTANCE = 0.12

#: Standard uncertainty in ΔE of taking the eye white for neutral: old paint yellows.
U_WHITE_NEUTRAL = 4.5

#: How much cooler than the eye's white (logarithm of blue ÷ red) is paint of another color.
COOLER = 0.3

#: The strip above the eye: samples along the rim, and its reach below and above it in face widths.
STRIP_COLUMNS = 160
STRIP_BELOW = 0.03
STRIP_ABOVE = 0.14


@dataclass(frozen=True)
class EyePaint:
    """One eye as painted, in view pixels.

    Attributes
    ----------
    white, aperture
        (H, W) bool: white paint; all that lies between the lids, with iris and pupil.
    white_rgb
        (3,) linear RGB of the white paint as photographed (its bright half).
    rim
        (N, 2) x, y along the upper edge of the aperture, from the image's left to its right.
    white_share
        White area ÷ face width².
    edge_px
        Standard deviation of the blur at the sharpest edges of the eye, in pixels of the original.
    seen
        Whether a network saw the whole eye: then rim and aperture do not rest on its white alone.
    flags
        ``"one_sided"`` when white shows on one side of the iris only, ``"no_skin"``, …
    """

    white: Mask
    aperture: Mask
    white_rgb: Array
    rim: Array
    white_share: float
    edge_px: float
    seen: bool = False
    flags: tuple[str, ...] = ()


@dataclass(frozen=True)
class Strip:
    """The rim's surroundings laid straight: rows run upward from below the rim, columns along it.

    ``linear`` is (rows, columns, 3), ``skin`` the linear RGB of bare skin at each sample, ``step`` the
    row spacing in view pixels, ``rim_row`` the row of the rim itself; ``x``, ``y`` are view pixels.
    """

    linear: Array
    skin: Array
    step: float
    rim_row: int
    x: NDArray[np.float32]
    y: NDArray[np.float32]


def skin_model(view: FaceView) -> Array | None:
    """Return the (H, W, 3) linear RGB that bare skin would have at each pixel, or None.

    Patches of skin say what color it is here and there (light of two colors, or a colored table below, make
    the chin unlike the forehead); from them the likeness grows over the face, so that shade and drifting
    color are followed while paint and hair stay out.
    """
    seeds = _skin_seeds(view)
    if seeds is None:
        return None
    linear = view.linear.astype(np.float64)
    sound = view.valid & (view.rgb.max(axis=-1) < 254) & _face_area(view)
    size = 2 * max(1, round(0.007 * view.unit)) + 1
    skin = _spread(linear, seeds, view.unit)
    for tint, shade in ((0.24, 0.8), (0.22, 0.7), (0.20, 0.6)):
        light, warmth, green = relative(linear, skin)
        alike = sound & (np.abs(warmth) < tint) & (np.abs(green) < 0.6 * tint) & (np.abs(light) < shade)
        # A pixel between skin and paint is a mixture of both: keep off every edge of the likeness.
        alike = cv2.erode(alike.astype(np.uint8), np.ones((size, size), np.uint8)).astype(bool)
        skin = _spread(linear, alike | (seeds & sound), view.unit)
    return skin


def _skin_seeds(view: FaceView) -> Mask | None:
    """Patches that are likely skin and agree with each other; hair over the forehead drops out."""
    patches, medians = [], []
    for polygon in (*view.face.skin, *_small_patches(view.face)):
        mask = view.mask(polygon)
        rgb = view.linear[mask].astype(np.float64)
        if len(rgb) < 8:
            continue
        usable = (rgb.min(axis=1) > 0.003) & (rgb.max(axis=1) < 0.985)
        if usable.mean() > 0.3:
            patches.append(mask)
            medians.append(np.median(rgb[usable], axis=0))
    if not medians:
        return None
    values = np.array(medians)
    _, warmth, green = relative(values, np.broadcast_to(np.median(values, axis=0), values.shape))
    kept = [
        m
        for m, w, g in zip(patches, warmth, green, strict=True)
        if abs(w - np.median(warmth)) < 0.6 and abs(g - np.median(green)) < 0.25
    ]
    seeds = np.logical_or.reduce(kept or patches)
    light, warmth, green = relative(view.linear.astype(np.float64), np.median(values, axis=0))
    seeds &= (np.abs(warmth) < 0.9) & (np.abs(green) < 0.4) & (light > -2.0)
    return seeds if np.count_nonzero(seeds) > 40 else None


def _small_patches(face: FacePlace) -> list[Polygon]:
    """Skin at the bridge of the nose, between the brows, below the eyes and beside the mouth."""
    if face.landmarks is None:
        return []
    return [tuple((float(x), float(y)) for x, y in face.landmarks[list(ids)]) for ids in _SMALL_PATCHES]


_SMALL_PATCHES: tuple[tuple[int, ...], ...] = (
    (6, 122, 196, 197, 419, 351), (9, 107, 8, 336), (118, 119, 100, 101), (347, 348, 329, 330),
    (216, 207, 214, 212), (436, 427, 434, 432), (224, 223, 222, 52, 53), (444, 443, 442, 282, 283),
)  # fmt: skip


def _face_area(view: FaceView) -> Mask:
    """Where skin of the face may lie: an upright ellipse around the middle of the view."""
    height, width = view.rgb.shape[:2]
    y, x = np.ogrid[:height, :width]
    return np.asarray(
        ((x - width / 2) / (0.52 * view.unit)) ** 2 + ((y - height / 2) / (0.62 * view.unit)) ** 2 < 1
    )


def _spread(linear: Array, alike: Mask, unit: float) -> Array:
    """Spread the color of marked pixels over the picture, near ones first (normalized convolution)."""
    # Coarse is enough, and many times faster.
    shrink = max(1, int(unit / 130))
    size = (linear.shape[1] // shrink, linear.shape[0] // shrink)
    weight = cv2.resize(alike.astype(np.float64), size, interpolation=cv2.INTER_AREA)
    color = np.asarray(cv2.resize(linear * alike[..., None], size, interpolation=cv2.INTER_AREA), np.float64)
    out = np.zeros_like(color)
    total = np.full(weight.shape, 1e-9)
    for sigma, trust in ((0.05, 1.0), (0.12, 0.05), (0.4, 0.001)):
        s = sigma * unit / shrink
        out += trust * blurred(color, s)
        total += trust * blurred(weight, s)
    spread = out / total[..., None]
    return np.asarray(cv2.resize(spread, (linear.shape[1], linear.shape[0]), interpolation=cv2.INTER_LINEAR))


LUMA = np.array([0.2126, 0.7152, 0.0722])


def find_eye(view: FaceView, skin: Array, outline: Polygon, seen: Array | None = None) -> EyePaint | None:
    """Find one painted eye near the model's outline; None when no white paint shows there.

    Parameters
    ----------
    view, skin
        The upright face, and the (H, W, 3) linear RGB of bare skin over it.
    outline
        The model's outline of the eye, in pixels of the original.
    seen
        (H, W) how probable a network holds white, iris or pupil, 0–1; None where no network looked. It says
        how far the eye reaches: skin in a highlight is no white, and white in a shadow or under a broad iris
        belongs to the eye. Edges still come from the pixels, where they lie near what it sees.
    """
    if len(outline) < 3:
        return None
    points = view.points(outline)
    center = (points.min(axis=0) + points.max(axis=0)) / 2
    window = _window(view, center)
    whole = None if seen is None else _seen_whole(seen, center, view.unit)
    white = _white_mask(view, skin, points, window, CONTRAST if whole is None else CONTRAST_SEEN)
    if white is None:
        return None
    if whole is not None:
        held = white & _dilated(whole, 0.006 * view.unit)
        if np.count_nonzero(held) < 0.0015 * view.unit**2:
            whole = None
        else:
            white = held
    share = float(np.count_nonzero(white)) / view.unit**2
    rim = _upper_rim(white, points, view.unit) if whole is None else _rim_seen(white, whole, view.unit)
    if rim is None:
        return None
    bright = view.linear[white] @ LUMA
    top = bright >= np.median(bright)
    white_rgb = np.median(view.linear[white][top], axis=0).astype(np.float64)
    aperture = _aperture(white, rim, view) if whole is None else _under(rim, white | whole)
    columns = np.count_nonzero(white, axis=0)
    inner = columns[int(rim[0, 0]) : int(rim[-1, 0]) + 1]
    third = max(1, len(inner) // 3)
    flags = ("one_sided",) if min(inner[:third].sum(), inner[-third:].sum()) < 0.12 * inner.sum() else ()
    edge_px = _edge_blur(view, aperture)
    return EyePaint(white, aperture, white_rgb, rim, share, edge_px, whole is not None, flags)


def eye_calibration(eyes: list[EyePaint], calibration: Calibration) -> Calibration:
    """Return the better of the photo's own reference and the white of the eyes.

    The eye white lies in the same light as liner and iris and fixes the exposure too, which a scene estimate
    does not. A card or chart keeps its say about color.
    """
    if not eyes:
        return calibration
    white = np.mean([eye.white_rgb for eye in eyes], axis=0)
    if calibration.method in ("color_chart", "grey_card") and calibration.u_delta_e < U_WHITE_NEUTRAL:
        # An unknown gray card says less of lightness than the eyes' own white does.
        if calibration.exposure is not None and calibration.u_exposure < U_WHITE_REFLECTANCE:
            return calibration
        shown = float(replace(calibration, exposure=None).apply(white) @ LUMA)
        return replace(
            calibration, exposure=WHITE_REFLECTANCE / max(shown, 1e-4), u_exposure=U_WHITE_REFLECTANCE
        )
    neutral = white / white[1]
    return Calibration(
        method="eye_white",
        neutral_rgb=(float(neutral[0]), 1.0, float(neutral[2])),
        u_delta_e=U_WHITE_NEUTRAL if white.max() < 0.97 else 2 * U_WHITE_NEUTRAL,
        exposure=WHITE_REFLECTANCE / max(float(white[1]), 1e-4),
        u_exposure=U_WHITE_REFLECTANCE,
        flags=("clipped_channel",) if white.max() >= 0.97 else (),
    )


def lit_as(eye: EyePaint, calibration: Calibration) -> Calibration:
    """Return the calibration with the exposure that this eye's own white shows; its color is kept."""
    shown = float(replace(calibration, exposure=None).apply(eye.white_rgb) @ LUMA)
    return replace(calibration, exposure=WHITE_REFLECTANCE / max(shown, 1e-4), u_exposure=U_WHITE_REFLECTANCE)


def lay_strip(view: FaceView, skin: Array, eye: EyePaint) -> Strip:
    """Lay the surroundings of the upper rim straight."""
    tangent = np.gradient(eye.rim, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True) + 1e-9
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], axis=1)
    rows = round((STRIP_BELOW + STRIP_ABOVE) * view.unit)
    rim_row = round(STRIP_BELOW * view.unit)
    offset = np.arange(rows) - rim_row
    xy = eye.rim[None] + offset[:, None, None] * normal[None]
    x, y = xy[..., 0].astype(np.float32), xy[..., 1].astype(np.float32)
    linear = cv2.remap(view.linear, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    bare = cv2.remap(skin.astype(np.float32), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return Strip(linear.astype(np.float64), bare.astype(np.float64), 1.0, rim_row, x, y)


def relative(linear: Array, skin: Array) -> tuple[Array, Array, Array]:
    """Compare pixels with skin in a way that no white balance can change.

    Returns
    -------
    Natural logarithms of the ratios to skin: luminance; warmth (red ÷ blue); greenness (green² ÷ red·blue).
    """
    low = np.float32(0.003)
    # Planes of float32: finer than the photo's codes by far, and several times faster.
    seen, bare = (np.moveaxis(np.asarray(v, np.float32), -1, 0) for v in (linear, skin))
    r, g, b = (np.log((one + low) / (other + low)) for one, other in zip(seen, bare, strict=True))
    luma = LUMA.astype(np.float32)
    light = np.log((np.tensordot(luma, seen, 1) + low) / (np.tensordot(luma, bare, 1) + low))
    return light.astype(np.float64), (r - b).astype(np.float64), (2 * g - r - b).astype(np.float64)


def _window(view: FaceView, center: Array) -> tuple[slice, slice]:
    height, width = view.rgb.shape[:2]
    x0, x1 = center[0] - 0.24 * view.unit, center[0] + 0.24 * view.unit
    y0, y1 = center[1] - 0.19 * view.unit, center[1] + 0.17 * view.unit
    return (
        slice(int(np.clip(y0, 0, height)), int(np.clip(y1, 0, height))),
        slice(int(np.clip(x0, 0, width)), int(np.clip(x1, 0, width))),
    )


def _white_mask(
    view: FaceView, skin: Array, points: Array, window: tuple[slice, slice], least: float
) -> Mask | None:
    """White paint: what is bright inside the model's eye, told from the skin around by its color.

    Where the two do not differ by ``least`` times the unrest of the skin, there is no white paint.
    """
    linear = blurred(view.linear[window], 0.0025 * view.unit + 0.4)
    light, warmth, green = relative(linear, skin[window])
    origin = np.array([window[1].start, window[0].start])
    local = points - origin
    center = (local.min(axis=0) + local.max(axis=0)) / 2
    inside = _dilated(view.mask_view(points)[window], 0.015 * view.unit)
    bright = (light > -0.45) & view.valid[window] & _inside_oval(view)[window]
    core = inside & bright & (warmth < -0.07)
    if np.count_nonzero(core) < max(10.0, 0.0005 * view.unit**2):
        return None
    features = np.stack([warmth, green, 0.6 * light], axis=-1)
    y, x = np.mgrid[: linear.shape[0], : linear.shape[1]]
    dx, dy = (x - center[0]) / view.unit, (y - center[1]) / view.unit
    around = ((dx / 0.22) ** 2 + (dy / 0.15) ** 2 < 1) & ~_dilated(inside, 0.03 * view.unit)
    bare = around & (np.abs(warmth) < 0.3) & (np.abs(green) < 0.2) & (np.abs(light) < 0.6)
    if np.count_nonzero(bare) < 30:
        return None
    plain, unrest = features[bare].mean(axis=0), features[bare].std(axis=0) + 0.03
    # An iris may be cooler than white and fill the model's eye, but white is lighter than any iris.
    level = np.quantile(light[core], [0.6, 0.97])
    white = np.median(features[core & (light >= level[0]) & (light <= level[1])], axis=0)
    direction = (white - plain) / unrest**2
    contrast = float(np.sqrt((white - plain) @ direction))
    if contrast < least or white[0] > plain[0] - 0.06:
        return None
    score = (features - plain) @ direction / float((white - plain) @ direction)
    lit = light > max(white[2] / 0.6 - 0.62, -0.45)
    # On fair skin a blue liner lies on the far side of white: cooler than white is no white.
    cool = warmth < white[0] - COOLER
    seed = (score > 0.5) & lit & ~cool & bright & ((dx / 0.21) ** 2 + (dy / 0.125) ** 2 < 1)
    seed = cv2.morphologyEx(seed.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)).astype(bool)
    out = np.zeros(view.rgb.shape[:2], bool)
    out[window] = _near_parts(seed, center, view.unit)
    area = np.count_nonzero(out) / view.unit**2
    return out if 0.0015 < area < 0.05 else None


def _dilated(mask: Mask, by: float) -> Mask:
    size = 2 * max(1, round(by)) + 1
    return cv2.dilate(mask.astype(np.uint8), np.ones((size, size), np.uint8)).astype(bool)


def _inside_oval(view: FaceView) -> Mask:
    """Inside the model's outline of the face, where it gave one."""
    if view.face.landmarks is None:
        return view.valid
    hull = cv2.convexHull(view.points(view.face.landmarks).astype(np.float32))[:, 0]
    return view.mask_view(hull.astype(np.float64))


def _near_parts(mask: Mask, center: Array, unit: float) -> Mask:
    """Keep connected parts that are sizable and near the eye's center."""
    count, labels, stats, centers = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    keep = np.zeros(count, bool)
    sound = []
    for i in range(1, count):
        h, area = int(stats[i, cv2.CC_STAT_HEIGHT]), int(stats[i, cv2.CC_STAT_AREA])
        dx, dy = (centers[i] - center) / unit
        if h < 0.2 * unit and abs(dx) < 0.16 and -0.08 < dy < 0.07:
            sound.append((i, area))
    largest = max((area for _, area in sound), default=0)
    for i, area in sound:
        keep[i] = area > max(0.08 * largest, 0.00025 * unit**2)
    return keep[labels]


def _upper_rim(white: Mask, points: Array, unit: float) -> Array | None:
    """Fit the upper edge of the aperture: an arc that the white touches from below.

    Columns hidden by the iris lie below the arc, so points above the fit weigh far more than points below;
    the model's upper lid, moved into place, holds the fit where nothing is seen.
    """
    columns = np.flatnonzero(white.any(axis=0))
    if len(columns) < 5:
        return None
    top = white.argmax(axis=0)[columns].astype(np.float64)
    lo, hi = float(columns[0]), float(columns[-1])
    if hi - lo < 0.06 * unit:
        return None
    middle, half = (lo + hi) / 2, (hi - lo) / 2
    u = (columns - middle) / half
    # Near the corners the white narrows to a point and its edge is not the lid's.
    base = np.where(np.abs(u) > 0.97, 0.3, 1.0)
    prior_u, prior_v = _model_lid(points, half, np.asarray(u, np.float64), top)
    uu, vv = np.concatenate([u, prior_u]), np.concatenate([top, prior_v])
    weight0 = np.concatenate([base, np.full(len(prior_u), 0.04 * len(u) / max(len(prior_u), 1))])
    basis = np.stack([np.ones_like(uu), uu, uu**2, uu**3], axis=1)
    weight = weight0.copy()
    fit = np.zeros(4)
    for _ in range(12):
        root = np.sqrt(weight)
        fit = np.linalg.lstsq(basis * root[:, None], vv * root, rcond=None)[0]
        off = vv - basis @ fit
        weight = weight0 * np.where(off < 0, 1.0, 1 / (1 + (off / (0.006 * unit)) ** 2))
    grid = np.linspace(-1.06, 1.06, STRIP_COLUMNS)
    y = np.stack([np.ones_like(grid), grid, grid**2, grid**3], axis=1) @ fit
    return np.stack([middle + half * grid, y], axis=1)


def _seen_whole(seen: Array, center: Array, unit: float) -> Mask | None:
    """Return the eye as a network surely sees it, about as large as painted eyes are, or None."""
    found = seen >= 0.5
    _, labels, stats, centers = cv2.connectedComponentsWithStats(found.astype(np.uint8), connectivity=4)
    areas = stats[:, cv2.CC_STAT_AREA] / unit**2
    near = (areas > 0.004) & (areas < 0.06) & (np.linalg.norm(centers - center, axis=1) < 0.1 * unit)
    near[0] = False
    if not near.any():
        return None
    whole = np.asarray(labels == int(np.argmax(np.where(near, areas, 0))))
    return whole if float(np.mean(seen[whole])) >= 0.8 else None


def _rim_seen(white: Mask, whole: Mask, unit: float) -> Array | None:
    """Fit the upper edge of an eye that a network has outlined.

    Its outline is coarse: where white paint ends within reach of it, the paint's own edge counts far more.
    """
    columns = np.flatnonzero(whole.any(axis=0))
    lo, hi = float(columns[0]), float(columns[-1])
    if hi - lo < 0.06 * unit:
        return None
    middle, half = (lo + hi) / 2, (hi - lo) / 2
    u = (columns - middle) / half
    outline = whole.argmax(axis=0)[columns].astype(np.float64)
    top = white.argmax(axis=0)[columns].astype(np.float64)
    near = np.asarray(white.any(axis=0))[columns] & (np.abs(top - outline) < 0.015 * unit)
    y = np.where(near, top, outline)
    # Near the corners the white narrows to a point and its edge is not the lid's.
    base = np.where(near & (np.abs(u) < 0.9), 1.0, 0.1)
    weight = base
    for _ in range(6):
        fit = polyfit(u, y, 4, w=np.sqrt(weight))
        off = y - polyval(u, fit)
        weight = base / (1 + (off / (0.006 * unit)) ** 2)
    grid = np.linspace(-1.04, 1.04, STRIP_COLUMNS)
    rim = polyval(grid, fit)
    return np.stack([middle + half * grid, rim], axis=1)


def _model_lid(points: Array, half: float, u: Array, top: Array) -> tuple[Array, Array]:
    """The model's upper lid stretched over the white's width and raised until it lies on the white."""
    order = np.argsort(points[:, 0])
    p = points[order]
    mean_y = points[:, 1].mean()
    upper = p[p[:, 1] <= mean_y]
    if len(upper) < 3:
        return np.empty(0), np.empty(0)
    span = max(float(np.ptp(points[:, 0])), 1.0)
    pu = (upper[:, 0] - points[:, 0].mean()) / (span / 2)
    pv = upper[:, 1] * (half / (span / 2))
    lid = np.interp(u, pu, pv)
    raise_by = float(np.quantile(top - lid, 0.25))
    grid = np.linspace(-0.8, 0.8, 9)
    return np.asarray(grid, np.float64), np.asarray(np.interp(grid, pu, pv) + raise_by, np.float64)


def _aperture(white: Mask, rim: Array, view: FaceView) -> Mask:
    """Everything under the rim and inside the hull of the white."""
    ys, xs = np.nonzero(white)
    inside = (rim[:, 0] >= xs.min()) & (rim[:, 0] <= xs.max())
    points = np.vstack([np.stack([xs, ys], axis=1), rim[inside]])
    hull = cv2.convexHull(points.astype(np.float32))[:, 0]
    return _under(rim, view.mask_view(hull.astype(np.float64)))


def _under(rim: Array, mask: Mask) -> Mask:
    """Leave out what of a mask lies above the rim."""
    height, width = mask.shape
    above = np.interp(np.arange(width), rim[:, 0], rim[:, 1])
    return np.asarray(mask & (np.arange(height)[:, None] >= above[None]))


def _edge_blur(view: FaceView, aperture: Mask) -> float:
    """Blur at the eye's sharpest edges, as a Gaussian's standard deviation in pixels of the original.

    A step of height h blurred by a Gaussian has its steepest slope h / (σ√(2π)).
    """
    near = cv2.dilate(aperture.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    light = (view.linear @ LUMA.astype(np.float32)).astype(np.float32)
    step = float(np.quantile(light[near], 0.95) - np.quantile(light[near], 0.05)) if near.any() else 0.0
    gx, gy = cv2.Sobel(light, cv2.CV_32F, 1, 0) / 8, cv2.Sobel(light, cv2.CV_32F, 0, 1) / 8
    slope = float(np.quantile(np.hypot(gx, gy)[near], 0.99)) if near.any() else 0.0
    if slope <= 1e-6:
        return float("inf")
    # The kernel itself smooths by about 0.9 px.
    sigma = np.sqrt(max((step / (slope * np.sqrt(2 * np.pi))) ** 2 - 0.8, 0.04))
    return float(sigma / view.scale)


def lab_of(linear: Array, calibration: Calibration) -> Array:
    """CIELAB D65 of photographed linear RGB under a calibration."""
    return np.asarray(linear_to_lab(np.clip(calibration.apply(linear), 0.0, None)), np.float64)
