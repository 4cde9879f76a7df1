"""Measurements that each break one promise. Installed over a real one in the process that examines."""

from __future__ import annotations

import os
import signal
import sys
import time

import numpy as np

from vision.traits import Quantity, Region, TextLine, TraitRecord

TRAIT = "iris_color"


def good(**changes):
    return TraitRecord.stated(TRAIT, "blue", 0.9, "faulty/1", detail="Fine.", **changes)


def raises(*_arguments):
    raise RuntimeError("out of paint")


def exits(*_arguments):
    sys.exit(3)


def lacks_memory(*_arguments):
    raise MemoryError


def recurses(*arguments):
    return recurses(*arguments)


def dies(*_arguments):
    """As the system does with a process that takes too much memory."""
    os.kill(os.getpid(), signal.SIGKILL)


def crashes(*_arguments):
    os.abort()


def hangs(*_arguments):
    while True:
        time.sleep(0.05)


def noisy(*_arguments):
    print("progress: 100 %")
    os.write(1, b"\xff\xfe raw bytes straight to the descriptor\n")
    return good()


def returns_nothing(*_arguments):
    return None


def returns_numbers(*_arguments):
    return [1, 2]


def half_a_character(*_arguments):
    line = TextLine("VER\ud800ITY", 0.9, ((0.0, 0.0), (9.0, 0.0), (9.0, 9.0)))
    return good(text=(line,))


def no_number(*_arguments):
    return good(region=Region(((((float("nan"), 0.0), (1.0, 0.0), (1.0, 1.0))),)))


def foreign_number(*_arguments):
    return good(
        quantities={"hue_deg": Quantity(np.float32(1.5), np.float32(0.5), "deg")}, n_pixels=np.int64(3)
    )


def steers_a_terminal(*_arguments):
    return good().replace(detail="\x1b[31m\x07<script>alert(1)</script>\u202e=1+1")


#: Faults that end in a record that says so; the others end the process.
CAUGHT = (
    raises,
    exits,
    lacks_memory,
    recurses,
    returns_nothing,
    returns_numbers,
    half_a_character,
    no_number,
)
DEADLY = (dies, crashes)
