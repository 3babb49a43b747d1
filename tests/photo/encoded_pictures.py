"""Small pictures encoded in every way that a photo may come."""

import io
import struct
import zlib
from functools import cache
from typing import Any

import numpy as np
import pillow_heif
from PIL import Image
from PIL.Image import Transpose

# How a picture must be stored so that the EXIF 2.32 orientation turns it upright:
# 6 says "the 0th row is the right-hand side", so the upright picture was turned left, and so on.
STORED = {
    1: None,
    2: Transpose.FLIP_LEFT_RIGHT,
    3: Transpose.ROTATE_180,
    4: Transpose.FLIP_TOP_BOTTOM,
    5: Transpose.TRANSPOSE,
    6: Transpose.ROTATE_90,
    7: Transpose.TRANSVERSE,
    8: Transpose.ROTATE_270,
}
# Mean absolute error in levels that each encoding is allowed on the smooth test picture.
TOLERANCE = {"JPEG": 2.0, "WEBP": 2.5, "HEIF": 3.0, "PNG": 0.0, "TIFF": 0.0}


@cache
def scene(width: int = 640, height: int = 420) -> Image.Image:
    """A smooth colour picture without any symmetry, wider than high."""
    x, y = np.meshgrid(np.linspace(0, 1, width), np.linspace(0, 1, height))
    red = 40 + 180 * x
    green = 60 + 150 * y * y
    blue = 200 - 120 * x * (1 - y)
    blob = np.hypot((x - 0.2) * width, (y - 0.3) * height) < height / 8
    pixels = np.stack([np.where(blob, 250, red), np.where(blob, 30, green), blue], axis=-1)
    return Image.fromarray(np.rint(pixels).astype(np.uint8))


def encode(
    image: Image.Image, kind: str = "JPEG", *, orientation: int = 1, **options: Any
) -> bytes:
    """The bytes of `image` so stored that `orientation` turns it upright."""
    turn = STORED[orientation]
    stored = image if turn is None else image.transpose(turn)
    exif = Image.Exif()
    exif[0x0112] = orientation
    buffer = io.BytesIO()
    lossy = {} if kind in ("PNG", "TIFF") else {"quality": 92}
    if kind == "HEIF":
        pillow_heif.register_heif_opener()
    stored.save(buffer, kind, **{"exif": exif.tobytes(), **lossy, **options})
    return buffer.getvalue()


def pixels_of(image: Image.Image) -> np.ndarray:
    return np.asarray(image.convert("RGB")).astype(np.int16)


def png_of(samples: np.ndarray, colour_type: int, size: tuple[int, int] | None = None) -> bytes:
    """A 16-bit PNG written by hand after the PNG specification: Pillow cannot write 16-bit RGB.

    `size` is what the header says, for a file that lies.
    """
    width, height = size or (samples.shape[1], samples.shape[0])
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in samples)
    chunks = (
        (b"IHDR", struct.pack(">IIBBBBB", width, height, 16, colour_type, 0, 0, 0)),
        (b"IDAT", zlib.compress(rows, 1)),
        (b"IEND", b""),
    )
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + tag + body + struct.pack(">I", zlib.crc32(tag + body))
        for tag, body in chunks
    )
