"""What white is taken to be in one photo, and how far that can be trusted."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.traits import Region


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
        balanced = np.asarray(linear_rgb, np.float64) / np.asarray(self.neutral_rgb)
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
