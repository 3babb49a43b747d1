"""Every error has one shape (RFC 9457), names the field and the rule, and loses nothing."""

from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.testclient import TestClient
from httpx2 import Response

from service.app import close_service, create_app
from service.settings import Settings
from tests.service.conftest import ON_THIS_MACHINE, Room, Watch
from tests.service.recorded_inspections import RecordedInspector, photo_bytes, picture_saying


def _problem(answer: Response, status: int) -> Any:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert set(problem) == {"type", "title", "status", "detail", "errors"}
    assert problem["status"] == status
    return problem


@pytest.mark.parametrize(
    ("path", "body", "field", "rule"),
    [
        ("/api/racks", {}, "body.name", "must be given"),
        ("/api/racks", {"name": " "}, "body.name", "at least 1 character"),
        ("/api/racks", {"name": "a", "colour": 1}, "body.colour", "must be left out"),
        ("/api/trays", {"number": 96}, "body.number", "must be 95 or less, got 96"),
        ("/api/trays", {"number": 1, "size": "big"}, "body.size", "such as 540x280x60, got 'big'"),
        ("/api/runs", {"tray": 1, "spread_at": "1926-01-01T00:00Z"}, "body.spread_at", "2000 to"),
        ("/api/runs", {"tray": 1, "seed": [{"lot_id": 7}]}, "lot_id", "7 is not in the log"),
        ("/api/readings", {}, "body", "a temperature or humidity must be given"),
        ("/api/shelves", {"rack_id": 9, "name": "a", "level": 1}, "rack_id", "9 is not in"),
        ("/api/people", {"name": "Eva", "role": "king"}, "body.role", "'owner', 'worker' or 'read"),
        ("/api/flags/1/snooze", {"until": "soon"}, "body.until", "must be a date with a time"),
    ],
)
def test_error_names_field_and_rule(
    room: Room, path: str, body: dict[str, Any], field: str, rule: str
) -> None:
    answer = room.client.post(path, json=body)
    problem = _problem(answer, answer.status_code)
    assert answer.status_code in (404, 422)
    assert [error["field"] for error in problem["errors"]] == [field]
    assert rule in problem["errors"][0]["rule"]
    assert rule in problem["detail"]


def test_soaking_after_spreading_is_refused_with_both_moments(room: Room) -> None:
    body = {"tray": 1, "spread_at": "2026-03-01T08:00Z", "soaked_at": "2026-03-01T09:00Z"}
    problem = _problem(room.client.post("/api/runs", json=body), 422)
    assert problem["errors"] == [
        {
            "field": "soaked_at",
            "rule": "must not be later than spread_at, "
            "got 2026-03-01 09:00 UTC and 2026-03-01 08:00 UTC",
        }
    ]
    assert room.get("/api/runs") == []


def test_harvest_before_spreading_is_refused(room: Room) -> None:
    run = room.post("/api/runs", tray=1, spread_at="2026-03-01T08:00Z")
    body = {"harvested_at": "2026-02-28T08:00Z"}
    answer = room.client.post(f"/api/runs/{run['id']}/harvests", json=body)
    assert _problem(answer, 422)["errors"][0]["field"] == "harvested_at"


def test_unknown_paths_and_methods_have_the_same_shape(room: Room) -> None:
    _problem(room.client.get("/api/nothing"), 404)
    refused = room.client.put("/api/today")
    _problem(refused, 405)
    assert refused.headers["allow"] == "GET"


def test_broken_json_is_named(room: Room) -> None:
    answer = room.client.post(
        "/api/racks", content=b'{"name": ', headers={"content-type": "application/json"}
    )
    assert _problem(answer, 422)["errors"] == [
        {"field": "body", "rule": "must be JSON that can be read, but: Expecting value"}
    ]


@pytest.mark.parametrize(
    ("content", "rule"),
    [
        (b'{"name": "\xff"}', "must be text in UTF-8, but byte 10 is not"),
        (b"[" * 100_000 + b"]" * 100_000, "must be JSON that is nested less deeply"),
    ],
)
def test_body_that_cannot_be_read_is_named(room: Room, content: bytes, rule: str) -> None:
    sent = {"content-type": "application/json"}
    problem = _problem(room.client.post("/api/racks", content=content, headers=sent), 400)
    assert problem["errors"] == [{"field": "body", "rule": rule}]
    assert problem["detail"] == f"body {rule}"


def test_empty_photo_is_refused(room: Room) -> None:
    problem = _problem(room.send(b""), 422)
    assert problem["errors"] == [
        {"field": "photo", "rule": "must have a picture in it, but the file photo-0.jpg is empty"}
    ]


def test_missing_photo_is_named(room: Room) -> None:
    answer = room.client.post("/api/photos", data={"watering": "before"})
    assert _problem(answer, 422)["errors"][0]["field"] == "body.photo"


def test_wrong_watering_names_what_is_allowed(room: Room) -> None:
    problem = _problem(room.send(photo_bytes({"number": 1}), watering="during"), 422)
    assert "'before', 'after' or 'unknown'" in problem["detail"]
    assert room.get("/api/photos")["photos"] == []


@pytest.fixture
def small(settings: Settings) -> Iterator[Room]:
    """A room that takes at most two photos of 1000 bytes."""
    limited = settings.model_copy(update={"max_photo_bytes": 1000, "max_photos": 2})
    inspector = RecordedInspector()
    app = create_app(limited, inspector=inspector)
    client = TestClient(app, raise_server_exceptions=False, **ON_THIS_MACHINE)
    yield Room(client, app.state.service, Watch(), inspector, app.state.remeasurer)
    close_service(app.state.service)


def test_photo_that_is_too_large_is_refused_with_its_size(small: Room) -> None:
    problem = _problem(small.send(b"x" * 1001), 413)
    assert problem["errors"] == [
        {"field": "photo", "rule": "must have at most 0.001 MB, but photo-0.jpg has more"}
    ]
    largest = picture_saying("x" * (1000 - len(picture_saying(""))))
    assert len(largest) == 1000
    assert small.send(largest).status_code == 201


def test_too_many_photos_are_refused_and_none_is_kept(small: Room) -> None:
    problem = _problem(small.send(b"a", b"b", b"c"), 413)
    assert problem["errors"] == [{"field": "photo", "rule": "must be at most 2 at once, got 3"}]
    assert small.get("/api/photos")["photos"] == []


@pytest.mark.parametrize("stated", [True, False])
def test_body_beyond_all_limits_is_not_read(small: Room, stated: bool) -> None:
    sent = 0

    def body() -> Any:
        nonlocal sent
        for _ in range(30):
            sent += 100_000
            yield b"x" * 100_000

    headers = {"content-type": "multipart/form-data; boundary=x"}
    if stated:
        headers["content-length"] = "3000000"
    answer = small.client.post("/api/photos", content=body(), headers=headers)
    problem = _problem(answer, 413)
    assert "body must have at most 1.002 MB" in problem["detail"]


def test_fault_of_the_service_has_the_shape_and_hides_its_insides(
    small: Room, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(*_: Any) -> None:
        raise OSError("no space left on device")

    monkeypatch.setattr(small.service.store, "keep_original", fail)
    answer = small.send(picture_saying("photo"))
    assert answer.headers["connection"] == "close"
    problem = _problem(answer, 500)
    assert "space" not in problem["detail"]
    assert "no space left" in caplog.text
    monkeypatch.undo()
    assert small.send(picture_saying("photo")).status_code == 201


@pytest.mark.parametrize(
    ("path", "most"), [("/api/login", "0.4 MB"), ("/login", "0.4 MB"), ("/api/chores", "1 MB")]
)
def test_body_without_photos_is_held_to_what_its_path_needs(
    room: Room, path: str, most: str
) -> None:
    answer = room.client.post(path, content=b"x" * 1_000_001)
    assert f"body must have at most {most}" in _problem(answer, 413)["detail"]


def test_password_of_any_length_is_not_hashed(room: Room) -> None:
    login = {"name": "Anna", "password": "x" * 1025}
    problem = _problem(room.client.post("/api/login", json=login), 422)
    rule = "must have at most 1024 characters, got 1025"
    assert problem["errors"] == [{"field": "body.password", "rule": rule}]
    form = room.client.post("/login", data=login, headers={"Accept": "text/html"})
    assert form.status_code == 422
    assert rule in form.text
