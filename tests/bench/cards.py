"""Small gray cards laid into photos: how many are found, how wrong white is, what passes for a card.

    python -m tests.bench.cards [--cards 60] [--start 0] [--least 0.05] [--most 0.10] [--worst]
    python -m tests.bench.cards --none FILE…

Cards of 12 to 36 % lie in the tuning photos that show none, at any turn, tilted to 40°, some part shaded,
under the photo's own light, with a photo's blur, noise and JPEG added; ``--least`` and ``--most`` bound their
long side as a share of the photo's. ``--none`` reads photos without a card; whatever is found there is false.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.bench.reach import ROOT, photos_of, truth_path
from tests.drawn_colors import Camera, put
from vision import neutral
from vision.card import CardReading, find_card
from vision.color import srgb_to_linear
from vision.photo import Photo, load


@dataclass(frozen=True)
class Laid:
    """A photo with a card laid in: where its corners are, what neutral reads, how long its long side is."""

    photo: Photo
    name: str
    corners: NDArray[np.float64]
    neutral: tuple[float, float, float]
    width_px: float


def laid(start: int, count: int, least: float, most: float) -> Iterator[Laid]:
    """Lay cards in; the seed is the only choice made."""
    names = [name for name in photos_of("tuning", ROOT) if not _truth(name).get("reference")]
    for seed in range(start, start + count):
        rng = np.random.default_rng(seed)
        name = names[seed % len(names)]
        rgb = load((ROOT / name).read_bytes(), name).rgb
        red, green, blue = _truth(name)["neutral_rgb"]
        truth = (red / green, 1.0, blue / green)
        scene = srgb_to_linear(rgb) / truth
        size = float(rng.uniform(least, most)) * max(rgb.shape[:2])
        reflectance = float(rng.choice([0.12, 0.18, 0.18, 0.36]))
        face = np.full((200, round(200 * rng.uniform(1.15, 1.5)), 3), reflectance)
        if rng.random() < 0.3:
            edge = rng.uniform(0.3, 0.7) * face.shape[1]
            face = face * (1 - 0.5 / (1 + np.exp((edge - np.arange(face.shape[1])) / 12)))[None, :, None]
        room = 0.75 * size
        middle = (
            float(rng.uniform(room, rgb.shape[1] - room)),
            float(rng.uniform(room, rgb.shape[0] - room)),
        )
        light = float(rng.uniform(0.7, 1.1) * np.quantile(scene.mean(axis=2), 0.95))
        turn, tilt = rng.uniform(0, 360), rng.uniform(0, 40)
        corners = put(scene, face, middle, size, turn, tilt, light)
        camera = Camera(truth, rng.uniform(0.003, 0.02), rng.uniform(0.4, 0.9), int(rng.integers(75, 95)))
        yield Laid(camera.shoot(scene, rng), name, corners, truth, size)


def _truth(name: str) -> dict[str, object]:
    found: dict[str, object] = json.loads(truth_path(ROOT, name).read_text(encoding="utf-8"))
    return found


def report(start: int, count: int, least: float, most: float, worst: bool) -> None:
    """Print the figures."""
    errors, seconds, elsewhere = [], 0.0, 0
    for k, one in enumerate(laid(start, count, least, most)):
        begin = time.process_time()
        card, why = _search(one.photo)
        seconds += time.process_time() - begin
        what = f"{start + k:4} {one.name:28}{one.width_px:5.0f} px  "
        if card is None:
            if worst:
                print(f"{what}not found: {' / '.join(why) or 'no outline'}")
            continue
        on_it = (
            cv2.pointPolygonTest(one.corners.astype(np.float32), card.corners.mean(axis=0).tolist(), False)
            > 0
        )
        elsewhere += not on_it
        off = float(np.abs(card.linear / card.linear[1] / one.neutral - 1).max())
        if on_it:
            errors.append(off)
        if worst and (not on_it or off > 0.08):
            print(f"{what}{'off by ' if on_it else 'FALSE, off by '}{100 * off:.0f} %")
    print(
        f"{len(errors)} of {count} found, {elsewhere} times something else; "
        f"{seconds / count:.2f} s of CPU a search"
    )
    if errors:
        print(
            "neutral off by "
            + " / ".join(f"{100 * float(np.quantile(errors, q)):.1f}" for q in (0.5, 0.9, 1))
            + " %"
        )


def _search(photo: Photo) -> tuple[CardReading | None, tuple[str, ...]]:
    scene = neutral._scene(photo)
    return find_card(photo.rgb, *((np.zeros(2), neutral._U_BALANCE_LOG) if scene is None else scene))


def main() -> None:
    """Run the command."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.cards", description=__doc__)
    parser.add_argument("--cards", type=int, default=60)
    parser.add_argument("--start", type=int, default=0)
    parser.add_argument("--least", type=float, default=0.05)
    parser.add_argument("--most", type=float, default=0.10)
    parser.add_argument("--worst", action="store_true")
    parser.add_argument("--none", type=Path, nargs="+", default=())
    said = parser.parse_args()
    cv2.setNumThreads(1)
    if said.none:
        for path in said.none:
            method = neutral.estimate(load(path.read_bytes(), path.name)).method
            if method in ("grey_card", "color_chart"):
                print(f"{path.name}: {method}")
        print(f"{len(said.none)} photos without a card read")
        return
    report(said.start, said.cards, said.least, said.most, said.worst)


if __name__ == "__main__":
    main()
