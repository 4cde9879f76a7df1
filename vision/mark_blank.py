"""What it is worth that no text was found in a photo.

How a dealer would be misled without this: shallow letters in frontal light, or out of focus, do not show,
and the part would pass for one without a mark. Nor does the smooth wall behind a small part say anything of
the part: the surface that fills the photo must have the color of vinyl.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision import mark_map
from vision.locate.blobs import vinyl_likeness
from vision.photo import Photo
from vision.relief import flatten, luminance


def surely_blank(photo: Photo) -> bool:
    """Return whether the text map is below what 98 % of lettered pictures exceed, at every size looked at."""
    if not mark_map.available() or min(photo.width, photo.height) < 48:
        return False
    lettered = mark_map.levels().lettered
    return all(mark_map.of_photo(photo, side).highest < lettered for side in mark_map.SIDES)


@dataclass(frozen=True, slots=True)
class SurfaceSeen:
    """How well a smooth surface is seen: what "no text found" is worth.

    ``vinyl`` says that one surface with the color of vinyl fills most of the photo, ``close`` that it is
    smooth too, ``side_lit`` that light falls along it.
    """

    blurred: bool
    side_lit: bool
    vinyl: bool
    close: bool
    confidence: float


def surface_seen(photo: Photo) -> SurfaceSeen:
    """Return how well molded letters would show in a photo of a smooth surface.

    Side light shows as a strong fall of brightness across the curved body together with fine texture that
    stands out of the noise; a close-up as one color from border to border.
    """
    small, _ = photo.small
    log = np.log(luminance(small) + np.float32(0.01))
    fall = float(np.percentile(log, 90) - np.percentile(log, 10))
    fine = flatten(small, 6.0)
    pixel_noise = float(np.median(np.abs(fine - cv2.GaussianBlur(fine, (0, 0), 1.0)))) * 1.48
    texture = float(np.median(np.abs(cv2.GaussianBlur(fine, (0, 0), 1.5)))) * 1.48
    lab = cv2.cvtColor(cv2.GaussianBlur(small, (0, 0), 4).astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    color = np.median(lab, axis=(0, 1))
    tint = lab[..., 1:] - color[1:]
    one_color = float(np.mean(np.hypot(tint[..., 0], tint[..., 1]) < 10.0))
    smooth = float(np.mean(cv2.GaussianBlur(np.abs(fine), (0, 0), 4) < 0.05))
    vinyl = one_color > 0.8 and vinyl_likeness([float(v) for v in color]) > 0.5
    close = vinyl and smooth > 0.85 and fall < 2.5
    side_lit = fall > 0.45 and texture > 0.004
    confidence = 0.55 + 0.2 * min(1.0, max(0.0, (fall - 0.45) / 0.8)) + 0.05 * min(1.0, texture / 0.02)
    return SurfaceSeen(pixel_noise < 0.0012, side_lit, vinyl, close, confidence)
