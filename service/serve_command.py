"""``trayvision serve``: the service on this machine."""

import argparse
import logging
import sys
from contextlib import suppress
from getpass import getpass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from pydantic import ValidationError

from service.free_port import free_port
from service.log.file_lock import served_once
from service.log.private_files import open_to_others
from service.log.refusals import Conflict, DatabaseAway
from service.settings import Settings

if TYPE_CHECKING:
    from service.context import Service
    from service.log.server_lock import ServerLock

_LOG = logging.getLogger(__name__)
# As uvicorn's own command has it.
_NOT_STARTED = 3


def add_serve(parser: argparse.ArgumentParser) -> None:
    """Give the options of the command to its parser."""
    parser.add_argument("--data", metavar="DIR", help="folder of the log and its photos")
    parser.add_argument(
        "--host",
        metavar="H",
        help="address to listen on; set a password first if it is not 127.0.0.1",
    )
    parser.add_argument("--port", type=int, metavar="N", help="port to listen on")
    parser.add_argument(
        "--set-password",
        action="store_true",
        help="ask for an owner's name and new password (or read two lines), then end",
    )


def settings_from(options: argparse.Namespace) -> Settings:
    """Settings of the environment, with what the command line gives on top.

    Raises
    ------
    ValueError
        If a setting breaks its rule; one line for each, with what came.
    """
    given: dict[str, Any] = {
        name: value
        for name, value in (
            ("data", None if options.data is None else Path(options.data)),
            ("host", options.host),
            ("port", options.port),
        )
        if value is not None
    }
    try:
        settings = Settings(**given)
    except ValidationError as error:
        lines = [
            f"{'.'.join(str(part) for part in one['loc'])}: {one['msg']}, got {one['input']!r}"
            for one in error.errors()
        ]
        raise ValueError("; ".join(lines)) from error
    return settings


def run_serve(options: argparse.Namespace) -> int:
    """Serve until stopped, or set an owner's password; returns the exit status.

    Raises
    ------
    ValueError
        If a setting breaks its rule, another process serves the folder or the database or holds
        the log, the address to listen on cannot be had, or the service should listen beyond this
        machine while no password is set.
    """
    from service.log.server_lock import ServerLock

    settings = settings_from(options)
    if options.set_password:
        return _set_password(settings)
    try:
        with served_once(settings.data), ServerLock(settings) as lock:
            _serve(settings, lock)
    except (Conflict, DatabaseAway) as refusal:
        raise ValueError(str(refusal)) from refusal
    return 0


def _serve(settings: Settings, lock: "ServerLock") -> None:
    import uvicorn

    from service.app import close_service, create_app
    from service.garbage import searched_in_pauses

    app = create_app(settings)
    try:
        _only_this_machine(app.state.service, settings.host)
        free_port(settings.host, settings.port)
    except ValueError:
        close_service(app.state.service)
        raise
    print(f"Log and photos: {settings.data.resolve()}")
    if open_to_others(settings.data):
        _LOG.warning(
            "other accounts of this machine may look into %s, which holds passwords of cameras: "
            "close it with chmod 700, unless that is meant so",
            settings.data.resolve(),
        )
    server = uvicorn.Server(
        uvicorn.Config(
            app,
            host=settings.host,
            port=settings.port,
            log_level="info",
            server_header=False,
            # Said in both cases: the server would else believe any program of this machine.
            proxy_headers=bool(settings.trusted_proxies),
            forwarded_allow_ips=settings.trusted_proxies,
        )
    )
    ended_by: list[Conflict] = []

    def overtaken(conflict: Conflict) -> None:
        ended_by.append(conflict)
        server.should_exit = True

    lock.watch(overtaken)
    # What uvicorn's own `run` does with an interrupt from the keyboard.
    with suppress(KeyboardInterrupt), searched_in_pauses(app.state.service.answering):
        server.run()
    if ended_by:
        raise ended_by[0]
    if not server.started:
        sys.exit(_NOT_STARTED)


def _only_this_machine(service: "Service", host: str) -> None:
    from service.accounts.origin import is_loopback
    from service.accounts.people import is_open

    if is_loopback(host):
        return
    with service.database.read() as connection:
        if not is_open(connection):
            return
    raise ValueError(
        f"--host must be this machine's own (127.0.0.1) while no password is set, got {host!r}; "
        "set one first: trayvision serve --set-password"
    )


def _set_password(settings: Settings) -> int:
    """Ask for an owner's name and password; a service that runs need not be stopped for it."""
    from service.accounts.accounts import set_owners_password
    from service.accounts.passwords import Passwords
    from service.app import close_service, open_service
    from service.log.log_tables import holds_log
    from service.log.out_of_reach import out_of_reach_told
    from service.log.refusals import Refusal

    with out_of_reach_told(settings.data):
        is_new = not holds_log(settings)
    name, password = _asked() if sys.stdin.isatty() else _read(sys.stdin)
    service = open_service(settings)
    try:
        set_owners_password(service, Passwords(), name, password, service.entrant())
    except Refusal as refusal:
        raise ValueError(str(refusal)) from refusal
    finally:
        close_service(service)
    print(f"The password of {name} is set; sessions and tokens that {name} had are ended.")
    if is_new:
        print(
            f"A new room was begun in {settings.data.resolve()}. If the room is served from "
            "elsewhere, that one has no new password: name its folder with --data"
        )
    return 0


def _asked() -> tuple[str, str]:
    name = input("Name of the owner [owner]: ").strip() or "owner"
    password = getpass("New password: ")
    if getpass("The same again: ") != password:
        raise ValueError("the password must be the same both times")
    return name, password


def _read(lines: TextIO) -> tuple[str, str]:
    name, password = lines.readline().strip(), lines.readline().rstrip("\r\n")
    if not name or not password:
        raise ValueError("--set-password must read a line with a name and one with a password")
    return name, password
