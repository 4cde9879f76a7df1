"""The networks of parts: what their training records do not bear out is not told.

A dealer would be misled by a question that a network answers no better than by chance, and by a part that it
marks anywhere: both come with numbers that look like all others.
"""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from vision.locate import parts
from vision.locate.soles import find_soles, second_look
from vision.locate.view_opinion import ask
from vision.photo import Photo, load

PHOTOS = Path(__file__).resolve().parents[1] / "sample_images" / "second" / "photos"


class Session:
    """A network with three parts and two questions that sees part 1 everywhere."""

    def get_inputs(self) -> list[Any]:
        return [type("Input", (), {"name": "picture"})()]

    def run(self, names: Any, inputs: dict[str, np.ndarray]) -> list[np.ndarray]:
        assert inputs["picture"].shape == (1, 3, 64, 64)
        logits = np.zeros((1, 3, 16, 16), np.float32)
        logits[:, 1] = 2.0
        return [logits, np.array([[3.0, 0.0]], np.float32), np.array([[3.0, 0.0]], np.float32)]


RECORD = {
    "size": 64,
    "stride": 4,
    "parts": ["other", "lips", "stain"],
    "heads": {"known": ["a", "b"], "guessed": ["a", "b"]},
    "held_out": {
        "iou": {"other": 0.9, "lips": 0.7, "stain": 0.1},
        "known": {"n": 100, "right": 0.9, "temperature": 2.0},
        "guessed": {"n": 20, "right": 0.7, "temperature": 0.5},
    },
}


def test_only_what_was_learned_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "shipped", lambda name: (Session(), RECORD))
    seen = parts.of_photo(Photo.from_array(np.full((90, 120, 3), 128, np.uint8)))
    assert seen is not None
    assert seen.names == ("other", "lips")
    assert seen.chance.shape == (2, 16, 16)
    assert set(seen.answers) == {"known"}
    assert seen.answers["known"]["a"] == pytest.approx(1 / (1 + np.exp(-1.5)))  # softened by the record's 2


def test_a_square_of_a_photo_is_asked_about_in_the_photo_s_own_pixels() -> None:
    photo = load((PHOTOS / "face_01.jpg").read_bytes())
    whole = parts.of_photo(photo)
    side = 0.6 * max(photo.width, photo.height)
    square = parts.of_square(photo, (photo.width / 2, photo.height / 2), side)
    assert whole is not None
    assert square is not None
    to_view = np.array([[0.25, 0.0, 0.0], [0.0, 0.25, 0.0]])
    shape = (photo.height // 4, photo.width // 4)
    one, other = (seen.on(to_view, shape, "hair") > 0.5 for seen in (whole, square))
    assert np.count_nonzero(one & other) > 0.7 * np.count_nonzero(one | other)


def test_the_lower_end_of_a_share_is_wilsons() -> None:
    # From memory, as statistics texts give it: 81 of 263 has the interval 0.2553 to 0.3662.
    assert parts.least_right({"n": 263, "right": 81 / 263}) == pytest.approx(0.2553, abs=1e-4)
    assert parts.least_right({"n": 0, "right": 0.0}) == 0.0
    assert parts.least_right(None) == 0.0


@pytest.mark.parametrize("name", ["parts", "face"])
def test_a_network_that_ships_says_what_it_was_held_to(name: str) -> None:
    path = resources.files("vision") / "models" / f"{name}.json"
    assert parts.available(name) == path.is_file()
    if path.is_file():
        record = json.loads(path.read_text("utf-8"))
        assert set(record["held_out"]["iou"]) == set(record["parts"])
        assert set(record["held_out"]) - {"iou"} <= set(record["heads"])  # others are never answered
        assert "Apache-2.0" in record["encoder"]


@pytest.mark.parametrize("name", ["mouth", "hole"])
def test_a_network_that_starts_from_others_says_so(name: str) -> None:
    record = json.loads((resources.files("vision") / "models" / f"{name}.json").read_text("utf-8"))
    assert "Apache-2.0" in record["encoder"]
    assert f"{name}.onnx" in (resources.files("vision") / "models" / "NOTICE.txt").read_text("utf-8")


def test_the_view_of_soles_without_a_hole_is_named() -> None:
    photo = load((PHOTOS / "soles_01.jpg").read_bytes())
    opinion = ask(photo)
    assert opinion is not None
    assert max(opinion.answers, key=lambda view: opinion.answers[view]) == "soles"
    assert opinion.share("sole") > 0.03


def test_an_outline_that_ends_at_a_step_is_made_whole() -> None:
    """A dealer would be told "no hole" of feet whose heels, with a hole in each, were left out."""
    photo = load((PHOTOS / "soles_07.jpg").read_bytes())
    truth = json.loads((PHOTOS.parent / "truth" / "photos" / "soles_07.json").read_text("utf-8"))
    for sole, true in zip(second_look(photo, find_soles(photo)), truth["places"]["soles"], strict=True):
        seen, whole = (_filled(photo, outline) for outline in (sole.outline, true["outline"]))
        assert np.count_nonzero(seen & whole) > 0.85 * np.count_nonzero(whole)


def _filled(photo: Photo, outline: Any) -> np.ndarray:
    mask = np.zeros((photo.height, photo.width), np.uint8)
    return cv2.fillPoly(mask, [np.round(np.asarray(outline)).astype(np.int32)], 1) > 0
