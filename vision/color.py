"""Color spaces, differences, hue on a circle and the grey-scale grade.

Everything is D65, 2° observer, CIELAB relative to the sRGB white. Reference libraries serve as oracles in
the tests only.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_TABLE = np.where(
    (_codes := np.arange(256) / 255.0) <= 0.04045, _codes / 12.92, ((_codes + 0.055) / 1.055) ** 2.4
)


def srgb_to_linear(srgb: NDArray[Any]) -> Array:
    """Return linear light, 0–1, of sRGB values (IEC 61966-2-1:1999).

    Parameters
    ----------
    srgb
        Any shape. uint8 codes (0–255, by table) or floats 0–1; negative floats are mirrored.
    """
    if srgb.dtype == np.uint8:
        return _TABLE[srgb]
    value = np.abs(np.asarray(srgb, np.float64))
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return np.copysign(light, srgb)


def linear_to_srgb(linear: NDArray[Any]) -> Array:
    """Return sRGB values (floats, 0–1 for light 0–1) of linear light; negative light is mirrored."""
    value = np.abs(np.asarray(linear, np.float64))
    code = np.where(value <= 0.0031308, value * 12.92, 1.055 * value ** (1 / 2.4) - 0.055)
    return np.copysign(code, linear)
