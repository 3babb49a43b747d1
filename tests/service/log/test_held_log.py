"""A log in a file that another program holds: nobody waits for ever, and nothing is lost."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
import sqlalchemy as sa

from service.flags import attention_watch
from service.log import database
from service.log.database import Database
from service.log.refusals import DatabaseAway
from service.log.schema import ROOM
from service.photos import remeasuring
from service.settings import Settings
from tests.service.conftest import Room, copied_log
from tests.service.interrupted_work import (
    card_with_a_photo,
    corrected_but_not_measured,
    files,
)
from tests.service.recorded_inspections import photo_bytes
from trayvision.__main__ import USAGE_ERROR, main

HELD = "database must be free for writing, and was not for 0.05 s: what was acknowledged before is"


@pytest.fixture(autouse=True)
def _nobody_waits_long(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database, "_BUSY_SECONDS", 0.05)
    monkeypatch.setattr(attention_watch, "_RETRY_SECONDS", 0.05)
    monkeypatch.setattr(remeasuring, "_RETRY_SECONDS", 0.05)


@pytest.fixture
def settings(tmp_path: Path, migrated_sqlite: Path) -> Settings:
    return copied_log(migrated_sqlite, tmp_path / "data")


@contextmanager
def held(settings: Settings) -> Iterator[None]:
    """Another program is in the middle of writing meanwhile."""
    path = settings.data / "log.sqlite"
    # It waits for its turn as long as it takes.
    with closing(sqlite3.connect(path, isolation_level=None, timeout=60.0)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


def test_entries_are_refused_with_what_to_do_while_the_log_can_be_read(
    room: Room, settings: Settings
) -> None:
    content = photo_bytes({"number": 17})
    with held(settings):
        refused = [room.client.post("/api/trays", json={"number": 3}), room.send(content)]
        page = room.client.post("/snap", files={"photo": ("a.jpg", content)})
        assert room.get("/api/trays")["trays"] == []
        assert room.client.get("/", headers={"accept": "text/html"}).status_code == 200
    for answer in refused:
        assert answer.status_code == 503
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.headers["retry-after"] == "10"
        assert HELD in answer.json()["detail"]
        assert "look which other program has log.sqlite open" in answer.json()["detail"]
    assert page.status_code == 503
    assert "look which other program has log.sqlite open" in page.text
    assert files(room) == []
    assert room.get("/api/trays")["trays"] == []
    assert room.send(content).status_code == 201
    room.post("/api/trays", number=3)


def test_watched_folder_keeps_its_photos_meanwhile(
    room: Room, settings: Settings, tmp_path: Path
) -> None:
    look = card_with_a_photo(room, tmp_path)
    look()
    with held(settings):
        look()
        assert files(room) == []
    look()
    assert files(room) == ["1.jpg"]


def test_photos_are_measured_again_once_it_is_free(room: Room, settings: Settings) -> None:
    measure = corrected_but_not_measured(room)
    with held(settings):
        measure()
    room.remeasured()
    assert room.get("/api/trays/17")["latest"]["trays"][0]["day"] == 2.25


def test_other_errors_of_a_file_are_not_taken_for_it(room: Room) -> None:
    with (
        pytest.raises(sa.exc.OperationalError, match="no such table: lost"),
        room.service.database.read() as asked,
    ):
        asked.exec_driver_sql("SELECT * FROM lost")


def test_log_that_nobody_else_may_even_read_is_not_called_damaged(
    settings: Settings,
) -> None:
    log = Database(settings.sqlalchemy_url())
    with closing(sqlite3.connect(settings.data / "log.sqlite")) as other:
        other.execute("PRAGMA locking_mode = EXCLUSIVE")
        other.execute("CREATE TABLE held (content)")
        with pytest.raises(ValueError, match=r"log\.sqlite is held by another program"):
            log.check()
        with pytest.raises(DatabaseAway, match=HELD), log.read() as asked:
            asked.execute(sa.select(ROOM))
    log.check()
    log.close()


def test_command_says_that_the_log_is_held(
    settings: Settings, capsys: pytest.CaptureFixture[str]
) -> None:
    with held(settings):
        assert main(["serve", "--data", str(settings.data), "--port", "0"]) == USAGE_ERROR
    assert f"trayvision serve: {HELD}" in capsys.readouterr().err
