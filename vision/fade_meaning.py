"""What a step from covered to exposed vinyl means: in numbers, as a probability of fade, in words.

How a dealer would be misled: by a shadow, a second lamp or bounced light offered as fade; by yellowed vinyl
offered as faded; by an evenly faded doll, which shows no line, offered as fresh. Hence what light could make
is not called fade, which side was covered stays open where yellow alone differs, and a doll without a line is
called unfaded with that remark.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision.calibration import Calibration
from vision.color import delta_e_2000, delta_e_f, grey_scale_rating, linear_to_lab
from vision.fade_step import Difference
from vision.locate.places import LinePlace
from vision.traits import Quantity

Array = NDArray[np.float64]

#: A difference below this is not called fade: just noticeable in museum light-fading work
#: (Heritage Science 2022, 10.1186/s40494-022-00767-6).
JUST_NOTICEABLE = 1.7
#: Fade changes brightness too: where a person named both sides, less is asked for at equal brightness.
NOTICEABLE_LEVEL = 0.7 * JUST_NOTICEABLE

# A line that nobody pointed at is believed from this probability on; from the second on where light of
# another color could part vinyl so: cast shadows, second lamps and bounced light are common.
_SURE_LOCATED, _SURE_BESIDE_LIGHT = 0.6, 0.7
# How sure the absence of a line makes of "not faded": an evenly faded doll has none either.
_LEAST_SURE, _UNMARKED = 0.5, 0.75
# The probability of fade where something else could as well have made the step.
_OPEN = (0.45, 0.55)

#: Relative error of a color difference through an unknown tone curve or exposure, from the slopes that real
#: charts show in phone photos.
_U_TONE = 0.12


# --- numbers ------------------------------------------------------------------------------------------


def labs(
    found: Difference, step: Array, cal: Calibration, cast: ArrayLike = (0.0, 0.0), gain: float = 0.0
) -> tuple[Array, Array]:
    """Return CIELAB (D65) of covered and exposed vinyl.

    Parameters
    ----------
    found
        What was compared.
    step
        (3,) exposed minus covered, as ``found.log``.
    cal
        White reference of the photo.
    cast, gain
        (2,) what white is off by in ln(r/g) and ln(b/g), and exposure in ln.
    """
    red, blue = np.asarray(cast, np.float64)
    covered = found.covered * np.exp([red, 0.0, blue]) * math.exp(gain)
    exposed = covered * np.exp([step[0], 0.0, step[1]])
    exposed *= covered.mean() * math.exp(step[2]) / exposed.mean()
    first, second = linear_to_lab(cal.apply(np.stack([covered, exposed])))
    return first, second


def quantities_of(found: Difference, cal: Calibration) -> dict[str, Quantity]:
    """Return the contract's quantities of a step; each input's uncertainty is propagated alone."""
    nominal = numbers(*labs(found, found.log, cal))
    moved = [numbers(*labs(found, found.log + step, cal)) for step in np.diag(found.u)]
    # ln(b/g) moves the color of white by 57 ΔE*ab a unit, ln(r/g) by 40 (computed), darker colors by less.
    white = cal.u_delta_e / 60
    moved += [numbers(*labs(found, found.log, cal, cast)) for cast in np.diag([white, white])]
    moved.append(numbers(*labs(found, found.log, cal, gain=cal.u_exposure)))
    u = np.sqrt(np.square(np.array(moved) - nominal).sum(axis=0))
    if cal.tone is None:
        u = np.hypot(u, _U_TONE * np.abs(nominal))
    u[0] = unfolded(nominal[0], u[0], u[1:4])
    return named(nominal, u)


def numbers(covered: Array, exposed: Array) -> Array:
    """Return (5,) ΔE00, ΔL*, Δa*, Δb* and the continuous gray-scale grade (ISO 105-A05) of (3,) CIELAB."""
    grade = float(grey_scale_rating(delta_e_f(covered, exposed)))
    return np.array([float(delta_e_2000(covered, exposed)), *(exposed - covered), grade])


def named(values: Array, u: ArrayLike) -> dict[str, Quantity]:
    """Return what :func:`numbers` returned as the contract's quantities, with their (5,) uncertainties."""
    names = ("delta_e00", "delta_L", "delta_a", "delta_b", "grey_scale_grade")
    pairs = zip(names, values, np.asarray(u, np.float64), strict=True)
    return {name: Quantity(float(v), float(s)) for name, v, s in pairs}


def unfolded(value: float, u: float, u_parts: Array) -> float:
    """Return the uncertainty of a ΔE00: near zero, where it folds, that of its (3,) parts."""
    return max(u, 0.7 * float(np.sqrt(np.square(u_parts).sum()))) if value < 2 * u else u


def either_way(quantities: dict[str, Quantity]) -> dict[str, Quantity]:
    """Return the quantities with the doubt that both sides may be taken for each other, one chance in two.

    A value v is then right or off by -2 v: root mean square √2 |v|. ΔE00 and the grade do not depend on it.
    """
    signed = {name: quantities[name] for name in ("delta_L", "delta_a", "delta_b")}
    return quantities | {
        name: Quantity(q.value, math.hypot(q.u, math.sqrt(2) * abs(q.value))) for name, q in signed.items()
    }


# --- probability --------------------------------------------------------------------------------------


def probability(
    found: Difference, line: LinePlace, cal: Calibration, quantities: dict[str, Quantity]
) -> tuple[float, list[str]]:
    """Return the probability of fade, and flags on what speaks against it.

    Where a person named both sides, the difference decides. A line that was located must also be one: its
    probability goes along, and the smallness of a step that nobody pointed at says nothing, since its sides
    may be any two spots. Where no line shows between vinyl that something else takes for covered and the
    rest, ``none`` is as sure as that.
    """
    flags = []
    located = "step" in line.flags
    differs = _differs_probability(found, cal, JUST_NOTICEABLE if located else NOTICEABLE_LEVEL)
    if _light_instead(found):
        flags.append("two_lights")
        differs = min(differs, max(_OPEN))
    if "no_step" in line.flags:
        return (0.5 if differs > 0.3 else 1 - 0.5 * _LEAST_SURE - 0.5 * line.confidence * _UNMARKED), flags
    if not located:
        return 0.5 + (differs - 0.5) * min(1.0, line.confidence + 0.1 if line.confidence else 1.0), flags
    if not _fades_so(found, quantities):
        flags.append("unlike_fade")
        differs = min(differs, max(_OPEN))
    if _only_yellow(found, cal):
        flags.append("side_unsure")
    p = line.confidence * differs
    doubtful = "side_unsure" in flags or _along_light(found)
    sure = p > (_SURE_BESIDE_LIGHT if doubtful else _SURE_LOCATED)
    return (p if sure else float(np.clip(p, *_OPEN))), flags


def _differs_probability(found: Difference, cal: Calibration, least: float) -> float:
    """Return the probability that the two sides differ noticeably in what light cannot change.

    That part is ΔE00 at equal brightness, which must exceed ``least``: a shadow changes a* and b* too, but
    not the channels' ratios.
    """
    level = _level(found)
    value = float(delta_e_2000(*labs(found, level, cal)))
    colors = np.diag(found.u)[:2]
    moved = [float(delta_e_2000(*labs(found, level + step, cal))) - value for step in colors]
    return float(np.clip(phi((value - least) / math.hypot(1.5 * math.hypot(*moved), 0.4)), 0.04, 0.97))


def phi(z: float) -> float:
    """Return the standard normal distribution function at ``z``."""
    return 0.5 * (1 + math.erf(z / math.sqrt(2)))


def _level(found: Difference) -> Array:
    """Return the (3,) step as it would be at equal brightness."""
    return found.log * (1, 1, 0)


def _light_instead(found: Difference) -> bool:
    """Tell whether the step looks like a second light or a colored shadow rather than other vinyl.

    Light that turns bluer or yellower moves ln(r/g) and ln(b/g) in opposite ways, red with brightness; and a
    step of brightness far from what fading makes is a shadow's.
    """
    x, y, brightness = found.log
    another_lamp = _along_light(found) and abs(y) > 0.06 and abs(x) > 0.3 * abs(y)
    return bool(found.surprise > 0.2 or (another_lamp and x * brightness > 0 and abs(brightness) > 0.2))


def _along_light(found: Difference) -> bool:
    """Tell whether the color differs the way in which lamps and daylight do: redder and less blue, or back.

    From 2700 K to 12,000 K ln(r/g) changes by -0.6 to -0.8 of what ln(b/g) does (computed from
    :func:`vision.color.neutral_rgb_of`).
    """
    x, y, _ = found.log
    return bool(x * y < 0 and abs(x) < 1.2 * abs(y))


def _fades_so(found: Difference, quantities: dict[str, Quantity]) -> bool:
    """Tell whether a located step is one that fading makes: compared side by side, and not into the darker.

    A color step that nobody pointed at may also be bounced light near a garment or a second lamp.
    """
    lightness = quantities["delta_L"]
    return found.beside and lightness.value > -max(1.0, lightness.u)


def _only_yellow(found: Difference, cal: Calibration) -> bool:
    """Tell whether the sides differ in b* far more than in a*, at equal brightness.

    Light that takes red out of vinyl tells the sides apart. Yellow may be lost in light or come with age, so
    that nothing in its color tells which side was covered. Judged in CIELAB: yellow alone, b* by 5, moves
    ln(r/g) by a quarter of what it moves ln(b/g).
    """
    covered, exposed = labs(found, _level(found), cal)
    _, a, b = np.abs(exposed - covered)
    return bool(a < 0.35 * b)


# --- words --------------------------------------------------------------------------------------------


def sentence(p: float, quantities: dict[str, Quantity], grade: str, flags: Sequence[str] = ()) -> str:
    """Say what was found.

    Parameters
    ----------
    p
        Probability of fade.
    quantities
        As :func:`quantities_of`.
    grade
        The gray-scale grade in words of the standard.
    flags
        Of the record.
    """
    e = quantities["delta_e00"]
    size = f"ΔE00 {e.value:.1f} ± {e.u:.1f}"
    rated = f"{size}, gray scale {grade} (a textile scale; vinyl is not textile)"
    if "side_unsure" in flags and p > 0.5:
        return (
            f"Vinyl on one side of a line is yellower than on the other: {rated}. Which side was covered is "
            "a guess: vinyl may lose yellow in light or turn yellow with age: name both sides with a regions "
            "file if you know."
        )
    if "no_step" in flags:
        return (
            f"No clothing line shows on the bare vinyl ({size} between what clothing covers and the rest). A "
            "doll that faded evenly, never dressed, would look so too."
        )
    if p < 0.5:
        return f"Covered and exposed vinyl look alike ({size})."
    signed = [quantities[f"delta_{c}"] for c in "Lab"]
    words = direction(np.array([q.value for q in signed]), [q.u for q in signed])
    return f"Exposed vinyl is {words} than vinyl under the clothing: {rated}."


def direction(delta: Array, u: Sequence[float]) -> str:
    """Say in a dealer's words how exposed vinyl differs from covered vinyl.

    Parameters
    ----------
    delta
        (3,) L*, a*, b* of exposed minus covered.
    u
        Their standard uncertainties: what lies within them is not named.
    """
    pairs = (("paler", "darker"), ("pinker", "less pink"), ("yellower", "less yellow"))
    named = [
        (abs(float(d)), up if d > 0 else down)
        for d, s, (up, down) in zip(delta, u, pairs, strict=True)
        if abs(d) > max(0.8, s)
    ]
    if not named:
        return "slightly different"
    words = [word for _, word in sorted(named, reverse=True)]
    if delta[1] < -0.8 and delta[2] < -0.8:
        words = [w for w in words if w not in ("less pink", "less yellow")] + ["grayer"]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]
