"""The listing job: wrong calls refused before any work, results whole, bad photos cost only themselves."""

import json

import numpy as np
import pytest
from PIL import Image

from pipelines import listing, pictures, report
from pipelines.examine import PhotoRecord
from pipelines.pictures import Seen
from tests.records import said
from vision.errors import InputFileError, NoPhotoError, OutputError, UsageError
from vision.locate.places import ViewPlace
from vision.traits import Region, View

FACE = PhotoRecord(
    "face.jpg",
    sha256="1",
    width_px=80,
    height_px=60,
    view=ViewPlace(View.FACE, 0.95),
    traits=(
        said("eyeliner_color", "black"),
        said("iris_color", "unpainted").replace(region=Region.box(20, 20, 40, 30)),
    ),
)
SOLES = PhotoRecord(
    "soles.jpg",
    sha256="2",
    width_px=80,
    height_px=60,
    view=ViewPlace(View.SOLES, 0.9),
    traits=(said("foot_holes", "open", 0.9, "left_foot"), said("foot_holes", "open", 0.9, "right_foot")),
)
BAD = PhotoRecord.failed("broken.jpg", "truncated", "broken.jpg ends too early. Ask for the file again.")


@pytest.fixture
def folder(tmp_path):
    """A folder with two readable photos."""
    place = tmp_path / "doll 7"
    place.mkdir()
    noise = np.random.default_rng(0).integers(0, 255, (60, 80, 3), np.uint8)
    for name in ("face.jpg", "soles.jpg"):
        Image.fromarray(noise).save(place / name)
    return place


@pytest.fixture
def examined(monkeypatch):
    """Stand in for the photos' examination and for the report; returns what to find in the photos."""
    found = {record.file: record for record in (FACE, SOLES, BAD)}

    def see_files(paths, request=None, jobs=1, progress=None):
        return [Seen(found[path.name]) for path in paths]

    def render(result, out):
        (out / "report.html").write_text(result.verdict.headline, encoding="utf-8")

    monkeypatch.setattr(pictures, "see_files", see_files)
    monkeypatch.setattr(report, "render", render, raising=False)
    return found


def run(folder, out, claim=None, guide="verity", findings=None):
    return listing.run(folder, guide=guide, claim=claim, findings=findings, out=out)


def test_all_outputs_are_there_and_agree(folder, examined, tmp_path):
    out = tmp_path / "out"
    result = run(folder, out, claim="r1")
    assert {p.name for p in out.iterdir()} >= {
        "report.html",
        "traits.json",
        "evidence",
        "seller-questions.txt",
    }
    written = json.loads((out / "traits.json").read_text(encoding="utf-8"))
    assert written == json.loads(json.dumps(result.to_json()))
    assert (out / "seller-questions.txt").read_text(encoding="utf-8") == result.seller_text
    assert [p.name for p in (out / "evidence").glob("*.png")] == ["face_jpg-iris_color.png"]


def test_the_json_extends_the_contract_of_measure(folder, examined, tmp_path):
    document = run(folder, tmp_path / "out", claim="r1").to_json()
    assert document["schema"] == "rakelight.traits/1"
    assert [photo["file"] for photo in document["photos"]] == ["face.jpg", "soles.jpg"]
    assert document["claim"]["state"] in {"consistent", "contradicted", "open"}
    assert {"releases", "alteration_flags", "photos_to_request", "cautions"} <= set(document)
    assert {"id", "label", "posterior", "log10_likelihood_ratio", "support"} <= set(document["releases"][0])
    assert str(tmp_path) not in json.dumps(document)
    assert document["summary"][0] == document["headline"]


def test_the_story_of_a_first_release(folder, examined, tmp_path):
    result = run(folder, tmp_path / "out", claim="r1")
    assert result.verdict.releases[0].id == "r1"
    assert result.verdict.claim.state == "consistent"
    assert {"no_proof", "feet", "no_treatment"} <= {caution.id for caution in result.cautions}


def test_findings_count(folder, examined, tmp_path):
    hands = tmp_path / "hands.toml"
    hands.write_text('[findings]\ntorso_build = "hollow"\nfringe = "single_curl"\n', encoding="utf-8")
    with_hands = run(folder, tmp_path / "a", findings=hands).verdict.release("reissue").posterior
    assert with_hands > run(folder, tmp_path / "b").verdict.release("reissue").posterior


def test_a_corrupt_photo_is_named_and_costs_nothing_else(folder, examined, tmp_path):
    clean = run(folder, tmp_path / "clean").to_json()
    (folder / "broken.jpg").write_bytes(b"\xff\xd8\xff\xe0 cut")
    mixed = run(folder, tmp_path / "mixed").to_json()
    errors = [photo for photo in mixed["photos"] if photo["status"] == "error"]
    assert [e["file"] for e in errors] == ["broken.jpg"]
    assert "ends too early" in errors[0]["error"]["message"]
    assert mixed["releases"] == clean["releases"]


def test_a_photo_of_no_doll_leaves_the_prior(folder, examined, tmp_path):
    for name in ("face.jpg", "soles.jpg"):
        examined[name] = PhotoRecord(name, sha256=name, view=ViewPlace(View.OTHER, 0.9))
    result = run(folder, tmp_path / "out", claim="r1")
    assert result.verdict.cannot_tell
    assert result.verdict.claim.state == "open"
    assert all(r.posterior == pytest.approx(r.prior) for r in result.verdict.releases)
    assert "face.jpg shows nothing that is measured here." in result.dossier.notes
    assert result.requests, "there is all the more to ask for"


def test_an_empty_folder(tmp_path, examined):
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(NoPhotoError, match="No photo found"):
        run(empty, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_no_readable_photo_names_each_reason_and_writes_nothing(folder, examined, tmp_path):
    examined.update(
        {name: PhotoRecord.failed(name, "damaged", f"{name} is damaged.") for name in list(examined)}
    )
    with pytest.raises(NoPhotoError, match=r"None of the 2 files in doll 7[\s\S]*face\.jpg is damaged"):
        run(folder, tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("arguments", "error", "says"),
    [
        ({"claim": "r9"}, UsageError, r"Valid: r1 \(Verity, first release\), r2"),
        ({"claim": "Reissue"}, UsageError, 'Did you mean "reissue"'),
        ({"claim": "none"}, UsageError, "no release"),
        ({"guide": "verty"}, InputFileError, 'Did you mean "verity"'),
    ],
)
def test_wrong_calls_are_refused_before_any_photo_is_read(
    folder, monkeypatch, tmp_path, arguments, error, says
):
    monkeypatch.setattr(pictures, "see_files", lambda *_, **__: pytest.fail("a photo was read"))
    with pytest.raises(error, match=says):
        run(folder, tmp_path / "out", **arguments)
    assert not (tmp_path / "out").exists()


def test_a_broken_findings_file_is_refused_before_any_photo_is_read(folder, monkeypatch, tmp_path):
    monkeypatch.setattr(pictures, "see_files", lambda *_, **__: pytest.fail("a photo was read"))
    hands = tmp_path / "hands.toml"
    hands.write_text('[findings]\ntorso_build = "solidd"\n', encoding="utf-8")
    with pytest.raises(InputFileError, match="line 2"):
        run(folder, tmp_path / "out", findings=hands)


def test_files_of_others_are_not_replaced(folder, examined, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "letter.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError):
        run(folder, out)
    assert [p.name for p in out.iterdir()] == ["letter.txt"]


def test_a_failing_report_leaves_the_earlier_result_whole(folder, examined, tmp_path, monkeypatch):
    out = tmp_path / "out"
    run(folder, out, claim="r1")
    before = {p.name: p.read_bytes() for p in out.iterdir() if p.is_file()}

    def fail(*_):
        raise OutputError("disk full")

    monkeypatch.setattr(report, "render", fail, raising=False)
    with pytest.raises(OutputError):
        run(folder, out, claim="r2")
    assert {p.name: p.read_bytes() for p in out.iterdir() if p.is_file()} == before
    assert {p.name for p in tmp_path.iterdir()} == {"doll 7", "out"}


def test_the_same_photos_give_the_same_bytes(folder, examined, tmp_path):
    texts = []
    for name in ("a", "b"):
        run(folder, tmp_path / name, claim="r1")
        texts.append((tmp_path / name / "traits.json").read_bytes())
    assert texts[0] == texts[1]


def test_real_photos_of_no_doll_end_in_cannot_tell(folder, tmp_path, monkeypatch):
    monkeypatch.setattr(report, "render", lambda result, out: None, raising=False)
    result = run(folder, tmp_path / "out", claim="r1")
    assert [photo.status for photo in result.photos] == ["ok", "ok"]
    assert result.verdict.cannot_tell
    assert result.verdict.claim.state == "open"


def test_what_lies_with_the_photos_counts(folder, examined, tmp_path):
    without = run(folder, tmp_path / "a").verdict.release("reissue").posterior
    (folder / "findings.toml").write_text(
        '[findings]\nfringe = "single_curl"\nunheard_of = "x"\n', encoding="utf-8"
    )
    result = run(folder, tmp_path / "b")
    assert result.verdict.release("reissue").posterior > without
    assert any("unheard_of" in note for note in result.dossier.notes)


def test_a_broken_regions_file_beside_the_photos_is_refused(folder, examined, tmp_path):
    (folder / "regions.toml").write_text("[face.jpg]\nlips = 3\n", encoding="utf-8")
    with pytest.raises(InputFileError, match=r"regions\.toml"):
        run(folder, tmp_path / "b")
