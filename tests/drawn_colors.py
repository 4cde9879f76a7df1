"""Drawn photos with known light: charts and cards on cluttered ground, shaded vinyl with a color step.

Flat drawings serve unit tests only; what photos look like is checked on the rendered photos.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image

from vision.chart import reference_linear
from vision.color import lab_to_linear, linear_to_srgb, neutral_rgb_of
from vision.photo import Photo


@dataclass
class Camera:
    """What the camera does to linear light."""

    neutral: tuple[float, float, float] = (1.0, 1.0, 1.0)
    noise: float = 0.01
    blur: float = 0.5
    quality: int = 88

    def shoot(self, linear, rng) -> Photo:
        light = linear * np.asarray(self.neutral)
        light = cv2.GaussianBlur(light, (0, 0), self.blur)
        light = light + rng.normal(size=light.shape) * self.noise * np.sqrt(np.maximum(light, 0) + 0.02)
        code = np.round(255 * np.clip(linear_to_srgb(np.clip(light, 0, 1)), 0, 1)).astype(np.uint8)
        buffer = io.BytesIO()
        Image.fromarray(code).save(buffer, "JPEG", quality=self.quality)
        return Photo(rgb=np.asarray(Image.open(buffer).convert("RGB")))


def cast(kelvin, taken_for):
    """Linear RGB, green = 1, that white reads under ``kelvin`` when the camera took it for another light."""
    neutral = neutral_rgb_of(kelvin) / neutral_rgb_of(taken_for)
    return tuple(float(v) for v in neutral / neutral[1])


def ground(rng, height=700, width=900):
    """Overlapping soft-edged blobs and rods of many colors: nothing straight, flat and gray."""
    linear = np.full((height, width, 3), rng.uniform(0.1, 0.4, 3))
    for _ in range(45):
        color = rng.uniform(0.03, 0.7, 3)
        mask = np.zeros((height, width), np.uint8)
        center = (int(rng.integers(width)), int(rng.integers(height)))
        if rng.uniform() < 0.5:
            axes = tuple(int(v) for v in rng.integers(15, 110, 2))
            cv2.ellipse(mask, center, axes, float(rng.uniform(0, 180)), 0, 360, 255, -1)
        else:
            end = (int(rng.integers(width)), int(rng.integers(height)))
            cv2.line(mask, center, end, 255, int(rng.integers(4, 26)))
        share = cv2.GaussianBlur(mask, (0, 0), 1.5)[..., None] / 255
        linear = linear * (1 - share) + color * share
    grain = cv2.GaussianBlur(rng.normal(size=(height, width)), (0, 0), 1.5)
    return linear * np.exp(0.12 * grain)[..., None]


def chart_face(colors=None):
    """A chart seen straight on, (H, W, 3) linear RGB; ``colors`` replaces the published patches."""
    patches = np.clip(reference_linear() if colors is None else colors, 0.002, 1)
    size, gap = 40, 6
    face = np.full((4 * size + 5 * gap, 6 * size + 7 * gap, 3), 0.03)
    for i, patch in enumerate(patches):
        y, x = divmod(i, 6)
        top, left = gap + y * (size + gap), gap + x * (size + gap)
        face[top : top + size, left : left + size] = patch
    return face


def put(linear, face, center, width, angle_deg=0.0, tilt_deg=0.0, light=0.9):
    """Lay ``face`` into the scene in perspective; returns its (4, 2) corners."""
    h, w = face.shape[:2]
    a, t = np.radians(angle_deg), np.radians(tilt_deg)
    flat = np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2 * (width / w)
    space = np.column_stack([flat[:, 0] * np.cos(t), flat[:, 1], flat[:, 0] * np.sin(t)])
    seen = space[:, :2] * (3 * width / (3 * width + space[:, 2:]))
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    corners = seen @ turn.T + center
    edges = np.array([[0, 0], [w, 0], [w, h], [0, h]]) - 0.5
    matrix = cv2.getPerspectiveTransform(edges.astype(np.float32), corners.astype(np.float32))
    size = linear.shape[1::-1]
    shrunk = max(1.0, w / width)
    face = cv2.GaussianBlur(face, (0, 0), 0.4 * shrunk) if shrunk > 1 else face
    share = cv2.warpPerspective(np.ones((h, w)), matrix, size)[..., None]
    linear[:] = linear * (1 - share) + light * cv2.warpPerspective(face, matrix, size) * share
    return corners


@dataclass
class Vinyl:
    """A shaded limb or torso, upright in the middle, its upper part exposed and its lower part covered."""

    covered_lab: tuple[float, float, float] = (66.0, 17.0, 19.0)
    delta: tuple[float, float, float] = (0.0, 0.0, 0.0)
    soft: float = 2.0
    shade: float = 0.5
    lamp_from: float = 0.5
    gloss: float = 0.0
    shadow: float = 0.0
    second_light: tuple[float, float, float] = (1.0, 1.0, 1.0)

    def draw(self, height=500, width=420):
        """(H, W, 3) linear RGB, the mask of vinyl, and the share of covered vinyl in each pixel."""
        yy, xx = np.mgrid[:height, :width].astype(float)
        radius = 0.32 * width
        across = (xx - width / 2) / radius
        body = (np.abs(across) < 1) & (yy > 0.06 * height) & (yy < 0.94 * height)
        normal_x = np.clip(across, -1, 1)
        normal_z = np.sqrt(1 - normal_x**2)
        bend = 0.5 * np.cos(3 * np.pi * yy / height)
        facing = np.clip(
            self.lamp_from * normal_x + np.sqrt(1 - self.lamp_from**2) * normal_z + 0.2 * bend, 0, None
        )
        light = (1 - self.shade) + self.shade * facing
        line = 0.55 * height + 18 * np.sin(xx / 60)
        share = 1 / (1 + np.exp(-np.clip((yy - line) / self.soft, -40, 40)))
        covered = np.asarray(self.covered_lab)
        lab = covered + (1 - share)[..., None] * np.asarray(self.delta)
        linear = lab_to_linear(lab) * light[..., None] * 0.9
        if self.shadow:
            dark = 1 - self.shadow / (1 + np.exp(-np.clip((line + 40 - yy) / 3, -40, 40)))
            linear = linear * dark[..., None]
        tint = np.asarray(self.second_light) ** normal_x[..., None]
        linear = linear * tint
        spot = np.exp(-(((xx - 0.42 * width) / 22) ** 2) - ((yy - 0.45 * height) / 90) ** 2)
        linear = linear + self.gloss * spot[..., None]
        return np.where(body[..., None], linear, 0.05), body, share
