"""The Cycles scene round a subject: table, backdrop, clutter, reference card, lights, camera, masks."""

from __future__ import annotations

import math
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix, Vector
from numpy.random import Generator
from numpy.typing import NDArray

from sample_images import blend, device
from sample_images.backgrounds import build_clutter, build_surroundings
from sample_images.references import Reference, build_reference
from sample_images.subject import Subject
from sample_images.truth import light_rgb


@dataclass(frozen=True)
class Setting:
    """Everything about a photo but its subject.

    Attributes
    ----------
    width, height
        Size of the JPEG in pixels; ``render_scale`` says how much smaller the path-traced picture is.
    light
        ``"window"``, ``"lamp"``, ``"flash"``, ``"overcast"``, ``"mixed"`` or ``"single"``.
    cct_k, second_cct_k
        Color temperature of the light, and of the second light of ``"mixed"``.
    azimuth_deg, elevation_deg
        Where the main light comes from in the picture: azimuth counterclockwise from the picture's right,
        elevation above the picture plane toward the camera. None = drawn by chance.
    background
        Table kind: ``"wood"``, ``"cloth"``, ``"paper"``, ``"carpet"``, ``"tile"`` or ``"dark"``.
    reference
        None, ``"color_chart"`` or ``"grey_card"``; ``reference_cut`` pushes part of it out of the picture.
    focal_mm
        35 mm equivalent focal length. ``fill``: share of the short side that the subject's circle takes.
    yaw_deg, pitch_deg, roll_deg
        The camera's place relative to the subject's best view, and its turn.
    shift
        The subject's center, as a share of the short side away from the picture's center.
    aperture_cm
        Diameter of the lens opening (a phone has about 0.3); ``focus_offset_cm`` > 0 focuses behind.
    """

    width: int = 1200
    height: int = 1600
    render_scale: float = 1.0
    light: str = "window"
    cct_k: float = 5000.0
    second_cct_k: float = 2900.0
    azimuth_deg: float | None = None
    elevation_deg: float | None = None
    fill_light: float = 1.0
    background: str = "wood"
    clutter: int = 3
    reference: str | None = None
    reference_cut: bool = False
    reference_size: float = 1.0
    focal_mm: float = 35.0
    fill: float = 0.8
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    shift: tuple[float, float] = (0.0, 0.0)
    aperture_cm: float = 0.3
    focus_offset_cm: float = 0.0
    scene_seed: int = 0


@dataclass(frozen=True)
class Frame:
    """The camera's axes in world space: right, up and back (toward the viewer), and its place."""

    right: NDArray[np.float64]
    up: NDArray[np.float64]
    back: NDArray[np.float64]
    place: NDArray[np.float64]
    target: NDArray[np.float64]
    distance: float


def reset() -> None:
    """Start from an empty file."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    bpy.context.scene.unit_settings.scale_length = 0.01


def _unit(v: Any) -> NDArray[np.float64]:
    v = np.asarray(v, np.float64)
    return v / np.linalg.norm(v)


def view_axes(subject: Subject, setting: Setting) -> tuple[Any, Any, Any]:
    """Right, up, back of a camera looking at the subject with the setting's yaw, pitch and roll."""
    back = _unit(subject.view_dir)
    up = _unit(np.asarray(subject.up) - back * np.dot(subject.up, back))
    right = np.cross(up, back)
    yaw, pitch, roll = (math.radians(a) for a in (setting.yaw_deg, setting.pitch_deg, setting.roll_deg))
    back = _unit(math.cos(pitch) * (math.cos(yaw) * back + math.sin(yaw) * right) + math.sin(pitch) * up)
    up = _unit(up - back * np.dot(up, back))
    right = np.cross(up, back)
    up = math.cos(roll) * up + math.sin(roll) * right
    return np.cross(up, back), up, back


def place_camera(subject: Subject, setting: Setting, reference: Reference | None) -> Frame:
    """Make the camera; the frame is widened so that a reference card beside the subject is in view."""
    right, up, back = view_axes(subject, setting)
    target, radius = np.asarray(subject.target, float), subject.radius
    half_w, half_h = radius, radius
    if reference is not None and not setting.reference_cut:
        offset = reference.corners - target
        xs, ys = offset @ right, offset @ up
        x0, x1 = min(-half_w, xs.min()), max(half_w, xs.max())
        y0, y1 = min(-half_h, ys.min()), max(half_h, ys.max())
        target = target + right * (x0 + x1) / 2 + up * (y0 + y1) / 2
        half_w, half_h = (x1 - x0) / 2 * 1.04, (y1 - y0) / 2 * 1.04
    long_half = 18.0 / setting.focal_mm
    aspect = setting.width / setting.height
    tan_w, tan_h = (long_half, long_half / aspect) if aspect >= 1 else (long_half * aspect, long_half)
    distance = max(half_w / (setting.fill * tan_w), half_h / (setting.fill * tan_h)) + 0.35 * radius
    short = 2 * min(tan_w, tan_h) * distance
    aim = target - (right * setting.shift[0] + up * setting.shift[1]) * short
    place = aim + back * distance
    floor = subject.floor_z + 0.8
    if subject.support == "standing" and place[2] < floor:
        place = place + np.array([0, 0, floor - place[2]])

    data = bpy.data.cameras.new("camera")
    data.lens = setting.focal_mm
    data.sensor_width = 36.0
    data.sensor_fit = "AUTO"
    data.clip_start, data.clip_end = 0.1, 2000.0
    data.dof.use_dof = setting.aperture_cm > 0
    data.dof.focus_distance = (
        float(np.dot(place - np.asarray(subject.target), back)) - 0.45 * radius + setting.focus_offset_cm
    )
    data.dof.focus_distance = max(data.dof.focus_distance, 0.5)
    # Cycles takes the opening's radius as lens / (2 f-stop) in thousandths of a scene unit.
    data.dof.aperture_fstop = setting.focal_mm * 1e-3 / max(setting.aperture_cm, 1e-4)
    camera = bpy.data.objects.new("camera", data)
    bpy.context.scene.collection.objects.link(camera)
    rotation = Matrix((right, up, back)).transposed()
    camera.matrix_world = Matrix.Translation(Vector(place)) @ rotation.to_4x4()
    bpy.context.scene.camera = camera
    return Frame(right, up, back, place, np.asarray(subject.target, float), distance)


def projector(setting: Setting, frame: Frame) -> Any:
    """Return a function from (N, 3) world points to (N, 2) pixels of the JPEG."""
    long_px = max(setting.width, setting.height)

    def project(points: Any) -> NDArray[np.float64]:
        offset = np.asarray(points, float).reshape(-1, 3) - frame.place
        depth = np.maximum(-(offset @ frame.back), 1e-6)
        scale = setting.focal_mm / 36.0 * long_px / depth
        x = setting.width / 2 + offset @ frame.right * scale
        y = setting.height / 2 - offset @ frame.up * scale
        return np.stack([x, y], 1)

    return project


def _area_light(
    name: str,
    place: Any,
    target: Any,
    size: float,
    irradiance: float,
    rgb: Any,
    shape: str,
    aspect: float = 1.0,
) -> None:
    data = bpy.data.lights.new(name, "AREA")
    data.shape = shape
    data.size = size
    if shape in ("RECTANGLE", "ELLIPSE"):
        data.size_y = size * aspect
    offset = np.asarray(place) - np.asarray(target)
    data.energy = float(irradiance * math.pi * np.dot(offset, offset))
    data.color = tuple(float(v) for v in rgb)
    lamp = bpy.data.objects.new(name, data)
    lamp.location = tuple(place)
    lamp.rotation_euler = Vector(tuple(offset)).to_track_quat("Z", "Y").to_euler()
    bpy.context.scene.collection.objects.link(lamp)


def room_environment(rng: Generator, rgb: Any, kind: str, level: float) -> None:
    """Light the world by a small invented room: ceiling, floor, some bright openings to be mirrored."""
    h, w = 64, 128
    elevation = np.linspace(math.pi / 2, -math.pi / 2, h)[:, None] * np.ones((1, w))
    sky = np.clip(np.sin(elevation), -1, 1)
    room = np.where(sky > 0, 0.55 + 0.75 * sky, 0.45 + 0.25 * sky)
    if kind == "overcast":
        room = np.where(sky > 0, 1.0 + 1.6 * sky, 0.35)
    for _ in range(0 if kind in ("flash", "single") else int(rng.integers(1, 4))):
        x, y = int(rng.integers(0, w)), int(rng.integers(8, 34))
        dx, dy = int(rng.integers(4, 12)), int(rng.integers(5, 14))
        room[y : y + dy, (np.arange(dx) + x) % w] += rng.uniform(1.5, 5)
    image = blend.image_from_array("room", room[..., None] * np.asarray(rgb)[None, None])
    world = bpy.data.worlds.new("room")
    world.use_nodes = True
    texture = world.node_tree.nodes.new("ShaderNodeTexEnvironment")
    texture.image = image
    background = world.node_tree.nodes["Background"]
    background.inputs["Strength"].default_value = level
    world.node_tree.links.new(texture.outputs["Color"], background.inputs["Color"])
    bpy.context.scene.world = world


_ENV_LEVEL = {"window": 0.45, "lamp": 0.3, "flash": 0.16, "overcast": 1.0, "mixed": 0.35, "single": 0.1}


def build_lights(subject: Subject, setting: Setting, frame: Frame, rng: Generator) -> None:
    """Light the scene; the key light's irradiance at the subject is about π."""
    rgb = light_rgb(setting.cct_k)
    standing = subject.support != "lying"
    azimuth = setting.azimuth_deg
    if azimuth is None:
        azimuth = float(rng.uniform(20, 160) if standing else rng.uniform(0, 360))
    elevation = setting.elevation_deg
    if elevation is None:
        elevation = float(rng.uniform(15, 55) if not subject.cavity else rng.uniform(8, 30))

    def at(az: float, el: float, distance: float) -> NDArray[np.float64]:
        a, e = math.radians(az), math.radians(el)
        direction = (
            math.cos(e) * (math.cos(a) * frame.right + math.sin(a) * frame.up) + math.sin(e) * frame.back
        )
        place = frame.target + direction * distance
        place[2] = max(place[2], subject.floor_z + 0.12 * distance)
        return place

    r = max(subject.radius, 2.0)
    room_environment(rng, rgb, setting.light, _ENV_LEVEL[setting.light] * setting.fill_light)
    kind = setting.light
    if kind in ("window", "mixed"):
        size = float(rng.uniform(40, 80))
        _area_light(
            "window",
            at(azimuth, elevation, rng.uniform(70, 120)),
            frame.target,
            size,
            3.0,
            rgb,
            "RECTANGLE",
            1.4,
        )
    if kind == "lamp":
        _area_light(
            "lamp", at(azimuth, elevation, 45), frame.target, float(rng.uniform(5, 14)), 3.0, rgb, "DISK"
        )
    if kind == "mixed":
        warm = light_rgb(setting.second_cct_k)
        _area_light("second", at(180 - azimuth, elevation * 0.7, 50), frame.target, 12.0, 1.6, warm, "DISK")
    if kind == "single":
        _area_light("single", at(azimuth, elevation, 14 * r), frame.target, 1.2 * r, 3.0, rgb, "DISK")
    if kind == "flash":
        place = frame.place + frame.right * rng.uniform(-2, 2) + frame.up * rng.uniform(1.0, 2.5)
        _area_light("flash", place, frame.target, 0.5, 3.0, rgb, "DISK")


def compose(subject: Subject, setting: Setting) -> tuple[Frame, Reference | None]:
    """Build all of the scene round a subject that is already there."""
    rng = np.random.default_rng(setting.scene_seed)
    axes = view_axes(subject, setting)
    surroundings, objects, lights, card = rng.spawn(4)
    reference = None
    if setting.reference is not None:
        reference = build_reference(
            subject, axes, setting.reference, setting.reference_size, setting.reference_cut, card
        )
    frame = place_camera(subject, setting, reference)
    build_surroundings(subject, setting.background, surroundings)
    build_clutter(subject, setting.clutter, frame, reference, objects)
    build_lights(subject, setting, frame, lights)
    return frame, reference


def _cycles(samples: int, denoise: bool) -> None:
    scene = bpy.context.scene
    keep = bool(os.environ.get("RENDER_KEEP", ""))
    scene.render.engine = "CYCLES"
    cycles = scene.cycles
    cycles.device = device.choose()
    cycles.samples = samples
    cycles.use_adaptive_sampling = denoise
    cycles.adaptive_threshold = 0.03
    cycles.use_denoising = denoise
    cycles.seed = 1
    cycles.max_bounces = 6 if denoise else 0
    cycles.diffuse_bounces = 3
    cycles.glossy_bounces = 3
    cycles.transmission_bounces = 2
    cycles.sample_clamp_indirect = 6.0
    cycles.caustics_reflective = cycles.caustics_refractive = False
    scene.render.resolution_percentage = 100
    threads = int(os.environ.get("RENDER_THREADS", "0"))
    if threads:
        scene.render.threads_mode, scene.render.threads = "FIXED", threads
    scene.render.use_persistent_data = keep
    scene.view_settings.view_transform = "Raw"
    scene.view_settings.look = "None"
    scene.sequencer_colorspace_settings.name = "Linear Rec.709"
    scene.render.film_transparent = False
    scene.render.use_compositing = False
    scene.render.use_sequencer = False
    scene.render.use_file_extension = True


#: Rows from, rows to, columns from, columns to: a part of a picture.
Window = tuple[int, int, int, int]


def _render_pixels(width: int, height: int, window: Window | None = None) -> NDArray[np.float32]:
    scene = bpy.context.scene
    scene.render.resolution_x, scene.render.resolution_y = width, height
    scene.render.use_border = scene.render.use_crop_to_border = window is not None
    if window is not None:
        top, bottom, left, right = window
        # A tenth of a pixel more: Blender cuts these shares of the picture down to whole pixels.
        scene.render.border_min_x = (left + 0.1) / width
        scene.render.border_max_x = (right + 0.1) / width
        scene.render.border_min_y = (height - bottom + 0.1) / height
        scene.render.border_max_y = (height - top + 0.1) / height
        width, height = right - left, bottom - top
    scene.render.image_settings.file_format = "OPEN_EXR"
    scene.render.image_settings.color_depth = "32"
    scene.render.image_settings.color_mode = "RGB"
    scene.render.image_settings.exr_codec = "ZIP"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "out.exr"
        scene.render.filepath = str(path)
        bpy.ops.render.render(write_still=True)
        image = bpy.data.images.load(str(path))
        image.colorspace_settings.name = "Non-Color"
        pixels = np.empty(width * height * 4, np.float32)
        image.pixels.foreach_get(pixels)
        bpy.data.images.remove(image)
    return np.ascontiguousarray(pixels.reshape(height, width, 4)[::-1, :, :3])


def render_linear(setting: Setting, samples: int, window: Window | None = None) -> NDArray[np.float32]:
    """Path-trace the picture: (h, w, 3) linear Rec.709, row 0 on top, at ``render_scale``.

    ``window`` is the part of the picture at that scale that is wanted, None for all of it.
    """
    _cycles(samples, denoise=True)
    cycles = bpy.context.scene.cycles
    cycles.pixel_filter_type = "BLACKMAN_HARRIS"
    cycles.filter_width = 1.5
    bpy.context.scene.camera.data.dof.use_dof = setting.aperture_cm > 0
    width, height = (max(8, round(v * setting.render_scale)) for v in (setting.width, setting.height))
    return _render_pixels(width, height, window)


def _flat(material: bpy.types.Material | None) -> bpy.types.Material:
    flat = bpy.data.materials.new("flat")
    flat.use_nodes = True
    flat["is_flat"] = True
    tree = flat.node_tree
    tree.nodes.clear()
    out = tree.nodes.new("ShaderNodeOutputMaterial")
    emission = tree.nodes.new("ShaderNodeEmission")
    tree.links.new(emission.outputs[0], out.inputs[0])
    get = (lambda key, rest: rest) if material is None else material.get
    join = tree.nodes.new("ShaderNodeCombineColor")
    tree.links.new(join.outputs[0], emission.inputs["Color"])
    for socket, key, rest in (("Red", "class_id", 19), ("Green", "part_id", 0), ("Blue", "aux_id", 0)):
        join.inputs[socket].default_value = get(key, rest) / 255
    name = get("class_image", None)
    split = None
    if name is not None:
        texture = tree.nodes.new("ShaderNodeTexImage")
        texture.image = bpy.data.images[name]
        texture.interpolation = "Closest"
        texture.extension = "EXTEND"
        split = tree.nodes.new("ShaderNodeSeparateColor")
        tree.links.new(texture.outputs["Color"], split.inputs[0])
        for socket in ("Red", "Green", "Blue"):
            tree.links.new(split.outputs[socket], join.inputs[socket])
    # An object's pass index is added to the part, so that copies which share materials can be told apart.
    info = tree.nodes.new("ShaderNodeObjectInfo")
    index = tree.nodes.new("ShaderNodeMath")
    index.operation = "MULTIPLY_ADD"
    index.inputs[1].default_value = 1 / 255
    index.inputs[2].default_value = get("part_id", 0) / 255
    tree.links.new(info.outputs["Object Index"], index.inputs[0])
    if split is not None:
        tree.links.new(split.outputs["Green"], index.inputs[2])
    tree.links.new(index.outputs[0], join.inputs["Green"])
    return flat


def flatten() -> None:
    """Swap every material for the flat one of its mask numbers; the picture itself is lost."""
    flats: dict[str, bpy.types.Material] = {}
    for obj in bpy.context.scene.objects:
        if obj.type not in ("MESH", "CURVE", "CURVES", "FONT", "META", "SURFACE"):
            continue
        if not obj.material_slots:
            obj.data.materials.append(_flat(None))
            continue
        for slot in obj.material_slots:
            if slot.material is not None and slot.material.get("is_flat", False):
                continue
            key = slot.material.name if slot.material else ""
            if key not in flats:
                flats[key] = _flat(slot.material)
            slot.material = flats[key]
    bpy.context.scene.world = None


def render_masks(
    setting: Setting, window: Window | None = None
) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]:
    """Render class, part and aux number of every pixel of the JPEG; the scene must be flattened.

    ``window`` is the part of the JPEG that is wanted, None for all of it.
    """
    _cycles(1, denoise=False)
    cycles = bpy.context.scene.cycles
    cycles.pixel_filter_type = "BOX"
    cycles.filter_width = 0.01
    bpy.context.scene.camera.data.dof.use_dof = False
    ids = np.asarray(_render_pixels(setting.width, setting.height, window) * 255 + 0.5, np.uint8)
    classes = np.where(ids[..., 0] == 0, 19, ids[..., 0]).astype(np.uint8)
    return classes, ids[..., 1], ids[..., 2]


def light_on_gray(setting: Setting, samples: int = 24) -> NDArray[np.float32]:
    """Render the scene small with matte gray instead of all materials: (h, w, 3), long side 160 px.

    Its color is that of the light as it falls on things, also when two lights of different color mix.
    """
    gray = bpy.data.materials.new("gray")
    gray.use_nodes = True
    bsdf = gray.node_tree.nodes["Principled BSDF"]
    bsdf.inputs["Base Color"].default_value = (0.18, 0.18, 0.18, 1)
    bsdf.inputs["Specular IOR Level"].default_value = 0.0
    layer = bpy.context.view_layer
    layer.material_override = gray
    _cycles(samples, denoise=True)
    scale = 160 / max(setting.width, setting.height)
    pixels = _render_pixels(round(setting.width * scale), round(setting.height * scale))
    layer.material_override = None
    return pixels
