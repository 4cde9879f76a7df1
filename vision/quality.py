"""Gates before each measurement: is there enough picture here to speak at all?

Every gate returns a :class:`Gate`: passed, or a typed reason with a sentence that says what would help.
All sizes are relative to the feature that is to be measured, because one fixed sharpness threshold fails
across resolutions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.color import chroma, circular_mean_deg, hue_deg, srgb_to_lab
from vision.photo import Photo
from vision.traits import Reason

#: A channel at or above this code counts as clipped: JPEG ringing moves 255 by a few codes.
CLIPPED_CODE = 252
#: A pixel whose brightest channel is at or below this code carries no color.
DARK_CODE = 12


@dataclass(frozen=True, slots=True)
class Gate:
    """Outcome of a quality check.

    Attributes
    ----------
    reason
        None when the check passed.
    detail
        Why not, and what would help; empty when passed.
    figures
        What was found: plain numbers for the record and for tests.
    flags
        Machine words that a measurement adds to its record even when the check passed.
    """

    reason: Reason | None = None
    detail: str = ""
    figures: Mapping[str, float] = field(default_factory=dict)
    flags: tuple[str, ...] = ()

    @property
    def passed(self) -> bool:
        """Whether the measurement may go on."""
        return self.reason is None


def first_failure(*gates: Gate) -> Gate:
    """Return the first gate that did not pass; else a passed gate with all figures and flags together."""
    for gate in gates:
        if not gate.passed:
            return gate
    figures = {k: v for gate in gates for k, v in gate.figures.items()}
    return Gate(figures=figures, flags=tuple(flag for gate in gates for flag in gate.flags))


def check_size(feature_px: float, least_px: float, what: str) -> Gate:
    """Check that a feature is large enough: its extent in pixels of the original against a minimum."""
    figures = {"feature_px": float(feature_px), "least_px": float(least_px)}
    if feature_px >= least_px:
        return Gate(figures=figures)
    return Gate(
        Reason.TOO_SMALL,
        f"The {what} is {feature_px:.0f} px across; at least {least_px:.0f} px are needed. "
        "Ask for a closer photo.",
        figures,
    )


def check_exposure(
    rgb: NDArray[np.uint8],
    mask: NDArray[np.bool_] | None = None,
    *,
    what: str = "place",
    most_clipped: float = 0.25,
    most_dark: float = 0.5,
) -> Gate:
    """Check that a region is neither burnt out nor lost in the dark.

    Parameters
    ----------
    rgb
        (h, w, 3) uint8 sRGB.
    mask
        (h, w) pixels that count; all when None.
    most_clipped, most_dark
        Largest tolerable shares, 0–1.

    Returns
    -------
    Gate
        ``clipped`` or ``too_dark`` (an empty region is ``too_small``); figures ``clipped_r``,
        ``clipped_g``, ``clipped_b``, ``clipped_any``, ``dark`` (shares) and ``median_code``. The flag
        ``clipped_channel`` warns when more than a twentieth of the pixels clip.
    """
    pixels = _selected(rgb, mask)
    if len(pixels) == 0:
        return Gate(Reason.TOO_SMALL, f"No pixel of the {what} is in the picture.", {"n_pixels": 0.0})
    burnt = pixels >= CLIPPED_CODE
    shares = burnt.mean(axis=0)
    figures = {
        "clipped_r": float(shares[0]),
        "clipped_g": float(shares[1]),
        "clipped_b": float(shares[2]),
        "clipped_any": float(burnt.any(axis=1).mean()),
        "dark": float((pixels.max(axis=1) <= DARK_CODE).mean()),
        "median_code": float(np.median(pixels.max(axis=1))),
    }
    if figures["clipped_any"] > most_clipped:
        return Gate(
            Reason.CLIPPED,
            f"{figures['clipped_any']:.0%} of the {what} is burnt out, so its color is lost. "
            "Ask for a darker photo without flash.",
            figures,
        )
    if figures["dark"] > most_dark:
        return Gate(
            Reason.TOO_DARK,
            f"The {what} is almost black in this photo. Ask for one near a window in daylight.",
            figures,
        )
    return Gate(figures=figures, flags=("clipped_channel",) if figures["clipped_any"] > 0.05 else ())


def glare_mask(rgb: NDArray[np.uint8], mask: NDArray[np.bool_] | None = None) -> NDArray[np.bool_]:
    """Return the pixels (h, w) that mirror the light rather than show their own color.

    A highlight adds light of the lamp's color to the surface's own: it is much brighter than the region
    and less saturated than its typical pixel, or it clips in all channels (dichromatic reflection, Shafer
    1985, 10.1002/col.5080100409).
    """
    top = rgb.max(axis=2).astype(np.int16)
    low = rgb.min(axis=2).astype(np.int16)
    pixels = _selected(rgb, mask)
    if len(pixels) == 0:
        return np.zeros(rgb.shape[:2], bool)
    peak = np.maximum(pixels.max(axis=1), 1)
    typical = float(np.median(peak))
    purity = float(np.median(1 - pixels.min(axis=1) / peak))
    saturation = 1 - low / np.maximum(top, 1)
    burnt = low >= CLIPPED_CODE - 6
    shining = (top > typical + 0.5 * (255 - typical)) & (saturation < 0.6 * purity) & (top > 150)
    found = burnt | shining
    return found if mask is None else found & mask


def check_glare(
    rgb: NDArray[np.uint8],
    mask: NDArray[np.bool_] | None = None,
    *,
    what: str = "place",
    most: float = 0.3,
) -> Gate:
    """Check that highlights do not hide a region; figure ``glare`` is their share, 0–1."""
    count = rgb.shape[0] * rgb.shape[1] if mask is None else int(mask.sum())
    share = float(glare_mask(rgb, mask).sum()) / max(1, count)
    if share <= most:
        return Gate(figures={"glare": share}, flags=("glare",) if share > most / 2 else ())
    return Gate(
        Reason.GLARE,
        f"{share:.0%} of the {what} mirrors the light. "
        "Ask for a photo with the lamp to the side, without flash.",
        {"glare": share},
    )


def noise_level(rgb: NDArray[np.uint8]) -> float:
    """Return the standard deviation of the fine noise in sRGB codes, of (h, w, 3) uint8.

    Median form of Immerkær (1996), 10.1006/cviu.1996.0060: edges do not raise it. 0 for pictures under
    3 × 3 pixels.
    """
    if min(rgb.shape[:2]) < 3:
        return 0.0
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    response = cv2.filter2D(_grey(rgb), -1, kernel)[1:-1, 1:-1]
    return float(np.median(np.abs(response)) / (0.6745 * 6))


def blur_sigma(rgb: NDArray[np.uint8], mask: NDArray[np.bool_] | None = None) -> float | None:
    """Return the blur of the sharpest clear edges, as the sigma of a Gaussian in pixels.

    Each strong edge is blurred once more by a known amount; how much its slope drops tells how wide it
    was (Zhuo & Sim 2011, 10.1016/j.patcog.2011.03.009). The sharpest tenth counts, since shading and
    round shapes make soft edges in a sharp photo. Wide edges are measured again on a halved picture,
    where noise disturbs less. A perfect step reads 0.3, the least that is told apart.

    Parameters
    ----------
    rgb
        (h, w, 3) uint8 sRGB with some surroundings of the feature.
    mask
        (h, w) pixels whose edges count; all when None.

    Returns
    -------
    Sigma in pixels; None when there is no edge clear of the noise to judge by.
    """
    found: float | None = None
    scale = 1.0
    while min(rgb.shape[:2]) >= 8:
        here = _edge_sigma(rgb, mask)
        if here is not None:
            found = max(here * scale, found or 0.0)
            if here <= 1.5:
                break
        size = (rgb.shape[1] // 2, rgb.shape[0] // 2)
        if min(size) < 16:
            break
        rgb = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)
        if mask is not None:
            mask = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
        scale *= 2
    return found


def _edge_sigma(rgb: NDArray[np.uint8], mask: NDArray[np.bool_] | None) -> float | None:
    """Blur of the sharpest edges at one scale, pixels of that scale."""
    # Fine noise would pass for sharp edges, so it is taken down first; that blur is taken off below,
    # together with what sampling and the slope filter add to a perfect step.
    own, sampling, again = 0.7, 0.45, 1.4
    smooth = cv2.GaussianBlur(_grey(rgb), (0, 0), own)
    slope = _gradient(smooth)
    slope_again = _gradient(cv2.GaussianBlur(smooth, (0, 0), again))
    floor = max(4.0 * noise_level(rgb), 3.0)
    strong = (slope > floor) & _ridge(smooth, slope)
    if mask is not None:
        strong &= mask
    if int(strong.sum()) < 20:
        return None
    least = max(floor, 0.35 * float(np.percentile(slope[strong], 95)))
    clear = strong & (slope >= least)
    ratio = np.maximum(slope[clear] / np.maximum(slope_again[clear], 1e-6), 1.0005)
    found = float(np.percentile(again / np.sqrt(ratio**2 - 1), 10))
    return float(np.sqrt(max(found**2 - own**2 - sampling, 0.09)))


def check_focus(
    rgb: NDArray[np.uint8],
    feature_px: float,
    mask: NDArray[np.bool_] | None = None,
    *,
    what: str = "place",
    most: float = 0.3,
) -> Gate:
    """Check that the blur is small against the smallest detail that matters.

    Parameters
    ----------
    rgb
        (h, w, 3) uint8 sRGB, the feature with some surroundings.
    feature_px
        Width of that detail in pixels: of a painted line, a hole's rim, a letter's stroke.
    most
        Largest tolerable blur sigma as a fraction of ``feature_px``.

    Returns
    -------
    Gate
        Figures ``blur_px`` (NaN-free: absent when no edge could be judged) and ``feature_px``. Without
        any clear edge the gate passes with the flag ``sharpness_unknown``: a plain surface has no edges,
        and whether that is suspicious only the caller knows.
    """
    sigma = blur_sigma(rgb, mask)
    if sigma is None:
        return Gate(figures={"feature_px": float(feature_px)}, flags=("sharpness_unknown",))
    figures = {"blur_px": sigma, "feature_px": float(feature_px)}
    if sigma <= most * feature_px:
        return Gate(figures=figures)
    return Gate(
        Reason.BLURRED,
        f"The {what} is blurred over {2 * sigma:.0f} px, too much for a detail of {feature_px:.0f} px. "
        "Ask for a sharp, steady photo from a little farther away.",
        figures,
    )


# -- the whole photo --------------------------------------------------------------------------------


def check_colors(photo: Photo) -> Gate:
    """Check that the photo still carries colors that mean something.

    ``monochrome``: the colors say no more than the lightness does (black and white, sepia, any one-color
    toning). ``filtered``: saturation was pushed so far that several hues lie on the edge of what sRGB can
    show. Figures: ``chroma_99``, those of the tone, ``pushed_share``, ``pushed_hues``.

    A close view of nothing but bare vinyl holds one hue as well and may be taken for a toned photo; ask
    only before reading colors from a view that shows more than vinyl.
    """
    small, _ = photo.small
    step = max(1, round((small.shape[0] * small.shape[1] / 12_000) ** 0.5))
    # Averaging first: the noise of single pixels is no color.
    reduced = cv2.resize(
        small,
        (max(1, small.shape[1] // step), max(1, small.shape[0] // step)),
        interpolation=cv2.INTER_AREA,
    )
    pixels = np.asarray(reduced, np.uint8).reshape(-1, 3)
    lab = srgb_to_lab(pixels)
    figures = {
        "chroma_99": float(np.percentile(chroma(lab), 99)),
        **_tone(lab, reduced.shape[:2]),
        **_pushed(pixels, lab),
    }
    if figures["chroma_99"] < 3.0:
        return Gate(
            Reason.MONOCHROME,
            "The photo is black and white, so it says nothing about colors. Ask for a color photo.",
            figures,
        )
    if _is_toned(figures):
        return Gate(
            Reason.MONOCHROME,
            "The photo is toned in one color (as sepia is), so it says nothing about colors. "
            "Ask for the photo without a filter.",
            figures,
        )
    share, hues = figures["pushed_share"], figures["pushed_hues"]
    # Three hues on the edge fill no two hundredth of a photo as taken; a flower fills a third with two.
    if (share > 0.08 and hues >= 3) or (share > 0.5 and hues >= 2):
        return Gate(
            Reason.FILTERED,
            "The colors of the photo were pushed by a filter. Ask for the photo as the camera took it.",
            figures,
        )
    return Gate(figures=figures)


def _tone(lab: NDArray[np.float64], shape: tuple[int, ...]) -> dict[str, float]:
    """How nearly the colors, (N, 3) of a picture of ``shape``, are one hue that follows the lightness.

    ``tone_residual`` is how far colors stray from a smooth function of their lightness: ΔE in a*, b*, all
    but the worst two hundredth of the picture, so that the white of an eye suffices to tell that there is
    color. JPEG alone makes 6 to 10 of a toned picture, but nothing that lasts: ``tone_drift`` is the same
    averaged over five by five places, all but the worst tenth, so that a large thing of another color tells
    vinyl on wood in warm light from a toned picture. ``hue_spread`` is the circular deviation of hue weighted
    by chroma; ``lightness_spread`` and ``chroma_50`` speak for themselves.
    """
    order = np.argsort(lab[:, 0], kind="stable")
    kernel = np.full(min(len(lab), 51), 1.0) / min(len(lab), 51)
    weight = np.convolve(np.ones(len(lab)), kernel, "same")
    off = np.empty((len(lab), 2))
    off[order] = np.stack(
        [lab[order, k] - np.convolve(lab[order, k], kernel, "same") / weight for k in (1, 2)], axis=1
    )
    drift = cv2.blur(off.reshape(*shape, 2), (5, 5)).reshape(-1, 2)
    c = chroma(lab)
    _, spread = circular_mean_deg(hue_deg(lab), c + 1e-9)
    return {
        "tone_residual": float(np.percentile(np.hypot(*off.T), 99.5)),
        "tone_drift": float(np.percentile(np.hypot(*drift.T), 90)),
        "hue_spread": spread if np.isfinite(spread) else 360.0,
        "lightness_spread": float(np.subtract(*np.percentile(lab[:, 0], [97, 3]))),
        "chroma_50": float(np.median(c)),
    }


def _is_toned(figures: Mapping[str, float]) -> bool:
    """Limits set on toned copies of real photographs, saved as poor JPEG, and on their originals."""
    return (
        figures["tone_residual"] < 10.5
        and figures["tone_drift"] < 2.0
        and figures["hue_spread"] < 15.0
        and figures["chroma_50"] > 4.0
        and figures["lightness_spread"] > 20.0
    )


def _pushed(pixels: NDArray[np.uint8], lab: NDArray[np.float64]) -> dict[str, float]:
    """Share of pixels on the edge of sRGB at strong chroma, and how many of six hue sectors hold them."""
    on_edge = (pixels.min(axis=1) <= 2) & (pixels.max(axis=1) >= 110) & (chroma(lab) > 40)
    hues = np.degrees(np.arctan2(lab[on_edge, 2], lab[on_edge, 1])) % 360
    counts = np.bincount((hues // 60).astype(int), minlength=6)
    return {
        "pushed_share": float(on_edge.mean()),
        "pushed_hues": float((counts > 0.01 * len(pixels)).sum()),
    }


def _selected(rgb: NDArray[np.uint8], mask: NDArray[np.bool_] | None) -> NDArray[np.uint8]:
    return rgb.reshape(-1, 3) if mask is None else rgb[mask]


def _grey(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    return np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.float32)


def _gradient(grey: NDArray[Any]) -> NDArray[np.float32]:
    gx = cv2.Sobel(grey, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    gy = cv2.Sobel(grey, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    return np.asarray(cv2.magnitude(gx, gy), np.float32)


def _ridge(grey: NDArray[Any], slope: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Pixels where the slope is the largest across the edge: the edge's middle line."""
    gx = np.abs(cv2.Sobel(grey, cv2.CV_32F, 1, 0, ksize=3))
    gy = np.abs(cv2.Sobel(grey, cv2.CV_32F, 0, 1, ksize=3))
    flat = cv2.dilate(slope, np.ones((1, 3), np.uint8)) <= slope
    steep = cv2.dilate(slope, np.ones((3, 1), np.uint8)) <= slope
    return np.where(gx >= gy, flat, steep)
