"""The angle a camera over a shelf needs, against worked figures and pinhole closed forms."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trayvision.kit.shelf_camera import (
    TYPICAL_CANOPY_MM,
    ShelfCamera,
    first_blind_day,
    needed_angle_deg,
)
from trayvision.reference_kit import TraySize

TRAY = TraySize(540, 280, 60)


@pytest.mark.parametrize(
    ("distance_mm", "angle_deg", "within"),
    [(220, 100, 2), (300, 84, 0.5), (400, 68, 0.5), (500, 57, 0.5), (300 - 180, 132, 0.5)],
)
def test_worked_figures_for_a_28_by_54_cm_tray(
    distance_mm: float, angle_deg: float, within: float
) -> None:
    # Worked out by hand for a 28 x 54 cm tray: lens 22, 30, 40 and 50 cm over the seed, and an
    # 18 cm canopy under a 30 cm lens ("about 100", 84, 68, 57 and 132 degrees).
    assert needed_angle_deg(540, distance_mm) == pytest.approx(angle_deg, abs=within)


def test_field_width_of_a_60_degree_lens() -> None:
    # Pinhole: 2 Z tan(FOV / 2) at Z = 1.5 m and 60 degrees is sqrt(3) m.
    assert needed_angle_deg(1732.0508, 1500) == pytest.approx(60, abs=1e-6)


def test_an_overhead_camera_at_30_cm_pitch_is_blind_before_harvest() -> None:
    assert first_blind_day(ShelfCamera.under_shelf(300, 120), size=TRAY) == 6
    assert first_blind_day(ShelfCamera.under_shelf(300, 80), size=TRAY) == 0
    assert first_blind_day(ShelfCamera.under_shelf(600, 80), size=TRAY) is None


def test_the_limit_is_the_canopy_whose_top_just_fills_the_picture() -> None:
    camera = ShelfCamera(300, needed_angle_deg(540, 120))
    assert camera.tallest_canopy_seen_mm(TRAY) == pytest.approx(180)
    assert first_blind_day(camera, size=TRAY, canopy_mm={6: 179.9, 7: 180.1}) == 7


def test_the_short_side_decides_for_a_square_tray() -> None:
    # 4:3 picture, 90 degrees along the long side: tan 45 = 1, so the short side sees 3/4 of the
    # distance to each side; a 300 mm square tray needs 150 / 0.75 = 200 mm.
    camera = ShelfCamera(300, 90)
    assert camera.tallest_canopy_seen_mm(TraySize(300, 300, 60)) == pytest.approx(100)


@given(
    height=st.floats(100, 900),
    wider=st.floats(0, 40),
    higher=st.floats(0, 300),
    angle=st.floats(40, 120),
)
def test_higher_or_wider_is_never_blind_earlier(
    height: float, wider: float, higher: float, angle: float
) -> None:
    never = max(TYPICAL_CANOPY_MM) + 1
    before = first_blind_day(ShelfCamera(height, angle), size=TRAY)
    after = first_blind_day(ShelfCamera(height + higher, angle + wider), size=TRAY)
    assert (never if after is None else after) >= (never if before is None else before)


def test_senseless_arguments_are_named() -> None:
    with pytest.raises(ValueError, match=r"lens_angle_deg must be from 10 to 170, got 180"):
        ShelfCamera(300, 180)
    with pytest.raises(ValueError, match=r"lens_above_floor_mm must be above 0, got 0"):
        ShelfCamera(0, 80)
    with pytest.raises(ValueError, match=r"aspect must be at least 1, got 0\.75"):
        ShelfCamera(300, 80, 0.75)
    with pytest.raises(ValueError, match=r"shelf_pitch_mm must be above 40, got 30"):
        ShelfCamera.under_shelf(30, 80)
    with pytest.raises(ValueError, match=r"distance_mm must be above 0, got 540 and 0"):
        needed_angle_deg(540, 0)
