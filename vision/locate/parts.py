"""Which pixel shows which part: small networks of our own, behind one interface.

One looks at a whole photo, one at a face, one at a mouth. They were trained on widely
randomized renders (``sample_images/train_parts.py``, ``train_mouth.py``; a training record lies beside each).
They say where to look and give a second opinion; measurements find edges and colors in the pixels themselves.
Where the weights or the runtime are missing every function returns None and the classical ways go on.

How a dealer would be misled: a network is sure of things unlike all it has seen. So no state rests on its
word alone: it must agree with what is measured, and a disagreement is said to be one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.face_view import warp
from vision.locate.places import FacePlace
from vision.locate.squares import face_square, mouth_square
from vision.network import shipped, softmax, temperature
from vision.photo import Photo

#: A part is told of when its overlap with the truth on held-out renders is at least this.
LEAST_OVERLAP = 0.25
#: A question is answered when its hits on held-out renders are, at the lower end of their 95 % interval, more
#: than this share.
LEAST_RIGHT = 0.6

Floats = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Parts:
    """One network's answer.

    Attributes
    ----------
    names
        The parts that the network has learned to see, in the order of the first axis of ``chance``.
    chance
        (P, h, w) float32, probability of each part at each sample; what is not learned is left out of it.
    answers
        Question → probability of each state, at the temperature found on held-out renders. Questions whose
        answers there are not surely right in three of five are left out.
    to_samples
        (2, 3) matrix from pixels of the upright original to samples of ``chance``.
    """

    names: tuple[str, ...]
    chance: Floats
    answers: Mapping[str, Mapping[str, float]]
    to_samples: Floats

    def of(self, *names: str) -> Floats:
        """Return (h, w) the probability of any of some parts."""
        return np.asarray(self.chance[[self.names.index(n) for n in names]].sum(0))

    def share(self, *names: str) -> float:
        """Return the share of the square that shows some parts."""
        return float(self.of(*names).mean())

    def on(self, to_view: Floats, shape: tuple[int, int], *names: str) -> Floats:
        """Return the probability of any of some parts on another grid.

        Parameters
        ----------
        to_view
            (2, 3) matrix from pixels of the original to the wanted grid.
        shape
            (H, W) of that grid.

        Returns
        -------
        (H, W) float32, 0 outside of what the network saw.
        """
        back = cv2.invertAffineTransform(np.asarray(to_view, np.float64))
        samples = self.to_samples[:, :2] @ back[:, :2]
        offset = self.to_samples[:, :2] @ back[:, 2] + self.to_samples[:, 2]
        matrix = np.hstack([samples, offset[:, None]])
        return np.asarray(
            cv2.warpAffine(
                self.of(*names).astype(np.float32), matrix, (shape[1], shape[0]),
                flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            )
        )  # fmt: skip


def available(name: str) -> bool:
    """Return whether a network (``parts``, ``face`` or ``mouth``) can be asked."""
    return shipped(name) is not None


def of_photo(photo: Photo) -> Parts | None:
    """Ask about a whole photo, once for all who want to know; None when the network is not available."""
    if shipped("parts") is None:
        return None
    return photo.once(("network", "parts"), lambda: _of_photo(photo))


def _of_photo(photo: Photo) -> Parts:
    return _of_square(photo, (photo.width / 2, photo.height / 2), float(max(photo.width, photo.height)))


def of_square(photo: Photo, middle: tuple[float, float], side: float) -> Parts | None:
    """Ask about a square of a photo as about a whole one; None when the network is not available.

    Parameters
    ----------
    middle
        x, y of the middle of the square, in pixels of the upright original.
    side
        Its side in the same pixels. What of it lies outside of the photo is gray.
    """
    return None if shipped("parts") is None else _of_square(photo, middle, side)


def _of_square(photo: Photo, middle: tuple[float, float], side: float) -> Parts:
    small, scale = photo.small
    found = _ask("parts", small, (middle[0] * scale, middle[1] * scale), side * scale, 0.0)
    matrix = found.to_samples.copy()
    matrix[:, :2] *= scale
    return replace(found, to_samples=matrix)


def of_face(photo: Photo, face: FacePlace) -> Parts | None:
    """Ask about one face; None when the network is not available or the face has no eyes and mouth."""
    return _in_face("face", photo, face, face_square)


def of_mouth(photo: Photo, face: FacePlace) -> Parts | None:
    """Ask about the mouth of one face, and about its mirror image; None as for :func:`of_face`."""
    return _in_face("mouth", photo, face, mouth_square, mirror=True)


def _in_face(
    name: str,
    photo: Photo,
    face: FacePlace,
    square: Callable[[Floats, Floats, Floats], tuple[float, float, float, float]],
    mirror: bool = False,
) -> Parts | None:
    """Ask a network about a square that eyes and mouth define."""
    if shipped(name) is None or not (face.left_eye and face.right_eye and face.lips):
        return None
    x, y, side, roll = square(*(_middle(p) for p in (face.left_eye, face.right_eye, face.lips)))
    return _ask(name, photo.rgb, (x, y), side, roll, mirror)


def _middle(polygon: Any) -> Floats:
    points = np.asarray(polygon, np.float64)
    return np.asarray((points.min(0) + points.max(0)) / 2)


def _ask(
    name: str,
    rgb: NDArray[np.uint8],
    center: tuple[float, float],
    side: float,
    turn: float,
    mirror: bool = False,
) -> Parts:
    """Cut a turned square out of a picture and ask a network about it, and about its mirror image if told."""
    loaded = shipped(name)
    assert loaded is not None  # callers have looked
    session, record = loaded
    size, stride = int(record["size"]), int(record["stride"])
    scale = size / max(side, 1.0)
    c, s = math.cos(turn) * scale, math.sin(turn) * scale
    matrix = np.array([[c, s, 0.0], [-s, c, 0.0]])
    # Pixel centers lie at whole numbers: the middle of the square is at (size - 1) / 2.
    matrix[:, 2] = (size - 1) / 2 - matrix[:, :2] @ (np.asarray(center, np.float64) - 0.5)
    squares = [_square(rgb, matrix, size)]
    if mirror:
        # Samples lie on odd pixels (below): one pixel aside, those of the mirror image lie on the same ones.
        aside = matrix * [[-1.0], [1.0]] + [[0.0, 0.0, size], [0.0, 0.0, 0.0]]
        squares.append(_square(rgb, aside, size))
    out = session.run(None, {session.get_inputs()[0].name: np.stack(squares)})
    heads: Mapping[str, list[str]] = record["heads"]
    answers = {
        head: dict(zip(states, softmax(logits.T / temperature(record, head)).mean(1).tolist(), strict=True))
        for (head, states), logits in zip(heads.items(), out[1:], strict=True)
        if least_right(record["held_out"].get(head)) > LEAST_RIGHT
    }
    # Sample j was taught the part of pixel stride · j + stride // 2.
    to_samples = matrix / stride
    to_samples[:, 2] -= (stride // 2) / stride
    names = tuple(record["parts"])
    overlap: Mapping[str, float] = record["held_out"]["iou"]
    known = [i for i, name in enumerate(names) if overlap[name] >= LEAST_OVERLAP]
    chances = [softmax(parts) for parts in out[0]]
    if mirror:
        chances[1] = chances[1][..., ::-1]
    chance = np.asarray(sum(chances) / len(chances), np.float32)
    return Parts(tuple(names[i] for i in known), chance[known], answers, to_samples)


def _square(rgb: NDArray[np.uint8], matrix: Floats, size: int) -> Floats:
    """Return (3, size, size) float32 sRGB 0–1 of a square, gray where it leaves the picture."""
    square, valid = warp(rgb, matrix, (size, size))
    filled = np.where(valid[..., None], square, 127).astype(np.float32) / 255
    return np.ascontiguousarray(filled.transpose(2, 0, 1))


def least_right(found: Mapping[str, Any] | None) -> float:
    """Return the lower end of the 95 % interval of a share of hits.

    Parameters
    ----------
    found
        ``n`` and ``right`` (a share) of a training record; None counts as nothing known.

    References
    ----------
    Wilson, "Probable inference, the law of succession, and statistical inference", JASA 22 (1927) 209–212,
    doi:10.1080/01621459.1927.10502953.
    """
    if not found or not found["n"]:
        return 0.0
    n, p, z = float(found["n"]), float(found["right"]), 1.96
    return (p + z * z / (2 * n) - z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))) / (1 + z * z / n)
