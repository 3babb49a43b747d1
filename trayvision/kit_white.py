"""The whites of the kit that a photo shows: the samples that its light is judged by."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from trayvision.colorimetry import LINEAR_OF_LEVEL, LUMINANCE_WEIGHTS
from trayvision.kit_surfaces import Plate, bar_plate, edge_margin_mm, head_plate, sample_levels
from trayvision.photo import Photo
from trayvision.reference_kit import HEAD_CORNERS, RIM_CORNERS, TAGS_PER_TRAY
from trayvision.tray_pose import TrayPose

FloatArray = npt.NDArray[np.float64]

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
    beside_tag: npt.NDArray[np.bool_]
    clipped: npt.NDArray[np.bool_]
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
    rows = [row for plate in plates for row in _cells_of(photo, pose, plate)]
    anchors = [row for row in rows if row.corner in read]
    head = [row for row in anchors if row.on_head]
    rim_anchors = [row for row in anchors if row.corner in RIM_CORNERS and _may_be_paper(row, head)]
    kept = _agreeing(rows, rim_anchors or anchors)
    on_head = np.array([row.on_head for row in kept], dtype=bool)
    clipped = np.array([row.clipped for row in kept], dtype=bool).reshape(-1, 3)
    xy_mm = np.array([row.xy_mm for row in kept]).reshape(-1, 2)
    shadow = _in_shadow(xy_mm, clipped)
    shared = _SHADOW_SIGMA * np.sqrt(max(int(shadow.sum()), 1))
    level_sigma = np.where(shadow, shared, _LEVEL_SIGMA)
    # The head's cells share one tilt, so their error does not average out.
    together = np.sqrt(max(int(on_head.sum()), 1))
    return WhiteCells(
        xy_mm=xy_mm,
        linear_rgb=np.array([row.linear_rgb for row in kept]).reshape(-1, 3),
        beside_tag=np.array([row.corner >= 0 for row in kept], dtype=bool),
        clipped=clipped,
        level_sigma=np.where(on_head, HEAD_LEVEL_SIGMA * together, level_sigma),
        chroma_sigma=np.where(on_head, _HEAD_CHROMA_SIGMA * together, _CHROMA_SIGMA),
        seen_px=sum(row.seen_px for row in kept),
    )


@dataclass(frozen=True, eq=False)
class _Cell:
    xy_mm: FloatArray
    linear_rgb: FloatArray
    clipped: npt.NDArray[np.bool_]
    corner: int
    on_head: bool
    seen_px: int


def _cells_of(photo: Photo, pose: TrayPose, plate: Plate) -> list[_Cell]:
    levels, inside = sample_levels(photo, pose, plate.points_mm)
    log_y = np.log(LINEAR_OF_LEVEL[levels] @ LUMINANCE_WEIGHTS + 1e-4)
    cells = []
    order = np.argsort(plate.cell, kind="stable")
    order = order[inside[order]]
    for member in np.split(order, np.flatnonzero(np.diff(plate.cell[order])) + 1):
        if member.size < _FEWEST_SAMPLES:
            continue
        dense = member[_densest_quarter(log_y[member])]
        if np.ptp(log_y[dense]) > _WIDEST_LOG_SPREAD:
            continue
        corners = plate.corner[member]
        cells.append(
            _Cell(
                plate.points_mm[member, :2].mean(axis=0),
                LINEAR_OF_LEVEL[levels[dense]].mean(axis=0),
                (levels[dense] >= CLIPPED_LEVEL).mean(axis=0) > 0.1,
                int(np.bincount(corners + 1).argmax()) - 1,
                plate.on_head,
                int(dense.size),
            )
        )
    return cells


def _densest_quarter(values: FloatArray) -> npt.NDArray[np.int_]:
    """Indices of the shortest interval that holds a quarter of the values (Rousseeuw's shorth
    with a smaller share, so that up to three quarters may be something else)."""
    order = np.argsort(values, kind="stable")
    count = max(values.size // 4, 3)
    width = values[order[count - 1 :]] - values[order[: values.size - count + 1]]
    start = int(width.argmin())
    return order[start : start + count]


def _may_be_paper(row: _Cell, head: list[_Cell]) -> bool:
    """Whether a place beside a rim tag is no canopy, judged by the head, which none grows over.

    A tag found where the pose says it must be may itself be all but covered.
    """
    if not head or row.clipped.any():
        return True
    level, chroma, _ = _reference(head)
    # Leaves and straw take red or blue from the light; what has more of both is lit otherwise.
    like = bool((_log_chroma(row) - chroma > -_UNLIKE_HEAD_CHROMA).all())
    return like and _log_level(row) - level > -_DARKER_THAN_HEAD


def _agreeing(rows: list[_Cell], anchors: list[_Cell]) -> list[_Cell]:
    """The cells whose colour is that of the whites around some tag that was read."""
    if not anchors:
        return []
    corners = sorted({row.corner for row in anchors})
    levels, chromas, tolerances = zip(
        *(_reference([row for row in anchors if row.corner == corner]) for corner in corners),
        strict=True,
    )
    middle = float(np.median(levels))
    kept = []
    for row in rows:
        own = row.corner in corners
        level = _log_level(row) - (levels[corners.index(row.corner)] if own else middle)
        allowed = _LEVEL_TOLERANCE if own else 1.5 * _LEVEL_TOLERANCE
        # Any tag's white will do: lights of two colours may fall on the two ends.
        near = row.clipped.all() or any(
            (abs(_log_chroma(row) - chroma) < tolerance).all()
            for chroma, tolerance in zip(chromas, tolerances, strict=True)
        )
        if near and abs(level) < allowed:
            kept.append(row)
    return kept


def _reference(anchors: list[_Cell]) -> tuple[float, FloatArray, float]:
    """Median log level and log ratios of channels beside one tag, and how far others may be."""
    chroma = np.array([_log_chroma(row) for row in anchors])
    whole = np.array([not row.clipped.any() for row in anchors])
    level = float(np.median([_log_level(row) for row in anchors]))
    if whole.mean() > 0.5:
        return level, np.median(chroma[whole], axis=0), _CHROMA_TOLERANCE
    return level, np.median(chroma, axis=0), _CLIPPED_CHROMA_TOLERANCE


def _in_shadow(xy_mm: FloatArray, clipped: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Whites within range on a bar most of which is clipped: something darkens just these."""
    any_clipped: npt.NDArray[np.bool_] = np.asarray(clipped.any(axis=1))
    shadow = np.zeros(len(xy_mm), dtype=bool)
    for side in (-1, 1):
        bar = np.sign(xy_mm[:, 0]) == side
        if bar.any() and any_clipped[bar].mean() > _MOSTLY:
            shadow |= bar & ~any_clipped
    return shadow


def _log_chroma(row: _Cell) -> FloatArray:
    log = np.log(row.linear_rgb + 1e-4)
    return np.array([log[0] - log[1], log[2] - log[1]])


def _log_level(row: _Cell) -> float:
    return float(np.log(row.linear_rgb @ LUMINANCE_WEIGHTS + 1e-4))
