"""Where a torso is: a pretrained body-pose model, believed only where it says the same of the turned picture.

The model knows people, and guesses a body into almost anything. But a guess moves when the picture is
turned by 90°, while shoulders and hips that are really there turn with it. So the picture is shown in four
turns, and the spread of the answers, not the model's own word, says how far a torso is believed.

Model: BlazePose (Bazarevsky et al. 2020, arXiv:2006.10204), full version, carried by the ``mediapipe``
package. Without that package there is no torso.
"""

from __future__ import annotations

import functools
import importlib.util
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.locate.face_model import quiet
from vision.photo import Photo

#: Landmark numbers of the model: shoulders, hips, knees; the doll's left first.
_POINTS = (11, 12, 23, 24, 25, 26)
_LONG_SIDE = 512
#: Spread of the turned answers, in torso lengths, at which a torso is as likely as not; and its slope.
_SPREAD_HALF = 0.16
_SPREAD_SLOPE = 0.04


@dataclass(frozen=True, slots=True)
class Torso:
    """Shoulders, hips and knees, in pixels of the upright original.

    Attributes
    ----------
    shoulders, hips, knees
        (2, 2) of x, y; the doll's left first.
    length
        From the middle of the shoulders to the middle of the hips, pixels.
    confidence
        Probability that a torso lies there; from the agreement of the four turns.
    """

    shoulders: NDArray[np.float64]
    hips: NDArray[np.float64]
    knees: NDArray[np.float64]
    length: float
    confidence: float

    @property
    def outline(self) -> NDArray[np.float64]:
        """(4, 2) polygon from shoulder to shoulder to hip to hip."""
        return np.concatenate([self.shoulders, self.hips[::-1]])


def find_torso(photo: Photo) -> Torso | None:
    """Return the torso in a photo, or None where the turned pictures disagree or the model is missing."""
    if importlib.util.find_spec("mediapipe") is None:
        return None
    small, scale = photo.small
    shrink = min(1.0, _LONG_SIDE / max(small.shape[:2]))
    picture = np.asarray(
        cv2.resize(small, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), np.uint8
    )
    answers: list[NDArray[np.float64]] = []
    for turn in range(4):
        answer = _ask(picture, turn)
        if answer is not None:
            answers.append(answer)
        elif turn > len(answers):  # the second turn without one
            return None
    points = np.stack(answers)
    middle = np.median(points, axis=0)
    length = float(np.linalg.norm(middle[:2].mean(0) - middle[2:4].mean(0)))
    if length < 0.08 * max(picture.shape[:2]):
        return None
    height, width = picture.shape[:2]
    inside = (middle[:4] >= -0.02 * length) & (middle[:4] <= np.array([width, height]) + 0.02 * length)
    if not inside.all():
        return None
    # The mean distance of shoulders and hips from their median place, over all turns; a turn that gave no
    # answer counts as one that missed by half a torso.
    misses = np.linalg.norm(points[:, :4] - middle[:4], axis=2).mean(1) / length
    spread = float(np.mean([*misses, *[0.5] * (4 - len(answers))]))
    confidence = 1 / (1 + np.exp((spread - _SPREAD_HALF) / _SPREAD_SLOPE))
    full = middle / (shrink * scale)
    return Torso(full[0:2], full[2:4], full[4:6], length / (shrink * scale), float(confidence))


def _ask(picture: NDArray[np.uint8], turn: int) -> NDArray[np.float64] | None:
    """Return (6, 2) points of the picture as the model sees it turned by ``turn`` × 90° anticlockwise."""
    turned = np.ascontiguousarray(np.rot90(picture, turn))
    with quiet():
        found = model().process(turned).pose_landmarks
    if found is None:
        return None
    height, width = picture.shape[:2]
    u, v = np.array([[found.landmark[i].x, found.landmark[i].y] for i in _POINTS]).T
    # np.rot90 moves (x, y) of the picture to (y, 1 - x) of the turned one, in shares of its sides.
    for _ in range(turn):
        u, v = 1 - v, u
    return np.stack([u * width, v * height], axis=1)


@functools.cache
def model() -> Any:
    """Return the pose model with its person mask, loaded once a process: it takes 100 MB.

    Raises
    ------
    ImportError
        When its package is not installed.
    """
    with quiet():
        import mediapipe

        return mediapipe.solutions.pose.Pose(
            static_image_mode=True, model_complexity=1, enable_segmentation=True, min_detection_confidence=0.3
        )
