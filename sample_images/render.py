"""Render sample photos with their truth.

    python -m sample_images.render --set photos|listings|all --out DIR [--only ID,…] [--scale 0.3]
                                   [--samples N] [--shard i/n] [--skip-done]
    python -m sample_images.render --try MODULE [--params JSON] [--setting JSON] [--seed N] --out DIR

Needs ``bpy`` 4.5, numpy and Pillow. Every photo is independent and follows from its seed alone.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import importlib
import json
import os
import sys
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import bpy
import numpy as np

from sample_images import camera, scene, truth
from sample_images.recipes import RECIPES, Recipe, draw_look, draw_setting, write_tables
from sample_images.references import PATCHES, Reference
from sample_images.subject import CLASSES, Subject, Truthing
from sample_images.truth import light_rgb

_SUBJECT_CLASSES = [i for n, i in CLASSES.items() if n not in ("background", "chart", "card")]


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Blender prints to the C-level standard output; send that to nowhere."""
    sys.stdout.flush()
    keep = os.dup(1)
    with open(os.devnull, "w") as sink:  # noqa: PTH123
        os.dup2(sink.fileno(), 1)
    try:
        yield
    finally:
        sys.stdout.flush()
        os.dup2(keep, 1)
        os.close(keep)


@dataclasses.dataclass(frozen=True)
class _Shot:
    """A photo about to be developed: how it is taken, of what, and in what light.

    ``gray`` is (h, w, 3) linear: the light on a gray thing at each place; ``project`` maps world points to
    pixels.
    """

    recipe: Recipe
    setting: scene.Setting
    look: camera.Look
    wb_cct: float
    subject: Subject
    reference: Reference | None
    project: Callable[[Any], Any]
    gray: np.ndarray


def render_photo(
    recipe: Recipe,
    out: Path,
    scale: float = 1.0,
    samples: int = 64,
    coats: Sequence[dict[str, Any]] = (),
) -> None:
    """Render one photo below ``out``, and its truth and its mask below ``out/truth``.

    Parameters
    ----------
    scale
        Shrinks the JPEG, for looking at things quickly.
    samples
        Ceiling of Cycles samples a pixel (adaptive).
    coats
        Params of coats of paint (:attr:`Subject.repaint`), each photographed from the same place in the same
        light and saved as ``<id>_0``, ``<id>_1`` and so on: most of a photo's cost is its scene. Without
        them the subject is photographed as it was built, as ``<id>``.
    """
    subject_rng, setting_rng, look_rng, noise_rng = np.random.default_rng(recipe.seed).spawn(4)
    setting = draw_setting(recipe, setting_rng)
    look, wb_cct = draw_look(recipe, setting, look_rng)
    setting = dataclasses.replace(
        setting, width=max(64, round(setting.width * scale)), height=max(64, round(setting.height * scale))
    )
    look = dataclasses.replace(look, blur_px=look.blur_px * scale)

    scene.reset()
    module = importlib.import_module(f"sample_images.{recipe.module}")
    subject = module.build(subject_rng, dict(recipe.params))
    frame, reference = scene.compose(subject, setting)
    bpy.context.scene.render.use_persistent_data = bool(coats)
    named = {f"{recipe.id}_{n}": coat for n, coat in enumerate(coats)} or {recipe.id: None}
    pictures = {}
    for name, coat in named.items():
        _put_on(coat, subject, name)
        pictures[name] = scene.render_linear(setting, samples)
    gray = (
        scene.light_on_gray(setting)
        if setting.light == "mixed"
        else np.ones((2, 2, 3)) * light_rgb(setting.cct_k)
    )
    shot = _Shot(recipe, setting, look, wb_cct, subject, reference, scene.projector(setting, frame), gray)
    scene.flatten()
    for name, coat in named.items():
        _put_on(coat, subject, name)
        _develop(shot, name, pictures[name], scene.render_masks(setting), out, noise_rng)


def _put_on(coat: dict[str, Any] | None, subject: Subject, name: str) -> None:
    """Paint a subject anew, the same way whenever it is done under one name."""
    if coat is not None and subject.repaint is not None:
        subject.repaint(np.random.default_rng(list(name.encode())), coat)


def _develop(
    shot: _Shot,
    name: str,
    linear: np.ndarray,
    masks: tuple[np.ndarray, np.ndarray, np.ndarray],
    out: Path,
    noise_rng: np.random.Generator,
) -> None:
    """Turn a rendered picture into a photo and write it with its truth and its mask."""
    recipe, setting, look, subject = shot.recipe, shot.setting, shot.look, shot.subject
    reference, project, gray = shot.reference, shot.project, shot.gray
    classes, parts, aux = masks

    is_subject = np.isin(classes, _SUBJECT_CLASSES)
    parts = np.where(is_subject, parts, 0).astype(np.uint8)  # a chart numbers its patches as well
    small = _nearest(is_subject, gray.shape[:2])
    lit = gray[small] if small.sum() > 20 else gray.reshape(-1, 3)
    light = lit.mean(axis=0) / lit.mean(axis=0)[1]
    neutral = light * np.asarray(look.wb_gain)
    neutral = neutral / neutral[1]

    weight = 0.15 + _nearest(is_subject, linear.shape[:2]).astype(np.float32)
    balanced = linear * (np.asarray(look.wb_gain) / look.wb_gain[1]).astype(np.float32)
    gain = camera.auto_gain(balanced, weight)
    picture = camera.develop(linear, gain, look, setting.width, setting.height, noise_rng)

    record = {
        "photo": f"{name}.jpg",
        "seed": recipe.seed,
        "module": recipe.module,
        "view": subject.view,
        "width_px": setting.width,
        "height_px": setting.height,
        "light": {"cct_K": round(setting.cct_k), "kind": setting.light, "wb_cct_K": round(shot.wb_cct)},
        "neutral_rgb": [round(float(v), 4) for v in neutral],
        "exposure_ev": round(look.exposure_ev, 2),
        "tone": look.tone,
        "blur_px": round(look.blur_px, 2),
        "jpeg_quality": look.jpeg_quality,
        "reference": None
        if reference is None
        else {
            **_reference_truth(reference, project, setting),
            "neutral_rgb": _neutral_on_reference(balanced, classes, reference, project),
        },
        "surfaces": {
            surface: {
                "lab": [round(float(v), 2) for v in truth.linear_to_lab(rgb)],
                "linear_rgb": [round(float(v), 4) for v in rgb],
            }
            for surface, rgb in subject.surfaces.items()
        },
        "traits": subject.traits,
        "places": {},
        "mask_classes": {str(i): n for n, i in CLASSES.items()},
    }
    if recipe.doll:
        record["doll"] = recipe.doll
    for place, points in subject.landmarks.items():
        record["places"][place] = np.round(project(points), 1).tolist()
    for place, part in subject.part_places.items():
        outline = truth.outline_of(parts == part)
        if outline:
            record["places"][place] = outline
    if subject.finish is not None:
        subject.finish(Truthing(classes, parts, aux, project, record))

    beside = out / "truth" / recipe.folder
    beside.mkdir(parents=True, exist_ok=True)
    truth.save_mask(classes, beside / f"{name}.mask.png")
    (beside / f"{name}.json").write_text(
        json.dumps(record, indent=1, ensure_ascii=False, default=truth.plain_json) + "\n", encoding="utf-8"
    )
    folder = out / recipe.folder
    folder.mkdir(parents=True, exist_ok=True)
    camera.save_jpeg(picture, folder / f"{name}.jpg", look.jpeg_quality)


def _nearest(mask: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    rows = (np.arange(shape[0]) + 0.5) * mask.shape[0] / shape[0]
    columns = (np.arange(shape[1]) + 0.5) * mask.shape[1] / shape[1]
    return mask[rows.astype(int)[:, None], columns.astype(int)[None]]


def _reference_truth(reference: object, project: object, setting: scene.Setting) -> dict[str, object]:
    corners = project(reference.corners)  # type: ignore[attr-defined,operator]
    inside = (corners > 2).all() and (corners < [setting.width - 2, setting.height - 2]).all()
    return {
        "kind": reference.kind,  # type: ignore[attr-defined]
        "corners": np.round(corners, 1).tolist(),
        "width_px": round(float(np.linalg.norm(corners[1] - corners[0])), 1),
        "wholly_in_view": bool(inside),
    }


def _neutral_on_reference(
    linear: np.ndarray, classes: np.ndarray, reference: Reference, project: Callable[[Any], Any]
) -> list[float] | None:
    """Return what the card, or the chart's gray steps, reads in linear RGB, green = 1; None if not in view.

    This is the light where the reference stands, colored by what stands round it, and so may differ by some
    hundredths from ``neutral_rgb`` of the photo, which is that of the lamp alone. ``linear``: (h, w, 3),
    white-balanced, before noise and tone; ``classes`` at the size of the JPEG.
    """
    readings = []
    for spots, own in _neutral_spots(reference):
        x, y = np.asarray(project(spots)).T
        inside = (x >= 0) & (y >= 0) & (x < classes.shape[1] - 1) & (y < classes.shape[0] - 1)
        x, y = x[inside].astype(int), y[inside].astype(int)
        seen = np.isin(classes[y, x], (CLASSES["card"], CLASSES["chart"]))
        if seen.sum() >= 5:
            rows = (y[seen] + 0.5) * linear.shape[0] / classes.shape[0]
            columns = (x[seen] + 0.5) * linear.shape[1] / classes.shape[1]
            mean = linear[rows.astype(int), columns.astype(int)].mean(axis=0) / own
            readings.append(mean / mean[1])
    if not readings:
        return None
    return [round(float(v), 4) for v in np.mean(readings, axis=0)]


def _neutral_spots(reference: Reference) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Yield world points inside each neutral field of a reference, and its own linear color."""
    top_left, top_right, _, bottom_left = reference.corners
    along, down = top_right - top_left, bottom_left - top_left
    middle = top_left + along / 2 + down / 2
    grid = np.stack(np.meshgrid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 9)), -1).reshape(-1, 2)
    if reference.kind == "grey_card":
        yield middle + 0.38 * (grid[:, :1] * along + grid[:, 1:] * down), np.ones(3)
        return
    width, height = np.linalg.norm(along), np.linalg.norm(down)
    pitch = min(width / 6.35, height / 4.35)
    ex, ey = along / width * pitch, down / height * pitch
    for i in range(19, 23):
        row, column = divmod(i, 6)
        center = middle + ex * (column - 2.5) + ey * (row - 1.5)
        yield (
            center + 0.22 * (grid[:, :1] * ex + grid[:, 1:] * ey),
            np.asarray(truth.hex_to_linear(PATCHES[i])),
        )


def _chosen(args: argparse.Namespace) -> list[Recipe]:
    if args.try_module:
        recipe = Recipe(
            id=f"{args.try_module}-{args.seed}",
            folder="",
            module=args.try_module,
            seed=args.seed,
            params=json.loads(args.params),
            setting=json.loads(args.setting),
        )
        return [recipe]
    chosen = [r for r in RECIPES if args.set == "all" or r.folder.split("/")[0] == args.set]
    if args.only:
        wanted = set(args.only.split(","))
        chosen = [r for r in chosen if r.id in wanted]
    index, count = (int(v) for v in args.shard.split("/"))
    return chosen[index % count :: count]


def main() -> int:
    """Run the command; returns how many photos failed."""
    parser = argparse.ArgumentParser(prog="python -m sample_images.render", description=__doc__)
    parser.add_argument("--set", choices=("photos", "listings", "all"), default="all")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--only", default="")
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("--samples", type=int, default=8)
    parser.add_argument("--shard", default="0/1", help="i/n: every n-th photo from the i-th on")
    parser.add_argument("--skip-done", action="store_true")
    parser.add_argument("--try", dest="try_module", default="")
    parser.add_argument("--params", default="{}")
    parser.add_argument("--setting", default="{}")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    failed = 0
    if not args.try_module:
        args.out.mkdir(parents=True, exist_ok=True)
        write_tables(args.out)
    for recipe in _chosen(args):
        if args.skip_done and (args.out / recipe.folder / f"{recipe.id}.jpg").exists():
            continue
        start = time.monotonic()
        try:
            with quiet():
                render_photo(recipe, args.out, args.scale, args.samples)
            print(
                f"{recipe.folder}/{recipe.id}: {time.monotonic() - start:.1f} s", file=sys.stderr, flush=True
            )
        except Exception:
            failed += 1
            print(
                f"{recipe.folder}/{recipe.id}: failed\n{traceback.format_exc()}", file=sys.stderr, flush=True
            )
    return failed


if __name__ == "__main__":
    # Blender's module can crash while Python shuts down; everything is on disk by now.
    code = main()
    sys.stderr.flush()
    os._exit(min(code, 100))
