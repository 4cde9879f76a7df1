"""Molded lettering as a height map: fonts, symbols, several lines, arcs, soft edges.

Fonts come with the renderer itself (Blender's user-interface fonts and the one inside Pillow), so the
photos can be made again anywhere. Not one line of text is from a real product.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter, ImageFont

from sample_images.blend import image_from_array

Points = NDArray[np.float64]

#: Name → file in Blender's fonts folder ("" = Pillow's own) and variation axes to draw from.
FONTS: dict[str, tuple[str, tuple[tuple[float, float], ...]]] = {
    "grotesque": ("Inter.woff2", ((14, 32), (350, 700))),
    "condensed": ("NotoSansKhmer-VariableFont_wdth,wght.woff2", ((350, 650), (62, 80))),
    "humanist": ("NotoSansKhmer-VariableFont_wdth,wght.woff2", ((300, 700), (90, 100))),
    "mono": ("DejaVuSansMono.woff2", ()),
    "plain": ("Noto Sans CJK Regular.woff2", ()),
    "serif": ("NotoSansMath-Regular.woff2", ()),
    "geometric": ("", ()),
}
_SYMBOLS = {"®": "R", "©": "C"}


@dataclass(frozen=True)
class Lettering:
    """A block of molded lettering.

    Attributes
    ----------
    height
        (H, W) float32, 0 (flat) to 1 (top of the letters).
    lines
        For each line its text and the (N, 2) polygon round it, in pixels of ``height``.
    cap_px
        Height of a capital letter in pixels of ``height``.
    font
        Name of the font.
    """

    height: NDArray[Any]
    lines: list[tuple[str, Points]]
    cap_px: float
    font: str

    @property
    def outline(self) -> Points:
        """(N, 2) points round the whole block."""
        return np.concatenate([polygon for _, polygon in self.lines])


class Face:
    """One font at one cap height, with symbols drawn where the font has none."""

    def __init__(self, rng: np.random.Generator, name: str, cap_px: float) -> None:
        if name not in FONTS:
            raise ValueError(f"unknown font {name!r}; known: {', '.join(FONTS)}")
        self.name, self.cap_px = name, cap_px
        self.own_symbols = rng.random() < 0.6
        axes = [rng.uniform(a, b) for a, b in FONTS[name][1]]
        self._cut = axes
        self.font = self._at(cap_px)

    def _at(self, cap_px: float) -> ImageFont.FreeTypeFont:
        font = _load(FONTS[self.name][0], 200, self._cut)
        cap = font.getbbox(self.glyphs("H"), anchor="ls")
        return _load(FONTS[self.name][0], 200 * cap_px / max(-cap[1], 1), self._cut)

    def glyphs(self, text: str) -> str:
        """Text as this font spells it: the mathematical font keeps its serif capitals far away."""
        if self.name != "serif":
            return text

        def bold(c: str) -> str:
            if "A" <= c <= "Z":
                return chr(0x1D400 + ord(c) - ord("A"))
            return chr(0x1D7CE + ord(c) - ord("0")) if c.isdigit() else c

        return "".join(map(bold, text))

    def strip(self, text: str, tracking: float) -> Image.Image:
        """Draw one line: an 8-bit picture two cap heights tall, half a cap height of margin at both ends."""
        cap = self.cap_px
        pieces = [self._piece(c) for c in re.sub(r"\bTM\b", "™", text)]
        width = sum(p[1] for p in pieces) + tracking * cap * max(len(pieces) - 1, 0)
        strip = Image.new("L", (int(width + cap), int(cap * 2)))
        x = cap / 2
        for stamp, advance in pieces:
            if stamp is not None:
                strip.paste(255, (round(x), 0), stamp)
            x += advance + tracking * cap
        return strip

    def _piece(self, char: str) -> tuple[Image.Image | None, float]:
        """One character on a strip two cap heights tall (baseline at 1.5), and its advance in pixels."""
        cap = self.cap_px
        if char == " ":
            return None, 0.38 * cap
        if char in _SYMBOLS and self.own_symbols:
            return self._ringed(char)
        if char == "™":
            return self._trademark()
        scale = 0.62 if char == "®" else 1.0
        font = self._at(cap * scale) if scale != 1 else self.font
        if char in "®©" and self.name in ("serif", "geometric"):
            return self._ringed(char)
        stamp = Image.new("L", (int(cap * 2.4), int(cap * 2)))
        lift = 0.5 * cap if char == "®" else 0
        ImageDraw.Draw(stamp).text(
            (0.1 * cap, 1.5 * cap - lift), self.glyphs(char), fill=255, font=font, anchor="ls"
        )
        return stamp, font.getlength(self.glyphs(char)) + 0.1 * cap

    def _ringed(self, char: str) -> tuple[Image.Image, float]:
        cap = self.cap_px
        size = cap * (0.62 if char == "®" else 0.95)
        bottom = 1.5 * cap - (cap - size if char == "®" else 0.02 * cap)
        stamp = Image.new("L", (int(cap * 1.4), int(cap * 2)))
        draw = ImageDraw.Draw(stamp)
        box = (0.12 * cap, bottom - size, 0.12 * cap + size, bottom)
        draw.ellipse(box, outline=255, width=max(round(0.1 * size), 1))
        letter = self._at(size * 0.5)
        center = (box[0] + size / 2, bottom - size * 0.25)
        draw.text(center, self.glyphs(_SYMBOLS[char]), fill=255, font=letter, anchor="ms")
        return stamp, size + 0.24 * cap

    def _trademark(self) -> tuple[Image.Image, float]:
        cap = self.cap_px
        font = self._at(cap * 0.42)
        text = self.glyphs("TM")
        stamp = Image.new("L", (int(cap * 1.8), int(cap * 2)))
        ImageDraw.Draw(stamp).text((0.12 * cap, 0.92 * cap), text, fill=255, font=font, anchor="ls")
        return stamp, font.getlength(text) + 0.2 * cap


def _load(file: str, size: float, axes: Sequence[float]) -> ImageFont.FreeTypeFont:
    if not file:
        font = ImageFont.load_default(size)
        if not isinstance(font, ImageFont.FreeTypeFont):
            raise RuntimeError("Pillow was built without FreeType; install a Pillow wheel")
        return font
    folder = Path(bpy.utils.system_resource("DATAFILES")) / "fonts"
    font = ImageFont.truetype(str(folder / file), size)
    if axes:
        font.set_variation_by_axes(list(axes))
    return font


def draw(
    rng: np.random.Generator,
    lines: Sequence[str],
    cap_px: float = 60,
    font: str | None = None,
    box: bool = False,
    box_line: int | None = None,
    arc: float = 0.0,
    softness: float = 0.04,
    align: str = "center",
) -> Lettering:
    """Draw a block of lettering.

    Parameters
    ----------
    cap_px
        Height of capitals in pixels of the result.
    box, box_line
        A rectangle round the whole block, or round one line.
    arc
        Bend: how many radians the widest line turns (0 = straight, > 0 = an arch).
    softness
        Width of the letters' slopes as a fraction of the cap height.
    """
    face = Face(rng, font or str(rng.choice(list(FONTS))), cap_px)
    tracking, leading = rng.uniform(0.06, 0.24), rng.uniform(1.45, 1.9) * cap_px
    if box_line is not None:
        leading = max(leading, 1.8 * cap_px)
    strips = [face.strip(line, tracking) for line in lines]
    width = max(s.width for s in strips) + int(cap_px)
    total = Image.new("L", (width, int(leading * (len(lines) - 1) + 3 * cap_px)))
    boxes = []
    for row, strip in enumerate(strips):
        x = (width - strip.width) // 2 if align == "center" else int(cap_px / 2)
        y = int(row * leading + 0.5 * cap_px)
        total.paste(255, (x, y), strip)
        left, right = x + 0.35 * cap_px, x + strip.width - 0.35 * cap_px
        boxes.append((left, y + 0.35 * cap_px, right, y + 1.65 * cap_px))
    pen = ImageDraw.Draw(total)
    stroke = max(int(0.1 * cap_px), 1)
    if box:
        edge = np.array(boxes)
        frame = (edge[:, 0].min(), edge[:, 1].min(), edge[:, 2].max(), edge[:, 3].max())
        pen.rectangle(frame, outline=255, width=stroke)
    elif box_line is not None:
        left, top, right, bottom = boxes[box_line]
        roomy = (left - 0.15 * cap_px, top - 0.17 * cap_px, right + 0.15 * cap_px, bottom + 0.17 * cap_px)
        pen.rectangle(roomy, outline=255, width=stroke)
    polygons = [_edge(b) for b in boxes]
    image = np.asarray(total, np.float32) / 255
    if abs(arc) > 1e-3:
        image, polygons = _bend(image, polygons, arc)
    height = _soften(image, softness * cap_px)
    return Lettering(height, list(zip(lines, polygons, strict=True)), cap_px, face.name)


def _edge(box: tuple[float, float, float, float], n: int = 12) -> Points:
    """Points round a rectangle, dense along the long sides so that it can be bent."""
    x = np.linspace(box[0], box[2], n)
    top = np.stack([x, np.full(n, box[1])], 1)
    bottom = np.stack([x[::-1], np.full(n, box[3])], 1)
    return np.concatenate([top, bottom])


def _soften(mask: NDArray[Any], sigma: float) -> NDArray[Any]:
    """Give the letters sloping sides and rounded tops."""
    picture = Image.fromarray((mask * 255).astype(np.uint8))
    narrow = np.asarray(picture.filter(ImageFilter.GaussianBlur(sigma)), np.float32) / 255
    wide = np.asarray(picture.filter(ImageFilter.GaussianBlur(sigma * 2.2)), np.float32) / 255
    # Thin strokes keep nearly the full height, as a mold's cutter makes them equally deep.
    return np.tanh(2.2 * (0.75 * narrow + 0.25 * wide)) / np.float32(np.tanh(2.2))


def _bend(image: NDArray[Any], polygons: list[Points], arc: float) -> tuple[NDArray[Any], list[Points]]:
    """Wrap a straight block round a circle so that its width turns by ``arc`` radians."""
    h, w = image.shape
    radius = w / arc  # signed: negative smiles
    middle = np.array([w / 2, h / 2])

    def forward(points: Points) -> Points:
        turn = (points[:, 0] - middle[0]) / radius
        reach = radius - (points[:, 1] - middle[1])
        return np.stack([reach * np.sin(turn), radius - reach * np.cos(turn)], 1)

    rim = forward(np.concatenate([_edge((0, 0, w, h), 40)]))
    low, high = rim.min(0), rim.max(0)
    size = np.ceil(high - low).astype(int) + 1
    x, y = np.meshgrid(np.arange(size[0]) + low[0], np.arange(size[1]) + low[1])
    sign = np.sign(radius)
    turn = np.arctan2(x * sign, (radius - y) * sign)
    reach = sign * np.hypot(x, radius - y)
    source_x, source_y = turn * radius + middle[0], radius - reach + middle[1]
    return sample(image, source_x, source_y), [forward(p) - low for p in polygons]


def sample(image: NDArray[Any], x: NDArray[Any], y: NDArray[Any]) -> NDArray[Any]:
    """Read an image at fractional pixels (bilinear); 0 outside."""
    h, w = image.shape
    x, y = np.asarray(x, float), np.asarray(y, float)
    inside = (x >= 0) & (y >= 0) & (x <= w - 1) & (y <= h - 1)
    xi = np.clip(np.floor(x).astype(int), 0, w - 2)
    yi = np.clip(np.floor(y).astype(int), 0, h - 2)
    fx, fy = np.clip(x - xi, 0, 1), np.clip(y - yi, 0, 1)
    top = image[yi, xi] * (1 - fx) + image[yi, xi + 1] * fx
    bottom = image[yi + 1, xi] * (1 - fx) + image[yi + 1, xi + 1] * fx
    return np.where(inside, top * (1 - fy) + bottom * fy, 0).astype(np.float32)


def add_relief(material: bpy.types.Material, height: NDArray[Any] | bpy.types.Image, depth_cm: float) -> None:
    """Bump a vinyl by a height picture in its ``UVMap`` (0–1 is ``depth_cm``), under its own grain."""
    image = height if isinstance(height, bpy.types.Image) else image_from_array("relief", height, color=False)
    tree = material.node_tree
    texture = tree.nodes.new("ShaderNodeTexImage")
    texture.image = image
    texture.interpolation = "Cubic"
    bump = tree.nodes.new("ShaderNodeBump")
    bump.inputs["Strength"].default_value = 1.0
    bump.inputs["Distance"].default_value = depth_cm
    tree.links.new(texture.outputs["Color"], bump.inputs["Height"])
    grain = next((n for n in tree.nodes if n.bl_idname == "ShaderNodeBump" and n != bump), None)
    if grain is None:
        tree.links.new(bump.outputs["Normal"], tree.nodes["Principled BSDF"].inputs["Normal"])
    else:
        tree.links.new(bump.outputs["Normal"], grain.inputs["Normal"])
