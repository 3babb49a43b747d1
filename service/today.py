"""A tray as it is now, and the day's round, put together from the log."""

from collections.abc import Sequence
from datetime import datetime, time, timedelta
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from service.entries import current
from service.flag_log import flags
from service.growth import RoomGrowth
from service.holds import holds
from service.last_air import last_readings
from service.log_memory import last_until, rows_by_tray
from service.models.flags import FlagOut, FlagState, Hold
from service.models.growth import Forecast
from service.models.room import Room, TrayState
from service.models.runs import Chore, Reading
from service.models.today import HarvestDue, PhotoDue, Resting, Today, TrayOut
from service.photo_log import PhotoSearch, latest_photos, photo_ids, photos_out
from service.room_log import Row, shelf_names
from service.run_calendar import RunSpan, present_run
from service.run_log import runs_out
from service.run_readings import PLACES, RunReadings
from service.schema import CHORE, TRAY, TRAY_STATE
from trayvision.attention import few_to_walk_to

_NOT_MEASURED_SINCE = timedelta(days=2)
# Cover at which the grower speaks of a carpet; the same as the colour of day 4 to 5 in the trade.
_CARPET_COVER = 0.8
_GREENING_COVER = 0.05
_OVERDUE_AFTER = timedelta(hours=24)
STATES = rows_by_tray(TRAY_STATE, "since_at")


class RoomNow:
    """The room at one moment, on one open connection.

    Parameters
    ----------
    connection : Connection
    room : Room
    now : aware datetime
    """

    def __init__(self, connection: sa.Connection, room: Room, now: datetime) -> None:
        self._connection = connection
        self._room = room
        self._now = now
        self._growth = RoomGrowth(connection, room, now)
        self._runs = self._growth.calendar.by_tray
        self._flags = flags(connection, now)
        self._shelves = shelf_names(connection)
        self._places = PLACES.of(connection)
        self._states = STATES.of(connection)

    def trays(self) -> list[TrayOut]:
        """All registered trays by number."""
        now = current(TRAY)
        rows = self._connection.execute(sa.select(now).order_by(now.c.number)).mappings()
        return self._trays(list(rows))

    def tray(self, row: Row) -> TrayOut:
        """One tray; `row` is what holds now of it."""
        return self._trays([row])[0]

    def _trays(self, rows: Sequence[Row]) -> list[TrayOut]:
        ids = [row["id"] for row in rows]
        present = [span for tray in ids if (span := self._present(tray)) is not None]
        growing = {one.span.tray_id: one for one in self._growth.readings(present)}
        runs = runs_out(self._connection, present, room=self._room, now=self._now)
        latest = latest_photos(self._connection, ids)
        photos = {photo.id: photo for photo in photos_out(self._connection, [*latest.values()])}
        run_of = {run.tray: run for run in runs}
        flags_of = self._flags_by_tray()
        return [
            self._tray(
                row,
                growing.get(row["id"]),
                {
                    "run": run_of.get(row["number"]),
                    "latest": photos.get(latest.get(row["id"], 0)),
                    "flags": flags_of.get(row["number"], []),
                },
            )
            for row in rows
        ]

    def _tray(self, row: Row, readings: RunReadings | None, beside: dict[str, Any]) -> TrayOut:
        tray_id = row["id"]
        forecast = None if readings is None else self._growth.forecast(readings)
        stage = None if readings is None or forecast is None else self._stage(readings, forecast)
        state, since = self._state(tray_id, None if readings is None else readings.span)
        place = last_until(self._places.get(tray_id, ()), "placed_at", self._now)
        shelf_id = None if place is None else place["shelf_id"]
        return TrayOut(
            tray=row["number"],
            size=row["size"] or self._room.tray_size,
            note=row["note"],
            state=state,
            state_since=since,
            shelf_id=shelf_id,
            shelf=None if shelf_id is None else self._shelves.get(shelf_id),
            position_id=None if place is None else place["position_id"],
            stage=stage,
            forecast=forecast,
            hold=self._holds.get(row["number"]),
            **beside,
        )

    def _flags_by_tray(self) -> dict[int, list[FlagOut]]:
        by_tray: dict[int, list[FlagOut]] = {}
        for flag in self._flags:
            for tray in flag.trays:
                by_tray.setdefault(tray, []).append(flag)
        return by_tray

    def today(self) -> Today:
        """The day's round."""
        zone = ZoneInfo(self._room.time_zone)
        local = self._now.astimezone(zone)
        ends = datetime.combine(local.date() + timedelta(days=1), time(), zone)
        growing = self._growth.readings(self._growth.present())
        since = self._now - _NOT_MEASURED_SINCE
        few = few_to_walk_to([flag.level for flag in self._flags])
        bad = photo_ids(self._connection, PhotoSearch(with_problem=True, since=since))
        return Today(
            date=local.date(),
            now=self._now,
            time_zone=self._room.time_zone,
            day_zero=self._room.day_zero,
            looks=self._flags[:few],
            later=self._flags[few:],
            holds=self.holds(),
            harvests=self._harvests(growing, ends),
            photos_due=self._photos_due(growing),
            resting=self._resting(),
            chores=self._chores(ends),
            readings=self.last_readings(),
            not_measured=photos_out(self._connection, bad),
        )

    def open_flags(self) -> list[FlagOut]:
        """Open flags, most urgent first."""
        return self._flags

    def holds(self) -> list[Hold]:
        """Growing trays on hold from feeding, by number."""
        return list(self._holds.values())

    @cached_property
    def _holds(self) -> dict[int, Hold]:
        growing = {span.id: span.number for span in self._growth.present()}
        snoozed = flags(self._connection, self._now, state=FlagState.SNOOZED)
        return {
            hold.tray: hold for hold in holds(self._connection, growing, [*self._flags, *snoozed])
        }

    def _present(self, tray_id: int) -> RunSpan | None:
        return present_run(self._runs.get(tray_id, ()), self._now)

    def _state(self, tray_id: int, span: RunSpan | None) -> tuple[TrayState, datetime | None]:
        if span is not None:
            return TrayState.GROWING, span.row["soaked_at"] or span.spread_at
        said = last_until(self._states.get(tray_id, ()), "since_at", self._now)
        ends = [
            other.ended_at for other in self._runs.get(tray_id, ()) if other.ended_at is not None
        ]
        ended_at = max(ends, default=None)
        if said is not None and (ended_at is None or said["since_at"] >= ended_at):
            return TrayState(said["state"]), said["since_at"]
        return TrayState.EMPTY, ended_at

    def _day(self, readings: RunReadings) -> float:
        return (self._now - readings.span.spread_at).total_seconds() / 86400

    def _stage(self, readings: RunReadings, forecast: Forecast) -> str:
        day = self._day(readings)
        if day < 0:
            return "soaking"
        due = forecast.harvest_at
        if due is not None and self._now >= due + _OVERDUE_AFTER:
            return "overdue"
        if due is not None and self._now >= due:
            return "ready"
        covers = [row["cover"] for row in readings.rows if row["cover"] is not None]
        cover = covers[-1] if covers else None
        if cover is not None and cover >= _CARPET_COVER:
            return "carpet"
        if cover is not None and cover >= _GREENING_COVER:
            return "greening"
        return "spread" if day < 1 else "roots"

    def _harvests(self, growing: list[RunReadings], day_ends: datetime) -> list[HarvestDue]:
        due = []
        for readings in growing:
            forecast = self._growth.forecast(readings)
            ready = forecast.harvest_at is not None and forecast.harvest_at < day_ends
            due.append(
                HarvestDue(
                    tray=readings.span.number,
                    run_id=readings.span.id,
                    shelf_id=readings.shelf_id,
                    stage=self._stage(readings, forecast),
                    due=ready,
                    hold=readings.span.number in self._holds,
                    forecast=forecast,
                )
            )
        return sorted(
            due,
            key=lambda one: (
                one.forecast.harvest_at is None,
                one.forecast.harvest_at or self._now,
                one.tray,
            ),
        )

    def _photos_due(self, growing: list[RunReadings]) -> list[PhotoDue]:
        due = []
        for readings in growing:
            if self._day(readings) < 0:
                continue
            last = readings.rows[-1]["taken_at"] if readings.rows else None
            hours = None if last is None else (self._now - last).total_seconds() / 3600
            if hours is not None and hours < self._room.photo_every_hours:
                continue
            due.append(
                PhotoDue(
                    tray=readings.span.number,
                    run_id=readings.span.id,
                    shelf_id=readings.shelf_id,
                    last_photo_at=last,
                    hours_since=None if hours is None else round(hours, 1),
                )
            )
        return sorted(due, key=lambda one: (-(one.hours_since or 1e9), one.tray))

    def _resting(self) -> list[Resting]:
        now = current(TRAY)
        rows = self._connection.execute(sa.select(now.c.id, now.c.number).order_by(now.c.number))
        resting = []
        for row in rows:
            state, since = self._state(row.id, self._present(row.id))
            if state is TrayState.RESTING and since is not None:
                resting.append(Resting(tray=row.number, since_at=since))
        return resting

    def _chores(self, day_ends: datetime) -> list[Chore]:
        now = current(CHORE)
        statement = (
            sa.select(now)
            .where(now.c.done_at.is_(None), now.c.planned_for < day_ends)
            .order_by(now.c.planned_for, now.c.id)
        )
        rows = self._connection.execute(statement).mappings()
        return [
            Chore.model_validate({name: row[name] for name in Chore.model_fields}) for row in rows
        ]

    def last_readings(self) -> list[Reading]:
        """The last reading of the room and of each shelf."""
        return last_readings(self._connection, self._now)
