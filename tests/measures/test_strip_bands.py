"""The height strip as drawn views of it: which of it is seen. All views are invented."""

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from trayvision.measures.strip_bands import PITCH_MM, bands_go_on, seen_profile, stands_before

WHITE, BLACK, STRAW = 200.0, 40.0, (150.0, 110.0, 60.0)
TOP_MM, WIDTH_PX = 240, 69
View = npt.NDArray[np.float32]


def strip(*, fading: float = 0.0, noise: float = 2.0) -> View:
    """A clear strip; towards the floor its contrast falls by `fading`."""
    heights_mm = (np.arange(int(TOP_MM / PITCH_MM)) + 0.5) * PITCH_MM
    middle, half = (WHITE + BLACK) / 2, (WHITE - BLACK) / 2
    sign = np.where(heights_mm // 10 % 2 == 1, 1.0, -1.0)
    level = middle + sign * half * (1 - fading * (1 - heights_mm / TOP_MM))
    view = np.repeat(np.repeat(level[:, None, None], WIDTH_PX, axis=1), 3, axis=2)
    drawn = view + np.random.default_rng(4).normal(0, noise, view.shape)
    return np.asarray(drawn, dtype=np.float32)


def grown(view: View, height_mm: float, colour: tuple[float, float, float], rough: float) -> View:
    """The same with a canopy before it up to a height."""
    rows = round(height_mm / PITCH_MM)
    texture = np.random.default_rng(5).normal(0, rough, (rows, WIDTH_PX, 1))
    covered = view.copy()
    covered[:rows] = np.array(colour) + texture
    return covered


def profile_of(view: View) -> npt.NDArray[np.float64]:
    profile = seen_profile(view)
    assert profile is not None
    assert profile.shape == (TOP_MM,)
    assert profile.min() >= 0
    assert profile.max() <= 1
    return profile


def test_a_clear_strip_is_seen_from_top_to_floor() -> None:
    # Within a millimetre of an edge its two bands are mixed.
    assert np.median(profile_of(strip())) == pytest.approx(1.0, abs=0.02)
    assert profile_of(strip()).min() > 0.3


@pytest.mark.parametrize("height_mm", [15.0, 37.0, 66.0, 120.0])
def test_straw_hides_it_up_to_its_height(height_mm: float) -> None:
    profile = profile_of(grown(strip(), height_mm, STRAW, 12.0))
    line = round(height_mm)
    assert profile[: line - 6].mean() < 0.1
    assert profile[line + 6 :].mean() > 0.9


def test_a_root_mat_as_white_as_a_white_band_is_doubted() -> None:
    profile = profile_of(grown(strip(), 18.0, (WHITE, WHITE, WHITE), 10.0))
    # By its pixels alone all of it would be seen.
    assert profile[10:14].max() < 0.65
    assert profile[:9].mean() < 0.1
    assert profile[26:].mean() > 0.9


def test_fading_bands_are_still_seen_by_their_edges() -> None:
    fading = profile_of(strip(fading=0.75, noise=1.0))
    assert fading[12:40].mean() > 0.35
    hidden = profile_of(grown(strip(fading=0.75, noise=1.0), 45.0, STRAW, 3.0))
    assert hidden[12:38].mean() < 0.1


@pytest.mark.parametrize("level", [BLACK, 128.0, WHITE])
def test_a_surface_without_bands_is_no_strip(level: float) -> None:
    view = np.full((480, WIDTH_PX, 3), level, dtype=np.float32)
    view += np.random.default_rng(6).normal(0, 2, view.shape).astype(np.float32)
    assert seen_profile(view) is None


def test_a_top_that_is_covered_is_no_strip() -> None:
    covered = strip()
    covered[-100:] = STRAW
    covered[-100:] += np.random.default_rng(7).normal(0, 30, covered[-100:].shape)
    assert seen_profile(covered) is None


@pytest.mark.parametrize("shift_mm", [4.0, -5.0, 10.0])
def test_bands_that_lie_at_other_heights_are_no_reading(shift_mm: float) -> None:
    # What a pose that is some millimetres off makes of the strip.
    view = grown(strip(), 40.0, STRAW, 12.0)
    assert seen_profile(view) is not None
    assert seen_profile(np.roll(view, round(shift_mm / PITCH_MM), axis=0)) is None


@pytest.mark.parametrize("height_mm", [12.0, 60.0, 150.0])
def test_what_is_too_smooth_for_a_canopy_does_not_stand_before_the_strip(height_mm: float) -> None:
    canopy = grown(strip(), height_mm, STRAW, 12.0)
    assert stands_before(canopy, height_mm)
    assert stands_before(canopy, 3.0)
    smeared = np.asarray(cv2.GaussianBlur(canopy, (0, 0), 12.0), dtype=np.float32)
    assert not stands_before(smeared, height_mm)


@pytest.mark.parametrize("light_left", [0.12, 0.2, 0.4])
@pytest.mark.parametrize("height_mm", [55.0, 90.0])
def test_bands_that_go_on_in_a_shadow_are_no_canopy(light_left: float, height_mm: float) -> None:
    view = grown(strip(noise=1.0), 20.0, STRAW, 12.0)
    rows = round(height_mm / PITCH_MM)
    view[:rows] *= light_left
    assert bands_go_on(view, height_mm)
    canopy = grown(strip(noise=1.0), height_mm, STRAW, 30.0)
    assert not bands_go_on(canopy, height_mm)
