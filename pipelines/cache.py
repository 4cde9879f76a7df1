"""Records of photos kept between runs, so that an interrupted job goes on where it stopped.

A record is found again by the photo's content, the program's code and models, and the options. Anything else,
a torn or strange entry included, counts as not there.
"""

from __future__ import annotations

import base64
import dataclasses
import functools
import hashlib
import json
import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any, Final

from pipelines.examine import PhotoRecord
from vision.calibration import Calibration
from vision.locate.places import ViewPlace
from vision.traits import Region, TraitRecord, View

#: Packages whose version may change what is read off a photo.
_PACKAGES: Final = (
    *("rakelight", "numpy", "opencv-python-headless", "pillow", "scikit-image", "scipy", "onnxruntime"),
    *("rapidocr", "mediapipe", "pillow-heif"),
)


@dataclass(frozen=True)
class Kept:
    """What is kept of a photo: its record, and its print (:mod:`vision.likeness`)."""

    record: PhotoRecord
    fingerprint: bytes = b""


class PhotoCache:
    """What was found in photos, by key, in one file each.

    Parameters
    ----------
    folder
        Where new entries go; made when the first is kept.
    earlier
        Other folders to look into, such as that of a finished run.
    """

    def __init__(self, folder: Path, earlier: Sequence[Path] = ()) -> None:
        self.folder = folder
        self._places = (folder, *earlier)
        self._unwritten: dict[str, bytes] = {}

    def get(self, key: str, file: str) -> PhotoRecord | None:
        """Return the record of a photo, now called ``file``, or None when it is not there."""
        kept = self.kept(key, file)
        return None if kept is None else kept.record

    def kept(self, key: str, file: str) -> Kept | None:
        """Return all that is kept of a photo, now called ``file``, or None when it is not there."""
        for place in self._places:
            try:
                data = json.loads((place / f"{key}.json").read_text(encoding="utf-8"))
                record = dataclasses.replace(record_from_json(data), file=file)
                return Kept(record, base64.b64decode(data["fingerprint"], validate=True))
            except (OSError, ValueError, KeyError, TypeError, AttributeError):
                continue
        return None

    def put(self, key: str, record: PhotoRecord, fingerprint: bytes = b"") -> None:
        """Keep a photo's record; where that is impossible, nothing is kept and the job goes on."""
        entry = {**record.to_json(), "fingerprint": base64.b64encode(fingerprint).decode("ascii")}
        self._write(f"{key}.json", json_text(entry).encode("utf-8"))

    def pictures(self, key: str) -> bytes | None:
        """Return a photo's packed pictures, or None when they are not there."""
        if key in self._unwritten:
            return self._unwritten[key]
        try:
            return (self.folder / f"{key}.pictures").read_bytes()
        except OSError:
            return None

    def has_pictures(self, key: str) -> bool:
        """Return whether a photo's pictures are there."""
        return key in self._unwritten or (self.folder / f"{key}.pictures").is_file()

    def put_pictures(self, key: str, packed: bytes) -> None:
        """Keep a photo's packed pictures until the run is done; in memory where the disk takes them not."""
        if not self._write(f"{key}.pictures", packed):
            self._unwritten[key] = packed

    def clear(self) -> None:
        """Remove what was kept."""
        self._unwritten.clear()
        shutil.rmtree(self.folder, ignore_errors=True)

    def _write(self, name: str, data: bytes) -> bool:
        temp = self.folder / f"{name}.{os.getpid()}.tmp"
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            temp.write_bytes(data)
            temp.replace(self.folder / name)
        except OSError:
            return False
        return True


def settled(record: PhotoRecord) -> PhotoRecord:
    """Return a record with its numbers as the JSON form rounds them: the same, fresh or kept."""
    return record_from_json(json.loads(text_of(record)))


def text_of(record: PhotoRecord) -> str:
    """Return the text of a record, the same for the same record."""
    return json_text(record.to_json())


def json_text(data: Any) -> str:
    """Return JSON without spaces, the same text for the same data."""
    return json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def key_of(*what: str) -> str:
    """Return the key of all that an entry depends on: the code, the hash of a photo's bytes, …"""
    return hashlib.sha256("\n".join(what).encode()).hexdigest()


@functools.cache
def code_version(options: str = "", *, results: bool = False) -> str:
    """Return a hash of all that turns pixels into records: own code, models, other packages, options.

    With ``results`` all that turns records into results counts too: weighing, words, templates. Guides are
    counted by what they say, where they are used.
    """
    root = Path(__file__).resolve().parent.parent
    digest = hashlib.sha256(options.encode())
    for package in ("vision", "pipelines"):
        for path in sorted((root / package).rglob("*")):
            if path.is_file() and "__pycache__" not in path.parts and (results or _matters(path, root)):
                digest.update(path.relative_to(root).as_posix().encode() + b"\0")
                digest.update(hashlib.sha256(path.read_bytes()).digest())
    for package in _PACKAGES:
        digest.update(f"{package}={_version(package)};".encode())
    return digest.hexdigest()


def record_from_json(data: Mapping[str, Any]) -> PhotoRecord:
    """Return what :meth:`PhotoRecord.to_json` wrote.

    The calibration can be told but not applied again: its matrix and tone curve are not in that form.

    Raises
    ------
    KeyError, TypeError, ValueError, AttributeError
        When ``data`` is not of that form.
    """
    view, white = data["view"], data["calibration"]
    return PhotoRecord(
        file=data["file"],
        sha256=data["sha256"],
        width_px=data["width_px"],
        height_px=data["height_px"],
        status=data["status"],
        error=data["error"],
        view=None if view is None else ViewPlace(View(view["state"]), view["confidence"], view["candidates"]),
        calibration=None if white is None else _calibration(white),
        traits=tuple(TraitRecord.from_json(record) for record in data["traits"]),
        steps=tuple(data["steps"]),
        notes=tuple(data["notes"]),
        heads={part: _box(box) for part, box in data.get("heads", {}).items()},
        places={name: Region.from_json(region) for name, region in data.get("places", {}).items()},
    )


def _calibration(data: Mapping[str, Any]) -> Calibration:
    r, g, b = data["neutral_rgb"]
    return Calibration(
        method=data["method"],
        neutral_rgb=(r, g, b),
        u_delta_e=data["u_delta_e"],
        exposure=data["exposure"],
        region=None if data["region"] is None else Region.from_json(data["region"]),
        residual_mean=data["residual_mean"],
        residual_max=data["residual_max"],
        flags=tuple(data["flags"]),
        notes=tuple(data["notes"]),
    )


def _box(values: Sequence[float]) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = (float(v) for v in values)
    return x0, y0, x1, y1


def _matters(path: Path, root: Path) -> bool:
    """Guides, reports and jobs read records; they do not make them."""
    return path.is_relative_to(root / "vision") or path.name in {"examine.py", "regions.py"}


def _version(package: str) -> str:
    try:
        return metadata.version(package)
    except metadata.PackageNotFoundError:
        return "none"
