"""The painted eye: where white, iris, pupil and the band above the eye are. Shared by liner and iris.

Everything is judged against the skin and the white of the same eye, so that a colored light cancels: paint
differs from skin by its ratio to skin, whatever the white balance did. The model's eye outline only says
where to begin; a doll's painted eye is often far larger.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.color import linear_to_lab
from vision.face_view import FaceView
from vision.locate.places import Polygon

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Reflectance assumed for white eye paint, and the relative uncertainty of that (from memory).
WHITE_REFLECTANCE = 0.80
U_WHITE_REFLECTANCE = 0.12

#: Standard uncertainty in ΔE of taking the eye white for neutral: old paint yellows.
U_WHITE_NEUTRAL = 4.5

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
    flags
        ``"one_sided"`` when white shows on one side of the iris only, ``"no_skin"``, …
    """

    white: Mask
    aperture: Mask
    white_rgb: Array
    rim: Array
    white_share: float
    edge_px: float
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

    Lightness is a plane in log space over forehead, cheeks, chin and the bridge of the nose, so that light
    from one side is followed; the ratios of the channels are one robust value.
    """
    mask = np.zeros(view.rgb.shape[:2], bool)
    for polygon in view.face.skin:
        mask |= view.mask(polygon)
    if np.count_nonzero(mask) < 40:
        return None
    rgb = view.linear[mask].astype(np.float64)
    usable = (rgb.min(axis=1) > 0.004) & (rgb.max(axis=1) < 0.98)
    if usable.mean() < 0.2:
        return None
    ys, xs = np.nonzero(mask)
    rgb, ys, xs = rgb[usable], ys[usable], xs[usable]
    step = max(1, len(rgb) // 6000)
    rgb, ys, xs = rgb[::step], ys[::step], xs[::step]
    light = np.log(rgb @ LUMA)
    ratio = np.median(rgb / (rgb @ LUMA)[:, None], axis=0)
    basis = np.stack([np.ones_like(xs), xs / view.unit, ys / view.unit], axis=1).astype(np.float64)
    weight = np.ones(len(light))
    for _ in range(6):
        fit = np.linalg.lstsq(basis * weight[:, None], light * weight, rcond=None)[0]
        off = light - basis @ fit
        spread = 1.4826 * np.median(np.abs(off)) + 0.02
        weight = 1 / np.sqrt(1 + (off / (1.5 * spread)) ** 2)
    height, width = view.rgb.shape[:2]
    gx, gy = np.meshgrid(np.arange(width) / view.unit, np.arange(height) / view.unit)
    plane = np.exp(np.clip(fit[0] + fit[1] * gx + fit[2] * gy, -6, 0.3))
    return np.asarray(plane[..., None] * ratio)


LUMA = np.array([0.2126, 0.7152, 0.0722])


def find_eye(view: FaceView, skin: Array, outline: Polygon) -> EyePaint | None:
    """Find one painted eye near the model's outline; None when no white paint shows there."""
    points = view.points(outline)
    center = (points.min(axis=0) + points.max(axis=0)) / 2
    window = _window(view, center)
    white = _white_mask(view, skin, center, window)
    if white is None:
        return None
    share = float(np.count_nonzero(white)) / view.unit**2
    rim = _upper_rim(white, points, view.unit)
    if rim is None:
        return None
    bright = view.linear[white] @ LUMA
    top = bright >= np.median(bright)
    white_rgb = np.median(view.linear[white][top], axis=0).astype(np.float64)
    aperture = _aperture(white, rim, view)
    columns = np.count_nonzero(white, axis=0)
    inner = columns[int(rim[0, 0]) : int(rim[-1, 0]) + 1]
    third = max(1, len(inner) // 3)
    flags = ("one_sided",) if min(inner[:third].sum(), inner[-third:].sum()) < 0.12 * inner.sum() else ()
    return EyePaint(white, aperture, white_rgb, rim, share, _edge_blur(view, aperture), flags)


def eye_calibration(eyes: list[EyePaint], calibration: Calibration) -> Calibration:
    """Return the better of the photo's own reference and the white of the eyes.

    The eye white lies in the same light as liner and iris and fixes the exposure too, which a scene estimate
    does not. A card or chart keeps its say about color.
    """
    if not eyes:
        return calibration
    white = np.mean([eye.white_rgb for eye in eyes], axis=0)
    if calibration.method in ("color_chart", "grey_card") and calibration.u_delta_e < U_WHITE_NEUTRAL:
        if calibration.exposure is not None:
            return calibration
        shown = float(calibration.apply(white) @ LUMA)
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
    low = 0.003
    ratio = np.log((linear + low) / (skin + low))
    light = np.log((linear @ LUMA + low) / (skin @ LUMA + low))
    return light, ratio[..., 0] - ratio[..., 2], 2 * ratio[..., 1] - ratio[..., 0] - ratio[..., 2]


def _window(view: FaceView, center: Array) -> tuple[slice, slice]:
    height, width = view.rgb.shape[:2]
    x0, x1 = center[0] - 0.19 * view.unit, center[0] + 0.19 * view.unit
    y0, y1 = center[1] - 0.16 * view.unit, center[1] + 0.13 * view.unit
    return (
        slice(int(np.clip(y0, 0, height)), int(np.clip(y1, 0, height))),
        slice(int(np.clip(x0, 0, width)), int(np.clip(x1, 0, width))),
    )


def _white_mask(view: FaceView, skin: Array, center: Array, window: tuple[slice, slice]) -> Mask | None:
    """White paint: cooler than skin, not much darker, and close to the place of the eye."""
    linear = view.linear[window].astype(np.float64)
    light, warmth, _ = relative(linear, skin[window])
    warm_skin = _warmth_of(skin[window])
    # White differs from skin by the skin's own warmth: ask for half of it, so pale skin is served too.
    cool = warmth < -np.clip(0.5 * warm_skin, 0.08, 0.30)
    seed = cool & (light > -0.25) & view.valid[window]
    if np.count_nonzero(seed) < 12:
        return None
    level = np.quantile(light[seed], 0.85)
    seed &= light > max(level - 0.75, -0.45)
    out = np.zeros(view.rgb.shape[:2], bool)
    out[window] = _near_parts(seed, center - [window[1].start, window[0].start], view.unit)
    return out if np.count_nonzero(out) > 0.0012 * view.unit**2 else None


def _warmth_of(skin: Array) -> float:
    """How warm skin is against a neutral surface, as far as the photo's white balance can be believed."""
    mean = skin.reshape(-1, 3).mean(axis=0)
    return float(np.clip(np.log((mean[0] + 1e-4) / (mean[2] + 1e-4)), 0.2, 0.7))


def _near_parts(mask: Mask, center: Array, unit: float) -> Mask:
    """Keep connected parts that are sizable, near the eye's center and wholly inside the window.

    A part that runs out of the window is no painted eye: pale skin, plaster, paper or a highlight.
    """
    count, labels, stats, centers = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    keep = np.zeros(count, bool)
    height, width = mask.shape
    sound = []
    for i in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[i])
        dx, dy = (centers[i] - center) / unit
        inside = x > 0 and y > 0 and x + w < width and y + h < height
        compact = h < 0.19 * unit and area < 0.04 * unit**2
        if inside and compact and abs(dx) < 0.15 and -0.09 < dy < 0.08:
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
    prior_u, prior_v = _model_lid(points, middle, half, u, top)
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


def _model_lid(points: Array, middle: float, half: float, u: Array, top: Array) -> tuple[Array, Array]:
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
    return grid, np.interp(grid, pu, pv) + raise_by


def _aperture(white: Mask, rim: Array, view: FaceView) -> Mask:
    """Everything under the rim and inside the hull of the white."""
    ys, xs = np.nonzero(white)
    inside = (rim[:, 0] >= xs.min()) & (rim[:, 0] <= xs.max())
    points = np.vstack([np.stack([xs, ys], axis=1), rim[inside]])
    hull = cv2.convexHull(points.astype(np.float32))[:, 0]
    mask = view.mask_view(hull.astype(np.float64))
    height, width = white.shape
    above = np.interp(np.arange(width), rim[:, 0], rim[:, 1])
    return mask & (np.arange(height)[:, None] >= above[None])


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
