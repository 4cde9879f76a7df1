"""Files in and out: which photos were meant, their bytes, and output that is whole or not there.

A result is written beside its place and moved there in one step, so that a crash, a full disk or a kill
leaves the old result or the new one. What a killed run left behind is cleared by the next.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import re
import shutil
import unicodedata
from collections.abc import Iterator, Sequence
from pathlib import Path

from vision.errors import NoPhotoError, OutputError, PhotoError

#: Endings taken for photos when a folder is given. A file named by itself is always tried.
PHOTO_SUFFIXES = frozenset(
    "." + ending
    for ending in (
        *("jpg", "jpeg", "jpe", "jfif", "mpo", "png", "webp"),
        *("avif", "tif", "tiff", "bmp", "gif", "heic", "heif"),
    )
)

_MAX_BYTES = 300_000_000
_TEMP = "rakelight-tmp"
# Written into every output folder; a folder without it was not made here and is never replaced.
_STAMP = ".rakelight"


def find_photos(places: Sequence[Path]) -> list[Path]:
    """Return the photos meant by files and folders: files as given, folders by their photos in name order.

    Raises
    ------
    NoPhotoError
        When a folder holds no photo and nothing else was given, or when a folder cannot be read.
    """
    found: list[Path] = []
    empty: list[Path] = []
    for place in places:
        if not place.is_dir():
            found.append(place)
            continue
        inside = photos_in(place)
        found += inside
        if not inside:
            empty.append(place)
    if not found:
        names = ", ".join(str(p) for p in empty) or "nothing"
        raise NoPhotoError(
            f"No photo found in {names}. Give photo files, or a folder that holds JPEG, PNG, WebP, AVIF, "
            "TIFF, BMP, GIF or HEIC files."
        )
    return list(dict.fromkeys(found))


def photos_in(folder: Path) -> list[Path]:
    """Return the photos of one folder (not of its subfolders) in natural name order.

    Raises
    ------
    NoPhotoError
        When the folder cannot be read.
    """
    try:
        inside = [
            path
            for path in folder.iterdir()
            if path.suffix.lower() in PHOTO_SUFFIXES and not path.name.startswith(".") and path.is_file()
        ]
    except OSError as error:
        raise NoPhotoError(f"{folder} cannot be read ({error.strerror}). Check the path.") from error
    return sorted(inside, key=natural_key)


def natural_key(path: Path) -> tuple[tuple[int, int, str], ...]:
    """Sort key that puts ``IMG_2`` before ``IMG_10``."""
    parts = re.split(r"(\d+)", path.name)
    return tuple((0, int(p), "") if p.isascii() and p.isdigit() else (1, 0, p.casefold()) for p in parts)


def display_names(paths: Sequence[Path]) -> list[str]:
    """Return what to call each photo: its file name; the path as given where two would be called alike."""
    names = [printable(path.name) for path in paths]
    return [
        name if names.count(name) == 1 else printable(path.as_posix())
        for name, path in zip(names, paths, strict=True)
    ]


def printable(text: str) -> str:
    """Return text that can be shown and stored: undecodable bytes and control characters become ``�``.

    Spaces that are narrow or do not break become plain ones.
    """
    clean = text.encode("utf-8", "replace").decode("utf-8")
    plain = (" " if unicodedata.category(c) == "Zs" else c for c in clean)
    return "".join(c if c.isprintable() else "\ufffd" for c in plain)


def read_bytes(path: Path, name: str = "") -> bytes:
    """Return a photo's bytes.

    Raises
    ------
    PhotoError
        ``missing``, ``unreadable``, or ``too_large`` (before a byte is read).
    """
    label = name or printable(path.name)
    try:
        if not path.is_file():
            reason = "unreadable" if path.exists() else "missing"
            raise PhotoError(reason, f"{label} is no file. Check the path.")
        if path.stat().st_size > _MAX_BYTES:
            raise PhotoError("too_large", f"{label} is larger than 300 MB. Export it as a JPEG.")
        return path.read_bytes()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "it cannot be opened"
        raise PhotoError(
            "unreadable", f"{label} cannot be read ({why}). Check path and permissions."
        ) from error


# -- out ----------------------------------------------------------------------------------------------


def write_file(path: Path, content: str | bytes) -> None:
    """Write a file whole or not at all; an existing one is replaced in one step.

    Raises
    ------
    OutputError
        When the place cannot be written; what was there before is still there.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    temp = path.with_name(f".{path.name[:100]}.{os.getpid()}.{_TEMP}")
    with _output_errors(path):
        _clear_litter(path.parent, path.name[:100])
        try:
            with temp.open("xb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            temp.replace(path)
        except BaseException:
            temp.unlink(missing_ok=True)
            raise
        _sync_folder(path.parent)


def clear_unfinished(path: Path) -> None:
    """Remove what killed runs left half-written for a file; nothing happens where that is not allowed."""
    with contextlib.suppress(OSError):
        _clear_litter(path.parent, path.name[:100])


def keep_file(temp: Path, folder: Path, name: str, ending: str) -> Path:
    """Move a received file into ``folder``, under its name or, where that is taken, the next free one.

    Parameters
    ----------
    name
        What somebody calls it; only what can be part of a file name is kept of it.
    ending
        Put behind a name that has none of a photo.

    Raises
    ------
    OutputError
        When it cannot be put there; ``temp`` is gone then too.
    """
    stem, suffix = Path(plain_name(name)).stem, Path(plain_name(name)).suffix
    if suffix.lower() not in PHOTO_SUFFIXES:
        stem, suffix = plain_name(name), ending
    with _output_errors(folder):
        try:
            for number in range(1, 10_000):
                path = folder / (f"{stem}{suffix}" if number == 1 else f"{stem}-{number}{suffix}")
                with contextlib.suppress(FileExistsError):
                    # Made first and replaced then: two files of one name dropped at once do not meet.
                    path.open("xb").close()
                    temp.replace(path)
                    _sync_folder(folder)
                    return path
        finally:
            temp.unlink(missing_ok=True)
    raise OutputError(f"{stem}{suffix} is there too often already. Rename it.")


def plain_name(name: str) -> str:
    """Return what can be part of a file name on any system; never empty, hidden or a path."""
    last = printable(name).replace("\\", "/").rsplit("/", 1)[-1]
    clean = "".join("_" if c in '<>:"|?*\ufffd' else c for c in last).strip(" .")
    while len(clean.encode()) > 150:
        stem, dot, suffix = clean.rpartition(".")
        clean = f"{stem[:-1]}{dot}{suffix}" if dot and stem else clean[:-1]
    return clean or "photo"


def remove_file(path: Path) -> None:
    """Remove a file if it is there; raises :class:`OutputError` when that is not possible."""
    with _output_errors(path):
        path.unlink(missing_ok=True)
        _sync_folder(path.parent)


@contextlib.contextmanager
def output_folder(out: Path) -> Iterator[Path]:
    """Give a fresh folder to write into, which takes the place of ``out`` only when all went well.

    An earlier result of this program at ``out`` is replaced as a whole. An empty folder is used. A folder
    that holds anything else is refused, since replacing it would delete somebody's files.

    Raises
    ------
    OutputError
        When the place cannot be written or holds files of others; ``out`` is then as it was before.
    """
    out = _absolute(out)
    with _output_errors(out):
        check_output_folder(out)
        out.parent.mkdir(parents=True, exist_ok=True)
        _clear_litter(out.parent, out.name)
        stage = out.with_name(f".{out.name}.{os.getpid()}.{_TEMP}")
        stage.mkdir()
    try:
        yield stage
        with _output_errors(out):
            (stage / _STAMP).write_text("Written by rakelight; replaced as a whole by its next run.\n")
            _sync_tree(stage)
            _publish(stage, out)
    finally:
        # After an exchange the old result bears the temporary name; after a failure the unfinished one.
        shutil.rmtree(stage, ignore_errors=True)


def is_result(folder: Path) -> bool:
    """Return whether a folder was written by :func:`output_folder`."""
    return (folder / _STAMP).is_file()


def check_output_folder(out: Path) -> None:
    """Find out before a long job whether its result can be put there.

    Raises
    ------
    OutputError
        When ``out`` is a file, holds files that this program did not write, or cannot be written.
    """
    out = _absolute(out)
    with _output_errors(out):
        if out.exists():
            if not out.is_dir():
                raise OutputError(f"{out.name} is a file, not a folder. Give another --out.")
            others = [p.name for p in out.iterdir()]
            if others and _STAMP not in others:
                raise OutputError(
                    f"{out.name} already holds files that rakelight did not write "
                    f"({printable(sorted(others)[0])}, …). Give a new or empty folder as --out."
                )
        _check_parent(out)


def check_output_file(path: Path) -> None:
    """Find out before a long job whether a file can be written; raises :class:`OutputError`."""
    with _output_errors(path):
        if path.is_dir():
            raise OutputError(f"{path.name} is a folder. Give a file name.")
        if not path.parent.is_dir():
            raise OutputError(f"The folder of {path.name} does not exist. Create it first.")
        _check_parent(path)


def _check_parent(path: Path) -> None:
    parent = next(p for p in _absolute(path).parents if p.exists())
    if not parent.is_dir() or not os.access(parent, os.W_OK | os.X_OK):
        raise OutputError(
            f"{path.name} cannot be written: no permission for its folder. Choose another place."
        )


def _absolute(path: Path) -> Path:
    """Absolute path with links resolved, so that a link to a folder is followed rather than replaced."""
    try:
        return path.resolve()
    except (OSError, RuntimeError, ValueError) as error:
        raise OutputError(f"{printable(str(path))} is no usable path. Choose another place.") from error


@contextlib.contextmanager
def _output_errors(path: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "the path cannot be used"
        raise OutputError(
            f"{printable(path.name)} cannot be written ({why}). Check free space and permissions, or choose "
            "another place."
        ) from error


def _publish(stage: Path, out: Path) -> None:
    if not out.exists():
        stage.rename(out)
    elif not _exchange(stage, out):
        # No exchange on this system: for a moment neither is there, and the old one waits as litter.
        old = out.with_name(f".{out.name}.old.{os.getpid()}.{_TEMP}")
        out.rename(old)
        try:
            stage.rename(out)
        except OSError:
            old.rename(out)
            raise
        shutil.rmtree(old, ignore_errors=True)
    _sync_folder(out.parent)


def _exchange(one: Path, other: Path) -> bool:
    """Swap two folders in one step (Linux renameat2); False where the system cannot."""
    try:
        rename = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError, TypeError):
        return False
    at_cwd, exchange = -100, 2
    return bool(rename(at_cwd, os.fsencode(one), at_cwd, os.fsencode(other), exchange) == 0)


def _clear_litter(folder: Path, name: str) -> None:
    """Remove what killed runs left for this target; what a living process is writing stays."""
    pattern = re.compile(rf"\.{re.escape(name)}\.(?:old\.)?(\d+)\.{_TEMP}")
    for path in folder.iterdir() if folder.is_dir() else ():
        match = pattern.fullmatch(path.name)
        if match is None or _is_alive(int(match.group(1))):
            continue
        if ".old." in path.name[len(name) :] and not (folder / name).exists():
            path.rename(folder / name)
        elif path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)


def _is_alive(pid: int) -> bool:
    if pid == os.getpid():
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True


def _sync_tree(folder: Path) -> None:
    for path in folder.rglob("*"):
        if path.is_file():
            if path.stat().st_nlink > 1:  # another name of a file of an earlier result, which was synced then
                continue
            with path.open("rb") as stream:
                os.fsync(stream.fileno())
        else:
            _sync_folder(path)
    _sync_folder(folder)


def _sync_folder(folder: Path) -> None:
    """Make a rename last through a power cut, where the system lets a folder be synced."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
