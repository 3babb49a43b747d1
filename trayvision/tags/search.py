"""Looks for a tag where the pose of its tray says it must be, though the plain reader missed it.

The id is known, so nothing has to be decoded: the place's neighbourhood is compared with the
printed tag by normalised correlation, the best places are refined edge by edge, and one is
accepted only if its cells agree with the code far better than chance and better than with any
other code of the family. Cells that a blade hides are neither black nor white and do not count.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb

import cv2
import numpy as np
import numpy.typing as npt

from trayvision.tags.corners import (
    RefinedCorners,
    grid_homography,
    refine_corners,
    robust_planes,
)
from trayvision.tags.edges import linear_light, map_points
from trayvision.tags.family import PAYLOAD_CELLS, TAG_CELLS, payload_distances, tag_cells
from trayvision.tags.neighbourhood import Neighbourhood

FloatArray = npt.NDArray[np.float64]
GreyImage = npt.NDArray[np.uint8]

_PLACES = 3
# Of tags of any number, so many that correlate best with a place are read there.
_MOST_READ_OF_ANY = 8
_HIDDEN_BELOW = 0.35
_LEAST_CONTRAST = 0.004
_GREATEST_CHANCE = 5e-6
_GREATEST_CHANCE_IN_BORDER = 2e-4
_CLEAR_BORDER_CELLS = 18
_LEAST_EDGE_SHARE = 0.25
_GREATEST_BRIGHT_BORDER = 0.3
_MOST_WRONG_OF_ANY = 3
_LEAST_MARGIN = 3
_CENTRE = np.arange(TAG_CELLS) + 0.5
# (64, 2) middles of the cells, row by row.
_CENTRES = np.stack(np.meshgrid(_CENTRE, _CENTRE), axis=-1).reshape(-1, 2)
# (64, 3) rows of 1, x, y for each cell, with x and y from -1/2 to 1/2 over the tag.
_DESIGN = np.column_stack([np.ones(len(_CENTRES)), _CENTRES / TAG_CELLS - 0.5])
# (256, 2) four points in the middle of each cell.
_INSIDE_CELLS = (
    _CENTRES[:, None] + np.array([[-0.2, -0.2], [0.2, -0.2], [-0.2, 0.2], [0.2, 0.2]])
).reshape(-1, 2)


@dataclass(frozen=True)
class CellAgreement:
    """How the payload read at a place fits one tag.

    `seen` cells are clearly black or white, `wrong` of them differ from the tag,
    `other_wrong` from the next best code or turn; `chance` is the probability that so few
    differ if black and white were tossed.
    """

    seen: int
    wrong: int
    other_wrong: int
    border_seen: int
    border_wrong: int

    @property
    def chance(self) -> float:
        """Probability that tossed cells differ from the tag in no more places."""
        return sum(comb(self.seen, k) for k in range(self.wrong + 1)) / 2.0**self.seen


def search_tag(
    grey: GreyImage, expected_px: FloatArray, tag: int, radius_px: float
) -> RefinedCorners | None:
    """Corners of a tag of known id near its expected place, or None when it is not seen there.

    Parameters
    ----------
    grey : (h, w) uint8
        Photo in sRGB-coded grey.
    expected_px : (4, 2) array
        Where its corners should be, in the photo's pixels.
    tag : int
        Id of the tag.
    radius_px : float
        How far off the place may be.
    """
    view = Neighbourhood.of(grey, expected_px, radius_px)
    places = [] if view is None else view.places(tag, _PLACES)[1]
    found = _read_there(grey, places, [tag] * len(places))
    return min(found, key=lambda one: one[0], default=(1.0, tag, None))[2]


def search_any(
    grey: GreyImage, expected_px: FloatArray, tags: Sequence[int], radius_px: float
) -> tuple[int, RefinedCorners] | None:
    """Whichever of several tags is seen near a place, and its corners; None when none is.

    Only those few are read that correlate best with what is there. As for `search_tag`, but a clear
    border is no evidence here, since one of many tags agrees with it more easily by chance.
    """
    view = Neighbourhood.of(grey, expected_px, radius_px)
    if view is None:
        return None
    ranked = sorted(((*view.places(tag, 1), tag) for tag in tags), key=lambda one: -one[0])
    read = [(places[0], tag) for _, places, tag in ranked[:_MOST_READ_OF_ANY] if places]
    found = _read_there(grey, [place for place, _ in read], [tag for _, tag in read])
    chance, tag, corners = min(found, key=lambda one: one[0], default=(1.0, 0, None))
    return None if corners is None or chance > _GREATEST_CHANCE else (tag, corners)


def _read_there(
    grey: GreyImage, places: Sequence[FloatArray], tags: Sequence[int]
) -> list[tuple[float, int, RefinedCorners]]:
    """Those tags that are accepted where they are looked for, each with its chance."""
    refined = refine_corners(grey, places, tags)
    there = [
        (tag, one)
        for tag, one in zip(tags, refined, strict=True)
        if one is not None and one.edge_share >= _LEAST_EDGE_SHARE
    ]
    cells = read_cells(grey, [one.corners_px for _, one in there], [tag for tag, _ in there])
    return [
        (agreement.chance, tag, one)
        for (tag, one), agreement in zip(there, cells, strict=True)
        if agreement is not None and accepted(agreement)
    ]


def accepted(agreement: CellAgreement) -> bool:
    """Whether cells agree with the tag far better than chance and than with any other tag.

    A border that is black wherever it is seen is evidence of its own: none of some thousand
    wrong places on photos had one.
    """
    margin = agreement.other_wrong - agreement.wrong
    if agreement.border_wrong == 0 and agreement.border_seen >= _CLEAR_BORDER_CELLS:
        return agreement.chance < _GREATEST_CHANCE_IN_BORDER and margin >= _LEAST_MARGIN - 1
    return (
        agreement.chance < _GREATEST_CHANCE
        and margin >= _LEAST_MARGIN
        and agreement.border_wrong <= _GREATEST_BRIGHT_BORDER * agreement.border_seen
    )


def read_cells(
    grey: GreyImage, corners_px: Sequence[FloatArray], tags: Sequence[int]
) -> list[CellAgreement | None]:
    """Compare the cells inside t times four corners (4, 2) with t tags.

    None for a tag outside the photo, and where black and white do not part.
    """
    light = [_cell_light(grey, corners) for corners in corners_px]
    inside = [row for row, values in enumerate(light) if values is not None]
    agreements: list[CellAgreement | None] = [None] * len(tags)
    if not inside:
        return agreements
    values = np.stack([cells.ravel() for cells in light if cells is not None])
    expected = np.stack([tag_cells(tags[row]) for row in inside])
    is_white = expected.reshape(values.shape)
    design = np.broadcast_to(_DESIGN, (*values.shape, 3))
    black = robust_planes(design, values, ~is_white)
    white = robust_planes(design, values, is_white)
    parted = np.median(white - black, axis=1) >= _LEAST_CONTRAST
    judged = _judged(values, black, white).reshape(expected.shape)
    for place, row in enumerate(inside):
        if parted[place]:
            agreements[row] = _agreement(judged[place], expected[place], tags[row])
    return agreements


def _judged(values: FloatArray, black: FloatArray, white: FloatArray) -> FloatArray:
    """1 for cells that are clearly white, -1 for clearly black, 0 for hidden ones.

    White is judged in linear light and black in its square root, for which a bright blade
    is not white enough and a dark one not black enough.
    """
    parted = white - black >= _LEAST_CONTRAST
    contrast = np.where(parted, white - black, np.inf)
    root = np.sqrt(np.maximum([values, black, white], 0.0))
    dark = 2 * (root[0] - root[1]) / np.maximum(root[2] - root[1], 1e-6) - 1
    bright = 2 * (values - black) / contrast - 1
    clearly_black = parted & (dark < -_HIDDEN_BELOW)
    return np.where(bright > _HIDDEN_BELOW, 1.0, np.where(clearly_black, -1.0, 0.0))


def decode(grey: GreyImage, corners_px: FloatArray) -> tuple[int, int] | None:
    """Tag and quarter turn that four corners (4, 2) of a dark square hold, or None.

    Turn k means that the printed up-left corner is the k-th of those given.
    """
    values = _cell_light(grey, corners_px)
    if values is None:
        return None
    black, white = np.quantile(values, (0.2, 0.9))
    if white - black < _LEAST_CONTRAST:
        return None
    level = 2 * (values - black) / (white - black) - 1
    border = np.ones(level.shape, dtype=bool)
    inner = slice(1, 1 + PAYLOAD_CELLS)
    border[inner, inner] = False
    if (level[border] > 0).mean() > _GREATEST_BRIGHT_BORDER:
        return None
    seen = np.abs(level[inner, inner]) > _HIDDEN_BELOW
    distances = payload_distances(level[inner, inner] > 0, seen)
    tag, turn = np.unravel_index(distances.argmin(), distances.shape)
    least = np.partition(distances, 1, axis=None)[:2]
    if least[1] - least[0] < _LEAST_MARGIN or least[0] > _MOST_WRONG_OF_ANY:
        return None
    return int(tag), (4 - int(turn)) % 4


def _cell_light(grey: GreyImage, corners_px: FloatArray) -> FloatArray | None:
    """Mean linear light (8, 8) in the middle of each cell; None outside the photo."""
    path = map_points(grid_homography(corners_px), _INSIDE_CELLS).astype(np.float32)
    low = np.maximum(np.floor(path.min(axis=0)).astype(int) - 1, 0)
    high = np.minimum(np.ceil(path.max(axis=0)).astype(int) + 2, grey.shape[::-1])
    if (high - low).min() < 4:
        return None
    light = linear_light()[grey[low[1] : high[1], low[0] : high[0]]]
    local = (path - low).reshape(TAG_CELLS**2, 4, 2).astype(np.float32)
    values: FloatArray = cv2.remap(light, local, None, cv2.INTER_LINEAR)  # type: ignore[call-overload]
    return np.asarray(values.mean(axis=1, dtype=np.float64).reshape(TAG_CELLS, TAG_CELLS))


def _agreement(level: FloatArray, expected: npt.NDArray[np.bool_], tag: int) -> CellAgreement:
    seen = level != 0
    wrong = seen & ((level > 0) != expected)
    inner = slice(1, 1 + PAYLOAD_CELLS)
    distances = payload_distances(level[inner, inner] > 0, seen[inner, inner])
    own = int(distances[tag, 0])
    distances[tag, 0] = PAYLOAD_CELLS**2
    payload_seen = int(seen[inner, inner].sum())
    return CellAgreement(
        payload_seen,
        own,
        int(distances.min()),
        int(seen.sum()) - payload_seen,
        int(wrong.sum()) - own,
    )
