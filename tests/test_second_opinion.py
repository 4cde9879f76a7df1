"""Two opinions on one face: agreement strengthens, disagreement withholds, the network alone says nothing."""

from __future__ import annotations

import pytest

from vision.second_opinion import LENT, LIFTED, MOST, SPLIT, combine
from vision.traits import STATE_THRESHOLD

SURE_BLUE = {"blue": 0.9, "brown": 0.05, "black": 0.05}


def test_without_an_opinion_nothing_changes() -> None:
    joint, flag = combine(SURE_BLUE, None)
    assert joint == pytest.approx(SURE_BLUE)
    assert flag is None


def test_agreement_lifts_a_measurement_but_never_to_where_it_would_be_taken_for_sure() -> None:
    opinion = {"blue": 0.95, "brown": 0.03, "black": 0.02}
    joint, flag = combine({"blue": 0.7, "brown": 0.2, "black": 0.1}, opinion)
    assert 0.7 < joint["blue"] <= LIFTED
    assert flag == "second_opinion"
    sure, _ = combine(SURE_BLUE, opinion)
    assert SURE_BLUE["blue"] <= sure["blue"] <= MOST


def test_doubt_gives_way_to_a_network_but_not_where_that_would_accuse() -> None:
    doubtful = {"open": 0.45, "drilled": 0.4, "none": 0.15}
    opinion = {"open": 0.03, "drilled": 0.95, "none": 0.02}
    lent, _ = combine(doubtful, opinion)
    assert lent["drilled"] >= STATE_THRESHOLD
    joint, flag = combine(doubtful, opinion, accusing=("drilled",))
    assert max(joint.values()) < STATE_THRESHOLD
    assert flag == "opinions_differ"


def test_disagreement_of_two_who_are_sure_is_withheld_with_both() -> None:
    joint, flag = combine(SURE_BLUE, {"blue": 0.02, "brown": 0.96, "black": 0.02})
    first, second = sorted(joint, key=lambda s: -joint[s])[:2]
    assert joint[first] <= SPLIT < STATE_THRESHOLD
    assert {first, second} == {"blue", "brown"}
    assert flag == "opinions_differ"


@pytest.mark.parametrize("network", [0.9, 0.99, 1.0])
def test_the_network_alone_states_nothing(network: float) -> None:
    measured = {"blue": 0.6, "brown": 0.05, "black": 0.35}
    joint, _ = combine(measured, {"brown": network, "blue": (1 - network) / 2, "black": (1 - network) / 2})
    assert max(joint.values()) < STATE_THRESHOLD


def test_a_measurement_in_doubt_is_helped() -> None:
    measured = {"blue": 0.02, "brown": 0.48, "black": 0.5}
    joint, _ = combine(measured, {"blue": 0.0, "brown": 0.97, "black": 0.03})
    assert STATE_THRESHOLD <= joint["brown"] <= LENT


def test_probabilities_add_up() -> None:
    for opinion in ({"blue": 1.0}, {"pink": 1.0}, {"black": 0.5, "brown": 0.5}):
        assert sum(combine(SURE_BLUE, opinion)[0].values()) == pytest.approx(1)


def test_an_accusation_of_the_network_alone_never_leads() -> None:
    measured = {"full": 0.6, "overpainted": 0.3, "rubbed": 0.1}
    joint, said = combine(measured, {"overpainted": 0.97, "full": 0.03}, accusing=("overpainted",))
    assert said == "opinions_differ"
    assert joint["full"] > joint["overpainted"]
    assert joint["full"] < STATE_THRESHOLD
