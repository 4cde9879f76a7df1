"""Whole runs of the program: interrupted, with bad photos among the good, with any number of processes.

Everything runs the real command on small photos, in a session of its own, so that what a run leaves behind
can be counted.
"""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.conftest import REPOSITORY
from vision.draw import encode_jpeg, encode_png

SCRIPT = "from pipelines.cli import main; main()"
ENVIRONMENT = os.environ | {"PYTHONPATH": str(REPOSITORY), "SOURCE_DATE_EPOCH": "0"}


@dataclass(frozen=True)
class Done:
    """How a run ended: exit code, what it printed, seconds, and processes that outlived it."""

    code: int
    out: bytes
    err: bytes
    seconds: float
    orphans: tuple[int, ...]


def run(*arguments: object, environment: Mapping[str, str] = ENVIRONMENT, script: str = SCRIPT) -> Done:
    """Run the command to its end."""
    start = time.monotonic()
    process = _start(arguments, environment, script)
    out, err = process.communicate(timeout=3600)
    return Done(process.returncode, out, err, time.monotonic() - start, survivors(process.pid))


def interrupted(arguments: Sequence[object], number: signal.Signals, ready, wait_s: float = 0.0) -> Done:
    """Run the command, send it a signal ``wait_s`` after ``ready()`` turns true; ``seconds`` count from then.

    A run that ended before has the code it ended with.
    """
    process = _start(arguments, ENVIRONMENT, SCRIPT)
    limit = time.monotonic() + 300
    while process.poll() is None and not ready() and time.monotonic() < limit:
        time.sleep(0.005)
    time.sleep(wait_s)
    start = time.monotonic()
    process.send_signal(number)
    out, err = process.communicate(timeout=60)
    seconds = time.monotonic() - start
    return Done(process.returncode, out, err, seconds, survivors(process.pid))


def _start(arguments: Sequence[object], environment: Mapping[str, str], script: str) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-c", script, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=REPOSITORY,
        env=dict(environment),
        start_new_session=True,
    )


def survivors(session: int, grace_s: float = 2.0) -> tuple[int, ...]:
    """Processes of a session that still run after a moment (Linux).

    Those that ended and wait to be noticed don't count.
    """
    limit = time.monotonic() + grace_s
    while (found := _running(session)) and time.monotonic() < limit:
        time.sleep(0.05)
    return found


def _running(session: int) -> tuple[int, ...]:
    found = []
    for place in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = place.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[3]) == session and fields[0] not in "ZX":
            found.append(int(place.parent.name))
    return tuple(found)


# -- photos ---------------------------------------------------------------------------------------------


def quick_photo(seed: int, side: int = 48) -> np.ndarray:
    """A smooth picture of nothing, each one different, examined in no time."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:side, 0:side] / side
    ends = rng.uniform(60, 200, (3, 3))
    light = ends[0] + x[..., None] * (ends[1] - ends[0]) + y[..., None] * (ends[2] - ends[0])
    return np.clip(light, 0, 255).astype(np.uint8)


def lot_of(folder: Path, dolls: int, photos: int) -> Path:
    """A folder of dolls in subfolders."""
    for doll in range(dolls):
        place = folder / f"doll_{doll:03d}"
        place.mkdir(parents=True)
        for number in range(photos):
            (place / f"{number}.png").write_bytes(encode_png(quick_photo(100 * doll + number)))
    return folder


def folder_of(folder: Path, count: int, bad: Mapping[int, bytes]) -> Path:
    """A folder of loose photos; those at the places of ``bad`` hold these bytes instead."""
    folder.mkdir(parents=True)
    for number in range(count):
        data = bad[number] if number in bad else encode_jpeg(quick_photo(number))
        (folder / f"{number:05d}.jpg").write_bytes(data)
    return folder


def bad_files(count: int, among: int, seed: int = 4) -> dict[int, bytes]:
    """Bytes that are no readable photo, of all kinds, at random places."""
    rng = np.random.default_rng(seed)
    good = encode_jpeg(quick_photo(1))
    kinds = [b"", good[: len(good) // 2], good[:-1], b"%PDF-1.7", bytes(900), b"\xff\xd8\xff\xe0", b"<svg/>"]
    kinds.append(encode_png(quick_photo(2))[:-8])
    places = rng.choice(among, count, replace=False)
    return {int(place): kinds[number % len(kinds)] for number, place in enumerate(places)}


# -- what came out --------------------------------------------------------------------------------------


def contents(folder: Path, leave_out: Sequence[str] = ()) -> dict[str, str]:
    """Hash of every file below a folder."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name not in leave_out
    }


def finished(cache: Path) -> int:
    """How many photos a lot under way has kept."""
    return sum(1 for _ in cache.glob("*.json")) if cache.is_dir() else 0


@dataclass(frozen=True)
class Interruption:
    """One interruption of a lot, and the run after it."""

    moment: str
    code: int
    seconds: float
    orphans: int
    lost: int
    left_over: int
    same: bool


def interrupt_lot(
    folder: Path, work: Path, moments: Sequence[tuple[signal.Signals, int, float]], jobs: int = 2
) -> list[Interruption]:
    """Interrupt a lot after so many photos (and seconds), resume it, and compare with a run in one go.

    ``lost`` counts kept photos that were gone after the interruption, ``left_over`` files that do not
    belong beside the result after the next run.
    """
    whole = work / "whole"
    assert run("lot", folder, "--out", whole, "--jobs", jobs, "--quiet").code == 0
    expected = contents(whole)
    total = sum(1 for path in folder.rglob("*") if path.is_file())
    found = []
    for place, (number, photos, wait_s) in enumerate(moments):
        work_here = work / f"moment{place}"
        work_here.mkdir()
        out, cache = work_here / "out", work_here / ".out.rakelight-cache"
        kept_before = 0

        def ready(cache: Path = cache, photos: int = photos) -> bool:
            return finished(cache) >= min(photos, total - 1)

        done = interrupted(["lot", folder, "--out", out, "--jobs", jobs, "--quiet"], number, ready, wait_s)
        kept_before = min(photos, total - 1)
        kept = finished(cache) if done.code == 130 else total
        again = run("lot", folder, "--out", out, "--jobs", jobs, "--quiet")
        beside = [p.name for p in work_here.iterdir() if p.name != "out"]
        found.append(
            Interruption(
                moment=f"{number.name} after {photos} photos and {wait_s:.2f} s",
                code=done.code,
                seconds=done.seconds,
                orphans=len(done.orphans) + len(again.orphans),
                lost=max(0, kept_before - kept),
                left_over=len(beside),
                same=again.code == 0 and contents(out) == expected,
            )
        )
    return found


@dataclass(frozen=True)
class Hurt:
    """A lot in which one photo harms the worker that looks at it."""

    fault: str
    code: int
    extra_s: float
    kept: int
    named: bool
    orphans: int


def hurt_lot(folder: Path, work: Path, fault: str, deadline_s: float, jobs: int = 2) -> Hurt:
    """Check a lot with one harmful photo among its own; ``extra_s`` is what it took beyond a run without.

    ``kept`` counts the dolls whose results are the same bytes as in the run without.
    """
    from tests.reliability import faults

    environment = faults.environment(work / "site")
    script = faults.SCRIPT.format(deadline=deadline_s)
    options = ("--jobs", jobs, "--quiet")
    first = run("lot", folder, "--out", work / "clean", *options, environment=environment, script=script)
    assert first.code == 0, first.err
    place = folder / "harmful" / f"{fault}.png"
    place.parent.mkdir()
    place.write_bytes(encode_png(quick_photo(9999)))
    second = run(
        *("lot", folder, "--out", work / "out", "--json", work / "out.json", *options),
        environment=environment,
        script=script,
    )
    photos = json.loads((work / "out.json").read_text())["photos"]
    place.unlink()
    place.parent.rmdir()
    same = 0
    for doll in sorted((work / "clean" / "dolls").iterdir()):
        other = work / "out" / "dolls" / doll.name
        same += other.is_dir() and contents(other) == contents(doll)
    errors = [p for p in photos if p["status"] == "error"]
    return Hurt(
        fault=fault,
        code=second.code,
        extra_s=second.seconds - first.seconds,
        kept=same,
        named=len(errors) == 1 and fault in errors[0]["error"]["message"],
        orphans=len(second.orphans),
    )


def reconcile(folder: Path, bad: Mapping[int, bytes], clean: Path, jobs: int) -> dict[str, int]:
    """Measure a folder with bad photos in it and a clean one; count, and compare the good ones."""
    with_bad = json.loads(run("measure", folder, "--json", "-", "--jobs", jobs, "--quiet").out)["photos"]
    without = json.loads(run("measure", clean, "--json", "-", "--jobs", 1, "--quiet").out)["photos"]
    good = {photo["file"]: photo for photo in without}
    return {
        "photos": len(with_bad),
        "in order": int([p["file"] for p in with_bad] == sorted(p["file"] for p in with_bad)),
        "failed": sum(photo["status"] == "error" for photo in with_bad),
        "failed rightly": sum(
            photo["status"] == "error" and int(photo["file"][:5]) in bad and bool(photo["error"]["message"])
            for photo in with_bad
        ),
        "identical": sum(
            photo == good[photo["file"]] for photo in with_bad if int(photo["file"][:5]) not in bad
        ),
    }
