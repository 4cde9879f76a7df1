"""A lot that is killed half-way, goes on, and gives the same table.

Run ``uv run python -m tests.bench.interrupted``: makes a lot of 48 dolls × 6 photos of the sample photos,
runs it once without a break, and once killed (SIGKILL, as a crash or a power cut) when half of the photos
are done, and run again. Prints how far it is and what was compared; ends with an error unless every file is
the same. ``--short`` takes 4 dolls and photos of 0.3 megapixels, some minutes; ``--dolls``, ``--photos`` and
``--megapixels`` set each by itself, ``--jobs`` the workers.

``--keep DIR`` keeps lot and results there. A later call with the same DIR takes what is done already, so the
whole can be had in pieces: ``--only make``, then ``--only whole``, ``kill``, ``resume`` and ``again``.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipelines.batch import room
from tests.bench import photos as made
from tests.bench.photos import Like
from tests.bench.speed import strict_decode

REPOSITORY = Path(__file__).resolve().parents[2]
STEPS = ("make", "whole", "kill", "resume", "again")
#: Seconds between two lines that say how far it is.
TELL_S = 20.0
_LOT = (
    "import sys\nfrom pipelines.cli import main\n"
    "sys.argv = ['rakelight', 'lot', *sys.argv[1:], '--guide', 'verity', '--quiet']\nmain()"
)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--short", action="store_true", help="4 dolls, 0.3 megapixels")
    parser.add_argument("--dolls", type=int)
    parser.add_argument("--photos", type=int, default=6)
    parser.add_argument("--megapixels", type=float)
    parser.add_argument("--jobs", type=int, default=room(), help="workers; as many as there is room for")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="keep all there, and take what is there")
    parser.add_argument("--only", default=",".join(STEPS), help="steps: " + ", ".join(STEPS))
    arguments = parser.parse_args()
    steps = arguments.only.split(",")
    if not set(steps) <= set(STEPS) or (steps != list(STEPS) and arguments.keep is None):
        parser.error("--only takes steps of this order, and needs --keep: " + ", ".join(STEPS))
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that no run is left behind
    with contextlib.ExitStack() as stack:
        place = arguments.keep or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        place.mkdir(parents=True, exist_ok=True)
        bench = Bench(
            place,
            arguments.dolls or (4 if arguments.short else 48),
            arguments.photos,
            arguments.megapixels or (0.3 if arguments.short else 12.0),
            arguments.jobs,
        )
        wrong = sum(getattr(bench, step)() for step in STEPS if step in steps)
    return 1 if wrong else 0


@dataclass(frozen=True)
class Bench:
    """The steps; each returns how many files are wrong after it."""

    place: Path
    dolls: int
    photos: int
    megapixels: float
    jobs: int

    @property
    def lot(self) -> Path:
        return self.place / "lot"

    @property
    def count(self) -> int:
        return self.dolls * self.photos

    def make(self) -> int:
        pace = Teller("photos made")
        paths = made.fill(
            self.lot,
            self.dolls,
            self.photos,
            Like(self.megapixels),
            jobs=self.jobs,
            progress=lambda done, count, _name: pace.tell(done, count),
        )
        size = sum(path.stat().st_size for path in paths) / 1e6
        _say(f"lot: {self.dolls} dolls, {len(paths)} photos of {self.megapixels:g} MP, {size:.0f} MB")
        return 0

    def whole(self) -> int:
        seconds, cpu = self._run(self.place / "whole")
        decode = min(strict_decode(path.read_bytes()) for path in sorted(self.lot.rglob("*.jpg"))[:3])
        _say(
            f"run without a break: {seconds:.0f} s with {self.jobs} jobs, {self.count / seconds:.2f} photos/s"
        )
        each = cpu / self.count
        _say(
            f"a photo takes {each:.2f} s of CPU, {each / decode:.0f} strict decodes, workers' start included"
        )
        return 0

    def kill(self) -> int:
        """Kill the program and its workers once half of the photos are kept."""
        out = self.place / "broken"
        if _kept(out) < self.count // 2:
            shutil.rmtree(out, ignore_errors=True)
            start = time.perf_counter()
            pace = Teller("photos kept")
            with self._started(out) as process:
                while _kept(out) < self.count // 2:
                    assert process.poll() is None, "it was done before it could be killed"
                    pace.tell(_kept(out), self.count)
                    time.sleep(0.05)
            _say(f"killed after {time.perf_counter() - start:.0f} s")
        _say(f"{_kept(out)} of {self.count} photos are kept")
        assert not out.exists(), "a killed run left a result"
        return 0

    def resume(self) -> int:
        out = self.place / "broken"
        left = self.count - _kept(out)
        seconds, _ = self._run(out)
        _say(f"run again: {seconds:.0f} s for the other {left}")
        known = {self.lot.name, "whole", "broken"}
        litter = [path.name for path in self.place.iterdir() if path.name not in known]
        _say(f"left over beside the results: {', '.join(litter) or 'nothing'}")
        return self._compare() + len(litter)

    def again(self) -> int:
        seconds, _ = self._run(self.place / "broken")
        _say(f"unchanged, once more: {seconds:.1f} s, {self.count / seconds:.0f} photos/s")
        return self._compare()

    @contextlib.contextmanager
    def _started(self, out: Path) -> Iterator[subprocess.Popen[bytes]]:
        """Start the program; whatever of it still runs in the end is killed."""
        process = subprocess.Popen(
            [sys.executable, "-c", _LOT, str(self.lot), "--out", str(out), "--jobs", str(self.jobs)],
            cwd=REPOSITORY,
            env={**os.environ, "SOURCE_DATE_EPOCH": "1700000000", "OMP_NUM_THREADS": "1"},
            start_new_session=True,
            stdout=subprocess.DEVNULL,
        )
        try:
            yield process
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()

    def _run(self, out: Path) -> tuple[float, float]:
        """Run the program to its end; returns the seconds it took, and those of CPU."""
        start, before = time.perf_counter(), _children_s()
        pace = Teller("photos seen")
        with self._started(out) as process:
            while process.poll() is None:
                pace.tell(_kept(out), self.count)
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(1.0)
        assert process.returncode == 0, f"rakelight ended with {process.returncode}"
        return time.perf_counter() - start, _children_s() - before

    def _compare(self) -> int:
        """Compare all files of both results byte by byte; print and return how many differ."""
        contents = [
            {p.relative_to(place).as_posix(): p.read_bytes() for p in place.rglob("*") if p.is_file()}
            for place in (self.place / "whole", self.place / "broken")
        ]
        names = sorted(contents[0].keys() | contents[1].keys())
        differ = [name for name in names if contents[0].get(name) != contents[1].get(name)]
        _say(f"{len(names)} files compared, {len(differ)} differ {', '.join(differ[:8])}".rstrip())
        return len(differ)


class Teller:
    """Says now and then how far something is."""

    def __init__(self, what: str) -> None:
        self._what = what
        self._start = self._told = time.monotonic()
        self._first: int | None = None

    def tell(self, done: int, count: int) -> None:
        """Take note of how much is done; print a line when the last one is old."""
        now = time.monotonic()
        self._first = done if self._first is None else self._first
        if now - self._told < TELL_S:
            return
        self._told = now
        rate = (done - self._first) / (now - self._start)
        left = f", {rate:.2f}/s, {(count - done) / rate / 60:.0f} min left" if rate and done < count else ""
        _say(f"  {done} of {count} {self._what}{left}")


def _say(line: str) -> None:
    print(line, flush=True)


def _kept(out: Path) -> int:
    """How many photos an unfinished run keeps."""
    return len(list(out.with_name(f".{out.name}.rakelight-cache").glob("*.json")))


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


if __name__ == "__main__":
    sys.exit(main())
