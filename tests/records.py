"""Records and photos for tests of judgement, made without any pixels."""

from __future__ import annotations

from dataclasses import dataclass

from vision.locate.places import ViewPlace
from vision.traits import Reason, TextLine, TraitRecord, View


@dataclass(frozen=True)
class FakePhoto:
    """What a dossier reads of an examined photo."""

    file: str
    traits: tuple[TraitRecord, ...] = ()
    view: ViewPlace | None = None
    sha256: str = ""
    status: str = "ok"


def said(trait: str, state: str, confidence: float = 0.9, part: str | None = None) -> TraitRecord:
    """A record that states something."""
    return TraitRecord.stated(trait, state, confidence, "test/1", candidates={state: confidence}, part=part)


def silent(trait: str, reason: Reason = Reason.BLURRED, **candidates: float) -> TraitRecord:
    """A record that says why it states nothing."""
    return TraitRecord.withheld(trait, reason, "test/1", f"{trait} cannot be read.", candidates=candidates)


def mark(*lines: str, confidence: float = 0.9) -> TraitRecord:
    """A mark with its lines."""
    text = tuple(TextLine(line, confidence, ()) for line in lines)
    return said("mark_text", "present", confidence).replace(text=text)


def photo(
    file: str, view: View, *traits: TraitRecord, view_confidence: float = 0.95, **rest: str
) -> FakePhoto:
    """A photo of a view with its records; its hash is its name unless given."""
    rest.setdefault("sha256", f"hash of {file}")
    return FakePhoto(file, traits, ViewPlace(view, view_confidence), **rest)
