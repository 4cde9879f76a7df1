"""Naming a painted line: published ranges of color names come out as such, and dark lines stay in doubt."""

from __future__ import annotations

import numpy as np
import pytest

from vision.calibration import Calibration
from vision.color import ColorReading, lab_to_linear
from vision.paint_names import name_line

SKIN = lab_to_linear([76, 13, 19])
#: A calibration that leaves linear RGB as it is.
WHITE = Calibration("eye_white", exposure=1.0)


def name(
    lab: tuple[float, float, float], mixed: float = 0.0, smeared: float = 0.05, variance: float = 4.0
) -> dict[str, float]:
    reading = ColorReading(np.array(lab, float), variance * np.eye(3))
    return name_line(reading, SKIN, mixed, smeared, WHITE)


def lch(light: float, chroma: float, hue: float) -> tuple[float, float, float]:
    return light, chroma * np.cos(np.radians(hue)), chroma * np.sin(np.radians(hue))


@pytest.mark.parametrize(
    ("family", "lights", "chromas", "hues"),
    # Families of the ISCC-NBS centroids (Kelly and Judd, NBS SP 440, 1976), where they are not near-black.
    [
        ("blue", (30, 45, 60), (20, 30, 40), (230, 250, 268)),
        ("brown", (28, 36, 44), (18, 26, 34), (45, 55, 65)),
    ],
)
def test_published_families_get_their_names(
    family: str, lights: tuple[int, ...], chromas: tuple[int, ...], hues: tuple[int, ...]
) -> None:
    for light in lights:
        for chroma in chromas:
            for hue in hues:
                names = name(lch(light, chroma, hue))
                assert max(names, key=lambda k: names[k]) == family, (light, chroma, hue, names)


def test_black_is_black_also_when_skin_shines_into_it() -> None:
    assert name((9, 1, 1))["black"] > 0.8
    veiled = name(tuple(_seen_through_a_veil((9, 0, 0), 0.04)))  # type: ignore[arg-type]
    assert veiled["black"] > 0.6


def _seen_through_a_veil(lab: tuple[float, float, float], share: float) -> np.ndarray:
    from vision.color import linear_to_lab

    return np.asarray(linear_to_lab((1 - share) * lab_to_linear(lab) + share * SKIN))


def test_the_narrower_a_line_the_less_its_brown_is_believed() -> None:
    brown = (30, 9, 12)
    sharp, blurred = name(brown, mixed=0.0), name(brown, mixed=0.35, smeared=0.4)
    assert blurred["black"] > sharp["black"]
    assert blurred["brown"] < sharp["brown"]


def test_probabilities_add_up_and_repeat() -> None:
    for lab in ((10, 0, 0), (40, -2, -30), (95, 0, 0), (50, 60, -60)):
        assert sum(name(lab).values()) == pytest.approx(1)
        assert name(lab) == name(lab)


@pytest.mark.parametrize("hue", [209, 212])
def test_turquoise_is_not_called_blue_because_blue_is_common(hue: float) -> None:
    """Outside the published hues of blue, only that blue liners are common could speak for blue."""
    assert name(lch(50, 27, hue), variance=36)["blue"] < 0.6


@pytest.mark.parametrize("hue", [195, 203, 209])
def test_turquoise_is_named_as_another_color(hue: float) -> None:
    names = name(lch(50, 28, hue), variance=20)
    assert names["other"] > 0.7


def test_between_turquoise_and_blue_nothing_is_sure() -> None:
    """From 217° to 225° neither published range of names holds."""
    names = name(lch(50, 27, 221), variance=36)
    assert max(names.values()) < 0.7
