"""Grey, palette, 16-bit and transparent photos; colour profiles become sRGB."""

import io
import struct
from pathlib import Path
from typing import Any

import colour
import numpy as np
import pytest
from PIL import Image, ImageCms

from tests.photo.encoded_pictures import encode, png_of, scene
from trayvision.inspection.inspection import inspect_photo
from trayvision.inspection.record import photo_record
from trayvision.photo.photo import load_photo
from trayvision.photo.pixels import is_toned, p3_as_srgb
from trayvision.quality_flags import Doubt, PhotoProblem

SAMPLE_PHOTOS = Path(__file__).parents[2] / "sample_images" / "photos"


@pytest.mark.parametrize(
    ("mode", "kind"), [("L", "JPEG"), ("L", "PNG"), ("LA", "PNG"), ("L", "TIFF")]
)
def test_grey_photo_is_measured_and_said(mode: str, kind: str) -> None:
    photo = load_photo(encode(scene().convert("L").convert(mode), kind))
    assert Doubt.GREYSCALE in photo.doubts
    assert np.abs(photo.pixels[..., 0].astype(int) - np.asarray(scene().convert("L"))).mean() < 2


def test_grey_stored_as_colour_is_said_and_colour_is_not() -> None:
    grey = scene().convert("L").convert("RGB")
    assert Doubt.GREYSCALE in load_photo(encode(grey)).doubts
    one_leaf = grey.copy()
    one_leaf.paste((40, 140, 30), (300, 200, 312, 212))
    assert Doubt.GREYSCALE not in load_photo(encode(one_leaf)).doubts


@pytest.mark.parametrize(
    "tint",
    [(1.0, 0.87, 0.68), (1.35, 1.2, 0.94), (0.7, 0.85, 1.0)],
    ids=["sepia", "clipped sepia", "cold"],
)
def test_toned_photo_has_no_colour_and_a_dark_one_has(tint: tuple[float, float, float]) -> None:
    sample = SAMPLE_PHOTOS / "day3-wheat-weak-germination-fixed.jpg"
    colour = np.asarray(Image.open(sample).convert("RGB"))
    level = np.asarray(Image.open(sample).convert("L")).astype(np.float64)
    levels = np.rint(np.minimum(level[..., None] * tint, 255)).astype(np.uint8)
    toned = load_photo(encode(Image.fromarray(levels)))
    assert is_toned(toned.pixels)
    # A fourth of the encoded level is about 4 % of the light: far too dark, and not grey.
    assert not is_toned(load_photo(encode(Image.fromarray(colour // 4))).pixels)


def test_a_photo_that_one_colour_fills_is_not_without_colour() -> None:
    # Without a kit in it: a leaf or soil from near by.
    photo = load_photo(encode(Image.new("RGB", (640, 420), (90, 140, 60))))
    assert Doubt.GREYSCALE not in photo.doubts
    told = photo_record(inspect_photo(photo, whole_photo=True))["trays"][0]
    assert told["cover"]["value"] is not None


def test_palette_photo_gives_its_colours() -> None:
    palette = scene().quantize(64)
    photo = load_photo(encode(palette, "PNG"))
    assert np.array_equal(photo.pixels, np.asarray(palette.convert("RGB")))


def test_sixteen_bit_png_in_grey_and_colour() -> None:
    # 257 sixteen-bit steps are one eight-bit step, so the picture comes back unchanged.
    colour = np.asarray(scene()).astype(np.uint32) * 257
    assert np.array_equal(load_photo(png_of(colour, 2)).pixels, np.asarray(scene()))
    photo = load_photo(png_of(colour[..., 0], 0))
    assert np.array_equal(photo.pixels[..., 2], np.asarray(scene())[..., 0])
    assert Doubt.GREYSCALE in photo.doubts


def test_sixteen_bit_tiff() -> None:
    buffer = io.BytesIO()
    grey = np.asarray(scene())[..., 0].astype(np.uint16) * 257
    Image.fromarray(grey).save(buffer, "TIFF")
    assert np.array_equal(load_photo(buffer.getvalue()).pixels[..., 0], grey // 257)


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "TIFF"])
def test_opaque_alpha_is_dropped_and_transparent_refused(kind: str) -> None:
    options: dict[str, Any] = {"lossless": True} if kind == "WEBP" else {}
    image = scene().convert("RGBA")
    assert np.array_equal(load_photo(encode(image, kind, **options)).pixels, np.asarray(scene()))
    image.putpixel((5, 7), (10, 20, 30, 77))
    with pytest.raises(PhotoProblem, match=r"sprig: .* opaque, got parts with alpha down to 77"):
        load_photo(encode(image, kind, **options), name="sprig")


def test_transparent_palette_is_refused() -> None:
    image = scene().quantize(16)
    with pytest.raises(PhotoProblem, match=r"opaque, got parts with alpha down to 0"):
        load_photo(encode(image, "PNG", transparency=3))


@pytest.mark.parametrize(
    ("mode", "kind"), [("CMYK", "JPEG"), ("CMYK", "TIFF"), ("F", "TIFF"), ("LAB", "TIFF")]
)
def test_ink_and_laboratory_pixels_are_refused(mode: str, kind: str) -> None:
    image = scene().convert("L").convert("F") if mode == "F" else scene()
    if mode == "CMYK":
        image = image.convert("CMYK")
    if mode == "LAB":
        image = Image.merge("LAB", image.split())
    with pytest.raises(PhotoProblem, match=rf"leaf\.jpg: .* RGB or grey pixels, got {mode}"):
        load_photo(encode(image, kind), name="leaf.jpg")


# Colour profiles ---------------------------------------------------------------------------


def s15f16(value: float) -> bytes:
    return struct.pack(">i", round(value * 65536))


def matrix_profile(columns_xyz_d50: np.ndarray, gamma: float, *, description: str) -> bytes:
    """A display profile (ICC.1:2004 v2 layout): three colorants, one gamma, D50 white."""

    def xyz(values: np.ndarray) -> bytes:
        return b"XYZ \0\0\0\0" + b"".join(s15f16(v) for v in values)

    text = description.encode("ascii") + b"\0"
    described = b"desc\0\0\0\0" + struct.pack(">I", len(text)) + text + b"\0" * 78
    curve = b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256))
    tags = {
        b"desc": described,
        b"cprt": b"text\0\0\0\0none\0",
        b"wtpt": xyz(np.array([0.9642, 1.0, 0.8249])),
        b"rXYZ": xyz(columns_xyz_d50[:, 0]),
        b"gXYZ": xyz(columns_xyz_d50[:, 1]),
        b"bXYZ": xyz(columns_xyz_d50[:, 2]),
        b"rTRC": curve,
        b"gTRC": curve,
        b"bTRC": curve,
    }
    table, body = b"", b""
    start = 128 + 4 + 12 * len(tags)
    for signature, content in tags.items():
        table += signature + struct.pack(">II", start + len(body), len(content))
        body += content + b"\0" * (-len(content) % 4)
    size = start + len(body)
    header = struct.pack(">I4sI4s4s4s", size, b"lcms", 0x02100000, b"mntr", b"RGB ", b"XYZ ")
    header += struct.pack(">6H4s", 2026, 1, 1, 0, 0, 0, b"acsp") + b"\0" * 28
    header += b"".join(s15f16(v) for v in (0.9642, 1.0, 0.8249))
    return header.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


# Adobe RGB (1998) specification, version 2005-05, section 4.3.5.3 (D50 colorants), from memory;
# columns add up to the D50 white.
ADOBE_RGB_TO_XYZ_D50 = np.array(
    [[0.60974, 0.20528, 0.14919], [0.31111, 0.62567, 0.06322], [0.01947, 0.06087, 0.74457]]
)
# sRGB to XYZ adapted to D50 by Bradford, as in the common sRGB profiles, from memory.
SRGB_TO_XYZ_D50 = np.array(
    [[0.43607, 0.38515, 0.14307], [0.22249, 0.71687, 0.06061], [0.01392, 0.09708, 0.71410]]
)


def patches(colours: np.ndarray) -> Image.Image:
    """Plain fields of 200 x 400 px side by side."""
    return Image.fromarray(np.tile(np.repeat(colours, 200, axis=0), (400, 1, 1)).astype(np.uint8))


def srgb_encode(linear: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1: linear light to sRGB, both 0 to 1."""
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "HEIF"])
def test_a_wide_gamut_profile_becomes_srgb(kind: str) -> None:
    colours = np.array([[110, 180, 60], [200, 190, 120], [90, 60, 50], [128, 128, 128]])
    linear = (colours / 255) ** (563 / 256)
    expected = srgb_encode(
        np.clip(linear @ (np.linalg.inv(SRGB_TO_XYZ_D50) @ ADOBE_RGB_TO_XYZ_D50).T, 0, 1)
    )
    image = patches(colours)
    profile = matrix_profile(ADOBE_RGB_TO_XYZ_D50, 563 / 256, description="wide")
    options: dict[str, Any] = {} if kind == "PNG" else {"quality": 98}
    photo = load_photo(encode(image, kind, icc_profile=profile, **options))
    measured = photo.pixels[200, 100::200].astype(float)
    assert np.abs(measured - 255 * expected).max() < (1.5 if kind == "PNG" else 4)
    assert np.abs(measured - colours).max() > 12  # the profile did matter


def test_an_srgb_profile_changes_nothing_and_a_broken_one_is_taken_as_srgb() -> None:
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    for profile in (srgb, b"no profile at all", srgb[:200]):
        photo = load_photo(encode(scene(), "PNG", icc_profile=profile))
        assert np.array_equal(photo.pixels, np.asarray(scene()))


P3_NAMED = {
    "color_primaries": 12,
    "transfer_characteristics": 13,
    "matrix_coefficients": 6,
    "full_range_flag": 1,
}


def test_heic_that_only_names_display_p3_becomes_srgb() -> None:
    colours = np.array([[120, 140, 70], [110, 170, 60], [90, 60, 50], [128, 128, 128], [3, 9, 5]])
    photo = load_photo(encode(patches(colours), "HEIF", **{**P3_NAMED, "quality": 98}))
    measured = photo.pixels[200, 100::200].astype(float)
    # colour-science, an independent implementation of both standards.
    expected = colour.RGB_to_RGB(
        colours / 255, "Display P3", "sRGB", apply_cctf_decoding=True, apply_cctf_encoding=True
    )
    assert np.abs(measured - 255 * np.clip(expected, 0, 1)).max() < 4
    assert np.abs(measured - colours).max() > 12


def test_display_p3_pixels_agree_with_an_independent_library() -> None:
    levels = np.random.default_rng(4).integers(0, 256, (40, 60, 3))
    expected = colour.RGB_to_RGB(
        levels / 255, "Display P3", "sRGB", apply_cctf_decoding=True, apply_cctf_encoding=True
    )
    turned = np.asarray(p3_as_srgb(Image.fromarray(levels.astype(np.uint8))))
    assert np.abs(turned - 255 * np.clip(expected, 0, 1)).max() < 1.1


@pytest.mark.parametrize("named", [{"transfer_characteristics": 16}, {"color_primaries": 9}])
def test_high_dynamic_range_is_refused(named: dict[str, int]) -> None:
    with pytest.raises(PhotoProblem, match=r"fern: .* standard range, got HDR or cinema colours"):
        load_photo(encode(scene(), "HEIF", **{**P3_NAMED, **named}), name="fern")
