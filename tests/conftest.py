"""What several tests need."""

from __future__ import annotations

import os
from pathlib import Path

import cv2
import numpy as np
import pytest

REPOSITORY = Path(__file__).resolve().parent.parent

cv2.setNumThreads(1)


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
