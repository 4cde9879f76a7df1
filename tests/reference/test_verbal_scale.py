"""ENFSI Guideline for Evaluative Reporting in Forensic Science, 2015: words for likelihood ratios.

Bands from memory (10–100 and 100–1,000 also seen on secondary pages).
"""

import math

import pytest

from pipelines.verbal import verbal

BANDS = [
    (1, 2, "no support either way"),
    (2, 10, "weak support"),
    (10, 100, "moderate support"),
    (100, 1_000, "moderately strong support"),
    (1_000, 10_000, "strong support"),
    (10_000, 1_000_000, "very strong support"),
    (1_000_000, 1e12, "extremely strong support"),
]


@pytest.mark.parametrize(("low", "high", "words"), BANDS)
def test_bands(low, high, words):
    for ratio in (low * 1.001, math.sqrt(low * high), high * 0.999):
        assert verbal(math.log10(ratio)).startswith(words)


@pytest.mark.parametrize(("low", "high", "words"), BANDS[1:])
def test_below_one_the_propositions_are_swapped(low, high, words):
    ratio = math.sqrt(low * high)
    assert verbal(math.log10(ratio)) == f"{words} for"
    assert verbal(-math.log10(ratio)) == f"{words} against"
