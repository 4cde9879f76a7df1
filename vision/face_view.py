"""One face turned upright at a fixed scale, with its parts: what the face-paint measurements look at.

Measuring in this frame keeps cost flat from a 60 px face to one of 3,000 px and lets every length be
stated in face widths. Counts of pixels are always given back in pixels of the original.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.locate.places import FacePlace
from vision.photo import Photo, linear
from vision.traits import Polygon, Region

#: Width of the face in the upright view, in pixels; smaller faces are enlarged by at most 3.
FACE_PX = 512
MAX_ENLARGE = 3.0


@dataclass(frozen=True)
class FaceView:
    """An upright crop of one face.

    Attributes
    ----------
    rgb
        (H, W, 3) uint8 sRGB.
    linear
        (H, W, 3) float32 linear RGB, 0–1, as in the photo (no white balance).
    to_view
        (2, 3) affine matrix from photo pixels to view pixels.
    scale
        View pixels per photo pixel.
    unit
        Width of the face in view pixels: lengths are stated in fractions of it.
    valid
        (H, W) bool: inside the photo.
    """

    rgb: NDArray[np.uint8]
    linear: NDArray[np.float32]
    to_view: NDArray[np.float64]
    scale: float
    unit: float
    valid: NDArray[np.bool_]
    face: FacePlace

    def points(self, polygon: Sequence[tuple[float, float]] | NDArray[np.float64]) -> NDArray[np.float64]:
        """Map (N, 2) photo pixels to view pixels."""
        p = np.asarray(polygon, np.float64).reshape(-1, 2)
        return p @ self.to_view[:, :2].T + self.to_view[:, 2]

    def mask(self, polygon: Sequence[tuple[float, float]] | NDArray[np.float64]) -> NDArray[np.bool_]:
        """Rasterize a polygon given in photo pixels."""
        return self.mask_view(self.points(polygon))

    def mask_view(self, points: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Rasterize an (N, 2) polygon given in view pixels."""
        out = np.zeros(self.rgb.shape[:2], np.uint8)
        if len(points) >= 3:
            cv2.fillPoly(out, [np.round(points * 16).astype(np.int32)], 1, shift=4)
        return out.astype(bool) & self.valid

    def in_frame(self, polygon: Polygon) -> float:
        """Return the share of a polygon of the original (its pixels) that lies inside the photo, 0–1."""
        outline = self.points(polygon)
        whole = float(cv2.contourArea(outline.astype(np.float32))) if len(outline) >= 3 else 0.0
        return 1.0 if whole < 1 else min(1.0, float(np.count_nonzero(self.mask_view(outline)) / whole))

    def original_pixels(self, mask: NDArray[np.bool_]) -> int:
        """Return how many pixels of the original a mask covers."""
        return round(float(np.count_nonzero(mask)) / self.scale**2)

    def region(self, mask: NDArray[np.bool_], least: float = 1e-4) -> Region:
        """Return a mask's outlines in photo pixels; specks under ``least`` × unit² are dropped."""
        contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        back = cv2.invertAffineTransform(self.to_view)
        arrays = []
        for contour in contours:
            if len(contour) < 4 or cv2.contourArea(contour) < least * self.unit**2:
                continue
            thin = cv2.approxPolyDP(contour, 0.6, True).reshape(-1, 2).astype(np.float64)
            arrays.append(thin @ back[:, :2].T + back[:, 2])
        return Region.from_arrays(arrays)


def face_view(photo: Photo, face: FacePlace, margin: float = 0.35) -> FaceView:
    """Cut out one face, turned upright.

    Parameters
    ----------
    photo
        The photo the face was found in.
    face
        Its place; ``face.box`` is axis-parallel in the photo, so the size is taken from the landmarks or
        from the eyes where there are none.
    margin
        Room around the face in face widths.
    """
    center, width, height = face_frame(face)
    scale = min(FACE_PX / width, MAX_ENLARGE)
    shape = (round(height * (1 + 2 * margin) * scale), round(width * (1 + 2 * margin) * scale))
    matrix = upright_matrix(center, face.roll_deg, scale, shape)
    rgb, valid = warp(photo.rgb, matrix, shape)
    return FaceView(rgb, linear(rgb), matrix, scale, width * scale, valid, face)


def face_frame(face: FacePlace) -> tuple[NDArray[np.float64], float, float]:
    """Return center (2,), width and height of the face along its own axes, in photo pixels."""
    if face.landmarks is not None:
        points = np.asarray(face.landmarks, np.float64)
    else:
        points = np.array([p for poly in (face.left_eye, face.right_eye, face.lips) for p in poly], float)
    turn = _rotation(face.roll_deg)
    own = points @ turn.T
    low, high = own.min(axis=0), own.max(axis=0)
    if face.landmarks is None:
        # Eyes and mouth only: a face is about 1.6 times as wide as its pair of eyes (from memory).
        middle, span = (low + high) / 2, (high - low) * np.array([1.6, 2.0])
        low, high = middle - span / 2, middle + span / 2
    width, height = high - low
    return (low + high) / 2 @ turn, float(max(width, 4.0)), float(max(height, 4.0))


def upright_matrix(
    center: NDArray[np.float64], roll_deg: float, scale: float, shape: tuple[int, int]
) -> NDArray[np.float64]:
    """Return the (2, 3) matrix that turns the head upright about ``center`` into a (H, W) view."""
    turn = _rotation(roll_deg) * scale
    offset = np.array([shape[1] / 2, shape[0] / 2]) - turn @ center
    return np.hstack([turn, offset[:, None]])


def warp(
    rgb: NDArray[np.uint8], matrix: NDArray[np.float64], shape: tuple[int, int]
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Resample part of a picture; where it shrinks, averages first so that fine detail does not alias.

    Returns
    -------
    The (H, W, 3) uint8 view and its (H, W) mask of pixels that lie in the picture.
    """
    height, width = shape
    back = cv2.invertAffineTransform(matrix)
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
    corners = corners @ back[:, :2].T + back[:, 2]
    x0, y0 = np.maximum(np.floor(corners.min(axis=0)).astype(int) - 2, 0)
    x1, y1 = np.ceil(corners.max(axis=0)).astype(int) + 3
    part = rgb[y0:y1, x0:x1]
    if part.size == 0:
        return np.zeros((height, width, 3), np.uint8), np.zeros((height, width), bool)
    scale = float(np.sqrt(abs(np.linalg.det(matrix[:, :2]))))
    local = np.array(matrix, np.float64)
    local[:, 2] += matrix[:, :2] @ np.array([x0, y0], float)
    if scale < 0.75:
        new = (max(1, round(part.shape[1] * scale)), max(1, round(part.shape[0] * scale)))
        ratio = np.array([new[0] / part.shape[1], new[1] / part.shape[0]])
        part = np.asarray(cv2.resize(part, new, interpolation=cv2.INTER_AREA), np.uint8)
        # Pixel centers sit at half-integers: shrinking moves them by half a (ratio - 1).
        local[:, :2] = local[:, :2] / ratio
        local[:, 2] -= local[:, :2] @ (0.5 * (ratio - 1))
    flags = cv2.INTER_CUBIC if scale > 1.2 else cv2.INTER_LINEAR
    view = cv2.warpAffine(part, local, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    inside = cv2.warpAffine(
        np.ones(part.shape[:2], np.uint8), local, (width, height), flags=cv2.INTER_NEAREST
    )
    return np.asarray(view, np.uint8), inside.astype(bool)


def blurred(values: NDArray[Any], sigma: float) -> NDArray[np.float64]:
    """Return float64 values blurred by a Gaussian of ``sigma`` pixels.

    A wide blur is made on a reduced picture: within about a hundredth of the exact one, many times faster.
    """
    exact = np.asarray(values, np.float64)
    shrink = int(sigma / 4)
    if shrink < 2:
        return np.asarray(cv2.GaussianBlur(exact, (0, 0), sigma), np.float64)
    height, width = exact.shape[:2]
    top, left = (shrink * int(min(3 * sigma, side - 1) / shrink) for side in (height, width))
    low, right = (-side % shrink + edge for side, edge in ((height, top), (width, left)))
    if min(height, width) <= max(low, right):
        return np.asarray(cv2.GaussianBlur(exact, (0, 0), sigma), np.float64)
    wide = cv2.copyMakeBorder(exact, top, low, left, right, cv2.BORDER_REFLECT_101)
    size = (wide.shape[1] // shrink, wide.shape[0] // shrink)
    small = cv2.resize(wide, size, interpolation=cv2.INTER_AREA)
    # Averaging over a pixel of the reduced picture has blurred already, by a variance of 1/12 of it.
    small = cv2.GaussianBlur(small, (0, 0), float(np.sqrt((sigma / shrink) ** 2 - 1 / 12)))
    out = cv2.resize(small, (wide.shape[1], wide.shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray(out[top : top + height, left : left + width], np.float64)


def grown(mask: NDArray[np.bool_], by: float) -> NDArray[np.bool_]:
    """Grow (or, negative, shrink) a mask by a distance in pixels."""
    if by >= 0:
        return cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5) <= by
    return cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5) > -by


def outlines(mask: NDArray[np.bool_]) -> list[NDArray[np.int32]]:
    """Return the outer outlines of a mask's parts as OpenCV contours."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return [np.asarray(contour, np.int32) for contour in contours]


def polygon_of(points: NDArray[np.float64]) -> Polygon:
    """Return an (N, 2) array as a polygon of plain floats."""
    return tuple((float(x), float(y)) for x, y in points)


def _rotation(roll_deg: float) -> NDArray[np.float64]:
    """Return the matrix that undoes a clockwise turn of ``roll_deg`` (y points down)."""
    c, s = np.cos(np.radians(roll_deg)), np.sin(np.radians(roll_deg))
    return np.array([[c, s], [-s, c]])
