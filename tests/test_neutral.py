"""White reference: what is found, what is refused, and whether the uncertainty is honest."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image

from tests.bench import charts
from tests.drawn_colors import Camera, cast, chart_face, ground, put
from vision import card, card_outline, neutral
from vision.chart import MAX_RESIDUAL_MEAN, find_chart, reference_linear
from vision.color import delta_e_2000, lab_to_linear, linear_to_lab, read_color, srgb_to_linear
from vision.locate.places import FacePlace
from vision.photo import Photo
from vision.traits import Region


def _off(calibration, truth):
    return float(np.abs(np.asarray(calibration.neutral_rgb) / np.asarray(truth) - 1).max())


# --- chart ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("angle", "tilt", "width", "kelvin"),
    [
        (0, 0, 300, 5500),
        (90, 0, 260, 3200),
        (180, 20, 240, 4000),
        (270, 35, 260, 7000),
        (37, 25, 220, 3000),
        (141, 38, 300, 5000),
    ],
)
def test_chart_at_any_turn_gives_neutral_and_exposure(rng, angle, tilt, width, kelvin):
    truth = cast(kelvin, 5000)
    scene = ground(rng)
    put(scene, chart_face(), (450, 350), width, angle, tilt, light=0.6)
    calibration = neutral.estimate(Camera(truth).shoot(scene, rng))
    assert calibration.method == "color_chart"
    assert _off(calibration, truth) < 0.05
    assert calibration.residual_mean < 3
    assert calibration.exposure == pytest.approx(1 / 0.6, rel=0.15)
    x0, y0, x1, y1 = calibration.region.bounds
    assert x0 < 450 < x1 and y0 < 350 < y1


def test_chart_as_small_as_six_hundredths_of_the_width(rng):
    scene = ground(rng, 1500, 2000)
    put(scene, chart_face(), (1200, 700), 125, 12, 10)
    calibration = neutral.estimate(Camera(cast(4000, 5000)).shoot(scene, rng))
    assert calibration.method == "color_chart"
    assert _off(calibration, cast(4000, 5000)) < 0.06


@pytest.mark.parametrize(("width", "blur", "angle"), [(84, 2.5, 12), (110, 3.4, 200), (95, 3.0, 77)])
def test_chart_out_of_focus_is_found_by_the_order_of_its_colors(rng, width, blur, angle):
    scene = ground(rng)
    put(scene, chart_face(), (450, 350), width, angle, 15)
    truth = cast(4000, 5000)
    calibration = neutral.estimate(Camera(truth, blur=blur).shoot(scene, rng))
    assert calibration.method == "color_chart"
    off = np.log(np.asarray(calibration.neutral_rgb) / truth)[[0, 2]]
    assert neutral._u_delta_e(np.abs(off)) < 2 * calibration.u_delta_e
    x0, y0, x1, y1 = calibration.region.bounds
    assert x0 < 450 < x1 and y0 < 350 < y1


@pytest.mark.parametrize("seed", range(3))
def test_many_blurred_colors_in_another_order_are_no_chart(seed):
    """A toy or a print would set white, and every color with it."""
    rng = np.random.default_rng(seed)
    scene = ground(rng)
    colors = rng.permutation(np.clip(reference_linear(), 0.002, 1))
    put(scene, chart_face(colors), (450, 350), 110, 12, 10)
    assert find_chart(Camera(blur=3.0).shoot(scene, rng).rgb).fit is None


def test_a_smaller_chart_is_trusted_less(rng):
    scene = ground(rng)
    put(scene, chart_face(), (450, 350), 300, 5)
    fit = find_chart(Camera(cast(4000, 5000)).shoot(scene, rng).rgb).fit
    u = [neutral._from_chart(replace(fit, pitch_px=pitch), ()).u_delta_e for pitch in (9, 14, 28, 56)]
    assert u == sorted(u, reverse=True)
    assert u[0] > 1.25 * u[2]


def test_tiny_chart_is_refused_as_too_small(rng):
    scene = ground(rng, 350, 450)
    put(scene, chart_face(), (225, 175), 44)
    calibration = neutral.estimate(Camera(blur=0.3, noise=0.003, quality=95).shoot(scene, rng))
    assert calibration.method != "color_chart"
    assert any("too small" in note for note in calibration.notes)


def test_other_makers_patches_are_refused(rng):
    other = np.clip(
        lab_to_linear(np.column_stack([rng.uniform(25, 90, 24), rng.uniform(-50, 50, (24, 2))])), 0.01, 0.9
    )
    other[18:] = np.linspace(0.85, 0.03, 6)[:, None]
    scene = ground(rng)
    put(scene, chart_face(other), (450, 350), 320)
    calibration = neutral.estimate(Camera().shoot(scene, rng))
    assert calibration.method not in ("color_chart", "grey_card")
    assert any("do not fit" in note for note in calibration.notes)


def test_shuffled_chart_is_refused(rng):
    order = rng.permutation(24)
    scene = ground(rng)
    put(scene, chart_face(reference_linear()[order]), (450, 350), 320)
    assert neutral.estimate(Camera().shoot(scene, rng)).method not in ("color_chart", "grey_card")


def test_chart_half_in_shadow_is_read_by_its_lit_part(rng):
    truth = cast(3500, 5000)
    scene = ground(rng)
    put(scene, chart_face(), (450, 350), 320, light=0.85)
    scene[:, 470:] *= 0.45
    calibration = neutral.estimate(Camera(truth).shoot(scene, rng))
    assert calibration.method == "color_chart"
    assert "partly_shaded" in calibration.flags
    assert _off(calibration, truth) < 0.06


def test_mixed_light_on_the_chart_is_flagged_and_trusted_less(rng):
    scene = ground(rng)
    put(scene, chart_face(), (450, 350), 320)
    plain = neutral.estimate(Camera().shoot(scene, rng))
    ramp = np.linspace(-1, 1, scene.shape[1])[None, :, None]
    mixed = scene * np.exp(ramp * np.array([0.45, 0.0, -0.6]))
    calibration = neutral.estimate(Camera().shoot(mixed, rng))
    assert calibration.method != "color_chart" or (
        "mixed_light" in calibration.flags and calibration.u_delta_e > 1.5 * plain.u_delta_e
    )


def test_clipped_white_patch_is_left_out_and_flagged(rng):
    truth = cast(4200, 5200)
    scene = ground(rng) * 0.5
    put(scene, chart_face(), (450, 350), 320, light=1.35)
    calibration = neutral.estimate(Camera(truth).shoot(scene, rng))
    assert calibration.method == "color_chart"
    assert "clipped_channel" in calibration.flags
    assert _off(calibration, truth) < 0.05


@pytest.mark.parametrize("contrast", [1.0, 1.12])
def test_gloss_over_the_chart_strengthens_no_cast(rng, contrast):
    # Gloss lifts black; taken for a curve, it would bend the cast with it and tint every color read.
    truth = cast(3200, 5000)
    scene = ground(rng)
    put(scene, chart_face(), (450, 350), 320, light=0.6)
    vinyl = lab_to_linear([66.0, 17.0, 19.0])
    scene[60:160, 60:160] = 0.6 * vinyl
    photo = Camera().shoot(((scene + 0.025) * truth) ** contrast, rng)
    calibration = neutral.estimate(photo)
    assert calibration.method == "color_chart"
    assert "reflection" not in calibration.flags
    assert _off(calibration, truth) < 0.04
    seen = calibration.apply(srgb_to_linear(photo.rgb[80:140, 80:140]).reshape(-1, 3).mean(axis=0)[None])
    assert delta_e_2000(linear_to_lab(seen)[0], linear_to_lab(vinyl)) < 3


def test_correction_extrapolates_tamely(rng):
    scene = ground(rng)
    put(scene, chart_face(), (450, 350), 320)
    calibration = neutral.estimate(Camera(cast(3000, 4500)).shoot(scene, rng))
    np.testing.assert_allclose(calibration.matrix.sum(axis=1), 1, atol=1e-6)
    assert np.abs(calibration.matrix - np.eye(3)).max() < 0.5
    colors = np.array([[0.0, 0.0, 0.0], [1.0, 1.0, 1.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.02, 0.3, 0.9]])
    assert np.isfinite(calibration.apply(colors)).all()
    greys = calibration.apply(np.linspace(0.01, 0.9, 8)[:, None] * np.asarray(calibration.neutral_rgb))
    assert (np.diff(greys[:, 1]) > 0).all()


# --- card ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("angle", "tilt", "kelvin"), [(8, 0, 5500), (-30, 25, 4200), (80, 30, 6500)])
def test_grey_card_gives_neutral_and_exposure(rng, angle, tilt, kelvin):
    truth = cast(kelvin, 5200)
    scene = ground(rng)
    put(scene, np.full((200, 300, 3), 0.18), (420, 330), 260, angle, tilt, light=0.8)
    calibration = neutral.estimate(Camera(truth).shoot(scene, rng))
    assert calibration.method == "grey_card"
    assert _off(calibration, truth) < 0.05
    assert calibration.exposure == pytest.approx(1.25, rel=0.15)


def _vinyl_beside_a_card(rng, reflectance, told=None):
    """Return the reading of vinyl of L* 66 that lies in the same light as a card, and the white used."""
    truth = cast(4600, 5200)
    scene = ground(rng)
    put(scene, np.full((200, 300, 3), reflectance), (620, 500), 240, 14, light=0.75)
    scene[60:260, 80:360] = lab_to_linear([66, 17, 19]) * 0.75
    photo = Camera(truth).shoot(scene, rng)
    calibration = neutral.estimate(photo, card_reflectance=told)
    assert calibration.method == "grey_card"
    mean = srgb_to_linear(photo.rgb[80:240, 100:340].reshape(-1, 3)).mean(axis=0)
    return read_color(mean, np.zeros((3, 3)), calibration), calibration


@pytest.mark.parametrize("reflectance", [0.125, 0.18, 0.25, 0.36])
def test_lightness_carries_that_nobody_knows_which_grey_card_it_is(rng, reflectance):
    """A dealer's card of 36 % taken for one of 18 % makes faded vinyl of fresh vinyl: 20 L* too dark."""
    reading, calibration = _vinyl_beside_a_card(rng, reflectance)
    assert abs(reading.lab[0] - 66) < 2 * reading.u_lab[0]
    # What the exposure alone claims, without the allowance for light that differs from place to place.
    off = abs(np.log(calibration.exposure * 0.75))
    assert off < 2.1 * calibration.u_exposure
    assert any("12 % to 36 %" in note for note in calibration.notes)


def test_told_what_the_card_reflects_lightness_is_right_and_color_is_as_before(rng):
    state = rng.bit_generator.state
    guessed, unknown = _vinyl_beside_a_card(rng, 0.36)
    rng.bit_generator.state = state
    told, known = _vinyl_beside_a_card(rng, 0.36, told=0.36)
    assert abs(told.lab[0] - 66) < 2
    assert known.u_exposure < 0.25 * unknown.u_exposure
    assert told.u_lab[0] < guessed.u_lab[0]
    assert known.neutral_rgb == unknown.neutral_rgb
    assert abs(told.hue - guessed.hue) < 2
    assert known.exposure == pytest.approx(2 * unknown.exposure)


def test_pointed_at_card_of_known_reflectance_fixes_lightness_too(rng):
    scene = ground(rng)
    scene[100:260, 500:760] = 0.5 * 0.8
    photo = Camera(cast(3200, 5200)).shoot(scene, rng)
    calibration = neutral.estimate(photo, hint=Region.box(520, 120, 740, 240), card_reflectance=0.5)
    assert calibration.exposure == pytest.approx(1 / 0.8, rel=0.08)


def _paper(rng):
    scene = ground(rng) * 0.8
    put(scene, np.full((200, 300, 3), 0.88), (420, 330), 260, 12)
    return scene


def _cloth(rng):
    scene = ground(rng)
    weave = 0.18 * np.exp(
        0.35 * np.sign(np.sin(np.arange(300) / 1.1))[None, :] * np.sign(np.sin(np.arange(200) / 1.1))[:, None]
    )
    put(scene, np.repeat(weave[..., None], 3, axis=2), (420, 330), 300, 12)
    return scene


def _wall(rng):
    scene = ground(rng)
    scene[:300] = 0.2
    return scene


def _tiles(rng):
    scene = np.full((700, 900, 3), 0.2) * np.exp(0.01 * rng.normal(size=(700, 900, 1)))
    scene[::140] = scene[1::140] = scene[2::140] = 0.05
    scene[:, ::180] = scene[:, 1::180] = scene[:, 2::180] = 0.05
    return scene


def _checks(rng):
    """A checked cloth of which hands and feet leave one whole gray check in view."""
    scene = ground(rng)
    y, x = np.mgrid[:700, :900]
    u, v = (0.97 * x + 0.24 * y) / 130, (0.97 * y - 0.24 * x) / 130
    gray = ((np.floor(u) + np.floor(v)) % 2 == 0)[..., None]
    cloth = np.where(gray, 0.18, np.array([0.2, 0.22, 0.5]))
    near = np.hypot(x - 470, y - 330) < 190
    return np.where(near[..., None], cloth, scene)


def _wood(rng):
    scene = ground(rng)
    put(scene, np.full((200, 300, 3), (0.25, 0.15, 0.06)), (420, 330), 260, 12)
    return scene


def _print(rng):
    scene = ground(rng)
    face = np.full((200, 300, 3), 0.18)
    for y in range(30, 180, 20):
        face[y : y + 7, 30:270:9] = 0.04
    put(scene, face, (420, 330), 300, 12)
    return scene


@pytest.mark.parametrize("draw", [ground, _paper, _cloth, _wall, _tiles, _checks, _wood, _print])
def test_what_is_no_card_is_not_taken_for_one(rng, draw):
    calibration = neutral.estimate(Camera().shoot(draw(rng), rng))
    assert calibration.method not in ("grey_card", "color_chart"), draw.__name__


def test_card_half_in_a_soft_shadow_is_found(rng):
    truth = cast(4000, 5200)
    scene = ground(rng)
    put(scene, np.full((200, 300, 3), 0.18), (420, 330), 260, 14)
    scene *= (1 - 0.5 / (1 + np.exp(-(np.arange(scene.shape[1]) - 440) / 14)))[None, :, None]
    calibration = neutral.estimate(Camera(truth).shoot(scene, rng))
    assert calibration.method == "grey_card"
    assert "uneven_light" in calibration.flags
    assert _off(calibration, truth) < 0.05


def test_grout_of_the_cards_color_does_not_hide_it(rng):
    truth = cast(4600, 5200)
    scene = np.full((700, 900, 3), (0.5, 0.42, 0.3)) * np.exp(0.01 * rng.normal(size=(700, 900, 1)))
    for start in range(0, 900, 180):
        scene[:, start : start + 12] = 0.18
        scene[start : start + 12] = 0.18
    put(scene, np.full((200, 300, 3), 0.18), (420, 330), 240, 27)
    calibration = neutral.estimate(Camera(truth).shoot(scene, rng))
    assert calibration.method == "grey_card"
    assert _off(calibration, truth) < 0.05


def test_garment_of_the_cards_color_across_the_picture_does_not_hide_it(rng):
    truth = cast(4000, 5200)
    scene = ground(rng)
    put(scene, np.full((200, 300, 3), 0.18), (110, 130), 80, 17)
    dress = cv2.ellipse(np.zeros(scene.shape[:2], np.uint8), (760, 480), (100, 170), 10, 0, 360, 1, -1) > 0
    scene[dress] = 0.16
    calibration = neutral.estimate(Camera(truth).shoot(scene, rng))
    assert calibration.method == "grey_card"
    assert _off(calibration, truth) < 0.05


def test_smooth_card_without_a_grain_of_noise_is_found(rng):
    """A phone's noise reduction and JPEG leave a small card in one single color."""
    truth = cast(4600, 5200)
    scene = ground(rng)
    put(scene, np.full((200, 270, 3), 0.18), (420, 330), 80, 17)
    calibration = neutral.estimate(Camera(truth, noise=0.0, quality=80).shoot(scene, rng))
    assert calibration.method == "grey_card"
    assert _off(calibration, truth) < 0.05


def test_sharp_edge_of_a_shadow_on_a_card_is_no_weave(rng):
    scene = ground(rng)
    face = np.full((200, 270, 3), 0.18)
    face *= (1 - 0.5 / (1 + np.exp(-(np.arange(270) - 150) / 4)))[None, :, None]
    corners = put(scene, face, (420, 330), 90, 17, light=0.6)
    assert not card._textured(Camera().shoot(scene, rng).rgb, corners)


def test_small_card_among_many_wider_smooth_things_is_outlined(rng):
    scene = np.full((900, 900, 3), 0.3)
    for x in range(45, 900, 62):
        for y in range(45, 900, 62):
            color = rng.uniform(0.1, 0.5) * np.exp(0.1 * rng.normal(size=3))
            if np.hypot(x - 450, y - 450) > 85:
                cv2.circle(scene, (x, y), 27, color.tolist(), -1)
    corners = put(scene, np.full((200, 270, 3), 0.12), (450, 450), 62, 17)
    view = Camera().shoot(scene, rng).rgb
    (found,) = card_outline.quads(view, np.ones(view.shape[:2], bool))
    assert np.hypot(*(found[:, None] - corners).transpose(2, 0, 1)).min(axis=0).max() < 3


def test_panel_of_a_screenshot_is_no_card(rng):
    photo = Camera().shoot(ground(rng), rng)
    rgb = photo.rgb.copy()
    rgb[240:440, 300:600] = 118
    assert neutral.estimate(Photo(rgb=rgb)).method != "grey_card"


def test_reflection_on_the_card_is_left_out_and_flagged(rng):
    truth = cast(4000, 5200)
    scene = ground(rng)
    face = np.full((200, 300, 3), 0.18)
    yy, xx = np.mgrid[:200, :300]
    face += 0.12 * np.exp(-(((xx - 90) / 12) ** 2) - ((yy - 70) / 12) ** 2)[..., None] / np.asarray(truth)
    put(scene, face, (420, 330), 280, 5)
    calibration = neutral.estimate(Camera(truth).shoot(scene, rng))
    if calibration.method == "grey_card":
        assert "reflection" in calibration.flags
        assert _off(calibration, truth) < 0.05


# --- hint, eyes, scene ---------------------------------------------------------------------------------


def test_pointing_at_a_neutral_surface_is_enough(rng):
    truth = cast(3200, 5200)
    scene = ground(rng)
    scene[100:260, 500:760] = 0.5
    photo = Camera(truth).shoot(scene, rng)
    calibration = neutral.estimate(photo, hint=Region.box(520, 120, 740, 240))
    assert calibration.method == "grey_card"
    assert _off(calibration, truth) < 0.04
    assert calibration.exposure is None


def test_pointing_at_burnt_out_white_is_refused_with_a_reason(rng):
    scene = ground(rng)
    scene[100:260, 500:760] = 1.6
    calibration = neutral.estimate(Camera().shoot(scene, rng), hint=Region.box(520, 120, 740, 240))
    assert calibration.method not in ("grey_card", "color_chart")
    assert any("clipped" in note for note in calibration.notes)


def test_hint_outside_the_photo_does_not_raise(rng):
    calibration = neutral.estimate(Camera().shoot(ground(rng), rng), hint=Region.box(5000, 5000, 5100, 5100))
    assert any("outside" in note for note in calibration.notes)


def _face_with_eyes(rng, white_lab):
    scene = ground(rng) * 0.6
    scene[150:560, 260:640] = lab_to_linear([68, 16, 18]) * 0.8
    polygons = []
    yy, xx = np.mgrid[:700, :900]
    for x in (360, 540):
        eye = ((xx - x) / 60) ** 2 + ((yy - 320) / 34) ** 2 < 1
        scene[eye] = lab_to_linear(white_lab) * 0.8
        scene[((xx - x) / 26) ** 2 + ((yy - 320) / 30) ** 2 < 1] = 0.02
        t = np.linspace(0, 2 * np.pi, 20)[:-1]
        polygons.append(tuple((float(x + 60 * np.cos(v)), float(320 + 34 * np.sin(v))) for v in t))
    face = FacePlace(
        (260, 150, 640, 560), 0.9, polygons[0], polygons[1], ((400, 470), (500, 470), (450, 500))
    )
    return scene, face


def test_eye_white_states_what_it_assumes_and_covers_its_error(rng):
    errors = []
    for white in ((90, 0, 2), (88, 0, 6), (85, 1, 12)):
        truth = cast(4300, 5200)
        scene, face = _face_with_eyes(rng, white)
        calibration = neutral.estimate(Camera(truth).shoot(scene, rng), faces=[face])
        assert calibration.method == "eye_white"
        assert any("assum" in n or "taken for" in n for n in calibration.notes)
        grey = lab_to_linear([50, 0, 0])
        seen = linear_to_lab(grey * np.asarray(truth) / np.asarray(calibration.neutral_rgb))
        errors.append(np.linalg.norm(seen - [50, 0, 0]) / calibration.u_delta_e)
    assert max(errors) < 2


def test_scene_estimate_claims_little(rng):
    calibration = neutral.estimate(Camera(cast(4000, 5200)).shoot(ground(rng), rng))
    assert calibration.method == "scene"
    assert calibration.u_delta_e > 4
    assert calibration.exposure is None


@pytest.mark.parametrize("level", [0, 128, 255])
def test_flat_pictures_do_not_raise(level):
    calibration = neutral.estimate(Photo(rgb=np.full((60, 80, 3), level, np.uint8)))
    assert calibration.method == "none"
    assert calibration.u_delta_e > 4


# --- honesty of the uncertainty ------------------------------------------------------------------------


def _grey_error(calibration, truth):
    grey = lab_to_linear([50, 0, 0])
    seen = linear_to_lab(grey * np.asarray(truth) / np.asarray(calibration.neutral_rgb))
    return float(np.linalg.norm(seen - [50, 0, 0])) / calibration.u_delta_e


@pytest.mark.parametrize("kind", ["color_chart", "grey_card"])
def test_stated_uncertainty_covers_the_error(kind):
    ratios = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        truth = cast(rng.uniform(2800, 7000), rng.uniform(3800, 6000))
        scene = ground(rng, 500, 660) * 0.8
        face = chart_face() if kind == "color_chart" else np.full((200, 300, 3), 0.18)
        put(
            scene,
            face,
            (330, 250),
            rng.uniform(180, 300),
            rng.uniform(0, 360),
            rng.uniform(0, 30),
            rng.uniform(0.5, 0.8),
        )
        calibration = neutral.estimate(Camera(truth, noise=rng.uniform(0.003, 0.02)).shoot(scene, rng))
        if calibration.method == kind:
            ratios.append(_grey_error(calibration, truth))
    assert len(ratios) >= 8
    assert np.mean(np.array(ratios) < 1) >= 0.6
    assert np.mean(np.array(ratios) < 2) >= 0.9


# --- real photographs ----------------------------------------------------------------------------------


def _real(path):
    return Photo(rgb=np.asarray(Image.open(path).convert("RGB")))


@pytest.mark.private
def test_real_charts_are_found_corrected_or_refused(real_photos):
    seen = [charts.read(path) for path in sorted((real_photos / "chart").iterdir())]
    assert {"classic", "tiny"} <= {one.shows for one in seen}
    assert charts.shortfalls(seen) == []


def test_the_row_of_real_charts_names_what_misses_its_bar():
    good = charts.Seen("a.jpg", "classic", 300.0, 2.0, 6.0, ())
    lost = charts.Seen("b.jpg", "classic", None, None, None, ("blurred",))
    assert charts.shortfalls([good] * 9 + [lost]) == []
    misses = charts.shortfalls(
        [
            good,
            lost,
            replace(good, file="bad.jpg", residual_mean=4.5),
            replace(good, file="small.jpg", shows="tiny"),
            replace(lost, file="silent.jpg", shows="tiny"),
            replace(good, file="other.jpg", shows="other maker"),
        ]
    )
    assert misses[0] == "found 2 of 3"
    assert [miss.split(":")[0] for miss in misses[1:]] == ["bad.jpg", "small.jpg", "silent.jpg", "other.jpg"]


@pytest.mark.private
def test_real_tiny_charts_are_refused(real_photos):
    for path in sorted((real_photos / "chart").glob("plantbooth*")):
        calibration = neutral.estimate(_real(path))
        assert calibration.method not in ("color_chart", "grey_card"), path.name
        assert any("too small" in note for note in calibration.notes)


@pytest.mark.private
@pytest.mark.parametrize("folder", ["face", "figure", "hole", "sheen", "text"])
def test_real_photos_without_reference_yield_none(real_photos, folder):
    photos = sorted((real_photos / folder).iterdir())
    assert photos
    for path in photos:
        assert neutral.estimate(_real(path)).method not in ("color_chart", "grey_card"), path.name


@pytest.mark.private
def test_real_correction_really_moves_patches_home(real_photos):
    """The reported residual is that of :meth:`Calibration.apply` on the photo, not of inner variables."""
    photo = _real(real_photos / "chart" / "card_classic_portrait.png")
    calibration = neutral.estimate(photo)
    a, b, c, d = (np.asarray(p) for p in calibration.region.polygons[0])
    errors = []
    for i, reference in enumerate(reference_linear()):
        row, column = divmod(i, 6)
        u, v = (column + 0.45) / 5.84, (row + 0.45) / 3.84
        place = a * (1 - u) * (1 - v) + b * u * (1 - v) + c * u * v + d * (1 - u) * v
        x, y = place.astype(int)
        patch = srgb_to_linear(photo.rgb[y - 4 : y + 5, x - 4 : x + 5]).reshape(-1, 3).mean(axis=0)
        errors.append(delta_e_2000(linear_to_lab(calibration.apply(patch)), linear_to_lab(reference)))
    assert np.mean(errors) < MAX_RESIDUAL_MEAN
