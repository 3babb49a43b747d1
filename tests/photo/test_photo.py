"""The decoder: every format and orientation, and the grid of the working pixels."""

import io
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from tests.photo.encoded_pictures import TOLERANCE, encode, pixels_of, scene
from trayvision.photo.photo import Photo, load_photo


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
    levels = np.full((height, width), 20, dtype=np.uint8)
    for x, y in centres:
        left, top = int(x) - 40, int(y) - 40
        rows, columns = np.mgrid[top : top + 81, left : left + 81]
        disc = np.clip(30.5 - np.hypot(columns - x, rows - y), 0, 1)
        levels[top : top + 81, left : left + 81] = np.rint(20 + 210 * disc)
    return Image.fromarray(levels).convert("RGB"), centres


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
