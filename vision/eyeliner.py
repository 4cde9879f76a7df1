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
from math import erf

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.color import ColorReading, delta_e_2000, name_reading, pool, read_color
from vision.eye_paint import LUMA, EyePaint, Strip, eye_calibration, lab_of, lay_strip, relative
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

#: Thickness in face widths from which a black band is more than a lash line (from memory of such dolls).
BLACK_WIDTH = 0.0152

#: How much rarer liners of other colors are than blue, brown or black ones (a guess, no source).
RARE = 0.3

#: Levels at which the band's color is sampled between rim and upper edge.
FRACTIONS = 12

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Band:
    """The painted band above one eye.

    ``width`` is its median thickness in face widths and ``width_px`` in pixels of the original; ``coverage``
    the part of the rim it runs along and ``seen`` the part where band or bare lid shows; ``core`` the (N, 3)
    linear pixels its color is read from, ``bare`` the (3,) linear skin beside them; ``solid`` how far the
    core is paint and not blur, 0–1.
    """

    width: float
    width_px: float
    coverage: float
    seen: float
    core: Array
    bare: Array
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
    bands = [find_band(reading.view, lay_strip(reading.view, reading.skin, eye), eye, white) for eye in eyes]
    bands = [band for band in bands if band.seen > 0.55]
    if not bands:
        return _withheld(
            Reason.OCCLUDED, "Hair or shadow covers the lids; send a photo with the fringe held back."
        )
    results = [_judge(band, white) for band in bands]
    return _combine(reading, bands, results, white)


def find_band(view: FaceView, strip: Strip, eye: EyePaint, cal: Calibration) -> Band:
    """Find the painted band that lies on the upper rim, in the strip above it."""
    light, warmth, green = relative(strip.linear, strip.skin)
    light, warmth, green = _level(light, warmth, green, strip)
    unit, rim = view.unit, strip.rim_row
    dark = light < -0.55
    tinted = (np.hypot(warmth, green) > 0.45) & (light < -0.25)
    band = _attached(dark | tinted, rim, gap=round(0.02 * unit), reach=round(0.012 * unit))
    band[:rim] = False
    heights = band.sum(axis=0) * strip.step
    covered = heights > 0.004 * unit
    coverage = float(covered.mean())
    above = slice(rim + 1, rim + round(0.05 * unit))
    bare_seen = (~(dark | tinted))[above].mean(axis=0) > 0.25
    seen = float((covered | bare_seen).mean())
    mask = _to_view(view, strip, band)
    if coverage < 0.25:
        return Band(0.0, 0.0, coverage, seen, np.empty((0, 3)), np.ones(3), 0.0, mask, 0)
    # The band tapers: color is read where it is thick, leaving out columns with hair or wings in them.
    usual = float(np.quantile(heights[covered], 0.75))
    thick = covered & (heights >= 0.6 * usual) & (heights <= 1.8 * usual)
    # Where the rim was fitted too low the iris reaches into the band: prefer columns that rest on white.
    on_white = thick & _rests_on_white(strip, band, eye, unit)
    if np.count_nonzero(on_white) >= 0.2 * np.count_nonzero(thick):
        thick = on_white
    profile, bare = _profile(strip, band, thick)
    core = _core(profile, np.median(bare, axis=0), cal)
    width_px = usual / view.scale
    # A line of width w under a blur of σ reaches erf(w / (2√2 σ)) of its own color in the middle.
    sigma = float(np.hypot(eye.edge_px, 0.6))
    return Band(
        width=float(np.median(heights[covered])) / unit,
        width_px=width_px,
        coverage=coverage,
        seen=seen,
        core=core,
        bare=np.median(bare, axis=0),
        solid=erf(0.6 * width_px / (2.83 * sigma)),
        mask=mask,
        n_pixels=view.original_pixels(mask),
    )


def _rests_on_white(strip: Strip, band: Mask, eye: EyePaint, unit: float) -> Mask:
    """Tell for each column whether white paint lies right below the band."""
    height, width = eye.white.shape
    ys = np.clip(np.round(strip.y).astype(int), 0, height - 1)
    xs = np.clip(np.round(strip.x).astype(int), 0, width - 1)
    white = eye.white[ys, xs]
    low = np.where(band.any(axis=0), band.argmax(axis=0), 0)
    rows = np.arange(band.shape[0])[:, None]
    return np.asarray((white & (rows < low[None]) & (rows >= low[None] - 0.014 * unit)).any(axis=0))


def _profile(strip: Strip, band: Mask, columns: Mask) -> tuple[Array, Array]:
    """Sample the band's color at even fractions of its height.

    Returns
    -------
    (``FRACTIONS``, columns, 3) linear RGB from the rim upward, and (columns, 3) of the bare skin model.
    """
    picked = np.flatnonzero(columns)
    rows = np.arange(band.shape[0])[:, None]
    low = np.where(band, rows, band.shape[0]).min(axis=0)[picked]
    high = np.where(band, rows, -1).max(axis=0)[picked]
    steps = (np.arange(FRACTIONS) + 0.5) / FRACTIONS
    at = np.round(low + steps[:, None] * (high - low)).astype(int)
    return strip.linear[at, picked], strip.skin[np.minimum(high + 2, len(rows) - 1), picked]


def _core(profile: Array, bare: Array, cal: Calibration) -> Array:
    """Choose the height at which the band shows its own color; (N, 3) linear pixels.

    A lash line may run along the rim and blur mixes skin in at the upper edge, so the band is read a little
    above its middle; a level that is farther from all that skin, black and white can mix to goes before.
    """
    medians = np.median(profile, axis=1)
    color = np.convolve([mixing_distance(m, bare, cal) for m in medians], np.ones(3) / 3, "same")
    middle = round(0.58 * FRACTIONS)
    level = 1 + int(np.argmax(color[1:-1]))
    if color[level] < 8 or color[level] < 1.5 * color[middle]:
        level = middle
    return profile[level - 1 : level + 2].mean(axis=0)


def mixing_distance(pixel: Array, bare: Array, cal: Calibration) -> float:
    """Return how far a color lies from anything that this skin, black and white can mix to, in Lab units.

    At a pixel's lightness such mixtures lie, in the a*, b* plane, between neutral and darkened skin.
    """
    share = float(pixel @ LUMA / max(float(bare @ LUMA), 1e-4))
    _, a, b = lab_of(pixel, cal)
    _, sa, sb = lab_of(bare * min(share, 1.0), cal)
    length = float(sa * sa + sb * sb)
    t = float(np.clip((a * sa + b * sb) / length, 0, 1)) if length > 1e-9 else 0.0
    return float(np.hypot(a - t * sa, b - t * sb))


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


def _to_view(view: FaceView, strip: Strip, band: Mask) -> Mask:
    out = np.zeros(view.rgb.shape[:2], np.uint8)
    ys, xs = np.round(strip.y[band]).astype(int), np.round(strip.x[band]).astype(int)
    ok = (ys >= 0) & (xs >= 0) & (ys < view.rgb.shape[0]) & (xs < view.rgb.shape[1])
    out[ys[ok], xs[ok]] = 1
    return cv2.morphologyEx(out, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8)).astype(bool) & view.valid


def _judge(band: Band, cal: Calibration) -> tuple[dict[str, float], ColorReading | None]:
    """Probabilities of the states for one eye and the color of its paint."""
    if band.coverage < 0.25 or band.width < 0.004:
        return {"none": 0.85, "black": 0.05, "blue": 0.03, "brown": 0.04, "other": 0.03}, None
    mean = np.median(band.core, axis=0)
    spread = np.cov(band.core.T) if len(band.core) > 3 else np.diag((0.1 * mean + 0.002) ** 2)
    few = float(np.clip(len(band.core) / 8, 2, band.n_pixels / 6 + 2))
    # What blur leaves of the skin in the core is not known better than about half of itself.
    left = 0.5 * (1 - band.solid) * (band.bare - mean)
    color = read_color(mean, spread / few + np.outer(left, left) + 2e-6 * np.eye(3), cal)
    names = name_reading(color)
    blue, brown = pool(names, "blue"), pool(names, "brown", "orange")
    black = pool(names, "black") + (pool(names, "gray") if color.lab[0] < 40 else 0.0)
    # Other colors are seldom met: what lies beside a usual one is more likely that one, misread.
    other = RARE * max(0.0, 1 - blue - brown - black)
    blue, brown, black, other = (v / (blue + brown + black + other) for v in (blue, brown, black, other))
    plain = {"blue": blue, "brown": brown, "other": other, "black": black}
    mixed = _unless_mixed(mixing_distance(mean, band.bare, cal), color, plain)
    # A band several pixels wide shows its own color; a narrow one may be a black line blurred over skin, or
    # have taken on the skin's color where the file stores color at half the resolution.
    resolved = float(np.clip((band.solid - 0.7) / 0.25, 0, 1) * np.clip((band.width_px - 2.5) / 2.5, 0, 1))
    out = {name: resolved * p + (1 - resolved) * mixed[name] for name, p in plain.items()}
    dark = float(1 / (1 + np.exp(-(band.width - BLACK_WIDTH) / 0.0035)))
    dark = 0.5 + (dark - 0.5) * min(1.0, 0.3 + band.solid)
    out["none"] = out["black"] * (1 - dark)
    out["black"] *= dark
    # A lash line that looks brown may be one.
    thin = (1 - resolved) * (1 - dark) * 0.6
    out["none"] += thin * (out["brown"] + out["other"])
    out["brown"], out["other"] = (1 - thin) * out["brown"], (1 - thin) * out["other"]
    return out, color


def _unless_mixed(distance: float, color: ColorReading, names: dict[str, float]) -> dict[str, float]:
    """Probabilities of the names when the reading may be black mixed with skin.

    A color counts as far as it lies from all such mixtures by more than it is uncertain.
    """
    u = 2.5 + 0.35 * float(np.hypot(*color.u_lab[1:]))
    colored = float(1 / (1 + np.exp(-(distance - 1.6 * u) / (0.5 * u))))
    hue = max(names["blue"] + names["brown"] + names["other"], 1e-6)
    out = {name: colored * names[name] / hue for name in ("blue", "brown", "other")}
    return out | {"black": 1 - colored}


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
    ceiling = 0.93 if len(results) == 2 and not flags else 0.9
    probabilities = _soften(probabilities, ceiling * min(1.0, 0.5 + 0.5 * reading.likeness.probability))
    flags.append(f"reference_{cal.method}")
    best = max(probabilities, key=lambda k: probabilities[k])
    region = Region(tuple(p for band in bands for p in reading.view.region(band.mask).polygons))
    quantities = {}
    if colors and best != "none":
        first = int(np.argmax(weights[: len(colors)])) if len(colors) > 1 else 0
        # Both eyes bear the same paint: where they are read unlike, neither reading is as sure as it seems.
        lead = colors[first].widened(colors[1 - first]) if len(colors) > 1 else colors[0]
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
        f"Cannot tell {first} from {second} liner here. Send a sharp photo from the front in daylight, "
        "with a gray card beside the face."
    )


def _withheld(reason: Reason, detail: str) -> TraitRecord:
    return TraitRecord.withheld(TRAIT, reason, METHOD, detail)
