"""Where things are in a photo. Locators return these; measurements read them.

All coordinates are pixels of the upright original, x right, y down.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.traits import Polygon, Region, View

Points = NDArray[np.float64]  # (N, 2) of x, y


@dataclass(frozen=True, slots=True)
class FacePlace:
    """One face.

    ``left`` and ``right`` are the image's left and right, after turning the head upright.
    ``roll_deg`` is how far the head is turned clockwise in the image; ``yaw_deg`` > 0 looks to the
    image's right. ``landmarks`` is the (468, 2) mesh when the model found it, else None.
    """

    box: tuple[float, float, float, float]
    confidence: float
    left_eye: Polygon
    right_eye: Polygon
    lips: Polygon
    left_ear: Polygon = ()
    right_ear: Polygon = ()
    skin: tuple[Polygon, ...] = ()
    inner_lips: Polygon = ()
    roll_deg: float = 0.0
    yaw_deg: float = 0.0
    landmarks: Points | None = None
    method: str = ""
    flags: tuple[str, ...] = ()
    part: str | None = None

    @property
    def width(self) -> float:
        """Width of the box in pixels."""
        return self.box[2] - self.box[0]


@dataclass(frozen=True, slots=True)
class SolePlace:
    """One sole seen from below; ``part`` is ``left_foot`` for the one on the image's left.

    ``hole`` is the outline of a hole that a person pointed out, if any.
    """

    outline: Polygon
    confidence: float
    part: str
    flags: tuple[str, ...] = ()
    hole: Polygon = ()


@dataclass(frozen=True, slots=True)
class LinePlace:
    """A clothing line: vinyl that was covered beside vinyl that was exposed."""

    covered: Region
    exposed: Region
    line: tuple[Polygon, ...] = ()
    confidence: float = 0.0
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MarkPlace:
    """A place that may carry a molded mark; ``angle_deg`` is the reading direction, clockwise from +x."""

    outline: Polygon
    confidence: float
    angle_deg: float = 0.0
    letter_height_px: float = 0.0
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ViewPlace:
    """What the photo shows, with the probability of each view."""

    state: View
    confidence: float
    candidates: dict[str, float] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """Return the contract's JSON form."""
        return {
            "state": str(self.state),
            "confidence": round(self.confidence, 3),
            "candidates": {k: round(v, 3) for k, v in self.candidates.items()},
        }


@dataclass(frozen=True, slots=True)
class Places:
    """All that was located in one photo."""

    view: ViewPlace
    faces: tuple[FacePlace, ...] = ()
    soles: tuple[SolePlace, ...] = ()
    line: LinePlace | None = None
    marks: tuple[MarkPlace, ...] = ()
    notes: tuple[str, ...] = ()
