"""Tiptoe feet seen from below, with the states of the hole in a sole.

Local frame: the sole faces −y (the camera), toes up (+z), heel down; the leg leads away behind the heel.
"""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
from mathutils import Matrix

from .head import SKIN_LABS, pick
from .hues import Floats
from .shapes import cubic, noise_image, smoothstep, tube
from .stage import CLASSES, Finish, Shoot, turned

LENGTH = 2.0
KNOTS = np.array([0.0, 0.12, 0.3, 0.5, 0.7, 0.86, 1.0])


class Sole:
    """The build of one foot; ``mirror`` is −1 or 1."""

    def __init__(self, rng: np.random.Generator, mirror: int) -> None:
        self.mirror = mirror
        wide = rng.uniform(0.9, 1.1)
        self.half = np.array([0.20, 0.26, 0.25, 0.23, 0.34, 0.36, 0.20]) * wide
        self.thick = np.array([0.24, 0.28, 0.25, 0.17, 0.16, 0.14, 0.09])
        self.lean = np.array([0.0, 0.0, 0.01, 0.02, 0.03, 0.02, -0.03]) * mirror
        arch = rng.uniform(0.10, 0.25)
        self.arch = np.array([0.10, 0.04, 0.10, arch + 0.08, 0.06, 0.02, 0.06])

    def at(self, s: float, t: float) -> Floats:
        """Return the sole's point at ``s`` (0 heel … 1 toes) and ``t`` (−1 … 1 across)."""
        half, thick, lean, arch = (
            float(cubic(KNOTS, k, np.array([s]))[0]) for k in (self.half, self.thick, self.lean, self.arch)
        )
        flat = (1 - abs(t) ** 3) ** (1 / 3)
        return np.array([lean + half * t, arch + thick * (1 - flat), (s - 0.5) * LENGTH])


def _foot_mesh(sole: Sole) -> bpy.types.Object:
    s = np.linspace(0, 1, 9)
    path = [
        (
            float(cubic(KNOTS, sole.lean, np.array([k]))[0]),
            float(cubic(KNOTS, sole.arch + sole.thick, np.array([k]))[0]),
            (k - 0.5) * LENGTH,
        )
        for k in s
    ]
    radii = [[float(cubic(KNOTS, r, np.array([k]))[0]) for r in (sole.half, sole.thick)] for k in s]

    def square(theta: Floats, t: Floats) -> Floats:
        out = (np.abs(np.cos(theta)) ** 3 + np.abs(np.sin(theta)) ** 3) ** (-1 / 3)
        across = np.cos(theta)
        gaps = sum(np.exp(-(((across - g) / 0.05) ** 2)) for g in (-0.5, -0.18, 0.14, 0.45))
        toes = smoothstep(0.88, 0.93, t) * (np.sin(theta) < 0.5)
        ends = np.sqrt(np.clip(np.minimum(t, 1 - t) / 0.09, 0.02, 1))
        return (out - 0.09 * gaps * toes) * ends

    return tube("foot", path, radii, around=180, steps=220, swell=square)


def _cutter(shoot: Shoot, radius: float, ragged: float, depth: float) -> bpy.types.Object:
    rng = shoot.rng
    n = 96
    theta = np.linspace(0, 2 * np.pi, n, endpoint=False)
    jag = np.zeros(n)
    for k in range(2, 14):
        jag += rng.normal(0, 1 / k**0.6) * np.cos(k * theta + rng.uniform(0, 6.28))
    chips = np.zeros(n)
    if ragged:
        for _ in range(int(rng.integers(2, 6))):
            at = rng.uniform(0, 2 * np.pi)
            turn = np.abs((theta - at + np.pi) % (2 * np.pi) - np.pi)
            chips += rng.uniform(0.1, 0.35) * np.exp(-((turn / rng.uniform(0.08, 0.25)) ** 2))
    r = radius * (1 + ragged * 0.12 * jag + chips)
    from .shapes import mesh_object

    rows = []
    for y, grow in ((-0.4, 1.0), (0.02, 1.0), (depth, 0.97)):
        rows.append(np.stack([np.cos(theta) * r * grow, np.full(n, y), np.sin(theta) * r * grow], -1))
    points = np.concatenate([*rows, [[0, -0.4, 0]], [[0, depth, 0]]])
    quads = []
    for i in range(2):
        for j in range(n):
            k = (j + 1) % n
            quads.append([i * n + j, (i + 1) * n + j, (i + 1) * n + k, i * n + k])
    thing = mesh_object("cutter", points[: 3 * n], np.array(quads))
    import bmesh

    build = bmesh.new()
    build.from_mesh(thing.data)
    bmesh.ops.holes_fill(build, edges=[e for e in build.edges if e.is_boundary], sides=0)
    bmesh.ops.recalc_face_normals(build, faces=build.faces)
    build.to_mesh(thing.data)
    build.free()
    return thing


def _ring(name: str, radius: float, thick: float, flat: float) -> bpy.types.Object:
    """Return a torus around the y axis, its tube flattened along y."""
    bpy.ops.mesh.primitive_torus_add(
        major_radius=radius,
        minor_radius=thick,
        major_segments=72,
        minor_segments=20,
        rotation=(np.pi / 2, 0, 0),
    )
    thing = bpy.context.object
    thing.name = name
    for polygon in thing.data.polygons:
        polygon.use_smooth = True
    thing.scale = (1, 1, flat)
    bpy.context.view_layer.update()
    return thing


def build_foot(
    shoot: Shoot, state: str, mirror: int, skin: Floats, finish: Finish, part: int, dirt: str | None
) -> tuple[list[bpy.types.Object], Floats, Floats | None]:
    """Build one foot; returns its objects, its rim of the sole and the rim of the hole (K, 3) or None."""
    rng, paints = shoot.rng, shoot.paints
    sole = Sole(rng, mirror)
    foot = _foot_mesh(sole)
    color, labels = _foot_sheet(skin, rng, part, dirt)
    foot.data.materials.append(paints.make(f"foot {part}", color, None, finish, labels=labels))
    leg = tube(
        "leg",
        [(0, 0.35, -0.72), (0, 0.75, -0.85), (0, 2.2, -0.95 + rng.uniform(-0.1, 0.3)), (0, 4.0, -0.8)],
        [(0.22, 0.24), (0.23, 0.24), (0.34, 0.34), (0.36, 0.36)],
    )
    leg.data.materials.append(paints.make(f"leg {part}", skin, "skin", finish))
    things = [foot, leg]
    rim = None
    if state != "none":
        s = float(rng.choice([0.14, 0.74])) + rng.uniform(-0.02, 0.02)
        off = rng.uniform(0.15, 0.4) * rng.choice([-1, 1]) if state == "drilled" else rng.uniform(-0.06, 0.06)
        radius = float(rng.uniform(0.055, 0.10))
        center = sole.at(s, float(off))
        things += _hole(shoot, foot, state, center, radius, skin, finish, part)
        theta = np.linspace(0, 2 * np.pi, 48, endpoint=False)
        out = radius * (1.22 if state == "lined" else 1.0)
        rim = center + np.stack([np.cos(theta) * out, np.full(48, -0.01), np.sin(theta) * out], -1)
    edge = [sole.at(float(k), t) for t in (-1.0, 1.0) for k in np.linspace(0, 1, 30)]
    return things, np.array(edge), rim


def _hole(
    shoot: Shoot,
    foot: bpy.types.Object,
    state: str,
    center: Floats,
    radius: float,
    skin: Floats,
    finish: Finish,
    part: int,
) -> list[bpy.types.Object]:
    rng, paints = shoot.rng, shoot.paints
    cutter = _cutter(shoot, radius, 1.0 if state == "drilled" else 0.0, 0.32)
    cutter.location = center
    deep = skin * rng.uniform(0.35, 0.6)
    cutter.data.materials.append(paints.make(f"bore {part}", deep, "hole", Finish(roughness=0.8), part))
    cutter.hide_render = True
    cut = foot.modifiers.new("hole", "BOOLEAN")
    cut.operation, cut.object, cut.solver = "DIFFERENCE", cutter, "EXACT"
    cut.material_mode = "TRANSFER"
    bpy.context.view_layer.update()
    baked = bpy.data.meshes.new_from_object(foot.evaluated_get(bpy.context.evaluated_depsgraph_get()))
    foot.modifiers.clear()
    foot.data = baked
    bpy.data.objects.remove(cutter)
    extra = []
    if state == "open":
        ring = _ring("molded rim", radius * 1.12, radius * 0.16, 0.8)
        ring.data.materials.append(paints.make(f"rim {part}", skin, "skin", finish, part))
        extra.append(ring)
    elif state == "lined":
        metal = [(0.80, 0.62, 0.30), (0.72, 0.71, 0.69), (0.62, 0.42, 0.28)][rng.integers(3)]
        look = Finish(roughness=float(rng.uniform(0.3, 0.55)), metallic=1.0)
        lining = paints.make(f"metal {part}", np.array(metal), "lining", look, part)
        flange = _ring("flange", radius * 1.1, radius * 0.19, 0.7)
        flange.data.materials.append(lining)
        bpy.ops.mesh.primitive_cylinder_add(
            vertices=72, radius=radius * 0.98, depth=0.24, end_fill_type="NOTHING", rotation=(np.pi / 2, 0, 0)
        )
        sleeve = bpy.context.object
        sleeve.data.materials.append(lining)
        bpy.context.view_layer.update()
        sleeve.matrix_world = Matrix.Translation((0, 0.11, 0)) @ sleeve.matrix_world
        extra += [flange, sleeve]
    elif state == "drilled":
        for _ in range(int(rng.integers(4, 10))):
            bpy.ops.mesh.primitive_ico_sphere_add(subdivisions=1, radius=radius * rng.uniform(0.05, 0.14))
            burr = bpy.context.object
            a = rng.uniform(0, 6.28)
            out = radius * rng.uniform(1.0, 1.3)
            burr.scale = tuple(rng.uniform(0.5, 1.8, 3))
            burr.location = (np.cos(a) * out, -0.005, np.sin(a) * out)
            bpy.context.view_layer.update()
            burr.data.materials.append(paints.make("burr", skin * 1.05, "chip", finish, part))
            extra.append(burr)
    for thing in extra:
        thing.matrix_world = Matrix.Translation(center) @ thing.matrix_world
    return extra


def _foot_sheet(
    skin: Floats, rng: np.random.Generator, part: int, dirt: str | None
) -> tuple[Floats, np.ndarray[Any, Any]]:
    """Return color and labels by (length, angle); the sole's middle lies at three quarters of the angle."""
    rows, cols = 1024, 1024
    v = 1 - (np.arange(rows)[:, None] + 0.5) / rows
    u = (np.arange(cols)[None, :] + 0.5) / cols
    color = skin * (1 + 0.015 * noise_image(rng, (rows, cols), 14, 3))[..., None]
    labels = np.zeros((rows, cols, 3), np.uint8)
    labels[..., 0], labels[..., 1] = CLASSES["skin"], part
    at_v, at_u = float(rng.choice([0.2, 0.72])), float(rng.uniform(0.2, 0.3))
    for middle in (at_u, at_u + 0.5):  # whichever side of the loft faces the camera
        away = np.hypot((v - at_v) * 2.0, (u - middle) * 1.4)
        if dirt == "dirt":
            cover = smoothstep(0.35, 0.8, noise_image(rng, (rows, cols), 30, 4)) * smoothstep(0.5, 0.2, away)
            color = color * (1 - 0.7 * cover[..., None]) + 0.7 * cover[..., None] * np.array(
                [0.04, 0.032, 0.025]
            )
            labels[cover > 0.5, 0] = CLASSES["dirt"]
        elif dirt == "paint_dot":
            dot = smoothstep(0.085, 0.075, away + 0.006 * noise_image(rng, (rows, cols), 24))
            paint = np.array([(0.02, 0.02, 0.025), (0.25, 0.02, 0.02), (0.1, 0.05, 0.03)][rng.integers(3)])
            color = color * (1 - dot[..., None]) + paint * dot[..., None]
            labels[dot > 0.5, 0] = CLASSES["paint_dot"]
        elif dirt == "scratch":
            for _ in range(4):
                slope, base = rng.uniform(-1.5, 1.5), rng.uniform(-0.05, 0.05)
                line = np.abs((v - at_v) - slope * (u - middle) - base) < 0.0015
                color[line & (away < rng.uniform(0.1, 0.4))] *= 0.45
    return color, labels


def build_soles(shoot: Shoot, spec: dict[str, Any]) -> tuple[list[bpy.types.Object], list[dict[str, Any]]]:
    """Build the feet of a photo; returns objects and by foot its state, sole rim and hole rim (world)."""
    rng = shoot.rng
    skin = pick(rng, SKIN_LABS[spec["skin"]])
    shoot.surface("skin_exposed", skin)
    finish = Finish(roughness=float(rng.uniform(0.35, 0.6)), subsurface=0.12)
    things, feet = [], []
    states = spec["holes"]
    offsets = [0.0] if len(states) == 1 else [-0.48, 0.48]
    for k, (state, x) in enumerate(zip(states, offsets, strict=True)):
        dirt = spec["dirt"] if k == spec.get("dirty_foot", 0) else None
        made, edge, rim = build_foot(shoot, state, -1 if x < 0 else 1, skin, finish, 20 + k, dirt)
        turn = turned(float(rng.uniform(-12, 12)), float(rng.uniform(-6, 6)), float(rng.uniform(-7, 7)))
        place = (
            Matrix.Translation((x, float(rng.uniform(-0.1, 0.1)), float(rng.uniform(-0.1, 0.1))))
            @ turn.to_4x4()
        )
        for thing in made:
            thing.matrix_world = place @ thing.matrix_world
        from .stage import through

        feet.append(
            {
                "state": state,
                "part": 20 + k,
                "edge": through(place, edge),
                "rim": None if rim is None else through(place, rim),
            }
        )
        things += made
    return things, feet
