import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image

from trayvision.camera.camera import Camera
from trayvision.measurement import Measurement
from trayvision.measures.bed_height import TYPICAL_BED_HEIGHT_MM
from trayvision.measures.canopy_height import measure_canopy_height
from trayvision.photo.photo import load_photo
from trayvision.pose.pose import find_trays
from trayvision.pose.tray_pose import TrayPose
from trayvision.reference_kit import TraySize
from trayvision.synthetic.tray import DrawnTray, View, as_photo, draw_photo

SIZE = TraySize(400.0, 250.0, 50.0)
CAMERA = Camera.typical(1300, 1000, focal_px=1100.0)
VIEW = View.looking_at((-260.0, -40.0, 620.0), (20.0, 0.0, 0.0))


def photo_of(
    tray: DrawnTray, view: View = VIEW, *, blur_px: float = 0.7, noise: float = 1.0
) -> tuple[npt.NDArray[np.uint8], TrayPose]:
    pixels = draw_photo([(tray, view)], CAMERA, seed=5, blur_px=blur_px, noise=noise)
    (pose,) = find_trays(as_photo(pixels), size=tray.size, camera=CAMERA).poses
    return pixels, pose


def height_of(
    tray: DrawnTray, view: View = VIEW, *, blur_px: float = 0.7, noise: float = 1.0
) -> Measurement:
    pixels, pose = photo_of(tray, view, blur_px=blur_px, noise=noise)
    return measure_canopy_height(as_photo(pixels), pose).canopy_height_mm


@pytest.mark.parametrize("height_mm", [24.0, 47.0, 63.0, 95.0, 120.0])
def test_closed_canopy_hides_the_strip_up_to_its_line_of_sight(height_mm: float) -> None:
    # A flat closed canopy reaches to the strip's foot, so the line of sight to the lowest strip
    # point seen touches the canopy at the strip itself: its height is the canopy's.
    measured = height_of(DrawnTray(17, SIZE, cover=1.0, canopy_height_mm=height_mm))
    assert measured.value is not None
    assert measured.uncertainty is not None
    assert measured.value == pytest.approx(height_mm, abs=2.5)
    assert abs(measured.value - height_mm) <= 1.96 * measured.uncertainty


def test_heights_miss_the_truth_by_what_is_stated() -> None:
    rng = np.random.default_rng(44)
    misses = []
    for _ in range(16):
        height_mm = float(rng.uniform(20.0, 130.0))
        eye = (rng.uniform(-330, -180), rng.uniform(-120, 120), rng.uniform(540, 720))
        view = View.looking_at(eye, (20.0, 0.0, 0.0))
        measured = height_of(
            DrawnTray(17, SIZE, cover=1.0, canopy_height_mm=height_mm),
            view,
            blur_px=float(rng.uniform(0.5, 1.8)),
            noise=float(rng.uniform(0.5, 6.0)),
        )
        assert measured.value is not None and measured.uncertainty is not None
        misses.append((measured.value - height_mm) / measured.uncertainty)
    assert 0.5 < np.sqrt(np.mean(np.square(misses))) < 1.3
    assert np.mean(np.abs(misses) < 1.96) >= 0.9


@pytest.mark.parametrize("bed_mm", [8.0, 13.0, 18.0])
def test_bare_bed_is_read_as_the_bed(bed_mm: float) -> None:
    straw = (150, 120, 80)
    tray = DrawnTray(17, SIZE, green=straw, cover=1.0, bed_height_mm=0.0, canopy_height_mm=bed_mm)
    measured = height_of(tray)
    assert measured.value == pytest.approx(bed_mm, abs=3.0)


@pytest.mark.parametrize("bed_mm", [3.0, 6.0, 9.0])
@pytest.mark.parametrize("bed_colour", [(150, 120, 80), (28, 26, 24)], ids=["straw", "in shade"])
def test_a_bed_within_the_lowest_band_is_known_to_lie_there(
    bed_mm: float, bed_colour: tuple[int, int, int]
) -> None:
    # The lowest band, 0 to 10 mm, is black: a bed in shade is no darker, and hides nothing of it.
    tray = DrawnTray(
        17, SIZE, green=bed_colour, cover=1.0, bed_height_mm=0.0, canopy_height_mm=bed_mm
    )
    measured = height_of(tray)
    assert measured.value is not None and measured.uncertainty is not None
    assert 5.0 <= measured.value <= 11.0
    assert abs(measured.value - bed_mm) <= 1.96 * measured.uncertainty


def test_blur_noise_and_dim_light_move_it_no_more_than_stated() -> None:
    tray = DrawnTray(17, SIZE, cover=1.0, canopy_height_mm=71.0)
    for measured in (height_of(tray, blur_px=1.6), height_of(tray, noise=6.0)):
        assert measured.value is not None
        assert measured.uncertainty is not None
        assert abs(measured.value - 71.0) <= 2 * measured.uncertainty + 1


def test_single_blade_across_the_strip_does_not_raise_the_canopy() -> None:
    tray = DrawnTray(17, SIZE, cover=1.0, canopy_height_mm=60.0)
    pixels, pose = photo_of(tray)
    start, end = pose.project(
        SIZE.strip_points_mm(np.array([120.0, 150.0]), np.array([-20.0, 20.0]))
    )
    steps = np.linspace(0, 1, 400)[:, None]
    for x, y in np.rint(start + (end - start) * steps).astype(int):
        pixels[y - 2 : y + 3, x - 2 : x + 3] = (90, 150, 60)
    measured = measure_canopy_height(as_photo(pixels), pose).canopy_height_mm
    assert measured.value == pytest.approx(60.0, abs=3.0)


def test_strip_seen_edge_on_cannot_be_read() -> None:
    above = View.looking_at((195.0, 10.0, 700.0), (60.0, 0.0, 0.0))
    measured = height_of(DrawnTray(17, SIZE), above)
    assert measured.value is None
    assert measured.reason == "strip_not_seen"


def test_tray_without_a_strip_has_no_height() -> None:
    measured = height_of(replace(DrawnTray(17, SIZE), strip=False))
    assert measured.value is None
    assert measured.reason == "strip_unclear"


def test_height_that_is_less_than_its_own_uncertainty_is_not_told() -> None:
    pixels, pose = photo_of(DrawnTray(17, SIZE, cover=1.0, canopy_height_mm=40.0))
    unsure = replace(pose, covariance=1e6 * pose.covariance)
    measured = measure_canopy_height(as_photo(pixels), unsure).canopy_height_mm
    assert (measured.value, measured.reason) == (None, "strip_unclear")


def test_tall_canopy_that_is_known_to_half_of_itself_is_not_told() -> None:
    pixels, pose = photo_of(DrawnTray(17, SIZE, cover=1.0, canopy_height_mm=95.0))
    photo = as_photo(pixels)
    point = SIZE.strip_points_mm(np.array([95.0]), np.array([0.0]))
    own_mm = replace(pose, lens_covariance=None).position_uncertainty_mm(point).max()
    for unsure_mm, told in ((40.0, True), (60.0, False)):
        spread = (unsure_mm / own_mm) ** 2 * pose.covariance
        unsure = replace(pose, covariance=spread, lens_covariance=None)
        measured = measure_canopy_height(photo, unsure).canopy_height_mm
        assert (measured.value is not None) == told
        assert measured.reason == (None if told else "strip_unclear")


def test_shoot_height_is_above_the_bed_that_is_known_or_assumed() -> None:
    tray = DrawnTray(17, SIZE, cover=1.0, canopy_height_mm=80.0)
    pixels, pose = photo_of(tray)
    photo = as_photo(pixels)
    known = measure_canopy_height(photo, pose, bed_height_mm=Measurement(20.0, 1.0, "mm"))
    assumed = measure_canopy_height(photo, pose)
    canopy = known.canopy_height_mm.value
    assert canopy is not None
    assert known.shoot_height_mm.value == pytest.approx(canopy - 20.0)
    assert assumed.shoot_height_mm.value == pytest.approx(canopy - TYPICAL_BED_HEIGHT_MM)
    assert "bed_height_assumed" in assumed.doubts
    assert "bed_height_assumed" not in known.doubts
    assert known.shoot_height_mm.uncertainty is not None
    assert assumed.shoot_height_mm.uncertainty is not None
    assert assumed.shoot_height_mm.uncertainty > known.shoot_height_mm.uncertainty


def test_shoots_below_the_bed_that_is_known_have_no_height_and_not_less() -> None:
    pixels, pose = photo_of(DrawnTray(17, SIZE, cover=1.0, canopy_height_mm=24.0))
    bed = Measurement(30.0, 1.0, "mm")
    assert (
        measure_canopy_height(as_photo(pixels), pose, bed_height_mm=bed).shoot_height_mm.value == 0
    )


def test_a_pose_that_is_less_sure_makes_the_height_less_sure() -> None:
    pixels, pose = photo_of(DrawnTray(17, SIZE, cover=1.0, canopy_height_mm=63.0))
    sure = replace(pose, lens_covariance=None)
    unsure = replace(sure, covariance=100**2 * sure.covariance)
    first, second = (measure_canopy_height(as_photo(pixels), one) for one in (sure, unsure))
    height = first.canopy_height_mm
    assert height.value is not None and height.uncertainty is not None
    assert second.canopy_height_mm.value == height.value
    at_strip = sure.position_uncertainty_mm(
        SIZE.strip_points_mm(np.array([height.value]), np.array([0.0]))
    ).max()
    # Independent parts add as squares (JCGM 100:2008, 5.1.2), and this one is 100 times as large.
    expected = np.sqrt(height.uncertainty**2 + (100**2 - 1) * at_strip**2)
    assert second.canopy_height_mm.uncertainty == pytest.approx(expected)
    assert expected > 2 * height.uncertainty


def test_saving_a_photo_anew_hardly_moves_its_height() -> None:
    # Its blades thin out over 2 cm: two heights 1 cm apart part seen from hidden equally well.
    path = Path(__file__).parents[2] / "sample_images/photos/day6-barley-healthy-fixed.jpg"
    smaller = io.BytesIO()
    with Image.open(path) as picture:
        picture.save(smaller, "JPEG", quality=50, exif=picture.getexif())
    heights = []
    for content in (path.read_bytes(), smaller.getvalue()):
        photo = load_photo(content)
        (pose,) = find_trays(photo, size=TraySize(500.0, 250.0, 60.0)).poses
        heights.append(measure_canopy_height(photo, pose).canopy_height_mm.value)
    first, second = heights
    assert first is not None and second is not None
    assert abs(first - second) < 5.0
