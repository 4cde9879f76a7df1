"""Relief made readable: against shapes whose height and light are known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision import relief


def coded(linear):
    """Linear 0–1 to a gray sRGB picture."""
    linear = np.clip(linear, 0, 1)
    code = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.repeat((code * 255 + 0.5).astype(np.uint8)[..., None], 3, axis=2)


def direction(azimuth_deg, elevation_deg):
    a, e = np.radians([azimuth_deg, elevation_deg])
    return np.array([np.cos(a) * np.cos(e), np.sin(a) * np.cos(e), np.sin(e)])


def lit(height, light, albedo=0.7):
    gy, gx = np.gradient(height)
    normal = np.stack([-gx, -gy, np.ones_like(gx)], -1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    return albedo * np.clip(normal @ light, 0, None)


def bars(shape=(160, 220), depth=1.5):
    """Some strokes as raised relief with soft edges."""
    mask = np.zeros(shape, np.float32)
    for x in (60, 95, 130):
        cv2.rectangle(mask, (x, 50), (x + 9, 110), 1, -1)
    cv2.rectangle(mask, (60, 76), (139, 84), 1, -1)
    return depth * cv2.GaussianBlur(mask, (0, 0), 1.5)


def agreement(a, b):
    return float(np.corrcoef(a.ravel(), b.ravel())[0, 1])


@pytest.fixture(scope="module")
def sphere():
    """Analytic normals of a sphere seen along z, and its mask."""
    yy, xx = np.mgrid[-1:1:201j, -1:1:201j] * 1.05
    inside = xx**2 + yy**2 < 0.9
    z = np.sqrt(np.maximum(1 - xx**2 - yy**2, 0))
    return np.stack([xx, yy, z], -1), inside


class TestPhotometricStereo:
    """Woodham (1980), 10.1117/12.7972479: I = albedo * (L n) solved by least squares."""

    LIGHTS = np.array([direction(a, e) for a, e in ((0, 60), (90, 60), (180, 60), (270, 60), (45, 80))])

    def test_sphere_gives_back_its_normals_and_albedo(self, sphere):
        normals, inside = sphere
        stack = np.stack([0.6 * np.clip(normals @ light, 0, None) for light in self.LIGHTS])
        found, albedo = relief.photometric_stereo(stack, self.LIGHTS)
        fully_lit = inside & (stack > 0).all(axis=0)
        error = np.degrees(np.arccos(np.clip((found * normals).sum(-1), -1, 1)))
        assert error[fully_lit].max() < 1e-4
        assert np.abs(albedo[fully_lit] - 0.6).max() < 1e-9

    def test_attached_shadows_are_left_out(self, sphere):
        normals, inside = sphere
        stack = np.stack([np.clip(normals @ light, 0, None) for light in self.LIGHTS])
        found, _ = relief.photometric_stereo(stack, self.LIGHTS)
        enough = inside & ((stack > 0).sum(axis=0) >= 3) & np.isfinite(found).all(-1)
        assert (inside & ~(stack > 0).all(axis=0)).sum() > 100
        error = np.degrees(np.arccos(np.clip((found * normals).sum(-1), -1, 1)))
        assert error[enough].max() < 1e-3

    def test_dark_everywhere_is_nan_not_a_normal(self):
        found, albedo = relief.photometric_stereo(np.zeros((5, 4, 4)), self.LIGHTS)
        assert np.isnan(found).all()
        assert np.isnan(albedo).all()

    def test_lights_in_one_plane_are_refused(self):
        flat = np.array([[1, 0, 1], [-1, 0, 1], [0.5, 0, 1.0]])
        with pytest.raises(ValueError, match="plane"):
            relief.photometric_stereo(np.ones((3, 4, 4)), flat)


def test_slopes_integrate_back_to_a_sphere_cap():
    yy, xx = np.mgrid[-60:61, -80:81].astype(float)
    height = np.sqrt(200.0**2 - xx**2 - yy**2)
    gy, gx = np.gradient(height)
    found = relief.height_from_slopes(gx, gy)
    assert np.abs(found - (height - height.mean())).max() < 0.02 * np.ptp(height)


def test_unknown_lights_give_the_height_up_to_scale_and_sign():
    height = bars()
    pictures = [coded(lit(height, direction(a, 35))) for a in (10, 100, 190, 280)]
    fused = relief.fuse(pictures, radius=20)
    assert fused.used == (0, 1, 2, 3)
    assert abs(agreement(fused.height, relief.high_pass(height.astype(np.float32), 20))) > 0.9
    assert fused.residual < 0.25


def test_fusing_beats_one_photo():
    rng = np.random.default_rng(3)
    height = bars(depth=0.6)
    truth = relief.high_pass(height.astype(np.float32), 20)
    stack = [lit(height, direction(a, 35)) + rng.normal(0, 0.006, height.shape) for a in (20, 110, 200, 290)]
    pictures = [coded(s) for s in stack]
    one = abs(agreement(relief.fuse(pictures[:1], radius=20).height, truth))
    four = abs(agreement(relief.fuse(pictures, radius=20).height, truth))
    assert four > one + 0.05


def test_moved_camera_is_registered():
    height = bars()
    pictures = [coded(lit(height, direction(a, 35))) for a in (10, 100, 190)]
    shift = np.float32([[1, 0, 5.0], [0, 1, -3.0]])
    moved = cv2.warpAffine(pictures[1], shift, pictures[1].shape[1::-1], borderMode=cv2.BORDER_REFLECT)
    fused = relief.fuse([pictures[0], moved, pictures[2]], radius=20)
    assert fused.used == (0, 1, 2)
    assert abs(fused.shifts_px[1] - np.hypot(5, 3)) < 1.0


def test_picture_of_something_else_is_left_out():
    rng = np.random.default_rng(5)
    height = bars()
    other = coded(0.4 + 0.2 * cv2.GaussianBlur(rng.normal(size=height.shape), (0, 0), 3))
    pictures = [coded(lit(height, direction(a, 35))) for a in (10, 100)]
    assert relief.fuse([*pictures, other], radius=20).used == (0, 1)


def test_integration_along_the_light_gives_back_strokes():
    height = bars()
    truth = relief.high_pass(height.astype(np.float32), 20)
    shading = relief.flatten(coded(lit(height, direction(30, 35))), 20)
    right = abs(agreement(relief.integrate(shading, 30, 20), truth))
    wrong = abs(agreement(relief.integrate(shading, 120, 20), truth))
    assert right > 0.6
    assert right > wrong + 0.2


def test_opposite_directions_differ_in_sign_only():
    shading = relief.flatten(coded(lit(bars(), direction(30, 35))), 20)
    assert np.allclose(relief.integrate(shading, 30, 20), -relief.integrate(shading, 210, 20), atol=1e-4)


def test_flattening_forgets_exposure_and_fall_off():
    height = bars()
    base = lit(height, direction(30, 35))
    ramp = np.linspace(0.5, 1.0, height.shape[1])[None]
    a = relief.flatten(coded(base), 20)
    b = relief.flatten(coded(0.6 * base * ramp), 20)
    middle = (slice(30, -30), slice(30, -30))
    assert agreement(a[middle], b[middle]) > 0.97


def test_even_picture_is_even_gray_in_every_view():
    even = np.full((90, 120, 3), 128, np.uint8)
    for view in relief.hypotheses(even, 20).values():
        assert view.shape == even.shape
        assert np.ptp(view.astype(int)) <= 1


def test_nothing_to_fuse_is_an_error():
    with pytest.raises(ValueError, match="at least one"):
        relief.fuse([])
