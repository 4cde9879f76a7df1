"""A machine with much else to do is no reason to give a photo up."""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import time

import numpy as np
import pytest

from pipelines import batch
from tests.plugins import faulty_engines
from vision import ocr

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


def _read(engine) -> None:
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    guard = ocr.guarded(engine(), DEADLINE_S)
    start = time.monotonic()
    outcome = guard.read(np.zeros((8, 8, 3), np.uint8))
    guard.close()
    sys.exit(1 if outcome.reason else 0 if time.monotonic() - start > DEADLINE_S else QUICK)


@pytest.fixture
def crowded():
    """Three processes that want the same processor."""
    spin = f"import os; os.sched_setaffinity(0, {{{min(os.sched_getaffinity(0))}}})\nwhile True: pass"
    spinning = [subprocess.Popen([sys.executable, "-S", "-c", spin]) for _ in range(3)]
    yield
    for process in spinning:
        process.kill()
        process.wait()


def ended_with(target, *args):
    """Return the exit code of a worker: 0 where the task was finished after more than the deadline."""
    worker = multiprocessing.get_context("spawn").Process(target=target, args=args)
    worker.start()
    worker.join(120)
    return worker.exitcode


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="waiting is counted in /proc")
def test_waiting_for_the_processor_is_not_held_against_a_task(crowded):
    assert ended_with(_work, works, 1.0) == 0


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="waiting is counted in /proc")
def test_an_engine_that_waits_for_the_processor_is_not_given_up(crowded):
    assert ended_with(_read, faulty_engines.Works) == 0


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="binds processes to a processor")
@pytest.mark.parametrize("do", [sleeps, works], ids=["stands still", "works for ever"])
def test_what_takes_too_long_by_itself_is_ended(do):
    assert ended_with(_work, do, 60) == 1
