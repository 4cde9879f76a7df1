"""Doll feet seen from below: no hole, molded open, metal-lined or drilled later, with dirt and paint dots.

Parameters of :func:`build` (all optional; drawn at random when absent)::

    states       list of one or two of "none", "open", "lined", "drilled_ragged", "drilled_neat"
    place        "ball", "heel" or "both": where the holes are
    pose         "held" (hand-held, room behind) or "table" (doll lies on the table, soles to the camera)
    hand         bool: fingers hold the ankles (pose "held" only)
    toes_down    bool: the picture shows the toes at the bottom
    oblique_deg  (yaw, pitch) of the camera away from straight on
    label        None or capital letters in relief on the sole ("JAPAN" is a country, no maker)
    label_box    bool: a rectangle round the label
    dirt, dots, scratches   numbers of distractors on each sole
    metal        "brass", "copper" or "steel"
    skin_lab     CIELAB (D65) of the vinyl
    greasy       0–1

The foot's own frame: unit length heel to toe along +y, sole toward +z, big toe toward -x.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter

from sample_images import lettering, sculpt
from sample_images.blend import image_from_array, mesh_object, set_class, set_class_image
from sample_images.sculpt import Field, Grid
from sample_images.skin import linear, skin_lab
from sample_images.subject import CLASSES, Subject, Truthing
from sample_images.vinyl import vinyl

#: The map of a sole: x in [X0, X0 + WIDE], y in [Y0, Y0 + LONG], at PX_PER_UNIT pixels.
X0, WIDE, Y0, LONG, PX_PER_UNIT = -0.34, 0.68, -0.16, 1.3, 1100
STATES = ("none", "open", "lined", "drilled_ragged", "drilled_neat")
METALS = {"brass": (0.72, 0.50, 0.20), "copper": (0.72, 0.40, 0.26), "steel": (0.56, 0.55, 0.53)}
_AROUND = np.linspace(0, 2 * np.pi, 72, endpoint=False)


@dataclass(frozen=True)
class Shape:
    """Proportions of one pair of feet."""

    width: float
    arch: float
    heel: float
    toe_depth: float
    plump: float

    @classmethod
    def draw(cls, rng: np.random.Generator) -> Shape:
        """Draw the proportions at random."""
        return cls(
            rng.uniform(0.9, 1.12), rng.uniform(0.3, 0.62), rng.uniform(0.9, 1.15), rng.uniform(0.008, 0.03),
            rng.uniform(0.92, 1.1),
        )  # fmt: skip


@dataclass(frozen=True)
class Hole:
    """One hole: center and radius on the sole, and the rim's radius by angle (1 = round)."""

    x: float
    y: float
    radius: float
    rim: float
    profile: Callable[[Field], Field]
    kind: str


def build(rng: np.random.Generator, params: dict[str, Any]) -> Subject:
    """Make one or two feet; see the module's docstring for ``params``."""
    states = list(params.get("states") or rng.choice(STATES, size=2 if rng.random() < 0.8 else 1))
    unknown = set(states) - set(STATES)
    if unknown or not 1 <= len(states) <= 2:
        raise ValueError(f"states must be one or two of {STATES}, got {states!r}")
    length = rng.uniform(2.2, 3.0)
    shape = Shape.draw(rng)
    lab = np.asarray(params.get("skin_lab", skin_lab(rng)), float)
    look: dict[str, Any] = {
        "greasy": float(params.get("greasy", rng.choice([0, 0, 0.15, 0.5]))),
        "roughness": rng.uniform(0.36, 0.55),
        "seed": rng.uniform(0, 50),
    }
    feet = [
        _foot(rng, params, state, index, len(states), shape, length, lab, look)
        for index, state in enumerate(states)
    ]
    pose = params.get("pose", "table" if rng.random() < 0.4 else "held")
    if params.get("hand", pose == "held" and rng.random() < 0.6):
        _fingers(rng, length, len(states))
    return _subject(rng, params, pose, feet, shape, length, lab)


def _subject(
    rng: np.random.Generator,
    params: dict[str, Any],
    pose: str,
    feet: list[dict[str, Any]],
    shape: Shape,
    length: float,
    lab: NDArray[np.float64],
) -> Subject:
    yaw, pitch = params.get("oblique_deg", (rng.normal(0, 14), rng.normal(6, 14)))
    yaw, pitch = np.radians([np.clip(yaw, -45, 45), np.clip(pitch, -35, 45)])
    toes_down = bool(params.get("toes_down", rng.random() < 0.5))
    direction = (np.sin(yaw) * np.cos(pitch), -np.cos(yaw) * np.cos(pitch), np.sin(pitch))
    floor = -0.16 * length if pose == "table" else -30.0
    if pose == "table" and direction[2] < 0.1:  # the camera stays above the table
        direction = (direction[0], direction[1], 0.1 + abs(direction[2]))
    # A doll on the table lies on its back (toes up); held dolls may hang either way.
    up = (0.0, 0.0, -1.0) if toes_down and pose != "table" else (0.0, 0.0, 1.0)
    wide = 0.54 if len(feet) == 2 else 0.5
    return Subject(
        view="soles",
        target=(0.0, 0.3 * length, 0.5 * length),  # the camera focuses 0.45 radius before it
        radius=wide * length,
        view_dir=_unit(direction),
        up=up,
        support="standing" if pose == "table" else "held",
        floor_z=float(floor),
        view_jitter_deg=3.0,
        surfaces={"skin_exposed": linear(lab)},
        part_places={f"sole_{i + 1}": i + 1 for i in range(len(feet))},
        finish=_finisher(feet),
        card_free=((-1.0, 0.0, 0.0), (1.0, 0.0, 0.0)),
    )


def _unit(v: tuple[float, float, float]) -> tuple[float, float, float]:
    x, y, z = np.asarray(v, float) / np.linalg.norm(v)
    return float(x), float(y), float(z)


# ---------------------------------------------------------------------------------------------- geometry


def _grid(holes: list[Hole]) -> Grid:
    """Sample points that crowd where a hole's edge needs them."""

    def axis(
        low: float, high: float, centers: list[tuple[float, float]], fine: float, coarse: float
    ) -> Field:
        points, at = [low], low
        while at < high:
            near = any(abs(at - c) < r * 1.7 for c, r in centers)
            at += fine if near else coarse
            points.append(at)
        return np.asarray(points, np.float32)

    xs = axis(-0.33, 0.33, [(h.x, h.radius) for h in holes], 0.0045, 0.0095)
    ys = axis(-0.15, 1.1, [(h.y, h.radius) for h in holes], 0.0045, 0.0095)
    top = np.arange(0.06, -0.2, -0.006)
    middle = np.arange(top[-1] - 0.01, -1.0, -0.012)
    low = np.arange(middle[-1] - 0.025, -2.6, -0.025)
    return Grid(xs, ys, np.concatenate([top, middle, low])[::-1].astype(np.float32))


def _solid(grid: Grid, shape: Shape) -> Field:
    """Return the distance field of a foot on a high heel, without holes."""
    w, a, p = shape.width, shape.arch, shape.plump
    heel_z = -0.12 - a
    ball = sculpt.ellipsoid(grid, (-0.01, 0.69, -0.14), (0.20 * w, 0.22, 0.135 * p))
    arch = sculpt.capsule(grid, (0, 0.62, -0.16), (0.015, 0.2, heel_z + 0.06), 0.135 * w, 0.115 * w)
    heel = sculpt.ellipsoid(grid, (0, 0.10, heel_z), (0.13 * w * shape.heel, 0.155 * shape.heel, 0.17))
    instep = sculpt.capsule(grid, (0, 0.6, -0.21), (0, 0.17, heel_z - 0.24), 0.145 * p, 0.13 * p)
    leg = sculpt.capsule(grid, (0, 0.16, heel_z - 0.2), (0, 0.34, -3.2), 0.125 * p, 0.25 * p)
    body = sculpt.join([ball, arch, heel, instep, leg], 0.12)
    tips = [
        (-0.128, 0.955, 0.064),
        (-0.036, 0.968, 0.05),
        (0.036, 0.945, 0.046),
        (0.1, 0.908, 0.043),
        (0.152, 0.862, 0.04),
    ]
    toes = [
        sculpt.capsule(grid, (x * 0.85 * w, 0.78, -0.125), (x * w, y, -0.1), 0.064, r * 1.02)
        for x, y, r in tips
    ]
    return sculpt.union(body, sculpt.join(toes, shape.toe_depth), 0.05)


def _bore(grid: Grid, hole: Hole, top: float) -> Field:
    """Return the distance field of the empty space of a hole: straight in, then bending up into the leg."""
    x, y, z = grid.xyz
    dx, dy = x - hole.x, y - hole.y
    angle = np.arctan2(dy, dx).astype(np.float32)
    radius = hole.radius * hole.profile(angle)
    gap = np.sqrt(dx * dx + dy * dy)
    tube = np.maximum(gap - radius, (top - 0.13) - z)
    bend = sculpt.capsule(
        grid,
        (hole.x, hole.y, top - 0.12),
        (hole.x * 0.5, hole.y - 0.25, top - 0.45),
        hole.radius,
        hole.radius * 0.9,
    )
    if hole.y < 0.4:
        bend = sculpt.capsule(
            grid, (hole.x, hole.y, top - 0.12), (hole.x, hole.y + 0.03, top - 0.5), hole.radius, hole.radius
        )
    return np.minimum(tube, bend).astype(np.float32)


def _surface_height(field: Field, grid: Grid, x: NDArray[Any], y: NDArray[Any]) -> NDArray[np.float64]:
    """Return the z of the sole's skin at points (x, y) of the foot's frame."""
    i = np.clip(np.searchsorted(grid.xs, x), 1, len(grid.xs) - 1)
    j = np.clip(np.searchsorted(grid.ys, y), 1, len(grid.ys) - 1)
    columns = field[i, j]
    inside = columns < 0
    last = inside.shape[1] - 1 - np.argmax(inside[:, ::-1], axis=1)
    last = np.clip(last, 0, len(grid.zs) - 2)
    rows = np.arange(len(columns))
    a, b = columns[rows, last], columns[rows, last + 1]
    t = np.clip(a / np.where(a == b, 1, a - b), 0, 1)
    return grid.zs[last] + t * (grid.zs[last + 1] - grid.zs[last])


def _draw_holes(rng: np.random.Generator, state: str, place: str) -> list[Hole]:
    """Decide where the holes of one foot are and how their rims run."""
    if state == "none":
        return []
    spots = {"ball": [(0.0, 0.69)], "heel": [(0.0, 0.09)], "both": [(0.0, 0.69), (0.0, 0.09)]}[place]
    holes = []
    for x, y in spots:
        radius = rng.uniform(0.05, 0.078) * (0.85 if y < 0.4 else 1.0)
        off, rim = 0.008, rng.uniform(0.012, 0.028)

        profile: Callable[[Field], Field] = np.ones_like
        if state.startswith("drilled"):
            ragged = state == "drilled_ragged"
            off, rim = (0.04, 0.0) if ragged else (0.025, 0.0)
            profile = _cut_profile(rng, ragged)
        holes.append(Hole(x + rng.normal(0, off), y + rng.normal(0, off), radius, rim, profile, state))
    return holes


def _cut_profile(rng: np.random.Generator, ragged: bool) -> Callable[[Field], Field]:
    """Return the rim radius by angle (1 = the drill's) of a hand-drilled hole: oval, rough if ragged."""
    stretch, turn = rng.uniform(0.03, 0.16 if ragged else 0.05), rng.uniform(0, np.pi)
    rough = sculpt.ring_noise(rng, range(3, 9), 0.6)
    sharp = sculpt.ring_noise(rng, range(11, 26), 0.2)
    low, high = (0.035, 0.013) if ragged else (0.004, 0.0)

    def profile(angle: Field) -> Field:
        return 1 + stretch * np.cos(2 * (angle - turn)) + low * rough(angle) + high * sharp(angle)

    return profile


def _ragged_rim(rng: np.random.Generator, grid: Grid, field: Field, hole: Hole, height: float) -> Field:
    """Break chips out of the rim, raise a torn lip round it and leave a few curled burrs."""
    x, y, z = grid.xyz
    angle = np.arctan2(y - hole.y, x - hole.x).astype(np.float32)
    ring = hole.radius * hole.profile(angle) * 1.04
    gap = np.hypot(np.hypot(x - hole.x, y - hole.y) - ring, z - height)
    thick = 0.012 * np.clip(sculpt.ring_noise(rng, range(1, 9), 0.4)(angle), 0, 1.5)
    field = sculpt.union(field, (gap - thick).astype(np.float32), 0.008)
    for turn in rng.uniform(0, 2 * np.pi, rng.integers(2, 6)):
        reach = hole.radius * rng.uniform(0.9, 1.15)
        spot = np.array([hole.x + reach * np.cos(turn), hole.y + reach * np.sin(turn), height + 0.004])
        size = hole.radius * rng.uniform(0.12, 0.42)
        # A chip is a flake: long along the rim or away from it, shallow, with a flat floor.
        along = rng.uniform(-0.6, 0.6) + turn + np.pi / 2 * rng.integers(0, 2)
        half = 0.5 * size * np.array([np.cos(along), np.sin(along), rng.uniform(-0.3, 0.3)])
        chip = sculpt.capsule(grid, spot - half, spot + half, size * 0.5, size * rng.uniform(0.15, 0.5))
        field = sculpt.cut(field, chip, 0.0)
    for turn in rng.uniform(0, 2 * np.pi, rng.integers(1, 5)):
        swing = turn + rng.choice([-1, 1]) * rng.uniform(0.25, 0.8)
        foot_at, tip_at = hole.radius * rng.uniform(0.98, 1.1), hole.radius * rng.uniform(0.8, 1.25)
        start = (hole.x + foot_at * np.cos(turn), hole.y + foot_at * np.sin(turn), height - 0.006)
        end = (
            hole.x + tip_at * np.cos(swing),
            hole.y + tip_at * np.sin(swing),
            height + rng.uniform(0.0, 0.02),
        )
        burr = sculpt.capsule(grid, start, end, rng.uniform(0.006, 0.011), 0.003)
        field = sculpt.union(field, burr, 0.006)
    return field


def _foot(
    rng: np.random.Generator,
    params: dict[str, Any],
    state: str,
    index: int,
    count: int,
    shape: Shape,
    length: float,
    lab: NDArray[np.float64],
    look: dict[str, Any],
) -> dict[str, Any]:
    """Make the objects of one foot; returns its state and the world outline of each hole."""
    place = params.get("place", rng.choice(["ball", "ball", "ball", "heel", "both"]))
    holes = _draw_holes(rng, state, place)
    grid = _grid(holes)
    plain_field = _solid(grid, shape)
    field, rims = plain_field, []
    for hole in holes:
        radius = (hole.radius + hole.rim * 0.25) * hole.profile(_AROUND.astype(np.float32))
        x, y = hole.x + radius * np.cos(_AROUND), hole.y + radius * np.sin(_AROUND)
        z = _surface_height(plain_field, grid, x, y)
        rims.append(np.stack([x, y, z], 1))
        field = sculpt.cut(field, _bore(grid, hole, float(np.median(z))), hole.rim)
        if state == "drilled_ragged":
            field = _ragged_rim(rng, grid, field, hole, float(np.median(z)))
    vertices, quads = sculpt.surface(field, grid)
    # The two feet of a pair mirror each other; the big toes are inside.
    mirror = -1.0 if index == 0 and count == 2 else 1.0
    place_it = _placer(rng, index, count, length, mirror)
    uv = np.stack([(vertices[:, 0] - X0) / WIDE, (vertices[:, 1] - Y0) / LONG], 1)
    obj = mesh_object(f"foot_{index + 1}", place_it(vertices), quads if mirror > 0 else quads[:, ::-1], uv)
    paint = _Paint(rng, lab, index + 1)
    paint.wear(params, holes)
    for hole, rim in zip(holes, rims, strict=True):
        paint.hole(hole, rim)
    _dress(obj, grid, plain_field, vertices, quads, paint, params, look, lab, state, rng)
    if state == "lined":
        metal = params.get("metal", rng.choice(list(METALS)))
        for hole, rim in zip(holes, rims, strict=True):
            _lining(rng, hole, float(np.median(rim[:, 2])), metal, place_it, index + 1, mirror)
    return {"state": state, "rims": [place_it(r) for r in rims], "label": paint.label}


def _placer(
    rng: np.random.Generator, index: int, count: int, length: float, mirror: float
) -> Callable[[NDArray[Any]], NDArray[np.float64]]:
    """Return the map from the foot's frame to the world: sole toward -y, toes up, cm."""
    turn, tilt, swing = np.radians(rng.normal(0, [6, 4, 5]))
    side = 0.0 if count == 1 else (index - 0.5) * rng.uniform(0.5, 0.62)
    shift = np.array([side, rng.normal(0, 0.04), rng.normal(0, 0.03)])

    def place(points: NDArray[Any]) -> NDArray[np.float64]:
        x, y, z = np.asarray(points, float).T
        x = x * mirror
        x, y = x * np.cos(turn) - (y - 0.5) * np.sin(turn), x * np.sin(turn) + (y - 0.5) * np.cos(turn) + 0.5
        y, z = y * np.cos(tilt) - z * np.sin(tilt), y * np.sin(tilt) + z * np.cos(tilt)
        x, z = x * np.cos(swing) - z * np.sin(swing), x * np.sin(swing) + z * np.cos(swing)
        return (np.stack([x, -z, y], 1) + shift) * length

    return place


# ------------------------------------------------------------------------------------------------ surface


class _Paint:
    """The color map, class map and height map of one sole."""

    def __init__(self, rng: np.random.Generator, lab: NDArray[np.float64], part: int) -> None:
        self.rng, self.part = rng, part
        self.size = (int(WIDE * PX_PER_UNIT), int(LONG * PX_PER_UNIT))
        w, h = self.size
        self.base = np.array(linear(lab))
        tone = 1 + 0.025 * sculpt.value_noise(rng, (h, w), 5)
        self.color = np.ones((h, w, 3), np.float32) * self.base.astype(np.float32) * tone[..., None]
        self.classes = np.full((h, w), CLASSES["skin"], np.uint8)
        self.height = np.zeros((h, w), np.float32)
        self.label: dict[str, Any] | None = None

    def pixel(self, x: float, y: float) -> tuple[float, float]:
        """Foot coordinates → pixel of the maps (row 0 is the toe end)."""
        return (x - X0) * PX_PER_UNIT, (Y0 + LONG - y) * PX_PER_UNIT

    def distance(self, x: float, y: float) -> tuple[Field, Field]:
        """Distance (foot units) and angle of every map pixel from a point."""
        w, h = self.size
        px = np.arange(w, dtype=np.float32)[None, :] / PX_PER_UNIT + X0 - x
        py = Y0 + LONG - np.arange(h, dtype=np.float32)[:, None] / PX_PER_UNIT - y
        return np.hypot(px, py), np.arctan2(py, px)

    def lay(self, cover: Field, rgb: Any, class_name: str | None, limit: float = 0.5) -> None:
        """Blend a color in by a coverage map; where it covers more than ``limit`` the class changes."""
        self.color += (np.asarray(rgb, np.float32) - self.color) * cover[..., None]
        if class_name:
            self.classes[cover > limit] = CLASSES[class_name]

    def wear(self, params: dict[str, Any], holes: list[Hole]) -> None:
        """Add dirt, paint dots (where no hole is), scratches, the mold seam and the label."""
        rng = self.rng
        for _ in range(int(params.get("dirt", rng.poisson(2)))):
            self._dirt()
        for _ in range(int(params.get("dots", rng.random() < 0.3))):
            self._dot(holes)
        for _ in range(int(params.get("scratches", rng.poisson(2)))):
            self._scratch()
        if rng.random() < 0.4:
            x, _ = self.pixel(rng.normal(0, 0.02), 0)
            wave = x + 3 * np.sin(np.linspace(0, 5, self.size[1]) + rng.uniform(0, 6))
            across = np.arange(self.size[0])[None, :] - wave[:, None]
            self.height += 0.35 * np.exp(-((across / 4.0) ** 2)).astype(np.float32)
        label = params.get("label", "JAPAN" if rng.random() < 0.35 else None)
        if label:
            self._label(str(label), bool(params.get("label_box", rng.random() < 0.5)))

    def _spot(self) -> tuple[float, float]:
        y = self.rng.choice([self.rng.uniform(0.5, 0.9), self.rng.uniform(0.0, 0.5)])
        return float(self.rng.normal(0, 0.07)), float(y)

    def _dirt(self) -> None:
        x, y = self._spot()
        gap, angle = self.distance(x, y)
        reach = self.rng.uniform(0.008, 0.05) * (
            1 + 0.2 * sculpt.ring_noise(self.rng, range(1, 6), 1.0)(angle)
        )
        patchy = 0.7 + 0.4 * sculpt.value_noise(self.rng, gap.shape, 70, 3)
        cover = np.clip((reach - gap) / (reach * self.rng.uniform(0.2, 0.8)) + 0.3, 0, 1) * np.clip(
            patchy, 0, 1
        )
        shade = np.array([0.10, 0.075, 0.05]) * self.rng.uniform(0.4, 2.0)
        self.lay(cover * self.rng.uniform(0.35, 0.95), shade, "dirt", 0.3)

    def _dot(self, holes: list[Hole]) -> None:
        free = [y for y in (0.69, 0.69, 0.1) if all(abs(h.y - y) > 0.2 for h in holes)]
        if not free:
            return
        x, y = self.rng.normal(0, 0.02), self.rng.choice(free) + self.rng.normal(0, 0.02)
        gap, angle = self.distance(x, y)
        reach = self.rng.uniform(0.04, 0.075) * (
            1 + 0.02 * sculpt.ring_noise(self.rng, range(2, 7), 0.6)(angle)
        )
        cover = np.clip((reach - gap) / 0.004 + 0.5, 0, 1)
        shade = np.array(self.rng.choice([[0.01, 0.01, 0.012], [0.05, 0.03, 0.02], [0.02, 0.02, 0.06]]))
        self.lay(cover, shade, "paint_dot")

    def _scratch(self) -> None:
        x, y = self._spot()
        px, py = self.pixel(x, y)
        angle, reach = self.rng.uniform(0, np.pi), self.rng.uniform(30, 190)
        bow = self.rng.normal(0, 0.12)
        t = np.linspace(-1, 1, 24)
        xs = px + reach * (t * np.cos(angle) - bow * t * t * np.sin(angle))
        ys = py + reach * (t * np.sin(angle) + bow * t * t * np.cos(angle))
        line = Image.new("L", self.size)
        ImageDraw.Draw(line).line(
            list(zip(xs, ys, strict=True)), fill=255, width=int(self.rng.integers(2, 5))
        )
        mask = np.asarray(line.filter(ImageFilter.GaussianBlur(1.2)), np.float32) / 255
        self.height -= 0.6 * mask
        shade = self.base * (0.45 if self.rng.random() < 0.6 else 1.25)
        self.lay(mask * 0.5, np.clip(shade, 0, 0.95), None)

    def _label(self, text: str, boxed: bool) -> None:
        mask = lettering.draw(self.rng, [text], cap_px=46, box=boxed)
        tile = np.asarray(mask.height, np.float32)
        if self.rng.random() < 0.5:  # along the foot
            tile = np.rot90(tile, self.rng.choice([1, 3]))
        x, y = self.pixel(self.rng.normal(0, 0.01), self.rng.choice([0.5, 0.36, 0.1]))
        top, left = int(y - tile.shape[0] / 2), int(x - tile.shape[1] / 2)
        h, w = self.height.shape
        a, b = max(top, 0), min(top + tile.shape[0], h)
        c, d = max(left, 0), min(left + tile.shape[1], w)
        self.height[a:b, c:d] += tile[a - top : b - top, c - left : d - left]
        self.label = {"text": text, "boxed": boxed}

    def hole(self, hole: Hole, rim: NDArray[np.float64]) -> None:
        """Mark the opening in the class map; whiten the fresh cut of a drilled hole."""
        gap, angle = self.distance(hole.x, hole.y)
        edge = np.interp(
            angle, _wrapped(_AROUND), _wrapped_values(np.hypot(rim[:, 0] - hole.x, rim[:, 1] - hole.y))
        )
        near = np.clip(1 - np.abs(gap - edge) / 0.08, 0, 1)
        self.height *= 1 - near  # relief does not cross the rim
        if hole.kind == "drilled_ragged":
            noise = sculpt.value_noise(self.rng, gap.shape, 60, 3)
            reach = hole.radius * (0.22 + 0.16 * noise)
            fresh = np.clip(1 - (gap - edge) / np.maximum(reach, 0.004), 0, 1) * (gap > edge * 0.7)
            white = 0.45 * self.base + 0.5 * np.array([0.82, 0.80, 0.75])
            self.lay(np.clip(fresh, 0, 1) * self.rng.uniform(0.5, 0.9), white, "chip", 0.35)
        elif hole.kind == "drilled_neat":
            fresh = np.exp(-(((gap - edge) / 0.006) ** 2))
            self.lay(fresh * 0.35, 0.6 * self.base + 0.3, None)
        elif hole.kind == "open" and self.rng.random() < 0.7:  # grime of decades settles at a molded rim
            grime = np.exp(-(((gap - edge) / 0.012) ** 2)) * (
                0.6 + 0.4 * np.sin(angle * 2 + self.rng.uniform(0, 6))
            )
            self.lay(np.clip(grime, 0, 1) * self.rng.uniform(0.1, 0.5), np.array([0.12, 0.09, 0.06]), None)
        self.classes[gap < edge] = CLASSES["hole"]

    def ids(self) -> NDArray[np.uint8]:
        """Return the class, part and aux picture."""
        return np.stack(
            [self.classes, np.full_like(self.classes, self.part), np.zeros_like(self.classes)], -1
        )


def _wrapped(angle: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angles of one turn, extended on both sides so that interpolation from -pi to pi is seamless."""
    return np.concatenate([angle - 2 * np.pi, angle])


def _wrapped_values(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.concatenate([values, values])


def _dress(
    obj: bpy.types.Object,
    grid: Grid,
    plain_field: Field,
    vertices: NDArray[np.float64],
    quads: NDArray[np.int64],
    paint: _Paint,
    params: dict[str, Any],
    look: dict[str, Any],
    lab: NDArray[np.float64],
    state: str,
    rng: np.random.Generator,
) -> None:
    """Give the sole, the walls of its holes and the rest of the foot their materials."""
    name = obj.name
    image = image_from_array(f"{name}.color", np.clip(paint.color, 0.003, 0.95))
    sole = vinyl(f"{name}.sole", image=image, **look)
    set_class_image(sole, paint.ids())
    lettering.add_relief(sole, image_from_array(f"{name}.relief", paint.height, color=False), 0.012)
    rest = vinyl(f"{name}.rest", linear(lab), part=0, **look)
    inner_color = np.array(linear(lab)) * (0.8 if state in ("open", "lined") else 0.95)
    inner = vinyl(
        f"{name}.inner", inner_color, part=paint.part, class_name="hole", roughness=0.7, subsurface=0.05
    )
    for material in (sole, rest, inner):
        obj.data.materials.append(material)
    center = vertices[quads].mean(1)
    edge_a, edge_b = (
        vertices[quads[:, 2]] - vertices[quads[:, 0]],
        vertices[quads[:, 3]] - vertices[quads[:, 1]],
    )
    normal = np.cross(edge_a, edge_b)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    depth = _sample(plain_field, grid, center)
    slot = np.where(normal[:, 2] > -0.15, 0, 1)
    slot[center[:, 2] < -1.0] = 1
    slot[depth < -0.03] = 2
    obj.data.polygons.foreach_set("material_index", slot.astype(np.int32))
    if state.startswith("drilled"):
        obj.data.set_sharp_from_angle(angle=np.radians(38))


def _sample(field: Field, grid: Grid, points: NDArray[np.float64]) -> NDArray[np.float32]:
    """Nearest value of a field at points (close enough to tell wall from skin)."""
    axes = (grid.xs, grid.ys, grid.zs)
    at = [np.clip(np.searchsorted(a, points[:, i]), 0, len(a) - 1) for i, a in enumerate(axes)]
    return field[at[0], at[1], at[2]]


def _lining(
    rng: np.random.Generator,
    hole: Hole,
    top: float,
    metal: str,
    place_it: Callable[[NDArray[Any]], NDArray[np.float64]],
    part: int,
    mirror: float,
) -> None:
    """Make the metal tube in a hole: a turned profile with a dented, worn rim."""
    outer = hole.radius * rng.uniform(0.97, 1.02)
    wall = outer * rng.uniform(0.13, 0.3)
    proud = rng.uniform(-0.018, 0.018)
    lip = wall * rng.uniform(0.2, 0.45)
    profile = [
        (outer, -0.12),
        (outer, proud - lip),
        (outer - lip * 0.3, proud - lip * 0.3),
        (outer - lip, proud),
    ]
    profile += [(outer - wall + lip * 0.6, proud), (outer - wall, proud - lip * 0.6), (outer - wall, -0.03)]
    profile += [(outer - wall, -0.13)]
    dent = sculpt.ring_noise(rng, range(2, 12), 0.7)(_AROUND.astype(np.float32))
    tilt, toward = rng.uniform(0, 0.1), rng.uniform(0, 2 * np.pi)
    rings = []
    for r, z in profile:
        radius = r + 0.012 * outer * dent
        lean = tilt * radius * np.cos(_AROUND - toward)
        rings.append(
            np.stack(
                [hole.x + radius * np.cos(_AROUND), hole.y + radius * np.sin(_AROUND), top + z + lean], 1
            )
        )
    points = np.concatenate(rings)
    n, m = len(_AROUND), len(rings)
    i, j = np.meshgrid(np.arange(m - 1), np.arange(n), indexing="ij")
    k = (j + 1) % n
    quads = np.stack([i * n + j, i * n + k, (i + 1) * n + k, (i + 1) * n + j], -1).reshape(-1, 4)
    material = _worn_metal(rng, f"lining_{part}", METALS[metal], part)
    mesh_object(
        f"lining_{part}", place_it(points), quads if mirror > 0 else quads[:, ::-1], material=material
    )


def _worn_metal(rng: np.random.Generator, name: str, rgb: Any, part: int) -> bpy.types.Material:
    """Return scratched, partly tarnished metal."""
    material = bpy.data.materials.new(name)
    material.use_nodes = True
    tree = material.node_tree
    bsdf = tree.nodes["Principled BSDF"]
    bsdf.inputs["Metallic"].default_value = 1.0
    noise = tree.nodes.new("ShaderNodeTexNoise")
    noise.inputs["Scale"].default_value = 14.0
    noise.inputs["Detail"].default_value = 8.0
    coords = tree.nodes.new("ShaderNodeTexCoord")
    tree.links.new(coords.outputs["Object"], noise.inputs["Vector"])
    ramp = tree.nodes.new("ShaderNodeValToRGB")
    bright = np.array(rgb) * rng.uniform(0.85, 1.1)
    ramp.color_ramp.elements[0].position, ramp.color_ramp.elements[1].position = 0.35, 0.62
    ramp.color_ramp.elements[0].color = (*(bright * rng.uniform(0.15, 0.6)), 1)
    ramp.color_ramp.elements[1].color = (*np.clip(bright, 0, 1), 1)
    tree.links.new(noise.outputs["Fac"], ramp.inputs["Fac"])
    tree.links.new(ramp.outputs["Color"], bsdf.inputs["Base Color"])
    bsdf.inputs["Roughness"].default_value = rng.uniform(0.18, 0.42)
    bump = tree.nodes.new("ShaderNodeBump")
    bump.inputs["Strength"].default_value, bump.inputs["Distance"].default_value = 0.35, 0.02
    tree.links.new(noise.outputs["Fac"], bump.inputs["Height"])
    tree.links.new(bump.outputs["Normal"], bsdf.inputs["Normal"])
    return set_class(material, "lining", part)


def _fingers(rng: np.random.Generator, length: float, count: int) -> None:
    """Make plain fingertips that hold the ankles from both sides."""
    grid = Grid.box((-1.9, -0.5, -1.6), (1.9, 1.4, 0.0), 0.035)
    reach = 0.16 if count == 1 else 0.44
    fingers = []
    for side, base_y in ((-1, 0.1), (1, 0.3)):
        for k in range(1 if side < 0 else 3):
            y, z = base_y + rng.normal(0, 0.05) - 0.1 * k, -0.95 - 0.27 * k + rng.normal(0, 0.03)
            joint = (side * (reach + 0.55), y + 0.12, z - 0.1)
            tip = sculpt.capsule(grid, (side * reach, y, z), joint, 0.13, 0.16)
            fingers.append(
                sculpt.join(
                    [tip, sculpt.capsule(grid, joint, (side * 1.9, y + 0.4, z - 0.5), 0.16, 0.18)], 0.1
                )
            )
    vertices, quads = sculpt.surface(sculpt.join(fingers, 0.05), grid)
    world = np.stack([vertices[:, 0], -vertices[:, 2], vertices[:, 1]], 1) * length
    hand = np.array([rng.uniform(45, 72), rng.uniform(10, 18), rng.uniform(12, 22)])
    material = vinyl(
        "hand", linear(hand), roughness=0.5, subsurface=0.4, mottle=0.1, grain=3, class_name="background"
    )
    mesh_object("hand", world, quads, material=material)


# -------------------------------------------------------------------------------------------------- truth


def _finisher(feet: list[dict[str, Any]]) -> Callable[[Truthing], None]:
    """Return the function that writes what is true of each foot, named by its side in the picture."""

    def finish(shot: Truthing) -> None:
        places = shot.truth["places"]
        outlines = [places.pop(f"sole_{i + 1}", []) for i in range(len(feet))]
        columns = [np.argwhere(shot.parts == i + 1)[:, 1] for i in range(len(feet))]
        middle = [float(c.mean()) if len(c) else np.inf for c in columns]
        order = sorted(range(len(feet)), key=lambda i: middle[i])
        names = ["left_foot", "right_foot"]
        if len(feet) == 1:
            names = ["left_foot" if middle[0] < shot.parts.shape[1] / 2 else "right_foot"]
        soles, records = [], []
        for name, i in zip(names, order, strict=True):
            soles.append({"part": name, "outline": outlines[i]})
            records.append(_foot_truth(shot, name, feet[i]))
        places["soles"] = soles
        shot.truth["traits"]["foot_holes"] = records

    return finish


def _foot_truth(shot: Truthing, name: str, foot: dict[str, Any]) -> dict[str, Any]:
    state, _, cut = foot["state"].partition("_")
    record: dict[str, Any] = {"part": name, "state": state, "cut": cut or None, "label": foot["label"]}
    holes = []
    for rim in foot["rims"]:
        outline = shot.project(rim)
        x, y = outline.T
        area = 0.5 * abs(float(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))))
        holes.append(
            {
                "outline": np.round(outline, 1).tolist(),
                "center": np.round(outline.mean(0), 1).tolist(),
                "diameter_px": round(2 * float(np.sqrt(area / np.pi)), 2),
            }
        )
    record["holes"] = holes
    if holes:
        record.update(holes[0])
    return record
