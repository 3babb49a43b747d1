"""How drawn trays are painted: flat parts, laid over each other where the camera sees them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from trayvision.camera.camera import Camera
from trayvision.reference_kit import TraySize

FloatArray = npt.NDArray[np.float64]
FloatImage = npt.NDArray[np.float32]

# Bed and canopy are mottled, since nothing that grows is smooth: cells so wide, lighter or darker.
GRAIN_MM = 2.5
_GRAIN = 0.18


@dataclass(frozen=True, eq=False)
class View:
    """Where a tray lies: ``x_camera = rotation @ x_tray + translation_mm``."""

    rotation: FloatArray
    translation_mm: FloatArray

    @classmethod
    def looking_at(cls, camera_mm: Sequence[float], target_mm: Sequence[float]) -> "View":
        """View of a camera at one point of the tray's frame that looks at another.

        The photo's up is as near to the tray's +Y as it can be.
        """
        position = np.asarray(camera_mm, dtype=np.float64)
        ahead = np.asarray(target_mm, dtype=np.float64) - position
        ahead /= np.linalg.norm(ahead)
        right = np.cross(ahead, [0.0, 1.0, 0.0])
        right /= np.linalg.norm(right)
        rotation = np.stack([right, np.cross(ahead, right), ahead])
        return cls(rotation, -rotation @ position)

    @property
    def camera_mm(self) -> FloatArray:
        """(3,) the camera's centre in the tray's frame."""
        return np.asarray(-self.rotation.T @ self.translation_mm, dtype=np.float64)

    def project(self, camera: Camera, points_mm: FloatArray) -> FloatArray:
        """Pixels (..., 2) of points (..., 3) in the tray's frame."""
        return camera.project(points_mm @ self.rotation.T + self.translation_mm)


@dataclass(frozen=True, eq=False)
class Part:
    """A rectangle: origin (3,), axes (2, 3) in mm along rows and columns, colours (h, w, 3)."""

    origin: FloatArray
    axes: FloatArray
    linear: FloatImage
    opaque: npt.NDArray[np.bool_]


def grained(part: Part, rng: np.random.Generator) -> Part:
    """The part in cells of `GRAIN_MM`; the generator's own sequence is left as it was."""
    counts = np.array(part.opaque.shape)
    times = np.maximum(1, np.rint(np.linalg.norm(part.axes, axis=1) / GRAIN_MM / counts))
    fine = [np.arange(n).repeat(int(k)) for n, k in zip(counts, times, strict=True)]
    lighter = rng.spawn(1)[0].random((fine[0].size, fine[1].size, 1)) < 0.5
    grain = np.where(lighter, 1 + _GRAIN, 1 - _GRAIN).astype(np.float32)
    cells = np.ix_(*fine)
    linear = np.broadcast_to(part.linear, (*part.opaque.shape, 3))[cells] * grain
    return replace(part, linear=linear, opaque=part.opaque[cells])


def paint(light: FloatImage, rays: FloatImage, part: Part, size: TraySize, view: View) -> None:
    """Lay one part over what is painted so far; only through the opening where below the rim."""
    box = _box(light.shape, rays, part, view)
    along, across = _shares(part.origin, part.axes, rays[box], view)
    inside = (along >= 0) & (along < 1) & (across >= 0) & (across < 1)
    lowest, rise = part.origin[2], part.axes[:, 2]
    if lowest < 0:
        opening = np.diag([size.length_mm, size.width_mm, 0.0])[:2]
        length, width = _shares(size.opening_mm[0], opening, rays[box], view)
        through = (length >= 0) & (length < 1) & (width >= 0) & (width < 1)
        inside &= (lowest + rise[0] * along + rise[1] * across > -1e-6) | through
    colours: FloatImage = part.linear[0, 0]
    if part.opaque.size > 1:
        row = (along[inside] * part.opaque.shape[0]).astype(int)
        column = (across[inside] * part.opaque.shape[1]).astype(int)
        inside[inside] = seen = part.opaque[row, column]
        colours = part.linear[row[seen], column[seen]]
    light[box][inside] = colours


def _shares(
    origin: FloatArray, axes: FloatArray, rays: FloatImage, view: View
) -> tuple[FloatImage, FloatImage]:
    """Where sight lines meet a plane, as shares (h, w) of its two axes; NaN behind the camera."""
    frame = view.rotation @ np.column_stack([axes[0], axes[1], origin])
    frame[:, 2] += view.translation_mm
    met: FloatImage = rays @ np.linalg.inv(frame).T.astype(np.float32)
    met[met[..., 2] <= 0] = np.nan
    return met[..., 0] / met[..., 2], met[..., 1] / met[..., 2]


def _box(shape: tuple[int, ...], rays: FloatImage, part: Part, view: View) -> tuple[slice, slice]:
    """Rows and columns of samples that a part can touch: its outline's, by bisection of rays."""
    corners = part.origin + np.array([[0, 0], [0, 1], [1, 0], [1, 1]]) @ part.axes
    seen = corners @ view.rotation.T + view.translation_mm
    if seen[:, 2].min() <= 1.0:
        return slice(0, shape[0]), slice(0, shape[1])
    flat = seen[:, :2] / seen[:, 2:]
    # The middle row and column stand for all: lens distortion is covered by the margin.
    columns = np.searchsorted(rays[shape[0] // 2, :, 0], [flat[:, 0].min(), flat[:, 0].max()])
    rows = np.searchsorted(rays[:, shape[1] // 2, 1], [flat[:, 1].min(), flat[:, 1].max()])
    margin = max(shape[:2]) // 12
    return (
        slice(max(rows[0] - margin, 0), rows[1] + margin),
        slice(max(columns[0] - margin, 0), columns[1] + margin),
    )


def rays_of(camera: Camera, samples: int) -> FloatImage:
    """(h, w, 3) sight lines of the samples in the camera's frame, z = 1."""
    x = (np.arange(camera.width * samples) + 0.5) / samples - 0.5
    y = ((np.arange(camera.height * samples) + 0.5) / samples - 0.5)[:, None]
    rays = np.ones((y.size, x.size, 3), dtype=np.float32)
    if any(camera.distortion):
        rays[..., :2] = camera.undistort(np.stack(np.meshgrid(x, y), axis=-1))
    else:
        rays[..., 0], rays[..., 1] = (x - camera.cx) / camera.fx, (y - camera.cy) / camera.fy
    return rays
