"""Many photos, one after another or in several processes, always in the order given.

Workers are fresh processes (never forks: image libraries do not survive one) with one thread each. A worker
that dies costs the photo it held, which is named; the others are finished by new workers.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

from pipelines import files
from pipelines.examine import PhotoRecord, Request, examine_file

#: Called with the number done, the number of all, and the name of the photo just finished.
Progress = Callable[[int, int, str], None]

WORKER_DIED = "worker_died"


def silent(_done: int, _count: int, _name: str) -> None:
    """Report nothing."""


def examine_files(
    paths: Sequence[Path], request: Request | None = None, jobs: int = 1, progress: Progress = silent
) -> list[PhotoRecord]:
    """Examine files and return one record each, in the order given; every file has one.

    Parameters
    ----------
    jobs
        Worker processes; 1 works in this process.
    """
    request = request or Request()
    names = files.display_names(paths)
    work = list(zip(paths, names, strict=True))
    jobs = max(1, min(jobs, len(work)))
    count = _Counter(progress, len(work)).tick
    if jobs == 1:
        one_thread()
        records = []
        for path, name in work:
            records.append(examine_file(path, request, name))
            count(name)
        return records
    return _in_processes(work, request, jobs, count)


class _Counter:
    def __init__(self, progress: Progress, total: int) -> None:
        self.progress, self.total, self.done = progress, total, 0

    def tick(self, name: str) -> None:
        self.done += 1
        self.progress(self.done, self.total, name)


def _in_processes(
    work: Sequence[tuple[Path, str]], request: Request, jobs: int, count: Callable[[str], None]
) -> list[PhotoRecord]:
    found: dict[int, PhotoRecord] = {}
    with contextlib.suppress(BrokenProcessPool), _pool(jobs) as pool:
        futures: dict[Future[PhotoRecord], int] = {
            pool.submit(examine_file, path, request, name): i for i, (path, name) in enumerate(work)
        }
        for future in as_completed(futures):
            found[futures[future]] = future.result()
            count(work[futures[future]][1])
    # One death breaks the whole pool and does not say whose it was. So the rest goes one at a time.
    for i, (path, name) in enumerate(work):
        if i not in found:
            found[i] = _alone(path, request, name)
            count(name)
    return [found[i] for i in range(len(work))]


def _alone(path: Path, request: Request, name: str) -> PhotoRecord:
    try:
        with _pool(1) as pool:
            return pool.submit(examine_file, path, request, name).result()
    except BrokenProcessPool:
        return PhotoRecord.failed(
            name,
            WORKER_DIED,
            f"The process that examined {name} died, perhaps for lack of memory. Reduce the photo, or use "
            "fewer --jobs.",
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
