"""Everybody can use the page: an accessibility engine looks at every screen, at phone and desktop width."""

from pathlib import Path

import axe_playwright_python
import pytest
from playwright.sync_api import expect

from tests.review.conftest import picture
from tests.review.test_page import open_soles, wait_read

AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def complaints(page):
    """Return what the engine finds: rule, how bad, and where."""
    if not page.evaluate("() => 'axe' in window"):
        page.evaluate(AXE)
    found = page.evaluate("(tags) => axe.run(document, {runOnly: tags})", RULES)
    return [
        (rule["id"], rule["impact"], [node["target"] for node in rule["nodes"]][:4], rule["help"])
        for rule in found["violations"]
    ]


@pytest.mark.parametrize("look", ["light", "dark"])
@pytest.mark.parametrize("width", [1200, 400])
def test_every_screen_of_a_doll(start, tab, folder, width, look):
    (folder / "broken.jpg").write_bytes(b"\xff\xd8\xff no photo")
    server = start(folder)
    page = tab(server, width, 850, look)
    wait_read(page)
    found = {"verdict": complaints(page)}
    for name in ("Photo", "By hand", "Ask"):
        page.get_by_role("tab", name=name).click()
        found[name] = complaints(page)
    open_soles(page)
    page.get_by_role("button", name="Corners: Sole on the left").click()
    expect(page.locator("[data-corner]")).to_have_count(4)
    found["corners"] = complaints(page)
    page.keyboard.press("Shift+ArrowLeft")
    expect(page.locator("#now .moved")).to_be_visible()
    page.get_by_role("button", name="Done").click()
    page.get_by_role("button", name="Draw: Gray card").click()
    found["drawing"] = complaints(page)
    page.get_by_role("button", name="Done").click()
    page.get_by_role("button", name="Compare").click()
    expect(page.locator(".viewer")).to_have_count(2)
    found["compare"] = complaints(page)
    page.get_by_role("button", name="Compare").click()
    page.get_by_role("tab", name="Verdict").click()
    page.get_by_role("button", name="Save report").click()
    expect(page.locator(".toast")).to_be_visible()
    found["saved"] = complaints(page)
    page.get_by_role("button", name="broken.jpg").click()
    page.get_by_role("tab", name="Photo").click()
    found["error"] = complaints(page)
    assert {screen: bad for screen, bad in found.items() if bad} == {}


@pytest.mark.parametrize("width", [1200, 400])
def test_an_empty_page_and_a_lot(start, tab, tmp_path, width):
    empty = tmp_path / "empty"
    empty.mkdir()
    page = tab(start(empty), width, 850, "dark")
    expect(page.locator("#now")).to_contain_text("No photos yet")
    assert complaints(page) == []
    lot = tmp_path / "lot"
    for doll in ("one", "two"):
        (lot / doll).mkdir(parents=True)
        picture(lot / doll / "soles.jpg", 300, 200)
    page = tab(start(lot), width, 850, "light")
    expect(page.locator("#lot tbody tr")).to_have_count(2)
    assert complaints(page) == []


@pytest.mark.parametrize("width", [320, 400, 768, 1200])
def test_nothing_is_wider_than_the_page(start, tab, folder, width):
    page = tab(start(folder), width, 850)
    wait_read(page)
    for name in ("Verdict", "Photo", "By hand", "Ask"):
        page.get_by_role("tab", name=name).click()
        assert page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0, name
