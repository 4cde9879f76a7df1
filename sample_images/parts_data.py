"""Renders packed for training: small pictures, part numbers of each pixel, and where faces lie.

    python -m sample_images.parts_data --renders DIR --out FILE.npz [--shard i/n]
    python -m sample_images.parts_data --negatives DIR --out FILE.npz

Needs numpy and Pillow only. ``--negatives`` packs ordinary photographs without dolls; a file ``faces.json``
beside them may name the faces of people in them (photo → list of [eye, eye, mouth] points), which then teach
what is no doll.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from vision.locate.squares import face_square

#: Long side of the packed pictures.
CANVAS = 512
IGNORE = 255
#: Numbers beside those of the masks: paint outside the molded lips, a sole's vinyl, vinyl with a mark on it.
BEYOND, SOLE, MARK = 23, 24, 25
LIP_PAINT, SKIN, LIP_BARE, GROUND = 3, 1, 2, 19

VIEWS = ("face", "head_back", "body", "soles", "mark", "crowd", "other")
EYELINER = ("blue", "brown", "black", "none", "other")
IRIS = ("unpainted", "blue", "brown", "green", "other")
LIPS = ("full", "rubbed", "bare", "overpainted")
SHEEN = ("matte", "greasy")
#: Not known; such an example does not teach that answer.
UNKNOWN = -1


def _inside(points: Any, size: tuple[int, int], scale: float) -> NDArray[np.bool_]:
    picture = Image.new("1", size)
    xy = [(float(x) * scale, float(y) * scale) for x, y in points]
    if len(xy) >= 3:
        ImageDraw.Draw(picture).polygon(xy, fill=1)
    return np.asarray(picture, bool)


def labels_of(mask: NDArray[np.uint8], truth: dict[str, Any], scale: float) -> NDArray[np.uint8]:
    """Return (H, W) uint8 part numbers: the mask's classes, refined by the outlines in the truth."""
    labels = mask.copy()
    size = (mask.shape[1], mask.shape[0])
    places, traits = truth["places"], truth["traits"]
    if places.get("lips"):
        labels[(labels == LIP_PAINT) & ~_inside(places["lips"], size, scale)] = BEYOND
    for sole in places.get("soles") or []:
        if sole.get("outline"):
            labels[(labels == SKIN) & _inside(sole["outline"], size, scale)] = SOLE
    mark = traits.get("mark_text") or {}
    outline = places.get("mark") or mark.get("outline")
    if outline and mark.get("state") == "present":
        inside = _inside(outline, size, scale)
        labels[inside & np.isin(labels, (SKIN, 16, 13, SOLE))] = MARK
    return labels


def _number(names: tuple[str, ...], state: Any) -> int:
    return names.index(state) if state in names else UNKNOWN


def _middle(points: Any) -> NDArray[np.float64]:
    p = np.asarray(points, float)
    return np.asarray((p.min(0) + p.max(0)) / 2)


def face_row(truth: dict[str, Any]) -> list[float] | None:
    """Return square and states of the one face of a photo, None without it."""
    places, traits = truth["places"], truth["traits"]
    if truth["view"] not in ("face", "body") or not all(
        places.get(k) for k in ("left_eye", "right_eye", "lips")
    ):
        return None
    square = face_square(*(_middle(places[k]) for k in ("left_eye", "right_eye", "lips")))
    states = [
        _number(EYELINER, (traits.get("eyeliner_color") or {}).get("state")),
        _number(IRIS, (traits.get("iris_color") or {}).get("state")),
        _number(LIPS, (traits.get("lip_paint") or {}).get("state")),
        _number(SHEEN, (traits.get("skin_sheen") or {}).get("state")),
        1,
    ]
    return [*square, *states]


def shrink(picture: Image.Image, kind: Image.Resampling) -> tuple[NDArray[np.uint8], float]:
    """Return a picture with its long side at the canvas, and the scale."""
    scale = CANVAS / max(picture.size)
    size = (max(1, round(picture.width * scale)), max(1, round(picture.height * scale)))
    return np.asarray(picture.resize(size, kind), np.uint8), scale


def _on_canvas(values: NDArray[np.uint8], fill: int) -> NDArray[np.uint8]:
    out = np.full((CANVAS, CANVAS, *values.shape[2:]), fill, np.uint8)
    top, left = _corner(values.shape)
    out[top : top + values.shape[0], left : left + values.shape[1]] = values
    return out


def _corner(shape: tuple[int, ...]) -> tuple[int, int]:
    return (CANVAS - shape[0]) // 2, (CANVAS - shape[1]) // 2


def _moved(row: list[float], scale: float, shape: tuple[int, ...]) -> list[float]:
    top, left = _corner(shape)
    return [row[0] * scale + left, row[1] * scale + top, row[2] * scale, *row[3:]]


def pack(folder: Path, shard: tuple[int, int]) -> dict[str, NDArray[Any]]:
    """Pack every n-th render of a folder with truth beside it."""
    out: dict[str, list[Any]] = {k: [] for k in ("x", "y", "view", "seed", "style", "faces")}
    paths = sorted((folder / "truth").glob("*.json"))[shard[0] :: shard[1]]
    for path in paths:
        truth = json.loads(path.read_text("utf-8"))
        try:
            picture = Image.open(folder / f"{path.stem}.jpg").convert("RGB")
            mask = Image.open(path.with_name(f"{path.stem}.mask.png"))
            rgb, scale = shrink(
                picture, Image.Resampling.BOX if max(picture.size) > CANVAS else Image.Resampling.BICUBIC
            )
            small, _ = shrink(mask, Image.Resampling.NEAREST)
        except OSError:
            continue
        n = len(out["x"])
        out["x"].append(_on_canvas(rgb, 127))
        out["y"].append(_on_canvas(labels_of(small, truth, scale), IGNORE))
        out["view"].append(VIEWS.index(truth["view"]))
        out["seed"].append(int(truth.get("seed", 0)))
        out["style"].append(int("plain" in str(truth.get("module", ""))))
        row = face_row(truth)
        if row is not None:
            out["faces"].append([n, *_moved(row, scale, rgb.shape)])
    return _arrays(out)


def pack_negatives(folder: Path) -> dict[str, NDArray[Any]]:
    """Pack photographs without dolls."""
    out: dict[str, list[Any]] = {k: [] for k in ("x", "y", "view", "seed", "style", "faces")}
    named = folder / "faces.json"
    faces = json.loads(named.read_text("utf-8")) if named.is_file() else {}
    for path in sorted(p for p in folder.iterdir() if p.suffix.lower() in (".jpg", ".jpeg", ".png")):
        rgb, scale = shrink(Image.open(path).convert("RGB"), Image.Resampling.BICUBIC)
        n = len(out["x"])
        out["x"].append(_on_canvas(rgb, 127))
        out["y"].append(_on_canvas(np.full(rgb.shape[:2], GROUND, np.uint8), IGNORE))
        out["view"].append(VIEWS.index("other"))
        out["seed"].append(-1)
        out["style"].append(2)
        for points in faces.get(path.name, []):
            row = [
                *face_square(*(np.asarray(p, float) for p in points)),
                UNKNOWN,
                UNKNOWN,
                UNKNOWN,
                UNKNOWN,
                0,
            ]
            out["faces"].append([n, *_moved(row, scale, rgb.shape)])
    return _arrays(out)


def _arrays(out: dict[str, list[Any]]) -> dict[str, NDArray[Any]]:
    none = np.zeros((0, CANVAS, CANVAS, 3), np.uint8)
    return {
        "x": np.stack(out["x"]) if out["x"] else none,
        "y": np.stack(out["y"]) if out["y"] else none[..., 0],
        "view": np.array(out["view"], np.int64),
        "seed": np.array(out["seed"], np.int64),
        "style": np.array(out["style"], np.int64),
        "faces": np.array(out["faces"], np.float32).reshape(-1, 10),
    }


def main() -> None:
    """Pack one folder."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--renders", type=Path)
    parser.add_argument("--negatives", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--shard", default="0/1")
    args = parser.parse_args()
    i, n = (int(v) for v in args.shard.split("/"))
    packed = pack(args.renders, (i, n)) if args.renders else pack_negatives(args.negatives)
    np.savez(args.out, **packed)  # type: ignore[arg-type]
    print(f"{len(packed['x'])} pictures, {len(packed['faces'])} faces")


if __name__ == "__main__":
    main()
