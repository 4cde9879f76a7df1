"""Render the checking photos: ``python -m sample_images.independent --out DIR``.

Needs bpy 4.5, numpy and Pillow. Writes ``photos/<id>.jpg``, ``truth/photos/<id>.json`` and ``.mask.png``,
and a ``split.toml`` that calls them all checking photos.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import asdict
from pathlib import Path

from .plan import Plan, plans


def arguments() -> argparse.Namespace:
    """Return the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--only", help="ids, separated by commas")
    parser.add_argument("--shard", default="0/1", help="i/n: every n-th photo from the i-th (i from 0)")
    parser.add_argument("--seconds", type=float, default=150.0, help="limit of the main render of one photo")
    parser.add_argument("--samples", type=int, default=20)
    parser.add_argument("--scale", type=float, default=1.0, help="factor of the photo's size, for trying out")
    parser.add_argument("--skip-done", action="store_true")
    parser.add_argument("--list", action="store_true", help="print the plan and stop")
    return parser.parse_args()


def chosen(args: argparse.Namespace) -> list[Plan]:
    """Return the photos asked for."""
    some = plans()
    if args.only:
        names = args.only.split(",")
        unknown = set(names) - {p.id for p in some}
        if unknown:
            raise SystemExit(f"no such photo: {', '.join(sorted(unknown))}")
        some = [p for p in some if p.id in names]
    shard, of = (int(v) for v in args.shard.split("/"))
    some = some[shard::of]
    if args.skip_done:
        some = [p for p in some if not (args.out / "truth" / "photos" / f"{p.id}.json").exists()]
    return some


def main() -> None:
    """Render."""
    args = arguments()
    todo = chosen(args)
    if args.list:
        print(json.dumps([asdict(p) for p in todo], indent=1))
        return
    from .photograph import photograph

    args.out.mkdir(parents=True, exist_ok=True)
    names = ",\n".join(f'    "photos/{p.id}.jpg"' for p in plans())
    (args.out / "split.toml").write_text(f"tuning = []\nchecking = [\n{names},\n]\n", encoding="utf-8")
    for plan in todo:
        start = time.process_time()
        photograph(plan, args.out, args.samples, args.seconds, args.scale)
        print(f"{plan.id}: {time.process_time() - start:.0f} CPU s", flush=True)


if __name__ == "__main__":
    main()
