"""What the findings say of one doll: releases weighed, contradictions, signs of alteration, the claim judged.

Nothing here is "authentic" or "fake". Releases gain or lose support, and where too little was seen the answer
is "cannot tell", with the reason.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipelines import story as tell
from pipelines.dossier import Dossier, MergedTrait
from pipelines.guide import WORDS, Alteration, Guide
from pipelines.verbal import SCALE_NOTE, verbal
from pipelines.weighing import MIN_INDEPENDENT, NONE_ID, Evidence, Hypothesis, Model, Vector, evidence_of

Members = NDArray[np.bool_]

#: A finding that moves a release by less than this (log10) is not worth a line.
_WORTH_SAYING = 0.1
_USUAL = ("always", "usually")
#: A finding speaks against a release when the likeliest other one explains it so much better (log10).
_CLEARLY_AGAINST = -0.3
#: A claim is contradicted only beyond this ratio against the likeliest other release, and below this
#: probability …
_CONTRADICTED_LOG10 = -1.5
_CONTRADICTED_POSTERIOR = 0.02
#: … and consistent only beyond this ratio against all else, and from this probability on.
_CONSISTENT_LOG10 = math.log10(5)
_CONSISTENT_POSTERIOR = 0.5
#: A finding this much against a claim (log10) keeps it open, whatever the others say.
_LOUD_AGAINST = -0.8
#: An alteration is worth flagging from this probability on if it has at least doubled, or from this ratio
#: (log10, against all else) on: a plain sign is worth a word however rare the deed.
_FLAG_PROBABILITY = 0.25
_FLAG_GAIN = 2.0
_FLAG_LOG10 = 1.0
_FLAG_LEAST = 0.1
#: The same where the altered doll would pass for the very release that is claimed.
_FLAG_LOG10_CLAIMED = 0.7
_FLAG_LEAST_CLAIMED = 0.05


@dataclass(frozen=True, slots=True)
class Contribution:
    """What one finding says of one hypothesis; ``log10_likelihood_ratio`` < 0 speaks against it.

    ``short`` says the same as ``sentence`` where the hypothesis is named already.
    """

    trait: str
    part: str | None
    state: str
    log10_likelihood_ratio: float
    sentence: str
    short: str
    source: str
    rule_source: str

    def to_json(self) -> dict[str, Any]:
        """Return a JSON form."""
        return {
            "trait": self.trait,
            "part": self.part,
            "state": self.state,
            "log10_likelihood_ratio": round(self.log10_likelihood_ratio, 3),
            "sentence": self.sentence,
            "source": self.source,
            "rule_source": self.rule_source,
        }


@dataclass(frozen=True, slots=True)
class ReleaseVerdict:
    """How one release stands.

    Attributes
    ----------
    posterior, prior
        Probability that the doll was made as this release, after and before the findings.
    untouched
        The part of ``posterior`` that says nothing was altered.
    log10_likelihood_ratio
        Of this release against all else, capped at ±4.
    support
        The ratio in words.
    """

    id: str
    label: str
    years: str
    prior: float
    posterior: float
    untouched: float
    log10_likelihood_ratio: float
    support: str
    supporting: tuple[Contribution, ...] = ()
    contradicting: tuple[Contribution, ...] = ()

    def support_of(self, what: str) -> str:
        """Return the ratio in words with what it is for or against: ``"weak support against it"``."""
        return f"{self.support} {what}" if self.support.endswith(("for", "against")) else self.support

    def to_json(self) -> dict[str, Any]:
        """Return the contract's JSON form."""
        return {
            "id": self.id,
            "label": self.label,
            "years": self.years,
            "prior": round(self.prior, 4),
            "posterior": round(self.posterior, 4),
            "posterior_untouched": round(self.untouched, 4),
            "log10_likelihood_ratio": round(self.log10_likelihood_ratio, 3),
            "support": self.support,
            "supporting": [c.to_json() for c in self.supporting],
            "contradicting": [c.to_json() for c in self.contradicting],
        }


@dataclass(frozen=True, slots=True)
class AlterationFlag:
    """A sign that something was done to the doll; never an accusation. ``words`` say what."""

    id: str
    label: str
    prior: float
    probability: float
    log10_likelihood_ratio: float
    sentence: str
    words: str
    evidence: tuple[Contribution, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the contract's JSON form."""
        return {
            "id": self.id,
            "label": self.label,
            "prior": round(self.prior, 4),
            "probability": round(self.probability, 4),
            "log10_likelihood_ratio": round(self.log10_likelihood_ratio, 3),
            "sentence": self.sentence,
            "evidence": [c.to_json() for c in self.evidence],
        }


@dataclass(frozen=True, slots=True)
class ClaimVerdict:
    """How the seller's claim stands: ``state`` is consistent, contradicted or open.

    ``rival`` is the likeliest other release in words.
    """

    release: str
    label: str
    rival: str
    state: str
    posterior: float
    log10_likelihood_ratio: float
    reasons: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the contract's JSON form."""
        return {
            "release": self.release,
            "label": self.label,
            "state": self.state,
            "posterior": round(self.posterior, 4),
            "log10_likelihood_ratio": round(self.log10_likelihood_ratio, 3),
            "reasons": list(self.reasons),
        }


@dataclass(frozen=True, slots=True)
class Verdict:
    """The whole verdict on one doll.

    Attributes
    ----------
    headline
        One sentence; starts with "Cannot tell" when that is the answer.
    story
        Further plain sentences: why, what speaks against, what was altered, what is missing.
    releases
        All releases and "none", likeliest first.
    alteration_flags
        Signs of alteration worth mentioning, likeliest first.
    n_findings
        How many findings counted.
    cannot_tell
        Whether no release can be named alone.
    """

    headline: str
    story: tuple[str, ...]
    releases: tuple[ReleaseVerdict, ...]
    alteration_flags: tuple[AlterationFlag, ...]
    claim: ClaimVerdict | None
    n_findings: int
    cannot_tell: bool
    scale_note: str = SCALE_NOTE

    def release(self, release_id: str) -> ReleaseVerdict:
        """Return how one release stands; raises ``KeyError`` for an unknown id."""
        for verdict in self.releases:
            if verdict.id == release_id:
                return verdict
        raise KeyError(release_id)

    def to_json(self) -> dict[str, Any]:
        """Return the contract's JSON form."""
        return {
            "headline": self.headline,
            "story": list(self.story),
            "releases": [r.to_json() for r in self.releases],
            "claim": None if self.claim is None else self.claim.to_json(),
            "alteration_flags": [f.to_json() for f in self.alteration_flags],
            "n_findings": self.n_findings,
            "cannot_tell": self.cannot_tell,
            "scale_note": self.scale_note,
        }


def weigh(dossier: Dossier, guide: Guide, claim: str | None = None, model: Model | None = None) -> Verdict:
    """Weigh a dossier against a guide.

    Parameters
    ----------
    dossier
        Merged traits of one doll.
    guide
        The guide.
    claim
        Id of the release the doll is offered as; must be in the guide.
    model
        The guide's model, to spare building it again.

    Raises
    ------
    KeyError
        When ``claim`` is not in the guide.
    """
    model = model or Model(guide)
    pairs = evidence_of(dossier, model)
    weighted = _weighted(model, pairs)
    releases = sorted((_release(weighted, r) for r in [*guide.releases, None]), key=lambda r: -r.posterior)
    flags = _flags(weighted, claim)
    judged = None if claim is None else judge_claim(weighted, guide.releases[claim].id, flags)
    top = releases[0]
    cannot_tell = not pairs or not tell.stands_out(top.posterior, top.log10_likelihood_ratio)
    because = weighted.loudest_findings() if cannot_tell else _why(releases)
    return Verdict(
        headline=tell.headline(releases, flags, judged, len(pairs)),
        story=tell.story(judged, flags, because, dossier),
        releases=tuple(releases),
        alteration_flags=flags,
        claim=judged,
        n_findings=len(pairs),
        cannot_tell=cannot_tell,
    )


@dataclass(frozen=True, slots=True)
class Weighted:
    """The findings of one doll with their weights, and where they lead."""

    model: Model
    pairs: Sequence[tuple[MergedTrait | None, Evidence]]
    weights: Vector
    total: Vector
    posterior: Vector

    @property
    def evidence(self) -> list[Evidence]:
        """The findings without where they come from."""
        return [item for _, item in self.pairs]

    def contributions(self, members: Members, other: Members, spoken_of: Hypothesis) -> list[Contribution]:
        """Return what each finding says of the members against the others, loudest first."""
        out = []
        for (merged, item), weight in zip(self.pairs, self.weights, strict=True):
            ratio = self.model.log10_against(weight * item.log_likelihood, members, other)
            out.append(_contribution(self.model, merged, item, ratio, spoken_of))
        return sorted(out, key=lambda c: (-abs(c.log10_likelihood_ratio), c.trait, c.part or ""))

    def rival(self, release: str | None) -> str | None:
        """Return the likeliest other release, None for none of these."""
        others = [r for r in (*self.model.guide.releases, None) if r != release]
        return max(others, key=lambda r: float(self.posterior[self.model.members(r)].sum()))

    def loudest_findings(self, most: int = 3) -> list[str]:
        """Return the most telling findings in words that favor no release."""
        loudness = [weight * item.spread for item, weight in zip(self.evidence, self.weights, strict=True)]
        order = sorted(range(len(loudness)), key=lambda i: (-round(loudness[i], 9), self.evidence[i].trait))
        return tell.joined(self._in_general(self.evidence[i]) for i in order)[:most]

    def _in_general(self, item: Evidence) -> str:
        guide = self.model.guide
        said = [r.expect[item.trait] for r in guide.releases.values() if item.trait in r.expect]
        states = (item.state, *item.rivals)
        usual = sum(any(e.get(state, "never") in _USUAL for state in states) for e in said)
        count = f"{usual} of the {len(guide.releases)} releases" if usual else "none of the releases"
        seen = tell.seen(guide.traits[item.trait], states, item.part)
        return f"{seen} By the guide, usual for {count}."

    def speaking_against(self, members: Members, rival: Members) -> int:
        """Return how many traits the rival explains much better than the members."""
        traits = {
            item.trait
            for item, weight in zip(self.evidence, self.weights, strict=True)
            if self.model.log10_against(weight * item.log_likelihood, members, rival) <= _CLEARLY_AGAINST
        }
        return len(traits)

    def loudest_against(self, members: Members) -> float:
        """Return the lowest log10 ratio that one finding gives the members against all else."""
        return min(
            (
                self.model.log10_ratio(weight * item.log_likelihood, members)
                for item, weight in zip(self.evidence, self.weights, strict=True)
            ),
            default=0.0,
        )

    def for_and_against(self, release: str | None) -> tuple[list[Contribution], list[Contribution]]:
        """Return the findings that support a release against all else, and those that speak against it.

        A finding speaks against a release, too, when the likeliest other release explains it much better,
        even if most others explain it no better.
        """
        members, rival = self.model.members(release), self.model.members(self.rival(release))
        spoken_of = Hypothesis(release)
        on_rival = self.contributions(members, rival, spoken_of)
        against = [c for c in on_rival if c.log10_likelihood_ratio <= _CLEARLY_AGAINST]
        taken = {(c.trait, c.part) for c in against}
        # The second of two feet counts less than the first; it is not said to speak the other way.
        one_way = {(c.trait, c.state) for c in against}
        support = []
        for c in self.contributions(members, ~members, spoken_of):
            if (c.trait, c.part) in taken:
                continue
            if c.log10_likelihood_ratio >= _WORTH_SAYING and (c.trait, c.state) not in one_way:
                support.append(c)
            elif c.log10_likelihood_ratio <= -_WORTH_SAYING:
                against.append(c)
        return support, against

    @property
    def independent(self) -> int:
        """How many groups of findings tell anything."""
        groups = self.model.group_of
        return len({groups.get(e.trait, (e.trait, 1.0))[0] for e in self.evidence if e.spread > math.log(2)})


def _weighted(model: Model, pairs: Sequence[tuple[MergedTrait | None, Evidence]]) -> Weighted:
    evidence = [item for _, item in pairs]
    total = model.total(evidence)
    return Weighted(model, pairs, model.weights(evidence), total, model.posterior(total))


def _contribution(
    model: Model, merged: MergedTrait | None, item: Evidence, ratio: float, hypothesis: Hypothesis
) -> Contribution:
    guide = model.guide
    spec = guide.traits[item.trait]
    states = (item.state, *item.rivals)
    sentence = tell.seen(spec, states, item.part)
    short = sentence.rstrip(".")
    release = hypothesis.release or ""
    if release:
        expectation = model.expected(hypothesis, item.trait)
        whom = _whom(guide, hypothesis)
        if expectation is None:
            sentence += f" The guide is silent on this for {whom}."
            short += " (guide: silent)"
        else:
            word = max((expectation.get(state, "never") for state in states), key=WORDS.__getitem__)
            only_altered = word == "never" and ratio > 0 and hypothesis.alteration is None
            if only_altered:
                sentence += f" That fits {whom} only if it was altered."
                short += " (guide: only if altered)"
            else:
                sentence += f" By the guide, {word} so for {whom}."
                short += f" (guide: {word})"
    source = merged.source if merged is not None else ""
    rule_source = guide.source_of(release, item.trait)
    return Contribution(item.trait, item.part, item.state, ratio, sentence, short, source, rule_source)


def _whom(guide: Guide, hypothesis: Hypothesis) -> str:
    if hypothesis.alteration is not None:
        return f"“{guide.alterations[hypothesis.alteration].label}”"
    return guide.label(hypothesis.release or "")


def _why(releases: Sequence[ReleaseVerdict]) -> list[str]:
    top = next((r for r in releases if r.id != NONE_ID), releases[0])
    against = [f"Against “{top.label}”: {c.sentence}" for c in top.contradicting[:1]]
    return [*tell.joined(c.sentence for c in top.supporting)[:3], *against]


def _release(weighted: Weighted, release: str | None) -> ReleaseVerdict:
    model = weighted.model
    members = model.members(release)
    untouched = np.array(
        [h.alteration is None and m for h, m in zip(model.hypotheses, members, strict=True)], bool
    )
    ratio = model.log10_ratio(weighted.total, members)
    support, against = weighted.for_and_against(release)
    spec = model.guide.releases.get(release or "")
    return ReleaseVerdict(
        release or NONE_ID,
        model.guide.label(release or NONE_ID),
        spec.years if spec else "",
        prior=float(model.prior[members].sum()),
        posterior=float(weighted.posterior[members].sum()),
        untouched=float(weighted.posterior[untouched].sum()),
        log10_likelihood_ratio=ratio,
        support=verbal(ratio),
        supporting=tuple(support),
        contradicting=tuple(against),
    )


def _flags(weighted: Weighted, claim: str | None) -> tuple[AlterationFlag, ...]:
    flags = []
    for alteration in weighted.model.guide.alterations.values():
        members = weighted.model.altered(alteration.id)
        if not members.any():
            continue
        flag = _flag(weighted, alteration, members)
        passes = claim is not None and alteration.passes_for == claim
        if _worth_flagging(flag, passes):
            flags.append(flag)
    return tuple(sorted(flags, key=lambda f: -f.probability))


def _worth_flagging(flag: AlterationFlag, passes_for_claim: bool) -> bool:
    if flag.probability >= max(_FLAG_PROBABILITY, _FLAG_GAIN * flag.prior):
        return True
    ratio, least = (
        (_FLAG_LOG10_CLAIMED, _FLAG_LEAST_CLAIMED) if passes_for_claim else (_FLAG_LOG10, _FLAG_LEAST)
    )
    return flag.log10_likelihood_ratio >= ratio and flag.probability >= least


def _flag(weighted: Weighted, alteration: Alteration, members: Members) -> AlterationFlag:
    model = weighted.model
    likeliest = model.hypotheses[int(np.argmax(np.where(members, weighted.posterior, -1)))]
    said = weighted.contributions(members, ~members, likeliest)
    return AlterationFlag(
        alteration.id,
        alteration.label,
        prior=float(model.prior[members].sum()),
        probability=float(weighted.posterior[members].sum()),
        log10_likelihood_ratio=model.log10_ratio(weighted.total, members),
        sentence=tell.altered([alteration.words]),
        words=alteration.words,
        evidence=tuple(c for c in said if c.log10_likelihood_ratio >= _WORTH_SAYING),
    )


def judge_claim(weighted: Weighted, release: str, flags: Sequence[AlterationFlag]) -> ClaimVerdict:
    """Judge the release a doll is offered as, conservatively."""
    model = weighted.model
    members = model.members(release)
    ratio = model.log10_ratio(weighted.total, members)
    posterior = float(weighted.posterior[members].sum())
    support, against = weighted.for_and_against(release)
    state = claim_state(weighted, release)
    label, rival_id = model.guide.label(release), weighted.rival(release)
    rival = f"“{model.guide.label(rival_id)}”" if rival_id else "something that the guide does not list"
    reasons = tell.claim_reasons(state, support=support, against=against, independent=weighted.independent)
    passing = [flag for flag in flags if model.guide.alterations[flag.id].passes_for == release]
    others = [flag for flag in flags if flag not in passing]
    if passing:
        reasons.append(
            f"{tell.altered([f.words for f in passing])} A doll so altered may be offered as “{label}”."
        )
    if others:
        reasons.append(tell.altered([f.words for f in others]))
    return ClaimVerdict(release, label, rival, state, posterior, ratio, tuple(reasons))


def claim_state(weighted: Weighted, release: str) -> str:
    """Return whether the findings leave a claimed release consistent, contradicted or open."""
    model = weighted.model
    if weighted.independent < MIN_INDEPENDENT:
        return "open"
    members = model.members(release)
    rival = model.members(weighted.rival(release))
    posterior = float(weighted.posterior[members].sum())
    ratio_to_rival = model.log10_against(weighted.total, members, rival)
    if ratio_to_rival <= _CONTRADICTED_LOG10 and posterior <= _CONTRADICTED_POSTERIOR:
        several = weighted.speaking_against(members, rival) >= MIN_INDEPENDENT
        return "contradicted" if several else "open"
    ratio = model.log10_ratio(weighted.total, members)
    fits = ratio >= _CONSISTENT_LOG10 and posterior >= _CONSISTENT_POSTERIOR
    return "consistent" if fits and weighted.loudest_against(members) > _LOUD_AGAINST else "open"


def judge_outcome(model: Model, evidence: Sequence[Evidence], release: str) -> str:
    """Return the state of a claim for findings thought of, not made; see :func:`claim_state`."""
    return claim_state(_weighted(model, [(None, item) for item in evidence]), release)
