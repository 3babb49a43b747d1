"""From the tags that stand out to all that can be seen: the pose says where the others are."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from trayvision.camera.camera import Camera
from trayvision.pose.fit import (
    PoseFit,
    fit_pose,
    refine_pose,
)
from trayvision.pose.grouping import PlacedTags, expected_tag, placed_from, tag_points
from trayvision.pose.tray_pose import TrayPose
from trayvision.reference_kit import (
    CARRIED_STRIP_NUMBER,
    HEAD_CORNERS,
    TAG_EDGE_MM,
    TAGS_PER_TRAY,
    TraySize,
    tag_id,
)
from trayvision.tags.reading import ReadTag, TagReader

FloatArray = npt.NDArray[np.float64]

# Beyond three sigma of the pose, a tag may sit this far from its place by its mounting.
SEARCH_SLACK_MM = 4.0
# A single tag's mirror pose is followed too unless it fits this much worse in chi-square.
SINGLE_TAG_COST = 30.0
# A tray that was taken out and put back between two photos of a fixed camera.
PUT_BACK_MM = 1.0
# A reading this many sigma off the pose of all tags is taken again from where they put it.
REREAD_SIGMAS = 2.5


@dataclass(frozen=True, eq=False)
class TagCompletion:
    """Searches the missing tags of one tray."""

    number: int
    reader: TagReader
    size: TraySize
    camera: Camera

    def complete(self, placed: PlacedTags) -> PlacedTags:
        """All tags of a placed tray that can be seen, and its pose from all of them."""
        ways = [self._follow(placed.tags, fit) for fit in (placed.fit, *placed.other_fits)]
        best = max(ways, key=lambda way: (len(way.tags), -way.fit.cost))
        if len(best.tags) == len(placed.tags):
            best = placed
        return self._settle(best)

    def complete_single(self, tag: ReadTag) -> PlacedTags | None:
        """At least two tags of a tray of which one was read, or None."""
        fits = fit_pose(tag_points([tag], self.size), self.camera)
        for fit in fits:
            if fit.cost > fits[0].cost + SINGLE_TAG_COST:
                break
            found = self._follow((tag,), fit)
            if len(found.tags) >= 2:
                return self._settle(found)
        return None

    def keep_earlier(self, before: TrayPose, tags: Sequence[ReadTag]) -> PlacedTags | None:
        """Pose of an earlier photo of the same fixed camera, if the tags seen now agree with it.

        None when no tag is seen now or those that are contradict it.
        """
        found = {tag.corner: tag for tag in tags}
        anchors = []
        for corner in range(TAGS_PER_TRAY):
            points = self.size.tag_corners_mm(corner)
            expected, spread = before.project(points), before.pixel_uncertainty_px(points).max()
            if not np.isfinite(expected).all():
                continue
            kept = ReadTag(tag_id(self.number, corner), expected, float(spread))
            px_per_mm = kept.edge_px / TAG_EDGE_MM
            reach = 3 * kept.corner_sigma_px + SEARCH_SLACK_MM * px_per_mm
            seen = found.get(corner) or self.reader.read_at(kept.id, expected, reach)
            if seen is None:
                loose = float(np.hypot(spread, PUT_BACK_MM * px_per_mm))
                anchors.append(replace(kept, corner_sigma_px=loose))
            elif np.linalg.norm(seen.corners_px - expected, axis=1).max() > reach:
                return None
            else:
                found[corner] = seen
        if not found:
            return None
        points_now = tag_points([*found.values(), *anchors], self.size)
        return placed_from(fit_pose(points_now, self.camera), tuple(found.values()), self.size)

    def _follow(self, tags: tuple[ReadTag, ...], fit: PoseFit) -> PlacedTags:
        placed = PlacedTags(tags, fit)
        untried = set(range(TAGS_PER_TRAY)) - {tag.corner for tag in tags}
        while untried:
            expected = {corner: self._expect(corner, placed) for corner in sorted(untried)}
            corner = min(expected, key=lambda c: expected[c].corner_sigma_px / expected[c].edge_px)
            untried.remove(corner)
            there = expected[corner]
            slack = SEARCH_SLACK_MM * there.edge_px / TAG_EDGE_MM
            found = self.reader.read_at(
                there.id, there.corners_px, 3 * there.corner_sigma_px + slack
            )
            if found is not None:
                placed = self._with(placed, found) or placed
        return placed

    def _with(self, placed: PlacedTags, tag: ReadTag) -> PlacedTags | None:
        """The tray with one more tag, or None when that contradicts the others."""
        tags = (*placed.tags, tag)
        fit = refine_pose(tag_points(tags, self.size), self.camera, placed.fit.state)
        return None if fit is None else placed_from([fit], tags, self.size)

    def _expect(self, corner: int, placed: PlacedTags) -> ReadTag:
        """Where a tag must be, with its uncertainty, by the pose of the others."""
        carried = any(tag.tray_number == CARRIED_STRIP_NUMBER for tag in placed.tags)
        number = CARRIED_STRIP_NUMBER if carried and corner in HEAD_CORNERS else self.number
        return expected_tag(tag_id(number, corner), corner, placed.fit, self.size)

    def _settle(self, placed: PlacedTags) -> PlacedTags:
        """Read again what does not fit the pose of all, and trust less what still does not."""
        tags = list(placed.tags)
        odd = [
            i
            for i, (tag, misfit) in enumerate(zip(tags, placed.fit.tag_rms_px, strict=True))
            if len(tags) > 2 and misfit > REREAD_SIGMAS * tag.corner_sigma_px
        ]
        if not odd:
            return placed
        for i in odd:
            tags[i] = self.reader.read_again(
                tags[i], self._expect(tags[i].corner, placed).corners_px
            )
        fit = refine_pose(tag_points(tags, self.size), self.camera, placed.fit.state)
        if fit is None:
            return placed
        doubted = [
            replace(tag, corner_sigma_px=max(tag.corner_sigma_px, float(misfit) / 2))
            for tag, misfit in zip(tags, fit.tag_rms_px, strict=True)
        ]
        settled = refine_pose(tag_points(doubted, self.size), self.camera, fit.state)
        if settled is None:
            return placed
        return placed_from([settled], doubted, self.size) or placed
