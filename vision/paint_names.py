"""What a painted line may be: paints are imagined, photographed in thought and compared with the reading.

A dark line's photographed color is its own plus what the photo adds: skin blurred over it, light that vinyl
and lens spread, mirrored surroundings in the gloss, color that the file smears. All of that is bounded but
unknown, so naming the reading itself would call black paint brown or blue. Instead many paints of each name
are drawn, each with its own additions, and a name is as likely as its paints come close to the reading.

Ranges of the paints follow the ISCC-NBS names of color (Kelly and Judd, NBS SP 440, 1976): blue hues
225–305°, brown 22–84° below L* 50, black below L* 18 and C* 5, turquoise and teal 180–217°. How common each
is, and that liners of other colors are rare and often turquoise, is common practice without source.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.color import ColorReading, lab_to_linear, linear_to_lab

Array = NDArray[np.float64]

#: Paints drawn for each name.
DRAWS = 700
#: How common liners of a name are among painted ones (a guess, no source).
COMMON: Mapping[str, float] = {"blue": 0.31, "brown": 0.26, "black": 0.33, "other": 0.10}

_LUMA = np.array([0.2126, 0.7152, 0.0722])


@functools.cache
def _paints() -> Mapping[str, Array]:
    """Name → (DRAWS, 3) linear RGB of surfaces under D65; the same on every machine."""
    rng = np.random.default_rng(1959)

    def lab(light: tuple[float, float], chroma: tuple[float, float], hue: tuple[float, float]) -> Array:
        level, c = rng.uniform(*light, DRAWS), rng.uniform(*chroma, DRAWS)
        h = np.radians(rng.uniform(*hue, DRAWS))
        return np.maximum(lab_to_linear(np.stack([level, c * np.cos(h), c * np.sin(h)], axis=1)), 0.002)

    # Neither blue nor brown: turquoise and teal above all, greens, violets and reds, and grays.
    others = {(180, 217): 0.4, (95, 180): 0.2, (310, 375): 0.2}
    hued = [lab((25, 70), (18, 50), hues)[: round(share * DRAWS)] for hues, share in others.items()]
    gray = lab((38, 65), (0, 6), (0, 360))[: round(0.2 * DRAWS)]
    return {
        "blue": lab((18, 65), (14, 52), (225, 303)),
        "brown": lab((16, 48), (10, 40), (25, 84)),
        "black": lab((2, 18), (0, 4), (0, 360)),
        "other": np.concatenate([*hued, gray]),
    }


def name_line(
    reading: ColorReading, bare: Array, mixed: float, smeared: float, calibration: Calibration
) -> dict[str, float]:
    """Return the probability that a painted line is blue, brown, black or of another color.

    Where only how common a color is speaks for it, and the reading itself for another, both count alike.

    Parameters
    ----------
    reading
        Color of the line as photographed, with the uncertainty of its mean and of the white reference.
    bare
        (3,) linear RGB of the skin beside the line, as photographed.
    mixed
        How much of that skin the blur may have mixed into the line at most, 0–1.
    smeared
        How far the line's color, but not its lightness, may have taken on the skin's, 0–1.
    """
    skin = np.maximum(calibration.apply(bare), 1e-4)
    rng = np.random.default_rng(7)
    u = np.hypot(np.sqrt(np.maximum(np.diag(reading.covariance), 0)), [4.0, 2.5, 2.5])
    likeness = {}
    for name, surfaces in _paints().items():
        n = len(surfaces)
        level = float(skin @ _LUMA)
        # The lid lies in other shade than the white, and a phone's curve deepens what is dark.
        light = surfaces * rng.lognormal(-0.1, 0.4, (n, 1))
        share = mixed * rng.uniform(0, 1, (n, 1)) ** 1.5 + rng.exponential(0.02, (n, 1))
        light = (1 - np.minimum(share, 1)) * light + np.minimum(share, 1) * skin
        tint = np.maximum(rng.normal(1, 0.35, (n, 3)), 0.1)
        light = light + rng.exponential(0.02, (n, 1)) * level * tint
        pull = smeared * rng.uniform(0, 1, (n, 1))
        light = (1 - pull) * light + pull * skin * (light @ _LUMA)[:, None] / level
        apart = (linear_to_lab(light) - reading.lab) / u
        likeness[name] = float(np.mean(np.exp(-0.5 * (apart**2).sum(axis=1)))) + 1e-9
    even = _scaled(likeness)
    weighed = _scaled({name: COMMON[name] * value for name, value in likeness.items()})
    if max(even, key=even.__getitem__) == max(weighed, key=weighed.__getitem__):
        return weighed
    return {name: (even[name] + weighed[name]) / 2 for name in even}


def _scaled(values: Mapping[str, float]) -> dict[str, float]:
    total = sum(values.values())
    return {name: value / total for name, value in values.items()}
