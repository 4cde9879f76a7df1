"""Drawn soles with shaded holes, linings, drilled edges, dirt and paint: for unit tests and training.

Flat drawings would let a threshold pass for a measurement. Here a hole is a cylinder: every pixel in it is
followed to the wall or the floor, lit directly where the light reaches, else by what enters at the
opening and bounces. Paint and dirt change the albedo and keep the surface's shading and highlights.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

VINYL = (0.62, 0.36, 0.24)


@dataclass(frozen=True)
class Spot:
    """Something on a sole; sizes in pixels.

    Attributes
    ----------
    kind
        open, lined, drilled, paint, dirt or bump.
    depth
        Of a hole, in radii. ``floor``: how much light a thin wall lets glow in from behind, 0–1.
    rim
        Width of a molded rim in radii. ``thickness``: of a lining, ``satin``: how matte and flat it is, 0–1.
    raggedness
        Of a cut edge. ``ring``: strength of a stain (dark) or scuff (pale, negative) round a bare edge.
    """

    kind: str
    center: tuple[float, float]
    radius: float
    color: tuple[float, float, float] = (0.03, 0.03, 0.03)
    depth: float = 3.0
    thickness: float = 0.2
    raggedness: float = 1.0
    rim: float = 0.14
    floor: float = 0.0
    satin: float = 0.0
    ring: float = 0.0
    seed: int = 0


@dataclass(frozen=True)
class Scene:
    """Light, camera, background; ``bleed`` is the share of light that travels inside the vinyl."""

    light: tuple[float, float, float] = (-0.5, -0.6, 0.62)
    ambient: float = 0.35
    tilt: tuple[float, float] = (0.1, 0.15)
    vinyl: tuple[float, float, float] = VINYL
    background: tuple[float, float, float] = (0.25, 0.3, 0.38)
    texture: float = 0.04
    white: tuple[float, float, float] = (1.0, 1.0, 1.0)
    exposure: float = 0.85
    blur: float = 0.7
    noise: float = 0.008
    jpeg: int = 90
    gloss: float = 0.12
    bleed: float = 0.0
    seed: int = 0
    spots: tuple[Spot, ...] = field(default=())


def outline(center: tuple[float, float], length: float, angle: float, mirror: bool = False) -> np.ndarray:
    """Return the (N, 2) outline of a foot-shaped sole; ``angle`` in radians turns its toe from up."""
    t = np.linspace(-1, 1, 60)
    half = (
        0.36 * np.sqrt(np.clip(1 - t**4, 0, 1)) * (0.72 + 0.25 * t - 0.18 * np.exp(-((t + 0.1) ** 2) / 0.08))
    )
    side = 1 if mirror else -1
    bend = 0.05 * side * t**2
    x = np.concatenate([bend + half, (bend - half)[::-1]]) * length
    y = np.concatenate([-t, t[::-1]]) * length / 2
    c, s = np.cos(angle), np.sin(angle)
    return np.stack([center[0] + c * x - s * y, center[1] + s * x + c * y], 1)


def _unit(v: np.ndarray) -> np.ndarray:
    return v / np.maximum(np.linalg.norm(v, axis=-1, keepdims=True), 1e-9)


def _room(direction: np.ndarray, seed: int) -> np.ndarray:
    """Return the brightness of a room with windows in a direction: what metal mirrors."""
    rng = np.random.default_rng(seed)
    out = np.full(direction.shape[:-1], 0.12)
    for _ in range(5):
        at = _unit(rng.normal(size=3) + np.array([0, 0, 0.6]))
        out += rng.uniform(0.3, 2.5) * np.exp((direction @ at - 1) / rng.uniform(0.02, 0.12))
    return out


def _hole(px: np.ndarray, py: np.ndarray, spot: Spot, scene: Scene, metal: bool) -> np.ndarray:
    """Return linear RGB inside a cylinder of radius 1; ``px``, ``py`` are entry points within it."""
    vx, vy = scene.tilt
    a = vx * vx + vy * vy + 1e-9
    b = px * vx + py * vy
    t = (-b + np.sqrt(np.maximum(b * b + a * (1 - px * px - py * py), 0))) / a
    z = np.minimum(t, spot.depth)
    qx, qy = px + z * vx, py + z * vy
    wall = t < spot.depth
    normal = np.stack([np.where(wall, -qx, 0), np.where(wall, -qy, 0), np.where(wall, 0, 1.0)], -1)
    light = np.asarray(scene.light) / np.linalg.norm(scene.light)
    ex, ey = qx + z * light[0] / light[2], qy + z * light[1] / light[2]
    lit = (np.hypot(ex, ey) < 1) * np.clip(normal @ light, 0, None)
    form = np.where(wall, 0.5 * (1 - z / np.sqrt(1 + z * z)), 1 / (1 + z * z))
    albedo = np.asarray(scene.vinyl)
    bounced = form[..., None] * albedo / (1 - albedo * (1 - form[..., None]))
    out = scene.ambient * bounced + albedo * (lit[..., None] + 0.15 * form[..., None])
    out = out + spot.floor * 0.12 * albedo**1.5 * (0.4 + form[..., None])
    if metal:
        ray = _unit(np.stack([np.full_like(px, vx), np.full_like(px, vy), np.full_like(px, -1)], -1))
        mirror = ray - 2 * (ray * normal).sum(-1, keepdims=True) * normal
        shine = _room(mirror, spot.seed) * (0.15 + form)
        out = np.where(wall[..., None], shine[..., None] * np.asarray(spot.color), 0.15 * out)
    return out


def _ragged(theta: np.ndarray, seed: int, amount: float) -> np.ndarray:
    rng = np.random.default_rng(seed)
    r = np.ones_like(theta)
    for k in range(2, 14):
        r += rng.normal(0, 0.11 / np.sqrt(k)) * np.cos(k * theta + rng.uniform(0, 6.3))
    for _ in range(rng.integers(2, 6)):
        at = rng.uniform(-np.pi, np.pi)
        gap = np.angle(np.exp(1j * (theta - at)))
        r += rng.uniform(0.15, 0.4) * np.clip(1 - np.abs(gap) / rng.uniform(0.08, 0.25), 0, 1)
    return 1 + amount * (r - 1)


def _smooth_noise(shape: tuple[int, int], scale: float, rng: np.random.Generator) -> np.ndarray:
    small = rng.normal(size=(max(2, int(shape[0] / scale) + 2), max(2, int(shape[1] / scale) + 2)))
    out = cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return out / max(out.std(), 1e-9)


def _add(
    spot: Spot, rgb: np.ndarray, scene: Scene, *, albedo: np.ndarray, shade: np.ndarray, shine: np.ndarray
) -> None:
    """Paint one spot into ``rgb``."""
    h, w = rgb.shape[:2]
    yy, xx = np.mgrid[:h, :w].astype(float)
    dx, dy = (xx - spot.center[0]) / spot.radius, (yy - spot.center[1]) / spot.radius
    r, theta = np.hypot(dx, dy), np.arctan2(dy, dx)
    rng = np.random.default_rng(spot.seed)
    light = np.asarray(scene.light) / np.linalg.norm(scene.light)
    if spot.kind in ("paint", "dirt", "bump"):
        noise = _smooth_noise((h, w), spot.radius / 2, rng)
        if spot.kind == "paint":
            cover = np.clip((1 + 0.05 * noise - r) * spot.radius / 1.2 + 0.5, 0, 1)
        elif spot.kind == "dirt":
            cover = np.clip((1 + 0.3 * noise - r) * 1.6, 0, 1) * (0.75 + 0.1 * noise).clip(0, 1)
        else:
            cover = np.zeros((h, w))
            lump = np.exp(-(r**2) * 1.5)
            tilt = light[0] * dx + light[1] * dy
            rgb *= (1 + 0.5 * lump * tilt)[..., None]
        a = cover[..., None]
        rgb[:] = rgb * (1 - a) + a * (np.asarray(spot.color) * shade[..., None] + shine[..., None])
        return
    edge = _ragged(theta, spot.seed, spot.raggedness) if spot.kind == "drilled" else np.ones_like(theta)
    q = r / edge
    outer = 1 + (spot.thickness if spot.kind == "lined" else max(spot.rim, 1e-3))
    band = (q >= 1) & (q < outer)
    if spot.kind == "lined":
        phi = (q - 1) / spot.thickness * np.pi
        normal = np.stack(
            [-np.cos(phi) * np.cos(theta), -np.cos(phi) * np.sin(theta), np.sin(phi) + 0.05], -1
        )
        mirror = 2 * normal[..., 2:3] * normal - (0, 0, 1)
        metal = _room(_unit(mirror), spot.seed)[..., None] * np.asarray(spot.color)
        flat = (
            np.asarray(spot.color)
            * shade[..., None]
            * (0.8 + 0.06 * _smooth_noise((h, w), 3, rng)[..., None])
        )
        mixed = (1 - spot.satin) * metal + spot.satin * flat
        rgb[band] = mixed[band]
    elif spot.kind == "open":
        slope = np.clip((outer - q) / max(spot.rim, 1e-3), 0, 1)
        normal = _unit(np.stack([-slope * np.cos(theta), -slope * np.sin(theta), 1.05 - slope], -1))
        rim = albedo * (scene.ambient * (1 - 0.5 * slope) + np.clip(normal @ light, 0, None))[..., None]
        rgb[band] = rim[band]
    else:
        chips = band & (_smooth_noise((h, w), spot.radius / 3, rng) > 0.6)
        rgb[chips] = rgb[chips] * 1.15 + 0.06
    if spot.ring and spot.kind != "lined":
        near = np.exp(-(((q - 1) / 0.18) ** 2)) * (0.6 + 0.4 * np.sin(2 * theta + spot.seed))
        stain = np.array([0.12, 0.09, 0.06]) if spot.ring > 0 else 0.5 * albedo + 0.4
        cover = (np.abs(spot.ring) * np.clip(near, 0, 1))[..., None]
        rgb[:] = rgb * (1 - cover) + cover * stain * shade[..., None]
    inside = q < 1
    cx, cy = (dx / edge)[inside], (dy / edge)[inside]
    rgb[inside] = _hole(cx, cy, spot, scene, metal=spot.kind == "lined")


def draw(outlines: list[np.ndarray], size: tuple[int, int], scene: Scene) -> np.ndarray:
    """Return an (H, W, 3) uint8 sRGB picture of soles seen from below, with ``scene.spots`` on them."""
    w, h = size
    rng = np.random.default_rng(scene.seed)
    light = np.asarray(scene.light) / np.linalg.norm(scene.light)
    cloth = 1 + scene.texture * (_smooth_noise((h, w), 3, rng) + _smooth_noise((h, w), 40, rng))
    rgb = np.asarray(scene.background) * cloth[..., None] * (scene.ambient + light[2])
    albedo = np.broadcast_to(np.asarray(scene.vinyl), (h, w, 3))
    shade, shine = np.ones((h, w)), np.zeros((h, w))
    for line in outlines:
        mask = np.zeros((h, w), np.uint8)
        cv2.fillPoly(mask, [np.round(line * 16).astype(np.int32)], 1, shift=4)
        far = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
        far = cv2.GaussianBlur(far, (0, 0), max(1.0, far.max() / 12))
        top = far.max()
        height = 0.55 * top * np.sqrt(np.clip(1 - (1 - np.clip(far / top, 0, 1)) ** 2, 0, 1))
        height += 0.004 * top * _smooth_noise((h, w), top / 3, rng)
        gy, gx = np.gradient(height)
        normal = _unit(np.stack([-gx, -gy, np.ones_like(gx)], -1))
        s = scene.ambient * (0.6 + 0.4 * normal[..., 2]) + np.clip(normal @ light, 0, None)
        half = _unit(light + np.array([0, 0, 1]))
        g = scene.gloss * np.clip(normal @ half, 0, None) ** 40
        inside = mask > 0
        shade[inside], shine[inside] = s[inside], g[inside]
        rgb[inside] = (albedo * s[..., None] + g[..., None])[inside]
    for spot in scene.spots:
        _add(spot, rgb, scene, albedo=albedo, shade=shade, shine=shine)
    if scene.bleed and scene.spots:
        rgb = _bleed(rgb, scene)
    return develop(rgb, scene, rng)


def _bleed(rgb: np.ndarray, scene: Scene) -> np.ndarray:
    """Let light travel inside the vinyl, red the farthest: edges soften and glow."""
    reach = 0.16 * scene.spots[0].radius
    soft = [cv2.GaussianBlur(rgb[..., c], (0, 0), reach * k) for c, k in enumerate((1.6, 0.9, 0.6))]
    return (1 - scene.bleed) * rgb + scene.bleed * np.stack(soft, -1)


def develop(rgb: np.ndarray, scene: Scene, rng: np.random.Generator) -> np.ndarray:
    """Return what a phone makes of linear RGB: exposure, white balance, blur, noise, sRGB, JPEG."""
    lin = rgb * scene.exposure * np.asarray(scene.white)
    if scene.blur > 0:
        lin = cv2.GaussianBlur(lin, (0, 0), scene.blur)
    lin = np.clip(
        lin + rng.normal(0, 1, lin.shape) * scene.noise * np.sqrt(np.clip(lin, 0, None) + 0.02), 0, 1
    )
    code = np.where(lin <= 0.0031308, 12.92 * lin, 1.055 * lin ** (1 / 2.4) - 0.055)
    out = np.round(code * 255).astype(np.uint8)
    _, data = cv2.imencode(".jpg", out[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, scene.jpeg])
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])


def pair(size: tuple[int, int] = (700, 800), length: float = 420, spread: float = 0.12) -> list[np.ndarray]:
    """Return the outlines of two soles side by side, the image's left first."""
    w, h = size
    gap = 0.30 * length
    return [
        outline((w / 2 - gap, h / 2), length, -spread, mirror=True),
        outline((w / 2 + gap, h / 2), length, spread),
    ]
