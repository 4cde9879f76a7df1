"""Whether stated uncertainties hold: how many true values fall inside one and two of them.

Run ``uv run python -m tests.bench.coverage`` for the tuning photos, with ``--set checking`` or ``--root DIR``
for others. Each photo with truth is read twice, as it is and with its chart or card left out of
consideration, so that the weaker references are tried as well. For each reference method the table gives the
share of true values within one and within two standard uncertainties (68 % and 95 % are due for normal
errors) and how many there were:

* *neutral*: the ΔE by which a mid gray moves for the error of ``neutral_rgb``, against ``u_delta_e``. An
  error in two directions (red, blue) lies inside one standard uncertainty of its length less often than a
  single number would: 39 % to 68 %, by how elongated it is; so 68 % there is a strict reading.
* *color*: L*, a*, b* of each true surface, read where the true masks say it lies (so that locating is no
  part of it) and blur does not mix it with its neighbors, against the uncertainty of that reading. Shading of
  the surface moves L* and C*; the hue angle is given apart.
* *hue*: the hue angle of surfaces with a true chroma above 8.
* *record*: L*, a*, b* as the records of iris and eyeliner state them, locating and all.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from collections.abc import Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.bench.reach import ROOT, photos_of, truth_path

#: Name of a true surface to the name of its mask.
SURFACES = {
    "lips": "lip_paint",
    "iris": "iris",
    "eyeliner": "eyeliner",
    "skin_exposed": "skin",
    "skin_covered": "skin_covered",
}
_LEAST_PIXELS = 60


@dataclass(frozen=True)
class Pull:
    """One error in units of its stated standard uncertainty; ``error`` keeps its own unit."""

    photo: str
    method: str
    what: str
    pull: float
    error: float
    surface: str = ""


def pulls_of(root: str, name: str) -> list[Pull]:
    """Read one photo with and without its reference; return all errors over their uncertainties."""
    import cv2

    from vision import neutral
    from vision.locate.view import find_places
    from vision.photo import Photo, load

    cv2.setNumThreads(1)
    truth = json.loads(truth_path(Path(root), name).read_text(encoding="utf-8"))
    photo = load((Path(root) / name).read_bytes(), name)
    mask_file = truth_path(Path(root), name).with_suffix(".mask.png")
    classes = _mask(mask_file, photo.rgb.shape[:2])
    faces = find_places(photo).faces
    pulls: list[Pull] = []
    for hidden in (False, True):
        if hidden and not truth.get("reference"):
            continue
        shown = Photo(rgb=_without_reference(photo.rgb, classes, truth)) if hidden else photo
        calibration = neutral.estimate(shown, faces=faces)
        pulls += _neutral_pull(name, truth, calibration)
        if truth["view"] == "face" and faces:
            pulls += _record_pulls(name, truth, calibration, shown, max(faces, key=lambda f: f.width))
        pulls += _color_pulls(name, truth, calibration, photo.rgb, classes)
    return pulls


def _mask(path: Path, shape: tuple[int, ...]) -> NDArray[np.uint8]:
    from PIL import Image

    with Image.open(path) as image:
        mask = np.asarray(image, np.uint8)
    assert mask.shape == shape[:2], path
    return mask


def _without_reference(
    rgb: NDArray[np.uint8], classes: NDArray[np.uint8], truth: Mapping[str, Any]
) -> NDArray[np.uint8]:
    """Paint the chart or card over with what surrounds it."""
    import cv2

    numbers = [int(n) for n, what in truth["mask_classes"].items() if what in ("chart", "card")]
    hole = cv2.dilate(np.isin(classes, numbers).astype(np.uint8), np.ones((9, 9), np.uint8))
    scale = min(1.0, 400 / max(rgb.shape[:2]))
    small, small_hole = (
        cv2.resize(a, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA) for a in (rgb, hole * 255)
    )
    filled = cv2.inpaint(small, (small_hole > 0).astype(np.uint8), 3, cv2.INPAINT_TELEA)
    large = cv2.resize(filled, rgb.shape[1::-1], interpolation=cv2.INTER_CUBIC)
    return np.asarray(np.where(hole[..., None] > 0, large, rgb), np.uint8)


def _neutral_pull(name: str, truth: Mapping[str, Any], calibration: Any) -> Iterator[Pull]:
    from vision.color import lab_to_linear, linear_to_lab

    reference = truth.get("reference") or {}
    on_reference = calibration.method in ("color_chart", "grey_card") and reference.get("neutral_rgb")
    true = np.asarray(reference["neutral_rgb"] if on_reference else truth["neutral_rgb"], float)
    grey = lab_to_linear(np.array([50.0, 0.0, 0.0]))
    seen = linear_to_lab(grey * (true / true[1]) / np.asarray(calibration.neutral_rgb))
    error = float(np.linalg.norm(seen - [50.0, 0.0, 0.0]))
    yield Pull(name, calibration.method, "neutral", error / calibration.u_delta_e, error)


def _true_lab(truth: Mapping[str, Any], surface: str) -> NDArray[np.float64] | None:
    """Return the true color of a surface; None where it has no one color, as an unpainted iris has not."""
    if surface not in truth["surfaces"]:
        return None
    painted = truth["traits"].get("iris_color", {}).get("state") if surface == "iris" else ""
    return None if painted == "unpainted" else np.asarray(truth["surfaces"][surface]["lab"], float)


def _record_pulls(
    name: str, truth: Mapping[str, Any], calibration: Any, photo: Any, face: Any
) -> Iterator[Pull]:
    from vision import eyeliner, iris

    for surface, measure in (("iris", iris.measure), ("eyeliner", eyeliner.measure)):
        true = _true_lab(truth, surface)
        record = measure(photo, face, calibration)
        if true is None or record.state is None or "lab_L" not in record.quantities:
            continue
        for axis, value in zip("Lab", true, strict=True):
            read = record.quantities[f"lab_{axis}"]
            error = read.value - float(value)
            yield Pull(name, calibration.method, f"record {axis}*", error / read.u, error, surface)


def _color_pulls(
    name: str,
    truth: Mapping[str, Any],
    calibration: Any,
    rgb: NDArray[np.uint8],
    classes: NDArray[np.uint8],
) -> Iterator[Pull]:
    import cv2

    from vision.color import hue_difference, read_color, srgb_to_linear

    numbers = {what: int(n) for n, what in truth["mask_classes"].items()}
    for surface, mask_name in SURFACES.items():
        true = _true_lab(truth, surface)
        if true is None:
            continue
        mask = (classes == numbers[mask_name]).astype(np.uint8)
        rim = 2 * round(2 + 2 * float(truth["blur_px"])) + 1
        inside = cv2.erode(mask, np.ones((rim, rim), np.uint8)) > 0
        pixels = rgb[inside]
        pixels = pixels[(pixels < 250).all(axis=1)]
        if len(pixels) < _LEAST_PIXELS:
            continue
        linear = srgb_to_linear(pixels)
        mean = np.median(linear, axis=0)
        # Neighboring pixels share their noise: about one in nine counts.
        covariance = np.cov(linear.T) * 9 * np.pi / 2 / len(pixels)
        reading = read_color(mean, covariance, calibration)
        for k, axis in enumerate(("L*", "a*", "b*")):
            error = float(reading.lab[k] - true[k])
            pull = error / max(float(reading.u_lab[k]), 1e-6)
            yield Pull(name, calibration.method, f"color {axis}", pull, error, surface)
        if np.hypot(*true[1:]) > 8:
            hue = float(np.degrees(np.arctan2(true[2], true[1])))
            error = float(hue_difference(reading.hue, hue))
            yield Pull(name, calibration.method, "hue", error / max(reading.u_hue, 1e-6), error, surface)


def table(pulls: list[Pull]) -> str:
    """Return the figures as text."""
    lines = [
        f"{'reference':<14}{'what':<12}{'n':>5}{'in 1 u':>9}{'in 2 u':>9}{'median error':>14}{'mean':>8}"
    ]
    lines.append(f"{'(due)':<14}{'':<12}{'':>5}{'68 %':>9}{'95 %':>9}")
    groups: dict[tuple[str, str], list[Pull]] = defaultdict(list)
    for pull in pulls:
        groups[pull.method, pull.what].append(pull)
    for (method, what), some in sorted(groups.items()):
        size = np.abs([p.pull for p in some])
        error = np.array([p.error for p in some])
        one, two = (f"{100 * float((size <= k).mean()):.0f} %" for k in (1, 2))
        lines.append(
            f"{method:<14}{what:<12}{len(some):>5}{one:>9}{two:>9}"
            f"{float(np.median(np.abs(error))):>14.2f}{float(error.mean()):>8.2f}"
        )
    return "\n".join(lines)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--set", default="tuning", choices=("checking", "tuning", "all"))
    parser.add_argument("--root", type=Path, default=ROOT, help="folder with split.toml, photos and truth")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--worst", type=int, default=0, help="list so many of the largest errors over u")
    args = parser.parse_args()
    names = photos_of(args.set, args.root)
    with ProcessPoolExecutor(args.jobs) as pool:
        found = pool.map(pulls_of, [str(args.root)] * len(names), names)
        pulls = [pull for some in found for pull in some]
    print(f"{len(names)} {args.set} photos")
    print(table(pulls))
    for pull in sorted(pulls, key=lambda p: -abs(p.pull))[: args.worst]:
        where = f"{pull.method:<12}{pull.what:<10}{pull.surface:<14}{pull.photo}"
        print(f"{pull.pull:>7.1f} u  {pull.error:>8.2f}  {where}")


if __name__ == "__main__":
    main()
