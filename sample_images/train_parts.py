"""Train the small network that says which pixel shows which part of a doll, and what a photo shows.

    python -m sample_images.train_parts --renders DIR --out parts.onnx [--minutes 6]

Needs PyTorch (any recent release) and the packages of the project; a GPU makes it minutes instead of a day.
``DIR`` holds renders made by :mod:`sample_images.render` with their masks and truth, from seeds that no
committed photo uses. Augmentation is meant to be far wider than the renderer: color casts, exposure, blur,
noise, any turn, and other backgrounds behind the doll, so that the network learns shapes, not our lights.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from numpy.typing import NDArray
from PIL import Image
from torch import Tensor, nn

SIZE = 512
STRIDE = 2  # of the output
PARTS = (
    "other", "vinyl", "vinyl_covered", "lips", "eye", "eyeliner", "brow_lash", "hair", "garment",
    "sole", "hole", "mark", "reference", "ear_stain",
)  # fmt: skip
VIEWS = ("face", "head_back", "body", "soles", "mark", "crowd", "other")
FROM_CLASS = {
    1: 1, 13: 2, 2: 3, 3: 3, 4: 4, 5: 4, 6: 4, 7: 5, 8: 6, 9: 6, 10: 7, 12: 8, 14: 10, 15: 10, 22: 10,
    16: 1, 17: 12, 18: 12, 20: 1, 21: 1, 11: 13,
}  # fmt: skip
IGNORE = 255


def labels_of(mask: NDArray[np.uint8], truth: dict[str, Any]) -> NDArray[np.uint8]:
    """Return (H, W) uint8 part numbers of a mask; soles and marks come from the truth's outlines."""
    table = np.zeros(256, np.uint8)
    for source, target in FROM_CLASS.items():
        table[source] = target
    labels = table[mask]
    if truth["view"] == "soles":
        for sole in truth["places"].get("soles", []):
            inside = np.zeros(mask.shape, np.uint8)
            cv2.fillPoly(inside, [np.int32(sole["outline"])], 1)
            labels[(inside == 1) & (labels == 1)] = 9
    outline = truth["places"].get("mark") or (truth["traits"].get("mark_text") or {}).get("outline")
    if outline and truth["traits"].get("mark_text", {}).get("state") == "present":
        inside = np.zeros(mask.shape, np.uint8)
        cv2.fillPoly(inside, [np.int32(outline)], 1)
        labels[(inside == 1) & np.isin(labels, (1, 2, 9))] = 11
    return labels


def load(folder: Path) -> tuple[Tensor, Tensor, Tensor]:
    """Load all renders: (N, 3, SIZE, SIZE) uint8 pictures, (N, SIZE, SIZE) uint8 labels, (N,) view numbers."""
    pictures, labels, views = [], [], []
    for path in sorted(folder.glob("*.truth.json")):
        stem = path.name.removesuffix(".truth.json")
        truth = json.loads(path.read_text())
        try:
            rgb = np.asarray(Image.open(folder / f"{stem}.jpg").convert("RGB"))
            mask = np.asarray(Image.open(folder / f"{stem}.mask.png"))
        except OSError:
            continue
        scale = SIZE / max(rgb.shape[:2])
        size = (round(rgb.shape[1] * scale), round(rgb.shape[0] * scale))
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
        part = cv2.resize(labels_of(mask, truth), size, interpolation=cv2.INTER_NEAREST)
        picture = np.full((SIZE, SIZE, 3), 127, np.uint8)
        label = np.full((SIZE, SIZE), IGNORE, np.uint8)
        top, left = (SIZE - size[1]) // 2, (SIZE - size[0]) // 2
        picture[top : top + size[1], left : left + size[0]] = rgb
        label[top : top + size[1], left : left + size[0]] = part
        pictures.append(picture)
        labels.append(label)
        views.append(VIEWS.index(truth["view"]))
    x = torch.from_numpy(np.stack(pictures)).permute(0, 3, 1, 2).contiguous()
    return x, torch.from_numpy(np.stack(labels)), torch.tensor(views)


def backgrounds() -> list[NDArray[np.uint8]]:
    """Return photographs that packages carry, to put behind dolls and to show what is no doll."""
    from skimage import data

    found = []
    for name in ("astronaut", "coffee", "chelsea", "rocket", "cat", "brick", "grass", "gravel", "camera", "coins", "page", "text"):
        try:
            image = np.asarray(getattr(data, name)())
        except Exception:  # noqa: S112  (a picture that this release of the package does not carry)
            continue
        image = np.repeat(image[..., None], 3, 2) if image.ndim == 2 else image[..., :3]
        found.append(np.ascontiguousarray(image.astype(np.uint8)))
    try:
        from sklearn.datasets import load_sample_images

        found += [np.ascontiguousarray(i) for i in load_sample_images().images]
    except ImportError:
        pass
    return found


class Block(nn.Module):
    """Inverted residual: widen, look around, narrow."""

    def __init__(self, inside: int, outside: int, stride: int = 1, widen: int = 3, size: int = 3) -> None:
        super().__init__()
        middle = inside * widen
        self.steps = nn.Sequential(
            nn.Conv2d(inside, middle, 1, bias=False), nn.BatchNorm2d(middle), nn.ReLU(True),
            nn.Conv2d(middle, middle, size, stride, size // 2, groups=middle, bias=False), nn.BatchNorm2d(middle), nn.ReLU(True),
            nn.Conv2d(middle, outside, 1, bias=False), nn.BatchNorm2d(outside),
        )  # fmt: skip
        self.same = stride == 1 and inside == outside

    def forward(self, x: Tensor) -> Tensor:
        """Apply the block."""
        return x + self.steps(x) if self.same else self.steps(x)


class PartsNet(nn.Module):
    """A small U-shaped network: part logits at half resolution, view logits from its deepest layer."""

    def __init__(self, widths: tuple[int, ...] = (24, 32, 56, 96, 160)) -> None:
        super().__init__()
        self.stem = nn.Sequential(nn.Conv2d(3, widths[0], 3, 2, 1, bias=False), nn.BatchNorm2d(widths[0]), nn.ReLU(True), Block(widths[0], widths[0], widen=2))
        self.down = nn.ModuleList(
            nn.Sequential(Block(a, b, 2, 4), Block(b, b, 1, 4, 5), Block(b, b, 1, 4, 3)) for a, b in zip(widths, widths[1:], strict=False)
        )
        deep = widths[-1]
        self.context = nn.Sequential(Block(deep, deep, 1, 3, 7), Block(deep, deep, 1, 3, 7))
        self.up = nn.ModuleList(
            nn.Sequential(nn.Conv2d(b + a, a, 1, bias=False), nn.BatchNorm2d(a), nn.ReLU(True), Block(a, a, 1, 2, 3))
            for a, b in reversed(list(zip(widths, widths[1:], strict=False)))
        )
        self.parts = nn.Conv2d(widths[0], len(PARTS), 1)
        self.views = nn.Sequential(nn.Linear(2 * deep, 128), nn.ReLU(True), nn.Dropout(0.3), nn.Linear(128, len(VIEWS)))

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        """(N, 3, H, W) sRGB 0–1, H and W multiples of 32 → part logits (N, P, H/2, W/2), view logits (N, V)."""
        x = self.stem((x - 0.5) * 4)
        skips = []
        for down in self.down:
            skips.append(x)
            x = down(x)
        x = self.context(x)
        pooled = torch.cat([x.mean((2, 3)), x.amax((2, 3))], 1)
        for up, skip in zip(self.up, reversed(skips), strict=True):
            x = up(torch.cat([F.interpolate(x, size=skip.shape[2:], mode="bilinear", align_corners=False), skip], 1))
        return self.parts(x), self.views(pooled)


def _smooth_noise(n: int, channels: int, size: int, cells: int, device: Any) -> Tensor:
    coarse = torch.rand(n, channels, cells, cells, device=device)
    return F.interpolate(coarse, size=(size, size), mode="bicubic", align_corners=False).clamp(0, 1)


def augment(x: Tensor, y: Tensor, view: Tensor, backs: Tensor) -> tuple[Tensor, Tensor]:
    """Change pictures (N, 3, S, S float 0–1) and labels (N, S, S) together."""
    n, device = len(x), x.device
    rand = lambda *s: torch.rand(*s, device=device)  # noqa: E731

    # other backgrounds behind the doll, mostly for pictures in which it does not fill the frame
    other = (y == 0).float()[:, None]
    soft = F.avg_pool2d(other, 3, 1, 1)
    pick = backs[torch.randint(len(backs), (n,), device=device)].float() / 255
    pick = torch.where(rand(n, 1, 1, 1) < 0.5, pick.flip(3), pick)
    plain = rand(n, 3, 1, 1) * 0.9 + _smooth_noise(n, 3, x.shape[2], 6, device) * 0.25 - 0.1
    grain = _smooth_noise(n, 1, x.shape[2], 96, device) * rand(n, 1, 1, 1) * 0.5
    pick = torch.where(rand(n, 1, 1, 1) < 0.5, pick, (plain + grain).clamp(0, 1))
    use = (rand(n, 1, 1, 1) < 0.45).float()
    x = x * (1 - soft * use) + pick * soft * use

    # turn, zoom, shift, mirror
    free = (view == 3) | (view == 4) | (view == 1)
    angle = torch.where(free, (rand(n) - 0.5) * 2 * math.pi, torch.randn(n, device=device) * 0.3)
    angle = torch.where(rand(n) < 0.06, angle + math.pi / 2 * torch.randint(4, (n,), device=device), angle)
    zoom = torch.exp((rand(n) - 0.4) * 1.0)
    mirror = torch.where(rand(n) < 0.5, -1.0, 1.0)
    cos, sin = torch.cos(angle) * zoom, torch.sin(angle) * zoom
    shift = (rand(n, 2) - 0.5) * 0.4
    theta = torch.stack([torch.stack([cos * mirror, -sin, shift[:, 0]], 1), torch.stack([sin * mirror, cos, shift[:, 1]], 1)], 1)
    grid = F.affine_grid(theta, [n, 3, *x.shape[2:]], align_corners=False)
    x = F.grid_sample(x, grid, mode="bilinear", padding_mode="reflection", align_corners=False)
    y = F.grid_sample(y[:, None].float() - IGNORE, grid, mode="nearest", padding_mode="zeros", align_corners=False)[:, 0] + IGNORE

    # light and camera: gains a channel, exposure, gamma, saturation, shade across the picture, blur, noise
    gains = torch.exp(torch.randn(n, 3, 1, 1, device=device) * torch.tensor([0.18, 0.05, 0.25], device=device)[None, :, None, None])
    shade = torch.exp((_smooth_noise(n, 1, x.shape[2], 3, device) - 0.5) * rand(n, 1, 1, 1) * 1.6)
    x = (x.clamp(0, 1) ** 2.2 * gains * torch.exp(torch.randn(n, 1, 1, 1, device=device) * 0.35) * shade).clamp(1e-5, 1) ** (1 / 2.2)
    x = x ** torch.exp(torch.randn(n, 1, 1, 1, device=device) * 0.18)
    gray = x.mean(1, keepdim=True)
    x = gray + (x - gray) * (0.55 + rand(n, 1, 1, 1) * 0.9)
    x = torch.where(rand(n, 1, 1, 1) < 0.03, gray.expand_as(x), x)
    for size in (3, 5, 7):
        blurred = F.avg_pool2d(F.pad(x, [size // 2] * 4, mode="reflect"), size, 1)
        x = torch.where(rand(n, 1, 1, 1) < 0.15, blurred, x)
    small = F.interpolate(F.interpolate(x, scale_factor=0.5, mode="area"), scale_factor=2, mode="nearest")
    x = torch.where(rand(n, 1, 1, 1) < 0.08, small, x)
    x = x + torch.randn_like(x) * (rand(n, 1, 1, 1) ** 2 * 0.08)

    # something in front
    for _ in range(2):
        cx, cy, w, h = rand(n, 1, 1), rand(n, 1, 1), rand(n, 1, 1) * 0.15 + 0.02, rand(n, 1, 1) * 0.15 + 0.02
        axis = torch.linspace(0, 1, x.shape[2], device=device)
        inside = ((axis[None, None] - cx).abs() < w) & ((axis[None, :, None] - cy).abs() < h) & (rand(n, 1, 1) < 0.15)
        x = torch.where(inside[:, None], rand(n, 3, 1, 1).expand_as(x), x)
        y = torch.where(inside, torch.zeros_like(y), y)
    return x.clamp(0, 1), y.round().long()


def loss_of(parts: Tensor, views: Tensor, y: Tensor, view: Tensor, weights: Tensor) -> Tensor:
    """Cross-entropy and soft Dice of the parts, cross-entropy of the view."""
    y = y[:, STRIDE // 2 :: STRIDE, STRIDE // 2 :: STRIDE]
    known = (y != IGNORE).float()
    ce = F.cross_entropy(parts, y.clamp(0, len(PARTS) - 1), weight=weights, reduction="none", label_smoothing=0.03)
    ce = (ce * known).sum() / known.sum()
    p = parts.softmax(1) * known[:, None]
    one = F.one_hot(y.clamp(0, len(PARTS) - 1), len(PARTS)).permute(0, 3, 1, 2) * known[:, None]
    dice = 1 - (2 * (p * one).sum((0, 2, 3)) + 50) / ((p + one).sum((0, 2, 3)) + 50)
    return ce + 0.7 * dice.mean() + 0.3 * F.cross_entropy(views, view, label_smoothing=0.08)


@torch.no_grad()
def judge(net: nn.Module, x: Tensor, y: Tensor, view: Tensor) -> dict[str, Any]:
    """Return intersection over union of each part and the share of right views."""
    net.eval()
    n = len(PARTS)
    counts = torch.zeros(n, n, device=x.device)
    right, sure_right, sure = 0, 0, 0
    for at in range(0, len(x), 32):
        parts, views = net(x[at : at + 32].float() / 255)
        truth = y[at : at + 32, STRIDE // 2 :: STRIDE, STRIDE // 2 :: STRIDE].long()
        known = truth != IGNORE
        counts += torch.bincount(truth[known] * n + parts.argmax(1)[known], minlength=n * n).reshape(n, n)
        p, best = views.softmax(1).max(1)
        hit = best == view[at : at + 32]
        right += int(hit.sum())
        sure += int((p > 0.9).sum())
        sure_right += int((hit & (p > 0.9)).sum())
    iou = counts.diag() / (counts.sum(0) + counts.sum(1) - counts.diag()).clamp(min=1)
    return {
        "iou": {name: round(float(v), 3) for name, v in zip(PARTS, iou, strict=True)},
        "view_right": round(right / len(x), 4),
        "view_sure": sure,
        "view_sure_right": sure_right,
    }


def main() -> None:
    """Train, judge on held-out renders, export."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--renders", type=Path, required=True)
    parser.add_argument("--out", type=Path, default=Path("parts.onnx"))
    parser.add_argument("--minutes", type=float, default=6)
    parser.add_argument("--batch", type=int, default=48)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    torch.manual_seed(args.seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    x, y, view = (t.to(device) for t in load(args.renders))
    order = torch.randperm(len(x), generator=torch.Generator().manual_seed(args.seed)).to(device)
    held, train = order[: len(x) // 10], order[len(x) // 10 :]
    photos = []
    for image in backgrounds():
        side = min(image.shape[:2])
        for k in range(6):
            crop = int(side * (1 - 0.12 * k))
            top, left = (image.shape[0] - crop) * (k % 3) // 2, (image.shape[1] - crop) * (k % 2)
            photos.append(cv2.resize(image[top : top + crop, left : left + crop], (SIZE, SIZE)))
    backs = torch.from_numpy(np.stack(photos)).permute(0, 3, 1, 2).contiguous().to(device)
    # photographs without a doll are examples of "other" too; a tenth of each batch
    count = torch.bincount(y[y != IGNORE].long(), minlength=len(PARTS)).float()
    weights = (count.sum() / count.clamp(min=1)).sqrt().clamp(max=40)
    weights = weights / weights[:2].mean()
    weights = weights.clamp(0.3, 6)
    net = PartsNet().to(device)
    size = sum(p.numel() for p in net.parameters())
    print(f"{len(train)} training, {len(held)} held-out renders, {len(backs)} backgrounds, {size / 1e6:.2f} M parameters", flush=True)
    optimizer = torch.optim.AdamW(net.parameters(), 2e-3, weight_decay=0.02)
    average = torch.optim.swa_utils.AveragedModel(net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True)
    begin, step, total = time.time(), 0, args.minutes * 60
    share = torch.bincount(view[train], minlength=len(VIEWS)).float().clamp(min=1)
    chance = (1 / share.sqrt())[view[train]]
    while (spent := time.time() - begin) < total:
        progress = spent / total
        for group in optimizer.param_groups:
            group["lr"] = 2e-3 * min(1, (step + 1) / 200) * (0.5 * (1 + math.cos(math.pi * progress)) + 0.01)
        net.train()
        some = train[torch.multinomial(chance, args.batch)]
        bx, by, bv = x[some].float() / 255, y[some].clone(), view[some].clone()
        n_plain = max(1, args.batch // 12)
        bx[:n_plain] = backs[torch.randint(len(backs), (n_plain,), device=device)].float() / 255
        by[:n_plain], bv[:n_plain] = 0, VIEWS.index("other")
        bx, by = augment(bx, by, bv, backs)
        with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
            parts, views = net(bx)
        loss = loss_of(parts.float(), views.float(), by, bv, weights)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimizer.step()
        average.update_parameters(net)
        step += 1
        if step % 400 == 0:
            print(f"{spent:5.0f} s step {step} loss {float(loss.detach()):.3f}", flush=True)
    final = average.module.eval()
    report = judge(final, x[held], y[held], view[held])
    print(json.dumps(report, indent=1), flush=True)
    final = final.cpu().float()
    torch.onnx.export(
        final, (torch.zeros(1, 3, SIZE, SIZE),), str(args.out), input_names=["picture"], output_names=["parts", "views"],
        dynamic_axes={"picture": {2: "h", 3: "w"}, "parts": {2: "h2", 3: "w2"}}, opset_version=17, dynamo=False,
    )  # fmt: skip
    record = {
        "parts": PARTS, "views": VIEWS, "size": SIZE, "stride": STRIDE, "parameters": size, "steps": step,
        "minutes": args.minutes, "batch": args.batch, "seed": args.seed, "training_renders": len(train),
        "held_out_renders": len(held), "held_out": report,
    }  # fmt: skip
    args.out.with_suffix(".json").write_text(json.dumps(record, indent=1) + "\n")


if __name__ == "__main__":
    main()
