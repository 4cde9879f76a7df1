"""Guides: what ships is sound, and every mistake is named with its line."""

import importlib.resources
import re

import numpy as np
import pytest

from pipelines import guide as guides
from pipelines.guide import WORDS, build, load, shipped
from pipelines.marks import edit_cost, plain, wording_candidates
from pipelines.tomlfile import index_lines, parse
from pipelines.weighing import Model
from vision.errors import InputFileError
from vision.traits import STATES, TextLine

VERITY = (importlib.resources.files("pipelines") / "guides" / "verity.toml").read_text(encoding="utf-8")


def lines_of(text, needle):
    return next(i for i, line in enumerate(text.splitlines(), 1) if needle in line)


def broken(old, new, text=VERITY):
    assert old in text
    return text.replace(old, new, 1)


def message_of(text):
    with pytest.raises(InputFileError) as caught:
        build(parse(text.encode(), "mine.toml"), "mine")
    return str(caught.value)


def test_both_guides_ship():
    assert [g.id for g in shipped()] == ["early-vinyl", "verity"]


@pytest.mark.parametrize("name", ["early-vinyl", "verity"])
def test_a_shipped_guide_has_a_question_for_each_hands_on_trait_and_sums_to_one(name):
    guide = load(name)
    assert all(spec.question.endswith("?") for spec in guide.traits.values() if not spec.photo)
    model = Model(guide)
    assert model.prior.sum() == pytest.approx(1)
    for trait in guide.traits:
        table = model.table(trait)
        assert table.sum(axis=1) == pytest.approx(1)
        assert table.min() > 0.002, "no word may rule a state out altogether"


def test_every_early_vinyl_rule_is_marked_as_common_practice():
    guide = load("early-vinyl")
    for release in guide.releases:
        for trait in guide.releases[release].expect:
            assert guide.source_of(release, trait) == "common practice, no source"


def test_words_are_ordered_and_leave_room_for_error():
    values = list(WORDS.values())
    assert values == sorted(values, reverse=True)
    assert 0 < values[-1] < values[0] < 1


@pytest.mark.parametrize(
    ("old", "new", "needle", "says"),
    [
        ('{ brown = "usually", blue', '{ bronw = "usually", blue', "bronw", '"brown"'),
        ('{ brown = "usually", blue', '{ brown = "usualy", blue', "usualy", '"usually"'),
        (
            "[releases.r2.expect]\nfoot_holes",
            "[releases.r2.expect]\nfoot_hole",
            "foot_hole =",
            '"foot_holes"',
        ),
        ('from = ["r2", "r3", "r4"]', 'from = ["r2", "r33"]', "r33", '"r3"'),
        ('passes_for = "r1"', 'passes_for = "r0"', 'passes_for = "r0"', "unknown release"),
        ("prior = 2.0", 'prior = "often"', 'prior = "often"', "expected a number"),
        ("prior = 2.0", "prior = nan", "prior = nan", "expected a number"),
        ("title =", "titel =", "titel =", '"title"'),
        ("from = 250, to = 400", "from = 550, to = 400", "from = 550", "not below"),
        ('where = "head"', 'where = "hed"', 'where = "hed"', '"head"'),
        (
            'traits = ["torso_build", "weight_g"]',
            'traits = ["torso_build", "wait_g"]',
            "wait_g",
            '"weight_g"',
        ),
        ('traits = ["torso_build", "weight_g"]', 'traits = ["odor"]', "[groups.vinyl]", "already in group"),
        ('schema = "rakelight.guide/1"', 'schema = "rakelight.guide/9"', "guide/9", "unknown schema"),
        ('label = "Verity, third release"\n', "", "[releases.r3]", "expected some text"),
        ("share = 0.7", "share = 7", "share = 7", "from 0 to 1"),
        ('of = "eyeliner_color.hue_deg"', 'of = "hue_deg"', 'of = "hue_deg"', "no number of a photo trait"),
    ],
)
def test_a_mistake_is_named_with_its_line_and_a_remedy(old, new, needle, says):
    text = broken(old, new)
    message = message_of(text)
    assert message.startswith(f"mine.toml, line {lines_of(text, needle)} ")
    assert says in message


def test_a_syntax_mistake_names_its_line():
    text = broken('title = "Verity', "title = Verity")
    assert f"line {lines_of(text, 'title = Verity')}:" in message_of(text)


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"\xff\xfe\x00",
        b"a = 1\nb = \xe9",
        b"[" * 5000,
        b"a = " + b"[" * 3000,
        b"a = " + b"9" * 5000,
        b"releases = 3",
        b"title = 1979-05-27",
        b"[releases]\nr1 = 1\nr2 = 2",
        b'source = "x"\ntitle = "x"\n[releases.r1]\nlabel="a"\n[releases.none]\nlabel="b"',
        b'source = "x"\ntitle = "x"\n[[releases]]\nlabel="a"',
        b'source = "x"\ntitle = "x"\ntraits = ["a"]\n[releases.a]\nlabel="a"\n[releases.b]\nlabel="b"',
    ],
)
def test_hostile_bytes_are_refused_in_words(raw):
    with pytest.raises(InputFileError, match=r"line \d+"):
        build(parse(raw, "mine.toml"), "mine")


def test_mutated_guides_are_loaded_or_refused_in_words():
    random = np.random.default_rng(5)
    pieces = [
        b"[",
        b"]",
        b"{",
        b"}",
        b"=",
        b'"',
        b"nan",
        b"-1",
        b"true",
        b"\n",
        b"\x00",
        b"\xff",
        b"{}",
        b'""',
    ]
    refused = 0
    for _ in range(300):
        raw = bytearray(VERITY.encode())
        for _ in range(random.integers(1, 4)):
            at = int(random.integers(len(raw)))
            raw[at : at + int(random.integers(0, 40))] = pieces[random.integers(len(pieces))]
        try:
            build(parse(bytes(raw), "mine.toml"), "mine")
        except InputFileError as error:
            refused += 1
            assert re.search(r"line \d+", str(error))
    assert refused > 100


def test_an_unknown_guide_lists_those_that_ship():
    with pytest.raises(InputFileError, match=r'Did you mean "verity"\?.*early-vinyl, verity'):
        load("verty")


def test_a_missing_file_is_an_input_error(tmp_path):
    with pytest.raises(InputFileError, match=r"nowhere\.toml: cannot read"):
        load(tmp_path / "nowhere.toml")


def test_a_copy_of_a_shipped_guide_loads_from_its_path(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(VERITY, encoding="utf-8")
    assert load(path).releases == load("verity").releases


def test_line_index_knows_nested_and_repeated_tables():
    text = 'a = 1\n[t."x y".z]\nb = { c = "=", "d" = 2 }\ns = """\n[no]\nq = 1\n"""\n'
    text += "[[m]]\nk = 1\n[[m]]\nk = 2\n[m.n]\nj = 3"
    lines = index_lines(text)
    assert lines[("t", "x y", "z", "b", "c")] == 3
    assert ("no",) not in lines
    assert lines[("m", "0", "k")] == 9
    assert lines[("m", "1", "n", "j")] == 13


def test_photo_traits_cannot_get_other_states():
    text = VERITY + '\n[traits.iris_color]\nstates = { purple = "x", red = "y" }\n'
    assert "unknown key" in message_of(text)
    spec = load("verity").traits["iris_color"]
    assert spec.state_ids == next(v for k, v in STATES.items() if k == "iris_color")


# -- marks ----------------------------------------------------------------------------------------------

MARKS = load("verity").marks


def read(*lines, confidence=0.9):
    return wording_candidates([TextLine(text, confidence, ()) for text in lines], MARKS)


def test_usual_misreadings_cost_less_than_other_letters():
    assert edit_cost("HARGR0VE", "HARGROVE") < edit_cost("HARGRXVE", "HARGROVE")
    assert edit_cost("MCML7III", "MCMLVIII") > edit_cost("MCMLYIII", "MCMLVIII")
    assert edit_cost("VERITY", "VERITY") == 0


@pytest.mark.parametrize("sign", ["", " ®", "®", " TM", "™", " (R)", "©"])
def test_the_small_sign_counts_nothing(sign):
    assert plain(f"VERITY{sign}") == "VERITY"
    assert read(f"VERITY{sign}") == pytest.approx(read("VERITY"))


def test_a_sign_read_as_letters_counts_nothing_either():
    assert read("VERITYTM")["pending_registered"] == pytest.approx(read("VERITYTM")["pending"])


def test_a_garbled_reading_still_finds_its_mark():
    found = read("0PAL", "VER1TY", "MCMLX1V", "HARGR0VE W0RKS", "PATENTEO")
    assert max(found, key=found.get) == "two_names"
    assert found["two_names"] > 0.8


def test_two_marks_that_share_the_lines_read_stay_alike():
    found = read("VERITY", "PATENTAPPLIED", "MCMLVI")
    assert found["pending"] == pytest.approx(found["pending_registered"])


def test_a_foreign_text_is_unlisted_but_not_for_sure():
    found = read("ACME TOY COMPANY", "LISBON 1971")
    assert max(found, key=found.get) == "unlisted"
    assert found["unlisted"] < 0.95


def test_nothing_readable_says_nothing():
    assert read("", "®", ".") == {}
    assert wording_candidates([], MARKS) == {}
    assert all(p < 0.4 for p in read("XQ").values())


def test_a_country_on_the_foot_is_no_unlisted_mark():
    country = [TextLine("MADE 1N JAPAN", 0.9, ())]
    name = [TextLine("VERITY", 0.9, ())]
    elsewhere = load("verity").other_lines
    alone = wording_candidates(country, MARKS)
    assert max(alone, key=alone.get) == "unlisted"
    assert wording_candidates(country, MARKS, elsewhere) == {}
    assert wording_candidates(country + name, MARKS, elsewhere) == wording_candidates(name, MARKS)


def test_candidates_sum_to_one_and_order_does_not_matter():
    assert sum(read("VERITY", "MCMLVI", "HARGROVE").values()) == pytest.approx(1)
    assert read("MCMLVI", "HARGROVE", "VERITY") == pytest.approx(read("VERITY", "MCMLVI", "HARGROVE"))


def test_a_weakly_read_line_says_less():
    sure, unsure = (
        read("OPAL", "PATENTED")["two_names"],
        read("OPAL", "PATENTED", confidence=0.3)["two_names"],
    )
    assert sure > unsure > 1 / 5


def test_guide_text_names_no_machine_path():
    for name in ("verity", "early-vinyl"):
        text = (importlib.resources.files("pipelines") / "guides" / f"{name}.toml").read_text(
            encoding="utf-8"
        )
        assert not re.search(r"(^|\s)/\w+/", text)
    assert guides.MARK_WORDING in load("verity").traits
