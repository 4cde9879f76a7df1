"""Print the reliability table: each threat, what it is held to, and the figure measured now.

``uv run python -m tests.bench.reliability`` takes the better part of an hour; ``--quick`` throws a tenth and
takes some minutes; ``--only NAME`` measures one row. The exit code is 1 when a row is not held.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.conftest import REPOSITORY
from tests.reliability import decoding, invariance, privacy, runs, textfiles, writing
from vision.draw import encode_jpeg
from vision.photo import load

SAMPLES = REPOSITORY / "sample_images"
#: Seconds a photo may take in the rows with a hanging worker.
DEADLINE_S = 8.0


@dataclass(frozen=True)
class Row:
    """One line of the table."""

    threat: str
    held_to: str
    figure: str
    held: bool


def _some(count: int, quick: bool) -> int:
    return max(1, count // 10) if quick else count


def bombs(_quick: bool) -> Row:
    found = decoding.throw_bombs(decoding.bombs())
    slowest = max(r["seconds"] for r in found.values())
    most = max(r["grown_mb"] for r in found.values())
    refused = sum(r["outcome"] in {"too_large", "damaged"} for r in found.values())
    return Row(
        "decompression and metadata bombs",
        "refused in < 100 ms, < 50 MB",
        f"{refused} of {len(found)} refused, slowest {slowest * 1000:.0f} ms, most memory {most:.0f} MB",
        refused == len(found) and slowest < 0.1 and most < 50,
    )


def truncated(quick: bool) -> Row:
    tally = decoding.truncated(_some(200, quick))
    return Row(
        "cut-off files, 5 formats",
        "0 measured, 0 uncaught",
        f"{tally.total} files: {tally.measured} measured, {len(tally.uncaught)} uncaught",
        tally.measured == 0 and not tally.uncaught,
    )


def mutated(quick: bool) -> Row:
    start = time.process_time()
    tally = decoding.mutated(_some(10_000, quick))
    took = time.process_time() - start
    return Row(
        "damaged photos",
        "0 uncaught, none > 2 s, closed list of reasons",
        f"{tally.total} in {took:.0f} s: {tally.measured} read, {len(tally.uncaught)} uncaught, "
        f"slowest {tally.slowest_s:.2f} s",
        not tally.uncaught and tally.slowest_s < 2,
    )


def text_files(quick: bool) -> Iterator[Row]:
    for kind, count in (("guide", 2000), ("findings", 5000), ("regions", 5000)):
        tally = textfiles.mutated(kind, _some(count, quick))
        yield Row(
            f"damaged {kind} files",
            "0 uncaught, none > 2 s",
            f"{tally.total}: {tally.outcomes['read']} taken, {tally.outcomes['refused']} refused with a "
            f"line, {len(tally.uncaught)} uncaught, slowest {tally.slowest_s:.2f} s",
            not tally.uncaught and tally.slowest_s < 2,
        )


def strangers(_quick: bool) -> Row:
    tally = decoding.Tally()
    for name, data in decoding.STRANGERS.items():
        tally.throw(data, name)
    return Row(
        "PDF, EPS, SVG and others called photos",
        "typed refusal",
        f"{tally.total - tally.measured} of {tally.total} kinds refused: {dict(tally.outcomes)}",
        tally.measured == 0 and not tally.uncaught,
    )


def orientations(quick: bool) -> Row:
    """Whole records of a face, stored turned in every way in three lossless formats."""
    from pipelines.examine import examine_file

    face = privacy.face(2)
    records = []
    kinds = ("PNG",) if quick else ("PNG", "TIFF", "WEBP")
    with tempfile.TemporaryDirectory() as place:
        for kind in kinds:
            for orientation in range(1, 9):
                path = Path(place) / "face.jpg"
                path.write_bytes(decoding.turned(face, kind, orientation))
                record = examine_file(path).to_json()
                records.append({k: v for k, v in record.items() if k not in {"sha256", "steps"}})
    regions = sum(t["region"] is not None for t in records[0]["traits"])
    same = sum(record == records[0] for record in records)
    blocks = decoding.blocks(decoding.scene(160, 240))
    plain = load(decoding.turned(blocks, "JPEG", 1)).rgb
    jpeg = sum(np.array_equal(load(decoding.turned(blocks, "JPEG", o)).rgb, plain) for o in range(1, 9))
    return Row(
        "8 orientations, 3 formats and JPEG",
        "identical pixels and regions",
        f"{same} of {len(records)} records identical ({regions} regions each), {jpeg} of 8 JPEGs identical",
        same == len(records) and jpeg == 8 and regions > 0,
    )


def colors(_quick: bool) -> Row:
    errors = {name: decoding.color_error(*found) for name, found in decoding.colors().items()}
    measured = [error for error in errors.values() if not isinstance(error, str)]
    refused = Counter(error for error in errors.values() if isinstance(error, str))
    mean, most = (max(values) for values in zip(*measured, strict=True))
    return Row(
        "CMYK, 16 bit, alpha, palette, ICC, animated",
        "ΔE00 mean ≤ 1, max ≤ 3, or refused",
        f"{len(measured)} ways read, worst mean {mean:.2f}, worst patch {most:.2f}; refused: {dict(refused)}",
        mean <= 1 and most <= 3,
    )


def killed_writing(quick: bool) -> Row:
    with tempfile.TemporaryDirectory() as place:
        for name in "ab":
            (Path(place) / name).mkdir()
        last = writing.moments(Path(place) / "a")
        tally = writing.killed_at(list(range(1, last + 1, 10 if quick else 1)), Path(place) / "b")
    return Row(
        "killed while writing",
        "old file or new, no litter",
        f"{tally.moments} moments: {tally.old} old, {tally.new} new, {len(tally.mixed)} mixed, "
        f"{len(tally.litter)} with litter after the next run",
        not tally.mixed and not tally.litter,
    )


def hurt_workers(quick: bool) -> Iterator[Row]:
    for fault in ("dies",) if quick else ("dies", "crashes", "hangs"):
        with tempfile.TemporaryDirectory() as place:
            folder = runs.lot_of(Path(place) / "lot", 6, 2)
            found = runs.hurt_lot(folder, Path(place) / "work", fault, DEADLINE_S)
        limit = DEADLINE_S + 2 if fault == "hangs" else 10
        yield Row(
            f"a worker that {fault} in a lot",
            "others kept, photo named, deadline + 2 s",
            f"{found.kept} of 6 other dolls identical, photo {'' if found.named else 'not '}named, exit "
            f"{found.code}, {found.extra_s:.1f} s more than without, {found.orphans} orphans",
            found.kept == 6
            and found.named
            and found.code == 7
            and found.orphans == 0
            and found.extra_s < limit,
        )


def interruptions(quick: bool) -> Row:
    rng = np.random.default_rng(6)
    moments = [
        ((signal.SIGINT, signal.SIGTERM)[i % 2], int(rng.integers(0, 10)), float(rng.uniform(0, 0.5)))
        for i in range(_some(20, quick))
    ]
    with tempfile.TemporaryDirectory() as place:
        folder = runs.lot_of(Path(place) / "lot", 6, 2)
        found = runs.interrupt_lot(folder, Path(place) / "work", moments)
    slowest = max(f.seconds for f in found)
    figure = (
        f"{len(found)} moments: slowest {slowest:.2f} s, {sum(f.orphans for f in found)} orphans, "
        f"{sum(f.lost for f in found)} kept photos lost, {sum(f.left_over for f in found)} files left over, "
        f"{sum(f.same for f in found)} resumed to the same bytes"
    )
    held = slowest < 2 and all(f.same and not (f.orphans or f.lost or f.left_over) for f in found)
    return Row("Ctrl-C and SIGTERM in a lot", "< 2 s, no orphans, resumes", figure, held)


def bad_among_good(quick: bool) -> Row:
    count = _some(1000, quick)
    with tempfile.TemporaryDirectory() as place:
        bad = runs.bad_files(count // 10, count)
        mixed = runs.folder_of(Path(place) / "mixed", count, bad)
        clean = runs.folder_of(Path(place) / "clean", count, bad)
        for number in bad:
            (clean / f"{number:05d}.jpg").unlink()
        counts = runs.reconcile(mixed, bad, clean, jobs=2)
    good = count - len(bad)
    return Row(
        f"{count} photos, 10 % bad",
        "counts reconcile, others identical",
        f"{counts['photos']} entries, {counts['failed rightly']} of {len(bad)} bad ones named, "
        f"{counts['identical']} of {good} good ones identical to a clean run",
        counts
        == {
            "photos": count,
            "in order": 1,
            "failed": len(bad),
            "failed rightly": len(bad),
            "identical": good,
        },
    )


def jobs_alike(quick: bool) -> Row:
    names = tuning_photos()[:: 8 if quick else 1]
    paths = [SAMPLES / name for name in names]
    outs = [runs.run("measure", *paths, "--json", "-", "--jobs", n, "--quiet").out for n in (1, 2, 3)]
    found = dict.fromkeys(text for other in outs[1:] for text in _differences(outs[0], other))
    told = f"; other than with one job: {'; '.join(found)}" if found else ""
    return Row(
        "jobs 1, 2 and 3",
        "byte-equal JSON",
        f"{len(paths)} sample photos, {len(outs[0]):,} bytes: {len(set(outs))} distinct results{told}",
        len(set(outs)) == 1 and len(json.loads(outs[0])["photos"]) == len(paths),
    )


def _differences(one: bytes, other: bytes) -> Iterator[str]:
    """Say which photos of two results differ, and in which traits."""
    for first, second in zip(*(json.loads(out)["photos"] for out in (one, other)), strict=True):
        if first != second:
            traits = [
                f"{a['trait']} {a['state'] or a['not_measured']} / {b['state'] or b['not_measured']}"
                for a, b in zip(first["traits"], second["traits"], strict=False)
                if a != b
            ]
            yield f"{first['file']} ({', '.join(traits) or 'no trait'})"


def passed_on(_quick: bool) -> Row:
    with tempfile.TemporaryDirectory() as place:
        photos = Path(place) / "lot" / "doll"
        photos.mkdir(parents=True)
        (photos / "face.jpg").write_bytes(privacy.telling_photo(privacy.face()))
        soles = load((SAMPLES / "photos" / "soles_01.jpg").read_bytes()).rgb
        (photos / "soles.jpg").write_bytes(privacy.telling_photo(soles))
        out = Path(place) / "out"
        out.mkdir()
        runs.run("evidence", photos, "--out", out / "evidence", "--quiet")
        runs.run("lot", photos.parent, "--out", out / "lot", "--json", out / "lot.json", "--quiet")
        found = privacy.inspect(out)
    return Row(
        "place, serial number and owner in tags",
        "0 passed on",
        f"{found.files} files, {found.images} pictures: {len(found.leaks)} with any tag",
        not found.leaks and found.images > 5,
    )


_GROWTH = """
import json, sys
from pathlib import Path
from pipelines import batch
from pipelines.examine import examine_file
def memory():
    text = Path("/proc/self/status").read_text()
    return int(text.split("VmRSS:")[1].split()[0]) / 1024
paths = sorted(Path(sys.argv[1]).iterdir())
count = int(sys.argv[2])
batch.one_thread()
sizes = []
for number in range(count):
    examine_file(paths[number % len(paths)])
    if number % 10 == 9:
        sizes.append(memory())
print(json.dumps(sizes))
"""


def growth(quick: bool) -> Row:
    """One worker's memory over 2,000 photos of every view, reduced so that the row ends this hour."""
    count = _some(2000, quick)
    with tempfile.TemporaryDirectory() as place:
        for name in tuning_photos():
            rgb = load((SAMPLES / name).read_bytes()).rgb
            step = max(1, max(rgb.shape) // 400)
            reduced = np.ascontiguousarray(rgb[::step, ::step])
            (Path(place) / name.replace("/", "_")).write_bytes(encode_jpeg(reduced))
        done = subprocess.run(
            [sys.executable, "-c", _GROWTH, place, str(count)],
            check=True,
            stdout=subprocess.PIPE,
            cwd=REPOSITORY,
            env={**os.environ, "OMP_NUM_THREADS": "1"},
        )
    sizes = json.loads(done.stdout)
    # The models are loaded and every view was met once after the first hundred photos.
    warm = float(np.median(sizes[min(10, len(sizes) // 2) :][:3]))
    last = float(np.median(sizes[-3:]))
    return Row(
        f"{count} photos in one worker",
        "< 50 MB growth",
        f"{warm:.0f} MB after 100 photos, {last:.0f} MB at the end, peak {max(sizes):.0f} MB: "
        f"{last - warm:+.0f} MB",
        last - warm < 50,
    )


def properties(quick: bool) -> Iterator[Row]:
    found = [
        pair
        for name in tuning_photos()[:: 7 if quick else 1]
        for pair in invariance.pairs(load((SAMPLES / name).read_bytes(), name))
    ]
    for change in invariance.CHANGES:
        pairs = [pair for pair in found if pair.change == change.name]
        outcomes = Counter(pair.outcome for pair in pairs)
        shifts = np.array([s for p in pairs if p.outcome != "silent" for s in p.shifts.values()])
        within = float(np.mean(shifts <= invariance.COVERAGE))
        yield Row(
            change.name,
            "state kept or withheld; values within 2 u in 95 %",
            f"{len(pairs)} readings: {outcomes['kept']} kept, {outcomes['withheld']} withheld, "
            f"{outcomes['gained']} gained, {outcomes['changed']} changed; {within:.1%} of {len(shifts)} "
            f"values within 2 u, worst {shifts.max():.1f} u",
            outcomes["changed"] == 0 and within >= 0.95,
        )


def tuning_photos() -> list[str]:
    return tomllib.loads((SAMPLES / "split.toml").read_text(encoding="utf-8"))["tuning"]


ROWS: dict[str, Callable[[bool], Row | Iterator[Row]]] = {
    "bomb": bombs,
    "truncated": truncated,
    "mutated": mutated,
    "text": text_files,
    "strangers": strangers,
    "orientation": orientations,
    "color": colors,
    "killed": killed_writing,
    "worker": hurt_workers,
    "interrupt": interruptions,
    "bad": bad_among_good,
    "jobs": jobs_alike,
    "tags": passed_on,
    "memory": growth,
    "properties": properties,
}


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="a tenth of everything")
    parser.add_argument("--only", action="append", choices=sorted(ROWS), help="these rows only")
    options = parser.parse_args()
    held = True
    for name, measure in ROWS.items():
        if options.only and name not in options.only:
            continue
        start = time.monotonic()
        rows = measure(options.quick)
        for row in [rows] if isinstance(rows, Row) else rows:
            mark = "held" if row.held else "NOT HELD"
            print(f"{row.threat}\n    {row.held_to}\n    {mark}: {row.figure}", flush=True)
            held = held and row.held
        print(f"    ({time.monotonic() - start:.0f} s)", flush=True)
    return 0 if held else 1


if __name__ == "__main__":
    sys.exit(main())
