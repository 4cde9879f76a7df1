"""Outlines of lines in a text map.

A dealer would be misled by letters cut out along a straight line where the body bends them: the ends of the
line are then read as other letters, or cut off.
"""

from __future__ import annotations

import numpy as np
import pytest

from vision.text_outlines import centerline, lines_of_map


def test_outline_of_a_bent_core_follows_the_bend():
    yy, xx = np.mgrid[:200, :300].astype(np.float32)
    radius, turn = np.hypot(xx - 150, yy - 220), np.degrees(np.arctan2(yy - 220, xx - 150))
    score = ((np.abs(radius - 150) < 7) & (np.abs(turn + 90) < 40)).astype(np.float32)
    (line,) = lines_of_map(score, (1.0, 1.0))
    outline = np.asarray(line.polygon)
    assert len(outline) > 4
    distance = np.hypot(*(outline - (150, 220)).T)
    half = len(outline) // 2
    assert np.ptp(distance[:half]) < 3
    assert distance[:half].mean() > 160 > 140 > distance[half:].mean()


def test_lines_side_by_side_are_told_apart():
    score = np.zeros((120, 200), np.float32)
    score[40:52, 30:170] = 0.95
    score[58:70, 30:170] = 0.95
    score[52:58, 60:80] = 0.4
    assert len(lines_of_map(score, (1.0, 1.0))) == 2


def test_outline_follows_a_line_bent_as_an_s():
    yy, xx = np.mgrid[:200, :400].astype(np.float32)
    middle = 100 + 18 * np.sin((xx - 200) / 110)
    score = ((np.abs(yy - middle) < 6) & (np.abs(xx - 200) < 160)).astype(np.float32)
    (line,) = lines_of_map(score, (1.0, 1.0))
    half = len(line.polygon) // 2
    center = 0.5 * (line.polygon[:half] + line.polygon[half:][::-1])
    inner = center[np.abs(center[:, 0] - 200) < 150]
    assert np.abs(inner[:, 1] - (100 + 18 * np.sin((inner[:, 0] - 200) / 110))).max() < 3


@pytest.mark.parametrize("angle", [0.0, 0.7, -1.2])
def test_centerline_of_a_straight_core_is_straight_wherever_it_points(angle):
    along = np.array([np.cos(angle), np.sin(angle)])
    across = np.array([-along[1], along[0]])
    u, v = np.meshgrid(np.arange(-60, 61), np.arange(-4, 5))
    line = centerline(u.reshape(-1, 1) * along + v.reshape(-1, 1) * across + (300.0, 200.0))
    assert line is not None
    band = line.band(10.0, 5.0)
    edge = band[: len(band) // 2]
    assert np.allclose((edge - (300, 200)) @ across, -10.0 if across[1] > 0 else 10.0, atol=0.6)
    assert abs(np.ptp(edge @ along) - 130) < 2


def test_a_spot_and_a_far_bent_core_have_no_centerline():
    assert centerline(np.zeros((9, 2))) is None
    turn = np.linspace(-2.2, 2.2, 400)
    assert centerline(100 * np.stack([np.cos(turn), np.sin(turn)], axis=1)) is None
