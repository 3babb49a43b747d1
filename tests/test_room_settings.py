from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from trayvision.measurement import Measurement
from trayvision.reference_kit import TraySize
from trayvision.room_settings import DEFAULT_TRAY_SIZE, RoomSettings, room_of

ROOM = """
tray_size = "500x250x60"

[trays.17]
tray_size = "300x200x50"
spread_at = 2026-03-02T08:00:00+01:00

[photos."borrowed.jpg"]
tray_size = "800x350x60"
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


def test_bed_that_a_ruler_was_put_to_is_known_to_two_millimetres(tmp_path: Path) -> None:
    settings = room(tmp_path, "[trays.17]\nbed_height_mm = 12")
    assert settings.bed_height_of(17) == Measurement(12.0, 2.0, "mm")
    assert settings.bed_height_of(3) is None


def test_photo_has_its_own_size_whatever_its_tray(tmp_path: Path) -> None:
    room(tmp_path, ROOM)
    borrowed = room_of(tmp_path / "borrowed.jpg")
    assert borrowed.size_of(17) == borrowed.size_of(3) == TraySize(800, 350, 60)
    assert borrowed.day_of(17, datetime(2026, 3, 3, 7, 0, tzinfo=UTC)) == 1.0


def test_room_wide_spreading_time_is_the_default(tmp_path: Path) -> None:
    settings = room(tmp_path, "spread_at = 2026-03-01T07:00:00Z\n" + ROOM)
    taken_at = datetime(2026, 3, 4, 7, 0, tzinfo=UTC)
    assert settings.day_of(3, taken_at) == 3.0
    assert settings.day_of(17, taken_at) == 2.0


def test_no_file_means_the_defaults(tmp_path: Path) -> None:
    assert room_of(tmp_path / "photo.jpg").size_of(5) == DEFAULT_TRAY_SIZE


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("tray_size = ", "room.toml must be TOML, but"),
        ("size = '1x2x3'", "keys must be tray_size, spread_at, trays or photos, got .'size'."),
        ("tray_size = 5", "tray_size must be text such as '540x280x60', got 5"),
        ("tray_size = '5x5'", "tray_size: tray size must be LENGTHxWIDTHxDEPTH"),
        ("trays = 3", "trays must be tables such as .trays.17., got 3"),
        ("[trays.96]", "number must be 0 to 95, got trays.96"),
        ("[trays.1]\nspread_at = 2026-03-02", "spread_at must be a date and time with its"),
        ("[trays.1]\nspread_at = 2026-03-02T08:00:00", "with its offset"),
        ("[trays.1]\nlot = 'x'", "only tray_size or spread_at or bed_height_mm, got .'lot'."),
        (
            "[trays.1]\nbed_height_mm = 0",
            "bed_height_mm must be more than 0 and at most 50 mm, got 0",
        ),
        ("[trays.1]\nbed_height_mm = '12'", "bed_height_mm must be more than 0 .*, got '12'"),
        ("[trays.1]\nbed_height_mm = true", "bed_height_mm must be more than 0 .*, got True"),
        ("[photos]\nx = 1", "photos.x must be a table, got 1"),
    ],
)
def test_bad_room_file_is_refused(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        room(tmp_path, text)
