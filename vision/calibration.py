"""What white is taken to be in one photo, and how far that can be trusted."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.traits import Region


def undo_tone(linear_rgb: NDArray[Any], nodes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return relative light from linear RGB as photographed.

    Parameters
    ----------
    linear_rgb
        (..., 3) linear RGB of the photo, 0–1.
    nodes
        (2, K) ln of light and ln of linear RGB as photographed, both increasing. Past the ends the curve
        goes on straight, near slope 1.
    """
    light = np.asarray(linear_rgb, np.float64)
    floor = 1e-4
    curved = np.exp(follow(nodes[1], nodes[0], np.log(np.maximum(light, floor))))
    return curved * np.where(light < floor, light / floor, 1.0)


def follow(
    x_nodes: NDArray[np.float64], y_nodes: NDArray[np.float64], x: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Interpolate through the nodes; past the ends go on along the last piece, its slope kept in 0.5–1.5."""
    slopes = np.clip(np.diff(y_nodes) / np.diff(x_nodes), 0.5, 1.5)
    below, above = np.minimum(x - x_nodes[0], 0), np.maximum(x - x_nodes[-1], 0)
    return np.interp(x, x_nodes, y_nodes) + below * slopes[0] + above * slopes[-1]


@dataclass(frozen=True, slots=True)
class Calibration:
    """How to turn a photo's linear RGB into surface color under D65, with its uncertainty.

    Attributes
    ----------
    method
        ``"color_chart"``, ``"grey_card"``, ``"eye_white"``, ``"scene"`` or ``"none"``.
    neutral_rgb
        What a neutral surface reads in this photo in linear RGB, relative to green = 1.
    u_delta_e
        Standard uncertainty (k = 1, in ΔE) that the reference adds to any absolute color.
    exposure
        Factor that brings linear RGB to reflectance; None when nothing in view fixes it.
    u_exposure
        Relative standard uncertainty of ``exposure`` (or of assuming 1 when that is None).
    matrix
        (3, 3) float64, applied to white-balanced linear RGB; identity unless a chart was fitted.
    region
        Where the reference lies.
    residual_mean, residual_max
        ΔE00 left over the chart's patches after the fit; None without a chart.
    flags
        ``"clipped_channel"``, ``"mixed_light"``, ``"reflection"``, ``"small"``, …
    notes
        Plain sentences: what was assumed, what was refused and why.
    tone
        (2, K) ln of true relative light against ln of linear RGB as photographed, both increasing: the
        curve a phone laid over the photo, as a chart shows it. None when unknown.
    haze
        (3,) linear RGB of flare and gloss over the whole photo, as a chart shows it. Taken off first.
    """

    method: str = "none"
    neutral_rgb: tuple[float, float, float] = (1.0, 1.0, 1.0)
    u_delta_e: float = 12.0
    exposure: float | None = None
    u_exposure: float = 0.3
    matrix: NDArray[np.float64] = field(default_factory=lambda: np.eye(3))
    region: Region | None = None
    residual_mean: float | None = None
    residual_max: float | None = None
    flags: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    tone: NDArray[np.float64] | None = None
    haze: NDArray[np.float64] = field(default_factory=lambda: np.zeros(3))

    def apply(self, linear_rgb: NDArray[Any]) -> NDArray[np.float64]:
        """Return linear RGB as if the scene were lit by D65 (and exposed to reflectance, if known).

        Parameters
        ----------
        linear_rgb
            (..., 3) linear RGB of the photo, 0–1.

        Returns
        -------
        (..., 3) float64 linear sRGB, not clipped.
        """
        light = np.maximum(np.asarray(linear_rgb, np.float64) - self.haze, 0)
        if self.tone is not None:
            light = undo_tone(light, self.tone)
        balanced = light / np.asarray(self.neutral_rgb)
        return balanced @ self.matrix.T * (1.0 if self.exposure is None else self.exposure)

    def to_json(self) -> dict[str, Any]:
        """Return the contract's JSON form."""
        return {
            "method": self.method,
            "neutral_rgb": [round(float(v), 4) for v in self.neutral_rgb],
            "u_delta_e": round(float(self.u_delta_e), 2),
            "exposure": None if self.exposure is None else round(float(self.exposure), 4),
            "residual_mean": None if self.residual_mean is None else round(float(self.residual_mean), 2),
            "residual_max": None if self.residual_max is None else round(float(self.residual_max), 2),
            "region": None if self.region is None else self.region.to_json(),
            "flags": list(self.flags),
            "notes": list(self.notes),
        }
