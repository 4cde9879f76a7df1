"""Charts in real photographs: how many are found, how well they are corrected, what is refused and why.

    python -m tests.bench.charts [--folder DIR]

The photographs are private and lie beside the checkout (``RAKELIGHT_REAL_PHOTOS`` names another place); where
they are absent nothing is checked, and the line printed says so. What each shows is told by its name:
``plantbooth*`` a classic chart of some 40 px, too small on purpose; ``*other_maker*`` 24 patches that are not
the classic set; all others a classic chart at least 120 px wide.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2

from vision.chart import find_chart
from vision.photo import load

HOME = Path(__file__).resolve().parents[3] / "shared" / "real"
#: Bars of the row: share of charts found, largest mean ΔE00 after the fit.
LEAST_FOUND, MOST_RESIDUAL = 0.9, 4.0


@dataclass(frozen=True)
class Seen:
    """What became of one photograph; ``shows`` is ``"classic"``, ``"tiny"`` or ``"other maker"``."""

    file: str
    shows: str
    width_px: float | None
    residual_mean: float | None
    residual_max: float | None
    refused: tuple[str, ...]

    @property
    def found(self) -> bool:
        """Whether a chart was fitted."""
        return self.residual_mean is not None


def shown_by(name: str) -> str:
    """Return what a photograph shows, by its name."""
    if name.startswith("plantbooth"):
        return "tiny"
    return "other maker" if "other_maker" in name else "classic"


def read(path: Path) -> Seen:
    """Search one photograph."""
    search = find_chart(load(path.read_bytes(), path.name).rgb)
    fit = search.fit
    if fit is None:
        return Seen(path.name, shown_by(path.name), None, None, None, search.refused)
    width = 6 * fit.pitch_px
    return Seen(path.name, shown_by(path.name), width, fit.residual_mean, fit.residual_max, ())


def shortfalls(seen: Sequence[Seen]) -> list[str]:
    """Return what misses its bar, in words; a kind of which there is no photograph misses none."""
    classic = [s for s in seen if s.shows == "classic"]
    out = []
    if classic and sum(s.found for s in classic) < LEAST_FOUND * len(classic):
        out.append(f"found {sum(s.found for s in classic)} of {len(classic)}")
    out += [
        f"{s.file}: mean ΔE00 {s.residual_mean:.1f} after the fit"
        for s in classic
        if s.residual_mean is not None and s.residual_mean > MOST_RESIDUAL
    ]
    tiny = [s for s in seen if s.shows == "tiny"]
    out += [f"{s.file}: not refused as too small" for s in tiny if not _too_small(s)]
    out += [f"{s.file}: mistaken for the classic set" for s in seen if s.shows == "other maker" and s.found]
    return out


def _too_small(seen: Seen) -> bool:
    return not seen.found and any("too small" in why for why in seen.refused)


def place() -> Path:
    """Return where the real chart photographs would lie."""
    return Path(os.environ.get("RAKELIGHT_REAL_PHOTOS") or HOME) / "chart"


def main() -> None:
    """Run the command."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.charts", description=__doc__)
    parser.add_argument("--folder", type=Path, default=place())
    folder: Path = parser.parse_args().folder
    cv2.setNumThreads(1)
    if not folder.is_dir():
        print("not checked: the private real photographs are not on this machine")
        return
    seen = [read(path) for path in sorted(folder.iterdir()) if path.is_file()]
    for s in seen:
        what = (
            f"{s.width_px:.0f} px wide, ΔE00 {s.residual_mean:.1f} mean, {s.residual_max:.1f} worst"
            if s.found
            else " / ".join(s.refused) or "nothing found"
        )
        print(f"{s.file:32}{s.shows:13}{what}")
    for kind in ("classic", "tiny", "other maker"):
        some = [s for s in seen if s.shows == kind]
        print(
            f"{kind}: {sum(s.found for s in some)} of {len(some)} fitted"
            if some
            else f"{kind}: no photo here"
        )
    print("\n".join(shortfalls(seen)) or "no bar missed")


if __name__ == "__main__":
    main()
