"""The page and the command line say the same: real photos, read by what users run."""

import json
import shutil
import subprocess
import sys

import pytest

from tests.review.conftest import ROOT

LISTING = ROOT / "sample_images" / "listings" / "early_untouched"


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "doll"
    place.mkdir()
    shutil.copy(LISTING / "soles.jpg", place)
    return place


def readings(document):
    """Return what was read, without the sentences that name how."""
    return [
        (r["trait"], r["part"], r["state"], round(r["confidence"], 3), r["region"])
        for photo in document["photos"]
        for r in photo["traits"]
    ]


def listing(folder, out):
    code = "from pipelines.cli import main; main()"
    command = [sys.executable, "-c", code, "listing", str(folder), "--guide", "verity", "--out", str(out)]
    subprocess.run([*command, "--quiet", "--json", str(out) + ".json"], check=True, cwd=ROOT)
    return json.loads((out.parent / f"{out.name}.json").read_text(encoding="utf-8"))


def test_a_correction_made_on_the_page_counts_on_the_command_line(start, folder, tmp_path):
    server = start(folder, claim="", real=True).enter()
    server.settled(240)
    photo = server.photo("soles.jpg")
    assert {p["name"] for p in photo["places"] if p["by"] == "program"} >= {"left_sole", "right_sole"}
    hole = next(r for r in photo["readings"] if r["key"] == "foot_holes/left_foot")["polygons"]
    status, _ = server.do({"do": "drop_place", "photo": photo["id"], "name": "right_sole", "absent": True})
    assert status == 200
    status, answer = server.do({"do": "place", "photo": photo["id"], "name": "left_hole", "polygons": hole})
    assert status == 200 and answer["state"]["changes"]["label"].startswith("Hole, left sole pointed out")
    assert server.do({"do": "finding", "name": "torso_build", "value": {"state": "solid"}})[0] == 200
    server.settled(240)
    assert server.request("POST", "/api/0/save", "{}")[0] == 200
    page = json.loads((folder / "report" / "traits.json").read_text(encoding="utf-8"))
    line = listing(folder, tmp_path / "out")
    assert readings(page) == readings(line)
    assert [r[:2] for r in readings(line)] == [("foot_holes", "left_foot"), ("feet_match", None)]
    assert readings(line)[1][2] is None, "one foot alone cannot be compared"
    assert page["hands_on"] == line["hands_on"] and page["releases"] == line["releases"]
    assert "Pointed out by a person: left hole." in line["photos"][0]["notes"]

    # And the other way round: a word written by hand is taken up by the open page.
    text = (folder / "findings.toml").read_text(encoding="utf-8").replace("solid", "hollow")
    (folder / "findings.toml").write_text(text, encoding="utf-8")
    status, answer = server.do({"do": "claim", "name": "r1"}, revision=server.state()["revision"])
    assert status == 409
    torso = next(i for i in answer["state"]["hands"]["items"] if i["trait"] == "torso_build")
    assert torso["value"]["state"] == "hollow"
