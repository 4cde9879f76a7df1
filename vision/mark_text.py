"""Molded text as read: lines in reading order, with a confidence earned by agreement.

Each line is looked at in several ways (the photo itself, its contrast stretched, heights under several
supposed lights, tighter and wider crops). What most ways read alike is believed; where they differ the
record shows the alternatives. No list of known words is used: a mark that is not in any guide must come out
as it stands.

How this could mislead a dealer, and what guards against it: texture read as letters (several ways must
agree); print on a card, a ruler or a box in the picture (:mod:`vision.mark_print`); rows of holes read as O
and 8 (their rims have a color of their own); a worn digit read with confidence (alternatives, and no
confidence from the engine's own word); a frontal photo of a marked part taken for a blank (``absent`` needs a
sharp, smooth surface in side light).
"""

from __future__ import annotations

import itertools
import math
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import mark_map, mark_reader
from vision.locate.places import MarkPlace
from vision.mark_print import strokes_of
from vision.mark_symbol import CHARACTERS, Sign, section, signs_in
from vision.ocr import GuardedEngine, NullEngine, OcrEngine, OcrLine, Outcome, guarded, straightened
from vision.photo import Photo
from vision.relief import (
    AZIMUTHS_DEG,
    Float,
    flatten,
    hypotheses,
    integrate,
    likely_azimuth,
    luminance,
    picture,
)
from vision.traits import Polygon, Reason, Region, TextLine, Trait, TraitRecord

METHOD = "mark_text/2"

_SURVEY_SIDE = 896
_STRIP_PX = 48
_MOST_LINES = 10
_MOST_PIXELS = 500_000
_MOST_MAPPED = 4
#: The engine's own word from which a line counts as clear to see.
_CLEAR = 0.92
#: Letters that somebody must see in one of the first looks at a box, else it is not looked at closer.
_FEWEST_LETTERS = 2
#: Presence from which there may be a sign.
_MAYBE_SIGN = 0.25
#: How nearly as well the other end must read for it to be in doubt which end is up.
_EITHER_END = 0.7
#: How much better than any other end our own reader must read one, and letters in it, to settle which is up.
_CLEAR_END, _LEAST_LETTERS = 1.6, 4
#: Mean share of a line of the text map from which it is read even though the engine did not find it.
_SURE_SHARE = 0.5
_SIGNS = "®©™¤"
#: Mean share of the text map beyond a box's end from which its line goes on there.
_LETTERS_BEYOND = 0.3
#: The start and the end of a box; how often it is made longer.
_SIDES, _MOST_STEPS = (0, 1), 3
#: Weight of our own reader's votes, times that of the engine's.
_SECOND = 0.9
#: Room with which our own reader takes its first look at a line.
_FIRST_ROOM = mark_reader.ROOMS[1:2]


@dataclass(frozen=True, slots=True, eq=False)
class _Box:
    """One found line: upper edge then lower edge, in pixels of the original."""

    polygon: NDArray[np.float64]
    score: float

    @property
    def rectangle(self) -> tuple[tuple[float, float], tuple[float, float], float]:
        (x, y), (w, h), angle = cv2.minAreaRect(self.polygon.astype(np.float32))
        return (x, y), (w, h), angle

    @property
    def height(self) -> float:
        half = len(self.polygon) // 2
        return float(np.median(np.linalg.norm(self.polygon[:half] - self.polygon[half:][::-1], axis=1)))

    @property
    def length(self) -> float:
        half = len(self.polygon) // 2
        middle = 0.5 * (self.polygon[:half] + self.polygon[half:][::-1])
        return float(np.linalg.norm(np.diff(middle, axis=0), axis=1).sum())

    @property
    def along(self) -> NDArray[np.float64]:
        half = len(self.polygon) // 2
        chord = self.polygon[half - 1] + self.polygon[half] - self.polygon[0] - self.polygon[-1]
        return chord / (np.linalg.norm(chord) + 1e-9)

    @property
    def center(self) -> NDArray[np.float64]:
        return self.polygon.mean(axis=0)

    def turned(self) -> _Box:
        """The same box read from the other end."""
        half = len(self.polygon) // 2
        return _Box(np.roll(self.polygon, half, axis=0), self.score)


@dataclass(slots=True)
class _Reading:
    """All readings of one box, and what they agree on.

    ``other_end`` is how well it reads upside down, over how well it reads this way: ``10`` turned is ``OL``.
    ``goes_on`` says that letters stand beyond its box, or that it was made much longer: there may be more.
    """

    box: _Box
    lines: list[OcrLine] = field(default_factory=list)
    own: list[OcrLine] = field(default_factory=list)
    text: str = ""
    agreement: float = 0.0
    weakest: float = 0.0
    strength: float = 0.0
    alternatives: tuple[str, ...] = ()
    goes_on: bool = False
    other_end: float = 0.0

    @property
    def seconded(self) -> float | None:
        """How far our own reader, in the better half of its looks, says the same, 0–1; None if not asked."""
        if not self.own:
            return None
        text = _solid(self.text).upper()
        alike = sorted((_similarity(text, _solid(tidied(o.text))) for o in self.own), reverse=True)
        return float(np.mean(alike[: max(1, len(alike) // 2)]))


@dataclass(frozen=True, slots=True, eq=False)
class _Close:
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
        """Heights under supposed lights; none where several lights are known."""
        if "more_0" in self.views:
            return []
        azimuths = AZIMUTHS_DEG[1::2] if mark_reader.available() else AZIMUTHS_DEG
        views = hypotheses(self.views["plain"], self.letter, azimuths)
        return [view for name, view in views.items() if name not in self.views]

    def strips(
        self, box: _Box, views: Sequence[NDArray[np.uint8]], room: float = 1.0
    ) -> list[NDArray[np.uint8]]:
        """The line of a box cut out of views, upright."""
        outline = mark_reader.with_room((box.polygon - self.origin) * self.scale, room)
        return [straightened(view, outline, _STRIP_PX) for view in views]

    def own(self, box: _Box, rooms: Sequence[float] = mark_reader.ROOMS) -> list[OcrLine]:
        """What our own reader says; nothing when it is not installed."""
        if not mark_reader.available():
            return []
        return mark_reader.opinions(self.pictures, box.polygon, self.height, rooms)


class _EngineError(Exception):
    def __init__(self, outcome: Outcome) -> None:
        super().__init__(outcome.detail)
        self.outcome = outcome


def measure(
    photo: Photo,
    marks: Sequence[MarkPlace],
    engine: GuardedEngine | OcrEngine,
    more: Sequence[NDArray[np.uint8]] = (),
    height: Float | None = None,
) -> TraitRecord:
    """Return the molded (or printed) text in a photo of a mark.

    Parameters
    ----------
    photo
        The whole photo; original pixels are used for reading.
    marks
        Candidate places; they are looked at closer than the rest. May be empty.
    engine
        Any engine; a bare one is put behind a guard.
    more
        Other pictures of the same place, pixel on pixel, (H, W, 3) uint8: fused relief first, then photos
        under other lights. They take the place of supposed lights.
    height
        The fused height itself, (H, W) float32, any unit.

    Returns
    -------
    ``present`` with ``text``, ``absent``, or a reason: ``engine_missing``, ``engine_failed``, ``blurred``,
    ``too_small``, ``ambiguous`` or ``not_located``. A line's ``confidence`` is the probability that its text
    is right in every character. Polygons run along the upper edge of the text as read, then back along the
    lower one.
    """
    guard = engine if isinstance(engine, GuardedEngine) else guarded(engine)
    if isinstance(guard.engine, NullEngine):
        return _withheld(Reason.ENGINE_MISSING, "Reading is switched off: no OCR engine is in use.", marks)
    if not more and surely_blank(photo):
        return _nothing_read(photo, marks, [], map_agrees=True)
    try:
        boxes = _find(photo, marks, guard, more)
        readings = _read(photo, boxes, guard, more, height)
    except _EngineError as error:
        assert error.outcome.reason is not None
        return _withheld(error.outcome.reason, error.outcome.detail, marks)
    return _record(photo, marks, readings)


# --- where the lines are -------------------------------------------------------------------------------


def _find(
    photo: Photo,
    marks: Sequence[MarkPlace],
    engine: GuardedEngine,
    more: Sequence[NDArray[np.uint8]] = (),
) -> list[_Box]:
    """Lines found in the whole photo and, closer, in the candidate places."""
    views: list[list[_Box]] = []
    for x0, y0, x1, y1 in _windows(photo, marks):
        crop = photo.rgb[y0:y1, x0:x1]
        scale = min(1.0, _SURVEY_SIDE / max(crop.shape[:2]))
        if scale < 1.0:
            crop = np.asarray(
                cv2.resize(crop, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8
            )
        for view in _survey_views(crop):
            outcome = engine.find(view)
            if outcome.reason is not None:
                raise _EngineError(outcome)
            polygons = [
                (np.asarray(o.polygon, np.float64).reshape(-1, 2), o.confidence) for o in outcome.lines
            ]
            views.append(
                [_Box(p / scale + (x0, y0), c) for p, c in polygons if len(p) >= 4 and len(p) % 2 == 0]
            )
            if any(box.score > 0.75 for box in views[-1]):
                break
    views.append(_mapped(photo))
    found = _merged(views)[:_MOST_LINES]
    stubby = [b for b in found if b.length < 2.3 * b.height][:3]
    closer = [b for box in stubby for b in _reconsidered(photo, box, engine)]
    return [b for b in found if b not in stubby] + closer


def _mapped(photo: Photo) -> list[_Box]:
    """Lines of our own text map; they count where no engine found one, so their score is low."""
    if not mark_map.available():
        return []
    lines = mark_map.of_photo(photo).lines()[:_MOST_MAPPED]
    return [_Box(line.polygon, 0.1 * line.share) for line in lines if line.share > _SURE_SHARE]


def _reconsidered(photo: Photo, box: _Box, engine: GuardedEngine) -> list[_Box]:
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
    outcome = engine.find(np.asarray(upright, np.uint8))
    if outcome.reason is not None:
        raise _EngineError(outcome)
    back = np.linalg.inv(np.vstack([turn, [0, 0, 1]]) @ np.vstack([shift, [0, 0, 1]]))
    found = []
    for line in outcome.lines:
        polygon = np.asarray(line.polygon, np.float64).reshape(-1, 2)
        if len(polygon) >= 4 and len(polygon) % 2 == 0 and line.confidence > 0.6:
            candidate = _Box(polygon @ back[:2, :2].T + back[:2, 2], line.confidence)
            if _covered(candidate, box) > 0.4:
                found.append(candidate)
    return found or [box]


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


def _windows(photo: Photo, marks: Sequence[MarkPlace]) -> list[tuple[int, int, int, int]]:
    """The whole photo, and each place whose letters the whole photo would show too small."""
    whole = (0, 0, photo.width, photo.height)
    out = [whole]
    shrink = min(1.0, _SURVEY_SIDE / max(photo.width, photo.height))
    for mark in marks[:2]:
        points = np.asarray(mark.outline, float)
        margin = 2.0 * max(mark.letter_height_px, 8.0)
        x0, y0 = np.floor(points.min(axis=0) - margin).astype(int)
        x1, y1 = np.ceil(points.max(axis=0) + margin).astype(int)
        window = (max(0, x0), max(0, y0), min(photo.width, x1), min(photo.height, y1))
        long_side = max(window[2] - window[0], window[3] - window[1])
        closer = min(1.0, _SURVEY_SIDE / max(1, long_side)) / shrink
        if closer > 1.5 and mark.letter_height_px * shrink < 22 and mark.confidence > 0.3:
            out.append((int(window[0]), int(window[1]), int(window[2]), int(window[3])))
    return out


def _resized(rgb: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    if scale == 1.0:
        return rgb
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=method), np.uint8)


def _survey_views(crop: NDArray[np.uint8]) -> Iterator[NDArray[np.uint8]]:
    """Ways of looking for lines, the one that shows them best first."""
    radius = max(crop.shape[:2]) / 24.0
    shading = flatten(crop, radius)
    yield picture(shading)
    yield crop
    yield picture(integrate(shading, likely_azimuth(shading), radius))


def _merged(views: Sequence[Sequence[_Box]]) -> list[_Box]:
    """One box for each place. A view is trusted as a whole: a poor one runs lines together."""
    ranked = sorted(views, key=lambda boxes: -sum(b.score**2 for b in boxes))
    kept: list[_Box] = []
    for boxes in ranked:
        earlier = list(kept)
        kept += [b for b in boxes if all(max(_covered(b, o), _covered(o, b)) < 0.3 for o in earlier)]
    return sorted(kept, key=lambda b: -b.score * math.sqrt(b.length * b.height))


def _covered(box: _Box, other: _Box) -> float:
    """Share of ``box`` that lies in ``other``."""
    a = cv2.boxPoints(box.rectangle)
    b = cv2.boxPoints(other.rectangle)
    shared, _ = cv2.intersectConvexConvex(a, b)
    return float(shared) / max(float(cv2.contourArea(a)), 1e-6)


# --- what they say -------------------------------------------------------------------------------------


def _read(
    photo: Photo,
    boxes: Sequence[_Box],
    engine: GuardedEngine,
    more: Sequence[NDArray[np.uint8]] = (),
    height: Float | None = None,
) -> list[_Reading]:
    """Read all boxes: first which end is up, then every way of looking."""
    readings: list[_Reading] = []
    for box in boxes:
        others = [other for other in boxes if other is not box]
        readings.append(_read_box(photo, box, others, _views_of(photo, box, more, height), engine))
    for reading in readings:
        reading.goes_on |= _goes_on(photo, reading.box, [o for o in boxes if o is not reading.box])
    direction = _common_direction(readings)
    if direction is None:
        return readings
    for index, reading in enumerate(readings):
        if float(reading.box.along @ direction) < -0.5 and reading.other_end > _EITHER_END:
            turned = reading.box.turned()
            others = [other for other in boxes if other is not reading.box]
            close = _views_of(photo, turned, more, height)
            readings[index] = _read_box(photo, turned, others, close, engine, turn=False)
            readings[index].goes_on |= reading.goes_on
    return [r for r in readings if float(r.box.along @ direction) > 0.5 or r.agreement > 0.8]


def _goes_on(photo: Photo, box: _Box, others: Sequence[_Box]) -> bool:
    """Whether letters show just beyond an end of a box, where no other box begins.

    Either the text map shows them, or our own reader makes some out.
    """
    half = len(box.polygon) // 2
    middle = 0.5 * (box.polygon[:half] + box.polygon[half:][::-1])
    ends = ((middle[0], middle[1], box.turned()), (middle[-1], middle[-2], box))
    for side, (end, before, heading) in zip(_SIDES, ends, strict=True):
        away = (end - before) / (np.linalg.norm(end - before) + 1e-9)
        points = end + np.linspace(0.1, 0.6, 6)[:, None] * box.height * away
        if any(_follows(heading, o) or _follows(heading, o.turned()) for o in others):
            continue
        if mark_map.available() and mark_map.of_photo(photo).at(points) > _LETTERS_BEYOND:
            return True
        if _letters_beyond((photo.rgb,), box, side) >= _FEWEST_LETTERS:
            return True
    return False


def _views_of(
    photo: Photo, box: _Box, more: Sequence[NDArray[np.uint8]], height: Float | None = None
) -> _Close:
    """Ways of looking at the surroundings of one box, scaled so that the line is about a strip high."""
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
    return _Close(views, scale, low.astype(np.float64), (photo.rgb, *more[1:]), height, letter)


def _read_box(
    photo: Photo,
    box: _Box,
    others: Sequence[_Box],
    close: _Close,
    engine: GuardedEngine,
    turn: bool = True,
) -> _Reading:
    first = close.plain
    ends = [box, box.turned()] if turn else [box]
    if turn and box.length < 1.7 * box.height:
        ends += [_quarter_turned(box), _quarter_turned(box).turned()]
    own = [close.own(end, _FIRST_ROOM) for end in ends]
    ends, own = _likely_ends(ends, own)
    lines = _recognize([strip for end in ends for strip in close.strips(end, first)], engine)
    groups = [lines[i : i + len(first)] for i in range(0, len(lines), len(first))]
    weights = [_weight_of(group) + 2.0 * _weight_of(said) for group, said in zip(groups, own, strict=True)]
    best = int(np.argmax(weights))
    runner_up = sorted(weights)[-2] / max(weights[best], 1e-6) if len(weights) > 1 else 0.0
    if own[best] and max(len(_solid(line.text)) for line in [*groups[best], *own[best]]) < _FEWEST_LETTERS:
        return _Reading(ends[best], groups[best], own[best])  # texture: neither reader makes letters of it
    chosen, lines, said = _lengthened(ends[best], groups[best], own[best], others, close, engine)
    found = signs_in(photo, chosen.polygon)
    signs = [sign for sign in found if _sure_of(sign)]
    reading = _around_signs(chosen, lines, signs, close, engine) if signs else None
    if reading is None:
        reading = _read_line(chosen, lines, said, close, engine, found)
        if any(sign.kind == "trademark" and sign.at > 0.6 for sign in found):
            reading.text = re.sub(r"\s*T[MNH]\Z", CHARACTERS["trademark"], reading.text)
    reading.other_end = runner_up
    reading.goes_on = chosen.length > ends[best].length + 1.2 * box.height
    return reading


def _read_line(
    box: _Box,
    lines: list[OcrLine],
    own: list[OcrLine],
    close: _Close,
    engine: GuardedEngine,
    signs: Sequence[Sign] = (),
) -> _Reading:
    """Read one box in as many ways as it takes; ``lines`` and ``own`` are the first looks at it."""
    if not _settled(lines, own, signs):
        lines = lines + _recognize(_looks(close, box), engine)
        own = close.own(box)
    reading = _Reading(box, lines, own)
    _agree(reading)
    return reading


def _settled(lines: Sequence[OcrLine], own: Sequence[OcrLine], signs: Sequence[Sign]) -> bool:
    """Whether the engine reads one text in every plain view, clearly, and our own reader the same.

    The two err differently: what they agree on letter by letter, further looks do not change. Both read a
    TM as a T, though: where a sign may stand, our own reader must have seen one.
    """
    texts = {tidied(line.text) for line in lines}
    if len(texts) != 1 or not own or min(line.confidence for line in lines) < _CLEAR:
        return False
    if any(s.presence > _MAYBE_SIGN for s in signs) and not any(c in _SIGNS for o in own for c in o.text):
        return False
    letters = _solid(texts.pop())
    return len(letters) > 1 and all(_solid(tidied(o.text)) == letters.upper() for o in own)


def _likely_ends(ends: list[_Box], own: list[list[OcrLine]]) -> tuple[list[_Box], list[list[OcrLine]]]:
    """The ends from which a line is worth reading by the engine, which costs most of the time.

    Where our own reader makes several letters out from one end and far less from any other, that end alone.
    """
    weights = [_weight_of(said) for said in own]
    best = int(np.argmax(weights))
    others = max((w for i, w in enumerate(weights) if i != best), default=0.0)
    letters = min((len(_solid(line.text)) for line in own[best]), default=0)
    if letters < _LEAST_LETTERS or weights[best] < _CLEAR_END * others:
        return ends, own
    return ends[best : best + 1], own[best : best + 1]


def _weight_read(reading: _Reading) -> float:
    """How much a reading says and how well it is agreed on; a sign counts as one letter."""
    signs = sum(c in CHARACTERS.values() for c in reading.text)
    return len(_solid(reading.text)) * reading.agreement + signs


def _swallows(around: _Reading, whole: _Reading) -> bool:
    """Whether a reading around signs takes letters for signs, however well the rest of it is agreed on.

    A ringed letter may be read as one letter or figure, TM as two; where more are missing, or our own reader
    sees no sign in any look at the line, they were letters.
    """
    missing = len(_solid(whole.text)) - len(_solid(around.text))
    signs = [c for c in around.text if c in CHARACTERS.values()]
    if whole.own and not any(c in _SIGNS for line in whole.own for c in line.text):
        return missing > 0
    return missing > sum(2 if c == CHARACTERS["trademark"] else 1 for c in signs)


def _lengthened(
    box: _Box,
    lines: list[OcrLine],
    own: list[OcrLine],
    others: Sequence[_Box],
    close: _Close,
    engine: GuardedEngine,
) -> tuple[_Box, list[OcrLine], list[OcrLine]]:
    """The box made longer while letters stand beyond its ends, with the readings that show it.

    A scratch or the end of the light cuts a detected line short, and the rest then reads well: the worst
    kind of misreading. Where our own reader sees no more letters in the longer one, it is left at that.
    """
    for _ in range(_MOST_STEPS):
        far = [_letters_beyond(close.pictures, box, side) >= _FEWEST_LETTERS for side in _SIDES]
        before, after = ((1.5 if goes_on else 0.5) * box.height / max(box.length, 1.0) for goes_on in far)
        longer = _Box(section(box.polygon, -before, 1.0 + after), box.score)
        if any(_covered(other, longer) > _covered(other, box) + 0.05 for other in others):
            break
        said = close.own(longer, _FIRST_ROOM)
        if said and len(_solid(said[0].text)) <= len(_solid(own[0].text)):
            break
        again = _recognize(close.strips(longer, close.plain), engine)
        short = _solid(tidied(max(lines, key=lambda line: line.confidence).text))
        texts = [_solid(tidied(line.text)) for line in again if line.confidence > 0.75]
        if not any(short != text and short in text for text in texts):
            break
        box, lines, own = longer, again, said
        if not any(far):
            break
    return box, lines, own


def _letters_beyond(pictures: Sequence[NDArray[np.uint8]], box: _Box, side: int) -> int:
    """How many letters our own reader sees beyond the start (0) or the end (1) of a box.

    It evens out the local contrast, so that it sees letters beyond the end of the light too.
    """
    if not mark_reader.available():
        return 0
    height = box.height / max(box.length, 1.0)
    limits = (-2.0 * height, 0.05 * height) if side == 0 else (1.0 - 0.05 * height, 1.0 + 2.0 * height)
    said = mark_reader.opinions(pictures, section(box.polygon, *limits), rooms=_FIRST_ROOM)
    return len(_solid(said[0].text))


def _looks(close: _Close, box: _Box) -> list[NDArray[np.uint8]]:
    """Strips of one line in every way of looking but the plain ones."""
    plain = [close.views["plain"], close.views.get("more_0", close.views["contrast"])]
    rooms = (0.88,) if mark_reader.available() else (1.2, 0.88)
    strips = close.strips(box, close.supposed())
    return strips + [strip for room in rooms for strip in close.strips(box, plain, room)]


def _sure_of(sign: Sign) -> bool:
    """Whether a sign is sure enough to be cut out of the line before the letters are read."""
    return sign.kind in CHARACTERS and sign.presence > 0.7 and sign.margin > 0.5


def _around_signs(
    box: _Box, lines: list[OcrLine], signs: Sequence[Sign], close: _Close, engine: GuardedEngine
) -> _Reading | None:
    """Read a line around its signs; None where that loses letters, because they are none.

    A shadow taken for a sign costs letters; a true one costs none, and its letter-like readings go.
    """
    whole = _Reading(box, lines, close.own(box))
    _agree(whole)
    around = _read_around(box, whole.own, signs, close, engine)
    believed = _weight_read(around) >= _weight_read(whole) and not _swallows(around, whole)
    return around if believed else None


def _read_around(
    box: _Box, own: list[OcrLine], signs: Sequence[Sign], close: _Close, engine: GuardedEngine
) -> _Reading:
    """Read the letters between the signs of a line, and put the signs where they stand.

    ``own`` is what our own reader says of the whole line.
    """
    half_width = [0.55 * s.size_px / max(box.length, 1.0) for s in signs]
    starts = [0.0] + [s.at + w for s, w in zip(signs, half_width, strict=True)]
    stops = [s.at - w for s, w in zip(signs, half_width, strict=True)] + [1.0]
    pieces: list[_Reading] = []
    text = ""
    for index, limits in enumerate(zip(starts, stops, strict=True)):
        start, stop = max(0.0, limits[0]), min(1.0, limits[1])
        if (stop - start) * box.length > 0.5 * box.height:
            part = _Box(section(box.polygon, start, stop), box.score)
            first = _recognize(close.strips(part, close.plain), engine)
            piece = _read_line(part, first, close.own(part, _FIRST_ROOM), close, engine)
            if piece.agreement * piece.strength > 0.35:
                pieces.append(piece)
                text += piece.text
        if index < len(signs):
            text += CHARACTERS[signs[index].kind]
    if not pieces:
        return _Reading(box, [OcrLine(text, min(s.margin for s in signs))], text=text)
    letters = [max(1, len(p.text)) for p in pieces]
    longest = max(pieces, key=lambda p: len(p.text))
    return _Reading(
        box,
        [line for piece in pieces for line in piece.lines],
        own,
        text,
        float(np.average([p.agreement for p in pieces], weights=letters)),
        min(p.weakest for p in pieces),
        float(np.average([p.strength for p in pieces], weights=letters)),
        tuple(text.replace(longest.text, other, 1) for other in longest.alternatives if longest.text),
    )


def _recognize(strips: list[NDArray[np.uint8]], engine: GuardedEngine) -> list[OcrLine]:
    outcome = engine.recognize(strips)
    if outcome.reason is not None:
        raise _EngineError(outcome)
    return list(outcome.lines)


def _quarter_turned(box: _Box) -> _Box:
    corners = cv2.boxPoints(box.rectangle).astype(np.float64)
    return _Box(np.roll(corners, 1, axis=0), box.score)


def _weight_of(lines: Sequence[OcrLine]) -> float:
    return sum(line.confidence**2 * math.sqrt(len(line.text)) for line in lines)


def _common_direction(readings: Sequence[_Reading]) -> NDArray[np.float64] | None:
    """The direction most of the well-read text runs in; None when nothing was read."""
    total = np.zeros(2)
    for reading in readings:
        total += reading.box.along * reading.agreement**2 * reading.strength * len(reading.text)
    size = float(np.linalg.norm(total))
    return total / size if size > 0.3 else None


# --- agreement ---------------------------------------------------------------------------------------


def tidied(text: str) -> str:
    """Return a reading in the form readings are compared in.

    The registered, copyright and trademark signs are taken out: an engine's word on them is not trusted.
    Letters whose small form only differs in size follow the capitals around them.
    """
    text = "".join(" " if c in _SIGNS else c for c in text)
    text = re.sub(r"\s+", " ", text).strip()
    upper = sum(c.isupper() for c in text)
    lower = sum(c.islower() for c in text)
    if upper >= lower:
        text = "".join(c.upper() if c in "cosuvwxzkpi" else c for c in text)
    return text


def _agree(reading: _Reading) -> None:
    """Fill in what the readings of one box agree on."""
    ballots: dict[str, float] = defaultdict(float)
    total_own = 0.0
    for line in reading.lines:
        text = tidied(line.text)
        if text:
            ballots[text] += line.confidence**2
    total = sum(line.confidence**2 for line in reading.lines)
    for text, weight in _second_votes(reading.own, ballots).items():
        ballots[text] += weight * total
        total_own += weight * total
    total += total_own
    if total <= 0:  # nothing was read, or nothing of it is believed at all
        return
    pivot = max(ballots, key=lambda t: sum(w * _similarity(t, other) for other, w in ballots.items()))
    columns = _columns(pivot, ballots)
    chars, shares = [], []
    options: list[tuple[int, str, float]] = []
    for index, votes in enumerate(columns):
        ranked = sorted(votes.items(), key=lambda item: -item[1])
        best, weight = ranked[0]
        shares.append(weight / total)
        chars.append(best)
        options += [(index, c, w / total) for c, w in ranked[1:] if w / total > 0.12]
    reading.text = re.sub(r"\s+", " ", "".join(chars)).strip()
    solid = [s for s, c in zip(shares, chars, strict=True) if c not in ("", " ")]
    reading.agreement = float(np.mean(solid)) if solid else 0.0
    reading.weakest = min(solid, default=0.0)
    reading.strength = float(np.mean(sorted((x.confidence for x in reading.lines), reverse=True)[:4]))
    reading.alternatives = _alternatives(chars, options, reading.text)


def _second_votes(own: Sequence[OcrLine], ballots: Mapping[str, float]) -> dict[str, float]:
    """Our own reader's votes, as shares of the engine's: some for all looks together, the rest for each look.

    It writes capitals only and is careless of spaces: where the engine sees the same letter, the engine's
    form of it is kept, and so are the engine's spaces.
    """
    if not own:
        return {}
    model = max(ballots, key=ballots.__getitem__, default="")
    together, looks = own[0], own[1:]
    votes: dict[str, float] = defaultdict(float)
    votes[_cased(tidied(together.text), model)] += 0.4 * _SECOND * together.confidence**2
    for line in looks:
        votes[_cased(tidied(line.text), model)] += 0.6 * _SECOND * line.confidence**2 / len(looks)
    votes.pop("", None)
    return votes


def _cased(text: str, model: str) -> str:
    """Text with the small letters and the spaces of a model, where it has the same letters."""
    if not model:
        return text
    letters = text.replace(" ", "")
    forms = iter(model)
    out = []
    for index, pair in _aligned(letters, model.upper()):
        form = next(forms) if pair is not None else ""
        if index is None:
            out.append(" " if form == " " else "")
        else:
            out.append(form if form.upper() == letters[index] else letters[index])
    return "".join(out)


def _columns(pivot: str, ballots: dict[str, float]) -> list[dict[str, float]]:
    """For each character of the pivot, and each gap before one, the weighted votes."""
    columns: list[dict[str, float]] = [defaultdict(float) for _ in range(2 * len(pivot) + 1)]
    for text, weight in ballots.items():
        gaps = [""] * (len(pivot) + 1)
        for a, b in _aligned(pivot, text):
            if a is None:
                assert b is not None
                gaps[b[0]] += b[1]
            else:
                columns[2 * a + 1]["" if b is None else b[1]] += weight
        for index, inserted in enumerate(gaps):
            columns[2 * index][inserted] += weight
    return columns


def _aligned(a: str, b: str) -> list[tuple[int | None, tuple[int, str] | None]]:
    """Align two strings by edit distance; a pair is (index in a, (position in a, character of b))."""
    rows, cols = len(a) + 1, len(b) + 1
    cost = np.zeros((rows, cols))
    cost[:, 0], cost[0, :] = np.arange(rows), np.arange(cols)
    for i in range(1, rows):
        for j in range(1, cols):
            cost[i, j] = min(
                cost[i - 1, j - 1] + (a[i - 1] != b[j - 1]), cost[i - 1, j] + 1, cost[i, j - 1] + 1
            )
    pairs: list[tuple[int | None, tuple[int, str] | None]] = []
    i, j = len(a), len(b)
    while i or j:
        if i and j and cost[i, j] == cost[i - 1, j - 1] + (a[i - 1] != b[j - 1]):
            i, j = i - 1, j - 1
            pairs.append((i, (i, b[j])))
        elif i and cost[i, j] == cost[i - 1, j] + 1:
            i -= 1
            pairs.append((i, None))
        else:
            j -= 1
            pairs.append((None, (i, b[j])))
    return pairs[::-1]


def _similarity(a: str, b: str) -> float:
    changed = sum(1 for i, pair in _aligned(a, b) if i is None or pair is None or a[i] != pair[1])
    return 1.0 - changed / max(len(a), len(b), 1)


def _alternatives(
    chars: Sequence[str], options: Sequence[tuple[int, str, float]], text: str
) -> tuple[str, ...]:
    """The reading with one doubtful character changed, likeliest change first."""
    out: list[str] = []
    for index, char, _ in sorted(options, key=lambda o: -o[2]):
        changed = "".join(char if i == index else c for i, c in enumerate(chars))
        changed = re.sub(r"\s+", " ", changed).strip()
        if changed.replace(" ", "") != text.replace(" ", "") and changed and changed not in out:
            out.append(changed)
    return tuple(out[:3])


# --- the record --------------------------------------------------------------------------------------


def _record(photo: Photo, marks: Sequence[MarkPlace], readings: Sequence[_Reading]) -> TraitRecord:
    worth = _once([r for r in readings if _solid(r.text)])
    printed = [r for r in worth if strokes_of(photo.rgb, r.box.polygon).printed]
    worth = [r for r in worth if r not in printed]
    lines = _in_order(worth)
    present = max((_presence(r) for r in worth), default=0.0)
    if present < 0.5 <= max((_presence(r) for r in printed), default=0.0):
        return _only_print(printed, marks)
    if present < 0.5:
        return _nothing_read(photo, marks, readings)
    shown = [line for line, reading in lines if _presence(reading) >= min(0.5, present)]
    region = Region.from_arrays([np.asarray(line.polygon) for line in shown])
    n_pixels = int(sum(cv2.contourArea(np.asarray(line.polygon, np.float32)) for line in shown))
    unsure = sum(line.confidence < 0.6 for line in shown)
    detail = f"{len(shown)} line{'s' * (len(shown) != 1)} of text."
    if unsure:
        detail += f" {unsure} cannot be read with certainty; a sharp close-up in low side light would help."
    candidates = {"present": present, "absent": 1.0 - present}
    return TraitRecord.decide(
        Trait.MARK_TEXT,
        candidates,
        METHOD,
        "Something like letters is there, but cannot be told from texture.",
        detail=detail,
        region=region,
        n_pixels=n_pixels,
        text=tuple(shown),
    )


def _only_print(printed: Sequence[_Reading], marks: Sequence[MarkPlace]) -> TraitRecord:
    said = ", ".join(f"“{r.text}”" for r in sorted(printed, key=_weight_read, reverse=True)[:2])
    return _withheld(
        Reason.NOT_LOCATED,
        f"The only letters found ({said}) have another color than what they stand on: printed, written or "
        "rubbed in. A molded mark is of one color with the vinyl; take a close-up of the bare vinyl.",
        marks,
    )


def _once(readings: Sequence[_Reading]) -> list[_Reading]:
    """Readings without those that repeat, in the same place, a part of one that says more."""
    kept: list[_Reading] = []
    for reading in sorted(readings, key=_weight_read, reverse=True):
        if not any(_repeats(reading, other) for other in kept):
            kept.append(reading)
    return kept


def _repeats(reading: _Reading, other: _Reading) -> bool:
    part, whole = _solid(reading.text), _solid(other.text)
    pairs = [(i, pair) for i, pair in _aligned(part, whole) if i is not None]
    shared = sum(1 for i, pair in pairs if pair is not None and part[i] == pair[1])
    return _covered(reading.box, other.box) > 0.5 and shared >= 0.7 * len(part)


def line_confidence(agreement: float, weakest: float, strength: float) -> float:
    """Return the probability that a line is right in every character.

    Parameters
    ----------
    agreement, weakest
        Mean and smallest share of the readings' weight that stands behind the characters.
    strength
        Mean confidence of the four surest readings, as a measure of how much there was to see.
    """
    evidence = -6.9 + 0.9 * agreement + 5.7 * weakest + 2.9 * strength
    return float(min(0.9, 1.0 / (1.0 + math.exp(-evidence))))


def _presence(reading: _Reading) -> float:
    """Probability that a box holds text at all."""
    letters = len(_solid(reading.text))
    if letters < 2:
        return 0.1
    evidence = -6.0 + 4.0 * reading.agreement + 4.0 * reading.strength + 0.35 * min(letters, 8)
    if reading.seconded is not None:
        evidence += 5.0 * (reading.seconded - 0.5)
    return float(min(0.98, 1.0 / (1.0 + math.exp(-evidence))))


def _in_order(readings: Sequence[_Reading]) -> list[tuple[TextLine, _Reading]]:
    """Lines top to bottom and left to right as the text runs; words of one line are joined."""
    if not readings:
        return []
    direction = _common_direction(readings)
    along = readings[0].box.along if direction is None else direction
    down = np.array([-along[1], along[0]])
    rows: list[list[_Reading]] = []
    for reading in sorted(readings, key=lambda r: float(r.box.center @ along)):
        row = next((row for row in rows if _follows(row[-1].box, reading.box)), None)
        if row is None:
            rows.append([reading])
        else:
            row.append(reading)
    rows.sort(key=lambda row: float(np.mean([r.box.center @ down for r in row])))
    out = []
    for row in rows:
        joined = _joined(row, len(rows) == 1)
        out.append((joined, max(row, key=lambda r: r.agreement * len(r.text))))
    return out


def _follows(a: _Box, b: _Box) -> bool:
    """Whether ``b`` goes on where ``a`` ends, a word or two apart on one line."""
    half = len(a.polygon) // 2
    end = 0.5 * (a.polygon[half - 1] + a.polygon[half])
    start = 0.5 * (b.polygon[0] + b.polygon[-1])
    before = 0.5 * (a.polygon[half - 2] + a.polygon[half + 1])
    heading = (end - before) / (np.linalg.norm(end - before) + 1e-9)
    heading = heading + b.along
    heading = heading / (np.linalg.norm(heading) + 1e-9)
    sizes = sorted((a.height, b.height))
    gap = float((start - end) @ heading)
    offset = abs(float((start - end) @ np.array([-heading[1], heading[0]])))
    return offset < 0.3 * sum(sizes) and sizes[1] < 2.0 * sizes[0] and -sizes[1] < gap < 2.5 * sizes[1]


def _joined(row: Sequence[_Reading], alone: bool = True) -> TextLine:
    """One line of the record; ``alone`` says that no other line shows which end is up."""
    upper = [p for r in row for p in r.box.polygon[: len(r.box.polygon) // 2]]
    lower = [p for r in reversed(row) for p in r.box.polygon[len(r.box.polygon) // 2 :]]
    polygon: Polygon = tuple((float(x), float(y)) for x, y in [*upper, *lower])
    confidence = min(line_confidence(r.agreement, r.weakest, r.strength) for r in row)
    # What our own reader does not make out is never sure, however clearly the engine claims to see it.
    confidence = min([confidence, *(0.5 + 0.4 * r.seconded for r in row if r.seconded is not None)])
    if any(r.goes_on or (r.other_end > _EITHER_END and alone) for r in row):
        confidence = min(confidence, 0.45)
    alternatives: list[str] = []
    for index, reading in enumerate(row):
        for other in reading.alternatives:
            alternatives.append(" ".join(other if i == index else r.text for i, r in enumerate(row)))
    text = row[0].text
    for before, after in itertools.pairwise(row):
        text = _spliced(text, after.text, _runs_into(before.box, after.box))
    return TextLine(text, confidence, polygon, tuple(alternatives[:3]))


def _runs_into(a: _Box, b: _Box) -> bool:
    """Whether two boxes of one line share letters."""
    half = len(a.polygon) // 2
    end = 0.5 * (a.polygon[half - 1] + a.polygon[half])
    start = 0.5 * (b.polygon[0] + b.polygon[-1])
    return float((start - end) @ (a.along + b.along)) / 2 < -0.7 * min(a.height, b.height)


def _spliced(before: str, after: str, shared: bool) -> str:
    """Two readings of one line as one; letters that both show are kept once."""
    for size in range(min(len(before), len(after), 4), 0, -1) if shared else ():
        if before.endswith(after[:size]):
            return before + after[size:]
    return f"{before} {after}"


def surely_blank(photo: Photo) -> bool:
    """Return whether the text map is below what 98 % of lettered pictures exceed, at every size looked at."""
    if not mark_map.available() or min(photo.width, photo.height) < 48:
        return False
    lettered = mark_map.levels().lettered
    return all(mark_map.of_photo(photo, side).highest < lettered for side in mark_map.SIDES)


def _nothing_read(
    photo: Photo, marks: Sequence[MarkPlace], readings: Sequence[_Reading], map_agrees: bool = False
) -> TraitRecord:
    if readings and max(_presence(r) for r in readings) > 0.3:
        return _withheld(
            Reason.AMBIGUOUS,
            "Something like letters is there, but cannot be told from texture; take a sharp close-up with a "
            "lamp held low at the side.",
            marks,
        )
    seen = surface_seen(photo)
    if seen.blurred:
        return _withheld(Reason.BLURRED, "Too soft to tell molded letters from none; take it sharper.", marks)
    if any(mark.confidence > 0.3 for mark in marks):
        return _withheld(
            Reason.AMBIGUOUS,
            "Something like a mark is there, but no letter of it can be read; a sharp close-up with a lamp "
            "held low at the side would help.",
            marks,
        )
    if not (seen.side_lit and seen.close):
        return _withheld(
            Reason.NOT_LOCATED,
            "No text was found, but shallow letters would not show in this view; take a close-up that the "
            "vinyl fills, with a lamp held low at the side.",
            marks,
        )
    absent = min(0.9, seen.confidence + 0.1 * map_agrees)
    return TraitRecord.decide(
        Trait.MARK_TEXT,
        {"absent": absent, "present": 1.0 - absent},
        METHOD,
        "No text was found, but the surface is not seen well enough to say there is none.",
        detail="The surface is sharp and lit from the side, and no text was found on it.",
        region=Region.box(0, 0, photo.width, photo.height),
        n_pixels=photo.width * photo.height,
        text=(),
    )


@dataclass(frozen=True, slots=True)
class SurfaceSeen:
    """How well a smooth surface is seen: what "no text found" is worth.

    ``close`` says that one smooth surface fills most of the photo, ``side_lit`` that light falls along it.
    """

    blurred: bool
    side_lit: bool
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
    tint = lab[..., 1:] - np.median(lab[..., 1:], axis=(0, 1))
    one_color = float(np.mean(np.hypot(tint[..., 0], tint[..., 1]) < 10.0))
    smooth = float(np.mean(cv2.GaussianBlur(np.abs(fine), (0, 0), 4) < 0.05))
    close = one_color > 0.8 and smooth > 0.85 and fall < 2.5
    side_lit = fall > 0.45 and texture > 0.004
    confidence = 0.55 + 0.2 * min(1.0, max(0.0, (fall - 0.45) / 0.8)) + 0.05 * min(1.0, texture / 0.02)
    return SurfaceSeen(pixel_noise < 0.0012, side_lit, close, confidence)


def _withheld(reason: Reason, detail: str, marks: Sequence[MarkPlace]) -> TraitRecord:
    region = Region.from_arrays([np.asarray(m.outline) for m in marks]) if marks else None
    return TraitRecord.withheld(Trait.MARK_TEXT, reason, METHOD, detail, region=region)


def _solid(text: str) -> str:
    return "".join(c for c in text if c.isalnum())


# --- years in Roman numerals ---------------------------------------------------------------------------

_ROMAN = {"M": 1000, "D": 500, "C": 100, "L": 50, "X": 10, "V": 5, "I": 1}
_ROMAN_FORM = re.compile(r"M{0,4}(CM|CD|D?C{0,3})(XC|XL|L?X{0,3})(IX|IV|V?I{0,3})\Z")


def roman_value(text: str) -> int | None:
    """Return the value of a Roman numeral in its standard form, 1–4999, or None if it is none.

    Parameters
    ----------
    text
        Capitals without spaces. ``"IIII"``, ``"VX"`` and the like are refused: on a mark they are likelier
        a misreading than a spelling.
    """
    if not text or not _ROMAN_FORM.match(text):
        return None
    values = [_ROMAN[c] for c in text]
    return sum(-v if any(v < w for w in values[i + 1 : i + 2]) else v for i, v in enumerate(values))


def year_of(text: str, first: int = 1850, last: int = 2050) -> int | None:
    """Return the year a word of a mark stands for, in Arabic or Roman figures, or None.

    Parameters
    ----------
    text
        One word.
    first, last
        Years believed; anything else is some other number.
    """
    word = text.strip(" .,;:()[]").upper()
    value = int(word) if re.fullmatch(r"[0-9]{4}", word) else roman_value(word)
    return value if value is not None and first <= value <= last else None
