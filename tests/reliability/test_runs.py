"""Interruptions and bad photos cost what they must and nothing else."""

from __future__ import annotations

import signal
import sys

import pytest

from tests.reliability import runs

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="processes are counted in /proc")


def test_an_interrupted_lot_stops_leaves_nothing_running_and_goes_on(tmp_path):
    """Once here; the benchmark does it at many moments, with both signals."""
    folder = runs.lot_of(tmp_path / "lot", 3, 2)
    (found,) = runs.interrupt_lot(folder, tmp_path / "work", [(signal.SIGTERM, 2, 0.0)])
    assert found.code == 130, found
    assert found.seconds < 2, found
    assert found.orphans == 0, found
    assert found.lost == 0, found
    assert found.left_over == 0, found
    assert found.same, found


def test_bad_photos_are_counted_and_change_no_other(tmp_path):
    """The clean run works in one process, the other one in two: that changes nothing either."""
    bad = runs.bad_files(5, 20)
    runs.folder_of(tmp_path / "mixed", 20, bad)
    clean = runs.folder_of(tmp_path / "clean", 20, bad)
    for number in bad:
        (clean / f"{number:05d}.jpg").unlink()
    counts = runs.reconcile(tmp_path / "mixed", bad, clean, jobs=2)
    assert counts == {"photos": 20, "in order": 1, "failed": 5, "failed rightly": 5, "identical": 15}
