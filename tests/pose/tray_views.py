"""The tray that the pose tests look at, and how far a pose is from it."""

from functools import cache

import numpy as np
import numpy.typing as npt

from trayvision.camera.camera import Camera
from trayvision.pose.pose import find_trays
from trayvision.pose.tray_pose import TrayPose, TraysFound
from trayvision.synthetic.tray import DrawnTray, View, as_photo, draw_photo

Image = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float64]

CAMERA = Camera(640, 460, 520.0, 523.0, 309.0, 242.0)
TRAY = DrawnTray(31, cover=0.6, canopy_height_mm=35.0)
SIZE = TRAY.size
VIEW = View.looking_at((-110.0, -70.0, 560.0), (40.0, 10.0, 0.0))


@cache
def drawn(tray: DrawnTray = TRAY) -> Image:
    """The tray from its usual place."""
    return draw_photo([(tray, VIEW)], CAMERA, seed=5)


def find(pixels: Image, camera: Camera | None = CAMERA) -> TraysFound:
    """Trays of its size."""
    return find_trays(as_photo(pixels), size=SIZE, camera=camera)


def only(found: TraysFound, number: int) -> TrayPose:
    """The one pose found, which is of this number."""
    assert [pose.number for pose in found.poses] == [number]
    return found.poses[0]


def plane_errors(pose: TrayPose, view: View, camera: Camera) -> FloatArray:
    """Distances in mm by which points of the rim's plane land beside their true places."""
    points = np.vstack([pose.size.opening_mm, [[0.0, 0.0, 0.0]]])
    sight = pose.camera.undistort(view.project(camera, points))
    rays = np.column_stack([sight, np.ones(len(sight))]) @ pose.rotation
    eye = pose.camera_position_mm
    landed = eye - rays * (eye[2] / rays[:, 2])[:, None]
    return np.asarray(np.linalg.norm((landed - points)[:, :2], axis=1))


def stated(pose: TrayPose) -> FloatArray:
    """What the pose itself says of the same distances."""
    return pose.position_uncertainty_mm(np.vstack([pose.size.opening_mm, [[0.0, 0.0, 0.0]]]))
