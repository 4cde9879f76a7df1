"""A kill while writing leaves the old result or the new one, and the next run clears up."""

from __future__ import annotations

import sys

import pytest

from tests.reliability import writing


@pytest.mark.skipif(sys.platform == "win32", reason="kills by signal")
def test_killed_while_writing(tmp_path):
    """At some of the moments at which the disk changes; the benchmark takes all of them."""
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    last = writing.moments(tmp_path / "a")
    assert last >= 50
    tally = writing.killed_at([*range(2, last, 9), last], tmp_path / "b")
    assert tally.moments == tally.old + tally.new
    assert not tally.mixed
    assert not tally.litter
    assert tally.old and tally.new, "kills that all come early or all late test nothing"
