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
_CODES = np.arange(256) / 255.0
#: Linear light of each 8-bit sRGB code.
_LINEAR = np.where(_CODES <= 0.04045, _CODES / 12.92, ((_CODES + 0.055) / 1.055) ** 2.4).astype(np.float32)
#: Long side at which several photos are worked on, in pixels; letters still have dozens of pixels then.
_FUSING_SIDE = 2000.0


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
    aligned
        The used photos, (H, W, 3) uint8 each, laid over the first.
    """

    height: Float
    shaded: NDArray[np.uint8]
    used: tuple[int, ...]
    shifts_px: tuple[float, ...]
    residual: float
    aligned: tuple[NDArray[np.uint8], ...] = ()


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
    weighted = np.array([[0.2126, 0.7152, 0.0722]], np.float32)
    return np.asarray(cv2.transform(cv2.LUT(rgb, _LINEAR), weighted), np.float32)


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
    return np.asarray(cv2.cvtColor(gray, cv2.COLOR_GRAY2RGB), np.uint8)


def contrast(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the photo in gray with its local contrast stretched (CLAHE); same shape, uint8."""
    gray = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    even = cv2.createCLAHE(3.0, (8, 8)).apply(gray)
    return np.asarray(cv2.cvtColor(even, cv2.COLOR_GRAY2RGB), np.uint8)


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
    """Return the motion that brings ``moving`` onto ``fixed``, or None if they are not one relief.

    Brightness cannot be compared, since the lights differ. What must hold at the right motion, and only
    there, is that both shadings are mixes of the two slopes of one surface: integrability (see
    :func:`slopes_unknown_lights`) is the measure, evaluated for all shifts at once by cross-correlation.

    Parameters
    ----------
    fixed, moving
        (H, W) float32 of equal shape, shading from :func:`flatten`.

    Returns
    -------
    (2, 3) float32 for ``cv2.warpAffine`` with ``WARP_INVERSE_MAP``, and the displacement of the center in
    pixels. Searched are shifts up to an eighth of the picture and turns up to 3°.
    """
    coarse = min(1.0, 320.0 / max(fixed.shape))
    best = _best_shift(fixed, moving, 0.0, coarse)
    turned = min((_best_shift(fixed, moving, turn, coarse) for turn in (-2.0, 2.0, -1.0, 1.0)), key=_residual)
    if turned.residual < 0.9 * best.residual:
        best = turned
    if best.residual > 0.75 * best.typical:
        return None
    fine = min(1.0, 900.0 / max(fixed.shape))
    turns = (best.turn, best.turn - 0.5, best.turn + 0.5) if best.turn else (0.0,)
    best = min((_best_shift(fixed, moving, turn, fine, best.shift) for turn in turns), key=_residual)
    motion = _motion(fixed.shape, best.turn, best.shift)
    return motion, float(np.hypot(*best.shift))


@dataclass(frozen=True, slots=True)
class _Shift:
    """A shift (x, y in full pixels) after a turn, its integrability residual and that of a usual shift."""

    turn: float
    shift: tuple[float, float]
    residual: float
    typical: float


def _residual(found: _Shift) -> float:
    return found.residual


def _motion(shape: tuple[int, ...], turn: float, shift: tuple[float, float]) -> NDArray[np.float32]:
    matrix = cv2.getRotationMatrix2D((shape[1] / 2, shape[0] / 2), turn, 1.0)
    matrix[:, 2] += np.asarray(shift)
    return matrix.astype(np.float32)


def _best_shift(
    fixed: Float, moving: Float, turn: float, scale: float, near: tuple[float, float] | None = None
) -> _Shift:
    """The shift at which two shadings fit one surface best, to a fraction of a pixel."""
    start = near or (0.0, 0.0)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = (fixed.shape[1], fixed.shape[0])
    placed = cv2.warpAffine(
        moving, _motion(fixed.shape, turn, start), size, flags=flags, borderMode=cv2.BORDER_REFLECT
    )
    fields = []
    for shading in (fixed, placed):
        small = cv2.resize(shading, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        small = cv2.GaussianBlur(small, (0, 0), 1.2) * cv2.createHanningWindow(small.shape[::-1], cv2.CV_32F)
        gy, gx = np.gradient(small / (float(small.std()) + 1e-9))
        fields.append((gx, gy))
    rows, columns = fields[0][0].shape
    reach_y, reach_x = (6, 6) if near else (max(3, rows // 8), max(3, columns // 8))
    dy, dx = np.arange(-reach_y, reach_y + 1), np.arange(-reach_x, reach_x + 1)
    score, typical = _integrability(fields, dy, dx)
    row, column = np.unravel_index(int(np.argmin(score)), score.shape)
    shift_x = (dx[column] + _vertex(score[row], int(column))) / scale + start[0]
    shift_y = (dy[row] + _vertex(score[:, column], int(row))) / scale + start[1]
    return _Shift(turn, (float(shift_x), float(shift_y)), float(score[row, column]), typical)


def _integrability(
    fields: list[tuple[NDArray[np.floating], NDArray[np.floating]]],
    dy: NDArray[np.int_],
    dx: NDArray[np.int_],
) -> tuple[NDArray[np.float64], float]:
    """Smallest eigenvalue share of the integrability system at each shift (rows, columns), and its median."""
    (u_x, u_y), (v_x, v_y) = fields
    spectra = {name: np.fft.rfft2(f) for name, f in (("ux", u_x), ("uy", u_y), ("vx", v_x), ("vy", v_y))}

    def across(a: str, b: str) -> NDArray[np.float64]:
        whole = np.fft.irfft2(np.conj(spectra[a]) * spectra[b], s=u_x.shape)
        return np.asarray(whole[np.ix_(dy % u_x.shape[0], dx % u_x.shape[1])], np.float64)

    system = np.zeros((len(dy), len(dx), 4, 4))
    order = ("uy", "vy", "ux", "vx")
    sign = (1.0, 1.0, -1.0, -1.0)
    planes = {"uy": u_y, "vy": v_y, "ux": u_x, "vx": v_x}
    for i, a in enumerate(order):
        for j, b in enumerate(order[: i + 1]):
            if a[0] == b[0]:
                value: NDArray[np.float64] | float = float(np.sum(planes[a] * planes[b]))
            else:
                value = across(b, a) if b[0] == "u" else across(a, b)
            system[..., i, j] = system[..., j, i] = sign[i] * sign[j] * value
    values = np.linalg.eigvalsh(system)
    score = values[..., 0] / values.sum(axis=-1)
    return score, float(np.median(score))


def _vertex(values: NDArray[np.float64], at: int) -> float:
    """Offset of a parabola's lowest point from the sample ``at``, within half a sample."""
    if not 0 < at < len(values) - 1:
        return 0.0
    left, middle, right = (float(v) for v in values[at - 1 : at + 2])
    bend = left - 2 * middle + right
    return 0.0 if bend <= 0 else float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5))


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
    shrink = min(1.0, _FUSING_SIDE / max(height, width))
    size = (max(1, round(width * shrink)), max(1, round(height * shrink)))
    radius = shrink * (radius or min(height, width) / 16.0)
    reference = flatten(_of_size(pictures[0], size), radius)
    shadings, used, shifts, aligned = [reference], [0], [0.0], [pictures[0]]
    for index, rgb in enumerate(pictures[1:], start=1):
        if abs(rgb.shape[1] / rgb.shape[0] - width / height) > 0.02:
            continue
        small = _of_size(rgb, size)
        found = register(reference, flatten(small, radius))
        if found is None:
            continue
        motion, shift = found
        shadings.append(flatten(_moved(small, motion), radius))
        motion[:, 2] /= shrink
        aligned.append(_moved(_of_size(rgb, (width, height)), motion))
        used.append(index)
        shifts.append(shift / shrink)
    if len(shadings) < 2:
        relief = integrate(reference, likely_azimuth(reference), radius)
        residual = 1.0
    else:
        p, q, residual = slopes_unknown_lights(np.stack(shadings))
        relief = high_pass(height_from_slopes(p, q), radius)
    shaded = _of_size(shade(relief), (width, height))
    relief = np.asarray(cv2.resize(relief, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)
    return Fused(relief, shaded, tuple(used), tuple(shifts), residual, tuple(aligned))


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


def _of_size(rgb: NDArray[np.uint8], size: tuple[int, int]) -> NDArray[np.uint8]:
    if rgb.shape[1::-1] == size:
        return rgb
    method = cv2.INTER_AREA if size[0] < rgb.shape[1] else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(rgb, size, interpolation=method), np.uint8)


def _moved(rgb: NDArray[np.uint8], motion: NDArray[np.float32]) -> NDArray[np.uint8]:
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = (rgb.shape[1], rgb.shape[0])
    return np.asarray(cv2.warpAffine(rgb, motion, size, flags=flags, borderMode=cv2.BORDER_REFLECT), np.uint8)


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
