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

#: Width of one crop in the picture, and of the gaps round it, in pixels.
PANEL = 560
GAP = 20

#: No crop is enlarged more than this: beyond it there is nothing left to see.
MAX_ENLARGEMENT = 6.0


@dataclass(frozen=True, slots=True)
class Caption:
    """The words of an evidence picture, all made from the record.

    ``headline`` is the finding, ``lines`` the numbers, ``footer`` the provenance.
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
    region: Region, shape: tuple[int, int], margin: float = 0.45, least: int = 48
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
    for polygon in region.polygons:
        points = np.rint((np.asarray(polygon) - np.asarray(origin)) * scale).astype(np.int32)[:, None]
        cv2.polylines(image, [points], True, INK, width + 3, cv2.LINE_AA)
        cv2.polylines(image, [points], True, LINE, width, cv2.LINE_AA)


def evidence_crops(rgb: Image, region: Region | None) -> tuple[Image, Image, float]:
    """Return the untouched crop, the outlined crop and the scale (crop pixels per original pixel)."""
    height, width = rgb.shape[:2]
    box = (0, 0, width, height) if region is None else crop_box(region, (height, width))
    x0, y0, x1, y1 = box
    crop = rgb[y0:y1, x0:x1]
    scale = min(PANEL / crop.shape[1], PANEL / crop.shape[0], MAX_ENLARGEMENT)
    size = (max(1, round(crop.shape[1] * scale)), max(1, round(crop.shape[0] * scale)))
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    plain: Image = np.asarray(cv2.resize(crop, size, interpolation=method), np.uint8)
    drawn = plain.copy()
    if region is not None:
        outline(drawn, region, (x0, y0), scale)
    return plain, drawn, scale


def thumbnail(rgb: Image, region: Region | None, side: int = 240) -> Image:
    """Return the outlined crop of ``region``, or the whole photo, at most ``side`` pixels each way."""
    _, drawn, _ = evidence_crops(rgb, region)
    scale = min(1.0, side / max(drawn.shape[:2]))
    size = (max(1, round(drawn.shape[1] * scale)), max(1, round(drawn.shape[0] * scale)))
    return np.asarray(cv2.resize(drawn, size, interpolation=cv2.INTER_AREA), np.uint8)


def scale_bar(image: Image, at: tuple[int, int], scale: float) -> None:
    """Draw a bar of a round number of original pixels at ``at`` (in place)."""
    length = next((n for n in (2000, 1000, 500, 200, 100, 50, 20, 10) if n * scale <= PANEL * 0.4), 5)
    x, y = at
    end = x + round(length * scale)
    cv2.line(image, (x, y), (end, y), INK, 2)
    for tick in (x, end):
        cv2.line(image, (tick, y - 5), (tick, y + 5), INK, 2)
    put_text(image, f"{length} px of the original", (end + 10, y + 5), 15, FAINT)


def evidence_picture(
    rgb: Image, region: Region | None, caption: Caption, swatches: Sequence[Swatch] = ()
) -> Image:
    """Compose one evidence picture.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8 sRGB photo, upright; not changed.
    region
        What to outline, in pixels of ``rgb``; None shows the whole photo.
    caption
        Words and numbers.
    swatches
        Measured colors to show as fields, each with its label.

    Returns
    -------
    (h, w, 3) uint8 sRGB picture, 1,180 px wide.
    """
    plain, drawn, scale = evidence_crops(rgb, region)
    width = 2 * PANEL + 3 * GAP
    panel_h = plain.shape[0]
    text_w = width - 2 * GAP - (190 if swatches else 0)
    numbers = [part for line in caption.lines for part in wrap(line, text_w, 19)]
    headline = wrap(caption.headline, text_w, 26, 700)
    footer = [part for line in caption.footer for part in wrap(line, width - 2 * GAP, 14)]
    body_h = max(34 * len(headline) + 27 * len(numbers), 96 * len(swatches)) + 14
    height = 58 + panel_h + 66 + body_h + 20 * len(footer) + 26
    page = np.full((height, width, 3), PAPER, np.uint8)

    put_text(page, caption.title, (GAP, 38), 26, INK, 700)
    top = 58
    for number, (image, name) in enumerate(((plain, "as photographed"), (drawn, "outlined"))):
        left = GAP + number * (PANEL + GAP)
        page[top : top + panel_h, left : left + image.shape[1]] = image
        put_text(page, name, (left, top + panel_h + 20), 15, FAINT)
    scale_bar(page, (GAP, top + panel_h + 42), scale)

    y = top + panel_h + 88
    body_top = y - 22
    for line in headline:
        put_text(page, line, (GAP, y), 26, INK, 700)
        y += 34
    for line in numbers:
        put_text(page, line, (GAP, y), 19)
        y += 27
    for number, swatch in enumerate(swatches):
        x, sy = width - GAP - 170, body_top + 96 * number
        cv2.rectangle(page, (x, sy), (x + 170, sy + 60), swatch.rgb, -1)
        cv2.rectangle(page, (x, sy), (x + 170, sy + 60), FAINT, 1)
        put_text(page, swatch.label, (x, sy + 80), 15, FAINT)
    y = body_top + body_h + 22
    cv2.line(page, (GAP, y - 20), (width - GAP, y - 20), (210, 208, 202), 1)
    for line in footer:
        put_text(page, line, (GAP, y), 14, FAINT)
        y += 20
    return page


def encode_png(image: Image) -> bytes:
    """Return the bytes of a PNG file of (H, W, 3) uint8 sRGB pixels, without any metadata."""
    return _encode(image, "PNG", optimize=False, compress_level=6)


def encode_jpeg(image: Image, quality: int = 85) -> bytes:
    """Return the bytes of a JPEG file of (H, W, 3) uint8 sRGB pixels, without any metadata."""
    return _encode(image, "JPEG", quality=quality, subsampling=0)


def _encode(image: Image, file_format: str, **options: Any) -> bytes:
    from PIL import Image as Pillow

    buffer = io.BytesIO()
    Pillow.fromarray(image).save(buffer, file_format, **options)
    return buffer.getvalue()
