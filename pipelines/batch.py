"""Many photos, one after another or in several processes, always in the order given.

Workers are fresh processes (never forks: image libraries do not survive one) with one thread each. A worker
that dies or hangs costs the photo it held, which is named; the others are finished by new workers.
"""

from __future__ import annotations

import contextlib
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
from pathlib import Path

from pipelines import files
from pipelines.examine import PhotoRecord, Request, examine_file

#: Called with the number done, the number of all, and the name of the photo just finished.
Progress = Callable[[int, int, str], None]
#: Called with a photo's place in the order given and its record.
Keep = Callable[[int, PhotoRecord], None]

WORKER_DIED = "worker_died"
#: Seconds after which a worker gives up on one photo; none was seen to need a tenth of it.
DEADLINE_S = 180.0


def silent(_done: int, _count: int, _name: str) -> None:
    """Report nothing."""


def forget(_place: int, _record: PhotoRecord) -> None:
    """Keep nothing on the way."""


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
    work = list(zip(paths, names, strict=True))
    jobs = max(1, min(jobs, len(work)))
    count = _Counter(progress, len(work)).tick
    if jobs == 1:
        one_thread()
        records = []
        for i, (path, name) in enumerate(work):
            records.append(examine_file(path, request, name))
            keep(i, records[-1])
            count(name)
        return records

    def done(i: int, record: PhotoRecord) -> None:
        keep(i, record)
        count(work[i][1])

    return _in_processes(work, request, jobs, done)


class _Counter:
    def __init__(self, progress: Progress, total: int) -> None:
        self.progress, self.total, self.done = progress, total, 0

    def tick(self, name: str) -> None:
        self.done += 1
        self.progress(self.done, self.total, name)


def _in_processes(
    work: Sequence[tuple[Path, str]], request: Request, jobs: int, done: Keep
) -> list[PhotoRecord]:
    found: dict[int, PhotoRecord] = {}
    waiting = deque(range(len(work)))

    def keep(i: int, record: PhotoRecord) -> None:
        found[i] = record
        done(i, record)

    while waiting:
        # One death breaks the whole pool and does not say whose it was, so all suspects are tried alone.
        for i in _until_broken(work, request, jobs, waiting, keep):
            keep(i, _alone(*work[i], request))
    return [found[i] for i in range(len(work))]


def _until_broken(
    work: Sequence[tuple[Path, str]],
    request: Request,
    jobs: int,
    waiting: deque[int],
    keep: Keep,
) -> list[int]:
    """Examine what is waiting until all is done or a worker dies; returns what was under way then."""
    running: dict[Future[PhotoRecord], int] = {}
    with _pool(jobs) as pool:
        try:
            while waiting or running:
                while waiting and len(running) < jobs:
                    path, name = work[waiting[0]]
                    running[pool.submit(_examine, path, request, name, DEADLINE_S)] = waiting[0]
                    waiting.popleft()
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    record = future.result()
                    keep(running.pop(future), record)
        except BrokenProcessPool:
            return sorted(running.values())
    return []


def _examine(path: Path, request: Request, name: str, deadline_s: float) -> PhotoRecord:
    """Examine a file in a worker, which ends itself when that takes longer than ``deadline_s``."""
    with Path(os.devnull).open("w", encoding="utf-8") as nowhere:
        # The watchdog is native: it works even while a library hangs and holds the interpreter.
        faulthandler.dump_traceback_later(deadline_s, exit=True, file=nowhere)
        try:
            return examine_file(path, request, name)
        finally:
            faulthandler.cancel_dump_traceback_later()


def _alone(path: Path, name: str, request: Request) -> PhotoRecord:
    start = time.monotonic()
    try:
        with _pool(1) as pool:
            return pool.submit(_examine, path, request, name, DEADLINE_S).result()
    except BrokenProcessPool:
        late = time.monotonic() - start >= DEADLINE_S
        why = f"took longer than {DEADLINE_S:.0f} s" if late else "died, perhaps for lack of memory"
        return PhotoRecord.failed(
            name,
            WORKER_DIED,
            f"The process that examined {name} {why}. Reduce the photo, or use fewer --jobs.",
        )


@contextlib.contextmanager
def _pool(jobs: int) -> Iterator[ProcessPoolExecutor]:
    """A pool whose workers are ended at once when the caller is interrupted."""
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(jobs, mp_context=context, initializer=_start_worker)
    try:
        yield pool
        pool.shutdown()
    except BaseException:
        workers = list((pool._processes or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        for worker in workers:
            worker.kill()
        for worker in workers:
            worker.join(2)
        raise


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


def one_thread() -> None:
    """Keep OpenCV to one thread: processes share the cores better than threads do."""
    import cv2

    cv2.setNumThreads(1)
