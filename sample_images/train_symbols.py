"""Train the network that tells the registered, copyright and trademark signs apart in relief.

    python -m sample_images.train_symbols --fonts FOLDER --out FOLDER [--steps N]

Needs torch, numpy, opencv and Pillow and, for the shipped weights, one GPU for about ten minutes; none of
torch is needed to use the result. Strips of lettering are drawn in many fonts, made into shallow relief and
lit at random, so that the network never sees one kind of light, polarity, size or sharpness for long. Fonts
whose names start with one of ``HELD_OUT`` are never trained on; the report is made on them alone.

The strip's geometry and its normalization must equal those of ``vision/mark_signs.py``.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F
from PIL import Image, ImageDraw, ImageFont
from torch import Tensor, nn

CLASSES = ("none", "registered", "copyright", "trademark", "other")
HELD_OUT = ("C059", "P052", "URWGothic", "NimbusSansNarrow", "LiberationMono")
SEED = 1960
CAP = 48
STRIP = (112, 320)
CANVAS = (176, 448)
STRIDE = 8
MOST_SIGNS = 2
_CAPITALS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_DIGITS = "0123456789"
_NOT_TRADEMARK = ("SM", "IM", "TN", "MT", "IN", "TH", "LTD", "CO", "NO", "TI")
_YEARS = ("MCMLVIII", "MCMLIX", "MCMLXII", "MCMLXVI")


# --- drawing (Pillow, in worker processes) -------------------------------------------------------------


def sized(path: str, cap_px: float) -> ImageFont.FreeTypeFont:
    """Return the font at which an H is ``cap_px`` high."""
    probe = ImageFont.truetype(path, 200)
    box = probe.getbbox("H")
    return ImageFont.truetype(path, max(4, round(200 * cap_px / max(box[3] - box[1], 1))))


def draw_sign(rng: np.random.Generator, path: str, kind: str, size: float) -> Image.Image:
    """Return a sign of the given height (its ring, or its capitals) cut out tightly."""
    if kind == "trademark":
        if rng.random() < 0.3:
            return glyph(path, "™", size)
        return word(path, "TM", size, rng.uniform(0.0, 0.15))
    if kind == "other":
        style = rng.integers(5)
        if style == 0:
            return word(path, str(rng.choice(_NOT_TRADEMARK)), size)
        if style == 1:
            return ringed(rng, path, "", size)
        if style == 2:
            return glyph(path, str(rng.choice(list("*+#&%@°O0QGCRD8"))), size)
        return ringed(rng, path, str(rng.choice(list("AEFHKLMNSTUWXYZ12345679"))), size)
    letter = {"registered": "R", "copyright": "C"}[kind]
    if rng.random() < 0.45:
        return glyph(path, {"R": "®", "C": "©"}[letter], size)
    return ringed(rng, path, letter, size)


def glyph(path: str, text: str, size: float) -> Image.Image:
    """Return one glyph scaled to ``size`` px of ink height."""
    font = ImageFont.truetype(path, 160)
    box = font.getbbox(text)
    font = ImageFont.truetype(path, max(4, round(160 * size / max(box[3] - box[1], 1))))
    box = font.getbbox(text)
    out = Image.new("L", (max(1, box[2] - box[0]), max(1, box[3] - box[1])))
    ImageDraw.Draw(out).text((-box[0], -box[1]), text, fill=255, font=font)
    return out


def word(path: str, text: str, size: float, gap: float = 0.05) -> Image.Image:
    """Return letters side by side with extra space between them."""
    pieces = [glyph(path, c, size) for c in text]
    space = round(gap * size) + 1
    out = Image.new("L", (sum(p.width + space for p in pieces), max(p.height for p in pieces)))
    x = 0
    for piece in pieces:
        out.paste(piece, (x, out.height - piece.height))
        x += piece.width + space
    return out


def ringed(rng: np.random.Generator, path: str, letter: str, size: float) -> Image.Image:
    """Return a letter in a ring with random proportions."""
    big = 4
    side = max(8, round(size * big))
    out = Image.new("L", (side, side))
    pen = ImageDraw.Draw(out)
    pen.ellipse((1, 1, side - 2, side - 2), outline=255, width=max(1, round(side * rng.uniform(0.055, 0.11))))
    if letter:
        inner = glyph(path, letter, side * rng.uniform(0.42, 0.58))
        out.paste(inner, ((side - inner.width) // 2, (side - inner.height) // 2), inner)
    return out.resize((max(1, round(side / big)), max(1, round(side / big))), Image.Resampling.LANCZOS)


def some_text(rng: np.random.Generator) -> str:
    """Return a word as marks have them: capitals, figures, years, abbreviations."""
    kind = rng.random()
    if kind < 0.15:
        return str(rng.integers(1900, 2000))
    if kind < 0.25:
        return str(rng.choice(_YEARS))
    letters = _CAPITALS if kind < 0.8 else _CAPITALS + _DIGITS + "-.&/"
    return "".join(rng.choice(list(letters), rng.integers(2, 9)))


def draw_strip(rng: np.random.Generator, fonts: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Return a (176, 448) uint8 mask of lettering and (2, 4) signs: class, x, y, size (class 0 = none)."""
    height, width = CANVAS
    canvas = Image.new("L", (width, height))
    pen = ImageDraw.Draw(canvas)
    path = str(rng.choice(fonts))
    font = sized(path, CAP)
    lift = font.getbbox("H")[1]
    top = (height - CAP) // 2
    leading = CAP * rng.uniform(1.4, 2.0)
    for row in (-1, 1):
        if rng.random() < 0.55:
            pen.text((rng.uniform(-300, 200), top + row * leading - lift), " ".join(some_text(rng) for _ in range(6)), fill=255, font=font)  # fmt: skip  # noqa: E501
    signs = np.zeros((MOST_SIGNS, 4), np.float32)
    count, x = 0, float(rng.uniform(-250, 250))
    space = CAP * rng.uniform(0.02, 0.2)
    while x < width:
        if count < MOST_SIGNS and rng.random() < 0.35:
            kind = int(rng.choice([1, 2, 3, 4], p=[0.3, 0.25, 0.25, 0.2]))
            low = 0.33 if CLASSES[kind] == "trademark" else 0.4
            high = 1.15 if CLASSES[kind] != "trademark" or rng.random() < 0.25 else 0.7
            size = CAP * rng.uniform(low, high)
            own = path if rng.random() < 0.8 else str(rng.choice(fonts))
            stamp = draw_sign(rng, own, CLASSES[kind], size)
            raised = rng.choice([0.0, 0.5, 1.0], p=[0.55, 0.2, 0.25]) + rng.normal(0, 0.04)
            y = top + raised * (CAP - stamp.height)
            x += CAP * rng.uniform(0.05, 0.5)
            canvas.paste(255, (round(x), round(y)), stamp)
            if -10 < x + stamp.width / 2 < width + 10:
                extent = max(stamp.height, 0.8 * stamp.width)
                signs[count] = (kind, x + stamp.width / 2, y + stamp.height / 2, extent)
                count += 1
            x += stamp.width + CAP * rng.uniform(0.1, 0.6)
        for char in some_text(rng):
            pen.text((x, top - lift), char, fill=255, font=font)
            x += font.getlength(char) + space
        x += CAP * rng.uniform(0.2, 0.6)
        if rng.random() < 0.25:
            x += width
    if rng.random() < 0.08:
        pen.rectangle((rng.uniform(-60, 60), top - CAP * rng.uniform(0.25, 0.5), rng.uniform(300, 500), top + CAP * rng.uniform(1.25, 1.5)), outline=255, width=5)  # fmt: skip  # noqa: E501
    return np.asarray(canvas), signs


def draw_many(task: tuple[int, int, list[str]]) -> tuple[np.ndarray, np.ndarray]:
    """Draw a number of strips from one seed."""
    seed, count, fonts = task
    rng = np.random.default_rng(seed)
    masks, labels = zip(*(draw_strip(rng, fonts) for _ in range(count)), strict=True)
    return np.stack(masks), np.stack(labels)


def bank(seed: int, count: int, fonts: list[str], workers: int) -> tuple[Tensor, Tensor]:
    """Return ``count`` masks (uint8) and their signs."""
    each = 250
    tasks = [(seed * 100_000 + i, each, fonts) for i in range(max(1, count // each))]
    with ProcessPoolExecutor(workers) as pool:
        masks, labels = zip(*pool.map(draw_many, tasks), strict=True)
    return torch.from_numpy(np.concatenate(masks)), torch.from_numpy(np.concatenate(labels))


# --- light (torch, on the device) ----------------------------------------------------------------------


def uniform(n: int, low: float, high: float, device: torch.device) -> Tensor:
    """Return n values shaped for broadcasting over pictures."""
    return low + (high - low) * torch.rand(n, 1, 1, 1, device=device)


def sometimes(n: int, share: float, device: torch.device) -> Tensor:
    """Return n random booleans shaped for broadcasting over pictures."""
    return torch.rand(n, 1, 1, 1, device=device) < share


def blur(image: Tensor, sigma: Tensor) -> Tensor:
    """Gaussian blur with one sigma (up to 6 px) a picture."""
    n, c, h, w = image.shape
    reach = 15
    at = torch.arange(-reach, reach + 1, device=image.device, dtype=image.dtype)
    kernel = torch.exp(-(at[None] ** 2) / (2 * sigma.view(-1, 1).clamp(min=0.05) ** 2))
    kernel = kernel / kernel.sum(1, keepdim=True)
    kernel = kernel.repeat_interleave(c, 0)
    flat = image.reshape(1, n * c, h, w)
    flat = F.conv2d(F.pad(flat, (reach, reach, 0, 0), mode="reflect"), kernel[:, None, None, :], groups=n * c)
    flat = F.conv2d(F.pad(flat, (0, 0, reach, reach), mode="reflect"), kernel[:, None, :, None], groups=n * c)
    return flat.reshape(n, c, h, w)


def rough(n: int, size: tuple[int, int], cells: int, device: torch.device) -> Tensor:
    """Smooth noise of unit variance with about ``cells`` px a bump."""
    coarse = torch.randn(n, 1, size[0] // cells + 3, size[1] // cells + 3, device=device)
    return F.interpolate(coarse, size=size, mode="bicubic", align_corners=False)


def cells(size: tuple[int, int], step: int, device: torch.device) -> tuple[Tensor, Tensor]:
    """Return y and x of the middles of a grid's cells."""
    y, x = (((torch.arange(n, device=device) + 0.5) * step) for n in size)
    return torch.meshgrid(y, x, indexing="ij")


def placed(masks: Tensor, labels: Tensor) -> tuple[Tensor, Tensor]:
    """Cut random strips out of the canvases: turned, scaled, slightly sheared; labels follow."""
    n, device = len(masks), masks.device
    angle = (uniform(n, -6, 6, device) * math.pi / 180).view(n)
    scale = uniform(n, 0.64, 1.45, device).view(n)
    shear = uniform(n, -0.12, 0.12, device).view(n)
    c, s = torch.cos(angle) / scale, torch.sin(angle) / scale
    linear = torch.stack([torch.stack([c, s + shear], 1), torch.stack([-s, c], 1)], 1)
    center = torch.tensor([CANVAS[1] / 2, CANVAS[0] / 2], device=device)
    shift = torch.cat([uniform(n, -60, 60, device).view(n, 1), uniform(n, -9, 9, device).view(n, 1)], 1)
    yy, xx = cells(STRIP, 1, device)
    at = torch.stack([xx - STRIP[1] / 2, yy - STRIP[0] / 2], -1).reshape(-1, 2)
    source = torch.einsum("nij,pj->npi", linear, at) + (center + shift)[:, None]
    bend = uniform(n, -0.0006, 0.0006, device).view(n, 1)
    source[..., 1] += bend * at[None, :, 0] ** 2
    grid = torch.stack([2 * source[..., 0] / CANVAS[1] - 1, 2 * source[..., 1] / CANVAS[0] - 1], -1)
    strips = F.grid_sample(masks, grid.view(n, *STRIP, 2), align_corners=False)
    points = labels[..., 1:3] - (center + shift)[:, None]
    inverse = torch.linalg.inv(linear)
    moved = torch.einsum("nij,nkj->nki", inverse, points)
    moved[..., 1] -= bend * moved[..., 0] ** 2 / scale.view(n, 1)
    moved = moved + torch.tensor([STRIP[1] / 2, STRIP[0] / 2], device=device)
    out = torch.cat([labels[..., :1], moved, labels[..., 3:] * scale.view(n, 1, 1)], -1)
    return strips, out


def lit(strips: Tensor) -> Tensor:
    """Return pictures (0–1, sRGB-coded, quantized) of the strips as relief under random light."""
    n, device = len(strips), strips.device
    cap = float(CAP)
    soft = blur(strips, uniform(n, 0.7, 3.2, device))
    polarity = torch.where(sometimes(n, 0.75, device), 1.0, -1.0)
    relief = soft * polarity * uniform(n, 0.03, 0.16, device) * cap
    bumps = sum(
        rough(n, STRIP, px, device) * uniform(n, 0, 0.02 * px, device) * sometimes(n, 0.6, device)
        for px in (2, 4, 9)
    )
    surface = relief + bumps + rough(n, STRIP, 80, device) * uniform(n, 0, 6, device)
    gx = (torch.roll(surface, -1, 3) - torch.roll(surface, 1, 3)) / 2 + uniform(n, -0.5, 0.5, device)
    gy = (torch.roll(surface, -1, 2) - torch.roll(surface, 1, 2)) / 2 + uniform(n, -0.5, 0.5, device)
    gx, gy = gx.clamp(-4, 4), gy.clamp(-4, 4)
    norm = torch.sqrt(gx**2 + gy**2 + 1)
    azimuth = uniform(n, 0, 2 * math.pi, device)
    low = sometimes(n, 0.65, device)
    elevation = torch.where(low, uniform(n, 8, 40, device), uniform(n, 40, 88, device)) * math.pi / 180
    lx, ly, lz = azimuth.cos() * elevation.cos(), azimuth.sin() * elevation.cos(), elevation.sin()
    wrap = uniform(n, 0, 0.4, device)
    diffuse = (((-gx * lx - gy * ly + lz) / norm + wrap) / (1 + wrap)).clamp(min=0)
    diffuse = diffuse * (1 - uniform(n, 0.2, 0.9, device) * shadowed(surface, lx, ly, lz))
    diffuse = blur(diffuse, uniform(n, 0.1, 2.6, device))
    hx, hy, hz = lx, ly, lz + 1
    length = torch.sqrt(hx**2 + hy**2 + hz**2)
    gloss = (((-gx * hx - gy * hy + hz) / norm / length).clamp(0, 1)) ** uniform(n, 8, 120, device)
    gloss = gloss * uniform(n, 0, 0.5, device) * sometimes(n, 0.6, device)
    paint = 1 + 0.06 * rough(n, STRIP, 60, device) * torch.rand(n, 1, 1, 1, device=device)
    printed = sometimes(n, 0.08, device)
    wiped = sometimes(n, 0.12, device)
    ink = 1 - soft * torch.where(printed, uniform(n, 0.2, 0.9, device), wiped * uniform(n, -0.3, 0.5, device))
    picture = paint * ink * (uniform(n, 0.05, 0.35, device) + diffuse) + gloss
    picture = picture / picture.mean((2, 3), keepdim=True) * uniform(n, 0.15, 0.65, device)
    return photographed(picture)


def shadowed(surface: Tensor, lx: Tensor, ly: Tensor, lz: Tensor) -> Tensor:
    """Return 1 where a point toward the light stands higher than the ray."""
    n, _, h, w = surface.shape
    shade = torch.zeros_like(surface)
    rise = lz / torch.sqrt(lx**2 + ly**2).clamp(min=1e-3)
    theta = torch.zeros(n, 2, 3, device=surface.device)
    theta[:, 0, 0] = theta[:, 1, 1] = 1
    for step in (1.5, 3.0, 5.0, 8.0, 12.0):
        theta[:, 0, 2] = (2 * step * lx / w).view(n)
        theta[:, 1, 2] = (2 * step * ly / h).view(n)
        grid = F.affine_grid(theta, list(surface.shape), align_corners=False)
        ahead = F.grid_sample(surface, grid, padding_mode="border", align_corners=False)
        shade = torch.maximum(shade, ((ahead - surface - step * rise) / 1.0).clamp(0, 1))
    return shade


def photographed(picture: Tensor) -> Tensor:
    """Return pictures with lens blur, few pixels, noise, tone curve and compression."""
    n, _, h, w = picture.shape
    device = picture.device
    picture = blur(picture, uniform(n, 0.05, 2.2, device))
    groups = []
    for chunk in picture.split(max(1, n // 8)):
        factor = float(np.exp(np.random.uniform(math.log(0.3), math.log(1.6))))
        small = F.interpolate(chunk, scale_factor=factor, mode="area") if factor < 1 else chunk
        strength = uniform(len(small), 0.001, 0.022, device) * small.clamp(min=0.02).sqrt()
        small = (small + torch.randn_like(small) * strength).clamp(1e-6, 1)
        small = torch.where(small <= 0.0031308, 12.92 * small, 1.055 * small ** (1 / 2.4) - 0.055)
        small = compressed(small)
        small = (small * 255).round() / 255
        groups.append(F.interpolate(small, size=(h, w), mode="bicubic", align_corners=False).clamp(0, 1))
    return torch.cat(groups)


def _cosines() -> Tensor:
    k, i = torch.arange(8.0)[:, None], torch.arange(8.0)[None]
    rows = torch.cos(math.pi * (2 * i + 1) * k / 16) / 2
    return torch.cat([rows[:1] / math.sqrt(2), rows[1:]])


_DCT = _cosines()


def compressed(image: Tensor) -> Tensor:
    """Return pictures after an 8 x 8 cosine transform rounded to random steps, as JPEG does."""
    n, _, h, w = image.shape
    full = F.pad(image, (0, -w % 8, 0, -h % 8), mode="replicate")
    dct = _DCT.to(image)
    blocks = full.unfold(2, 8, 8).unfold(3, 8, 8)
    coefficients = dct @ blocks @ dct.T
    frequency = torch.arange(8, device=image.device)
    step = (4 + 6 * (frequency[:, None] + frequency[None])) / 255
    step = step * torch.exp(torch.empty(n, 1, 1, 1, 1, 1, device=image.device).uniform_(-3.5, 0.0))
    blocks = dct.T @ ((coefficients / step).round() * step) @ dct
    rows, cols = full.shape[2] // 8, full.shape[3] // 8
    return blocks.permute(0, 1, 2, 4, 3, 5).reshape(n, 1, rows * 8, cols * 8)[:, :, :h, :w]


def normalized(picture: Tensor) -> Tensor:
    """Log luminance without slow changes, over its strength; as in ``vision/mark_signs.py``."""
    linear = torch.where(picture <= 0.04045, picture / 12.92, ((picture + 0.055) / 1.055) ** 2.4)
    log = torch.log(linear + 2 / 255)
    at = torch.arange(-60, 61, device=picture.device, dtype=picture.dtype)
    kernel = torch.exp(-(at**2) / (2 * 24.0**2))
    kernel = kernel / kernel.sum()
    slow = F.conv2d(F.pad(log, (60, 60, 0, 0), mode="reflect"), kernel[None, None, None])
    slow = F.conv2d(F.pad(slow, (0, 0, 60, 60), mode="reflect"), kernel[None, None, :, None])
    fine = log - slow
    return (fine / (fine.pow(2).mean((2, 3), keepdim=True).sqrt() + 0.01)).clamp(-4, 4)


# --- network -------------------------------------------------------------------------------------------


class Block(nn.Module):
    """Two convolutions with a shortcut."""

    def __init__(self, channels: int, dilation: int) -> None:
        super().__init__()
        self.body = nn.Sequential(
            nn.Conv2d(channels, channels, 3, padding=dilation, dilation=dilation, bias=False),
            nn.BatchNorm2d(channels),
            nn.ReLU(inplace=True),
            nn.Conv2d(channels, channels, 3, padding=1, bias=False),
            nn.BatchNorm2d(channels),
        )

    def forward(self, x: Tensor) -> Tensor:
        """Return features of the same shape."""
        return F.relu(x + self.body(x))


class Net(nn.Module):
    """Strip (N, 1, 112, W) to class scores (N, 5, 14, W / 8)."""

    def __init__(self) -> None:
        super().__init__()

        def down(a: int, b: int, size: int) -> nn.Sequential:
            conv = nn.Conv2d(a, b, size, stride=2, padding=size // 2, bias=False)
            return nn.Sequential(conv, nn.BatchNorm2d(b), nn.ReLU(inplace=True))

        self.body = nn.Sequential(
            down(1, 24, 5), down(24, 40, 3), Block(40, 1), down(40, 72, 3),
            Block(72, 1), Block(72, 2), Block(72, 1), Block(72, 2),
        )  # fmt: skip
        self.head = nn.Conv2d(72, len(CLASSES), 1)

    def forward(self, x: Tensor) -> Tensor:
        """Return class scores before softmax."""
        return self.head(self.body(x))


def targets(labels: Tensor) -> Tensor:
    """Return the class of each cell; -1 where a cell is near a sign's rim and counts for nothing."""
    n, device = len(labels), labels.device
    rows, cols = STRIP[0] // STRIDE, STRIP[1] // STRIDE
    yy, xx = cells((rows, cols), STRIDE, device)
    out = torch.zeros(n, rows, cols, dtype=torch.long, device=device)
    for k in range(labels.shape[1]):
        kind, x, y, size = (labels[:, k, i].view(n, 1, 1) for i in range(4))
        distance = torch.hypot(xx - x, yy - y)
        there = kind > 0
        out = torch.where(there & (distance < 0.75 * size) & (out == 0), torch.full_like(out, -1), out)
        inner = torch.maximum(0.28 * size, torch.full_like(size, 6.5))
        out = torch.where(there & (distance < inner), kind.long().expand_as(out), out)
    x, size = labels[..., 1], labels[..., 3]
    cut = (labels[..., 0] > 0) & ((x < 0.3 * size) | (x > STRIP[1] - 0.3 * size))
    unfair = cut.any(1).view(n, 1, 1) & (out > 0) & border_columns(cols, device)
    return torch.where(unfair, torch.full_like(out, -1), out)


def border_columns(cols: int, device: torch.device) -> Tensor:
    """Mask of the outer columns, where a sign may be cut off."""
    at = torch.arange(cols, device=device)
    return ((at < 4) | (at >= cols - 4)).view(1, 1, cols)


def train(masks: Tensor, labels: Tensor, steps: int, batch: int, device: torch.device) -> Net:
    """Return a network trained on the bank under ever new light."""
    net = Net().to(device)
    optimizer = torch.optim.AdamW(net.parameters(), lr=2e-3, weight_decay=1e-3)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimizer, 4e-3, total_steps=steps, pct_start=0.1)
    weight = torch.tensor([1.0, 10.0, 10.0, 10.0, 6.0], device=device)
    began = time.time()
    for step in range(steps):
        chosen = torch.randint(len(masks), (batch,))
        with torch.no_grad():
            strips, moved = placed(masks[chosen].to(device)[:, None].float() / 255, labels[chosen].to(device))
            images, truth = normalized(lit(strips)), targets(moved)
        with torch.autocast("cuda", torch.bfloat16, enabled=device.type == "cuda"):
            scores = net(images)
        loss = F.cross_entropy(scores.float(), truth, weight=weight, ignore_index=-1)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimizer.step()
        schedule.step()
        if step % 500 == 0:
            print(f"step {step} loss {loss.item():.4f} {time.time() - began:.0f} s", flush=True)
    return net.eval()


@torch.no_grad()
def report(net: Net, masks: Tensor, labels: Tensor, device: torch.device) -> dict[str, object]:
    """Return what is said at each sign's center in fonts never trained on, by size; and the false alarms."""
    counts: dict[str, dict[str, int]] = {}
    alarms = {str(t): 0 for t in (0.5, 0.7, 0.9)}
    strips_seen = 0
    for start in range(0, len(masks), 256):
        piece = slice(start, start + 256)
        strips, moved = placed(masks[piece].to(device)[:, None].float() / 255, labels[piece].to(device))
        scores = net(normalized(lit(strips))).softmax(1)
        quiet = (targets(moved) == 0).all(2).all(1)
        strips_seen += int(quiet.sum())
        top = scores[:, 1:4].amax((1, 2, 3))
        for t in alarms:
            alarms[t] += int((top[quiet] > float(t)).sum())
        for i, k in ((i, k) for i in range(len(strips)) for k in range(MOST_SIGNS)):
            kind, x, y, size = moved[i, k].tolist()
            half = size / 2
            if kind and half < x < STRIP[1] - half and half < y < STRIP[0] - half:
                named, said = (
                    f"{CLASSES[int(kind)]} {'small' if size < 25 else 'large'}",
                    answer(scores[i], x, y),
                )
                entry = counts.setdefault(named, {})
                entry[said] = entry.get(said, 0) + 1
    return {"signs": dict(sorted(counts.items())), "strips_without_sign": strips_seen, "false_alarms": alarms}


def answer(scores: Tensor, x: float, y: float) -> str:
    """Return the class at a place and whether it is sure (share above 0.9)."""
    row, col = min(13, int(y / STRIDE)), min(39, int(x / STRIDE))
    cell = scores[:, max(0, row - 1) : row + 2, max(0, col - 1) : col + 2].amax((1, 2))
    share = cell / cell.sum()
    best = int(share.argmax())
    return f"{CLASSES[best]} {'sure' if float(share[best]) > 0.9 else 'unsure'}"


def main() -> None:
    """Draw, train, report, export."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fonts", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--steps", type=int, default=6300)
    parser.add_argument("--bank", type=int, default=60_000)
    parser.add_argument("--workers", type=int, default=15)
    options = parser.parse_args()
    torch.manual_seed(SEED)
    np.random.seed(SEED)
    cv2.setNumThreads(1)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    fonts = sorted(str(p) for p in options.fonts.iterdir() if p.suffix in (".ttf", ".otf"))
    held = [f for f in fonts if Path(f).name.startswith(HELD_OUT)]
    used = [f for f in fonts if f not in held]
    masks, labels = bank(SEED, options.bank, used, options.workers)
    test_masks, test_labels = bank(SEED + 1, 6000, held, options.workers)
    print(f"{len(masks)} strips in {len(used)} fonts, {len(test_masks)} in {len(held)} held out", flush=True)
    options.out.mkdir(parents=True, exist_ok=True)
    sample = placed(masks[:48].to(device)[:, None].float() / 255, labels[:48].to(device))[0]
    sheet = lit(sample).cpu().numpy()[:, 0]
    sheet = np.concatenate([np.concatenate(list(sheet[i : i + 4]), 1) for i in range(0, 48, 4)])
    cv2.imwrite(str(options.out / "sheet.png"), (sheet * 255).astype(np.uint8))
    net = train(masks, labels, options.steps, 256, device)
    record = {
        "seed": SEED,
        "steps": options.steps,
        "bank": len(masks),
        "classes": CLASSES,
        "parameters": sum(p.numel() for p in net.parameters()),
        "fonts": [Path(f).name for f in used],
        "held_out_fonts": [Path(f).name for f in held],
        "held_out": report(net, test_masks, test_labels, device),
        "torch": torch.__version__,
    }
    (options.out / "mark_symbol.json").write_text(json.dumps(record, indent=1) + "\n")
    print(json.dumps(record["held_out"], indent=1))
    torch.onnx.export(
        net.cpu(),
        (torch.zeros(1, 1, *STRIP),),
        str(options.out / "mark_symbol.onnx"),
        input_names=["strip"],
        output_names=["scores"],
        dynamic_axes={"strip": {0: "n", 3: "width"}, "scores": {0: "n", 3: "cells"}},
        opset_version=17,
        dynamo=False,
    )


if __name__ == "__main__":
    main()
