"""One doll's head as a portrait: geometry, paint, hair, ears, shoulders."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import bpy
import numpy as np
from mathutils import Euler, Matrix, Vector
from numpy.random import Generator
from numpy.typing import NDArray

from sample_images import hair as hairs
from sample_images.blend import (
    grid_object,
    ids_picture,
    image_from_array,
    mesh_object,
    set_class,
    set_class_image,
    swap_image,
)
from sample_images.face_paint import HALF_HEIGHT, HALF_WIDTH, FacePaint, cloud, paint_face
from sample_images.head_shape import (
    HeadShape,
    eye_point,
    hairline,
    head_grid,
    lid_heights,
    lip_edges,
    smooth,
    surface_points,
)
from sample_images.subject import CLASSES, Subject, Truthing, keep_described
from sample_images.truth import box_of, lab_to_linear, outline_of
from sample_images.vinyl import plain, vinyl

#: Name → Lab (D65) of paints and skins; each draw is jittered.
LINERS = {"blue": (38, 2, -38), "brown": (27, 14, 18), "black": (9, 0, 0), "other": (45, -28, 12)}
IRISES = {"blue": (48, -4, -34), "brown": (30, 14, 20), "green": (46, -24, 16), "other": (42, 24, -26)}
LIPS = {
    "red": (42, 60, 36),
    "coral": (56, 52, 36),
    "pink": (62, 44, 14),
    "orange": (58, 50, 46),
    "dark": (32, 40, 20),
}
SKINS = {
    "pale": (82, 6, 15),
    "ivory": (80, 8, 19),
    "pink": (72, 17, 19),
    "tan": (64, 18, 26),
    "warm": (74, 13, 22),
}


def _jitter(rng: Generator, lab: Any, amount: float) -> NDArray[np.float64]:
    return np.clip(lab_to_linear(np.asarray(lab, float) + rng.normal(0, amount, 3)), 0.004, 0.95)


@dataclass
class Head:
    """A finished head. ``objects`` stand round the origin; ``paint`` says what is true of its face."""

    shape: HeadShape
    paint: FacePaint
    objects: list[bpy.types.Object]
    greasy: float
    colors: dict[str, Any]
    truth: dict[str, Any] = field(default_factory=dict)

    def repaint(self, rng: Generator, params: dict[str, Any]) -> None:
        """Paint the face anew over the same vinyl; ``params`` as for :func:`make_head`."""
        self.paint = replace(draw_paint(rng, params, self.shape), skin=self.paint.skin)
        self.truth["liner"] = _liner_name(self.paint, params)
        canvas = paint_face(self.shape, self.paint, rng, _px_per_cm(params), rough=0.46)
        swap_image("face", canvas.color)
        swap_image("face.ids", ids_picture(canvas.ids), color=False)
        if "rough" in bpy.data.images:
            swap_image("rough", canvas.rough, color=False)


def _px_per_cm(params: dict[str, Any]) -> float:
    return float(params.get("px_per_cm", 500.0))


def draw_paint(rng: Generator, params: dict[str, Any], shape: HeadShape) -> FacePaint:
    """Draw the paint; ``params`` fixes what a recipe wants fixed.

    Known params: ``liner`` (blue, brown, black, none, other), ``iris`` (unpainted, blue, brown, green,
    other), ``lips`` (full, rubbed, bare, overpainted), ``lip_color``, ``lip_wear``, ``lip_wear_place``,
    ``lip_grow``, ``skin``, ``brow_style``, ``blush``, ``lashes``, ``scratches``, ``dirt``.
    """
    liner = str(params.get("liner", rng.choice(["blue", "brown", "black", "none"])))
    iris = str(params.get("iris", rng.choice(["unpainted", "blue", "brown", "green"])))
    glance = rng.uniform() < 0.55
    gaze_x = float(rng.choice([-1, 1]) * rng.uniform(0.05, 0.13)) if glance else float(rng.normal(0, 0.01))
    brow_styles = ["arched"] if iris == "unpainted" else ["curved", "curved", "straight", "arched"]
    radius = (shape.eye_up + shape.eye_low) * rng.uniform(0.46, 0.6)
    brow = _jitter(
        rng,
        {"brown": (32, 12, 16), "dark": (16, 3, 4), "blonde": (48, 12, 26)}[
            str(rng.choice(["brown", "dark", "blonde"]))
        ],
        2,
    )
    skin_lab = params.get("skin_lab") or SKINS[str(params.get("skin", rng.choice(list(SKINS))))]
    return FacePaint(
        skin=_jitter(rng, skin_lab, 0.0 if "skin_lab" in params else 1.5),
        eye_white=_jitter(rng, (rng.uniform(82, 92), rng.normal(0, 0.8), rng.uniform(1, 8)), 0.3),
        iris_state=iris,
        iris=(0.011, 0.01, 0.01) if iris == "unpainted" else _jitter(rng, IRISES[iris], 4),
        iris_style=str(params.get("iris_style", rng.choice(["disc", "ring"]))),
        iris_radius=float(radius),
        gaze=(gaze_x, float(rng.normal(0, 0.015))),
        liner=None if liner == "none" else _jitter(rng, LINERS[liner], 0.8 if liner == "black" else 3.5),
        liner_width=float(params.get("liner_width", rng.uniform(0.06, 0.12))),
        wing=float(rng.uniform(0.05, 0.22)) if rng.uniform() < 0.7 else 0.0,
        lash_line=bool(params.get("lash_line", rng.uniform() < 0.75)),
        lashes=int(params.get("lashes", rng.choice([0, 0, 4, 5, 6]))),
        brow=brow,
        brow_style=str(params.get("brow_style", rng.choice(brow_styles))),
        lip_state=str(params.get("lips", "full")),
        lip=_jitter(rng, LIPS[str(params.get("lip_color", rng.choice(list(LIPS))))], 3),
        lip_wear=float(params.get("lip_wear", rng.uniform(0.25, 0.65))),
        lip_wear_place=str(params.get("lip_wear_place", rng.choice(["crown", "corner", "edge"]))),
        lip_grow=float(params.get("lip_grow", rng.uniform(0.022, 0.045))),
        blush=float(params.get("blush", rng.uniform(0, 0.3))),
        scratches=int(params.get("scratches", rng.integers(0, 4))),
        dirt=int(params.get("dirt", rng.integers(0, 4))),
        liner_wear=float(params.get("liner_wear", 0.0)),
    )


def _head_mesh(
    shape: HeadShape, materials: list[bpy.types.Material], rows: int, columns: int
) -> bpy.types.Object:
    """The head: material 0 in front (planar UV of the painted picture), 1 behind, 2 under the hair."""
    points, phi, t = head_grid(shape, rows, columns)
    r, c = np.meshgrid(np.arange(rows - 1), np.arange(columns), indexing="ij")
    r, c = r.ravel(), c.ravel()
    n = (c + 1) % columns
    faces = np.stack([r * columns + c, (r + 1) * columns + c, (r + 1) * columns + n, r * columns + n], 1)
    flat = points.reshape(-1, 3)
    uv = np.stack(
        [(flat[:, 0] + HALF_WIDTH) / (2 * HALF_WIDTH), (flat[:, 2] + HALF_HEIGHT) / (2 * HALF_HEIGHT)], 1
    )
    obj = mesh_object("head", flat, faces, uv, materials[0])
    for material in materials[1:]:
        obj.data.materials.append(material)
    kind = np.where(np.abs(phi[c]) < 1.35, 0, 1)
    kind = np.where(t[r] > hairline(phi[c]), 2, kind)
    obj.data.polygons.foreach_set("material_index", kind.astype(np.int32))
    obj.data.update()
    return obj


def _ears(
    shape: HeadShape, skin: Any, greasy: float, stain: dict[int, float], earring: str, rng: Generator, px: int
) -> list[bpy.types.Object]:
    """Two ears with their earring holes; ``stain``: side (-1, 1) → strength of the green stain, 0 = none."""
    objects = []
    green = lab_to_linear((44.0, -29.0, 13.0))
    for side in (-1, 1):
        rows, columns = 40, 72
        a = np.linspace(0.02, np.pi - 0.02, rows)[:, None]
        b = np.linspace(0, 2 * np.pi, columns, endpoint=False)[None]
        y, z = np.sin(a) * np.cos(b), np.cos(a) + 0 * b
        x = np.sin(a) * np.sin(b)
        radius = np.hypot(y, z)
        rim = 0.09 * np.exp(-(((radius - 0.82) / 0.16) ** 2)) - 0.08 * np.exp(-((radius / 0.45) ** 2))
        outward = np.where(x > 0, 1.0, 0.0)
        points = np.stack([x * 0.13 + outward * rim, y * 0.3 * (1 - 0.25 * (z < 0) * -z), z * 0.46], -1)
        u, v = np.meshgrid((np.arange(px) + 0.5) / px, 1 - (np.arange(px) + 0.5) / px)
        aa, bb = 0.02 + (1 - v) * (np.pi - 0.04), 2 * np.pi * u
        ty, tz, tx = np.sin(aa) * np.cos(bb), np.cos(aa), np.sin(aa) * np.sin(bb)
        from_hole = np.where(tx > -0.2, np.hypot(ty * 0.3, (tz + 0.62) * 0.46), 9.0)
        color = np.empty((px, px, 3), np.float32)
        color[:] = skin
        ids = np.zeros((px, px, 3), np.uint8)
        ids[..., 0] = CLASSES["skin"]
        part = 40 if side < 0 else 41
        ids[..., 1] = part
        if stain.get(side, 0) > 0:
            reach = 0.14 + 0.2 * stain[side]
            alpha = smooth(from_hole + 0.035 * cloud(rng, (px, px), 6), reach, reach * 0.35) * min(
                0.9, 0.35 + 0.6 * stain[side]
            )
            color = color * (1 - alpha[..., None]) + np.asarray(green, np.float32) * alpha[..., None]
            ids[..., 0][alpha > 0.18] = CLASSES["ear_stain"]
        hole = from_hole < 0.035
        color[hole] = np.asarray(skin) * 0.08
        material = vinyl(
            f"ear{side}", image=image_from_array(f"ear{side}", color), greasy=greasy, mottle=0.03
        )
        set_class_image(material, ids)
        obj = grid_object(f"ear{side}", points, material, wrap_u=True)
        if side < 0:
            obj.scale = (-1, 1, 1)
        place = surface_points(shape, -0.08, side * 1.62)
        obj.location = tuple(place + np.array([side * -0.01, 0, 0]))
        obj.rotation_euler = (0.12, 0, -side * 0.5)
        objects.append(obj)
        if earring != "none":
            metal = plain(
                "earring",
                (0.72, 0.55, 0.28) if earring == "brass" else (0.75, 0.73, 0.70),
                "background",
                0.25,
                1.0,
            )
            bpy.ops.mesh.primitive_uv_sphere_add(radius=0.085, segments=24, ring_count=12)
            ball = bpy.context.object
            ball.data.materials.append(metal)
            for polygon in ball.data.polygons:
                polygon.use_smooth = True
            ball.location = tuple(place + np.array([side * 0.15, -0.06, -0.3]))
            objects.append(ball)
    return objects


def _neck(material: bpy.types.Material, low: float, flare: float) -> bpy.types.Object:
    """A neck from inside the head down to ``low``, widening by ``flare``."""
    z = np.linspace(-1.2, low, 50)
    k = np.linspace(0, 2 * np.pi, 96, endpoint=False)
    radius = 0.62 + flare * smooth(z, -2.6, -3.6) ** 1.3 + 0.05 * smooth(z, -1.5, -1.2)
    deep = 0.59 + 0.3 * (radius - 0.62)
    x, y = radius[:, None] * np.cos(k), 0.12 + deep[:, None] * np.sin(k)
    ring = np.stack([x, y, z[:, None] + 0 * k], -1)
    return grid_object("neck", ring, material, wrap_u=True, flip=True)


def neck_of(head: Head) -> bpy.types.Object:
    """A short neck for a head without a body."""
    return _neck(vinyl("neck", head.paint.skin, greasy=head.greasy), -2.75, 0.0)


def _body(shape: HeadShape, skin: Any, greasy: float, garment: Any, rng: Generator) -> list[bpy.types.Object]:
    """Neck and shoulders, dressed or bare."""
    material = vinyl("body", skin, greasy=greasy, seed=3.0)
    objects = [_neck(material, -4.4, 0.75)]
    a = np.linspace(0.0, np.pi, 60)[:, None]
    b = np.linspace(0, 2 * np.pi, 120, endpoint=False)[None]
    wide = np.sign(np.cos(b)) * np.abs(np.cos(b)) ** 0.8
    torso = np.stack(
        [
            2.9 * np.sin(a) ** 0.7 * wide,
            0.2 + 1.25 * np.sin(a) ** 0.8 * np.sin(b),
            -6.2
            + (3.1 - 0.75 * smooth(np.abs(np.sin(a) ** 0.7 * wide), 0.2, 1.0) * (np.cos(a) > 0)) * np.cos(a),
        ],
        -1,
    )
    objects.append(grid_object("torso", torso, material, wrap_u=True, flip=True))
    if garment is not None:
        cloth = plain("garment", garment, "garment", roughness=0.95)
        top = rng.uniform(0.45, 0.85)
        cut = torso[int(60 * top * 0.4) :, :, :]
        center = np.array([0, 0.2, -6.2])
        folds = 1.03 + 0.015 * np.sin(17 * b + rng.uniform(0, 6)) + 0.01 * np.sin(31 * b)
        cut = center + (cut - center) * np.stack(
            [folds + 0 * cut[..., 0], folds + 0 * cut[..., 0], 1.0 + 0 * cut[..., 0]], -1
        )
        objects.append(grid_object("garment", cut, cloth, wrap_u=True, flip=True))
    return objects


def make_head(rng: Generator, params: dict[str, Any], detail: float = 1.0, part: int = 0) -> Head:
    """Build a head at the origin.

    Parameters
    ----------
    params
        As for :func:`draw_paint`, and ``head_seed`` (the same doll in several photos), ``greasy`` (0–1),
        ``hair`` (a key of ``hair.COLORS``), ``hair_style`` (ponytail, loose), ``fringe`` (curly, firm,
        single_curl, none), ``stain`` ([left, right] strengths as seen in the picture), ``earring``,
        ``px_per_cm`` (of the painted picture).
    detail
        1 for a portrait; less for a head in a crowd (coarser mesh and picture, fewer strands).
    part
        Part number given to all of the head's pixels when > 0 (crowds).
    """
    if "head_seed" in params:
        rng = np.random.default_rng(int(params["head_seed"]))
    # Streams of their own: the same doll keeps its hair color whatever the detail of its picture.
    shape_rng, paint_rng, brush_rng, rng = rng.spawn(4)
    shape = HeadShape.draw(shape_rng)
    paint = draw_paint(paint_rng, params, shape)
    greasy = float(params.get("greasy", rng.choice([0.0, 0.0, 0.85])))
    canvas = paint_face(shape, paint, brush_rng, _px_per_cm(params) * detail, rough=0.46)
    if part:
        canvas.ids[..., 1] = part
    rough = None
    if greasy < 0.3:
        rough = image_from_array("rough", canvas.rough, color=False)
    front = vinyl(
        "face",
        image=image_from_array("face", canvas.color),
        greasy=greasy,
        roughness_image=rough,
        roughness=0.44,
    )
    set_class_image(front, canvas.ids)
    back = vinyl("skin", paint.skin, greasy=greasy, roughness=0.46, part=part)
    hair_color = np.asarray(
        hairs.COLORS[str(params.get("hair", rng.choice(list(hairs.COLORS))))]
    ) * rng.uniform(0.8, 1.2)
    scalp = plain("scalp", hair_color * 0.35, "hair", roughness=0.9, part=part)
    objects = [_head_mesh(shape, [front, back, scalp], round(440 * detail**0.7), round(640 * detail**0.7))]
    strands = hairs.hair_material(hair_color, 0.0)
    set_class(strands, "hair", part)
    count = round(14000 * detail**1.3)
    style = str(params.get("hair_style", rng.choice(["ponytail", "ponytail", "loose"])))
    sweep = hairs.swept_back(shape, rng, count) if style == "ponytail" else hairs.loose(shape, rng, count)
    thick = 0.008 * detail**-0.6
    objects.append(hairs.strands_object("hair", sweep, thick, strands))
    cut = str(params.get("fringe", rng.choice(["curly", "firm", "none"])))
    if cut != "none":
        locks = {"curly": 60, "firm": 90, "single_curl": 3}[cut]
        per = max(6, round({"curly": 90, "firm": 60, "single_curl": 260}[cut] * detail**1.3))
        objects.append(
            hairs.strands_object("fringe", hairs.fringe(shape, rng, cut, locks, per), thick, strands)
        )
    stain = params.get("stain", [0.0, 0.0])
    earring = str(params.get("earring", rng.choice(["none", "none", "brass", "pearl"])))
    if style == "ponytail" or any(stain):
        objects += _ears(
            shape, paint.skin, greasy, {-1: stain[0], 1: stain[1]}, earring, rng, max(64, round(300 * detail))
        )
    return Head(
        shape,
        paint,
        objects,
        greasy,
        {"hair": hair_color},
        {"fringe": cut, "stain": stain, "hair_style": style, "liner": _liner_name(paint, params)},
    )


def pose(objects: list[bpy.types.Object], matrix: Matrix) -> None:
    """Move objects together."""
    bpy.context.view_layer.update()
    for obj in objects:
        obj.matrix_world = matrix @ obj.matrix_world


def _stand(subject_floor: float) -> bpy.types.Object:
    metal = plain("stand", (0.35, 0.34, 0.33), "background", 0.35, 0.8)
    bpy.ops.mesh.primitive_cylinder_add(radius=0.12, depth=12)
    rod = bpy.context.object
    rod.location = (0.0, 1.9, subject_floor + 6)
    rod.data.materials.append(metal)
    return rod


def _fingers(shape: HeadShape, rng: Generator) -> list[bpy.types.Object]:
    """Two or three finger-like rods that hold the head from the side or below, partly over it."""
    tone = lab_to_linear((rng.uniform(45, 72), rng.uniform(10, 16), rng.uniform(14, 22)))
    material = vinyl("finger", tone, roughness=0.5, mottle=0.08, class_name="background")
    objects = []
    side = rng.choice([-1, 1])
    for i in range(int(rng.integers(2, 4))):
        bpy.ops.mesh.primitive_uv_sphere_add(radius=1, segments=48, ring_count=32)
        finger = bpy.context.object
        finger.scale = (2.6, 0.8, 0.75)
        finger.rotation_euler = (0, side * rng.uniform(-0.3, 0.3), side * rng.uniform(0.1, 0.4))
        finger.location = (side * (shape.width / 2 + 1.5), -0.4 + 0.3 * i, 0.3 - 1.35 * i)
        finger.data.materials.append(material)
        for polygon in finger.data.polygons:
            polygon.use_smooth = True
        objects.append(finger)
    return objects


def coverage(classes: NDArray[np.uint8], aux: NDArray[np.uint8], state: str) -> dict[str, Any]:
    """Lip truth from exact masks: painted share of the molded lips, and what lies beyond them."""
    painted = classes == CLASSES["lip_paint"]
    upper, lower = aux == 1, aux == 2
    molded = upper | lower
    area = max(int(molded.sum()), 1)
    return {
        "state": state,
        "coverage_total": round(float((painted & molded).sum() / area), 4),
        "coverage_upper": round(float((painted & upper).sum() / max(int(upper.sum()), 1)), 4),
        "coverage_lower": round(float((painted & lower).sum() / max(int(lower.sum()), 1)), 4),
        "beyond_border": round(float((painted & ~molded).sum() / area), 4),
    }


def _landmarks(shape: HeadShape, matrix: Matrix) -> dict[str, Any]:
    def on_face(xz: NDArray[Any]) -> NDArray[Any]:
        t = np.clip(2 * xz[:, 1] / shape.height, -0.99, 0.99)
        phi = np.zeros(len(xz))
        for _ in range(30):
            x = surface_points(shape, t, phi)[:, 0]
            phi = np.clip(phi + (xz[:, 0] - x) / (shape.width / 2), -1.4, 1.4)
        points = surface_points(shape, t, phi)
        return np.array([list(matrix @ Vector(p)) for p in points])

    out = {}
    u = np.linspace(-0.99, 0.99, 16)
    for name, side in (("left_eye", -1), ("right_eye", 1)):
        up, low = lid_heights(shape, u)
        out[name] = on_face(
            np.vstack([eye_point(shape, side, u, up), eye_point(shape, side, u[::-1], low[::-1])])
        )
    x = np.linspace(-0.995, 0.995, 20) * shape.lip_half
    upper, _, lower = lip_edges(shape, x)
    out["lips"] = on_face(np.vstack([np.stack([x, upper], 1), np.stack([x[::-1], lower[::-1]], 1)]))
    return out


def _turn(params: dict[str, Any], rng: Generator) -> Matrix:
    yaw, pitch, roll = params.get("pose", (rng.uniform(-30, 30), rng.uniform(-12, 12), rng.uniform(-14, 14)))
    return Euler((math.radians(-pitch), math.radians(roll), math.radians(yaw)), "YXZ").to_matrix().to_4x4()


def build(rng: Generator, params: dict[str, Any]) -> Subject:
    """Build one portrait.

    Params: those of :func:`make_head`; ``support`` (standing, lying, held); ``body`` (bust, neck);
    ``pose`` ([yaw, pitch, roll] degrees; positive yaw looks to the image's right, positive pitch up,
    positive roll turns the head clockwise); ``fingers`` (true: held by fingers).
    """
    head = make_head(rng, params)
    shape, paint = head.shape, head.paint
    support = str(params.get("support", rng.choice(["standing", "standing", "lying", "held"])))
    turn = _turn(params, rng)
    moving = list(head.objects)
    if params.get("fingers", False):
        moving += _fingers(shape, rng)
    body = str(params.get("body", rng.choice(["bust", "bust", "neck"])))
    garment = (
        _jitter(rng, (rng.uniform(20, 85), rng.normal(0, 30), rng.normal(0, 25)), 1)
        if rng.uniform() < 0.7
        else None
    )
    still = _body(shape, paint.skin, head.greasy, garment, rng) if body == "bust" else []
    if body == "neck":
        moving.append(neck_of(head))
    pivot = Matrix.Translation((0, 0.2, -1.9))
    matrix = pivot @ turn @ pivot.inverted()
    pose(moving, matrix)
    floor = -9.0 if body == "bust" else -2.7
    if body == "bust" and support == "standing" and rng.uniform() < 0.5:
        still.append(_stand(floor))
    subject = Subject("face", (0.0, -0.9, -0.1), 2.5, support=support, floor_z=floor)
    if support == "lying":
        lay = Matrix.Rotation(-math.pi / 2, 4, "X")
        pose(moving + still, lay)
        matrix = lay @ matrix
        subject.view_dir, subject.up = (0.0, 0.0, 1.0), (0.0, 1.0, 0.0)
        subject.target, subject.floor_z = (0.0, -0.15, 0.9), -2.35
    subject.landmarks = _landmarks(shape, matrix)
    keep_described(subject, head, _describe)
    return subject


def _describe(subject: Subject, head: Head) -> None:
    """Say what is true of a head's paint."""
    paint = head.paint
    subject.surfaces = _surfaces(paint)
    subject.traits = {
        "eyeliner_color": {"state": head.truth["liner"]},
        "iris_color": {"state": paint.iris_state},
        "skin_sheen": {"state": "greasy" if head.greasy > 0.5 else "matte", "greasy": head.greasy},
        "fringe": head.truth["fringe"],
    }
    subject.finish = lambda it: _finish(it, paint, head.truth["stain"])


def _liner_name(paint: FacePaint, params: dict[str, Any]) -> str:
    if paint.liner is None:
        return "none"
    if "liner" in params:
        return str(params["liner"])
    return min(
        LINERS, key=lambda n: float(np.abs(lab_to_linear(np.asarray(LINERS[n], float)) - paint.liner).sum())
    )


def _surfaces(paint: FacePaint) -> dict[str, Any]:
    out = {"skin_exposed": paint.skin, "eye_white": paint.eye_white, "brow": paint.brow}
    if paint.liner is not None:
        out["eyeliner"] = paint.liner
    out["iris"] = paint.iris
    if paint.lip_state != "bare":
        out["lips"] = paint.lip
    return {k: tuple(float(v) for v in rgb) for k, rgb in out.items()}


def _finish(it: Truthing, paint: FacePaint, stain: list[float]) -> None:
    traits, places = it.truth["traits"], it.truth["places"]
    traits["lip_paint"] = coverage(it.classes, it.aux, paint.lip_state)
    ears = []
    for index, part in ((0, 40), (1, 41)):
        seen = it.parts == part
        if seen.sum() < 30:
            continue
        spot = seen & (it.classes == CLASSES["ear_stain"])
        name = "left_ear" if index == 0 else "right_ear"
        places[name] = outline_of(seen, 32)
        ears.append(
            {
                "part": name,
                "state": "green" if spot.sum() >= 12 else "none",
                "area_px": int(spot.sum()),
                "outline": outline_of(spot, 24),
            }
        )
    traits["ear_stain"] = ears
    face = np.isin(
        it.classes,
        [
            CLASSES[n]
            for n in ("lip_molded", "lip_paint", "iris", "pupil", "eye_white", "eyeliner", "lash", "brow")
        ],
    )
    box = box_of(face)
    if box is not None:
        x0, y0, x1, y1 = box
        w, h = x1 - x0, y1 - y0
        places["face_box"] = [round(v, 1) for v in (x0 - 0.2 * w, y0 - 0.15 * h, x1 + 0.2 * w, y1 + 0.3 * h)]
