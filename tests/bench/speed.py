"""What the work costs, as one table: run ``uv run python -m tests.bench.speed``.

The figures are ratios within one run, so that tables of different machines compare: a photo's cost in strict
Pillow decodes of the same file, two workers over one, a large lot over a small one, a run again over the
first, the program's start over Python's, a plain script over rakelight. What they were made of and the budget
stand beside each. ``--short`` takes some six minutes on two cores, the whole table an hour; ``--only
SECTION,…`` runs parts. Photos are made of the tuning photos in a temporary folder.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from tests import icc
from tests.bench import photos as made
from tests.bench.photos import Like

REPOSITORY = Path(__file__).resolve().parents[2]
SECTIONS = ("stages", "marks", "networks", "loading", "jobs", "memory", "counts", "start", "plain")
VIEWS = ("face", "body", "soles", "mark", "crowd", "other")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--short", action="store_true", help="fewer and smaller photos")
    parser.add_argument("--only", default=",".join(SECTIONS), help="sections: " + ", ".join(SECTIONS))
    parser.add_argument("--memory-of", type=Path, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.memory_of:
        _report_memory(arguments.memory_of)
        return
    one_thread()
    with tempfile.TemporaryDirectory() as place:
        for name in arguments.only.split(","):
            print(f"\n{name}", flush=True)
            for row in globals()[f"_{name}"](Path(place), arguments.short):
                print(f"  {row.what:40s} {row.ratio:>9s}  {row.budget:9s}  {row.facts}", flush=True)


def one_thread() -> None:
    """Everything is measured with one thread, as workers run."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    from pipelines import batch

    batch.one_thread()


class Row(NamedTuple):
    """One line of the table: what, the ratio, its budget (empty: none), and what the ratio is made of."""

    what: str
    ratio: str
    budget: str = ""
    facts: str = ""


# -- a photo by stage ---------------------------------------------------------------------------------


class Clock:
    """CPU seconds by stage; stages inside others are counted once, where they belong."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)

    @contextlib.contextmanager
    def __call__(self, stage: str) -> Iterator[None]:
        start = time.process_time()
        yield
        self.seconds[stage] += time.process_time() - start

    def wrap(self, stage: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def timed(*arguments: Any, **rest: Any) -> Any:
            with self(stage):
                return function(*arguments, **rest)

        return timed


def strict_decode(data: bytes) -> float:
    """CPU seconds of what any program must do: decode all pixels with Pillow; the least of three."""
    from PIL import Image

    def once() -> float:
        start = time.process_time()
        with Image.open(io.BytesIO(data)) as image:
            image.load()
        return time.process_time() - start

    return min(once() for _ in range(3))


def _stages(place: Path, short: bool) -> Iterator[Row]:
    """Cost of each stage over a strict decode, by what the photo shows."""
    from pipelines import pictures
    from pipelines.examine import Request, examine_photo
    from vision import likeness, mark_text, neutral
    from vision.locate import view
    from vision.photo import load

    like = Like(megapixels=2.0 if short else 12.0)
    sources = made.samples()
    warm = load(made.make(sources["face"][0], 1, Like(1.0)), "warm")
    examine_photo(warm, Request(), "warm")
    examine_photo(load(made.make(sources["mark"][0], 1, Like(1.0)), "warm"), Request(), "warm")
    stages = ("load", "locate", "white", "read mark", "measure", "draw", "print")
    yield Row("in strict decodes of the same file", "all", "", " ".join(f"{s:>9s}" for s in stages))
    for shown in VIEWS:
        clocks, decode, size, stated = Clock(), 0.0, 0, set()
        for number, source in enumerate(sources[shown][: 1 if short else 3]):
            data = made.make(source, 50 + number, like)
            decode += strict_decode(data)
            size += len(data)
            with clocks("load"):
                photo = load(data, source.name)
                _ = photo.small
            with (
                _patched(view, "find_places", clocks.wrap("locate", view.find_places)),
                _patched(neutral, "estimate", clocks.wrap("white", neutral.estimate)),
                _patched(mark_text, "measure", clocks.wrap("read mark", mark_text.measure)),
                clocks("all"),
            ):
                record = examine_photo(photo, Request(), source.name)
            stated.add("?" if record.view is None else str(record.view.state))
            with clocks("draw"):
                pictures.draw(photo, record)
            with clocks("print"):
                likeness.fingerprint(photo)
        spent = clocks.seconds
        spent["measure"] = spent["all"] - spent["locate"] - spent["white"]  # the reading of marks included
        total = spent["load"] + spent["all"]
        cells = " ".join(f"{spent[stage] / decode:9.1f}" for stage in stages)
        number = min(len(sources[shown]), 1 if short else 3)
        yield Row(
            f"{shown}, {like.megapixels:.0f} MP, {size / number / 1e6:.1f} MB",
            f"{total / decode:.1f} ×",
            "≤ 1.5 s" if shown == "mark" else "≤ 4 ×",
            f"{cells}   {total / number:.2f} s; {1000 * decode / number:.0f} ms a decode; "
            f"taken for {', '.join(sorted(stated))}",
        )


def _marks(place: Path, short: bool) -> Iterator[Row]:
    """Cost of reading a mark, text and sign, over a strict decode, by who does the work; without locating."""
    from vision import mark_map, mark_reader, mark_signs, mark_symbol, mark_text
    from vision.locate.mark import find_marks
    from vision.ocr import RapidEngine, default_engine
    from vision.photo import load

    parts = {
        "finds": (RapidEngine, "find"),
        "reads": (RapidEngine, "recognize"),
        "own map": (mark_map, "look"),
        "own reader": (mark_reader, "scores"),
        "signs": (mark_signs, "find_signs"),
    }
    like = Like(megapixels=2.0 if short else 12.0)
    sources = made.samples()["mark"]
    engine = default_engine()
    yield Row("in strict decodes of the same file", "all", "", " ".join(f"{part:>10s}" for part in parts))
    for number, source in enumerate([sources[0], *sources[: 2 if short else None]]):
        clocks = Clock()
        data = made.make(source, 50 + number, like)
        decode = strict_decode(data)
        photo = load(data, source.name)
        places = find_marks(photo)
        with contextlib.ExitStack() as patches:
            for part, (owner, name) in parts.items():
                patches.enter_context(_patched(owner, name, clocks.wrap(part, getattr(owner, name))))
            with clocks("all"):
                text = mark_text.measure(photo, places, engine)
                mark_symbol.measure(photo, places, text)
        if number == 0:
            continue  # it loaded the networks
        spent = clocks.seconds
        cells = " ".join(f"{spent[part] / decode:10.1f}" for part in parts)
        yield Row(
            f"{source.parent.name}/{source.stem}, {len(text.text or ())} lines",
            f"{spent['all'] / decode:.1f} ×",
            "≤ 1.5 s",
            f"{cells}   {spent['all']:.2f} s; {1000 * decode:.0f} ms a decode",
        )


@contextlib.contextmanager
def _patched(module: Any, name: str, value: Any) -> Iterator[None]:
    kept = getattr(module, name)
    setattr(module, name, value)
    try:
        yield
    finally:
        setattr(module, name, kept)


def _networks(place: Path, short: bool) -> Iterator[Row]:
    """What each network costs that is asked of a photo of a face."""
    from vision.locate import parts
    from vision.locate.face import find_faces
    from vision.photo import load

    data = made.make(made.samples()["face"][0], 1, Like(2.0 if short else 12.0))
    decode = strict_decode(data)
    for name, ask in (
        ("parts", lambda photo, face: parts.of_photo(photo)),
        ("face", parts.of_face),
        ("mouth", parts.of_mouth),
    ):
        spent = []
        for _ in range(4):  # the first call opens the network
            photo = load(data, "a")
            face = max(find_faces(photo), key=lambda face: face.width)
            spent.append(_cpu(lambda photo=photo, face=face, ask=ask: ask(photo, face)))
        least = min(spent[1:])
        yield Row(
            f"the {name} network",
            f"{least / decode:.1f} ×",
            "",
            f"a strict decode; {1000 * least:.0f} ms of CPU",
        )


def _loading(place: Path, short: bool) -> Iterator[Row]:
    """What orientation and color profiles add to a strict decode."""
    from PIL import Image

    from vision.photo import load

    plain = made.make(made.samples()["face"][0], 1, Like(2.0 if short else 12.0))
    decode = strict_decode(plain)
    wide = icc.rgb_profile("Wide", icc.DISPLAY_P3_D50)
    variants: dict[str, dict[str, Any]] = {
        "as it is": {},
        "turned by its Exif": {"exif": _turned()},
        "with a wide-gamut profile": {"icc_profile": wide},
    }
    for name, extra in variants.items():
        buffer = io.BytesIO()
        with Image.open(io.BytesIO(plain)) as image:
            image.save(buffer, "JPEG", quality=92, **extra)
        data = buffer.getvalue()
        spent = min(_cpu(lambda data=data: load(data, "a")) for _ in range(3))
        yield Row(f"load, {name}", f"{spent / decode:.1f} ×", "", "a strict decode")


def _turned() -> Any:
    from PIL import Image

    exif = Image.Exif()
    exif[0x0112] = 6
    return exif


def _cpu(call: Callable[[], Any]) -> float:
    start = time.process_time()
    call()
    return time.process_time() - start


# -- many photos --------------------------------------------------------------------------------------


def _jobs(place: Path, short: bool) -> Iterator[Row]:
    """Photos a second with one worker and with two, both as processes, without their start."""
    paths = made.fill(place / "jobs", 2 if short else 6, 6, Like(2.0 if short else 12.0))
    decode = _mean_decode(paths)
    rates, costs = {}, {}
    for jobs in (1, 2):
        before = _children()
        rates[jobs] = _rate(paths, jobs)
        costs[jobs] = (_children() - before) / len(paths)
        yield Row(
            f"a photo of a lot, {jobs} worker{'s' * (jobs > 1)}",
            f"{costs[jobs] / decode:.1f} ×",
            "≥ 3/s" if jobs == 2 else "",
            f"a strict decode, in CPU, start of the workers included; {rates[jobs]:.2f} photos/s by the "
            f"clock, of {len(paths)}, examined and drawn",
        )
    load = f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
    yield Row("photos/s, two workers over one", f"{rates[2] / rates[1]:.2f} ×", "≥ 1.7 ×", load)
    yield Row("CPU a photo, two workers over one", f"{costs[2] / costs[1]:.2f} ×")


def _mean_decode(paths: Sequence[Path]) -> float:
    some = paths[:: max(1, len(paths) // 6)]
    return sum(strict_decode(path.read_bytes()) for path in some) / len(some)


def _rate(paths: Sequence[Path], jobs: int) -> float:
    from pipelines import batch
    from pipelines.pictures import SEE, Sight

    times: list[float] = []
    processes = batch.Processes(jobs)
    try:
        sights = [Sight(path, path.name) for path in paths]
        processes.run(SEE, sights, lambda _i, _seen: times.append(time.perf_counter()))
    finally:
        processes.close()
    # The first results carry the workers' start and the models' loading.
    first = 2 * jobs
    return (len(times) - first) / (times[-1] - times[first - 1])


def _memory(place: Path, short: bool) -> Iterator[Row]:
    """Peak memory of a worker, and its growth after it has seen each view."""
    folder = place / "memory"
    made.fill(folder, 1 if short else 4, 6, Like(2.0 if short else 12.0), seed=5)
    said = subprocess.run(
        [sys.executable, "-m", "tests.bench.speed", "--memory-of", str(folder)],
        check=True,
        capture_output=True,
        text=True,
        cwd=REPOSITORY,
    ).stdout
    facts = json.loads(said.splitlines()[-1])
    pixels = 3 * (2.0 if short else 12.0)
    yield Row(
        "peak of a worker",
        f"{facts['peak'] / pixels:.1f} ×",
        "≤ 700 MB",
        f"a photo's pixels; {facts['peak']:.0f} MB after {facts['photos']} photos, with all models",
    )
    yield Row(
        "growth after six photos", f"{facts['growth'] / pixels:+.1f} ×", "", f"{facts['growth']:+.0f} MB"
    )


def _report_memory(folder: Path) -> None:
    """Look at photos in this process; print its memory as JSON."""
    import resource

    from pipelines import batch
    from pipelines.pictures import Sight, see

    one_thread()
    levels = []
    for path in sorted(folder.rglob("*.jpg")):
        batch.guarded(see, Sight(path, path.name), batch.DEADLINE_S)
        levels.append(int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGESIZE") / 1e6)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    print(
        json.dumps(
            {"peak": peak, "growth": levels[-1] - levels[min(5, len(levels) - 1)], "photos": len(levels)}
        )
    )


def _counts(place: Path, short: bool) -> Iterator[Row]:
    """Cost a photo of a whole lot as it grows, and of running it again unchanged; small photos."""
    from pipelines import lot

    first = 0.0
    for count in (12, 48) if short else (50, 200, 1000):
        folder = place / f"count_{count}"
        made.fill(folder, count // 5, 5, Like(0.4, noise=1.5, quality=85), seed=count)
        out = place / f"out_{count}"
        paths = sorted(folder.rglob("*.jpg"))
        cpu, clock = time.process_time() + _children(), time.perf_counter()
        lot.run(folder, guide="verity", out=out, jobs=2)
        cpu, clock = time.process_time() + _children() - cpu, time.perf_counter() - clock
        again = time.perf_counter()
        lot.run(folder, guide="verity", out=out, jobs=2)
        again = time.perf_counter() - again
        each = cpu / len(paths)
        first = first or each
        yield Row(
            f"a photo of {len(paths)}, over the smallest lot's",
            f"{each / first:.2f} ×",
            "flat",
            f"{each / _mean_decode(paths):.0f} strict decodes, {1000 * each:.0f} ms of CPU for 0.4 MP, start "
            "of the workers included",
        )
        yield Row(
            f"{len(paths)} run again, over the first run",
            f"{again / clock:.3f} ×",
            "≥ 100/s",
            f"{len(paths) / again:.0f} photos/s, unchanged",
        )


def _children() -> float:
    import resource

    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


# -- the program itself -------------------------------------------------------------------------------


def _start(place: Path, short: bool) -> Iterator[Row]:
    """How long ``rakelight --help`` takes, and what it imports."""
    script = "import sys\nfrom pipelines.cli import main\nsys.argv = ['rakelight', '--help']\nmain()"
    command = [sys.executable, "-c", script]

    def once() -> float:
        start = _children()
        subprocess.run(command, check=True, capture_output=True, cwd=REPOSITORY)
        return _children() - start

    def bare() -> float:
        start = _children()
        subprocess.run([sys.executable, "-c", "pass"], check=True, cwd=REPOSITORY)
        return _children() - start

    spent, empty = min(once() for _ in range(5)), min(bare() for _ in range(5))
    yield Row(
        "rakelight --help, over Python alone", f"{spent / empty:.1f} ×", "≤ 0.4 s", f"{spent:.2f} s of CPU"
    )
    heavy = ["cv2", "numpy", "PIL", "scipy", "skimage", "onnxruntime", "rapidocr", "mediapipe", "distributed"]
    check = f"import json, sys, pipelines.cli\nprint(json.dumps([m for m in {heavy!r} if m in sys.modules]))"
    said = subprocess.run(
        [sys.executable, "-c", check], check=True, capture_output=True, text=True, cwd=REPOSITORY
    ).stdout.strip()
    yield Row("heavy modules that it imports", str(len(json.loads(said))), "0", said)


def _plain(place: Path, short: bool) -> Iterator[Row]:
    """Against a plain script that takes scikit-image's functions to all pixels."""
    from pipelines.examine import Request, examine_photo
    from vision.photo import load

    views = ("face",) if short else ("face", "soles")
    for shown in views:
        data = made.make(made.samples()[shown][0], 9, Like(12.0))
        decode = strict_decode(data)
        own = _cpu(lambda data=data: examine_photo(load(data, "a"), Request(), "a"))
        plain = _cpu(lambda data=data: plain_script(data))
        yield Row(
            f"{shown}: plain script over rakelight",
            f"{plain / own:.1f} ×",
            "",
            f"{plain / decode:.0f} against {own / decode:.0f} strict decodes",
        )


def plain_script(data: bytes) -> dict[str, float]:
    """What one would write at first: colors, edges, regions and relief of the whole photo."""
    from PIL import Image
    from skimage import color, exposure, feature, filters, measure, util

    with Image.open(io.BytesIO(data)) as image:
        rgb = util.img_as_float(np.asarray(image.convert("RGB")))
    lab = color.rgb2lab(rgb)
    light = filters.gaussian(lab[..., 0], 2)
    regions = measure.label(light > filters.threshold_otsu(light))
    table = measure.regionprops_table(regions, properties=("area", "eccentricity", "solidity"))
    edges = feature.canny(light / 100, 2)
    relief = exposure.equalize_adapthist(np.clip(light / 100, 0, 1))
    hue = np.degrees(np.arctan2(lab[..., 2], lab[..., 1]))
    return {
        "regions": float(len(table["area"])),
        "edges": float(edges.mean()),
        "relief": float(relief.std()),
        "hue": float(np.median(hue)),
    }


if __name__ == "__main__":
    main()
