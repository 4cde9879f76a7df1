"""A doll's head: modeled as distance fields, marched from inside out, with its face painted on a sheet.

Units: head height is about 1. The face looks along −y, its right side (image left when upright) is at −x.
The painted sheet spans the face plane (x, z); lips and eyes are modeled in the mesh from the same curves
that the paint uses, so rubbed or excess paint parts from the molding.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np

from .hues import Floats, lab_to_rgb
from .shapes import capsule, ellipsoid, grid_quads, mesh_object, noise_image, smoothstep, soft_union, strands
from .stage import CLASSES, Finish, Shoot

SHEET = (-0.42, -0.52, 0.84)  # left x, bottom z, side of the painted sheet
EAR_SHEET = (-0.16, -0.24, 0.42)  # front y, bottom z, side of the sheet of an ear

LINER_LABS = {
    "blue": [(42, -4, -38), (50, -8, -34), (34, 8, -44)],
    "brown": [(32, 12, 20), (40, 15, 24), (27, 10, 13)],
    "black": [(12, 0, 0), (8, 0, -1), (16, 1, 1)],
    "turquoise": [(56, -32, -14), (62, -34, -12)],
}
IRIS_LABS = {
    "blue": [(48, -6, -36), (58, -10, -28), (38, 2, -38)],
    "brown": [(34, 16, 26), (28, 14, 20)],
    "green": [(48, -32, 22), (42, -24, 16)],
}
LIP_LABS = {
    "red": [(40, 58, 34), (44, 62, 40), (34, 50, 24)],
    "coral": [(58, 50, 36), (62, 46, 34)],
    "pink": [(62, 42, 6), (56, 48, 2)],
    "pale": [(74, 20, 14), (78, 16, 10)],
    "orange": [(60, 46, 52), (64, 40, 48)],
}
HAIR_LABS = [(72, 6, 34), (80, 2, 22), (24, 6, 8), (12, 1, 2), (34, 16, 20), (40, 28, 34), (62, 10, 30)]
SKIN_LABS = {
    "tan": [(70, 16, 24), (66, 17, 26), (73, 14, 22)],
    "pale": [(84, 7, 10), (87, 5, 7), (80, 9, 14)],
}


@dataclass
class Face:
    """The build of one head."""

    eye_x: float
    eye_z: float
    eye_w: float
    eye_up: float
    eye_low: float
    eye_tilt: float
    lip_z: float
    lip_a: float
    lip_up: float
    lip_low: float
    bow: float
    smile: float
    nose_tip: float
    cheek: float
    jaw: float
    brow_z: float
    glance: float
    wing: float
    liner_h: float


def random_face(rng: np.random.Generator) -> Face:
    """Return a random build."""
    u = rng.uniform
    return Face(
        eye_x=u(0.135, 0.17),
        eye_z=u(-0.05, 0.03),
        eye_w=u(0.075, 0.1),
        eye_up=u(0.035, 0.06),
        eye_low=u(0.018, 0.034),
        eye_tilt=u(-0.004, 0.02),
        lip_z=u(-0.30, -0.265),
        lip_a=u(0.082, 0.125),
        lip_up=u(0.026, 0.042),
        lip_low=u(0.034, 0.055),
        bow=u(0.2, 0.5),
        smile=u(-0.004, 0.018),
        nose_tip=u(-0.175, -0.14),
        cheek=u(0.8, 1.2),
        jaw=u(0.85, 1.15),
        brow_z=u(0.09, 0.13),
        glance=float(rng.choice([0.0, 0.0, -0.3, 0.3])),
        wing=u(0.0, 0.03),
        liner_h=u(0.012, 0.026),
    )


def pick(rng: np.random.Generator, table: Sequence[tuple[float, float, float]]) -> Floats:
    """Return one color of a table of CIELAB, a little moved, as linear sRGB within 0–1."""
    lab = np.array(table[rng.integers(len(table))], float) + rng.normal(0, (1.5, 1.5, 1.5))
    return np.clip(lab_to_rgb(lab), 0.002, 0.98)


def _volume(p: Floats, f: Face) -> Floats:
    """Return the distance field of the bare head."""
    d = ellipsoid(p, (0, 0.06, 0.12), (0.36, 0.42, 0.38))
    d = soft_union(d, ellipsoid(p, (0, -0.06, -0.13), (0.29 * f.jaw, 0.31, 0.34)), 0.16)
    for s in (-1, 1):
        d = soft_union(d, ellipsoid(p, (s * 0.17, -0.22, -0.15), (0.12 * f.cheek, 0.12, 0.12)), 0.12)
        ear = ellipsoid((p - (s * 0.385, 0.06, -0.035)) @ _ear_turn(s), (0, 0, 0), (0.035, 0.065, 0.1))
        d = soft_union(d, ear, 0.025)
    d = soft_union(d, ellipsoid(p, (0, -0.28, -0.40), (0.09 * f.jaw, 0.09, 0.08)), 0.12)
    d = soft_union(d, capsule(p, (0, -0.34, f.eye_z), (0, -0.415, f.nose_tip), 0.022, 0.036), 0.06)
    for s in (-1, 1):
        d = soft_union(d, ellipsoid(p, (s * 0.036, -0.375, f.nose_tip), (0.024, 0.03, 0.022)), 0.03)
    return d


def _ear_turn(side: int) -> Floats:
    a = -side * 0.35
    return np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])


def radius_of(directions: Floats, f: Face) -> Floats:
    """Return how far the head reaches along unit directions (N, 3)."""
    t = np.full(len(directions), 0.85)
    for _ in range(28):
        t = np.clip(t - 0.9 * _volume(directions * t[:, None], f), 0.05, 0.9)
    return t


def lip_curves(x: Floats, f: Face) -> tuple[Floats, Floats, Floats]:
    """Return z of the upper border, the mouth line and the lower border at ``x``."""
    q = np.clip(1 - (x / f.lip_a) ** 2, 0, 1)
    mouth = f.lip_z + f.smile * (x / f.lip_a) ** 2 - 0.004 * np.exp(-((x / (0.25 * f.lip_a)) ** 2))
    upper = mouth + f.lip_up * q**0.85 * (1 - f.bow * np.exp(-((x / (0.2 * f.lip_a)) ** 2)))
    return upper, mouth, mouth - f.lip_low * q**0.65


def lip_depth(x: Floats, z: Floats, f: Face, grow: Floats | float = 0.0) -> tuple[Floats, Floats]:
    """Return how far inside the upper and the lower molded lip a point lies (negative outside)."""
    upper, mouth, lower = lip_curves(x / (1 + np.asarray(grow) / f.lip_a), f)
    ends = f.lip_a + np.asarray(grow) - np.abs(x)
    above, below = np.minimum(upper + grow - z, z - mouth), np.minimum(mouth - z, z - lower + grow)
    return np.minimum(above, ends), np.minimum(below, ends)


def eye_lids(x: Floats, f: Face, side: int) -> tuple[Floats, Floats, Floats]:
    """Return t (−1 inner … 1 outer corner), upper lid z and lower lid z."""
    t = (x * side - f.eye_x) / f.eye_w
    q = np.clip(1 - t**2, 0, 1)
    base = f.eye_z + f.eye_tilt * t
    return t, base + f.eye_up * q**0.6, base - f.eye_low * q**0.8


def _relief(x: Floats, z: Floats, f: Face) -> Floats:
    """Return how much the molding stands out of the bare head in the face plane."""
    up, low = lip_depth(x, z, f)
    out = np.zeros_like(x)
    for d, height in ((up, f.lip_up), (low, f.lip_low)):
        out += np.where(
            d > 0, 0.006 * smoothstep(0, 0.005, d) + 0.014 * np.sqrt(np.clip(d / height, 0, 1)), 0
        )
    _, mouth, _ = lip_curves(x, f)
    inside = smoothstep(1.02, 0.9, np.abs(x) / f.lip_a)
    out -= 0.016 * inside * np.exp(-(((z - mouth) / 0.004) ** 2))
    out -= 0.008 * np.exp(-((x / 0.014) ** 2) - ((z - f.lip_z - f.lip_up - 0.03) / 0.022) ** 2)
    for side in (-1, 1):
        t, top, bottom = eye_lids(x, f, side)
        near = smoothstep(1.5, 0.9, np.abs(t))
        out -= 0.035 * near * np.exp(-(((z - f.eye_z - 0.005) / 0.06) ** 2))
        d = np.minimum(top - z, z - bottom)
        out += np.where(d > 0, 0.016 * np.sqrt(np.clip(d / 0.03, 0, 1)), 0) * (np.abs(t) < 1)
        rim = np.exp(-(((z - top - 0.006) / 0.006) ** 2)) * (np.abs(t) < 1.1)
        out += 0.006 * near * rim
        out -= 0.012 * np.exp(-(((x - side * 0.022) / 0.009) ** 2) - ((z - f.nose_tip + 0.022) / 0.008) ** 2)
    return out


def _stroke(x: Floats, z: Floats, line: Floats, width: float) -> Floats:
    """Return coverage 0–1 of a polyline (K, 2) drawn with a brush that tapers to its end."""
    best = np.full(x.shape, 1e3)
    for k in range(len(line) - 1):
        a, b = line[k], line[k + 1]
        axis = b - a
        t = np.clip(((x - a[0]) * axis[0] + (z - a[1]) * axis[1]) / max(axis @ axis, 1e-9), 0, 1)
        d = np.hypot(x - a[0] - t * axis[0], z - a[1] - t * axis[1])
        best = np.minimum(best, d - width * (1 - 0.85 * (k + t) / (len(line) - 1)))
    return np.clip(0.5 - best / 0.0008, 0, 1)


class Sheet:
    """The painted face: color and labels by pixel."""

    def __init__(self, size: int, skin: Floats) -> None:
        step = SHEET[2] / size
        axis = (np.arange(size) + 0.5) * step
        self.x, self.z = np.meshgrid(SHEET[0] + axis, SHEET[1] + SHEET[2] - axis)
        self.x, self.z = self.x.astype(np.float32), self.z.astype(np.float32)
        self.color = np.broadcast_to(skin.astype(np.float32), (size, size, 3)).copy()
        self.labels = np.zeros((size, size, 3), np.uint8)
        self.labels[..., 0] = CLASSES["skin"]

    def lay(self, cover: Floats, rgb: Floats, label: str | None, opacity: float = 1.0) -> None:
        """Lay paint of coverage 0–1."""
        a = (cover * opacity)[..., None].astype(np.float32)
        self.color = self.color * (1 - a) + np.asarray(rgb, np.float32) * a
        if label:
            self.labels[cover > 0.5, 0] = CLASSES[label]

    def window(self, x0: float, x1: float, z0: float, z1: float) -> tuple[slice, slice]:
        """Return the rows and columns of a box in the face plane."""
        size = len(self.color)
        col = [int(np.clip((v - SHEET[0]) / SHEET[2] * size, 0, size)) for v in (x0, x1)]
        row = [int(np.clip((SHEET[1] + SHEET[2] - v) / SHEET[2] * size, 0, size)) for v in (z1, z0)]
        return slice(*row), slice(*col)


def _soft(d: Floats) -> Floats:
    return np.clip(0.5 + d / 0.0008, 0, 1)


def _paint_lips(sheet: Sheet, f: Face, state: str, rgb: Floats, rng: np.random.Generator) -> None:
    shape = sheet.x.shape
    up, low = lip_depth(sheet.x, sheet.z, f)
    molded = np.maximum(up, low)
    sheet.labels[up >= 0, 1], sheet.labels[low > np.maximum(up, 0), 1] = 2, 1
    sheet.labels[molded >= 0, 0] = CLASSES["lip_molded"]
    fine = noise_image(rng, shape, 60, 3)
    if state == "full":
        cover = _soft(molded + 0.0018 * fine + 0.001) * (molded > -0.006)
    elif state == "rubbed":
        keep = rng.uniform(0.15, 0.85)
        wear = noise_image(rng, shape, int(rng.integers(12, 30)), 4)
        bias = rng.uniform(-1.2, 1.2) * np.sign(sheet.z - f.lip_z) * 0.4
        field = wear + bias + rng.uniform(0, 0.6) * np.clip(np.abs(sheet.x) / f.lip_a, 0, 1)
        inside = molded > 0
        level = np.quantile(field[inside], 1 - keep)
        cover = _soft(molded + 0.001) * np.clip((field - level) / 0.08 + 0.5, 0, 1)
    elif state == "overpainted":
        grow = rng.uniform(0.006, 0.017) * (1 + 0.35 * noise_image(rng, shape, 10, 2))
        cover = _soft(np.maximum(*lip_depth(sheet.x, sheet.z, f, grow)) + 0.002 * fine)
        near = (np.abs(sheet.x) < f.lip_a * 1.05) & (np.abs(sheet.z - f.lip_z) < 0.05)
        cover = np.where(near & (molded > -0.006), 1.0, cover)
    else:
        cover = np.zeros(shape)
    sheet.lay(cover, rgb, "lip_paint", 0.97)
    sheet.labels[cover > 0.5, 2] = 1
    if state in {"full", "overpainted"}:
        _, mouth, _ = lip_curves(sheet.x, f)
        line = np.exp(-(((sheet.z - mouth) / 0.0025) ** 2)) * (np.abs(sheet.x) < f.lip_a) * cover
        sheet.lay(line, rgb * 0.5, None, 0.5)


def _paint_eye(sheet: Sheet, f: Face, side: int, traits: dict[str, str], colors: dict[str, Floats]) -> None:
    x, z = sheet.x, sheet.z
    t, top, bottom = eye_lids(x, f, side)
    hole = np.minimum(np.minimum(top - z, z - bottom), (1 - np.abs(t)) * f.eye_w)
    inside = _soft(hole)
    white = np.array([0.80, 0.79, 0.76])
    sheet.lay(inside, white, "eye_white")
    cx, cz = side * f.eye_x + f.glance * 0.5 * f.eye_w, f.eye_z + 0.25 * f.eye_up
    r = 0.92 * (f.eye_up + f.eye_low) / 2
    away = np.hypot(x - cx, z - cz)
    black = np.array([0.012, 0.012, 0.013])
    if traits["iris"] == "unpainted":
        ring = _soft(np.minimum(r - away, away - r * 0.86))
        sheet.lay(ring * inside, black, "pupil")
        sheet.lay(_soft(r * 0.6 - away) * inside, black, "pupil")
    else:
        sheet.lay(_soft(r - away) * inside, colors["iris"], "iris")
        sheet.lay(_soft(np.minimum(r - away, away - r * 0.93)) * inside, colors["iris"] * 0.5, "iris")
        sheet.lay(_soft(r * 0.45 - away) * inside, black, "pupil")
    spark = np.hypot(x - cx - r * 0.3, z - cz - r * 0.3)
    sheet.lay(_soft(r * 0.16 - spark) * inside, white, "eye_white")
    outline = traits["outline"]
    if outline != "none":
        edge = {"full": np.abs(hole), "top": np.where(z > f.eye_z + f.eye_tilt * t, np.abs(hole), 1)}[outline]
        near = (np.abs(t) < 1.06) & (z > bottom - 0.01) & (z < top + 0.01)
        sheet.lay(_soft(0.0028 - edge) * near, black, "lash")
    if traits["liner"] != "none":
        span = np.clip(1 - np.clip(t, -1, None) ** 8, 0, 1) * smoothstep(-1.02, -0.6, t)
        height = f.liner_h * (0.35 + 0.65 * span) * (t > -1.0)
        base = np.where(np.abs(t) <= 1, top, f.eye_z + f.eye_tilt * t)
        band = np.minimum(z - base, base + height - z)
        band = np.where(t <= 1.0, band, -1)
        wing_t = np.clip((t - 0.9) / 0.45, 0, 1)
        line = f.eye_z + f.eye_tilt * t + f.wing * wing_t + 0.25 * f.liner_h
        wing = np.where((t > 0.9) & (t < 1.35), 0.55 * f.liner_h * (1 - wing_t) - np.abs(z - line), -1)
        sheet.lay(np.maximum(_soft(band), _soft(wing)) * (1 - inside), colors["liner"], "eyeliner")
    if traits["lashes"] == "painted":
        for a in np.linspace(-0.2, 0.95, 7):
            lx = side * (f.eye_x + a * f.eye_w)
            _, ltop, _ = eye_lids(np.array([lx]), f, side)
            lz = float(ltop[0]) + (f.liner_h if traits["liner"] != "none" else 0)
            end = (lx + side * (0.012 + 0.02 * a), lz + 0.028)
            path = np.array([[lx, lz], [(lx + end[0]) / 2, lz + 0.018], end])
            box = sheet.window(min(lx, end[0]) - 0.01, max(lx, end[0]) + 0.01, lz - 0.01, lz + 0.04)
            cover = np.zeros(x.shape, np.float32)
            cover[box] = _stroke(x[box], z[box], path, 0.0026)
            sheet.lay(cover, black, "lash")


def _paint_brow(sheet: Sheet, f: Face, side: int, rgb: Floats, rng: np.random.Generator) -> None:
    s = np.linspace(0, 1, 14)
    arch = rng.uniform(0.015, 0.04)
    line = np.stack(
        [side * (f.eye_x - 0.075 + 0.17 * s), f.eye_z + f.brow_z + arch * np.sin(np.pi * s**0.8) - 0.03 * s],
        -1,
    )
    box = sheet.window(*np.sort(side * np.array([0.02, 0.30])), f.eye_z, f.eye_z + 0.22)
    cover = np.zeros(sheet.x.shape, np.float32)
    cover[box] = _stroke(sheet.x[box], sheet.z[box], line, rng.uniform(0.005, 0.009))
    sheet.lay(cover, rgb, "brow", 0.95)


def paint_face(
    f: Face,
    traits: dict[str, str],
    colors: dict[str, Floats],
    rng: np.random.Generator,
    size: int,
    painted: bool = True,
) -> tuple[Floats, np.ndarray[Any, Any]]:
    """Return color (size, size, 3) linear sRGB and labels (size, size, 3) of the painted sheet."""
    sheet = Sheet(size, colors["skin"])
    if not painted:
        return sheet.color, sheet.labels
    blush = colors["skin"] * np.array([1.02, 0.72, 0.68])
    strength = rng.uniform(0, 0.5)
    for side in (-1, 1):
        cheek = np.exp(-(((sheet.x - side * 0.19) / 0.07) ** 2) - ((sheet.z + 0.17) / 0.06) ** 2)
        sheet.lay(cheek, blush, None, strength)
    _paint_lips(sheet, f, traits["lips"], colors["lips"], rng)
    for side in (-1, 1):
        _paint_eye(sheet, f, side, traits, colors)
        _paint_brow(sheet, f, side, colors["brow"], rng)
    return sheet.color, sheet.labels


def _ear_sheet(skin: Floats, stain: bool, part: int, rng: np.random.Generator, size: int = 512) -> Any:
    step = EAR_SHEET[2] / size
    axis = (np.arange(size) + 0.5) * step
    y, z = np.meshgrid(EAR_SHEET[0] + axis, EAR_SHEET[1] + EAR_SHEET[2] - axis)
    color = np.broadcast_to(skin.astype(np.float32), (size, size, 3)).copy()
    labels = np.zeros((size, size, 3), np.uint8)
    labels[..., 0], labels[..., 1] = CLASSES["skin"], part
    cy, cz = 0.035, -0.105
    if stain:
        spread = rng.uniform(0.025, 0.05)
        d = np.hypot(y - cy, (z - cz) * 0.85) / spread + 0.25 * noise_image(rng, (size, size), 14, 3)
        cover = smoothstep(1.15, 0.55, d) * rng.uniform(0.65, 0.95)
        green = np.clip(
            lab_to_rgb((rng.uniform(42, 60), rng.uniform(-34, -20), rng.uniform(2, 18))), 0.005, 1
        )
        color = color * (1 - cover[..., None]) + green * cover[..., None]
        labels[cover > 0.3, 0] = CLASSES["ear_stain"]
    if rng.random() < 0.6:
        hole = np.hypot(y - cy, z - cz) < 0.006
        color[hole] = (0.03, 0.025, 0.02)
    return color.astype(np.float32), labels


def hairline(p: Floats) -> Floats:
    """Return how far above the hairline points (N, 3) lie (negative: bare skin)."""
    return p[:, 2] - (0.29 - 0.05 * (np.abs(p[:, 0]) / 0.3) ** 2 - 0.62 * smoothstep(-0.24, 0.16, p[:, 1]))


def build_head(
    shoot: Shoot,
    f: Face,
    traits: dict[str, str],
    colors: dict[str, Floats],
    detail: float = 1.0,
    sheet_px: int = 2048,
    finish: Finish = Finish(roughness=0.55, subsurface=0.12),  # noqa: B008 - frozen
    painted: bool = True,
    part: int = 0,
) -> list[bpy.types.Object]:
    """Build head and neck; returns their objects. ``part`` marks all its labels (crowds)."""
    rng, paints = shoot.rng, shoot.paints
    rings, spokes = int(560 * detail), int(640 * detail)
    u = np.linspace(0, 1, rings)
    alpha = np.pi * np.clip(0.52 * u + 0.48 * u**2.2, 1e-3, 0.9995)
    beta = np.linspace(0, 2 * np.pi, spokes, endpoint=False)
    a, b = np.meshgrid(alpha, beta, indexing="ij")
    aim = np.stack([np.sin(a) * np.sin(b), -np.cos(a), np.sin(a) * np.cos(b)], -1)
    coarse = (slice(None, None, 3), slice(None, None, 2)) if detail >= 0.5 else (slice(None), slice(None))
    rough = radius_of(aim[coarse].reshape(-1, 3), f).reshape(aim[coarse].shape[:2])
    if detail >= 0.5:
        ring_at = alpha[::3]
        rough = np.stack([np.interp(alpha, ring_at, rough[:, j]) for j in range(rough.shape[1])], 1)
        rough = np.stack([rough, (rough + np.roll(rough, -1, 1)) / 2], -1).reshape(rings, spokes)
    points = aim * rough[..., None]
    front = smoothstep(-0.02, -0.12, points[..., 1])
    points[..., 1] -= front * _relief(points[..., 0], points[..., 2], f)
    points = points.reshape(-1, 3)
    quads = grid_quads(rings, spokes, wrap=True)
    middle = points[quads].mean(1)
    on_face = (middle[:, 1] < -0.05) & (np.abs(middle[:, 0]) < 0.36)
    ear = (np.abs(middle[:, 0]) > 0.31) & (middle[:, 1] > -0.07) & (middle[:, 1] < 0.19)
    ear &= (middle[:, 2] > -0.17) & (middle[:, 2] < 0.10)
    scalp = (hairline(middle) > 0) & (traits["hair"] != "bald")
    slot = np.where(on_face, 1, 0)
    slot = np.where(scalp, 2, slot)
    slot = np.where(ear, np.where(middle[:, 0] < 0, 3, 4), slot)
    corner = points[quads]
    uv = np.stack([(corner[..., 0] - SHEET[0]) / SHEET[2], (corner[..., 2] - SHEET[1]) / SHEET[2]], -1)
    ear_uv = np.stack(
        [(corner[..., 1] - EAR_SHEET[0]) / EAR_SHEET[2], (corner[..., 2] - EAR_SHEET[1]) / EAR_SHEET[2]], -1
    )
    uv = np.where(ear[:, None, None], ear_uv, uv)
    thing = mesh_object("head", points, quads, uv, slot)
    color, labels = paint_face(f, traits, colors, rng, sheet_px, painted)
    if part:
        labels[..., 1] = part
    stains = traits.get("stain", "none")
    made = [
        paints.make("vinyl", colors["skin"], "skin", finish, part),
        paints.make("face", color, None, finish, labels=labels),
        paints.make("scalp", colors["hair"], "hair", Finish(roughness=0.6), part),
    ]
    for k, side in enumerate(("right", "left")):  # the doll's right ear is on the image's left
        stained = stains in {"both", side}
        ear_color, ear_labels = _ear_sheet(colors["skin"], stained, part or 10 + k, rng)
        made.append(paints.make(f"ear {side}", ear_color, None, finish, labels=ear_labels))
    for material in made:
        thing.data.materials.append(material)
    from .shapes import tube

    neck = tube("neck", [(0, 0.1, -0.3), (0, 0.1, -0.5), (0, 0.1, -0.72)], [(0.15, 0.15)] * 3, 48, 24)
    neck.data.materials.append(paints.make("neck", colors["skin"], "skin", finish))
    return [thing, neck]


def _on_head(directions: Floats, f: Face, lift: Floats | float) -> Floats:
    unit = directions / np.linalg.norm(directions, axis=-1, keepdims=True)
    flat = unit.reshape(-1, 3)
    return (flat * (radius_of(flat, f).reshape(-1, 1) + np.reshape(lift, (-1, 1)))).reshape(unit.shape)


def build_hair(
    shoot: Shoot, f: Face, style: str, rgb: Floats, count: int = 5000, part: int = 0
) -> list[bpy.types.Object]:
    """Root strands on the scalp: ``ponytail``, ``bubble``, ``long``, each with or without ``+fringe``."""
    rng = shoot.rng
    base = style.split("+", maxsplit=1)[0]
    if base == "bald":
        return []
    aim = rng.normal(size=(count * 5, 3))
    aim /= np.linalg.norm(aim, axis=1, keepdims=True)
    roots = _on_head(aim, f, 0.0)
    keep = (hairline(roots) > 0) & ~((np.abs(roots[:, 0]) > 0.3) & (roots[:, 2] < 0.1))
    aim, roots = aim[keep][:count], roots[keep][:count]
    n, k = len(aim), 14
    s = np.linspace(0, 1, k)
    groups: list[Floats] = []
    jitter = rng.normal(0, 1, (n, 3))
    if base == "ponytail":
        tie_aim = np.array([0.0, 0.75, 0.66])
        tie_aim /= np.linalg.norm(tie_aim)
        way = aim[:, None] * (1 - s[None, :, None]) + tie_aim * s[None, :, None]
        lift = (0.006 + 0.02 * np.sin(np.pi * s))[None, :] * rng.uniform(0.5, 1.2, (n, 1))
        scalp = _on_head(way, f, lift)
        tail = np.linspace(0, 1, 16)[1:]
        spread = rng.normal(0, 0.05, (n, 1, 3))
        tie = scalp[:, -1:, :]
        fall = np.stack(
            [
                0.25 * np.sin(tail * 2.2) * rng.choice([-1, 1]),
                0.22 * np.sin(tail * 2.6),
                0.06 - 1.0 * tail**1.3,
            ],
            -1,
        )
        groups.append(np.concatenate([scalp, tie + fall[None] + spread * np.sqrt(tail)[None, :, None]], 1))
    elif base == "bubble":
        out = roots[:, None] * (1 + 0.30 * s[None, :, None] * rng.uniform(0.6, 1.1, (n, 1, 1)))
        curl = rng.uniform(0, 6.28, (n, 1)) + s * rng.uniform(3, 7)
        ring = 0.035 * s * np.stack([np.cos(curl), np.sin(curl) * 0.5, np.sin(curl)], 0)
        out = out + np.moveaxis(ring, 0, -1)
        out[..., 2] -= 0.12 * s**2
        groups.append(out)
    else:  # long
        part_line = rng.uniform(-0.1, 0.1)
        side = np.sign(roots[:, 0] - part_line)[:, None]
        grow = np.minimum(s * 2, 1)
        way = aim[:, None] * (1 - grow[None, :, None]) + (
            np.stack([side[:, 0] * 0.92, np.full(n, 0.35), np.full(n, -0.05)], -1)[:, None]
            * grow[None, :, None]
        )
        path = _on_head(way + 1e-3, f, 0.02 + 0.02 * rng.random((n, 1)) * np.ones((1, k)))
        path[..., 2] -= 0.75 * np.maximum(s - 0.5, 0)[None] * 2 * rng.uniform(0.8, 1.1, (n, 1))
        path += jitter[:, None] * 0.01 * s[None, :, None]
        groups.append(path)
    if "fringe" in style:
        m = count // 3
        x = rng.uniform(-0.22, 0.22, m)
        start = np.stack([x / 0.5, np.full(m, -0.62), rng.uniform(0.75, 0.95, m)], -1)
        end = np.stack([x / 0.5 * 1.1, np.full(m, -0.9), rng.uniform(0.42, 0.5, m) - 0.1 * np.abs(x)], -1)
        way = start[:, None] * (1 - s[None, :, None]) + end[:, None] * s[None, :, None]
        lift = (0.01 + 0.06 * np.sin(np.pi * s * 0.9))[None] * rng.uniform(0.7, 1.1, (m, 1))
        groups.append(_on_head(way, f, lift))
    things = []
    material = shoot.paints.make("hair", rgb, "hair", Finish(roughness=0.38), part)
    for group in groups:
        loose = group + rng.normal(0, 0.003, (len(group), 1, 3))
        thing = strands("hair", loose, 0.0035 * float(rng.uniform(0.8, 1.3)) * (5000 / count) ** 0.5)
        thing.data.materials.append(material)
        things.append(thing)
    return things


def lock_across(shoot: Shoot, rgb: Floats) -> bpy.types.Object:
    """Lay a loose lock of hair across the face."""
    rng = shoot.rng
    s = np.linspace(0, 1, 16)
    side = rng.choice([-1, 1])
    x = side * (0.3 - rng.uniform(0.35, 0.6) * s)
    y = np.full(16, -0.52)
    line = np.stack([x, y, 0.42 - 0.85 * s + 0.05 * np.sin(4 * s)], -1)
    spread = rng.normal(0, 1, (250, 1, 3)) * np.array([0.022, 0.01, 0.01])
    wave = rng.normal(0, 0.012, (250, 1, 1)) * np.sin(5 * s)[None, :, None]
    thing = strands("lock", line[None] + spread + wave, 0.004)
    thing.data.materials.append(shoot.paints.make("lock", rgb, "hair", Finish(roughness=0.38)))
    return thing


def random_colors(rng: np.random.Generator, skin: str, liner: str, iris: str, lips: str) -> dict[str, Floats]:
    """Return the paints of one head, linear sRGB."""
    hair = pick(rng, HAIR_LABS)
    return {
        "skin": pick(rng, SKIN_LABS[skin]),
        "liner": pick(rng, LINER_LABS.get(liner, LINER_LABS["black"])),
        "iris": pick(rng, IRIS_LABS.get(iris, IRIS_LABS["blue"])),
        "lips": pick(rng, LIP_LABS[lips]),
        "hair": hair,
        "brow": np.clip(hair * 0.5 + 0.01, 0, 0.4),
    }


def note_surfaces(shoot: Shoot, traits: dict[str, str], colors: dict[str, Floats]) -> None:
    """Write the true surface colors of a head."""
    shoot.surface("skin_exposed", colors["skin"])
    if traits["liner"] != "none":
        shoot.surface("eyeliner", colors["liner"])
    if traits["iris"] != "unpainted":
        shoot.surface("iris", colors["iris"])
    if traits["lips"] != "bare":
        shoot.surface("lips", colors["lips"])
