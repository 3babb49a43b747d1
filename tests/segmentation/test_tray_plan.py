"""The straight-down plan lies at the bed's height: expected by similar triangles, by hand."""

import numpy as np
import numpy.typing as npt
import pytest

from trayvision.camera.camera import Camera
from trayvision.light.colour_correction import Light
from trayvision.light.illumination_field import flat_field
from trayvision.pose.tray_pose import TrayPose
from trayvision.reference_kit import TraySize
from trayvision.segmentation.pixel_classes import CLASS_COUNT, TrayClass
from trayvision.segmentation.segmentation import ClassShares
from trayvision.segmentation.tray_plan import TrayPlan, lay_out_tray
from trayvision.synthetic.tray import View

FloatArray = npt.NDArray[np.float64]

SIZE = TraySize(400.0, 250.0, 50.0)
BED_MM = 14.0
# The bed's surface lies 36 mm below the rim and 436 mm below the camera, which stands beside the
# tray's corner: beyond bar A at x = -200 mm, and beyond the left side at y = 125 mm.
CAMERA_X_MM, CAMERA_Y_MM, CAMERA_Z_MM = -500.0, 200.0, 400.0
ABOVE_BED_MM = 436.0
SPOT_X_MM, SPOT_Y_MM, SPOT_RADIUS_MM = 120.0, -60.0, 9.0
CAMERA = Camera(1120, 840, 1010.0, 1013.0, 548.0, 431.0)
VIEW = View.looking_at((CAMERA_X_MM, CAMERA_Y_MM, CAMERA_Z_MM), (10.0, 5.0, -20.0))
# The crop begins this many px right of and below the photo's corner.
CROP_LEFT_PX, CROP_TOP_PX = 38, 26


def on_the_bed() -> tuple[FloatArray, FloatArray]:
    """Where the sight line of each pixel of the crop meets the bed, by pinhole projection."""
    columns, rows = np.meshgrid(
        np.arange(CROP_LEFT_PX, CAMERA.width, dtype=float),
        np.arange(CROP_TOP_PX, CAMERA.height, dtype=float),
    )
    sight = np.stack(
        [(columns - CAMERA.cx) / CAMERA.fx, (rows - CAMERA.cy) / CAMERA.fy, np.ones_like(rows)], -1
    )
    ray = sight @ VIEW.rotation
    reach = -ABOVE_BED_MM / ray[..., 2]
    return CAMERA_X_MM + reach * ray[..., 0], CAMERA_Y_MM + reach * ray[..., 1]


def laid_out() -> TrayPlan:
    """A bare floor of bed height with one spot of mould, in a photo without any wall drawn."""
    x, y = on_the_bed()
    spot = np.hypot(x - SPOT_X_MM, y - SPOT_Y_MM) <= SPOT_RADIUS_MM
    blocks = spot.reshape(spot.shape[0] // 2, 2, spot.shape[1] // 2, 2).mean(axis=(1, 3))
    among_others = np.zeros((CLASS_COUNT, *blocks.shape), dtype=np.float32)
    among_others[TrayClass.MOULD] = blocks
    among_others[TrayClass.BARE_TRAY] = 1 - blocks
    pixels = np.full((*spot.shape, 3), 120, dtype=np.uint8)
    segmented = ClassShares(
        shoot=np.zeros(spot.shape, dtype=np.float32),
        among_others=among_others,
        pixels=pixels,
        corrected=pixels,
        crop_to_working=np.eye(3),
        photo_to_crop=np.array([[1.0, 0.0, -CROP_LEFT_PX], [0.0, 1.0, -CROP_TOP_PX]]),
    )
    pose = TrayPose(17, SIZE, CAMERA, VIEW.rotation, VIEW.translation_mm, (), 0.1, np.eye(6))
    light = Light(
        gains=np.ones(3),
        black=np.zeros(3),
        field=flat_field(np.array([200.0, 125.0]), level=0.1, chroma=0.02),
        level_uncertainty=0.1,
        chroma_uncertainty=0.02,
        white_linear=np.full(3, 0.8),
        duv=0.0,
        clipped_share=0.0,
        seen_white_px=900,
        doubts=(),
    )
    return lay_out_tray(pose, segmented, light, bed_height_mm=BED_MM)


def places_mm(plan: TrayPlan) -> tuple[FloatArray, FloatArray]:
    rows, columns = plan.grid.shape
    return plan.grid.to_mm(
        *np.meshgrid(np.arange(columns, dtype=float), np.arange(rows, dtype=float))
    )


def test_a_spot_on_the_bed_lies_in_the_plan_where_it_lies_in_the_tray() -> None:
    plan = laid_out()
    x, y = places_mm(plan)
    spot = plan.share(TrayClass.MOULD) > 0.5
    assert plan.z_mm == BED_MM - SIZE.depth_mm
    assert (x[spot].mean(), y[spot].mean()) == pytest.approx((SPOT_X_MM, SPOT_Y_MM), abs=0.5)
    assert spot.sum() == pytest.approx(np.pi * SPOT_RADIUS_MM**2, rel=0.08)
    assert plan.judged[spot].all()


def test_what_the_near_walls_hide_is_not_judged() -> None:
    plan = laid_out()
    x, y = places_mm(plan)
    # By similar triangles: the line over the rim of a wall goes down to the bed at 436 / 400 of
    # its way along the floor.
    hidden_up_to_x_mm = CAMERA_X_MM + (-200.0 - CAMERA_X_MM) * 436 / 400
    hidden_from_y_mm = CAMERA_Y_MM + (125.0 - CAMERA_Y_MM) * 436 / 400
    assert (hidden_up_to_x_mm, hidden_from_y_mm) == pytest.approx((-173.0, 118.25))
    np.testing.assert_array_equal(plan.judged, (x > hidden_up_to_x_mm) & (y < hidden_from_y_mm))
    assert plan.seen == pytest.approx(373 / 400 * 243.25 / 250, abs=0.003)


def test_the_slant_of_the_sight_line_is_that_down_to_the_bed() -> None:
    plan = laid_out()
    x, y = places_mm(plan)
    # The tangent of the zenith angle is the way along the floor over the height above the bed.
    expected = np.hypot(x - CAMERA_X_MM, y - CAMERA_Y_MM) / ABOVE_BED_MM
    np.testing.assert_allclose(plan.zenith_tan, expected, rtol=1e-5)
