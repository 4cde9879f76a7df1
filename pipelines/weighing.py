"""The arithmetic behind a verdict: hypotheses, what each expects, and how findings move them.

Each hypothesis says how the doll came to be as it is: an untouched release, an altered one, or none of these.
A finding is soft (a probability for each state), so its likelihood under a hypothesis is

    L(h) = sum over states of  P(state is what was seen) * P(state | h)

taking the finding's probabilities as they stand under equal priors of the states. Everything that could make
one finding speak too loudly is bounded, and the bounds are stated here.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipelines.dossier import Dossier, MergedTrait, counts, soft
from pipelines.guide import WORDS, Expectation, Guide, TraitSpec

Vector = NDArray[np.float64]

#: Id of "none of these" beside the releases.
NONE_ID = "none"
#: One finding alone, however loud, decides no claim.
MIN_INDEPENDENT = 2
#: Share of belief, in every expectation, that the guide is wrong about this trait.
GUIDE_ERROR = 0.03
#: Share of belief, in every finding, that it misleads altogether.
READING_ERROR = 0.04
#: No single finding may speak for one hypothesis over another by more than this ratio.
SINGLE_CAP = 50.0
#: All findings together may not speak louder than this ratio: stated probabilities cannot carry more.
TOTAL_CAP = 1e4
#: Further parts of one trait (the second foot, the other ear) tell much the same.
PART_SHARE = 0.5
#: "None of these" expects what the releases show on average, with this share of anything at all.
BROAD_SHARE = 0.3


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One way the doll came to be; ``release`` is what its body was made as, None for none of these."""

    release: str | None
    alteration: str | None = None
    head: str | None = None
    keeps_release: bool = True

    @property
    def identity(self) -> str | None:
        """The release the doll is, or None when it is none or no longer one."""
        return self.release if self.keeps_release else None


@dataclass(frozen=True, slots=True)
class Evidence:
    """One finding as the hypotheses see it.

    Attributes
    ----------
    log_likelihood
        (H,) float64, natural logarithm, at most 0, capped.
    state
        The likeliest state.
    rivals
        Other states that are more than half as likely as that.
    """

    trait: str
    part: str | None
    state: str
    log_likelihood: Vector
    rivals: tuple[str, ...] = ()

    @property
    def spread(self) -> float:
        """How much it tells at most: the difference between its best and worst hypothesis."""
        return float(np.ptp(self.log_likelihood))


class Model:
    """A guide turned into hypotheses, priors and expectations."""

    def __init__(self, guide: Guide) -> None:
        self.guide = guide
        pairs = list(_hypotheses(guide))
        self.hypotheses: tuple[Hypothesis, ...] = tuple(h for h, _ in pairs)
        prior = np.array([p for _, p in pairs])
        self.prior: Vector = prior / prior.sum()
        self._tables: dict[str, Vector] = {}

    @cached_property
    def group_of(self) -> Mapping[str, tuple[str, float]]:
        """Trait → (group id, share of the further traits); a lone trait is its own group."""
        return {trait: (group.id, group.share) for group in self.guide.groups for trait in group.traits}

    def table(self, trait: str) -> Vector:
        """Return the (H, S) probabilities of the states of ``trait`` under each hypothesis."""
        if trait not in self._tables:
            self._tables[trait] = self._build_table(self.guide.traits[trait])
        return self._tables[trait]

    def evidence(self, trait: str, part: str | None, chances: Mapping[str, float]) -> Evidence:
        """Return a finding with probability ``chances`` of each state as evidence."""
        states = self.guide.traits[trait].state_ids
        likelihood = self.table(trait) @ _spread_out(chances, states)
        likelihood = np.maximum(likelihood, likelihood.max() / SINGLE_CAP)
        best = max(states, key=lambda s: chances.get(s, 0.0))
        rivals = tuple(s for s in states if s != best and chances.get(s, 0.0) > chances.get(best, 0.0) / 2)
        return Evidence(trait, part, best, np.log(likelihood / likelihood.max()), rivals)

    def weights(self, evidence: Sequence[Evidence]) -> Vector:
        """Return how much each finding counts, given what it is correlated with; (N,) in [0, 1]."""
        weights = np.ones(len(evidence))
        by_trait: dict[str, list[int]] = defaultdict(list)
        for i in sorted(range(len(evidence)), key=lambda i: _loudest_first(evidence[i])):
            siblings = by_trait[evidence[i].trait]
            weights[i] *= PART_SHARE if siblings else 1.0
            siblings.append(i)
        by_group: dict[str, list[str]] = defaultdict(list)
        for trait in sorted(by_trait, key=lambda t: _loudest_first(evidence[by_trait[t][0]])):
            group, share = self.group_of.get(trait, (trait, 1.0))
            if by_group[group]:
                weights[by_trait[trait]] *= share
            by_group[group].append(trait)
        return weights

    def total(self, evidence: Sequence[Evidence]) -> Vector:
        """Return the (H,) log-likelihood of all findings together, at most 0, capped."""
        total = np.zeros(len(self.hypotheses))
        for item, weight in zip(evidence, self.weights(evidence), strict=True):
            total += weight * item.log_likelihood
        total -= total.max()
        return np.maximum(total, -np.log(TOTAL_CAP))

    def posterior(self, total: Vector) -> Vector:
        """Return the (H,) probabilities after findings with log-likelihood ``total``."""
        joint = self.prior * np.exp(total - total.max())
        return joint / joint.sum()

    def log10_ratio(self, log_likelihood: Vector, members: NDArray[np.bool_]) -> float:
        """Return log10 of the likelihood ratio of the member hypotheses against all others."""
        return self.log10_against(log_likelihood, members, ~members)

    def log10_against(
        self, log_likelihood: Vector, one: NDArray[np.bool_], other: NDArray[np.bool_]
    ) -> float:
        """Return log10 of the likelihood ratio of two sets of hypotheses, each averaged with its priors."""
        likelihood = np.exp(log_likelihood)
        first, second = (float(np.average(likelihood[m], weights=self.prior[m])) for m in (one, other))
        return float(np.log10(first / second))

    def members(self, release: str | None) -> NDArray[np.bool_]:
        """Return which hypotheses say that the doll is this release; None selects none of these."""
        if release is None:
            return np.array([h.release is None for h in self.hypotheses])
        return np.array([h.identity == release for h in self.hypotheses])

    def altered(self, alteration: str) -> NDArray[np.bool_]:
        """Return which hypotheses say that the doll was altered in this way."""
        return np.array([h.alteration == alteration for h in self.hypotheses])

    def expected(self, hypothesis: Hypothesis, trait: str) -> Expectation | None:
        """Return the guide's words on a trait under a hypothesis; None where it is silent."""
        if hypothesis.release is None:
            return None
        if hypothesis.alteration is not None:
            changed = self.guide.alterations[hypothesis.alteration].expect
            if trait in changed:
                return changed[trait]
        on_head = hypothesis.head is not None and self.guide.traits[trait].where == "head"
        source = hypothesis.head if on_head else hypothesis.release
        return self.guide.releases[source or hypothesis.release].expect.get(trait)

    def _build_table(self, spec: TraitSpec) -> Vector:
        said = [r.expect[spec.id] for r in self.guide.releases.values() if spec.id in r.expect]
        uniform = np.full(len(spec.states), 1 / len(spec.states))
        usual = np.mean([_chances(e, spec) for e in said], axis=0) if said else uniform
        rows = []
        for hypothesis in self.hypotheses:
            expectation = self.expected(hypothesis, spec.id)
            if hypothesis.release is None:
                rows.append(BROAD_SHARE * uniform + (1 - BROAD_SHARE) * usual)
            else:
                rows.append(usual if expectation is None else _chances(expectation, spec))
        return np.array(rows)


def evidence_of(dossier: Dossier, model: Model) -> list[tuple[MergedTrait, Evidence]]:
    """Return the findings of a dossier that count and that the guide speaks of."""
    spoken = set(model.guide.spoken_of())
    return [
        (merged, model.evidence(merged.trait, merged.part, soft(merged.record)))
        for merged in dossier.traits
        if merged.trait in spoken and counts(merged)
    ]


def _hypotheses(guide: Guide) -> Iterable[tuple[Hypothesis, float]]:
    """Yield each hypothesis with its prior."""
    weight = sum(release.prior for release in guide.releases.values())
    for release in guide.releases.values():
        share = (1 - guide.none_prior) * release.prior / weight
        untouched = 1.0
        for alteration in guide.alterations.values():
            if release.id not in alteration.bases:
                continue
            heads: list[str | None] = [h for h in alteration.heads if h != release.id]
            if alteration.heads and not heads:
                continue
            untouched -= alteration.prior
            for head in heads or [None]:
                hypothesis = Hypothesis(release.id, alteration.id, head, alteration.keeps_release)
                yield hypothesis, share * alteration.prior / max(len(heads), 1)
        yield Hypothesis(release.id), share * max(untouched, 0.05)
    yield Hypothesis(None), guide.none_prior


def _chances(expectation: Expectation, spec: TraitSpec) -> Vector:
    """Turn words into probabilities that sum to 1 and leave room for error."""
    raw = np.array([WORDS[expectation.get(state, "never")] for state in spec.state_ids])
    return (1 - GUIDE_ERROR) * raw / raw.sum() + GUIDE_ERROR / len(raw)


def _spread_out(chances: Mapping[str, float], states: Sequence[str]) -> Vector:
    """Give belief that names no state to the states not named, and keep some for plain error."""
    given = np.array([max(chances.get(state, 0.0), 0.0) for state in states])
    rest = max(1.0 - given.sum(), 0.0)
    unnamed = given == 0
    given = given + (rest * unnamed / unnamed.sum() if unnamed.any() else rest / len(states))
    given = given / given.sum()
    return (1 - READING_ERROR) * given + READING_ERROR / len(states)


def _loudest_first(evidence: Evidence) -> tuple[float, str, str]:
    return -round(evidence.spread, 9), evidence.trait, evidence.part or ""
