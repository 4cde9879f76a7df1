"""The regions file: what is right is read, what is wrong is named by line."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines import regions
from pipelines.lot_said import text_of
from pipelines.regions import PhotoRegions
from vision.errors import InputFileError
from vision.traits import View

GOOD = b"""
# what I saw
["IMG_2231.jpg"]
view = "face"
left_eye = [10, 20, 30, 40]
lips = [[1, 1], [9.5, 1], [5, 6]]

["b.jpg"]
neutral = [-5, 0, 50, 50]
"""


def problem(text):
    with pytest.raises(InputFileError) as caught:
        regions.loads(text.encode(), "r.toml")
    return str(caught.value)


def test_a_good_file():
    file = regions.loads(GOOD)
    said = file.of("some/folder/IMG_2231.jpg")
    assert said.view is View.FACE
    assert said.places["left_eye"].bounds == (10, 20, 30, 40)
    assert len(said.places["lips"].polygons[0]) == 3
    assert file.of("b.jpg").view is None
    assert dict(file.of("c.jpg").places) == {}
    assert file.unused(["x/IMG_2231.jpg"]) == ["b.jpg"]


def test_the_example_in_the_documentation_is_right():
    doc = regions.__doc__
    block = doc.split("::\n", 1)[1].split("\n\nPlaces:", 1)[0]
    text = "\n".join(line[4:] for line in block.splitlines())
    file = regions.loads(text.encode())
    assert set(file.photos) == {"IMG_2231.jpg", "IMG_2240.jpg"}
    assert tomllib.loads(text)
    for name in regions.PLACES:
        assert f"``{name}``" in doc


def test_what_the_card_reflects_holds_for_all_photos_unless_one_says_otherwise():
    file = regions.loads(
        b'card_reflectance = 0.36\n["a.jpg"]\ncard_reflectance = 0.18\n["b.jpg"]\nview = "face"'
    )
    assert [file.of(name).card_reflectance for name in ("a.jpg", "b.jpg", "c.jpg")] == [0.18, 0.36, 0.36]
    assert set(file.photos) == {"a.jpg", "b.jpg"}
    assert regions.loads(GOOD).of("b.jpg").card_reflectance is None


def test_another_card_is_another_reading_for_what_is_kept():
    said = [PhotoRegions(card_reflectance=value) for value in (None, 0.18, 0.36)]
    assert len({text_of(one) for one in said}) == 3


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ('["a.jpg"]\nleft_eye = [1, 2, 3]', 2, "four numbers"),
        ('["a.jpg"]\n\nleft_eye = [30, 2, 3, 9]', 3, "empty"),
        ('["a.jpg"]\nleft_eye = [[1, 2], [3, 4]]', 2, "3 to"),
        ('["a.jpg"]\nleft_eye = [[1, 2], [3, 4], [5, 6]]', 2, "no area"),
        ('["a.jpg"]\nleft_eye = [[1, 2], [3, 4], [5, "x"]]', 2, "two numbers"),
        ('["a.jpg"]\nleft_eye = [1, 2, 3, inf]', 2, "finite numbers"),
        ('["a.jpg"]\nleft_eye = [true, 2, 3, 4]', 2, "finite numbers"),
        ('["a.jpg"]\nleft_eye = "here"', 2, "expected a box"),
        ('["a.jpg"]\nleft_eye = []', 2, "expected a box"),
        ('["a.jpg"]\nlefteye = [1, 2, 3, 4]', 2, 'Did you mean "left_eye"'),
        ('["a.jpg"]\nview = "fase"', 2, 'Did you mean "face"'),
        ("view = 'face'", 1, 'Start with a line like ["IMG_2231.jpg"]'),
        ("[a.jpg]\nlips = [1, 2, 3, 4]", 1, "quotation marks"),
        ('["d/a.jpg"]\nlips = [1, 2, 3, 4]', 1, 'Write ["a.jpg"]'),
        ('["a.jpg"\nlips = 1', 1, "not valid TOML"),
        ('\ncard_reflectance = 18\n["a.jpg"]', 2, "from 0.02 to 0.98"),
        ('["a.jpg"]\ncard_reflectance = "grey"', 2, "from 0.02 to 0.98"),
    ],
)
def test_mistakes_are_named_by_line(text, line, words):
    message = problem(text)
    assert message.startswith(f"r.toml, line {line}")
    assert words in message


def test_a_missing_file_is_said(tmp_path):
    with pytest.raises(InputFileError, match="cannot read"):
        regions.load(tmp_path / "none.toml")


@given(st.integers(0, len(GOOD) - 1), st.binary(max_size=6), st.integers(0, 8))
@settings(max_examples=300, deadline=None)
def test_mutated_files_are_read_or_refused(at, garbage, dropped):
    try:
        regions.loads(GOOD[:at] + garbage + GOOD[at + dropped :])
    except InputFileError as error:
        assert "regions.toml" in str(error)
