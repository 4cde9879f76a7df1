"""Lettering made into relief under random light, on the device, by the thousand.

Everything here works on (N, 1, H, W) float32 tensors. What is random is drawn either for each picture or,
where it decides a matrix (blur, size), for each of :data:`GROUPS` groups that a batch falls into. Nothing
imitates one camera, one light or one finish: the ranges are wide on purpose.
"""

from __future__ import annotations

import math

import torch
import torch.nn.functional as F
from torch import Tensor

GROUPS = 16

#: Input strip of the reader and the resolution its relief is lit at.
STRIP = (48, 512)
LIT_STRIP = (72, 768)
#: Height of a capital in the strip's pixels, least and most.
STRIP_CAPS = (17.0, 38.0)
MAP_SIDE = 256


# --- dice ----------------------------------------------------------------------------------------------


def each(n: int, low: float, high: float, device: torch.device) -> Tensor:
    """Return n uniform values shaped for broadcasting over pictures."""
    return low + (high - low) * torch.rand(n, 1, 1, 1, device=device)


def logs(n: int, low: float, high: float, device: torch.device) -> Tensor:
    """Return n values whose logarithm is uniform."""
    return torch.exp(each(n, math.log(low), math.log(high), device))


def sometimes(n: int, share: float, device: torch.device) -> Tensor:
    """Return n random booleans as 0 or 1, shaped for broadcasting over pictures."""
    return (torch.rand(n, 1, 1, 1, device=device) < share).float()


def rough(n: int, size: tuple[int, int], bump: int, device: torch.device) -> Tensor:
    """Smooth noise of about unit variance with bumps of about ``bump`` px."""
    coarse = torch.randn(n, 1, size[0] // bump + 3, size[1] // bump + 3, device=device)
    return F.interpolate(coarse, size=size, mode="bilinear" if bump < 4 else "bicubic", align_corners=False)


# --- linear operators as matrices ----------------------------------------------------------------------


def gauss_matrix(n: int, sigma: Tensor) -> Tensor:
    """(K, n, n) matrices that blur along one axis; weights that fall outside are left out."""
    at = torch.arange(n, device=sigma.device, dtype=torch.float32)
    weight = torch.exp(-((at[:, None] - at[None]) ** 2) / (2 * sigma.view(-1, 1, 1).clamp(min=0.05) ** 2))
    return weight / weight.sum(2, keepdim=True)


def blur(image: Tensor, sigma: Tensor | float) -> Tensor:
    """Gaussian blur; ``sigma`` is one number or (G,) for as many equal groups."""
    sigmas = torch.as_tensor(sigma, device=image.device, dtype=torch.float32).reshape(-1)
    n, _, h, w = image.shape
    grouped = image.view(len(sigmas), -1, h, w)
    out = gauss_matrix(h, sigmas)[:, None] @ grouped @ gauss_matrix(w, sigmas).transpose(1, 2)[:, None]
    return out.view(n, 1, h, w)


def _resampling(n_in: int, n_out: int, device: torch.device) -> Tensor:
    step = n_in / n_out
    at = (torch.arange(n_out, device=device) + 0.5) * step
    off = at[:, None] - torch.arange(n_in, device=device)[None] - 0.5
    weight = (1 - off.abs() / max(1.0, step)).clamp(min=0)
    return weight / weight.sum(1, keepdim=True)


def resized(image: Tensor, size: tuple[int, int]) -> Tensor:
    """Resample with a triangle as wide as the coarser of both grids."""
    rows = _resampling(image.shape[2], size[0], image.device)
    columns = _resampling(image.shape[3], size[1], image.device)
    return rows @ image @ columns.T


def grouped(n: int, low: float, high: float, device: torch.device) -> Tensor:
    """Return one uniform value a group, (G,), for a batch of n."""
    count = GROUPS if n % GROUPS == 0 else 1
    return low + (high - low) * torch.rand(count, device=device)


def spread(values: Tensor, n: int) -> Tensor:
    """Repeat one value a group for each picture of the group, (N, 1, 1, 1)."""
    return values.repeat_interleave(n // len(values)).view(n, 1, 1, 1)


# --- relief --------------------------------------------------------------------------------------------


def profiled(mask: Tensor, cap: Tensor) -> Tensor:
    """Return heights 0–1 from a mask: rounded, chamfered, thinned, fattened, worn away in places.

    ``cap`` is the height of a capital in pixels for each group, (G,).
    """
    n, device = len(mask), mask.device
    size = (mask.shape[2], mask.shape[3])
    shape = blur(mask, cap * grouped(n, 0.008, 0.05, device)[: len(cap)])
    gain, bias = each(n, 1.0, 4.0, device), each(n, 0.3, 0.62, device)
    keen = ((shape - bias) * gain + 0.5).clamp(0, 1)
    shape = torch.where(sometimes(n, 0.5, device) > 0, keen, shape)
    shape = shape.clamp(min=1e-4) ** logs(n, 0.5, 1.8, device)
    shape = blur(shape, cap * grouped(n, 0.008, 0.06, device)[: len(cap)])
    wear = torch.sigmoid(3 * rough(n, size, max(6, int(cap.mean())), device) - each(n, 0, 4, device))
    return shape * (1 - sometimes(n, 0.35, device) * each(n, 0.2, 0.9, device) * wear)


def distractions(n: int, size: tuple[int, int], cap: Tensor, device: torch.device, share: float) -> Tensor:
    """Return heights, in capitals, of what is no letter: seams, scratches, weave, pores, ripples."""
    yy, xx = _grid(size, device)
    out = torch.zeros(n, 1, *size, device=device)
    unit = spread(cap, n)
    for kind in range(3):
        angle = each(n, 0, math.pi, device)
        away = each(n, -0.6, 0.6, device) * max(size) / (1 if kind == 0 else 2)
        along = xx * angle.cos() + yy * angle.sin()
        across = yy * angle.cos() - xx * angle.sin() - away * angle.cos()
        across = across + each(n, -1, 1, device) * along**2 / (3 * max(size))
        width = unit * logs(n, 0.02, 0.15, device)
        depth = each(n, -0.08, 0.08, device) * (2 if kind == 0 else 1)
        out += sometimes(n, share, device) * depth * torch.exp(-((across / width) ** 2) / 2)
    angle, pitch = each(n, 0, math.pi, device), unit * logs(n, 0.08, 0.7, device)
    along, across = xx * angle.cos() + yy * angle.sin(), yy * angle.cos() - xx * angle.sin()
    wave = torch.sin(6.28 * along / pitch) * (
        1 + sometimes(n, 0.6, device) * (torch.sin(6.28 * across / pitch) - 1)
    )
    out += sometimes(n, 0.35 * share, device) * each(n, 0.005, 0.05, device) * wave
    pores = (rough(n, size, 2, device) - each(n, 1.4, 2.4, device)).clamp(min=0)
    out -= sometimes(n, 0.5 * share, device) * each(n, 0, 0.05, device) * pores
    return out


def surface(mask: Tensor, cap: Tensor, share: float = 0.15) -> tuple[Tensor, Tensor]:
    """Return heights in pixels with everything on them, and the letters' heights alone."""
    n, device = len(mask), mask.device
    size = (mask.shape[2], mask.shape[3])
    unit = spread(cap, n)
    polarity = 1 - 2 * sometimes(n, 0.3, device)
    letters = profiled(mask, cap) * polarity * logs(n, 0.03, 0.2, device) * unit
    out = letters + distractions(n, size, cap, device, share) * unit
    for bump in (2, 4, 9):
        strength = each(n, 0, 1, device) ** 2 * 0.014 * bump
        out = out + rough(n, size, bump, device) * strength * sometimes(n, 0.5, device)
    swell = rough(n, size, max(24, min(size)), device) * each(n, 0, 0.3, device) ** 2 * min(size)
    return out + swell * sometimes(n, 0.8, device), letters


# --- light ---------------------------------------------------------------------------------------------


def _grid(size: tuple[int, int], device: torch.device) -> tuple[Tensor, Tensor]:
    """y and x of pixel centers, from the middle."""
    y, x = (torch.arange(k, device=device) - (k - 1) / 2 for k in size)
    return y[:, None], x[None]


def slopes(height: Tensor) -> tuple[Tensor, Tensor]:
    """Return slopes along x and y."""
    full = F.pad(height, (1, 1, 1, 1), mode="replicate")
    return (full[:, :, 1:-1, 2:] - full[:, :, 1:-1, :-2]) / 2, (
        full[:, :, 2:, 1:-1] - full[:, :, :-2, 1:-1]
    ) / 2


def lit(mask: Tensor, cap: Tensor, share: float = 0.15) -> tuple[Tensor, Tensor]:
    """Return linear pictures (about 0–1) of lettering under random light, and the elevations in degrees."""
    n, device = len(mask), mask.device
    size = (mask.shape[2], mask.shape[3])
    height, letters = surface(mask, cap, share)
    gx, gy = slopes(height)
    gx, gy = gx + each(n, -0.5, 0.5, device), gy + each(n, -0.5, 0.5, device)
    norm = torch.sqrt(gx**2 + gy**2 + 1)
    azimuth = each(n, 0, 2 * math.pi, device)
    side = sometimes(n, 0.65, device)
    elevation = side * each(n, 6, 38, device) + (1 - side) * each(n, 38, 88, device)
    up = elevation * math.pi / 180
    light = (azimuth.cos() * up.cos(), azimuth.sin() * up.cos(), up.sin())
    wrap = each(n, 0, 0.45, device)
    diffuse = (((-gx * light[0] - gy * light[1] + light[2]) / norm + wrap) / (1 + wrap)).clamp(min=0)
    diffuse = diffuse * (1 - each(n, 0.1, 0.95, device) * shadowed(height, light, cap))
    diffuse = blur(diffuse, cap * grouped(n, 0.003, 0.05, device)[: len(cap)])
    second = each(n, 0, 2 * math.pi, device)
    fill = (-gx * second.cos() - gy * second.sin()) / norm
    diffuse = diffuse + (0.5 + 0.5 * fill) * each(n, 0, 0.5, device) * sometimes(n, 0.4, device)
    picture = painted(letters, n, size, cap) * (logs(n, 0.03, 0.5, device) + diffuse)
    picture = picture * falling(n, size, device) + glossy(gx, gy, norm, light, n)
    level = picture.mean((2, 3), keepdim=True).clamp(min=1e-3)
    return picture / level * logs(n, 0.08, 0.7, device), elevation.view(n)


def glossy(gx: Tensor, gy: Tensor, norm: Tensor, light: tuple[Tensor, Tensor, Tensor], n: int) -> Tensor:
    """Highlights after Walter et al. (2007, 10.2312/EGWR/EGSR07/195-206), the distribution term alone."""
    device = gx.device
    lx, ly, lz = light
    length = torch.sqrt(lx**2 + ly**2 + (lz + 1) ** 2)
    cosine = ((-gx * lx - gy * ly + lz + 1) / norm / length).clamp(0, 1)
    alpha2 = logs(n, 0.12, 0.6, device) ** 4 + 1e-3
    share = alpha2 / (cosine**2 * (alpha2 - 1) + 1) ** 2
    return share.clamp(max=20) * logs(n, 0.003, 0.25, device) * sometimes(n, 0.65, device)


def painted(letters: Tensor, n: int, size: tuple[int, int], cap: Tensor) -> Tensor:
    """Return paint: blotches, specks, and letters that are printed, wiped with color or full of dirt."""
    device = letters.device
    blotches = 1 + each(n, 0, 0.12, device) * rough(n, size, max(12, min(size) // 2), device)
    fine = 1 + each(n, 0, 0.08, device) * rough(n, size, 5, device) * sometimes(n, 0.4, device)
    specks = 1 - each(n, 0, 0.7, device) * (rough(n, size, 3, device) - 2.2).clamp(0, 1) * sometimes(
        n, 0.3, device
    )
    filled = letters.abs() / letters.abs().amax((2, 3), keepdim=True).clamp(min=1e-3)
    ink = sometimes(n, 0.06, device) * each(n, 0.2, 0.9, device)
    ink = ink + sometimes(n, 0.15, device) * each(n, -0.3, 0.5, device) * (1 - ink.clamp(max=1))
    return blotches * fine * specks * (1 - ink.clamp(-0.5, 0.95) * filled)


def falling(n: int, size: tuple[int, int], device: torch.device) -> Tensor:
    """Return light that falls off across the picture."""
    yy, xx = _grid(size, device)
    angle = each(n, 0, 2 * math.pi, device)
    along = (xx * angle.cos() + yy * angle.sin()) / max(size)
    return torch.exp(each(n, 0, 2.2, device) * along * sometimes(n, 0.6, device))


def shadowed(height: Tensor, light: tuple[Tensor, Tensor, Tensor], cap: Tensor) -> Tensor:
    """Return 1 where a point toward the light stands higher than the ray."""
    n, _, h, w = height.shape
    lx, ly, lz = light
    flat = torch.sqrt(lx**2 + ly**2).clamp(min=1e-3)
    theta = torch.zeros(n, 2, 3, device=height.device)
    theta[:, 0, 0] = theta[:, 1, 1] = 1
    out = torch.zeros_like(height)
    for share in (0.04, 0.09, 0.17, 0.3, 0.5):
        step = share * spread(cap, n)
        theta[:, 0, 2] = (2 * step * lx / flat / w).view(n)
        theta[:, 1, 2] = (2 * step * ly / flat / h).view(n)
        grid = F.affine_grid(theta, [n, 1, h, w], align_corners=False)
        ahead = F.grid_sample(height, grid, padding_mode="border", align_corners=False)
        out = torch.maximum(
            out, ((ahead - height - step * lz / flat) / (0.03 * spread(cap, n) + 0.3)).clamp(0, 1)
        )
    return out


# --- camera --------------------------------------------------------------------------------------------


def _cosines() -> Tensor:
    k, i = torch.arange(8.0)[:, None], torch.arange(8.0)[None]
    rows = torch.cos(math.pi * (2 * i + 1) * k / 16) / 2
    return torch.cat([rows[:1] / math.sqrt(2), rows[1:]])


def compressed(image: Tensor) -> Tensor:
    """Return pictures after an 8 x 8 cosine transform rounded to random steps, as JPEG does."""
    n, _, h, w = image.shape
    dct = _cosines().to(image)
    dy, dx = (int(v) for v in torch.randint(0, 8, (2,)))
    full = F.pad(image, (dx, -(w + dx) % 8, dy, -(h + dy) % 8), mode="replicate")
    blocks = full.unfold(2, 8, 8).unfold(3, 8, 8)
    frequency = torch.arange(8, device=image.device)
    step = (4 + 6 * (frequency[:, None] + frequency[None])) / 255
    step = step * torch.exp(torch.empty(n, 1, 1, 1, 1, 1, device=image.device).uniform_(-3.5, 0.1))
    blocks = dct.T @ ((dct @ blocks @ dct.T / step).round() * step) @ dct
    rows, columns = full.shape[2] // 8, full.shape[3] // 8
    whole = blocks.permute(0, 1, 2, 4, 3, 5).reshape(n, 1, rows * 8, columns * 8)
    return whole[:, :, dy : dy + h, dx : dx + w]


def photographed(picture: Tensor, size: tuple[int, int], cap: Tensor) -> Tensor:
    """Return sRGB-coded pictures of ``size`` with lens blur, as few pixels as chance has it, noise, JPEG.

    Letters keep at least about eight pixels.
    """
    n, _, h, w = picture.shape
    device = picture.device
    picture = blur(picture, cap * grouped(n, 0.003, 0.055, device)[: len(cap)])
    out = []
    for chunk, height in zip(picture.chunk(len(cap)), cap.tolist(), strict=True):
        least = min(1.0, 8.5 / height)
        factor = least * (1.2 / least) ** float(torch.rand(()))
        small = resized(chunk, (max(8, round(h * factor)), max(8, round(w * factor))))
        k = len(small)
        noise = logs(k, 0.001, 0.03, device) * small.clamp(min=0.01).sqrt()
        small = (small + torch.randn_like(small) * noise).clamp(1e-6, 1)
        small = torch.where(small <= 0.0031308, 12.92 * small, 1.055 * small ** (1 / 2.4) - 0.055)
        bent = small - each(k, -0.25, 0.25, device) * torch.sin(2 * math.pi * small) / (2 * math.pi)
        small = compressed(bent.clamp(0, 1))
        small = (small.clamp(0, 1) * 255).round() / 255
        out.append(resized(small, size).clamp(0, 1))
    return torch.cat(out)


def measured(mask: Tensor, cap: Tensor, size: tuple[int, int]) -> Tensor:
    """Return height pictures as photometric stereo yields them: soft, noisy, of either sign."""
    n, device = len(mask), mask.device
    height, letters = surface(mask, cap, 0.12)
    height = letters + (height - letters) * each(n, 0, 0.6, device)
    noise = rough(n, (mask.shape[2], mask.shape[3]), 3, device) + rough(
        n, (mask.shape[2], mask.shape[3]), 12, device
    )
    height = height + noise * logs(n, 0.002, 0.04, device) * spread(cap, n)
    height = blur(height, cap * grouped(n, 0.01, 0.07, device)[: len(cap)])
    return resized(height, size) * (1 - 2 * sometimes(n, 0.3, device))


def supposed(shading: Tensor, radius: float) -> Tensor:
    """Return pseudo-heights: the shading integrated along a supposed direction, as the tool tries them."""
    n, _, h, w = shading.shape
    device = shading.device
    full = F.pad(shading, (0, 32, 0, 32), mode="replicate")
    fy = torch.fft.fftfreq(h + 32, device=device)[:, None] * 2 * math.pi
    fx = torch.fft.rfftfreq(w + 32, device=device)[None] * 2 * math.pi
    azimuth = each(n, 0, 2 * math.pi, device)
    along = fx * azimuth.cos() + fy * azimuth.sin()
    spectrum = torch.fft.rfft2(full) * (-1j * along) / (along**2 + (0.5 / radius) ** 2)
    return torch.fft.irfft2(spectrum, s=(h + 32, w + 32))[:, :, :h, :w]


# --- what the networks see -----------------------------------------------------------------------------


def linear(picture: Tensor) -> Tensor:
    """Decode sRGB (IEC 61966-2-1)."""
    return torch.where(picture <= 0.04045, picture / 12.92, ((picture + 0.055) / 1.055) ** 2.4)


def shading_of(picture: Tensor) -> Tensor:
    """Log luminance of sRGB-coded gray pictures."""
    return torch.log(linear(picture) + 2 / 255)


def strip_input(signal: Tensor, is_height: Tensor | None = None) -> Tensor:
    """Signal without slow changes over its local strength, (N, 1, 48, W); as at run time.

    Signals are log luminance; heights, which have no unit, are first brought to a strength of 0.15.
    """
    fine = signal - blur(signal, 16.0)
    if is_height is not None:
        strength = fine.pow(2).mean((2, 3), keepdim=True).sqrt()
        fine = torch.where(is_height > 0, fine * 0.15 / (strength + 1e-9), fine)
    local = blur(fine * fine, 32.0).clamp(min=0).sqrt()
    return (fine / (local + 0.01)).clamp(-4, 4)


def map_input(signal: Tensor, is_height: Tensor | None = None) -> Tensor:
    """Two planes (N, 2, H, W): fine signal over its local strength, and as it is; as at run time."""
    fine = signal - blur(signal, 16.0)
    if is_height is not None:
        strength = fine.pow(2).mean((2, 3), keepdim=True).sqrt()
        fine = torch.where(is_height > 0, fine * 0.15 / (strength + 1e-9), fine)
    local = blur(fine * fine, 32.0).clamp(min=0).sqrt()
    return torch.cat([(fine / (local + 0.01)).clamp(-4, 4), (4 * fine).clamp(-4, 4)], 1)
