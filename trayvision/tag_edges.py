"""Where the black-white edges inside a tag lie in a photo, one crossing at a time."""

from dataclasses import dataclass
from functools import cache
from math import pi, sqrt

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.tag_family import TAG_CELLS, tag_cells

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
GreyImage = npt.NDArray[np.uint8]

# Along an edge, as shares of a cell: clear of the crossings with other edges.
_ALONG = (0.3, 0.7)
_PROFILE_STEPS = 15
_LEAST_CONTRAST = 0.004
# Where blur is worked out, in cells towards white: on the edge, at a profile's ends, and a
# step to both sides for the slope.
END_CELLS = 0.5
_SLOPE_CELLS = 0.1
_BESIDE = np.array([0.0, -END_CELLS, END_CELLS, -_SLOPE_CELLS, _SLOPE_CELLS])


@dataclass(frozen=True, eq=False)
class TagEdges:
    """Points on a tag's black-white edges.

    `points` (n, 2) in cells from the up-left corner, `towards_white` (n, 2) unit steps,
    `design` (n, 3) rows of 1, x, y with x and y from -1/2 to 1/2 over the tag. `beside`
    (5, n, 2) says which of the few `coordinates` (m,) the points on and beside each edge have.
    """

    tag: int
    points: FloatArray
    towards_white: FloatArray
    design: FloatArray
    coordinates: FloatArray
    beside: npt.NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Profiles:
    """Linear light (n, steps) across each edge, black end first, and the (n, 2, 2) px ends."""

    light: FloatArray
    ends_px: FloatArray


@dataclass(frozen=True, eq=False)
class Blur:
    """What blur does at each edge (n,): level at the edge and at both ends, and slope per cell.

    Levels run from 0 in wide black to 1 in wide white: neighbouring edges two or three pixels
    away pull the middle level off the true edge.
    """

    at_edge: FloatArray
    black_end: FloatArray
    white_end: FloatArray
    slope: FloatArray


@dataclass(frozen=True, eq=False)
class Crossings:
    """Offsets (n,) px of the edges along (n, 2) normals to white, which are seen, and blur."""

    offsets_px: FloatArray
    normals: FloatArray
    seen: BoolArray
    blur_px: float


@cache
def linear_light() -> npt.NDArray[np.float32]:
    """(256,) linear light of 8-bit sRGB levels (IEC 61966-2-1)."""
    level = np.arange(256) / 255.0
    light = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    return light.astype(np.float32)


@cache
def edges_of(tag: int, outer: bool) -> TagEdges:
    """All black-white edges of a tag, or those to its quiet zone only."""
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
    towards_white = np.concatenate(steps)
    beside = where[None] + _BESIDE[:, None, None] * towards_white[None]
    coordinates, index = np.unique(beside.round(6), return_inverse=True)
    return TagEdges(tag, where, towards_white, design, coordinates, index.reshape(beside.shape))


def map_points(homography: FloatArray, points: FloatArray) -> FloatArray:
    """(..., 2) points through a (3, 3) homography."""
    moved = points @ homography[:, :2].T + homography[:, 2]
    return np.asarray(moved[..., :2] / moved[..., 2:])


def profiles_across(
    grey: GreyImage, homography: FloatArray, edges: TagEdges, search_cells: float
) -> Profiles | None:
    """Light across each edge, as far to both sides as given; None outside the photo."""
    reach = search_cells * np.array([[-1.0], [1.0]])
    ends = map_points(homography, edges.points[:, None] + reach * edges.towards_white[:, None])
    low = np.maximum(np.floor(ends.min(axis=(0, 1))).astype(int) - 1, 0)
    high = np.minimum(np.ceil(ends.max(axis=(0, 1))).astype(int) + 2, grey.shape[::-1])
    if (high - low).min() < 4:
        return None
    light = linear_light()[grey[low[1] : high[1], low[0] : high[0]]]
    start, step = ends[:, 0] - low, (ends[:, 1] - ends[:, 0]) / (_PROFILE_STEPS - 1)
    path = start[:, None] + np.arange(_PROFILE_STEPS)[:, None] * step[:, None]
    sampled: FloatArray = cv2.remap(  # type: ignore[call-overload]
        light,
        path.astype(np.float32),
        None,
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(-1.0,),
    )
    return Profiles(sampled.astype(np.float64), ends)


def blur_at(edges: TagEdges, homography: FloatArray, blur_px: float) -> Blur:
    """Levels of the printed tag under a Gaussian blur, cell by cell in closed form."""
    middle = np.array([TAG_CELLS / 2, TAG_CELLS / 2])
    cell_px = [
        float(
            np.linalg.norm(map_points(homography, middle + step) - map_points(homography, middle))
        )
        for step in ([1.0, 0.0], [0.0, 1.0])
    ]
    white = np.pad(tag_cells(edges.tag), 2, constant_values=True).astype(np.float64)
    # The outermost cells reach on for ever: the bar around the tag is white too.
    bounds = np.arange(-1.0, TAG_CELLS + 2)
    shares = []
    for axis in (0, 1):
        away = (bounds - edges.coordinates[:, None]) * (cell_px[axis] / blur_px)
        share = np.diff(_normal_below(away), axis=-1, prepend=0.0, append=1.0)
        shares.append(share[edges.beside[..., axis]])
    level = ((shares[1] @ white) * shares[0]).sum(axis=-1)
    return Blur(level[0], level[1], level[2], (level[4] - level[3]) / (2 * _SLOPE_CELLS))


def locate(
    profiles: Profiles, black: FloatArray, white: FloatArray, blur: Blur | None
) -> Crossings:
    """Edges where the profiles cross the level that blur leaves there (the middle without it)."""
    light, ends = profiles.light, profiles.ends_px
    contrast = white - black
    level = (light - black[:, None]) / np.maximum(contrast, _LEAST_CONTRAST)[:, None]
    target = np.full(len(level), 0.5) if blur is None else np.clip(blur.at_edge, 0.3, 0.7)
    rises = (level[:, :-1] < target[:, None]) & (level[:, 1:] >= target[:, None])
    middle = (_PROFILE_STEPS - 1) / 2
    distance = np.where(rises, np.abs(np.arange(_PROFILE_STEPS - 1) + 0.5 - middle), np.inf)
    at = distance.argmin(axis=1)
    rows = np.arange(len(level))
    before, after = level[rows, at], level[rows, at + 1]
    rise = np.where(rises[rows, at], after - before, 1.0)
    axis = ends[:, 1] - ends[:, 0]
    length = np.sqrt((axis**2).sum(axis=1))
    step_px = length / (_PROFILE_STEPS - 1)
    # A blade across the edge leaves no black on one side or no white on the other; outside
    # the photo the profile reads below zero.
    clean = (level.min(axis=1) < 0.3) & (level.max(axis=1) > 0.7) & (light.min(axis=1) >= 0)
    seen = rises[rows, at] & clean & (contrast > _LEAST_CONTRAST)
    offset = (at + (target - before) / rise - middle) * step_px
    spread = step_px / (rise * sqrt(2 * pi))
    blur_px = median(spread[seen]) if seen.any() else 1.0
    return Crossings(np.where(seen, offset, 0.0), axis / length[:, None], seen, blur_px)


def median(values: FloatArray) -> float:
    """Upper median; np.median takes five times as long on arrays this short."""
    middle = len(values) // 2
    return float(np.partition(values, middle)[middle])


def _normal_below(x: FloatArray) -> FloatArray:
    """Normal distribution function to 3e-4 (Page 1977), since numpy has none."""
    return 0.5 * (1 + np.tanh(sqrt(2 / pi) * (x + 0.044715 * x**3)))
