"""What the face-paint measurements share about one face, worked out once: view, skin, eyes, likeness.

Is it a doll at all? The face model finds people, plaster and pictures too. Paint gives a doll away where a
living or carved face cannot follow: both eyes carry a white that is flat, as light as the skin or lighter,
and neutral against it, beside a pupil that is flat and black, with edges as crisp as the photo allows; and
the skin between has no pores, lines or blotches. A real eye's white is shaded by lids and lashes, darker
than fair skin, pink at the corners, and small.
"""

from __future__ import annotations

import functools
import weakref
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.eye_paint import LUMA, EyePaint, find_eye, relative, skin_model
from vision.face_view import FaceView, face_view
from vision.locate.parts import Parts, of_face, of_mouth
from vision.locate.places import FacePlace
from vision.network import heard
from vision.photo import Photo
from vision.traits import Reason, TraitRecord

Array = NDArray[np.float64]

#: A doll finding is withheld as ``not_a_doll`` below the first and as ``ambiguous`` below the second.
NOT_A_DOLL = 0.25
DOLL = 0.6

#: How far the face network may move the likeness (natural logarithm of odds).
MOST_LOG_ODDS = 2.0

#: What is left of the likeness when the face was placed without the face model.
FALLBACK_TRUST = 0.63


@dataclass(frozen=True)
class Likeness:
    """Probability that the face is a painted doll's, with the evidence it rests on."""

    probability: float
    evidence: dict[str, float]


@dataclass(frozen=True, eq=False)
class FaceReading:
    """One face, ready to be measured. ``left`` and ``right`` are the image's. Equal to itself only.

    ``parts`` is what the face network sees, None where it is not available; ``ask_mouth`` asks the mouth
    network.
    """

    view: FaceView
    skin: Array | None
    left: EyePaint | None
    right: EyePaint | None
    likeness: Likeness
    parts: Parts | None = None
    ask_mouth: Callable[[], Parts | None] | None = None

    @functools.cached_property
    def mouth(self) -> Parts | None:
        """What the mouth network sees, asked when first wanted; None where it is not available."""
        return None if self.ask_mouth is None else heard("mouth", self.ask_mouth)

    def opinion(self, question: str) -> Mapping[str, float] | None:
        """Return what the face network answers to a question; None if nothing."""
        return None if self.parts is None else self.parts.answers.get(question)

    def chance(self, *names: str) -> Array | None:
        """Return (H, W) how probable the face network holds some parts at each pixel of the view."""
        return _on_view(self.parts, self.view, names)

    def mouth_chance(self, *names: str) -> Array | None:
        """Return (H, W) how probable the mouth network holds some parts at each pixel of the view."""
        return _on_view(self.mouth, self.view, names)

    @functools.cached_property
    def no_photo_of_color(self) -> str:
        """``"monochrome"``, ``"drawing"``, or ``""`` for a photo with colors."""
        if is_monochrome(self.view):
            return "monochrome"
        return "drawing" if is_drawing(self.view) else ""

    @property
    def eyes(self) -> list[EyePaint]:
        """The painted eyes that were found, from the image's left."""
        return [eye for eye in (self.left, self.right) if eye is not None]


def _on_view(parts: Parts | None, view: FaceView, names: Sequence[str]) -> Array | None:
    """Return (H, W) how probable a network holds some parts at each pixel of the view, or None."""
    if parts is None or not set(names) <= set(parts.names):
        return None
    height, width = view.rgb.shape[:2]
    return np.asarray(parts.on(view.to_view, (height, width), *names), np.float64)


_memo: list[tuple[weakref.ref[Photo], FacePlace, FaceReading]] = []


def read_face(photo: Photo, face: FacePlace) -> FaceReading:
    """Work out what the measurements share; the last few faces are kept, as they are asked for in turn."""
    for ref, known, reading in _memo:
        if ref() is photo and known is face:
            return reading
    reading = _read_face(photo, face)
    _memo.append((weakref.ref(photo, _forget), face, reading))
    del _memo[:-4]
    return reading


def _forget(gone: weakref.ref[Photo]) -> None:
    """Let go of the readings of a photo that is no more: they are large."""
    _memo[:] = [entry for entry in _memo if entry[0] is not gone]


def _read_face(photo: Photo, face: FacePlace) -> FaceReading:
    twin = next((r for ref, known, r in _memo if ref() is photo and _same_skin(known, face)), None)
    view = face_view(photo, face) if twin is None else replace(twin.view, face=face)
    skin = skin_model(view) if twin is None else twin.skin
    if skin is None:
        return FaceReading(view, None, None, None, Likeness(0.1, {}))
    parts = heard("face", lambda: of_face(photo, face))
    seen = _on_view(parts, view, ("eye_white", "iris", "pupil"))
    if twin is not None and twin.view.face.left_eye == face.left_eye:
        left = twin.left
    else:
        left = find_eye(view, skin, face.left_eye, seen)
    if twin is not None and twin.view.face.right_eye == face.right_eye:
        right = twin.right
    else:
        right = find_eye(view, skin, face.right_eye, seen)
    likeness = _with_opinion(doll_likeness(view, skin, left, right), parts)
    if "fallback" in face.flags:
        # The place itself is a guess: only the clearest of dolls may pass.
        likeness = Likeness(FALLBACK_TRUST * likeness.probability, likeness.evidence)
    return FaceReading(view, skin, left, right, likeness, parts, _later(photo, face))


def _later(photo: Photo, face: FacePlace) -> Callable[[], Parts | None]:
    """Return what asks the mouth network, without keeping the photo: readings must not outlive theirs."""
    ref = weakref.ref(photo)

    def ask() -> Parts | None:
        there = ref()
        return None if there is None else of_mouth(there, face)

    return ask


def _with_opinion(likeness: Likeness, parts: Parts | None) -> Likeness:
    """Let the network's view of "is it a doll" move the likeness by ``MOST_LOG_ODDS`` at the most."""
    yes = None if parts is None else parts.answers.get("doll", {}).get("yes")
    if yes is None:
        return likeness
    p = float(np.clip(likeness.probability, 1e-3, 1 - 1e-3))
    q = float(np.clip(yes, 1e-3, 1 - 1e-3))
    odds = np.log(p / (1 - p)) + np.clip(np.log(q / (1 - q)), -MOST_LOG_ODDS, MOST_LOG_ODDS)
    return Likeness(float(1 / (1 + np.exp(-odds))), likeness.evidence | {"network": yes})


def _same_skin(one: FacePlace, other: FacePlace) -> bool:
    """Whether two places are one face as located, of which a person moved eyes, lips or ears at most."""
    if one.landmarks is None or one.landmarks is not other.landmarks:
        return False
    return (one.box, one.roll_deg, one.skin) == (other.box, other.roll_deg, other.skin)


def refuse(reading: FaceReading, trait: str, method: str) -> TraitRecord | None:
    """Return the record to give when this face must not be measured as a doll's, else None."""
    region = None
    p = reading.likeness.probability
    if reading.no_photo_of_color == "monochrome":
        return TraitRecord.withheld(
            trait, Reason.MONOCHROME, method, "The photo has no color; send a color photo.", region=region
        )
    if reading.no_photo_of_color == "drawing":
        return TraitRecord.withheld(
            trait, Reason.NOT_A_DOLL, method,
            "The skin of this face has one even color without any shade: a drawing, not a photo of a doll.",
            flags=("drawing",),
        )  # fmt: skip
    if reading.skin is None:
        return TraitRecord.withheld(
            trait, Reason.NOT_LOCATED, method, "No usable skin was found on this face: it is too dark, "
            "clipped or hidden. Send an evenly lit photo of the face from the front."
        )  # fmt: skip
    if "unsure_turn" in reading.view.face.flags:
        return TraitRecord.withheld(
            trait, Reason.AMBIGUOUS, method, "It is not clear which way up this face is. Send an upright "
            "photo of it.", flags=("unsure_turn",),
        )  # fmt: skip
    if p < NOT_A_DOLL:
        return TraitRecord.withheld(
            trait, Reason.NOT_A_DOLL, method,
            "This face shows no painted eyes: it does not look like a painted doll.", flags=("not_a_doll",),
        )  # fmt: skip
    if p < DOLL:
        return TraitRecord.withheld(
            trait, Reason.AMBIGUOUS, method,
            "It is not clear that this is a painted doll's face. Send a sharp photo from the front.",
            flags=("doubtful_doll",),
        )  # fmt: skip
    return None


def is_monochrome(view: FaceView) -> bool:
    """Tell whether a picture is black and white or toned: all pixels share one line through black."""
    places = np.flatnonzero(view.valid)
    places = places[:: max(1, len(places) // 8000)]
    rgb = view.linear.reshape(-1, 3)[places].astype(np.float64)
    light = rgb @ LUMA
    lit = (light > 0.02) & (light < 0.9)
    if np.count_nonzero(lit) < 50:
        return False
    ratio = np.log((rgb[lit] + 1e-3) / (light[lit, None] + 1e-3))
    # A toned print's ratios change smoothly with lightness; what is left beside that is noise.
    for channel in range(3):
        fit = np.polyfit(np.log(light[lit]), ratio[:, channel], 3)
        ratio[:, channel] -= np.polyval(fit, np.log(light[lit]))
    return float(np.median(np.abs(ratio))) < 0.012


def is_drawing(view: FaceView) -> bool:
    """Tell whether a face is a flat drawing: forehead, cheeks and chin have one color to the very code.

    Light falls off over any head, and a sensor has noise: photos differ by several codes from patch to patch.
    """
    patches = [view.rgb[mask] for mask in map(view.mask, view.face.skin) if np.count_nonzero(mask) > 20]
    if len(patches) < 3:
        return False
    middles = np.array([np.median(patch, axis=0) for patch in patches])
    # An odd patch, such as one under a curl, leaves the others alike.
    within = np.median([np.abs(patch - np.median(patch, axis=0)).mean() for patch in patches])
    near = np.abs(middles - np.median(middles, axis=0)).max(axis=1) <= 1.5
    return bool(np.count_nonzero(near) >= 3 and within < 1.0)


def doll_likeness(view: FaceView, skin: Array, left: EyePaint | None, right: EyePaint | None) -> Likeness:
    """Judge whether this is a painted doll's face.

    Each piece of evidence adds to a log odds that starts against a doll; the slopes are wide guesses from
    memory, kept so that no single piece can carry the answer alone.
    """
    evidence: dict[str, float] = {"texture": skin_texture(view)}
    odds = -1.0
    for name, eye in (("left", left), ("right", right)):
        if eye is None:
            odds -= 1.2
            continue
        facts = _eye_facts(view, skin, eye)
        evidence |= {f"{name}_{key}": value for key, value in facts.items()}
        odds += _grade(facts["white_light"], -0.15, 0.12) * 1.0
        odds += _grade(facts["share"], 0.0045, 0.0015) * 0.7
        odds += _grade(-facts["white_spread"], -0.20, 0.05) * 0.6
        odds += _grade(-facts["pupil"], -0.22, 0.06) * 0.6
    odds += _grade(-evidence["texture"], -0.030, 0.008) * 1.2
    return Likeness(float(1 / (1 + np.exp(-odds))), evidence)


def _grade(value: float, middle: float, scale: float) -> float:
    """Map a value to -1 … 1 about ``middle``."""
    return float(np.tanh((value - middle) / scale))


def _eye_facts(view: FaceView, skin: Array, eye: EyePaint) -> dict[str, float]:
    linear = view.linear.astype(np.float64)
    core = cv2.erode(eye.white.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    core = core if np.count_nonzero(core) > 20 else eye.white
    light, _, _ = relative(linear[core], skin[core])
    luma = linear[core] @ LUMA
    inside = linear[eye.aperture] @ LUMA
    return {
        "white_light": float(np.quantile(light, 0.75)),
        "white_spread": float(np.std(np.log(luma + 1e-3))),
        "share": eye.white_share,
        "pupil": float(np.quantile(inside, 0.05) / max(float(eye.white_rgb @ LUMA), 1e-3)),
        "blur": eye.edge_px,
    }


def skin_texture(view: FaceView) -> float:
    """Return the contrast of fine structure on the skin, beyond the photo's own noise.

    Bands from 1/90 to 1/30 of the face's width (pores, lines, stubble, freckles) of log luminance, robust
    spread over forehead, cheeks and chin, less the spread that fine noise would leave in that band.
    """
    mask = np.zeros(view.rgb.shape[:2], bool)
    for polygon in view.face.skin:
        mask |= view.mask(polygon)
    if np.count_nonzero(mask) < 40:
        return 1.0
    light = np.log(view.linear.astype(np.float32) @ LUMA.astype(np.float32) + 0.003)
    fine = cv2.GaussianBlur(light, (0, 0), view.unit / 110)
    band = fine - cv2.GaussianBlur(light, (0, 0), view.unit / 30)
    return float(1.4826 * np.median(np.abs(band[mask] - np.median(band[mask]))))
