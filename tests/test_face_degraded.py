"""A worse photo of the same face may silence a reading, but must not turn it into another one."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from tests.drawn_face import Drawing, draw
from vision import ear_stain, eyeliner, iris, lips
from vision.calibration import Calibration
from vision.color import linear_to_srgb, srgb_to_linear
from vision.locate import face_model
from vision.locate.face import find_faces
from vision.photo import Photo
from vision.traits import TraitRecord

pytestmark = pytest.mark.skipif(face_model.load() is None, reason="the face model is not installed")

Pixels = np.ndarray


def shrunk(share: float) -> Callable[[Pixels], Pixels]:
    return lambda rgb: cv2.resize(rgb, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)


def blurred(sigma: float) -> Callable[[Pixels], Pixels]:
    return lambda rgb: cv2.GaussianBlur(rgb, (0, 0), sigma)


def bent(gamma: float) -> Callable[[Pixels], Pixels]:
    return lambda rgb: np.round(255 * (rgb / 255.0) ** gamma).astype(np.uint8)


def cast(red: float, blue: float) -> Callable[[Pixels], Pixels]:
    def apply(rgb: Pixels) -> Pixels:
        linear = np.clip(srgb_to_linear(rgb) * [red, 1, blue], 0, 1)
        return np.round(255 * linear_to_srgb(linear)).astype(np.uint8)

    return apply


def saved_badly(rgb: Pixels) -> Pixels:
    _, code = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 40])
    return np.ascontiguousarray(np.asarray(cv2.imdecode(code, cv2.IMREAD_COLOR))[..., ::-1])


WORSE = {
    "half size": shrunk(0.5), "quarter size": shrunk(0.25), "blur 1": blurred(1), "blur 3": blurred(3),
    "jpeg 40": saved_badly, "gamma 0.7": bent(0.7), "gamma 1.4": bent(1.4),
    "red cast": cast(1.25, 1.0), "yellow cast": cast(1.0, 0.75),
}  # fmt: skip

FACES = {
    "blue liner, blue iris, full lips": Drawing(exposure=0.75),
    "brown liner, green iris, rubbed lips": Drawing(
        liner="brown", iris="green", lip_cover=0.55, exposure=0.75
    ),
    # Lips are painted here: a flat drawing without them has no mouth at all, and no up and down.
    "black liner, plain iris, full lips, stain": Drawing(
        liner="black", iris=None, exposure=0.75, ear_stain=True
    ),
}


def truth_of(what: Drawing) -> dict[str, str]:
    lip = "bare" if what.lips is None else "full" if what.lip_cover == 1 else "rubbed"
    return {
        "eyeliner_color": what.liner or "none",
        "iris_color": what.iris or "unpainted",
        "lip_paint": lip,
        "ear_stain left_ear": "none",
        "ear_stain right_ear": "green" if what.ear_stain else "none",
    }


def read_all(rgb: Pixels) -> dict[str, TraitRecord]:
    photo = Photo.from_array(np.ascontiguousarray(rgb))
    faces = find_faces(photo)
    if not faces:
        return {}
    records = [module.measure(photo, faces[0], Calibration()) for module in (eyeliner, iris, lips)]
    records += ear_stain.measure(photo, faces[0], Calibration())
    return {f"{r.trait} {r.part}" if r.part and "ear" in r.part else str(r.trait): r for r in records}


@pytest.mark.parametrize("name", FACES)
def test_a_worse_photo_never_changes_the_answer(name: str) -> None:
    what = FACES[name]
    rgb, truth = draw(what).photo.rgb, truth_of(what)
    good = {k: r.state for k, r in read_all(rgb).items()}
    assert sum(state == truth[k] for k, state in good.items()) >= 3, good
    turned = [
        (how, trait, truth[trait], record.state, round(record.confidence, 2))
        for how, worsen in WORSE.items()
        for trait, record in read_all(worsen(rgb)).items()
        if record.state not in (None, truth[trait])
    ]
    assert not turned


@pytest.mark.parametrize("roll", [0.0, 180.0])
@pytest.mark.parametrize("liner", ["black", None])
def test_a_face_without_lip_paint_or_iris_is_never_read_upside_down(liner, roll):
    """A drawn face of plain eyes and no mouth looks alike both ways up: then nothing may be read from it."""
    photo = draw(Drawing(iris=None, lips=None, liner=liner, roll_deg=roll)).photo
    for face in find_faces(photo):
        upside_down = abs((face.roll_deg - roll + 180) % 360 - 180) > 90
        if upside_down:
            assert "unsure_turn" in face.flags
            assert eyeliner.measure(photo, face, Calibration()).state is None
            assert iris.measure(photo, face, Calibration()).state is None
