"""The day's round, put together from the log."""

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from service.growth.run_series import RunReadings
from service.log.entries import current
from service.log.schema import CHORE
from service.models.room import TrayState
from service.models.runs import Chore, Reading
from service.models.today import HarvestDue, PhotoDue, Resting, Today, ToWash
from service.photos.photo_log import PhotoSearch, photo_ids, photos_out
from service.room.last_air import air_is_due, last_readings
from service.room.room_log import trays_by_number
from service.room.trays_now import TraysNow
from service.room.washing import unwashed_run
from trayvision.attention.attention import few_to_walk_to

_NOT_MEASURED_SINCE = timedelta(days=2)


class RoomNow(TraysNow):
    """The room at one moment: its trays and the day's round."""

    def today(self, *, chores: bool = True, not_measured: bool = True) -> Today:
        """The day's round.

        Parameters
        ----------
        chores, not_measured : bool
            Whether these are looked up, or left empty for who shows none of them.
        """
        local = self._now.astimezone(ZoneInfo(self._room.time_zone))
        ends = self._day_ends()
        growing = self._growth.readings(self._growth.present())
        since = self._now - _NOT_MEASURED_SINCE
        few = few_to_walk_to([flag.level for flag in self._flags])
        search = PhotoSearch(with_problem=True, since=since)
        bad = photo_ids(self._connection, search) if not_measured else []
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
            to_wash=self._to_wash(),
            chores=self._chores(ends) if chores else [],
            readings=(air := self.last_readings()),
            air_due=bool(growing) and air_is_due(air, local),
            not_measured=photos_out(self._connection, bad),
        )

    def harvests(self) -> list[HarvestDue]:
        """Growing trays and when they are due, soonest first."""
        return self._harvests(self._growth.readings(self._growth.present()), self._day_ends())

    def _day_ends(self) -> datetime:
        zone = ZoneInfo(self._room.time_zone)
        tomorrow = self._now.astimezone(zone).date() + timedelta(days=1)
        return datetime.combine(tomorrow, time(), zone)

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
                    look_first=self._look_first.get(readings.span.id, []),
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
            newest = self._newest.get(readings.span.id)
            # A photo in which mould cannot be judged leaves its tray as it was.
            last = None if newest is None else newest.judged_at
            hours = None if last is None else (self._now - last).total_seconds() / 3600
            if hours is not None and hours < self._room.photo_every_hours:
                continue
            due.append(
                PhotoDue(
                    tray=readings.span.number,
                    run_id=readings.span.id,
                    shelf_id=readings.shelf_id,
                    last_photo_at=last,
                    not_judged_at=None
                    if newest is None or newest.taken_at == last
                    else newest.taken_at,
                    hours_since=None if hours is None else round(hours, 1),
                )
            )
        return sorted(due, key=lambda one: (-(one.hours_since or 1e9), one.tray))

    def _resting(self) -> list[Resting]:
        resting = []
        for number, row in trays_by_number(self._connection).items():
            state, since = self._state(row["id"], self._present(row["id"]))
            if state is TrayState.RESTING and since is not None:
                resting.append(Resting(tray=number, since_at=since))
        return resting

    def _to_wash(self) -> list[ToWash]:
        found = []
        for number, row in trays_by_number(self._connection).items():
            run = unwashed_run(self._connection, row["id"], self._now)
            if run is not None and run.ended_at is not None:
                found.append(ToWash(tray=number, since_at=run.ended_at))
        return found

    def _chores(self, day_ends: datetime) -> list[Chore]:
        now = current(CHORE)
        statement = (
            sa.select(now)
            .where(
                now.c.done_at.is_(None),
                # One without a day is for whoever comes next.
                sa.or_(now.c.planned_for < day_ends, now.c.planned_for.is_(None)),
            )
            .order_by(sa.func.coalesce(now.c.planned_for, now.c.first_entered_at), now.c.id)
        )
        rows = self._connection.execute(statement).mappings()
        return [
            Chore.model_validate({name: row[name] for name in Chore.model_fields}) for row in rows
        ]

    def last_readings(self) -> list[Reading]:
        """The last reading of the room and of each shelf."""
        return last_readings(self._connection, self._now)
