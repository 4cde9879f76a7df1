"""Evenly colored regions of a photo: the candidates for bare vinyl.

Vinyl is one material: its lightness runs with the shading, its chromaticity hardly does. CIELAB gives a
chromaticity that shading leaves alone, a*/(L*+16) and b*/(L*+16), because a* and L*+16 both scale with the
cube root of the light. Regions are clusters in that plane, with a little lightness to part the shadowed
from the lit, at several granularities; all are proposals only.
"""

from __future__ import annotations

import weakref
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.photo import Photo

Mask = NDArray[np.bool_]
Floats = NDArray[Any]

#: Long side of the picture that is looked at.
SIDE = 208
_GRAINS = ((3, 0.04), (5, 0.08), (6, 0.3))


@dataclass(frozen=True, slots=True)
class Scene:
    """The reduced picture, original = reduced / scale: CIELAB float32 (h, w, 3), its chromaticity plane
    (h, w, 2), and the unevenness of its lightness from pixel to pixel (h, w)."""

    lab: Floats
    chroma: Floats
    fine: Floats
    scale: float

    @property
    def shape(self) -> tuple[int, int]:
        """(height, width) of the reduced picture."""
        return self.lab.shape[0], self.lab.shape[1]


@dataclass(frozen=True, slots=True)
class Blob:
    """One region of the reduced picture.

    Attributes
    ----------
    mask
        (h, w) bool, holes filled.
    area
        Share of the picture, 0–1.
    center, angle, length, width
        Of the smallest rectangle around it; ``angle`` in radians is that of the long side.
    solidity
        Area over that of the convex hull.
    border
        Share of its outline that runs along the picture's border.
    lab
        Median CIELAB (as photographed).
    texture
        Fine unevenness of lightness inside (L* units).
    contrast
        Color step across its outline (ΔE*ab) that three quarters of the outline exceed.
    """

    mask: Mask
    area: float
    center: tuple[float, float]
    angle: float
    length: float
    width: float
    solidity: float
    border: float
    lab: tuple[float, float, float]
    texture: float
    contrast: float

    @property
    def elongation(self) -> float:
        """Length over width, at least 1."""
        return self.length / max(self.width, 1e-6)


_seen: weakref.WeakKeyDictionary[Photo, tuple[Scene, tuple[Blob, ...]]] = weakref.WeakKeyDictionary()


def regions_of(photo: Photo) -> tuple[Scene, tuple[Blob, ...]]:
    """Return a photo's reduced picture and all regions proposed in it: found once, several ask for them."""
    if photo not in _seen:
        scene = scene_of(photo)
        _seen[photo] = scene, tuple(propose(scene))
    return _seen[photo]


def scene_of(photo: Photo) -> Scene:
    """Return the reduced picture of a photo."""
    small, scale = photo.small
    k = min(1.0, SIDE / max(small.shape[:2]))
    size = (max(8, round(small.shape[1] * k)), max(8, round(small.shape[0] * k)))
    rgb = cv2.resize(small, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    lab = cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB)
    light = lab[..., 0]
    fine = np.abs(light - cv2.GaussianBlur(light, (0, 0), 1.5))
    return Scene(lab, _chromaticity(lab), fine, scale * size[0] / small.shape[1])


def _chromaticity(lab: Floats) -> Floats:
    """Return (h, w, 2) a*, b* as they would be at L* = 60, the darkest pixels held back from noise."""
    return (76.0 * lab[..., 1:] / (np.maximum(lab[..., :1], 8.0) + 16.0)).astype(np.float32)


def propose(scene: Scene, least: float = 0.004) -> list[Blob]:
    """Return regions of at least ``least`` of the picture, the same region found twice only once."""
    features = _features(scene)
    found: list[Blob] = []
    for clusters, lightness in _GRAINS:
        labels, centers = _cluster(features, clusters, lightness)
        groups = [(k,) for k in range(len(centers))] + _alike(centers)
        for group in groups:
            for piece in _pieces(np.isin(labels, group).astype(np.uint8), least):
                if not any(_same(piece, other.mask) for other in found):
                    found.append(describe(scene, piece))
    return found


def _alike(centers: Floats, nearest: float = 14.0) -> list[tuple[int, int]]:
    """Return the two pairs of clusters closest in chromaticity: lit and shaded side of one thing."""
    pairs = combinations(range(len(centers)), 2)
    apart = sorted((float(np.linalg.norm(centers[i, :2] - centers[j, :2])), i, j) for i, j in pairs)
    return [(i, j) for gap, i, j in apart[:2] if gap < nearest]


def _features(scene: Scene) -> Floats:
    lab = cv2.bilateralFilter(scene.lab, 5, 12, 3)
    return np.dstack([_chromaticity(lab), lab[..., :1]]).astype(np.float32)


def _cluster(features: Floats, clusters: int, lightness: float) -> tuple[NDArray[np.intp], Floats]:
    """Return (h, w) labels and the centers of k-means in chromaticity and a little lightness (fixed seed)."""
    flat = (features * np.array([1, 1, lightness], np.float32)).reshape(-1, 3)
    sample = flat[:: max(1, len(flat) // 6000)]
    cv2.setRNGSeed(7)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 12, 0.3)
    _, _, centers = cv2.kmeans(sample, min(clusters, len(sample)), None, stop, 2, cv2.KMEANS_PP_CENTERS)  # type: ignore[call-overload]
    far = ((flat[:, None] - centers[None]) ** 2).sum(-1)
    return far.argmin(1).reshape(features.shape[:2]), centers


def _pieces(mask: NDArray[Any], least: float) -> list[Mask]:
    """Return connected pieces, opened and with holes filled, and the halves of those that part easily."""
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5)))
    out = []
    for piece in components(opened, least * mask.size):
        filled = fill_holes(piece)
        out += [filled, *split(filled, least * mask.size)]
    return out


def components(mask: NDArray[Any], least: float) -> list[Mask]:
    """Return the connected pieces of a 0/1 uint8 mask of at least ``least`` pixels."""
    n, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    return [labels == k for k in range(1, n) if stats[k, cv2.CC_STAT_AREA] >= least]


def fill_holes(mask: Mask, largest: float = 0.25) -> Mask:
    """Return the mask with enclosed gaps of up to ``largest`` of its area filled."""
    out = mask.copy()
    inside = out[_window(mask)]
    n, labels, stats, _ = cv2.connectedComponentsWithStats((~inside).astype(np.uint8), connectivity=4)
    h, w = inside.shape
    for k in range(1, n):
        x, y, bw, bh, area = stats[k]
        if x > 0 and y > 0 and x + bw < w and y + bh < h and area < largest * np.count_nonzero(mask):
            inside |= labels == k
    return out


def _window(mask: Mask) -> tuple[slice, slice]:
    """Return the part of the picture that holds a mask, a pixel more on each side."""
    x, y, w, h = cv2.boundingRect(mask.astype(np.uint8))
    return slice(max(0, y - 1), y + h + 1), slice(max(0, x - 1), x + w + 1)


def split(mask: Mask, least: float) -> list[Mask]:
    """Return two parts of a region that hang together by a neck, or nothing."""
    window = _window(mask)
    inside = mask[window]
    far = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 5)
    for level in np.array([0.2, 0.32, 0.45, 0.6, 0.75]) * far.max():
        cores = components((far > level).astype(np.uint8), max(12.0, 0.08 * np.count_nonzero(inside)))
        if len(cores) < 2:
            continue
        cores = sorted(cores, key=np.count_nonzero, reverse=True)[:2]
        gaps = [cv2.distanceTransform((~c).astype(np.uint8), cv2.DIST_L2, 5) for c in cores]
        first = np.zeros_like(mask)
        first[window] = inside & (gaps[0] <= gaps[1])
        parts = [first, mask & ~first]
        return parts if min(np.count_nonzero(p) for p in parts) >= least else []
    return []


def _same(a: Mask, b: Mask) -> bool:
    """Return whether two masks share 85 % of what either covers."""
    one, other = int(np.count_nonzero(a)), int(np.count_nonzero(b))
    if min(one, other) < 0.85 * max(one, other):  # too unlike in size: most need no closer look
        return False
    shared = int(np.count_nonzero(a & b))
    return shared >= 0.85 * (one + other - shared)


def describe(scene: Scene, mask: Mask) -> Blob:
    """Measure one region of the reduced picture."""
    h, w = mask.shape
    contour = outline(mask)
    (cx, cy), (sw, sh), degrees = cv2.minAreaRect(contour)
    angle = np.radians(degrees if sw >= sh else degrees + 90)
    hull = float(cv2.contourArea(cv2.convexHull(contour)))
    x, y = contour[:, 0], contour[:, 1]
    at_border = (x <= 1) | (y <= 1) | (x >= w - 2) | (y >= h - 2)
    inner = cv2.erode(mask.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0) > 0
    where = inner if inner.sum() > 20 else mask
    return Blob(
        mask=mask,
        area=float(mask.mean()),
        center=(float(cx), float(cy)),
        angle=float(angle),
        length=float(max(sw, sh)),
        width=float(min(sw, sh)),
        solidity=float(min(1.0, mask.sum() / max(hull, 1.0))),
        border=float(at_border.mean()),
        lab=tuple(float(v) for v in np.median(scene.lab[where], axis=0)),  # type: ignore[arg-type]
        texture=float(np.median(scene.fine[where])),
        contrast=_contrast(scene, mask, contour),
    )


def outline(mask: Mask) -> NDArray[Any]:
    """Return the (N, 2) outer contour of the largest piece of a mask."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return max(contours, key=len).reshape(-1, 2)


def _contrast(scene: Scene, mask: Mask, contour: NDArray[Any]) -> float:
    """Return the color step from 3 px inside to 3 px outside that most of the contour exceeds."""
    signed = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 2.0)
    gx, gy = cv2.Sobel(signed, cv2.CV_32F, 1, 0), cv2.Sobel(signed, cv2.CV_32F, 0, 1)
    points = contour[:: max(1, len(contour) // 100)]
    x, y = points[:, 0], points[:, 1]
    norm = np.hypot(gx[y, x], gy[y, x]) + 1e-6
    nx, ny = gx[y, x] / norm, gy[y, x] / norm
    h, w = mask.shape

    def at(step: float) -> Floats:
        xs = np.clip(np.round(x + step * nx), 0, w - 1).astype(int)
        ys = np.clip(np.round(y + step * ny), 0, h - 1).astype(int)
        return scene.lab[ys, xs]

    return float(np.percentile(np.linalg.norm(at(3) - at(-3), axis=1), 25))


def vinyl_likeness(lab: Sequence[float]) -> float:
    """Return 0–1: how well a photographed color fits skin-colored vinyl under light of unknown color.

    Bare vinyl of fashion dolls lies about hab 35–75°, chroma 10–40 (measured on photographs, no source);
    light between 2,500 and 7,500 K with a wrong white balance moves it far, hence the wide shoulders.
    """
    light, a, b = lab
    chroma = 76 * np.hypot(a, b) / (max(light, 8.0) + 16)
    hue = (np.degrees(np.arctan2(b, a)) + 180) % 360 - 180
    off_hue = max(0.0, abs(hue - 52) - 28) / 22
    off_chroma = max(0.0, 9 - chroma) / 4 + max(0.0, chroma - 48) / 12
    off_light = max(0.0, 22 - light) / 10
    return float(np.exp(-0.5 * (off_hue**2 + off_chroma**2 + off_light**2)))
