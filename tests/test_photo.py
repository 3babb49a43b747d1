"""The decoder: every format and orientation, hostile bytes, the pixel grid, colour profiles."""

import io
import struct
import zlib
from hashlib import sha256
from pathlib import Path
from typing import Any

import colour
import numpy as np
import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms
from PIL.Image import Transpose

from trayvision.photo import Photo, load_photo
from trayvision.photo_pixels import p3_as_srgb
from trayvision.quality_flags import Doubt, PhotoProblem

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


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", sorted(TOLERANCE))
def test_every_format_and_orientation_gives_the_same_upright_picture(
    kind: str, orientation: int
) -> None:
    data = encode(scene(), kind, orientation=orientation)
    photo = load_photo(data, name="tray.jpg")
    assert (photo.width, photo.height, photo.reduction) == (640, 420, 1)
    assert photo.pixels.dtype == np.uint8 and photo.pixels.flags["C_CONTIGUOUS"]
    assert photo.sha256 == sha256(data).hexdigest()
    difference = np.abs(photo.pixels.astype(np.int16) - pixels_of(scene()))
    assert difference.mean() <= TOLERANCE[kind]


def dots_scene(width: int, height: int) -> tuple[Image.Image, np.ndarray]:
    """White discs on black and their centres in px: what shows a shifted grid."""
    centres = np.array([[301.3, 212.7], [1502.6, 333.1], [811.2, 901.9]])
    rows, columns = np.mgrid[0:height, 0:width]
    image = np.full((height, width), 20.0)
    for x, y in centres:
        image += 210 * np.clip(30.5 - np.hypot(columns - x, rows - y), 0, 1)
    return Image.fromarray(np.rint(image).astype(np.uint8)).convert("RGB"), centres


def disc_centre(photo: Photo, near_px: np.ndarray) -> np.ndarray:
    """Centroid (x, y), full-size px, of the disc near a full-size point."""
    x, y = np.rint(photo.to_working(near_px)).astype(int)
    reach = 40 // photo.reduction + 4
    part = photo.pixels[y - reach : y + reach + 1, x - reach : x + reach + 1, 1].astype(float)
    weight = np.clip(part - 24, 0, None)
    rows, columns = np.mgrid[y - reach : y + reach + 1, x - reach : x + reach + 1]
    total = weight.sum()
    return photo.to_full([(columns * weight).sum() / total, (rows * weight).sum() / total])


@pytest.mark.parametrize("size", [(3400, 1300), (3401, 1303), (6401, 1205)])
@pytest.mark.parametrize(
    ("kind", "orientation"), [("JPEG", 1), ("JPEG", 3), ("JPEG", 6), ("PNG", 8)]
)
def test_a_point_keeps_its_place_at_the_working_resolution(
    size: tuple[int, int], kind: str, orientation: int
) -> None:
    image, centres = dots_scene(*size)
    options: dict[str, Any] = {"compress_level": 1} if kind == "PNG" else {"subsampling": 0}
    photo = load_photo(encode(image, kind, orientation=orientation, **options))
    assert (photo.width, photo.height) == size
    assert photo.reduction == (4 if size[0] >= 6400 else 2)
    assert photo.pixels.shape[:2] == (
        -(-size[1] // photo.reduction),
        -(-size[0] // photo.reduction),
    )
    for centre in centres:
        assert disc_centre(photo, centre) == pytest.approx(centre, abs=0.05)


def test_jpeg_from_its_dct_and_averaged_png_agree() -> None:
    image = scene(3300, 2100)
    halved = load_photo(encode(image, "JPEG", quality=95)).pixels.astype(np.int16)
    averaged = load_photo(encode(image, "PNG", compress_level=1)).pixels.astype(np.int16)
    assert halved.shape == averaged.shape == (1050, 1650, 3)
    assert np.abs(halved - averaged).mean() < 1.0


@given(
    reduction=st.sampled_from([1, 2, 4, 8]),
    points=st.lists(st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)), min_size=1, max_size=5),
)
def test_full_and_working_points_are_inverse(
    reduction: int, points: list[tuple[float, float]]
) -> None:
    photo = Photo("p", "", np.zeros((3, 5, 3), np.uint8), 40, 24, None, None, (), reduction)
    assert photo.to_full(photo.to_working(points)) == pytest.approx(np.array(points), abs=1e-9)
    # The corner of the first pixel is the corner of the first working pixel.
    assert photo.to_full([-0.5, -0.5]) == pytest.approx(np.array([-0.5, -0.5]))
    assert photo.scale * reduction == 1.0


def test_the_bytes_decide_not_the_name(tmp_path: Path) -> None:
    path = tmp_path / "tray.png"
    path.write_bytes(encode(scene()))
    by_path, by_text = load_photo(path), load_photo(str(path))
    assert by_path.name == str(path)
    assert np.array_equal(by_path.pixels, by_text.pixels)


def test_a_large_phone_photo_inside_a_multi_picture_file_is_its_first_picture() -> None:
    first, preview = scene(), scene(320, 210)
    buffer = io.BytesIO()
    first.save(buffer, "MPO", save_all=True, append_images=[preview], quality=92)
    photo = load_photo(buffer.getvalue())
    assert np.abs(photo.pixels.astype(np.int16) - pixels_of(first)).mean() <= TOLERANCE["JPEG"]


# Modes -------------------------------------------------------------------------------------


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


def test_palette_photo_gives_its_colours() -> None:
    palette = scene().quantize(64)
    photo = load_photo(encode(palette, "PNG"))
    assert np.array_equal(photo.pixels, np.asarray(palette.convert("RGB")))


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


# Refusals ----------------------------------------------------------------------------------


def test_animated_pictures_are_refused() -> None:
    for kind in ("PNG", "WEBP", "TIFF"):
        buffer = io.BytesIO()
        scene().save(
            buffer, kind, save_all=True, append_images=[scene().transpose(Transpose.ROTATE_180)]
        )
        with pytest.raises(PhotoProblem, match=r"film: .* one still picture, got 2 frames"):
            load_photo(buffer.getvalue(), name="film")


def test_too_small_is_refused_and_says_its_size() -> None:
    with pytest.raises(PhotoProblem, match=r"0\.2 to 64 megapixels, got 400 x 300 \(0\.12 mega"):
        load_photo(encode(scene(400, 300)))


@pytest.mark.parametrize("side", [8001, 20_000, 60_000])
def test_enormous_is_refused_from_its_header(side: int) -> None:
    # The files hold a header and next to no pixels, so only the header can have been read.
    jpeg = bytearray(encode(scene(640, 480)))
    frame = jpeg.index(b"\xff\xc0")
    jpeg[frame + 5 : frame + 9] = struct.pack(">HH", side, side)
    for data in (bytes(jpeg), png_of(np.zeros((1, 1)), 0, (side, side))):
        with pytest.raises(PhotoProblem, match=rf"64 megapixels, got {side} x {side}"):
            load_photo(data)


def test_enormous_webp_is_refused() -> None:
    canvas = struct.pack("<I", 16_383 - 1)[:3] * 2
    data = b"RIFF" + struct.pack("<I", 22) + b"WEBPVP8X" + struct.pack("<II", 10, 0) + canvas
    with pytest.raises(PhotoProblem, match=r"64 megapixels|undamaged"):
        load_photo(data)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", r"tray: .* must not be empty, got 0 bytes"),
        (b"hello, world", r"tray: .* JPEG, PNG, WebP, HEIC or TIFF, got .*b'hello, w'"),
        (b"GIF89a" + bytes(50), r"tray: .* JPEG, PNG, WebP, HEIC or TIFF, got .*b'GIF89a"),
        (b"\xff\xd8\xff\xe0" + bytes(40), r"tray: .* whole and undamaged"),
        (b"\0\0\0\x18ftypheic" + bytes(40), r"tray: .* whole and undamaged"),
        (b"II*\0" + bytes(40), r"tray: .* whole and undamaged"),
    ],
)
def test_what_is_no_photo_is_refused_in_one_sentence(data: bytes, message: str) -> None:
    with pytest.raises(PhotoProblem, match=message) as caught:
        load_photo(data, name="tray")
    assert "\n" not in str(caught.value)


def test_paths_that_hold_no_file_are_refused(tmp_path: Path) -> None:
    with pytest.raises(PhotoProblem, match=r"gone\.jpg: .* cannot be read \(No such file"):
        load_photo(tmp_path / "gone.jpg")
    with pytest.raises(PhotoProblem, match=r"must be a file, and this is a folder"):
        load_photo(tmp_path)
    with pytest.raises(PhotoProblem, match=r"cannot be read"):
        load_photo("tray\0.jpg")


def test_a_file_too_large_to_be_a_photo_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "huge.jpg"
    with path.open("wb") as file:
        file.truncate(600_000_000)  # sparse: takes no room on the disk
    with pytest.raises(PhotoProblem, match=r"at most 500 MB, got 600 MB"):
        load_photo(path)


WHOLE = {kind: encode(scene(560, 380), kind, orientation=6) for kind in TOLERANCE}


@settings(max_examples=60, deadline=None)
@given(kind=st.sampled_from(sorted(WHOLE)), share=st.floats(0, 1, exclude_max=True))
def test_a_photo_cut_short_is_refused_or_whole(kind: str, share: float) -> None:
    data = WHOLE[kind]
    try:
        photo = load_photo(data[: int(share * len(data))])
    except PhotoProblem:
        return
    # Only padding and marks after the last pixel may be missing.
    assert np.array_equal(photo.pixels, load_photo(data).pixels)


@settings(max_examples=100, deadline=None)
@given(
    kind=st.sampled_from(sorted(WHOLE)),
    damage=st.lists(st.tuples(st.floats(0, 0.999), st.integers(0, 255)), min_size=1, max_size=8),
    front=st.booleans(),
)
def test_damaged_bytes_give_a_photo_or_a_sentence(
    kind: str, damage: list[tuple[float, int]], front: bool
) -> None:
    data = bytearray(WHOLE[kind])
    reach = 400 if front else len(data)
    for place, value in damage:
        data[int(place * reach)] = value
    try:
        outcome = f"tray: {load_photo(bytes(data), name='tray').pixels.shape[2]} channels"
    except PhotoProblem as problem:
        outcome = str(problem)
    assert outcome.startswith("tray: ")
