"""A 24-patch color chart and a plain gray card as real objects beside the subject."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from sample_images.blend import mesh_object
from sample_images.subject import Subject
from sample_images.truth import hex_to_linear
from sample_images.vinyl import plain

#: Published sRGB values of the 24 patches, rows from dark skin to black.
PATCHES = (
    *("#735244", "#c29682", "#627a9d", "#576c43", "#8580b1", "#67bdaa"),
    *("#d67e2c", "#505ba6", "#c15a63", "#5e3c6c", "#9dbc40", "#e0a32e"),
    *("#383d96", "#469449", "#af363c", "#e7c71f", "#bb5695", "#0885a1"),
    *("#f3f3f2", "#c8c8c8", "#a0a0a0", "#7a7a79", "#555555", "#343434"),
)


@dataclass(frozen=True)
class Reference:
    """``corners``: (4, 3) world points: top left, top right, bottom right, bottom left of the object."""

    kind: str
    corners: NDArray[np.float64]


def _board(
    name: str, center: Any, ex: Any, ey: Any, w: float, h: float, material: Any
) -> NDArray[np.float64]:
    corners = np.array(
        [
            center - ex * w / 2 + ey * h / 2,
            center + ex * w / 2 + ey * h / 2,
            center + ex * w / 2 - ey * h / 2,
            center - ex * w / 2 - ey * h / 2,
        ]
    )
    mesh_object(name, corners, [(3, 2, 1, 0)], None, material, smooth=False)
    return corners


def build_reference(
    subject: Subject, axes: tuple[Any, Any, Any], kind: str, size: float, cut: bool, rng: Generator
) -> Reference:
    """Put the reference beside the subject: flat on the table if it lies, else upright."""
    right, up, back = axes
    r = subject.radius
    chart = kind == "color_chart"
    w = r * size * (1.15 if chart else 0.85)
    h = w * (0.69 if chart else rng.uniform(0.62, 0.8))
    side = right * rng.choice([-1.0, 1.0])
    free = [np.asarray(d, float) for d in subject.card_free]
    if free:
        side = free[int(rng.integers(len(free)))]
        side = side / np.linalg.norm(side)
    upright = rng.uniform() < 0.5
    ex, ey, normal = right, up, back
    if subject.support == "lying":
        normal = np.array([0.0, 0.0, 1.0])
        ex = right - normal * np.dot(right, normal)
        ex /= np.linalg.norm(ex)
        ey = np.cross(normal, ex)
    if chart and upright:
        ex, ey = -ey, ex
    turn = np.radians(rng.uniform(-12, 12))
    ex, ey = np.cos(turn) * ex + np.sin(turn) * ey, np.cos(turn) * ey - np.sin(turn) * ex
    if subject.support != "lying":
        tilt = np.radians(rng.uniform(-10, 10))
        axis = right
        normal = np.cos(tilt) * normal + np.sin(tilt) * np.cross(axis, normal)
        ey = np.cross(normal, ex)
        ey /= np.linalg.norm(ey)
        ex = np.cross(ey, normal)
    reach = abs(np.dot(ex, side)) * w / 2 + abs(np.dot(ey, side)) * h / 2
    center = np.asarray(subject.target, float) + side * (r * 0.98 + reach * (1.5 if cut else 1.04))
    if subject.support == "lying":
        center[2] = subject.floor_z + 0.06
    else:
        center = center - np.array([0, 0, 1.0]) * rng.uniform(0.0, 0.3) * r - back * 0.1 * r
        half_z = abs(ex[2]) * w / 2 + abs(ey[2]) * h / 2
        center[2] = max(center[2], subject.floor_z + half_z)
        if subject.support == "standing" and center[2] - half_z - subject.floor_z < 1.5 * r:
            center[2] = subject.floor_z + half_z
    if not chart:
        material = plain("card", [0.184] * 3, "card", roughness=0.85)
        return Reference(kind, _board("card", center, ex, ey, w, h, material))
    corners = _board("chart", center, ex, ey, w, h, plain("chart.board", [0.012] * 3, "chart", roughness=0.6))
    normal = np.cross(ex, ey)
    pitch = min(w / 6.35, h / 4.35)
    for i, code in enumerate(PATCHES):
        row, col = divmod(i, 6)
        place = center + ex * (col - 2.5) * pitch + ey * (1.5 - row) * pitch + normal * 0.004 * w
        material = plain(f"patch{i}", hex_to_linear(code), "chart", roughness=0.7, part=i + 1)
        _board(f"patch{i}", place, ex, ey, pitch * 0.86, pitch * 0.86, material)
    return Reference(kind, corners)
