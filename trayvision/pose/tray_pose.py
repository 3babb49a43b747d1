"""Where a tray lies before the camera, with the uncertainty that its tags leave."""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.camera.camera import Camera
from trayvision.measurement import Measurement
from trayvision.pose.fit import projection_derivatives, worst_spread
from trayvision.quality_flags import Doubt
from trayvision.reference_kit import TraySize
from trayvision.tags.reading import ReadTag

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class TrayPose:
    """Pose of one tray: ``x_camera = rotation @ x_tray + translation_mm``.

    Parameters
    ----------
    number : int
        Tray number, 0 to 95.
    size : TraySize
        Inner size that was assumed.
    camera : Camera
        In upright full-size px, with the focal length and principal point that were fitted.
    rotation : (3, 3) array
        From the tray's frame to the camera's (x right, y down, z ahead).
    translation_mm : (3,) array
        Tray origin in the camera's frame.
    tags : tuple of ReadTag
        The tags that the pose rests on.
    reprojection_rms_px : float
        Root mean square distance between read and projected corners, full-size px.
    covariance : (6, 6) array
        Of rotation vector and translation (mm), the lens marginalised.
    doubts : tuple of Doubt
        Named reasons to trust the pose less.
    lens_covariance : (9, 3) array or None
        Covariance of log focal length, cx and cy with the six others and, last, with each
        other; None takes them as exact.
    """

    number: int
    size: TraySize
    camera: Camera
    rotation: FloatArray
    translation_mm: FloatArray
    tags: tuple[ReadTag, ...]
    reprojection_rms_px: float
    covariance: FloatArray
    doubts: tuple[Doubt, ...] = ()
    lens_covariance: FloatArray | None = None

    @property
    def camera_position_mm(self) -> FloatArray:
        """(3,) the camera's centre in the tray's frame."""
        return np.asarray(-self.rotation.T @ self.translation_mm, dtype=np.float64)

    @property
    def camera_height_mm(self) -> Measurement:
        """Height of the camera's centre above the plane of the rim.

        Its uncertainty follows from the pose's, to first order (JCGM 100:2008, 5.2.2, with all
        correlations); it holds for square pixels and a lens whose distortion is known or small.
        """
        vector = np.asarray(cv2.Rodrigues(self.rotation)[0], dtype=np.float64)
        by_vector = np.asarray(cv2.Rodrigues(vector)[1]).reshape(3, 3, 3)
        gradient = -np.concatenate([by_vector[:, :, 2] @ self.translation_mm, self.rotation[:, 2]])
        variance = float(gradient @ self.covariance @ gradient)
        return Measurement(float(self.camera_position_mm[2]), max(variance, 0.0) ** 0.5, "mm")

    def project(self, points_mm: FloatArray) -> FloatArray:
        """Full-size px (..., 2) of points (..., 3) in the tray's frame; NaN behind the camera."""
        points = np.asarray(points_mm, dtype=np.float64)
        return self.camera.project(points @ self.rotation.T + self.translation_mm)

    def position_uncertainty_mm(self, points_mm: FloatArray) -> FloatArray:
        """Standard uncertainty (...) in mm of where a point seen in the photo lies.

        The point is found by following its sight line to the horizontal plane it is known
        to lie in; the value is the standard deviation along the worst direction in that
        plane, to first order (JCGM 100:2008, 5.2.2, with all correlations).

        Parameters
        ----------
        points_mm : (..., 3) array
            Points in the tray's frame.
        """
        points = np.asarray(points_mm, dtype=np.float64)
        by_pose = self._derivatives(points)
        by_plane = by_pose[:, :, 3:6] @ self.rotation[:, :2]
        shift: FloatArray = np.linalg.inv(by_plane).astype(np.float64) @ by_pose
        return worst_spread(shift, self._joint_covariance()).reshape(points.shape[:-1])

    def pixel_uncertainty_px(self, points_mm: FloatArray) -> FloatArray:
        """Standard uncertainty (...) in full-size px of `project`, along the worst direction."""
        points = np.asarray(points_mm, dtype=np.float64)
        spread = worst_spread(self._derivatives(points), self._joint_covariance())
        return spread.reshape(points.shape[:-1])

    def _joint_covariance(self) -> FloatArray:
        joint = np.zeros((9, 9))
        joint[:6, :6] = self.covariance
        if self.lens_covariance is not None:
            joint[:, 6:], joint[6:, :] = self.lens_covariance, self.lens_covariance.T
        return joint

    def _derivatives(self, points_mm: FloatArray) -> FloatArray:
        rotation_vector = np.asarray(cv2.Rodrigues(self.rotation)[0], dtype=np.float64)
        return projection_derivatives(
            points_mm.reshape(-1, 3), rotation_vector, self.translation_mm, self.camera
        )[1]


@dataclass(frozen=True)
class TrayProblem:
    """A tray, or tags of one, that cannot be placed: its doubts and a sentence that says why."""

    number: int | None
    doubts: tuple[Doubt, ...]
    sentence: str


@dataclass(frozen=True)
class TraysFound:
    """What one photo shows: the trays that were placed and those that could not be."""

    poses: tuple[TrayPose, ...]
    problems: tuple[TrayProblem, ...]
