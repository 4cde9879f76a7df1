"""Drawn doll bodies with known fade: round shapes, two lights, cast shadows, bounced light, gloss, a phone.

Nothing here is shared with the renderer of the sample photos: another shape, another light, another camera.
One body takes half a second, so that hundreds of random cases can be tried.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from PIL import Image

from vision.color import delta_e_2000, lab_to_linear, linear_to_lab, linear_to_srgb, neutral_rgb_of
from vision.locate.parts import Parts
from vision.photo import Photo

GARMENTS = ("swimsuit", "dress", "skirt", "top", "briefs", "none")
_H, _W = 320, 240


@dataclass
class Body:
    """What is drawn; lengths are shares of the picture's height, colors CIELAB under D65."""

    covered_lab: tuple[float, float, float] = (68.0, 17.0, 20.0)
    delta: tuple[float, float, float] = (0.0, 0.0, 0.0)
    soft: float = 0.004
    garment: str = "swimsuit"
    worn: str = "off"
    dropped: float = 0.08
    cloth: tuple[float, float, float] = (40.0, 30.0, -10.0)
    cloth_two: tuple[float, float, float] = (40.0, 30.0, -10.0)
    lamp: tuple[float, float, float] = (0.4, -0.4, 0.8)
    lamp_rgb: tuple[float, float, float] = (1.0, 1.0, 1.0)
    sky_rgb: tuple[float, float, float] = (1.0, 1.0, 1.0)
    sky: float = 0.4
    sky_from: tuple[float, float] = (0.0, -0.3)
    second: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    lamp_size: float = 0.1
    bar: tuple[float, float, float] = (9.0, 0.0, 0.01)
    bounce: float = 0.5
    gloss: float = 0.0
    shine: float = 30.0
    mottle: float = 0.02
    stains: float = 0.0
    blush: float = 0.0
    scatter: float = 1.0
    head: bool = True
    arms: str = "away"
    turn_deg: float = 0.0
    shape_seed: int = 0
    ground: tuple[float, float, float] = (50.0, 2.0, -5.0)


@dataclass
class Phone:
    """What the camera does: see :func:`shoot`."""

    neutral: tuple[float, float, float] = (1.0, 1.0, 1.0)
    exposure: float = 1.0
    contrast: float = 0.0
    saturation: float = 1.0
    sharpen: float = 0.3
    blur: float = 0.6
    noise: float = 0.006
    quality: int = 88
    size: int = 800


@dataclass
class Drawing:
    """A photo with its truth: masks in its pixels, shares 0–1."""

    photo: Photo
    skin: np.ndarray
    covered: np.ndarray
    garment: np.ndarray
    head: np.ndarray
    neutral: tuple[float, float, float]
    delta: np.ndarray
    delta_e00: float
    exposure: float
    body: Body = field(default_factory=Body)
    phone: Phone = field(default_factory=Phone)


def _unit(v):
    v = np.asarray(v, float)
    return v / np.linalg.norm(v)


# --- shape ---------------------------------------------------------------------------------------------


def _capsule(xx, yy, one, two, r_one, r_two, base=0.0, flat=1.0):
    """Height of a round limb from one point to another; -1 where there is none."""
    way = np.subtract(two, one)
    t = np.clip(((xx - one[0]) * way[0] + (yy - one[1]) * way[1]) / (way @ way), 0, 1)
    r = r_one + (r_two - r_one) * t
    d2 = (xx - one[0] - t * way[0]) ** 2 + (yy - one[1] - t * way[1]) ** 2
    return np.where(d2 < r**2, base + flat * np.sqrt(np.maximum(r**2 - d2, 0)), -1.0)


def _merge(a, b, k):
    """Smooth maximum of two heights."""
    if k <= 0:
        return np.maximum(a, b)
    both = (a > -1) & (b > -1)
    h = np.clip(0.5 + 0.5 * (a - b) / k, 0, 1)
    return np.where(both, b * (1 - h) + a * h + k * h * (1 - h), np.maximum(a, b))


def _shape(body):
    """Heights (H, W) of the doll, in picture heights; -1 beside it. Also the mask of the head."""
    rng = np.random.default_rng(body.shape_seed)
    yy, xx = np.mgrid[:_H, :_W] / _H
    xx = xx - 0.5 * _W / _H
    levels = np.array([0.19, 0.215, 0.25, 0.31, 0.38, 0.45, 0.52, 0.575])
    widths = np.array([0.03, 0.06, 0.1, 0.095, rng.uniform(0.06, 0.08), 0.085, rng.uniform(0.1, 0.125), 0.1])
    half = np.interp(yy, levels, widths)
    half = cv2.GaussianBlur(half, (0, 0), 4)
    inside = (np.abs(xx) < half) & (yy > 0.2) & (yy < 0.59)
    torso = np.where(inside, 0.75 * np.sqrt(np.maximum(half**2 - xx**2, 0)), -1.0)
    torso = _merge(torso, _capsule(xx, yy, (0, 0.12), (0, 0.24), 0.036, 0.04), 0.01)
    bust = rng.uniform(0.02, 0.045)
    for s in (-1, 1):
        torso = _merge(torso, _capsule(xx, yy, (s * 0.045, 0.3), (s * 0.047, 0.31), bust, bust, 0.05), 0.012)
    gap = rng.uniform(0.05, 0.06)
    for s in (-1, 1):
        knee = (s * gap * 0.9, 0.8)
        leg = _capsule(xx, yy, (s * gap, 0.57), knee, rng.uniform(0.052, 0.06), 0.036)
        leg = np.maximum(leg, _capsule(xx, yy, knee, (s * gap * 0.8, 1.05), 0.036, 0.03))
        torso = _merge(torso, leg, 0.006)
    poses = {
        "down": ((0.13, 0.38), (0.125, 0.55)),
        "away": ((0.17, 0.36), (0.23, 0.5)),
        "front": ((0.13, 0.38), (0.02, 0.42)),
        "up": ((0.18, 0.16), (0.17, 0.03)),
    }
    for s in (-1, 1):
        style = "down" if body.arms == "front" and s < 0 else body.arms
        elbow, wrist = ((s * p[0] + rng.normal(0, 0.006), p[1]) for p in poses[style])
        base = 0.05 if style == "front" else 0.0
        arm = _capsule(xx, yy, (s * 0.105, 0.245), elbow, 0.03, 0.024, base * 0.5)
        arm = np.maximum(arm, _capsule(xx, yy, elbow, wrist, 0.024, 0.016, base))
        torso = _merge(torso, arm, 0.004)
    head = np.zeros(torso.shape, bool)
    if body.head:
        skull = _capsule(xx, yy, (0, 0.075), (0, 0.1), 0.06, 0.045, 0.01)
        head = skull > torso
        torso = np.maximum(torso, skull)
    return torso, head


def _covered_distance(body):
    """Signed distance (shares of the height, about) into where the garment lay."""
    rng = np.random.default_rng(body.shape_seed + 77)
    yy, xx = np.mgrid[:_H, :_W] / _H
    xx = xx - 0.5 * _W / _H
    wave = 0.004 * np.sin(40 * xx + rng.uniform(0, 6)) + 0.003 * np.sin(90 * xx + rng.uniform(0, 6))
    neck = rng.uniform(0.25, 0.3) + rng.uniform(0.0, 0.05) * np.exp(-((xx / 0.04) ** 2)) + wave
    leg = rng.uniform(0.56, 0.6) - rng.uniform(0.2, 0.7) * np.abs(xx) ** 1.2 + wave
    waist, hem = rng.uniform(0.36, 0.43) + wave, rng.uniform(0.65, 0.85)
    off_arm = 0.112 - np.abs(xx)
    tops = np.minimum(yy - neck, off_arm)
    if rng.random() < 0.4:
        strap = np.minimum(rng.uniform(0.008, 0.02) - np.abs(np.abs(xx) - 0.06), yy - 0.2)
        tops = np.maximum(tops, np.minimum(strap, neck + 0.01 - yy))
    return {
        "swimsuit": np.minimum(tops, leg - yy),
        "dress": np.minimum(tops, hem - yy),
        "skirt": np.minimum(np.minimum(yy - waist, hem - yy), off_arm + 0.02),
        "top": np.minimum(tops, waist - yy),
        "briefs": np.minimum(np.minimum(yy - waist - 0.03, leg - yy), off_arm + 0.02),
        "none": np.full(xx.shape, -1.0),
    }[body.garment]


# --- light ---------------------------------------------------------------------------------------------


def _visible(height, lamp, size, rng):
    """Share of the lamp that each point sees past the rest of the heights."""
    total = np.zeros(height.shape)
    base = np.maximum(height, 0).astype(np.float32)
    tries = 6
    for _ in range(tries):
        way = _unit(np.asarray(lamp) + rng.normal(size=3) * size)
        flat = np.hypot(way[0], way[1])
        seen = np.ones(height.shape)
        steps = np.linspace(0.008, 0.25, 22)
        for step in steps:
            dx, dy = -step * way[0] / max(flat, 1e-6) * _H, -step * way[1] / max(flat, 1e-6) * _H
            rise = step * way[2] / max(flat, 1e-6)
            if rise > 0.2:
                break
            moved = cv2.warpAffine(base, np.float32([[1, 0, dx], [0, 1, dy]]), (_W, _H))
            seen = np.minimum(seen, np.clip(1 - (moved - base - rise - 0.002) / 0.004, 0, 1))
        total += seen
    return total / tries


def _noise(rng, sigma, shape=(_H, _W)):
    field_ = cv2.GaussianBlur(rng.normal(size=shape), (0, 0), sigma)
    return field_ / field_.std()


def paint(body):
    """Return (H, W, 3) linear light toward the camera and the masks skin, covered share, garment, head."""
    rng = np.random.default_rng(body.shape_seed + 5)
    height, head = _shape(body)
    figure = height > -1
    inside = _covered_distance(body)
    share = 1 / (1 + np.exp(-np.clip(inside / max(body.soft, 1e-4), -40, 40))) * ~head
    cloth = np.zeros(figure.shape, bool)
    if body.worn != "off" and body.garment != "none":
        drop = round((body.dropped if body.worn == "lowered" else 0.0) * _H)
        cloth = (np.roll(inside, drop, axis=0) > 0) & figure & ~head
        cloth[:drop] = False
        height = height + 0.006 * cv2.GaussianBlur(cloth.astype(float), (0, 0), 0.8)
    height_smooth = cv2.GaussianBlur(np.where(figure, height, 0.0), (0, 0), 1.0)
    gy, gx = np.gradient(height_smooth * _H)
    steep = np.hypot(gx, gy)
    limit = np.minimum(1, 4 / np.maximum(steep, 1e-6))
    normal = np.stack([-gx * limit, -gy * limit, np.ones_like(gx)], -1)
    normal /= np.linalg.norm(normal, axis=2, keepdims=True)

    share_of_lamp = _visible(np.where(figure, height, 0.0), body.lamp, body.lamp_size, rng)
    yy, xx = np.mgrid[:_H, :_W] / _H
    at, slope, width = body.bar
    edge = (yy - at - slope * (xx - 0.37) - 0.01 * np.sin(30 * xx)) / max(width, 1e-3)
    if at < 2:
        share_of_lamp = share_of_lamp * (1 - 0.9 / (1 + np.exp(-np.clip(edge, -40, 40))))
    lamp = _unit(body.lamp)
    direct = np.maximum(normal @ lamp, 0) * share_of_lamp
    hollow = np.maximum(cv2.GaussianBlur(np.where(figure, height, 0.0), (0, 0), 7) - height_smooth, 0)
    hollow += np.maximum(cv2.GaussianBlur(np.where(figure, height, 0.0), (0, 0), 3) - height_smooth, 0)
    open_ = np.exp(-55 * hollow)
    around = (
        body.sky * (1 + 0.5 * (normal[..., 0] * body.sky_from[0] + normal[..., 1] * body.sky_from[1])) * open_
    )
    light = direct[..., None] * np.asarray(body.lamp_rgb) + around[..., None] * np.asarray(body.sky_rgb)
    if body.second[3]:
        other = np.maximum(normal @ _unit(body.second[:3]), 0) * body.second[3]
        light = light + other[..., None] * np.array(
            [np.exp(body.second[4]), 1, np.exp(-1.3 * body.second[4])]
        )

    covered = np.asarray(body.covered_lab, float)
    lab = covered + (1 - share)[..., None] * np.asarray(body.delta)
    color = np.clip(lab_to_linear(lab), 0.004, 0.95)
    color = color * np.exp(body.mottle * _noise(rng, 14))[..., None]
    stain = np.clip(_noise(rng, 5) - 1.8, 0, 1) * body.stains
    color = color * (1 - stain[..., None] * np.array([0.4, 0.55, 0.7]))
    if body.blush:
        spots = np.zeros(figure.shape)
        for s in (-1, 1):
            spots += np.exp(-((xx - 0.375 - s * 0.05) ** 2 + (yy - 0.82) ** 2) / 0.0006)
        color = color * (1 - body.blush * spots[..., None] * np.array([0.05, 0.35, 0.3]))
    hair = head & (yy < 0.075)
    color[hair] = lab_to_linear(np.array([30.0, 10.0, 15.0]))
    pattern = (np.sin(2 * np.pi * (xx + 0.3 * yy) / 0.03) > 0)[..., None]
    weave = np.exp(0.1 * np.sin(2 * np.pi * xx * 110) * np.sin(2 * np.pi * yy * 110))[..., None]
    fabric = np.where(
        pattern, lab_to_linear(np.asarray(body.cloth)), lab_to_linear(np.asarray(body.cloth_two))
    )
    color = np.where(cloth[..., None], np.clip(fabric, 0.004, 0.95) * weave, color)
    floor = (
        np.clip(lab_to_linear(np.asarray(body.ground)), 0.004, 0.95)
        * np.exp(0.15 * _noise(rng, 2))[..., None]
    )
    color = np.where(figure[..., None], color, floor)

    # Light bounced once: from the surroundings within a short way, into hollows and near the cloth.
    sent = color * light
    bounced = cv2.GaussianBlur(sent, (0, 0), 6)
    light = light + body.bounce * (1 - open_)[..., None] * bounced
    light = light + 0.25 * body.bounce * cv2.GaussianBlur(sent * cloth[..., None], (0, 0), 5)
    out = color * light
    if body.scatter:
        for c, sigma in enumerate((1.4, 0.8, 0.5)):
            soft = cv2.GaussianBlur(light[..., c], (0, 0), sigma * body.scatter)
            out[..., c] = np.where(figure & ~cloth, color[..., c] * soft, out[..., c])
    half = _unit(lamp + np.array([0, 0, 1.0]))
    spot = np.maximum(normal @ half, 0) ** body.shine * share_of_lamp * body.gloss * (figure & ~cloth)
    out = out + spot[..., None] * np.asarray(body.lamp_rgb)
    skin = figure & ~cloth & ~hair
    return out, skin, share * skin, cloth & figure, head


def _tone(code, contrast):
    return code + contrast * code * (1 - code) * (2 * code - 0.8)


def shoot(body, phone, rng):
    """Draw the body and photograph it."""
    linear, skin, covered, cloth, head = paint(body)
    scale = phone.size / _H
    size = (round(_W * scale), round(_H * scale))
    quarters = round(body.turn_deg / 90)
    turn = cv2.getRotationMatrix2D((size[0] / 2, size[1] / 2), body.turn_deg - 90 * quarters, 0.92)

    def enlarge(a):
        big = cv2.resize(a.astype(np.float32), size, interpolation=cv2.INTER_CUBIC)
        big = cv2.warpAffine(big, turn, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        return np.ascontiguousarray(np.rot90(big, quarters))

    light = np.maximum(enlarge(linear), 0.0)
    inside = enlarge(skin) > 0.99
    level = np.quantile(light[inside].mean(axis=1), 0.9)
    gain = phone.exposure * 0.6 / level
    light = light * gain * np.asarray(phone.neutral) / np.asarray(body.lamp_rgb)
    light = cv2.GaussianBlur(light, (0, 0), phone.blur)
    grain = rng.normal(size=light.shape)
    grain = 0.5 * grain + 0.8 * cv2.GaussianBlur(grain, (0, 0), 0.8)
    light = light + grain * phone.noise * np.sqrt(np.clip(light, 0, 1) + 0.02)
    code = linear_to_srgb(np.clip(light, 0, 1))
    grey = code @ np.array([0.21, 0.72, 0.07])
    code = np.clip(grey[..., None] + phone.saturation * (code - grey[..., None]), 0, 1)
    code = _tone(code, phone.contrast)
    code = code + phone.sharpen * (code - cv2.GaussianBlur(code, (0, 0), 1.2))
    picture = np.round(255 * np.clip(code, 0, 1)).astype(np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(picture).save(buffer, "JPEG", quality=phone.quality, subsampling=2)
    photo = Photo(rgb=np.asarray(Image.open(buffer).convert("RGB")))
    two = np.clip(lab_to_linear(np.asarray(body.covered_lab) + np.asarray(body.delta)), 0.004, 0.95)
    labs = linear_to_lab(np.stack([np.clip(lab_to_linear(np.asarray(body.covered_lab)), 0.004, 0.95), two]))
    return Drawing(
        photo=photo,
        skin=enlarge(skin) > 0.5,
        covered=enlarge(covered),
        garment=enlarge(cloth) > 0.5,
        head=enlarge(head) > 0.5,
        neutral=tuple(float(v) for v in phone.neutral),
        delta=labs[1] - labs[0],
        delta_e00=float(delta_e_2000(labs[0], labs[1])),
        exposure=gain,
        body=body,
        phone=phone,
    )


def parts_of(drawing, knows_covered=False):
    """Return what a perfect parts network would say of bare vinyl, without the head."""
    skin = (drawing.skin & ~drawing.head).astype(np.float32)
    covered = skin * (drawing.covered > 0.5) * knows_covered
    chance = np.stack([1 - skin, skin - covered, covered]).astype(np.float32)
    return Parts(("other", "vinyl", "covered"), chance, {}, np.array([[1.0, 0, 0], [0, 1, 0]]))


# --- chance --------------------------------------------------------------------------------------------


def _cast(kelvin):
    rgb = neutral_rgb_of(kelvin)
    return tuple(float(v) for v in np.asarray(rgb) / rgb[1])


def random_body(rng, **fixed):
    """Draw a body and its light at random; ``fixed`` overrides."""
    lightness = rng.uniform(58, 84)
    chroma, hue = rng.uniform(12, 24), np.radians(rng.uniform(40, 75))
    kelvin = rng.uniform(2800, 7500)
    elevation = rng.uniform(0.35, 1.3)
    azimuth = rng.uniform(0, 2 * np.pi)
    lamp = (np.cos(azimuth), np.sin(azimuth), np.tan(elevation))
    body = Body(
        covered_lab=(lightness, chroma * np.cos(hue), chroma * np.sin(hue)),
        soft=float(rng.choice([0.0015, 0.003, 0.006, 0.012])),
        garment=str(rng.choice(GARMENTS[:5])),
        worn=str(rng.choice(["off", "off", "lowered", "on"])),
        dropped=rng.uniform(0.05, 0.15),
        cloth=(rng.uniform(15, 90), rng.normal(0, 25), rng.normal(0, 25)),
        lamp=lamp,
        lamp_rgb=_cast(kelvin),
        sky_rgb=_cast(np.clip(kelvin * np.exp(rng.normal(0, 0.3)), 2500, 12000)),
        sky=rng.uniform(0.15, 0.9),
        sky_from=(rng.uniform(-1, 1), rng.uniform(-1, 1)),
        lamp_size=rng.uniform(0.02, 0.3),
        bounce=rng.uniform(0.2, 1.2),
        gloss=float(rng.choice([0, 0.05, 0.2, 0.5])),
        shine=rng.uniform(10, 80),
        mottle=rng.uniform(0, 0.04),
        stains=float(rng.choice([0, 0, 0.2, 0.5])),
        blush=float(rng.choice([0, 0, 0.3, 0.7])),
        scatter=rng.uniform(0, 1.5),
        head=bool(rng.random() < 0.6),
        arms=str(rng.choice(["down", "away", "front", "up"])),
        turn_deg=float(rng.choice([0, 0, 90, 180, 270])) + rng.normal(0, 8),
        shape_seed=int(rng.integers(1 << 30)),
        ground=(rng.uniform(15, 90), rng.normal(0, 10), rng.normal(0, 12)),
    )
    body = replace(body, cloth_two=body.cloth)
    if rng.random() < 0.4:
        body = replace(body, cloth_two=(rng.uniform(15, 90), rng.normal(0, 25), rng.normal(0, 25)))
    if rng.random() < 0.3:
        body = replace(body, bar=(rng.uniform(0.25, 0.8), rng.uniform(-0.6, 0.6), rng.uniform(0.002, 0.03)))
    if rng.random() < 0.25:
        body = replace(body, second=(*rng.normal(size=2), 0.6, rng.uniform(0.2, 0.7), rng.normal(0, 0.25)))
    return replace(body, **fixed)


def random_fade(rng, size):
    """Draw the change of CIELAB by fading of about this ΔE: paler, less pink, more or less yellow."""
    way = np.array([rng.uniform(0.3, 1.0), -rng.uniform(0.3, 0.9), rng.uniform(-0.6, 0.6)])
    return tuple(float(v) for v in size * 1.25 * way / np.linalg.norm(way))


def random_phone(rng, **fixed):
    """Draw a camera at random; ``fixed`` overrides."""
    cast = np.exp([rng.normal(0, 0.1), 0, rng.normal(0, 0.15)])
    phone = Phone(
        neutral=tuple(float(v) for v in cast),
        exposure=float(np.exp(rng.normal(0, 0.25))),
        contrast=float(rng.choice([0, rng.uniform(0, 0.25)])),
        saturation=rng.uniform(0.95, 1.15),
        sharpen=rng.uniform(0, 0.6),
        blur=rng.uniform(0.4, 1.6),
        noise=rng.uniform(0.002, 0.02),
        quality=int(rng.integers(62, 95)),
        size=int(rng.choice([640, 900, 1200])),
    )
    return replace(phone, **fixed)
