"""The pictures of results in the README, made anew from the sample listings.

``uv run python -m sample_images.screenshots lot report`` checks the listings and photographs what comes out
in Chromium (a package of the system); ``--from DIR`` photographs an earlier result instead.
"""

from __future__ import annotations

import argparse
import io
import os
import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

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


def photograph(page: Path, height: int) -> bytes:
    """Return the top of a page as PNG with 256 colors, small enough for a repository."""
    from playwright.sync_api import sync_playwright

    chromium = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if chromium is None:
        raise SystemExit("Install Chromium first (the package chromium).")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        tab = browser.new_page(viewport={"width": WIDTH, "height": height})
        tab.goto(page.resolve().as_uri())
        shot = Image.open(io.BytesIO(tab.screenshot())).convert("RGB")
        browser.close()
    stream = io.BytesIO()
    shot.quantize(256, dither=Image.Dither.NONE).save(stream, "PNG", optimize=True)
    return stream.getvalue()


def main() -> None:
    """Make the pictures that are named."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="+", choices=sorted(SHOTS), metavar="NAME", help=", ".join(SHOTS))
    parser.add_argument("--from", dest="result", type=Path, help="an earlier result, not made anew")
    arguments = parser.parse_args()
    os.environ["SOURCE_DATE_EPOCH"] = _DATE
    for name in arguments.names:
        shot = SHOTS[name]
        with tempfile.TemporaryDirectory() as temp:
            out = arguments.result or Path(temp) / "out"
            if arguments.result is None:
                shot.make(out)
            (HERE / f"{name}.png").write_bytes(photograph(out / shot.page, shot.height))
        print(f"sample_images/{name}.png")


if __name__ == "__main__":
    main()
