"""The OCR hook: an engine interface, a null engine, the default engine, and a guard around all of them.

An engine is a plug-in of somebody else's. It may be missing, die, hang, print or hand back nonsense; none
of that may cost more than its own reading. Engines are discovered through the entry point group
``rakelight.ocr``; measurements use them only through :func:`guarded`.
"""

from __future__ import annotations

import importlib
import importlib.util
import json
import math
import os
import selectors
import struct
import subprocess
import sys
import threading
import time
import unicodedata
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any, BinaryIO

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.network import open_network
from vision.patience import Patience
from vision.text_outlines import lines_of_map
from vision.traits import Polygon, Reason

ENTRY_POINTS = "rakelight.ocr"
DEFAULT_ENGINE = "rapid"

Picture = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class OcrLine:
    """One line of text as an engine read it.

    Attributes
    ----------
    text
        Printable, no control characters, at most 200 characters.
    confidence
        The engine's own word, 0–1. Not calibrated.
    polygon
        Outline in pixels of the picture handed in, x right, y down: the upper edge of the text from left
        to right as read, then the lower edge back. Four points, or more (an even count) along a curve.
    characters
        For each character of ``text`` the candidates with their share, best first; empty when the engine
        gives none.
    """

    text: str
    confidence: float
    polygon: Polygon = ()
    characters: tuple[tuple[tuple[str, float], ...], ...] = ()


class OcrEngine(ABC):
    """An OCR engine. Must be constructible without arguments; loading is left to the first use."""

    #: Run in a process of its own, so that a crash or a hang stays there.
    isolated: bool = True

    @abstractmethod
    def available(self) -> str | None:
        """Return None when the engine can run, else one sentence that says what is missing."""

    @abstractmethod
    def read(self, rgb: Picture) -> list[OcrLine]:
        """Return the lines in an (H, W, 3) uint8 RGB picture, in reading order; an empty list for none."""

    def find(self, rgb: Picture) -> list[OcrLine]:
        """Return where lines are, without reading them: outlines with the engine's confidence."""
        return [OcrLine("", line.confidence, line.polygon) for line in self.read(rgb)]

    def recognize(self, strips: Sequence[Picture]) -> list[OcrLine]:
        """Return the text of strips that hold one upright line each; empty text where none is read.

        Engines that know how to skip the search for lines should override this.
        """
        return [_joined(self.read(_framed(strip))) for strip in strips]


class NullEngine(OcrEngine):
    """Reads nothing, so that "no OCR" needs no special case."""

    isolated = False

    def available(self) -> str | None:
        """Return None: doing nothing is always possible."""
        return None

    def read(self, rgb: Picture) -> list[OcrLine]:
        """Return an empty list."""
        return []

    def find(self, rgb: Picture) -> list[OcrLine]:
        """Return an empty list."""
        return []

    def recognize(self, strips: Sequence[Picture]) -> list[OcrLine]:
        """Return empty lines."""
        return [OcrLine("", 0.0) for _ in strips]


class RapidEngine(OcrEngine):
    """The detection and recognition networks that ``rapidocr`` 3.10 carries, run by ``onnxruntime``.

    The networks (PP-OCR, Apache-2.0) are run directly: one thread, no memory arena, no download, no log.
    Only Latin letters, digits and common signs are decoded; a strip that looks like any other script to
    the network counts as doubtful.
    """

    isolated = False

    _DETECT_SIDE = 960
    _STRIP_HEIGHT = 48
    _BATCH = 8

    def available(self) -> str | None:
        """Return None when both packages and their model files are there, else what to install."""
        for package in ("onnxruntime", "rapidocr"):
            if importlib.util.find_spec(package) is None:
                return f"The package {package} is not installed: pip install {package}."
        if self._model("det") is None or self._model("rec") is None:
            return "The installed rapidocr carries no models: install rapidocr 3.10."
        return None

    def read(self, rgb: Picture) -> list[OcrLine]:
        """Return the lines in an (H, W, 3) uint8 RGB picture, top to bottom."""
        found = self.find(rgb)
        strips = [straightened(rgb, np.asarray(line.polygon)) for line in found]
        texts = self.recognize(strips)
        return [
            OcrLine(text.text, text.confidence, place.polygon, text.characters)
            for place, text in zip(found, texts, strict=True)
            if text.text.strip()
        ]

    def find(self, rgb: Picture) -> list[OcrLine]:
        """Return the outlines of text lines, rectangles or bent bands, with the network's mean score."""
        score, scale = self.text_map(rgb)
        return [
            OcrLine("", line.score, tuple((float(x), float(y)) for x, y in line.polygon))
            for line in lines_of_map(score, scale)
        ]

    def text_map(self, rgb: Picture) -> tuple[NDArray[np.float32], tuple[float, float]]:
        """Return the network's text score for each pixel of a reduced picture, and its (x, y) scale.

        Parameters
        ----------
        rgb
            (H, W, 3) uint8 RGB.

        Returns
        -------
        score
            (h, w) float32 in [0, 1].
        scale
            Reduced size divided by original size, for x and y.
        """
        height, width = rgb.shape[:2]
        shrink = min(1.0, self._DETECT_SIDE / max(height, width))
        size = (max(32, round(width * shrink / 32) * 32), max(32, round(height * shrink / 32) * 32))
        small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA if shrink < 1 else cv2.INTER_LINEAR)
        tensor = (small[..., ::-1].astype(np.float32) / 127.5 - 1.0).transpose(2, 0, 1)[None]
        score = self._run(self._detector, np.ascontiguousarray(tensor))[0, 0]
        return score, (size[0] / width, size[1] / height)

    def recognize(self, strips: Sequence[Picture]) -> list[OcrLine]:
        """Return the text of strips that hold one upright line each."""
        out = [OcrLine("", 0.0)] * len(strips)
        widths = [self._strip_width(strip) for strip in strips]
        by_width = sorted(range(len(strips)), key=widths.__getitem__)
        for start in range(0, len(by_width), self._BATCH):
            batch = by_width[start : start + self._BATCH]
            width = max(widths[i] for i in batch)
            tensor = np.zeros((len(batch), 3, self._STRIP_HEIGHT, width), np.float32)
            for row, index in enumerate(batch):
                resized = cv2.resize(
                    strips[index], (widths[index], self._STRIP_HEIGHT), interpolation=cv2.INTER_AREA
                )
                tensor[row, :, :, : widths[index]] = (
                    resized[..., ::-1].astype(np.float32) / 127.5 - 1.0
                ).transpose(2, 0, 1)
            for index, scores in zip(batch, self._run(self._recognizer, tensor), strict=True):
                out[index] = _decode(scores, self._alphabet)
        return out

    def _strip_width(self, strip: Picture) -> int:
        """Width at the network's height, in steps of 64 px: few shapes keep its memory flat."""
        ratio = strip.shape[1] / max(1, strip.shape[0])
        return int(min(1280, max(64, math.ceil(self._STRIP_HEIGHT * ratio / 64) * 64)))

    @staticmethod
    def _run(session: Any, tensor: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(session.run(None, {session.get_inputs()[0].name: tensor})[0], np.float32)

    @staticmethod
    def _model(kind: str) -> Path | None:
        spec = importlib.util.find_spec("rapidocr")
        for folder in (spec.submodule_search_locations or []) if spec else []:
            for path in sorted(Path(folder, "models").glob(f"*_{kind}_*.onnx")):
                return path
        return None

    def _session(self, kind: str) -> Any:
        return open_network(str(self._model(kind)))

    @cached_property
    def _detector(self) -> Any:
        return self._session("det")

    @cached_property
    def _recognizer(self) -> Any:
        return self._session("rec")

    @cached_property
    def _alphabet(self) -> dict[int, str]:
        """Class index to character, for the characters decoded; 0 is the blank."""
        keys = self._recognizer.get_modelmeta().custom_metadata_map["character"].splitlines()
        wanted = {chr(c) for c in range(33, 127)} | {"®", "©", "™"}
        out = {i + 1: key for i, key in enumerate(keys) if key in wanted}
        out[len(keys) + 1] = " "
        return out


def straightened(rgb: Picture, outline: NDArray[Any], height: int | None = None) -> Picture:
    """Return the picture inside a line's outline as an upright rectangle; see :func:`cut_out`."""
    return np.asarray(cut_out(rgb, outline, height), np.uint8)


def cut_out(rgb: NDArray[Any], outline: NDArray[Any], height: int | None = None) -> NDArray[Any]:
    """Return the picture inside a line's outline as an upright rectangle.

    Parameters
    ----------
    rgb
        (H, W) or (H, W, 3), uint8 or float32.
    outline
        (2 k, 2) points, k >= 2: the upper edge from left to right as read, then the lower edge back. Four
        points are a quadrilateral, more follow a curve.
    height
        Height of the result in pixels; the line's own when None.

    Returns
    -------
    (h, w) or (h, w, 3) of the same type, at least 2 x 2.
    """
    points = np.asarray(outline, np.float64).reshape(-1, 2)
    half = len(points) // 2
    upper, lower = points[:half], points[half:][::-1]
    down = float(np.median(np.linalg.norm(lower - upper, axis=1)))
    steps = np.linalg.norm(np.diff(0.5 * (upper + lower), axis=0), axis=1)
    run = np.concatenate([[0.0], np.cumsum(steps)])
    out_h = max(2, int(height or round(down)))
    out_w = min(4096, max(2, round(run[-1] * out_h / max(down, 1e-3))))
    at = (np.arange(out_w) + 0.5) / out_w * run[-1]
    top = np.stack([np.interp(at, run, upper[:, i]) for i in (0, 1)], axis=1)
    bottom = np.stack([np.interp(at, run, lower[:, i]) for i in (0, 1)], axis=1)
    share = ((np.arange(out_h) + 0.5) / out_h)[:, None, None]
    grid = (top + share * (bottom - top) - 0.5).astype(np.float32)
    at_x, at_y = np.ascontiguousarray(grid[..., 0]), np.ascontiguousarray(grid[..., 1])
    warped = cv2.remap(rgb, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(warped)


def discover() -> dict[str, Callable[[], OcrEngine]]:
    """Return the engines on offer: name to a factory.

    A plug-in that cannot be imported stands in the answer as an engine that says so.
    """
    out: dict[str, Callable[[], OcrEngine]] = {"rapid": RapidEngine, "null": NullEngine}
    for point in entry_points(group=ENTRY_POINTS):
        out[point.name] = _lazy(point)
    return out


def default_engine(name: str = DEFAULT_ENGINE) -> GuardedEngine:
    """Return the engine to use, guarded; an unknown name gives an engine that says it is missing."""
    factory = discover().get(name)
    if factory is None:
        return guarded(_Missing(f"No OCR engine is called {name!r}."))
    return guarded(factory())


class _Missing(OcrEngine):
    isolated = False

    def __init__(self, why: str = "The engine is missing.") -> None:
        self._why = why

    def available(self) -> str | None:
        return self._why

    def read(self, rgb: Picture) -> list[OcrLine]:
        return []


def _lazy(point: Any) -> Callable[[], OcrEngine]:
    def make() -> OcrEngine:
        try:
            engine: OcrEngine = point.load()()
            return engine
        except Exception as error:
            return _Missing(f"The OCR engine {point.name!r} cannot be loaded: {_short(error)}")

    return make


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one call: lines, or a typed reason with a sentence. Never an exception."""

    lines: tuple[OcrLine, ...] = ()
    reason: Reason | None = None
    detail: str = ""

    def lines_or_raise(self) -> tuple[OcrLine, ...]:
        """Return the lines; raises :class:`OutcomeError` with the reason where there is one."""
        if self.reason is not None:
            raise OutcomeError(self.reason, self.detail)
        return self.lines


class OutcomeError(Exception):
    """The reason why an engine gave no lines, for a caller several steps deep in a reading."""

    def __init__(self, reason: Reason, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason


def guarded(engine: OcrEngine, deadline_s: float = 20.0) -> GuardedEngine:
    """Return the engine behind a guard.

    Parameters
    ----------
    engine
        Any engine. Those with ``isolated`` run in a child process, found again by their class, and are
        killed at the deadline.
    deadline_s
        Seconds one call may take; time in which other programs had the processor does not count.
    """
    return GuardedEngine(engine, deadline_s)


class GuardedEngine:
    """An engine whose every call ends as an :class:`Outcome`.

    After a crash or a hang the engine is not asked again: a listing must not wait for the same deadline at
    every photo.
    """

    def __init__(self, engine: OcrEngine, deadline_s: float = 20.0) -> None:
        self.engine = engine
        self.deadline_s = deadline_s
        self._child: _Child | None = None
        self._given_up: Outcome | None = None
        self._checked = False

    def read(self, rgb: Picture) -> Outcome:
        """Return the lines of a picture; ``engine_missing`` or ``engine_failed`` otherwise."""
        return self._call("read", [rgb], whole=True)

    def find(self, rgb: Picture) -> Outcome:
        """Return outlines of lines."""
        return self._call("find", [rgb], whole=True)

    def recognize(self, strips: Sequence[Picture]) -> Outcome:
        """Return one line a strip."""
        if not strips:
            return Outcome()
        outcome = self._call("recognize", list(strips), whole=False)
        if outcome.reason is None and len(outcome.lines) != len(strips):
            return _failed(f"It answered {len(outcome.lines)} lines for {len(strips)} strips.")
        return outcome

    def close(self) -> None:
        """End the child process, if there is one."""
        if self._child is not None:
            self._child.kill()
            self._child = None

    def __del__(self) -> None:
        self.close()

    def _call(self, method: str, pictures: list[Picture], whole: bool) -> Outcome:
        if self._given_up is not None:
            return self._given_up
        try:
            if not self._checked:
                missing = self.engine.available() if not self.engine.isolated else None
                if missing is not None:
                    self._given_up = Outcome(reason=Reason.ENGINE_MISSING, detail=str(missing))
                    return self._given_up
                self._checked = True
            if self.engine.isolated:
                return self._call_child(method, pictures)
            answer = getattr(self.engine, method)(pictures[0] if whole else pictures)
            return checked(answer)
        except Exception as error:
            return _failed(_short(error))

    def _call_child(self, method: str, pictures: list[Picture]) -> Outcome:
        if self._child is None:
            self._child = _Child(self.engine)
        try:
            answer = self._child.ask(method, pictures, self.deadline_s)
        except (OSError, TimeoutError, ValueError) as error:
            self.close()
            self._given_up = _failed(_short(error))
            return self._given_up
        if "missing" in answer:
            self.close()
            self._given_up = Outcome(reason=Reason.ENGINE_MISSING, detail=str(answer["missing"]))
            return self._given_up
        if "error" in answer:
            return _failed(str(answer["error"]))
        return checked([_line_from_json(item) for item in answer.get("lines", [])])


def checked(lines: Any) -> Outcome:
    """Return an engine's answer after checking it, or ``engine_failed`` with what was wrong with it.

    Refused are: anything but a list of lines, text that is no string, is over-long or holds lone surrogates
    or control characters, confidence or coordinates that are not finite numbers.
    """
    if not isinstance(lines, list | tuple):
        return _failed(f"It answered with {type(lines).__name__}, not with lines.")
    out = []
    for line in lines:
        fault = _fault(line)
        if fault:
            return _failed(fault)
        out.append(
            OcrLine(
                unicodedata.normalize("NFC", line.text),
                min(1.0, max(0.0, float(line.confidence))),
                tuple((float(x), float(y)) for x, y in line.polygon),
                line.characters,
            )
        )
    return Outcome(tuple(out))


def _fault(line: Any) -> str | None:
    try:
        text, confidence, polygon = line.text, line.confidence, line.polygon
        if not isinstance(text, str):
            return f"It gave {type(text).__name__} for text."
        if len(text) > 200:
            return "It gave a line of more than 200 characters."
        if any(unicodedata.category(c) in ("Cc", "Cs", "Co", "Cn") for c in text):
            return "It gave text with control characters or broken Unicode."
        if isinstance(confidence, bool) or not math.isfinite(confidence):
            return "It gave a confidence that is no finite number."
        if not all(math.isfinite(v) for point in polygon for v in point):
            return "It gave coordinates that are no finite numbers."
        if any(len(point) != 2 for point in polygon):
            return "It gave points that are not (x, y)."
    except (AttributeError, TypeError, ValueError) as error:
        return f"It gave a line that is none: {_short(error)}"
    return None


def _failed(detail: str) -> Outcome:
    return Outcome(reason=Reason.ENGINE_FAILED, detail=f"The OCR engine failed. {detail}")


def _short(error: BaseException) -> str:
    text = f"{type(error).__name__}: {error}".encode("ascii", "replace").decode()
    return " ".join(text.split())[:200]


def _joined(lines: Sequence[OcrLine]) -> OcrLine:
    if not lines:
        return OcrLine("", 0.0)
    text = " ".join(
        line.text for line in sorted(lines, key=lambda line: min((p[0] for p in line.polygon), default=0))
    )
    return OcrLine(text[:200], min(line.confidence for line in lines))


def _framed(strip: Picture) -> Picture:
    margin = max(4, strip.shape[0] // 2)
    framed = cv2.copyMakeBorder(strip, margin, margin, margin, margin, cv2.BORDER_REPLICATE)
    return np.asarray(framed, np.uint8)


def _decode(scores: NDArray[np.float32], alphabet: Mapping[int, str]) -> OcrLine:
    """Greedy CTC decoding within an alphabet; the confidence counts what the whole network believed."""
    indices = np.array([0, *alphabet])
    allowed = scores[:, indices]
    best = allowed.argmax(axis=1)
    text, certainty, characters = [], [], []
    previous = 0
    for step, choice in enumerate(best):
        if choice not in (0, previous):
            text.append(alphabet[int(indices[choice])])
            certainty.append(float(allowed[step, choice]))
            characters.append(_candidates(allowed[step], indices, alphabet))
        elif choice != 0 and allowed[step, choice] > certainty[-1]:
            certainty[-1] = float(allowed[step, choice])
            characters[-1] = _candidates(allowed[step], indices, alphabet)
        previous = int(choice)
    joined = "".join(text)
    start = len(joined) - len(joined.lstrip())
    stop = len(joined.rstrip())
    certainty, characters = certainty[start:stop], characters[start:stop]
    return OcrLine(
        joined.strip(), float(np.mean(certainty)) if certainty else 0.0, characters=tuple(characters)
    )


def _candidates(
    row: NDArray[np.float32], indices: NDArray[Any], alphabet: Mapping[int, str]
) -> tuple[tuple[str, float], ...]:
    ranked = [i for i in np.argsort(row)[::-1][:4] if i != 0][:3]
    return tuple((alphabet[int(indices[i])], round(float(row[i]), 4)) for i in ranked if row[i] > 0.02)


# --- the child process -------------------------------------------------------------------------------


class _Child:
    """An engine in a process of its own: length-prefixed frames in, JSON lines out."""

    def __init__(self, engine: OcrEngine) -> None:
        kind = type(engine)
        spec = json.dumps({"module": kind.__module__, "name": kind.__qualname__, "path": sys.path})
        self._process = subprocess.Popen(
            [sys.executable, "-c", "from vision.ocr import serve; serve()", spec],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
        )

    def ask(self, method: str, pictures: Sequence[Picture], deadline_s: float) -> dict[str, Any]:
        """Return the child's answer; raise ``OSError`` when it died, ``TimeoutError`` when it hangs."""
        patience = Patience(deadline_s, self._process.pid)
        sender = threading.Thread(target=self._send, args=(method, pictures), daemon=True)
        sender.start()
        assert self._process.stdout is not None
        size = struct.unpack(">Q", self._receive(8, patience))[0]
        if size > 50_000_000:
            raise ValueError("an answer of more than 50 MB")
        answer = json.loads(self._receive(size, patience))
        sender.join(timeout=1.0)
        if not isinstance(answer, dict):
            raise ValueError("an answer that is no object")
        return answer

    def kill(self) -> None:
        """End the process at once."""
        self._process.kill()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                try:
                    pipe.close()
                except OSError:
                    continue
        self._process.wait(timeout=5)

    def _send(self, method: str, pictures: Sequence[Picture]) -> None:
        assert self._process.stdin is not None
        shapes = [list(p.shape) for p in pictures]
        header = json.dumps({"method": method, "shapes": shapes}).encode()
        try:
            self._process.stdin.write(struct.pack(">Q", len(header)) + header)
            for picture in pictures:
                self._process.stdin.write(np.ascontiguousarray(picture).tobytes())
            self._process.stdin.flush()
        except (OSError, ValueError):
            return  # the reader notices that the child is gone

    def _receive(self, size: int, patience: Patience) -> bytes:
        assert self._process.stdout is not None
        descriptor = self._process.stdout.fileno()
        data = bytearray()
        with selectors.DefaultSelector() as selector:
            selector.register(descriptor, selectors.EVENT_READ)
            while len(data) < size:
                left_s = patience.left_s()
                if left_s <= 0:
                    raise TimeoutError("no answer before the deadline")
                if not selector.select(left_s):
                    continue  # perhaps it had no processor
                chunk = os.read(descriptor, min(size - len(data), 1 << 16))
                if not chunk:
                    raise OSError("its process died")
                data += chunk
        return bytes(data)


def serve() -> None:
    """Run one engine as a child process: requests on standard input, answers on standard output.

    Standard output is taken away from the engine first, so that whatever it prints goes nowhere.
    """
    answers = os.fdopen(os.dup(1), "wb", buffering=0)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    requests = sys.stdin.buffer
    threading.Thread(target=_leave_with_parent, args=(os.getppid(),), daemon=True).start()
    engine, trouble = _load(json.loads(sys.argv[1]))
    while True:
        head = requests.read(8)
        if len(head) < 8:
            return
        request = json.loads(requests.read(struct.unpack(">Q", head)[0]))
        pictures = [_picture_from(requests, shape) for shape in request["shapes"]]
        answer = trouble if engine is None else _answer(engine, request["method"], pictures)
        body = json.dumps(answer, default=lambda _: None).encode("ascii")
        answers.write(struct.pack(">Q", len(body)) + body)


def _load(spec: Mapping[str, Any]) -> tuple[OcrEngine | None, dict[str, Any]]:
    try:
        sys.path[:] = spec["path"]
        target: Any = importlib.import_module(spec["module"])
        for name in spec["name"].split("."):
            target = getattr(target, name)
        engine: OcrEngine = target()
        missing = engine.available()
    except Exception as error:
        return None, {"missing": _short(error)}
    return (engine, {}) if missing is None else (None, {"missing": str(missing)})


def _answer(engine: OcrEngine, method: str, pictures: list[Picture]) -> dict[str, Any]:
    try:
        lines: Iterable[Any] = getattr(engine, method)(pictures if method == "recognize" else pictures[0])
        return {
            "lines": [
                {
                    "text": line.text,
                    "confidence": line.confidence,
                    "polygon": [[float(v) for v in point] for point in line.polygon],
                    "characters": [[[c, float(p)] for c, p in options] for options in line.characters],
                }
                for line in lines
            ]
        }
    except Exception as error:
        return {"error": _short(error)}


def _picture_from(stream: BinaryIO, shape: Sequence[int]) -> Picture:
    size = math.prod(shape)
    return np.frombuffer(stream.read(size), np.uint8).reshape(shape).copy()


def _line_from_json(item: Any) -> OcrLine:
    characters = tuple(tuple((str(c), float(p)) for c, p in options) for options in item["characters"])
    return OcrLine(item["text"], item["confidence"], tuple(tuple(p) for p in item["polygon"]), characters)


def _leave_with_parent(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(0.5)
    os._exit(1)
