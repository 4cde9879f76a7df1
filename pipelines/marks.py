"""Which of a guide's marks a reading fits, with room for the usual misreadings.

The reading is never changed. A mark's wording becomes a likelihood: how well would this mark, misread in the
ordinary ways, explain what was read? The small signs (R in a circle, TM, C in a circle) do not count here at
all, because text recognition drops or invents them; they have a trait of their own.
"""

from __future__ import annotations

import itertools
import math
import re
import unicodedata
from collections.abc import Mapping, Sequence
from functools import lru_cache

from pipelines.guide import UNLISTED, Mark
from vision.traits import TextLine

#: Characters that worn or shallow molding makes look alike.
_LOOK_ALIKE = ("O0QDC", "I1L", "S5", "B8", "MN", "VYU", "Z2", "G6C", "EF", "PR", "HN", "A4")
_ALIKE_COST = 0.25
#: A letter of the mark that was not read: wear, glare or a tight crop.
_LOST_COST = 0.5
#: A letter read where the mark has none.
_SPURIOUS_COST = 0.8

#: Log-likelihood (natural) lost for each full edit; stated, below what independent errors would give.
_NATS_PER_EDIT = 1.2
#: An unknown text is taken to differ from any line in half its letters; a listed mark never does worse than
#: this share, so that a garbled reading speaks only weakly against all marks.
_UNLISTED_SHARE = 0.5
_WORST_SHARE = 0.55
_NATS_PER_LOST_LINE = 0.5
#: A line that differs from a text known to stand elsewhere in less than this share of its letters is that.
_ELSEWHERE_SHARE = 0.35
#: Share of belief kept for "the reading misleads altogether".
_MISLED = 0.04

_SIGNS = re.compile(r"[®™©℠]|\(\s*[RrCc]\s*\)|(?<![A-Z0-9])TM(?![A-Z0-9])")
_MAX_LINES = 24
_MAX_LETTERS = 48


def wording_candidates(
    lines: Sequence[TextLine], marks: Mapping[str, Mark], elsewhere: Sequence[str] = ()
) -> dict[str, float]:
    """Return the probability of each mark, and of an unlisted one, given the lines read.

    Parameters
    ----------
    lines
        As read, in any order; each counts by its confidence.
    marks
        The guide's marks.
    elsewhere
        Texts that may stand in other places of the doll (a country on the foot); lines that read like
        one of them rather than like a mark say nothing.

    Returns
    -------
    Probabilities that sum to 1 under equal priors; empty when nothing readable was given.
    """
    read = [(plain(line.text)[:_MAX_LETTERS], line.confidence) for line in lines[:_MAX_LINES]]
    read = [(text, c) for text, c in read if len(text) >= 2 and not _stands_elsewhere(text, marks, elsewhere)]
    if not read or not marks:
        return {}
    scores = {mark.id: _score(read, mark) for mark in marks.values()}
    scores[UNLISTED] = _unlisted_score(read, marks)
    best = max(scores.values())
    weights = {key: math.exp(score - best) for key, score in scores.items()}
    total = sum(weights.values())
    return {key: (1 - _MISLED) * w / total + _MISLED / len(weights) for key, w in weights.items()}


def _stands_elsewhere(text: str, marks: Mapping[str, Mark], elsewhere: Sequence[str]) -> bool:
    if not elsewhere:
        return False
    nearest = min(edit_cost(text, plain(other)) for other in elsewhere)
    of_marks = [edit_cost(text, variant) for mark in marks.values() for variant, _ in _patterns(mark.lines)]
    return nearest < min([*of_marks, _ELSEWHERE_SHARE * len(text)])


def plain(text: str) -> str:
    """Return the letters and digits of a line in capitals, without spaces, points and small signs."""
    text = _SIGNS.sub(" ", text.upper())
    return "".join(c for c in unicodedata.normalize("NFKC", text).upper() if c.isalnum())


def _score(read: Sequence[tuple[str, float]], mark: Mark) -> float:
    """Log-likelihood of the lines read, if the doll carries this mark."""
    patterns = _patterns(mark.lines)
    found: set[int] = set()
    score = 0.0
    for text, confidence in read:
        cost, used = min((edit_cost(text, variant), used) for variant, used in patterns)
        worst = _WORST_SHARE * len(text)
        if cost < worst:
            found.update(used)
        score -= _NATS_PER_EDIT * confidence * min(cost, worst)
    return score - _NATS_PER_LOST_LINE * (len(mark.lines) - len(found))


def _unlisted_score(read: Sequence[tuple[str, float]], marks: Mapping[str, Mark]) -> float:
    """The same for a mark of unknown wording, taken to have as many lines as the listed ones on average."""
    usual_lines = sum(len(mark.lines) for mark in marks.values()) / len(marks)
    differing = sum(_UNLISTED_SHARE * len(text) * confidence for text, confidence in read)
    return -_NATS_PER_EDIT * differing - _NATS_PER_LOST_LINE * max(usual_lines - len(read), 0.0)


@lru_cache(maxsize=64)
def _patterns(lines: tuple[str, ...]) -> tuple[tuple[str, tuple[int, ...]], ...]:
    """All ways in which one line, or two neighbors run together, may be spelled; with the lines used."""
    spelled = [_variants(line) for line in lines]
    out: list[tuple[str, tuple[int, ...]]] = [
        (variant, (i,)) for i, variants in enumerate(spelled) for variant in variants
    ]
    for i in range(len(lines) - 1):
        out += [(a + b, (i, i + 1)) for a, b in itertools.product(spelled[i], spelled[i + 1])]
    return tuple(out)


def _variants(line: str) -> tuple[str, ...]:
    """Spell a line with each small sign dropped or read as the letters it may be taken for."""
    upper = line.upper()
    if not _SIGNS.search(upper):
        return (plain(upper),)
    return tuple(dict.fromkeys(plain(_SIGNS.sub(as_read, upper)) for as_read in ("", "R", "TM", "C", "O")))


@lru_cache(maxsize=20_000)
def edit_cost(read: str, pattern: str) -> float:
    """Weighted edit distance from a mark's line to what was read; look-alikes cost little."""
    row = [i * _SPURIOUS_COST for i in range(len(read) + 1)]
    for want in pattern:
        previous, row = row, [row[0] + _LOST_COST]
        for i, got in enumerate(read, start=1):
            swap = previous[i - 1] + _swap_cost(got, want)
            row.append(min(swap, previous[i] + _LOST_COST, row[i - 1] + _SPURIOUS_COST))
    return row[-1]


@lru_cache(maxsize=4096)
def _swap_cost(got: str, want: str) -> float:
    if got == want:
        return 0.0
    return _ALIKE_COST if any(got in alike and want in alike for alike in _LOOK_ALIKE) else 1.0
