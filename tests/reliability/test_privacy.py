"""What is passed on holds no place, no camera's number, no owner; hostile names and readings stay text."""

from __future__ import annotations

import itertools

import pytest

from pipelines import evidence, listing, lot
from pipelines.examine import PhotoRecord, examine_file
from tests.reliability import privacy, runs
from vision.draw import encode_jpeg
from vision.locate.places import ViewPlace
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

    def examine_files(paths, request=None, jobs=1, progress=None, *, names=None, keep=None, **_rest):
        from pipelines import files

        records = []
        for place, (_path, name) in enumerate(zip(paths, names or files.display_names(paths), strict=True)):
            seen = ViewPlace(View.MARK, 0.9, {"mark": 0.9})
            found = PhotoRecord(name, f"{place:064d}", 48, 48, view=seen, traits=marked(next(texts)))
            records.append(found)
            if keep is not None:
                keep(place, found)
        return records

    monkeypatch.setattr("pipelines.batch.examine_files", examine_files)


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
    for number, name in enumerate(privacy.HOSTILE_NAMES):
        place = tmp_path / "lot" / name.replace("/", "_")
        place.mkdir(parents=True)
        (place / f"{name.replace('/', '_')}.jpg").write_bytes(encode_jpeg(runs.quick_photo(number)))
    lot.run(tmp_path / "lot", guide="verity", out=tmp_path / "out")
    found = privacy.inspect(tmp_path / "out")
    assert found.files > 3 * len(privacy.HOSTILE_NAMES)
    assert not found.scripts
    assert not found.formulas
    sheet = (tmp_path / "out" / "lot.html").read_text(encoding="utf-8")
    assert "&lt;script&gt;alert(1)" in sheet, "the names must be there, as text"
    for bad in ("\x1b", "\u202e"):
        assert all(bad not in p.read_text(encoding="utf-8") for p in (tmp_path / "out").rglob("*.html"))
