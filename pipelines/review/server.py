"""Starts the review page: finds the dolls of a folder, listens on this machine, opens the browser."""

from __future__ import annotations

import contextlib
import ipaddress
import shutil
import socket
import webbrowser
from collections.abc import Callable
from pathlib import Path

import uvicorn

from pipelines import files, grouping
from pipelines import guide as guides
from pipelines.listing import check_claim
from pipelines.review.api import Room, application
from pipelines.review.crew import Crew, Serve
from pipelines.review.desk import Desk
from pipelines.review.guard import Guard
from pipelines.review.history import FOLDER
from pipelines.review.reader import serve as read_photos
from vision.errors import NoPhotoError, UsageError

#: Where the page is looked for first, so that its address stays the same.
USUAL_PORT = 7960


def run(
    folder: Path,
    *,
    guide: str | None,
    claim: str | None,
    default_guide: str,
    host: str,
    port: int,
    browser: bool,
    on_link: Callable[[str], None],
    serve: Serve = read_photos,
) -> None:
    """Serve the review page of a folder until interrupted.

    Parameters
    ----------
    guide, claim
        As for the command ``listing``; None takes up what was used last, or ``default_guide`` and no claim.
    host
        Address to listen on; anything but this machine's own loopback lets others on the network see the
        page if they have a link.
    port
        0 takes the usual one, or any free one.
    browser
        Whether to open the page in the browser.
    on_link
        Called with each one-time address of the page, the first one once the server listens.
    serve
        What runs in the processes that read photos.

    Raises
    ------
    NoPhotoError
        When the folder is not there.
    InputFileError, UsageError
        When the guide, the claim or the port cannot be used.
    """
    if not folder.is_dir():
        raise NoPhotoError(f"{files.printable(str(folder))} is not a folder. Give the folder of the photos.")
    if guide is not None or claim is not None:
        check_claim(claim, guides.load(guide or default_guide))
    listening = _listen(host, port)
    with contextlib.closing(listening):
        bound = listening.getsockname()[1]
        crew = Crew.of(serve)
        room = _room(folder, crew, guide, claim, default_guide)
        shown = "127.0.0.1" if _is_everywhere(host) else host
        base = f"http://[{shown}]:{bound}" if ":" in shown else f"http://{shown}:{bound}"

        def tell(path: str) -> None:
            on_link(base + path)

        guard = Guard(
            application(room),
            hosts=("127.0.0.1", "localhost", "::1", host),
            port=bound,
            any_address=not _is_loopback(host),
            on_link=tell,
        )
        config = uvicorn.Config(
            guard,
            log_level="critical",
            access_log=False,
            server_header=False,
            lifespan="on",
            http="h11",
            ws="none",
            loop="asyncio",
            timeout_graceful_shutdown=1,
        )
        server = _Server(config, lambda: _announce(guard, base, tell, browser), room.close)
        try:
            server.run(sockets=[listening])
        finally:
            crew.close()
            for desk in room.desks.values():
                shutil.rmtree(desk.folder / FOLDER / "incoming", ignore_errors=True)


def _announce(guard: Guard, base: str, tell: Callable[[str], None], browser: bool) -> None:
    path = guard.new_link()
    tell(path)
    if browser:
        with contextlib.suppress(webbrowser.Error, OSError):
            webbrowser.open(base + path)


class _Server(uvicorn.Server):
    """A server that says when it is there, and lets go before it waits for its pages."""

    def __init__(
        self, config: uvicorn.Config, ready: Callable[[], None], closing: Callable[[], None]
    ) -> None:
        super().__init__(config)
        self._ready = ready
        self._closing = closing

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start to listen, then say so."""
        await super().startup(sockets)
        if self.started:
            self._ready()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End the work first, so that nothing is left to wait for."""
        self._closing()
        await super().shutdown(sockets)


def _room(folder: Path, crew: Crew, guide: str | None, claim: str | None, default: str) -> Room:
    """Return the room of a folder: a desk a subfolder with photos, or one desk for the folder itself."""
    try:
        groups = grouping.group_photos(folder)
    except NoPhotoError:
        groups = ()
    folders = [g.paths[0].parent for g in groups if g.how == grouping.BY_FOLDER]
    lot = bool(folders)
    if not lot or any(g.how != grouping.BY_FOLDER for g in groups):
        folders.append(folder)

    async def open_desks() -> list[Desk]:
        desks = []
        for number, place in enumerate(folders):
            desk = await Desk.open(f"{number}", place, crew, guide, claim, default)
            desk.priority = 5 + min(number, 3)
            desks.append(desk)
        return desks

    return Room(files.printable(folder.resolve().name).replace("_", " "), lot, crew, open_desks)


def _listen(host: str, port: int) -> socket.socket:
    """Return a socket that listens.

    Raises
    ------
    UsageError
        When the address or the port cannot be had.
    """
    wanted = [port] if port else [USUAL_PORT, 0]
    for number in wanted:
        try:
            family, *_, address = socket.getaddrinfo(host, number, type=socket.SOCK_STREAM)[0]
            listening = socket.socket(family, socket.SOCK_STREAM)
        except (OSError, UnicodeError) as error:
            raise UsageError(f"--host {host[:60]} is no address of this machine.") from error
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listening.bind(address)
        except OSError as error:
            listening.close()
            if number == 0 or port:
                raise UsageError(
                    f"Port {number} of {host[:60]} cannot be used ({error.strerror}). Give another --port."
                ) from error
            continue
        return listening
    raise UsageError("No free port was found. Give one with --port.")


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _is_everywhere(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_unspecified
    except ValueError:
        return False
