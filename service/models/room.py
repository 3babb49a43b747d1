"""The room and what stands in it: racks, shelves, positions, trays and where they stood."""

from datetime import datetime
from enum import StrEnum
from typing import Annotated, Any

from pydantic import AfterValidator, Field

from service.models.base import Change, Entered, Model, Moment, Name, Text, ThingId
from service.settings import TimeZone
from trayvision.reference_kit import LAST_TRAY_NUMBER, TraySize


def _tray_size(text: str) -> str:
    return str(TraySize.parse(text))


Size = Annotated[
    str,
    AfterValidator(_tray_size),
    Field(max_length=60, description="Inner size LxWxD in mm, such as 540x280x60."),
]
TrayNumber = Annotated[
    int, Field(ge=0, le=LAST_TRAY_NUMBER, description="Number printed on the tray's kit.")
]
Hours = Annotated[float, Field(gt=0, le=24 * 60)]
Height = Annotated[float, Field(gt=0, le=2_000)]
Day = Annotated[float, Field(gt=0, le=60)]
Level = Annotated[int, Field(ge=1, le=1000, description="1 is the top shelf of its rack.")]


class DayZero(StrEnum):
    """From when a room counts its days."""

    SOAK = "soak"
    SPREAD = "spread"


class TemperatureUnit(StrEnum):
    """How temperatures are read and typed."""

    CELSIUS = "°C"
    FAHRENHEIT = "°F"


class WeightUnit(StrEnum):
    """How weights are read and typed."""

    KILOGRAM = "kg"
    POUND = "lb"


class VolumeUnit(StrEnum):
    """How amounts of water are read and typed; the two gallons differ by a fifth."""

    LITRE = "L"
    US_GALLON = "US gal"
    IMPERIAL_GALLON = "imp gal"


class LengthUnit(StrEnum):
    """How lengths are read and typed."""

    CENTIMETRE = "cm"
    INCH = "in"


class Room(Entered):
    """The room; `day_zero` is null until somebody said how this room counts."""

    name: str
    time_zone: str
    tray_size: str
    day_zero: DayZero | None
    grain: str
    target_shoot_height_mm: float | None
    target_day: float | None
    photo_every_hours: float
    temperature_unit: TemperatureUnit
    weight_unit: WeightUnit
    volume_unit: VolumeUnit
    length_unit: LengthUnit


class RoomChange(Change):
    """What can be corrected of a room."""

    name: Name | None = None
    time_zone: TimeZone | None = None
    tray_size: Size | None = None
    day_zero: DayZero | None = None
    grain: Name | None = None
    target_shoot_height_mm: Height | None = None
    target_day: Day | None = None
    photo_every_hours: Hours | None = None
    temperature_unit: TemperatureUnit | None = None
    weight_unit: WeightUnit | None = None
    volume_unit: VolumeUnit | None = None
    length_unit: LengthUnit | None = None


class NewRack(Model):
    """A rack of shelves."""

    name: Name
    note: Text | None = None


class RackChange(Change):
    """What can be corrected of a rack."""

    name: Name | None = None
    note: Text | None = None


class Rack(Entered):
    """A rack of shelves."""

    name: str
    note: str | None


class NewShelf(Model):
    """A shelf of a rack."""

    rack_id: ThingId
    name: Name
    level: Level
    water_path: Name | None = Field(
        default=None,
        description="Shelves of one name share water; by default those of one rack do.",
    )
    note: Text | None = None


class ShelfChange(Change):
    """What can be corrected of a shelf."""

    rack_id: ThingId | None = None
    name: Name | None = None
    level: Level | None = None
    water_path: Name | None = None
    note: Text | None = None


class Shelf(Entered):
    """A shelf of a rack."""

    rack_id: int
    name: str
    level: int
    water_path: str | None
    note: str | None


class NewPosition(Model):
    """A place for one tray on a shelf."""

    shelf_id: ThingId
    name: Name


class PositionChange(Change):
    """What can be corrected of a position."""

    shelf_id: ThingId | None = None
    name: Name | None = None


class Position(Entered):
    """A place for one tray on a shelf."""

    shelf_id: int
    name: str


class RestState(StrEnum):
    """What a tray is while it does not grow."""

    EMPTY = "empty"
    RESTING = "resting"
    RETIRED = "retired"


class TrayState(StrEnum):
    """What a tray is now."""

    GROWING = "growing"
    EMPTY = "empty"
    RESTING = "resting"
    RETIRED = "retired"


class NewTray(Model):
    """A tray that carries a kit."""

    number: TrayNumber
    size: Size | None = Field(default=None, description="Default: the room's.")
    note: Text | None = None


class TrayChange(Change):
    """What can be corrected of a tray; its number is printed on it and stays."""

    size: Size | None = None
    note: Text | None = None


class Tray(Entered):
    """A tray as registered."""

    number: int
    size: str | None
    note: str | None


class NewTrayState(Model):
    """From a moment on the tray is empty, rests after washing, or is out of use."""

    state: RestState
    since_at: Moment | None = Field(default=None, description="Default: now.")


class TrayStateChange(Change):
    """What can be corrected of a tray's state."""

    state: RestState | None = None
    since_at: Moment | None = None


class TrayStateEntry(Entered):
    """From a moment on the tray is empty, rests after washing, or is out of use."""

    tray_id: int
    state: RestState
    since_at: datetime


class NewPlacement(Model):
    """A tray is put on a shelf, or taken off the racks."""

    shelf_id: ThingId | None = Field(default=None, description="None: taken off the racks.")
    position_id: ThingId | None = None
    placed_at: Moment | None = Field(default=None, description="Default: now.")


class PlacementChange(Change):
    """What can be corrected of a placement."""

    shelf_id: ThingId | None = None
    position_id: ThingId | None = None
    placed_at: Moment | None = None


class Placement(Entered):
    """Where a tray stood from a moment on."""

    tray_id: int
    shelf_id: int | None
    position_id: int | None
    placed_at: datetime


class HistoryRow(Model):
    """One row of a thing's history, as it was entered."""

    entry_id: int
    replaces_entry_id: int | None
    entered_at: datetime
    entered_by: int | None
    why: str | None
    withdrawn: bool
    values: dict[str, Any]


class History(Model):
    """All that was ever said of one thing, first entry first."""

    entries: list[HistoryRow]
