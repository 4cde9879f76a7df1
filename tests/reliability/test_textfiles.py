"""Damaged guides, findings and regions files are taken or refused with a line, never anything else."""

from __future__ import annotations

import pytest

from tests.reliability import textfiles


@pytest.mark.parametrize(("kind", "count"), [("guide", 150), ("findings", 600), ("regions", 600)])
def test_damaged_files_are_taken_or_refused_with_a_line(kind, count):
    tally = textfiles.mutated(kind, count)
    assert tally.total == count
    assert not tally.uncaught
    assert tally.slowest_s < 2
    assert tally.outcomes["read"] > 10
