"""A PostgreSQL that goes away while the service runs, and comes back."""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from pydantic import SecretStr

from service.background import Rounds
from service.flags import attention_watch
from service.flags.flag_log import Notice, notice
from service.log.database import Database
from service.log.refusals import DatabaseAway
from service.log.schema import ROOM
from service.messages.notifications import Notifier
from service.photos import remeasuring
from service.settings import Settings
from tests.service.conftest import START, Room, fresh_database
from tests.service.interrupted_work import (
    card_with_a_photo,
    corrected_but_not_measured,
    files,
)
from tests.service.postgres_cluster import Cluster
from tests.service.recorded_inspections import photo_bytes

AWAY = "database must answer, and does not: what was acknowledged before is kept, this is not."


@pytest.fixture
def settings(cluster: Cluster, tmp_path: Path) -> Settings:
    address = SecretStr(fresh_database(cluster))
    return Settings(data=tmp_path / "data", database_url=address, round_seconds=3600.0)


@pytest.fixture(autouse=True)
def _asked_again_soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(attention_watch, "_RETRY_SECONDS", 0.05)
    monkeypatch.setattr(remeasuring, "_RETRY_SECONDS", 0.05)


@contextmanager
def away(cluster: Cluster) -> Iterator[None]:
    """No server meanwhile; connections to it break as when its machine loses its power."""
    cluster.stop()
    try:
        yield
    finally:
        cluster.start()


def test_requests_are_refused_with_what_to_do_and_answered_once_it_is_back(
    room: Room, cluster: Cluster
) -> None:
    content = photo_bytes({"number": 17})
    with away(cluster):
        refused = [
            room.client.get("/api/today"),
            room.client.get("/healthz"),
            room.client.post("/api/trays", json={"number": 3}),
            room.send(content),
        ]
        page = room.client.get("/", headers={"accept": "text/html"})
    for answer in refused:
        assert answer.status_code == 503
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.headers["retry-after"] == "10"
        assert AWAY in answer.json()["detail"]
        assert "look whether PostgreSQL runs" in answer.json()["detail"]
    assert page.status_code == 503
    assert page.headers["retry-after"] == "10"
    assert "what was acknowledged before is kept, this is not" in page.text
    assert room.get("/api/photos")["photos"] == []
    assert room.get("/api/trays")["trays"] == []
    assert room.send(content).status_code == 201


def test_photo_whose_record_finds_no_database_can_be_sent_again(
    room: Room, cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = photo_bytes({"number": 17})
    inspect = room.inspector.inspect

    def stops_meanwhile(job: Any) -> Any:
        cluster.stop()
        return inspect(job)

    with monkeypatch.context() as patched:
        patched.setattr(room.inspector, "inspect", stops_meanwhile)
        answer = room.send(content)
    cluster.start()
    assert answer.status_code == 503
    assert files(room) == []
    assert room.send(content).status_code == 201
    assert len(files(room)) == 1


def test_entry_that_was_being_kept_is_not_said_to_be_lost(room: Room, cluster: Cluster) -> None:
    database = room.service.database

    def keep() -> None:
        with database.write() as connection:
            connection.execute(sa.select(ROOM))
            cluster.stop()

    with pytest.raises(DatabaseAway, match="look whether it is there before you enter it again"):
        keep()
    cluster.start()


def test_question_under_way_is_refused_and_other_errors_are_not(
    room: Room, cluster: Cluster
) -> None:
    database = room.service.database

    def ask() -> None:
        with database.read() as connection:
            cluster.stop()
            connection.execute(sa.select(ROOM))

    with pytest.raises(sa.exc.ProgrammingError, match="does not exist"), database.read() as asked:
        asked.exec_driver_sql("SELECT * FROM lost")
    with pytest.raises(DatabaseAway, match="must answer, and does not"):
        ask()
    cluster.start()


def test_watched_folder_keeps_its_photos_meanwhile(
    room: Room, cluster: Cluster, tmp_path: Path
) -> None:
    look = card_with_a_photo(room, tmp_path)
    look()
    with away(cluster), pytest.raises(DatabaseAway, match="must answer"):
        look()
    look()
    assert files(room) == ["1.jpg"]
    look()
    assert files(room) == ["1.jpg"]


def test_photos_are_measured_again_once_it_is_back(room: Room, cluster: Cluster) -> None:
    measure = corrected_but_not_measured(room)
    with away(cluster):
        measure()
    room.remeasured()
    assert room.get("/api/trays/17")["latest"]["trays"][0]["day"] == 2.25


def test_flags_are_worked_out_once_it_is_back(
    room: Room, cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    app: Any = room.client.app
    watch, gone, done = app.state.attention, threading.Event(), threading.Event()
    worked_out: Callable[[], None] = watch._look

    def look() -> None:
        began_without = gone.is_set()
        worked_out()
        if began_without:
            done.set()

    monkeypatch.setattr(watch, "_look", look)
    with away(cluster):
        gone.set()
        watch(room.service, [1])
        assert not done.is_set()
    assert done.wait(60)


def test_message_that_went_out_meanwhile_is_not_sent_again(room: Room, cluster: Cluster) -> None:
    app: Any = room.client.app
    # It would find that nothing in the log bears out a flag that is entered by hand.
    app.state.attention.close()
    sent: list[str] = []

    def send(_address: str, title: str, _text: str) -> None:
        sent.append(title)
        cluster.stop()

    mould = Notice(
        cause="possible mould/17",
        kind="possible mould",
        level="hold",
        urgency=9.0,
        since=START,
        at=START,
        reason="Tray 17: white fuzz, 14 mm across.",
        look="Wet it, smell it.",
    )
    room.watch.forward(hours=2)
    room.post("/api/notifications/targets", name="Phone", address="json://127.0.0.1:9/token-1")
    with room.service.database.write() as connection:
        notice(connection, mould, room.service.entrant())
    notifier = Notifier(room.service, send)
    with pytest.raises(DatabaseAway, match="must answer"):
        notifier.look()
    cluster.start()
    room.watch.forward(hours=2)
    notifier.look()
    assert len(sent) == 1
    assert room.get("/api/notifications")["notifications"][0]["state"] == "sent"


def test_round_that_finds_no_database_comes_later(
    room: Room, cluster: Cluster, caplog: pytest.LogCaptureFixture
) -> None:
    """Without a report of a fault at every round, which would hide true ones."""
    tried, answered = threading.Event(), threading.Event()

    def work() -> None:
        try:
            with room.service.database.read() as connection:
                connection.execute(sa.select(ROOM))
        except DatabaseAway:
            tried.set()
            raise
        answered.set()

    rounds = Rounds("a test", 0.01, work)
    with away(cluster):
        rounds.start()
        assert tried.wait(60)
    assert answered.wait(60)
    rounds.close()
    faults = [record.message for record in caplog.records if record.levelname == "ERROR"]
    assert faults
    assert all(fault.startswith("the database does not answer: ") for fault in faults)
    assert "the database answers again" in caplog.text


def test_service_says_before_it_starts_that_none_answers(
    settings: Settings, cluster: Cluster
) -> None:
    database = Database(settings.sqlalchemy_url())
    with away(cluster), pytest.raises(ValueError, match="database_url: the database does not ans"):
        database.check()
    database.check()
    database.close()
