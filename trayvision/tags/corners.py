"""Corners of read tags to a small part of a pixel.

Every edge between a black and a white cell is located where linear light crosses the middle
of the local black and white; a homography of the printed grid is fitted to all of them at
once, together with one shift that says how far white spills over black (clipped exposure and
sharpening move all edges towards the black by the same amount).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.tags.edges import (
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
from trayvision.tags.family import TAG_CELLS

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
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


@dataclass(frozen=True, eq=False)
class _GridFits:
    """Fits of t tags: (t, 3, 3), (t, 8, 8) covariances of the first eight entries, and (t,)."""

    homography: FloatArray
    covariance: FloatArray
    edge_share: FloatArray
    blur_px: FloatArray

    def corner_sigma_px(self) -> FloatArray:
        """(t,) root mean square standard uncertainty of the eight corner coordinates."""
        by_h = _corners_by_homography(self.homography)
        total = np.einsum("tij,tjk,tik->t", by_h, self.covariance, by_h)
        floor = _SIGMA_FLOOR_PX + _SIGMA_PER_BLUR * np.maximum(self.blur_px - _SHARP_BELOW_PX, 0)
        return np.asarray(np.hypot(_ALIKE_FACTOR * np.sqrt(total / 8), floor))


def grid_homography(corners_px: FloatArray) -> FloatArray:
    """(3, 3) homography from the tag's cells (0 to 8, from up-left) to pixels."""
    cells = _CORNER_CELLS.astype(np.float32)
    return np.asarray(
        cv2.getPerspectiveTransform(cells, corners_px.astype(np.float32)), dtype=np.float64
    )


def refine_corners(
    grey: GreyImage, corners_px: Sequence[FloatArray], tags: Sequence[int]
) -> list[RefinedCorners | None]:
    """Corners of tags of known ids, from rough ones that are off by less than a cell.

    Parameters
    ----------
    grey : (h, w) uint8
        Photo in sRGB-coded grey.
    corners_px : t (4, 2) arrays
        Rough corners in its pixels, as printed from up-left clockwise.
    tags : t ints
        Ids of the tags.

    Returns
    -------
    list of RefinedCorners or None
        None for a tag of which too few edges are seen.
    """
    if not len(tags):
        return []
    rough_px = np.stack(corners_px)
    start = np.stack([grid_homography(corners) for corners in rough_px])
    start = start / start[:, 2:, 2:]
    homography, edges = start, edges_of(tags, outer=True)
    profiles = profiles_across(grey, homography, edges, _OUTER_SEARCH_CELLS)
    crossings = locate(edges, profiles, _end_levels(profiles), None)
    followed = profiles.inside
    for look in range(_ROUNDS + 1):
        fits = _fit(homography, edges, crossings)
        followed = followed & (crossings.seen.sum(axis=1) >= _LEAST_EDGES)
        followed &= _near(fits.homography, rough_px)
        # A lost one goes on from where it began, since others may be followed still.
        homography = np.where(followed[:, None, None], fits.homography, start)
        if look == _ROUNDS or not followed.any():
            break
        edges = edges_of(tags, outer=False) if look == 0 else edges
        profiles = profiles_across(grey, homography, edges, END_CELLS)
        followed &= profiles.inside
        blur = blur_at(edges, homography, _blur_px(crossings, homography))
        crossings = locate(edges, profiles, _levels(edges, profiles, blur), blur)
    corners, sigma_px = _corners(homography), fits.corner_sigma_px()
    return [
        RefinedCorners(
            corners[row],
            float(sigma_px[row]),
            float(fits.edge_share[row]),
        )
        if followed[row]
        else None
        for row in range(len(tags))
    ]


def _corners(homography: FloatArray) -> FloatArray:
    return map_points(homography, np.broadcast_to(_CORNER_CELLS, (len(homography), 4, 2)))


def _blur_px(crossings: Crossings, homography: FloatArray) -> FloatArray:
    cell_px = _edge_lengths(_corners(homography)) / TAG_CELLS
    return np.clip(crossings.blur_px, _SHARPEST_PX, _BLURRIEST_CELLS * cell_px)


def _end_levels(profiles: Profiles) -> tuple[FloatArray, FloatArray]:
    light = profiles.light
    return light.min(axis=2), light[..., light.shape[2] // 2 :].max(axis=2)


def _levels(edges: TagEdges, profiles: Profiles, blur: Blur) -> tuple[FloatArray, FloatArray]:
    """Black and white (t, n) of wide areas at each edge.

    From its profile's own two ends, which blur leaves short of black and white by what is
    known of the print, since a shadow may run across the tag; where those are far from the
    tag's black and white thereabouts (a blade), from planes over the tag.
    """
    dark, bright = profiles.light[..., :2].mean(axis=2), profiles.light[..., -2:].mean(axis=2)
    contrast = (bright - dark) / np.maximum(blur.white_end - blur.black_end, _LEAST_REACH)
    black = dark - contrast * blur.black_end
    white = black + contrast
    black_there = robust_planes(edges.design, black, edges.present)
    white_there = robust_planes(edges.design, white, edges.present)
    own = (np.abs(black - black_there) < 0.2 * (white_there - black_there)) & (
        np.abs(white - white_there) < 0.6 * (white_there - black_there)
    )
    return np.where(own, black, black_there), np.where(own, white, white_there)


def robust_planes(design: FloatArray, values: FloatArray, among: BoolArray) -> FloatArray:
    """(t, n) planes through most of the values (t, n) that are `among` (t, n), at all rows.

    `design` (t, n, 3) has rows of 1, x, y with x and y below 1.
    """
    planes = np.zeros((len(values), 3))
    planes[:, 0] = median(values, among)
    hold = 1e-3 * among.sum(axis=1)[:, None, None] * np.eye(3)
    for _ in range(2):
        misfit = values - _at_rows(design, planes)
        size = np.abs(misfit)
        kept = among & (size <= 3 * (median(size, among) + 0.01)[:, None])
        chosen = np.swapaxes(design * kept[..., None], 1, 2)
        planes = (
            planes + np.linalg.solve(chosen @ design + hold, chosen @ misfit[..., None])[..., 0]
        )
    return _at_rows(design, planes)


def _at_rows(design: FloatArray, factors: FloatArray) -> FloatArray:
    return np.asarray((design @ factors[..., None])[..., 0])


def _fit(homography: FloatArray, edges: TagEdges, crossings: Crossings) -> _GridFits:
    """Homographies whose grids meet the crossings, by iteratively reweighted least squares."""
    by_h = _by_homography(homography, edges.points, crossings.normals)
    # White spilling over black moves a crossing against the normal, which points to white.
    design = np.concatenate([by_h, np.full((*by_h.shape[:2], 1), -1.0)], axis=2)
    prior = _start_prior(homography)
    seen = crossings.seen
    scale = np.sqrt((design**2 * edges.present[..., None]).sum(axis=1))
    both = scale[:, :, None] * scale[:, None, :]
    design, prior = design / scale[:, None], prior / both
    weights = seen.astype(np.float64)
    spread = np.ones(len(homography))
    for _ in range(_FIT_ROUNDS):
        weighted = np.swapaxes(design * weights[..., None], 1, 2)
        normal = weighted @ design + (spread**2)[:, None, None] * prior
        step = np.linalg.solve(normal, weighted @ crossings.offsets_px[..., None])[..., 0]
        misfit = crossings.offsets_px - _at_rows(design, step)
        spread = np.maximum(1.4826 * median(np.abs(misfit), seen), 0.02)
        near = np.maximum(1 - (misfit / (4 * spread)[:, None]) ** 2, 0.0) ** 2
        weights = np.where(seen, near, 0.0)
    change = step / scale
    covariance = np.linalg.inv(normal) * (spread**2)[:, None, None] / both
    moved = homography.reshape(-1, 9).copy()
    moved[:, :8] += change[:, :8]
    return _GridFits(
        moved.reshape(-1, 3, 3),
        covariance[:, :8, :8],
        (weights > 0.2).sum(axis=1) / edges.present.sum(axis=1),
        crossings.blur_px,
    )


def _start_prior(homography: FloatArray) -> FloatArray:
    """(t, 9, 9) information of the rough corners and of the spill: what hidden edges leave open."""
    sigma = _START_SIGMA_CELLS * _edge_lengths(_corners(homography)) / TAG_CELLS
    by_h = _corners_by_homography(homography) / sigma[:, None, None]
    prior = np.zeros((len(homography), 9, 9))
    prior[:, :8, :8] = np.swapaxes(by_h, 1, 2) @ by_h
    prior[:, 8, 8] = 1 / _SPILL_PRIOR_PX**2
    return prior


def _near(homography: FloatArray, start_px: FloatArray) -> BoolArray:
    """Whether the corners (t, 4, 2) stayed within two cells of where they began."""
    moved = np.abs(_corners(homography) - start_px).max(axis=(1, 2))
    return np.asarray(moved < 2 * _edge_lengths(start_px) / TAG_CELLS)


def edge_length_px(corners_px: FloatArray) -> float:
    """Mean length of the four edges between (4, 2) corners."""
    return float(_edge_lengths(corners_px))


def _edge_lengths(corners_px: FloatArray) -> FloatArray:
    """Mean length of the four edges between corners, (..., 4, 2) to (...)."""
    sides = corners_px - corners_px[..., [3, 0, 1, 2], :]
    return np.asarray(np.sqrt((sides**2).sum(axis=-1)).mean(axis=-1))


def _corners_by_homography(homography: FloatArray) -> FloatArray:
    """(t, 8, 8) derivatives of the corners' x, then of their y, by the first eight entries."""
    points = np.broadcast_to(np.tile(_CORNER_CELLS, (2, 1)), (len(homography), 8, 2))
    directions = np.broadcast_to(np.repeat(np.eye(2), 4, axis=0), points.shape)
    return _by_homography(homography, points, directions)


def _by_homography(
    homography: FloatArray, points: FloatArray, directions: FloatArray
) -> FloatArray:
    """(t, n, 8) derivatives of mapped points along directions (t, n, 2)."""
    scale = (points @ homography[:, 2, :2, None]) + 1.0
    row = np.concatenate([points, np.ones_like(scale)], axis=2) / scale
    along = (directions * map_points(homography, points)).sum(axis=2, keepdims=True)
    return np.concatenate(
        [directions[..., :1] * row, directions[..., 1:] * row, -along * row[..., :2]], axis=2
    )
