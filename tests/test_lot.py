"""The lot job: dolls told apart, ranked and written; bad photos named; the same bytes however it is run."""

import csv
import dataclasses
import functools
import io
import json
import pickle
import re

import cv2
import numpy as np
import pytest
from PIL import Image

from pipelines import (
    batch,
    cache,
    files,
    grouping,
    listing,
    lot,
    lot_table,
    lot_work,
    pictures,
    report,
    triage,
)
from pipelines import guide as guides
from pipelines.dossier import HANDS_ON, Dossier, Reading, build_dossier, merge
from pipelines.examine import PhotoRecord
from pipelines.pictures import Seen
from pipelines.requests import trait_gains
from pipelines.story import ALTERATION_FIRST
from pipelines.triage import worth_of_looking
from pipelines.verdict import weigh
from pipelines.weighing import Model, evidence_of
from tests.records import mark, photo, said, silent
from tests.test_likeness import stand
from tests.test_report import Outline
from vision import likeness
from vision.calibration import Calibration
from vision.draw import encode_jpeg
from vision.errors import InputFileError, NoPhotoError, OutputError, PhotoError
from vision.locate.places import ViewPlace
from vision.photo import load
from vision.traits import Quantity, Reason, Region, TextLine, TraitRecord, View

BOX = Region.box(20, 20, 40, 30)
FIRST = (said("eyeliner_color", "black"), said("iris_color", "unpainted").replace(region=BOX))
LATER = (said("eyeliner_color", "blue"), said("iris_color", "blue"), said("lip_paint", "rubbed", 0.8))
OPEN = (said("foot_holes", "open", 0.9, "left_foot"), said("foot_holes", "open", 0.9, "right_foot"))


def save(path, seed=0):
    path.parent.mkdir(parents=True, exist_ok=True)
    noise = np.random.default_rng(seed).integers(0, 255, (60, 80, 3), np.uint8)
    Image.fromarray(noise).save(path)


class Eyes:
    """Stands in for looking at photos: what each shows, by its name in the lot, and what was looked at."""

    def __init__(self):
        self.shows = {}
        self.looked = []
        self.drawn = []
        self.told = {}
        self.stop_after = None

    def show(self, name, view, *traits, **rest):
        self.shows[name] = (view, traits, rest)

    def see(self, sight):
        if self.stop_after is not None and len(self.looked) >= self.stop_after:
            raise KeyboardInterrupt
        try:
            photo = load(files.read_bytes(sight.path, sight.name), sight.name)
        except PhotoError as error:
            return Seen(PhotoRecord.failed(sight.name, error.reason, str(error)))
        if sight.known is None:
            self.looked.append(sight.name)
            self.told[sight.name] = sight.request.regions.of(sight.path.name)
        else:
            self.drawn.append(sight.name)
        record = sight.known or cache.settled(self.look(photo.sha256, sight.name))
        return Seen(record, pictures.draw(photo, record), likeness.fingerprint(photo))

    def look(self, sha256, name):
        view, traits, rest = self.shows.get(name, (View.OTHER, (), {}))
        return PhotoRecord(
            name,
            sha256=sha256,
            width_px=80,
            height_px=60,
            view=ViewPlace(view, 0.95, {str(view): 0.95}),
            calibration=Calibration(method="eye_white", u_delta_e=4.0),
            traits=traits,
            **rest,
        )


@functools.cache
def _look(packed):
    dossier, guide = pickle.loads(packed)
    return worth_of_looking(dossier, Model(guide))


def known_look(dossier, model):
    """Reckon what a look is worth once for equal dolls: most of a small lot's time goes into it."""
    return _look(pickle.dumps((dossier, model.guide)))


@pytest.fixture
def eyes(monkeypatch):
    monkeypatch.setattr(lot_work, "worth_of_looking", known_look)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    found = Eyes()
    monkeypatch.setattr(pictures, "SEE", dataclasses.replace(pictures.SEE, do=found.see))
    monkeypatch.setattr(cache, "code_version", lambda options="", results=False: "code")
    return found


@pytest.fixture
def folder(tmp_path, eyes):
    """Two dolls in subfolders, two loose photos of a third, and one by itself."""
    place = tmp_path / "estate sale"
    names = ("doll_1/face.jpg", "doll_1/soles.jpg", "doll_2/face.jpg", "doll_07_face.jpg", "doll_07-2.jpg")
    for seed, name in enumerate((*names, "IMG_0012.jpg")):
        save(place / name, seed)
    eyes.show("doll_1/face.jpg", View.FACE, *FIRST)
    eyes.show("doll_1/soles.jpg", View.SOLES, *OPEN)
    eyes.show("doll_2/face.jpg", View.FACE, *LATER)
    eyes.show("doll_07_face.jpg", View.FACE, *FIRST, said("lip_paint", "full"))
    return place


def run(folder, out, **rest):
    return lot.run(folder, guide="verity", out=out, **rest)


def rows(out):
    text = (out / "lot.csv").read_bytes().decode("utf-8-sig")
    return {row["doll"]: row for row in csv.DictReader(io.StringIO(text, newline=""))}


def contents(out):
    return {p.relative_to(out).as_posix(): p.read_bytes() for p in out.rglob("*") if p.is_file()}


# -- which photos belong together ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "doll"),
    [
        ("doll_07_face", "doll_07"),
        ("doll_07-2", "doll_07"),
        ("doll_07_face_2", "doll_07"),
        ("doll_07 (2)", "doll_07"),
        ("doll 07 close up", "doll 07"),
        ("A1234-2", "A1234"),
        ("anna_soles", "anna"),
        ("lot 3 doll 4 back", "lot 3 doll 4"),
        # A number is all there is to tell these apart.
        ("doll_2", "doll_2"),
        ("anna-2", "anna-2"),
        ("doll (2)", "doll (2)"),
        ("box_3_1", "box_3_1"),
        ("verity_1960_2", "verity_1960_2"),
        # What a camera calls them.
        ("IMG_0012", "IMG_0012"),
        ("IMG_0012-2", "IMG_0012-2"),
        ("IMG_20230512_141233", "IMG_20230512_141233"),
        ("IMG-20230512-WA0012", "IMG-20230512-WA0012"),
        ("2023-05-12_14.12.33", "2023-05-12_14.12.33"),
        ("Screenshot 2023-05-12 at 14.12.33", "Screenshot 2023-05-12 at 14.12.33"),
        # Nothing but what is shown.
        ("face_2", "face_2"),
        ("face", "face"),
    ],
)
def test_what_a_name_says_of_the_doll(name, doll):
    assert grouping.shared_name(name) == doll


def test_no_camera_number_joins_photos(tmp_path):
    for n in range(12):
        (tmp_path / f"IMG_{n:04d}.jpg").touch()
        (tmp_path / f"PXL_20230512_1412{n:02d}.jpg").touch()
    groups = grouping.group_photos(tmp_path)
    assert len(groups) == 24
    assert {g.how for g in groups} == {grouping.BY_ITSELF}


def test_every_photo_is_in_one_group_and_ids_differ(tmp_path):
    for name in ("a_1/x.jpg", "a_1/inner/y.jpg", "A_1_face.jpg", "a_1_soles.jpg", "a-1_back.JPG", "note.txt"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    groups = grouping.group_photos(tmp_path)
    assert sorted(n for g in groups for n in g.names) == sorted(
        ["a_1/x.jpg", "a_1/inner/y.jpg", "A_1_face.jpg", "a_1_soles.jpg", "a-1_back.JPG"]
    )
    ids = [g.id.casefold() for g in groups]
    assert len(set(ids)) == len(ids) == 3


def test_earlier_results_and_hidden_folders_are_no_dolls(folder, eyes, tmp_path):
    run(folder, folder / "result")
    save(folder / ".trash" / "old.jpg")
    save(folder / "out" / "old.jpg")
    ids = {g.id for g in grouping.group_photos(folder, leave_out=[folder / "out"])}
    assert ids == {"doll_1", "doll_2", "doll_07", "IMG_0012"}


def test_an_empty_folder(tmp_path, eyes):
    with pytest.raises(NoPhotoError, match=r"doll_07_face\.jpg"):
        run(tmp_path, tmp_path / "out")
    assert not (tmp_path / "out").exists()


# -- the whole job ------------------------------------------------------------------------------------


def test_each_doll_is_a_row_and_has_its_own_results(folder, tmp_path):
    out = tmp_path / "out"
    result = run(folder, out)
    document = json.loads((out / "lot.json").read_text(encoding="utf-8"))
    assert document == json.loads(json.dumps(result.to_json()))
    assert {d["id"] for d in document["dolls"]} == {"doll_1", "doll_2", "doll_07", "IMG_0012"}
    assert [d["rank"] for d in document["dolls"]] == [1, 2, 3, 4]
    assert sorted(f for d in document["dolls"] for f in d["photos"]) == sorted(
        p["file"] for p in document["photos"]
    )
    for doll in document["dolls"]:
        assert {"id", "photos", "head_box", "releases", "rank"} <= set(doll)
        inside = {p.name for p in (out / doll["folder"]).iterdir()}
        assert inside == {"report.html", "traits.json", "seller-questions.txt", "evidence"}
    assert set(rows(out)) == {d["id"] for d in document["dolls"]}
    assert str(tmp_path) not in json.dumps(document)


def test_rows_say_what_each_doll_could_be_and_its_condition(folder, tmp_path):
    run(folder, tmp_path / "out")
    table = rows(tmp_path / "out")
    assert table["doll_1"]["likeliest"] == "Verity, first release"
    assert table["doll_2"]["lips"] == "rubbed"
    assert table["doll_2"]["lips_percent"] == "80"
    assert table["doll_07"]["photos"] == "2"
    assert table["IMG_0012"]["lips"] == ""
    assert "soles" in table["doll_2"]["photos_missing"]
    assert "soles" not in table["doll_1"]["photos_missing"]


def test_loose_photos_say_how_they_were_joined(folder, tmp_path):
    dolls = {d["id"]: d for d in run(folder, tmp_path / "out").to_json()["dolls"]}
    assert dolls["doll_07"]["grouped_by"] == grouping.BY_NAME
    assert dolls["IMG_0012"]["grouped_by"] == grouping.BY_ITSELF
    assert dolls["doll_1"]["grouped_by"] == grouping.BY_FOLDER


def test_a_corrupt_photo_is_named_and_costs_nothing_else(folder, tmp_path):
    clean = run(folder, tmp_path / "clean").to_json()
    (folder / "doll_2" / "broken.jpg").write_bytes(b"\xff\xd8\xff\xe0 cut")
    mixed = run(folder, tmp_path / "mixed").to_json()
    assert [p["file"] for p in mixed["photos"] if p["status"] == "error"] == ["doll_2/broken.jpg"]
    for before, after in zip(clean["dolls"], mixed["dolls"], strict=True):
        assert before["releases"] == after["releases"]
    assert rows(tmp_path / "mixed")["doll_2"]["photos_failed"] == "1"
    assert "doll_2/broken.jpg" in (tmp_path / "mixed" / "lot.html").read_text(encoding="utf-8")


def test_a_doll_whose_photos_all_fail_is_the_last_row_with_its_reason(folder, tmp_path):
    (folder / "doll_0").mkdir()
    (folder / "doll_0" / "broken.jpg").write_bytes(b"\xff\xd8\xff\xe0 cut")
    doll = run(folder, tmp_path / "out").to_json()["dolls"][-1]
    assert doll["id"] == "doll_0"
    assert doll["status"] == "error"
    assert "doll_0/broken.jpg" in doll["headline"]
    row = rows(tmp_path / "out")["doll_0"]
    assert row["likeliest"] == row["look_percent"] == ""


def test_no_readable_photo_writes_nothing(tmp_path, eyes):
    place = tmp_path / "lot"
    place.mkdir()
    (place / "broken.jpg").write_bytes(b"\xff\xd8\xff\xe0 cut")
    with pytest.raises(NoPhotoError, match=r"broken\.jpg"):
        run(place, tmp_path / "out")
    assert {p.name for p in tmp_path.iterdir()} == {"lot"}


def test_a_wrong_guide_is_refused_before_any_photo_is_read(folder, eyes, tmp_path):
    with pytest.raises(InputFileError):
        lot.run(folder, guide="verty", out=tmp_path / "out")
    assert eyes.looked == []


def test_one_photo_under_two_dolls_is_pointed_out(folder, tmp_path):
    (folder / "doll_2" / "copy.jpg").write_bytes((folder / "doll_1" / "face.jpg").read_bytes())
    table = rows_after(folder, tmp_path / "out")
    assert "doll_1/face.jpg is the same file as doll_2/copy.jpg" in table["doll_1"]["notes"]
    assert "doll_2/copy.jpg is the same file as doll_1/face.jpg" in table["doll_2"]["notes"]
    assert table["doll_07"]["notes"].find("same file") < 0


def rows_after(folder, out):
    run(folder, out)
    return rows(out)


def test_a_photo_that_vanishes_meanwhile_is_named(folder, eyes, tmp_path, monkeypatch):
    out = tmp_path / "out"
    run(folder, out)
    taken_up = lot_work.Photos.see

    def and_lose(self, *groups):
        found = taken_up(self, *groups)
        (folder / "doll_1" / "face.jpg").unlink()
        return found

    # Its record is kept, its pictures are not: another guide needs them again.
    monkeypatch.setattr(lot_work.Photos, "see", and_lose)
    doll = next(
        d for d in lot.run(folder, guide="early-vinyl", out=out).to_json()["dolls"] if d["id"] == "doll_1"
    )
    assert "doll_1/face.jpg" in " ".join(doll["notes"])
    assert "eyeliner" not in json.dumps(doll["releases"])


# -- what a person said -------------------------------------------------------------------------------


def test_what_was_pointed_at_is_heeded_and_seen_again_when_it_changes(folder, eyes, tmp_path):
    """How a dealer would be misled: what was set right on the page, and the lot still shows it wrong."""
    out = tmp_path / "out"
    run(folder, out)
    eyes.looked.clear()
    own = folder / "doll_1" / "regions.toml"
    own.write_text('["face.jpg"]\nlips = [1, 2, 30, 20]\n', encoding="utf-8")
    result = run(folder, out)
    assert eyes.looked == ["doll_1/face.jpg"]
    assert eyes.told["doll_1/face.jpg"].places["lips"].bounds == (1, 2, 30, 20)
    (doll,) = (d for d in result.to_json()["dolls"] if d["id"] == "doll_1")
    assert doll["pointed"] == ["doll_1/face.jpg"]
    assert rows(out)["doll_1"]["by_hand"] == "set right in doll_1/face.jpg"
    before = contents(out)
    eyes.looked.clear()
    own.write_text('# moved a line down\n["face.jpg"]\nlips = [1.0, 2, 30, 20]\n', encoding="utf-8")
    run(folder, out)
    assert eyes.looked == []
    assert contents(out) == before
    own.write_text('["face.jpg"]\nnot_there = ["lips"]\n', encoding="utf-8")
    run(folder, out)
    own.unlink()
    run(folder, out)
    assert eyes.looked == ["doll_1/face.jpg"] * 2
    assert rows(out)["doll_1"]["by_hand"] == ""


def test_one_photo_under_two_dolls_is_seen_as_each_was_told(folder, eyes, tmp_path):
    (folder / "doll_2" / "face.jpg").write_bytes((folder / "doll_1" / "face.jpg").read_bytes())
    (folder / "doll_1" / "regions.toml").write_text('["face.jpg"]\nview = "other"\n', encoding="utf-8")
    run(folder, tmp_path / "out")
    assert eyes.told["doll_1/face.jpg"].view is View.OTHER
    assert eyes.told["doll_2/face.jpg"].view is None
    eyes.looked.clear()
    run(folder, tmp_path / "out")
    assert eyes.looked == []


def test_what_a_hand_found_weighs_in_its_own_doll_only(folder, eyes, tmp_path):
    out = tmp_path / "out"
    before = {d["id"]: d for d in run(folder, out).to_json()["dolls"]}
    eyes.looked.clear()
    (folder / "doll_2" / "findings.toml").write_text('[findings]\ntorso_build = "solid"\n', encoding="utf-8")
    after = {d["id"]: d for d in run(folder, out).to_json()["dolls"]}
    assert eyes.looked == []
    assert after["doll_2"]["releases"] != before["doll_2"]["releases"]
    assert [record["trait"] for record in after["doll_2"]["hands_on"]] == ["torso_build"]
    assert "torso_build" not in {gain["trait"] for gain in after["doll_2"]["look"]["first"]}
    assert "found by hand" in (out / "lot.html").read_text(encoding="utf-8")
    for other in ("doll_1", "doll_07", "IMG_0012"):
        assert after[other]["releases"] == before[other]["releases"]
        assert after[other]["hands_on"] == []


def test_findings_beside_several_dolls_are_given_to_none_and_said_to_be_left_out(folder, crowd, tmp_path):
    for place in (folder, crowd):
        plain = {d["id"]: d for d in run(place, tmp_path / f"{place.name} plain").to_json()["dolls"]}
        (place / "findings.toml").write_text('[findings]\ntorso_build = "solid"\n', encoding="utf-8")
        dolls = {d["id"]: d for d in run(place, tmp_path / f"{place.name} out").to_json()["dolls"]}
        shared = {"doll_07", "IMG_0012", "shelf-head_1", "shelf-head_2"} & set(dolls)
        assert len(shared) == 2
        for name, doll in dolls.items():
            assert doll["releases"] == plain[name]["releases"]
            assert ("does not say of which" in " ".join(doll["notes"])) == (name in shared)


def test_a_broken_file_is_named_before_any_photo_is_read(folder, eyes, tmp_path):
    (folder / "doll_2" / "regions.toml").write_text('["face.jpg"]\nlips = 3\n', encoding="utf-8")
    with pytest.raises(InputFileError, match=r"doll_2.regions\.toml, line 2"):
        run(folder, tmp_path / "out")
    assert eyes.looked == []


def test_a_lot_reads_what_the_check_of_one_doll_reads(tmp_path):
    """The real reading: a view said by a person, and a finding, count alike in both."""
    place = tmp_path / "lot" / "doll_1"
    save(place / "face.jpg")
    (place / "regions.toml").write_text('["face.jpg"]\nview = "soles"\n', encoding="utf-8")
    (place / "findings.toml").write_text('[findings]\ntorso_build = "hollow"\n', encoding="utf-8")
    alone = listing.run(place, guide="verity", out=tmp_path / "alone").to_json()
    whole = run(tmp_path / "lot", tmp_path / "out").to_json()
    assert whole["photos"][0]["view"] == alone["photos"][0]["view"]
    assert whole["photos"][0]["view"]["state"] == "soles"
    assert whole["dolls"][0]["releases"] == alone["releases"]
    assert whole["dolls"][0]["hands_on"] == alone["hands_on"]


# -- many dolls in one photo --------------------------------------------------------------------------


@pytest.fixture
def crowd(tmp_path, eyes):
    place = tmp_path / "table"
    save(place / "shelf.jpg")
    heads = {"head_1": (5.0, 5.0, 25.0, 30.0), "head_2": (40.0, 5.0, 60.0, 30.0)}
    traits = (
        said("eyeliner_color", "black", 0.9, "head_1").replace(region=Region.box(8, 8, 20, 12)),
        said("eyeliner_color", "blue", 0.9, "head_2").replace(region=Region.box(44, 8, 56, 12)),
        said("lip_paint", "bare", 0.9, "head_2").replace(region=Region.box(44, 20, 56, 26)),
    )
    eyes.show("shelf.jpg", View.CROWD, *traits, heads=heads)
    return place


def test_each_head_of_a_crowd_is_a_row_with_its_box(crowd, tmp_path):
    dolls = {d["id"]: d for d in run(crowd, tmp_path / "out").to_json()["dolls"]}
    assert set(dolls) == {"shelf-head_1", "shelf-head_2"}
    assert dolls["shelf-head_1"]["head_box"] == [5, 5, 25, 30]
    assert dolls["shelf-head_2"]["condition"]["lip_paint"]["state"] == "bare"
    assert dolls["shelf-head_1"]["condition"]["lip_paint"] is None
    assert dolls["shelf-head_1"]["photos"] == ["shelf.jpg"]
    assert (tmp_path / "out" / dolls["shelf-head_2"]["folder"] / "report.html").is_file()


def test_heads_without_a_box_get_one_around_what_was_read(crowd, eyes, tmp_path):
    view, traits, _ = eyes.shows["shelf.jpg"]
    eyes.show("shelf.jpg", view, *traits)
    dolls = {d["id"]: d for d in run(crowd, tmp_path / "out").to_json()["dolls"]}
    assert dolls["shelf-head_2"]["head_box"] == [44, 8, 56, 26]


def test_a_crowd_without_heads_is_a_row_that_says_so(crowd, eyes, tmp_path):
    eyes.show("shelf.jpg", View.CROWD)
    (doll,) = run(crowd, tmp_path / "out").to_json()["dolls"]
    assert doll["head_box"] is None
    assert "no head was found" in " ".join(doll["notes"])


def test_a_crowd_photo_among_one_dolls_photos_is_left_out_and_named(crowd, eyes, tmp_path):
    save(crowd / "doll_1" / "face.jpg", 1)
    save(crowd / "doll_1" / "all.jpg", 2)
    eyes.show("doll_1/face.jpg", View.FACE, *LATER)
    eyes.show("doll_1/all.jpg", View.CROWD, said("eyeliner_color", "black", 0.9, "head_1"))
    dolls = {d["id"]: d for d in run(crowd, tmp_path / "out").to_json()["dolls"]}
    assert set(dolls) == {"shelf-head_1", "shelf-head_2", "doll_1"}
    assert "doll_1/all.jpg shows several dolls" in " ".join(dolls["doll_1"]["notes"])


# -- rank ---------------------------------------------------------------------------------------------


def look(*traits, view=View.FACE):
    model = Model(guides.load("verity"))
    return worth_of_looking(build_dossier([photo("a.jpg", view, *traits)], (), model.guide), model)


def test_looking_is_worth_less_where_much_is_known():
    model = Model(guides.load("verity"))
    known = [photo("a.jpg", View.FACE, *FIRST), photo("b.jpg", View.SOLES, *OPEN)]
    well_known = worth_of_looking(build_dossier(known, (), model.guide), model)
    unsure = look(*FIRST)
    assert well_known.chance < unsure.chance
    assert well_known.bits < unsure.bits < look().bits


def test_a_look_names_what_is_open_and_never_what_was_read():
    first = {gain.trait for gain in look(*LATER).first}
    assert first
    assert not first & {"eyeliner_color", "iris_color"}


def test_a_look_is_the_same_twice():
    assert look(*FIRST) == look(*FIRST)


def merged(trait, state, confidence=0.9):
    return merge(trait, None, [Reading(HANDS_ON, said(trait, state, confidence))])


def decided(dossier, model):
    """The decision as the verdict tells it."""
    verdict = weigh(dossier, model.guide, None, model)
    flags = verdict.alteration_flags
    altered = flags[0].id if flags and flags[0].probability >= ALTERATION_FIRST else None
    return None if verdict.cannot_tell else verdict.releases[0].id, altered


@pytest.mark.parametrize("name", ["verity", "early-vinyl"])
def test_a_look_decides_as_the_verdict_does(name, rng):
    """How a dealer would be misled: a doll ranked low since its "decision" is another one than is told."""
    model = Model(guides.load(name))
    found = set()
    for _ in range(60):
        # What one release shows, with one finding of another: clear, unclear and altered dolls.
        one, other = rng.integers(len(model.hypotheses), size=2)
        traits = [t for t in model.guide.spoken_of() if rng.random() < rng.choice([0.3, 1.0])]
        likeliest = {t: np.argmax(model.table(t)[other if rng.random() < 0.1 else one]) for t in traits}
        dossier = Dossier(
            tuple(merged(t, model.guide.traits[t].state_ids[int(i)], 0.97) for t, i in likeliest.items())
        )
        decision = triage.Decision(model)(model.total([item for _, item in evidence_of(dossier, model)]))
        assert decision == decided(dossier, model)
        found.add(decision)
    assert None in {release for release, _ in found}
    assert len({release for release, _ in found}) > 3
    assert any(altered for _, altered in found)
    assert triage.Decision(model)(model.total([])) == decided(Dossier(()), model) == (None, None)


def test_the_stated_chance_is_how_often_a_look_changes_the_verdict(rng):
    """Dolls drawn from what is believed are looked at, and weighed like any other."""
    model = Model(guides.load("verity"))
    weakly = (*FIRST, said("lip_paint", "bare", 0.7))
    dossier = build_dossier([photo("a.jpg", View.FACE, *weakly)], (), model.guide)
    stated = worth_of_looking(dossier, model).chance
    belief = model.posterior(model.total([item for _, item in evidence_of(dossier, model)]))
    wanted = [gain.trait for gain in trait_gains(dossier, model.guide, None, model)]
    kept = [entry for entry in dossier.traits if entry.trait not in wanted]
    before, changes, draws = decided(dossier, model), 0, 80
    for _ in range(draws):
        truth = rng.choice(len(belief), p=belief)
        states = [rng.choice(model.guide.traits[t].state_ids, p=model.table(t)[truth]) for t in wanted]
        looked_at = (merged(t, str(s)) for t, s in zip(wanted, states, strict=True))
        changes += decided(Dossier((*kept, *looked_at)), model) != before
    spread = (stated * (1 - stated) * (1 / draws + 1 / 256)) ** 0.5
    assert 0.05 < stated < 0.95
    assert abs(changes / draws - stated) < 3 * spread


def test_the_rank_follows_the_chance(folder, tmp_path):
    chances = [d["look"]["chance_of_change"] for d in run(folder, tmp_path / "out").to_json()["dolls"]]
    assert chances == sorted(chances, reverse=True)
    assert len(set(chances)) > 1


# -- interrupted, again, in any number of jobs --------------------------------------------------------


def test_an_interrupted_run_goes_on_where_it_stopped_and_gives_the_same_bytes(folder, eyes, tmp_path):
    run(folder, tmp_path / "whole")
    eyes.looked.clear()
    eyes.stop_after = 3
    out = tmp_path / "out"
    with pytest.raises(KeyboardInterrupt):
        run(folder, out)
    assert not out.exists()
    first = list(eyes.looked)
    eyes.stop_after = None
    run(folder, out)
    assert len(first) == 3
    assert len(eyes.looked) == 6
    assert len(set(eyes.looked)) == 6
    assert contents(out) == contents(tmp_path / "whole")
    assert {p.name for p in tmp_path.iterdir()} == {"estate sale", "whole", "out"}


def test_an_unchanged_lot_is_not_looked_at_again(folder, eyes, tmp_path):
    out = tmp_path / "out"
    run(folder, out)
    before = contents(out)
    eyes.looked.clear()
    run(folder, out)
    assert eyes.looked == []
    assert contents(out) == before
    save(folder / "doll_2" / "face.jpg", 99)
    run(folder, out)
    assert eyes.looked == ["doll_2/face.jpg"]


def test_unchanged_dolls_are_taken_over_and_others_are_written_again(folder, eyes, tmp_path, monkeypatch):
    out = tmp_path / "out"
    run(folder, out)
    before = contents(out)
    written = []
    work = lot_work.write_up
    monkeypatch.setattr(lot_work, "write_up", lambda task: written.append(task.draft.id) or work(task))
    run(folder, out)
    assert written == []
    for damage in (lambda path: path.unlink(), lambda path: path.write_bytes(b"cut")):
        damage(next(out.glob("dolls/doll_1/evidence/*.png")))
        run(folder, out)
        assert written == ["doll_1"]
        assert eyes.drawn == ["doll_1/face.jpg", "doll_1/soles.jpg"]
        assert contents(out) == before
        written.clear()
        eyes.drawn.clear()
    lot.run(folder, guide="early-vinyl", out=out)
    assert set(written) == {"doll_1", "doll_2", "doll_07", "IMG_0012"}


@pytest.mark.parametrize("place", ["../../elsewhere", "/etc"])
def test_an_index_that_leads_elsewhere_is_not_followed(folder, eyes, tmp_path, place):
    out = tmp_path / "out"
    run(folder, out)
    before = contents(out)
    index = out / lot.CACHE / "dolls.json"
    entries = json.loads(index.read_text(encoding="utf-8"))
    for entry in entries.values():
        entry["folder"] = place
    index.write_text(json.dumps(entries), encoding="utf-8")
    run(folder, out)
    assert contents(out) == before


def test_a_shot_saved_again_is_pointed_out_and_a_like_one_is_not(folder, eyes, tmp_path):
    shot = stand()
    (folder / "doll_1" / "stand.jpg").write_bytes(encode_jpeg(shot, 92))
    (folder / "doll_2" / "again.jpg").write_bytes(encode_jpeg(cv2.resize(shot, (225, 300)), 60))
    (folder / "doll_2" / "other.jpg").write_bytes(encode_jpeg(stand(4, 1), 92))
    (folder / "doll_2" / "other_2.jpg").write_bytes(encode_jpeg(stand(4, 1)[30:, 20:], 70))
    table = rows_after(folder, tmp_path / "out")
    assert "doll_1/stand.jpg looks like the same shot as doll_2/again.jpg: one" in table["doll_1"]["notes"]
    assert "doll_2/again.jpg looks like the same shot as doll_1/stand.jpg: one" in table["doll_2"]["notes"]
    assert "doll_2/other.jpg looks like the same shot as doll_2/other_2.jpg." in table["doll_2"]["notes"]
    assert "other" not in table["doll_1"]["notes"]


def test_a_changed_program_looks_again(folder, eyes, tmp_path, monkeypatch):
    run(folder, tmp_path / "out")
    eyes.looked.clear()
    monkeypatch.setattr(cache, "code_version", lambda options="", results=False: "newer code")
    run(folder, tmp_path / "out")
    assert len(eyes.looked) == 6


def test_torn_cache_entries_are_looked_at_again(folder, eyes, tmp_path):
    out = tmp_path / "out"
    run(folder, out)
    before = contents(out)
    eyes.looked.clear()
    torn = sorted(path for path in (out / lot.CACHE).iterdir() if path.name != "dolls.json")
    for path, text in zip(torn, ["", "{", "[]", "null", '{"file": 3}', "\udcff"], strict=True):
        path.write_bytes(text.encode("utf-8", "surrogateescape"))
    run(folder, out)
    assert len(eyes.looked) == 6
    assert contents(out) == before


def test_passing_failures_are_not_kept(folder, eyes, tmp_path):
    eyes.show("doll_2/face.jpg", View.FACE, silent("eyeliner_color", Reason.FAILED))
    run(folder, tmp_path / "out")
    eyes.looked.clear()
    run(folder, tmp_path / "out")
    assert eyes.looked == ["doll_2/face.jpg"]


def test_a_failing_report_leaves_the_earlier_result_and_the_finished_work(
    folder, eyes, tmp_path, monkeypatch
):
    out = tmp_path / "out"
    run(folder, out)
    before = contents(out)
    save(folder / "doll_9" / "face.jpg", 9)

    def fail(*_):
        raise OutputError("disk full")

    with monkeypatch.context() as patch:
        patch.setattr(report, "render", fail)
        with pytest.raises(OutputError):
            run(folder, out)
    assert contents(out) == before
    eyes.looked.clear()
    run(folder, out)
    assert eyes.looked == []


def test_progress_counts_photos_kept_and_reports(folder, tmp_path):
    told = []
    run(folder, tmp_path / "out", progress=lambda done, count, name: told.append((done, count)))
    assert told[:6] == [(n, 6) for n in range(1, 7)]
    assert told[6:] == [(n, 4) for n in range(1, 5)]


RECORDS = [
    said("lip_paint", "rubbed", 0.123456789).replace(quantities={"c": Quantity(1 / 3, 0.0123456789, "px")}),
    silent("ear_stain", Reason.TOO_DARK, green=0.3).replace(flags=("flash",), part="left_ear", n_pixels=7),
    said("foot_holes", "open").replace(region=Region((((1.04, 2.0), (3.0, 4.0), (5.0, 6.123)),))),
    mark("ONE", "TWO"),
    said("mark_text", "present").replace(text=(TextLine("O", 0.5, ((0.0, 0.0),), ("0", "Q")),)),
]


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: record.trait)
def test_records_come_back_from_json(record):
    text = json.dumps(record.to_json())
    back = TraitRecord.from_json(json.loads(text))
    assert json.dumps(back.to_json()) == text
    assert back.trait == record.trait
    assert back.text is None or [t.text for t in back.text] == [t.text for t in record.text]


def test_photo_records_come_back_from_json():
    record = PhotoRecord(
        "a.jpg",
        sha256="ab",
        width_px=3,
        height_px=4,
        view=ViewPlace(View.CROWD, 0.87654321, {"crowd": 0.87654321}),
        calibration=Calibration("grey_card", (1.0, 0.93, 0.71), 1.6, 0.5, region=BOX, flags=("small",)),
        traits=tuple(RECORDS),
        steps=("turned",),
        notes=("a note",),
        heads={"head_1": (1.04, 2.0, 3.0, 4.0)},
    )
    once = cache.settled(record)
    assert once.to_json() == record.to_json()
    assert cache.text_of(cache.settled(once)) == cache.text_of(once)


# -- the table and the sheet --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "  =1", "＝1", '=cmd|"/c calc"!A0']
)
def test_no_cell_is_taken_for_a_formula(text):
    cell = lot_table.harmless(text)
    assert cell.startswith("'")
    assert not re.search(r"[\t\r\n]", cell)


@pytest.mark.parametrize("text", ["doll_07", "92", "a=b", "Verity, first release", ""])
def test_plain_cells_stay(text):
    assert lot_table.harmless(text) == text


def test_hostile_names_are_harmless_in_table_and_sheet(tmp_path, eyes):
    place = tmp_path / "lot"
    names = ['=HYPERLINK("x")', "-2+3", "<script>alert(1)</script", '" onload="x', "a\nb"]
    for seed, name in enumerate(names):
        save(place / name.replace("/", "_") / "face.jpg", seed)
    out = tmp_path / "out"
    run(place, out)
    text = (out / "lot.csv").read_bytes().decode("utf-8-sig")
    cells = [cell for row in csv.reader(io.StringIO(text, newline="")) for cell in row]
    assert all(not cell.startswith(("=", "+", "-", "@", "\t", "\r")) for cell in cells)
    sheet = (out / "lot.html").read_text(encoding="utf-8")
    outline = Outline()
    outline.feed(sheet)
    assert outline.open == []
    assert sheet.count("<script>") == 1
    assert not any(key.startswith("on") for _, attributes in outline.attributes for key in attributes)


def test_the_table_has_the_documented_columns_a_mark_and_crlf(folder, tmp_path):
    run(folder, tmp_path / "out")
    data = (tmp_path / "out" / "lot.csv").read_bytes()
    assert data.startswith(b"\xef\xbb\xbfrank,doll,")
    assert data.count(b"\r\n") == data.count(b"\n") == 5
    assert set(rows(tmp_path / "out")["doll_1"]) == set(lot_table.COLUMNS)


def test_the_sheet_stands_alone_and_its_links_exist(folder, tmp_path):
    out = tmp_path / "out"
    result = run(folder, out)
    sheet = (out / "lot.html").read_text(encoding="utf-8")
    outline = Outline()
    outline.feed(sheet)
    assert outline.open == []
    links = [a["href"] for tag, a in outline.attributes if tag == "a" and not a["href"].startswith("#")]
    assert len(links) == 2 * len(result.dolls)
    assert all((out / link).is_file() for link in links)
    images = [a for tag, a in outline.attributes if tag == "img"]
    assert images
    assert all(a["src"].startswith("data:image/jpeg;base64,") and a["alt"] for a in images)
    assert not re.search(r"(?:src|href)=\"https?:", sheet)
    labels = {a["for"] for tag, a in outline.attributes if tag == "label" and "for" in a}
    fields = {a["id"] for tag, a in outline.attributes if tag in {"select"} or a.get("type") == "search"}
    assert fields == labels


# -- progress -----------------------------------------------------------------------------------------


def test_the_pace_tells_rate_and_time_left():
    clock = iter([0.0, *(2.0 * n for n in range(1, 9))])
    pace = batch.Pace(lambda: next(clock))
    told = [pace.step(n, 100) for n in range(1, 9)]
    assert told[0] == told[1] == ""
    assert told[3] == "30 a minute, 3 min left"


def test_the_pace_leaves_out_what_was_kept_and_begins_anew_with_a_stage():
    clock = iter([0.0, *[0.001] * 50, 1.0, 2.0, 3.0, 4.0, 4.5, 5.0, 5.5, 6.0])
    pace = batch.Pace(lambda: next(clock))
    assert [pace.step(n, 60) for n in range(1, 51)] == [""] * 50
    told = [pace.step(n, 60) for n in range(51, 55)]
    assert told[-1] == "1.0 a second, 5 s left"
    assert pace.step(1, 10) == ""
    assert [pace.step(n, 10) for n in (2, 3, 4)][-1] == "2.0 a second, 5 s left"
