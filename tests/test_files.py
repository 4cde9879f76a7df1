"""Output is whole or not there; photos go by names that people use."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipelines import files
from tests.conftest import REPOSITORY
from vision.errors import NoPhotoError, OutputError, PhotoError


def listed(folder):
    return sorted(p.name for p in folder.iterdir())


# -- in -------------------------------------------------------------------------------------------------


def test_photos_of_a_folder_come_in_natural_order(tmp_path):
    for name in ("IMG_10.jpg", "IMG_2.JPG", "a.png", ".hidden.jpg", "notes.txt", "x.heic"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "folder.jpg").mkdir()
    assert [p.name for p in files.find_photos([tmp_path])] == ["a.png", "IMG_2.JPG", "IMG_10.jpg", "x.heic"]


def test_a_named_file_is_tried_whatever_it_is_called(tmp_path):
    named = tmp_path / "photo.dat"
    assert files.find_photos([named, named]) == [named]


def test_an_empty_folder_is_said(tmp_path):
    with pytest.raises(NoPhotoError, match="No photo found"):
        files.find_photos([tmp_path])
    (tmp_path / "a.jpg").write_bytes(b"x")
    (tmp_path / "empty").mkdir()
    assert len(files.find_photos([tmp_path / "empty", tmp_path])) == 1


def test_names_tell_photos_apart():
    assert files.display_names([Path("d/a.jpg"), Path("d/b.jpg")]) == ["a.jpg", "b.jpg"]
    assert files.display_names([Path("d/a.jpg"), Path("e/a.jpg")]) == ["d/a.jpg", "e/a.jpg"]


def test_hostile_names_become_printable():
    assert files.printable("a\x1b[31m\n.jpg") == "a\ufffd[31m\ufffd.jpg"
    assert files.printable(os.fsdecode(b"bad\xff.jpg")).isprintable()


def test_reading_says_what_is_wrong(tmp_path):
    with pytest.raises(PhotoError) as caught:
        files.read_bytes(tmp_path / "none.jpg")
    assert caught.value.reason == "missing"
    with pytest.raises(PhotoError) as caught:
        files.read_bytes(tmp_path)
    assert caught.value.reason == "unreadable"
    with pytest.raises(PhotoError) as caught:
        files.read_bytes(Path("a\0b"))
    assert caught.value.reason in {"unreadable", "missing"}
    with (tmp_path / "big.jpg").open("wb") as stream:
        stream.truncate(400_000_000)
    start = time.perf_counter()
    with pytest.raises(PhotoError) as caught:
        files.read_bytes(tmp_path / "big.jpg")
    assert caught.value.reason == "too_large"
    assert time.perf_counter() - start < 0.1


# -- out ------------------------------------------------------------------------------------------------


def test_a_file_is_written_and_replaced(tmp_path):
    place = tmp_path / "traits.json"
    files.write_file(place, "one")
    files.write_file(place, "zwei ü")
    assert place.read_text(encoding="utf-8") == "zwei ü"
    assert listed(tmp_path) == ["traits.json"]


def test_a_failed_write_keeps_the_old_file(tmp_path, monkeypatch):
    place = tmp_path / "traits.json"
    files.write_file(place, "old")

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        files.write_file(place, "new")
    assert place.read_text() == "old"
    assert listed(tmp_path) == ["traits.json"]


def test_what_a_killed_run_left_is_cleared(tmp_path):
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    left = tmp_path / f".traits.json.{dead.pid}.rakelight-tmp"
    left.write_text("half")
    stranger = tmp_path / f".other.json.{dead.pid}.rakelight-tmp"
    stranger.write_text("half")
    files.write_file(tmp_path / "traits.json", "new")
    assert listed(tmp_path) == [stranger.name, "traits.json"]


def test_a_folder_appears_whole(tmp_path):
    out = tmp_path / "deep" / "out"
    with files.output_folder(out) as stage:
        (stage / "report.html").write_text("report")
        (stage / "evidence").mkdir()
        assert not out.exists()
    assert listed(out) == [".rakelight", "evidence", "report.html"]
    assert listed(out.parent) == ["out"]


def test_the_next_result_replaces_the_whole_folder(tmp_path):
    out = tmp_path / "out"
    with files.output_folder(out) as stage:
        (stage / "old.png").write_text("old")
    with files.output_folder(out) as stage:
        (stage / "new.png").write_text("new")
        assert listed(out) == [".rakelight", "old.png"]
    assert listed(out) == [".rakelight", "new.png"]
    assert listed(tmp_path) == ["out"]


def test_without_an_exchange_the_folder_is_replaced_too(tmp_path, monkeypatch):
    monkeypatch.setattr(files, "_exchange", lambda *_: False)
    test_the_next_result_replaces_the_whole_folder(tmp_path)


def test_a_failed_job_leaves_the_old_result(tmp_path):
    out = tmp_path / "out"
    with files.output_folder(out) as stage:
        (stage / "a").write_text("old")
    with pytest.raises(RuntimeError), files.output_folder(out) as stage:
        (stage / "a").write_text("half")
        raise RuntimeError
    assert (out / "a").read_text() == "old"
    assert listed(tmp_path) == ["out"]
    with pytest.raises(KeyboardInterrupt), files.output_folder(tmp_path / "never"):
        raise KeyboardInterrupt
    assert listed(tmp_path) == ["out"]


def test_files_of_others_are_never_replaced(tmp_path):
    (tmp_path / "holiday.jpg").write_text("mine")
    with pytest.raises(OutputError, match="did not write"), files.output_folder(tmp_path):
        pass
    with pytest.raises(OutputError, match="is a file"):
        files.check_output_folder(tmp_path / "holiday.jpg")
    assert (tmp_path / "holiday.jpg").read_text() == "mine"


def test_an_empty_folder_is_used(tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    with files.output_folder(out) as stage:
        (stage / "a").write_text("a")
    assert listed(out) == [".rakelight", "a"]


def test_a_link_to_a_folder_is_followed(tmp_path):
    real = tmp_path / "real"
    real.mkdir()
    link = tmp_path / "link"
    link.symlink_to(real)
    with files.output_folder(link) as stage:
        (stage / "a").write_text("a")
    assert link.is_symlink()
    assert (real / "a").exists()


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_an_unwritable_place_is_said_before_the_work(tmp_path):
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(OutputError, match="no permission"):
            files.check_output_folder(tmp_path / "out")
        with pytest.raises(OutputError, match="no permission"):
            files.check_output_file(tmp_path / "a.json")
    finally:
        tmp_path.chmod(0o700)


def test_impossible_places_are_said(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError):
        files.check_output_folder(tmp_path / "file" / "out")
    with pytest.raises(OutputError, match="does not exist"):
        files.check_output_file(tmp_path / "no" / "a.json")
    with pytest.raises(OutputError, match="is a folder"):
        files.check_output_file(tmp_path)
    with pytest.raises(OutputError):
        files.write_file(tmp_path / "no" / "a.json", "x")


WRITER = """
import sys
from pathlib import Path
from pipelines import files
out = Path(sys.argv[1])
number = 0
while True:
    number += 1
    with files.output_folder(out) as stage:
        for name in "abcdef":
            (stage / name).write_text(str(number) * 200)
    files.write_file(out.with_suffix(".json"), str(number) * 5000)
    print(number, flush=True)
"""


def test_a_killed_writer_never_leaves_a_mix(tmp_path):
    out = tmp_path / "out"
    for moment in range(12):
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(out)], stdout=subprocess.PIPE, text=True, cwd=REPOSITORY
        )
        assert writer.stdout.readline()
        time.sleep(0.003 * moment)
        writer.kill()
        writer.wait()
        writer.stdout.close()
        contents = {p.read_text() for p in out.iterdir() if p.name != ".rakelight"}
        assert len(contents) == 1, "files of two runs, or a half-written one"
        assert len(listed(out)) == 7
        text = out.with_suffix(".json").read_text()
        assert text == text[: len(text) // 5000] * 5000
    with files.output_folder(out):
        pass
    files.write_file(out.with_suffix(".json"), "done")
    assert listed(tmp_path) == ["out", "out.json"]


def test_spaces_that_do_not_break_stay_spaces():
    assert files.printable("81\u202f% of\u00a0all\u2009photos") == "81 % of all photos"
    assert files.printable("a\u2028b\x07") == "a\ufffdb\ufffd"
