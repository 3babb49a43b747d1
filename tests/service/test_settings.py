"""Settings are explicit, checked and documented; the command serves."""

import argparse
import os
import re
import subprocess
import sys
from pathlib import Path

import httpx2
import pytest
from pydantic import ValidationError

from service.serve_command import add_serve, settings_from
from service.settings import Settings

ROOT = Path(__file__).parents[2]


def _options(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    add_serve(parser)
    return parser.parse_args(words)


@pytest.mark.parametrize("name", Settings.model_fields)
def test_every_setting_is_documented_with_its_default(name: str) -> None:
    field = Settings.model_fields[name]
    default = "none" if field.default in (None, "") else f"`{field.default}`"
    guide = (ROOT / "service" / "README.md").read_text(encoding="utf-8")
    assert field.description
    assert f"| `{name}` | {default} | {field.description} |" in guide


def test_environment_sets_and_the_command_line_goes_before_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("TRAYVISION_PORT", "9000")
    monkeypatch.setenv("TRAYVISION_TIME_ZONE", "Africa/Nairobi")
    assert settings_from(_options()).port == 9000
    settings = settings_from(_options("--port", "9001", "--data", "room"))
    assert (settings.port, settings.data, settings.time_zone) == (
        9001,
        Path("room"),
        "Africa/Nairobi",
    )


@pytest.mark.parametrize(
    ("name", "value", "rule"),
    [
        ("time_zone", "Mars/Olympus", "name of the IANA time zone database, got 'Mars/Olympus'"),
        ("port", 70_000, "less than or equal to 65535"),
        ("inspectors", 0, "greater than or equal to 1"),
    ],
)
def test_wrong_setting_names_its_rule(name: str, value: object, rule: str) -> None:
    with pytest.raises(ValidationError, match=rule):
        Settings.model_validate({name: value})


def test_password_of_the_database_is_never_shown() -> None:
    settings = Settings.model_validate({"database_url": "postgresql://grower:secret@db/log"})
    assert "secret" not in repr(settings)
    assert settings.sqlalchemy_url() == "postgresql+psycopg://grower:secret@db/log"


def test_other_databases_are_refused() -> None:
    settings = Settings.model_validate({"database_url": "mysql://grower@db/log"})
    with pytest.raises(ValueError, match="must start with postgresql://, got 'mysql'"):
        settings.sqlalchemy_url()


def test_command_serves_a_fresh_room(tmp_path: Path) -> None:
    code = (
        "import argparse, sys; from service.serve_command import add_serve, run_serve\n"
        "parser = argparse.ArgumentParser(); add_serve(parser)\n"
        "sys.exit(run_serve(parser.parse_args()))"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, "--data", str(tmp_path / "room"), "--port", "0"],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    with process, process.stderr as log:
        try:
            lines = iter(log.readline, "")
            found = (re.search(r"running on (http://127\.0\.0\.1:\d+)", line) for line in lines)
            address = next(match[1] for match in found if match)
            assert httpx2.get(f"{address}/healthz").json() == {"status": "ok"}
        finally:
            process.terminate()
    assert (tmp_path / "room" / "log.sqlite").is_file()
