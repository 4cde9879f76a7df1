"""Fusing photos of one mark: a relief picture, the mark read from it, failures named."""

from __future__ import annotations

import numpy as np
import pytest

from pipelines import fuse
from vision.draw import encode_png
from vision.errors import NoPhotoError, OutputError
from vision.photo import load
from vision.traits import Reason, TraitRecord


def lit(azimuth_deg):
    """A raised bar and ring on a plane under one low light, (160, 240, 3) uint8."""
    y, x = np.mgrid[0:160, 0:240].astype(float)
    ring = np.exp(-((np.hypot(x - 70, y - 80) - 35) ** 2) / 18)
    bar = np.exp(-((np.abs(x - 170) / 12) ** 6)) * np.exp(-((np.abs(y - 80) / 50) ** 6))
    gy, gx = np.gradient(3.0 * (ring + bar))
    light = np.array([np.cos(np.radians(azimuth_deg)), np.sin(np.radians(azimuth_deg))])
    shade = np.clip(0.5 - 0.6 * (gx * light[0] + gy * light[1]), 0.05, 1)
    return (np.array([220, 180, 150]) * shade[..., None]).astype(np.uint8)


@pytest.fixture
def photos(tmp_path, monkeypatch):
    record = TraitRecord.withheld("mark_text", Reason.ENGINE_MISSING, "t/1", "No engine.")
    monkeypatch.setattr(fuse, "measure_fused", lambda photo, more, height=None: (record,))
    paths = []
    for azimuth in (0, 90, 180, 270):
        path = tmp_path / f"{azimuth}.png"
        path.write_bytes(encode_png(lit(azimuth)))
        paths.append(path)
    return paths


def test_lights_join_into_one_relief(photos, tmp_path):
    steps = []
    result = fuse.run(photos, tmp_path / "out", lambda *step: steps.append(step))
    assert result.used[0] == "0.png"
    assert len(result.used) >= 2
    assert set(result.used) <= {path.name for path in photos}
    assert [photo.status for photo in result.photos] == ["ok"] * 4
    assert result.traits[0].trait == "mark_text"
    assert steps[-1] == (4, 4, "270.png")
    relief = load((tmp_path / "out" / fuse.RELIEF_FILE).read_bytes())
    assert (relief.width, relief.height) == (240, 160)
    payload = result.to_json()
    assert payload["used"] == list(result.used)
    assert 0 <= payload["residual"] <= 1
    assert payload["schema"] == "rakelight.traits/1"


def test_a_corrupt_photo_is_named_and_the_rest_joined(photos):
    photos[1].write_bytes(photos[1].read_bytes()[:100])
    result = fuse.run(photos)
    assert [photo.status for photo in result.photos] == ["ok", "error", "ok", "ok"]
    assert result.used[0] == "0.png"
    assert "90.png" not in result.used


def test_nothing_readable(photos, tmp_path):
    for path in photos:
        path.write_bytes(b"no photo")
    with pytest.raises(NoPhotoError, match=r"0\.png"):
        fuse.run(photos, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_bad_place_is_said_first(photos, tmp_path):
    with pytest.raises(OutputError):
        fuse.run(photos, tmp_path)
