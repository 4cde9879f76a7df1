"""Vinyl colors: what old doll skin looks like, and how it fades."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.truth import delta_e_2000, lab_to_linear


def skin_lab(rng: np.random.Generator) -> NDArray[np.float64]:
    """Draw a vinyl skin color (CIELAB, D65): pale ivory to tan, pinkish to yellowish."""
    lightness = rng.uniform(58, 84)
    chroma = rng.uniform(12, 20) + (84 - lightness) * rng.uniform(0.15, 0.4)
    hue = np.radians(rng.uniform(40, 76))
    return np.array([lightness, chroma * np.cos(hue), chroma * np.sin(hue)])


def faded_lab(rng: np.random.Generator, lab: Any, delta_e00: float) -> NDArray[np.float64]:
    """Return ``lab`` after fading by a given CIEDE2000: lighter, less pink, more or less yellow."""
    direction = np.array([rng.uniform(0.4, 1.0), -rng.uniform(0.3, 0.9), rng.uniform(-0.6, 0.6)])
    low, high = 0.0, 60.0
    for _ in range(40):
        middle = (low + high) / 2
        if delta_e_2000(np.asarray(lab) + middle * direction, lab) < delta_e00:
            low = middle
        else:
            high = middle
    return np.asarray(lab, float) + low * direction


def linear(lab: Any) -> tuple[float, float, float]:
    """CIELAB → linear sRGB reflectance, kept inside what a surface can reflect."""
    r, g, b = np.clip(lab_to_linear(lab), 0.005, 0.95)
    return float(r), float(g), float(b)
