"""An export or backup read into a room: all of it or nothing."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa

from service.archives.archive import ArchiveReader
from service.archives.archived_photos import bring_photos, mark_missing
from service.archives.staged_log import LOG_SQLITE, copy_rows, staged_log
from service.archives.written_tables import LOG_JSON, Form, csv_member
from service.context import Service
from service.log.closed_values import check_closed_values
from service.log.file_lock import originals_stay
from service.log.log_tables import log_tables, row_counts
from service.log.refusals import Conflict
from service.log.schema import ROOM


@dataclass(frozen=True)
class Imported:
    """What came in.

    Parameters
    ----------
    rows : dict
        Numbers by table.
    photos : int
        Originals that were not in the room's folder before.
    without_original : int
        Photos whose record came, but whose original is neither in the archive nor here; the log
        says of them that it is not kept.
    """

    rows: dict[str, int]
    photos: int
    without_original: int


def import_archive(
    service: Service, path: Path, *, replace: bool = False, form: Form = Form.JSON
) -> Imported:
    """Read an export or backup into a room.

    Parameters
    ----------
    service : Service
    path : Path
        The zip file.
    replace : bool
        Put it in the place of what the room holds: that is gone from the log afterwards,
        passwords, tokens and addresses too, so write a backup first. Originals stay on the disk.
    form : Form
        Which of its two forms to read.

    Raises
    ------
    Conflict
        If the room holds anything and `replace` is not set, or the archive is of a later version.
    Refusal
        If the archive is damaged or breaks a rule; it names the member and the rule.
    """
    data = service.settings.data
    with ArchiveReader(path) as archive:
        archive.verify()
        with service.database.read() as connection:
            tables = log_tables(connection)
            if not replace:
                check_empty(connection, tables)
        with originals_stay(data), staged_log(archive, data, form=form) as staged:
            with staged.read() as source:
                check_closed_values(source, _members(archive, tables, form))
            # Before the rows, so that no record ever waits for its photo. Should the rows fail,
            # the originals stay: someone may have sent the same bytes meanwhile.
            brought = bring_photos(archive, service.store)
            with staged.write() as source:
                gone = mark_missing(source, service.store, let_go_at=service.clock())
            with staged.read() as source, service.database.write() as target:
                if not replace:
                    check_empty(target, tables)
                for table in reversed(tables):
                    target.execute(sa.delete(table))
                rows = copy_rows(source, target, tables)
    return Imported(rows, len(brought), gone)


def _members(archive: ArchiveReader, tables: list[sa.Table], form: Form) -> Mapping[str, str] | str:
    """Which member of an archive its rows come from."""
    if archive.has(LOG_SQLITE):
        return LOG_SQLITE
    return LOG_JSON if form is Form.JSON else {one.name: csv_member(one.name) for one in tables}


def check_empty(connection: sa.Connection, tables: list[sa.Table]) -> None:
    """Refuse a room that holds more than its own first entry.

    Raises
    ------
    Conflict
        It names the tables that have rows.
    """
    counts = row_counts(connection, tables)
    counts[ROOM.name] -= 1
    holds = [f"{count} in {name}" for name, count in counts.items() if count > 0]
    if holds:
        raise Conflict("room", f"must be empty, but has rows: {', '.join(holds)}")
