"""Solid modeling with signed distances: smooth unions, clean cuts, and a mesh of the result.

Doll parts are molded: everything blends, nothing has a hard edge unless something cut it. Signed distance
fields give both with one line each, and a hole in a field is a real hole in the mesh.

Lengths are those of the subject's own frame. Fields are float32 arrays over a grid, negative inside.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.floating[Any]]
Vec = Sequence[float] | NDArray[Any]


@dataclass(frozen=True)
class Grid:
    """A box of sample points, possibly with uneven spacing, as three broadcastable coordinate arrays."""

    xs: Field
    ys: Field
    zs: Field

    @classmethod
    def box(cls, low: Vec, high: Vec, step: float) -> Grid:
        """Build an even grid over a box."""
        axes = [np.arange(a, b + step, step, dtype=np.float32) for a, b in zip(low, high, strict=True)]
        return cls(*axes)

    @property
    def xyz(self) -> tuple[Field, Field, Field]:
        """Coordinates of shape (nx, 1, 1), (1, ny, 1), (1, 1, nz)."""
        return self.xs[:, None, None], self.ys[None, :, None], self.zs[None, None, :]


def ellipsoid(grid: Grid, center: Vec, radii: Vec) -> Field:
    """Return the (approximate) distance to an axis-parallel ellipsoid."""
    x, y, z = grid.xyz
    dx, dy, dz = x - center[0], y - center[1], z - center[2]
    a, b, c = radii
    k0 = np.sqrt((dx / a) ** 2 + (dy / b) ** 2 + (dz / c) ** 2)
    k1 = np.sqrt((dx / a**2) ** 2 + (dy / b**2) ** 2 + (dz / c**2) ** 2)
    return (k0 * (k0 - 1) / np.maximum(k1, 1e-6)).astype(np.float32)


def capsule(grid: Grid, start: Vec, end: Vec, r_start: float, r_end: float, squash: Vec = (1, 1, 1)) -> Field:
    """Return the distance to a tapering rod; ``squash`` scales its cross-section by axis (< 1 is flatter)."""
    x, y, z = grid.xyz
    s = np.asarray(squash, float)
    a, b = np.asarray(start, float), np.asarray(end, float)
    dx, dy, dz = x - a[0], y - a[1], z - a[2]
    ux, uy, uz = b - a
    t = np.clip((dx * ux + dy * uy + dz * uz) / float(ux * ux + uy * uy + uz * uz), 0, 1)
    gap = np.sqrt(((dx - t * ux) / s[0]) ** 2 + ((dy - t * uy) / s[1]) ** 2 + ((dz - t * uz) / s[2]) ** 2)
    return ((gap - (r_start + t * (r_end - r_start))) * float(s.min())).astype(np.float32)


def union(a: Field, b: Field, blend: float) -> Field:
    """Join two solids; the seam is filled over a width of ``blend`` (polynomial smooth minimum)."""
    h = np.maximum(blend - np.abs(a - b), 0) / max(blend, 1e-6)
    return np.minimum(a, b) - h * h * blend * 0.25


def cut(a: Field, b: Field, blend: float) -> Field:
    """Take solid ``b`` away from ``a``; the rim is rounded over a width of ``blend``."""
    return -union(-a, b, blend)


def join(parts: Sequence[Field], blend: float) -> Field:
    """Join several solids with one blend."""
    total = parts[0]
    for part in parts[1:]:
        total = union(total, part, blend)
    return total


def surface(field: Field, grid: Grid) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Mesh the zero level by surface nets (one vertex a crossed cell, one quad a crossed edge).

    Returns
    -------
    vertices (N, 3) and quads (M, 4), counterclockwise seen from outside.

    Notes
    -----
    After Gibson, "Constrained elastic surface nets" (1998), without the relaxation step; from memory.
    """
    inside = field < 0
    corners = [(i, j, k) for i in (0, 1) for j in (0, 1) for k in (0, 1)]
    n = np.array(field.shape) - 1
    views = {c: tuple(slice(o, o + m) for o, m in zip(c, n, strict=True)) for c in corners}
    count = sum(inside[views[c]].astype(np.int8) for c in corners)
    cells = np.argwhere((count > 0) & (count < 8))
    values = {c: field[tuple((cells + c).T)] for c in corners}
    total = np.zeros((len(cells), 3))
    crossings = np.zeros(len(cells))
    for c in corners:
        for axis in range(3):
            if c[axis]:
                continue
            d = tuple(v + (a == axis) for a, v in enumerate(c))
            va, vb = values[c], values[d]
            hit = (va < 0) != (vb < 0)
            t = np.where(hit, va / np.where(hit, va - vb, 1), 0)
            point = np.tile(np.array(c, float), (len(cells), 1))
            point[:, axis] = t
            total += point * hit[:, None]
            crossings += hit
    local = cells + total / crossings[:, None]
    axes = (grid.xs, grid.ys, grid.zs)
    vertices = np.stack([np.interp(local[:, i], np.arange(len(axes[i])), axes[i]) for i in range(3)], axis=1)
    index = np.full(tuple(n), -1, np.int64)
    index[tuple(cells.T)] = np.arange(len(cells))
    return vertices, _quads(inside, index)


def _quads(inside: NDArray[np.bool_], index: NDArray[np.int64]) -> NDArray[np.int64]:
    """Join the four cells round each crossed grid edge."""
    quads = []
    for axis in range(3):
        u, v = (axis + 1) % 3, (axis + 2) % 3
        lower = np.take(inside, range(inside.shape[axis] - 1), axis=axis)
        upper = np.take(inside, range(1, inside.shape[axis]), axis=axis)
        edges = np.argwhere(lower != upper)
        edges = edges[(edges[:, u] > 0) & (edges[:, v] > 0)]
        edges = edges[(edges[:, u] < index.shape[u]) & (edges[:, v] < index.shape[v])]
        offset_u, offset_v = np.eye(3, dtype=int)[u], np.eye(3, dtype=int)[v]
        ring = [edges - offset_u - offset_v, edges - offset_v, edges, edges - offset_u]
        quad = np.stack([index[tuple(r.T)] for r in ring], axis=1)
        outward = lower[tuple(edges.T)]
        quads.append(np.where(outward[:, None], quad, quad[:, ::-1]))
    joined = np.concatenate(quads)
    return joined[(joined >= 0).all(axis=1)]


def ring_noise(rng: np.random.Generator, harmonics: Sequence[int], rough: float) -> Callable[[Field], Field]:
    """Return a smooth periodic function of an angle: unit-size waves, higher ones damped by ``rough``."""
    amplitude = rng.normal(size=len(harmonics)) * np.array([h ** (-rough) for h in harmonics])
    phase = rng.uniform(0, 2 * np.pi, len(harmonics))

    def wave(angle: Field) -> Field:
        terms = (a * np.sin(h * angle + p) for a, h, p in zip(amplitude, harmonics, phase, strict=True))
        return np.asarray(sum(terms), np.float32)

    return wave


def value_noise(rng: np.random.Generator, shape: tuple[int, int], cells: int, octaves: int = 4) -> Field:
    """Return smooth two-dimensional noise, zero mean and unit spread; ``cells`` lattice cells a side."""
    total = np.zeros(shape, np.float32)
    for octave in range(octaves):
        n = cells * 2**octave
        lattice = rng.normal(size=(n + 1, n + 1)).astype(np.float32)
        total += _upsample(lattice, shape) * 0.5**octave
    total -= total.mean()
    return total / max(float(total.std()), 1e-6)


def _upsample(lattice: Field, shape: tuple[int, int]) -> Field:
    """Interpolate a lattice smoothly to a shape."""
    for axis, size in enumerate(shape):
        position = np.linspace(0, lattice.shape[axis] - 1.001, size)
        base = position.astype(int)
        t = (position - base).astype(np.float32)
        t = t * t * (3 - 2 * t)
        t = t.reshape((-1, 1) if axis == 0 else (1, -1))
        lattice = np.take(lattice, base, axis) * (1 - t) + np.take(lattice, base + 1, axis) * t
    return lattice
