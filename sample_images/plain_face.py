"""A plain doll's head: a loft with a simple nose, flat painted features, and hair of many kinds.

Parameters of :func:`build` (all optional; drawn at random when absent)::

    back        bool: seen from behind (view ``head_back``), 15 % by default
    liner       blue, brown, black, none or other
    iris        unpainted (black and white), blue, brown, green or other
    lips        full, rubbed, bare or overpainted
    lip_color   red, coral, orange, pink, pale or dark
    lip_grow    how far (cm) paint reaches beyond the molded lips that are overpainted
    skin_lab    CIELAB (D65) of the vinyl
    greasy      0–1
    hair        shell, curls, strands, tail, bun, cropped, rooted, bald, hat or band
    body        none, neck or bust
    support     standing, lying or held
    hand        bool: fingers hold the head
    raised      bool: the lips stand out of the face, so that their border shows without paint
    px          long side of the painted picture

The head stands round the z axis, its middle at the origin, and faces -y; cm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import bpy
import numpy as np
from mathutils import Euler, Matrix
from numpy.random import Generator

from sample_images import hair as hairs
from sample_images.blend import grid_object, ids_picture, swap_image
from sample_images.face import coverage
from sample_images.plain_parts import (
    Array,
    Canvas,
    Loft,
    ball,
    bump,
    cloth,
    cloud,
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
from sample_images.skin import linear
from sample_images.subject import CLASSES, Subject, Truthing, keep_described
from sample_images.truth import box_of
from sample_images.vinyl import plain, vinyl

LINERS = {
    "blue": ((30, 8, -46), (44, -4, -38), (56, -10, -30)),
    "brown": ((24, 14, 16), (38, 18, 26)),
    "black": ((7, 0, 0), (12, 0, -1)),
    "other": ((58, -34, -12), (48, 1, 0), (40, 32, -34), (44, -32, 20)),
}
IRISES = {
    "blue": ((46, -2, -40), (62, -12, -26), (34, 6, -38)),
    "brown": ((22, 12, 14), (36, 20, 30)),
    "green": ((44, -32, 24), (60, -22, 26)),
    "other": ((40, 30, -34), (58, 10, 50), (52, -1, -4)),
}
LIPS = {
    "red": (44, 64, 42),
    "coral": (60, 50, 34),
    "orange": (62, 48, 54),
    "pink": (62, 50, 2),
    "pale": (72, 24, 14),
    "dark": (28, 36, 14),
}
HAIR = (
    (78, 2, 34),
    (66, 8, 40),
    (44, 16, 28),
    (26, 12, 16),
    (9, 1, 1),
    (38, 36, 34),
    (70, 0, 3),
    (60, 30, 48),
)
HAIR_KINDS = ("shell", "curls", "strands", "tail", "bun", "cropped", "rooted", "bald", "hat", "band")
EYE_KINDS = ("circle", "ellipse", "almond", "half", "dot")


@dataclass(frozen=True)
class Look:
    """Where the features of a face are (cm from the head's middle) and how they are drawn."""

    half: tuple[float, float, float]
    eye: tuple[float, float, float, float]
    eye_kind: str
    slant: float
    mouth: tuple[float, float, float, float]
    smile: float
    cupid: float
    nose: tuple[str, float, float]
    raised: float
    hairline: tuple[float, float, float, float]

    @classmethod
    def draw(cls, rng: Generator) -> Look:
        """Draw a face."""
        a, b, c = rng.uniform(1.45, 2.05), rng.uniform(1.4, 2.0), rng.uniform(1.75, 2.25)
        ex = a * rng.uniform(0.34, 0.46)
        ew = min(float(rng.uniform(0.17, 0.5)), 0.86 * ex, 1.5 - ex if a < 1.7 else 9.0)
        eh = ew * rng.uniform(0.42, 1.15)
        kind = str(rng.choice(EYE_KINDS, p=[0.2, 0.25, 0.32, 0.15, 0.08]))
        low = rng.uniform(0.06, 0.2)
        front = c * rng.uniform(0.46, 0.72)
        return cls(
            half=(a, b, c),
            eye=(ex, c * rng.uniform(-0.02, 0.2), ew, ew if kind == "circle" else eh),
            eye_kind=kind,
            slant=float(rng.uniform(-0.15, 0.3)),
            mouth=(-c * rng.uniform(0.4, 0.58), rng.uniform(0.2, 0.58), low * rng.uniform(0.5, 1.1), low),
            smile=float(rng.uniform(-0.02, 0.1)),
            cupid=float(rng.uniform(0, 0.6)),
            nose=(
                str(rng.choice(["wedge", "bump", "button", "flat"])),
                rng.uniform(0.1, 0.42),
                rng.uniform(0.1, 0.28),
            ),
            raised=float(rng.choice([0.0, rng.uniform(0.03, 0.14)])),
            hairline=(front, -c * rng.uniform(0.1, 0.65), rng.uniform(-0.3, 0.35), rng.uniform(0.25, 0.7)),
        )

    def lip_lines(self, x: Array, grow: float = 0.0) -> tuple[Array, Array, Array, Array]:
        """Upper edge, parting and lower edge of the lips at ``x``, and the distance inside the corners."""
        mz, half, up, low = self.mouth
        s = np.clip(np.abs(x) / (half + grow), 0, 1)
        parting = mz + self.smile * s**2
        bow = 1 - self.cupid * np.exp(-((s / 0.24) ** 2))
        upper = parting + (up * bow + grow) * (1 - s**2) ** 0.65
        lower = parting - (low + grow) * (1 - s**2) ** 0.6
        return upper, parting, lower, half + grow - np.abs(x)

    def lips(self, x: Array, z: Array, grow: float = 0.0) -> tuple[Array, Array]:
        """Signed distance (about, cm) into the upper and the lower lip."""
        upper, parting, lower, ends = self.lip_lines(x, grow)
        return np.minimum(np.minimum(upper - z, z - parting), ends), np.minimum(
            np.minimum(parting - z, z - lower), ends
        )

    def eye_outline(self, side: int, grow: float = 0.0, n: int = 40) -> Array:
        """(n, 2) points round the opening of an eye; ``side`` -1 is the image's left."""
        ex, ez, ew, eh = self.eye
        t = np.linspace(0, 2 * np.pi, n, endpoint=False)
        u, v = np.cos(t), np.sin(t)
        if self.eye_kind == "almond":
            v = np.sign(v) * np.abs(v) ** 1.7
        if self.eye_kind == "half":
            v = np.where(v < 0, v * 0.35, v)
        x, z = u * (ew + grow), v * (eh + grow)
        return np.stack([side * (ex + x), ez + z + self.slant * x], 1)

    def relief(self, x: Array, z: Array) -> Array:
        """Nose, lips, cheeks, chin and sockets."""
        mz = self.mouth[0]
        ez, (kind, high, wide) = self.eye[1], self.nose
        tip = mz + (ez - mz) * 0.42
        out = 0.05 * bump(x, z, (0, mz - 0.55), (0.4, 0.3)) - 0.06 * (
            bump(x, z, (self.eye[0], ez), (0.45, 0.35)) + bump(x, z, (-self.eye[0], ez), (0.45, 0.35))
        )
        if kind == "wedge":
            ramp = np.clip((ez + 0.15 - z) / max(ez + 0.15 - tip, 0.1), 0, 1) * step(z, tip - 0.12, tip)
            out = out + high * ramp * np.clip(1 - np.abs(x) / (wide * (0.4 + 0.7 * ramp)), 0, 1) ** 0.8
        elif kind != "flat":
            out = out + high * bump(x, z, (0, tip), (wide, wide * (0.8 if kind == "button" else 1.4)))
            if kind == "bump":
                out = out + 0.3 * high * bump(x, z, (0, (tip + ez) / 2), (wide * 0.6, 0.4))
        if self.raised:
            upper, lower = self.lips(x, z)
            for inside, reach in ((upper, self.mouth[2] / 2), (lower, self.mouth[3] / 2)):
                out = out + self.raised * np.sqrt(np.clip(inside / reach, 0, 1))
        return out

    def hair_from(self, phi: Array) -> Array:
        """Height of the hairline at an angle."""
        front, back, s0, width = self.hairline
        return back + (front - back) * step(-np.sin(phi), s0, s0 + width)


@dataclass
class PlainHead:
    """A finished head round the origin, with what is true of it."""

    look: Look
    loft: Loft
    objects: list[bpy.types.Object]
    states: dict[str, Any]
    surfaces: dict[str, Any] = field(default_factory=dict)
    px: int = 800

    def repaint(self, rng: Generator, params: dict[str, Any]) -> None:
        """Paint the face anew over the same vinyl; ``params`` as for :func:`build`."""
        canvas, states, self.surfaces = _paint(rng, params, self.look, self.states["skin"], self.px)
        self.states |= states
        swap_image("face", canvas.color.clip(0.003, 0.95))
        swap_image("face.ids", ids_picture(canvas.ids), color=False)
        if "face.h" in bpy.data.images:
            swap_image("face.h", canvas.height, color=False)


def _loft(rng: Generator, look: Look) -> Loft:
    a, b, c = look.half
    z = -c * np.cos(np.linspace(0, np.pi, 90))
    p = rng.uniform(1.85, 2.7)
    round_ = (1 - np.abs(z / c) ** p) ** (1 / p)
    taper = 1 - rng.uniform(-0.08, 0.34) * step(-z / c, 0.05, 1.0)
    cheek = 1 + rng.uniform(0, 0.09) * np.exp(-(((z / c + 0.35) / 0.25) ** 2))
    back = 1 + rng.uniform(0, 0.1) * step(z / c, -0.2, 0.5)
    return Loft(
        z,
        np.maximum(a * round_ * taper * cheek, 0.01),
        np.maximum(b * round_ * np.sqrt(taper) * back, 0.01),
        float(rng.uniform(1.9, 2.5)),
        relief=look.relief,
    )


# ---------------------------------------------------------------------------------------------------- paint


def _pick(rng: Generator, table: dict[str, Any], name: str) -> Array:
    choices = table[name]
    return jitter(rng, choices[int(rng.integers(len(choices)))], 2.5 if name != "black" else 0.6)


def _paint(
    rng: Generator, params: dict[str, Any], look: Look, skin: Array, px: int
) -> tuple[Canvas, dict[str, Any], dict[str, Any]]:
    """Paint the front; returns the canvas, the states and the surfaces."""
    a, _, c = look.half
    canvas = Canvas.blank((-1.15 * a, 1.15 * a, -c, c), px, skin)
    states: dict[str, Any] = {
        "liner": str(
            params.get(
                "liner",
                rng.choice(["blue", "brown", "black", "none", "other"], p=[0.27, 0.22, 0.24, 0.17, 0.1]),
            )
        ),
        "iris": str(
            params.get(
                "iris",
                rng.choice(
                    ["unpainted", "blue", "brown", "green", "other"], p=[0.27, 0.25, 0.22, 0.18, 0.08]
                ),
            )
        ),
        "lips": str(
            params.get(
                "lips", rng.choice(["full", "rubbed", "bare", "overpainted"], p=[0.48, 0.26, 0.14, 0.12])
            )
        ),
    }
    surfaces: dict[str, Any] = {"skin_exposed": skin}
    shade = jitter(rng, (rng.uniform(52, 72), rng.uniform(28, 46), rng.uniform(8, 28)), 1)
    if rng.random() < 0.5:
        for side in (-1, 1):
            spot = bump(canvas.x, canvas.z, (side * a * 0.55, look.mouth[0] + 0.35), (0.38, 0.3))
            canvas.lay(spot * rng.uniform(0.1, 0.6), shade)
    if rng.random() < 0.12:
        for _ in range(int(rng.integers(10, 40))):
            at = (rng.normal(0, 0.45 * a), look.mouth[0] + 0.55 + rng.normal(0, 0.2))
            canvas.lay(
                0.6 * canvas.edge(0.025 - np.hypot(canvas.x - at[0], canvas.z - at[1])),
                skin * [0.55, 0.4, 0.3],
            )
    _paint_lips(rng, params, look, canvas, states, surfaces)
    liner = None if states["liner"] == "none" else _pick(rng, LINERS, states["liner"])
    if liner is not None:
        surfaces["eyeliner"] = liner
    draw = _draw_eye(rng, look, states, surfaces)
    brow = (
        None
        if rng.random() < 0.15
        else (rng.uniform(0.025, 0.11), rng.uniform(0.0, 0.3), rng.uniform(0.22, 0.5))
    )
    brow_color = jitter(rng, HAIR[int(rng.integers(len(HAIR) - 2))], 2) * 0.8
    liner_width = float(np.exp(rng.uniform(np.log(0.025), np.log(0.14))))
    lashes, wing, below = int(rng.choice([0, 0, 3, 5, 8])), rng.uniform(-0.02, 0.2), rng.random() < 0.25
    stroke_class = "lash"
    for side in (-1, 1):
        _paint_eye(canvas, look, side, draw)
        if liner is not None:
            _paint_liner(canvas, look, side, liner, liner_width, wing, below)
        if lashes:
            _lashes(
                canvas,
                look,
                side,
                lashes,
                (0.012, 0.012, 0.014) if liner is None else liner * 0.5,
                stroke_class,
            )
        if brow is not None:
            surfaces["brow"] = brow_color
            _brow(canvas, look, side, brow, brow_color)
    canvas.dirt(rng, int(rng.poisson(0.8)), 0.2, ("skin", "lip_molded"))
    canvas.scratches(rng, int(rng.poisson(0.7)))
    return canvas, states, surfaces


def _paint_lips(
    rng: Generator,
    params: dict[str, Any],
    look: Look,
    canvas: Canvas,
    states: dict[str, Any],
    surfaces: dict[str, Any],
) -> None:
    upper, lower = look.lips(canvas.x, canvas.z)
    molded = np.maximum(upper, lower) > 0
    canvas.ids[..., 2] = np.where(upper > 0, 1, np.where(lower > 0, 2, 0))
    canvas.ids[..., 0][molded] = CLASSES["lip_molded"]
    if states["lips"] == "bare":
        return
    name = str(params.get("lip_color", rng.choice(list(LIPS))))
    color = jitter(rng, LIPS[name], 3)
    surfaces["lips"] = color
    grow = (
        float(params.get("lip_grow", rng.uniform(0.045, 0.1)))
        if states["lips"] == "overpainted"
        else float(rng.uniform(-0.004, 0.006))
    )
    cover = canvas.edge(np.maximum(*look.lips(canvas.x, canvas.z, grow)), float(rng.choice([0.0, 0.02])))
    gap = np.abs(canvas.z - look.lip_lines(canvas.x)[1])
    cover = np.maximum(cover, canvas.edge(0.012 - gap) * (look.lip_lines(canvas.x, grow)[3] > 0.03))
    if states["lips"] == "rubbed":
        cover = cover * _kept(rng, look, canvas, molded)
    if rng.random() < 0.3:  # a darker line of the parting
        canvas.color *= 1 - 0.4 * (canvas.edge(0.01 - gap) * molded)[..., None]
    tone = color * (1 + rng.uniform(0, 0.1) * cloud(rng, canvas.x.shape, 30))[..., None]
    canvas.lay(cover, tone, "lip_paint")


def _kept(rng: Generator, look: Look, canvas: Canvas, molded: Array) -> Array:
    """Where worn lip paint is still there: loss from the crowns, a corner, the edge, or in blotches."""
    mz, half, up, low = look.mouth
    place = str(rng.choice(["crown", "corner", "edge", "blotches", "one_lip"]))
    x, z = canvas.x, canvas.z
    if place == "crown":
        middle = mz + rng.choice([up / 2, -low / 2])
        keep = np.hypot((x - rng.uniform(-0.4, 0.4) * half) / half, (z - middle) / (0.7 * (up + low)))
    elif place == "corner":
        keep = np.abs(x - rng.choice([-1, 1]) * half) / half
    elif place == "edge":
        keep = np.maximum(*look.lips(x, z)) / low * 3
    elif place == "one_lip":
        keep = (z - mz) / (up + low) * rng.choice([-1, 1])
    else:
        keep = 0.0 * x
    keep = keep + rng.uniform(0.2, 0.6) * cloud(rng, x.shape, int(rng.integers(8, 30)))
    limit = np.quantile(keep[molded], rng.uniform(0.25, 0.75))
    soft = rng.uniform(0.03, 0.15)
    return step(keep, limit - soft, limit + soft)


def _draw_eye(rng: Generator, look: Look, states: dict[str, Any], surfaces: dict[str, Any]) -> dict[str, Any]:
    _, _, ew, eh = look.eye
    black = states["iris"] == "unpainted"
    radius = min(ew, eh) * rng.uniform(0.5, 1.05)
    color = (
        np.array([0.012, 0.011, 0.012]) * rng.uniform(0.6, 2) if black else _pick(rng, IRISES, states["iris"])
    )
    surfaces["iris"] = color
    surfaces["eye_white"] = jitter(rng, (rng.uniform(78, 93), rng.normal(0, 1), rng.uniform(0, 9)), 0.5)
    ring = black and rng.random() < 0.35
    glance = rng.uniform(-1, 1) * max(ew - radius, 0.02) * 0.95 if rng.random() < 0.55 else 0.0
    return {
        "white": surfaces["eye_white"],
        "color": color,
        "radius": (radius * rng.uniform(0.75, 1.0), radius),
        "at": (glance, rng.uniform(-0.25, 0.3) * eh),
        "pupil": 0.0
        if black and rng.random() < 0.6
        else rng.choice([0.0, rng.uniform(0.3, 0.62)], p=[0.2, 0.8]),
        "ring": ring,
        # A black disc is all pupil; a ring counts as a painted iris that was left white.
        "class": "pupil" if black and not ring else "iris",
        "rim": rng.random() < 0.3,
        "dot": rng.choice([0.0, rng.uniform(0.15, 0.4)]),
        "dot_at": (rng.choice([-1, 1]) * 0.35, 0.35),
        "outlined": rng.random() < 0.3,
    }


def _paint_eye(canvas: Canvas, look: Look, side: int, draw: dict[str, Any]) -> None:
    """White, iris, pupil and highlight of one eye, inside its opening."""
    ex, ez, _, _ = look.eye
    opening = canvas.polygon(look.eye_outline(side, n=80))
    if look.eye_kind == "dot":
        canvas.lay(opening, draw["color"], draw["class"])
    else:
        canvas.lay(opening, draw["white"], "eye_white")
    u = canvas.x - side * ex - draw["at"][0]
    v = canvas.z - ez - draw["at"][1] - look.slant * side * draw["at"][0]
    rx, rz = draw["radius"]
    gap = np.hypot(u / rx, v / rz)
    if look.eye_kind != "dot":
        canvas.lay(canvas.edge((1 - gap) * rx) * opening, draw["color"], draw["class"])
        if draw["rim"]:
            canvas.lay(
                canvas.edge((1 - gap) * rx) * canvas.edge((gap - 0.85) * rx) * opening, draw["color"] * 0.2
            )
        if draw["ring"]:
            canvas.lay(canvas.edge((0.72 - gap) * rx) * opening, draw["white"], "iris")
            canvas.lay(canvas.edge((0.42 - gap) * rx) * opening, (0.012, 0.012, 0.012), "pupil")
        elif draw["pupil"]:
            canvas.lay(canvas.edge((draw["pupil"] - gap) * rx) * opening, (0.01, 0.01, 0.012), "pupil")
    if draw["dot"]:
        spot = draw["dot"] - np.hypot(u / rx - draw["dot_at"][0], v / rz - draw["dot_at"][1])
        canvas.lay(canvas.edge(spot * rx) * opening, (0.85, 0.85, 0.85), "eye_white")


def _upper(look: Look, side: int, lift: float, wing: float) -> Array:
    """Points along the upper lid from the inner to the outer corner, and out into a wing."""
    ring = look.eye_outline(side, lift, 96)
    line = ring[:49][::-1]
    if wing > 0:
        t = np.linspace(0.2, 1, 6)[:, None]
        line = np.concatenate([line, line[-1] + wing * t * np.array([side, 0.6 + look.slant])])
    return line


def _paint_liner(
    canvas: Canvas, look: Look, side: int, color: Array, width: float, wing: float, below: bool
) -> None:
    line = _upper(look, side, width / 2, wing)
    widths = width * (0.35 + 0.65 * np.sin(np.linspace(0.25, 2.6, len(line))))
    canvas.lay(canvas.stroke(line, widths), color, "eyeliner")
    if below:
        low = look.eye_outline(side, width / 4, 96)[49:]
        canvas.lay(canvas.stroke(low, 0.4 * width), color, "eyeliner")


def _lashes(canvas: Canvas, look: Look, side: int, count: int, color: Any, name: str) -> None:
    line = _upper(look, side, 0.05, 0.0)
    for i in np.linspace(20, 47, count).astype(int):
        way = line[i] - np.array([side * look.eye[0], look.eye[1] - 0.3 * look.eye[3]])
        way = way / np.linalg.norm(way)
        canvas.lay(
            canvas.stroke(line[i] + 0.16 * way * np.linspace(0, 1, 4)[:, None], [0.03, 0.025, 0.02, 0.012]),
            color,
            name,
        )


def _brow(canvas: Canvas, look: Look, side: int, brow: tuple[float, float, float], color: Any) -> None:
    thick, arch, lift = brow
    ex, ez, ew, eh = look.eye
    t = np.linspace(-1, 1, 14)
    x = side * (ex + t * ew * 1.15)
    z = ez + eh + lift + arch * (1 - (t - 0.3) ** 2) * 0.6 - 0.1
    canvas.lay(canvas.stroke(np.stack([x, z], 1), thick * (1 - 0.6 * np.maximum(t, 0))), color, "brow")


# ----------------------------------------------------------------------------------------------------- hair


def _strands(name: str, paths: Array, radius: float, color: Array) -> bpy.types.Object:
    return hairs.strands_object(name, paths, radius, hairs.hair_material(color, 0.0))


def _swept(rng: Generator, look: Look, loft: Loft, count: int, tie: tuple[float, float]) -> Array:
    """Strands from the hairline over the head to a tie at (angle, height)."""
    phi = rng.uniform(-1.5 * np.pi, 0.5 * np.pi, count)[:, None]
    start = look.hair_from(phi) + rng.exponential(0.25, (count, 1))
    t = np.linspace(0, 1, 9)[None]
    z = start + (tie[1] - start) * t
    turn = phi + ((tie[0] - phi + np.pi) % (2 * np.pi) - np.pi) * t**2 * 0.9
    return (
        loft.point(turn, np.clip(z, loft.low, loft.high), 0.05)
        * (1 + 0.03 * np.sin(np.pi * t) * rng.random((count, 1)))[..., None]
    )


def _falling(rng: Generator, look: Look, loft: Loft, count: int, length: float, wave: float) -> Array:
    """Strands from the crown over the sides and back, then straight down."""
    phi = rng.uniform(-0.35, np.pi + 0.35, (count, 1))
    t = np.linspace(0, 1, 12)[None]
    low = np.maximum(look.hair_from(phi), -0.3)
    z = loft.high * 0.98 + (low - loft.high * 0.98) * np.minimum(t / 0.55, 1)
    p = loft.point(phi + 0 * t, z, 0.12) * (1 + 0.06 * rng.random((count, 1, 1)))
    hang = np.clip((t - 0.55) / 0.45, 0, 1) * length * rng.uniform(0.85, 1, (count, 1))
    p[..., 2] -= hang
    p[..., 0] += wave * np.sin(hang * 5 + phi * 3) + 0.1 * hang * np.cos(phi)
    return p


def _fringe(rng: Generator, look: Look, loft: Loft, count: int) -> Array:
    phi = rng.normal(-np.pi / 2, 0.42, (count, 1))
    t = np.linspace(0, 1, 8)[None]
    top = look.hair_from(phi) + 0.3
    drop = rng.uniform(0.25, 0.75) + rng.normal(0, 0.05, (count, 1))
    p = loft.point(phi + 0 * t, np.clip(top - drop * t, loft.low, loft.high), 0.06)
    p[..., 1] -= 0.14 * np.sin(np.pi * t)
    return p


def _curls(rng: Generator, look: Look, loft: Loft, color: Array, only_front: bool) -> list[bpy.types.Object]:
    material = plain("curls", color, "hair", roughness=float(rng.uniform(0.3, 0.9)))
    objects, size = [], rng.uniform(0.14, 0.34)
    for _ in range(int(rng.integers(18, 40)) if only_front else int(rng.integers(90, 150))):
        phi = rng.normal(-np.pi / 2, 0.5) if only_front else rng.uniform(0, 2 * np.pi)
        low = float(look.hair_from(np.array(phi)))
        z = low + (rng.uniform(0, 0.5) if only_front else rng.uniform(0, 1) * (loft.high - low))
        at = loft.point(np.array(phi), np.array(min(z, loft.high - 0.03)), 0.3 * size)
        bpy.ops.mesh.primitive_torus_add(
            major_radius=size, minor_radius=size * 0.45, major_segments=16, minor_segments=8,
            location=tuple(at), rotation=tuple(rng.uniform(0, 3, 3)),
        )  # fmt: skip
        obj = bpy.context.object
        obj.data.polygons.foreach_set("use_smooth", np.ones(len(obj.data.polygons), bool))
        obj.data.materials.append(material)
        objects.append(obj)
    return objects


def _hair(rng: Generator, kind: str, look: Look, loft: Loft, color: Array) -> list[bpy.types.Object]:
    """Dress the hair."""
    c = look.half[2]
    solid = plain("hair", color * rng.uniform(0.5, 1.0), "hair", roughness=float(rng.uniform(0.25, 0.95)))
    scalp = loft.shell("scalp", solid, 0, loft.high, lambda p, z: 0.03 + 0 * (p + z), cut=look.hair_from)
    if kind in ("bald", "rooted"):
        bpy.data.objects.remove(scalp)
        return []
    objects = [scalp]
    if kind in ("shell", "bun", "band"):
        lumps = rng.uniform(0.0, 0.07)
        waves, turn = int(rng.integers(5, 30)), rng.uniform(-3, 3)
        thick = rng.uniform(0.1, 0.4)

        def grow(p: Array, z: Array) -> Array:
            edge = step(z - look.hair_from(p), 0, 0.25)
            return (
                thick + lumps * np.sin(waves * p + turn * z * 3) + 0.5 * lumps * np.sin(9 * z + 3 * p)
            ) * edge

        objects.append(loft.shell("hair", solid, 0, loft.high, grow, cut=look.hair_from))
        if rng.random() < 0.35:  # a bob: the shell hangs on below the hairline at the sides and back
            wide = Loft(loft.zs, loft.widths + 0.25, loft.depths + 0.2, loft.exponent)
            objects.append(
                wide.shell(
                    "bob",
                    solid,
                    -0.95 * c,
                    0.5 * c,
                    lambda p, z: 0.02 + 0.02 * np.sin(waves * p) + 0 * z,
                    (-0.25, np.pi + 0.25),
                )
            )
    if kind == "bun":
        at = loft.point(
            np.array(rng.choice([np.pi / 2, np.pi / 2, -0.3, 3.4])), np.array(c * rng.uniform(0.4, 0.9)), 0.5
        )
        objects.append(ball("bun", at, rng.uniform(0.5, 0.9, 3), solid, 0.05, int(rng.integers(1000))))
    if kind == "curls":
        objects += _curls(rng, look, loft, color, False)
    thick = float(rng.uniform(0.012, 0.03))
    if kind == "strands":
        objects.append(
            _strands(
                "hair",
                _falling(rng, look, loft, 3000, rng.uniform(0.2, 4), rng.choice([0, rng.uniform(0, 0.25)])),
                thick,
                color,
            )
        )
    if kind == "tail":
        tie = (np.pi / 2, c * rng.uniform(0.3, 0.85))
        objects.append(_strands("hair", _swept(rng, look, loft, 3000, tie), thick, color))
        root = loft.point(np.array(tie[0]), np.array(tie[1]), 0.1)
        t = np.linspace(0, 1, 10)[None, :, None]
        out = np.array([rng.normal(0, 0.5), rng.uniform(0.5, 1.4), rng.uniform(0.2, 1.2)])
        spread = rng.normal(0, 0.28, (700, 1, 3))
        tail = root + out * t + spread * np.sqrt(t) + np.array([0, 0.2, -rng.uniform(1, 4)]) * t**2
        objects.append(_strands("tail", tail, thick, color))
    if kind == "cropped":
        fuzz = _swept(rng, look, loft, 3500, (np.pi / 2, loft.high * 0.97))[:, :3]
        objects.append(_strands("hair", fuzz, thick, color))
    if kind == "band":
        z0 = look.hairline[0] + rng.uniform(0.05, 0.5)
        objects.append(
            loft.shell(
                "band",
                cloth(rng),
                z0,
                min(z0 + rng.uniform(0.15, 0.5), loft.high),
                lambda p, z: 0.45 + 0 * (p + z),
            )
        )
    if kind == "hat":
        low = look.hairline[0] - rng.uniform(-0.1, 0.2)
        material = cloth(rng)
        objects.append(
            loft.shell(
                "hat", material, low, loft.high, lambda p, z: 0.2 + 0.3 * step(z, low, low + 0.3) + 0 * p
            )
        )
        if rng.random() < 0.6:
            k = np.linspace(0, 2 * np.pi, 80, endpoint=False)
            rim = loft.point(k, np.full(80, low))
            far = loft.point(k, np.full(80, low), rng.uniform(0.4, 1.1)) - [0, 0, rng.uniform(-0.1, 0.25)]
            objects.append(grid_object("brim", np.stack([rim, far]), material, wrap_u=True))
    if kind in ("tail", "bun", "strands", "cropped") and rng.random() < 0.55:
        if rng.random() < 0.4:
            objects += _curls(rng, look, loft, color, True)
        else:
            objects.append(
                _strands("fringe", _fringe(rng, look, loft, int(rng.integers(80, 900))), thick, color)
            )
    return objects


def _stray(rng: Generator, look: Look, loft: Loft, color: Array) -> list[bpy.types.Object]:
    """A few strands across the face."""
    n = int(rng.integers(2, 14))
    t = np.linspace(0, 1, 12)[None]
    x0, x1 = rng.uniform(-1.1, 1.1, (n, 1)), rng.uniform(-1.1, 1.1, (n, 1))
    x = x0 + (x1 - x0) * t + rng.normal(0, 0.2, (n, 1)) * np.sin(np.pi * t)
    z = look.half[2] * (0.8 - rng.uniform(0.8, 1.5, (n, 1)) * t)
    p = loft.front(np.stack([x.ravel(), z.ravel()], 1)).reshape(n, 12, 3)
    p[..., 1] -= 0.05
    return [_strands("stray", p, float(rng.uniform(0.01, 0.025)), color)]


# ---------------------------------------------------------------------------------------------------- build


def make_head(rng: Generator, params: dict[str, Any]) -> PlainHead:
    """Build a head at the origin; see the module's docstring for ``params``."""
    px = int(params.get("px", 800))
    look = Look.draw(rng)
    kind = str(
        params.get(
            "hair", rng.choice(HAIR_KINDS, p=[0.16, 0.1, 0.2, 0.2, 0.08, 0.06, 0.05, 0.05, 0.05, 0.05])
        )
    )
    lab = np.asarray(params.get("skin_lab", vinyl_lab(rng)), float)
    if kind == "bald" and "skin_lab" not in params and rng.random() < 0.4:  # primed
        lab = np.array([rng.uniform(45, 92), rng.normal(0, 2), rng.normal(1, 3)])
    skin = np.asarray(linear(lab))
    canvas, states, surfaces = _paint(rng, params, look, skin, px)
    if not look.raised and (states["lips"] in ("bare", "overpainted") or params.get("raised")):
        # The border has to exist.
        look = Look(**{**look.__dict__, "raised": float(rng.uniform(0.04, 0.14))})
    loft = _loft(rng, look)
    color = jitter(rng, HAIR[int(rng.integers(len(HAIR)))], 4)
    if kind == "rooted":
        phi = np.linspace(-np.pi, 0, 70)
        line = loft.point(phi, look.hair_from(phi))
        for x, _, z in line:
            dot = canvas.edge(0.028 - np.hypot(canvas.x - x, canvas.z - z))
            canvas.lay(dot, color * 0.6, "hair")
    finish = vinyl_look(rng, params)
    front = canvas.material("face", finish, float(rng.uniform(0, 0.01)))
    back = vinyl("skin", skin, **finish)
    objects = [loft.build("head", front, back, canvas.frame)]
    objects += _hair(rng, kind, look, loft, color)
    if kind not in ("bald", "hat") and rng.random() < 0.2:
        objects += _stray(rng, look, loft, color)
    states.update(hair=kind, greasy=finish["greasy"], finish=finish, skin=skin, back=back)
    return PlainHead(look, loft, objects, states, surfaces, px)


def _bust(rng: Generator, head: PlainHead, body: str) -> list[bpy.types.Object]:
    """Neck, and shoulders dressed or bare."""
    c, material = head.look.half[2], head.states["back"]
    r = rng.uniform(0.4, 0.75)
    objects = [
        tube("neck", [(0, 0.2, -0.6 * c), (0, 0.2, -c - 1.1)], [r, r * rng.uniform(0.95, 1.2)], material)
    ]
    if body != "bust":
        return objects
    z = np.linspace(-c - 4.6, -c - 0.5, 40)
    rise = np.linspace(0, 1, 40)
    wide = rng.uniform(1.9, 3.0) * (1 - rise**3.5) ** 0.6 + r * 0.8
    torso = Loft(z, wide, 0.55 * wide + 0.15, 2.3, offset_y=np.full(40, 0.2))
    objects.append(torso.build("bust", material, material, (-4, 4, z[0], z[-1]), 60, 80))
    if rng.random() < 0.65:
        high = z[0] + rng.uniform(0.45, 0.93) * 4.1
        objects.append(
            torso.shell(
                "garment", cloth(rng), z[0], high, lambda p, zz: 0.08 + 0.02 * np.sin(14 * p) + 0 * zz
            )
        )
    return objects


def build(rng: Generator, params: dict[str, Any]) -> Subject:
    """Build one portrait, or the back of a head; see the module's docstring for ``params``."""
    behind = bool(params.get("back", rng.random() < 0.15))
    head = make_head(rng, params)
    look, c = head.look, head.look.half[2]
    body = str(params.get("body", rng.choice(["none", "neck", "neck", "bust", "bust"])))
    support = str(params.get("support", rng.choice(["standing", "standing", "lying", "held"])))
    yaw, pitch, roll = np.radians(
        params.get("pose", (rng.uniform(-32, 32), rng.uniform(-14, 14), rng.uniform(-12, 12)))
    )
    turn = Euler((-pitch, roll, yaw), "YXZ").to_matrix().to_4x4()
    if behind:
        turn = Matrix.Rotation(math.pi, 4, "Z") @ turn
    still = _bust(rng, head, body) if body != "none" else []
    if bool(params.get("hand", rng.random() < 0.15)):
        side = rng.choice([-1, 1])
        at = (side * look.half[0] * rng.uniform(0.7, 1.1), -rng.uniform(0, 0.9), -c * rng.uniform(0.2, 1.1))
        still += hand(rng, at, (side, 0.2, -rng.uniform(0, 1.2)), float(rng.uniform(0.7, 1.2)))
    pose(head.objects, turn)
    matrix = turn
    subject = Subject(
        "head_back" if behind else "face",
        (0.0, -0.9, 0.0),
        float(c * rng.uniform(1.02, 1.3)),
        support=support,
        floor_z=lowest(head.objects + still) if support == "standing" else -30.0,
    )
    if support == "lying":
        lay = Matrix.Rotation(-math.pi / 2, 4, "X")
        pose(head.objects + still, lay)
        matrix = lay @ turn
        subject.view_dir, subject.up = (0.0, 0.0, 1.0), (0.0, 1.0, 0.0)
        subject.target, subject.floor_z = (0.0, 0.0, 0.9), -min(look.half[1] * 0.95, 1.6)
    if behind:
        subject.surfaces = _surfaces(head)
        subject.traits = {"mark_text": {"state": "absent", "lines": []}}
        return subject
    subject.landmarks = _landmarks(head, matrix)
    keep_described(subject, head, _describe)
    return subject


def _surfaces(head: PlainHead) -> dict[str, tuple[float, float, float]]:
    return {k: (float(v[0]), float(v[1]), float(v[2])) for k, v in head.surfaces.items()}


def _describe(subject: Subject, head: PlainHead) -> None:
    """Say what is true of a head's paint."""
    greasy, lips = head.states["greasy"], head.states["lips"]
    subject.surfaces = _surfaces(head)
    subject.traits = {
        "eyeliner_color": {"state": head.states["liner"]},
        "iris_color": {"state": head.states["iris"]},
        "skin_sheen": {"state": "greasy" if greasy > 0.5 else "matte", "greasy": greasy},
    }
    subject.finish = lambda it: _finish(it, lips)


def _landmarks(head: PlainHead, matrix: Matrix) -> dict[str, Any]:
    look, loft = head.look, head.loft
    out = {
        name: moved(matrix, loft.front(look.eye_outline(side)))
        for name, side in (("left_eye", -1), ("right_eye", 1))
    }
    x = np.linspace(-0.995, 0.995, 20) * look.mouth[1]
    upper, _, lower, _ = look.lip_lines(x)
    ring = np.concatenate([np.stack([x, upper], 1), np.stack([x[::-1], lower[::-1]], 1)])
    out["lips"] = moved(matrix, loft.front(ring))
    return out


def _finish(it: Truthing, lips: str) -> None:
    it.truth["traits"]["lip_paint"] = coverage(it.classes, it.aux, lips)
    names = ("lip_molded", "lip_paint", "iris", "pupil", "eye_white", "eyeliner", "lash", "brow")
    box = box_of(np.isin(it.classes, [CLASSES[n] for n in names]))
    if box is not None:
        x0, y0, x1, y1 = box
        w, h = x1 - x0, y1 - y0
        it.truth["places"]["face_box"] = [
            round(v, 1) for v in (x0 - 0.2 * w, y0 - 0.15 * h, x1 + 0.2 * w, y1 + 0.3 * h)
        ]
