"""The room's own settings for its photos: tray sizes and spreading times, in ``room.toml``.

The file stands beside the photos::

    tray_size = "540x280x60"            # millimetres, length x width x depth

    [trays.17]                          # what differs on one tray
    tray_size = "300x200x50"
    spread_at = 2026-03-02T08:00:00+01:00
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from trayvision.reference_kit import CARRIED_STRIP_NUMBER, TraySize

ROOM_FILE = "room.toml"
DEFAULT_TRAY_SIZE = TraySize(540.0, 280.0, 60.0)


@dataclass(frozen=True)
class RoomSettings:
    """Sizes and spreading times of a room's trays.

    Parameters
    ----------
    tray_size : TraySize
        Of every tray that `sizes` does not name.
    sizes : mapping of tray number to TraySize
    spread_at : mapping of tray number to aware datetime
    """

    tray_size: TraySize = DEFAULT_TRAY_SIZE
    sizes: Mapping[int, TraySize] = field(default_factory=dict)
    spread_at: Mapping[int, datetime] = field(default_factory=dict)

    def size_of(self, number: int) -> TraySize:
        """Size of the tray with a number."""
        return self.sizes.get(number, self.tray_size)

    def day_of(self, number: int, taken_at: datetime | None) -> float | None:
        """Days from spreading to a moment, None where either is unknown."""
        spread_at = self.spread_at.get(number)
        if spread_at is None or taken_at is None:
            return None
        return (taken_at - spread_at).total_seconds() / 86400

    @classmethod
    def read(cls, path: Path) -> "RoomSettings":
        """Read a ``room.toml``.

        Raises
        ------
        ValueError
            If the file is no TOML, or a key or value is not one of those above; the message
            names the file, the key, the rule and what came.
        """
        try:
            content = tomllib.loads(path.read_text(encoding="utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise ValueError(f"{path} must be TOML, but {error}") from error
        trays = content.pop("trays", {})
        default = _size(path, "tray_size", content.pop("tray_size", str(DEFAULT_TRAY_SIZE)))
        if content:
            raise ValueError(f"{path}: keys must be tray_size or trays, got {sorted(content)}")
        if not isinstance(trays, dict):
            raise ValueError(f"{path}: trays must be tables such as [trays.17], got {trays!r}")
        sizes, spread_at = {}, {}
        for name, tray in trays.items():
            number = _number(path, name)
            for key, value in _table(path, name, tray).items():
                label = f"trays.{name}.{key}"
                if key == "tray_size":
                    sizes[number] = _size(path, label, value)
                elif key == "spread_at":
                    spread_at[number] = _moment(path, label, value)
                else:
                    raise ValueError(f"{path}: {label} must be tray_size or spread_at")
        return cls(default, sizes, spread_at)


def room_of(photo: Path) -> RoomSettings:
    """Settings in the ``room.toml`` beside a photo; the defaults where there is none."""
    path = photo.parent / ROOM_FILE
    return RoomSettings.read(path) if path.is_file() else RoomSettings()


def _number(path: Path, name: str) -> int:
    if not name.isdecimal() or int(name) >= CARRIED_STRIP_NUMBER:
        raise ValueError(f"{path}: a tray's number must be 0 to 95, got trays.{name}")
    return int(name)


def _table(path: Path, name: str, tray: Any) -> dict[str, Any]:
    if not isinstance(tray, dict):
        raise ValueError(f"{path}: trays.{name} must be a table, got {tray!r}")
    return tray


def _size(path: Path, key: str, value: Any) -> TraySize:
    if not isinstance(value, str):
        raise ValueError(f"{path}: {key} must be text such as '540x280x60', got {value!r}")
    try:
        return TraySize.parse(value)
    except ValueError as error:
        raise ValueError(f"{path}: {key}: {error}") from error


def _moment(path: Path, key: str, value: Any) -> datetime:
    if not isinstance(value, datetime) or value.tzinfo is None:
        raise ValueError(
            f"{path}: {key} must be a date and time with its offset, "
            f"such as 2026-03-02T08:00:00+01:00, got {value!r}"
        )
    return value
