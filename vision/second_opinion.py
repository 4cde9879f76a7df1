"""A measurement and a network that looked at the same face: what to say when they agree, and when not.

The network has seen many faces, all of them rendered, and is sure of things unlike all it has seen; the
measurement knows physics and errs where it looks in the wrong place. Their errors have little in common, so
agreement is worth more than either and disagreement is worth saying. Nothing rests on the network alone: what
the measurement holds to be unlikely is never stated.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

#: How far the network's word is trusted at the most, and the measurement's (guesses: unseen photos differ).
TRUST_NETWORK = 0.9
TRUST_MEASURED = 0.95
#: No answer is given more than this, whoever agrees.
MOST = 0.96
#: Agreement adds at most this much to what is measured, and lifts no answer above these, the second for
#: states that accuse: what is stated more surely rests on the measurement alone.
LIFT = 0.2
LIFTED = 0.88
LIFTED_ACCUSING = 0.75
#: The most that the likeliest answer is given where both favor different ones: below what is stated. The
#: second is for an accusing state that only the network favors.
SPLIT = 0.55
SPLIT_ACCUSING = 0.45
#: A measurement in doubt gives way to the network where it holds that answer possible, up to this.
LENT = 0.75
#: It is in doubt when its favorite leads the network's by less than this, and that has at least ``POSSIBLE``.
IN_DOUBT = 0.25
POSSIBLE = 0.18


def combine(
    measured: Mapping[str, float],
    opinion: Mapping[str, float] | None,
    most: float = MOST,
    accusing: Collection[str] = (),
) -> tuple[dict[str, float], str | None]:
    """Return the joint probabilities of the states, and a flag that says how the two stand to each other.

    Parameters
    ----------
    measured
        Probability of each state as measured; any positive scale.
    opinion
        The network's, or None when there is none. States that it does not know count as nearly impossible
        to it, states unknown to the measurement are dropped.
    most
        No answer is given more than this when both agree: less than ``MOST`` where the measurement itself
        rests on what the network sees.
    accusing
        States that speak against a doll's owner: a measurement in doubt never gives way to them, and
        agreement lifts them less.

    Returns
    -------
    Probabilities that add up to 1 (those measured, when there is no opinion), and ``"second_opinion"``,
    ``"opinions_differ"`` or None.
    """
    own = _scaled(measured)
    if not opinion:
        return own, None
    other = _scaled({state: max(opinion.get(state, 0.0), 1e-3) for state in own})
    n = len(own)
    joint = _scaled(
        {
            state: (TRUST_MEASURED * own[state] + (1 - TRUST_MEASURED) / n)
            * (TRUST_NETWORK * other[state] + (1 - TRUST_NETWORK) / n)
            for state in own
        }
    )
    mine, yours = max(own, key=lambda s: own[s]), max(other, key=lambda s: other[s])
    if mine == yours:
        lifted = min(LIFTED_ACCUSING if mine in accusing else LIFTED, own[mine] + LIFT)
        return at_most(joint, mine, min(most, max(own[mine], lifted))), "second_opinion"
    in_doubt = yours not in accusing and own[yours] >= POSSIBLE and own[mine] - own[yours] < IN_DOUBT
    best = max(joint, key=lambda s: joint[s])
    if in_doubt and best == yours:
        return at_most(joint, best, LENT), "opinions_differ"
    most = SPLIT_ACCUSING if best in accusing and best == yours else SPLIT
    return at_most(joint, best, most), "opinions_differ"


def _scaled(chances: Mapping[str, float]) -> dict[str, float]:
    total = sum(chances.values())
    return {state: chance / total for state, chance in chances.items()}


def at_most(chances: dict[str, float], state: str, most: float) -> dict[str, float]:
    """Lower one state to ``most``, if it has more, and share the rest among the others as they stand."""
    if chances[state] <= most:
        return chances
    rest = sum(p for other, p in chances.items() if other != state)
    if rest <= 0:
        return chances
    return {s: most if s == state else p * (1 - most) / rest for s, p in chances.items()}
