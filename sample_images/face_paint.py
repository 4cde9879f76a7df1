"""The painted face as a picture in the head's x-z plane: skin, eyes, liner, brows, lips, blush, wear.

Every layer has soft (antialiased) edges for the color and a hard one (half coverage) for the truth.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from PIL import Image

from sample_images.head_shape import (
    HeadShape,
    eye_frame,
    eye_inside,
    eye_point,
    lid_heights,
    lip_edges,
    lip_inside,
    smooth,
)
from sample_images.subject import CLASSES
from sample_images.truth import lab_to_linear

HALF_WIDTH, HALF_HEIGHT = 1.9, 2.3  # cm covered by the picture each way from the head's middle


@dataclass(frozen=True)
class FacePaint:
    """What is painted. Colors are linear RGB triples; None = not painted."""

    skin: Any
    eye_white: Any
    iris_state: str = "unpainted"
    iris: Any = (0.01, 0.01, 0.01)
    iris_style: str = "disc"
    iris_radius: float = 0.19
    gaze: tuple[float, float] = (0.0, 0.0)
    liner: Any = None
    liner_width: float = 0.075
    wing: float = 0.12
    lash_line: bool = True
    lashes: int = 0
    brow: Any = (0.08, 0.04, 0.02)
    brow_style: str = "arched"
    lip_state: str = "full"
    lip: Any = (0.4, 0.03, 0.03)
    lip_wear: float = 0.4
    lip_wear_place: str = "crown"
    lip_grow: float = 0.07
    blush: float = 0.15
    scratches: int = 0
    dirt: int = 0
    liner_wear: float = 0.0


@dataclass
class Canvas:
    """Pictures under the brush: linear color, class/part/aux numbers, roughness; x and z of each pixel."""

    x: NDArray[np.float32]
    z: NDArray[np.float32]
    color: NDArray[np.float32]
    ids: NDArray[np.uint8]
    rough: NDArray[np.float32]
    scale: float
    soft: float = field(default=0.008)

    @classmethod
    def blank(cls, px_per_cm: float, skin: Any, rough: float) -> Canvas:
        """Return a canvas of plain skin."""
        w, h = round(2 * HALF_WIDTH * px_per_cm), round(2 * HALF_HEIGHT * px_per_cm)
        xs = (np.arange(w, dtype=np.float32) + 0.5) / px_per_cm - HALF_WIDTH
        zs = HALF_HEIGHT - (np.arange(h, dtype=np.float32) + 0.5) / px_per_cm
        x, z = np.meshgrid(xs, zs)
        color = np.empty((h, w, 3), np.float32)
        color[:] = np.asarray(skin, np.float32)
        ids = np.zeros((h, w, 3), np.uint8)
        ids[..., 0] = CLASSES["skin"]
        return cls(x, z, color, ids, np.full((h, w), rough, np.float32), px_per_cm)

    def window(self, x0: float, x1: float, z0: float, z1: float) -> tuple[slice, slice]:
        """Rows and columns that cover a rectangle given in cm."""
        h, w = self.x.shape
        columns = np.clip([(x0 + HALF_WIDTH) * self.scale, (x1 + HALF_WIDTH) * self.scale + 1], 0, w).astype(
            int
        )
        rows = np.clip([(HALF_HEIGHT - z1) * self.scale, (HALF_HEIGHT - z0) * self.scale + 1], 0, h).astype(
            int
        )
        return slice(*rows), slice(*columns)

    def lay(
        self,
        where: tuple[slice, slice],
        alpha: NDArray[Any],
        color: Any,
        name: str | None,
        rough: float | None = None,
        keep: tuple[str, ...] = (),
    ) -> None:
        """Paint a color with an alpha mask; half coverage or more takes the class."""
        a = np.clip(alpha, 0, 1).astype(np.float32)[..., None]
        self.color[where] = self.color[where] * (1 - a) + np.asarray(color, np.float32) * a
        if rough is not None:
            self.rough[where] = self.rough[where] * (1 - a[..., 0]) + rough * a[..., 0]
        if name is not None:
            hit = a[..., 0] >= 0.5
            for kept in keep:
                hit &= self.ids[where][..., 0] != CLASSES[kept]
            self.ids[where][..., 0][hit] = CLASSES[name]

    def edge(self, inside: NDArray[Any]) -> NDArray[Any]:
        """Alpha of a shape from a signed distance in cm."""
        return smooth(inside, -self.soft, self.soft)

    def stroke(self, points: Any, widths: Any) -> tuple[tuple[slice, slice], NDArray[Any]]:
        """Alpha of a brush stroke along (N, 2) points in cm with a width (cm) at each."""
        points, widths = np.asarray(points, np.float32), np.asarray(widths, np.float32)
        reach = float(widths.max()) / 2 + 0.03
        where = self.window(
            points[:, 0].min() - reach,
            points[:, 0].max() + reach,
            points[:, 1].min() - reach,
            points[:, 1].max() + reach,
        )
        x, z = self.x[where], self.z[where]
        best = np.full(x.shape, -9.0, np.float32)
        for (px, pz), width in zip(points, widths, strict=True):
            np.maximum(best, width / 2 - np.hypot(x - px, z - pz), out=best)
        return where, self.edge(best)


def cloud(rng: Generator, shape: tuple[int, int], cells: float, octaves: int = 4) -> NDArray[np.float32]:
    """Smooth random field with mean about 0 and deviation about 1; ``cells`` waves along the short side."""
    total = np.zeros(shape, np.float32)
    for octave in range(octaves):
        n = cells * 2**octave
        h = max(2, round(n * shape[0] / min(shape)))
        w = max(2, round(n * shape[1] / min(shape)))
        small = Image.fromarray(rng.standard_normal((h, w)).astype(np.float32))
        total += np.asarray(small.resize((shape[1], shape[0]), Image.Resampling.BICUBIC)) * 0.6**octave
    return (total - total.mean()) / max(float(total.std()), 1e-6)


def paint_face(
    shape: HeadShape, paint: FacePaint, rng: Generator, px_per_cm: float = 500.0, rough: float = 0.45
) -> Canvas:
    """Paint a whole face and return the canvas."""
    canvas = Canvas.blank(px_per_cm, paint.skin, rough)
    canvas.soft = max(0.006, 0.8 / px_per_cm)
    _blush(canvas, shape, paint)
    _mark_lips(canvas, shape)
    if paint.lip_state != "bare":
        _lips(canvas, shape, paint, rng)
    for side in (-1, 1):
        _eye(canvas, shape, paint, side, rng)
        _brow(canvas, shape, paint, side, rng)
    _wear(canvas, paint, rng)
    return canvas


def _blush(c: Canvas, s: HeadShape, p: FacePaint) -> None:
    pink = np.asarray(lab_to_linear([58.0, 42.0, 18.0]), np.float32)
    for side in (-1, 1):
        a = p.blush * np.exp(-(((c.x - side * s.eye_x * 1.15) / 0.34) ** 2) - ((c.z - s.nose_z) / 0.3) ** 2)
        c.lay((slice(None), slice(None)), a, pink, None)


def _mark_lips(c: Canvas, s: HeadShape) -> None:
    where = c.window(-s.lip_half - 0.2, s.lip_half + 0.2, s.mouth_z - 0.5, s.mouth_z + 0.5)
    x, z = c.x[where], c.z[where]
    inside = lip_inside(s, x, z) > 0
    _, parting, _ = lip_edges(s, x)
    c.ids[where][..., 0][inside] = CLASSES["lip_molded"]
    c.ids[where][..., 2][inside & (z >= parting)] = 1
    c.ids[where][..., 2][inside & (z < parting)] = 2


def _lips(c: Canvas, s: HeadShape, p: FacePaint, rng: Generator) -> None:
    where = c.window(-s.lip_half - 0.3, s.lip_half + 0.3, s.mouth_z - 0.6, s.mouth_z + 0.6)
    x, z = c.x[where], c.z[where]
    wobble = 0.006 * cloud(rng, x.shape, 5)
    if p.lip_state == "overpainted":
        grow_up, grow_low = p.lip_grow * rng.uniform(0.75, 1.25), p.lip_grow * rng.uniform(0.6, 1.2)
        inside = lip_inside(s, x, z, grow_up, grow_low) + wobble * 1.5
    else:
        inside = lip_inside(s, x, z) + wobble * 0.5 + 0.003
    alpha = c.edge(inside)
    if p.lip_state == "rubbed":
        alpha = alpha * (1 - _lip_wear(c, s, p, x, z, rng))
    shade = np.asarray(p.lip, np.float32) * (1 + 0.05 * cloud(rng, x.shape, 8))[..., None]
    c.lay(where, alpha, shade, "lip_paint", rough=0.3)


def _lip_wear(c: Canvas, s: HeadShape, p: FacePaint, x: Any, z: Any, rng: Generator) -> NDArray[Any]:
    """Where paint is gone: 1 = bare. Starts at one place and eats outward in blotches."""
    upper, parting, lower = lip_edges(s, x)
    if p.lip_wear_place == "crown":
        target = rng.choice([-1, 1])
        middle = np.where(target > 0, (upper + parting) / 2, (lower + parting) / 2)
        distance = np.hypot((x - rng.uniform(-0.15, 0.15)) / s.lip_half, (z - middle) / 0.12)
    elif p.lip_wear_place == "corner":
        side = rng.choice([-1, 1])
        distance = np.abs(x - side * s.lip_half) / s.lip_half
    else:
        distance = 4 * np.minimum(np.abs(upper - z), np.abs(z - lower)) / s.lip_low
    field_ = distance + 0.22 * cloud(rng, x.shape, 7, 5)
    inside = lip_inside(s, x, z) > 0
    limit = np.quantile(field_[inside], p.lip_wear)
    return smooth(field_, limit + 0.04, limit - 0.04)


def _eye(c: Canvas, s: HeadShape, p: FacePaint, side: int, rng: Generator) -> None:
    ex, ez, a = side * s.eye_x, s.eye_z, s.eye_a
    where = c.window(ex - a - 0.5, ex + a + 0.5, ez - 0.6, ez + 0.7)
    x, z = c.x[where], c.z[where]
    u, v = eye_frame(s, side, x, z)
    inside = eye_inside(s, side, x, z)
    opening = c.edge(inside)
    c.lay(where, opening, p.eye_white, "eye_white", rough=0.35)
    # a little lid shadow painted by age
    c.lay(where, opening * 0.25 * smooth(lid_heights(s, u)[0] - v, 0.1, 0.0), np.asarray(p.skin) * 0.5, None)
    _iris(c, s, p, side, where, opening)
    seen = np.linspace(-0.97, 0.99, 90)
    up, _ = lid_heights(s, seen)
    if p.liner is not None:
        rise = np.clip((seen + 1) / 2, 0, 1)
        width = p.liner_width * (0.45 + 0.55 * rise) * rng.uniform(0.92, 1.08)
        track = eye_point(s, side, seen, up + width * 0.5)
        if p.wing > 0:
            k = np.linspace(0, 1, 24)[1:]
            end = eye_point(s, side, 1 + k * p.wing / s.eye_a, 0.02 + 0.45 * k * p.wing)
            track = np.vstack([track, end])
            width = np.concatenate([width, width[-1] * (1 - 0.85 * k)])
        at, alpha = c.stroke(track, width)
        alpha = alpha * (1 - 0.9 * p.liner_wear * (cloud(rng, alpha.shape, 6) > 0.8))
        shade = np.asarray(p.liner, np.float32) * (1 + 0.05 * cloud(rng, alpha.shape, 6))[..., None]
        c.lay(at, alpha, shade, "eyeliner", rough=0.35)
    if p.lash_line:
        thin = 0.022 + 0.014 * np.clip((seen + 1) / 2, 0, 1)
        at, alpha = c.stroke(eye_point(s, side, seen, up + 0.004), thin)
        c.lay(at, alpha, (0.012, 0.011, 0.011), "lash", rough=0.35)
    for i in range(p.lashes):
        at_u = 0.25 + 0.72 * i / max(p.lashes - 1, 1)
        top = lid_heights(s, at_u)[0]
        k = np.linspace(0, 1, 20)
        track = eye_point(s, side, at_u + 0.35 * k * (0.4 + at_u), top + 0.14 * k)
        at, alpha = c.stroke(track, 0.02 * (1 - 0.8 * k))
        c.lay(at, alpha, (0.012, 0.011, 0.011), "lash")


def _iris(c: Canvas, s: HeadShape, p: FacePaint, side: int, where: Any, opening: Any) -> None:
    x, z = c.x[where], c.z[where]
    cx, cz = side * s.eye_x + p.gaze[0], s.eye_z + 0.25 * (s.eye_up - s.eye_low) + p.gaze[1]
    r = np.hypot(x - cx, z - cz)
    radius = p.iris_radius
    black = (0.011, 0.010, 0.010)
    disc = c.edge(radius - r) * opening
    if p.iris_state == "unpainted":
        if p.iris_style == "ring":
            c.lay(where, disc, black, "iris", rough=0.3)
            c.lay(
                where, c.edge(radius * 0.86 - r) * opening, np.asarray(p.eye_white) * 0.97, "iris", rough=0.3
            )
            c.lay(where, c.edge(radius * 0.52 - r) * opening, black, "pupil", rough=0.25)
        else:
            c.lay(where, disc, black, "pupil", rough=0.25)
    else:
        color = np.asarray(p.iris, np.float32)
        shade = color * np.clip(1.18 - 0.5 * (r / radius)[..., None] ** 3, 0.5, 1.3)
        c.lay(where, disc, shade, "iris", rough=0.3)
        if p.iris_style == "ring":
            rim = c.edge(0.014 - np.abs(r - radius)) * opening
            c.lay(where, rim, black, "pupil", rough=0.3)
        c.lay(where, c.edge(radius * 0.52 - r) * opening, black, "pupil", rough=0.25)
    spot = np.hypot(x - cx - 0.32 * radius, z - cz - 0.38 * radius)
    c.lay(where, c.edge(0.19 * radius - spot) * opening, (0.78, 0.77, 0.74), "eye_white", rough=0.3)


def _brow(c: Canvas, s: HeadShape, p: FacePaint, side: int, rng: Generator) -> None:
    k = np.linspace(0, 1, 70)
    x = s.eye_x - 0.42 + 0.98 * k
    base = s.eye_z + s.eye_up + 0.27
    if p.brow_style == "arched":
        z = base + 0.26 * (1 - np.abs((k - 0.55) / 0.55) ** 1.35) - 0.06 * k
    elif p.brow_style == "straight":
        z = base + 0.08 + 0.06 * k
    else:
        z = base + 0.15 * (1 - ((k - 0.5) / 0.5) ** 2)
    width = 0.065 * np.clip(np.sin(np.pi * (0.12 + 0.86 * k)), 0.1, 1) ** 0.8 * rng.uniform(0.85, 1.15)
    at, alpha = c.stroke(np.stack([side * x, z], 1), width)
    c.lay(at, alpha * 0.95, p.brow, "brow", rough=0.4)


def _wear(c: Canvas, p: FacePaint, rng: Generator) -> None:
    h, w = c.x.shape
    c.color *= (1 + 0.012 * cloud(rng, (h, w), 9, 5))[..., None]
    for _ in range(p.scratches):
        start = np.array([rng.uniform(-1.2, 1.2), rng.uniform(-1.6, 0.9)])
        k = np.linspace(0, 1, 60)[:, None]
        angle = rng.uniform(0, np.pi)
        bend = rng.uniform(-0.2, 0.2)
        length = rng.uniform(0.15, 0.8)
        track = (
            start
            + length * k * [np.cos(angle), np.sin(angle)]
            + bend * k**2 * [-np.sin(angle), np.cos(angle)]
        )
        at, alpha = c.stroke(track, np.full(60, rng.uniform(0.008, 0.018)))
        tone = np.asarray(p.skin) * (1.12 if rng.uniform() < 0.5 else 0.7)
        c.lay(at, alpha * rng.uniform(0.3, 0.8), np.clip(tone, 0, 0.9), None, rough=0.6)
    for _ in range(p.dirt):
        cx, cz, r = rng.uniform(-1.2, 1.2), rng.uniform(-1.7, 0.8), rng.uniform(0.015, 0.06)
        at = c.window(cx - 0.2, cx + 0.2, cz - 0.2, cz + 0.2)
        spot = r - np.hypot(c.x[at] - cx, c.z[at] - cz) + 0.3 * r * cloud(rng, c.x[at].shape, 5)
        c.lay(
            at,
            c.edge(spot) * rng.uniform(0.4, 0.9),
            np.asarray(p.skin) * 0.35,
            "dirt",
            keep=("lip_paint", "eyeliner"),
        )
