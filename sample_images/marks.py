"""A curved piece of vinyl with a molded mark, or without one.

The letters are geometry, not a bump: the surface is displaced on a grid that is dense where the mark lies,
so that side light casts real shadows into them.

Parameters of :func:`build` (all optional; drawn at random when absent)::

    surface       "buttock", "back", "head" or "limb"
    lines         list of text lines; [] = blank vinyl, no mark
    relief        "raised" or "incised"
    depth         height of the letters over the cap height: 0.02 shallow … 0.13 deep
    softness      width of the letters' slopes over the cap height
    font          a name of sample_images.lettering.FONTS
    box_line      index of a line in a rectangle, or None
    arc           radians the widest line turns, 0 = straight
    rotation_deg  turn of the mark on the surface, counterclockwise
    letter_share  cap height over the picture's short side at fill 1 (0.014 … 0.09)
    cap_cm        cap height
    seams, scratches, dirt, hairs   numbers of distractors
    pose          "held" or "lying"
    skin_lab, greasy, hair_rgb
    light         "side" or "frontal": what the recipe asked of the light, repeated in the truth

One mark under four lights: same seed and params, four values of the setting's ``azimuth_deg``.
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
from sample_images.lettering import Lettering
from sample_images.skin import linear, skin_lab
from sample_images.subject import CLASSES, Subject, Truthing
from sample_images.vinyl import vinyl

Points = NDArray[np.float64]
#: A surface: angle round (0 = +x, -pi/2 = toward the viewer) and place along → world points (…, 3).
Surface = Callable[[NDArray[Any], NDArray[Any]], Points]

NAMES = ("VERITY", "VERITY", "HARGROVE", "BRAMWICK", "ORLETTE", "TESSALY", "QUORWEN", "DALVINE")
PHRASES = (
    "PATENT APPLIED",
    "PAT. APPLIED",
    "MADE IN JAPAN",
    "JAPAN",
    "BY HARGROVE",
    "MODEL 2",
    "PATENTED",
    "NO. 217",
)
HAIR = ((0.55, 0.38, 0.16), (0.05, 0.025, 0.015), (0.2, 0.07, 0.025), (0.62, 0.48, 0.28), (0.012, 0.01, 0.01))
CAP_PX = 64


@dataclass(frozen=True)
class Body:
    """A body part: its surface, the range along it, where a mark sits and where seams run."""

    point: Surface
    low: float
    high: float
    spot: tuple[float, float]
    seam_angles: tuple[float, ...]
    view: str = "mark"


@dataclass(frozen=True)
class Patch:
    """A flat map glued to the surface round the mark; ``per_px`` is cm per map pixel."""

    center: tuple[float, float]
    per_angle: float
    per_along: float
    turn: float
    per_px: float
    shape: tuple[int, int]

    def pixels(self, angle: NDArray[Any], along: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
        """Surface parameters → map pixels (x right, y down), seen from outside."""
        a, b = (angle - self.center[0]) * self.per_angle, (along - self.center[1]) * self.per_along
        c, s = np.cos(self.turn), np.sin(self.turn)
        x, y = c * a + s * b, -s * a + c * b
        return x / self.per_px + self.shape[1] / 2, self.shape[0] / 2 - y / self.per_px

    def params(self, points: Points) -> tuple[NDArray[Any], NDArray[Any]]:
        """Map pixels → surface parameters."""
        x = (points[:, 0] - self.shape[1] / 2) * self.per_px
        y = (self.shape[0] / 2 - points[:, 1]) * self.per_px
        c, s = np.cos(self.turn), np.sin(self.turn)
        a, b = c * x - s * y, s * x + c * y
        return self.center[0] + a / self.per_angle, self.center[1] + b / self.per_along


def build(rng: np.random.Generator, params: dict[str, Any]) -> Subject:
    """Make a marked body part; see the module's docstring for ``params``."""
    kind = str(params.get("surface", rng.choice(["buttock", "buttock", "back", "head", "limb"])))
    body = _BODIES[kind](rng)
    lines = params.get("lines")
    lines = draw_lines(rng) if lines is None else [str(line) for line in lines]
    cap = float(params.get("cap_cm", rng.uniform(0.12, 0.22)))
    share = float(params.get("letter_share", np.exp(rng.uniform(np.log(0.018), np.log(0.075)))))
    block = _letter(rng, params, lines)
    cap = min(cap, _cap_that_fits(body, block))
    patch, maps = _patch(rng, params, body, block, cap)
    angles, alongs = _axes(body, patch, cap)
    depth = float(params.get("depth", np.exp(rng.uniform(np.log(0.03), np.log(0.14)))))
    relief = str(params.get("relief", "incised" if rng.random() < 0.3 else "raised"))
    if relief not in ("raised", "incised"):
        raise ValueError(f"relief must be raised or incised, got {relief!r}")
    height = _relief(rng, params, body, patch, maps, cap, -depth if relief == "incised" else depth)
    lab = np.asarray(params.get("skin_lab", skin_lab(rng)), float)
    points = _skin(rng, params, body, patch, maps, angles, alongs, height, lab)
    hair_rgb = params.get("hair_rgb", HAIR[int(rng.integers(len(HAIR)))])
    if kind == "head":
        _hairdo(rng, params, body, hair_rgb)
    _loose_hairs(rng, params, body, patch, int(params.get("hairs", rng.choice([0, 0, 0, 2, 4]))), hair_rgb)
    if kind in ("buttock", "back"):
        _limbs(rng, lab, params)
    return _subject(rng, params, body, patch, block, points, lab, cap, share, relief, depth)


def draw_lines(rng: np.random.Generator) -> list[str]:
    """Invent a mark of one to five lines."""
    symbol = str(rng.choice(["", "", "®", "™"]))
    lines = [str(rng.choice(NAMES)) + symbol]
    if rng.random() < 0.5:
        lines.append(str(rng.choice(PHRASES)))
    if rng.random() < 0.55:
        year = roman(int(rng.integers(1951, 1973)))
        lines.append(("©" if rng.random() < 0.6 else "") + year)
    if rng.random() < 0.4:
        lines.append("BY" if rng.random() < 0.3 else str(rng.choice(PHRASES)))
    if rng.random() < 0.2:
        lines.append(str(rng.choice(("HARGROVE", "INC.", "CO. LTD.", "8 5 0"))))
    return lines


def roman(number: int) -> str:
    """Write a number in Roman numerals: 1956 → MCMLVI."""
    steps = ((1000, "M"), (900, "CM"), (500, "D"), (400, "CD"), (100, "C"), (90, "XC"), (50, "L"), (40, "XL"))
    out = ""
    for value, letters in (*steps, (10, "X"), (9, "IX"), (5, "V"), (4, "IV"), (1, "I")):
        while number >= value:
            out, number = out + letters, number - value
    return out


def _letter(rng: np.random.Generator, params: dict[str, Any], lines: list[str]) -> Lettering | None:
    if not lines:
        return None
    japan = [i for i, line in enumerate(lines) if line == "JAPAN"]
    box_line = params.get("box_line", japan[0] if japan and rng.random() < 0.6 else None)
    arc = float(params.get("arc", rng.uniform(0.5, 1.9) * rng.choice([1, -1]) if rng.random() < 0.3 else 0.0))
    if len(lines) > 2:  # tight bends would fold a tall block onto itself
        arc = float(np.clip(arc, -0.9, 0.9))
    softness = float(params.get("softness", rng.uniform(0.02, 0.065)))
    return lettering.draw(
        rng, lines, CAP_PX, params.get("font"), box_line=box_line, arc=arc, softness=softness
    )


# ---------------------------------------------------------------------------------------------- body parts


def _torso(rng: np.random.Generator, spot: tuple[float, float]) -> Body:
    hip, waist, chest = rng.uniform(2.1, 2.5), rng.uniform(1.2, 1.5), rng.uniform(1.9, 2.3)
    lobe = rng.uniform(0.4, 0.65)
    heights = np.array([-1.2, -0.9, 0.0, 1.2, 2.6, 4.0, 5.6, 7.0, 8.0, 8.6, 8.75])
    widths = np.array(
        [0.02, 1.0, hip * 0.93, hip, hip * 0.86, waist, chest * 0.88, chest, chest * 0.85, 0.9, 0.02]
    )
    depths = np.array([0.02, 0.7, 1.25, 1.3, 1.15, 0.95, 1.2, 1.25, 1.0, 0.7, 0.02])

    def point(angle: NDArray[Any], along: NDArray[Any]) -> Points:
        a, b = _smooth(along, heights, widths), _smooth(along, heights, depths)
        x, y = a * np.cos(angle), b * np.sin(angle)
        back = np.clip(-np.sin(angle), 0, 1) ** 0.7
        for side in (-1, 1):
            bump = np.exp(-(((x - side * 0.95) / 0.85) ** 2) - ((along - 0.9) / 1.15) ** 2)
            y = y - lobe * bump * back
        spine = (
            0.12
            * np.exp(-((x / 0.28) ** 2))
            * np.clip((along - 1.5) / 2, 0, 1)
            * np.clip((8 - along) / 2, 0, 1)
        )
        return np.stack([x, y + spine * back, along + 0 * angle], -1)

    return Body(point, -1.199, 8.749, spot, (0.02, np.pi - 0.02, -np.pi / 2 + 0.05))


def _buttock(rng: np.random.Generator) -> Body:
    side = 1 if rng.random() < 0.7 else -1
    return _torso(rng, (-np.pi / 2 + side * rng.uniform(0.42, 0.55), rng.uniform(1.4, 1.9)))


def _back(rng: np.random.Generator) -> Body:
    return _torso(rng, (-np.pi / 2 + rng.normal(0, 0.12), rng.uniform(4.2, 6.6)))


def _head(rng: np.random.Generator) -> Body:
    a, b, c = rng.uniform(1.55, 1.8), rng.uniform(1.6, 1.85), rng.uniform(1.75, 2.0)
    neck = rng.uniform(0.42, 0.52)
    heights = np.array([-3.9, -3.8, -2.8, -2.05, -1.7, -1.25, -0.6, 0.2, 0.9, 1.4, 1.8, 2.0]) * c / 2
    scale = np.array([0.02, neck * 1.1, neck, neck * 1.08, 0.68, 0.88, 0.98, 1.0, 0.9, 0.7, 0.4, 0.02])

    def point(angle: NDArray[Any], along: NDArray[Any]) -> Points:
        s = _smooth(along, heights, scale)
        return np.stack([a * s * np.cos(angle), b * s * np.sin(angle), along + 0 * angle], -1)

    spot = (-np.pi / 2 + rng.normal(0, 0.08), -0.95 * c / 2 + rng.normal(0, 0.06))
    return Body(point, heights[0] + 1e-3, heights[-1] - 1e-3, spot, (0.3, np.pi - 0.3), "head_back")


def _limb(rng: np.random.Generator) -> Body:
    thick, flat, bow = rng.uniform(0.75, 1.3), rng.uniform(0.65, 1.0), rng.uniform(-0.03, 0.05)
    heights = np.array([-4.2, -4.0, -2.5, -1, 0.5, 2, 3.5, 4.0, 4.2])
    swell = np.array([0.02, 0.6, 0.85, *rng.uniform(0.85, 1.1, 3), 0.85, 0.55, 0.02])

    def point(angle: NDArray[Any], along: NDArray[Any]) -> Points:
        r = thick * _smooth(along, heights, swell)
        return np.stack([r * np.cos(angle), r * flat * np.sin(angle) + bow * along**2, along + 0 * angle], -1)

    return Body(
        point, -4.199, 4.199, (-np.pi / 2 + rng.normal(0, 0.15), rng.uniform(-1.2, 1.2)), (0.1, np.pi - 0.1)
    )


_BODIES: dict[str, Callable[[np.random.Generator], Body]] = {
    "buttock": _buttock,
    "back": _back,
    "head": _head,
    "limb": _limb,
}


def _smooth(x: NDArray[Any], knots: NDArray[Any], values: NDArray[Any]) -> NDArray[np.float64]:
    """Interpolate with a cubic through knots (monotone slopes, no overshoot)."""
    h, d = np.diff(knots), np.diff(values) / np.diff(knots)
    slope = np.concatenate(
        [[d[0]], np.where(d[:-1] * d[1:] > 0, 2 * d[:-1] * d[1:] / (d[:-1] + d[1:] + 1e-12), 0), [d[-1]]]
    )
    i = np.clip(np.searchsorted(knots, x) - 1, 0, len(h) - 1)
    t = (x - knots[i]) / h[i]
    return (
        (2 * t**3 - 3 * t**2 + 1) * values[i]
        + (t**3 - 2 * t**2 + t) * h[i] * slope[i]
        + (-2 * t**3 + 3 * t**2) * values[i + 1]
        + (t**3 - t**2) * h[i] * slope[i + 1]
    )


# ------------------------------------------------------------------------------------------------- surface


def _scale_at(body: Body) -> tuple[float, float]:
    """Centimeters a radian round, and a centimeter along, at the mark's place."""
    (angle, along), eps = body.spot, 1e-4
    corner = body.point(np.array([angle, angle + eps, angle]), np.array([along, along, along + eps]))
    return (
        float(np.linalg.norm(corner[1] - corner[0]) / eps),
        float(np.linalg.norm(corner[2] - corner[0]) / eps),
    )


def _cap_that_fits(body: Body, block: Lettering | None) -> float:
    """Return the largest cap height at which the mark does not run round the curve out of sight."""
    if block is None:
        return np.inf
    half = np.abs(block.outline - np.array(block.height.shape[::-1]) / 2).max() / CAP_PX
    return float(0.62 * _scale_at(body)[0] / half)


def _patch(
    rng: np.random.Generator, params: dict[str, Any], body: Body, block: Lettering | None, cap: float
) -> tuple[Patch, dict[str, NDArray[Any]]]:
    """Lay the map on the surface and put the letters in it; distractors need a margin round the mark."""
    tile = np.zeros((3 * CAP_PX, 9 * CAP_PX), np.float32) if block is None else block.height
    margin = int(2.2 * CAP_PX)
    height = np.pad(tile, margin)
    per_angle, per_along = _scale_at(body)
    turn = np.radians(float(params.get("rotation_deg", _draw_turn(rng))))
    patch = Patch(body.spot, per_angle, per_along, float(turn), cap / CAP_PX, height.shape)
    return patch, {"letters": height}


def _draw_turn(rng: np.random.Generator) -> float:
    return float(rng.normal(0, 8) if rng.random() < 0.55 else rng.uniform(0, 360))


def _axes(body: Body, patch: Patch, cap: float) -> tuple[NDArray[Any], NDArray[Any]]:
    """Grid lines: dense over the letters and at seams, coarse elsewhere."""
    h, w = patch.shape
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]], float)
    angle, along = patch.params(corners)
    pitch = cap / 26
    dense = [(angle.min(), angle.max(), pitch / patch.per_angle)]
    dense += [(s - 0.06, s + 0.06, 0.006) for s in body.seam_angles]
    angles = _uneven(-3 * np.pi / 2, np.pi / 2, 0.03, dense)
    alongs = _uneven(body.low, body.high, 0.06, [(along.min(), along.max(), pitch / patch.per_along)])
    return angles, alongs


def _uneven(
    low: float, high: float, coarse: float, dense: list[tuple[float, float, float]]
) -> NDArray[np.float64]:
    """Build an increasing axis with given fine stretches."""
    out, at = [low], low
    while at < high:
        step = coarse
        for a, b, fine in dense:
            if a - coarse <= at <= b:
                step = min(step, fine if at >= a - fine else max(a - at, fine))
        at += step
        out.append(min(at, high))
    return np.asarray(out)


def _relief(
    rng: np.random.Generator,
    params: dict[str, Any],
    body: Body,
    patch: Patch,
    maps: dict[str, NDArray[Any]],
    cap: float,
    depth: float,
) -> Callable[[NDArray[Any], NDArray[Any]], NDArray[Any]]:
    """Return the displacement (cm, outward) of the surface: letters, scratches, seams."""
    maps["scratch"] = _scratches(rng, patch, int(params.get("scratches", rng.poisson(1.5))))
    worn = 1 - 0.35 * np.clip(sculpt.value_noise(rng, patch.shape, 4, 3), 0, 1)
    letters = depth * cap * maps["letters"] * worn - 0.02 * cap * maps["scratch"]
    seams = [s for s in body.seam_angles if rng.random() < 0.8][: int(params.get("seams", 3))]
    seam_height, seam_width = rng.uniform(0.004, 0.014), rng.uniform(0.01, 0.022)

    def height(angle: NDArray[Any], along: NDArray[Any]) -> NDArray[Any]:
        x, y = patch.pixels(angle, along)
        front = np.abs((angle - patch.center[0] + np.pi) % (2 * np.pi) - np.pi) < 1.6
        out = lettering.sample(letters, x, y) * front
        for seam in seams:
            gap = ((angle - seam + np.pi) % (2 * np.pi) - np.pi) * patch.per_angle
            out = out + seam_height * np.exp(-((gap / seam_width) ** 2))
        return out

    return height


def _scratches(rng: np.random.Generator, patch: Patch, count: int) -> NDArray[Any]:
    h, w = patch.shape
    image = Image.new("L", (w, h))
    pen = ImageDraw.Draw(image)
    for _ in range(count):
        x, y, turn = rng.uniform(0, w), rng.uniform(0, h), rng.uniform(0, np.pi)
        reach, bow = rng.uniform(0.5, 4) * CAP_PX, rng.normal(0, 0.15)
        t = np.linspace(-1, 1, 24)
        xs = x + reach * (t * np.cos(turn) - bow * t * t * np.sin(turn))
        ys = y + reach * (t * np.sin(turn) + bow * t * t * np.cos(turn))
        pen.line(
            list(zip(xs, ys, strict=True)), fill=int(rng.uniform(120, 255)), width=int(rng.integers(2, 5))
        )
    return np.asarray(image.filter(ImageFilter.GaussianBlur(1.2)), np.float32) / 255


def _skin(
    rng: np.random.Generator,
    params: dict[str, Any],
    body: Body,
    patch: Patch,
    maps: dict[str, NDArray[Any]],
    angles: NDArray[Any],
    alongs: NDArray[Any],
    relief: Callable[[NDArray[Any], NDArray[Any]], NDArray[Any]],
    lab: NDArray[np.float64],
) -> Points:
    """Make the displaced, painted surface; returns its points."""
    angle, along = np.meshgrid(angles[:-1], alongs)
    points = body.point(angle, along)
    eps = 1e-3
    across = body.point(angle + eps, along) - body.point(angle - eps, along)
    inner = np.clip(along, body.low + eps, body.high - eps)
    up = body.point(angle, inner + eps) - body.point(angle, inner - eps)
    normal = np.cross(across, up)
    normal /= np.maximum(np.linalg.norm(normal, axis=-1, keepdims=True), 1e-12)
    points = _pose(params, points + normal * relief(angle, along)[..., None])

    rows, columns = angle.shape
    r, c = np.meshgrid(np.arange(rows - 1), np.arange(columns), indexing="ij")
    r, c = r.reshape(-1), c.reshape(-1)
    k = (c + 1) % columns
    faces = np.stack([r * columns + c, r * columns + k, (r + 1) * columns + k, (r + 1) * columns + c], 1)
    x, y = patch.pixels(angle, along)
    h, w = patch.shape
    away = np.abs((angle - patch.center[0] + np.pi) % (2 * np.pi) - np.pi) > 1.6
    u, v = np.where(away, -9, x / w), np.where(away, -9, 1 - y / h)
    uv = np.stack([u.ravel(), v.ravel()], 1)

    color = np.ones((h, w, 3), np.float32) * np.asarray(linear(lab), np.float32)
    for _ in range(int(params.get("dirt", rng.poisson(1)))):
        color *= 1 - _smudge(rng, (h, w))[..., None] * np.array([0.5, 0.6, 0.7], np.float32)
    if rng.random() < 0.3:  # grime in the low places of the letters
        low = maps["letters"] * (1 - maps["letters"]) * 4 * rng.uniform(0.05, 0.35)
        color *= 1 - low[..., None] * np.array([0.8, 0.9, 1.0], np.float32)
    color *= 1 + (rng.uniform(-0.35, 0.15) * maps["scratch"])[..., None]
    color[[0, -1]], color[:, [0, -1]] = (
        linear(lab),
        linear(lab),
    )  # beyond its edge the map goes on as plain skin
    classes = np.full((h, w), CLASSES["skin"], np.uint8)
    classes[maps["letters"] > 0.4] = CLASSES["mark"]
    ids = np.stack([classes, np.zeros_like(classes), np.zeros_like(classes)], -1)
    material = vinyl(
        "marked",
        image=image_from_array("marked.color", np.clip(color, 0.003, 0.95)),
        greasy=float(params.get("greasy", rng.choice([0, 0, 0.2, 0.6]))),
        roughness=float(rng.uniform(0.34, 0.55)),
        subsurface=float(rng.uniform(0.05, 0.22)),
        grain=float(rng.uniform(0.4, 1.6)),
        seed=float(rng.uniform(0, 50)),
    )
    set_class_image(material, ids)
    mesh_object("marked", points.reshape(-1, 3), faces, uv, material)
    return points


def _smudge(rng: np.random.Generator, shape: tuple[int, int]) -> NDArray[Any]:
    """A soft stain somewhere on the map, zero at its border."""
    h, w = shape
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    cx, cy = rng.uniform(0.15, 0.85) * w, rng.uniform(0.2, 0.8) * h
    size = rng.uniform(0.2, 1.0) * CAP_PX
    spread = np.exp(-(((x - cx) / size) ** 2) - ((y - cy) / (size * rng.uniform(0.4, 1))) ** 2)
    return spread * np.clip(0.6 + 0.4 * sculpt.value_noise(rng, shape, 12, 3), 0, 1) * rng.uniform(0.2, 0.8)


def _pose(params: dict[str, Any], points: Points) -> Points:
    """Standing as modeled, or lying face down: the marked side (-y) turns up."""
    if params.get("pose") != "lying":
        return points
    return np.stack([points[..., 0], points[..., 2], -points[..., 1]], -1)


# ----------------------------------------------------------------------------------------- hair and limbs


def _strands(name: str, paths: list[Points], radius: float, rgb: Any) -> None:
    """Make hair from paths of points."""
    curve = bpy.data.curves.new(name, "CURVE")
    curve.dimensions = "3D"
    curve.bevel_depth = radius
    curve.bevel_resolution = 0
    for path in paths:
        spline = curve.splines.new("POLY")
        spline.points.add(len(path) - 1)
        spline.points.foreach_set(
            "co", np.concatenate([path, np.ones((len(path), 1))], 1).astype(np.float32).ravel()
        )
    material = bpy.data.materials.new(name)
    material.use_nodes = True
    bsdf = material.node_tree.nodes["Principled BSDF"]
    bsdf.inputs["Base Color"].default_value = (*map(float, rgb), 1)
    bsdf.inputs["Roughness"].default_value = 0.3
    curve.materials.append(set_class(material, "hair"))
    bpy.context.scene.collection.objects.link(bpy.data.objects.new(name, curve))


def _hairdo(rng: np.random.Generator, params: dict[str, Any], body: Body, rgb: Any) -> None:
    """Comb hair up from the nape's hairline to a tail, as seen from behind."""
    line, top = body.spot[1] + rng.uniform(0.3, 0.5), body.high * 0.55
    paths = []
    for angle in np.concatenate([rng.uniform(-np.pi, 0, 3200), rng.uniform(0, np.pi, 500)]):
        start = (
            line
            + 0.16 * abs(np.sin(3 * angle))
            + rng.normal(0, 0.05)
            + 0.5 * np.clip(np.cos(angle), -1, 1) ** 2
        )
        t = np.linspace(0, 1, 9)
        along = start + (top - start) * t
        swing = angle + (-np.pi / 2 - angle) * 0.55 * t**2 if angle < 0 else angle
        path = body.point(swing + rng.normal(0, 0.01, 9), along)
        lift = 1 + (0.02 + 0.05 * t + rng.uniform(0, 0.03)) * np.minimum(t * 6, 1)
        path[:, :2] *= lift[:, None]
        paths.append(_pose(params, path))
    for _ in range(1100):  # the tail
        t = np.linspace(0, 1, 9)
        root = body.point(np.array([-np.pi / 2 + rng.normal(0, 0.25)]), np.array([top]))[0]
        out = np.array([rng.normal(0, 0.45), -rng.uniform(0.3, 0.9), rng.uniform(0.6, 1.5)])
        drop = np.array([rng.normal(0, 0.3), -0.5, rng.uniform(-1.0, 0.6)])
        paths.append(_pose(params, root + out * t[:, None] + drop * (t**2)[:, None]))
    _strands("hairdo", paths, 0.0055, rgb)
    shade = vinyl("scalp", np.asarray(rgb) * 0.5, roughness=0.8, subsurface=0.0, class_name="hair")
    angle, along = np.meshgrid(np.linspace(-np.pi, np.pi, 73), np.linspace(line + 0.12, body.high, 30))
    shell = body.point(angle, along)
    shell[..., :2] *= 1.012
    rows, columns = angle.shape
    r, c = np.meshgrid(np.arange(rows - 1), np.arange(columns - 1), indexing="ij")
    i = (r * columns + c).ravel()
    mesh_object(
        "scalp",
        _pose(params, shell).reshape(-1, 3),
        np.stack([i, i + 1, i + columns + 1, i + columns], 1),
        material=shade,
    )


def _loose_hairs(
    rng: np.random.Generator, params: dict[str, Any], body: Body, patch: Patch, count: int, rgb: Any
) -> None:
    """Lay a few stray hairs across the mark's surroundings."""
    paths = []
    for _ in range(count):
        h, w = patch.shape
        t = np.linspace(-1, 1, 20)
        turn, bow = rng.uniform(0, np.pi), rng.normal(0, 0.25)
        reach = rng.uniform(0.3, 0.6) * w
        x = rng.uniform(0.2, 0.8) * w + reach * (t * np.cos(turn) - bow * t * t * np.sin(turn))
        y = rng.uniform(0.2, 0.8) * h + reach * (t * np.sin(turn) + bow * t * t * np.cos(turn))
        angle, along = patch.params(np.stack([x, y], 1))
        path = body.point(angle, np.clip(along, body.low, body.high))
        path[:, :2] *= 1.012
        paths.append(_pose(params, path))
    if paths:
        _strands("stray", paths, float(rng.uniform(0.0025, 0.0045)), rgb)


def _limbs(rng: np.random.Generator, lab: NDArray[np.float64], params: dict[str, Any]) -> None:
    """Give a torso the tops of its legs and arms, and a neck."""
    grid = sculpt.Grid.box((-4.2, -1.6, -6.0), (4.2, 1.6, 10.6), 0.11)
    parts = [sculpt.capsule(grid, (0, 0, 8.2), (0, 0.05, 10.4), 0.75, 0.62)]
    for side in (-1, 1):
        parts.append(sculpt.capsule(grid, (side * 1.1, 0.2, -0.45), (side * 1.0, 0.1, -5.9), 1.05, 0.8))
        parts.append(sculpt.ellipsoid(grid, (side * 2.15, 0, 7.5), (0.72, 0.7, 0.75)))
        elbow = (side * rng.uniform(2.9, 3.4), rng.uniform(-0.2, 0.8), 4.2)
        parts.append(sculpt.capsule(grid, (side * 2.35, 0, 7.4), elbow, 0.6, 0.45))
    vertices, quads = sculpt.surface(sculpt.join(parts, 0.02), grid)
    material = vinyl("limbs", linear(lab), roughness=float(rng.uniform(0.36, 0.5)))
    mesh_object("limbs", _pose(params, vertices), quads, material=material)


# --------------------------------------------------------------------------------------------------- truth


def _subject(
    rng: np.random.Generator,
    params: dict[str, Any],
    body: Body,
    patch: Patch,
    block: Lettering | None,
    points: Points,
    lab: NDArray[np.float64],
    cap: float,
    share: float,
    relief: str,
    depth: float,
) -> Subject:
    radius = cap / (2 * share)
    center = np.array([patch.shape[1] / 2, patch.shape[0] / 2])
    if block is not None:  # keep the whole mark in the picture
        reach = np.abs(block.outline - np.array(block.height.shape[::-1]) / 2).max() * patch.per_px
        radius = max(radius, 1.15 * float(reach))
    middle = _on_surface(params, body, patch, np.array([center]))[0]
    tangent_x = _on_surface(params, body, patch, center + np.array([[-2, 0], [2, 0]]))
    tangent_y = _on_surface(params, body, patch, center + np.array([[0, -2], [0, 2]]))
    normal = np.cross(tangent_x[1] - tangent_x[0], tangent_y[0] - tangent_y[1])
    normal /= np.linalg.norm(normal)
    lying = params.get("pose") == "lying"
    return Subject(
        view=body.view,
        target=_triple(middle - 0.45 * radius * normal),  # the camera focuses that far before it
        radius=float(radius),
        view_dir=_triple(normal),
        up=(0.0, 1.0, 0.0) if lying else (0.0, 0.0, 1.0),
        support="lying" if lying else "held",
        floor_z=float(points[..., 2].min()) if lying else -25.0,
        surfaces={"skin_exposed": linear(lab)},
        finish=_finisher(params, body, patch, block, relief, depth),
        cavity=True,
    )


def _triple(v: NDArray[Any]) -> tuple[float, float, float]:
    return float(v[0]), float(v[1]), float(v[2])


def _on_surface(params: dict[str, Any], body: Body, patch: Patch, pixels: Points) -> Points:
    angle, along = patch.params(pixels)
    return _pose(params, body.point(angle, np.clip(along, body.low, body.high)))


def _finisher(
    params: dict[str, Any], body: Body, patch: Patch, block: Lettering | None, relief: str, depth: float
) -> Callable[[Truthing], None]:
    """Return the function that writes the mark's text, size and place."""
    margin = None if block is None else (np.array(patch.shape[::-1]) - np.array(block.height.shape[::-1])) / 2

    def finish(shot: Truthing) -> None:
        traits = shot.truth["traits"]
        if block is None or margin is None:
            traits["mark_text"] = {"state": "absent", "lines": []}
            return
        polygons = [
            shot.project(_on_surface(params, body, patch, polygon + margin)) for _, polygon in block.lines
        ]
        n = len(polygons[0]) // 2
        longest = max(polygons, key=lambda p: float(np.linalg.norm(p[n - 1] - p[0])))
        along = longest[n - 1] - longest[0]
        height = float(np.mean([np.linalg.norm(p[:n] - p[n:][::-1], axis=1).mean() for p in polygons])) / 1.3
        text = " ".join(line for line, _ in block.lines)
        outline = _hull(np.concatenate(polygons))
        traits["mark_text"] = {
            "state": "present",
            "lines": [line for line, _ in block.lines],
            "line_polygons": [np.round(p, 1).tolist() for p in polygons],
            "letter_height_px": round(height, 1),
            "angle_deg": round(float(np.degrees(np.arctan2(along[1], along[0]))), 1),
            "light": params.get("light", "side"),
            "relief": relief,
            "depth": round(depth, 3),
            "font": block.font,
            "outline": np.round(outline, 1).tolist(),
        }
        trademark = "™" in text or "TM" in text.split()
        state = "registered" if "®" in text else "trademark" if trademark else "none"
        traits["mark_symbol"] = {"state": state, "copyright_sign": "©" in text}
        shot.truth["places"]["mark"] = np.round(outline, 1).tolist()

    return finish


def _hull(points: Points) -> Points:
    """Convex hull of points, in order (Andrew's monotone chain)."""
    ordered = points[np.lexsort((points[:, 1], points[:, 0]))]

    def half(rows: Points) -> list[Any]:
        out: list[Any] = []
        for p in rows:
            while len(out) > 1 and np.cross(out[-1] - out[-2], p - out[-2]) <= 0:
                out.pop()
            out.append(p)
        return out

    return np.array(half(ordered)[:-1] + half(ordered[::-1])[:-1])
