"""Photos that carry a place, a camera's number and an owner, hostile names, and what gets out of them."""

from __future__ import annotations

import base64
import csv
import io
import re
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
from PIL import Image

from tests import icc
from tests.conftest import REPOSITORY
from vision.photo import load

#: Stands in every tag that could tell of a person, a place or a camera.
CANARY = "CANARY7781"
#: Degrees, minutes and seconds of a place, as written into the tags and as people write them.
PLACE = ((48.0, 51.0, 29.6), (2.0, 17.0, 40.2))
_PLACE_TEXTS = (b"48.8582", b"2.2945", b"48,51,29", b"GPSLatitude")

#: File names that would do harm if they were believed.
HOSTILE_NAMES = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "=HYPERLINK(1)",
    "+1+cmd",
    "@SUM(1)",
    "-2+3",
    "javascript:alert(1)",
    "{{7*7}}",
    "a\u202egpj",
    "\x1b[31mred",
    "a\nb",
    "' onmouseover='alert(1)",
)

#: What a mark could seem to say.
HOSTILE_TEXTS = (
    "<script>alert(1)</script>",
    '"><svg onload=alert(1)>',
    "=cmd|' /C calc'!A0",
    "</title></style></textarea><script>x</script>",
    "{{7*7}}{% raw %}",
    "javascript:alert(1)",
)


def telling_photo(rgb: np.ndarray, kind: str = "JPEG") -> bytes:
    """A photo whose Exif, XMP, comment, maker note and profile all carry what nobody should pass on."""
    exif = Image.Exif()
    exif[0x010F] = exif[0x0110] = exif[0x013B] = exif[0x8298] = exif[0x010E] = CANARY
    exif[0xC62F] = CANARY  # camera serial number
    exif[0x8769] = {0xA430: CANARY, 0xA431: CANARY, 0xA435: CANARY, 0x927C: CANARY.encode() * 20}
    exif[0x8825] = {1: "N", 2: PLACE[0], 3: "E", 4: PLACE[1], 29: CANARY}
    xmp = f'<x:xmpmeta xmlns:x="adobe:ns:meta/"><aux:SerialNumber>{CANARY}</aux:SerialNumber></x:xmpmeta>'
    stream = io.BytesIO()
    options = {"comment": CANARY.encode(), "xmp": xmp.encode(), "quality": 95} if kind == "JPEG" else {}
    profile = icc.rgb_profile("Standard", icc.SRGB_D50)
    Image.fromarray(rgb).save(stream, kind, exif=exif, icc_profile=profile, **options)
    data = stream.getvalue()
    assert data.count(CANARY.encode()) >= 8, "the photo does not carry what it should"
    return data


def face(scale: int = 2) -> np.ndarray:
    """A painted face, of the sample photos."""
    rgb = load((REPOSITORY / "sample_images/photos/face_03.jpg").read_bytes()).rgb
    return np.ascontiguousarray(rgb[::scale, ::scale])


@dataclass
class Found:
    """What an output folder holds."""

    files: int = 0
    images: int = 0
    leaks: list[str] = field(default_factory=list)
    scripts: list[str] = field(default_factory=list)
    formulas: list[str] = field(default_factory=list)


def inspect(folder: Path) -> Found:
    """Look through all that was written: tags, scripts in HTML, formulas in CSV."""
    found = Found()
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        data = path.read_bytes()
        name = path.relative_to(folder).as_posix()
        found.files += 1
        _look_for_tags(data, name, found)
        if path.suffix == ".html":
            text = data.decode("utf-8")
            found.scripts += [f"{name}: {harm}" for harm in harms_of_html(text)]
            for number, packed in enumerate(re.findall(r"data:image/\w+;base64,([A-Za-z0-9+/=]+)", text)):
                _look_for_tags(base64.b64decode(packed), f"{name}, picture {number}", found)
        if path.suffix == ".csv":
            rows = csv.reader(io.StringIO(data.decode("utf-8-sig"), newline=""))
            cells = [cell for row in rows for cell in row]
            found.formulas += [
                f"{name}: {c}" for c in cells if c.startswith(("=", "+", "-", "@", "\t", "\r"))
            ]
    return found


def _look_for_tags(data: bytes, name: str, found: Found) -> None:
    if CANARY.encode() in data or any(text in data for text in _PLACE_TEXTS):
        found.leaks.append(f"{name}: text of a tag")
    if not data.startswith((b"\xff\xd8", b"\x89PNG", b"RIFF")):
        return
    found.images += 1
    with Image.open(io.BytesIO(data)) as image:
        extra = set(image.info) - {"jfif", "jfif_version", "jfif_unit", "jfif_density", "dpi"}
        if extra or len(image.getexif()):
            found.leaks.append(f"{name}: {sorted(extra)}, {len(image.getexif())} Exif tags")


class _Harms(HTMLParser):
    """Collects scripts, event handlers and links that run something."""

    def __init__(self) -> None:
        super().__init__()
        self.harms: list[str] = []
        self.script = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.script = tag == "script"
        if tag in {"iframe", "object", "embed", "base"}:
            self.harms.append(f"<{tag}>")
        for key, value in attrs:
            if key.startswith("on") or key == "srcdoc":
                self.harms.append(f"{tag} {key}")
            address = "".join((value or "").split()).lower()
            if key in {"href", "src", "action"} and address.startswith(
                ("javascript:", "vbscript:", "data:text")
            ):
                self.harms.append(f"{tag} {key}={value}")

    def handle_data(self, data: str) -> None:
        if self.script and "alert(1)" in data:
            self.harms.append("script with foreign text")


def harms_of_html(text: str) -> list[str]:
    """What in a page would run something that the page's author did not write."""
    parser = _Harms()
    parser.feed(text)
    return parser.harms
