"""Lettering composed for training: what a line says is what is drawn, and held-out fonts stay apart.

How a network would be misled: a label that is not in the picture, a sign called by another's name, a font
that is both trained on and judged on.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from PIL import ImageFont

from sample_images import mark_glyphs as glyphs
from vision.roman import roman_value


@pytest.fixture(scope="module")
def fonts(tmp_path_factory):
    """The font inside Pillow, packed under two names: one trained on, one held out."""
    pytest.importorskip("fontTools")
    folder = tmp_path_factory.mktemp("fonts")
    data = ImageFont.load_default(40).path.getvalue()
    for name in ("Plain-Regular.otf", "Cabin-Regular.otf", "Inter-Regular.otf", "Plain-Outline.otf"):
        (folder / name).write_bytes(data)
    chosen = glyphs.chosen_fonts([folder])
    assert [p.name for p in chosen] == ["Cabin-Regular.otf", "Plain-Regular.otf"]
    assert glyphs.pack(chosen, [], folder / "pack.npz") == 2
    return glyphs.load_fonts(folder / "pack.npz", False), glyphs.load_fonts(folder / "pack.npz", True)


def test_fonts_trained_on_and_held_out_are_apart_and_capitals_have_their_height(fonts):
    trained, held = fonts
    assert len(trained) == len(held) == 1
    for char in glyphs.LETTERS + glyphs.DIGITS:
        glyph = trained[0][char]
        assert glyph.shape.min() >= 0 and glyph.shape.max() == 1
    assert trained[0]["H"].shape.shape[0] == pytest.approx(glyphs.CAP, abs=1.5)


def test_every_roman_number_reads_back():
    assert all(roman_value(glyphs.roman(n)) == n for n in range(1, 4000))


@pytest.mark.parametrize(("n_in", "n_out"), [(40, 40), (40, 17), (23, 61)])
def test_resampling_keeps_even_shapes_even_and_their_middle(n_in, n_out):
    matrix = glyphs.resampling(n_in, n_out)
    assert np.allclose(matrix.sum(axis=1), 1)
    middles = matrix @ (np.arange(n_in) + 0.5)
    assert np.allclose(middles[2:-2] / n_in, (np.arange(n_out) + 0.5)[2:-2] / n_out, atol=0.01)
    assert n_in != n_out or np.allclose(matrix, np.eye(n_in))


def test_a_ringed_letter_has_a_closed_ring_and_a_letter_that_does_not_touch_it(fonts):
    rng = np.random.default_rng(3)
    for size in (24, 40, 90):
        shape = glyphs.ringed(rng, fonts[0][0]["R"], size).shape
        assert shape.shape == (size, size)
        outer, inner = shape[size // 2] > 0.5, shape > 0.5
        assert outer[: size // 8].any() and outer[-size // 8 :].any()
        background = cv2.connectedComponents((~inner).astype(np.uint8), connectivity=4)[1]
        assert background[0, 0] != background[size // 2, round(0.16 * size)]  # the ring closes off its inside


def test_a_line_says_only_what_can_be_read_and_signs_come_by_their_names(fonts):
    rng = np.random.default_rng(5)
    seen = ""
    for _ in range(150):
        line = glyphs.set_line(rng, fonts[0][0], 300.0)
        assert set(line.text) <= set(glyphs.ALPHABET)
        assert line.text == " ".join(line.text.split())
        assert line.mask.any() == bool(line.text)
        seen += line.text
    assert all(sign in seen for sign in glyphs.SIGNS + glyphs.OTHER)


def test_a_strip_without_a_line_has_an_empty_middle_and_one_with_has_ink_from_end_to_end(fonts):
    rng = np.random.default_rng(7)
    kinds = set()
    for _ in range(40):
        mask, text, (first, last) = glyphs.draw_strip(rng, fonts[0])
        assert mask.shape == glyphs.STRIP and mask.dtype == np.uint8
        band = mask[glyphs.STRIP[0] // 2 - 20 : glyphs.STRIP[0] // 2 + 20]
        kinds.add(bool(text))
        if not text:
            assert not band.any()
            continue
        assert 0 <= first < last <= glyphs.STRIP[1]
        assert mask[:, round(first) : round(first) + 4].any() and mask[:, round(last) - 4 : round(last)].any()
    assert kinds == {True, False}


def test_places_of_a_block_hold_its_ink(fonts):
    rng = np.random.default_rng(11)
    for _ in range(30):
        mask, places = glyphs.draw_block(rng, fonts[0])
        used = places[places[:, 1] > 0]
        assert mask.shape == glyphs.BLOCK
        assert len(used) or not mask.any()
        for x0, x1, top, foot in used:
            assert foot - top == pytest.approx(glyphs.CAP, abs=1e-3)
            inside = mask[max(0, round(top)) : round(foot), max(0, round(x0)) : round(x1)]
            assert inside.any()


def test_what_lies_outside_the_canvas_is_cut_off(fonts):
    canvas = np.zeros((60, 90), np.float32)
    line = glyphs.set_line(np.random.default_rng(1), fonts[0][0], 300.0)
    for x, baseline in ((-50, 30), (80, 30), (10, -200), (10, 300)):
        glyphs.paste(canvas, line, x, baseline)
    glyphs.frame(np.random.default_rng(1), canvas, (-20, -20, 200, 200))
    assert canvas.shape == (60, 90) and canvas.max() <= 1
