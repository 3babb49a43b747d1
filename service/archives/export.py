"""Everything in the log as one zip file that the grower takes along.

It holds `log.json` and `tables/*.csv`, each with all rows of all tables, corrections included;
`people/*.csv`, to read in a spreadsheet; on request the photos and `parquet/*.parquet`; and the
manifest. What is secret (passwords and the like) is left out, since an export is handed on: a
backup holds it.
"""

from collections.abc import Iterator
from contextlib import nullcontext
from datetime import datetime
from importlib.metadata import version

import sqlalchemy as sa

from service.archives.archive import FORMAT, ArchiveWriter, Manifest, photos_word
from service.archives.archived_photos import add_photos, kept_originals, missing_originals
from service.archives.parquet_tables import add_parquet, check_parquet
from service.archives.people_tables import (
    FLAG_HEADER,
    INSPECTION_HEADER,
    RUN_HEADER,
    flag_rows,
    inspection_rows,
    run_rows,
)
from service.archives.written_tables import LOG_JSON, csv_member, write_cells, write_csv, write_json
from service.context import Service
from service.log.file_lock import originals_stay
from service.log.log_tables import log_tables, revision_of


def export_log(service: Service, *, photos: bool = False, parquet: bool = False) -> Iterator[bytes]:
    """The export as bytes of a zip file, from one moment of the log.

    Parameters
    ----------
    service : Service
    photos : bool
        Originals too, and pictures of those that were let go. No original is let go meanwhile.
    parquet : bool
        Each table as a Parquet file too; needs pyarrow.

    Raises
    ------
    Refusal
        If `parquet` is wanted and pyarrow is not installed.
    """
    if parquet:
        check_parquet()
    stream = _exported(service, photos, parquet)
    # All tables are read before this returns, so that what fails does so before bytes are sent.
    next(stream)
    return stream


def _exported(service: Service, photos: bool, parquet: bool) -> Iterator[bytes]:
    data, now = service.settings.data, service.clock()
    writer = ArchiveWriter(data, now)
    try:
        with originals_stay(data) if photos else nullcontext():
            with service.database.read() as connection:
                revision = revision_of(connection)
                rows = _write_tables(writer, connection, now, parquet)
                kept = kept_originals(connection)
            missing = missing_originals(service.store, kept) if photos else []
            yield b""
            yield from writer.ready()
            if photos:
                yield from add_photos(writer, service.store, kept)
        yield from writer.finish(
            Manifest(
                kind="export",
                format=FORMAT,
                trayvision=version("trayvision"),
                schema_revision=revision,
                written_at=now,
                rows=rows,
                photos=photos_word(photos, missing),
                missing_originals=missing,
                members=writer.parts,
            )
        )
    finally:
        writer.close()


def _write_tables(
    writer: ArchiveWriter, connection: sa.Connection, now: datetime, parquet: bool
) -> dict[str, int]:
    tables = log_tables(connection, secrets=False)
    with writer.member(LOG_JSON) as member:
        rows = write_json(member, connection, tables)
    for table in tables:
        with writer.member(csv_member(table.name)) as member:
            write_csv(member, connection, table)
    for name, header, people in (
        ("runs", RUN_HEADER, run_rows(connection, now)),
        ("inspections", INSPECTION_HEADER, inspection_rows(connection)),
        ("flags", FLAG_HEADER, flag_rows(connection, now)),
    ):
        with writer.member(f"people/{name}.csv") as member:
            write_cells(member, header, people)
    if parquet:
        for table in tables:
            add_parquet(writer, connection, table)
    return rows
