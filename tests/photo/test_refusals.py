"""What is no photo, or a damaged one, is refused in one sentence and never crashes."""

import io
import struct
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL.Image import Transpose

from tests.photo.encoded_pictures import TOLERANCE, encode, png_of, scene
from trayvision.photo.photo import load_photo
from trayvision.quality_flags import PhotoProblem


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
