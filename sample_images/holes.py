"""Render one spot on a sole as everything it may be, for training (``train_hole``).

    python -m sample_images.holes --out DIR --count N [--start SEED] [--samples 8]
                                  [--shard i/n] [--seconds S]

Each seed draws one bare sole, one light and one camera, and renders six spots in them from one place: what
lies on the surface (paint, dirt, a dent, a molded ring, a stuck-on bead, a hollow too shallow to be one), a
molded hole with a plain rounded edge, a molded hole with a raised bead round it, a hole lined with metal, a
ragged cut and a neat one. So the six differ in what they are and in nothing else. Writes
``DIR/<seed>.npz``:

- ``pictures``: (6, S, S, 3) uint8, square root of linear Rec.709 up to one factor;
- ``spots``: (6, 3) float, center x, y and radius (px) of the dark or of what looks like it.

A drill leaves an edge as it pleases the hand that held it; a mold leaves the same edge all round. Finished
seeds are skipped, failing ones counted. Needs ``bpy`` 4.5, numpy and Pillow.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from sample_images import render, scene, seeds
from sample_images.blend import grid_object, image_from_array
from sample_images.plain_parts import vinyl_lab, vinyl_look
from sample_images.recipes import Recipe
from sample_images.sculpt import ring_noise
from sample_images.skin import linear
from sample_images.subject import Subject
from sample_images.vinyl import plain, vinyl

Array = NDArray[Any]
KINDS = ("surface", "open_plain", "open_beaded", "lined", "drilled_ragged", "drilled_neat")
METALS = ((0.75, 0.55, 0.22), (0.72, 0.4, 0.26), (0.6, 0.6, 0.58), (0.9, 0.78, 0.45), (0.2, 0.18, 0.16))
#: Radius of a spot in rendered pixels, and half the rendered window in such radii.
RADIUS_PX, REACH = 26.0, 3.5
#: Directions round the spot in which the sole is modeled.
ROUND = 144
_TURN = np.linspace(0, 2 * np.pi, ROUND, endpoint=False)


@dataclass(frozen=True)
class Pad:
    """The sole: a rounded pad in the x-z plane that faces -y; all lengths in cm.

    ``half`` are its half width and half length, ``square`` the exponents of its outline and of its section,
    ``deep`` how far its border lies behind its middle; the spot is at the origin, the pad's middle at ``at``.
    """

    half: tuple[float, float]
    square: tuple[float, float]
    deep: float
    at: tuple[float, float]
    waves: Array

    @classmethod
    def draw(cls, rng: Generator, radius: float) -> Pad:
        """Draw a pad for a spot of this radius."""
        half = radius * np.exp(rng.uniform(np.log([2.2, 3.5]), np.log([7.0, 14.0])))
        at = rng.uniform(-0.4, 0.4, 2) * (half - 1.9 * radius)
        waves = np.concatenate([rng.normal(0, 0.9, (4, 2)) / radius, rng.uniform(0, 6.3, (4, 1))], 1)
        return cls(
            (float(half[0]), float(half[1])),
            (float(rng.uniform(2, 3.4)), float(rng.uniform(1.6, 3.2))),
            float(half[0] * rng.uniform(0.15, 0.8)),
            (float(at[0]), float(at[1])),
            np.concatenate([waves, rng.uniform(0, 0.02 * radius, (4, 1))], 1),
        )

    def border(self) -> Array:
        """Return (ROUND,) distance from the spot to the pad's border."""
        low, high = np.zeros(ROUND), np.full(ROUND, 4 * max(self.half))
        for _ in range(40):
            middle = (low + high) / 2
            inside = self._share(middle * np.cos(_TURN), middle * np.sin(_TURN)) < 1
            low, high = np.where(inside, middle, low), np.where(inside, high, middle)
        return low

    def _share(self, x: Array, z: Array) -> Array:
        p = self.square[0]
        u, v = np.abs((x - self.at[0]) / self.half[0]), np.abs((z - self.at[1]) / self.half[1])
        return (u**p + v**p) ** (1 / p)

    def height(self, x: Array, z: Array) -> Array:
        """Return how far the smooth surface lies toward the viewer."""
        k = self.square[1]
        dome = self.deep * ((1 - np.clip(self._share(x, z), 0, 1) ** k) ** (1 / k) - 1)
        waves = sum(a * np.sin(u * x + v * z + s) for u, v, s, a in self.waves)
        return np.asarray(dome + waves)


@dataclass(frozen=True)
class Edge:
    """How a hole's edge runs: radius by direction, and height by distance outside it and direction (cm)."""

    radius: Array
    lip: Callable[[Array], Array]
    start: float
    """Height at which the wall begins, relative to the smooth surface."""


def _even(rng: Generator, radius: float, oval: float) -> Array:
    """Return the radius by direction of a slightly oval hole."""
    return radius * (1 + rng.uniform(0, oval) * np.cos(2 * (_TURN - rng.uniform(0, np.pi))))


def plain_edge(rng: Generator, radius: float) -> Edge:
    """Return a molded edge that is rounded off alike all round."""
    round_off = radius * float(np.exp(rng.uniform(np.log(0.05), np.log(0.4))))

    def lip(gap: Array) -> Array:
        return -round_off * (1 - np.sqrt(np.clip(1 - np.clip(1 - gap / round_off, 0, 1) ** 2, 0, 1)))

    return Edge(_even(rng, radius, 0.04), lip, -round_off)


def beaded_edge(rng: Generator, radius: float) -> Edge:
    """Return a molded edge with a bead of one width and height round it, perhaps in a groove."""
    wide = radius * float(rng.uniform(0.14, 0.55))
    high = wide * float(rng.uniform(0.2, 0.75))
    shape = float(rng.choice([0.5, rng.uniform(0.5, 1.6)]))
    groove = float(rng.choice([0.0, 0.0, rng.uniform(0.1, 0.5)])) * high

    def lip(gap: Array) -> Array:
        across = np.clip(np.abs(gap - wide / 2) / (wide / 2), 0, 1)
        beside = np.exp(-(((gap - 1.25 * wide) / (0.25 * wide)) ** 2))
        return high * (1 - across**2) ** shape - groove * beside

    return Edge(_even(rng, radius, 0.04), lip, 0.0)


def neat_edge(rng: Generator, radius: float) -> Edge:
    """Return the sharp edge of a clean cut, perhaps with a burr that differs round the hole."""
    burr = radius * float(rng.choice([0.0, rng.uniform(0.02, 0.1)]))
    wide = radius * float(rng.uniform(0.04, 0.16))
    around = np.clip(ring_noise(rng, range(1, 7), 0.3)(_TURN), 0, 1.6)[:, None]
    bevel = radius * float(rng.choice([0.0, rng.uniform(0.01, 0.05)]))

    def lip(gap: Array) -> Array:
        return burr * around * np.exp(-((gap / wide) ** 2)) - bevel * np.exp(-gap / max(bevel, 1e-6))

    return Edge(_even(rng, radius, 0.09), lip, -bevel)


def ragged_edge(rng: Generator, radius: float) -> Edge:
    """Return a torn or chipped edge: uneven, with lips and flat chips here and there."""
    coarse, fine = ring_noise(rng, range(3, 10), 0.5)(_TURN), ring_noise(rng, range(10, 26), 0.15)(_TURN)
    teeth = np.abs(((_TURN * rng.integers(4, 11) / (2 * np.pi) + rng.uniform()) % 1) * 2 - 1) - 0.5
    uneven = np.exp(rng.uniform(np.log(0.03), np.log(0.14))) * coarse + rng.uniform(0.005, 0.05) * fine
    uneven = uneven + rng.choice([0.0, rng.uniform(0.05, 0.35)]) * teeth * np.clip(1 + 0.6 * coarse, 0, 2)
    lips = (
        radius
        * rng.uniform(0, 0.2)
        * np.clip(ring_noise(rng, range(1, int(rng.integers(6, 16))), 0.3)(_TURN), 0, 2)
    )
    chips = radius * rng.uniform(0, 0.25) * np.clip(ring_noise(rng, range(2, 14), 0.2)(_TURN) - 0.6, 0, 1)
    wide = radius * float(rng.uniform(0.06, 0.25))

    def lip(gap: Array) -> Array:
        raised = lips[:, None] * np.exp(-((gap / wide) ** 2))
        return raised - chips[:, None] * (gap < wide * (1 + 2 * np.clip(fine, -0.4, 1)[:, None]))

    return Edge(_even(rng, radius, 0.14) * np.clip(1 + uneven, 0.55, 1.6), lip, 0.0)


EDGES = {
    "open_plain": plain_edge,
    "open_beaded": beaded_edge,
    "drilled_ragged": ragged_edge,
    "drilled_neat": neat_edge,
}


@dataclass
class Sole:
    """One seed's sole: its shape and material, and what every spot on it has in common."""

    pad: Pad
    base: Array
    look: dict[str, Any]
    radius: float
    wear: Array
    """(384, 384, 3) linear color of the surface round the spot, with its dirt; no spot yet."""
    inside: Callable[[Array, Array], list[bpy.types.Object]]
    """Builds what lies behind a hole, from (ROUND, 3) points of its rim and distances to the pad's border."""

    @property
    def extent(self) -> float:
        """Half the side of the color map, cm."""
        return 4.5 * self.radius


def draw_sole(rng: Generator) -> Sole:
    """Draw a sole at random."""
    radius = float(rng.uniform(0.1, 0.24))
    base = np.asarray(linear(vinyl_lab(rng)))
    size = 384
    wear = np.ones((size, size, 3)) * base
    axis = (np.arange(size) + 0.5) / size * 9 - 4.5
    x, z = axis[None, :], -axis[:, None]
    for _ in range(rng.poisson(2.5)):
        at, wide = rng.uniform(-4, 4, 2), rng.uniform(0.1, 0.9, 2)
        patch = np.clip(1.4 - np.hypot((x - at[0]) / wide[0], (z - at[1]) / wide[1]), 0, 1) ** 0.7
        wear += (np.array([0.1, 0.075, 0.05]) * rng.uniform(0.4, 3) - wear) * (patch * rng.uniform(0.1, 0.8))[
            ..., None
        ]
    look = vinyl_look(rng, {})
    return Sole(
        Pad.draw(rng, radius), base, look, radius, np.clip(wear, 0, 0.95), _draw_inside(rng, base, radius)
    )


def _draw_inside(
    rng: Generator, base: Array, radius: float
) -> Callable[[Array, Array], list[bpy.types.Object]]:
    """Draw what lies behind a hole's wall: a blind end, a wide hollow, or nothing (the hole goes through)."""
    thick = radius * float(np.exp(rng.uniform(np.log(0.25), np.log(2.5))))
    wider = float(rng.choice([1.0, rng.uniform(1.0, 1.15), rng.uniform(1.4, 2.2)]))
    deep = radius * float(np.exp(rng.uniform(np.log(1.0), np.log(6))))
    through = bool(rng.random() < 0.2)
    lean = rng.normal(0, 0.35, 2) * (wider > 1.2)
    shade = base * np.exp(rng.uniform(np.log(0.08), 0))
    rough = float(rng.uniform(0.3, 0.8))

    def build(rim: Array, border: Array) -> list[bpy.types.Object]:
        middle = rim.mean(0)
        rings = [rim, rim + np.array([0, thick, 0])]
        flat = (rim - middle) * [1, 0, 1]
        within = np.minimum(wider, 0.8 * border / np.hypot(flat[:, 0], flat[:, 2]))[:, None]
        for share in (0.05, 1.0):
            drift = np.array([lean[0] * deep * share, thick + deep * share, lean[1] * deep * share])
            rings.append(middle + flat * within + drift)
        if not through:
            rings.append(np.broadcast_to(rings[-1].mean(0), rim.shape))
        return [grid_object("wall", np.stack(rings), plain("wall", shade, "hole", rough), wrap_u=True)]

    return build


# --- the six spots ----------------------------------------------------------------------------------


def surface_of(sole: Sole, color: Array, edge: Edge | None, relief: Callable[[Array], Array]) -> list[Any]:
    """Build the sole, bored where an edge is given; ``relief`` is height by distance from the middle."""
    near = np.zeros(ROUND) if edge is None else edge.radius
    away = sole.pad.border()
    first = np.minimum(1.3 * sole.radius, 0.6 * (away - near))[:, None]
    close = first * np.linspace(0, 1, 56)[None, :] ** 1.5
    far = first + ((away - near)[:, None] - first) * (1 - (1 - np.linspace(0, 1, 40)[None, 1:]) ** 2)
    gap = np.concatenate([close, far], 1)
    r = near[:, None] + gap
    x, z = r * np.cos(_TURN)[:, None], r * np.sin(_TURN)[:, None]
    y = -(sole.pad.height(x, z) + relief(r) + (edge.lip(gap) if edge else 0))
    behind = np.stack([x[:, -1], y[:, -1] + 6 * sole.radius, z[:, -1]], -1)
    points = np.concatenate([np.stack([x, y, z], -1), behind[:, None]], 1).transpose(1, 0, 2)
    image = image_from_array("sole", color)
    material = vinyl("sole", image=image, **sole.look)
    made = grid_object("sole", points, material, wrap_u=True)
    _planar_uv(made, sole.extent)
    if edge is None:
        return [made]
    return [made, *sole.inside(points[0], away)]


def _planar_uv(obj: bpy.types.Object, extent: float) -> None:
    """Map the color image onto the x-z plane."""
    mesh = obj.data
    at = np.empty(len(mesh.vertices) * 3, np.float32)
    mesh.vertices.foreach_get("co", at)
    corners = np.empty(len(mesh.loops), np.int32)
    mesh.loops.foreach_get("vertex_index", corners)
    uv = (at.reshape(-1, 3)[:, [0, 2]] / extent + 1) / 2
    mesh.uv_layers["UVMap"].data.foreach_set("uv", uv[corners].ravel())


def _canvas(sole: Sole) -> tuple[Array, Array, Array]:
    """Return a copy of the sole's color with the distance (cm) and the direction of each of its samples."""
    size = len(sole.wear)
    axis = ((np.arange(size) + 0.5) / size * 2 - 1) * sole.extent
    x, z = axis[None, :], -axis[:, None]
    return sole.wear.copy(), np.hypot(x, z), np.arctan2(z, x) % (2 * np.pi)


def hole(rng: Generator, sole: Sole, kind: str) -> list[Any]:
    """Build a hole of bare vinyl."""
    edge = EDGES[kind](rng, sole.radius)
    color, away, turn = _canvas(sole)
    gap = away - np.interp(turn, _TURN, edge.radius, period=2 * np.pi)
    if kind.startswith("drilled"):  # vinyl whitens where it was cut
        reach = sole.radius * (
            0.02 + rng.uniform(0, 0.15) * np.clip(ring_noise(rng, range(1, 12), 0.2)(turn), 0, 2)
        )
        pale = np.exp(-((np.clip(gap, 0, None) / reach) ** 2)) * rng.choice([0.0, rng.uniform(0, 0.7)])
        color += (0.5 * sole.base + 0.4 - color) * pale[..., None]
    elif rng.random() < 0.4:  # old edges are dirty
        dirt = rng.uniform(0.1, 0.7) * np.exp(-((gap / (rng.uniform(0.04, 0.2) * sole.radius)) ** 2))
        color += (np.array([0.1, 0.07, 0.05]) - color) * dirt[..., None]
    if (
        rng.random() < 0.5
    ):  # a mold may leave the hole in a slight mound or hollow, and a drill's pressure too
        high, wide = rng.normal(0, 0.06) * sole.radius, rng.uniform(1.2, 2.5) * sole.radius
        return surface_of(sole, np.clip(color, 0, 0.95), edge, lambda r: high * np.exp(-((r / wide) ** 2)))
    return surface_of(sole, np.clip(color, 0, 0.95), edge, np.zeros_like)


def lined(rng: Generator, sole: Sole) -> tuple[list[Any], float]:
    """Build a hole with a metal ring in it; also returns the radius of the dark inside."""
    edge = plain_edge(rng, sole.radius)
    color, away, _ = _canvas(sole)
    if rng.random() < 0.25:  # corrosion stains the vinyl beside the metal
        stain = rng.uniform(0.1, 0.6) * np.exp(-(((away - sole.radius) / (0.5 * sole.radius)) ** 2))
        color += (np.array([0.12, 0.3, 0.2]) * rng.uniform(0.5, 1.5) - color) * stain[..., None]
    made = surface_of(sole, np.clip(color, 0, 0.95), edge, np.zeros_like)
    r = sole.radius
    wall = r * float(rng.uniform(0.08, 0.32))
    flange = r * float(rng.choice([rng.uniform(-0.02, 0.06), rng.uniform(0.06, 0.5)]))
    proud = r * float(rng.uniform(0.02, 0.3))
    t = np.linspace(0, np.pi, 14)
    flat = float(rng.choice([1.0, rng.uniform(0.3, 1.0)]))  # 1: rolled; less: a flat washer with soft edges
    across = (flange - wall) / 2 + (flange + wall) / 2 * np.sign(np.cos(t)) * np.abs(np.cos(t)) ** flat
    up = proud * np.sin(t) ** flat
    section = [(flange, -0.3 * r), *zip(across, up, strict=True), (-wall, -float(rng.uniform(0.3, 2.5)) * r)]
    base = float(sole.pad.height(r * np.cos(_TURN), r * np.sin(_TURN)).mean())
    tilt = rng.normal(0, 0.04, 2)
    shift = rng.normal(0, 0.02, 2) * r
    rings = []
    for out, high in section:
        x, z = (r + out) * np.cos(_TURN) + shift[0], (r + out) * np.sin(_TURN) + shift[1]
        slope = tilt[0] * x + tilt[1] * z
        rings.append(np.stack([x, -(base + high + slope), z], -1))
    rgb = np.clip(np.array(METALS[int(rng.integers(len(METALS)))]) * rng.uniform(0.35, 1.1), 0.02, 1)
    metal = plain("lining", rgb, "lining", float(rng.uniform(0.08, 0.65)), float(rng.choice([1.0, 1.0, 0.8])))
    made.append(grid_object("lining", np.stack(rings), metal, wrap_u=True))
    return made, r - wall


def on_surface(rng: Generator, sole: Sole) -> list[Any]:
    """Build something that is no hole: paint, dirt, a dent, a molded ring, a stuck-on bead."""
    color, away, turn = _canvas(sole)
    r = sole.radius
    kind = str(
        rng.choice(["paint", "dirt", "dent", "ring", "bead", "plugged"], p=[0.3, 0.2, 0.16, 0.12, 0.1, 0.12])
    )
    relief: Callable[[Array], Array] = np.zeros_like
    edge = r * (1 + rng.uniform(0, 0.12) * ring_noise(rng, range(2, 8), 0.5)(turn))
    if kind in ("paint", "dirt") or rng.random() < 0.5:
        soft = r * (0.03 if kind != "dirt" else float(rng.uniform(0.1, 0.8)))
        cover = np.clip((edge - away) / soft + 0.5, 0, 1)
        if rng.random() < 0.2:  # a painted ring
            cover *= np.clip((away - rng.uniform(0.3, 0.8) * r) / soft, 0, 1)
        dark = np.array([1, rng.uniform(0.5, 1), rng.uniform(0.3, 1.2)]) * np.exp(
            rng.uniform(np.log(0.004), np.log(0.15))
        )
        color += (dark - color) * (cover * (1 - 0.4 * rng.uniform() ** 3))[..., None]
    if kind == "dent":
        deep, power = r * rng.uniform(0.08, 0.4), rng.uniform(2, 6)
        relief = lambda d: -deep * np.exp(-((d / r) ** power))  # noqa: E731
    elif kind == "plugged":
        deep, soft = r * rng.uniform(0.06, 0.4), r * rng.uniform(0.03, 0.2)
        relief = lambda d: -deep / (1 + np.exp(np.clip((d - r) / soft * 4, -50, 50)))  # noqa: E731
    elif kind in ("ring", "bead"):
        high, wide = r * rng.uniform(0.06, 0.3), r * rng.uniform(0.08, 0.3)
        relief = (
            (lambda d: high * np.exp(-(((d - r) / wide) ** 2)))
            if kind == "ring"
            else (lambda d: 2.5 * high * np.sqrt(np.clip(1 - (d / r) ** 2, 0, 1)))
        )
    made = surface_of(sole, np.clip(color, 0, 0.95), None, relief)
    if rng.random() < 0.3:  # paint may be glossy
        made[0].data.materials[0].node_tree.nodes["Principled BSDF"].inputs["Roughness"].default_value = 0.15
    return made


def build(rng: Generator, sole: Sole, kind: str) -> tuple[list[Any], float]:
    """Build one kind of spot; returns its objects and the radius (cm) of its dark."""
    if kind == "surface":
        return on_surface(rng, sole), sole.radius
    if kind == "lined":
        return lined(rng, sole)
    return hole(rng, sole, kind), sole.radius


# --- the photos -------------------------------------------------------------------------------------


def draw_setting(rng: Generator, seed: int) -> scene.Setting:
    """Draw light and camera; the picture is as large as makes a spot RADIUS_PX large, later."""
    kinds = ["window", "lamp", "flash", "overcast", "mixed", "single"]
    setting: dict[str, Any] = {
        "width": 1000,
        "height": 1000,
        "render_scale": 1.0,
        "light": str(rng.choice(kinds, p=[0.28, 0.2, 0.16, 0.12, 0.1, 0.14])),
        "cct_k": float(np.exp(rng.uniform(np.log(2400), np.log(8500)))),
        "fill_light": float(rng.uniform(0.3, 2.2)),
        "azimuth_deg": float(rng.uniform(0, 360)),
        "elevation_deg": float(rng.uniform(8, 80)),
        "focal_mm": float(rng.uniform(24, 85)),
        "fill": float(rng.uniform(0.5, 1.0)),
        "yaw_deg": float(np.clip(rng.normal(0, 20), -50, 50)),
        "pitch_deg": float(np.clip(rng.normal(0, 18), -45, 45)),
        "roll_deg": float(rng.uniform(0, 360)),
        "aperture_cm": float(rng.choice([0.0, rng.uniform(0.02, 0.2)])),
        "clutter": int(rng.integers(0, 6)),
    }
    return render.draw_setting(Recipe(str(seed), "", "holes", seed, {}, setting), rng)


def _ellipse_of(points: Array) -> tuple[float, float, float]:
    """Return center and semi-major axis of points spaced evenly on a circle seen obliquely."""
    middle = points.mean(0)
    spread = np.linalg.eigvalsh(np.cov((points - middle).T, bias=True))
    return float(middle[0]), float(middle[1]), float(math.sqrt(2 * spread[-1]))


def render_spots(seed: int, samples: int) -> dict[str, Array]:
    """Render the six spots of one seed."""
    shape_rng, setting_rng = np.random.default_rng([seed, 0x401E]).spawn(2)
    sole = draw_sole(shape_rng)
    setting = draw_setting(setting_rng, seed)
    scene.reset()
    subject = Subject("soles", (0.0, 0.0, 0.0), 1.4, support="held", floor_z=-30.0, view_jitter_deg=0.0)
    frame, _ = scene.compose(subject, setting)
    project = scene.projector(setting, frame)
    ring = np.stack([np.cos(_TURN), np.zeros(ROUND), np.sin(_TURN)], 1)
    x, y, r = _ellipse_of(project(ring * sole.radius))
    k = RADIUS_PX / r
    size = round(1000 * k)
    setting = render.dataclasses.replace(setting, width=size, height=size)
    half = round(REACH * RADIUS_PX)
    top, left = round(y * size / 1000) - half, round(x * size / 1000) - half
    if top < 0 or left < 0 or top + 2 * half > size or left + 2 * half > size:
        raise ValueError("the frame cuts the spot's surroundings")
    project = scene.projector(setting, frame)
    pictures, spots = [], []
    for number, kind in enumerate(KINDS):
        made, dark = build(np.random.default_rng([seed, number]), sole, kind)
        pictures.append(scene.render_linear(setting, samples, (top, top + 2 * half, left, left + 2 * half)))
        at = ring * dark - [0, float(sole.pad.height(np.zeros(1), np.zeros(1))[0]), 0]
        px, py, radius = _ellipse_of(project(at))
        spots.append((px - left, py - top, radius))
        for obj in made:
            bpy.data.objects.remove(obj, do_unlink=True)
    stack = np.stack(pictures)
    gain = 0.3 / max(float(np.median(stack)), 1e-6)
    coded = np.sqrt(np.clip(stack * gain, 0, 1)) * 255
    return {"pictures": np.round(coded).astype(np.uint8), "spots": np.array(spots, np.float32)}


if __name__ == "__main__":
    seeds.leave(seeds.write_scenes("python -m sample_images.holes", __doc__, 5_000_000, render_spots))
