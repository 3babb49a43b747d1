"""Where the black-white edges inside tags lie in a photo, one crossing at a time.

All functions take several tags at once, along the first axis: a tag alone has too few edges to
outweigh what each call of numpy costs.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from math import pi, sqrt

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.tags.family import TAG_CELLS, tag_cells

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IndexArray = npt.NDArray[np.intp]
GreyImage = npt.NDArray[np.uint8]

# Along an edge, as shares of a cell: clear of the crossings with other edges.
_ALONG = (0.3, 0.7)
_PROFILE_STEPS = 15
_LEAST_CONTRAST = 0.004
# Where blur is worked out, in cells towards white: on the edge, and at a profile's ends.
END_CELLS = 0.5
_BESIDE = np.array([0.0, -END_CELLS, END_CELLS])
# The few coordinates that points on and beside edges have.
_COORDINATES = np.unique(
    np.add.outer(np.arange(TAG_CELLS + 1), [*_ALONG, *_BESIDE]).ravel().round(6)
)


@dataclass(frozen=True, eq=False)
class TagEdges:
    """Points on the black-white edges of t tags: n each, as the one with the most edges has.

    `present` (t, n) tells edges from rows that only fill up. `points` (t, n, 2) in cells from
    the up-left corner, `towards_white` (t, n, 2) unit steps, `design` (t, n, 3) rows of 1, x, y
    with x and y from -1/2 to 1/2 over the tag. `white` (t, 12, 12) are the printed cells and two
    around them; `beside` (t, 3, n, 2) says where on and beside each edge blur is worked out.
    """

    present: BoolArray
    points: FloatArray
    towards_white: FloatArray
    design: FloatArray
    white: FloatArray
    beside: IndexArray


@dataclass(frozen=True, eq=False)
class Profiles:
    """Linear light (t, n, steps) across each edge, black end first, and the (t, n, 2, 2) px ends.

    Of tags that are not `inside` (t,) the photo all light is -1.
    """

    light: FloatArray
    ends_px: FloatArray
    inside: BoolArray


@dataclass(frozen=True, eq=False)
class Blur:
    """What blur does at each edge (t, n): level at the edge and at both ends.

    Levels run from 0 in wide black to 1 in wide white: neighbouring edges two or three pixels
    away pull the middle level off the true edge.
    """

    at_edge: FloatArray
    black_end: FloatArray
    white_end: FloatArray


@dataclass(frozen=True, eq=False)
class Crossings:
    """Offsets (t, n) px of the edges along (t, n, 2) normals to white, which are `seen` (t, n).

    `blur_px` (t,) is each tag's own.
    """

    offsets_px: FloatArray
    normals: FloatArray
    seen: BoolArray
    blur_px: FloatArray


@cache
def linear_light() -> npt.NDArray[np.float32]:
    """(256,) linear light of 8-bit sRGB levels (IEC 61966-2-1)."""
    level = np.arange(256) / 255.0
    light = np.where(level <= 0.04045, level / 12.92, ((level + 0.055) / 1.055) ** 2.4)
    return light.astype(np.float32)


def edges_of(tags: Sequence[int], *, outer: bool) -> TagEdges:
    """All black-white edges of tags, or those to their quiet zone only."""
    each = [_edges_of(tag, outer) for tag in tags]
    shape = (len(tags), max(len(points) for points, _, _ in each))
    present = np.zeros(shape, dtype=bool)
    points = np.full((*shape, 2), TAG_CELLS / 2)
    towards_white = np.tile([1.0, 0.0], (*shape, 1))
    beside = np.zeros((len(tags), len(_BESIDE), shape[1], 2), dtype=np.intp)
    for row, (own_points, own_steps, own_beside) in enumerate(each):
        count = len(own_points)
        present[row, :count] = True
        points[row, :count], towards_white[row, :count] = own_points, own_steps
        beside[row, :, :count] = own_beside
    design = np.concatenate([np.ones((*shape, 1)), points / TAG_CELLS - 0.5], axis=2)
    white = np.stack([np.pad(tag_cells(tag), 2, constant_values=True) for tag in tags])
    return TagEdges(present, points, towards_white, design, white.astype(np.float64), beside)


@cache
def _edges_of(tag: int, outer: bool) -> tuple[FloatArray, FloatArray, IndexArray]:
    """One tag's points, steps towards white, and (3, n, 2) places in `_COORDINATES`."""
    white = np.pad(tag_cells(tag), 1, constant_values=True)
    points, steps = [], []
    for grid, order in ((white, [0, 1]), (white.T, [1, 0])):
        rows, columns = np.nonzero(grid[:-1] != grid[1:])
        if outer:
            border = (rows == 0) | (rows == TAG_CELLS)
            rows, columns = rows[border], columns[border]
        sign = np.where(grid[rows + 1, columns], 1.0, -1.0)
        for along in _ALONG:
            # Cell (1, 1) of the padded grid starts at (0, 0) of the tag.
            points.append(np.column_stack([columns - 1 + along, rows])[:, order])
            steps.append(np.column_stack([np.zeros(len(sign)), sign])[:, order])
    where, towards_white = np.concatenate(points), np.concatenate(steps)
    beside = where[None] + _BESIDE[:, None, None] * towards_white[None]
    return where, towards_white, np.searchsorted(_COORDINATES, beside.round(6))


def map_points(homography: FloatArray, points: FloatArray) -> FloatArray:
    """Points (n, 2) through a (3, 3) homography, or (t, n, 2) through (t, 3, 3) of them."""
    moved = points @ np.swapaxes(homography[..., :2], -1, -2) + homography[..., None, :, 2]
    return np.asarray(moved[..., :2] / moved[..., 2:])


def profiles_across(
    grey: GreyImage, homography: FloatArray, edges: TagEdges, search_cells: float
) -> Profiles:
    """Light across each edge, as far to both sides as given."""
    reach = search_cells * edges.towards_white
    both = np.stack([edges.points - reach, edges.points + reach], axis=2)
    count, most = edges.present.shape
    ends = map_points(homography, both.reshape(count, -1, 2)).reshape(count, most, 2, 2)
    low = np.maximum(np.floor(ends.min(axis=(1, 2))).astype(int) - 1, 0)
    high = np.minimum(np.ceil(ends.max(axis=(1, 2))).astype(int) + 2, grey.shape[::-1])
    step = (ends[:, :, 1] - ends[:, :, 0]) / (_PROFILE_STEPS - 1)
    start = ends[:, :, 0] - low[:, None]
    path = start[:, :, None] + np.arange(_PROFILE_STEPS)[:, None] * step[:, :, None]
    path = path.astype(np.float32)
    light = np.full((count, most, _PROFILE_STEPS), -1.0, dtype=np.float32)
    inside = (high - low).min(axis=1) >= 4
    for row in np.flatnonzero(inside):
        (left, top), (right, bottom) = low[row], high[row]
        cv2.remap(  # type: ignore[call-overload]
            linear_light()[grey[top:bottom, left:right]],
            path[row],
            None,
            cv2.INTER_LINEAR,
            dst=light[row],
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(-1.0,),
        )
    return Profiles(light.astype(np.float64), ends, inside)


def blur_at(edges: TagEdges, homography: FloatArray, blur_px: FloatArray) -> Blur:
    """Levels of the printed tags under a Gaussian blur (t,), cell by cell in closed form."""
    middle = TAG_CELLS / 2 + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    there = map_points(homography, np.broadcast_to(middle, (len(homography), 3, 2)))
    cell_px = np.linalg.norm(there[:, 1:] - there[:, :1], axis=2)
    # The outermost cells reach on for ever: the bar around the tag is white too.
    bounds = np.arange(-1.0, TAG_CELLS + 2) - _COORDINATES[:, None]
    away = bounds * (cell_px / blur_px[:, None])[:, :, None, None]
    share = np.diff(_normal_below(away), axis=-1, prepend=0.0, append=1.0)
    levels = share[:, 1] @ edges.white @ np.swapaxes(share[:, 0], 1, 2)
    tag = np.arange(len(homography))[:, None, None]
    level = levels[tag, edges.beside[..., 1], edges.beside[..., 0]]
    return Blur(level[:, 0], level[:, 1], level[:, 2])


def locate(
    edges: TagEdges,
    profiles: Profiles,
    levels: tuple[FloatArray, FloatArray],
    blur: Blur | None,
) -> Crossings:
    """Edges where the profiles cross the level that blur leaves there (the middle without it).

    `levels` are the black and the white (t, n) of wide areas at each edge.
    """
    light, ends, black = profiles.light, profiles.ends_px, levels[0]
    contrast = levels[1] - black
    level = (light - black[..., None]) / np.maximum(contrast, _LEAST_CONTRAST)[..., None]
    target = np.full(contrast.shape, 0.5) if blur is None else np.clip(blur.at_edge, 0.3, 0.7)
    rises = (level[..., :-1] < target[..., None]) & (level[..., 1:] >= target[..., None])
    middle = (_PROFILE_STEPS - 1) / 2
    distance = np.where(rises, np.abs(np.arange(_PROFILE_STEPS - 1) + 0.5 - middle), np.inf)
    at = distance.argmin(axis=-1)[..., None]
    before, after = (np.take_along_axis(level, at + k, axis=-1)[..., 0] for k in (0, 1))
    risen = np.take_along_axis(rises, at, axis=-1)[..., 0]
    rise = np.where(risen, after - before, 1.0)
    axis = ends[..., 1, :] - ends[..., 0, :]
    length = np.sqrt((axis**2).sum(axis=-1))
    step_px = length / (_PROFILE_STEPS - 1)
    # A blade across the edge leaves no black on one side or no white on the other; outside
    # the photo the profile reads below zero.
    clean = (level.min(axis=-1) < 0.3) & (level.max(axis=-1) > 0.7) & (light.min(axis=-1) >= 0)
    seen = edges.present & risen & clean & (contrast > _LEAST_CONTRAST)
    offset = (at[..., 0] + (target - before) / rise - middle) * step_px
    blur_px = median(step_px / (rise * sqrt(2 * pi)), seen, otherwise=1.0)
    return Crossings(np.where(seen, offset, 0.0), axis / length[..., None], seen, blur_px)


def median(values: FloatArray, among: BoolArray, *, otherwise: float = 0.0) -> FloatArray:
    """Upper median (t,) of those values (t, n) that are `among` (t, n), or what is said."""
    count = among.sum(axis=1)
    ordered = np.sort(np.where(among, values, np.inf), axis=1)
    middle = np.minimum(count // 2, values.shape[1] - 1)
    return np.where(count > 0, ordered[np.arange(len(values)), middle], otherwise)


def _normal_below(x: FloatArray) -> FloatArray:
    """Normal distribution function to 3e-4 (Page 1977), since numpy has none."""
    return 0.5 * (1 + np.tanh(sqrt(2 / pi) * (x + 0.044715 * x**3)))
