"""The outline of one line of a mark, and how two such outlines lie to each other.

Lines may run at a slant or along an arc, so that an outline is a band: as many points on its upper edge as
on its lower one. Everything here is geometry; nothing looks at the picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class Box:
    """One found line.

    Attributes
    ----------
    polygon
        (2 k, 2) points in pixels of the original, k ≥ 2: the upper edge as read, then the lower edge back.
    score
        How sure its finder is, 0–1; our own text map counts for little.
    """

    polygon: NDArray[np.float64]
    score: float

    @property
    def rectangle(self) -> tuple[tuple[float, float], tuple[float, float], float]:
        """The smallest rectangle around it: center, sides, angle in degrees."""
        (x, y), (w, h), angle = cv2.minAreaRect(self.polygon.astype(np.float32))
        return (x, y), (w, h), angle

    @property
    def height(self) -> float:
        """Distance between the edges, px."""
        half = len(self.polygon) // 2
        return float(np.median(np.linalg.norm(self.polygon[:half] - self.polygon[half:][::-1], axis=1)))

    @property
    def length(self) -> float:
        """Length half way between the edges, px."""
        return float(np.linalg.norm(np.diff(self.middle, axis=0), axis=1).sum())

    @property
    def middle(self) -> NDArray[np.float64]:
        """Points half way between the edges, from the start of the line to its end."""
        half = len(self.polygon) // 2
        return 0.5 * (self.polygon[:half] + self.polygon[half:][::-1])

    @property
    def along(self) -> NDArray[np.float64]:
        """Direction from the start of the line to its end, a unit vector."""
        half = len(self.polygon) // 2
        chord = self.polygon[half - 1] + self.polygon[half] - self.polygon[0] - self.polygon[-1]
        return chord / (np.linalg.norm(chord) + 1e-9)

    @property
    def center(self) -> NDArray[np.float64]:
        """Mean of the outline's points."""
        return self.polygon.mean(axis=0)

    def along_middle(self, count: int) -> NDArray[np.float64]:
        """Return (count, 2) points evenly along :attr:`middle`."""
        at = np.linspace(0, len(self.middle) - 1, count)
        return np.stack(
            [np.interp(at, np.arange(len(self.middle)), self.middle[:, i]) for i in (0, 1)], axis=1
        )

    def share_at(self, point: NDArray[np.float64]) -> float:
        """Return where along its length a point lies, 0 at the start and 1 at the end; may be outside."""
        ends = np.diff(self.middle, axis=0)
        lengths = np.linalg.norm(ends, axis=1)
        runs = np.concatenate([[0.0], np.cumsum(lengths)])
        ahead = np.einsum("ij,ij->i", point - self.middle[:-1], ends / lengths[:, None])
        aside = np.abs(point - self.middle[:-1] - ahead[:, None] * ends / lengths[:, None]).sum(axis=1)
        beside = np.maximum(0.0, np.maximum(-ahead, ahead - lengths))
        nearest = int(np.argmin(aside + beside))
        return float((runs[nearest] + ahead[nearest]) / runs[-1])

    def turned(self) -> Box:
        """The same box read from the other end."""
        half = len(self.polygon) // 2
        return Box(np.roll(self.polygon, half, axis=0), self.score)

    def quarter_turned(self) -> Box:
        """The same place as a rectangle whose text runs along its other side."""
        corners = cv2.boxPoints(self.rectangle).astype(np.float64)
        return Box(np.roll(corners, 1, axis=0), self.score)


def covered(box: Box, other: Box) -> float:
    """Return the share of ``box`` that lies in ``other``, 0–1."""
    a = cv2.boxPoints(box.rectangle)
    b = cv2.boxPoints(other.rectangle)
    shared, _ = cv2.intersectConvexConvex(a, b)
    return float(shared) / max(float(cv2.contourArea(a)), 1e-6)


def follows(a: Box, b: Box) -> bool:
    """Return whether ``b`` goes on where ``a`` ends, a word or two apart on one line."""
    before, end = a.middle[-2:]
    start = b.middle[0]
    heading = (end - before) / (np.linalg.norm(end - before) + 1e-9)
    heading = heading + b.along
    heading = heading / (np.linalg.norm(heading) + 1e-9)
    sizes = sorted((a.height, b.height))
    gap = float((start - end) @ heading)
    offset = abs(float((start - end) @ np.array([-heading[1], heading[0]])))
    return offset < 0.3 * sum(sizes) and sizes[1] < 2.0 * sizes[0] and -sizes[1] < gap < 2.5 * sizes[1]


def runs_into(a: Box, b: Box) -> bool:
    """Return whether two boxes of one line, ``b`` after ``a``, share letters."""
    return float((b.middle[0] - a.middle[-1]) @ (a.along + b.along)) / 2 < -0.7 * min(a.height, b.height)


def edges_at(band: NDArray[np.float64], share: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the points on both edges, (2,) each, at a share of a line's length.

    Parameters
    ----------
    band
        (2 k, 2) outline: the upper edge as read, then the lower edge back.
    share
        0 at the start, 1 at the end; beyond both the line goes on straight.
    """
    half = len(band) // 2
    upper, lower = band[:half], band[half:][::-1]
    middle = 0.5 * (upper + lower)
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(middle, axis=0), axis=1))])
    at = share * run[-1]
    top = np.array([np.interp(at, run, upper[:, i]) for i in (0, 1)])
    bottom = np.array([np.interp(at, run, lower[:, i]) for i in (0, 1)])
    beyond = min(at, 0.0) + max(at - run[-1], 0.0)
    heading = middle[1] - middle[0] if at < 0 else middle[-1] - middle[-2]
    step = beyond * heading / (np.linalg.norm(heading) + 1e-9)
    return top + step, bottom + step


def section(outline: NDArray[np.float64], start: float, stop: float) -> NDArray[np.float64]:
    """Return the part of a line's outline between two shares of its length.

    Parameters
    ----------
    outline
        (2 k, 2): the upper edge as read, then the lower edge back.
    start, stop
        ``start`` < ``stop``; outside 0–1 the line is lengthened straight on.

    Returns
    -------
    Outline of the same kind.
    """
    shares = np.linspace(start, stop, len(outline) // 2)
    ends = [edges_at(outline, float(share)) for share in shares]
    return np.concatenate([[top for top, _ in ends], [bottom for _, bottom in ends][::-1]])
