"""Damaged guides, findings and regions files, thrown at their readers."""

from __future__ import annotations

import re
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from pipelines import findings, guide, regions
from pipelines.examine import PhotoRecord
from pipelines.listing import conclude
from pipelines.tomlfile import parse
from tests.conftest import REPOSITORY
from vision.errors import InputFileError
from vision.locate.places import ViewPlace
from vision.traits import TraitRecord, View

#: Pieces of TOML that are put where they do not belong.
PIECES = (
    *(
        b"[",
        b"]",
        b"[[",
        b"{",
        b"}",
        b"=",
        b'"',
        b"'",
        b"#",
        b"\n",
        b"\r",
        b",",
        b".",
        b"\\",
        b"\x00",
        b"\xff",
    ),
    *(
        b"nan",
        b"-inf",
        b"-1",
        b"1e999",
        b"0x",
        b"true",
        b"{}",
        b"[]",
        b'""',
        b"1979-05-27",
        b"\xf0\x9f\x92\x84",
    ),
    *(b"[a.b]\n", b'x = "y"\n', b"9" * 400, b"[" * 200, b"a." * 200, b"\xe2\x80\xae", b'"""'),
)

VALUES = (
    *(b"0", b"-1", b"1", b"2", b"0.5", b"nan", b"inf", b"-inf", b"1e308", b"-1e308", b"9223372036854775807"),
    *(
        b"true",
        b"false",
        b'""',
        b'"x"',
        b'" "',
        b'"always"',
        b'"never"',
        b'"\\u0000"',
        b'"\\u202e<b>"',
        b"[]",
        b"{}",
    ),
    *(b"[[]]", b"[1, 2]", b'["a", "a"]', b"[nan, 0]", b"[5, 1]", b"{ a = 1 }", b"1979-05-27", b"07:32:00"),
    b'"' + b"A" * 5000 + b'"',
)

REGIONS = b"""
["a.jpg"]
view = "face"
left_eye = [30, 40, 80, 70]
lips = [[10, 10], [40, 10], [40, 30]]
neutral = [1, 1, 9, 9]

["b c.jpg"]
view = "soles"
left_sole = [30.5, 40, 80, 70]
"""


#: One photo of a doll, for guides to judge.
SEEN = PhotoRecord(
    "a.jpg",
    "ab" * 32,
    view=ViewPlace(View.FACE, 0.9, {"face": 0.9}),
    traits=(
        TraitRecord.stated("eyeliner_color", "blue", 0.9, "eyeliner/1"),
        TraitRecord.stated("iris_color", "unpainted", 0.9, "iris/1"),
        TraitRecord.stated("foot_holes", "open", 0.8, "foot_holes/1", part="left_foot"),
    ),
)


@dataclass
class Tally:
    """What became of many files."""

    outcomes: Counter = field(default_factory=Counter)
    uncaught: list[str] = field(default_factory=list)
    slowest_s: float = 0.0

    @property
    def total(self) -> int:
        return self.outcomes.total()

    def throw(self, read: Callable[[bytes], object], raw: bytes, what: str) -> None:
        """Read bytes and note whether they were taken, refused with a line, or let an exception out."""
        start = time.process_time()
        try:
            read(raw)
            self.outcomes["read"] += 1
        except InputFileError as error:
            self.outcomes["refused"] += 1
            if not re.search(r"line \d+", str(error)):
                self.uncaught.append(f"{what}: no line in: {error}")
        except BaseException as error:
            self.outcomes["uncaught"] += 1
            self.uncaught.append(f"{what}: {type(error).__name__}: {str(error)[:200]}")
        self.slowest_s = max(self.slowest_s, time.process_time() - start)


def readers() -> dict[str, tuple[Callable[[bytes], object], list[bytes]]]:
    """Each kind of file: how it is read, and good files of it."""
    shipped = sorted((REPOSITORY / "pipelines" / "guides").glob("*.toml"))
    demo = guide.load("verity")
    felt = sorted((REPOSITORY / "sample_images" / "listings").rglob("findings.toml"))
    return {
        "guide": (_weigh_by, [p.read_bytes() for p in shipped]),
        "findings": (
            lambda raw: findings.build_findings(parse(raw, "f.toml"), demo),
            [p.read_bytes() for p in felt],
        ),
        "regions": (lambda raw: regions.loads(raw, "r.toml"), [REGIONS]),
    }


def _weigh_by(raw: bytes) -> None:
    """Read a guide and, if it is taken, judge a doll by it: a guide that passes must not fail later."""
    read = guide.build(parse(raw, "g.toml"), "g")
    conclude("doll", read, None, [SEEN], paths=[Path("a.jpg")]).to_json()


def mutant(good: bytes, rng: np.random.Generator) -> bytes:
    """A file with one to six places changed, dropped, doubled or filled with stray TOML."""
    if rng.random() < 0.5:
        return odd_values(good, rng)
    raw = bytearray(good)
    for _ in range(int(rng.integers(1, 7))):
        at = int(rng.integers(0, len(raw) + 1))
        length = int(rng.integers(0, 40))
        match int(rng.integers(0, 4)):
            case 0:
                raw[at : at + length] = PIECES[rng.integers(len(PIECES))]
            case 1:
                del raw[at : at + 10 * length]
            case 2:
                raw[at:at] = raw[at : at + 10 * length]
            case _:
                raw[at : at + 1] = bytes([rng.integers(0, 256)])
    return bytes(raw)


def odd_values(good: bytes, rng: np.random.Generator) -> bytes:
    """A file that is still TOML, with one to three values of another kind or size."""
    lines = good.split(b"\n")
    places = [i for i, line in enumerate(lines) if re.match(rb'\s*[\w"\'. -]+=\s*[^\s\[{].*$', line)]
    for i in rng.choice(places, min(len(places), int(rng.integers(1, 4))), replace=False):
        key, _, value = lines[i].partition(b"=")
        alike = [v for v in VALUES if v[:1].isalpha() == value.strip()[:1].isalpha()]
        alike = [v for v in alike if (v[:1] == b'"') == (value.strip()[:1] == b'"')]
        among = alike if alike and rng.random() < 0.7 else VALUES
        lines[i] = key + b"= " + among[rng.integers(len(among))]
        if rng.random() < 0.2:
            lines[i] = lines[i].replace(
                key.strip(), rng.choice(np.array([b"x", b'""', b'"\\u202e"', b"a.b"]))
            )
    return b"\n".join(lines)


def mutated(kind: str, count: int, seed: int = 3) -> Tally:
    """Read damaged files of one kind."""
    read, good = readers()[kind]
    rng = np.random.default_rng(seed)
    tally = Tally()
    for number in range(count):
        raw = mutant(good[number % len(good)], rng)
        tally.throw(read, raw, f"{kind} {number}")
    return tally
