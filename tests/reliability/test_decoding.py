"""Hostile and unusual files: read rightly, or refused in words, quickly and in little memory."""

from __future__ import annotations

import sys

import numpy as np
import pytest

from pipelines import batch
from pipelines.examine import Request, examine_file
from tests.conftest import REPOSITORY
from tests.reliability import decoding
from tests.test_photo import encoded, picture
from vision.photo import load
from vision.traits import Trait

EYES = frozenset({Trait.IRIS_COLOR, Trait.EYELINER_COLOR})


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is read from /proc")
def test_bombs_are_refused_in_a_tenth_of_a_second_and_little_memory():
    found = decoding.throw_bombs(decoding.bombs())
    assert len(found) >= 13
    for name, result in found.items():
        assert result["outcome"] in {"too_large", "damaged"}, name
        assert result["seconds"] < 0.1, name
        assert result["grown_mb"] < 50, name


def test_workers_refuse_what_the_program_itself_refuses(tmp_path):
    paths = []
    for number, data in enumerate(decoding.bombs().values()):
        paths.append(tmp_path / f"{number}.jpg")
        paths[-1].write_bytes(data)
    alone = batch.examine_files(paths, jobs=1)
    pooled = batch.examine_files(paths, jobs=2)
    assert [r.to_json() for r in pooled] == [r.to_json() for r in alone]
    assert {r.status for r in pooled} == {"error"}


def test_no_truncated_file_is_read():
    tally = decoding.truncated(40)
    assert tally.total == 200
    assert tally.measured == 0
    assert not tally.uncaught


def test_damaged_files_are_read_or_refused():
    tally = decoding.mutated(1500)
    assert tally.total == 1500
    assert not tally.uncaught
    assert tally.slowest_s < 2
    assert set(tally.outcomes) <= decoding.REASONS | {"read"}
    assert tally.measured > 100, "damage so heavy that nothing is read tests nothing"


@pytest.mark.parametrize("suffix", decoding.SUFFIXES)
def test_the_content_decides_not_the_name(suffix, tmp_path):
    for kind in ("JPEG", "PNG", "WEBP", "GIF"):
        data = encoded(picture(), kind)
        named = tmp_path / f"{kind}{suffix}"
        named.write_bytes(data)
        assert np.array_equal(load(named.read_bytes(), named.name).rgb, load(data, "x").rgb)


@pytest.mark.parametrize("kind", decoding.STRANGERS)
def test_what_is_no_photo_is_refused_whatever_it_is_called(kind, tmp_path):
    for suffix in decoding.SUFFIXES:
        path = tmp_path / f"photo{suffix}"
        path.write_bytes(decoding.STRANGERS[kind])
        record = examine_file(path)
        assert record.status == "error"
        assert record.error["reason"] in {"not_a_photo", "damaged"}
        assert path.name in record.error["message"]


@pytest.mark.parametrize("stored", decoding.colors())
def test_colors_are_right_or_refused(stored):
    """24 patches, CIEDE2000: mean at most 1, none beyond 3."""
    error = decoding.color_error(*decoding.colors()[stored])
    if isinstance(error, str):
        assert error in {"no_color_profile", "unsupported_color"}
        assert "none" in stored or "float" in stored
    else:
        mean, largest = error
        assert mean <= 1
        assert largest <= 3


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_all_orientations_give_identical_pixels(kind):
    """Of blocks, which JPEG too stores alike however they are turned."""
    upright = decoding.blocks(decoding.scene(160, 240))
    plain = load(decoding.turned(upright, kind, 1)).rgb
    for orientation in range(2, 9):
        assert np.array_equal(load(decoding.turned(upright, kind, orientation)).rgb, plain)


def test_regions_are_those_of_the_upright_photo(tmp_path):
    """A face stored turned gives the record of the upright file: same eyes, same place."""
    face = load((REPOSITORY / "sample_images/photos/face_03.jpg").read_bytes()).rgb[::2, ::2]
    found = []
    for orientation in (1, 6, 7):
        path = tmp_path / "face.png"
        path.write_bytes(decoding.turned(np.ascontiguousarray(face), "PNG", orientation))
        record = examine_file(path, Request(only=EYES)).to_json()
        found.append({k: v for k, v in record.items() if k not in {"sha256", "steps"}})
    assert any(trait["region"] for trait in found[0]["traits"])
    assert found[1] == found[0]
    assert found[2] == found[0]
