"""Letter shapes of many fonts in one file, and lettering composed of them.

    python -m sample_images.mark_glyphs --fonts FOLDER [FOLDER …] [--textures FOLDER] --out PACK.npz

Packing needs Pillow and fontTools; composing needs numpy alone, so that a machine without any font can draw
lines by the hundred thousand. Only shapes are packed, eight levels of gray at one size. Fonts whose names
start with one of ``HELD_OUT`` are marked: networks are judged on them and never trained on them. Fonts that
the sample photos are lettered in are left out, so that those stay unseen too.
"""

from __future__ import annotations

import argparse
import random
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

CAP = 40
HELD_OUT = (
    "Cabin", "GilliusADF", "RobotoSlab", "Play-", "URWGothic", "NimbusSansNarrow", "C059", "Oxygen", "Tuffy",
    "Courier Prime", "RG2014", "LeagueMono",
)  # fmt: skip
_IN_SAMPLE_PHOTOS = ("Inter", "Noto", "DejaVuSansMono", "Aileron")
_UNFIT = (
    "Thin", "Hairline", "ExtraLight", "UltraLight", "Outline", "Paut", "Guiada", "Puntos", "Script",
    "Initials", "D050000L", "Symbol", "Z003", "cmex", "cmsy", "cmmi", "LastResort", "Siz", "NonUni",
    "Droid", "Math", "stencil", "C-64", "OCRBE", "OCRBF", "OCRBX", "OCRBS", "Balker", "Cupola", "Domestic",
    "El_Abogado", "It_wasn", "Junkyard", "MarkedFool", "PenguinAttack", "Swift", "Wargames", "Winks",
    "Abecedario", "alfa-beta", "Display", "LinBiolinum_K", "apib", "apii", "apir", "eleg", "elle",
    "emerita", "ipa",
)  # fmt: skip
_PER_FAMILY = 4

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
DIGITS = "0123456789"
POINTS = ".,-/:&'()#+"
SIGNS = "©®™"
#: A letter other than C and R in a ring, and the like: some other sign.
OTHER = "¤"
#: What a line may be read as; place 0 of the network's output is "nothing".
ALPHABET = " " + LETTERS + DIGITS + POINTS + SIGNS + OTHER
_SMALL = LETTERS.lower()

_GENERIC = (
    "MADE", "IN", "PATENT", "PENDING", "APPLIED", "FOR", "COPYRIGHT", "REGISTERED", "DESIGN", "WORKS", "BROS",
    "LTD", "INC", "CO", "NO", "RIGHTS", "RESERVED", "THE", "AND", "OF", "PATENTED", "MOLD", "SERIES", "BY",
)  # fmt: skip
_COUNTRIES = (
    "JAPAN", "ITALY", "FRANCE", "SPAIN", "CHINA", "PORTUGAL", "AUSTRIA", "DENMARK", "HONG", "KONG", "MEXICO",
    "TAIWAN", "GERMANY", "HUNGARY", "IRELAND", "KOREA", "ENGLAND", "CANADA", "BRAZIL", "MALTA", "FINLAND",
)  # fmt: skip
_ONSETS = (
    "B", "C", "D", "F", "G", "H", "J", "K", "L", "M", "N", "P", "QU", "R", "S", "T", "V", "W", "Y", "Z",
    "BR", "CH", "CL", "GR", "ST", "TH", "X", "",
)  # fmt: skip
_CODAS = (
    "",
    "",
    "N",
    "R",
    "S",
    "L",
    "T",
    "M",
    "CK",
    "ND",
    "RT",
    "X",
    "W",
    "Y",
    "Z",
    "LL",
    "G",
    "D",
    "P",
    "F",
)

Mask = NDArray[np.uint8]


# --- packing -------------------------------------------------------------------------------------------


def chosen_fonts(folders: list[Path]) -> list[Path]:
    """Return font files to pack: no display shapes, few styles a family, one file a name."""
    by_name = {p.name: p for folder in folders for p in sorted(folder.rglob("*.[ot]tf"))}
    fit = [
        p
        for name, p in sorted(by_name.items())
        if not name.startswith(_IN_SAMPLE_PHOTOS) and not any(word in name for word in _UNFIT)
    ]
    families: dict[str, list[Path]] = {}
    for path in fit:
        families.setdefault(path.stem.replace("_", "-").split("-")[0][:9], []).append(path)
    dice = random.Random(7)
    return sorted(p for group in families.values() for p in dice.sample(group, min(_PER_FAMILY, len(group))))


def pack(fonts: list[Path], textures: list[Path], out: Path) -> int:
    """Write shapes of all fonts that hold all capitals and figures, and gray textures; return how many."""
    shapes: list[NDArray[np.uint8]] = []
    table: list[tuple[int, ...]] = []
    names: list[str] = []
    for path in fonts:
        glyphs = _glyphs_of(path)
        if glyphs is None:
            continue
        for char, (bitmap, left, top, advance) in glyphs.items():
            table.append((len(names), ord(char), *bitmap.shape, left, top, advance))
            shapes.append(bitmap.ravel())
        names.append(path.name)
    held = [name.startswith(HELD_OUT) for name in names]
    np.savez_compressed(
        out, shapes=np.concatenate(shapes), table=np.array(table, np.int32), names=np.array(names),
        held=np.array(held), textures=_gray_textures(textures),
    )  # fmt: skip
    return len(names)


def _glyphs_of(path: Path) -> dict[str, tuple[Mask, int, int, int]] | None:
    from fontTools.ttLib import TTFont
    from PIL import Image, ImageDraw, ImageFont

    known = TTFont(path, fontNumber=0).getBestCmap() or {}
    if any(ord(c) not in known for c in LETTERS + DIGITS):
        return None
    probe = ImageFont.truetype(str(path), 400).getbbox("H", anchor="ls")
    if probe[1] > -40:
        return None
    font = ImageFont.truetype(str(path), 400 * CAP / -probe[1])
    out = {}
    for char in LETTERS + DIGITS + POINTS + SIGNS + _SMALL:
        if ord(char) not in known:
            continue
        x0, y0, x1, y1 = (int(v) for v in font.getbbox(char, anchor="ls"))
        if not (0 < x1 - x0 < 3 * CAP and 0 < y1 - y0 < 2 * CAP):
            if char in LETTERS + DIGITS:
                return None
            continue
        canvas = Image.new("L", (x1 - x0, y1 - y0))
        ImageDraw.Draw(canvas).text((-x0, -y0), char, fill=255, font=font, anchor="ls")
        levels = (np.asarray(canvas, np.float32) * (7 / 255)).round().astype(np.uint8)
        out[char] = (levels, x0, y0, round(font.getlength(char)))
    return out


def _gray_textures(paths: list[Path], side: int = 384) -> Mask:
    from PIL import Image

    out = []
    for path in paths:
        picture = Image.open(path).convert("L")
        scale = side / min(picture.size)
        picture = picture.resize(
            (max(side, round(picture.width * scale)), max(side, round(picture.height * scale)))
        )
        x, y = (picture.width - side) // 2, (picture.height - side) // 2
        out.append(np.asarray(picture.crop((x, y, x + side, y + side)), np.uint8))
    return np.stack(out) if out else np.zeros((0, side, side), np.uint8)


# --- reading the pack ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Glyph:
    """One letter: (h, w) float32 in [0, 1], its left and top against pen and baseline, and its advance."""

    shape: NDArray[np.float32]
    left: float
    top: float
    advance: float


Font = dict[str, Glyph]


def load_fonts(path: Path, held: bool) -> list[Font]:
    """Return the fonts of a pack that are (not) held out."""
    with np.load(path) as pack_file:
        shapes, table, held_out = pack_file["shapes"], pack_file["table"], pack_file["held"]
    fonts: list[Font] = [{} for _ in held_out]
    at = 0
    for font, code, h, w, left, top, advance in table.tolist():
        shape = shapes[at : at + h * w].reshape(h, w).astype(np.float32) / 7
        fonts[font][chr(code)] = Glyph(shape, left, top, advance)
        at += h * w
    return [font for font, h in zip(fonts, held_out, strict=True) if bool(h) == held]


@cache
def resampling(n_in: int, n_out: int) -> NDArray[np.float32]:
    """Matrix (n_out, n_in) that resamples with a triangle as wide as the coarser of both grids."""
    step = n_in / n_out
    at = (np.arange(n_out) + 0.5) * step
    weight = np.maximum(0.0, 1.0 - np.abs(at[:, None] - np.arange(n_in)[None] - 0.5) / max(1.0, step))
    return (weight / weight.sum(1, keepdims=True)).astype(np.float32)


def scaled(glyph: Glyph, factor: float) -> Glyph:
    """Return a glyph at another size."""
    h, w = glyph.shape.shape
    rows, columns = max(2, round(h * factor)), max(2, round(w * factor))
    shape = resampling(h, rows) @ glyph.shape @ resampling(w, columns).T
    return Glyph(shape, glyph.left * factor, glyph.top * factor, glyph.advance * factor)


def ringed(rng: np.random.Generator, letter: Glyph, size: float) -> Glyph:
    """Return a letter in a ring, ``size`` high in all, standing on the baseline."""
    side = max(8, round(size))
    middle = (side - 1) / 2
    yy, xx = np.mgrid[:side, :side].astype(np.float32) - middle
    width = side * rng.uniform(0.05, 0.11)
    radius = (side - width) / 2 - 0.5
    ring = np.clip(width / 2 + 0.5 - np.abs(np.hypot(xx, yy) - radius), 0, 1).astype(np.float32)
    inner = scaled(letter, side * rng.uniform(0.42, 0.6) / max(letter.shape.shape))
    h, w = inner.shape.shape
    y, x = round(middle - (h - 1) / 2), round(middle - (w - 1) / 2)
    ring[y : y + h, x : x + w] = np.maximum(ring[y : y + h, x : x + w], inner.shape)
    return Glyph(ring, 0.0, -float(side), float(side))


# --- wording -------------------------------------------------------------------------------------------


def roman(number: int) -> str:
    """Return a number 1–3999 in Roman numerals."""
    values = (1000, 900, 500, 400, 100, 90, 50, 40, 10, 9, 5, 4, 1)
    marks = ("M", "CM", "D", "CD", "C", "XC", "L", "XL", "X", "IX", "V", "IV", "I")
    out = ""
    for value, mark in zip(values, marks, strict=True):
        out += mark * (number // value)
        number %= value
    return out


def some_word(rng: np.random.Generator) -> str:
    """Return one word as molds carry them: invented names, years, numbers, countries, mere letters."""
    kind = rng.random()
    if kind < 0.36:
        parts = (
            str(rng.choice(_ONSETS)) + str(rng.choice(list("AEIOU"))) + str(rng.choice(_CODAS))
            for _ in range(rng.integers(1, 5))
        )
        return "".join(parts)[:13]
    if kind < 0.46:
        return str(rng.choice(_GENERIC))
    if kind < 0.52:
        return str(rng.choice(_COUNTRIES))
    if kind < 0.60:
        return roman(int(rng.integers(1850, 2010)))
    if kind < 0.66:
        return str(rng.integers(1880, 2000))
    if kind < 0.73:
        number = "".join(rng.choice(list(DIGITS), rng.integers(1, 8)))
        return f"{int(number):,}" if rng.random() < 0.3 else number
    if kind < 0.80:
        return "".join(f"{c}." for c in rng.choice(list(LETTERS), rng.integers(1, 4)))
    letters = LETTERS if kind < 0.92 else LETTERS + DIGITS + POINTS
    return "".join(rng.choice(list(letters), rng.integers(1, 9)))


# --- composing -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Line:
    """One line of lettering on its own: float32 mask, row of its baseline in it, and what it says."""

    mask: NDArray[np.float32]
    baseline: int
    text: str


def set_line(rng: np.random.Generator, font: Font, width: float, signs: float = 0.35) -> Line:
    """Return a line of words not much longer than ``width`` at :data:`CAP` pixels a capital.

    ``signs`` is how often a ®, ©, ™ or another sign stands with a word.
    """
    small = rng.random() < 0.06
    space = CAP * rng.choice([0.0, rng.uniform(-0.04, 0.1), rng.uniform(0.1, 0.5)])
    gap = CAP * rng.uniform(0.3, 0.8) + space
    pieces: list[tuple[Glyph, str]] = []
    used = 0.0
    while True:
        before = [_sign(rng, font)] if rng.random() < signs * 0.35 else []
        after = [_sign(rng, font)] if rng.random() < signs * 0.65 else []
        word = [(font[c], c) for c in _spelled(some_word(rng), font, small) if c in font]
        unit = before + word + after
        length = sum(g.advance + space for g, _ in unit)
        if used and used + gap + length > width:
            break
        if used:
            pieces.append((_blank(gap), " "))
            used += gap
        pieces += unit
        used += length
        if used > width or rng.random() < 0.25:
            break
    return _joined(pieces, space)


def _spelled(word: str, font: Font, small: bool) -> str:
    if small and all(c in font for c in word.lower() if c.isalpha()):
        return word[:1] + word[1:].lower()
    return word


def _blank(width: float) -> Glyph:
    return Glyph(np.zeros((1, 1), np.float32), 0.0, -1.0, width)


def _sign(rng: np.random.Generator, font: Font) -> tuple[Glyph, str]:
    """A sign of random size, on the line or raised."""
    kind = str(rng.choice(list(SIGNS + OTHER), p=[0.32, 0.28, 0.28, 0.12]))
    size = CAP * (rng.uniform(0.36, 0.7) if kind == "™" or rng.random() < 0.4 else rng.uniform(0.7, 1.15))
    if kind == "™":
        glyph = _trademark(rng, font, size)
    elif kind in font and rng.random() < 0.4:
        glyph = scaled(font[kind], size / font[kind].shape.shape[0])
    else:
        inner = {"©": "C", "®": "R"}.get(kind) or str(rng.choice(list("PTMWUDFSK")))
        glyph = ringed(rng, font[inner], size)
    height = glyph.shape.shape[0]
    lift = rng.choice([0.0, 0.5, 1.0], p=[0.55, 0.1, 0.35]) * (CAP - height) + rng.normal(0, 1)
    pad = CAP * rng.uniform(0.03, 0.4)
    width = glyph.shape.shape[1]
    return Glyph(glyph.shape, pad, -float(height) - lift, width + 2 * pad), kind


def _trademark(rng: np.random.Generator, font: Font, size: float) -> Glyph:
    if "™" in font and rng.random() < 0.35:
        return scaled(font["™"], size / font["™"].shape.shape[0])
    letters = [scaled(font[c], size / CAP) for c in "TM"]
    gap = round(rng.uniform(0.02, 0.2) * size)
    h = max(g.shape.shape[0] for g in letters)
    w = [g.shape.shape[1] for g in letters]
    out = np.zeros((h, w[0] + gap + w[1]), np.float32)
    for letter, x in zip(letters, (0, w[0] + gap), strict=True):
        rows = letter.shape.shape[0]
        out[h - rows :, x : x + letter.shape.shape[1]] = letter.shape
    return Glyph(out, 0.0, -float(h), float(out.shape[1]))


def _joined(pieces: list[tuple[Glyph, str]], space: float) -> Line:
    above, below = round(1.4 * CAP), round(0.7 * CAP)
    length = sum(g.advance + space for g, _ in pieces)
    mask = np.zeros((above + below, round(length) + 2 * CAP), np.float32)
    pen = float(CAP)
    for glyph, _ in pieces:
        x, y = round(pen + glyph.left), round(above + glyph.top)
        h, w = glyph.shape.shape
        room = mask[max(0, y) : y + h, max(0, x) : x + w]
        cut = glyph.shape[max(0, -y) :, max(0, -x) :][: room.shape[0], : room.shape[1]]
        np.maximum(room, cut, out=room)
        pen += glyph.advance + space
    inked = np.flatnonzero(mask.any(0))
    if inked.size:
        mask = mask[:, inked[0] : inked[-1] + 1]
    text = "".join(c for _, c in pieces).upper()
    return Line(mask, above, " ".join(text.split()))


def paste(canvas: NDArray[np.float32], line: Line, x: float, baseline: float) -> None:
    """Lay a line onto a canvas; what lies outside is cut off."""
    left, top = round(x), round(baseline - line.baseline)
    h, w = line.mask.shape
    y0, x0 = max(0, top), max(0, left)
    y1, x1 = min(canvas.shape[0], top + h), min(canvas.shape[1], left + w)
    if y1 > y0 and x1 > x0:
        room = canvas[y0:y1, x0:x1]
        np.maximum(room, line.mask[y0 - top : y1 - top, x0 - left : x1 - left], out=room)


def frame(
    rng: np.random.Generator, canvas: NDArray[np.float32], box: tuple[float, float, float, float]
) -> None:
    """Draw a box round a place, as country names often stand in."""
    x0, y0, x1, y1 = (round(v) for v in box)
    wide = int(rng.integers(2, 7))
    for rows, columns in (
        (slice(y0, y0 + wide), slice(x0, x1)),
        (slice(y1 - wide, y1), slice(x0, x1)),
        (slice(y0, y1), slice(x0, x0 + wide)),
        (slice(y0, y1), slice(x1 - wide, x1)),
    ):
        top, left = max(0, rows.start), max(0, columns.start)
        canvas[top : max(top, rows.stop), left : max(left, columns.stop)] = 1.0


STRIP = (88, 768)


def draw_strip(rng: np.random.Generator, fonts: list[Font]) -> tuple[Mask, str, tuple[float, float]]:
    """Return a (88, 768) mask of one line with its neighbors, what the line says, and its first and last x.

    One in eight has no line (empty text); its neighbors' feet and heads may still reach in.
    """
    canvas = np.zeros(STRIP, np.float32)
    font = fonts[rng.integers(len(fonts))]
    middle, width = STRIP[0] / 2, rng.choice([120, 240, 360, 500, 640], p=[0.15, 0.2, 0.25, 0.25, 0.15])
    baseline = middle + CAP / 2
    leading = CAP * rng.uniform(1.35, 2.2)
    for row in (-1, 1):
        if rng.random() < 0.45:
            own = font if rng.random() < 0.8 else fonts[rng.integers(len(fonts))]
            paste(canvas, set_line(rng, own, 700), rng.uniform(-300, 300), baseline + row * leading)
    if rng.random() < 0.12:
        canvas[round(middle - 0.7 * CAP) : round(middle + 0.7 * CAP)] = 0
        return _coded(canvas), "", (100.0, 668.0)
    line = set_line(rng, font, min(float(width), 640.0))
    while line.mask.shape[1] > STRIP[1] - 24 or not line.text:
        line = set_line(rng, font, 240)
    x = rng.uniform(12, STRIP[1] - 12 - line.mask.shape[1])
    paste(canvas, line, x, baseline)
    end = x + line.mask.shape[1]
    if rng.random() < 0.12:
        grow = CAP * rng.uniform(0.25, 0.6)
        frame(rng, canvas, (x - grow, middle - CAP / 2 - grow, end + grow, middle + CAP / 2 + grow))
    return _coded(canvas), line.text, (float(x), float(end))


BLOCK = (320, 512)
MOST_LINES = 5


def draw_block(rng: np.random.Generator, fonts: list[Font]) -> tuple[Mask, NDArray[np.float32]]:
    """Return a (320, 512) mask of some lines and (5, 4) places: first x, last x, top and foot of capitals.

    Unused places are zero. One in four has no line.
    """
    canvas = np.zeros(BLOCK, np.float32)
    places = np.zeros((MOST_LINES, 4), np.float32)
    if rng.random() < 0.25:
        return _coded(canvas), places
    font = fonts[rng.integers(len(fonts))]
    count = int(rng.choice([1, 2, 3, 4, 5], p=[0.3, 0.25, 0.2, 0.15, 0.1]))
    leading = CAP * rng.uniform(1.3, 2.0)
    first = BLOCK[0] / 2 + CAP / 2 - leading * (count - 1) / 2 + rng.uniform(-12, 12)
    centered = rng.random() < 0.6
    for k in range(count):
        line = set_line(rng, font, float(rng.choice([120, 240, 420])))
        wide = line.mask.shape[1]
        x = (BLOCK[1] - wide) / 2 if centered else rng.uniform(20, 90)
        baseline = first + k * leading
        if wide > 500 or baseline > BLOCK[0] - 8:
            continue
        paste(canvas, line, x, baseline)
        places[k] = (x, x + wide, baseline - CAP, baseline)
    used = places[places[:, 1] > 0]
    if used.size and rng.random() < 0.15:
        grow = CAP * rng.uniform(0.25, 0.6)
        box = (
            used[:, 0].min() - grow,
            used[:, 2].min() - grow,
            used[:, 1].max() + grow,
            used[:, 3].max() + grow,
        )
        frame(rng, canvas, box)
    return _coded(canvas), places


def _coded(canvas: NDArray[np.float32]) -> Mask:
    return (canvas * 255).astype(np.uint8)


def main() -> None:
    """Pack fonts and textures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fonts", type=Path, nargs="+", required=True)
    parser.add_argument("--textures", type=Path, help="folder of photographs without lettering")
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    textures = sorted(options.textures.iterdir()) if options.textures else []
    count = pack(chosen_fonts(options.fonts), textures, options.out)
    print(f"{count} fonts, {len(textures)} textures, {options.out.stat().st_size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
