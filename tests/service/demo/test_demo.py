"""The demonstration, with a few photos of the sample run and the library's own measuring."""

import json
import re
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from service import demo_command
from service.app import create_app
from service.demo.demo import MARKER, DemoClock, demo_settings, fresh_folder
from service.demo.demo_room import SampleRun
from service.log.file_lock import served_once
from tests.service.conftest import ON_THIS_MACHINE
from trayvision.__main__ import USAGE_ERROR, main

FEW = ("tray13-day0.jpg", "tray13-day5.jpg", "tray13-day6.jpg")


@pytest.fixture(scope="module")
def few_photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample run with three of its photos."""
    folder = tmp_path_factory.mktemp("run")
    said = json.loads((demo_command.SAMPLE_RUN / "run.json").read_text(encoding="utf-8"))
    said["photos"] = [photo for photo in said["photos"] if photo["file"] in FEW]
    (folder / "run.json").write_text(json.dumps(said), encoding="utf-8")
    for name in FEW:
        shutil.copy(demo_command.SAMPLE_RUN / name, folder)
    return folder


@pytest.fixture
def sample(few_photos: Path, monkeypatch: pytest.MonkeyPatch) -> SampleRun:
    monkeypatch.setattr(demo_command, "SAMPLE_RUN", few_photos)
    # A database in the environment is somebody's own log.
    monkeypatch.setenv("TRAYVISION_DATABASE_URL", "postgresql://nobody@localhost:1/own")
    return SampleRun.read(few_photos)


def played(folder: Path, capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["demo", "--no-serve", "--data", str(folder)]) == 0
    return capsys.readouterr().out


def test_days_are_played_told_and_repeated(
    sample: SampleRun, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "room"
    told = played(folder, capsys)
    days = dict(re.findall(r"\nDay (\d), [^\n]*\n(.*?)(?=\n\n|\Z)", told, re.DOTALL))
    assert list(days) == [str(day) for day in range(7)]
    # One flag for both shelves, on the afternoon without a fan, and gone in the evening.
    assert days["5"].count("○ look: The room has been too hot") == 1
    assert days["5"].count("no longer: The room has been too hot") == 1
    assert "No photo that could be judged of trays 11, 12" in days["1"]
    assert "nothing to look at" in days["0"]
    assert played(folder, capsys) == told
    app = create_app(demo_settings(folder, sample), clock=_evening(sample))
    with TestClient(app, **ON_THIS_MACHINE) as client:
        photos = client.get("/api/photos").json()["photos"]
        assert sorted(photo["file"] for photo in photos) == sorted(FEW)
        assert {photo["camera"] for photo in photos} == {"over tray 13"}
        tray = client.get("/api/trays/13").json()
        assert (tray["shelf"], tray["run"]["grain"]) == ("Top shelf", "barley")
        assert tray["latest"]["trays"][0]["day"] == pytest.approx(6.0, abs=0.1)
        today = client.get("/api/today").json()
        assert (today["date"], len(today["harvests"])) == ("2026-03-08", 8)
        assert {reading["source"] for reading in today["readings"]} == {"demonstration"}
        assert client.get("/api/chores").json()[0]["note"] == "invented for the demonstration"


def _evening(sample: SampleRun) -> DemoClock:
    return DemoClock(sample.photos[-1].taken_at.astimezone(UTC) + timedelta(hours=10))


def test_only_a_demonstrations_folder_is_made_anew(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = tmp_path / "own"
    own.mkdir()
    (own / "log.sqlite").write_text("somebody's log")
    assert main(["demo", "--no-serve", "--data", str(own)]) == USAGE_ERROR
    assert "--data must be a new folder or one that a demonstration made" in capsys.readouterr().err
    assert (own / "log.sqlite").read_text() == "somebody's log"


@pytest.mark.parametrize("kind", ["file", "link"])
def test_folder_must_be_a_folder(tmp_path: Path, kind: str) -> None:
    path, target = tmp_path / "room", tmp_path / "target"
    fresh_folder(target)
    (target / "kept").touch()
    if kind == "file":
        path.touch()
    else:
        path.symlink_to(target)
    with pytest.raises(ValueError, match="--data must be a folder"):
        fresh_folder(path)
    assert (target / "kept").exists()


def test_marked_folder_is_emptied(tmp_path: Path) -> None:
    folder = tmp_path / "out" / "room"
    fresh_folder(folder)
    (folder / "log.sqlite").touch()
    fresh_folder(folder)
    assert [path.name for path in folder.iterdir()] == [MARKER]


def test_demonstration_at_work_keeps_its_folder(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "room"
    fresh_folder(folder)
    (folder / "log.sqlite").touch()
    with served_once(folder):
        assert main(["demo", "--data", str(folder), "--no-serve"]) == 2
    assert "data must be served by one process only" in capsys.readouterr().err
    assert (folder / "log.sqlite").exists()


def test_folder_without_a_run_is_named(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"sample run must lie in .*, but there is no run\.json"):
        SampleRun.read(tmp_path)


def test_clock_stands_until_it_runs_on() -> None:
    at = datetime(2026, 3, 10, 19, tzinfo=UTC)
    clock = DemoClock(at)
    assert clock() == clock() == at
    clock.run_on()
    assert at <= clock() < at + timedelta(minutes=5)
