"""The verdict moves the right way, never too far, and says when it cannot tell."""

import itertools

import numpy as np
import pytest

from pipelines.dossier import build_dossier
from pipelines.guide import load
from pipelines.story import joined
from pipelines.verdict import weigh
from pipelines.weighing import NONE_ID, SINGLE_CAP, TOTAL_CAP, Model, evidence_of
from tests.records import mark, photo, said, silent
from vision.traits import STATES, Quantity, Reason, Trait, View

GUIDE = load("verity")
MODEL = Model(GUIDE)


def verdict(*records, claim=None, guide=GUIDE):
    return weigh(build_dossier([], records, guide), guide, claim)


def posterior(release, *records):
    return verdict(*records).release(release).posterior


FIRST = (
    said("foot_holes", "open", 0.9, "left_foot"),
    said("iris_color", "unpainted"),
    said("eyeliner_color", "black"),
    said("skin_fade", "faded", 0.85),
    said("torso_build", "solid"),
)


# -- metamorphic ------------------------------------------------------------------------------------------


def test_each_supporting_finding_raises_the_release():
    chances = [posterior("r1", *FIRST[:n]) for n in range(len(FIRST) + 1)]
    assert all(b > a for a, b in itertools.pairwise(chances))
    assert chances[-1] > 0.7


def test_a_contradicting_finding_lowers_it():
    assert posterior("r1", *FIRST, said("odor", "none"), said("fringe", "single_curl")) < posterior(
        "r1", *FIRST
    )


@pytest.mark.parametrize("release", list(GUIDE.releases))
def test_weaker_confidence_stays_closer_to_the_prior(release):
    prior = posterior(release)
    distances = [
        abs(posterior(release, said("torso_build", "hollow", confidence)) - prior)
        for confidence in (0.6, 0.75, 0.9, 0.97)
    ]
    assert distances == sorted(distances)
    assert distances[0] < distances[-1]


def test_order_does_not_matter():
    results = [verdict(*order, claim="r1").to_json() for order in itertools.permutations(FIRST[:4])]
    assert all(result == results[0] for result in results)


def test_the_same_photo_twice_changes_nothing():
    one = photo("a", View.FACE, *FIRST[1:3], sha256="same")
    two = photo("b", View.FACE, *FIRST[1:3], sha256="same")
    once, twice = (weigh(build_dossier(p, (), GUIDE), GUIDE) for p in ([one], [one, two]))
    assert once.releases[0].posterior == twice.releases[0].posterior


def test_another_photo_of_the_same_paint_is_no_second_witness():
    one = photo("a", View.FACE, *FIRST[1:3])
    two = photo("b", View.FACE, *FIRST[1:3])
    once, twice = (weigh(build_dossier(p, (), GUIDE), GUIDE) for p in ([one], [one, two]))
    assert [r.posterior for r in once.releases] == [r.posterior for r in twice.releases]


def test_a_second_foot_tells_less_than_the_first():
    left, right = (said("foot_holes", "open", 0.9, part) for part in ("left_foot", "right_foot"))
    ratio = [verdict(*feet).release("r1").log10_likelihood_ratio for feet in ((), (left,), (left, right))]
    assert ratio[2] - ratio[1] < ratio[1] - ratio[0]
    assert ratio[2] > ratio[1]


def test_correlated_traits_tell_less_than_unrelated_ones():
    heavy, solid = said("weight_g", "heavy"), said("torso_build", "solid")
    apart = (
        MODEL.evidence("weight_g", None, {"heavy": 0.9}),
        MODEL.evidence("torso_build", None, {"solid": 0.9}),
    )
    summed = sum(e.log_likelihood for e in apart)
    together = MODEL.total(apart)
    assert np.ptp(together) < np.ptp(summed)
    assert posterior("r4", heavy, solid) > posterior("r4", solid)


# -- bounds -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("trait", list(GUIDE.spoken_of()))
def test_no_single_finding_speaks_louder_than_its_cap(trait):
    for state in GUIDE.traits[trait].state_ids:
        evidence = MODEL.evidence(trait, None, {state: 1.0})
        assert evidence.spread <= np.log(SINGLE_CAP) + 1e-9
        assert evidence.log_likelihood.max() == pytest.approx(0)


def test_all_findings_together_are_capped_and_no_release_is_ruled_out():
    loud = [said(s.id, s.state_ids[0], 1.0) for s in GUIDE.traits.values() if s.id in GUIDE.spoken_of()]
    result = verdict(*loud)
    assert all(abs(r.log10_likelihood_ratio) <= np.log10(TOTAL_CAP) + 1e-9 for r in result.releases)
    assert min(r.posterior for r in result.releases) > 0
    assert max(r.posterior for r in result.releases) < 1


def test_posteriors_and_exchanged_heads_share_one():
    result = verdict(*FIRST)
    swapped = MODEL.altered("swapped_head")
    items = [e for _, e in evidence_of(build_dossier([], FIRST, GUIDE), MODEL)]
    rest = float(MODEL.posterior(MODEL.total(items))[swapped].sum())
    assert sum(r.posterior for r in result.releases) + rest == pytest.approx(1)


def test_findings_that_fit_nothing_raise_none_of_these():
    odd = [said("eyeliner_color", "none"), said("iris_color", "green"), said("hair_color", "other")]
    assert posterior(NONE_ID, *odd) > 2 * posterior(NONE_ID)


# -- cannot tell ------------------------------------------------------------------------------------------


def test_only_withheld_traits_leave_the_prior_and_say_so():
    records = [silent(t, Reason.AMBIGUOUS, **{STATES[t][0]: 0.55, STATES[t][1]: 0.4}) for t in Trait]
    result = verdict(*records, claim="r1")
    for release in result.releases:
        assert release.posterior == pytest.approx(release.prior)
    assert result.headline.startswith("Cannot tell")
    assert result.claim.state == "open"
    assert any("not clear enough: eyeliner, iris paint, lip paint," in sentence for sentence in result.story)
    assert not result.alteration_flags


def test_one_finding_decides_no_claim():
    for state in ("open", "lined", "drilled"):
        assert verdict(said("foot_holes", state, 0.99), claim="r2").claim.state == "open"


def test_alike_releases_are_both_named():
    result = verdict(*FIRST[1:], claim="r1")
    assert result.headline.startswith("Cannot tell which release")
    assert "first release" in result.headline
    assert "second release" in result.headline
    assert result.claim.state == "open"


# -- stories ----------------------------------------------------------------------------------------------


def test_an_untouched_first_release():
    result = verdict(*FIRST, mark("VERITY TM", "PATENT APPLIED"), claim="r1")
    assert result.releases[0].id == "r1"
    assert result.claim.state == "consistent"
    assert not result.alteration_flags
    assert "authentic" not in str(result.to_json()).lower()


def test_a_later_doll_drilled_to_pass_for_the_first():
    feet = [said("foot_holes", "drilled", 0.85, part) for part in ("left_foot", "right_foot")]
    result = verdict(*feet, said("eyeliner_color", "brown"), said("iris_color", "blue"), claim="r1")
    assert result.claim.state == "contradicted"
    flag = result.alteration_flags[0]
    assert flag.id == "drilled_to_first"
    assert "consistent with" in flag.sentence
    assert flag.evidence[0].trait == "foot_holes"


def test_drilled_feet_under_a_face_like_the_first_are_flagged_and_the_claim_is_not_carried():
    feet = [said("foot_holes", "drilled", 0.85, part) for part in ("left_foot", "right_foot")]
    result = verdict(*feet, *FIRST[1:3], said("lip_paint", "overpainted"), claim="r1")
    assert result.claim.state != "consistent"
    assert result.alteration_flags[0].id == "drilled_and_repainted"
    assert "holes made in its soles" in result.headline


def test_one_cut_hole_is_flagged_where_it_matters_for_the_claim():
    hole = said("foot_holes", "drilled", 0.9, "left_foot")
    assert "drilled_to_first" in {flag.id for flag in verdict(hole, claim="r1").alteration_flags}
    assert not verdict(hole, claim="r5").alteration_flags


def test_neatly_drilled_holes_under_a_later_face_do_not_carry_the_claim():
    feet = [said("foot_holes", "open", 0.9, part) for part in ("left_foot", "right_foot")]
    result = verdict(*feet, said("eyeliner_color", "brown"), said("iris_color", "blue"), claim="r1")
    assert result.claim.state != "consistent"
    assert any(flag.id == "drilled_to_first" for flag in result.alteration_flags)


def test_paint_beyond_the_lips_is_flagged_on_any_release():
    result = verdict(
        said("lip_paint", "overpainted"), said("eyeliner_color", "blue"), said("iris_color", "blue")
    )
    assert [flag.id for flag in result.alteration_flags] == ["repainted_lips"]


def test_rubbed_lips_flag_nothing():
    result = verdict(said("lip_paint", "rubbed"), said("eyeliner_color", "blue"), said("iris_color", "blue"))
    assert not result.alteration_flags


def test_a_reissue_offered_as_the_first():
    head = photo("h", View.HEAD_BACK, mark("MCMLVI, MCMXCVII", "HARGROVE WORKS", "SECOND MOLD"))
    feet = photo("s", View.SOLES, *(said("foot_holes", "lined", 0.9, p) for p in ("left_foot", "right_foot")))
    face = photo("f", View.FACE, *FIRST[1:3])
    result = weigh(build_dossier([head, feet, face], (), GUIDE), GUIDE, "r1")
    assert result.releases[0].id == "reissue"
    assert result.claim.state == "contradicted"
    assert {"foot_holes", "mark_place"} <= {c.trait for c in result.release("r1").contradicting}


def test_an_exchanged_head_is_noticed():
    body = [said("torso_build", "hollow"), said("weight_g", "light"), said("mark_symbol", "registered")]
    head = [*FIRST[1:3], said("brows", "arched"), said("fringe", "soft"), said("scalp_flocking", "present")]
    result = verdict(*body, *head)
    assert any(flag.id == "swapped_head" for flag in result.alteration_flags)


def test_disagreeing_feet_are_said_aloud():
    result = weigh(
        build_dossier(
            [
                photo(
                    "s",
                    View.SOLES,
                    said("foot_holes", "open", 0.9, "left_foot"),
                    said("foot_holes", "none", 0.9, "right_foot"),
                )
            ],
            (),
            GUIDE,
        ),
        GUIDE,
    )
    assert any("two feet were read differently" in sentence for sentence in result.story)


@pytest.mark.parametrize(
    ("sentences", "told"),
    [
        (["Hole (left foot): a.", "Hole (right foot): a."], ["Hole (both feet): a."]),
        (["Ear (left ear): a.", "Ear (right ear): b."], ["Ear (left ear): a.", "Ear (right ear): b."]),
        (["Ear (right ear): a.", "Lips: c.", "Ear (left ear): a."], ["Ear (both ears): a.", "Lips: c."]),
        (["Hole (left foot): a."], ["Hole (left foot): a."]),
    ],
)
def test_left_and_right_that_say_the_same_are_told_once(sentences, told):
    assert joined(sentences) == told


@pytest.mark.parametrize("state", ["open", "lined", "drilled", "none"])
def test_two_feet_that_were_read_alike_never_speak_both_for_and_against(state):
    feet = [said("foot_holes", state, p, part) for p, part in ((0.9, "left_foot"), (0.8, "right_foot"))]
    for release in verdict(*feet, *FIRST[1:3], said("torso_build", "hollow")).releases:
        both = [{c.trait for c in side} for side in (release.supporting, release.contradicting)]
        assert "foot_holes" not in both[0] & both[1]


@pytest.mark.parametrize("claim", ["r1", "r5"])
def test_a_claim_is_told_with_what_speaks_for_it_and_what_against_it(claim):
    reasons = verdict(*FIRST, said("mark_symbol", "registered"), claim=claim).claim.reasons
    assert any(line.startswith("For it: ") for line in reasons)
    assert any(line.startswith("Against it: ") for line in reasons)


def test_what_photos_did_not_show_is_said_where_only_hands_found_something():
    face = photo("f", View.FACE, silent(Trait.LIP_PAINT, Reason.BLURRED))
    result = weigh(build_dossier([face], [said("torso_build", "hollow")], GUIDE), GUIDE)
    assert any("blurred: lip paint." in sentence for sentence in result.story)


def test_every_contribution_says_where_its_rule_comes_from():
    for release in verdict(*FIRST).releases:
        for contribution in (*release.supporting, *release.contradicting):
            assert contribution.rule_source
            assert contribution.sentence.endswith(".")


def test_two_marks_that_share_the_lines_read_are_both_named():
    result = verdict(mark("VERITY", "PATENT APPLIED", "MCMLVI"))
    sentences = [c.sentence for c in result.release("r5").supporting if c.trait == "mark_wording"]
    assert sentences
    assert "patent applied for” or “VERITY, registered" in sentences[0]
    assert "always so for Verity, fifth release" in sentences[0]


def test_an_unknown_claim_is_an_error():
    with pytest.raises(KeyError):
        verdict(claim="r9")


# -- many dolls -------------------------------------------------------------------------------------------


def drawn_doll(rng, hypothesis):
    """Readings of a doll drawn from the guide, four in ten unseen, each as often wrong as it says."""
    records = []
    for trait in GUIDE.spoken_of():
        spec = GUIDE.traits[trait]
        if rng.random() < (0.4 if spec.photo else 0.85):
            continue
        true = rng.choice(len(spec.states), p=MODEL.table(trait)[hypothesis])
        confidence = float(rng.choice([0.65, 0.75, 0.85, 0.93]))
        wrong = [i for i in range(len(spec.states)) if i != true]
        seen = true if rng.random() < confidence else rng.choice(wrong)
        records.append(said(trait, spec.state_ids[seen], confidence))
    return records


def test_on_dolls_drawn_from_the_guide_the_verdict_keeps_its_word():
    """A true claim is hardly ever called contradicted, and a probability is worth what it says."""
    rng = np.random.default_rng(11)
    names = list(GUIDE.releases)
    true_and_contradicted = contradicted = consistent = consistent_and_true = 0
    tops = []
    for _ in range(400):
        drawn = rng.choice(len(MODEL.hypotheses), p=MODEL.prior)
        identity = MODEL.hypotheses[drawn].identity
        claim = identity if identity and rng.random() < 0.5 else str(rng.choice(names))
        result = weigh(build_dossier([], drawn_doll(rng, drawn), GUIDE), GUIDE, claim, MODEL)
        state = result.claim.state
        contradicted += state == "contradicted"
        true_and_contradicted += state == "contradicted" and identity == claim
        consistent += state == "consistent"
        consistent_and_true += state == "consistent" and identity == claim
        tops.append((result.releases[0].posterior, result.releases[0].id == (identity or NONE_ID)))
    assert contradicted > 20
    assert true_and_contradicted <= 0.08 * contradicted
    assert consistent > 20
    assert consistent_and_true >= 0.8 * consistent
    chance, right = np.array(tops, float).T
    assert right.mean() == pytest.approx(chance.mean(), abs=0.08)


def test_a_liner_of_a_hue_that_the_claimed_release_never_had_speaks_for_renewed_paint():
    def flagged(hue):
        hue_deg = Quantity(hue, 7.0, "deg")
        liner = said("eyeliner_color", "blue", 0.93).replace(quantities={"hue_deg": hue_deg})
        dossier = build_dossier([photo("face.jpg", View.FACE, liner, said("iris_color", "blue"))], (), GUIDE)
        evidence = [item for _, item in evidence_of(dossier, MODEL)]
        renewed = MODEL.altered("repainted_eyes")
        return MODEL.log10_ratio(MODEL.total(evidence), renewed), weigh(dossier, GUIDE, "r4")

    (clear, _), (greenish, judged) = flagged(272), flagged(220)
    assert greenish > clear + 0.2
    # One hue alone decides no claim and accuses nobody.
    assert judged.claim is not None
    assert judged.claim.state != "contradicted"
    assert all("consistent with" in flag.sentence for flag in judged.alteration_flags)
