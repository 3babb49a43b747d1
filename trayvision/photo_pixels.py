"""From whatever pixels a file holds to 8-bit sRGB, or a refusal where that would be a guess."""

import struct
import zlib
from io import BytesIO

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageCms

from trayvision.quality_flags import PhotoProblem

# JPEG noise moves the channels of a grey photo apart by a level or two, colour by far more.
GREY_CHANNEL_SPREAD = 2

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


def is_grey(pixels: npt.NDArray[np.uint8]) -> bool:
    """Whether (h, w, 3) pixels hold no colour beyond the noise of a grey JPEG."""
    # A coarse sample first: it finds the colour of nearly every colour photo at once.
    for step in (32, 4):
        red, green, blue = np.moveaxis(pixels[::step, ::step].astype(np.int16), 2, 0)
        if max(np.abs(red - green).max(), np.abs(green - blue).max()) > GREY_CHANNEL_SPREAD:
            return False
    return True
