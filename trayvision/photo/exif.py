"""What a photo's own EXIF record says: how it lies, when it was taken, its focal length."""

import re
import struct
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from math import hypot, isfinite

from PIL import ExifTags, Image

from trayvision.quality_flags import Doubt

FULL_FRAME_DIAGONAL_MM = hypot(36.0, 24.0)
# Millimetres in one FocalPlaneResolutionUnit (EXIF 2.32 table 8: 2 inch, 3 centimetre).
FOCAL_PLANE_UNIT_MM = {2: 25.4, 3: 10.0}
# The widest and longest lenses that a person photographs a tray with, as a multiple of the
# picture's diagonal: 8 mm to 430 mm on full frame. Beyond it the record is taken as junk.
FOCAL_PER_DIAGONAL = (0.18, 10.0)
MAX_UTC_OFFSET = timedelta(hours=14)

# What Pillow is known to raise on a damaged record; a damaged record is no record.
EXIF_ERRORS = (OSError, SyntaxError, ValueError, TypeError, LookupError, struct.error)

_CLOCK = re.compile(r"\d{4}:\d\d:\d\d \d\d:\d\d:\d\d")
_OFFSET = re.compile(r"([+-])(\d\d):(\d\d)")


@dataclass(frozen=True)
class ExifRecord:
    """The few EXIF fields that measuring needs.

    Parameters
    ----------
    orientation : int
        1 to 8 (EXIF 2.32 Orientation); 1 when absent or senseless.
    taken_at : datetime or None
        Moment of capture with its UTC offset; None when either is unknown.
    time_doubt : Doubt or None
        Why there is no moment.
    focal_length_px : float or None
        Focal length in pixels of the full-size picture.
    """

    orientation: int
    taken_at: datetime | None
    time_doubt: Doubt | None
    focal_length_px: float | None


def read_exif(exif: Image.Exif, stored_size: tuple[int, int]) -> ExifRecord:
    """Read the record of a picture whose stored size is (width, height) px.

    Nothing is raised: a malformed field counts as absent.
    """
    fields = _exif_fields(exif)
    orientation = _number(exif.get(ExifTags.Base.Orientation))
    taken_at, doubt = capture_time(
        _text(fields.get(ExifTags.Base.DateTimeOriginal)),
        _text(fields.get(ExifTags.Base.OffsetTimeOriginal)),
        _text(fields.get(ExifTags.Base.SubsecTimeOriginal)),
    )
    return ExifRecord(
        orientation=int(orientation) if orientation in range(1, 9) else 1,
        taken_at=taken_at,
        time_doubt=doubt,
        focal_length_px=_focal_length_px(fields, stored_size),
    )


def capture_time(clock: str, offset: str, subsecond: str) -> tuple[datetime | None, Doubt | None]:
    """The moment of capture from DateTimeOriginal, OffsetTimeOriginal and SubSecTimeOriginal.

    Written as in EXIF 2.32: ``"2026:03:05 06:41:07"``, ``"+02:00"``, ``"250"``. A clock time
    without an offset names no moment, so it gives None and `Doubt.CAPTURE_OFFSET_UNKNOWN`; an
    absent or impossible one `Doubt.CAPTURE_TIME_UNKNOWN`.
    """
    if _CLOCK.fullmatch(clock) is None:
        return None, Doubt.CAPTURE_TIME_UNKNOWN
    try:
        local = datetime.strptime(f"{clock}Z", "%Y:%m:%d %H:%M:%S%z")
    except ValueError:  # the 30th of February, or 0000:00:00 of a clock that was never set
        return None, Doubt.CAPTURE_TIME_UNKNOWN
    zone = _zone(offset)
    if zone is None:
        return None, Doubt.CAPTURE_OFFSET_UNKNOWN
    if subsecond.isascii() and subsecond.isdigit():
        local += timedelta(microseconds=int(subsecond[:6].ljust(6, "0")))
    try:
        moment = local.replace(tzinfo=zone)
        moment.astimezone(UTC)
    except (ValueError, OverflowError):  # year 1 or 9999 leaves the calendar in UTC
        return None, Doubt.CAPTURE_TIME_UNKNOWN
    return moment, None


def focal_length_from_35mm(focal_35mm: float, size: tuple[int, int]) -> float:
    """Focal length in px of a picture (width, height) px from its 35 mm equivalent.

    The equivalent is the focal length that gives the same diagonal angle of view on
    36 mm x 24 mm film, diagonal 43.27 mm (CIPA DCG-001; EXIF FocalLengthIn35mmFilm).
    Cameras write it as a whole number, so at 26 mm it is good to 2 % at best.
    """
    return focal_35mm / FULL_FRAME_DIAGONAL_MM * hypot(*size)


def _zone(offset: str) -> timezone | None:
    match = _OFFSET.fullmatch("+00:00" if offset == "Z" else offset)
    if match is None or int(match[3]) > 59:
        return None
    shift = timedelta(hours=int(match[2]), minutes=int(match[3]))
    if shift > MAX_UTC_OFFSET:
        return None
    return timezone(-shift if match[1] == "-" else shift)


def _focal_length_px(fields: dict[int, object], stored: tuple[int, int]) -> float | None:
    recorded = (
        _number(fields.get(ExifTags.Base.ExifImageWidth)),
        _number(fields.get(ExifTags.Base.ExifImageHeight)),
    )
    if not _is_whole_picture(recorded, stored):
        return None
    focal = focal_length_from_35mm(
        _number(fields.get(ExifTags.Base.FocalLengthIn35mmFilm)), stored
    ) or _focal_from_plane(fields, max(stored) / (max(recorded) or max(stored)))
    low, high = (bound * hypot(*stored) for bound in FOCAL_PER_DIAGONAL)
    return focal if low <= focal <= high else None


def _is_whole_picture(recorded: tuple[float, float], stored: tuple[int, int]) -> bool:
    """False when the sides that the camera wrote have another shape: the picture was cropped,
    and by how much nobody can tell. The same shape means as taken or only resized."""
    if min(recorded) <= 0:
        return True
    shape = max(recorded) / min(recorded)
    return abs(shape * min(stored) / max(stored) - 1) < 0.01


def _focal_from_plane(fields: dict[int, object], resized: float) -> float:
    unit_mm = FOCAL_PLANE_UNIT_MM.get(
        int(_number(fields.get(ExifTags.Base.FocalPlaneResolutionUnit)) or 2), 0.0
    )
    if not unit_mm:
        return 0.0
    px_per_mm = _number(fields.get(ExifTags.Base.FocalPlaneXResolution)) / unit_mm
    return _number(fields.get(ExifTags.Base.FocalLength)) * px_per_mm * resized


def _exif_fields(exif: Image.Exif) -> dict[int, object]:
    try:
        return dict(exif.get_ifd(ExifTags.IFD.Exif))
    except EXIF_ERRORS:
        return {}


def _text(value: object) -> str:
    if isinstance(value, bytes):
        value = value.decode("ascii", errors="replace")
    return value.strip(" \0") if isinstance(value, str) else ""


def _number(value: object) -> float:
    """The value as a positive finite float, else 0, EXIF's own way to say unknown."""
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ArithmeticError):
        return 0.0
    return number if isfinite(number) and number > 0 else 0.0
