"""The dolls of a lot before they are weighed: one a group of photos, or one a head in a photo of many.

Says which photos lie under two dolls: the same file, or the same shot saved again. One doll listed twice
costs a second look; two dolls taken for one cost money: nothing is joined on such a sign, only pointed out.
"""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path
from typing import Final

from pipelines import files, grouping
from pipelines.cache import Kept
from pipelines.examine import Box, PhotoRecord
from pipelines.grouping import Group
from pipelines.lot_said import WHOSE, Said
from vision.likeness import Prints
from vision.locate.places import ViewPlace
from vision.traits import TraitRecord, View

#: One shot in more places than this is the same background or card, or a seller's banner: told once.
_MOST_TOLD: Final = 6


@dataclass(frozen=True)
class Draft:
    """The photos of one doll before they are weighed.

    Attributes
    ----------
    how
        Why they are taken for one doll, in words.
    head_box
        Where its head is in a photo of many dolls: (x0, y0, x1, y1) in pixels of the upright original.
    head
        Which of the photo's heads it is.
    pointed
        Names of the photos in which a person pointed at something.
    findings
        What a hand has found.
    remarks
        What to say of them.
    """

    id: str
    how: str
    photos: tuple[PhotoRecord, ...]
    paths: tuple[Path, ...]
    head_box: Box | None = None
    head: str | None = None
    notes: tuple[str, ...] = ()
    pointed: tuple[str, ...] = ()
    findings: tuple[TraitRecord, ...] = ()
    remarks: tuple[str, ...] = ()


def drafts(
    groups: Sequence[Group], photos: Sequence[Sequence[Kept]], said: Sequence[Said] | None = None
) -> Iterator[Draft]:
    """Yield the dolls: one a group, or one a head where a group is nothing but photos of many dolls.

    ``photos`` and ``said`` run parallel to ``groups``.
    """
    notes = pointed_out(groups, photos)
    taken = {group.id.casefold() for group in groups}
    for group, kept, told in zip(groups, photos, said or [Said()] * len(groups), strict=True):
        records = tuple(one.record for one in kept)
        readable = [record for record in records if record.ok]
        if readable and all(_is_crowd(record) for record in readable):
            # Findings of one doll say nothing of the many in a photo.
            remarks = (*told.remarks, *((WHOSE,) if told.findings else ()))
            for path, record in zip(group.paths, records, strict=True):
                pointed = tuple(name for name in told.photos if name == record.file)
                if record.ok:
                    for draft in _heads(path, record, notes[group.id], taken):
                        yield dataclasses.replace(draft, pointed=pointed, remarks=remarks)
        else:
            yield Draft(
                group.id,
                group.how,
                records,
                group.paths,
                notes=tuple(notes[group.id]),
                pointed=tuple(told.photos),
                findings=told.findings,
                remarks=told.remarks,
            )


def _heads(path: Path, photo: PhotoRecord, notes: Sequence[str], taken: set[str]) -> Iterator[Draft]:
    stem = photo.file.rpartition(".")[0] or photo.file
    boxes = _head_boxes(photo)
    if not boxes:
        note = "The photo seems to show many dolls, but no head was found in it. Ask for a closer photo."
        name = grouping.unique(stem, taken)
        yield Draft(name, grouping.BY_ITSELF, (photo,), (path,), notes=(*notes, note))
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
        yield Draft(name, "a head in a photo of many", (record,), (path,), box, part, tuple(notes))


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


# -- photos in two places -----------------------------------------------------------------------------


@dataclass(frozen=True)
class _Place:
    """Where a photo lies: its doll, and what it is called."""

    doll: str
    file: str


def pointed_out(groups: Sequence[Group], photos: Sequence[Sequence[Kept]]) -> defaultdict[str, list[str]]:
    """Say of each group which of its photos lies under another doll too, or twice under this one."""
    places, shots, hashes = [], [], []
    for group, kept in zip(groups, photos, strict=True):
        for one in kept:
            if one.record.ok and one.record.sha256:
                places.append(_Place(group.id, one.record.file))
                shots.append(one.fingerprint)
                hashes.append(one.record.sha256)
    notes: defaultdict[str, list[str]] = defaultdict(list)
    _tell(notes, places, _same(hashes), "is the same file as")
    printed = [i for i, shot in enumerate(shots) if shot]
    alike = [(printed[i], printed[j]) for i, j in Prints([shots[i] for i in printed]).same_shots()]
    alike = [(i, j) for i, j in alike if hashes[i] != hashes[j]]
    _tell(notes, places, alike, "looks like the same shot as", within=True)
    return notes


def _same(hashes: Sequence[str]) -> list[tuple[int, int]]:
    """Return the pairs of places that hold the same bytes."""
    holders: dict[str, list[int]] = defaultdict(list)
    for i, sha256 in enumerate(hashes):
        holders[sha256].append(i)
    return [pair for same in holders.values() for pair in combinations(same, 2)]


def _tell(
    notes: defaultdict[str, list[str]],
    places: Sequence[_Place],
    pairs: Sequence[tuple[int, int]],
    what: str,
    within: bool = False,
) -> None:
    """Add a sentence for every photo that lies under two dolls; ``within`` also tells of two under one."""
    others: dict[int, list[int]] = defaultdict(list)
    for i, j in pairs:
        others[i].append(j)
        others[j].append(i)
    for i, partners in sorted(others.items()):
        here = places[i]
        elsewhere = [places[j].file for j in sorted(partners) if places[j].doll != here.doll]
        if elsewhere:
            more = f" and {len(elsewhere) - _MOST_TOLD} more" if len(elsewhere) > _MOST_TOLD else ""
            told = ", ".join(elsewhere[:_MOST_TOLD]) + more
            notes[here.doll].append(f"{here.file} {what} {told}: one doll filed twice?")
        same = [places[j].file for j in sorted(partners) if places[j].doll == here.doll and j > i]
        if within and same:
            notes[here.doll].append(f"{here.file} {what} {', '.join(same[:_MOST_TOLD])}.")
