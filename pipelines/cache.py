"""Records of photos kept between runs, so that an interrupted job goes on where it stopped.

A record is found again by the photo's content, the program's code and models, and the options. Anything else,
a torn or strange entry included, counts as not there.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import os
import shutil
from collections.abc import Mapping, Sequence
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


class PhotoCache:
    """Records by key, in one JSON file each.

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

    def get(self, key: str, file: str) -> PhotoRecord | None:
        """Return the record of a photo, now called ``file``, or None when it is not there."""
        for place in self._places:
            try:
                data = json.loads((place / f"{key}.json").read_text(encoding="utf-8"))
                return dataclasses.replace(record_from_json(data), file=file)
            except (OSError, ValueError, KeyError, TypeError, AttributeError):
                continue
        return None

    def put(self, key: str, record: PhotoRecord) -> None:
        """Keep a record; where that is impossible, nothing is kept and the job goes on."""
        with contextlib.suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
            temp = self.folder / f"{key}.{os.getpid()}.tmp"
            temp.write_text(text_of(record), encoding="utf-8")
            temp.replace(self.folder / f"{key}.json")

    def clear(self) -> None:
        """Remove what was kept."""
        shutil.rmtree(self.folder, ignore_errors=True)


def settled(record: PhotoRecord) -> PhotoRecord:
    """Return a record with its numbers as the JSON form rounds them: the same, fresh or kept."""
    return record_from_json(json.loads(text_of(record)))


def text_of(record: PhotoRecord) -> str:
    """Return the text of an entry."""
    return json.dumps(record.to_json(), ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def key_of(sha256: str, code: str) -> str:
    """Return the key of a photo whose bytes have this hash, as examined by this code."""
    return hashlib.sha256(f"{code}\n{sha256}".encode()).hexdigest()


def code_version(options: str = "") -> str:
    """Return a hash of all that turns pixels into records: own code, models, other packages, options."""
    root = Path(__file__).resolve().parent.parent
    digest = hashlib.sha256(options.encode())
    for package in ("vision", "pipelines"):
        for path in sorted((root / package).rglob("*")):
            if path.is_file() and "__pycache__" not in path.parts and _matters(path, root):
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
