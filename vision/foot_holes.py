"""Foot holes: is there a hole in this sole, is it lined with metal, was its edge cut after molding.

How a dealer would be misled, and what is done about it:

* A dot of paint or dirt taken for a hole. Darkness alone decides nothing. A hole is dark because light does
  not get in: its wall is lit on the side away from the light, opposite to the dome of the sole around it,
  what light is left in it is redder than the vinyl, and its rim catches light. Paint is flat: it keeps the
  shading and the highlights of the surface it lies on.
* A hole that shows the table behind it, taken for none because it is not dark: what differs from the vinyl
  in any way is looked at (:mod:`vision.hole_search`).
* A blurred or tiny sole read as "no hole". ``none`` needs a sole wholly in view, sharp and large enough
  that the smallest plausible hole would show.
* A highlight on a molded rim taken for metal. A lining is a ring with thickness, most of the way round,
  whose color is no mixture of the hole's dark and the vinyl.
* A hole that is dark in part, because light falls on its far wall or the table shows through it, taken for
  one whose edge is cut raggedly. The dark then has no rim along a long arc, where chips are short.
* A neat drilled hole taken for a molded one. Photos may not tell: without a ragged, chipped edge or a
  molded rim the answer is withheld between ``open`` and ``drilled`` (:mod:`vision.hole_kinds`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from vision.calibration import Calibration
from vision.color import luminance
from vision.hole_clues import Sole, Spot, blur_sigma, cut_out, within
from vision.hole_kinds import BRIGHTEST_HOLE, Judged, judge
from vision.hole_search import find_foreign, find_spots, spot_at
from vision.locate.places import SolePlace
from vision.photo import Photo
from vision.second_opinion import at_most
from vision.traits import Quantity, Reason, Region, Trait, TraitRecord

METHOD = "foot_holes/4"

#: A hole of this share of the sole's length or more is excluded by ``none``. A stand's prong needs about a
#: tenth (common practice, no source).
SMALLEST_EXCLUDED = 0.06
#: It must span this many pixels of the original.
PIXELS_TO_EXCLUDE = 5.0
#: Pixels of diameter from which edge and lining can be judged.
PIXELS_TO_CLASSIFY = 14.0
#: A spot this likely to be a hole keeps ``none`` from being stated outright.
SUSPECT = 0.35
#: The most that is stated of a spot on which only a network has a word; and the most that a doll is accused
#: of a drilled foot, or said to have no hole, where the two readers of a spot differ.
ALONE = 0.75
#: Chance that a dark blob which cannot be studied is no hole.
UNCLEAR_IS_NONE = 0.6


def measure(photo: Photo, sole: SolePlace, cal: Calibration) -> TraitRecord:
    """Read one sole: no hole, an open one, one lined with metal, one whose edge looks cut.

    Parameters
    ----------
    photo
        The upright photo, sRGB uint8.
    sole
        Where the sole lies; the record takes its ``part``.
    cal
        Not used for the decision: all clues are ratios within the sole, which a wrong white balance
        leaves alone.

    Returns
    -------
    TraitRecord
        ``foot_holes`` with ``diameter_px`` (major axis of the fitted ellipse), ``circularity`` (1 for a
        circle seen obliquely too), ``lining_fraction``, and where in the foot it lies: ``diameter_of_length``
        (over the sole's length), ``off_axis`` (distance from the sole's long axis over its half width; a
        drill is easily set off center) and ``off_middle`` (distance from its middle along that axis over its
        half length) and ``toward_top`` (the same, < 0 toward the lower end of the picture), where a spot was
        found. Withheld as
        ``too_small``, ``blurred``, ``too_dark``, ``clipped``, ``occluded``, ``not_located`` or ``ambiguous``.
    """
    cut = cut_out(photo, sole)
    region = Region((sole.outline,)) if len(sole.outline) >= 3 else None
    if cut is None:
        return _withhold(sole, Reason.NOT_LOCATED, "No sole of usable size was outlined here.", region)
    blocked = _gate(photo, cut, sole, region)
    if blocked is not None:
        return blocked
    if sole.hole:
        return _pointed_out(photo, cut, sole)
    blur = blur_sigma(cut)
    spots, unclear = find_spots(cut)
    judged = [judge(spot, cut, photo) for spot in spots]
    holes = [j.spot for j in judged if j.p_hole >= SUSPECT]
    judged += [judge(spot, cut, photo) for spot in find_foreign(cut, holes)]
    judged.sort(key=lambda j: -j.p_hole)
    if not judged or judged[0].p_hole < SUSPECT:
        return _no_hole(cut, sole, judged, unclear, blur)
    # A foot may have two holes, and one may be found together with dirt beside it: the clearest one counts.
    sure = [j for j in judged if j.p_hole > 0.9 * judged[0].p_hole]
    if len({j.clear_state for j in sure} - {None}) > 1:
        detail = (
            "Two holes of different kinds were found: either the outline holds both feet, or one of them "
            "was made later; a photo of each foot by itself would tell."
        )
        return _withhold(sole, Reason.AMBIGUOUS, detail, region, flags=("two_kinds",))
    return _classify(max(sure, key=lambda j: max(j.kinds.values())), cut, sole)


def _pointed_out(photo: Photo, cut: Sole, sole: SolePlace) -> TraitRecord:
    """Read the very spot a person outlined; that it was outlined does not make it a hole."""
    spot = spot_at(cut, sole.hole)
    if spot is None:
        detail = (
            "No closed dark spot can be made out at the place pointed at; a close, sharp photo would tell."
        )
        return _withhold(sole, Reason.AMBIGUOUS, detail, Region((sole.hole,)))
    if spot.clues.depth > BRIGHTEST_HOLE:  # a shallow or through hole may look like that; so does a flat ring
        detail = "What was pointed at is not dark inside; a photo with light from one side would tell."
        return _withhold(sole, Reason.AMBIGUOUS, detail, Region((sole.hole,)))
    return _classify(judge(spot, cut, photo), cut, sole)


def _withhold(
    sole: SolePlace, reason: Reason, detail: str, region: Region | None, **rest: object
) -> TraitRecord:
    return TraitRecord.withheld(
        Trait.FOOT_HOLES, reason, METHOD, detail, region=region, part=sole.part, **rest
    )


def _gate(photo: Photo, cut: Sole, sole: SolePlace, region: Region | None) -> TraitRecord | None:
    """Return a refusal when the sole cannot carry a reading, else None."""
    length = cut.length / cut.scale
    if length * SMALLEST_EXCLUDED * 2 < PIXELS_TO_EXCLUDE:
        return _withhold(
            sole, Reason.TOO_SMALL, f"The sole spans {length:.0f} px; a closer photo of it is needed.", region
        )
    level = luminance(cut.rgb)[cut.mask]
    if np.median(level) < 0.012:
        return _withhold(
            sole, Reason.TOO_DARK, "The sole lies in the dark; a lighter photo is needed.", region
        )
    clipped = float((cut.rgb.min(-1)[cut.mask] > 0.97).mean())
    if clipped > 0.35:
        detail = f"{clipped:.0%} of the sole is burnt out; a photo without flash is needed."
        return _withhold(sole, Reason.CLIPPED, detail, region)
    return None


# --- the decision -----------------------------------------------------------------------------------


def _if_a_sole(candidates: Mapping[str, float], sole: SolePlace) -> dict[str, float]:
    """Return the probabilities with the doubt whether this is a sole at all given to the other states.

    "No hole" on something that is no sole would be the costliest slip, so no doubt speaks for it.
    """
    if "view_given" in sole.flags and max(candidates, key=lambda k: candidates[k]) != "none":
        return dict(candidates)  # where the outline runs decides over "no hole" only
    doubt = (1 - sole.confidence) / (len(candidates) - 1)
    return {k: sole.confidence * p + doubt * (k != "none") for k, p in candidates.items()}


def _within_the_foot(spot: Spot, cut: Sole) -> dict[str, Quantity]:
    """Return size and position relative to the sole; its outline is good to about a twelfth."""
    share = spot.diameter * cut.scale / cut.length
    along, off, upward = within(cut, spot.ellipse)
    where = {
        "diameter_of_length": Quantity(share, math.hypot(spot.u_diameter / spot.diameter, 0.08) * share),
        "off_axis": Quantity(off, math.hypot(0.08, 0.1 * off)),
        "off_middle": Quantity(along, 0.06),
    }
    if upward is not None:
        where["toward_top"] = Quantity(upward, 0.06)
    return where


def _quantities(spot: Spot, lined: bool) -> dict[str, Quantity]:
    """Return the measured values; a lining belongs to its hole."""
    c = spot.clues
    diameter = spot.rim_diameter if lined else spot.diameter
    soft = 0.1 * c.softness / 4
    # Where a worn metal lip ends and the shade beside it begins is seen to about a fourteenth.
    u_diameter = math.hypot(spot.u_diameter, 0.07 * diameter if lined else 0.0)
    # A ragged rim is followed less surely than a round one: other pixels give another outline.
    ragged = 0.15 * (1 - c.circularity)
    found = {
        "diameter_px": Quantity(diameter, u_diameter, "px"),
        "circularity": Quantity(c.circularity, min(0.2, 0.01 + 0.3 / max(spot.diameter, 2) + ragged + soft)),
    }
    if lined:  # the pale burr of a cut edge is bright too, but is no lining
        # A ring seen in part ends where its glint does, which a little less light or sharpness moves.
        partial = 0.4 * c.metal * (1 - c.metal)
        u_lining = min(0.3, 0.05 + 1.0 / max(spot.diameter, 4) + partial)
        found["lining_fraction"] = Quantity(c.metal, u_lining)
    return found


def _no_hole(
    cut: Sole,
    sole: SolePlace,
    judged: list[Judged],
    unclear: int,
    blur: float,
) -> TraitRecord:
    """State ``none`` when a hole would have shown, else say what keeps it from being excluded."""
    region = Region((sole.outline,))
    smallest = SMALLEST_EXCLUDED * cut.length
    if smallest / cut.scale < PIXELS_TO_EXCLUDE:
        return _withhold(sole, Reason.TOO_SMALL, "Too small to rule a hole out; come closer.", region)
    if blur > 0.3 * smallest:
        detail = "The sole is too blurred to rule a hole out; a sharp photo of it is needed."
        return _withhold(sole, Reason.BLURRED, detail, region)
    if "cut_off" in sole.flags:
        return _withhold(sole, Reason.OCCLUDED, "The sole is not wholly in view.", region)
    spots = [j for j in judged if j.spot.by_color or j.spot.clues.depth <= BRIGHTEST_HOLE]
    clear = math.prod(1 - j.p_hole for j in spots) * UNCLEAR_IS_NONE**unclear
    p, rest = 0.97 * clear, 1 - 0.97 * clear
    candidates = {"none": p, "open": 0.5 * rest, "drilled": 0.3 * rest, "lined": 0.2 * rest}
    differ = any(j.agreed is False for j in judged)
    if differ:
        candidates = at_most(candidates, "none", ALONE)
    flags = [*(["surface_spot"] if spots else []), *(["opinions_differ"] if differ else [])]
    return TraitRecord.decide(
        Trait.FOOT_HOLES,
        _if_a_sole(candidates, sole),
        METHOD,
        "A dark spot may be a small hole or lie on the surface; a close photo lit from one side would tell.",
        detail="No hole: the sole is in view and sharp." + (" A surface spot was seen." if spots else ""),
        region=region,
        n_pixels=int(cut.mask.sum() / cut.scale**2),
        flags=tuple(flags),
        part=sole.part,
    )


def _classify(found: Judged, cut: Sole, sole: SolePlace) -> TraitRecord:
    """Name the kind of the likeliest hole."""
    spot = found.spot
    candidates = found.states()
    likeliest = max(candidates, key=lambda k: candidates[k])
    if spot.by_color or (likeliest == "drilled" and found.agreed is False):
        candidates = at_most(candidates, likeliest, ALONE)
    flags = [] if found.agreed is None else ["second_opinion" if found.agreed else "opinions_differ"]
    if spot.diameter < PIXELS_TO_CLASSIFY:
        # Too few pixels to see an edge or a ring: draw the kinds together, keep hole against none.
        trust = max(0.2, spot.diameter / PIXELS_TO_CLASSIFY) ** 2
        hole = 1 - candidates["none"]
        even = {"open": 0.5 * hole, "lined": 0.2 * hole, "drilled": 0.3 * hole}
        candidates |= {k: trust * candidates[k] + (1 - trust) * even[k] for k in even}
        flags.append("small")
    candidates = _if_a_sole(candidates, sole)
    lined = candidates["lined"] > 0.5
    words = {
        "open": "An open hole of bare vinyl with "
        + ("a raised bead round its edge." if found.beaded > 0.5 else "a smooth edge."),
        "lined": "A hole lined with metal.",
        "drilled": "A hole with a ragged edge, consistent with drilling after molding.",
        "none": "A dark spot that lies on the surface; no hole.",
    }
    return TraitRecord.decide(
        Trait.FOOT_HOLES,
        candidates,
        METHOD,
        _what_would_tell(candidates),
        detail=words[max(candidates, key=lambda k: candidates[k])],
        quantities=_quantities(spot, lined) | ({} if sole.hole else _within_the_foot(spot, cut)),
        region=Region.from_arrays([spot.rim_outline if lined else spot.outline]),
        n_pixels=int(math.pi * spot.diameter**2 / 4 * spot.clues.axis_ratio),
        flags=tuple(flags),
        part=sole.part,
    )


def _what_would_tell(candidates: Mapping[str, float]) -> str:
    first, second = sorted(candidates, key=lambda k: -candidates[k])[:2]
    if {first, second} == {"open", "drilled"}:
        return (
            "A hole of bare vinyl whose edge may be molded or neatly drilled; a macro photo under raking "
            "light, or a look at the wall for tool marks, would tell."
        )
    if "none" in (first, second):
        return "A hole or a dark spot on the surface; a close photo with light from one side would tell."
    return f"A hole, but {first} or {second} is not clear; a closer, sharper photo would tell."
