"""What a hand felt and an eye saw on the doll itself, from a small TOML file.

who = "A. Dealer"
when = 2026-05-01

[findings]
torso_build = "solid"
weight_g = 318
odor = { state = "crayon", sure = "fairly", note = "faint" }
mark_text = { lines = ["VERITY TM", "PATENT APPLIED"] }
"""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from pipelines.files import printable
from pipelines.guide import MARK_WORDING, Guide, TraitSpec
from pipelines.tomlfile import KeyPath, TomlFile, read
from vision.traits import Quantity, Reason, TextLine, Trait, TraitRecord

METHOD = "hands-on/1"

#: What a findings file is called that lies with the photos of its doll, and is used unasked.
FILE = "findings.toml"

#: How sure somebody says to be, as a probability. Stated.
SURE: Final[Mapping[str, float]] = {"certain": 0.97, "sure": 0.9, "fairly": 0.75, "unsure": 0.6}

#: Standard uncertainty of a kitchen scale with a doll on it, in grams, unless the finding gives its own.
_U_DEFAULT = 5.0
_FOOT_PARTS = ("left_foot", "right_foot")
_KEYS = ("state", "value", "u", "lines", "sure", "who", "when", "note", "part")


def load_findings(path: Path, guide: Guide) -> tuple[TraitRecord, ...]:
    """Read a findings file and check it against the guide's traits.

    Returns
    -------
    One record a finding, in the order of the file.

    Raises
    ------
    InputFileError
        When the file breaks a rule; names file, line and remedy.
    """
    return build_findings(read(path), guide)


def load_known(path: Path, guide: Guide) -> tuple[tuple[TraitRecord, ...], tuple[str, ...]]:
    """Read a findings file that was written with another guide at hand, perhaps.

    Returns
    -------
    The records of the traits that this guide knows, and a sentence on those it does not.

    Raises
    ------
    InputFileError
        As :func:`load_findings`, but not for a trait that the guide does not know.
    """
    return build_known(read(path), guide)


def build_known(file: TomlFile, guide: Guide) -> tuple[tuple[TraitRecord, ...], tuple[str, ...]]:
    """Build records from a parsed findings file; returns and raises as :func:`load_known`."""
    table = file.table(("findings",), required=True)
    strange = [trait for trait in table if trait not in guide.traits]
    known = {trait: value for trait, value in table.items() if trait not in strange}
    records = build_findings(dataclasses.replace(file, data={**file.data, "findings": known}), guide)
    if not strange:
        return records, ()
    named = ", ".join(printable(trait)[:40] for trait in strange[:5])
    return records, (f"Hands-on findings that the guide {guide.id} does not know were left out: {named}.",)


def build_findings(file: TomlFile, guide: Guide) -> tuple[TraitRecord, ...]:
    """Build records from a parsed findings file; raises as :func:`load_findings`."""
    file.only((), ("who", "when", "about", "findings"))
    file.text(("about",), "")
    byline = _byline(file, ())
    traits = {key: spec for key, spec in guide.traits.items() if key != MARK_WORDING}
    records: list[TraitRecord] = []
    for trait in file.table(("findings",), required=True):
        path = ("findings", trait)
        if trait not in traits:
            file.unknown(path, "trait", trait, traits)
        records.append(_record(file, path, traits[trait], byline))
    return tuple(records)


def _record(file: TomlFile, path: KeyPath, spec: TraitSpec, byline: str) -> TraitRecord:
    value = file.data["findings"][spec.id]
    if isinstance(value, dict):
        file.only(path, _KEYS)
        confidence = _confidence(file, path)
        byline = _byline(file, path) or byline
        note = file.text((*path, "note"), "")
        base = path
    else:
        confidence, note, base = SURE["sure"], "", path[:-1]
    said = ". ".join(part for part in (f"Hands-on: {byline}" if byline else "Hands-on", note) if part)
    part = _part(file, path, spec) if isinstance(value, dict) else None
    if isinstance(value, dict) and "lines" in value:
        return _mark(file, path, spec, confidence, said)
    if spec.unit:
        key = (*base, "value") if isinstance(value, dict) else path
        u = file.number((*path, "u"), _U_DEFAULT, 0.0, 1e6) if isinstance(value, dict) else _U_DEFAULT
        return _weighed(file, key, spec, u=u, confidence=confidence, said=said)
    key = (*path, "state") if isinstance(value, dict) else path
    state = file.text(key)
    if state not in spec.state_ids:
        file.unknown(key, f"state of {spec.id}", state, spec.state_ids)
    return TraitRecord.stated(
        spec.id, state, confidence, METHOD, candidates={state: confidence}, detail=f"{said}.", part=part
    )


def _weighed(
    file: TomlFile, key: KeyPath, spec: TraitSpec, *, u: float, confidence: float, said: str
) -> TraitRecord:
    """Turn a number into the state whose range holds it, as surely as its uncertainty allows."""
    value = file.number(key, 0.0, 0.0, 1e6)
    shares = spec.shares(value, u)
    total = sum(shares.values())
    quantities = {spec.id: Quantity(value, u, spec.unit)}
    if total < 0.5:
        return TraitRecord.withheld(
            spec.id,
            Reason.AMBIGUOUS,
            METHOD,
            f"{said}. {value:g} {spec.unit} lies in none of the guide's ranges.",
            quantities=quantities,
        )
    candidates = {state: confidence * share / total for state, share in shares.items()}
    return TraitRecord.decide(spec.id, candidates, METHOD, detail=f"{said}.", quantities=quantities)


def _mark(file: TomlFile, path: KeyPath, spec: TraitSpec, confidence: float, said: str) -> TraitRecord:
    if spec.id != Trait.MARK_TEXT:
        file.fail((*path, "lines"), "only mark_text has lines", 'Write { state = "…" } instead.')
    lines = tuple(TextLine(text, confidence, ()) for text in file.texts((*path, "lines")))
    if not lines:
        file.fail((*path, "lines"), "no lines", 'Write lines = ["FIRST LINE", "SECOND LINE"].')
    return TraitRecord.stated(
        spec.id,
        "present",
        confidence,
        METHOD,
        candidates={"present": confidence},
        detail=f"{said}.",
        text=lines,
    )


def _confidence(file: TomlFile, path: KeyPath) -> float:
    sure = file.text((*path, "sure"), "sure")
    if sure not in SURE:
        file.unknown((*path, "sure"), "word", sure, SURE)
    return SURE[sure]


def _part(file: TomlFile, path: KeyPath, spec: TraitSpec) -> str | None:
    part = file.text((*path, "part"), "")
    if not part:
        return None
    if spec.id != Trait.FOOT_HOLES or part not in _FOOT_PARTS:
        file.unknown((*path, "part"), "part", part, _FOOT_PARTS if spec.id == Trait.FOOT_HOLES else ())
    return part


def _byline(file: TomlFile, path: KeyPath) -> str:
    table = file.table(path) if path else file.data
    when = table.get("when")
    if when is not None and not isinstance(when, str | datetime.date):
        file.fail((*path, "when"), "expected a date", "Write when = 2026-05-01.")
    return ", ".join(part for part in (file.text((*path, "who"), ""), str(when or "")) if part)
