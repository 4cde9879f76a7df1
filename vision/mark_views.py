"""One line of a mark as its readers get it, in several ways of looking.

The ways are the photo itself, its contrast stretched, the height under the likeliest light, tighter and
wider crops. Where the same place was photographed under several known lights, those take the place of the
supposed one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import mark_reader
from vision.mark_box import Box
from vision.ocr import OcrLine, straightened
from vision.photo import Photo
from vision.relief import Float, equalize, flatten, hypotheses, integrate, likely_azimuth, picture

_STRIP_PX = 48
_MOST_PIXELS = 500_000
#: Room across a line in further looks, times its outline's: of the photo and of its stretched contrast.
_FURTHER_ROOMS = (1.2, 0.88)


@dataclass(frozen=True, slots=True, eq=False)
class Close:
    """The surroundings of one box as the engine gets them, and the whole pictures our own reader takes.

    ``views`` are cut out at ``origin`` and scaled by ``scale`` against the ``pictures``.
    """

    views: dict[str, NDArray[np.uint8]]
    scale: float
    origin: NDArray[np.float64]
    pictures: tuple[NDArray[np.uint8], ...]
    height: Float | None
    letter: float

    @property
    def plain(self) -> list[NDArray[np.uint8]]:
        """The views that suppose nothing about the light."""
        return list(self.views.values())

    def supposed(self) -> list[NDArray[np.uint8]]:
        """The height under the likeliest light; none where several lights are known.

        Under a light supposed across the true one letters are smeared, which a reader takes for others.
        """
        if "more_0" in self.views:
            return []
        shading = equalize(flatten(self.views["plain"], self.letter), 2 * self.letter)
        return [picture(integrate(shading, likely_azimuth(shading), self.letter))]

    def strips(
        self, box: Box, views: Sequence[NDArray[np.uint8]], room: float = 1.0
    ) -> list[NDArray[np.uint8]]:
        """The line of a box cut out of views, upright."""
        outline = mark_reader.with_room((box.polygon - self.origin) * self.scale, room)
        return [straightened(view, outline, _STRIP_PX) for view in views]

    def further(self, box: Box) -> list[NDArray[np.uint8]]:
        """Strips of one line in every way of looking but the plain ones."""
        plain = (self.views["plain"], self.views.get("more_0", self.views["contrast"]))
        strips = self.strips(box, self.supposed())
        for room, view in zip(_FURTHER_ROOMS, plain, strict=True):
            strips += self.strips(box, [view], room)
        return strips

    def own(self, box: Box, rooms: Sequence[float] = mark_reader.ROOMS) -> list[OcrLine]:
        """What our own reader says; nothing when it is not installed."""
        if not mark_reader.available():
            return []
        return mark_reader.opinions(self.pictures, box.polygon, self.height, rooms)


def views_of(photo: Photo, box: Box, more: Sequence[NDArray[np.uint8]], height: Float | None = None) -> Close:
    """Return ways of looking at the surroundings of one box, scaled so that its line is about a strip high.

    Parameters
    ----------
    photo
        The whole photo.
    box
        One found line.
    more, height
        As for :func:`vision.mark_text.measure`.
    """
    margin = 0.8 * box.height
    low = np.floor(np.maximum(box.polygon.min(axis=0) - margin, 0)).astype(int)
    high = np.ceil(np.minimum(box.polygon.max(axis=0) + margin, (photo.width, photo.height))).astype(int)
    window = (slice(low[1], high[1]), slice(low[0], high[0]))
    scale = min(2.5, 1.15 * _STRIP_PX / max(box.height, 1.0))
    scale = min(scale, math.sqrt(_MOST_PIXELS / max(1, int(np.prod(high - low)))))
    letter = 0.6 * box.height * scale
    views = hypotheses(_resized(photo.rgb[window], scale), letter, ())
    for index, rgb in enumerate(more):
        views[f"more_{index}"] = picture(flatten(_resized(rgb[window], scale), letter))
    return Close(views, scale, low.astype(np.float64), (photo.rgb, *more[1:]), height, letter)


def _resized(rgb: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    if scale == 1.0:
        return rgb
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=method), np.uint8)
