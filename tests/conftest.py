"""What several tests need."""

from __future__ import annotations

import os
import signal
import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np
import pytest

REPOSITORY = Path(__file__).resolve().parent.parent

cv2.setNumThreads(1)

#: More processes want more memory than they save time: each holds the models and may start others.
MOST_WORKERS = 4


def pytest_xdist_auto_num_workers(config):
    """As many processes as there are cores; for chosen files pytest's own, which is ready sooner."""
    if all(Path(argument.partition("::")[0]).is_file() for argument in config.args):
        return 0
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(cores, MOST_WORKERS)


def pytest_configure(config):
    """Prepare what the hundreds of processes that tests start take over from this one.

    Compiled code is kept for them where it may not be kept for good. They heed Ctrl-C even where this one was
    started in the background, by a shell that lets it ignore that.
    """
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if sys.dont_write_bytecode and "PYTHONPYCACHEPREFIX" not in os.environ:
        kept = tempfile.TemporaryDirectory(prefix="bytecode-", ignore_cleanup_errors=True)
        config.add_cleanup(kept.cleanup)
        os.environ["PYTHONPYCACHEPREFIX"] = kept.name
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


@pytest.fixture
def rng():
    """A random generator with the same numbers in every run."""
    return np.random.default_rng(20260501)


@pytest.fixture(scope="session")
def real_photos():
    """Folder of private real photographs; tests that need it are skipped where it is absent.

    ``RAKELIGHT_REAL_PHOTOS`` names it; else ``shared/real`` beside the checkout is tried.
    """
    place = os.environ.get("RAKELIGHT_REAL_PHOTOS")
    folder = Path(place) if place else REPOSITORY.parent / "shared" / "real"
    if not folder.is_dir():
        pytest.skip("the private real photographs are not on this machine")
    return folder
