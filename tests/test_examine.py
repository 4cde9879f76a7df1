"""The order of steps, and that one failure never costs the rest. Vision is faked here."""

from __future__ import annotations

import sys
import types

import cv2
import numpy as np
import pytest

from pipelines import batch, examine
from pipelines.examine import Request
from pipelines.regions import PhotoRegions, RegionsFile
from vision.calibration import Calibration
from vision.locate.places import FacePlace, LinePlace, MarkPlace, Places, SolePlace, ViewPlace
from vision.photo import Photo
from vision.traits import Reason, Region, TextLine, Trait, TraitRecord, View

BOX = ((10.0, 10.0), (50.0, 10.0), (50.0, 50.0))


def face(x=0.0, width=100.0, part=None):
    return FacePlace((x, 0.0, x + width, 120.0), 0.9, BOX, BOX, BOX, part=part)


PLACES = {
    View.FACE: {"faces": (face(), face(200, 150))},
    View.CROWD: {"faces": (face(), face(200), face(400))},
    View.SOLES: {
        "soles": (SolePlace(BOX, 0.9, "left_foot"), SolePlace(BOX, 0.9, "right_foot")),
    },
    View.MARK: {"marks": (MarkPlace(BOX, 0.9),)},
    View.BODY: {"line": LinePlace(Region((BOX,)), Region((BOX,)))},
    View.HEAD_BACK: {"marks": (MarkPlace(BOX, 0.9),)},
    View.OTHER: {},
}


@pytest.fixture
def photo(rng):
    picture = np.full((200, 300, 3), 128, np.uint8)
    for color in ((220, 60, 50), (40, 90, 200), (60, 160, 70), (230, 200, 60)):
        x, y = int(rng.integers(40, 260)), int(rng.integers(40, 160))
        cv2.circle(picture, (x, y), 30, color, -1)
    return Photo.from_array(picture, "a.jpg")


class Vision:
    """Stands in for the measurements; remembers the calls."""

    def __init__(self, monkeypatch):
        self.calls = []
        self.view = ViewPlace(View.FACE, 0.95, {"face": 0.95})
        self.broken = set()
        self.bare = False
        self.answers = {}
        self.calibration = Calibration("grey_card", (1.2, 1.0, 0.8), 1.5)
        modules = {
            "vision.neutral": {"estimate": self.estimate},
            "vision.locate.view": {"find_places": self.find_places},
            "vision.ocr": {"default_engine": lambda: "engine"},
            "vision.mark_blank": {"surface_seen": lambda _: types.SimpleNamespace(vinyl=self.bare)},
        }
        for trait, module in {
            Trait.EYELINER_COLOR: "eyeliner",
            Trait.IRIS_COLOR: "iris",
            Trait.LIP_PAINT: "lips",
            Trait.SKIN_SHEEN: "sheen",
            Trait.EAR_STAIN: "ear_stain",
            Trait.LIP_REPAINT_SIGNS: "lip_repaint",
            Trait.EYE_REPAINT_SIGNS: "eye_repaint",
            Trait.SKIN_FADE: "fade",
            Trait.FOOT_HOLES: "foot_holes",
            Trait.MARK_TEXT: "mark_text",
            Trait.MARK_SYMBOL: "mark_symbol",
        }.items():
            modules[f"vision.{module}"] = {"measure": self.measurement(trait)}
        for name, content in modules.items():
            module = types.ModuleType(name)
            module.__dict__.update(content)
            monkeypatch.setitem(sys.modules, name, module)
        examine._ocr_engine.cache_clear()

    def find_places(self, photo, *, view=None, regions):
        self.calls.append(("find_places", view, sorted(regions)))
        if "find_places" in self.broken:
            raise RuntimeError("model broke")
        return Places(self.view, **PLACES[view or self.view.state])

    def estimate(self, photo, hint=None, faces=(), **options):
        self.options = options
        self.calls.append(("estimate", hint, len(faces)))
        if "estimate" in self.broken:
            raise ValueError("no white")
        return self.calibration

    def measurement(self, trait):
        def measure(photo, place, third):
            self.calls.append((trait, place, third))
            if trait in self.broken:
                raise ZeroDivisionError("by nought")
            if trait is Trait.EAR_STAIN:
                return [
                    TraitRecord.stated(trait, "none", 0.9, "f/1", part=part)
                    for part in ("left_ear", "right_ear")
                ]
            part = place.part if isinstance(place, SolePlace) else None
            state = self.answers.get(trait, "seen")
            return TraitRecord.stated(trait, state, 0.9, "f/1", part=part)

        return measure

    def of(self, trait):
        return [call for call in self.calls if call[0] is trait]


@pytest.fixture
def vision(monkeypatch):
    return Vision(monkeypatch)


def traits(record):
    return [r.trait for r in record.traits]


def test_a_face_gets_all_face_records_in_order(vision, photo):
    record = examine.examine(photo)
    assert traits(record) == [
        "eyeliner_color",
        "iris_color",
        "lip_paint",
        "skin_sheen",
        "ear_stain",
        "ear_stain",
        "lip_repaint_signs",
        "eye_repaint_signs",
    ]
    assert [call[0] for call in vision.calls[:2]] == ["find_places", "estimate"]
    assert record.calibration is vision.calibration
    # The largest face is the one that is meant, and it got the white reference.
    (call,) = vision.of(Trait.LIP_PAINT)
    assert call[1].width == 150
    assert call[2] is vision.calibration


@pytest.mark.parametrize(
    ("view", "expected"),
    [
        (View.SOLES, ["foot_holes", "foot_holes", "feet_match"]),
        (View.MARK, ["mark_text", "mark_symbol"]),
        (View.HEAD_BACK, ["mark_text", "mark_symbol"]),
        (View.BODY, ["skin_fade", "skin_sheen"]),
        (View.OTHER, []),
    ],
)
def test_each_view_gives_its_traits(vision, photo, view, expected):
    vision.view = ViewPlace(view, 0.9, {str(view): 0.9})
    assert traits(examine.examine(photo)) == expected


def test_what_may_be_bare_vinyl_is_no_proof_of_a_missing_mark(vision, photo):
    """A close-up without letters gives a reason and what to do; a wall of that color has no mark either."""
    vision.view, vision.bare = ViewPlace(View.OTHER, 0.9, {"other": 0.9}), True
    (record,) = examine.examine(photo).traits
    assert record.trait == Trait.MARK_TEXT
    assert record.not_measured is Reason.AMBIGUOUS
    assert "--view mark" in record.detail
    assert not vision.of(Trait.MARK_TEXT)


def test_the_text_is_read_once_for_both_mark_traits(vision, photo):
    vision.view = ViewPlace(View.MARK, 0.9, {"mark": 0.9})
    examine.examine(photo)
    assert len(vision.of(Trait.MARK_TEXT)) == 1
    assert vision.of(Trait.MARK_TEXT)[0][2] == "engine"
    assert vision.of(Trait.MARK_SYMBOL)[0][2].trait == "mark_text"


def test_letters_that_settle_the_view_are_not_read_again(vision, photo, monkeypatch):
    """A photo of nothing certain is read to see whether it shows a mark; reading is what costs most."""
    read = TraitRecord.stated(
        "mark_text", "present", 0.9, "f/1", text=(TextLine("VERITY", 0.9, BOX),), region=Region((BOX,))
    )
    calls = []

    def measure(*arguments):
        calls.append(arguments)
        return read

    monkeypatch.setattr(sys.modules["vision.mark_text"], "measure", measure)
    monkeypatch.setattr(
        sys.modules["vision.locate.view"], "on_vinyl", lambda photo, mark: True, raising=False
    )
    vision.view = ViewPlace(View.OTHER, 0.6, {"other": 0.6, "mark": 0.3})
    monkeypatch.setitem(PLACES, View.OTHER, PLACES[View.MARK])
    record = examine.examine(photo)
    assert record.view.state is View.MARK
    assert record.traits[0] == read
    assert len(calls) == 1


def test_all_of_one_head_is_read_before_the_next(vision, photo):
    """What the traits of a face share is worked out once for each head; it is too large to keep for all."""
    vision.view = ViewPlace(View.CROWD, 0.9, {"crowd": 0.9})
    examine.examine(photo)
    heads = [call[1].box for call in vision.calls[2:]]
    assert len(heads) == 12
    assert [heads[i] for i in (0, 4, 8)] == [head.box for head in PLACES[View.CROWD]["faces"]]
    assert all(heads[i] == heads[i - i % 4] for i in range(12))


def test_a_crowd_gives_a_set_a_head(vision, photo):
    vision.view = ViewPlace(View.CROWD, 0.9, {"crowd": 0.9})
    record = examine.examine(photo)
    assert {r.part for r in record.traits} == {"head_1", "head_2", "head_3"}
    assert sum(r.trait == "eyeliner_color" for r in record.traits) == 3
    assert all(r.region is not None for r in record.traits)
    third = next(r for r in record.traits if r.part == "head_3")
    assert third.region.bounds[0] == 400


def test_one_failing_measurement_costs_only_itself(vision, photo):
    vision.broken.add(Trait.IRIS_COLOR)
    record = examine.examine(photo)
    assert record.ok
    failed = [r for r in record.traits if r.not_measured is Reason.FAILED]
    assert [r.trait for r in failed] == ["iris_color"]
    assert "ZeroDivisionError" in failed[0].detail
    assert len(record.traits) == 8


def test_a_missing_measurement_is_a_record_too(vision, photo, monkeypatch):
    monkeypatch.setitem(sys.modules, "vision.lips", None)
    record = examine.examine(photo, only=[Trait.LIP_PAINT])
    assert record.traits[0].not_measured is Reason.FAILED


def test_without_white_the_photo_is_measured_all_the_same(vision, photo):
    vision.broken.add("estimate")
    record = examine.examine(photo)
    assert record.calibration.method == "none"
    assert any("White was not determined" in note for note in record.notes)
    assert len(record.traits) == 8


def test_only_what_was_asked(vision, photo):
    record = examine.examine(photo, only=[Trait.FOOT_HOLES, Trait.IRIS_COLOR])
    assert traits(record) == ["iris_color", "foot_holes"]
    assert record.traits[1].not_measured is Reason.NOT_IN_VIEW
    assert "soles" in record.traits[1].detail


def test_what_a_person_says_counts(vision, photo):
    regions = {
        "neutral": Region.box(5, 5, 20, 20),
        "skin": Region.box(1, 1, 9, 9),
        "lips": Region.box(900, 900, 950, 950),
    }
    record = examine.examine(photo, view=View.BODY, regions=regions)
    assert record.view.state is View.BODY
    assert vision.calls[0] == ("find_places", View.BODY, ["skin"])
    assert vision.calls[1][1] == regions["neutral"]
    assert vision.of(Trait.SKIN_SHEEN)[0][1] == regions["skin"]
    assert any("'lips' lies outside" in note for note in record.notes)


def test_locators_know_every_place_of_a_regions_file():
    from pipelines.regions import PLACES as NAMES
    from vision.locate.view import REGION_VIEWS

    assert set(NAMES) == set(REGION_VIEWS) | {"neutral"}


def test_a_photo_without_colors_gives_no_colors(vision, photo):
    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    record = examine.examine(Photo.from_array(np.repeat(grey[..., None], 3, axis=2)))
    reasons = {r.trait: r.not_measured for r in record.traits}
    assert reasons["eyeliner_color"] is Reason.MONOCHROME
    assert reasons["lip_paint"] is Reason.MONOCHROME
    assert reasons["skin_sheen"] is None
    assert not vision.of(Trait.EYELINER_COLOR)


@pytest.mark.parametrize(("p_view", "state"), [(0.95, "absent"), (0.75, "absent"), (0.5, None)])
def test_absence_is_not_stated_where_the_view_is_in_doubt(vision, photo, p_view, state):
    vision.view = ViewPlace(View.HEAD_BACK, p_view, {"head_back": p_view, "other": 1 - p_view})
    vision.answers[Trait.MARK_TEXT] = "absent"
    record = examine.examine(photo, only=[Trait.MARK_TEXT]).traits[0]
    assert record.state == state
    assert record.confidence <= 0.9
    if state is None:
        assert record.not_measured is Reason.AMBIGUOUS
    assert ("view_uncertain" in record.flags) == (p_view < 0.8)


@pytest.mark.parametrize(("p_view", "state"), [(0.95, "open"), (0.75, "open"), (0.5, None)])
def test_a_hole_counts_only_in_a_foot(vision, photo, p_view, state):
    vision.view = ViewPlace(View.SOLES, p_view, {"soles": p_view, "other": 1 - p_view})
    vision.answers[Trait.FOOT_HOLES] = "open"
    records = examine.examine(photo, only=[Trait.FOOT_HOLES]).traits
    assert [r.state for r in records] == [state, state]
    assert records[0].confidence == pytest.approx(0.9 if p_view > 0.8 else p_view)
    told = examine.examine(photo, view=View.SOLES, only=[Trait.FOOT_HOLES]).traits
    assert [r.state for r in told] == ["open", "open"]
    assert told[0].confidence == 0.9


def test_presence_is_stated_whatever_the_view(vision, photo):
    vision.view = ViewPlace(View.HEAD_BACK, 0.5, {"head_back": 0.5})
    vision.answers[Trait.MARK_TEXT] = "present"
    assert examine.examine(photo, only=[Trait.MARK_TEXT]).traits[0].state == "present"


def test_nothing_located_is_a_reason(vision, photo, monkeypatch):
    monkeypatch.setitem(PLACES, View.FACE, {})
    record = examine.examine(photo)
    assert {r.not_measured for r in record.traits} == {Reason.NOT_LOCATED}
    assert len(record.traits) == 7


# -- files ----------------------------------------------------------------------------------------------


def save(path, photo, kind="PNG"):
    from vision.draw import encode_png

    path.write_bytes(encode_png(photo.rgb))
    return path


def test_a_corrupt_photo_is_an_entry(vision, photo, tmp_path):
    good = save(tmp_path / "good.png", photo)
    bad = tmp_path / "bad.png"
    bad.write_bytes(good.read_bytes()[:-200])
    seen = []
    records = batch.examine_files(
        [good, bad, tmp_path / "none.png"], progress=lambda *step: seen.append(step)
    )
    assert [r.status for r in records] == ["ok", "error", "error"]
    assert [r.error["reason"] for r in records[1:]] == ["truncated", "missing"]
    assert "bad.png" in records[1].error["message"]
    assert records[1].to_json()["traits"] == []
    assert seen == [(1, 3, "good.png"), (2, 3, "bad.png"), (3, 3, "none.png")]


def test_a_failing_locator_costs_one_photo(vision, photo, tmp_path):
    vision.broken.add("find_places")
    record = examine.examine_file(save(tmp_path / "a.png", photo))
    assert record.error["reason"] == "failed"
    assert record.sha256
    assert record.width_px == 300


def test_regions_and_view_of_a_file_are_used(vision, photo, tmp_path):
    said = RegionsFile("r", {"a.png": PhotoRegions(View.SOLES, {"left_sole": Region.box(1, 1, 9, 9)})})
    record = examine.examine_file(save(tmp_path / "a.png", photo), Request(regions=said))
    assert record.view.state is View.SOLES
    record = examine.examine_file(tmp_path / "a.png", Request(view=View.MARK, regions=said))
    assert record.view.state is View.MARK


def test_what_the_card_reflects_reaches_the_white_reference(vision, photo, tmp_path):
    said = RegionsFile("r", card_reflectance=0.36)
    examine.examine_file(save(tmp_path / "a.png", photo), Request(only=frozenset(), regions=said))
    assert vision.options == {"card_reflectance": 0.36}


def test_json_has_the_contracts_keys(vision, photo):
    record = examine.examine(photo).to_json()
    assert {
        "file",
        "sha256",
        "width_px",
        "height_px",
        "status",
        "error",
        "view",
        "calibration",
        "traits",
    } <= set(record)
    assert record["view"]["state"] == "face"
    assert record["calibration"]["method"] == "grey_card"
    trait = record["traits"][0]
    assert {
        "trait", "state", "confidence", "not_measured", "candidates", "quantities",
        "region", "n_pixels", "flags", "method", "part",
    } <= set(trait)  # fmt: skip


# -- private ----------------------------------------------------------------------------------------------


@pytest.mark.private
@pytest.mark.parametrize("folder", ["face", "figure", "chart", "hole"])
def test_nothing_is_stated_of_what_is_no_doll(real_photos, folder):
    """People, plaster heads, mannequins, charts, boards with holes: no state may be given."""
    from vision.photo import load

    photos = [path for path in sorted((real_photos / folder).iterdir()) if path.suffix in {".jpg", ".png"}]
    assert photos
    stated = [
        (path.name, record.trait, record.state)
        for path in photos
        for record in examine.examine(load(path.read_bytes(), path.name)).traits
        if record.state is not None
    ]
    assert stated == []


@pytest.mark.parametrize("headless", [True, False])
def test_a_photo_of_a_whole_doll_shows_her_eyes_where_a_face_is_found(vision, photo, monkeypatch, headless):
    """The commonest photo of a listing: what it shows of the face counts, and no more than that."""
    line = PLACES[View.BODY]["line"]
    monkeypatch.setitem(PLACES, View.BODY, {"line": line, "faces": () if headless else (face(),)})
    vision.view = ViewPlace(View.BODY, 0.95, {"body": 0.95})
    traits = {r.trait for r in examine.examine(photo).traits}
    assert (Trait.IRIS_COLOR in traits) != headless
    assert Trait.LIP_REPAINT_SIGNS not in traits
    (asked,) = examine.examine(photo, only=[Trait.EYELINER_COLOR]).traits
    assert (asked.not_measured is Reason.NOT_IN_VIEW) == headless
