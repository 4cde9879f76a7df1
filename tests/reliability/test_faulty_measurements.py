"""A measurement that crashes, hangs, prints or returns nonsense costs its trait or its photo, never more."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from pipelines import examine
from tests.conftest import REPOSITORY
from tests.plugins import faulty_measurements as faults
from vision.locate.places import FacePlace, Places, ViewPlace
from vision.photo import Photo
from vision.traits import Trait, View

OUTLINE = ((10.0, 10.0), (30.0, 10.0), (30.0, 20.0))
FACE = FacePlace((5, 5, 60, 60), 0.9, OUTLINE, OUTLINE, OUTLINE)
PLACES = Places(ViewPlace(View.FACE, 0.95, {"face": 0.95}), faces=(FACE,))


@pytest.fixture
def photo(monkeypatch, rng):
    """A photo in which a face is said to be, and no other measurement than the faulty one."""
    monkeypatch.setattr("vision.locate.view.find_places", lambda *_a, **_k: PLACES)
    return Photo.from_array(rng.integers(60, 200, (80, 80, 3)).astype("uint8"), "a.jpg")


def iris(photo):
    record = examine.examine(photo, only={Trait.IRIS_COLOR, Trait.SKIN_SHEEN})
    json.dumps(record.to_json(), ensure_ascii=False, allow_nan=False).encode()
    by_trait = {r.trait: r for r in record.traits}
    assert by_trait[Trait.SKIN_SHEEN].not_measured != "failed", "another measurement paid for it"
    return by_trait[Trait.IRIS_COLOR]


@pytest.mark.parametrize("fault", faults.CAUGHT, ids=lambda fault: fault.__name__)
def test_a_fault_is_a_record_that_says_so(fault, photo, monkeypatch):
    monkeypatch.setattr("vision.iris.measure", fault)
    record = iris(photo)
    assert record.state is None
    assert record.not_measured == "failed"
    assert "fault of the program" in record.detail


def test_numbers_of_another_library_are_told_or_refused(photo, monkeypatch):
    monkeypatch.setattr("vision.iris.measure", faults.foreign_number)
    assert iris(photo).not_measured in {None, "failed"}


def test_a_record_cannot_steer_a_terminal(photo, monkeypatch, capsys):
    from pipelines.cli import _print_readings

    monkeypatch.setattr("vision.iris.measure", faults.steers_a_terminal)
    _print_readings([examine.examine(photo, only={Trait.IRIS_COLOR})])
    out = capsys.readouterr().out
    assert "\x1b" not in out and "\x07" not in out and "\u202e" not in out


# Installed in the workers too: every process that starts Python here reads sitecustomize.
SITE = """
import os
from importlib import abc, machinery
import sys
class Hook(abc.MetaPathFinder):
    def find_spec(self, name, path, target=None):
        if name != "pipelines.examine":
            return None
        sys.meta_path.remove(self)
        from importlib.util import find_spec
        spec = find_spec(name)
        load = spec.loader.exec_module
        def exec_module(module):
            load(module)
            def examine(photo, **rest):
                from tests.plugins import faulty_measurements as faults
                if photo.file == "1.png":
                    getattr(faults, os.environ["FAULT"])()
                return module.PhotoRecord(photo.file, photo.sha256)
            module.examine = examine
        spec.loader.exec_module = exec_module
        return spec
sys.meta_path.insert(0, Hook())
"""


@pytest.mark.parametrize("fault", [*faults.DEADLY, faults.hangs, faults.noisy], ids=lambda f: f.__name__)
def test_in_a_batch_it_costs_its_own_photo(fault, tmp_path):
    from vision.draw import encode_png

    folder = tmp_path / "photos"
    folder.mkdir()
    for i in range(4):
        (folder / f"{i}.png").write_bytes(encode_png(Photo.from_array(_noise(i)).rgb))
    (tmp_path / "sitecustomize.py").write_text(SITE)
    script = "from pipelines import batch, cli\nbatch.DEADLINE_S = 8.0\ncli.main()\n"
    done = subprocess.run(
        [sys.executable, "-c", script, "measure", str(folder), "--json", "-", "--jobs", "2"],
        check=False,
        capture_output=True,
        cwd=REPOSITORY,
        env=os.environ | {"PYTHONPATH": f"{tmp_path}{os.pathsep}{REPOSITORY}", "FAULT": fault.__name__},
        timeout=120,
    )
    photos = json.loads(done.stdout)["photos"]
    assert [p["file"] for p in photos] == ["0.png", "1.png", "2.png", "3.png"]
    bad = fault is not faults.noisy
    assert [p["status"] for p in photos] == ["ok", "error" if bad else "ok", "ok", "ok"]
    assert done.returncode == (7 if bad else 0)
    if bad:
        assert photos[1]["error"]["reason"] == "worker_died"
        assert b"1.png" in done.stderr


def _noise(seed):
    import numpy as np

    return np.random.default_rng(seed).integers(0, 255, (24, 24, 3)).astype("uint8")
