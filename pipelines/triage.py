"""Which doll deserves a hand first: the chance that looking at it changes what it would be called.

A hand on the doll would tell every trait that is open now. What it would find is drawn from what is believed
of the doll; each drawn finding is weighed like a real one, and it is counted how often the decision changes.
(Expected value of information, Howard 1966, 10.1109/TSSC.1966.300074, from memory; the value of a right
decision is taken as equal for all dolls, since the guide knows no prices.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from pipelines import words
from pipelines.dossier import Dossier
from pipelines.requests import TraitGain, trait_gains
from pipelines.story import ALTERATION_FIRST, stands_out
from pipelines.weighing import NONE_ID, Evidence, Model, Vector, evidence_of

#: How many outcomes are drawn; the chance is then known to ± 0.03 (one standard deviation) or better.
_DRAWS: Final = 256
#: How sure a look at the doll itself is taken to be.
_GOOD_LOOK: Final = 0.9
_SEED: Final = 1960
_MOST_NAMED: Final = 3


@dataclass(frozen=True, slots=True)
class Look:
    """What taking the doll in hand would be worth.

    Attributes
    ----------
    chance
        Probability in [0, 1] that the decision changes: which release the verdict names, if any, and which
        alteration it puts first, if any.
    bits
        Expected information about how the doll came to be.
    first
        The open traits that would tell most by themselves, most telling first.
    """

    chance: float
    bits: float
    first: tuple[TraitGain, ...]

    @property
    def why(self) -> str:
        """The worth in a sentence or two."""
        if not self.first:
            return "All that the guide speaks of was read."
        told = "; ".join(f"{gain.label} ({gain.because})" for gain in self.first)
        return f"Chance that a look changes the answer: {words.percent(self.chance)}. First: {told}."

    def to_json(self) -> dict[str, Any]:
        """Return a JSON form."""
        return {
            "chance_of_change": round(self.chance, 3),
            "bits": round(self.bits, 3),
            "first": [gain.to_json() for gain in self.first],
            "why": self.why,
        }


def worth_of_looking(dossier: Dossier, model: Model) -> Look:
    """Return what a look at all open traits of a doll would be worth; the same for the same dossier."""
    gains = trait_gains(dossier, model.guide, None, model)
    if not gains:
        return Look(0.0, 0.0, ())
    wanted = [gain.trait for gain in gains]
    known = [item for _, item in evidence_of(dossier, model)]
    belief = model.posterior(model.total(known))
    decide = Decision(model)
    before = decide(model.total(known))
    kept = [item for item in known if item.trait not in set(wanted)]
    changes, bits = 0, 0.0
    for outcome in _outcomes(model, wanted, belief):
        total = model.total([*kept, *outcome])
        after = model.posterior(total)
        changes += decide(total) != before
        bits += float(np.sum(after * np.log2(after / belief)))
    first = sorted(gains, key=lambda gain: (-gain.bits, gain.trait))[:_MOST_NAMED]
    return Look(changes / _DRAWS, bits / _DRAWS, tuple(first))


class Decision:
    """What a verdict would decide on findings that are thought of: :func:`pipelines.verdict.weigh` in short.

    Both follow the same thresholds; a test holds them together.
    """

    def __init__(self, model: Model) -> None:
        self._model = model
        releases = {release or NONE_ID: model.members(release) for release in (*model.guide.releases, None)}
        altered = {kind: model.altered(kind) for kind in model.guide.alterations}
        self._releases, self._altered = list(releases.items()), list(altered.items())
        self._sums = np.array([*releases.values(), *altered.values()], float)

    def __call__(self, total: Vector) -> tuple[str | None, str | None]:
        """Return the release that is named alone and the alteration that is likelier than not.

        Parameters
        ----------
        total
            (H,) float64, log-likelihood of all findings together.

        Returns
        -------
        Ids, each None where there is none; the release ``"none"`` means none of the guide's.
        """
        chances = self._sums @ self._model.posterior(total)
        of_releases, of_altered = np.split(chances, [len(self._releases)])
        best = int(np.argmax(of_releases))
        name, members = self._releases[best]
        told = stands_out(float(of_releases[best]), self._model.log10_ratio(total, members))
        worst = int(np.argmax(of_altered)) if len(of_altered) else 0
        looks_altered = len(of_altered) > 0 and of_altered[worst] >= ALTERATION_FIRST
        return name if told else None, self._altered[worst][0] if looks_altered else None


def _outcomes(model: Model, traits: Sequence[str], belief: Vector) -> list[list[Evidence]]:
    """Draw findings: a hypothesis as often as it is believed, then each trait as it expects."""
    chance = np.random.default_rng(_SEED)
    edges = np.cumsum(belief)
    truths = np.minimum(np.searchsorted(edges, (np.arange(_DRAWS) + 0.5) / _DRAWS), len(belief) - 1)
    columns = []
    for trait in traits:
        states = model.guide.traits[trait].state_ids
        seen = [model.evidence(trait, None, {state: _GOOD_LOOK}) for state in states]
        cumulated = np.cumsum(model.table(trait)[truths], axis=1)
        drawn = (cumulated < chance.random(_DRAWS)[:, None]).sum(axis=1)
        columns.append([seen[min(int(i), len(seen) - 1)] for i in drawn])
    return [list(row) for row in zip(*columns, strict=True)]
