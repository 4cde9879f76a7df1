"""Screenshots of a listing: bars, buttons and margins round the photo change no reading.

How a dealer would be misled: a white margin or a gray panel taken for the white reference, a colored bar
that shifts the scene's estimate, a button's text read as a mold mark.
"""

from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from PIL import Image, ImageDraw

from pipelines.examine import examine
from vision.photo import load

PHOTOS = Path(__file__).parents[1] / "sample_images" / "photos"


def screenshot(path: Path, margin: tuple[int, int, int]) -> bytes:
    photo = Image.open(path)
    photo.thumbnail((1000, 1400))
    shown = Image.new("RGB", (1080, 2200), margin)
    draw = ImageDraw.Draw(shown)
    draw.rectangle((0, 0, 1080, 90), fill=(0, 90, 200))
    draw.text((30, 30), "12:41   item 4 of 12", fill="white", font_size=34)
    shown.paste(photo, ((1080 - photo.width) // 2, 300))
    draw.rectangle((40, 1800, 560, 1900), fill=(230, 60, 60))
    draw.text((80, 1820), "Place a bid", fill="white", font_size=48)
    out = BytesIO()
    shown.save(out, "JPEG", quality=88)
    return out.getvalue()


@cache
def plain_reading(name: str) -> dict[str, Any]:
    return examine(load((PHOTOS / f"{name}.jpg").read_bytes(), name)).to_json()


@pytest.mark.parametrize("margin", [(255, 255, 255), (18, 18, 20)], ids=["light", "dark"])
@pytest.mark.parametrize("name", ["face_01", "face_03", "soles_01"])
def test_margins_change_no_reading(name, margin):
    plain = plain_reading(name)
    framed = examine(load(screenshot(PHOTOS / f"{name}.jpg", margin), name)).to_json()
    assert framed["view"]["state"] == plain["view"]["state"]
    assert framed["calibration"]["method"] == plain["calibration"]["method"]
    for a, b in zip(plain["calibration"]["neutral_rgb"], framed["calibration"]["neutral_rgb"], strict=True):
        assert b == pytest.approx(a, rel=0.05)
    before = {(t["trait"], t["part"]): t["state"] for t in plain["traits"]}
    for trait in framed["traits"]:
        if trait["state"] is not None:
            assert trait["state"] == (before.get((trait["trait"], trait["part"])) or trait["state"])
            assert trait["trait"] not in ("mark_text", "mark_symbol")
