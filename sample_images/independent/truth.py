"""What is true of a photo, read from the label pictures and the geometry."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from .head import Face, eye_lids, lip_curves
from .hues import Floats
from .stage import CLASSES, Camera

Labels = np.ndarray[Any, Any]
EAR_PARTS = {10: "right", 11: "left"}  # the doll's own side


def points_list(points: Floats) -> list[list[float]]:
    """Return pixel positions (N, 2) for JSON."""
    return [[round(float(x), 1), round(float(y), 1)] for x, y in points]


def box_of(points: Floats, camera: Camera) -> list[float]:
    """Return x0, y0, x1, y1 of points (N, 2), clipped to the frame."""
    low = np.clip(points.min(0), 0, (camera.width, camera.height))
    high = np.clip(points.max(0), 0, (camera.width, camera.height))
    return [round(float(v), 1) for v in (*low, *high)]


def sweep_outline(mask: Labels, rays: int = 72) -> list[list[float]] | None:
    """Return the farthest pixel of a mask in each direction from its center, as a polygon."""
    y, x = np.nonzero(mask)
    if len(x) < 12:
        return None
    cx, cy = x.mean(), y.mean()
    angle = ((np.arctan2(y - cy, x - cx) + np.pi) / (2 * np.pi) * rays).astype(int) % rays
    far = np.hypot(x - cx, y - cy)
    out = []
    for k in range(rays):
        some = np.nonzero(angle == k)[0]
        if len(some):
            best = some[np.argmax(far[some])]
            out.append([float(x[best]) + 0.5, float(y[best]) + 0.5])
    return out


def lip_truth(labels: Labels, state: str) -> dict[str, Any]:
    """Return the lips' trait from the label pictures."""
    part, paint = labels[..., 1], labels[..., 2] == 1
    on_face = labels[..., 0] != CLASSES["background"]
    upper, lower, painted = (part == 2) & on_face, (part == 1) & on_face, paint & on_face
    molded = upper | lower
    total = int(molded.sum())
    if total == 0:
        return {"state": None, "reason": "not in view"}

    def share(where: Labels) -> float | None:
        n = int(where.sum())
        return round(float((painted & where).sum() / n), 4) if n else None

    return {
        "state": state,
        "coverage_total": share(molded),
        "coverage_upper": share(upper),
        "coverage_lower": share(lower),
        "beyond_border": round(float((painted & ~molded).sum() / total), 4),
        "molded_px": total,
    }


def ear_truth(
    labels: Labels, centers: dict[str, Floats], middle_x: float, head_px: float
) -> list[dict[str, Any]]:
    """Return the trait of each ear in view; ``left_ear`` is the one on the image's left."""
    out = []
    for part, own in EAR_PARTS.items():
        here = labels[..., 1] == part
        if int(here.sum()) < max(40, 0.002 * head_px**2):
            continue
        stain = here & (labels[..., 0] == CLASSES["ear_stain"])
        green = int(stain.sum()) > 12
        out.append(
            {
                "part": "left_ear" if centers[own][0] < middle_x else "right_ear",
                "state": "green" if green else "none",
                "area_px": int(stain.sum()),
                "ear_px": int(here.sum()),
                "center": points_list(centers[own][None])[0],
                "outline": sweep_outline(stain if green else here),
            }
        )
    names = [e["part"] for e in out]
    if len(names) == 2 and names[0] == names[1]:
        first = int(np.argmin([e["center"][0] for e in out]))
        out[first]["part"], out[1 - first]["part"] = "left_ear", "right_ear"
    return out


def face_places(surface: Floats, moved: Floats, face: Face, camera: Camera) -> dict[str, Any]:
    """Return face box, eyes and lips in the photo.

    ``surface`` (N, 3) are the head's points in its own frame, ``moved`` the same in the scene.
    """
    front = (surface[:, 1] < -0.08) & (np.abs(surface[:, 0]) < 0.34) & (surface[:, 2] < 0.30)
    near, seen = surface[front][:, [0, 2]], camera.project(moved[front])

    def lifted(line: Floats) -> Floats:
        nearest = [int(np.argmin(((near - p) ** 2).sum(1))) for p in line]
        return seen[nearest]

    t = np.linspace(-1, 1, 20)
    eyes = []
    for side in (-1, 1):
        x = side * (face.eye_x + t * face.eye_w)
        _, top, bottom = eye_lids(x, face, side)
        ring = np.concatenate([np.stack([x, top], -1), np.stack([x, bottom], -1)[::-1]])
        eyes.append(lifted(ring))
    eyes.sort(key=lambda ring: float(ring[:, 0].mean()))
    x = t * face.lip_a
    upper, _, lower = lip_curves(x, face)
    mouth = lifted(np.concatenate([np.stack([x, upper], -1), np.stack([x, lower], -1)[::-1]]))
    return {
        "face_box": box_of(seen, camera),
        "left_eye": points_list(eyes[0]),
        "right_eye": points_list(eyes[1]),
        "lips": points_list(mouth),
    }


def hole_truth(feet: list[dict[str, Any]], labels: Labels, camera: Camera) -> tuple[list[Any], list[Any]]:
    """Return the holes' traits and the soles' places, the image's left foot first."""
    order = sorted(feet, key=lambda foot: float(camera.project(foot["edge"])[:, 0].mean()))
    names = ["left_foot", "right_foot"]
    if len(order) == 1:
        names = [
            "left_foot" if camera.project(order[0]["edge"])[:, 0].mean() < camera.width / 2 else "right_foot"
        ]
    holes, soles = [], []
    for name, foot in zip(names, order, strict=True):
        one: dict[str, Any] = {"part": name, "state": foot["state"]}
        if foot["rim"] is not None:
            rim = camera.project(foot["rim"])
            across = np.linalg.norm(rim - np.roll(rim, len(rim) // 2, 0), axis=1)
            one |= {
                "outline": points_list(rim),
                "center": points_list(rim.mean(0)[None])[0],
                "diameter_px": round(float(across.mean()), 1),
            }
        holes.append(one)
        outline = sweep_outline((labels[..., 1] == foot["part"]) & (labels[..., 0] != CLASSES["background"]))
        soles.append({"part": name, "outline": outline})
    return holes, soles


def write_mask(labels: Labels, width: int, height: int, path: Path) -> None:
    """Write the classes as a palette PNG of the photo's size."""
    image = Image.fromarray(np.ascontiguousarray(labels[..., 0])).resize(
        (width, height), Image.Resampling.NEAREST
    )
    palette = Image.frombytes("P", image.size, image.tobytes())
    shades = np.zeros((256, 3), np.uint8)
    for k in range(1, 23):
        shades[k] = (k * 83 % 256, k * 151 % 256, k * 199 % 256)
    palette.putpalette(shades.ravel().tolist())
    palette.save(path, optimize=True)
