"""What a dark spot on a sole is: on its surface, a molded hole, a lined one, a ragged cut or a neat one.

Two readers look at each spot. Small networks read a profile of its shading
(``sample_images/train_holes.py``), with what no hole can look like ruled out by rules; a larger network sees
the spot itself (``train_hole.py``, which shows it every kind of spot on the same sole in the same light).
Where the larger one is not there the profile is read alone.

How a dealer would be misled, and what is done about it:

* A raised ring round a hole taken for metal, or a glint on it for a chip. A mold leaves one bead all round;
  metal has its own color and mirrors the room. The network learned both, in light from everywhere.
* A neat cut taken for a molded edge. A rounded edge may be sanded, so it settles little; a bead of one width
  and height is hard to make with a drill (common practice, no source), and speaks for the mold.
* A reader that is sure of things unlike all it has seen. The two are pooled as odds; where they differ, that
  is said, and :mod:`vision.foot_holes` neither accuses nor clears a foot as surely.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.face_view import warp
from vision.hole_clues import Sole, Spot, paint_signs
from vision.network import heard, shipped, softmax, temperature
from vision.photo import Photo
from vision.traits import STATE_THRESHOLD

#: The kinds; a molded hole has a plain edge or a bead round it, which the profile's reader does not tell.
PROFILE_KINDS = ("surface", "open", "lined", "drilled_ragged", "drilled_neat")
#: What a spot found by its color may be when no network sees it.
UNREAD = {"surface": 0.6, "open": 0.16, "lined": 0.08, "drilled_ragged": 0.08, "drilled_neat": 0.08}
#: A spot whose interior is brighter than this (log of the ratio to the vinyl) keeps no light out.
BRIGHTEST_HOLE = -0.8
#: How much (natural log of the odds) even paint of a foreign hue speaks against a hole, a unit of both; how
#: much a lining that shows no ring speaks against itself; and both at the most. From 108 spots in renders of
#: two styles: of 59 holes none fell below even odds by it, of 7 dots taken for holes 4 did no longer pass.
PAINT, UNSEEN_LINING, MOST_AGAINST = 10.0, 1.5, 4.0
#: Share of the circle along which a dark without a rim begins to speak against a ragged edge, and does so
#: fully; and natural log of the odds by which it does. Of 11 ragged holes found in place in renders none
#: had an arc above 0.09, and of 142 drawn ones that were read as ragged 10 had one above 0.12.
LIT_ARC, MOST_AGAINST_RAGGED = (0.12, 0.2), 2.0
#: The share of the network that sees the spot in the pooled odds, and the least chance either reader gives.
#: Of 54 holes in fresh renders of a make that neither had been trained on the network's favorite was right in
#: all, the profile's in 33.
SEEN, LEAST = 0.8, 0.01
#: Bounds of how sure a photo can make us that a neat plain edge was molded, and how sure a bead makes us.
NEAT_LEAST, NEAT_MOST = 0.42, 0.85
BEAD_MOLDED = 0.93


@dataclass(frozen=True, slots=True)
class Judged:
    """A spot with the probability of each kind it may be (``surface`` = no hole).

    ``beaded`` is the share of ``open`` that has a bead round it; ``agreed`` says whether both readers favor
    one kind, None where only one was asked.
    """

    spot: Spot
    kinds: Mapping[str, float]
    beaded: float = 0.0
    agreed: bool | None = None

    @property
    def p_hole(self) -> float:
        """Probability that the spot is a hole of any kind."""
        return 1 - self.kinds["surface"]

    @property
    def clear_state(self) -> str | None:
        """The state that this spot would be given, None where none is clear."""
        states = self.states()
        best = max(states, key=lambda k: states[k])
        return best if states[best] >= STATE_THRESHOLD else None

    def states(self) -> dict[str, float]:
        """Return the probabilities of the trait's states.

        Whether a neat edge was molded or drilled shows in a photo hardly at all, and in which way it shows
        depends on the mold: that part of the answer is held near even, but for a bead.
        """
        bead = self.kinds["open"] * self.beaded
        plain = self.kinds["open"] - bead
        neat = plain + self.kinds["drilled_neat"]
        share = plain / max(neat, 1e-9)
        molded = NEAT_LEAST + (NEAT_MOST - NEAT_LEAST) * max(0.0, share - 0.35) / 0.65
        p = {
            "none": self.kinds["surface"],
            "open": neat * molded + bead * BEAD_MOLDED,
            "lined": self.kinds["lined"],
            "drilled": self.kinds["drilled_ragged"] + neat * (1 - molded) + bead * (1 - BEAD_MOLDED),
        }
        return {k: 0.97 * v + 0.03 / len(p) for k, v in p.items()}


def judge(spot: Spot, cut: Sole, photo: Photo) -> Judged:
    """Return what a spot may be.

    Parameters
    ----------
    spot, cut
        The spot, and the sole it was found in.
    photo
        The upright photo, sRGB uint8, from which the sole was cut.
    """
    too_bright = not spot.by_color and spot.clues.depth > BRIGHTEST_HOLE
    seen = None if too_bright else heard("hole", lambda: seen_kinds(spot, cut, photo))
    if seen is None:
        return glance(spot)
    profile = _by_profile(spot) if not spot.by_color else dict.fromkeys(PROFILE_KINDS, 1.0)
    opened = seen["open_plain"] + seen["open_beaded"]
    whole = {k: opened if k == "open" else seen[k] for k in PROFILE_KINDS}
    pooled = {k: max(whole[k], LEAST) ** SEEN * max(profile[k], LEAST) ** (1 - SEEN) for k in PROFILE_KINDS}
    total = sum(pooled.values())
    kinds = {k: p / total for k, p in pooled.items()}
    favorites = {max(one, key=lambda k: one[k]).partition("_")[0] for one in (whole, profile)}
    agreed = None if spot.by_color else len(favorites) == 1
    return Judged(spot, kinds, seen["open_beaded"] / max(opened, 1e-9), agreed)


def glance(spot: Spot) -> Judged:
    """Return what a spot may be by its profile alone: quick, for finding soles by their holes."""
    return Judged(spot, UNREAD if spot.by_color else _if_dark(_by_profile(spot), spot))


def _if_dark(kinds: Mapping[str, float], spot: Spot) -> dict[str, float]:
    """Return the kinds, those of a hole nearly ruled out where the spot is too bright inside."""
    if spot.by_color or spot.clues.depth <= BRIGHTEST_HOLE:
        return dict(kinds)
    return {k: 0.03 * p for k, p in kinds.items()} | {"surface": 0.97 + 0.03 * kinds["surface"]}


# --- the spot itself --------------------------------------------------------------------------------


def seen_kinds(spot: Spot, cut: Sole, photo: Photo) -> dict[str, float] | None:
    """Return the network's probability of each kind it knows, or None where it is not available.

    It is asked about the spot turned four ways and mirrored, and the answers are averaged: a spot is the same
    from any side. It knows ``open_plain`` and ``open_beaded`` instead of ``open``.
    """
    loaded = shipped("hole")
    if loaded is None:
        return None
    session, record = loaded
    size = int(record["size"])
    scale = size / (float(record["reach"]) * max(spot.diameter, 1.0))
    middle = (np.array([spot.ellipse.x, spot.ellipse.y]) + 0.5) / cut.scale - 0.5 + np.array(cut.origin)
    matrix = np.array([[scale, 0.0, 0.0], [0.0, scale, 0.0]])
    matrix[:, 2] = (size - 1) / 2 - scale * middle
    square, _ = warp(photo.rgb, matrix, (size, size))
    turned = [np.rot90(square, k) for k in range(4)]
    views = np.stack([*turned, *(view[:, ::-1] for view in turned)]).astype(np.float32) / 255
    (logits,) = session.run(None, {session.get_inputs()[0].name: views.transpose(0, 3, 1, 2)})
    chances = softmax(logits.T / temperature(record, "kind")).mean(1)
    return dict(zip(record["kinds"], chances.tolist(), strict=True))


# --- its profile ------------------------------------------------------------------------------------


@functools.cache
def _networks() -> Mapping[str, NDArray[Any]]:
    """Return the weights of the profile's classifier (``sample_images/train_holes.py`` makes them)."""
    path = resources.files("vision") / "models" / "foot_holes.npz"
    with path.open("rb") as file, np.load(file) as kept:
        return {name: kept[name].astype(np.float64) for name in kept.files}


def _by_profile(spot: Spot) -> dict[str, float]:
    """Return the probability of each kind by the profile of a spot.

    A few small networks read it; the mean of their answers is softened by the temperature found on held-out
    pictures. What no hole can look like is ruled out afterwards: an even interior of a hue that no light from
    vinyl has is paint, and a lining of which no ring is seen is none.
    """
    n = _networks()
    x = np.clip((spot.profile - n["mean"]) / n["spread"], -4, 4)
    hidden = np.maximum(np.einsum("i,nih->nh", x, n["w1"]) + n["b1"], 0)
    logits = (np.einsum("nh,nhk->nk", hidden, n["w2"]) + n["b2"]).mean(0) / float(n["temperature"])
    kinds = dict(zip(PROFILE_KINDS, softmax(logits).tolist(), strict=True))
    foreign, even = paint_signs(spot.profile)
    against = PAINT * foreign * even + UNSEEN_LINING * kinds["lined"] * (1 - min(1.0, spot.clues.metal / 0.1))
    kinds = _less_of_a_hole(kinds, min(MOST_AGAINST, against))
    return _not_ragged(kinds, spot.clues.lit_arc)


def _less_of_a_hole(kinds: Mapping[str, float], odds: float) -> dict[str, float]:
    """Return the kinds with that much (natural log of the odds) less for any hole."""
    kept = {k: p if k == "surface" else p * math.exp(-odds) for k, p in kinds.items()}
    total = sum(kept.values())
    return {k: p / total for k, p in kept.items()}


def _not_ragged(kinds: Mapping[str, float], lit_arc: float) -> dict[str, float]:
    """Return the kinds with what a dark without a rim along a long arc takes from a ragged edge."""
    start, end = LIT_ARC
    doubt = MOST_AGAINST_RAGGED * min(1.0, max(0.0, (lit_arc - start) / (end - start)))
    kept = {k: p * math.exp(-doubt) if k == "drilled_ragged" else p for k, p in kinds.items()}
    total = sum(kept.values())
    return {k: p / total for k, p in kept.items()}
