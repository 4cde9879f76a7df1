"""Photos of the size that phones take, made of the sample photos; no two are the same file."""

from __future__ import annotations

import json
import tomllib
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from pipelines.batch import Progress, Work, counter, silent, workers
from vision.draw import encode_jpeg
from vision.photo import load

ROOT = Path(__file__).resolve().parents[2] / "sample_images"
#: The views of one doll, as a seller shows them.
SHOWN = ("face", "body", "soles", "mark", "face", "body")


@dataclass(frozen=True)
class Like:
    """How photos are made: their size, and the noise that makes a JPEG as large as a camera's."""

    megapixels: float = 12.0
    noise: float = 4.0
    quality: int = 92


def samples() -> Mapping[str, list[Path]]:
    """Return the tuning photos by what they show."""
    split = tomllib.loads((ROOT / "split.toml").read_text(encoding="utf-8"))
    found: dict[str, list[Path]] = defaultdict(list)
    for name in sorted(split["tuning"]):
        path = ROOT / name
        truth = next((ROOT / "truth").rglob(f"{path.stem}.json"), None) or next(
            path.parent.rglob(f"truth/{path.stem}.json"), None
        )
        if truth is not None:
            found[json.loads(truth.read_text(encoding="utf-8"))["view"]].append(path)
    return found


def make(source: Path, seed: int, like: Like) -> bytes:
    """Return a JPEG: the sample cut at random, lit a little otherwise, enlarged, with noise."""
    chance = np.random.default_rng(seed)
    rgb = load(source.read_bytes(), source.name).rgb
    height, width = rgb.shape[:2]
    share = chance.uniform(0.86, 0.97)
    high, wide = round(share * height), round(share * width)
    top, left = chance.integers(0, height - high + 1), chance.integers(0, width - wide + 1)
    cut = rgb[top : top + high, left : left + wide]
    k = (like.megapixels * 1e6 / (high * wide)) ** 0.5
    size = (2 * round(wide * k / 2), 2 * round(high * k / 2))
    large = cv2.resize(cut, size, interpolation=cv2.INTER_CUBIC).astype(np.float32)
    large *= chance.uniform(0.85, 1.1) * chance.uniform(0.97, 1.03, 3).astype(np.float32)
    noise = np.empty(large.shape[:2], np.float32)
    cv2.setRNGSeed(seed)
    cv2.randn(noise, 0, like.noise)
    large += noise[..., None]
    return encode_jpeg(np.clip(large, 0, 255).astype(np.uint8), like.quality)


def fill(
    folder: Path,
    dolls: int,
    photos: int,
    like: Like,
    seed: int = 0,
    jobs: int = 1,
    progress: Progress = silent,
) -> list[Path]:
    """Make a lot, ``dolls`` folders of ``photos`` photos each; return the paths. What is there is kept."""
    sources = samples()
    chance = np.random.default_rng(seed)
    paths: list[Path] = []
    missing: list[tuple[Path, Path, int, Like]] = []
    for doll in range(1, dolls + 1):
        place = folder / f"doll_{doll:02d}"
        place.mkdir(parents=True, exist_ok=True)
        for number in range(photos):
            view = SHOWN[number % len(SHOWN)]
            source = sources[view][int(chance.integers(len(sources[view])))]
            path = place / f"{view}_{number + 1}.jpg"
            if not path.is_file():
                missing.append((path, source, seed + 1000 * doll + number, like))
            paths.append(path)
    work: Work[tuple[Path, Path, int, Like], str] = Work(_put, lambda item, why: f"{item[0].name} {why}")
    tick = counter(progress, len(missing))
    with workers(min(jobs, len(missing))) as crew:
        crew.run(work, missing, lambda _place, name: tick(name))
    return paths


def _put(item: tuple[Path, Path, int, Like]) -> str:
    path, source, seed, like = item
    part = path.with_suffix(".part")
    part.write_bytes(make(source, seed, like))
    part.replace(path)
    return path.name
