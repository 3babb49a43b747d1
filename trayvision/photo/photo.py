"""The only decoder: a file or its bytes become upright RGB pixels, with what its record says.

Pixel centres lie at whole numbers, 0-based; points are (x, y), arrays [row, column].
"""

import threading
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from typing import cast

import numpy as np
import numpy.typing as npt
from PIL import (
    Image,
    JpegImagePlugin,
    PngImagePlugin,
    TiffImagePlugin,
    WebPImagePlugin,
)

from trayvision.photo.exif import ExifRecord, read_exif
from trayvision.photo.pixels import (
    DECODER_ERRORS,
    as_rgb,
    as_srgb,
    check_named_colours,
    is_grey,
    p3_as_srgb,
)
from trayvision.quality_flags import Doubt, PhotoProblem

MIN_PIXELS = 200_000
MAX_PIXELS = 64_000_000
MAX_FILE_BYTES = 500_000_000
# Shorter pictures are decoded whole: below this a 30 mm tag of a tray that fills the frame
# nears the 18 px that the reader needs.
MIN_WORKING_LONG_SIDE = 1600

FloatArray = npt.NDArray[np.float64]
PICTURE_KINDS = "JPEG, PNG, WebP, HEIC or TIFF"
_HEIC_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}
_UPRIGHT = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}
_READERS: Mapping[str, Callable[[BytesIO], Image.Image]] = {
    "image/jpeg": JpegImagePlugin.JpegImageFile,
    "image/png": PngImagePlugin.PngImageFile,
    "image/webp": WebPImagePlugin.WebPImageFile,
    "image/tiff": TiffImagePlugin.TiffImageFile,
}
# Silencing Pillow's remarks on damaged records changes process-wide state, so one at a time.
_QUIET = threading.Lock()


@dataclass(frozen=True, eq=False)
class Photo:
    """One decoded photo.

    Parameters
    ----------
    name : str
        How messages call it.
    sha256 : str
        Of the file's bytes, lower-case hexadecimal.
    pixels : (h, w, 3) uint8
        Upright sRGB, C-contiguous, at the working resolution; not to be written to.
    width, height : int
        Upright size of the whole photo in px.
    taken_at : datetime or None
        Moment of capture with its UTC offset.
    focal_length_px : float or None
        From the photo's own record, in full-size px.
    doubts : tuple of Doubt
        `CAPTURE_TIME_UNKNOWN`, `CAPTURE_OFFSET_UNKNOWN`, `GREYSCALE`.
    reduction : int
        1, 2, 4 or 8 full-size px a working px, along each side.
    """

    name: str
    sha256: str
    pixels: npt.NDArray[np.uint8]
    width: int
    height: int
    taken_at: datetime | None
    focal_length_px: float | None
    doubts: tuple[Doubt, ...]
    reduction: int = 1

    @property
    def scale(self) -> float:
        """Working px per full-size px: 1, 1/2, 1/4 or 1/8, exact also for odd sides."""
        return 1.0 / self.reduction

    def to_working(self, points_px: npt.ArrayLike) -> FloatArray:
        """(..., 2) full-size points to working points, both (x, y) px."""
        return (np.asarray(points_px, dtype=np.float64) + 0.5) / self.reduction - 0.5

    def to_full(self, points_px: npt.ArrayLike) -> FloatArray:
        """(..., 2) working points to full-size points, both (x, y) px."""
        return (np.asarray(points_px, dtype=np.float64) + 0.5) * self.reduction - 0.5


@dataclass(frozen=True)
class _Opened:
    """A picture whose header is read and whose pixels are not; `size` as stored, (w, h) px."""

    image: Image.Image
    size: tuple[int, int]
    orientation: int
    record: ExifRecord


def picture_type(content: bytes) -> str | None:
    """Media type of a kind of picture that can be opened, by its first bytes; None of all else.

    Parameters
    ----------
    content : bytes
        A file's bytes; its first twelve are enough.
    """
    if content.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    if content.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return "image/webp"
    if content[:4] in (b"II*\0", b"MM\0*"):
        return "image/tiff"
    if content[4:8] == b"ftyp" and content[8:12] in _HEIC_BRANDS:
        return "image/heic"
    return None


def load_photo(source: str | Path | bytes, *, name: str | None = None) -> Photo:
    """Decode a JPEG, PNG, WebP, HEIC or TIFF photo; what the bytes are decides, not the name.

    The pixels come at 1/2, 1/4 or 1/8 of the full size while the long side keeps 1600 px:
    JPEG straight from its DCT coefficients, the others averaged. A colour profile is turned
    into sRGB (relative colorimetric); one that cannot be read is taken as sRGB. Alpha is
    dropped where it is opaque throughout.

    Parameters
    ----------
    source : str, Path or bytes
        A path, or the file's bytes.
    name : str, optional
        How messages call the photo; default the path as given, or ``"photo"``.

    Raises
    ------
    PhotoProblem
        If the file cannot be read, is no photo, is damaged or cut short, has below 0.2 or above
        64 megapixels (told from the header, before decoding), several frames, transparent
        parts, ink colours (CMYK), or high dynamic range.
    """
    label = name if name is not None else "photo" if isinstance(source, bytes) else str(source)
    data = source if isinstance(source, bytes) else _read(source, label)
    try:
        opened = _open(data, label)
        reduction = _reduction(opened.size)
        pixels = _decode(opened, reduction, label)
    except Image.DecompressionBombError as error:
        raise PhotoProblem(
            f"{label}: a photo must have at most {MAX_PIXELS // 10**6} megapixels ({error})"
        ) from error
    except DECODER_ERRORS as error:
        raise PhotoProblem(
            f"{label}: a photo must be whole and undamaged, but decoding it failed ({error})"
        ) from error
    width, height = opened.size if opened.orientation < 5 else opened.size[::-1]
    time_doubt = opened.record.time_doubt
    return Photo(
        name=label,
        sha256=sha256(data).hexdigest(),
        pixels=pixels,
        width=width,
        height=height,
        taken_at=opened.record.taken_at,
        focal_length_px=opened.record.focal_length_px,
        doubts=((time_doubt,) if time_doubt else ())
        + ((Doubt.GREYSCALE,) if is_grey(pixels) else ()),
        reduction=reduction,
    )


def _read(source: str | Path, label: str) -> bytes:
    try:
        path = Path(source)
        if path.exists() and not path.is_file():
            raise PhotoProblem(f"{label}: a photo must be a file, and this is a folder or a device")
        if path.stat().st_size > MAX_FILE_BYTES:
            raise PhotoProblem(
                f"{label}: a photo file must be at most {MAX_FILE_BYTES // 10**6} MB, "
                f"got {path.stat().st_size / 1e6:.0f} MB"
            )
        return path.read_bytes()
    except (OSError, ValueError) as error:  # ValueError: a NUL inside the path
        reason = getattr(error, "strerror", None) or error
        raise PhotoProblem(f"{label}: the photo file cannot be read ({reason})") from error


def _open(data: bytes, label: str) -> _Opened:
    if not data:
        raise PhotoProblem(f"{label}: a photo file must not be empty, got 0 bytes")
    with _QUIET, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        image = _header(data, label)
        _check_size(image.size, label)
        if getattr(image, "n_frames", 1) > 1:
            raise PhotoProblem(
                f"{label}: a photo must be one still picture, got {getattr(image, 'n_frames', 1)} "
                "frames or pages"
            )
        record = read_exif(image.getexif(), image.size)
    # Pillow itself turns a TIFF upright, and libheif a HEIC, whose own rotation boxes rule.
    orientation = record.orientation if image.format in ("JPEG", "PNG", "WEBP") else 1
    return _Opened(image, image.size, orientation, record)


def _header(data: bytes, label: str) -> Image.Image:
    stream, kind = BytesIO(data), picture_type(data)
    if kind is None:
        raise PhotoProblem(
            f"{label}: a photo must be {PICTURE_KINDS}, got a file that starts with {data[:8]!r}"
        )
    # Not Image.open: it would warn of large pictures on stderr before their size can be refused,
    # and open the previews inside a phone's JPEG as further frames.
    if kind == "image/heic":
        import pillow_heif  # here because it costs a third of a second that few photos need

        return cast(Image.Image, pillow_heif.HeifImageFile(stream))  # type: ignore[no-untyped-call]
    return _READERS[kind](stream)


def _check_size(size: tuple[int, int], label: str) -> None:
    pixels = size[0] * size[1]
    if not MIN_PIXELS <= pixels <= MAX_PIXELS:
        raise PhotoProblem(
            f"{label}: a photo must have from {MIN_PIXELS / 1e6:g} to {MAX_PIXELS / 1e6:g} "
            f"megapixels, got {size[0]} x {size[1]} ({pixels / 1e6:.3g} megapixels)"
        )


def _reduction(size: tuple[int, int]) -> int:
    return next(k for k in (8, 4, 2, 1) if k == 1 or max(size) / k >= MIN_WORKING_LONG_SIDE)


def _decode(opened: _Opened, reduction: int, label: str) -> npt.NDArray[np.uint8]:
    image, remaining = opened.image, reduction
    # A last row or column that does not fill a block must stay last once the picture is upright,
    # or the working pixels would be shifted: then the picture is decoded whole.
    if isinstance(image, JpegImagePlugin.JpegImageFile) and (
        opened.orientation == 1 or not any(side % reduction for side in opened.size)
    ):
        image.draft("RGB", (image.width // reduction, image.height // reduction))
        remaining = 1
    image.load()
    profile = image.info.get("icc_profile")
    is_p3 = not profile and check_named_colours(image.info.get("nclx_profile"), label)
    image = as_rgb(image, label)
    if opened.orientation in _UPRIGHT:
        image = image.transpose(_UPRIGHT[opened.orientation])
    if remaining > 1:
        image = image.reduce(remaining)
    if profile:
        image = as_srgb(image, profile)
    elif is_p3:
        image = p3_as_srgb(image)
    return np.asarray(image, dtype=np.uint8)
