"""The gray-scale rating against the grades of ISO 105-A02:1993 and the class limits of ISO 105-A05."""

from __future__ import annotations

import numpy as np
import pytest

from vision.color import delta_e_f, grey_scale_class, grey_scale_rating

# Grade: difference of the scale's pair and its tolerance, ΔE*ab, ISO 105-A02:1993.
SCALE = {
    "5": (0, 0.2),
    "4-5": (0.8, 0.2),
    "4": (1.7, 0.3),
    "3-4": (2.5, 0.35),
    "3": (3.4, 0.4),
    "2-3": (4.8, 0.5),
    "2": (6.8, 0.6),
    "1-2": (9.6, 0.7),
    "1": (13.6, 1.0),
}


def number(grade):
    return sum(float(part) for part in grade.split("-")) / len(grade.split("-"))


@pytest.mark.parametrize("grade", SCALE)
def test_a_pair_of_the_scale_gets_its_grade(grade):
    difference, tolerance = SCALE[grade]
    # The scale's patches are gray, where the weighted difference is that of lightness alone.
    weighted = float(delta_e_f([60, 0, 0], [60 - difference, 0, 0]))
    assert weighted == pytest.approx(difference)
    assert grey_scale_class(weighted) == grade
    assert float(grey_scale_rating(weighted)) == pytest.approx(number(grade), abs=0.05)
    for edge in (max(0, difference - tolerance), difference + tolerance):
        assert abs(float(grey_scale_rating(edge)) - number(grade)) < 0.26


def test_the_rating_falls_and_meets_itself_at_grade_three():
    differences = np.linspace(0, 20, 400)
    ratings = grey_scale_rating(differences)
    assert ratings[0] == 5
    assert ratings[-1] == 1
    assert (np.diff(ratings) <= 1e-12).all()
    assert float(grey_scale_rating(3.4)) == pytest.approx(float(grey_scale_rating(3.4001)), abs=1e-3)


def test_class_limits():
    for limit, below, above in ((0.40, "5", "4-5"), (2.95, "3-4", "3"), (11.60, "1-2", "1")):
        assert grey_scale_class(limit - 1e-9) == below
        assert grey_scale_class(limit) == above


def test_by_hand():
    # C 10 → 20 along hue 50: CM 15, x ((230)/30 → |50−280| = 230 > 180 → 130/30)² = 18.8, D ≈ 0,
    # ΔCF = 10 / (1 + 0.3²) = 9.174.
    unit = np.array([np.cos(np.radians(50)), np.sin(np.radians(50))])
    first, second = [50, *(10 * unit)], [50, *(20 * unit)]
    assert float(delta_e_f(first, second)) == pytest.approx(9.174, abs=1e-3)


def test_yellowing_counts_less_than_darkening():
    vinyl = np.array([75.0, 12, 18])
    darker, yellower = vinyl + np.array([-5.0, 0, 0]), vinyl + np.array([0, 0, 5.0])
    assert float(delta_e_f(vinyl, yellower)) < float(delta_e_f(vinyl, darker))
    assert float(delta_e_f(vinyl, vinyl)) == 0
