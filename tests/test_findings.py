"""Hands-on findings: what a person writes becomes records, mistakes are named with their line."""

from pathlib import Path

import pytest

from pipelines.findings import METHOD, SURE, build_findings, load_findings
from pipelines.guide import load
from pipelines.tomlfile import parse
from vision.errors import InputFileError

GUIDE = load("verity")


def records(text):
    return build_findings(parse(text.encode(), "hands.toml"), GUIDE)


def one(line):
    (record,) = records(f"[findings]\n{line}")
    return record


def test_a_plain_state():
    record = one('torso_build = "solid"')
    assert (record.state, record.confidence, record.method) == ("solid", SURE["sure"], METHOD)


def test_how_sure_who_and_when_are_kept():
    record = records(
        'who = "A. Dealer"\nwhen = 2026-05-01\n[findings]\n'
        'odor = { state = "crayon", sure = "fairly", note = "faint" }'
    )[0]
    assert record.confidence == SURE["fairly"]
    assert "A. Dealer, 2026-05-01" in record.detail
    assert "faint" in record.detail


def test_a_weight_far_inside_a_range_is_as_sure_as_its_writer():
    record = one("weight_g = 318")
    assert record.state == "heavy"
    assert record.confidence == pytest.approx(SURE["sure"], abs=1e-3)
    assert record.quantities["weight_g"].unit == "g"


def test_a_weight_on_the_border_is_withheld():
    record = one("weight_g = 250")
    assert record.state is None
    assert record.candidates["heavy"] == pytest.approx(record.candidates["light"], abs=0.01)


def test_a_coarser_scale_is_less_sure():
    fine, coarse = (one(f"weight_g = {{ value = 260, u = {u} }}") for u in (3, 15))
    assert fine.confidence > coarse.confidence


def test_a_weight_outside_all_ranges_says_so():
    record = one("weight_g = 900")
    assert record.state is None
    assert "900 g lies in none" in record.detail


def test_mark_lines_by_eye():
    record = one('mark_text = { lines = ["VERITY TM", "PATENT APPLIED"] }')
    assert record.state == "present"
    assert [line.text for line in record.text] == ["VERITY TM", "PATENT APPLIED"]


def test_a_photo_trait_may_be_found_by_hand_too():
    assert one('foot_holes = { state = "open", part = "left_foot" }').part == "left_foot"


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('torso_built = "solid"', '"torso_build"'),
        ('torso_build = "sold"', '"solid"'),
        ('torso_build = { state = "solid", sure = "surely" }', '"sure"'),
        ('torso_build = { stat = "solid" }', '"state"'),
        ("torso_build = 3", "expected some text"),
        ("torso_build = {}", "expected some text"),
        ('weight_g = "heavy"', "expected a number"),
        ("weight_g = -3", "expected a number"),
        ("weight_g = inf", "expected a number"),
        ("weight_g = { value = 300, u = nan }", "expected a number"),
        ("weight_g = true", "expected a number"),
        ('odor = { lines = ["x"] }', "only mark_text has lines"),
        ("mark_text = { lines = [] }", "no lines"),
        ('mark_wording = "pending"', "unknown trait"),
        ('torso_build = { state = "solid", part = "left_foot" }', "unknown part"),
        ('torso_build = { state = "solid", when = 3 }', "expected a date"),
    ],
)
def test_a_mistake_is_named_with_its_line(line, says):
    with pytest.raises(InputFileError) as caught:
        records(f"# by hand\n\n[findings]\n{line}")
    assert str(caught.value).startswith("hands.toml, line 4 ")
    assert says in str(caught.value)


def test_a_file_without_findings_is_refused():
    with pytest.raises(InputFileError, match=r"Write it as \[findings\]"):
        records('who = "me"')


def test_a_missing_file_is_an_input_error(tmp_path):
    with pytest.raises(InputFileError, match="cannot read"):
        load_findings(tmp_path / "none.toml", GUIDE)


SAMPLES = sorted((Path(__file__).parent.parent / "sample_images" / "listings").glob("*/findings.toml"))


def test_each_sample_listing_has_findings():
    assert len(SAMPLES) >= 5


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.parent.name)
def test_the_sample_findings_fit_the_demo_guide(path):
    assert load_findings(path, GUIDE)
