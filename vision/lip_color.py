"""The color of lip paint as it is now: hue and chroma (CIELAB under D65).

How a dealer would be misled, and what stands against it:

- gloss whitens paint, and the fold and the shaded side of the lips darken it, which both cost chroma: the
  lightest part of the paint that is no gloss is read;
- thin paint and its blurred edge let skin through: only what lies well inside painted areas is read;
- a lamp's color lies on the paint: it is read against the eyes' own white, a card or a chart, and not at all
  without one of them;
- phones make colors stronger or paler than they are: that is part of the uncertainty, unless a chart shows
  by how much.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.color import ColorReading, read_color
from vision.eye_paint import LUMA, eye_calibration
from vision.face_reading import FaceReading
from vision.face_view import grown

#: References against which a color is read.
REFERENCES = frozenset({"color_chart", "grey_card", "eye_white"})

#: Quantiles of lightness within the paint between which it is read: above shade, below gloss.
SHADE, GLOSS = 0.6, 0.9
#: Pixels of the view that must be left.
LEAST_PIXELS = 40
#: Patches of paint that are as good as independent of each other, at the most: form shades all pixels alike.
PATCHES = 6

Mask = NDArray[np.bool_]


def paint_color(reading: FaceReading, paint: Mask, glare: Mask, cal: Calibration) -> ColorReading | None:
    """Read the color of the paint on the lips.

    Parameters
    ----------
    reading
        The face.
    paint, glare
        (H, W) painted pixels of the view, and pixels that gloss covers.
    cal
        White reference of the photo; the eyes' own white is taken where it tells more.

    Returns
    -------
    CIELAB (D65) with its covariance; None where too little paint is seen, or nothing tells what white is.
    """
    view = reading.view
    white = eye_calibration(reading.eyes, cal)
    core = grown(paint, -0.012 * view.unit) & ~grown(glare, 0.008 * view.unit) & view.valid
    if white.method not in REFERENCES or np.count_nonzero(core) < 2 * LEAST_PIXELS:
        return None
    linear = view.linear[core].astype(np.float64)
    light = linear @ LUMA
    low, high = np.quantile(light, (SHADE, GLOSS))
    kept = linear[(light >= low) & (light <= high)]
    if len(kept) < LEAST_PIXELS:
        return None
    return read_color(np.median(kept, axis=0), np.cov(kept.T) / PATCHES, white)
