"""Work on an existing Dask cluster: what :mod:`pipelines.batch` does with processes, elsewhere.

Photos travel by content: workers share no disk with this machine. They must run the same code and models, or
results would depend on who happened to do the work; each worker says what it runs before it does anything.
A worker that dies over a photo is replaced by the cluster; the photo is then tried alone on this machine.

Start workers with one thread each (``dask worker ADDRESS --nworkers 4 --nthreads 1``): the models are not
made for several at once, and a worker with more threads does one photo at a time all the same.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from pipelines import batch, cache, evidence
from pipelines.batch import Item, Result, Work
from vision.errors import UsageError, WorkerDiedError

#: Seconds to wait for the scheduler, and for a worker to come back when all are gone.
CONNECT_S = 15.0
PATIENCE_S = 60.0
#: Tasks under way for each worker: one in work, one on its way.
_AHEAD = 2

_ONE_AT_A_TIME = threading.Lock()


class OtherVersionError(UsageError):
    """A worker runs other code, models or libraries than this machine."""

    def __init__(self, worker: str = "") -> None:
        where = f" ({worker})" if worker else ""
        super().__init__(
            f"A worker of the cluster{where} runs another version of rakelight, its models or its libraries; "
            "results would depend on who does the work. Install the same version on all workers."
        )


@contextlib.contextmanager
def cluster_workers(address: str) -> Iterator[Cluster]:
    """Give the workers behind a Dask scheduler.

    Parameters
    ----------
    address
        As Dask writes it: ``tcp://host:8786``.

    Raises
    ------
    UsageError
        When the extra is not installed, nobody answers at the address, no worker is there, or one runs
        another version.
    """
    try:
        from distributed import Client
    except ImportError:
        raise UsageError(
            "--cluster needs Dask. Install rakelight with the extra 'cluster', here and on the workers."
        ) from None
    batch.one_thread()
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:  # TimeoutError is an OSError
        raise UsageError(
            f"No Dask scheduler answers at {address[:100]}. Start one with 'dask scheduler' and give its "
            "address, such as tcp://127.0.0.1:8786."
        ) from error
    try:
        cluster = Cluster(client)
        cluster.check()
        yield cluster
    finally:
        client.close()


class Cluster:
    """Workers of a Dask cluster; see :class:`pipelines.batch.Workers`."""

    def __init__(self, client: Any) -> None:
        self._client = client
        self._code = cache.code_version(results=True)
        # Results carry the date of this machine, not of each worker's clock and place.
        noon = dt.datetime.combine(evidence.today(), dt.time(12), dt.UTC)
        self._date = str(int(noon.timestamp()))

    def check(self) -> None:
        """Raise :class:`UsageError` unless there are workers and all run this version."""
        versions = self._client.run(_version, on_error="return")
        if not versions:
            raise UsageError("The Dask cluster has no worker. Start some with 'dask worker ADDRESS'.")
        for worker, version in versions.items():
            if version != self._code:
                raise OtherVersionError(worker)

    def run(
        self, work: Work[Item, Result], items: Sequence[Item], done: Callable[[int, Result], None]
    ) -> None:
        """See :class:`pipelines.batch.Workers`."""
        waiting = deque(range(len(items)))
        running: dict[Any, int] = {}
        suspects: list[int] = []
        try:
            while waiting or running:
                while waiting and len(running) < _AHEAD * max(1, self._count()):
                    i = waiting.popleft()
                    running[self._submit(work, items[i])] = i
                for future in self._finished(list(running)):
                    i = running.pop(future)
                    if self._died(future):
                        suspects.append(i)
                    else:
                        done(i, future.result())
        finally:
            self._client.cancel(list(running))
        for i in suspects:
            done(i, batch.alone(work, work.ready(items[i])))

    def _submit(self, work: Work[Item, Result], item: Item) -> Any:
        packed = work.pack(work.ready(item))
        # Not pure: Dask would hash each photo to find it again.
        return self._client.submit(_do, work.do, packed, batch.DEADLINE_S, self._code, self._date, pure=False)

    def _count(self) -> int:
        return len(self._client.nthreads())

    def _finished(self, futures: Sequence[Any]) -> list[Any]:
        """Wait until one is finished and return all that are; give up when no worker comes back."""
        from distributed import wait

        last_seen = time.monotonic()
        while True:
            with contextlib.suppress(TimeoutError), self._client.as_current():
                return list(wait(futures, timeout=2.0, return_when="FIRST_COMPLETED").done)
            if self._count():
                last_seen = time.monotonic()
            elif time.monotonic() - last_seen > PATIENCE_S:
                raise WorkerDiedError("All workers of the cluster are gone. What was done so far is kept.")

    def _died(self, future: Any) -> bool:
        """Return whether a task's workers died over it; any other fault of it is raised."""
        from distributed import KilledWorker

        error = future.exception() if future.status == "error" else None
        if error is not None and not isinstance(error, KilledWorker):
            raise error
        return error is not None or future.status in {"lost", "cancelled"}


def _version() -> str:
    return cache.code_version(results=True)


def _do(do: Callable[[Item], Result], item: Item, deadline_s: float, code: str, date: str) -> Result:
    """Do one task on a worker, which may have joined after all others were asked what they run."""
    if cache.code_version(results=True) != code:
        raise OtherVersionError
    with _ONE_AT_A_TIME:
        batch.one_thread()
        os.environ["SOURCE_DATE_EPOCH"] = date
        return batch.guarded(do, item, deadline_s)
