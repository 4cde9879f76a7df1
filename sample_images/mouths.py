"""Render mouths twice, without lip paint and with too much of it, for training (``train_mouth``).

    python -m sample_images.mouths --out DIR --count N [--start SEED] [--samples 8]
                                   [--shard i/n] [--seconds S]

Both pictures show one head from one place in one light. Paint of any outline and any wear is a mixture of the
two, pixel by pixel in linear light, so that one scene teaches thousands of mouths. Writes ``DIR/<seed>.npz``:

- ``bare``, ``painted``: (S, S, 3) float16 linear Rec.709, up to one factor;
- ``molded``: (S, S) uint8, 1 on the upper molded lip, 2 on the lower one, 0 elsewhere;
- ``paint``: (S, S) bool, where ``painted`` shows lip paint;
- ``square``: x, y, side (px) and clockwise roll (radians) of the mouth's square.

Finished seeds are skipped, failing ones counted. Needs ``bpy`` 4.5, numpy and Pillow.
"""

from __future__ import annotations

import dataclasses
import importlib
from typing import Any

import bpy
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from sample_images import render, scene, seeds
from sample_images.many import draw_portrait
from sample_images.subject import CLASSES
from vision.locate.squares import mouth_square

#: The mouth's square is rendered this many pixels wide, and this many times as much around its middle.
SIDE, AROUND = 192, 1.4
#: How far too much paint reaches beyond the molded lips, in cm.
GROWN = 0.15


def coats(rng: Generator) -> tuple[dict[str, Any], dict[str, Any]]:
    """Draw one face's paint without and with lip paint."""
    common = {
        "liner": str(rng.choice(["blue", "brown", "black", "none", "other"])),
        "iris": str(rng.choice(["unpainted", "blue", "brown", "green", "other"])),
        "px_per_cm": 300.0,
    }
    return common | {"lips": "bare"}, common | {"lips": "overpainted", "lip_grow": GROWN}


def render_mouth(seed: int, samples: int) -> dict[str, NDArray[Any]]:
    """Render the mouth of one seed's face."""
    recipe = draw_portrait(seed, 1000)
    # Only a window of the picture is rendered, so the face may be small in it: no mouth is cut.
    recipe.setting["fill"] = float(np.random.default_rng([seed, 0xF177]).uniform(0.45, 0.75))
    subject_rng, setting_rng = np.random.default_rng(recipe.seed).spawn(2)
    setting = render.draw_setting(recipe, setting_rng)
    scene.reset()
    subject = importlib.import_module(f"sample_images.{recipe.module}").build(subject_rng, recipe.params)
    frame, _ = scene.compose(subject, setting)
    project = scene.projector(setting, frame)
    eyes_and_lips = [project(subject.landmarks[k]) for k in ("left_eye", "right_eye", "lips")]
    middles = [(p.min(0) + p.max(0)) / 2 for p in eyes_and_lips]
    side = mouth_square(*middles)[2]
    size = round(1000 * SIDE / side)
    setting = dataclasses.replace(setting, width=size, height=size, render_scale=1.0)
    x, y, side, roll = mouth_square(*(m * size / 1000 for m in middles))
    half = round(SIDE * AROUND / 2)
    top, left = round(y) - half, round(x) - half
    if top < 0 or left < 0 or top + 2 * half > size or left + 2 * half > size:
        raise ValueError("the frame cuts the mouth")
    window = (top, top + 2 * half, left, left + 2 * half)

    bpy.context.scene.render.use_persistent_data = True
    assert subject.repaint is not None
    pair = coats(np.random.default_rng([seed, 0x11B]))
    pictures, masks = [], []
    for coat in pair:
        subject.repaint(np.random.default_rng(seed), coat)
        pictures.append(scene.render_linear(setting, samples, window))
    scene.flatten()
    for coat in pair:
        subject.repaint(np.random.default_rng(seed), coat)
        masks.append(scene.render_masks(setting, window))
    gain = 0.4 / max(float(np.median(pictures[0])), 1e-6)
    classes, _, molded = masks[0]
    lips = np.isin(classes, (CLASSES["lip_molded"], CLASSES["lip_paint"]))
    return {
        "bare": (pictures[0] * gain).astype(np.float16),
        "painted": (pictures[1] * gain).astype(np.float16),
        "molded": np.where(lips & (molded <= 2), molded, 0).astype(np.uint8),
        "paint": masks[1][0] == CLASSES["lip_paint"],
        "square": np.array([x - left, y - top, side, roll]),
        "style": np.array(recipe.module),
    }


if __name__ == "__main__":
    seeds.leave(seeds.write_scenes("python -m sample_images.mouths", __doc__, 4_000_000, render_mouth))
