"""The plain grey card: a flat, even, matte quadrilateral that can be nothing else, or none.

Paper, walls, boxes, tiles, screens and cloth are grey and straight-edged too. Each test below turns some of
them away; what passes them all is taken for a card. Unsure means no: a wrong card is worse than none.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.color import cct_of, luminance, srgb_to_linear

Array = NDArray[np.float64]

#: Reflectance of a photographic grey card (nominally 18 %; common practice).
CARD_REFLECTANCE = 0.18

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
    """Find a plain grey card that lies wholly in the picture.

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
    light = srgb_to_linear(view)
    bright = float(np.quantile(luminance(light), 0.98))
    accepted: list[CardReading] = []
    refused: list[str] = []
    for quad in _quads(view):
        sides = _sides(view, quad)
        if sides is None:
            continue
        face, why = _read_face(rgb, sides / scale)
        if face is not None:
            why = _objection(face, bright, scene_log, u_scene_log)
            if not why and _goes_on(view, sides):
                why = "A plain grey area is part of something larger (a box, a tile or a wall)."
        if face is not None and not why:
            if not any(_same_place(face, other) for other in accepted):
                accepted.append(face)
        elif why:
            refused.append(why)
    if len(accepted) > 1:
        return None, (
            "Several plain grey areas could each be a grey card; name the right one with a region.",
        )
    if accepted:
        return accepted[0], ()
    return None, tuple(dict.fromkeys(refused))


# --- candidates ----------------------------------------------------------------------------------------


def _quads(view: NDArray[np.uint8]) -> Iterator[Array]:
    """Yield (4, 2) outlines of evenly colored areas with four corners, none touching the frame."""
    frame = view.shape[0] * view.shape[1]
    seen: list[Array] = []
    for even in _even_areas(view):
        reach = float(np.sqrt(float(cv2.countNonZero(even))))
        widths = {int(np.clip(share * reach, 7, 41)) | 1 for share in (0.08, 0.2)}
        contours = [
            contour
            for width in widths
            for contour in _outlines_opened(even, width)
        ]
        for contour in contours:
            hull = cv2.convexHull(contour)
            area = cv2.contourArea(hull)
            if not 0.003 * frame < area < 0.4 * frame or cv2.contourArea(contour) < 0.85 * area:
                continue
            quad = _four_corners(np.asarray(hull, np.int32))
            if quad is None or _touches(quad, view.shape):
                continue
            if any(np.abs(np.sort(quad, axis=0) - np.sort(other, axis=0)).max() < 5 for other in seen):
                continue
            seen.append(quad)
            yield quad


def _outlines_opened(even: NDArray[np.uint8], width: int) -> Sequence[NDArray[Any]]:
    """Return the outlines of a 0/1 mask opened by a disk ``width`` px wide; only where the mask is."""
    x, y, wide, tall = cv2.boundingRect(even)
    left, top = max(0, x - width), max(0, y - width)
    part = even[top : y + tall + width, left : x + wide + width]
    # Distances do what a disk of that size does, at a cost that does not grow with it.
    kept = cv2.distanceTransform(part, cv2.DIST_L2, 5) > width / 2
    if not kept.any():
        return ()
    opened = cv2.distanceTransform((~kept).astype(np.uint8), cv2.DIST_L2, 5) <= width / 2
    found, _ = cv2.findContours(
        opened.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE, offset=(left, top)
    )
    return found


def _even_areas(view: NDArray[np.uint8]) -> Iterator[NDArray[np.uint8]]:
    """Yield masks of connected areas of one color: flooded from a grid of seeds."""
    lab = cv2.cvtColor(cv2.medianBlur(view, 5), cv2.COLOR_RGB2LAB)
    height, width = lab.shape[:2]
    step = max(8, max(height, width) // 40)
    for spread in ((5, 4, 4), (9, 5, 5), (18, 7, 7), (34, 7, 7)):
        done = np.zeros((height + 2, width + 2), np.uint8)
        flags = 4 | (1 << 8) | cv2.FLOODFILL_FIXED_RANGE | cv2.FLOODFILL_MASK_ONLY
        for y in range(step // 2, height, step):
            for x in range(step // 2, width, step):
                if done[y + 1, x + 1]:
                    continue
                area, _, _, box = cv2.floodFill(lab, done, (x, y), (0, 0, 0), spread, spread, flags)
                if area < 0.003 * height * width:
                    continue
                left, top, wide, tall = box
                mask = np.zeros((height, width), np.uint8)
                patch = done[top + 1 : top + tall + 1, left + 1 : left + wide + 1]
                mask[top : top + tall, left : left + wide] = patch == 1
                done[done == 1] = 2
                yield mask


def _four_corners(hull: NDArray[np.int32]) -> Array | None:
    """Return the hull's four corners if four describe it well."""
    around, area = cv2.arcLength(hull, True), cv2.contourArea(hull)
    corners = cv2.boxPoints(cv2.minAreaRect(hull)).astype(np.float64)
    for tolerance in (0.02, 0.03, 0.045, 0.06, 0.08):
        quad = cv2.approxPolyDP(hull, tolerance * around, True)
        if len(quad) == 4:
            corners = quad.reshape(4, 2).astype(np.float64)
            break
    if not 0.9 < area / max(cv2.contourArea(corners.astype(np.float32)), 1.0) < 1.1:
        return None
    edges = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(*edges.T)
    ahead = edges / lengths[:, None]
    turns = np.degrees(np.arccos(np.clip((ahead * np.roll(ahead, -1, axis=0)).sum(axis=1), -1, 1)))
    pairs = np.stack([lengths[:2], lengths[2:]])
    opposite = pairs.min(axis=0) / pairs.max(axis=0)
    ratio = pairs.mean(axis=0).min() / pairs.mean(axis=0).max()
    if turns.min() < 55 or turns.max() > 125 or opposite.min() < 0.6 or ratio < 0.35:
        return None
    return corners


def _touches(quad: Array, shape: tuple[int, ...]) -> bool:
    return bool((quad < 4).any() or (quad[:, 0] > shape[1] - 5).any() or (quad[:, 1] > shape[0] - 5).any())


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
        inner = profile[:, : reach // 2 + 1].reshape(-1, 3)
        face = np.median(inner, axis=0)
        noise = 1.4826 * float(np.median(np.sqrt(((inner - face) ** 2).sum(axis=1))))
        apart = np.sqrt(((profile - face) ** 2).sum(axis=2))
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
    if _textured(rgb, corners):
        return None, "A flat grey area has a weave, a grain or print on it and is not a plain card."
    shrunk, moved = _fit_size(rgb, corners)
    matrix = cv2.getPerspectiveTransform(moved.astype(np.float32), goal)
    face = cv2.warpPerspective(shrunk, matrix, (_FACE, _FACE), flags=cv2.INTER_LINEAR)
    return read_even(np.asarray(face, np.uint8), corners)


def _textured(rgb: NDArray[np.uint8], corners: Array) -> bool:
    """Tell whether there is structure in full pixels: sensor noise has no memory beyond a pixel or two."""
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
    spread = float(detail.std())
    if spread < 0.03:
        return False
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
    clipped = float((face >= 252).any(axis=2).mean())
    if clipped > 0.25:
        return None, "A plain neutral area is clipped to white in a channel and cannot serve as reference."
    linear = np.maximum(srgb_to_linear(face), 1e-4)
    log = np.log(linear)
    n = face.shape[0]
    yy, xx = np.mgrid[-1 : 1 : n * 1j, -1 : 1 : n * 1j]
    columns = np.stack([np.ones_like(xx), xx, yy, xx * yy, xx**2, yy**2], axis=-1).reshape(-1, 6)
    brightness = log.mean(axis=2).ravel()
    keep = np.ones(n * n, bool)
    for _ in range(4):
        plane, *_ = np.linalg.lstsq(columns[keep], brightness[keep], rcond=None)
        rest = brightness - columns @ plane
        noise = max(1.4826 * float(np.median(np.abs(rest))), 0.012)
        keep = np.abs(rest) < 3.5 * noise
    smooth = columns @ plane
    blocks = cv2.resize(rest.reshape(n, n), (8, 8), interpolation=cv2.INTER_AREA)
    odd_bright = float((rest > 4 * noise).mean())
    flags = []
    if strict and (noise > 0.09 or float(np.std(blocks)) > 0.03 or (~keep).mean() > 0.1):
        return None, "" if noise > 0.09 else "A grey area is not even enough to be a plain card."
    if strict and np.ptp(smooth) > 0.8:
        return None, ""
    if np.ptp(smooth) > 0.35:
        flags.append("uneven_light")
    if odd_bright > 0.01:
        flags.append("reflection")
    if clipped > 0.002:
        flags.append("clipped_channel")
    keep &= ~(face >= 252).any(axis=2).ravel()
    tint = (log - log[..., 1:2]).reshape(-1, 3)[:, [0, 2]]
    drift = [
        float(np.ptp(columns[:, :3] @ np.linalg.lstsq(columns[keep, :3], tint[keep, k], rcond=None)[0]))
        for k in (0, 1)
    ]
    if max(drift) > 0.1:
        flags.append("mixed_light")
    mean = linear.reshape(-1, 3)[keep].mean(axis=0)
    tint_blocks = cv2.resize(log - log[..., 1:2], (6, 6), interpolation=cv2.INTER_AREA).reshape(-1, 3)
    u = np.hypot(tint_blocks.std(axis=0), np.array([drift[0], 0.0, drift[1]]) / 4)
    u[1] = np.ptp(smooth) / 4
    return CardReading(corners, mean, u, tuple(flags)), ""


def _objection(face: CardReading, bright: float, scene_log: Array, u_scene_log: Array) -> str:
    """Return why an even quadrilateral is no grey card; empty when none, or not worth a word."""
    level = float(luminance(face.linear))
    if level < 0.015 or level < 0.05 * bright:
        return ""
    if level > 0.7 * bright:
        return "A plain bright area may be paper rather than a grey card."
    cast = np.log(face.linear[[0, 2]] / face.linear[1])
    _, off_locus = cct_of(face.linear / face.linear[1])
    apart = np.abs(cast - scene_log) / np.hypot(u_scene_log, 0.08)
    if abs(off_locus) > 0.025 or apart.max() > 2.5:
        return "A plain area is too far from neutral for this light to be a grey card."
    return ""


def _goes_on(view: NDArray[np.uint8], corners: Array) -> bool:
    """Tell whether the same color is found beyond two or more sides: tiles, panels, drawers."""
    lab = cv2.cvtColor(view, cv2.COLOR_RGB2LAB).astype(np.float32)
    middle = corners.mean(axis=0)
    inside = _ring(lab, middle + 0.7 * (corners - middle))
    same = 0
    for k in range(4):
        a, b = corners[k], corners[(k + 1) % 4]
        across = (a + b) / 2 - middle
        along = np.linspace(-0.3, 0.3, 9)[:, None] * (b - a)
        for distance in (1.15, 1.3, 1.5, 1.75, 2.1):
            values = _at(lab, middle + distance * across + along)
            if values is not None and np.median(np.sqrt(((values - inside) ** 2).sum(axis=1))) < 7:
                same += 1
                break
    return same >= 2


def _ring(lab: NDArray[np.float32], quad: Array) -> Array:
    values = _at(lab, np.vstack([quad, quad.mean(axis=0)[None]]))
    return np.zeros(3) if values is None else np.median(values, axis=0)


def _at(lab: NDArray[np.float32], spots: Array) -> Array | None:
    h, w = lab.shape[:2]
    ok = (spots >= 0).all(axis=1) & (spots[:, 0] < w - 1) & (spots[:, 1] < h - 1)
    if not ok.any():
        return None
    x, y = spots[ok].astype(int).T
    return lab[y, x].astype(float)
