"""Which of the tags that carry one number stand together on one tray, and where it lies."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from trayvision.camera import Camera
from trayvision.pose_fit import PoseFit, TagPoints, fit_pose
from trayvision.quality_flags import Doubt
from trayvision.reference_kit import TAG_EDGE_MM, TraySize
from trayvision.tag_reading import ReadTag

FloatArray = npt.NDArray[np.float64]

# Bars are clipped on by hand: a tag may lie this far from its place and still belong.
MOUNTING_TOLERANCE_MM = 2.0
READING_TOLERANCE_PX = 1.0


@dataclass(frozen=True, eq=False)
class PlacedTags:
    """Tags that fit one tray, the pose they give, and the other pose they allow, if any."""

    tags: tuple[ReadTag, ...]
    fit: PoseFit
    other_fit: PoseFit | None


def tag_points(tags: Sequence[ReadTag], size: TraySize) -> TagPoints:
    """Kit geometry and pixels of tags, one row each."""
    return TagPoints(
        np.stack([size.tag_corners_mm(tag.corner) for tag in tags]),
        np.stack([tag.corners_px for tag in tags]),
        np.array([tag.corner_sigma_px for tag in tags]),
    )


def place(tags: Sequence[ReadTag], size: TraySize, camera: Camera) -> PlacedTags | None:
    """Pose of a tray that all of `tags` fit, or None when they contradict each other."""
    fits = [
        fit
        for fit in fit_pose(tag_points(tags, size), camera)
        if _plausible(fit, size) and (fit.tag_rms_px <= _tolerance_px(tags)).all()
    ]
    if not fits:
        return None
    return PlacedTags(tuple(tags), fits[0], fits[1] if len(fits) > 1 else None)


def largest_agreement(tags: Sequence[ReadTag], size: TraySize, camera: Camera) -> PlacedTags | None:
    """The most tags, no corner twice and at least two, that fit one tray."""
    if len(tags) >= 2 and len({tag.corner for tag in tags}) == len(tags):
        whole = place(tags, size, camera)
        if whole is not None:
            return whole
    best: PlacedTags | None = None
    for pair in combinations(tags, 2):
        if pair[0].corner == pair[1].corner:
            continue
        placed = place(pair, size, camera)
        if placed is None:
            continue
        placed = _with_agreeing(placed, tags, size, camera)
        if best is None or _rank(placed) > _rank(best):
            best = placed
    return best


def _with_agreeing(
    placed: PlacedTags, tags: Sequence[ReadTag], size: TraySize, camera: Camera
) -> PlacedTags:
    for tag in tags:
        if any(tag.corner == used.corner for used in placed.tags):
            continue
        wider = place((*placed.tags, tag), size, camera)
        if wider is not None:
            placed = wider
    return placed


def _rank(placed: PlacedTags) -> tuple[int, float]:
    return len(placed.tags), -placed.fit.rms_px


def _tolerance_px(tags: Sequence[ReadTag]) -> FloatArray:
    return np.array(
        [
            READING_TOLERANCE_PX
            + 3 * tag.corner_sigma_px
            + MOUNTING_TOLERANCE_MM * tag.edge_px / TAG_EDGE_MM
            for tag in tags
        ]
    )


def _plausible(fit: PoseFit, size: TraySize) -> bool:
    """Whether the camera stands over the rim with all six tags and the opening before it."""
    position = -fit.rotation.T @ fit.translation_mm
    corners = np.vstack([size.opening_mm, *(size.tag_corners_mm(corner) for corner in range(6))])
    ahead = corners @ fit.rotation[2] + fit.translation_mm[2]
    return bool(position[2] > 0 and ahead.min() > 0)


def contradiction(number: int, tags: Sequence[ReadTag]) -> tuple[tuple[Doubt, ...], str]:
    """Doubts and sentence for tags of one number of which no two fit one tray."""
    if len(tags) == 1:
        return (Doubt.ONE_TAG_ONLY,), (
            f"Tray {number}: only tag {tags[0].id} could be read; two are needed to place it."
        )
    ids = ", ".join(str(tag.id) for tag in tags)
    if len({tag.corner for tag in tags}) == 1:
        return (Doubt.SAME_NUMBER_TWICE,), f"Tray {number}: its tag {ids} is seen more than once."
    return (Doubt.TAGS_CONTRADICT,), (
        f"Tray {number}: its tags {ids} do not fit one tray of the size that was given."
    )
