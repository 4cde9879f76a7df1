"""One shot saved twice is found; two dolls on one stand are not one."""

import cv2
import numpy as np
import pytest

from tests.drawn_face import Drawing, draw
from vision import likeness
from vision.draw import encode_jpeg
from vision.likeness import SAME, SIDE, Prints, agreement, fingerprint
from vision.photo import Photo, load


def stand(shift=0, seed=0, doll=True):
    """A doll-like thing before a striped cloth and a fixed stand, on a table."""
    chance = np.random.default_rng(seed)
    picture = np.full((600, 450, 3), 150, np.uint8)
    picture[:, ::30] = (110, 120, 140)
    cv2.rectangle(picture, (40, 480), (410, 590), (90, 60, 40), -1)
    if doll:
        x = 225 + shift
        cv2.ellipse(picture, (x, 250), (80, 110), 0, 0, 360, (205, 165, 140), -1)
        for side in (-1, 1):
            eye = (x + side * 32 + int(chance.integers(-3, 4)), 235 + int(chance.integers(-4, 5)))
            cv2.ellipse(picture, eye, (16, 9), 0, 0, 360, (240, 240, 240), -1)
            cv2.circle(picture, eye, 6, tuple(int(v) for v in chance.integers(0, 120, 3)), -1)
        cv2.ellipse(picture, (x, 310), (22, 8), 0, 0, 360, (170, 30, 40), -1)
        for _ in range(40):
            a = chance.uniform(-3.0, -0.1)
            root = np.array([x + 80 * np.cos(a), 250 + 110 * np.sin(a)])
            tip = root + chance.normal(0, 25, 2) - [0, 20]
            cv2.line(picture, root.astype(int).tolist(), tip.astype(int).tolist(), (70, 40, 20), 3)
    noise = chance.normal(0, 4, picture.shape)
    return np.clip(picture + noise, 0, 255).astype(np.uint8)


def print_of(rgb):
    return fingerprint(Photo.from_array(rgb))


def likeness_of(one, other):
    return agreement(
        *(np.frombuffer(p, np.uint8).reshape(SIDE, SIDE).astype(np.float32) for p in (one, other))
    )


def cut(rgb, share):
    height, width = (int(v * share) for v in rgb.shape[:2])
    top, left = (rgb.shape[0] - height) // 3, (rgb.shape[1] - width) // 2
    return rgb[top : top + height, left : left + width]


COPIES = {
    "saved again": lambda rgb: load(encode_jpeg(rgb, 60)).rgb,
    "reduced": lambda rgb: cv2.resize(rgb, None, fx=0.4, fy=0.4, interpolation=cv2.INTER_AREA),
    "brightened": lambda rgb: np.clip(rgb * 1.15 + 5.0, 0, 255).astype(np.uint8),
    "warmer": lambda rgb: np.clip(rgb * np.array([1.1, 1.0, 0.8]), 0, 255).astype(np.uint8),
    "shaded": lambda rgb: (rgb * np.linspace(0.7, 1.0, rgb.shape[1])[None, :, None]).astype(np.uint8),
    "cut closer": lambda rgb: cut(rgb, 0.9),
    "turned": lambda rgb: np.ascontiguousarray(np.rot90(rgb)),
    "mirrored": lambda rgb: np.ascontiguousarray(rgb[:, ::-1]),
}


@pytest.mark.parametrize("how", COPIES)
@pytest.mark.parametrize("picture", [stand(), draw(Drawing()).photo.rgb], ids=["on a stand", "a face"])
def test_one_shot_is_known_again(picture, how):
    assert Prints([print_of(picture), print_of(COPIES[how](picture))]).same_shots() == [(0, 1)]


def test_two_dolls_on_one_stand_are_two():
    prints = [print_of(stand(shift, seed)) for seed, shift in enumerate((0, 4, -9, 20, 0, 2))]
    assert Prints(prints).same_shots() == []


def test_the_stand_without_its_doll_is_another_shot():
    assert likeness_of(print_of(stand()), print_of(stand(doll=False))) < SAME


def test_even_pictures_are_like_nothing_else():
    plain = np.full((100, 100, 3), 128, np.uint8)
    assert Prints([print_of(plain), print_of(stand())]).same_shots() == []


def test_prints_of_none_or_one():
    assert Prints([]).same_shots() == []
    assert Prints([print_of(stand())]).same_shots() == []


def test_many_prints_are_compared_in_blocks():
    chance = np.random.default_rng(3)
    pictures = [cv2.resize(chance.integers(0, 255, (9, 9, 3), np.uint8), (90, 90)) for _ in range(300)]
    prints = [print_of(p) for p in (*pictures, pictures[7], pictures[290])]
    assert Prints(prints).same_shots() == [(7, 300), (290, 301)]


def test_a_print_is_small():
    assert len(print_of(stand())) == likeness.SIDE**2
