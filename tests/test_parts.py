"""The parts network's answer lands on the right pixels of the photo, and its absence costs nothing."""

from __future__ import annotations

import numpy as np
import pytest

from vision.locate import parts
from vision.photo import Photo

RECORD = {"parts": ["other", "sole"], "views": ["soles", "other"], "size": 512, "stride": 2}


class _Bright:
    """A stand-in network: what is bright is a sole."""

    class _Input:
        name = "picture"

    def get_inputs(self):
        return [self._Input()]

    def run(self, _outputs, feeds):
        (picture,) = feeds.values()
        assert picture.shape == (1, 3, 512, 512)
        assert picture.dtype == np.float32
        assert 0 <= picture.min() <= picture.max() <= 1
        bright = picture[0].mean(0)[::2, ::2]
        logits = np.stack([np.where(bright > 0.8, -5, 5), np.where(bright > 0.8, 5, -5)])[None]
        return logits.astype(np.float32), np.array([[2.0, 0.0]], np.float32)


@pytest.fixture
def network(monkeypatch):
    monkeypatch.setattr(parts, "_session", lambda: (_Bright(), RECORD))


@pytest.mark.parametrize("size", [(300, 400), (1600, 900), (2000, 3000), (512, 512), (97, 1001)])
def test_the_map_fits_the_photo(network, size):
    h, w = size
    rgb = np.full((h, w, 3), 60, np.uint8)
    y0, y1, x0, x1 = h // 4, h // 2, w // 2, w * 3 // 4
    rgb[y0:y1, x0:x1] = 250
    seen = parts.read(Photo.from_array(rgb))
    assert seen is not None
    ys, xs = np.nonzero(seen.of("sole") > 0.5)
    found = np.array([ys.min(), ys.max() + 1, xs.min(), xs.max() + 1]) / seen.scale
    assert found == pytest.approx([y0, y1, x0, x1], abs=3.5 / seen.scale)
    assert seen.share("sole") == pytest.approx(1 / 16, rel=0.25)


def test_probabilities_sum_to_one(network):
    seen = parts.read(Photo.from_array(np.full((200, 300, 3), 90, np.uint8)))
    assert seen is not None
    assert seen.of("sole", "other") == pytest.approx(1.0, abs=1e-5)
    assert sum(seen.views.values()) == pytest.approx(1.0)


def test_without_weights_nothing_is_read(monkeypatch):
    monkeypatch.setattr(parts, "_session", lambda: None)
    assert parts.read(Photo.from_array(np.zeros((20, 20, 3), np.uint8))) is None
    assert not parts.available()
