"""What a subject module hands to the scene: the doll part to be photographed and all that is true of it.

Each subject module (``face``, ``body``, ``soles``, ``marks``, ``crowd``) has one entry::

    def build(rng: numpy.random.Generator, params: dict[str, Any]) -> Subject

It makes its objects in the current, empty Blender scene (1 Blender unit = 1 cm), links them, gives each
material its mask class (:mod:`sample_images.blend`), and returns a :class:`Subject`. Table, backdrop,
lights, camera, reference card, post-processing, masks and files are the business of others.

Coordinates: z up, the supporting table at ``z = floor_z``, a standing doll faces ``-y`` (toward the
viewer), so the doll's right hand is at ``-x``, which is the image's left.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

#: Name → index of the mask classes; the index is the palette value in ``truth/<id>.mask.png``.
CLASSES: dict[str, int] = {
    "skin": 1,
    "lip_molded": 2,
    "lip_paint": 3,
    "iris": 4,
    "pupil": 5,
    "eye_white": 6,
    "eyeliner": 7,
    "lash": 8,
    "brow": 9,
    "hair": 10,
    "ear_stain": 11,
    "garment": 12,
    "skin_covered": 13,
    "hole": 14,
    "lining": 15,
    "mark": 16,
    "chart": 17,
    "card": 18,
    "background": 19,
    "dirt": 20,
    "paint_dot": 21,
    "chip": 22,
}


@dataclass
class Truthing:
    """What a subject's ``finish`` gets once the camera stands and the exact masks are rendered.

    Attributes
    ----------
    classes, parts, aux
        (H, W) uint8 at the size of the final JPEG: mask class, part number and free third channel, as the
        subject's materials gave them. 0 in ``parts`` and ``aux`` where nothing was given.
    project
        (N, 3) world points → (N, 2) float pixels, x right, y down (not clipped to the picture).
    truth
        The truth record under construction; ``truth["traits"]`` and ``truth["places"]`` exist.
    """

    classes: NDArray[np.uint8]
    parts: NDArray[np.uint8]
    aux: NDArray[np.uint8]
    project: Callable[[Any], NDArray[np.float64]]
    truth: dict[str, Any]


@dataclass
class Subject:
    """One thing to be photographed.

    Attributes
    ----------
    view
        ``"face"``, ``"head_back"``, ``"body"``, ``"soles"``, ``"mark"``, ``"crowd"`` or ``"other"``.
    target, radius
        Center (world, cm) and half extent (cm) of what the camera should frame: at ``fill``
        1.0 a circle of this radius just fits the short side of the picture.
    view_dir
        Unit vector from ``target`` to the camera that shows the subject best; the scene jitters it by
        ``view_jitter_deg``.
    up
        World vector that points up in the picture (roll is added by the scene).
    support
        ``"standing"`` (table below, backdrop behind), ``"lying"`` (on the table, seen from above: the table
        fills the background) or ``"held"`` (no table nearby, a blurred room behind).
    floor_z
        Height of the table in cm.
    surfaces
        Surface name → linear sRGB reflectance (3 floats): the scene adds Lab (D65).
    traits
        Truth of traits that is known without the camera, as in the README's format.
    landmarks
        Name → (N, 3) world points, projected to pixels into ``places[name]`` as a list of points.
    part_places
        Place name → part number: the outline of all pixels of that part becomes ``places[name]``.
    finish
        Called last with a :class:`Truthing`, to fill in what needs pixels.
    repaint
        Paints the same thing anew, drawn from a generator within given params; geometry and camera stay. It
        changes pictures in place and all that it says here. None where there is nothing to paint.
    card_free
        Directions (unit vectors in the table plane, or for ``held`` in the picture plane) along which a
        reference card may lie without covering the subject; empty = anywhere beside it.
    cavity
        True when exact light direction matters (marks): the scene then avoids frontal light unless asked.
    """

    view: str
    target: tuple[float, float, float]
    radius: float
    view_dir: tuple[float, float, float] = (0.0, -1.0, 0.0)
    up: tuple[float, float, float] = (0.0, 0.0, 1.0)
    support: str = "standing"
    floor_z: float = 0.0
    view_jitter_deg: float = 6.0
    surfaces: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    traits: dict[str, Any] = field(default_factory=dict)
    landmarks: dict[str, Any] = field(default_factory=dict)
    part_places: dict[str, int] = field(default_factory=dict)
    finish: Callable[[Truthing], None] | None = None
    repaint: Callable[[Generator, dict[str, Any]], None] | None = None
    card_free: tuple[tuple[float, float, float], ...] = ()
    cavity: bool = False


def keep_described(subject: Subject, head: Any, describe: Callable[[Subject, Any], None]) -> None:
    """Say what is true of a head's paint, now and whenever it is painted anew."""

    def repaint(rng: Generator, params: dict[str, Any]) -> None:
        head.repaint(rng, params)
        describe(subject, head)

    describe(subject, head)
    subject.repaint = repaint
