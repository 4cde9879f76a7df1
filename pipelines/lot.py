"""Many dolls at once: which photos belong together, what each doll could be, and whom to take in hand first.

A subfolder is a doll; loose photos are joined by their names (:mod:`pipelines.grouping`); in a photo of many
dolls each head is a doll. The same photos give the same bytes for any number of jobs, on a cluster,
interrupted or not.
"""

from __future__ import annotations

import contextlib
import dataclasses
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pipelines import batch, cache, files, grouping, lot_table, words
from pipelines import guide as guides
from pipelines.batch import Progress, Workers, silent
from pipelines.dossier import MergedTrait
from pipelines.drafts import Draft, drafts
from pipelines.examine import PhotoRecord, document
from pipelines.guide import Guide
from pipelines.listing import ListingResult, require_readable
from pipelines.lot_said import said_of
from pipelines.lot_work import Dolls, Photos
from pipelines.triage import Look
from vision.traits import Trait, TraitRecord, View

CACHE: Final = "cache"

#: What tells of a doll's condition, at a glance.
CONDITION: Final = (Trait.LIP_PAINT, Trait.SKIN_FADE, Trait.SKIN_SHEEN, Trait.EAR_STAIN)
#: States that say that nothing is wrong: where two ears differ, the other one is shown.
_SOUND: Final = frozenset({"none", "full", "matte"})


#: So many dolls are told in a terminal; the table has all.
_MOST_SUMMED: Final = 5


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
    crops
        Small pictures for the contact sheet.
    rank
        1 for the doll to take in hand first.
    """

    draft: Draft
    result: ListingResult
    look: Look
    folder: str
    crops: tuple[Mapping[str, str], ...] = ()
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
    def by_hand(self) -> str:
        """What a person said of it, in words; empty when nothing."""
        pointed, traits = self.draft.pointed, self.result.guide.traits
        found = dict.fromkeys(traits[record.trait].label for record in self.draft.findings)
        told = [f"set right in {', '.join(pointed)}"] if pointed else []
        told += [f"found by hand: {', '.join(found)}"] if found else []
        return "; ".join(told)

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
            "pointed": list(self.draft.pointed),
            "hands_on": [record.to_json() for record in self.draft.findings],
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
        told = "; ".join(f"{how} ({count})" for how, count in counts.items())
        return f"What was taken for one doll: {told}."

    @property
    def summary(self) -> tuple[str, ...]:
        """The lot in a few lines for a terminal."""
        named = sum(doll.readable and not doll.result.verdict.cannot_tell for doll in self.dolls)
        altered = sum(bool(doll.result.verdict.alteration_flags) for doll in self.dolls)
        lines = [
            f"{words.count(len(self.dolls), 'doll')} in {words.count(len(self.photos), 'photo')}: "
            f"{named} can be named, {len(self.dolls) - named} cannot be told yet; "
            f"signs of alteration on {altered or 'none'}.",
            self.grouping,
        ]
        for doll in self.dolls[:_MOST_SUMMED]:
            why = f" {doll.look.why}" if doll.readable else ""
            lines.append(f"{doll.rank}. {doll.id}: {doll.headline}{why}")
        if len(self.dolls) > _MOST_SUMMED:
            lines.append(f"{words.count(len(self.dolls) - _MOST_SUMMED, 'more doll')} in the table.")
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


def run(
    folder: Path,
    *,
    guide: str,
    out: Path,
    jobs: int = 1,
    cluster: str = "",
    progress: Progress = silent,
) -> LotResult:
    """Check all dolls of a folder and write the ranked table, the contact sheet and each doll's results.

    What a person said of a doll on the review page, in the ``regions.toml`` and ``findings.toml`` beside its
    photos, counts here as well. What was examined before an interruption is kept beside ``out`` and taken up
    by the next run; a finished lot keeps it inside, so that unchanged photos are not examined again and
    unchanged dolls keep their results, with the date they were made on.

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
    cluster
        Address of a Dask scheduler whose workers do the work, instead of processes of this machine.

    Raises
    ------
    InputFileError
        When the guide, or a regions or findings file beside the photos, breaks a rule.
    NoPhotoError
        When there is no readable photo. Nothing is written then.
    OutputError
        When ``out`` cannot be written; an earlier result is then still there.
    UsageError
        When the cluster cannot be reached, or its workers run another version.
    """
    checked = guides.load(guide)
    files.check_output_folder(out)
    groups = grouping.group_photos(folder, leave_out=[out])
    said = said_of(groups, checked)
    place = out.resolve()
    kept = cache.PhotoCache(place.with_name(f".{place.name}.rakelight-cache"), earlier=[place / CACHE])
    with _crew(min(jobs, sum(len(group.paths) for group in groups)), cluster) as crew:
        photos = Photos(kept, crew, progress)
        seen = photos.see(groups, said)
        records = tuple(one.record for group in seen for one in group)
        require_readable(list(records), folder)
        with files.output_folder(out) as stage:
            dolls = Dolls(checked, photos, crew, place, progress)
            finished = dolls.write(list(drafts(groups, seen, said)), stage)
            name = files.printable(folder.resolve().name)
            result = LotResult(name, checked, ranked(Doll(*doll) for doll in finished), records)
            _write(result, stage)
            photos.keep(stage / CACHE, seen)
            dolls.keep(stage / CACHE)
    kept.clear()
    return result


@contextlib.contextmanager
def _crew(jobs: int, cluster: str) -> Iterator[Workers]:
    """Give those who do the work."""
    if cluster:
        from pipelines.cluster import cluster_workers

        with cluster_workers(cluster) as crew:
            yield crew
    else:
        with batch.workers(jobs) as crew:
            yield crew


def _write(result: LotResult, stage: Path) -> None:
    """Write the table in its three forms."""
    from pipelines.report import lot as sheet

    (stage / "lot.json").write_text(_lines(result.to_json()), encoding="utf-8")
    (stage / "lot.csv").write_bytes(lot_table.table(result.dolls))
    sheet.render(result, stage)


def _lines(document: Mapping[str, Any]) -> str:
    """Return JSON with a line for each photo and each doll: written many times faster than with indents."""
    parts = []
    for key, value in document.items():
        listed = isinstance(value, list) and value
        text = "[\n" + ",\n".join(map(cache.json_text, value)) + "\n]" if listed else cache.json_text(value)
        parts.append(f"{cache.json_text(key)}: {text}")
    return "{\n" + ",\n".join(parts) + "\n}\n"


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
