"""What the parts network says of the view, and how it is weighed with what was measured.

How a dealer would be misled: the network has seen renders, and few photographs of other things, and is sure
of what is unlike all of them. So its word is held to a trust, must fit the parts that it sees itself, and
makes no view by itself unless both are clear; a view for which something was measured needs less. It may take
a view away as well, but less than it may give.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from vision.locate import parts
from vision.network import heard
from vision.photo import Photo
from vision.traits import View

#: How far the network's answer is trusted; the rest is shared evenly among the views. Chosen among 0.8, 0.85
#: and 0.9 on the 111 renders that it was never shown: there it named 109 views right by itself (105 of the
#: 106 it was sure of), and joined to what is measured 84 right, 2 wrong and 24 left open (without it 38, 1,
#: 71).
TRUST = 0.9
#: The most log-odds that it takes from a view, against ``other``.
MOST_TAKEN = 1.5
#: A view counts as measured from this much more than it has where nothing was found.
SOME_SUPPORT = 0.3
#: Share of its word that counts for a view whose parts it does not see.
WITHOUT_PARTS = 0.3
#: By itself it makes a view from this probability and this fit of the parts on.
ALONE, ALONE_FIT = 0.9, 0.8
#: Else such a view stays this far below ``other``.
BELOW = 0.2


@dataclass(frozen=True, slots=True)
class Opinion:
    """What the network sees.

    Attributes
    ----------
    answers
        View → probability.
    shares
        Part → share of the picture, 0–1.
    """

    answers: Mapping[str, float]
    shares: Mapping[str, float]

    def share(self, *names: str) -> float:
        """Return the share of the picture that shows any of some parts."""
        return sum(self.shares.get(name, 0.0) for name in names)


def ask(photo: Photo) -> Opinion | None:
    """Return the network's opinion on a photo; None without weights, runtime, or an answer."""
    seen = heard("parts", lambda: parts.of_photo(photo))
    if seen is None or "view" not in seen.answers:
        return None
    scale = max(seen.chance.shape[1:]) / max(photo.width, photo.height)
    shape = (max(1, round(photo.height * scale)), max(1, round(photo.width * scale)))
    to_view = np.array([[scale, 0.0, 0.0], [0.0, scale, 0.0]])
    # What is likeliest where: a little doubt all over the picture adds up to a face otherwise.
    best = np.stack([seen.on(to_view, shape, name) for name in seen.names]).argmax(0)
    shares = {name: float((best == i).mean()) for i, name in enumerate(seen.names)}
    return Opinion(seen.answers["view"], shares)


def _ramp(value: float, low: float, high: float) -> float:
    return min(1.0, max(0.0, (value - low) / (high - low)))


def fit(view: View, opinion: Opinion) -> float:
    """Return 0–1: how well the parts that the network sees go with a view.

    The bounds are those that shares in our renders leave behind: their tenth percentile is at or above the
    upper one of each.
    """
    painted = opinion.share("eye", "lips")
    no_face = 1 - _ramp(painted, 0.005, 0.012)
    sole = opinion.share("sole")
    if view is View.FACE:
        return _ramp(painted, 0.002, 0.006)
    if view is View.CROWD:
        return _ramp(painted, 0.003, 0.007)
    if view is View.SOLES:
        return _ramp(sole, 0.03, 0.1) * no_face
    if view is View.BODY:
        return _ramp(opinion.share("vinyl", "covered", "garment"), 0.03, 0.12) * no_face
    if view is View.MARK:
        return _ramp(opinion.share("vinyl", "mark"), 0.12, 0.35) * no_face * (1 - _ramp(sole, 0.03, 0.1))
    if view is View.HEAD_BACK:
        return _ramp(opinion.share("hair"), 0.03, 0.09) * no_face
    return 1.0


def weigh(
    scores: Mapping[View, float], nothing: Mapping[View, float], opinion: Opinion | None
) -> dict[View, float]:
    """Return the views' scores with the network's evidence added.

    Parameters
    ----------
    scores
        Log-odds-like, as measured.
    nothing
        The same where nothing whatever was found: what is above it is support.
    opinion
        None leaves the scores as they are.
    """
    out = dict(scores)
    if opinion is None:
        return out
    other = _trusted(opinion, View.OTHER)
    for view in scores:
        if view is View.OTHER:
            continue
        p = opinion.answers.get(str(view), 0.0)
        fitting = fit(view, opinion)
        said = max(-MOST_TAKEN, math.log(_trusted(opinion, view) / other))
        out[view] += said * (WITHOUT_PARTS + (1 - WITHOUT_PARTS) * fitting) if said > 0 else said
        supported = scores[view] - nothing[view] >= SOME_SUPPORT
        if not supported and not (p >= ALONE and fitting >= ALONE_FIT):
            out[view] = min(out[view], max(scores[view], scores[View.OTHER] - BELOW))
    return out


def sure_of(opinion: Opinion | None) -> View | None:
    """Return the view of a doll that the network is sure of and whose parts it sees, None if there is none.

    What would show another view need not be looked for then. It is never ``other``: nothing of a doll is
    given up on the network's word alone.
    """
    if opinion is None:
        return None
    view = View(max(opinion.answers, key=lambda name: opinion.answers[name]))
    clear = opinion.answers[str(view)] >= ALONE and fit(view, opinion) >= ALONE_FIT
    return view if clear and view is not View.OTHER else None


def _trusted(opinion: Opinion, view: View) -> float:
    return TRUST * opinion.answers.get(str(view), 0.0) + (1 - TRUST) / len(View)
