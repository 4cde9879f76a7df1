"""Color of the liner painted above the eye.

How a dealer would be misled, and what stands against it:

- a thin black lash line, blurred over skin, reads brown: pixels that a mixture of skin and black can explain
  are never taken for colored paint, and a line narrower than the blur is unmixed or withheld;
- iris or eye white bleeds into the reading: the band starts above the eye's rim;
- brow or shadow is read: the band must lie on the rim, and bare skin must follow it;
- warm light turns black brown and blue gray: the white of the same eye serves as reference, and what
  uncertainty is left decides between names;
- one eye was touched up: both are read and compared.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.color import ColorReading, delta_e_2000, name_reading, pool, read_color
from vision.eye_paint import EyePaint, Strip, eye_calibration, lay_strip, relative
from vision.face_reading import FaceReading, read_face, refuse
from vision.face_view import FaceView
from vision.locate.places import FacePlace
from vision.photo import Photo
from vision.traits import Reason, Region, Trait, TraitRecord

TRAIT = Trait.EYELINER_COLOR
METHOD = "eyeliner/1"
STATES = ("blue", "brown", "black", "none", "other")

#: A face narrower than this (px of the original) has no readable liner.
LEAST_FACE_PX = 55.0

#: Width of a bare lash line and of a painted liner in face widths, and how wide the doubt between is.
LASH_WIDTH, LINER_WIDTH = 0.012, 0.022

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Band:
    """The painted band above one eye.

    ``width`` is its median thickness in face widths and ``width_px`` in pixels of the original;
    ``color_share`` the part of the band whose color no mixture of skin, black and white explains;
    ``core`` the (N, 3) linear pixels the color is read from; ``coverage`` the part of the rim it runs along;
    ``solid`` how far the core is paint and not blur, 0–1.
    """

    width: float
    width_px: float
    coverage: float
    color_share: float
    core: Array
    colored: bool
    solid: float
    mask: Mask
    n_pixels: int


def measure(photo: Photo, face: FacePlace, cal: Calibration) -> TraitRecord:
    """Read the color of the eyeliner of one face.

    Parameters
    ----------
    photo, face, cal
        The photo, a face found in it and the photo's white reference.

    Returns
    -------
    An ``eyeliner_color`` record: blue, brown, black, none or other. Quantities are CIELAB D65 of the paint's
    surface as best known, with standard uncertainties.
    """
    reading = read_face(photo, face)
    refused = refuse(reading, TRAIT, METHOD)
    if refused is not None:
        return refused
    if face.width < LEAST_FACE_PX:
        return _withheld(Reason.TOO_SMALL, f"The face is only {face.width:.0f} px wide; send a closer photo.")
    assert reading.skin is not None
    eyes = reading.eyes
    if not eyes:
        return _withheld(Reason.NOT_LOCATED, "No painted eye was found; send a sharp photo from the front.")
    white = eye_calibration(eyes, cal)
    bands = [find_band(reading.view, lay_strip(reading.view, reading.skin, eye), eye) for eye in eyes]
    results = [_judge(band, white) for band in bands]
    return _combine(reading, bands, results, white)


def find_band(view: FaceView, strip: Strip, eye: EyePaint) -> Band:
    """Find the painted band that lies on the upper rim, in the strip above it."""
    light, warmth, green = relative(strip.linear, strip.skin)
    light, warmth, green = _level(light, warmth, green, strip)
    unit, rim = view.unit, strip.rim_row
    dark = light < -0.55
    tinted = (np.hypot(warmth, green) > 0.35) & (light < -0.12)
    paint = dark | tinted
    band = _attached(paint, rim, gap=round(0.02 * unit), reach=round(0.012 * unit))
    band[: rim + 1] = False
    heights = band.sum(axis=0) * strip.step
    covered = heights > 0.004 * unit
    coverage = float(covered.mean())
    thickness = float(np.median(heights[covered])) / unit if covered.any() else 0.0
    mask = _to_view(view, strip, band)
    if coverage < 0.25:
        return Band(thickness, 0.0, coverage, 0.0, np.empty((0, 3)), False, 0.0, mask, 0)
    colored = band & _beyond_mixing(light, warmth, green)
    share = float(colored.sum() / max(band.sum(), 1))
    runs = float((colored.sum(axis=0) > 0.003 * unit)[covered].mean())
    is_colored = share > 0.22 and runs > 0.45
    chosen = colored if is_colored else band
    core_mask = _core(chosen)
    width_px = float(np.median(chosen.sum(axis=0)[covered])) / view.scale
    # A line of width w under a blur of σ reaches erf(w / (2√2 σ)) of its own color in the middle.
    sigma = float(np.hypot(eye.edge_px, 0.5))
    solid = float(_erf(width_px / (2.83 * sigma)))
    return Band(
        thickness, width_px, coverage, share, strip.linear[core_mask], is_colored, solid, mask,
        view.original_pixels(mask),
    )  # fmt: skip


def _level(light: Array, warmth: Array, green: Array, strip: Strip) -> tuple[Array, Array, Array]:
    """Take the lid's own skin, above the band, as zero: it may be shaded or blushed unlike the cheeks."""
    rows = light.shape[0]
    above = slice(strip.rim_row + (rows - strip.rim_row) // 3, rows)
    bare = (np.abs(light[above]) < 0.5) & (np.hypot(warmth[above], green[above]) < 0.3)
    if np.count_nonzero(bare) < 40:
        return light, warmth, green
    shift = [float(np.median(v[above][bare])) for v in (light, warmth, green)]
    return light - shift[0], warmth - shift[1], green - shift[2]


def _attached(paint: Mask, rim: int, gap: int, reach: int) -> Mask:
    """Keep, column by column, the first run of paint above the rim if it starts within ``gap`` of it.

    Runs are joined over breaks of up to ``reach`` rows, so that a lash line and a liner with a sliver of skin
    between count as one band.
    """
    kernel = np.ones((2 * (reach // 2) + 1, 1), np.uint8)
    joined = cv2.morphologyEx(paint.astype(np.uint8), cv2.MORPH_CLOSE, kernel).astype(bool)
    out = np.zeros_like(paint)
    for column in range(paint.shape[1]):
        above = np.flatnonzero(joined[rim:, column])
        if len(above) == 0 or above[0] > gap:
            continue
        breaks = np.flatnonzero(np.diff(above) > 1)
        end = above[breaks[0]] if len(breaks) else above[-1]
        if rim + end >= paint.shape[0] - 2:
            continue  # runs out of the strip: hair or shadow, no band
        out[rim + above[0] : rim + end + 1, column] = True
    return out & paint


def _beyond_mixing(light: Array, warmth: Array, green: Array) -> Mask:
    """Pixels that no mixture of this skin with black, gray or white can make.

    Such mixtures keep the skin's warmth or lose it toward neutral, and lose it only together with the skin's
    share of the light; blue goes past neutral, brown is warmer than skin, green leaves the line altogether.
    """
    neutral = -0.55  # warmth of a neutral against typical vinyl skin, from memory
    lit = light > -3.2
    cooler = (warmth < neutral - 0.12) & (light < -0.12)
    warmer = (warmth > 0.16) & (light < -0.35)
    greener = (green > 0.30) & (light < -0.12)
    return lit & (cooler | warmer | greener)


def _core(mask: Mask) -> Mask:
    """The inner part of a band, column by column: the middle half of its rows."""
    distance = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 3)
    peak = cv2.dilate(distance, np.ones((9, 9), np.uint8))
    core = mask & (distance >= 0.6 * peak)
    return core if np.count_nonzero(core) >= 12 else mask


def _to_view(view: FaceView, strip: Strip, band: Mask) -> Mask:
    out = np.zeros(view.rgb.shape[:2], np.uint8)
    ys, xs = np.round(strip.y[band]).astype(int), np.round(strip.x[band]).astype(int)
    ok = (ys >= 0) & (xs >= 0) & (ys < out.shape[0]) & (xs < out.shape[1])
    out[ys[ok], xs[ok]] = 1
    return cv2.morphologyEx(out, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8)).astype(bool) & view.valid


def _erf(x: float) -> float:
    from math import erf

    return erf(x)


def _judge(band: Band, cal: Calibration) -> tuple[dict[str, float], ColorReading | None]:
    """Probabilities of the states for one eye and the color of its paint."""
    if band.coverage < 0.25 or band.width < 0.004:
        return {"none": 0.85, "black": 0.05, "blue": 0.03, "brown": 0.04, "other": 0.03}, None
    mean = np.median(band.core, axis=0)
    spread = np.cov(band.core.T) if len(band.core) > 3 else np.diag((0.1 * mean + 0.002) ** 2)
    few = max(4.0, band.n_pixels / 25)
    # What blur leaves of the skin in the core is not known better than about half of itself.
    blend = (0.5 * (1 - band.solid)) ** 2 * np.outer(0.3 - mean, 0.3 - mean)
    color = read_color(mean, spread / few + blend + 1e-6 * np.eye(3), cal)
    names = name_reading(color)
    blue = pool(names, "blue")
    brown = pool(names, "brown", "orange")
    black = pool(names, "black") + (pool(names, "gray") if color.lab[0] < 40 else 0.0)
    other = max(0.0, 1 - blue - brown - black)
    painted = float(1 / (1 + np.exp(-(band.width - (LASH_WIDTH + LINER_WIDTH) / 2) / 0.0022)))
    if band.colored:
        painted = max(painted, 0.97)
    else:
        # Nothing beyond skin and black was seen, so a colored name here is the mixing of a dark line.
        lean = 0.35 * (1 - band.solid) + 0.25
        black, brown, blue, other = (
            black + (1 - lean) * (brown + blue + other),
            lean * brown,
            lean * blue,
            lean * other,
        )
    out = {"blue": blue, "brown": brown, "black": black, "other": other}
    out = {k: painted * v for k, v in out.items()}
    out["none"] = 1 - painted
    return out, color


def _combine(
    reading: FaceReading,
    bands: list[Band],
    results: list[tuple[dict[str, float], ColorReading | None]],
    cal: Calibration,
) -> TraitRecord:
    """Join both eyes to one record."""
    weights = np.array([max(1e-3, band.coverage * band.solid + 0.1) for band in bands])
    weights /= weights.sum()
    probabilities = {
        state: float(sum(w * p.get(state, 0.0) for w, (p, _) in zip(weights, results, strict=True)))
        for state in STATES
    }
    flags: list[str] = []
    colors = [color for _, color in results if color is not None]
    tops = [max(p, key=lambda k: p[k]) for p, _ in results]
    apart = float(delta_e_2000(colors[0].lab, colors[1].lab)) if len(colors) == 2 else 0.0
    if len(results) == 2 and (len(set(tops)) == 2 or apart > 15):
        flags.append("eyes_disagree")
    if len(results) == 1:
        flags.append("one_eye")
    ceiling = 0.97 if len(results) == 2 and not flags else 0.9
    probabilities = _soften(probabilities, ceiling * min(1.0, 0.5 + 0.5 * reading.likeness.probability))
    flags.append(f"reference_{cal.method}")
    best = max(probabilities, key=lambda k: probabilities[k])
    region = Region(tuple(p for band in bands for p in reading.view.region(band.mask).polygons))
    quantities = {}
    if colors and best != "none":
        lead = colors[int(np.argmax(weights[: len(colors)]))] if len(colors) > 1 else colors[0]
        quantities = lead.quantities()
    return TraitRecord.decide(
        TRAIT, probabilities, METHOD, _doubt(probabilities),
        detail=_sentence(best), quantities=quantities, region=region if region.polygons else None,
        n_pixels=sum(band.n_pixels for band in bands), flags=tuple(flags),
    )  # fmt: skip


def _soften(probabilities: dict[str, float], ceiling: float) -> dict[str, float]:
    """Mix with ignorance, so that no state is given more than ``ceiling``."""
    total = sum(probabilities.values())
    share = 1 - ceiling
    n = len(probabilities)
    return {k: (1 - share) * v / total + share / n for k, v in probabilities.items()}


def _sentence(state: str) -> str:
    if state == "none":
        return "No liner is painted above the eyes beyond a lash line."
    return f"The liner above the eyes is {state}." if state != "other" else "The liner has another color."


def _doubt(probabilities: dict[str, float]) -> str:
    first, second = sorted(probabilities, key=lambda k: -probabilities[k])[:2]
    return (
        f"Cannot tell {first} from {second} liner here. Send a sharp photo from the front in daylight, with a "
        "gray card beside the face."
    )


def _withheld(reason: Reason, detail: str) -> TraitRecord:
    return TraitRecord.withheld(TRAIT, reason, METHOD, detail)
