"""The commands that move a room's data, as they are typed."""

import os
from functools import partial
from pathlib import Path
from stat import S_IMODE
from zipfile import ZipFile

import pytest

from service.app import close_service, open_service
from service.context import Service
from service.log.file_lock import served_once
from service.log.private_files import open_to_others
from service.photos.ingest import IncomingPhoto, take_in
from service.settings import Settings
from tests.service.generated_logs import log_of
from tests.service.recorded_inspections import RecordedInspector, photo_bytes
from trayvision.__main__ import main


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """Folder of a room with a photo of a tray."""
    service = _opened(tmp_path / "data")
    incoming = IncomingPhoto("a.jpg", "image/jpeg", photo_bytes({"number": 17}))
    take_in(service, incoming, service.entrant())
    close_service(service)
    return tmp_path / "data"


def _opened(data: Path) -> Service:
    return open_service(Settings.model_validate({"data": data}), inspector=RecordedInspector())


def _log(data: Path) -> object:
    service = _opened(data)
    log = log_of(service.database)
    close_service(service)
    return log


def test_export_and_import(data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, other = tmp_path / "out.zip", tmp_path / "other"
    assert main(["export", "--data", str(data), str(out), "--photos"]) == 0
    assert not list(tmp_path.glob(".*"))
    assert main(["import", "--data", str(other), str(out), "--from", "csv"]) == 0
    assert "1 new originals came in" in capsys.readouterr().out
    assert _log(other) == _log(data)


def test_import_over_a_room_backs_it_up_first(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    empty, out = tmp_path / "empty", tmp_path / "out.zip"
    close_service(_opened(empty))
    assert main(["export", "--data", str(empty), str(out)]) == 0
    assert main(["import", "--data", str(data), str(out)]) == 2
    assert "room must be empty, but has rows: " in capsys.readouterr().err
    before = _log(data)
    assert main(["import", "--data", str(data), str(out), "--replace"]) == 0
    said = capsys.readouterr().out.splitlines()[0]
    assert _log(data) == _log(empty)
    backup = said.removeprefix("What the room held: ")
    assert main(["restore", "--data", str(tmp_path / "again"), backup]) == 0
    assert _log(tmp_path / "again") == before


def test_no_other_room_is_put_in_the_place_of_a_served_one(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out.zip"
    assert main(["export", "--data", str(data), str(out)]) == 0
    before = _log(data)
    with served_once(data):
        assert main(["import", "--data", str(data), str(out), "--replace"]) == 2
    said = capsys.readouterr()
    assert "room must not be served while another is put in its place" in said.err
    assert "What the room held" not in said.out
    assert _log(data) == before
    assert main(["import", "--data", str(data), str(out), "--replace"]) == 0


def test_backup_and_restore(data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, other = tmp_path / "backup.zip", tmp_path / "other"
    assert main(["backup", "--data", str(data), str(out)]) == 0
    assert "1 originals" in capsys.readouterr().out
    assert main(["backup", "--data", str(data), str(out)]) == 2
    assert "must be a new file, but is there already" in capsys.readouterr().err
    assert main(["restore", "--data", str(other), str(out)]) == 0
    assert _log(other) == _log(data)
    assert main(["restore", "--data", str(other), str(out)]) == 2
    assert "must be a folder without a log, but holds log.sqlite" in capsys.readouterr().err


def test_missing_original_gives_status_3(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (original,) = (path for path in (data / "photos" / "originals").rglob("*") if path.is_file())
    original.unlink()
    for command in ("backup", "export"):
        more = ["--photos"] if command == "export" else []
        arguments = [command, "--data", str(data), str(tmp_path / f"{command}.zip"), *more]
        assert main(arguments) == 3
        assert f"missing on the disk: original {original.name}" in capsys.readouterr().out


def test_retain_says_what_would_go(
    data: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert main(["retain", "--data", str(data), "--dry-run"]) == 0
    assert capsys.readouterr().out == ("Rule: keep all\n0 originals would go, 0 bytes; 1 stay\n")
    stray = data / "photos" / "originals" / "aa" / ("a" * 64)
    stray.parent.mkdir(exist_ok=True)
    stray.write_bytes(b"old")
    os.utime(stray, (1_700_000_000,) * 2)
    assert main(["retain", "--data", str(data), "--dry-run"]) == 0
    assert capsys.readouterr().out.splitlines()[2:] == [
        (
            "Files older than 7 days that belong to no photo of the log: 1, 3 bytes; "
            "they stay until somebody deletes them"
        ),
        f"{stray}, there since 2023-11-14 22:13 UTC",
    ]
    stray.unlink()
    monkeypatch.setenv("TRAYVISION_KEEP_PHOTOS", "by-rule")
    monkeypatch.setenv("TRAYVISION_KEEP_RECENT_DAYS", "7")
    assert main(["retain", "--data", str(data)]) == 0
    assert capsys.readouterr().out == (
        "Rule: keep all of the last 7 days, one a day of each tray, nearest to noon, "
        "all that carry a flag or a verdict\n0 originals let go, 0 bytes; 1 stay\n"
    )


def test_file_that_is_no_archive_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with ZipFile(tmp_path / "x.zip", "w") as file:
        file.writestr("../../evil", b"x")
    for command in ("import", "restore"):
        assert main([command, "--data", str(tmp_path / command), str(tmp_path / "x.zip")]) == 2
        assert "must be a name that this service writes" in capsys.readouterr().err
    assert not (tmp_path.parent / "evil").exists()


@pytest.mark.parametrize("command", ["backup", "export", "retain"])
def test_mistyped_folder_does_not_pass_for_an_empty_room(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = [] if command == "retain" else [str(tmp_path / "out.zip")]
    assert main([command, "--data", str(tmp_path / "dat"), *out]) == 2
    told = capsys.readouterr().err
    assert f"data must be where a room has its log, but {tmp_path / 'dat'} has none" in told
    assert list(tmp_path.iterdir()) == []


def test_file_that_cannot_be_written_is_told(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("no folder")
    out = tmp_path / "file" / "out.zip"
    assert main(["backup", "--data", str(data), str(out)]) == 2
    assert f"trayvision backup: {tmp_path / 'file'} cannot be read or" in capsys.readouterr().err


def test_what_is_made_is_its_owners_alone(tmp_path: Path, request: pytest.FixtureRequest) -> None:
    request.addfinalizer(partial(os.umask, os.umask(0o022)))
    data, out, backup = (tmp_path / name for name in ("data", "out.zip", "backup.zip"))
    close_service(_opened(data))
    assert main(["export", "--data", str(data), str(out)]) == 0
    assert main(["backup", "--data", str(data), str(backup)]) == 0
    assert main(["restore", "--data", str(tmp_path / "again"), str(backup)]) == 0
    assert main(["import", "--data", str(data), str(out), "--replace"]) == 0
    (kept,) = (data / "backups").glob("*.zip")
    for folder in (data, tmp_path / "again", kept.parent):
        assert S_IMODE(folder.stat().st_mode) == 0o700
    for file in (out, backup, kept, data / "log.sqlite", tmp_path / "again" / "log.sqlite"):
        assert S_IMODE(file.stat().st_mode) == 0o600


def test_folder_of_before_keeps_its_rights(tmp_path: Path) -> None:
    tmp_path.chmod(0o750)
    close_service(_opened(tmp_path))
    assert S_IMODE(tmp_path.stat().st_mode) == 0o750
    assert open_to_others(tmp_path)
    tmp_path.chmod(0o700)
    assert not open_to_others(tmp_path)


def test_remeasure_says_how_many_photos_another_version_measured(
    data: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert main(["remeasure", "--data", str(data)]) == 0
    assert capsys.readouterr().out == "to measure again: 0 photos\n"
    monkeypatch.setattr("service.photos.bulk_measuring.version", lambda _: "9.9.9")
    assert main(["remeasure", "--data", str(data), "--dry-run"]) == 0
    said = capsys.readouterr().out
    assert "measured by version " in said
    assert said.endswith("to measure again: 1 photo\n")
    assert main(["remeasure", "--data", str(data), "--dry-run", "--since", "2100-01-01"]) == 0
    assert capsys.readouterr().out == "to measure again: 0 photos\n"
    assert main(["remeasure", "--data", str(data), "--since", "yesterday"]) == 2
    assert "--since must be a time such as 2026-03-02T08:00+01:00, got 'yesterday'" in (
        capsys.readouterr().err
    )


def test_remeasure_tells_which_photos_keep_what_they_had(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (original,) = (path for path in (data / "photos" / "originals").rglob("*") if path.is_file())
    original.unlink()
    assert main(["remeasure", "--data", str(data), "--all"]) == 3
    said = capsys.readouterr().out
    assert "photos that keep what was measured before: 1: " in said
    assert "measured again: 0 photos" in said
