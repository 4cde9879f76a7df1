"""A map of where molded lettering stands in a picture.

A small network of our own, trained on lettering laid into relief under random light and on other textures
(``sample_images/train_marks.py``; the record beside the weights holds its held-out figures). It answers how
likely a letter covers each spot, how high letters are there, and along which axis they run. Which end of the
axis is the beginning it cannot say: the reading decides.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.mark_reader import evened, shading, with_room
from vision.network import open_own
from vision.photo import Photo
from vision.relief import Float
from vision.text_outlines import CAPITAL_SHARE, centerline, lines_of_map

#: Long sides at which a picture is looked at; letters are then 7–58 px high in one of them.
SIDES = (896, 448)

_MODEL = "models/mark_map.onnx"
_STRIDE = 4
#: Share of a core from which a spot belongs to a line.
_CORE = 0.3
#: Points looked at along a line, and the share of them that must show letters before its height is stated.
_SAMPLES, _LEAST_LETTERED = 48, 0.25
#: Mean share of a core from which it is one of letters.
_LEAST_SHARE = 0.4
#: Spread of a core across its middle, in letter heights, up to which it is one line: a core as high as its
#: letters, evenly filled, has √(1/12) = 0.29.
_ONE_LINE = 0.35
#: How far an outline goes beyond both ends of its core, in letter heights.
_REACH = 0.8
#: Height of the outline of several lines that run together over that of the grown core.
_ROOM = 1.2


@dataclass(frozen=True, slots=True)
class Line:
    """One line of lettering: where it is, not what it says.

    Attributes
    ----------
    polygon
        (2 k, 2) in the picture's pixels: one long edge, then the other one back. Which edge is the upper
        one is not known.
    share
        Mean share of its core, 0–1.
    letter_px
        Height of a capital in the picture's pixels.
    """

    polygon: NDArray[np.float64]
    share: float
    letter_px: float


@dataclass(frozen=True, slots=True)
class TextMap:
    """What the network saw in one picture.

    Attributes
    ----------
    core
        (h, w) float32 in [0, 1]: how likely the middle of a letter covers each cell.
    letter_px
        (h, w) float32: height of capitals, in the picture's pixels; meaningless where ``core`` is low.
    scale
        Cells per pixel of the picture, x and y.
    """

    core: Float
    letter_px: Float
    scale: tuple[float, float]

    @property
    def highest(self) -> float:
        """The highest share over three by three cells: what blank and lettered pictures differ in."""
        return float(cv2.blur(self.core, (3, 3), borderType=cv2.BORDER_CONSTANT).max())

    def at(self, points: NDArray[np.float64]) -> float:
        """Return the mean share at (n, 2) points of the picture; outside it is 0."""
        cells = np.floor(points * self.scale).astype(int)
        rows, columns = self.core.shape
        inside = (cells >= 0).all(axis=1) & (cells[:, 0] < columns) & (cells[:, 1] < rows)
        return float(self.core[cells[inside, 1], cells[inside, 0]].sum() / max(len(points), 1))

    def where(self, share: float) -> NDArray[np.float64]:
        """Return (n, 2) points of the picture, the middles of the cells whose share is above ``share``."""
        rows, columns = np.nonzero(self.core > share)
        return np.asarray((np.stack([columns, rows], axis=1) + 0.5) / self.scale, np.float64)

    def letter_along(self, outline: NDArray[np.float64]) -> float | None:
        """Return the height of capitals along a line in the picture's pixels; None where no letters show.

        Parameters
        ----------
        outline
            (2 k, 2): the upper edge of the line, then the lower edge back, in the picture's pixels.
        """
        half = len(outline) // 2
        middle = 0.5 * (outline[:half] + outline[half:][::-1])
        at = np.linspace(0, half - 1, _SAMPLES)
        points = np.stack([np.interp(at, np.arange(half), middle[:, i]) for i in (0, 1)], axis=1)
        columns, rows = np.clip(
            np.floor(points * self.scale).astype(int), 0, np.array(self.core.shape)[::-1] - 1
        ).T
        lettered = self.core[rows, columns] > _CORE
        if lettered.mean() < _LEAST_LETTERED:
            return None
        return float(np.median(self.letter_px[rows, columns][lettered]))

    def lines(self) -> list[Line]:
        """Return the lines of lettering in the map, the longest and surest first."""
        out = []
        for found in lines_of_map(self.core, self.scale, _CORE, _LEAST_SHARE):
            lettered = found.core[self.core[found.core[:, 1], found.core[:, 0]] > _CORE]
            letter_px = float(np.median(self.letter_px[lettered[:, 1], lettered[:, 0]]))
            line = centerline(np.asarray(lettered + 0.5, np.float64))
            letter = letter_px * self.scale[1]
            if line is None or line.spread > _ONE_LINE * letter:
                outline = with_room(found.polygon, _ROOM)  # several lines run together, or one far round
            else:
                outline = line.band(0.5 * letter / CAPITAL_SHARE, _REACH * letter) / self.scale
            out.append(Line(outline, found.score, letter_px))
        return sorted(out, key=lambda line: -line.share * cv2.contourArea(line.polygon.astype(np.float32)))


@dataclass(frozen=True, slots=True)
class Levels:
    """Held-out levels of :attr:`TextMap.highest`.

    Attributes
    ----------
    lettered
        What 98 % of lettered pictures exceed: below it, lettering is nearly ruled out.
    blank
        What 2 % of pictures without lettering exceed.
    """

    lettered: float
    blank: float


def look(rgb: NDArray[np.uint8], side: int = SIDES[0]) -> TextMap:
    """Return the text map of a picture.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8 sRGB, at least 32 px on each side.
    side
        Long side it is reduced to; smaller pictures are taken as they are.
    """
    height, width = rgb.shape[:2]
    shrink = min(1.0, side / max(height, width))
    size = (max(32, round(width * shrink)), max(32, round(height * shrink)))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA if shrink < 1 else cv2.INTER_LINEAR)
    local, fine = evened(shading(np.asarray(small, np.uint8)))
    rows, columns = (-(-n // 32) * 32 for n in small.shape[:2])
    tensor = np.zeros((1, 2, rows, columns), np.float32)
    tensor[0, 0, : size[1], : size[0]] = local
    tensor[0, 1, : size[1], : size[0]] = np.clip(4 * fine, -4, 4)
    session = _session()
    planes = np.asarray(session.run(None, {session.get_inputs()[0].name: tensor})[0][0], np.float32)
    planes = planes[:, : math.ceil(size[1] / _STRIDE), : math.ceil(size[0] / _STRIDE)]
    core = 1.0 / (1.0 + np.exp(-planes[1]))
    scale = (size[0] / width / _STRIDE, size[1] / height / _STRIDE)
    letters = 16.0 * np.exp2(np.clip(planes[6], -2, 3)) / (_STRIDE * scale[1])
    return TextMap(np.asarray(core, np.float32), np.asarray(letters, np.float32), scale)


def of_photo(photo: Photo, side: int = SIDES[0]) -> TextMap:
    """Return the text map of a photo, in the original's pixels; kept with the photo."""

    def find() -> TextMap:
        small, scale = photo.small
        found = look(small, side)
        return TextMap(found.core, found.letter_px / scale, (found.scale[0] * scale, found.scale[1] * scale))

    return photo.once(("text_map", side), find)


def available() -> bool:
    """Return whether the weights and the run time are installed."""
    import importlib.util

    there = files("vision").joinpath(_MODEL).is_file()
    return there and importlib.util.find_spec("onnxruntime") is not None


@cache
def levels() -> Levels:
    """Return the levels that the record beside the weights states."""
    record = json.loads(files("vision").joinpath("models/mark_map.json").read_text(encoding="utf-8"))
    held_out = record["held_out"]
    return Levels(
        _nearest(held_out["highest_in_lettered"], 0.02), _nearest(held_out["highest_in_blanks"], 0.98)
    )


def _nearest(table: dict[str, float], share: float) -> float:
    """The entry whose key is nearest to a share; keys are numbers written out."""
    return float(table[min(table, key=lambda key: abs(float(key) - share))])


@cache
def _session() -> Any:
    return open_own(_MODEL)
