import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trayvision.reference_kit import TraySize, tag_id, tray_and_corner

SIZE = TraySize(540.0, 280.0, 60.0)


def test_tag_centres_lie_where_the_kit_puts_them() -> None:
    # The kit's own table: rim tags 20 mm outside the opening's short ends, 20 mm in from its
    # long sides; head tags 20 mm up a 45 degree slope from (length / 2, ±28, 180).
    rise = 20 / np.sqrt(2)
    expected = {
        0: (-290, 120, 0),
        1: (-290, -120, 0),
        2: (290, -120, 0),
        3: (290, 120, 0),
        4: (270 + rise, 28, 180 + rise),
        5: (270 + rise, -28, 180 + rise),
    }
    for corner, centre in expected.items():
        assert SIZE.tag_corners_mm(corner).mean(axis=0) == pytest.approx(centre)


@pytest.mark.parametrize("corner", range(6))
def test_tag_is_a_square_of_30_mm_facing_up_or_back(corner: int) -> None:
    corners = SIZE.tag_corners_mm(corner)
    assert np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1) == pytest.approx(30)
    down, right = corners[3] - corners[0], corners[1] - corners[0]
    normal = np.cross(right, -down) / 900
    facing = (0, 0, 1) if corner < 4 else (-np.sqrt(0.5), 0, np.sqrt(0.5))
    assert normal == pytest.approx(facing)


@given(st.integers(0, 95), st.integers(0, 5))
def test_ids_and_corners_are_inverse(number: int, corner: int) -> None:
    assert tray_and_corner(tag_id(number, corner)) == (number, corner)


def test_carried_strip_has_only_a_head() -> None:
    assert (tag_id(96, 4), tag_id(96, 5)) == (580, 581)
    with pytest.raises(ValueError, match=r"corner must be 0 to 5 \(4 or 5 for number 96\), got 0"):
        tag_id(96, 0)


@given(st.floats(100, 3000), st.floats(80, 2000), st.floats(10, 400))
def test_size_survives_its_own_text(length: float, width: float, depth: float) -> None:
    size = TraySize(round(length, 1), round(width, 1), round(depth, 1))
    assert TraySize.parse(f"{size.length_mm}x{size.width_mm}x{size.depth_mm}") == size


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("540x280", "must be LENGTHxWIDTHxDEPTH in mm, such as 540x280x60, got '540x280'"),
        ("a tray", "got 'a tray'"),
        ("54x28x6", "length_mm must be from 100 to 3000 mm, got 54.0"),
        ("540x280x900", "depth_mm must be from 10 to 400 mm, got 900.0"),
    ],
)
def test_bad_size_is_refused(text: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        TraySize.parse(text)
