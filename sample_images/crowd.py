"""Many dolls' heads in one picture: in a box seen from above, or standing in rows on a table.

Params: ``count`` (8–24), ``layout`` (``"box"`` or ``"rows"``), ``kinds`` (how many different heads).
"""

from __future__ import annotations

import math
from typing import Any

import bpy
import numpy as np
from mathutils import Euler, Matrix
from numpy.random import Generator

from sample_images.blend import mesh_object
from sample_images.face import Head, coverage, make_head, neck_of
from sample_images.subject import CLASSES, Subject, Truthing
from sample_images.truth import box_of, hex_to_linear
from sample_images.vinyl import plain

DETAIL = 0.42


def _copy(head: Head, matrix: Matrix, index: int) -> None:
    """Add a linked copy of a head; ``index`` becomes the part number of its pixels."""
    for obj in head.objects:
        twin = obj.copy()
        twin.matrix_world = matrix @ obj.matrix_world
        twin.pass_index = index
        bpy.context.scene.collection.objects.link(twin)


def _places(layout: str, count: int, rng: Generator) -> tuple[list[Matrix], float, float]:
    """Placements, and the half width and half height of the group."""
    columns = math.ceil(math.sqrt(count * 1.25))
    rows = math.ceil(count / columns)
    step_x, step_y = (4.5, 5.9) if layout == "box" else (4.8, 4.4)
    out = []
    for i in range(count):
        row, column = divmod(i, columns)
        x = (column - (columns - 1) / 2) * step_x + rng.normal(0, 0.3)
        y = ((rows - 1) / 2 - row) * step_y + rng.normal(0, 0.3)
        turn = Euler(
            (math.radians(rng.normal(0, 6)), math.radians(rng.normal(0, 9)), math.radians(rng.normal(0, 14))),
            "YXZ",
        )
        head = turn.to_matrix().to_4x4()
        if layout == "box":
            around = math.radians(180 if rng.uniform() < 0.12 else rng.normal(0, 12))
            flat = Matrix.Rotation(around, 4, "Z") @ Matrix.Rotation(-math.pi / 2, 4, "X")
            out.append(Matrix.Translation((x, y, rng.uniform(0, 0.5))) @ flat @ head)
        else:
            shift = (step_x / 2) * (row % 2)
            depth = ((rows - 1) / 2 - row) * step_y
            out.append(Matrix.Translation((x + shift, depth, 1.1 * (rows - 1 - row))) @ head)
    return out, columns * step_x / 2, rows * step_y / 2


def _box(half_w: float, half_h: float, floor: float) -> None:
    """A cardboard tray round the group."""
    card = plain("tray", hex_to_linear("#b9926a"), "background", roughness=0.9)
    w, h, top = half_w + 0.8, half_h + 0.8, floor + 3.4
    for (x0, y0), (x1, y1) in (
        ((-w, -h), (w, -h)),
        ((w, -h), (w, h)),
        ((w, h), (-w, h)),
        ((-w, h), (-w, -h)),
    ):
        corners = [(x0, y0, floor), (x1, y1, floor), (x1, y1, top), (x0, y0, top)]
        wall = mesh_object("tray", np.array(corners), [(0, 1, 2, 3)], None, card, smooth=False)
        wall.modifiers.new("thick", "SOLIDIFY").thickness = 0.25


def build(rng: Generator, params: dict[str, Any]) -> Subject:
    """Build the group; each head has its own part number from 1 on."""
    count = int(params.get("count", rng.integers(8, 25)))
    layout = str(params.get("layout", rng.choice(["box", "rows"])))
    kinds = min(int(params.get("kinds", 7)), count)
    heads = []
    for _ in range(kinds):
        head = make_head(
            rng,
            {"lips": str(rng.choice(["full", "full", "rubbed", "bare"])), "hair_style": "ponytail"},
            DETAIL,
        )
        head.objects.append(neck_of(head))
        heads.append(head)
    bpy.context.view_layer.update()
    places, half_w, half_h = _places(layout, count, rng)
    chosen = [heads[i % kinds] for i in rng.permutation(count)]
    for index, (head, matrix) in enumerate(zip(chosen, places, strict=True), start=1):
        _copy(head, matrix, index)
    for head in heads:
        for obj in head.objects:
            bpy.data.objects.remove(obj)
    lying = layout == "box"
    floor = -2.5 if lying else -2.75
    if lying:
        _box(half_w, half_h, floor)
    subject = Subject(
        "crowd",
        (0.0, 0.0, 0.0 if lying else 1.0),
        max(half_w, half_h) * 1.02 if lying else max(0.74 * half_w, 0.6 * half_h + 2.4),
        view_dir=(0.0, 0.0, 1.0) if lying else (0.0, -0.94, 0.34),
        up=(0.0, 1.0, 0.0) if lying else (0.0, 0.0, 1.0),
        support="lying" if lying else "standing",
        floor_z=floor,
    )
    subject.finish = lambda it: _finish(it, chosen)
    return subject


def _finish(it: Truthing, chosen: list[Head]) -> None:
    """Boxes of the heads of which at least an eye and some of the mouth can be seen, with their traits."""
    boxes, records = [], []
    eyes = np.isin(it.classes, [CLASSES[n] for n in ("iris", "pupil", "eye_white")])
    for index, head in enumerate(chosen, start=1):
        seen = it.parts == index
        box = box_of(
            seen
            & np.isin(
                it.classes, [CLASSES["skin"], CLASSES["hair"], CLASSES["lip_molded"], CLASSES["lip_paint"]]
            )
        )
        if box is None or (seen & eyes).sum() < 20 or (seen & (it.aux > 0)).sum() < 10:
            continue
        boxes.append(box)
        records.append(
            {
                "box": box,
                "iris_color": {"state": head.paint.iris_state},
                "eyeliner_color": {"state": head.truth["liner"]},
                "skin_sheen": {"state": "greasy" if head.greasy > 0.5 else "matte"},
                "lip_paint": coverage(
                    np.where(seen, it.classes, 0), np.where(seen, it.aux, 0), head.paint.lip_state
                ),
            }
        )
    it.truth["places"]["head_boxes"] = boxes
    it.truth["heads"] = records
