"""The composer: a photo in, the inspection of every tray in it out."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from trayvision.camera.camera import Camera
from trayvision.inspection.tray_inspection import Inspection, SeenTray, TrayInspection, compose
from trayvision.light.colour_correction import measure_light
from trayvision.light.sharpness import measure_sharpness
from trayvision.measurement import Measurement
from trayvision.measures.bed_height import TYPICAL_BED_HEIGHT_MM
from trayvision.measures.canopy_height import CanopyHeight, measure_canopy_height
from trayvision.photo.photo import Photo, load_photo
from trayvision.photo.pixels import is_toned
from trayvision.pose.marked_pose import place_marked
from trayvision.pose.marked_tray import MarkedTray
from trayvision.pose.pose import find_trays
from trayvision.pose.tray_pose import TrayPose
from trayvision.quality_flags import Doubt
from trayvision.reference_kit import TraySize
from trayvision.room_settings import DEFAULT_TRAY_SIZE, RoomSettings
from trayvision.score.health_score import KIT_IN_PHOTO
from trayvision.segmentation.segmentation import segment
from trayvision.segmentation.tray_plan import lay_out_tray, whole_photo_plan
from trayvision.tags.reading import TagReader

# Fewer could be a pattern that only looks like a tag.
_TAGS_OF_A_KIT = 2

__all__ = ["Inspection", "TrayInspection", "inspect_marked", "inspect_photo"]


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
        The room's settings give each tray its own size and the height of its seed bed, and its
        day where the photo says when it was taken.
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
    _check_day(day)
    if not isinstance(photo, Photo):
        photo = load_photo(photo)
    if whole_photo:
        age = room.day_of(None, photo.taken_at) if day is None else day
        return Inspection(photo, (_inspect_frame(photo, age),), ())
    found = find_trays(photo, size=room.size_of, camera=camera, earlier=earlier)
    if found.poses and Doubt.GREYSCALE not in photo.doubts and is_toned(photo.pixels):
        photo = replace(photo, doubts=(*photo.doubts, Doubt.GREYSCALE))
    trays = tuple(
        _inspect_tray(
            photo,
            pose,
            room.day_of(pose.number, photo.taken_at) if day is None else day,
            room.bed_height_of(pose.number),
        )
        for pose in found.poses
    )
    return Inspection(photo, trays, found.problems)


def inspect_marked(
    photo: str | Path | bytes | Photo,
    marked: MarkedTray,
    *,
    camera: Camera | None = None,
    day: float | None = None,
) -> Inspection:
    """Measure a tray without a kit, whose corners somebody marked.

    Parameters
    ----------
    photo : path, bytes or Photo
    marked : MarkedTray
        Its opening is laid out straight-down by the homography of its corners, lowered to the
        bed; cover, colour, evenness and possible mould are read from that, in shares of the
        tray. There is no height, and no millimetre beyond the size that was typed.
    camera : Camera, optional
    day : float, optional
        Days since spreading.

    Raises
    ------
    PhotoProblem
        If the file is no photo that can be measured, or the corners fit no tray in it.
    ValueError
        If `day` is out of range, or `camera` belongs to another picture shape.
    """
    _check_day(day)
    if not isinstance(photo, Photo):
        photo = load_photo(photo)
    pose = place_marked(photo, marked, camera)
    light = measure_light(photo, None)
    segmented = segment(photo, light, pose)
    plan = lay_out_tray(pose, segmented, light, bed_height_mm=_bed_height_mm(pose.size))
    tray = compose(
        photo,
        pose,
        day=day,
        seen=SeenTray(light, segmented, plan, marked),
        height=CanopyHeight.unknown(Doubt.NO_KIT),
        sharpness=None,
    )
    return Inspection(photo, (tray,), ())


def _check_day(day: float | None) -> None:
    if day is not None and not -2 <= day <= 60:
        raise ValueError(f"day must be from -2 to 60 days since spreading, got {day!r}")


def _bed_height_mm(size: TraySize) -> float:
    """Of a tray so shallow that the usual bed would fill it, the rim."""
    return min(TYPICAL_BED_HEIGHT_MM, size.depth_mm)


def _size(tray_size: tuple[float, float, float] | TraySize) -> TraySize:
    return tray_size if isinstance(tray_size, TraySize) else TraySize(*tray_size).long_side_first()


def _inspect_tray(
    photo: Photo, pose: TrayPose, day: float | None, bed_height: Measurement | None
) -> TrayInspection:
    light = measure_light(photo, pose)
    segmented = segment(photo, light, pose)
    plan = lay_out_tray(pose, segmented, light, bed_height_mm=TYPICAL_BED_HEIGHT_MM)
    return compose(
        photo,
        pose,
        day=day,
        seen=SeenTray(light, segmented, plan),
        height=_height(photo, pose, bed_height),
        sharpness=measure_sharpness(photo, pose),
    )


def _height(photo: Photo, pose: TrayPose, bed_height: Measurement | None) -> CanopyHeight:
    # A pose bent to a wrong size leaves the strip's place as doubtful as the tray's.
    if Doubt.SIZE_DOUBTFUL in pose.doubts:
        return CanopyHeight.unknown(Doubt.SIZE_DOUBTFUL)
    return measure_canopy_height(photo, pose, bed_height_mm=bed_height)


def _inspect_frame(photo: Photo, day: float | None) -> TrayInspection:
    light = measure_light(photo, None)
    segmented = segment(photo, light, None)
    frame = compose(
        photo,
        None,
        day=day,
        seen=SeenTray(light, segmented, whole_photo_plan(segmented)),
        height=CanopyHeight.unknown(Doubt.NO_KIT),
        sharpness=None,
    )
    if len(TagReader.of(photo).read_all()) < _TAGS_OF_A_KIT:
        return frame
    suggestions = (KIT_IN_PHOTO, *frame.score.suggestions)
    return replace(frame, score=replace(frame.score, suggestions=suggestions))
