"""Likelihood ratios in words: ENFSI Guideline for Evaluative Reporting in Forensic Science, 2015.

The bands are from memory. The words belong to a likelihood ratio of two stated propositions.
"""

from __future__ import annotations

import math
from typing import Final

#: Upper bound of log10 of the ratio, and the word.
VERBAL_SCALE: Final = (
    (math.log10(2), "no"),
    (1.0, "weak"),
    (2.0, "moderate"),
    (3.0, "moderately strong"),
    (4.0, "strong"),
    (6.0, "very strong"),
    (math.inf, "extremely strong"),
)
SCALE_NOTE = (
    "Words of support follow the verbal scale for likelihood ratios of the ENFSI guideline of 2015 "
    "(from memory). The ratios rest on the guide's stated expectations, not on counted dolls, and are capped."
)


def verbal(log10_ratio: float) -> str:
    """Return a likelihood ratio in the words of the ENFSI scale (from memory).

    Parameters
    ----------
    log10_ratio
        log10 of the ratio; below 0 the propositions are swapped.

    Returns
    -------
    ``"moderate support for"``, ``"strong support against"``, ``"no support either way"``, …
    """
    size = abs(log10_ratio)
    word = next(word for bound, word in VERBAL_SCALE if size < bound)
    if word == "no":
        return "no support either way"
    return f"{word} support {'for' if log10_ratio > 0 else 'against'}"
