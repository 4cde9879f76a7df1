"""What to be careful with, given what was found. No treatment is recommended, ever."""

from __future__ import annotations

from dataclasses import dataclass

from pipelines.dossier import Dossier
from pipelines.verdict import Verdict

_AIC = "Wallace et al., AIC Objects Specialty Group Postprints 23, 2016"
_NPS = "U.S. National Park Service, Conserve O Gram 8/4, 2010"
_PLASTICIZER = "Heritage Science 2020, doi:10.1186/s40494-020-00466-0"
_BLOOM = "Studies in Conservation 2016, doi:10.1080/00393630.2016.1206651"


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution in plain words, with its source; an empty source is plain good sense."""

    id: str
    text: str
    source: str = ""

    def to_json(self) -> dict[str, str]:
        """Return the contract's JSON form."""
        return {"id": self.id, "text": self.text, "source": self.source}


NO_PROOF = Caution(
    "no_proof",
    "This is a reading of photos. It is no proof of fraud, no certificate and no appraisal. Before you "
    "accuse anybody, refuse to pay or pay much, ask a qualified appraiser or conservator, and mind the law "
    "where you are.",
)
NO_TREATMENT = Caution(
    "no_treatment",
    "Keep solvents, heat, abrasives and bleach away from old vinyl and its paint: the damage cannot be "
    "undone.",
)
GREEN_STAIN = Caution(
    "green_stain",
    "Green at the ears comes from copper in earrings and lies below the surface. Bleaching gels remove "
    "vinyl with it: try no home treatment and leave it to a conservator. Wear nitrile gloves and air the "
    "room, since corroding metal and degrading PVC are unhealthy.",
    f"{_AIC}; {_NPS}",
)
GREASE = Caution(
    "grease",
    "A greasy surface is plasticizer coming out of the vinyl; it returns after cleaning, so a face wiped "
    "dry for a photo may look matte for some days. Wear nitrile gloves and air the room.",
    f"{_PLASTICIZER}; {_NPS}",
)
FADE = Caution(
    "fade",
    "Faded vinyl does not recover, and more light fades it more: keep the doll cool, dry and dark.",
)
STORAGE = Caution(
    "storage",
    "Store without tape, rubber bands or PVC bags. A white bloom that comes in the cold and goes at room "
    "temperature is no sign of decay by itself.",
    _BLOOM,
)
FEET = Caution(
    "feet",
    "Do not poke, widen or clean holes in the soles: their edge is the evidence.",
)
ALTERED = Caution(
    "altered",
    "Signs of later work say nothing about who did it, when or why; honest restoration looks the same. "
    "Ask first.",
)


def cautions_for(dossier: Dossier, verdict: Verdict) -> tuple[Caution, ...]:
    """Return the cautions that matter for this doll, the most pressing first."""
    states = {(m.trait, m.record.state) for m in dossier.measured}
    chosen = [NO_PROOF]
    if verdict.alteration_flags or (verdict.claim is not None and verdict.claim.state == "contradicted"):
        chosen.append(ALTERED)
    if ("ear_stain", "green") in states:
        chosen.append(GREEN_STAIN)
    if ("skin_sheen", "greasy") in states:
        chosen.append(GREASE)
    if ("skin_fade", "faded") in states:
        chosen.append(FADE)
    if any(trait == "foot_holes" and state != "none" for trait, state in states):
        chosen.append(FEET)
    return (*chosen, NO_TREATMENT, STORAGE)
