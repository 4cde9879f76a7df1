"""A torso is believed only where the model says the same of the turned picture.

How a dealer would be misled: the model guesses a body into a face, a table or a mark, and what lies "on the
body" is then read as skin that clothing covered.
"""

from __future__ import annotations

import numpy as np
import pytest

from vision.locate import pose
from vision.photo import Photo

UPRIGHT = np.array([[60, 40], [40, 40], [57, 80], [43, 80], [56, 120], [44, 120]], float)


def photo(width: int = 100, height: int = 160) -> Photo:
    return Photo.from_array(np.full((height, width, 3), 180, np.uint8))


@pytest.fixture
def answers(monkeypatch):
    """Let the model answer what the test says for each turn, in the picture's own coordinates."""
    pytest.importorskip("mediapipe", reason="the body-pose model is an optional package")

    def say(*points):
        monkeypatch.setattr(pose, "_ask", lambda _picture, turn: points[turn])

    return say


def test_the_same_answer_in_all_turns_is_a_torso(answers):
    answers(UPRIGHT, UPRIGHT + 1, UPRIGHT - 1, UPRIGHT)
    torso = pose.find_torso(photo())
    assert torso is not None
    assert torso.confidence > 0.9
    assert torso.length == pytest.approx(40, abs=1)
    assert torso.outline.shape == (4, 2)


def test_an_answer_that_does_not_turn_with_the_picture_is_a_guess(answers):
    moved = [UPRIGHT + np.array(d) for d in ((0, 0), (25, -20), (-25, 20), (20, 30))]
    answers(*moved)
    torso = pose.find_torso(photo())
    assert torso is None or torso.confidence < 0.1


def test_more_disagreement_means_less_confidence(answers):
    confidences = []
    for step in (0, 4, 8, 12):
        right, down = np.array([step, 0]), np.array([0, step])
        answers(UPRIGHT, UPRIGHT + right, UPRIGHT - right, UPRIGHT + down)
        torso = pose.find_torso(photo())
        confidences.append(0.0 if torso is None else torso.confidence)
    assert confidences == sorted(confidences, reverse=True)
    assert confidences[0] > confidences[-1]


@pytest.mark.parametrize("missing", [2, 3, 4])
def test_turns_without_an_answer_count_against_it(missing, answers):
    answers(*[None] * missing, *[UPRIGHT] * (4 - missing))
    assert pose.find_torso(photo()) is None


def test_a_torso_outside_the_picture_is_none(answers):
    answers(*[UPRIGHT + np.array([0, 130])] * 4)
    assert pose.find_torso(photo()) is None


def test_points_are_turned_back_into_the_picture(monkeypatch):
    pytest.importorskip("mediapipe", reason="the body-pose model is an optional package")

    class Point:
        def __init__(self, x, y):
            self.x, self.y = x, y

    class Model:
        def process(self, turned):
            # Finds the one bright pixel and puts every landmark there, as shares of the turned picture.
            y, x = np.unravel_index(int(turned[..., 0].argmax()), turned.shape[:2])
            height, width = turned.shape[:2]
            marks = [Point((x + 0.5) / width, (y + 0.5) / height) for _ in range(33)]
            return type("R", (), {"pose_landmarks": type("L", (), {"landmark": marks})})

    monkeypatch.setattr(pose, "model", Model)
    picture = np.zeros((120, 80, 3), np.uint8)
    picture[30, 20] = 255
    for turn in range(4):
        points = pose._ask(picture, turn)
        assert points == pytest.approx(np.tile([20.5, 30.5], (6, 1)))


def test_no_torso_in_an_empty_picture():
    pytest.importorskip("mediapipe", reason="the body-pose model is an optional package")
    assert pose.find_torso(photo(300, 400)) is None
