"""Records in plain words: the one place where states, reasons and numbers become text for a reader."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from vision.traits import Quantity, Reason, TraitRecord

if TYPE_CHECKING:
    from pipelines.guide import TraitSpec

TRAIT_TITLES: Mapping[str, str] = {
    "eyeliner_color": "Eyeliner",
    "iris_color": "Iris paint",
    "lip_paint": "Lip paint",
    "skin_fade": "Skin fade",
    "foot_holes": "Foot holes",
    "mark_text": "Mold mark",
    "mark_symbol": "Sign in the mark",
    "skin_sheen": "Skin sheen",
    "ear_stain": "Ear stain",
    "lip_repaint_signs": "Signs of renewed lip paint",
    "eye_repaint_signs": "Signs of renewed eye paint",
    "feet_match": "Feet compared",
}

STATE_WORDS: Mapping[tuple[str, str], str] = {
    ("eyeliner_color", "none"): "no eyeliner",
    ("eyeliner_color", "other"): "a color other than blue, brown or black",
    ("iris_color", "unpainted"): "unpainted (black and white only)",
    ("iris_color", "other"): "another color",
    ("lip_paint", "full"): "full",
    ("lip_paint", "rubbed"): "rubbed",
    ("lip_paint", "bare"): "bare",
    ("lip_paint", "overpainted"): "paint beyond the molded border",
    ("skin_fade", "none"): "not faded",
    ("skin_fade", "faded"): "faded",
    ("foot_holes", "none"): "no hole",
    ("foot_holes", "open"): "molded open",
    ("foot_holes", "lined"): "metal-lined",
    ("foot_holes", "drilled"): "consistent with drilling after molding",
    ("mark_symbol", "registered"): "registered sign ®",
    ("mark_symbol", "trademark"): "trademark sign ™",
    ("mark_symbol", "none"): "no sign",
    ("ear_stain", "none"): "no green stain",
    ("ear_stain", "green"): "green stain",
    ("lip_repaint_signs", "none"): "no sign seen",
    ("lip_repaint_signs", "present"): "signs seen",
    ("eye_repaint_signs", "none"): "no sign seen",
    ("eye_repaint_signs", "present"): "signs seen",
    ("feet_match", "alike"): "both feet alike",
    ("feet_match", "differ"): "the feet differ",
}

REASON_WORDS: Mapping[Reason, str] = {
    Reason.NOT_IN_VIEW: "not in view",
    Reason.TOO_SMALL: "too small in the photo",
    Reason.BLURRED: "blurred",
    Reason.CLIPPED: "over-exposed",
    Reason.TOO_DARK: "too dark",
    Reason.GLARE: "hidden by glare",
    Reason.OCCLUDED: "covered by something",
    Reason.NO_REFERENCE: "nothing to compare with",
    Reason.AMBIGUOUS: "not clear enough",
    Reason.NOT_LOCATED: "not found in the photo",
    Reason.MONOCHROME: "the photo has no color",
    Reason.FILTERED: "the photo's colors were edited",
    Reason.NOT_A_DOLL: "not recognized as a doll",
    Reason.ENGINE_MISSING: "no text reader is installed",
    Reason.ENGINE_FAILED: "the text reader failed",
    Reason.FAILED: "the measurement failed",
}

QUANTITY_WORDS: Mapping[str, str] = {
    "hue_deg": "hue angle",
    "chroma": "chroma C*",
    "lightness": "lightness L*",
    "lab_L": "L*",
    "lab_a": "a*",
    "lab_b": "b*",
    "coverage_total": "coverage",
    "coverage_upper": "upper lip",
    "coverage_lower": "lower lip",
    "beyond_border": "beyond the border",
    "coverage_crown": "crown of the lips",
    "coverage_corners": "corners of the mouth",
    "coverage_edge": "edge of the lips",
    "delta_e00": "difference ΔE00",
    "delta_L": "ΔL*",
    "delta_a": "Δa*",
    "delta_b": "Δb*",
    "grey_scale_grade": "gray-scale rating (ISO 105-A05)",
    "diameter_px": "diameter",
    "circularity": "circularity",
    "lining_fraction": "lining",
    "diameter_of_length": "diameter, share of the foot's length",
    "off_axis": "distance from the foot's axis, in half widths",
    "off_middle": "distance from the foot's middle, in half lengths",
    "toward_top": "distance from the foot's middle toward the top of the picture, in half lengths",
    "diameter_ratio": "diameter, left foot over right",
    "off_axis_difference": "difference of the distances from the axis",
    "off_middle_difference": "difference of the distances from the middle",
    "toward_top_difference": "difference of the places along the foot",
    "highlight_fraction": "highlights",
    "area_px": "area",
    "margin": "margin over the next sign",
    "over_border": "paint beyond the border",
    "ragged_edge": "roughness of the paint's edge, in face widths",
    "second_red": "a second color in the paint, in a*, b*",
    "gloss": "gloss above that of the vinyl",
    "fresh_chroma": "paint as strong as new on faded vinyl, chroma C*",
    "over_scratches": "scratches that end at the paint",
    "uneven_border": "paint beyond the border on one side only",
    "liner_widths": "liners unlike in width",
    "brow_widths": "brows unlike in width",
    "liner_colors": "difference of the liners, ΔE00",
    "iris_colors": "difference of the irises, ΔE00",
    "brow_heights": "brows unlike in height, in face widths",
}

PERCENT = frozenset(
    {
        "coverage_total",
        "coverage_upper",
        "coverage_lower",
        "coverage_crown",
        "coverage_corners",
        "coverage_edge",
        "beyond_border",
        "lining_fraction",
        "diameter_of_length",
        "highlight_fraction",
    }
)


#: Remarks on a reading that would not be understood as they stand.
FLAG_WORDS: Mapping[str, str] = {
    "step": "found by its step in color",
    "given": "place pointed out by a person",
    "fallback": "face found without the face model",
    "one_eye": "one eye only",
    "one_sided": "white on one side of the iris only",
    "eyes_disagree": "the eyes differ",
    "view_uncertain": "uncertain what the photo shows",
    "surface_spot": "a dark spot on the surface",
    "two_kinds": "two holes of different kinds",
    "clipped_channel": "a color channel is over-exposed in part",
    "not_beside": "areas compared do not touch",
    "no_white_reference": "no white to compare with",
    "two_lights": "light of two colors",
    "unlike_fade": "the change is unlike fading",
    "side_unsure": "which side was covered is a guess",
    "unsure_turn": "uncertain which way up the face is",
    "doubtful_doll": "perhaps no doll",
    "weak_contrast": "little contrast between paint and vinyl",
    "rubbed_crown": "rubbed at the crown of the lips",
    "rubbed_corners": "rubbed in the corners of the mouth",
    "rubbed_edge": "rubbed along the edge of the lips",
    "drawing": "drawn, not photographed",
    "few_highlights": "few highlights",
    "second_opinion": "a second reading agrees",
    "opinions_differ": "a second reading differs",
    "over_border": "paint beyond the molded border",
    "ragged_edge": "uneven edge of the paint",
    "second_red": "a second color within the paint",
    "uneven_border": "paint beyond the border on one side only",
    "liner_widths": "liners unlike in width",
    "brow_widths": "brows unlike in width",
    "liner_colors": "liners unlike in color",
    "iris_colors": "irises unlike in color",
    "brow_heights": "brows unlike in height",
    "small": "small in the photo",
    "sharpness_unknown": "sharpness could not be judged",
    "reference_color_chart": "white from a color chart",
    "reference_grey_card": "white from a neutral card",
    "reference_eye_white": "white from the eyes",
    "reference_scene": "white estimated from the scene",
    "reference_region": "white pointed out by a person",
    "reference_none": "white unknown",
}


def flag(value: str) -> str:
    """Return a remark on a reading in plain words."""
    return FLAG_WORDS.get(value, value.replace("_", " "))


def title(trait: str, part: str | None = None, spec: TraitSpec | None = None) -> str:
    """Return the trait's title, with the part it belongs to: ``"Foot holes, left foot"``.

    ``spec`` is a guide's trait; its words are taken for what only hands find.
    """
    own = trait.replace("_", " ") if spec is None else spec.label
    name = TRAIT_TITLES.get(trait, f"{own[:1].upper()}{own[1:]}")
    return f"{name}, {part.replace('_', ' ')}" if part else name


def state(trait: str, value: str, spec: TraitSpec | None = None) -> str:
    """Return a state in plain words; ``spec`` as in :func:`title`."""
    own = value.replace("_", " ") if spec is None else spec.words_of(value)
    return STATE_WORDS.get((trait, value), own)


def reason(value: Reason) -> str:
    """Return a reason in plain words."""
    return REASON_WORDS[value]


def quantity(name: str, q: Quantity) -> str:
    """Return ``"hue angle 262 ± 4°"``: as many digits as the uncertainty supports."""
    label = QUANTITY_WORDS.get(name, name.replace("_", " "))
    if name in PERCENT:
        return f"{label} {rounded(q.value * 100, q.u * 100)} %"
    unit = {"1": "", "deg": "°", "px": " px", "g": " g"}.get(q.unit, f" {q.unit}")
    return f"{label} {rounded(q.value, q.u)}{unit}"


def rounded(value: float, u: float) -> str:
    """Write a value with as many decimals as its uncertainty supports: ``"4.2 ± 1.3"``."""
    if u <= 0:
        return f"{value:.4g}"
    digits = 0 if u >= 2 else 1 if u >= 0.2 else 2 if u >= 0.02 else 3
    # Adding 0.0 turns the -0.0 that rounding leaves into 0.
    return f"{round(value, digits) + 0.0:.{digits}f} ± {u:.{digits}f}".replace("-", "−")


def finding(record: TraitRecord, spec: TraitSpec | None = None) -> str:
    """Return a record's outcome in one line: the state with its confidence, or why there is none.

    ``spec`` as in :func:`title`.
    """
    if record.state is not None:
        return f"{state(record.trait, record.state, spec)} · confidence {percent(record.confidence)}"
    assert record.not_measured is not None
    if record.not_measured is Reason.AMBIGUOUS and len(record.candidates) > 1:
        first, second = list(record.candidates)[:2]
        one, other = state(record.trait, first, spec), state(record.trait, second, spec)
        return f"cannot tell: {one} or {other}"
    return f"cannot tell: {reason(record.not_measured)}"


def count(number: int, thing: str) -> str:
    """Return ``"1 photo"``, ``"2 photos"``."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def percent(p: float) -> str:
    """Return a probability as a percentage that never claims certainty."""
    if p >= 0.995:
        return "over 99 %"
    if p < 0.01:
        return "under 1 %"
    return f"{100 * p:.0f} %"


#: What no figure that is written shows any more.
_NOTHING = 0.0005
#: A hue less sure than this says nothing; angles all round, each as likely, have u = 104°.
_ANY_HUE_DEG = 60.0


def numbers(record: TraitRecord) -> list[str]:
    """Return the record's quantities in words, in the order in which they were measured.

    L* is left out where it stands as lightness already, and so is a number that is nothing within nothing:
    the chroma of what is black. The chance that a number is a sign of something stands behind it. A hue that
    may be any is said to be none: it means nothing at low chroma.
    """
    skip = {"lab_L"} if "lightness" in record.quantities else set()
    skip |= {
        name
        for name, q in record.quantities.items()
        if name.endswith("_chance") or max(abs(q.value), q.u) < _NOTHING
    }
    return [
        "hue not determined: nearly neutral"
        if name == "hue_deg" and q.u > _ANY_HUE_DEG
        else quantity(name, q) + _chance(record.quantities.get(f"{name}_chance"))
        for name, q in record.quantities.items()
        if name not in skip
    ]


def _chance(q: Quantity | None) -> str:
    """How likely it is that a number means something, where that was judged: `` (a sign: 11 %)``."""
    return "" if q is None else f" (a sign: {percent(q.value)})"


def reading(record: TraitRecord) -> list[str]:
    """Return the lines of a mark as read, each with its confidence and alternatives."""
    out = []
    for line in record.text or ():
        other = f"; or “{'”, “'.join(line.alternatives)}”" if line.alternatives else ""
        out.append(f"“{line.text}” ({percent(line.confidence)}{other})")
    return out
