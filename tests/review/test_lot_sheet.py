"""The contact sheet of a lot in a browser without a network: sorted, filtered, by keyboard, on a phone."""

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import expect

from pipelines import lot
from tests.review.test_access import complaints

WIDTHS = {"desk": (1200, 900), "phone": (400, 800)}


@pytest.fixture(scope="module")
def sheet(tmp_path_factory):
    """Three dolls: one of which a hand found much, one with a broken photo, one with nothing."""
    place = tmp_path_factory.mktemp("lots")
    for number in range(3):
        folder = place / "estate" / f"doll_{number + 1}"
        folder.mkdir(parents=True)
        noise = np.random.default_rng(number).integers(0, 255, (60, 80, 3), np.uint8)
        Image.fromarray(noise).save(folder / "photo.png")
    hand = "torso_build = 'hollow'\nmark_text = { lines = ['VERITY', 'HARGROVE'] }\nfoot_holes = 'lined'\n"
    (place / "estate" / "doll_3" / "findings.toml").write_text(f"[findings]\n{hand}", encoding="utf-8")
    (place / "estate" / "doll_2" / "broken.jpg").write_bytes(b"\xff\xd8\xff cut")
    lot.run(place / "estate", guide="verity", out=place / "out")
    return place / "out" / "lot.html"


@pytest.fixture(params=WIDTHS)
def page(sheet, browser, request):
    width, height = WIDTHS[request.param]
    context = browser.new_context(viewport={"width": width, "height": height}, offline=True)
    opened = context.new_page()
    opened.asked = []
    opened.on("request", lambda asked: opened.asked.append(asked.url))
    opened.on("pageerror", lambda error: opened.asked.append(str(error)))
    opened.goto(sheet.as_uri())
    opened.phone = request.param == "phone"
    yield opened
    context.close()


def names(page):
    return page.locator(".doll:visible h2").all_inner_texts()


def test_it_sorts_and_filters_by_keyboard(page):
    tools = page.get_by_label("Sort and filter").get_by_label("Order")
    if page.phone:
        expect(tools).to_be_hidden()
        page.get_by_text("Sort and filter").focus()
        page.keyboard.press("Enter")
    ranked = names(page)
    assert sorted(ranked) == ["doll_1", "doll_2", "doll_3"]
    tools.focus()
    page.keyboard.press("n")  # Name
    assert names(page) == ["doll_1", "doll_2", "doll_3"]
    page.get_by_label("Order").select_option("sure")
    assert names(page)[0] == "doll_3"
    page.get_by_label("Contains").focus()
    page.keyboard.type("doll_1")
    assert names(page) == ["doll_1"]
    expect(page.get_by_role("status")).to_have_text("1 of 3 shown")
    page.keyboard.type(" nowhere")
    expect(page.get_by_text("No doll fits")).to_be_visible()
    page.get_by_role("button", name="Show all").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("status")).to_have_text("3 of 3 shown")
    assert names(page) == ranked
    page.get_by_label("trouble with photos").focus()
    page.keyboard.press("Space")
    assert names(page) == ["doll_2"]


def test_it_needs_no_network_fits_and_is_accessible(page, sheet):
    assert page.asked == [sheet.as_uri()]
    assert page.evaluate("document.documentElement.scrollWidth") <= page.evaluate("innerWidth")
    assert complaints(page) == []
