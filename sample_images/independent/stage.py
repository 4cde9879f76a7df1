"""The stage: materials with their mask labels, camera, lights, and the render passes.

The camera stands at (0, −distance, 0) and looks along +y; x runs right, z up. Subjects are turned, not the
camera. Each material carries a class and a part, so that a second pass paints the truth.
"""

from __future__ import annotations

import math
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from mathutils import Euler, Matrix

from sample_images import device

from .hues import Floats, light_rgb

CLASSES = {
    "skin": 1,
    "lip_molded": 2,
    "lip_paint": 3,
    "iris": 4,
    "pupil": 5,
    "eye_white": 6,
    "eyeliner": 7,
    "lash": 8,
    "brow": 9,
    "hair": 10,
    "ear_stain": 11,
    "garment": 12,
    "skin_covered": 13,
    "hole": 14,
    "lining": 15,
    "mark": 16,
    "chart": 17,
    "card": 18,
    "background": 19,
    "dirt": 20,
    "paint_dot": 21,
    "chip": 22,
}
BACKGROUND = CLASSES["background"]


@dataclass(frozen=True)
class Finish:
    """How a surface takes light."""

    roughness: float = 0.5
    subsurface: float = 0.0
    metallic: float = 0.0
    coat: float = 0.0
    specular: float = 0.5
    bump: float = 0.0
    bump_scale: float = 60.0


class Paints:
    """Makes materials and remembers the mask twin of each."""

    def __init__(self) -> None:
        self.twin: dict[str, bpy.types.Material] = {}

    def make(
        self,
        name: str,
        color: Floats,
        label: str | None,
        finish: Finish = Finish(),
        part: int = 0,
        labels: np.ndarray[Any, Any] | None = None,
    ) -> bpy.types.Material:
        """Return a material: ``color`` is (3,) or an image (rows, cols, 3) of linear sRGB, top row first.

        ``labels`` (rows, cols, 3) uint8 of the same layout overrides ``label`` and ``part`` by pixel: class,
        part, extra.
        """
        material = bpy.data.materials.new(name)
        material.use_nodes = True
        nodes, links = material.node_tree.nodes, material.node_tree.links
        shader = nodes["Principled BSDF"]
        shader.inputs["Roughness"].default_value = finish.roughness
        shader.inputs["Metallic"].default_value = finish.metallic
        shader.inputs["Coat Weight"].default_value = finish.coat
        shader.inputs["Coat Roughness"].default_value = 0.12
        shader.inputs["Specular IOR Level"].default_value = finish.specular
        if finish.subsurface:
            shader.inputs["Subsurface Weight"].default_value = finish.subsurface
            shader.inputs["Subsurface Radius"].default_value = (1.0, 0.6, 0.4)
            shader.inputs["Subsurface Scale"].default_value = 0.012
        if color.ndim == 1:
            shader.inputs["Base Color"].default_value = (*np.clip(color, 0, 1), 1)
        else:
            texture = _image_node(nodes, name, color, "Cubic")
            links.new(texture.outputs["Color"], shader.inputs["Base Color"])
        if finish.bump:
            place = nodes.new("ShaderNodeTexCoord")
            grain = nodes.new("ShaderNodeTexNoise")
            grain.inputs["Scale"].default_value = finish.bump_scale
            bump = nodes.new("ShaderNodeBump")
            bump.inputs["Strength"].default_value = finish.bump
            bump.inputs["Distance"].default_value = 0.01
            links.new(place.outputs["Object"], grain.inputs["Vector"])
            links.new(grain.outputs[0], bump.inputs["Height"])
            links.new(bump.outputs["Normal"], shader.inputs["Normal"])
        self.twin[material.name] = _twin(name, CLASSES[label] if label else BACKGROUND, part, labels)
        return material


def _image_node(nodes: Any, name: str, pixels: Floats, interpolation: str) -> Any:
    rows, cols = pixels.shape[:2]
    image = bpy.data.images.new(name, cols, rows, float_buffer=True, is_data=True)
    image.colorspace_settings.name = "Non-Color"
    full = np.ones((rows, cols, 4), np.float32)
    full[..., :3] = pixels[::-1]
    image.pixels.foreach_set(full.ravel())
    image.update()
    node = nodes.new("ShaderNodeTexImage")
    node.image, node.interpolation, node.extension = image, interpolation, "EXTEND"
    return node


def _twin(name: str, label: int, part: int, labels: np.ndarray[Any, Any] | None) -> bpy.types.Material:
    material = bpy.data.materials.new(f"{name} label")
    material.use_nodes = True
    nodes, links = material.node_tree.nodes, material.node_tree.links
    nodes.clear()
    out, glow = nodes.new("ShaderNodeOutputMaterial"), nodes.new("ShaderNodeEmission")
    links.new(glow.outputs[0], out.inputs["Surface"])
    if labels is None:
        glow.inputs["Color"].default_value = (label / 255, part / 255, 0, 1)
    else:
        texture = _image_node(nodes, f"{name} labels", labels.astype(np.float32) / 255, "Closest")
        links.new(texture.outputs["Color"], glow.inputs["Color"])
    return material


@dataclass
class Camera:
    """A pinhole: focal length and frame in pixels of the finished photo."""

    width: int
    height: int
    focal_px: float
    distance: float

    def project(self, points: Floats) -> Floats:
        """Return pixel positions (…, 2) of world points (…, 3)."""
        depth = points[..., 1] + self.distance
        return np.stack(
            [
                self.width / 2 + self.focal_px * points[..., 0] / depth,
                self.height / 2 - self.focal_px * points[..., 2] / depth,
            ],
            -1,
        )

    @property
    def span(self) -> tuple[float, float]:
        """Width and height of the frame in scene units at y = 0."""
        return self.width * self.distance / self.focal_px, self.height * self.distance / self.focal_px


@dataclass
class Shoot:
    """Everything one photo needs; builders fill it."""

    rng: np.random.Generator
    camera: Camera
    paints: Paints = field(default_factory=Paints)
    subject: list[bpy.types.Object] = field(default_factory=list)
    truth: dict[str, Any] = field(default_factory=dict)
    kelvin: float = 5500.0
    light_kind: str = "window"

    def surface(self, name: str, rgb: Floats) -> None:
        """Note the true color of a surface."""
        from .hues import rgb_to_lab

        self.truth.setdefault("surfaces", {})[name] = {
            "lab": [round(float(v), 3) for v in rgb_to_lab(rgb)],
            "linear_rgb": [round(float(v), 5) for v in rgb],
        }


def empty_scene() -> None:
    """Start from an empty file."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene = bpy.context.scene
    scene.world = bpy.data.worlds.new("world")
    scene.world.use_nodes = True
    scene.render.engine = "CYCLES"
    scene.cycles.device = device.choose()
    scene.render.threads_mode, scene.render.threads = "FIXED", 1
    scene.view_settings.view_transform = "Raw"
    scene.view_settings.look = "None"
    scene.cycles_curves.shape = "RIBBONS"


def place_camera(camera: Camera) -> None:
    """Put the camera where ``camera`` says."""
    data = bpy.data.cameras.new("camera")
    data.sensor_fit, data.sensor_width = "HORIZONTAL", 36.0
    data.lens = camera.focal_px / camera.width * 36.0
    data.clip_start, data.clip_end = 0.01, 500
    thing = bpy.data.objects.new("camera", data)
    thing.location, thing.rotation_euler = (0, -camera.distance, 0), Euler((math.pi / 2, 0, 0))
    bpy.context.scene.collection.objects.link(thing)
    bpy.context.scene.camera = thing


def pose(things: list[bpy.types.Object], turn: Matrix, shift: tuple[float, float, float]) -> Matrix:
    """Turn and move things as one; returns the matrix applied."""
    matrix = Matrix.Translation(shift) @ turn.to_4x4()
    for thing in things:
        thing.matrix_world = matrix @ thing.matrix_world
    return matrix


def through(matrix: Matrix, points: Floats) -> Floats:
    """Return points (…, 3) moved by a 4 × 4 matrix."""
    m = np.array(matrix)
    return points @ m[:3, :3].T + m[:3, 3]


def turned(yaw: float, pitch: float, roll: float) -> Matrix:
    """Return a subject's rotation: yaw about z, then pitch about x, then roll in the picture (degrees)."""
    return (
        Matrix.Rotation(math.radians(roll), 3, "Y")
        @ Matrix.Rotation(math.radians(pitch), 3, "X")
        @ Matrix.Rotation(math.radians(yaw), 3, "Z")
    )


def lamp(
    shoot: Shoot, azimuth: float, height: float, size: float, power: float, kelvin: float, away: float = 6.0
) -> None:
    """Add an area light aimed at the origin; ``azimuth`` 0° = from the camera, 90° = from the right."""
    unit = shoot.camera.span[0]
    a, h = math.radians(azimuth), math.radians(height)
    spot = np.array([math.sin(a) * math.cos(h), -math.cos(a) * math.cos(h), math.sin(h)]) * away * unit
    data = bpy.data.lights.new("lamp", "AREA")
    data.shape, data.size = "DISK", size * unit
    data.color = tuple(light_rgb(kelvin))
    data.energy = power * (away * unit) ** 2 * 12
    thing = bpy.data.objects.new("lamp", data)
    thing.location = spot
    from mathutils import Vector

    thing.rotation_euler = Vector(-spot).to_track_quat("-Z", "Y").to_euler()
    thing.visible_camera = False
    bpy.context.scene.collection.objects.link(thing)


def ambient(strength: float, kelvin: float) -> None:
    """Set even light from all sides."""
    node = bpy.context.scene.world.node_tree.nodes["Background"]
    node.inputs["Color"].default_value = (*light_rgb(kelvin) * 1.0, 1)
    node.inputs["Strength"].default_value = strength


def light_the_set(shoot: Shoot, kind: str, side: float | None = None) -> None:
    """Light the set by its kind; ``side`` fixes the azimuth of the main light in degrees."""
    rng = shoot.rng
    k = shoot.kelvin
    shoot.light_kind = kind
    left = -1 if rng.random() < 0.5 else 1
    if kind == "window":
        azimuth = side if side is not None else left * rng.uniform(25, 70)
        lamp(shoot, azimuth, rng.uniform(10, 45), rng.uniform(3, 6), 1.0, k)
        ambient(rng.uniform(0.15, 0.4), k)
    elif kind == "tungsten":
        azimuth = side if side is not None else left * rng.uniform(10, 60)
        lamp(shoot, azimuth, rng.uniform(25, 60), rng.uniform(0.4, 1.2), 1.0, k)
        ambient(rng.uniform(0.1, 0.3), k * 1.05)
    elif kind == "ring":
        lamp(shoot, rng.uniform(-6, 6), rng.uniform(3, 10), 0.9, 1.0, k, away=4.5)
        ambient(rng.uniform(0.08, 0.2), k)
    elif kind == "overcast":
        lamp(shoot, rng.uniform(-90, 90), rng.uniform(50, 75), 9, 0.45, k)
        ambient(rng.uniform(0.7, 1.0), k)
    elif kind == "mixed":
        other = float(rng.uniform(2800, 3400)) if k > 4300 else float(rng.uniform(5500, 7000))
        lamp(shoot, left * rng.uniform(30, 60), rng.uniform(15, 45), rng.uniform(2, 4), 0.9, k)
        lamp(shoot, -left * rng.uniform(20, 60), rng.uniform(20, 50), 1.5, rng.uniform(0.15, 0.4), other)
        ambient(rng.uniform(0.15, 0.3), k)
    elif kind == "raking":
        azimuth = side if side is not None else left * 85
        lamp(shoot, azimuth, rng.uniform(-10, 25), rng.uniform(0.5, 1.5), 1.0, k)
        ambient(rng.uniform(0.06, 0.15), k)


def _settings(width: int, height: int, samples: int, denoise: bool, filter_width: float) -> None:
    scene = bpy.context.scene
    scene.render.resolution_x, scene.render.resolution_y = width, height
    scene.render.resolution_percentage = 100
    scene.cycles.samples, scene.cycles.use_denoising = samples, denoise
    scene.cycles.use_adaptive_sampling = False
    if denoise:
        scene.cycles.denoiser = "OPENIMAGEDENOISE"
        scene.cycles.denoising_input_passes = "RGB_ALBEDO_NORMAL"
    scene.cycles.max_bounces, scene.cycles.diffuse_bounces, scene.cycles.glossy_bounces = 4, 3, 2
    scene.cycles.caustics_reflective = scene.cycles.caustics_refractive = False
    scene.cycles.sample_clamp_indirect = 4.0
    scene.cycles.pixel_filter_type, scene.cycles.filter_width = "BLACKMAN_HARRIS", filter_width
    scene.render.image_settings.file_format = "OPEN_EXR"
    scene.render.image_settings.color_depth, scene.render.image_settings.color_mode = "32", "RGB"


def _render(width: int, height: int) -> Floats:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "frame.exr"
        bpy.context.scene.render.filepath = str(path)
        bpy.ops.render.render(write_still=True)
        image = bpy.data.images.load(str(path))
        image.colorspace_settings.name = "Non-Color"
        pixels = np.empty(width * height * 4, np.float32)
        image.pixels.foreach_get(pixels)
        bpy.data.images.remove(image)
    return pixels.reshape(height, width, 4)[::-1, :, :3].copy()


def render_beauty(width: int, height: int, samples: int, seconds: float) -> Floats:
    """Return the linear picture (height, width, 3)."""
    _settings(width, height, samples, denoise=True, filter_width=1.5)
    bpy.context.scene.cycles.time_limit = seconds
    bpy.context.scene.cycles.seed = 1
    picture = _render(width, height)
    bpy.context.scene.cycles.time_limit = 0
    return picture


def _swap(things: list[bpy.types.Object], chosen: Any) -> list[tuple[bpy.types.Object, int, Any]]:
    undo = []
    for thing in things:
        for index, slot in enumerate(thing.material_slots):
            undo.append((thing, index, slot.material))
            slot.material = chosen(slot.material)
    return undo


def render_labels(shoot: Shoot, width: int, height: int) -> np.ndarray[Any, Any]:
    """Return class, part, extra by pixel, shape (height, width, 3) uint8."""
    things = [o for o in bpy.context.scene.objects if o.type in {"MESH", "CURVES", "FONT"}]
    lamps = [o for o in bpy.context.scene.objects if o.type == "LIGHT"]
    undo = _swap(things, lambda m: shoot.paints.twin[m.name])
    for one in lamps:
        one.hide_render = True
    world = bpy.context.scene.world.node_tree.nodes["Background"].inputs["Strength"]
    before, world.default_value = world.default_value, 0.0
    _settings(width, height, 1, denoise=False, filter_width=0.01)
    bpy.context.scene.cycles.pixel_filter_type = "BOX"
    labels = np.rint(np.clip(_render(width, height), 0, 1) * 255).astype(np.uint8)
    world.default_value = before
    for one in lamps:
        one.hide_render = False
    for thing, index, material in undo:
        thing.material_slots[index].material = material
    labels[..., 0] = np.where(labels[..., 0] == 0, BACKGROUND, labels[..., 0])
    return labels


def render_neutral(shoot: Shoot, width: int, height: int, region: np.ndarray[Any, Any]) -> Floats:
    """Return what a perfect white diffuse surface in the subject's place sends, linear RGB (3,).

    The subject is painted gray and rendered small; ``region`` (rows, cols) bool of the full picture says
    where it is looked at. The middle of its brightness counts.
    """
    gray = bpy.data.materials.new("neutral probe")
    gray.use_nodes = True
    nodes = gray.node_tree.nodes
    nodes.clear()
    out, diffuse = nodes.new("ShaderNodeOutputMaterial"), nodes.new("ShaderNodeBsdfDiffuse")
    diffuse.inputs["Color"].default_value = (0.5, 0.5, 0.5, 1)
    gray.node_tree.links.new(diffuse.outputs[0], out.inputs["Surface"])
    undo = _swap(shoot.subject, lambda _m: gray)
    small = max(32, width // 5), max(32, height // 5)
    _settings(*small, 12, denoise=False, filter_width=1.5)
    picture = _render(*small)
    for thing, index, material in undo:
        thing.material_slots[index].material = material
    rows = np.minimum((np.arange(small[1]) + 0.5) * region.shape[0] / small[1], region.shape[0] - 1).astype(
        int
    )
    cols = np.minimum((np.arange(small[0]) + 0.5) * region.shape[1] / small[0], region.shape[1] - 1).astype(
        int
    )
    inside = picture[region[np.ix_(rows, cols)]]
    if len(inside) < 8:
        inside = picture.reshape(-1, 3)
    light = inside.sum(1)
    low, high = np.quantile(light, (0.55, 0.97))
    return inside[(light >= low) & (light <= high)].mean(0) / 0.5
