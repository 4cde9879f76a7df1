"""A plain doll's body of lofts and tubes, with or without the garment that kept its vinyl's color.

Parameters of :func:`build` (all optional; drawn at random when absent)::

    part        "body" (82 %) or "limb" (a lone arm or leg, or two)
    side        "front" or "back"
    delta_e     CIEDE2000 between exposed and covered vinyl (0 = no fade)
    line_blur_cm  half width of the boundary
    garment     swimsuit, band, dress, skirt, jacket or towel
    worn        on, lowered or off
    arms        down, up, away or none
    legs        straight, apart, seated or none
    head        bool
    pose        standing, lying or held
    skin_lab    CIELAB (D65) of the covered vinyl
    greasy      0–1

The torso stands round the z axis, hips at z = 0, neck at about z = 7, facing -y; cm.
"""

from __future__ import annotations

import math
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix
from numpy.random import Generator

from sample_images.body import _finish as covered_in_view
from sample_images.plain_face import make_head
from sample_images.plain_parts import (
    Array,
    Canvas,
    Loft,
    ball,
    bump,
    cloth,
    cloud,
    hand,
    lowest,
    pose,
    step,
    tube,
    vinyl_lab,
    vinyl_look,
)
from sample_images.skin import faded_lab, linear
from sample_images.subject import CLASSES, Subject
from sample_images.truth import delta_e_2000, lab_to_linear, linear_to_lab
from sample_images.vinyl import vinyl

GARMENTS = ("swimsuit", "band", "dress", "skirt", "jacket", "towel")


class _Region:
    """Where a garment lay on torso and legs: signed distance (cm, about) into it."""

    def __init__(self, rng: Generator, garment: str, height: float) -> None:
        self.top = height * rng.uniform(0.72, 0.88) if garment in ("swimsuit", "dress", "jacket") else 0.0
        self.bottom = {"swimsuit": -0.9, "dress": -rng.uniform(2, 6), "jacket": rng.uniform(0.2, 1.8)}.get(
            garment, 0.0
        )
        if garment == "band":
            self.top, self.bottom = height * rng.uniform(0.74, 0.86), height * rng.uniform(0.4, 0.6)
        if garment in ("skirt", "towel"):
            self.top, self.bottom = height * rng.uniform(0.3, 0.48), -rng.uniform(1.5, 6)
        self.cut = rng.uniform(0.4, 0.9) if garment == "swimsuit" else 0.0
        self.open = rng.uniform(0.2, 0.9) if garment == "jacket" else 0.0
        self.dip = rng.uniform(-0.2, 0.7) if garment in ("swimsuit", "dress") else 0.0
        self.tilt, self.wave, self.phase = rng.normal(0, 0.05), rng.uniform(0, 0.12), rng.uniform(0, 6)

    def inside(self, x: Array, z: Array, behind: bool) -> Array:
        """Distance inside, positive where covered."""
        line = self.tilt * x + self.wave * np.sin(2.3 * x + self.phase)
        upper = self.top + line - self.dip * np.exp(-((x / 0.8) ** 2)) - z
        lower = z - self.bottom - line - self.cut * np.abs(x) ** 1.3
        share = np.minimum(upper, lower)
        if self.open and not behind:
            share = np.minimum(share, np.abs(x) - self.open)
        return share


def build(rng: Generator, params: dict[str, Any]) -> Subject:
    """Make a body or a lone limb; see the module's docstring for ``params``."""
    covered = linear_to_lab(linear(params.get("skin_lab", vinyl_lab(rng))))
    delta = float(params.get("delta_e", 0.0 if rng.random() < 0.3 else rng.uniform(2.0, 14.0)))
    exposed = linear_to_lab(linear(faded_lab(rng, covered, delta)))
    look = vinyl_look(rng, params)
    bare = vinyl("bare", linear(exposed), **look)
    if str(params.get("part", "limb" if rng.random() < 0.18 else "body")) == "limb":
        return _limbs(rng, params, bare, exposed)
    garment = str(params.get("garment", rng.choice(GARMENTS)))
    worn = str(params.get("worn", rng.choice(["on", "lowered", "off", "off"])))
    blur = float(params.get("line_blur_cm", rng.choice([0.02, 0.06, 0.2, 0.6])))
    torso, height = _torso(rng)
    region = _Region(rng, garment, height)
    paint = (region, covered, exposed, blur, look)
    objects = [_skinned(rng, "torso", torso, paint)]
    legs = str(
        params.get("legs", rng.choice(["straight", "apart", "seated", "none"], p=[0.4, 0.25, 0.2, 0.15]))
    )
    limbs = _legs(rng, legs, torso, paint, bare)
    objects += limbs + _arms(rng, params, torso, height, bare)
    if worn != "off":
        drop = 0.0 if worn == "on" else float(rng.uniform(0.8, 3.0))
        objects += _garment(rng, garment, torso, region, drop, legs)
    r = float(rng.uniform(0.36, 0.6))
    neck = rng.uniform(0.3, 1.0)
    objects.append(
        tube("neck", [(0, 0, 0.84 * height), (0, 0, height), (0, -0.1, height + neck)], [r, r, r], bare)
    )
    with_head = bool(params.get("head", rng.random() < 0.5))
    if with_head:
        head = make_head(rng, {"skin_lab": [float(v) for v in exposed]}, 500)
        size = rng.uniform(0.72, 0.95)
        move = Matrix.Translation((0, -0.1, height + head.look.half[2] * size + neck - 0.15))
        pose(head.objects, move @ Matrix.Rotation(rng.normal(0, 0.25), 4, "Z") @ Matrix.Scale(size, 4))
        objects += head.objects
    return _subject(rng, params, objects, height, with_head, garment, worn, covered, exposed, blur)


def _torso(rng: Generator) -> tuple[Loft, float]:
    """A lofted torso from crotch to neck."""
    height = rng.uniform(6.2, 8.0)
    hip, waist, chest, neck = (
        rng.uniform(1.5, 2.1),
        rng.uniform(0.95, 1.5),
        rng.uniform(1.5, 2.1),
        rng.uniform(0.4, 0.65),
    )
    knots = np.array(
        [
            -1.1,
            -0.9,
            -0.3,
            0.6,
            0.42 * height,
            0.7 * height,
            0.83 * height,
            0.9 * height,
            height - 0.1,
            height,
        ]
    )
    widths = np.array(
        [0.05, 0.6 * hip, 0.92 * hip, hip, waist, chest * 0.95, chest * 1.05, 0.8 * chest, neck, 0.03]
    )
    deep = rng.uniform(0.5, 0.68)
    z = np.linspace(knots[0], knots[-1], 120)
    kernel = np.hanning(int(rng.integers(5, 13)))
    kernel /= kernel.sum()
    pad = len(kernel) // 2
    w = np.convolve(np.pad(np.interp(z, knots, widths), pad, "edge"), kernel, "valid")[:120]
    w[[0, -1]] = 0.02
    d = np.maximum(deep * w, 0.95 * np.minimum(neck, w))
    bust, seat = rng.uniform(0, 0.75), rng.uniform(0.2, 0.45)

    def relief(x: Array, zz: Array) -> Array:
        out = 0.0 * x
        for s in (-1, 1):
            out = out + bust * bump(x, zz, (s * 0.45 * chest, 0.73 * height), (0.42 * chest, 0.5))
        return out - 0.06 * bump(x, zz, (0, 0.33 * height), (0.1, 0.12))

    offset = -0.0 * z + seat * 0.3 * np.exp(-(((z - 0.2) / 0.9) ** 2))
    return Loft(z, w, d, float(rng.uniform(1.9, 2.6)), offset_y=offset, relief=relief), height


def _skinned(rng: Generator, name: str, loft: Loft, paint: Any) -> bpy.types.Object:
    """A loft with the fade painted on its front and on its back."""
    region, covered, exposed, blur, look = paint
    reach = float(np.max(np.abs(loft.widths) + np.abs(0 if loft.offset_x is None else loft.offset_x))) + 0.1
    frame = (-reach, reach, loft.low, loft.high)
    materials = []
    for behind in (False, True):
        canvas = Canvas.blank(frame, 420, linear(exposed))
        inside = region.inside(canvas.x, canvas.z, behind) + 0.04 * cloud(rng, canvas.x.shape, 9)
        share = 1 / (1 + np.exp(-np.clip(inside / (0.4 * blur), -30, 30)))
        lab = exposed + (covered - exposed) * share[..., None]
        canvas.color[:] = np.clip(lab_to_linear(lab), 0.003, 0.95)
        canvas.ids[..., 0][inside > 0] = CLASSES["skin_covered"]
        canvas.dirt(rng, int(rng.poisson(0.7)), 0.4)
        canvas.scratches(rng, int(rng.poisson(0.5)))
        materials.append(canvas.material(f"{name}.{behind:d}", look))
    return loft.build(name, materials[0], materials[1], frame, 140, 120)


def _legs(
    rng: Generator, kind: str, torso: Loft, paint: Any, bare: bpy.types.Material
) -> list[bpy.types.Object]:
    hip = float(np.max(torso.widths[:40]))
    r, length = hip * rng.uniform(0.42, 0.52), rng.uniform(6, 10)
    objects: list[bpy.types.Object] = []
    if kind == "none":
        return objects
    spread = 0.02 if kind == "straight" else rng.uniform(0.1, 0.35)
    for side in (-1, 1):
        x0 = side * hip * 0.49
        if kind == "seated":
            bend = rng.uniform(-0.6, 0.5)
            knee = np.array([x0 + side * rng.uniform(0, 1), -4.4, 0.1 + bend])
            foot = knee + np.array(
                [side * rng.uniform(-0.2, 0.5), -rng.uniform(0.5, 3.2), -rng.uniform(1.5, 4)]
            )
            objects.append(tube("leg", [(x0, 0, 0), knee, foot], [r, 0.75 * r, 0.45 * r], bare))
            continue
        z = np.linspace(-length, 0.3, 60)
        t = (0.3 - z) / (length + 0.3)
        w = r * (1 - 0.5 * t + 0.12 * np.exp(-(((t - 0.65) / 0.12) ** 2)))
        w *= np.minimum(1, np.sqrt(np.clip(np.minimum(t, 1 - t) * 12, 0.0004, 1)))
        leg = Loft(z, w, w, 2.0, offset_x=x0 + side * spread * length * t)
        objects.append(_skinned(rng, f"leg{side}", leg, paint))
        if rng.random() < 0.7:
            foot_x = x0 + side * spread * length
            objects.append(
                tube(
                    "foot",
                    [(foot_x, 0.1, -length + 0.3), (foot_x, -1.0, -length - 0.4)],
                    [0.4 * r + 0.08, 0.32 * r],
                    bare,
                )
            )
    return objects


def _arms(
    rng: Generator, params: dict[str, Any], torso: Loft, height: float, bare: bpy.types.Material
) -> list[bpy.types.Object]:
    style = str(params.get("arms", rng.choice(["down", "up", "away", "none"], p=[0.4, 0.2, 0.25, 0.15])))
    objects: list[bpy.types.Object] = []
    top = 0.83 * height
    wide = float(np.interp(top, torso.zs, torso.widths))
    r = rng.uniform(0.32, 0.55)
    for side in (-1, 1):
        if style == "none" or rng.random() < 0.06:
            objects.append(ball("stump", (side * wide * 0.95, 0, top), (0.35, 0.4, 0.4), bare))
            continue
        elbow, wrist = {
            "down": ((0.5, 0.1, -2.6), (0.5 + rng.normal(0, 0.3), -rng.uniform(0, 1.2), -5.0)),
            "up": ((1.0, -0.2, 2.0), (rng.uniform(0, 1.4), -0.4, 4.6)),
            "away": ((1.9, 0.1, -1.2), (3.2, -rng.uniform(0, 2), rng.uniform(-3, 0.5))),
        }[style]
        points = [
            np.array(p) * [side, 1, 1] + [side * wide * 0.98, 0, top] for p in ((0, 0, 0), elbow, wrist)
        ]
        objects.append(tube("arm", points, [r, 0.8 * r, 0.5 * r], bare))
        way = (points[2] - points[1]) / np.linalg.norm(points[2] - points[1])
        objects.append(ball("fist", points[2] + 0.4 * way, (0.3, 0.22, 0.42), bare))
    return objects


def _garment(
    rng: Generator, kind: str, torso: Loft, region: _Region, drop: float, legs: str
) -> list[bpy.types.Object]:
    """The garment where it is now: ``drop`` cm below where it lay."""
    material = cloth(rng)
    high, low = region.top - drop, region.bottom - drop
    folds, phase = int(rng.integers(6, 22)), rng.uniform(0, 6)
    ruffle = 0.02 + (0.06 if drop else 0.0)

    def thick(p: Array, z: Array) -> Array:
        return (
            0.09
            + ruffle * (1 + np.sin(folds * p + phase))
            + (0.08 * (1 + np.sin(9 * z + 2 * p)) if drop else 0)
        )

    objects = []
    bottom = max(low, -0.95)
    if high > bottom + 0.2:
        angles = (0.0, 2 * math.pi)
        if kind == "jacket":
            gap = math.asin(min(region.open / 1.7, 0.8))
            angles = (-math.pi / 2 + gap, 1.5 * math.pi - gap)
        objects.append(torso.shell("garment", material, bottom, high, thick, angles))
    if kind in ("dress", "skirt", "towel"):
        hang_from = min(high, 0.38 * torso.high) if kind == "dress" else high
        hang_to = low if legs != "seated" else max(low, -1.6)
        flare = 0.0 if kind == "towel" else rng.uniform(0.05, 0.6)
        if hang_from > hang_to + 0.4:
            z = np.linspace(hang_to, hang_from, 60)
            need = np.array(
                [
                    float(np.max(torso.widths[torso.zs >= min(v, torso.high - 1) - 0.2][:90]))
                    if v > 0.2
                    else 0
                    for v in z
                ]
            )
            hip = float(np.max(torso.widths[:40]))
            w = np.where(z > 0.2, np.minimum(need, np.interp(z, torso.zs, torso.widths) + 0.25), hip * 1.12)
            w = w + 0.14 + flare * (hang_from - z) / max(hang_from - hang_to, 1) * 1.5
            w = np.convolve(np.pad(w, 4, "edge"), np.ones(9) / 9, "valid")
            wrap = Loft(z, w, np.maximum(0.72 * w, 0.95), 2.2, offset_y=np.full(60, 0.05))
            objects.append(
                wrap.shell(
                    "skirt",
                    material,
                    z[0],
                    z[-1],
                    lambda p, zz: 0.12 * step(-zz, -z[-1], -z[0]) * np.sin(folds * p + phase),
                )
            )
    return objects


def _limbs(rng: Generator, params: dict[str, Any], bare: bpy.types.Material, exposed: Any) -> Subject:
    """One or two lone arms or legs on a table or in a hand: no fade can be told."""
    objects = []
    for i in range(int(rng.integers(1, 3))):
        r, long_ = rng.uniform(0.35, 0.9), rng.uniform(5, 8)
        x = 2.2 * i - 0.8
        bend = rng.normal(0, 0.8)
        path = [
            (x, 0, long_ / 2),
            (x + bend, -rng.uniform(0, 0.8), 0),
            (x + rng.normal(0, 0.6), 0, -long_ / 2),
        ]
        objects.append(tube("limb", path, [r, 0.8 * r, 0.5 * r], bare))
        tip = np.array(path[2]) - [0, 0.25, 0.35]
        objects.append(ball("end", tip, (0.42 * r + 0.1, 0.8 * r, 0.35 * r + 0.15), bare))
    if rng.random() < 0.3:
        objects += hand(rng, (-0.6, -0.4, rng.uniform(-2, 3)), (-1, 0.1, -0.3), 0.9)
    truth = {
        "state": "none",
        "delta_e00": 0.0,
        "delta_L": 0.0,
        "delta_a": 0.0,
        "delta_b": 0.0,
        "worn": "off",
        "garment": "none",
    }
    lying = rng.random() < 0.6
    return Subject(
        "body",
        (0.0, 0.0, 0.0),
        float(rng.uniform(3.2, 4.8)),
        view_dir=(0.0, -0.96, 0.28),
        support="standing" if lying else "held",
        floor_z=lowest(objects),
        surfaces={"skin_exposed": linear(exposed)},
        traits={"skin_fade": truth},
        finish=covered_in_view,
    )


def _subject(
    rng: Generator, params: dict[str, Any], objects: list[bpy.types.Object], height: float, with_head: bool,
    garment: str, worn: str, covered: Any, exposed: Any, blur: float,
) -> Subject:  # fmt: skip
    side = str(params.get("side", rng.choice(["front", "front", "back"])))
    support = str(params.get("pose", rng.choice(["standing", "lying", "held"])))
    turn = Matrix.Rotation(math.pi if side == "back" else rng.normal(0, 0.25), 4, "Z")
    lying = support == "lying"
    if lying:
        turn = Matrix.Rotation(-math.pi / 2, 4, "X") @ turn
    pose(objects, turn)
    if support == "held" and rng.random() < 0.5:
        objects = objects + hand(
            rng, (rng.choice([-1, 1]) * 1.2, -0.8, rng.uniform(0, 4)), (rng.normal(0, 1), 0.3, -1), 1.2
        )
    delta = delta_e_2000(exposed, covered)
    truth = {
        "state": "faded" if delta >= 1.7 else "none",
        "delta_e00": round(delta, 2),
        **{f"delta_{k}": round(float(d), 2) for k, d in zip("Lab", exposed - covered, strict=True)},
        "worn": worn,
        "garment": garment,
        "line_blur_cm": blur,
        "side": side,
    }
    middle = rng.uniform(0.2, 0.5) * height + (1.0 if with_head else 0.0)
    return Subject(
        view="body",
        target=(0.0, middle, 0.5) if lying else (0.0, -0.5, middle),
        radius=float(rng.uniform(3.6, 7.0)),
        view_dir=(0.0, 0.0, 1.0) if lying else (0.0, -1.0, 0.1),
        up=(0.0, 1.0, 0.0) if lying else (0.0, 0.0, 1.0),
        support=support,
        floor_z=lowest(objects) if support != "held" else -40.0,
        surfaces={"skin_exposed": linear(exposed), "skin_covered": linear(covered)},
        traits={"skin_fade": truth},
        finish=covered_in_view,
    )
