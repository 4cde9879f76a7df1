"""Which pixel shows which part of a doll: the small network of our own, behind one interface.

The network is trained on widely randomized renders (``sample_images/train_parts.py``; its training record
lies beside the weights). It only says where to look and what a photo probably shows; measurements find
their own edges. Without the weights or the runtime everything falls back to the classical locators.
"""

from __future__ import annotations

import functools
import json
import logging
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.photo import Photo

log = logging.getLogger(__name__)

Floats = NDArray[Any]


@dataclass(frozen=True, slots=True)
class Parts:
    """The network's answer for one photo.

    Attributes
    ----------
    names
        The parts, in the order of the first axis of ``chance``.
    chance
        (P, h, w) float32, probability of each part at each pixel of the reduced picture.
    views
        Probability of each view as the network sees it (not calibrated on other renderers).
    scale
        original = reduced / scale.
    """

    names: tuple[str, ...]
    chance: Floats
    views: Mapping[str, float]
    scale: float

    def of(self, *names: str) -> Floats:
        """Return (h, w) the probability of any of some parts."""
        return self.chance[[self.names.index(n) for n in names]].sum(0)

    def share(self, *names: str) -> float:
        """Return the share of the picture that shows some parts."""
        return float(self.of(*names).mean())


@functools.cache
def _session() -> tuple[Any, Mapping[str, Any]] | None:
    """Return the runtime session and the training record, or None when either is missing."""
    folder = resources.files("vision") / "models"
    weights, record = folder / "parts.onnx", folder / "parts.json"
    if not (weights.is_file() and record.is_file()):
        return None
    try:
        import onnxruntime

        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = 1
        options.inter_op_num_threads = 1
        options.enable_cpu_mem_arena = False
        options.log_severity_level = 3
        session = onnxruntime.InferenceSession(
            weights.read_bytes(), options, providers=["CPUExecutionProvider"]
        )
        return session, json.loads(record.read_text("utf-8"))
    except Exception as error:  # the runtime raises types of its own; the classical locators go on
        log.warning("the parts network cannot be used: %s", error)
        return None


def available() -> bool:
    """Return whether the network can be asked."""
    return _session() is not None


def read(photo: Photo) -> Parts | None:
    """Ask the network about a photo; None when it is not available."""
    loaded = _session()
    if loaded is None:
        return None
    session, record = loaded
    side, stride = int(record["size"]), int(record["stride"])
    small, scale = photo.small
    k = side / max(small.shape[:2])
    w, h = max(1, round(small.shape[1] * k)), max(1, round(small.shape[0] * k))
    fitted = cv2.resize(small, (w, h), interpolation=cv2.INTER_AREA if k < 1 else cv2.INTER_LINEAR)
    top, left = (side - h) // 2, (side - w) // 2
    picture = np.full((side, side, 3), 127, np.uint8)
    picture[top : top + h, left : left + w] = fitted
    tensor = np.ascontiguousarray(picture.transpose(2, 0, 1)[None], np.float32) / 255
    logits, views = session.run(None, {session.get_inputs()[0].name: tensor})
    rows, columns = slice(top // stride, (top + h) // stride), slice(left // stride, (left + w) // stride)
    return Parts(
        names=tuple(record["parts"]),
        chance=_softmax(logits[0][:, rows, columns]),
        views=dict(zip(record["views"], _softmax(views[0]).tolist(), strict=True)),
        scale=scale * k / stride,
    )


def _softmax(logits: Floats) -> Floats:
    """Return probabilities along the first axis."""
    weights = np.exp(logits - logits.max(0, keepdims=True))
    return weights / weights.sum(0, keepdims=True)
