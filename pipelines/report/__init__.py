"""The report of one doll: a single HTML file that opens offline, prints, and reads on a phone.

The template holds all looks, this module only says what goes where. Numbers and words come from the records
and the verdict, nothing is weighed or measured here.
"""

from __future__ import annotations

import base64
import functools
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines import evidence, words
from pipelines.dossier import HANDS_ON, MergedTrait
from pipelines.examine import PhotoRecord
from pipelines.guide import Guide
from pipelines.requests import PhotoRequest
from pipelines.story import capital, for_and_against, joined
from pipelines.verdict import ReleaseVerdict
from vision.traits import Reason, TraitRecord, View

if TYPE_CHECKING:
    from jinja2 import Environment

    from pipelines.listing import ListingResult

FILE = "report.html"

_CLAIM_SIGNS: Mapping[str, str] = {"consistent": "✓", "contradicted": "✗", "open": "?"}

VIEW_WORDS: Mapping[View, str] = {
    View.FACE: "the face",
    View.HEAD_BACK: "the back of the head",
    View.BODY: "the body",
    View.SOLES: "the soles",
    View.MARK: "a mold mark",
    View.CROWD: "many dolls",
    View.OTHER: "nothing that these measurements can use",
}


def render(result: ListingResult, folder: Path) -> Path:
    """Write ``report.html`` into ``folder`` and return its path."""
    path = folder / FILE
    page = page_of(result)
    path.write_text(environment().get_template("report.html.j2").render(page=page), encoding="utf-8")
    return path


@functools.cache
def environment() -> Environment:
    """Return the templates, with all that is inserted escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("pipelines.report", "."),
        autoescape=True,
        finalize=_unbroken,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _unbroken(value: Any) -> Any:
    """Keep a number with its percent sign or uncertainty on one line."""
    return value.replace(" %", "\u00a0%").replace(" ± ", "\u00a0±\u00a0") if type(value) is str else value


def page_of(result: ListingResult) -> dict[str, Any]:
    """Return all that the template shows, as plain strings and lists."""
    verdict = result.verdict
    cards = dict(_cards(result))
    merged = [m for m in result.dossier.traits if m.source != HANDS_ON]
    reasons = [] if verdict.claim is None else list(verdict.claim.reasons)
    claimed = "" if result.claim is None else f" Offered as: {result.guide.label(result.claim)}."
    ok = sum(photo.ok for photo in result.photos)
    return {
        "title": result.name.replace("_", " "),
        "summary": f"{ok} of {words.count(len(result.photos), 'photo')} read.{claimed} Weighed against the "
        f"guide “{result.guide.title}”.",
        "claim": {
            "state": "open" if verdict.claim is None else verdict.claim.state,
            "sign": "?" if verdict.claim is None else _CLAIM_SIGNS[verdict.claim.state],
            "headline": verdict.headline,
            "story": [line for line in verdict.story if line not in reasons],
            "reasons": reasons,
        },
        "warnings": list(_warnings(result)),
        "guide_note": f"{result.guide.about} Rules: {result.guide.source}. {verdict.scale_note}",
        "releases": [_release(release, result.claim) for release in verdict.releases],
        "seen": [_card(m, cards, result.guide) for m in merged if m.measured],
        "unseen": _alike([_card(m, cards, result.guide) for m in merged if not m.measured]),
        "hands_on": [_hands_on(record, result.guide) for record in result.findings],
        "requests": [_request(request) for request in result.requests],
        "seller_text": result.seller_text,
        "photos": [_photo(photo) for photo in result.photos],
        "cautions": [f"{c.text} ({c.source})" if c.source else c.text for c in result.cautions],
        "footer": f"{evidence.program()} · {evidence.today().isoformat()} · guide {result.guide.id}: "
        f"{result.guide.source}. Evidence pictures, their texts and the machine-readable record lie beside "
        f"this file. The photos themselves were not changed.",
    }


def _cards(result: ListingResult) -> Iterator[tuple[tuple[str, str, str | None], dict[str, str]]]:
    """Yield an embedded crop and the evidence file's name for every record that points at a place."""
    for photo in result.photos:
        for picture in result.placed(photo):
            data = base64.b64encode(picture.card).decode("ascii")
            yield (
                (photo.file, picture.trait, picture.part),
                {"image": f"data:image/jpeg;base64,{data}", "link": f"evidence/{picture.name}.png"},
            )


def _card(
    merged: MergedTrait, cards: Mapping[tuple[str, str, str | None], Mapping[str, str]], guide: Guide
) -> dict[str, Any]:
    record, spec = merged.record, guide.traits.get(merged.trait)
    card = cards.get((merged.source, merged.trait, record.part), {})
    title = words.title(merged.trait, merged.part, spec)
    finding = words.finding(record, spec)
    others = sum(reading.source != merged.source for reading in merged.readings)
    source = merged.source
    if others:
        source += f" and {words.count(others, 'other photo')}"
        source += ", which disagree" if merged.conflict else ""
    return {
        "title": title,
        "finding": finding,
        "detail": record.detail or _missing(record),
        "numbers": words.numbers(record),
        "reading": words.reading(record),
        "image": card.get("image", ""),
        "link": card.get("link", ""),
        "alt": f"{title}: {finding}. Crop of {merged.source} with the measured area outlined.",
        "source": source,
    }


def _alike(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return rows, those that say the same of several traits as one: no doll is one thing."""
    groups: dict[tuple[str, ...], list[dict[str, Any]]] = {}
    for row in rows:
        groups.setdefault(tuple(row[key] for key in ("finding", "detail", "source", "link")), []).append(row)
    return [{**some[0], "title": "; ".join(row["title"] for row in some)} for some in groups.values()]


def _missing(record: TraitRecord) -> str:
    return "No photo shows this." if record.not_measured is Reason.NOT_IN_VIEW else ""


def _release(release: ReleaseVerdict, claim: str | None) -> dict[str, Any]:
    return {
        "label": f"{release.label}, {release.years}" if release.years else release.label,
        "claimed": release.id == claim,
        "percent": words.percent(release.posterior),
        "width": round(100 * release.posterior, 1),
        "words": f"{capital(release.support_of('it'))}; {words.percent(release.prior)} before the findings.",
        "why": for_and_against(release.supporting, release.contradicting),
    }


def _warnings(result: ListingResult) -> Iterator[dict[str, Any]]:
    for flag in result.verdict.alteration_flags:
        yield {
            "title": f"Consistent with: {flag.label} ({words.percent(flag.probability)})",
            "text": "This is no proof and no accusation. What goes with it:",
            "evidence": joined(c.short for c in flag.evidence),
        }
    for merged in result.dossier.traits:
        if merged.conflict:
            told = ", ".join(
                f"{reading.source}: "
                f"{words.state(merged.trait, reading.record.state, result.guide.traits.get(merged.trait))}"
                for reading in merged.readings
                if reading.record.state is not None
            )
            yield {
                "title": f"The photos disagree on {words.title(merged.trait, merged.part).lower()}",
                "text": "They may show two dolls, or one reading is wrong. Look at both pictures.",
                "evidence": [told],
            }
    failed = [photo for photo in result.photos if not photo.ok]
    if failed:
        yield {
            "title": f"{words.count(len(failed), 'file')} could not be read",
            "text": "The others were examined all the same.",
            "evidence": [(photo.error or {}).get("message", photo.file) for photo in failed],
        }
    for note in result.dossier.notes:
        yield {"title": "Note", "text": note, "evidence": []}


def _hands_on(record: TraitRecord, guide: Guide) -> str:
    spec = guide.traits.get(record.trait)
    told = [words.title(record.trait, record.part, spec) + ": " + words.finding(record, spec)]
    return " · ".join([*told, *words.numbers(record), *([record.detail] if record.detail else [])])


def _request(request: PhotoRequest) -> dict[str, str]:
    what = (
        f"A photo of {VIEW_WORDS[request.view]}" if request.view else "A question to whoever holds the doll"
    )
    return {"title": what, "how": f"{request.text} {request.how}", "why": request.why}


def _photo(photo: PhotoRecord) -> dict[str, str]:
    if not photo.ok or photo.view is None:
        return {
            "file": photo.file,
            "size": "",
            "view": "not read",
            "white": "–",
            "notes": (photo.error or {}).get("message", ""),
            "sha256": photo.sha256,
        }
    calibration = photo.calibration
    notes = [*photo.notes, *(calibration.notes if calibration else ()), *photo.steps]
    return {
        "file": photo.file,
        "size": f"{photo.width_px} × {photo.height_px} px",
        "view": f"{VIEW_WORDS[photo.view.state]} ({words.percent(photo.view.confidence)})",
        "white": evidence.white_words(calibration).removeprefix("White: "),
        "notes": " ".join(f"{note[:1].upper()}{note[1:].rstrip('.')}." for note in notes),
        "sha256": photo.sha256,
    }
