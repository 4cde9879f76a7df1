"""Color of the painted iris, or that it carries black and white only.

How a dealer would be misled, and what stands against it: the blue of a window in glossy black paint, or warm
light on white, passes for a painted iris (color is judged against the white of the same eye); the liner's
color bleeds in at the rim (a margin as wide as the blur is left out); pupil and white blur to gray, which
has no color (only chroma beyond what mixing them can leave counts).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.color import ColorReading, chroma, delta_e_2000, name_reading, pool, read_color
from vision.eye_paint import LUMA, EyePaint, eye_calibration, lab_of
from vision.face_reading import FaceReading, read_face, refuse
from vision.face_view import FaceView
from vision.locate.places import FacePlace
from vision.photo import Photo
from vision.second_opinion import combine
from vision.traits import Reason, Region, Trait, TraitRecord

TRAIT = Trait.IRIS_COLOR
METHOD = "iris/4"
STATES = ("unpainted", "blue", "brown", "green", "other")

#: A face narrower than this (px of the original) has no readable iris.
LEAST_FACE_PX = 55.0
#: Less of an eye than this inside the photo, and the iris is not wholly seen.
WHOLE = 0.9

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Iris:
    """What lies inside the aperture beside white: ``share`` is the colored part of it, 0–1.

    ``blur`` is the photo's blur at the eye in face widths (standard deviation).
    """

    share: float
    core: Array
    mask: Mask
    n_pixels: int
    dark_chroma: float
    blur: float = 0.0


def measure(photo: Photo, face: FacePlace, cal: Calibration) -> TraitRecord:
    """Read the color of the painted irises of one face.

    Returns
    -------
    An ``iris_color`` record: unpainted (black and white only), blue, brown, green or other; quantities are
    CIELAB D65 of the iris paint.
    """
    reading = read_face(photo, face)
    refused = refuse(reading, TRAIT, METHOD)
    if refused is not None:
        return refused
    if face.width < LEAST_FACE_PX:
        return _withheld(Reason.TOO_SMALL, f"The face is only {face.width:.0f} px wide; send a closer photo.")
    if not reading.eyes:
        return _withheld(Reason.NOT_LOCATED, "No painted eye was found; send a sharp photo from the front.")
    white = eye_calibration(reading.eyes, cal)
    irises = [find_iris(reading.view, eye) for eye in reading.eyes]
    known = [iris for iris in irises if iris is not None]
    if not known:
        return _withheld(Reason.NOT_LOCATED, "The eyes show no iris or pupil; send a sharp photo.")
    return _combine(reading, known, [_judge(iris, white) for iris in known], white)


def find_iris(view: FaceView, eye: EyePaint) -> Iris | None:
    """Find what is neither white nor lid inside one eye, and what of it is colored."""
    blur = max(1.0, 1.6 * eye.edge_px * view.scale)
    size = 2 * int(np.ceil(blur)) + 1
    # Keep off the upper rim, where lash line and liner blur in; the other sides border on white.
    inside = _below_rim(eye, view.rgb.shape[:2], 1.3 * blur + 0.006 * view.unit) & eye.aperture
    inside &= cv2.erode(eye.aperture.astype(np.uint8), np.ones((size, size), np.uint8)).astype(bool)
    linear = view.linear.astype(np.float64)
    level = linear @ LUMA / max(float(eye.white_rgb @ LUMA), 1e-3)
    disc = inside & (level < 0.55)
    if np.count_nonzero(disc) < 0.0004 * view.unit**2:
        return None
    lab = lab_of(linear[disc], eye_calibration([eye], Calibration()))
    color = chroma(lab)
    # Black mixed with white has no chroma; noise and chroma subsampling leave a few units.
    colored = disc & (level > 0.02)
    colored[disc] &= color > np.where(lab[..., 0] < 25, 9.0, 8.0)
    colored = cv2.morphologyEx(colored.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)).astype(
        bool
    )
    share = float(colored.sum() / disc.sum())
    distance = cv2.distanceTransform(colored.astype(np.uint8), cv2.DIST_L2, 3)
    core = colored & (distance >= 0.5 * float(distance.max())) if colored.any() else disc
    return Iris(
        share, linear[core], colored if colored.any() else disc, view.original_pixels(disc),
        float(np.median(color)), eye.edge_px * view.scale / view.unit,
    )  # fmt: skip


def _below_rim(eye: EyePaint, shape: tuple[int, int], margin: float) -> Mask:
    above = np.interp(np.arange(shape[1]), eye.rim[:, 0], eye.rim[:, 1])
    return np.asarray(np.arange(shape[0])[:, None] >= above[None] + margin)


def _judge(iris: Iris, cal: Calibration) -> tuple[dict[str, float], ColorReading | None]:
    """Probabilities of the states for one eye and the color of its paint."""
    few = max(3.0, iris.n_pixels / 25)
    # A colored iris is most of the disc beside the pupil; specks are bleeding or reflections.
    painted = float(1 / (1 + np.exp(-(iris.share - 0.22) / 0.045)))
    painted = 0.5 + (painted - 0.5) * (1 - float(np.exp(-few / 2)))
    # A blur as wide as the ring beside the pupil takes its color away.
    sharp = float(np.clip((0.013 - iris.blur) / 0.006, 0, 1))
    painted = max(painted, 0.5 - 0.5 * sharp)
    mean = np.median(iris.core, axis=0)
    spread = np.cov(iris.core.T) if len(iris.core) > 3 else np.diag((0.1 * mean + 0.002) ** 2)
    color = read_color(mean, spread / few + 1e-6 * np.eye(3), cal)
    names = name_reading(color)
    blue = pool(names, "blue")
    brown = pool(names, "brown", "orange")
    green = pool(names, "green")
    neutral = pool(names, "black", "gray", "white")
    other = max(0.0, 1 - blue - brown - green - neutral)
    out = {"blue": blue, "brown": brown, "green": green, "other": other}
    out = {k: painted * v for k, v in out.items()}
    # A neutral reading of a blurred eye says little: dark irises are the first to look black.
    out["unpainted"] = 1 - painted + painted * neutral * sharp
    for name, part in (("brown", 0.6), ("blue", 0.2), ("green", 0.2)):
        out[name] += part * painted * neutral * (1 - sharp)
    return out, (color if painted > 0.5 else None)


def _combine(
    reading: FaceReading,
    irises: list[Iris],
    results: list[tuple[dict[str, float], ColorReading | None]],
    cal: Calibration,
) -> TraitRecord:
    """Join both eyes to one record."""
    # Of a turned head the far eye is narrow: each counts by what is seen of it.
    seen = [iris.n_pixels for iris in irises]
    probabilities = {s: float(np.average([p.get(s, 0.0) for p, _ in results], weights=seen)) for s in STATES}
    colors = [color for _, color in results if color is not None]
    tops = {max(p, key=lambda k: p[k]) for p, _ in results}
    flags: list[str] = []
    apart = float(delta_e_2000(colors[0].lab, colors[1].lab)) if len(colors) == 2 else 0.0
    if len(results) == 2 and (len(tops) == 2 or apart > 15):
        flags.append("eyes_disagree")
    if len(results) == 1:
        flags.append("one_eye")
    view = reading.view
    if min(view.in_frame(view.face.left_eye), view.in_frame(view.face.right_eye)) < WHOLE:
        flags.append("cut_by_frame")
    ceiling = 0.93 if len(results) == 2 and not flags else 0.88
    ceiling *= min(1.0, 0.5 + 0.5 * reading.likeness.probability)
    share = 1 - ceiling
    probabilities = {k: ceiling * v + share / len(STATES) for k, v in probabilities.items()}
    probabilities, said = combine(probabilities, reading.opinion("iris"))
    flags += [said] if said else []
    flags.append(f"reference_{cal.method}")
    best = max(probabilities, key=lambda k: probabilities[k])
    region = Region(tuple(p for iris in irises for p in reading.view.region(iris.mask).polygons))
    detail = (
        "The irises are black and white only." if best == "unpainted" else f"The irises are painted {best}."
    )
    # Both eyes bear the same paint: where they are read unlike, neither reading is as sure as it seems.
    lead = colors[0].widened(colors[1]) if len(colors) == 2 else colors[0] if colors else None
    return TraitRecord.decide(
        TRAIT, probabilities, METHOD,
        "Cannot tell the color of the irises here. Send a sharp, closer photo from the front in daylight.",
        detail=detail, quantities=lead.quantities() if lead and best != "unpainted" else {},
        region=region if region.polygons else None,
        n_pixels=sum(iris.n_pixels for iris in irises), flags=tuple(flags),
    )  # fmt: skip


def _withheld(reason: Reason, detail: str) -> TraitRecord:
    return TraitRecord.withheld(TRAIT, reason, METHOD, detail)
