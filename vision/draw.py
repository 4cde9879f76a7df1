"""Annotated evidence pictures: an untouched crop beside the same crop with the finding drawn on it.

Nothing is measured here. Outlines come from the record's region, words and numbers from the caption that
was made of the record. Outlines are a light line on a dark one, so that they read in grayscale and by
color-blind eyes; the photo that is given is never changed.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.traits import Region

Rgb = tuple[int, int, int]
Image = NDArray[np.uint8]

INK: Rgb = (24, 26, 30)
FAINT: Rgb = (98, 102, 110)
PAPER: Rgb = (250, 249, 246)
LINE: Rgb = (255, 214, 64)

#: Width of the picture and of the gaps in it, in pixels.
WIDTH = 960
GAP = 20
#: Largest crop in it: two stand side by side.
PANEL, PANEL_H = (WIDTH - 3 * GAP) // 2, 600

# Sizes of type. A phone shows the picture some 400 px wide, so the smallest is 9 px high there.
_TITLE, _HEAD, _BODY, _NOTE = 30, 38, 26, 22
# Largest side of the whole photo in small, and width of the column that it stands in.
_SIDE = 210

#: No crop is enlarged more than this: beyond it there is nothing left to see.
MAX_ENLARGEMENT = 6.0


@dataclass(frozen=True, slots=True)
class Caption:
    """The words of an evidence picture, all made from the record.

    ``headline`` is the finding, ``lines`` the numbers, ``footer`` the provenance, a line each.
    """

    title: str
    headline: str
    lines: tuple[str, ...] = ()
    footer: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Swatch:
    """A measured surface color, sRGB 0–255, and what it is."""

    rgb: Rgb
    label: str


@cache
def _font() -> Any:
    return cv2.FontFace("sans")


def text_width(text: str, size: int, weight: int = 400) -> int:
    """Width in pixels of ``text`` at ``size`` pixels."""
    return int(cv2.getTextSize((1, 1), text, (0, 0), _font(), size, weight)[2])


def put_text(
    image: Image, text: str, at: tuple[int, int], size: int, color: Rgb = INK, weight: int = 400
) -> None:
    """Write one line of text into ``image`` (in place), ``at`` being the left end of its base line."""
    cv2.putText(image, text, at, color, _font(), size, weight)


def wrap(text: str, width: int, size: int, weight: int = 400) -> list[str]:
    """Break ``text`` into lines no wider than ``width`` pixels; a longer word is cut."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        if text_width(longer, size, weight) <= width:
            line = longer
            continue
        if line:
            lines.append(line)
        while text_width(word, size, weight) > width and len(word) > 1:
            keep = max(1, int(len(word) * width / text_width(word, size, weight)) - 1)
            lines.append(word[:keep])
            word = word[keep:]  # noqa: PLW2901
        line = word
    return [*lines, line] if line else lines


def crop_box(
    region: Region, shape: tuple[int, int], margin: float = 0.45, least: int = 64
) -> tuple[int, int, int, int]:
    """Return (x0, y0, x1, y1) of the crop that shows ``region`` with some of its surroundings.

    Parameters
    ----------
    shape
        (height, width) of the photo; the box is cut to it.
    margin
        Share of the region's longer side added on every side.
    least
        Smallest side of the crop in pixels, where the photo allows it.
    """
    x0, y0, x1, y1 = region.bounds
    half = max(max(x1 - x0, y1 - y0) * (0.5 + margin), least / 2)
    aspect = min(max((x1 - x0 + 1) / (y1 - y0 + 1), 0.75), 1.5)
    half_w, half_h = (half, half / aspect) if aspect >= 1 else (half * aspect, half)
    cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
    height, width = shape
    return (
        int(max(0, cx - half_w)),
        int(max(0, cy - half_h)),
        int(min(width, np.ceil(cx + half_w))),
        int(min(height, np.ceil(cy + half_h))),
    )


def outline(image: Image, region: Region, origin: tuple[float, float], scale: float, width: int = 2) -> None:
    """Draw ``region`` into ``image`` (in place), light on dark, after moving it by ``origin`` and scaling."""
    for points in _placed(region, origin, scale):
        cv2.polylines(image, [points], True, INK, width + 4, cv2.LINE_AA)
        cv2.polylines(image, [points], True, LINE, width, cv2.LINE_AA)


def tags(image: Image, region: Region, origin: tuple[float, float], scale: float) -> None:
    """Write each of the region's names once, beside its largest polygon (in place).

    That is at the left where there is room, else below, so that no name hides the outline it belongs to.
    """
    largest: dict[str, NDArray[np.int32]] = {}
    for name, points in zip(region.names, _placed(region, origin, scale), strict=False):
        if name not in largest or cv2.contourArea(points) > cv2.contourArea(largest[name]):
            largest[name] = points
    free = 0
    for name, points in sorted(largest.items(), key=lambda item: _left_end(item[1])[1]):
        x, y = _left_end(points)
        box_w, box_h = text_width(name, _NOTE, 700) + 12, _NOTE + 8
        lowest = int(points[..., 1].max()) + 8
        if x < box_w + 4 and lowest + box_h <= image.shape[0]:
            x, y = int(points[..., 0].mean()) + box_w // 2, lowest + box_h // 2
        left = min(max(0, x - box_w - 4), max(0, image.shape[1] - box_w))
        top = min(max(free, y - box_h // 2), max(0, image.shape[0] - box_h))
        cv2.rectangle(image, (left, top), (left + box_w, top + box_h), INK, -1)
        put_text(image, name, (left + 6, top + _NOTE), _NOTE, LINE, 700)
        free = top + box_h + 2


def _left_end(points: NDArray[np.int32]) -> tuple[int, int]:
    x, y = points.reshape(-1, 2)[points.reshape(-1, 2)[:, 0].argmin()]
    return int(x), int(y)


def _placed(region: Region, origin: tuple[float, float], scale: float) -> list[NDArray[np.int32]]:
    return [
        np.rint((np.asarray(polygon) - np.asarray(origin)) * scale).astype(np.int32)[:, None]
        for polygon in region.polygons
    ]


def evidence_crops(rgb: Image, region: Region | None) -> tuple[Image, Image, float]:
    """Return the untouched crop, the outlined crop and the scale (crop pixels per original pixel)."""
    height, width = rgb.shape[:2]
    box = (0, 0, width, height) if region is None else crop_box(region, (height, width))
    x0, y0, x1, y1 = box
    crop = rgb[y0:y1, x0:x1]
    scale = min(PANEL / crop.shape[1], PANEL_H / crop.shape[0], MAX_ENLARGEMENT)
    size = (max(1, round(crop.shape[1] * scale)), max(1, round(crop.shape[0] * scale)))
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    plain: Image = np.asarray(cv2.resize(crop, size, interpolation=method), np.uint8)
    drawn = plain.copy()
    if region is not None:
        outline(drawn, region, (x0, y0), scale)
        tags(drawn, region, (x0, y0), scale)
    return plain, drawn, scale


@dataclass(frozen=True, slots=True, eq=False)
class Crops:
    """A place in a photo as it is shown: (h, w, 3) uint8 sRGB each.

    ``plain`` is the untouched crop, ``drawn`` the outlined one, ``scale`` their pixels per original pixel;
    ``framed`` is the whole photo in small, with the crop framed.
    """

    plain: Image
    drawn: Image
    scale: float
    framed: Image


def crops_of(rgb: Image, region: Region | None, small: Image | None = None) -> Crops:
    """Return what shows a region of a photo, the whole photo for None.

    ``small`` is the photo :func:`in_small`, from whoever shows many places of one photo.
    """
    framed = in_small(rgb) if small is None else small.copy()
    if region is not None:
        box = Region.box(*crop_box(region, (rgb.shape[0], rgb.shape[1])))
        outline(framed, box, (0, 0), _SIDE / max(rgb.shape[:2]))
    return Crops(*evidence_crops(rgb, region), framed)


def in_small(rgb: Image) -> Image:
    """Return the whole photo, its long side as wide as its column in an evidence picture."""
    height, width = rgb.shape[:2]
    scale = _SIDE / max(height, width)
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)


def thumbnail(image: Image, side: int = 240) -> Image:
    """Return a picture at most ``side`` pixels each way."""
    scale = min(1.0, side / max(image.shape[:2]))
    size = (max(1, round(image.shape[1] * scale)), max(1, round(image.shape[0] * scale)))
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), np.uint8)


def scale_bar(image: Image, at: tuple[int, int], scale: float) -> None:
    """Draw a bar of a round number of original pixels at ``at``, with the enlargement (in place)."""
    length = next((n for n in (2000, 1000, 500, 200, 100, 50, 20, 10) if n * scale <= PANEL * 0.5), 5)
    x, y = at
    end = x + round(length * scale)
    cv2.line(image, (x, y), (end, y), INK, 3)
    for tick in (x, end):
        cv2.line(image, (tick, y - 7), (tick, y + 7), INK, 3)
    size = "original size" if abs(scale - 1) < 0.05 else f"{scale:.2g} times original size"
    put_text(image, f"{length} px of the original photo, shown at {size}", (end + 14, y + 7), _NOTE, FAINT)


def evidence_picture(crops: Crops, caption: Caption, swatches: Sequence[Swatch] = ()) -> Image:
    """Compose one evidence picture.

    Parameters
    ----------
    crops
        What of the photo it shows.
    caption
        Words and numbers.
    swatches
        Measured colors to show as fields, each with its label.

    Returns
    -------
    (h, w, 3) uint8 sRGB picture, :data:`WIDTH` px wide, made to be read on a phone.
    """
    blocks = [
        _words(((caption.title, _TITLE, FAINT, 400), (caption.headline, _HEAD, INK, 700)), WIDTH - 2 * GAP),
        _panels(crops),
        _beside(
            _words([(line, _BODY, INK, 400) for line in caption.lines], WIDTH - 3 * GAP - _SIDE),
            _column(crops.framed, swatches),
        ),
        _words([(line, _NOTE, FAINT, 400) for line in caption.footer], WIDTH - 2 * GAP),
    ]
    height = sum(block.shape[0] for block in blocks) + GAP * (len(blocks) + 1)
    page = _paper(height, WIDTH)
    y = GAP
    for block in blocks:
        page[y : y + block.shape[0], GAP : GAP + block.shape[1]] = block
        y += block.shape[0] + GAP
    rule = y - GAP - blocks[-1].shape[0] - GAP // 2
    cv2.line(page, (GAP, rule), (WIDTH - GAP, rule), (210, 208, 202), 2)
    return page


def _paper(height: int, width: int) -> Image:
    """Return an empty page; row by row, which is faster than pixel by pixel."""
    page = np.empty((height, width, 3), np.uint8)
    page[:] = np.full((width, 3), PAPER, np.uint8)
    return page


def _words(lines: Sequence[tuple[str, int, Rgb, int]], width: int) -> Image:
    """Return paragraphs of (text, size, color, weight), wrapped to ``width`` pixels."""
    rows = [
        (part, size, color, weight)
        for text, size, color, weight in lines
        for part in wrap(text, width, size, weight)
    ]
    page = _paper(sum(round(1.35 * row[1]) for row in rows), width)
    y = 0
    for text, size, color, weight in rows:
        put_text(page, text, (0, y + size), size, color, weight)
        y += round(1.35 * size)
    return page


def _panels(crops: Crops) -> Image:
    """Return the untouched crop beside the outlined one, with labels and scale below."""
    height, width = crops.plain.shape[:2]
    page = _paper(height + 84, WIDTH - 2 * GAP)
    for left, image, name in ((0, crops.plain, "as photographed"), (PANEL + GAP, crops.drawn, "outlined")):
        page[:height, left : left + width] = image
        put_text(page, name, (left, height + 30), _NOTE, FAINT)
    scale_bar(page, (2, height + 62), crops.scale)
    return page


def _column(framed: Image, swatches: Sequence[Swatch]) -> Image:
    """Return the place of the crop in the photo, and the measured colors below it."""
    page = _paper(framed.shape[0] + 44 + 104 * len(swatches), _SIDE)
    page[: framed.shape[0], : framed.shape[1]] = framed
    put_text(page, "in the whole photo", (0, framed.shape[0] + 28), _NOTE, FAINT)
    y = framed.shape[0] + 44
    for swatch in swatches:
        cv2.rectangle(page, (0, y), (_SIDE - 1, y + 60), swatch.rgb, -1)
        cv2.rectangle(page, (0, y), (_SIDE - 1, y + 60), FAINT, 1)
        put_text(page, swatch.label, (0, y + 86), _NOTE, FAINT)
        y += 104
    return page


def _beside(left: Image, right: Image) -> Image:
    """Return two blocks next to each other, the second one at the right edge."""
    page = _paper(max(left.shape[0], right.shape[0]), WIDTH - 2 * GAP)
    page[: left.shape[0], : left.shape[1]] = left
    page[: right.shape[0], -right.shape[1] :] = right
    return page


def encode_png(image: Image) -> bytes:
    """Return the bytes of a PNG file of (H, W, 3) uint8 sRGB pixels, without any metadata."""
    # One filter for all rows: half of Pillow's time, and no larger.
    filtered = [cv2.IMWRITE_PNG_COMPRESSION, 1, cv2.IMWRITE_PNG_FILTER, cv2.IMWRITE_PNG_FILTER_UP]
    return bytes(cv2.imencode(".png", cv2.cvtColor(image, cv2.COLOR_RGB2BGR), filtered)[1])


def encode_jpeg(image: Image, quality: int = 85) -> bytes:
    """Return the bytes of a JPEG file of (H, W, 3) uint8 sRGB pixels, without any metadata."""
    from PIL import Image as Pillow

    buffer = io.BytesIO()
    Pillow.fromarray(image).save(buffer, "JPEG", quality=quality, subsampling=0)
    return buffer.getvalue()
