"""Bytes to a :class:`Photo`: the only place that decodes an image."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Photo:
    """One decoded photo, upright, in sRGB.

    Attributes
    ----------
    rgb
        (H, W, 3) uint8, RGB order, sRGB encoded, EXIF orientation applied. Read-only.
    sha256
        Of the file's bytes, hexadecimal.
    alpha
        (H, W) bool mask of opaque pixels, or None when the file has no transparency.
    steps
        What was done to get here, in order (``"orientation 6"``, ``"icc Display P3 to sRGB"``, …).
    """

    rgb: NDArray[np.uint8]
    sha256: str = ""
    alpha: NDArray[np.bool_] | None = None
    steps: tuple[str, ...] = ()
    file: str = ""

    @property
    def width(self) -> int:
        """Width in pixels."""
        return int(self.rgb.shape[1])

    @property
    def height(self) -> int:
        """Height in pixels."""
        return int(self.rgb.shape[0])

    @cached_property
    def small(self) -> tuple[NDArray[np.uint8], float]:
        """Reduced picture (long side at most 1,024 px) and its scale: original = small / scale."""
        raise NotImplementedError
