"""Both feet compared: are their holes of one kind, one size and at one place?

Molded holes come from one pair of molds and match; holes made later by hand seldom do.

How a dealer would be misled, and what stands against it: two feet turned unlike toward the camera show one
size and place as two (tolerances are those that molded pairs show in renders seen at a slant); an outline
that follows a finger moves a foot's axis (a match is taken to be measured astray now and then; a sole in
doubt leaves the answer in doubt); two readings that are unsure in the same way taken for a difference
(molded or neatly drilled counts as one kind unless each is stated); a dot of paint on one foot that may be a
hole (where one foot is not named, a difference in kind must be surer); a match taken for proof that holes are
molded (a careful hand drills alike: the guides weigh it little).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from vision.traits import Quantity, Reason, Region, Trait, TraitRecord

METHOD = "feet/3"

#: Chance that two holes of one kind, in the feet of one doll, match (a guess).
MATCHING = 0.8
#: How often matching holes are measured as if they did not match (a guess).
ASTRAY = 0.05
#: Quantity → (standard deviation between feet whose holes match, of dolls whose holes do not): the first from
#: molded pairs in renders, seen at slants of up to some thirty degrees; the second a guess. Sizes are
#: compared as logarithms.
_SPREADS: Mapping[str, tuple[float, float]] = {
    "diameter_of_length": (0.15, 0.35),
    "off_axis": (0.18, 0.35),
    "off_middle": (0.12, 0.4),
    "toward_top": (0.12, 0.6),
}
#: Probability from which a difference in kind is stated although one foot's hole or spot was not named: who
#: says that the feet differ says that one was altered.
_SURE_OF_KINDS = 0.8
#: Flag that names what differs most.
_FLAGS = {
    "diameter_of_length": "differ_in_size",
    "off_axis": "differ_in_place",
    "off_middle": "differ_in_place",
    "toward_top": "differ_in_place",
}
#: Likelihood ratios beyond this say no more.
_MOST = 1e6


def compare(feet: Sequence[TraitRecord]) -> TraitRecord:
    """Compare the ``foot_holes`` records of one photo.

    Parameters
    ----------
    feet
        As :func:`vision.foot_holes.measure` returned them, the image's left first.

    Returns
    -------
    TraitRecord
        ``feet_match``: alike or differ; flags ``differ_in_kind``, ``differ_in_size``, ``differ_in_place`` say
        in what; where both feet have a hole the quantities are ``diameter_ratio`` (left over right, each as a
        share of its foot's length), and ``off_axis_difference`` and ``off_middle_difference`` (half widths
        and half lengths of the foot), or ``toward_top_difference`` where it is known which ends of the feet
        are which. Withheld as ``not_in_view`` when fewer than two feet were found, else
        for the reason that one of them was, or as ``ambiguous``.
    """
    if len(feet) != 2:
        return _withheld(Reason.NOT_IN_VIEW, "Both feet in one photo are needed to compare them.")
    for foot in feet:
        if not foot.candidates:
            return _withheld(foot.not_measured or Reason.AMBIGUOUS, "One of the feet could not be read.")
    p_same, p_bare_hole = _same_kind(feet)
    ratios = _ratios(feet)
    ratio = math.prod(ratios.values())
    odds = (1 - MATCHING) / MATCHING * ratio / (1 - ASTRAY + ASTRAY * ratio)
    p_match = 1 / (1 + odds)
    # Without holes there is nothing else to compare.
    alike = p_same * (1 - p_bare_hole + p_bare_hole * p_match) if ratios else p_same
    candidates = {"alike": 0.97 * alike + 0.015, "differ": 0.97 * (1 - alike) + 0.015}
    differs = candidates["differ"] > candidates["alike"]
    unnamed = any(foot.state is None for foot in feet)
    if differs and unnamed and p_same < 0.5 and candidates["differ"] < _SURE_OF_KINDS:
        return _withheld(
            Reason.AMBIGUOUS,
            "The feet may differ, but what one of them shows is not clear; close photos of both soles, lit "
            "from one side, would tell.",
            candidates,
        )
    flags = _flags(p_same, ratios) if differs else ()
    polygons = tuple(p for foot in feet if foot.region is not None for p in foot.region.polygons)
    return TraitRecord.decide(
        Trait.FEET_MATCH,
        candidates,
        METHOD,
        "Whether the feet match is not clear; a photo of both soles, straight from below, would tell.",
        detail=_words(feet, flags) if differs else "Both feet look alike.",
        quantities=_quantities(feet),
        region=Region(polygons) if polygons else None,
        flags=flags,
    )


def _withheld(reason: Reason, detail: str, candidates: Mapping[str, float] | None = None) -> TraitRecord:
    return TraitRecord.withheld(Trait.FEET_MATCH, reason, METHOD, detail, candidates=candidates or {})


def _kinds(foot: TraitRecord) -> dict[str, float]:
    """Return the probability of each kind of hole, molded and drilled in one unless one of them is stated."""
    p = dict(foot.candidates)
    rest = max(0.0, 1 - sum(p.values()))
    bare = p.get("open", 0.0) + p.get("drilled", 0.0)
    return {
        "none": p.get("none", 0.0) + rest / 3,
        "bare": bare + rest / 3,
        "lined": p.get("lined", 0.0) + rest / 3,
    }


def _same_kind(feet: Sequence[TraitRecord]) -> tuple[float, float]:
    """Return the probabilities that both feet are of one kind, and that this is a hole.

    The readings stand for themselves: feet of one doll mostly agree, but to lean on that would call them
    alike wherever one was read badly.
    """
    one, other = (_kinds(foot) for foot in feet)
    same = {k: one[k] * other[k] for k in one}
    if {foot.state for foot in feet} == {"open", "drilled"}:  # each seen well enough to be stated
        same["bare"] *= 1 - math.prod(foot.confidence for foot in feet)
    p_same = sum(same.values())
    return p_same, (same["bare"] + same["lined"]) / max(p_same, 1e-9)


def _ratios(feet: Sequence[TraitRecord]) -> dict[str, float]:
    """Return for each quantity how much likelier its difference is between feet that do not match."""
    found = {}
    for name, apart, u in _differences(feet):
        matching, unlike = _SPREADS[name]
        near, far = math.hypot(u, matching), math.hypot(u, unlike)
        ratio = near / far * math.exp(0.5 * apart**2 * (1 / near**2 - 1 / far**2))
        found[name] = min(_MOST, ratio)
    return found


def _differences(feet: Sequence[TraitRecord]) -> Iterator[tuple[str, float, float]]:
    """Yield name, difference and its standard uncertainty of each quantity that both feet have."""
    ends_known = all("toward_top" in foot.quantities for foot in feet)
    for name in _SPREADS:
        if name == ("off_middle" if ends_known else "toward_top"):
            continue
        pair = [foot.quantities.get(name) for foot in feet]
        if pair[0] is not None and pair[1] is not None:
            yield name, *_apart(name, pair[0], pair[1])


def _apart(name: str, one: Quantity, other: Quantity) -> tuple[float, float]:
    """Return a difference and its standard uncertainty; of sizes the logarithm of the ratio."""
    if name != "diameter_of_length":
        return one.value - other.value, math.hypot(one.u, other.u)
    a, b = max(one.value, 1e-3), max(other.value, 1e-3)
    return math.log(a / b), math.hypot(one.u / a, other.u / b)


def _flags(p_same: float, ratios: Mapping[str, float]) -> tuple[str, ...]:
    if p_same < 0.5:
        return ("differ_in_kind",)
    most = max(ratios, key=lambda name: ratios[name])
    return tuple(dict.fromkeys(_FLAGS[n] for n, ratio in ratios.items() if n == most or ratio > 3))


def _quantities(feet: Sequence[TraitRecord]) -> dict[str, Quantity]:
    """Return what was compared; uncertainties with the tolerance for a slanted view."""
    out = {}
    for name, apart, own in _differences(feet):
        u = math.hypot(own, _SPREADS[name][0])
        if name == "diameter_of_length":
            out["diameter_ratio"] = Quantity(math.exp(apart), math.exp(apart) * u)
        else:
            out[f"{name}_difference"] = Quantity(abs(apart), u)
    return out


def _words(feet: Sequence[TraitRecord], flags: Sequence[str]) -> str:
    if "differ_in_kind" in flags:
        states = [f.state or "not clear" for f in feet]
        return f"The feet differ: the left of the picture is read as {states[0]}, the right as {states[1]}."
    what = " and ".join({"differ_in_size": "in size", "differ_in_place": "in place"}[f] for f in flags)
    return f"The holes of the two feet differ {what}."
