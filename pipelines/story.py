"""A verdict told in plain sentences: the headline first, then why, what speaks against, what is missing."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

from pipelines import words
from pipelines.dossier import HANDS_ON, Dossier
from pipelines.verbal import VERBAL_SCALE, verbal
from pipelines.weighing import MIN_INDEPENDENT, NONE_ID

if TYPE_CHECKING:
    from pipelines.guide import TraitSpec
    from pipelines.verdict import AlterationFlag, ClaimVerdict, Contribution, ReleaseVerdict

#: An alteration leads the verdict from this probability on.
ALTERATION_FIRST = 0.5
#: The likeliest release is named alone from this probability on.
NAMED_ALONE = 0.7


def stands_out(posterior: float, log10_likelihood_ratio: float) -> bool:
    """Return whether the likeliest release may be named alone, from its probability and support."""
    return posterior >= NAMED_ALONE and log10_likelihood_ratio >= VERBAL_SCALE[0][0]


def headline(
    releases: Sequence[ReleaseVerdict],
    flags: Sequence[AlterationFlag],
    claim: ClaimVerdict | None,
    n_findings: int,
) -> str:
    """Return the verdict in one sentence; ``releases`` are sorted, the likeliest first."""
    top = releases[0]
    if n_findings == 0:
        return "Cannot tell: no trait that the guide speaks of could be read."
    if claim is not None and claim.state == "contradicted":
        return f"Not consistent with the claim “{claim.label}”: the findings fit {claim.rival} much better."
    if claim is not None and claim.state == "consistent":
        support = verbal(claim.log10_likelihood_ratio)
        return f"Consistent with the claim “{claim.label}”: {support} it, against all else weighed."
    if flags and flags[0].probability >= ALTERATION_FIRST:
        return flags[0].sentence.split(". ")[0] + "."
    if not stands_out(top.posterior, top.log10_likelihood_ratio):
        names = _likeliest(releases)
        if not names:
            return "Cannot tell: the findings hardly tell the releases apart."
        return f"Cannot tell which release: {_listed(names)}."
    if top.id == NONE_ID:
        return "The findings fit none of the guide's releases well."
    return f"{capital(top.support)} “{top.label}”, against all other possibilities weighed."


def _likeliest(releases: Sequence[ReleaseVerdict]) -> list[str]:
    """Names that together hold eight tenths of the probability; empty when that is nearly all of them."""
    chosen: list[ReleaseVerdict] = []
    for verdict in releases:
        if sum(r.posterior for r in chosen) < 0.8:
            chosen.append(verdict)
    if len(chosen) > 4:
        return []
    names = [f"“{r.label}”" for r in chosen if r.id != NONE_ID]
    return names if len(names) == len(chosen) else [*names, "none of these"]


def story(
    claim: ClaimVerdict | None,
    flags: Sequence[AlterationFlag],
    because: Sequence[str],
    dossier: Dossier,
) -> tuple[str, ...]:
    """Return the sentences below the headline: what follows, why, and what disagrees.

    ``because`` holds the sentences on the findings; empty when nothing counted. A claim has its own, of which
    signs of alteration are a part.
    """
    if claim is not None:
        told = [_CLAIM_WORDS[claim.state].format(label=claim.label), *claim.reasons]
    else:
        told = [*(flag.sentence for flag in flags), *because]
    conflicts = [m for m in dossier.traits if m.conflict]
    told += [f"{capital(m.trait.replace('_', ' '))}: {m.record.detail}" for m in conflicts]
    seen_any = any(m.measured and m.source != HANDS_ON for m in dossier.traits)
    told += [_feet_differ(dossier), "" if because and seen_any else _why_nothing(dossier)]
    return tuple(dict.fromkeys(sentence for sentence in told if sentence))


_CLAIM_WORDS: Final = {
    "consistent": "What was seen fits the claim; that is no proof of it.",
    "contradicted": "Ask before you conclude: an exchanged part or a misread photo can look the same.",
    "open": "The claim “{label}” stays open: what was seen neither carries it nor rules it out.",
}


def _feet_differ(dossier: Dossier) -> str:
    states = {m.record.state for m in dossier.of("foot_holes") if m.measured and m.source != HANDS_ON}
    if len(states) < 2:
        return ""
    return "The two feet were read differently; feet of one doll are molded alike, so look at both again."


def _why_nothing(dossier: Dossier) -> str:
    withheld: dict[str, dict[str, None]] = defaultdict(dict)  # reason → traits, each once
    for merged in dossier.traits:
        if merged.record.not_measured is not None:
            withheld[words.reason(merged.record.not_measured)][words.title(merged.trait).lower()] = None
    if not withheld:
        return "No photo showed a part of a doll that could be measured."
    why = "; ".join(f"{reason}: {', '.join(traits)}" for reason, traits in withheld.items())
    return f"Not readable here – {why}."


def claim_reasons(
    state: str, *, support: Sequence[Contribution], against: Sequence[Contribution], independent: int
) -> list[str]:
    """Return why a claim stands as it does."""
    reasons = for_and_against(support, against, most=4)
    if state == "open" and independent < MIN_INDEPENDENT:
        too_little = (
            "Only one kind of finding counts so far; one alone decides no claim."
            if independent
            else "Nothing was measured that could speak for or against the claim."
        )
        return [too_little, *reasons]
    return reasons


def for_and_against(
    support: Sequence[Contribution], against: Sequence[Contribution], most: int | None = None
) -> list[str]:
    """Return what speaks for something that is named already, and what against it, a sentence each."""
    sides = (("For it", support), ("Against it", against))
    return [f"{side}: {'; '.join(joined(c.short for c in some)[:most])}." for side, some in sides if some]


def altered(what: Sequence[str]) -> str:
    """Return what the findings are consistent with having been done to a doll; never an accusation."""
    return f"The findings are consistent with {', or with '.join(what)}. This is no proof and no accusation."


_SIDE: Final = re.compile(r" \((?:left|right) (foot|ear)\)")
_PAIRS: Final = {"foot": "feet", "ear": "ears"}


def joined(sentences: Iterable[str]) -> list[str]:
    """Return the sentences, those that say the same of the left and of the right as one."""
    alike: dict[str, list[str]] = defaultdict(list)
    for sentence in sentences:
        alike[_SIDE.sub(" (both)", sentence)].append(sentence)
    return [
        some[0] if len(set(some)) == 1 else _SIDE.sub(lambda side: f" (both {_PAIRS[side[1]]})", some[0])
        for some in alike.values()
    ]


def seen(spec: TraitSpec, states: Sequence[str], part: str | None) -> str:
    """Return one sentence on what was seen; more states than one are alternatives."""
    where = "" if part is None else f" ({part.replace('_', ' ')})"
    said = [spec.words_of(state) for state in states]
    told = said[0] if len(said) == 1 else " or ".join(f"“{one}”" for one in said)
    return f"{capital(spec.label)}{where}: {told}."


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def capital(text: str) -> str:
    """Return the text with a capital first letter and nothing else changed."""
    return text[:1].upper() + text[1:]
