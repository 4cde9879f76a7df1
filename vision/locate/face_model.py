"""The pretrained face model behind one small interface, so that the rest never sees its package.

The model is MediaPipe's short- and full-range face detector and its 468-point face mesh (Apache-2.0; the
weights come with the package and need no network). It was trained on people: on a doll its points say
where to look, never where paint ends.
"""

from __future__ import annotations

import contextlib
import functools
import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

#: Below this the detectors are not asked; drawn, painted and rendered faces need it this low.
MIN_DETECTION = 0.3

#: The mesh must be this sure that its crop shows a face; the package's own default.
PRESENCE = 0.5
#: What is enough for a face that hair, hands or another head half hide, where detectors saw one: those of
#: rendered dolls flicker about the default from crop to crop.
PRESENCE_HALF_HIDDEN = 0.1

_LOCK = threading.Lock()


@dataclass(frozen=True, slots=True)
class Detection:
    """One detected face in the pixels of the picture that was given.

    ``eyes`` is (2, 2): the image's left eye, then the right one, both for the upright head; ``mouth`` is
    (2,). ``size`` is the side of the detector's square box, about the width of the face.
    """

    score: float
    center: NDArray[np.float64]
    size: float
    eyes: NDArray[np.float64]
    mouth: NDArray[np.float64]

    @property
    def roll_deg(self) -> float:
        """Clockwise turn of the head in the image, in degrees, (-180, 180]."""
        dx, dy = self.eyes[1] - self.eyes[0]
        return float(np.degrees(np.arctan2(dy, dx)))


class FaceModel:
    """Two detectors and a mesh; not safe to call from two threads at once.

    Parameters
    ----------
    detectors
        Asked for faces in a picture.
    make_mesh
        Makes a mesh from how sure it must be of a face; each is made when it is first wanted, and kept.
    """

    def __init__(self, detectors: tuple[Any, ...], make_mesh: Callable[[float], Any]) -> None:
        self._detectors = detectors
        self._mesh = functools.cache(make_mesh)
        self._has_met_a_face = False

    def detect(self, rgb: NDArray[np.uint8]) -> list[Detection]:
        """Return all detections of all detectors in an (H, W, 3) uint8 RGB picture, not merged."""
        height, width = rgb.shape[:2]
        rgb = np.ascontiguousarray(rgb)
        found: list[Detection] = []
        with _LOCK:
            results = [detector.process(rgb).detections or [] for detector in self._detectors]
        for detection in (d for result in results for d in result):
            box = detection.location_data.relative_bounding_box
            points = np.array(
                [(p.x * width, p.y * height) for p in detection.location_data.relative_keypoints], float
            )
            found.append(
                Detection(
                    score=float(detection.score[0]),
                    center=np.array(
                        [(box.xmin + box.width / 2) * width, (box.ymin + box.height / 2) * height], float
                    ),
                    size=float(max(box.width * width, box.height * height)),
                    eyes=points[:2],
                    mouth=points[3],
                )
            )
        return found

    def mesh(self, rgb: NDArray[np.uint8], presence: float = PRESENCE) -> NDArray[np.float64] | None:
        """Return the (468, 3) mesh of the face nearest the middle of a picture, or None.

        x and y are pixels of the picture; z is on the same scale, smaller is nearer to the camera.
        ``presence`` (0–1) is how sure the mesh must be that there is a face.
        """
        height, width = rgb.shape[:2]
        # The runtime prints one more note when it fits its first face.
        with _LOCK, contextlib.nullcontext() if self._has_met_a_face else quiet():
            faces = self._mesh(presence).process(np.ascontiguousarray(rgb)).multi_face_landmarks or []
        self._has_met_a_face = self._has_met_a_face or bool(faces)
        meshes = [
            np.array([(p.x * width, p.y * height, p.z * width) for p in face.landmark[:468]], float)
            for face in faces
        ]
        if not meshes:
            return None
        middle = np.array([width / 2, height / 2])
        return min(meshes, key=lambda m: float(np.linalg.norm(m[:, :2].mean(axis=0) - middle)))


@functools.cache
def load() -> FaceModel | None:
    """Return the model, loaded once a process; None when its package is not installed or does not start."""
    os.environ.setdefault("GLOG_minloglevel", "3")
    os.environ.setdefault("TF_CPP_MIN_LOG_LEVEL", "3")
    with quiet():
        try:
            from mediapipe.python.solutions import face_detection, face_mesh
        except Exception:  # an absent or broken optional package may raise almost anything on import
            return None
        model = FaceModel(
            tuple(
                face_detection.FaceDetection(model_selection=k, min_detection_confidence=MIN_DETECTION)
                for k in (0, 1)
            ),
            lambda presence: face_mesh.FaceMesh(
                static_image_mode=True,
                max_num_faces=4,
                refine_landmarks=False,
                min_detection_confidence=MIN_DETECTION,
                min_tracking_confidence=presence,
            ),
        )
        # The first pictures make the runtime print its start-up notes: have that over with here.
        blank = np.zeros((64, 64, 3), np.uint8)
        model.detect(blank)
        model.mesh(blank)
    return model


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """Keep native start-up chatter off standard error; Python's own streams are not touched."""
    try:
        saved = os.dup(2)
    except OSError:
        yield
        return
    sink = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(sink, 2)
        yield
    finally:
        os.dup2(saved, 2)
        os.close(sink)
        os.close(saved)
