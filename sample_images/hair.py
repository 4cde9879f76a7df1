"""Doll hair as native strands: swept to a ponytail, with a curly, firm or single-curl fringe, or loose."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from sample_images.blend import set_class
from sample_images.head_shape import HeadShape, hairline, surface_points

#: Name → linear color.
COLORS = {
    "blonde": (0.50, 0.32, 0.13),
    "brunette": (0.05, 0.022, 0.011),
    "titian": (0.26, 0.07, 0.02),
    "black": (0.012, 0.010, 0.010),
    "ash": (0.40, 0.30, 0.19),
}


def hair_material(color: Any, seed: float) -> bpy.types.Material:
    """Return a material for synthetic doll hair: glossy, each strand a little different."""
    material = bpy.data.materials.new("hair")
    material.use_nodes = True
    tree = material.node_tree
    bsdf = tree.nodes["Principled BSDF"]
    info = tree.nodes.new("ShaderNodeHairInfo")
    spread = tree.nodes.new("ShaderNodeMapRange")
    spread.inputs["To Min"].default_value, spread.inputs["To Max"].default_value = 0.6, 1.35
    tree.links.new(info.outputs["Random"], spread.inputs["Value"])
    scaled = tree.nodes.new("ShaderNodeVectorMath")
    scaled.operation = "SCALE"
    scaled.inputs[0].default_value = tuple(map(float, color))
    tree.links.new(spread.outputs["Result"], scaled.inputs["Scale"])
    tree.links.new(scaled.outputs["Vector"], bsdf.inputs["Base Color"])
    bsdf.inputs["Roughness"].default_value = 0.38
    bsdf.inputs["Specular IOR Level"].default_value = 0.6
    return set_class(material, "hair")


def strands_object(
    name: str, strands: NDArray[Any], radius: float, material: bpy.types.Material
) -> bpy.types.Object:
    """Make and link strands.

    Parameters
    ----------
    strands
        (N, K, 3) points in cm, root first.
    radius
        At the root, cm; tips are half as thick.
    """
    n, k = strands.shape[:2]
    data = bpy.data.hair_curves.new(name)
    data.add_curves([k] * n)
    data.position_data.foreach_set("vector", np.ascontiguousarray(strands, np.float32).ravel())
    attribute = data.attributes.get("radius") or data.attributes.new("radius", "FLOAT", "POINT")
    values = np.tile(np.linspace(radius, 0.5 * radius, k, dtype=np.float32), n)
    attribute.data.foreach_set("value", values)
    data.materials.append(material)
    obj = bpy.data.objects.new(name, data)
    bpy.context.scene.collection.objects.link(obj)
    return obj


def _roots(rng: Generator, count: int) -> tuple[NDArray[Any], NDArray[Any]]:
    t = 1 - rng.uniform(0, 1, 4 * count) * 1.75
    phi = rng.uniform(-np.pi, np.pi, 4 * count)
    keep = t > hairline(phi) + 0.01
    return t[keep][:count], phi[keep][:count]


def swept_back(shape: HeadShape, rng: Generator, count: int, tie_t: float = 0.35) -> NDArray[Any]:
    """Strands along the scalp from all roots to the tie at the back, then down as a ponytail."""
    t, phi = _roots(rng, count)
    root = surface_points(shape, t, phi, 0.0)
    k = np.linspace(0, 1, 10)
    tie = surface_points(shape, tie_t, np.pi, 0.28)
    # on the sphere of directions, from the root to the tie
    a = root / np.linalg.norm(root, axis=1, keepdims=True)
    b = tie / np.linalg.norm(tie)
    along = a[:, None] * (1 - k)[None, :, None] + b * k[None, :, None]
    along = along / np.linalg.norm(along, axis=2, keepdims=True)
    height = np.clip(along[..., 2] * np.linalg.norm(root, axis=1)[:, None] / (shape.height / 2), -0.99, 0.99)
    azimuth = np.arctan2(along[..., 0] / shape.width, -along[..., 1] / shape.depth)
    lift = 0.03 + rng.uniform(0, 0.1, (len(t), 1)) * np.sin(np.pi * np.minimum(k + 0.15, 1))[None]
    path = surface_points(shape, height, azimuth, lift)
    path[:, 0] = root
    path[:, -1] = tie + rng.normal(0, 0.09, (len(t), 3))
    tail_k = np.linspace(0, 1, 14)[1:]
    swing = rng.normal(0, 0.35, (len(t), 1))
    length = rng.uniform(3.2, 4.6, (len(t), 1))
    out = 0.8 * np.sin(np.pi * np.minimum(tail_k * 1.1, 1))[None]
    curl = 0.25 * np.sin(6 * tail_k)[None] * tail_k
    tail = path[:, -1:, :] + np.stack(
        [
            swing * tail_k + curl,
            0.5 + out * rng.uniform(0.8, 1.3, (len(t), 1)),
            0.35 * np.sin(np.pi * tail_k) - length * tail_k**1.4,
        ],
        -1,
    )
    return np.concatenate([path, tail], axis=1)


def loose(shape: HeadShape, rng: Generator, count: int) -> NDArray[Any]:
    """Strands that fall from a middle parting past the ears to the shoulders."""
    t, phi = _roots(rng, count)
    root = surface_points(shape, t, phi, 0.0)
    side = np.where(root[:, 0] >= 0, 1.0, -1.0)
    k = np.linspace(0, 1, 22)
    goal = np.clip(np.abs(phi), 1.15, np.pi) * side
    swing = np.minimum(k * 2.2, 1)
    azimuth = phi[:, None] * (1 - swing) + goal[:, None] * swing
    low = rng.uniform(-1.5, -1.15, (len(t), 1))
    height = t[:, None] + (low - t[:, None]) * k**1.2
    lift = 0.05 + rng.uniform(0.02, 0.2, (len(t), 1)) * np.minimum(k * 3, 1)
    on_head = surface_points(shape, np.clip(height, -0.35, 0.99), azimuth, lift)
    fall = np.minimum(height + 0.35, 0) * shape.height / 2
    on_head[..., 2] += fall
    wave = 0.08 * np.sin(9 * k + rng.uniform(0, 0.8, (len(t), 1)))
    on_head[..., 0] += wave * np.minimum(k * 2, 1)
    on_head[:, 0] = root
    return on_head


def fringe(shape: HeadShape, rng: Generator, style: str, locks: int = 60, per_lock: int = 90) -> NDArray[Any]:
    """Strands on the forehead: ``curly`` (soft spirals), ``firm`` (a smooth roll) or ``single_curl``."""
    k = np.linspace(0, 1, 26)
    out = []
    if style == "single_curl":
        locks, per_lock = 3, 160
    for i in range(locks):
        phi = rng.uniform(-0.8, 0.8) if style != "single_curl" else rng.normal(0, 0.12)
        if style == "firm":
            phi = -0.85 + 1.7 * (i + 0.5) / locks
        t0 = hairline(phi) + rng.uniform(0.0, 0.2)
        drop = {"curly": rng.uniform(0.22, 0.45), "firm": 0.34, "single_curl": 0.3}[style]
        radius = {"curly": rng.uniform(0.09, 0.17), "firm": 0.16, "single_curl": 0.26}[style]
        turns = {"curly": rng.uniform(1.2, 2.4), "firm": 0.7, "single_curl": 1.2}[style]
        phase = rng.uniform(0, 6.28) if style == "curly" else np.pi / 2
        spread = rng.normal(0, 0.035 if style == "curly" else 0.05, (per_lock, 1))
        roots_phi = phi + spread
        height = t0 - drop * k[None] ** 1.1 + rng.normal(0, 0.012, (per_lock, 1))
        lift = 0.05 + radius + rng.normal(0, 0.025, (per_lock, 1)) + 0.05 * k
        angle = phase + 2 * np.pi * turns * k[None] + rng.normal(0, 0.25, (per_lock, 1))
        grow = np.minimum(k * 4, 1)[None] * radius
        if style == "firm":
            height = (
                t0
                - drop * np.sin(np.minimum(k * 1.7, 1) * np.pi / 2)[None]
                + 0.04 * smooth_end(k)[None]
                + rng.normal(0, 0.01, (per_lock, 1))
            )
            lift = (
                0.06
                + 0.24 * np.sin(np.minimum(k * 1.25, 1) * np.pi)[None] ** 0.8
                + rng.normal(0, 0.02, (per_lock, 1))
            )
            path = surface_points(shape, height, roots_phi + 0 * k, lift)
        else:
            path = surface_points(shape, height, roots_phi + 0 * k, lift + grow * np.cos(angle))
            path[..., 0] += grow * np.sin(angle) * 0.9
            path[..., 2] += grow * 0.35 * np.cos(angle + 1.0)
        path[:, 0] = surface_points(shape, np.full(per_lock, t0), roots_phi[:, 0], 0.0)
        out.append(path)
    return np.concatenate(out)


def smooth_end(k: Any) -> NDArray[Any]:
    """0 until 0.6, then up to 1."""
    return np.clip((np.asarray(k) - 0.6) / 0.4, 0, 1) ** 2
