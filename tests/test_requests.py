"""What to ask for: the most telling first, nothing already known, polite and complete."""

from pipelines.dossier import build_dossier
from pipelines.guide import load
from pipelines.requests import letter, rank_requests, trait_gains
from tests.records import photo, said, silent
from vision.traits import Reason, View

GUIDE = load("verity")
EYES = (said("iris_color", "unpainted"), said("eyeliner_color", "black"))


def ranked(*records, claim=None, photos=()):
    return rank_requests(build_dossier(photos, records, GUIDE), GUIDE, claim)


def test_when_only_the_feet_tell_two_releases_apart_they_come_first():
    first = ranked(*EYES, claim="r1")[0]
    assert first.view == View.SOLES
    assert first.traits[0].claim_change > 0.1
    assert "claim" in first.why


def test_requests_are_ordered_and_each_is_worth_asking():
    scores = [request.score for request in ranked(claim="r1")]
    assert scores == sorted(scores, reverse=True)
    assert min(scores) > 0


def test_several_traits_of_one_view_are_one_photo():
    views = [request.view for request in ranked() if request.kind == "photo"]
    assert len(views) == len(set(views))
    face = next(request for request in ranked() if request.view == View.FACE)
    assert {"eyeliner_color", "iris_color"} <= {gain.trait for gain in face.traits}


def test_what_is_surely_known_is_not_asked_again():
    asked = {gain.trait for request in ranked(*EYES) for gain in request.traits}
    assert asked.isdisjoint({"iris_color", "eyeliner_color"})


def test_a_weak_reading_is_asked_again_and_says_why():
    gains = [g for r in ranked(said("iris_color", "blue", 0.65)) for g in r.traits if g.trait == "iris_color"]
    assert gains[0].because == "found only with 65 % confidence"


def test_a_blurred_photo_is_mentioned_to_the_seller():
    blurred = photo("s", View.SOLES, silent("foot_holes", Reason.BLURRED))
    soles = next(r for r in ranked(*EYES, photos=[blurred]) if r.view == View.SOLES)
    assert "out of focus" in soles.text


def test_where_a_hole_may_be_molded_or_neatly_drilled_its_edge_and_wall_are_asked_for():
    """Another photo of the whole soles would leave the question as open as before."""

    def asked(**candidates):
        seen = silent("foot_holes", Reason.AMBIGUOUS, **candidates)
        soles = next(r for r in ranked(*EYES, photos=[photo("s", View.SOLES, seen)]) if r.view == View.SOLES)
        return soles.text + soles.how

    neat = asked(open=0.5, drilled=0.42, lined=0.05, none=0.03)
    assert all(word in neat for word in ("macro", "wall", "low at one side"))
    assert "macro" not in asked(none=0.5, open=0.42, drilled=0.05, lined=0.03)


def test_knowing_a_trait_lowers_what_its_group_would_tell():
    def bits(*records):
        dossier = build_dossier([], records, GUIDE)
        return next(g.bits for g in trait_gains(dossier, GUIDE) if g.trait == "weight_g")

    assert bits(said("torso_build", "solid")) < bits()


def test_the_letter_is_ready_to_send():
    text = letter(ranked(*EYES, claim="r1"))
    assert text.startswith("Hello,")
    assert "soles of both feet" in text
    assert "gray card" in text
    assert "?" in text
    assert "first release" not in text, "the seller is not told what would please the buyer"
    assert max(map(len, text.splitlines())) < 400


def test_nothing_to_ask_is_said():
    assert letter(()).startswith("Nothing further to ask")


def test_the_same_dossier_gives_the_same_requests():
    assert [r.to_json() for r in ranked(*EYES)] == [r.to_json() for r in ranked(*reversed(EYES))]
