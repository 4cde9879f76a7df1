"""Tasks for tests of workers; worker processes import them by name."""

from __future__ import annotations

import os

from pipelines.batch import Work


def double(item: int) -> int:
    """Return twice the item; 13 ends the process."""
    if item == 13:
        os._exit(9)
    return 2 * item


def lost(item: int, why: str) -> int:
    """Return what stands for an item whose worker died."""
    assert why.startswith("died")
    return -item


DOUBLE: Work[int, int] = Work(double, lost)
