"""Corners of a read tag to a small part of a pixel.

Every edge between a black and a white cell is located where linear light crosses the middle
of the local black and white; a homography of the printed grid is fitted to all of them at
once, together with one shift that says how far white spills over black (clipped exposure and
sharpening move all edges towards the black by the same amount).
"""

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.tag_family import TAG_CELLS, tag_cells

FloatArray = npt.NDArray[np.float64]
GreyImage = npt.NDArray[np.uint8]

# Along an edge, as shares of a cell: clear of the crossings with other edges.
_ALONG = (0.3, 0.7)
_PROFILE_STEPS = 15
# The first look takes the outer edges only: nothing but the quiet zone lies beyond them, so
# that rough corners cannot lock on to the neighbouring cell's edge.
_OUTER_SEARCH_CELLS = 1.2
_SEARCH_CELLS = 0.5
_LEAST_CONTRAST = 0.03
_LEAST_EDGES = 16
_SPILL_PRIOR_PX = 0.7
_START_SIGMA_CELLS = 0.7
# Found on rendered tags: errors along one edge are alike, so that more crossings on it do
# not help as if they were independent.
_ALIKE_FACTOR = 2.0
_SIGMA_FLOOR_PX = 0.05
_FIT_ROUNDS = 4
_CORNER_CELLS = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]) * TAG_CELLS


@dataclass(frozen=True, eq=False)
class RefinedCorners:
    """(4, 2) corners and their common standard uncertainty, in px of the image given.

    `edge_share` is the share of the tag's black-white edges that were found where the
    corners put them: near 1 for a clean tag, small for a hidden or a misread one.
    """

    corners_px: FloatArray
    sigma_px: float
    edge_share: float
    spill_px: float


@dataclass(frozen=True, eq=False)
class _Edges:
    """Points on black-white edges: (n, 2) in cells, and (n, 2) unit steps towards white."""

    points: FloatArray
    towards_white: FloatArray
    design: FloatArray


@dataclass(frozen=True, eq=False)
class _Crossings:
    """Offsets (n,) of mid-level crossings along (n, 2) px normals to white, and which are seen."""

    offsets_px: FloatArray
    normals: FloatArray
    seen: npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class _GridFit:
    homography: FloatArray
    covariance: FloatArray
    edge_share: float
    spill_px: float

    def corner_sigma_px(self) -> float:
        """Root mean square standard uncertainty of the eight corner coordinates."""
        total = 0.0
        for direction in ((1.0, 0.0), (0.0, 1.0)):
            by_h = _by_homography(self.homography, _CORNER_CELLS, np.tile(direction, (4, 1)))
            total += float(np.einsum("ij,jk,ik->", by_h, self.covariance, by_h))
        return float(np.hypot(_ALIKE_FACTOR * np.sqrt(total / 8), _SIGMA_FLOOR_PX))


@cache
def linear_light() -> npt.NDArray[np.float32]:
    """(256,) linear light of 8-bit sRGB levels (IEC 61966-2-1)."""
    level = np.arange(256) / 255.0
    light = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    return light.astype(np.float32)


@cache
def _edges_of(tag: int, outer: bool) -> _Edges:
    white = np.pad(tag_cells(tag), 1, constant_values=True)
    points, steps = [], []
    for grid, order in ((white, [0, 1]), (white.T, [1, 0])):
        rows, columns = np.nonzero(grid[:-1] != grid[1:])
        if outer:
            beside = (rows == 0) | (rows == TAG_CELLS)
            rows, columns = rows[beside], columns[beside]
        sign = np.where(grid[rows + 1, columns], 1.0, -1.0)
        for along in _ALONG:
            # Cell (1, 1) of the padded grid starts at (0, 0) of the tag.
            points.append(np.column_stack([columns - 1 + along, rows])[:, order])
            steps.append(np.column_stack([np.zeros(len(sign)), sign])[:, order])
    where = np.concatenate(points)
    design = np.column_stack([np.ones(len(where)), where / TAG_CELLS - 0.5])
    return _Edges(where, np.concatenate(steps), design)


def grid_homography(corners_px: FloatArray) -> FloatArray:
    """(3, 3) homography from the tag's cells (0 to 8, from up-left) to pixels."""
    cells = _CORNER_CELLS.astype(np.float32)
    return np.asarray(
        cv2.getPerspectiveTransform(cells, corners_px.astype(np.float32)), dtype=np.float64
    )


def map_points(homography: FloatArray, points: FloatArray) -> FloatArray:
    """(..., 2) points through a (3, 3) homography."""
    moved = points @ homography[:, :2].T + homography[:, 2]
    return np.asarray(moved[..., :2] / moved[..., 2:])


def refine_corners(grey: GreyImage, corners_px: FloatArray, tag: int) -> RefinedCorners | None:
    """Corners of a tag of known id, from rough ones that are off by less than a cell.

    Parameters
    ----------
    grey : (h, w) uint8
        Photo in sRGB-coded grey.
    corners_px : (4, 2) array
        Rough corners in its pixels, as printed from up-left clockwise.
    tag : int
        Id of the tag.

    Returns
    -------
    RefinedCorners or None
        None when too few edges are seen.
    """
    homography = grid_homography(corners_px)
    homography = homography / homography[2, 2]
    for outer, search in (
        (True, _OUTER_SEARCH_CELLS),
        (False, _SEARCH_CELLS),
        (False, _SEARCH_CELLS),
    ):
        edges = _edges_of(tag, outer)
        sampled = _profiles(grey, homography, edges, search)
        if sampled is None:
            return None
        levels = _end_levels(sampled[0]) if outer else _smooth_levels(edges, sampled[0])
        crossings = _locate(*sampled, *levels)
        if crossings.seen.sum() < _LEAST_EDGES:
            return None
        fit = _fit(homography, edges, crossings)
        homography = fit.homography
        if not _near(homography, corners_px):
            return None
    corners = map_points(homography, _CORNER_CELLS)
    return RefinedCorners(corners, fit.corner_sigma_px(), fit.edge_share, fit.spill_px)


def _profiles(
    grey: GreyImage, homography: FloatArray, edges: _Edges, search: float
) -> tuple[FloatArray, FloatArray] | None:
    """Linear light (n, steps) across each edge, black end first, and the (n, 2, 2) px ends."""
    ends = map_points(
        homography,
        edges.points[:, None] + search * np.array([[-1.0], [1.0]]) * edges.towards_white[:, None],
    )
    low = np.maximum(np.floor(ends.min(axis=(0, 1))).astype(int) - 1, 0)
    high = np.minimum(np.ceil(ends.max(axis=(0, 1))).astype(int) + 2, grey.shape[::-1])
    if (high - low).min() < 4:
        return None
    light = linear_light()[grey[low[1] : high[1], low[0] : high[0]]]
    start, step = ends[:, 0] - low, (ends[:, 1] - ends[:, 0]) / (_PROFILE_STEPS - 1)
    path = start[:, None] + np.arange(_PROFILE_STEPS)[:, None] * step[:, None]
    profile: FloatArray = cv2.remap(  # type: ignore[call-overload]
        light,
        path.astype(np.float32),
        None,
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(-1.0,),
    )
    return profile.astype(np.float64), ends


def _end_levels(profile: FloatArray) -> tuple[FloatArray, FloatArray]:
    return profile.min(axis=1), profile[:, _PROFILE_STEPS // 2 :].max(axis=1)


def _smooth_levels(edges: _Edges, profile: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Black and white (n,) about each edge: planes over the tag, blades across it left out."""
    design = edges.design
    return (
        design @ robust_plane(design, profile[:, :2].mean(axis=1)),
        design @ robust_plane(design, profile[:, -2:].mean(axis=1)),
    )


def robust_plane(design: FloatArray, values: FloatArray) -> FloatArray:
    """(3,) plane through most of the values (n,) at rows (n, 3) of 1, x, y (small x and y)."""
    centre: FloatArray = np.full(len(values), _median(values))
    plane = np.zeros(3)
    for _ in range(2):
        misfit = np.abs(values - centre)
        kept = misfit <= 3 * (_median(misfit) + 0.01)
        chosen, mean = design[kept], values[kept].mean()
        plane = np.linalg.solve(
            chosen.T @ chosen + 1e-3 * np.eye(3), chosen.T @ (values[kept] - mean)
        ) + np.array([mean, 0.0, 0.0])
        centre = design @ plane
    return plane


def _locate(
    profile: FloatArray, ends: FloatArray, black: FloatArray, white: FloatArray
) -> _Crossings:
    contrast = white - black
    level = (profile - black[:, None]) / np.maximum(contrast, _LEAST_CONTRAST)[:, None]
    rises = (level[:, :-1] < 0.5) & (level[:, 1:] >= 0.5)
    middle = (_PROFILE_STEPS - 1) / 2
    distance = np.where(rises, np.abs(np.arange(_PROFILE_STEPS - 1) + 0.5 - middle), np.inf)
    at = distance.argmin(axis=1)
    rows = np.arange(len(level))
    before, after = level[rows, at], level[rows, at + 1]
    crossed = rises[rows, at]
    position = at + (0.5 - before) / np.where(crossed, after - before, 1.0)
    axis = ends[:, 1] - ends[:, 0]
    length = np.sqrt((axis**2).sum(axis=1))
    # A blade across the edge leaves no black on one side or no white on the other; outside
    # the photo the profile reads below zero.
    clean = (level.min(axis=1) < 0.3) & (level.max(axis=1) > 0.7) & (profile.min(axis=1) >= 0)
    seen = crossed & clean & (contrast > _LEAST_CONTRAST)
    offset = (position - middle) * length / (_PROFILE_STEPS - 1)
    return _Crossings(np.where(seen, offset, 0.0), axis / length[:, None], seen)


def _fit(homography: FloatArray, edges: _Edges, crossings: _Crossings) -> _GridFit:
    """Homography whose grid meets the crossings, by iteratively reweighted least squares."""
    by_h = _by_homography(homography, edges.points, crossings.normals)
    # White spilling over black moves a crossing against the normal, which points to white.
    design = np.column_stack([by_h, -np.ones(len(by_h))])
    prior = _start_prior(homography)
    scale = np.sqrt((design**2).sum(axis=0))
    design, prior = design / scale, prior / np.outer(scale, scale)
    seen = crossings.seen
    weights = seen.astype(np.float64)
    spread = 1.0
    for _ in range(_FIT_ROUNDS):
        normal = design.T @ (design * weights[:, None]) + spread**2 * prior
        step = np.linalg.solve(normal, design.T @ (weights * crossings.offsets_px))
        misfit = crossings.offsets_px - design @ step
        spread = max(1.4826 * _median(np.abs(misfit[seen])), 0.02)
        weights = np.where(seen, np.maximum(1 - (misfit / (4 * spread)) ** 2, 0.0) ** 2, 0.0)
    change = step / scale
    covariance = np.linalg.inv(normal) * spread**2 / np.outer(scale, scale)
    return _GridFit(
        homography + np.append(change[:8], 0.0).reshape(3, 3),
        covariance[:8, :8],
        float((weights > 0.2).mean()),
        float(change[8]),
    )


def _start_prior(homography: FloatArray) -> FloatArray:
    """(9, 9) information of the rough corners and of the spill: what hidden edges leave open."""
    corners = map_points(homography, _CORNER_CELLS)
    sigma = _START_SIGMA_CELLS * edge_length_px(corners) / TAG_CELLS
    prior = np.zeros((9, 9))
    for direction in ((1.0, 0.0), (0.0, 1.0)):
        by_h = _by_homography(homography, _CORNER_CELLS, np.tile(direction, (4, 1))) / sigma
        prior[:8, :8] += by_h.T @ by_h
    prior[8, 8] = 1 / _SPILL_PRIOR_PX**2
    return prior


def _near(homography: FloatArray, start_px: FloatArray) -> bool:
    """Whether the corners stayed within two cells of where they began."""
    moved = map_points(homography, _CORNER_CELLS) - start_px
    return bool(np.abs(moved).max() < 2 * edge_length_px(start_px) / TAG_CELLS)


def edge_length_px(corners_px: FloatArray) -> float:
    """Mean length of the four edges between (4, 2) corners."""
    sides = corners_px - corners_px[[3, 0, 1, 2]]
    return float(np.sqrt((sides**2).sum(axis=1)).mean())


def _by_homography(
    homography: FloatArray, points: FloatArray, directions: FloatArray
) -> FloatArray:
    """(n, 8) derivatives of mapped points along directions (n, 2), by the first eight entries."""
    scale = points @ homography[2, :2] + 1.0
    row = np.column_stack([points, np.ones(len(points))]) / scale[:, None]
    along = (directions * map_points(homography, points)).sum(axis=1, keepdims=True)
    return np.column_stack([directions[:, :1] * row, directions[:, 1:] * row, -along * row[:, :2]])


def _median(values: FloatArray) -> float:
    # np.median takes five times as long on arrays this short, and this is the inner loop.
    middle = len(values) // 2
    return float(np.partition(values, middle)[middle])
