"""What was measured on one tray of a photo, composed from what the photo shows of it."""

from dataclasses import dataclass, replace
from math import hypot

import numpy as np

from trayvision.light.colour_correction import Light
from trayvision.light.sharpness import Sharpness
from trayvision.measurement import Measurement
from trayvision.measures.canopy_colour import CanopyColour, measure_colour
from trayvision.measures.canopy_cover import CanopyCover, measure_cover, measure_frame_cover
from trayvision.measures.canopy_height import CanopyHeight
from trayvision.measures.evenness import Evenness, measure_evenness
from trayvision.measures.mould import MouldReading, read_mould
from trayvision.photo.photo import Photo
from trayvision.pose.marked_tray import MarkedTray
from trayvision.pose.pose import NEAR_END_CORNERS, TrayProblem
from trayvision.pose.tray_pose import TrayPose
from trayvision.quality_flags import Doubt
from trayvision.score.day import day_is_out_of_run, day_is_too_early
from trayvision.score.health_score import HealthScore, score_tray
from trayvision.score.scored_measures import ScoredMeasures
from trayvision.segmentation.pixel_classes import TrayClass
from trayvision.segmentation.segmentation import ClassShares
from trayvision.segmentation.tray_plan import TrayPlan

# With less of the tray than this in sight, what was measured does not speak for it.
_LITTLE_SEEN = 0.5
# As large as a patch of mould that would be looked at for its size, 40 mm on a usual tray.
_SMOOTH_SHARE = 0.01
# Of 317 rendered photos 28 reach it, 26 of them with a hose, a label or a phone over the tray.
_COVERED_SHARE = 0.01
# The middle of the bed is seen from more than 45 degrees off the vertical.
_STEEP_TAN = 1.0
# Bars and strip stay outside the bed but for what leans in, or hides it in a steep view. In 142
# rendered photos whose trays had the size that was typed the kit covered at most 2 in 100 of a line
# across beyond that; so it is told in 40 of 58 whose tray was typed 40 to 500 mm too long without
# contradicting its tags. The 18 others were typed 40 to 100 mm too long.
_LEANS_IN_MM = 40.0
_KIT_ACROSS = 0.1
# While seed lies bare, its thickness is what a grower could still change.
_SPREADING_DAYS = 1.5


@dataclass(frozen=True, eq=False)
class TrayInspection:
    """Everything measured on one tray in one photo.

    Parameters
    ----------
    number : int or None
        Tray number; None where neither tags nor a person told it.
    day : float or None
        Days since spreading, where given; not believed where that is doubtful.
    pose : TrayPose or None
    segmented : ClassShares
        Class shares on the tray's crop of the photo.
    plan : TrayPlan
    cover : CanopyCover
    height : CanopyHeight
    colour : CanopyColour
    evenness : Evenness
    mould : MouldReading
    sharpness : Sharpness or None
    light : Light
    score : HealthScore
    doubts : tuple of Doubt
        All named doubts of this tray, each once.
    marked : MarkedTray or None
        Set where somebody marked the tray's corners: the pose then rests on four taps, and
        nothing is stated in millimetres.
    """

    number: int | None
    day: float | None
    pose: TrayPose | None
    segmented: ClassShares
    plan: TrayPlan
    cover: CanopyCover
    height: CanopyHeight
    colour: CanopyColour
    evenness: Evenness
    mould: MouldReading
    sharpness: Sharpness | None
    light: Light
    score: HealthScore
    doubts: tuple[Doubt, ...]
    marked: MarkedTray | None = None

    @property
    def in_mm(self) -> bool:
        """Whether the kit gives this tray its scale."""
        return self.pose is not None and self.marked is None


@dataclass(frozen=True, eq=False)
class Inspection:
    """One photo and the trays measured in it.

    Parameters
    ----------
    photo : Photo
    trays : tuple of TrayInspection
    problems : tuple of TrayProblem
        Trays that were noticed and could not be measured, with the reason.
    """

    photo: Photo
    trays: tuple[TrayInspection, ...]
    problems: tuple[TrayProblem, ...]


@dataclass(frozen=True, eq=False)
class SeenTray:
    """What the photo shows of one tray, before any measure; `marked` where a person placed it."""

    light: Light
    segmented: ClassShares
    plan: TrayPlan
    marked: MarkedTray | None = None


def compose(
    photo: Photo,
    pose: TrayPose | None,
    *,
    day: float | None,
    seen: SeenTray,
    height: CanopyHeight,
    sharpness: Sharpness | None,
) -> TrayInspection:
    """Measure one tray of a photo on its plan, and score it."""
    plan, light, marked = seen.plan, seen.light, seen.marked
    doubts = _doubts(photo, pose, day, seen, sharpness, height)
    grey = Doubt.GREYSCALE in photo.doubts
    # Colours that mean nothing, and an opening of which nobody knows where it ends.
    untold = next((d for d in (Doubt.GREYSCALE, Doubt.SIZE_DOUBTFUL) if d in doubts), None)
    age = None if day_is_out_of_run(day) else day
    cover = CanopyCover.unknown(untold) if untold else _cover(photo, pose, age, seen)
    tall = height.shoot_height_mm
    if pose is not None and day_is_too_early(age, cover=cover.cover, shoot_height_mm=tall):
        age = None
    if day is not None and age is None:
        doubts = _of_doubtful_day(doubts)
    true_colours = not (light.coloured or grey)
    measured = _Measured(
        cover,
        Evenness.unknown(untold) if untold else _evenness(plan, cover, pose, age),
        measure_colour(plan.colours, plan.share(TrayClass.SHOOT) * plan.judged, light),
        read_mould(plan, day=age, true_colours=true_colours, any_plant=pose is None),
    )
    in_mm = pose is not None and marked is None
    return TrayInspection(
        number=marked.number if marked is not None else None if pose is None else pose.number,
        day=day,
        pose=pose,
        segmented=seen.segmented,
        plan=plan,
        cover=cover,
        height=height,
        colour=measured.colour,
        evenness=measured.evenness,
        mould=measured.mould,
        sharpness=sharpness,
        light=light,
        score=score_tray(_scored(measured, plan, height, doubts, day=age, in_mm=in_mm)),
        doubts=doubts,
        marked=marked,
    )


def _cover(photo: Photo, pose: TrayPose | None, day: float | None, seen: SeenTray) -> CanopyCover:
    cover = measure_frame_cover(seen.plan) if pose is None else measure_cover(seen.plan, day=day)
    if seen.marked is None:
        return cover
    return _less_sure(cover, seen.marked.edge_share(max(photo.width, photo.height)))


def _evenness(
    plan: TrayPlan, cover: CanopyCover, pose: TrayPose | None, day: float | None
) -> Evenness:
    # A whole photo has no cells of 50 mm, no day of a tray and no floor.
    if pose is None:
        return Evenness.unknown(Doubt.NO_KIT)
    return measure_evenness(plan, cover, day=day)


def _less_sure(cover: CanopyCover, edge_share: float) -> CanopyCover:
    """Cover of an opening whose area is uncertain: what lies beside it has no shoots."""
    known = cover.cover
    if known.value is None or known.uncertainty is None:
        return cover
    spread = hypot(known.uncertainty, known.value * edge_share)
    return replace(cover, cover=Measurement(known.value, spread, known.unit))


@dataclass(frozen=True, eq=False)
class _Measured:
    """What was read from the plan of one tray."""

    cover: CanopyCover
    evenness: Evenness
    colour: CanopyColour
    mould: MouldReading


def _scored(
    measured: _Measured,
    plan: TrayPlan,
    height: CanopyHeight,
    doubts: tuple[Doubt, ...],
    *,
    day: float | None,
    in_mm: bool,
) -> ScoredMeasures:
    opening = plan.grid.length_mm * plan.grid.width_mm
    bare = sum(area.area_mm2 for area in measured.evenness.bare_areas)
    slime = sum(patch.area_mm2 for patch in measured.mould.slime)
    return ScoredMeasures(
        day=day,
        cover=measured.cover.cover,
        shoot_height_mm=height.shoot_height_mm,
        yellow_share=measured.colour.yellow_share,
        dark_green_colour_index=measured.colour.dark_green_colour_index,
        cover_variation=measured.evenness.cover_variation,
        seed_layer=measured.evenness.seed_layer,
        bare_share=min(1.0, bare / opening),
        slime_share=min(1.0, slime / opening),
        patches=measured.mould.patches,
        fuzz=measured.mould.fuzz,
        seen=plan.seen,
        doubts=doubts,
        in_mm=in_mm,
    )


def _doubts(
    photo: Photo,
    pose: TrayPose | None,
    day: float | None,
    seen: SeenTray,
    sharpness: Sharpness | None,
    height: CanopyHeight,
) -> tuple[Doubt, ...]:
    doubts = [*photo.doubts, *seen.light.doubts, *height.doubts]
    doubts += (Doubt.NO_KIT,) if pose is None else pose.doubts
    doubts += () if sharpness is None else sharpness.doubts
    if day is None:
        doubts.append(Doubt.DAY_UNKNOWN)
    elif day < _SPREADING_DAYS:
        doubts.append(Doubt.THICKNESS_NOT_SEEN)
    if seen.plan.smooth_share > _SMOOTH_SHARE:
        doubts.append(Doubt.NO_DETAIL)
    # Classes that were told without colour speak for nothing that lies on the bed.
    grey = Doubt.GREYSCALE in photo.doubts
    if seen.plan.covered_share > _COVERED_SHARE and not grey:
        doubts.append(Doubt.TRAY_COVERED)
    if seen.plan.seen < _LITTLE_SEEN:
        doubts.append(Doubt.TOO_LITTLE_SEEN)
    rows, columns = seen.plan.zenith_tan.shape
    if seen.plan.zenith_tan[rows // 2, columns // 2] > _STEEP_TAN:
        doubts.append(Doubt.STEEP_VIEW)
    if pose is not None and seen.marked is None and not grey and _kit_on_bed(seen.plan, pose):
        doubts.append(Doubt.SIZE_DOUBTFUL)
    if pose is not None and _leaves_the_frame(photo, pose):
        doubts.append(Doubt.OUT_OF_FRAME)
    return tuple(dict.fromkeys(doubts))


def _of_doubtful_day(doubts: tuple[Doubt, ...]) -> tuple[Doubt, ...]:
    """What is doubtful where the day is: the seed may be no fresh one."""
    others = (doubt for doubt in doubts if doubt is not Doubt.THICKNESS_NOT_SEEN)
    return Doubt.DAY_DOUBTFUL, *others


def _leaves_the_frame(photo: Photo, pose: TrayPose) -> bool:
    corners = pose.project(pose.size.opening_mm)
    return bool(((corners < 0) | (corners > [photo.width - 1, photo.height - 1])).any())


def _kit_on_bed(plan: TrayPlan, pose: TrayPose) -> bool:
    """Whether a bar or strip lies across the bed, farther in than it leans or its place is unsure.

    Tags at one end place a tray of any size; where it is shorter than was typed, its other end
    lies within what should be the opening. Tags of both ends that fit it bear the length out, and
    what looks like a bar then is glare or something white.
    """
    if len({tag.corner in NEAR_END_CORNERS for tag in pose.tags}) > 1:
        return False
    half = pose.size.length_mm / 2
    ends = np.array([[-half, 0.0, plan.z_mm], [half, 0.0, plan.z_mm]])
    first, last = _LEANS_IN_MM + 2 * pose.position_uncertainty_mm(ends)
    columns = np.arange(plan.grid.shape[1], dtype=np.float64)
    x_mm, _ = plan.grid.to_mm(columns, np.zeros(1))
    bed = (x_mm > first - half) & (x_mm < half - last)
    kit = (plan.share(TrayClass.KIT) > 0.5) & plan.judged
    return bool((kit[:, bed].mean(axis=0) > _KIT_ACROSS).any())
