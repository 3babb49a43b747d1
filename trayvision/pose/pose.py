"""Finds the trays in a photo: tags, grouped by number, to poses."""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from trayvision.camera.camera import EXIF_FOCAL_UNCERTAINTY, Camera, CameraSource
from trayvision.photo.photo import Photo
from trayvision.pose.grouping import (
    PlacedTags,
    camera_contradicts,
    largest_agreement,
    second_tray,
    strip_alone,
    unplaced,
)
from trayvision.pose.mix_up import number_doubts, rim_of_another, told_apart
from trayvision.pose.size import contradicts_size
from trayvision.pose.tag_completion import TagCompletion
from trayvision.pose.tray_pose import TrayPose, TrayProblem, TraysFound
from trayvision.quality_flags import Doubt, PhotoProblem
from trayvision.reference_kit import CARRIED_STRIP_NUMBER, TraySize
from trayvision.tags.reading import ReadTag, TagReader

NEAR_END_CORNERS = (0, 1)
# In photos cut to one side the lens's axis is far from the middle: so much of the long side.
FREE_CENTRE = 0.1
# So few tags bear out a camera that differs from the one that was given or assumed.
LEAST_TAGS_FOR_LENS = 4
# A focal length from the record that the tags move by so many of its sigma is doubted.
RECORD_SIGMAS = 2.0

__all__ = ["ReadTag", "TrayPose", "TrayProblem", "TraysFound", "find_trays"]


def find_trays(
    photo: Photo,
    *,
    size: TraySize | Callable[[int], TraySize],
    camera: Camera | None = None,
    earlier: Sequence[TrayPose] = (),
) -> TraysFound:
    """Trays whose tags are read in a photo, each with its pose.

    Parameters
    ----------
    photo : Photo
        Upright photo.
    size : TraySize or callable
        Inner size of the trays, or what gives it for a tray's number.
    camera : Camera, optional
        Known intrinsics, of any size of the same aspect ratio. Without it the photo's EXIF
        focal length is the start, else a typical one; either is refined with the pose.
    earlier : sequence of TrayPose
        Poses from earlier photos of the same fixed camera.

    Raises
    ------
    PhotoProblem
        If the photo is mirrored.
    ValueError
        If `camera` belongs to another aspect ratio.
    """
    used = _camera_for(photo, camera)
    reader = TagReader.of(photo)
    by_number: dict[int, list[ReadTag]] = defaultdict(list)
    for tag in reader.read_all():
        by_number[tag.tray_number].append(tag)
    if not by_number and reader.looks_mirrored():
        raise PhotoProblem(f"{photo.name}: {Doubt.MIRRORED.sentence}", (Doubt.MIRRORED,))
    before = _of_this_shape(earlier, photo)
    strip = by_number.pop(CARRIED_STRIP_NUMBER, [])
    size_of = size if callable(size) else lambda _: size
    placed = {n: largest_agreement(tags, size_of(n), used) for n, tags in by_number.items()}
    carrier = _give_strip(placed, by_number, strip, size_of, used)
    poses, problems = [], []
    waiting = sorted({*by_number, *before})
    # More numbers come in while these are looked at.
    for number in waiting:
        completion = TagCompletion(number, reader, size_of(number), used)
        finder = _TrayFinder(number, completion, before.get(number))
        tags = [*by_number[number], *(strip if number == carrier else ())]
        outcome = finder.find_by_any_lens(placed.get(number), tags)
        if isinstance(outcome, TrayPose):
            poses.append(outcome)
            rim = rim_of_another(outcome, reader)
            for other in {tag.tray_number for tag in rim} - {*waiting}:
                by_number[other] = [*rim]
                placed[other] = largest_agreement(rim, size_of(other), used)
                waiting.append(other)
        elif outcome is not None:
            problems.append(outcome)
    poses, mixed = told_apart(poses, by_number)
    settled = {problem.number for problem in mixed}
    problems = [*(one for one in problems if one.number not in settled), *mixed]
    if strip and carrier is None:
        problems.append(strip_alone())
    if not poses and not problems:
        problems.append(TrayProblem(None, (Doubt.NO_TAGS,), Doubt.NO_TAGS.sentence))
    return TraysFound(tuple(poses), tuple(problems))


def _of_this_shape(earlier: Sequence[TrayPose], photo: Photo) -> dict[int, TrayPose]:
    shape = photo.width, photo.height
    return {
        pose.number: pose for pose in earlier if (pose.camera.width, pose.camera.height) == shape
    }


def _give_strip(
    placed: dict[int, PlacedTags | None],
    by_number: Mapping[int, list[ReadTag]],
    strip: Sequence[ReadTag],
    size_of: Callable[[int], TraySize],
    camera: Camera,
) -> int | None:
    """Join the carried strip's tags to the tray whose frame they stand in; its number."""
    best: tuple[int, float, int] | None = None
    for number, tags in by_number.items() if strip else ():
        own = placed[number]
        together = [*(own.tags if own else tags), *strip]
        joined = largest_agreement(together, size_of(number), camera)
        if joined is None or not _carries(joined, number):
            continue
        rank = len(joined.tags), -joined.fit.rms_px, number
        if best is None or rank > best:
            best = rank
    if best is None:
        return None
    number = best[2]
    own = placed[number]
    placed[number] = largest_agreement(
        [*(own.tags if own else by_number[number]), *strip], size_of(number), camera
    )
    return number


def _carries(placed: PlacedTags, number: int) -> bool:
    return {tag.tray_number for tag in placed.tags} == {number, CARRIED_STRIP_NUMBER}


@dataclass(frozen=True)
class _TrayFinder:
    """Finds one tray: from its tags, from those it implies, from an earlier photo."""

    number: int
    completion: TagCompletion
    before: TrayPose | None

    def find_by_any_lens(
        self, placed: PlacedTags | None, tags: Sequence[ReadTag]
    ) -> TrayPose | TrayProblem | None:
        outcome = self.find(placed, tags)
        if _record_is_doubtful(outcome, self.completion.camera):
            outcome = self.without_record(tags, outcome)
        if isinstance(outcome, TrayPose) and _lens_is_doubtful(outcome):
            outcome = self.with_free_lens(tags, outcome)
        return outcome

    def find(
        self, placed: PlacedTags | None, tags: Sequence[ReadTag]
    ) -> TrayPose | TrayProblem | None:
        size, camera = self.completion.size, self.completion.camera
        if placed is not None:
            placed = self.completion.complete(placed)
        else:
            singles = (self.completion.complete_single(tag) for tag in tags)
            placed = max(
                (single for single in singles if single is not None),
                key=lambda single: len(single.tags),
                default=None,
            )
        if placed is not None:
            problem = second_tray(self.number, placed, tags, size, camera)
            if problem is not None:
                return problem
        doubts: tuple[Doubt, ...] = ()
        reader = self.completion.reader
        if placed is not None and contradicts_size(self.number, placed, tags, size, reader):
            doubts = (Doubt.SIZE_DOUBTFUL,)
        if self.before is not None and (placed is None or _one_end(placed.tags)):
            kept = self.completion.keep_earlier(self.before, placed.tags if placed else tags)
            if kept is not None:
                placed, doubts = kept, (*doubts, Doubt.EARLIER_POSE)
        if placed is None:
            return unplaced(self.number, tags, size) if tags else None
        return _pose(self.number, placed, size, camera, doubts)

    def without_record(
        self, tags: Sequence[ReadTag], outcome: TrayPose | TrayProblem | None
    ) -> TrayPose | TrayProblem | None:
        """`outcome`, or what the tags give by themselves where that bears out more of them.

        As many tags, of both ends, fitted better without the record speak against it as well.
        """
        recorded = self.completion.camera
        found = self._by(Camera.typical(recorded.width, recorded.height), tags)
        if not isinstance(found, TrayPose):
            return outcome
        if not isinstance(outcome, TrayPose) or len(found.tags) > len(outcome.tags):
            return found
        both_ends = len(found.tags) == len(outcome.tags) and not _one_end(found.tags)
        better = found.reprojection_rms_px < outcome.reprojection_rms_px
        return found if both_ends and better else outcome

    def with_free_lens(self, tags: Sequence[ReadTag], outcome: TrayPose) -> TrayPose | TrayProblem:
        """`outcome`, unless a lens that is hardly held brings tags of both ends where they are.

        A photo cut to one side then gives its pose; a camera that somebody stated is refused.
        """
        given = self.completion.camera
        plain = Camera.typical(given.width, given.height)
        reach = FREE_CENTRE * max(given.width, given.height)
        found = self._by(replace(plain, centre_uncertainty_px=reach), tags)
        if not isinstance(found, TrayPose) or _lens_is_doubtful(found):
            return outcome
        if len(found.tags) < max(LEAST_TAGS_FOR_LENS, len(outcome.tags) + 1):
            return outcome
        if given.source is CameraSource.KNOWN:
            return camera_contradicts(found.number, found.tags)
        return found

    def _by(self, camera: Camera, tags: Sequence[ReadTag]) -> TrayPose | TrayProblem | None:
        """What another camera makes of the same tags."""
        other = replace(self, completion=replace(self.completion, camera=camera))
        return other.find(largest_agreement(tags, self.completion.size, camera), tags)


def _record_is_doubtful(outcome: TrayPose | TrayProblem | None, recorded: Camera) -> bool:
    """Whether the tags speak against a focal length from the photo's record, or do not bear it out.

    Crops, zoom and careless programs leave records that are a third off; then the far tags are
    looked for in the wrong places, and those found pull one way and the record another.
    """
    if recorded.source is not CameraSource.EXIF or outcome is None:
        return False
    if isinstance(outcome, TrayProblem):
        return Doubt.TAGS_CONTRADICT in outcome.doubts
    strayed = abs(np.log(outcome.camera.fx / recorded.fx))
    return _one_end(outcome.tags) or strayed > RECORD_SIGMAS * EXIF_FOCAL_UNCERTAINTY


def _lens_is_doubtful(pose: TrayPose) -> bool:
    """Whether tags of one end were found, or some where the pose does not have them."""
    moved = _one_end(pose.tags) or Doubt.SIZE_DOUBTFUL in pose.doubts
    return moved and Doubt.EARLIER_POSE not in pose.doubts


def _camera_for(photo: Photo, camera: Camera | None) -> Camera:
    if camera is not None:
        return camera.scaled_to(photo.width, photo.height)
    return Camera.typical(photo.width, photo.height, focal_px=photo.focal_length_px)


def _pose(
    number: int,
    placed: PlacedTags,
    size: TraySize,
    camera: Camera,
    doubts: tuple[Doubt, ...],
) -> TrayPose:
    fit = placed.fit
    # More misfit than the corners' own sigma explains is the mounting's: it widens all alike.
    freedom = max(fit.residuals_px.size - 6, 1)
    covariance = fit.covariance * max(1.0, fit.cost / freedom)
    for other in placed.other_fits:
        # Second moment of a mixture of the two, by their likelihoods.
        share = 1 / (1 + np.exp((other.cost - fit.cost) / 2))
        away = other.state - fit.state
        covariance = covariance + share * (1 - share) * np.outer(away, away)
    if camera.source is CameraSource.ESTIMATED:
        doubts = (Doubt.FOCAL_LENGTH_ESTIMATED, *doubts)
    if camera.source is CameraSource.EXIF:
        doubts = (Doubt.FOCAL_LENGTH_FROM_EXIF, *doubts)
    if placed.other_fits:
        doubts = (*doubts, Doubt.POSE_AMBIGUOUS)
    if _one_end(placed.tags) and not {Doubt.EARLIER_POSE, Doubt.SIZE_DOUBTFUL} & {*doubts}:
        doubts = (*doubts, Doubt.FAR_END_LESS_EXACT, *number_doubts(placed.tags))
    return TrayPose(
        number,
        size,
        replace(
            fit.camera,
            focal_relative_uncertainty=float(covariance[6, 6]) ** 0.5,
            centre_uncertainty_px=float(max(covariance[7, 7], covariance[8, 8])) ** 0.5,
        ),
        fit.rotation,
        fit.translation_mm,
        placed.tags,
        fit.rms_px,
        covariance[:6, :6],
        doubts,
        covariance[:, 6:],
    )


def _one_end(tags: Sequence[ReadTag]) -> bool:
    return len({tag.corner in NEAR_END_CORNERS for tag in tags}) == 1
