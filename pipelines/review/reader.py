"""What runs in the review page's own processes: decoding, reading, tiles, relief, the report.

A process answers one question at a time and keeps the last photos decoded, with what was found in them, so
that one moved corner costs one reading. Whatever goes wrong is the answer; a process that hangs ends itself.
"""

from __future__ import annotations

import contextlib
import faulthandler
import os
import signal
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines import batch, files
from pipelines.examine import PhotoRecord, examine
from pipelines.regions import PhotoRegions
from vision.errors import OutputError, PhotoError, RakelightError
from vision.traits import Trait, TraitRecord

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from vision.photo import Photo

    Image = NDArray[np.uint8]

#: Side of a tile in pixels.
TILE = 512
#: Long side of a thumbnail, and of the picture that is there before the tiles are.
THUMB, PREVIEW = 220, 1400
#: Relief is worked out on at most so many pixels.
_RELIEF_PIXELS = 1_200_000
#: Decoded photos that a process keeps, by number and in all their pixels.
_MOST_PHOTOS, _MOST_PIXELS = 6, 70_000_000


@dataclass(frozen=True, slots=True)
class Job:
    """One question: the name of a function of this module and what it is called with.

    A process that needs longer than ``deadline_s`` for it ends itself.
    """

    call: str
    arguments: tuple[Any, ...] = ()
    deadline_s: float = 60.0


@dataclass(frozen=True, slots=True)
class Reply:
    """An answer; ``last`` is False for what is known so far, ``error`` says why there is no ``value``."""

    value: Any = None
    last: bool = True
    error: str = ""


@dataclass(frozen=True, slots=True)
class Source:
    """A photo as a file: two sources are the same if the file was not touched in between."""

    path: str
    name: str
    stamp: tuple[int, int] = (0, 0)

    @classmethod
    def of(cls, path: Path, name: str) -> Source:
        """Return the source of a file as it is now; a missing one gets an empty stamp."""
        try:
            facts = path.stat()
        except OSError:
            return cls(str(path), name)
        return cls(str(path), name, (facts.st_mtime_ns, facts.st_size))


@dataclass
class _Kept:
    """A decoded photo with what was made of it."""

    photo: Photo
    levels: dict[int, Image] = field(default_factory=dict)


_kept: OrderedDict[Source, _Kept] = OrderedDict()


def serve(connection: Connection) -> None:
    """Answer questions until the other side hangs up."""
    # The page alone answers to Ctrl-C; when it goes, the connection ends.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    batch.one_thread()

    def tell(value: Any) -> None:
        connection.send(Reply(value, last=False))

    with Path(os.devnull).open("w", encoding="utf-8") as nowhere, contextlib.suppress(EOFError, OSError):
        while True:
            job: Job = connection.recv()
            # The watchdog is native: it works even while a library hangs and holds the interpreter.
            faulthandler.dump_traceback_later(job.deadline_s, exit=True, file=nowhere)
            try:
                reply = _answer(job, tell)
            finally:
                faulthandler.cancel_dump_traceback_later()
            connection.send(reply)


def _answer(job: Job, tell: Callable[[Any], None]) -> Reply:
    function: Callable[..., Any] = globals()[job.call]
    try:
        return Reply(function(*job.arguments, tell=tell))
    except RakelightError as error:
        return Reply(error=str(error) or "That failed.")
    except Exception as error:  # whatever happens in here, the page lives on
        return Reply(error=f"That failed ({type(error).__name__}: {str(error)[:160]}).")


# -- questions ----------------------------------------------------------------------------------------


def warm(*, tell: Callable[[Any], None]) -> None:
    """Load what the first reading would wait for, by looking at a picture of nothing."""
    import importlib

    import numpy as np

    from vision.photo import Photo

    for module in ("eyeliner", "iris", "lips", "ear_stain", "sheen", "fade", "foot_holes", "neutral"):
        importlib.import_module(f"vision.{module}")
    examine(Photo.from_array(np.full((320, 240, 3), 128, np.uint8)))


def wake(*, tell: Callable[[Any], None]) -> None:
    """Load what makes pictures."""
    import importlib

    for module in ("vision.photo", "vision.draw", "vision.relief"):
        importlib.import_module(module)


def read(
    source: Source, said: PhotoRegions, first: tuple[Trait, ...], *, tell: Callable[[Any], None]
) -> PhotoRecord:
    """Read one photo, telling what is known so far after each trait; a failure is a record, too."""
    try:
        photo = _photo(source).photo
    except PhotoError as error:
        return PhotoRecord.failed(source.name, error.reason, str(error))
    try:
        return examine(
            photo,
            view=said.view,
            regions=said.places,
            absent=said.absent,
            card_reflectance=said.card_reflectance,
            first=first,
            keep=tell,
        )
    except Exception as error:  # one photo must not cost the others
        why = f"{type(error).__name__}: {' '.join(str(error).split())[:160]}"
        return PhotoRecord.failed(
            source.name,
            "failed",
            f"{source.name} was read, but looking at it failed ({why}). Other photos are not affected.",
            sha256=photo.sha256,
            width_px=photo.width,
            height_px=photo.height,
        )


def check(path: str, name: str, *, tell: Callable[[Any], None]) -> str:
    """Decode a file that was dropped and return the usual ending of its format.

    Raises
    ------
    RakelightError
        When it is no photo that can be read.
    """
    from vision.photo import load

    photo = load(files.read_bytes(Path(path), name), name)
    words = photo.steps[0].split() if photo.steps else []
    form = words[1].lower() if len(words) > 1 else "jpeg"
    return {"jpeg": ".jpg", "mpo": ".jpg", "tiff": ".tif", "heif": ".heic"}.get(form, f".{form}")


def picture(source: Source, side: int, *, tell: Callable[[Any], None]) -> bytes:
    """Return the whole photo as a JPEG of at most ``side`` pixels each way."""
    import cv2
    import numpy as np

    from vision.draw import encode_jpeg

    kept = _photo(source)
    level = 0
    while max(_size(kept.photo, level + 1)) >= side:
        level += 1
    image = _level(kept, level)
    scale = min(1.0, side / max(image.shape[:2]))
    if scale < 1:
        size = (max(1, round(image.shape[1] * scale)), max(1, round(image.shape[0] * scale)))
        image = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), np.uint8)
    return encode_jpeg(image, 84)


def tile(source: Source, level: int, column: int, row: int, *, tell: Callable[[Any], None]) -> bytes:
    """Return one tile of the photo reduced by 2 to the power of ``level``, as a JPEG.

    Raises
    ------
    RakelightError
        When there is no such tile.
    """
    from vision.draw import encode_jpeg

    if not (0 <= level <= 8 and 0 <= column < 500 and 0 <= row < 500):
        raise RakelightError("There is no such tile.")
    image = _level(_photo(source), level)
    part = image[row * TILE : (row + 1) * TILE, column * TILE : (column + 1) * TILE]
    if part.size == 0:
        raise RakelightError("There is no such tile.")
    return encode_jpeg(part, 88)


def relief(
    source: Source, kind: str, box: tuple[float, float, float, float], *, tell: Callable[[Any], None]
) -> bytes:
    """Return part of the photo with its relief made readable, as a JPEG.

    Parameters
    ----------
    kind
        ``"contrast"``, ``"flat"`` (even light) or ``"height_0"``, ``"height_45"``, … (light from there).
    box
        (x0, y0, x1, y1) in pixels of the upright original; reduced where it holds too many pixels.
    """
    import cv2
    import numpy as np

    from vision import relief as made
    from vision.draw import encode_jpeg

    crop, _ = _photo(source).photo.crop(box)
    if min(crop.shape[:2]) < 16:
        raise RakelightError("That part of the photo is too small to enhance.")
    scale = min(1.0, (_RELIEF_PIXELS / (crop.shape[0] * crop.shape[1])) ** 0.5)
    if scale < 1:
        small = cv2.resize(crop, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        crop = np.asarray(small, np.uint8)
    # Letters are about a twentieth of what a person chose to look at.
    radius = max(4.0, min(crop.shape[:2]) / 20)
    if kind == "contrast":
        return encode_jpeg(made.contrast(crop), 88)
    shading = made.equalize(made.flatten(crop, radius), 2 * radius)
    if kind == "flat":
        return encode_jpeg(made.picture(shading), 88)
    azimuth = float(kind.removeprefix("height_"))
    return encode_jpeg(made.picture(made.integrate(shading, azimuth, radius)), 88)


def save(
    out: str,
    name: str,
    guide: str,
    claim: str | None,
    photos: list[PhotoRecord],
    paths: list[str],
    findings: tuple[TraitRecord, ...],
    remarks: tuple[str, ...],
    *,
    tell: Callable[[Any], None],
) -> None:
    """Write the report, the evidence and the questions, as the command ``listing`` does.

    Raises
    ------
    OutputError
        When the place cannot be written.
    """
    from pipelines import guide as guides
    from pipelines import listing

    result = listing.conclude(
        name,
        guides.load(guide),
        claim,
        photos,
        paths=[Path(path) for path in paths],
        findings=findings,
        remarks=remarks,
    )
    try:
        with files.output_folder(Path(out)) as stage:
            listing.write(result, stage)
    except OSError as error:
        why = error.strerror or "the place cannot be written"
        raise OutputError(f"The report could not be written ({why}). Check free space.") from error


# -- pictures -----------------------------------------------------------------------------------------


def _photo(source: Source) -> _Kept:
    from vision.photo import load

    if source in _kept:
        _kept.move_to_end(source)
        return _kept[source]
    photo = load(files.read_bytes(Path(source.path), source.name), source.name)
    _kept[source] = _Kept(photo)
    while len(_kept) > 1 and (
        len(_kept) > _MOST_PHOTOS
        or sum(k.photo.width * k.photo.height for k in _kept.values()) > _MOST_PIXELS
    ):
        _kept.popitem(last=False)
    return _kept[source]


def _size(photo: Photo, level: int) -> tuple[int, int]:
    """Return (width, height) of a level: half of the level before, rounded up."""
    width, height = photo.width, photo.height
    for _ in range(level):
        width, height = (width + 1) // 2, (height + 1) // 2
    return width, height


def _level(kept: _Kept, level: int) -> Image:
    """Return the photo reduced by 2 to the power of ``level``; each level is made of the one before."""
    import cv2
    import numpy as np

    if level == 0:
        return kept.photo.rgb
    if level not in kept.levels:
        before = _level(kept, level - 1)
        kept.levels[level] = np.asarray(
            cv2.resize(before, _size(kept.photo, level), interpolation=cv2.INTER_AREA), np.uint8
        )
    return kept.levels[level]
