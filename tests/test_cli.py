"""The command: exit codes, clean standard output, clear complaints."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
from typer.testing import CliRunner

from pipelines import batch, cli
from pipelines.examine import PhotoRecord
from tests.conftest import REPOSITORY
from vision.draw import encode_png
from vision.errors import InputFileError, OutputError, UsageError, WorkerDiedError
from vision.locate.places import ViewPlace
from vision.traits import Quantity, Reason, TraitRecord, View

COMMAND = [sys.executable, "-c", "from pipelines.cli import main; main()"]


def run(*arguments):
    """The command as a process: (exit code, standard output, standard error)."""
    done = subprocess.run(
        [*COMMAND, *map(str, arguments)],
        check=False,
        capture_output=True,
        text=True,
        cwd=REPOSITORY,
        timeout=120,
    )
    return done.returncode, done.stdout, done.stderr


def call(*arguments):
    """The command in this process."""
    result = CliRunner().invoke(cli.app, [str(a) for a in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout, result.stderr


def record(name="a.jpg", **rest):
    return PhotoRecord(name, "00", 10, 10, view=ViewPlace(View.FACE, 0.9), **rest)


def failed(name="bad.jpg", reason="truncated"):
    return PhotoRecord.failed(name, reason, f"{name} is cut off.")


@pytest.fixture
def photos(tmp_path):
    folder = tmp_path / "photos"
    folder.mkdir()
    for name in ("a.png", "b.png"):
        (folder / name).write_bytes(encode_png(np.full((30, 40, 3), 90, np.uint8)))
    return folder


@pytest.fixture
def answers(monkeypatch):
    """Answers instead of examinations; also remembers the requests."""
    box = {"records": [record()], "requests": []}

    def examine_files(paths, request=None, jobs=1, progress=batch.silent):
        box["requests"].append((list(paths), request, jobs))
        print("a library talks to standard output")
        if isinstance(box["records"], BaseException):
            raise box["records"]
        return box["records"]

    monkeypatch.setattr(batch, "examine_files", examine_files)
    return box


# -- exit codes -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("records", "code"),
    [
        ([record()], 0),
        ([record(), failed()], 5),
        ([failed()], 3),
        ([failed("x", "worker_died"), record()], 7),
        (UsageError("no"), 2),
        (InputFileError("g.toml, line 3: no"), 4),
        (OutputError("no"), 6),
        (WorkerDiedError("no"), 7),
        (KeyboardInterrupt(), 130),
    ],
)
def test_exit_codes(answers, photos, records, code):
    answers["records"] = records
    found, _, err = call("measure", photos)
    assert found == code
    assert "Traceback" not in err


def test_an_empty_folder_and_a_missing_file(tmp_path, photos):
    code, out, err = call("measure", tmp_path / "photos" / "..")
    assert (code, out) == (3, "")
    assert "No photo found" in err
    code, out, err = call("measure", tmp_path / "none.jpg", "--json", "-")
    assert code == 3
    assert "none.jpg" in err
    assert json.loads(out)["photos"][0]["error"]["reason"] == "missing"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--only", "eyeliner"], "Did you mean eyeliner_color"),
        (["--only", ","], "names no trait"),
        (["--view", "feet"], "Valid: face, head_back"),
        (["--jobs", "0"], "jobs"),
        (["--nonsense"], "nonsense"),
    ],
)
def test_usage_errors(answers, photos, arguments, words):
    code, out, err = call("measure", photos, *arguments)
    assert code == 2
    assert out == ""
    assert words in err
    assert not answers["requests"]


def test_a_broken_regions_file(answers, photos, tmp_path):
    file = tmp_path / "r.toml"
    file.write_text('["a.png"]\n\nlips = 3\n')
    code, _, err = call("measure", photos, "--regions", file)
    assert code == 4
    assert "line 3" in err
    assert not answers["requests"]


def test_a_complaint_of_several_lines_keeps_them_and_cannot_steer_a_terminal(answers, photos):
    answers["records"] = UsageError("one\n  two \x1b[2J")
    _, _, err = call("measure", photos)
    assert err == "rakelight: one\n  two \ufffd[2J\n"


def test_an_unwritable_result_is_said_before_the_work(answers, photos, tmp_path):
    for place in (tmp_path / "no" / "a.json", tmp_path):
        code, _, err = call("measure", photos, "--json", place)
        assert code == 6
        assert err.startswith("rakelight: ")
    assert not answers["requests"]


# -- output ---------------------------------------------------------------------------------------------


def test_json_alone_on_standard_output(answers, photos):
    answers["records"] = [record(), failed()]
    code, out, err = call("measure", photos, "--json", "-")
    assert code == 5
    payload = json.loads(out)
    assert payload["schema"] == "rakelight.traits/1"
    assert [p["status"] for p in payload["photos"]] == ["ok", "error"]
    assert payload["photos"][1]["error"] == {"reason": "truncated", "message": "bad.jpg is cut off."}
    assert "bad.jpg is cut off." in err


def test_json_into_a_file(answers, photos, tmp_path):
    code, out, _ = call("measure", photos, "--json", tmp_path / "r.json")
    assert code == 0
    assert json.loads((tmp_path / "r.json").read_text())["photos"][0]["file"] == "a.jpg"
    assert "{" not in out


def test_only_view_and_jobs_are_passed_on(answers, photos):
    call(
        "measure",
        photos,
        "--only",
        "iris_color,lip_paint",
        "--only",
        "ear_stain",
        "--view",
        "face",
        "--jobs",
        "3",
    )
    paths, request, jobs = answers["requests"][0]
    assert [p.name for p in paths] == ["a.png", "b.png"]
    assert request.only == {"iris_color", "lip_paint", "ear_stain"}
    assert request.view is View.FACE
    assert jobs == 3


def test_the_table_is_for_people_and_cannot_steer_a_terminal(answers, photos):
    answers["records"] = [
        record(
            "evil\x1b[2J.jpg",
            traits=(
                TraitRecord.stated(
                    "eyeliner_color", "blue", 0.93, "e/1", quantities={"hue_deg": Quantity(262, 4, "deg")}
                ),
                TraitRecord.withheld("iris_color", Reason.BLURRED, "i/1", "Too soft.\x1b]0;x\x07 Ask again."),
            ),
        )
    ]
    code, out, _ = call("measure", photos)
    assert code == 0
    assert "\x1b" not in out
    assert "\x07" not in out
    assert "face (90%)" in out
    assert "Eyeliner" in out
    assert "262 ± 4°" in out
    assert "Ask again." in out


def test_no_progress_without_a_terminal(answers, photos):
    _, _, err = call("measure", photos)
    assert err == ""


def test_unused_regions_are_mentioned(answers, photos, tmp_path):
    file = tmp_path / "r.toml"
    file.write_text('["c.png"]\nlips = [1, 2, 3, 4]\n')
    _, _, err = call("measure", photos, "--regions", file)
    assert "c.png" in err
    _, _, err = call("measure", photos, "--regions", file, "--quiet")
    assert err == ""


# -- the other commands ---------------------------------------------------------------------------------


class Job:
    def __init__(self, result):
        self.result, self.calls = result, []

    def __call__(self, *arguments, **options):
        print("a library talks to standard output")
        self.calls.append((arguments, options))
        if isinstance(self.result, BaseException):
            raise self.result
        return self.result


@pytest.fixture
def job(monkeypatch):
    fake = Job(
        {"photos": [{"status": "ok"}, {"status": "error", "error": {"reason": "x", "message": "b is bad."}}]}
    )
    monkeypatch.setattr(cli, "_job", lambda name: fake)
    return fake


@pytest.mark.parametrize("command", ["listing", "lot", "evidence"])
def test_jobs_are_wired(job, photos, tmp_path, command):
    code, out, err = call(command, photos, "--out", tmp_path / "out", "--json", "-", "--jobs", 2)
    assert code == 5
    assert json.loads(out)["photos"][0]["status"] == "ok"
    assert "b is bad." in err
    (_, options) = job.calls[0]
    assert options["out"] == tmp_path / "out"
    assert options["jobs"] == 2


def test_a_lot_takes_as_many_workers_as_there_is_room_for(job, photos, tmp_path, monkeypatch):
    monkeypatch.setattr(batch, "room", lambda: 5)
    call("lot", photos, "--out", tmp_path / "out")
    call("listing", photos, "--out", tmp_path / "out")
    assert [options["jobs"] for _, options in job.calls] == [5, 1]


@pytest.mark.parametrize(
    ("cores", "free", "expected"), [(8, 64e9, 8), (8, 3.5e9, 3), (2, 0.2e9, 1), (4, None, 4)]
)
def test_room_is_a_worker_a_core_unless_memory_says_less(cores, free, expected, monkeypatch):
    monkeypatch.setattr(batch, "_cores", lambda: cores)
    monkeypatch.setattr(batch, "_free_bytes", lambda: None if free is None else int(free))
    assert batch.room() == expected


def test_this_machine_has_room():
    assert 1 <= batch.room() <= (os.cpu_count() or 1)


@pytest.mark.parametrize("command", ["listing", "lot", "evidence"])
def test_jobs_refuse_to_overwrite(job, photos, command):
    before = sorted(photos.iterdir())
    code, _, _ = call(command, photos, "--out", photos)
    assert code in {2, 6}
    assert not job.calls
    assert sorted(photos.iterdir()) == before


def test_listing_wants_a_folder(job, photos, tmp_path):
    code, _, err = call("listing", photos / "a.png", "--out", tmp_path / "out")
    assert code == 3
    assert "not a folder" in err
    code, _, err = call("listing", photos)
    assert code == 2


def test_listing_passes_guide_claim_and_findings(job, photos, tmp_path):
    call(
        "listing",
        photos,
        "--guide",
        "verity",
        "--claim",
        "v1",
        "--findings",
        "f.toml",
        "--out",
        tmp_path / "o",
    )
    _, options = job.calls[0]
    assert (options["guide"], options["claim"], str(options["findings"])) == ("verity", "v1", "f.toml")


def test_guides_are_listed_and_checked(tmp_path):
    code, out, _ = call("guide", "list")
    assert code == 0
    assert "verity" in out
    code, out, _ = call("guide", "list", "--json", "-")
    assert {g["id"] for g in json.loads(out)["guides"]} >= {"verity", "early-vinyl"}
    assert call("guide", "check", "verity")[0] == 0
    broken = tmp_path / "g.toml"
    broken.write_text("title = \n")
    code, _, err = call("guide", "check", broken)
    assert code == 4
    assert "line 1" in err


# -- as a process ---------------------------------------------------------------------------------------


def test_help_is_quick_and_imports_nothing_heavy():
    probe = (
        "import sys; sys.argv = ['rakelight', '--help']\n"
        "from pipelines.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'cv2', 'mediapipe', 'rapidocr', 'onnxruntime', 'scipy', 'skimage', 'PIL'}\n"
        "print('heavy:', sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", probe], check=False, capture_output=True, text=True, cwd=REPOSITORY
    )
    assert "heavy: []" in done.stdout
    for command in ("measure", "fuse", "listing", "lot", "evidence", "guide"):
        assert command in done.stdout


def test_every_command_explains_itself():
    for command in ("measure", "fuse", "listing", "lot", "evidence"):
        code, out, _ = call(command, "--help")
        assert code == 0
        for option in ("--json", "--jobs", "--quiet"):
            assert option in out


def test_a_library_cannot_spoil_the_json(tmp_path, photos):
    """Even what is written to the file descriptor itself, as C libraries do."""
    script = (
        "import os, sys\n"
        "from pipelines import batch, cli\n"
        "from pipelines.examine import PhotoRecord\n"
        "def talk(*a, **k):\n"
        "    os.write(1, b'noise\\n'); print('more noise')\n"
        "    return [PhotoRecord('a')]\n"
        "batch.examine_files = talk\n"
        f"sys.argv = ['rakelight', 'measure', {str(photos)!r}, '--json', '-']\n"
        "cli.main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], check=False, capture_output=True, text=True, cwd=REPOSITORY
    )
    assert done.returncode == 0
    assert json.loads(done.stdout)["photos"][0]["file"] == "a"
    assert "noise" in done.stderr


def test_a_reader_that_leaves_costs_no_traceback():
    code = subprocess.run(
        [
            "bash",
            "-c",
            'set -o pipefail; "$0" -c "from pipelines.cli import main; main()" guide list | true',
            sys.executable,
        ],
        check=False,
        capture_output=True,
        text=True,
        cwd=REPOSITORY,
    )
    assert "Traceback" not in code.stderr
    assert "Exception" not in code.stderr


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_ends_it_with_130(photos, number):
    script = (
        "import sys, time\n"
        "from pipelines import batch, cli\n"
        "def wait(*a, **k):\n"
        "    print('waiting', file=sys.stderr, flush=True); time.sleep(60)\n"
        "batch.examine_files = wait\n"
        f"sys.argv = ['rakelight', 'measure', {str(photos)!r}]\n"
        "cli.main()"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", script], stderr=subprocess.PIPE, text=True, cwd=REPOSITORY
    )
    while "waiting" not in process.stderr.readline():
        pass
    start = time.perf_counter()
    process.send_signal(number)
    _, err = process.communicate(timeout=10)
    assert process.returncode == 130
    assert time.perf_counter() - start < 2
    assert "Traceback" not in err


def test_one_and_two_jobs_give_the_same_bytes(tmp_path):
    folder = tmp_path / "photos"
    folder.mkdir()
    rng = np.random.default_rng(4)
    for i in range(3):
        picture = np.kron(rng.integers(60, 200, (6, 8, 3)), np.ones((40, 40, 1))).astype(np.uint8)
        (folder / f"{i}.png").write_bytes(encode_png(picture))
    (folder / "bad.png").write_bytes(b"\x89PNG broken")
    one = run("measure", folder, "--json", "-", "--jobs", 1)
    two = run("measure", folder, "--json", "-", "--jobs", 2)
    assert one[0] == two[0] == 5
    assert one[1] == two[1]
    assert [p["file"] for p in json.loads(one[1])["photos"]] == ["0.png", "1.png", "2.png", "bad.png"]


def test_a_dying_worker_costs_its_photo_only(tmp_path, monkeypatch):
    """The second photo kills every process that touches it."""
    for i in range(3):
        (tmp_path / f"{i}.png").write_bytes(encode_png(np.full((8, 8, 3), 90 + i, np.uint8)))
    plugin = tmp_path / "sitecustomize.py"
    plugin.write_text(
        "import os\n"
        "import pathlib\n"
        "real = pathlib.Path.read_bytes\n"
        "def read(self):\n"
        "    if self.name == '1.png' and os.environ.get('DIE'): os.kill(os.getpid(), 9)\n"
        "    return real(self)\n"
        "pathlib.Path.read_bytes = read\n"
    )
    environment = os.environ | {"PYTHONPATH": f"{tmp_path}{os.pathsep}{REPOSITORY}", "DIE": "1"}
    done = subprocess.run(
        [*COMMAND, "measure", str(tmp_path), "--json", "-", "--jobs", "2"],
        check=False,
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env=environment,
        timeout=120,
    )
    assert done.returncode == 7
    found = json.loads(done.stdout)["photos"]
    assert [p["status"] for p in found] == ["ok", "error", "ok"]
    assert found[1]["error"]["reason"] == "worker_died"
    assert "1.png" in done.stderr


def test_a_hanging_worker_costs_its_photo_only(tmp_path, monkeypatch):
    """The watchdog ends it; the others, before and after, are examined."""
    names = [f"{i}.png" for i in range(6)]
    for name in names:
        (tmp_path / name).write_bytes(b"no photo")
    (tmp_path / "sitecustomize.py").write_text(
        "import pathlib, time\n"
        "real = pathlib.Path.read_bytes\n"
        "def read(self):\n"
        "    if self.name == '2.png': time.sleep(600)\n"
        "    return real(self)\n"
        "pathlib.Path.read_bytes = read\n"
    )
    monkeypatch.setenv("PYTHONPATH", f"{tmp_path}{os.pathsep}{REPOSITORY}")
    monkeypatch.setattr(batch, "DEADLINE_S", 3.0)
    seen = []
    records = batch.examine_files(
        [tmp_path / name for name in names], jobs=2, progress=lambda *step: seen.append(step)
    )
    assert [r.file for r in records] == names
    assert [r.error["reason"] for r in records] == [
        "worker_died" if n == "2.png" else "not_a_photo" for n in names
    ]
    assert "longer than 3 s" in records[2].error["message"]
    assert sorted(step[2] for step in seen) == names
    assert [step[0] for step in seen] == [1, 2, 3, 4, 5, 6]
