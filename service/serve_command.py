"""``trayvision serve``: the service on this machine."""

import argparse
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from service.settings import Settings


def add_serve(parser: argparse.ArgumentParser) -> None:
    """Give the options of the command to its parser."""
    parser.add_argument("--data", metavar="DIR", help="folder of the log and its photos")
    parser.add_argument("--host", metavar="H", help="address to listen on; this machine only")
    parser.add_argument("--port", type=int, metavar="N", help="port to listen on")


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
    _only_this_machine(settings.host)
    return settings


def run_serve(options: argparse.Namespace) -> int:
    """Serve until stopped; returns the exit status."""
    import uvicorn

    from service.app import create_app

    settings = settings_from(options)
    app = create_app(settings)
    print(f"Log and photos: {settings.data.resolve()}")
    uvicorn.run(app, host=settings.host, port=settings.port, log_level="info")
    return 0


def _only_this_machine(host: str) -> None:
    try:
        loopback = host == "localhost" or ip_address(host).is_loopback
    except ValueError:
        loopback = False
    if not loopback:
        raise ValueError(
            f"--host must be this machine's own (127.0.0.1) while no password is set, got {host!r}"
        )
