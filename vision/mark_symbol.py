"""The sign beside a molded name: registered, trademark, or none.

No OCR engine tells the three small signs apart in relief, so a network of our own looks along each line of
text (:mod:`vision.mark_signs`), and our reader of lines is heard too.

How this could mislead a dealer, and what guards against it: © taken for ® turns an early doll into a late
one (the two must be far apart in the network's eyes, seen at three sizes, and the sign large enough); a
sign too small to be seen taken for none (none is only said of letters large enough to carry a visible one).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import mark_reader
from vision.locate.places import MarkPlace
from vision.mark_box import section
from vision.mark_signs import FAINTEST, Sign, best_half, signs_in
from vision.photo import Photo
from vision.text_outlines import CAPITAL_SHARE
from vision.traits import Quantity, Reason, Region, TextLine, Trait, TraitRecord

METHOD = "mark_symbol/4"

#: Smallest sign told apart, in pixels of the original.
SMALLEST_PX = 25.0
#: Smallest lead of the best sign over the next that is believed.
THINNEST_MARGIN = 0.5
#: Share of our reader's looks that must see a sign of that form, and what they leave of the doubt.
_SECONDED, _DOUBT_LEFT = 0.75, 0.35
#: How much likelier those looks must be for a sign of that form than for one of the other.
_CLEAR_ODDS = 6.0
#: How often our reader takes a TM for a ring, and a ring for a TM, of those that it takes for a sign: 10 of
#: 218 and 19 of 228 held-out strips (the record beside its weights).
_RING_OF_TM, _TM_OF_RING = 10 / 218, 19 / 228
#: How far beyond both ends of a line our reader looks for a sign, in letter heights: an outline may end
#: before the sign, which stands up to half a letter away and is a letter wide.
_SECOND_REACH = 1.4


@dataclass(frozen=True, slots=True)
class Second:
    """Which signs our reader of lines sees after the letters, as the share of its looks.

    It can tell TM from a ringed letter but not which letter the ring holds (the record beside its weights
    shows ® read as © as often as ®), so ®, © and others count together as ``ringed``. Looks at one photo err
    together, those under different ``lights`` by themselves.
    """

    trademark: float = 0.0
    ringed: float = 0.0
    lights: int = 1

    @property
    def odds(self) -> float:
        """How much likelier these looks are beside a TM than beside a ringed letter."""
        for_tm = self.trademark * math.log((1 - _RING_OF_TM) / _TM_OF_RING)
        for_ring = self.ringed * math.log((1 - _TM_OF_RING) / _RING_OF_TM)
        return math.exp(self.lights * (for_tm - for_ring))


_NO_SECOND = Second()


def measure(
    photo: Photo,
    marks: Sequence[MarkPlace],
    text_record: TraitRecord,
    more: Sequence[NDArray[np.uint8]] = (),
) -> TraitRecord:
    """Return which sign stands with the molded text.

    Parameters
    ----------
    photo
        The photo ``text_record`` was read from.
    marks
        Candidate places; used for the region when no text was read.
    text_record
        The record of ``mark_text``: its lines say where to look and which way is up.
    more
        Other photos of the same place under other lights, pixel on pixel.

    Returns
    -------
    ``registered``, ``trademark`` or ``none`` (a copyright sign alone counts as none and is flagged), with
    the quantity ``margin``; or ``not_located``, ``too_small``, ``ambiguous``, or the reason the text gave.
    """
    region = Region.from_arrays([np.asarray(m.outline) for m in marks]) if marks else None
    lines = text_record.text or ()
    if not lines:
        reason = text_record.not_measured or Reason.NOT_LOCATED
        return TraitRecord.withheld(
            Trait.MARK_SYMBOL,
            reason,
            METHOD,
            "No line of text was read beside which a sign could stand.",
            region=region,
        )
    region = Region.from_arrays([np.asarray(line.polygon) for line in lines])
    found = _distinct([s for line in lines for s in signs_of(photo, line, more)])
    relevant = [s for s in found if _may_be_the_sign(s)]
    pictures = (photo.rgb, *more)
    if relevant:
        best = max(relevant, key=lambda s: s.presence * max(s.shares["registered"], s.shares["trademark"]))
        letters = float(np.median([_letter_height(line) for line in lines]))
        nearest = min(lines, key=lambda line: _distance(line, best.center))
        return _signed(best, letters, region, second_opinion(pictures, nearest))
    seconds = [second_opinion(pictures, line) for line in lines]
    second = Second(max(s.trademark for s in seconds), max(s.ringed for s in seconds))
    return _unsigned(lines, found, region, second)


def _may_be_the_sign(sign: Sign) -> bool:
    """Whether it may be ® or TM; they follow the name, so that a faint one before it is likelier a shadow."""
    likely = max(sign.shares["registered"], sign.shares["trademark"]) * sign.presence > 0.15
    return likely and (sign.at >= 0.5 or sign.presence >= 0.6)


def signs_of(photo: Photo, line: TextLine, more: Sequence[NDArray[np.uint8]] = ()) -> list[Sign]:
    """Return the signs along a line that was read; a last TM in the reading backs a trademark sign there."""
    signs = signs_in(photo, np.asarray(line.polygon), more)
    if not ends_like_trademark(line.text):
        return signs
    return [
        replace(s, presence=1.0 - _DOUBT_LEFT * (1.0 - s.presence))
        if s.kind == "trademark" and s.at > 0.6
        else s
        for s in signs
    ]


def ends_like_trademark(text: str) -> bool:
    """Whether a reading ends in TM, or in what an engine makes of a small TM."""
    return bool(re.search(r"(™|T[MNH]|M)\Z", text.strip()))


def second_opinion(pictures: Sequence[NDArray[np.uint8]], line: TextLine) -> Second:
    """Return what our reader of lines says of signs in the latter half of a line.

    Nothing when it is not installed. Of several pictures the half counts in which it sees a sign most often,
    and those in which it sees one as often: light along a stroke hides it. A sign that stands before the
    letters is a © as a rule; our own classifier alone answers for those.

    Parameters
    ----------
    pictures
        (H, W, 3) uint8 photos of one place, pixel on pixel.
    line
        As read, with its outline in their pixels.
    """
    if not mark_reader.available():
        return Second()
    outline = np.asarray(line.polygon, np.float64)
    reach = _SECOND_REACH * _letter_height(line) / max(_length(outline), 1.0)
    looks = mark_reader.opinions(pictures, section(outline, -reach, 1.0 + reach))[1:]
    latter = [look.text[len(look.text) // 2 :] for look in looks]
    trademark = np.array(["™" in text for text in latter], float).reshape(-1, len(pictures)).mean(axis=0)
    ringed = np.array([any(c in text for c in "®©¤") for text in latter], float)
    ringed = ringed.reshape(-1, len(pictures)).mean(axis=0)
    often = trademark + ringed
    showing = often >= np.sort(often)[-best_half(len(pictures))]
    return Second(float(trademark[showing].mean()), float(ringed[showing].mean()), int(showing.sum()))


def _distance(line: TextLine, point: tuple[float, float]) -> float:
    outline = np.asarray(line.polygon, np.float32)
    return -float(cv2.pointPolygonTest(outline, (float(point[0]), float(point[1])), True))


def _length(outline: NDArray[np.float64]) -> float:
    half = len(outline) // 2
    middle = 0.5 * (outline[:half] + outline[half:][::-1])
    return float(np.linalg.norm(np.diff(middle, axis=0), axis=1).sum())


def _signed(sign: Sign, letters: float, region: Region, second: Second = _NO_SECOND) -> TraitRecord:
    """The record for a sign that may be ® or TM, beside letters of a height.

    One far larger than the letters, or before the name instead of after it, is likelier a shadow. Where our
    reader of lines sees a sign of the other form and none of this one, neither is believed. Where nearly all
    its looks see this form, it is no shadow, and that there is a sign is believed more; which sign stays
    our classifier's word.
    """
    same, other, odds = second.trademark, second.ringed, second.odds
    if sign.shares["registered"] > sign.shares["trademark"]:
        same, other, odds = other, same, 1.0 / odds
    seconded = same >= _SECONDED and odds > _CLEAR_ODDS and sign.presence >= FAINTEST and sign.at > 0.6
    if seconded:
        sign = replace(sign, presence=1.0 - _DOUBT_LEFT * (1.0 - sign.presence))
    registered, trademark = (sign.presence * _believed(sign, kind) for kind in ("registered", "trademark"))
    cap = 0.5 + 0.42 * min(1.0, sign.margin) * min(1.0, sign.presence)
    candidates = {
        "registered": min(cap, registered),
        "trademark": min(cap, trademark),
        "none": max(0.0, 1.0 - registered - trademark),
    }
    half = 0.5 * sign.size_px
    x, y = sign.center
    rest: dict[str, Any] = {
        "quantities": {"margin": Quantity(sign.margin, 0.15)},
        "region": Region.box(x - half, y - half, x + half, y + half),
        "n_pixels": int(sign.size_px**2),
        "candidates": candidates,
    }
    if sign.size_px < 0.8 * SMALLEST_PX:
        return TraitRecord.withheld(
            Trait.MARK_SYMBOL,
            Reason.TOO_SMALL,
            METHOD,
            f"There is a sign of about {sign.size_px:.0f} px; ®, © and TM look alike below "
            f"{SMALLEST_PX:.0f} px.",
            **rest,
        )
    too_large = sign.size_px > 1.6 * letters and not seconded
    odd = too_large or sign.at < 0.5 or other > same + 0.3
    if sign.margin < THINNEST_MARGIN or sign.presence < 0.6 or odd:
        return TraitRecord.withheld(
            Trait.MARK_SYMBOL,
            Reason.AMBIGUOUS,
            METHOD,
            "There may be a sign, but which one cannot be told; a sharp close-up in side light would help.",
            **rest,
        )
    rest.pop("candidates")
    return TraitRecord.decide(
        Trait.MARK_SYMBOL,
        candidates,
        METHOD,
        detail=f"A {sign.kind} sign of about {sign.size_px:.0f} px.",
        **rest,
    )


def _believed(sign: Sign, kind: str) -> float:
    """The share of one kind; where the kinds are not told apart, each that may stand there is as likely."""
    told = min(1.0, sign.margin / THINNEST_MARGIN)
    return told * sign.shares[kind] + (1.0 - told) / len(sign.shares)


def _unsigned(
    lines: Sequence[TextLine], found: Sequence[Sign], region: Region, second: Second = _NO_SECOND
) -> TraitRecord:
    """The record when neither ® nor TM was seen: none, if one would have been seen.

    A sign is missed where letters are: in fading light, cut by a scratch, too small. So each line must be
    read well, and letters be large, before the lack of a sign says anything; even then one in seven stays
    unseen.
    """
    letters = min(_letter_height(line) for line in lines)
    read = min(line.confidence for line in lines)
    flags = ("copyright_sign",) if any(s.kind == "copyright" and s.presence > 0.6 for s in found) else ()
    unsure = max((s.presence for s in found if s.kind != "copyright"), default=0.0)
    unsure = max(unsure, 0.7 * any(ends_like_trademark(line.text) for line in lines))
    unsure = max(unsure, second.trademark, second.ringed)
    seen = 0.86 / (1.0 + math.exp((20.0 - letters) / 4.0)) * min(1.0, read / 0.8)
    none = max(0.0, 0.5 + 0.36 * seen) * (1.0 - 0.6 * unsure)
    candidates = {"none": none, "registered": (1.0 - none) / 2, "trademark": (1.0 - none) / 2}
    margin = {"margin": Quantity(max(0.0, none - (1.0 - none) / 2), 0.15)}
    if letters < 16 or read < 0.3:
        return TraitRecord.withheld(
            Trait.MARK_SYMBOL,
            Reason.TOO_SMALL if letters < 16 else Reason.AMBIGUOUS,
            METHOD,
            "The text is too small or too faint to see a sign beside it; take it closer, in side light.",
            candidates=candidates,
            quantities=margin,
            region=region,
        )
    return TraitRecord.decide(
        Trait.MARK_SYMBOL,
        candidates,
        METHOD,
        "No sign was seen, but the text is not clear enough to say there is none.",
        detail="No registered or trademark sign stands with the text.",
        quantities=margin,
        region=region,
        flags=flags,
    )


def _distinct(signs: Sequence[Sign]) -> list[Sign]:
    """Signs seen from two lines counted once: the surer look is kept."""
    kept: list[Sign] = []
    for sign in sorted(signs, key=lambda s: -s.presence * s.margin):
        if all(math.dist(sign.center, o.center) > 0.7 * max(sign.size_px, o.size_px) for o in kept):
            kept.append(sign)
    return kept


def _letter_height(line: TextLine) -> float:
    points = np.asarray(line.polygon, np.float64)
    half = len(points) // 2
    return CAPITAL_SHARE * float(np.median(np.linalg.norm(points[:half] - points[half:][::-1], axis=1)))
