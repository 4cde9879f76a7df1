"""Small signs along one line of a mark, as a network of our own sees them.

It was trained on strips of lettering in many fonts under random light (``sample_images/train_symbols.py``,
record beside the weights) and knows five things: nothing, ®, ©, TM, and some other small sign. How far to
believe it is told by :mod:`vision.mark_symbol`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import mark_map
from vision.mark_box import edges_at
from vision.network import open_own
from vision.ocr import straightened
from vision.photo import Photo
from vision.relief import luminance
from vision.text_outlines import CAPITAL_SHARE

#: What the network tells apart, in the order of its outputs.
KINDS = ("nothing", "registered", "copyright", "trademark", "other")
#: How each sign is written.
CHARACTERS = {"registered": "®", "copyright": "©", "trademark": "™"}

_STRIP_HEIGHT = 112
_CAPITAL_PX = 48.0
_STRIDE = 8
#: Sizes looked at besides the usual one, and the presence in that one from which a place is.
_ZOOMS, _GLIMPSE = (0.85, 1.2), 0.05
#: Cells on either side of such a place that are looked at with it: three letters, more than a sign's outcome
#: depends on.
_CONTEXT = 12
#: The widths that the network takes are multiples of so many cells.
_CELLS = 4
_FOUND = 0.12
#: Presence from which a sign that our reader of lines sees too is believed more.
FAINTEST = 0.25
#: How far the height of letters may be from what a line's outline suggests.
_MOST_RESIZED = 1.6


@dataclass(frozen=True, slots=True)
class Sign:
    """A small sign seen along a line of text.

    Attributes
    ----------
    kind
        One of :data:`KINDS` but ``nothing``.
    shares
        Share of each kind but ``nothing``, given that there is a sign; mean over the sizes looked at.
    presence
        Mean probability that there is a sign at all.
    margin
        Lead of the best kind over the next, 0–1: in shares or in the number of looks that name it,
        whichever is less.
    at
        Where along the line's outline its middle lies: 0 at the first character, 1 at the last; may lie
        outside.
    size_px
        Rough height in pixels of the original.
    center
        (x, y) in pixels of the original.
    """

    kind: str
    shares: dict[str, float]
    presence: float
    margin: float
    at: float
    size_px: float
    center: tuple[float, float]


def find_signs(
    rgb: NDArray[np.uint8],
    outline: NDArray[Any],
    more: Sequence[NDArray[np.uint8]] = (),
    letter_px: float | None = None,
) -> list[Sign]:
    """Return the signs along one line of text, first to last.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8 sRGB.
    outline
        (2 k, 2) points in the picture's pixels: the upper edge of the line as read, then the lower edge back.
    more
        Other photos of the same place under other lights, pixel on pixel.
    letter_px
        Height of its capitals, if known better than from the outline: a raised TM makes outlines taller.

    Returns
    -------
    Signs whose presence is above a low bar; empty when the line is too short or flat to tell. A stroke shows
    only under light across it: of several photos the half that shows a sign best counts, two at least.
    """
    band, run = _band(np.asarray(outline, np.float64).reshape(-1, 2), letter_px)
    height = float(np.median(np.linalg.norm(band[: len(band) // 2] - band[len(band) // 2 :][::-1], axis=1)))
    if height < 12:
        return []
    pictures = (rgb, *more)
    plain = [_looks(picture, band, 1.0) for picture in pictures]
    parts = _glimpsed(plain)
    if not parts:
        return []
    rows, columns = plain[0].shape[2:]
    zoomed = [
        [_onto(look, zoom, rows, columns) for zoom in _ZOOMS for look in _looks(picture, band, zoom, parts)]
        for picture in pictures
    ]
    stacks = np.stack([np.concatenate([p, np.stack(z)]) for p, z in zip(plain, zoomed, strict=True)])
    presence = 1.0 - stacks.mean(axis=1)[:, 0]
    showing = best_half(len(pictures))
    signs = []
    for row, column in _peaks(np.sort(presence, axis=0)[-showing:].mean(axis=0)):
        best = np.argsort(presence[:, *_near(row, column)].max(axis=(1, 2)))[-showing:]
        signs.append(_sign_at(np.concatenate(stacks[best]), row, column, band, run, height))
    return sorted(signs, key=lambda sign: sign.at)


def best_half(pictures: int) -> int:
    """How many pictures count, of those that show a sign best: half of them, two at least."""
    return min(pictures, max(2, (pictures + 1) // 2))


def signs_in(photo: Photo, outline: NDArray[Any], more: Sequence[NDArray[np.uint8]] = ()) -> list[Sign]:
    """Return :func:`find_signs` of a photo: once for a line, whoever asks, unless other photos join in."""
    points = np.ascontiguousarray(outline, np.float64)

    def find() -> list[Sign]:
        letter_px = mark_map.of_photo(photo).letter_along(points) if mark_map.available() else None
        return find_signs(photo.rgb, points, more, letter_px)

    return find() if more else photo.once(("signs", points.tobytes()), find)


def _band(
    outline: NDArray[np.float64], letter_px: float | None = None
) -> tuple[NDArray[np.float64], tuple[float, float]]:
    """Widen a line's outline to the strip the network wants.

    Returns the (2 k, 2) band, and where the line's own first and last character lie in it (0–1).
    """
    half = len(outline) // 2
    upper, lower = outline[:half], outline[half:][::-1]
    middle, across = 0.5 * (upper + lower), 0.5 * (upper - lower)
    height = float(np.median(2 * np.linalg.norm(across, axis=1)))
    if letter_px is not None:
        # Far from the outline's own height, it is that of other letters.
        factor = letter_px / (CAPITAL_SHARE * height)
        if 1 / _MOST_RESIZED < factor < _MOST_RESIZED:
            across, height = factor * across, factor * height
    reach = 1.3 * height
    first = middle[0] - middle[1]
    last = middle[-1] - middle[-2]
    first *= reach / (np.linalg.norm(first) + 1e-9)
    last *= reach / (np.linalg.norm(last) + 1e-9)
    middle = np.concatenate([middle[:1] + first, middle, middle[-1:] + last])
    across = np.concatenate([across[:1], across, across[-1:]])
    grow = _STRIP_HEIGHT / _CAPITAL_PX * CAPITAL_SHARE
    band = np.concatenate([middle + grow * across, (middle - grow * across)[::-1]])
    length = float(np.linalg.norm(np.diff(middle, axis=0), axis=1).sum())
    return band, (reach / length, 1.0 - reach / length)


def _glimpsed(looks: Sequence[NDArray[np.float32]]) -> list[tuple[float, float]]:
    """Where any look along a line may show a sign, with what stands around: starts and ends, 0–1."""
    seen = np.stack([(1.0 - look.mean(axis=0)[0]).max(axis=0) for look in looks]).max(axis=0) >= _GLIMPSE
    near = cv2.dilate(seen.astype(np.uint8)[None], np.ones((1, 2 * _CONTEXT + 1), np.uint8))[0]
    edges = np.flatnonzero(np.diff(np.pad(near, 1).astype(int))) / len(near)
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _looks(
    rgb: NDArray[np.uint8],
    band: NDArray[np.float64],
    zoom: float,
    parts: Sequence[tuple[float, float]] = ((0.0, 1.0),),
) -> NDArray[np.float32]:
    """Class shares (2, 5, 14, W / 8) along a band, its letters ``zoom`` times the usual size.

    The strip is looked at as it is and with its fading light evened out. Nothing is taken to be outside
    ``parts`` of its length, starts and ends from 0 to 1.
    """
    half = len(band) // 2
    middle, across = 0.5 * (band[:half] + band[half:][::-1]), 0.5 * (band[:half] - band[half:][::-1])
    scaled = np.concatenate([middle + across / zoom, (middle - across / zoom)[::-1]])
    strip = straightened(rgb, scaled, _STRIP_HEIGHT)
    width = max(320, math.ceil(strip.shape[1] / 32) * 32)
    right = width - strip.shape[1]
    strip = np.asarray(cv2.copyMakeBorder(strip, 0, 0, 0, right, cv2.BORDER_REPLICATE), np.uint8)
    used = math.ceil((width - right) / _STRIDE)
    plain = normalized(strip)
    strength = np.sqrt(cv2.GaussianBlur(plain * plain, (121, 121), 24.0))
    even = np.clip(plain / (strength + 0.25), -4, 4)
    tensor = np.stack([plain, even])[:, None].astype(np.float32)
    cells = width // _STRIDE
    shares = np.zeros((2, len(KINDS), _STRIP_HEIGHT // _STRIDE, cells), np.float32)
    shares[:, 0] = 1.0
    for start, stop in parts:
        first, last = math.floor(start * used), math.ceil(stop * used)
        first = max(0, min(first, cells - math.ceil((last - first) / _CELLS) * _CELLS))
        last = min(cells, first + math.ceil((last - first) / _CELLS) * _CELLS)
        shares[..., first:last] = _shares(tensor[..., _STRIDE * first : _STRIDE * last])
    return shares[..., :used]


def _shares(tensor: NDArray[np.float32]) -> NDArray[np.float32]:
    """What the network makes of strips, (N, 1, 112, W) as :func:`normalized`: (N, 5, 14, W / 8) shares."""
    session = _session()
    scores = np.asarray(session.run(None, {session.get_inputs()[0].name: tensor})[0], np.float32)
    shares = np.exp(scores - scores.max(axis=1, keepdims=True))
    return np.asarray(shares / shares.sum(axis=1, keepdims=True), np.float32)


def normalized(strip: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return a strip as the network was trained to see it.

    Parameters
    ----------
    strip
        (112, W >= 64, 3) uint8 sRGB.

    Returns
    -------
    (112, W) float32: log luminance without slow changes, over its strength, within ±4.
    """
    log = np.log(luminance(strip) + np.float32(2 / 255))
    fine = log - cv2.GaussianBlur(log, (121, 121), 24.0)
    strength = float(np.sqrt(np.mean(fine * fine)))
    return np.clip(fine / (strength + 0.01), -4, 4).astype(np.float32)


@cache
def _session() -> Any:
    return open_own("models/mark_symbol.onnx")


def _onto(look: NDArray[np.float32], zoom: float, rows: int, columns: int) -> NDArray[np.float32]:
    """Bring one look onto the cells of the unzoomed one; the outside counts as nothing."""
    at_x = ((np.arange(columns) + 0.5) * look.shape[2] / columns - 0.5).astype(np.float32)
    at_y = ((np.arange(rows) + 0.5 - rows / 2) * zoom + rows / 2 - 0.5).astype(np.float32)
    grid_x, grid_y = np.meshgrid(at_x, at_y)
    planes = [
        cv2.remap(
            plane, grid_x, grid_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=float(k == 0)
        )
        for k, plane in enumerate(look)
    ]
    return np.stack(planes)


def _peaks(presence: NDArray[np.float32]) -> list[tuple[int, int]]:
    """Cells where presence is highest within two letters' reach and above the low bar."""
    smooth = cv2.GaussianBlur(presence, (3, 3), 0.8, borderType=cv2.BORDER_REFLECT)
    highest = cv2.dilate(smooth, np.ones((9, 9), np.uint8))
    rows, columns = np.nonzero((smooth >= highest) & (smooth > _FOUND))
    kept: list[tuple[int, int]] = []
    for row, column in sorted(zip(rows.tolist(), columns.tolist(), strict=True), key=lambda p: -smooth[p]):
        if all(abs(column - c) > 4 for _, c in kept):
            kept.append((row, column))
    return kept


def _near(row: int, column: int) -> tuple[slice, slice]:
    return slice(max(0, row - 1), row + 2), slice(max(0, column - 1), column + 2)


def _sign_at(
    stack: NDArray[np.float32],
    row: int,
    column: int,
    band: NDArray[np.float64],
    run: tuple[float, float],
    height: float,
) -> Sign:
    mean = stack.mean(axis=0)
    window = _near(row, column)
    near = mean[:, *window]
    each = stack[:, 1:, *window].mean(axis=(2, 3)).argmax(axis=1)
    votes = np.sort(np.bincount(each, minlength=len(KINDS) - 1))[::-1] / len(each)
    presence = float((1.0 - near[0]).max())
    weight = near[1:].mean(axis=(1, 2))
    shares = {kind: float(w / weight.sum()) for kind, w in zip(KINDS[1:], weight, strict=True)}
    ranked = sorted(shares.values(), reverse=True)
    # Its extent at half its own height: a faint sign is no smaller than a clear one.
    there = (1.0 - mean[0]) > 0.5 * min(1.0, max(presence, FAINTEST))
    count, parts = cv2.connectedComponents(there.astype(np.uint8))
    cells = int((parts == parts[row, column]).sum()) if count > 1 and parts[row, column] else 1
    scale = height / _STRIP_HEIGHT
    size = math.sqrt(cells * _STRIDE**2 / math.pi) / 0.3 * scale
    along = (column + 0.5) / mean.shape[2]
    upper, lower = edges_at(band, along)
    center = upper + (row + 0.5) / mean.shape[1] * (lower - upper)
    return Sign(
        max(shares, key=shares.__getitem__),
        shares,
        presence,
        min(ranked[0] - ranked[1], float(votes[0] - votes[1])),
        (along - run[0]) / max(run[1] - run[0], 1e-6),
        size,
        (float(center[0]), float(center[1])),
    )
