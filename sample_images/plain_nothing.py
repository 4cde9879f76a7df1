"""Pictures of things that are no dolls.

Params: ``kind``: one of :data:`KINDS`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix
from numpy.random import Generator

from sample_images import lettering
from sample_images.backgrounds import clutter_object
from sample_images.blend import grid_object, image_from_array, mesh_object, set_class
from sample_images.plain_face import make_head
from sample_images.plain_parts import Loft, any_color, ball, cloud, hand, lowest, pose, tube
from sample_images.subject import Subject
from sample_images.vinyl import plain

WORDS = ("NOTES", "TEA", "FRAGILE", "OPEN HERE", "12 PIECES", "PRICE LIST", "LOT 7", "THE GARDEN", "VOL. II")
Objects = list[bpy.types.Object]


def _stuff(rng: Generator, name: str, rgb: Any = None, metal: bool = False) -> bpy.types.Material:
    color = any_color(rng) if rgb is None else rgb
    return plain(name, color, "background", float(rng.uniform(0.12, 0.95)), 1.0 if metal else 0.0)


def _box(at: Any, size: Any, material: bpy.types.Material) -> bpy.types.Object:
    bpy.ops.mesh.primitive_cube_add(size=1, location=tuple(map(float, at)))
    obj = bpy.context.object
    obj.scale = tuple(map(float, size))
    bevel = obj.modifiers.new("bevel", "BEVEL")
    bevel.width, bevel.segments = 0.05, 2
    obj.data.materials.append(material)
    return obj


def _turned(profile: Any, material: bpy.types.Material, at: Any = (0, 0, 0)) -> bpy.types.Object:
    """A lathed thing from (radius, height) pairs."""
    r, z = np.asarray(profile, float).T
    k = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    ring = np.stack([r[:, None] * np.cos(k), r[:, None] * np.sin(k), z[:, None] + 0 * k], -1)
    return grid_object("turned", ring + np.asarray(at, float), material, wrap_u=True, flip=True)


def _sheet(rng: Generator, lines: list[str], paper: Any, ink: Any) -> bpy.types.Material:
    """Paper printed with lines of text."""
    block = lettering.draw(rng, lines, 26, softness=0.02).height
    side = max(block.shape) + 30
    page = np.zeros((side, side), np.float32)
    row, column = (side - block.shape[0]) // 2, (side - block.shape[1]) // 2
    page[row : row + block.shape[0], column : column + block.shape[1]] = block
    color = np.asarray(paper) * (1 - page[..., None]) + np.asarray(ink) * page[..., None]
    material = plain("sheet", paper, "background", 0.8)
    tree = material.node_tree
    texture = tree.nodes.new("ShaderNodeTexImage")
    texture.image = image_from_array("sheet", np.clip(color, 0.01, 0.9))
    tree.links.new(texture.outputs["Color"], tree.nodes["Principled BSDF"].inputs["Base Color"])
    return material


def _card(at: Any, wide: float, high: float, material: bpy.types.Material) -> bpy.types.Object:
    x, z = wide / 2, high / 2
    corners = np.array([[-x, 0, -z], [x, 0, -z], [x, 0, z], [-x, 0, z]]) + np.asarray(at, float)
    return mesh_object(
        "card", corners, [(0, 1, 2, 3)], np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]]), material, False
    )


def _mugs(rng: Generator) -> Objects:
    out: Objects = []
    for x in (-1.9, 1.9)[: int(rng.integers(1, 3))]:
        material, r, h = _stuff(rng, "mug"), rng.uniform(1.0, 1.6), rng.uniform(2, 3.6)
        profile = [
            (0.01, 0),
            (0.9 * r, 0),
            (r, 0.2),
            (r * rng.uniform(0.9, 1.15), h),
            (0.88 * r, h),
            (0.8 * r, 0.3),
            (0.01, 0.3),
        ]
        out.append(_turned(profile, material, (x, 0, 0)))
        t = np.linspace(-1.3, 1.3, 5)
        out.append(
            tube(
                "ear",
                np.stack([x + r + 0.7 * np.cos(t), 0 * t, h / 2 + 0.3 * h * np.sin(t)], 1),
                np.full(5, 0.2),
                material,
            )
        )
    return out


def _pseudo_face(rng: Generator) -> Objects:
    r = rng.uniform(1.4, 2.3)
    out = [ball("ball", (0, 0, r), (r, r, r * rng.uniform(0.8, 1.2)), _stuff(rng, "ball"))]
    dark = _stuff(rng, "dot", (0.02, 0.02, 0.03))
    gap, up = rng.uniform(0.3, 0.5) * r, rng.uniform(0.05, 0.4) * r
    for s in (-1, 1):
        y = -math.sqrt(max(r * r - gap * gap - up * up, 0.1))
        out.append(ball("dot", (s * gap, y, r + up), np.full(3, rng.uniform(0.1, 0.24) * r), dark))
    if rng.random() < 0.5:
        t = np.linspace(-0.4, 0.4, 5) * r
        out.append(
            tube(
                "line",
                np.stack([t, -np.sqrt(r * r - t * t - 0.15 * r * r), r * 0.6 + 0.4 * t * t / r], 1),
                np.full(5, 0.07),
                dark,
            )
        )
    return out


def _boxes(rng: Generator) -> Objects:
    out: Objects = []
    for i in range(int(rng.integers(1, 4))):
        size = rng.uniform(1.6, 3.4, 3)
        at = np.array([2.4 * i - 2, rng.normal(0, 0.8), size[2] / 2])
        out.append(_box(at, size, _stuff(rng, "box")))
        words = [str(w) for w in rng.choice(WORDS, int(rng.integers(1, 3)), replace=False)]
        front = at - [0, size[1] / 2 + 0.01, 0]
        out.append(
            _card(front, 0.8 * size[0], 0.8 * size[0], _sheet(rng, words, any_color(rng), any_color(rng)))
        )
    return out


def _shoes(rng: Generator) -> Objects:
    out: Objects = []
    t = np.linspace(0, 1, 60)
    for x in (-1.0, 1.0)[: int(rng.integers(1, 3))]:
        w = 0.75 * np.sqrt(np.clip(np.minimum(t * 8, (1 - t) * 5), 0.01, 1)) * (1 - 0.2 * np.sin(3 * t))
        shoe = Loft(t * 5 - 2.5, w, w * (0.9 - 0.4 * t), 2.4, offset_y=-0.4 * t)
        made = shoe.build("shoe", _stuff(rng, "shoe"), _stuff(rng, "shoe.top"), (-1, 1, -2.5, 2.5), 60, 60)
        made.location = (x, 0, 0.7)
        made.rotation_euler = (rng.choice([-1, 1]) * math.pi / 2, 0, rng.normal(0, 0.3))
        out.append(made)
    return out


def _textile(rng: Generator) -> Objects:
    x, y = np.meshgrid(np.linspace(-5, 5, 120), np.linspace(-5, 5, 120))
    fold = 0.5 + 0.25 * cloud(rng, x.shape, int(rng.integers(2, 7)), 2)
    return [grid_object("textile", np.stack([x, y, fold], -1), _stuff(rng, "textile"))]


def _hand(rng: Generator) -> Objects:
    out = hand(rng, (0, 0, 2.5), (rng.normal(0, 0.5), 0.1, -1), 1.4)
    bpy.ops.mesh.primitive_torus_add(major_radius=0.42, minor_radius=0.08, location=(-0.6, 0, 0.6))
    ring = bpy.context.object
    ring.data.materials.append(_stuff(rng, "ring", (0.8, 0.6, 0.25), True))
    return [*out, ring]


def _coins(rng: Generator) -> Objects:
    out: Objects = []
    for _ in range(int(rng.integers(1, 8))):
        r, x, y = rng.uniform(0.6, 1.4), rng.normal(0, 1.8), rng.normal(0, 1.8)
        metal = _stuff(
            rng, "coin", [(0.7, 0.5, 0.2), (0.6, 0.6, 0.58), (0.6, 0.3, 0.18)][int(rng.integers(3))], True
        )
        z = 0.05 + 0.15 * len(out)
        out.append(
            _turned(
                [
                    (0.01, z),
                    (r, z),
                    (r, z + 0.12),
                    (0.88 * r, z + 0.12),
                    (0.85 * r, z + 0.07),
                    (0.01, z + 0.07),
                ],
                metal,
                (x, y, 0),
            )
        )
        out.append(ball("bust", (x, y, z + 0.08), (0.35 * r, 0.5 * r, 0.06), metal))
    return out


def _bottles(rng: Generator) -> Objects:
    out: Objects = []
    for i in range(int(rng.integers(1, 4))):
        r, h, n = rng.uniform(0.6, 1.2), rng.uniform(2.5, 4), rng.uniform(0.2, 0.4)
        profile = [(0.01, 0), (r, 0.05), (r, 0.65 * h), (n, 0.82 * h), (n, h), (n * 1.2, h), (0.01, h + 0.02)]
        out.append(_turned(profile, _stuff(rng, "bottle"), (2.2 * i - 2, rng.normal(0, 0.6), 0)))
    return out


def _fruit(rng: Generator) -> Objects:
    tones = ((0.5, 0.03, 0.02), (0.6, 0.4, 0.03), (0.25, 0.4, 0.05), (0.7, 0.25, 0.03), (0.62, 0.35, 0.25))
    out: Objects = []
    for i in range(int(rng.integers(2, 6))):
        r = rng.uniform(0.8, 1.3)
        material = _stuff(rng, "fruit", tones[int(rng.integers(len(tones)))])
        out.append(
            ball(
                "fruit",
                (rng.normal(0, 2), rng.normal(0, 1), r),
                (r, r, r * rng.uniform(0.8, 1.3)),
                material,
                0.02,
                i,
            )
        )
    return out


def _books(rng: Generator) -> Objects:
    out: Objects = []
    z = 0.0
    for _ in range(int(rng.integers(1, 5))):
        h = rng.uniform(0.3, 1.0)
        book = _box((rng.normal(0, 0.3), rng.normal(0, 0.3), z + h / 2), (4.2, 3.0, h), _stuff(rng, "book"))
        book.rotation_euler = (0, 0, float(rng.normal(0, 0.2)))
        out.append(book)
        z += h
    return out


def _statue(rng: Generator) -> Objects:
    """A head of one plaster color: a face, but nobody's paint."""
    head = make_head(rng, {"hair": str(rng.choice(["shell", "curls", "bun", "bald"])), "lips": "bare"}, 200)
    tone = np.full(3, rng.uniform(0.2, 0.85)) * np.array([1, rng.uniform(0.86, 1), rng.uniform(0.7, 1)])
    plaster = _stuff(rng, "plaster", tone)
    for obj in head.objects:
        for i in range(len(obj.data.materials)):
            obj.data.materials[i] = plaster
    r = 0.7
    out = [*head.objects, tube("neck", [(0, 0.2, -1), (0, 0.2, -3.4)], [r, 1.4 * r], plaster)]
    pose(out, Matrix.Translation((0, 0, 3.5)) @ Matrix.Rotation(rng.normal(0, 0.4), 4, "Z"))
    return out


def _toys(rng: Generator) -> Objects:
    paint, dark = _stuff(rng, "car"), _stuff(rng, "tire", (0.02, 0.02, 0.02))
    out = [_box((0, 0, 0.8), (4.2, 1.8, 0.9), paint), _box((-0.2, 0, 1.6), (2.2, 1.5, 0.9), paint)]
    for x in (-1.3, 1.3):
        for y in (-0.95, 0.95):
            out.append(ball("tire", (x, y, 0.5), (0.5, 0.2, 0.5), dark))
    for _ in range(int(rng.integers(0, 4))):
        s = rng.uniform(0.8, 1.4)
        block = _box((rng.normal(0, 3), rng.uniform(1, 3), s / 2), (s, s, s), _stuff(rng, "block"))
        block.rotation_euler = (0, 0, float(rng.uniform(0, 3)))
        out.append(block)
    return out


def _paper(rng: Generator) -> Objects:
    lines = [str(w) for w in rng.choice(WORDS, int(rng.integers(3, 7)), replace=False)]
    sheet = _card(
        (0, 0, 0), 7.5, 7.5, _sheet(rng, lines, (0.75, 0.73, 0.68), np.asarray(any_color(rng)) * 0.2)
    )
    sheet.rotation_euler = (-math.pi / 2 + rng.normal(0, 0.02), 0, rng.normal(0, 0.2))
    sheet.location = (0, 0, 0.1)
    return [sheet]


def _clutter(rng: Generator) -> Objects:
    out: Objects = []
    for i in range(int(rng.integers(3, 10))):
        obj = clutter_object(rng, float(rng.uniform(1, 3)))
        obj.location = (float(rng.normal(0, 2.2)), float(rng.normal(0, 1.8)), 0.4 + 0.1 * i)
        out.append(obj)
    return out


KINDS: dict[str, Callable[[Generator], Objects]] = {
    "mugs": _mugs,
    "pseudo_face": _pseudo_face,
    "boxes": _boxes,
    "shoes": _shoes,
    "textile": _textile,
    "hand": _hand,
    "coins": _coins,
    "bottles": _bottles,
    "fruit": _fruit,
    "books": _books,
    "statue": _statue,
    "toys": _toys,
    "paper": _paper,
    "clutter": _clutter,
}


def build(rng: Generator, params: dict[str, Any]) -> Subject:
    """Build the things; everything is background in the masks."""
    kind = str(params.get("kind", rng.choice(list(KINDS))))
    objects = KINDS[kind](rng)
    for obj in objects:
        for material in obj.data.materials:
            set_class(material, "background")
    flat = kind in ("coins", "paper", "textile", "books")
    pitch = rng.uniform(0.9, 1.5) if flat else rng.uniform(0.05, 0.7)
    middle = 3.5 if kind == "statue" else 0.3 if flat else 1.5
    return Subject(
        "other",
        (0.0, 0.0, middle),
        float(rng.uniform(2.6, 4.6)),
        view_dir=(0.0, -math.cos(pitch), math.sin(pitch)),
        floor_z=lowest(objects) if kind != "textile" else -0.8,
    )
