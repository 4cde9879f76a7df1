"""Paint on the molded lips: how much of the lip it covers, and whether it leaves it.

How a dealer would be misled, and what stands against it:

- a model's lip outline errs by a lip's edge, so a neat full mouth would read as rubbed or overpainted, and an
  outline fitted to worn paint shrinks with it: the molded border is seen by a network that knows lips of any
  paint (:mod:`vision.lip_border`); without it, in a belt around the outline the paint itself shows where the
  lip ends, and only paint missing well inside or present well outside counts as clear;
- evenly overpainted lips look neat, and a network that has seen many sees overpaint on large or drawn lips:
  paint beyond a border is only called so where measurements bear that border out;
- a greasy glare on the lips looks like missing paint: pixels that are lighter and whiter than skin are left
  out on both sides of the fraction, unless the network has looked, which tells gloss by its surroundings;
- pale and faded paint passes for bare lips: contrast is judged against how much the bare skin around the
  mouth differs from place to place, and a weak contrast is withheld;
- hair and what lies behind a turned head pass for paint beside the lips: where the face network sees them,
  neither skin nor paint is looked for;
- shading in the fold of the mouth passes for dark paint: only ratios of color channels decide.
"""

from __future__ import annotations

import weakref
from collections.abc import Mapping
from dataclasses import dataclass
from statistics import NormalDist

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.face_reading import FaceReading, read_face, refuse
from vision.face_view import FaceView, grown, outlines
from vision.lip_border import Molded, fit_lip, mirrored, molded, parting_height, settle_edge
from vision.lip_color import paint_color
from vision.lip_tint import connected_to, paint_direction, painted_pixels, tints, unrest_of
from vision.lip_wear import wear
from vision.locate.places import FacePlace
from vision.photo import Photo
from vision.second_opinion import MOST, SPLIT, at_most, combine
from vision.traits import Quantity, Reason, Region, Trait, TraitRecord

TRAIT = Trait.LIP_PAINT
METHOD = "lips/7"

#: Limits of the states: ``bare`` below the first, ``full`` from the second, ``overpainted`` above the third.
BARE, FULL, OVER = 0.10, 0.90, 0.14
#: Where the mouth network sees less paint than this beyond the border, evenly overpainted lips are this much
#: less likely: it missed 7 of 34 such mouths of held-out heads.
UNSEEN, UNLIKELIER = 0.08, 0.2

#: A network that may have missed more of the lips than this goes by the paint and is not asked for the state.
DOUBTFUL = 0.05

#: How often the mouth network takes next to none of the lips for painted: of bare lips, and of lips with
#: paint as pale as skin. (Held-out heads: 40 of 46, and 3 of 102 sculpted but 8 of 30 flat ones.)
CLEAN_IF_BARE, CLEAN_IF_PALE = 0.87, 0.15

#: Share of overpainted ones among wholly painted mouths (a fifth to a third in rendered photos).
OVERPAINTED = 0.3

#: Standard deviation of paint beyond the border of wholly painted lips whose border is not seen: a third of
#: them overpainted, by 0.4 of their area on average, the others by none.
HIDDEN = 0.18

#: Most that any state is given where a network saw the molded border, or no paint where none shows: its word
#: is then no second one.
MOST_BY_NETWORK = 0.75

#: Below this distance from skin, in log channel ratios, a tint is not surely paint.
WEAK = 0.8

#: A weak tint on more than this share of the lips is paint, whatever a network says: shade and light thrown
#: back between bare lips tint the fold, and reached 0.35 of them on rendered faces, pale paint 0.75 to 1.
TINTED = 0.55

#: Half the width of the doubt about the lip's border, in face widths: after the fit, and where the network
#: sees it (lips a third of a face wide that overlap the true ones by 0.87, as on held-out heads, are off by
#: 0.005).
BELT, SEEN_BELT = 0.018, 0.006

#: Less of the lips than this inside the photo, and coverage says nothing of the mouth.
LEAST_IN_FRAME = 0.9

#: More of the lips than this under hair, and coverage says nothing of the mouth.
MOST_UNSEEN = 0.5

#: A face narrower than this (px of the original) has no readable lip edge.
LEAST_FACE_PX = 70.0

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class LipPaint:
    """What was found at one mouth, in view pixels.

    ``lip`` is the molded lip as best known, ``paint`` the painted pixels, ``glare`` pixels that tell nothing,
    ``hidden`` those under hair, or of the background;
    ``contrast`` the paint's distance from bare skin in log channel ratios and ``unrest`` that of bare skin
    from place to place; ``belt`` half the width of the doubt around the lip's outline; ``stray`` the area of
    strongly red pixels that are taken for no paint ÷ face width²; ``seen`` is what the mouth network sees of
    the molded lips, None where there is none or it sees them elsewhere; ``lip_seen`` says whether ``lip`` is
    what it sees; ``missed`` is bare vinyl that would be lips, too, by the outline fitted to the paint.
    """

    lip: Mask
    upper: Mask
    paint: Mask
    glare: Mask
    hidden: Mask
    contrast: float
    unrest: float
    belt: float
    missed: Mask
    stray: float = 0.0
    seen: Molded | None = None
    lip_seen: bool = False

    @property
    def covered(self) -> Mask:
        """The painted pixels of the lips: the network's where it sees them, for gloss misleads it less.

        It overlooks pale paint where lightness is the same, and then what is measured counts, too.
        """
        measured = self.paint & self.lip
        if self.seen is None or not self.lip_seen:
            return measured
        pale = self.contrast < WEAK and _share(self.paint, self.lip) > TINTED
        return self.seen.painted | measured if pale else self.seen.painted

    @property
    def known(self) -> Mask:
        """The pixels of the lips that tell whether they are painted: the network tells of gloss, too."""
        return self.lip & ~self.hidden if self.lip_seen else self.lip & ~self.glare & ~self.hidden

    @property
    def doubtful(self) -> float:
        """The share of all that may be lips that the network does not take for them."""
        return _share(self.missed, self.lip | self.missed)

    @property
    def unseen(self) -> float:
        """The share of the lips that lies under hair."""
        return _share(self.hidden, self.lip)

    @property
    def gloss(self) -> float:
        """The share of the lips that gloss lightens."""
        return _share(self.glare, self.lip)


def measure(photo: Photo, face: FacePlace, cal: Calibration) -> TraitRecord:
    """Read coverage of the lip paint of one face.

    Returns
    -------
    A ``lip_paint`` record: full, rubbed, bare or overpainted, with ``coverage_total``, ``coverage_upper``,
    ``coverage_lower`` and ``beyond_border`` (fractions of the molded lip's area); ``coverage_crown``,
    ``coverage_corners`` and ``coverage_edge`` say where paint is gone, and flags ``rubbed_crown`` and so on
    name those places on rubbed lips. Paint is judged against the skin around it; the white reference serves
    its color alone (:mod:`vision.lip_color`), which is given where paint shows well.
    """
    reading = read_face(photo, face)
    refused = refuse(reading, TRAIT, METHOD)
    if refused is not None:
        return refused
    if face.width < LEAST_FACE_PX:
        return _withheld(Reason.TOO_SMALL, f"The face is only {face.width:.0f} px wide; send a closer photo.")
    if reading.view.in_frame(reading.view.face.lips) < LEAST_IN_FRAME:
        return _withheld(Reason.NOT_IN_VIEW, "The frame cuts the mouth; send a photo that shows all of it.")
    found = find_paint(reading)
    if found is None:
        return _withheld(Reason.NOT_LOCATED, "The mouth is hidden, clipped or too dark to measure.")
    if found.unseen > MOST_UNSEEN:
        return _withheld(Reason.OCCLUDED, "Hair hides much of the lips; send a photo that shows them.")
    if not found.lip_seen and found.gloss > 0.4:
        return _withheld(Reason.GLARE, "Glare hides most of the lips; send a photo in softer light.")
    return _record(reading, found, cal)


_found: weakref.WeakKeyDictionary[FaceReading, LipPaint | None] = weakref.WeakKeyDictionary()


def find_paint(reading: FaceReading) -> LipPaint | None:
    """Find molded lip and paint around one mouth; None when no bare skin to compare with is in view.

    What was found is kept as long as the reading is: signs of a repaint ask for it, too.
    """
    if reading not in _found:
        _found[reading] = _find_paint(reading)
    return _found[reading]


def _find_paint(reading: FaceReading) -> LipPaint | None:
    view = reading.view
    outline = view.points(view.face.lips)
    start = view.mask_view(outline)
    if np.count_nonzero(start) < 60:
        return None
    unit = view.unit
    belt = max(1.0, BELT * unit)
    near, far = grown(start, 0.045 * unit), grown(start, 0.11 * unit)
    hidden = _no_face(reading)
    below_nose = np.arange(view.rgb.shape[0])[:, None] > outline[:, 1].min() - 0.05 * unit
    ring = far & ~near & view.valid & ~hidden & below_nose
    if np.count_nonzero(ring) < 60:
        return None
    signs = tints(view, ring, reading.skin)
    if signs is None:
        return None
    light, tint = signs
    unrest = unrest_of(tint, ring)
    core = grown(start, -0.012 * unit)
    direction, contrast = paint_direction(tint, core, ring)
    strength = tint @ direction
    paint = painted_pixels(strength, contrast, unrest, grown(start, 0.07 * unit) & ~hidden, unit)
    paint = connected_to(paint, grown(start, 0.02 * unit), 0.0004 * unit**2)
    glare = (light > 0.25) & (np.linalg.norm(tint, axis=-1) < 0.35 * max(contrast, 0.3))
    glare = (grown(glare, 0.008 * unit) | hidden) & ~paint
    whole = paint | mirrored(view, paint)
    lip = fit_lip(view, outline, whole, glare) if contrast > 2.5 * unrest else start
    lip = settle_edge(lip, whole, paint, belt)
    seen = molded(reading, start, paint)
    lip_seen = seen is not None and (seen.in_paint or _beyond(paint, seen.lip) < OVER)
    missed = np.zeros_like(lip)
    if seen is not None and lip_seen:
        bare = lip & ~seen.lip & ~paint & ~hidden
        missed = bare & grown(bare & ~grown(seen.lip, belt), 2 * belt)
        lip, belt = seen.lip, SEEN_BELT * unit
        paint |= glare & ~hidden & seen.painted
    red = (
        grown(start, 0.09 * unit) & ~hidden & (tint[..., 1] < -0.5) & ~grown(paint, 0.02 * unit) & view.valid
    )
    stray = float(np.count_nonzero(red & below_nose) / unit**2)
    # The fold between the lips is dark, not bare.
    fold = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * max(1, round(0.008 * unit)) + 1,) * 2)
    paint |= cv2.morphologyEx(paint.astype(np.uint8), cv2.MORPH_CLOSE, fold).astype(bool) & lip
    upper = seen.upper if seen is not None and lip_seen else _upper_half(view, lip)
    return LipPaint(
        lip, upper, paint, glare & ~hidden, hidden, contrast, unrest, belt, missed, stray, seen, lip_seen
    )


def _no_face(reading: FaceReading) -> Mask:
    """Return what the face network takes for hair or for no part of the head: none where there is none."""
    other = reading.chance("hair", "other")
    if other is None:
        return np.zeros(reading.view.rgb.shape[:2], np.bool_)
    return grown(other > 0.5, 0.02 * reading.view.unit)


def _beyond(paint: Mask, lip: Mask) -> float:
    return float(np.count_nonzero(paint & ~lip)) / max(1, int(np.count_nonzero(lip)))


def _upper_half(view: FaceView, lip: Mask) -> Mask:
    """Pixels of the upper lip: above the parting, which the model's inner outline follows."""
    height, width = lip.shape
    if view.face.inner_lips:
        inner = view.points(view.face.inner_lips)
        order = np.argsort(inner[:, 0])
        xs, ys = inner[order, 0], inner[order, 1]
        half = len(xs) // 2
        fit = np.polyfit(xs, ys, 2) if half >= 3 else np.array([0.0, 0.0, ys.mean()])
        parting = np.polyval(fit, np.arange(width))
    else:
        rows = np.flatnonzero(lip.any(axis=1))
        parting = np.full(width, (rows.min() + rows.max()) / 2 if len(rows) else height / 2)
    return lip & (np.arange(height)[:, None] < parting[None])


def _record(reading: FaceReading, found: LipPaint, cal: Calibration) -> TraitRecord:
    """Turn areas into fractions with uncertainties, and those into a state."""
    view = reading.view
    known, seen = found.known, visibility(found)
    cover = _coverage(view, found)
    beyond, u_beyond = beyond_border(found)
    u_cover = _u_cover(found)
    quantities = {k: Quantity(v, u_cover * (1.0 if k == "coverage_total" else 1.3)) for k, v in cover.items()}
    quantities["beyond_border"] = Quantity(beyond, u_beyond)
    worn, rubbed = wear(found.covered, found.lip, found.upper, known, found.belt, u_cover)
    quantities |= worn
    # Lips are not called full that are rubbed by the larger outline.
    least = _share(found.covered, known | found.missed)
    probabilities = _states(least, found)
    if not found.lip_seen or beyond < OVER:
        probabilities = _doubt_border(reading, found, probabilities)
    ceiling = 0.92 * min(1.0, 0.5 + 0.5 * reading.likeness.probability)
    if found.contrast < WEAK and (beyond > 0.5 * OVER or found.unseen > 0.05):
        # A faint tint that spreads beyond the lips, or under hair, is as likely light or shade as paint.
        ceiling *= 0.5
    probabilities = {k: ceiling * v + (1 - ceiling) / 4 for k, v in probabilities.items()}
    opinion, sure = (None, True) if found.doubtful > DOUBTFUL and least > BARE else _opinion(reading, found)
    by_network = (found.lip_seen and (beyond >= OVER or seen < 0.5)) or not sure
    probabilities, said = combine(
        probabilities, opinion, MOST_BY_NETWORK if by_network else MOST, accusing=("overpainted",)
    )
    if found.seen is not None and not found.seen.in_paint:
        probabilities = at_most(probabilities, "overpainted", SPLIT)
    if least < FULL <= _share(found.covered, known):
        # Rubbed by the larger outline, full by the smaller.
        probabilities = at_most(probabilities, "rubbed", SPLIT)
    flags: tuple[str, ...] = ("weak_contrast",) if 0.2 < seen < 0.8 else ()
    flags += (said,) if said else ()
    if found.gloss > 0.08:
        flags += ("glare",)
    state = max(probabilities, key=lambda k: probabilities[k])
    if state == "rubbed":
        flags += rubbed
    color = None if state == "bare" or seen < 0.8 else paint_color(reading, found.covered, found.glare, cal)
    if color is not None:
        quantities |= color.quantities()
    return TraitRecord.decide(
        TRAIT, probabilities, METHOD,
        _doubt(probabilities),
        detail=_SENTENCES[state], quantities=quantities, region=_region(view, found),
        n_pixels=view.original_pixels(known), flags=flags,
    )  # fmt: skip


def _opinion(reading: FaceReading, found: LipPaint) -> tuple[Mapping[str, float] | None, bool]:
    """Return what a network answers to the state of the lips, and whether its answer fits what it sees.

    The mouth network is asked where it sees lips, since it sees them larger: over 44 faces by two renderers
    its mean log loss was 0.42, the face network's 0.77, and 0.50 that of their average. A network that sees
    less paint beyond the border than counts has no ground to call lips overpainted, large though they may be:
    they count as full to it. (Of 83 such neat mouths of held-out heads seven were called so, of nine
    overpainted ones three.)
    """
    asked = reading.parts if found.seen is None else reading.mouth
    opinion = None if asked is None else asked.answers.get("lips")
    if opinion is None or found.seen is None or not found.lip_seen or found.seen.beyond >= OVER:
        return opinion, True
    over, full = opinion.get("overpainted", 0.0), opinion.get("full", 0.0)
    return {**opinion, "full": full + over, "overpainted": 0.0}, full >= over


def _region(view: FaceView, found: LipPaint) -> Region:
    """Return the mouth's outline; where the molded lips were seen and the paint's differs, both by name."""
    paint = found.covered | (found.paint & ~found.lip)
    differs = int(np.count_nonzero(paint ^ found.lip)) > OVER * int(np.count_nonzero(found.lip))
    if not (found.lip_seen and differs and paint.any()):
        return view.region(found.paint | found.lip)
    painted, lip = view.region(paint).polygons, view.region(found.lip).polygons
    return Region(painted + lip, ("paint",) * len(painted) + ("molded lips",) * len(lip))


def _coverage(view: FaceView, found: LipPaint) -> dict[str, float]:
    """Return the painted share of the lips, and of each of them; what may have been missed counts by half."""
    above = _upper_half(view, found.lip | found.missed)
    everywhere = np.ones_like(above)
    cover = {}
    for name, half, side in (
        ("total", everywhere, everywhere),
        ("upper", found.upper, above),
        ("lower", ~found.upper, ~above),
    ):
        seen = found.known & half
        shares = [_share(found.covered, lip) for lip in (seen, seen | (found.missed & side))]
        cover[f"coverage_{name}"] = sum(shares) / 2
    return cover


def _u_cover(found: LipPaint) -> float:
    """Return the standard uncertainty of coverage, and of what paint there is if it cannot be seen."""
    return float(np.hypot(_u_visible(found), 0.4 * (1 - visibility(found))))


def _u_visible(found: LipPaint) -> float:
    """Return that of coverage by paint that shows: edge, gloss, how far network and measurement differ."""
    parts = [0.02 + 0.25 * _edge_share(found)]
    if found.lip_seen:
        differs = _share(found.paint, found.lip) - _share(found.covered, found.lip)
        parts += [0.1 * found.gloss, 0.5 * differs]
    parts += [0.5 * _share(found.covered, found.lip) * found.doubtful, 0.4 * found.unseen]
    return float(np.linalg.norm(parts))


def beyond_border(found: LipPaint) -> tuple[float, float]:
    """Return the painted area outside of the molded lip ÷ the lip's area, with its standard uncertainty.

    A border seen amid paint is off by more than one at its edge; one fitted to the paint hides all of it.
    """
    beyond, u = _beyond(found.paint, found.known), _u_edge(found)
    hidden = 0.25 * beyond if found.lip_seen else HIDDEN * _share(found.covered, found.known)
    return beyond, float(np.hypot(u, hidden))


def beyond_chance(found: LipPaint) -> float:
    """Return how probably as much paint as counts is seen beyond the border, 0–1; what it hides aside."""
    return NormalDist().cdf((_beyond(found.paint, found.known) - OVER) / _u_edge(found))


def _u_edge(found: LipPaint) -> float:
    """Return the standard uncertainty of the area beyond, as far as it is the edge's and the contrast's."""
    return float(np.hypot(0.02 + 0.55 * _edge_share(found), 0.2 * (1 - visibility(found))))


def _edge_share(found: LipPaint) -> float:
    """Return the area in doubt along the lip's border ÷ the lip's area."""
    area = max(1, int(np.count_nonzero(found.known)))
    perimeter = max((cv2.arcLength(c, True) for c in outlines(found.lip)), default=0.0)
    return float(perimeter * 0.25 * found.belt / area)


def _notch(found: LipPaint) -> float:
    """Return what is missing from the paint's own convex outline below the parting, ÷ the lip's area.

    A lower lip is convex. Where paint was kissed off at its crown, the fitted lip shrinks with the paint, but
    the paint's edge is left with a notch.
    """
    lower = found.paint & (found.lip | grown(found.lip, found.belt)) & ~found.upper
    points = cv2.findNonZero(lower.astype(np.uint8))
    if points is None or len(points) < 20:
        return 0.0
    hull = np.zeros(lower.shape, np.uint8)
    cv2.fillConvexPoly(hull, cv2.convexHull(points), 1)
    below = np.cumsum(lower, axis=0) > 0  # what lies above the paint is the parting and the upper lip
    missing = hull.astype(bool) & below & ~found.paint
    lip_pixels = int(np.count_nonzero(found.lip))
    return float(np.count_nonzero(missing)) / max(1, lip_pixels)


def _large(reading: FaceReading, found: LipPaint) -> float:
    """Logarithm of how much likelier paint of this size is on overpainted lips than on neat ones.

    Two sizes are looked at: the paint's area ÷ that of the model's lips, and ÷ eye distance × eyes-to-mouth
    height, each 0 where only a molded border could tell. Molds differ by more (standard deviations of the
    logarithms 0.27 and 0.33) than paint beyond the border adds (0.22 and 0.25, on faces of the tuning kind
    whose lips were painted over by 20 to 60 %), so neither says much; they are no two witnesses and averaged.
    """
    view = reading.view
    painted = float(np.count_nonzero(found.paint))
    model = float(np.count_nonzero(view.mask(view.face.lips)))
    if painted < 1 or model < 1:
        return 0.0
    said = [_likelier(np.log(painted / model), -0.03, 0.27, 0.22)]
    if reading.left is not None and reading.right is not None:
        left, right = (np.argwhere(eye.aperture).mean(axis=0) for eye in (reading.left, reading.right))
        apart = float(right[1] - left[1])
        below = parting_height(view) - float(left[0] + right[0]) / 2
        if apart > 0 and below > 0:
            said.append(_likelier(np.log(painted / (apart * below)), -2.2, 0.33, 0.25))
    return float(np.clip(np.mean(said), -1.2, 1.2))


def _likelier(x: float, middle: float, spread: float, shift: float) -> float:
    """Logarithm of the ratio of two normal densities that are ``shift`` apart."""
    return shift * (x - middle - shift / 2) / spread**2


def _doubt_border(reading: FaceReading, found: LipPaint, probabilities: dict[str, float]) -> dict[str, float]:
    """Move part of ``full`` to the states that look alike where no border is seen inside the paint.

    Evenly overpainted lips look full. How likely they are is what is known beforehand, ``OVERPAINTED``, moved
    by how large they are (a logarithm of odds) and by whether the network sees paint beyond the border. A lip
    that was fitted to worn paint has shrunk with it.
    """
    full = probabilities["full"]
    rubbed = 0.0 if found.lip_seen else full * float(np.clip((_notch(found) - 0.03) / 0.20, 0, 0.85))
    odds = OVERPAINTED / (1 - OVERPAINTED) * float(np.exp(_large(reading, found)))
    if found.seen is not None and found.seen.beyond < UNSEEN:
        odds *= UNLIKELIER
    over = odds / (1 + odds) * (full - rubbed)
    return probabilities | {
        "full": full - rubbed - over,
        "rubbed": probabilities["rubbed"] + rubbed,
        "overpainted": probabilities["overpainted"] + over,
    }


_SENTENCES = {
    "full": "Paint covers the molded lips.",
    "rubbed": "Paint is missing on part of the molded lips.",
    "bare": "The lips carry no paint.",
    "overpainted": "Paint lies outside the molded border of the lips.",
}


def _doubt(probabilities: dict[str, float]) -> str:
    """Say what cannot be told apart, and what would help."""
    first, second = sorted(probabilities, key=lambda k: -probabilities[k])[:2]
    if {first, second} == {"full", "overpainted"}:
        return (
            "Cannot tell neat lips from evenly overpainted ones: the molded border under the paint is not "
            "seen. Send a sharp, close photo of the mouth in light from one side."
        )
    return "Cannot tell how much lip paint is left. Send a sharp, closer photo of the mouth in soft light."


def visibility(found: LipPaint) -> float:
    """How surely paint can be told from bare skin here, 0–1; near 0 means that nothing like paint shows.

    Shade, blush and light thrown back in the folds of bare lips reach some tenths; so does the palest paint.
    """
    return float(1 / (1 + np.exp(-(found.contrast - max(0.52, 2.5 * found.unrest)) / 0.09)))


def _states(cover: float, found: LipPaint) -> dict[str, float]:
    """Return the probabilities of the four states under normal errors of coverage and overrun.

    Either paint shows, and coverage is what was measured, or nobody sees whether there is any.
    """
    shows, normal = visibility(found), NormalDist()
    over = beyond_chance(found)
    bare = full = 0.0
    for chance, painted, u in (
        (shows, 1.0, _u_visible(found)),
        (1 - shows, _pale(found, cover), _u_cover(found)),
    ):
        less_bare, as_full = normal.cdf((BARE - cover) / u), normal.cdf((cover - FULL) / u)
        none = less_bare if painted == 1.0 else 1 - painted
        bare += chance * none
        full += chance * (1 - none) * as_full / max(1 - less_bare, as_full, 1e-6)
    rest = max(0.0, 1 - bare)
    return {
        "bare": bare,
        "overpainted": rest * over,
        "full": full * (1 - over),
        "rubbed": max(0.0, rest - full) * (1 - over),
    }


def _pale(found: LipPaint, cover: float) -> float:
    """Return how probably a mouth on which no paint shows is painted, as palely as its skin."""
    pale = 0.12 + 0.5 * min(1.0, found.contrast / 0.32)
    # Strong paint beside the lips as placed says that they are misplaced, not that they are bare.
    pale += (1 - pale) * 0.7 * min(1.0, found.stray / 0.004)
    if not found.lip_seen:
        return pale
    clean = NormalDist().cdf((BARE - cover) / 0.03)
    if_pale, if_bare = (clean * p + (1 - clean) * (1 - p) for p in (CLEAN_IF_PALE, CLEAN_IF_BARE))
    return pale * if_pale / (pale * if_pale + (1 - pale) * if_bare)


def _share(paint: Mask, where: Mask) -> float:
    total = np.count_nonzero(where)
    return float(np.count_nonzero(paint & where) / total) if total else 0.0


def _withheld(reason: Reason, detail: str) -> TraitRecord:
    return TraitRecord.withheld(TRAIT, reason, METHOD, detail)
