"""The regions file: where things are, said by a person, for photos in which nothing was found.

One table a photo, named by its file name. Coordinates are pixels of the upright photo, x to the right, y
down. A place is a box of four numbers (left, top, right, bottom) or a list of at least three points::

    card_reflectance = 0.18             # what the gray card reflects, for all photos; also under one photo

    ["IMG_2231.jpg"]
    view = "face"                       # face, head_back, body, soles, mark, crowd or other
    left_eye = [1210, 900, 1390, 1010]  # left in the picture, not the doll's left
    right_eye = [1600, 905, 1790, 1015]
    lips = [[1380, 1400], [1500, 1370], [1630, 1400], [1500, 1480]]
    neutral = [2700, 3500, 2950, 3800]  # something known to be neutral white or gray

    ["IMG_2240.jpg"]
    covered = [800, 1200, 1000, 1400]   # vinyl that a garment covered
    exposed = [800, 1600, 1000, 1800]   # vinyl beside it that light reached

    not_there = ["mark"]                # what the program finds here is none: leave it out

Places: ``left_eye``, ``right_eye``, ``lips``, ``skin``, ``left_ear``, ``right_ear``, ``left_sole``,
``right_sole``, ``left_hole``, ``right_hole`` (a hole in a sole), ``covered``, ``exposed``, ``mark``,
``neutral``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipelines.tomlfile import KeyPath, TomlFile, parse, read
from vision.traits import Polygon, Region, View

#: Names of the places that can be given.
PLACES = (
    "left_eye",
    "right_eye",
    "lips",
    "skin",
    "left_ear",
    "right_ear",
    "left_sole",
    "right_sole",
    "left_hole",
    "right_hole",
    "covered",
    "exposed",
    "mark",
    "neutral",
)

#: What a regions file is called that lies with the photos it speaks of, and is used unasked.
FILE = "regions.toml"

_CARD = "card_reflectance"
_CARD_RANGE = (0.02, 0.98)
_FARTHEST = 100_000.0
_MAX_POINTS = 2_000


@dataclass(frozen=True)
class PhotoRegions:
    """What a person said about one photo; ``line`` is where in the file.

    ``absent`` names places that are not there, whatever is found. ``card_reflectance`` is what the gray card
    reflects, 0–1; None when not said.
    """

    view: View | None = None
    places: Mapping[str, Region] = field(default_factory=dict)
    absent: tuple[str, ...] = ()
    card_reflectance: float | None = None
    line: int = 1


@dataclass(frozen=True)
class RegionsFile:
    """All that a regions file says, by photo file name; ``card_reflectance`` holds for photos not named."""

    name: str = ""
    photos: Mapping[str, PhotoRegions] = field(default_factory=dict)
    card_reflectance: float | None = None

    def of(self, photo: str) -> PhotoRegions:
        """Return what is said about a photo, found by its file name."""
        return self.photos.get(Path(photo).name, PhotoRegions(card_reflectance=self.card_reflectance))

    def unused(self, photos: list[str]) -> list[str]:
        """Return the photo names in the file that none of the given photos bears."""
        given = {Path(photo).name for photo in photos}
        return [name for name in self.photos if name not in given]


def load(path: Path) -> RegionsFile:
    """Read and check a regions file.

    Raises
    ------
    InputFileError
        On the first rule broken; names file, line and remedy.
    """
    return build(read(path))


def loads(raw: bytes, name: str = "regions.toml") -> RegionsFile:
    """Check a regions file given as bytes; raises as :func:`load` does."""
    return build(parse(raw, name))


def build(file: TomlFile) -> RegionsFile:
    """Check a parsed regions file; raises as :func:`load` does."""
    photos: dict[str, PhotoRegions] = {}
    card = _card(file, (_CARD,), None)
    for photo, table in file.data.items():
        if photo == _CARD:
            continue
        path = (photo,)
        if not isinstance(table, dict):
            file.fail(path, "places must stand under a photo", 'Start with a line like ["IMG_2231.jpg"].')
        if any(isinstance(value, dict) for value in table.values()):
            file.fail(
                path,
                "a photo's name with a dot needs quotation marks",
                'Write ["IMG_2231.jpg"], with the quotation marks.',
            )
        if photo != Path(photo).name:
            file.fail(path, "a file name is expected, not a path", f'Write ["{Path(photo).name}"].')
        file.only(path, ("view", "not_there", _CARD, *PLACES))
        places = {key: _region(file, (photo, key), table[key]) for key in PLACES if key in table}
        absent = _absent(file, photo, places)
        photos[photo] = PhotoRegions(
            _view(file, photo), places, absent, _card(file, (photo, _CARD), card), file.line_of(path)
        )
    return RegionsFile(file.name, photos, card)


def _card(file: TomlFile, path: KeyPath, default: float | None) -> float | None:
    said = file.number(path, 0.18, *_CARD_RANGE)
    return said if path[-1] in (file.data if len(path) == 1 else file.table(path[:-1])) else default


def _view(file: TomlFile, photo: str) -> View | None:
    path = (photo, "view")
    word = file.text(path, "")
    if not word:
        return None
    if word not in set(View):
        file.unknown(path, "view", word, tuple(View))
    return View(word)


def _absent(file: TomlFile, photo: str, places: Mapping[str, Region]) -> tuple[str, ...]:
    path = (photo, "not_there")
    names = file.texts(path)
    for name in names:
        if name not in PLACES:
            file.unknown(path, "place", name, PLACES)
        if name in places:
            file.fail(path, f'"{name}" is given a place and said not to be there', "Take out one of the two.")
    return tuple(dict.fromkeys(names))


def _region(file: TomlFile, path: KeyPath, value: Any) -> Region:
    remedy = (
        f"Write {path[-1]} = [left, top, right, bottom] or {path[-1]} = [[x, y], [x, y], [x, y]], in pixels."
    )
    if not isinstance(value, list) or not value:
        file.fail(path, "expected a box or a list of points", remedy)
    if not any(isinstance(v, list) for v in value):
        if not all(_is_number(v) for v in value):
            file.fail(path, "a box is four finite numbers", remedy)
        if len(value) != 4:
            file.fail(path, f"a box has four numbers, not {len(value)}", remedy)
        x0, y0, x1, y1 = (float(v) for v in value)
        if x1 <= x0 or y1 <= y0:
            file.fail(path, "the box is empty: right must exceed left, and bottom top", remedy)
        return Region.box(x0, y0, x1, y1)
    if not 3 <= len(value) <= _MAX_POINTS:
        file.fail(path, f"a place needs 3 to {_MAX_POINTS} points, not {len(value)}", remedy)
    for point in value:
        if not (isinstance(point, list) and len(point) == 2 and all(_is_number(v) for v in point)):
            file.fail(path, "each point is two numbers, x and y, inside the photo", remedy)
    polygon: Polygon = tuple((float(x), float(y)) for x, y in value)
    if _area(polygon) < 1.0:
        file.fail(path, "the points enclose no area", remedy)
    return Region((polygon,))


def _is_number(value: Any) -> bool:
    """Whole or decimal numbers that can be a coordinate; TOML's booleans, nan and inf are none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return -_FARTHEST <= value <= _FARTHEST and math.isfinite(value)


def _area(polygon: Polygon) -> float:
    following = polygon[1:] + polygon[:1]
    return abs(sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(polygon, following, strict=True))) / 2
