"""The processes that work for the page: one question at a time each, replaced when they die.

Three of them, so that none waits for another: one reads photo after photo, one holds the photo that a person
works on, one makes pictures.
"""

from __future__ import annotations

import asyncio
import heapq
import itertools
import multiprocessing
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from typing import Any, Protocol

from pipelines.review import reader
from pipelines.review.reader import Job, Reply
from vision.errors import RakelightError

Tell = Callable[[Any], None]


class Serve(Protocol):
    """What runs in a process."""

    def __call__(self, connection: Connection) -> None:
        """Answer questions until the other side hangs up."""


class DiedError(RakelightError):
    """The process died over a question, or took too long and was ended."""


@dataclass(order=True)
class _Asked:
    rank: tuple[int, int]
    job: Job = field(compare=False)
    loop: asyncio.AbstractEventLoop = field(compare=False)
    future: asyncio.Future[Any] = field(compare=False)
    tell: Tell | None = field(compare=False)


class Worker:
    """One process with a queue before it; lower ``rank`` is asked first.

    Its thread waits for the process, so that the event loop never does.
    """

    def __init__(self, serve: Serve = reader.serve) -> None:
        self._serve = serve
        self._queue: list[_Asked] = []
        self._numbers = itertools.count()
        self._waiting = threading.Condition()
        self._closed = False
        self._process: Any = None
        self._connection: Connection | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    async def ask(self, job: Job, rank: int = 5, tell: Tell | None = None) -> Any:
        """Return the answer to a question; ``tell`` is called in the event loop with what is known so far.

        Raises
        ------
        RakelightError
            When the question could not be answered; :class:`DiedError` when it cost the process.
        """
        loop = asyncio.get_running_loop()
        asked = _Asked((rank, next(self._numbers)), job, loop, loop.create_future(), tell)
        with self._waiting:
            if self._closed:
                raise DiedError("The page is closing.")
            heapq.heappush(self._queue, asked)
            self._waiting.notify()
        return await asked.future

    def close(self) -> None:
        """End the process, whatever it does."""
        with self._waiting:
            self._closed = True
            left, self._queue = self._queue, []
            self._waiting.notify()
        for asked in left:
            _in_loop(asked, _settle, asked.future, None, DiedError("The page is closing."))
        process = self._process
        if process is not None:
            process.kill()
            process.join(2)

    def _run(self) -> None:
        while True:
            with self._waiting:
                while not (self._queue or self._closed):
                    self._waiting.wait()
                if self._closed:
                    return
                asked = heapq.heappop(self._queue)
            if not asked.future.cancelled():
                self._answer(asked)

    def _answer(self, asked: _Asked) -> None:
        start = time.monotonic()
        reply = self._ask(asked)
        if reply is None and time.monotonic() - start < asked.job.deadline_s / 2 and not self._closed:
            # It may have died of something else than this question, such as memory that is free again.
            reply = self._ask(asked)
        if reply is None:
            why = "It took too long, or ran out of memory. Try again, or reduce the photo."
            _in_loop(asked, _settle, asked.future, None, DiedError(f"Reading ended without a result. {why}"))
            return
        error = RakelightError(reply.error) if reply.error else None
        _in_loop(asked, _settle, asked.future, reply.value, error)

    def _ask(self, asked: _Asked) -> Reply | None:
        """Return the process's answer; None when it died over it."""
        try:
            connection = self._connected()
            connection.send(asked.job)
            reply: Reply = connection.recv()
            while not reply.last:
                if asked.tell is not None:
                    _in_loop(asked, asked.tell, reply.value)
                reply = connection.recv()
        except (EOFError, OSError):
            self._bury()
            return None
        return reply

    def _connected(self) -> Connection:
        if self._connection is None:
            # Fresh processes, never forks: image libraries do not survive one.
            context = multiprocessing.get_context("spawn")
            ours, theirs = context.Pipe()
            self._process = context.Process(target=self._serve, args=(theirs,), daemon=False)
            self._process.start()
            theirs.close()
            self._connection = ours
        return self._connection

    def _bury(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None
        if self._process is not None:
            self._process.kill()
            self._process.join(2)


def _in_loop(asked: _Asked, call: Callable[..., Any], *arguments: Any) -> None:
    try:
        asked.loop.call_soon_threadsafe(call, *arguments)
    except RuntimeError:  # the page was closed meanwhile
        return


def _settle(future: asyncio.Future[Any], value: Any, error: Exception | None) -> None:
    if future.done():
        return
    if error is not None:
        future.set_exception(error)
    else:
        future.set_result(value)


@dataclass
class Crew:
    """The three workers of a page.

    Attributes
    ----------
    queue
        Reads photo after photo.
    hand
        Reads the photo that a person works on, and what was set right in it.
    pictures
        Makes tiles, thumbnails and relief.
    """

    queue: Worker
    hand: Worker
    pictures: Worker

    @classmethod
    def of(cls, serve: Serve = reader.serve) -> Crew:
        """Return a crew; processes start with their first question."""
        return cls(Worker(serve), Worker(serve), Worker(serve))

    def close(self) -> None:
        """End all processes."""
        for worker in (self.queue, self.hand, self.pictures):
            worker.close()
