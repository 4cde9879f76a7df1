"""What a person can do on the page, checked before it is believed, and what it makes of the two files."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from pipelines import guide as guides
from pipelines import words
from pipelines.examine import PhotoRecord
from pipelines.findings import SURE
from pipelines.guide import Guide
from pipelines.listing import check_claim
from pipelines.regions import PLACES, PhotoRegions
from pipelines.review import paper as papers
from pipelines.review.history import Step
from vision.errors import UsageError
from vision.locate.view import REGION_VIEWS
from vision.traits import Trait, View

_MOST_POINTS = 400
_MOST_TEXT = 400
_KINDS: Final = ("place", "drop_place", "view", "finding", "who", "claim", "guide", "undo", "redo")

#: Which traits rest on a place, the most telling first.
TRAITS_OF_PLACE: Final[Mapping[str, tuple[Trait, ...]]] = {
    "left_eye": (Trait.EYELINER_COLOR, Trait.IRIS_COLOR),
    "right_eye": (Trait.EYELINER_COLOR, Trait.IRIS_COLOR),
    "lips": (Trait.LIP_PAINT,),
    "skin": (Trait.SKIN_SHEEN,),
    "left_ear": (Trait.EAR_STAIN,),
    "right_ear": (Trait.EAR_STAIN,),
    "left_sole": (Trait.FOOT_HOLES,),
    "right_sole": (Trait.FOOT_HOLES,),
    "left_hole": (Trait.FOOT_HOLES,),
    "right_hole": (Trait.FOOT_HOLES,),
    "covered": (Trait.SKIN_FADE,),
    "exposed": (Trait.SKIN_FADE,),
    "mark": (Trait.MARK_TEXT,),
    "neutral": (Trait.EYELINER_COLOR, Trait.IRIS_COLOR),
}

PLACE_WORDS: Final[Mapping[str, str]] = {
    "left_eye": "Eye on the left",
    "right_eye": "Eye on the right",
    "lips": "Lips",
    "skin": "Bare skin",
    "left_ear": "Ear on the left",
    "right_ear": "Ear on the right",
    "left_sole": "Sole on the left",
    "right_sole": "Sole on the right",
    "left_hole": "Hole, left sole",
    "right_hole": "Hole, right sole",
    "covered": "Vinyl once covered",
    "exposed": "Vinyl always bare",
    "mark": "Mold mark",
    "neutral": "Gray card or chart",
}

VIEW_WORDS: Final[Mapping[View, str]] = {
    View.FACE: "Face",
    View.HEAD_BACK: "Back of the head",
    View.BODY: "Body",
    View.SOLES: "Soles",
    View.MARK: "Mold mark",
    View.CROWD: "Many dolls",
    View.OTHER: "Something else",
}


@dataclass(frozen=True, slots=True)
class Action:
    """One thing that a person did.

    ``by`` is -1 for a step taken back, +1 for one done again, else 0. Which of the other fields count depends
    on ``kind``.
    """

    kind: str
    photo: str = ""
    name: str = ""
    polygons: tuple[tuple[tuple[float, float], ...], ...] = ()
    absent: bool = False
    value: Mapping[str, Any] | None = None
    by: int = 0
    extra: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def parse(cls, data: Any) -> Action:
        """Return the action that a page sent.

        Raises
        ------
        UsageError
            When it is of no known form.
        """
        if not isinstance(data, dict) or data.get("do") not in _KINDS:
            raise UsageError("That is nothing this page can do.")
        kind = data["do"]
        value = data.get("value")
        if value is not None and not isinstance(value, dict):
            raise UsageError("A finding is of another form.")
        return cls(
            kind,
            photo=_text(data, "photo"),
            name=_text(data, "name"),
            polygons=_polygons(data.get("polygons", [])),
            absent=data.get("absent") is True,
            value=None if value is None else _finding(value),
            by={"undo": -1, "redo": 1}.get(kind, 0),
        )


def _text(data: Mapping[str, Any], key: str) -> str:
    text = data.get(key) or ""
    if not isinstance(text, str) or len(text) > _MOST_TEXT:
        raise UsageError(f"{key} is no text, or too long.")
    return text


def _polygons(data: Any) -> tuple[tuple[tuple[float, float], ...], ...]:
    try:
        out = tuple(tuple((float(x), float(y)) for x, y in polygon) for polygon in data)
    except (TypeError, ValueError) as error:
        raise UsageError("An outline is a list of points.") from error
    points = [v for polygon in out for point in polygon for v in point]
    if len(points) > 2 * _MOST_POINTS or not all(math.isfinite(v) and abs(v) < 1e5 for v in points):
        raise UsageError("That outline has too many corners, or corners far outside of the photo.")
    return out


def _finding(data: Mapping[str, Any]) -> dict[str, Any]:
    """Return a finding as the findings file writes it; what it must hold is that file's rule."""
    out: dict[str, Any] = {}
    for key in ("state", "sure", "note", "who", "part"):
        if text := _text(data, key).strip():
            out[key] = text
    if out.get("sure", "sure") not in SURE:
        raise UsageError("How sure is that?")
    for key in ("value", "u"):
        number = data.get(key)
        if number is None:
            continue
        if isinstance(number, bool) or not isinstance(number, int | float) or not math.isfinite(number):
            raise UsageError("A number is expected.")
        out[key] = number
    lines = data.get("lines")
    if lines is not None:
        if not isinstance(lines, list) or len(lines) > 20:
            raise UsageError("A mark is a list of lines.")
        out["lines"] = [line.strip() for line in lines if isinstance(line, str) and line.strip()]
        if any(len(line) > 200 for line in out["lines"]):
            raise UsageError("That line is too long.")
    return out


# -- what it does -------------------------------------------------------------------------------------


def applied(action: Action, now: Step, guide: Guide, record: PhotoRecord | None) -> Step:
    """Return how things stand after an action.

    Raises
    ------
    UsageError, InputFileError
        When the action makes no sense, or breaks a rule of the files.
    """
    if action.kind in ("place", "drop_place", "view"):
        return _on_photo(action, now, record)
    if action.kind == "finding":
        return _by_hand(action, now, guide)
    if action.kind == "who":
        paper = papers.with_who(now.paper, action.name.strip(), guide)
        return replace(now, label="Name of the finder", paper=paper)
    if action.kind == "claim":
        check_claim(action.name or None, guide)
        label = f"Offered as: {guide.label(action.name)}" if action.name else "No claim"
        return replace(now, label=label, claim=action.name or None)
    other = guides.load(action.name)
    claim = now.claim if now.claim in other.releases else None
    return replace(now, label=f"Guide: {other.title}", guide=action.name, claim=claim)


def _on_photo(action: Action, now: Step, record: PhotoRecord | None) -> Step:
    if record is None or not record.ok:
        raise UsageError("That photo was not read yet.")
    if action.kind == "view":
        if action.name and action.name not in set(View):
            raise UsageError("That is no view.")
        told = VIEW_WORDS[View(action.name)].lower() if action.name else "left to the program"
        label = f"View of {record.file}: {told}"
        return replace(now, label=label, paper=papers.with_view(now.paper, record.file, action.name))
    if action.name not in PLACES:
        raise UsageError("That is no place.")
    what = PLACE_WORDS[action.name]
    if action.kind == "place":
        polygons = _inside(action.polygons, record)
        seen = "" if record.view is None else str(record.view.state)
        implied = str(REGION_VIEWS.get(action.name, seen))
        paper = papers.with_place(
            now.paper, record.file, action.name, polygons, "" if implied == seen else seen
        )
        return replace(now, label=f"{what} pointed out in {record.file}", paper=paper)
    paper = papers.without_place(now.paper, record.file, action.name, absent=action.absent)
    told = "said not to be there" if action.absent else "left to the program"
    return replace(now, label=f"{what} {told} in {record.file}", paper=paper)


def _inside(
    polygons: Sequence[Sequence[tuple[float, float]]], record: PhotoRecord
) -> list[list[tuple[float, float]]]:
    width, height = record.width_px, record.height_px
    return [[(min(max(x, 0.0), width), min(max(y, 0.0), height)) for x, y in p] for p in polygons]


def _by_hand(action: Action, now: Step, guide: Guide) -> Step:
    spec = guide.traits.get(action.name)
    if spec is None:
        raise UsageError("The guide does not know that.")
    paper = papers.with_finding(now.paper, action.name, action.value, guide)
    return replace(now, label=f"By hand: {spec.label}, {_told(action)}", paper=paper)


def _told(action: Action) -> str:
    value = action.value
    if value is None:
        return "taken back"
    if "lines" in value:
        return " / ".join(value["lines"])[:60]
    if "value" in value:
        return f"{value['value']:g}"
    return words.state(action.name, str(value.get("state", "")))


def first_read(old: PhotoRegions, new: PhotoRegions) -> tuple[Trait, ...]:
    """Return the traits that rest on what is said differently now."""
    places = {name for name in PLACES if old.places.get(name) != new.places.get(name)}
    places |= set(old.absent) ^ set(new.absent)
    return tuple(dict.fromkeys(t for name in PLACES if name in places for t in TRAITS_OF_PLACE[name]))
