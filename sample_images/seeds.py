"""The command line of scripts that render one training scene a seed, in shards, and can be stopped any time.

Finished seeds are skipped, failing ones counted and told on standard error.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
import traceback
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from sample_images import render


def write_scenes(
    prog: str, description: str | None, start: int, scene_of: Callable[[int, int], Mapping[str, Any]]
) -> int:
    """Run the command line; returns how many seeds failed.

    Parameters
    ----------
    prog, description
        As :class:`argparse.ArgumentParser` takes them.
    start
        The first seed unless ``--start`` says otherwise.
    scene_of
        Seed and samples → the arrays that ``<seed>.npz`` holds.
    """
    parser = argparse.ArgumentParser(prog=prog, description=description)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--count", type=int, required=True)
    parser.add_argument("--start", type=int, default=start, help="first seed")
    parser.add_argument("--samples", type=int, default=8)
    parser.add_argument("--shard", default="0/1", help="i/n: every n-th seed from the i-th on")
    parser.add_argument("--seconds", type=float, default=float("inf"), help="start no scene after this long")
    args = parser.parse_args()
    index, shards = (int(v) for v in args.shard.split("/"))
    if shards > 1:
        os.environ.setdefault("RENDER_THREADS", "1")
    args.out.mkdir(parents=True, exist_ok=True)
    begin, done, failed = time.monotonic(), 0, 0
    for seed in range(args.start + index, args.start + args.count, shards):
        path = args.out / f"{seed}.npz"
        if time.monotonic() - begin > args.seconds:
            break
        if path.exists():
            continue
        try:
            with render.quiet():
                found = scene_of(seed, args.samples)
            beside = path.with_suffix(".part")
            with beside.open("wb") as file:
                np.savez_compressed(file, **found)
            beside.rename(path)
            done += 1
        except Exception:
            failed += 1
            print(f"{seed}: failed\n{traceback.format_exc()}", file=sys.stderr, flush=True)
    print(f"{done} done, {failed} failed, {time.process_time():.0f} CPU s", file=sys.stderr, flush=True)
    return failed


def leave(failed: int) -> None:
    """End the process at once: Blender's module can crash while Python shuts down, and all is on disk."""
    sys.stderr.flush()
    os._exit(min(failed, 100))
