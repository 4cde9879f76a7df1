"""What the page shows, as plain data: words from the records, nothing weighed or measured here."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipelines import evidence, words
from pipelines import guide as guides
from pipelines.dossier import HANDS_ON
from pipelines.examine import PhotoRecord
from pipelines.findings import SURE
from pipelines.guide import MARK_WORDING, TraitSpec
from pipelines.listing import ListingResult
from pipelines.regions import PLACES, PhotoRegions
from pipelines.review import paper as papers
from pipelines.review.actions import PLACE_WORDS, TRAITS_OF_PLACE, VIEW_WORDS
from pipelines.review.desk import REPORT, Desk, Sheet
from pipelines.review.reader import TILE
from pipelines.story import joined
from pipelines.verdict import ReleaseVerdict
from vision.locate.view import REGION_VIEWS
from vision.traits import VIEWS_OF, Region, Trait, TraitRecord, View

#: More corners than this cannot be taken hold of.
_MOST_CORNERS = 14
_CLAIM_SIGNS = {"consistent": "✓", "contradicted": "✗", "open": "?"}


def state(desk: Desk) -> dict[str, Any]:
    """Return all that a page of one doll shows but the photos themselves."""
    done = [sheet for sheet in desk.sheets.values() if not sheet.reading]
    result = desk.result
    return {
        "id": desk.id,
        "name": desk.name.replace("_", " "),
        "version": desk.version,
        "revision": desk.revision,
        "troubles": list(desk.troubles.values()),
        "remarks": list(desk.remarks),
        "guide": {"id": desk.guide_name, "title": desk.guide.title, "choices": _guides(desk)},
        "claim": desk.claim or "",
        "releases": [
            {"id": r.id, "label": f"{r.label}, {r.years}" if r.years else r.label}
            for r in desk.guide.releases.values()
        ],
        "photos": [_photo_line(desk, sheet) for sheet in desk.sheets.values()],
        "progress": {"done": len(done), "total": len(desk.sheets)},
        "hands": _hands(desk),
        "verdict": None if result is None else _verdict(result),
        "changes": None if desk.changes is None else desk.changes.to_json(),
        "undo": desk.history.undoable,
        "redo": desk.history.redoable,
        "report": {
            "saved": desk.saved is not None,
            "stale": desk.saved != desk.revision,
            "saving": desk.saving,
            "exists": (desk.folder / REPORT / "report.html").is_file(),
            "place": f"{desk.name}/{REPORT}",
        },
    }


def _guides(desk: Desk) -> list[dict[str, str]]:
    choices = [{"id": guide.id, "title": guide.title} for guide in guides.shipped()]
    if desk.guide_name not in {choice["id"] for choice in choices}:
        choices.insert(0, {"id": desk.guide_name, "title": desk.guide.title})
    return choices


# -- photos -------------------------------------------------------------------------------------------


def _photo_line(desk: Desk, sheet: Sheet) -> dict[str, Any]:
    record = sheet.record
    said = desk.said_of(sheet)
    line: dict[str, Any] = {
        "id": sheet.id,
        "name": sheet.name,
        "stamp": f"{sheet.source.stamp[0]:x}",
        "reading": sheet.reading,
        "state": "waiting" if record is None else "ok" if record.ok else "error",
        "touched": bool(said.places or said.absent or said.view),
        "message": "",
        "view": "",
    }
    if record is not None:
        line["message"] = (record.error or {}).get("message", "")
        if record.view is not None:
            line["view"] = VIEW_WORDS[record.view.state]
    return line


def photo(desk: Desk, sheet: Sheet) -> dict[str, Any]:
    """Return all that is known of one photo."""
    record = sheet.record or PhotoRecord(sheet.name)
    said = desk.said_of(sheet)
    view = record.view
    return {
        **_photo_line(desk, sheet),
        "version": desk.version,
        "width": record.width_px,
        "height": record.height_px,
        "tile": TILE,
        "view": {
            "id": "" if view is None else str(view.state),
            "told": "" if said.view is None else str(said.view),
            "words": "" if view is None else f"{VIEW_WORDS[view.state]} ({words.percent(view.confidence)})",
            "choices": [{"id": str(v), "label": VIEW_WORDS[v]} for v in View],
        },
        "white": evidence.white_words(record.calibration) if record.ok and view is not None else "",
        "readings": [_reading(r) for r in record.traits],
        "places": _places(record, said),
        "notes": list(record.notes),
        "steps": list(record.steps),
        "sha256": record.sha256,
    }


def _reading(record: TraitRecord) -> dict[str, Any]:
    return {
        "key": f"{record.trait}/{record.part or ''}",
        "title": words.title(record.trait, record.part),
        "finding": words.finding(record),
        "stated": record.state is not None,
        "detail": record.detail,
        "numbers": words.numbers(record),
        "lines": words.reading(record),
        "swatch": _swatch(record),
        "place": _place_of(record),
        "polygons": _outlines(record.region, 60),
    }


def _swatch(record: TraitRecord) -> str:
    """Return the measured color of a surface as CSS writes it; empty when none was measured."""
    swatches = evidence.swatches_of(record)
    return "#{:02x}{:02x}{:02x}".format(*swatches[0].rgb) if swatches else ""


def _place_of(record: TraitRecord) -> str:
    """Return the name of the place to set right when this reading looks wrong."""
    if record.part and record.part.removesuffix("_foot") in ("left", "right"):
        return f"{record.part.removesuffix('_foot')}_sole"
    if record.part in PLACES:
        return record.part
    names = [name for name, traits in TRAITS_OF_PLACE.items() if record.trait in traits]
    return names[0] if names else ""


def _places(record: PhotoRecord, said: PhotoRegions) -> list[dict[str, Any]]:
    """Return the places that this view can use, found or not, in the order of the regions file."""
    if record.view is None or record.view.state in (View.CROWD, View.OTHER):
        wanted = set(PLACES)
    else:
        wanted = {name for name in PLACES if _useful(name, record.view.state)}
    wanted |= set(said.places) | set(said.absent)
    places = []
    for name in PLACES:
        if name not in wanted:
            continue
        told = said.places.get(name)
        found = told or record.places.get(name)
        places.append(
            {
                "name": name,
                "label": PLACE_WORDS[name],
                "by": "person" if told else "program" if found else "nobody",
                "absent": name in said.absent,
                "polygons": [] if name in said.absent else _outlines(found, _MOST_CORNERS),
            }
        )
    return places


def _useful(name: str, view: View) -> bool:
    if name == "neutral" or REGION_VIEWS[name] is view:
        return True
    return any(view in VIEWS_OF[trait] for trait in TRAITS_OF_PLACE[name])


def _outlines(region: Region | None, most: int) -> list[list[list[float]]]:
    """Return outlines with so few corners that they can be drawn, or taken hold of."""
    if region is None:
        return []
    return [
        [[round(x, 1), round(y, 1)] for x, y in simplified(polygon, most)]
        for polygon in region.polygons
        if len(polygon) >= 3
    ]


def simplified(polygon: tuple[tuple[float, float], ...], most: int) -> list[tuple[float, float]]:
    """Return a polygon of at most ``most`` corners: those are left out first that change it least.

    The corner that spans the smallest triangle with its neighbors goes (Visvalingam & Whyatt 1993,
    10.1179/000870493786962263).
    """
    points = list(polygon)
    while len(points) > max(most, 3):
        areas = [
            abs(
                (points[i - 1][0] - p[0]) * (points[(i + 1) % len(points)][1] - p[1])
                - (points[(i + 1) % len(points)][0] - p[0]) * (points[i - 1][1] - p[1])
            )
            for i, p in enumerate(points)
        ]
        del points[areas.index(min(areas))]
    return points


# -- by hand ------------------------------------------------------------------------------------------


def _hands(desk: Desk) -> dict[str, Any]:
    said = papers.said_by_hand(desk.paper)
    traits = [s for s in desk.guide.traits.values() if s.id != MARK_WORDING and s.question]
    # What only a hand can tell comes first.
    traits.sort(key=lambda spec: spec.photo)
    return {
        "who": papers.who_said(desk.paper),
        "sure": list(SURE),
        "items": [_hand(spec, said.get(spec.id)) for spec in traits],
    }


def _hand(spec: TraitSpec, said: Any) -> dict[str, Any]:
    kind = "lines" if spec.id == Trait.MARK_TEXT else "number" if spec.unit else "choice"
    return {
        "trait": spec.id,
        "label": spec.label[:1].upper() + spec.label[1:],
        "question": spec.question,
        "care": spec.care,
        "kind": kind,
        "unit": spec.unit,
        "photo": spec.photo,
        "states": [{"id": s.id, "words": s.words} for s in spec.states],
        "value": _said(said, kind),
    }


def _said(said: Any, kind: str) -> dict[str, Any] | None:
    """Return a finding as it stands in the file, in the form the page sends."""
    if said is None:
        return None
    if not isinstance(said, Mapping):
        said = {"value": said} if kind == "number" else {"state": said}
    keys = ("state", "value", "lines", "sure", "note", "who", "part", "u")
    return {key: said[key] for key in keys if key in said}


# -- verdict ------------------------------------------------------------------------------------------


def _verdict(result: ListingResult) -> dict[str, Any]:
    verdict = result.verdict
    claim = verdict.claim
    state_word = "open" if claim is None else claim.state
    return {
        "headline": verdict.headline,
        "story": list(verdict.story),
        "state": state_word,
        "sign": _CLAIM_SIGNS[state_word],
        "claim": "" if claim is None else claim.label,
        "reasons": [] if claim is None else list(claim.reasons),
        "cannot_tell": verdict.cannot_tell,
        "n_findings": verdict.n_findings,
        "releases": [_release(r, result.claim) for r in verdict.releases],
        "flags": [
            {"label": f.label, "percent": words.percent(f.probability), "sentence": f.sentence}
            for f in verdict.alteration_flags
        ],
        "traits": [
            {
                "title": words.title(merged.trait, merged.part, result.guide.traits.get(merged.trait)),
                "finding": words.finding(merged.record, result.guide.traits.get(merged.trait)),
                "source": "found by hand" if merged.source == HANDS_ON else merged.source,
                "conflict": merged.conflict,
            }
            for merged in result.dossier.traits
        ],
        "notes": list(result.dossier.notes),
        "settle": [{"text": r.text, "how": r.how, "why": r.why} for r in result.requests],
        "questions": result.seller_text,
        "cautions": [f"{c.text} ({c.source})" if c.source else c.text for c in result.cautions],
        "scale": verdict.scale_note,
    }


def _release(release: ReleaseVerdict, claim: str | None) -> dict[str, Any]:
    return {
        "id": release.id,
        "label": f"{release.label}, {release.years}" if release.years else release.label,
        "claimed": release.id == claim,
        "posterior": round(release.posterior, 4),
        "prior": round(release.prior, 4),
        "percent": words.percent(release.posterior),
        "support": release.support,
        "for": joined(c.short for c in release.supporting),
        "against": joined(c.short for c in release.contradicting),
    }


def lot_row(desk: Desk) -> dict[str, Any]:
    """Return a doll's row in the table of a lot."""
    done = sum(not sheet.reading for sheet in desk.sheets.values())
    result = desk.result
    top = result.verdict.releases[0] if result is not None and result.verdict.n_findings else None
    return {
        "id": desk.id,
        "name": desk.name.replace("_", " "),
        "done": done,
        "total": len(desk.sheets),
        "failed": sum(s.record is not None and not s.record.ok for s in desk.sheets.values()),
        "headline": "" if result is None else result.verdict.headline,
        "top": "" if top is None else top.label,
        "posterior": 0.0 if top is None else round(top.posterior, 4),
        "percent": "" if top is None else words.percent(top.posterior),
        "flags": [] if result is None else [f.label for f in result.verdict.alteration_flags],
        "ask": "" if result is None or not result.requests else result.requests[0].text,
        "thumb": next((s.id for s in desk.sheets.values() if s.record is None or s.record.ok), ""),
    }
