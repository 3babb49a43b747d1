"""Those who come to a room in tests: browsers and programs, from elsewhere."""

from typing import Any

from argon2 import PasswordHasher
from fastapi import FastAPI
from fastapi.testclient import TestClient
from httpx2 import Response

from service.accounts.passwords import Passwords
from tests.service.conftest import Room

ADDRESS = "http://room.example:8017"
OWNER = {"name": "Anna", "password": "barley by the window"}
WORKER = {"name": "Ben", "password": "water at half past six"}
READER = {"name": "Cleo", "password": "only here to look around"}


# Most tests are not about what a hash costs.
QUICK_HASHER = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)


def use_passwords(room: Room, passwords: Passwords) -> None:
    """Have a room hash and compare passwords in another way."""
    assert isinstance(room.client.app, FastAPI)
    room.client.app.state.passwords = passwords


def program(room: Room, *, peer: str = "192.0.2.7", **headers: str) -> TestClient:
    """A client on another machine, without a cookie so far."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return TestClient(room.client.app, base_url=ADDRESS, client=(peer, 40_000), headers=named)


def browser(room: Room, who: dict[str, str], **kwargs: str) -> TestClient:
    """Somebody logged in in a browser, on the service's own pages."""
    client = program(room, Origin=ADDRESS, **kwargs)
    answer = client.post("/api/login", json=who)
    assert answer.status_code == 200, answer.text
    return client


def close(room: Room) -> int:
    """Set the first owner's password; returns the owner's id."""
    use_passwords(room, Passwords(QUICK_HASHER))
    person: dict[str, Any] = room.post("/api/people", **OWNER, role="owner")
    return int(person["id"])


def close_with_people(room: Room) -> dict[str, int]:
    """An owner, a worker and one who only reads; their ids by role."""
    others = {"worker": WORKER, "read-only": READER}
    ids = {"owner": close(room)}
    owner = browser(room, OWNER)
    for role, who in others.items():
        answer = owner.post("/api/people", json={**who, "role": role})
        assert answer.status_code == 201, answer.text
        ids[role] = answer.json()["id"]
    return ids


def token(owner: TestClient, **said: Any) -> Any:
    """Make a token as its owner would."""
    answer = owner.post("/api/tokens", json=said)
    assert answer.status_code == 201, answer.text
    return answer.json()


def refused(answer: Response, status: int, *fields: str) -> Any:
    """A refusal in the one shape of all errors."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert problem["status"] == status
    if fields:
        assert tuple(error["field"] for error in problem["errors"]) == fields
    return problem
