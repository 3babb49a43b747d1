"""What is asked of measuring one photo, and what comes out.

Nothing here loads what measures: the service asks, and processes of their own measure.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from service.log.told_moments import PHOTO_FURTHEST_AHEAD
from trayvision.measurement import Measurement
from trayvision.pose.marked_tray import MarkedTray

# Since when a run lies in its tray, up to when, and when it was spread.
Span = tuple[datetime, datetime, datetime]
BedSpan = tuple[datetime, datetime, Measurement]


@dataclass(frozen=True)
class InspectionJob:
    """One photo and all that the log knows beforehand.

    Parameters
    ----------
    path : Path
        Of the original.
    name : str
        How the photo is called.
    received_at : aware datetime
    room_zone : str
        In which a photo's clock time without an offset is taken.
    tray_size : str
        Of trays that `sizes` does not name.
    sizes : mapping of tray number to size
    runs : mapping of tray number to its runs
    beds : mapping of tray number to heights of its seed bed, each from when to when it holds
    taken_at : aware datetime, optional
        As a person or camera gave it; goes before what the photo says.
    calibration : dict, optional
        Of the camera, as in CAMERA.json.
    whole_photo : bool
        Take the whole frame as the tray, without the kit.
    marked : MarkedTray, optional
        The opening of a tray without the kit, as a person marked it.
    not_before : aware datetime, optional
        Of a camera's photo: a moment before that, which it says itself, is not believed.
    earlier : tuple of dict, optional
        Of a photo by a fixed camera: where trays lay in its photos before, as
        `service.cameras.camera_poses.earlier_poses` gives them.
    """

    path: Path
    name: str
    received_at: datetime
    room_zone: str
    tray_size: str
    sizes: Mapping[int, str]
    runs: Mapping[int, tuple[Span, ...]]
    beds: Mapping[int, tuple[BedSpan, ...]] = field(default_factory=dict)
    taken_at: datetime | None = None
    calibration: Mapping[str, Any] | None = None
    whole_photo: bool = False
    marked: MarkedTray | None = None
    not_before: datetime | None = None
    earlier: tuple[Mapping[str, Any], ...] | None = None

    def believed(
        self, said_at: datetime | None, source: str
    ) -> tuple[datetime, str, datetime | None]:
        """When the photo counts as taken, by which `TakenAtFrom`, and what it said in vain.

        Never later than it was there: what lies ahead is no part of the room as it is now, and
        what such a photo shows would be told when its moment has come.

        Parameters
        ----------
        said_at : aware datetime or None
            What the photo says itself.
        source : str
            The `TakenAtFrom` of that.
        """
        if self.taken_at is not None:
            return self.taken_at, "given", None
        if said_at is None:
            return self.received_at, "received", None
        gone_back = self.not_before is not None and said_at < self.not_before
        if gone_back or said_at > self.received_at + PHOTO_FURTHEST_AHEAD:
            return self.received_at, "received", said_at
        return min(said_at, self.received_at), source, None


@dataclass(frozen=True)
class InspectedPhoto:
    """What came out.

    Parameters
    ----------
    record : dict
        As `trayvision.inspection.record.photo_record` gives it, or `problem_record`.
    taken_at : aware datetime
    taken_at_from : str
        One of `service.models.photos.TakenAtFrom`.
    pictures : mapping of name to bytes
        ``thumbnail.jpg``, ``photo.jpg``, ``overlay.jpg``, and a straight-down view of each tray,
        ``tray-17.jpg``, 1 mm a pixel, for crops of the same place at different times; of a
        fixed camera's photo ``poses.json`` as well.
    said_at : aware datetime or None
        What the photo says itself of its moment, where that is not believed.
    """

    record: dict[str, Any]
    taken_at: datetime
    taken_at_from: str
    pictures: Mapping[str, bytes] = field(default_factory=dict)
    said_at: datetime | None = None


def not_measured(job: InspectionJob, why: str) -> InspectedPhoto:
    """A photo that is kept and listed with its reason."""
    from trayvision.inspection.record import problem_record
    from trayvision.quality_flags import PhotoProblem

    given = job.taken_at is not None
    return InspectedPhoto(
        record=problem_record(job.name, PhotoProblem(f"{job.name} {why}.")),
        taken_at=job.taken_at if job.taken_at is not None else job.received_at,
        taken_at_from="given" if given else "received",
    )
