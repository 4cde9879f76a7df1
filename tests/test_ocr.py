"""The OCR hook: whatever an engine does, the answer is a typed outcome."""

from __future__ import annotations

import time

import cv2
import numpy as np
import pytest

from tests.plugins import faulty_engines as faults
from vision import ocr
from vision.ocr import NullEngine, OcrLine, RapidEngine, guarded
from vision.traits import Reason

BLANK = np.full((60, 200, 3), 200, np.uint8)


def printed(text, scale=1.2):
    picture = np.full((90, 60 + 26 * len(text), 3), 225, np.uint8)
    cv2.putText(picture, text, (25, 60), cv2.FONT_HERSHEY_SIMPLEX, scale, (30, 30, 30), 3, cv2.LINE_AA)
    return picture


@pytest.fixture(scope="module")
def rapid():
    engine = guarded(RapidEngine())
    if engine.engine.available() is not None:
        pytest.skip("the OCR models are not installed")
    return engine


def test_isolated_engine_answers_from_its_own_process():
    guard = guarded(faults.Steady())
    outcome = guard.read(BLANK)
    assert outcome.reason is None
    assert [line.text for line in outcome.lines] == ["VERITY"]
    assert outcome.lines[0].polygon[2] == (200.0, 60.0)
    guard.close()


@pytest.mark.parametrize("engine", [faults.Absent, faults.AbsentLoudly])
def test_missing_engine_is_told_apart_from_a_broken_one(engine):
    assert guarded(engine()).read(BLANK).reason is Reason.ENGINE_MISSING


@pytest.mark.parametrize(
    "engine",
    [
        faults.Raises,
        faults.Exits,
        faults.Dies,
        faults.NotANumber,
        faults.Surrogate,
        faults.Control,
        faults.Bytes,
        faults.Endless,
        faults.LostCorner,
        faults.NoLines,
    ],
)
def test_fault_ends_as_engine_failed(engine):
    outcome = guarded(engine()).read(BLANK)
    assert outcome.reason is Reason.ENGINE_FAILED
    assert outcome.lines == ()
    assert outcome.detail.isprintable()


def test_hanging_engine_is_killed_at_the_deadline_and_not_asked_again():
    guard = guarded(faults.Hangs(), deadline_s=3.0)
    began = time.monotonic()
    assert guard.read(BLANK).reason is Reason.ENGINE_FAILED
    assert time.monotonic() - began < 5.0
    began = time.monotonic()
    assert guard.read(BLANK).reason is Reason.ENGINE_FAILED
    assert time.monotonic() - began < 0.1


def test_prints_of_an_engine_reach_nobody(capfd):
    guard = guarded(faults.Noisy())
    assert [line.text for line in guard.read(BLANK).lines] == ["VERITY"]
    guard.close()
    assert capfd.readouterr().out == ""


def test_wrong_number_of_strips_is_a_failure():
    class Short(NullEngine):
        def recognize(self, strips):
            return []

    assert guarded(Short()).recognize([BLANK, BLANK]).reason is Reason.ENGINE_FAILED


def test_null_engine_reads_nothing():
    guard = guarded(NullEngine())
    assert guard.read(BLANK) == ocr.Outcome()
    assert guard.recognize([BLANK]).lines == (OcrLine("", 0.0),)


def test_both_own_engines_are_discovered():
    found = ocr.discover()
    assert {"rapid", "null"} <= set(found)
    assert isinstance(found["null"](), NullEngine)


def test_unknown_engine_is_missing_not_an_error():
    assert ocr.default_engine("no such engine").read(BLANK).reason is Reason.ENGINE_MISSING


def test_plug_in_that_cannot_be_imported_says_so():
    class Point:
        name = "broken"

        def load(self):
            raise ModuleNotFoundError("no module named that")

    engine = ocr._lazy(Point())()
    assert "broken" in (engine.available() or "")


@pytest.mark.parametrize("text", ["HARGROVE 1417", "VERITY"])
def test_default_engine_reads_print(rapid, text):
    outcome = rapid.read(printed(text))
    assert "".join(line.text for line in outcome.lines).replace(" ", "") == text.replace(" ", "")


def test_default_engine_finds_nothing_on_even_ground(rapid):
    assert rapid.read(np.full((300, 400, 3), 180, np.uint8)).lines == ()


def test_default_engine_prints_nothing(rapid, capfd):
    rapid.read(printed("VERITY"))
    captured = capfd.readouterr()
    assert captured.out == ""
    assert captured.err == ""


def test_strip_of_a_bent_line_is_straight():
    """A ring sector unrolled: circles about the same center become rows."""
    yy, xx = np.mgrid[:400, :400].astype(np.float32)
    radius = np.hypot(xx - 200, yy - 420)
    picture = np.repeat(((np.abs(radius - 300) < 4) * 255).astype(np.uint8)[..., None], 3, axis=2)
    angles = np.radians(np.linspace(-115, -65, 30))
    ray = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    outline = np.concatenate([(200, 420) + 330 * ray, ((200, 420) + 270 * ray)[::-1]])
    strip = ocr.straightened(picture, outline, 60)[..., 0]
    rows = np.argmax(strip, axis=0)
    assert np.ptp(rows) <= 2
    assert abs(float(np.median(rows)) - 29.5) < 4.5
