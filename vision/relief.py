"""Molded relief made readable, from one photo or from several under different lights.

Raised or incised letters on one color of vinyl differ from their ground only in slope. A side light turns
slope along its direction into brightness; undoing that along the right direction gives back a height
picture, in which a letter is a filled shape rather than a pair of edges. The light's direction is mostly
unknown, so several are tried and the reading decides.

Heights here have no unit and, with unknown lights, no certain sign: raised and incised look alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float32]

#: Light directions tried for one photo; opposite ones differ only in the sign of the height.
AZIMUTHS_DEG = (0.0, 45.0, 90.0, 135.0)

_DARKEST = 2.0 / 255.0


@dataclass(frozen=True, slots=True)
class Fused:
    """What several photos of one relief give together.

    Attributes
    ----------
    height
        (H, W) float32, no unit, zero mean; its sign is unknown when the lights are.
    shaded
        (H, W, 3) uint8 RGB picture of the height for a reader.
    used
        Indices of the photos that could be registered onto the first.
    shifts_px
        Mean displacement of each used photo against the first.
    residual
        Share of the shading that two slopes do not explain, 0–1: near 0 for a rigid matte surface.
    """

    height: Float
    shaded: NDArray[np.uint8]
    used: tuple[int, ...]
    shifts_px: tuple[float, ...]
    residual: float


def luminance(rgb: NDArray[np.uint8]) -> Float:
    """Return linear luminance.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8 sRGB.

    Returns
    -------
    (H, W) float32 in [0, 1], IEC 61966-2-1 decoding with Rec. 709 weights.
    """
    codes = np.arange(256) / 255.0
    table = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4).astype(np.float32)
    linear = table[rgb]
    return np.asarray(linear @ np.array([0.2126, 0.7152, 0.0722], np.float32), np.float32)


def flatten(rgb: NDArray[np.uint8], radius: float) -> Float:
    """Return the shading of fine relief: log luminance without its slow changes.

    The logarithm makes light times paint a sum, so that curvature of the body, fall-off of the lamp and
    slow stains drop out with a low-pass.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8 sRGB.
    radius
        Size in pixels above which change counts as slow, about the letter height.

    Returns
    -------
    (H, W) float32, roughly the relative change of brightness; 0 on even vinyl.
    """
    log = np.log(luminance(rgb) + np.float32(_DARKEST))
    return high_pass(log, radius)


def high_pass(image: Float, radius: float) -> Float:
    """Return ``image`` minus its Gaussian average of the given radius in pixels."""
    return np.asarray(image - _smooth(image, radius), np.float32)


def equalize(signal: Float, radius: float) -> Float:
    """Return ``signal`` over its local strength, so that shallow and deep parts read alike.

    The floor keeps even vinyl from being blown up into texture: a quarter of the strength of the strongest
    tenth of the picture.
    """
    local = np.sqrt(np.maximum(_smooth(signal * signal, radius), 0.0))
    floor = 0.25 * float(np.percentile(local, 90)) + 1e-6
    return np.asarray(signal / (local + floor), np.float32)


def integrate(shading: Float, azimuth_deg: float, radius: float) -> Float:
    """Return a pseudo-height whose slope along the light is ``shading``.

    Linear shape from shading (Pentland 1990, 10.1007/BF00056772), with Wiener damping in place of a
    division by zero at right angles to the light and a band limit at ``radius``.

    Parameters
    ----------
    shading
        (H, W) float32 from :func:`flatten`.
    azimuth_deg
        Direction the slope is taken along, clockwise from the picture's +x.
    radius
        Largest structure kept, in pixels.

    Returns
    -------
    (H, W) float32, no unit. Directions 180° apart differ in sign.
    """
    height, width = shading.shape
    margin = int(min(2 * radius, height // 2, width // 2))
    padded = cv2.copyMakeBorder(shading, margin, margin, margin, margin, cv2.BORDER_REFLECT)
    full_h = cv2.getOptimalDFTSize(padded.shape[0])
    full_w = cv2.getOptimalDFTSize(padded.shape[1])
    padded = cv2.copyMakeBorder(
        padded, 0, full_h - padded.shape[0], 0, full_w - padded.shape[1], cv2.BORDER_REFLECT
    )
    fy = np.fft.fftfreq(full_h).astype(np.float32)[:, None] * 2 * np.pi
    fx = np.fft.rfftfreq(full_w).astype(np.float32)[None, :] * 2 * np.pi
    azimuth = np.deg2rad(azimuth_deg)
    along = fx * np.float32(np.cos(azimuth)) + fy * np.float32(np.sin(azimuth))
    damping = np.float32((0.5 / radius) ** 2)
    spectrum = np.fft.rfft2(padded) * (-1j * along) / (along * along + damping)
    spectrum *= 1.0 - np.exp(-(fx * fx + fy * fy) * np.float32(radius * radius))
    whole = np.fft.irfft2(spectrum, s=(full_h, full_w)).astype(np.float32)
    return whole[margin : margin + height, margin : margin + width]


def picture(signal: Float) -> NDArray[np.uint8]:
    """Return a signal as a gray picture.

    Parameters
    ----------
    signal
        (H, W) float32 of any range.

    Returns
    -------
    (H, W, 3) uint8; the median is mid-gray, the outer percents are clipped; even input gives even gray.
    """
    low, middle, high = (float(v) for v in np.percentile(signal, (1, 50, 99)))
    span = max(high - middle, middle - low, 1e-6)
    gray = np.clip(128.0 + (signal - middle) * (120.0 / span), 0, 255).astype(np.uint8)
    return cv2.cvtColor(gray, cv2.COLOR_GRAY2RGB)


def contrast(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the photo in gray with its local contrast stretched (CLAHE); same shape, uint8."""
    gray = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    return cv2.cvtColor(cv2.createCLAHE(3.0, (8, 8)).apply(gray), cv2.COLOR_GRAY2RGB)


def hypotheses(
    rgb: NDArray[np.uint8], radius: float, azimuths_deg: Sequence[float] = AZIMUTHS_DEG
) -> dict[str, NDArray[np.uint8]]:
    """Return the same relief made readable in several ways.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8 sRGB.
    radius
        About the letter height, in pixels.
    azimuths_deg
        Light directions to suppose.

    Returns
    -------
    Name to (H, W, 3) uint8 picture: ``plain``, ``contrast`` and one ``height_<azimuth>`` each direction.
    """
    shading = equalize(flatten(rgb, radius), 2 * radius)
    out = {"plain": rgb, "contrast": picture(shading)}
    for azimuth in azimuths_deg:
        out[f"height_{azimuth:.0f}"] = picture(integrate(shading, azimuth, radius))
    return out


def photometric_stereo(
    stack: NDArray[np.floating], lights: NDArray[np.floating]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return normals and albedo of a matte surface under known distant lights.

    Least-squares form of Woodham (1980), Optical Engineering 19(1), 10.1117/12.7972479: I = ρ · (L n).
    Holds where no light is hidden: shadowed readings (not above zero) are left out pixel by pixel.

    Parameters
    ----------
    stack
        (K, H, W) linear intensities, K >= 3.
    lights
        (K, 3) unit vectors toward the lights, x right, y down, z to the viewer, times their strengths.

    Returns
    -------
    normals
        (H, W, 3) float64 unit vectors; NaN where fewer than three lights reach.
    albedo
        (H, W) float64; NaN likewise.

    Raises
    ------
    ValueError
        If the shapes disagree or the lights lie in one plane with the origin.
    """
    images = np.asarray(stack, np.float64)
    directions = np.asarray(lights, np.float64)
    if images.ndim != 3 or directions.shape != (len(images), 3):
        raise ValueError(f"expected (K, H, W) and (K, 3), got {images.shape} and {directions.shape}")
    if np.linalg.matrix_rank(directions, tol=1e-6) < 3:
        raise ValueError("three lights that do not lie in one plane are needed")
    count, height, width = images.shape
    flat = images.reshape(count, -1)
    lit = flat > 0
    gram = np.einsum("kn,ki,kj->nij", lit, directions, directions)
    right = np.einsum("kn,ki->ni", np.where(lit, flat, 0.0), directions)
    solvable = np.linalg.cond(gram) < 1e8
    scaled = np.full((height * width, 3), np.nan)
    scaled[solvable] = np.linalg.solve(gram[solvable], right[solvable][..., None])[..., 0]
    albedo = np.linalg.norm(scaled, axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        normals = scaled / albedo[:, None]
    return normals.reshape(height, width, 3), albedo.reshape(height, width)


def height_from_slopes(p: NDArray[np.floating], q: NDArray[np.floating]) -> Float:
    """Return the height whose slopes are nearest to ``p`` (along x) and ``q`` (along y).

    Least squares in the Fourier domain (Frankot & Chellappa 1988, 10.1109/34.3909) on a mirrored field, so
    that the picture's borders need not match.

    Parameters
    ----------
    p, q
        (H, W) slopes in height per pixel.

    Returns
    -------
    (H, W) float32, zero mean.
    """
    height, width = p.shape
    p_full = np.block([[p, -p[:, ::-1]], [p[::-1], -p[::-1, ::-1]]])
    q_full = np.block([[q, q[:, ::-1]], [-q[::-1], -q[::-1, ::-1]]])
    fy = np.fft.fftfreq(2 * height)[:, None] * 2 * np.pi
    fx = np.fft.rfftfreq(2 * width)[None, :] * 2 * np.pi
    power = fx**2 + fy**2
    power[0, 0] = 1.0
    spectrum = (-1j * fx * np.fft.rfft2(p_full) - 1j * fy * np.fft.rfft2(q_full)) / power
    spectrum[0, 0] = 0.0
    out = np.fft.irfft2(spectrum, s=(2 * height, 2 * width))[:height, :width]
    return np.asarray(out - out.mean(), np.float32)


def slopes_unknown_lights(shadings: NDArray[np.floating]) -> tuple[Float, Float, float]:
    """Return the two slopes of shallow relief from its shading under unknown lights.

    On shallow relief the flattened shading under each light is one mix of the two slopes. The mixes span
    two dimensions (found by singular values); that the slopes belong to one surface (∂p/∂y = ∂q/∂x) fixes
    them up to one factor and a sign: the small-slope case of the factorization of Hayakawa (1994,
    10.1364/JOSAA.11.003079) with the integrability constraint of Yuille and Snow (1997,
    10.1109/CVPR.1997.609316).

    Parameters
    ----------
    shadings
        (K, H, W) from :func:`flatten`, K >= 2, registered.

    Returns
    -------
    p, q
        (H, W) float32, unitless, common unknown factor.
    residual
        Share of the shading's energy outside the two dimensions, 0–1.
    """
    count, height, width = shadings.shape
    flat = np.asarray(shadings, np.float64).reshape(count, -1)
    mixing, sizes, _ = np.linalg.svd(flat @ flat.T)
    basis = (mixing[:, :2].T @ flat) / np.sqrt(np.maximum(sizes[:2], 1e-12))[:, None]
    u, v = (b.reshape(height, width) for b in basis)
    u_y, u_x = np.gradient(cv2.GaussianBlur(u, (0, 0), 1.0))
    v_y, v_x = np.gradient(cv2.GaussianBlur(v, (0, 0), 1.0))
    terms = np.stack([u_y, v_y, -u_x, -v_x]).reshape(4, -1)
    _, vectors = np.linalg.eigh(terms @ terms.T)
    a, b, c, d = vectors[:, 0]
    residual = float(sizes[2:].sum() / max(sizes.sum(), 1e-12))
    return np.asarray(a * u + b * v, np.float32), np.asarray(c * u + d * v, np.float32), residual


def register(fixed: Float, moving: Float) -> tuple[NDArray[np.float32], float] | None:
    """Return the Euclidean motion that brings ``moving`` onto ``fixed``, or None if none is found.

    Lights differ between the pictures, so edges' strength is compared, not brightness. Phase correlation
    gives the shift, ECC (Evangelidis & Psarakis 2008, 10.1109/TPAMI.2008.113) refines it with rotation.

    Parameters
    ----------
    fixed, moving
        (H, W) float32 of equal shape, shading from :func:`flatten`.

    Returns
    -------
    (2, 3) float32 for ``cv2.warpAffine`` with ``WARP_INVERSE_MAP``, and the mean displacement in pixels.
    """
    scale = min(1.0, 640.0 / max(fixed.shape))
    a, b = (_edge_strength(cv2.resize(s, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
            for s in (fixed, moving))  # fmt: skip
    window = cv2.createHanningWindow((a.shape[1], a.shape[0]), cv2.CV_32F)
    (dx, dy), _ = cv2.phaseCorrelate(a, b, window)
    starts = [(0.0, 0.0)]
    if np.hypot(dx, dy) < 0.1 * max(a.shape):
        starts.append((dx, dy))
    found = [r for r in (_refined(a, b, start) for start in starts) if r is not None]
    if not found:
        return None
    agreement, motion = max(found, key=lambda r: r[0])
    motion[:, 2] /= scale
    turn = abs(np.degrees(np.arctan2(motion[1, 0], motion[0, 0])))
    center = np.array([fixed.shape[1] / 2, fixed.shape[0] / 2, 1.0])
    shift = float(np.hypot(*(motion @ center - center[:2])))
    if agreement < 0.1 or turn > 5 or shift > 0.12 * max(fixed.shape):
        return None
    return motion, shift


def fuse(pictures: Sequence[NDArray[np.uint8]], radius: float | None = None) -> Fused:
    """Return height and a shaded picture from photos of one relief under different lights.

    Parameters
    ----------
    pictures
        (H, W, 3) uint8 sRGB each, from a camera that stood nearly still; the first is the reference.
        Pictures of another size are scaled to the first's when the shape agrees, else left out.
    radius
        About the letter height in pixels; a sixteenth of the short side when None.

    Returns
    -------
    :class:`Fused`. With one usable picture the height is that of the likeliest single light.

    Raises
    ------
    ValueError
        If there is no picture.
    """
    if not pictures:
        raise ValueError("nothing to fuse: give at least one picture")
    height, width = pictures[0].shape[:2]
    radius = radius or min(height, width) / 16.0
    reference = flatten(pictures[0], radius)
    shadings, used, shifts = [reference], [0], [0.0]
    for index, rgb in enumerate(pictures[1:], start=1):
        aligned = _aligned(reference, rgb, radius)
        if aligned is not None:
            shadings.append(aligned[0])
            used.append(index)
            shifts.append(aligned[1])
    if len(shadings) < 2:
        relief = integrate(reference, likely_azimuth(reference), radius)
        residual = 1.0
    else:
        p, q, residual = slopes_unknown_lights(np.stack(shadings))
        relief = high_pass(height_from_slopes(p, q), radius)
    return Fused(relief, shade(relief), tuple(used), tuple(shifts), residual)


def likely_azimuth(shading: Float) -> float:
    """Return the direction, 0–180°, in which shading changes most: the likeliest azimuth of one light.

    Relief without a preferred direction is steepest in brightness along the light (Pentland 1982,
    10.1364/JOSA.72.000448); letters only nearly fulfil that, so take it as a first guess.
    """
    gx = cv2.Sobel(shading, cv2.CV_32F, 1, 0)
    gy = cv2.Sobel(shading, cv2.CV_32F, 0, 1)
    return float(
        0.5 * np.degrees(np.arctan2(2 * np.mean(gx * gy), np.mean(gx * gx) - np.mean(gy * gy))) % 180
    )


def shade(height: Float) -> NDArray[np.uint8]:
    """Return a height as a picture for a reader: height as gray, lit softly from the upper left.

    Parameters
    ----------
    height
        (H, W) float32, any range.

    Returns
    -------
    (H, W, 3) uint8 RGB.
    """
    scale = float(np.percentile(np.abs(height), 98)) + 1e-9
    normal = np.clip(height / scale, -1.5, 1.5)
    gy, gx = np.gradient(cv2.GaussianBlur(normal, (0, 0), 1.0))
    steep = float(np.percentile(np.hypot(gx, gy), 98)) + 1e-9
    lit = 0.7 * (-gx - gy) / steep
    return picture(np.asarray(0.6 * normal + 0.5 * lit, np.float32))


def _aligned(reference: Float, rgb: NDArray[np.uint8], radius: float) -> tuple[Float, float] | None:
    height, width = reference.shape
    if rgb.shape[:2] != (height, width):
        if abs(rgb.shape[1] / rgb.shape[0] - width / height) > 0.02:
            return None
        rgb = np.asarray(cv2.resize(rgb, (width, height), interpolation=cv2.INTER_AREA), np.uint8)
    shading = flatten(rgb, radius)
    found = register(reference, shading)
    if found is None:
        return None
    motion, shift = found
    warped = cv2.warpAffine(
        shading,
        motion,
        (width, height),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REFLECT,
    )
    return np.asarray(warped, np.float32), shift


def _refined(a: Float, b: Float, start: tuple[float, float]) -> tuple[float, NDArray[np.float32]] | None:
    """ECC from a start, first on blurred pictures, then on sharp ones: agreement and motion."""
    motion = np.array([[1, 0, start[0]], [0, 1, start[1]]], np.float32)
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 40, 1e-5)
    agreement = 0.0
    try:
        for blur in (15, 5):
            agreement, motion = cv2.findTransformECC(a, b, motion, cv2.MOTION_EUCLIDEAN, stop, None, blur)
    except cv2.error:
        return None
    return float(agreement), motion


def _edge_strength(shading: Float) -> Float:
    smooth = cv2.GaussianBlur(shading, (0, 0), 1.5)
    strength = cv2.magnitude(cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1))
    top = float(np.percentile(strength, 99)) + 1e-6
    return np.asarray(np.minimum(strength / top, 1.0), np.float32)


def _smooth(image: Float, radius: float) -> Float:
    """Gaussian average; wide ones are taken on a reduced picture, where they cost little."""
    step = max(1, int(radius // 4))
    if step == 1:
        return np.asarray(cv2.GaussianBlur(image, (0, 0), radius), np.float32)
    height, width = image.shape
    size = (max(1, width // step), max(1, height // step))
    reduced = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    reduced = cv2.GaussianBlur(reduced, (0, 0), max(radius / step, 0.3))
    return np.asarray(cv2.resize(reduced, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)
