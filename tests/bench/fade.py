"""Skin fade on drawn bodies: how often it is found, how wrong the numbers are, how often light passes for it.

    python -m tests.bench.fade [--bodies 100] [--start 0] [--only faded|unfaded]
    python -m tests.bench.fade --fit --bodies 300 --start 1000

The drawn bodies share nothing with the renderer of the sample photos. Half of them are not faded, and many of
those lie under a cast shadow or a second lamp. ``--fit`` prints the weights of the clues of a clothing line
(:data:`vision.locate.clothing_line.WEIGHTS`) by ridge logistic regression; bodies it was fitted on (1000 to
1299) are no test of it.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import cv2
import numpy as np

from tests.drawn_bodies import Drawing, parts_of, random_body, random_fade, random_phone, shoot
from vision import fade
from vision.calibration import Calibration
from vision.locate import body, clothing_line

#: A body counts as showing fade when at least this share of its bare vinyl was covered, and of ΔE00 1.7.
LEAST_COVERED, LEAST_FADE = 0.02, 1.7


def bodies(start: int, count: int, only: str = "") -> Iterator[tuple[int, Drawing]]:
    """Draw random bodies; the seed is the only choice made."""
    for seed in range(start, start + count):
        rng = np.random.default_rng(seed)
        faded = {"faded": True, "unfaded": False}.get(only, rng.random() < 0.5)
        drawn = random_body(rng, delta=random_fade(rng, rng.uniform(2, 11)) if faded else (0.0, 0.0, 0.0))
        if not faded and rng.random() < 0.4:
            bar = (rng.uniform(0.25, 0.8), rng.uniform(-0.6, 0.6), rng.uniform(0.002, 0.03))
            drawn = replace(drawn, bar=bar)
        yield seed, shoot(drawn, random_phone(rng), rng)


def read(drawing: Drawing, rng: np.random.Generator) -> fade.TraitRecord:
    """Locate and measure one body; every second photo has a gray card."""
    if rng.random() < 0.5:
        red, green, blue = drawing.neutral
        neutral = (red * float(np.exp(rng.normal() * 0.02)), green, blue * float(np.exp(rng.normal() * 0.02)))
        exposure = float(np.exp(rng.normal() * 0.1)) / drawing.exposure
        cal = Calibration("grey_card", neutral, 1.5, exposure, 0.1)
    else:
        cal = Calibration("scene", u_delta_e=8.0)
    return fade.measure(drawing.photo, body.find_line(drawing.photo, parts_of(drawing)), cal)


def shows_fade(drawing: Drawing) -> bool:
    """Whether covered and faded vinyl can be seen in the drawing."""
    share = float((drawing.covered > 0.5).sum()) / max(float(drawing.skin.sum()), 1.0)
    return drawing.delta_e00 >= LEAST_FADE and share >= LEAST_COVERED


def report(start: int, count: int, only: str) -> None:
    """Print the figures."""
    outcome: Counter[str] = Counter()
    errors, scaled = [], []
    for seed, drawing in bodies(start, count, only):
        record = read(drawing, np.random.default_rng(seed + 10**6))
        truth = (
            "shows fade" if shows_fade(drawing) else "unfaded" if drawing.delta_e00 < LEAST_FADE else "hidden"
        )
        outcome[f"{truth}: {record.state or 'withheld'}"] += 1
        if record.state == "faded":
            quantity = record.quantities["delta_e00"]
            if truth == "unfaded":
                print(
                    f"  body {seed} is not faded, but read as {quantity.value:.1f} ({record.confidence:.2f})"
                )
            else:
                errors.append(abs(quantity.value - drawing.delta_e00))
                scaled.append(errors[-1] / quantity.u)
    for name, n in sorted(outcome.items()):
        print(f"{name:24} {n}")
    if errors:
        print(f"error of delta_e00: median {np.median(errors):.2f}, p90 {np.quantile(errors, 0.9):.2f}")
        inside = [float(np.mean(np.asarray(scaled) < k)) for k in (1, 2)]
        print(f"inside 1 u {inside[0]:.0%}, inside 2 u {inside[1]:.0%}")


# --- weights -------------------------------------------------------------------------------------------


def examples(start: int, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Return clues of candidates and whether each is the clothing line.

    One of several lines of a body is one, although it divides the vinyl in another way than all together.
    Candidates that follow a line in part, and faint fade, teach nothing and are left out.
    """
    clues, right = [], []
    for _, drawing in bodies(start, count):
        bare = body.bare_vinyl(drawing.photo, parts_of(drawing))
        if bare is None:
            continue
        truth = _on_view(drawing.covered, bare)
        for candidate in clothing_line.find(bare.features, bare.measurable):
            on_line = _on_line(candidate, truth) if drawing.delta_e00 > 0.7 else 0.0
            is_line = on_line > 0.75 and drawing.delta_e00 >= LEAST_FADE
            if is_line or on_line < 0.3:
                clues.append(clothing_line.evidence(candidate.clues))
                right.append(float(is_line))
    return np.array(clues), np.array(right)


def _on_view(covered: np.ndarray, bare: body.Bare) -> np.ndarray:
    size = (bare.view.shape[1], bare.view.shape[0])
    return cv2.warpAffine((covered > 0.5).astype(np.float32), bare.place.to_view, size) > 0.5


def _on_line(candidate: clothing_line.Candidate, truth: np.ndarray) -> float:
    """Return the share of a candidate's border that lies along a true line."""
    edge = cv2.morphologyEx(truth.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    near = cv2.dilate(edge, np.ones((13, 13), np.uint8)) > 0
    return float(near[candidate.border].mean())


def fit(clues: np.ndarray, right: np.ndarray, ridge: float = 0.01) -> np.ndarray:
    """Return the weights of the clues, the constant last."""
    mean, spread = clues.mean(0), clues.std(0) + 1e-6
    columns = np.column_stack([(clues - mean) / spread, np.ones(len(clues))])
    weights = np.zeros(columns.shape[1])
    for _ in range(60):
        p = 1 / (1 + np.exp(-columns @ weights))
        slope = columns.T @ (p - right) / len(right) + ridge * np.append(weights[:-1], 0)
        bend = (columns * (p * (1 - p))[:, None]).T @ columns / len(right) + ridge * np.eye(len(weights))
        weights -= np.linalg.solve(bend, slope)
    return np.append(weights[:-1] / spread, weights[-1] - (weights[:-1] * mean / spread).sum())


def main() -> None:
    """Run the command."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.fade", description=__doc__)
    parser.add_argument("--bodies", type=int, default=100)
    parser.add_argument("--start", type=int, default=0)
    parser.add_argument("--only", choices=("faded", "unfaded"), default="")
    parser.add_argument("--fit", action="store_true")
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    if arguments.fit:
        clues, right = examples(arguments.start, arguments.bodies)
        print(f"{len(right)} candidates, {right.sum():.0f} of them clothing lines")
        print(np.array2string(fit(clues, right), precision=2, separator=", "))
    else:
        report(arguments.start, arguments.bodies, arguments.only)


if __name__ == "__main__":
    main()
