"""Parts of plain dolls: lofted solids, a painter's canvas, tubes, hands; the ``plain_*`` modules share them.

Every solid is a :class:`Loft` round a vertical axis that faces ``-y``: sections are superellipses, and a
relief moves the front toward the viewer. As the relief moves points along y alone, a picture painted in the
x-z plane stays where it was painted, and the depth of any painted point is known in closed form.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix, Vector
from numpy.random import Generator
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from sample_images import lettering
from sample_images.blend import grid_object, image_from_array, mesh_object, set_class_image
from sample_images.skin import linear
from sample_images.subject import CLASSES
from sample_images.vinyl import plain, vinyl

Array = NDArray[Any]
#: Relief of a front in cm toward the viewer, from x and z.
Relief = Callable[[Array, Array], Array]


def jitter(rng: Generator, lab: Any, amount: float) -> Array:
    """A CIELAB color moved by chance, as linear RGB that a surface can have."""
    return np.asarray(linear(np.asarray(lab, float) + rng.normal(0, amount, 3)))


def vinyl_lab(rng: Generator) -> Array:
    """Draw a vinyl: pale ivory to dark brown, one in six with a gray-green or yellow cast of age."""
    lightness = rng.uniform(26, 52) if rng.random() < 0.16 else rng.uniform(54, 88)
    hue = math.radians(rng.uniform(32, 84))
    chroma = rng.uniform(8, 24) + (8 if lightness < 70 else 0) * rng.random()
    lab = np.array([lightness, chroma * math.cos(hue), chroma * math.sin(hue)])
    if rng.random() < 0.17:
        lab += [-4, -rng.uniform(4, 12), rng.uniform(-4, 9)]
    return lab


def vinyl_look(rng: Generator, params: dict[str, Any]) -> dict[str, Any]:
    """Draw how a vinyl reflects: keyword arguments of :func:`sample_images.vinyl.vinyl`."""
    return {
        "greasy": float(
            params.get("greasy", rng.choice([0.0, 0.0, rng.uniform(0, 0.4), rng.uniform(0.6, 1)]))
        ),
        "roughness": float(rng.uniform(0.2, 0.75)),
        "subsurface": float(rng.choice([0.0, rng.uniform(0.05, 0.6)])),
        "mottle": float(rng.uniform(0.0, 0.1)),
        "grain": float(rng.choice([0.0, rng.uniform(0.3, 3.0)])),
        "seed": float(rng.uniform(0, 50)),
    }


def any_color(rng: Generator) -> tuple[float, float, float]:
    """Draw any color of cloth or painted things."""
    return linear((rng.uniform(10, 93), rng.normal(0, 30), rng.normal(0, 30)))


def cloud(rng: Generator, shape: tuple[int, int], cells: int, octaves: int = 3) -> Array:
    """Smooth random field, mean 0 and deviation 1; ``cells`` waves along the short side."""
    total = np.zeros(shape, np.float32)
    for octave in range(octaves):
        n = cells * 2**octave
        size = [max(2, round(n * s / min(shape))) for s in shape]
        small = Image.fromarray(rng.standard_normal(size).astype(np.float32))
        total += np.asarray(small.resize(shape[::-1], Image.Resampling.BICUBIC)) * 0.55**octave
    return (total - total.mean()) / max(float(total.std()), 1e-6)


def bump(x: Array, z: Array, at: Sequence[float], size: Sequence[float]) -> Array:
    """A Gaussian hill of height 1."""
    return np.exp(-(((x - at[0]) / size[0]) ** 2) - ((z - at[1]) / size[1]) ** 2)


def step(value: Array, low: float, high: float) -> Array:
    """Smooth step from 0 at ``low`` to 1 at ``high`` (which may be below ``low``)."""
    t = np.clip((value - low) / (high - low), 0, 1)
    return t * t * (3 - 2 * t)


@dataclass
class Loft:
    """A solid of superellipse sections between ``low`` and ``high``, closed at both ends.

    Attributes
    ----------
    zs, widths, depths
        Heights (cm, rising) and the half width and half depth of the section there.
    exponent
        2 = elliptic sections, more = boxy.
    offset_x, offset_y
        The section's center at each of ``zs``.
    relief
        Moves the front toward the viewer, cm, from x and z.
    """

    zs: Array
    widths: Array
    depths: Array
    exponent: float = 2.0
    offset_x: Array | None = None
    offset_y: Array | None = None
    relief: Relief | None = None

    @property
    def low(self) -> float:
        """Height of the lower end."""
        return float(self.zs[0])

    @property
    def high(self) -> float:
        """Height of the upper end."""
        return float(self.zs[-1])

    def _at(self, z: Array) -> tuple[Array, Array, Array, Array]:
        w, d = np.interp(z, self.zs, self.widths), np.interp(z, self.zs, self.depths)
        ox = 0.0 * w if self.offset_x is None else np.interp(z, self.zs, self.offset_x)
        oy = 0.0 * w if self.offset_y is None else np.interp(z, self.zs, self.offset_y)
        return w, d, ox, oy

    def point(self, phi: Array, z: Array, grow: float = 0.0) -> Array:
        """World points (…, 3) at angles ``phi`` (-pi/2 = front) and heights, pushed out by ``grow`` cm."""
        w, d, ox, oy = self._at(z)
        power = 2.0 / self.exponent
        c, s = np.cos(phi), np.sin(phi)
        x = ox + (w + grow) * np.sign(c) * np.abs(c) ** power
        y = oy + (d + grow) * np.sign(s) * np.abs(s) ** power
        if self.relief is not None:
            y = y - self.relief(x, z + 0 * x) * step(-s, 0.02, 0.3)
        return np.stack([x, y, z + 0 * x], -1)

    def front(self, xz: Array) -> Array:
        """Points on the front, (N, 3), over (N, 2) points of the picture plane."""
        x, z = np.asarray(xz, float).T
        w, d, ox, oy = self._at(z)
        share = np.clip(np.abs((x - ox) / np.maximum(w, 1e-6)), 0, 1)
        y = oy - d * (1 - share**self.exponent) ** (1 / self.exponent)
        if self.relief is not None:
            s = np.sqrt(np.maximum(1 - share**self.exponent, 0))
            y = y - self.relief(x, z) * step(s, 0.02, 0.3)
        return np.stack([x, y, z], 1)

    def build(
        self,
        name: str,
        front: bpy.types.Material,
        back: bpy.types.Material,
        frame: tuple[float, float, float, float],
        rows: int = 160,
        columns: int = 200,
    ) -> bpy.types.Object:
        """Mesh it; ``frame`` = (x0, x1, z0, z1) that the front's (and back's) picture covers."""
        t = np.linspace(0, 1, rows)  # closer together at the round ends
        z = self.low + (self.high - self.low) * (0.4 * t + 0.3 * (1 - np.cos(np.pi * t)))
        fine = np.linspace(0, 1, columns, endpoint=False)
        phi = -np.pi / 2 + 2 * np.pi * fine - 0.55 * np.sin(2 * np.pi * fine)
        points = self.point(phi[None], z[:, None])
        r, c = (v.ravel() for v in np.meshgrid(np.arange(rows - 1), np.arange(columns), indexing="ij"))
        n = (c + 1) % columns
        faces = np.stack([r * columns + c, r * columns + n, (r + 1) * columns + n, (r + 1) * columns + c], 1)
        flat = points.reshape(-1, 3)
        x0, x1, z0, z1 = frame
        uv = np.stack([(flat[:, 0] - x0) / (x1 - x0), (flat[:, 2] - z0) / (z1 - z0)], 1)
        obj = mesh_object(name, flat, faces, uv, front)
        obj.data.materials.append(back)
        is_back = np.sin((phi[c] + phi[n] + (n == 0) * 2 * np.pi) / 2) > -0.12
        obj.data.polygons.foreach_set("material_index", is_back.astype(np.int32))
        return obj

    def shell(
        self,
        name: str,
        material: bpy.types.Material,
        low: float,
        high: float,
        grow: Callable[[Array, Array], Array],
        phi: tuple[float, float] = (0.0, 2 * math.pi),
        cut: Callable[[Array], Array] | None = None,
    ) -> bpy.types.Object:
        """A layer ``grow`` cm over the solid between two heights (``cut``: the lower edge by angle)."""
        whole = phi[1] - phi[0] > 6.28
        angle = np.linspace(*phi, 160, endpoint=not whole)[None]
        t = np.linspace(0, 1, 70)[:, None]
        edge = np.full(angle.shape, low) if cut is None else cut(angle)
        z = edge + (high - edge) * t
        p = self.point(angle, np.clip(z, self.low, self.high))
        q = self.point(angle, np.clip(z, self.low, self.high), 1.0) - p
        thick = grow(angle, z)
        up = step(z, self.high - 0.8, self.high)  # toward the pole a layer lies on top, and closes
        p = p + q * (thick * np.sqrt(1 - up**2))[..., None]
        p[..., 2] += thick * up
        return grid_object(name, p, material, wrap_u=whole, flip=True)


@dataclass
class Canvas:
    """Pictures in the x-z plane: linear color, (class, part, aux), bump height; row 0 is the top."""

    frame: tuple[float, float, float, float]
    scale: float
    x: Array
    z: Array
    color: Array
    ids: NDArray[np.uint8]
    height: Array = field(default_factory=lambda: np.zeros((1, 1), np.float32))

    @classmethod
    def blank(
        cls, frame: tuple[float, float, float, float], px: int, skin: Any, part: int = 0, name: str = "skin"
    ) -> Canvas:
        """A canvas of plain skin, ``px`` pixels on its long side."""
        x0, x1, z0, z1 = frame
        scale = px / max(x1 - x0, z1 - z0)
        w, h = max(8, round((x1 - x0) * scale)), max(8, round((z1 - z0) * scale))
        xs = x0 + (np.arange(w, dtype=np.float32) + 0.5) / scale
        zs = z1 - (np.arange(h, dtype=np.float32) + 0.5) / scale
        x, z = np.meshgrid(xs, zs)
        color = np.ones((h, w, 3), np.float32) * np.asarray(skin, np.float32)
        ids = np.zeros((h, w, 3), np.uint8)
        ids[..., 0], ids[..., 1] = CLASSES[name], part
        return cls(frame, scale, x, z, color, ids, np.zeros((h, w), np.float32))

    def edge(self, inside: Array, soft: float = 0.0) -> Array:
        """Coverage from a signed distance in cm."""
        width = max(soft, 0.7 / self.scale)
        return step(inside, -width, width)

    def lay(self, alpha: Array, rgb: Any, name: str | None = None, over: tuple[str, ...] = ()) -> None:
        """Paint; half coverage takes the class, where ``over`` allows (empty = everywhere)."""
        a = np.clip(alpha, 0, 1).astype(np.float32)
        if over:
            a = a * np.isin(self.ids[..., 0], [CLASSES[n] for n in over])
        self.color += (np.asarray(rgb, np.float32) - self.color) * a[..., None]
        if name is not None:
            self.ids[..., 0][a >= 0.5] = CLASSES[name]

    def pixels(self, xz: Any) -> list[tuple[float, float]]:
        """Points of the plane → pixels, for Pillow."""
        p = np.asarray(xz, float)
        columns, rows = (p[:, 0] - self.frame[0]) * self.scale, (self.frame[3] - p[:, 1]) * self.scale
        return list(zip(columns.tolist(), rows.tolist(), strict=True))

    def stroke(self, xz: Any, widths: Any) -> Array:
        """Coverage of a brush stroke: points and a width (cm) at each."""
        image = Image.new("L", self.x.shape[::-1])
        pen = ImageDraw.Draw(image)
        points, radii = self.pixels(xz), np.broadcast_to(np.asarray(widths) * self.scale / 2, (len(xz),))
        for (ax, ay), (bx, by), ra, rb in zip(points, points[1:], radii, radii[1:], strict=False):
            for t in np.linspace(0, 1, max(2, int(math.hypot(bx - ax, by - ay) / 1.5) + 1)):
                x, y, r = ax + (bx - ax) * t, ay + (by - ay) * t, max(ra + (rb - ra) * t, 0.5)
                pen.ellipse((x - r, y - r, x + r, y + r), fill=255)
        return np.asarray(image, np.float32) / 255

    def polygon(self, xz: Any) -> Array:
        """Coverage (0 or 1) of a polygon."""
        image = Image.new("L", self.x.shape[::-1])
        ImageDraw.Draw(image).polygon(self.pixels(xz), fill=255)
        return np.asarray(image, np.float32) / 255

    def dirt(self, rng: Generator, count: int, size: float, over: tuple[str, ...] = ("skin",)) -> None:
        """Brown or gray blotches; only dense ones are called dirt."""
        for _ in range(count):
            x0, x1, z0, z1 = self.frame
            at = (rng.uniform(x0, x1), rng.uniform(z0, z1))
            reach = size * rng.uniform(0.3, 1.5)
            spot = 1 - np.hypot(self.x - at[0], (self.z - at[1]) * rng.uniform(0.6, 1.6)) / reach
            cover = step(spot + 0.3 * cloud(rng, self.x.shape, 14), 0, rng.uniform(0.2, 1)) * (spot > -0.6)
            shade = np.array([0.11, 0.08, 0.05]) * rng.uniform(0.4, 2.2)
            self.lay(cover * rng.uniform(0.3, 0.95), shade, "dirt", over)

    def scratches(self, rng: Generator, count: int) -> None:
        """Fine lines, lighter or darker, pressed in a little."""
        x0, x1, z0, z1 = self.frame
        for _ in range(count):
            at = np.array([rng.uniform(x0, x1), rng.uniform(z0, z1)])
            t = np.linspace(-1, 1, 12)[:, None]
            turn, reach = rng.uniform(0, np.pi), rng.uniform(0.05, 0.3) * (x1 - x0)
            way = np.array([math.cos(turn), math.sin(turn)])
            path = at + reach * (t * way + rng.normal(0, 0.2) * t * t * way[::-1])
            mask = self.stroke(path, rng.uniform(0.003, 0.008) * (x1 - x0))
            self.height -= 0.6 * mask
            self.color *= 1 + mask[..., None] * rng.choice([-0.4, 0.3])

    def material(self, name: str, look: dict[str, Any], depth: float = 0.0) -> bpy.types.Material:
        """Finish: the vinyl that carries this picture; ``depth`` cm of bump for height 1."""
        image = image_from_array(name, np.clip(self.color, 0.003, 0.95))
        made = vinyl(name, image=image, **look)
        set_class_image(made, self.ids)
        if depth:
            lettering.add_relief(made, image_from_array(f"{name}.h", self.height, color=False), depth)
            for node in made.node_tree.nodes:
                if node.bl_idname == "ShaderNodeTexImage":
                    node.extension = "EXTEND"
        return made


def tube(
    name: str, path: Any, radii: Any, material: bpy.types.Material, squash: float = 1.0
) -> bpy.types.Object:
    """A round-ended tube through points with a radius at each; ``squash`` flattens it along y."""
    knots, r = np.asarray(path, float), np.asarray(radii, float)
    t = np.linspace(0, len(knots) - 1, 14 * (len(knots) - 1) + 1)
    index = np.arange(len(knots))
    line = np.stack([np.interp(t, index, knots[:, i]) for i in range(3)], 1)
    kernel = np.hanning(9) / np.hanning(9).sum()
    line = np.stack([np.convolve(np.pad(line[:, i], 4, "edge"), kernel, "valid") for i in range(3)], 1)
    radius = np.interp(t, index, r)
    way = np.gradient(line, axis=0)
    way /= np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-9)
    cap = np.linspace(np.pi / 2, 0.12, 6)
    start = line[0] - way[0] * (radius[0] * np.sin(cap))[:, None]
    end = line[-1] + way[-1] * (radius[-1] * np.sin(cap[::-1]))[:, None]
    line = np.concatenate([start, line, end])
    radius = np.concatenate([radius[0] * np.cos(cap), radius, radius[-1] * np.cos(cap[::-1])])
    way = np.concatenate([np.repeat(way[:1], 6, 0), way, np.repeat(way[-1:], 6, 0)])
    side = np.cross(way, [0.0, 1.0, 0.02])
    side /= np.maximum(np.linalg.norm(side, axis=1, keepdims=True), 1e-9)
    other = np.cross(way, side) * squash
    k = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    ring = side[:, None] * np.cos(k)[None, :, None] + other[:, None] * np.sin(k)[None, :, None]
    return grid_object(name, line[:, None] + radius[:, None, None] * ring, material, wrap_u=True, flip=True)


def ball(
    name: str, at: Any, radii: Any, material: bpy.types.Material, rough: float = 0.0, seed: int = 0
) -> Any:
    """An ellipsoid, its surface lumpy by ``rough`` (share of the radius)."""
    a, b = np.meshgrid(
        np.linspace(0.01, np.pi - 0.01, 40), np.linspace(0, 2 * np.pi, 64, False), indexing="ij"
    )
    lump = 0 * a
    if rough:
        phases = np.random.default_rng(seed).uniform(0, 6, (4, 2))
        for i, (p, q) in enumerate(phases):
            lump = lump + rough * np.sin((3 + 2 * i) * a + p) * np.sin((4 + 3 * i) * b + q) / (1 + i)
    unit = np.stack([np.sin(a) * np.cos(b), np.sin(a) * np.sin(b), np.cos(a)], -1) * (1 + lump)[..., None]
    return grid_object(name, unit * np.asarray(radii) + np.asarray(at), material, wrap_u=True)


def hand_material(rng: Generator) -> bpy.types.Material:
    """A person's skin (background in the masks)."""
    tone = linear((rng.uniform(30, 74), rng.uniform(9, 18), rng.uniform(12, 24)))
    return vinyl("hand", tone, roughness=0.55, subsurface=0.3, mottle=0.1, grain=3, class_name="background")


def hand(rng: Generator, at: Any, toward: Any, size: float) -> list[bpy.types.Object]:
    """Three or four fingers that reach to ``at`` from the side ``toward``, and the ball of the hand."""
    material = hand_material(rng)
    at, away = np.asarray(at, float), np.asarray(toward, float)
    away = away / np.linalg.norm(away)
    spread = np.cross(away, [0.0, 1.0, 0.05])
    spread /= np.linalg.norm(spread)
    objects = []
    for i in range(int(rng.integers(3, 5))):
        tip = at + spread * size * (0.55 * i - 0.7) + rng.normal(0, 0.06, 3) * size
        knuckle = tip + away * size * rng.uniform(1.2, 1.7) - np.array([0, 0.3, 0]) * size
        root = tip + away * size * 3.2
        r = size * rng.uniform(0.22, 0.3)
        objects.append(tube("finger", [tip, knuckle, root], [r, 1.1 * r, 1.25 * r], material))
    palm = at + away * size * 3.9
    objects.append(ball("palm", palm, np.full(3, 1.4 * size), material))
    return objects


def pose(objects: Sequence[bpy.types.Object], matrix: Matrix) -> None:
    """Move objects together."""
    bpy.context.view_layer.update()
    for obj in objects:
        obj.matrix_world = matrix @ obj.matrix_world
    bpy.context.view_layer.update()


def moved(matrix: Matrix, points: Array) -> Array:
    """(N, 3) points through a matrix."""
    return np.array([list(matrix @ Vector(p)) for p in np.asarray(points, float)])


def lowest(objects: Sequence[bpy.types.Object]) -> float:
    """Height of the lowest point of objects (from their boxes)."""
    bpy.context.view_layer.update()
    return float(min((o.matrix_world @ Vector(c))[2] for o in objects for c in o.bound_box))


def cloth(rng: Generator, name: str = "cloth") -> bpy.types.Material:
    """A plain cloth, matte or shiny."""
    return plain(name, any_color(rng), "garment", roughness=float(rng.uniform(0.4, 1.0)))
