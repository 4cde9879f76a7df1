"""One photo to its records: the only place that orders the steps of ``vision``.

Locate, find white, measure. A measurement that fails becomes a record that says so; it never costs the
other records, and a photo that cannot be decoded becomes an entry with its reason.
"""

from __future__ import annotations

import dataclasses
import functools
import importlib
import json
import math
import pickle
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines import files
from pipelines.regions import RegionsFile
from vision.calibration import Calibration
from vision.errors import PhotoError
from vision.locate.places import FacePlace, Places, ViewPlace
from vision.traits import SCHEMA, STATE_THRESHOLD, VIEWS_OF, Reason, Region, Trait, TraitRecord, View

if TYPE_CHECKING:
    from vision.photo import Photo
    from vision.quality import Gate

METHOD = "examine/1"

#: A place of a mark is read on suspicion from this confidence on, and speaks when so many letters are read.
_MARK_WORTH_READING = 0.25
_FEWEST_LETTERS = 4
_MAYBE_SOLES = 0.08

Box = tuple[float, float, float, float]
#: Called with a photo's record each time one more trait was read.
Keep = Callable[["PhotoRecord"], None]

#: Traits that say nothing in a photo whose colors mean nothing.
COLOR_TRAITS = frozenset(
    {
        Trait.EYELINER_COLOR,
        Trait.IRIS_COLOR,
        Trait.LIP_PAINT,
        Trait.SKIN_FADE,
        Trait.EAR_STAIN,
        Trait.LIP_REPAINT_SIGNS,
        Trait.EYE_REPAINT_SIGNS,
    }
)

_FACE_TRAITS: Mapping[Trait, str] = {
    Trait.EYELINER_COLOR: "vision.eyeliner",
    Trait.IRIS_COLOR: "vision.iris",
    Trait.LIP_PAINT: "vision.lips",
    Trait.SKIN_SHEEN: "vision.sheen",
    Trait.EAR_STAIN: "vision.ear_stain",
    Trait.LIP_REPAINT_SIGNS: "vision.lip_repaint",
    Trait.EYE_REPAINT_SIGNS: "vision.eye_repaint",
}

_FACE_PARTS = ("left_eye", "right_eye", "lips", "skin", "left_ear", "right_ear")
_SOLE_PARTS = {"left_sole": "left_foot", "right_sole": "right_foot"}

_ABSENCE = frozenset({"absent", "none"})
_NOTHING_BY_ITSELF = frozenset({Trait.FOOT_HOLES, Trait.FEET_MATCH, Trait.SKIN_FADE})
# These carry the doubt about their place already, and the view rests on the same place.
_DOUBTED_ALREADY = frozenset({Trait.FOOT_HOLES, Trait.FEET_MATCH})
# A view at least this probable is not doubted.
_SURE_VIEW = 0.8

_HOW_TO_POINT = "Ask for a closer, straight photo, or point at the place with a regions file."


@dataclass(frozen=True)
class PhotoRecord:
    """All that is known of one photo.

    Attributes
    ----------
    file
        The name it goes by.
    status
        ``"ok"`` or ``"error"``; an ``error`` has a short ``reason`` and a ``message`` for a reader.
    view
        What it shows; None when it was not read.
    traits
        Its records, in the order of :class:`~vision.traits.Trait`.
    steps
        What decoding did.
    notes
        Plain sentences on what was assumed or left out.
    heads
        In a photo of many dolls: where each head is, by ``part``, as (x0, y0, x1, y1) in pixels of the
        upright original.
    places
        What was located in a photo of one doll, by the names of :data:`pipelines.regions.PLACES`: where a
        person would point to put it right.
    """

    file: str
    sha256: str = ""
    width_px: int = 0
    height_px: int = 0
    status: str = "ok"
    error: Mapping[str, str] | None = None
    view: ViewPlace | None = None
    calibration: Calibration | None = None
    traits: tuple[TraitRecord, ...] = ()
    steps: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    heads: Mapping[str, Box] = field(default_factory=dict)
    places: Mapping[str, Region] = field(default_factory=dict)

    @classmethod
    def failed(cls, file: str, reason: str, message: str, **rest: Any) -> PhotoRecord:
        """Return the entry of a photo that could not be examined."""
        return cls(file=file, status="error", error={"reason": reason, "message": message}, **rest)

    @property
    def ok(self) -> bool:
        """Whether the photo was read."""
        return self.status == "ok"

    def to_json(self) -> dict[str, Any]:
        """Return the contract's JSON form."""
        out = {
            "file": self.file,
            "sha256": self.sha256,
            "width_px": self.width_px,
            "height_px": self.height_px,
            "status": self.status,
            "error": None if self.error is None else dict(self.error),
            "view": None if self.view is None else self.view.to_json(),
            "calibration": None if self.calibration is None else self.calibration.to_json(),
            "traits": [record.to_json() for record in self.traits],
            "steps": list(self.steps),
            "notes": list(self.notes),
        }
        if self.heads:
            out["heads"] = {part: [round(v, 1) for v in box] for part, box in self.heads.items()}
        if self.places:
            out["places"] = {name: region.to_json() for name, region in self.places.items()}
        return out


@dataclass(frozen=True)
class Request:
    """What to look for in photos: all traits of the view when ``only`` is None."""

    only: frozenset[Trait] | None = None
    view: View | None = None
    regions: RegionsFile = field(default_factory=RegionsFile)


def document(records: Iterable[PhotoRecord]) -> dict[str, Any]:
    """Return the machine-readable result of examined photos."""
    return {"schema": SCHEMA, "photos": [record.to_json() for record in records]}


def examine_file(path: Path, request: Request | None = None, name: str = "") -> PhotoRecord:
    """Read, decode and examine one file; whatever goes wrong becomes an entry with its reason."""
    from vision.photo import load

    request = request or Request()
    name = name or files.printable(path.name)
    try:
        photo = load(files.read_bytes(path, name), name)
    except PhotoError as error:
        return PhotoRecord.failed(name, error.reason, str(error))
    return examine_photo(photo, request, path.name)


def examine_photo(photo: Photo, request: Request, file: str) -> PhotoRecord:
    """Examine one decoded photo, whose file bears the name ``file``; a failure becomes an entry."""
    said = request.regions.of(file)
    name = photo.file
    try:
        return examine(
            photo,
            only=request.only,
            view=request.view or said.view,
            regions=said.places,
            absent=said.absent,
            card_reflectance=said.card_reflectance,
        )
    except (Exception, SystemExit) as error:  # one photo must not cost the batch, whatever a model does
        return PhotoRecord.failed(
            name,
            "failed",
            f"{name} was read, but looking at it failed ({_short(error)}). Other photos are not affected.",
            sha256=photo.sha256,
            width_px=photo.width,
            height_px=photo.height,
            steps=photo.steps,
        )


def examine(
    photo: Photo,
    *,
    only: Collection[Trait] | None = None,
    view: View | None = None,
    regions: Mapping[str, Region] | None = None,
    absent: Collection[str] = (),
    card_reflectance: float | None = None,
    first: Collection[Trait] = (),
    keep: Keep | None = None,
) -> PhotoRecord:
    """Examine one decoded photo.

    Parameters
    ----------
    only
        Traits to read; a trait that the view cannot show gets a ``not_in_view`` record. All traits of
        the view when None.
    view
        What the photo shows, when a person said so.
    regions
        Places that a person pointed out, by the names of :data:`pipelines.regions.PLACES`.
    absent
        Places of which a person says that they are not there, whatever is found.
    card_reflectance
        What the gray card reflects, 0–1, when a person said so.
    first
        Traits to read before the others; the record is in the usual order all the same.
    keep
        Called with what is known so far each time a trait was read.

    Raises
    ------
    Exception
        Whatever locating raises; failures of measurements become records.
    """
    places, said, notes = _locate(photo, view, regions or {}, absent)
    options: dict[str, Any] = {"cards": False} if "neutral" in absent else {}
    if card_reflectance is not None:
        options["card_reflectance"] = card_reflectance
    calibration, more = _white(photo, said.get("neutral"), places.faces, options)
    wanted = tuple(Trait) if only is None else tuple(t for t in Trait if t in only)
    job = _Job(photo, places, calibration, said, wanted)
    if job.letters_speak():
        job = dataclasses.replace(job, places=dataclasses.replace(places, view=_by_letters(job.text_read)))
        places = job.places
    record = PhotoRecord(
        file=photo.file,
        sha256=photo.sha256,
        width_px=photo.width,
        height_px=photo.height,
        view=places.view,
        calibration=calibration,
        steps=photo.steps,
        notes=(*notes, *more, *places.notes),
        heads=_heads(places, photo) if places.view.state is View.CROWD else {},
        places=_pointable(places, calibration),
    )
    found: dict[Trait, list[TraitRecord]] = {}
    for trait in sorted(wanted, key=lambda t: t not in first):
        if job.shows(trait):
            found[trait] = job.measure(trait)
        elif only is not None:
            found[trait] = [_not_in_view(trait, places.view.state)]
        else:
            continue
        record = dataclasses.replace(record, traits=tuple(r for t in wanted for r in found.get(t, ())))
        if keep is not None:
            keep(record)
    return record


# -- before measuring ---------------------------------------------------------------------------------


def _locate(
    photo: Photo, view: View | None, regions: Mapping[str, Region], absent: Collection[str]
) -> tuple[Places, Mapping[str, Region], tuple[str, ...]]:
    """Find places; pointed-out regions that lie outside the picture are dropped with a note."""
    inside = {name: region for name, region in regions.items() if _overlaps(region, photo)}
    notes = tuple(
        f"The region '{name}' lies outside the picture of {photo.width} × {photo.height} px and was not used."
        for name in regions
        if name not in inside
    )
    notes += tuple(
        f"{said}: {', '.join(name.replace('_', ' ') for name in names)}."
        for said, names in (("Pointed out by a person", inside), ("Left out as a person says", absent))
        if names
    )
    find_places = _function("vision.locate.view", "find_places")
    # A neutral thing says nothing about where parts of the doll are.
    parts = {name: region for name, region in inside.items() if name != "neutral"}
    places: Places = _without(find_places(photo, view=view, regions=parts), absent)
    if view is not None:
        places = dataclasses.replace(places, view=ViewPlace(view, 1.0, {str(view): 1.0}))
    return places, inside, notes


def _without(places: Places, absent: Collection[str]) -> Places:
    """Return the places without those that a person says are not there."""
    if not absent:
        return places
    nothing: dict[str, Any] = {name: () for name in absent if name in _FACE_PARTS}
    if "lips" in nothing:
        nothing["inner_lips"] = ()
    feet = {_SOLE_PARTS[name] for name in absent if name in _SOLE_PARTS}
    return dataclasses.replace(
        places,
        faces=tuple(dataclasses.replace(face, **nothing) for face in places.faces),
        soles=tuple(sole for sole in places.soles if sole.part not in feet),
        line=None if {"covered", "exposed"} & set(absent) else places.line,
        marks=() if "mark" in absent else places.marks,
    )


def _pointable(places: Places, calibration: Calibration) -> dict[str, Region]:
    """Return where things were found, by the names with which a person would point at them."""
    found: dict[str, Region] = {}
    if places.faces and places.view.state is not View.CROWD:
        face = max(places.faces, key=lambda f: f.width)
        outlines = {name: getattr(face, name) for name in _FACE_PARTS if name != "skin"}
        found |= {name: Region((outline,)) for name, outline in outlines.items() if len(outline) >= 3}
        if face.skin:
            found["skin"] = Region(face.skin)
    for sole in places.soles:
        side = sole.part.removesuffix("_foot")
        found[f"{side}_sole"] = Region((sole.outline,))
        if sole.hole:
            found[f"{side}_hole"] = Region((sole.hole,))
    if places.line is not None:
        sides = {"covered": places.line.covered, "exposed": places.line.exposed}
        found |= {name: region for name, region in sides.items() if region.polygons}
    if places.marks:
        found["mark"] = Region((max(places.marks, key=lambda mark: mark.confidence).outline,))
    if calibration.region is not None and calibration.method != "eye_white":
        found["neutral"] = calibration.region
    return found


def _overlaps(region: Region, photo: Photo) -> bool:
    x0, y0, x1, y1 = region.bounds
    return x0 < photo.width and y0 < photo.height and x1 > 0 and y1 > 0


def _white(
    photo: Photo, hint: Region | None, faces: Sequence[FacePlace], options: Mapping[str, Any]
) -> tuple[Calibration, tuple[str, ...]]:
    try:
        found: Calibration = _function("vision.neutral", "estimate")(photo, hint=hint, faces=faces, **options)
    except Exception as error:  # without white, colors are weaker readings; shapes are not touched
        return Calibration(), (f"White was not determined ({_short(error)}); absolute colors are uncertain.",)
    return found, ()


# -- measuring ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Job:
    """One photo while it is measured."""

    photo: Photo
    places: Places
    calibration: Calibration
    regions: Mapping[str, Region]
    wanted: tuple[Trait, ...]

    def measure(self, trait: Trait) -> list[TraitRecord]:
        """Return the records of one trait; failures become a record."""
        return [_doubted(record, self.places.view) for record in self._measured(trait)]

    def _measured(self, trait: Trait) -> list[TraitRecord]:
        if trait in COLOR_TRAITS and self.colors.reason is not None:
            return [TraitRecord.withheld(trait, self.colors.reason, METHOD, self.colors.detail)]
        measured = {
            Trait.SKIN_SHEEN: self._sheen,
            Trait.SKIN_FADE: self._fade,
            Trait.FOOT_HOLES: lambda: list(self.feet_read),
            Trait.FEET_MATCH: self._feet_match,
            Trait.MARK_TEXT: self._mark_text,
            Trait.MARK_SYMBOL: self._mark_symbol,
        }.get(trait)
        return self._on_face(trait) if measured is None else measured()

    @property
    def view(self) -> View:
        return self.places.view.state

    def shows(self, trait: Trait) -> bool:
        """Whether the photo can show a trait: of a body, what lies in the face only where one is found."""
        if self.view is View.OTHER:
            return trait is Trait.MARK_TEXT and self.bare_vinyl
        headless = self.view is View.BODY and not self.places.faces
        of_face = trait in _FACE_TRAITS and trait is not Trait.SKIN_SHEEN
        return self.view in VIEWS_OF[trait] and not (headless and of_face)

    def letters_speak(self) -> bool:
        """Whether a picture of nothing certain turns out to show a mark, because its letters can be read."""
        sure = self.places.view.confidence >= _SURE_VIEW
        if self.view not in (View.OTHER, View.MARK) or sure or self.places.faces:
            return False
        if self.places.view.candidates.get(str(View.SOLES), 0.0) > _MAYBE_SOLES:  # a country on a foot
            return False
        on_vinyl = _function("vision.locate.view", "on_vinyl")
        worth = [mark for mark in self.places.marks if mark.confidence >= _MARK_WORTH_READING]
        if not any(on_vinyl(self.photo, mark) for mark in worth):
            return False
        return self.text_read.state == "present" and bool(_letters_of(self.text_read))

    @functools.cached_property
    def colors(self) -> Gate:
        from vision.quality import check_colors

        return check_colors(self.photo)

    def _on_face(self, trait: Trait) -> list[TraitRecord]:
        if not self.places.faces:
            return [_not_located(trait, "No face was found in the photo.")]
        if self.view is View.CROWD:
            return self.heads_read[trait]
        face = max(self.places.faces, key=lambda face: face.width)
        return _run(trait, _FACE_TRAITS[trait], self.photo, face, self.calibration)

    @functools.cached_property
    def heads_read(self) -> Mapping[Trait, list[TraitRecord]]:
        """In a photo of many dolls: all traits of one head before the next.

        What the traits of a face share is large and kept for the last few faces only.
        """
        left_out = frozenset() if self.colors.reason is None else COLOR_TRAITS
        read: dict[Trait, list[TraitRecord]] = {
            trait: []
            for trait in self.wanted
            if trait in _FACE_TRAITS and View.CROWD in VIEWS_OF[trait] and trait not in left_out
        }
        for number, face in enumerate(self.places.faces, start=1):
            head = _head_name(face, number)
            for trait, records in read.items():
                found = _run(trait, _FACE_TRAITS[trait], self.photo, face, self.calibration, part=head)
                records += [_of_head(record, head, face) for record in found]
        return read

    def _sheen(self) -> list[TraitRecord]:
        place = self.regions.get("skin")
        if place is None and self.view is not View.BODY:
            return self._on_face(Trait.SKIN_SHEEN)
        pointed = place is not None
        if place is None and self.places.line is not None:
            place = self.places.line.exposed
        if place is None:
            return [_not_located(Trait.SKIN_SHEEN, "No bare vinyl was found in the photo.")]
        left_out = () if pointed or not self.places.faces else (self.places.faces,)
        return _run(Trait.SKIN_SHEEN, "vision.sheen", self.photo, place, self.calibration, *left_out)

    def _fade(self) -> list[TraitRecord]:
        return _run(Trait.SKIN_FADE, "vision.fade", self.photo, self.places.line, self.calibration)

    def _feet_match(self) -> list[TraitRecord]:
        try:
            return [_function("vision.feet", "compare")(self.feet_read)]
        except Exception as error:  # as in every measurement: the others count
            return [_failed(Trait.FEET_MATCH, error)]

    @functools.cached_property
    def feet_read(self) -> tuple[TraitRecord, ...]:
        """The holes as read, one record a foot."""
        if not self.places.soles:
            return (_not_located(Trait.FOOT_HOLES, "No sole was found in the photo."),)
        return tuple(
            record
            for sole in self.places.soles
            for record in _run(
                Trait.FOOT_HOLES,
                "vision.foot_holes",
                self.photo,
                sole,
                self.calibration,
                part=sole.part,
            )
        )

    def _mark_text(self) -> list[TraitRecord]:
        return [_maybe_unmarked() if self.view is View.OTHER else self.text_read]

    @functools.cached_property
    def bare_vinyl(self) -> bool:
        """Whether a photo of nothing certain is filled by what may be vinyl."""
        seen = _function("vision.mark_blank", "surface_seen")(self.photo)
        return not self.places.faces and bool(seen.vinyl)

    def _mark_symbol(self) -> list[TraitRecord]:
        return _run(Trait.MARK_SYMBOL, "vision.mark_symbol", self.photo, self.places.marks, self.text_read)

    @functools.cached_property
    def text_read(self) -> TraitRecord:
        """The mark as read: the symbol's search needs it too, and reading twice is slow."""
        (record,) = _run(Trait.MARK_TEXT, "vision.mark_text", self.photo, self.places.marks)
        return record


def _run(
    trait: Trait, module: str, photo: Photo, *arguments: Any, part: str | None = None
) -> list[TraitRecord]:
    """Call a measurement, or recall what it found with the same arguments; an exception becomes a record."""
    extra = (_ocr_engine(),) if trait is Trait.MARK_TEXT else ()
    try:
        key = (module, pickle.dumps(arguments), *extra)
        result = photo.once(key, lambda: _function(module, "measure")(photo, *arguments, *extra))
        records = [result] if isinstance(result, TraitRecord) else list(result)
        for record in records:
            _require_tellable(record)
    except (Exception, SystemExit) as error:  # whatever one measurement does, the others count
        return [_failed(trait, error, part)]
    return records


def _failed(trait: Trait, error: BaseException, part: str | None = None) -> TraitRecord:
    detail = f"The measurement failed ({_short(error)}). This is a fault of the program, not of the photo."
    return TraitRecord.withheld(trait, Reason.FAILED, METHOD, detail, part=part)


def _require_tellable(record: TraitRecord) -> None:
    """Raise when a record could not be written later: NaN, half a character, numbers of another library."""
    json.dumps(record.to_json(), ensure_ascii=False, allow_nan=False).encode("utf-8")


def _function(module: str, name: str) -> Callable[..., Any]:
    """Import late: ``--help``, a sole or a mark must not wait for the face model."""
    found: Callable[..., Any] = getattr(importlib.import_module(module), name)
    return found


@functools.lru_cache(maxsize=1)
def _ocr_engine() -> Any:
    return _function("vision.ocr", "default_engine")()


def _head_name(face: FacePlace, number: int) -> str:
    return face.part or f"head_{number}"


def _heads(places: Places, photo: Photo) -> dict[str, Box]:
    """Return the box of each head with its hair, from that of the face.

    Forehead to chin is some four fifths of a head's height and cheek to cheek some nine tenths of its breadth
    (human proportions, from memory); rooted hair adds to both. The head lies above the face as it is turned.
    """
    heads = {}
    for number, face in enumerate(places.faces, start=1):
        x0, y0, x1, y1 = face.box
        turn, up = math.radians(face.roll_deg), 0.17 * (y1 - y0)
        cx, cy = (x0 + x1) / 2 + up * math.sin(turn), (y0 + y1) / 2 - up * math.cos(turn)
        half_w, half_h = 0.65 * (x1 - x0), 0.68 * (y1 - y0)
        heads[_head_name(face, number)] = (
            max(0.0, cx - half_w),
            max(0.0, cy - half_h),
            min(float(photo.width), cx + half_w),
            min(float(photo.height), cy + half_h),
        )
    return heads


def _of_head(record: TraitRecord, head: str, face: FacePlace) -> TraitRecord:
    """Name the head of a crowd that a record belongs to, and where it is if the record does not say."""
    return record.replace(part=head, region=record.region or Region.box(*face.box))


def _doubted(record: TraitRecord, view: ViewPlace) -> TraitRecord:
    """Carry the doubt about the view into what stands on it: both must be right.

    That nothing was found says something only where it would be seen: a coin taken for the back of a head
    bears no mark of a doll. A hole is a hole in a foot only if the photo shows one. Letters that were read
    and a face with painted eyes speak for themselves.
    """
    p_view = sum(view.candidates.get(str(v), 0.0) for v in VIEWS_OF[Trait(record.trait)])
    p_view = max(p_view, view.confidence)
    leans_on_view = record.state in _ABSENCE or record.trait in _NOTHING_BY_ITSELF
    if record.state is None or not leans_on_view or p_view >= _SURE_VIEW:
        return record
    shared = record.trait in _DOUBTED_ALREADY
    confidence = min(record.confidence, p_view) if shared else record.confidence * p_view
    if confidence >= STATE_THRESHOLD:
        return record.replace(confidence=confidence, flags=(*record.flags, "view_uncertain"))
    return record.replace(
        state=None,
        not_measured=Reason.AMBIGUOUS,
        confidence=confidence,
        flags=(*record.flags, "view_uncertain"),
        detail=f"It is uncertain that the photo shows {_shown(view.state)} at all. Say --view if it does.",
    )


def _letters_of(record: TraitRecord) -> str:
    """Return the letters and digits of the lines that were read with some certainty."""
    lines = [line.text for line in record.text or () if line.confidence >= STATE_THRESHOLD]
    letters = "".join(c for c in "".join(lines) if c.isalnum())
    return letters if len(letters) >= _FEWEST_LETTERS else ""


def _by_letters(record: TraitRecord) -> ViewPlace:
    """Return the view of a picture whose mark was read: as sure as the surest of its lines."""
    p = min(0.9, max(line.confidence for line in record.text or ()))
    return ViewPlace(View.MARK, p, {str(View.MARK): p, str(View.OTHER): 1 - p})


def _shown(view: View) -> str:
    return {
        View.HEAD_BACK: "the back of a head",
        View.MARK: "a molded mark",
        View.SOLES: "soles",
        View.BODY: "a body",
        View.CROWD: "many dolls",
        View.OTHER: "nothing that is measured",
    }.get(view, f"a {view}")


def _maybe_unmarked() -> TraitRecord:
    """Return what is said of the mark where vinyl seems to fill the photo.

    Whether it shows the place of a mark, or a wall or an arm of that color, only a person knows.
    """
    return TraitRecord.withheld(
        Trait.MARK_TEXT,
        Reason.AMBIGUOUS,
        METHOD,
        "It may show bare vinyl close up, and no letters stand out. Say --view mark if a mark would be here.",
    )


def _not_located(trait: Trait, what: str) -> TraitRecord:
    return TraitRecord.withheld(trait, Reason.NOT_LOCATED, METHOD, f"{what} {_HOW_TO_POINT}")


def _not_in_view(trait: Trait, view: View) -> TraitRecord:
    wanted = " or ".join(_shown(v) for v in VIEWS_OF[trait])
    return TraitRecord.withheld(
        trait,
        Reason.NOT_IN_VIEW,
        METHOD,
        f"The photo is taken to show {_shown(view)}; this is read in photos of {wanted}. "
        "Say --view if that is wrong.",
    )


def _short(error: BaseException) -> str:
    text = " ".join(str(error).split())[:160]
    return f"{type(error).__name__}: {text}" if text else type(error).__name__
