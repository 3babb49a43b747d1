"""The composer: a photo in, the inspection of every tray in it out."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from trayvision.camera import Camera
from trayvision.canopy_colour import CanopyColour, measure_colour
from trayvision.canopy_cover import CanopyCover, measure_cover
from trayvision.canopy_height import (
    TYPICAL_BED_HEIGHT_MM,
    CanopyHeight,
    measure_canopy_height,
)
from trayvision.colour_correction import Light, measure_light
from trayvision.evenness import Evenness, measure_evenness
from trayvision.health_score import HealthScore, score_tray
from trayvision.mould import MouldReading, read_mould
from trayvision.photo import Photo, load_photo
from trayvision.pose import TrayProblem, find_trays
from trayvision.quality_flags import Doubt
from trayvision.reference_kit import TraySize
from trayvision.room_settings import DEFAULT_TRAY_SIZE, RoomSettings
from trayvision.scored_measures import ScoredMeasures
from trayvision.segmentation import ClassShares, TrayClass, segment
from trayvision.sharpness import Sharpness, measure_sharpness
from trayvision.tray_plan import TrayPlan, lay_out_tray, whole_photo_plan
from trayvision.tray_pose import TrayPose

# With less of the tray than this in sight, what was measured does not speak for it.
_LITTLE_SEEN = 0.5
# The middle of the bed is seen from more than 45 degrees off the vertical.
_STEEP_TAN = 1.0
# While seed lies bare, its thickness is what a grower could still change.
_SPREADING_DAYS = 1.5


@dataclass(frozen=True, eq=False)
class TrayInspection:
    """Everything measured on one tray in one photo.

    Parameters
    ----------
    number : int or None
        Tray number; None for a photo taken without the kit.
    day : float or None
        Days since spreading, where given.
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


def inspect_photo(
    photo: str | Path | bytes | Photo,
    *,
    tray_size: tuple[float, float, float] | TraySize | RoomSettings = DEFAULT_TRAY_SIZE,
    camera: Camera | None = None,
    day: float | None = None,
    whole_photo: bool = False,
    earlier: Sequence[TrayPose] = (),
) -> Inspection:
    """Measure every tray in a photo.

    Parameters
    ----------
    photo : path, bytes or Photo
        An image file, its bytes, or a photo that is already decoded.
    tray_size : TraySize, (length, width, depth) in mm, or RoomSettings
        The room's settings give each tray its own size, and its day where the photo says when
        it was taken.
    camera : Camera, optional
        Known intrinsics; else the photo's own record or an estimate, which is said.
    day : float, optional
        Days since spreading; goes before the room's settings.
    whole_photo : bool
        No kit in the picture: the whole frame is taken as the opening; no millimetres.
    earlier : sequence of TrayPose
        Poses from earlier photos of the same fixed camera in the same run.

    Raises
    ------
    PhotoProblem
        If the file is no photo that can be measured, or is mirrored.
    ValueError
        If `tray_size` or `day` is out of range, or `camera` belongs to another picture shape.
    """
    room = tray_size if isinstance(tray_size, RoomSettings) else RoomSettings(_size(tray_size))
    if day is not None and not -2 <= day <= 60:
        raise ValueError(f"day must be from -2 to 60 days since spreading, got {day!r}")
    if not isinstance(photo, Photo):
        photo = load_photo(photo)
    if whole_photo:
        return Inspection(photo, (_inspect_frame(photo, day),), ())
    found = find_trays(photo, size=room.size_of, camera=camera, earlier=earlier)
    trays = tuple(
        _inspect_tray(photo, pose, room.day_of(pose.number, photo.taken_at) if day is None else day)
        for pose in found.poses
    )
    return Inspection(photo, trays, found.problems)


def _size(tray_size: tuple[float, float, float] | TraySize) -> TraySize:
    return tray_size if isinstance(tray_size, TraySize) else TraySize(*tray_size)


def _inspect_tray(photo: Photo, pose: TrayPose, day: float | None) -> TrayInspection:
    light = measure_light(photo, pose)
    segmented = segment(photo, light, pose)
    plan = lay_out_tray(pose, segmented, light, bed_height_mm=TYPICAL_BED_HEIGHT_MM)
    return _compose(
        photo,
        pose,
        day=day,
        seen=_Seen(light, segmented, plan),
        height=measure_canopy_height(photo, pose),
        sharpness=measure_sharpness(photo, pose),
    )


def _inspect_frame(photo: Photo, day: float | None) -> TrayInspection:
    light = measure_light(photo, None)
    segmented = segment(photo, light, None)
    return _compose(
        photo,
        None,
        day=day,
        seen=_Seen(light, segmented, whole_photo_plan(segmented)),
        height=CanopyHeight.unknown(Doubt.NO_KIT),
        sharpness=None,
    )


@dataclass(frozen=True, eq=False)
class _Seen:
    """What the photo shows of one tray, before any measure."""

    light: Light
    segmented: ClassShares
    plan: TrayPlan


def _compose(
    photo: Photo,
    pose: TrayPose | None,
    *,
    day: float | None,
    seen: _Seen,
    height: CanopyHeight,
    sharpness: Sharpness | None,
) -> TrayInspection:
    plan, light = seen.plan, seen.light
    cover = measure_cover(plan)
    true_colours = not light.coloured and Doubt.GREYSCALE not in light.doubts
    measured = _Measured(
        cover,
        measure_evenness(plan, cover, day=day),
        measure_colour(plan.colours, plan.share(TrayClass.SHOOT) * plan.judged, light),
        read_mould(plan, day=day, true_colours=true_colours),
    )
    doubts = _doubts(photo, pose, day, seen, sharpness, height)
    return TrayInspection(
        number=None if pose is None else pose.number,
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
        score=score_tray(_scored(measured, plan, height, doubts, day=day, in_mm=pose is not None)),
        doubts=doubts,
    )


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
    seen: _Seen,
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
    if seen.plan.seen < _LITTLE_SEEN:
        doubts.append(Doubt.TOO_LITTLE_SEEN)
    rows, columns = seen.plan.zenith_tan.shape
    if seen.plan.zenith_tan[rows // 2, columns // 2] > _STEEP_TAN:
        doubts.append(Doubt.STEEP_VIEW)
    if pose is not None and _leaves_the_frame(photo, pose):
        doubts.append(Doubt.OUT_OF_FRAME)
    return tuple(dict.fromkeys(doubts))


def _leaves_the_frame(photo: Photo, pose: TrayPose) -> bool:
    corners = pose.project(pose.size.opening_mm)
    return bool(((corners < 0) | (corners > [photo.width - 1, photo.height - 1])).any())
