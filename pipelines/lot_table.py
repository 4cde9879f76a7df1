"""``lot.csv``: the ranked dolls as a table for spreadsheets.

UTF-8 with a byte order mark, since the most common spreadsheet takes a file without one for another
encoding; commas, CRLF line ends and quoting as in RFC 4180. Percentages are whole numbers, so that they read
the same wherever the decimal sign is a comma. A cell that a spreadsheet could take for a formula is led by an
apostrophe (advice of the OWASP, "CSV Injection", from memory): file names come from strangers.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

from pipelines import files, words
from vision.traits import Trait, TraitRecord

if TYPE_CHECKING:
    from pipelines.lot import Doll

#: Each column with what it holds.
COLUMNS: Final[Mapping[str, str]] = {
    "rank": "1 for the doll to take in hand first",
    "doll": "name of the folder, what the photos' names share, or the photo and head",
    "photos": "how many photos it has",
    "photos_failed": "how many of them could not be read",
    "verdict": "the verdict in a sentence",
    "likeliest": "the likeliest release",
    "likeliest_percent": "its probability in percent",
    "support": "how strongly the findings speak for it, in words",
    "second": "the second likeliest release",
    "second_percent": "its probability in percent",
    "altered": "alterations that the findings are consistent with, with percent; empty when none is flagged",
    "lips": "state of the lip paint, or why it cannot be told; empty when no photo looks at it",
    "lips_percent": "confidence in that state in percent",
    "lips_coverage_percent": "share of the molded lips that carries paint, in percent",
    "fade": "whether the vinyl has faded",
    "fade_percent": "confidence in percent",
    "fade_delta_e00": "color difference ΔE00 between exposed and covered vinyl, with a point",
    "sheen": "matte or greasy skin",
    "sheen_percent": "confidence in percent",
    "ear_stain": "green stain at an ear",
    "ear_stain_percent": "confidence in percent",
    "look_percent": "chance in percent that a look at the doll changes the answer; the rank follows it",
    "look_why": "what to look at first, and why it is open",
    "photos_missing": "what to photograph, most telling first",
    "notes": "duplicates, failed photos, heads without a place",
    "by_hand": "photos in which a person set something right, and what a hand has found",
    "files": "the photos, separated by |",
    "head_box": "x0 y0 x1 y1 of the head in a photo of many dolls, in pixels of the upright original",
    "report": "the doll's own report, relative to this file",
}

_FORMULA_SIGNS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def table(dolls: Sequence[Doll]) -> bytes:
    """Return the bytes of the file, one row a doll, as ranked."""
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, list(COLUMNS), lineterminator="\r\n")
    writer.writeheader()
    for doll in dolls:
        writer.writerow({name: harmless(value) for name, value in row_of(doll).items()})
    return buffer.getvalue().encode("utf-8-sig")


def harmless(text: str) -> str:
    """Return a cell that no spreadsheet takes for a formula, on one line."""
    guarded = text.lstrip(" \u00a0").startswith(_FORMULA_SIGNS)
    return ("'" if guarded else "") + files.printable(text)


def row_of(doll: Doll) -> dict[str, str]:
    """Return the cells of one doll."""
    verdict, condition = doll.result.verdict, doll.condition
    first, second = verdict.releases[:2]
    lips, fade = condition[Trait.LIP_PAINT], condition[Trait.SKIN_FADE]
    read = doll.readable
    box = doll.draft.head_box
    return {
        "rank": str(doll.rank),
        "doll": doll.id,
        "photos": str(len(doll.result.photos)),
        "photos_failed": str(sum(not photo.ok for photo in doll.result.photos)),
        "verdict": doll.headline,
        "likeliest": first.label if read else "",
        "likeliest_percent": _percent(first.posterior) if read else "",
        "support": first.support_of("it") if read else "",
        "second": second.label if read else "",
        "second_percent": _percent(second.posterior) if read else "",
        "altered": "; ".join(f"{f.label} ({_percent(f.probability)} %)" for f in verdict.alteration_flags),
        "lips": state_of(lips),
        "lips_percent": _confidence(lips),
        "lips_coverage_percent": _quantity(lips, "coverage_total", 100, 0),
        "fade": state_of(fade),
        "fade_percent": _confidence(fade),
        "fade_delta_e00": _quantity(fade, "delta_e00", 1, 1),
        "sheen": state_of(condition[Trait.SKIN_SHEEN]),
        "sheen_percent": _confidence(condition[Trait.SKIN_SHEEN]),
        "ear_stain": state_of(condition[Trait.EAR_STAIN]),
        "ear_stain_percent": _confidence(condition[Trait.EAR_STAIN]),
        "look_percent": _percent(doll.look.chance) if read else "",
        "look_why": doll.look.why if read else "",
        "photos_missing": "; ".join(str(view).replace("_", " ") for view in doll.missing),
        "notes": " ".join(doll.notes),
        "by_hand": doll.by_hand,
        "files": " | ".join(photo.file for photo in doll.result.photos),
        "head_box": "" if box is None else " ".join(f"{v:.0f}" for v in box),
        "report": f"{doll.folder}/report.html",
    }


def state_of(record: TraitRecord | None) -> str:
    """Return a record's state in plain words, or why there is none; empty without a record."""
    if record is None:
        return ""
    if record.state is not None:
        return words.state(record.trait, record.state)
    return words.finding(record)


def _percent(share: float) -> str:
    """Never 0 and never 100: neither is known."""
    return str(min(max(round(100 * share), 1), 99))


def _confidence(record: TraitRecord | None) -> str:
    return "" if record is None or record.state is None else _percent(record.confidence)


def _quantity(record: TraitRecord | None, name: str, factor: float, digits: int) -> str:
    if record is None or name not in record.quantities:
        return ""
    return f"{factor * record.quantities[name].value:.{digits}f}"
