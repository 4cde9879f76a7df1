"""Faces and lips against outside judges: a real photo that a package carries, and general segmentation."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from tests.bench.reach import ROOT, truth_path
from vision import lips
from vision.color import srgb_to_lab
from vision.face_reading import read_face
from vision.face_view import grown
from vision.locate import face_model
from vision.locate.face import find_faces
from vision.photo import Photo, load

pytestmark = pytest.mark.skipif(face_model.load() is None, reason="the face model is not installed")


def overlap(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.count_nonzero(a & b) / np.count_nonzero(a | b))


def filled(points: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(points).astype(np.int32)], 1)
    return mask.astype(bool)


def test_lips_of_a_real_face_lie_where_a_random_walker_finds_them() -> None:
    """The walker sees color only, and is told the heart of the lips, the mouth and a far ring of skin."""
    data = pytest.importorskip("skimage.data")
    segmentation = pytest.importorskip("skimage.segmentation")
    rgb = np.ascontiguousarray(data.astronaut())
    (face,) = find_faces(Photo.from_array(rgb))
    x0, y0, x1, y1 = 190, 125, 260, 170
    big = cv2.resize(rgb[y0:y1, x0:x1], None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)
    model = filled((np.asarray(face.lips) - [x0, y0]) * 4, big.shape[:2])
    mouth = filled((np.asarray(face.inner_lips) - [x0, y0]) * 4, big.shape[:2])
    seeds = np.zeros(model.shape, int)
    seeds[~grown(model, 20)] = 1
    seeds[grown(model & ~grown(mouth, 3), -4)] = 2
    seeds[grown(mouth, -4)] = 3  # she smiles: teeth are no lip, but lie within its outline
    lab = cv2.GaussianBlur(srgb_to_lab(big).astype(np.float32), (0, 0), 2)
    found = segmentation.random_walker(lab, seeds, beta=300, tol=1e-4, channel_axis=-1) > 1
    assert overlap(found, model) > 0.7
    assert np.count_nonzero(found) / np.count_nonzero(model) == pytest.approx(1, abs=0.3)


@pytest.mark.parametrize("name", ["photos/face_05.jpg", "photos/face_11.jpg"])
def test_lip_coverage_agrees_with_grabcut_seeded_with_truth(name: str) -> None:
    """GrabCut knows nothing of lips: it parts colors, told where paint and bare vinyl are for sure."""
    photo = load((ROOT / name).read_bytes(), name)
    truth = json.loads(truth_path(ROOT, name).read_text(encoding="utf-8"))
    mask_file = truth_path(ROOT, name).with_suffix(".mask.png")
    if not mask_file.exists():
        pytest.skip("the truth masks are not in this copy")
    face = max(find_faces(photo), key=lambda f: f.width)
    found = lips.find_paint(read_face(photo, face))
    assert found is not None
    view = read_face(photo, face).view
    paint = _warped(_named(mask_file, truth, "lip_paint"), view.to_view, found.paint.shape)
    molded = paint | _warped(_named(mask_file, truth, "lip_molded"), view.to_view, found.paint.shape)
    seeds = np.full(paint.shape, cv2.GC_BGD, np.uint8)
    seeds[grown(molded, 12)] = cv2.GC_PR_BGD
    seeds[grown(paint, -4)] = cv2.GC_FGD
    ys, xs = np.nonzero(seeds != cv2.GC_BGD)
    box = (slice(max(0, ys.min() - 30), ys.max() + 30), slice(max(0, xs.min() - 30), xs.max() + 30))
    part, marks = np.ascontiguousarray(view.rgb[box]), np.ascontiguousarray(seeds[box])
    cv2.setRNGSeed(1)
    cv2.grabCut(part, marks, None, np.zeros((1, 65)), np.zeros((1, 65)), 4, cv2.GC_INIT_WITH_MASK)
    cut = (marks == cv2.GC_FGD) | (marks == cv2.GC_PR_FGD)
    assert overlap(cut, found.paint[box]) > 0.75
    theirs = np.count_nonzero(cut & molded[box]) / np.count_nonzero(molded)
    ours = np.count_nonzero(found.paint & molded) / np.count_nonzero(molded)
    assert ours == pytest.approx(theirs, abs=0.12)


def _named(mask_file: Path, truth: dict[str, Any], name: str) -> np.ndarray:
    from PIL import Image

    number = {n: int(k) for k, n in truth["mask_classes"].items()}[name]
    with Image.open(mask_file) as image:
        return np.asarray(image) == number


def _warped(mask: np.ndarray, matrix: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    size = (shape[1], shape[0])
    return cv2.warpAffine(mask.astype(np.float32), matrix, size, flags=cv2.INTER_LINEAR) > 0.5
