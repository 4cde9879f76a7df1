"""OCR engines that each break one promise."""

from __future__ import annotations

import os
import signal
import sys
import time
from types import SimpleNamespace

from vision.ocr import OcrEngine, OcrLine


class Steady(OcrEngine):
    """Always reads the same line."""

    def available(self):
        return None

    def read(self, rgb):
        h, w = rgb.shape[:2]
        return [OcrLine("VERITY", 0.9, ((0, 0), (w, 0), (w, h), (0, h)))]


class Absent(Steady):
    def available(self):
        return "The model file is not there: reinstall the engine."


class AbsentLoudly(Steady):
    def available(self):
        raise ImportError("no such library")


class Raises(Steady):
    def read(self, rgb):
        raise RuntimeError("out of letters")


class Exits(Steady):
    def read(self, rgb):
        sys.exit(3)


class Dies(Steady):
    def read(self, rgb):
        os.kill(os.getpid(), signal.SIGKILL)


class Hangs(Steady):
    def read(self, rgb):
        while True:
            time.sleep(0.05)


class Works(Steady):
    """Needs a second of a processor before it answers."""

    def read(self, rgb):
        end = time.process_time() + 1.0
        while time.process_time() < end:
            pass
        return super().read(rgb)


class Noisy(Steady):
    def read(self, rgb):
        print("progress: 100 %")
        os.write(1, b"\xff\xfe raw bytes straight to the descriptor\n")
        return super().read(rgb)


class BadLines(Steady):
    """Hands back one line with something wrong with it; subclasses say what."""

    text = "VERITY"
    confidence = 0.9
    polygon = ((0.0, 0.0), (9.0, 0.0), (9.0, 9.0), (0.0, 9.0))

    def read(self, rgb):
        line = SimpleNamespace(
            text=self.text, confidence=self.confidence, polygon=self.polygon, characters=()
        )
        return [line]


class NotANumber(BadLines):
    confidence = float("nan")


class Surrogate(BadLines):
    text = "VER\ud800ITY"


class Control(BadLines):
    text = "VER\x1b[31mITY\x00"


class Bytes(BadLines):
    text = b"\xff\xfe"


class Endless(BadLines):
    text = "A" * 100_000


class LostCorner(BadLines):
    polygon = ((0.0, float("inf")), (9.0, 0.0), (9.0, 9.0))


class NoLines(Steady):
    def read(self, rgb):
        return None
