"""The clothing line on drawn bodies: what a dealer would be misled by, and what must still be found."""

from __future__ import annotations

import numpy as np
import pytest

from tests.drawn_bodies import Body, Phone, parts_of, shoot
from vision import fade
from vision.calibration import Calibration
from vision.locate import body, clothing_line

FADED = (6.0, -6.5, -1.0)


def _read(drawn, phone=None, seed=1):
    drawing = shoot(drawn, phone or Phone(), np.random.default_rng(seed))
    cal = Calibration("grey_card", drawing.neutral, 1.0, 1 / drawing.exposure, 0.1)
    line = body.find_line(drawing.photo, parts_of(drawing))
    return fade.measure(drawing.photo, line, cal), line, drawing


@pytest.mark.parametrize(
    "drawn",
    [
        Body(delta=FADED),
        Body(delta=FADED, soft=0.01, garment="top", turn_deg=93),
        Body(delta=FADED, garment="dress", worn="lowered", arms="up", head=False),
        Body(delta=FADED, garment="briefs", lamp=(-0.7, 0.2, 0.5), sky=0.3, turn_deg=180),
    ],
    ids=["swimsuit off", "soft, lying", "lowered dress", "side lamp, upside down"],
)
def test_fade_is_found_and_measured(drawn):
    record, line, drawing = _read(drawn)
    assert record.state == "faded"
    quantity = record.quantities["delta_e00"]
    assert abs(quantity.value - drawing.delta_e00) < max(2 * quantity.u, 1.0)
    assert record.quantities["delta_L"].value > 1
    assert record.quantities["delta_a"].value < -3
    assert "paler" in record.detail
    assert "step" in line.flags


@pytest.mark.parametrize(
    "only_light",
    [
        Body(),
        Body(lamp=(0.95, 0.0, 0.3), sky=0.15),
        Body(bar=(0.45, 0.1, 0.002)),
        Body(bar=(0.5, -0.3, 0.02), sky_rgb=(0.8, 1.0, 1.35)),
        Body(bar=(0.36, 0.0, 0.003), sky_rgb=(1.2, 1.0, 0.75), sky=0.3),
        Body(second=(-0.9, 0.1, 0.4, 0.8, 0.3)),
        Body(gloss=0.6, shine=15),
        Body(worn="on", cloth=(45, 60, 30), bounce=1.0),
        Body(stains=0.5, blush=0.6, mottle=0.05),
        Body(arms="front", lamp=(0.3, -0.8, 0.6), lamp_size=0.02, sky_rgb=(0.85, 1.0, 1.25)),
    ],
    ids=[
        "even light",
        "side lamp",
        "hard shadow",
        "soft blue shadow",
        "warm shadow along the waist",
        "second lamp",
        "gloss",
        "red garment close by",
        "stains and red knees",
        "shadow of an arm",
    ],
)
def test_light_alone_is_never_called_fade(only_light):
    record, _, _ = _read(only_light)
    assert record.state is None


def test_what_a_phone_does_to_a_photo_is_no_fade():
    for phone in (
        Phone(contrast=0.25, saturation=1.15, sharpen=0.6),
        Phone(quality=60, size=640, noise=0.02),
    ):
        assert _read(Body(lamp=(0.7, -0.3, 0.6)), phone)[0].state is None


def test_garment_that_hides_what_it_covered_leaves_fade_open():
    record, _, _ = _read(Body(delta=FADED, worn="on"))
    assert record.state is None


def test_covered_side_is_the_one_that_kept_its_color():
    _, line, drawing = _read(Body(delta=FADED))
    x0, y0, x1, y1 = line.covered.bounds
    ys, xs = np.nonzero(drawing.covered > 0.9)
    assert x0 > xs.min() - 15
    assert x1 < xs.max() + 15
    assert y0 > ys.min() - 15
    assert y1 < ys.max() + 15


def test_a_network_that_knows_covered_vinyl_lets_unfaded_be_said():
    drawing = shoot(Body(), Phone(), np.random.default_rng(2))
    parts = parts_of(drawing, knows_covered=True)
    line = body.find_line(drawing.photo, parts)
    assert line.flags == ("no_step",)
    record = fade.measure(drawing.photo, line, Calibration("grey_card", u_delta_e=1.0, exposure=1.0))
    assert record.state == "none"
    assert 0.6 <= record.confidence < 0.9
    assert "evenly" in record.detail


def test_a_network_that_sees_covered_vinyl_anywhere_does_not_make_fade():
    for seed, only_light in enumerate([Body(), Body(bar=(0.5, -0.3, 0.02), sky_rgb=(0.8, 1.0, 1.35))]):
        drawing = shoot(only_light, Phone(), np.random.default_rng(seed))
        line = body.find_line(drawing.photo, parts_of(drawing, knows_covered=True))
        record = fade.measure(drawing.photo, line, Calibration("grey_card", u_delta_e=1.0, exposure=1.0))
        assert record.state != "faded"


def test_little_vinyl_gives_no_candidate():
    features = clothing_line.features_of(np.full((60, 60, 3), 0.3))
    assert clothing_line.find(features, np.zeros((60, 60), bool)) == []


def test_vinyl_of_one_color_divides_without_gain():
    rng = np.random.default_rng(0)
    linear = 0.4 * np.exp(0.01 * rng.normal(size=(200, 120, 3)))
    for candidate in clothing_line.find(clothing_line.features_of(linear), np.ones((200, 120), bool)):
        assert candidate.probability < 0.1


def test_light_that_follows_brightness_is_taken_off():
    yy, xx = np.mgrid[:300, :200] / 100.0
    light = 0.2 + 0.3 * np.cos(xx * 1.4) ** 2 + 0.1 * yy
    linear = (
        light[..., None] * np.array([0.6, 0.4, 0.3]) * np.exp(0.3 * np.log(light)[..., None] * [0.5, 0, -0.5])
    )
    vinyl = np.ones(light.shape, bool)
    assert all(c.probability < 0.3 for c in clothing_line.find(clothing_line.features_of(linear), vinyl))


@pytest.mark.parametrize(("slope", "believed"), [(0.2, True), (1.0, False)])
def test_finger_across_the_doll_is_no_clothing_line(slope, believed):
    """What a garment covered is shaded with the body; an evenly lit finger before it is not."""
    yy, xx = np.mgrid[:300, :200].astype(float)
    light = 0.4 * np.exp(-slope * (xx - 100) / 60)
    finger = np.abs(yy - 150 - 0.1 * xx) < 30
    linear = np.where(finger[..., None], (0.62, 0.38, 0.25), (0.6, 0.46, 0.36))
    linear = linear * np.where(finger, 0.45, light)[..., None]
    linear = linear * np.exp(0.02 * np.random.default_rng(3).normal(size=linear.shape))
    found = clothing_line.find(clothing_line.features_of(linear), np.abs(xx - 100) < 70)
    assert (max(c.probability for c in found) > 0.7) == believed
