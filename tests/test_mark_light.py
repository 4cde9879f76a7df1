"""Relief under random light: the optics are right, and networks train on what they see at run time."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vision import mark_reader

torch = pytest.importorskip("torch", reason="training only; torch is not needed to use the tool")
from sample_images import mark_light as light  # noqa: E402

N = light.GROUPS


def bumps(size=(48, 200), seed=0):
    """Smooth signals, (1, 1, H, W), as shading has them."""
    torch.manual_seed(seed)
    return light.rough(1, size, 6, torch.device("cpu")) * 0.3 + 0.01 * torch.arange(size[1])


def test_training_input_equals_what_the_reader_takes():
    signal = bumps()
    for is_height in (False, True):
        flag = torch.full((1, 1, 1, 1), float(is_height))
        ours = light.strip_input(signal, flag)[0, 0].numpy()
        theirs, _ = mark_reader.evened(signal[0, 0].numpy().astype(np.float32), is_height)
        assert np.abs(ours - theirs).max() < 0.05


def test_shading_equals_that_of_the_reader():
    codes = np.repeat(np.arange(256, dtype=np.uint8).reshape(16, 16)[..., None], 3, axis=2)
    ours = light.shading_of(torch.from_numpy(codes[None, None, :, :, 0] / 255.0))[0, 0].numpy()
    assert np.abs(ours - mark_reader.shading(codes)).max() < 1e-4


@pytest.mark.parametrize("sigma", [1.0, 3.0])
def test_blur_spreads_a_point_by_its_sigma_and_keeps_even_fields(sigma):
    point = torch.zeros(1, 1, 65, 65)
    point[0, 0, 32, 32] = 1
    out = light.blur(point, sigma)[0, 0]
    at = torch.arange(65.0) - 32
    assert float(out.sum()) == pytest.approx(1, abs=1e-4)
    assert float((out.sum(0) * at**2).sum()) == pytest.approx(sigma**2, rel=0.02)
    assert torch.allclose(light.blur(torch.ones(2, 1, 9, 20), sigma), torch.ones(2, 1, 9, 20))


def test_shadows_fall_away_from_the_light_as_far_as_the_ray_says():
    height = torch.zeros(1, 1, 20, 120)
    height[..., 60:] = 8.0  # a step up to the right
    cap, rise = torch.tensor([40.0]), 0.5

    def shade(x):
        up = math.atan(rise)
        toward = (torch.tensor(x * math.cos(up)).view(1, 1, 1, 1), torch.zeros(1, 1, 1, 1))
        return light.shadowed(height, (*toward, torch.full((1, 1, 1, 1), math.sin(up))), cap)[0, 0, 10]

    from_right, from_left = shade(1.0), shade(-1.0)
    assert from_right[52:59].min() > 0.9  # the foot of the step, nearer than 8 / 0.5 = 16 px
    assert from_right[:40].max() == 0 and from_right[62:100].max() == 0
    assert from_left.max() == 0


def test_slopes_of_a_plane():
    yy, xx = torch.meshgrid(torch.arange(12.0), torch.arange(15.0), indexing="ij")
    gx, gy = light.slopes((0.3 * xx - 0.7 * yy)[None, None])
    assert torch.allclose(gx[..., 1:-1, 1:-1], torch.tensor(0.3), atol=1e-5)
    assert torch.allclose(gy[..., 1:-1, 1:-1], torch.tensor(-0.7), atol=1e-5)


def test_compression_keeps_the_picture_and_loses_only_detail():
    torch.manual_seed(2)
    even = torch.full((4, 1, 24, 40), 0.4)
    assert (light.compressed(even) - even).abs().max() < 0.07  # the coarsest step of the mean is 4/255 × 8
    smooth = light.blur(torch.rand(4, 1, 24, 40), 4.0)
    assert (light.compressed(smooth) - smooth).abs().mean() < 0.05


def test_letters_show_as_light_and_shadow_and_the_same_dice_give_the_same_picture():
    mask = torch.zeros(N, 1, 72, 160)
    mask[:, :, 20:52, 40:44] = mask[:, :, 20:52, 90:94] = 1
    cap = torch.full((N,), 32.0)

    def picture(letters):
        torch.manual_seed(4)
        lit, elevation = light.lit(letters, cap, 0.0)
        assert float(elevation.min()) >= 6 and float(elevation.max()) <= 88
        return light.photographed(lit, (48, 107), cap)

    first = picture(mask)
    assert first.shape == (N, 1, 48, 107)
    assert bool(torch.isfinite(first).all()) and float(first.min()) >= 0 and float(first.max()) <= 1
    assert torch.equal(first, picture(mask))
    change = (first - picture(torch.zeros_like(mask))).abs()[:, 0, 14:34]
    near = torch.cat([change[..., 24:33], change[..., 57:66]], 2).mean()
    assert float(near) > 2 * float(change[..., 80:].mean())


def test_measured_heights_show_the_letters_with_either_sign():
    torch.manual_seed(6)
    mask = torch.zeros(4 * N, 1, 72, 160)
    mask[:, :, 20:52, 60:72] = 1
    heights = light.measured(mask, torch.full((N,), 32.0), (72, 160))[:, 0]
    lead = heights[:, 25:47, 62:70].mean((1, 2)) - heights[:, 25:47, 100:140].mean((1, 2))
    assert 0.2 < float((lead > 0).float().mean()) < 0.8
