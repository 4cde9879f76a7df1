"""Molded text as read: lines in reading order, with a confidence earned by agreement.

Lines are found (:mod:`vision.mark_lines`), each is looked at in several ways (:mod:`vision.mark_looks`), and
what most ways read alike is believed (:mod:`vision.mark_votes`). This module makes the record of it: which
lines are text at all, in which order they stand and how far to believe each; where the ways differ it shows
the alternatives. No list of known words is used: a mark that is not in any guide must come out as it stands.

How this could mislead a dealer, and what guards against it: texture read as letters (several ways must
agree); print on a card, a ruler or a box in the picture (:mod:`vision.mark_print`); rows of holes read as O
and 8 (their rims have a color of their own); a worn digit read with confidence (alternatives, and no
confidence from the engine's own word); a frontal photo of a marked part taken for a blank (``absent`` needs a
sharp, smooth surface in side light, :mod:`vision.mark_blank`).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.locate.places import MarkPlace
from vision.mark_blank import surely_blank, surface_seen
from vision.mark_box import covered, follows, runs_into
from vision.mark_lines import find_lines
from vision.mark_looks import read_lines
from vision.mark_print import strokes_of
from vision.mark_votes import Reading, aligned, common_direction, solid
from vision.ocr import GuardedEngine, NullEngine, OcrEngine, OutcomeError, guarded
from vision.photo import Photo
from vision.relief import Float
from vision.roman import years_said
from vision.traits import Polygon, Reason, Region, TextLine, Trait, TraitRecord

METHOD = "mark_text/4"


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
        boxes = find_lines(photo, marks, guard)
        readings = read_lines(photo, boxes, guard, more, height)
    except OutcomeError as error:
        return _withheld(error.reason, str(error), marks)
    return _record(photo, marks, readings)


def _record(photo: Photo, marks: Sequence[MarkPlace], readings: Sequence[Reading]) -> TraitRecord:
    worth = _once([r for r in readings if solid(r.text)])
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
    detail = " ".join([detail, *years_said(line.text for line in shown)])
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


def _only_print(printed: Sequence[Reading], marks: Sequence[MarkPlace]) -> TraitRecord:
    said = ", ".join(f"“{r.text}”" for r in sorted(printed, key=lambda r: r.weight, reverse=True)[:2])
    return _withheld(
        Reason.NOT_LOCATED,
        f"The only letters found ({said}) have another color than what they stand on: printed, written or "
        "rubbed in. A molded mark is of one color with the vinyl; take a close-up of the bare vinyl.",
        marks,
    )


def _once(readings: Sequence[Reading]) -> list[Reading]:
    """Readings without those that repeat, in the same place, a part of one that says more."""
    kept: list[Reading] = []
    for reading in sorted(readings, key=lambda r: r.weight, reverse=True):
        if not any(_repeats(reading, other) for other in kept):
            kept.append(reading)
    return kept


def _repeats(reading: Reading, other: Reading) -> bool:
    part, whole = solid(reading.text), solid(other.text)
    pairs = [(i, pair) for i, pair in aligned(part, whole) if i is not None]
    shared = sum(1 for i, pair in pairs if pair is not None and part[i] == pair[1])
    return covered(reading.box, other.box) > 0.5 and shared >= 0.7 * len(part)


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


def _presence(reading: Reading) -> float:
    """Probability that a box holds text at all."""
    letters = len(solid(reading.text))
    if letters < 2:
        return 0.1
    evidence = -6.0 + 4.0 * reading.agreement + 4.0 * reading.strength + 0.35 * min(letters, 8)
    if reading.seconded is not None:
        evidence += 5.0 * (reading.seconded - 0.5)
    return float(min(0.98, 1.0 / (1.0 + math.exp(-evidence))))


def _in_order(readings: Sequence[Reading]) -> list[tuple[TextLine, Reading]]:
    """Lines top to bottom and left to right as the text runs; words of one line are joined."""
    if not readings:
        return []
    direction = common_direction(readings)
    along = readings[0].box.along if direction is None else direction
    down = np.array([-along[1], along[0]])
    rows: list[list[Reading]] = []
    for reading in sorted(readings, key=lambda r: float(r.box.center @ along)):
        row = next((row for row in rows if follows(row[-1].box, reading.box)), None)
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


def _joined(row: Sequence[Reading], alone: bool = True) -> TextLine:
    """One line of the record; ``alone`` says that no other line shows which end is up."""
    upper = [p for r in row for p in r.box.polygon[: len(r.box.polygon) // 2]]
    lower = [p for r in reversed(row) for p in r.box.polygon[len(r.box.polygon) // 2 :]]
    polygon: Polygon = tuple((float(x), float(y)) for x, y in [*upper, *lower])
    confidence = min(line_confidence(r.agreement, r.weakest, r.strength) for r in row)
    # What our own reader does not make out is never sure, however clearly the engine claims to see it.
    confidence = min([confidence, *(0.5 + 0.4 * r.seconded for r in row if r.seconded is not None)])
    if any(r.goes_on or (r.either_end and alone) for r in row):
        confidence = min(confidence, 0.45)
    alternatives: list[str] = []
    for index, reading in enumerate(row):
        for other in reading.alternatives:
            alternatives.append(" ".join(other if i == index else r.text for i, r in enumerate(row)))
    text = row[0].text
    for before, after in itertools.pairwise(row):
        text = _spliced(text, after.text, runs_into(before.box, after.box))
    return TextLine(text, confidence, polygon, tuple(alternatives[:3]))


def _spliced(before: str, after: str, shared: bool) -> str:
    """Two readings of one line as one; letters that both show are kept once."""
    for size in range(min(len(before), len(after), 4), 0, -1) if shared else ():
        if before.endswith(after[:size]):
            return before + after[size:]
    return f"{before} {after}"


def _nothing_read(
    photo: Photo, marks: Sequence[MarkPlace], readings: Sequence[Reading], map_agrees: bool = False
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


def _withheld(reason: Reason, detail: str, marks: Sequence[MarkPlace]) -> TraitRecord:
    region = Region.from_arrays([np.asarray(m.outline) for m in marks]) if marks else None
    return TraitRecord.withheld(Trait.MARK_TEXT, reason, METHOD, detail, region=region)
