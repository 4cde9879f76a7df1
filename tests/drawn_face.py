"""Flat drawn doll faces with known paint, for unit tests only.

They have what a measurement must get right by construction (which pixels are paint and of what color,
under a known light, blur and noise), and nothing of what makes photos hard: figures come from the rendered
photos, not from these.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from vision.photo import Photo

SUPERSAMPLE = 3

#: Surface colors, CIELAB D65.
PAINT = {
    "skin": (76, 13, 19),
    "white": (93, 0, 3),
    "black": (14, 0, 0),
    "blue": (45, -2, -34),
    "brown": (34, 17, 22),
    "green": (42, -26, 12),
    "hair": (62, 8, 34),
    "brow": (42, 12, 20),
    "red": (44, 58, 30),
    "stain": (58, -16, 14),
}


@dataclass(frozen=True)
class Drawing:
    """What to draw. Lengths are fractions of the face's width unless they say px."""

    liner: str | None = "blue"
    liner_width: float = 0.022
    iris: str | None = "blue"
    lips: str | None = "red"
    lip_cover: float = 1.0
    lip_spill: float = 0.0
    ear_stain: bool = False
    eye_scale: float = 1.0
    glance: float = 0.0
    greasy: float = 0.0
    width_px: float = 420.0
    roll_deg: float = 0.0
    blur_px: float = 0.8
    noise: float = 0.006
    neutral: tuple[float, float, float] = (1.0, 1.0, 1.0)
    exposure: float = 1.0
    shade: float = 0.35
    seed: int = 0
    colors: dict[str, tuple[float, float, float]] = field(default_factory=dict)


@dataclass(frozen=True)
class Drawn:
    """A drawn photo and the truth: masks by name, in pixels of the photo."""

    photo: Photo
    masks: dict[str, np.ndarray]
    coverage: float


def lab_to_linear(lab: tuple[float, float, float]) -> np.ndarray:
    """CIELAB D65 → linear sRGB."""
    fy = (lab[0] + 16) / 116
    f = np.array([fy + lab[1] / 500, fy, fy - lab[2] / 200])
    xyz = np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29)) * [0.95047, 1.0, 1.08883]
    matrix = [[3.2404542, -1.5371385, -0.4985314], [-0.969266, 1.8760108, 0.041556]]
    matrix.append([0.0556434, -0.2040259, 1.0572252])
    return np.clip(np.array(matrix) @ xyz, 0.002, 1)


def draw(what: Drawing) -> Drawn:
    """Draw one face on a gray ground, upright before ``roll_deg`` turns it."""
    side = round(what.width_px * 2.2)
    canvas = _Canvas(side, what)
    _head(canvas)
    for sign in (-1, 1):
        _eye(canvas, sign)
    coverage = _mouth(canvas)
    return Drawn(Photo.from_array(canvas.photograph()), canvas.small_masks(), coverage)


class _Canvas:
    def __init__(self, side: int, what: Drawing) -> None:
        self.what, self.side = what, side
        self.n = side * SUPERSAMPLE
        self.unit = what.width_px * SUPERSAMPLE
        self.albedo = np.full((self.n, self.n, 3), 0.32)
        self.masks: dict[str, np.ndarray] = {}
        c, s = np.cos(np.radians(what.roll_deg)), np.sin(np.radians(what.roll_deg))
        self.turn = np.array([[c, -s], [s, c]])

    def color(self, name: str) -> np.ndarray:
        return lab_to_linear(self.what.colors.get(name, PAINT[name]))

    def polygon(self, points: np.ndarray) -> np.ndarray:
        xy = np.asarray(points) @ self.turn.T * self.unit + self.n / 2
        mask = np.zeros((self.n, self.n), np.uint8)
        cv2.fillPoly(mask, [np.round(xy * 16).astype(np.int32)], 1, shift=4)
        return mask.astype(bool)

    def paint(self, name: str, mask: np.ndarray, color: str) -> None:
        for known in self.masks:
            self.masks[known] &= ~mask
        self.masks[name] = self.masks.get(name, np.zeros_like(mask)) | mask
        self.albedo[mask] = self.color(color)

    def photograph(self) -> np.ndarray:
        what, rng = self.what, np.random.default_rng(self.what.seed)
        y, x = np.mgrid[0 : self.n, 0 : self.n] / self.unit - self.n / self.unit / 2
        light = (0.95 - what.shade * (x * 0.8 + y * 0.6) - 0.5 * (x**2 + 0.6 * y**2)) * what.exposure
        image = self.albedo * light[..., None]
        for at in ((-0.1, -0.45), (-0.22, 0.16), (0.26, 0.14), (0.02, 0.1)) if what.greasy else ():
            image += what.greasy * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / 2 / 0.06**2)[..., None]
        image = cv2.resize(image, (self.side, self.side), interpolation=cv2.INTER_AREA)
        if what.blur_px:
            image = cv2.GaussianBlur(image, (0, 0), what.blur_px)
        image = image * np.asarray(what.neutral)
        image = image + rng.normal(0, what.noise, image.shape) * np.sqrt(np.clip(image, 0.01, 1))
        image = np.clip(image, 0, 1)
        code = np.where(image <= 0.0031308, image * 12.92, 1.055 * image ** (1 / 2.4) - 0.055)
        return np.round(code * 255).astype(np.uint8)

    def small_masks(self) -> dict[str, np.ndarray]:
        size = (self.side, self.side)
        return {
            k: cv2.resize(m.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.5
            for k, m in self.masks.items()
        }


def _ellipse(cx: float, cy: float, rx: float, ry: float, n: int = 90) -> np.ndarray:
    t = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return np.stack([cx + rx * np.cos(t), cy + ry * np.sin(t)], axis=1)


def _head(canvas: _Canvas) -> None:
    canvas.paint("hair", canvas.polygon(_ellipse(0, -0.15, 0.62, 0.78)), "hair")
    for sign in (-1, 1):
        canvas.paint("skin", canvas.polygon(_ellipse(sign * 0.5, 0.07, 0.07, 0.13)), "skin")
    canvas.paint("skin", canvas.polygon(_ellipse(0, 0.02, 0.5, 0.66)), "skin")
    if canvas.what.ear_stain:
        canvas.paint("ear_stain", canvas.polygon(_ellipse(0.5, 0.16, 0.045, 0.05)), "stain")


def _arc(cx: float, cy: float, half: float, rise: float, n: int = 40) -> np.ndarray:
    x = np.linspace(-1, 1, n)
    return np.stack([cx + half * x, cy - rise * (1 - x**2)], axis=1)


def _band(arc: np.ndarray, below: float, above: float) -> np.ndarray:
    return np.vstack([arc + np.array([0, below]), (arc - np.array([0, above]))[::-1]])


def _eye(canvas: _Canvas, sign: int) -> None:
    what = canvas.what
    cx, cy = sign * 0.205, -0.05
    half, up, down = 0.125 * what.eye_scale, 0.075 * what.eye_scale, 0.04 * what.eye_scale
    top, bottom = _arc(cx, cy, half, up), _arc(cx, cy, half, -down)
    white = canvas.polygon(np.vstack([top, bottom[::-1]]))
    canvas.paint("eye_white", white, "white")
    center = (cx + what.glance * half * 0.4, cy - 0.012)
    radius = 0.062 * what.eye_scale
    disc = canvas.polygon(_ellipse(*center, radius, radius)) & white
    if what.iris:
        canvas.paint("iris", disc, what.iris)
    else:
        ring = canvas.polygon(_ellipse(*center, radius * 0.86, radius * 0.86))
        canvas.paint("pupil", disc & ~ring, "black")
    canvas.paint("pupil", canvas.polygon(_ellipse(*center, radius * 0.5, radius * 0.5)) & white, "black")
    lash = 0.014
    canvas.paint("lash", canvas.polygon(_band(top, 0.003, lash)), "black")
    if what.liner:
        band = _band(top - [0, lash], 0, what.liner_width)
        canvas.paint("eyeliner", canvas.polygon(band), what.liner)
    brow = _arc(cx, cy - 0.17, half * 1.1, 0.05)
    canvas.paint("brow", canvas.polygon(_band(brow, 0.006, 0.008)), "brow")


def _lip_outline(grow: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    x = np.linspace(-1, 1, 61)
    half, cy = 0.135 + grow, 0.375
    bow = 0.052 * (1 - x**2) ** 0.6 * (1 - 0.25 * np.exp(-((x / 0.18) ** 2)))
    upper = np.stack([half * x, cy - bow - grow * (1 - x**2) ** 0.3], axis=1)
    lower = np.stack([half * x, cy + 0.06 * (1 - x**2) ** 0.7 + grow * (1 - x**2) ** 0.3], axis=1)
    return upper, lower


def _mouth(canvas: _Canvas) -> float:
    what = canvas.what
    upper, lower = _lip_outline()
    molded = canvas.polygon(np.vstack([upper, lower[::-1]]))
    if what.lips is None:
        canvas.masks["lip_molded"] = molded
        return 0.0
    upper, lower = _lip_outline(what.lip_spill)
    painted = canvas.polygon(np.vstack([upper, lower[::-1]]))
    if what.lip_cover < 1:
        # Rubbed from the image's left to the right, where the mouth touched the box.
        x = np.linspace(-0.2, 0.2, 50)
        edge = -0.135 + 0.27 * (1 - what.lip_cover)
        painted &= canvas.polygon(np.array([[edge, 0.2], [x[-1], 0.2], [x[-1], 0.6], [edge, 0.6]]))
    canvas.paint("lip_paint", painted, what.lips)
    canvas.masks["lip_molded"] = molded
    return float((painted & molded).sum() / molded.sum())
