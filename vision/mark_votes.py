"""What several readings of one line agree on, letter by letter.

The readings are aligned to the one that is nearest to all; each then votes on every letter and every gap, by
how sure it is. What most of them read alike is believed; where they differ, the alternatives are kept. No
list of known words has a vote.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vision.mark_box import Box
from vision.mark_symbol import CHARACTERS
from vision.ocr import OcrLine

#: Signs an engine may write; its word on them is not taken.
SIGNS = "®©™¤"
#: How nearly as well the other end must read for it to be in doubt which end is up.
_EITHER_END = 0.7
#: Weight of our own reader's votes, times that of the engine's.
_SECOND = 0.9


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
        Mean and smallest share of the votes behind a character, 0–1.
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
    upper = sum(c.isupper() for c in text)
    lower = sum(c.islower() for c in text)
    if upper >= lower:
        text = "".join(c.upper() if c in "cosuvwxzkpi" else c for c in text)
    return text


def agree(reading: Reading) -> None:
    """Fill in what the readings of one box agree on; nothing where no reading is believed at all."""
    ballots, total = _ballots(reading)
    if total <= 0:
        return
    pivot = max(ballots, key=lambda t: sum(w * _similarity(t, other) for other, w in ballots.items()))
    chars, shares = [], []
    options: list[tuple[int, str, float]] = []
    for index, votes in enumerate(_columns(pivot, ballots)):
        ranked = sorted(votes.items(), key=lambda item: -item[1])
        best, weight = ranked[0]
        shares.append(weight / total)
        chars.append(best)
        options += [(index, c, w / total) for c, w in ranked[1:] if w / total > 0.12]
    reading.text = re.sub(r"\s+", " ", "".join(chars)).strip()
    behind = [s for s, c in zip(shares, chars, strict=True) if c not in ("", " ")]
    reading.agreement = float(np.mean(behind)) if behind else 0.0
    reading.weakest = min(behind, default=0.0)
    reading.strength = float(np.mean(sorted((x.confidence for x in reading.lines), reverse=True)[:4]))
    reading.alternatives = _alternatives(chars, options, reading.text)


def _ballots(reading: Reading) -> tuple[dict[str, float], float]:
    """The votes for each text, and their total, in which looks that read nothing count too."""
    ballots: dict[str, float] = defaultdict(float)
    for line in reading.lines:
        text = tidied(line.text)
        if text:
            ballots[text] += line.confidence**2
    total = sum(line.confidence**2 for line in reading.lines)
    total_own = 0.0
    for text, weight in _second_votes(reading.own, ballots).items():
        ballots[text] += weight * total
        total_own += weight * total
    return ballots, total + total_own


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
    for index, pair in aligned(letters, model.upper()):
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
        for a, b in aligned(pivot, text):
            if a is None:
                assert b is not None
                gaps[b[0]] += b[1]
            else:
                columns[2 * a + 1]["" if b is None else b[1]] += weight
        for index, inserted in enumerate(gaps):
            columns[2 * index][inserted] += weight
    return columns


def aligned(a: str, b: str) -> list[tuple[int | None, tuple[int, str] | None]]:
    """Return two strings aligned by edit distance: pairs (index in a, (position in a, character of b))."""
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
