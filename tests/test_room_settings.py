from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from trayvision.reference_kit import TraySize
from trayvision.room_settings import DEFAULT_TRAY_SIZE, RoomSettings, room_of

ROOM = """
tray_size = "500x250x60"

[trays.17]
tray_size = "300x200x50"
spread_at = 2026-03-02T08:00:00+01:00
"""


def room(folder: Path, text: str) -> RoomSettings:
    (folder / "room.toml").write_text(text, encoding="utf-8")
    return room_of(folder / "photo.jpg")


def test_tray_has_its_own_size_and_day(tmp_path: Path) -> None:
    settings = room(tmp_path, ROOM)
    assert settings.size_of(17) == TraySize(300, 200, 50)
    assert settings.size_of(3) == TraySize(500, 250, 60)
    taken_at = datetime(2026, 3, 4, 19, 0, tzinfo=UTC)
    assert settings.day_of(17, taken_at) == pytest.approx(2.5)
    assert settings.day_of(17, taken_at.astimezone(timezone(timedelta(hours=9)))) == 2.5
    assert settings.day_of(17, None) is None
    assert settings.day_of(3, taken_at) is None


def test_no_file_means_the_defaults(tmp_path: Path) -> None:
    assert room_of(tmp_path / "photo.jpg").size_of(5) == DEFAULT_TRAY_SIZE


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("tray_size = ", "room.toml must be TOML, but"),
        ("size = '1x2x3'", "keys must be tray_size or trays, got .'size'."),
        ("tray_size = 5", "tray_size must be text such as '540x280x60', got 5"),
        ("tray_size = '5x5'", "tray_size: tray size must be LENGTHxWIDTHxDEPTH"),
        ("trays = 3", "trays must be tables such as .trays.17., got 3"),
        ("[trays.96]", "number must be 0 to 95, got trays.96"),
        ("[trays.1]\nspread_at = 2026-03-02", "spread_at must be a date and time with its"),
        ("[trays.1]\nspread_at = 2026-03-02T08:00:00", "with its offset"),
        ("[trays.1]\nlot = 'x'", "trays.1.lot must be tray_size or spread_at"),
    ],
)
def test_bad_room_file_is_refused(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        room(tmp_path, text)
