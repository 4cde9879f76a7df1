"""Evidence pictures: one annotated picture a measurement, fit to post or to send for a second opinion.

Each picture shows the untouched crop beside the outlined one, the finding with its uncertainty, the scale of
the original, what was taken for white, the source file with its hash, the date and the program's version.
They are made of pixels alone: no metadata of the source file is carried over. A plain text version lies
beside each.
"""

from __future__ import annotations

import datetime as dt
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from pipelines import files, words
from pipelines.batch import Progress, silent
from pipelines.examine import PhotoRecord, document
from vision.calibration import Calibration
from vision.traits import Region, TraitRecord

if TYPE_CHECKING:
    from vision.draw import Caption, Crops, Image, Swatch
    from vision.photo import Photo

DISCLAIMER = "A reading of a photo: evidence, not proof, and no appraisal."


class Examined(Protocol):
    """What is needed of an examined photo."""

    @property
    def file(self) -> str:
        """Name of the file."""

    @property
    def sha256(self) -> str:
        """Hash of the file's bytes."""

    @property
    def width_px(self) -> int:
        """Width of the upright original in pixels."""

    @property
    def height_px(self) -> int:
        """Height of the upright original in pixels."""

    @property
    def calibration(self) -> Calibration | None:
        """What was taken for white."""

    @property
    def traits(self) -> Sequence[TraitRecord]:
        """Its records."""


@dataclass(frozen=True)
class Evidence:
    """One evidence picture: its file name (without folder), the record, the pixels, and the same as text.

    ``crops`` are what of the photo it shows.
    """

    name: str
    record: TraitRecord
    crops: Crops
    picture: Image
    text: str


def today() -> dt.date:
    """Return the date that evidence carries; ``SOURCE_DATE_EPOCH`` fixes it for repeatable output."""
    fixed = os.environ.get("SOURCE_DATE_EPOCH")
    return dt.datetime.fromtimestamp(int(fixed), dt.UTC).date() if fixed else dt.date.today()


def program() -> str:
    """Return the program's name and version."""
    return f"rakelight {version('rakelight')}"


def white_words(calibration: Calibration | None) -> str:
    """Return in words what was taken for white and how far an absolute color can be trusted."""
    names = {
        "color_chart": "a 24-patch color chart in the photo",
        "grey_card": "a neutral card in the photo",
        "eye_white": "the painted white of the eyes, which ages",
        "scene": "an estimate from the whole scene",
        "region": "a region that the user named",
    }
    if calibration is None or calibration.method == "none":
        return "White: unknown; colors are as the camera wrote them."
    name = names.get(calibration.method, calibration.method.replace("_", " "))
    return f"White: {name}; absolute colors ± {calibration.u_delta_e:.1f} ΔE."


def caption_of(photo: Examined, record: TraitRecord) -> Caption:
    """Return the words of a record's evidence picture."""
    from vision.draw import Caption

    lines = words.reading(record)
    if _numbered(record):
        lines = [f"{number}. {line}" for number, line in enumerate(lines, start=1)]
    lines += words.numbers(record)
    if record.detail:
        lines.append(record.detail)
    notes = f" Notes: {', '.join(words.flag(flag) for flag in record.flags)}." if record.flags else ""
    return Caption(
        title=words.title(record.trait, record.part),
        headline=_sentence(words.finding(record)),
        lines=tuple(lines),
        footer=(
            white_words(photo.calibration),
            f"± is one standard uncertainty. {record.n_pixels:,} pixels, method {record.method}.{notes}",
            f"Photo {photo.file}, {photo.width_px} × {photo.height_px} px, SHA-256",
            photo.sha256,
            f"{today().isoformat()} · {program()}",
            DISCLAIMER,
        ),
    )


def text_of(caption: Caption, region: Region) -> str:
    """Return an evidence picture's words as plain text, with the place of what is outlined."""
    x0, y0, x1, y1 = (round(v) for v in region.bounds)
    place = f"Outlined: x {x0} to {x1}, y {y0} to {y1}, in pixels of the upright original photo."
    return "\n".join((caption.title, caption.headline, *caption.lines, "", place, *caption.footer)) + "\n"


def outlined(record: TraitRecord) -> Region | None:
    """Return what to outline: the record's region, the lines of a mark numbered as in the caption."""
    region = record.region
    if region is None or not region.polygons:
        return None
    if not _numbered(record):
        return region
    return Region(region.polygons, tuple(str(n) for n in range(1, len(region.polygons) + 1)))


def _numbered(record: TraitRecord) -> bool:
    """Whether each line of a mark has its own outline, so that numbers can tell which is which."""
    lines = record.text or ()
    return (
        len(lines) > 1
        and record.region is not None
        and record.region.polygons == tuple(line.polygon for line in lines)
    )


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def swatches_of(record: TraitRecord) -> list[Swatch]:
    """Return the color fields of a record that measured a surface color."""
    from vision.color import lab_to_srgb8
    from vision.draw import Swatch

    try:
        lab = [record.quantities[key].value for key in ("lab_L", "lab_a", "lab_b")]
    except KeyError:
        return []
    r, g, b = (int(v) for v in lab_to_srgb8(lab))
    return [Swatch((r, g, b), "paint, under D65")]


def file_name(photo_file: str, record: TraitRecord) -> str:
    """Return a safe file name without suffix: ``"IMG_2231_jpg-eyeliner_color"``.

    The photo's own suffix stays part of it, so that ``a.jpg`` and ``a.png`` do not overwrite each other.
    """
    photo = re.sub(r"[^A-Za-z0-9-]+", "_", photo_file).strip("_")[:80] or "photo"
    part = f"-{record.part}" if record.part else ""
    return re.sub(r"[^A-Za-z0-9_-]+", "_", f"{photo}-{record.trait}{part}")


def pictures(pixels: Photo, photo: Examined) -> Iterator[Evidence]:
    """Yield the evidence picture of every record of one photo that points at a place in it."""
    from vision.draw import crops_of, evidence_picture, in_small

    small = in_small(pixels.rgb)
    taken: set[str] = set()
    for record in photo.traits:
        region = outlined(record)
        if region is None:
            continue
        caption = caption_of(photo, record)
        name = file_name(photo.file, record)
        while name in taken:
            name += "_"
        taken.add(name)
        crops = crops_of(pixels.rgb, region, small)
        picture = evidence_picture(crops, caption, swatches_of(record))
        yield Evidence(name, record, crops, picture, text_of(caption, region))


def write(evidence: Evidence, folder: Path) -> Path:
    """Write one picture (PNG, no metadata) and its text into ``folder``; returns the picture's path."""
    from vision.draw import encode_png

    path = folder / f"{evidence.name}.png"
    path.write_bytes(encode_png(evidence.picture))
    path.with_suffix(".txt").write_text(evidence.text, encoding="utf-8")
    return path


@dataclass(frozen=True)
class EvidenceResult:
    """What :func:`run` made: the photos' records and the names of the pictures."""

    photos: tuple[PhotoRecord, ...]
    pictures: tuple[str, ...]

    @property
    def summary(self) -> tuple[str, ...]:
        """What was made, in a line for a terminal."""
        lines = [f"{len(self.pictures)} evidence pictures of {len(self.photos)} photos."]
        silent = [p.file for p in self.photos if p.ok and not any(outlined(r) for r in p.traits)]
        if silent:
            lines.append(f"Nothing to point at in {', '.join(silent)}; 'rakelight measure' says why.")
        return tuple(lines)

    def to_json(self) -> dict[str, Any]:
        """Return the ``measure`` document, with the pictures' file names."""
        return {
            **document(self.photos),
            "evidence": list(self.pictures),
            "summary": list(self.summary),
        }


def run(paths: Sequence[Path], *, out: Path, jobs: int = 1, progress: Progress = silent) -> EvidenceResult:
    """Examine photos and write their evidence pictures into ``out``, which is replaced as a whole.

    Raises
    ------
    NoPhotoError
        When none of the files is a readable photo; nothing is written then.
    OutputError
        When ``out`` cannot be written.
    """
    from pipelines.listing import require_readable
    from pipelines.pictures import see_files

    seen = see_files(paths, jobs=jobs, progress=progress)
    records = [one.record for one in seen]
    require_readable(records, paths[0].parent)
    placed = [picture for one in seen if one.pictures is not None for picture in one.pictures.placed]
    with files.output_folder(out) as stage:
        for picture in placed:
            picture.write(stage)
    return EvidenceResult(tuple(records), tuple(f"{picture.name}.png" for picture in placed))
