"""From whatever pixels a file holds to 8-bit sRGB, or a refusal where that would be a guess."""

import struct
import zlib
from collections.abc import Mapping
from io import BytesIO

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageCms

from trayvision.colorimetry import LINEAR_OF_LEVEL, linear_to_srgb
from trayvision.quality_flags import PhotoProblem

# JPEG noise moves the channels of a grey photo apart by a level or two, colour by far more.
GREY_CHANNEL_SPREAD = 2
# Red and blue of a toned photo (sepia, a blue filter) follow from its green alone. How far the mean
# of a block may be from that, in levels of a photo whose brightest blocks are white: in 1 and in
# none of 100 blocks. Toned JPEGs of quality 85 and more stay below; blocks in which a channel is
# clipped follow no curve and are left out, where enough others are left.
# What is brown all over is no toned photo: a rendered tray of bare seed differs by 9.6 and 12, a
# photograph of wood by 6.6 and 15.
TONED_BLOCK_PX = 16
TONED_SPREAD, TONED_SPREAD_ANYWHERE = 5.0, 9.0
_TONE_CURVE_DEGREE = 3
# JPEG leaves clipped pixels some levels lower.
_CLIPPED_LEVEL = 248
_LEAST_UNCLIPPED = 0.25

# What Pillow, libheif and littleCMS raise on damaged bytes; anything else is our own mistake.
DECODER_ERRORS = (
    OSError,
    SyntaxError,
    ValueError,
    TypeError,
    LookupError,
    ArithmeticError,
    AttributeError,
    RuntimeError,
    EOFError,
    MemoryError,
    struct.error,
    zlib.error,
)

# Code points of ITU-T H.273 by which a HEIC names its colours when it carries no ICC profile.
_DISPLAY_P3_PRIMARIES = 12
_OTHER_WIDE_PRIMARIES = {9, 11}
_HDR_TRANSFERS = {16: "PQ", 18: "HLG"}
# Linear Display P3 to linear sRGB, both with white D65: the product of the two standards' matrices
# (SMPTE EG 432-1 primaries, IEC 61966-2-1 primaries).
_P3_TO_SRGB = np.array(
    [
        [1.2249402, -0.2249402, 0.0],
        [-0.0420570, 1.0420570, 0.0],
        [-0.0196376, -0.0786361, 1.0982736],
    ]
)
# Fine enough for half an 8-bit level at the dark end, where sRGB is steepest (12.92).
_LIGHT_STEPS = 8192

_SIXTEEN_BIT_GREY = {"I;16", "I;16B", "I;16L", "I;16N"}
_EIGHT_BIT = {"1", "L", "LA", "P", "PA", "RGB", "RGBA"}


def as_rgb(image: Image.Image, label: str) -> Image.Image:
    """The picture with RGB pixels; 16-bit grey rounded to 8 bits, opaque alpha dropped.

    Raises
    ------
    PhotoProblem
        If pixels are in ink or laboratory colours, or some are transparent.
    """
    if image.mode in _SIXTEEN_BIT_GREY:
        levels = np.asarray(image).astype(np.uint32)
        return Image.fromarray(((levels + 128) // 257).astype(np.uint8)).convert("RGB")
    if image.mode not in _EIGHT_BIT:
        raise PhotoProblem(
            f"{label}: a photo must have RGB or grey pixels, got {image.mode} "
            "(save it again as an ordinary JPEG)"
        )
    if image.has_transparency_data:
        least = image.convert("RGBA").getchannel("A").getextrema()[0]
        if least != 255:
            raise PhotoProblem(
                f"{label}: a photo must be opaque, got parts with alpha down to {least} of 255"
            )
    return image if image.mode == "RGB" else image.convert("RGB")


def as_srgb(image: Image.Image, profile: bytes) -> Image.Image:
    """The RGB picture turned from its ICC profile into sRGB, relative colorimetric.

    A profile that is sRGB already, or that littleCMS cannot use, leaves it as it is.
    """
    try:
        source = ImageCms.ImageCmsProfile(BytesIO(profile))
        if "sRGB" in ImageCms.getProfileDescription(source):
            return image
        turned = ImageCms.profileToProfile(
            image,
            source,
            ImageCms.createProfile("sRGB"),
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        )
    except (ImageCms.PyCMSError, *DECODER_ERRORS):
        return image
    return turned or image


def check_named_colours(named: Mapping[str, object] | None, label: str) -> bool:
    """Whether the H.273 colours that a HEIC names are Display P3, to be turned into sRGB.

    Raises
    ------
    PhotoProblem
        If they are HDR or of a wider gamut, whose levels are not those of an ordinary photo.
    """
    if named is None:
        return False
    transfer, primaries = named.get("transfer_characteristics"), named.get("color_primaries")
    if transfer in _HDR_TRANSFERS or primaries in _OTHER_WIDE_PRIMARIES:
        raise PhotoProblem(
            f"{label}: a photo must be in standard range, got HDR or cinema colours (H.273 "
            f"transfer {transfer}, primaries {primaries}); switch HDR photos off or save it as JPEG"
        )
    return primaries == _DISPLAY_P3_PRIMARIES


def p3_as_srgb(image: Image.Image) -> Image.Image:
    """The RGB picture turned from Display P3 into sRGB; colours beyond sRGB are clipped."""
    linear = LINEAR_OF_LEVEL.astype(np.float32)[np.asarray(image)] @ _P3_TO_SRGB.T.astype(
        np.float32
    )
    steps = np.rint(np.clip(linear, 0, 1) * (_LIGHT_STEPS - 1)).astype(np.uint16)
    levels = np.rint(255 * linear_to_srgb(np.arange(_LIGHT_STEPS) / (_LIGHT_STEPS - 1)))
    return Image.fromarray(levels.astype(np.uint8)[steps])


def is_grey(pixels: npt.NDArray[np.uint8]) -> bool:
    """Whether (h, w, 3) pixels hold no colour beyond the noise of a grey JPEG."""
    # A coarse sample first: it finds the colour of nearly every colour photo at once.
    for step in (32, 4):
        red, green, blue = np.moveaxis(pixels[::step, ::step].astype(np.int16), 2, 0)
        if max(np.abs(red - green).max(), np.abs(green - blue).max()) > GREY_CHANNEL_SPREAD:
            return False
    return True


def is_toned(pixels: npt.NDArray[np.uint8]) -> bool:
    """Whether one curve each turns green into red and into blue, all over (h, w, 3) pixels.

    So it is in a toned photo, but in one that a leaf or soil fills as well: only where a kit, white
    and black, lies in it does it speak for a tone.
    """
    means = _block_means(pixels).reshape(-1, 3).astype(np.float64)
    # Channel by channel: the largest of three along the last axis takes as long as decoding does.
    clipped = cv2.threshold(pixels, _CLIPPED_LEVEL - 1, 255, cv2.THRESH_BINARY)[1]
    unclipped = (_block_means(np.asarray(clipped, dtype=np.uint8)) == 0).all(axis=2).ravel()
    red, green, blue = (means[unclipped] if unclipped.mean() >= _LEAST_UNCLIPPED else means).T
    white = max(float(np.percentile(green, 95)), 1.0)
    powers = np.vander(green / white, _TONE_CURVE_DEGREE + 1)
    for channel in (red, blue):
        curve = np.linalg.lstsq(powers, channel, rcond=None)[0]
        spread = np.abs(powers @ curve - channel) * (255 / white)
        if np.percentile(spread, 99) > TONED_SPREAD or spread.max() > TONED_SPREAD_ANYWHERE:
            return False
    return True


def _block_means(pixels: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """Means of whole blocks; a short side is one block."""
    width, height = (max(1, side // TONED_BLOCK_PX) for side in pixels.shape[1::-1])
    means = pixels[: height * TONED_BLOCK_PX, : width * TONED_BLOCK_PX]
    # OpenCV halves a picture in a fraction of the time that other shares take.
    for left in (TONED_BLOCK_PX // 2, TONED_BLOCK_PX // 4, 1):
        size = (width * left, height * left)
        means = np.asarray(cv2.resize(means, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return means
