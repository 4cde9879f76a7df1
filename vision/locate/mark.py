"""Where a molded mark may stand, by the kind of relief letters make.

Letters are strokes in two directions at once, gathered in lines, with quiet vinyl around. Seams and
scratches have one direction, hair and folds likewise, weave has no quiet surround, eyes and lips are not
repeated. Two small networks then look at what is left: the text map shows lines, and a line our own reader
makes letters of is a far likelier mark than one it makes nothing of. Without them the kind of relief alone
decides. What is offered is a place to look, not a finding: this must be cheap enough for every photo.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import mark_map, mark_reader
from vision.locate.places import MarkPlace
from vision.ocr import OcrLine, straightened
from vision.photo import Photo
from vision.relief import Float, flatten, luminance

#: Letter heights looked for, in pixels of the working picture.
_HEIGHTS_PX = (9.0, 16.0, 28.0, 48.0)
_WORKING_SIDE = 800
_MOST = 5
#: Relative brightness change that camera noise and JPEG leave on smooth vinyl in the working picture.
_NOISE = 0.004
#: What is left of a place's confidence where the text map rules lettering out.
_BLANK_TRUST = 0.3
#: Logistic weights of :func:`_features`, fitted on lettering and other things lit at random.
_WEIGHTS = np.array([-4.36, -0.06, -1.94, 5.48, 1.62, 0.0, -2.24, 0.0, -0.24, -3.6, -1.03, -2.72, 4.45])


@dataclass(frozen=True, slots=True)
class _Fields:
    """Pictures of one working size that blobs are judged on."""

    strokes: Float
    energy: Float
    contrast: Float
    color: Float
    tone: Float


@dataclass(frozen=True, slots=True)
class _Candidate:
    corners: NDArray[np.float64]
    score: float
    letter: float
    angle: float
    flags: tuple[str, ...]


def find_marks(photo: Photo) -> list[MarkPlace]:
    """Return places that may carry molded text, likeliest first.

    Parameters
    ----------
    photo
        Any photo; it is looked at in reduced size.

    Returns
    -------
    At most five places with outlines in pixels of the upright original. ``confidence`` ranks them and is
    low for anything that is not line-shaped relief on a quiet surface. ``angle_deg`` is in [0, 180): which
    end is up only the reading can tell. Empty for even or tiny pictures.
    """
    small, scale = photo.small
    shrink = min(1.0, _WORKING_SIDE / max(small.shape[:2]))
    if min(small.shape[:2]) * shrink < 48:
        return []
    if shrink < 1.0:
        small = np.asarray(
            cv2.resize(small, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), np.uint8
        )
    scale *= shrink
    found = [c for letter in _HEIGHTS_PX for c in _at_height(small, letter)]
    places = [_place(c, scale) for c in _distinct(found)[:_MOST]]
    return _looked_closer(photo, places) if mark_map.available() and mark_reader.available() else places


def _looked_closer(photo: Photo, places: list[MarkPlace]) -> list[MarkPlace]:
    """Places weighed by what the text map and our own reader see, and those that only they see."""
    maps = [mark_map.of_photo(photo, side) for side in mark_map.SIDES]
    level = max(found.highest for found in maps)
    if level < mark_map.levels().lettered:
        return [replace(p, confidence=round(_BLANK_TRUST * p.confidence, 3)) for p in places]
    read = _read_lines(photo.rgb, maps)
    out = []
    for place in places:
        shared = [r for r in read if _overlap(np.asarray(place.outline), _hull(r.line.polygon)) > 0.3]
        best = max((r.trust for r in shared), default=0.0)
        trust = max(best, _unread_trust(place.confidence, level))
        out.append(replace(place, confidence=round(trust, 3)))
    for seen in sorted(read, key=lambda r: -r.trust):
        if all(_overlap(np.asarray(o.outline), _hull(seen.line.polygon)) < 0.3 for o in out):
            out.append(seen.place())
    return sorted((p for p in out if p.confidence >= 0.05), key=lambda p: -p.confidence)[:_MOST]


def _unread_trust(confidence: float, level: float) -> float:
    """What is left of a place whose kind of relief is right, but that our reader makes nothing of.

    Worn letters in frontal light look like that, and so do seams; the text map's ``level`` tells a little.
    """
    return confidence * (0.3 + 0.3 * min(1.0, level))


@dataclass(frozen=True, slots=True)
class _ReadLine:
    """A line of the text map and how likely it is lettering, by what our own reader makes of it."""

    line: mark_map.Line
    trust: float

    def place(self) -> MarkPlace:
        (_, (w, h), angle) = cv2.minAreaRect(self.line.polygon.astype(np.float32))
        outline = tuple((float(x), float(y)) for x, y in _hull(self.line.polygon))
        direction = (angle if w >= h else angle + 90.0) % 180.0
        return MarkPlace(outline, round(self.trust, 3), round(direction, 1), round(self.line.letter_px, 1))


def _read_lines(rgb: NDArray[np.uint8], maps: Sequence[mark_map.TextMap]) -> list[_ReadLine]:
    """The text map's lines, each read from both ends by our own reader."""
    lines: list[mark_map.Line] = []
    for found in maps:
        known = [_hull(line.polygon) for line in lines]
        lines += [
            line
            for line in found.lines()[:_MOST]
            if all(_overlap(_hull(line.polygon), other) < 0.5 for other in known)
        ]
    strips = []
    for line in lines:
        turned = np.roll(line.polygon, len(line.polygon) // 2, axis=0)
        for outline in (line.polygon, turned):
            cut = straightened(rgb, outline, mark_reader.STRIP_PX)
            strips.append(mark_reader.evened(mark_reader.shading(cut))[0])
    said = [mark_reader.spelled(look) for look in mark_reader.scores(strips)]
    return [
        _ReadLine(line, max(_letters_trust(a), _letters_trust(b)))
        for line, a, b in zip(lines, said[::2], said[1::2], strict=True)
    ]


def _letters_trust(said: OcrLine) -> float:
    """Probability that a line is lettering: many letters, read with conviction.

    Hair, cloth and edges are read as nothing, or as one or two doubtful letters.
    """
    letters = sum(c.isalnum() for c in said.text)
    if letters < 2:
        return 0.05
    return 1.0 / (1.0 + math.exp(7.0 - 6.0 * said.confidence - 0.7 * min(letters, 7)))


def _hull(outline: NDArray[np.float64]) -> NDArray[np.float64]:
    """The rectangle around an outline, as four corners."""
    return np.asarray(cv2.boxPoints(cv2.minAreaRect(outline.astype(np.float32))), np.float64)


def _place(candidate: _Candidate, scale: float) -> MarkPlace:
    outline = tuple((float(x), float(y)) for x, y in candidate.corners / scale)
    return MarkPlace(
        outline=outline,
        confidence=round(candidate.score, 3),
        angle_deg=round(candidate.angle, 1),
        letter_height_px=round(candidate.letter / scale, 1),
        flags=candidate.flags,
    )


def _at_height(rgb: NDArray[np.uint8], letter: float) -> list[_Candidate]:
    """Candidates whose letters are about ``letter`` px high."""
    step = max(1.0, letter / 12.0)
    size = (max(32, round(rgb.shape[1] / step)), max(32, round(rgb.shape[0] / step)))
    image = rgb if step == 1.0 else np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)
    unit = letter / step
    shading = flatten(image, unit)
    strokes, energy = _stroke_strength(shading, unit)
    quiet = _surround(strokes, unit)
    contrast = strokes / (quiet + _NOISE)
    mask = (contrast > 1.6) & (strokes > 2.0 * _NOISE)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_odd(0.9 * unit), _odd(0.9 * unit)))
    closed = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, kernel)
    closed = cv2.morphologyEx(
        closed, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_odd(0.5 * unit),) * 2)
    )
    lab = cv2.cvtColor(image.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    tone = np.log(luminance(image) + np.float32(0.01))
    fields = _Fields(strokes, energy, contrast, np.ascontiguousarray(lab[..., 1:]), tone)
    contours, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    out = []
    for contour in contours:
        candidate = _judge(np.asarray(contour, np.int32), fields, unit)
        if candidate is not None:
            score, corners, angle, flags = candidate
            out.append(_Candidate(corners * step, score, letter, angle, flags))
    return out


def _stroke_strength(shading: Float, unit: float) -> tuple[Float, Float]:
    """Strength of strokes in the weaker direction, and in all directions, over about a letter."""
    smooth = cv2.GaussianBlur(shading, (0, 0), max(0.8, unit / 14))
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125)
    limit = 0.25  # one glint must not outweigh a word
    strength = np.maximum(np.hypot(gx, gy), 1e-9)
    soft = np.minimum(strength, limit) / strength
    gx, gy = gx * soft, gy * soft
    sigma = 0.75 * unit
    xx, yy, xy = (cv2.GaussianBlur(m, (0, 0), sigma) for m in (gx * gx, gy * gy, gx * gy))
    mean, spread = 0.5 * (xx + yy), np.sqrt(0.25 * (xx - yy) ** 2 + xy * xy)
    weaker = np.sqrt(np.maximum(mean - spread, 0.0))
    return np.asarray(weaker, np.float32), np.asarray(np.sqrt(2 * mean), np.float32)


def _surround(strokes: Float, unit: float) -> Float:
    """How strong strokes are around: the lower quartile over a wide neighborhood."""
    step = max(1, round(unit / 2))
    reduced = strokes[::step, ::step]
    reach = max(3, 2 * round(9 * unit / step / 2) + 1)
    levels = np.quantile(reduced, np.linspace(0.02, 0.98, 25)).astype(np.float32)
    coded = np.searchsorted(levels, reduced).astype(np.uint8)
    counts = np.stack([cv2.blur((coded <= k).astype(np.float32), (reach, reach)) for k in range(len(levels))])
    quartile = np.argmax(counts >= 0.35, axis=0)
    quartile[(counts < 0.35).all(axis=0)] = len(levels) - 1
    low = cv2.GaussianBlur(levels[quartile], (0, 0), 1.5)
    return np.asarray(cv2.resize(low, (strokes.shape[1], strokes.shape[0])), np.float32)


def _judge(
    contour: NDArray[np.int32], fields: _Fields, unit: float
) -> tuple[float, NDArray[np.float64], float, tuple[str, ...]] | None:
    """Score one blob: line-shaped, two-directional, standing out of a quiet ground of the same color."""
    (cx, cy), (w, h), angle = cv2.minAreaRect(contour)
    long, short = max(w, h), min(w, h)
    area = cv2.contourArea(contour)
    if short < 0.6 * unit or long < 1.8 * unit or area < 1.5 * unit * unit or short > 14 * unit:
        return None
    height, width = fields.strokes.shape
    if w * h > 0.6 * height * width:
        return None
    features = _features(contour, fields, unit)
    evidence = float(np.dot(_WEIGHTS, features))
    x, y, bw, bh = cv2.boundingRect(contour)
    border = x <= 1 or y <= 1 or x + bw >= width - 1 or y + bh >= height - 1
    direction = (angle if w >= h else angle + 90.0) % 180.0
    corners = np.asarray(cv2.boxPoints(((cx, cy), (w + 0.8 * unit, h + 0.8 * unit), angle)), np.float64)
    flags = ("cut_by_border",) if border else ()
    return 1.0 / (1.0 + math.exp(-evidence)), corners, direction, flags


def _features(contour: NDArray[np.int32], fields: _Fields, unit: float) -> NDArray[np.float64]:
    """What tells molded text from other things, as numbers of order one; the first is constant."""
    (_, _), (w, h), _ = cv2.minAreaRect(contour)
    long, short = max(w, h), min(w, h)
    x, y, bw, bh = cv2.boundingRect(contour)
    height, width = fields.strokes.shape
    reach = int(2 * unit)
    x0, y0, x1, y1 = (
        max(0, x - reach),
        max(0, y - reach),
        min(width, x + bw + reach),
        min(height, y + bh + reach),
    )
    inside = np.zeros((y1 - y0, x1 - x0), np.uint8)
    cv2.drawContours(inside, [contour], -1, 1, cv2.FILLED, offset=(-x0, -y0))
    chosen = inside > 0
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2)
    near = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * max(1, int(0.8 * unit)) + 1,) * 2)
    ring = (cv2.dilate(inside, kernel) > 0) & (cv2.dilate(inside, near) == 0)
    if ring.sum() < 8:
        ring = ~chosen if (~chosen).any() else chosen
    window = (slice(y0, y1), slice(x0, x1))
    strokes, energy, contrast = (f[window] for f in (fields.strokes, fields.energy, fields.contrast))
    color, tone = fields.color[window], fields.tone[window]
    shift = float(np.linalg.norm(color[chosen].mean(axis=0) - color[ring].mean(axis=0)))
    spread = float(np.sqrt(color[chosen].var(axis=0).sum()))
    return np.array(
        [
            1.0,
            math.log(max(float(np.median(contrast[chosen])), 1e-3)),
            float(strokes[chosen].mean() / (energy[chosen].mean() + 1e-9)),
            math.log(max(long / unit, 1e-3)),
            math.log(max(short / unit, 1e-3)),
            cv2.contourArea(contour) / (w * h),
            float(x <= 1) + float(y <= 1) + float(x + bw >= width - 1) + float(y + bh >= height - 1),
            math.log(float(strokes[ring].mean()) / _NOISE + 0.1),
            min(3.0, shift / 5.0),
            min(3.0, spread / 5.0),
            min(3.0, abs(float(tone[chosen].mean() - tone[ring].mean())) / 0.2),
            min(3.0, float(tone[chosen].std()) / 0.2),
            math.log(unit / height * 30.0),
        ]
    )


def _distinct(found: list[_Candidate]) -> list[_Candidate]:
    """The best of candidates that overlap, likeliest first."""
    kept: list[_Candidate] = []
    for candidate in sorted(found, key=lambda c: -c.score):
        if candidate.score < 0.1:
            continue
        if all(_overlap(candidate.corners, other.corners) < 0.3 for other in kept):
            kept.append(candidate)
    return kept


def _overlap(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    """Shared area over the smaller area of two convex outlines."""
    shared, _ = cv2.intersectConvexConvex(a.astype(np.float32), b.astype(np.float32))
    smaller = min(cv2.contourArea(a.astype(np.float32)), cv2.contourArea(b.astype(np.float32)))
    return float(shared) / max(float(smaller), 1e-6)


def _odd(value: float) -> int:
    return 2 * int(value / 2) + 1
