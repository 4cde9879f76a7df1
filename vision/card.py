"""The plain gray card: a flat, even, matte quadrilateral that can be nothing else, or none.

Paper, walls, boxes, tiles, screens and cloth are gray and straight-edged too. Each test below turns some of
them away; what passes them all is taken for a card. Unsure means no: a wrong card is worse than none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.card_outline import card_like, quads
from vision.color import cct_of, luminance, srgb_to_linear

Array = NDArray[np.float64]

#: A channel at or above this code counts as clipped.
CLIPPED = 252
# Widest range of shading over a card, as ln of light: a cast shadow to a fifth.
_MOST_SHADE = 1.6

# Smallest card, as the root of its area: pixels, and share of the photo's long side. A card of 6 % of the
# width of a 2:3 photo, tilted to 40°, has that.
_LEAST_PX, _LEAST_SHARE = 28.0, 0.029

# A card's color fills at most so many times its own area round it, up to so many times its size away.
_MOST_ALIKE, _ROUND_IT = 2.5, 8.0

# Sides within this of upright may be a screenshot's; structure fainter than this may be noise.
_UPRIGHT_DEG, _LEAST_TEXTURE = 1.5, 0.03

_VIEW = 900
_FACE = 48


@dataclass(frozen=True, slots=True)
class CardReading:
    """A flat neutral surface as photographed.

    Attributes
    ----------
    corners
        (4, 2) in pixels of the photo.
    linear
        (3,) mean linear RGB, reflections left out.
    u_log
        (3,) relative standard uncertainty of that mean, from its evenness.
    flags
        ``"clipped_channel"``, ``"reflection"``, ``"mixed_light"``, ``"uneven_light"``.
    """

    corners: Array
    linear: Array
    u_log: Array
    flags: tuple[str, ...] = ()


def find_card(
    rgb: NDArray[np.uint8], scene_log: Array, u_scene_log: Array
) -> tuple[CardReading | None, tuple[str, ...]]:
    """Find a plain gray card that lies wholly in the picture.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8 sRGB.
    scene_log, u_scene_log
        (2,) ln(r/g) and ln(b/g) that the scene as a whole suggests for a neutral surface, and their
        standard uncertainties: a card must not contradict it.

    Returns
    -------
    The reading, or None with the plain reasons why near misses were refused.
    """
    scale = min(1.0, _VIEW / max(rgb.shape[:2]))
    view = np.asarray(cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    light = srgb_to_linear(cv2.GaussianBlur(view, (0, 0), 2))
    bright = float(np.quantile(luminance(light), 0.98))
    accepted: list[CardReading] = []
    refused: list[str] = []
    for quad in quads(view, _may_be_neutral(light, scene_log, u_scene_log)):
        sides = _sides(view, quad)
        if sides is None:
            continue
        face, why = _read_face(rgb, sides / scale)
        if face is not None:
            objection = _objection(face, bright, scene_log, u_scene_log)
            if objection is None and any(
                test(view, sides) for test in (_goes_on, _sides_run_on, _one_of_many)
            ):
                objection = "A plain gray area is part of something larger (a box, a tile or a wall)."
            if objection is None and not any(_same_place(face, other) for other in accepted):
                accepted.append(face)
            why = objection or ""
        if why:
            refused.append(why)
    if not accepted:
        return None, tuple(dict.fromkeys(refused))
    off = [_off_scene(face, scene_log, u_scene_log) for face in accepted]
    best = int(np.argmin(off))
    # Of two that disagree, one is believed only if it suits the scene's light far better (7 to 1).
    if all(
        k == best or _same_color(accepted[best], accepted[k]) or off[k] ** 2 > off[best] ** 2 + 4
        for k in range(len(accepted))
    ):
        return accepted[best], ()
    return None, ("Several plain gray areas could each be a gray card; name the right one with a region.",)


def _off_scene(face: CardReading, scene_log: Array, u_scene_log: Array) -> float:
    """Return how far a gray area is from what the scene suggests, in standard uncertainties."""
    cast = np.log(face.linear[[0, 2]] / face.linear[1])
    return float(np.max(np.abs(cast - scene_log) / np.hypot(u_scene_log, 0.08)))


def _may_be_neutral(light: Array, scene_log: Array, u_scene_log: Array) -> NDArray[np.bool_]:
    """Tell for each pixel whether a neutral surface could look so in this light."""
    log = np.log(np.maximum(light, 1e-3))
    cast = log[..., [0, 2]] - log[..., 1:2]
    return np.asarray((np.abs(cast - scene_log) < 2.7 * np.hypot(u_scene_log, 0.08)).all(axis=2))


def _same_color(one: CardReading, other: CardReading) -> bool:
    """Tell whether two gray areas agree on what is neutral."""
    cast = [np.log(face.linear[[0, 2]] / face.linear[1]) for face in (one, other)]
    return bool(np.abs(cast[0] - cast[1]).max() < 0.05)


# --- sides ----------------------------------------------------------------------------------------------


def _sides(view: NDArray[np.uint8], quad: Array) -> Array | None:
    """Fit a straight line to the edge along each side; return the refined corners, or None if one is no edge.

    A card's border is a sharp step all along four straight sides. Shadows are soft, cloth is wavy, and a
    panel in a wall or tile has the same color beyond its groove.
    """
    lab = cv2.cvtColor(cv2.GaussianBlur(view, (0, 0), 0.8), cv2.COLOR_RGB2LAB).astype(np.float32)
    middle = quad.mean(axis=0)
    lines = []
    for k in range(4):
        a, b = quad[k], quad[(k + 1) % 4]
        length = float(np.hypot(*(b - a)))
        along = (b - a) / length
        out = np.array([along[1], -along[0]])
        out *= np.sign(np.dot((a + b) / 2 - middle, out))
        reach = int(np.clip(0.12 * length, 6, 14))
        spots = a + np.linspace(0.1, 0.9, 40)[:, None] * (b - a)
        offsets = np.arange(-reach, reach + 1)
        grid = spots[:, None] + offsets[None, :, None] * out
        profile = cv2.remap(
            lab, grid[..., 0].astype(np.float32), grid[..., 1].astype(np.float32), cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )  # fmt: skip
        profile = np.asarray(cv2.GaussianBlur(profile, (1, 7), 0.1, sigmaY=1.5))
        # The card just inside, place by place: it may be shaded along the side.
        face = np.median(profile[:, : reach // 2 + 1], axis=1).astype(np.float32)
        face = np.asarray(cv2.blur(face[:, None], (1, 7), borderType=cv2.BORDER_REPLICATE))
        apart = np.sqrt(((profile - face) ** 2).sum(axis=2))
        noise = 1.4826 * float(np.median(apart[:, : reach // 2 + 1]))
        level = max(6.0, 4 * noise)
        departure = _first_above(apart, level)
        where = offsets[0] + departure
        line = _steady(np.linspace(0.1, 0.9, 40) * length, where)
        off = np.abs(where - np.polyval(line, np.linspace(0.1, 0.9, 40) * length))
        good = (off < 1.5) & (departure < len(offsets))
        if not _is_sharp(apart, departure, level):
            return None
        if good.mean() < 0.75:
            return None
        lines.append((a + out * np.polyval(line, 0.0), b + out * np.polyval(line, length)))
    corners = [_cross(*lines[k - 1], *lines[k]) for k in range(4)]
    refined = np.array(corners)
    if (
        not np.isfinite(refined).all()
        or np.hypot(*(refined - quad).T).max() > 0.15 * np.sqrt(cv2.contourArea(quad.astype(np.float32))) + 4
        or not card_like(refined)
    ):
        return None
    return refined


def _is_sharp(apart: Array, departure: Array, level: float) -> bool:
    """Tell whether an edge rises within four pixels of the view to a clear difference: no shadow, no blur.

    ``apart``: color difference from the inside along each profile; ``departure``: where each leaves it.
    """
    rows = np.arange(len(apart))[:, None]
    columns = np.clip(np.round(departure).astype(int)[:, None] + np.arange(-7, 8), 0, apart.shape[1] - 1)
    mean = apart[rows, columns].mean(axis=0)
    top = float(np.median(mean[10:13]))
    if top < 1.3 * level:
        return False
    return int(np.argmax(mean > 0.75 * top)) - int(np.argmax(mean > 0.25 * top)) <= 4


def _first_above(profiles: Array, level: float) -> Array:
    """Return where each row first rises above ``level``, between samples; its length if never."""
    above = profiles > level
    first = above.argmax(axis=1)
    rows = np.arange(len(profiles))
    low = profiles[rows, np.maximum(first - 1, 0)]
    high = profiles[rows, first]
    part = np.where(first > 0, (level - low) / np.maximum(high - low, 1e-6), 0.0)
    return np.where(above.any(axis=1), first - 1 + np.clip(part, 0, 1), profiles.shape[1])


def _steady(x: Array, y: Array) -> Array:
    """Fit a line by repeatedly dropping what lies far off."""
    keep = np.abs(y - np.median(y)) < 6
    line = np.array([0.0, float(np.median(y))])
    for _ in range(3):
        if keep.sum() < 8:
            break
        line = np.polyfit(x[keep], y[keep], 1)
        off = np.abs(y - np.polyval(line, x))
        keep = off < max(1.0, 2.5 * float(np.median(off)))
    return line


def _cross(a: Array, b: Array, c: Array, d: Array) -> Array:
    """Return where the lines a–b and c–d meet."""
    r, s = b - a, d - c
    area = r[0] * s[1] - r[1] * s[0]
    if abs(area) < 1e-9:
        return np.full(2, np.nan)
    t = ((c - a)[0] * s[1] - (c - a)[1] * s[0]) / area
    return a + t * r


def _same_place(one: CardReading, other: CardReading) -> bool:
    gap = float(np.hypot(*(one.corners.mean(axis=0) - other.corners.mean(axis=0))))
    return gap < 0.25 * float(np.sqrt(cv2.contourArea(one.corners.astype(np.float32))))


# --- reading -------------------------------------------------------------------------------------------


def _read_face(rgb: NDArray[np.uint8], corners: Array) -> tuple[CardReading | None, str]:
    """Read the inside of a quadrilateral in full pixels; refuse it when it is not an even surface."""
    goal = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32) * (_FACE / 0.84) - 0.08 * _FACE / 0.84
    if cv2.contourArea(corners.astype(np.float32)) < max(_LEAST_PX, _LEAST_SHARE * max(rgb.shape[:2])) ** 2:
        return None, ""
    if _drawn(rgb, corners):
        return None, ""
    if _textured(rgb, corners):
        return None, "A flat gray area has a weave, a grain or print on it and is not a plain card."
    shrunk, moved = _fit_size(rgb, corners)
    matrix = cv2.getPerspectiveTransform(moved.astype(np.float32), goal)
    face = cv2.warpPerspective(shrunk, matrix, (_FACE, _FACE), flags=cv2.INTER_LINEAR)
    return read_even(np.asarray(face, np.uint8), corners)


def _drawn(rgb: NDArray[np.uint8], corners: Array) -> bool:
    """Tell whether nearly all pixels are the very same between upright sides: a panel of a screenshot.

    JPEG makes a smooth card in a photo as even as that, too, but hands lay it straight to a degree too seldom
    to be worth a screenshot's panel.
    """
    edges = np.roll(corners, -1, axis=0) - corners
    turns = np.degrees(np.arctan2(edges[:, 1], edges[:, 0]))
    if np.abs((turns + 45) % 90 - 45).max() > _UPRIGHT_DEG:
        return False
    middle = corners.mean(axis=0)
    mask = np.zeros(rgb.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.round(middle + 0.7 * (corners - middle)).astype(np.int32), 1)
    x0, y0, width, height = cv2.boundingRect(np.round(corners).astype(np.int32))
    inside = mask[max(0, y0) : y0 + height, max(0, x0) : x0 + width] > 0
    pixels = rgb[max(0, y0) : y0 + height, max(0, x0) : x0 + width][inside].astype(np.int32)
    _, counts = np.unique(pixels @ np.array([65536, 256, 1]), return_counts=True)
    return bool(counts.max() > 0.8 * counts.sum()) if len(counts) else True


def _textured(rgb: NDArray[np.uint8], corners: Array) -> bool:
    """Tell whether there is structure in full pixels: sensor noise has no memory beyond a pixel or two.

    A weave or print is nearly everywhere; the edge of a shadow crosses less than half of the blocks.
    """
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    width, height = int((sides[0] + sides[2]) / 2), int((sides[1] + sides[3]) / 2)
    goal = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    n = int(min(160, 0.7 * width, 0.7 * height))
    if n < 16:
        return False
    goal -= np.array([(width - n) / 2, (height - n) / 2], np.float32)
    matrix = cv2.getPerspectiveTransform(corners.astype(np.float32), goal)
    patch = cv2.warpPerspective(rgb, matrix, (n, n), flags=cv2.INTER_LINEAR)
    log = np.log(np.maximum(srgb_to_linear(np.asarray(patch, np.uint8)).mean(axis=2), 1e-3))
    detail = log - cv2.GaussianBlur(log, (0, 0), max(3.0, n / 12))
    side = n // 4
    blocks = detail[: 4 * side, : 4 * side].reshape(4, side, 4, side)
    if float(np.median(blocks.std(axis=(1, 3)))) < _LEAST_TEXTURE:
        return False
    spread = float(detail.std())
    power = np.abs(np.fft.fft2(detail)) ** 2
    memory = np.fft.ifft2(power).real
    memory /= memory[0, 0]
    lags = [memory[dy, dx] for dy in range(13) for dx in range(13) if max(dx, dy) >= 4]
    return spread > 0.25 or max(np.abs(lags)) > 0.3


def _fit_size(rgb: NDArray[np.uint8], corners: Array) -> tuple[NDArray[np.uint8], Array]:
    """Cut the corners' surroundings out and shrink them so that one pixel averages all it stands for."""
    x0, y0 = np.maximum(np.floor(corners.min(axis=0)).astype(int), 0)
    x1, y1 = np.ceil(corners.max(axis=0)).astype(int) + 1
    cut = rgb[y0:y1, x0:x1]
    scale = min(1.0, 1.6 * _FACE / max(np.sqrt(cv2.contourArea(corners.astype(np.float32))), 1.0))
    shrunk = cv2.resize(cut, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return np.asarray(shrunk, np.uint8), (corners - (x0, y0)) * scale


def read_even(face: NDArray[np.uint8], corners: Array, strict: bool = True) -> tuple[CardReading | None, str]:
    """Return the color of an even surface, its reflections left out.

    Parameters
    ----------
    face
        (n, n, 3) uint8 sRGB, the surface seen straight on.
    corners
        (4, 2) where it lies, handed through.
    strict
        Refuse texture and print; a surface the user points at is taken on trust instead.
    """
    clipped = float((face >= CLIPPED).any(axis=2).mean())
    if clipped > 0.25:
        return None, "A plain neutral area is clipped to white in a channel and cannot serve as reference."
    linear = np.maximum(srgb_to_linear(face), 1e-4)
    log = np.log(linear)
    n = face.shape[0]
    yy, xx = np.mgrid[-1 : 1 : n * 1j, -1 : 1 : n * 1j]
    columns = np.stack([np.ones_like(xx), xx, yy, xx * yy, xx**2, yy**2], axis=-1).reshape(-1, 6)
    brightness = log.mean(axis=2)
    broad = cv2.GaussianBlur(brightness, (0, 0), n / 10)
    detail = brightness - broad
    noise = max(1.4826 * float(np.median(np.abs(detail))), 0.012)
    strokes = float((np.abs(detail) > max(5 * noise, 0.1)).mean())
    if strict and noise > 0.09:
        return None, ""
    if strict and (strokes > 0.04 or np.ptp(broad) > _MOST_SHADE):
        return None, "A gray area is not even enough to be a plain card."
    tint = (log - log[..., 1:2])[..., [0, 2]]
    smooth_tint = cv2.GaussianBlur(tint, (0, 0), n / 10)
    keep, shining = _without_glare(brightness, columns)
    keep &= ~(face >= CLIPPED).any(axis=2).ravel()
    planes = [np.linalg.lstsq(columns[keep, :3], tint[..., k].ravel()[keep], rcond=None)[0] for k in (0, 1)]
    drift = [float(np.ptp(columns[:, :3] @ plane)) for plane in planes]
    patchy = smooth_tint.reshape(-1, 2) - columns[:, :3] @ np.stack(planes, axis=1)
    if strict and patchy[keep].std(axis=0).max() > 0.05:
        return None, "A gray area is not even enough to be a plain card."
    flags = []
    if np.ptp(broad) > 0.35:
        flags.append("uneven_light")
    if shining > 0.01:
        flags.append("reflection")
    if clipped > 0.002:
        flags.append("clipped_channel")
    if max(drift) > 0.1:
        flags.append("mixed_light")
    mean = linear.reshape(-1, 3)[keep].mean(axis=0)
    u = np.array([0.0, np.ptp(broad) / 4, 0.0])
    u[[0, 2]] = np.hypot(patchy[keep].std(axis=0), np.array(drift) / 4)
    return CardReading(corners, mean, u, tuple(flags)), ""


def _without_glare(brightness: Array, columns: Array) -> tuple[NDArray[np.bool_], float]:
    """Return the pixels (n²,) that follow the broad shading, and the share that shines above it."""
    level = brightness.ravel()
    keep = np.ones(len(level), bool)
    rest = np.zeros(len(level))
    noise = 0.012
    for _ in range(4):
        shading, *_ = np.linalg.lstsq(columns[keep], level[keep], rcond=None)
        rest = level - columns @ shading
        noise = max(1.4826 * float(np.median(np.abs(rest))), 0.012)
        keep = rest < 3.5 * noise
    return keep, float((rest > max(4 * noise, 0.08)).mean())


def _objection(face: CardReading, bright: float, scene_log: Array, u_scene_log: Array) -> str | None:
    """Return why an even quadrilateral is no gray card, empty when not worth a word; None when it may be."""
    level = float(luminance(face.linear))
    if level < 0.015 or level < 0.05 * bright:
        return ""
    # In a dark scene the card may be the brightest thing; white paper seldom is that dark.
    if level > 0.7 * bright and level > 0.4:
        return "A plain bright area may be paper rather than a gray card."
    _, off_locus = cct_of(face.linear / face.linear[1])
    if abs(off_locus) > 0.025 or _off_scene(face, scene_log, u_scene_log) > 2.5:
        return "A plain area is too far from neutral for this light to be a gray card."
    return None


def _sides_run_on(view: NDArray[np.uint8], corners: Array) -> bool:
    """Tell whether sides go on past the corners, as those of stripes, tiles and panels do.

    A card's sides end at its corners, whatever lies behind it. Each side is followed on at both ends; three
    of the eight ends with the same step of color across the same line, or with its reverse as between checks,
    are no chance.
    """
    lab = cv2.cvtColor(cv2.GaussianBlur(view, (0, 0), 0.8), cv2.COLOR_RGB2LAB).astype(np.float32)
    middle = corners.mean(axis=0)
    ends = 0
    for k in range(4):
        a, b = corners[k], corners[(k + 1) % 4]
        length = float(np.hypot(*(b - a)))
        along = (b - a) / length
        out = np.array([along[1], -along[0]])
        out *= np.sign(np.dot((a + b) / 2 - middle, out))
        own = _steps_across(lab, a + np.linspace(0.15, 0.85, 24)[:, None] * (b - a), out)
        if own is None:
            continue
        step = np.median(own, axis=0)
        reach = np.linspace(max(8.0, 0.12 * length), max(20.0, 0.6 * length), 16)[:, None]
        for start, direction in ((a, -along), (b, along)):
            beyond = _steps_across(lab, start + reach * direction, out)
            if beyond is not None and len(beyond) >= 8:
                like = beyond @ step / max(float(step @ step), 1e-6)
                apart = np.sqrt(((beyond - step * like[:, None]) ** 2).sum(axis=1))
                size = float(np.sqrt(step @ step))
                goes_on = (np.abs(like) > 0.5) & (np.abs(like) < 1.8) & (apart < 0.6 * size)
                ends += float(goes_on.mean()) > 0.6
    return ends >= 3


def _steps_across(lab: NDArray[np.float32], spots: Array, out: Array) -> Array | None:
    """Return the (N, 3) color beyond minus the color before a line, near each spot on it; None when outside.

    The line may be off by a pixel or two, so the largest of three neighboring steps counts.
    """
    h, w = lab.shape[:2]
    ok = ((spots > 6) & (spots < (w - 7, h - 7))).all(axis=1)
    if not ok.any():
        return None
    inner = [_at(lab, spots[ok] + (d - 3) * out) for d in (-2, 0, 2)]
    outer = [_at(lab, spots[ok] + (d + 3) * out) for d in (-2, 0, 2)]
    steps = np.stack([o - i for o, i in zip(outer, inner, strict=True) if o is not None and i is not None])
    best = (steps**2).sum(axis=2).argmax(axis=0)
    return np.asarray(steps[best, np.arange(steps.shape[1])])


def _one_of_many(view: NDArray[np.uint8], corners: Array) -> bool:
    """Tell whether much more of the very same color lies round it: tiles, boards, a wall.

    A garment of that color across the picture says nothing.
    """
    lab = cv2.cvtColor(cv2.GaussianBlur(view, (0, 0), 1.2), cv2.COLOR_RGB2LAB).astype(np.float32)
    middle = corners.mean(axis=0)
    inner, outer = (np.zeros(view.shape[:2], np.uint8) for _ in range(2))
    cv2.fillConvexPoly(inner, np.round(middle + 0.8 * (corners - middle)).astype(np.int32), 1)
    cv2.fillConvexPoly(outer, np.round(middle + 1.25 * (corners - middle)).astype(np.int32), 1)
    color = np.median(lab[inner > 0], axis=0)
    area = cv2.contourArea(corners.astype(np.float32))
    around = np.zeros(view.shape[:2], np.uint8)
    cv2.circle(around, np.round(middle).astype(int).tolist(), round(_ROUND_IT * math.sqrt(area)), 1, -1)
    alike = (np.sqrt(((lab - color) ** 2).sum(axis=2)) < 7) & (around > outer)
    return bool(alike.sum() > _MOST_ALIKE * area)


def _goes_on(view: NDArray[np.uint8], corners: Array) -> bool:
    """Tell whether much of what lies beyond two or more sides has the same color: tiles, panels, drawers.

    Grout or a shadow that happens to be of the card's color fills but little of a side's surroundings.
    """
    lab = cv2.cvtColor(cv2.GaussianBlur(view, (0, 0), 1.2), cv2.COLOR_RGB2LAB).astype(np.float32)
    middle = corners.mean(axis=0)
    same = 0
    for k in range(4):
        a, b = corners[k], corners[(k + 1) % 4]
        across = (a + b) / 2 - middle
        along = np.linspace(-0.4, 0.4, 17)[:, None] * (b - a)
        near = _at(lab, middle + 0.8 * across + along)
        strips = [_at(lab, middle + d * across + along) for d in (1.15, 1.25, 1.4, 1.6, 1.8, 2.1)]
        if near is None:
            continue
        inside = np.median(near, axis=0)
        like = [
            float((np.sqrt(((strip - inside) ** 2).sum(axis=1)) < 7).mean())
            for strip in strips
            if strip is not None and len(strip) >= 8
        ]
        same += bool(like) and (float(np.mean(like)) > 0.45 or float(np.mean(like[-3:])) > 0.7)
    return same >= 2


def _at(lab: NDArray[np.float32], spots: Array) -> Array | None:
    h, w = lab.shape[:2]
    ok = (spots >= 0).all(axis=1) & (spots[:, 0] < w - 1) & (spots[:, 1] < h - 1)
    if not ok.any():
        return None
    x, y = spots[ok].astype(int).T
    return lab[y, x].astype(float)
