"""How long to wait for work that may hang, on a machine that has much else to do."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

#: The time is over after so many times the deadline, whatever kept the work waiting.
_MOST_DEADLINES = 10


class Patience:
    """A deadline that counts the time a thread worked or slept, not that in which it waited for a processor.

    A machine with much else to do is no reason to give work up: results would depend on how busy it was.

    Parameters
    ----------
    deadline_s
        Seconds given; they run from now.
    process
        Whose first thread's waiting is left out; this very thread's when None.
    """

    def __init__(self, deadline_s: float, process: int | None = None) -> None:
        thread = threading.get_native_id() if process is None else process
        self._place = Path(f"/proc/{process or os.getpid()}/task/{thread}/schedstat")
        self._deadline_s = deadline_s
        self._start = time.monotonic()
        self._waited = self._waited_s()

    def left_s(self) -> float:
        """Return the seconds left; 0 or less when the time is over."""
        spent = time.monotonic() - self._start
        return self._deadline_s - max(spent - (self._waited_s() - self._waited), spent / _MOST_DEADLINES)

    def _waited_s(self) -> float:
        """Return how long the thread was ready to work and had no processor; 0 if unknown.

        From ``schedstat`` of Linux (Documentation/scheduler/sched-stats.rst: nanoseconds on the processor,
        and waiting for it).
        """
        try:
            return int(self._place.read_text(encoding="ascii").split()[1]) / 1e9
        except (OSError, ValueError, IndexError):
            return 0.0
