"""Results killed while they are written, at every moment at which the disk changes."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

from pipelines import files
from tests.conftest import REPOSITORY

# The process kills itself at the n-th of its own operations on files: opened, renamed, removed, synced, …
_WRITER = """
import json, os, signal, sys
from pathlib import Path
from pipelines import files

out, content, moment = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
seen = 0
ABOUT_FILES = {"open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "shutil.rmtree", "os.listdir",
               "os.scandir", "os.fsync", "ctypes.call_function", "os.truncate"}

def count(event, args):
    global seen
    if event in ABOUT_FILES:
        seen += 1
        if seen == moment:
            os.kill(os.getpid(), signal.SIGKILL)

real_sync, real_swap = os.fsync, files._exchange
def sync(handle):
    count("os.fsync", ())
    real_sync(handle)
def swap(one, other):
    count("ctypes.call_function", ())
    done = real_swap(one, other)
    count("ctypes.call_function", ())
    return done
os.fsync, files._exchange = sync, swap
sys.addaudithook(count)
with files.output_folder(out) as stage:
    (stage / "sub").mkdir()
    for name in ("a", "b", "sub/c", "sub/d"):
        (stage / name).write_text(content * 1000)
files.write_file(out.with_suffix(".json"), content * 5000)
seen, done = -10**9, seen
print(json.dumps(done))
"""


NAMES = ("a", "b", "sub/c", "sub/d")


@dataclass
class Tally:
    """What was found after each kill."""

    moments: int = 0
    old: int = 0
    new: int = 0
    mixed: list[str] = field(default_factory=list)
    litter: list[str] = field(default_factory=list)


def write(out: Path, content: str, moment: int) -> int | None:
    """Write a result, killed at a moment (0 is never); returns the number of moments if it survived."""
    done = subprocess.run(
        [sys.executable, "-c", _WRITER, str(out), content, str(moment)],
        check=False,
        capture_output=True,
        text=True,
        cwd=REPOSITORY,
    )
    return json.loads(done.stdout) if done.returncode == 0 else None


def killed_at(moments: list[int], folder: Path) -> Tally:
    """Kill a writer at each of these moments; look at what is there, then let the next run finish."""
    tally = Tally()
    out = folder / "out"
    write(out, "old", 0)
    for moment in moments:
        survived = write(out, "new", moment)
        tally.moments += survived is None
        state = _content(out, out.with_suffix(".json"))
        if state in {("new", "old"), ("new", "new")}:
            tally.new += 1
        elif state == ("old", "old"):
            tally.old += 1
        else:
            tally.mixed.append(f"moment {moment}: {state}")
        write(out, "old", 0)
        left = sorted(p.name for p in folder.iterdir())
        if left != ["out", "out.json"]:
            tally.litter.append(f"moment {moment}: {left}")
    return tally


def moments(folder: Path) -> int:
    """How many moments there are in writing over an earlier result."""
    out = folder / "count"
    write(out, "old", 0)
    return write(out, "new", 0) or 0


def _content(out: Path, single: Path) -> tuple[str, str]:
    """What the folder and the file hold: ``old``, ``new``, or what is wrong."""
    texts = {p.relative_to(out).as_posix(): p.read_text() for p in out.rglob("*") if p.is_file()}
    if not files.is_result(out) or set(texts) != {*NAMES, ".rakelight"}:
        return f"incomplete: {sorted(texts)}", ""
    words = {texts[name] for name in NAMES}
    folder = next((w for w in ("old", "new") if words == {w * 1000}), "mixed")
    text = single.read_text()
    return folder, next((w for w in ("old", "new") if text == w * 5000), "torn")
