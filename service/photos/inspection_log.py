"""Photos and what was measured on them: queries, and the commands that enter them."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from service.log.entries import Entrant, correct, current, enter
from service.log.schema import (
    ASSIGNMENT,
    CAPTURE,
    PHOTO,
    PHOTO_INSPECTION,
    TRAY,
    TRAY_INSPECTION,
)
from service.photos.inspection_job import InspectedPhoto
from service.room.room_log import Row, tray_or_new

# A database takes only so many numbers in one query.
_AT_ONCE = 500


@dataclass(frozen=True)
class NewPhoto:
    """A photo that is on the disk and was inspected, about to be entered."""

    sha256: str
    name: str
    media_type: str
    size_bytes: int
    watering: str
    camera_id: int | None
    inspected: InspectedPhoto
    library_version: str


def find_photo(connection: sa.Connection, sha256: str) -> int | None:
    """Id of the photo with these bytes, None where it is not in the log."""
    return connection.execute(sa.select(PHOTO.c.id).where(PHOTO.c.sha256 == sha256)).scalar()


def enter_photo(connection: sa.Connection, photo: NewPhoto, by: Entrant) -> int:
    """Enter a photo with its inspection; returns its id."""
    values = {
        "sha256": photo.sha256,
        "name": photo.name,
        "media_type": photo.media_type,
        "size_bytes": photo.size_bytes,
        "received_at": by.at,
        "received_from": by.person_id,
        "original_kept": True,
    }
    key = connection.execute(sa.insert(PHOTO).values(values)).inserted_primary_key
    assert key is not None
    photo_id = int(key[0])
    capture = {
        "photo_id": photo_id,
        "taken_at": photo.inspected.taken_at,
        "taken_at_from": photo.inspected.taken_at_from,
        "photo_said_at": photo.inspected.said_at,
        "watering": photo.watering,
        "camera_id": photo.camera_id,
    }
    enter(connection, CAPTURE, capture, by)
    enter_inspection(connection, photo_id, photo.inspected.record, photo.library_version, by=by)
    return photo_id


def enter_inspection(
    connection: sa.Connection,
    photo_id: int,
    record: Mapping[str, Any],
    library_version: str,
    *,
    by: Entrant,
) -> int:
    """Enter what was measured on a photo, beside what was measured before; returns its id."""
    values = {
        "photo_id": photo_id,
        "problem": record["problem"],
        "record": {name: value for name, value in record.items() if name != "trays"},
        "library_version": library_version,
    }
    before = connection.execute(
        sa.select(PHOTO_INSPECTION.c.id).where(
            PHOTO_INSPECTION.c.photo_id == photo_id, PHOTO_INSPECTION.c.original_id.is_(None)
        )
    ).scalar()
    if before is None:
        entry_id = enter(connection, PHOTO_INSPECTION, values, by)
    else:
        entry_id = correct(
            connection, PHOTO_INSPECTION, before, values, by=by, why="measured again"
        )
    for tray in record["trays"]:
        _enter_tray(connection, entry_id, tray, by)
    return entry_id


def _enter_tray(
    connection: sa.Connection, entry_id: int, tray: Mapping[str, Any], by: Entrant
) -> None:
    number = tray["tray"]
    row = {
        "photo_inspection_id": entry_id,
        "tray_id": None if number is None else tray_or_new(connection, number, by),
        "record": dict(tray),
        **main_values(tray),
    }
    connection.execute(sa.insert(TRAY_INSPECTION).values(row))


def main_values(tray: Mapping[str, Any]) -> dict[str, float | None]:
    """The values of a tray's record that have columns of their own."""
    return {
        "day": tray["day"],
        "cover": tray["cover"]["value"],
        "cover_uncertainty": tray["cover"]["uncertainty"],
        "canopy_height_mm": tray["canopy_height_mm"]["value"],
        "canopy_height_uncertainty_mm": tray["canopy_height_mm"]["uncertainty"],
        "shoot_height_mm": tray["shoot_height_mm"]["value"],
        "shoot_height_uncertainty_mm": tray["shoot_height_mm"]["uncertainty"],
        "yellow_share": tray["colour"]["yellow_share"]["value"],
        "fuzz": tray["fuzz"],
        "mould_likelihood": max((patch["likelihood"] for patch in tray["mould"]), default=0.0),
        "seen": tray["seen"],
        "score": tray["score"]["value"],
    }


def told_trays() -> sa.Subquery:
    """Inspections in which no number was read, with the tray that a person said it is.

    Columns `inspection_id` (of the tray's inspection) and `tray_id`. Where several trays were
    said of one photo, or measured in it, nobody knows which is which: those are left out.
    """
    passes, said = current(PHOTO_INSPECTION), current(ASSIGNMENT)
    one_said = (
        sa.select(said.c.photo_id, sa.func.min(said.c.tray_id).label("tray_id"))
        .group_by(said.c.photo_id)
        .having(sa.func.count() == 1)
        .subquery()
    )
    return (
        sa.select(
            sa.func.min(TRAY_INSPECTION.c.id).label("inspection_id"),
            sa.func.min(one_said.c.tray_id).label("tray_id"),
        )
        .join(passes, passes.c.entry_id == TRAY_INSPECTION.c.photo_inspection_id)
        .join(one_said, one_said.c.photo_id == passes.c.photo_id)
        .group_by(passes.c.entry_id)
        .having(sa.func.count() == 1, sa.func.count(TRAY_INSPECTION.c.tray_id) == 0)
        .subquery()
    )


def tray_rows(connection: sa.Connection, inspection_ids: Collection[int]) -> list[Row]:
    """What holds now of some inspections of trays, by moment of the photo.

    Each row has the columns of `tray_inspection` with `photo_id`, `taken_at`, `watering`,
    `camera_id`, `sha256` and `library_version`.
    """
    ids = list(inspection_ids)
    parts = [ids[start : start + _AT_ONCE] for start in range(0, len(ids), _AT_ONCE)]
    rows = [row for part in parts for row in _rows_of_ids(connection, part)]
    return sorted(rows, key=lambda row: (row["taken_at"], row["sha256"], row["id"]))


def _rows_of_ids(connection: sa.Connection, ids: Sequence[int]) -> Sequence[Row]:
    passes, capture = current(PHOTO_INSPECTION), current(CAPTURE)
    statement = (
        sa.select(
            TRAY_INSPECTION,
            passes.c.photo_id,
            passes.c.library_version,
            capture.c.taken_at,
            capture.c.watering,
            capture.c.camera_id,
            PHOTO.c.sha256,
        )
        .join(passes, passes.c.entry_id == TRAY_INSPECTION.c.photo_inspection_id)
        .join(capture, capture.c.photo_id == passes.c.photo_id)
        .join(PHOTO, PHOTO.c.id == passes.c.photo_id)
        .where(TRAY_INSPECTION.c.id.in_(ids))
    )
    return connection.execute(statement).mappings().all()


def seen_numbers(connection: sa.Connection) -> frozenset[int]:
    """Registered trays that any photo ever showed."""
    now = current(TRAY)
    shown = sa.exists().where(TRAY_INSPECTION.c.tray_id == now.c.id)
    return frozenset(connection.execute(sa.select(now.c.number).where(shown)).scalars())


def any_tray_was_seen(connection: sa.Connection) -> bool:
    """Whether any photo ever showed a tray, registered still or not."""
    seen = sa.select(TRAY_INSPECTION.c.id).where(TRAY_INSPECTION.c.tray_id.is_not(None)).limit(1)
    return connection.execute(seen).first() is not None


def last_canopy_heights(connection: sa.Connection, *, most: int) -> list[tuple[int, float]]:
    """Days and heights of the canopy in mm of the trays that were measured last, latest first."""
    passes = current(PHOTO_INSPECTION)
    rows = connection.execute(
        sa.select(TRAY_INSPECTION.c.day, TRAY_INSPECTION.c.canopy_height_mm)
        .join(passes, passes.c.entry_id == TRAY_INSPECTION.c.photo_inspection_id)
        .where(TRAY_INSPECTION.c.day >= 0, TRAY_INSPECTION.c.canopy_height_mm.is_not(None))
        .order_by(TRAY_INSPECTION.c.id.desc())
        .limit(most)
    )
    return [(int(row.day), row.canopy_height_mm) for row in rows]
