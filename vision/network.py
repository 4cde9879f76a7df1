"""Networks run by ONNX Runtime, all in the same way."""

from __future__ import annotations

import functools
import json
import logging
import os
from collections.abc import Callable, Mapping
from importlib import resources
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

log = logging.getLogger(__name__)

Answer = TypeVar("Answer")

#: When this environment variable is set, the networks that stand beside a measurement are left out, so that
#: both ways can be compared.
WITHOUT = "RAKELIGHT_WITHOUT_NETWORKS"


def open_network(model: bytes | str) -> Any:
    """Return a session that runs a network on one thread, without a memory arena (which would grow).

    Parameters
    ----------
    model
        The network's bytes, or the path of its file.

    Raises
    ------
    ImportError
        When ONNX Runtime is not installed. The runtime raises types of its own for a broken network.
    """
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.inter_op_num_threads = 1
    options.enable_cpu_mem_arena = False
    options.log_severity_level = 4
    return onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])


def open_own(name: str) -> Any:
    """Return a session for a network of this package, named by its path below ``vision``."""
    return open_network(resources.files("vision").joinpath(name).read_bytes())


@functools.cache
def shipped(name: str) -> tuple[Any, Mapping[str, Any]] | None:
    """Return the session and the training record of a network in ``vision/models``, None without either."""
    if os.environ.get(WITHOUT):
        return None
    folder = resources.files("vision") / "models"
    weights, record = folder / f"{name}.onnx", folder / f"{name}.json"
    if not (weights.is_file() and record.is_file()):
        return None
    try:
        return open_network(weights.read_bytes()), json.loads(record.read_text("utf-8"))
    except Exception as error:  # the runtime raises types of its own; the classical ways go on
        log.warning("the %s network cannot be used: %s", name, error)
        return None


def heard(name: str, ask: Callable[[], Answer | None]) -> Answer | None:
    """Return what a network answers; one that fails is one that is not there, and the failure is logged.

    Parameters
    ----------
    name
        The network, for the log.
    ask
        Asks it.
    """
    try:
        return ask()
    except Exception as error:  # the runtime raises types of its own; the classical ways go on
        log.warning("the %s network failed: %s", name, error)
        return None


def temperature(record: Mapping[str, Any], head: str) -> float:
    """Return the softening found on held-out renders; never less than 1, for unseen photos differ more."""
    return max(1.0, float((record["held_out"].get(head) or {}).get("temperature", 1.0)))


def softmax(logits: NDArray[Any]) -> NDArray[Any]:
    """Return probabilities along the first axis."""
    weights = np.exp(logits - logits.max(0, keepdims=True))
    return np.asarray(weights / weights.sum(0, keepdims=True))
