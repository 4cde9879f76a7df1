"""What changes nothing about the doll changes no state, and no value by more than it claims to be unsure."""

from __future__ import annotations

import numpy as np
import pytest

from tests.conftest import REPOSITORY
from tests.reliability import invariance
from vision.photo import load
from vision.traits import Quantity, TraitRecord

#: Of the tuning photos two that are quickly examined, and changes; the benchmark takes all of both.
CASES = (("photos/soles_05.jpg", invariance.CHANGES), ("listings/reissue/face.jpg", invariance.CHANGES[::2]))


@pytest.mark.parametrize(("name", "changes"), CASES, ids=["soles", "face"])
def test_harmless_changes_change_no_state(name, changes):
    photo = load((REPOSITORY / "sample_images" / name).read_bytes(), name)
    pairs = list(invariance.pairs(photo, changes))
    assert len(pairs) >= 4
    assert [p for p in pairs if p.outcome == "changed"] == []
    assert sum(p.outcome == "kept" for p in pairs) >= len(pairs) // 4, "all withheld tests nothing"
    shifts = [shift for p in pairs if p.outcome != "silent" for shift in p.shifts.values()]
    assert np.mean(np.array(shifts) <= invariance.COVERAGE) >= 0.9
    assert max(shifts) < 5


def record(state, value=1.0, u=0.1, **rest):
    quantities = {"diameter_px": Quantity(value, u, "px")}
    if state is None:
        rest["candidates"] = {"open": 0.5}
        return TraitRecord.withheld("foot_holes", "ambiguous", "t/1", "?", quantities=quantities, **rest)
    return TraitRecord.stated("foot_holes", state, 0.8, "t/1", quantities=quantities, **rest)


@pytest.mark.parametrize(
    ("before", "after", "outcome"),
    [
        ("open", "open", "kept"),
        ("open", "none", "changed"),
        ("open", None, "withheld"),
        (None, "open", "gained"),
    ],
)
def test_outcomes_are_told_apart(before, after, outcome):
    pair = invariance.Pair("c", "p", record(before), record(after), 1.0)
    assert pair.outcome == outcome


def test_lengths_shrink_with_the_photo_and_angles_go_round():
    pair = invariance.Pair("c", "p", record("open", 100.0, 1.0), record("open", 70.0, 1.0), 0.7)
    assert pair.shifts["diameter_px"] == pytest.approx(0)
    apart = invariance.shift(Quantity(359.0, 1.0, "deg"), Quantity(1.0, 1.0, "deg"))
    assert apart == pytest.approx(2 / 2**0.5)
    assert not pair.moved
    assert invariance.Pair("c", "p", record("open", 100.0), record("open", 70.0), 1.0).moved
