"""Decoding: the same pixels from every container, and a typed refusal for everything else."""

from __future__ import annotations

import ast
import io
import struct
import time
import tracemalloc
import weakref
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageFile, PngImagePlugin

from tests import icc
from tests.conftest import REPOSITORY
from vision.color import delta_e_2000, lab_to_linear, linear_to_srgb, srgb_to_lab, srgb_to_linear
from vision.errors import PhotoError
from vision.photo import MAX_PIXELS, Photo, linear, load

FORMATS = ("JPEG", "PNG", "WEBP", "AVIF", "TIFF", "BMP", "GIF")
LOSSLESS = ("PNG", "TIFF", "BMP")


def picture(height=48, width=64):
    """Smooth colors without symmetry, so that any turn or flip is seen."""
    y, x = np.mgrid[0:height, 0:width].astype(float)
    return np.stack(
        [40 + 160 * x / width, 60 + 120 * y / height, 200 - 90 * x * y / (width * height)], -1
    ).astype(np.uint8)


def encoded(image, kind, **options):
    image = image if isinstance(image, Image.Image) else Image.fromarray(image)
    stream = io.BytesIO()
    image.save(stream, kind, **({"quality": 95} if kind in {"JPEG", "WEBP", "AVIF"} else {}) | options)
    return stream.getvalue()


def patches():
    """24 sRGB colors inside the gamuts in use, (4, 6, 3) uint8, and the same as a picture of squares."""
    rng = np.random.default_rng(24)
    colors = rng.integers(40, 215, (4, 6, 3)).astype(np.uint8)
    colors[3] = np.linspace(30, 235, 6).astype(np.uint8)[:, None]
    return colors


def squares(colors, side=16):
    return np.kron(colors, np.ones((side, side, 1), colors.dtype))


def patch_errors(photo, colors, side=16):
    middle = photo.rgb[side // 2 :: side, side // 2 :: side]
    return delta_e_2000(srgb_to_lab(middle), srgb_to_lab(colors))


def refusal(data, name="x.jpg"):
    with pytest.raises(PhotoError) as caught:
        load(data, name)
    assert name in str(caught.value)
    assert str(caught.value).count(".") >= 1
    return caught.value.reason


# -- the same pixels from every container ---------------------------------------------------------------


@pytest.mark.parametrize("kind", FORMATS)
def test_every_format_gives_the_picture(kind):
    photo = load(encoded(picture(), kind), "a")
    assert photo.rgb.shape == (48, 64, 3)
    assert photo.rgb.dtype == np.uint8
    assert (photo.width, photo.height) == (64, 48)
    tolerance = 0 if kind in LOSSLESS else 12 if kind == "GIF" else 4
    assert np.abs(photo.rgb.astype(int) - picture()).max() <= max(tolerance, 3 * tolerance)
    assert photo.steps[0] == f"format {kind}"
    assert photo.alpha is None


def test_pixels_cannot_be_changed():
    photo = load(encoded(picture(), "PNG"))
    with pytest.raises(ValueError, match="read-only"):
        photo.rgb[0, 0] = 0
    with pytest.raises(ValueError, match="read-only"):
        load(encoded(np.zeros((1500, 1500, 3), np.uint8), "PNG")).small[0][0, 0] = 1


def test_hash_is_that_of_the_file():
    import hashlib

    data = encoded(picture(), "PNG")
    assert load(data).sha256 == hashlib.sha256(data).hexdigest()


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_orientation_is_applied_once(kind, orientation):
    upright = picture()
    # What a camera held that way would have stored; EXIF 2.3, tag 274.
    stored = {
        1: upright,
        2: upright[:, ::-1],
        3: upright[::-1, ::-1],
        4: upright[::-1],
        5: upright.transpose(1, 0, 2),
        6: np.rot90(upright, 1),
        7: upright[::-1, ::-1].transpose(1, 0, 2),
        8: np.rot90(upright, -1),
    }[orientation]
    exif = Image.Exif()
    exif[0x0112] = orientation
    options = {"lossless": True} if kind == "WEBP" else {"subsampling": 0} if kind == "JPEG" else {}
    photo = load(encoded(np.ascontiguousarray(stored), kind, exif=exif, **options))
    assert photo.rgb.shape == upright.shape
    assert np.abs(photo.rgb.astype(int) - upright).max() <= (6 if kind == "JPEG" else 0)


@pytest.mark.parametrize("value", [0, 9, 65535])
def test_a_senseless_orientation_is_ignored(value):
    exif = Image.Exif()
    exif[0x0112] = value
    photo = load(encoded(picture(), "PNG", exif=exif))
    assert np.array_equal(photo.rgb, picture())


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_sixteen_bit_grey_is_scaled_not_saturated(kind):
    values = np.linspace(0, 65535, 64 * 48).reshape(48, 64).astype(np.uint16)
    photo = load(encoded(Image.fromarray(values), kind))
    expected = np.rint(values / 257)
    assert np.abs(photo.rgb[..., 0] - expected).max() <= 1
    assert np.array_equal(photo.rgb[..., 0], photo.rgb[..., 2])
    assert "16-bit grey to 8-bit" in photo.steps


def png_rgb16(values):
    """A 16-bit RGB PNG, which Pillow cannot write, from (H, W, 3) uint16."""

    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in values)
    header = struct.pack(">IIBBBBB", values.shape[1], values.shape[0], 16, 2, 0, 0, 0)
    body = chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


def test_sixteen_bit_color_is_scaled():
    values = picture().astype(np.uint16) * 257
    photo = load(png_rgb16(values))
    assert np.abs(photo.rgb.astype(int) - picture()).max() <= 1


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "TIFF", "AVIF"])
def test_transparency_becomes_a_mask_over_white(kind):
    rgba = np.dstack([picture(), np.full((48, 64), 255, np.uint8)])
    rgba[:20, :, 3] = 0
    options = {"lossless": True, "exact": True} if kind == "WEBP" else {}
    photo = load(encoded(rgba, kind, **options))
    assert photo.alpha is not None
    assert not photo.alpha[:18].any()
    assert photo.alpha[22:].all()
    assert (photo.rgb[:18] >= 253).all()
    assert np.abs(photo.rgb[24:].astype(int) - picture()[24:]).max() <= (0 if kind != "AVIF" else 10)


def test_an_opaque_alpha_channel_is_no_transparency():
    rgba = np.dstack([picture(), np.full((48, 64), 255, np.uint8)])
    photo = load(encoded(rgba, "PNG"))
    assert photo.alpha is None
    assert np.array_equal(photo.rgb, picture())


def test_grey_with_alpha_and_palette_with_transparency():
    grey = picture()[..., 0]
    alpha = np.where(grey > 100, 255, 0).astype(np.uint8)
    photo = load(encoded(Image.merge("LA", [Image.fromarray(grey), Image.fromarray(alpha)]), "PNG"))
    assert np.array_equal(photo.alpha, alpha == 255)
    assert np.array_equal(photo.rgb[..., 1][alpha == 255], grey[alpha == 255])

    flat = Image.fromarray(picture()).quantize(16)
    data = encoded(flat, "PNG", transparency=0)
    photo = load(data)
    assert np.array_equal(photo.alpha, np.asarray(flat) != 0)


@pytest.mark.parametrize("mode", ["1", "L", "P"])
def test_other_modes_become_rgb(mode):
    source = Image.fromarray(picture()).convert(mode)
    photo = load(encoded(source, "PNG"))
    assert np.array_equal(photo.rgb, np.asarray(source.convert("RGB")))


@pytest.mark.parametrize("kind", ["GIF", "WEBP", "PNG", "TIFF"])
def test_the_first_frame_counts(kind):
    first, second = np.full((20, 30, 3), 200, np.uint8), np.full((20, 30, 3), 20, np.uint8)
    data = encoded(first, kind, save_all=True, append_images=[Image.fromarray(second)])
    photo = load(data)
    assert np.abs(photo.rgb.astype(int) - 200).max() <= 3


def test_mpo_gives_its_first_picture():
    data = encoded(picture(), "MPO", save_all=True, append_images=[Image.fromarray(picture()[::-1].copy())])
    assert np.abs(load(data).rgb.astype(int) - picture()).max() <= 8


# -- color ----------------------------------------------------------------------------------------------


def in_space(colors, colorants, gamma=None):
    """sRGB codes re-encoded for a profile of other colorants and gamma."""
    light = srgb_to_linear(colors) @ (np.linalg.inv(colorants) @ icc.SRGB_D50).T
    code = linear_to_srgb(light) if gamma is None else np.clip(light, 0, 1) ** (1 / gamma)
    return np.rint(np.clip(code, 0, 1) * 255).astype(np.uint8)


@pytest.mark.parametrize("gamma", [None, 1.8, 2.2])
@pytest.mark.parametrize("kind", ["PNG", "JPEG", "TIFF", "WEBP"])
def test_a_color_profile_is_followed(kind, gamma):
    colors = patches()
    foreign = in_space(colors, icc.DISPLAY_P3_D50, gamma)
    profile = icc.rgb_profile("Wide test space", icc.DISPLAY_P3_D50, gamma)
    options = {"subsampling": 0} if kind == "JPEG" else {"lossless": True} if kind == "WEBP" else {}
    photo = load(encoded(squares(foreign), kind, icc_profile=profile, **options))
    errors = patch_errors(photo, colors)
    assert errors.mean() <= 1
    assert errors.max() <= 3
    assert "icc Wide test space to sRGB" in photo.steps
    # And it mattered: without the profile the colors are off.
    plain = load(encoded(squares(foreign), kind, **options))
    assert patch_errors(plain, colors).mean() > 1
    assert "no color profile, sRGB assumed" in plain.steps


def test_an_srgb_profile_changes_no_pixel():
    profile = icc.rgb_profile("Standard", icc.SRGB_D50)
    photo = load(encoded(picture(), "PNG", icc_profile=profile))
    assert np.array_equal(photo.rgb, picture())
    assert "icc Standard is sRGB" in photo.steps


def test_a_grey_profile_is_followed():
    grey = np.tile(np.linspace(10, 245, 64).astype(np.uint8), (48, 1))
    photo = load(encoded(Image.fromarray(grey), "PNG", icc_profile=icc.grey_profile(1.8)))
    expected = np.rint(linear_to_srgb((grey / 255) ** 1.8) * 255)
    assert np.abs(photo.rgb[..., 1] - expected).max() <= 2


def test_an_unusable_profile_is_said():
    photo = load(encoded(picture(), "PNG", icc_profile=b"this is no profile"))
    assert np.array_equal(photo.rgb, picture())
    assert "color profile unusable, sRGB assumed" in photo.steps


def inks_to_lab(inks):
    """A simple printing model: Lab D50 of (N, 4) inks."""
    light = srgb_to_linear(1 - inks[:, :3]) * srgb_to_linear(1 - inks[:, 3:])
    xyz = light @ icc.SRGB_D50.T / np.array(icc.D50)
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1)


@pytest.mark.parametrize("kind", ["JPEG", "TIFF"])
def test_cmyk_with_a_profile_is_converted(kind):
    colors = patches()
    cmyk = np.dstack([255 - colors, np.zeros((4, 6), np.uint8)])
    image = Image.fromarray(squares(cmyk), "CMYK")
    options = {"subsampling": 0} if kind == "JPEG" else {}
    photo = load(encoded(image, kind, icc_profile=icc.cmyk_profile(inks_to_lab), **options))
    errors = patch_errors(photo, colors)
    assert errors.mean() <= 1
    assert errors.max() <= 3


@pytest.mark.parametrize("kind", ["JPEG", "TIFF"])
@pytest.mark.parametrize("profile", [None, b"broken"])
def test_cmyk_without_a_usable_profile_is_refused(kind, profile):
    image = Image.fromarray(picture()).convert("CMYK")
    options = {} if profile is None else {"icc_profile": profile}
    assert refusal(encoded(image, kind, **options)) == "no_color_profile"


def test_float_pixels_are_refused():
    image = Image.fromarray(picture()[..., 0].astype(np.float32))
    assert refusal(encoded(image, "TIFF")) == "unsupported_color"


def test_linear_png_is_not_taken_for_srgb():
    colors = patches()
    light = np.rint(srgb_to_linear(colors) * 255).astype(np.uint8)
    info = PngImagePlugin.PngInfo()
    info.add(b"gAMA", struct.pack(">I", 100000))
    errors = patch_errors(load(encoded(squares(light), "PNG", pnginfo=info)), colors)
    assert errors.mean() <= 1


def test_camera_adobe_rgb_without_profile_is_converted():
    colors = patches()
    # Adobe RGB (1998), D50-adapted colorants of its own profile.
    adobe = np.array([[0.60974, 0.20528, 0.14919], [0.31111, 0.62567, 0.06322], [0.01947, 0.06087, 0.74457]])
    foreign = in_space(colors, adobe, 563 / 256)
    exif = Image.Exif()
    exif[0x8769] = {0xA001: 0xFFFF, 0xA005: {1: "R03"}}
    data = encoded(squares(foreign), "JPEG", exif=exif, subsampling=0)
    photo = load(data)
    errors = patch_errors(photo, colors)
    assert errors.mean() <= 1
    assert errors.max() <= 3


# -- refusals -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "empty"),
        (b"hello", "not_a_photo"),
        (b"%PDF-1.7\n%\xe2\xe3", "not_a_photo"),
        (b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 10 10\n", "not_a_photo"),
        (b'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"/>', "not_a_photo"),
        (b"\xff\xd8\xff\xe0", "damaged"),
        (b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00heicmif1", "reader_missing"),
    ],
)
def test_what_is_no_photo_is_refused(data, reason):
    if reason == "reader_missing":
        try:
            import pillow_heif  # noqa: F401
        except ImportError:
            pass
        else:
            reason = "not_a_photo"
    assert refusal(data) == reason


@pytest.mark.parametrize("kind", FORMATS)
def test_no_truncated_file_is_measured(kind):
    data = encoded(np.kron(picture(), np.ones((3, 3, 1), np.uint8)), kind)
    rng = np.random.default_rng(1)
    cuts = {1, 2, 3, 4, 8, len(data) - 1, len(data) - 20, *rng.integers(1, len(data) - 1, 60).tolist()}
    for cut in sorted(cuts):
        assert refusal(data[:-cut]) in {"truncated", "damaged", "not_a_photo", "empty"}


def test_an_mpo_whose_second_picture_is_cut_off_is_refused():
    data = encoded(picture(), "MPO", save_all=True, append_images=[Image.fromarray(picture()[::-1].copy())])
    for cut in (1, 2, 40, 300):
        assert refusal(data[:-cut]) == "truncated"


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_truncation_is_called_by_its_name(kind):
    data = encoded(np.kron(picture(), np.ones((3, 3, 1), np.uint8)), kind)
    assert refusal(data[: len(data) // 2]) == "truncated"


def test_another_library_cannot_switch_strictness_off(monkeypatch):
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)
    data = encoded(picture(), "JPEG")
    assert refusal(data[: len(data) // 2]) == "truncated"


def png_header(width, height):
    rows = png_rgb16(np.zeros((1, 1, 3), np.uint16))
    header = b"IHDR" + struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return rows[:12] + header + struct.pack(">I", zlib.crc32(header)) + rows[33:]


def test_bombs_are_refused_fast_and_small():
    huge = png_header(100_000, 100_000)
    just_over = png_header(10_000, MAX_PIXELS // 10_000 + 1)
    gif = (
        b"GIF89a"
        + struct.pack("<HH", 60000, 60000)
        + b"\0\0\0"
        + b",\0\0\0\0"
        + struct.pack("<HH", 60000, 60000)
    )
    gif += b"\0\x02\x02\x4c\x01\0;"
    for data in (huge, just_over, gif):
        tracemalloc.start()
        start = time.process_time()
        assert refusal(data) == "too_large"
        took = time.process_time() - start
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert took < 0.1
        assert peak < 50e6


def test_text_bombs_are_refused_fast_and_small():
    info = PngImagePlugin.PngInfo()
    for i in range(60):
        info.add_text(f"k{i}", "a" * 900_000, zip=True)
    data = encoded(picture(), "PNG", pnginfo=info)
    assert len(data) < 200_000
    tracemalloc.start()
    start = time.process_time()
    assert refusal(data) == "damaged"
    took = time.process_time() - start
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert took < 0.1
    assert peak < 50e6


def test_a_jpeg_of_endless_scans_is_refused():
    data = encoded(picture(), "JPEG")
    assert refusal(data + b"\xff\xda" * 200) == "damaged"


# -- hostile bytes --------------------------------------------------------------------------------------

SEEDS = {kind: encoded(picture(20, 28), kind) for kind in FORMATS}
SEEDS["ICC"] = encoded(picture(20, 28), "PNG", icc_profile=icc.rgb_profile("P", icc.DISPLAY_P3_D50))
SEEDS["CMYK"] = encoded(
    Image.fromarray(picture(20, 28)).convert("CMYK"), "TIFF", icc_profile=icc.cmyk_profile(inks_to_lab, 3)
)


def _exif_jpeg():
    exif = Image.Exif()
    exif[0x0112] = 6
    exif[0x8769] = {0xA001: 0xFFFF, 0xA005: {1: "R03"}}
    return encoded(picture(20, 28), "JPEG", exif=exif)


SEEDS["EXIF"] = _exif_jpeg()


def load_or_refuse(data):
    """Whatever the bytes, there is a photo or a typed refusal, within two seconds."""
    start = time.process_time()
    try:
        photo = load(data, "mutant")
    except PhotoError as error:
        assert error.reason
        assert "mutant" in str(error)
    else:
        assert photo.rgb.ndim == 3
        assert photo.width * photo.height <= MAX_PIXELS
    assert time.process_time() - start < 2


@pytest.mark.parametrize("seed", SEEDS)
def test_mutated_files_never_break_the_loader(seed):
    rng = np.random.default_rng(len(SEEDS[seed]))
    original = np.frombuffer(SEEDS[seed], np.uint8)
    for _ in range(150):
        mutant = original.copy()
        # Headers matter most, so half of the changes fall into the first bytes.
        reach = len(mutant) if rng.random() < 0.5 else min(len(mutant), 300)
        places = rng.integers(0, reach, int(rng.integers(1, 6)))
        mutant[places] = rng.choice([0, 1, 127, 128, 255, int(rng.integers(0, 256))], len(places))
        load_or_refuse(mutant.tobytes())


@given(st.binary(max_size=400), st.sampled_from(sorted(SEEDS)), st.integers(0, 300))
@settings(max_examples=150, deadline=None)
def test_spliced_garbage_never_breaks_the_loader(garbage, seed, at):
    data = SEEDS[seed]
    load_or_refuse(data[:at] + garbage + data[at:])
    load_or_refuse(data[:at] + garbage)


# -- the photo ------------------------------------------------------------------------------------------


def test_small_keeps_means_and_says_its_scale():
    big = np.kron(picture(300, 400), np.ones((8, 8, 1), np.uint8))
    photo = Photo.from_array(big)
    small, scale = photo.small
    assert max(small.shape[:2]) == 1024
    assert abs(scale - 1024 / 3200) < 1e-9
    assert np.abs(small.mean(axis=(0, 1)) - big.mean(axis=(0, 1))).max() < 1
    tiny = Photo.from_array(picture())
    assert tiny.small[1] == 1.0
    assert np.array_equal(tiny.small[0], picture())


def test_a_sliver_still_has_a_small_view():
    small, _ = Photo.from_array(np.zeros((1, 5000, 3), np.uint8)).small
    assert small.shape == (1, 1024, 3)


def test_crop_is_cut_to_the_picture():
    photo = Photo.from_array(picture())
    crop, offset = photo.crop((-5, 10.4, 20.2, 500), margin=2)
    assert offset == (0, 8)
    assert crop.shape == (40, 23, 3)
    assert photo.crop((900, 900, 950, 950))[0].size == 0


def test_from_array_checks_its_input():
    with pytest.raises(ValueError, match="expected"):
        Photo.from_array(np.zeros((4, 4), np.uint8))
    with pytest.raises(ValueError, match="expected"):
        Photo.from_array(np.zeros((4, 4, 3), np.float32))


def test_linear_light():
    codes = np.array([[0, 128, 255]], np.uint8)
    assert linear(codes).dtype == np.float32
    assert np.allclose(linear(codes), [[0, 0.21586050, 1]], atol=1e-6)
    assert np.allclose(lab_to_linear([100.0, 0, 0]), 1, atol=1e-9)


# -- only one door --------------------------------------------------------------------------------------

BANNED = {("cv2", "imread"), ("cv2", "imdecode"), ("cv2", "imreadmulti"), ("cv2", "VideoCapture")}
BANNED_ELSEWHERE = {("Image", "open"), ("imageio", "imread"), ("io", "imread"), ("plt", "imread")}


def _calls(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            yield node.value.id, node.attr
        if isinstance(node, ast.ImportFrom):
            for alias in node.names:
                yield (node.module or "").split(".")[-1], alias.name


def test_only_the_loader_decodes_images():
    found = []
    sources = [p for room in ("vision", "pipelines") for p in (REPOSITORY / room).rglob("*.py")]
    assert len(sources) > 5
    for path in sources:
        calls = set(_calls(ast.parse(path.read_text(encoding="utf-8"))))
        banned = BANNED if path.name == "photo.py" else BANNED | BANNED_ELSEWHERE
        found += [f"{path.name}: {'.'.join(call)}" for call in calls & banned]
    assert found == []


def test_what_is_found_once_goes_with_the_photo():
    """Steps share what they find; a lot of a thousand photos must not keep it."""
    photo = Photo.from_array(np.zeros((4, 4, 3), np.uint8))
    found = [photo.once("a", lambda: np.ones(3)) for _ in range(2)]
    assert found[0] is found[1]
    assert photo.once("b", lambda: "other") == "other"
    assert Photo.from_array(photo.rgb).once("a", lambda: None) is None
    kept = weakref.ref(found.pop())
    found.clear()
    assert kept() is not None
    del photo
    assert kept() is None
