"""A lot that is killed half-way, goes on, and gives the same table.

Run ``uv run python -m tests.bench.interrupted``: makes a lot of 48 dolls × 6 photos of the sample photos,
runs it once without a break, and once killed (SIGKILL, as a crash or a power cut) when half of the photos
are done, and run again. Prints what was compared; ends with an error unless every file is the same.
``--short`` takes 4 dolls and photos of 0.3 megapixels, some minutes; ``--dolls``, ``--photos`` and
``--megapixels`` set each by itself; ``--keep DIR`` keeps lot and results there.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tests.bench import photos as made
from tests.bench.photos import Like

REPOSITORY = Path(__file__).resolve().parents[2]
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
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--keep", type=Path)
    arguments = parser.parse_args()
    dolls = arguments.dolls or (4 if arguments.short else 48)
    megapixels = arguments.megapixels or (0.3 if arguments.short else 12.0)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that no run is left behind
    with contextlib.ExitStack() as stack:
        place = arguments.keep or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        place.mkdir(parents=True, exist_ok=True)
        lot = place / "lot"
        count = len(made.fill(lot, dolls, arguments.photos, Like(megapixels)))
        size = sum(path.stat().st_size for path in lot.rglob("*.jpg")) / 1e6
        print(f"lot: {dolls} dolls, {count} photos of {megapixels:g} MP, {size:.0f} MB", flush=True)

        seconds = _run(lot, place / "whole", arguments.jobs)
        print(f"run without a break: {seconds:.0f} s, {count / seconds:.2f} photos/s", flush=True)
        kept, seconds = _killed_half_way(lot, place / "broken", arguments.jobs, count)
        print(f"killed after {seconds:.0f} s with {kept} of {count} photos kept", flush=True)
        assert not (place / "broken").exists(), "a killed run left a result"
        seconds = _run(lot, place / "broken", arguments.jobs)
        print(f"run again: {seconds:.0f} s for the other {count - kept}", flush=True)
        wrong = _compare(place / "whole", place / "broken")
        litter = [p.name for p in place.iterdir() if p.name not in {"lot", "whole", "broken"}]
        print(f"left over beside the results: {', '.join(litter) or 'nothing'}")
        seconds = _run(lot, place / "broken", arguments.jobs)
        print(f"unchanged, once more: {seconds:.1f} s, {count / seconds:.0f} photos/s")
        wrong += _compare(place / "whole", place / "broken")
    return 1 if wrong or litter else 0


@contextlib.contextmanager
def _started(lot: Path, out: Path, jobs: int) -> Iterator[subprocess.Popen[bytes]]:
    """Start the program; whatever of it still runs in the end is killed."""
    process = subprocess.Popen(
        [sys.executable, "-c", _LOT, str(lot), "--out", str(out), "--jobs", str(jobs)],
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


def _run(lot: Path, out: Path, jobs: int) -> float:
    start = time.perf_counter()
    with _started(lot, out, jobs) as process:
        code = process.wait()
    assert code == 0, f"rakelight ended with {code}"
    return time.perf_counter() - start


def _killed_half_way(lot: Path, out: Path, jobs: int, count: int) -> tuple[int, float]:
    """Kill the program and its workers once half of the photos are kept; return how many and when."""
    cache = out.with_name(f".{out.name}.rakelight-cache")
    start = time.perf_counter()
    with _started(lot, out, jobs) as process:
        while len(list(cache.glob("*.json"))) < count // 2:
            assert process.poll() is None, "it was done before it could be killed"
            time.sleep(0.05)
    return len(list(cache.glob("*.json"))), time.perf_counter() - start


def _compare(one: Path, other: Path) -> int:
    """Compare all files of two results byte by byte; print and return how many differ."""
    contents = [
        {path.relative_to(place).as_posix(): path.read_bytes() for path in place.rglob("*") if path.is_file()}
        for place in (one, other)
    ]
    names = sorted(contents[0].keys() | contents[1].keys())
    differ = [name for name in names if contents[0].get(name) != contents[1].get(name)]
    print(f"{len(names)} files compared, {len(differ)} differ{': ' if differ else ''}{', '.join(differ[:8])}")
    return len(differ)


if __name__ == "__main__":
    sys.exit(main())
