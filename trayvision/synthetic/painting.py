"""How drawn trays are painted: flat parts, laid over each other where the camera sees them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.camera.camera import Camera
from trayvision.reference_kit import TraySize

FloatArray = npt.NDArray[np.float64]
FloatImage = npt.NDArray[np.float32]
CellImage = npt.NDArray[np.int64]
Box = tuple[slice, slice]

# Bed and canopy are mottled, since nothing that grows is smooth: cells so wide, lighter or darker.
GRAIN_MM = 2.5
_GRAIN = 0.18
# Sight lines a pixel, along and across.
_SAMPLES = 3
# What is painted at a time, in rows of pixels, stays in the processor's cache.
_ROWS = 8


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


@dataclass(frozen=True, eq=False)
class Layer:
    """A part of a tray of one size that is seen in one view."""

    part: Part
    size: TraySize
    view: View


def painted(layers: Sequence[Layer], background: FloatImage, camera: Camera) -> FloatImage:
    """Linear light (h, w, 3) that a camera sees, the later layers before the earlier ones."""
    rays = _rays(camera)
    boxes = [_box(rays, layer) for layer in layers]
    colours = [background.reshape(1, 3), *(layer.part.linear.reshape(-1, 3) for layer in layers)]
    palette = np.concatenate(colours)
    firsts = np.cumsum([len(cells) for cells in colours[:-1]])
    light = np.empty((camera.height, camera.width, 3), dtype=np.float32)
    for top in range(0, camera.height, _ROWS):
        rows = light[top : top + _ROWS]
        start, stop = top * _SAMPLES, (top + len(rows)) * _SAMPLES
        seen = np.zeros((stop - start, camera.width * _SAMPLES), dtype=np.int64)
        for layer, (tall, wide), first in zip(layers, boxes, firsts, strict=True):
            upper, lower = max(tall.start, start), min(tall.stop, stop)
            if upper < lower:
                there = seen[upper - start : lower - start, wide]
                _lay(there, first, layer, _within(rays, (slice(upper, lower), wide)))
        samples = palette.take(seen, axis=0)
        rows[:] = cv2.resize(samples, (camera.width, len(rows)), interpolation=cv2.INTER_AREA)
    return light


def _lay(seen: CellImage, first: int, layer: Layer, rays: tuple[FloatImage, FloatImage]) -> None:
    """Number what is seen of a layer after its cells; only through the opening if below the rim."""
    part, size = layer.part, layer.size
    along, across = _shares(part.origin, part.axes, rays, layer.view)
    inside = (along >= 0) & (along < 1) & (across >= 0) & (across < 1)
    lowest, rise = part.origin[2], part.axes[:, 2].astype(np.float32)
    if lowest < 0:
        opening = np.diag([size.length_mm, size.width_mm, 0.0])[:2]
        length, width = _shares(size.opening_mm[0], opening, rays, layer.view)
        through = (length >= 0) & (length < 1) & (width >= 0) & (width < 1)
        if rise.any():
            through |= rise[0] * along + rise[1] * across > -lowest - 1e-6
        inside &= through
    rows, columns = part.opaque.shape
    along[~inside], across[~inside] = 0, 0
    cells = (along * rows).astype(np.int64) * columns + (across * columns).astype(np.int64)
    if not part.opaque.all():
        inside &= part.opaque.ravel()[cells]
    np.copyto(seen, cells + first, where=inside)


def _shares(
    origin: FloatArray, axes: FloatArray, rays: tuple[FloatImage, FloatImage], view: View
) -> tuple[FloatImage, FloatImage]:
    """Where sight lines meet a plane, as shares (h, w) of its two axes; NaN behind the camera."""
    frame = view.rotation @ np.column_stack([axes[0], axes[1], origin])
    frame[:, 2] += view.translation_mm
    x, y = rays
    to_plane = np.linalg.inv(frame).astype(np.float32)
    along, across, ahead = (of_x * x + one + of_y * y for of_x, of_y, one in to_plane)
    ahead[ahead <= 0] = np.nan
    along /= ahead
    across /= ahead
    return along, across


def _box(rays: tuple[FloatImage, FloatImage], layer: Layer) -> Box:
    """Rows and columns of samples that a layer can touch: its outline's, by bisection of rays."""
    x, y = rays
    tall, wide = len(y), x.shape[1]
    part, view = layer.part, layer.view
    corners = part.origin + np.array([[0, 0], [0, 1], [1, 0], [1, 1]]) @ part.axes
    seen = corners @ view.rotation.T + view.translation_mm
    if seen[:, 2].min() <= 1.0:
        return slice(0, tall), slice(0, wide)
    flat = seen[:, :2] / seen[:, 2:]
    # The middle row and column stand for all: lens distortion is covered by the margin.
    columns = np.searchsorted(x[len(x) // 2], [flat[:, 0].min(), flat[:, 0].max()])
    rows = np.searchsorted(y[:, y.shape[1] // 2], [flat[:, 1].min(), flat[:, 1].max()])
    margin = 2 if len(x) == 1 else max(tall, wide) // 12
    return (
        slice(max(rows[0] - margin, 0), min(rows[1] + margin, tall)),
        slice(max(columns[0] - margin, 0), min(columns[1] + margin, wide)),
    )


def _rays(camera: Camera) -> tuple[FloatImage, FloatImage]:
    """x (h or 1, w) and y (h, w or 1) of the samples' sight lines in the camera's frame, z = 1."""
    x = ((np.arange(camera.width * _SAMPLES) + 0.5) / _SAMPLES - 0.5)[None, :]
    y = ((np.arange(camera.height * _SAMPLES) + 0.5) / _SAMPLES - 0.5)[:, None]
    if any(camera.distortion):
        points = np.stack(np.broadcast_arrays(x, y), axis=-1)
        x, y = np.moveaxis(camera.undistort(points), -1, 0)
    else:
        x, y = (x - camera.cx) / camera.fx, (y - camera.cy) / camera.fy
    return x.astype(np.float32), y.astype(np.float32)


def _within(rays: tuple[FloatImage, FloatImage], box: Box) -> tuple[FloatImage, FloatImage]:
    """Sight lines of a box, x and y still of one row or column where they are."""
    x, y = rays
    if len(x) == 1:
        return x[:, box[1]], y[box[0]]
    return x[box], y[box]
