"""Render many small, widely randomized photos for training: the modeled dolls and the plain ones mixed.

    python -m sample_images.many --out DIR --count N [--start SEED] [--long-side 416] [--samples 6]
                                 [--shard i/n] [--seconds S] [--faces COATS]

Writes ``DIR/<seed>.jpg``, ``DIR/truth/<seed>.json`` and ``DIR/truth/<seed>.mask.png``; finished seeds are
skipped, failing ones counted. Needs ``bpy`` 4.5, numpy and Pillow. With shards each process renders on one
thread, unless ``RENDER_THREADS`` says otherwise. ``--faces N`` renders close portraits only, each painted
anew N times; their names end in ``_0``, ``_1`` and so on.
"""

from __future__ import annotations

import argparse
import collections
import os
import sys
import time
import traceback
from pathlib import Path
from typing import Any

import numpy as np
from numpy.random import Generator

from sample_images import render
from sample_images.recipes import Recipe

#: Module → share of the photos.
SHARES = {
    "face": 0.12,
    "plain_face": 0.14,
    "body": 0.09,
    "plain_body": 0.12,
    "soles": 0.10,
    "plain_soles": 0.12,
    "marks": 0.11,
    "plain_mark": 0.13,
    "crowd": 0.03,
    "nothing": 0.01,
    "plain_nothing": 0.03,
}
ASPECTS = (1.0, 1.0, 4 / 3, 4 / 3, 3 / 2, 3 / 4, 3 / 4, 3 / 4, 2 / 3, 9 / 16, 16 / 9)


def draw_params(module: str, rng: Generator) -> dict[str, Any]:
    """Draw what a module's ``build`` would otherwise hold fixed; the rest it draws itself."""
    if module == "face":
        lips = str(rng.choice(["full", "rubbed", "bare", "overpainted"], p=[0.45, 0.27, 0.16, 0.12]))
        stain = rng.uniform(0, 1, 2) * (rng.random(2) < 0.25)
        return {
            "liner": str(
                rng.choice(["blue", "brown", "black", "none", "other"], p=[0.27, 0.23, 0.23, 0.19, 0.08])
            ),
            "iris": str(rng.choice(["unpainted", "blue", "brown", "green", "other"])),
            "lips": lips,
            "lip_wear": float(rng.uniform(0.2, 0.75)),
            "stain": [float(v) for v in stain],
            "fringe": str(rng.choice(["curly", "firm", "single_curl", "none"])),
            "liner_wear": float(rng.choice([0.0, rng.uniform(0, 0.8)])),
            "fingers": bool(rng.random() < 0.15),
        }
    if module == "marks":
        return {"pose": str(rng.choice(["held", "lying"])), **({"lines": []} if rng.random() < 0.2 else {})}
    if module == "crowd":
        return {"count": int(rng.integers(4, 18)), "kinds": int(rng.integers(2, 5))}
    if module == "nothing":
        return {"kind": str(rng.choice(["clutter", "pot"]))}
    return {}


def draw_coat(module: str, rng: Generator) -> dict[str, Any]:
    """Draw what a face is painted with: rare states as often as others, for training looks at each."""
    coat = {
        "liner": str(
            rng.choice(["blue", "brown", "black", "none", "other"], p=[0.24, 0.22, 0.22, 0.2, 0.12])
        ),
        "iris": str(rng.choice(["unpainted", "blue", "brown", "green", "other"])),
        "lips": str(rng.choice(["full", "rubbed", "bare", "overpainted"], p=[0.31, 0.27, 0.12, 0.3])),
        "px_per_cm": 250.0,
    }
    if module == "face":
        coat |= {
            "lip_wear": float(rng.uniform(0.12, 0.85)),
            "lip_grow": float(rng.uniform(0.02, 0.09)),
            "liner_wear": float(rng.choice([0.0, rng.uniform(0, 0.8)])),
            "liner_width": float(np.exp(rng.uniform(np.log(0.04), np.log(0.14)))),
        }
    return coat


def draw_portrait(seed: int, long_side: int) -> Recipe:
    """Decide on a close photo of one face."""
    rng = np.random.default_rng([seed, 0xFACE])
    module = str(rng.choice(["face", "plain_face"], p=[0.4, 0.6]))
    photo = draw_photo(seed, long_side)
    setting = photo.setting | {"fill": float(rng.uniform(1.0, 1.5)), "reference": None}
    setting["shift"] = [float(v) for v in rng.uniform(-0.08, 0.08, 2)]
    setting["width"] = setting["height"] = long_side
    setting["blur_px"] = float(rng.uniform(0.2, 0.9))
    setting["light"] = str(rng.choice(["window", "lamp", "flash", "overcast", "single"]))
    params: dict[str, Any] = {"back": False, "raised": bool(rng.random() < 0.85), "px_per_cm": 250.0}
    if module == "face":
        params |= {
            "stain": [float(v) for v in rng.uniform(0, 1, 2) * (rng.random(2) < 0.35)],
            "fringe": str(rng.choice(["curly", "firm", "single_curl", "none"])),
            "fingers": bool(rng.random() < 0.12),
        }
    return Recipe(str(seed), "", module, seed, params, setting)


def draw_photo(seed: int, long_side: int) -> Recipe:
    """Decide what a seed's photo shows and how it is taken."""
    rng = np.random.default_rng([seed, 0x5EED])
    names = list(SHARES)
    module = str(rng.choice(names, p=np.array([SHARES[n] for n in names])))
    aspect = float(rng.choice(ASPECTS))
    width, height = (long_side, long_side / aspect) if aspect >= 1 else (long_side * aspect, long_side)
    kinds = ["window", "lamp", "flash", "overcast", "mixed", "single"]
    fill = rng.uniform(0.4, 0.75) if rng.random() < 0.3 else rng.uniform(0.75, 1.1)
    if rng.random() < 0.18 and module not in ("crowd", "marks", "plain_mark"):
        fill = rng.uniform(1.1, 1.7)
    setting: dict[str, Any] = {
        "width": round(width),
        "height": round(height),
        "light": str(rng.choice(kinds, p=[0.28, 0.17, 0.17, 0.14, 0.12, 0.12])),
        "cct_k": float(np.exp(rng.uniform(np.log(2400), np.log(8500)))),
        "second_cct_k": float(rng.uniform(2400, 7000)),
        "fill_light": float(rng.uniform(0.3, 2.2)),
        "elevation_deg": float(rng.uniform(8, 75)),
        "focal_mm": float(rng.uniform(24, 85)),
        "fill": float(fill),
        "yaw_deg": float(rng.normal(0, 9)),
        "pitch_deg": float(rng.normal(0, 7)),
        "roll_deg": float(rng.uniform(0, 360) if rng.random() < 0.35 else rng.uniform(-15, 15)),
        "shift": [float(v) for v in rng.uniform(-0.16, 0.16, 2)],
        "aperture_cm": float(rng.uniform(0.05, 0.45)),
        "clutter": int(rng.integers(0, 8)),
        "wb_shift_mired": float(np.clip(rng.normal(0, 60), -140, 140)),
        "exposure_ev": float(np.clip(rng.normal(0, 0.45), -1.3, 0.9)),
        "tone": str(rng.choice(["srgb", "phone"])),
        "blur_px": float(rng.uniform(0.2, 0.7) if rng.random() < 0.8 else rng.uniform(0.7, 1.8)),
        "shot_noise": float(10 ** rng.uniform(-4.0, -2.3)),
        "read_noise": float(10 ** rng.uniform(-3.3, -1.9)),
        "jpeg_quality": int(rng.integers(45, 97)),
    }
    if module in ("marks", "plain_mark"):
        setting["elevation_deg"] = float(rng.uniform(6, 45))
    if rng.random() < 0.08 and fill < 1.1 and module not in ("crowd", "nothing", "plain_nothing"):
        setting["reference"] = str(rng.choice(["color_chart", "grey_card"]))
    return Recipe(str(seed), "", module, seed, draw_params(module, rng), setting)


def main() -> int:
    """Run the command; returns how many seeds failed."""
    parser = argparse.ArgumentParser(prog="python -m sample_images.many", description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--count", type=int, required=True)
    parser.add_argument("--start", type=int, default=1_000_000, help="first seed")
    parser.add_argument("--long-side", type=int, default=416)
    parser.add_argument("--samples", type=int, default=6)
    parser.add_argument("--shard", default="0/1", help="i/n: every n-th seed from the i-th on")
    parser.add_argument("--seconds", type=float, default=float("inf"), help="start no photo after this long")
    parser.add_argument("--faces", type=int, default=0, metavar="COATS", help="portraits only")
    args = parser.parse_args()
    index, shards = (int(v) for v in args.shard.split("/"))
    if shards > 1:
        os.environ.setdefault("RENDER_THREADS", "1")
    begin = time.monotonic()
    done, failed = collections.Counter[str](), collections.Counter[str]()
    cost: dict[str, float] = collections.defaultdict(float)
    for seed in range(args.start + index, args.start + args.count, shards):
        if time.monotonic() - begin > args.seconds:
            break
        if (args.out / f"{seed}.jpg").exists() or (args.out / f"{seed}_0.jpg").exists():
            continue
        recipe = (draw_portrait if args.faces else draw_photo)(seed, args.long_side)
        coats = [draw_coat(recipe.module, np.random.default_rng([seed, n])) for n in range(args.faces)]
        start = time.process_time()
        try:
            with render.quiet():
                render.render_photo(recipe, args.out, 1.0, args.samples, coats)
            done[recipe.module] += 1
            cost[recipe.module] += time.process_time() - start
        except Exception:
            failed[recipe.module] += 1
            print(f"{seed} ({recipe.module}): failed\n{traceback.format_exc()}", file=sys.stderr, flush=True)
    for name, number in sorted(done.items()):
        print(f"{name}: {number} photos, {cost[name] / number:.1f} CPU s each", file=sys.stderr)
    print(f"{done.total()} done, {failed.total()} failed {dict(failed) or ''}", file=sys.stderr, flush=True)
    return failed.total()


if __name__ == "__main__":
    # Blender's module can crash while Python shuts down; everything is on disk by now.
    code = main()
    sys.stderr.flush()
    os._exit(min(code, 100))
