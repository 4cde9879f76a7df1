"""From the linear render to a phone-like JPEG: white balance, exposure, optics, noise, tone, sharpening."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from PIL import Image

from sample_images.truth import linear_to_srgb


@dataclass(frozen=True)
class Look:
    """How the phone saw it. ``blur_px`` is the Gaussian sigma of the optics in pixels of the JPEG."""

    exposure_ev: float = 0.0
    wb_gain: tuple[float, float, float] = (1.0, 1.0, 1.0)
    tone: str = "srgb"
    blur_px: float = 0.5
    shot_noise: float = 0.0008
    read_noise: float = 0.002
    sharpen: float = 0.4
    vignette: float = 0.12
    jpeg_quality: int = 85


def gaussian(image: NDArray[Any], sigma: float) -> NDArray[np.float32]:
    """Blur an (H, W, C) array with a separable Gaussian, edges repeated."""
    image = np.asarray(image, np.float32)
    if sigma < 0.15:
        return image
    reach = max(1, int(np.ceil(3 * sigma)))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    kernel = (kernel / kernel.sum()).astype(np.float32)
    for axis in (0, 1):
        size = image.shape[axis]
        out = np.zeros_like(image)
        for offset, weight in zip(range(-reach, reach + 1), kernel, strict=True):
            index = np.clip(np.arange(size) + offset, 0, size - 1)
            out += weight * np.take(image, index, axis=axis)
        image = out
    return image


def resize(image: NDArray[Any], width: int, height: int) -> NDArray[np.float32]:
    """Resample an (H, W, 3) float image with a Lanczos kernel."""
    if image.shape[:2] == (height, width):
        return np.asarray(image, np.float32)
    channels = [
        np.asarray(
            Image.fromarray(np.ascontiguousarray(image[..., c], np.float32)).resize(
                (width, height), Image.Resampling.LANCZOS
            )
        )
        for c in range(3)
    ]
    return np.maximum(np.stack(channels, -1), 0)


def phone_curve(code: NDArray[Any]) -> NDArray[np.float32]:
    """Mild S-curve and a tenth more saturation, in sRGB codes 0–1; grays stay gray."""
    grey = code @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    code = np.clip(grey[..., None] + 1.1 * (code - grey[..., None]), 0, 1)
    return np.asarray(code + 0.16 * code * (1 - code) * (2 * code - 0.72), np.float32)


def auto_gain(linear: NDArray[Any], weight: NDArray[Any]) -> float:
    """Exposure factor of a center-weighted meter.

    Parameters
    ----------
    linear
        (H, W, 3) white-balanced linear render.
    weight
        (H, W) weight of each pixel (the subject counts most).
    """
    luminance = linear @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    mean = float((luminance * weight).sum() / max(weight.sum(), 1e-6))
    bright = float(np.quantile(luminance[weight > weight.max() / 2], 0.97)) if weight.max() > 0 else mean
    return min(0.33 / max(mean, 1e-6), 0.88 / max(bright, 1e-6))


def develop(
    linear: NDArray[Any], gain: float, look: Look, width: int, height: int, rng: Generator
) -> NDArray[np.uint8]:
    """Return the 8-bit sRGB picture as the phone stores it."""
    x = np.maximum(np.asarray(linear, np.float32), 0) * np.float32(gain * 2.0**look.exposure_ev)
    x = resize(x * np.asarray(look.wb_gain, np.float32), width, height)
    x = gaussian(x, look.blur_px)
    yy, xx = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j].astype(np.float32)
    x *= (1 - look.vignette * (xx**2 + yy**2) / 2)[..., None]
    sigma = np.sqrt(look.shot_noise * np.minimum(x, 1) + look.read_noise**2)
    noise = rng.standard_normal(x.shape, dtype=np.float32)
    noise = 0.45 * noise + 0.55 * 1.7 * gaussian(noise, 0.7)
    x = np.clip(x + sigma * noise, 0, 1)
    code = np.asarray(linear_to_srgb(x), np.float32)
    if look.tone == "phone":
        code = phone_curve(code)
    if look.sharpen > 0:
        code = code + look.sharpen * (code - gaussian(code, 1.0))
    return np.asarray(np.clip(code * 255 + 0.5, 0, 255), np.uint8)


def save_jpeg(picture: NDArray[np.uint8], path: Path, quality: int) -> None:
    """Write a JPEG without any metadata."""
    Image.fromarray(picture).save(path, "JPEG", quality=quality, subsampling=2, optimize=True)
