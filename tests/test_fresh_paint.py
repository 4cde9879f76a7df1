"""Lip paint as strong as new: a sign of a repaint on a doll that has faded, and on no other."""

from __future__ import annotations

import dataclasses

import pytest

from pipelines import fresh_paint
from pipelines.dossier import Dossier, build_dossier
from pipelines.guide import load
from tests.records import photo, said, silent
from vision.traits import Quantity, TraitRecord, View

GUIDE = load("verity")
FRESH, PALED = 72.0, 34.0


def lips(chroma: float | None, u: float = 9.0, state: str = "full") -> TraitRecord:
    record = said("lip_paint", state)
    return record.replace(quantities={} if chroma is None else {"chroma": Quantity(chroma, u)})


def fade(state: str | None, confidence: float = 0.9, *flags: str) -> TraitRecord:
    if state is None:
        return silent("skin_fade")
    numbers = {"delta_e00": Quantity(4.2, 0.6)}
    return said("skin_fade", state, confidence).replace(quantities=numbers, flags=flags)


def doll(paint: TraitRecord, vinyl: TraitRecord | None, *signs: TraitRecord) -> Dossier:
    photos = [photo("face", View.FACE, paint, *signs)]
    photos += [] if vinyl is None else [photo("body", View.BODY, vinyl)]
    return build_dossier(photos, (), GUIDE)


def sign_of(found: Dossier) -> TraitRecord | None:
    merged = found.best("lip_repaint_signs")
    return None if merged is None or fresh_paint.SIGN not in merged.record.flags else merged.record


def test_fresh_paint_on_faded_vinyl_is_a_sign_and_no_proof() -> None:
    record = sign_of(doll(lips(FRESH), fade("faded")))
    assert record is not None
    assert record.state == "present"
    assert record.confidence <= fresh_paint.MOST
    assert record.quantities[fresh_paint.SIGN].value == FRESH
    assert 0.6 <= record.quantities[f"{fresh_paint.SIGN}_chance"].value <= fresh_paint.MOST
    for word in ("C* 72 ± 9", "ΔE00 4.2 ± 0.6", "restoration", "another doll", "settle"):
        assert word in record.detail
    assert "fake" not in record.detail


@pytest.mark.parametrize(
    ("paint", "vinyl"),
    [
        (lips(FRESH), fade("none")),
        (lips(PALED), fade("faded")),
        (lips(FRESH), fade(None)),
        (lips(FRESH), None),
        (lips(None), fade("faded")),
        (lips(FRESH, state="rubbed"), fade("faded")),
        (lips(FRESH, state="bare"), fade("faded")),
        (silent("lip_paint"), fade("faded")),
    ],
    ids=[
        "unfaded",
        "both faded",
        "not measured",
        "no body",
        "no white",
        "worn paint",
        "bare lips",
        "lips unsure",
    ],
)
def test_otherwise_there_is_none(paint: TraitRecord, vinyl: TraitRecord | None) -> None:
    assert sign_of(doll(paint, vinyl)) is None


@pytest.mark.parametrize("flag", ["side_unsure", "two_lights", "unlike_fade"])
def test_yellowed_or_oddly_lit_vinyl_is_not_faded(flag: str) -> None:
    assert sign_of(doll(lips(FRESH), fade("faded", 0.9, flag))) is None


def test_photos_that_disagree_about_fade_make_no_sign() -> None:
    photos = [
        photo("face", View.FACE, lips(FRESH)),
        photo("one", View.BODY, fade("faded", 0.95)),
        photo("two", View.BODY, fade("none", 0.62)),
    ]
    assert sign_of(build_dossier(photos, (), GUIDE)) is None


def test_a_camera_that_may_flatter_makes_no_sign() -> None:
    # About the guide's limit, and no surer than a phone's rendering.
    assert sign_of(doll(lips(53.0, 12.0), fade("faded"))) is None


def test_a_fade_that_is_hardly_sure_makes_no_sign() -> None:
    assert sign_of(doll(lips(FRESH), fade("faded", 0.6))) is None


def test_a_guide_that_says_nothing_of_chroma_makes_no_sign() -> None:
    traits = {k: v for k, v in GUIDE.traits.items() if k != fresh_paint.LIP_CHROMA}
    photos = [photo("face", View.FACE, lips(FRESH)), photo("body", View.BODY, fade("faded"))]
    assert sign_of(build_dossier(photos, (), dataclasses.replace(GUIDE, traits=traits))) is None


def test_it_joins_the_signs_that_a_photo_shows() -> None:
    none = said("lip_repaint_signs", "none", 0.8).replace(candidates={"none": 0.8, "present": 0.2})
    record = sign_of(doll(lips(FRESH), fade("faded"), none))
    assert record is not None
    assert record.state == "present"
    present = said("lip_repaint_signs", "present", 0.8).replace(
        candidates={"none": 0.2, "present": 0.8}, flags=("second_red",), detail="Two reds."
    )
    record = sign_of(doll(lips(FRESH), fade("faded"), present))
    assert record is not None
    assert record.confidence > 0.8
    assert record.flags == ("second_red", fresh_paint.SIGN)
    assert record.detail.startswith("Two reds. The lip paint")


def test_a_photo_without_white_does_not_contradict_it() -> None:
    photos = [
        photo("face", View.FACE, lips(FRESH)),
        photo("other", View.FACE, lips(None), said("lip_repaint_signs", "none", 0.8)),
        photo("body", View.BODY, fade("faded")),
    ]
    record = sign_of(build_dossier(photos, (), GUIDE))
    assert record is not None
    assert record.state == "present"


def test_paled_paint_leaves_other_signs_alone() -> None:
    none = said("lip_repaint_signs", "none", 0.8).replace(candidates={"none": 0.8, "present": 0.2})
    merged = doll(lips(PALED), fade("faded"), none).best("lip_repaint_signs")
    assert merged is not None
    assert merged.record.state == "none"
    assert merged.record.confidence == pytest.approx(0.8, abs=0.01)
