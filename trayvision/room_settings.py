"""The room's own settings for its photos: tray sizes and spreading times, in ``room.toml``.

The file stands beside the photos::

    tray_size = "540x280x60"            # millimetres, length x width x depth
    spread_at = 2026-03-02T08:00:00+01:00

    [trays.17]                          # what differs on one tray
    tray_size = "300x200x50"
    spread_at = 2026-03-03T08:00:00+01:00
    bed_height_mm = 12                  # of the seed above the tray floor, by a ruler

    [photos."borrowed-tray.jpg"]        # what differs in one photo, whatever its tray
    tray_size = "800x350x60"
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from trayvision.measurement import Measurement
from trayvision.reference_kit import CARRIED_STRIP_NUMBER, TraySize

ROOM_FILE = "room.toml"
_TRAY_KEYS = ("tray_size", "spread_at", "bed_height_mm")
DEFAULT_TRAY_SIZE = TraySize(540.0, 280.0, 60.0)
# Seed lies uneven by about a kernel, whatever ruler is put to it.
_BED_BY_RULER_MM = 2.0
_HIGHEST_BED_MM = 50.0


@dataclass(frozen=True)
class RoomSettings:
    """Sizes and spreading times of a room's trays.

    Parameters
    ----------
    tray_size : TraySize
        Of every tray that `sizes` does not name.
    spread_at : aware datetime or None
        Of every tray that `spread_times` does not name.
    sizes : mapping of tray number to TraySize
    spread_times : mapping of tray number to aware datetime
    photo_sizes : mapping of photo file name to TraySize
        Of all trays in one photo; goes before the others.
    bed_heights : mapping of tray number to Measurement
        Height of the seed bed above the tray floor in mm, where it is known.
    """

    tray_size: TraySize = DEFAULT_TRAY_SIZE
    spread_at: datetime | None = None
    sizes: Mapping[int, TraySize] = field(default_factory=dict)
    spread_times: Mapping[int, datetime] = field(default_factory=dict)
    photo_sizes: Mapping[str, TraySize] = field(default_factory=dict)
    bed_heights: Mapping[int, Measurement] = field(default_factory=dict)

    def for_photo(self, name: str) -> "RoomSettings":
        """The settings as they apply to the trays of one photo."""
        if name not in self.photo_sizes:
            return self
        return replace(self, tray_size=self.photo_sizes[name], sizes={})

    def size_of(self, number: int) -> TraySize:
        """Size of the tray with a number."""
        return self.sizes.get(number, self.tray_size)

    def day_of(self, number: int | None, taken_at: datetime | None) -> float | None:
        """Days from spreading to a moment, None where either is unknown.

        `number` is None for what carries no tray's number.
        """
        own = None if number is None else self.spread_times.get(number)
        spread_at = self.spread_at if own is None else own
        if spread_at is None or taken_at is None:
            return None
        return (taken_at - spread_at).total_seconds() / 86400

    def bed_height_of(self, number: int) -> Measurement | None:
        """Height of the seed bed of the tray with a number; None where it is not known."""
        return self.bed_heights.get(number)

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
        default = cls(
            _size(path, "tray_size", content.pop("tray_size", str(DEFAULT_TRAY_SIZE))),
            _moment(path, "spread_at", content.pop("spread_at", None)),
        )
        trays = _tables(path, "trays", content.pop("trays", {}), _TRAY_KEYS)
        photos = _tables(path, "photos", content.pop("photos", {}), ("tray_size",))
        if content:
            raise ValueError(
                f"{path}: keys must be tray_size, spread_at, trays or photos, got {sorted(content)}"
            )
        sizes, spread_times, beds = {}, {}, {}
        for name, tray in trays.items():
            number = _number(path, name)
            if "tray_size" in tray:
                sizes[number] = _size(path, f"trays.{name}.tray_size", tray["tray_size"])
            moment = _moment(path, f"trays.{name}.spread_at", tray.get("spread_at"))
            if moment is not None:
                spread_times[number] = moment
            if "bed_height_mm" in tray:
                beds[number] = _bed(path, f"trays.{name}.bed_height_mm", tray["bed_height_mm"])
        photo_sizes = {
            name: _size(path, f"photos.{name}.tray_size", photo["tray_size"])
            for name, photo in photos.items()
            if "tray_size" in photo
        }
        return cls(default.tray_size, default.spread_at, sizes, spread_times, photo_sizes, beds)


def room_of(photo: Path) -> RoomSettings:
    """Settings for a photo from the ``room.toml`` beside it; the defaults where there is none."""
    path = photo.parent / ROOM_FILE
    return RoomSettings.read(path).for_photo(photo.name) if path.is_file() else RoomSettings()


def _number(path: Path, name: str) -> int:
    if not name.isdecimal() or int(name) >= CARRIED_STRIP_NUMBER:
        raise ValueError(f"{path}: a tray's number must be 0 to 95, got trays.{name}")
    return int(name)


def _tables(
    path: Path, key: str, content: Any, allowed: tuple[str, ...]
) -> dict[str, dict[str, Any]]:
    """The tables under a key, each with no other keys than those allowed."""
    if not isinstance(content, dict):
        raise ValueError(f"{path}: {key} must be tables such as [{key}.17], got {content!r}")
    for name, table in content.items():
        if not isinstance(table, dict):
            raise ValueError(f"{path}: {key}.{name} must be a table, got {table!r}")
        unknown = sorted(set(table) - set(allowed))
        if unknown:
            raise ValueError(
                f"{path}: {key}.{name} must have only {' or '.join(allowed)}, got {unknown}"
            )
    return content


def _size(path: Path, key: str, value: Any) -> TraySize:
    if not isinstance(value, str):
        raise ValueError(f"{path}: {key} must be text such as '540x280x60', got {value!r}")
    try:
        return TraySize.typed(value)
    except ValueError as error:
        raise ValueError(f"{path}: {key}: {error}") from error


def _bed(path: Path, key: str, value: Any) -> Measurement:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not 0 < value <= _HIGHEST_BED_MM:
        raise ValueError(
            f"{path}: {key} must be more than 0 and at most {_HIGHEST_BED_MM:g} mm, got {value!r}"
        )
    return Measurement(float(value), _BED_BY_RULER_MM, "mm")


def _moment(path: Path, key: str, value: Any) -> datetime | None:
    if value is None:
        return None
    if not isinstance(value, datetime) or value.tzinfo is None:
        raise ValueError(
            f"{path}: {key} must be a date and time with its offset, "
            f"such as 2026-03-02T08:00:00+01:00, got {value!r}"
        )
    return value
