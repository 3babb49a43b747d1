"""Corners of a read tag to a small part of a pixel.

Every edge between a black and a white cell is located where linear light crosses the middle
of the local black and white; a homography of the printed grid is fitted to all of them at
once, together with one shift that says how far white spills over black (clipped exposure and
sharpening move all edges towards the black by the same amount).
"""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.tag_edges import (
    END_CELLS,
    Blur,
    Crossings,
    Profiles,
    TagEdges,
    blur_at,
    edges_of,
    locate,
    map_points,
    median,
    profiles_across,
)
from trayvision.tag_family import TAG_CELLS

FloatArray = npt.NDArray[np.float64]
GreyImage = npt.NDArray[np.uint8]

# The first look takes the outer edges only: nothing but the quiet zone lies beyond them, so
# that rough corners cannot lock on to the neighbouring cell's edge.
_OUTER_SEARCH_CELLS = 1.2
_ROUNDS = 2
_LEAST_EDGES = 16
_SPILL_PRIOR_PX = 0.7
_START_SIGMA_CELLS = 0.7
# Found on rendered tags: errors along one edge are alike, so that more crossings on it do
# not help as if they were independent.
_ALIKE_FACTOR = 2.0
_SIGMA_FLOOR_PX = 0.05
# A shaken photo's blur is no Gaussian: corners are off alike, by a share of it.
_SHARP_BELOW_PX = 1.2
_SIGMA_PER_BLUR = 0.3
_FIT_ROUNDS = 4
_LEAST_REACH = 0.3
_SHARPEST_PX = 0.4
_BLURRIEST_CELLS = 0.6
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
class _GridFit:
    homography: FloatArray
    covariance: FloatArray
    edge_share: float
    spill_px: float
    blur_px: float

    def corner_sigma_px(self) -> float:
        """Root mean square standard uncertainty of the eight corner coordinates."""
        total = 0.0
        for direction in ((1.0, 0.0), (0.0, 1.0)):
            by_h = _by_homography(self.homography, _CORNER_CELLS, np.tile(direction, (4, 1)))
            total += float(np.einsum("ij,jk,ik->", by_h, self.covariance, by_h))
        floor = _SIGMA_FLOOR_PX + _SIGMA_PER_BLUR * max(self.blur_px - _SHARP_BELOW_PX, 0.0)
        return float(np.hypot(_ALIKE_FACTOR * np.sqrt(total / 8), floor))


def grid_homography(corners_px: FloatArray) -> FloatArray:
    """(3, 3) homography from the tag's cells (0 to 8, from up-left) to pixels."""
    cells = _CORNER_CELLS.astype(np.float32)
    return np.asarray(
        cv2.getPerspectiveTransform(cells, corners_px.astype(np.float32)), dtype=np.float64
    )


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
    edges = edges_of(tag, True)
    profiles = profiles_across(grey, homography, edges, _OUTER_SEARCH_CELLS)
    if profiles is None:
        return None
    crossings = locate(profiles, *_end_levels(profiles), None)
    edges_all = edges_of(tag, False)
    for look in range(_ROUNDS + 1):
        if crossings.seen.sum() < _LEAST_EDGES:
            return None
        fit = _fit(homography, edges, crossings)
        homography = fit.homography
        if not _near(homography, corners_px):
            return None
        if look == _ROUNDS:
            break
        edges = edges_all
        profiles = profiles_across(grey, homography, edges, END_CELLS)
        if profiles is None:
            return None
        blurred = _blur_px(crossings, homography)
        blur = blur_at(edges, homography, blurred)
        crossings = locate(profiles, *_levels(edges, profiles, blur), blur)
    corners = map_points(homography, _CORNER_CELLS)
    return RefinedCorners(corners, fit.corner_sigma_px(), fit.edge_share, fit.spill_px)


def _blur_px(crossings: Crossings, homography: FloatArray) -> float:
    cell_px = edge_length_px(map_points(homography, _CORNER_CELLS)) / TAG_CELLS
    return float(np.clip(crossings.blur_px, _SHARPEST_PX, _BLURRIEST_CELLS * cell_px))


def _end_levels(profiles: Profiles) -> tuple[FloatArray, FloatArray]:
    light = profiles.light
    return light.min(axis=1), light[:, light.shape[1] // 2 :].max(axis=1)


def _levels(edges: TagEdges, profiles: Profiles, blur: Blur) -> tuple[FloatArray, FloatArray]:
    """Black and white (n,) of wide areas at each edge.

    From its profile's own two ends, which blur leaves short of black and white by what is
    known of the print, since a shadow may run across the tag; where those are far from the
    tag's black and white thereabouts (a blade), from planes over the tag.
    """
    dark, bright = profiles.light[:, :2].mean(axis=1), profiles.light[:, -2:].mean(axis=1)
    contrast = (bright - dark) / np.maximum(blur.white_end - blur.black_end, _LEAST_REACH)
    black = dark - contrast * blur.black_end
    white = black + contrast
    black_there = edges.design @ robust_plane(edges.design, black)
    white_there = edges.design @ robust_plane(edges.design, white)
    own = (np.abs(black - black_there) < 0.2 * (white_there - black_there)) & (
        np.abs(white - white_there) < 0.6 * (white_there - black_there)
    )
    return np.where(own, black, black_there), np.where(own, white, white_there)


def robust_plane(design: FloatArray, values: FloatArray) -> FloatArray:
    """(3,) plane through most of the values (n,) at rows (n, 3) of 1, x, y (x, y below 1)."""
    plane = np.array([median(values), 0.0, 0.0])
    hold = 1e-3 * len(values) * np.eye(3)
    for _ in range(2):
        misfit = values - design @ plane
        kept = np.abs(misfit) <= 3 * (median(np.abs(misfit)) + 0.01)
        chosen = design[kept]
        plane = plane + np.linalg.solve(chosen.T @ chosen + hold, chosen.T @ misfit[kept])
    return plane


def _fit(homography: FloatArray, edges: TagEdges, crossings: Crossings) -> _GridFit:
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
        spread = max(1.4826 * median(np.abs(misfit[seen])), 0.02)
        weights = np.where(seen, np.maximum(1 - (misfit / (4 * spread)) ** 2, 0.0) ** 2, 0.0)
    change = step / scale
    covariance = np.linalg.inv(normal) * spread**2 / np.outer(scale, scale)
    return _GridFit(
        homography + np.append(change[:8], 0.0).reshape(3, 3),
        covariance[:8, :8],
        float((weights > 0.2).mean()),
        float(change[8]),
        crossings.blur_px,
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
