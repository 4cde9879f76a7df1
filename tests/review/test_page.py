"""The page as a person uses it, in a browser, with a reader that is quick and knows the answers."""

import base64
import json
import re
import signal
import threading
import time
import tomllib

import pytest
from playwright.sync_api import expect

from pipelines import regions
from tests.review.conftest import picture

LEFT = "left_sole"
expect.set_options(timeout=20_000)


def wait_read(page):
    expect(page.locator("#now .headline")).to_be_visible()
    expect(page.locator("#now progress")).to_have_count(0)


def open_soles(page):
    page.get_by_role("button", name=re.compile("soles.jpg")).click()
    page.get_by_role("tab", name="Photo").click()
    expect(page.locator(".reading h4", has_text="Foot holes, left foot")).to_be_visible()


def percent(page, label):
    text = page.locator(".release", has_text=label).locator(".number").inner_text()
    return float(re.search(r"([\d.]+) %$", text).group(1))


def drop(page, files):
    """Let files go over the page, as a person does."""
    sent = [(p.name, base64.b64encode(p.read_bytes()).decode()) for p in files]
    transfer = page.evaluate_handle(
        """(files) => { const t = new DataTransfer();
        for (const [name, data] of files)
          t.items.add(new File([Uint8Array.from(atob(data), (c) => c.charCodeAt(0))], name));
        return t; }""",
        sent,
    )
    for kind in ("dragenter", "dragover", "drop"):
        page.dispatch_event("body", kind, {"dataTransfer": transfer})


def test_from_a_dropped_photo_to_a_report(start, tab, tmp_path):
    folder = tmp_path / "fresh"
    folder.mkdir()
    server = start(folder)
    page = tab(server)
    expect(page.locator("#now")).to_contain_text("No photos yet")
    drop(page, [picture(tmp_path / "soles.jpg"), picture(tmp_path / "face.jpg", seed=3)])
    expect(page.locator(".photo")).to_have_count(2)
    wait_read(page)
    open_soles(page)
    reading = page.locator(".reading", has_text="Foot holes, left foot")
    expect(reading).to_contain_text("molded open")
    expect(reading).to_contain_text("diameter 180")
    headline = page.locator("#now .headline").inner_text()

    # Drag a corner: the number and the verdict change.
    page.get_by_role("button", name="Corners: Sole on the left").click()
    corners = page.locator("[data-corner]")
    expect(corners).to_have_count(4)
    for at in (1, 2):
        box = page.locator(f"[data-corner='{at}']").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x - 150, y, steps=4)
        page.mouse.up()
    expect(reading).to_contain_text("no hole")
    expect(reading).not_to_contain_text("diameter 180")
    expect(page.locator("#now .headline")).not_to_have_text(headline)
    expect(page.locator("#now .moved")).to_contain_text("→")
    page.get_by_role("tab", name="Verdict").click()
    expect(page.locator(".change")).to_contain_text("molded open")
    expect(page.locator(".ghost").first).to_be_visible()
    said = tomllib.loads((folder / "regions.toml").read_text(encoding="utf-8"))
    assert len(said["soles.jpg"][LEFT]) == 4

    # Undo both, redo one, undo again.
    for _ in range(2):
        page.get_by_role("button", name="Undo: ").click()
    page.get_by_role("tab", name="Photo").click()
    expect(reading).to_contain_text("diameter 180")
    # The number may be back after the first of the two: wait for the second.
    expect(page.get_by_role("button", name="Undo", exact=True)).to_be_disabled()
    assert not (folder / "regions.toml").exists()
    for _ in range(2):
        page.get_by_role("button", name="Redo: ").click()
    expect(reading).not_to_contain_text("diameter 180")
    page.keyboard.press("Control+z")
    expect(reading).to_contain_text("diameter 180")

    # Tick what a hand found.
    page.get_by_role("tab", name="By hand").click()
    page.get_by_label("hollow and light").check()
    expect(page.locator("fieldset", has_text="Torso")).to_contain_text("kept")
    page.get_by_label("Note: Torso").fill("gives under a thumb")
    page.get_by_label("Note: Torso").press("Tab")
    page.get_by_label("Weight of the bare doll in g").fill("312")
    page.get_by_label("Weight of the bare doll in g").press("Tab")
    expect(page.locator("fieldset", has_text="Weight")).to_contain_text("kept")
    hands = tomllib.loads((folder / "findings.toml").read_text(encoding="utf-8"))["findings"]
    assert hands["torso_build"] == {"state": "hollow", "note": "gives under a thumb"}
    assert hands["weight_g"] == {"value": 312}

    # Save, close, come back.
    page.get_by_role("tab", name="Verdict").click()
    page.get_by_role("button", name="Save report").click()
    expect(page.locator(".page")).to_contain_text("Saved in fresh/report")
    for name in ("report.html", "traits.json", "seller-questions.txt"):
        assert (folder / "report" / name).is_file()
    told = json.loads((folder / "report" / "traits.json").read_text(encoding="utf-8"))
    assert {r["trait"] for r in told["hands_on"]} == {"torso_build", "weight_g"}
    with page.context.expect_page() as opened:
        page.get_by_role("link", name="Open the report").click()
    expect(opened.value.locator("h1")).to_have_text("fresh")
    server.end()
    again = start(folder, guide="", claim="")
    page = tab(again)
    wait_read(page)
    expect(page.get_by_label("Offered as")).to_have_value("r1")
    page.get_by_role("tab", name="By hand").click()
    expect(page.get_by_label("hollow and light")).to_be_checked()
    expect(page.get_by_role("button", name="Undo: By hand: weight")).to_be_enabled()
    assert all(url.startswith(("http://127.0.0.1:", "blob:", "data:")) for url in again.requests)


def test_everything_by_keyboard(start, tab, folder):
    page = tab(start(folder))
    wait_read(page)
    open_soles(page)
    before = page.locator(".percent").inner_text()
    page.locator(".glass").focus()
    page.keyboard.press("+")
    expect(page.locator(".percent")).not_to_have_text(before)
    page.keyboard.press("0")
    expect(page.locator(".percent")).to_have_text(before)
    page.get_by_role("button", name="Corners: Sole on the left").press("Enter")
    expect(page.locator("[data-key=corner0]")).to_be_focused()
    page.keyboard.press("Shift+ArrowLeft")
    expect(page.locator(".places li", has_text="Sole on the left")).to_contain_text("set by you")
    page.keyboard.press("Delete")
    expect(page.locator("[data-corner]")).to_have_count(3)
    page.keyboard.press("Escape")
    expect(page.locator("[data-corner]")).to_have_count(0)
    # A place that was not found is drawn corner by corner.
    page.get_by_role("button", name="Draw: Hole, left sole").press("Enter")
    for move in ("ArrowRight", "ArrowDown", "ArrowLeft"):
        page.keyboard.press(" ")
        for _ in range(6):
            page.keyboard.press(f"Shift+{move}")
    page.keyboard.press("Enter")
    expect(page.locator(".places li", has_text="Hole, left sole")).to_contain_text("set by you")
    said = regions.load(folder / "regions.toml")
    assert set(said.photos["soles.jpg"].places) == {LEFT, "left_hole"}
    page.get_by_role("tab", name="Photo").focus()
    page.keyboard.press("ArrowRight")
    expect(page.get_by_role("tab", name="By hand")).to_be_focused()


def test_a_box_drawn_by_mouse_a_view_named_and_a_place_taken_out(start, tab, folder):
    server = start(folder)
    page = tab(server)
    wait_read(page)
    open_soles(page)
    page.get_by_role("button", name="Draw: Gray card").click()
    box = page.locator(".glass").bounding_box()
    page.mouse.move(box["x"] + 200, box["y"] + 200)
    page.mouse.down()
    page.mouse.move(box["x"] + 300, box["y"] + 280, steps=5)
    page.mouse.up()
    expect(page.locator(".places li", has_text="Gray card")).to_contain_text("set by you")
    page.get_by_role("button", name="Done").click()
    page.get_by_role("button", name="Not there: Sole on the right").click()
    expect(page.locator(".reading", has_text="right foot")).to_have_count(0)
    page.get_by_label("What this photo shows").select_option("body")
    expect(page.locator(".photo", has_text="soles.jpg")).to_contain_text("Body")
    said = regions.load(folder / "regions.toml").photos["soles.jpg"]
    assert (said.view, said.absent, set(said.places)) == ("body", ("right_sole",), {"neutral"})
    page.get_by_role("button", name="Take out: Gray card").click()
    page.get_by_role("button", name="Leave to program: Sole on the right").click()
    page.get_by_label("What this photo shows").select_option("")
    expect(page.locator(".reading", has_text="right foot")).to_be_visible()
    assert not (folder / "regions.toml").exists()


def test_what_the_mark_says_is_kept_as_a_word_and_hostile_letters_do_nothing(start, tab, folder):
    (folder / "<b onclick=alert(1)>face.jpg").write_bytes((folder / "face.jpg").read_bytes() + b"\0")
    page = tab(start(folder))
    page.on("dialog", lambda dialog: pytest.fail("something in the photo's text ran"))
    wait_read(page)
    page.get_by_role("button", name=re.compile("^face.jpg")).click()
    page.get_by_role("tab", name="Photo").click()
    expect(page.locator(".mark")).to_contain_text("<img src=x onerror=alert(1)>")
    page.get_by_role("button", name="Type what it says").click()
    box = page.get_by_label("What it says, line by line")
    expect(box).to_be_focused()
    box.fill("VERITY TM\n<script>alert(1)</script>")
    box.press("Tab")
    expect(page.get_by_role("group", name="Molded mark")).to_contain_text("kept")
    hands = tomllib.loads((folder / "findings.toml").read_text(encoding="utf-8"))["findings"]
    assert hands["mark_text"]["lines"] == ["VERITY TM", "<script>alert(1)</script>"]
    page.get_by_role("tab", name="Verdict").click()
    expect(page.locator(".findings tr", has_text="Mold mark").first).to_contain_text("found by hand")


def test_two_tabs_do_not_overwrite_each_other(start, tab, folder):
    server = start(folder)
    first, second = tab(server), tab(server)
    for page in (first, second):
        wait_read(page)
        page.get_by_role("tab", name="By hand").click()
    # The second tab hears nothing for a while.
    second.route("**/state", lambda route: route.abort())
    first.get_by_label("hollow and light").check()
    expect(first.locator("fieldset", has_text="Torso")).to_contain_text("kept")
    second.get_by_label("soft, curly").check()
    expect(second.locator(".toast")).to_contain_text("another window")
    hands = tomllib.loads((folder / "findings.toml").read_text(encoding="utf-8"))["findings"]
    assert set(hands) == {"torso_build"}
    expect(second.get_by_label("hollow and light")).to_be_checked()
    second.get_by_role("button", name="Do it again").click()
    expect(first.get_by_label("soft, curly")).to_be_checked()
    hands = tomllib.loads((folder / "findings.toml").read_text(encoding="utf-8"))["findings"]
    assert set(hands) == {"torso_build", "fringe"}


def test_photos_that_fail_say_why_and_the_others_go_on(start, tab, folder, tmp_path):
    picture(folder / "hang.jpg", seed=5)
    picture(folder / "die.jpg", seed=6)
    (folder / "broken.jpg").write_bytes((folder / "face.jpg").read_bytes()[:2000])
    page = tab(start(folder, read_s=2))
    wait_read(page)
    for name, why in (("hang.jpg", "took too long"), ("die.jpg", "took too long"), ("broken.jpg", "cut off")):
        page.get_by_role("button", name=re.compile(name)).click()
        page.get_by_role("tab", name="Photo").click()
        expect(page.locator("#page .trouble")).to_contain_text(why)
    # What was put right meanwhile is read again when asked to.
    picture(tmp_path / "whole.jpg", seed=9).replace(folder / "broken.jpg")
    page.get_by_role("button", name=re.compile("broken.jpg")).click()
    expect(page.locator(".photo", has_text="broken.jpg")).to_contain_text("Soles")
    page.get_by_role("button", name=re.compile("die.jpg")).click()
    page.get_by_role("button", name="Read it again").click()
    expect(page.get_by_role("button", name="Read it again")).to_be_visible()
    expect(page.locator("#page .trouble")).to_contain_text("took too long")
    open_soles(page)
    # What is dropped and is no photo is refused, by name, and not kept.
    (tmp_path / "notes.jpg").write_text("no photo at all")
    drop(page, [tmp_path / "notes.jpg", picture(tmp_path / "more.jpg", seed=8)])
    expect(page.locator(".refused", has_text="notes.jpg")).to_contain_text("is not a photo")
    expect(page.locator(".photo", has_text="more.jpg")).to_be_visible()
    assert not (folder / "notes.jpg").exists()
    page.get_by_role("button", name="Dismiss notes.jpg").click()
    expect(page.locator(".refused")).to_have_count(0)


def test_two_photos_side_by_side_at_one_scale(start, tab, folder):
    page = tab(start(folder))
    wait_read(page)
    open_soles(page)
    page.get_by_role("button", name="Compare").click()
    shown = page.locator(".percent")
    expect(shown).to_have_count(2)
    page.locator(".glass").first.focus()
    page.keyboard.press("1")
    expect(shown.nth(0)).to_have_text("100 %")
    expect(shown.nth(1)).to_have_text("100 %")
    page.get_by_label("Relief").first.select_option("height_45")
    expect(page.get_by_label("Relief").first).to_have_value("height_45")
    with page.expect_response(re.compile("/relief/contrast")) as answer:
        page.get_by_label("Relief").nth(1).select_option("contrast")
    assert answer.value.ok
    page.get_by_role("button", name="Compare").click()
    expect(shown).to_have_count(1)


def test_a_photo_of_24_megapixels_moves_smoothly(start, tab, tmp_path):
    folder = tmp_path / "large"
    folder.mkdir()
    picture(folder / "soles.jpg", 6000, 4000)
    page = tab(start(folder))
    wait_read(page)
    page.locator(".glass").hover()
    with page.expect_response(re.compile("/tile/")) as tile:
        for _ in range(8):
            page.mouse.wheel(0, -400)
    assert tile.value.ok
    # Frames while it is dragged about: a long one is felt as a jerk.
    frames = page.evaluate(
        """async () => { const glass = document.querySelector('.glass'), box = glass.getBoundingClientRect();
        const times = []; let last = performance.now();
        const send = (type, x, y) => glass.dispatchEvent(new PointerEvent(type,
          {pointerId: 1, clientX: box.x + x, clientY: box.y + y, button: 0, bubbles: true}));
        glass.setPointerCapture = () => {}; send('pointerdown', 300, 300);
        for (let i = 0; i < 40; i++) { send('pointermove', 300 + 5 * i, 300 - 3 * i);
          await new Promise(requestAnimationFrame);
          const now = performance.now(); times.push(now - last); last = now; }
        send('pointerup', 0, 0); return times; }"""
    )
    assert sorted(frames)[len(frames) // 2] < 60


def test_sixty_photos(start, tab, tmp_path):
    folder = tmp_path / "many"
    folder.mkdir()
    for number in range(60):
        picture(folder / f"IMG_{number}.jpg", 300, 200, seed=number)
    page = tab(start(folder))
    expect(page.locator(".photo")).to_have_count(60)
    expect(page.locator("#now progress")).to_have_count(0, timeout=120_000)
    expect(page.locator(".photo .status", has_text="Soles")).to_have_count(60)


def test_a_lot_has_a_table_and_each_row_opens_its_doll(start, tab, tmp_path):
    lot = tmp_path / "lot of two"
    for doll in ("doll 1", "doll 2"):
        (lot / doll).mkdir(parents=True)
        picture(lot / doll / "soles.jpg")
    server = start(lot)
    page = tab(server)
    expect(page.locator("#lot tbody tr")).to_have_count(2)
    expect(page.locator("#lot")).to_contain_text("All 2 photos read", timeout=60_000)
    page.get_by_role("link", name="doll 2").click()
    expect(page.locator("#name")).to_have_text("doll 2")
    page.get_by_role("tab", name="By hand").click()
    page.get_by_label("hollow and light").check()
    expect(page.locator("fieldset", has_text="Torso")).to_contain_text("kept")
    assert (lot / "doll 2" / "findings.toml").is_file()
    assert not (lot / "doll 1" / "findings.toml").exists()
    page.locator("#home").click()
    expect(page.locator("#lot tbody tr")).to_have_count(2)


def test_the_folder_vanishes_and_comes_back(start, tab, folder):
    page = tab(start(folder))
    wait_read(page)
    away = folder.with_name("away")
    folder.rename(away)
    expect(page.locator("#banner")).to_contain_text("not there any more")
    away.rename(folder)
    expect(page.locator("#banner")).to_be_hidden()


def test_a_broken_findings_file_is_said_and_left_alone(start, tab, folder):
    text = '[findings]\ntorso_build = "solidd"\n'
    (folder / "findings.toml").write_text(text, encoding="utf-8")
    page = tab(start(folder))
    wait_read(page)
    expect(page.locator("#banner")).to_contain_text("findings.toml, line 2")
    page.get_by_role("tab", name="By hand").click()
    page.get_by_label("soft, curly").click()  # check() would try again: what is refused does not stay checked
    expect(page.locator(".toast")).to_contain_text("findings.toml, line 2")
    assert (folder / "findings.toml").read_text(encoding="utf-8") == text
    # Mended with an editor, it counts at once.
    (folder / "findings.toml").write_text('# mine\n[findings]\ntorso_build = "solid"\n', encoding="utf-8")
    expect(page.locator("#banner")).to_be_hidden()
    expect(page.get_by_label("solid and heavy")).to_be_checked()
    page.get_by_label("soft, curly").check()
    expect(page.locator("fieldset", has_text="Fringe")).to_contain_text("kept")
    assert (folder / "findings.toml").read_text(encoding="utf-8").startswith("# mine\n")


def test_killed_in_the_middle_of_a_save(start, tab, folder):
    server = start(folder).enter()
    server.settled()
    names = ("torso_build", "fringe")
    for moment in range(6):
        body = {
            "do": "finding",
            "name": names[moment % 2],
            "value": {"state": ("hollow", "soft")[moment % 2]},
        }
        assert server.do(body)[0] == 200
        before = tomllib.loads((folder / "findings.toml").read_text(encoding="utf-8"))
        note = {"do": "finding", "name": "fringe", "value": {"state": "firm", "note": "x" * 300}}
        sender = threading.Thread(target=_try, args=(server, note))
        sender.start()
        time.sleep(0.004 * moment)
        server.process.send_signal(signal.SIGKILL)
        sender.join()
        server.process.wait()
        after = tomllib.loads((folder / "findings.toml").read_text(encoding="utf-8"))
        assert after == before or after["findings"]["fringe"]["state"] == "firm"
        server = start(folder).enter()
        server.settled()
    assert server.do({"do": "finding", "name": "fringe", "value": {"state": "soft"}})[0] == 200
    assert not [p.name for p in folder.iterdir() if "rakelight-tmp" in p.name]


def _try(server, action):
    try:
        server.do(action)
    except (OSError, ValueError):
        return
