"""A measurement that crashes, hangs, prints or returns nonsense costs its trait or its photo, never more."""

from __future__ import annotations

import json

import pytest

from pipelines import examine
from tests.plugins import faulty_measurements as faults
from tests.reliability import faults as installed
from tests.reliability import runs
from vision.draw import encode_png
from vision.locate.places import FacePlace, Places, ViewPlace
from vision.photo import Photo
from vision.traits import Trait, View

OUTLINE = ((10.0, 10.0), (30.0, 10.0), (30.0, 20.0))
FACE = FacePlace((5, 5, 60, 60), 0.9, OUTLINE, OUTLINE, OUTLINE)
PLACES = Places(ViewPlace(View.FACE, 0.95, {"face": 0.95}), faces=(FACE,))


@pytest.fixture
def photo(monkeypatch):
    """A photo in which a face is said to be, and no other measurement than the faulty one."""
    monkeypatch.setattr("vision.locate.view.find_places", lambda *_a, **_k: PLACES)
    return Photo.from_array(runs.quick_photo(1, 80), "a.jpg")


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


@pytest.mark.parametrize("fault", [*faults.DEADLY, faults.hangs, faults.noisy], ids=lambda f: f.__name__)
def test_in_a_batch_it_costs_its_own_photo(fault, tmp_path):
    bad = f"{fault.__name__}.png"
    names = ["0.png", "1.png", bad, "z.png"]
    folder = tmp_path / "photos"
    folder.mkdir()
    for seed, name in enumerate(names):
        (folder / name).write_bytes(encode_png(runs.quick_photo(seed)))
    done = runs.run(
        *("measure", folder, "--json", "-", "--jobs", 2),
        environment=installed.environment(tmp_path / "site"),
        script=installed.SCRIPT.format(deadline=8.0),
    )
    photos = {p["file"]: p for p in json.loads(done.out)["photos"]}
    assert list(photos) == names
    harmful = fault is not faults.noisy
    assert {n: p["status"] for n, p in photos.items()} == {
        name: "error" if harmful and name == bad else "ok" for name in names
    }
    assert done.code == (7 if harmful else 0)
    assert not done.orphans
    if harmful:
        assert photos[bad]["error"]["reason"] == "worker_died"
        assert bad.encode() in done.err
