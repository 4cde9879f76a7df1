"""A reader of molded lettering: one straightened line in, characters out, signs among them.

General engines are trained on print. This network saw nothing but relief: lettering in some 390 free fonts,
raised and incised, worn, under random light, and heights (``sample_images/train_marks.py``; the record
beside the weights says how well it reads fonts it has not seen). Alone it errs more often than a general
engine on clear lettering, but it errs differently: that is what makes it worth asking. Small letters come
out as capitals.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from difflib import SequenceMatcher
from functools import cache, lru_cache
from importlib.resources import files
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.network import open_own
from vision.ocr import OcrLine, cut_out, straightened
from vision.relief import Float, luminance

#: Height of the strips read, in pixels; capitals are 17–38 of them.
STRIP_PX = 48

_MODEL = "models/mark_reader.onnx"
_DARKEST = np.float32(2 / 255)
_SLOW_PX, _LOCAL_PX = 16.0, 32.0
#: Width of a Gaussian on the reduced picture that stands for a wide one on the whole.
_REDUCED_SIGMA = 8.0
#: Room across a line that it is looked at with, times its outline's.
ROOMS = (0.8, 0.88, 0.96, 1.04)
#: Strength that heights, which have no unit, are brought to.
_HEIGHT_STRENGTH = np.float32(0.15)


def available() -> bool:
    """Return whether the weights and the run time are installed."""
    import importlib.util

    there = files("vision").joinpath(_MODEL).is_file()
    return there and importlib.util.find_spec("onnxruntime") is not None


def evened(signal: Float, is_height: bool = False) -> tuple[Float, Float]:
    """Return a signal as the networks see it: over its local strength, and as it is.

    Parameters
    ----------
    signal
        (H, W) float32: log of linear luminance + 2/255, or a height of any unit.
    is_height
        Whether it is a height; its strength is then made that of usual shading.

    Returns
    -------
    Two (H, W) float32: the fine signal over its local strength, within ±4, and the fine signal.
    """
    fine = signal - _blurred(signal, _SLOW_PX)
    if is_height:
        fine = fine * (_HEIGHT_STRENGTH / (np.sqrt(np.mean(fine * fine)) + np.float32(1e-9)))
    local = np.sqrt(np.maximum(_blurred(fine * fine, _LOCAL_PX), 0.0))
    return np.clip(fine / (local + np.float32(0.01)), -4, 4).astype(np.float32), fine.astype(np.float32)


def shading(rgb: NDArray[np.uint8]) -> Float:
    """Return log luminance, (H, W) float32, of (H, W, 3) uint8 sRGB."""
    return np.log(luminance(rgb) + _DARKEST)


def scores(strips: Sequence[Float]) -> list[NDArray[np.float32]]:
    """Return log shares of the classes along strips.

    Parameters
    ----------
    strips
        (48, W) float32 each, from :func:`evened`: one upright line.

    Returns
    -------
    For each strip (about W / 2, classes) float32 logarithms; class 0 is "nothing", class k the k-th
    character of :func:`alphabet`. Strips of one width give the same number of steps.
    """
    out: list[NDArray[np.float32]] = [np.zeros((0, 0), np.float32)] * len(strips)
    by_width: dict[int, list[int]] = {}
    for index, strip in enumerate(strips):
        by_width.setdefault(-(-strip.shape[1] // 16) * 16, []).append(index)
    session = _session()
    for width, chosen in by_width.items():
        tensor = np.zeros((len(chosen), 1, STRIP_PX, width), np.float32)
        for row, index in enumerate(chosen):
            tensor[row, 0, :, : strips[index].shape[1]] = strips[index]
        raw = np.asarray(session.run(None, {session.get_inputs()[0].name: tensor})[0], np.float32)
        top = raw - raw.max(axis=2, keepdims=True)
        logs = top - np.log(np.exp(top).sum(axis=2, keepdims=True))
        for row, index in enumerate(chosen):
            out[index] = logs[row, : max(1, strips[index].shape[1] // 2)]
    return out


def averaged(looks: Sequence[NDArray[np.float32]]) -> NDArray[np.float32]:
    """Return the mean of several looks at one line, (steps, classes) logarithms of equal shape, as one."""
    mean = np.mean(np.stack(looks), axis=0)
    return np.asarray(mean - np.log(np.exp(mean).sum(axis=1, keepdims=True)), np.float32)


def spelled(logs: NDArray[np.float32]) -> OcrLine:
    """Return what the likeliest classes spell: greedy decoding (Graves et al. 2006, 10.1145/1143844.1143891).

    Parameters
    ----------
    logs
        (steps, classes) from :func:`scores` or :func:`averaged`.

    Returns
    -------
    The line; ``confidence`` is the mean share of its characters, ``characters`` the candidates of each.
    """
    letters = alphabet()
    best = logs.argmax(axis=1)
    text: list[str] = []
    peaks: list[NDArray[np.float32]] = []
    for step, choice in enumerate(best):
        if choice == 0:
            continue
        if step and best[step - 1] == choice:
            if logs[step, choice] > peaks[-1][choice]:
                peaks[-1] = logs[step]
            continue
        text.append(letters[choice - 1])
        peaks.append(logs[step])
    while text and text[0] == " ":
        del text[0], peaks[0]
    while text and text[-1] == " ":
        del text[-1], peaks[-1]
    sure = [float(np.exp(p[1:].max())) for p in peaks]
    return OcrLine(
        "".join(text), float(np.mean(sure)) if sure else 0.0, characters=tuple(_candidates(p) for p in peaks)
    )


def _candidates(peak: NDArray[np.float32]) -> tuple[tuple[str, float], ...]:
    letters, shares = alphabet(), np.exp(peak)
    ranked = [int(k) for k in np.argsort(shares)[::-1][:4] if k != 0][:3]
    return tuple((letters[k - 1], round(float(shares[k]), 4)) for k in ranked if shares[k] > 0.02)


def opinions(
    pictures: Sequence[NDArray[np.uint8]],
    outline: NDArray[Any],
    height: Float | None = None,
    rooms: Sequence[float] = ROOMS,
) -> list[OcrLine]:
    """Return readings of one line: first the one on which all looks agree best, then each look's own.

    Parameters
    ----------
    pictures
        (H, W, 3) uint8 sRGB photos of one place, pixel on pixel.
    outline
        (2 k, 2) points: the upper edge of the line as read, then the lower edge back.
    height
        (H, W) float32 height of the same place, any unit and sign; None when there is none.
    rooms
        Room across the line that it is looked at with, times its outline's.
    """
    points = np.asarray(outline, np.float64).reshape(-1, 2)
    strips: list[Float] = []
    for room in rooms:
        band = with_room(points, room)
        strips += [evened(shading(straightened(rgb, band, STRIP_PX)))[0] for rgb in pictures]
        if height is not None:
            relief = np.asarray(cut_out(height, band, STRIP_PX), np.float32)
            strips += [evened(relief, True)[0], evened(-relief, True)[0]]
    looks = scores(strips)
    each = len(looks) // len(rooms)
    by_room = [spelled(averaged(looks[i : i + each])) for i in range(0, len(looks), each)]
    return [_likest(by_room), *(spelled(look) for look in looks)]


def _likest(said: Sequence[OcrLine]) -> OcrLine:
    """The reading that is most like all.

    Looks with unlike room show a letter at unlike steps: their mean would lose letters that each of them
    sees.
    """
    return max(said, key=lambda one: sum(o.confidence * _likeness(one.text, o.text) for o in said))


def _likeness(a: str, b: str) -> float:
    return SequenceMatcher(None, a, b, autojunk=False).ratio()


def with_room(outline: NDArray[np.float64], factor: float) -> NDArray[np.float64]:
    """Return a line's outline with ``factor`` times the room across, its length unchanged."""
    half = len(outline) // 2
    upper, lower = outline[:half], outline[half:][::-1]
    middle = 0.5 * (upper + lower)
    return np.concatenate([middle + factor * (upper - middle), (middle + factor * (lower - middle))[::-1]])


@cache
def alphabet() -> str:
    """Return the characters read, in the order of the classes; ``¤`` is some sign other than ®, © and ™."""
    record = json.loads(files("vision").joinpath("models/mark_reader.json").read_text(encoding="utf-8"))
    return str(record["alphabet"])


@cache
def _session() -> Any:
    return open_own(_MODEL)


def _blurred(image: Float, sigma: float) -> Float:
    """Gaussian average whose weights outside the picture are left out; taken on a reduced picture.

    Reducing by areas and enlarging by straight lines smooth by variances of 1/12 and 1/6 of the step's
    square, which the Gaussian then need not. The network's training took it at full size: within 1 % of the
    signal's strength it is the same.
    """
    height, width = image.shape
    step = sigma / _REDUCED_SIGMA
    size = (max(1, round(width / step)), max(1, round(height / step)))
    left = math.sqrt(_REDUCED_SIGMA**2 - 0.25)
    reach = (2 * int(3.5 * left) + 1,) * 2
    reduced = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    summed = cv2.GaussianBlur(reduced, reach, left, borderType=cv2.BORDER_CONSTANT)
    average = summed / (_weights(size[1], left)[:, None] * _weights(size[0], left))
    return np.asarray(cv2.resize(average, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)


@lru_cache(maxsize=32)
def _weights(length: int, sigma: float) -> Float:
    """Share of a Gaussian's weight that lies in a row of pixels, at each of them."""
    reach = 2 * int(3.5 * sigma) + 1
    row = np.ones((1, length), np.float32)
    return np.asarray(cv2.GaussianBlur(row, (reach, 1), sigma, borderType=cv2.BORDER_CONSTANT)[0], np.float32)
