"""Requests that foreign pages make a browser send are refused; so is what is not this machine's."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.requests import HTTPConnection
from starlette.websockets import WebSocketDisconnect

from service.accounts.gate import OPEN_ROOM_HEADER
from service.accounts.origin import from_this_machine, is_forged, is_loopback
from service.accounts.security_headers import HEADERS, PICTURE_POLICY
from tests.service.conftest import Room
from tests.service.visitors import ADDRESS, OWNER, browser, close, program, refused, token

_FOREIGN = [
    {"Origin": "https://elsewhere.example"},
    {"Origin": "null"},
    {"Origin": "http://room.example"},
    {"Origin": "http://room.example:8017.elsewhere.example"},
    {"Origin": "file://room.example:8017"},
    {"Origin": "http://[broken"},
    {"Sec-Fetch-Site": "cross-site", "Origin": ADDRESS},
    {"Sec-Fetch-Site": "same-site", "Origin": ADDRESS},
]


def test_forged_requests_are_refused(room: Room) -> None:
    close(room)
    cookies = dict(browser(room, OWNER).cookies)
    body = {"name": "left"}
    for headers in [*_FOREIGN, {}]:
        client = program(room, **headers)
        client.cookies.update(cookies)
        refused(client.post("/api/racks", json=body), 403, "origin")
        # To look on is no change, and what is shown no foreign page can read.
        assert client.get("/api/racks").json() == []
    for headers in ({"Origin": ADDRESS}, {"Sec-Fetch-Site": "same-origin"}):
        client = program(room, **headers)
        client.cookies.update(cookies)
        assert client.post("/api/racks", json={"name": str(headers)}).status_code == 201


def test_forged_log_in_is_refused_and_a_programs_is_not(room: Room) -> None:
    close(room)
    for headers in _FOREIGN:
        refused(program(room, **headers).post("/api/login", json=OWNER), 403, "origin")
    assert program(room).post("/api/login", json=OWNER).status_code == 200


def test_token_needs_no_origin(room: Room) -> None:
    close(room)
    made = token(browser(room, OWNER), name="script", role="worker")
    script = program(room, Authorization=f"Bearer {made['secret']}", **_FOREIGN[0])
    assert script.post("/api/racks", json={"name": "left"}).status_code == 201


def test_open_room_is_open_to_this_machine_only(room: Room) -> None:
    for headers in (
        {"X-Forwarded-For": "127.0.0.1"},
        {"Forwarded": "for=127.0.0.1"},
        {"Host": "elsewhere.example"},
        {"Host": "192.168.1.4:8017"},
        {"Host": ""},
    ):
        refused(room.client.get("/api/today", headers=headers), 403, "host")
    refused(program(room).get("/api/today"), 403, "host")
    refused(program(room, Host="localhost").post("/api/people", json={}), 403, "host")
    refused(program(room, Host="localhost", X_Forwarded_For="127.0.0.1").get("/"), 403, "host")
    assert room.get("/api/people") == []
    for headers in _FOREIGN:
        body = {**OWNER, "role": "owner"}
        refused(room.client.post("/api/people", json=body, headers=headers), 403, "origin")
    own = {"Origin": "http://localhost"}
    answer = room.client.post("/api/racks", json={"name": "left"}, headers=own)
    assert answer.status_code == 201
    assert OPEN_ROOM_HEADER in answer.headers


def test_forwarded_address_is_not_believed(room: Room) -> None:
    close(room)
    wrong = {"name": "Anna", "password": "barley by the door"}
    # Whoever could choose an address would never be slowed down by it.
    codes = [
        program(room, X_Forwarded_For=f"198.51.100.{number}")
        .post("/api/login", json={**wrong, "name": f"name {number}"})
        .status_code
        for number in range(21)
    ]
    assert codes == [401] * 20 + [429]


def test_every_answer_has_the_security_headers(room: Room) -> None:
    close(room)
    owner = browser(room, OWNER)
    answers = [
        program(room).get("/healthz"),
        program(room).head("/healthz"),
        program(room).get("/api/today"),
        owner.get("/api/today"),
        owner.get("/nothing"),
        owner.post("/api/racks", json={}),
    ]
    assert [answer.status_code for answer in answers] == [200, 200, 401, 200, 404, 422]
    for answer in answers:
        assert {name: answer.headers[name] for name in HEADERS} == HEADERS
    assert "default-src 'self'" in HEADERS["Content-Security-Policy"]
    assert "frame-ancestors 'none'" in HEADERS["Content-Security-Policy"]


def test_only_pictures_have_a_policy_of_their_own_and_it_runs_nothing(room: Room) -> None:
    page = program(room).get("/help").headers["Content-Security-Policy"]
    assert "unsafe" not in page and page == HEADERS["Content-Security-Policy"]
    picture = program(room).get("/static/mark.svg").headers["Content-Security-Policy"]
    assert picture == PICTURE_POLICY
    assert "default-src 'none'" in picture and "script-src" not in picture
    assert "frame-ancestors 'none'" in picture


def test_websockets_are_refused(room: Room) -> None:
    with (
        pytest.raises(WebSocketDisconnect) as refusal,
        room.client.websocket_connect("/healthz"),
    ):
        pass
    assert refusal.value.code == 1008


def _request(method: str, peer: str | None, **headers: str) -> HTTPConnection:
    scope: dict[str, Any] = {
        "type": "http",
        "method": method,
        "path": "/",
        "client": None if peer is None else (peer, 1),
        "headers": [(name.encode(), value.encode("latin-1")) for name, value in headers.items()],
    }
    return HTTPConnection(scope)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.0.1", "::1", "::ffff:127.0.0.1", "localhost"])
def test_loopback(host: str) -> None:
    assert is_loopback(host)


@pytest.mark.parametrize(
    "host", ["", "0.0.0.0", "::", "192.168.1.4", "::ffff:10.0.0.1", "localhost.example", "127.1"]
)
def test_not_loopback(host: str) -> None:
    assert not is_loopback(host)
    assert not from_this_machine(_request("GET", host or None, host="localhost"))


@given(st.text(alphabet=st.characters(max_codepoint=255), max_size=40))
def test_any_host_and_origin_are_judged_without_a_fault(text: str) -> None:
    from_this_machine(_request("GET", "127.0.0.1", host=text))
    request = _request("POST", None, host="room.example", origin=text)
    own = text.lower().startswith(("http://room.example", "https://room.example"))
    assert is_forged(request, must_say=True) or own
