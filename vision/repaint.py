"""Signs that paint of a face was renewed: what those of lips and eyes share.

A sign is a measured finding with a place, a number and a probability. It is no proof and no accusation: an
honest restoration, a factory's bad day and a knock look alike. The probability given is that the sign is
there, not that somebody painted; what it means is for a guide to weigh.

Factories sprayed face paint through masks (common practice, no source): edges smooth, both sides alike, one
color, inside the molded lip. A brush leaves other traces, and those are what is looked for.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from statistics import NormalDist

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.face_reading import FaceReading, read_face, refuse
from vision.locate.places import FacePlace
from vision.photo import Photo
from vision.traits import Polygon, Quantity, Reason, Region, Trait, TraitRecord

METHOD = "repaint/4"

#: A face narrower than this (px of the original) shows no brush work.
LEAST_FACE_PX = 160.0
#: A sign counts as seen from this probability on.
SEEN = 0.6


@dataclass(frozen=True)
class Sign:
    """One sign.

    Attributes
    ----------
    name
        Machine word: ``"ragged_edge"``, ``"second_red"``, …
    words
        What is seen, completing "Seen on the lips: …".
    number
        What was measured, with its standard uncertainty.
    probability
        That the sign is there, 0–1.
    polygons
        Where, in pixels of the upright original.
    """

    name: str
    words: str
    number: Quantity
    probability: float
    polygons: tuple[Polygon, ...] = ()


def look_for_signs(
    photo: Photo,
    face: FacePlace,
    cal: Calibration,
    trait: Trait,
    place: str,
    look: Callable[[FaceReading, Calibration], list[Sign] | None],
) -> TraitRecord:
    """Return the record of one part of a face, ``place``, whose signs ``look`` finds."""
    reading = read_face(photo, face)
    refused = refuse(reading, trait, METHOD)
    if refused is not None:
        return refused
    if face.width < LEAST_FACE_PX:
        return _withheld(
            trait, Reason.TOO_SMALL, f"The face is only {face.width:.0f} px wide; send a close photo."
        )
    return _record(trait, place, look(reading, cal), reading)


def with_sign(record: TraitRecord | None, trait: Trait, sign: Sign, said: str) -> TraitRecord:
    """Return a record of signs with one more, which no single photo shows.

    Parameters
    ----------
    record
        What one photo showed of the others; None, or without a state, where it could not be judged.
    trait, sign
        The trait, and what is added.
    said
        What to say of the sign where it counts as seen, in whole sentences.
    """
    numbers = {sign.name: sign.number, f"{sign.name}_chance": Quantity(sign.probability, 0.0)}
    before, seen = 0.0, sign.probability >= SEEN
    details = [said] if seen else []
    polygons = sign.polygons if seen else ()
    names = (sign.name,) * len(polygons)
    flags = (sign.name,) if seen else ()
    if record is not None:
        before = record.candidates.get("present", 0.0) if record.state is not None else 0.0
        numbers = {**record.quantities, **numbers}
        flags = (*record.flags, *flags)
        if record.region is not None:
            polygons, names = record.region.polygons + polygons, record.region.names + names
        if record.state == "present" or not seen:
            details.insert(0, record.detail)
    present = 1 - (1 - before) * (1 - _counted(sign))
    return TraitRecord.decide(
        trait, {"present": present, "none": 1 - present}, METHOD,
        "It is not clear whether the paint shows signs of renewal. Send a sharp, close photo.",
        detail=" ".join(details), quantities=numbers,
        region=Region(polygons, names) if polygons else None, flags=flags,
    )  # fmt: skip


def _counted(sign: Sign) -> float:
    """Return how much a sign adds to the probability that there is any: faint ones nothing."""
    return max(0.0, sign.probability - 0.1) / 0.9


def above(value: float, u: float, limit: float) -> float:
    """Probability that the true value exceeds a limit, under a normal error; at most 0.95."""
    return 0.95 * NormalDist().cdf((value - limit) / max(u, 1e-9))


def disc(radius: float) -> NDArray[np.uint8]:
    """Return a round kernel of a radius in pixels."""
    size = 2 * max(1, round(radius)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def _record(trait: Trait, place: str, signs: list[Sign] | None, reading: FaceReading) -> TraitRecord:
    if not signs:
        return _withheld(
            trait, Reason.NOT_LOCATED,
            f"The paint of the {place} is not seen well enough to judge whether it was renewed. "
            "Send a sharp, close photo from the front.",
        )  # fmt: skip
    quantities: dict[str, Quantity] = {}
    polygons: list[Polygon] = []
    names: list[str] = []
    for sign in signs:
        quantities[sign.name] = sign.number
        quantities[f"{sign.name}_chance"] = Quantity(sign.probability, 0.0)
        if sign.probability >= SEEN:
            polygons += sign.polygons
            names += [sign.name] * len(sign.polygons)
    none = math.prod(1 - _counted(sign) for sign in signs)
    trust = 0.9 * min(1.0, 0.5 + 0.5 * reading.likeness.probability)
    present = trust * (1 - none) + (1 - trust) / 2
    seen = [sign for sign in signs if sign.probability >= SEEN]
    said = "; ".join(sign.words for sign in seen)
    return TraitRecord.decide(
        trait, {"present": present, "none": 1 - present}, METHOD,
        f"It is not clear whether the paint of the {place} shows signs of renewal. Send a closer photo.",
        detail=(
            f"Seen on the {place}: {said}. An honest restoration looks the same." if seen
            else f"No sign that the paint of the {place} was renewed was seen, which does not rule it out."
        ),
        quantities=quantities, region=Region(tuple(polygons), tuple(names)) if polygons else None,
        flags=tuple(sign.name for sign in seen),
    )  # fmt: skip


def _withheld(trait: Trait, reason: Reason, detail: str) -> TraitRecord:
    return TraitRecord.withheld(trait, reason, METHOD, detail)
