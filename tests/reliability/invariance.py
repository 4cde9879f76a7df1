"""Changes to a photo that change nothing about the doll, and what came out differently all the same.

A state may be kept or withheld, never replaced by another one. A value may move within what both readings
state as their uncertainty: two standard deviations of the difference (GUM, JCGM 100:2008, 6.2.1).
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image

from pipelines.examine import PhotoRecord, examine
from vision.color import linear_to_srgb, srgb_to_linear
from vision.photo import Photo, load
from vision.traits import Quantity, TraitRecord

#: How far two readings of the same thing may lie apart, in standard uncertainties of their difference.
COVERAGE = 2.0


@dataclass(frozen=True)
class Change:
    """A change of pixels, where each point goes (x, y, width, height), and by how much lengths change."""

    name: str
    pixels: Callable[[np.ndarray], np.ndarray]
    point: Callable[[float, float, int, int], tuple[float, float]]
    scale: float = 1.0


def darker(rgb):
    """Four fifths of the light."""
    return np.rint(linear_to_srgb(srgb_to_linear(rgb) * 0.8) * 255).astype(np.uint8)


def smaller(rgb):
    size = (round(rgb.shape[1] * 0.7), round(rgb.shape[0] * 0.7))
    return cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)


def jpeg_75(rgb):
    stream = io.BytesIO()
    Image.fromarray(rgb).save(stream, "JPEG", quality=75)
    return load(stream.getvalue()).rgb


def stay(x, y, _width, _height):
    return x, y


CHANGES = (
    Change("brightness × 0.8", darker, stay),
    Change("turned by 90°", lambda rgb: np.rot90(rgb, -1), lambda x, y, _w, h: (h - y, x)),
    Change("resized to 70 %", smaller, lambda x, y, _w, _h: (0.7 * x, 0.7 * y), 0.7),
    Change("JPEG 75", jpeg_75, stay),
)


@dataclass(frozen=True)
class Pair:
    """One measurement before and after a change."""

    change: str
    photo: str
    before: TraitRecord
    after: TraitRecord
    scale: float

    @property
    def outcome(self) -> str:
        """``kept``, ``withheld``, ``gained`` (withheld before), ``silent`` (both withheld) or ``changed``."""
        first, second = self.before.state, self.after.state
        if first is None or second is None:
            return "silent" if first == second else "gained" if first is None else "withheld"
        return "kept" if first == second else "changed"

    @property
    def shifts(self) -> Mapping[str, float]:
        """By how many standard uncertainties of the difference each value moved.

        Probabilities (``…_chance``) are judgements like a confidence, not measured values.
        """
        common = [
            name
            for name in self.before.quantities
            if name in self.after.quantities and not name.endswith("_chance")
        ]
        return {
            name: shift(
                self.before.quantities[name],
                self.after.quantities[name],
                self.scale ** (2 if name == "area_px" else 1) if name.endswith("_px") else 1.0,
            )
            for name in common
        }

    @property
    def moved(self) -> Mapping[str, float]:
        """Values that moved by more than is stated; only of states that are told."""
        if self.outcome in {"silent", "changed"}:
            return {}
        return {name: value for name, value in self.shifts.items() if value > COVERAGE}


def shift(before: Quantity, after: Quantity, factor: float = 1.0) -> float:
    """How far apart two values lie, in standard uncertainties of their difference; angles go round.

    The first one is expected to become ``factor`` times as large.
    """
    apart = after.value - before.value * factor
    if before.unit == "deg":
        apart = (apart + 180) % 360 - 180
    u = math.hypot(before.u * factor, after.u)
    return abs(apart) / u if u > 0 else math.inf if apart else 0.0


def pairs(photo: Photo, changes=CHANGES) -> Iterator[Pair]:
    """Examine a photo as it is and changed; yield each measurement that both found."""
    base = examine(photo)
    for change in changes:
        changed = Photo.from_array(np.ascontiguousarray(change.pixels(photo.rgb)), photo.file)
        yield from matched(base, examine(changed), change)


def matched(base: PhotoRecord, other: PhotoRecord, change: Change) -> Iterator[Pair]:
    """Pair records of one trait; of several parts each goes to the one that now lies where it lay."""
    for record in base.traits:
        same = [r for r in other.traits if r.trait == record.trait]
        if not same:
            continue
        found = same[0]
        if record.part is not None:
            placed = [r for r in same if r.region is not None]
            if record.region is None or not placed:
                continue
            at = change.point(*middle(record), base.width_px, base.height_px)
            found = min(placed, key=lambda r: math.dist(middle(r), at))
            if math.dist(middle(found), at) > reach(record) * change.scale:
                continue
        yield Pair(change.name, base.file, record, found, change.scale)


def middle(record: TraitRecord) -> tuple[float, float]:
    x0, y0, x1, y1 = record.region.bounds
    return (x0 + x1) / 2, (y0 + y1) / 2


def reach(record: TraitRecord) -> float:
    """How far a part may seem to move: its own size."""
    x0, y0, x1, y1 = record.region.bounds
    return max(x1 - x0, y1 - y0, 20.0)
