"""Bytes to a :class:`Photo`: the only place that decodes an image.

Decoding is strict. A truncated file, a picture beyond the size ceiling or a color mode whose meaning is
not known is refused with a :class:`~vision.errors.PhotoError`; nothing is guessed without saying so in
:attr:`Photo.steps`.
"""

from __future__ import annotations

import hashlib
import io
import logging
import struct
import warnings
import zlib
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, NoReturn, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import (  # the readers register themselves when imported
    AvifImagePlugin,  # noqa: F401
    BmpImagePlugin,  # noqa: F401
    GifImagePlugin,  # noqa: F401
    Image,
    ImageCms,
    ImageFile,
    JpegImagePlugin,  # noqa: F401
    MpoImagePlugin,
    PngImagePlugin,
    TiffImagePlugin,  # noqa: F401
    WebPImagePlugin,  # noqa: F401
)

from vision.color import linear_to_srgb, srgb_to_linear
from vision.errors import PhotoError

#: Largest picture that is decoded, in pixels.
MAX_PIXELS = 80_000_000
#: Largest file that is looked at, in bytes.
MAX_BYTES = 300_000_000
#: Long side of :attr:`Photo.small` in pixels.
SMALL_SIDE = 1024
#: Names of the Pillow readers that may run (that of JPEG also reads MPO); HEIF needs pillow-heif.
FORMATS = ("JPEG", "PNG", "WEBP", "AVIF", "TIFF", "BMP", "GIF", "HEIF")

# Each scan of a progressive JPEG passes over all pixels; cameras and editors write about ten.
_MAX_JPEG_SCANS = 100
_MAX_SCANNED_PIXELS = 30 * MAX_PIXELS
# Text in a PNG is never needed; Pillow's own limit of 64 MB lets a small file grow a worker a lot.
PngImagePlugin.MAX_TEXT_MEMORY = 8 * 2**20

# First bytes of the known formats, to tell a damaged photo from something that never was one.
_STARTS = (b"\xff\xd8\xff", b"\x89PNG", b"RIFF", b"II*\0", b"MM\0*", b"BM", b"GIF8")
# Complaints of the readers come back as refusals; they must not also land on standard error.
logging.getLogger("PIL").addHandler(logging.NullHandler())

_Found = TypeVar("_Found")
_OPAQUE = 250
_ORIENTATION_TAG = 0x0112
_TRANSPOSE = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}

# The same on arrays, where it is faster.
_UPRIGHT: dict[int, Callable[[NDArray[np.uint8]], Any]] = {
    2: lambda rgb: cv2.flip(rgb, 1),
    3: lambda rgb: cv2.flip(rgb, -1),
    4: lambda rgb: cv2.flip(rgb, 0),
    5: cv2.transpose,
    6: lambda rgb: cv2.rotate(rgb, cv2.ROTATE_90_CLOCKWISE),
    7: lambda rgb: cv2.flip(cv2.transpose(rgb), -1),
    8: lambda rgb: cv2.rotate(rgb, cv2.ROTATE_90_COUNTERCLOCKWISE),
}
_STRIP = 128

# What Pillow's readers and their Exif parsing let out on damaged or hostile bytes (the first six were seen,
# the others stand in its code). Anything else is a bug of ours and must come to light.
_DECODER_ERRORS = (
    OSError,
    SyntaxError,
    ValueError,
    RuntimeError,
    MemoryError,
    Image.DecompressionBombError,
    EOFError,
    TypeError,
    KeyError,
    IndexError,
    OverflowError,
    struct.error,
    zlib.error,
)

# Adobe RGB (1998) 4.3.1.1: D65 primaries and gamma; to linear sRGB (rows sum to 1).
_ADOBE_GAMMA = 563 / 256
_ADOBE_TO_SRGB = np.array([[1.39836, -0.39836, 0.0], [0.0, 1.0, 0.0], [0.0, -0.04293, 1.04293]])


@dataclass(frozen=True, eq=False)
class Photo:
    """One decoded photo, upright, in sRGB.

    Attributes
    ----------
    rgb
        (H, W, 3) uint8, RGB order, sRGB encoded, EXIF orientation applied. Read-only. Where the file is
        transparent, the color shows over white.
    sha256
        Of the file's bytes, hexadecimal.
    alpha
        (H, W) bool mask of opaque pixels, or None when the file has no transparency.
    steps
        What was done to get here, in order (``"orientation 6"``, ``"icc Display P3 to sRGB"``, …).
    file
        The name the photo goes by; not a path.
    memo
        What :meth:`once` found in these pixels; it goes when the photo goes.
    """

    rgb: NDArray[np.uint8]
    sha256: str = ""
    alpha: NDArray[np.bool_] | None = None
    steps: tuple[str, ...] = ()
    file: str = ""
    memo: dict[Hashable, Any] = field(default_factory=dict, repr=False)

    @classmethod
    def from_array(cls, rgb: NDArray[Any], file: str = "array") -> Photo:
        """Return a photo of pixels already decoded: (H, W, 3) uint8, sRGB. The array is copied.

        Raises
        ------
        ValueError
            When the array has another shape or type.
        """
        if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8:
            raise ValueError(f"expected (H, W, 3) uint8, got {rgb.shape} {rgb.dtype}")
        return cls(
            rgb=_frozen(np.array(rgb, order="C")),
            sha256=hashlib.sha256(rgb.tobytes()).hexdigest(),
            steps=("from pixels",),
            file=file,
        )

    @property
    def width(self) -> int:
        """Width in pixels."""
        return int(self.rgb.shape[1])

    @property
    def height(self) -> int:
        """Height in pixels."""
        return int(self.rgb.shape[0])

    def once(self, key: Hashable, find: Callable[[], _Found]) -> _Found:
        """Return what ``find`` returns, kept under ``key`` as long as the photo is.

        For what depends on these pixels and ``key`` alone: steps that need the same do it once, and a photo
        that is looked at again after a person moved one place is not searched anew for all the others. What
        is kept should be small beside the pixels, and must not hold the photo itself.
        """
        if key not in self.memo:
            self.memo[key] = find()
        found: _Found = self.memo[key]
        return found

    @cached_property
    def small(self) -> tuple[NDArray[np.uint8], float]:
        """Reduced picture (long side at most 1,024 px) and its scale: original = small / scale.

        Area-averaged, so that fine texture does not turn into false edges. (h, w, 3) uint8, read-only.
        """
        scale = min(1.0, SMALL_SIDE / max(self.width, self.height))
        if scale == 1.0:
            return self.rgb, 1.0
        size = (max(1, round(self.width * scale)), max(1, round(self.height * scale)))
        return _frozen(shrunk(self.rgb, size)), scale

    def crop(
        self, bounds: tuple[float, float, float, float], margin: float = 0.0
    ) -> tuple[NDArray[np.uint8], tuple[int, int]]:
        """Return the pixels inside a box and the (x, y) of their first pixel.

        Parameters
        ----------
        bounds
            (x0, y0, x1, y1) in pixels of the upright original; cut to the picture.
        margin
            Pixels added on each side.

        Returns
        -------
        (h, w, 3) uint8 view, read-only, possibly empty, and its offset.
        """
        x0, y0 = (max(0, int(np.floor(v - margin))) for v in bounds[:2])
        x1 = min(self.width, int(np.ceil(bounds[2] + margin)))
        y1 = min(self.height, int(np.ceil(bounds[3] + margin)))
        return self.rgb[y0 : max(y0, y1), x0 : max(x0, x1)], (x0, y0)


def shrunk(rgb: NDArray[np.uint8], size: tuple[int, int]) -> NDArray[np.uint8]:
    """Return a picture area-averaged to (width, height); large ones are halved first, which is faster."""
    height, width = rgb.shape[:2]
    while width % 2 == 0 and height % 2 == 0 and width >= 2 * size[0] and height >= 2 * size[1]:
        width, height = width // 2, height // 2
        rgb = np.asarray(cv2.resize(rgb, (width, height), interpolation=cv2.INTER_AREA), np.uint8)
    if (width, height) == size:
        return rgb
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)


def linear(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return linear light of sRGB pixels: (..., 3) uint8 to (..., 3) float32, 0–1 (IEC 61966-2-1)."""
    return np.asarray(srgb_to_linear(rgb), np.float32)


def load(data: bytes, name: str = "") -> Photo:
    """Decode a photo.

    Parameters
    ----------
    data
        The whole file. JPEG, MPO, PNG, WebP, AVIF, TIFF, BMP, GIF, or HEIC where pillow-heif is
        installed; the content decides, not the file's name. Of several frames the first one is taken.
    name
        What to call the photo in messages and in :attr:`Photo.file`.

    Raises
    ------
    PhotoError
        With a ``reason``: ``empty``, ``too_large``, ``not_a_photo``, ``reader_missing``, ``truncated``,
        ``damaged``, ``unsupported_color`` or ``no_color_profile``.
    """
    label = name or "the photo"
    _refuse_by_bytes(data, label)
    steps: list[str] = []
    # A repaired picture is a wrong picture; another library in the process may have switched this on.
    ImageFile.LOAD_TRUNCATED_IMAGES = False
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with _open(data, label) as image:
                return _decode(image, data, name, label, steps)
        except _DECODER_ERRORS as error:
            _refuse(error, label, data)


def _refuse_by_bytes(data: bytes, label: str) -> None:
    if not data:
        raise PhotoError("empty", f"{label} is empty. Copy it again from the camera or the listing.")
    if len(data) > MAX_BYTES:
        raise PhotoError("too_large", f"{label} is larger than 300 MB. Export it as a JPEG.")
    if data.startswith(b"\xff\xd8") and _scans(data) > _MAX_JPEG_SCANS:
        raise PhotoError("damaged", f"{label} holds more than 100 scans. Save it again as a plain JPEG.")


def _open(data: bytes, label: str) -> Image.Image:
    formats = [f for f in FORMATS if f != "HEIF"]
    if _is_heif(data):
        if not _register_heif():
            raise PhotoError(
                "reader_missing",
                f"{label} is a HEIC file and the reader is not installed. "
                "Install rakelight with the extra 'heic', or export the photo as JPEG.",
            )
        formats.append("HEIF")
    image = Image.open(io.BytesIO(data), formats=formats)
    if image.width * image.height > MAX_PIXELS:
        raise PhotoError(
            "too_large",
            f"{label} has {image.width} × {image.height} pixels, more than 80 million. Reduce it first.",
        )
    if data.startswith(b"\xff\xd8") and _scans(data) * image.width * image.height > _MAX_SCANNED_PIXELS:
        raise PhotoError(
            "damaged", f"{label} holds more scans than its size allows. Save it as a plain JPEG."
        )
    return image


def _scans(data: bytes) -> int:
    """Number of scans of a JPEG file, at most (pictures embedded in it count too)."""
    return data.count(b"\xff\xda")


def _is_heif(data: bytes) -> bool:
    """Tell HEIC from AVIF, which shares its container and sometimes its main brand."""
    brands = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"mif1"}
    return data[4:8] == b"ftyp" and data[8:12] in brands and b"avif" not in data[12:64]


def _register_heif() -> bool:
    try:
        import pillow_heif
    except ImportError:
        return False
    pillow_heif.register_heif_opener()
    return True


def _starts_like_a_photo(data: bytes) -> bool:
    return data.startswith(_STARTS) or data[4:8] == b"ftyp"


def _is_short_riff(data: bytes) -> bool:
    """Tell whether a WebP file is shorter than it says."""
    return data[:4] == b"RIFF" and len(data) < int.from_bytes(data[4:8], "little") + 8


def _refuse(error: BaseException, label: str, data: bytes) -> NoReturn:
    """Turn what a decoder raised into a refusal that says what to do."""
    if isinstance(error, Image.UnidentifiedImageError) and not _starts_like_a_photo(data):
        raise PhotoError(
            "not_a_photo",
            f"{label} is not a photo in a known format. Use JPEG, PNG, WebP, AVIF, TIFF, BMP or GIF.",
        ) from error
    if isinstance(error, Image.DecompressionBombError):
        raise PhotoError("too_large", f"{label} has more than 80 million pixels. Reduce it first.") from error
    if "truncated" in str(error).lower() or _is_short_riff(data):
        raise PhotoError(
            "truncated", f"{label} is cut off: part of the file is missing. Copy or download it again."
        ) from error
    raise PhotoError(
        "damaged", f"{label} is damaged and cannot be decoded. Copy or download it again."
    ) from error


def _decode(image: Image.Image, data: bytes, name: str, label: str, steps: list[str]) -> Photo:
    """Return the photo of an opened, not yet loaded image."""
    steps.append(f"format {image.format}")
    if image.format in {"GIF", "MPO"} or (
        image.format in {"PNG", "WEBP", "AVIF"} and getattr(image, "n_frames", 1) > 1
    ):
        steps.append("first frame")
    image.load()
    _require_end(data, image)
    # Read after loading: some readers (TIFF, HEIF) turn the picture themselves and then clear the tag.
    orientation = _orientation(image)
    base, alpha = _split(image, label, steps)
    color = _to_srgb(base, image, label, steps)
    rgb = _pixels(color)
    if orientation in _UPRIGHT:
        rgb = np.asarray(_UPRIGHT[orientation](rgb), np.uint8)
        alpha = None if alpha is None else alpha.transpose(_TRANSPOSE[orientation])
        steps.append(f"orientation {orientation}")
    mask = None
    if alpha is not None:
        rgb, mask = _over_white(rgb, np.asarray(alpha, np.uint8))
        steps.append("transparency shown over white")
    return Photo(
        rgb=_frozen(rgb),
        sha256=hashlib.sha256(data).hexdigest(),
        alpha=mask,
        steps=tuple(steps),
        file=name,
    )


def _pixels(image: Image.Image) -> NDArray[np.uint8]:
    """Return the (H, W, 3) pixels of an RGB image: copied in strips that fit the processor's cache."""
    out = np.empty((image.height, image.width, 3), np.uint8)
    for top in range(0, image.height, _STRIP):
        bottom = min(image.height, top + _STRIP)
        out[top:bottom] = np.asarray(image.crop((0, top, image.width, bottom)))
    return out


def _require_end(data: bytes, image: Image.Image) -> None:
    """Refuse files that lack their end although Pillow takes them once all rows of one picture are there."""
    if image.format == "PNG" and b"IEND\xaeB`\x82" not in data:
        raise OSError("truncated: the PNG has no end mark")
    if image.format == "GIF" and not data.rstrip(b"\0").endswith(b";"):
        raise OSError("truncated: the GIF has no end mark")
    if isinstance(image, MpoImagePlugin.MpoImageFile):
        index = data.find(b"MPF\0") + 4
        for picture in (image.mpinfo or {}).get(0xB002, ()):
            # Offsets count from the index of pictures; 0 means the first one, at the file's start.
            start = index + picture["DataOffset"] if picture["DataOffset"] else 0
            if start + picture["Size"] > len(data):
                raise OSError("truncated: one of the pictures of the MPO is cut off")


def _orientation(image: Image.Image) -> int:
    """EXIF orientation 1–8; 1 when there is none or it makes no sense."""
    value = image.getexif().get(_ORIENTATION_TAG, 1)
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _split(image: Image.Image, label: str, steps: list[str]) -> tuple[Image.Image, Image.Image | None]:
    """Return the picture in mode L, RGB or CMYK, 8 bits, and its alpha channel (mode L) if any."""
    mode = image.mode
    if mode.startswith("I;16") or (mode == "I" and image.format == "PNG"):
        return _eight_bits(image, steps)
    if mode in {"LA", "La"}:
        both = image.convert("LA")
        return both.getchannel("L"), both.getchannel("A")
    if mode in {"RGBA", "RGBa", "PA"} or ("transparency" in image.info and mode in {"P", "L", "RGB"}):
        both = image.convert("RGBA")
        alpha = both.getchannel("A")
        if alpha.getextrema()[0] == 255:
            return _without_alpha(both), None
        return _without_alpha(both), alpha
    if mode == "P":
        steps.append("palette")
        return image.convert("RGB"), None
    if mode == "1":
        return image.convert("L"), None
    if mode in {"RGBX", "YCbCr"}:
        return image.convert("RGB"), None
    if mode in {"L", "RGB", "CMYK"}:
        return image, None
    raise PhotoError(
        "unsupported_color",
        f"{label} stores its colors as '{mode}', whose brightness range is not defined. "
        "Export it as an 8-bit or 16-bit RGB picture.",
    )


def _without_alpha(image: Image.Image) -> Image.Image:
    """Drop the alpha channel of RGBA without touching the color values."""
    return Image.merge("RGB", image.split()[:3])


def _eight_bits(image: Image.Image, steps: list[str]) -> tuple[Image.Image, Image.Image | None]:
    """Scale 16-bit grey to 8 bits (Pillow's own conversion saturates at 255)."""
    values = np.asarray(image).astype(np.float32)
    tags: Any = getattr(image, "tag_v2", {})
    bits = int(tags.get(258, (16,))[0]) if tags else 16
    top = float(2**bits - 1)
    grey = np.clip(values / top, 0.0, 1.0)
    if tags and tags.get(262) == 0:
        grey = 1.0 - grey
        steps.append("white-is-zero inverted")
    steps.append(f"{bits}-bit grey to 8-bit")
    alpha = None
    key = image.info.get("transparency")
    if isinstance(key, int):
        alpha = Image.fromarray(np.where(values == key, 0, 255).astype(np.uint8))
    return Image.fromarray(np.rint(grey * 255).astype(np.uint8)), alpha


def _to_srgb(base: Image.Image, image: Image.Image, label: str, steps: list[str]) -> Image.Image:
    """Return the picture in sRGB, mode RGB."""
    profile = image.info.get("icc_profile")
    if profile:
        converted = _by_profile(base, profile, steps)
        if converted is not None:
            return converted
    if base.mode == "CMYK":
        raise PhotoError(
            "no_color_profile",
            f"{label} is a printing file (CMYK) without a usable color profile, so its colors are unknown. "
            "Ask for the original photo, or export it as sRGB.",
        )
    if not profile and _is_adobe_rgb(image):
        steps.append("Adobe RGB (camera setting) to sRGB")
        return _from_adobe_rgb(base.convert("RGB"))
    gamma = image.info.get("gamma")
    if not profile and "srgb" not in image.info and isinstance(gamma, float) and _is_odd_gamma(gamma):
        steps.append(f"gamma {gamma:.3f} to sRGB")
        return base.convert("RGB").point(_gamma_table(gamma) * 3)
    steps.append("no color profile, sRGB assumed" if not profile else "color profile unusable, sRGB assumed")
    return base if base.mode == "RGB" else base.convert("RGB")


def _by_profile(base: Image.Image, profile: bytes, steps: list[str]) -> Image.Image | None:
    """Convert through an ICC profile; None when the profile cannot be used for this picture."""
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        words = " ".join(ImageCms.getProfileDescription(source).split())[:60]
        title = "".join(c if c.isprintable() else "\ufffd" for c in words) or "unnamed"
        transform = ImageCms.buildTransform(
            source,
            ImageCms.createProfile("sRGB"),
            base.mode,
            "RGB",
            ImageCms.Intent.RELATIVE_COLORIMETRIC,
            ImageCms.Flags.BLACKPOINTCOMPENSATION,
        )
        if base.mode == "RGB" and _changes_nothing(transform):
            steps.append(f"icc {title} is sRGB")
            return base
        converted = ImageCms.applyTransform(base, transform)
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return None
    steps.append(f"icc {title} to sRGB")
    return converted


def _changes_nothing(transform: ImageCms.ImageCmsTransform) -> bool:
    """Tell whether a transform moves no color by more than one level: saves a pass over every pixel."""
    levels = np.linspace(0, 255, 9).round().astype(np.uint8)
    grid = np.stack(np.meshgrid(levels, levels, levels, indexing="ij"), -1).reshape(27, 27, 3)
    after = np.asarray(ImageCms.applyTransform(Image.fromarray(grid), transform), int)
    return int(np.abs(after - grid).max()) <= 1


def _is_adobe_rgb(image: Image.Image) -> bool:
    """Tell whether a camera marked its JPEG as Adobe RGB: Exif color space 'other' with DCF index R03."""
    exif = image.getexif()
    if exif.get_ifd(0x8769).get(0xA001) not in {2, 0xFFFF}:
        return False
    return str(exif.get_ifd(0xA005).get(1, "")).startswith("R03")


def _from_adobe_rgb(image: Image.Image) -> Image.Image:
    """Convert Adobe RGB (1998) to sRGB, 256 rows at a time to bound memory."""
    table = ((np.arange(256) / 255.0) ** _ADOBE_GAMMA).astype(np.float32)
    source = np.asarray(image)
    out = np.empty_like(source)
    matrix = _ADOBE_TO_SRGB.T.astype(np.float32)
    for top in range(0, source.shape[0], 256):
        rows = table[source[top : top + 256]] @ matrix
        out[top : top + 256] = np.rint(linear_to_srgb(np.clip(rows, 0, 1)) * 255)
    return Image.fromarray(out)


def _is_odd_gamma(gamma: float) -> bool:
    """Tell whether a PNG's file gamma is far from that of sRGB (1/2.2) and still sensible."""
    return 0.05 < gamma < 5 and abs(gamma - 1 / 2.2) > 0.02


def _gamma_table(gamma: float) -> list[int]:
    """Levels of one channel from a PNG's file gamma to sRGB."""
    light = (np.arange(256) / 255.0) ** (1.0 / gamma)
    return [int(v) for v in np.rint(linear_to_srgb(light) * 255)]


def _over_white(
    rgb: NDArray[np.uint8], alpha: NDArray[np.uint8]
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Composite over white (sRGB-encoded, as browsers do); the mask is True where opaque."""
    weight = alpha[..., None].astype(np.uint16)
    mixed = (rgb * weight + (255 - weight) * 255 + 127) // 255
    return mixed.astype(np.uint8), alpha >= _OPAQUE


def _frozen(array: NDArray[Any]) -> NDArray[Any]:
    array.setflags(write=False)
    return array
