"""White reference: color chart ▸ gray card ▸ painted eye white ▸ scene estimate ▸ none.

Each gives what a neutral surface reads in the photo and how far that can be trusted. Errors are kept as
ln(r/g) and ln(b/g), where white-balance errors are additive and nearly normal.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.calibration import Calibration
from vision.card import CardReading, find_card, read_even
from vision.chart import EDITION, ChartFit, find_chart
from vision.color import lab_to_linear, linear_to_lab, luminance, neutral_rgb_of, srgb_to_linear
from vision.locate.places import FacePlace
from vision.photo import Photo
from vision.traits import Polygon, Region

Array = NDArray[np.float64]

#: Aged painted eye white, CIELAB D65: slightly yellow. Assumed, from memory of aged paint; no source.
EYE_WHITE_LAB = (88.0, 0.0, 6.0)
_U_EYE_WHITE_LOG = (0.03, 0.10)

# What doll photos show (vinyl, hair, wood, cloth) is warmer than gray on average. Half of what rendered
# photos with known light suggest, since real scenes vary more.
_WARMTH_LOG = np.array([0.15, -0.08])

#: What the gray card in a photo is taken to reflect: by far the most common one (common practice, no source).
CARD_REFLECTANCE = 0.18
#: Cards sold as gray reflect from this to that (common practice, no source).
COMMON_CARDS = (0.12, 0.36)
#: Standard uncertainty of ln(reflectance) of an unknown card: root mean square about the assumed value of a
#: rectangular distribution of ln(reflectance) between those limits (GUM, JCGM 100:2008, 4.3.7 and F.2.4.5).
U_CARD_REFLECTANCE = float(
    np.sqrt(
        (np.log(COMMON_CARDS[1] / CARD_REFLECTANCE) ** 3 - np.log(COMMON_CARDS[0] / CARD_REFLECTANCE) ** 3)
        / (3 * np.log(COMMON_CARDS[1] / COMMON_CARDS[0]))
    )
)
# A card's stated reflectance, and gloss that adds to it.
_U_TOLD = 0.05

# Relative uncertainty of a tone curve's slope at mid gray: real charts in phone photos show 0.7 to 1.3.
_U_SLOPE = 0.1

# Relative uncertainty of a chart's neutral, times the distance of its patches in pixels: 2 % at 14 px.
_U_SMALL_PATCH = 0.28

#: What phones and cameras leave of the light's color: ln(r/g), ln(b/g) spread of a white balance that errs.
_U_BALANCE_LOG = np.array([0.17, 0.24])


def estimate(
    photo: Photo,
    hint: Region | None = None,
    faces: Sequence[FacePlace] = (),
    *,
    cards: bool = True,
    card_reflectance: float | None = None,
) -> Calibration:
    """Return the best white reference that the photo offers.

    Parameters
    ----------
    photo
        The photo; its full pixels are measured.
    hint
        A place the user points at: a chart or card the search may miss, or any neutral surface.
    faces
        Located faces; the painted white of their eyes serves when no chart or card is in view.
    cards
        False when a person says that there is no chart and no card, whatever looks like one.
    card_reflectance
        What the gray card reflects (0–1), when a person said so. A photo cannot tell; only lightness rests
        on it.

    Returns
    -------
    Calibration
        Never raises on odd pictures; the worst case is method ``"none"`` with a large uncertainty.
    """
    if not photo.once("colored", lambda: _has_color(photo)):
        return Calibration(
            method="none",
            u_delta_e=_u_delta_e(_U_BALANCE_LOG),
            notes=(
                "The photo is black and white: every gray in it looks neutral, so none says what white is.",
            ),
        )
    notes: list[str] = []
    if hint is not None and hint.polygons:
        pointed = _from_hint(photo, hint, notes, card_reflectance)
        if pointed is not None:
            return pointed
    scene = photo.once("scene", lambda: _scene(photo))
    guess, u_guess = (np.zeros(2), _U_BALANCE_LOG) if scene is None else scene
    if cards:
        search = photo.once("chart", lambda: find_chart(photo.rgb))
        if search.fit is not None:
            return _from_chart(search.fit, notes)
        notes += search.refused
        card, refused = photo.once("card", lambda: find_card(photo.rgb, guess, u_guess))
        if card is not None and not _is_a_patch(card, search.grids):
            return _from_card(card, notes, card_reflectance)
        notes += refused
    painted = _from_eyes(photo, faces, guess, u_guess, notes)
    if painted is not None:
        return painted
    if scene is not None:
        return _from_scene(*scene, notes)
    return Calibration(
        method="none",
        u_delta_e=_u_delta_e(_U_BALANCE_LOG),
        notes=(
            *notes,
            "Nothing in view says what is white; the photo's own white balance is taken as it is.",
        ),
    )


# --- chart and card ------------------------------------------------------------------------------------


def _from_chart(fit: ChartFit, notes: Sequence[str]) -> Calibration:
    # As for a card; the chart shows the curve, but saturation that the camera adds to a cast stays.
    cast = np.log(np.asarray(fit.neutral_rgb)[[0, 2]])
    u_log = np.sqrt(np.square(fit.u_log_neutral) + 0.02**2 + (0.7 * _U_SLOPE * cast) ** 2)
    # A patch's mean rests on pixels, and on JPEG's blocks of color, in proportion to the square of its width.
    u_log = np.hypot(u_log, _U_SMALL_PATCH / fit.pitch_px)
    flags = list(fit.flags)
    if {"mixed_light", "reflection"} & set(flags):
        u_log = np.hypot(u_log, 0.05)
    u = float(np.hypot(_u_delta_e(u_log), 0.5 * fit.residual_mean))
    return Calibration(
        method="color_chart",
        neutral_rgb=fit.neutral_rgb,
        u_delta_e=u,
        exposure=fit.exposure,
        u_exposure=float(np.hypot(0.04, 0.5 * float(np.std(fit.shade)))),
        matrix=fit.matrix,
        tone=fit.tone,
        haze=fit.haze,
        region=Region.from_arrays([fit.corners]),
        residual_mean=fit.residual_mean,
        residual_max=fit.residual_max,
        flags=tuple(flags),
        notes=(
            *notes,
            f"Color chart read against: {EDITION}. After the fit ΔE00 is {fit.residual_mean:.1f} on average "
            f"and {fit.residual_max:.1f} at worst; colors cannot be trusted more finely than that.",
        ),
    )


def _from_card(
    card: CardReading, notes: Sequence[str], told: float | None, *, pointed_at: bool = False
) -> Calibration:
    """Take a neutral surface for white; ``told`` is what it reflects, when a person said so."""
    neutral = card.linear / card.linear[1]
    # The card's own tint, colored surroundings mirrored in it, JPEG's coarse steps of color, and a tone
    # curve that a lone card cannot show.
    u_log = np.sqrt(card.u_log[[0, 2]] ** 2 + 0.035**2 + (_U_SLOPE * np.log(neutral[[0, 2]])) ** 2)
    if set(card.flags) & {"mixed_light", "reflection", "clipped_channel"}:
        u_log = np.hypot(u_log, 0.03)
    shown = float(luminance(card.linear / neutral))
    exposure: float | None = (CARD_REFLECTANCE if told is None else told) / shown
    u_reflectance = U_CARD_REFLECTANCE if told is None else _U_TOLD
    if told is not None:
        said = (
            f"The gray card reflects {100 * told:.0f} %, as you say, and is taken to be neutral within 2 %."
        )
    elif pointed_at:
        exposure, u_reflectance = None, 0.3
        said = "The place you pointed at is taken to be neutral; how bright it is, is not known."
    else:
        low, typical, high = (100 * r for r in (COMMON_CARDS[0], CARD_REFLECTANCE, COMMON_CARDS[1]))
        said = (
            f"A gray card is taken to be neutral within 2 % and to reflect {typical:.0f} %. Common cards "
            f"reflect {low:.0f} % to {high:.0f} %, which no photo tells: lightness, and chroma with it, is "
            "that uncertain until a regions file says card_reflectance. Hue does not depend on it."
        )
    return Calibration(
        method="grey_card",
        neutral_rgb=(float(neutral[0]), 1.0, float(neutral[2])),
        u_delta_e=_u_delta_e(u_log),
        exposure=exposure,
        u_exposure=u_reflectance if exposure is None else float(np.hypot(u_reflectance, card.u_log[1])),
        region=Region.from_arrays([card.corners]),
        flags=card.flags,
        notes=(*notes, said),
    )


def _is_a_patch(card: CardReading, grids: Sequence[Array]) -> bool:
    """Tell whether a plain gray area is but one field of a refused grid: another chart, a check, a tile."""
    x, y = (float(v) for v in card.corners.mean(axis=0))
    size = cv2.contourArea(card.corners.astype(np.float32))
    return any(
        cv2.pointPolygonTest(grid.astype(np.float32), (x, y), False) >= 0
        and size < 0.2 * cv2.contourArea(grid.astype(np.float32))
        and _parallel(card.corners, grid)
        for grid in grids
    )


def _parallel(corners: Array, grid: Array) -> bool:
    """Tell whether two quadrilaterals lie the same way, within 12°: a card thrown on tiles seldom does."""
    turns = []
    for quad in (corners, grid):
        edges = np.roll(quad, -1, axis=0) - quad
        # Four times the angle: all four sides of a rectangle point the same way.
        turns.append(np.angle((np.exp(4j * np.arctan2(edges[:, 1], edges[:, 0]))).sum()) / 4)
    off = float(np.degrees(turns[0] - turns[1]))
    return abs((off + 45) % 90 - 45) < 12


def _from_hint(photo: Photo, hint: Region, notes: list[str], told: float | None) -> Calibration | None:
    """Use what the user points at: a chart near there, else the place itself as a neutral surface."""
    x0, y0, x1, y1 = hint.bounds
    margin = 0.15 * max(x1 - x0, y1 - y0)
    left, top = max(0, int(x0 - margin)), max(0, int(y0 - margin))
    cut = photo.rgb[top : int(y1 + margin) + 1, left : int(x1 + margin) + 1]
    if min(cut.shape[:2]) < 8:
        notes.append("The place you pointed at lies outside the photo.")
        return None
    search = find_chart(np.ascontiguousarray(cut))
    if search.fit is not None:
        fit = _from_chart(search.fit, notes)
        moved = Region.from_arrays([search.fit.corners + np.array([left, top])])
        return dataclasses.replace(fit, region=moved)
    pixels = _inside(photo, hint.polygons)
    if len(pixels) < 40:
        notes.append("The place you pointed at holds too few pixels to tell its color.")
        return None
    side = int(np.sqrt(len(pixels)))
    order = pixels[: side * side].reshape(side, side, 3)
    card, why = read_even(order, np.asarray(hint.polygons[0], float), strict=False)
    if card is None:
        notes.append(why)
        return None
    return dataclasses.replace(_from_card(card, notes, told, pointed_at=True), region=hint)


def _inside(photo: Photo, polygons: Sequence[Polygon]) -> NDArray[np.uint8]:
    """Return the (N, 3) pixels inside polygons."""
    outlines = [np.round(np.asarray(polygon)).astype(np.int32) for polygon in polygons]
    points = np.concatenate(outlines)
    origin = np.maximum(points.min(axis=0), 0)
    (x0, y0), (x1, y1) = origin, np.maximum(points.max(axis=0) + 1, 0)
    cut = photo.rgb[y0:y1, x0:x1]
    mask = np.zeros(cut.shape[:2], np.uint8)
    for outline in outlines if mask.size else ():
        cv2.fillPoly(mask, [outline - origin], 1)
    return cut[mask > 0]


# --- eye white -----------------------------------------------------------------------------------------


def _from_eyes(
    photo: Photo, faces: Sequence[FacePlace], guess: Array, u_guess: Array, notes: list[str]
) -> Calibration | None:
    """Take the painted white of the eyes for aged white, if both eyes agree and the scene does not object."""
    casts, places = [], []
    for face in faces:
        for eye in (face.left_eye, face.right_eye):
            cast = _eye_cast(photo, eye)
            if cast is not None:
                casts.append(cast)
                places.append(np.asarray(eye, float))
    if not casts:
        return None
    white = lab_to_linear(EYE_WHITE_LAB)
    assumed = np.log(white[[0, 2]] / white[1])
    each = np.array(casts) - assumed
    found = np.median(each, axis=0)
    disagree = np.ptp(each, axis=0) / 2 if len(each) > 1 else np.array([0.06, 0.06])
    u = np.sqrt(np.square(_U_EYE_WHITE_LOG) + np.square(disagree) + 0.03**2)
    if (np.abs(found - guess) > 2.5 * np.hypot(u, u_guess)).any():
        notes.append("The white of the eyes is too strongly colored for this light to serve as white.")
        return None
    weight = 1 / u**2 + 1 / u_guess**2
    mixed = (found / u**2 + guess / u_guess**2) / weight
    flags = ("eyes_disagree",) if disagree.max() > 0.12 else ()
    return Calibration(
        method="eye_white",
        neutral_rgb=(float(np.exp(mixed[0])), 1.0, float(np.exp(mixed[1]))),
        u_delta_e=_u_delta_e(1 / np.sqrt(weight)),
        region=Region.from_arrays(places),
        flags=flags,
        notes=(
            *notes,
            "The painted white of the eyes is taken for slightly yellowed white (b* about 6); if the "
            "paint is yellower or whiter than that, all colors shift with it. A gray card would settle it.",
        ),
    )


def _eye_cast(photo: Photo, eye: Polygon) -> Array | None:
    """Return (2,) ln(r/g), ln(b/g) of the eye's white: its brightest even part, without glints."""
    if len(eye) < 3:
        return None
    pixels = _inside(photo, (eye,))
    if len(pixels) < 120:
        return None
    linear = srgb_to_linear(pixels)
    level = luminance(linear)
    top = float(np.quantile(level, 0.97))
    white = (level > 0.6 * top) & (level < 1.05 * top) & (pixels < 252).all(axis=1)
    if white.sum() < max(40, 0.05 * len(pixels)) or float(np.quantile(level, 0.1)) > 0.6 * top:
        return None
    tint = np.log(np.maximum(linear[white], 1e-4))
    tint = (tint - tint[:, 1:2])[:, [0, 2]]
    middle = np.median(tint, axis=0)
    if (1.4826 * np.median(np.abs(tint - middle), axis=0) > 0.15).any():
        return None
    return np.asarray(middle, np.float64)


# --- scene ---------------------------------------------------------------------------------------------


def _has_color(photo: Photo) -> bool:
    """Tell whether a place of the reduced photo is other than gray, by more than rounding and JPEG leave."""
    small, _ = photo.small
    view = cv2.resize(small, None, fx=0.4, fy=0.4, interpolation=cv2.INTER_AREA)
    return bool((np.ptp(view.astype(int), axis=2) > 3).any())


def _scene(photo: Photo) -> tuple[Array, Array] | None:
    """Return ln(r/g), ln(b/g) of neutral as the whole picture suggests, and standard uncertainties.

    Gray world (Buchsbaum 1980, 10.1016/0016-0032(80)90058-7), max-RGB, shades of gray (Finlayson and Trezzi
    2004) and gray edge (van de Weijer et al. 2007, 10.1109/TIP.2007.901808), each a guess that fails on
    pictures full of one color, drawn to the line of blackbody and daylight colors and to the camera's own
    white balance. None when the picture has no color or hardly a usable pixel.
    """
    small, _ = photo.small
    view = np.asarray(cv2.resize(small, None, fx=0.4, fy=0.4, interpolation=cv2.INTER_AREA), np.uint8)
    usable = (view < 250).all(axis=2) & (view.max(axis=2) > 12)
    if usable.mean() < 0.05 or not (np.ptp(view.astype(int), axis=2) > 3).any():
        return None
    linear = srgb_to_linear(view)
    guesses = np.array([_ratio(g) for g in _guesses(linear, usable)])
    middle = np.median(guesses, axis=0) - _WARMTH_LOG
    spread = guesses.std(axis=0)
    u_seen = np.sqrt(spread**2 + np.square([0.15, 0.22]))
    weight = 1 / u_seen**2 + 1 / _U_BALANCE_LOG**2
    drawn = middle / u_seen**2 / weight
    on_line = _toward_locus(drawn)
    return on_line, np.sqrt(1 / weight)


def _guesses(linear: Array, usable: NDArray[np.bool_]) -> list[Array]:
    pixels = linear[usable]
    smooth = cv2.GaussianBlur(linear, (0, 0), 2)
    edges = np.abs(cv2.Sobel(smooth, cv2.CV_64F, 1, 0)) + np.abs(cv2.Sobel(smooth, cv2.CV_64F, 0, 1))
    steps = edges[usable]
    return [
        pixels.mean(axis=0),
        np.cbrt(np.sqrt(((pixels * pixels * pixels) ** 2).mean(axis=0))),
        np.quantile(smooth[usable], 0.98, axis=0),
        np.cbrt(np.sqrt(((steps * steps * steps) ** 2).mean(axis=0))),
        steps.mean(axis=0),
    ]


def _ratio(rgb: Array) -> Array:
    rgb = np.maximum(rgb, 1e-6)
    return np.log(rgb[[0, 2]] / rgb[1])


@cache
def _locus_direction() -> Array:
    """Return the unit vector in ln(r/g), ln(b/g) along which light changes from 4,000 K to 7,500 K."""
    line = np.log(neutral_rgb_of(4000) / neutral_rgb_of(7500))
    step = np.array([line[0] - line[1], line[2] - line[1]])
    return step / np.hypot(*step)


def _toward_locus(cast: Array) -> Array:
    """Halve the green–magenta part: light sources err along blackbody and daylight, tubes a little beside."""
    along = _locus_direction()
    on = along * float(cast @ along)
    return on + 0.4 * (cast - on)


def _from_scene(cast: Array, u: Array, notes: Sequence[str]) -> Calibration:
    return Calibration(
        method="scene",
        neutral_rgb=(float(np.exp(cast[0])), 1.0, float(np.exp(cast[1]))),
        u_delta_e=_u_delta_e(u),
        notes=(
            *notes,
            "No white reference is in view; white is guessed from the whole picture and may be well off. "
            "A photo with a plain gray card beside the doll would settle it.",
        ),
    )


@cache
def _grey_slopes() -> tuple[float, float]:
    """Return ΔE*ab of a mid gray (L* 50) for a relative change of 1 in red and in blue."""
    grey = lab_to_linear([50.0, 0.0, 0.0])
    step = 1e-3
    moves = []
    for k in (0, 2):
        change = np.ones(3)
        change[k] += step
        moves.append(float(np.linalg.norm(linear_to_lab(grey * change) - linear_to_lab(grey))) / step)
    return moves[0], moves[1]


def _u_delta_e(u_log: Array) -> float:
    """Return the ΔE by which a mid gray moves for errors of ln(r/g) and ln(b/g), in quadrature."""
    red, blue = _grey_slopes()
    return float(np.hypot(red * u_log[0], blue * u_log[1]))
