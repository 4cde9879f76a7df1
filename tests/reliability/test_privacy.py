"""What is passed on holds no place, no camera's number, no owner; hostile names and readings stay text."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from pipelines import cache, evidence, listing, lot, pictures
from pipelines.examine import PhotoRecord, examine_file
from pipelines.pictures import Seen
from tests.reliability import privacy, runs
from vision import likeness
from vision.draw import encode_jpeg
from vision.locate.places import ViewPlace
from vision.photo import load
from vision.traits import Reason, Region, TextLine, TraitRecord, View


def marked(text):
    """Records of a photo in which a mark was read that says this."""
    box = ((5.0, 5.0), (40.0, 5.0), (40.0, 20.0), (5.0, 20.0))
    lines = (TextLine(text, 0.9, box, (text[::-1],)),)
    return (
        TraitRecord.stated(
            "mark_text", "present", 0.9, "t/1", text=lines, region=Region((box,)), detail=text
        ),
        TraitRecord.withheld("mark_symbol", Reason.TOO_SMALL, "t/1", f"Too small: {text}"),
    )


@pytest.fixture
def readings(monkeypatch):
    """Instead of looking at photos, have every mark read as something hostile."""
    texts = itertools.cycle(privacy.HOSTILE_TEXTS)

    def see(sight):
        photo = load(sight.path.read_bytes(), sight.name)
        view = ViewPlace(View.MARK, 0.9, {"mark": 0.9})
        found = PhotoRecord(sight.name, photo.sha256, 48, 48, view=view, traits=marked(next(texts)))
        record = sight.known or cache.settled(found)
        return Seen(record, pictures.draw(photo, record), likeness.fingerprint(photo))

    monkeypatch.setattr(pictures, "SEE", dataclasses.replace(pictures.SEE, do=see))


def test_tags_are_found_where_there_are_any(tmp_path):
    """The search itself works: in the photo all of it is there."""
    (tmp_path / "a.jpg").write_bytes(privacy.telling_photo(runs.quick_photo(1)))
    found = privacy.inspect(tmp_path)
    assert len(found.leaks) == 2
    assert privacy.harms_of_html('<a href="java\nscript:x">') and privacy.harms_of_html("<b onclick=x>")


def test_no_tag_of_the_photo_is_passed_on(tmp_path):
    folder = tmp_path / "photos"
    folder.mkdir()
    photo = folder / "face.jpg"
    photo.write_bytes(privacy.telling_photo(privacy.face()))
    evidence.run([photo], out=tmp_path / "out" / "evidence")
    record = examine_file(photo)
    result = listing.conclude("doll", listing.guides.load("verity"), None, [record], paths=[photo])
    place = tmp_path / "out" / "listing"
    place.mkdir()
    listing.write(result, place)
    found = privacy.inspect(tmp_path / "out")
    assert found.images >= 4
    assert not found.leaks


def test_hostile_names_and_readings_run_nothing(tmp_path, readings):
    rng = np.random.default_rng(1)
    for name in (name.replace("/", "_") for name in privacy.HOSTILE_NAMES):
        place = tmp_path / "lot" / name
        place.mkdir(parents=True)
        noise = rng.integers(0, 255, (48, 48, 3), np.uint8)
        (place / f"{name}.jpg").write_bytes(encode_jpeg(noise))
    lot.run(tmp_path / "lot", guide="verity", out=tmp_path / "out")
    found = privacy.inspect(tmp_path / "out")
    assert found.files > 3 * len(privacy.HOSTILE_NAMES)
    assert not found.scripts
    assert not found.formulas
    sheet = (tmp_path / "out" / "lot.html").read_text(encoding="utf-8")
    assert "&lt;script&gt;alert(1)" in sheet, "the names must be there, as text"
    reports = "".join(p.read_text(encoding="utf-8") for p in (tmp_path / "out").rglob("report.html"))
    assert "svg onload=alert(1)&gt;" in reports, "the readings must be there, as text"
    for bad in ("\x1b", "\u202e"):
        assert all(bad not in p.read_text(encoding="utf-8") for p in (tmp_path / "out").rglob("*.html"))
