"""The fixed list of photos: what each one shows. Seeds and traits never change; looks follow the seed."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

Spec = dict[str, Any]
ROMAN = ("MCMLVII", "MCMLIX", "MCMLXI", "MCMLXIV", "MCMLVIII", "MCMLXII")


@dataclass(frozen=True)
class Plan:
    """One photo: its id, seed, view and what is asked of it."""

    id: str
    seed: int
    view: str
    size: tuple[int, int]
    spec: Spec = field(default_factory=dict)


SIZES = (
    (1200, 1600),
    (900, 1200),
    (1500, 1125),
    (1400, 1400),
    (1500, 2000),
    (768, 1024),
    (700, 525),
    (1920, 1280),
)
LINERS = ("blue", "black", "brown", "none", "blue", "turquoise", "blue", "black")
IRISES = ("unpainted", "blue", "brown", "unpainted", "green", "blue", "unpainted")
LIPS = ("full", "rubbed", "bare", "overpainted", "full", "rubbed", "overpainted", "full", "rubbed")
LIP_COLORS = ("red", "coral", "pink", "orange", "red", "pale", "coral")
HAIR = ("ponytail+fringe", "bubble", "long", "ponytail", "long+fringe", "bald", "ponytail+fringe")
LIGHTS = ("window", "tungsten", "overcast", "ring", "mixed", "window")
OUTLINES = ("none", "top", "full", "none")
STAINS = ("none", "left", "none", "both", "none", "right")


def _reference(index: int, every: int = 10) -> str | None:
    """Return the reference of the photo: three in ten have one."""
    return {1: "color_chart", 4: "grey_card", 8: "color_chart"}.get(index % every)


def _faces() -> list[Plan]:
    out = []
    for k in range(34):
        liner = LINERS[k % 8]
        spec: Spec = {
            "liner": liner,
            "iris": IRISES[k % 7],
            "lips": LIPS[k % 9],
            "lip_color": LIP_COLORS[(k * 3) % 7],
            "hair": HAIR[(k * 2) % 7],
            "skin": "tan" if k % 3 else "pale",
            "outline": "none" if liner == "none" else OUTLINES[k % 4],
            "lashes": "painted" if k % 5 == 2 and liner != "none" else "none",
            "sheen": "greasy" if k % 4 == 3 else "matte",
            "stain": STAINS[(k * 5) % 6],
            "light": LIGHTS[(k * 5) % 6],
            "reference": _reference(k),
            "roll": "down" if k in {6, 17, 29} else "any" if k % 3 == 0 else "small",
            "across": "hair" if k in {5, 20} else "hand" if k in {12, 25} else None,
            "fill": {3: "tiny", 14: "small", 22: "tiny", 9: "close", 18: "close", 30: "close"}.get(
                k, "normal"
            ),
        }
        size = (4032, 3024) if k == 16 else SIZES[(k * 3) % 8]
        out.append(Plan(f"face_{k + 1:02d}", 71000 + 13 * k, "face", size, spec))
    return out


def _bodies() -> list[Plan]:
    deltas = (0.0, 3.2, 0.0, 6.1, 1.6, 0.0, 4.4, 8.0, 0.0, 2.4, 5.2, 0.0, 7.0, 3.8, 0.0, 2.0, 0.0, 4.9)
    garments = ("off", "lowered", "off", "off", "lowered", "on", "off", "lowered", "lowered")
    out = []
    for k, delta in enumerate(deltas):
        spec: Spec = {
            "delta": delta,
            "garment": garments[k % 9],
            "skin": "pale" if k % 4 == 1 else "tan",
            "head": k % 3 == 2,
            "liner": LINERS[(k * 3) % 8],
            "iris": IRISES[(k * 2) % 7],
            "lips": "full" if k % 2 else "bare",
            "light": LIGHTS[(k * 5 + 2) % 6],
            "reference": _reference(k + 3),
            "cast": k in {0, 2, 8, 11, 6},
        }
        size = (3024, 4032) if k == 7 else ((1200, 1600), (900, 1350), (1500, 2000), (1400, 1400))[k % 4]
        out.append(Plan(f"body_{k + 1:02d}", 72000 + 17 * k, "body", size, spec))
    return out


def _soles() -> list[Plan]:
    holes = ("none", "open", "lined", "drilled")
    out = []
    for k in range(22):
        first = holes[k % 4]
        second = first if k % 3 else holes[(k // 3 + 1) % 4]
        spec: Spec = {
            "holes": [first] if k % 5 == 4 else [first, second],
            "dirt": (None, "dirt", "paint_dot", "scratch", None, "paint_dot")[(k * 5 + 1) % 6],
            "dirty_foot": k % 2,
            "skin": "pale" if k % 4 == 3 else "tan",
            "light": LIGHTS[(k * 5 + 1) % 6],
        }
        out.append(Plan(f"soles_{k + 1:02d}", 73000 + 19 * k, "soles", SIZES[(k * 5 + 1) % 8], spec))
    return out


def _marks() -> list[Plan]:
    words: tuple[tuple[str, ...], ...] = (
        ("VERITY™", "DESIGN APPLIED FOR", f"© {ROMAN[0]}", "HARGROVE WORKS"),
        ("OSTRELLE ®", f"© {ROMAN[1]} HARGROVE"),
        ("QUENDALE", "MODEL 214", f"{ROMAN[2]}"),
        ("VERITY ®", "DESIGN APPLIED FOR", "HARGROVE WORKS"),
        ("MARVANNE™", f"© {ROMAN[3]}", "LUND & PIKE"),
        ("TILDERY ®", f"{ROMAN[4]}", "HARGROVE"),
        ("ORLINE", "HARGROVE WORKS", f"© {ROMAN[5]}"),
        ("VERITY™", "HARGROVE"),
        ("BRISOMEL ®", "REGISTERED DESIGN", "LUND & PIKE"),
        ("PELLORY", "MADE BY HARGROVE"),
        ("VERITY ®", f"© {ROMAN[0]}", "HARGROVE WORKS"),
        ("CANDRELLE™", "DESIGN APPLIED FOR", f"{ROMAN[2]}"),
        ("QUENDALE", f"© {ROMAN[1]}", "LUND & PIKE"),
    )
    out = []

    def spec_of(k: int) -> Spec:
        return {
            "lines": list(words[k]),
            "font": (0, 1, 0, 2, 0)[k % 5],
            "weight": (1, 0, 2, 1)[k % 4],
            "relief": "incised" if k % 3 == 2 else "raised",
            "depth": (0.16, 0.10, 0.2, 0.13)[k % 4],
            "worn": (0.03, 0.06, 0.045, 0.07)[k % 4],
            "cap": (0.14, 0.18, 0.12, 0.16)[k % 4],
            "bend": {1: 0.08, 5: 0.1, 9: -0.08, 11: 0.06}.get(k, 0.0),
            "boxed": k in {3, 8},
            "skin": "pale" if k % 4 == 2 else "tan",
            "grime": 0.5 if k % 4 == 1 else 0.0,
        }

    for k in range(5):
        spec = spec_of(k) | {"light_side": "side", "light": "raking", "cap_px": 30 + 8 * k}
        out.append(
            Plan(f"mark_side_{k + 1}", 74000 + 23 * k, "mark", ((1500, 1125), (1600, 1200))[k % 2], spec)
        )
    for k in range(5):
        spec = spec_of(5 + k) | {"light_side": "frontal", "light": ("overcast", "ring", "window")[k % 3]}
        out.append(
            Plan(f"mark_front_{k + 1}", 74300 + 23 * k, "mark", ((1400, 1050), (1024, 768))[k % 2], spec)
        )
    for k, blank in enumerate(("smooth", "seam", "scratch", "weave")):
        spec = spec_of(0) | {"lines": [], "blank": blank, "light": "raking" if k % 2 else "window"}
        spec["light_side"] = "side" if k % 2 else "frontal"
        out.append(Plan(f"mark_blank_{k + 1}", 74600 + 23 * k, "mark", (1200, 900), spec))
    for group in range(3):
        for k, letter in enumerate("abcd"):
            spec = spec_of(10 + group) | {"light_side": "side", "light": "raking", "cap_px": 46}
            spec |= {
                "azimuth": (-80.0, 85.0, -60.0, 55.0)[k],
                "height": (8.0, 14.0, 55.0, -50.0)[k],
                "take": k + 1,
            }
            out.append(
                Plan(f"mark_fuse_{group + 1}_{letter}", 74900 + 31 * group, "mark", (1400, 1050), spec)
            )
    return out


def plans() -> list[Plan]:
    """Return every photo of the set, in fixed order."""
    crowds = [
        Plan(f"crowd_{k + 1}", 75000 + 29 * k, "crowd", size, {"count": n, "light": LIGHTS[(k * 5) % 6]})
        for k, (n, size) in enumerate(
            ((6, (1920, 1280)), (9, (2000, 1500)), (14, (2000, 1333)), (7, (1600, 1200)), (11, (1800, 1350)))
        )
    ]
    things = (
        "mug",
        "cutlery",
        "page",
        "textile",
        "bust",
        "hand",
        "coins",
        "blocks",
        "bottle",
        "ball",
        "washers",
    )
    negatives = [
        Plan(
            f"none_{k + 1:02d}",
            76000 + 37 * k,
            "other",
            SIZES[(k * 3 + 1) % 8],
            {"thing": t, "light": LIGHTS[k % 6]},
        )
        for k, t in enumerate(things)
    ]
    return [*_faces(), *_bodies(), *_soles(), *_marks(), *crowds, *negatives]
