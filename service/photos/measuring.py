"""One photo measured, in a process of the pool; kept apart so that this alone is loaded there."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from io import BytesIO
from json import dumps
from typing import Any
from zoneinfo import ZoneInfo

import cv2
import numpy as np
import numpy.typing as npt
from PIL import ExifTags, Image

from service.photos.inspection_job import InspectedPhoto, InspectionJob, not_measured
from service.photos.pose_records import POSES_NAME, poses_json, same_run_poses
from trayvision.camera.camera import Camera
from trayvision.inspection.inspection import Inspection, inspect_marked, inspect_photo
from trayvision.inspection.record import photo_record, problem_record
from trayvision.overlay.overlay import draw_overlay
from trayvision.photo.exif import EXIF_ERRORS
from trayvision.photo.photo import Photo, load_photo
from trayvision.quality_flags import Doubt, PhotoProblem
from trayvision.reference_kit import TraySize
from trayvision.room_settings import RoomSettings

Pixels = npt.NDArray[np.uint8]

_THUMBNAIL_PX = 480
_SCREEN_PX = 1600
_JPEG_QUALITY = 88


def inspect_job(job: InspectionJob) -> InspectedPhoto:
    """Measure one photo and draw what is shown of it; a photo's own failure is in the record."""
    cv2.setNumThreads(1)
    try:
        photo = load_photo(job.path, name=job.name)
    except PhotoProblem as problem:
        return replace(not_measured(job, ""), record=problem_record(job.name, problem))
    taken_at, source, said_at = job.believed(*_said(job, photo))
    photo = replace(photo, taken_at=taken_at)
    pictures = {
        "thumbnail.jpg": _jpeg(_shrunk(photo.pixels, _THUMBNAIL_PX)),
        "photo.jpg": _jpeg(_shrunk(photo.pixels, _SCREEN_PX)),
    }
    try:
        inspection = _inspect(job, photo, taken_at)
    except PhotoProblem as problem:
        record = problem_record(job.name, problem) | {
            "sha256": photo.sha256,
            "width": photo.width,
            "height": photo.height,
        }
    else:
        record = photo_record(inspection)
        pictures |= dict(_drawn(inspection))
        if job.earlier is not None:
            poses = [tray.pose for tray in inspection.trays if tray.pose is not None and tray.in_mm]
            pictures[POSES_NAME] = poses_json(poses)
    return InspectedPhoto(record, taken_at, source, pictures, said_at)


def _inspect(job: InspectionJob, photo: Photo, taken_at: datetime) -> Inspection:
    room = _room(job, taken_at)
    if job.marked is not None and not job.whole_photo:
        number = job.marked.number
        day = None if number is None else room.day_of(number, taken_at)
        return inspect_marked(photo, job.marked, camera=_camera(job), day=day)
    return inspect_photo(
        photo,
        tray_size=room,
        camera=_camera(job),
        whole_photo=job.whole_photo,
        earlier=same_run_poses(job.earlier or (), job.runs, taken_at),
    )


def _said(job: InspectionJob, photo: Photo) -> tuple[datetime | None, str]:
    """What the photo says of its moment, in UTC, and how."""
    if photo.taken_at is not None:
        return photo.taken_at.astimezone(UTC), "photo"
    source = "photo, in the room's time"
    local = _clock_time(job) if Doubt.CAPTURE_OFFSET_UNKNOWN in photo.doubts else None
    try:
        zone = ZoneInfo(job.room_zone)
        return None if local is None else local.replace(tzinfo=zone).astimezone(UTC), source
    except OverflowError:  # Year 1 or 9999 leaves the calendar in UTC.
        return None, source


def _clock_time(job: InspectionJob) -> datetime | None:
    """The photo's clock time, which names no moment by itself."""
    try:
        with Image.open(job.path) as image:
            fields = image.getexif().get_ifd(ExifTags.IFD.Exif)
        text = str(fields.get(ExifTags.Base.DateTimeOriginal, ""))
        return datetime.strptime(text[:19], "%Y:%m:%d %H:%M:%S")  # noqa: DTZ007
    except EXIF_ERRORS:
        return None


def _room(job: InspectionJob, taken_at: datetime) -> RoomSettings:
    spread = {
        number: spread_at
        for number, spans in job.runs.items()
        for begins_at, until, spread_at in spans
        if begins_at <= taken_at < until
    }
    sizes = {number: TraySize.parse(size) for number, size in job.sizes.items()}
    beds = {
        number: bed
        for number, spans in job.beds.items()
        for since, until, bed in spans
        if since <= taken_at < until
    }
    return RoomSettings(
        TraySize.parse(job.tray_size), sizes=sizes, spread_times=spread, bed_heights=beds
    )


def _camera(job: InspectionJob) -> Camera | None:
    return None if job.calibration is None else Camera.from_json(dumps(dict(job.calibration)))


def _drawn(inspection: Inspection) -> Iterator[tuple[str, bytes]]:
    yield "overlay.jpg", _jpeg(draw_overlay(inspection))
    for tray in inspection.trays:
        # By hand the same place of a tray is not the same pixel from one photo to the next.
        if tray.number is not None and tray.in_mm:
            yield f"tray-{tray.number}.jpg", _jpeg(tray.plan.colours)


def _shrunk(pixels: Pixels, long_side: int) -> Any:
    height, width = pixels.shape[:2]
    factor = long_side / max(height, width)
    if factor >= 1:
        return pixels
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    return cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)


def _jpeg(pixels: Any) -> bytes:
    file = BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=_JPEG_QUALITY)
    return file.getvalue()
