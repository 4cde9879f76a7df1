"""What the page asks its server for, and what it sends."""

from __future__ import annotations

import asyncio
import base64
import contextlib
import hashlib
import json
import re
import uuid
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final
from urllib.parse import unquote

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from pipelines import files
from pipelines.review import shown
from pipelines.review.actions import Action
from pipelines.review.crew import Crew
from pipelines.review.desk import REPORT, Desk, Sheet, StaleError
from pipelines.review.history import FOLDER
from pipelines.review.reader import PREVIEW, THUMB, Job
from vision.errors import OutputError, RakelightError, UsageError

STATIC: Final = Path(__file__).parent / "static"
_MOST_JSON: Final = 1_000_000
#: A relief picture of a whole photo is the slowest of pictures.
_PICTURE_S: Final = 30.0
_KINDS: Final = frozenset({"contrast", "flat", "height_0", "height_45", "height_90", "height_135"})
_ENDINGS: Final = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".json": "application/json",
    ".txt": "text/plain; charset=utf-8",
    ".png": "image/png",
}

Endpoint = Callable[[Request], Awaitable[Response]]


@dataclass
class Room:
    """All desks of one server.

    Attributes
    ----------
    lot
        Whether there is a table of many dolls.
    opening
        Opens the desks; called once the event loop runs.
    """

    name: str
    lot: bool
    crew: Crew
    opening: Callable[[], Awaitable[list[Desk]]]
    desks: dict[str, Desk] = field(default_factory=dict)
    _tasks: list[asyncio.Task[None]] = field(default_factory=list)

    async def open(self) -> None:
        """Open all desks and begin to watch them."""
        self.desks = {desk.id: desk for desk in await self.opening()}
        self._tasks = [asyncio.create_task(desk.watch()) for desk in self.desks.values()]
        self._tasks.append(asyncio.create_task(self._warm()))

    async def _warm(self) -> None:
        with contextlib.suppress(RakelightError):
            await asyncio.gather(
                self.crew.pictures.ask(Job("wake"), rank=0), self.crew.hand.ask(Job("warm"), rank=0)
            )

    def close(self) -> None:
        """End the watching, what is told to pages, and all processes."""
        for task in self._tasks:
            task.cancel()
        for desk in self.desks.values():
            desk.close()
        self.crew.close()


def application(room: Room) -> Starlette:
    """Return the application that serves a room."""

    @contextlib.asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        await room.open()
        try:
            yield
        finally:
            room.close()

    pages = Pages(room)
    routes = [
        Route("/", pages.index),
        Route("/static/{name}", pages.static),
        Route("/api/room", pages.room_state),
        Route("/api/{doll}/state", pages.state),
        Route("/api/{doll}/events", pages.events),
        Route("/api/{doll}/do", pages.do, methods=["POST"]),
        Route("/api/{doll}/save", pages.save, methods=["POST"]),
        Route("/api/{doll}/photos", pages.add, methods=["POST"]),
        Route("/api/{doll}/photos/{photo}", pages.photo),
        Route("/api/{doll}/photos/{photo}/whole/{size}", pages.whole),
        Route("/api/{doll}/photos/{photo}/tile/{level:int}/{column:int}/{row:int}", pages.tile),
        Route("/api/{doll}/photos/{photo}/relief/{kind}", pages.relief),
        Route("/report/{doll}/{name:path}", pages.report),
    ]
    return Starlette(
        routes=routes,
        lifespan=life,
        exception_handlers={RakelightError: _complain, HTTPException: _refuse},
    )


def _complain(_: Request, error: Exception) -> Response:
    statuses: dict[type[Exception], int] = {StaleError: 409, UsageError: 400, OutputError: 507}
    return JSONResponse({"error": str(error)}, statuses.get(type(error), 422))


def _refuse(_: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return JSONResponse({"error": error.detail}, error.status_code)


class Pages:
    """The endpoints, bound to their room."""

    def __init__(self, room: Room) -> None:
        self._room = room

    # -- the page ------------------------------------------------------------------------------------

    async def index(self, _: Request) -> Response:
        """The page itself."""
        return _file(STATIC / "index.html")

    async def static(self, request: Request) -> Response:
        """Scripts, styles, pictures of the page."""
        name = request.path_params["name"]
        path = STATIC / name
        if not re.fullmatch(r"[a-z]+\.(css|js|svg)", name) or not path.is_file():
            raise HTTPException(404, "There is no such file.")
        return _file(path)

    # -- state ---------------------------------------------------------------------------------------

    async def room_state(self, _: Request) -> Response:
        """Whether this is one doll or a lot, and the table of the lot."""
        desks = self._room.desks.values()
        rows = [shown.lot_row(desk) for desk in desks]
        return JSONResponse({"name": self._room.name, "lot": self._room.lot, "dolls": rows})

    async def state(self, request: Request) -> Response:
        """Everything of one doll but its photos."""
        return JSONResponse(await asyncio.to_thread(shown.state, self._desk(request)))

    async def photo(self, request: Request) -> Response:
        """Everything of one photo; it is read first and kept at hand from now on."""
        desk, sheet = self._sheet(request)
        if "look" in request.query_params:
            desk.look(sheet)
        elif "again" in request.query_params:
            desk.read_again(sheet)
        return JSONResponse(await asyncio.to_thread(shown.photo, desk, sheet))

    async def events(self, request: Request) -> Response:
        """Tells the page whenever there is something new."""
        return StreamingResponse(
            _events(self._desk(request)),
            media_type="text/event-stream",
            headers={"Cache-Control": "no-store"},
        )

    # -- steps ---------------------------------------------------------------------------------------

    async def do(self, request: Request) -> Response:
        """Take one step; answers with the new state, and with the photo that it was about."""
        desk = self._desk(request)
        data = await _json(request)
        revision = data.get("revision")
        action = Action.parse(data.get("action"))
        if not isinstance(revision, int):
            raise UsageError("The page does not say which state it knows.")
        try:
            await desk.do(revision, action)
        except StaleError as error:
            return JSONResponse({"error": str(error), "state": shown.state(desk)}, 409)
        answer: dict[str, Any] = {"state": shown.state(desk)}
        if action.photo in desk.sheets:
            answer["photo"] = shown.photo(desk, desk.sheets[action.photo])
        return JSONResponse(answer)

    async def save(self, request: Request) -> Response:
        """Write report and evidence."""
        desk = self._desk(request)
        await desk.save()
        return JSONResponse({"state": shown.state(desk)})

    async def add(self, request: Request) -> Response:
        """Take in a dropped file."""
        desk = self._desk(request)
        name = files.printable(unquote(request.headers.get("x-name", "")))[:300] or "photo"
        temp = await _receive(request, desk.folder / FOLDER / "incoming", name)
        try:
            sheet = await desk.add(temp, name)
        finally:
            await asyncio.to_thread(temp.unlink, missing_ok=True)
        return JSONResponse({"photo": sheet.id, "name": sheet.name})

    # -- pictures ------------------------------------------------------------------------------------

    async def whole(self, request: Request) -> Response:
        """The whole photo, small."""
        sizes = {"thumb": THUMB, "preview": PREVIEW}
        side = sizes.get(request.path_params["size"])
        if side is None:
            raise HTTPException(404, "There is no such size.")
        return await self._picture(request, "picture", (side,), 1 if side == PREVIEW else 4)

    async def tile(self, request: Request) -> Response:
        """One tile of the photo."""
        place = tuple(request.path_params[key] for key in ("level", "column", "row"))
        return await self._picture(request, "tile", place, 2)

    async def relief(self, request: Request) -> Response:
        """Part of the photo with its relief made readable."""
        kind = request.path_params["kind"]
        try:
            x0, y0, x1, y1 = (float(v) for v in request.query_params.get("box", "").split(","))
        except ValueError as error:
            raise HTTPException(400, "A part of the photo is four numbers.") from error
        if kind not in _KINDS or not (x1 > x0 and y1 > y0 and abs(x0) + abs(y0) + abs(x1) + abs(y1) < 4e5):
            raise HTTPException(400, "There is no such relief.")
        return await self._picture(request, "relief", (kind, (x0, y0, x1, y1)), 1)

    async def _picture(self, request: Request, call: str, arguments: tuple[Any, ...], rank: int) -> Response:
        _, sheet = self._sheet(request)
        job = Job(call, (sheet.source, *arguments), _PICTURE_S)
        data = await self._room.crew.pictures.ask(job, rank)
        # The address names the state of the file, so what it shows never changes.
        return Response(data, media_type="image/jpeg", headers={"Cache-Control": "private, max-age=86400"})

    async def report(self, request: Request) -> Response:
        """What was saved last: the report with its evidence."""
        folder = (self._desk(request).folder / REPORT).resolve()
        name = request.path_params["name"]
        path = (folder / name).resolve()
        known = re.fullmatch(r"(evidence/)?[A-Za-z0-9_-]+\.(html|json|txt|png)", name)
        if not known or not path.is_relative_to(folder) or not path.is_file():
            raise HTTPException(404, "There is no such file in the report.")
        return _file(path, _report_policy(path))

    # -- finding -------------------------------------------------------------------------------------

    def _desk(self, request: Request) -> Desk:
        desk = self._room.desks.get(request.path_params["doll"])
        if desk is None:
            raise HTTPException(404, "There is no such doll.")
        return desk

    def _sheet(self, request: Request) -> tuple[Desk, Sheet]:
        desk = self._desk(request)
        sheet = desk.sheets.get(request.path_params["photo"])
        if sheet is None:
            raise HTTPException(404, "That photo is not there any more.")
        return desk, sheet


def _file(path: Path, headers: Mapping[str, str] | None = None) -> Response:
    return FileResponse(path, media_type=_ENDINGS[path.suffix], headers=dict(headers or {}))


def _report_policy(path: Path) -> dict[str, str]:
    """Let the report's own style and its one script run, known by its hash."""
    if path.suffix != ".html":
        return {}
    scripts = re.findall(rb"<script>(.*?)</script>", path.read_bytes(), re.DOTALL)
    hashes = " ".join(f"'sha256-{base64.b64encode(hashlib.sha256(s).digest()).decode()}'" for s in scripts)
    return {
        "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:; "
        f"script-src {hashes or chr(39) + 'none' + chr(39)}; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'"
    }


async def _json(request: Request) -> dict[str, Any]:
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > _MOST_JSON:
            raise UsageError("That is too much at once.")
    try:
        data = json.loads(body)
    except (ValueError, RecursionError) as error:
        raise UsageError("That is no JSON.") from error
    if not isinstance(data, dict):
        raise UsageError("That is of no known form.")
    return data


async def _receive(request: Request, folder: Path, name: str) -> Path:
    """Write what is sent into a file of ``folder``; raises when it is too large or cannot be written."""
    from vision.photo import MAX_BYTES

    too_large = UsageError(f"{name} is larger than 300 MB. Export it as a JPEG.")
    if int(request.headers.get("content-length", "0") or 0) > MAX_BYTES:
        raise too_large
    path, size = folder / uuid.uuid4().hex, 0
    try:
        await asyncio.to_thread(folder.mkdir, parents=True, exist_ok=True)
        with path.open("xb") as stream:
            async for chunk in request.stream():
                size += len(chunk)
                if size > MAX_BYTES:
                    raise too_large
                await asyncio.to_thread(stream.write, chunk)
    except OSError as error:
        path.unlink(missing_ok=True)
        why = error.strerror or "the folder cannot be written"
        raise OutputError(f"{name} could not be kept ({why}). Check free space and the folder.") from error
    except (ClientDisconnect, RakelightError):
        path.unlink(missing_ok=True)
        raise
    return path


async def _events(desk: Desk) -> AsyncIterator[str]:
    news = asyncio.Event()
    desk.listeners.add(news.set)
    try:
        while not desk.closed:
            yield f"data: {json.dumps({'version': desk.version, 'revision': desk.revision})}\n\n"
            news.clear()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(news.wait(), 15)
            await asyncio.sleep(0.05)  # what comes together is told together
    finally:
        desk.listeners.discard(news.set)
