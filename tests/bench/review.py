"""How quick and how light the review page is: ``uv run python -m tests.bench.review``.

Starts the page as a user does, drops a photo of 12 megapixels into it in a real browser, moves a corner of
the lips a number of times, and prints what a person waits for, beside how busy the machine was. Needs
Chromium.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

ROOT = Path(__file__).resolve().parents[2]
#: Targets: seconds to the first reading, seconds to a reading again, bytes of the page without photos.
FIRST_S, AGAIN_S, WEIGHT = 2.0, 0.3, 500_000
FACE = ROOT / "sample_images" / "listings" / "early_untouched" / "face.jpg"


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """Start the page as its command does; gives the address."""
    code = "from pipelines.cli import main; main()"
    command = [sys.executable, "-c", code, "review", str(folder), "--guide", "verity", "--no-browser"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT)
    try:
        assert process.stdout is not None
        found = re.search(r"http://\S+", process.stdout.readline())
        assert found is not None, "the page did not start"
        yield found.group(0)
    finally:
        process.terminate()
        process.wait(10)


def enlarged(path: Path, width: int, height: int) -> Path:
    """Write the sample face as a photo of this size."""
    from PIL import Image

    with Image.open(FACE) as photo:
        photo.convert("RGB").resize((width, height), Image.Resampling.LANCZOS).save(path, quality=92)
    return path


def first_reading(page: Any, photo: Path) -> float:
    """Add a photo and return the seconds until its first reading is on the screen."""
    page.get_by_role("tab", name="Photo").click()
    start = time.perf_counter()
    page.locator("input[type=file]").first.set_input_files(photo)
    page.locator(".reading").first.wait_for()
    return time.perf_counter() - start


def again(page: Any, times: int) -> list[float]:
    """Move a corner of the lips; returns the seconds from letting go to the new reading on the screen."""
    page.get_by_role("button", name="Corners: Lips").click()
    page.locator("[data-corner='0']").wait_for()
    time.sleep(0.5)
    seconds = []
    for number in range(times):
        box = page.locator("[data-corner='0']").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x, y + (6 if number % 2 else -6), steps=2)
        start = time.perf_counter()
        with page.expect_response(re.compile("/do$")) as answer:
            page.mouse.up()
        answer.value.finished()
        page.locator("body:not(.busy)").wait_for()
        seconds.append(time.perf_counter() - start)
        time.sleep(1.0)
    return seconds


def measure(times: int) -> dict[str, Any]:
    """Return all figures."""
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    assert chromium, "install Chromium first"
    weight: dict[str, int] = {}
    outside: list[str] = []
    with tempfile.TemporaryDirectory() as temp, sync_playwright() as playwright:
        folder = Path(temp) / "doll"
        folder.mkdir()
        photo = enlarged(Path(temp) / "face.jpg", 3000, 4000)
        with served(folder) as address:
            browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": 1200, "height": 800})
            page.set_default_timeout(120_000)

            def seen(response: Any) -> None:
                parts = urlsplit(response.url)
                if parts.netloc != urlsplit(address).netloc and parts.scheme not in ("blob", "data"):
                    outside.append(response.url)
                if parts.path == "/" or parts.path.startswith("/static/"):
                    weight[parts.path] = len(response.body())

            page.on("response", seen)
            page.goto(address)
            page.get_by_text("No photos yet").wait_for()
            time.sleep(8)  # a person takes longer to find the photo
            first = first_reading(page, photo)
            page.locator("#now progress").wait_for(state="detached")
            time.sleep(3)
            moved = again(page, times)
            browser.close()
    return {"first": first, "again": moved, "weight": sum(weight.values()), "outside": outside}


def main() -> None:
    """Print the figures beside their targets."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=11, help="how often a corner is moved")
    figures = measure(parser.parse_args().times)
    median = statistics.median(figures["again"])
    print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    print(
        f"first reading of a 12 MP photo after it is dropped: {figures['first']:.2f} s (target {FIRST_S} s)"
    )
    print(
        f"corrected region read again, {len(figures['again'])} times: median {median:.2f} s, "
        f"slowest {max(figures['again']):.2f} s (target {AGAIN_S} s)"
    )
    print(f"page without photos: {figures['weight'] / 1000:.0f} kB (target {WEIGHT / 1000:.0f} kB)")
    print(f"requests to elsewhere: {len(figures['outside'])} (target 0)")


if __name__ == "__main__":
    main()
