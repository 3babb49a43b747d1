"""A full disk loses nothing and is said as such; what could not be kept comes in later."""

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
import pytest
import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError

from service.log.full_disk import is_full_disk
from tests.service.conftest import Room
from tests.service.picture_servers import http_camera, jpeg, sends
from tests.service.recorded_inspections import photo_bytes


@contextmanager
def _full_disk() -> Iterator[None]:
    """No file reaches the disk; the kernel's own error, at the call that waits for the disk."""

    def fails(_handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("service.photos.photo_store.os.fsync", fails)
        yield


def test_photo_is_refused_while_the_disk_is_full_and_kept_once_it_is_not(room: Room) -> None:
    content = photo_bytes({"number": 17})
    with _full_disk():
        answer = room.send(content)
        page = room.client.post("/snap", files={"photo": ("a.jpg", content)})
    assert answer.status_code == 507
    assert answer.headers["content-type"] == "application/problem+json"
    assert "disk is full: nothing of this request is in the log" in answer.json()["detail"]
    assert page.status_code == 507
    assert "disk is full" in page.text
    assert room.get("/api/photos")["photos"] == []
    assert list(room.service.store.folder.rglob(".new-*")) == []
    assert room.send(content).status_code == 201


def test_entry_is_refused_while_the_disk_is_full(room: Room) -> None:
    def fails(*_: Any) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("service.log.entries.sa.insert", fails)
        answer = room.client.post("/api/trays", json={"number": 3})
    assert answer.status_code == 507
    assert room.get("/api/trays")["trays"] == []


def test_watched_folder_waits_for_room_on_the_disk(room: Room, tmp_path: Path) -> None:
    app: Any = room.client.app
    (tmp_path / "card").mkdir()
    room.post("/api/cameras", name="Card", kind="folder", address=str(tmp_path / "card"))
    (tmp_path / "card" / "1.jpg").write_bytes(jpeg())

    def look() -> list[str]:
        room.watch.forward(seconds=5)
        app.state.cameras.look()
        app.state.cameras.finish()
        return [photo["file"] for photo in room.get("/api/photos")["photos"]]

    with _full_disk():
        assert (look(), look(), look()) == ([], [], [])
    assert look() == ["1.jpg"]


def test_camera_whose_picture_finds_no_room_says_so(room: Room) -> None:
    with http_camera(sends(jpeg())) as camera, _full_disk():
        made = room.post("/api/cameras", name="Aisle", kind="snapshot", address=camera.address())
        shot = room.post(f"/api/cameras/{made['id']}/shot")
    assert shot["outcome"] == "failed"
    assert "disk is full" in shot["error"]


def test_full_databases_are_told_from_other_errors(tmp_path: Path) -> None:
    engine = sa.create_engine(f"sqlite:///{tmp_path / 'small.sqlite'}")
    with engine.connect() as connection:
        connection.exec_driver_sql("CREATE TABLE kept (content BLOB)")
        connection.exec_driver_sql("PRAGMA max_page_count = 4")
        with pytest.raises(DBAPIError, match="database or disk is full") as full:
            connection.exec_driver_sql("INSERT INTO kept VALUES (zeroblob(100000))")
        with pytest.raises(DBAPIError, match="no such table") as other:
            connection.exec_driver_sql("SELECT * FROM lost")
    engine.dispose()
    # PostgreSQL's error as its driver raises it; its cluster's disk cannot be filled here.
    postgresql = DBAPIError("INSERT", None, psycopg.errors.DiskFull("No space left on device"))
    assert [is_full_disk(one) for one in (full.value, other.value, postgresql)] == [
        True,
        False,
        True,
    ]
    # As a backup meets it, which asks SQLite itself.
    assert full.value.orig is not None
    assert is_full_disk(full.value.orig)
    assert not is_full_disk(PermissionError(errno.EACCES, "Permission denied"))
