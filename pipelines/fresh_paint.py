"""Lip paint as strong as new on a doll whose vinyl has faded: a sign of a repaint that no single photo shows.

Light takes color out of face paint as it does out of vinyl (common practice, no source). Where the body has
faded and the lips are as strong as on a doll that has not, the paint may be younger than the doll.

How a dealer would be misled, and what stands against it:

- the head may be another doll's, one that lay in the dark, and some reds outlast vinyl: both are said, and
  the sign is never given more than ``MOST``;
- some old reds are strong to this day: rubbed paint has been handled with the doll, and only paint that
  covers the lips is asked about (common practice, no source);
- a doll that nobody measured is not a faded one, nor is vinyl that only turned yellow, or that two photos
  disagree about: without a fade that is stated there is no sign;
- a paint that was always pale looks faded, one that was always strong looks fresh: the guide says from which
  chroma on paint is as strong as new, and without its word there is no sign;
- a camera flatters, gloss deepens: the chroma's uncertainty counts, and there is none without a white
  reference.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from vision.traits import Quantity, Trait, TraitRecord

if TYPE_CHECKING:
    from pipelines.guide import TraitSpec

#: The guide's trait that parts the chroma of lip paint into ranges, and its state for paint as new.
LIP_CHROMA, FRESH = "lip_chroma", "fresh"
SIGN = "fresh_chroma"
#: Most that the sign is given: heads are exchanged, and paints differ in how they fade.
MOST = 0.75
#: States of lips whose paint shows no wear.
_UNWORN = frozenset({"full", "overpainted"})
#: Flags of a fade that may be something else: yellowing, another lamp, a step unlike fade.
_NO_FADE = frozenset({"side_unsure", "two_lights", "unlike_fade", "readings_disagree"})


def faded(fade: TraitRecord | None) -> bool:
    """Tell whether vinyl was measured as faded, so that paint can be held against it."""
    return fade is not None and fade.state == "faded" and not _NO_FADE & set(fade.flags)


def with_fresh_paint(
    signs: TraitRecord | None, lips: TraitRecord, fade: TraitRecord, spec: TraitSpec
) -> TraitRecord | None:
    """Return a photo's signs of renewed lip paint with that of fresh paint on faded vinyl.

    Parameters
    ----------
    signs
        The photo's ``lip_repaint_signs`` record, or None.
    lips
        Its ``lip_paint`` record.
    fade
        The doll's ``skin_fade``, for which :func:`faded` holds.
    spec
        The guide's ``lip_chroma``.

    Returns
    -------
    The record with ``fresh_chroma`` (C*ab of the paint) and its chance; ``signs`` as they are where the paint
    shows wear, has no stated state or no chroma, or where there is nothing to add to.
    """
    from vision.repaint import SEEN, Sign, with_sign

    chroma = lips.quantities.get("chroma")
    if lips.state not in _UNWORN or chroma is None:
        return signs
    chance = min(MOST, fade.confidence * spec.shares(chroma.value, chroma.u)[FRESH])
    if chance < SEEN and (signs is None or signs.state is None):
        return signs
    polygons = lips.region.polygons if lips.region is not None else ()
    sign = Sign(SIGN, "the paint is as strong as new on faded vinyl", chroma, chance, polygons)
    return with_sign(signs, Trait.LIP_REPAINT_SIGNS, sign, _sentence(chroma, fade))


def _sentence(chroma: Quantity, fade: TraitRecord) -> str:
    size = fade.quantities.get("delta_e00")
    much = f" (ΔE00 {size.value:.1f} ± {size.u:.1f})" if size else ""
    return (
        f"The lip paint is as strong as new (C* {chroma.value:.0f} ± {chroma.u:.0f}) although the vinyl of "
        f"the body has faded{much}: the paint may be younger. An honest restoration looks the same, so does "
        "a head that comes from another doll, and some paints outlast vinyl. What would settle it: the edge "
        "of the paint under a magnifier, and head and body beside each other in one photo in daylight, with "
        "vinyl that hair or clothing has covered."
    )
