"""Tables, backdrops and clutter."""

from __future__ import annotations

import math
from typing import Any

import bpy
import numpy as np
from numpy.random import Generator

from sample_images.blend import mesh_object, set_class
from sample_images.subject import Subject
from sample_images.truth import hex_to_linear

KINDS = ("wood", "cloth", "paper", "carpet", "tile", "dark")

_COLORS = {
    "wood": ("#8a5a34", "#b98a5a", "#5d3b24", "#caa677", "#a0744e"),
    "cloth": ("#d8d2c4", "#7d8ea3", "#a5555a", "#5e7a62", "#e6dcd0", "#3f4a5c", "#c9a9b4"),
    "paper": ("#efece4", "#e3d9c2", "#b8906a", "#f4f4f2", "#c9d4d9"),
    "carpet": ("#8d7f6e", "#6a7480", "#9b8d92", "#70604e"),
    "tile": ("#cfcac2", "#9fa6a3", "#e5e2da"),
    "dark": ("#1d1d20", "#2a2430", "#222b2a"),
}


def _node(tree: Any, kind: str, **inputs: Any) -> Any:
    node = tree.nodes.new(kind)
    for key, value in inputs.items():
        node.inputs[key.replace("_", " ")].default_value = value
    return node


def _mix(tree: Any, factor: Any, a: Any, b: Any) -> Any:
    node = tree.nodes.new("ShaderNodeMix")
    node.data_type = "RGBA"
    tree.links.new(factor, node.inputs["Factor"])
    node.inputs["A"].default_value, node.inputs["B"].default_value = (*a, 1.0), (*b, 1.0)
    return node.outputs["Result"]


def surface(name: str, kind: str, rng: Generator, class_name: str = "background") -> bpy.types.Material:
    """Return a procedural material of a table or backdrop; the mapping is in object centimeters."""
    material = bpy.data.materials.new(name)
    material.use_nodes = True
    tree = material.node_tree
    bsdf = tree.nodes["Principled BSDF"]
    base = np.array(hex_to_linear(str(rng.choice(_COLORS[kind])))) * rng.uniform(0.75, 1.15)
    base = np.clip(base, 0, 0.92)
    coords = tree.nodes.new("ShaderNodeTexCoord")
    mapping = tree.nodes.new("ShaderNodeMapping")
    mapping.inputs["Location"].default_value = tuple(rng.uniform(-50, 50, 3))
    mapping.inputs["Rotation"].default_value = (0, 0, float(rng.uniform(0, 6.28)))
    tree.links.new(coords.outputs["Object"], mapping.inputs["Vector"])
    vector = mapping.outputs["Vector"]
    bump_height, bump_strength, bump_distance = None, 0.2, 0.05
    if kind == "wood":
        stretch = tree.nodes.new("ShaderNodeMapping")
        stretch.inputs["Scale"].default_value = (0.05, 0.9, 0.9)
        tree.links.new(vector, stretch.inputs["Vector"])
        noise = _node(tree, "ShaderNodeTexNoise", Scale=2.2, Detail=10.0, Distortion=0.6)
        tree.links.new(stretch.outputs["Vector"], noise.inputs["Vector"])
        color = _mix(tree, noise.outputs["Fac"], base * 0.45, np.clip(base * 1.5, 0, 0.9))
        bump_height, bump_strength = noise.outputs["Fac"], 0.12
        bsdf.inputs["Roughness"].default_value = float(rng.uniform(0.3, 0.6))
    elif kind == "cloth":
        waves = []
        for direction in ("X", "Y"):
            wave = _node(
                tree, "ShaderNodeTexWave", Scale=float(rng.uniform(7, 11)), Distortion=0.6, Detail=1.0
            )
            wave.bands_direction = direction
            tree.links.new(vector, wave.inputs["Vector"])
            waves.append(wave)
        weave = tree.nodes.new("ShaderNodeMath")
        weave.operation = "MAXIMUM"
        tree.links.new(waves[0].outputs["Fac"], weave.inputs[0])
        tree.links.new(waves[1].outputs["Fac"], weave.inputs[1])
        if rng.uniform() < 0.4:
            check = _node(tree, "ShaderNodeTexChecker", Scale=float(rng.uniform(0.3, 1.2)))
            tree.links.new(vector, check.inputs["Vector"])
            color = _mix(tree, check.outputs["Fac"], base, np.clip(base * rng.uniform(0.4, 1.6), 0, 0.85))
        else:
            color = _mix(tree, weave.outputs["Value"], base * 0.6, base)
        bump_height, bump_strength, bump_distance = weave.outputs["Value"], 0.5, 0.03
        bsdf.inputs["Roughness"].default_value = 0.95
    elif kind == "carpet":
        noise = _node(tree, "ShaderNodeTexNoise", Scale=6.0, Detail=8.0, Roughness=0.8)
        tree.links.new(vector, noise.inputs["Vector"])
        color = _mix(tree, noise.outputs["Fac"], base * 0.25, np.clip(base * 1.6, 0, 0.85))
        bump_height, bump_strength, bump_distance = noise.outputs["Fac"], 1.0, 0.4
        bsdf.inputs["Roughness"].default_value = 1.0
    elif kind == "tile":
        brick = tree.nodes.new("ShaderNodeTexBrick")
        brick.inputs["Scale"].default_value = float(rng.uniform(0.05, 0.12))
        brick.inputs["Color1"].default_value = (*base, 1.0)
        brick.inputs["Color2"].default_value = (*(base * 0.92), 1.0)
        brick.inputs["Mortar"].default_value = (*(base * 0.4), 1.0)
        tree.links.new(vector, brick.inputs["Vector"])
        color = brick.outputs["Color"]
        bsdf.inputs["Roughness"].default_value = float(rng.uniform(0.15, 0.4))
    else:
        noise = _node(tree, "ShaderNodeTexNoise", Scale=14.0, Detail=6.0)
        tree.links.new(vector, noise.inputs["Vector"])
        color = _mix(tree, noise.outputs["Fac"], base * 0.94, np.clip(base * 1.06, 0, 0.95))
        bump_height, bump_strength, bump_distance = noise.outputs["Fac"], 0.15, 0.02
        bsdf.inputs["Roughness"].default_value = float(rng.uniform(0.6, 0.95))
    tree.links.new(color, bsdf.inputs["Base Color"])
    if bump_height is not None:
        bump = _node(tree, "ShaderNodeBump", Strength=bump_strength, Distance=bump_distance)
        tree.links.new(bump_height, bump.inputs["Height"])
        tree.links.new(bump.outputs["Normal"], bsdf.inputs["Normal"])
    return set_class(material, class_name)


def build_surroundings(subject: Subject, kind: str, rng: Generator) -> None:
    """Make the table, and for a standing or held subject a backdrop behind it."""
    z = subject.floor_z
    half = 120.0
    tx, ty = subject.target[0], subject.target[1]
    if subject.support != "held":
        corners = np.array([[-half, -half, 0], [half, -half, 0], [half, half, 0], [-half, half, 0]])
        corners = corners + np.array([tx, ty, z])
        mesh_object("table", corners, [(0, 1, 2, 3)], None, surface("table", kind, rng), smooth=False)
    if subject.support == "lying":
        return
    back = np.array([*subject.view_dir[:2], 0.0])
    back = back / max(np.linalg.norm(back), 1e-6)
    side = np.array([-back[1], back[0], 0.0])
    turn = rng.uniform(-0.35, 0.35)
    side = math.cos(turn) * side + math.sin(turn) * back
    center = np.array([tx, ty, z - 60]) - back * rng.uniform(2.5, 14) * subject.radius
    up = np.array([0, 0, 1.0])
    corners = np.array(
        [
            center - side * 150,
            center + side * 150,
            center + side * 150 + up * 200,
            center - side * 150 + up * 200,
        ]
    )
    wall_kind = str(rng.choice(["paper", "cloth", "cloth", "dark", "paper", "wood"]))
    mesh_object("wall", corners, [(0, 1, 2, 3)], None, surface("wall", wall_kind, rng), smooth=False)


def clutter_object(rng: Generator, size: float) -> bpy.types.Object:
    """Return one random thing (box, book, ball, ring, pencil, …) about ``size`` cm large."""
    material = bpy.data.materials.new("clutter")
    material.use_nodes = True
    bsdf = material.node_tree.nodes["Principled BSDF"]
    hue = rng.uniform(0, 1)
    chroma, value = rng.uniform(0, 0.75), rng.uniform(0.05, 0.75)
    rgb = value * (1 - chroma * (0.5 + 0.5 * np.cos(2 * np.pi * (hue + np.array([0, 1 / 3, 2 / 3])))))
    bsdf.inputs["Base Color"].default_value = (*map(float, rgb), 1.0)
    bsdf.inputs["Roughness"].default_value = float(rng.uniform(0.15, 0.9))
    bsdf.inputs["Metallic"].default_value = float(rng.uniform() < 0.15)
    set_class(material, "background")
    kind = str(rng.choice(["box", "book", "cylinder", "ball", "ring", "pencil", "disc"]))
    if kind in ("box", "book"):
        bpy.ops.mesh.primitive_cube_add(size=1)
        dims = rng.uniform(0.4, 1.2, 3) if kind == "box" else np.array([1.5, 1.1, rng.uniform(0.1, 0.35)])
    elif kind == "cylinder":
        bpy.ops.mesh.primitive_cylinder_add(radius=0.5, depth=1, vertices=48)
        dims = np.array([1, 1, 1.0]) * np.array([*([rng.uniform(0.4, 1.0)] * 2), rng.uniform(0.4, 1.3)])
    elif kind == "ball":
        bpy.ops.mesh.primitive_uv_sphere_add(radius=0.5, segments=48, ring_count=24)
        dims = np.ones(3) * rng.uniform(0.3, 0.8)
    elif kind == "ring":
        bpy.ops.mesh.primitive_torus_add(major_radius=0.4, minor_radius=0.09)
        dims = np.ones(3) * rng.uniform(0.4, 1.0)
    elif kind == "pencil":
        bpy.ops.mesh.primitive_cylinder_add(radius=0.06, depth=2.4, vertices=6, rotation=(0, math.pi / 2, 0))
        bpy.ops.object.transform_apply(rotation=True)
        dims = np.ones(3)
    else:
        bpy.ops.mesh.primitive_cylinder_add(radius=0.4, depth=0.06, vertices=64)
        dims = np.ones(3) * rng.uniform(0.5, 1.0)
    obj = bpy.context.object
    obj.scale = tuple(float(v) for v in dims * size)
    if kind not in ("box", "book"):
        for polygon in obj.data.polygons:
            polygon.use_smooth = kind in ("ball", "ring")
    else:
        bevel = obj.modifiers.new("bevel", "BEVEL")
        bevel.width = 0.03
        bevel.segments = 2
    obj.data.materials.append(material)
    return obj


def build_clutter(subject: Subject, count: int, frame: Any, reference: Any, rng: Generator) -> None:
    """Scatter things round the subject, never between it and the camera nor over the reference."""
    if subject.support == "held":
        return
    r = subject.radius
    taken = [] if reference is None else [reference.corners.mean(0)]
    target = np.asarray(subject.target, float)
    for _ in range(count):
        size = float(r * rng.uniform(0.3, 0.85))
        for _ in range(20):
            angle, distance = rng.uniform(0, 2 * math.pi), r * rng.uniform(1.15, 2.6) + size * 0.8
            place = np.array(
                [
                    target[0] + math.cos(angle) * distance,
                    target[1] + math.sin(angle) * distance,
                    subject.floor_z,
                ]
            )
            offset = place - target
            toward_camera = float(np.dot(offset, frame.back))
            if subject.support == "standing" and toward_camera > 0.1 * r:
                continue
            if all(np.linalg.norm(place[:2] - t[:2]) > 1.3 * r for t in taken):
                break
        else:
            continue
        obj = clutter_object(rng, size)
        obj.rotation_euler = (0, 0, float(rng.uniform(0, 6.28)))
        bpy.context.view_layer.update()
        low = min((obj.matrix_world @ v.co).z for v in obj.data.vertices)
        obj.location = (place[0], place[1], subject.floor_z - low + 0.001)
        taken.append(place)
