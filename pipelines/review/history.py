"""What was said step by step, so that a step can be taken back after the page was closed and opened again."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from pipelines import files
from pipelines.review.paper import Paper
from vision.errors import OutputError

#: Folder beside the photos in which the page keeps its memory; the command line never needs it.
FOLDER = ".rakelight-review"
_FILE = "history.json"
_MOST_STEPS = 200


@dataclass(frozen=True, slots=True)
class Step:
    """How things stand after a step: both files, guide and claim. ``label`` names what was done."""

    label: str
    paper: Paper
    guide: str
    claim: str | None


@dataclass
class History:
    """Steps, of which those up to ``at`` are done.

    Attributes
    ----------
    revision
        Counts every change ever made, so that a stale page is noticed.
    """

    steps: list[Step] = field(default_factory=list)
    at: int = 0
    revision: int = 0

    @property
    def now(self) -> Step:
        """How things stand."""
        return self.steps[self.at]

    @property
    def undoable(self) -> str:
        """What would be taken back; empty when there is nothing."""
        return self.steps[self.at].label if self.at > 0 else ""

    @property
    def redoable(self) -> str:
        """What would be done again; empty when there is nothing."""
        return self.steps[self.at + 1].label if self.at + 1 < len(self.steps) else ""

    def add(self, step: Step) -> None:
        """Take a step; what was taken back before is forgotten."""
        del self.steps[self.at + 1 :]
        self.steps.append(step)
        del self.steps[:-_MOST_STEPS]
        self.at = len(self.steps) - 1
        self.revision += 1

    def move(self, by: int) -> None:
        """Take a step back (-1) or again (+1)."""
        self.at = min(max(self.at + by, 0), len(self.steps) - 1)
        self.revision += 1

    def save(self, folder: Path) -> None:
        """Write the history; where that is impossible, it lasts as long as the page."""
        place = folder / FOLDER
        text = json.dumps(
            {"at": self.at, "revision": self.revision, "steps": [asdict(s) for s in self.steps]}
        )
        with contextlib.suppress(OutputError, OSError):
            place.mkdir(exist_ok=True)
            files.write_file(place / _FILE, text)

    @classmethod
    def load(cls, folder: Path) -> History:
        """Return the history kept in a folder; an empty one when there is none or it is damaged."""
        try:
            data = json.loads((folder / FOLDER / _FILE).read_text(encoding="utf-8"))
            steps = [_step(step) for step in data["steps"]]
            at, revision = int(data["at"]), int(data["revision"])
        except (OSError, ValueError, KeyError, TypeError):
            return cls()
        return cls(steps, at, revision) if 0 <= at < len(steps) else cls()


def _step(data: Mapping[str, Any]) -> Step:
    paper = data["paper"]
    texts = (paper["findings"], paper["regions"], data["claim"])
    if not all(text is None or isinstance(text, str) for text in texts):
        raise TypeError("a step of another form")
    return Step(str(data["label"]), Paper(*texts[:2]), str(data["guide"]), texts[2])
