"""Torsos with garments and the line where exposed vinyl meets what a garment covered.

Units: torso from crotch (z = −1.1) to shoulders (z = 1.0); the front looks along −y.
"""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np

from .head import SKIN_LABS, Face, build_hair, build_head, note_surfaces, pick
from .hues import Floats, delta_e00, lab_to_rgb, rgb_to_lab
from .shapes import cubic, noise_image, smoothstep, tube
from .stage import CLASSES, Finish, Shoot

Z_LOW, Z_HIGH = -1.15, 1.06
LEVELS = np.array([-1.15, -0.95, -0.6, -0.25, 0.1, 0.45, 0.75, 0.93, 1.06])
WIDTH = np.array([0.40, 0.47, 0.50, 0.40, 0.33, 0.42, 0.50, 0.42, 0.13])
DEPTH = np.array([0.22, 0.27, 0.29, 0.23, 0.20, 0.25, 0.24, 0.17, 0.12])


def _outline(z: Floats, slim: float) -> tuple[Floats, Floats]:
    return cubic(LEVELS, WIDTH * slim, z), cubic(LEVELS, DEPTH * slim, z)


def _swell(bust: float) -> Any:
    def grow(theta: Floats, t: Floats) -> Floats:
        z = Z_LOW + (Z_HIGH - Z_LOW) * t
        out = np.ones(np.broadcast(theta, t).shape)
        for center in (-np.pi / 2 - 0.62, -np.pi / 2 + 0.62):
            turn = np.abs((theta - center + np.pi) % (2 * np.pi) - np.pi)
            out = out + bust * np.exp(-((turn / 0.38) ** 2) - ((z - 0.50) / 0.15) ** 2)
        crease = np.abs((theta + np.pi / 2 + np.pi) % (2 * np.pi) - np.pi)
        return out - 0.03 * np.exp(-((crease / 0.1) ** 2)) * smoothstep(-0.3, 0.3, z)

    return grow


def _loft(name: str, z0: float, z1: float, slim: float, bust: float, grow: float, steps: int = 200) -> Any:
    """Return a slice of the torso from z0 to z1, swollen outward by ``grow``."""
    z = np.linspace(z0, z1, 24)
    w, d = _outline(z, slim)
    path = np.stack([np.zeros_like(z), np.zeros_like(z), z], -1)

    def swell(theta: Floats, t: Floats) -> Floats:
        whole = (z0 + (z1 - z0) * t - Z_LOW) / (Z_HIGH - Z_LOW)
        return _swell(bust)(theta, whole)

    thing = tube(name, path, np.stack([w + grow, d + grow], -1), around=200, steps=steps, swell=swell)
    return thing


def _skin_sheet(
    exposed: Floats, covered: Floats, edges: tuple[float, float], softness: float, rng: np.random.Generator
) -> tuple[Floats, np.ndarray[Any, Any]]:
    """Return color and labels by (height, angle): covered between two edges, exposed elsewhere."""
    rows, cols = 1024, 512
    z = (Z_HIGH - (np.arange(rows) + 0.5) / rows * (Z_HIGH - Z_LOW))[:, None]
    wave = np.tile(noise_image(rng, (1, cols // 2), 5)[0], 2)
    wave = np.concatenate([wave[: cols // 2], wave[: cols // 2][::-1]])[None, :] * 0.012
    low, high = edges
    share = smoothstep(low - softness, low + softness, z + wave) * smoothstep(
        high + softness, high - softness, z + wave
    )
    mottle = 1 + 0.012 * noise_image(rng, (rows, cols), 12, 3)
    color = (exposed * (1 - share[..., None]) + covered * share[..., None]) * mottle[..., None]
    labels = np.zeros((rows, cols, 3), np.uint8)
    labels[..., 0] = np.where(share > 0.5, CLASSES["skin_covered"], CLASSES["skin"])
    return color, labels


def fade_colors(rng: np.random.Generator, skin: str, wanted: float) -> tuple[Floats, Floats]:
    """Return covered and exposed color, CIEDE2000 ``wanted`` apart: exposed bleaches or yellows."""
    covered = pick(rng, SKIN_LABS[skin])
    lab = rgb_to_lab(covered)
    if wanted <= 0:
        return covered, covered
    way = np.array(
        [(1.0, -0.7, -0.5), (0.9, -0.9, 0.4), (-0.4, 0.1, 1.0), (0.8, -1.0, -0.1)][rng.integers(4)]
    )
    if lab[0] > 80:
        way[0] *= -0.2
    low, high = 0.0, 30.0
    for _ in range(40):
        mid = (low + high) / 2
        low, high = (mid, high) if delta_e00(lab + way * mid, lab) < wanted else (low, mid)
    return covered, np.clip(lab_to_rgb(lab + way * low), 0.005, 0.98)


def cloth_material(shoot: Shoot) -> bpy.types.Material:
    """Return a garment's material: plain, striped or dotted cloth."""
    rng = shoot.rng
    one = np.clip(lab_to_rgb((rng.uniform(20, 92), rng.normal(0, 30), rng.normal(0, 25))), 0.01, 0.92)
    two = np.clip(lab_to_rgb((rng.uniform(20, 92), rng.normal(0, 30), rng.normal(0, 25))), 0.01, 0.92)
    y, x = np.mgrid[0:512, 0:512] / 512
    kind = rng.choice(["plain", "stripes", "dots", "plain"])
    if kind == "stripes":
        on = ((x * 14 if rng.random() < 0.5 else y * 7) % 1) < 0.5
    elif kind == "dots":
        on = np.hypot((x * 18) % 1 - 0.5, (y * 9) % 1 - 0.5) < 0.25
    else:
        on = np.zeros_like(x, bool)
    picture = np.where(on[..., None], two, one)
    return shoot.paints.make("cloth", picture, "garment", Finish(roughness=0.9, bump=0.5, bump_scale=45))


def build_body(shoot: Shoot, spec: dict[str, Any], face: Face | None) -> list[bpy.types.Object]:
    """Build a torso with arms, legs, garment, and (with ``face``) a head; writes its truth."""
    rng = shoot.rng
    slim, bust = rng.uniform(0.9, 1.05), rng.uniform(0.18, 0.45)
    covered, exposed = fade_colors(rng, spec["skin"], spec["delta"])
    top, bottom = float(rng.uniform(0.55, 0.72)), float(rng.uniform(-1.0, -0.75))
    color, labels = _skin_sheet(exposed, covered, (bottom, top), float(rng.uniform(0.008, 0.05)), rng)
    finish = Finish(roughness=float(rng.uniform(0.35, 0.6)), subsurface=0.12)
    torso = _loft("torso", Z_LOW, Z_HIGH, slim, bust, 0.0, 260)
    skin = shoot.paints.make("body", color, None, finish, labels=labels)
    limb = shoot.paints.make("limb", exposed, "skin", finish)
    torso.data.materials.append(skin)
    things = [torso]
    for side in (-1, 1):
        swing = rng.uniform(0.05, 0.25)
        arm = tube(
            "arm",
            [
                (side * 0.47 * slim, 0, 0.86),
                (side * (0.56 + swing * 0.5), 0.02, 0.3),
                (side * (0.58 + swing), -0.06, -0.25),
                (side * (0.56 + swing), -0.12, -0.7),
            ],
            [(0.12, 0.12), (0.105, 0.105), (0.095, 0.095), (0.06, 0.07)],
        )
        leg = tube(
            "leg",
            [(side * 0.23 * slim, 0, -0.98), (side * 0.23 * slim, -0.01, -1.6), (side * 0.2, 0, -2.6)],
            [(0.225 * slim, 0.24), (0.21, 0.22), (0.15, 0.16)],
        )
        for thing in (arm, leg):
            thing.data.materials.append(limb)
            things.append(thing)
    neck = tube("neck", [(0, 0.02, 0.9), (0, 0.02, 1.1), (0, 0.0, 1.42)], [(0.12, 0.12)] * 3)
    neck.data.materials.append(limb)
    things.append(neck)
    visible_covered = spec["garment"] != "on"
    if spec["garment"] != "off":
        drop = 0.0 if spec["garment"] == "on" else float(rng.uniform(0.35, 0.75))
        high, low = top + 0.03 - drop, bottom - 0.06 - (0.0 if drop == 0 else 0.1)
        dress = _loft("dress", max(low, Z_LOW), high, slim, bust, 0.022)
        dress.data.materials.append(cloth_material(shoot))
        things.append(dress)
        if low < -0.9:
            skirt = tube(
                "skirt", [(0, 0, -0.55), (0, 0, -1.0), (0, 0, -1.5)], [(0.53, 0.33), (0.6, 0.4), (0.7, 0.46)]
            )
            skirt.data.materials.append(dress.data.materials[0])
            things.append(skirt)
    if face is not None:
        traits = spec["head"]
        colors = spec["head_colors"]
        colors["skin"] = exposed
        head = build_head(shoot, face, traits, colors, detail=0.7, sheet_px=1024, finish=finish)
        head += build_hair(shoot, face, traits["hair"], colors["hair"], 3000)
        from mathutils import Matrix

        for thing in head:
            thing.matrix_world = Matrix.Translation((0, -0.06, 1.92)) @ thing.matrix_world
        things += head
        note_surfaces(shoot, traits, colors)
    lab_covered, lab_exposed = rgb_to_lab(covered), rgb_to_lab(exposed)
    shoot.surface("skin_exposed", exposed)
    shoot.surface("skin_covered", covered)
    d = lab_exposed - lab_covered
    shoot.truth["traits"]["skin_fade"] = {
        "state": "faded" if spec["delta"] > 0 else "none",
        "delta_e00": round(delta_e00(lab_covered, lab_exposed), 3),
        "delta_L": round(float(d[0]), 3),
        "delta_a": round(float(d[1]), 3),
        "delta_b": round(float(d[2]), 3),
        "covered_in_view": visible_covered,
        "garment": spec["garment"],
    }
    return things
