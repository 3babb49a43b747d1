"""A tray's page and the day's round."""

from datetime import date, datetime
from enum import StrEnum

from pydantic import Field

from service.models.base import Model
from service.models.flags import FlagOut, Hold
from service.models.growth import Forecast
from service.models.photos import PhotoOut
from service.models.room import DayZero, TrayState
from service.models.runs import Chore, Reading, Run


class LookWhy(StrEnum):
    """What asks to look at a tray before it is taken."""

    PHOTO = "photo"
    NEIGHBOUR = "neighbour"


class LookFirst(Model):
    """Why a tray deserves a look before it is taken, beside its own flags."""

    why: LookWhy = Field(
        description="A photo of it shows a spot that may be mould, or mould was found in a tray "
        "beside it, or in one with which it shares water or seed."
    )
    at: datetime = Field(description="When the photo was taken, or the mould was found.")
    photo_id: int | None = Field(default=None, description="The photo that shows the spot.")
    likelihood: float | None = Field(
        default=None, description="That its likeliest spot is mould, by that photo alone."
    )
    tray: int | None = Field(default=None, description="The tray in which mould was found.")
    flag_id: int | None = Field(default=None, description="The flag of that tray.")


class TrayOut(Model):
    """A tray now: its run, what the last photo showed, its stage and forecast."""

    tray: int
    size: str
    note: str | None
    state: TrayState
    state_since: datetime | None
    to_wash: bool = Field(
        description="Something grew in it, and nobody wrote since that it was washed."
    )
    shelf_id: int | None
    shelf: str | None
    position_id: int | None
    stage: str | None = Field(description="Stage of the run; null while nothing grows.")
    run: Run | None
    latest: PhotoOut | None
    forecast: Forecast | None
    flags: list[FlagOut]
    look_first: list[LookFirst] = Field(
        description="What asks to look at it before it is taken, where none of its flags does."
    )
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
    look_first: list[LookFirst] = Field(
        description="What asks to look at it before it is taken, where none of its flags does."
    )
    forecast: Forecast


class PhotoDue(Model):
    """A growing tray without a fresh photo."""

    tray: int
    run_id: int
    shelf_id: int | None
    last_photo_at: datetime | None = Field(
        description="The last one in which mould could be judged; null: none in this run yet."
    )
    not_judged_at: datetime | None = Field(
        description="When a newer photo was taken in which mould could not be judged."
    )
    hours_since: float | None = Field(description="Since `last_photo_at`; null where that is.")


class Resting(Model):
    """A tray that rests, and since when."""

    tray: int
    since_at: datetime


class ToWash(Model):
    """A tray that nobody wrote as washed since something was taken out of it, and since when."""

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
    to_wash: list[ToWash]
    chores: list[Chore]
    readings: list[Reading]
    air_due: bool = Field(
        description="Trays grow, and nobody has read the air since this morning or evening began."
    )
    not_measured: list[PhotoOut] = Field(
        description="Photos of the last two days in which no tray could be read."
    )
