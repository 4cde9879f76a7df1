"""Color of the liner painted above the eye.

How a dealer would be misled, and what stands against it:

- a thin black lash line, blurred over skin, reads brown: pixels that a mixture of skin and black can explain
  are never taken for colored paint, and a line narrower than the blur is unmixed or withheld;
- iris or eye white bleeds into the reading: the band starts above the eye's rim;
- brow or shadow is read: the band must lie on the rim, bare skin must follow it, and the rim's ends, where
  the nose throws shade, are left out;
- dark hair or shade that touches the band passes for more of it: a network says how far the band reaches, and
  width and color are read where its own upper end is seen;
- paint as light as skin is passed over: a color that skin and white cannot mix to is paint, however light;
- gloss makes black paint gray: where a band shines it is not read;
- warm light turns black brown and blue gray: the white of the same eye serves as reference, and what
  uncertainty is left decides between names;
- one eye was touched up: both are read and compared.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import erf

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.color import ColorReading, delta_e_2000, read_color
from vision.eye_paint import LUMA, EyePaint, Strip, eye_calibration, lab_of, lay_strip, lit_as, relative
from vision.face_reading import FaceReading, read_face, refuse
from vision.face_view import FaceView
from vision.locate.places import FacePlace
from vision.paint_names import name_line
from vision.photo import Photo
from vision.second_opinion import combine
from vision.traits import Reason, Region, Trait, TraitRecord

TRAIT = Trait.EYELINER_COLOR
METHOD = "eyeliner/4"
STATES = ("blue", "brown", "black", "none", "other")

#: A face narrower than this (px of the original) has no readable liner.
LEAST_FACE_PX = 55.0

#: Thickness in face widths from which a black band is more than a lash line (from memory of such dolls).
BLACK_WIDTH = 0.0152

#: No liner is thinner than this, in face widths (from memory of such dolls).
LEAST_WIDTH = 0.009

#: Share of the skin's light that reaches dark paint beside it by blur, the lens and the vinyl below (a guess
#: between a hundredth and some hundredths, from memory of veiling glare).
VEIL = 0.02

#: Uncertainty that mirrored surroundings leave in each channel of dark paint, as a share of the skin's light:
#: Fresnel reflection of lacquer is 4 %, surroundings are dimmer than the lamp and differ in color by a part.
GLOSS = 0.015

#: Share of the rim, from its middle to its ends, along which color and width are read.
CORNERS = 0.8

#: Distance (of logarithms) from all that skin and white mix to, from which a color is paint whatever its
#: lightness: mixed light and yellowed white stay below a third (a guess).
VIVID = 0.4

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
    core is paint and not blur, 0–1; ``blur`` the photo's blur at the eye in face widths (standard deviation);
    ``footing`` the share of its columns that rest on white paint, ``topped`` that of columns with white above
    them; ``length`` that of the rim in face widths.
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
    blur: float
    footing: float = 0.0
    topped: float = 0.0
    length: float = 0.0
    bounded: float = 1.0

    @property
    def trust(self) -> float:
        """How far the band is where a liner must be, 0.3–1.

        What does not rest on white, has white above it or is as thick as an iris is wide may be iris or
        shade.
        """
        rests = float(np.clip((self.footing - 0.1) / 0.3, 0, 1))
        ends = float(np.clip(1.5 - 2 * self.topped, 0, 1))
        return 0.3 + 0.7 * rests * ends * float(np.clip((0.085 - self.width) / 0.02, 0, 1))


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
    eyes = reading.eyes
    if not eyes:
        return _withheld(Reason.NOT_LOCATED, "No painted eye was found; send a sharp photo from the front.")
    white = eye_calibration(eyes, cal)
    found = [
        (band, eye) for band, eye in zip(find_bands(reading, white), eyes, strict=True) if band.seen > 0.55
    ]
    if not found:
        return _withheld(
            Reason.OCCLUDED, "Hair or shadow covers the lids; send a photo with the fringe held back."
        )
    # A card tells what white is, but the eyes may lie in other shade: their own white tells how light.
    results = [_judge(band, lit_as(eye, white)) for band, eye in found]
    return _combine(reading, [band for band, _ in found], results, white)


def find_bands(reading: FaceReading, white: Calibration) -> list[Band]:
    """Find the painted bands of all eyes of a face that has skin, as ``reading.eyes`` orders them."""
    assert reading.skin is not None
    seen = reading.chance("eyeliner", "lash")
    return [
        find_band(reading.view, lay_strip(reading.view, reading.skin, eye), eye, white, seen)
        for eye in reading.eyes
    ]


def find_band(
    view: FaceView, strip: Strip, eye: EyePaint, cal: Calibration, seen: Array | None = None
) -> Band:
    """Find the painted band that lies on the upper rim, in the strip above it.

    Parameters
    ----------
    view, strip, eye, cal
        The upright face, the surroundings of the rim laid straight, the eye, and what white is.
    seen
        (H, W) how probable a network holds paint of liner or lashes, 0–1: what it holds to be hair or shade
        is left out where it sees a band. None where no network looked.
    """
    strip = _along_the_rim(strip)
    unit, rim = view.unit, strip.rim_row
    painted = _painted(strip, eye)
    # A rim fitted to white alone may lie too low under a broad iris.
    gap = round((0.012 if eye.seen else 0.02) * unit)
    band = _attached(painted & _where_seen(strip, seen, unit), rim, gap=gap, reach=round(0.012 * unit))
    band[:rim] = False
    heights = band.sum(axis=0) * strip.step
    covered = heights > 0.004 * unit
    # At the corners lie wings, and the shade of the nose beside them.
    between = np.abs(np.linspace(-1, 1, len(heights))) < CORNERS
    coverage = float(covered.mean())
    above = slice(rim + 1, rim + round(0.05 * unit))
    bare_seen = (~painted)[above].mean(axis=0) > 0.25
    told = float((covered | bare_seen).mean())
    mask = _to_view(view, strip, band)
    blur = eye.edge_px * view.scale / unit
    length = float(np.ptp(eye.rim[:, 0])) / unit
    if coverage < 0.25 or not np.any(covered & between):
        return Band(0.0, 0.0, coverage, told, np.empty((0, 3)), np.ones(3), 0.0, mask, 0, blur, length=length)
    usable, bounded = _mostly(covered & between, _ends_by_itself(band, painted))
    # The band tapers: color is read where it is thick, leaving out columns with hair or wings in them.
    usual = float(np.quantile(heights[usable], 0.75))
    thick = usable & (heights >= 0.6 * usual) & (heights <= 1.8 * usual)
    # Where the rim was fitted too low the iris reaches into the band: prefer columns that rest on white.
    thick, footing = _mostly(thick, _rests_on_white(strip, band, eye, unit))
    profile, bare = _profile(strip, band, thick)
    width_px = usual / view.scale
    sigma = float(np.hypot(eye.edge_px, 0.6))
    # Blur, and color stored at half the resolution, reach into the band from both its edges.
    edge = float(np.clip((1.3 * sigma + 0.7) / width_px, 0.1, 0.42))
    core = _core(profile, np.median(bare, axis=0), cal, edge)
    # A line of width w under a blur of σ reaches erf(w / (2√2 σ)) of its own color in the middle.
    return Band(
        width=float(np.median(heights[usable])) / unit,
        width_px=width_px,
        coverage=coverage,
        seen=told,
        core=core,
        bare=np.median(bare, axis=0),
        solid=erf(0.6 * width_px / (2.83 * sigma)),
        mask=mask,
        n_pixels=view.original_pixels(mask),
        blur=blur,
        footing=footing,
        topped=float(_white_above(strip, band, eye, unit)[thick].mean()),
        length=length,
        bounded=bounded,
    )


def _painted(strip: Strip, eye: EyePaint) -> Mask:
    """Tell paint from bare skin: what is much darker, or of another color than skin and white mix to."""
    light, warmth, green = _level(*relative(strip.linear, strip.skin), strip)
    dark = light < -0.55
    tinted = (np.hypot(warmth, green) > 0.45) & (light < -0.25)
    # Light paint that is warmer than skin cannot be told from blush on the lid.
    vivid = (_unlike_skin_and_white(warmth, green, strip, eye) > VIVID) & (warmth < 0)
    return np.asarray(dark | tinted | vivid)


def _mostly(columns: Mask, better: Mask) -> tuple[Mask, float]:
    """Return those of some columns that are better, where that is a fifth or more, and the share that is."""
    both = columns & better
    share = float(both.sum()) / max(1, int(columns.sum()))
    return (both if share >= 0.2 else columns), share


def _ends_by_itself(band: Mask, painted: Mask) -> Mask:
    """Tell for each column whether bare skin follows above the band: hair or shade may lengthen it."""
    rows = np.arange(band.shape[0])[:, None]
    top = np.where(band, rows, 0).max(axis=0)
    after = np.minimum(top + 1, band.shape[0] - 1)
    return np.asarray(~painted[after, np.arange(band.shape[1])])


def _unlike_skin_and_white(warmth: Array, green: Array, strip: Strip, eye: EyePaint) -> Array:
    """How far a sample's color lies from all that skin and the white of the eye mix to, as logarithms.

    Light paint may be as bright as skin: its color alone tells it, and from white too.
    """
    bare = strip.skin[strip.rim_row].mean(axis=0)
    _, to_warm, to_green = (float(v) for v in relative(eye.white_rgb, bare))
    length = max(to_warm**2 + to_green**2, 1e-6)
    # White paint varies: what lies a little beyond it is still white.
    t = np.clip((warmth * to_warm + green * to_green) / length, 0, 1.2)
    return np.asarray(np.hypot(warmth - t * to_warm, green - t * to_green))


def _where_seen(strip: Strip, seen: Array | None, unit: float) -> Mask:
    """Where a band may lie: all over, or around the one that a network sees along most of the rim."""
    everywhere = np.ones(strip.x.shape, bool)
    if seen is None:
        return everywhere
    laid = cv2.remap(seen.astype(np.float32), strip.x, strip.y, cv2.INTER_LINEAR)
    found = laid > 0.3
    if found.any(axis=0).mean() < 0.5:
        return everywhere
    # The network sees coarsely, so its band may end a little higher than it says.
    size = 2 * max(1, round(0.008 * unit)) + 1
    return cv2.dilate(found.astype(np.uint8), np.ones((size, size), np.uint8)).astype(bool)


def _along_the_rim(strip: Strip) -> Strip:
    """Smooth along the rim, where paint changes slowly: noise goes, the line's thickness stays."""
    smooth = cv2.GaussianBlur(strip.linear, (0, 0), sigmaX=2.5, sigmaY=1e-3)
    return replace(strip, linear=np.asarray(smooth, np.float64))


def _rests_on_white(strip: Strip, band: Mask, eye: EyePaint, unit: float) -> Mask:
    """Tell for each column whether white paint, or an eye that was seen whole, lies right below the band."""
    below = eye.aperture if eye.seen else eye.white
    height, width = below.shape
    ys = np.clip(np.round(strip.y).astype(int), 0, height - 1)
    xs = np.clip(np.round(strip.x).astype(int), 0, width - 1)
    white = below[ys, xs]
    low = np.where(band.any(axis=0), band.argmax(axis=0), 0)
    rows = np.arange(band.shape[0])[:, None]
    return np.asarray((white & (rows < low[None]) & (rows >= low[None] - 0.014 * unit)).any(axis=0))


def _white_above(strip: Strip, band: Mask, eye: EyePaint, unit: float) -> Mask:
    """Tell for each column whether what follows above the band is nearer to white paint than to skin."""
    rows = np.arange(band.shape[0])[:, None]
    top = np.where(band, rows, 0).max(axis=0)
    after = (rows > top + 0.006 * unit) & (rows <= top + 0.02 * unit)
    light, warmth, _ = relative(strip.linear, np.broadcast_to(eye.white_rgb, strip.linear.shape))
    _, skin, _ = relative(strip.skin, np.broadcast_to(eye.white_rgb, strip.skin.shape))
    white = after & (np.abs(light) < 0.45) & (warmth < 0.5 * skin)
    return np.asarray(white.sum(axis=0) > 0.5 * after.sum(axis=0))


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


def _core(profile: Array, bare: Array, cal: Calibration, edge: float) -> Array:
    """Choose the height at which the band shows its own color; (N, 3) linear pixels.

    A lash line may run along the rim and blur mixes skin in within ``edge`` (a share of the height) of both
    edges, so the band is read a little above its middle; a level that is farther from all that skin, black
    and white can mix to goes before.
    """
    medians = np.median(profile, axis=1)
    color = np.convolve([mixing_distance(m, bare, cal) for m in medians], np.ones(3) / 3, "same")
    steps = (np.arange(FRACTIONS) + 0.5) / FRACTIONS
    inner = np.flatnonzero((steps >= edge) & (steps <= 1 - edge))
    inner = inner[(inner > 0) & (inner < FRACTIONS - 1)]
    middle = int(np.clip(round(0.58 * FRACTIONS), inner[0], inner[-1]))
    level = int(inner[np.argmax(color[inner])])
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
        return _unseen(band), None
    core = _without_gloss(band.core)
    mean = np.median(core, axis=0)
    spread = np.cov(core.T) if len(core) > 3 else np.diag((0.1 * mean + 0.002) ** 2)
    few = float(np.clip(len(core) / 8, 2, band.n_pixels / 6 + 2))
    # What blur leaves of the skin in the core is not known better than about half of itself.
    left = 0.5 * (1 - band.solid) * (band.bare - mean)
    # Light that skin and lens spread over dark paint, of about the skin's color, and color that the file
    # smears into narrow lines: half of what is likely is taken off, and it is known no better than that.
    veil = VEIL * band.bare
    smeared = float(np.exp(-band.width_px / 3.5))
    smear = smeared * (band.bare * float(mean @ LUMA / (band.bare @ LUMA)) - mean)
    # Gloss mirrors the surroundings, of whatever color, at some 4 % of their light.
    gloss = GLOSS * float(band.bare @ LUMA) * np.asarray(cal.neutral_rgb)
    unknown = np.outer(left, left) + np.outer(veil, veil) + np.outer(smear, smear) + np.diag(gloss**2)
    noise = spread / few + 2e-6 * np.eye(3)
    color = read_color(np.maximum(mean - veil, 0.3 * mean), noise + unknown, cal)
    names = name_line(read_color(mean, noise, cal), band.bare, 1 - band.solid, smeared, cal)
    out = {name: names[name] for name in ("blue", "brown", "black", "other")}
    # Where blur has mixed in about as much skin as paint, nobody knows how much: it is what parts the two.
    mixed = 1 - float(np.clip((band.solid - 0.5) / 0.25, 0, 1))
    even = 0.5 * (out["brown"] + out["black"])
    out |= {name: (1 - mixed) * out[name] + mixed * even for name in ("brown", "black")}
    # Where the blur is wider than the line, a lash line and a brown one look alike.
    resolved = float(np.clip((band.solid - 0.7) / 0.25, 0, 1) * np.clip((band.width_px - 2.5) / 2.5, 0, 1))
    dark = float(1 / (1 + np.exp(-(band.width - BLACK_WIDTH) / 0.0035)))
    dark = 0.5 + (dark - 0.5) * min(1.0, 0.3 + band.solid) * min(1.0, band.bounded / 0.2)
    out["none"] = out["black"] * (1 - dark)
    out["black"] *= dark
    # A lash line that looks brown may be one, and what is thinner than any liner is one, or the lid's shade.
    slim = float(np.clip((LEAST_WIDTH - band.width) / 0.003, 0, 1))
    thin = (1 - resolved) * (1 - dark) * (0.6 + 0.35 * slim)
    out["none"] += thin * (out["brown"] + out["other"])
    out["brown"], out["other"] = (1 - thin) * out["brown"], (1 - thin) * out["other"]
    return _soften(out, band.trust), color


def _without_gloss(core: Array) -> Array:
    """Leave out (N, 3) pixels that shine: gloss only adds light, and no shade halves it along one lid."""
    luma = core @ LUMA
    return core[luma <= 2 * np.quantile(luma, 0.25)]


def _unseen(band: Band) -> dict[str, float]:
    """Probabilities where no band was made out: as far as the photo is sharp enough to show one, none."""
    sharp = float(np.clip((0.012 - band.blur) / 0.005, 0, 1))
    traces = float(np.clip((band.coverage - 0.08) / 0.2, 0, 1))
    none = 0.4 + 0.45 * sharp * (1 - 0.5 * traces)
    rest = 1 - none
    return {"none": none, "black": 0.35 * rest, "brown": 0.25 * rest, "blue": 0.2 * rest, "other": 0.2 * rest}


def _combine(
    reading: FaceReading,
    bands: list[Band],
    results: list[tuple[dict[str, float], ColorReading | None]],
    cal: Calibration,
) -> TraitRecord:
    """Join both eyes to one record."""
    # Of a turned head the far eye is narrow, and little of its paint is seen from the front.
    weights = np.array([(b.coverage * b.solid * b.trust + 0.1) * b.length**2 for b in bands])
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
    probabilities, said = combine(probabilities, reading.opinion("eyeliner"))
    flags += [said] if said else []
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
