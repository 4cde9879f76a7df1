"""The sign beside a molded name: registered, trademark, or none.

No OCR engine tells the three small signs apart in relief, so a network of our own looks along each line of
text. It was trained on strips of lettering in many fonts under random light
(``sample_images/train_symbols.py``, record beside the weights) and knows five things: nothing, ®, ©, TM, and
some other small sign.

How this could mislead a dealer, and what guards against it: © taken for ® turns an early doll into a late
one (the two must be far apart in the network's eyes, seen at three sizes, and the sign large enough); a
sign too small to be seen taken for none (none is only said of letters large enough to carry a visible one).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import mark_map, mark_reader
from vision.locate.places import MarkPlace
from vision.network import open_own
from vision.ocr import straightened
from vision.photo import Photo
from vision.relief import luminance
from vision.text_outlines import CAPITAL_SHARE
from vision.traits import Quantity, Reason, Region, TextLine, Trait, TraitRecord

METHOD = "mark_symbol/3"

#: What the network tells apart, in the order of its outputs.
KINDS = ("nothing", "registered", "copyright", "trademark", "other")
#: How each sign is written.
CHARACTERS = {"registered": "®", "copyright": "©", "trademark": "™"}

#: Smallest sign told apart, in pixels of the original.
SMALLEST_PX = 25.0
#: Smallest lead of the best sign over the next that is believed.
THINNEST_MARGIN = 0.5

_STRIP_HEIGHT = 112
_CAPITAL_PX = 48.0
_STRIDE = 8
#: Sizes looked at besides the usual one, and the presence in that one from which they are.
_ZOOMS, _GLIMPSE = (0.85, 1.2), 0.05
_FOUND = 0.12
#: Presence from which a sign that our reader of lines sees too is believed more.
_FAINTEST = 0.25
#: Share of our reader's looks that must see a sign of that form, and what they leave of the doubt.
_SECONDED, _DOUBT_LEFT = 0.75, 0.35
#: Share of looks that may see a sign of the other form: fewer than one look at a single photo, one of many.
_STRAY = 0.1
#: How far beyond both ends of a line our reader looks for a sign, in letter heights: an outline may end
#: before the sign, which stands up to half a letter away and is a letter wide.
_SECOND_REACH = 1.4
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


@dataclass(frozen=True, slots=True)
class Second:
    """Which signs our reader of lines sees after the letters, as the share of its looks.

    It can tell TM from a ringed letter but not which letter the ring holds (the record beside its weights
    shows ® read as © as often as ®), so ®, © and others count together as ``ringed``.
    """

    trademark: float = 0.0
    ringed: float = 0.0


_NO_SECOND = Second()


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
    if max(float((1.0 - look.mean(axis=0)[0]).max()) for look in plain) < _GLIMPSE:
        return []
    rows, columns = plain[0].shape[2:]
    zoomed = [
        [_onto(look, zoom, rows, columns) for zoom in _ZOOMS for look in _looks(picture, band, zoom)]
        for picture in pictures
    ]
    stacks = np.stack([np.concatenate([p, np.stack(z)]) for p, z in zip(plain, zoomed, strict=True)])
    presence = 1.0 - stacks.mean(axis=1)[:, 0]
    showing = _best_half(len(pictures))
    signs = []
    for row, column in _peaks(np.sort(presence, axis=0)[-showing:].mean(axis=0)):
        best = np.argsort(presence[:, *_near(row, column)].max(axis=(1, 2)))[-showing:]
        signs.append(_sign_at(np.concatenate(stacks[best]), row, column, band, run, height))
    return sorted(signs, key=lambda sign: sign.at)


def _best_half(pictures: int) -> int:
    """How many pictures count, of those that show a sign best: half of them, two at least."""
    return min(pictures, max(2, (pictures + 1) // 2))


def signs_in(photo: Photo, outline: NDArray[Any], more: Sequence[NDArray[np.uint8]] = ()) -> list[Sign]:
    """Return :func:`find_signs` of a photo: once for a line, whoever asks, unless other photos join in."""
    points = np.ascontiguousarray(outline, np.float64)

    def find() -> list[Sign]:
        letter_px = mark_map.of_photo(photo).letter_along(points) if mark_map.available() else None
        return find_signs(photo.rgb, points, more, letter_px)

    return find() if more else photo.once(("signs", points.tobytes()), find)


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

    Nothing when it is not installed. Of several pictures the half counts in which it sees a sign most often:
    light along a stroke hides it. A sign that stands before the letters is a © as a rule; our own
    classifier alone answers for those.

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
    showing = np.argsort(-(trademark + ringed), kind="stable")[: _best_half(len(pictures))]
    return Second(float(trademark[showing].mean()), float(ringed[showing].mean()))


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
    same, other = second.trademark, second.ringed
    if sign.shares["registered"] > sign.shares["trademark"]:
        same, other = other, same
    seconded = same >= _SECONDED and other < _STRAY and sign.presence >= _FAINTEST and sign.at > 0.6
    if seconded:
        sign = replace(sign, presence=1.0 - _DOUBT_LEFT * (1.0 - sign.presence))
    registered = sign.presence * sign.shares["registered"]
    trademark = sign.presence * sign.shares["trademark"]
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


# --- looking -----------------------------------------------------------------------------------------


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


def _looks(rgb: NDArray[np.uint8], band: NDArray[np.float64], zoom: float) -> NDArray[np.float32]:
    """Class shares (2, 5, 14, W / 8) along a band, its letters ``zoom`` times the usual size.

    The strip is looked at as it is and with its fading light evened out.
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
    session = _session()
    tensor = np.stack([plain, even])[:, None].astype(np.float32)
    scores = np.asarray(session.run(None, {session.get_inputs()[0].name: tensor})[0], np.float32)
    shares = np.exp(scores - scores.max(axis=1, keepdims=True))
    return (shares / shares.sum(axis=1, keepdims=True))[:, :, :, :used]


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
    there = (1.0 - mean[0]) > 0.5 * min(1.0, max(presence, _FAINTEST))
    count, parts = cv2.connectedComponents(there.astype(np.uint8))
    cells = int((parts == parts[row, column]).sum()) if count > 1 and parts[row, column] else 1
    scale = height / _STRIP_HEIGHT
    size = math.sqrt(cells * _STRIDE**2 / math.pi) / 0.3 * scale
    along = (column + 0.5) / mean.shape[2]
    upper, lower = _at_share(band, along)
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


def _at_share(band: NDArray[np.float64], share: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points on both edges at a share of the band's length; beyond the ends it goes on straight."""
    half = len(band) // 2
    upper, lower = band[:half], band[half:][::-1]
    middle = 0.5 * (upper + lower)
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(middle, axis=0), axis=1))])
    at = share * run[-1]
    top = np.array([np.interp(at, run, upper[:, i]) for i in (0, 1)])
    bottom = np.array([np.interp(at, run, lower[:, i]) for i in (0, 1)])
    beyond = min(at, 0.0) + max(at - run[-1], 0.0)
    heading = middle[1] - middle[0] if at < 0 else middle[-1] - middle[-2]
    step = beyond * heading / (np.linalg.norm(heading) + 1e-9)
    return top + step, bottom + step


def section(outline: NDArray[np.float64], start: float, stop: float) -> NDArray[np.float64]:
    """Return the part of a line's outline between two shares of its length.

    Parameters
    ----------
    outline
        (2 k, 2): the upper edge as read, then the lower edge back.
    start, stop
        ``start`` < ``stop``; outside 0–1 the line is lengthened straight on.

    Returns
    -------
    Outline of the same kind.
    """
    shares = np.linspace(start, stop, len(outline) // 2)
    ends = [_at_share(outline, float(share)) for share in shares]
    return np.concatenate([[top for top, _ in ends], [bottom for _, bottom in ends][::-1]])


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
