"""Who may talk to the page's server: this person's browser, from this page, and nobody else.

A web page that is open in the same browser could send requests to a server on this machine, or get its own
name to point there. Hence each request must name this server as its host, must come from this page if it
changes anything, and must carry a cookie that only the one-time link printed in the terminal gives.
"""

from __future__ import annotations

import ipaddress
import secrets
from collections.abc import Callable, Iterable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: Nothing from elsewhere, no code or style inside the page, no frames, no forms.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_SAFE = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "X-Frame-Options": "DENY",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
_READING = frozenset({"GET", "HEAD"})
_DAY_S = 86_400

_CLOSED = """<!doctype html><html lang="en"><meta charset="utf-8"><title>rakelight</title>
<h1>This page needs its link</h1>
<p>Open the address that <code>rakelight review</code> printed in the terminal. Each address works once; when
one was used, the next is printed there.</p></html>"""
_OPENED = """<!doctype html><html lang="en"><meta charset="utf-8"><title>rakelight</title>
<meta http-equiv="refresh" content="0;url=/"><p><a href="/">Go on to the photos</a></p></html>"""


class Guard:
    """Lets requests of the right browser and page through to the application.

    Parameters
    ----------
    app
        The application behind it.
    hosts
        Names by which this server may be called, without port; addresses are allowed if ``any_address``.
    port
        Where it listens.
    on_link
        Called with each new one-time link's path.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        hosts: Iterable[str],
        port: int,
        any_address: bool = False,
        on_link: Callable[[str], None],
    ) -> None:
        self._app = app
        self._hosts = frozenset(host.casefold() for host in hosts)
        self._port = port
        self._any_address = any_address
        self._on_link = on_link
        self._secret = secrets.token_urlsafe(32)
        # Browsers keep one set of cookies for all ports of a machine.
        self._cookie = f"rakelight_{port}"
        self._token = ""

    def new_link(self) -> str:
        """Return the path of a new one-time link; an older one that was not used ends."""
        self._token = secrets.token_urlsafe(24)
        return f"/open?token={self._token}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, refuse or pass a request on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        response = self._refusal(scope)
        if response is None and scope["path"] == "/open":
            response = self._open(Request(scope))
        if response is None and not self._known(Headers(scope=scope)):
            response = HTMLResponse(_CLOSED, 403)

        async def send_safely(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _SAFE.items():
                    headers.setdefault(name, value)
                headers.setdefault("Content-Security-Policy", POLICY)
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        await (response or self._app)(scope, receive, send_safely)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if not self._is_ours(host):
            return PlainTextResponse("This server goes by another name.", 421)
        if scope["method"] in _READING:
            return None
        # Browsers name the page a request comes from; nobody else has a reason to change anything here.
        if headers.get("origin") != f"http://{host}":
            return PlainTextResponse("That did not come from this page.", 403)
        if headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return PlainTextResponse("That did not come from this page.", 403)
        return None

    def _is_ours(self, host: str) -> bool:
        try:
            parts = urlsplit(f"//{host}")
            name, port = (parts.hostname or "").casefold(), parts.port or 80
        except ValueError:
            return False
        if port != self._port or parts.username is not None or parts.path:
            return False
        return name in self._hosts or (self._any_address and _is_address(name))

    def _open(self, request: Request) -> Response:
        """Exchange the one-time token for the cookie."""
        token = request.query_params.get("token", "")
        if request.method != "GET" or not self._token or not _same(token, self._token):
            return HTMLResponse(_CLOSED, 403)
        # Not a redirect: a strict cookie would not be sent along when the link was clicked in another page.
        response = HTMLResponse(_OPENED)
        response.set_cookie(
            self._cookie, self._secret, max_age=30 * _DAY_S, httponly=True, samesite="strict", path="/"
        )
        self._on_link(self.new_link())
        return response

    def _known(self, headers: Headers) -> bool:
        try:
            cookies = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return False
        return self._cookie in cookies and _same(cookies[self._cookie].value, self._secret)


def _same(given: str, right: str) -> bool:
    return secrets.compare_digest(given.encode("utf-8", "replace"), right.encode())


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True
