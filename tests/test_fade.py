"""Skin fade: what is fade, what is only light, and whether the numbers and their uncertainty hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.drawn_colors import Camera, Vinyl, cast
from vision import fade, fade_meaning
from vision.calibration import Calibration
from vision.color import delta_e_2000, lab_to_linear
from vision.locate.places import LinePlace
from vision.traits import Reason, Region

FADED = (4.0, -4.5, -1.5)


def _regions(body, share, gap=0.03, confidence=0.0, flags=()):
    """Covered and exposed regions as boxes along the body, row by row, the soft border left out."""
    import cv2

    def outline(mask):
        contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        return Region.from_arrays([c.reshape(-1, 2) for c in contours if cv2.contourArea(c) > 50])

    inner = cv2.erode(body.astype(np.uint8), np.ones((13, 13), np.uint8)) > 0
    covered, exposed = outline(inner & (share > 1 - gap)), outline(inner & (share < gap))
    return LinePlace(covered, exposed, (), confidence, flags)


def _measure(vinyl, rng, camera=None, calibration=None, **place):
    linear, body, share = vinyl.draw()
    camera = camera or Camera(noise=0.006)
    photo = camera.shoot(linear, rng)
    calibration = calibration or Calibration("grey_card", camera.neutral, 1.0, 1 / 0.9, 0.08)
    return fade.measure(photo, _regions(body, share, **place), calibration)


def _truth(vinyl):
    covered = np.asarray(vinyl.covered_lab)
    return float(delta_e_2000(covered, covered + np.asarray(vinyl.delta)))


def _gone(record):
    return record.state != "faded"


def test_no_line_asks_for_the_photo_that_would_show_it(rng):
    record = fade.measure(Camera().shoot(np.full((80, 80, 3), 0.3), rng), None, Calibration())
    assert record.not_measured is Reason.NO_REFERENCE
    assert "Ask for" in record.detail
    assert "lowered" in record.detail


@pytest.mark.parametrize("soft", [0.7, 3.0, 8.0])
def test_fade_is_measured_across_sharp_and_soft_lines(rng, soft):
    vinyl = Vinyl(delta=FADED, soft=soft)
    record = _measure(vinyl, rng)
    assert record.state == "faded"
    assert record.confidence > 0.8
    assert record.quantities["delta_e00"].value == pytest.approx(_truth(vinyl), abs=0.9)
    for name, value in zip("Lab", FADED, strict=True):
        quantity = record.quantities[f"delta_{name}"]
        assert abs(quantity.value - value) < max(2.5 * quantity.u, 0.8), name


def test_difference_grows_with_fade(rng):
    values = [
        _measure(Vinyl(delta=tuple(k * v for v in FADED)), rng).quantities["delta_e00"].value
        for k in (0, 0.5, 1, 1.5)
    ]
    assert values == sorted(values)


def test_unfaded_vinyl_named_by_the_user_is_called_unfaded(rng):
    record = _measure(Vinyl(), rng)
    assert record.state == "none"
    assert record.quantities["delta_e00"].value < 1


@pytest.mark.parametrize(
    "only_light",
    [
        Vinyl(shade=0.9, lamp_from=0.95),
        Vinyl(shade=0.2, lamp_from=-0.8),
        Vinyl(shadow=0.35),
        Vinyl(shadow=0.6),
        Vinyl(gloss=0.35),
        Vinyl(gloss=0.9, shade=0.8),
        Vinyl(second_light=(1.12, 1.0, 0.85)),
    ],
    ids=["side lamp", "other side", "cast shadow", "deep shadow", "sheen", "gloss and shade", "two lights"],
)
def test_light_alone_is_never_fade(rng, only_light):
    assert _gone(_measure(only_light, rng))
    assert _gone(_measure(only_light, rng, confidence=0.9, flags=("step",)))


def test_colored_cast_shadow_is_not_fade(rng):
    linear, body, share = Vinyl().draw()
    shade = np.where(share[..., None] < 0.5, np.array([0.5, 0.55, 0.65]), 1.0)
    photo = Camera(noise=0.006).shoot(linear * shade, rng)
    record = fade.measure(photo, _regions(body, share), Calibration("grey_card", u_delta_e=1.0, exposure=1.1))
    assert _gone(record)
    assert "two_lights" in record.flags


def test_fade_survives_a_wrong_white_balance(rng):
    vinyl = Vinyl(delta=FADED)
    wrong = _measure(vinyl, rng, Camera(cast(4300, 5200), noise=0.006), Calibration("none", u_delta_e=8.0))
    right = _measure(vinyl, rng)
    assert wrong.state == "faded"
    assert abs(wrong.quantities["delta_e00"].value - right.quantities["delta_e00"].value) < 1.5
    assert wrong.quantities["delta_e00"].u > right.quantities["delta_e00"].u
    assert "no_white_reference" in wrong.flags


def test_highlights_do_not_move_the_numbers(rng):
    plain = _measure(Vinyl(delta=FADED), rng)
    shiny = _measure(Vinyl(delta=FADED, gloss=0.6), rng)
    assert abs(plain.quantities["delta_e00"].value - shiny.quantities["delta_e00"].value) < 1.2


@pytest.mark.parametrize("bounced", [(1.0, 0.85, 0.7), (1.0, 1.19, 1.48)])
def test_an_arm_before_shaded_covered_vinyl_is_no_clothing_line(rng, bounced):
    """Measured across the shade of armpits, a doll of ΔE00 7 was offered as one of 12."""
    vinyl = Vinyl(delta=FADED, soft=0.7)
    linear, body, share = vinyl.draw()
    light = linear / lab_to_linear(np.asarray(vinyl.covered_lab) + (1 - share)[..., None] * FADED)
    covered = body & (share > 0.97)
    aside = np.abs(np.broadcast_to(np.arange(body.shape[1]), body.shape) - body.shape[1] / 2)
    shaded, arms = covered & (aside > 45) & (aside < 80), covered & (aside > 85)
    linear[shaded] *= 0.45 * np.array(bounced)
    linear[arms] = (light * lab_to_linear(np.asarray(vinyl.covered_lab) + FADED))[arms]
    photo = Camera(noise=0.006).shoot(linear, rng)
    line = _regions(body, np.where(arms, 0.0, share))
    record = fade.measure(photo, line, Calibration("grey_card", u_delta_e=1.0, exposure=1.1, u_exposure=0.08))
    assert abs(record.quantities["delta_e00"].value - _truth(vinyl)) < 1.0


def test_brightness_is_not_trusted_between_areas_far_apart(rng):
    linear, body, share = Vinyl(delta=FADED).draw()
    photo = Camera(noise=0.006).shoot(linear, rng)
    near = _regions(body, share)
    height, width = body.shape
    far = LinePlace(
        Region.box(0.4 * width, 0.84 * height, 0.6 * width, 0.92 * height),
        Region.box(0.4 * width, 0.08 * height, 0.6 * width, 0.16 * height),
    )
    calibration = Calibration("grey_card", u_delta_e=1.0, exposure=1.1, u_exposure=0.08)
    beside, apart = fade.measure(photo, near, calibration), fade.measure(photo, far, calibration)
    assert "not_beside" in apart.flags
    assert "not_beside" not in beside.flags
    assert apart.quantities["delta_L"].u > 2 * beside.quantities["delta_L"].u


def test_faint_located_step_is_not_called_unfaded(rng):
    record = _measure(Vinyl(delta=(0.4, -0.4, 0.0)), rng, confidence=0.7, flags=("step",))
    assert record.not_measured is Reason.AMBIGUOUS


def test_located_step_into_the_darker_is_not_called_fade(rng):
    record = _measure(Vinyl(delta=(-4.0, -4.0, 0.0)), rng, confidence=0.9, flags=("step",))
    assert record.state != "faded"


@pytest.mark.parametrize("swapped", [False, True])
def test_which_side_yellowed_is_not_claimed_where_only_yellow_differs(rng, swapped):
    """Told that light took the yellow, a dealer sells a yellowed doll as a pale one."""
    delta = np.array([0.3, 0.3, 6.0])
    linear, body, share = Vinyl(delta=tuple(delta)).draw()
    photo = Camera(noise=0.006).shoot(linear, rng)
    line = _regions(body, share, confidence=0.95, flags=("step",))
    if swapped:
        line = replace(line, covered=line.exposed, exposed=line.covered)
    record = fade.measure(photo, line, Calibration("grey_card", u_delta_e=1.0, exposure=1.1, u_exposure=0.08))
    assert "side_unsure" in record.flags
    for name, value in zip("Lab", delta, strict=True):
        quantity = record.quantities[f"delta_{name}"]
        assert abs(quantity.value - value) < 2 * quantity.u, name
    assert "is less yellow than vinyl under" not in record.detail


def test_a_likely_line_that_another_lamp_could_make_is_not_called_fade(rng):
    """The edge of a shadow under two lamps parts vinyl so: on a drawn doll it was called fade at 0.68."""
    red = _measure(Vinyl(delta=FADED), rng, confidence=0.68, flags=("step",))
    yellow = _measure(Vinyl(delta=(0.3, 0.3, 6.0)), rng, confidence=0.68, flags=("step",))
    assert red.state == "faded"
    assert 0.6 < red.confidence < 0.7
    assert yellow.not_measured is Reason.AMBIGUOUS


@pytest.mark.parametrize("kelvin", [3200, 6500])
def test_pinkness_tells_the_sides_apart_under_any_light(rng, kelvin):
    camera = Camera(cast(kelvin, 5000), noise=0.006)
    pinker = _measure(Vinyl(delta=(3.0, -3.0, 5.0)), rng, camera, confidence=0.9, flags=("step",))
    yellow = _measure(Vinyl(delta=(0.4, 0.5, 5.0)), rng, camera, confidence=0.9, flags=("step",))
    assert "side_unsure" not in pinker.flags
    assert "side_unsure" in yellow.flags


def test_sides_that_a_person_named_are_believed(rng):
    record = _measure(Vinyl(delta=(0.3, 0.3, 6.0)), rng)
    assert "side_unsure" not in record.flags
    assert "yellower" in record.detail


def test_tiny_regions_are_refused(rng):
    linear, _, _ = Vinyl(delta=FADED).draw()
    photo = Camera().shoot(linear, rng)
    line = LinePlace(Region.box(200, 400, 205, 405), Region.box(200, 100, 205, 105))
    assert fade.measure(photo, line, Calibration()).not_measured is Reason.TOO_SMALL


def test_burnt_out_vinyl_is_refused(rng):
    linear, body, share = Vinyl(delta=FADED).draw()
    photo = Camera().shoot(linear * 6, rng)
    assert fade.measure(photo, _regions(body, share), Calibration()).state is None


def test_grade_follows_the_difference(rng):
    small = _measure(Vinyl(delta=(1.0, -1.0, 0.0)), rng).quantities["grey_scale_grade"].value
    large = _measure(Vinyl(delta=(6.0, -6.0, 0.0)), rng).quantities["grey_scale_grade"].value
    assert large < small <= 5
    assert "textile" in _measure(Vinyl(delta=FADED), rng).detail


@pytest.mark.parametrize(
    ("delta", "words"),
    [
        ((5, 0, 0), "paler"),
        ((-5, 0, 0), "darker"),
        ((0, -5, 0), "less pink"),
        ((0, 0, 5), "yellower"),
        ((3, -4, -3), "paler and grayer"),
        ((0.2, 0.1, 0), "slightly different"),
    ],
)
def test_direction_is_said_in_a_dealers_words(delta, words):
    assert fade_meaning.direction(np.array(delta, float), (0.5, 0.5, 0.5)) == words


def test_stated_uncertainty_covers_the_error():
    inside_one, inside_two = [], []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        size = rng.uniform(0.4, 1.6)
        vinyl = Vinyl(
            covered_lab=(rng.uniform(45, 75), rng.uniform(10, 20), rng.uniform(12, 24)),
            delta=(size * rng.uniform(1, 5), -size * rng.uniform(2, 5), size * rng.uniform(-3, 3)),
            soft=rng.uniform(0.7, 5),
            shade=rng.uniform(0.2, 0.8),
            lamp_from=rng.uniform(-0.8, 0.8),
            gloss=rng.uniform(0, 0.3),
        )
        truth = cast(rng.uniform(3000, 6500), rng.uniform(4200, 5800))
        wrong = tuple(
            float(v) for v in np.asarray(truth) * np.exp([rng.normal() * 0.02, 0, rng.normal() * 0.02])
        )
        calibration = Calibration("grey_card", wrong, 1.5, 1 / 0.9 * np.exp(rng.normal() * 0.08), 0.08)
        record = _measure(vinyl, rng, Camera(truth, noise=rng.uniform(0.003, 0.012)), calibration)
        quantity = record.quantities["delta_e00"]
        off = abs(quantity.value - _truth(vinyl)) / quantity.u
        inside_one.append(off < 1)
        inside_two.append(off < 2)
    assert np.mean(inside_one) >= 0.6
    assert np.mean(inside_two) >= 0.9


# --- two photos ----------------------------------------------------------------------------------------


def _side(vinyl, camera, rng, side, method="grey_card"):
    linear, body, share = vinyl.draw()
    both = _regions(body, share)
    empty = Region(())
    line = LinePlace(both.covered, empty) if side == "covered" else LinePlace(empty, both.exposed)
    calibration = Calibration(method, camera.neutral, 1.2, 1 / 0.9, 0.1)
    return fade.measure(camera.shoot(linear, rng), line, calibration)


def test_one_side_alone_is_no_reference_but_keeps_its_color(rng):
    record = _side(Vinyl(delta=FADED), Camera(noise=0.006), rng, "covered")
    assert record.not_measured is Reason.NO_REFERENCE
    assert "another photo" in record.detail
    assert abs(record.quantities["covered_a"].value - 17) < 2.5 * record.quantities["covered_a"].u


def test_two_photos_under_two_lights_are_compared_when_both_carry_a_reference(rng):
    vinyl = Vinyl(delta=(3.0, -8.0, -2.0))
    covered = _side(vinyl, Camera(cast(3200, 4800), noise=0.006), rng, "covered")
    exposed = _side(vinyl, Camera(cast(6500, 5000), noise=0.006), rng, "exposed")
    record = fade.between(covered, exposed)
    assert record.state == "faded"
    assert "two_photos" in record.flags
    for name, value in (("L", 3.0), ("a", -8.0), ("b", -2.0)):
        quantity = record.quantities[f"delta_{name}"]
        assert abs(quantity.value - value) < 2 * quantity.u, name


def test_two_photos_of_unfaded_vinyl_are_not_called_faded(rng):
    covered = _side(Vinyl(), Camera(cast(3200, 4800), noise=0.006), rng, "covered")
    exposed = _side(Vinyl(shade=0.9, lamp_from=-0.9), Camera(cast(6500, 5000), noise=0.006), rng, "exposed")
    assert fade.between(covered, exposed).state != "faded"


def test_two_photos_without_a_reference_are_not_compared(rng):
    vinyl = Vinyl(delta=FADED)
    covered = _side(vinyl, Camera(), rng, "covered", "scene")
    exposed = _side(vinyl, Camera(), rng, "exposed")
    assert fade.between(covered, exposed) is None
    assert fade.between(exposed, exposed) is None
