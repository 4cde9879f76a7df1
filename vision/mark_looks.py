"""Reading each line of a mark by two readers, in as many ways of looking as it takes.

The readers are the engine, trained on print, and our own (:mod:`vision.mark_reader`), which saw nothing but
relief: they err differently. Further looks (:mod:`vision.mark_views`) are taken only where the first ones
leave a doubt; then the readings vote (:mod:`vision.mark_votes`). Here is also settled which end of a line is
up, whether it goes on beyond its outline, and which of its letters are signs.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vision import mark_map, mark_reader
from vision.mark_box import Box, covered, follows, section
from vision.mark_signs import CHARACTERS, Sign, signs_in
from vision.mark_views import Close, views_of
from vision.mark_votes import SIGNS, Reading, agree, common_direction, solid, tidied
from vision.ocr import GuardedEngine, OcrLine
from vision.photo import Photo
from vision.relief import Float

#: The engine's own word from which a line counts as clear to see.
_CLEAR = 0.92
#: Share of the votes behind each letter of a line from which the engine, whose looks cost most of the time,
#: need not take further ones: of 125 lines none changed by them had so much.
_AGREED = 0.8
#: Letters that somebody must see in one of the first looks at a box, else it is not looked at closer.
_FEWEST_LETTERS = 2
#: Presence from which there may be a sign.
_MAYBE_SIGN = 0.25
#: How much better than any other end our own reader must read one, and letters in it, to settle which is up.
_CLEAR_END, _LEAST_LETTERS = 1.6, 4
#: Mean share of the text map beyond a box's end from which its line goes on there.
_LETTERS_BEYOND = 0.3
#: The start and the end of a box; how often it is made longer.
_SIDES, _MOST_STEPS = (0, 1), 3
#: Room with which our own reader takes its first look at a line.
_FIRST_ROOM = mark_reader.ROOMS[1:2]


def read_lines(
    photo: Photo,
    boxes: Sequence[Box],
    engine: GuardedEngine,
    more: Sequence[NDArray[np.uint8]] = (),
    height: Float | None = None,
) -> list[Reading]:
    """Return readings of all boxes: first which end is up, then as many ways of looking as it takes.

    Parameters
    ----------
    photo
        The whole photo.
    boxes
        The lines found in it. One that runs against most of the text is left out or read again, turned.
    engine
        Only its ``recognize`` is asked.
    more, height
        As for :func:`vision.mark_text.measure`.

    Raises
    ------
    vision.ocr.OutcomeError
        The engine is missing or fails.
    """
    readings: list[Reading] = []
    for box in boxes:
        others = [other for other in boxes if other is not box]
        readings.append(_read_box(photo, box, others, views_of(photo, box, more, height), engine))
    for reading in readings:
        reading.goes_on |= _goes_on(photo, reading.box, [o for o in boxes if o is not reading.box])
    direction = common_direction(readings)
    if direction is None:
        return readings
    for index, reading in enumerate(readings):
        if float(reading.box.along @ direction) < -0.5 and reading.either_end:
            turned = reading.box.turned()
            others = [other for other in boxes if other is not reading.box]
            close = views_of(photo, turned, more, height)
            readings[index] = _read_box(photo, turned, others, close, engine, turn=False)
            readings[index].goes_on |= reading.goes_on
    return [r for r in readings if float(r.box.along @ direction) > 0.5 or r.agreement > 0.8]


def _goes_on(photo: Photo, box: Box, others: Sequence[Box]) -> bool:
    """Whether letters show just beyond an end of a box, where no other box begins.

    Either the text map shows them, or our own reader makes some out.
    """
    middle = box.middle
    ends = ((middle[0], middle[1], box.turned()), (middle[-1], middle[-2], box))
    for side, (end, before, heading) in zip(_SIDES, ends, strict=True):
        away = (end - before) / (np.linalg.norm(end - before) + 1e-9)
        points = end + np.linspace(0.1, 0.6, 6)[:, None] * box.height * away
        if any(follows(heading, o) or follows(heading, o.turned()) for o in others):
            continue
        if mark_map.available() and mark_map.of_photo(photo).at(points) > _LETTERS_BEYOND:
            return True
        if _letters_beyond((photo.rgb,), box, side) >= _FEWEST_LETTERS:
            return True
    return False


def _read_box(
    photo: Photo,
    box: Box,
    others: Sequence[Box],
    close: Close,
    engine: GuardedEngine,
    turn: bool = True,
) -> Reading:
    """Read one box: from which end, how far it goes on, and the letters around its signs."""
    first = _upright(box, close, engine, turn)
    if first.own and max(len(solid(line.text)) for line in [*first.lines, *first.own]) < _FEWEST_LETTERS:
        return Reading(first.box, first.lines, first.own)  # texture: neither reader makes letters of it
    chosen, lines, own = _lengthened(first, others, close, engine)
    found = signs_in(photo, chosen.polygon)
    signs = [sign for sign in found if _sure_of(sign)]
    reading = _around_signs(chosen, lines, signs, close, engine) if signs else None
    if reading is None:
        reading = _read_line(chosen, lines, own, close, engine, found)
        if any(sign.kind == "trademark" and sign.at > 0.6 for sign in found):
            reading.text = re.sub(r"\s*T[MNH]\Z", CHARACTERS["trademark"], reading.text)
    reading.other_end = first.other_end
    reading.goes_on = chosen.length > first.box.length + 1.2 * box.height
    return reading


def _upright(box: Box, close: Close, engine: GuardedEngine, turn: bool) -> Reading:
    """The first looks at a box, from the end that reads best; ``turn`` says that either end may be up."""
    ends = [box, box.turned()] if turn else [box]
    if turn and box.length < 1.7 * box.height:
        ends += [box.quarter_turned(), box.quarter_turned().turned()]
    own = [close.own(end, _FIRST_ROOM) for end in ends]
    ends, own = _likely_ends(ends, own)
    views = close.plain
    lines = _recognize([strip for end in ends for strip in close.strips(end, views)], engine)
    groups = [lines[i : i + len(views)] for i in range(0, len(lines), len(views))]
    weights = [_weight_of(group) + 2.0 * _weight_of(said) for group, said in zip(groups, own, strict=True)]
    best = int(np.argmax(weights))
    runner_up = sorted(weights)[-2] / max(weights[best], 1e-6) if len(weights) > 1 else 0.0
    return Reading(ends[best], groups[best], own[best], other_end=runner_up)


def _likely_ends(ends: list[Box], own: list[list[OcrLine]]) -> tuple[list[Box], list[list[OcrLine]]]:
    """The ends from which a line is worth reading by the engine, which costs most of the time.

    Where our own reader makes several letters out from one end and far less from any other, that end alone.
    """
    weights = [_weight_of(said) for said in own]
    best = int(np.argmax(weights))
    others = max((w for i, w in enumerate(weights) if i != best), default=0.0)
    letters = min((len(solid(line.text)) for line in own[best]), default=0)
    if letters < _LEAST_LETTERS or weights[best] < _CLEAR_END * others:
        return ends, own
    return ends[best : best + 1], own[best : best + 1]


def _read_line(
    box: Box,
    lines: list[OcrLine],
    own: list[OcrLine],
    close: Close,
    engine: GuardedEngine,
    signs: Sequence[Sign] = (),
) -> Reading:
    """Read one box in as many ways as it takes; ``lines`` and ``own`` are the first looks at it."""
    settled = _settled(lines, own, signs)
    reading = Reading(box, lines, own if settled else close.own(box))
    agree(reading)
    if not settled and reading.weakest < _AGREED:
        reading.lines = lines + _recognize(close.further(box), engine)
        agree(reading)
    return reading


def _settled(lines: Sequence[OcrLine], own: Sequence[OcrLine], signs: Sequence[Sign]) -> bool:
    """Whether the engine reads one text in every plain view, clearly, and our own reader the same.

    The two err differently: what they agree on letter by letter, further looks do not change. Both read a
    TM as a T, though: where a sign may stand, our own reader must have seen one.
    """
    texts = {tidied(line.text) for line in lines}
    if len(texts) != 1 or not own or min(line.confidence for line in lines) < _CLEAR:
        return False
    if any(s.presence > _MAYBE_SIGN for s in signs) and not any(c in SIGNS for o in own for c in o.text):
        return False
    letters = solid(texts.pop())
    return len(letters) > 1 and all(solid(tidied(o.text)) == letters.upper() for o in own)


def _lengthened(
    first: Reading, others: Sequence[Box], close: Close, engine: GuardedEngine
) -> tuple[Box, list[OcrLine], list[OcrLine]]:
    """The box made longer while letters stand beyond its ends, with the readings that show it.

    A scratch or the end of the light cuts a detected line short, and the rest then reads well: the worst
    kind of misreading. Where our own reader sees no more letters in the longer one, it is left at that.
    """
    box, lines, own = first.box, first.lines, first.own
    for _ in range(_MOST_STEPS):
        far = [_letters_beyond(close.pictures, box, side) >= _FEWEST_LETTERS for side in _SIDES]
        before, after = ((1.5 if goes_on else 0.5) * box.height / max(box.length, 1.0) for goes_on in far)
        longer = Box(section(box.polygon, -before, 1.0 + after), box.score)
        if any(covered(other, longer) > covered(other, box) + 0.05 for other in others):
            break
        said = close.own(longer, _FIRST_ROOM)
        if said and len(solid(said[0].text)) <= len(solid(own[0].text)):
            break
        again = _recognize(close.strips(longer, close.plain), engine)
        short = solid(tidied(max(lines, key=lambda line: line.confidence).text))
        texts = [solid(tidied(line.text)) for line in again if line.confidence > 0.75]
        if not any(short != text and short in text for text in texts):
            break
        box, lines, own = longer, again, said
        if not any(far):
            break
    return box, lines, own


def _letters_beyond(pictures: Sequence[NDArray[np.uint8]], box: Box, side: int) -> int:
    """How many letters our own reader sees beyond the start (0) or the end (1) of a box.

    It evens out the local contrast, so that it sees letters beyond the end of the light too.
    """
    if not mark_reader.available():
        return 0
    height = box.height / max(box.length, 1.0)
    limits = (-2.0 * height, 0.05 * height) if side == 0 else (1.0 - 0.05 * height, 1.0 + 2.0 * height)
    said = mark_reader.opinions(pictures, section(box.polygon, *limits), rooms=_FIRST_ROOM)
    return len(solid(said[0].text))


def _sure_of(sign: Sign) -> bool:
    """Whether a sign is sure enough to be cut out of the line before the letters are read."""
    return sign.kind in CHARACTERS and sign.presence > 0.7 and sign.margin > 0.5


def _around_signs(
    box: Box, lines: list[OcrLine], signs: Sequence[Sign], close: Close, engine: GuardedEngine
) -> Reading | None:
    """Read a line around its signs; None where that loses letters, because they are none.

    A shadow taken for a sign costs letters; a true one costs none, and its letter-like readings go.
    """
    whole = Reading(box, lines, close.own(box))
    agree(whole)
    around = _read_around(box, whole.own, signs, close, engine)
    believed = around.weight >= whole.weight and not _swallows(around, whole)
    return around if believed else None


def _read_around(
    box: Box, own: list[OcrLine], signs: Sequence[Sign], close: Close, engine: GuardedEngine
) -> Reading:
    """Read the letters between the signs of a line, and put the signs where they stand.

    ``own`` is what our own reader says of the whole line.
    """
    pieces: list[Reading] = []
    text = ""
    for index, (start, stop) in enumerate(_between(box, signs)):
        if (stop - start) * box.length > 0.5 * box.height:
            part = Box(section(box.polygon, start, stop), box.score)
            first = _recognize(close.strips(part, close.plain), engine)
            piece = _read_line(part, first, close.own(part, _FIRST_ROOM), close, engine)
            if piece.agreement * piece.strength > 0.35:
                pieces.append(piece)
                text += piece.text
        if index < len(signs):
            text += CHARACTERS[signs[index].kind]
    if not pieces:
        return Reading(box, [OcrLine(text, min(s.margin for s in signs))], text=text)
    return _put_together(box, own, text, pieces)


def _between(box: Box, signs: Sequence[Sign]) -> list[tuple[float, float]]:
    """Where the letters between signs begin and end, as shares of the line; one more than there are signs."""
    half_width = [0.55 * s.size_px / max(box.length, 1.0) for s in signs]
    starts = [0.0] + [s.at + w for s, w in zip(signs, half_width, strict=True)]
    stops = [s.at - w for s, w in zip(signs, half_width, strict=True)] + [1.0]
    return [(max(0.0, start), min(1.0, stop)) for start, stop in zip(starts, stops, strict=True)]


def _put_together(box: Box, own: list[OcrLine], text: str, pieces: Sequence[Reading]) -> Reading:
    """One reading of the pieces of a line, whose whole text with its signs is known."""
    letters = [max(1, len(p.text)) for p in pieces]
    longest = max(pieces, key=lambda p: len(p.text))
    return Reading(
        box,
        [line for piece in pieces for line in piece.lines],
        own,
        text,
        float(np.average([p.agreement for p in pieces], weights=letters)),
        min(p.weakest for p in pieces),
        float(np.average([p.strength for p in pieces], weights=letters)),
        tuple(text.replace(longest.text, other, 1) for other in longest.alternatives if longest.text),
    )


def _swallows(around: Reading, whole: Reading) -> bool:
    """Whether a reading around signs takes letters for signs, however well the rest of it is agreed on.

    A ringed letter may be read as one letter or figure, TM as two; where more are missing, or our own reader
    sees no sign in any look at the line, they were letters.
    """
    missing = len(solid(whole.text)) - len(solid(around.text))
    signs = [c for c in around.text if c in CHARACTERS.values()]
    if whole.own and not any(c in SIGNS for line in whole.own for c in line.text):
        return missing > 0
    return missing > sum(2 if c == CHARACTERS["trademark"] else 1 for c in signs)


def _recognize(strips: list[NDArray[np.uint8]], engine: GuardedEngine) -> list[OcrLine]:
    return list(engine.recognize(strips).lines_or_raise())


def _weight_of(lines: Sequence[OcrLine]) -> float:
    return sum(line.confidence**2 * math.sqrt(len(line.text)) for line in lines)
