"""Gates: relative to the feature's size, and quiet about photos that are fine."""

from __future__ import annotations

import itertools

import cv2
import numpy as np
import pytest

from vision.photo import Photo, load
from vision.quality import (
    Gate,
    blur_sigma,
    check_colors,
    check_exposure,
    check_focus,
    check_glare,
    check_size,
    first_failure,
    glare_mask,
    noise_level,
)
from vision.traits import Reason

VINYL = np.array([205, 160, 135])


def discs(rng, side=400, blur=0.0, noise=0.0, count=12):
    base = np.full((side, side), 180, np.uint8)
    for _ in range(count):
        center = tuple(int(v) for v in rng.integers(0, side, 2))
        cv2.circle(
            base,
            center,
            int(rng.integers(side // 40, side // 7)),
            int(rng.integers(20, 250)),
            -1,
            cv2.LINE_AA,
        )
    grey = base.astype(np.float32)
    if blur:
        grey = cv2.GaussianBlur(grey, (0, 0), blur)
    grey = grey + rng.normal(0, noise, grey.shape) if noise else grey
    return np.repeat(np.clip(np.rint(grey), 0, 255).astype(np.uint8)[..., None], 3, axis=2)


# -- focus ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("noise", [0, 3, 8])
@pytest.mark.parametrize("blur", [0.5, 1, 2, 4])
def test_blur_is_estimated_through_noise(blur, noise):
    found = blur_sigma(discs(np.random.default_rng(3), blur=blur, noise=noise))
    assert found == pytest.approx(blur, rel=0.3)


def test_more_blur_reads_more():
    readings = [blur_sigma(discs(np.random.default_rng(5), blur=b, noise=2)) for b in (0, 1, 2, 4, 8)]
    assert all(a < b for a, b in itertools.pairwise(readings))
    assert readings[-1] > 5


def test_a_surface_without_edges_has_no_sharpness(rng):
    plain = np.full((200, 200, 3), 150, np.uint8)
    noisy = np.clip(150 + rng.normal(0, 6, plain.shape), 0, 255).astype(np.uint8)
    for surface in (plain, noisy):
        assert blur_sigma(surface) is None
        gate = check_focus(surface, 10)
        assert gate.passed
        assert "sharpness_unknown" in gate.flags
        assert "blur_px" not in gate.figures
    assert blur_sigma(plain[:4, :4]) is None


def test_focus_is_judged_against_the_feature():
    picture = discs(np.random.default_rng(7), blur=3)
    assert check_focus(picture, 40, what="lip").passed
    gate = check_focus(picture, 5, what="eyeliner")
    assert gate.reason is Reason.BLURRED
    assert "eyeliner" in gate.detail


def test_focus_does_not_depend_on_resolution():
    """A blurred photo enlarged, or a sharp one reduced, keeps its verdict relative to the feature."""
    for blur, sharp in ((1.0, True), (6.0, False)):
        picture = discs(np.random.default_rng(11), side=800, blur=blur)
        for scale in (0.5, 1.0, 2.0):
            size = round(800 * scale)
            scaled = cv2.resize(
                picture, (size, size), interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
            )
            assert check_focus(scaled, 12 * scale).passed is sharp


def test_focus_looks_where_it_is_told():
    picture = discs(np.random.default_rng(13), side=400)
    soft = cv2.GaussianBlur(picture, (0, 0), 5)
    picture[:, 200:] = soft[:, 200:]
    right = np.zeros((400, 400), bool)
    right[:, 215:] = True
    assert blur_sigma(picture) < 1
    assert blur_sigma(picture, right) > 2.5


@pytest.mark.parametrize("noise", [0, 2, 5, 10])
def test_noise_is_measured_beside_edges(noise):
    picture = discs(np.random.default_rng(17), noise=noise)
    assert noise_level(picture) == pytest.approx(noise, abs=0.6)


# -- exposure, glare, size ------------------------------------------------------------------------------


def vinyl(side=120, factor=1.0):
    y, x = np.mgrid[0:side, 0:side] / side
    shade = (0.55 + 0.45 * np.cos(2 * (x - 0.5)) * np.cos(2 * (y - 0.5)))[..., None]
    return np.clip(VINYL * shade * factor, 0, 255).astype(np.uint8)


def test_exposure():
    assert check_exposure(vinyl()).passed
    burnt = check_exposure(vinyl(factor=1.9), what="lips")
    assert burnt.reason is Reason.CLIPPED
    assert "lips" in burnt.detail
    assert burnt.figures["clipped_r"] > burnt.figures["clipped_b"]
    assert check_exposure(vinyl(factor=0.04)).reason is Reason.TOO_DARK
    assert check_exposure(vinyl(), np.zeros((120, 120), bool)).reason is Reason.TOO_SMALL


def test_one_burnt_channel_counts():
    orange = vinyl()
    orange[..., 0] = 255
    gate = check_exposure(orange)
    assert gate.reason is Reason.CLIPPED
    assert gate.figures["clipped_g"] == 0


def test_glare_is_found_on_the_highlight_only():
    picture = vinyl()
    mask = np.zeros((120, 120), np.uint8)
    cv2.circle(mask, (60, 50), 14, 1, -1)
    picture[mask > 0] = (252, 249, 246)
    found = glare_mask(picture)
    assert found[mask > 0].mean() > 0.95
    assert found[mask == 0].mean() < 0.01
    assert check_glare(picture).passed
    near = mask.astype(bool).copy()
    near[30:70, 40:80] = True
    assert check_glare(picture, near, what="cheek").reason is Reason.GLARE


def test_pale_matte_vinyl_is_no_glare():
    pale = np.clip(vinyl().astype(float) * 0.3 + 170, 0, 255).astype(np.uint8)
    assert glare_mask(pale).mean() < 0.02


def test_size_and_order_of_gates():
    small = check_size(6, 12, "pupil")
    assert small.reason is Reason.TOO_SMALL
    assert "pupil" in small.detail
    assert first_failure(check_size(20, 12, "eye"), small).reason is Reason.TOO_SMALL
    both = first_failure(check_size(20, 12, "eye"), Gate(figures={"glare": 0.2}, flags=("glare",)))
    assert both.passed
    assert both.flags == ("glare",)
    assert both.figures["glare"] == 0.2


# -- the whole photo ------------------------------------------------------------------------------------


def scene(rng, side=300):
    """Vinyl before a colored ground with some things around, noisy as photos are."""
    picture = np.empty((side, side, 3))
    picture[:] = (90, 110, 140)
    y, x = np.mgrid[0:side, 0:side]
    inside = (x - side / 2) ** 2 + (y - side / 2) ** 2 < (side / 3) ** 2
    shade = 0.6 + 0.4 * np.cos((x - side * 0.4) / side * 3)
    picture[inside] = (VINYL * shade[..., None])[inside]
    picture[side // 2 : side // 2 + 20, side // 2 - 30 : side // 2 + 30] = (190, 40, 60)
    picture[: side // 6] = (60, 120, 70)
    picture += rng.normal(0, 3, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)


def test_a_color_photo_passes(rng):
    assert check_colors(Photo.from_array(scene(rng))).passed


def test_black_and_white_and_toned_photos_are_found(rng):
    grey = scene(rng) @ np.array([0.3, 0.6, 0.1])
    black_and_white = np.repeat(grey[..., None], 3, axis=2).astype(np.uint8)
    assert check_colors(Photo.from_array(black_and_white)).reason is Reason.MONOCHROME
    for tone in ((1.1, 0.95, 0.75), (0.85, 1.0, 1.15)):
        toned = np.clip(grey[..., None] * tone, 0, 255).astype(np.uint8)
        assert check_colors(Photo.from_array(toned)).reason is Reason.MONOCHROME


def test_toning_is_found_through_jpeg(rng):
    import io

    from PIL import Image

    grey = scene(rng) @ np.array([0.3, 0.6, 0.1])
    toned = np.clip(grey[..., None] * (1.1, 0.95, 0.75), 0, 255).astype(np.uint8)
    stream = io.BytesIO()
    Image.fromarray(toned).save(stream, "JPEG", quality=75)
    assert check_colors(load(stream.getvalue())).reason is Reason.MONOCHROME


def test_a_warm_color_cast_is_not_a_toning(rng):
    warm = np.clip(scene(rng) * (1.15, 0.95, 0.6), 0, 255).astype(np.uint8)
    assert check_colors(Photo.from_array(warm)).passed


def test_vinyl_on_wood_in_warm_light_is_not_a_toning(rng):
    """Doll and table have one hue; that one is redder than the other at the same lightness tells color."""
    y, x = np.mgrid[0:600, 0:600]
    shade = 0.35 + 0.6 * np.abs(np.sin(x / 70 + y / 250))[..., None]
    grain = 1 + 0.15 * np.sin(y / 6)[..., None]
    body = (np.abs(x - 300) < 110)[..., None]
    picture = np.where(body, (226, 170, 140), np.array([205, 165, 115]) * grain) * shade
    picture += rng.normal(0, 3, picture.shape)
    assert check_colors(Photo.from_array(np.clip(picture, 0, 255).astype(np.uint8))).passed


def test_an_early_doll_close_up_is_not_a_toning(rng):
    """Pale vinyl fills the picture, irises are black and white, lips bare: one hue but for the eyes."""
    y, x = np.mgrid[0:600, 0:600]
    shade = 0.75 + 0.25 * np.cos((x - 240) / 300) * np.cos((y - 300) / 300)
    picture = VINYL * 1.1 * shade[..., None]
    for center in (200, 400):
        white = ((x - center) / 40) ** 2 + ((y - 260) / 18) ** 2 < 1
        picture[white] = (np.array([225, 215, 200]) * shade[..., None])[white]
        picture[(x - center) ** 2 + (y - 260) ** 2 < 14**2] = 35
    picture += rng.normal(0, 3, picture.shape)
    assert check_colors(Photo.from_array(np.clip(picture, 0, 255).astype(np.uint8))).passed


def test_pushed_saturation_is_found(rng):
    hsv = cv2.cvtColor(scene(rng), cv2.COLOR_RGB2HSV).astype(float)
    hsv[..., 1] = np.clip(hsv[..., 1] * 4, 0, 255)
    pushed = cv2.cvtColor(hsv.astype(np.uint8), cv2.COLOR_HSV2RGB)
    assert check_colors(Photo.from_array(pushed)).reason is Reason.FILTERED


@pytest.mark.private
def test_real_color_photos_pass(real_photos):
    files = [
        p for folder in ("face", "chart", "figure", "hole", "text") for p in (real_photos / folder).iterdir()
    ]
    photos = [p for p in files if p.suffix in {".jpg", ".png"}]
    assert photos
    refused = [p.name for p in photos if not check_colors(load(p.read_bytes())).passed]
    assert refused == []


@pytest.mark.private
def test_real_photos_without_color_are_found(real_photos):
    photo = load(next((real_photos / "face").glob("man*.jpg")).read_bytes())
    grey = cv2.cvtColor(photo.small[0], cv2.COLOR_RGB2GRAY).astype(float)
    sepia = np.clip(grey[..., None] * (1.0, 0.89, 0.69), 0, 255).astype(np.uint8)
    assert check_colors(Photo.from_array(sepia)).reason is Reason.MONOCHROME
