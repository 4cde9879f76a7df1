"""Crowds of dolls, and photos that show no doll at all."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix
from PIL import Image, ImageDraw

from .body import cloth_material
from .head import SKIN_LABS, build_hair, build_head, pick, random_colors, random_face
from .hues import Floats, lab_to_rgb
from .mark import font
from .props import hand, sheet
from .shapes import mesh_object, tube
from .stage import Finish, Shoot, through, turned

Things = list[bpy.types.Object]


def random_traits(rng: np.random.Generator) -> dict[str, str]:
    """Return the looks of a head nobody asks about in particular."""
    return {
        "liner": str(rng.choice(["blue", "black", "brown", "none"])),
        "iris": str(rng.choice(["unpainted", "blue", "brown"])),
        "lips": "full",
        "outline": str(rng.choice(["none", "top", "full"])),
        "lashes": str(rng.choice(["none", "painted"])),
        "hair": str(rng.choice(["ponytail+fringe", "ponytail", "bubble", "long", "long+fringe"])),
    }


def build_crowd(shoot: Shoot, count: int) -> tuple[Things, list[Floats]]:
    """Stand or lay ``count`` dolls in loose rows; returns objects and by head its bare surface (world)."""
    rng = shoot.rng
    things: Things = []
    heads: list[Floats] = []
    rows = 1 if count <= 6 else 2
    by_row = int(np.ceil(count / rows))
    lying = rng.random() < 0.5
    for k in range(count):
        row, col = divmod(k, by_row)
        face = random_face(rng)
        traits = random_traits(rng)
        skin = str(rng.choice(["tan", "pale"]))
        lips = str(rng.choice(["red", "coral", "pink"]))
        colors = random_colors(rng, skin, traits["liner"], traits["iris"], lips)
        part = 100 + k
        made = build_head(shoot, face, traits, colors, detail=0.3, sheet_px=640, part=part)
        surface = np.empty(len(made[0].data.vertices) * 3, np.float32)
        made[0].data.vertices.foreach_get("co", surface)
        made += build_hair(shoot, face, traits["hair"], colors["hair"], 900, part)
        nod = (
            Matrix.Translation((0, 0, 1.25))
            @ turned(
                float(rng.uniform(-35, 35)), float(rng.uniform(-12, 12)), float(rng.uniform(-8, 8))
            ).to_4x4()
        )
        for thing in made:
            thing.matrix_world = nod @ thing.matrix_world
        dress = tube(
            "dress",
            [(0, 0.1, 0.66), (0, 0.1, 0.4), (0, 0.1, -0.2), (0, 0.1, -1.6)],
            [(0.2, 0.14), (0.42, 0.24), (0.30, 0.2), (rng.uniform(0.35, 0.6), 0.3)],
            48,
            40,
        )
        dress.data.materials.append(cloth_material(shoot))
        made.append(dress)
        for side in (-1, 1):
            arm = tube(
                "arm",
                [(side * 0.4, 0.1, 0.5), (side * 0.5, 0.1, 0), (side * rng.uniform(0.45, 0.75), -0.05, -0.6)],
                [(0.1, 0.1), (0.09, 0.09), (0.06, 0.06)],
                24,
                20,
            )
            arm.data.materials.append(shoot.paints.make("arm", colors["skin"], "skin"))
            made.append(arm)
        roll = float(rng.uniform(-35, 35)) if lying else float(rng.uniform(-8, 8))
        x = (col - (by_row - 1) / 2 + (0.5 if row else 0)) * 1.45 + rng.uniform(-0.1, 0.1)
        place = Matrix.Translation(
            (x, 0 if lying else row * 1.2, row * 2.0 + rng.uniform(-0.2, 0.2) - rows * 0.8)
        )
        move = place @ turned(0, 0, roll).to_4x4()
        for thing in made:
            thing.matrix_world = move @ thing.matrix_world
        heads.append(through(move @ nod, surface.reshape(-1, 3)))
        things += made
    return things, heads


def _plain(shoot: Shoot, thing: bpy.types.Object, rgb: Floats, finish: Finish) -> bpy.types.Object:
    thing.data.materials.clear()
    thing.data.materials.append(shoot.paints.make(thing.name, rgb, "background", finish))
    return thing


def _any_color(rng: np.random.Generator, chroma: float = 25) -> Floats:
    return np.clip(
        lab_to_rgb((rng.uniform(25, 90), rng.normal(0, chroma), rng.normal(0, chroma))), 0.01, 0.95
    )


def _turned_body(name: str, profile: list[tuple[float, float]]) -> bpy.types.Object:
    """Return a body of revolution about z from (radius, z) pairs."""
    theta = np.linspace(0, 2 * np.pi, 96, endpoint=False)
    r, z = np.array(profile).T
    points = np.stack(
        [r[:, None] * np.cos(theta), r[:, None] * np.sin(theta), np.broadcast_to(z[:, None], (len(r), 96))],
        -1,
    )
    from .shapes import grid_quads

    return mesh_object(name, points.reshape(-1, 3), grid_quads(len(r), 96, True))


def _mug(shoot: Shoot) -> Things:
    profile = [
        (0.0, -0.7),
        (0.55, -0.7),
        (0.58, -0.65),
        (0.58, 0.7),
        (0.56, 0.72),
        (0.52, 0.7),
        (0.52, -0.6),
        (0, -0.6),
    ]
    cup = _turned_body("cup", profile)
    handle = [(0.55, 0, 0.4), (0.95, 0, 0.35), (1.0, 0, -0.2), (0.55, 0, -0.4)]
    ring = tube("handle", handle, [(0.07, 0.09)] * 4, 24, 40)
    rgb = _any_color(shoot.rng)
    look = Finish(roughness=0.2, coat=0.5)
    return [_plain(shoot, cup, rgb, look), _plain(shoot, ring, rgb, look)]


def _cutlery(shoot: Shoot) -> Things:
    things = []
    for k in range(3):
        x = -0.6 + 0.6 * k
        stem = tube(
            "stem", [(x, 0, -1.0), (x, -0.03, -0.3), (x, 0, 0.35)], [(0.07, 0.02), (0.05, 0.02), (0.05, 0.03)]
        )
        bowl = tube(
            "bowl", [(x, 0, 0.3), (x, 0.04, 0.65), (x, 0, 1.0)], [(0.06, 0.02), (0.17, 0.03), (0.09, 0.02)]
        )
        look = Finish(roughness=0.18, metallic=1.0)
        things += [_plain(shoot, t, np.array([0.7, 0.69, 0.66]), look) for t in (stem, bowl)]
    return things


def _page(shoot: Shoot) -> Things:
    rng = shoot.rng
    page = Image.new("L", (900, 1200), 240)
    pen = ImageDraw.Draw(page)
    words = ["the", "lamp", "was", "left", "at", "a", "window", "so", "that", "low", "light", "would", "fall"]
    words += ["across", "table", "and", "show", "every", "crease"]
    body, title = font("Noto Sans CJK Regular.woff2", 26), font("Inter.woff2", 70)
    pen.text((80, 70), "Evening Notes", 25, title)
    for row in range(26):
        line = " ".join(rng.permutation(words)[: int(rng.integers(7, 10))])
        pen.text((80, 190 + row * 37), line[:58], 40, body)
    gray = (np.asarray(page, float) / 255) ** 2.2
    thing = sheet("page", 1.8, 2.4, 0.03, rng)
    picture = gray[..., None] * np.array([0.86, 0.84, 0.78])
    thing.data.materials.append(shoot.paints.make("page", picture, "background", Finish(roughness=0.9)))
    return [thing]


def _textile(shoot: Shoot) -> Things:
    thing = sheet("cloth", 3.2, 3.2, 0.12, shoot.rng)
    thing.data.materials.append(cloth_material(shoot))
    shoot.paints.twin[thing.data.materials[0].name] = shoot.paints.twin[
        shoot.paints.make("ground cloth", np.ones(3), "background").name
    ]
    return [thing]


def _bust(shoot: Shoot) -> Things:
    rng = shoot.rng
    face = random_face(rng)
    white = np.clip(lab_to_rgb((rng.uniform(82, 93), rng.uniform(-1, 2), rng.uniform(2, 9))), 0, 0.95)
    colors = dict.fromkeys(("skin", "liner", "iris", "lips", "hair", "brow"), white)
    traits = {"hair": "bald", "stain": "none"}
    things = build_head(shoot, face, traits, colors, 0.8, 256, Finish(roughness=0.9), painted=False)
    foot = _turned_body(
        "foot", [(0.01, -0.72), (0.42, -0.9), (0.45, -1.1), (0.3, -1.12), (0.3, -1.3), (0, -1.3)]
    )
    return [*things, _plain(shoot, foot, white, Finish(roughness=0.9))]


def _hand_alone(shoot: Shoot) -> Things:
    return [hand(shoot, 0.9)]


def _coins(shoot: Shoot) -> Things:
    rng, things = shoot.rng, []
    for _ in range(7):
        r = rng.uniform(0.18, 0.32)
        disk = _turned_body(
            "coin", [(0, -0.03), (r, -0.03), (r, 0.03), (r * 0.92, 0.035), (r * 0.9, 0.02), (0, 0.02)]
        )
        disk.matrix_world = Matrix.Translation(
            (*rng.uniform(-0.9, 0.9, 1), -0.05, *rng.uniform(-0.9, 0.9, 1))
        ) @ (Matrix.Rotation(np.pi / 2, 4, "X"))
        rgb = np.array([(0.72, 0.45, 0.28), (0.7, 0.68, 0.62), (0.75, 0.6, 0.3)][rng.integers(3)])
        things.append(_plain(shoot, disk, rgb, Finish(roughness=0.35, metallic=1.0, bump=0.4, bump_scale=30)))
    return things


def _blocks(shoot: Shoot) -> Things:
    rng, things = shoot.rng, []
    for _ in range(5):
        bpy.ops.mesh.primitive_cube_add(size=float(rng.uniform(0.3, 0.7)))
        block = bpy.context.object
        spot = (*rng.uniform(-0.9, 0.9, 1), 0.0, *rng.uniform(-0.9, 0.9, 1))
        block.matrix_world = (
            Matrix.Translation(spot) @ turned(*(float(v) for v in rng.uniform(-40, 40, 3))).to_4x4()
        )
        things.append(_plain(shoot, block, _any_color(rng, 35), Finish(roughness=0.5)))
    return things


def _bottle(shoot: Shoot) -> Things:
    profile = [
        (0, -1.0),
        (0.42, -1.0),
        (0.45, -0.9),
        (0.45, 0.2),
        (0.2, 0.55),
        (0.16, 0.95),
        (0.19, 1.0),
        (0, 1.0),
    ]
    return [
        _plain(
            shoot, _turned_body("bottle", profile), _any_color(shoot.rng), Finish(roughness=0.12, coat=0.6)
        )
    ]


def _ball(shoot: Shoot) -> Things:
    bpy.ops.mesh.primitive_uv_sphere_add(segments=96, ring_count=64, radius=0.7)
    ball = bpy.context.object
    for polygon in ball.data.polygons:
        polygon.use_smooth = True
    return [_plain(shoot, ball, pick(shoot.rng, SKIN_LABS["tan"]), Finish(roughness=0.45, subsurface=0.1))]


def _washers(shoot: Shoot) -> Things:
    rng, things = shoot.rng, []
    for _ in range(6):
        r = rng.uniform(0.15, 0.4)
        bpy.ops.mesh.primitive_torus_add(
            major_radius=r, minor_radius=r * 0.25, major_segments=64, rotation=(np.pi / 2, 0, 0)
        )
        ring = bpy.context.object
        ring.location = (*rng.uniform(-0.9, 0.9, 1), 0.0, *rng.uniform(-0.9, 0.9, 1))
        bpy.context.view_layer.update()
        things.append(
            _plain(shoot, ring, _any_color(rng), Finish(roughness=0.4, metallic=float(rng.random() < 0.5)))
        )
    return things


NEGATIVES: dict[str, Callable[[Shoot], Things]] = {
    "mug": _mug,
    "cutlery": _cutlery,
    "page": _page,
    "textile": _textile,
    "bust": _bust,
    "hand": _hand_alone,
    "coins": _coins,
    "blocks": _blocks,
    "bottle": _bottle,
    "ball": _ball,
    "washers": _washers,
}


def build_negative(shoot: Shoot, spec: dict[str, Any]) -> Things:
    """Build the objects of a photo without a doll."""
    return NEGATIVES[spec["thing"]](shoot)
