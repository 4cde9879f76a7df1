"""Train the two networks that find and read molded lettering.

    python -m sample_images.train_marks --pack PACK.npz --out FOLDER [--reader-seconds N] [--map-seconds N]

Needs torch and numpy and, for the shipped weights, one GPU for about ten minutes; none of torch is needed to
use the result. ``PACK.npz`` comes from :mod:`sample_images.mark_glyphs`. The reader turns a strip with one
upright line into letters (connectionist temporal classification, Graves et al. 2006,
10.1145/1143844.1143891); the text map says for each place of a picture whether lettering stands there, which
way up and how high. Both see photos of relief, heights of several photos, and heights supposed from one; both
are judged in fonts they were never trained on. How long to train is given in seconds, so that the learning
rate reaches its end on any machine.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor, nn

from sample_images import mark_light as ml
from sample_images.mark_glyphs import (
    ALPHABET,
    BLOCK,
    CAP,
    MOST_LINES,
    OTHER,
    SIGNS,
    STRIP,
    Font,
    draw_block,
    draw_strip,
    load_fonts,
)

SEED = 1960
STRIDE = 4
#: What the map tells for each cell.
PLANES = ("text", "core", "cos", "sin", "cos2", "sin2", "log2_height")
_FONTS: list[Font] = []


# --- drawing (in worker processes) ---------------------------------------------------------------------


@dataclass
class Bank:
    """Drawn masks on the device and what is on them."""

    masks: Tensor
    places: Tensor
    texts: list[str]


def _fonts_of(path: Path, held: bool) -> None:
    _FONTS[:] = load_fonts(path, held)


def _strips(task: tuple[int, int]) -> tuple[np.ndarray, np.ndarray, list[str]]:
    rng = np.random.default_rng(task[0])
    drawn = [draw_strip(rng, _FONTS) for _ in range(task[1])]
    return np.stack([d[0] for d in drawn]), np.array([d[2] for d in drawn], np.float32), [d[1] for d in drawn]


def _blocks(task: tuple[int, int]) -> tuple[np.ndarray, np.ndarray, list[str]]:
    rng = np.random.default_rng(task[0])
    drawn = [draw_block(rng, _FONTS) for _ in range(task[1])]
    return np.stack([d[0] for d in drawn]), np.stack([d[1] for d in drawn]), []


def bank(
    pack: Path, held: bool, strips: bool, count: int, seed: int, workers: int, device: torch.device
) -> Bank:
    """Draw ``count`` strips or blocks in fonts that are (not) held out."""
    each = 100
    tasks = [(seed * 1_000_000 + i, min(each, count)) for i in range(max(1, count // each))]
    context = multiprocessing.get_context("fork")
    with context.Pool(workers, _fonts_of, (pack, held)) as pool:
        masks, places, texts = [], [], []
        for mask, place, text in pool.imap(_strips if strips else _blocks, tasks):
            masks.append(torch.from_numpy(mask).to(device))
            places.append(torch.from_numpy(place))
            texts += text
    return Bank(torch.cat(masks), torch.cat(places).to(device), texts)


# --- placing -------------------------------------------------------------------------------------------


def strips_of(source: Bank, chosen: Tensor) -> tuple[Tensor, Tensor]:
    """Return (N, 1, 72, 768) masks, lines of random size, width, slant and bend, and capital heights (G,)."""
    device = source.masks.device
    n = len(chosen)
    masks = source.masks[chosen.to(device)][:, None].float() / 255
    extent = source.places[chosen.to(device)]
    height, width = ml.LIT_STRIP
    ratio = height / ml.STRIP[0]
    cap = ratio * ml.grouped(n, *ml.STRIP_CAPS, device)
    view = (n, 1, 1)
    scale = (ml.spread(cap, n) * ml.each(n, 0.93, 1.07, device) / CAP).view(view)
    length = (extent[:, 1] - extent[:, 0]).view(view)
    stretch = torch.minimum(scale * ml.logs(n, 0.68, 1.5, device).view(view), (width - 24) / length)
    half = stretch * length / 2
    letter = scale * CAP

    def swing(most: float) -> Tensor:
        return ml.each(n, -most, most, device).view(view)

    middle_x = half + 8 + (width - 2 * half - 16).clamp(min=0) * torch.rand(view, device=device)
    middle_y = height / 2 + swing(1) * ((height - letter) / 2 - 4).clamp(0, 10)
    tilt = swing(1) * torch.minimum(torch.full_like(half, 0.1), 0.3 * letter / half)
    bend = swing(1) * torch.minimum(torch.full_like(half, 6e-4), 0.25 * letter / half**2)
    yy = torch.arange(height, device=device).view(1, -1, 1) - middle_y
    xx = torch.arange(width, device=device).view(1, 1, -1) - middle_x
    down = yy - tilt * xx - bend * xx**2
    x = (extent.mean(1).view(view)) + (xx - swing(0.2) * down) / stretch
    y = STRIP[0] / 2 + down / scale / (1 + swing(0.1) * (xx / half).clamp(-2, 2))
    grid = torch.stack([2 * (x + 0.5) / STRIP[1] - 1, 2 * (y + 0.5) / STRIP[0] - 1], -1)
    return F.grid_sample(masks, grid, align_corners=False), cap


def strip_batch(source: Bank, chosen: Tensor) -> tuple[Tensor, Tensor]:
    """Return reader inputs (N, 1, 48, 512) and each one's kind: elevation in degrees, -1 height, -2 supposed.

    N is a multiple of 16: eleven sixteenths are photos, three heights, two supposed heights.
    """
    n = len(chosen)
    photos, heights = n * 13 // 16, n * 3 // 16
    supposed = n * 2 // 16
    masks, cap = strips_of(source, chosen[:photos])
    picture, elevation = ml.lit(masks, cap)
    signal = ml.shading_of(ml.photographed(picture, ml.STRIP, cap))
    last = signal[-supposed:]
    guess = ml.supposed(last - ml.blur(last, 16.0), float(cap.mean()) * ml.STRIP[0] / ml.LIT_STRIP[0])
    masks, cap = strips_of(source, chosen[photos:])
    third = ml.measured(masks, cap, ml.STRIP)
    signal = torch.cat([signal[:-supposed], guess, third])
    kind = torch.cat(
        [
            elevation[:-supposed],
            torch.full((supposed,), -2.0).to(elevation),
            torch.full((heights,), -1.0).to(elevation),
        ]
    )
    out = ml.strip_input(signal, (kind < 0).float().view(-1, 1, 1, 1))
    flip = 1 - 2 * (ml.sometimes(n, 0.25, out.device) * (kind < 0).view(-1, 1, 1, 1))
    return out * flip, kind


@dataclass
class Placed:
    """Blocks in a picture: masks (N, 1, 256, 256), heights of capitals (G,), truth on cells of 4 px."""

    masks: Tensor
    cap: Tensor
    text: Tensor
    core: Tensor
    ignore: Tensor
    angle: Tensor


def blocks_of(source: Bank, chosen: Tensor) -> Placed:
    """Turn, bend and scale blocks at random."""
    device = source.masks.device
    n, side = len(chosen), ml.MAP_SIDE
    masks = source.masks[chosen.to(device)][:, None].float() / 255
    places = source.places[chosen.to(device)]
    cap = torch.exp(ml.grouped(n, math.log(7.0), math.log(58.0), device))
    view = (n, 1, 1)
    scale = (ml.spread(cap, n) / CAP).view(view)
    turn = ml.each(n, 0, 2 * math.pi, device).view(view)
    radius = ml.logs(n, 3.5, 40, device).view(view) * scale * CAP
    bent = ml.sometimes(n, 0.4, device).view(view)
    radius = torch.where(bent > 0, radius, torch.full_like(radius, 1e5))
    hand = torch.where(torch.rand(view, device=device) < 0.5, 1.0, -1.0)
    reach = 0.3 * side + 100 * (scale - 0.6).clamp(min=0)
    shift = [(torch.rand(view, device=device) * 2 - 1) * reach for _ in range(2)]
    stretch, slant = ml.logs(n, 0.75, 1.3, device).view(view), ml.each(n, -0.2, 0.2, device).view(view)

    def canvas_at(step: float, offset: float) -> tuple[Tensor, Tensor, Tensor]:
        at = torch.arange(round(side / step), device=device) * step + offset - side / 2
        dx, dy = at[None, None] - shift[0], at[None, :, None] - shift[1]
        u, v = dx * turn.cos() + dy * turn.sin(), dy * turn.cos() - dx * turn.sin()
        down = radius - hand * v
        turned = torch.atan2(u, down)
        along, across = radius * turned, hand * (radius - torch.hypot(u, down))
        x = BLOCK[1] / 2 + (along - slant * across) / scale / stretch
        return x, BLOCK[0] / 2 + across / scale, turn + hand * turned

    x, y, _ = canvas_at(0.5, 0.25)
    fine = F.grid_sample(
        masks, torch.stack([2 * x / BLOCK[1] - 1, 2 * y / BLOCK[0] - 1], -1), align_corners=False
    )
    x, y, angle = canvas_at(STRIDE, STRIDE / 2)
    text, core, near = (torch.zeros_like(x, dtype=torch.bool) for _ in range(3))
    for k in range(MOST_LINES):
        x0, x1, top, foot = (places[:, k, i].view(view) for i in range(4))
        there = x1 > x0
        off_x = torch.maximum(x0 - x, x - x1)
        off_y = (y - (top + foot) / 2).abs()
        text |= there & (off_x < 0.1 * CAP) & (off_y < 0.58 * CAP)
        core |= there & (off_x < 0) & (off_y < 0.3 * CAP)
        near |= there & (off_x < 0.6 * CAP) & (off_y < 0.85 * CAP)
    return Placed(F.avg_pool2d(fine, 2), cap, text, core, near & ~text, angle)


def map_batch(source: Bank, chosen: Tensor, textures: Tensor) -> tuple[Tensor, Placed]:
    """Return map inputs (N, 2, 256, 256) and their truth."""
    placed = blocks_of(source, chosen)
    n, device = len(chosen), source.masks.device
    size = (ml.MAP_SIDE, ml.MAP_SIDE)
    heights = n // 8
    split = n - heights
    cap = placed.cap
    part = len(cap) * split // n
    picture, _ = ml.lit(placed.masks[:split], cap[:part], 0.35)
    lines = ml.distractions(split, size, cap[:part], device, 0.4)
    picture = picture * (1 - (12 * lines.abs()).clamp(0, 0.85) * ml.sometimes(split, 0.35, device))
    picture = picture * spots(split, size, device)
    picture, region = scenery(picture, textures)
    signal = ml.shading_of(ml.photographed(picture, size, cap[:part]))
    measured = ml.measured(placed.masks[split:], cap[part:], size)
    cells = F.avg_pool2d(region, STRIDE)[:, 0]
    seen = torch.cat([cells, torch.ones(heights, *cells.shape[1:], device=device)])
    placed.ignore |= placed.text & (seen < 0.85) & (seen > 0.3)
    placed.text &= seen > 0.3
    placed.core &= seen > 0.3
    is_height = torch.cat([torch.zeros(split), torch.ones(heights)]).to(device).view(-1, 1, 1, 1)
    return ml.map_input(torch.cat([signal, measured]), is_height), placed


def spots(n: int, size: tuple[int, int], device: torch.device) -> Tensor:
    """Paint that is round and no letter: holes, eyes, buttons, rings."""
    yy, xx = ml._grid(size, device)
    out = torch.ones(n, 1, *size, device=device)
    for _ in range(3):
        x, y = (ml.each(n, -0.5, 0.5, device) * size[0] for _ in range(2))
        radius = ml.logs(n, 2, 50, device)
        away = torch.hypot((xx - x) * ml.logs(n, 0.7, 1.4, device), yy - y)
        disk = torch.sigmoid((radius - away) / ml.logs(n, 0.3, 2, device))
        hollow = ml.sometimes(n, 0.4, device) * torch.sigmoid((0.75 * radius - away) / 0.7)
        out = out * (
            1 - ml.sometimes(n, 0.15, device) * ml.each(n, -0.8, 0.9, device) * (disk - hollow).clamp(min=0)
        )
    return out.clamp(min=0.02)


def scenery(picture: Tensor, textures: Tensor) -> tuple[Tensor, Tensor]:
    """Set the lettered surface before other things; return the picture and where the surface is seen."""
    n, _, h, w = picture.shape
    device = picture.device
    if len(textures):
        zoom, turn = ml.logs(n, 0.25, 1.0, device).view(n), ml.each(n, 0, 6.28, device).view(n)
        c, s = zoom * turn.cos(), zoom * turn.sin()
        off_x, off_y = (torch.rand(n, device=device) * 0.6 - 0.3 for _ in range(2))
        theta = torch.stack([c, -s, off_x, s, c, off_y], 1)
        grid = F.affine_grid(theta.view(n, 2, 3), [n, 1, h, w], align_corners=False)
        kinds = torch.randint(len(textures), (n,), device=device)
        back = F.grid_sample(textures[kinds], grid, padding_mode="reflection", align_corners=False)
    else:
        back = (0.5 + 0.3 * ml.rough(n, (h, w), 24, device)).clamp(0.02, 1)
    back = back * ml.logs(n, 0.1, 1.2, device)
    yy, xx = ml._grid((h, w), device)
    x, y = (ml.each(n, -0.4, 0.4, device) * h for _ in range(2))
    turn = ml.each(n, 0, math.pi, device)
    along, across = (
        (xx - x) * turn.cos() + (yy - y) * turn.sin(),
        (yy - y) * turn.cos() - (xx - x) * turn.sin(),
    )
    wavy = 1 + 0.2 * ml.rough(n, (h, w), 64, device)
    away = (
        torch.sqrt((along / ml.logs(n, 80, 400, device)) ** 2 + (across / ml.logs(n, 50, 200, device)) ** 2)
        * wavy
    )
    region = torch.sigmoid((1 - away) * ml.logs(n, 20, 150, device))
    region = torch.maximum(region, 1 - ml.sometimes(n, 0.4, device))
    region = region * (1 - ml.sometimes(n, 0.08, device))
    return picture * region + back * (1 - region), region


# --- networks ------------------------------------------------------------------------------------------


def _step(a: int, b: int, size: int | tuple[int, int], stride: int | tuple[int, int]) -> nn.Sequential:
    padding = tuple(k // 2 for k in ((size, size) if isinstance(size, int) else size))
    conv = nn.Conv2d(a, b, size, stride=stride, padding=padding, bias=False)
    return nn.Sequential(conv, nn.BatchNorm2d(b), nn.ReLU(inplace=True))


class Block(nn.Module):
    """Two convolutions with a shortcut."""

    def __init__(self, channels: int, dilation: int = 1, size: tuple[int, int] = (3, 3)) -> None:
        super().__init__()
        pad = tuple(dilation * (k // 2) for k in size)
        self.body = nn.Sequential(
            nn.Conv2d(channels, channels, size, padding=pad, dilation=dilation, bias=False),
            nn.BatchNorm2d(channels),
            nn.ReLU(inplace=True),
            nn.Conv2d(channels, channels, size, padding=tuple(k // 2 for k in size), bias=False),
            nn.BatchNorm2d(channels),
        )

    def forward(self, x: Tensor) -> Tensor:
        """Return features of the same shape."""
        return F.relu(x + self.body(x))


class Reader(nn.Module):
    """Strip (N, 1, 48, W), W % 4 == 0, to scores (N, W / 2, letters + 1); class 0 is nothing."""

    def __init__(self) -> None:
        super().__init__()
        self.letters = len(ALPHABET) + 1
        self.body = nn.Sequential(
            _step(1, 32, 5, 2), Block(32),
            _step(32, 64, 3, 2), Block(64), Block(64), Block(64),
            _step(64, 112, 3, (2, 1)), Block(112), Block(112),
            nn.Conv2d(112, 192, (6, 1), bias=False), nn.BatchNorm2d(192), nn.ReLU(inplace=True),
            *(Block(192, d, (1, 3)) for d in (1, 2, 4, 8)),
            nn.Dropout(0.1),
        )  # fmt: skip
        self.head = nn.Conv2d(192, 2 * self.letters, 1)

    def forward(self, x: Tensor) -> Tensor:
        """Return scores for two steps a feature column."""
        scores = self.head(self.body(x)).squeeze(2)
        return scores.transpose(1, 2).reshape(scores.shape[0], -1, self.letters)


class TextMap(nn.Module):
    """Picture (N, 2, H, W), H and W multiples of 32, to :data:`PLANES` at a quarter of the size."""

    def __init__(self) -> None:
        super().__init__()
        self.quarter = nn.Sequential(_step(2, 16, 5, 2), _step(16, 32, 3, 2), Block(32))
        self.eighth = nn.Sequential(_step(32, 56, 3, 2), Block(56), Block(56))
        self.sixteenth = nn.Sequential(_step(56, 88, 3, 2), Block(88), Block(88))
        self.last = nn.Sequential(_step(88, 112, 3, 2), Block(112), Block(112, 2))
        self.side = nn.ModuleList([nn.Conv2d(c, 48, 1) for c in (32, 56, 88, 112)])
        self.joined = nn.ModuleList([_step(48, 48, 3, 1) for _ in range(3)])
        self.head = nn.Conv2d(48, len(PLANES), 1)

    def forward(self, x: Tensor) -> Tensor:
        """Return raw planes: logits, direction vectors, logarithms."""
        features = [self.quarter(x)]
        for stage in (self.eighth, self.sixteenth, self.last):
            features.append(stage(features[-1]))
        out = self.side[3](features[3])
        for k in (2, 1, 0):
            out = F.interpolate(out, scale_factor=2.0, mode="nearest") + self.side[k](features[k])
            out = self.joined[k](out)
        return self.head(out)


# --- training ------------------------------------------------------------------------------------------


def coded(texts: list[str]) -> tuple[Tensor, Tensor]:
    """Return letters of all texts one after the other, and the texts' lengths."""
    letters = [ALPHABET.index(c) + 1 for text in texts for c in text]
    return torch.tensor(letters, dtype=torch.long), torch.tensor([len(t) for t in texts], dtype=torch.long)


def reader_loss(net: nn.Module, source: Bank, batch: int, device: torch.device) -> Tensor:
    """Loss of one random batch."""
    chosen = torch.randint(len(source.masks), (batch,))
    with torch.no_grad():
        strips, _ = strip_batch(source, chosen)
    with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
        scores = net(strips)
    log = scores.float().log_softmax(2).transpose(0, 1)
    targets, lengths = coded([source.texts[i] for i in chosen.tolist()])
    steps = torch.full((batch,), log.shape[0], dtype=torch.long)
    return F.ctc_loss(log, targets.to(device), steps.to(device), lengths.to(device), zero_infinity=True)


def map_loss(net: nn.Module, source: Bank, batch: int, textures: Tensor, device: torch.device) -> Tensor:
    """Loss of one random batch: places, direction, height."""
    with torch.no_grad():
        pictures, placed = map_batch(source, torch.randint(len(source.masks), (batch,)), textures)
    with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
        out = net(pictures)
    out = out.float()
    known = (~placed.ignore).float()
    total = torch.zeros((), device=device)
    for k, truth in enumerate((placed.text, placed.core)):
        each = F.binary_cross_entropy_with_logits(out[:, k], truth.float(), reduction="none")
        total = total + (each * known).sum() / known.sum()
    letters = placed.text & ~placed.ignore
    weight = letters.float() / letters.float().sum().clamp(min=1)
    for k, angle in ((2, placed.angle), (4, 2 * placed.angle)):
        off = (out[:, k] - angle.cos()) ** 2 + (out[:, k + 1] - angle.sin()) ** 2
        total = total + 0.15 * (off * weight).sum()
    height = torch.log2(ml.spread(placed.cap, batch).view(-1, 1, 1) / 16)
    return total + 0.1 * ((out[:, 6] - height).abs() * weight).sum()


def train(net: nn.Module, loss_of: object, seconds: float, rate: float, name: str) -> int:
    """Train for a time; return the number of steps. The rate rises quickly and falls along a cosine."""
    assert callable(loss_of)
    optimizer = torch.optim.AdamW(net.parameters(), lr=rate, weight_decay=0.01)
    began, steps, told = time.time(), 0, 0.0
    net.train()
    while (spent := (time.time() - began) / seconds) < 1:
        warm = min(1.0, (steps + 1) / 200)
        for group in optimizer.param_groups:
            group["lr"] = rate * warm * (0.5 + 0.5 * math.cos(math.pi * spent)) + 1e-6
        loss = loss_of(net)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimizer.step()
        steps += 1
        if time.time() - told > 10:
            told = time.time()
            print(f"{name} step {steps} loss {loss.item():.4f} {100 * spent:.0f} %", flush=True)
    net.eval()
    return steps


# --- judging -------------------------------------------------------------------------------------------


def edits(a: str, b: str) -> int:
    """Return the edit distance (Levenshtein 1966)."""
    row = list(range(len(b) + 1))
    for i, c in enumerate(a, 1):
        last, row[0] = row[0], i
        for j, d in enumerate(b, 1):
            last, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, last + (c != d))
    return row[-1]


def spelled(scores: Tensor) -> list[tuple[str, float]]:
    """Return what the likeliest classes spell, and the least share of a letter."""
    share, best = scores.softmax(2).max(2)
    out = []
    for row, sure in zip(best.tolist(), share.tolist(), strict=True):
        keep = [k for k, c in enumerate(row) if c and (k == 0 or row[k - 1] != c)]
        out.append(
            ("".join(ALPHABET[row[k] - 1] for k in keep).strip(), min((sure[k] for k in keep), default=1.0))
        )
    return out


@torch.no_grad()
def reader_report(net: nn.Module, source: Bank, batch: int) -> dict[str, object]:
    """Character error rates by kind, how often blanks stay blank, and what signs are read as."""
    wrong: dict[str, list[int]] = {}
    blanks, silent, short = 0, 0, 0
    signs: dict[str, int] = {}
    for _ in range(0, len(source.masks) - batch + 1, batch):
        chosen = torch.randperm(len(source.masks))[:batch]
        strips, kinds = strip_batch(source, chosen)
        for index, kind, (said, sure) in zip(
            chosen.tolist(), kinds.tolist(), spelled(net(strips).float()), strict=True
        ):
            truth = source.texts[index]
            if not truth:
                blanks += 1
                silent += not said
                short += len(said) < 3 or sure < 0.5
                continue
            name = {-1.0: "height", -2.0: "supposed"}.get(kind) or (
                "side" if kind < 35 else "oblique" if kind < 55 else "frontal"
            )
            entry = wrong.setdefault(name, [0, 0, 0, 0])
            distance = edits(said, truth)
            entry[0] += distance
            entry[1] += len(truth)
            entry[2] += distance == 0
            entry[3] += 1
            for sign in SIGNS + OTHER:
                if truth.count(sign) == 1 and sum(truth.count(s) for s in SIGNS + OTHER) == 1:
                    found = "".join(c for c in said if c in SIGNS + OTHER) or "none"
                    key = f"{sign} as {found if len(found) < 2 or found == 'none' else 'several'}"
                    signs[key] = signs.get(key, 0) + 1
    return {
        "character_error_rate": {k: round(v[0] / v[1], 4) for k, v in sorted(wrong.items())},
        "lines_right": {k: round(v[2] / v[3], 4) for k, v in sorted(wrong.items())},
        "lines": {k: v[3] for k, v in sorted(wrong.items())},
        "blanks": {"strips": blanks, "nothing_read": silent, "short_or_unsure": short},
        "signs": dict(sorted(signs.items())),
    }


@torch.no_grad()
def map_report(net: nn.Module, source: Bank, batch: int, textures: Tensor) -> dict[str, object]:
    """Recall and precision of the core, errors of direction and height, and the highest share in blanks."""
    counts = np.zeros((3, 3))
    off_angle, off_axis, off_height = [], [], []
    blank, lettered = [], []
    for _ in range(0, len(source.masks), batch):
        pictures, placed = map_batch(source, torch.randperm(len(source.masks))[:batch], textures)
        out = net(pictures).float()
        share = out[:, 1].sigmoid()
        for i, bar in enumerate((0.3, 0.5, 0.7)):
            said = (share > bar) & ~placed.ignore
            counts[i] += [
                int((said & placed.core).sum()),
                int(said.sum()),
                int((placed.core & ~placed.ignore).sum()),
            ]
        core = placed.core & ~placed.ignore
        turn = torch.atan2(out[:, 3], out[:, 2]) - placed.angle
        off_angle.append(torch.atan2(turn.sin(), turn.cos()).abs()[core])
        turn = torch.atan2(out[:, 5], out[:, 4]) - 2 * placed.angle
        off_axis.append(0.5 * torch.atan2(turn.sin(), turn.cos()).abs()[core])
        off_height.append(
            (out[:, 6] - torch.log2(ml.spread(placed.cap, batch).view(-1, 1, 1) / 16)).abs()[core]
        )
        top = F.avg_pool2d(share[:, None], 3, 1).amax((1, 2, 3))
        empty = ~(placed.text | placed.ignore).flatten(1).any(1)
        blank.append(top[empty])
        lettered.append(top[placed.core.flatten(1).sum(1) > 30])
    levels = torch.tensor([0.5, 0.75, 0.9, 0.95, 0.98, 0.99])
    degrees = 180 / math.pi
    return {
        "core_recall": [round(c[0] / max(c[2], 1), 4) for c in counts],
        "core_precision": [round(c[0] / max(c[1], 1), 4) for c in counts],
        "direction_off_deg_median_p90": _quantiles(torch.cat(off_angle) * degrees, torch.tensor([0.5, 0.9])),
        "upside_down": round(float((torch.cat(off_angle) > math.pi / 2).float().mean()), 4),
        "axis_off_deg_median_p90": _quantiles(torch.cat(off_axis) * degrees, torch.tensor([0.5, 0.9])),
        "log2_height_off_median_p90": _quantiles(torch.cat(off_height), torch.tensor([0.5, 0.9])),
        "highest_in_blanks": dict(
            zip(map(str, levels.tolist()), _quantiles(torch.cat(blank), levels), strict=True)
        ),
        "highest_in_lettered": dict(
            zip(map(str, (1 - levels).tolist()), _quantiles(torch.cat(lettered), 1 - levels), strict=True)
        ),
    }


def _quantiles(values: Tensor, at: Tensor) -> list[float]:
    values = values[torch.randperm(len(values))[:1_000_000]]
    return [round(float(v), 4) for v in torch.quantile(values.cpu(), at)] if len(values) else []


# --- putting out ---------------------------------------------------------------------------------------


def export(net: nn.Module, example: Tensor, path: Path, axes: dict[str, dict[int, str]]) -> None:
    """Write the weights, and the network for ONNX run times with free sizes."""
    net = net.float().cpu().eval()
    np.savez(path.with_suffix(".weights.npz"), **{k: v.numpy() for k, v in net.state_dict().items()})
    names = list(axes)
    torch.onnx.export(
        net, (example,), str(path), input_names=names[:1], output_names=names[1:], dynamic_axes=axes,
        opset_version=17, dynamo=False,
    )  # fmt: skip
    try:
        import onnxruntime
    except ImportError:
        print(f"{path.name}: {path.stat().st_size / 1e6:.1f} MB, not compared (no onnxruntime)")
        return
    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    wide = torch.randn(2, *example.shape[1:3], 2 * example.shape[3])
    with torch.no_grad():
        off = np.abs(session.run(None, {names[0]: wide.numpy()})[0] - net(wide).numpy()).max()
    print(f"{path.name}: {path.stat().st_size / 1e6:.1f} MB, differs from torch by {off:.1e}", flush=True)


def sheet(pictures: Tensor, columns: int, path: Path) -> None:
    """Write inputs side by side as a portable gray map."""
    rows = [
        torch.cat(list(pictures[i : i + columns, 0]), 1)
        for i in range(0, len(pictures) - columns + 1, columns)
    ]
    gray = ((torch.cat(rows).cpu() + 4) * 31.8).clamp(0, 255).to(torch.uint8).numpy()
    path.write_bytes(b"P5 %d %d 255\n" % (gray.shape[1], gray.shape[0]) + gray.tobytes())


def started(net: nn.Module, folder: Path | None) -> nn.Module:
    """Return the network with earlier weights, if a folder of them is given."""
    if folder is not None:
        name = "mark_reader" if isinstance(net, Reader) else "mark_map"
        with np.load(folder / f"{name}.weights.npz") as weights:
            net.load_state_dict({k: torch.from_numpy(v) for k, v in weights.items()})
    return net


def do_reader(options: argparse.Namespace, device: torch.device) -> None:
    """Train, judge and write the reader."""
    began = time.time()
    source = bank(options.pack, False, True, options.strips, SEED, options.workers, device)
    test = bank(options.pack, True, True, options.tests, SEED + 1, options.workers, device)
    print(f"{len(source.masks)} strips drawn in {time.time() - began:.0f} s", flush=True)
    sheet(
        strip_batch(source, torch.randint(len(source.masks), (128,)))[0][::2], 2, options.out / "strips.pgm"
    )
    net = started(Reader(), options.start).to(device)
    steps = train(
        net, lambda n: reader_loss(n, source, options.batch, device), options.reader_seconds, 2e-3, "reader"
    )
    report = reader_report(net, test, min(options.batch, 512))
    record = {
        "seed": SEED, "alphabet": ALPHABET, "steps": steps, "batch": options.batch,
        "strips": len(source.masks), "seconds": options.reader_seconds,
        "parameters": sum(p.numel() for p in net.parameters()),
        "held_out": report, "torch": torch.__version__, **fonts_used(options.pack),
    }  # fmt: skip
    (options.out / "mark_reader.json").write_text(json.dumps(record, indent=1, ensure_ascii=False) + "\n")
    print(json.dumps(report, indent=1, ensure_ascii=False), flush=True)
    axes = {"strip": {0: "n", 3: "width"}, "scores": {0: "n", 1: "steps"}}
    export(net, torch.zeros(1, 1, *ml.STRIP), options.out / "mark_reader.onnx", axes)


def do_map(options: argparse.Namespace, device: torch.device) -> None:
    """Train, judge and write the text map."""
    began = time.time()
    source = bank(options.pack, False, False, options.blocks, SEED + 2, options.workers, device)
    test = bank(options.pack, True, False, options.tests, SEED + 3, options.workers, device)
    print(f"{len(source.masks)} blocks drawn in {time.time() - began:.0f} s", flush=True)
    with np.load(options.pack) as pack:
        textures = ml.linear(torch.from_numpy(pack["textures"]).to(device)[:, None].float() / 255)
    train_on, test_on = textures[::2], textures[1::2]
    batch = max(128, options.batch // 2)
    sheet(
        map_batch(source, torch.randint(len(source.masks), (128,)), train_on)[0][::4],
        8,
        options.out / "blocks.pgm",
    )
    net = started(TextMap(), options.start).to(device)
    steps = train(
        net, lambda n: map_loss(n, source, batch, train_on, device), options.map_seconds, 2e-3, "map"
    )
    report = map_report(net, test, min(batch, 256), test_on)
    record = {
        "seed": SEED, "planes": PLANES, "stride": STRIDE, "steps": steps, "batch": batch,
        "blocks": len(source.masks), "seconds": options.map_seconds,
        "parameters": sum(p.numel() for p in net.parameters()),
        "held_out": report, "torch": torch.__version__, **fonts_used(options.pack),
    }  # fmt: skip
    (options.out / "mark_map.json").write_text(json.dumps(record, indent=1) + "\n")
    print(json.dumps(report, indent=1), flush=True)
    axes = {"picture": {0: "n", 2: "height", 3: "width"}, "planes": {0: "n", 2: "rows", 3: "columns"}}
    export(net, torch.zeros(1, 2, 256, 256), options.out / "mark_map.onnx", axes)


def fonts_used(pack: Path) -> dict[str, list[str]]:
    """Names of the fonts trained on and held out."""
    with np.load(pack) as file:
        names, held = file["names"].tolist(), file["held"].tolist()
    return {
        "fonts": [n for n, h in zip(names, held, strict=True) if not h],
        "held_out_fonts": [n for n, h in zip(names, held, strict=True) if h],
    }


def main() -> None:
    """Draw, train, report, export."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pack", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--start", type=Path, help="folder with weights to go on from")
    parser.add_argument("--reader-seconds", type=float, default=300, help="0: no reader")
    parser.add_argument("--map-seconds", type=float, default=170, help="0: no map")
    parser.add_argument("--strips", type=int, default=120_000)
    parser.add_argument("--blocks", type=int, default=40_000)
    parser.add_argument("--tests", type=int, default=6_000)
    parser.add_argument("--batch", type=int, default=512, help="a multiple of 256")
    parser.add_argument("--workers", type=int, default=15)
    options = parser.parse_args()
    torch.manual_seed(SEED)
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    options.out.mkdir(parents=True, exist_ok=True)
    if options.reader_seconds:
        do_reader(options, device)
    if options.map_seconds:
        do_map(options, device)


if __name__ == "__main__":
    main()
