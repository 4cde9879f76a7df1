"""Worse and worse photos of the same faces: the readings must fall silent before they turn wrong.

``uv run python -m tests.bench.degrade --set tuning`` takes every face photo of the set, worsens its face step
by step in one way at a time, measures it anew and prints, for each step, how many readings are right, wrong
and withheld. ``--only WAY`` keeps one way, ``--photos N`` the first so many photos, ``--worst`` lists wrong
answers. The exit code is 1 when a step has wrong answers that the photo as it was did not have.

What a worsened photo still shows is judged against the truth of the photo as it was. The ways:

- *blur*: a Gaussian, its standard deviation in pixels of a face 400 px wide;
- *noise*: of the sensor, as a share of mid gray, at half the resolution (as cameras smooth it);
- *size*: the face's width in pixels;
- *jpeg*: the quality it is saved with;
- *cast*: the light's color temperature, seen by a camera set to 5,000 K;
- *exposure*: in stops; what leaves the range is clipped.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.truth import light_rgb
from tests.bench.reach import ROOT, photos_of, truth_path
from vision.color import linear_to_srgb, srgb_to_linear
from vision.network import WITHOUT
from vision.photo import Photo, load
from vision.traits import TraitRecord

Pixels = NDArray[np.uint8]

STEPS: Mapping[str, tuple[float, ...]] = {
    "blur": (1.0, 2.0, 3.0, 4.5, 6.0),
    "noise": (0.03, 0.06, 0.12, 0.2),
    "size": (250, 160, 110, 80, 55),
    "jpeg": (60, 35, 18, 8),
    "cast": (2700, 3500, 4500, 6000, 7500),
    "exposure": (-3, -2, -1, 0.7, 1.4),
}
TRAITS = ("eyeliner_color", "iris_color", "lip_paint", "skin_sheen", "ear_stain")
#: Width of the face, in pixels, that photos are brought to before they are worsened, if they are larger.
FACE_PX = 400.0
#: The camera is set to this color temperature when the light's is varied.
SET_TO_K = 5000.0


@dataclass(frozen=True)
class Answer:
    """One reading of one worsened photo beside its truth."""

    photo: str
    way: str
    step: float
    trait: str
    truth: str
    said: str | None
    confidence: float

    @property
    def outcome(self) -> str:
        """``right``, ``wrong`` or ``withheld``."""
        return "withheld" if self.said is None else "right" if self.said == self.truth else "wrong"


def _in_light(rgb: Pixels, change: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> Pixels:
    light = np.clip(change(srgb_to_linear(rgb)), 0, 1)
    return np.asarray(np.round(255 * linear_to_srgb(light)), np.uint8)


def blur(rgb: Pixels, sigma: float, face_px: float) -> Pixels:
    """Blur in linear light; ``sigma`` is stated for a face of ``FACE_PX``."""
    return _in_light(rgb, lambda light: cv2.GaussianBlur(light, (0, 0), sigma * face_px / FACE_PX))


def noise(rgb: Pixels, share: float, seed: int = 0) -> Pixels:
    """Add sensor noise whose spread grows with the root of the light; ``share`` of mid gray (0.18)."""
    rng = np.random.default_rng(seed)
    half = (rgb.shape[0] // 2 + 1, rgb.shape[1] // 2 + 1, 3)
    grain = cv2.resize(rng.normal(0, 1, half), (rgb.shape[1], rgb.shape[0]), interpolation=cv2.INTER_LINEAR)
    return _in_light(rgb, lambda light: light + 0.18 * share * grain * np.sqrt(light / 0.18 + 0.1))


def resized(rgb: Pixels, share: float) -> Pixels:
    """Shrink by averaging."""
    return np.asarray(cv2.resize(rgb, None, fx=share, fy=share, interpolation=cv2.INTER_AREA), np.uint8)


def saved(rgb: Pixels, quality: int) -> Pixels:
    """Save as a JPEG and read it again."""
    from vision.draw import encode_jpeg

    return load(encode_jpeg(rgb, quality), "worse.jpg").rgb


def lit(rgb: Pixels, kelvin: float, neutral: NDArray[np.float64]) -> Pixels:
    """Exchange the light for a black body's; ``neutral`` (3,) is what a neutral surface reads now."""
    want = light_rgb(kelvin) / light_rgb(SET_TO_K)
    return _in_light(rgb, lambda light: light * (want / want[1]) / (neutral / neutral[1]))


def exposed(rgb: Pixels, stops: float) -> Pixels:
    """Expose longer or shorter."""
    return _in_light(rgb, lambda light: light * 2.0**stops)


def worsen(rgb: Pixels, way: str, step: float, face_px: float, truth: Mapping[str, Any]) -> Pixels:
    """Worsen a picture of a face ``face_px`` wide by one step."""
    return {
        "blur": lambda: blur(rgb, step, face_px),
        "noise": lambda: noise(rgb, step),
        "size": lambda: resized(rgb, min(1.0, step / face_px)),
        "jpeg": lambda: saved(rgb, int(step)),
        "cast": lambda: lit(rgb, step, np.asarray(truth["neutral_rgb"], float)),
        "exposure": lambda: exposed(rgb, step),
    }[way]()


def face_of(photo: Photo, truth: Mapping[str, Any]) -> tuple[Pixels, float]:
    """Cut out the head with room around it, at most so large that its face is ``FACE_PX`` wide.

    Returns
    -------
    The (H, W, 3) picture and the width of its face in pixels.
    """
    x0, y0, x1, y1 = truth["places"]["face_box"]
    room = 0.7 * max(x1 - x0, y1 - y0)
    part = photo.rgb[max(0, int(y0 - room)) : int(y1 + room), max(0, int(x0 - room)) : int(x1 + room)]
    share = min(1.0, FACE_PX / (x1 - x0))
    return np.ascontiguousarray(resized(part, share)), float(share * (x1 - x0))


def read(rgb: Pixels) -> dict[str, TraitRecord]:
    """Measure the face traits of a picture of one head; a reading of an ear is named ``ear_stain PART``."""
    from pipelines.examine import Request, examine_photo
    from vision.traits import Trait, View

    only = frozenset(Trait(t) for t in TRAITS)
    record = examine_photo(Photo.from_array(rgb), Request(only=only, view=View.FACE), "worse.jpg")
    return {
        f"{r.trait} {r.part}" if r.trait == Trait.EAR_STAIN and r.part else str(r.trait): r
        for r in record.traits
    }


def expected(truth: Mapping[str, Any]) -> dict[str, str]:
    """Return the true states by the names of :func:`read`."""
    traits = truth["traits"]
    out = {t: traits[t]["state"] for t in TRAITS[:-1] if (traits.get(t) or {}).get("state")}
    return out | {f"ear_stain {ear['part']}": ear["state"] for ear in traits.get("ear_stain") or []}


def answers_of(job: tuple[str, str, tuple[str, ...]]) -> list[Answer]:
    """Measure one photo as it is and worsened in every way."""
    cv2.setNumThreads(1)
    root, name, ways = job
    truth = json.loads(truth_path(Path(root), name).read_text(encoding="utf-8"))
    rgb, face_px = face_of(load((Path(root) / name).read_bytes(), name), truth)
    pictures = [("as it is", 0.0, rgb)]
    pictures += [(way, s, worsen(rgb, way, s, face_px, truth)) for way in ways for s in STEPS[way]]
    states = expected(truth)
    out = []
    for way, step, picture in pictures:
        got = read(picture)
        for trait, state in states.items():
            record = got.get(trait)
            said, sure = (None, 0.0) if record is None else (record.state, record.confidence)
            out.append(Answer(name, way, step, trait.split()[0], state, said, sure))
    return out


def table(answers: list[Answer]) -> Iterator[str]:
    """Yield a line for each step: right / wrong / withheld of all readings, and the wrong of each trait."""
    yield f"{'step':<18}{'right':>7}{'wrong':>7}{'withheld':>10}{'wrong ≥ 0.9':>13}   wrong, by trait"
    steps = dict.fromkeys((a.way, a.step) for a in answers)
    for way, step in steps:
        some = [a for a in answers if (a.way, a.step) == (way, step)]
        count = Counter(a.outcome for a in some)
        wrong = Counter(a.trait for a in some if a.outcome == "wrong")
        sure = sum(a.outcome == "wrong" and a.confidence >= 0.9 for a in some)
        label = way if way == "as it is" else f"{way} {step:g}"
        yield (
            f"{label:<18}{count['right']:>7}{count['wrong']:>7}{count['withheld']:>10}{sure:>13}   "
            + ", ".join(f"{trait} {n}" for trait, n in sorted(wrong.items()))
        )


def turned(answers: list[Answer]) -> list[Answer]:
    """Return the wrong answers that the photo as it was did not give."""
    before = {(a.photo, a.trait, a.truth, a.said) for a in answers if a.way == "as it is"}
    return [a for a in answers if a.outcome == "wrong" and (a.photo, a.trait, a.truth, a.said) not in before]


def main() -> int:
    """Print the table; returns 1 when worsening a photo turned an answer into a wrong one."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--set", default="tuning", choices=("checking", "tuning", "all"))
    parser.add_argument("--root", type=Path, default=ROOT, help="folder with split.toml and the photos")
    parser.add_argument("--only", choices=tuple(STEPS), help="one way of worsening")
    parser.add_argument("--photos", type=int, help="the first so many photos")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--worst", action="store_true", help="list the wrong answers")
    parser.add_argument("--without-network", action="store_true", help="as if no network of parts were there")
    args = parser.parse_args()
    if args.without_network:
        os.environ[WITHOUT] = "1"
    ways = (args.only,) if args.only else tuple(STEPS)
    faces = [
        name
        for name in photos_of(args.set, args.root)
        if json.loads(truth_path(args.root, name).read_text(encoding="utf-8"))["view"] == "face"
    ][: args.photos]
    with ProcessPoolExecutor(args.jobs) as pool:
        found = pool.map(answers_of, [(str(args.root), name, ways) for name in faces])
        answers = [answer for some in found for answer in some]
    print(f"{len(faces)} faces of the {args.set} photos")
    print("\n".join(table(answers)))
    worse = turned(answers)
    print(f"\n{len(worse)} answers turned wrong by worsening a photo")
    if args.worst:
        for a in sorted((a for a in answers if a.outcome == "wrong"), key=lambda a: (a.trait, a.photo)):
            step = a.way if a.way == "as it is" else f"{a.way} {a.step:g}"
            print(f"{a.trait:<16}{a.photo:<36}{step:<14} {a.truth}: said {a.said} ({a.confidence:.2f})")
    return 1 if worse else 0


if __name__ == "__main__":
    sys.exit(main())
