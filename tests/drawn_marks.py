"""Molded lettering as a shaded height map, for unit tests: simple, exact, unlike the rendered photos.

The font is the one inside Pillow, which no part of the program has been fitted to.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

SIZE = (560, 760)


def lettering(
    lines: list[str],
    letter_px: float = 38,
    angle_deg: float = 0.0,
    bend: float = 0.0,
    size: tuple[int, int] = SIZE,
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Return the (H, W) mask of lettering, 0–1, and the (4, 2) corners around it.

    ``angle_deg`` turns the reading direction clockwise; ``bend`` is the arc in radians a picture's width of
    text would take. ``®``, ``©`` and ``™`` are drawn as ringed or small raised letters.
    """
    height, width = size
    font = ImageFont.load_default(letter_px / 0.7)
    canvas = Image.new("L", (width, height))
    top = height / 2 - letter_px * (0.85 * len(lines) - 0.35)
    for row, line in enumerate(lines):
        _write(canvas, line, font, top + 1.7 * row * letter_px, letter_px)
    mask = np.asarray(canvas, np.float32) / 255
    ys, xs = np.nonzero(mask > 0.5)
    x0, x1, y0, y1 = xs.min(), xs.max(), ys.min(), ys.max()
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float)
    if bend:
        mask = _bent(mask, bend)
    turn = cv2.getRotationMatrix2D((width / 2, height / 2), -angle_deg, 1.0)
    mask = cv2.warpAffine(mask, turn, (width, height))
    return mask, corners @ turn[:, :2].T + turn[:, 2]


def _write(canvas: Image.Image, line: str, font: ImageFont.FreeTypeFont, y: float, letter_px: float) -> None:
    pen = ImageDraw.Draw(canvas)
    space = 0.12 * letter_px
    widths = [1.3 * letter_px if c in "®©™" else font.getlength(c) for c in line]
    x = (canvas.width - sum(widths) - space * (len(line) - 1)) / 2
    for char, advance in zip(line, widths, strict=True):
        if char in "®©":
            _ring(pen, "R" if char == "®" else "C", x + 0.15 * letter_px, y, letter_px)
        elif char == "™":
            small = ImageFont.load_default(0.5 * letter_px / 0.7)
            pen.text((x, y + 0.5 * letter_px), "TM", fill=255, font=small, anchor="ls")
        else:
            pen.text((x, y + letter_px), char, fill=255, font=font, anchor="ls")
        x += advance + space


def _ring(pen: ImageDraw.ImageDraw, letter: str, x: float, y: float, size: float) -> None:
    pen.ellipse((x, y, x + size, y + size), outline=255, width=max(2, round(0.08 * size)))
    inner = ImageFont.load_default(0.55 * size / 0.7)
    pen.text((x + size / 2, y + 0.775 * size), letter, fill=255, font=inner, anchor="ms")


def _bent(mask: NDArray[np.float32], bend: float) -> NDArray[np.float32]:
    height, width = mask.shape
    radius = width / bend
    yy, xx = np.mgrid[:height, :width].astype(np.float32)
    across, down = xx - width / 2, yy - height / 2 + radius
    turn = np.arctan2(across, down)
    return cv2.remap(
        mask,
        (turn * radius + width / 2).astype(np.float32),
        (np.hypot(across, down) - radius + height / 2).astype(np.float32),
        cv2.INTER_LINEAR,
    )


def photographed(
    mask: NDArray[np.float32],
    azimuth_deg: float = 30.0,
    elevation_deg: float = 25.0,
    depth: float = 3.0,
    seed: int = 0,
) -> NDArray[np.uint8]:
    """Return the (H, W, 3) uint8 photo of a mask as relief in one light.

    ``depth`` is in pixels, negative for incised. The surface depends on ``seed``, the camera's noise on the
    light too.
    """
    rng = np.random.default_rng(seed)
    height, width = mask.shape
    yy, xx = np.mgrid[:height, :width].astype(np.float32)
    relief = depth * cv2.GaussianBlur(mask, (0, 0), 2.0)
    texture = cv2.GaussianBlur(rng.normal(0, 1, mask.shape).astype(np.float32), (0, 0), 1.5)
    body = -((xx - width / 2) ** 2 + (yy - height / 2) ** 2) / (4.0 * width)
    gy, gx = np.gradient(relief + body + 0.06 * texture / texture.std())
    azimuth, elevation = np.radians([azimuth_deg, elevation_deg])
    light = np.array(
        [np.cos(azimuth) * np.cos(elevation), np.sin(azimuth) * np.cos(elevation), np.sin(elevation)]
    )
    normal = np.stack([-gx, -gy, np.ones_like(gx)], -1) / np.sqrt(gx**2 + gy**2 + 1)[..., None]
    diffuse = np.clip((normal @ light + 0.2) / 1.2, 0, None) + 0.12
    linear = diffuse[..., None] * np.array([0.8, 0.58, 0.45]) / np.percentile(diffuse, 90) * 0.9
    linear += np.random.default_rng([seed, int(azimuth_deg)]).normal(0, 0.006, linear.shape)
    linear = np.clip(linear, 0, 1)
    code = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return (255 * code + 0.5).astype(np.uint8)


def scratched(seed: int, size: tuple[int, int] = SIZE) -> NDArray[np.float32]:
    """Return a mask without text: a seam, scratches and pits."""
    rng = np.random.default_rng(seed)
    mask = np.zeros(size, np.float32)
    x = int(rng.integers(0, size[1]))
    cv2.line(mask, (x, 0), (int(rng.integers(0, size[1])), size[0]), 1.0, 3, cv2.LINE_AA)
    for _ in range(5):
        a, b = rng.integers(0, size[::-1], 2), rng.integers(-90, 90, 2)
        cv2.line(mask, tuple(int(v) for v in a), tuple(int(v) for v in a + b), -0.6, 1, cv2.LINE_AA)
    for _ in range(6):
        center = tuple(int(v) for v in rng.integers(0, size[::-1], 2))
        cv2.circle(mask, center, int(rng.integers(2, 6)), -0.8, -1, cv2.LINE_AA)
    return mask
