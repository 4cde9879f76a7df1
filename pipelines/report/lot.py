"""The contact sheet of a lot: a single HTML file that opens offline and links each doll's own report."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pipelines import evidence, words
from pipelines.lot_table import COLUMNS, state_of
from pipelines.report import VIEW_WORDS, environment
from pipelines.weighing import NONE_ID
from vision.traits import Trait, View

if TYPE_CHECKING:
    from pipelines.drafts import Draft
    from pipelines.listing import ListingResult
    from pipelines.lot import Doll, LotResult

FILE = "lot.html"

#: The crops that say most of a doll, in this order.
_TELLING: Final = (
    *(Trait.FOOT_HOLES, Trait.MARK_TEXT, Trait.EYELINER_COLOR, Trait.LIP_PAINT),
    *(Trait.EAR_STAIN, Trait.SKIN_FADE),
)
_MOST_CROPS: Final = 5
_TITLES: Final = {
    Trait.LIP_PAINT: "Lips",
    Trait.SKIN_FADE: "Fade",
    Trait.SKIN_SHEEN: "Sheen",
    Trait.EAR_STAIN: "Ear stain",
}


def render(result: LotResult, folder: Path) -> Path:
    """Write ``lot.html`` into ``folder`` and return its path."""
    path = folder / FILE
    page = page_of(result)
    path.write_text(environment().get_template("lot.html.j2").render(page=page), encoding="utf-8")
    return path


def page_of(result: LotResult) -> dict[str, Any]:
    """Return all that the template shows, as plain strings and lists."""
    labels = {r.id: r.label for doll in result.dolls for r in doll.result.verdict.releases}
    failed = [(photo.error or {}).get("message", photo.file) for photo in result.failed]
    return {
        "title": result.name.replace("_", " "),
        "summary": list(result.summary[:2]),
        "guide": f"Weighed against the guide “{result.guide.title}”. {result.guide.about} "
        f"Rules: {result.guide.source}.",
        "failed": failed,
        "releases": sorted(labels.items(), key=lambda item: (item[0] == NONE_ID, item[1])),
        "dolls": [_doll(doll) for doll in result.dolls],
        "columns": list(COLUMNS.items()),
        "footer": f"{evidence.program()} · {evidence.today().isoformat()} · guide {result.guide.id}: "
        f"{result.guide.source}. Each doll's own report, evidence pictures and machine-readable record lie "
        "in the folder dolls beside this file; lot.csv is the same table for a spreadsheet. The photos "
        "themselves were not changed.",
    }


def _doll(doll: Doll) -> dict[str, Any]:
    verdict = doll.result.verdict
    likely = verdict.releases[0]
    return {
        "rank": doll.rank,
        "id": doll.id,
        "readable": doll.readable,
        "headline": doll.headline,
        "release": likely.id if doll.readable else "",
        "told": doll.readable and not verdict.cannot_tell,
        "sureness": round(likely.posterior, 4) if doll.readable else 0,
        "chance": round(doll.look.chance, 4) if doll.readable else 0,
        "releases": [_release(r) for r in verdict.releases[:3]] if doll.readable else [],
        "altered": [
            f"Consistent with: {flag.label} ({words.percent(flag.probability)})"
            for flag in verdict.alteration_flags
        ],
        "condition": list(_condition(doll)),
        "why": doll.look.why if doll.readable else "",
        "missing": [VIEW_WORDS[view] for view in doll.missing],
        "notes": list(doll.notes),
        "photos": _photos(doll),
        "by_hand": doll.by_hand,
        "trouble": any(not photo.ok for photo in doll.result.photos) or bool(doll.draft.notes),
        "crops": list(doll.crops),
        "report": f"{doll.folder}/report.html",
        "letter": f"{doll.folder}/seller-questions.txt",
    }


def _release(release: Any) -> dict[str, Any]:
    return {
        "label": release.label,
        "percent": words.percent(release.posterior),
        "width": round(100 * release.posterior, 1),
        "support": release.support_of("it"),
    }


def _photos(doll: Doll) -> str:
    photos = doll.result.photos
    if len(photos) == 1:
        return f"1 photo: {photos[0].file}"
    return f"{len(photos)} photos: {doll.draft.how}"


def _condition(doll: Doll) -> Iterator[dict[str, str]]:
    for trait, record in doll.condition.items():
        sure = "" if record is None or record.state is None else words.percent(record.confidence)
        yield {"title": _TITLES[trait], "finding": state_of(record) or "no photo shows it", "sure": sure}


def crops_of(draft: Draft, result: ListingResult) -> Iterator[dict[str, str]]:
    """Yield small pictures of a doll: the whole photo or its head first, then what tells most."""
    readable = [photo for photo in result.photos if photo.ok and photo.view is not None]
    if not readable:
        return
    faces = [p for p in readable if p.view is not None and p.view.state is View.FACE]
    first = (faces or readable)[0]
    if first.file in result.pictures:
        title = "whole photo" if draft.head is None else "the head"
        yield _crop(draft, first.file, title, result.pictures[first.file].whole)
    shown = 0
    for trait in _TELLING:
        for merged in result.dossier.of(trait):
            drawn = result.pictures.get(merged.source)
            picture = None if drawn is None else drawn.of(merged.trait, merged.record.part)
            if picture is not None and shown < _MOST_CROPS:
                shown += 1
                title = f"{words.title(merged.trait, merged.part)}: {state_of(merged.record)}"
                yield _crop(draft, merged.source, title, picture.thumbnail)


def _crop(draft: Draft, file: str, title: str, jpeg: bytes) -> dict[str, str]:
    data = base64.b64encode(jpeg).decode("ascii")
    return {
        "image": f"data:image/jpeg;base64,{data}",
        "title": title,
        "alt": f"{draft.id}: {title}. From {file}.",
    }
