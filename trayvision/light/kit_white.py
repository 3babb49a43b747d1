"""The whites of the kit that a photo shows: the samples that its light is judged by."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
import numpy.typing as npt

from trayvision.colorimetry import LINEAR_OF_LEVEL, LUMINANCE_WEIGHTS
from trayvision.light.kit_surfaces import (
    Plate,
    bar_plate,
    edge_margin_mm,
    head_plate,
    sample_levels,
)
from trayvision.photo.photo import Photo
from trayvision.pose.tray_pose import TrayPose
from trayvision.reference_kit import HEAD_CORNERS, RIM_CORNERS, TAGS_PER_TRAY

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IndexArray = npt.NDArray[np.int_]

# An encoded level from here up no longer tells how bright the surface was.
CLIPPED_LEVEL: Final = 251
# Standard uncertainty of one cell's log level and log ratio of channels: print, gloss, curl,
# JPEG. The head leans towards the lamps: up to a third more or less light falls on it.
_LEVEL_SIGMA: Final = 0.04
_CHROMA_SIGMA: Final = 0.012
HEAD_LEVEL_SIGMA: Final = 0.30
_SHADOW_SIGMA: Final = 1.0
_MOSTLY: Final = 0.6
_HEAD_CHROMA_SIGMA: Final = 0.03
# A cell needs this many pixels, and a quarter of them must agree within this ratio, before
# their colour is taken for one surface; blades, shadows and glints spread far wider.
_FEWEST_SAMPLES: Final = 12
_WIDEST_LOG_SPREAD: Final = 0.12
# How far a white may differ from the whites beside a tag that was read (log of a ratio).
_CHROMA_TOLERANCE: Final = 0.08
_CLIPPED_CHROMA_TOLERANCE: Final = 0.25
# Lights of two colours and the shade of a shelf keep the rim within these of the head (log).
_UNLIKE_HEAD_CHROMA: Final = 0.45
_DARKER_THAN_HEAD: Final = 2.3
_LEVEL_TOLERANCE: Final = 0.7


@dataclass(frozen=True, eq=False)
class WhiteCells:
    """Whites of the kit that were seen, one row a cell of about 20 mm.

    Parameters
    ----------
    xy_mm : (n, 2) float array
        Centre of each cell in the tray frame.
    linear_rgb : (n, 3) float array
        Its white in linear light, 0 to 1.
    beside_tag : (n,) bool array
        Whether it is the paper that a tag is printed on, not the bar between.
    clipped : (n, 3) bool array
        Channels in which the photo's range ended below this white; `linear_rgb` is then a
        lower bound.
    level_sigma, chroma_sigma : (n,) float arrays
        Standard uncertainty of each white's log level, and of its log ratio of channels, as a
        sign of the light on the tray; wide on the head, which leans towards the lamps.
    seen_px : int
        Working pixels that were taken for white.
    """

    xy_mm: FloatArray
    linear_rgb: FloatArray
    beside_tag: BoolArray
    clipped: BoolArray
    level_sigma: FloatArray
    chroma_sigma: FloatArray
    seen_px: int

    def joined(self, other: "WhiteCells") -> "WhiteCells":
        """These cells followed by others."""
        return WhiteCells(
            np.concatenate([self.xy_mm, other.xy_mm]),
            np.concatenate([self.linear_rgb, other.linear_rgb]),
            np.concatenate([self.beside_tag, other.beside_tag]),
            np.concatenate([self.clipped, other.clipped]),
            np.concatenate([self.level_sigma, other.level_sigma]),
            np.concatenate([self.chroma_sigma, other.chroma_sigma]),
            self.seen_px + other.seen_px,
        )


def white_cells(photo: Photo, pose: TrayPose) -> WhiteCells:
    """The whites of a tray's kit that this photo shows.

    Whites beside tags that were read come first; the bar between them, and a bar whose tags
    are hidden while the head was read, only count where they look like those. What hangs over
    the paper, glints and shadows fall out cell by cell: only the densest quarter of a cell's
    pixels, by brightness, is used, and only when it is tight.

    Parameters
    ----------
    photo : Photo
    pose : TrayPose

    Returns
    -------
    WhiteCells
        Without rows when no white could be made out.
    """
    read = {tag.id % TAGS_PER_TRAY for tag in pose.tags}
    margin = edge_margin_mm(pose)
    plates = [bar_plate(pose.size, side, margin) for side in (-1, 1)]
    if read & set(HEAD_CORNERS):
        plates.append(head_plate(pose.size, margin))
    cells = _cells_of(photo, pose, plates)
    anchors = cells.those(np.isin(cells.corner, list(read)))
    rim_anchors = anchors.those(
        np.isin(anchors.corner, RIM_CORNERS)
        & _may_be_paper(anchors, anchors.those(anchors.on_head))
    )
    kept = cells.those(_agreeing(cells, rim_anchors if len(rim_anchors) else anchors))
    shadow = _in_shadow(kept.xy_mm, kept.clipped)
    shared = _SHADOW_SIGMA * np.sqrt(max(int(shadow.sum()), 1))
    level_sigma = np.where(shadow, shared, _LEVEL_SIGMA)
    # The head's cells share one tilt, so their error does not average out.
    together = np.sqrt(max(int(kept.on_head.sum()), 1))
    return WhiteCells(
        xy_mm=kept.xy_mm,
        linear_rgb=kept.linear_rgb,
        beside_tag=kept.corner >= 0,
        clipped=kept.clipped,
        level_sigma=np.where(kept.on_head, HEAD_LEVEL_SIGMA * together, level_sigma),
        chroma_sigma=np.where(kept.on_head, _HEAD_CHROMA_SIGMA * together, _CHROMA_SIGMA),
        seen_px=int(kept.seen_px.sum()),
    )


@dataclass(frozen=True, eq=False)
class _Cells:
    """One row a cell: as in `WhiteCells`, with the corner of its paper, -1 on the bar between."""

    xy_mm: FloatArray
    linear_rgb: FloatArray
    clipped: BoolArray
    corner: IndexArray
    on_head: BoolArray
    seen_px: IndexArray

    def __len__(self) -> int:
        return len(self.corner)

    def those(self, chosen: BoolArray) -> "_Cells":
        """The chosen rows."""
        return _Cells(*(getattr(self, field.name)[chosen] for field in fields(self)))

    @property
    def log_level(self) -> FloatArray:
        """(n,) log luminance."""
        return np.asarray(np.log(self.linear_rgb @ LUMINANCE_WEIGHTS + 1e-4))

    @property
    def log_chroma(self) -> FloatArray:
        """(n, 2) log ratios of red and of blue to green."""
        log = np.log(self.linear_rgb + 1e-4)
        return np.asarray(log[:, ::2] - log[:, 1:2])


_NO_CELLS: Final = _Cells(
    np.zeros((0, 2)),
    np.zeros((0, 3)),
    np.zeros((0, 3), dtype=bool),
    np.zeros(0, dtype=int),
    np.zeros(0, dtype=bool),
    np.zeros(0, dtype=int),
)


def _cells_of(photo: Photo, pose: TrayPose, plates: Sequence[Plate]) -> _Cells:
    """Cells of one colour on the plates."""
    points_mm = np.concatenate([plate.points_mm for plate in plates])
    corner = np.concatenate([plate.corner for plate in plates])
    on_plate = np.repeat(np.arange(len(plates)), [len(plate.cell) for plate in plates])
    cell = np.concatenate([plate.cell for plate in plates])
    cell += (cell.max() + 1) * on_plate
    levels, inside = sample_levels(photo, pose, points_mm)
    log_y = np.log(LINEAR_OF_LEVEL[levels] @ LUMINANCE_WEIGHTS + 1e-4)
    enough = inside & (np.bincount(cell[inside], minlength=cell.max() + 1)[cell] >= _FEWEST_SAMPLES)
    # Each cell's pixels together, from dark to bright.
    order = np.lexsort((log_y, cell))
    order = order[enough[order]]
    if not order.size:
        return _NO_CELLS
    starts = np.flatnonzero(np.diff(cell[order], prepend=-1))
    sizes = np.diff(starts, append=order.size)
    dense, width = _densest_quarters(log_y[order], starts, sizes)
    quarter = order[dense]
    counts = np.add.reduceat(dense, starts, dtype=int)
    firsts = np.cumsum(counts) - counts

    def mean(values: npt.NDArray[np.generic]) -> FloatArray:
        return np.add.reduceat(values, firsts, axis=0, dtype=np.float64) / counts[:, None]

    votes = np.add.reduceat(corner[order, None] == np.arange(-1, TAGS_PER_TRAY), starts, dtype=int)
    found = _Cells(
        np.add.reduceat(points_mm[order, :2], starts) / sizes[:, None],
        mean(LINEAR_OF_LEVEL[levels[quarter]]),
        mean(levels[quarter] >= CLIPPED_LEVEL) > 0.1,
        votes.argmax(axis=1) - 1,
        np.array([plate.on_head for plate in plates])[on_plate[order[starts]]],
        counts,
    )
    return found.those(width <= _WIDEST_LOG_SPREAD)


def _densest_quarters(
    values: FloatArray, starts: IndexArray, sizes: IndexArray
) -> tuple[BoolArray, FloatArray]:
    """Members (n,) of the shortest interval that holds a quarter of each cell's ordered values,
    and its width (cells,): Rousseeuw's shorth with a smaller share, so that up to three quarters
    may be something else.

    Cells begin at `starts` (cells,) and have `sizes` (cells,) values.
    """
    count = np.maximum(sizes // 4, 3)
    place = np.arange(values.size)
    last = place + np.repeat(count - 1, sizes)
    within = last < np.repeat(starts + sizes, sizes)
    width = np.where(within, values[np.where(within, last, 0)] - values, np.inf)
    least = np.minimum.reduceat(width, starts)
    shortest = np.where(width == np.repeat(least, sizes), place, values.size)
    begin = np.minimum.reduceat(shortest, starts)
    dense = (place >= np.repeat(begin, sizes)) & (place < np.repeat(begin + count, sizes))
    return dense, least


def _may_be_paper(cells: _Cells, head: _Cells) -> BoolArray:
    """Whether places beside rim tags are no canopy, judged by the head, which none grows over.

    A tag found where the pose says it must be may itself be all but covered.
    """
    clipped: BoolArray = np.asarray(cells.clipped.any(axis=1))
    if not len(head):
        return np.ones(len(cells), dtype=bool)
    level, chroma, _ = _reference(head)
    # Leaves and straw take red or blue from the light; what has more of both is lit otherwise.
    like = (cells.log_chroma - chroma > -_UNLIKE_HEAD_CHROMA).all(axis=1)
    return clipped | (like & (cells.log_level - level > -_DARKER_THAN_HEAD))


def _agreeing(cells: _Cells, anchors: _Cells) -> BoolArray:
    """Which cells have the colour of the whites around some tag that was read."""
    if not len(anchors):
        return np.zeros(len(cells), dtype=bool)
    corners = np.unique(anchors.corner)
    references = [_reference(anchors.those(anchors.corner == corner)) for corner in corners]
    levels, chromas, tolerances = map(np.array, zip(*references, strict=True))
    beside = cells.corner[:, None] == corners
    own = beside.any(axis=1)
    level = cells.log_level - np.where(own, levels[beside.argmax(axis=1)], np.median(levels))
    # Any tag's white will do: lights of two colours may fall on the two ends.
    apart = np.abs(cells.log_chroma[:, None] - chromas).max(axis=2)
    near = cells.clipped.all(axis=1) | (apart < tolerances).any(axis=1)
    return np.asarray(near & (np.abs(level) < np.where(own, 1.0, 1.5) * _LEVEL_TOLERANCE))


def _reference(anchors: _Cells) -> tuple[float, FloatArray, float]:
    """Median log level and log ratios of channels beside one tag, and how far others may be."""
    level, chroma = float(np.median(anchors.log_level)), anchors.log_chroma
    whole = ~anchors.clipped.any(axis=1)
    if whole.mean() > 0.5:
        return level, np.median(chroma[whole], axis=0), _CHROMA_TOLERANCE
    return level, np.median(chroma, axis=0), _CLIPPED_CHROMA_TOLERANCE


def _in_shadow(xy_mm: FloatArray, clipped: BoolArray) -> BoolArray:
    """Whites within range on a bar most of which is clipped: something darkens just these."""
    any_clipped: BoolArray = np.asarray(clipped.any(axis=1))
    shadow = np.zeros(len(xy_mm), dtype=bool)
    for side in (-1, 1):
        bar = np.sign(xy_mm[:, 0]) == side
        if bar.any() and any_clipped[bar].mean() > _MOSTLY:
            shadow |= bar & ~any_clipped
    return shadow
