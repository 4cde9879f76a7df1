"""The fixed list of photos: which subject, which seed, which light; and the chance draws of settings."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.random import Generator

from sample_images.backgrounds import KINDS
from sample_images.camera import Look
from sample_images.scene import Setting
from sample_images.truth import light_rgb


@dataclass(frozen=True)
class Recipe:
    """One photo. ``setting`` overrides fields of :class:`Setting` and :class:`Look` (and ``wb_shift_mired``)."""

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
        "fill": float(rng.uniform(0.62, 0.9)),
        "yaw_deg": float(rng.normal(0, 5)),
        "pitch_deg": float(rng.normal(0, 4)),
        "roll_deg": float(rng.normal(0, 5)),
        "shift": (float(rng.uniform(-0.08, 0.08)), float(rng.uniform(-0.08, 0.08))),
        "aperture_cm": float(rng.uniform(0.1, 0.3)),
        "scene_seed": int(rng.integers(1 << 31)),
    }
    known = {f.name for f in fields(Setting)}
    draws.update({k: v for k, v in recipe.setting.items() if k in known})
    return Setting(**draws)


def draw_look(recipe: Recipe, setting: Setting, rng: Generator) -> tuple[Look, float]:
    """Draw the camera's faults; also returns the color temperature that its white balance assumed."""
    mired = 1e6 / setting.cct_k + recipe.setting.get("wb_shift_mired", float(np.clip(rng.normal(-15, 40), -110, 80)))
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


RECIPES: tuple[Recipe, ...] = ()
