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
from numpy.typing import NDArray

from pipelines.dossier import Dossier
from pipelines.requests import TraitGain, trait_gains
from pipelines.story import ALTERATION_FIRST, NAMED_ALONE
from pipelines.weighing import Evidence, Model, Vector, evidence_of

#: How many outcomes are drawn; the chance is then known to about ± 0.05.
_DRAWS: Final = 96
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
        Probability in [0, 1] that the decision changes: which release is named, if any, and whether an
        alteration is likelier than not.
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
        return (
            f"Chance that a look changes the answer: about {round(100 * self.chance)}\u00a0%. First: {told}."
        )

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
    decide = _Decision(model)
    before = decide(belief)
    kept = [item for item in known if item.trait not in set(wanted)]
    changes, bits = 0, 0.0
    for outcome in _outcomes(model, wanted, belief):
        after = model.posterior(model.total([*kept, *outcome]))
        changes += decide(after) != before
        bits += float(np.sum(after * np.log2(after / belief)))
    first = sorted(gains, key=lambda gain: (-gain.bits, gain.trait))[:_MOST_NAMED]
    return Look(changes / _DRAWS, bits / _DRAWS, tuple(first))


class _Decision:
    """What a dealer would call a doll: the release that may be named alone, and whether it looks altered."""

    def __init__(self, model: Model) -> None:
        identities: dict[str | None, NDArray[np.bool_]] = {
            release: model.members(release) for release in (*model.guide.releases, None)
        }
        self._names = list(identities)
        self._members = np.array(list(identities.values()), float)
        self._altered = np.array([h.alteration is not None for h in model.hypotheses], float)

    def __call__(self, posterior: Vector) -> tuple[int, bool]:
        chances = self._members @ posterior
        best = int(np.argmax(chances))
        named = best if chances[best] >= NAMED_ALONE else -1
        return named, bool(self._altered @ posterior >= ALTERATION_FIRST)


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
