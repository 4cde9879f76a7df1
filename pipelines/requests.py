"""What to ask for next: the photos and answers that would move the verdict most.

For each trait that is unmeasured or weak, every outcome is tried in thought: how likely is it, given what is
believed now, and how far would it move the belief? The expected gain in bits, and the chance that the answer
on the claim changes, give the order.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from pipelines import words
from pipelines.dossier import HANDS_ON, Dossier
from pipelines.guide import MARK_WORDING, Guide, TraitSpec
from pipelines.verdict import judge_outcome
from pipelines.weighing import Evidence, Model, Vector, evidence_of
from vision.traits import VIEWS_OF, Reason, Trait, View

#: A trait read more surely than this is not asked for again.
_SURE_ENOUGH = 0.85
#: How sure a good photo or a clear answer is taken to be.
_GOOD_READING = 0.9
#: A request worth less than this many bits, and that leaves the claim as it is, is not made.
_WORTH_ASKING = 0.02
#: One certain change of the answer on the claim counts like so many bits.
_CLAIM_BITS = 1.0
_MOST_REQUESTS = 6


@dataclass(frozen=True, slots=True)
class TraitGain:
    """What one trait would tell.

    Attributes
    ----------
    bits
        Expected information about how the doll came to be.
    claim_change
        Probability that the answer on the claim changes; 0 without a claim.
    because
        Why it is not known yet.
    """

    trait: str
    label: str
    bits: float
    claim_change: float
    because: str

    @property
    def score(self) -> float:
        """What the requests are ordered by."""
        return self.bits + _CLAIM_BITS * self.claim_change

    def to_json(self) -> dict[str, Any]:
        """Return a JSON form."""
        return {
            "trait": self.trait,
            "label": self.label,
            "bits": round(self.bits, 4),
            "claim_change": round(self.claim_change, 4),
            "because": self.because,
        }


@dataclass(frozen=True, slots=True)
class PhotoRequest:
    """One photo to ask for, or one question to somebody who holds the doll.

    Attributes
    ----------
    kind
        ``"photo"`` or ``"question"``.
    view
        The view of a photo, None for a question.
    traits
        What it would tell, most telling first.
    text
        Polite text, ready to send.
    how
        How to take the photo, or how to find out.
    why
        Why it matters, in one sentence for the dealer.
    score
        Expected change of the verdict: bits, plus the chance that the answer on the claim changes.
    """

    kind: str
    view: View | None
    traits: tuple[TraitGain, ...]
    text: str
    how: str
    why: str
    score: float

    def to_json(self) -> dict[str, Any]:
        """Return the contract's JSON form."""
        return {
            "kind": self.kind,
            "view": None if self.view is None else str(self.view),
            "traits": [gain.to_json() for gain in self.traits],
            "text": self.text,
            "how": self.how,
            "why": self.why,
            "score": round(self.score, 4),
        }


def rank_requests(
    dossier: Dossier, guide: Guide, claim: str | None = None, model: Model | None = None
) -> tuple[PhotoRequest, ...]:
    """Return the photos and answers to ask for, most useful first.

    Parameters
    ----------
    dossier, guide, claim
        As for :func:`pipelines.verdict.weigh`.
    """
    by_view: dict[View | str, list[TraitGain]] = defaultdict(list)
    for gain in trait_gains(dossier, guide, claim, model):
        by_view[_view_of(guide.traits[gain.trait])].append(gain)
    shots = {**_HOW, View.SOLES: _EDGES} if _edges_in_doubt(dossier) else _HOW
    requests = [_request(view, group, guide, shots) for view, group in by_view.items()]
    worth = [r for r in requests if r.score >= _WORTH_ASKING]
    return tuple(sorted(worth, key=lambda r: (-r.score, str(r.view), r.text)))[:_MOST_REQUESTS]


def trait_gains(
    dossier: Dossier, guide: Guide, claim: str | None = None, model: Model | None = None
) -> tuple[TraitGain, ...]:
    """Return what each unmeasured or weak trait would tell, in the guide's order."""
    model = model or Model(guide)
    known = [item for _, item in evidence_of(dossier, model)]
    wanted = [spec for spec in (guide.traits[t] for t in guide.spoken_of()) if _is_open(spec, dossier)]
    return tuple(_gain(spec, dossier, known, claim, model) for spec in wanted)


def letter(requests: Sequence[PhotoRequest]) -> str:
    """Return the text of ``seller-questions.txt``: polite, complete, ready to send."""
    if not requests:
        return (
            "Nothing further to ask: no photo or answer is expected to change the verdict much.\n"
            "Looking at the doll itself, or asking somebody who knows the line, still may.\n"
        )
    photos = [r for r in requests if r.kind == "photo"]
    questions = [r for r in requests if r.kind == "question"]
    lines = [
        "Hello,",
        "",
        "Thank you for showing this doll. Before I decide I would like to see a little more.",
    ]
    if photos:
        lines += ["", "Could you send me these photos, please?"]
        for number, request in enumerate(photos, start=1):
            lines += ["", f"{number}. {request.text}", f"   {request.how}"]
        lines += ["", _CARD]
    if questions:
        lines += ["", "And if you have the doll at hand:"]
        lines += ["", *(f"- {request.text}" for request in questions)]
    lines += [
        "",
        "Please do not clean or heat anything, and do not force clothes that resist; as it is will do.",
        "",
        "Kind regards",
    ]
    return "\n".join(lines) + "\n"


# -- what would be gained -----------------------------------------------------------------------------


def _is_open(spec: TraitSpec, dossier: Dossier) -> bool:
    """Whether a trait is unmeasured or weak. The wording of a mark comes with its photo."""
    entries = [m for m in dossier.of(spec.id) if m.measured]
    return not entries or max(m.record.confidence for m in entries) < _SURE_ENOUGH


def _gain(
    spec: TraitSpec, dossier: Dossier, known: Sequence[Evidence], claim: str | None, model: Model
) -> TraitGain:
    """Try every outcome in thought; a weak reading of the same trait is replaced by the good one."""
    rest = [item for item in known if item.trait != spec.id]
    before = model.total(known)
    belief = model.posterior(before)
    chances = belief @ model.table(spec.id)
    bits = change = 0.0
    judged_before = judge_outcome(model, known, claim) if claim is not None else None
    for state, chance in zip(spec.state_ids, chances, strict=True):
        outcome = [*rest, model.evidence(spec.id, None, {state: _GOOD_READING})]
        after = model.posterior(model.total(outcome))
        bits += float(chance) * _divergence(after, belief)
        if judged_before is not None and judge_outcome(model, outcome, claim or "") != judged_before:
            change += float(chance)
    return TraitGain(spec.id, spec.label, bits, change, _because(spec, dossier))


def _divergence(after: Vector, before: Vector) -> float:
    """Kullback–Leibler divergence in bits; both (H,), positive."""
    return float(np.sum(after * np.log2(after / before)))


def _because(spec: TraitSpec, dossier: Dossier) -> str:
    best = dossier.best(spec.id)
    if best is None or best.record.not_measured is Reason.NOT_IN_VIEW:
        return "no photo shows it" if spec.photo else "nobody has looked yet"
    if best.measured:
        found = "found" if best.source == HANDS_ON else "read"
        return f"{found} only with {round(100 * best.record.confidence)} % confidence"
    assert best.record.not_measured is not None
    return words.reason(best.record.not_measured)


# -- how to say it ------------------------------------------------------------------------------------


def _view_of(spec: TraitSpec) -> View | str:
    if spec.id == MARK_WORDING:
        return View.MARK
    trait = spec.of.partition(".")[0] or spec.id
    return VIEWS_OF[Trait(trait)][0] if spec.photo else spec.id


def _edges_in_doubt(dossier: Dossier) -> bool:
    """Whether a hole is seen of which only its edge or wall could say if it was molded or neatly drilled."""
    likeliest = (
        sorted(m.record.candidates, key=lambda k: -m.record.candidates[k])[:2]
        for m in dossier.of(Trait.FOOT_HOLES)
        if m.record.confidence < _SURE_ENOUGH
    )
    return any(set(pair) == {"open", "drilled"} for pair in likeliest)


def _request(
    view: View | str, gains: Sequence[TraitGain], guide: Guide, shots: Mapping[View, tuple[str, str]]
) -> PhotoRequest:
    ordered = tuple(sorted(gains, key=lambda g: (-g.score, g.trait)))
    telling = [g for g in ordered if g.score >= _WORTH_ASKING] or list(ordered[:1])
    # Traits of one photo overlap in what they tell: the first counts in full, the others by half.
    score = ordered[0].score + 0.5 * sum(g.score for g in ordered[1:])
    if isinstance(view, View):
        what, how = shots[view]
        return PhotoRequest("photo", view, ordered, what + _trouble(telling), how, _why(telling), score)
    question = guide.traits[view].question
    how = "Gently, without pressing hard or wetting anything."
    return PhotoRequest("question", None, ordered, question, how, _why(telling), score)


def _trouble(gains: Sequence[TraitGain]) -> str:
    """Say what was wrong with the photo there is, so that the next one is not taken in the same way."""
    faults = dict.fromkeys(_TROUBLE[g.because] for g in gains if g.because in _TROUBLE)
    return f" (In the present photo it is {' and '.join(faults)}.)" if faults else ""


_TROUBLE: Final = {
    words.reason(reason): fault
    for reason, fault in (
        (Reason.BLURRED, "out of focus"),
        (Reason.TOO_SMALL, "too small"),
        (Reason.CLIPPED, "overexposed"),
        (Reason.TOO_DARK, "too dark"),
        (Reason.GLARE, "hidden by a reflection"),
        (Reason.OCCLUDED, "covered"),
        (Reason.FILTERED, "changed by a filter"),
        (Reason.MONOCHROME, "without color"),
    )
}


def _why(gains: Sequence[TraitGain]) -> str:
    parts = [f"{gain.label} ({gain.because})" for gain in gains]
    sentence = f"It would tell of: {'; '.join(parts)}."
    change = max(gain.claim_change for gain in gains)
    if change >= 0.05:
        sentence += f" The chance that the answer on the claim changes is about {round(100 * change)} %."
    return sentence


_CARD = (
    "Where no other light is named: daylight from a window but no direct sun. No flash and no filter, "
    "please. If you can, lay a plain gray card beside the doll, at the same distance. Tap on the doll to "
    "focus, hold the phone still, and send the original files rather than screenshots."
)

#: What is asked for where a hole is seen, and open or neatly drilled is the question.
_EDGES: Final = (
    "Each hole in the soles by itself, as near as the camera gets sharp (macro), straight from above; and "
    "once more looking into it at a slant, so that its wall shows.",
    "With a lamp held low at one side, so that the edge throws a shadow; tool marks on the wall, or a "
    "rounded edge, would tell. Please put nothing into any hole.",
)

_HOW: Final[dict[View, tuple[str, str]]] = {
    View.FACE: (
        "The face from the front, eyes and mouth filling most of the picture.",
        "From about 20–30 cm, straight on, sharp on the eyes, hair moved off the forehead and ears.",
    ),
    View.HEAD_BACK: (
        "The back of the head below the hairline, hair lifted.",
        "From about 20 cm, with light falling in flat from one side, so that molded letters cast shadows.",
    ),
    View.BODY: (
        "The whole doll from the front, where vinyl that clothes covered lies next to vinyl they did not.",
        "From about 50 cm, even light on both sides; lift the clothes at one edge, only if it is easy.",
    ),
    View.SOLES: (
        "The soles of both feet, seen straight from below, shoes off.",
        "From about 15 cm, both feet sharp, light from one side; please do not poke into any hole.",
    ),
    View.MARK: (
        "The molded mark on the body, filling the picture.",
        "From about 10–15 cm, sharp, with a lamp or window low at one side so that the letters cast shadows; "
        "a second one with the light from another side helps.",
    ),
    View.CROWD: ("All dolls together.", "From about 1 m."),
    View.OTHER: ("The doll as a whole.", "From about 50 cm."),
}
