"""Pictures laid into a larger, nearly even one, as when a photo was taken from far away."""

from __future__ import annotations

import cv2
import numpy as np

from vision.photo import Photo


def laid_in(
    rgb: np.ndarray, scale: float, turn: int = 0, size: tuple[int, int] = (1125, 1500)
) -> tuple[Photo, tuple[int, int]]:
    """Return a photo of (height, width) that shows a picture small, and where its upper left corner is.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8.
    scale
        Less than 1.
    turn
        Quarter turns of the picture against the clock.
    """
    small = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    small = np.rot90(small, turn)
    border = np.concatenate([small[0], small[-1], small[:, 0], small[:, -1]])
    shade = np.linspace(-12, 12, size[0])[:, None, None]
    noise = np.random.default_rng(3).normal(0, 3, (*size, 1))
    large = np.clip(np.median(border, axis=0) + shade + noise, 0, 255).astype(np.uint8)
    y, x = 2 * size[0] // 5, size[1] // 4
    y, x = min(y, size[0] - small.shape[0]), min(x, size[1] - small.shape[1])
    large[y : y + small.shape[0], x : x + small.shape[1]] = small
    return Photo.from_array(large), (x, y)
