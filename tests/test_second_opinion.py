"""Two opinions on one face: agreement strengthens, disagreement withholds, the network alone says nothing."""

from __future__ import annotations

import pytest

from vision.second_opinion import LENT, MOST, SPLIT, combine
from vision.traits import STATE_THRESHOLD

SURE_BLUE = {"blue": 0.9, "brown": 0.05, "black": 0.05}


def test_without_an_opinion_nothing_changes() -> None:
    joint, flag = combine(SURE_BLUE, None)
    assert joint == pytest.approx(SURE_BLUE)
    assert flag is None


def test_agreement_is_surer_than_either_and_never_certain() -> None:
    joint, flag = combine(SURE_BLUE, {"blue": 0.85, "brown": 0.1, "black": 0.05})
    assert 0.9 < joint["blue"] <= MOST
    assert flag == "second_opinion"


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
