"""Which photos of a lot belong to one doll, told by folders and file names alone.

Two dolls taken for one cost more than one doll listed twice, so photos are joined only on a plain sign: one
folder, or names that differ only by what was photographed (``doll_07_face``, ``doll_07_soles``) or by a
shot's number right behind a doll's number (``doll_07``, ``doll_07-2``). A camera's numbers (``IMG_0012``,
``IMG_0013``) and a number that is all there is to tell (``doll_1``, ``doll (2)``) join nothing.
"""

from __future__ import annotations

import os
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pipelines import files
from vision.errors import NoPhotoError

BY_FOLDER: Final = "a folder of its own"
BY_NAME: Final = "names that begin alike"
BY_ITSELF: Final = "a file of its own"


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


#: Words behind a doll's name that say what a photo shows, not which doll.
_SHOWN: Final = _words("""
    face head front eyes eye iris lips lip mouth ear ears hair fringe back neck rim body torso dress dressed
    nude whole full sole soles foot feet leg legs hand hands arm arms mark stamp logo detail closeup close up
    macro left right side top bottom label tag flash card chart edited edit copy crop
""")
#: Words that cameras, phones and scanners put before a number: they name no doll.
_CAMERA: Final = _words("""
    img image imag dsc dscn dscf dscx pxl mvimg p pict pic picture photo foto bild scan screenshot vid wa
    whatsapp at am pm sam cimg hpim gopr gp dji fb received signal capture camera snap edited copy hdr
    burst night portrait cover e mp original file download untitled
""")
_COPY: Final = re.compile(r"^(?P<name>.*\d)(?:\s*\(\d{1,2}\)|[\s_-]+copy(?:\s*\d{1,2})?)$", re.IGNORECASE)
_SEPARATORS: Final = re.compile(r"[\s_.,;+-]+")
_SHOT: Final = re.compile(r"^(?P<doll>.*\d)[\s_.,;+-]+\d{1,2}$")
_WORD: Final = re.compile(r"^(?P<doll>.*[^\s_.,;+-])[\s_.,;+-]+(?P<word>[^\W\d_]+)[\s_.,;+-]*\d{0,2}$")
#: What holds several dolls: a number behind its number is a doll's.
_HOLDER: Final = re.compile(r"(box|lot|tray|shelf|case|drawer|row)[\s_.,;+-]*\d+$", re.IGNORECASE)
_YEAR: Final = re.compile(r"^(1[89]|20)\d\d$")


@dataclass(frozen=True)
class Group:
    """The photos of one doll.

    Attributes
    ----------
    id
        The doll's name: its folder, or what its file names share. Unique within a lot.
    how
        :data:`BY_FOLDER`, :data:`BY_NAME` or :data:`BY_ITSELF`.
    paths, names
        Where each photo lies, and what it is called: its path within the lot, with ``/``.
    """

    id: str
    how: str
    paths: tuple[Path, ...]
    names: tuple[str, ...]

    @property
    def folder(self) -> Path:
        """Where its photos lie; other dolls' loose photos may lie there too."""
        return self.paths[0].parent


def group_photos(folder: Path, leave_out: Iterable[Path] = ()) -> tuple[Group, ...]:
    """Return the dolls of a lot: every folder that holds photos, then the loose photos by their names.

    Parameters
    ----------
    leave_out
        Folders not to look into. Hidden folders and results of this program are passed over anyway.

    Raises
    ------
    NoPhotoError
        When there is no photo, or a folder cannot be read.
    """
    skipped = {path.resolve() for path in leave_out}
    loose = files.photos_in(folder)
    found = [
        (inside.relative_to(folder).as_posix(), BY_FOLDER, photos)
        for inside in _folders(folder, skipped)
        if (photos := files.photos_in(inside))
    ]
    found += _by_name(loose)
    if not found:
        raise NoPhotoError(
            f"No photo found in {folder.name} or its folders. Put the photos of each doll into a folder of "
            "its own, or name them alike: doll_07_face.jpg, doll_07_soles.jpg."
        )
    taken: set[str] = set()
    return tuple(_group(folder, name, how, photos, taken) for name, how, photos in found)


def shared_name(stem: str) -> str:
    """Return what a file name without suffix says of the doll: ``"doll_07"`` for ``"doll_07_face-2"``."""
    copy = _COPY.match(stem)
    name = stem if copy is None else copy["name"]
    if _is_camera_name(name):
        return name
    while True:
        shorter = _without_word(name) or _without_shot(name)
        if shorter is None:
            return name
        name = shorter


def _without_word(name: str) -> str | None:
    match = _WORD.match(name)
    if match is None or match["word"].casefold() not in _SHOWN:
        return None
    doll = match["doll"]
    return doll if _names_something(doll) else None


def _without_shot(name: str) -> str | None:
    """Take a shot's number off, if a doll's number stays: ``doll_07-2``, not ``doll_2``, not a date."""
    match = _SHOT.match(name)
    if match is None or _is_camera_name(match["doll"]) or _HOLDER.search(match["doll"]):
        return None
    numbers = re.findall(r"\d+", match["doll"])
    return match["doll"] if any(not _YEAR.match(n) and len(n) <= 6 for n in numbers) else None


def _names_something(name: str) -> bool:
    """Whether a name holds more than words for what was photographed."""
    words = [word.casefold() for word in re.findall(r"[^\W\d_]+|\d+", name)]
    return any(word not in _SHOWN for word in words)


def _is_camera_name(name: str) -> bool:
    """Whether nothing in a name is a person's word: only a camera's words and numbers."""
    words = [word.casefold() for word in re.findall(r"[^\W\d_]+", name)]
    return all(word in _CAMERA for word in words)


def _by_name(photos: Iterable[Path]) -> list[tuple[str, str, list[Path]]]:
    alike: dict[str, list[Path]] = defaultdict(list)
    shown: dict[str, str] = {}
    for path in photos:
        name = shared_name(path.stem)
        key = _SEPARATORS.sub("_", name.casefold())
        shown.setdefault(key, name)
        alike[key].append(path)
    return [(shown[key], BY_NAME if len(group) > 1 else BY_ITSELF, group) for key, group in alike.items()]


def _folders(folder: Path, skipped: set[Path]) -> Iterator[Path]:
    """Yield the folders below, in name order, without following links."""
    try:
        inside = [Path(entry.path) for entry in os.scandir(folder) if entry.is_dir(follow_symlinks=False)]
    except OSError as error:
        raise NoPhotoError(f"{folder.name} cannot be read ({error.strerror}). Check the path.") from error
    for path in sorted(inside, key=files.natural_key):
        if path.name.startswith(".") or path.resolve() in skipped or files.is_result(path):
            continue
        yield path
        yield from _folders(path, skipped)


def _group(folder: Path, name: str, how: str, photos: Iterable[Path], taken: set[str]) -> Group:
    paths = tuple(photos)
    return Group(
        unique(files.printable(name), taken),
        how,
        paths,
        tuple(files.printable(path.relative_to(folder).as_posix()) for path in paths),
    )


def unique(name: str, taken: set[str], again: str = "{} ({})") -> str:
    """Return a name that differs from those taken in more than upper and lower case, and take it.

    ``again`` says how a second one is called, from its name and number.
    """
    chosen, number = name, 2
    while chosen.casefold() in taken:
        chosen, number = again.format(name, number), number + 1
    taken.add(chosen.casefold())
    return chosen
