"""All pictures that results need of one photo, made while its pixels are at hand.

A photo is decoded once: whoever examines it draws its evidence pictures, report crops and thumbnails too, and
takes its print (:mod:`vision.likeness`). What comes back is small and needs no pixels again.
"""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines import batch, cache, evidence, files
from pipelines.batch import Progress, Work, silent
from pipelines.examine import PhotoRecord, Request, examine_photo
from vision.errors import PhotoError
from vision.traits import Region

if TYPE_CHECKING:
    from vision.photo import Photo

#: Side of a thumbnail of a contact sheet in pixels.
THUMBNAIL = 240
_CARD_QUALITY, _THUMBNAIL_QUALITY = 84, 80


@dataclass(frozen=True)
class Picture:
    """The pictures of one record, as bytes of files.

    Attributes
    ----------
    trait, part
        Whose record it is.
    name
        Of the evidence file, without folder and suffix.
    png, text
        The evidence picture and its words.
    card, thumbnail
        JPEG: the outlined crop for a report, and small for a contact sheet.
    """

    trait: str
    part: str | None
    name: str
    png: bytes
    text: str
    card: bytes
    thumbnail: bytes

    def write(self, folder: Path) -> None:
        """Write the evidence picture and its text into ``folder``."""
        (folder / f"{self.name}.png").write_bytes(self.png)
        (folder / f"{self.name}.txt").write_text(self.text, encoding="utf-8")


@dataclass(frozen=True)
class Pictures:
    """All pictures of one photo.

    Attributes
    ----------
    whole
        JPEG thumbnail of the whole photo.
    heads
        In a photo of many dolls: a thumbnail of each head, by part.
    placed
        One entry for every record that points at a place.
    """

    whole: bytes
    heads: Mapping[str, bytes] = field(default_factory=dict)
    placed: tuple[Picture, ...] = ()

    @cached_property
    def _by_record(self) -> dict[tuple[str, str | None], Picture]:
        return {(picture.trait, picture.part): picture for picture in self.placed}

    def of(self, trait: str, part: str | None) -> Picture | None:
        """Return the pictures of a record, None when it points at no place."""
        return self._by_record.get((str(trait), part))

    def of_head(self, part: str) -> Pictures:
        """Return what belongs to one head of many, as the pictures of a doll of its own."""
        own = tuple(replace(p, part=None) for p in self.placed if p.part == part)
        return Pictures(self.heads.get(part, self.whole), {}, own)

    def shown(self) -> Pictures:
        """Return what reports and sheets show: all but the evidence pictures themselves."""
        return replace(self, placed=tuple(replace(p, png=b"", text="") for p in self.placed))

    def pack(self) -> bytes:
        """Return all as the bytes of one file."""
        buffer = io.BytesIO()
        index = [{"trait": p.trait, "part": p.part, "name": p.name, "text": p.text} for p in self.placed]
        with zipfile.ZipFile(buffer, "w") as archive:
            archive.writestr("index.json", json.dumps({"heads": list(self.heads), "placed": index}))
            archive.writestr("whole.jpg", self.whole)
            for part, jpeg in self.heads.items():
                archive.writestr(f"heads/{part}", jpeg)
            for i, picture in enumerate(self.placed):
                archive.writestr(f"{i}.png", picture.png)
                archive.writestr(f"{i}.card", picture.card)
                archive.writestr(f"{i}.thumbnail", picture.thumbnail)
        return buffer.getvalue()

    @classmethod
    def unpack(cls, data: bytes) -> Pictures:
        """Return what :meth:`pack` packed.

        Raises
        ------
        ValueError, KeyError, TypeError, OSError, zipfile.BadZipFile
            When the bytes are not of that form, or damaged.
        """
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            index = json.loads(archive.read("index.json"))
            return cls(
                archive.read("whole.jpg"),
                {part: archive.read(f"heads/{part}") for part in index["heads"]},
                tuple(
                    Picture(
                        trait=entry["trait"],
                        part=entry["part"],
                        name=entry["name"],
                        png=archive.read(f"{i}.png"),
                        text=entry["text"],
                        card=archive.read(f"{i}.card"),
                        thumbnail=archive.read(f"{i}.thumbnail"),
                    )
                    for i, entry in enumerate(index["placed"])
                ),
            )


def draw(photo: Photo, record: PhotoRecord) -> Pictures:
    """Draw all pictures of one examined photo."""
    return Pictures(
        whole=_thumbnail(photo, None),
        heads={part: _thumbnail(photo, Region.box(*box)) for part, box in record.heads.items()},
        placed=tuple(
            Picture(
                trait=str(found.record.trait),
                part=found.record.part,
                name=found.name,
                png=_png(found),
                text=found.text,
                card=_card(found),
                thumbnail=_small_card(photo, found),
            )
            for found in evidence.pictures(photo, record)
        ),
    )


def _png(found: evidence.Evidence) -> bytes:
    from vision.draw import encode_png

    return encode_png(found.picture)


def _card(found: evidence.Evidence) -> bytes:
    from vision.draw import encode_jpeg

    return encode_jpeg(found.crops.drawn, _CARD_QUALITY)


def _small_card(photo: Photo, found: evidence.Evidence) -> bytes:
    from vision.draw import encode_jpeg, thumbnail

    if (
        evidence.outlined(found.record) is not found.record.region
    ):  # numbers would cover what is shown so small
        return _thumbnail(photo, found.record.region)
    return encode_jpeg(thumbnail(found.crops.drawn, THUMBNAIL), _THUMBNAIL_QUALITY)


def _thumbnail(photo: Photo, region: Region | None) -> bytes:
    from vision.draw import encode_jpeg, evidence_crops, thumbnail

    # A whole photo is reduced from its reduced picture already.
    _, drawn, _ = evidence_crops(photo.small[0] if region is None else photo.rgb, region)
    return encode_jpeg(thumbnail(drawn, THUMBNAIL), _THUMBNAIL_QUALITY)


# -- seeing: examine and draw -------------------------------------------------------------------------


@dataclass(frozen=True)
class Sight:
    """One photo to be seen.

    Attributes
    ----------
    name
        What to call it.
    known
        Its record from an earlier run: it is then drawn only.
    content
        The file's bytes, for a worker that cannot read ``path``.
    refused
        Why the file could not be read where it lies.
    """

    path: Path
    name: str
    request: Request = field(default_factory=Request)
    known: PhotoRecord | None = None
    content: bytes | None = field(default=None, repr=False)
    refused: PhotoRecord | None = None


@dataclass(frozen=True)
class Seen:
    """What was seen of one photo: its record, its pictures and its print; the record alone if it failed."""

    record: PhotoRecord
    pictures: Pictures | None = None
    fingerprint: bytes = b""


def see(sight: Sight) -> Seen:
    """Examine and draw one photo; whatever goes wrong becomes an entry with its reason."""
    from vision import likeness
    from vision.photo import load

    if sight.refused is not None:
        return Seen(sight.refused)
    try:
        data = files.read_bytes(sight.path, sight.name) if sight.content is None else sight.content
        photo = load(data, sight.name)
    except PhotoError as error:
        return Seen(PhotoRecord.failed(sight.name, error.reason, str(error)))
    # Drawn from the record as it is kept, so that fresh and kept records give the same bytes.
    record = sight.known or cache.settled(examine_photo(photo, sight.request, sight.path.name))
    if not record.ok:
        return Seen(record)
    return Seen(record, draw(photo, record), likeness.fingerprint(photo))


def _lost(sight: Sight, why: str) -> Seen:
    return Seen(batch.died(sight.name, why))


def _packed(sight: Sight) -> Sight:
    """Put the file's bytes in, so that the photo travels by its content."""
    try:
        return replace(sight, content=files.read_bytes(sight.path, sight.name))
    except PhotoError as error:
        return replace(sight, refused=PhotoRecord.failed(sight.name, error.reason, str(error)))


SEE: Work[Sight, Seen] = Work(see, _lost, _packed)


def see_files(
    paths: Sequence[Path], request: Request | None = None, jobs: int = 1, progress: Progress = silent
) -> list[Seen]:
    """Examine and draw files; one entry each, in the order given."""
    sights = [
        Sight(path, name, request or Request())
        for path, name in zip(paths, files.display_names(paths), strict=True)
    ]
    found: dict[int, Seen] = {}
    count = batch.counter(progress, len(sights))

    def done(i: int, seen: Seen) -> None:
        found[i] = seen
        count(sights[i].name)

    with batch.workers(min(jobs, len(sights))) as crew:
        crew.run(SEE, sights, done)
    return [found[i] for i in range(len(sights))]
