"""One doll: all that photos and hands found, merged trait by trait.

Several photos of one paint are not several paints: agreement does not raise the confidence above that of the
best reading, and disagreement lowers it and is said aloud.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from pipelines.fresh_paint import FRESH, LIP_CHROMA, SIGN, faded, with_fresh_paint
from pipelines.guide import MARK_WORDING, Guide
from pipelines.marks import wording_candidates
from vision.locate.places import ViewPlace
from vision.traits import Reason, Trait, TraitRecord, View

HANDS_ON = "hands-on"
MARK_PLACE = "mark_place"
HEAD_BACK = "head_back"

#: How much a reading weighs when readings disagree: its confidence above this.
_CHANCE = 0.5

#: Which reason to give when no photo shows a trait: the nearest to success first.
_REASONS_BY_USE = (
    Reason.AMBIGUOUS,
    Reason.NO_REFERENCE,
    Reason.BLURRED,
    Reason.GLARE,
    Reason.CLIPPED,
    Reason.TOO_DARK,
    Reason.TOO_SMALL,
    Reason.OCCLUDED,
    Reason.MONOCHROME,
    Reason.FILTERED,
    Reason.NOT_LOCATED,
    Reason.ENGINE_MISSING,
    Reason.ENGINE_FAILED,
    Reason.FAILED,
    Reason.NOT_IN_VIEW,
    Reason.NOT_A_DOLL,
)


class PhotoLike(Protocol):
    """What a dossier needs of an examined photo."""

    @property
    def file(self) -> str:
        """Name of the file."""

    @property
    def sha256(self) -> str:
        """Hash of the file's bytes."""

    @property
    def status(self) -> str:
        """``"ok"`` when the photo was read."""

    @property
    def view(self) -> ViewPlace | None:
        """What the photo shows."""

    @property
    def traits(self) -> Sequence[TraitRecord]:
        """Its records."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One record and where it comes from: a photo's file name or :data:`HANDS_ON`."""

    source: str
    record: TraitRecord


@dataclass(frozen=True, slots=True)
class MergedTrait:
    """What is known of one trait (of one part) of the doll.

    Attributes
    ----------
    record
        The merged record. Its region, when it has one, belongs to the photo named by ``source``.
    readings
        All readings that went in, best first.
    conflict
        Whether stated readings disagree.
    """

    trait: str
    part: str | None
    record: TraitRecord
    source: str
    readings: tuple[Reading, ...]
    conflict: bool = False

    @property
    def measured(self) -> bool:
        """Whether a state is given."""
        return self.record.state is not None

    def to_json(self) -> dict[str, Any]:
        """Return a JSON form: the merged record, its source and the readings behind it."""
        return {
            **self.record.to_json(),
            "source": self.source,
            "conflict": self.conflict,
            "readings": [
                {
                    "source": reading.source,
                    "part": reading.record.part,
                    "state": reading.record.state,
                    "confidence": round(reading.record.confidence, 4),
                    "not_measured": None
                    if reading.record.not_measured is None
                    else str(reading.record.not_measured),
                }
                for reading in self.readings
            ],
        }


@dataclass(frozen=True, slots=True)
class Dossier:
    """All merged traits of one doll, and plain notes on what was left out."""

    traits: tuple[MergedTrait, ...]
    notes: tuple[str, ...] = ()
    views: Mapping[str, tuple[str, ...]] | None = None

    def of(self, trait: str) -> tuple[MergedTrait, ...]:
        """Return what is known of a trait, one entry a part."""
        return tuple(merged for merged in self.traits if merged.trait == trait)

    def best(self, trait: str) -> MergedTrait | None:
        """Return the surest entry of a trait, or None when no photo and no hand looked at it."""
        entries = self.of(trait)
        return max(entries, key=lambda m: (m.measured, m.record.confidence), default=None)

    @property
    def measured(self) -> tuple[MergedTrait, ...]:
        """The traits with a state."""
        return tuple(merged for merged in self.traits if merged.measured)

    def to_json(self) -> dict[str, Any]:
        """Return a JSON form."""
        return {
            "traits": [merged.to_json() for merged in self.traits],
            "notes": list(self.notes),
            "views": {view: list(files) for view, files in (self.views or {}).items()},
        }


def build_dossier(photos: Sequence[PhotoLike], findings: Sequence[TraitRecord], guide: Guide) -> Dossier:
    """Merge the photos of one doll and the hands-on findings.

    Parameters
    ----------
    photos
        Examined photos in any order; failed ones are passed over, copies of one file count once.
    findings
        Hands-on records.
    guide
        Says which marks exist, so that a reading becomes a wording.
    """
    distinct, notes = _distinct(photos)
    readings = [Reading(HANDS_ON, record) for record in findings]
    for photo in distinct:
        own, photo_notes = _own_readings(photo)
        readings += own
        readings += _place_of_mark(photo, own, guide)
        notes += photo_notes
    readings += _fade_between(readings)
    readings = _with_fresh_paint(readings, guide)
    groups: dict[tuple[str, str | None], list[Reading]] = defaultdict(list)
    for reading in readings:
        groups[(str(reading.record.trait), reading.record.part)].append(reading)
    merged = [merge(trait, part, group) for (trait, part), group in groups.items()]
    merged += _wording(merged, guide)
    merged += _numbers(merged, guide)
    order = {trait: i for i, trait in enumerate(guide.traits)}
    merged.sort(key=lambda m: (order.get(m.trait, len(order)), m.trait, m.part or ""))
    return Dossier(tuple(merged), tuple(notes), _views(distinct))


def merge(trait: str, part: str | None, readings: Sequence[Reading]) -> MergedTrait:
    """Merge readings of one trait of one part; at least one is needed."""
    stated = sorted(
        (r for r in readings if r.record.state is not None),
        key=lambda r: (-r.record.confidence, r.source),
    )
    silent = sorted(
        (r for r in readings if r.record.state is None),
        key=lambda r: (_rank(r.record.not_measured), -r.record.confidence, r.source),
    )
    ordered = (*stated, *silent)
    best = ordered[0]
    states = {r.record.state for r in stated}
    beside_fade = any(SIGN in r.record.flags for r in stated)
    if "present" in states and (trait == Trait.MARK_TEXT or beside_fade):
        # A mark that one photo shows is not contradicted by a photo of another place, nor a sign that shows
        # beside the fade of the vinyl by a photo of the paint alone.
        best = next(r for r in stated if r.record.state == "present")
        states = {"present"}
    if len(states) < 2:
        return MergedTrait(trait, part, best.record, best.source, ordered)
    return MergedTrait(trait, part, _pool(stated), best.source, ordered, conflict=True)


def _pool(stated: Sequence[Reading]) -> TraitRecord:
    """Average disagreeing readings, each by how far it is above chance."""
    weights = [max(r.record.confidence - _CHANCE, 0.01) for r in stated]
    pooled: dict[str, float] = defaultdict(float)
    for reading, weight in zip(stated, weights, strict=True):
        for state, p in soft(reading.record).items():
            pooled[state] += weight * p / sum(weights)
    best = stated[0].record
    said = "; ".join(f"{r.source}: {r.record.state} ({r.record.confidence:.2f})" for r in stated)
    detail = f"The readings disagree ({said})."
    return TraitRecord.decide(
        best.trait,
        dict(pooled),
        best.method,
        detail=detail,
        ambiguous=f"{detail} One sharp photo in daylight would settle it.",
        quantities=best.quantities,
        region=best.region,
        n_pixels=best.n_pixels,
        flags=tuple(dict.fromkeys((*best.flags, "readings_disagree"))),
        part=best.part,
        text=best.text,
    )


def counts(merged: MergedTrait) -> bool:
    """Whether a merged trait is a finding that may be weighed.

    A withheld reading does not count: what was not seen is no evidence. The wording of a mark is soft by
    nature (two marks may share four of five lines), so it counts with the weight of each mark. A photo
    without a mark shows that none is there in view, not that the doll has none.
    """
    if merged.trait == Trait.MARK_TEXT and merged.record.state == "absent":
        return merged.source == HANDS_ON
    return merged.measured or merged.trait == MARK_WORDING


def soft(record: TraitRecord) -> dict[str, float]:
    """Return the probabilities a record gives its states; what is left over is not shared out."""
    candidates = {state: max(p, 0.0) for state, p in record.candidates.items()}
    if record.state is not None:
        candidates[record.state] = record.confidence
    total = sum(candidates.values())
    return {s: p / total for s, p in candidates.items()} if total > 1 else candidates


def _distinct(photos: Sequence[PhotoLike]) -> tuple[list[PhotoLike], list[str]]:
    kept: dict[str, PhotoLike] = {}
    notes: list[str] = []
    for photo in sorted((p for p in photos if p.status == "ok"), key=lambda p: p.file):
        key = photo.sha256 or photo.file
        if key in kept:
            notes.append(f"{photo.file} is the same file as {kept[key].file}: counted once.")
        else:
            kept[key] = photo
    return list(kept.values()), notes


def _own_readings(photo: PhotoLike) -> tuple[list[Reading], list[str]]:
    """Return a photo's readings as those of one doll, or a note why they are left out."""
    if photo.view is not None and photo.view.state == View.CROWD:
        return [], [f"{photo.file} shows several dolls: left out, since one doll is checked here."]
    if not photo.traits:
        return [], [f"{photo.file} shows nothing that is measured here."]
    heads = {r.part for r in photo.traits if r.part and r.part.startswith("head_")}
    if len(heads) > 1:
        return [], [f"{photo.file} shows {len(heads)} heads: left out, since one doll is checked here."]
    return [Reading(photo.file, r.replace(part=None) if r.part in heads else r) for r in photo.traits], []


def _place_of_mark(photo: PhotoLike, readings: Iterable[Reading], guide: Guide) -> list[Reading]:
    """A mark seen in a photo of the back of the head tells where the mark is."""
    spec = guide.traits.get(MARK_PLACE)
    view = photo.view
    if spec is None or HEAD_BACK not in spec.state_ids or view is None or view.state != View.HEAD_BACK:
        return []
    for reading in readings:
        record = reading.record
        if record.trait == Trait.MARK_TEXT and record.state == "present":
            confidence = view.confidence * record.confidence  # both must be right
            place = TraitRecord.decide(
                MARK_PLACE,
                {HEAD_BACK: confidence},
                "mark_place/1",
                detail="A molded mark is seen on the back of the head.",
                region=record.region,
                n_pixels=record.n_pixels,
            )
            return [Reading(photo.file, place)]
    return []


def _fade_between(readings: Sequence[Reading]) -> list[Reading]:
    """Covered vinyl in one photo beside exposed vinyl in another: the surest pair, if any."""
    from vision.fade import between

    of_fade = [r for r in readings if r.record.trait == Trait.SKIN_FADE and r.record.state is None]
    covered = [r for r in of_fade if "covered" in r.record.flags]
    exposed = [r for r in of_fade if "exposed" in r.record.flags]
    found = [
        Reading(other.source, record)
        for one in covered
        for other in exposed
        if one.source != other.source and (record := between(one.record, other.record)) is not None
    ]
    return sorted(found, key=lambda r: (-r.record.confidence, r.source))[:1]


def _with_fresh_paint(readings: Sequence[Reading], guide: Guide) -> list[Reading]:
    """Hold the lip paint of each photo against the fade of the doll's vinyl, where the guide says how."""
    spec = guide.traits.get(LIP_CHROMA)
    of_fade = [r for r in readings if r.record.trait == Trait.SKIN_FADE]
    fade = merge(Trait.SKIN_FADE, None, of_fade).record if of_fade else None
    if fade is None or not faded(fade) or spec is None or FRESH not in spec.state_ids:
        return list(readings)
    signs = {r.source: r.record for r in readings if r.record.trait == Trait.LIP_REPAINT_SIGNS}
    for reading in readings:
        if reading.record.trait == Trait.LIP_PAINT:
            found = with_fresh_paint(signs.get(reading.source), reading.record, fade, spec)
            if found is not None:
                signs[reading.source] = found
    others = [r for r in readings if r.record.trait != Trait.LIP_REPAINT_SIGNS]
    return others + [Reading(source, record) for source, record in signs.items()]


def _wording(merged: Sequence[MergedTrait], guide: Guide) -> list[MergedTrait]:
    """Weigh the fullest reading of the mark against the guide's marks."""
    readings = [
        reading
        for entry in merged
        if entry.trait == Trait.MARK_TEXT
        for reading in entry.readings
        if reading.record.text and reading.record.state != "absent"
    ]
    if not readings or not guide.marks:
        return []
    best = max(readings, key=lambda r: (_letters(r.record), r.source))
    wording = wording_candidates(best.record.text or (), guide.marks, guide.other_lines)
    if not wording:
        return []
    trust = best.record.confidence
    candidates = {mark: trust * p + (1 - trust) / len(wording) for mark, p in wording.items()}
    said = " / ".join(line.text for line in best.record.text or ())
    record = TraitRecord.decide(
        MARK_WORDING,
        candidates,
        "mark_wording/1",
        detail=f"Read as: {said}",
        ambiguous=f"Read as: {said}. Several marks of the guide, or none, would explain it.",
        region=best.record.region,
        n_pixels=best.record.n_pixels,
    )
    return [MergedTrait(MARK_WORDING, None, record, best.source, (Reading(best.source, record),))]


def _numbers(merged: Sequence[MergedTrait], guide: Guide) -> list[MergedTrait]:
    """Weigh numbers of stated photo traits that the guide has ranges for, such as the hue of the liner."""
    out = []
    for spec in guide.traits.values():
        trait, _, name = spec.of.partition(".")
        entries = [m for m in merged if m.trait == trait and m.measured and name in m.record.quantities]
        if not spec.of or not entries:
            continue
        entry = max(entries, key=lambda m: m.record.confidence)
        number = entry.record.quantities[name]
        shares = spec.shares(number.value, number.u)
        if (total := sum(shares.values())) < 0.5:
            continue
        # The number is right no more often than the reading that it belongs to.
        trust = entry.record.confidence
        chances = {state: trust * share / total for state, share in shares.items()}
        record = TraitRecord.decide(
            spec.id,
            chances,
            "number/1",
            detail=f"Measured as {number.value:.0f} ± {number.u:.0f} {spec.unit}.",
            ambiguous=f"{number.value:.0f} ± {number.u:.0f} {spec.unit} fits several of the guide's ranges.",
            quantities={spec.id: number},
            region=entry.record.region,
            n_pixels=entry.record.n_pixels,
        )
        out.append(MergedTrait(spec.id, None, record, entry.source, (Reading(entry.source, record),)))
    return out


def _letters(record: TraitRecord) -> float:
    return sum(line.confidence * len(line.text) for line in record.text or ())


def _views(photos: Sequence[PhotoLike]) -> dict[str, tuple[str, ...]]:
    views: dict[str, list[str]] = defaultdict(list)
    for photo in photos:
        if photo.view is not None:
            views[str(photo.view.state)].append(photo.file)
    return {view: tuple(files) for view, files in sorted(views.items())}


def _rank(reason: Reason | None) -> int:
    return _REASONS_BY_USE.index(reason) if reason in _REASONS_BY_USE else len(_REASONS_BY_USE)
