"""A mark bumped (not carved) into plain carriers, or carriers with nothing, or only seams and scratches.

Parameters of :func:`build` (all optional; drawn at random when absent)::

    surface       limb, buttock, back, head or sole
    lines         list of text lines; [] = no mark (25 % by default)
    relief        raised or incised
    font, box_line, arc, softness   as in :func:`sample_images.lettering.draw`
    rotation_deg  turn of the mark, counterclockwise
    letter_share  cap height over the picture's short side at fill 1
    light         repeated in the truth
    skin_lab, greasy
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
from numpy.random import Generator

from sample_images import lettering
from sample_images.lettering import Lettering
from sample_images.marks import _hull as hull
from sample_images.marks import draw_lines
from sample_images.plain_face import HAIR, Look, _hair
from sample_images.plain_face import _loft as head_loft
from sample_images.plain_parts import Array, Canvas, Loft, bump, jitter, tube, vinyl_lab, vinyl_look
from sample_images.plain_soles import _shape as sole_shape
from sample_images.skin import linear
from sample_images.subject import CLASSES, Subject, Truthing
from sample_images.vinyl import vinyl

SURFACES = ("limb", "buttock", "buttock", "back", "head", "sole")
CAP_PX = 48


@dataclasses.dataclass(frozen=True)
class Block:
    """Lettering laid on the picture plane: middle, turn (radians) and cm a pixel of its map."""

    text: Lettering
    at: tuple[float, float]
    turn: float
    per_px: float

    def plane(self, pixels: Array) -> Array:
        """(N, 2) pixels of the lettering → x and z."""
        h, w = self.text.height.shape
        u, v = (pixels[:, 0] - w / 2) * self.per_px, (h / 2 - pixels[:, 1]) * self.per_px
        c, s = math.cos(self.turn), math.sin(self.turn)
        return np.stack([self.at[0] + c * u - s * v, self.at[1] + s * u + c * v], 1)

    def height(self, x: Array, z: Array) -> Array:
        """Height of the letters (0–1) over points of the plane."""
        h, w = self.text.height.shape
        dx, dz = x - self.at[0], z - self.at[1]
        c, s = math.cos(self.turn), math.sin(self.turn)
        u, v = c * dx + s * dz, -s * dx + c * dz
        return lettering.sample(self.text.height, u / self.per_px + w / 2, h / 2 - v / self.per_px)


def build(rng: Generator, params: dict[str, Any]) -> Subject:
    """Make a carrier, marked or blank; see the module's docstring for ``params``."""
    kind = str(params.get("surface", rng.choice(SURFACES)))
    carrier, spot, look = _carrier(rng, kind)
    default = [] if rng.random() < 0.25 else draw_lines(rng)
    lines = [str(line) for line in params.get("lines", default)]
    wide = float(np.interp(spot[1], carrier.zs, carrier.widths)) * (0.5 if kind == "buttock" else 0.72)
    block = _block(rng, params, lines, spot, wide)
    cap = CAP_PX * block.per_px if block else 0.16
    share = float(params.get("letter_share", np.exp(rng.uniform(np.log(0.02), np.log(0.085)))))
    reach = 0.0 if block is None else max(block.text.height.shape) / 2 * block.per_px
    radius = max(cap / (2 * share), 1.1 * reach)
    relief = str(params.get("relief", "incised" if rng.random() < 0.35 else "raised"))
    skin = np.asarray(linear(params.get("skin_lab", vinyl_lab(rng))))
    finish = vinyl_look(rng, params)
    finish["subsurface"] *= 0.4
    half = max(1.1 * reach, 0.9 * radius)
    frame = (spot[0] - half, spot[0] + half, spot[1] - half, spot[1] + half)
    canvas = Canvas.blank(frame, 1000, skin)
    _distract(rng, canvas, half)
    if block is not None:
        letters = block.height(canvas.x, canvas.z)
        canvas.height += letters * (1 if relief == "raised" else -1)
        canvas.ids[..., 0][letters > 0.4] = CLASSES["mark"]
        if rng.random() < 0.25:
            low = letters * (1 - letters) * 4 * rng.uniform(0.1, 0.5)
            canvas.color *= 1 - low[..., None] * np.array([0.8, 0.9, 1.0])
    canvas.color[[0, -1]], canvas.color[:, [0, -1]] = skin, skin
    canvas.height[[0, -1]] = canvas.height[:, [0, -1]] = 0
    canvas.ids[[0, -1], :, 0] = canvas.ids[:, [0, -1], 0] = CLASSES["skin"]
    depth = float(np.exp(rng.uniform(np.log(0.05), np.log(0.2))))
    back = vinyl("carrier.back", skin, **finish)
    carrier.build("carrier", canvas.material("carrier", finish, depth * cap), back, frame, 180, 160)
    if look is not None:
        style = str(rng.choice(["shell", "tail", "bun", "cropped", "curls"]))
        _hair(rng, style, look, carrier, jitter(rng, HAIR[int(rng.integers(len(HAIR)))], 3))
        tube("neck", [(0, 0.1, -0.6 * look.half[2]), (0, 0.1, -look.half[2] - 2)], [0.6, 0.65], back)
    if kind == "buttock":
        for side in (-1, 1):
            tube("leg", [(side * 0.9, 0.1, 0), (side * 0.85, 0.1, -7)], [0.95, 0.6], back)
    around = carrier.front(np.array(spot) + 0.03 * np.array([[-1, 0], [1, 0], [0, -1], [0, 1], [0, 0]]))
    normal = np.cross(around[1] - around[0], around[3] - around[2])
    normal /= np.linalg.norm(normal)
    middle = around[4] - 0.45 * radius * normal
    return Subject(
        view="head_back" if kind == "head" else "mark",
        target=(float(middle[0]), float(middle[1]), float(middle[2])),
        radius=float(radius),
        view_dir=(float(normal[0]), float(normal[1]), float(normal[2])),
        support="held",
        floor_z=-25.0,
        surfaces={"skin_exposed": (float(skin[0]), float(skin[1]), float(skin[2]))},
        finish=lambda it: _finish(it, params, carrier, block, relief, depth),
        cavity=True,
    )


def _carrier(rng: Generator, kind: str) -> tuple[Loft, tuple[float, float], Look | None]:
    """The solid, the mark's place in x and z, and the head's look when it is a head."""
    if kind == "head":
        drawn = Look.draw(rng)
        c = drawn.half[2]
        line = (-c * rng.uniform(0.15, 0.45), 0.4 * c, -0.2, 0.6)
        look = dataclasses.replace(drawn, hairline=line, raised=0.0, nose=("flat", 0.1, 0.1))
        loft = dataclasses.replace(head_loft(rng, look), relief=None)
        return loft, (float(rng.normal(0, 0.1)), line[0] - 0.3 * c), look
    if kind == "sole":
        shape = sole_shape(rng, str(rng.choice(["flat", "loaf", "tiptoe"])), 3.0)
        loft = Loft(**{k: shape[k] for k in ("zs", "widths", "depths", "exponent", "offset_x", "offset_y")})
        return loft, (0.0, float(rng.choice([0.7, 1.4, 2.0]))), None
    if kind == "limb":
        z = np.linspace(-4.5, 4.5, 80)
        r = (
            rng.uniform(0.6, 1.4)
            * (1 + rng.uniform(-0.04, 0.04) * z)
            * np.sqrt(np.clip((4.6 - np.abs(z)) * 2, 0.01, 1))
        )
        return (
            Loft(z, r, r * rng.uniform(0.5, 1), float(rng.uniform(1.9, 3.5))),
            (float(rng.normal(0, 0.1)), float(rng.uniform(-1.5, 1.5))),
            None,
        )
    z = np.linspace(-1.4, 9, 120)
    hip, waist, chest = rng.uniform(1.8, 2.6), rng.uniform(1.1, 1.7), rng.uniform(1.7, 2.4)
    w = np.interp(
        z, [-1.4, -0.8, 0.6, 3.5, 6.5, 8.2, 9], [0.05, 0.8 * hip, hip, waist, chest, 0.8 * chest, 0.05]
    )
    w = np.convolve(np.pad(w, 8, "edge"), np.hanning(17) / np.hanning(17).sum(), "valid")
    big, gap = rng.uniform(0.5, 0.9), rng.uniform(0.7, 1.0)

    def seat(x: Array, zz: Array) -> Array:
        left, right = (bump(x, zz, (s * gap, 0.8), (0.9, 1.3)) for s in (-1, 1))
        return big * np.maximum(left, right) - 0.1 * bump(x, zz, (0, 4.5), (0.3, 3))

    loft = Loft(z, w, np.maximum(0.55 * w, 0.02), float(rng.uniform(2.0, 3.0)), relief=seat)
    if kind == "buttock":
        return (
            loft,
            (float(rng.choice([-1, 1]) * gap * rng.uniform(0.9, 1.1)), float(rng.uniform(0.5, 1.2))),
            None,
        )
    return loft, (float(rng.normal(0, 0.3)), float(rng.uniform(3.4, 6.6))), None


def _block(
    rng: Generator, params: dict[str, Any], lines: list[str], spot: tuple[float, float], wide: float
) -> Block | None:
    """Letter the lines so that they fit a half width of ``wide`` cm."""
    if not lines:
        return None
    arc = float(params.get("arc", rng.uniform(0.4, 1.6) * rng.choice([-1, 1]) if rng.random() < 0.3 else 0.0))
    if len(lines) > 2:
        arc = float(np.clip(arc, -0.8, 0.8))
    boxed = rng.random() < 0.15
    text = lettering.draw(
        rng,
        lines,
        CAP_PX,
        params.get("font"),
        box=boxed and "box_line" not in params,
        box_line=params.get(
            "box_line", int(rng.integers(len(lines))) if rng.random() < 0.15 and not boxed else None
        ),
        arc=arc,
        softness=float(params.get("softness", rng.uniform(0.015, 0.08))),
    )
    turn = math.radians(
        float(params.get("rotation_deg", rng.normal(0, 9) if rng.random() < 0.55 else rng.uniform(0, 360)))
    )
    size = min(rng.uniform(0.1, 0.24), wide / (max(text.height.shape) / 2 / CAP_PX))
    return Block(text, spot, turn, size / CAP_PX)


def _distract(rng: Generator, canvas: Canvas, half: float) -> None:
    """Seams, scratches, weave and dirt."""
    canvas.scratches(rng, int(rng.poisson(2.0)))
    canvas.dirt(rng, int(rng.poisson(1.0)), 0.12 * half)
    if rng.random() < 0.35:
        at, turn = rng.uniform(-0.8, 0.8) * half, rng.choice([0, 0, rng.uniform(0, 3)])
        across = (
            (canvas.x - canvas.x.mean()) * math.cos(turn) + (canvas.z - canvas.z.mean()) * math.sin(turn) - at
        )
        canvas.height += rng.uniform(0.2, 0.7) * np.exp(-((across / (rng.uniform(0.006, 0.02) * half)) ** 2))
    if rng.random() < 0.1:
        pitch = rng.uniform(0.02, 0.06) * half
        canvas.height += 0.15 * np.sin(canvas.x * 2 * np.pi / pitch) * np.sin(canvas.z * 2 * np.pi / pitch)


def _finish(
    it: Truthing, params: dict[str, Any], carrier: Loft, block: Block | None, relief: str, depth: float
) -> None:
    """Write the mark's text, size and place."""
    traits = it.truth["traits"]
    if block is None:
        traits["mark_text"] = {"state": "absent", "lines": []}
        return
    polygons = [it.project(carrier.front(block.plane(polygon))) for _, polygon in block.text.lines]
    n = len(polygons[0]) // 2
    longest = max(polygons, key=lambda p: float(np.linalg.norm(p[n - 1] - p[0])))
    along = longest[n - 1] - longest[0]
    height = float(np.mean([np.linalg.norm(p[:n] - p[n:][::-1], axis=1).mean() for p in polygons])) / 1.3
    words = " ".join(line for line, _ in block.text.lines)
    outline = np.round(hull(np.concatenate(polygons)), 1).tolist()
    traits["mark_text"] = {
        "state": "present",
        "lines": [line for line, _ in block.text.lines],
        "line_polygons": [np.round(p, 1).tolist() for p in polygons],
        "letter_height_px": round(height, 1),
        "angle_deg": round(float(np.degrees(np.arctan2(along[1], along[0]))), 1),
        "light": params.get("light", "side"),
        "relief": relief,
        "depth": round(depth, 3),
        "font": block.text.font,
        "outline": outline,
    }
    trademark = "™" in words or "TM" in words.split()
    state = "registered" if "®" in words else "trademark" if trademark else "none"
    traits["mark_symbol"] = {"state": state, "copyright_sign": "©" in words}
    it.truth["places"]["mark"] = outline
