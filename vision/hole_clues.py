"""What the pixels of a spot on a sole show of light, material and edge.

All readings are ratios to the vinyl around the spot, in linear light: a wrong white balance and a wrong
exposure cancel. Geometry is followed through an ellipse, so that an oblique view of a round hole is round.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.color import luminance, srgb_to_linear
from vision.locate.places import SolePlace
from vision.photo import Photo

#: Linear light of the 256 sRGB codes.
_LIGHT = srgb_to_linear(np.arange(256, dtype=np.uint8)).astype(np.float32)

Floats = NDArray[Any]
Mask = NDArray[np.bool_]

#: Diameters looked for, as a fraction of the sole's length. A stand's prong needs about a tenth
#: (common practice, no source); the range leaves room for other dolls and for drilled holes.
SMALLEST, LARGEST = 0.045, 0.34
_ANGLES, _STEPS, _REACH = 128, 84, 2.8
TINY = 2e-3
#: Radius of the dark over its median below which it begins well within its rim.
_WELL_WITHIN = 0.85


@dataclass(frozen=True, slots=True)
class Sole:
    """One sole cut out of the photo: linear RGB, its mask, and how it maps back."""

    rgb: Floats
    mask: Mask
    origin: tuple[float, float]
    scale: float
    length: float
    width: float


@dataclass(frozen=True, slots=True)
class Ellipse:
    """Center and semi-axes in pixels, ``angle`` of the first axis in radians; ``a`` >= ``b``."""

    x: float
    y: float
    a: float
    b: float
    angle: float

    def points(self, rho: Floats, theta: Floats) -> tuple[Floats, Floats]:
        """Return image x and y of points at ``rho`` times the ellipse, in its own angle ``theta``."""
        u, v = rho * self.a * np.cos(theta), rho * self.b * np.sin(theta)
        c, s = math.cos(self.angle), math.sin(self.angle)
        return self.x + c * u - s * v, self.y + s * u + c * v

    def scaled(self, k: float) -> Ellipse:
        """Return the same ellipse in a picture ``k`` times as large."""
        return Ellipse((self.x + 0.5) * k - 0.5, (self.y + 0.5) * k - 0.5, self.a * k, self.b * k, self.angle)


@dataclass(frozen=True, slots=True)
class Clues:
    """What the pixels of one dark spot show; all ratios are to the vinyl around it.

    Attributes
    ----------
    depth
        Natural log of the interior's luminance ratio (dark: very negative).
    structure
        Spread of luminance within the interior, relative to the vinyl's level.
    against
        Shading inside against the shading outside: > 0 when the lit side inside lies opposite.
    redder
        How much redder (log R/B) the interior is than the vinyl; > 0 as light bounces in a hole.
    rim
        Unevenness just outside the edge, over that farther out.
    softness
        10–90 % width of the edge over the radius.
    roughness
        RMS of the edge about its ellipse over the radius (harmonics 3 and up).
    circularity
        4πA/P² of the edge after the view's foreshortening is taken out.
    metal
        Share of the circumference that carries a ring foreign to dark and vinyl.
    metal_gloss
        Spread of the ring's luminance, relative to the vinyl's level.
    chips
        Share of the circumference with pale bits outside the edge.
    lit_arc
        Longest arc, as a share of the circumference, along which the dark begins well within its rim.
    axis_ratio
        Minor over major axis.
    offset
        Distance from the sole's long axis over the sole's half width.
    """

    depth: float
    structure: float
    against: float
    redder: float
    rim: float
    softness: float
    roughness: float
    circularity: float
    metal: float
    metal_gloss: float
    chips: float
    lit_arc: float
    axis_ratio: float
    offset: float


@dataclass(frozen=True, slots=True)
class Spot:
    """A dark spot: ``ellipse`` in pixels of the cut-out, the rest in pixels of the original.

    ``outline`` and ``diameter`` are those of the dark; ``rim_outline`` and ``rim_diameter`` those of whatever
    differs from plain vinyl around it, such as a lining. ``by_color`` marks a spot that was found by its
    color: its outline is an ellipse, and its clues and its profile are not those of a dark with an edge.
    """

    ellipse: Ellipse
    outline: Floats
    rim_outline: Floats
    clues: Clues
    profile: Floats
    diameter: float
    rim_diameter: float
    u_diameter: float
    by_color: bool = False


# --- the cut-out ------------------------------------------------------------------------------------


def cut_out(photo: Photo, sole: SolePlace, longest: float = 900.0) -> Sole | None:
    """Return the sole with a margin, reduced so that its length is at most ``longest`` px, or None."""
    outline = np.asarray(sole.outline, float).reshape(-1, 2)
    if len(outline) < 3:
        return None
    (_, _), sides, _ = cv2.minAreaRect(outline.astype(np.float32))
    length, width = max(sides), min(sides)
    if width < 8:
        return None
    margin = 0.12 * length
    x0, y0 = np.floor(np.maximum(outline.min(0) - margin, 0)).astype(int)
    x1, y1 = np.ceil(np.minimum(outline.max(0) + margin, (photo.width, photo.height))).astype(int)
    if x1 - x0 < 8 or y1 - y0 < 8:
        return None
    scale = min(1.0, longest / length)
    # Float32 is finer than the photo's codes by far, and light must be averaged as light.
    small, small_scale = photo.small
    if scale <= small_scale:
        sx0, sy0, sx1, sy1 = (round(v * small_scale) for v in (x0, y0, x1, y1))
        codes = small[sy0 : max(sy1, sy0 + 1), sx0 : max(sx1, sx0 + 1)]
    else:
        codes = photo.rgb[y0:y1, x0:x1]
    rgb: Floats = cv2.LUT(np.ascontiguousarray(codes), _LIGHT)
    size = (max(8, round((x1 - x0) * scale)), max(8, round((y1 - y0) * scale)))
    if rgb.shape[1::-1] != size:
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    rgb = rgb.astype(np.float64)
    mask = np.zeros(rgb.shape[:2], np.uint8)
    shape = np.round(((outline - (x0, y0) + 0.5) * scale - 0.5) * 16).astype(np.int32)
    cv2.fillPoly(mask, [shape], 1, shift=4)
    if mask.sum() < 60:
        return None
    return Sole(rgb, mask > 0, (float(x0), float(y0)), scale, length * scale, width * scale)


def whole(photo: Photo, longest: float) -> Sole:
    """Return a whole photo, its long side at most ``longest`` px, as if it were one large sole.

    Lengths are set so that the spots found span a fiftieth to a sixth of the photo's long side.
    """
    small, scale = photo.small
    k = min(1.0, longest / max(small.shape[:2]))
    rgb: Floats = cv2.LUT(small, _LIGHT)
    if k < 1:
        rgb = cv2.resize(rgb, None, fx=k, fy=k, interpolation=cv2.INTER_AREA)
    side = float(max(rgb.shape[:2]))
    return Sole(
        rgb.astype(np.float64), np.ones(rgb.shape[:2], bool), (0.0, 0.0), scale * k, 0.5 * side, 0.3 * side
    )


def blur_sigma(cut: Sole) -> float:
    """Return the standard deviation (px of the cut-out) of the sharpest strong edges in and around a sole.

    The step's height over its steepest slope: a Gaussian edge has σ = Δ / (√(2π) · max slope). A window
    sees steps of a few pixels only, so the picture is halved until the edges fit; infinite without edges.
    """
    y: Floats = np.sqrt(np.clip(luminance(cut.rgb), 0, None)).astype(np.float32)
    factor = 1.0
    while True:
        sigma = _step_sigma(y)
        if sigma < 1.7 or min(y.shape) < 48:
            return sigma * factor
        y = cv2.pyrDown(y)
        factor *= 2


def _step_sigma(y: Floats) -> float:
    """Return σ of the sharpest of the strong steps within 9 × 9 px."""
    window = np.ones((9, 9), np.uint8)
    span = cv2.dilate(y, window) - cv2.erode(y, window)
    slope = np.hypot(cv2.Scharr(y, cv2.CV_32F, 1, 0), cv2.Scharr(y, cv2.CV_32F, 0, 1)) / 32
    strong = span > max(0.03, 0.5 * float(np.percentile(span, 99)))
    crest = slope >= cv2.dilate(slope, np.ones((3, 3), np.uint8)) - 1e-9
    chosen = strong & crest & (slope > 1e-4)
    if chosen.sum() < 10:
        return math.inf
    return float(np.percentile(span[chosen] / (2.507 * slope[chosen]), 8))


# --- the clues --------------------------------------------------------------------------------------


def study(cut: Sole, rough: Ellipse) -> Spot | None:
    """Refine the spot's edge and gather its clues; None when it is no closed dark spot within the sole."""
    ellipse = rough
    for _ in range(2):
        polar, on_sole = _unroll(cut, ellipse)
        vinyl = _vinyl_around(polar, on_sole)
        if vinyl is None:
            return None
        edge = _edge(luminance(polar / vinyl[:, None, :]))
        if np.isnan(edge).mean() > 0.3:
            return None
        edge = _fill_circular(edge)
        refined = _fit(ellipse, edge)
        if refined is None:
            return None
        ellipse = refined
    length = cut.length
    if not SMALLEST * 0.75 <= 2 * ellipse.a / length <= LARGEST or ellipse.b < 0.3 * ellipse.a:
        return None
    polar, on_sole = _unroll(cut, ellipse)
    vinyl = _vinyl_around(polar, on_sole)
    if vinyl is None:
        return None
    edge = _fill_circular(_edge(luminance(polar / vinyl[:, None, :])))
    return _spot(cut, ellipse, polar, vinyl, edge)


def outlined(cut: Sole, ellipse: Ellipse) -> Spot | None:
    """Return a spot whose edge is the ellipse given, whatever its light; None without vinyl around it."""
    polar, on_sole = _unroll(cut, ellipse)
    vinyl = _vinyl_around(polar, on_sole)
    return None if vinyl is None else _spot(cut, ellipse, polar, vinyl, np.ones(_ANGLES), by_color=True)


def _unroll(cut: Sole, ellipse: Ellipse) -> tuple[Floats, Mask]:
    """Return (_ANGLES, _STEPS, 3) linear RGB along the ellipse's rays, and where that is on the sole."""
    theta = np.linspace(0, 2 * np.pi, _ANGLES, endpoint=False)[:, None]
    rho = np.linspace(0, _REACH, _STEPS)[None, :]
    x, y = ellipse.points(rho, theta)
    maps = x.astype(np.float32), y.astype(np.float32)
    rgb = cv2.remap(cut.rgb.astype(np.float32), *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    mask = cv2.remap(cut.mask.astype(np.uint8), *maps, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT)
    return rgb.astype(np.float64), mask > 0


def _rho(step: NDArray[np.integer] | Floats) -> Floats:
    return np.asarray(step, float) * _REACH / (_STEPS - 1)


def _band(low: float, high: float) -> slice:
    per = (_STEPS - 1) / _REACH
    return slice(round(low * per), max(round(low * per) + 1, round(high * per)))


def _vinyl_around(polar: Floats, on_sole: Mask) -> Floats | None:
    """Return (_ANGLES, 3) color of the vinyl beside each direction, or None when too little is there."""
    ring = _band(1.6, 2.3)
    good = on_sole[:, ring]
    if good.mean() < 0.35:
        return None
    colors = np.where(good[..., None], polar[:, ring], np.nan)
    enough = good.mean(1) > 0.4
    side = np.full((_ANGLES, 3), np.nan)
    side[enough] = np.nanmedian(colors[enough], axis=1)
    side = np.stack([_fill_circular(side[:, c]) for c in range(3)], 1)
    smooth = np.stack([_circular_blur(side[:, c], 6.0) for c in range(3)], 1)
    return np.maximum(smooth, TINY)


def _fill_circular(values: Floats) -> Floats:
    """Return the values with NaN filled by linear interpolation round the circle."""
    good = ~np.isnan(values)
    if good.all() or not good.any():
        return np.nan_to_num(values, nan=1.0) if not good.any() else values
    at = np.arange(len(values))
    return np.interp(at, at[good], values[good], period=len(values))


def _circular_blur(values: Floats, sigma: float) -> Floats:
    freq = np.fft.rfftfreq(len(values))
    return np.fft.irfft(np.fft.rfft(values) * np.exp(-2 * (np.pi * freq * sigma) ** 2), len(values))


def _edge(ratio: Floats) -> Floats:
    """Return the ρ where each ray leaves the dark, half way between interior and vinyl; else NaN."""
    inner = float(np.median(ratio[:, _band(0.0, 0.5)]))
    half = 0.5 * (inner + 1)
    start = _band(0.35, 1).start
    above = ratio[:, start:] >= half
    first = above.argmax(1) + start
    out = np.full(len(ratio), np.nan)
    rows = np.nonzero(above.any(1) & (first > start))[0]
    lo, hi = ratio[rows, first[rows] - 1], ratio[rows, first[rows]]
    part = np.clip((half - lo) / np.maximum(hi - lo, 1e-6), 0, 1)
    out[rows] = _rho(first[rows] - 1 + part)
    return out


def _fit(ellipse: Ellipse, edge: Floats) -> Ellipse | None:
    """Return the ellipse through the edge points, outliers (chips, highlights) left out."""
    theta = np.linspace(0, 2 * np.pi, _ANGLES, endpoint=False)
    steady = cv2.medianBlur(np.tile(edge, 3).astype(np.float32)[None], 5)[0, _ANGLES : 2 * _ANGLES]
    off = np.abs(steady - np.median(steady))
    keep = off < max(0.12, 3.5 * float(np.median(off)))
    x, y = ellipse.points(steady.astype(float), theta)
    points = np.stack([x, y], 1)[keep].astype(np.float32)
    if len(points) < 24:
        return None
    (cx, cy), (d0, d1), degrees = cv2.fitEllipseDirect(points)
    if not all(map(math.isfinite, (cx, cy, d0, d1))) or min(d0, d1) < 1.5:
        return None
    angle = math.radians(degrees)
    if d1 > d0:
        d0, d1, angle = d1, d0, angle + math.pi / 2
    return Ellipse(cx, cy, d0 / 2, d1 / 2, angle)


def _spot(
    cut: Sole, ellipse: Ellipse, polar: Floats, vinyl: Floats, edge: Floats, by_color: bool = False
) -> Spot:
    """Gather all clues of a refined spot with its ``edge`` (_ANGLES,) in units of the ellipse."""
    relative = polar / vinyl[:, None, :]
    ratio = luminance(relative)
    theta = np.linspace(0, 2 * np.pi, _ANGLES, endpoint=False)
    inside = relative[:, _band(0.0, 0.75)]
    metal, gloss = _ring(relative, edge, math.sqrt(ellipse.a * ellipse.b) / cut.scale)
    clues = Clues(
        depth=float(np.log(np.percentile(luminance(inside), 30) + TINY)),
        structure=_structure(ratio),
        against=_against(ratio, luminance(vinyl), theta),
        redder=_redder(inside, vinyl),
        rim=_rim(ratio, edge),
        softness=_softness(ratio, edge),
        roughness=_roughness(edge),
        circularity=_circularity(edge, theta),
        metal=metal,
        metal_gloss=gloss,
        chips=_chips(relative, edge),
        lit_arc=_lit_arc(edge),
        axis_ratio=ellipse.b / ellipse.a,
        offset=within(cut, ellipse)[1],
    )
    rim = _rim_border(relative, edge)
    diameter, rim_diameter = (2 * ellipse.a * float(np.median(r)) / cut.scale for r in (edge, rim))
    return Spot(
        ellipse=ellipse,
        outline=_in_photo(cut, ellipse, edge, theta),
        rim_outline=_in_photo(cut, ellipse, rim, theta),
        clues=clues,
        profile=profile_of(relative, vinyl, diameter),
        diameter=diameter,
        rim_diameter=rim_diameter,
        u_diameter=math.hypot(0.5, clues.roughness * diameter / 3, clues.softness * diameter / 12),
        by_color=by_color,
    )


def _in_photo(cut: Sole, ellipse: Ellipse, rho: Floats, theta: Floats) -> Floats:
    """Return (N, 2) points of the original of a border given in units of the ellipse."""
    points = np.stack(ellipse.points(rho, theta), 1)
    return (points + 0.5) / cut.scale - 0.5 + np.array(cut.origin)


def _rim_border(relative: Floats, edge: Floats) -> Floats:
    """Return the ρ beyond which only plain vinyl follows, at least the dark's edge."""
    reach = np.linspace(0.9, 1.7, 41)
    ring = _ring_at(relative, edge, 0.9, 1.7, 41)
    light = np.abs(np.log(np.clip(luminance(ring), 1e-3, 4)))
    tint = np.log(np.clip(ring, 1e-3, 4))
    color = np.abs(tint[..., 0] - tint[..., 1]) + np.abs(tint[..., 2] - tint[..., 1])
    odd = (light > 0.5) | (color > 0.35)  # the shade beside a lip is fainter than that
    last = np.where(odd, reach[None], 0.9).max(1)
    steady = cv2.medianBlur(np.tile(last, 3).astype(np.float32)[None], 5)[0, _ANGLES : 2 * _ANGLES]
    return np.maximum(edge * steady, edge)


#: Radii (in units of the dark's edge) at which the profile is read.
_RADII = (0.1, 0.3, 0.5, 0.65, 0.8, 0.9, 1.0, 1.1, 1.2, 1.35, 1.5, 1.75, 2.0)
_FLOOR = 0.02


def profile_of(relative: Floats, vinyl: Floats, diameter: float) -> Floats:
    """Return what a classifier sees of a spot, the same however the picture is turned or mirrored.

    At each of thirteen radii: mean log luminance, its slow and its fast variation round the circle, its 5th
    and 95th percentile, how far its slow variation runs against that of the vinyl, and the mean and
    spread of log R/G and log B/G; at the end the log of the diameter in pixels.

    Parameters
    ----------
    relative
        (_ANGLES, _STEPS, 3) linear RGB over that of the vinyl beside it.
    vinyl
        (_ANGLES, 3) linear RGB of the vinyl round the spot.
    diameter
        Pixels of the original.
    """
    wave = np.exp(2j * np.pi * np.arange(_ANGLES) / _ANGLES)
    around = luminance(vinyl)
    toward = (around / around.mean() * wave).mean()
    toward /= max(abs(toward), 0.01)
    per = (_STEPS - 1) / _REACH
    out: list[float] = []
    for radius in _RADII:
        at = round(radius * per)
        ring = relative[:, at - 1 : at + 2].mean(1)
        light = np.log(np.clip(luminance(ring), 0, 4) + _FLOOR)
        spectrum = np.fft.rfft(light)
        slow, fast = spectrum.copy(), spectrum.copy()
        slow[0] = slow[4:] = 0
        fast[:4] = 0
        first = (light * wave).mean()
        tint = np.log(np.clip(ring, 0, 4) + _FLOOR)
        red, blue = tint[:, 0] - tint[:, 1], tint[:, 2] - tint[:, 1]
        out += [
            float(light.mean()),
            float(np.fft.irfft(slow, _ANGLES).std()),
            float(np.fft.irfft(fast, _ANGLES).std()),
            float(np.percentile(light, 5)),
            float(np.percentile(light, 95)),
            float(np.real(first * np.conj(toward))),
            float(red.mean()),
            float(blue.mean()),
            float(red.std()),
            float(blue.std()),
        ]
    return np.array([*out, math.log(max(diameter, 1.0))])


def paint_signs(profile: Floats) -> tuple[float, float]:
    """Return how foreign the hue inside a spot is to light that bounced off vinyl, and how even its light is.

    What light comes out of a hole in vinyl is redder and less blue than the vinyl, and falls unevenly on its
    wall. Both are 0 for what a hole may look like. Foreign: natural log by which the interior is greener or
    bluer than the vinyl, beyond what noise and the room's light do; even: 0–2.5, from the slow variation of
    light round the spot.

    Parameters
    ----------
    profile
        As :func:`profile_of` returns it.
    """
    rings = profile[:-1].reshape(len(_RADII), -1)
    red, blue = rings[:3, 6].mean(), rings[:3, 7].mean()
    foreign = max(0.0, -red - 0.1) + max(0.0, blue - 0.25)
    return float(foreign), float(max(0.0, 0.25 - rings[:4, 1].mean()) / 0.1)


def _structure(ratio: Floats) -> float:
    """Spread of smooth shading inside the spot, in units of the vinyl's level."""
    inside = cv2.GaussianBlur(ratio[:, _band(0.05, 0.82)].astype(np.float32), (0, 0), 2.0)
    low, high = np.percentile(inside, [15, 92])
    return float(high - low)


def _against(ratio: Floats, around: Floats, theta: Floats) -> float:
    """Cosine-weighted first harmonics inside against outside; > 0 when they point opposite ways."""
    inside = ratio[:, _band(0.3, 0.85)].mean(1)
    wave = np.exp(1j * theta)
    within = (inside * wave).mean() / max(float(inside.mean()), 0.02)
    without = (around / around.mean() * wave).mean()
    strength = min(1.0, abs(without) / 0.01)
    return float(-np.real(within * np.conj(without)) / max(abs(without), 1e-6) * strength)


def _redder(inside: Floats, vinyl: Floats) -> float:
    """Log R/B of the interior over that of the vinyl, shrunk to 0 where too dark to have a hue."""
    middle = np.median(inside.reshape(-1, 3), axis=0)
    level = float(luminance(middle * vinyl.mean(0)))
    trust = level / (level + 0.01)
    return float(trust * np.log((middle[0] + 0.01) / (middle[2] + 0.01)))


def _ring_at(values: Floats, edge: Floats, low: float, high: float, steps: int = 12) -> Floats:
    """Return (_ANGLES, steps, …) of values at ``low``–``high`` times each direction's edge."""
    at = edge[:, None] * np.linspace(low, high, steps)[None, :]
    index = np.clip(np.round(at * (_STEPS - 1) / _REACH).astype(int), 0, _STEPS - 1)
    return values[np.arange(_ANGLES)[:, None], index]


def _rim(ratio: Floats, edge: Floats) -> float:
    """Unevenness of luminance just outside the edge minus that farther out."""
    near = _ring_at(ratio, edge, 1.12, 1.35).mean(1)
    far = _ring_at(ratio, edge, 1.6, 2.0).mean(1)
    return float(_circular_blur(near, 2.0).std() - _circular_blur(far, 2.0).std())


def _softness(ratio: Floats, edge: Floats) -> float:
    """10–90 % width of the mean edge profile over the radius."""
    profile = np.median(_ring_at(ratio, edge, 0.3, 1.7, 71), axis=0)
    low, high = float(np.median(profile[:15])), float(np.median(profile[-15:]))
    scaled = (profile - low) / max(high - low, 1e-3)
    at = np.linspace(0.3, 1.7, 71)
    start = at[np.nonzero(scaled < 0.1)[0].max(initial=0)]
    end = at[min(70, int(np.argmax(scaled > 0.9)))]
    return float(max(0.0, end - start))


def _roughness(edge: Floats) -> float:
    spectrum = np.fft.rfft(edge)
    spectrum[:3] = 0
    return float(np.fft.irfft(spectrum, _ANGLES).std() / edge.mean())


def _circularity(edge: Floats, theta: Floats) -> float:
    x, y = edge * np.cos(theta), edge * np.sin(theta)
    area = 0.5 * abs(float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))))
    perimeter = float(np.hypot(np.roll(x, -1) - x, np.roll(y, -1) - y).sum())
    return min(1.0, 4 * math.pi * area / perimeter**2)


def _ring(relative: Floats, edge: Floats, px: float) -> tuple[float, float]:
    """Return (share of the circumference with a foreign ring, its gloss).

    Blur mixes the hole's dark with the vinyl, and a wall of vinyl darkens and reddens: both stay near the
    ray from dark through vinyl. What lies off it toward blue and green is another material, if it is
    thicker than the color fringe that JPEG leaves (its chroma has half the resolution), or glints.

    Parameters
    ----------
    px
        Pixels of the original per unit of ρ.
    """
    reach = np.linspace(0.72, 1.6, 61)
    ring = _ring_at(relative, edge, 0.72, 1.6, 61)
    y = luminance(ring)
    dark = np.median(relative[:, _band(0.0, 0.5)].reshape(-1, 3), axis=0)
    level = float(luminance(dark))
    mix = np.clip((y - level) / max(1 - level, 0.05), 0, 1)[..., None]
    odd = ring - (dark * (1 - mix) + mix)
    cooler = np.maximum(odd[..., 2] - odd[..., 0], odd[..., 1] - odd[..., 0])
    foreign = (cooler > 0.10 + 0.10 * y) & (y > 0.06)
    step = float(edge.mean()) * px * (reach[1] - reach[0])
    thick = foreign.sum(1) * step >= max(3.2, 0.09 * px)
    glint = _circular_blur((y > 1.25).sum(1) * step, 1.0) >= max(1.0, 0.05 * px)
    band = thick | glint
    share = float(band.mean())
    if share < 0.1:
        return share, 0.0
    used = y[foreign] if foreign.any() else y.ravel()
    gloss = float(np.percentile(used, 90) - np.percentile(used, 10))
    return share, gloss


def _chips(relative: Floats, edge: Floats) -> float:
    """Share of the circumference with narrow pale bits just outside the edge."""
    y = luminance(_ring_at(relative, edge, 1.05, 1.5))
    peak = np.percentile(y, 80, axis=1)
    narrow = peak - _circular_blur(peak, 10.0)
    return float((narrow > 0.08).mean())


def _lit_arc(edge: Floats) -> float:
    """Longest arc along which the dark begins well within its usual radius, as a share of the circle.

    Chips are short and widen a hole. What narrows its dark along a long arc is no rim: light on the far wall,
    or what is seen through the hole.
    """
    inside = np.tile(edge < _WELL_WITHIN * np.median(edge), 2)
    ends = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(int), [0]])))
    longest = int((ends[1::2] - ends[::2]).max(initial=0))
    return min(1.0, longest / len(edge))


#: The side of the picture (x, y) that counts as a sole's upper end. In photos feet mostly lie upright or
#: level, and this is far from crosswise to both.
_UPPER = (0.38, -0.92)


def within(cut: Sole, ellipse: Ellipse) -> tuple[float, float, float | None]:
    """Return where in the sole a spot lies.

    Returns
    -------
    Its distance from the sole's middle along the long axis over the sole's half length; its distance from
    that axis over the sole's half width; and the first with a sign, > 0 toward the upper end of the picture,
    None where the axis lies so that either end may be called the upper one.
    """
    ys, xs = np.nonzero(cut.mask)
    center = np.array([xs.mean(), ys.mean()])
    _, vectors = np.linalg.eigh(np.cov(np.stack([xs, ys])))
    across, along = (np.array([ellipse.x, ellipse.y]) - center) @ vectors
    upward = float(vectors[:, 1] @ _UPPER)
    signed = float(along * math.copysign(1, upward) / max(cut.length / 2, 1))
    return abs(signed), float(abs(across) / max(cut.width / 2, 1)), signed if abs(upward) > 0.3 else None
