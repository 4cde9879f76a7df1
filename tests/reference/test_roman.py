"""Years in Roman numerals against the reference package ``roman``."""

from __future__ import annotations

import itertools

import pytest

from vision.roman import roman_value, year_of, years_said

roman = pytest.importorskip("roman")


def test_every_numeral_agrees():
    assert [roman_value(roman.toRoman(n)) for n in range(1, 4000)] == list(range(1, 4000))


@pytest.mark.parametrize("length", [1, 2, 3, 4, 5])
def test_every_short_string_agrees(length):
    for letters in itertools.product("MDCLXVI", repeat=length):
        text = "".join(letters)
        try:
            expected = roman.fromRoman(text)
        except roman.InvalidRomanNumeralError:
            expected = None
        assert roman_value(text) == expected, text


@pytest.mark.parametrize(
    ("word", "year"),
    [
        ("MCMLVIII", 1958),
        ("1962", 1962),
        ("(1962)", 1962),
        ("MCMLXIIII", None),
        ("MMMCM", None),
        ("1417", None),
        ("I962", None),
        ("MIX", None),
        ("", None),
    ],
)
def test_years(word, year):
    assert year_of(word) == year


def test_years_of_a_mark_are_told_and_misread_ones_are_doubted():
    assert years_said(["©MCMLXII", "BY HARGROVE 1962"]) == ["MCMLXII is the year 1962."]
    assert years_said(["MCMLXIIII"]) == [
        "If MCMLXIIII is meant as a year in Roman figures, a letter of it is misread."
    ]
    assert years_said(["VERITY", "MIX", "1962"]) == []
