"""Where a photo of a mark has lines of text.

The engine's detector looks at the photo and at its relief: where our own text map surely shows letters, else
at the whole, and closer at each candidate place that the whole would show too small. The map adds the lines
that the engine misses. What the lines say is no matter here (:mod:`vision.mark_looks`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import mark_map
from vision.locate.places import MarkPlace
from vision.mark_box import Box, covered, section
from vision.ocr import GuardedEngine, OcrLine
from vision.photo import Photo
from vision.relief import flatten, integrate, likely_azimuth, picture

_SURVEY_SIDE = 896
#: Share of the text map's core that counts as some letter, once it surely shows letters somewhere, and how
#: far the engine looks around all of it, as a share of the picture's long side.
_SOME_LETTER, _AROUND = 0.2, 0.1
_MOST_LINES = 10
_MOST_MAPPED = 4
#: The detector's score from which a line is seen so well that no other way of looking is tried.
_SEEN_WELL = 0.75
#: Mean share of a line of the text map from which it is read even though the engine did not find it.
_SURE_SHARE = 0.5
#: Score of such a line over its share: it counts where no engine found one.
_MAPPED_TRUST = 0.1
#: Share of such a line in the engine's outline from which the engine found it.
_FOUND = 0.6
#: Height of a part's outline over that of its line's, up to which they are one line.
_SAME_HEIGHT = 1.9


def find_lines(photo: Photo, marks: Sequence[MarkPlace], engine: GuardedEngine) -> list[Box]:
    """Return the lines found in the whole photo and, closer, in the candidate places, clearest first.

    Parameters
    ----------
    photo
        The whole photo.
    marks
        Candidate places; may be empty.
    engine
        Only its ``find`` is asked.

    Raises
    ------
    vision.ocr.OutcomeError
        The engine is missing or fails.
    """
    views: list[list[Box]] = []
    for window in _windows(photo, marks):
        if views and _shows_all(_merged(views), photo):
            break
        views += _surveyed(photo, window, engine)
    found = _along_map(_merged(views), photo)[:_MOST_LINES]
    stubby = [b for b in found if b.length < 2.3 * b.height][:3]
    closer = [b for box in stubby for b in _reconsidered(photo, box, engine)]
    return [b for b in found if b not in stubby] + closer


@dataclass(frozen=True, slots=True)
class _Window:
    """A part of the photo, left, top, right and bottom, and the scale at which it is looked at.

    ``radius`` is the size from which change of brightness counts as slow, in pixels at that scale.
    """

    box: tuple[int, int, int, int]
    scale: float
    radius: float

    @classmethod
    def fitted(cls, box: tuple[int, int, int, int]) -> _Window:
        """A window that takes up all the room there is to look at."""
        long_side = max(1, box[2] - box[0], box[3] - box[1])
        scale = min(1.0, _SURVEY_SIDE / long_side)
        return cls(box, scale, scale * long_side / 24.0)


def _surveyed(photo: Photo, window: _Window, engine: GuardedEngine) -> list[list[Box]]:
    """The lines of one window, a list for each way of looking; it ends with the first that shows one well."""
    x0, y0, x1, y1 = window.box
    crop, scale = photo.rgb[y0:y1, x0:x1], window.scale
    if scale < 1.0:
        crop = np.asarray(cv2.resize(crop, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    views: list[list[Box]] = []
    for view in _survey_views(crop, window.radius):
        found = _boxes(engine.find(view).lines_or_raise())
        views.append([Box(box.polygon / scale + (x0, y0), box.score) for box in found])
        if any(box.score > _SEEN_WELL for box in views[-1]):
            break
    return views


def _boxes(lines: Sequence[OcrLine]) -> list[Box]:
    """The engine's outlines, in its pixels, as far as they have an upper and a lower edge."""
    polygons = [(np.asarray(line.polygon, np.float64).reshape(-1, 2), line.confidence) for line in lines]
    return [Box(p, score) for p, score in polygons if len(p) >= 4 and len(p) % 2 == 0]


def _mapped(photo: Photo) -> list[Box]:
    """The lines that our own text map surely shows, the longest and surest first."""
    if not mark_map.available():
        return []
    lines = [line for line in mark_map.of_photo(photo).lines() if line.share > _SURE_SHARE]
    return [Box(line.polygon, _MAPPED_TRUST * line.share) for line in lines[:_MOST_MAPPED]]


def _shows_all(boxes: Sequence[Box], photo: Photo) -> bool:
    """Whether the engine found each line that the map shows: then no place need be looked at closer."""

    def found(line: Box) -> bool:
        alone = (box for box in boxes if box.height < _SAME_HEIGHT * line.height)
        return any(covered(line, box) > _FOUND for box in alone)

    lines = _mapped(photo)
    return bool(lines) and all(found(line) for line in lines)


def _along_map(found: Sequence[Box], photo: Photo) -> list[Box]:
    """The engine's boxes, those along one line of our own text map as one, and lines that only the map shows.

    The map evens out the light before it looks and follows a bend. It shows where a line goes on that the
    engine cuts off at a scratch or at the end of the light, or sees in pieces.
    """
    boxes = list(found)
    for whole in _mapped(photo):
        parts = [box for box in boxes if _part_of(box, whole)]
        if parts:
            boxes = [box for box in boxes if box not in parts]
            boxes.append(Box(_reaching(whole, parts), max(box.score for box in parts)))
        elif all(max(covered(whole, box), covered(box, whole)) < 0.3 for box in boxes):
            boxes.append(whole)
    return _clearest_first(boxes)


def _part_of(box: Box, whole: Box) -> bool:
    """Whether a box shows the same line as another, or a part of it."""
    inside = [
        cv2.pointPolygonTest(whole.polygon.astype(np.float32), (float(x), float(y)), False) >= 0
        for x, y in box.along_middle(9)
    ]
    return float(np.mean(inside)) > 0.7 and box.height < _SAME_HEIGHT * whole.height


def _reaching(whole: Box, parts: Sequence[Box]) -> NDArray[np.float64]:
    """The outline of a line, as long as it must be to hold its parts too."""
    shares = [whole.share_at(point) for box in parts for point in (box.middle[0], box.middle[-1])]
    return section(whole.polygon, min(0.0, *shares), max(1.0, *shares))


def _reconsidered(photo: Photo, box: Box, engine: GuardedEngine) -> list[Box]:
    """The lines in a stubby box, looked for again closer and upright; the box itself when none are found.

    Short lines at a slant run together into one square blob.
    """
    center, reach = box.center, 0.75 * math.hypot(box.length, box.height)
    side = int(min(480, max(160, 2 * reach)))
    scale = side / (2 * reach)
    shift = np.array([[scale, 0, side / 2 - scale * center[0]], [0, scale, side / 2 - scale * center[1]]])
    crop = cv2.warpAffine(
        photo.rgb, shift, (side, side), flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REPLICATE
    )
    view = picture(flatten(np.asarray(crop, np.uint8), side / 8.0))
    angle = row_angle(view[..., 0])
    turn = cv2.getRotationMatrix2D((side / 2, side / 2), angle, 1.0)
    upright = cv2.warpAffine(view, turn, (side, side), borderMode=cv2.BORDER_REFLECT)
    lines = _boxes(engine.find(np.asarray(upright, np.uint8)).lines_or_raise())
    back = np.linalg.inv(np.vstack([turn, [0, 0, 1]]) @ np.vstack([shift, [0, 0, 1]]))
    clear = [Box(b.polygon @ back[:2, :2].T + back[:2, 2], b.score) for b in lines if b.score > 0.6]
    return [b for b in clear if covered(b, box) > 0.4] or [box]


def row_angle(gray: NDArray[np.uint8]) -> float:
    """Return the direction of text rows, 0–180° clockwise from +x, by the sharpest row profile.

    Parameters
    ----------
    gray
        (N, N) uint8 picture of some lines of text.
    """
    side = 128
    small = cv2.resize(gray, (side, side), interpolation=cv2.INTER_AREA).astype(np.float32)
    small = np.abs(small - cv2.GaussianBlur(small, (0, 0), 8))
    yy, xx = np.mgrid[:side, :side] - (side - 1) / 2
    small *= np.exp(-(xx**2 + yy**2) / (2 * (0.3 * side) ** 2))
    best, best_angle = -1.0, 0.0
    for angle in np.arange(0.0, 180.0, 6.0):
        turn = cv2.getRotationMatrix2D(((side - 1) / 2, (side - 1) / 2), angle, 1.0)
        profile = cv2.warpAffine(small, turn, (side, side)).mean(axis=1)
        sharpness = float(np.sum(np.diff(profile) ** 2))
        if sharpness > best:
            best, best_angle = sharpness, float(angle)
    return best_angle


def _windows(photo: Photo, marks: Sequence[MarkPlace]) -> list[_Window]:
    """Where letters surely are or else the whole photo, and each place that would show them too small."""
    whole = _Window.fitted((0, 0, photo.width, photo.height))
    out = [_Window(_lettered(photo) or whole.box, whole.scale, whole.radius)]
    for mark in marks[:2]:
        points = np.asarray(mark.outline, float)
        margin = 2.0 * max(mark.letter_height_px, 8.0)
        window = _Window.fitted(_within(photo, points.min(axis=0) - margin, points.max(axis=0) + margin))
        small = mark.letter_height_px * whole.scale < 22 and mark.confidence > 0.3
        if window.scale > 1.5 * whole.scale and small:
            out.append(window)
    return out


def _lettered(photo: Photo) -> tuple[int, int, int, int] | None:
    """The part of the photo in which our own text map shows letters; None where it is not sure of any."""
    if not mark_map.available():
        return None
    maps = [mark_map.of_photo(photo, side) for side in mark_map.SIDES]
    if max(seen.highest for seen in maps) < mark_map.levels().blank:
        return None
    points = np.concatenate([seen.where(_SOME_LETTER) for seen in maps])
    margin = _AROUND * max(photo.width, photo.height)
    return _within(photo, points.min(axis=0) - margin, points.max(axis=0) + margin)


def _within(photo: Photo, low: NDArray[np.float64], high: NDArray[np.float64]) -> tuple[int, int, int, int]:
    """A rectangle in whole pixels, as far as it lies in the photo."""
    x0, y0 = np.maximum(np.floor(low), 0).astype(int)
    x1, y1 = np.minimum(np.ceil(high), (photo.width, photo.height)).astype(int)
    return int(x0), int(y0), int(x1), int(y1)


def _survey_views(crop: NDArray[np.uint8], radius: float) -> Iterator[NDArray[np.uint8]]:
    """Ways of looking for lines, the one that shows them best first."""
    shading = flatten(crop, radius)
    yield picture(shading)
    yield crop
    yield picture(integrate(shading, likely_azimuth(shading), radius))


def _merged(views: Sequence[Sequence[Box]]) -> list[Box]:
    """One box for each place. A view is trusted as a whole: a poor one runs lines together."""
    ranked = sorted(views, key=lambda boxes: -sum(b.score**2 for b in boxes))
    kept: list[Box] = []
    for boxes in ranked:
        earlier = list(kept)
        kept += [b for b in boxes if all(max(covered(b, o), covered(o, b)) < 0.3 for o in earlier)]
    return kept


def _clearest_first(boxes: Sequence[Box]) -> list[Box]:
    return sorted(boxes, key=lambda b: -b.score * math.sqrt(b.length * b.height))
