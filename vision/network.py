"""Networks run by ONNX Runtime, all in the same way."""

from __future__ import annotations

from importlib.resources import files
from typing import Any


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
    return open_network(files("vision").joinpath(name).read_bytes())
