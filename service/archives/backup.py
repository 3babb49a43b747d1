"""The whole room in one file while it runs, and a room made from such a file.

On SQLite the file holds the database itself, as ``VACUUM INTO`` copies it from one moment while
others write. On PostgreSQL it holds all tables as `log.json`, read in one transaction: it needs
no program of the server's, and a room can move between the two databases with it. Photos are
copied after the log: they are named after their bytes and never change, so whatever the log
refers to is there, and nothing is let go meanwhile. A backup holds passwords' hashes, tokens and
addresses too: keep it as safe as the room.
"""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory

from service.archives.archive import FORMAT, ArchiveReader, ArchiveWriter, Manifest, photos_word
from service.archives.archived_photos import (
    Kept,
    add_photos,
    bring_photos,
    kept_originals,
    mark_missing,
    missing_originals,
)
from service.archives.staged_log import LOG_SQLITE, check_database, copy_rows, staged_log
from service.archives.written_tables import LOG_JSON, Form, write_json
from service.context import Service
from service.log.database import Database, migrate_on
from service.log.file_lock import originals_stay
from service.log.log_tables import log_tables, revision_of, row_counts
from service.log.private_files import OWN_FILE, own_file, own_folder
from service.log.refusals import Conflict, Refusal
from service.photos.object_store import photo_store
from service.settings import Settings


@dataclass(frozen=True)
class Backup:
    """What was written, or brought back.

    Parameters
    ----------
    path : Path
        The file; of a restored room its data folder.
    written_at : aware datetime
    size_bytes : int
        Of the file.
    rows : dict
        Numbers by table.
    photos : int
        Originals in it.
    missing_originals : list of str
        sha256 of photos that the log says are kept, but that were not on the disk.
    """

    path: Path
    written_at: datetime
    size_bytes: int
    rows: dict[str, int]
    photos: int
    missing_originals: list[str]


@dataclass(frozen=True)
class _Snapshot:
    revision: str
    rows: dict[str, int]
    kept: Kept


def write_backup(service: Service, path: Path) -> Backup:
    """Write a backup; it has its name only once it is whole and was read again.

    Raises
    ------
    ValueError
        If something of that name is there already: a backup is never written over.
    Refusal
        If the written file cannot be read again, or the log's database is damaged.
    """
    if path.exists():
        raise ValueError(f"{path} must be a new file, but is there already")
    path.parent.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(dir=path.parent, prefix=".backup-") as folder:
        aside = Path(folder) / "backup.zip"
        with originals_stay(service.settings.data), own_file(aside) as file:
            for chunk in _written(service, Path(folder)):
                file.write(chunk)
            file.flush()
            os.fsync(file.fileno())
        with ArchiveReader(aside) as archive:
            archive.verify()
            manifest = archive.manifest
            photos = len(archive.names("photos"))
        aside.replace(path)
        _sync(path.parent)
    return _backup(path, manifest, photos)


def restore(settings: Settings, path: Path) -> Backup:
    """Make a room from a backup; the service then starts on it.

    Parameters
    ----------
    settings : Settings
        Its data folder must hold no log; its database, where one is set, no tables.
    path : Path
        The backup.

    Raises
    ------
    Conflict
        If something is there already, or the backup is of a later version.
    Refusal
        If it is no backup, is damaged or breaks a rule; it names the member and the rule.
    """
    data = settings.data
    if (data / LOG_SQLITE).exists():
        raise Conflict("data", f"must be a folder without a log, but holds {LOG_SQLITE}")
    with ArchiveReader(path) as archive:
        if archive.manifest.kind != "backup":
            raise Refusal("kind", f"must be backup, got {archive.manifest.kind}: import it instead")
        archive.verify()
        own_folder(data)
        with staged_log(archive, data, form=Form.JSON) as staged:
            if settings.database_url is not None:
                _check_new(settings)
            store = photo_store(settings)
            bring_photos(archive, store)
            with staged.write() as connection:
                mark_missing(connection, store, let_go_at=archive.manifest.written_at)
            if settings.database_url is None:
                _move_into_place(staged, data / LOG_SQLITE)
            else:
                _fill(staged, settings)
        return _backup(data, archive.manifest, len(archive.names("photos")))


def _written(service: Service, folder: Path) -> Iterator[bytes]:
    now = service.clock()
    writer = ArchiveWriter(folder, now)
    try:
        if service.database.engine.dialect.name == "sqlite":
            snapshot = _copied_database(service.database, folder / LOG_SQLITE)
            yield from writer.add_file(LOG_SQLITE, folder / LOG_SQLITE, compressed=True)
        else:
            snapshot = _all_tables(service.database, writer)
        missing = missing_originals(service.store, snapshot.kept)
        yield from writer.ready()
        yield from add_photos(writer, service.store, snapshot.kept)
        yield from writer.finish(
            Manifest(
                kind="backup",
                format=FORMAT,
                trayvision=version("trayvision"),
                schema_revision=snapshot.revision,
                written_at=now,
                rows=snapshot.rows,
                photos=photos_word(True, missing),
                missing_originals=missing,
                members=writer.parts,
            )
        )
    finally:
        writer.close()


def _copied_database(database: Database, path: Path) -> _Snapshot:
    with closing(sqlite3.connect(str(database.engine.url.database))) as source:
        source.execute("VACUUM INTO ?", (str(path),))
    copy = Database(f"sqlite:///{path}")
    try:
        check_database(copy)
        with copy.read() as connection:
            rows = row_counts(connection, log_tables(connection))
            snapshot = _Snapshot(revision_of(connection), rows, kept_originals(connection))
    finally:
        copy.close()
    _without_side_files(path)
    return snapshot


def _all_tables(database: Database, writer: ArchiveWriter) -> _Snapshot:
    with database.read() as connection, writer.member(LOG_JSON) as member:
        rows = write_json(member, connection, log_tables(connection))
        return _Snapshot(revision_of(connection), rows, kept_originals(connection))


def _without_side_files(path: Path) -> None:
    """Bring what SQLite keeps beside a database into it, so that it is one file."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")


def _check_new(settings: Settings) -> None:
    database = Database(settings.sqlalchemy_url())
    try:
        with database.read() as connection:
            tables = log_tables(connection)
    finally:
        database.close()
    if tables:
        raise Conflict("database_url", f"must be a new database, but holds {len(tables)} tables")


def _move_into_place(staged: Database, path: Path) -> None:
    staged.close()
    source = Path(str(staged.engine.url.database))
    _without_side_files(source)
    source.chmod(OWN_FILE)
    with source.open("rb") as file:
        os.fsync(file.fileno())
    # Last of all: a folder without it holds no log yet, and restoring can begin anew.
    source.replace(path)
    _sync(path.parent)


def _fill(staged: Database, settings: Settings) -> None:
    database = Database(settings.sqlalchemy_url())
    try:
        with staged.read() as source, database.write() as target:
            # In one transaction: a database with tables and no rows could not be restored into.
            migrate_on(target)
            copy_rows(source, target, log_tables(target))
    finally:
        database.close()


def _backup(path: Path, manifest: Manifest, photos: int) -> Backup:
    return Backup(
        path=path,
        written_at=manifest.written_at,
        size_bytes=path.stat().st_size,
        rows=manifest.rows,
        photos=photos,
        missing_originals=manifest.missing_originals,
    )


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
