"""The composer: a photo in, the inspection of every tray in it out."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from trayvision.camera import Camera
from trayvision.canopy_colour import CanopyColour, measure_colour
from trayvision.canopy_cover import CanopyCover, measure_cover
from trayvision.canopy_height import TYPICAL_BED_HEIGHT, CanopyHeight, measure_canopy_height
from trayvision.colour_correction import Light, measure_light
from trayvision.evenness import Evenness, measure_evenness
from trayvision.health_score import HealthScore, score_tray
from trayvision.measurement import Measurement
from trayvision.mould import MouldReading, read_mould
from trayvision.photo import Photo, load_photo
from trayvision.pose import TrayProblem, find_trays
from trayvision.quality_flags import Doubt
from trayvision.reference_kit import TraySize
from trayvision.segmentation import ClassShares, segment
from trayvision.sharpness import Sharpness, measure_sharpness
from trayvision.tray_plan import TrayPlan, lay_out_tray, whole_photo_plan
from trayvision.tray_pose import TrayPose

DEFAULT_TRAY_SIZE = TraySize(540.0, 280.0, 60.0)


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
    tray_size: tuple[float, float, float] | TraySize = DEFAULT_TRAY_SIZE,
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
    tray_size : TraySize or (length, width, depth) in mm
    camera : Camera, optional
        Known intrinsics; else the photo's own record or an estimate, which is said.
    day : float, optional
        Days since spreading.
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
    if not isinstance(tray_size, TraySize):
        tray_size = TraySize(*tray_size)
    if day is not None and not -2 <= day <= 60:
        raise ValueError(f"day must be from -2 to 60 days since spreading, got {day!r}")
    if not isinstance(photo, Photo):
        photo = load_photo(photo)
    if whole_photo:
        return Inspection(photo, (_inspect_frame(photo, day),), ())
    found = find_trays(photo, size=tray_size, camera=camera, earlier=earlier)
    trays = tuple(_inspect_tray(photo, pose, day) for pose in found.poses)
    return Inspection(photo, trays, found.problems)


def _inspect_tray(photo: Photo, pose: TrayPose, day: float | None) -> TrayInspection:
    light = measure_light(photo, pose)
    height = measure_canopy_height(photo, pose)
    segmented = segment(photo, light, pose)
    bed = TYPICAL_BED_HEIGHT.value
    assert bed is not None
    plan = lay_out_tray(pose, segmented, light, bed_height_mm=bed)
    sharpness = measure_sharpness(photo, pose)
    return _compose(photo, pose, day, light, height, segmented, plan, sharpness)


def _inspect_frame(photo: Photo, day: float | None) -> TrayInspection:
    light = measure_light(photo, None)
    segmented = segment(photo, light, None)
    height = CanopyHeight.unknown(Doubt.NO_KIT)
    plan = whole_photo_plan(segmented)
    return _compose(photo, None, day, light, height, segmented, plan, None)
