"""Seed lots, runs from spreading to harvest, readings and chores."""

from datetime import datetime
from enum import StrEnum
from typing import Annotated, Any

from pydantic import AfterValidator, Field, model_validator

from service.log.free_values import check_free
from service.models.base import Change, Entered, Model, Moment, Name, Share, Text, ThingId
from service.models.room import Day, Height, TrayNumber

Grams = Annotated[float, Field(gt=0, le=1_000_000)]
Kilograms = Annotated[float, Field(gt=0, le=1_000_000)]
Celsius = Annotated[float, Field(ge=-60, le=90)]
Percent = Annotated[float, Field(ge=0, le=100)]
Details = Annotated[dict[str, Any], Field(max_length=50), AfterValidator(check_free)]


class NewLot(Model):
    """A lot of seed."""

    name: Name
    grain: Name = "barley"
    supplier: Name | None = None
    certificate: Name | None = None
    received_at: Moment | None = None
    weight_kg: Kilograms | None = None
    germination_share: Share | None = None
    note: Text | None = None


class LotChange(Change):
    """What can be corrected of a lot."""

    name: Name | None = None
    grain: Name | None = None
    supplier: Name | None = None
    certificate: Name | None = None
    received_at: Moment | None = None
    weight_kg: Kilograms | None = None
    germination_share: Share | None = None
    note: Text | None = None


class Lot(Entered):
    """A lot of seed."""

    name: str
    grain: str
    supplier: str | None
    certificate: str | None
    received_at: datetime | None
    weight_kg: float | None
    germination_share: float | None
    note: str | None


class Seed(Model):
    """Seed of one lot in a run."""

    lot_id: ThingId
    weight_g: Grams | None = None


class NewRun(Model):
    """A tray is spread; everything but the tray may be left out and added later."""

    tray: TrayNumber
    spread_at: Moment | None = Field(default=None, description="Default: now.")
    soaked_at: Moment | None = None
    seed: list[Seed] = Field(default=[], max_length=10, description="One entry a lot.")
    target_shoot_height_mm: Height | None = Field(default=None, description="Default: the room's.")
    target_day: Day | None = Field(default=None, description="Default: the room's.")
    note: Text | None = None


class RunChange(Change):
    """What can be corrected of a run."""

    tray: TrayNumber | None = None
    spread_at: Moment | None = None
    soaked_at: Moment | None = None
    seed: list[Seed] | None = Field(default=None, max_length=10)
    target_shoot_height_mm: Height | None = None
    target_day: Day | None = None
    note: Text | None = None


class NewSplit(Model):
    """A part of a tray is put into another tray, where it grows on."""

    tray: TrayNumber = Field(description="Into which it is put.")
    share: float = Field(
        default=0.5, ge=0.05, le=0.95, description="How much of what lies in the tray is put over."
    )
    split_at: Moment | None = Field(default=None, description="Default: now.")


class EndReason(StrEnum):
    """How a run, or a part of its tray, ended."""

    HARVESTED = "harvested"
    THROWN = "thrown"
    OTHER = "other"
    NEXT_RUN = "next run started"


class Run(Entered):
    """A tray from spreading to its end.

    A run that nobody ended ends when the next run of its tray starts, and says so.
    """

    tray: int
    spread_at: datetime
    soaked_at: datetime | None
    in_tray_from: datetime | None = Field(
        description="Of a part that was put into this tray: since when; null: from spreading."
    )
    split_from_id: int | None = Field(
        description="Of a part: the run of which it is; its age is that run's."
    )
    taken_from_id: int | None = Field(
        description="Of a part: the run whose tray it was taken from; of a part of a part, a part."
    )
    day_from_spread: float = Field(description="Days from spreading to now, or to the run's end.")
    day_from_soak: float | None = Field(description="The same from soaking, where known.")
    seed: list[Seed]
    grain: str
    target_shoot_height_mm: float | None
    target_day: float | None
    ended_at: datetime | None
    ended_reason: EndReason | None
    harvest_weight_g: float | None = Field(
        description="All parts but those thrown; null: none, or one of them was not weighed."
    )
    thrown_weight_g: float | None = Field(
        description="All parts that were thrown; null: none, or one of them was not weighed."
    )
    note: str | None


class NewHarvest(Model):
    """A tray, or part of it, is taken."""

    harvested_at: Moment | None = Field(default=None, description="Default: now.")
    weight_g: Grams | None = None
    ends_run: bool = Field(default=True, description="False while part of the tray grows on.")
    reason: EndReason = EndReason.HARVESTED
    note: Text | None = None

    @model_validator(mode="after")
    def _said_by_people(self) -> "NewHarvest":
        if self.reason is EndReason.NEXT_RUN:
            raise ValueError("reason must be harvested, thrown or other")
        return self


class HarvestChange(Change):
    """What can be corrected of a harvest."""

    tray: TrayNumber | None = Field(
        default=None,
        description="Of which it was: of the run that lay in it when it was taken.",
    )
    harvested_at: Moment | None = None
    weight_g: Grams | None = None
    ends_run: bool | None = None
    reason: EndReason | None = None
    note: Text | None = None


class Harvest(Entered):
    """A tray, or part of it, was taken."""

    run_id: int
    harvested_at: datetime
    weight_g: float | None
    ends_run: bool
    reason: EndReason
    note: str | None


class NewReading(Model):
    """Air of the room, or of one shelf; at least one value."""

    shelf_id: ThingId | None = Field(default=None, description="None: the room.")
    read_at: Moment | None = Field(default=None, description="Default: now.")
    temperature_c: Celsius | None = None
    temperature_low_c: Celsius | None = Field(
        default=None, description="Lowest since the last reset."
    )
    temperature_high_c: Celsius | None = None
    humidity_percent: Percent | None = None
    humidity_low_percent: Percent | None = None
    humidity_high_percent: Percent | None = None
    source: Name = "typed in"
    note: Text | None = None

    @model_validator(mode="after")
    def _says_something(self) -> "NewReading":
        for quantity, unit in (("temperature", "c"), ("humidity", "percent")):
            low = getattr(self, f"{quantity}_low_{unit}")
            high = getattr(self, f"{quantity}_high_{unit}")
            if low is not None and high is not None and low > high:
                raise ValueError(
                    f"{quantity}_low_{unit} must not exceed {quantity}_high_{unit}, "
                    f"got {low} and {high}"
                )
        if not any(
            value is not None
            for name, value in self
            if name.startswith(("temperature", "humidity"))
        ):
            raise ValueError("a temperature or humidity must be given, got none")
        return self


class ReadingChange(Change):
    """What can be corrected of a reading."""

    shelf_id: ThingId | None = None
    read_at: Moment | None = None
    temperature_c: Celsius | None = None
    temperature_low_c: Celsius | None = None
    temperature_high_c: Celsius | None = None
    humidity_percent: Percent | None = None
    humidity_low_percent: Percent | None = None
    humidity_high_percent: Percent | None = None
    note: Text | None = None


class Reading(Entered):
    """Air of the room, or of one shelf."""

    shelf_id: int | None
    read_at: datetime
    temperature_c: float | None
    temperature_low_c: float | None
    temperature_high_c: float | None
    humidity_percent: float | None
    humidity_low_percent: float | None
    humidity_high_percent: float | None
    source: str
    note: str | None


class NewChore(Model):
    """Something to do, or done."""

    kind: Name = Field(description="Such as water, wash, sanitise, soak, weigh, feed, move.")
    title: Name
    planned_for: Moment | None = None
    done_at: Moment | None = None
    tray_id: ThingId | None = None
    shelf_id: ThingId | None = None
    run_id: ThingId | None = None
    details: Details | None = None
    note: Text | None = None


class ChoreChange(Change):
    """What can be corrected of a chore; `done_at` marks it done."""

    kind: Name | None = None
    title: Name | None = None
    planned_for: Moment | None = None
    done_at: Moment | None = None
    shelf_id: ThingId | None = None
    details: Details | None = None
    note: Text | None = None


class Chore(Entered):
    """Something to do, or done."""

    kind: str
    title: str
    planned_for: datetime | None
    done_at: datetime | None
    done_by: int | None
    tray_id: int | None
    shelf_id: int | None
    run_id: int | None
    details: dict[str, Any] | None
    note: str | None
