"""Meshes from numpy arrays, smooth implicit shapes and noise."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import bpy
import numpy as np
from PIL import Image

from .hues import Floats


def smoothstep(low: float, high: float, value: Floats | float) -> Floats:
    """Return the cubic 0–1 step between ``low`` and ``high``."""
    t = np.clip((np.asarray(value, float) - low) / (high - low), 0, 1)
    return t * t * (3 - 2 * t)


def soft_union(a: Floats, b: Floats, k: float) -> Floats:
    """Return the polynomial smooth minimum of two distance fields."""
    h = np.clip(0.5 + 0.5 * (b - a) / k, 0, 1)
    return b + (a - b) * h - k * h * (1 - h)


def ellipsoid(p: Floats, center: Sequence[float], radii: Sequence[float]) -> Floats:
    """Return the approximate distance of points (N, 3) to an ellipsoid."""
    q = (p - np.asarray(center)) / np.asarray(radii)
    k0 = np.linalg.norm(q, axis=-1)
    k1 = np.maximum(np.linalg.norm(q / np.asarray(radii), axis=-1), 1e-6)
    return k0 * (k0 - 1) / k1


def capsule(p: Floats, a: Sequence[float], b: Sequence[float], ra: float, rb: float) -> Floats:
    """Return the distance of points (N, 3) to a tapering capsule (radius by the nearest axis point)."""
    start, axis = np.asarray(a, float), np.asarray(b, float) - np.asarray(a, float)
    t = np.clip(((p - start) @ axis) / (axis @ axis), 0, 1)
    return np.linalg.norm(p - start - t[..., None] * axis, axis=-1) - (ra + (rb - ra) * t)


def noise_image(rng: np.random.Generator, size: tuple[int, int], cells: int, octaves: int = 1) -> Floats:
    """Return smooth noise, shape ``size``, about −1…1, ``cells`` across the longer side."""
    rows, cols = size
    out, weight = np.zeros(size, np.float32), 1.0
    for _ in range(octaves):
        n = (max(2, round(cells * rows / max(size))) + 1, max(2, round(cells * cols / max(size))) + 1)
        small = Image.fromarray(rng.normal(0, 0.6, n).astype(np.float32))
        out += weight * np.asarray(small.resize((cols, rows), Image.Resampling.BICUBIC))
        cells, weight = cells * 2, weight * 0.5
    return out


def mesh_object(
    name: str,
    points: Floats,
    quads: np.ndarray[Any, Any],
    uv: Floats | None = None,
    slot: np.ndarray[Any, Any] | None = None,
) -> bpy.types.Object:
    """Return a smooth-shaded mesh linked to the scene.

    ``points`` (N, 3); ``quads`` (M, 4) vertex indices; ``uv`` (M, 4, 2) by corner or (N, 2) by vertex;
    ``slot`` (M,) material slot of each face.
    """
    mesh = bpy.data.meshes.new(name)
    count = len(quads)
    mesh.vertices.add(len(points))
    mesh.vertices.foreach_set("co", np.ascontiguousarray(points, np.float32).ravel())
    mesh.loops.add(count * 4)
    mesh.loops.foreach_set("vertex_index", np.ascontiguousarray(quads, np.int32).ravel())
    mesh.polygons.add(count)
    mesh.polygons.foreach_set("loop_start", np.arange(0, count * 4, 4, dtype=np.int32))
    if slot is not None:
        mesh.polygons.foreach_set("material_index", np.asarray(slot, np.int32))
    mesh.update(calc_edges=True)
    mesh.polygons.foreach_set("use_smooth", np.ones(count, bool))
    if uv is not None:
        corner_uv = uv if uv.ndim == 3 else uv[quads]
        mesh.uv_layers.new(name="uv").data.foreach_set("uv", corner_uv.astype(np.float32).ravel())
    mesh.validate()
    thing = bpy.data.objects.new(name, mesh)
    bpy.context.scene.collection.objects.link(thing)
    return thing


def grid_quads(rows: int, cols: int, wrap: bool) -> np.ndarray[Any, Any]:
    """Return the quads (M, 4) of a grid of ``rows`` × ``cols`` vertices, columns joined when ``wrap``."""
    i, j = np.meshgrid(np.arange(rows - 1), np.arange(cols if wrap else cols - 1), indexing="ij")
    right = (j + 1) % cols
    return np.stack([i * cols + j, i * cols + right, (i + 1) * cols + right, (i + 1) * cols + j], -1).reshape(
        -1, 4
    )


def tube(
    name: str,
    path: Sequence[Sequence[float]],
    radii: Sequence[Sequence[float]],
    around: int = 64,
    steps: int = 80,
    swell: Callable[[Floats, Floats], Floats] | None = None,
) -> bpy.types.Object:
    """Return a closed-ended loft along ``path`` with elliptic sections.

    ``path`` (K, 3) and ``radii`` (K, 2: along x or the first normal, along the second) are smoothed along
    the length; ``swell(theta, t)`` returns a radial factor. UV: u around, v along. Ends are rounded.
    """
    knots = np.linspace(0, 1, len(path))
    t = np.concatenate([[0, 0.0005, 0.002], np.linspace(0.006, 0.994, steps), [0.998, 0.9995, 1]])
    spine = np.stack([cubic(knots, np.asarray(path, float)[:, k], t) for k in range(3)], -1)
    size = np.stack([cubic(knots, np.asarray(radii, float)[:, k], t) for k in range(2)], -1)
    round_off = np.sqrt(np.clip(np.minimum(t, 1 - t) / 0.006, 0, 1))[:, None]
    size = np.maximum(size, 1e-4) * round_off
    tangent = np.gradient(spine, t, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True) + 1e-9
    hint = np.array([1.0, 0.0, 0.0]) if abs(tangent[len(t) // 2, 0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    first = hint - (tangent @ hint)[:, None] * tangent
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    second = np.cross(tangent, first)
    theta = np.linspace(0, 2 * np.pi, around, endpoint=False)
    grow = swell(theta[None, :], t[:, None]) if swell else np.ones((len(t), around))
    offset = (np.cos(theta)[None, :, None] * size[:, None, :1]) * first[:, None] + (
        np.sin(theta)[None, :, None] * size[:, None, 1:]
    ) * second[:, None]
    points = spine[:, None] + offset * grow[..., None]
    quads = grid_quads(len(t), around, wrap=True)
    u = np.concatenate([theta / (2 * np.pi)])
    corner = np.stack([np.broadcast_to(u[None], grow.shape), np.broadcast_to(t[:, None], grow.shape)], -1)
    uv = corner.reshape(-1, 2)[quads].copy()
    seam = (uv[..., 0].max(1) - uv[..., 0].min(1)) > 0.5
    uv[seam, :, 0] = np.where(uv[seam, :, 0] < 0.5, uv[seam, :, 0] + 1, uv[seam, :, 0])
    return mesh_object(name, points.reshape(-1, 3), quads, uv)


def cubic(knots: Floats, values: Floats, t: Floats) -> Floats:
    """Return a monotone-friendly cubic Hermite interpolation of ``values`` at ``knots``."""
    slope = np.gradient(values, knots)
    k = np.clip(np.searchsorted(knots, t, side="right") - 1, 0, len(knots) - 2)
    h = knots[k + 1] - knots[k]
    s = (t - knots[k]) / h
    return (
        (2 * s**3 - 3 * s**2 + 1) * values[k]
        + (s**3 - 2 * s**2 + s) * h * slope[k]
        + (-2 * s**3 + 3 * s**2) * values[k + 1]
        + (s**3 - s**2) * h * slope[k + 1]
    )


def strands(name: str, paths: Floats, radius: float, tip: float = 0.5) -> bpy.types.Object:
    """Return hair curves of ``paths`` (strands, points, 3), tapering to ``tip`` × ``radius``."""
    n, k = paths.shape[:2]
    data = bpy.data.hair_curves.new(name)
    data.add_curves([k] * n)
    data.position_data.foreach_set("vector", np.ascontiguousarray(paths, np.float32).ravel())
    taper = np.tile(np.linspace(1, tip, k), n) * radius
    layer = data.attributes.get("radius") or data.attributes.new("radius", "FLOAT", "POINT")
    layer.data.foreach_set("value", taper.astype(np.float32))
    thing = bpy.data.objects.new(name, data)
    bpy.context.scene.collection.objects.link(thing)
    return thing


def blob(name: str, balls: Sequence[tuple[Sequence[float], float]], voxel: float) -> bpy.types.Object:
    """Return one smooth skin over many balls: spheres joined and remeshed by voxels."""
    import bmesh  # comes with bpy

    build = bmesh.new()
    for center, radius in balls:
        made = bmesh.ops.create_icosphere(build, subdivisions=2, radius=radius)
        bmesh.ops.translate(build, verts=made["verts"], vec=tuple(center))
    mesh = bpy.data.meshes.new(name)
    build.to_mesh(mesh)
    build.free()
    thing = bpy.data.objects.new(name, mesh)
    bpy.context.scene.collection.objects.link(thing)
    remesh = thing.modifiers.new("skin", "REMESH")
    remesh.mode, remesh.voxel_size, remesh.use_smooth_shade = "VOXEL", voxel, True
    smooth = thing.modifiers.new("smooth", "SMOOTH")
    smooth.factor, smooth.iterations = 0.5, 10
    return thing
