"""Geometry of invented doll heads: a head is a grid of points bent by smooth functions of a few numbers.

The head faces ``-y``; its middle is the origin; x to the viewer's right, z up; all lengths in cm.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray


@dataclass(frozen=True)
class HeadShape:
    """Numbers that make one head different from another (cm, all for an about 4.2 cm high head)."""

    height: float = 4.2
    width: float = 3.2
    depth: float = 3.6
    jaw: float = 0.3
    chin: float = 0.12
    cheeks: float = 0.08
    eye_x: float = 0.72
    eye_z: float = -0.12
    eye_a: float = 0.45
    eye_up: float = 0.23
    eye_low: float = 0.14
    eye_tilt: float = 0.12
    nose: float = 0.34
    nose_z: float = -0.72
    nose_width: float = 0.15
    mouth_z: float = -1.22
    lip_half: float = 0.46
    lip_up: float = 0.13
    lip_low: float = 0.16
    lip_bow: float = 0.35
    lip_smile: float = 0.05
    lip_relief: float = 0.1
    open_mouth: float = 0.0

    @classmethod
    def draw(cls, rng: Generator) -> HeadShape:
        """Draw a head at random: long, round or heart-shaped, with larger or smaller features."""
        kind = str(rng.choice(["long", "round", "heart", "oval"]))
        width = {"long": 2.95, "round": 3.45, "heart": 3.35, "oval": 3.15}[kind] * rng.uniform(0.97, 1.03)
        jaw = {"long": 0.26, "round": 0.2, "heart": 0.42, "oval": 0.32}[kind] + rng.uniform(-0.04, 0.04)
        big = rng.uniform(0.85, 1.22)
        eye_z = rng.uniform(-0.25, 0.0)
        nose_z = eye_z - rng.uniform(0.52, 0.66)
        return cls(
            height=4.2 * rng.uniform(0.96, 1.05),
            width=width,
            depth=3.6 * rng.uniform(0.95, 1.05),
            jaw=jaw,
            chin=rng.uniform(0.08, 0.2),
            cheeks=rng.uniform(0.03, 0.13),
            eye_x=0.71 * width / 3.2 * rng.uniform(0.96, 1.06),
            eye_z=eye_z,
            eye_a=0.44 * big,
            eye_up=0.225 * big * rng.uniform(0.85, 1.2),
            eye_low=0.14 * big * rng.uniform(0.8, 1.25),
            eye_tilt=rng.uniform(0.0, 0.24),
            nose=rng.uniform(0.26, 0.4),
            nose_z=nose_z,
            nose_width=rng.uniform(0.12, 0.18),
            mouth_z=nose_z - rng.uniform(0.42, 0.52),
            lip_half=rng.uniform(0.38, 0.54),
            lip_up=rng.uniform(0.11, 0.16),
            lip_low=rng.uniform(0.13, 0.2),
            lip_bow=rng.uniform(0.2, 0.5),
            lip_smile=rng.uniform(0.03, 0.12),
            lip_relief=rng.uniform(0.08, 0.13),
        )


def smooth(x: Any, low: float, high: float) -> NDArray[Any]:
    """Smoothstep from 0 at ``low`` to 1 at ``high`` (either order)."""
    t = np.clip((np.asarray(x) - low) / (high - low), 0, 1)
    return t * t * (3 - 2 * t)


def _bump(x: Any, z: Any, cx: float, cz: float, sx: float, sz: float) -> NDArray[Any]:
    return np.exp(-0.5 * (((x - cx) / sx) ** 2 + ((z - cz) / sz) ** 2))


def eye_frame(shape: HeadShape, side: int, x: Any, z: Any) -> tuple[NDArray[Any], NDArray[Any]]:
    """Coordinates of one eye: u = -1 at its inner and +1 at its outer corner, v in cm above its axis."""
    dx, dz = side * (np.asarray(x) - side * shape.eye_x), np.asarray(z) - shape.eye_z
    c, s = np.cos(shape.eye_tilt), np.sin(shape.eye_tilt)
    return (c * dx + s * dz) / shape.eye_a, c * dz - s * dx


def eye_point(shape: HeadShape, side: int, u: Any, v: Any) -> NDArray[np.float64]:
    """Inverse of :func:`eye_frame`: (N, 2) of x, z."""
    along, v = np.asarray(u, float) * shape.eye_a, np.asarray(v, float)
    c, s = np.cos(shape.eye_tilt), np.sin(shape.eye_tilt)
    return np.stack([side * (shape.eye_x + c * along - s * v), shape.eye_z + s * along + c * v], -1)


def lid_heights(shape: HeadShape, u: Any) -> tuple[NDArray[Any], NDArray[Any]]:
    """Upper (positive) and lower (negative) edge of the eye opening at u, in cm."""
    w = np.clip(1 - np.asarray(u) ** 2, 0, 1)
    return shape.eye_up * w**0.72, -shape.eye_low * w**0.85


def eye_inside(shape: HeadShape, side: int, x: Any, z: Any) -> NDArray[Any]:
    """Signed distance-like number (cm): positive inside the eye opening."""
    u, v = eye_frame(shape, side, x, z)
    up, low = lid_heights(shape, u)
    return np.where(np.abs(u) < 1, np.minimum(up - v, v - low), -0.2 * np.abs(u))


def lip_edges(shape: HeadShape, x: Any) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """z of the upper border, the parting line and the lower border at x; equal outside the mouth."""
    u = np.clip(np.asarray(x) / shape.lip_half, -1, 1)
    parting = shape.mouth_z + shape.lip_smile * u**2 - 0.02 * np.exp(-((u / 0.2) ** 2))
    bow = 1 - shape.lip_bow * np.exp(-((u / 0.16) ** 2))
    upper = parting + shape.lip_up * (1 - np.abs(u) ** 1.7) * bow
    lower = parting - shape.lip_low * (1 - np.abs(u) ** 2.4)
    return upper, parting, lower


def lip_inside(shape: HeadShape, x: Any, z: Any, grow_up: Any = 0.0, grow_low: Any = 0.0) -> NDArray[Any]:
    """Signed distance-like number (cm): positive inside the molded lips (grown by some cm)."""
    x = np.asarray(x)
    upper, _, lower = lip_edges(
        shape, x * shape.lip_half / (shape.lip_half + 0.6 * np.maximum(grow_up, grow_low))
    )
    side = shape.lip_half + 0.6 * np.maximum(grow_up, grow_low) - np.abs(x)
    return np.minimum(np.minimum(upper + grow_up - z, z - lower + grow_low), side)


def _face_relief(shape: HeadShape, x: Any, z: Any) -> NDArray[Any]:
    s = shape
    d = 0.05 * _bump(x, z, 0, s.eye_z + 0.55, 0.8, 0.16)
    for side in (-1, 1):
        ez = s.eye_z
        d = d - 0.15 * _bump(x, z, side * (s.eye_x - 0.1), ez + 0.05, s.eye_a * 0.95, s.eye_up + 0.2)
        inside = eye_inside(s, side, x, z)
        u, v = eye_frame(s, side, x, z)
        up, _ = lid_heights(s, u)
        d = d + 0.11 * np.clip(1 - u**2, 0, 1) * smooth(inside, -0.1, 0.16)
        ridge = np.exp(-(((v - up - 0.035) / 0.035) ** 2)) * np.clip(1.05 - u**2, 0, 1)
        d = d + 0.035 * ridge - 0.03 * smooth(inside, -0.01, 0.02) * np.exp(-((inside / 0.03) ** 2))
        crease = np.exp(-(((v - up - 0.15) / 0.03) ** 2)) * np.clip(0.95 - u**2, 0, 1)
        d = d - 0.02 * crease
        d = d + s.cheeks * _bump(x, z, side * (s.eye_x + 0.08), s.nose_z - 0.02, 0.42, 0.36)
        d = d + 0.1 * _bump(x, z, side * s.nose_width, s.nose_z - 0.06, 0.075, 0.08)
        d = d - 0.05 * _bump(x, z, side * s.nose_width * 0.52, s.nose_z - 0.13, 0.045, 0.022)
        d = d - 0.05 * _bump(x, z, side * (s.lip_half + 0.05), s.mouth_z + s.lip_smile, 0.07, 0.1)
    bridge = smooth(z, s.eye_z + 0.55, s.nose_z) * smooth(z, s.nose_z - 0.26, s.nose_z - 0.08)
    d = d + 0.5 * s.nose * bridge * np.exp(-0.5 * (x / (0.1 + 0.05 * bridge)) ** 2)
    d = d + 0.42 * s.nose * _bump(x, z, 0, s.nose_z, 0.13, 0.12)
    d = d + 0.09 * _bump(x, z, 0, s.mouth_z, 0.5, 0.3)
    d = d - 0.035 * _bump(x, z, 0, s.mouth_z + 0.27, 0.05, 0.09)
    d = d + _lip_relief(s, x, z)
    d = d - 0.09 * _bump(x, z, 0, s.mouth_z - 0.3, 0.28, 0.09)
    return d + s.chin * _bump(x, z, 0, s.mouth_z - 0.62, 0.34, 0.22)


def _lip_relief(s: HeadShape, x: Any, z: Any) -> NDArray[Any]:
    upper, parting, lower = lip_edges(s, x)
    inside = lip_inside(s, x, z)
    half = np.where(z > parting, np.maximum(upper - parting, 0.02), np.maximum(parting - lower, 0.02))
    across = np.clip(np.abs(z - parting) / half, 0, 1)
    roll = np.sin(np.pi * np.clip(0.12 + 0.88 * across, 0, 1)) ** 0.6
    body = s.lip_relief * roll * np.clip(1.1 - (x / s.lip_half) ** 4, 0, 1) * smooth(inside, -0.012, 0.035)
    groove = np.exp(-(((z - parting) / 0.022) ** 2)) * smooth(np.abs(x), s.lip_half * 1.05, s.lip_half * 0.8)
    return body - 0.07 * groove


def head_grid(
    shape: HeadShape, rows: int = 440, columns: int = 640
) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Points of a head.

    Returns
    -------
    points
        (rows, columns, 3); columns go once round from the back, the face's middle at ``columns / 2``.
    phi
        (columns,) azimuth, 0 at the face's middle, positive toward +x.
    t
        (rows,) relative height, 1 at the top.
    """
    s = np.linspace(-np.pi, np.pi, columns, endpoint=False)
    phi = s - 0.62 * np.sin(s)  # twice as dense in front
    theta = np.linspace(1e-3, np.pi - 1e-3, rows)
    theta = theta + 0.14 * np.sin(2 * theta)  # denser at mouth and eyes
    t = np.cos(theta)
    return surface_points(shape, t[:, None], phi[None, :]), phi, t


def surface_points(shape: HeadShape, t: Any, phi: Any, lift: Any = 0.0) -> NDArray[np.float64]:
    """Points of the head's surface at relative height t and azimuth phi, lifted by some cm outward."""
    t, phi = np.broadcast_arrays(np.asarray(t, float), np.asarray(phi, float))
    low = np.clip(-t, 0, 1)
    profile = np.where(
        t > 0, np.sqrt(np.clip(1 - np.abs(t) ** 2.3, 0, 1)), np.sqrt(np.clip(1 - low**2.9, 0, 1))
    )
    narrow = 1 - shape.jaw * smooth(t, -0.05, -1.0)
    w = shape.width / 2 * profile * narrow + lift
    full = np.where(t > 0, profile, np.sqrt(np.clip(1 - low**9, 0, 1)))
    front = shape.depth * 0.46 * full * (1 - 0.1 * smooth(t, -0.45, -0.95)) + lift
    back = shape.depth * 0.54 * profile * (1 - 0.45 * smooth(t, -0.2, -0.95)) + lift
    z = shape.height / 2 * t + lift * t
    x = w * np.sin(phi)
    flat = np.sign(np.cos(phi)) * np.abs(np.cos(phi)) ** 0.92
    depth = np.where(np.cos(phi) > 0, front, back) * flat
    face = smooth(np.cos(phi), 0.05, 0.5)
    depth = depth + np.where(face > 0, face * _face_relief(shape, x, z), 0)
    return np.stack([x, -depth, z], -1)


def hairline(phi: Any) -> NDArray[Any]:
    """Relative height t of the hairline at azimuth phi."""
    a = np.abs(np.asarray(phi))
    front = 0.52 - 0.1 * (a / 1.0) ** 2
    side = 0.42 - 0.45 * smooth(a, 1.0, 1.45)
    back = -0.03 - 0.65 * smooth(a, 1.75, 2.3)
    return np.where(a < 1.0, front, np.where(a < 1.75, side, back))
