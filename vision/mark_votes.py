"""What several readings of one line agree on, letter by letter.

The readings are aligned to the one that is nearest to all; each then votes on every letter and every gap, by
how sure it is. Its vote on a letter is shared among the letters that it holds possible there: in a shadow a
reader is sure of the other letters and hardly of this one. The letter with most of the votes is read; how far
to believe it is told by the readings that name it outright, so that doubts which agree make nothing sure.
Where readings differ, the alternatives are kept. No list of known words has a vote.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vision.mark_box import Box
from vision.mark_signs import CHARACTERS
from vision.ocr import OcrLine

#: Signs an engine may write; its word on them is not taken.
SIGNS = "®©™¤"
#: How nearly as well the other end must read for it to be in doubt which end is up.
_EITHER_END = 0.7
#: Weight of our own reader's votes, times that of the engine's: it errs less often in relief (drawn lines,
#: rendered lines of the tuning photos), but all its looks err alike.
_SECOND = 1.3
#: Letters whose small form only differs in size.
_ALIKE_IN_SIZE = "cosuvwxzkpi"

#: A reading letter by letter: the character read, and the share of each that its reader held possible.
Spelling = list[tuple[str, dict[str, float]]]


@dataclass(slots=True)
class Reading:
    """All readings of one box, and what they agree on.

    Attributes
    ----------
    box
        The line as read; its start is the end from which it reads best.
    lines, own
        What the engine read in each look, and what our own reader did: first in all its looks together.
    text, alternatives
        What they agree on, and at most three readings that differ from it in one doubtful character.
    agreement, weakest
        Mean and smallest share of the votes behind a character, 0–1; the smallest also behind there being
        none where some readings have one.
    strength
        Mean confidence of the engine's four surest readings, 0–1: how much there was to see.
    goes_on
        Letters stand beyond its box, or it was made much longer: there may be more.
    other_end
        How well it reads upside down, over how well it reads this way: ``10`` turned is ``OL``.
    """

    box: Box
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
    def either_end(self) -> bool:
        """Whether it is in doubt which end is up."""
        return self.other_end > _EITHER_END

    @property
    def weight(self) -> float:
        """How much it says and how well that is agreed on; a sign counts as one letter."""
        signs = sum(c in CHARACTERS.values() for c in self.text)
        return len(solid(self.text)) * self.agreement + signs

    @property
    def seconded(self) -> float | None:
        """How far our own reader, in the better half of its looks, says the same, 0–1; None if not asked."""
        if not self.own:
            return None
        text = solid(self.text).upper()
        alike = sorted((_similarity(text, solid(tidied(o.text))) for o in self.own), reverse=True)
        return float(np.mean(alike[: max(1, len(alike) // 2)]))


def common_direction(readings: Sequence[Reading]) -> NDArray[np.float64] | None:
    """Return the direction most of the well-read text runs in, a unit vector; None when nothing was read."""
    total = np.zeros(2)
    for reading in readings:
        total += reading.box.along * reading.agreement**2 * reading.strength * len(reading.text)
    size = float(np.linalg.norm(total))
    return total / size if size > 0.3 else None


def solid(text: str) -> str:
    """Return the letters and figures of a text alone."""
    return "".join(c for c in text if c.isalnum())


def tidied(text: str) -> str:
    """Return a reading in the form readings are compared in.

    The registered, copyright and trademark signs are taken out: an engine's word on them is not trusted.
    Letters whose small form only differs in size follow the capitals around them.
    """
    text = "".join(" " if c in SIGNS else c for c in text)
    text = re.sub(r"\s+", " ", text).strip()
    capitals = _in_capitals(text)
    return "".join(_of_size(c, capitals) for c in text)


def _in_capitals(text: str) -> bool:
    return sum(c.isupper() for c in text) >= sum(c.islower() for c in text)


def _of_size(char: str, capitals: bool) -> str:
    return char.upper() if capitals and char in _ALIKE_IN_SIZE else char


def _spelling(line: OcrLine) -> Spelling:
    """Return what a line says, as :func:`tidied`, with what its reader held possible at each letter."""
    capitals = _in_capitals(line.text)
    told = line.characters if len(line.characters) == len(line.text) else ((),) * len(line.text)
    letters = [(c, options) for c, options in zip(line.text, told, strict=True) if c not in SIGNS + " "]
    spelled: Spelling = []
    for char in tidied(line.text):
        shares: dict[str, float] = defaultdict(float)
        if char == " ":
            shares[char] = 1.0
        else:
            read, options = letters.pop(0)
            for option, share in options or ((read, 1.0),):
                shares[_of_size(option, capitals)] += share
        spelled.append((char, dict(shares)))
    return spelled


def agree(reading: Reading) -> None:
    """Fill in what the readings of one box agree on; nothing where no reading is believed at all."""
    ballots, total = _ballots(reading)
    if total <= 0:
        return
    pivot = max(ballots, key=lambda t: sum(b.weight * _similarity(t, other) for other, b in ballots.items()))
    chars, shares, left_out = [], [], 1.0
    options: list[tuple[int, str, float]] = []
    for index, votes in enumerate(_columns(pivot, ballots)):
        ranked = sorted(votes.items(), key=lambda item: -item[1].held)
        best, tally = ranked[0]
        shares.append(tally.named / total)
        chars.append(best)
        options += [(index, c, t.held / total) for c, t in ranked[1:] if t.held / total > 0.12]
        if not best:
            left_out = min(left_out, 1.0 - sum(t.named for c, t in ranked[1:] if c.strip()) / total)
    reading.text = re.sub(r"\s+", " ", "".join(chars)).strip()
    behind = [s for s, c in zip(shares, chars, strict=True) if c not in ("", " ")]
    reading.agreement = float(np.mean(behind)) if behind else 0.0
    reading.weakest = min([*behind, left_out]) if behind else 0.0
    reading.strength = float(np.mean(sorted((x.confidence for x in reading.lines), reverse=True)[:4]))
    reading.alternatives = _alternatives(chars, options, reading.text)


@dataclass(slots=True)
class _Ballot:
    """All readings of one text: their weight, and how it is shared at each character."""

    weight: float
    shares: list[dict[str, float]]


@dataclass(slots=True)
class _Tally:
    """Votes on one character: from all readings that hold it possible, and from those that name it."""

    held: float = 0.0
    named: float = 0.0


def _ballots(reading: Reading) -> tuple[dict[str, _Ballot], float]:
    """The votes for each text, and their total, in which looks that read nothing count too."""
    ballots: dict[str, _Ballot] = {}
    for line in reading.lines:
        _cast(ballots, _spelling(line), line.confidence**2)
    total = sum(line.confidence**2 for line in reading.lines)
    model = max(ballots, key=lambda text: ballots[text].weight, default="")
    total_own = 0.0
    for line, weight in _second_weights(reading.own):
        total_own += _cast(ballots, _cased(_spelling(line), model), weight * total)
    return ballots, total + total_own


def _cast(ballots: dict[str, _Ballot], spelled: Spelling, weight: float) -> float:
    """Add a reading to the ballots; returns its weight, 0 where it reads nothing."""
    text = "".join(char for char, _ in spelled)
    if not text:
        return 0.0
    ballot = ballots.setdefault(text, _Ballot(0.0, [defaultdict(float) for _ in text]))
    ballot.weight += weight
    for sums, (_, shares) in zip(ballot.shares, spelled, strict=True):
        for char, share in shares.items():
            sums[char] += weight * share
    return weight


def _second_weights(own: Sequence[OcrLine]) -> list[tuple[OcrLine, float]]:
    """Our own reader's weights, as shares of the engine's: some for all looks together, the rest for each."""
    if not own:
        return []
    together, looks = own[0], own[1:]
    each = [(line, 0.6 * _SECOND * line.confidence**2 / len(looks)) for line in looks]
    return [(together, 0.4 * _SECOND * together.confidence**2), *each]


def _cased(spelled: Spelling, model: str) -> Spelling:
    """A reading with the small letters and the spaces of a model, where it has the same letters.

    Our own reader writes capitals only and is careless of spaces: where the engine sees the same letter, the
    engine's form of it is kept, and so are the engine's spaces.
    """
    if not model:
        return spelled
    letters = [(char, shares) for char, shares in spelled if char != " "]
    forms = iter(model)
    out: Spelling = []
    for index, pair in aligned("".join(char for char, _ in letters), model.upper()):
        form = next(forms) if pair is not None else ""
        if index is not None:
            char, shares = letters[index]
            same = form.upper() == char
            out.append(
                (form, {form if c == char else c: s for c, s in shares.items()}) if same else (char, shares)
            )
        elif form == " ":
            out.append((" ", {" ": 1.0}))
    return out


def _columns(pivot: str, ballots: dict[str, _Ballot]) -> list[dict[str, _Tally]]:
    """For each character of the pivot, and each gap before one, the weighted votes."""
    columns: list[dict[str, _Tally]] = [defaultdict(_Tally) for _ in range(2 * len(pivot) + 1)]
    for text, ballot in ballots.items():
        gaps = [""] * (len(pivot) + 1)
        shares = iter(ballot.shares)
        for a, b in aligned(pivot, text):
            if a is None:
                assert b is not None
                gaps[b[0]] += b[1]
                next(shares)
                continue
            column = columns[2 * a + 1]
            column["" if b is None else b[1]].named += ballot.weight
            for char, held in ({"": ballot.weight} if b is None else next(shares)).items():
                column[char].held += held
        for index, inserted in enumerate(gaps):
            tally = columns[2 * index][inserted]
            tally.named += ballot.weight
            tally.held += ballot.weight
    return columns


def aligned(a: str, b: str) -> list[tuple[int | None, tuple[int, str] | None]]:
    """Return two strings aligned by edit distance: pairs (index in a, (position in a, character of b))."""
    cost = [list(range(len(b) + 1))]
    for i, x in enumerate(a, 1):
        above, row = cost[-1], [i]
        for j, y in enumerate(b, 1):
            row.append(min(above[j - 1] + (x != y), above[j] + 1, row[j - 1] + 1))
        cost.append(row)
    pairs: list[tuple[int | None, tuple[int, str] | None]] = []
    i, j = len(a), len(b)
    while i or j:
        if i and j and cost[i][j] == cost[i - 1][j - 1] + (a[i - 1] != b[j - 1]):
            i, j = i - 1, j - 1
            pairs.append((i, (i, b[j])))
        elif i and cost[i][j] == cost[i - 1][j] + 1:
            i -= 1
            pairs.append((i, None))
        else:
            j -= 1
            pairs.append((None, (i, b[j])))
    return pairs[::-1]


def _similarity(a: str, b: str) -> float:
    changed = sum(1 for i, pair in aligned(a, b) if i is None or pair is None or a[i] != pair[1])
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
