"""Many dolls at once: which photos belong together, what each doll could be, and whom to take in hand first.

A subfolder is a doll; loose photos are joined by their names (:mod:`pipelines.grouping`); in a photo of many
dolls each head is a doll. The same photos give the same bytes for any number of jobs, interrupted or not.
"""

from __future__ import annotations

import dataclasses
import hashlib
import re
import shutil
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pipelines import batch, cache, files, grouping, lot_table
from pipelines import guide as guides
from pipelines.batch import Progress, silent
from pipelines.dossier import MergedTrait
from pipelines.examine import Box, PhotoRecord, document
from pipelines.grouping import Group
from pipelines.guide import Guide
from pipelines.listing import ListingResult, conclude, dump, require_readable
from pipelines.listing import write as write_listing
from pipelines.triage import Look, worth_of_looking
from pipelines.weighing import Model
from vision.errors import PhotoError
from vision.locate.places import ViewPlace
from vision.traits import Reason, Trait, TraitRecord, View

DOLLS: Final = "dolls"
CACHE: Final = "cache"

#: What tells of a doll's condition, at a glance.
CONDITION: Final = (Trait.LIP_PAINT, Trait.SKIN_FADE, Trait.SKIN_SHEEN, Trait.EAR_STAIN)
#: States that say that nothing is wrong: where two ears differ, the other one is shown.
_SOUND: Final = frozenset({"none", "full", "matte"})
#: A record with one of these may come out otherwise next time: it is not kept.
_PASSING: Final = frozenset({Reason.FAILED, Reason.ENGINE_FAILED})


@dataclass(frozen=True)
class Draft:
    """The photos of one doll before they are weighed.

    Attributes
    ----------
    how
        Why they are taken for one doll, in words.
    head_box
        Where its head is in a photo of many dolls: (x0, y0, x1, y1) in pixels of the upright original.
    """

    id: str
    how: str
    photos: tuple[PhotoRecord, ...]
    paths: tuple[Path, ...]
    head_box: Box | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Doll:
    """One doll of a lot.

    Attributes
    ----------
    result
        What the check of one listing finds.
    look
        What taking it in hand would be worth.
    folder
        Its own results, relative to the lot's.
    rank
        1 for the doll to take in hand first.
    """

    draft: Draft
    result: ListingResult
    look: Look
    folder: str
    rank: int = 0

    @property
    def id(self) -> str:
        """The doll's name in the lot."""
        return self.draft.id

    @property
    def readable(self) -> bool:
        """Whether any of its photos could be read."""
        return any(photo.ok for photo in self.result.photos)

    @property
    def headline(self) -> str:
        """The verdict in a sentence, or why there is none."""
        if self.readable:
            return self.result.verdict.headline
        told = [(photo.error or {}).get("message", photo.file) for photo in self.result.photos]
        return "No photo could be read. " + " ".join(told)

    @property
    def notes(self) -> tuple[str, ...]:
        """What to know before believing the row."""
        failed = [(p.error or {}).get("message", p.file) for p in self.result.photos if not p.ok]
        return (*self.draft.notes, *self.result.dossier.notes, *(failed if self.readable else ()))

    @property
    def missing(self) -> tuple[View, ...]:
        """Views worth asking for, most telling first."""
        return tuple(r.view for r in self.result.requests if r.view is not None)

    @property
    def condition(self) -> dict[Trait, TraitRecord | None]:
        """The record that tells of each part of the condition, None where no photo looked at it."""
        return {trait: _worst(self.result.dossier.of(trait)) for trait in CONDITION}

    def to_json(self) -> dict[str, Any]:
        """Return the contract's JSON form, extended."""
        verdict = self.result.verdict.to_json()
        box = self.draft.head_box
        return {
            "id": self.id,
            "rank": self.rank,
            "photos": [photo.file for photo in self.result.photos],
            "head_box": None if box is None else [round(v, 1) for v in box],
            "grouped_by": self.draft.how,
            "status": "ok" if self.readable else "error",
            "headline": self.headline,
            "cannot_tell": verdict["cannot_tell"],
            "releases": verdict["releases"],
            "alteration_flags": verdict["alteration_flags"],
            "condition": {
                str(trait): None if record is None else _brief(record)
                for trait, record in self.condition.items()
            },
            "look": self.look.to_json(),
            "photos_missing": [str(view) for view in self.missing],
            "photos_to_request": [request.to_json() for request in self.result.requests],
            "notes": list(self.notes),
            "folder": self.folder,
        }


@dataclass(frozen=True)
class LotResult:
    """A whole lot.

    Attributes
    ----------
    dolls
        By rank.
    photos
        All photos in the order of the dolls, failed ones included.
    """

    name: str
    guide: Guide
    dolls: tuple[Doll, ...]
    photos: tuple[PhotoRecord, ...]

    @property
    def failed(self) -> tuple[PhotoRecord, ...]:
        """Photos that could not be read."""
        return tuple(photo for photo in self.photos if not photo.ok)

    @property
    def grouping(self) -> str:
        """How photos were taken for dolls, in a sentence."""
        counts = Counter(doll.draft.how for doll in self.dolls)
        told = ", ".join(f"{count} by {how}" for how, count in counts.items())
        return f"Dolls were told apart: {told}."

    @property
    def summary(self) -> tuple[str, ...]:
        """The lot in a few lines for a terminal."""
        named = sum(doll.readable and not doll.result.verdict.cannot_tell for doll in self.dolls)
        altered = sum(bool(doll.result.verdict.alteration_flags) for doll in self.dolls)
        lines = [
            f"{len(self.dolls)} dolls in {len(self.photos)} photos: {named} named, "
            f"{len(self.dolls) - named} cannot be told yet, {altered} with signs of alteration.",
            self.grouping,
        ]
        for doll in self.dolls[:5]:
            why = f" {doll.look.why}" if doll.readable else ""
            lines.append(f"{doll.rank}. {doll.id}: {doll.headline}{why}")
        return tuple(lines)

    def to_json(self) -> dict[str, Any]:
        """Return the contract's JSON form: the ``measure`` document, extended."""
        return {
            **document(self.photos),
            "lot": self.name,
            "guide": {"id": self.guide.id, "title": self.guide.title, "source": self.guide.source},
            "grouping": self.grouping,
            "dolls": [doll.to_json() for doll in self.dolls],
            "summary": list(self.summary),
        }


def run(folder: Path, *, guide: str, out: Path, jobs: int = 1, progress: Progress = silent) -> LotResult:
    """Check all dolls of a folder and write the ranked table, the contact sheet and each doll's results.

    What was examined before an interruption is kept beside ``out`` and taken up by the next run; a finished
    lot keeps it inside, so that unchanged photos are not examined again.

    Parameters
    ----------
    folder
        Holds a subfolder a doll, loose photos, or photos of many dolls.
    guide
        A shipped guide's name or a path.
    out
        New or empty folder, or an earlier result, which is replaced as a whole.
    jobs
        Photos worked on at once.

    Raises
    ------
    InputFileError
        When the guide breaks a rule.
    NoPhotoError
        When there is no readable photo. Nothing is written then.
    OutputError
        When ``out`` cannot be written; an earlier result is then still there.
    """
    checked = guides.load(guide)
    files.check_output_folder(out)
    groups = grouping.group_photos(folder, leave_out=[out])
    place = out.resolve()
    kept = cache.PhotoCache(place.with_name(f".{place.name}.rakelight-cache"), earlier=[place / CACHE])
    code = cache.code_version()
    photos = _examine(groups, kept, code, jobs, progress)
    require_readable([photo for group in photos for photo in group], folder)
    name = files.printable(folder.resolve().name)
    with files.output_folder(out) as stage:
        result = _write(name, checked, list(drafts(groups, photos)), photos, stage, progress)
        finished = cache.PhotoCache(stage / CACHE)
        for photo in filter(_lasting, result.photos):
            finished.put(cache.key_of(photo.sha256, code), photo)
    kept.clear()
    return result


# -- photos -------------------------------------------------------------------------------------------


def _examine(
    groups: Sequence[Group], kept: cache.PhotoCache, code: str, jobs: int, progress: Progress
) -> list[tuple[PhotoRecord, ...]]:
    """Return the records of each group's photos; those kept from earlier runs are not made again."""
    work = [item for group in groups for item in zip(group.paths, group.names, strict=True)]
    found = [_kept(path, name, kept, code) for path, name in work]
    left = [i for i, record in enumerate(found) if record is None]
    ready = len(work) - len(left)

    def keep(_place: int, record: PhotoRecord) -> None:
        if _lasting(record):
            kept.put(cache.key_of(record.sha256, code), record)

    def show(done: int, _count: int, name: str) -> None:
        progress(ready + done, len(work), name)

    if left:
        fresh = batch.examine_files(
            [work[i][0] for i in left], jobs=jobs, progress=show, names=[work[i][1] for i in left], keep=keep
        )
        for i, record in zip(left, fresh, strict=True):
            found[i] = cache.settled(record)
    records = iter(record for record in found if record is not None)
    return [tuple(next(records) for _ in group.paths) for group in groups]


def _kept(path: Path, name: str, kept: cache.PhotoCache, code: str) -> PhotoRecord | None:
    try:
        content = files.read_bytes(path, name)
    except PhotoError:
        return None  # examining it says why
    return kept.get(cache.key_of(hashlib.sha256(content).hexdigest(), code), name)


def _lasting(record: PhotoRecord) -> bool:
    """Whether a photo would be read the same way again: not so what failed, died or ran out of time."""
    return record.ok and not any(trait.not_measured in _PASSING for trait in record.traits)


# -- dolls --------------------------------------------------------------------------------------------


def drafts(groups: Sequence[Group], photos: Sequence[Sequence[PhotoRecord]]) -> Iterator[Draft]:
    """Yield the dolls: one a group, or one a head where a group is nothing but photos of many dolls."""
    twice = _filed_twice(groups, photos)
    taken = {group.id.casefold() for group in groups}
    for group, records in zip(groups, photos, strict=True):
        readable = [record for record in records if record.ok]
        if readable and all(_is_crowd(record) for record in readable):
            for path, record in zip(group.paths, records, strict=True):
                if record.ok:
                    yield from _heads(path, record, twice[group.id], taken)
        else:
            yield Draft(group.id, group.how, tuple(records), group.paths, notes=tuple(twice[group.id]))


def _heads(path: Path, photo: PhotoRecord, notes: Sequence[str], taken: set[str]) -> Iterator[Draft]:
    stem = photo.file.rpartition(".")[0] or photo.file
    boxes = _head_boxes(photo)
    if not boxes:
        note = "The photo seems to show many dolls, but no head was found in it. Ask for a closer photo."
        yield Draft(grouping.unique(stem, taken), grouping.BY_ITSELF, (photo,), (path,), None, (*notes, note))
    for number, (part, box) in enumerate(boxes.items(), start=1):
        assert photo.view is not None
        record = dataclasses.replace(
            photo,
            view=ViewPlace(View.FACE, photo.view.confidence, {str(View.FACE): photo.view.confidence}),
            traits=tuple(r.replace(part=None) for r in photo.traits if r.part == part),
            notes=(*photo.notes, f"One head of a photo of {len(boxes)}: number {number}."),
            heads={},
        )
        name = grouping.unique(f"{stem}-{part}", taken)
        yield Draft(name, "a head in a photo of many", (record,), (path,), box, tuple(notes))


def _is_crowd(photo: PhotoRecord) -> bool:
    return photo.view is not None and photo.view.state is View.CROWD


def _head_boxes(photo: PhotoRecord) -> Mapping[str, Box]:
    """Return the box of each head: as located, or around all that was read of it."""
    if photo.heads:
        return photo.heads
    regions = defaultdict(list)
    for record in photo.traits:
        if record.part and record.part.startswith("head_") and record.region and record.region.polygons:
            regions[record.part].append(record.region.bounds)
    return {
        part: (
            min(b[0] for b in bounds),
            min(b[1] for b in bounds),
            max(b[2] for b in bounds),
            max(b[3] for b in bounds),
        )
        for part, bounds in sorted(regions.items(), key=lambda item: files.natural_key(Path(item[0])))
    }


def _filed_twice(
    groups: Sequence[Group], photos: Sequence[Sequence[PhotoRecord]]
) -> defaultdict[str, list[str]]:
    """Say of each group which of its photos lies, byte for byte, under another doll too."""
    places: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for group, records in zip(groups, photos, strict=True):
        for record in records:
            if record.sha256:
                places[record.sha256].append((group.id, record.file))
    notes: defaultdict[str, list[str]] = defaultdict(list)
    for same in places.values():
        for doll, file in same:
            others = [other for owner, other in same if owner != doll]
            if others:
                notes[doll].append(f"{file} is the same file as {', '.join(others)}: one doll filed twice?")
    return notes


# -- results ------------------------------------------------------------------------------------------


def _write(
    name: str,
    guide: Guide,
    plans: Sequence[Draft],
    photos: Sequence[Sequence[PhotoRecord]],
    stage: Path,
    progress: Progress,
) -> LotResult:
    """Write all of a lot into an empty folder."""
    from pipelines.report import lot as sheet

    model = Model(guide)
    dolls, taken = [], set[str]()
    (stage / DOLLS).mkdir()
    for number, draft in enumerate(plans, start=1):
        folder = f"{DOLLS}/{grouping.unique(_slug(draft.id), taken, '{}-{}')}"
        dolls.append(_write_doll(draft, guide, model, stage, folder))
        progress(number, len(plans), f"report of {draft.id}")
    result = LotResult(name, guide, ranked(dolls), tuple(p for group in photos for p in group))
    (stage / "lot.json").write_text(dump(result.to_json()), encoding="utf-8")
    (stage / "lot.csv").write_bytes(lot_table.table(result.dolls))
    sheet.render(result, stage)
    return result


def _write_doll(draft: Draft, guide: Guide, model: Model, stage: Path, folder: str) -> Doll:
    """Weigh one doll and write its results; a photo that vanished meanwhile is left out and named."""
    place = stage / folder
    place.mkdir()
    result = conclude(draft.id, guide, None, list(draft.photos), paths=list(draft.paths))
    try:
        write_listing(result, place)
    except PhotoError:
        left = dataclasses.replace(draft, photos=tuple(_still_there(result)))
        if [photo.ok for photo in left.photos] == [photo.ok for photo in draft.photos]:
            raise
        shutil.rmtree(place)
        return _write_doll(left, guide, model, stage, folder)
    return Doll(draft, result, worth_of_looking(result.dossier, model), folder)


def _still_there(result: ListingResult) -> Iterable[PhotoRecord]:
    for photo in result.photos:
        try:
            if photo.ok:
                result.photo(photo.file)
            yield photo
        except PhotoError as error:
            yield PhotoRecord.failed(photo.file, error.reason, str(error), sha256=photo.sha256)


def ranked(dolls: Iterable[Doll]) -> tuple[Doll, ...]:
    """Return the dolls in the order in which they deserve a hand; those without a readable photo last."""

    def key(doll: Doll) -> tuple[Any, ...]:
        return (
            not doll.readable,
            -round(doll.look.chance, 2),
            -round(doll.look.bits, 3),
            files.natural_key(Path(doll.id)),
            doll.id,
        )

    return tuple(dataclasses.replace(d, rank=n) for n, d in enumerate(sorted(dolls, key=key), start=1))


def _worst(entries: Sequence[MergedTrait]) -> TraitRecord | None:
    """Return the entry that says most: a fault before soundness, a reading before none."""
    if not entries:
        return None

    def key(entry: MergedTrait) -> tuple[bool, bool, float]:
        record = entry.record
        return entry.measured, record.state not in _SOUND, record.confidence

    return max(entries, key=key).record


def _brief(record: TraitRecord) -> dict[str, Any]:
    full = record.to_json()
    return {key: full[key] for key in ("state", "confidence", "not_measured", "quantities")}


def _slug(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9-]+", "_", name).strip("_")[:60] or "doll"
