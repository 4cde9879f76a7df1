"""The trait schema: what every measurement returns and every judgement reads.

Image measurements and hands-on findings meet here. A record either states something, with a confidence
and an uncertainty, or says in a typed way why it does not. There is no third form: no zero, no empty
string and no NaN stands for "not measured".
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

SCHEMA = "rakelight.traits/1"

#: A state is withheld (``ambiguous``) when its confidence is below this.
STATE_THRESHOLD = 0.6


class View(StrEnum):
    """What a photo shows."""

    FACE = "face"
    HEAD_BACK = "head_back"
    BODY = "body"
    SOLES = "soles"
    MARK = "mark"
    CROWD = "crowd"
    OTHER = "other"


class Trait(StrEnum):
    """The traits a photo can show."""

    EYELINER_COLOR = "eyeliner_color"
    IRIS_COLOR = "iris_color"
    LIP_PAINT = "lip_paint"
    SKIN_FADE = "skin_fade"
    FOOT_HOLES = "foot_holes"
    MARK_TEXT = "mark_text"
    MARK_SYMBOL = "mark_symbol"
    SKIN_SHEEN = "skin_sheen"
    EAR_STAIN = "ear_stain"
    LIP_REPAINT_SIGNS = "lip_repaint_signs"
    EYE_REPAINT_SIGNS = "eye_repaint_signs"
    FEET_MATCH = "feet_match"


#: The closed list of states of each photo trait.
STATES: Mapping[Trait, tuple[str, ...]] = {
    Trait.EYELINER_COLOR: ("blue", "brown", "black", "none", "other"),
    Trait.IRIS_COLOR: ("unpainted", "blue", "brown", "green", "other"),
    Trait.LIP_PAINT: ("full", "rubbed", "bare", "overpainted"),
    Trait.SKIN_FADE: ("none", "faded"),
    Trait.FOOT_HOLES: ("none", "open", "lined", "drilled"),
    Trait.MARK_TEXT: ("present", "absent"),
    Trait.MARK_SYMBOL: ("registered", "trademark", "none"),
    Trait.SKIN_SHEEN: ("matte", "greasy"),
    Trait.EAR_STAIN: ("none", "green"),
    Trait.LIP_REPAINT_SIGNS: ("none", "present"),
    Trait.EYE_REPAINT_SIGNS: ("none", "present"),
    Trait.FEET_MATCH: ("alike", "differ"),
}

#: The view or views in which each trait can be read; the first is the one to ask for. A photo of a whole doll
#: shows her eyes, lips and ears too: they are read there where a face is found.
VIEWS_OF: Mapping[Trait, tuple[View, ...]] = {
    Trait.EYELINER_COLOR: (View.FACE, View.BODY, View.CROWD),
    Trait.IRIS_COLOR: (View.FACE, View.BODY, View.CROWD),
    Trait.LIP_PAINT: (View.FACE, View.BODY, View.CROWD),
    Trait.SKIN_FADE: (View.BODY,),
    Trait.FOOT_HOLES: (View.SOLES,),
    Trait.MARK_TEXT: (View.MARK, View.HEAD_BACK),
    Trait.MARK_SYMBOL: (View.MARK, View.HEAD_BACK),
    Trait.SKIN_SHEEN: (View.FACE, View.BODY, View.CROWD),
    Trait.EAR_STAIN: (View.FACE, View.BODY),
    Trait.LIP_REPAINT_SIGNS: (View.FACE,),
    Trait.EYE_REPAINT_SIGNS: (View.FACE,),
    Trait.FEET_MATCH: (View.SOLES,),
}


class Reason(StrEnum):
    """Why something was not measured."""

    NOT_IN_VIEW = "not_in_view"
    TOO_SMALL = "too_small"
    BLURRED = "blurred"
    CLIPPED = "clipped"
    TOO_DARK = "too_dark"
    GLARE = "glare"
    OCCLUDED = "occluded"
    NO_REFERENCE = "no_reference"
    AMBIGUOUS = "ambiguous"
    NOT_LOCATED = "not_located"
    MONOCHROME = "monochrome"
    FILTERED = "filtered"
    NOT_A_DOLL = "not_a_doll"
    ENGINE_MISSING = "engine_missing"
    ENGINE_FAILED = "engine_failed"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured value with its standard uncertainty (k = 1).

    Parameters
    ----------
    value, u
        Finite floats; ``u`` is not negative. Both carry ``unit``.
    unit
        ``"1"`` for pure numbers, else ``"deg"``, ``"px"``, ``"g"``.
    """

    value: float
    u: float
    unit: str = "1"

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.u) and self.u >= 0):
            raise ValueError(f"a quantity needs a finite value and u >= 0, got {self.value!r} ± {self.u!r}")

    def to_json(self) -> dict[str, Any]:
        """Return the contract's JSON form."""
        return {"value": _tidy(self.value), "u": _tidy(self.u), "unit": self.unit}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Quantity:
        """Return what :meth:`to_json` wrote."""
        return cls(data["value"], data["u"], data["unit"])


Point = tuple[float, float]
Polygon = tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class Region:
    """Polygons in pixels of the upright original: x to the right, y down, origin at the top left corner.

    ``names`` says what each polygon holds, where that matters (``"covered"``, ``"exposed"``); else empty.
    """

    polygons: tuple[Polygon, ...]
    names: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.names and len(self.names) != len(self.polygons):
            raise ValueError(f"{len(self.polygons)} polygons need as many names, got {len(self.names)}")

    @classmethod
    def from_arrays(cls, arrays: Iterable[NDArray[Any]]) -> Region:
        """Build a region from (N, 2) arrays of x, y; arrays of fewer than three points are dropped."""
        return cls(
            tuple(
                tuple((float(x), float(y)) for x, y in np.asarray(a, float).reshape(-1, 2))
                for a in arrays
                if len(a) >= 3
            )
        )

    @classmethod
    def box(cls, x0: float, y0: float, x1: float, y1: float) -> Region:
        """Build a rectangular region."""
        return cls((((x0, y0), (x1, y0), (x1, y1), (x0, y1)),))

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """(x0, y0, x1, y1) around all polygons; raises ``ValueError`` when there are none."""
        points = [p for polygon in self.polygons for p in polygon]
        if not points:
            raise ValueError("an empty region has no bounds")
        xs, ys = zip(*points, strict=True)
        return min(xs), min(ys), max(xs), max(ys)

    def to_json(self) -> dict[str, Any]:
        """Return the contract's JSON form; ``names`` only where there are any."""
        out: dict[str, Any] = {
            "polygons": [[[round(x, 1), round(y, 1)] for x, y in p] for p in self.polygons]
        }
        if self.names:
            out["names"] = list(self.names)
        return out

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Region:
        """Return what :meth:`to_json` wrote."""
        return cls(tuple(_polygon(points) for points in data["polygons"]), tuple(data.get("names", ())))


@dataclass(frozen=True, slots=True)
class TextLine:
    """One line of a mark as read, never corrected by a word list."""

    text: str
    confidence: float
    polygon: Polygon
    alternatives: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return the contract's JSON form."""
        out: dict[str, Any] = {
            "text": self.text,
            "confidence": _tidy(self.confidence),
            "polygon": [[round(x, 1), round(y, 1)] for x, y in self.polygon],
        }
        if self.alternatives:
            out["alternatives"] = list(self.alternatives)
        return out

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> TextLine:
        """Return what :meth:`to_json` wrote."""
        polygon = _polygon(data["polygon"])
        return cls(data["text"], data["confidence"], polygon, tuple(data.get("alternatives", ())))


@dataclass(frozen=True, slots=True)
class TraitRecord:
    """One trait as found in one place of one photo, or as felt by a hand.

    Exactly one of ``state`` and ``not_measured`` is set. Build records with :meth:`stated`,
    :meth:`withheld` and :meth:`decide`, which keep that promise.

    Attributes
    ----------
    trait
        Name of the trait: a :class:`Trait` or a hands-on trait that the guide declares.
    state
        One of the trait's states, or None.
    confidence
        Calibrated probability in [0, 1] that ``state`` is right; for withheld records that of the best
        candidate, 0 if there is none.
    not_measured
        The typed reason when ``state`` is None.
    detail
        One plain sentence for a reader: what was seen, or why nothing can be said and what would help.
    candidates
        Probability of each state considered.
    quantities
        Named measured values with standard uncertainties. May be present on a withheld record.
    region
        Where it was measured, in pixels of the upright original.
    n_pixels
        How many pixels of the original the reading rests on.
    flags
        Short machine words on quality (``"flash"``, ``"no_reference"``, ``"eyes_disagree"``, …).
    method
        Name and version of the method, ``"eyeliner/1"``.
    part
        Which of several (``"left_foot"`` is the one on the image's left; ``"head_3"``).
    text
        Lines of a mark in reading order; None for all traits but ``mark_text``.
    """

    trait: str
    method: str
    state: str | None = None
    confidence: float = 0.0
    not_measured: Reason | None = None
    detail: str = ""
    candidates: Mapping[str, float] = field(default_factory=dict)
    quantities: Mapping[str, Quantity] = field(default_factory=dict)
    region: Region | None = None
    n_pixels: int = 0
    flags: tuple[str, ...] = ()
    part: str | None = None
    text: tuple[TextLine, ...] | None = None

    def __post_init__(self) -> None:
        if (self.state is None) == (self.not_measured is None):
            raise ValueError(f"{self.trait}: a record either states something or says why not")
        if not 0 <= self.confidence <= 1:
            raise ValueError(f"{self.trait}: confidence {self.confidence!r} is not in [0, 1]")

    @classmethod
    def stated(cls, trait: str, state: str, confidence: float, method: str, **rest: Any) -> TraitRecord:
        """Return a record that states something."""
        return cls(trait=trait, method=method, state=state, confidence=confidence, **rest)

    @classmethod
    def withheld(cls, trait: str, reason: Reason, method: str, detail: str, **rest: Any) -> TraitRecord:
        """Return a record that says why nothing is stated; ``detail`` says what would help."""
        candidates: Mapping[str, float] = rest.get("candidates", {})
        rest.setdefault("confidence", max(candidates.values(), default=0.0))
        return cls(trait=trait, method=method, not_measured=reason, detail=detail, **rest)

    @classmethod
    def decide(
        cls, trait: str, candidates: Mapping[str, float], method: str, ambiguous: str = "", **rest: Any
    ) -> TraitRecord:
        """State the likeliest candidate, or withhold it as ``ambiguous`` below :data:`STATE_THRESHOLD`.

        Parameters
        ----------
        candidates
            Probability of each state; must not be empty.
        ambiguous
            The sentence to give when the state is withheld; ``detail`` serves otherwise.
        """
        ranked = dict(sorted(candidates.items(), key=lambda item: -item[1]))
        best, p = next(iter(ranked.items()))
        if p >= STATE_THRESHOLD:
            return cls.stated(trait, best, p, method, candidates=ranked, **rest)
        detail = ambiguous or rest.pop("detail", "") or f"Cannot tell {' from '.join(list(ranked)[:2])}."
        rest.pop("detail", None)
        return cls.withheld(trait, Reason.AMBIGUOUS, method, detail, candidates=ranked, **rest)

    def replace(self, **changes: Any) -> TraitRecord:
        """Return a copy with some fields changed."""
        return dataclasses.replace(self, **changes)

    def to_json(self) -> dict[str, Any]:
        """Return the contract's JSON form."""
        out: dict[str, Any] = {
            "trait": str(self.trait),
            "state": self.state,
            "confidence": _tidy(self.confidence),
            "not_measured": None if self.not_measured is None else str(self.not_measured),
            "detail": self.detail,
            "candidates": {k: _tidy(v) for k, v in self.candidates.items()},
            "quantities": {k: q.to_json() for k, q in self.quantities.items()},
            "region": None if self.region is None else self.region.to_json(),
            "n_pixels": self.n_pixels,
            "flags": list(self.flags),
            "method": self.method,
            "part": self.part,
        }
        if self.text is not None:
            out["text"] = [line.to_json() for line in self.text]
        return out

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> TraitRecord:
        """Return what :meth:`to_json` wrote, with numbers as they were rounded there.

        Raises
        ------
        KeyError, TypeError, ValueError
            When ``data`` is not of that form.
        """
        text = data.get("text")
        return cls(
            trait=data["trait"],
            method=data["method"],
            state=data["state"],
            confidence=data["confidence"],
            not_measured=None if data["not_measured"] is None else Reason(data["not_measured"]),
            detail=data["detail"],
            candidates=dict(data["candidates"]),
            quantities={name: Quantity.from_json(q) for name, q in data["quantities"].items()},
            region=None if data["region"] is None else Region.from_json(data["region"]),
            n_pixels=data["n_pixels"],
            flags=tuple(data["flags"]),
            part=data["part"],
            text=None if text is None else tuple(TextLine.from_json(line) for line in text),
        )


def _polygon(points: Iterable[Any]) -> Polygon:
    return tuple((float(x), float(y)) for x, y in points)


def _tidy(value: float) -> float:
    """Round to six significant digits, so that results are the same bytes on every machine."""
    return float(f"{float(value):.6g}")
