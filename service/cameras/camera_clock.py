"""Clocks of fixed cameras: one without a battery starts again in 1970 or 2000."""

from datetime import datetime, timedelta
from typing import Final

import sqlalchemy as sa

from service.log.schema import CAPTURE
from service.models.cameras import CameraKind
from service.room.room_log import Row
from service.runs.run_calendar import LONGEST_RUN, run_calendar

# A card that lay in a drawer is read in when its camera is set up at last. Judgement.
_OLDEST_CARD: Final = timedelta(days=366)
# Seed is soaked before a run's first day, and the tray may be photographed then.
_BEFORE_SPREADING: Final = timedelta(days=2)


def not_before(connection: sa.Connection, camera: Row, received_at: datetime) -> datetime:
    """The earliest moment that is believed of a camera's photo where it says one itself.

    A year before the camera was entered, or the first run if that is earlier. A camera that was
    set up to send its photos does so as it takes them: no longer ago than the longest run.

    Parameters
    ----------
    connection : Connection
    camera : row of `current(CAMERA)`
    received_at : aware datetime
        When its photo came.
    """
    of_trays = run_calendar(connection).by_tray.values()
    first_runs = (spans[0].spread_at - _BEFORE_SPREADING for spans in of_trays if spans)
    earliest: datetime = min([camera["first_entered_at"] - _OLDEST_CARD, *first_runs])
    live = camera["kind"] != CameraKind.FOLDER and camera["options"] is not None
    return max(earliest, received_at - LONGEST_RUN) if live else earliest


def clock_says(connection: sa.Connection, camera_id: int) -> datetime | None:
    """What a camera's last photo said of its moment, if that was not believed."""
    first = CAPTURE.c.original_id.is_(None) & (CAPTURE.c.camera_id == camera_id)
    statement = sa.select(CAPTURE.c.photo_said_at).where(first).order_by(CAPTURE.c.id.desc())
    said: datetime | None = connection.execute(statement.limit(1)).scalar()
    return said
