"""Pictures without a doll: a still life of things, or a round pot with two dark spots that is no face.

Params: ``kind``: ``"clutter"`` or ``"pot"``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.random import Generator

from sample_images.backgrounds import clutter_object
from sample_images.blend import grid_object
from sample_images.subject import Subject
from sample_images.truth import lab_to_linear
from sample_images.vinyl import plain, vinyl


def build(rng: Generator, params: dict[str, Any]) -> Subject:
    """Build the still life."""
    if params.get("kind", "clutter") == "pot":
        _pot(rng)
    else:
        for i in range(9):
            obj = clutter_object(rng, float(rng.uniform(1.2, 3.0)))
            obj.location = (float(rng.normal(0, 2.4)), float(rng.normal(0, 2.0)), 0.4 + 0.15 * i)
            obj.rotation_euler = (0.0, 0.0, float(rng.uniform(0, 6.28)))
    return Subject("other", (0.0, 0.0, 1.4), 4.2, view_dir=(0.0, -0.8, 0.6))


def _pot(rng: Generator) -> None:
    z = np.linspace(0, 4.2, 80)
    turn = np.linspace(0, 2 * np.pi, 128, endpoint=False)
    radius = 1.1 + 0.9 * np.sin(np.pi * z / 4.6) ** 0.8
    points = np.stack(
        [radius[:, None] * np.cos(turn), radius[:, None] * np.sin(turn), z[:, None] + 0 * turn], -1
    )
    skin = vinyl("pot", lab_to_linear((72.0, 14.0, 22.0)), class_name="background")
    grid_object("pot", points, skin, wrap_u=True, flip=True)
    dark = plain("knob", (0.02, 0.02, 0.03), "background", roughness=0.3)
    for x in (-0.7, 0.75):
        a, b = np.meshgrid(np.linspace(0.01, 3.13, 24), turn[::4], indexing="ij")
        ball = 0.22 * np.stack([np.sin(a) * np.cos(b), np.sin(a) * np.sin(b), np.cos(a)], -1)
        grid_object(
            "knob", ball + np.array([x, -1.85 + 0.1 * x * x, 2.6 + rng.normal(0, 0.2)]), dark, wrap_u=True
        )
