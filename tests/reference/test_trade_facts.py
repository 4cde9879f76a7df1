"""Check values of the early-vinyl guide: what dealers commonly say. Common practice, no source."""

import pytest

from pipelines.dossier import build_dossier
from pipelines.guide import load
from pipelines.verdict import weigh
from tests.records import mark, photo, said
from vision.traits import View

GUIDE = load("early-vinyl")


def releases(*records, photos=()):
    return {r.id: r for r in weigh(build_dossier(photos, records, GUIDE), GUIDE).releases}


def gained_most(found):
    """The release whose likelihood ratio gained most."""
    return max(found.values(), key=lambda r: r.log10_likelihood_ratio).id


def test_an_open_hole_points_to_the_first():
    found = releases(said("foot_holes", "open", part="left_foot"))
    assert gained_most(found) == "first"
    assert found["first"].posterior > 3 * found["first"].prior
    assert found["second"].log10_likelihood_ratio < 0


def test_no_hole_speaks_against_the_first_only_and_the_reissue():
    found = releases(said("foot_holes", "none", part="left_foot"))
    against = {r.id for r in found.values() if r.log10_likelihood_ratio < -0.3}
    assert against == {"first", "reissue"}


def test_a_drilled_hole_does_not_point_to_the_first():
    found = releases(said("foot_holes", "drilled", part="left_foot"))
    assert found["first"].log10_likelihood_ratio < 0.3
    assert gained_most(found) != "first"


def test_metal_lining_and_a_mark_on_the_head_point_to_a_reissue():
    head = photo("h", View.HEAD_BACK, mark("ANY", "TEXT"))
    found = releases(said("foot_holes", "lined", part="left_foot"), photos=[head])
    assert gained_most(found) == "reissue"
    assert found["reissue"].posterior > 0.7


@pytest.mark.parametrize(
    ("trait", "state"), [("leg_seams", "present"), ("fingers", "undivided"), ("fringe", "single_curl")]
)
def test_other_signs_of_a_reissue(trait, state):
    assert gained_most(releases(said(trait, state))) == "reissue"


def test_brown_liner_points_to_the_third():
    found = releases(said("eyeliner_color", "brown"))
    assert gained_most(found) == "third"
    assert all(found[r].posterior < found["third"].posterior for r in ("first", "second", "fourth"))


def test_blue_liner_does_not_rule_the_third_out():
    assert releases(said("eyeliner_color", "blue"))["third"].log10_likelihood_ratio > -0.5


def test_plain_eyes_with_arched_brows_are_first_and_second():
    found = releases(said("iris_color", "unpainted"), said("brows", "arched"), said("torso_build", "solid"))
    assert {r.id for r in sorted(found.values(), key=lambda r: -r.log10_likelihood_ratio)[:2]} == {
        "first",
        "second",
    }


def test_blue_irises_begin_with_the_third():
    found = releases(said("iris_color", "blue"))
    assert all(found[r].log10_likelihood_ratio < 0 for r in ("first", "second"))
    assert all(found[r].log10_likelihood_ratio > 0 for r in ("third", "fourth", "fifth", "sixth"))


@pytest.mark.parametrize(("trait", "state"), [("mark_symbol", "registered"), ("torso_build", "hollow")])
def test_registered_sign_and_hollow_torso_point_to_the_fifth_or_later(trait, state):
    found = releases(said(trait, state))
    early = [found[r] for r in ("first", "second", "third", "fourth")]
    assert all(r.log10_likelihood_ratio < -0.5 for r in early)
    assert all(found[r].log10_likelihood_ratio > 0 for r in ("fifth", "sixth"))


def test_a_firm_fringe_points_to_the_fifth_or_later():
    found = releases(said("fringe", "firm"))
    assert all(found[r].log10_likelihood_ratio > 0 for r in ("fifth", "sixth"))


def test_a_second_name_joins_the_mark_of_the_sixth():
    assert gained_most(releases(said("names_in_mark", "two"))) == "sixth"


def test_the_first_three_fade_and_the_fourth_keeps_its_tan():
    faded = releases(said("skin_fade", "faded"))
    assert all(faded[r].log10_likelihood_ratio > 0 for r in ("first", "second", "third"))
    assert faded["fourth"].log10_likelihood_ratio < 0


def test_a_waxy_smell_is_of_the_first_three():
    found = releases(said("odor", "crayon"))
    assert all(found[r].log10_likelihood_ratio > 0 for r in ("first", "second", "third"))
    assert all(found[r].log10_likelihood_ratio < 0 for r in ("fourth", "fifth", "sixth", "reissue"))


def test_red_hair_begins_with_the_fifth():
    found = releases(said("hair_color", "other"))
    assert all(found[r].log10_likelihood_ratio < -0.3 for r in ("first", "second", "third", "fourth"))


def test_flocking_may_survive_to_the_fourth():
    found = releases(said("scalp_flocking", "present"))
    assert found["fourth"].log10_likelihood_ratio > 0
    assert found["fifth"].log10_likelihood_ratio < -0.3
