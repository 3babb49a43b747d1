"""Least-squares pose of a tray from the corners of its tags, with its covariance.

Gauss-Newton with Levenberg's damping on rotation vector, translation and the logarithm of
the focal length, which is held by a prior of the camera's own uncertainty (Hartley and
Zisserman, Multiple View Geometry, 2004, appendix 6).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.camera import Camera

FloatArray = npt.NDArray[np.float64]

MAX_STEPS = 30
SMALLEST_GAIN = 1e-9


@dataclass(frozen=True, eq=False)
class TagPoints:
    """Corners to fit: (n, 4, 3) in mm of the tray, (n, 4, 2) in px, (n,) sigma in px."""

    corners_mm: FloatArray
    corners_px: FloatArray
    sigma_px: FloatArray


@dataclass(frozen=True, eq=False)
class PoseFit:
    """One local optimum.

    `cost` is the sum of squared residuals in units of their sigma, the prior included;
    `covariance` (7, 7) is that of rotation vector, translation (mm) and log focal length.
    """

    rotation_vector: FloatArray
    translation_mm: FloatArray
    log_focal: float
    covariance: FloatArray
    residuals_px: FloatArray
    cost: float

    @property
    def state(self) -> FloatArray:
        """(7,) rotation vector, translation and log focal length, to start another fit from."""
        return np.concatenate([self.rotation_vector, self.translation_mm, [self.log_focal]])

    @cached_property
    def rotation(self) -> FloatArray:
        """(3, 3) rotation from the tray's frame to the camera's."""
        return np.asarray(cv2.Rodrigues(self.rotation_vector)[0], dtype=np.float64)

    @property
    def camera_position_mm(self) -> FloatArray:
        """(3,) the camera's centre in the tray's frame."""
        return np.asarray(-self.rotation.T @ self.translation_mm, dtype=np.float64)

    @property
    def rms_px(self) -> float:
        """Root mean square distance of the corners from where the pose puts them."""
        return float(np.sqrt((self.residuals_px**2).sum(axis=-1).mean()))

    @property
    def tag_rms_px(self) -> FloatArray:
        """(n,) the same for each tag."""
        return np.asarray(np.sqrt((self.residuals_px**2).sum(axis=-1).mean(axis=-1)))


def fit_pose(points: TagPoints, camera: Camera) -> tuple[PoseFit, ...]:
    """Distinct local optima for these tags, the best first; empty when none is in front."""
    fits: list[PoseFit] = []
    for rotation_vector, translation in _starts(points, camera):
        fit = refine_pose(points, camera, np.concatenate([rotation_vector, translation, [0.0]]))
        if fit is not None and not any(_same(fit, other) for other in fits):
            fits.append(fit)
    return tuple(sorted(fits, key=lambda fit: fit.cost))


def _starts(points: TagPoints, camera: Camera) -> Iterable[tuple[FloatArray, FloatArray]]:
    sight = camera.undistort(points.corners_px)
    tilts = points.corners_mm[:, :, 2].max(axis=1) > 1.0
    groups = [(tilts, cv2.SOLVEPNP_IPPE), (~tilts, cv2.SOLVEPNP_IPPE)]
    if tilts.any() and not tilts.all():
        groups.insert(0, (np.ones(len(tilts), dtype=bool), cv2.SOLVEPNP_SQPNP))
    for chosen, method in groups:
        if not chosen.any():
            continue
        count, rotations, translations, _ = cv2.solvePnPGeneric(
            points.corners_mm[chosen].reshape(-1, 3),
            sight[chosen].reshape(-1, 2),
            np.eye(3),
            np.zeros(5),
            flags=method,
        )
        for i in range(count):
            yield (
                rotations[i].ravel().astype(np.float64),
                translations[i].ravel().astype(np.float64),
            )


def refine_pose(points: TagPoints, camera: Camera, start: FloatArray) -> PoseFit | None:
    """Local optimum from `start` (7,), or None when it would lie behind the camera."""
    state = start.copy()
    damping = 1e-4
    value = _linearise(points, camera, state)
    if value is None:
        return None
    for _ in range(MAX_STEPS):
        residual, jacobian = value
        normal = jacobian.T @ jacobian
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), jacobian.T @ residual)
        tried = _linearise(points, camera, state + step)
        if tried is None or tried[0] @ tried[0] > residual @ residual:
            damping *= 10
            if damping > 1e8:
                break
            continue
        gain = residual @ residual - tried[0] @ tried[0]
        state, value, damping = state + step, tried, max(damping / 10, 1e-12)
        if gain <= SMALLEST_GAIN * (1 + tried[0] @ tried[0]):
            break
    return _result(points, state, value)


def _result(points: TagPoints, state: FloatArray, value: tuple[FloatArray, FloatArray]) -> PoseFit:
    residual, jacobian = value
    corners = points.corners_px
    sigma = np.repeat(points.sigma_px, 8)
    return PoseFit(
        state[:3],
        state[3:6],
        float(state[6]),
        np.asarray(np.linalg.inv(jacobian.T @ jacobian), dtype=np.float64),
        (residual[:-1] * sigma).reshape(corners.shape),
        float(residual @ residual),
    )


def projection_derivatives(
    corners_mm: FloatArray, rotation_vector: FloatArray, translation_mm: FloatArray, camera: Camera
) -> tuple[FloatArray, FloatArray]:
    """Pixels (n, 2) of points (n, 3) in mm and their derivatives (n, 2, 7).

    The derivatives are by rotation vector, translation and the logarithm of the focal length.
    """
    pixels, raw = cv2.projectPoints(
        corners_mm, rotation_vector, translation_mm, camera.matrix, camera.coefficients
    )
    by_log_focal = raw[:, 6] * camera.fx + raw[:, 7] * camera.fy
    by_pose = np.column_stack([raw[:, :6], by_log_focal]).reshape(-1, 2, 7)
    return pixels.reshape(-1, 2).astype(np.float64), by_pose.astype(np.float64)


def worst_spread(by_parameters: FloatArray, covariance: FloatArray) -> FloatArray:
    """(n,) standard deviation along the worst direction of n points from (n, 2, m) derivatives."""
    spread = by_parameters @ covariance @ by_parameters.transpose(0, 2, 1)
    return np.asarray(np.sqrt(np.maximum(np.linalg.eigvalsh(spread)[:, -1], 0.0)))


def _linearise(
    points: TagPoints, camera: Camera, state: FloatArray
) -> tuple[FloatArray, FloatArray] | None:
    """Weighted residuals, the focal prior last, and the Jacobian of the prediction."""
    corners_mm = points.corners_mm.reshape(-1, 3)
    rotation = cv2.Rodrigues(state[:3])[0]
    if (corners_mm @ rotation[2] + state[5]).min() <= 1.0:
        return None
    bent = camera.with_focal_factor(float(np.exp(state[6])), camera.focal_relative_uncertainty)
    predicted, derivatives = projection_derivatives(corners_mm, state[:3], state[3:6], bent)
    weights = 1 / np.repeat(points.sigma_px, 8)
    residual = (points.corners_px.reshape(-1) - predicted.reshape(-1)) * weights
    jacobian = derivatives.reshape(-1, 7) * weights[:, None]
    prior = 1 / camera.focal_relative_uncertainty
    return (
        np.append(residual, -state[6] * prior),
        np.vstack([jacobian, np.append(np.zeros(6), prior)]),
    )


def _same(fit: PoseFit, other: PoseFit) -> bool:
    turn = fit.rotation.T @ other.rotation
    return bool(np.trace(turn) > 3 - 1e-3 and abs(fit.cost - other.cost) < 0.1 + 0.01 * fit.cost)
