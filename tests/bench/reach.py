"""How far the measurements reach: every sample photo examined and held against its truth.

Run ``uv run python -m tests.bench.reach`` for the checking photos, with ``--set tuning`` or ``--set all``
for others, ``--root sample_images/second`` for those of the second renderer, ``--told`` to state each photo's
view as a person would, ``--only mark`` for photos whose names begin so, ``--worst`` to list every wrong
answer, ``--json FILE`` to keep the rows.
Photos named ``…_fuse_1_a``, ``…_b`` and so on are one mark under several lights and are read together too.

A state counts as *right*, *wrong* or *withheld*; *wrong at 0.9* are wrong states given at a confidence of
0.9 or more. Photos in which a trait is truly not visible count as right when the tool withholds it and as
wrong when it states something else than the truth allows.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import re
import tomllib
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from vision.network import WITHOUT

ROOT = Path(__file__).resolve().parents[2] / "sample_images"
STATED_PER_PHOTO = (
    "eyeliner_color",
    "iris_color",
    "lip_paint",
    "skin_fade",
    "mark_text",
    "mark_symbol",
    "skin_sheen",
)
STATED_PER_PART = ("foot_holes", "ear_stain")
OF_FACES = ("eyeliner_color", "iris_color", "lip_paint")
#: Fewer pixels of eye white than this, and a photo shows no eyes.
EYES_PX = 60
#: Difference in size (natural logarithm) or place (half lengths of the sole) up to which two holes count as
#: alike, and from which as unlike; in between, feet turned unlike toward the camera leave the truth open.
_ALIKE, _UNLIKE = 0.22, 0.4
_FUSED = re.compile(r"(.*_fuse_\d+)_[a-z]\.jpg$")


@dataclass(frozen=True)
class Row:
    """One answer beside its truth."""

    photo: str
    trait: str
    truth: str
    answer: str | None
    confidence: float
    reason: str | None
    errors: Mapping[str, float]

    @property
    def outcome(self) -> str:
        """``right``, ``wrong`` or ``withheld``."""
        return "withheld" if self.answer is None else "right" if self.answer == self.truth else "wrong"


def photos_of(which: str, root: Path = ROOT) -> list[str]:
    """Return the photos of the split, as paths relative to ``root``."""
    split = tomllib.loads((root / "split.toml").read_text(encoding="utf-8"))
    names = ("tuning", "checking") if which == "all" else (which,)
    return sorted(photo for name in names for photo in split[name])


def truth_path(root: Path, name: str) -> Path:
    """Return where the truth of a sample photo lies."""
    return (root / "truth" / name).with_suffix(".json")


def truth_of(root: Path, name: str) -> dict[str, Any]:
    """Return the truth of a sample photo, and whether its mask shows eyes.

    The first renderer's bodies say nothing of their faces, ears and sheen: what is read off a face that is
    truly in view is then neither right nor wrong.
    """
    path = truth_path(root, name)
    truth: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    whites = [int(number) for number, part in truth["mask_classes"].items() if part == "eye_white"]
    with Image.open(path.with_suffix(".mask.png")) as mask:
        truth["eyes_in_view"] = int(np.isin(np.asarray(mask), whites).sum()) >= EYES_PX
    return truth


def edit_distance(a: str, b: str) -> int:
    """Levenshtein distance of two strings."""
    row = list(range(len(b) + 1))
    for i, x in enumerate(a, 1):
        previous, row[0] = row[0], i
        for j, y in enumerate(b, 1):
            previous, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, previous + (x != y))
    return row[-1]


def _letters(lines: Iterable[str]) -> str:
    """Join lines and keep letters and digits; signs are judged apart."""
    return "".join(c for c in "".join(lines).upper() if c.isascii() and c.isalnum())


def _error_rate(lines: Sequence[str], read: Sequence[str]) -> float:
    """Return the character error rate; a sign, whether read as such, as TM or not at all, costs nothing."""
    least = min(
        edit_distance(_letters(want), _letters(line.replace("™", "TM") for line in read))
        for want in (lines, [line.replace("™", "TM") for line in lines])
    )
    return least / max(len(_letters(lines)), 1)


def examine_one(job: tuple[str, str, str | None]) -> tuple[str, dict[str, Any]]:
    """Examine one photo in a worker, its view stated or not; returns its name and its JSON record."""
    import cv2

    from pipelines.examine import examine
    from vision.photo import load
    from vision.traits import View

    cv2.setNumThreads(1)
    root, name, view = job
    photo = load((Path(root) / name).read_bytes(), name)
    return name, examine(photo, view=View(view) if view else None).to_json()


def fused_rows(root: Path, names: Sequence[str]) -> Iterator[Row]:
    """Read each mark that was photographed under several lights from all its photos together."""
    from pipelines.fuse import run

    groups: dict[str, list[str]] = defaultdict(list)
    for name in names:
        if match := _FUSED.match(name):
            groups[match[1]].append(name)
    for stem, some in sorted(groups.items()):
        truth = json.loads(truth_path(root, some[0]).read_text(encoding="utf-8"))
        traits = {str(t.trait): t.to_json() for t in run([root / n for n in sorted(some)]).traits}
        for trait in ("mark_text", "mark_symbol"):
            row = _row(stem, trait, truth["traits"][trait], traits.get(trait))
            rates = [v for k, v in row.errors.items() if k.startswith("CER")]
            yield replace(row, trait=f"{trait} fused", errors={"CER, fused": rates[0]} if rates else {})


def rows_of(name: str, truth: Mapping[str, Any], record: Mapping[str, Any]) -> Iterator[Row]:
    """Yield one row for each answer the truth allows to judge."""
    view = record["view"]
    yield Row(name, "view", truth["view"], view["state"], view["confidence"], None, {})
    yield from _reference_row(name, truth, record)
    by_trait: dict[str, list[Mapping[str, Any]]] = defaultdict(list)
    for trait in record["traits"]:
        by_trait[trait["trait"]].append(trait)
    if truth["view"] == "crowd":
        heads = {t["part"] for t in record["traits"] if t["part"]}
        n_true = len(truth["places"]["head_boxes"])
        yield Row(name, "crowd_heads", str(n_true), str(len(heads)), 1.0, None, {})
        return
    for trait in STATED_PER_PHOTO:
        expected = truth["traits"].get(trait)
        if expected and expected.get("state") is not None:
            yield _row(name, trait, expected, by_trait[trait][0] if by_trait[trait] else None)
        elif trait != "skin_sheen" and not (trait in OF_FACES and truth["eyes_in_view"]):
            for extra in by_trait[trait]:
                if extra["state"] not in (None, "absent", "none"):
                    yield Row(name, trait, "(not in view)", extra["state"], extra["confidence"], None, {})
    yield from _feet_row(name, truth, by_trait["feet_match"])
    for trait in STATED_PER_PART:
        found = {r["part"]: r for r in by_trait[trait]}
        for expected in truth["traits"].get(trait) or []:
            yield _row(name, trait, expected, found.pop(expected["part"], None))
        silent = trait == "ear_stain" and trait not in truth["traits"] and truth["eyes_in_view"]
        for extra in found.values():
            if extra["state"] not in (None, "none") and not silent:
                yield Row(name, trait, "(no such part)", extra["state"], extra["confidence"], None, {})


def _feet_row(name: str, truth: Mapping[str, Any], got: Sequence[Mapping[str, Any]]) -> Iterator[Row]:
    """Yield whether both feet match, where the truth is clear: in kind, and in size and place of holes."""
    feet = truth["traits"].get("foot_holes") or []
    if len(feet) != 2:
        return
    apart = 0.0 if feet[0]["state"] == feet[1]["state"] else math.inf
    if apart == 0.0 and feet[0]["state"] != "none":
        soles = {sole["part"]: sole["outline"] for sole in truth["places"]["soles"]}
        one, other = (_within(soles[foot["part"]], foot) for foot in feet)
        apart = max(abs(one[0] - other[0]), abs(math.log(one[1] / other[1])))
    if not _ALIKE < apart < _UNLIKE:
        state = "alike" if apart <= _ALIKE else "differ"
        yield _row(name, "feet_match", {"state": state}, got[0] if got else None)


def _within(outline: Sequence[Sequence[float]], foot: Mapping[str, Any]) -> tuple[float, float]:
    """Return where a hole lies along its sole, from the middle over the half length, and its size over that.

    Feet of one doll point the same way in a picture: downward counts as forward.
    """
    points = np.asarray(outline, float)
    axis = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][0]
    axis = axis if axis[1] > 0 else -axis
    low, high = np.quantile(points @ axis, (0.0, 1.0))
    hole = (foot.get("holes") or [foot])[0]
    half = float(high - low) / 2
    return float(np.asarray(hole["center"]) @ axis - (low + high) / 2) / half, hole["diameter_px"] / half


def _reference_row(name: str, truth: Mapping[str, Any], record: Mapping[str, Any]) -> Iterator[Row]:
    calibration = record["calibration"]
    if not calibration or not truth.get("neutral_rgb"):
        return
    reference = truth.get("reference")
    read = np.asarray(calibration["neutral_rgb"]) / calibration["neutral_rgb"][1]

    def error(true: Sequence[float]) -> float:
        return float(np.abs(read / (np.asarray(true) / true[1]) - 1).max())

    kind = reference["kind"] if reference and reference.get("wholly_in_view", True) else "no card"
    method = calibration["method"]
    stated = method if method in ("grey_card", "color_chart") else "no card"
    errors = {f"neutral error, {method}": error(truth["neutral_rgb"])}
    # Light that bounces off colored things falls on the card too; the lamp's color alone does not have it.
    if reference and kind == stated and reference.get("neutral_rgb"):
        errors[f"neutral error on the reference, {method}"] = error(reference["neutral_rgb"])
    yield Row(name, "white reference", kind, stated, 1.0, None, errors)


def _row(name: str, trait: str, expected: Mapping[str, Any], got: Mapping[str, Any] | None) -> Row:
    if got is None:
        return Row(name, trait, expected["state"], None, 0.0, "no record", {})
    errors: dict[str, float] = {}
    quantities = got["quantities"]
    for key in ("coverage_total", "beyond_border", "delta_e00", "highlight_fraction"):
        if key in quantities and expected.get(key) is not None:
            errors[key] = abs(quantities[key]["value"] - expected[key])
            if key == "delta_e00":
                errors["delta_e00 error / u"] = errors[key] / max(quantities[key]["u"], 1e-6)
    if trait == "mark_text" and expected.get("lines"):
        read = [line["text"] for line in got.get("text") or ()]
        errors[f"CER, {expected.get('light', 'light unknown')}"] = _error_rate(expected["lines"], read)
    return Row(name, trait, expected["state"], got["state"], got["confidence"], got["not_measured"], errors)


def table(rows: list[Row]) -> str:
    """Return the figures as text."""
    lines = [f"{'trait':<18}{'answers':>8}{'right':>7}{'wrong':>7}{'withheld':>10}{'wrong at 0.9':>14}"]
    by_trait: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        by_trait[row.trait].append(row)
    for trait, some in sorted(by_trait.items()):
        count = Counter(row.outcome for row in some)
        sure = sum(row.outcome == "wrong" and row.confidence >= 0.9 for row in some)
        lines.append(
            f"{trait:<18}{len(some):>8}{count['right']:>7}{count['wrong']:>7}{count['withheld']:>10}{sure:>14}"
        )
    lines += ["", f"{'error of':<34}{'n':>4}{'median':>10}{'p90':>10}{'worst':>10}"]
    errors: dict[str, list[float]] = defaultdict(list)
    for row in rows:
        for key, value in row.errors.items():
            errors[key].append(value)
    for key, values in sorted(errors.items()):
        q = np.quantile(values, (0.5, 0.9, 1.0))
        lines.append(f"{key:<34}{len(values):>4}{q[0]:>10.3f}{q[1]:>10.3f}{q[2]:>10.3f}")
    lines += ["", f"{'stated confidence':<22}{'answers':>8}{'right':>8}"]
    stated = [
        row for row in rows if row.answer is not None and row.trait not in ("white reference", "crowd_heads")
    ]
    for low, high in ((0.6, 0.7), (0.7, 0.8), (0.8, 0.9), (0.9, 0.95), (0.95, 1.01)):
        some = [row for row in stated if low <= row.confidence < high]
        right = f"{sum(r.outcome == 'right' for r in some) / len(some):.2f}" if some else "–"
        lines.append(f"{f'{low:.2f} – {min(high, 1):.2f}':<22}{len(some):>8}{right:>8}")
    return "\n".join(lines)


def main() -> None:
    """Print the reach table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--set", default="checking", choices=("checking", "tuning", "all"))
    parser.add_argument("--root", type=Path, default=ROOT, help="folder with split.toml and the photos")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", default="", help="photos whose file name begins so, such as mark")
    parser.add_argument("--told", action="store_true", help="state each photo's view, as --view does")
    parser.add_argument("--worst", action="store_true", help="list wrong and withheld answers")
    parser.add_argument("--json", type=Path)
    parser.add_argument("--without-network", action="store_true", help="as if no network of parts were there")
    args = parser.parse_args()
    if args.without_network:
        os.environ[WITHOUT] = "1"
    names = [n for n in photos_of(args.set, args.root) if Path(n).name.startswith(args.only)]
    truths = {n: truth_of(args.root, n) for n in names}
    jobs = [(str(args.root), n, truths[n]["view"] if args.told else None) for n in names]
    rows: list[Row] = []
    with ProcessPoolExecutor(args.jobs) as pool:
        for name, record in pool.map(examine_one, jobs):
            rows += rows_of(name, truths[name], record)
    rows += fused_rows(args.root, names)
    print(f"{len(names)} {args.set} photos{' named ' + args.only + '…' if args.only else ''}")
    print(table(rows))
    if args.worst:
        print()
        for row in sorted(rows, key=lambda r: (r.trait, r.outcome, r.photo)):
            if row.outcome != "right":
                print(
                    f"{row.outcome:<9}{row.trait:<16}{row.photo:<44}truth {row.truth:<12} "
                    f"said {row.answer or row.reason} ({row.confidence:.2f}) {dict(row.errors)}"
                )
    if args.json:
        args.json.write_text(json.dumps([row.__dict__ | {"outcome": row.outcome} for row in rows], indent=1))


if __name__ == "__main__":
    main()
