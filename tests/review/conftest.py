"""A real browser and a real server for the tests of the review page."""

import contextlib
import http.client
import json
import os
import re
import select
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
import pytest
from PIL import Image

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)


@pytest.fixture(scope="session")
def browser():
    """Chromium; without one these tests are skipped, but never where ``CI`` is set."""
    if CHROMIUM is None:
        if os.environ.get("CI"):
            pytest.fail("no Chromium: install the package 'chromium', the review page is tested in it")
        pytest.skip("no Chromium on this machine")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        yield playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])


@dataclass
class Server:
    """A server in a process of its own."""

    folder: Path
    process: subprocess.Popen
    address: str
    cookie: str = ""
    requests: list = field(default_factory=list)

    @property
    def base(self):
        parts = urlsplit(self.address)
        return f"{parts.scheme}://{parts.netloc}"

    def request(self, method, path, body=None, headers=None, *, known=True):
        """Send one request; returns status, headers and body."""
        connection = http.client.HTTPConnection(urlsplit(self.address).netloc, timeout=60)
        sent = {"Origin": self.base, **({"Cookie": self.cookie} if known and self.cookie else {})}
        connection.request(method, path, body, {**sent, **(headers or {})})
        response = connection.getresponse()
        found = response.status, dict(response.getheaders()), response.read()
        connection.close()
        return found

    def enter(self):
        """Exchange the one-time link for the cookie."""
        parts = urlsplit(self.address)
        status, headers, _ = self.request("GET", f"{parts.path}?{parts.query}")
        assert status == 200
        self.cookie = headers["set-cookie"].split(";")[0]
        return self

    def state(self, doll="0"):
        return json.loads(self.request("GET", f"/api/{doll}/state")[2])

    def do(self, action, revision=None, doll="0"):
        revision = self.state(doll)["revision"] if revision is None else revision
        body = json.dumps({"revision": revision, "action": action})
        status, _, data = self.request("POST", f"/api/{doll}/do", body)
        return status, json.loads(data)

    def photo(self, name, doll="0"):
        line = next(p for p in self.state(doll)["photos"] if p["name"] == name)
        return json.loads(self.request("GET", f"/api/{doll}/photos/{line['id']}")[2])

    def settled(self, seconds=60.0, doll="0"):
        """Wait until all photos are read; returns the state."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            state = self.state(doll)
            if state["progress"]["done"] == state["progress"]["total"] and state["verdict"]:
                return state
            time.sleep(0.1)
        raise AssertionError(f"not read within {seconds} s: {state['progress']}")

    def next_address(self):
        """Return the address printed after the last one was used."""
        self.address = _line(self.process)
        return self.address

    def end(self, how=signal.SIGTERM):
        if self.process.poll() is None:
            self.process.send_signal(how)
        try:
            self.process.wait(10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            raise


def _line(process, seconds=60.0):
    said = []
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if select.select([process.stdout], [], [], 0.5)[0]:
            said.append(process.stdout.readline())
            if found := re.search(r"http://\S+", said[-1]):
                return found.group(0)
        if process.poll() is not None:
            said.append(process.stdout.read())
            break
    raise AssertionError(f"the server did not say where it is, but: {''.join(said)}")


@contextlib.contextmanager
def starting():
    """Give what starts servers; those that it started end with the context."""
    servers = []

    def begin(folder, *, guide="verity", claim="r1", real=False, read_s=None, arguments=()):
        if real:
            command = ["-m", "pipelines.cli", "review", str(folder), "--no-browser", *arguments]
            command += ["--guide", guide] if guide else []
            command += ["--claim", claim] if claim else []
            command[:2] = ["-c", "from pipelines.cli import main; main()"]
        else:
            command = ["-m", "tests.review.serve", str(folder), guide, claim]
            command += [str(read_s)] if read_s else []
        process = subprocess.Popen(
            [sys.executable, *command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=ROOT
        )
        server = Server(folder, process, "")
        servers.append(server)
        server.address = _line(process)
        return server

    yield begin
    for server in servers:
        server.end()


@pytest.fixture
def start():
    """Start servers: ``start(folder)`` with the stub reader, ``start(folder, real=True)`` as users do."""
    with starting() as begin:
        yield begin


@pytest.fixture
def tab(browser):
    """Open pages: ``tab(server)``; all of one server share its cookie. Complaints of pages fail the test."""
    contexts, complaints = {}, []

    def opened(server, width=1200, height=800, look="light"):
        key = (server.process.pid, width, height, look)
        if key not in contexts:
            known = next((c for (pid, *_), c in contexts.items() if pid == server.process.pid), None)
            state = known.storage_state() if known else None
            contexts[key] = browser.new_context(
                viewport={"width": width, "height": height},
                color_scheme=look,
                storage_state=state,
                has_touch=width < 500,
            )
            contexts[key].set_default_timeout(30_000)
            contexts[key].on("request", lambda request: server.requests.append(request.url))
        page = contexts[key].new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        known = [c for c in contexts[key].cookies() if c["name"].startswith("rakelight")]
        page.goto(server.base if known else server.address)
        page.wait_for_selector("#name:not(:text-is('…'))")
        return page

    yield opened
    for context in contexts.values():
        context.close()
    assert complaints == []


def picture(path, width=900, height=700, seed=0):
    """Write a photo of nothing in particular."""
    rng = np.random.default_rng(seed)
    small = rng.integers(60, 200, (height // 50 + 1, width // 50 + 1, 3), np.uint8)
    Image.fromarray(small).resize((width, height)).save(path, quality=85)
    return path


def doll(place):
    """Make a doll's folder with a face and soles."""
    place.mkdir()
    picture(place / "face.jpg", seed=1)
    picture(place / "soles.jpg", seed=2)
    return place


@pytest.fixture
def folder(tmp_path):
    return doll(tmp_path / "my doll")
