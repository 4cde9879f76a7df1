"""One doll under review: its photos, what was read in them, what a person said, and the verdict.

All changes happen in the event loop, one step at a time. What a step needs written is written before it
counts; what it needs read again is read in another process.
"""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import hashlib
import json
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipelines import cache, files, listing
from pipelines import guide as guides
from pipelines.examine import PhotoRecord
from pipelines.guide import Guide
from pipelines.listing import ListingResult
from pipelines.regions import PhotoRegions, RegionsFile
from pipelines.review import paper as papers
from pipelines.review.actions import Action, applied, first_read
from pipelines.review.changes import Changes, Standing
from pipelines.review.crew import Crew, DiedError, Worker
from pipelines.review.history import FOLDER, History, Step
from pipelines.review.paper import Paper
from pipelines.review.reader import Job, Source
from vision.errors import InputFileError, NoPhotoError, RakelightError, UsageError
from vision.traits import Reason, Trait, TraitRecord

#: The folder of the report beside the photos.
REPORT = "report"
#: How often a page that is open looks whether files were changed by others, in seconds.
_WATCH_S = 2.0
#: Seconds for reading a photo, and for writing a report.
READ_S, SAVE_S = 60.0, 300.0
_NOW, _SOON, _LATER, _IDLE = 0, 3, 5, 9
_PASSING = frozenset({Reason.FAILED, Reason.ENGINE_FAILED})


class StaleError(RakelightError):
    """The step was meant for an older state of things."""


@dataclass
class Sheet:
    """One photo on the desk.

    Attributes
    ----------
    record
        What was read, or why nothing; None before that.
    reading
        Whether it is being read, for the first time or again.
    """

    id: str
    source: Source
    record: PhotoRecord | None = None
    reading: bool = False
    task: asyncio.Task[None] | None = None

    @property
    def name(self) -> str:
        """What the photo is called."""
        return self.source.name


@dataclass
class Desk:
    """A doll's folder as the page works on it.

    Attributes
    ----------
    version
        Counts everything that a page would show differently.
    trouble
        What is wrong with the folder or its files, in words for a person.
    saved
        The revision and readings that the report shows, or None when there is no report of this session.
    """

    id: str
    folder: Path
    crew: Crew
    guide_name: str
    guide: Guide
    claim: str | None
    priority: int = _LATER
    sheets: dict[str, Sheet] = field(default_factory=dict)
    history: History = field(default_factory=History)
    paper: Paper = field(default_factory=Paper)
    said: RegionsFile = field(default_factory=RegionsFile)
    findings: tuple[TraitRecord, ...] = ()
    remarks: tuple[str, ...] = ()
    troubles: dict[str, str] = field(default_factory=dict)
    result: ListingResult | None = None
    changes: Changes | None = None
    version: int = 0
    saved: int | None = None
    saving: bool = False
    listeners: set[Callable[[], None]] = field(default_factory=set)
    closed: bool = False
    _lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    _code: str = ""

    # -- opening -------------------------------------------------------------------------------------

    @classmethod
    async def open(
        cls, id_: str, folder: Path, crew: Crew, guide: str | None, claim: str | None, default: str
    ) -> Desk:
        """Return a folder's desk as it was left; ``guide`` and ``claim`` win over what was left.

        Raises
        ------
        InputFileError
            When the guide cannot be used.
        UsageError
            When the claim is no release of the guide.
        """
        for name in papers.FILES:
            files.clear_unfinished(folder / name)
        history = await asyncio.to_thread(History.load, folder)
        left = history.now if history.steps else None
        name, checked = await asyncio.to_thread(_guide, guide, left, default)
        claimed = claim if claim is not None else (left.claim if left else None)
        if claim is None and claimed not in checked.releases:
            claimed = None
        listing.check_claim(claimed, checked)
        desk = cls(id_, folder, crew, name, checked, claimed, history=history)
        desk._code = await asyncio.to_thread(cache.code_version)
        try:
            desk.paper = await asyncio.to_thread(Paper.of, folder)
        except InputFileError as error:
            desk.troubles["files"] = str(error)
        step = Step("Opened", desk.paper, name, claimed)
        if left is None or dataclasses.replace(left, label="Opened") != step:
            history.add(step)
        desk._understand()
        desk._scan()
        await desk._conclude("")
        return desk

    @property
    def name(self) -> str:
        """The folder's name."""
        return files.printable(self.folder.resolve().name)

    @property
    def revision(self) -> int:
        """Number of the last step; a page that does not know it must not change anything."""
        return self.history.revision

    def changed(self) -> None:
        """Tell all open pages that there is something new."""
        self.version += 1
        for listener in list(self.listeners):
            listener()

    def close(self) -> None:
        """Stop reading, and let the pages go."""
        self.closed = True
        for sheet in self.sheets.values():
            if sheet.task is not None:
                sheet.task.cancel()
        self.changed()

    # -- steps ---------------------------------------------------------------------------------------

    async def do(self, revision: int, action: Action) -> None:
        """Take a step and return when its reading is there.

        Raises
        ------
        StaleError
            When something was changed since ``revision``, here or in the files; nothing is done then.
        UsageError
            When the step makes no sense.
        InputFileError
            When one of the files breaks a rule and cannot be changed.
        OutputError
            When the files cannot be written; nothing is done then.
        """
        async with self._lock:
            if await self._take_in("Changed outside"):
                self.changed()
            if "files" in self.troubles:
                raise InputFileError(self.troubles["files"])
            if revision != self.revision:
                raise StaleError(
                    "Something was changed in another window meanwhile. Your last step was not done."
                )
            before, baseline = self.history.now, Standing.of(self.result)
            step = await self._step(action)
            await asyncio.to_thread(step.paper.write, self.folder, before.paper)
            if action.by:
                self.history.move(action.by)
            else:
                self.history.add(step)
            await asyncio.to_thread(self.history.save, self.folder)
            label = f"Undone: {before.label}" if action.by < 0 else step.label
            await self._apply(step)
            readings = self._read_changed(before.paper, action)
        for reading in readings:
            await reading
        await self._conclude(label, baseline)

    async def _step(self, action: Action) -> Step:
        if action.by:
            at = self.history.at + action.by
            if not 0 <= at < len(self.history.steps):
                raise UsageError("There is nothing to take back or to do again.")
            return self.history.steps[at]
        sheet = self.sheets.get(action.photo)
        if action.photo and sheet is None:
            raise UsageError("That photo is not there any more.")
        record = None if sheet is None else sheet.record
        return await asyncio.to_thread(applied, action, self.history.now, self.guide, record)

    async def _apply(self, step: Step) -> None:
        """Make a step's files, guide and claim those that count."""
        if step.guide != self.guide_name:
            self.guide = await asyncio.to_thread(guides.load, step.guide)
            self.guide_name = step.guide
        self.claim = step.claim if step.claim in self.guide.releases else None
        self.paper = step.paper
        self._understand()

    def _understand(self) -> None:
        """Read both files; what breaks a rule does not count and is said."""
        for name in papers.FILES:
            self.troubles.pop(name, None)
        try:
            self.said = papers.said_of_photos(self.paper)
        except InputFileError as error:
            self.troubles["regions.toml"] = str(error)
            self.said = RegionsFile()
        try:
            self.findings, self.remarks = papers.found_by_hand(self.paper, self.guide)
        except InputFileError as error:
            self.troubles["findings.toml"] = str(error)
            self.findings, self.remarks = (), ()

    async def _take_in(self, label: str) -> bool:
        """Take the files as they are on disk; returns whether they differ from what was known."""
        try:
            found = await asyncio.to_thread(Paper.of, self.folder)
        except InputFileError as error:
            self.troubles["files"] = str(error)
            return False
        self.troubles.pop("files", None)
        if found == self.paper:
            return False
        before = self.paper
        self.history.add(Step(label, found, self.guide_name, self.claim))
        self.paper = found
        self._understand()
        self._read_changed(before, None)
        return True

    # -- photos --------------------------------------------------------------------------------------

    def said_of(self, sheet: Sheet) -> PhotoRegions:
        """Return what a person said about a photo."""
        return self.said.of(sheet.name)

    def _scan(self) -> None:
        """Take in the photos that lie in the folder now."""
        try:
            paths = files.photos_in(self.folder)
        except NoPhotoError:
            self.troubles["folder"] = (
                f"The folder {self.name} is not there any more, or cannot be read. "
                "Put it back, and the page goes on."
            )
            return
        self.troubles.pop("folder", None)
        before, self.sheets = self.sheets, {}
        for path in paths:
            source = Source.of(path, files.printable(path.name))
            id_ = hashlib.sha256(os.fsencode(path.name)).hexdigest()[:16]
            sheet = before.get(id_)
            if sheet is None or sheet.source != source:
                sheet = Sheet(id_, source)
            self.sheets[id_] = sheet
            if sheet.record is None and sheet.task is None:
                self._start(sheet, self.crew.queue, self.priority)
        for id_, sheet in before.items():
            if self.sheets.get(id_) is not sheet and sheet.task is not None:
                sheet.task.cancel()

    def look(self, sheet: Sheet) -> None:
        """A person looks at a photo: it is read first, and kept at hand."""
        if sheet.record is None:
            self._start(sheet, self.crew.hand, _SOON)
        else:
            job = Job("read", (sheet.source, self.said_of(sheet), ()), READ_S)
            task = asyncio.create_task(_quietly(self.crew.hand, job))
            _running.add(task)
            task.add_done_callback(_running.discard)

    def read_again(self, sheet: Sheet) -> None:
        """Read a photo once more that could not be read."""
        if sheet.record is not None and not sheet.record.ok and not sheet.reading:
            self._start(sheet, self.crew.hand, _SOON)
            self.changed()

    def _read_changed(self, before: Paper, action: Action | None) -> list[asyncio.Future[None]]:
        """Read the photos again of which something else is said now; returns what to wait for."""
        try:
            was = papers.said_of_photos(before)
        except InputFileError:
            was = RegionsFile()
        waits = []
        for sheet in self.sheets.values():
            old, new = was.of(sheet.name), self.said_of(sheet)
            if dataclasses.replace(old, line=0) != dataclasses.replace(new, line=0):
                first = first_read(old, new) if action is not None else ()
                waits.append(self._start(sheet, self.crew.hand, _NOW, first))
        return waits

    def _start(
        self, sheet: Sheet, worker: Worker, rank: int, first: tuple[Trait, ...] = ()
    ) -> asyncio.Future[None]:
        """Read a photo; the future is done when the traits to read first are there, or all."""
        if sheet.task is not None:
            sheet.task.cancel()
        ready: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        sheet.reading = True
        sheet.task = asyncio.create_task(self._read(sheet, worker, rank, first, ready))
        return ready

    async def _read(
        self, sheet: Sheet, worker: Worker, rank: int, first: tuple[Trait, ...], ready: asyncio.Future[None]
    ) -> None:
        again, known = sheet.record is not None, sheet.record
        said = self.said_of(sheet)
        baseline: Standing | None = None

        def tell(record: PhotoRecord) -> None:
            nonlocal baseline
            baseline = baseline or Standing.of(self.result)
            if sheet.task is not task:
                return
            seen = {r.trait for r in record.traits}
            sheet.record = _over(known, record)
            if first and set(first) <= seen and not ready.done():
                ready.set_result(None)
            self.changed()
            if not again:
                self._conclude_soon(f"{sheet.name} is being read", baseline)

        task = asyncio.current_task()
        try:
            record = await self._recall(sheet, said)
            if record is None:
                job = Job("read", (sheet.source, said, first), READ_S)
                try:
                    record = await worker.ask(job, rank, tell)
                except DiedError as error:
                    record = PhotoRecord.failed(sheet.name, "worker_died", str(error))
                await asyncio.to_thread(self._keep, said, record)
            if sheet.task is task:
                sheet.record, sheet.reading, sheet.task = record, False, None
                self.changed()
                if again:
                    self._conclude_soon(None)
                else:
                    self._conclude_soon(f"{sheet.name} was read", baseline or Standing.of(self.result))
        finally:
            if not ready.done():
                ready.set_result(None)

    async def _recall(self, sheet: Sheet, said: PhotoRegions) -> PhotoRecord | None:
        """Return what was read in this very file with these very words before, if it was kept."""
        key = await asyncio.to_thread(self._key, sheet.source, said)
        return await asyncio.to_thread(self._cache.get, key, sheet.name) if key else None

    def _keep(self, said: PhotoRegions, record: PhotoRecord) -> None:
        if record.ok and not any(r.not_measured in _PASSING for r in record.traits):
            self._cache.put(cache.key_of(record.sha256, self._code + _words(said)), record)

    @property
    def _cache(self) -> cache.PhotoCache:
        return cache.PhotoCache(self.folder / FOLDER / "read")

    def _key(self, source: Source, said: PhotoRegions) -> str:
        if not self._cache.folder.is_dir():
            return ""
        try:
            with Path(source.path).open("rb") as stream:
                digest = hashlib.file_digest(stream, "sha256").hexdigest()
        except OSError:
            return ""
        return cache.key_of(digest, self._code + _words(said))

    async def add(self, temp: Path, name: str) -> Sheet:
        """Take a dropped file into the folder under a free name.

        Raises
        ------
        RakelightError
            When it is no photo; the file is gone then.
        OutputError
            When it cannot be put there.
        """
        ending = await self.crew.pictures.ask(Job("check", (str(temp), name), READ_S), _NOW)
        path = await asyncio.to_thread(files.keep_file, temp, self.folder, name, ending)
        self._scan()
        self.changed()
        sheet = next(s for s in self.sheets.values() if s.source.path == str(path))
        if sum(s.reading for s in self.sheets.values()) == 1:
            self._start(sheet, self.crew.hand, _SOON)
        return sheet

    # -- verdict -------------------------------------------------------------------------------------

    def _conclude_soon(self, label: str | None, baseline: Standing | None = None) -> None:
        task = asyncio.create_task(self._conclude(label, baseline))
        _running.add(task)
        task.add_done_callback(_running.discard)

    async def _conclude(self, label: str | None, baseline: Standing | None = None) -> None:
        """Weigh all that is known; ``label`` names what made the difference, None the last one still."""
        sheets = [s for s in self.sheets.values() if s.record is not None]
        records = [s.record for s in sheets if s.record is not None]
        result = await asyncio.to_thread(
            listing.conclude,
            self.name,
            self.guide,
            self.claim,
            records,
            paths=[Path(s.source.path) for s in sheets],
            findings=self.findings,
            remarks=self.remarks,
        )
        before = baseline or Standing.of(self.result)
        if label is None and self.changes is not None:
            before, label = self.changes.before, self.changes.label
        self.result = result
        if label:
            self.changes = Changes.between(label, before, Standing.of(result))
        self.changed()

    async def save(self) -> None:
        """Write report, evidence and questions beside the photos, as the command ``listing`` would.

        Raises
        ------
        RakelightError
            When no photo could be read, or the place cannot be written.
        """
        sheets = [s for s in self.sheets.values() if s.record is not None]
        if any(s.reading for s in self.sheets.values()):
            raise UsageError("Some photos are still being read. Save when they are done.")
        if not any(s.record is not None and s.record.ok for s in sheets):
            raise NoPhotoError("There is no photo that could be read, so there is nothing to report.")
        revision, self.saving = self.revision, True
        self.changed()
        try:
            arguments = (
                str(self.folder / REPORT),
                self.name,
                self.guide_name,
                self.claim,
                [s.record for s in sheets],
                [s.source.path for s in sheets],
                self.findings,
                self.remarks,
            )
            await self.crew.pictures.ask(Job("save", arguments, SAVE_S), _SOON)
            self.saved = revision
        finally:
            self.saving = False
            self.changed()

    # -- what others do ------------------------------------------------------------------------------

    async def watch(self) -> None:
        """While a page is open, take in what others change in the folder."""
        while True:
            await asyncio.sleep(_WATCH_S)
            if not self.listeners:
                continue
            async with self._lock:
                before = (set(self.sheets), dict(self.troubles))
                taken = await self._take_in("Changed outside")
                self._scan()
            if taken:
                await self._conclude("The files were changed outside this page")
            elif before != (set(self.sheets), self.troubles):
                await self._conclude(None)


_running: set[asyncio.Task[None]] = set()


async def _quietly(worker: Worker, job: Job) -> None:
    with contextlib.suppress(RakelightError):
        await worker.ask(job, _IDLE)


def _guide(given: str | None, left: Step | None, default: str) -> tuple[str, Guide]:
    """Return the guide that was asked for, or else the one used last, with its name."""
    if given is None and left is not None:
        with contextlib.suppress(InputFileError):
            return left.guide, guides.load(left.guide)
    name = given or default
    return name, guides.load(name)


def _over(old: PhotoRecord | None, new: PhotoRecord) -> PhotoRecord:
    """Return a record that is being made, with what an older one says of traits not read yet."""
    if old is None or old.view is None or new.view is None or old.view.state is not new.view.state:
        return new
    seen = {record.trait for record in new.traits}
    rest = tuple(record for record in old.traits if record.trait not in seen)
    order = {str(trait): i for i, trait in enumerate(Trait)}
    both = sorted((*new.traits, *rest), key=lambda record: order.get(record.trait, 99))
    return dataclasses.replace(new, traits=tuple(both))


def _words(said: PhotoRegions) -> str:
    """Return what was said of a photo as text, the same for the same words."""
    places: Mapping[str, Any] = {name: region.to_json() for name, region in sorted(said.places.items())}
    words = [said.view, places, sorted(said.absent), said.card_reflectance]
    return json.dumps(words, separators=(",", ":"))
