"""Least-squares pose of a tray from the corners of its tags, with its covariance.

Gauss-Newton with Levenberg's damping on rotation vector, translation, logarithm of the focal
length and principal point, which are held by priors of the camera's own uncertainty (Hartley and
Zisserman, Multiple View Geometry, 2004, appendix 6).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.camera.camera import Camera

FloatArray = npt.NDArray[np.float64]

# Good fits take fewer. Tags that no tray of the given size has creep along a valley for hundreds,
# and where the size is set wrong that was most of an inspection's time.
MAX_STEPS = 50
SMALLEST_GAIN = 1e-6
# Eight coordinates a tag, so this is a misfit of less than two sigma each.
CLEAR_COST_PER_TAG = 30.0
HEAD_ABOVE_MM = 1.0
NEAREST_MM = 1.0
# Where no lens fits the tags, steps run away: a kilometre, or 20 times the focal length, is no
# pose, and a little further the exponentials overflow.
FARTHEST_MM = 1e6
LARGEST_LOG_FOCAL = 3.0


@dataclass(frozen=True, eq=False)
class TagPoints:
    """Corners to fit: (n, 4, 3) in mm of the tray, (n, 4, 2) in px, (n,) sigma in px."""

    corners_mm: FloatArray
    corners_px: FloatArray
    sigma_px: FloatArray


@dataclass(frozen=True, eq=False)
class PoseFit:
    """One local optimum.

    `lens` (3,) are the changes of log focal length, cx and cy, and `camera` the one with them.
    `cost` is the sum of squared residuals in units of their sigma, the priors included;
    `covariance` (9, 9) is that of rotation vector, translation (mm) and lens.
    """

    rotation_vector: FloatArray
    translation_mm: FloatArray
    lens: FloatArray
    camera: Camera
    covariance: FloatArray
    residuals_px: FloatArray
    cost: float

    @property
    def state(self) -> FloatArray:
        """(9,) rotation vector, translation and lens, to start another fit from."""
        return np.concatenate([self.rotation_vector, self.translation_mm, self.lens])

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
        fit = refine_pose(
            points, camera, np.concatenate([rotation_vector, translation, np.zeros(3)])
        )
        if fit is not None and not any(_same(fit, other) for other in fits):
            fits.append(fit)
            if fit.cost < CLEAR_COST_PER_TAG * len(points.sigma_px) and _in_space(points):
                break
    return tuple(sorted(fits, key=lambda fit: fit.cost))


def _in_space(points: TagPoints) -> bool:
    """Whether tags of rim and head are seen: such a pose has no mirror twin."""
    height = points.corners_mm[:, :, 2].max(axis=1)
    return bool((height > HEAD_ABOVE_MM).any() and (height <= HEAD_ABOVE_MM).any())


def _starts(points: TagPoints, camera: Camera) -> Iterable[tuple[FloatArray, FloatArray]]:
    sight = camera.undistort(points.corners_px)
    tilts = points.corners_mm[:, :, 2].max(axis=1) > HEAD_ABOVE_MM
    groups = [(tilts, cv2.SOLVEPNP_IPPE), (~tilts, cv2.SOLVEPNP_IPPE)]
    if _in_space(points):
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
    """Local optimum from `start` (9,), or None when it would lie behind the camera.

    The steps are taken about the tags' own centre, in its sight line and the logarithm of
    its depth: about the tray's origin, turning and shifting are so entangled that a few tags
    far from it, with an unknown focal length, take hundreds of steps.
    """
    pivot = points.corners_mm.reshape(-1, 3).mean(axis=0)
    about_pivot = TagPoints(points.corners_mm - pivot, points.corners_px, points.sigma_px)
    state = start.copy()
    state[3:6] += cv2.Rodrigues(start[:3])[0] @ pivot
    if state[5] <= NEAREST_MM:
        return None
    state[3:6] = state[3] / state[5], state[4] / state[5], np.log(state[5])
    found = _descend(about_pivot, camera, state)
    return None if found is None else _result(about_pivot, pivot, camera, found)


def _descend(
    points: TagPoints, camera: Camera, state: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """State, weighted residuals and Jacobian at the local optimum."""
    value = _linearise(points, camera, state)
    if value is None:
        return None
    damping = 1e-4
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
    return state, *value


def _result(
    points: TagPoints,
    pivot: FloatArray,
    camera: Camera,
    found: tuple[FloatArray, FloatArray, FloatArray],
) -> PoseFit:
    state, residual, jacobian = found
    centre, by_sight = _centre(state)
    rotation, by_vector = cv2.Rodrigues(state[:3])
    to_origin = np.eye(9)
    to_origin[3:6, 3:6] = by_sight
    to_origin[3:6, :3] = -np.einsum("kij,j->ik", by_vector.reshape(3, 3, 3), pivot)
    covariance = to_origin @ np.linalg.inv(jacobian.T @ jacobian) @ to_origin.T
    sigma = np.repeat(points.sigma_px, 8)
    return PoseFit(
        state[:3],
        centre - rotation @ pivot,
        state[6:],
        camera.adjusted(state[6:]),
        np.asarray(covariance, dtype=np.float64),
        (residual[:-3] * sigma).reshape(points.corners_px.shape),
        float(residual @ residual),
    )


def _centre(state: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(3,) the pivot in the camera's frame, and its derivatives by sight line and log depth."""
    depth = float(np.exp(state[5]))
    x, y = state[3] * depth, state[4] * depth
    by_sight = np.array([[depth, 0.0, x], [0.0, depth, y], [0.0, 0.0, depth]])
    return np.array([x, y, depth]), by_sight


def _linearise(
    points: TagPoints, camera: Camera, state: FloatArray
) -> tuple[FloatArray, FloatArray] | None:
    """Weighted residuals, the lens's priors last, and the Jacobian of the prediction."""
    if not (state[5] < np.log(FARTHEST_MM) and abs(state[6]) < LARGEST_LOG_FOCAL):
        return None
    corners_mm = points.corners_mm.reshape(-1, 3)
    rotation = cv2.Rodrigues(state[:3])[0]
    centre, by_sight = _centre(state)
    if (corners_mm @ rotation[2] + centre[2]).min() <= NEAREST_MM:
        return None
    predicted, derivatives = projection_derivatives(
        corners_mm, state[:3], centre, camera.adjusted(state[6:])
    )
    derivatives[:, :, 3:6] = derivatives[:, :, 3:6] @ by_sight
    weights = 1 / np.repeat(points.sigma_px, 8)
    residual = (points.corners_px.reshape(-1) - predicted.reshape(-1)) * weights
    jacobian = derivatives.reshape(-1, 9) * weights[:, None]
    centre_sigma = camera.centre_uncertainty_px
    prior = 1 / np.array([camera.focal_relative_uncertainty, centre_sigma, centre_sigma])
    return (
        np.concatenate([residual, -state[6:] * prior]),
        np.vstack([jacobian, np.eye(9)[6:] * prior[:, None]]),
    )


def projection_derivatives(
    corners_mm: FloatArray, rotation_vector: FloatArray, translation_mm: FloatArray, camera: Camera
) -> tuple[FloatArray, FloatArray]:
    """Pixels (n, 2) of points (n, 3) in mm and their derivatives (n, 2, 9).

    The derivatives are by rotation vector, translation, log focal length and principal point.
    """
    pixels, raw = cv2.projectPoints(
        corners_mm, rotation_vector, translation_mm, camera.matrix, camera.coefficients
    )
    by_log_focal = raw[:, 6] * camera.fx + raw[:, 7] * camera.fy
    derivatives = np.column_stack([raw[:, :6], by_log_focal, raw[:, 8:10]]).reshape(-1, 2, 9)
    return pixels.reshape(-1, 2).astype(np.float64), derivatives.astype(np.float64)


def worst_spread(by_parameters: FloatArray, covariance: FloatArray) -> FloatArray:
    """(n,) standard deviation along the worst direction of n points from (n, 2, m) derivatives."""
    spread = by_parameters @ covariance @ by_parameters.transpose(0, 2, 1)
    return np.asarray(np.sqrt(np.maximum(np.linalg.eigvalsh(spread)[:, -1], 0.0)))


def _same(fit: PoseFit, other: PoseFit) -> bool:
    turn = fit.rotation.T @ other.rotation
    return bool(np.trace(turn) > 3 - 1e-3 and abs(fit.cost - other.cost) < 0.1 + 0.01 * fit.cost)
