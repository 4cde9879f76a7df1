"""The report says what the verdict says, needs nothing from outside, and survives hostile names and texts."""

from __future__ import annotations

import dataclasses
import re
from html.parser import HTMLParser

import numpy as np
import pytest
from PIL import Image

from pipelines import guide as guides
from pipelines import listing, report
from pipelines.examine import PhotoRecord
from tests.records import mark, said, silent
from vision.calibration import Calibration
from vision.locate.places import ViewPlace
from vision.traits import Reason, Region, TextLine, View

BOX = Region.box(20, 20, 40, 30)


class Outline(HTMLParser):
    """Collects tags, ids, links and headings, and checks that tags close."""

    VOID = frozenset({"meta", "img", "br", "link", "input", "hr"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.attributes: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag, attrs):
        self.attributes.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "doll"
    place.mkdir()
    noise = np.random.default_rng(0).integers(0, 255, (60, 80, 3), np.uint8)
    for name in ("face.jpg", "mark.jpg"):
        Image.fromarray(noise).save(place / name)
    return place


def conclude(folder, *records, claim="r1", name="doll", failed=()):
    photo = PhotoRecord(
        "face.jpg",
        sha256="ab" * 32,
        width_px=80,
        height_px=60,
        view=ViewPlace(View.FACE, 0.95),
        calibration=Calibration(method="eye_white", u_delta_e=4.0),
        traits=records,
    )
    photos = [photo, *failed]
    paths = [folder / p.file for p in photos]
    return listing.conclude(name, guides.load("verity"), claim, photos, paths=paths)


def text_of(result, tmp_path):
    out = tmp_path / "out"
    out.mkdir(exist_ok=True)
    return report.render(result, out).read_text(encoding="utf-8")


def test_tags_close_and_links_find_their_sections(folder, tmp_path):
    result = conclude(folder, said("eyeliner_color", "brown").replace(region=BOX), silent("lip_paint"))
    page = text_of(result, tmp_path)
    outline = Outline()
    outline.feed(page)
    assert outline.open == []
    ids = {a["id"] for _, a in outline.attributes if "id" in a}
    assert {a["href"][1:] for t, a in outline.attributes if t == "a" and a["href"].startswith("#")} <= ids
    assert all(a.get("alt") for t, a in outline.attributes if t == "img")


def test_nothing_is_fetched_from_outside(folder, tmp_path):
    page = text_of(conclude(folder, said("eyeliner_color", "brown").replace(region=BOX)), tmp_path)
    assert not re.search(r"""(?:src|href)=["'](?:https?:)?//""", page)
    assert "@import" not in page and "url(" not in page


def test_the_verdict_comes_before_everything_else(folder, tmp_path):
    result = conclude(folder, said("foot_holes", "open", 0.9, "left_foot"))
    page = text_of(result, tmp_path)
    assert page.index('id="verdict"') < page.index('id="releases"') < page.index('id="traits"')
    assert page.index('id="ask"') < page.index('id="cautions"')


@pytest.mark.parametrize(
    "evil", ["<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "{{ 7*7 }}", "&lt;b&gt;"]
)
def test_hostile_names_and_readings_stay_text(evil, folder, tmp_path):
    reading = mark("VERITY").replace(text=(TextLine(evil, 0.7, (), (evil,)),), detail=evil)
    failed = PhotoRecord.failed(evil, "truncated", f"{evil} ends too early.")
    page = text_of(conclude(folder, reading, name=evil, failed=(failed,)), tmp_path)
    assert "<script>alert" not in page
    assert "<img src=x" not in page
    outline = Outline()
    outline.feed(page)
    assert outline.open == []
    assert not any("onerror" in a for _, a in outline.attributes)


def test_withheld_traits_stand_with_their_reason_and_no_state(folder, tmp_path):
    detail = "The lips are hidden by glare. Ask for a photo without flash."
    record = silent("lip_paint", Reason.GLARE).replace(detail=detail)
    page = text_of(conclude(folder, record), tmp_path)
    unseen = page[page.index('id="unseen"') : page.index('id="ask"')]
    assert detail in unseen
    assert "hidden by glare" in unseen


def test_a_contradicted_claim_is_said_in_words_not_by_color_alone(folder, tmp_path):
    result = conclude(
        folder,
        said("foot_holes", "lined", 0.97, "left_foot"),
        said("foot_holes", "lined", 0.97, "right_foot"),
        said("eyeliner_color", "brown", 0.95),
        said("iris_color", "blue", 0.95),
        said("mark_symbol", "registered", 0.95),
    )
    assert result.verdict.claim is not None
    assert result.verdict.claim.state == "contradicted"
    page = text_of(result, tmp_path)
    verdict = page[page.index('id="verdict"') : page.index('id="releases"')]
    assert "✗" in verdict
    assert "contradict" in verdict.lower()


def test_what_a_hand_found_stands_in_the_guides_words(folder, tmp_path):
    result = conclude(folder, said("eyeliner_color", "brown"))
    found = dataclasses.replace(result, findings=(said("odor", "none", 0.75),))
    page = text_of(found, tmp_path)
    assert "Smell: no waxy smell" in page
    assert "Odor: none" not in page


def test_traits_that_are_withheld_for_one_reason_stand_in_one_row(folder, tmp_path):
    detail = "This face shows no painted eyes."
    records = [silent(t, Reason.NOT_A_DOLL).replace(detail=detail) for t in ("lip_paint", "iris_color")]
    page = text_of(conclude(folder, *records), tmp_path)
    assert page.count(detail) == 1
    assert "Iris paint; Lip paint" in page


def test_no_sentence_of_the_verdict_stands_twice_in_its_box(folder, tmp_path):
    feet = [said("foot_holes", "drilled", 0.9, part) for part in ("left_foot", "right_foot")]
    result = conclude(folder, *feet, said("eyeliner_color", "black"), said("iris_color", "unpainted"))
    assert result.verdict.alteration_flags
    page = report.page_of(result)["claim"]
    lines = [page["headline"], *page["story"], *page["reasons"]]
    assert len(lines) == len(set(lines))
    assert sum("no proof" in line for line in lines) == 1


def test_a_number_keeps_its_percent_sign_on_the_line(folder, tmp_path):
    page = text_of(conclude(folder, said("eyeliner_color", "brown", 0.92)), tmp_path)
    assert "confidence 92\u00a0%" in page


def test_without_a_claim_the_report_still_stands(folder, tmp_path):
    page = text_of(conclude(folder, said("eyeliner_color", "brown"), claim=None), tmp_path)
    assert "Offered as" not in page


def test_a_failed_photo_is_named_with_its_reason(folder, tmp_path):
    failed = PhotoRecord.failed(
        "broken.jpg", "truncated", "broken.jpg ends too early. Ask for the file again."
    )
    page = text_of(conclude(folder, said("eyeliner_color", "brown"), failed=(failed,)), tmp_path)
    assert "broken.jpg ends too early" in page
    assert "1 of 2 photos read" in page


def test_the_same_result_gives_the_same_bytes(folder, tmp_path, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "0")
    result = conclude(folder, said("eyeliner_color", "brown").replace(region=BOX))
    assert text_of(result, tmp_path) == text_of(result, tmp_path)
