"""Which tray a photo shows, as people say it where its tags do not: said, and taken back."""

import sqlalchemy as sa

from service.context import Service
from service.log.entries import Entrant, current, enter, withdraw
from service.log.log_memory import rows_by_tray
from service.log.refusals import NotFound
from service.log.schema import ASSIGNMENT, CAPTURE
from service.models.photos import PhotoOut
from service.photos.ingest import tell_watchers
from service.photos.photo_log import capture_of, photo_out
from service.room.room_log import tray_numbered
from service.runs.run_calendar import RunSpan


def assign_photo(
    service: Service, photo_id: int, tray: int, *, by: Entrant, why: str | None
) -> PhotoOut:
    """Say by hand that a photo shows a tray.

    Raises
    ------
    NotFound
        If there is no such photo or tray.
    """
    with service.database.write() as connection:
        capture_of(connection, photo_id)
        tray_id = tray_numbered(connection, tray)["id"]
        given = _assignment(connection, photo_id, tray_id)
        if given is None:
            enter(
                connection, ASSIGNMENT, {"photo_id": photo_id, "tray_id": tray_id, "why": why}, by
            )
        out = photo_out(connection, photo_id)
    tell_watchers(service, [tray_id])
    return out


def withdraw_assignment(
    service: Service, photo_id: int, tray: int, *, by: Entrant, why: str | None = None
) -> tuple[PhotoOut, int]:
    """Take back that a photo shows a tray. Raises NotFound where nobody said so.

    Returns
    -------
    tuple of PhotoOut, int
        The photo, and the row that was entered for it.
    """
    with service.database.write() as connection:
        tray_id = tray_numbered(connection, tray)["id"]
        given = _assignment(connection, photo_id, tray_id)
        if given is None:
            raise NotFound("assignment", f"of photo {photo_id} to tray {tray}")
        entry_id = withdraw(connection, ASSIGNMENT, given, by=by, why=why)
        out = photo_out(connection, photo_id)
    tell_watchers(service, [tray_id])
    return out, entry_id


def last_assignment(connection: sa.Connection, photo_id: int) -> int:
    """The row that was entered last for what a photo shows, as people say it."""
    now = current(ASSIGNMENT)
    statement = (
        sa.select(now.c.entry_id)
        .where(now.c.photo_id == photo_id)
        .order_by(now.c.entry_id.desc())
        .limit(1)
    )
    return int(connection.execute(statement).scalar_one())


def photos_given_to_run(connection: sa.Connection, span: RunSpan) -> list[int]:
    """Photos taken within a run that a person gave to its tray."""
    given = [row["photo_id"] for row in _GIVEN.of(connection).get(span.tray_id, ())]
    if not given:
        return []
    capture = current(CAPTURE)
    statement = sa.select(capture.c.photo_id).where(
        capture.c.photo_id.in_(given),
        capture.c.taken_at >= span.begins_at,
        capture.c.taken_at < span.until,
    )
    return list(connection.execute(statement).scalars())


_GIVEN = rows_by_tray(ASSIGNMENT, "entered_at")


def _assignment(connection: sa.Connection, photo_id: int, tray_id: int) -> int | None:
    now = current(ASSIGNMENT)
    statement = sa.select(now.c.id).where(now.c.photo_id == photo_id, now.c.tray_id == tray_id)
    return connection.execute(statement).scalar()
