"""A tray's page and the day's round."""

from datetime import date, datetime

from pydantic import Field

from service.models.base import Model
from service.models.flags import FlagOut, Hold
from service.models.growth import Forecast
from service.models.photos import PhotoOut
from service.models.room import DayZero, TrayState
from service.models.runs import Chore, Reading, Run


class TrayOut(Model):
    """A tray now: its run, what the last photo showed, its stage and forecast."""

    tray: int
    size: str
    note: str | None
    state: TrayState
    state_since: datetime | None
    shelf_id: int | None
    shelf: str | None
    position_id: int | None
    stage: str | None = Field(description="Stage of the run; null while nothing grows.")
    run: Run | None
    latest: PhotoOut | None
    forecast: Forecast | None
    flags: list[FlagOut]
    hold: Hold | None = Field(description="Null: nobody and nothing asks to hold it from feeding.")


class TraysOut(Model):
    """Trays by number."""

    trays: list[TrayOut]


class HarvestDue(Model):
    """A growing tray and when it is due, soonest first."""

    tray: int
    run_id: int
    shelf_id: int | None
    stage: str
    due: bool = Field(description="Forecast to be ready before today ends.")
    hold: bool = Field(description="It stands on hold from feeding; see `holds`.")
    forecast: Forecast


class PhotoDue(Model):
    """A growing tray without a fresh photo."""

    tray: int
    run_id: int
    shelf_id: int | None
    last_photo_at: datetime | None
    hours_since: float | None = Field(description="Null: no photo in this run yet.")


class Resting(Model):
    """A tray that rests, and since when."""

    tray: int
    since_at: datetime


class Today(Model):
    """The day's round."""

    date: date
    now: datetime
    time_zone: str
    day_zero: DayZero | None = Field(description="Null: the room has not said yet how it counts.")
    looks: list[FlagOut] = Field(
        description="The few trays to walk to now, most urgent first: every hold, then looks."
    )
    later: list[FlagOut] = Field(description="All other open flags, most urgent first.")
    holds: list[Hold] = Field(description="Growing trays on hold from feeding, by number.")
    harvests: list[HarvestDue]
    photos_due: list[PhotoDue]
    resting: list[Resting]
    chores: list[Chore]
    readings: list[Reading]
    not_measured: list[PhotoOut] = Field(
        description="Photos of the last two days in which no tray could be read."
    )
