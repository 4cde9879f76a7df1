"""Molded maker's marks on curved vinyl: letters raised from or sunk into the surface.

All wording is invented.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import bpy
import numpy as np
from PIL import Image, ImageDraw, ImageFilter, ImageFont

from .head import SKIN_LABS, pick
from .hues import Floats
from .shapes import grid_quads, mesh_object, noise_image, smoothstep
from .stage import CLASSES, Finish, Shoot

# The fonts that come inside the bpy package (SIL Open Font License and Bitstream Vera license).
FONTS = ("Inter.woff2", "DejaVuSansMono.woff2", "Noto Sans CJK Regular.woff2")
PIECE = (3.4, 2.6)  # width and height of the vinyl patch in scene units
PX = 700  # height-map pixels a unit


def font(name: str, size: int) -> ImageFont.FreeTypeFont:
    """Return a font out of bpy's own data files."""
    folder = Path(bpy.utils.system_resource("DATAFILES")) / "fonts"
    return ImageFont.truetype(str(folder / name), size)


def _draw_sign(sign: str, box: int, name: str, stroke: int) -> Image.Image:
    """Return a circled letter, or small raised TM, as an L image of height ``box``."""
    if sign in {"®", "©"}:
        image = Image.new("L", (box + 4, box + 4))
        pen = ImageDraw.Draw(image)
        pen.ellipse((2, 2, box, box), outline=255, width=max(2, stroke))
        letter = font(name, int(box * 0.58))
        bold = max(1, stroke // 4)
        center = (box / 2 + 1, box / 2 + 1)
        pen.text(center, "R" if sign == "®" else "C", 255, letter, anchor="mm", stroke_width=bold)
        return image
    image = Image.new("L", (int(box * 1.7), box))
    pen, letter = ImageDraw.Draw(image), font(name, int(box * 0.8))
    pen.text((box * 0.85, box * 0.35), "TM", 255, letter, anchor="mm", stroke_width=max(1, stroke // 4))
    return image


def line_image(text: str, cap: int, name: str, weight: int) -> Image.Image:
    """Return one line as an L image; ®, © and ™ are drawn by hand. ``cap``: capital height in pixels."""
    face = font(name, int(cap / 0.72))
    pieces: list[Image.Image] = []
    run = ""
    for char in [*text, "\0"]:
        if char in "®©™\0":
            run = run.rstrip()
            if run:
                x0, _, x1, _ = face.getbbox(run, stroke_width=weight)
                image = Image.new("L", (int(x1 - min(x0, 0)) + 6, int(cap * 1.5)))
                ImageDraw.Draw(image).text(
                    (3, cap * 1.25), run, 255, face, anchor="ls", stroke_width=weight, stroke_fill=255
                )
                pieces.append(image)
                run = ""
            if char != "\0":
                small = char in "®™"
                sign = _draw_sign(char, int(cap * (0.62 if small else 1.0)), name, max(2, cap // 12))
                image = Image.new("L", (sign.width + cap // 4, int(cap * 1.5)))
                image.paste(sign, (cap // 10, int(cap * 0.22) if char in "®™" else int(cap * 0.25)))
                pieces.append(image)
        else:
            run += char
    out = Image.new("L", (sum(p.width for p in pieces) + 8, int(cap * 1.5)))
    x = 4
    for piece in pieces:
        out.paste(piece, (x, 0))
        x += piece.width
    return out


def _curve(image: Image.Image, bend: float) -> Image.Image:
    """Return the line bent into an arc: ``bend`` × its width is the rise at the middle."""
    rise = int(abs(bend) * image.width)
    pixels = np.asarray(image)
    out = np.zeros((image.height + rise, image.width), np.uint8)
    for x in range(image.width):
        t = 2 * x / image.width - 1
        drop = rise * t * t if bend > 0 else rise * (1 - t * t)
        y = round(drop)
        out[y : y + image.height, x] = pixels[:, x]
    return Image.fromarray(out)


def lettering(
    spec: dict[str, Any], rng: np.random.Generator
) -> tuple[Floats, list[tuple[int, int, int, int]], float]:
    """Return the letters (rows, cols) 0–1 on the patch, the box of each line, and the capital height (px)."""
    cols, rows = int(PIECE[0] * PX), int(PIECE[1] * PX)
    name = FONTS[spec["font"]]
    cap = int(PX * spec["cap"])
    weight = int(spec.get("weight", 1))
    lines = [line_image(t, cap, name, weight) for t in spec["lines"]]
    widest = max(line.width for line in lines)
    if widest > cols * 0.56:
        cap = int(cap * cols * 0.56 / widest)
        lines = [line_image(t, cap, name, weight) for t in spec["lines"]]
    if spec.get("bend"):
        lines[0] = _curve(lines[0], spec["bend"])
    total = sum(line.height for line in lines)
    page = Image.new("L", (cols, rows))
    y, boxes = (rows - total) // 2, []
    for line in lines:
        x = (cols - line.width) // 2
        page.paste(line, (x, y))
        tight = line.getbbox() or (0, 0, line.width, line.height)
        boxes.append((x + tight[0], y + tight[1], x + tight[2], y + tight[3]))
        y += line.height
    if spec.get("boxed"):
        x0, y0 = min(b[0] for b in boxes) - cap // 2, boxes[0][1] - cap // 2
        x1, y1 = max(b[2] for b in boxes) + cap // 2, boxes[-1][3] + cap // 2
        ImageDraw.Draw(page).rounded_rectangle(
            (x0, y0, x1, y1), cap // 3, outline=255, width=max(4, cap // 9)
        )
    soft = page.filter(ImageFilter.GaussianBlur(cap * spec["worn"]))
    return np.asarray(soft, float) / 255, boxes, float(cap)


def _base(x: Floats, z: Floats, bulge: tuple[float, float]) -> Floats:
    """Return how far the patch curves away from the camera."""
    return bulge[0] * x**2 + bulge[1] * z**2


def build_mark(
    shoot: Shoot, spec: dict[str, Any]
) -> tuple[list[bpy.types.Object], Floats | None, list[Floats]]:
    """Build the patch; returns objects, outline of the whole mark (4, 3) or None, one quad a line (world)."""
    rng = shoot.rng
    skin = pick(rng, SKIN_LABS[spec["skin"]])
    shoot.surface("skin_exposed", skin)
    nx, nz = 1250, 950
    u, v = np.meshgrid(np.linspace(0, 1, nx), np.linspace(0, 1, nz))
    x, z = (u - 0.5) * PIECE[0], (0.5 - v) * PIECE[1]
    bulge = (float(rng.uniform(0.05, 0.22)), float(rng.uniform(0.02, 0.15)))
    height = np.zeros_like(x)
    outline, quads_of_lines, label = None, [], np.zeros((nz, nx), bool)
    if spec["lines"]:
        letters, boxes, cap = lettering(spec, rng)
        small = Image.fromarray(letters.astype(np.float32)).resize((nx, nz), Image.Resampling.BILINEAR)
        relief = np.asarray(small)
        label = relief > 0.5
        height += (1 if spec["relief"] == "raised" else -1) * spec["depth"] * cap / PX * relief

        def on_patch(box: tuple[float, float, float, float]) -> Floats:
            px = np.array([[box[0], box[1]], [box[2], box[1]], [box[2], box[3]], [box[0], box[3]]], float)
            cx, cz = px[:, 0] / PX - PIECE[0] / 2, PIECE[1] / 2 - px[:, 1] / PX
            return np.stack([cx, _base(cx, cz, bulge), cz], -1)

        quads_of_lines = [on_patch(b) for b in boxes]
        whole = np.array(boxes)
        outline = on_patch((*whole[:, :2].min(0), *whole[:, 2:].max(0)))
        spec["cap_units"] = cap / PX
    blank = spec.get("blank")
    if blank == "seam":
        height += 0.02 * np.exp(-(((x - 0.3 * z - 0.1) / 0.012) ** 2))
    elif blank == "scratch":
        for _ in range(14):
            slope, base, mid = rng.uniform(-3, 3), rng.uniform(-0.6, 0.6), rng.uniform(-0.7, 0.7)
            d = np.abs(z - slope * (x - mid) - base) / np.hypot(1, slope)
            reach = np.hypot(x - mid, z - base) < rng.uniform(0.1, 0.5)
            height -= 0.012 * np.exp(-((d / 0.006) ** 2)) * reach
    elif blank == "weave":
        height += 0.008 * (np.sin(x * 95) * np.sin(z * 95))
    height += rng.uniform(0.0003, 0.0009) * noise_image(rng, x.shape, 40, 3)
    points = np.stack([x, _base(x, z, bulge) - height, z], -1).reshape(-1, 3)
    thing = mesh_object("patch", points, grid_quads(nz, nx, False), np.stack([u, 1 - v], -1).reshape(-1, 2))
    mottle = skin * (1 + 0.01 * noise_image(rng, (512, 512), 12, 3))[..., None]
    dirty = spec.get("grime", 0.0)
    if dirty:
        full = np.clip(noise_image(rng, (nz, nx), 8, 3) + 0.3, 0, 1)[..., None]
        stain = smoothstep(0.15, 0.85, relief if spec["lines"] else height * 0)[..., None]
        edge = 4 * stain * (1 - stain)
        mottle = skin * (1 - dirty * edge * full) * np.ones((nz, nx, 1))
    labels = np.zeros((nz, nx, 3), np.uint8)
    labels[..., 0] = np.where(label, CLASSES["mark"], CLASSES["skin"])
    finish = Finish(roughness=float(rng.uniform(0.35, 0.6)), subsurface=0.1)
    thing.data.materials.append(shoot.paints.make("patch", mottle, None, finish, labels=labels))
    return [thing], outline, quads_of_lines
