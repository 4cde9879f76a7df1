"""A machine with much else to do is no reason to give a photo up."""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import time

import pytest

from pipelines import batch

DEADLINE_S = 3.0
#: How a worker ends that did not have to wait, so that nothing was tested.
QUICK = 3


def works(seconds: float) -> float:
    """Need so much of a processor."""
    end = time.process_time() + seconds
    while time.process_time() < end:
        pass
    return seconds


def sleeps(seconds: float) -> float:
    time.sleep(seconds)
    return seconds


def _work(do, seconds) -> None:
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    start = time.monotonic()
    batch.guarded(do, seconds, DEADLINE_S)
    sys.exit(0 if time.monotonic() - start > DEADLINE_S else QUICK)


@pytest.fixture
def crowded():
    """Three processes that want the same processor."""
    spin = f"import os; os.sched_setaffinity(0, {{{min(os.sched_getaffinity(0))}}})\nwhile True: pass"
    spinning = [subprocess.Popen([sys.executable, "-S", "-c", spin]) for _ in range(3)]
    yield
    for process in spinning:
        process.kill()
        process.wait()


def ended_with(do, seconds):
    """Return the exit code of a worker: 0 where the task was finished after more than the deadline."""
    worker = multiprocessing.get_context("spawn").Process(target=_work, args=(do, seconds))
    worker.start()
    worker.join(120)
    return worker.exitcode


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="waiting is counted in /proc")
def test_waiting_for_the_processor_is_not_held_against_a_task(crowded):
    assert ended_with(works, 1.0) == 0


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="binds processes to a processor")
@pytest.mark.parametrize("do", [sleeps, works], ids=["stands still", "works for ever"])
def test_what_takes_too_long_by_itself_is_ended(do):
    assert ended_with(do, 60) == 1
