"""One photo from its plan: set, light, passes, development, truth."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix

from .body import build_body
from .develop import Darkroom, develop, enlarge, write_jpeg
from .head import (
    Face,
    build_hair,
    build_head,
    lock_across,
    note_surfaces,
    random_colors,
    random_face,
)
from .hues import Floats
from .mark import build_mark
from .others import build_crowd, build_negative
from .plan import Plan, Spec
from .props import flag_shadow, frame_for, hand, lay_ground, place_reference
from .soles import build_soles
from .stage import (
    BACKGROUND,
    CLASSES,
    Finish,
    Shoot,
    ambient,
    empty_scene,
    lamp,
    light_the_set,
    place_camera,
    pose,
    render_beauty,
    render_labels,
    render_neutral,
    through,
    turned,
)
from .truth import box_of, ear_truth, face_places, hole_truth, lip_truth, points_list, write_mask

LINER_STATE = {"turquoise": "other"}


class Set:
    """What the builders hand to the truth writer."""

    def __init__(self) -> None:
        self.matrix: Matrix = Matrix.Identity(4)
        self.face: Face | None = None
        self.surface: Floats | None = None
        self.feet: list[dict[str, Any]] = []
        self.mark_outline: Floats | None = None
        self.mark_lines: list[Floats] = []
        self.heads: list[Floats] = []
        self.head_lift = (0.0, 0.0, 0.0)


def _kelvin(kind: str, rng: np.random.Generator) -> float:
    low, high = {"tungsten": (2700, 3300), "overcast": (6000, 7500), "ring": (4800, 6000)}.get(
        kind, (4300, 6800)
    )
    return float(rng.uniform(low, high))


def _shoot(plan: Plan, span: float, scale: float, rng: np.random.Generator) -> Shoot:
    width, height = (round(v * scale) for v in plan.size)
    camera = frame_for(width, height, span, float(rng.uniform(1.6, 3.5)))
    empty_scene()
    place_camera(camera)
    shoot = Shoot(rng, camera)
    shoot.truth = {"traits": {}, "surfaces": {}, "places": {}}
    shoot.kelvin = _kelvin(plan.spec["light"], rng)
    return shoot


def _head_surface(head: bpy.types.Object) -> Floats:
    flat = np.empty(len(head.data.vertices) * 3, np.float32)
    head.data.vertices.foreach_get("co", flat)
    return flat.reshape(-1, 3)


def _reference(shoot: Shoot, plan: Plan, at: tuple[float, float], roomy: bool) -> None:
    kind = plan.spec.get("reference")
    rng = shoot.rng
    shoot.truth["reference"] = None
    if not kind:
        return
    tilt = (float(rng.uniform(-40, 40)), float(rng.uniform(-20, 20)))
    fraction = float(rng.uniform(0.07, 0.2 if roomy else 0.14))
    shoot.truth["reference"] = place_reference(
        shoot, kind, at, fraction, tilt, float(rng.choice([0, 90, 180, 270]) + rng.uniform(-25, 25))
    )
    shoot.truth["reference"]["partly_shaded"] = False


def set_face(plan: Plan, scale: float, rng: np.random.Generator) -> tuple[Shoot, Set]:
    """Build the set of a face."""
    spec = plan.spec
    wide = plan.size[0] / plan.size[1]
    span = {"tiny": 9.0, "small": 4.5, "close": 0.98, "normal": float(rng.uniform(1.35, 2.2))}[spec["fill"]]
    if spec["fill"] in {"tiny", "small"}:
        span *= max(1.0, plan.size[0] / 1000)
    span *= max(1.0, wide * 0.9)
    if spec["reference"] and spec["fill"] == "normal":
        span = max(span, 2.1)
    shoot = _shoot(plan, span, scale, rng)
    made = Set()
    made.face = random_face(rng)
    colors = random_colors(rng, spec["skin"], spec["liner"], spec["iris"], spec["lip_color"])
    greasy = spec["sheen"] == "greasy"
    finish = (
        Finish(float(rng.uniform(0.16, 0.26)), 0.12, coat=float(rng.uniform(0.3, 0.8)))
        if greasy
        else Finish(float(rng.uniform(0.48, 0.68)), 0.12)
    )
    detail = 0.6 if spec["fill"] in {"tiny", "small"} else 1.0
    things = build_head(shoot, made.face, spec, colors, detail, 1024 if detail < 1 else 2048, finish)
    made.surface = _head_surface(things[0])
    things += build_hair(shoot, made.face, spec["hair"], colors["hair"])
    if spec["across"] == "hair":
        things.append(lock_across(shoot, colors["hair"]))
    roll = {
        "down": float(rng.uniform(160, 200)),
        "any": float(rng.uniform(-110, 110)),
        "small": float(rng.uniform(-18, 18)),
    }[spec["roll"]]
    w, h = shoot.camera.span
    shift_x = 0.14 * w if spec["reference"] else float(rng.uniform(-0.06, 0.06)) * w
    if spec["fill"] in {"tiny", "small"}:
        shift_x = float(rng.uniform(-0.3, 0.3)) * w
    shift = (shift_x, 0.0, float(rng.uniform(-0.05, 0.05)) * h)
    turn = turned(float(rng.uniform(-35, 35)), float(rng.uniform(-12, 14)), roll)
    made.matrix = pose(things, turn, shift)
    shoot.subject = things
    if spec["across"] == "hand":
        fingers = hand(shoot, 0.55)
        side = float(rng.choice([-1, 1]))
        pose([fingers], turned(20 * side, 0, -55 * side), (shift[0] + side * 0.72, -0.62, shift[2] - 0.45))
    note_surfaces(shoot, spec, colors)
    lay_ground(shoot, float(rng.uniform(0.75, 2.5)))
    _reference(shoot, plan, (float(rng.uniform(0.15, 0.2)), float(rng.uniform(0.25, 0.8))), roomy=True)
    return shoot, made


def set_body(plan: Plan, scale: float, rng: np.random.Generator) -> tuple[Shoot, Set]:
    """Build the set of a body."""
    spec = dict(plan.spec)
    with_head = spec["head"]
    tall = plan.size[1] / plan.size[0]
    need = 4.2 if with_head else float(rng.uniform(2.7, 3.3))
    span = max(need / tall, 2.3) * (1.12 if spec["reference"] else 1.0)
    shoot = _shoot(plan, span, scale, rng)
    made = Set()
    made.face = random_face(rng) if with_head else None
    hair = str(rng.choice(["bubble", "ponytail+fringe", "ponytail"]))
    spec["head_colors"] = random_colors(rng, spec["skin"], spec["liner"], spec["iris"], "coral")
    spec["head"] = spec | {"hair": hair, "outline": "none", "lashes": "none", "stain": "none"}
    things = build_body(shoot, spec, made.face)
    if made.face is not None:
        head = next(t for t in things if t.name.startswith("head"))
        made.surface = _head_surface(head)
        made.head_lift = tuple(head.matrix_world.translation)
    reach = 8 if spec["reference"] else 25
    turn = turned(float(rng.uniform(-22, 22)), float(rng.uniform(-8, 8)), float(rng.uniform(-reach, reach)))
    low = -0.55 if with_head else 0.15
    shift_x = 0.08 * shoot.camera.span[0] if spec["reference"] else 0.0
    made.matrix = pose(things, turn, (shift_x, 0.0, low + float(rng.uniform(-0.1, 0.1))))
    shoot.subject = things
    lay_ground(shoot, float(rng.uniform(0.55, 2.0)))
    _reference(shoot, plan, (float(rng.uniform(0.12, 0.16)), float(rng.choice([0.14, 0.86]))), roomy=False)
    return shoot, made


def set_soles(plan: Plan, scale: float, rng: np.random.Generator) -> tuple[Shoot, Set]:
    """Build the set of the feet."""
    wide = plan.size[0] / plan.size[1]
    span = float(rng.uniform(2.3, 3.0)) * max(1.0, wide * 0.95)
    shoot = _shoot(plan, span, scale, rng)
    made = Set()
    things, feet = build_soles(shoot, plan.spec)
    turn = turned(float(rng.uniform(-10, 10)), float(rng.uniform(-10, 25)), float(rng.uniform(-30, 30)))
    made.matrix = pose(things, turn, (0.0, 0.0, 0.0))
    for foot in feet:
        foot["edge"] = through(made.matrix, foot["edge"])
        foot["rim"] = None if foot["rim"] is None else through(made.matrix, foot["rim"])
    made.feet = feet
    shoot.subject = things
    lay_ground(shoot, float(rng.uniform(1.5, 4.5)))
    return shoot, made


def set_mark(plan: Plan, scale: float, rng: np.random.Generator) -> tuple[Shoot, Set]:
    """Build the set of a mark."""
    spec = plan.spec
    span = float(rng.uniform(2.3, 2.8))
    if "cap_px" in spec:
        spec["cap"] = spec["cap_px"] * span / plan.size[0]
    shoot = _shoot(plan, span, scale, rng)
    made = Set()
    things, made.mark_outline, made.mark_lines = build_mark(shoot, spec)
    reach = 6 if "take" in spec else 18
    turn = turned(*(float(rng.uniform(-reach, reach)) for _ in range(3)))
    made.matrix = pose(things, turn, (0.0, 0.0, 0.0))
    shoot.subject = things
    lay_ground(shoot, 1.2)
    return shoot, made


def set_crowd(plan: Plan, scale: float, rng: np.random.Generator) -> tuple[Shoot, Set]:
    """Build the set of a crowd."""
    count = plan.spec["count"]
    by_row = count if count <= 6 else -(-count // 2)
    span = max(by_row * 1.45 + 1.4, 5.4 * plan.size[0] / plan.size[1])
    shoot = _shoot(plan, span, scale, rng)
    made = Set()
    things, made.heads = build_crowd(shoot, count)
    made.matrix = pose(
        things, turned(0, 0, float(rng.uniform(-4, 4))), (-0.3, 0, -0.3 if count > 6 else -0.4)
    )
    made.heads = [through(made.matrix, h) for h in made.heads]
    shoot.subject = things
    lay_ground(shoot, 3.2)
    return shoot, made


def set_negative(plan: Plan, scale: float, rng: np.random.Generator) -> tuple[Shoot, Set]:
    """Build the set of a photo without a doll."""
    shoot = _shoot(plan, float(rng.uniform(2.2, 3.4)) * max(1.0, plan.size[0] / plan.size[1]), scale, rng)
    made = Set()
    things = build_negative(shoot, plan.spec)
    turn = turned(float(rng.uniform(-25, 25)), float(rng.uniform(-8, 25)), float(rng.uniform(-25, 25)))
    made.matrix = pose(things, turn, (0.0, 0.0, 0.1))
    shoot.subject = things
    lay_ground(shoot, float(rng.uniform(1.3, 2.5)))
    shoot.subject = [o for o in bpy.context.scene.objects if o.type == "MESH"]  # the probe grays all of it
    return shoot, made


SETS = {
    "face": set_face,
    "body": set_body,
    "soles": set_soles,
    "mark": set_mark,
    "crowd": set_crowd,
    "other": set_negative,
}


def light(shoot: Shoot, spec: Spec) -> None:
    """Light the set as planned."""
    if "azimuth" in spec:
        lamp(shoot, spec["azimuth"], spec["height"], 0.8, 1.0, shoot.kelvin)
        ambient(0.1, shoot.kelvin)
        shoot.light_kind = "raking"
    else:
        light_the_set(shoot, spec["light"])
    reference = shoot.truth.get("reference")
    if reference and shoot.rng.random() < 0.3:
        corner = reference["corners"][0]
        flag_shadow(shoot, (corner[0] / shoot.camera.width, corner[1] / shoot.camera.height), 0.06)
        reference["partly_shaded"] = True
    if spec.get("cast"):
        flag_shadow(shoot, (float(shoot.rng.uniform(0.4, 0.6)), float(shoot.rng.uniform(0.4, 0.6))), 0.16)


def darkroom(plan: Plan, kelvin: float, rng: np.random.Generator, scale: float) -> Darkroom:
    """Return how the photo is developed."""
    error = float(rng.choice([0.0, 0.0, 1.0])) * rng.normal(0, 0.12) + rng.normal(0, 0.06)
    if kelvin < 3600 and rng.random() < 0.5:
        error += rng.uniform(0.1, 0.4)  # cameras leave lamp light warm
    mired = 1e6 / kelvin * (1 - error)
    big = max(plan.size) / 1500
    return Darkroom(
        wb_kelvin=float(np.clip(1e6 / mired, 2500, 8500)),
        ev=float(rng.normal(0, 0.25) if rng.random() < 0.8 else rng.choice([-1, 1]) * rng.uniform(0.5, 0.9)),
        tone="phone" if rng.random() < 0.5 else "srgb",
        blur_px=float(rng.uniform(0.4, 1.1) * big if rng.random() < 0.85 else rng.uniform(1.5, 3.0) * big)
        * scale,
        motion_px=int(rng.choice([0, 0, 0, 0, 0, 0, 0, 5])),
        noise=float(rng.uniform(0.0015, 0.008)),
        quality=int(rng.integers(60, 96)),
        orientation=int(rng.choice([6, 8, 3])) if rng.random() < 0.08 else 1,
        vignette=float(rng.uniform(0, 0.15)),
    )


def face_truth(shoot: Shoot, made: Set, spec: Spec, labels: np.ndarray[Any, Any]) -> None:
    """Write traits and places of the head in view."""
    assert made.face is not None and made.surface is not None
    camera = shoot.camera
    moved = through(made.matrix, made.surface + np.array(made.head_lift))
    places = face_places(made.surface, moved, made.face, camera)
    shoot.truth["places"] |= places
    traits = shoot.truth["traits"]
    for trait, paint, true in (
        ("eyeliner_color", "eyeliner", LINER_STATE.get(spec["liner"], spec["liner"])),
        ("iris_color", "iris", spec["iris"]),
    ):
        color = shoot.truth["surfaces"].get(paint)
        traits[trait] = {"state": true}
        if color:
            lab = color["lab"]
            traits[trait] |= dict(zip(("lab_L", "lab_a", "lab_b"), lab, strict=True))
            traits[trait]["chroma"] = round(float(np.hypot(lab[1], lab[2])), 3)
            traits[trait]["hue_deg"] = round(float(np.degrees(np.arctan2(lab[2], lab[1])) % 360), 2)
            traits[trait]["lightness"] = lab[0]
        traits[trait]["area_px"] = int((labels[..., 0] == CLASSES[paint]).sum())
    traits["lip_paint"] = lip_truth(labels, spec["lips"])
    if "sheen" in spec:
        traits["skin_sheen"] = {"state": spec["sheen"]}
    ears = {
        own: camera.project(through(made.matrix, np.array([s * 0.4, 0.05, -0.04]) + np.array(made.head_lift)))
        for own, s in (("right", -1), ("left", 1))
    }
    middle = camera.project(through(made.matrix, np.array([0, 0, 0]) + np.array(made.head_lift)))
    head_px = camera.focal_px / camera.distance
    traits["ear_stain"] = ear_truth(labels, ears, float(middle[0]), head_px)
    shoot.truth["head_height_px"] = round(head_px, 1)


def mark_truth(shoot: Shoot, made: Set, spec: Spec) -> None:
    """Write the mark's traits and place."""
    camera, traits = shoot.camera, shoot.truth["traits"]
    if not spec["lines"]:
        traits["mark_text"] = {
            "state": "absent",
            "lines": [],
            "light": spec["light_side"],
            "blank": spec["blank"],
        }
        traits["mark_symbol"] = {"state": "none", "copyright": False}
        return
    assert made.mark_outline is not None
    outline = points_list(camera.project(through(made.matrix, made.mark_outline)))
    quads = [points_list(camera.project(through(made.matrix, q))) for q in made.mark_lines]
    joined = " ".join(spec["lines"])
    traits["mark_text"] = {
        "state": "present",
        "lines": spec["lines"],
        "letter_height_px": round(spec["cap_units"] * camera.focal_px / camera.distance, 1),
        "light": spec["light_side"],
        "relief": spec["relief"],
        "outline": outline,
        "line_outlines": quads,
        "curved": bool(spec["bend"]),
        "boxed": bool(spec["boxed"]),
    }
    state = "registered" if "®" in joined else "trademark" if "™" in joined else "none"
    traits["mark_symbol"] = {"state": state, "copyright": "©" in joined}
    shoot.truth["places"]["mark"] = outline


def fill_truth(plan: Plan, shoot: Shoot, made: Set, labels: np.ndarray[Any, Any]) -> None:
    """Write what this view shows."""
    camera, truth = shoot.camera, shoot.truth
    if made.face is not None:
        face_truth(shoot, made, plan.spec, labels)
    if plan.view == "body":
        fade = truth["traits"]["skin_fade"]
        seen = int((labels[..., 0] == CLASSES["skin_covered"]).sum())
        fade["covered_px"] = seen
        if not fade["covered_in_view"] or seen < 0.002 * labels[..., 0].size:
            fade |= {"covered_in_view": False, "state_if_seen": fade["state"], "state": None}
    elif plan.view == "soles":
        truth["traits"]["foot_holes"], truth["places"]["soles"] = hole_truth(made.feet, labels, camera)
    elif plan.view == "mark":
        mark_truth(shoot, made, plan.spec)
    elif plan.view == "crowd":
        truth["places"]["head_boxes"] = [box_of(camera.project(h), camera) for h in made.heads]
    elif plan.view == "other":
        truth["thing"] = plan.spec["thing"]


def photograph(plan: Plan, out: Path, samples: int, seconds: float, scale: float) -> None:
    """Render, develop and describe one photo under ``out``."""
    rng = np.random.default_rng(plan.seed)
    shoot, made = SETS[plan.view](plan, scale, rng)
    camera = shoot.camera
    shoot.rng = np.random.default_rng(plan.seed + 500_000)
    light(shoot, plan.spec)
    room = darkroom(plan, shoot.kelvin, np.random.default_rng(plan.seed + 600_000), scale)
    half = 2 if camera.width * camera.height > 5_000_000 else 1
    size = camera.width // half, camera.height // half
    labels = render_labels(shoot, *size)
    picture = render_beauty(*size, samples, seconds)
    subject = (
        (labels[..., 0] != BACKGROUND)
        & (labels[..., 0] != CLASSES["chart"])
        & (labels[..., 0] != CLASSES["card"])
    )
    if subject.mean() < 1e-4:
        subject = np.ones_like(subject)
    neutral = render_neutral(shoot, *size, subject)
    if half > 1:
        labels = labels.repeat(half, 0).repeat(half, 1)
    noise = np.random.default_rng(plan.seed + 700_000 + plan.spec.get("take", 0))
    photo, neutral_rgb = develop(enlarge(picture, camera.width, camera.height), neutral, room, noise)
    fill_truth(plan, shoot, made, labels)
    truth = {
        "photo": f"photos/{plan.id}.jpg",
        "seed": plan.seed,
        "view": plan.view,
        "width_px": camera.width,
        "height_px": camera.height,
        "light": {
            "cct_K": round(shoot.kelvin),
            "kind": shoot.light_kind,
            "wb_cct_K": round(room.wb_kelvin),
        },
        "neutral_rgb": [round(float(v), 4) for v in neutral_rgb],
        "exposure_ev": round(room.ev, 3),
        "tone": room.tone,
        "blur_px": round(room.blur_px, 2),
        "jpeg_quality": room.quality,
        "exif_orientation": room.orientation,
        "reference": shoot.truth.pop("reference", None),
        **shoot.truth,
        "mask_classes": {str(v): k for k, v in CLASSES.items()},
    }
    for folder in (out / "photos", out / "truth" / "photos"):
        folder.mkdir(parents=True, exist_ok=True)
    write_jpeg(photo, out / "photos" / f"{plan.id}.jpg", room)
    write_mask(labels, camera.width, camera.height, out / "truth" / "photos" / f"{plan.id}.mask.png")
    text = json.dumps(truth, indent=1, ensure_ascii=False)
    (out / "truth" / "photos" / f"{plan.id}.json").write_text(text, encoding="utf-8")
