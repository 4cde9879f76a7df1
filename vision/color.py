"""Color spaces, differences, hue on a circle, color names and the gray-scale grade.

Everything is CIELAB under D65, 2° observer, relative to the sRGB white, in float64. Reference libraries
serve as oracles in the tests only. Arrays hold colors in their last axis.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision.calibration import Calibration
from vision.traits import Quantity

Array = NDArray[np.float64]

# IEC 61966-2-1:1999 primaries with the D65 white; the inverse is computed, so that round trips close.
_RGB_TO_XYZ = np.array(
    [
        [0.4123907992659595, 0.3575843393838780, 0.1804807884018343],
        [0.2126390058715104, 0.7151686787677559, 0.0721923153607337],
        [0.0193308187155918, 0.1191947797946259, 0.9505321522496608],
    ]
)
_XYZ_TO_RGB = np.linalg.inv(_RGB_TO_XYZ)
#: XYZ of the white, Y = 1.
WHITE = _RGB_TO_XYZ.sum(axis=1)
_PER_WHITE = np.diag(1 / WHITE)

_DELTA = 6 / 29  # CIE 15:2004, the linear part of L*a*b* near black

# L* = 116 f(Y) - 16, a* = 500 (f(X) - f(Y)), b* = 200 (f(Y) - f(Z)).
_F_TO_LAB = np.array([[0.0, 116.0, 0.0, -16.0], [500.0, -500.0, 0.0, 0.0], [0.0, 200.0, -200.0, 0.0]])

_CODES = np.arange(256) / 255.0
_TABLE = np.where(_CODES <= 0.04045, _CODES / 12.92, ((_CODES + 0.055) / 1.055) ** 2.4)


def srgb_to_linear(srgb: NDArray[Any]) -> Array:
    """Return linear light, 0–1, of sRGB values (IEC 61966-2-1:1999).

    Parameters
    ----------
    srgb
        Any shape. uint8 codes (0–255, by table) or floats 0–1; negative floats are mirrored.
    """
    if np.asarray(srgb).dtype == np.uint8:
        codes = np.asarray(srgb)
        # OpenCV's table is ten times as fast as indexing; it does not take empty or scalar arrays.
        return _by_table(codes) if codes.size and codes.ndim else np.asarray(_TABLE[codes])
    value = np.abs(np.asarray(srgb, np.float64))
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return np.copysign(light, srgb)


def _by_table(codes: NDArray[np.uint8]) -> Array:
    flat = np.ascontiguousarray(codes).reshape(codes.shape[0], -1)
    return np.asarray(cv2.LUT(flat, _TABLE), np.float64).reshape(codes.shape)


def _mapped(values: ArrayLike, matrix: Array) -> Array:
    """Return ``matrix`` (3 rows of 3, or of 4 with an offset) applied to the last axis of (..., 3) values."""
    given = np.asarray(values, np.float64)
    if given.size < 3000:
        return np.asarray(given @ matrix[:, :3].T + matrix[:, 3:].sum(axis=1))
    flat = np.ascontiguousarray(given).reshape(-1, 1, 3)
    return np.asarray(cv2.transform(flat, matrix), np.float64).reshape(given.shape)


def linear_to_srgb(linear: NDArray[Any]) -> Array:
    """Return sRGB values (floats, 0–1 for light 0–1) of linear light; negative light is mirrored."""
    value = np.abs(np.asarray(linear, np.float64))
    code = np.where(value <= 0.0031308, value * 12.92, 1.055 * value ** (1 / 2.4) - 0.055)
    return np.copysign(code, linear)


def linear_to_xyz(linear: ArrayLike) -> Array:
    """Return XYZ (Y = 1 for white) of (..., 3) linear sRGB."""
    return _mapped(linear, _RGB_TO_XYZ)


def xyz_to_linear(xyz: ArrayLike) -> Array:
    """Return linear sRGB, not clipped, of (..., 3) XYZ (Y = 1 for white)."""
    return _mapped(xyz, _XYZ_TO_RGB)


def xyz_to_lab(xyz: ArrayLike) -> Array:
    """Return CIELAB (L* 0–100) of (..., 3) XYZ relative to D65 (CIE 15:2004)."""
    ratio = _mapped(xyz, _PER_WHITE)
    f = np.cbrt(ratio)
    near_black = ratio <= _DELTA**3
    if near_black.any():
        np.copyto(f, ratio / (3 * _DELTA**2) + 4 / 29, where=near_black)
    return _mapped(f, _F_TO_LAB)


def lab_to_xyz(lab: ArrayLike) -> Array:
    """Return XYZ (Y = 1 for white) of (..., 3) CIELAB."""
    lightness, a, b = np.moveaxis(np.asarray(lab, np.float64), -1, 0)
    fy = (lightness + 16) / 116
    f = np.stack([fy + a / 500, fy, fy - b / 200], axis=-1)
    return np.where(f > _DELTA, f**3, 3 * _DELTA**2 * (f - 4 / 29)) * WHITE


def linear_to_lab(linear: ArrayLike) -> Array:
    """Return CIELAB of (..., 3) linear sRGB."""
    return xyz_to_lab(linear_to_xyz(linear))


def lab_to_linear(lab: ArrayLike) -> Array:
    """Return linear sRGB, not clipped, of (..., 3) CIELAB."""
    return xyz_to_linear(lab_to_xyz(lab))


def srgb_to_lab(srgb: NDArray[Any]) -> Array:
    """Return CIELAB of (..., 3) sRGB: uint8 codes or floats 0–1."""
    return linear_to_lab(srgb_to_linear(srgb))


def lab_to_srgb8(lab: ArrayLike) -> NDArray[np.uint8]:
    """Return the nearest sRGB codes of (..., 3) CIELAB; colors outside sRGB are clipped."""
    code = linear_to_srgb(np.clip(lab_to_linear(lab), 0, 1))
    return np.rint(code * 255).astype(np.uint8)


def luminance(linear: ArrayLike) -> Array:
    """Return relative luminance Y of (..., 3) linear sRGB."""
    return np.asarray(linear, np.float64) @ _RGB_TO_XYZ[1]


# -- hue ------------------------------------------------------------------------------------------


def chroma(lab: ArrayLike) -> Array:
    """Return C*ab of (..., 3) CIELAB."""
    values = np.asarray(lab, np.float64)
    return np.hypot(values[..., 1], values[..., 2])


def hue_deg(lab: ArrayLike) -> Array:
    """Return the hue angle hab in degrees, [0, 360). Meaningless at low chroma: gate on chroma."""
    values = np.asarray(lab, np.float64)
    return np.degrees(np.arctan2(values[..., 2], values[..., 1])) % 360.0


def hue_difference(first: ArrayLike, second: ArrayLike) -> Array:
    """Return first − second in degrees, the short way round, in [−180, 180)."""
    return (np.asarray(first, np.float64) - np.asarray(second, np.float64) + 180.0) % 360.0 - 180.0


def circular_mean_deg(angles: ArrayLike, weights: ArrayLike | None = None) -> tuple[float, float]:
    """Return the mean direction of angles and their circular standard deviation, both in degrees.

    The deviation is √(−2 ln R), R the resultant length (Mardia & Jupp, Directional Statistics, 2000,
    section 2.3; from memory). It is infinite when the angles cancel out; the mean is NaN-free but
    meaningless then.

    Raises
    ------
    ValueError
        When there are no angles or the weights sum to zero.
    """
    radians = np.radians(np.asarray(angles, np.float64).ravel())
    weight = np.ones_like(radians) if weights is None else np.asarray(weights, np.float64).ravel()
    if radians.size == 0 or weight.sum() <= 0:
        raise ValueError("a circular mean needs at least one angle with weight")
    vector = np.sum(weight * np.exp(1j * radians)) / weight.sum()
    length = min(1.0, float(abs(vector)))
    spread = float(np.degrees(np.sqrt(max(0.0, -2 * np.log(length))))) if length > 1e-12 else float("inf")
    return float(np.degrees(np.angle(vector)) % 360.0), spread


# -- differences ----------------------------------------------------------------------------------


def delta_e_ab(first: ArrayLike, second: ArrayLike) -> Array:
    """Return ΔE*ab (CIE 1976) of (..., 3) CIELAB pairs."""
    difference = np.asarray(first, np.float64) - np.asarray(second, np.float64)
    return np.sqrt(np.sum(difference**2, axis=-1))


def delta_e_2000(first: ArrayLike, second: ArrayLike) -> Array:
    """Return ΔE00 (CIEDE2000, kL = kC = kH = 1) of (..., 3) CIELAB pairs.

    Meant for differences up to about 5; larger ones rank, they do not scale. Written from Sharma, Wu &
    Dalal (2005), 10.1002/col.20070, equations 2–22.
    """
    l1, a1, b1 = np.moveaxis(np.asarray(first, np.float64), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(second, np.float64), -1, 0)

    c_mean7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    stretch = 1.5 - 0.5 * np.sqrt(c_mean7 / (c_mean7 + 25.0**7))
    a1, a2 = a1 * stretch, a2 * stretch
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360
    colored = c1 * c2 > 0

    turn = np.where(colored, h2 - h1, 0.0)
    turn = np.where(turn > 180, turn - 360, np.where(turn < -180, turn + 360, turn))
    d_l, d_c = l2 - l1, c2 - c1
    d_h = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn) / 2)

    h_sum = h1 + h2
    wrapped = np.where(h_sum < 360, h_sum + 360, h_sum - 360)
    h_mean = np.where(colored, np.where(np.abs(h1 - h2) <= 180, h_sum, wrapped) / 2, h_sum)
    l_mean, c_mean = (l1 + l2) / 2, (c1 + c2) / 2

    t = (
        1
        - 0.17 * np.cos(np.radians(h_mean - 30))
        + 0.24 * np.cos(np.radians(2 * h_mean))
        + 0.32 * np.cos(np.radians(3 * h_mean + 6))
        - 0.20 * np.cos(np.radians(4 * h_mean - 63))
    )
    s_l = 1 + 0.015 * (l_mean - 50) ** 2 / np.sqrt(20 + (l_mean - 50) ** 2)
    s_c = 1 + 0.045 * c_mean
    s_h = 1 + 0.015 * c_mean * t
    rotation = -np.sin(np.radians(60 * np.exp(-(((h_mean - 275) / 25) ** 2)))) * 2
    rotation = rotation * np.sqrt(c_mean**7 / (c_mean**7 + 25.0**7))
    x, y, z = d_l / s_l, d_c / s_c, d_h / s_h
    return np.sqrt(np.maximum(0.0, x**2 + y**2 + z**2 + rotation * y * z))


def delta_e_f(first: ArrayLike, second: ArrayLike) -> Array:
    """Return ΔE_F of ISO 105-A05, the difference behind the gray-scale rating, of (..., 3) CIELAB.

    The weighting is from memory; the grade curve agrees with the table of ISO 105-A02:1993.
    """
    one, two = np.asarray(first, np.float64), np.asarray(second, np.float64)
    c1, c2 = chroma(one), chroma(two)
    h1, h2 = hue_deg(one), hue_deg(two)
    d_l, d_c = two[..., 0] - one[..., 0], c2 - c1
    turn = hue_difference(h2, h1)
    d_h = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn) / 2)
    c_mean = (c1 + c2) / 2
    h_mean = (h1 + turn / 2) % 360
    off = np.abs(h_mean - 280)
    x = (np.where(off <= 180, off, 360 - off) / 30) ** 2
    d = d_c * c_mean * np.exp(-x) / 100
    c_f = (d_c - d) / (1 + (20 * c_mean / 1000) ** 2)
    h_f = (d_h - d) / (1 + (10 * c_mean / 1000) ** 2)
    return np.sqrt(d_l**2 + c_f**2 + h_f**2)


def grey_scale_rating(difference: ArrayLike) -> Array:
    """Return the gray-scale rating, 5 (no change) down to 1, continuous, of ΔE_F (ISO 105-A05)."""
    value = np.asarray(difference, np.float64)
    steep = 5 - np.log2(np.maximum(value, 0.85) / 0.85)
    return np.maximum(1.0, np.where(value <= 3.4, 5 - value / 1.7, steep))


_CLASS_LIMITS = (0.40, 1.25, 2.10, 2.95, 4.10, 5.80, 8.20, 11.60)
_CLASSES = ("5", "4-5", "4", "3-4", "3", "2-3", "2", "1-2", "1")


def grey_scale_class(difference: float) -> str:
    """Return the grade in words of the standard, ``"5"``, ``"4-5"`` … ``"1"``, of ΔE_F (ISO 105-A05)."""
    return _CLASSES[sum(difference >= limit for limit in _CLASS_LIMITS)]


def ita_deg(lab: ArrayLike) -> Array:
    """Return the individual typology angle, arctan((L* − 50) / b*), in degrees.

    Used to check arithmetic only: it is no scale of tone for vinyl. Infinite slopes give ±90.
    """
    values = np.asarray(lab, np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.degrees(np.arctan((values[..., 0] - 50) / values[..., 2]))


# -- light ----------------------------------------------------------------------------------------


def blackbody_xy(kelvin: ArrayLike) -> Array:
    """Return the chromaticity (x, y) of a blackbody, 1,000–15,000 K.

    Rational fit of Krystek (1985), 10.1002/col.5080100109; off by about 1e-4 in u, v.
    """
    t = np.asarray(kelvin, np.float64)
    u = (0.860117757 + 1.54118254e-4 * t + 1.28641212e-7 * t**2) / (
        1 + 8.42420235e-4 * t + 7.08145163e-7 * t**2
    )
    v = (0.317398726 + 4.22806245e-5 * t + 4.20481691e-8 * t**2) / (
        1 - 2.89741816e-5 * t + 1.61456053e-7 * t**2
    )
    scale = 2 * u - 8 * v + 4
    return np.stack([3 * u / scale, 2 * v / scale], axis=-1)


def daylight_xy(kelvin: ArrayLike) -> Array:
    """Return the chromaticity (x, y) of CIE daylight, 4,000–25,000 K (CIE 15:2004)."""
    t = np.asarray(kelvin, np.float64)
    low = -4.6070e9 / t**3 + 2.9678e6 / t**2 + 0.09911e3 / t + 0.244063
    high = -2.0064e9 / t**3 + 1.9018e6 / t**2 + 0.24748e3 / t + 0.237040
    x = np.where(t <= 7000, low, high)
    return np.stack([x, -3 * x**2 + 2.870 * x - 0.275], axis=-1)


def xy_to_neutral_rgb(xy: ArrayLike) -> Array:
    """Return the linear sRGB of a white surface under a light of chromaticity (x, y), green = 1."""
    x, y = np.moveaxis(np.asarray(xy, np.float64), -1, 0)
    rgb = xyz_to_linear(np.stack([x / y, np.ones_like(y), (1 - x - y) / y], axis=-1))
    return rgb / rgb[..., 1:2]


def neutral_rgb_of(kelvin: ArrayLike) -> Array:
    """Return the linear sRGB, green = 1, of a white surface under a light of that color temperature.

    Blackbody below 4,000 K, daylight above 5,000 K, a blend between (their chromaticities differ by about
    0.01 there).
    """
    t = np.asarray(kelvin, np.float64)
    share = np.clip((t - 4000) / 1000, 0, 1)[..., None]
    warm, cold = blackbody_xy(t), daylight_xy(np.maximum(t, 4000))
    return xy_to_neutral_rgb((1 - share) * warm + share * cold)


@cache
def _locus() -> tuple[Array, Array]:
    kelvin = 1e6 / np.linspace(1e6 / 15000, 1e6 / 1500, 400)
    return kelvin, _xy_to_uv(blackbody_xy(kelvin))


def _xy_to_uv(xy: Array) -> Array:
    scale = -2 * xy[..., 0] + 12 * xy[..., 1] + 3
    return np.stack([4 * xy[..., 0] / scale, 6 * xy[..., 1] / scale], axis=-1)


def cct_of(neutral_rgb: ArrayLike) -> tuple[float, float]:
    """Return the correlated color temperature in kelvin and the distance from the blackbody line.

    Parameters
    ----------
    neutral_rgb
        (3,) linear sRGB of a neutral surface.

    Returns
    -------
    Temperature, limited to 1,500–15,000 K, and Duv in CIE 1960 u, v: positive toward green, negative
    toward magenta (ANSI C78.377, from memory).
    """
    xyz = linear_to_xyz(neutral_rgb)
    uv = _xy_to_uv(xyz[:2] / xyz.sum())
    kelvin, locus = _locus()
    nearest = int(np.argmin(np.hypot(*(locus - uv).T)))
    distance = float(np.hypot(*(uv - locus[nearest])))
    return float(kelvin[nearest]), float(np.copysign(distance, uv[1] - locus[nearest, 1]))


# -- a color with its uncertainty -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ColorReading:
    """A surface color under D65 with its covariance.

    Attributes
    ----------
    lab
        (3,) CIELAB.
    covariance
        (3, 3) of L*, a*, b* (k = 1).
    """

    lab: Array
    covariance: Array

    @property
    def chroma(self) -> float:
        """C*ab."""
        return float(chroma(self.lab))

    @property
    def hue(self) -> float:
        """hab in degrees, [0, 360)."""
        return float(hue_deg(self.lab))

    @property
    def u_lab(self) -> Array:
        """(3,) standard uncertainties of L*, a*, b*."""
        return np.sqrt(np.maximum(0.0, np.diag(self.covariance)))

    @property
    def u_chroma(self) -> float:
        """Standard uncertainty of C*ab; that of the a*, b* plane where the chroma is lost in it."""
        return (
            float(np.sqrt(self._along(self.lab[1:]))) if self.chroma > 1e-9 else float(self.u_lab[1:].max())
        )

    @property
    def u_hue(self) -> float:
        """Standard uncertainty of hab in degrees; at most 104, which is "any hue" (360/√12)."""
        if self.chroma <= 1e-9:
            return _ANY_HUE
        across = np.array([-self.lab[2], self.lab[1]])
        return min(_ANY_HUE, float(np.degrees(np.sqrt(self._along(across)) / self.chroma)))

    def widened(self, other: ColorReading) -> ColorReading:
        """Return this reading with the doubt that another one of the same paint casts on it.

        Half the squared distance of two readings is the variance of either (GUM, JCGM 100:2008, 4.2, n = 2).
        """
        apart = np.asarray(other.lab, np.float64) - self.lab
        return ColorReading(self.lab, self.covariance + np.outer(apart, apart) / 2)

    def _along(self, direction: Array) -> float:
        unit = direction / np.hypot(*direction)
        return max(0.0, float(unit @ self.covariance[1:, 1:] @ unit))

    def quantities(self) -> dict[str, Quantity]:
        """Return the contract's color quantities."""
        u_l, u_a, u_b = (float(u) for u in self.u_lab)
        return {
            "hue_deg": Quantity(self.hue, self.u_hue, "deg"),
            "chroma": Quantity(self.chroma, self.u_chroma),
            "lightness": Quantity(float(self.lab[0]), u_l),
            "lab_L": Quantity(float(self.lab[0]), u_l),
            "lab_a": Quantity(float(self.lab[1]), u_a),
            "lab_b": Quantity(float(self.lab[2]), u_b),
        }


_ANY_HUE = 360 / 12**0.5


#: How much more or less light falls on a surface than on the reference: standard uncertainty of the natural
#: logarithm. For a chart or card: 0.34, what matte surfaces get that face the camera within 40° as the card
#: does, the main light anywhere within 75° of the camera, a fifth to three fifths of it ambient; and 0.2 for
#: a lamp three to six times as far off as the card is from the doll. Eyes lie in sockets; without a reference
#: the camera's exposure follows whatever lies around the doll: both from rendered tuning photos.
U_ELSEWHERE: Mapping[str, float] = {"color_chart": 0.4, "grey_card": 0.4, "eye_white": 0.35, "scene": 0.5}

#: What a camera's rendering leaves of a color whose white is right, where no chart shows it: standard
#: uncertainty of chroma, relative, and of hue, in radians (4.6°). Five charts in real phone photos, brought
#: to white by their gray patches alone: chroma scattered by 0.18, hue was off by 4° (median).
_U_RENDERED: Mapping[str, tuple[float, float]] = {
    "grey_card": (0.15, 0.08),
    "eye_white": (0.15, 0.08),
    "scene": (0.15, 0.08),
}


def read_color(linear_rgb: ArrayLike, covariance: ArrayLike, calibration: Calibration) -> ColorReading:
    """Return the surface color of a mean pixel with all uncertainty that is known.

    Six parts add up: the covariance of the mean; the steps of an 8-bit file, within which a flat surface may
    lie anywhere; the white reference, as independent relative errors of the red and the blue channel, sized
    so that a mid gray (L* 50) moves by ``u_delta_e``; the exposure, as one relative error of all channels;
    that the surface faces the light otherwise, or stands nearer to it, than the reference does
    (:data:`U_ELSEWHERE`); and what the camera makes of chroma and hue, which a chart shows as the residual of
    its fit. So a dark color suffers less from a wrong white than a light one, as it does in a photo.

    Parameters
    ----------
    linear_rgb
        (3,) mean linear RGB of the photo, 0–1.
    covariance
        (3, 3) of that mean (not of the single pixels; neighbors are correlated, so divide the pixels'
        covariance by fewer than their number).
    calibration
        The photo's white reference.
    """
    mean = np.asarray(linear_rgb, np.float64)
    lab = linear_to_lab(calibration.apply(mean))
    noise = _slope(mean, calibration, np.eye(3))
    total = noise @ (np.asarray(covariance, np.float64) + _rounded(mean)) @ noise.T

    red, blue = np.diag([1.0, 0, 0]), np.diag([0, 0, 1.0])
    sigma = calibration.u_delta_e / _shift_of_grey()
    for channel in (red, blue):
        move = _slope(mean, calibration, channel @ np.diag(mean)).sum(axis=1)
        total = total + sigma**2 * np.outer(move, move)
    move = _slope(mean, calibration, np.diag(mean)).sum(axis=1)
    total = total + _rendered(lab, calibration)
    elsewhere = U_ELSEWHERE.get(calibration.method, 0.0)
    total = total + (calibration.u_exposure**2 + elsewhere**2) * np.outer(move, move)
    return ColorReading(lab=lab, covariance=(total + total.T) / 2)


def _rendered(lab: Array, calibration: Calibration) -> Array:
    """Return the (3, 3) covariance of L*, a*, b* from the camera's own rendering of colors.

    Where a chart was fitted, a color in between its patches is off by what the fit leaves on them: a third of
    the squared mean ΔE00 in each of lightness, chroma and hue, weighted as CIEDE2000 weights them.
    """
    size = float(chroma(lab))
    along = np.array([0.0, *lab[1:]]) / size if size > 1e-9 else np.array([0.0, 1.0, 0.0])
    across = np.array([0.0, -along[2], along[1]])
    if calibration.residual_mean is not None:
        left = calibration.residual_mean / 3**0.5
        parts = (
            left * np.array([1.0, 0.0, 0.0]),
            left * (1 + 0.045 * size) * along,
            left * (1 + 0.015 * size) * across,
        )
    else:
        u_chroma, u_hue = _U_RENDERED.get(calibration.method, (0.0, 0.0))
        parts = (np.zeros(3), u_chroma * size * along, u_hue * size * across)
    return np.asarray(sum(np.outer(part, part) for part in parts), np.float64)


def _rounded(mean: Array) -> Array:
    """Return the (3, 3) covariance that rounding to 8-bit sRGB leaves: a step's width ÷ √12 a channel.

    GUM, JCGM 100:2008, F.2.2.1.
    """
    code = linear_to_srgb(np.clip(mean, 0.0, 1.0))
    step = srgb_to_linear(np.minimum(code + 0.5 / 255, 1.0)) - srgb_to_linear(
        np.maximum(code - 0.5 / 255, 0.0)
    )
    return np.diag(step**2 / 12)


def _slope(mean: Array, calibration: Calibration, steps: Array) -> Array:
    """d Lab / d step for each column of ``steps``, by central differences (3, n).

    Where the calibration takes away all the light there is (haze), nothing would change with a small step:
    the slope is taken just above that.
    """
    size = 1e-4
    mean = np.maximum(mean, np.asarray(calibration.haze) + size * np.abs(steps).max(axis=1))
    columns = []
    for step in steps.T:
        high = linear_to_lab(calibration.apply(mean + size * step))
        low = linear_to_lab(calibration.apply(mean - size * step))
        columns.append((high - low) / (2 * size))
    return np.stack(columns, axis=1)


@cache
def _shift_of_grey() -> float:
    """ΔE of a mid gray (L* 50) for a relative error of 1 in red and of 1 in blue, added in quadrature."""
    grey = lab_to_linear([50.0, 0.0, 0.0])
    plain = Calibration(u_delta_e=0.0)
    moves = [_slope(grey, plain, np.diag(grey * on)).sum(axis=1) for on in ([1, 0, 0], [0, 0, 1])]
    return float(np.sqrt(sum(float(move @ move) for move in moves)))


# -- names ----------------------------------------------------------------------------------------

#: All names that :func:`hue_name` can give.
COLOR_NAMES = (
    "black", "gray", "white", "red", "pink", "orange", "brown", "yellow", "green", "turquoise", "blue",
    "purple",
)  # fmt: skip


def name_colors(lab: ArrayLike) -> NDArray[np.str_]:
    """Return the plain name of each (..., 3) CIELAB color.

    The windows follow the centroids of the ISCC-NBS families (Kelly & Judd, NBS SP 440, 1976) in LCh:
    blue 225–305° so that purplish and screen blues count; turquoise 180–225°; browns are dark and middling
    oranges and yellows; red turns pink near L* 60. Near-black is told from a dark color by a chroma of 5–6,
    which is less than most photos' error: use :func:`hue_name`, which carries that error.
    """
    values = np.asarray(lab, np.float64)
    lightness, c, h = values[..., 0], chroma(values), hue_deg(values)
    neutral = c < np.interp(lightness, [20, 50, 80], [5.5, 9.0, 7.0])
    warm = (h < 84) & (h >= 22)
    vivid = c > np.interp(lightness, [40, 70], [60, 48])
    rosy = (h >= 351) | (h < 45)
    rules: list[tuple[NDArray[np.bool_], str]] = [
        (neutral & (lightness < 25), "black"),
        (neutral & (lightness < 82), "gray"),
        (neutral, "white"),
        (warm & (h >= 40) & vivid & (lightness >= 45), "orange"),
        (((h >= 355) | (h < 40)) & vivid & (lightness < 66), "red"),
        (rosy & (lightness >= 60), "pink"),
        ((h >= 345) | (h < 29), "red"),
        (warm & (lightness < 66), "brown"),
        (warm & (h < 69), "pink"),
        ((h < 115) & (lightness < 45), "brown"),
        (h < 115, "yellow"),
        (h < 180, "green"),
        (h < 225, "turquoise"),
        (h < 305, "blue"),
    ]
    return np.select([rule for rule, _ in rules], [name for _, name in rules], default="purple")


def name_reading(reading: ColorReading) -> dict[str, float]:
    """Return the probability of each color name, likeliest first, given the reading's uncertainty.

    The normal distribution of the reading is replaced by 1,331 points of equal weight at its quantiles,
    so the result is the same in every run.
    """
    points = reading.lab + _normal_points() @ _square_root(reading.covariance).T
    names, counts = np.unique(name_colors(points), return_counts=True)
    ranked = sorted(zip(counts.tolist(), names.tolist(), strict=True), reverse=True)
    return {name: count / len(points) for count, name in ranked}


def hue_name(
    lightness: float, chroma: float, hue: float, *, u_lightness: float, u_chroma: float, u_hue: float
) -> dict[str, float]:
    """Return the probability of each color name for L*, C*, hab with their standard uncertainties.

    ``hue`` and ``u_hue`` are degrees. The hue's uncertainty acts across the chroma: at low chroma it
    moves the color little, and a color that may be neutral is told so.
    """
    direction = np.radians(hue)
    along = np.array([0.0, np.cos(direction), np.sin(direction)])
    across = np.array([0.0, -np.sin(direction), np.cos(direction)])
    up = np.array([1.0, 0.0, 0.0])
    u_across = chroma * np.radians(min(u_hue, _ANY_HUE))
    covariance = sum(
        (
            u**2 * np.outer(axis, axis)
            for u, axis in ((u_lightness, up), (u_chroma, along), (u_across, across))
        ),
        np.zeros((3, 3)),
    )
    return name_reading(ColorReading(lab=lightness * up + chroma * along, covariance=covariance))


def pool(names: Mapping[str, float], *members: str) -> float:
    """Return the summed probability of several names."""
    return float(sum(names.get(member, 0.0) for member in members))


@cache
def _normal_points() -> Array:
    """(1331, 3) points of equal weight with mean 0 and variance 1 on each axis."""
    from statistics import NormalDist

    line = np.array([NormalDist().inv_cdf((i + 0.5) / 11) for i in range(11)])
    line /= line.std()
    return np.stack(np.meshgrid(line, line, line, indexing="ij"), -1).reshape(-1, 3)


def _square_root(covariance: Array) -> Array:
    """Matrix S with S Sᵀ = covariance, for covariances that may be singular."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
