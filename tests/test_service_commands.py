"""Commands of the service are found beside the library, and missed in words."""

import importlib
from types import ModuleType

import pytest

from trayvision.__main__ import USAGE_ERROR, main


@pytest.mark.parametrize("name", ["serve", "demo"])
def test_help_names_the_commands_of_the_service(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit, match="0"):
        main(["--help"])
    assert f"\n    {name} " in capsys.readouterr().out


@pytest.mark.parametrize(("name", "option"), [("serve", "--set-password"), ("demo", "--no-serve")])
def test_command_of_the_service_has_its_own_options(
    name: str, option: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit, match="0"):
        main([name, "--help"])
    told = capsys.readouterr().out
    assert told.startswith(f"usage: trayvision {name} ")
    assert option in told


@pytest.mark.parametrize(
    ("missing", "told"),
    [
        ("service", "the service is not part of this installation; run it from the project's"),
        ("fastapi", 'needs the extra "service" (fastapi is missing): install trayvision[service]'),
    ],
)
def test_service_that_cannot_be_loaded_is_told(
    missing: str, told: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def absent(_name: str) -> ModuleType:
        raise ModuleNotFoundError(f"No module named {missing!r}", name=missing)

    monkeypatch.setattr(importlib, "import_module", absent)
    assert main(["serve"]) == USAGE_ERROR
    assert f"trayvision serve: {told}" in capsys.readouterr().err


def test_wrong_setting_is_told_like_any_wrong_option(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["serve", "--port", "70000"]) == USAGE_ERROR
    assert "trayvision serve: port: " in capsys.readouterr().err
