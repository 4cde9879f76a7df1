"""The fixed list of photos: which subject, which seed, which light; and the chance draws of settings."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.random import Generator

from sample_images.backgrounds import KINDS
from sample_images.camera import Look
from sample_images.hair import COLORS
from sample_images.scene import Setting
from sample_images.skin import faded_lab
from sample_images.truth import light_rgb


@dataclass(frozen=True)
class Recipe:
    """One photo. ``setting`` overrides fields of :class:`Setting`, :class:`Look`, ``wb_shift_mired``."""

    id: str
    folder: str
    module: str
    seed: int
    params: dict[str, Any] = field(default_factory=dict)
    setting: dict[str, Any] = field(default_factory=dict)
    doll: str = ""


SIZES = ((900, 1200), (1200, 1600), (1200, 1200), (1600, 1200), (1080, 1440), (768, 1024), (1500, 2000))
_LIGHTS = ("window", "window", "lamp", "flash", "overcast", "mixed")


def draw_setting(recipe: Recipe, rng: Generator) -> Setting:
    """Draw what the recipe leaves open."""
    kind = str(rng.choice(_LIGHTS))
    kind = recipe.setting.get("light", kind)
    cct = {"lamp": (2500, 3600), "flash": (5200, 6200), "overcast": (6000, 7500)}.get(kind, (4200, 7000))
    width, height = SIZES[int(rng.integers(len(SIZES)))]
    draws: dict[str, Any] = {
        "width": width,
        "height": height,
        "light": kind,
        "cct_k": float(rng.uniform(*cct)),
        "second_cct_k": float(rng.uniform(2500, 3200)),
        "fill_light": float(rng.uniform(0.6, 1.6)),
        "background": str(rng.choice(KINDS)),
        "clutter": int(rng.integers(0, 7)),
        "focal_mm": float(rng.uniform(26, 60)),
        "fill": float(rng.uniform(0.66, 0.95)),
        "yaw_deg": float(rng.normal(0, 5)),
        "pitch_deg": float(rng.normal(0, 4)),
        "roll_deg": float(rng.normal(0, 5)),
        "shift": (float(rng.uniform(-0.08, 0.08)), float(rng.uniform(-0.08, 0.08))),
        "aperture_cm": float(rng.uniform(0.1, 0.3)),
        "reference_size": float(rng.uniform(0.65, 0.95)),
        "scene_seed": int(rng.integers(1 << 31)),
    }
    known = {f.name for f in fields(Setting)}
    draws.update({k: v for k, v in recipe.setting.items() if k in known})
    longest = max(draws["width"], draws["height"])
    if recipe.module == "face" and "fill" not in recipe.setting:
        draws["fill"] = float(rng.uniform(0.78, 1.15))
    if draws.get("reference") and "fill" not in recipe.setting:
        draws["fill"] = min(max(draws["fill"], 0.88), 0.97)
    draws.setdefault("render_scale", min(1.0, (920 if longest <= 2000 else 1360) / longest))
    return Setting(**draws)


def draw_look(recipe: Recipe, setting: Setting, rng: Generator) -> tuple[Look, float]:
    """Draw the camera's faults; also returns the color temperature that its white balance assumed."""
    mired = 1e6 / setting.cct_k + recipe.setting.get(
        "wb_shift_mired", float(np.clip(rng.normal(-15, 40), -110, 80))
    )
    wb_cct = float(np.clip(1e6 / mired, 2300, 11000))
    gain = 1 / light_rgb(wb_cct)
    gain = gain * np.array([1.0, float(rng.uniform(0.96, 1.05)), 1.0])
    draws: dict[str, Any] = {
        "exposure_ev": float(np.clip(rng.normal(0, 0.3), -0.9, 0.6)),
        "wb_gain": tuple(float(v) for v in gain),
        "tone": str(rng.choice(["srgb", "phone"])),
        "blur_px": float(rng.uniform(0.3, 1.1)) * setting.height / 1600,
        "shot_noise": float(10 ** rng.uniform(-3.8, -2.6)),
        "read_noise": float(10 ** rng.uniform(-3.2, -2.2)),
        "sharpen": float(rng.uniform(0, 0.8)),
        "vignette": float(rng.uniform(0, 0.25)),
        "jpeg_quality": int(rng.integers(60, 96)),
    }
    known = {f.name for f in fields(Look)}
    draws.update({k: v for k, v in recipe.setting.items() if k in known})
    return Look(**draws), wb_cct


_CHART: dict[str, Any] = {"reference": "color_chart"}
_CARD: dict[str, Any] = {"reference": "grey_card"}


def _sized(width: int, height: int, **rest: Any) -> dict[str, Any]:
    return {"width": width, "height": height, **rest}


def _photo(
    name: str, module: str, seed: int, params: dict[str, Any], setting: dict[str, Any] | None = None
) -> Recipe:
    return Recipe(name, "photos", module, seed, params, setting or {})


def _face(
    n: int, liner: str, iris: str, lips: str, greasy: float, fringe: str, setting: dict[str, Any], **more: Any
) -> Recipe:
    params = {"liner": liner, "iris": iris, "lips": lips, "greasy": greasy, "fringe": fringe, **more}
    return _photo(f"face_{n:02d}", "face", 100 + n, params, setting)


#: Twins (odd, even number) share their states and differ in all else: one goes to each side of the split.
FACES = (
    _face(
        1,
        "black",
        "unpainted",
        "full",
        0.0,
        "curly",
        {**_CHART, "light": "window"},
        skin="ivory",
        iris_style="disc",
    ),
    _face(2, "black", "unpainted", "full", 0.0, "curly", {"light": "lamp"}, skin="pale", iris_style="ring"),
    _face(
        3,
        "blue",
        "blue",
        "rubbed",
        0.9,
        "firm",
        {"light": "window"},
        skin="tan",
        lip_wear_place="crown",
        lip_wear=0.4,
    ),
    _face(
        4,
        "blue",
        "blue",
        "rubbed",
        0.8,
        "firm",
        {**_CARD, "light": "flash"},
        skin="warm",
        lip_wear_place="edge",
        lip_wear=0.35,
    ),
    _face(5, "brown", "blue", "full", 0.0, "curly", {**_sized(3000, 4000), "light": "overcast"}, skin="pale"),
    _face(
        6,
        "brown",
        "brown",
        "full",
        0.0,
        "none",
        {**_CHART, "light": "mixed"},
        skin="pink",
        hair_style="loose",
    ),
    _face(7, "none", "brown", "bare", 0.0, "firm", {**_CARD, "light": "lamp"}, skin="warm"),
    _face(8, "none", "green", "bare", 0.0, "curly", {**_sized(560, 700), "light": "window"}, skin="ivory"),
    _face(
        9,
        "blue",
        "green",
        "overpainted",
        0.85,
        "none",
        {"light": "mixed"},
        skin="tan",
        stain=[0.9, 0.7],
        hair_style="ponytail",
    ),
    _face(
        10,
        "blue",
        "unpainted",
        "overpainted",
        0.9,
        "curly",
        {**_CARD, "light": "window"},
        stain=[0.6, 1.0],
        hair_style="ponytail",
    ),
    _face(
        11,
        "black",
        "brown",
        "rubbed",
        0.0,
        "single_curl",
        {"light": "flash"},
        stain=[1.0, 0.0],
        lip_wear_place="corner",
        lip_wear=0.5,
        hair_style="ponytail",
        pose=[22.0, 3.0, 8.0],
    ),
    _face(
        12,
        "brown",
        "unpainted",
        "rubbed",
        0.0,
        "curly",
        {**_sized(1536, 2048), "light": "overcast"},
        stain=[0.0, 0.8],
        lip_wear_place="crown",
        lip_wear=0.65,
        hair_style="ponytail",
        pose=[-24.0, -4.0, -12.0],
        fingers=True,
        support="held",
    ),
)

BODIES = (
    _photo(
        "body_01",
        "body",
        201,
        {"delta_e": 8.0, "worn": "off", "garment": "swimsuit"},
        {**_CARD, "light": "window"},
    ),
    _photo(
        "body_02", "body", 202, {"delta_e": 7.0, "worn": "lowered", "garment": "dress"}, {"light": "lamp"}
    ),
    _photo(
        "body_03", "body", 203, {"delta_e": 0.0, "worn": "off", "garment": "swimsuit"}, {"light": "window"}
    ),
    _photo(
        "body_04",
        "body",
        204,
        {"delta_e": 0.0, "worn": "lowered", "garment": "top"},
        {**_CHART, "light": "overcast"},
    ),
    _photo(
        "body_05",
        "body",
        205,
        {"delta_e": 4.0, "worn": "lowered", "garment": "skirt", "side": "back"},
        {"light": "flash"},
    ),
    _photo("body_06", "body", 206, {"delta_e": 6.0, "worn": "on", "garment": "swimsuit"}, {"light": "mixed"}),
)

SOLES = (
    _photo(
        "soles_01", "soles", 301, {"states": ["open", "open"], "pose": "held"}, {**_CARD, "light": "window"}
    ),
    _photo(
        "soles_02",
        "soles",
        302,
        {"states": ["open", "open"], "pose": "table", "label": "JAPAN"},
        {"light": "lamp"},
    ),
    _photo(
        "soles_03", "soles", 303, {"states": ["none", "none"], "dirt": 4, "dots": 1}, {"light": "overcast"}
    ),
    _photo("soles_04", "soles", 304, {"states": ["none", "lined"]}, {**_CHART, "light": "window"}),
    _photo("soles_05", "soles", 305, {"states": ["lined", "lined"]}, {"light": "flash"}),
    _photo(
        "soles_06", "soles", 306, {"states": ["drilled_ragged", "drilled_neat"]}, {**_CARD, "light": "window"}
    ),
    _photo("soles_07", "soles", 307, {"states": ["drilled_ragged", "drilled_ragged"]}, {"light": "lamp"}),
)

PENDING = ["VERITY TM", "PATENT APPLIED", "© MCMLVI", "HARGROVE WORKS"]
REGISTERED = ["VERITY ®", "PATENT APPLIED", "© MCMLVI", "HARGROVE WORKS"]
REISSUE = ["© MCMLVI, MCMXCVII", "HARGROVE WORKS", "SECOND MOLD"]


def _raking(azimuth: float, elevation: float = 14.0) -> dict[str, Any]:
    return {"light": "single", "azimuth_deg": azimuth, "elevation_deg": elevation}


_FOUR = {
    "surface": "buttock",
    "lines": REGISTERED,
    "relief": "raised",
    "depth": 0.08,
    "letter_share": 0.04,
    "pose": "lying",
    "rotation_deg": 3.0,
    "arc": 0.0,
    "light": "side",
}
_FOUR_SETTING = {**_sized(1200, 1200), "cct_k": 4200.0, "roll_deg": 2.0, "clutter": 0, "background": "cloth"}

MARKS = (
    *(
        _photo(f"mark_four_{n}", "marks", 401, dict(_FOUR), {**_FOUR_SETTING, **_raking(azimuth)})
        for n, azimuth in (("a", 45.0), ("b", 135.0), ("c", 225.0), ("d", 315.0))
    ),
    _photo(
        "mark_01",
        "marks",
        411,
        {
            "surface": "buttock",
            "lines": PENDING,
            "relief": "raised",
            "letter_share": 0.055,
            "rotation_deg": 5.0,
            "depth": 0.1,
            "light": "side",
        },
        _raking(130.0),
    ),
    _photo(
        "mark_02",
        "marks",
        412,
        {
            "surface": "back",
            "lines": ["JAPAN"],
            "relief": "incised",
            "depth": 0.1,
            "arc": 0.9,
            "letter_share": 0.07,
            "light": "side",
        },
        {**_raking(60.0, 20.0), **_CARD},
    ),
    _photo(
        "mark_03",
        "marks",
        413,
        {
            "surface": "head",
            "lines": ["VERITY ®", "© 1964", "HARGROVE"],
            "relief": "raised",
            "letter_share": 0.05,
            "rotation_deg": -18.0,
            "depth": 0.12,
            "light": "frontal",
        },
        {"light": "window", "elevation_deg": 60.0},
    ),
    _photo(
        "mark_04",
        "marks",
        414,
        {"surface": "buttock", "lines": [], "seams": 2, "scratches": 3, "light": "side"},
        _raking(100.0),
    ),
    _photo(
        "mark_05",
        "marks",
        415,
        {"surface": "limb", "lines": [], "seams": 1, "scratches": 4, "dirt": 3, "light": "frontal"},
        {"light": "lamp"},
    ),
)

OTHERS = (
    _photo(
        "crowd_01",
        "crowd",
        501,
        {"count": 12, "layout": "box"},
        {**_sized(2000, 1500), "light": "window", "roll_deg": 3.0, "fill": 0.95},
    ),
    _photo(
        "crowd_02",
        "crowd",
        502,
        {"count": 18, "layout": "rows"},
        {**_sized(2400, 1800), "light": "overcast", "focal_mm": 28.0},
    ),
    _photo("no_doll_01", "nothing", 601, {"kind": "clutter"}, {"light": "window", "background": "wood"}),
    _photo("no_doll_02", "nothing", 602, {"kind": "pot"}, {"light": "lamp", "background": "cloth"}),
)


@dataclass(frozen=True)
class Doll:
    """One listing: the doll (the same in all of its photos) and its story."""

    name: str
    release: str
    claim: str
    story: str
    head: dict[str, Any]
    covered: list[float]
    delta_e: float
    soles: list[str]
    mark: list[str]
    mark_surface: str = "buttock"
    label: str | None = None


def _listing(
    doll: Doll, photos: list[tuple[str, str, int, dict[str, Any], dict[str, Any]]]
) -> tuple[Recipe, ...]:
    """Recipes of one doll's photos: (name, kind, seed, extra params, setting)."""
    exposed = faded_lab(np.random.default_rng(doll.head["head_seed"]), doll.covered, doll.delta_e)
    head = {**doll.head, "skin_lab": [round(float(v), 2) for v in exposed]}
    hair_rgb = list(COLORS[doll.head["hair"]])
    base: dict[str, tuple[str, dict[str, Any]]] = {
        "face": ("face", head),
        "body": (
            "body",
            {
                "skin_lab": doll.covered,
                "exposed_lab": head["skin_lab"],
                "head": True,
                "head_params": head,
                "greasy": doll.head["greasy"],
                "worn": "lowered",
                "garment": "swimsuit",
                "side": "front",
            },
        ),
        "soles": (
            "soles",
            {
                "states": doll.soles,
                "place": "ball",
                "skin_lab": head["skin_lab"],
                "greasy": doll.head["greasy"],
                "label": doll.label,
                "metal": "steel",
                "dots": 0,
            },
        ),
        "mark": (
            "marks",
            {
                "surface": doll.mark_surface,
                "lines": doll.mark,
                "relief": "raised",
                "depth": 0.1,
                "skin_lab": doll.covered,
                "letter_share": 0.045,
                "rotation_deg": 3.0,
                "arc": 0.0,
                "hairs": 1,
                "hair_rgb": hair_rgb,
                "light": "side",
            },
        ),
    }
    return tuple(
        Recipe(
            name,
            f"listings/{doll.name}",
            base[kind][0],
            seed,
            {**base[kind][1], **params},
            setting,
            doll.name,
        )
        for name, kind, seed, params, setting in photos
    )


EARLY = Doll(
    "early_untouched",
    "r1",
    "r1",
    "A first release as it came out of an attic: open molded holes, face paint worn but never touched.",
    {
        "head_seed": 7101,
        "liner": "black",
        "iris": "unpainted",
        "iris_style": "ring",
        "lips": "rubbed",
        "lip_color": "red",
        "lip_wear": 0.3,
        "lip_wear_place": "crown",
        "brow_style": "arched",
        "greasy": 0.0,
        "hair": "blonde",
        "hair_style": "ponytail",
        "fringe": "curly",
        "stain": [0.0, 0.7],
        "scratches": 2,
    },
    [69.0, 16.0, 22.0],
    7.5,
    ["open", "open"],
    PENDING,
    label="JAPAN",
)
LATER = Doll(
    "later_tan",
    "r4",
    "r3",
    "A fourth release that kept its tan, offered as a third.",
    {
        "head_seed": 7202,
        "liner": "blue",
        "iris": "blue",
        "iris_style": "disc",
        "lips": "full",
        "lip_color": "coral",
        "brow_style": "curved",
        "greasy": 0.0,
        "hair": "brunette",
        "hair_style": "ponytail",
        "fringe": "curly",
        "stain": [0.0, 0.0],
    },
    [65.0, 18.0, 26.0],
    0.0,
    ["none", "none"],
    PENDING,
)
REISSUED = Doll(
    "reissue",
    "reissue",
    "r1",
    "A modern reissue offered as a first release: metal-lined holes and a mark on the back of the head.",
    {
        "head_seed": 7303,
        "liner": "black",
        "iris": "unpainted",
        "iris_style": "disc",
        "lips": "full",
        "lip_color": "red",
        "brow_style": "arched",
        "greasy": 0.0,
        "hair": "brunette",
        "hair_style": "ponytail",
        "fringe": "single_curl",
        "stain": [0.0, 0.0],
        "scratches": 0,
        "dirt": 0,
    },
    [74.0, 13.0, 20.0],
    0.0,
    ["lined", "lined"],
    REISSUE,
    "head",
)
ALTERED = Doll(
    "altered",
    "r4",
    "r1",
    "A fourth release with holes drilled into its soles and its face repainted to pass for the first.",
    {
        "head_seed": 7404,
        "liner": "black",
        "iris": "unpainted",
        "iris_style": "ring",
        "lips": "overpainted",
        "lip_color": "red",
        "lip_grow": 0.04,
        "brow_style": "arched",
        "greasy": 0.0,
        "hair": "blonde",
        "hair_style": "ponytail",
        "fringe": "curly",
        "stain": [0.0, 0.0],
    },
    [66.0, 18.0, 25.0],
    0.0,
    ["drilled_ragged", "drilled_ragged"],
    PENDING,
)
POOR = Doll(
    "poor_photos",
    "r3",
    "r3",
    "A third release in photos too dark, too blurred or too small to tell much.",
    {
        "head_seed": 7505,
        "liner": "brown",
        "iris": "blue",
        "iris_style": "disc",
        "lips": "rubbed",
        "lip_color": "coral",
        "lip_wear": 0.4,
        "lip_wear_place": "edge",
        "brow_style": "curved",
        "greasy": 0.0,
        "hair": "blonde",
        "hair_style": "ponytail",
        "fringe": "curly",
        "stain": [0.0, 0.0],
    },
    [68.0, 16.0, 23.0],
    6.0,
    ["none", "none"],
    PENDING,
)
DOLLS = (EARLY, LATER, REISSUED, ALTERED, POOR)

_FRONT = {"pose": [6.0, 0.0, 4.0], "support": "standing", "body": "bust", "fingers": False}
LISTINGS = (
    *_listing(
        EARLY,
        [
            ("face", "face", 711, _FRONT, {**_CARD, "light": "window"}),
            ("side", "face", 712, {**_FRONT, "pose": [-26.0, 2.0, -3.0]}, {"light": "overcast"}),
            ("body", "body", 713, {}, {**_CHART, "light": "window"}),
            ("soles", "soles", 714, {"pose": "held"}, {**_CARD, "light": "window"}),
            ("mark", "mark", 715, {}, _raking(120.0)),
        ],
    ),
    *_listing(
        LATER,
        [
            ("face", "face", 721, {**_FRONT, "pose": [-9.0, 3.0, -6.0]}, {**_CARD, "light": "lamp"}),
            ("body", "body", 722, {}, {"light": "window"}),
            ("soles", "soles", 723, {"pose": "table"}, {"light": "window"}),
            ("mark", "mark", 724, {}, _raking(60.0)),
        ],
    ),
    *_listing(
        REISSUED,
        [
            ("face", "face", 731, {**_FRONT, "pose": [12.0, -2.0, 0.0]}, {"light": "window"}),
            ("body", "body", 732, {"worn": "off"}, {**_CARD, "light": "overcast"}),
            ("soles", "soles", 733, {"pose": "held"}, {"light": "window"}),
            ("head_back", "mark", 734, {}, _raking(110.0, 20.0)),
        ],
    ),
    *_listing(
        ALTERED,
        [
            (
                "face",
                "face",
                741,
                {**_FRONT, "pose": [-4.0, 0.0, 7.0]},
                {**_CHART, **_sized(3000, 4000), "light": "window"},
            ),
            ("body", "body", 742, {}, {"light": "window"}),
            ("soles", "soles", 743, {"pose": "held"}, {**_CARD, "light": "window"}),
            ("mark", "mark", 744, {}, _raking(75.0)),
        ],
    ),
    *_listing(
        POOR,
        [
            (
                "face",
                "face",
                751,
                {**_FRONT, "pose": [24.0, -8.0, 15.0], "fingers": True},
                {
                    **_sized(720, 960),
                    "light": "lamp",
                    "blur_px": 4.5,
                    "exposure_ev": -1.0,
                    "shot_noise": 0.004,
                    "read_noise": 0.012,
                    "wb_shift_mired": -120.0,
                    "jpeg_quality": 60,
                },
            ),
            (
                "body",
                "body",
                752,
                {"worn": "on"},
                {**_sized(700, 933), "light": "mixed", "fill": 0.4, "exposure_ev": -1.8, "jpeg_quality": 62},
            ),
            (
                "soles",
                "soles",
                753,
                {"pose": "held"},
                {
                    **_sized(768, 1024),
                    "light": "flash",
                    "blur_px": 5.0,
                    "exposure_ev": 1.1,
                    "jpeg_quality": 60,
                },
            ),
            (
                "mark",
                "mark",
                754,
                {"depth": 0.03, "letter_share": 0.016, "light": "frontal"},
                {**_sized(700, 933), "light": "flash", "blur_px": 2.5},
            ),
        ],
    ),
)

RECIPES: tuple[Recipe, ...] = (*FACES, *BODIES, *SOLES, *MARKS, *OTHERS, *LISTINGS)

#: The mark under four lights is one doll: all four on one side.
_TUNING = {
    *(r.id for r in FACES[::2]),
    "body_01",
    "body_03",
    "body_05",
    "soles_01",
    "soles_03",
    "soles_05",
    "soles_06",
    "mark_01",
    "mark_03",
    "mark_04",
    "crowd_01",
    "no_doll_01",
}
_TUNING_LISTINGS = {
    "early_untouched": {"face", "soles"},
    "later_tan": {"body", "mark"},
    "reissue": {"face", "soles"},
    "altered": {"body", "soles"},
    "poor_photos": {"face", "mark"},
}


def is_tuning(recipe: Recipe) -> bool:
    """Whether a photo may be tuned on; all others are for checking only."""
    if recipe.doll:
        return recipe.id in _TUNING_LISTINGS[recipe.doll]
    return recipe.id in _TUNING


def split_toml() -> str:
    """The text of ``split.toml``."""
    lines = ["# Fixed. Nothing is tuned on checking photos."]
    for side, wanted in (("tuning", True), ("checking", False)):
        names = [f'    "{r.folder}/{r.id}.jpg",' for r in RECIPES if is_tuning(r) is wanted]
        lines += ["", f"{side} = [", *names, "]"]
    return "\n".join(lines) + "\n"


def listing_toml(doll: Doll) -> str:
    """The text of a listing's ``listing.toml``: what is true of the doll and what the seller claims."""
    return (
        f'name = "{doll.name}"\nrelease = "{doll.release}"\nclaim = "{doll.claim}"\nstory = "{doll.story}"\n'
    )


def write_tables(folder: Path) -> None:
    """Write ``split.toml`` and each listing's ``listing.toml``."""
    (folder / "split.toml").write_text(split_toml(), encoding="utf-8")
    for doll in DOLLS:
        place = folder / "listings" / doll.name
        place.mkdir(parents=True, exist_ok=True)
        (place / "listing.toml").write_text(listing_toml(doll), encoding="utf-8")
