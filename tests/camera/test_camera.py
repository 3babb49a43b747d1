"""Pinhole and homography closed forms, the camera file, and calibration from drawn sheets."""

import json
from dataclasses import replace
from functools import cache
from math import radians, tan

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trayvision.camera.calibration import (
    GREATEST_FOCAL_DIFFERENCE,
    GREATEST_RMS_PER_WIDTH,
    calibrate,
    sheet_board,
)
from trayvision.camera.camera import Camera, CameraSource
from trayvision.photo.photo import Photo
from trayvision.quality_flags import PhotoProblem
from trayvision.reference_kit import CHARUCO_SHEET
from trayvision.synthetic.tray import as_photo

FloatArray = npt.NDArray[np.float64]

BOARD_POINTS = np.array([[-0.3, -0.2, 0], [0.3, -0.2, 0], [0.3, 0.2, 0], [-0.3, 0.2, 0]])


def _seen_points() -> FloatArray:
    turn = radians(30)
    rotation = np.array(
        [[1, 0, 0], [0, np.cos(turn), -np.sin(turn)], [0, np.sin(turn), np.cos(turn)]]
    )
    return np.asarray(BOARD_POINTS @ rotation.T + [0, 0, 1.0])


@pytest.mark.parametrize(
    ("distortion", "expected"),
    [
        # Pinhole rotated 30 degrees about x, computed independently from x/z and y/z.
        (
            (0.0, 0.0, 0.0, 0.0, 0.0),
            [
                (53.333333, 86.039928),
                (586.666667, 86.039928),
                (538.181818, 365.967331),
                (101.818182, 365.967331),
            ],
        ),
        # The same with radial distortion k1 = 0.1, k2 = -0.05 (cv2.projectPoints).
        (
            (0.1, -0.05, 0.0, 0.0, 0.0),
            [
                (49.675354, 83.927993),
                (590.324646, 83.927993),
                (540.23831, 367.154647),
                (99.76169, 367.154647),
            ],
        ),
    ],
)
def test_projection_of_a_tilted_board(
    distortion: tuple[float, ...], expected: list[tuple[float, float]]
) -> None:
    camera = Camera(640, 480, 800.0, 800.0, 320.0, 240.0, distortion)
    np.testing.assert_allclose(camera.project(_seen_points()), expected, atol=1e-5)


# f = W / (2 tan(FOV / 2)), closed form.
@pytest.mark.parametrize(
    ("width", "degrees", "focal_px"),
    [(640, 60, 554.2563), (1920, 70, 1371.0221), (4000, 80, 2383.5072)],
)
def test_field_of_view(width: int, degrees: float, focal_px: float) -> None:
    camera = Camera.typical(width, 400, focal_px=focal_px)
    half_mm = 1000.0 * tan(radians(degrees / 2))
    left, right = camera.project(np.array([[-half_mm, 0, 1000.0], [half_mm, 0, 1000.0]]))
    assert right[0] - left[0] == pytest.approx(width, abs=1e-3)


def test_marker_of_50_mm_at_500_mm_is_80_px_under_800_px_focal_length() -> None:
    camera = Camera(1000, 700, 800.0, 800.0, 480.0, 360.0)
    ends = camera.project(np.array([[-25.0, 10.0, 500.0], [25.0, 10.0, 500.0]]))
    assert ends[1, 0] - ends[0, 0] == pytest.approx(80.0, abs=1e-9)


def test_homography_of_the_unit_square_is_heckberts() -> None:
    # Heckbert 1989, closed form of the square-to-quadrilateral mapping.
    expected = [
        [392.48927039, 57.33905579, 100],
        [18.19742489, 359.91416309, 100],
        [-0.01502145923, 0.21030042918, 1],
    ]
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float32)
    quad = np.array([[100, 100], [500, 120], [460, 400], [130, 380]], dtype=np.float32)
    homography = cv2.getPerspectiveTransform(square, quad)
    np.testing.assert_allclose(homography, expected, rtol=1e-8)
    centre = homography @ [0.5, 0.5, 1.0]
    # The crossing of the quadrilateral's diagonals.
    np.testing.assert_allclose(centre[:2] / centre[2], [296.01173021, 263.3431085], atol=1e-6)


def test_points_behind_the_camera_have_no_pixel() -> None:
    camera = Camera(640, 480, 500.0, 500.0, 320.0, 240.0)
    pixels = camera.project(np.array([[[0.0, 0.0, -10.0], [0.0, 0.0, 10.0]]]))
    assert np.isnan(pixels[0, 0]).all()
    np.testing.assert_allclose(pixels[0, 1], [320.0, 240.0])


small = st.floats(-1.0, 1.0)


@given(k1=small, k2=small, p1=small, p2=small, x=st.floats(0, 639), y=st.floats(0, 479))
def test_undistort_inverts_project(
    k1: float, k2: float, p1: float, p2: float, x: float, y: float
) -> None:
    distortion = (0.2 * k1, 0.05 * k2, 0.003 * p1, 0.003 * p2, 0.0)
    camera = Camera(640, 480, 600.0, 610.0, 331.0, 229.0, distortion)
    ray = camera.undistort(np.array([[x, y]]))
    back = camera.project(np.append(ray[0], 1.0))
    np.testing.assert_allclose(back, [x, y], atol=0.01)


share = st.floats(0.0, 1.0, allow_nan=False)
coefficient = st.floats(-0.02, 0.02, allow_nan=False)


@given(
    size=st.tuples(st.integers(100, 20000), st.integers(100, 20000)),
    focal=st.floats(2.0, 49.0),
    stretch=st.floats(0.95, 1.02),
    centre=st.tuples(share, share),
    distortion=st.tuples(*[coefficient] * 5),
    unsure=st.tuples(st.floats(1e-6, 0.3), st.floats(1e-6, 300.0)),
)
def test_camera_file_keeps_every_number(
    size: tuple[int, int],
    focal: float,
    stretch: float,
    centre: tuple[float, float],
    distortion: tuple[float, ...],
    unsure: tuple[float, float],
) -> None:
    fx = focal * max(size)
    at = ((size[0] - 1) * centre[0], (size[1] - 1) * centre[1])
    camera = Camera(*size, fx, fx * stretch, *at, distortion, CameraSource.KNOWN, *unsure)
    assert Camera.from_json(camera.to_json()) == camera


def test_camera_file_has_the_published_fields_and_its_uncertainties() -> None:
    camera = Camera(640, 480, 500.0, 501.0, 320.0, 240.0, (0.1, 0, 0, 0, 0))
    assert json.loads(replace(camera, centre_uncertainty_px=2.5).to_json()) == {
        "width": 640,
        "height": 480,
        "fx": 500.0,
        "fy": 501.0,
        "cx": 320.0,
        "cy": 240.0,
        "distortion": [0.1, 0, 0, 0, 0],
        "focal_relative_uncertainty": 0.002,
        "centre_uncertainty_px": 2.5,
    }


def test_camera_file_that_says_no_uncertainty_is_not_taken_as_exact() -> None:
    camera = Camera.from_json(json.dumps(GOOD))
    assert camera.focal_relative_uncertainty == 0.002
    assert camera.centre_uncertainty_px == pytest.approx(0.003 * 640)


GOOD = {
    "width": 640,
    "height": 480,
    "fx": 500,
    "fy": 500,
    "cx": 320,
    "cy": 240,
    "distortion": [0, 0, 0, 0, 0],
}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"fx": None}, "camera fx must be a finite number, got None"),
        ({"fx": "500"}, "camera fx must be a finite number, got '500'"),
        ({"fy": -3}, r"camera fy must be a positive number, got -3\.0"),
        ({"width": 640.5}, r"camera width must be whole pixels, got 640\.5"),
        ({"height": True}, "camera height must be a finite number, got True"),
        ({"cx": 1e999}, "camera cx must be a finite number, got inf"),
        (
            {"centre_uncertainty_px": 0},
            r"centre_uncertainty_px must be a positive number, got 0\.0",
        ),
        ({"focal_relative_uncertainty": "x"}, "focal_relative_uncertainty must be a finite number"),
        (
            {"fx": 60, "fy": 60},
            r"camera fx must be at least 0\.1 of the .* long side, got 60\.0 px",
        ),
        ({"fy": 600}, r"camera fx and fy must agree within 10%, .* got 500\.0 and 600\.0"),
        ({"cy": 480}, r"camera cy must lie in the picture, from 0 to 479 px, got 480\.0"),
        ({"cx": -1}, r"camera cx must lie in the picture, from 0 to 639 px, got -1\.0"),
        ({"distortion": [-1.2, 0, 0, 0, 0]}, r"distortion must not fold .* got \[-1\.2, 0"),
        ({"distortion": [0, 0, 0, 0.9, 0]}, r"distortion must not fold"),
        ({"distortion": [5, -2, 0, 0, 0]}, r"must not draw the corners out to more than 1\.5"),
        ({"distortion": [0, 0]}, r"camera distortion must list five numbers .* got \[0, 0\]"),
        ({"distortion": [0, 0, 0, 0, "x"]}, r"camera distortion\[4\] must be a finite number"),
    ],
)
def test_camera_file_is_refused_by_field(change: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Camera.from_json(json.dumps({**GOOD, **change}))


@pytest.mark.parametrize("strength", [-0.3, -0.15, 0.1])
def test_bent_pictures_of_wide_lenses_are_cameras(strength: float) -> None:
    assert (
        Camera(640, 480, 480.0, 480.0, 320.0, 240.0, (strength, 0.05, 0, 0, 0)).impossible is None
    )


@given(st.text(max_size=40))
def test_any_other_text_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="camera "):
        Camera.from_json(text)


def test_scaling_keeps_where_a_sight_line_falls() -> None:
    camera = Camera(4000, 3000, 3100.0, 3105.0, 2010.0, 1490.0, (0.08, -0.02, 0.001, 0.002, 0.0))
    points = np.array([[120.0, -80.0, 500.0], [-200.0, 150.0, 700.0]])
    half = camera.scaled_to(2000, 1500)
    np.testing.assert_allclose(
        half.project(points), (camera.project(points) + 0.5) / 2 - 0.5, atol=1e-9
    )
    # A focal length is known to the same share of it, a point to half as many pixels.
    unsure = replace(camera, focal_relative_uncertainty=0.01, centre_uncertainty_px=8.0)
    for size, centre_px in (((2000, 1500), 4.0), ((3000, 4000), 8.0), ((1500, 2000), 4.0)):
        scaled = unsure.scaled_to(*size)
        assert scaled.centre_uncertainty_px == pytest.approx(centre_px)
        assert scaled.focal_relative_uncertainty == 0.01


def test_portrait_is_the_quarter_turned_camera() -> None:
    camera = Camera(4000, 3000, 3100.0, 3105.0, 2010.0, 1490.0, (0.08, -0.02, 0.001, 0.002, 0.0))
    points = np.array([[120.0, -80.0, 500.0], [-200.0, 150.0, 700.0]])
    across = camera.project(points)
    # A quarter turn clockwise: what was down is now left, what was right is down.
    turned = np.column_stack([-points[:, 1], points[:, 0], points[:, 2]])
    upright = camera.scaled_to(3000, 4000).project(turned)
    np.testing.assert_allclose(upright, np.column_stack([2999 - across[:, 1], across[:, 0]]))


def test_another_aspect_ratio_is_refused() -> None:
    camera = Camera(4000, 3000, 3100.0, 3100.0, 2000.0, 1500.0)
    with pytest.raises(ValueError, match="4000 x 3000 px and the photo has 1920 x 1080 px"):
        camera.scaled_to(1920, 1080)


def test_where_the_focal_length_comes_from_is_said() -> None:
    exif = Camera.typical(4000, 3000, focal_px=3000.0)
    guess = Camera.typical(4000, 3000)
    assert (exif.source, guess.source) == (CameraSource.EXIF, CameraSource.ESTIMATED)
    assert exif.focal_relative_uncertainty < guess.focal_relative_uncertainty


TRUE_CAMERA = Camera(640, 480, 520.0, 522.0, 326.0, 233.0, (-0.12, 0.03, 0.001, -0.0005, 0.0))
SHEET_MM = np.array([CHARUCO_SHEET.columns, CHARUCO_SHEET.rows]) * CHARUCO_SHEET.square_mm
# Turns in degrees about the sheet's axes and where its centre lies before the camera, mm.
SHEET_VIEWS = [
    ((5, -4, 2), (0, 0, 240)),
    ((32, 4, 10), (-40, -30, 280)),
    ((-33, 8, -8), (45, 35, 280)),
    ((4, 35, 5), (50, -40, 290)),
    ((-6, -34, 90), (-60, 40, 290)),
    ((25, 25, 45), (70, 20, 320)),
    ((-24, 26, 180), (-60, -50, 300)),
    ((20, -28, 20), (60, 55, 310)),
]


@cache
def _rays() -> FloatArray:
    """Sight lines of 2 x 2 samples a pixel."""
    x = (np.arange(TRUE_CAMERA.width * 2) + 0.5) / 2 - 0.5
    y = (np.arange(TRUE_CAMERA.height * 2) + 0.5) / 2 - 0.5
    flat = TRUE_CAMERA.undistort(np.stack(np.meshgrid(x, y), axis=-1))
    return np.concatenate([flat, np.ones((*flat.shape[:2], 1))], axis=-1)


def _sheet_photo(
    turns_deg: tuple[int, int, int], centre_mm: tuple[int, int, int], *, stretch: float = 1.0
) -> Photo:
    """The printed sheet through the exact camera."""
    px_per_mm = 4
    width, height = (int(side * px_per_mm) for side in SHEET_MM)
    print_out = sheet_board().generateImage((width, height))
    rotation = np.asarray(cv2.Rodrigues(np.radians(turns_deg).astype(np.float64))[0])
    corner = np.array(centre_mm) - rotation @ [*SHEET_MM / 2, 0.0]
    frame = np.column_stack([rotation[:, 0], rotation[:, 1], corner])
    hit = _rays() @ np.linalg.inv(frame).T
    at = (hit[..., :2] / hit[..., 2:] * [px_per_mm, px_per_mm / stretch] - 0.5).astype(np.float32)
    drawn: FloatArray = cv2.remap(  # type: ignore[call-overload]
        print_out, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=(110,)
    )
    size = (TRUE_CAMERA.width, TRUE_CAMERA.height)
    grey = cv2.resize(drawn, size, interpolation=cv2.INTER_AREA)
    return as_photo(np.repeat(grey[:, :, None], 3, axis=2).astype(np.uint8))


@cache
def _sheet_photos() -> tuple[Photo, ...]:
    return tuple(_sheet_photo(*view) for view in SHEET_VIEWS)


def _angles(camera: Camera) -> FloatArray:
    """Angles in rad between the sight lines of pixels all over the picture, pair by pair."""
    pixels = np.array([[x, y] for x in (40.0, 210.0, 400.0, 600.0) for y in (30.0, 250.0, 450.0)])
    sight = np.column_stack([camera.undistort(pixels), np.ones(len(pixels))])
    sight /= np.linalg.norm(sight, axis=1, keepdims=True)
    return np.asarray(np.arccos(np.clip(sight @ sight.T, -1, 1)))


def test_calibration_gives_the_camera_that_took_the_sheet() -> None:
    calibration = calibrate(_sheet_photos())
    found = calibration.camera
    assert (calibration.views, calibration.unread) == (8, ())
    assert calibration.rms_px < 0.3
    assert found.fx == pytest.approx(TRUE_CAMERA.fx, rel=0.005)
    assert found.fy == pytest.approx(TRUE_CAMERA.fy, rel=0.005)
    # What counts are the angles between sight lines, all over the picture: a shift of the
    # principal point is mostly a turn of the camera.
    np.testing.assert_allclose(_angles(found), _angles(TRUE_CAMERA), atol=radians(0.15))
    # And the stated uncertainties hold the truth (3 sigma), in the camera's file as well.
    assert abs(found.fx / TRUE_CAMERA.fx - 1) < 3 * found.focal_relative_uncertainty
    away = abs(found.cx - TRUE_CAMERA.cx), abs(found.cy - TRUE_CAMERA.cy)
    assert max(away) < 3 * found.centre_uncertainty_px
    assert Camera.from_json(found.to_json()) == found


def test_photos_without_the_sheet_are_named_and_left_out() -> None:
    blank = as_photo(np.full((480, 640, 3), 120, dtype=np.uint8))
    calibration = calibrate([*_sheet_photos(), blank])
    assert calibration.unread == ("drawn",)


def test_clean_sheets_are_far_from_the_limits_for_one_lens() -> None:
    calibration = calibrate(_sheet_photos())
    assert calibration.rms_px < GREATEST_RMS_PER_WIDTH * 640 / 2
    found = calibration.camera
    assert abs(found.fx / found.fy - 1) < GREATEST_FOCAL_DIFFERENCE / 2


def _zoomed(photo: Photo, factor: float) -> Photo:
    matrix = cv2.getRotationMatrix2D((319.5, 239.5), 0, factor)
    pixels = cv2.warpAffine(photo.pixels, matrix, (640, 480), borderMode=cv2.BORDER_REPLICATE)
    return as_photo(np.asarray(pixels, dtype=np.uint8))


def test_photos_of_two_zooms_are_refused() -> None:
    photos = _sheet_photos()
    mixed = [_zoomed(photo, 1.1 if i % 2 else 1.0) for i, photo in enumerate(photos)]
    with pytest.raises(PhotoProblem, match="do not zoom between the photos"):
        calibrate(mixed)


def test_photos_whose_records_name_two_zooms_are_a_wrong_call() -> None:
    photos = [
        as_photo(photo.pixels, focal_length_px=520.0 if i else 560.0)
        for i, photo in enumerate(_sheet_photos())
    ]
    with pytest.raises(ValueError, match=r"one zoom, and their records .* from 520 to 560 px"):
        calibrate(photos)


def test_a_sheet_that_was_printed_stretched_is_refused() -> None:
    stretched = [_sheet_photo(*view, stretch=1.03) for view in SHEET_VIEWS]
    with pytest.raises(PhotoProblem, match=r"printed stretched|lay it flat"):
        calibrate(stretched)


def test_too_few_photos_are_a_wrong_call() -> None:
    with pytest.raises(ValueError, match="photos must be at least 6 of the sheet, got 5"):
        calibrate(_sheet_photos()[:5])


def test_photos_of_two_sizes_are_a_wrong_call() -> None:
    other = as_photo(np.zeros((640, 480, 3), dtype=np.uint8))
    with pytest.raises(ValueError, match="one upright size, got 480 x 640, 640 x 480 px"):
        calibrate([*_sheet_photos(), other])


def test_too_few_photos_of_the_sheet_are_refused() -> None:
    blank = as_photo(np.full((480, 640, 3), 120, dtype=np.uint8))
    with pytest.raises(PhotoProblem, match="and 4 do"):
        calibrate([*_sheet_photos()[:4], blank, blank])


def test_one_view_six_times_is_refused() -> None:
    with pytest.raises(PhotoProblem, match=r"too alike|every corner"):
        calibrate([_sheet_photos()[0]] * 6)


def test_a_small_sheet_in_the_middle_is_refused() -> None:
    with pytest.raises(PhotoProblem, match="fields of the picture"):
        calibrate([_sheet_photo((10 * k - 20, 10, 0), (0, 0, 480)) for k in range(6)])


def test_focal_length_that_no_lens_has_is_refused() -> None:
    far = {"width": 1360, "height": 1020, "fx": 950.0, "fy": 1e7, "cx": 679.5, "cy": 509.5}
    with pytest.raises(ValueError, match=r"camera fy must be at most 50 times .* got 10000000\.0"):
        Camera.from_json(json.dumps(far))
    assert Camera.from_json(json.dumps(far | {"fy": 950.0})).fy == 950.0
