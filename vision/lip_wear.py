"""Where on the lips paint is gone: at the crown, in the corners or along the edge.

Wear is not spread evenly: handling takes the paint of what stands out first, the crown of either lip; a
drinking straw or a finger's rubbing takes the corners; a solvent or a poor first spray leaves the edge bare
(common practice, no source). How a dealer would be misled: the outline of the lips errs by a fraction of
their thickness, so paint missing along the edge may be the outline's fault (the edge's number carries that
as its uncertainty); glare at the crown looks like bare vinyl (it counts on neither side of the fraction).
"""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.traits import Quantity

#: Half the width of the middle, and where the corners begin, as fractions of the mouth's width.
MIDDLE, CORNERS = 0.30, 0.35
#: The crown lies deeper in its lip than the first, the edge less deep than the second, of the deepest point.
DEEP, SHALLOW = 0.55, 0.30
#: Below this coverage a place is called rubbed.
RUBBED = 0.70

Mask = NDArray[np.bool_]


def places(lip: Mask, upper: Mask) -> dict[str, Mask]:
    """Part a mouth into crown, corners and edge.

    Parameters
    ----------
    lip, upper
        (H, W) the molded lips of an upright face, and the part of them above the parting.

    Returns
    -------
    (H, W) masks by name; they do not overlap and leave out what lies between crown and edge.
    """
    columns = np.flatnonzero(lip.any(axis=0))
    if len(columns) < 8:
        return {}
    middle, width = (columns[0] + columns[-1]) / 2, float(columns[-1] - columns[0] + 1)
    aside = np.abs(np.arange(lip.shape[1]) - middle)[None] / width
    from_border = cv2.distanceTransform(lip.astype(np.uint8), cv2.DIST_L2, 5)
    crown, edge = np.zeros_like(lip), np.zeros_like(lip)
    for half in (lip & upper, lip & ~upper):
        if not half.any():
            continue
        # Within a half the parting is a border too: the crown stands between both.
        inside = cv2.distanceTransform(half.astype(np.uint8), cv2.DIST_L2, 5)
        crown |= half & (aside < MIDDLE) & (inside > DEEP * float(inside.max()))
        edge |= half & (aside < CORNERS) & (from_border < SHALLOW * float(from_border[half].max()))
    return {"crown": crown, "corners": lip & (aside > CORNERS), "edge": edge & ~crown}


def wear(
    paint: Mask, lip: Mask, upper: Mask, known: Mask, belt: float, u: float
) -> tuple[Mapping[str, Quantity], tuple[str, ...]]:
    """Measure how much of each place of the lips carries paint.

    Parameters
    ----------
    paint, lip, upper, known
        (H, W) painted pixels, the molded lips, their upper half, and pixels of the lips that tell something.
    belt
        Half the width of the doubt about the lips' outline, in pixels.
    u
        Standard uncertainty of coverage as a whole.

    Returns
    -------
    ``coverage_crown``, ``coverage_corners`` and ``coverage_edge`` (0–1), those that could be seen; and flags
    ``rubbed_crown``, ``rubbed_corners``, ``rubbed_edge`` where coverage is lower than ``RUBBED`` by more than
    its uncertainty.
    """
    numbers: dict[str, Quantity] = {}
    flags: list[str] = []
    border = lip & ~cv2.erode(lip.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    for name, place in places(lip, upper).items():
        seen = int(np.count_nonzero(place & known))
        if seen < 12 or seen < 0.4 * np.count_nonzero(place):
            continue
        value = float(np.count_nonzero(paint & place & known) / seen)
        # A quarter of the belt along the border that the place holds, as for the lips as a whole.
        doubt = 0.5 * belt * int(np.count_nonzero(place & border)) / seen
        number = Quantity(value, float(np.hypot(u, min(doubt, 0.5))))
        numbers[f"coverage_{name}"] = number
        if number.value + number.u < RUBBED:
            flags.append(f"rubbed_{name}")
    return numbers, tuple(flags)
