"""What a photo shows, and where: all locators are run from here, and a person's regions override them.

How a dealer would be misled: a photo of a person, a coin or a circuit board read as a doll (every view
needs evidence of its own; without any the view is ``other``), and a view guessed from too little that sends
the wrong measurements to the wrong place (the probabilities are kept, measurements can refuse).
"""

from __future__ import annotations

import importlib
import importlib.util
import logging
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.color import srgb_to_lab
from vision.face_view import face_frame
from vision.locate import blobs, view_opinion
from vision.locate.places import FacePlace, LinePlace, MarkPlace, Places, SolePlace, ViewPlace
from vision.locate.view_opinion import Opinion
from vision.photo import Photo
from vision.traits import Polygon, Region, View

log = logging.getLogger(__name__)

MAX_FACES = 80

#: Region names a person may give, and the view each implies.
REGION_VIEWS: Mapping[str, View] = {
    "left_eye": View.FACE,
    "right_eye": View.FACE,
    "lips": View.FACE,
    "skin": View.FACE,
    "left_ear": View.FACE,
    "right_ear": View.FACE,
    "left_sole": View.SOLES,
    "right_sole": View.SOLES,
    "left_hole": View.SOLES,
    "right_hole": View.SOLES,
    "covered": View.BODY,
    "exposed": View.BODY,
    "mark": View.MARK,
}
_FACE_KEYS = ("left_eye", "right_eye", "lips", "left_ear", "right_ear")
_FEET = {"left": "left_foot", "right": "right_foot"}
#: How much longer a sole is than a hole in it, where a person shows the hole alone.
_SOLE_OVER_HOLE = 4.0
#: A locator runs when its view is at least this likely.
_WORTH_A_LOOK = 0.12
_NO_FACE_MODEL = (
    "The face model is not installed, so most faces and bodies are not found: install rakelight with uv as "
    "the README says."
)
_NO_DOLLS_FACE = (
    "A face was found, but nothing shows that it is a painted doll's: if it is one, send a closer, sharper "
    "photo of it."
)
#: How far letters on what has not the color of vinyl speak for a mark.
_OFF_VINYL = 0.3
#: A face this wide, as a share of the short side, leaves no room for a torso worth looking for.
_LARGE_FACE = 0.42
#: From this confidence on a face, or a doll's, is spoken of.
_FACE_FOUND = 0.5
#: A face narrower than this may be a body's.
_SMALL_FACE = 0.16
#: Side of the square that holds a small head and what a body below it would show, in widths of its face, and
#: how far below the middle of the face its own lies.
_AROUND, _AROUND_BELOW = 7.0, 2.2
#: Views in words.
_SHOWN = {
    View.FACE: "a face",
    View.HEAD_BACK: "the back of a head",
    View.BODY: "a body",
    View.MARK: "a mark",
    View.CROWD: "several dolls",
}


@dataclass(frozen=True, slots=True)
class Evidence:
    """What speaks for one view or another.

    Attributes
    ----------
    heads
        Faces found.
    doll
        Probability that the largest of them are painted dolls' (0 without faces).
    face_share
        Width of the largest face over the picture's short side.
    face_trust
        Confidence of the largest face.
    soles
        Probability that the best sole or pair is one.
    bare
        Share of the picture that the largest smooth vinyl-like region takes.
    mark
        Confidence of the best place of a mark.
    hair
        Share of the picture in the largest region of fine, locally parallel texture.
    torso
        Probability that a torso is seen (:mod:`vision.locate.pose`); not looked for behind a large face.
        Like ``soles``, ``bare``, ``mark`` and ``hair`` it is 0 where the network is sure of another view.
    opinion
        What the parts network says, None without it. Where a doll's face is small in a photo that the network
        is not sure of, of the part of the photo around it.
    head_alone
        Probability that such a face is a head's without a body; 0 for others.
    """

    heads: int = 0
    doll: float = 0.0
    face_share: float = 0.0
    face_trust: float = 0.0
    soles: float = 0.0
    bare: float = 0.0
    mark: float = 0.0
    hair: float = 0.0
    torso: float = 0.0
    opinion: Opinion | None = None
    head_alone: float = 0.0


def find_places(
    photo: Photo, *, view: View | None = None, regions: Mapping[str, Region] | None = None
) -> Places:
    """Recognize the view of a photo and locate all that measurements need in it.

    Parameters
    ----------
    photo
        Upright, sRGB.
    view
        The view as a person states it; it is then taken as certain.
    regions
        A person's regions by name (keys of :data:`REGION_VIEWS`); they replace what locators find and,
        unless ``view`` is given, imply the view.

    Returns
    -------
    Places
        Locators that are missing or fail leave their part empty and a sentence in ``notes``.

    Raises
    ------
    ValueError
        For a region name that is not known.
    """
    given = dict(regions or {})
    unknown = sorted(set(given) - set(REGION_VIEWS))
    if unknown:
        raise ValueError(f"unknown region {unknown[0]!r}; known are {', '.join(REGION_VIEWS)}")
    notes: list[str] = []
    stated = view if view is not None else _implied(given)
    if stated is not None:
        told = ViewPlace(stated, 1.0, {str(stated): 1.0})
        places = _locate(photo, told, {stated}, notes)
        if places.soles and View.SOLES not in {REGION_VIEWS[name] for name in given}:
            places = replace(places, soles=_told_soles(photo, places.soles, notes))
        return replace(_override(places, given), notes=tuple(notes))
    if importlib.util.find_spec("mediapipe") is None:
        notes.append(_NO_FACE_MODEL)
    opinion = view_opinion.ask(photo)
    sure = view_opinion.sure_of(opinion)
    # Faces are looked for all the same: a person's face tells that a sure network errs.
    faces = _run(photo, "face", lambda m: m.find_faces(photo, max_faces=MAX_FACES), notes) or []
    soles: list[SolePlace] = []
    if sure in (None, View.SOLES) and not _fills_the_picture(photo, faces):
        soles = _run(photo, "soles", lambda m: m.find_soles(photo), notes) or []
    evidence = gather(photo, faces, soles, opinion)
    marks: list[MarkPlace] | None = None
    if not faces and sure in (None, View.MARK, View.HEAD_BACK):
        marks = _run(photo, "mark", lambda m: m.find_marks(photo), notes) or []
        trusts = (m.confidence if on_vinyl(photo, m) else _OFF_VINYL * m.confidence for m in marks)
        evidence = replace(evidence, mark=max(trusts, default=0.0))
    seen = recognize(evidence)
    if seen.state is View.OTHER and evidence.face_trust > _FACE_FOUND:
        notes.append(_NO_DOLLS_FACE)
    likely = {View(k) for k, p in seen.candidates.items() if p >= _WORTH_A_LOOK}
    return replace(
        _locate(photo, seen, likely, notes, faces=faces, soles=soles, marks=marks), notes=tuple(notes)
    )


def _told_soles(photo: Photo, found: Sequence[SolePlace], notes: list[str]) -> tuple[SolePlace, ...]:
    """Return soles in a photo of which a person says that it shows soles; none where it surely shows another
    view: an iris with its white is much like a lined hole."""
    shown = view_opinion.sure_of(view_opinion.ask(photo))
    if shown is None:
        faces = _run(photo, "face", lambda m: m.find_faces(photo, max_faces=MAX_FACES), notes) or []
        shown = View.FACE if _fills_the_picture(photo, faces) else View.SOLES
    if shown is not View.SOLES:
        notes.append(
            f"Said to show soles, but shows {_SHOWN[shown]}. Outline a sole to have it read all the same."
        )
        return ()
    return tuple(_told_sole(s) for s in found)


def _told_sole(sole: SolePlace) -> SolePlace:
    """Return a sole in a photo of which a person says that it shows soles.

    What is left is the doubt whether the outline is that of a whole foot. Of renders with a weakly believed
    outline about three in four were outlined right.
    """
    return replace(sole, confidence=0.5 + 0.5 * sole.confidence, flags=(*sole.flags, "view_given"))


def _fills_the_picture(photo: Photo, faces: list[FacePlace]) -> bool:
    """Return whether a face was found for sure that leaves no room for soles: looking for them is slow."""
    return any(f.confidence > 0.7 and f.width > 0.3 * min(photo.width, photo.height) for f in faces)


def _implied(regions: Mapping[str, Region]) -> View | None:
    """Return the view that most of a person's regions imply, None without regions."""
    views = [REGION_VIEWS[name] for name in regions]
    return max(views, key=views.count) if views else None


def _run(photo: Photo, name: str, call: Callable[[Any], Any], notes: list[str], step: str = "") -> Any:
    """Run one locator; what goes wrong in it is noted, and the rest goes on."""
    key = ("locate", name, step)
    try:
        return photo.once(key, lambda: call(importlib.import_module(f"vision.locate.{name}")))
    except ImportError:
        notes.append(f"The {name} locator is not installed.")
    except Exception as error:  # a locator's fault must not cost the photo
        log.warning("the %s locator failed: %s", name, error, exc_info=True)
        notes.append(f"The {name} locator failed ({type(error).__name__}).")
    return None


def _locate(
    photo: Photo,
    seen: ViewPlace,
    views: set[View],
    notes: list[str],
    *,
    faces: list[FacePlace] | None = None,
    soles: list[SolePlace] | None = None,
    marks: list[MarkPlace] | None = None,
) -> Places:
    """Run the locators of the given views, reusing what was found already."""
    if faces is None and views & {View.FACE, View.CROWD, View.BODY}:
        faces = _run(photo, "face", lambda m: m.find_faces(photo, max_faces=MAX_FACES), notes)
    if soles is None and View.SOLES in views:
        soles = _run(photo, "soles", lambda m: m.find_soles(photo), notes)
    if soles is not None and View.SOLES in views:
        found = soles
        soles = _run(photo, "soles", lambda m: m.second_look(photo, found), notes, "again") or found
    is_body = seen.state is View.BODY
    line = _run(photo, "body", lambda m: m.find_line(photo), notes) if is_body else None
    wants_mark = bool(views & {View.MARK, View.HEAD_BACK})
    if marks is None and wants_mark:
        marks = _run(photo, "mark", lambda m: m.find_marks(photo), notes)
    kept_faces = _numbered(faces or []) if views & {View.FACE, View.CROWD, View.BODY} else ()
    return Places(
        view=seen,
        faces=kept_faces,
        soles=tuple(soles or ()) if View.SOLES in views else (),
        line=line,
        marks=tuple(marks or ()) if wants_mark else (),
    )


def _numbered(faces: list[FacePlace]) -> tuple[FacePlace, ...]:
    """Give each head of several its name."""
    if len(faces) < 2:
        return tuple(faces)
    return tuple(f if f.part else replace(f, part=f"head_{i + 1}") for i, f in enumerate(faces))


def on_vinyl(photo: Photo, mark: MarkPlace) -> bool:
    """Return whether the place of a mark has the color of bare vinyl, and not of a card, a coin or a board.

    Parameters
    ----------
    mark
        A place in pixels of ``photo``.
    """
    crop, origin = photo.crop(Region((mark.outline,)).bounds)
    # Every so many pixels: some twenty thousand say what color it is.
    step = max(1, int((crop.shape[0] * crop.shape[1] / 20_000) ** 0.5))
    inside = np.zeros(crop.shape[:2], np.uint8)
    cv2.fillPoly(inside, [(np.asarray(mark.outline) - np.asarray(origin)).astype(np.int32)], 1)
    inside, crop = inside[::step, ::step], crop[::step, ::step]
    if not inside.any():
        return False
    lab = np.median(srgb_to_lab(crop[inside == 1]), axis=0)
    return blobs.vinyl_likeness([float(v) for v in lab]) > 0.5


# --- a person's regions -----------------------------------------------------------------------------


def _override(places: Places, given: Mapping[str, Region]) -> Places:
    """Return the places with a person's regions in them."""
    if any(k in given for k in (*_FACE_KEYS, "skin")):
        places = replace(places, faces=_told_faces(places.faces, given))
    soles = [
        SolePlace(given[f"{side}_sole"].polygons[0], 1.0, part, ("given",))
        for side, part in _FEET.items()
        if f"{side}_sole" in given and given[f"{side}_sole"].polygons
    ]
    if soles:
        places = replace(places, soles=(*soles, *_others(places.soles, soles)))
    for side, part in _FEET.items():
        if f"{side}_hole" in given and given[f"{side}_hole"].polygons:
            hole = given[f"{side}_hole"].polygons[0]
            places = replace(places, soles=_with_hole(places.soles, hole, part))
    if "mark" in given and given["mark"].polygons:
        places = replace(
            places, marks=tuple(MarkPlace(p, 1.0, flags=("given",)) for p in given["mark"].polygons)
        )
    if "covered" in given or "exposed" in given:
        found = places.line
        empty = Region(())
        covered = given.get("covered", found.covered if found else empty)
        exposed = given.get("exposed", found.exposed if found else empty)
        places = replace(places, line=LinePlace(covered, exposed, confidence=1.0, flags=("given",)))
    return places


def _others(found: tuple[SolePlace, ...], given: list[SolePlace]) -> list[SolePlace]:
    """Return the soles that were found beside those a person outlined: other feet at other places."""
    parts = {sole.part for sole in given}
    outlines = [np.asarray(sole.outline, np.float32) for sole in given]
    return [
        sole
        for sole in found
        if sole.part not in parts
        and all(cv2.pointPolygonTest(o, _middle(sole.outline), False) < 0 for o in outlines)
    ]


def _middle(polygon: Polygon) -> tuple[float, float]:
    x, y = np.mean(np.asarray(polygon, float), axis=0)
    return float(x), float(y)


def _with_hole(soles: tuple[SolePlace, ...], hole: Polygon, part: str) -> tuple[SolePlace, ...]:
    """Return the soles with a hole in the one of that part, or in a sole as large as the hole lets expect."""
    if any(sole.part == part for sole in soles):
        return tuple(replace(s, hole=hole, confidence=1.0) if s.part == part else s for s in soles)
    points = np.asarray(hole, float)
    center = (points.min(0) + points.max(0)) / 2
    reach = _SOLE_OVER_HOLE * float(np.linalg.norm(points - center, axis=1).max())
    turns = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    outline = center + reach * np.stack([np.cos(turns), np.sin(turns)], axis=1)
    around = tuple((float(x), float(y)) for x, y in outline)
    return (*soles, SolePlace(around, 1.0, part, ("given",), hole))


def _told_faces(faces: tuple[FacePlace, ...], given: Mapping[str, Region]) -> tuple[FacePlace, ...]:
    """Return the one face a person pointed at: the located one that holds the regions, or a new one."""
    told = {k: given[k].polygons[0] for k in _FACE_KEYS if k in given and given[k].polygons}
    skin = given["skin"].polygons if "skin" in given else ()
    points = np.array([p for polygon in (*told.values(), *skin) for p in polygon], float)
    if len(points) == 0:
        return faces
    center = (points.min(0) + points.max(0)) / 2
    base = min(faces, key=lambda f: _distance(f, center), default=None)
    if base is None or _distance(base, center) > base.width:
        base = _face_around(points)
    changes: dict[str, Any] = dict(told)
    if skin:
        changes["skin"] = skin
    if "lips" in told:
        changes["inner_lips"] = ()
    return (replace(base, **changes, confidence=1.0, flags=(*base.flags, "given")),)


def _distance(face: FacePlace, point: NDArray[np.float64]) -> float:
    x0, y0, x1, y1 = face.box
    return math.hypot((x0 + x1) / 2 - point[0], (y0 + y1) / 2 - point[1])


def _face_around(points: NDArray[np.float64]) -> FacePlace:
    """Return a face without parts whose box surrounds the given points."""
    low, high = points.min(0), points.max(0)
    margin = 0.4 * float((high - low).max())
    box = (float(low[0] - margin), float(low[1] - margin), float(high[0] + margin), float(high[1] + margin))
    nothing: Polygon = ()
    return FacePlace(box, 1.0, left_eye=nothing, right_eye=nothing, lips=nothing, method="given")


# --- recognition ------------------------------------------------------------------------------------


def gather(photo: Photo, faces: list[FacePlace], soles: list[SolePlace], opinion: Opinion | None) -> Evidence:
    """Collect the evidence for each view from what was located and from the picture as a whole.

    Where the network is sure of a view, only what speaks for that one is looked for.
    """
    sure = view_opinion.sure_of(opinion)
    largest = max(faces, key=lambda f: f.width, default=None)
    found = Evidence(
        heads=len(faces),
        doll=_doll_likeness(photo, faces),
        face_share=largest.width / min(photo.width, photo.height) if largest else 0.0,
        face_trust=largest.confidence if largest else 0.0,
        soles=max((s.confidence for s in soles), default=0.0),
        opinion=opinion,
    )
    few = found.heads < 3 and found.face_trust * found.doll > _FACE_FOUND
    if sure is None and largest is not None and few and found.face_share < _SMALL_FACE:
        near = view_opinion.ask(_around(photo, largest))
        if near is not None:
            found = replace(found, opinion=near, head_alone=near.answers.get(str(View.FACE), 0.0))
    if sure in (None, View.BODY):
        if found.face_share < _LARGE_FACE and found.heads < 4:
            found = replace(found, torso=_torso(photo))
        bare = _largest_bare(photo)
        found = replace(found, bare=bare.area if bare else 0.0)
    if sure in (None, View.HEAD_BACK):
        found = replace(found, hair=_hair_share(photo))
    return found


def _around(photo: Photo, face: FacePlace) -> Photo:
    """Return the part of a photo that holds a head and what a body below it would show.

    The network sees a photo at 288 px: a head that takes little of it is a few dots, and nothing then tells
    it from a body's.
    """
    (x, y), width, _ = face_frame(face)
    below, turn = _AROUND_BELOW * width, math.radians(face.roll_deg)
    middle = (x - below * math.sin(turn), y + below * math.cos(turn))
    half = _AROUND * width / 2
    crop, _ = photo.crop((middle[0] - half, middle[1] - half, middle[0] + half, middle[1] + half))
    return Photo.from_array(crop)


def _doll_likeness(photo: Photo, faces: list[FacePlace]) -> float:
    """Return the mean probability that the (at most two) largest faces are painted dolls'."""
    if not faces:
        return 0.0
    largest = sorted(faces, key=lambda f: -f.width)[:2]
    try:
        reader = importlib.import_module("vision.face_reading")
        return float(np.mean([reader.read_face(photo, f).likeness.probability for f in largest]))
    except Exception as error:  # without the reader a face is a face
        log.warning("doll likeness is not known: %s", error)
        return 0.7


def _torso(photo: Photo) -> float:
    """Return the probability that a torso is seen; 0 without the model."""
    try:
        torso = importlib.import_module("vision.locate.pose").find_torso(photo)
    except Exception as error:  # a model that fails finds no torso
        log.warning("the body pose model failed: %s", error)
        return 0.0
    return 0.0 if torso is None else float(torso.confidence)


def _largest_bare(photo: Photo) -> blobs.Blob | None:
    """Return the largest smooth region that may be vinyl."""
    _, regions = blobs.regions_of(photo)
    smooth = [b for b in regions if b.area >= 0.02 and blobs.vinyl_likeness(b.lab) > 0.5 and b.texture < 0.6]
    return max(smooth, key=lambda b: b.area * blobs.vinyl_likeness(b.lab), default=None)


def _hair_share(photo: Photo) -> float:
    """Return the share of the picture in its largest region of fine parallel texture."""
    small, _ = photo.small
    k = min(1.0, 512 / max(small.shape[:2]))
    grey = cv2.cvtColor(cv2.resize(small, None, fx=k, fy=k, interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY)
    grey = np.sqrt(grey.astype(np.float32))
    fine = grey - cv2.GaussianBlur(grey, (0, 0), 3)
    gx, gy = cv2.Scharr(fine, cv2.CV_32F, 1, 0), cv2.Scharr(fine, cv2.CV_32F, 0, 1)
    xx, yy, xy = (cv2.GaussianBlur(v, (0, 0), 6) for v in (gx * gx, gy * gy, gx * gy))
    energy = xx + yy
    coherence = np.hypot(xx - yy, 2 * xy) / (energy + 1e-6)
    strong = (coherence > 0.45) & (np.sqrt(energy) / 32 > 0.12)
    n, _, stats, _ = cv2.connectedComponentsWithStats(strong.astype(np.uint8))
    return float(stats[1:, cv2.CC_STAT_AREA].max() / strong.size) if n > 1 else 0.0


def recognize(e: Evidence) -> ViewPlace:
    """Weigh the evidence.

    Each view's score is a sum of what speaks for it, like log-odds, turned into probabilities by a
    softmax; ``other`` is what remains when nothing does. The parts network's word is added to it
    (:mod:`vision.locate.view_opinion`). None is ever quite certain: a photo unlike all seen before is always
    possible.
    """
    scores = view_opinion.weigh(_scores(e), _NOTHING, e.opinion)
    highest = max(scores.values())
    weights = {v: math.exp(s - highest) for v, s in scores.items()}
    total = sum(weights.values())
    candidates = {str(v): 0.96 * w / total + 0.04 / len(weights) for v, w in weights.items()}
    best = max(candidates, key=lambda k: candidates[k])
    return ViewPlace(View(best), candidates[best], dict(sorted(candidates.items(), key=lambda i: -i[1])))


def _doll_face(e: Evidence) -> float:
    """Return 0–1: how far a doll's face is seen that a photo was taken of: of some size, or a head alone."""
    return e.face_trust * e.doll * max(min(1.0, e.face_share / 0.22), e.head_alone)


def _face_of_body(e: Evidence) -> float:
    """Return below which share of the short side a face may be a body's: more where one surely is seen."""
    return _LARGE_FACE if view_opinion.sure_of(e.opinion) is View.BODY else _SMALL_FACE


def _scores(e: Evidence) -> dict[View, float]:
    """Score the views: from faces, a torso, soles with holes in them, letters in relief, hair.

    Soles without any hole and the back of a head show little that is theirs alone and mostly stay ``other``.
    """
    face = e.face_trust * e.doll
    # A torso below a face that is no doll's is a person's.
    person = e.face_trust * max(0.0, 0.5 - e.doll) / 0.5
    torso = max(0.0, e.torso - 0.3) / 0.7 * (1 - person)
    small = (e.face_share < _face_of_body(e)) * (1 - e.head_alone)
    return {
        View.FACE: -2.0 + 5.5 * _doll_face(e) - 2.5 * max(0, e.heads - 3) - 3.5 * torso,
        View.CROWD: -4.0 + 1.6 * min(e.heads, 6) * min(1.0, 1.4 * e.doll),
        # Of other things none reached 0.85, soles with holes mostly do: there the evidence rises faster.
        View.SOLES: -3.0
        + 7.0 * max(0.0, e.soles - 0.25)
        + 12.0 * max(0.0, e.soles - 0.8)
        - 4.0 * face
        - 2.0 * torso,
        View.BODY: -1.8
        + 4.0 * face * small * (e.heads < 3)
        - 4.0 * face * (1 - small) * (1 - torso)
        + 2.0 * min(0.4, e.bare)
        + 4.5 * torso,
        View.MARK: -2.5 + 4.5 * max(0.0, e.mark - 0.1) - 3.0 * max(0.0, e.soles - 0.4) - 4.0 * (e.heads > 0),
        View.HEAD_BACK: -3.0 + 4.0 * min(0.4, e.hair) - 4.0 * (e.heads > 0) - 2.0 * e.soles,
        View.OTHER: 0.6 + 2.0 * person,
    }


#: The scores where nothing whatever was found.
_NOTHING = _scores(Evidence())
