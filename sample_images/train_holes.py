"""Train the small classifier that names a dark spot on a sole: on its surface, open, lined, ragged or neat.

    python -m sample_images.train_holes --draw 4000 [--renders DIR …] --out vision/models/foot_holes.npz

Spots come from drawn soles (:mod:`sample_images.drawn_soles`), widely randomized, and from renders with
truth in two styles of unlike geometry (``soles`` and ``plain_soles`` of :mod:`sample_images.many`), of
seeds that no committed photo uses; each render also in worse copies, with a roughly drawn outline. Features
are those of :func:`vision.hole_clues.profile_of`; the classifier is a few small networks whose answers are
averaged.

How sure the answers may be is found on styles not trained on: for either style of render a classifier is
trained without it and asked about it; the temperature is that under which its answers are likeliest on the
style that suffers more.
Needs numpy and OpenCV only. The training record is written beside the weights.
"""

from __future__ import annotations

import argparse
import json
from multiprocessing import Pool
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.drawn_soles import Scene, Spot, draw, outline
from vision import hole_clues
from vision.hole_search import find_spots
from vision.locate.places import SolePlace
from vision.photo import Photo, load

#: Worse copies of each render.
COPIES = 3
KINDS = ("surface", "open", "lined", "drilled_ragged", "drilled_neat")
Floats = NDArray[Any]


# --- examples ---------------------------------------------------------------------------------------


def drawn(seed: int) -> list[tuple[Floats, int]]:
    """Return the examples of one drawn sole."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([77, seed])
    length = float(np.exp(rng.uniform(np.log(110), np.log(420))))
    size = int(length * 0.95), int(length * 1.15)
    line = outline((size[0] / 2, size[1] / 2), length, rng.normal(0, 0.15), bool(rng.integers(2)))
    kinds = ["open", "lined", "drilled", "neat", "paint", "dirt"]
    kind = str(rng.choice(kinds, p=[0.2, 0.2, 0.17, 0.1, 0.2, 0.13]))
    spot = _draw_spot(rng, kind, length, size)
    rgb = draw([line], size, _draw_scene(rng, spot))
    rgb, line, center = _oblique(rng, rgb, line, np.array(spot.center))
    label = {"open": 1, "lined": 2, "drilled": 3, "neat": 4}.get(kind, 0)
    if kind == "drilled" and spot.raggedness < 0.35:
        label = 4
    return _examples(rgb, line, [(center, spot.radius, label)])


def _draw_spot(rng: np.random.Generator, kind: str, length: float, size: tuple[int, int]) -> Spot:
    """Draw one spot of a kind at random."""
    color = rng.uniform(0.05, 0.15) * np.array([1, rng.uniform(0.6, 0.9), rng.uniform(0.3, 0.8)])
    if kind == "lined":
        metals = np.array([(0.9, 0.75, 0.4), (0.8, 0.8, 0.8), (0.85, 0.55, 0.4), (0.6, 0.6, 0.55)])
        color = metals[rng.integers(4)] * rng.uniform(0.35, 1) * rng.uniform(0.85, 1.15, 3)
    elif kind == "paint":
        darks = np.array(
            [(0.012, 0.012, 0.014), (0.05, 0.03, 0.02), (0.02, 0.02, 0.06), rng.uniform(0.005, 0.2, 3)]
        )
        color = darks[rng.integers(4)]
    along = rng.choice([-0.2, 0.35, 0.0])
    return Spot(
        kind={"neat": "drilled"}.get(kind, kind),
        center=(
            size[0] / 2 + rng.normal(0, 0.03) * length,
            size[1] / 2 + (along + rng.normal(0, 0.03)) * length,
        ),
        radius=length * rng.uniform(0.03, 0.09),
        color=(float(color[0]), float(color[1]), float(color[2])),
        depth=float(np.exp(rng.uniform(np.log(1.2), np.log(6)))),
        thickness=float(np.exp(rng.uniform(np.log(0.12), np.log(0.7)))),
        satin=float(rng.choice([0.0, rng.uniform(), 1.0])),
        ring=float(rng.choice([0.0, rng.uniform(0.1, 0.7), -rng.uniform(0.1, 0.7)], p=[0.5, 0.3, 0.2])),
        raggedness=rng.uniform(0.0, 0.12) if kind == "neat" else rng.uniform(0.25, 1.2),
        rim=rng.uniform(0.0, 0.35),
        floor=float(rng.choice([0.0, 0.0, 0.3, 1.0])),
        seed=int(rng.integers(1 << 30)),
    )


def _draw_scene(rng: np.random.Generator, spot: Spot) -> Scene:
    """Draw light, vinyl and camera at random."""
    x, y = rng.normal(0, 0.6, 2)
    red = rng.uniform(0.45, 0.8)
    green = red * rng.uniform(0.5, 1.0)
    return Scene(
        light=(x, y, 0.6),
        ambient=rng.uniform(0.15, 0.8),
        tilt=(rng.normal(0, 0.3), rng.normal(0, 0.3)),
        vinyl=(red, green, green * rng.uniform(0.55, 1.0)),
        background=tuple(float(v) for v in rng.uniform(0.03, 0.7, 3)),
        texture=rng.uniform(0, 0.15),
        white=tuple(float(v) for v in np.exp(rng.normal(0, 0.18, 3))),
        exposure=rng.uniform(0.35, 1.3),
        blur=float(np.exp(rng.uniform(np.log(0.35), np.log(2.2)))),
        noise=rng.uniform(0.002, 0.03),
        jpeg=int(rng.integers(60, 96)),
        bleed=float(rng.choice([0.0, rng.uniform(0.1, 0.7)]))
        * (0.3 if spot.kind in ("lined", "paint") else 1),
        gloss=float(rng.choice([0, 0.1, 0.4, 1.0])),
        seed=int(rng.integers(1 << 30)),
        spots=(spot,),
    )


def _oblique(
    rng: np.random.Generator, rgb: Floats, line: Floats, center: Floats
) -> tuple[Floats, Floats, Floats]:
    """Foreshorten a picture in a random direction."""
    h, w = rgb.shape[:2]
    turn = cv2.getRotationMatrix2D((0, 0), rng.uniform(0, 180), 1)[:, :2]
    squeeze = turn.T @ np.diag([1, rng.uniform(0.7, 1)]) @ turn
    middle = np.array([w / 2, h / 2])
    shift = middle - squeeze @ middle
    rgb = cv2.warpAffine(rgb, np.c_[squeeze, shift], (w, h), borderMode=cv2.BORDER_REPLICATE)
    return rgb, line @ squeeze.T + shift, squeeze @ center + shift


def rendered(path: str) -> list[tuple[Floats, int]]:
    """Return the examples of one render of soles and of worse copies of it, given its truth file."""
    cv2.setNumThreads(1)
    truth = json.loads(Path(path).read_text())
    if truth["view"] != "soles":
        return []
    root, _, name = path.rpartition("/truth/")
    rgb = load(Path(root, name).with_suffix(".jpg").read_bytes()).rgb
    states = {r["part"]: r for r in truth["traits"]["foot_holes"]}
    rng = np.random.default_rng([78, int(truth["seed"])])
    out = []
    for sole in truth["places"]["soles"]:
        record = states.get(sole["part"])
        line = np.array(sole["outline"], float).reshape(-1, 2)
        if record is None or len(line) < 3:
            continue
        name = record["state"] + (f"_{record['cut']}" if record.get("cut") else "")
        holes = [(np.array(h["center"]), h["diameter_px"] / 2, KINDS.index(name)) for h in record["holes"]]
        out += _examples(rgb, line, holes)
        for _ in range(COPIES):
            worse, scale = _worse(rng, rgb)
            moved = [(c * scale, r * scale, k) for c, r, k in holes]
            out += _examples(worse, _rough(rng, line) * scale, moved)
    return out


def _worse(rng: np.random.Generator, rgb: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], float]:
    """Return a picture resized, perhaps blurred, with another tone curve and JPEG losses; and its scale."""
    scale = float(rng.uniform(0.7, 1.35))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    rgb = np.asarray(cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=how), np.uint8)
    if rng.random() < 0.5:
        rgb = np.asarray(cv2.GaussianBlur(rgb, (0, 0), float(rng.uniform(0.3, 1.0))), np.uint8)
    codes = 255 * (np.arange(256) / 255) ** float(rng.uniform(0.8, 1.25))
    rgb = np.clip(codes, 0, 255).astype(np.uint8)[rgb]
    _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 95))])
    return load(data.tobytes()).rgb, scale


def _rough(rng: np.random.Generator, line: Floats) -> Floats:
    """Return an outline as a locator might draw it."""
    middle = line.mean(0)
    shift = rng.normal(0, 0.01, 2) * np.ptp(line, axis=0).max()
    return np.asarray(middle + (line - middle) * rng.uniform(0.93, 1.07, 2) + shift)


def style_of(path: str) -> int:
    """Return 1 for a render of the modeled feet, 2 for one of the plain feet."""
    truth = json.loads(Path(path).read_text())
    return 1 + str(truth.get("recipe") or truth.get("module") or path).count("plain_soles")


def _examples(rgb: Floats, line: Floats, holes: list[tuple[Floats, float, int]]) -> list[tuple[Floats, int]]:
    """Return (profile, kind) of each dark spot found; what is no known spot lies on the surface."""
    place = SolePlace(tuple((float(x), float(y)) for x, y in line), 1.0, "left_foot")
    cut = hole_clues.cut_out(Photo.from_array(rgb), place)
    out = []
    for spot in find_spots(cut)[0] if cut else []:
        center = np.array([spot.ellipse.x, spot.ellipse.y]) / cut.scale + cut.origin
        near = [k for c, r, k in holes if np.hypot(*(center - c)) < 0.7 * r]
        beside = any(np.hypot(*(center - c)) < 1.5 * r for c, r, _ in holes)
        if near or not beside:
            out.append((spot.profile, near[0] if near else 0))
    return out


# --- the classifier ---------------------------------------------------------------------------------


def train(
    x: Floats, y: Floats, weight: Floats, seed: int, *, hidden: int = 40, epochs: int = 60
) -> dict[str, Floats]:
    """Train one network of one hidden layer by Adam; returns its weights."""
    rng = np.random.default_rng(seed)
    p = {
        "w1": rng.normal(0, 1 / np.sqrt(x.shape[1]), (x.shape[1], hidden)),
        "b1": np.zeros(hidden),
        "w2": rng.normal(0, 1 / np.sqrt(hidden), (hidden, len(KINDS))),
        "b2": np.zeros(len(KINDS)),
    }
    m = {k: np.zeros_like(v) for k, v in p.items()}
    v = {k: np.zeros_like(w) for k, w in p.items()}
    goal = np.eye(len(KINDS))[y] * 0.94 + 0.06 / len(KINDS)
    step = 0
    for epoch in range(epochs):
        rate = 3e-3 * 0.5 * (1 + np.cos(np.pi * epoch / epochs))
        for batch in np.array_split(rng.permutation(len(x)), max(1, len(x) // 64)):
            step += 1
            for k, g in _gradient(p, x[batch], goal[batch], weight[batch], rng).items():
                m[k] = 0.9 * m[k] + 0.1 * g
                v[k] = 0.999 * v[k] + 0.001 * g * g
                p[k] -= rate * (m[k] / (1 - 0.9**step)) / (np.sqrt(v[k] / (1 - 0.999**step)) + 1e-8)
                if k[0] == "w":
                    p[k] *= 1 - rate * 0.05
    return p


def _gradient(
    p: dict[str, Floats], x: Floats, goal: Floats, weight: Floats, rng: np.random.Generator
) -> dict[str, Floats]:
    x = x + rng.normal(0, 0.1, x.shape)  # features of another renderer differ a little
    x = x * (rng.random(x.shape) > 0.1)
    h = np.maximum(x @ p["w1"] + p["b1"], 0)
    kept = (rng.random(h.shape) > 0.3) / 0.7
    h = h * kept
    z = h @ p["w2"] + p["b2"]
    q = np.exp(z - z.max(1, keepdims=True))
    q /= q.sum(1, keepdims=True)
    d = (q - goal) * weight[:, None] / weight.sum()
    back = (d @ p["w2"].T) * (h > 0) * kept
    return {"w1": x.T @ back, "b1": back.sum(0), "w2": h.T @ d, "b2": d.sum(0)}


def answer(nets: list[dict[str, Floats]], x: Floats) -> Floats:
    """Return mean (N, kinds) logits of the networks."""
    return np.mean([np.maximum(x @ p["w1"] + p["b1"], 0) @ p["w2"] + p["b2"] for p in nets], axis=0)


def softmax(z: Floats) -> Floats:
    """Return probabilities along the last axis."""
    q = np.exp(z - z.max(-1, keepdims=True))
    return q / q.sum(-1, keepdims=True)


def temperature(z: Floats, y: Floats) -> float:
    """Return the temperature under which the answers to held-out examples are likeliest, never below 1."""
    grid = np.linspace(1.0, 4.0, 31)
    losses = [-np.log(softmax(z / t)[np.arange(len(y)), y] + 1e-9).mean() for t in grid]
    return float(grid[int(np.argmin(losses))])


def judge(z: Floats, y: Floats) -> dict[str, Any]:
    """Return the confusion of kinds and how often sure answers are right."""
    q = softmax(z)
    best = q.argmax(1)
    table = np.zeros((len(KINDS), len(KINDS)), int)
    np.add.at(table, (y, best), 1)
    sure = q.max(1) > 0.9
    return {
        "n": len(y),
        "right": round(float((best == y).mean()), 4),
        "stated": round(float((q.max(1) > 0.6).mean()), 4),
        "stated_right": round(float((best == y)[q.max(1) > 0.6].mean()), 4),
        "surface_taken_for_a_hole": int(((q[:, 0] < 0.4) & (y == 0)).sum()),
        "hole_taken_for_surface": int(((q[:, 0] > 0.6) & (y > 0)).sum()),
        "sure": round(float(sure.mean()), 4),
        "sure_right": round(float((best == y)[sure].mean()), 4) if sure.any() else None,
        "confusion": {k: table[i].tolist() for i, k in enumerate(KINDS)},
    }


def gather(draws: int, folders: list[Path], jobs: int) -> tuple[Floats, Floats, Floats, Floats]:
    """Return features, kinds, style (0 drawn, 1 and 2 rendered), and a group number (one a picture)."""
    files = [str(f) for folder in folders for f in sorted(folder.glob("**/truth/**/*.json"))]
    with Pool(jobs) as pool:
        sets = pool.map(drawn, range(draws), chunksize=20) + pool.map(rendered, files, chunksize=4)
    styles = [0] * draws + [style_of(f) for f in files]
    rows = [(f, k, styles[i], i) for i, found in enumerate(sets) for f, k in found]
    return tuple(np.array([r[c] for r in rows]) for c in range(4))  # type: ignore[return-value]


def weights_of(y: Floats, style: Floats) -> Floats:
    """Return weights that lift rare kinds, and renders above drawings."""
    share = np.bincount(y, minlength=len(KINDS))
    return np.asarray((len(y) / np.maximum(share, 1) ** 0.7)[y] * np.where(style > 0, 3.0, 1.0))


def across_styles(
    x: Floats, y: Floats, style: Floats, nets: int, epochs: int
) -> tuple[Floats, Floats, Floats]:
    """Return logits, kinds and style of the renders, each answered by networks that never saw its style."""
    found = []
    for left_out in (1, 2):
        seen = style != left_out
        if seen.all():
            continue
        w = weights_of(y[seen], style[seen])
        fitted = [train(x[seen], y[seen], w, seed, epochs=epochs) for seed in range(nets)]
        found.append((answer(fitted, x[~seen]), y[~seen], style[~seen]))
    return tuple(np.concatenate(part) for part in zip(*found, strict=True))  # type: ignore[return-value]


def main() -> None:
    """Gather, judge across styles, train on all, write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--draw", type=int, default=4000)
    parser.add_argument("--renders", type=Path, nargs="*", default=[], help="of both styles")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--nets", type=int, default=5)
    parser.add_argument("--epochs", type=int, default=60)
    parser.add_argument("--cache", type=Path, help="keep or reuse gathered examples (.npz)")
    args = parser.parse_args()
    if args.cache and args.cache.exists():
        with np.load(args.cache) as kept:
            x, y, style, group = (kept[k] for k in ("x", "y", "style", "group"))
    else:
        x, y, style, group = gather(args.draw, args.renders, args.jobs)
        if args.cache:
            np.savez(args.cache, x=x, y=y, style=style, group=group)
    if not {1, 2} <= set(style.tolist()):
        parser.error("renders of both styles are needed: how sure the answers may be is found across them")
    mean, spread = x.mean(0), x.std(0) + 1e-6
    scaled = np.clip((x - mean) / spread, -4, 4)
    z, truth, of = across_styles(scaled, y, style, args.nets, args.epochs)
    # Another hand's photos are a third style: as sure as on the less familiar of the two.
    heat = max(temperature(z[of == s], truth[of == s]) for s in (1, 2))
    nets = [train(scaled, y, weights_of(y, style), seed, epochs=args.epochs) for seed in range(args.nets)]
    names = {1: "unseen_style_modeled", 2: "unseen_style_plain"}
    record = {
        "kinds": KINDS, "examples": len(y), "rendered": int((style > 0).sum()),
        "photos_rendered": len(set(group[style > 0].tolist())), "nets": args.nets,
        "epochs": args.epochs, "temperature": heat,
        **{names[s]: judge(z[of == s] / heat, truth[of == s]) for s in names},
    }  # fmt: skip
    print(json.dumps(record, indent=1))
    args.out.parent.mkdir(parents=True, exist_ok=True)
    stacked = {k: np.stack([p[k] for p in nets]).astype(np.float32) for k in nets[0]}
    np.savez_compressed(args.out, mean=mean, spread=spread, temperature=heat, **stacked)
    args.out.with_suffix(".json").write_text(json.dumps(record, indent=1) + "\n")


if __name__ == "__main__":
    main()
