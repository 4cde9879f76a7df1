"""Plain doll feet seen from below: tiptoe wedges, flat soles or loaves, holes pressed into lofts.

Parameters of :func:`build` (all optional; drawn at random when absent)::

    states      list of one or two of none, open, lined, drilled_ragged, drilled_neat
    form        tiptoe, flat or loaf
    toes        bumps, grooves, painted or none
    place       ball, heel or both: where the holes are
    pose        held or table
    hand        bool: fingers hold the ankles
    label       None or capital letters in relief (a country is no maker)
    dirt, dots, scratches   numbers of distractors on each sole
    skin_lab, greasy

A foot's own frame: heel at z = 0, toes at z = its length, sole toward -y; cm.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix
from numpy.random import Generator

from sample_images import lettering
from sample_images.blend import grid_object
from sample_images.plain_parts import (
    Array,
    Canvas,
    Loft,
    ball,
    bump,
    hand,
    jitter,
    lowest,
    moved,
    pose,
    step,
    tube,
    vinyl_lab,
    vinyl_look,
)
from sample_images.sculpt import ring_noise
from sample_images.skin import linear
from sample_images.soles import STATES
from sample_images.soles import _finisher as truth_of_feet
from sample_images.subject import Subject
from sample_images.vinyl import plain, vinyl

FORMS = ("tiptoe", "flat", "loaf")
TOES = ("bumps", "grooves", "painted", "none")
LABELS = ("JAPAN", "HONG KONG", "MEXICO", "217", "B-4", "8")
METALS = ((0.75, 0.55, 0.22), (0.72, 0.4, 0.26), (0.6, 0.6, 0.58), (0.9, 0.78, 0.45), (0.2, 0.18, 0.16))


@dataclass(frozen=True)
class Hole:
    """A hole at (x, z), its rim's radius by angle, and its depth, cm."""

    x: float
    z: float
    rim: Callable[[Array], Array]
    radius: float
    depth: float

    def gap(self, x: Array, z: Array) -> Array:
        """Distance outside the rim (about; negative inside)."""
        dx, dz = x - self.x, z - self.z
        return np.hypot(dx, dz) - self.rim(np.arctan2(dz, dx))

    def ring(self, grow: float = 0.0, n: int = 72) -> Array:
        """(n, 2) points round the rim."""
        t = np.linspace(0, 2 * np.pi, n, endpoint=False)
        r = self.rim(t) + grow
        return np.stack([self.x + r * np.cos(t), self.z + r * np.sin(t)], 1)


def build(rng: Generator, params: dict[str, Any]) -> Subject:
    """Make one or two feet; see the module's docstring for ``params``."""
    states = list(params.get("states") or rng.choice(STATES, size=2 if rng.random() < 0.75 else 1))
    if set(states) - set(STATES) or not 1 <= len(states) <= 2:
        raise ValueError(f"states must be one or two of {STATES}, got {states!r}")
    lab = np.asarray(params.get("skin_lab", vinyl_lab(rng)), float)
    look = vinyl_look(rng, params)
    length = float(rng.uniform(2.0, 3.4))
    form = str(params.get("form", rng.choice(FORMS)))
    shape = _shape(rng, form, length)
    toes = str(params.get("toes", rng.choice(TOES)))
    wide = float(shape["widths"].max())
    apart = wide * rng.uniform(1.02, 1.7)
    feet, objects = [], []
    for index, state in enumerate(states):
        made, foot = _foot(rng, params, str(state), index, len(states), shape, length, lab, look, toes, form)
        x = 0.0 if len(states) == 1 else (2 * index - 1) * apart
        matrix = Matrix.Translation((x, rng.normal(0, 0.1), rng.normal(0, 0.1 * length)))
        for axis, spread in (("Y", 9.0), ("X", 8.0), ("Z", 8.0)):
            matrix = matrix @ Matrix.Rotation(math.radians(rng.normal(0, spread)), 4, axis)
        pose(made, matrix)
        foot["rims"] = [moved(matrix, r) for r in foot["rims"]]
        feet.append(foot)
        objects += made
    support = str(params.get("pose", rng.choice(["held", "table"])))
    if bool(params.get("hand", support == "held" and rng.random() < 0.5)):
        for side in (-1, 1):
            at = (side * (apart * (len(states) - 1) + 1.1 * wide), 0.9, length * rng.uniform(0, 0.5))
            objects += hand(rng, at, (side, 0.5, -rng.uniform(0, 1)), float(rng.uniform(0.5, 0.9)))
    yaw, pitch = np.radians([np.clip(rng.normal(0, 14), -40, 40), np.clip(rng.normal(4, 14), -35, 40)])
    if support == "table":
        pitch = abs(pitch) + 0.1
    up = -1.0 if support == "held" and rng.random() < 0.5 else 1.0
    direction = (math.sin(yaw) * math.cos(pitch), -math.cos(yaw) * math.cos(pitch), math.sin(pitch))
    return Subject(
        view="soles",
        target=(0.0, 0.4, 0.5 * length),
        radius=float(length * rng.uniform(0.52, 0.66)),
        view_dir=direction,
        up=(0.0, 0.0, up),
        support="standing" if support == "table" else "held",
        floor_z=lowest(objects) if support == "table" else -30.0,
        view_jitter_deg=3.0,
        surfaces={"skin_exposed": linear(lab)},
        part_places={f"sole_{i + 1}": i + 1 for i in range(len(feet))},
        finish=truth_of_feet(feet),
    )


def _shape(rng: Generator, form: str, length: float) -> dict[str, Any]:
    """Widths, depths and lean of the foot along its length."""
    t = 0.5 - 0.5 * np.cos(np.linspace(0, np.pi, 80))
    ball_w, heel_w = rng.uniform(0.15, 0.22), rng.uniform(0.08, 0.15)
    waist = rng.uniform(0.08, 0.14) if form != "loaf" else ball_w * rng.uniform(0.85, 1.0)
    knots = np.array([0, 0.12, 0.4, 0.7, 0.88, 1.0])
    w = np.interp(t, knots, [heel_w, heel_w, waist, ball_w, ball_w * rng.uniform(0.8, 0.98), ball_w * 0.7])
    kernel = np.hanning(11) / np.hanning(11).sum()
    w = np.convolve(np.pad(w, 5, "edge"), kernel, "valid")
    end = np.sqrt(np.clip(1 - np.clip(np.maximum(0.1 - t, t - 0.88) / 0.1, 0, 1.2) ** 2, 0.001, 1))
    high = {"tiptoe": rng.uniform(0.25, 0.6), "flat": 0.0, "loaf": rng.uniform(0, 0.1)}[form]
    lean = high * np.clip((0.72 - t) / 0.72, 0, 1) ** rng.uniform(0.9, 1.5)
    inward = rng.normal(0, 0.03) * np.sin(np.pi * t)
    deep = rng.uniform(0.07, 0.16)
    return {
        "zs": t * length,
        "widths": w * end * length,
        "depths": np.maximum(deep * end, 0.004) * length,
        "offset_y": lean * length,
        "offset_x": inward * length,
        "exponent": float(rng.uniform(2.0, 3.4)),
        "arch": float(rng.uniform(0, 0.06)) * length,
        "lean": high * length,
    }


def _holes(
    rng: Generator, params: dict[str, Any], state: str, shape: dict[str, Any], length: float
) -> list[Hole]:
    if state == "none":
        return []
    place = str(params.get("place", rng.choice(["ball", "ball", "heel", "both"])))
    spots = {"ball": [0.7], "heel": [0.12], "both": [0.7, 0.12]}[place]
    holes = []
    for spot in spots:
        at = spot + (rng.uniform(-0.12, 0.08) if spot > 0.5 else rng.uniform(-0.01, 0.05))
        wide = float(np.interp(at * length, shape["zs"], shape["widths"]))
        middle = float(np.interp(at * length, shape["zs"], shape["offset_x"]))
        radius = float(min(rng.uniform(0.035, 0.085) * length, 0.55 * wide))
        drilled, ragged = state.startswith("drilled"), state.endswith("ragged")
        off = rng.uniform(-1, 1) * (0.35 if drilled else 0.12) * max(wide - radius, 0)
        holes.append(
            Hole(
                middle + off,
                at * length,
                _rim(rng, radius, drilled, ragged),
                radius,
                radius * rng.uniform(0.9, 2.2),
            )
        )
    return holes


def _rim(rng: Generator, radius: float, drilled: bool, ragged: bool) -> Callable[[Array], Array]:
    oval, turn = rng.uniform(0, 0.14 if drilled else 0.05), rng.uniform(0, np.pi)
    coarse, fine = ring_noise(rng, range(3, 9), 0.5), ring_noise(rng, range(10, 24), 0.2)
    a, b = (rng.uniform(0.03, 0.09), rng.uniform(0.01, 0.03)) if ragged else (0.004, 0.0)

    def rim(angle: Array) -> Array:
        return radius * (1 + oval * np.cos(2 * (angle - turn)) + a * coarse(angle) + b * fine(angle))

    return rim


def _foot(
    rng: Generator, params: dict[str, Any], state: str, index: int, count: int, shape: dict[str, Any],
    length: float, lab: Any, look: dict[str, Any], toes: str, form: str,
) -> tuple[list[bpy.types.Object], dict[str, Any]]:  # fmt: skip
    """One foot in its own frame: its objects, and its state, rims and label."""
    part, mirror = index + 1, -1.0 if index == 0 and count == 2 else 1.0
    shape = {**shape, "offset_x": mirror * shape["offset_x"]}
    holes = _holes(rng, params, state, shape, length)
    tips = [(-mirror * (0.62 - 0.32 * i), 0.965 - 0.035 * i**1.3) for i in range(5)]
    tip_w = float(np.interp(0.85 * length, shape["zs"], shape["widths"]))
    grooves = [mirror * tip_w * s for s in (-0.25, 0.12, 0.42, 0.68)]
    rise = rng.choice([0.0, rng.uniform(0.0, 0.02)]) * length
    soft = float(rng.uniform(0.006, 0.02)) * length

    def smooth_relief(x: Array, z: Array) -> Array:
        out = -shape["arch"] * bump(x, z, (0, 0.4 * length), (9.0, 0.17 * length))
        if toes == "grooves":
            for g in grooves:
                out = out - 0.02 * length * np.exp(-(((x - g) / (0.012 * length)) ** 2)) * step(
                    z, 0.8 * length, 0.86 * length
                )
        return out

    def relief(x: Array, z: Array) -> Array:
        out = smooth_relief(x, z)
        for h in holes:
            gap = h.gap(x, z)
            out = (
                out
                - h.depth * step(gap, 0.0, -0.35 * soft)
                + (rise if state == "open" else 0) * np.exp(-((gap / (0.3 * h.radius)) ** 2))
            )
        return out

    solid = Loft(
        shape["zs"],
        shape["widths"],
        shape["depths"],
        shape["exponent"],
        shape["offset_x"],
        shape["offset_y"],
        smooth_relief,
    )
    carved = Loft(
        shape["zs"],
        shape["widths"],
        shape["depths"],
        shape["exponent"],
        shape["offset_x"],
        shape["offset_y"],
        relief,
    )
    reach = float(np.max(shape["widths"] + np.abs(shape["offset_x"]))) + 0.05
    canvas = Canvas.blank((-reach, reach, 0.0, length), 640, linear(lab), part)
    label = _wear(rng, params, canvas, holes, length)
    if toes in ("grooves", "painted"):
        for g in grooves:
            line = np.stack([np.full(6, g), np.linspace(0.83, 0.985, 6) * length], 1)
            canvas.lay(canvas.stroke(line, 0.012 * length) * 0.6, np.asarray(linear(lab)) * 0.35)
    for h in holes:
        _hole_paint(rng, canvas, h, state, np.asarray(linear(lab)))
    bare = vinyl(f"foot{part}", linear(lab), **look)
    objects = [
        carved.build(
            f"sole{part}", canvas.material(f"sole{part}", look, 0.01 * length), bare, canvas.frame, 300, 300
        )
    ]
    if toes == "bumps":
        tip = vinyl(f"toe{part}", linear(lab), part=part, **look)
        size = tip_w * rng.uniform(0.17, 0.23)
        for i, (x, z) in enumerate(tips):
            big = size * (1.35 if i == 0 else 1 - 0.08 * i)
            at = (x * tip_w, -0.35 * shape["depths"].max() * rng.uniform(0, 1), z * length)
            objects.append(ball("toe", at, (big, big, 1.25 * big), tip))
    objects += _ankle(rng, bare, shape, length, form)
    if state == "lined":
        for h in holes:
            objects.append(_lining(rng, h, solid, part))
    rims = [solid.front(h.ring()) for h in holes]
    return objects, {"state": state, "rims": rims, "label": label}


def _ankle(
    rng: Generator, bare: bpy.types.Material, shape: dict[str, Any], length: float, form: str
) -> list[bpy.types.Object]:
    """Ankle and shin behind the heel."""
    r = float(shape["widths"].max()) * rng.uniform(0.5, 0.75)
    heel = np.array([0.0, shape["lean"] * 0.9 + 0.4 * r, 0.14 * length])
    away = np.array(
        [rng.normal(0, 0.1), 1.0, rng.uniform(-0.1, 0.5) if form == "tiptoe" else rng.normal(0, 0.15)]
    )
    path = [heel + np.array([0, 0, 0.12 * length]), heel + 0.35 * length * away, heel + 2.2 * length * away]
    return [tube("shin", path, [0.9 * r, 0.8 * r, 1.5 * r], bare)]


def _hole_paint(rng: Generator, canvas: Canvas, hole: Hole, state: str, base: Array) -> None:
    """Class and color of the opening; fresh cuts are whiter and chipped, old rims dirty."""
    gap = hole.gap(canvas.x, canvas.z)
    canvas.height *= step(gap, 0.0, 0.25 * hole.radius)
    if state == "drilled_ragged":
        angle = np.arctan2(canvas.z - hole.z, canvas.x - hole.x)
        reach = hole.radius * np.clip(0.15 + 0.2 * ring_noise(rng, range(2, 14), 0.2)(angle), 0, 0.6)
        canvas.lay(canvas.edge(reach - gap) * (reach > 0.02), 0.4 * base + 0.45, "chip")
    elif state == "drilled_neat":
        canvas.lay(0.5 * np.exp(-((gap / (0.08 * hole.radius)) ** 2)), 0.6 * base + 0.3)
    elif rng.random() < 0.5:
        canvas.lay(rng.uniform(0.1, 0.6) * np.exp(-((gap / (0.12 * hole.radius)) ** 2)), (0.1, 0.07, 0.05))
    inner = base * rng.uniform(0.04, 0.5)
    canvas.lay(canvas.edge(-gap), inner, "hole")


def _lining(rng: Generator, hole: Hole, solid: Loft, part: int) -> bpy.types.Object:
    """A metal ring or grommet in the hole."""
    flange, wall = rng.uniform(-0.02, 0.16) * hole.radius, rng.uniform(0.12, 0.3) * hole.radius
    proud = rng.uniform(0.0, 0.14) * hole.radius
    t = np.linspace(0, 2 * np.pi, 64, endpoint=False)
    y = float(np.median(solid.front(hole.ring())[:, 1]))
    rings = []
    for out, up in (
        (flange, 0.1),
        (flange, -0.6 * proud),
        (0.4 * (flange - wall), -proud - 0.02 * hole.radius),
        (-wall, -0.4 * proud),
        (-wall, 0.9 * hole.depth),
    ):
        r = hole.rim(t) + out
        rings.append(np.stack([hole.x + r * np.cos(t), y + up + 0 * t, hole.z + r * np.sin(t)], 1))
    rgb = np.array(METALS[int(rng.integers(len(METALS)))]) * rng.uniform(0.6, 1.1)
    metal = plain("lining", np.clip(rgb, 0, 1), "lining", float(rng.uniform(0.12, 0.6)), 1.0, part)
    return grid_object("lining", np.stack(rings), metal, wrap_u=True)


def _wear(
    rng: Generator, params: dict[str, Any], canvas: Canvas, holes: list[Hole], length: float
) -> dict[str, Any] | None:
    """Dirt, paint dots, scratches, a seam and a label."""
    canvas.dirt(rng, int(params.get("dirt", rng.poisson(1.6))), 0.05 * length)
    canvas.scratches(rng, int(params.get("scratches", rng.poisson(1.5))))
    for _ in range(int(params.get("dots", rng.random() < 0.3))):
        at = (rng.normal(0, 0.03) * length, rng.choice([0.1, 0.5, 0.68, 0.72]) * length)
        if any(math.hypot(at[0] - h.x, at[1] - h.z) < 0.2 * length for h in holes):
            continue
        gap = rng.uniform(0.025, 0.08) * length - np.hypot(canvas.x - at[0], canvas.z - at[1])
        canvas.lay(
            canvas.edge(gap),
            jitter(rng, (rng.choice([4, 8, 20, 40]), rng.normal(0, 12), rng.normal(0, 12)), 1),
            "paint_dot",
        )
    if rng.random() < 0.3:
        canvas.height += 0.5 * np.exp(-(((canvas.x - rng.normal(0, 0.03)) / (0.006 * length)) ** 2))
    text = params.get("label", rng.choice(LABELS) if rng.random() < 0.35 else None)
    if not text:
        return None
    boxed = bool(rng.random() < 0.5)
    mask = lettering.draw(rng, [str(text)], cap_px=float(rng.uniform(22, 40)), box=boxed)
    tile = np.asarray(mask.height, np.float32) * rng.choice([-1.0, 1.0, 1.0])
    tile = np.rot90(tile, int(rng.choice([0, 1, 3])))
    h, w = canvas.height.shape
    row, column = int(h * rng.choice([0.45, 0.6, 0.88])) - tile.shape[0] // 2, w // 2 - tile.shape[1] // 2
    a, b, c, d = max(row, 0), min(row + tile.shape[0], h), max(column, 0), min(column + tile.shape[1], w)
    canvas.height[a:b, c:d] += tile[a - row : b - row, c - column : d - column]
    return {"text": str(text), "boxed": boxed}
