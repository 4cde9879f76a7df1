"""Find a clothing line: vinyl that clothing covered beside vinyl that it left in the light.

The figure is cut out by a pretrained person segmentation where its package is installed, else by telling it
from the border of the picture. Within the figure, vinyl is what is smooth and skin-hued; a clothing line is a
step in the ratios of the color channels inside it. Brightness alone never makes a line: shade does that.
"""

from __future__ import annotations

import contextlib
import functools
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.color import srgb_to_linear
from vision.locate import blobs, clothing_line
from vision.locate.places import LinePlace
from vision.photo import Photo
from vision.quality import glare_mask
from vision.traits import Region

if TYPE_CHECKING:
    from vision.locate.parts import Parts


Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_VIEW = 512
#: What a network takes for vinyl must fit vinyl's color by this (:func:`vision.locate.blobs.vinyl_likeness`).
_VINYL_COLORED = 0.5
#: ln of brightness below the typical from which on a camera's noise and coding speak, not the vinyl.
_DEEP_SHADE = 1.6
#: A line less probable than this is not shown; above the second, its absence is not claimed either.
_WORTH_SAYING = 0.3
_NO_LINE = 0.15


@dataclass(frozen=True, slots=True)
class Window:
    """A reduced cutting of the photo: its scale and the photo's pixels at its corners."""

    scale: float
    left: int
    top: int
    right: int = 0
    bottom: int = 0

    @property
    def to_view(self) -> Array:
        """(2, 3) matrix from pixels of the photo to those of the view."""
        k = self.scale
        return np.array([[k, 0, (0.5 - self.left) * k - 0.5], [0, k, (0.5 - self.top) * k - 0.5]])

    def cut(self, rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Return the part of the photo, at full size."""
        return rgb[self.top : self.bottom, self.left : self.right]

    def to_photo(self, points: Array) -> Array:
        """Return (N, 2) points of the view in pixels of the photo."""
        return (points + 0.5) / self.scale - 0.5 + (self.left, self.top)


@dataclass(frozen=True, slots=True)
class Figure:
    """The doll in a reduced view, and whether a pretrained model found it."""

    mask: Mask
    learned: bool = False


def find_line(photo: Photo, parts: Parts | None = None) -> LinePlace | None:
    """Find covered and exposed vinyl in a photo of a body or neck.

    Parameters
    ----------
    photo
        The photo.
    parts
        Which pixel shows which part, if known; asked for when None. Without it the figure is told from its
        ground and bare vinyl by smoothness and hue.

    Returns
    -------
    LinePlace
        Both sides of the clearest line with the probability that it is one, flag ``"step"``; or vinyl that
        was covered and shows no line, flag ``"no_step"``. None when neither is seen: the vinyl may be unfaded
        or evenly faded, or what was covered may be out of view.
    """
    bare = bare_vinyl(photo, parts)
    if bare is None:
        return None
    candidates = clothing_line.find(bare.features, bare.measurable, bare.covered)
    best = max(candidates, key=lambda c: c.probability, default=None)
    if best is not None and best.probability >= _WORTH_SAYING:
        return _as_place(best, bare)
    return _unmarked(bare, 0.0 if best is None else best.probability)


@dataclass(frozen=True, slots=True)
class Bare:
    """A view of the doll and its bare vinyl.

    Attributes
    ----------
    view
        (H, W, 3) uint8 sRGB, the doll some 512 pixels long.
    place
        Where the view lies in the photo.
    measurable
        (H, W) bare vinyl without its rim, highlights, clipped pixels and deep shade.
    features
        (H, W, 3) of :func:`vision.locate.clothing_line.features_of`.
    covered
        (H, W) what a network takes for vinyl that clothing once covered; None if it sees none.
    """

    view: NDArray[np.uint8]
    place: Window
    measurable: Mask
    features: Array
    covered: Mask | None = None


def bare_vinyl(photo: Photo, parts: Parts | None = None) -> Bare | None:
    """Find bare vinyl, by the parts network if there is one; None when there is too little to measure."""
    known = parts if parts is not None else _ask_parts(photo)
    found = None if known is None else _by_parts(photo, known)
    found = found or _by_looks(photo)
    if found is None:
        return None
    view, place, vinyl, covered = found
    features = clothing_line.features_of(srgb_to_linear(view))
    measurable = _measurable(view, vinyl, features)
    if measurable.sum() < max(600, 0.004 * measurable.size):
        return None
    return Bare(view, place, measurable, features, covered)


_Seen = tuple[NDArray[np.uint8], "Window", Mask, Mask | None]


def _ask_parts(photo: Photo) -> Parts | None:
    from vision.locate.parts import of_photo
    from vision.network import heard

    return heard("parts", lambda: of_photo(photo))


def _by_parts(photo: Photo, parts: Parts) -> _Seen | None:
    """Take bare vinyl from the parts network; None when it sees too little, or what may well be no vinyl.

    A network marks shreds of what is unlike all it was shown, and a line along a shred would be read as fade.
    So it must take the picture for a body, and what it marks must have a color that vinyl can have.
    """
    if parts.answers.get("view", {}).get("body", 1.0) < 0.5:
        return None
    rgb = photo.rgb
    whole = Window(min(1.0, _VIEW / max(rgb.shape[:2])), 0, 0)
    shape = (round(rgb.shape[0] * whole.scale), round(rgb.shape[1] * whole.scale))
    seen = parts.on(whole.to_view, shape, "vinyl", "covered") > 0.5
    seen = _largest(seen)
    if seen.sum() < 0.01 * seen.size:
        return None
    window = _around(seen, whole, rgb.shape)
    cut = window.cut(rgb)
    if min(cut.shape[:2]) < 60:
        return None
    view = _resized(cut, window.scale)
    vinyl = _largest(parts.on(window.to_view, view.shape[:2], "vinyl", "covered") > 0.5)
    lab = cv2.cvtColor(view.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)[vinyl]
    if not len(lab) or blobs.vinyl_likeness(np.median(lab, axis=0).tolist()) < _VINYL_COLORED:
        return None
    covered = (parts.on(window.to_view, view.shape[:2], "covered") > 0.5) & vinyl
    return view, window, vinyl, covered if covered.sum() > 0.02 * vinyl.sum() else None


def _by_looks(photo: Photo) -> _Seen | None:
    """Take bare vinyl from what is smooth and skin-hued in the figure."""
    view, place = _close_up(photo.rgb)
    if view is None:
        return None
    figure = find_figure(view)
    if figure is None:
        return None
    vinyl = _vinyl(view, figure.mask, clothing_line.features_of(srgb_to_linear(view), 1.6))
    return (view, place, vinyl, None) if vinyl.any() else None


def _measurable(view: NDArray[np.uint8], vinyl: Mask, features: Array) -> Mask:
    """Leave out the rim, highlights with a rim round them, clipped pixels and deep shade."""
    inner = cv2.erode(vinyl.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    if not inner.any():
        return inner
    lost = glare_mask(view, inner) | (view >= 252).any(axis=2)
    lost = cv2.dilate(lost.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    return inner & ~lost & (features[..., 2] > np.median(features[..., 2][inner]) - _DEEP_SHADE)


def _as_place(found: clothing_line.Candidate, bare: Bare) -> LinePlace | None:
    """Turn a candidate into regions of the photo, the covered side first.

    Fading takes the red of vinyl; where red does not tell, the network or the thick of the body does.
    """
    covered, exposed = found.one, found.two
    step = found.division.step
    if step[0] < 0.3 * float(np.hypot(*step)):
        votes = found.clues["thick"]
        if bare.covered is not None:
            votes += 2 * (float(bare.covered[covered].mean()) - float(bare.covered[exposed].mean()))
        if votes < 0:
            covered, exposed = exposed, covered
    places = _places(covered, exposed, found.border, bare.place)
    return None if places is None else LinePlace(*places, found.probability, ("step",))


def _unmarked(bare: Bare, doubt: float) -> LinePlace | None:
    """Return covered and exposed vinyl between which no line shows, where something else tells them apart."""
    if bare.covered is None or doubt > _NO_LINE:
        return None
    vinyl = bare.measurable
    covered, exposed = bare.covered & vinyl, vinyl & ~bare.covered
    if min(covered.sum(), exposed.sum()) < max(0.05 * float(vinyl.sum()), 200):
        return None
    places = _places(covered, exposed, covered, bare.place)
    return None if places is None else LinePlace(places[0], places[1], (), 1 - doubt, ("no_step",))


def _close_up(rgb: NDArray[np.uint8]) -> tuple[NDArray[np.uint8] | None, Window]:
    """Cut the figure out of the picture and bring it to one size, so that all lengths mean the same."""
    whole = Window(min(1.0, _VIEW / max(rgb.shape[:2])), 0, 0)
    figure = find_figure(_resized(rgb, whole.scale))
    if figure is None:
        return None, whole
    window = _around(figure.mask, whole, rgb.shape)
    cut = window.cut(rgb)
    return (None, window) if min(cut.shape[:2]) < 60 else (_resized(cut, window.scale), window)


def _around(mask: Mask, seen: Window, shape: tuple[int, ...]) -> Window:
    """Return a window on a mask of another window, with a margin."""
    ys, xs = np.nonzero(mask)
    margin = 0.06 * max(np.ptp(ys), np.ptp(xs))
    x0, y0 = (max(0, int((v.min() - margin) / seen.scale)) for v in (xs, ys))
    x1 = min(shape[1], int((xs.max() + margin) / seen.scale) + 1)
    y1 = min(shape[0], int((ys.max() + margin) / seen.scale) + 1)
    return Window(min(1.0, _VIEW / max(x1 - x0, y1 - y0, 1)), x0, y0, x1, y1)


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
    from vision.locate import pose
    from vision.locate.face_model import quiet

    with quiet(), contextlib.suppress(Exception):
        from mediapipe.python.solutions import selfie_segmentation

        model = _Model(selfie_segmentation.SelfieSegmentation(model_selection=0), pose.model())
        blank = np.zeros((64, 64, 3), np.uint8)
        model.segment(blank)
        model.pose_mask(blank)
        return model
    return None


# --- vinyl ---------------------------------------------------------------------------------------------


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


# --- regions -------------------------------------------------------------------------------------------


def _places(
    covered: Mask, exposed: Mask, boundary: Mask, place: Window
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


def _region(mask: Mask, place: Window, least: float = 0.05) -> Region | None:
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
