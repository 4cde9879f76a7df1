"""Truth records, masks and the color arithmetic they need."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

_RGB_TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
_WHITE = _RGB_TO_XYZ.sum(axis=1)


def srgb_to_linear(code: Any) -> NDArray[np.float64]:
    """Decode sRGB codes in [0, 1] to linear light (IEC 61966-2-1)."""
    c = np.asarray(code, np.float64)
    return np.where(c <= 0.04045, c / 12.92, ((np.maximum(c, 0) + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(linear: Any) -> NDArray[np.float64]:
    """Encode linear light in [0, 1] to sRGB codes (IEC 61966-2-1)."""
    c = np.clip(np.asarray(linear, np.float64), 0, None)
    return np.where(c <= 0.0031308, 12.92 * c, 1.055 * c ** (1 / 2.4) - 0.055)


def hex_to_linear(text: str) -> tuple[float, float, float]:
    """``"#aabbcc"`` → linear RGB."""
    codes = [int(text.lstrip("#")[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    r, g, b = srgb_to_linear(codes)
    return float(r), float(g), float(b)


def linear_to_lab(linear: Any) -> NDArray[np.float64]:
    """(..., 3) linear sRGB → CIELAB under D65."""
    t = np.asarray(linear, np.float64) @ _RGB_TO_XYZ.T / _WHITE
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], -1)


def lab_to_linear(lab: Any) -> NDArray[np.float64]:
    """(..., 3) CIELAB under D65 → linear sRGB, not clipped."""
    lab = np.asarray(lab, np.float64)
    fy = (lab[..., 0] + 16) / 116
    f = np.stack([fy + lab[..., 1] / 500, fy, fy - lab[..., 2] / 200], -1)
    t = np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29))
    return (t * _WHITE) @ np.linalg.inv(_RGB_TO_XYZ).T


def delta_e_2000(lab1: Any, lab2: Any) -> float:
    """CIEDE2000 of two Lab colors (Sharma, Wu, Dalal 2005, 10.1002/col.20070)."""
    (l1, a1, b1), (l2, a2, b2) = (map(float, lab1), map(float, lab2))
    c_mean = (math.hypot(a1, b1) + math.hypot(a2, b2)) / 2
    g = 0.5 * (1 - math.sqrt(c_mean**7 / (c_mean**7 + 25**7)))
    a1, a2 = a1 * (1 + g), a2 * (1 + g)
    c1, c2 = math.hypot(a1, b1), math.hypot(a2, b2)
    h1, h2 = math.degrees(math.atan2(b1, a1)) % 360, math.degrees(math.atan2(b2, a2)) % 360
    dh = 0.0 if c1 * c2 == 0 else (h2 - h1 + 180) % 360 - 180
    d_l, d_c, d_h = l2 - l1, c2 - c1, 2 * math.sqrt(c1 * c2) * math.sin(math.radians(dh / 2))
    l_m, c_m = (l1 + l2) / 2, (c1 + c2) / 2
    if c1 * c2 == 0:
        h_m = h1 + h2
    elif abs(h1 - h2) <= 180:
        h_m = (h1 + h2) / 2
    else:
        h_m = (h1 + h2 + 360) / 2 if h1 + h2 < 360 else (h1 + h2 - 360) / 2
    t = (
        1
        - 0.17 * math.cos(math.radians(h_m - 30))
        + 0.24 * math.cos(math.radians(2 * h_m))
        + 0.32 * math.cos(math.radians(3 * h_m + 6))
        - 0.20 * math.cos(math.radians(4 * h_m - 63))
    )
    s_l = 1 + 0.015 * (l_m - 50) ** 2 / math.sqrt(20 + (l_m - 50) ** 2)
    s_c, s_h = 1 + 0.045 * c_m, 1 + 0.015 * c_m * t
    r_t = (
        -2
        * math.sqrt(c_m**7 / (c_m**7 + 25**7))
        * math.sin(math.radians(60 * math.exp(-(((h_m - 275) / 25) ** 2))))
    )
    x, y, z = d_l / s_l, d_c / s_c, d_h / s_h
    return math.sqrt(x * x + y * y + z * z + r_t * y * z)


def light_rgb(cct_k: float) -> NDArray[np.float64]:
    """Linear sRGB of a black body, green = 1 (cubic fit of the locus by Kim et al. 2002, US 7024034 B2)."""
    t = 1e3 / cct_k
    if cct_k <= 4000:
        x = -0.2661239 * t**3 - 0.2343589 * t**2 + 0.8776956 * t + 0.179910
    else:
        x = -3.0258469 * t**3 + 2.1070379 * t**2 + 0.2226347 * t + 0.240390
    if cct_k <= 2222:
        y = -1.1063814 * x**3 - 1.34811020 * x**2 + 2.18555832 * x - 0.20219683
    elif cct_k <= 4000:
        y = -0.9549476 * x**3 - 1.37418593 * x**2 + 2.09137015 * x - 0.16748867
    else:
        y = 3.0817580 * x**3 - 5.87338670 * x**2 + 3.75112997 * x - 0.37001483
    rgb = np.linalg.inv(_RGB_TO_XYZ) @ np.array([x / y, 1.0, (1 - x - y) / y])
    return np.maximum(rgb / rgb[1], 0.02)


def plain_json(value: Any) -> Any:
    """Turn numpy values into plain ones for ``json``."""
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"{type(value).__name__} cannot be written as JSON")


def save_mask(classes: NDArray[np.uint8], path: Path) -> None:
    """Write an 8-bit palette PNG whose values are the class numbers."""
    image = Image.fromarray(classes, mode="P")
    shades = np.random.default_rng(7).integers(40, 256, (256, 3))
    shades[0] = 0
    shades[19] = 0
    image.putpalette(shades.astype(np.uint8).ravel().tolist())
    image.save(path, optimize=True)


def outline_of(mask: NDArray[np.bool_], points: int = 48) -> list[list[float]]:
    """Outline of a mask's largest piece as a polygon seen from its middle: [[x, y], …], [] if empty.

    Rays from the center of the piece meet the farthest pixel, so concave shapes are slightly filled.
    """
    ys, xs = np.nonzero(mask)
    if len(xs) < 12:
        return []
    cx, cy = xs.mean() + 0.5, ys.mean() + 0.5
    angle = np.arctan2(ys + 0.5 - cy, xs + 0.5 - cx)
    distance = np.hypot(xs + 0.5 - cx, ys + 0.5 - cy)
    sector = ((angle + np.pi) / (2 * np.pi) * points).astype(int) % points
    out = []
    for i in range(points):
        inside = sector == i
        if inside.any():
            far = np.argmax(np.where(inside, distance, -1))
            out.append([round(float(xs[far] + 0.5), 1), round(float(ys[far] + 0.5), 1)])
    return out


def box_of(mask: NDArray[np.bool_]) -> list[float] | None:
    """[x0, y0, x1, y1] round a mask, or None when it is empty."""
    ys, xs = np.nonzero(mask)
    if len(xs) == 0:
        return None
    return [float(xs.min()), float(ys.min()), float(xs.max() + 1), float(ys.max() + 1)]
