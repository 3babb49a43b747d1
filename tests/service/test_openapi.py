"""The API exercised from its own description: a property-based tool thinks up the requests."""

import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from http.cookiejar import DefaultCookiePolicy
from pathlib import Path
from typing import Any

import pytest
import requests
import schemathesis
import uvicorn
from hypothesis import HealthCheck, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.core.result import Ok
from schemathesis.generation import GenerationMode
from schemathesis.schemas import APIOperation
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
    unsupported_method,
)

from service.accounts.people import PEOPLE
from service.accounts.sessions import make_token
from service.models.accounts import NewPerson
from tests.service.conftest import START, Room, Watch, copied_database, copied_log, opened
from tests.service.recorded_inspections import RecordedInspector, photo_bytes
from tests.service.visitors import close

Operation = APIOperation[Any, Any, Any, Any]
_CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
    unsupported_method,
]
_FIXED = (
    *("POST /api/photos", "GET /api/trays/{number}", "GET /api/trays/{number}/curve"),
    *("GET /api/shelves/{thing_id}/curves", "GET /api/flags", "GET /api/today", "GET /healthz"),
)


def _connected_once() -> requests.Session:
    """A client that keeps its connection and nothing else: each request is as from a new one."""
    session = requests.Session()
    session.trust_env = False
    session.cookies.set_policy(DefaultCookiePolicy(allowed_domains=()))
    return session


@dataclass(frozen=True)
class _Asked:
    """One of the servers that are asked the same, and with what."""

    address: str
    headers: dict[str, str] = field(default_factory=dict)
    session: requests.Session = field(default_factory=_connected_once)


@pytest.fixture
def rooms(tmp_path: Path, migrated_sqlite: Path, postgres: str) -> Iterator[tuple[Room, ...]]:
    """The same room on each database: thinking a request up takes longer than asking it twice."""
    with ExitStack() as stack:
        on_each = (
            copied_log(migrated_sqlite, tmp_path / "sqlite"),
            stack.enter_context(copied_database(postgres, tmp_path / "postgresql")),
        )
        yield tuple(
            stack.enter_context(opened(one, Watch(), RecordedInspector())) for one in on_each
        )


def _furnish(room: Room) -> None:
    """One of everything, so that requests find something."""
    rack = room.post("/api/racks", name="left")["id"]
    shelf = room.post("/api/shelves", rack_id=rack, name="top", level=1)["id"]
    position = room.post("/api/positions", shelf_id=shelf, name="1")["id"]
    lot = room.post("/api/lots", name="B1")["id"]
    run = room.post("/api/runs", tray=0, seed=[{"lot_id": lot}])["id"]
    room.post("/api/trays/0/placements", shelf_id=shelf, position_id=position)
    room.post("/api/trays", number=1)
    room.post("/api/trays/1/states", state="resting")
    room.post("/api/readings", temperature_c=19.5)
    room.post("/api/chores", kind="water", title="by hand")
    room.post(f"/api/runs/{run}/harvests", weight_g=1000, ends_run=False)
    room.send(photo_bytes({"number": 0, "height_mm": 20.0}), taken_at=START.isoformat())


@contextmanager
def _served(room: Room) -> Iterator[str]:
    """The address of a real server in front of the room."""
    # Its client's lifespan is the app's: the server must not end it.
    server = uvicorn.Server(
        uvicorn.Config(room.client.app, port=0, log_level="error", lifespan="off")
    )
    thread = threading.Thread(target=server.run)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    try:
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join()


def _described(address: str) -> list[Operation]:
    """The operations that a server's description holds."""
    # The description is made for its first reader, which takes seconds on a busy machine.
    description = schemathesis.openapi.from_url(f"{address}/openapi.json", timeout=60.0)
    found = list(description.get_all_operations())
    assert all(isinstance(result, Ok) for result in found)
    return [result.ok() for result in found if isinstance(result, Ok)]


@pytest.mark.parametrize("settings", ["sqlite"], indirect=True)
def test_description_holds_the_fixed_paths(room: Room) -> None:
    with _served(room) as address:
        assert {operation.label for operation in _described(address)} >= set(_FIXED)


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE])
def test_answers_are_as_described(rooms: tuple[Room, ...], mode: GenerationMode) -> None:
    with ExitStack() as stack:
        asked = [_Asked(stack.enter_context(_served(room))) for room in rooms]
        for room in rooms:
            _furnish(room)
        # A password made up on the way would close the room to all that follows.
        for operation in _of_mode(_described(asked[0].address), mode, accounts=False):
            _exercise(operation, mode, asked)
    for room in rooms:
        assert "trayvision-open-room" in room.client.get("/api/today").headers


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE])
def test_log_ins_and_people_answer_as_described(
    rooms: tuple[Room, ...], mode: GenerationMode
) -> None:
    with ExitStack() as stack:
        addresses = [stack.enter_context(_served(room)) for room in rooms]
        operations = _described(addresses[0])
        for room in rooms:
            close(room)
        for number, operation in enumerate(_of_mode(operations, mode, accounts=True)):
            # An owner for each: what is tried may end all that the one before had.
            secrets = [_another_owners_token(room, number) for room in rooms]
            asked = [
                _Asked(address, {"Authorization": f"Bearer {secret}"})
                for address, secret in zip(addresses, secrets, strict=True)
            ]
            _exercise(operation, mode, asked)
    for room in rooms:
        assert room.client.get("/api/today").status_code == 401


def _of_mode(
    operations: list[Operation], mode: GenerationMode, *, accounts: bool
) -> Iterator[Operation]:
    for operation in operations:
        said = operation.definition.raw
        if ("accounts" in said["tags"]) is not accounts:
            continue
        # What takes nothing cannot be given anything wrong.
        if mode is GenerationMode.POSITIVE or said.keys() & {"parameters", "requestBody"}:
            yield operation


def _another_owners_token(room: Room, number: int) -> str:
    by = room.service.entrant()
    with room.service.database.write() as connection:
        new = NewPerson.model_validate({"name": f"owner {number}", "role": "owner"})
        person_id = PEOPLE.add(connection, new, by).id
        values = {"name": "tool", "role": "owner", "person_id": person_id, "made_at": by.at}
        return make_token(connection, values)[1]


def _exercise(operation: Operation, mode: GenerationMode, asked: list[_Asked]) -> None:
    @given(case=operation.as_strategy(generation_mode=mode))
    @settings(max_examples=4, suppress_health_check=list(HealthCheck), deadline=None)
    def check(case: Any) -> None:
        for server in asked:
            case.call_and_validate(
                server.address, session=server.session, checks=_CHECKS, headers=server.headers
            )

    check()
