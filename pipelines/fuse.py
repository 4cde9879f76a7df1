"""Photos of one mark under different lights to one relief picture and one reading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipelines import files
from pipelines.batch import Progress, silent
from pipelines.examine import PhotoRecord
from vision.errors import NoPhotoError, PhotoError
from vision.traits import SCHEMA, Reason, Trait, TraitRecord

#: Name of the relief picture in the output folder.
RELIEF_FILE = "relief.png"


@dataclass(frozen=True)
class FuseResult:
    """What several photos of one mark gave.

    Attributes
    ----------
    photos
        One entry a file.
    used
        Names of the photos that could be laid over the first one.
    residual
        Share of the shading that the relief does not explain, 0–1.
    traits
        The mark's text and symbol, read from the relief; regions are pixels of the first used photo.
    """

    photos: tuple[PhotoRecord, ...]
    used: tuple[str, ...]
    residual: float
    traits: tuple[TraitRecord, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the machine-readable form."""
        return {
            "schema": SCHEMA,
            "photos": [photo.to_json() for photo in self.photos],
            "used": list(self.used),
            "residual": round(self.residual, 4),
            "traits": [record.to_json() for record in self.traits],
        }


def run(paths: Sequence[Path], out: Path | None = None, progress: Progress = silent) -> FuseResult:
    """Fuse photos of one mark from a camera that stood still; write the relief picture into ``out``.

    Raises
    ------
    NoPhotoError
        When none can be read.
    OutputError
        When ``out`` cannot be written.
    """
    from vision.draw import encode_png
    from vision.photo import load
    from vision.relief import fuse

    if out is not None:
        files.check_output_folder(out)
    records: list[PhotoRecord] = []
    photos = []
    names = files.display_names(paths)
    for number, (path, name) in enumerate(zip(paths, names, strict=True), start=1):
        try:
            photo = load(files.read_bytes(path, name), name)
        except PhotoError as error:
            records.append(PhotoRecord.failed(name, error.reason, str(error)))
        else:
            photos.append(photo)
            records.append(PhotoRecord(name, photo.sha256, photo.width, photo.height, steps=photo.steps))
        progress(number, len(paths), name)
    if not photos:
        raise NoPhotoError("None of the photos can be read. " + " ".join(_complaints(records)))
    fused = fuse([photo.rgb for photo in photos])
    if out is not None:
        with files.output_folder(out) as folder:
            (folder / RELIEF_FILE).write_bytes(encode_png(fused.shaded))
    return FuseResult(
        photos=tuple(records),
        used=tuple(photos[i].file for i in fused.used),
        residual=fused.residual,
        traits=measure_fused(photos[0], (fused.shaded, *fused.aligned[1:]), fused.height),
    )


def measure_fused(photo: Any, more: Sequence[Any], height: Any = None) -> tuple[TraitRecord, ...]:
    """Read text and sign of a mark from its first photo, with the other pictures laid over it as witnesses.

    Parameters
    ----------
    photo
        The photo all regions refer to.
    more
        The relief picture, then the other photos, pixel on pixel with ``photo``.
    height
        The fused height, likewise; None when there is none.
    """
    from vision import mark_symbol, mark_text
    from vision.locate.mark import find_marks
    from vision.ocr import default_engine

    try:
        marks = find_marks(photo)
        text = mark_text.measure(photo, marks, default_engine(), more, height)
        return text, mark_symbol.measure(photo, marks, text, more[1:])
    except Exception as error:  # the relief picture is worth having even if reading it fails
        detail = f"The reading failed ({type(error).__name__}). This is a fault of the program."
        return tuple(
            TraitRecord.withheld(trait, Reason.FAILED, "fuse/1", detail)
            for trait in (Trait.MARK_TEXT, Trait.MARK_SYMBOL)
        )


def _complaints(records: Sequence[PhotoRecord]) -> list[str]:
    return [record.error["message"] for record in records[:5] if record.error is not None]
