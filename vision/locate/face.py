"""Find faces: one :class:`FacePlace` a head, upright or not, small or large, alone or in a crowd.

The model's points say where to look. It was trained on people, so on a doll its outlines regress to an
average human face: the measurements find the paint's own edges.

How a dealer would be misled, and what stands against it: an upside-down head is "found" with the lips on
the forehead (every place is tried at several turns, the best-supported one is kept); one head of a crowd is
counted twice (places that share a head are merged); a place with nothing of a face in it passes (the mesh
must come back to the same points when the picture is turned and cropped anew).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.face_view import face_frame, polygon_of, upright_matrix, warp
from vision.locate import face_model, view_opinion
from vision.locate.face_model import PRESENCE, PRESENCE_HALF_HIDDEN, Detection, FaceModel
from vision.locate.places import FacePlace
from vision.locate.small_heads import head_squares
from vision.locate.squares import tiles
from vision.photo import Photo
from vision.traits import Polygon, View

METHOD = "face/1"

#: A face narrower than this in the original is not looked at.
LEAST_WIDTH = 40.0

#: Detectors must be this sure of a place for a second try there, which takes this many of their finds.
SECOND_TRY_SCORE, SECOND_TRIES = 0.6, 4
#: What is found only when looked for harder must be this sure. Of what is no face nothing was.
LATE_TRUST = 0.5

#: Yaw beyond which half of the face is too foreshortened to compare with the other.
PROFILE_DEG = 38.0

# Indices of the 468-point mesh, in the order of the outline (MediaPipe's canonical face model).
LIPS_OUTER = (61, 185, 40, 39, 37, 0, 267, 269, 270, 409, 291, 375, 321, 405, 314, 17, 84, 181, 91, 146)
LIPS_INNER = (78, 191, 80, 81, 82, 13, 312, 311, 310, 415, 308, 324, 318, 402, 317, 14, 87, 178, 88, 95)
EYE_LEFT = (33, 246, 161, 160, 159, 158, 157, 173, 133, 155, 154, 153, 145, 144, 163, 7)
EYE_RIGHT = (362, 398, 384, 385, 386, 387, 388, 466, 263, 249, 390, 373, 374, 380, 381, 382)
OVAL = (
    10, 338, 297, 332, 284, 251, 389, 356, 454, 323, 361, 288, 397, 365, 379, 378, 400, 377,
    152, 148, 176, 149, 150, 136, 172, 58, 132, 93, 234, 127, 162, 21, 54, 103, 67, 109,
)  # fmt: skip
FOREHEAD = (67, 69, 108, 151, 337, 299, 297, 10)
CHEEK_LEFT = (117, 118, 101, 205, 187, 123)
CHEEK_RIGHT = (346, 347, 330, 425, 411, 352)
CHIN = (83, 18, 313, 406, 428, 199, 208, 182)
SIDE_LEFT, SIDE_RIGHT = 234, 454

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Seed:
    """A guess where a face is, in photo pixels."""

    center: Array
    size: float
    roll_deg: float
    score: float


@dataclass(frozen=True, slots=True)
class _Fitting:
    """How the mesh is fitted: widths of crops in face widths, at first and again; how sure it must be."""

    wide: tuple[float, ...]
    again_wide: tuple[float, ...]
    presence: float


_FIRST = _Fitting((1.9, 1.5, 2.6), (1.7,), PRESENCE)
_PATIENT = _Fitting((1.9, 1.5, 2.6), (1.7, 2.0, 2.4), PRESENCE_HALF_HIDDEN)


def find_faces(photo: Photo, max_faces: int = 32) -> list[FacePlace]:
    """Find all faces of a photo.

    Parameters
    ----------
    photo
        Any photo; nothing is assumed of its turn.
    max_faces
        The best-supported so many are kept.

    Returns
    -------
    Places in reading order (rows from the top, then left to right), empty when there is no face. Flags:
    ``"profile"``, ``"cut_by_frame"``, ``"small"``, ``"unsure_turn"``, ``"fallback"`` (found without the
    face model: eyes and mouth are guesses).
    """
    model = face_model.load()
    if model is None:
        from vision.locate.face_fallback import find_faces_classical

        return _in_reading_order(find_faces_classical(photo)[:max_faces])
    small, scale = photo.small
    seeds = _seeds(model, small, scale)
    faces = _settle(model, photo, seeds)
    if len(faces) != 1 or faces[0].width * scale < 0.12 * max(small.shape[:2]):
        faces = _merge([*faces, *_settle(model, photo, _tiled_seeds(model, photo, faces, seeds))])
    if all(face.confidence < LATE_TRUST for face in faces) and _may_show_heads(photo):
        late = _settle(model, photo, _small_head_seeds(model, photo))
        faces = _merge([*faces, *(face for face in late if face.confidence >= LATE_TRUST)])
    faces.sort(key=lambda face: -face.confidence)
    return _in_reading_order(faces[:max_faces])


def _may_show_heads(photo: Photo) -> bool:
    """Whether the parts network is not sure of a view without heads: looking for small ones takes time."""
    return view_opinion.sure_of(view_opinion.ask(photo)) in (None, View.FACE, View.CROWD)


def _seeds(
    model: FaceModel, rgb: NDArray[np.uint8], scale: float, turns: Sequence[int] = (0, 1, 2, 3)
) -> list[_Seed]:
    """Run the detectors on a picture at the given quarter turns; seeds come back in photo pixels."""
    seeds = []
    for turn in turns:
        for found in model.detect(np.rot90(rgb, -turn)):
            center = _unturn(found.center[None], rgb.shape[:2], turn)[0] / scale
            roll = (found.roll_deg - 90.0 * turn + 180.0) % 360.0 - 180.0
            if _eyes_above_mouth(found):
                seeds.append(_Seed(center, found.size / scale, roll, found.score))
    return seeds


def _unturn(points: Array, shape: tuple[int, int], turn: int) -> Array:
    """Map points of a picture turned clockwise by ``turn`` quarters back to the picture as it was."""
    height, width = shape
    x, y = points[:, 0], points[:, 1]
    if turn == 1:
        return np.stack([y, height - x], axis=1)
    if turn == 2:
        return np.stack([width - x, height - y], axis=1)
    if turn == 3:
        return np.stack([width - y, x], axis=1)
    return points


def _eyes_above_mouth(found: Detection) -> bool:
    """Tell whether the mouth lies below the pair of eyes along the head's own axis, about centered."""
    across = found.eyes[1] - found.eyes[0]
    span = float(np.linalg.norm(across))
    if span < 1e-6:
        return False
    across = across / span
    down = np.array([-across[1], across[0]])
    offset = found.mouth - found.eyes.mean(axis=0)
    return bool(0.35 < offset @ down / span < 2.2 and abs(offset @ across) / span < 0.8)


def _tiled_seeds(
    model: FaceModel, photo: Photo, faces: Sequence[FacePlace], seeds: Sequence[_Seed]
) -> list[_Seed]:
    """Look again through overlapping tiles: the detectors see a picture at 192 px and miss small heads.

    Coarse tiles first; finer ones only where the coarse ones showed several small heads.
    """
    small, scale = photo.small
    found = _tile_pass(model, small, scale, 2)
    widths = [s.size * scale for s in (*seeds, *found)]
    crowd = len(_cluster([*seeds, *found])) >= 3 or len(faces) >= 2
    if crowd and widths and float(np.median(widths)) < 0.14 * max(small.shape[:2]):
        found += _tile_pass(model, small, scale, 4)
    return found


def _tile_pass(model: FaceModel, rgb: NDArray[np.uint8], scale: float, across: int) -> list[_Seed]:
    """Detect in tiles, ``across`` to the long side, each overlapping the next by half."""
    seeds = []
    for x, y, side in tiles(rgb.shape[1], rgb.shape[0], across):
        for seed in _seeds(model, rgb[y : y + side, x : x + side], 1.0, turns=(0,)):
            center = (seed.center + np.array([x, y])) / scale
            seeds.append(_Seed(center, seed.size / scale, seed.roll_deg, seed.score))
    return seeds


def _small_head_seeds(model: FaceModel, photo: Photo) -> list[_Seed]:
    """Look where the parts network sees what may be a head too small for the detectors, at all turns."""
    seeds = []
    for square in head_squares(photo):
        half = square.side / 2
        crop, corner = photo.crop((square.x - half, square.y - half, square.x + half, square.y + half))
        for seed in _seeds(model, crop, 1.0):
            seeds.append(replace(seed, center=seed.center + np.array(corner)))
    return seeds


def _cluster(seeds: Iterable[_Seed]) -> list[list[_Seed]]:
    """Group seeds that lie on one head, strongest first."""
    groups: list[list[_Seed]] = []
    for seed in sorted(seeds, key=lambda s: -s.score):
        for group in groups:
            lead = group[0]
            near = float(np.linalg.norm(seed.center - lead.center)) < 0.55 * max(seed.size, lead.size)
            if near and 0.45 < seed.size / lead.size < 2.2:
                group.append(seed)
                break
        else:
            groups.append([seed])
    return groups


def _settle(model: FaceModel, photo: Photo, seeds: Iterable[_Seed]) -> list[FacePlace]:
    """Turn seeds into places, each head once."""
    places = []
    for group in _cluster(seeds):
        tries = [_try_seed(model, photo, seed) for seed in _distinct_turns(group)]
        good = [t for t in tries if t is not None] or _second_try(model, photo, group)
        if good:
            places.append(_best_turn(good))
    return _merge(places)


def _second_try(model: FaceModel, photo: Photo, group: Sequence[_Seed]) -> list[FacePlace]:
    """Return the place of a head where none held at first, at most one: with a patient mesh, in more crops.

    A lock across a face, or a head before it, leaves detectors sure and the mesh in doubt, in one crop more
    than in the next. What is found so late must be the surer.
    """
    if group[0].score < SECOND_TRY_SCORE:
        return []
    tries = (_try_seed(model, photo, seed, _PATIENT) for seed in group[:SECOND_TRIES])
    held = [place for place in tries if place is not None]
    best = max(held, key=lambda place: place.confidence, default=None)
    return [] if best is None or best.confidence < LATE_TRUST else [best]


def _best_turn(tries: Sequence[FacePlace]) -> FacePlace:
    """Return the best-supported turn; most photos are upright, so another turn must be clearly better.

    A rival turn with more support of its own leaves the place ``unsure_turn``: a face read upside down
    gives confident nonsense.
    """

    def support(place: FacePlace) -> float:
        strayed = "unsure_turn" in place.flags  # the mesh settled at another turn than the detector's
        return place.confidence * (1 - 0.25 * abs(place.roll_deg) / 180) * (0.9 if strayed else 1.0)

    best = max(tries, key=support)
    rivals = (p for p in tries if abs((p.roll_deg - best.roll_deg + 180) % 360 - 180) > 90)
    if any(rival.confidence > best.confidence for rival in rivals):
        return replace(best, flags=tuple(dict.fromkeys((*best.flags, "unsure_turn"))))
    return best


def _distinct_turns(group: Sequence[_Seed], most: int = 4) -> list[_Seed]:
    """Keep the strongest seed of each turn of the head, told apart by 35 degrees."""
    kept: list[_Seed] = []
    for seed in group:
        if all(abs((seed.roll_deg - k.roll_deg + 180) % 360 - 180) > 35 for k in kept):
            kept.append(seed)
    return kept[:most]


def _try_seed(model: FaceModel, photo: Photo, seed: _Seed, how: _Fitting = _FIRST) -> FacePlace | None:
    """Fit the mesh at a seed, then again in a sharper upright crop; None when it does not hold."""
    if seed.size < LEAST_WIDTH * 0.8:
        return None
    first = _first_mesh(model, photo, seed.center, seed.size, seed.roll_deg, how.wide, how.presence)
    if first is None:
        return None
    roll = _roll(first)
    center, size = _extent(first, roll)
    again = _first_mesh(model, photo, center, size, roll, how.again_wide, how.presence)
    if again is None:
        return None
    apart = float(np.median(np.linalg.norm(again[:, :2] - first[:, :2], axis=1))) / size
    center, size = _extent(again, _roll(again))
    if size < LEAST_WIDTH:
        return None
    score = _detector_score(model, photo, center, size, _roll(again))
    confidence = float(np.clip((score - 0.25) / 0.6, 0.0, 1.0) * np.exp(-apart / 0.12))
    if confidence < 0.2:
        return None
    return _place(photo, again, confidence, seed)


def _first_mesh(
    model: FaceModel,
    photo: Photo,
    center: Array,
    size: float,
    roll: float,
    widths: Sequence[float],
    presence: float,
) -> Array | None:
    """Return the mesh in the first of several crops, by their widths in face widths, in which it holds."""
    meshes = (_mesh_at(model, photo, center, size, roll, wide, presence) for wide in widths)
    return next((mesh for mesh in meshes if mesh is not None), None)


def _mesh_at(
    model: FaceModel,
    photo: Photo,
    center: Array,
    size: float,
    roll: float,
    wide: float,
    presence: float,
) -> Array | None:
    """Fit the mesh in an upright crop ``wide`` face widths wide; (468, 3) in photo pixels."""
    view, matrix, scale = _upright(photo, center, size, roll, wide)
    mesh = model.mesh(view, presence)
    if mesh is None:
        return None
    back = cv2.invertAffineTransform(matrix)
    out = mesh / scale
    out[:, :2] = mesh[:, :2] @ back[:, :2].T + back[:, 2]
    off = float(np.linalg.norm(out[:, :2].mean(axis=0) - center))
    return out if off < 0.8 * size else None


def _upright(
    photo: Photo, center: Array, size: float, roll: float, wide: float, pixels: int = 320
) -> tuple[NDArray[np.uint8], Array, float]:
    """Cut a square upright crop, from the reduced picture where that is fine enough."""
    scale = pixels / (size * wide)
    small, small_scale = photo.small
    if scale <= small_scale * 1.05:
        matrix = upright_matrix(center * small_scale, roll, scale / small_scale, (pixels, pixels))
        view, _ = warp(small, matrix, (pixels, pixels))
        full = matrix.copy()
        full[:, :2] *= small_scale
        return view, full, scale
    matrix = upright_matrix(center, roll, scale, (pixels, pixels))
    return warp(photo.rgb, matrix, (pixels, pixels))[0], matrix, scale


def _roll(mesh: Array) -> float:
    """Clockwise turn of the head in degrees, from both eyes' corners and the face's sides."""
    left = mesh[[33, 133, SIDE_LEFT], :2].mean(axis=0)
    right = mesh[[263, 362, SIDE_RIGHT], :2].mean(axis=0)
    dx, dy = right - left
    return float(np.degrees(np.arctan2(dy, dx)))


def _yaw(mesh: Array) -> float:
    """Turn of the head about its long axis in degrees; positive looks to the image's right."""
    left, right = mesh[SIDE_LEFT], mesh[SIDE_RIGHT]
    flat = float(np.linalg.norm(right[:2] - left[:2]))
    return float(np.degrees(np.arctan2(right[2] - left[2], max(flat, 1e-6))))


def _extent(mesh: Array, roll: float) -> tuple[Array, float]:
    """Center and width of the face along its own axes."""
    c, s = np.cos(np.radians(roll)), np.sin(np.radians(roll))
    turn = np.array([[c, s], [-s, c]])
    own = mesh[:, :2] @ turn.T
    low, high = own.min(axis=0), own.max(axis=0)
    return (low + high) / 2 @ turn, float(max(high - low))


def _detector_score(model: FaceModel, photo: Photo, center: Array, size: float, roll: float) -> float:
    """How sure the detectors are of an upright face here, 0–1: mean of the best at two margins."""
    scores = []
    for wide in (1.9, 2.6):
        view, _, scale = _upright(photo, center, size, roll, wide, 256)
        middle = np.array([128.0, 128.0])
        near = [
            d.score
            for d in model.detect(view)
            if float(np.linalg.norm(d.center - middle)) < 0.45 * size * scale
            and abs(d.roll_deg) < 35
            and _eyes_above_mouth(d)
        ]
        scores.append(max(near, default=0.0))
    return float(np.mean(scores))


def _place(photo: Photo, mesh: Array, confidence: float, seed: _Seed) -> FacePlace:
    """Write a place from a mesh in photo pixels."""
    xy = mesh[:, :2]
    low, high = xy.min(axis=0), xy.max(axis=0)
    roll, yaw = _roll(mesh), _yaw(mesh)
    flags = []
    if abs(yaw) > PROFILE_DEG:
        flags.append("profile")
    outside = (xy < 0).any(axis=1) | (xy[:, 0] > photo.width) | (xy[:, 1] > photo.height)
    if outside[list(OVAL)].mean() > 0.08:
        flags.append("cut_by_frame")
    if float(max(high - low)) < 60:
        flags.append("small")
    if abs((roll - seed.roll_deg + 180) % 360 - 180) > 50:
        flags.append("unsure_turn")
    width = _extent(mesh, roll)[1]
    left_ear, right_ear = _ears(xy, roll, yaw, width)
    return FacePlace(
        box=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        confidence=confidence,
        left_eye=polygon_of(xy[list(EYE_LEFT)]),
        right_eye=polygon_of(xy[list(EYE_RIGHT)]),
        lips=polygon_of(xy[list(LIPS_OUTER)]),
        inner_lips=polygon_of(xy[list(LIPS_INNER)]),
        left_ear=left_ear,
        right_ear=right_ear,
        skin=tuple(polygon_of(xy[list(ids)]) for ids in (FOREHEAD, CHEEK_LEFT, CHEEK_RIGHT, CHIN)),
        roll_deg=roll,
        yaw_deg=yaw,
        landmarks=xy.copy(),
        method=METHOD,
        flags=tuple(flags),
    )


def _ears(xy: Array, roll: float, yaw: float, width: float) -> tuple[Polygon, Polygon]:
    """Estimate where the ears and the skin before them are; empty for an ear turned away.

    The mesh has no ears. Seen from the front they start at its outermost points and lie between the
    levels of eyes and upper lip (from memory); a turn of the head widens the near one and hides the other.
    """
    c, s = np.cos(np.radians(roll)), np.sin(np.radians(roll))
    across, down = np.array([c, s]), np.array([-s, c])
    ears: list[Polygon] = []
    for index, sign in ((SIDE_LEFT, -1.0), (SIDE_RIGHT, 1.0)):
        toward = -sign * yaw
        if toward < -20:
            ears.append(())
            continue
        out = (0.16 + 0.10 * np.clip(toward / 30, -0.5, 1.2)) * width
        root = xy[index]
        top, bottom = -0.18 * width * down, 0.26 * width * down
        inner, outer = -sign * 0.09 * width * across, sign * out * across
        corners = [root + inner + top, root + outer + top, root + outer + bottom, root + inner + bottom]
        ears.append(polygon_of(np.array(corners)))
    return ears[0], ears[1]


def _merge(faces: Iterable[FacePlace]) -> list[FacePlace]:
    """Keep the best-supported place of each head."""
    kept: list[FacePlace] = []
    for face in sorted(faces, key=lambda f: -f.confidence):
        center, width, _ = face_frame(face)
        for other in kept:
            middle, other_width, _ = face_frame(other)
            if float(np.linalg.norm(center - middle)) < 0.5 * max(width, other_width):
                break
        else:
            kept.append(face)
    return kept


def _in_reading_order(faces: Sequence[FacePlace]) -> list[FacePlace]:
    """Sort by rows, then from left to right; several faces are named ``head_1``, ``head_2``, …"""
    if len(faces) < 2:
        return list(faces)
    row = float(np.median([face.box[3] - face.box[1] for face in faces]))
    by_height = sorted(faces, key=lambda face: face.box[1] + face.box[3])
    ordered: list[FacePlace] = []
    while by_height:
        level = by_height[0].box[1] + by_height[0].box[3]
        line = [f for f in by_height if f.box[1] + f.box[3] - level < 1.2 * row]
        ordered += sorted(line, key=lambda face: face.box[0])
        by_height = by_height[len(line) :]
    return [replace(face, part=f"head_{i + 1}") for i, face in enumerate(ordered)]
