"""A room is backed up while it takes photos in, and starts again from the file."""

import re
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from uuid import uuid4

import psycopg
import pytest
from fastapi.testclient import TestClient
from pydantic import SecretStr

from service.app import create_app
from service.archives.archive import ArchiveReader
from service.archives.backup import restore, write_backup
from service.archives.log_import import import_archive
from service.log.entries import enter
from service.log.file_lock import originals_may_go
from service.log.refusals import Conflict, Refusal
from service.log.schema import CHORE
from service.settings import Settings
from tests.service.conftest import (
    ON_THIS_MACHINE,
    START,
    Room,
    Watch,
    copied_log,
    database_address,
    fresh_database,
    opened,
)
from tests.service.generated_logs import NASTY_TEXTS, Pools, clear, fill, log_of
from tests.service.postgres_cluster import Cluster
from tests.service.recorded_inspections import RecordedInspector, photo_bytes


@pytest.fixture
def new_settings(
    settings: Settings, request: pytest.FixtureRequest, tmp_path: Path
) -> Iterator[Settings]:
    """Of a place where nothing is yet, on the same kind of database."""
    plain: dict[str, Any] = {"data": tmp_path / "new"}
    if settings.database_url is None:
        yield Settings(**plain)
        return
    cluster, name = request.getfixturevalue("postgres"), f"log_{uuid4().hex}"
    with psycopg.connect(cluster, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    yield Settings(**plain, database_url=SecretStr(database_address(cluster, name)))
    with psycopg.connect(cluster, autocommit=True) as connection:
        connection.execute(f"DROP DATABASE {name} WITH (FORCE)")


def _started(settings: Settings) -> TestClient:
    return TestClient(create_app(settings, inspector=RecordedInspector()), **ON_THIS_MACHINE)


def test_server_starts_on_a_backup_made_while_photos_came(
    room: Room, new_settings: Settings, tmp_path: Path
) -> None:
    acknowledged: list[str] = []
    stopped = threading.Event()

    def send() -> None:
        for number in range(2000):
            if stopped.is_set():
                return
            sent = room.send(photo_bytes({"number": 17, "height_mm": 9.0}, note=str(number)))
            acknowledged.append(sent.json()["photos"][0]["sha256"])

    sender = threading.Thread(target=send)
    sender.start()
    while len(acknowledged) < 5 and sender.is_alive():
        sender.join(0.01)
    before = set(acknowledged)
    try:
        written = write_backup(room.service, tmp_path / "backup.zip")
    finally:
        stopped.set()
        sender.join()
    assert len(before) >= 5
    assert written.missing_originals == []
    assert before <= set(acknowledged)
    restore(new_settings, tmp_path / "backup.zip")
    with _started(new_settings) as client:
        kept = {photo["sha256"]: photo for photo in _photos(client)}
        assert before <= set(kept)
        assert len(kept) == written.rows["photo"] == written.photos
        for photo in kept.values():
            assert client.get(photo["original"]).status_code == 200
            assert [tray["tray"] for tray in photo["trays"]] == [17]
        sent = client.post("/api/photos", files={"photo": ("a.jpg", photo_bytes({"number": 3}))})
        assert sent.status_code == 201, sent.text


def _photos(client: TestClient) -> list[dict[str, Any]]:
    photos: list[dict[str, Any]] = client.get("/api/photos?limit=1000").json()["photos"]
    return photos


def _filled(room: Room) -> dict[str, list[dict[str, Any]]]:
    with room.service.database.write() as connection:
        clear(connection)
        made = Pools(1, NASTY_TEXTS, [0.1, 1e22], [START])
        fill(connection, room.service.store, made, secrets=True)
    return log_of(room.service.database)


def test_backup_holds_all_and_secrets_too(
    room: Room, new_settings: Settings, tmp_path: Path
) -> None:
    before = _filled(room)
    write_backup(room.service, tmp_path / "backup.zip")
    restore(new_settings, tmp_path / "backup.zip")
    with _started(new_settings) as client:
        assert log_of(client.app.state.service.database) == before  # type: ignore[attr-defined]
    assert sum(map(len, before.values())) > 40


def test_room_moves_between_databases_with_a_backup(room: Room, tmp_path: Path) -> None:
    """From each of the two to SQLite; to PostgreSQL by import, in the test below."""
    before = _filled(room)
    write_backup(room.service, tmp_path / "backup.zip")
    plain: dict[str, Any] = {"data": tmp_path / "moved"}
    restore(Settings(**plain), tmp_path / "backup.zip")
    with _started(Settings(**plain)) as client:
        assert log_of(client.app.state.service.database) == before  # type: ignore[attr-defined]


def test_backup_of_sqlite_is_imported_into_each_database(room: Room, tmp_path: Path) -> None:
    plain: dict[str, Any] = {"data": tmp_path / "small"}
    with _started(Settings(**plain)) as client:
        client.post("/api/trays", json={"number": 41})
        service = client.app.state.service  # type: ignore[attr-defined]
        write_backup(service, tmp_path / "backup.zip")
        before = log_of(service.database)
    import_archive(room.service, tmp_path / "backup.zip", replace=True)
    assert log_of(room.service.database) == before


def test_missing_original_is_told_and_not_claimed_after_restoring(
    room: Room, new_settings: Settings, tmp_path: Path
) -> None:
    kept, lost = (room.photograph(17, START, height_mm=height) for height in (1.0, 2.0))
    room.service.store.original(lost["sha256"]).unlink()
    written = write_backup(room.service, tmp_path / "backup.zip")
    assert written.missing_originals == [lost["sha256"]]
    with ArchiveReader(tmp_path / "backup.zip") as archive:
        assert archive.manifest.photos == "incomplete"
    restore(new_settings, tmp_path / "backup.zip")
    with _started(new_settings) as client:
        originals = {photo["sha256"]: photo["original"] for photo in _photos(client)}
    assert originals[kept["sha256"]] is not None
    assert originals[lost["sha256"]] is None


def test_nothing_is_restored_over_a_room(room: Room, tmp_path: Path) -> None:
    write_backup(room.service, tmp_path / "backup.zip")
    before = log_of(room.service.database)
    with pytest.raises(Conflict, match=r"must be a (folder without a log|new database), but holds"):
        restore(room.service.settings, tmp_path / "backup.zip")
    assert log_of(room.service.database) == before


def test_damaged_backup_leaves_no_log(room: Room, new_settings: Settings, tmp_path: Path) -> None:
    photo = room.photograph(17, START, height_mm=1.0)
    path = tmp_path / "backup.zip"
    write_backup(room.service, path)
    original = room.service.store.original(photo["sha256"]).read_bytes()
    content = path.read_bytes()
    assert content.count(original) == 1
    path.write_bytes(content.replace(original, original[::-1]))
    with pytest.raises(Refusal, match=f"photos/{photo['sha256']} must "):
        restore(new_settings, path)
    assert not new_settings.data.exists()


def test_what_postgresql_cannot_hold_leaves_its_database_new(
    tmp_path: Path, migrated_sqlite: Path, cluster: Cluster
) -> None:
    with opened(copied_log(migrated_sqlite, tmp_path / "old"), Watch(), RecordedInspector()) as old:
        good, bad = tmp_path / "good.zip", tmp_path / "bad.zip"
        write_backup(old.service, good)
        with old.service.database.write() as connection:
            values = {"kind": "water", "title": "by hand", "note": "x\x00y"}
            enter(connection, CHORE, values, old.service.entrant())
        write_backup(old.service, bad)
    url = SecretStr(fresh_database(cluster))
    with pytest.raises(Refusal) as refused:
        restore(Settings(data=tmp_path / "a", database_url=url), bad)
    assert re.fullmatch(
        r"chore has a value that this database cannot hold \(.* NUL .*\), in its rows 1 to 1; "
        "nothing was kept there",
        str(refused.value),
    )
    assert restore(Settings(data=tmp_path / "b", database_url=url), good).rows["room"] == 1


def test_export_is_no_backup(room: Room, new_settings: Settings, tmp_path: Path) -> None:
    (tmp_path / "out.zip").write_bytes(room.client.get("/api/export").content)
    with pytest.raises(Refusal, match="kind must be backup, got export: import it instead"):
        restore(new_settings, tmp_path / "out.zip")


def test_backup_is_never_written_over(room: Room, tmp_path: Path) -> None:
    (tmp_path / "backup.zip").write_bytes(b"precious")
    with pytest.raises(ValueError, match=r"backup\.zip must be a new file, but is there already"):
        write_backup(room.service, tmp_path / "backup.zip")
    assert (tmp_path / "backup.zip").read_bytes() == b"precious"


def test_api_keeps_the_last_backups(room: Room) -> None:
    names = []
    for _ in range(5):
        names.append(room.post("/api/backup")["name"])
        room.watch.forward(seconds=0 if len(names) == 1 else 61)
    assert len(set(names)) == 5
    listed = [backup["name"] for backup in room.get("/api/backup")["backups"]]
    assert listed == names[:1:-1]
    response = room.client.get(f"/api/backup/{names[-1]}")
    assert response.content[:2] == b"PK"
    assert room.client.get(f"/api/backup/{names[0]}").status_code == 404
    assert room.client.get("/api/backup/..%2Flog.sqlite").status_code == 404


def test_no_original_goes_while_an_export_is_being_sent(room: Room) -> None:
    from service.archives.export import export_log

    room.photograph(17, START, height_mm=1.0)
    stream = export_log(room.service, photos=True)
    assert room.client.post("/api/retention").status_code == 409
    assert b"".join(stream)[:2] == b"PK"
    with originals_may_go(room.service.settings.data):
        pass
