"""What surrounds a subject: grounds, the chart and the card, shadows, a hand, small clutter."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
from mathutils import Matrix

from .hues import Floats, chart_linear_rgb, lab_to_rgb
from .shapes import blob, grid_quads, mesh_object, noise_image
from .stage import Camera, Finish, Shoot, pose, through, turned


def sheet(
    name: str, width: float, height: float, sag: float = 0.0, rng: np.random.Generator | None = None
) -> bpy.types.Object:
    """Return a rectangle in the x–z plane facing the camera, centered, with optional folds."""
    n = 120 if sag else 2
    u, v = np.meshgrid(np.linspace(0, 1, n), np.linspace(0, 1, n))
    folds = noise_image(rng, (n, n), 5, 2) * sag if sag and rng is not None else np.zeros((n, n))
    points = np.stack([(u - 0.5) * width, folds, (v - 0.5) * height], -1).reshape(-1, 3)
    return mesh_object(name, points, grid_quads(n, n, False), np.stack([u, v], -1).reshape(-1, 2))


def ground_picture(kind: str, rng: np.random.Generator, size: int = 1024) -> Floats:
    """Return the texture (size, size, 3) of a ground: wood, weave, print, stone or plain."""
    y, x = np.mgrid[0:size, 0:size] / size
    base = np.clip(lab_to_rgb((rng.uniform(25, 90), rng.normal(0, 10), rng.normal(4, 12))), 0.01, 0.95)
    if kind == "wood":
        base = np.clip(lab_to_rgb((rng.uniform(30, 65), rng.uniform(6, 16), rng.uniform(15, 34))), 0.01, 0.9)
        warp = noise_image(rng, (size, size), 4, 2)
        grain = np.sin((x * 30 + warp * 2.5) * 6.28) * 0.5 + noise_image(rng, (size, size), 200) * 0.3
        return base * (1 + 0.16 * grain[..., None])
    if kind == "weave":
        thread = 0.5 + 0.25 * np.sin(x * 6.28 * 90) + 0.25 * np.sin(y * 6.28 * 90)
        return base * (0.75 + 0.3 * thread[..., None])
    if kind == "print":
        other = np.clip(lab_to_rgb((rng.uniform(30, 90), rng.normal(0, 35), rng.normal(0, 35))), 0.01, 0.95)
        cells = int(rng.integers(5, 14))
        if rng.random() < 0.5:
            on = ((x * cells) % 1 < 0.5) ^ ((y * cells) % 1 < 0.5)
        else:
            on = np.hypot((x * cells) % 1 - 0.5, (y * cells) % 1 - 0.5) < 0.28
        return np.where(on[..., None], other, base)
    if kind == "stone":
        return np.clip(base * (1 + 0.12 * noise_image(rng, (size, size), 60, 4)[..., None]), 0.005, 1)
    return np.broadcast_to(base, (size, size, 3)) * (
        1 + 0.01 * noise_image(rng, (size, size), 300)[..., None]
    )


def lay_ground(shoot: Shoot, depth: float) -> None:
    """Set a ground ``depth`` behind the origin, larger than the frame."""
    rng = shoot.rng
    width, height = shoot.camera.span
    side = max(width, height) * (1 + depth / shoot.camera.distance) * 2.2
    kind = str(rng.choice(["wood", "weave", "print", "stone", "plain", "plain"]))
    cloth = kind in {"weave", "print"}
    thing = sheet("ground", side, side, sag=0.012 * side if cloth else 0, rng=rng)
    finish = Finish(roughness=0.85 if cloth else 0.5, bump=0.2 if cloth else 0, bump_scale=80 / side)
    picture = np.clip(ground_picture(kind, rng), 0.003, 0.97)
    thing.data.materials.append(shoot.paints.make("ground", picture, "background", finish))
    pose([thing], turned(0, float(rng.uniform(-14, 14)), float(rng.uniform(0, 360))), (0, depth, 0))


def chart_picture(size: int = 600) -> Floats:
    """Return the chart's face (rows, cols, 3): 4 × 6 patches on a dark board, first patch at top left."""
    rows, cols = size * 2 // 3, size
    board = np.full((rows, cols, 3), 0.018)
    cell, gap = cols / 6.35, cols / 6.35 * 0.09
    top, left = (rows - 4 * cell) / 2, (cols - 6 * cell) / 2
    for k, rgb in enumerate(chart_linear_rgb()):
        i, j = divmod(k, 6)
        y0, x0 = top + i * cell + gap, left + j * cell + gap
        board[int(y0) : int(y0 + cell - 2 * gap), int(x0) : int(x0 + cell - 2 * gap)] = rgb
    return board


def place_reference(
    shoot: Shoot, kind: str, at: tuple[float, float], fraction: float, tilt: tuple[float, float], roll: float
) -> dict[str, Any]:
    """Put chart or card in the picture at ``at`` (fractions of the frame); returns its truth."""
    camera = shoot.camera
    w, h = camera.span
    width = fraction * w
    aspect = 2 / 3 if kind == "color_chart" else float(shoot.rng.uniform(0.6, 1.0))
    thing = sheet("reference", width, width * aspect)
    if kind == "color_chart":
        material = shoot.paints.make("chart", chart_picture(), "chart", Finish(roughness=0.8, specular=0.2))
    else:
        gray = np.full(3, 0.18 if shoot.rng.random() < 0.7 else 0.36)
        material = shoot.paints.make("card", gray, "card", Finish(roughness=0.9, specular=0.1))
    thing.data.materials.append(material)
    matrix = pose([thing], turned(tilt[0], tilt[1], roll), ((at[0] - 0.5) * w, 0.03 * w, (0.5 - at[1]) * h))
    local = np.array([[-1, 0, aspect], [1, 0, aspect], [1, 0, -aspect], [-1, 0, -aspect]]) * width / 2
    corners = camera.project(through(matrix, local))
    inside = (corners >= 0).all() and (corners[:, 0] < camera.width).all()
    return {
        "kind": kind,
        "corners": [[round(float(x), 1), round(float(y), 1)] for x, y in corners],
        "width_px": round(float(np.linalg.norm(corners[1] - corners[0])), 1),
        "wholly_in_view": bool(inside and (corners[:, 1] < camera.height).all()),
        "tilt_deg": [round(float(t), 1) for t in tilt],
    }


def flag_shadow(shoot: Shoot, at: tuple[float, float], size: float) -> None:
    """Hang a flag out of the frame's sight between light and ``at``, to cast a shadow there."""
    w, h = shoot.camera.span
    target = np.array([(at[0] - 0.5) * w, 0, (0.5 - at[1]) * h])
    lamps = [o for o in bpy.context.scene.objects if o.type == "LIGHT"]
    if not lamps:
        return
    toward = np.array(lamps[0].location) - target
    spot = target + toward / np.linalg.norm(toward) * 0.9 * max(w, h)
    thing = sheet("flag", size * w, size * w * 2.5)
    thing.data.materials.append(shoot.paints.make("flag", np.full(3, 0.05), "background"))
    thing.matrix_world = Matrix.Translation(spot) @ turned(0, 0, float(shoot.rng.uniform(0, 180))).to_4x4()
    thing.visible_camera = False


def hand(shoot: Shoot, scale: float) -> bpy.types.Object:
    """Return a person's hand: palm at the origin, fingers up, back of the hand to the camera."""
    rng = shoot.rng
    balls: list[tuple[Any, float]] = []

    def limb(a: Floats, b: Floats, ra: float, rb: float) -> None:
        n = max(3, int(np.linalg.norm(b - a) / min(ra, rb) * 3.5))
        balls.extend((a + (b - a) * t, ra + (rb - ra) * t) for t in np.linspace(0, 1, n))

    for k, (x, length) in enumerate(zip((-0.27, -0.09, 0.09, 0.26), (0.62, 0.75, 0.8, 0.68), strict=True)):
        fan = (x * 0.25, rng.uniform(-0.1, 0.05))
        base = np.array([x, 0, 0.35])
        knee = base + np.array([fan[0] * 0.6, fan[1], length * 0.55])
        tip = knee + np.array([fan[0] * 0.4, fan[1] - 0.12, length * 0.45])
        limb(np.array([x * 0.8, 0, -0.3]), base, 0.13, 0.11)
        limb(base, knee, 0.105, 0.09)
        limb(knee, tip, 0.09, 0.07)
        _ = k
    limb(np.array([0.25, -0.02, -0.25]), np.array([0.5, -0.1, 0.05]), 0.14, 0.11)
    limb(np.array([0.5, -0.1, 0.05]), np.array([0.62, -0.16, 0.35]), 0.1, 0.08)
    limb(np.array([0, 0, -0.4]), np.array([0, 0.03, -1.6]), 0.2, 0.22)
    thing = blob("hand", [(np.asarray(c) * scale, r * scale) for c, r in balls], 0.03 * scale)
    skin = np.clip(lab_to_rgb((rng.uniform(45, 74), rng.uniform(10, 17), rng.uniform(12, 22))), 0.01, 1)
    finish = Finish(roughness=0.6, subsurface=0.1, bump=0.25, bump_scale=40 / scale)
    thing.data.materials.append(shoot.paints.make("hand", skin, "background", finish))
    return thing


def frame_for(width: int, height: int, span: float, tele: float) -> Camera:
    """Return a camera whose frame is ``span`` scene units wide at the subject; ``tele``: distance ÷ span."""
    distance = span * tele
    return Camera(width, height, width * tele, distance)
