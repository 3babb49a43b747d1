"""Which of the tags that carry one number stand together on one tray, and where it lies."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from trayvision.camera.camera import Camera
from trayvision.pose.fit import (
    PoseFit,
    TagPoints,
    fit_pose,
    projection_derivatives,
    worst_spread,
)
from trayvision.pose.tray_pose import TrayProblem
from trayvision.quality_flags import Doubt
from trayvision.reference_kit import CARRIED_STRIP_NUMBER, TAG_EDGE_MM, TraySize
from trayvision.tags.reading import ReadTag, same_print

FloatArray = npt.NDArray[np.float64]

# Bars are clipped on by hand: a tag may lie this far from its place and still belong.
MOUNTING_TOLERANCE_MM = 2.0
READING_TOLERANCE_PX = 1.0
# A second pose this much worse in chi-square is still possible (1 in 400).
AMBIGUOUS_COST = 12.0
# A tag that contradicts its tray but lies so near its place was misread, not moved.
MISREAD_WITHIN_MM = 12.0
# A stray tag whose sides and diagonals, laid into the tray's plane, are within this share of
# a kit tag's may belong to a second tray.
STRAY_SHAPE = 0.25


@dataclass(frozen=True, eq=False)
class PlacedTags:
    """Tags that fit one tray, the pose they give, and other poses they allow almost as well."""

    tags: tuple[ReadTag, ...]
    fit: PoseFit
    other_fits: tuple[PoseFit, ...] = ()


def tag_points(tags: Sequence[ReadTag], size: TraySize) -> TagPoints:
    """Kit geometry and pixels of tags, one row each."""
    return TagPoints(
        np.stack([size.tag_corners_mm(tag.corner) for tag in tags]),
        np.stack([tag.corners_px for tag in tags]),
        np.array([tag.corner_sigma_px for tag in tags]),
    )


def place(tags: Sequence[ReadTag], size: TraySize, camera: Camera) -> PlacedTags | None:
    """Pose of a tray that all of `tags` fit, or None when they contradict each other."""
    return placed_from(fit_pose(tag_points(tags, size), camera), tags, size)


def placed_from(
    fits: Iterable[PoseFit], tags: Sequence[ReadTag], size: TraySize
) -> PlacedTags | None:
    """The best of fits that is plausible and within tolerance, and those nearly as good."""
    good = [fit for fit in fits if _plausible(fit, size) and within_tolerance(fit, tags)]
    if not good:
        return None
    best = min(good, key=lambda fit: fit.cost)
    others = (fit for fit in good if fit is not best and fit.cost < best.cost + AMBIGUOUS_COST)
    return PlacedTags(tuple(tags), best, tuple(others))


def within_tolerance(fit: PoseFit, tags: Sequence[ReadTag]) -> bool:
    """Whether a pose puts every tag where it was read, up to reading and mounting errors."""
    allowed = [_tolerance_px(tag) for tag in tags]
    return bool((fit.tag_rms_px[: len(tags)] <= allowed).all())


def largest_agreement(tags: Sequence[ReadTag], size: TraySize, camera: Camera) -> PlacedTags | None:
    """The most tags, no corner twice and at least two, that fit one tray.

    All together if they do, else by consensus: every pair's pose is asked which others lie
    where it puts them (Fischler and Bolles 1981, over all pairs instead of a random sample).
    """
    if len(tags) >= 2 and len({tag.corner for tag in tags}) == len(tags):
        whole = place(tags, size, camera)
        if whole is not None:
            return whole
    best: PlacedTags | None = None
    for pair in combinations(tags, 2):
        placed = place(pair, size, camera) if pair[0].corner != pair[1].corner else None
        if placed is None:
            continue
        supporters = _supporters(placed, tags, size)
        if supporters:
            placed = place((*pair, *supporters), size, camera) or placed
        if best is None or _rank(placed) > _rank(best):
            best = placed
    return best


def expected_tag(tag: int, corner: int, fit: PoseFit, size: TraySize) -> ReadTag:
    """Where a pose puts a tag's corners, with the pose's own uncertainty there."""
    pixels, by_pose = projection_derivatives(
        size.tag_corners_mm(corner), fit.rotation_vector, fit.translation_mm, fit.camera
    )
    return ReadTag(tag, pixels, float(worst_spread(by_pose, fit.covariance).max()))


def _supporters(placed: PlacedTags, tags: Sequence[ReadTag], size: TraySize) -> list[ReadTag]:
    """Tags of further corners that lie where a pair's pose puts them, the nearest of each."""
    nearest: dict[int, tuple[float, ReadTag]] = {}
    for tag in tags:
        if any(tag.corner == used.corner for used in placed.tags):
            continue
        expected = expected_tag(tag.id, tag.corner, placed.fit, size)
        away = float(np.sqrt(((tag.corners_px - expected.corners_px) ** 2).sum(axis=1).mean()))
        if away > _tolerance_px(tag) + 3 * expected.corner_sigma_px:
            continue
        if tag.corner not in nearest or away < nearest[tag.corner][0]:
            nearest[tag.corner] = away, tag
    return [tag for _, tag in nearest.values()]


def second_tray(
    number: int, placed: PlacedTags, tags: Sequence[ReadTag], size: TraySize, camera: Camera
) -> TrayProblem | None:
    """Why a placed tray cannot be trusted for the tags of its number that it leaves over.

    Tags that are unlike the tray's own in size or tilt (on a screen, in a picture) are
    strangers and say nothing; so do misread ones at their place.
    """
    corners = {tag.corner for tag in placed.tags}
    left = [tag for tag in tags if not any(same_print(tag, used) for used in placed.tags)]
    another = largest_agreement(left, size, camera)
    if another is not None and not corners.isdisjoint(tag.corner for tag in another.tags):
        return _same_number_twice(number)
    like = [tag for tag in left if lies_like_a_kit_tag(tag, placed.fit, size)]
    if any(tag.corner in corners for tag in like):
        return _same_number_twice(number)
    moved = [
        tag
        for tag in (another.tags if another else like)
        if _misfit_mm(tag, placed.fit, size) > MISREAD_WITHIN_MM
    ]
    if moved:
        return _contradiction(number, [*placed.tags, *moved], size)
    return None


def unplaced(number: int, tags: Sequence[ReadTag], size: TraySize) -> TrayProblem:
    """Problem of a number of whose tags no two fit one tray."""
    if len(tags) == 1:
        return TrayProblem(
            number,
            (Doubt.ONE_TAG_ONLY,),
            f"Tray {number}: only tag {tags[0].id} could be read; two are needed to place it.",
        )
    if len({tag.corner for tag in tags}) < len(tags):
        return _same_number_twice(number)
    return _contradiction(number, tags, size)


def camera_contradicts(number: int, tags: Sequence[ReadTag]) -> TrayProblem:
    """Problem of a tray whose tags agree with each other, but not through the camera given."""
    return TrayProblem(
        number,
        (Doubt.TAGS_CONTRADICT,),
        f"Tray {number}: its tags {_ids(tags)} fit one tray, but not through the camera that was "
        "given. Calibrate that camera again, or measure without it.",
    )


def strip_alone() -> TrayProblem:
    """Problem of a carried strip beside which no rim tag was read."""
    return TrayProblem(
        CARRIED_STRIP_NUMBER,
        (Doubt.TAGS_CONTRADICT,),
        "The carried strip stands on no tray of which a rim tag was read.",
    )


def _same_number_twice(number: int) -> TrayProblem:
    sentence = f"Two trays in this photo carry the number {number}; neither is measured."
    return TrayProblem(number, (Doubt.SAME_NUMBER_TWICE,), sentence)


def _contradiction(number: int, tags: Sequence[ReadTag], size: TraySize) -> TrayProblem:
    return TrayProblem(
        number,
        (Doubt.TAGS_CONTRADICT,),
        f"Tray {number}: its tags {_ids(tags)} do not fit one tray of {size} mm inside. Measure "
        "the tray and the print, and see that each bar lies at its own end; a very wide lens must "
        "be calibrated.",
    )


def _ids(tags: Iterable[ReadTag]) -> str:
    return ", ".join(str(one) for one in sorted(tag.id for tag in tags))


def tag_px_per_mm(tag: ReadTag) -> float:
    """Scale of the photo at a tag."""
    return tag.edge_px / TAG_EDGE_MM


def _tolerance_px(tag: ReadTag) -> float:
    mounting = MOUNTING_TOLERANCE_MM * tag_px_per_mm(tag)
    return READING_TOLERANCE_PX + 3 * tag.corner_sigma_px + mounting


def _rank(placed: PlacedTags) -> tuple[int, float]:
    return len(placed.tags), -placed.fit.rms_px


def _plausible(fit: PoseFit, size: TraySize) -> bool:
    """Whether the camera stands over the rim with all six tags and the opening before it."""
    corners = np.vstack([size.opening_mm, *(size.tag_corners_mm(corner) for corner in range(6))])
    ahead = corners @ fit.rotation[2] + fit.translation_mm[2]
    return bool(fit.camera_position_mm[2] > 0 and ahead.min() > 0)


def lies_like_a_kit_tag(tag: ReadTag, fit: PoseFit, size: TraySize) -> bool:
    """Whether a tag, laid into the plane of the rim (or of the head), has a kit tag's shape.

    Its tilt alone would not tell: seen from above, a small tag's own tilt is hardly known.
    """
    own = size.tag_corners_mm(tag.corner)
    normal = np.cross(own[1] - own[0], own[3] - own[0])
    sight = np.column_stack([fit.camera.undistort(tag.corners_px), np.ones(4)]) @ fit.rotation
    eye = fit.camera_position_mm
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = (own[0] - eye) @ normal / (sight @ normal)
    laid = eye + distance[:, None] * sight
    sides = np.linalg.norm(laid - laid[[3, 0, 1, 2]], axis=1) / TAG_EDGE_MM
    diagonals = np.linalg.norm(laid[:2] - laid[2:], axis=1) / (TAG_EDGE_MM * 2**0.5)
    shape = np.concatenate([sides, diagonals])
    return bool((distance > 0).all() and (np.abs(shape - 1) < STRAY_SHAPE).all())


def _misfit_mm(tag: ReadTag, fit: PoseFit, size: TraySize) -> float:
    expected = expected_tag(tag.id, tag.corner, fit, size).corners_px.mean(axis=0)
    away = float(np.linalg.norm(tag.corners_px.mean(axis=0) - expected))
    return away / tag.edge_px * TAG_EDGE_MM
