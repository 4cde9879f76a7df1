"""A doll's body with a clothing line: vinyl that a garment covered has kept its color, the rest faded.

Parameters of :func:`build` (all optional; drawn at random when absent)::

    side          "front" or "back"
    delta_e       CIEDE2000 between exposed and covered vinyl (0 = no fade)
    line_blur_cm  half width of the boundary between the two
    garment       "swimsuit", "dress", "skirt", "top" or "briefs": what it wore all these years
    worn          "on" (hides the covered vinyl), "lowered" (some of it shows) or "off"
    lowered_cm    how far the garment is pulled down
    arms          "down", "away", "front" (a forearm across the body) or "up"
    head          bool: with a head, or the head taken off
    pattern       "plain", "stripes", "bands", "dots" or "check"
    pose          "standing", "lying" or "held"
    skin_lab      CIELAB (D65) of the covered (original) vinyl
    exposed_lab   CIELAB of the exposed vinyl, instead of ``delta_e``
    greasy        0–1
    head_params   parameters of the head (see sample_images.face.make_head)

The doll stands round the z axis, facing -y, hips near z = 1, neck near z = 9; cm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix
from numpy.typing import NDArray

from sample_images import sculpt
from sample_images.blend import image_from_array, mesh_object, set_class, set_class_image
from sample_images.sculpt import Field, Grid
from sample_images.skin import faded_lab, linear, skin_lab
from sample_images.subject import CLASSES, Subject, Truthing
from sample_images.truth import delta_e_2000, lab_to_linear, linear_to_lab
from sample_images.vinyl import vinyl

Points = NDArray[np.float64]
#: Signed distance (cm, about) into the region a garment covers, from x, z and "seen from behind".
Region = Callable[[NDArray[Any], NDArray[Any], bool], NDArray[Any]]

#: The maps: x in [-X, X], z in [Z0, Z1]; the left half of a map is the front, the right half the back.
X, Z0, Z1, PX_PER_CM = 3.6, -7.0, 10.4, 70
GARMENTS = ("swimsuit", "dress", "skirt", "top", "briefs")


@dataclass(frozen=True)
class Build:
    """Proportions of a body."""

    hip: float
    waist: float
    chest: float
    bust: float
    shoulder: float
    leg_gap: float

    @classmethod
    def draw(cls, rng: np.random.Generator) -> Build:
        """Draw the proportions at random."""
        return cls(
            rng.uniform(1.75, 2.1), rng.uniform(1.1, 1.4), rng.uniform(1.55, 1.85), rng.uniform(0.35, 0.62),
            rng.uniform(2.1, 2.5), rng.uniform(0.9, 1.1),
        )  # fmt: skip


def build(rng: np.random.Generator, params: dict[str, Any]) -> Subject:
    """Make a body; see the module's docstring for ``params``."""
    shape = Build.draw(rng)
    garment = str(params.get("garment", rng.choice(GARMENTS)))
    worn = str(params.get("worn", rng.choice(["on", "lowered", "lowered", "off", "off"])))
    if garment not in GARMENTS or worn not in ("on", "lowered", "off"):
        raise ValueError(
            f"garment must be one of {GARMENTS} and worn on, lowered or off: {garment!r}, {worn!r}"
        )
    covered, exposed, blur = _colors(rng, params)
    region = _region(rng, garment, shape)
    look: dict[str, Any] = {
        "greasy": float(params.get("greasy", rng.choice([0, 0, 0.2, 0.7]))),
        "roughness": float(rng.uniform(0.36, 0.52)),
        "seed": float(rng.uniform(0, 50)),
        "mottle": float(rng.uniform(0.01, 0.05)),
    }
    grid = Grid.box((-X, -2.1, Z0), (X, 2.3, Z1), 0.075)
    field = _torso(grid, shape)
    objects = [_skin(rng, grid, field, region, covered, exposed, blur, look)]
    objects += _arms(rng, params, shape, exposed, look)
    drop = float(params.get("lowered_cm", rng.uniform(0.9, 2.6))) if worn == "lowered" else 0.0
    if worn != "off":
        objects += _garment(rng, params, garment, grid, field, region, drop)
    with_head = bool(params.get("head", rng.random() < 0.6))
    if with_head:
        objects += _head(rng, params, exposed)
    return _subject(rng, params, objects, with_head, worn, garment, covered, exposed, blur)


def _colors(rng: np.random.Generator, params: dict[str, Any]) -> tuple[Any, Any, float]:
    """Covered and exposed CIELAB (as surfaces can reflect them), and the blur of the line."""
    covered = np.asarray(params.get("skin_lab", skin_lab(rng)), float)
    delta = float(params.get("delta_e", 0.0 if rng.random() < 0.3 else rng.uniform(2.0, 12.0)))
    exposed = np.asarray(params.get("exposed_lab", faded_lab(rng, covered, delta)), float)
    blur = float(params.get("line_blur_cm", rng.choice([0.03, 0.08, 0.2, 0.45])))
    return linear_to_lab(linear(covered)), linear_to_lab(linear(exposed)), blur


# ------------------------------------------------------------------------------------------------ regions


def _region(rng: np.random.Generator, garment: str, shape: Build) -> Region:
    """Return where the garment lay; straps, necklines and leg holes differ from doll to doll."""
    top, dip, back_dip = rng.uniform(6.2, 7.1), rng.uniform(0.1, 0.6), rng.uniform(0.2, 2.2)
    leg, cut = rng.uniform(-0.5, 0.2), rng.uniform(0.35, 0.75)
    waist, hem = rng.uniform(3.3, 4.1), rng.uniform(-5.5, -2.5)
    straps = rng.random() < (0.9 if garment == "dress" else 0.4)
    strap_x, strap_half = rng.uniform(0.8, 1.2), rng.uniform(0.12, 0.4)
    wave = rng.uniform(-0.08, 0.08, 3)

    def neckline(x: NDArray[Any], behind: bool) -> NDArray[Any]:
        scoop = back_dip if behind else dip
        return top - scoop * np.exp(-((x / 0.9) ** 2)) + wave[0] * np.sin(2.1 * x) + wave[1] * np.sin(4.7 * x)

    def leg_line(x: NDArray[Any]) -> NDArray[Any]:
        return leg + cut * np.abs(x) ** 1.25 - 0.5

    def bodice(x: NDArray[Any], z: NDArray[Any], behind: bool) -> NDArray[Any]:
        inside = neckline(x, behind) - z
        if straps:
            inside = np.maximum(inside, strap_half - np.abs(np.abs(x) - strap_x))
        return inside

    def inside(x: NDArray[Any], z: NDArray[Any], behind: bool) -> NDArray[Any]:
        if garment == "swimsuit":
            return np.minimum(bodice(x, z, behind), z - leg_line(x))
        if garment == "dress":
            return np.minimum(bodice(x, z, behind), z - hem)
        if garment == "skirt":
            return np.minimum(waist + wave[2] * x - z, z - hem)
        if garment == "top":
            return np.minimum(bodice(x, z, behind), z - waist - wave[2] * x)
        return np.minimum(waist - 1.2 + wave[2] * x - z, z - leg_line(x))

    return inside


# ---------------------------------------------------------------------------------------------- geometry


def _torso(grid: Grid, shape: Build) -> Field:
    """Return the field of torso, neck and legs: a seam line where the legs join."""
    x, y, z = grid.xyz
    heights = np.array([-0.6, 0.2, 1.4, 2.6, 3.8, 5.2, 6.6, 7.6, 8.2, 8.5])
    widths = np.array(
        [
            0.9,
            1.55,
            shape.hip,
            shape.hip * 0.86,
            shape.waist,
            shape.chest * 0.9,
            shape.chest,
            shape.chest * 0.95,
            1.3,
            0.8,
        ]
    )
    depths = np.array([0.7, 0.95, 1.05, 0.95, 0.85, 0.95, 1.0, 0.85, 0.72, 0.6])
    fine = np.linspace(-0.6, 8.5, 200)
    smooth_w = np.convolve(
        np.pad(np.interp(fine, heights, widths), 12, "edge"), np.hanning(27) / np.hanning(27).sum(), "same"
    )[12:-12]
    smooth_d = np.convolve(
        np.pad(np.interp(fine, heights, depths), 12, "edge"), np.hanning(27) / np.hanning(27).sum(), "same"
    )[12:-12]
    a = np.interp(grid.zs, fine, smooth_w).astype(np.float32)[None, None, :]
    b = np.interp(grid.zs, fine, smooth_d).astype(np.float32)[None, None, :]
    core = (np.sqrt((x / a) ** 2 + (y / b) ** 2) - 1) * np.minimum(a, b) * 0.9
    core = np.maximum(core, np.maximum(-0.6 - z, z - 8.4)).astype(np.float32)
    parts = [core]
    for side in (-1, 1):
        parts.append(
            sculpt.ellipsoid(
                grid, (side * 0.78, -0.62 - shape.bust * 0.4, 6.15), (0.72, 0.62 + shape.bust * 0.4, 0.78)
            )
        )
        parts.append(sculpt.ellipsoid(grid, (side * 0.85, 0.62, 0.95), (0.95, 0.95, 1.15)))
        parts.append(
            sculpt.capsule(grid, (side * 1.2, 0, 7.45), (side * shape.shoulder, 0, 7.25), 0.75, 0.55)
        )
    neck = sculpt.capsule(grid, (0, 0.1, 7.9), (0, 0.05, 9.35), 0.74, 0.62)
    body = sculpt.union(sculpt.join(parts, 0.35), neck, 0.5)
    legs = [
        sculpt.capsule(
            grid, (s * shape.leg_gap, 0, 0.2), (s * shape.leg_gap * 0.72, 0.05, -8), shape.hip * 0.52, 0.62
        )
        for s in (-1, 1)
    ]
    return sculpt.union(body, np.minimum(*legs), 0.05)


def _mesh(name: str, field: Field, grid: Grid, material: bpy.types.Material) -> bpy.types.Object:
    """Mesh a field with a front-and-back planar UV over the maps."""
    vertices, quads = sculpt.surface(field, grid)
    a, b = vertices[quads[:, 2]] - vertices[quads[:, 0]], vertices[quads[:, 3]] - vertices[quads[:, 1]]
    behind = np.cross(a, b)[:, 1] > 0
    corner = vertices[quads]
    u = np.clip((corner[..., 0] + X) / (2 * X), 0.001, 0.999) / 2 + 0.5 * behind[:, None]
    v = (corner[..., 2] - Z0) / (Z1 - Z0)
    return mesh_object(name, vertices, quads, np.stack([u, v], -1).reshape(-1, 2), material)


def _map_points() -> tuple[NDArray[Any], NDArray[Any], int]:
    """x and z (cm) of the pixels of one half of a map."""
    w, h = int(2 * X * PX_PER_CM), int((Z1 - Z0) * PX_PER_CM)
    x = (np.arange(w) + 0.5) / w * 2 * X - X
    z = Z1 - (np.arange(h) + 0.5) / h * (Z1 - Z0)
    return np.broadcast_to(x[None, :], (h, w)), np.broadcast_to(z[:, None], (h, w)), w


def _skin(
    rng: np.random.Generator,
    grid: Grid,
    field: Field,
    region: Region,
    covered: Any,
    exposed: Any,
    blur: float,
    look: dict[str, Any],
) -> bpy.types.Object:
    """Make the body with its painted fade."""
    x, z, _ = _map_points()
    color, classes = [], []
    for behind in (False, True):
        ragged = 0.05 * sculpt.value_noise(rng, x.shape, 14, 3)
        inside = region(x, z, behind) + ragged
        share = 1 / (1 + np.exp(-np.clip(inside / (0.4 * blur), -30, 30)))
        lab = exposed + (covered - exposed) * share[..., None]
        half = np.clip(lab_to_linear(lab), 0.003, 0.95)
        stain = np.clip(sculpt.value_noise(rng, x.shape, 9, 4) - 2.2, 0, 1) * rng.uniform(0, 0.4)
        color.append(half * (1 - stain[..., None] * np.array([0.4, 0.55, 0.7])))
        classes.append(np.where(inside > 0, CLASSES["skin_covered"], CLASSES["skin"]).astype(np.uint8))
    ids = np.concatenate(classes, 1)
    material = vinyl("body", image=image_from_array("body.color", np.concatenate(color, 1)), **look)
    set_class_image(material, np.stack([ids, np.zeros_like(ids), np.zeros_like(ids)], -1))
    return _mesh("body", field, grid, material)


def _arms(
    rng: np.random.Generator, params: dict[str, Any], shape: Build, exposed: Any, look: dict[str, Any]
) -> list[bpy.types.Object]:
    """Make both arms with simple hands."""
    style = str(params.get("arms", rng.choice(["down", "away", "front", "down"])))
    poses = {
        "down": ((2.75, 0.15, 4.3), (2.55, -0.35, 1.2)),
        "away": ((3.7, 0.1, 4.9), (4.7, -0.5, 2.2)),
        "front": ((2.75, -0.5, 4.5), (0.3, -2.0, rng.uniform(3.2, 5.2))),
        "up": ((3.6, -0.2, 9.2), (3.2, -0.6, 12.0)),
    }
    if style not in poses:
        raise ValueError(f"arms must be one of {sorted(poses)}, got {style!r}")
    crossing = rng.choice([-1, 1])
    material = vinyl("arms", linear(exposed), **look)
    grid = Grid.box((-5.6, -3.4, 0.0), (5.6, 1.6, 13.6), 0.1)
    pieces = []
    for side in (-1, 1):
        elbow, wrist = poses["down" if style == "front" and side != crossing else style]
        jitter = rng.normal(0, 0.12, (2, 3))
        e, w = np.array(elbow) + jitter[0], np.array(wrist) + jitter[1]
        e[0], w[0] = e[0] * side, w[0] * side
        shoulder = np.array([side * (shape.shoulder + 0.12), 0.0, 7.2])
        upper = sculpt.capsule(grid, shoulder, e, 0.58, 0.42)
        lower = sculpt.capsule(grid, e, w, 0.42, 0.27)
        way = (w - e) / np.linalg.norm(w - e)
        palm = sculpt.capsule(grid, w, w + way * 0.7, 0.26, 0.3, (1, 0.7, 1))
        fingers = sculpt.capsule(grid, w + way * 0.6, w + way * 1.35, 0.26, 0.13, (1, 0.7, 1))
        pieces.append(
            sculpt.union(sculpt.join([upper, lower], 0.4), sculpt.join([palm, fingers], 0.15), 0.12)
        )
    vertices, quads = sculpt.surface(np.minimum(*pieces), grid)
    return [mesh_object("arms", vertices, quads, material=material)]


# ----------------------------------------------------------------------------------------------- garments


def _garment(
    rng: np.random.Generator,
    params: dict[str, Any],
    garment: str,
    grid: Grid,
    field: Field,
    region: Region,
    drop: float,
) -> list[bpy.types.Object]:
    """Make the garment where it is now: ``drop`` cm below where it used to lie, bunched at the top."""
    material = _cloth(rng, params)
    x, y, z = grid.xyz
    front = region(x[:, 0], z[0] + drop, False)[:, None, :]
    back = region(x[:, 0], z[0] + drop, True)[:, None, :]
    blend = np.clip(y / 0.8 + 0.5, 0, 1)
    inside = (front * (1 - blend) + back * blend).astype(np.float32)
    thick = 0.05 + 0.02 * np.sin(3 * z + 1.3 * x + rng.uniform(0, 6))
    if drop:  # cloth pushed down lies in rings
        crease = np.sin(z * rng.uniform(6, 9) + 0.8 * np.sin(x * 2.2 + rng.uniform(0, 6))) * 0.09
        thick = thick + (0.09 + crease) * np.exp(-np.clip(inside, 0, None) / 1.2)
    shell = np.maximum(field - thick, -inside).astype(np.float32)
    flared = garment in ("dress", "skirt")
    if flared:
        waist = 3.7 - drop
        # Cloth lies on the seat as well, where it may press against the skirt from inside.
        shell = np.maximum(shell, (waist - 3.2) - z).astype(np.float32)
    objects = []
    if (shell < 0).any():
        objects.append(_mesh("garment", shell, grid, material))
    if flared:
        objects.append(_skirt(rng, waist, material, grid, field))
    return objects


def _skirt(
    rng: np.random.Generator, waist: float, material: bpy.types.Material, grid: Grid, field: Field
) -> bpy.types.Object:
    """Hang a folded skirt from the waist, clear of the body under it."""
    length, flare = rng.uniform(4.5, 7.5), rng.uniform(0.25, 1.1)
    folds = int(rng.integers(7, 16))
    t = np.linspace(0, 1, 120)[:, None]
    k = np.linspace(0, 2 * np.pi, 360, endpoint=False)[None]
    phase, bend = rng.uniform(0, 6), rng.uniform(0.5, 2)
    depth = t**0.7 * rng.uniform(0.12, 0.3)
    fold = depth * np.sin(folds * k + phase + bend * np.sin(3 * k + 2 * t))
    fold = fold + 0.4 * depth * np.sin((folds * 2 + 1) * k + 2 * t + phase)
    inside = field < 0
    reach_x = np.where(inside, np.abs(grid.xs)[:, None, None], 0).max(axis=(0, 1))
    reach_y = np.where(inside, np.abs(grid.ys)[None, :, None], 0).max(axis=(0, 1))
    level = waist - t * length
    need_x, need_y = np.interp(level, grid.zs, reach_x), np.interp(level, grid.zs, reach_y)
    # An ellipse has to pass outside the buttocks, which reach farthest away from its axis.
    a = np.maximum(1.45 + 0.95 * t**0.6 + flare * t, 1.06 * need_x + 0.06 + np.abs(depth)) + fold
    b = np.maximum(1.1 + 0.75 * t**0.6 + flare * t, 1.16 * need_y + 0.06 + np.abs(depth)) + fold
    z = waist - t * length + 0 * k + 0.12 * np.sin(2 * k + phase) * t
    points = np.stack([a * np.cos(k), b * np.sin(k), z], -1)
    rows, columns = points.shape[:2]
    r, c = np.meshgrid(np.arange(rows - 1), np.arange(columns), indexing="ij")
    r, c = r.reshape(-1), c.reshape(-1)
    n = (c + 1) % columns
    faces = np.stack([r * columns + c, (r + 1) * columns + c, (r + 1) * columns + n, r * columns + n], 1)
    cu = np.stack([c, c, c + 1, c + 1], 1) / columns
    cv = 1 - np.stack([r, r + 1, r + 1, r], 1) / (rows - 1) * length / (Z1 - Z0)
    obj = mesh_object("skirt", points.reshape(-1, 3), faces, np.stack([cu.ravel(), cv.ravel()], 1), material)
    solid = obj.modifiers.new("thick", "SOLIDIFY")
    solid.thickness = 0.05
    return obj


def _cloth(rng: np.random.Generator, params: dict[str, Any]) -> bpy.types.Material:
    """Return woven cloth with a printed or plain pattern over the maps."""
    x, z, _ = _map_points()
    pattern = str(params.get("pattern", rng.choice(["plain", "plain", "stripes", "bands", "dots", "check"])))
    one, two = (linear((rng.uniform(12, 92), rng.normal(0, 28), rng.normal(0, 28))) for _ in range(2))
    if pattern in ("stripes", "bands") and rng.random() < 0.5:
        one, two = (0.02, 0.02, 0.022), (0.8, 0.79, 0.76)
    pitch = rng.uniform(0.25, 0.7)
    wave = {
        "plain": np.zeros_like(x),
        "stripes": np.sign(np.sin((x + 0.25 * np.abs((z * 1.7) % 1 - 0.5)) * np.pi / pitch)),
        "bands": np.sign(np.sin(z * np.pi / pitch)),
        "dots": np.where(
            np.hypot((x % pitch) - pitch / 2, (z % pitch) - pitch / 2) < pitch * 0.28, 1.0, -1.0
        ),
        "check": np.sign(np.sin(x * np.pi / pitch)) * np.sign(np.sin(z * np.pi / pitch)),
    }
    if pattern not in wave:
        raise ValueError(f"pattern must be one of {sorted(wave)}, got {pattern!r}")
    mix = (wave[pattern] * 0.5 + 0.5)[..., None]
    half = np.array(one) * (1 - mix) + np.array(two) * mix
    half *= 1 + 0.06 * sculpt.value_noise(rng, x.shape, 5, 3)[..., None]
    material = vinyl(
        "cloth",
        image=image_from_array("cloth.color", np.clip(np.concatenate([half, half], 1), 0.004, 0.92)),
        roughness=float(rng.uniform(0.6, 0.95)),
        subsurface=0.0,
        grain=0.0,
        class_name="garment",
    )
    _weave(material)
    return set_class(material, "garment")


def _weave(material: bpy.types.Material) -> None:
    """Add the threads: two crossed waves as a bump."""
    tree = material.node_tree
    coords = tree.nodes.new("ShaderNodeTexCoord")
    heights = []
    for direction in ("X", "Z"):
        wave = tree.nodes.new("ShaderNodeTexWave")
        wave.bands_direction = direction
        wave.inputs["Scale"].default_value = 9.0
        wave.inputs["Distortion"].default_value = 1.5
        tree.links.new(coords.outputs["Object"], wave.inputs["Vector"])
        heights.append(wave.outputs["Fac"])
    add = tree.nodes.new("ShaderNodeMath")
    tree.links.new(heights[0], add.inputs[0])
    tree.links.new(heights[1], add.inputs[1])
    bump = tree.nodes.new("ShaderNodeBump")
    bump.inputs["Strength"].default_value, bump.inputs["Distance"].default_value = 0.5, 0.02
    tree.links.new(add.outputs[0], bump.inputs["Height"])
    tree.links.new(bump.outputs["Normal"], tree.nodes["Principled BSDF"].inputs["Normal"])


def _head(rng: np.random.Generator, params: dict[str, Any], exposed: Any) -> list[bpy.types.Object]:
    """Set a head on the neck; its vinyl was never covered."""
    from sample_images.face import make_head, pose

    wanted = {"skin_lab": [float(v) for v in exposed], **params.get("head_params", {})}
    head = make_head(rng, wanted, detail=0.5)
    turn = Matrix.Rotation(rng.normal(0, 0.15), 4, "Z") @ Matrix.Rotation(rng.normal(0, 0.06), 4, "X")
    pose(head.objects, Matrix.Translation((0, -0.1, 10.75)) @ turn @ Matrix.Scale(0.93, 4))
    return head.objects


# -------------------------------------------------------------------------------------------------- truth


def _subject(
    rng: np.random.Generator,
    params: dict[str, Any],
    objects: list[bpy.types.Object],
    with_head: bool,
    worn: str,
    garment: str,
    covered: Any,
    exposed: Any,
    blur: float,
) -> Subject:
    side = str(params.get("side", rng.choice(["front", "front", "back"])))
    pose = str(params.get("pose", rng.choice(["standing", "lying", "lying", "held"])))
    turn = Matrix.Rotation(np.pi, 4, "Z") if side == "back" else Matrix.Identity(4)
    if pose == "lying":
        turn = Matrix.Rotation(-np.pi / 2, 4, "X") @ turn
    bpy.context.view_layer.update()
    for obj in objects:
        obj.matrix_world = turn @ obj.matrix_world
    bpy.context.view_layer.update()
    # The camera focuses 0.45 radius before the target: there the skin should be.
    deep = -1.2 if side == "back" else 1.2
    middle = turn @ Matrix.Translation((0, deep, 4.0 if with_head else 3.6)).to_translation()
    lying = pose == "lying"
    low = min(
        (obj.matrix_world @ Matrix.Translation(c).to_translation())[2]
        for obj in objects
        for c in obj.bound_box
    )
    delta = delta_e_2000(exposed, covered)
    quantities = {f"delta_{k}": round(float(d), 2) for k, d in zip("Lab", exposed - covered, strict=True)}
    truth = {
        "state": "faded" if delta >= 1.7 else "none",
        "delta_e00": round(delta, 2),
        **quantities,
        "worn": worn,
        "garment": garment,
        "line_blur_cm": blur,
        "side": side,
    }
    return Subject(
        view="body",
        target=(middle[0], middle[1], middle[2]),
        radius=float(rng.uniform(4.6, 5.6)),
        view_dir=(0.0, 0.0, 1.0) if lying else (0.0, -1.0, 0.12),
        up=(0.0, 1.0, 0.0) if lying else (0.0, 0.0, 1.0),
        support=pose,
        floor_z=float(low) if pose != "held" else -40.0,
        surfaces={"skin_exposed": _rgb(exposed), "skin_covered": _rgb(covered)},
        traits={"skin_fade": truth},
        finish=_finish,
    )


def _rgb(lab: Any) -> tuple[float, float, float]:
    r, g, b = (float(v) for v in lab_to_linear(lab))
    return r, g, b


def _finish(shot: Truthing) -> None:
    """Say how much covered and exposed vinyl the picture shows."""
    fade = shot.truth["traits"]["skin_fade"]
    covered = int((shot.classes == CLASSES["skin_covered"]).sum())
    exposed = int((shot.classes == CLASSES["skin"]).sum())
    fade["covered_px"], fade["exposed_px"] = covered, exposed
    fade["covered_in_view"] = covered > 0.002 * shot.classes.size
