"""From the linear picture to a JPEG as a phone or a compact camera would leave it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

from .hues import Floats, encode, light_rgb

TURN = {
    1: None,
    3: Image.Transpose.ROTATE_180,
    6: Image.Transpose.ROTATE_90,
    8: Image.Transpose.ROTATE_270,
}


@dataclass(frozen=True)
class Darkroom:
    """How one photo is developed. ``noise``: read noise in linear units; shot noise goes with it."""

    wb_kelvin: float
    ev: float
    tone: str
    blur_px: float
    motion_px: int
    noise: float
    quality: int
    orientation: int
    vignette: float


def enlarge(picture: Floats, width: int, height: int) -> Floats:
    """Return the picture (rows, cols, 3) resampled to the size of the photo."""
    if picture.shape[:2] == (height, width):
        return picture
    planes = [
        Image.fromarray(np.ascontiguousarray(picture[..., k], np.float32)).resize(
            (width, height), Image.Resampling.BICUBIC
        )
        for k in range(3)
    ]
    return np.stack([np.asarray(p) for p in planes], -1)


def _convolve(picture: Floats, kernel: Floats, axis: int) -> Floats:
    half = len(kernel) // 2
    pad = [(half, half) if a == axis else (0, 0) for a in range(3)]
    padded = np.pad(picture, pad, mode="edge")
    out = np.zeros_like(picture)
    size = picture.shape[axis]
    for k, weight in enumerate(kernel):
        out += np.float32(weight) * np.take(padded, range(k, k + size), axis=axis)
    return out


def blur(picture: Floats, sigma: float, motion: int) -> Floats:
    """Return the picture blurred by a Gaussian of ``sigma`` pixels and a level smear of ``motion`` pixels."""
    if sigma > 0.2:
        reach = int(np.ceil(3 * sigma))
        kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
        kernel /= kernel.sum()
        picture = _convolve(_convolve(picture, kernel, 0), kernel, 1)
    if motion > 1:
        picture = _convolve(picture, np.full(motion | 1, 1 / (motion | 1)), 1)
    return picture


def phone_curve(v: Floats) -> Floats:
    """Return code values 0–1 after a phone-like contrast curve."""
    return 0.62 * v**0.93 + 0.38 * v * v * (3 - 2 * v)


def develop(
    picture: Floats, neutral: Floats, room: Darkroom, rng: np.random.Generator
) -> tuple[Image.Image, Floats]:
    """Return the upright photo and what a neutral surface reads in it, linear RGB with green = 1.

    ``neutral`` is what white at the subject sends, in the units of ``picture``.
    """
    gains = 1 / light_rgb(room.wb_kelvin)
    gains = gains / gains[1]
    seen = neutral * gains
    gain = 0.74 * 2**room.ev / float(seen @ np.array([0.2126, 0.7152, 0.0722]))
    linear = blur((picture * gains * gain).astype(np.float32), room.blur_px, room.motion_px)
    rows, cols = linear.shape[:2]
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j]
    linear *= (1 - room.vignette * (x * x + y * y) / 2)[..., None].astype(np.float32)
    sigma = np.sqrt(room.noise**2 + np.maximum(linear, 0) * room.noise * 0.05)
    linear += sigma * rng.standard_normal(linear.shape, dtype=np.float32)
    code = encode(linear)
    if room.tone == "phone":
        code = phone_curve(code)
    return Image.fromarray(np.rint(code * 255).astype(np.uint8)), seen / seen[1]


def write_jpeg(photo: Image.Image, path: Path, room: Darkroom) -> None:
    """Write the photo; a turned camera stores turned pixels and says so in EXIF."""
    turn = TURN[room.orientation]
    exif = Image.Exif()
    exif[0x0112] = room.orientation
    stored = photo if turn is None else photo.transpose(turn)
    stored.save(path, quality=room.quality, exif=exif if room.orientation != 1 else b"")
