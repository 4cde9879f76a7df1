"""The pictures of results in the README, made anew from the sample listings.

``uv run python -m sample_images.screenshots lot report review`` checks the listings, opens one on the review
page, and photographs what comes out in Chromium (a package of the system); ``--from DIR`` photographs an
earlier lot or report instead.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from PIL import Image

HERE = Path(__file__).resolve().parent
#: The date that the pictures show, so that they change only when the results do.
_DATE = "1795000000"


@dataclass(frozen=True)
class Shot:
    """One picture: how its result is made, which page of it is shown, and how much of that."""

    make: Callable[[Path], object]
    page: str
    height: int


def _lot(out: Path) -> object:
    from pipelines import lot

    return lot.run(HERE / "listings", guide="verity", out=out)


def _report(out: Path) -> object:
    from pipelines import listing

    return listing.run(HERE / "listings" / "reissue", guide="verity", claim="r1", out=out)


SHOTS = {"lot": Shot(_lot, "lot.html", 1240), "report": Shot(_report, "report.html", 1270)}
WIDTH = 1100


#: Size of the window that shows the review page, of its picture, and how far a corner is dragged, in pixels.
REVIEW, REVIEW_SHOWN = (1200, 800), (1080, 720)
_DRAG = (-14, 10)
#: Longest wait for photos to be read, in milliseconds.
_READ_MS = 600_000


@contextlib.contextmanager
def window(width: int, height: int) -> Iterator[Any]:
    """Give a page of Chromium."""
    from playwright.sync_api import sync_playwright

    chromium = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if chromium is None:
        raise SystemExit("Install Chromium first (the package chromium).")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        yield browser.new_page(viewport={"width": width, "height": height}, color_scheme="light")
        browser.close()


def photograph(page: Path, height: int) -> bytes:
    """Return the top of a page as PNG."""
    with window(WIDTH, height) as tab:
        tab.goto(page.resolve().as_uri())
        return _small_png(tab.screenshot())


def photograph_review(listing: Path) -> bytes:
    """Return the review page as PNG: soles, the outline of one being set right."""
    with tempfile.TemporaryDirectory() as temp:
        folder = Path(
            shutil.copytree(listing, Path(temp) / listing.name)
        )  # the page writes beside the photos
        run = "from pipelines.cli import main; main()"
        options = ["--guide", "verity", "--claim", "r1", "--no-browser"]
        command = [sys.executable, "-c", run, "review", str(folder), *options]
        server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=HERE.parent)
        try:
            assert server.stdout is not None
            address = next(m.group() for line in server.stdout if (m := re.search(r"http://\S+", line)))
            with window(*REVIEW) as tab:
                tab.set_default_timeout(_READ_MS)
                tab.goto(address)
                _set_right(tab)
                return _small_png(tab.screenshot(), REVIEW_SHOWN)
        finally:
            server.terminate()
            server.wait()


def _set_right(tab: Any) -> None:
    """Do as a person does who moves a corner of a sole's outline."""
    tab.locator("#now .headline").wait_for()
    tab.locator("#now progress").wait_for(state="detached")
    tab.get_by_role("button", name=re.compile("soles.jpg")).click()
    tab.get_by_role("tab", name="Photo").click()
    tab.get_by_role("button", name="Corners: Sole on the left").click()
    box = tab.locator("[data-corner='0']").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    tab.mouse.move(x, y)
    tab.mouse.down()
    tab.mouse.move(x + _DRAG[0], y + _DRAG[1], steps=4)
    tab.mouse.up()
    tab.locator("#now .moved", has_text="pointed out").wait_for()
    tab.locator("#now progress").wait_for(state="detached")
    tab.get_by_role("button", name="Whole photo").click()
    tab.locator(".reading").first.scroll_into_view_if_needed()
    tab.mouse.move(5, 5)
    tab.wait_for_timeout(500)  # what glides comes to rest


def _small_png(screenshot: bytes, size: tuple[int, int] | None = None) -> bytes:
    """Return a picture with 256 colors, small enough for a repository, reduced to a size."""
    shot = Image.open(io.BytesIO(screenshot)).convert("RGB")
    shot = shot if size is None else shot.resize(size, Image.Resampling.LANCZOS)
    stream = io.BytesIO()
    shot.quantize(256, dither=Image.Dither.NONE).save(stream, "PNG", optimize=True)
    return stream.getvalue()


def photographed(name: str, result: Path | None) -> bytes:
    """Return one picture as PNG, of an earlier result if there is one."""
    if name == "review":
        return photograph_review(HERE / "listings" / "reissue")
    shot = SHOTS[name]
    with tempfile.TemporaryDirectory() as temp:
        out = result or Path(temp) / "out"
        if result is None:
            shot.make(out)
        return photograph(out / shot.page, shot.height)


def main() -> None:
    """Make the pictures that are named."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    names = [*SHOTS, "review"]
    parser.add_argument("names", nargs="+", choices=names, metavar="NAME", help=", ".join(names))
    parser.add_argument("--from", dest="result", type=Path, help="an earlier result, not made anew")
    arguments = parser.parse_args()
    os.environ["SOURCE_DATE_EPOCH"] = _DATE
    for name in arguments.names:
        (HERE / f"{name}.png").write_bytes(photographed(name, arguments.result))
        print(f"sample_images/{name}.png")


if __name__ == "__main__":
    main()
