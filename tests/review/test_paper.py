"""What a person said, written into the files without losing what else stands there."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines import guide, regions
from pipelines.review import paper
from pipelines.review.history import History, Step
from pipelines.review.paper import Paper
from pipelines.review.shown import simplified
from vision.errors import InputFileError

VERITY = guide.load("verity")
SQUARE = [[(1, 2), (30, 2), (30, 40), (1, 40)]]


def test_comments_and_other_findings_stay():
    text = '# found on Sunday\nwho = "me"  # my name\n\n[findings]\n# pressed\ntorso_build = "solid"\n'
    said = paper.with_finding(Paper(text), "fringe", {"state": "soft", "note": 'a "b"\nc'}, VERITY)
    assert said.findings.startswith(text)
    assert tomllib.loads(said.findings)["findings"]["fringe"] == {"state": "soft", "note": 'a "b"\nc'}
    assert paper.with_finding(said, "fringe", None, VERITY).findings.strip() == text.strip()


def test_a_finding_that_breaks_a_rule_is_refused_with_its_line():
    with pytest.raises(InputFileError, match=r"findings\.toml, line \d"):
        paper.with_finding(Paper(), "torso_build", {"state": "wooden"}, VERITY)


def test_a_broken_file_is_not_changed():
    with pytest.raises(InputFileError):
        paper.with_finding(Paper("[findings\n"), "fringe", {"state": "soft"}, VERITY)
    with pytest.raises(InputFileError):
        paper.with_view(Paper(None, '["a.jpg"]\nlips = 3\n'), "a.jpg", "face")


def test_a_place_and_its_absence_exclude_each_other():
    said = paper.without_place(Paper(), "a.jpg", "lips", absent=True)
    assert regions.loads(said.regions.encode()).photos["a.jpg"].absent == ("lips",)
    said = paper.with_place(said, "a.jpg", "lips", SQUARE)
    found = regions.loads(said.regions.encode()).photos["a.jpg"]
    assert found.absent == () and found.places["lips"].bounds == (1, 2, 30, 40)
    assert paper.without_place(said, "a.jpg", "lips", absent=False).regions is None


def test_a_finding_of_another_guide_stays_and_is_said():
    text = '[findings]\nweight_g = 300\nfringe = "soft"\n'
    records, remarks = paper.found_by_hand(Paper(text), guide.load("early-vinyl"))
    assert [r.trait for r in records] == ["fringe"]
    assert "weight_g" in remarks[0]


@given(name=st.text(min_size=1, max_size=40).filter(lambda n: "/" not in n and n not in (".", "..")))
def test_any_file_name_can_be_spoken_of(name):
    try:
        said = paper.with_place(Paper(), name, "mark", SQUARE)
    except InputFileError:
        return  # said instead of written wrong
    assert set(regions.loads(said.regions.encode()).photos) == {name}


@given(note=st.text(max_size=80))
def test_any_note_comes_back_as_it_was(note):
    try:
        said = paper.with_finding(Paper(), "fringe", {"state": "soft", "note": note}, VERITY)
    except InputFileError:
        return
    kept = tomllib.loads(said.findings)["findings"]["fringe"]
    assert kept.get("note", "") == note


def test_steps_can_be_taken_back_and_done_again(tmp_path):
    history = History()
    for label in ("Opened", "one", "two"):
        history.add(Step(label, Paper(label, None), "verity", None))
    history.move(-1)
    assert (history.undoable, history.redoable) == ("one", "two")
    history.save(tmp_path)
    kept = History.load(tmp_path)
    assert (kept.now, kept.undoable, kept.redoable, kept.revision) == (history.now, "one", "two", 4)
    kept.add(Step("other", Paper(), "verity", "r1"))
    assert kept.redoable == "" and kept.undoable == "other"


@pytest.mark.parametrize(
    "text", ["", "{", '{"at": 5, "revision": 1, "steps": []}', '{"at": 0, "steps": [{}]}']
)
def test_a_damaged_history_is_none(tmp_path, text):
    place = tmp_path / ".rakelight-review"
    place.mkdir()
    (place / "history.json").write_text(text, encoding="utf-8")
    assert History.load(tmp_path).steps == []


def test_outlines_keep_their_shape_with_fewer_corners():
    circle = tuple((100 + 50 * (i % 20 - 10) / 10, float(i)) for i in range(40))
    assert len(simplified(circle, 12)) == 12
    square = ((0.0, 0.0), (5.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0))
    assert set(simplified(square, 4)) == {(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (0.0, 10.0)}
