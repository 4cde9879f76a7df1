"""The work of a lot that is done once and kept: photos seen, dolls written up.

Both are found again by all they depend on, so that an interrupted run goes on where it stopped, and a
finished lot with a few new photos costs a few new photos.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import os
import re
import shutil
import tempfile
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from pipelines import cache, files, grouping, listing, pictures
from pipelines.batch import Progress, Work, Workers, counter
from pipelines.cache import Kept, PhotoCache
from pipelines.drafts import Draft
from pipelines.examine import PhotoRecord, Request
from pipelines.grouping import Group
from pipelines.guide import Guide
from pipelines.listing import ListingResult
from pipelines.lot_said import Said, one_photo, text_of
from pipelines.pictures import Pictures, Seen, Sight
from pipelines.regions import PhotoRegions
from pipelines.requests import TraitGain
from pipelines.triage import Look, worth_of_looking
from pipelines.weighing import Model
from vision.errors import PhotoError, WorkerDiedError
from vision.traits import Reason

DOLLS: Final = "dolls"
_INDEX: Final = "dolls.json"

#: A record with one of these may come out otherwise next time: it is not kept.
_PASSING: Final = frozenset({Reason.FAILED, Reason.ENGINE_FAILED})

Crop = Mapping[str, str]


# -- photos -------------------------------------------------------------------------------------------


class Photos:
    """The photos of a lot as seen: their records in memory, their pictures in the cache until used."""

    def __init__(self, kept: PhotoCache, crew: Workers, progress: Progress) -> None:
        self._cache, self._crew, self._progress = kept, crew, progress
        self._code = cache.code_version()
        self._drawn_by = cache.code_version(results=True)
        self._known: dict[str, Kept] = {}
        self._said: dict[str, PhotoRegions] = {}

    def see(self, groups: Sequence[Group], said: Sequence[Said]) -> list[tuple[Kept, ...]]:
        """Return what is known of each group's photos; those kept from earlier runs are not seen again.

        What a person said of a photo (``said`` runs parallel to ``groups``) is heeded: a photo of which
        something else was said than in an earlier run is seen again.
        """
        self._said = {name: photo for one in said for name, photo in one.photos.items()}
        work = [item for group in groups for item in zip(group.paths, group.names, strict=True)]
        found = [self._kept(path, name) for path, name in work]
        left = [i for i, kept in enumerate(found) if kept is None]
        tick = counter(self._progress, len(work), ready=len(work) - len(left))

        def done(place: int, seen: Seen) -> None:
            found[left[place]] = self._take(seen)
            tick(work[left[place]][1])

        if left:
            self._crew.run(pictures.SEE, [self._sight(*work[i]) for i in left], done)
        self._known = {name: kept for (_, name), kept in zip(work, found, strict=True) if kept is not None}
        each = iter(kept for kept in found if kept is not None)
        return [tuple(next(each) for _ in group.paths) for group in groups]

    def draw(self, drafts: Iterable[Draft]) -> dict[str, PhotoRecord]:
        """Draw the photos of dolls that have no pictures yet; returns those that are gone meanwhile."""
        sights = {
            photo.file: Sight(path, photo.file, known=self._known[photo.file].record)
            for draft in drafts
            for path, photo in zip(draft.paths, draft.photos, strict=True)
            if photo.ok and not self._cache.has_pictures(self._key(photo))
        }
        gone: dict[str, PhotoRecord] = {}
        work = list(sights.values())
        tick = counter(self._progress, len(work))

        def done(place: int, seen: Seen) -> None:
            if seen.pictures is None:
                gone[seen.record.file] = dataclasses.replace(
                    seen.record, sha256=self._known[seen.record.file].record.sha256
                )
            else:
                self._cache.put_pictures(self._key(seen.record), seen.pictures.pack())
            tick(work[place].name)

        if work:
            self._crew.run(pictures.SEE, work, done)
        return gone

    def pictures(self, photo: PhotoRecord, head: str | None = None) -> Pictures | None:
        """Return the pictures of a photo, or of one head in it; None when they were not made."""
        packed = self._cache.pictures(self._key(photo))
        try:
            whole = None if packed is None else Pictures.unpack(packed)
        except (ValueError, KeyError, TypeError, OSError, zipfile.BadZipFile):
            return None
        return whole if whole is None or head is None else whole.of_head(head)

    def keep(self, folder: Path, seen: Iterable[Iterable[Kept]]) -> None:
        """Keep the records of a finished lot in ``folder``."""
        finished = PhotoCache(folder)
        for kept in (one for group in seen for one in group if _lasting(one.record)):
            key = self._record_key(kept.record.sha256, kept.record.file)
            finished.put(key, kept.record, kept.fingerprint)

    def _kept(self, path: Path, name: str) -> Kept | None:
        try:
            content = files.read_bytes(path, name)
        except PhotoError:
            return None  # seeing it says why
        return self._cache.kept(self._record_key(hashlib.sha256(content).hexdigest(), name), name)

    def _sight(self, path: Path, name: str) -> Sight:
        said = self._said.get(name)
        request = Request() if said is None else Request(regions=one_photo(path.name, said))
        return Sight(path, name, request)

    def _take(self, seen: Seen) -> Kept:
        kept = Kept(seen.record, seen.fingerprint)
        if seen.pictures is not None:
            self._cache.put_pictures(self._key(seen.record), seen.pictures.pack())
        if _lasting(seen.record):
            key = self._record_key(seen.record.sha256, seen.record.file)
            self._cache.put(key, kept.record, kept.fingerprint)
        return kept

    def _record_key(self, sha256: str, name: str) -> str:
        """A photo's record depends on its content and on what was said of it, not on its name."""
        return cache.key_of(self._code, sha256, text_of(self._said.get(name)))

    def _key(self, photo: PhotoRecord) -> str:
        return cache.key_of(self._drawn_by, photo.sha256, photo.file, text_of(self._said.get(photo.file)))


def _lasting(record: PhotoRecord) -> bool:
    """Whether a photo would be read the same way again: not so what failed, died or ran out of time."""
    return record.ok and not any(trait.not_measured in _PASSING for trait in record.traits)


# -- dolls --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class DollTask:
    """A doll to be written up, with the report's pictures of its photos."""

    draft: Draft
    guide: Guide
    pictures: Mapping[str, Pictures] = field(default_factory=dict, repr=False)


@dataclass(frozen=True)
class Written:
    """A doll written up: its files but the evidence pictures, and what the lot's table needs of it."""

    result: ListingResult
    look: Look
    crops: tuple[Crop, ...]
    files: Mapping[str, bytes] = field(default_factory=dict, repr=False)


def write_up(task: DollTask) -> Written:
    """Weigh one doll and make its documents."""
    from pipelines.report.lot import crops_of

    draft = task.draft
    result = _conclude(draft, task.guide, task.pictures)
    with tempfile.TemporaryDirectory() as place:
        listing.write_documents(result, Path(place))
        made = {path.name: path.read_bytes() for path in sorted(Path(place).iterdir())}
    look = worth_of_looking(result.dossier, Model(task.guide))
    crops = tuple(crops_of(draft, result))
    return Written(dataclasses.replace(result, pictures={}), look, crops, made)


def _conclude(
    draft: Draft, guide: Guide, pictures: Mapping[str, Pictures], model: Model | None = None
) -> ListingResult:
    found = listing.conclude(
        draft.id,
        guide,
        None,
        list(draft.photos),
        paths=list(draft.paths),
        findings=draft.findings,
        remarks=draft.remarks,
        model=model,
    )
    return dataclasses.replace(found, pictures=pictures)


def _lost(task: DollTask, why: str) -> Written:
    raise WorkerDiedError(f"The process that wrote the report of {task.draft.id} {why}. Use fewer --jobs.")


class Dolls:
    """Writes up the dolls of a lot; those that did not change since an earlier result are taken from it."""

    def __init__(
        self, guide: Guide, photos: Photos, crew: Workers, earlier: Path, progress: Progress
    ) -> None:
        self._guide, self._photos, self._crew, self._progress = guide, photos, crew, progress
        self._earlier = earlier
        self._code = cache.code_version(results=True)
        self._guide_text = repr(guide)
        self._index: dict[str, Any] = {}

    def write(
        self, drafts: Sequence[Draft], stage: Path
    ) -> list[tuple[Draft, ListingResult, Look, str, tuple[Crop, ...]]]:
        """Write each doll's results below ``stage``; return draft, result, look, folder and crops of each."""
        (stage / DOLLS).mkdir()
        taken = set[str]()
        folders = [f"{DOLLS}/{grouping.unique(_slug(d.id), taken, '{}-{}')}" for d in drafts]
        known = _earlier_dolls(self._earlier)
        tick = counter(self._progress, len(drafts))
        found: dict[int, Written] = {}
        model = Model(self._guide)
        for i, draft in enumerate(drafts):
            entry = known.get(self._key(draft))
            if entry is not None and self._reuse(entry, stage / folders[i]):
                found[i] = Written(_conclude(draft, self._guide, {}, model), *entry[2:])
                self._note(draft, folders[i], found[i], entry[1])
                tick(f"report of {draft.id}")
        left = [i for i in range(len(drafts)) if i not in found]
        gone = self._photos.draw(drafts[i] for i in left)
        tasks = [DollTask(_without(drafts[i], gone), self._guide) for i in left]

        def done(place: int, written: Written) -> None:
            i = left[place]
            draft = tasks[place].draft
            sizes = self._write_files(written, draft, stage / folders[i])
            self._note(draft, folders[i], written, sizes)
            found[i] = dataclasses.replace(written, files={})
            tick(f"report of {draft.id}")

        work: Work[DollTask, Written] = Work(write_up, _lost, ready=self._with_pictures)
        self._crew.run(work, tasks, done)
        plans = dict(enumerate(drafts)) | {i: task.draft for i, task in zip(left, tasks, strict=True)}
        return [
            (plans[i], found[i].result, found[i].look, folders[i], found[i].crops) for i in range(len(drafts))
        ]

    def keep(self, folder: Path) -> None:
        """Keep in ``folder`` what a later run needs to take unchanged dolls from this result."""
        with contextlib.suppress(OSError):
            folder.mkdir(exist_ok=True)
            (folder / _INDEX).write_text(cache.json_text(dict(sorted(self._index.items()))), encoding="utf-8")

    def _key(self, draft: Draft) -> str:
        photos = [cache.text_of(photo) for photo in draft.photos]
        hands_on = [record.to_json() for record in draft.findings]
        said = [draft.pointed, hands_on, draft.remarks]
        about = cache.json_text([draft.id, draft.head_box, photos, said])
        return cache.key_of(self._code, self._guide_text, about)

    def _with_pictures(self, task: DollTask) -> DollTask:
        """Put in what the report shows; the evidence pictures stay here."""
        draft = task.draft
        shown = {
            photo.file: found.shown()
            for photo in draft.photos
            if photo.ok and (found := self._photos.pictures(photo, draft.head)) is not None
        }
        return dataclasses.replace(task, pictures=shown)

    def _write_files(self, written: Written, draft: Draft, folder: Path) -> dict[str, int]:
        (folder / "evidence").mkdir(parents=True)
        for name, content in written.files.items():
            (folder / name).write_bytes(content)
        for photo in draft.photos:
            found = self._photos.pictures(photo, draft.head) if photo.ok else None
            for picture in () if found is None else found.placed:
                picture.write(folder / "evidence")
        return {
            path.relative_to(folder).as_posix(): path.stat().st_size
            for path in sorted(folder.rglob("*"))
            if path.is_file()
        }

    def _note(self, draft: Draft, folder: str, written: Written, sizes: Mapping[str, int]) -> None:
        self._index[self._key(draft)] = {
            "folder": folder,
            "files": dict(sizes),
            "look": dataclasses.asdict(written.look),
            "crops": [dict(crop) for crop in written.crops],
        }

    def _reuse(self, entry: _Entry, folder: Path) -> bool:
        """Take an unchanged doll's files from the earlier result; False when any is gone or was changed."""
        place = self._earlier / entry[0]
        try:
            if any((place / name).stat().st_size != size for name, size in entry[1].items()):
                return False
            (folder / "evidence").mkdir(parents=True)
            for name in entry[1]:
                _link(place / name, folder / name)
        except OSError:
            shutil.rmtree(folder, ignore_errors=True)
            return False
        return True


#: Folder, sizes of its files, look and crops.
_Entry = tuple[str, dict[str, int], Look, tuple[Crop, ...]]


def _earlier_dolls(place: Path) -> dict[str, _Entry]:
    """Return the dolls of an earlier result by key; a torn or strange index counts as not there."""
    try:
        index = json.loads((place / "cache" / _INDEX).read_text(encoding="utf-8"))
        return {key: _entry(data) for key, data in index.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _entry(data: Mapping[str, Any]) -> _Entry:
    look = data["look"]
    gains = tuple(TraitGain(**gain) for gain in look["first"])
    sizes = {_inside(name): int(size) for name, size in data["files"].items()}
    crops = tuple({key: str(crop[key]) for key in ("image", "title", "alt")} for crop in data["crops"])
    return _inside(data["folder"]), sizes, Look(**{**look, "first": gains}), crops


def _inside(name: str) -> str:
    """Return a relative path that stays where it is; an index is a file that anybody may have written."""
    if Path(name).is_absolute() or ".." in Path(name).parts:
        raise ValueError(f"{name} leads elsewhere")
    return name


def _link(source: Path, target: Path) -> None:
    """Give a file a second name where the system can: results are replaced, never changed in place."""
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)


def _without(draft: Draft, gone: Mapping[str, PhotoRecord]) -> Draft:
    """Return a doll whose photos that are gone meanwhile are named as such."""
    return dataclasses.replace(draft, photos=tuple(gone.get(photo.file, photo) for photo in draft.photos))


def _slug(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9-]+", "_", name).strip("_")[:60] or "doll"
