"""Rooms for tests: each test has a fresh log, on SQLite and on PostgreSQL."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import psycopg
import pytest
from fastapi.testclient import TestClient
from httpx2 import Response
from pydantic import SecretStr

from service.app import create_app
from service.context import Service
from service.log.database import Database
from service.photos.remeasuring import Remeasurer
from service.settings import Settings
from tests.quick_databases import quick_databases
from tests.service.postgres_cluster import Cluster, private_cluster, server_programs
from tests.service.recorded_inspections import RecordedInspector, photo_bytes

TEMPLATE = "migrated"


def database_address(cluster: str, name: str) -> str:
    """Address of one database of a private cluster."""
    return cluster.replace("/postgres?", f"/{name}?")


def sqlalchemy_address(cluster: str, name: str) -> str:
    return database_address(cluster, name).replace("postgresql://", "postgresql+psycopg://")


# Where no password is set, only requests of this machine to itself are answered.
ON_THIS_MACHINE: dict[str, Any] = {
    "base_url": "http://localhost",
    "client": ("127.0.0.1", 50_000),
}
# Tests themselves say when cameras and messages are looked at.
OF_TESTS: dict[str, Any] = {"time_zone": "Europe/Vienna", "round_seconds": 3600.0}
START = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)


@pytest.fixture(scope="session", autouse=True)
def _quick_databases() -> Iterator[None]:
    with quick_databases():
        yield


@pytest.fixture(scope="session")
def postgres() -> Iterator[str]:
    with private_cluster(server_programs()) as cluster:
        address = cluster.address
        # Every test's room is a copy of this one, which is quicker than migrating each.
        with psycopg.connect(address, autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {TEMPLATE}")
        migrated = Database(sqlalchemy_address(address, TEMPLATE))
        migrated.migrate()
        migrated.close()
        yield address


@pytest.fixture(scope="module")
def cluster() -> Iterator[Cluster]:
    """A server of one file's own, to stop or to lock: nobody else misses it."""
    with private_cluster(server_programs()) as own:
        yield own


def fresh_database(cluster: Cluster) -> str:
    """The address of a new, empty database."""
    name = f"log_{uuid4().hex}"
    with psycopg.connect(cluster.address, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return database_address(cluster.address, name)


@pytest.fixture(scope="session")
def migrated_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log of the newest schema without a row, to copy."""
    path = tmp_path_factory.mktemp("migrated") / "log.sqlite"
    database = Database(f"sqlite:///{path}")
    database.migrate()
    database.close()
    return path


def copied_log(log: Path, data: Path) -> Settings:
    """Settings of a room on SQLite that begins as a copy of a log."""
    data.mkdir()
    shutil.copy(log, data)
    return Settings(data=data, **OF_TESTS)


@contextmanager
def copied_database(cluster: str, data: Path) -> Iterator[Settings]:
    """Settings of a room on PostgreSQL that begins as a copy of the migrated log."""
    name = f"log_{uuid4().hex}"
    with psycopg.connect(cluster, autocommit=True) as connection:
        # Since 15 it would otherwise copy through its log, for over twice the processor time.
        copying = "STRATEGY file_copy" if connection.info.server_version >= 150_000 else ""
        connection.execute(f"CREATE DATABASE {name} TEMPLATE {TEMPLATE} {copying}")
        yield Settings(
            data=data, database_url=SecretStr(database_address(cluster, name)), **OF_TESTS
        )
        connection.execute(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(params=["sqlite", "postgresql"])
def settings(
    request: pytest.FixtureRequest, tmp_path: Path, migrated_sqlite: Path
) -> Iterator[Settings]:
    """Settings of a fresh room on each database."""
    if request.param == "sqlite":
        yield copied_log(migrated_sqlite, tmp_path / "data")
        return
    with copied_database(request.getfixturevalue("postgres"), tmp_path / "data") as copied:
        yield copied


@dataclass
class Watch:
    """A clock that tests set."""

    now: datetime = START

    def __call__(self) -> datetime:
        return self.now

    def forward(self, **time: float) -> None:
        self.now += timedelta(**time)


@contextmanager
def looked_at_last(service: Service) -> Iterator[None]:
    """What is entered in the block is looked at once, at its end: quicker for a long past."""
    watchers, changed = list(service.watchers), set[int]()
    service.watchers[:] = [lambda _service, tray_ids: changed.update(tray_ids)]
    yield
    service.watchers[:] = watchers
    for watcher in watchers:
        watcher(service, sorted(changed))


@dataclass
class Room:
    """A service in a test, spoken to as any client does."""

    client: TestClient
    service: Service
    watch: Watch
    inspector: RecordedInspector
    remeasurer: Remeasurer

    def remeasured(self) -> None:
        """Wait until what runs in the background is done."""
        self.remeasurer.wait()

    def looked_at_last(self) -> AbstractContextManager[None]:
        return looked_at_last(self.service)

    def get(self, path: str, **query: Any) -> Any:
        response = self.client.get(path, params=query)
        assert response.status_code == 200, response.text
        return response.json()

    def post(self, path: str, **body: Any) -> Any:
        response = self.client.post(path, json=body)
        assert response.status_code in (200, 201), response.text
        return response.json()

    def patch(self, path: str, **body: Any) -> Any:
        response = self.client.patch(path, json=body)
        assert response.status_code == 200, response.text
        return response.json()

    def send(self, *photos: bytes, **form: str) -> Response:
        files = [
            ("photo", (f"photo-{number}.jpg", content, "image/jpeg"))
            for number, content in enumerate(photos)
        ]
        return self.client.post("/api/photos", files=files, data=form)

    def photograph(self, tray: int, at: datetime, **said: Any) -> Any:
        """Send a photo of one tray; returns its record."""
        form = {name: str(said.pop(name)) for name in ("watering", "camera") if name in said}
        content = photo_bytes({"number": tray, **said}, taken_at=at.isoformat())
        response = self.send(content, **form)
        assert response.status_code == 201, response.text
        return response.json()["photos"][0]


@contextmanager
def opened(settings: Settings, watch: Watch, inspector: RecordedInspector) -> Iterator[Room]:
    """The service over these settings, until the block ends."""
    app = create_app(settings, inspector=inspector, clock=watch)
    with TestClient(app, **ON_THIS_MACHINE) as client:
        yield Room(client, app.state.service, watch, inspector, app.state.remeasurer)


@pytest.fixture
def watch() -> Watch:
    return Watch()


@pytest.fixture
def inspector() -> RecordedInspector:
    return RecordedInspector()


@pytest.fixture
def open_room(
    settings: Settings, watch: Watch, inspector: RecordedInspector
) -> Iterator[Callable[[], Room]]:
    """Open the same room, as often as a test wants to start it."""
    with ExitStack() as stack:
        yield lambda: stack.enter_context(opened(settings, watch, inspector))


@pytest.fixture
def room(open_room: Callable[[], Room]) -> Room:
    return open_room()
