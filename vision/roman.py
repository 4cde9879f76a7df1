"""Years as marks give them, in Arabic or Roman figures."""

from __future__ import annotations

import re
from collections.abc import Iterable

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


def years_said(lines: Iterable[str]) -> list[str]:
    """Return a sentence for each Roman year in lines of a mark, and for each word that looks like one.

    Four or more letters that all are Roman figures and yet form no numeral are likelier misread than a word.
    """
    out: list[str] = []
    for word in (w for line in lines for w in re.findall(r"[A-Z0-9]{4,}", line.upper())):
        year = year_of(word)
        if year is not None and not word.isdigit():
            out.append(f"{word} is the year {year}.")
        elif year is None and set(word) <= set(_ROMAN) and roman_value(word) is None:
            out.append(f"If {word} is meant as a year in Roman figures, a letter of it is misread.")
    return list(dict.fromkeys(out))
