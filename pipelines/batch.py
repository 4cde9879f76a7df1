"""Much work of one kind, in this process or in several, always in the order given.

Workers are fresh processes (never forks: image libraries do not survive one) with one thread each. A worker
that dies or hangs costs the task it held, which is named; the others are finished by new workers. The same
interface runs the work on a cluster (:mod:`pipelines.cluster`).
"""

from __future__ import annotations

import contextlib
import ctypes
import faulthandler
import multiprocessing
import os
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, Protocol, TypeVar

from pipelines import files
from pipelines.examine import PhotoRecord, Request, examine_file
from vision.patience import Patience

#: Called with the number done, the number of all, and the name of what was just finished.
Progress = Callable[[int, int, str], None]
#: Called with a photo's place in the order given and its record.
Keep = Callable[[int, PhotoRecord], None]

Item = TypeVar("Item")
Result = TypeVar("Result")

WORKER_DIED = "worker_died"
#: Memory that a worker is counted with, in bytes: two thirds are its peak on photos of 12 MP (row "memory" of
#: tests/bench/speed.py), the rest is for larger ones.
WORKER_BYTES = 1_000_000_000
#: Seconds after which a worker gives up on one task; none was seen to need a tenth of it. Time in which other
#: programs had the processor does not count.
DEADLINE_S = 180.0
#: How a worker ends that its watchdog ended.
_WATCHDOG_EXIT = 1
#: What is said of a task that was ended by its watchdog, with the seconds it had.
TOO_LONG = "took longer than {:.0f} s"


def silent(_done: int, _count: int, _name: str) -> None:
    """Report nothing."""


def forget(_place: int, _record: PhotoRecord) -> None:
    """Keep nothing on the way."""


@dataclass(frozen=True)
class Work(Generic[Item, Result]):
    """What to do with each of many things.

    Attributes
    ----------
    do
        Turns an item into its result; a function of a module, so that other processes find it. It raises
        nothing that a result could say.
    lost
        Makes the result of an item whose worker died, from the item and why, as ``"died, …"``.
    ready
        Called on an item in this process just before a worker gets it: what is heavy waits until then.
    pack
        Makes an item independent of files of this machine, for workers elsewhere.
    """

    do: Callable[[Item], Result]
    lost: Callable[[Item, str], Result]
    ready: Callable[[Item], Item] = lambda item: item
    pack: Callable[[Item], Item] = lambda item: item


class Workers(Protocol):
    """Whoever does the work."""

    def run(
        self, work: Work[Item, Result], items: Sequence[Item], done: Callable[[int, Result], None]
    ) -> None:
        """Do all items; ``done`` is told each one's place and result as soon as it is there, in any order."""


def room() -> int:
    """Return how many workers this machine has room for: one a usable core, fewer where memory is short."""
    free = _free_bytes()
    return max(1, _cores() if free is None else min(_cores(), free // WORKER_BYTES))


def _cores() -> int:
    """Return how many cores this process may use: by its affinity and by the quota of its container."""
    count = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    with contextlib.suppress(OSError, ValueError):  # a quota of "max" is none
        quota, period = map(int, Path("/sys/fs/cgroup/cpu.max").read_text(encoding="ascii").split())
        count = min(count, max(1, round(quota / period)))
    return count


def _free_bytes() -> int | None:
    """Return the memory that may still be taken on this machine or in this container, None if unknown."""
    free: list[int] = []
    with contextlib.suppress(OSError, ValueError):
        facts = dict(
            line.split(":") for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
        )
        free.append(1024 * int(facts.get("MemAvailable", "unknown").split()[0]))
    with contextlib.suppress(OSError, ValueError):  # a limit of "max" is none
        free.append(int(Path("/sys/fs/cgroup/memory.max").read_text(encoding="ascii")))
    return min(free, default=None)


@contextlib.contextmanager
def workers(jobs: int) -> Iterator[Workers]:
    """Give ``jobs`` worker processes, or this process for 1; they end with the context."""
    if jobs <= 1:
        one_thread()
        yield Here()
        return
    processes = Processes(jobs)
    try:
        yield processes
    except BaseException:
        processes.kill()
        raise
    processes.close()


def examine_files(
    paths: Sequence[Path],
    request: Request | None = None,
    jobs: int = 1,
    progress: Progress = silent,
    *,
    names: Sequence[str] | None = None,
    keep: Keep = forget,
) -> list[PhotoRecord]:
    """Examine files and return one record each, in the order given; every file has one.

    Parameters
    ----------
    jobs
        Worker processes; 1 works in this process.
    names
        What to call each photo; see :func:`pipelines.files.display_names` when None.
    keep
        Called with a photo's place in ``paths`` and its record as soon as that is there, in any order, so
        that finished work outlives an interruption.
    """
    request = request or Request()
    names = files.display_names(paths) if names is None else names
    items = [(path, request, name) for path, name in zip(paths, names, strict=True)]
    found: dict[int, PhotoRecord] = {}
    count = counter(progress, len(items))

    def done(i: int, record: PhotoRecord) -> None:
        found[i] = record
        keep(i, record)
        count(items[i][2])

    with workers(min(jobs, len(items))) as crew:
        crew.run(_EXAMINE, items, done)
    return [found[i] for i in range(len(items))]


def _examine(item: tuple[Path, Request, str]) -> PhotoRecord:
    path, request, name = item
    return examine_file(path, request, name)


def died(name: str, why: str) -> PhotoRecord:
    """Return the entry of a photo whose worker died."""
    message = f"The process that examined {name} {why}. Reduce the photo, or use fewer --jobs."
    return PhotoRecord.failed(name, WORKER_DIED, message)


_EXAMINE: Work[tuple[Path, Request, str], PhotoRecord] = Work(_examine, lambda item, why: died(item[2], why))


def counter(progress: Progress, total: int, ready: int = 0) -> Callable[[str], None]:
    """Return a function that counts one more of ``total`` each time it is told a name."""
    done = ready

    def tick(name: str) -> None:
        nonlocal done
        done += 1
        progress(done, total, name)

    return tick


class Pace:
    """How fast a job goes and how long it will still take, from its latest steps.

    Parameters
    ----------
    now
        Clock in seconds.
    """

    #: Steps that came within this time of each other are one: what is kept from an earlier run.
    _AT_ONCE_S = 0.02
    _STEPS = 40

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._times: deque[float] = deque([now()], maxlen=self._STEPS)
        self._stage = 0

    def step(self, done: int, count: int) -> str:
        """Take note of a step; return ``"2.9 a second, 1 min left"``, or ``""`` while that is not known."""
        if done <= self._stage:  # another stage began
            self._times = deque([self._times[-1]], maxlen=self._STEPS)
        self._stage = done
        now = self._now()
        if now - self._times[-1] < self._AT_ONCE_S:
            return ""
        self._times.append(now)
        if len(self._times) < 4:
            return ""
        rate = (len(self._times) - 1) / (self._times[-1] - self._times[0])
        return f"{_rate(rate)}, {_left((count - done) / rate)}"


def _rate(rate: float) -> str:
    return f"{rate:.1f} a second" if rate >= 0.95 else f"{60 * rate:.0f} a minute"


def _left(seconds: float) -> str:
    if seconds < 50:
        return f"{max(1, round(seconds / 5) * 5)} s left" if seconds >= 1 else "done soon"
    minutes = round(seconds / 60)
    return f"{minutes} min left" if minutes < 90 else f"{seconds / 3600:.1f} h left"


# -- this process -------------------------------------------------------------------------------------


class Here:
    """Does the work in this process, one item after the other."""

    def run(
        self, work: Work[Item, Result], items: Sequence[Item], done: Callable[[int, Result], None]
    ) -> None:
        """See :class:`Workers`."""
        for i, item in enumerate(items):
            done(i, work.do(work.ready(item)))


# -- several processes --------------------------------------------------------------------------------


class Processes:
    """Worker processes of this machine; they are started when first needed."""

    def __init__(self, jobs: int) -> None:
        self.jobs = jobs
        self._pool: ProcessPoolExecutor | None = None
        self._ended_late = False

    def run(
        self, work: Work[Item, Result], items: Sequence[Item], done: Callable[[int, Result], None]
    ) -> None:
        """See :class:`Workers`."""
        waiting = deque(range(len(items)))
        while waiting:
            # One death breaks the whole pool and does not say whose it was, so all suspects are tried alone;
            # but if one of them alone has had all its time, it was that one.
            ages = self._until_broken(work, items, waiting, done)
            late = [i for i, age in ages.items() if age >= DEADLINE_S] if self._ended_late else []
            for i in sorted(ages):
                if late == [i]:
                    done(i, work.lost(items[i], TOO_LONG.format(DEADLINE_S)))
                else:
                    done(i, alone(work, work.ready(items[i])))

    def _until_broken(
        self,
        work: Work[Item, Result],
        items: Sequence[Item],
        waiting: deque[int],
        done: Callable[[int, Result], None],
    ) -> dict[int, float]:
        """Work until all is done or a worker dies; returns what was under way then, for how many seconds."""
        running: dict[Future[Result], int] = {}
        begun: dict[int, float] = {}
        pool = self._pool = self._pool or _new_pool(self.jobs)
        try:
            while waiting or running:
                while waiting and len(running) < self.jobs:
                    item = work.ready(items[waiting[0]])
                    running[pool.submit(guarded, work.do, item, DEADLINE_S)] = waiting[0]
                    begun[waiting.popleft()] = time.monotonic()
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    result = future.result()
                    done(running.pop(future), result)
        except BrokenProcessPool:
            self._ended_late = _WATCHDOG_EXIT in self.kill()
            return {i: time.monotonic() - begun[i] for i in running.values()}
        return {}

    def close(self) -> None:
        """Let the workers finish and end."""
        if self._pool is not None:
            self._pool.shutdown()
            self._pool = None

    def kill(self) -> tuple[int | None, ...]:
        """End the workers at once; returns how each ended."""
        codes = () if self._pool is None else _kill(self._pool)
        self._pool = None
        return codes


def guarded(do: Callable[[Item], Result], item: Item, deadline_s: float) -> Result:
    """Do one task in a worker, which ends itself when that takes longer than ``deadline_s``.

    A machine with much else to do is no reason to give a photo up: results would depend on how busy it was.
    """
    with Path(os.devnull).open("w", encoding="utf-8") as nowhere:
        patience, done = Patience(deadline_s), threading.Event()

        def watch() -> None:
            # The watchdog is native: it works even while a library hangs and holds the interpreter. It is
            # set anew while that is not so, later by the time in which the task could not work.
            while not done.wait(deadline_s / 8):
                faulthandler.dump_traceback_later(max(patience.left_s(), 0.01), exit=True, file=nowhere)

        faulthandler.dump_traceback_later(deadline_s, exit=True, file=nowhere)
        watching = threading.Thread(target=watch, daemon=True)
        watching.start()
        try:
            return do(item)
        finally:
            done.set()
            watching.join()
            faulthandler.cancel_dump_traceback_later()
            give_back_memory()


def alone(work: Work[Item, Result], item: Item) -> Result:
    """Do one task in a worker of its own; one that dies makes its result say so."""
    start = time.monotonic()
    pool = _new_pool(1)
    try:
        result = pool.submit(guarded, work.do, item, DEADLINE_S).result()
        pool.shutdown()
        return result
    except BrokenProcessPool:
        _kill(pool)
        late = time.monotonic() - start >= DEADLINE_S
        why = TOO_LONG.format(DEADLINE_S) if late else "died, perhaps for lack of memory"
        return work.lost(item, why)
    except BaseException:
        _kill(pool)
        raise


def _new_pool(jobs: int) -> ProcessPoolExecutor:
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(jobs, mp_context=context, initializer=_start_worker)


def _kill(pool: ProcessPoolExecutor) -> tuple[int | None, ...]:
    """End a pool's workers at once: the caller was interrupted, or one died. Returns how each ended."""
    processes = list((pool._processes or {}).values())
    pool.shutdown(wait=False, cancel_futures=True)
    for process in processes:
        process.kill()
    for process in processes:
        process.join(2)
    return tuple(process.exitcode for process in processes)


def _start_worker() -> None:
    """The parent alone answers to Ctrl-C and ends its workers; if it is killed, they end by themselves."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    one_thread()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def give_back_memory() -> None:
    """Return freed memory to the system, where the C library can: large pictures leave large holes in it."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)


def one_thread() -> None:
    """Keep OpenCV to one thread: processes share the cores better than threads do."""
    import cv2

    cv2.setNumThreads(1)
