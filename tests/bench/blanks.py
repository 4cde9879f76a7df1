"""Is text read where none is? Vinyl without letters, other textures, and pieces of photos of dolls.

    uv run python -m tests.bench.blanks [--each 12] [--more FOLDER …]

Every picture is read as a close-up of a mark would be. Printed are, for each kind of picture, in how many
text was stated, in how many it was said to be absent, and in how many neither; text that was stated is shown.
Pieces of the second set's photos show hair, cloth, skin and holes; none of its faces, bodies and soles has
letters. Textures are photographs that scikit-image carries. ``--more`` adds folders of pictures without
letters.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tests import drawn_marks
from tests.bench.reach import ROOT
from vision import mark_text
from vision.locate.mark import find_marks
from vision.ocr import default_engine
from vision.photo import Photo, load

Picture = NDArray[np.uint8]
_TEXTURES = ("brick", "grass", "gravel", "moon", "retina", "chelsea", "hubble_deep_field")
_PIECE = 640


def drawn(rng: np.random.Generator, mask: NDArray[np.float32]) -> Picture:
    """Return relief without letters under a light from anywhere."""
    return drawn_marks.photographed(
        mask,
        azimuth_deg=rng.uniform(0, 360),
        elevation_deg=rng.uniform(12, 70),
        depth=rng.choice([-1, 1]) * rng.uniform(1, 4),
        seed=int(rng.integers(1 << 30)),
    )


def bare(rng: np.random.Generator) -> Picture:
    """Return vinyl with its grain alone."""
    return drawn(rng, np.zeros(drawn_marks.SIZE, np.float32))


def scratched(rng: np.random.Generator) -> Picture:
    """Return vinyl with a seam, scratches and pits."""
    return drawn(rng, drawn_marks.scratched(int(rng.integers(1 << 30))))


def woven(rng: np.random.Generator) -> Picture:
    """Return cloth: threads over and under, at a slant, pulled a little out of line."""
    height, width = drawn_marks.SIZE
    yy, xx = np.mgrid[:height, :width].astype(np.float32)
    pull = cv2.GaussianBlur(rng.normal(0, 1, (2, *drawn_marks.SIZE)).transpose(1, 2, 0), (0, 0), 30)
    xx, yy = xx + 40 * pull[..., 0].astype(np.float32), yy + 40 * pull[..., 1].astype(np.float32)
    angle, pitch = rng.uniform(0, math.pi), rng.uniform(6, 24)
    u = (xx * math.cos(angle) + yy * math.sin(angle)) * 2 * math.pi / pitch
    v = (yy * math.cos(angle) - xx * math.sin(angle)) * 2 * math.pi / pitch
    over = np.sin(u / 2) * np.sin(v / 2) > 0
    return drawn(rng, np.where(over, np.abs(np.sin(u / 2)), np.abs(np.sin(v / 2))).astype(np.float32))


def hairy(rng: np.random.Generator) -> Picture:
    """Return vinyl with loose hairs across it, curled and crossing."""
    mask = np.zeros(drawn_marks.SIZE, np.float32)
    for _ in range(int(rng.integers(4, 40))):
        start, turn = rng.uniform(0, 700, 2), rng.uniform(0, 2 * math.pi)
        turns = turn + np.cumsum(rng.normal(0, 0.02, 90) + rng.normal(0, 0.03))
        path = start + np.cumsum(7 * np.stack([np.cos(turns), np.sin(turns)], axis=1), axis=0)
        cv2.polylines(
            mask, [np.round(path).astype(np.int32)], False, 1.0, int(rng.integers(1, 4)), cv2.LINE_AA
        )
    return drawn(rng, mask)


def textures() -> list[Picture]:
    """Return the photographs of textures that scikit-image carries."""
    import skimage

    folder = Path(skimage.__file__).parent / "data"
    files = [next(folder.glob(f"{name}.*")) for name in _TEXTURES]
    return [load(path.read_bytes(), path.name).rgb for path in files]


def photos_of(folder: Path, *beginnings: str) -> list[Picture]:
    """Return the photos of a folder whose names begin so."""
    paths = [p for p in sorted(folder.iterdir()) if p.suffix in (".jpg", ".png")]
    return [load(p.read_bytes(), p.name).rgb for p in paths if p.name.startswith(beginnings or ("",))]


def pieces(pictures: list[Picture]) -> Callable[[np.random.Generator], Picture]:
    """Return what cuts a piece out of one of the pictures, somewhere."""

    def cut(rng: np.random.Generator) -> Picture:
        rgb = pictures[int(rng.integers(len(pictures)))]
        height, width = (min(_PIECE, n) for n in rgb.shape[:2])
        y, x = (int(rng.integers(n - k + 1)) for n, k in zip(rgb.shape, (height, width), strict=False))
        return np.ascontiguousarray(rgb[y : y + height, x : x + width])

    return cut


def kinds(more: list[Path]) -> Iterator[tuple[str, Callable[[np.random.Generator], Picture]]]:
    """Yield each kind of picture and what makes one."""
    yield from (("vinyl", bare), ("seams, scratches, pits", scratched), ("cloth", woven), ("hairs", hairy))
    yield "textures", pieces(textures())
    second = ROOT / "second" / "photos"
    for what in ("face", "body", "soles", "mark_blank"):
        yield f"of photos: {what}", pieces(photos_of(second, what))
    yield from ((folder.name, pieces(photos_of(folder))) for folder in more)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--each", type=int, default=12, help="pictures of each kind")
    parser.add_argument(
        "--more", type=Path, nargs="*", default=[], help="folders of pictures without letters"
    )
    args = parser.parse_args()
    engine = default_engine()
    print(f"{'kind':<26}{'pictures':>9}{'text':>6}{'absent':>8}{'neither':>9}")
    said: list[str] = []
    total = wrong = 0
    for number, (kind, make) in enumerate(kinds(args.more)):
        states = []
        for seed in range(args.each):
            photo = Photo.from_array(make(np.random.default_rng([number, seed])))
            record = mark_text.measure(photo, find_marks(photo), engine)
            states.append(record.state)
            if record.state == "present":
                texts = ", ".join(f"“{line.text}” {line.confidence:.2f}" for line in record.text or ())
                said.append(f"{kind}, seed {seed}: {record.confidence:.2f} {texts}")
        present, absent = (states.count(s) for s in ("present", "absent"))
        neither = args.each - present - absent
        print(f"{kind:<26}{args.each:>9}{present:>6}{absent:>8}{neither:>9}", flush=True)
        total, wrong = total + args.each, wrong + present
    print(f"\nno text in {1 - wrong / total:.1%} of {total}")
    print("\n".join(said))


if __name__ == "__main__":
    main()
