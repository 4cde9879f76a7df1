"""The clothing line: color steps inside vinyl are found, light and edges of other things are not."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from PIL import Image

from tests.drawn_colors import Camera, Vinyl
from vision import fade
from vision.calibration import Calibration
from vision.locate import body
from vision.photo import Photo

FADED = (4.0, -5.0, -1.5)


@pytest.fixture(autouse=True)
def without_model(monkeypatch, request):
    """Drawn limbs are no persons: cut the figure out by the border; real photos use the model."""
    if "private" not in request.keywords:
        monkeypatch.setattr(body, "_load", lambda: None)


def _drawn(vinyl, rng, ground=(0.35, 0.42, 0.5)):
    linear, mask, share = vinyl.draw()
    yy, xx = np.mgrid[: linear.shape[0], : linear.shape[1]]
    weave = np.exp(0.05 * np.sin(xx / 3.0) * np.sin(yy / 3.0))[..., None]
    linear = np.where(mask[..., None], linear, np.asarray(ground) * weave)
    return Camera(noise=0.006).shoot(linear, rng), mask, share


def _share_inside(region, mask):
    drawn = np.zeros(mask.shape, np.uint8)
    for polygon in region.polygons:
        cv2.fillPoly(drawn, [np.round(np.asarray(polygon)).astype(np.int32)], 1)
    return float(mask[drawn > 0].mean())


@pytest.mark.parametrize("soft", [0.8, 4.0])
@pytest.mark.parametrize("lamp", [-0.5, 0.6])
def test_line_is_found_with_the_right_side_covered(rng, soft, lamp):
    photo, mask, share = _drawn(Vinyl(delta=FADED, soft=soft, lamp_from=lamp), rng)
    line = body.find_line(photo)
    assert line is not None
    assert "step" in line.flags
    assert _share_inside(line.covered, mask & (share > 0.9)) > 0.9
    assert _share_inside(line.exposed, mask & (share < 0.1)) > 0.9


def test_located_line_measures_as_fade(rng):
    photo, _, _ = _drawn(Vinyl(delta=FADED), rng)
    record = fade.measure(
        photo,
        body.find_line(photo),
        Calibration("grey_card", u_delta_e=1.0, exposure=1 / 0.9, u_exposure=0.08),
    )
    assert record.state == "faded"
    assert record.quantities["delta_a"].value == pytest.approx(-5, abs=1.5)


@pytest.mark.parametrize(
    "only_light",
    [
        Vinyl(),
        Vinyl(shade=0.9, lamp_from=0.9),
        Vinyl(shadow=0.4),
        Vinyl(shadow=0.7),
        Vinyl(gloss=0.4),
        Vinyl(second_light=(1.12, 1.0, 0.85)),
    ],
    ids=["even", "side lamp", "shadow", "deep shadow", "gloss", "two lights"],
)
def test_light_alone_gives_no_line_that_reads_as_fade(rng, only_light):
    photo, _, _ = _drawn(only_light, rng)
    record = fade.measure(photo, body.find_line(photo), Calibration("grey_card", u_delta_e=1.0))
    assert record.state != "faded"


def test_garment_edge_is_no_fade_line(rng):
    linear, mask, share = Vinyl().draw()
    cloth = np.array([0.55, 0.08, 0.1])
    linear = np.where(
        (share > 0.5)[..., None] & mask[..., None], cloth * linear.mean(axis=2, keepdims=True) * 2, linear
    )
    linear = np.where(mask[..., None], linear, np.array([0.35, 0.42, 0.5]))
    photo = Camera(noise=0.006).shoot(linear, rng)
    assert fade.measure(photo, body.find_line(photo), Calibration()).state != "faded"


def test_coordinates_belong_to_the_original(rng):
    photo, mask, share = _drawn(Vinyl(delta=FADED), rng)
    large = Photo(
        rgb=np.ascontiguousarray(cv2.resize(photo.rgb, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC))
    )
    line = body.find_line(large)
    assert line is not None
    big = cv2.resize((mask & (share > 0.9)).astype(np.uint8), None, fx=3, fy=3) > 0
    assert _share_inside(line.covered, big) > 0.9


@pytest.mark.parametrize("level", [0, 128, 255])
def test_flat_pictures_give_no_line(level):
    assert body.find_line(Photo(rgb=np.full((200, 160, 3), level, np.uint8))) is None


@pytest.mark.private
@pytest.mark.parametrize("folder", ["face", "figure", "sheen", "hole"])
def test_people_plaster_and_wood_never_read_as_faded(real_photos, folder):
    photos = sorted((real_photos / folder).iterdir())
    assert photos
    for path in photos:
        photo = Photo(rgb=np.asarray(Image.open(path).convert("RGB")))
        record = fade.measure(photo, body.find_line(photo), Calibration())
        assert record.state is None, (path.name, record.detail)
