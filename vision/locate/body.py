"""Find a clothing line: vinyl that clothing covered beside vinyl that it left in the light.

The figure is cut out by a pretrained person segmentation where its package is installed, else by telling it
from the border of the picture. Within the figure, vinyl is what is smooth and skin-hued; a clothing line is a
step in the ratios of the color channels inside it. Brightness alone never makes a line: shade does that.
"""

from __future__ import annotations

import contextlib
import functools
import os
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.color import srgb_to_linear
from vision.locate.places import LinePlace
from vision.photo import Photo
from vision.traits import Region

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_VIEW = 512
# Steps of ln(r/g), ln(b/g): below, light and noise make them; above, it is another material.
_LEAST_STEP = 0.03
_LARGEST_STEP = 0.6
# Pixels of the view that vinyl stays away from the outline: blur, slope and the mask's own doubt.
_NEAR_OUTLINE = 12.0


@dataclass(frozen=True, slots=True)
class _Window:
    """A reduced cutting of the photo: its scale and the photo's pixel at its corner."""

    scale: float
    left: int
    top: int

    def to_photo(self, points: Array) -> Array:
        return (points + 0.5) / self.scale - 0.5 + (self.left, self.top)


@dataclass(frozen=True, slots=True)
class Figure:
    """The doll in a reduced view, and whether a pretrained model found it."""

    mask: Mask
    learned: bool = False


def find_line(photo: Photo) -> LinePlace | None:
    """Find covered and exposed vinyl in a photo of a body or neck.

    Returns
    -------
    LinePlace
        Both sides of the clearest line, with the flag ``"step"``. None when no line shows: a bare body
        without one may be unfaded or evenly faded, or its covered vinyl may be out of view.
    """
    view, place = _close_up(photo.rgb)
    if view is None:
        return None
    figure = find_figure(view)
    if figure is None:
        return None
    features = _features(view)
    vinyl = _vinyl(view, figure.mask, features)
    if vinyl.sum() < 0.01 * vinyl.size:
        return None
    return _by_step(figure, vinyl, features, place)


def _close_up(rgb: NDArray[np.uint8]) -> tuple[NDArray[np.uint8] | None, _Window]:
    """Cut the figure out of the picture and bring it to one size, so that all lengths below mean the same."""
    whole = _Window(min(1.0, _VIEW / max(rgb.shape[:2])), 0, 0)
    view = _resized(rgb, whole.scale)
    figure = find_figure(view)
    if figure is None:
        return None, whole
    ys, xs = np.nonzero(figure.mask)
    margin = 0.06 * max(np.ptp(ys), np.ptp(xs))
    x0, y0 = (max(0, int((v.min() - margin) / whole.scale)) for v in (xs, ys))
    x1, y1 = (int((v.max() + margin) / whole.scale) + 1 for v in (xs, ys))
    cut = rgb[y0:y1, x0:x1]
    window = _Window(min(1.0, _VIEW / max(cut.shape[:2])), x0, y0)
    return (None, window) if min(cut.shape[:2]) < 60 else (_resized(cut, window.scale), window)


def _resized(rgb: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    return np.asarray(cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)


# --- the figure ----------------------------------------------------------------------------------------


def find_figure(view: NDArray[np.uint8]) -> Figure | None:
    """Cut the figure out of a reduced view, at any of four rotations."""
    model = _load()
    if model is None:
        return _figure_by_border(view)
    best: tuple[float, int, NDArray[np.float32]] | None = None
    for turns in range(4):
        turned = np.ascontiguousarray(np.rot90(view, turns))
        mask = model.segment(turned)
        score = float((mask > 0.8).sum() - 1.5 * ((mask > 0.2) & (mask < 0.8)).sum()) / mask.size
        if best is None or score > best[0] + 0.03:
            best = (score, turns, mask)
    if best is None or (best[2] > 0.5).mean() < 0.015:
        return _figure_by_border(view)
    _, turns, mask = best
    posed = model.pose_mask(np.ascontiguousarray(np.rot90(view, turns)))
    if posed is not None:
        mask = np.maximum(mask, posed)
    whole = np.ascontiguousarray(np.rot90(mask > 0.5, -turns))
    return Figure(_largest(whole), True)


def _figure_by_border(view: NDArray[np.uint8]) -> Figure | None:
    """Tell the figure from the border by color (GrabCut, Rother et al. 2004, 10.1145/1015706.1015720)."""
    h, w = view.shape[:2]
    k = 320 / max(h, w)
    small = np.asarray(cv2.resize(view, None, fx=k, fy=k, interpolation=cv2.INTER_AREA), np.uint8)
    sh, sw = small.shape[:2]
    state = np.full((sh, sw), cv2.GC_PR_FGD, np.uint8)
    state[: sh // 40 + 1], state[:, : sw // 14 + 1], state[:, -sw // 14 - 1 :] = (cv2.GC_BGD,) * 3
    background, foreground = np.zeros((1, 65)), np.zeros((1, 65))
    try:
        cv2.grabCut(
            np.ascontiguousarray(small[..., ::-1]),
            state,
            (0, 0, 1, 1),
            background,
            foreground,
            4,
            cv2.GC_INIT_WITH_MASK,
        )
    except cv2.error:
        return None
    mask = np.isin(state, (cv2.GC_FGD, cv2.GC_PR_FGD)).astype(np.uint8)
    share = float(mask.mean())
    if not 0.02 < share < 0.85:
        return None
    grown = cv2.resize(mask, (w, h), interpolation=cv2.INTER_NEAREST) > 0
    return Figure(_largest(grown), False)


def _largest(mask: Mask) -> Mask:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    if count < 2:
        return mask
    areas = stats[1:, cv2.CC_STAT_AREA]
    keep = 1 + np.flatnonzero(areas > 0.15 * areas.max())
    return np.isin(labels, keep)


class _Model:
    """Person segmentation and pose of the optional face package (Apache-2.0, models in its wheel)."""

    def __init__(self, segmentation: Any, pose: Any) -> None:
        self._segmentation = segmentation
        self._pose = pose

    def segment(self, rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
        """Return the (H, W) probability of a person."""
        return np.array(self._segmentation.process(rgb).segmentation_mask, np.float32)

    def pose_mask(self, rgb: NDArray[np.uint8]) -> NDArray[np.float32] | None:
        """Return the (H, W) probability of a person whose shoulders and hips were found the right way up."""
        result = self._pose.process(rgb)
        if result.pose_landmarks is None:
            return None
        marks = [result.pose_landmarks.landmark[k] for k in (11, 12, 24, 23)]
        if min(m.visibility for m in marks) < 0.7:
            return None
        points = np.array([(m.x * rgb.shape[1], m.y * rgb.shape[0]) for m in marks])
        shoulders, hips = points[:2].mean(axis=0), points[2:].mean(axis=0)
        if hips[1] < shoulders[1] + 0.5 * float(np.hypot(*(points[0] - points[1]))):
            return None
        return np.array(result.segmentation_mask, np.float32)


@functools.cache
def _load() -> _Model | None:
    os.environ.setdefault("GLOG_minloglevel", "3")
    os.environ.setdefault("TF_CPP_MIN_LOG_LEVEL", "3")
    from vision.locate.face_model import quiet

    with quiet(), contextlib.suppress(Exception):
        from mediapipe.python.solutions import pose, selfie_segmentation

        model = _Model(
            selfie_segmentation.SelfieSegmentation(model_selection=0),
            pose.Pose(
                static_image_mode=True,
                model_complexity=1,
                enable_segmentation=True,
                min_detection_confidence=0.4,
            ),
        )
        blank = np.zeros((64, 64, 3), np.uint8)
        model.segment(blank)
        model.pose_mask(blank)
        return model
    return None


# --- vinyl ---------------------------------------------------------------------------------------------


def _features(view: NDArray[np.uint8]) -> Array:
    """Return (H, W, 3) ln(r/g) and ln(b/g), free of shading under one light, and ln of brightness."""
    linear = cv2.GaussianBlur(srgb_to_linear(view), (0, 0), 1.6)
    log = np.log(np.maximum(linear, 2e-3))
    return np.stack([log[..., 0] - log[..., 1], log[..., 2] - log[..., 1], log.mean(axis=2)], axis=-1)


def _vinyl(view: NDArray[np.uint8], figure: Mask, features: Array) -> Mask:
    """Return smooth skin-hued pixels of the figure."""
    lab = cv2.cvtColor(cv2.GaussianBlur(view, (0, 0), 1.2).astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    hue = np.degrees(np.arctan2(lab[..., 2], lab[..., 1]))
    chroma = np.hypot(lab[..., 1], lab[..., 2])
    skin = (chroma > 5) & (chroma < 90) & (hue > -5) & (hue < 105) & (lab[..., 0] > 14) & (lab[..., 0] < 98)
    gx, gy = cv2.Sobel(lab, cv2.CV_32F, 1, 0) / 8, cv2.Sobel(lab, cv2.CV_32F, 0, 1) / 8
    slope = np.sqrt((gx**2 + gy**2).sum(axis=2))
    inner = cv2.erode(figure.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    mask = (skin & inner & (slope < 6) & (_grain(features[..., 2]) < 0.07)).astype(np.uint8)
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    keep = 1 + np.flatnonzero(stats[1:, cv2.CC_STAT_AREA] > 0.01 * figure.sum())
    vinyl = np.isin(labels, keep) if count > 1 else np.zeros(figure.shape, bool)
    return vinyl & (features[..., 0] > -0.1)


def _grain(brightness: Array) -> Array:
    """Return the local contrast of fine detail: hair, weave and print have it, vinyl does not."""
    detail = brightness - cv2.GaussianBlur(brightness, (0, 0), 3)
    return np.sqrt(np.maximum(cv2.GaussianBlur(detail**2, (0, 0), 4), 0))


# --- the line ------------------------------------------------------------------------------------------


def _by_step(figure: Figure, vinyl: Mask, features: Array, place: _Window) -> LinePlace | None:
    """Find the two areas of vinyl that meet in the clearest step of color ratios.

    Each connected area is cut at several levels along a few directions of color; a clothing line is a cut
    where color jumps rather than drifts.
    """
    least = max(0.06 * float(vinyl.sum()), 200.0)
    depth = np.asarray(cv2.distanceTransform(figure.mask.astype(np.uint8), cv2.DIST_L2, 5), np.float64)
    bright = float(np.quantile(features[vinyl, 2], 0.9))
    best: tuple[float, list[_Meeting]] | None = None
    for part in _parts(vinyl, 2.5 * least):
        smooth = _smooth_within(features[..., :2], part, 3.5)
        for high, low in _cuts(smooth, part):
            met = [
                found
                for one in _parts(high, least)
                for two in _parts(low, least)
                if min(np.median(features[m, 2]) for m in (one, two)) > bright - 1.1
                and (found := _meeting(one, two, features, depth)) is not None
            ]
            weight = sum(m.strength * float(np.sqrt(m.border.sum())) for m in met)
            if met and (best is None or weight > best[0]):
                best = weight, met
    if best is None:
        return None
    strongest = max(m.strength for m in best[1])
    one, two, border = (
        np.logical_or.reduce([getattr(m, name) for m in best[1]]) for name in ("one", "two", "border")
    )
    covered, exposed = _which_is_covered([one, two], figure, features)
    places = _places(covered, exposed, border, place)
    if places is None:
        return None
    return LinePlace(*places, float(np.clip(0.55 + 0.1 * (strongest - 1.5), 0.5, 0.95)), ("step",))


@dataclass(frozen=True, slots=True)
class _Meeting:
    """Two areas whose color jumps where they meet: how clearly, and their common border."""

    one: Mask
    two: Mask
    border: Mask
    strength: float


def _parts(mask: Mask, least: float) -> list[Mask]:
    """Return the largest connected areas of at least so many pixels, six at most, specks taken away."""
    opened = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(opened)
    areas = stats[:, cv2.CC_STAT_AREA]
    ranked = sorted(range(1, count), key=lambda k: -areas[k])[:6]
    return [labels == k for k in ranked if areas[k] >= least]


def _cuts(smooth: Array, part: Mask) -> Iterator[tuple[Mask, Mask]]:
    """Yield the area cut in two at several levels of color, along its main direction and along ln(r/g)."""
    values = smooth[part]
    middle = np.median(values, axis=0)
    _, _, axes = np.linalg.svd(_trimmed(values - middle), full_matrices=False)
    for axis in (axes[0], np.array([1.0, 0.0])):
        along = (smooth - middle) @ axis
        low, high = np.quantile(along[part], [0.02, 0.98])
        if high - low < _LEAST_STEP:
            continue
        for share in (0.2, 0.35, 0.5, 0.65, 0.8):
            above = along > low + share * (high - low)
            yield part & above, part & ~above


def _trimmed(values: Array) -> Array:
    distance = np.hypot(*values.T)
    return values[distance <= np.quantile(distance, 0.98)]


def _meeting(one: Mask, two: Mask, features: Array, depth: Array) -> _Meeting | None:
    """Return the meeting of two areas if color jumps at their border, else None.

    A jump is what is left at the border after one slope for both sides: a drift of color along a body leaves
    none. Brightness must nearly go on: a large step of it is the edge of something else, or a cast shadow.
    And the border must reach the figure's outline, which blush on a cheek does not, and cross the body or
    limb, not run along it, where color changes because the surface turns from one light toward another.
    """
    size = float(np.sqrt(min(one.sum(), two.sum())))
    reach = float(np.clip(0.35 * size, 8, 22))
    near = [cv2.dilate(m.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0 for m in (one, two)]
    border = near[0] & near[1] & (one | two)
    if border.sum() < 4 * size:
        return None
    shallow, deep = np.quantile(depth[border], [0.05, 0.95])
    if shallow > max(_NEAR_OUTLINE, 0.45 * deep):
        return None
    to_one, to_two = (cv2.distanceTransform((~m).astype(np.uint8), cv2.DIST_L2, 3) for m in (one, two))
    near_one, near_two = one & (to_two < reach) & (to_two > 3), two & (to_one < reach) & (to_one > 3)
    if min(near_one.sum(), near_two.sum()) < 60:
        return None
    away = np.concatenate([to_two[near_one], -to_one[near_two]]).astype(np.float64)
    seen = np.concatenate([features[near_one], features[near_two]])
    columns = np.column_stack([away > 0, away, np.ones(len(away))]).astype(np.float64)
    solution, *_ = np.linalg.lstsq(columns, seen, rcond=None)
    jump = float(np.hypot(*solution[0, :2]))
    if not _LEAST_STEP < jump < _LARGEST_STEP or abs(solution[0, 2]) > 0.35:
        return None
    if _runs_along(near_one | near_two, np.asarray(to_two - to_one, np.float64), depth):
        return None
    direction = solution[0, :2] / jump
    rest = (seen - columns @ solution)[:, :2] @ direction
    scatter = 1.4826 * float(np.median(np.abs(rest - np.median(rest))))
    drift = abs(float(solution[1, :2] @ direction)) * reach
    strength = jump / max(scatter, 0.008)
    if strength < 1.8 or jump < 1.2 * drift or _between(one, two, features, border, direction, reach) > 0.33:
        return None
    return _Meeting(one, two, border, strength)


def _between(one: Mask, two: Mask, features: Array, border: Mask, direction: Array, reach: float) -> float:
    """Return the share of vinyl round the border with a color midway: small at a line, half in a drift."""
    width = 2 * round(reach) + 1
    zone = (cv2.dilate(border.astype(np.uint8), np.ones((width, width), np.uint8)) > 0) & (one | two)
    along = features[..., :2] @ direction
    high, low = np.median(along[zone & one]), np.median(along[zone & two])
    if abs(high - low) < 1e-6:
        return 1.0
    part = (along[zone] - low) / (high - low)
    return float(((part > 0.25) & (part < 0.75)).mean())


def _runs_along(near: Mask, signed: Array, depth: Array) -> bool:
    """Tell whether a border runs along a limb: color then changes in the direction in which depth does."""
    ax, ay = _slope_of(signed)
    bx, by = _slope_of(depth)
    weight = (np.hypot(ax, ay) * np.hypot(bx, by))[near]
    agree = (ax * bx + ay * by)[near] / np.maximum(weight, 1e-9)
    return bool((weight * agree**2).sum() > 0.65 * weight.sum())


def _slope_of(values: Array) -> tuple[Array, Array]:
    smooth = cv2.GaussianBlur(values, (0, 0), 2)
    return np.gradient(smooth, axis=1), np.gradient(smooth, axis=0)


def _smooth_within(values: Array, mask: Mask, sigma: float) -> Array:
    """Blur inside a mask only."""
    weight = cv2.GaussianBlur(mask.astype(np.float64), (0, 0), sigma)
    return np.asarray(
        cv2.GaussianBlur(values * mask[..., None], (0, 0), sigma) / np.maximum(weight, 1e-6)[..., None]
    )


def _which_is_covered(sides: list[Mask], figure: Figure, features: Array) -> tuple[Mask, Mask]:
    """Order the two sides: clothing covers the thick of the body, and vinyl that kept its color is pinker."""
    depth = cv2.distanceTransform(figure.mask.astype(np.uint8), cv2.DIST_L2, 5)
    thick = [float(depth[s].mean()) for s in sides]
    pink = [float(np.median(features[s][:, 0])) for s in sides]
    votes = (thick[0] - thick[1]) / max(*thick, 1.0) + np.clip((pink[0] - pink[1]) / 0.06, -1.5, 1.5)
    return (sides[0], sides[1]) if votes > 0 else (sides[1], sides[0])


def _places(
    covered: Mask, exposed: Mask, boundary: Mask, place: _Window
) -> tuple[Region, Region, tuple[tuple[tuple[float, float], ...], ...]] | None:
    """Turn masks of the view into regions of the photo, the blurred border left out."""
    size = float(np.sqrt(min(covered.sum(), exposed.sum())))
    width = round(float(np.clip(0.05 * size, 2, 8)))
    kernel = np.ones((2 * width + 1, 2 * width + 1), np.uint8)
    blurred = cv2.dilate((boundary & covered).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    regions = []
    for side, other in ((covered, exposed), (exposed, covered)):
        apart = side & ~(cv2.dilate(other.astype(np.uint8), kernel) > 0)
        region = _region(apart, place)
        if region is None:
            return None
        regions.append(region)
    line = _region(blurred, place, least=0)
    return regions[0], regions[1], () if line is None else line.polygons


def _region(mask: Mask, place: _Window, least: float = 0.05) -> Region | None:
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    largest = max((cv2.contourArea(c) for c in contours), default=0.0)
    if largest < 20:
        return None
    polygons = [
        place.to_photo(cv2.approxPolyDP(c, 0.7, True).reshape(-1, 2).astype(np.float64))
        for c in contours
        if cv2.contourArea(c) >= max(least * largest, 12)
    ]
    region = Region.from_arrays(polygons)
    return region if region.polygons else None
