"""Photos as the service lists them and gives them out."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from service.log.entries import current
from service.log.log_memory import LogMemory, Seen, news
from service.log.refusals import NotFound
from service.log.schema import (
    ASSIGNMENT,
    CAMERA,
    CAPTURE,
    PHOTO,
    PHOTO_INSPECTION,
    TRAY,
    TRAY_INSPECTION,
)
from service.models.photos import PhotoOut
from service.room.room_log import Row


@dataclass(frozen=True)
class PhotoSearch:
    """Which photos; of a tray as measured or as assigned by hand."""

    tray_id: int | None = None
    camera_id: int | None = None
    with_problem: bool | None = None
    since: datetime | None = None
    until: datetime | None = None
    limit: int = 100
    offset: int = 0


def photo_ids(connection: sa.Connection, search: PhotoSearch) -> list[int]:
    """Photos, the last taken first."""
    capture = current(CAPTURE)
    statement = (
        sa.select(capture.c.photo_id)
        .order_by(capture.c.taken_at.desc(), capture.c.photo_id.desc())
        .limit(search.limit)
        .offset(search.offset)
    )
    if search.tray_id is not None:
        statement = statement.where(capture.c.photo_id.in_(_of_tray(search.tray_id)))
    if search.camera_id is not None:
        statement = statement.where(capture.c.camera_id == search.camera_id)
    if search.with_problem is not None:
        passes = current(PHOTO_INSPECTION)
        problem = passes.c.problem.is_not(None)
        asked = problem if search.with_problem else sa.not_(problem)
        statement = statement.where(
            capture.c.photo_id.in_(sa.select(passes.c.photo_id).where(asked))
        )
    if search.since is not None:
        statement = statement.where(capture.c.taken_at >= search.since)
    if search.until is not None:
        statement = statement.where(capture.c.taken_at < search.until)
    return list(connection.execute(statement).scalars())


def _of_tray(tray_id: int) -> sa.CompoundSelect[tuple[int]]:
    """Photos that show a tray, as measured or as a person said."""
    passes, given = current(PHOTO_INSPECTION), current(ASSIGNMENT)
    return sa.union(
        sa.select(passes.c.photo_id)
        .join(TRAY_INSPECTION, TRAY_INSPECTION.c.photo_inspection_id == passes.c.entry_id)
        .where(TRAY_INSPECTION.c.tray_id == tray_id),
        sa.select(given.c.photo_id).where(given.c.tray_id == tray_id),
    )


def trays_with_news(connection: sa.Connection, seen: Seen, tables: Sequence[sa.Table]) -> set[int]:
    """Trays of photos of which there are new rows in some tables: measured, corrected, assigned."""
    photos: set[int] = set()
    for table in tables:
        photos |= news(connection, table, seen, table.c.photo_id)
    shown = (
        sa.select(TRAY_INSPECTION.c.tray_id)
        .join(PHOTO_INSPECTION, PHOTO_INSPECTION.c.id == TRAY_INSPECTION.c.photo_inspection_id)
        .where(PHOTO_INSPECTION.c.photo_id.in_(photos), TRAY_INSPECTION.c.tray_id.is_not(None))
    )
    said = sa.select(ASSIGNMENT.c.tray_id).where(ASSIGNMENT.c.photo_id.in_(photos))
    return set(connection.execute(sa.union(shown, said)).scalars())


def latest_photos(connection: sa.Connection, trays: Iterable[int]) -> dict[int, int]:
    """The last photo of each tray that has one, by tray id."""
    kept = _LATEST.of(connection)
    asked = list(trays)
    for tray in asked:
        if tray not in kept:
            kept[tray] = next(iter(photo_ids(connection, PhotoSearch(tray_id=tray, limit=1))), None)
    return {tray: photo for tray in asked if (photo := kept[tray]) is not None}


_Latest = dict[int, int | None]


def _renewed(connection: sa.Connection, before: tuple[_Latest, Seen] | None) -> _Latest:
    """What was kept, without the trays of which there is something new."""
    if before is None:
        return {}
    kept, seen = before
    concerned = trays_with_news(connection, seen, _SHOWS_TRAYS)
    # Copied at once, since others may add to it meanwhile.
    return {tray: photo for tray, photo in kept.copy().items() if tray not in concerned}


_SHOWS_TRAYS = (PHOTO_INSPECTION, CAPTURE, ASSIGNMENT)
_LATEST = LogMemory(_SHOWS_TRAYS, _renewed)


def photos_out(connection: sa.Connection, ids: Sequence[int]) -> list[PhotoOut]:
    """Photos as the service gives them out, in the order of the ids."""
    if not ids:
        return []
    passes, capture, camera = current(PHOTO_INSPECTION), current(CAPTURE), current(CAMERA)
    statement = (
        sa.select(
            PHOTO,
            passes.c.entry_id.label("inspection_id"),
            passes.c.record,
            passes.c.problem,
            passes.c.library_version,
            capture.c.taken_at,
            capture.c.taken_at_from,
            capture.c.photo_said_at,
            capture.c.watering,
            capture.c.note,
            camera.c.name.label("camera"),
        )
        .join(passes, passes.c.photo_id == PHOTO.c.id)
        .join(capture, capture.c.photo_id == PHOTO.c.id)
        .join(camera, camera.c.id == capture.c.camera_id, isouter=True)
        .where(PHOTO.c.id.in_(ids))
    )
    rows = {row["id"]: row for row in connection.execute(statement).mappings()}
    trays = _tray_records(connection, [row["inspection_id"] for row in rows.values()])
    given = _assigned(connection, ids)
    return [
        _photo_out(rows[key], trays.get(rows[key]["inspection_id"], []), given.get(key, []))
        for key in ids
    ]


def photo_out(connection: sa.Connection, photo_id: int) -> PhotoOut:
    """One photo as the service gives it out.

    Raises
    ------
    NotFound
        If there is no such photo.
    """
    if connection.execute(sa.select(PHOTO.c.id).where(PHOTO.c.id == photo_id)).first() is None:
        raise NotFound("photo", photo_id)
    return photos_out(connection, [photo_id])[0]


def capture_of(connection: sa.Connection, photo_id: int) -> Row:
    """What holds now of when and around which watering a photo was taken. Raises NotFound."""
    now = current(CAPTURE)
    found = connection.execute(sa.select(now).where(now.c.photo_id == photo_id)).mappings().first()
    if found is None:
        raise NotFound("photo", photo_id)
    return found


def _photo_out(row: Row, trays: list[dict[str, Any]], assigned: list[int]) -> PhotoOut:
    record = row["record"]
    read = record["width"] is not None
    address = f"/api/photos/{row['id']}"
    drawn = read and (trays or record["not_measured"])
    return PhotoOut(
        id=row["id"],
        sha256=row["sha256"],
        file=row["name"],
        taken_at=row["taken_at"],
        taken_at_from=row["taken_at_from"],
        photo_said_at=row["photo_said_at"],
        received_at=row["received_at"],
        watering=row["watering"],
        note=row["note"],
        camera=row["camera"],
        width=record["width"],
        height=record["height"],
        problem=row["problem"],
        trays=trays,
        not_measured=record["not_measured"],
        remarks=record["remarks"],
        assigned_trays=assigned,
        inspection_id=row["inspection_id"],
        library_version=row["library_version"],
        original=f"{address}/original" if row["original_kept"] else None,
        overlay=f"{address}/overlay" if drawn else None,
        thumbnail=f"{address}/thumbnail" if read else None,
        picture=f"{address}/picture" if read else None,
    )


def hashes_of_camera(connection: sa.Connection, camera_id: int, *, most: int) -> list[str]:
    """SHA-256 of the last photos of a camera, the last taken first."""
    now = current(CAPTURE)
    statement = (
        sa.select(PHOTO.c.sha256)
        .join(now, now.c.photo_id == PHOTO.c.id)
        .where(now.c.camera_id == camera_id)
        .order_by(now.c.taken_at.desc())
        .limit(most)
    )
    return list(connection.execute(statement).scalars())


def _tray_records(
    connection: sa.Connection, inspections: Iterable[int]
) -> dict[int, list[dict[str, Any]]]:
    statement = (
        sa.select(TRAY_INSPECTION.c.photo_inspection_id, TRAY_INSPECTION.c.record)
        .where(TRAY_INSPECTION.c.photo_inspection_id.in_(list(inspections)))
        .order_by(TRAY_INSPECTION.c.id)
    )
    records: dict[int, list[dict[str, Any]]] = {}
    for row in connection.execute(statement):
        records.setdefault(row.photo_inspection_id, []).append(row.record)
    return records


def _assigned(connection: sa.Connection, ids: Sequence[int]) -> dict[int, list[int]]:
    given, trays = current(ASSIGNMENT), current(TRAY)
    statement = (
        sa.select(given.c.photo_id, trays.c.number)
        .join(trays, trays.c.id == given.c.tray_id)
        .where(given.c.photo_id.in_(ids))
        .order_by(trays.c.number)
    )
    numbers: dict[int, list[int]] = {}
    for row in connection.execute(statement):
        numbers.setdefault(row.photo_id, []).append(row.number)
    return numbers
