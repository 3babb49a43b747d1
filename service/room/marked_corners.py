"""Corners of trays without a kit, as people mark them on photos: entered and looked up."""

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from service.log.entries import Entrant, correct, current, enter
from service.log.refusals import Refusal
from service.log.schema import TRAY, TRAY_CORNERS
from service.models.photos import NewCorners
from service.room.room_log import Row, find_tray, one, the_room, tray_numbered
from trayvision.pose.marked_tray import MarkedTray
from trayvision.reference_kit import TraySize


def marked_as(connection: sa.Connection, new: NewCorners) -> MarkedTray:
    """What a person marked, with the size of the tray that was chosen, else of the room's.

    Raises
    ------
    NotFound
        If there is no tray with that number.
    Refusal
        If the corners do not go round a tray.
    """
    own = None if new.tray is None else tray_numbered(connection, new.tray)["size"]
    size = TraySize.parse(new.size or own or the_room(connection).tray_size)
    try:
        return MarkedTray(new.corners, size, new.tray)
    except ValueError as error:
        raise Refusal("corners", str(error).removeprefix("corners_px ")) from error


def marked_of(connection: sa.Connection, photo_id: int) -> MarkedTray | None:
    """What holds now of the corners on a photo."""
    now = current(TRAY_CORNERS)
    row = connection.execute(sa.select(now).where(now.c.photo_id == photo_id)).mappings().first()
    return None if row is None else marked_in(connection, row)


def marked_in(connection: sa.Connection, row: Row | Mapping[str, Any]) -> MarkedTray:
    """What one entry of corners says."""
    number = None if row["tray_id"] is None else one(connection, TRAY, row["tray_id"])["number"]
    corners: Any = tuple((float(x), float(y)) for x, y in row["corners"])
    return MarkedTray(corners, TraySize.parse(row["size"]), number)


def corners_id(connection: sa.Connection, photo_id: int) -> int | None:
    """Id of the corners that hold now on a photo."""
    now = current(TRAY_CORNERS)
    return connection.execute(sa.select(now.c.id).where(now.c.photo_id == photo_id)).scalar()


def enter_corners(
    connection: sa.Connection,
    photo_id: int,
    marked: MarkedTray,
    *,
    by: Entrant,
    why: str | None = None,
) -> int:
    """Enter corners beside those that were marked before on the photo; returns the row's id."""
    tray = None if marked.number is None else find_tray(connection, marked.number)
    values = {
        "photo_id": photo_id,
        "tray_id": None if tray is None else tray["id"],
        "size": str(marked.size),
        "corners": [list(corner) for corner in marked.corners_px],
    }
    # Withdrawn ones too: marking again is a correction of those.
    before = connection.execute(
        sa.select(TRAY_CORNERS.c.id).where(
            TRAY_CORNERS.c.photo_id == photo_id, TRAY_CORNERS.c.original_id.is_(None)
        )
    ).scalar()
    if before is None:
        return enter(connection, TRAY_CORNERS, values | {"why": why}, by)
    return correct(connection, TRAY_CORNERS, before, values, by=by, why=why)
