"""Squares to look for small heads in: they hold the head, and cost nothing where there is no network."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.reach import ROOT
from tests.small_pictures import laid_in
from vision.locate import parts
from vision.locate.small_heads import MOST_SQUARES, head_squares
from vision.locate.squares import tiles
from vision.photo import Photo, load

needs_network = pytest.mark.skipif(not parts.available("parts"), reason="the network is not installed")


@needs_network
@pytest.mark.parametrize("turn", [0, 1])
def test_a_square_holds_the_head(turn: int) -> None:
    picture = load((ROOT / "photos/face_07.jpg").read_bytes()).rgb
    photo, (x, y) = laid_in(picture, 200 / picture.shape[1], turn)
    wide, high = 200, 200 * picture.shape[0] / picture.shape[1]
    middle = np.array([x, y]) + np.array([high, wide] if turn else [wide, high]) / 2
    squares = head_squares(photo)
    assert 1 <= len(squares) <= MOST_SQUARES
    assert any(np.abs(np.array([s.x, s.y]) - middle).max() < s.side / 2 for s in squares)


@needs_network
def test_an_empty_picture_has_no_squares() -> None:
    assert head_squares(Photo.from_array(np.full((600, 800, 3), 90, np.uint8))) == []


def test_without_the_network_there_are_no_squares(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "shipped", lambda name: None)
    assert head_squares(Photo.from_array(np.full((60, 80, 3), 90, np.uint8))) == []


@pytest.mark.parametrize("size", [(1500, 1125), (1125, 1500), (64, 64), (900, 100)])
def test_tiles_cover_the_picture_and_share_halves(size: tuple[int, int]) -> None:
    """A head no wider than half a tile lies whole in one of them, wherever it is."""
    for across in (2, 4):
        boxes = tiles(*size, across)
        half = boxes[0][2] // 2
        for x in range(0, size[0] - half + 1, 7):
            for y in range(0, max(size[1] - half, 0) + 1, 7):
                assert any(
                    a <= x and x + half <= a + side and b <= y and y + half <= b + side
                    for a, b, side in boxes
                )
