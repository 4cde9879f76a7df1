"""Color arithmetic of this renderer: linear sRGB under D65, CIELAB, CIEDE2000 and the color of light.

All colors are float64 linear sRGB (1 = perfect white) unless a name says otherwise.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

Floats = np.ndarray[Any, np.dtype[np.floating[Any]]]

# IEC 61966-2-1:1999
RGB_TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
XYZ_TO_RGB = np.linalg.inv(RGB_TO_XYZ)
WHITE_D65 = RGB_TO_XYZ @ np.ones(3)
XY_D50 = (0.34570291, 0.3585386)

# xyY under D50 of a 24-patch chart, row by row: the chart maker's published values for charts made after
# November 2014, as tabulated in the package colour-science, rounded to five places.
CHART_XYY = np.array(
    [
        [0.43748, 0.37852, 0.09832],
        [0.42225, 0.37249, 0.33620],
        [0.27615, 0.29838, 0.17855],
        [0.37332, 0.45117, 0.13468],
        [0.30289, 0.28629, 0.22872],
        [0.28640, 0.38972, 0.41436],
        [0.52815, 0.40533, 0.31264],
        [0.23239, 0.21120, 0.10911],
        [0.50445, 0.32706, 0.18900],
        [0.33347, 0.25055, 0.06277],
        [0.39889, 0.50415, 0.43318],
        [0.49358, 0.44428, 0.42934],
        [0.20522, 0.16867, 0.05596],
        [0.32304, 0.51042, 0.22334],
        [0.56287, 0.33556, 0.12780],
        [0.46776, 0.47602, 0.59930],
        [0.42131, 0.26692, 0.18951],
        [0.20913, 0.30266, 0.18061],
        [0.34891, 0.36421, 0.88069],
        [0.34558, 0.35988, 0.58997],
        [0.34415, 0.35919, 0.36487],
        [0.34577, 0.35909, 0.19062],
        [0.34265, 0.35758, 0.08817],
        [0.34377, 0.35606, 0.03151],
    ]
)


def xyy_to_xyz(xyy: Floats) -> Floats:
    """Return XYZ of xyY rows, shape (…, 3)."""
    x, y, luminance = np.moveaxis(np.asarray(xyy, float), -1, 0)
    return np.stack([x / y * luminance, luminance, (1 - x - y) / y * luminance], -1)


def chart_linear_rgb() -> Floats:
    """Return the 24 patches as linear sRGB, shape (24, 3), adapted from D50 by Bradford, clipped to 0–1."""
    bradford = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
    d50 = xyy_to_xyz(np.array([*XY_D50, 1.0]))
    adapt = np.linalg.inv(bradford) @ np.diag((bradford @ WHITE_D65) / (bradford @ d50)) @ bradford
    return np.clip(xyy_to_xyz(CHART_XYY) @ (XYZ_TO_RGB @ adapt).T, 0, 1)


def rgb_to_lab(rgb: Floats) -> Floats:
    """Return CIELAB (D65) of linear sRGB, shape (…, 3) (CIE 15:2018)."""
    ratio = np.asarray(rgb, float) @ RGB_TO_XYZ.T / WHITE_D65
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(np.maximum(ratio, 1e-9)), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], -1)


def lab_to_rgb(lab: Floats | tuple[float, float, float]) -> Floats:
    """Return linear sRGB of CIELAB (D65), not clipped."""
    lab = np.asarray(lab, float)
    fy = (lab[..., 0] + 16) / 116
    f = np.stack([fy + lab[..., 1] / 500, fy, fy - lab[..., 2] / 200], -1)
    xyz = np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29)) * WHITE_D65
    return xyz @ XYZ_TO_RGB.T


def delta_e00(one: Floats, two: Floats) -> float:
    """Return CIEDE2000 of two CIELAB colors (ISO/CIE 11664-6:2014)."""
    (l1, a1, b1), (l2, a2, b2) = np.asarray(one, float), np.asarray(two, float)
    mean_c = (math.hypot(a1, b1) + math.hypot(a2, b2)) / 2
    g = 0.5 * (1 - math.sqrt(mean_c**7 / (mean_c**7 + 25.0**7)))
    a1, a2 = a1 * (1 + g), a2 * (1 + g)
    c1, c2 = math.hypot(a1, b1), math.hypot(a2, b2)
    h1, h2 = math.degrees(math.atan2(b1, a1)) % 360, math.degrees(math.atan2(b2, a2)) % 360
    dh = 0.0 if c1 * c2 == 0 else (h2 - h1 + 180) % 360 - 180
    hue_term = 2 * math.sqrt(c1 * c2) * math.sin(math.radians(dh / 2))
    mean_l, mean_c = (l1 + l2) / 2, (c1 + c2) / 2
    mean_h = h1 + h2 if c1 * c2 == 0 else (h1 + dh / 2) % 360
    t = (
        1
        - 0.17 * math.cos(math.radians(mean_h - 30))
        + 0.24 * math.cos(math.radians(2 * mean_h))
        + 0.32 * math.cos(math.radians(3 * mean_h + 6))
        - 0.20 * math.cos(math.radians(4 * mean_h - 63))
    )
    s_l = 1 + 0.015 * (mean_l - 50) ** 2 / math.sqrt(20 + (mean_l - 50) ** 2)
    s_c, s_h = 1 + 0.045 * mean_c, 1 + 0.015 * mean_c * t
    r_c = 2 * math.sqrt(mean_c**7 / (mean_c**7 + 25.0**7))
    r_t = -r_c * math.sin(math.radians(60 * math.exp(-(((mean_h - 275) / 25) ** 2))))
    l_, c_, h_ = (l2 - l1) / s_l, (c2 - c1) / s_c, hue_term / s_h
    return math.sqrt(l_**2 + c_**2 + h_**2 + r_t * c_ * h_)


def light_rgb(kelvin: float) -> Floats:
    """Return linear sRGB, green = 1, of a black body or (from 5,000 K) a daylight.

    Black body: the cubic fit of Kim et al., US patent 7024034 (from memory); daylight: CIE 15:2018.
    """
    t = 1000.0 / kelvin
    if kelvin < 5000:
        x = -0.2661239 * t**3 - 0.2343589 * t**2 + 0.8776956 * t + 0.179910
        if kelvin > 2222:
            y = -0.9549476 * x**3 - 1.37418593 * x**2 + 2.09137015 * x - 0.16748867
            if kelvin > 4000:
                x = -3.0258469 * t**3 + 2.1070379 * t**2 + 0.2226347 * t + 0.240390
                y = 3.0817580 * x**3 - 5.87338670 * x**2 + 3.75112997 * x - 0.37001483
        else:
            y = -1.1063814 * x**3 - 1.34811020 * x**2 + 2.18555832 * x - 0.20219683
    else:
        a = (0.244063, 0.09911, 2.9678, -4.6070) if kelvin <= 7000 else (0.23704, 0.24748, 1.9018, -2.0064)
        x = a[0] + a[1] * t + a[2] * t**2 + a[3] * t**3
        y = -3.0 * x * x + 2.870 * x - 0.275
    rgb = np.maximum(XYZ_TO_RGB @ xyy_to_xyz(np.array([x, y, 1.0])), 0.01)
    return rgb / rgb[1]


def encode(linear: Floats) -> Floats:
    """Return sRGB code values 0–1 of linear values 0–1."""
    v = np.clip(linear, 0, 1)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)
