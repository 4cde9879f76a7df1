"""Small ICC profiles built byte by byte (ICC.1:2001-04), so that no test needs one from the system."""

from __future__ import annotations

import itertools
import struct

import numpy as np

D50 = (0.9642, 1.0, 0.8249)
#: D50-adapted colorants, columns red, green, blue.
SRGB_D50 = np.array(
    [
        [0.4360747, 0.3850649, 0.1430804],
        [0.2225045, 0.7168786, 0.0606169],
        [0.0139322, 0.0971045, 0.7141733],
    ]
)
DISPLAY_P3_D50 = np.array(
    [[0.515102, 0.291965, 0.157153], [0.241182, 0.692236, 0.066582], [-0.001049, 0.041882, 0.784378]]
)


def _fixed(*values):
    return b"".join(struct.pack(">i", round(v * 65536)) for v in values)


def _text(kind, text):
    data = text.encode() + b"\0"
    if kind == b"text":
        return b"text\0\0\0\0" + data
    return b"desc\0\0\0\0" + struct.pack(">I", len(data)) + data + b"\0" * (4 + 4 + 2 + 1 + 67)


def _profile(device_class, space, pcs, tags):
    tags = {b"cprt": _text(b"text", "none"), b"wtpt": b"XYZ \0\0\0\0" + _fixed(*D50), **tags}
    offset = 128 + 4 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    for name, data in tags.items():
        table += name + struct.pack(">II", offset + len(body), len(data))
        body += data + b"\0" * (-len(data) % 4)
    header = struct.pack(">I4sI4s4s4s", offset + len(body), b"\0" * 4, 0x02400000, device_class, space, pcs)
    header += struct.pack(">6H", 2020, 1, 1, 0, 0, 0) + b"acsp" + b"\0" * 28 + _fixed(*D50)
    return header.ljust(128, b"\0") + table + body


def rgb_profile(title, colorants, gamma=None):
    """RGB profile of colorants and a gamma, or the sRGB curve when that is None."""
    x = np.linspace(0, 1, 1024)
    curve = np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4) if gamma is None else x**gamma
    codes = np.rint(curve * 65535).astype(">u2").tobytes()
    trc = b"curv\0\0\0\0" + struct.pack(">I", 1024) + codes
    tags = {b"desc": _text(b"desc", title)}
    for i, name in enumerate((b"r", b"g", b"b")):
        tags[name + b"XYZ"] = b"XYZ \0\0\0\0" + _fixed(*colorants[:, i])
        tags[name + b"TRC"] = trc
    return _profile(b"mntr", b"RGB ", b"XYZ ", tags)


def grey_profile(gamma):
    """Grey profile of one gamma."""
    trc = b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256))
    return _profile(b"mntr", b"GRAY", b"XYZ ", {b"desc": _text(b"desc", "grey"), b"kTRC": trc})


def cmyk_profile(to_lab_d50, grid=9):
    """CMYK profile whose A2B tables hold ``to_lab_d50`` of (N, 4) inks 0–1."""
    inks = np.array(list(itertools.product(np.linspace(0, 1, grid), repeat=4)))
    lab = to_lab_d50(inks)
    codes = np.stack([lab[:, 0] / 100 * 255, lab[:, 1] + 128, lab[:, 2] + 128], axis=1)
    table = np.clip(np.rint(codes), 0, 255).astype(np.uint8).tobytes()
    straight = bytes(range(256))
    lut = b"mft1\0\0\0\0" + bytes((4, 3, grid, 0)) + _fixed(1, 0, 0, 0, 1, 0, 0, 0, 1)
    lut += straight * 4 + table + straight * 3
    tags = {b"desc": _text(b"desc", "test inks"), b"A2B0": lut, b"A2B1": lut}
    return _profile(b"prtr", b"CMYK", b"Lab ", tags)
