"""The command: an owner's password at the machine, and where the service may listen."""

import argparse
import io
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx2
import pytest
from pydantic import ValidationError

from service import serve_command
from service.accounts.passwords import Passwords
from service.app import close_service, open_service
from service.log.account_tables import LOGIN_SESSION
from service.serve_command import add_serve, run_serve
from service.settings import Settings
from tests.service.conftest import Room
from tests.service.visitors import OWNER, browser, close_with_people, refused

ROOT = Path(__file__).parents[3]
_SERVE = (
    "import argparse, sys; from service.serve_command import add_serve, run_serve\n"
    "parser = argparse.ArgumentParser(); add_serve(parser)\n"
    "sys.exit(run_serve(parser.parse_args()))"
)


def _run(*words: str) -> int:
    parser = argparse.ArgumentParser()
    add_serve(parser)
    return run_serve(parser.parse_args(words))


def _set_password(monkeypatch: pytest.MonkeyPatch, data: Path, *lines: str) -> int:
    monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\n" for line in lines)))
    return _run("--data", str(data), "--set-password")


@contextmanager
def _served(data: Path, *words: str, **settings: str) -> Iterator[str]:
    """A real server; gives the address that it says it listens on."""
    environment = {f"TRAYVISION_{name.upper()}": value for name, value in settings.items()}
    process = subprocess.Popen(
        [sys.executable, "-c", _SERVE, "--data", str(data), "--port", "0", *words],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    with process, process.stderr as log:
        try:
            lines = iter(log.readline, "")
            found = (re.search(r"running on (http://[\d.]+:\d+)", line) for line in lines)
            yield next(match[1] for match in found if match)
        finally:
            process.terminate()


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.1.4", "barn.example", "::"])
def test_other_machines_are_not_served_without_a_password(tmp_path: Path, host: str) -> None:
    rule = f"must be this machine's own (127.0.0.1) while no password is set, got {host!r}; set one"
    with pytest.raises(ValueError, match=re.escape(rule)):
        _run("--data", str(tmp_path / "room"), "--host", host)


def test_room_with_a_password_is_served_to_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    data = tmp_path / "room"
    assert _set_password(monkeypatch, data, *OWNER.values()) == 0
    said = capsys.readouterr()
    assert "The password of Anna is set" in said.out
    # A room elsewhere may have been meant.
    assert f"A new room was begun in {data}. If" in said.out
    _set_password(monkeypatch, data, *OWNER.values())
    assert "A new room" not in capsys.readouterr().out
    assert OWNER["password"] not in said.out + said.err
    with _served(data, "--host", "0.0.0.0") as address:
        here = address.replace("0.0.0.0", "127.0.0.1")
        # What a proxy would say is not believed, though it comes from this machine.
        proxied = {"X-Forwarded-Proto": "https", "X-Forwarded-For": "198.51.100.1"}
        with httpx2.Client(base_url=here, headers=proxied) as client:
            assert client.get("/healthz").json() == {"status": "ok"}
            assert client.get("/api/today").status_code == 401
            answer = client.post("/api/login", json=OWNER)
            assert answer.status_code == 200
            assert "Secure" not in answer.headers["set-cookie"]
            assert client.get("/api/today").status_code == 200
            assert client.post("/api/racks", json={"name": "left"}).status_code == 403
            rack = client.post("/api/racks", json={"name": "left"}, headers={"Origin": here})
            assert rack.json()["entered_by"] == 1


def test_named_proxy_is_believed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = tmp_path / "room"
    _set_password(monkeypatch, data, *OWNER.values())
    with _served(data, trusted_proxies="127.0.0.1") as address:
        headers = {"X-Forwarded-Proto": "https", "X-Forwarded-For": "198.51.100.1"}
        answer = httpx2.post(f"{address}/api/login", json=OWNER, headers=headers)
    assert answer.status_code == 200
    assert answer.headers["set-cookie"].endswith("; Secure")


@pytest.mark.parametrize("text", ["*", "barn.example", "10.0.0.1, *"])
def test_proxies_must_be_addresses(text: str) -> None:
    with pytest.raises(ValidationError, match="does not appear to be an IPv4 or IPv6 network"):
        Settings(trusted_proxies=text)
    assert Settings(trusted_proxies="10.0.0.0/8, ::1").trusted_proxies


def test_password_set_at_the_machine_ends_what_came_before(
    room: Room, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    close_with_people(room)
    desk = browser(room, OWNER)
    for _ in range(3):
        desk.post("/api/login", json={**OWNER, "password": "barley by the door"})
    refused(desk.post("/api/login", json=OWNER), 429)
    monkeypatch.setattr(serve_command, "settings_from", lambda _: settings)
    assert _set_password(monkeypatch, settings.data, "anna", "rye on the upper shelf") == 0
    refused(desk.get("/api/me"), 401)
    room.client.app.state.passwords = Passwords()  # type: ignore[attr-defined]
    browser(room, {**OWNER, "password": "rye on the upper shelf"})


@pytest.mark.parametrize(
    ("lines", "rule"),
    [
        (("Anna", "short"), "password must have at least 8 characters, got 5"),
        (("Anna",), "must read a line with a name and one with a password"),
        (("Ben", "rye on the upper shelf"), "name must be new or an active owner's, but Ben is"),
    ],
)
def test_wrong_password_for_the_command_names_its_rule(
    room: Room,
    settings: Settings,
    monkeypatch: pytest.MonkeyPatch,
    lines: tuple[str, ...],
    rule: str,
) -> None:
    close_with_people(room)
    monkeypatch.setattr(serve_command, "settings_from", lambda _: settings)
    with pytest.raises(ValueError, match=rule):
        _set_password(monkeypatch, settings.data, *lines)


def test_passwords_typed_in_must_be_the_same_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stdin", Terminal("\n"))
    typed = iter(["hay and water", "hay and watre", "hay and water", "hay and water"])
    monkeypatch.setattr(serve_command, "getpass", lambda _prompt: next(typed))
    with pytest.raises(ValueError, match="the same both times"):
        _run("--data", str(tmp_path), "--set-password")
    monkeypatch.setattr(sys, "stdin", Terminal("\n"))
    assert _run("--data", str(tmp_path), "--set-password") == 0
    service = open_service(Settings(data=tmp_path))
    with service.database.read() as connection:
        assert connection.execute(LOGIN_SESSION.select()).all() == []
    close_service(service)
