"""Each tray as it is at one moment: its state, place, run and stage, put together from the log."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import sqlalchemy as sa

from service.flags.flag_log import flags
from service.flags.holds import holds
from service.flags.look_first import looks_first
from service.growth.growth import RoomGrowth
from service.growth.run_series import RunReadings
from service.log.log_memory import last_until
from service.models.flags import FlagOut, FlagState, Hold
from service.models.growth import Forecast
from service.models.photos import PhotoOut
from service.models.room import Room, TrayState
from service.models.runs import Run
from service.models.today import LookFirst, TrayOut
from service.photos.photo_log import latest_photos, photos_out
from service.photos.photo_scores import NewestPhoto, newest_photos
from service.room.room_log import Row, shelf_names, trays_by_number
from service.room.washing import STATES, unwashed_run
from service.runs.run_calendar import RunSpan
from service.runs.run_log import runs_out
from service.runs.run_places import PLACES
from trayvision.attention.dates import OVERDUE_AFTER
from trayvision.attention.flags import FlagKind
from trayvision.attention.state import Level

# Cover at which the grower speaks of a carpet; the same as the colour of day 4 to 5 in the trade.
_CARPET_COVER = 0.8
_GREENING_COVER = 0.05
_ASKING = (Level.LOOK, Level.HOLD)


@dataclass(frozen=True, eq=False)
class TrayNow:
    """A tray as it stands at one moment.

    Parameters
    ----------
    row : mapping
        The tray as it holds now.
    state : TrayState
    since : datetime or None
    to_wash : bool
        Something grew in it, and nobody wrote since that it was washed.
    shelf_id, position_id : int or None
    readings : RunReadings or None
        Its present run with what its photos measured.
    newest : NewestPhoto or None
        The last photo of that run.
    forecast : Forecast or None
    stage : str or None
    flags : tuple of FlagOut
        Open ones, most urgent first.
    look_first : tuple of LookFirst
        What asks to look at it before it is taken, where none of its flags does.
    hold : Hold or None
        Why it is held from feeding.
    """

    row: Row
    state: TrayState
    since: datetime | None
    to_wash: bool
    shelf_id: int | None
    position_id: int | None
    readings: RunReadings | None
    newest: NewestPhoto | None
    forecast: Forecast | None
    stage: str | None
    flags: tuple[FlagOut, ...]
    look_first: tuple[LookFirst, ...]
    hold: Hold | None

    @property
    def number(self) -> int:
        """The number on its kit."""
        return int(self.row["number"])


class TraysNow:
    """The room's trays at one moment, on one open connection.

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
        return self._trays(list(trays_by_number(self._connection).values()))

    def tray(self, row: Row) -> TrayOut:
        """One tray; `row` is what holds now of it."""
        return self._trays([row])[0]

    def tray_without_photo(self, row: Row) -> TrayOut:
        """The same without its last photo, which takes longest to read."""
        return self._outs([row], {})[0]

    def standing(self) -> list[TrayNow]:
        """All registered trays by number, without what takes long to put into words."""
        return self._standing(list(trays_by_number(self._connection).values()))

    def _standing(self, rows: Sequence[Row]) -> list[TrayNow]:
        present = [span for row in rows if (span := self._present(row["id"])) is not None]
        growing = {one.span.tray_id: one for one in self._growth.readings(present)}
        flags_of = self._flags_by_tray()
        return [
            self._tray_now(row, growing.get(row["id"]), flags_of.get(row["number"], []))
            for row in rows
        ]

    def _tray_now(
        self, row: Row, readings: RunReadings | None, flags: Sequence[FlagOut]
    ) -> TrayNow:
        forecast = None if readings is None else self._growth.forecast(readings)
        stage = None if readings is None or forecast is None else self._stage(readings, forecast)
        state, since = self._state(row["id"], None if readings is None else readings.span)
        place = last_until(self._places.get(row["id"], ()), "placed_at", self._now)
        return TrayNow(
            row=row,
            state=state,
            since=since,
            to_wash=readings is None
            and unwashed_run(self._connection, row["id"], self._now) is not None,
            shelf_id=None if place is None else place["shelf_id"],
            position_id=None if place is None else place["position_id"],
            readings=readings,
            newest=None if readings is None else self._newest.get(readings.span.id),
            forecast=forecast,
            stage=stage,
            flags=tuple(flags),
            look_first=()
            if readings is None
            else tuple(self._look_first.get(readings.span.id, ())),
            hold=self._holds.get(row["number"]),
        )

    def _trays(self, rows: Sequence[Row]) -> list[TrayOut]:
        latest = latest_photos(self._connection, [row["id"] for row in rows])
        photos = photos_out(self._connection, [*latest.values()])
        return self._outs(rows, dict(zip(latest, photos, strict=True)))

    def _outs(self, rows: Sequence[Row], photos: Mapping[int, PhotoOut]) -> list[TrayOut]:
        """Trays with some of their last photos, by tray id."""
        standing = self._standing(rows)
        present = [one.readings.span for one in standing if one.readings is not None]
        runs = runs_out(self._connection, present, room=self._room, now=self._now)
        run_of = {run.tray: run for run in runs}
        return [
            self._out(one, run_of.get(one.number), photos.get(one.row["id"])) for one in standing
        ]

    def _out(self, tray: TrayNow, run: Run | None, latest: PhotoOut | None) -> TrayOut:
        return TrayOut(
            tray=tray.number,
            size=tray.row["size"] or self._room.tray_size,
            note=tray.row["note"],
            state=tray.state,
            state_since=tray.since,
            to_wash=tray.to_wash,
            shelf_id=tray.shelf_id,
            shelf=None if tray.shelf_id is None else self._shelves.get(tray.shelf_id),
            position_id=tray.position_id,
            stage=tray.stage,
            run=run,
            latest=latest,
            forecast=tray.forecast,
            flags=list(tray.flags),
            look_first=list(tray.look_first),
            hold=tray.hold,
        )

    def _flags_by_tray(self) -> dict[int, list[FlagOut]]:
        by_tray: dict[int, list[FlagOut]] = {}
        for flag in self._flags:
            for tray in flag.trays:
                by_tray.setdefault(tray, []).append(flag)
        return by_tray

    @property
    def finished(self) -> tuple[RunReadings, ...]:
        """The room's last finished runs, with their readings: what is usual here."""
        return self._growth.finished

    def open_flags(self) -> list[FlagOut]:
        """Open flags, most urgent first."""
        return self._flags

    def holds(self) -> list[Hold]:
        """Growing trays on hold from feeding, by number."""
        return list(self._holds.values())

    def quiet(self) -> frozenset[int]:
        """Growing trays that nothing asks to look at, going by all their photos."""
        asked = {tray for flag in self._flags if flag.level in _ASKING for tray in flag.trays}
        return frozenset(
            span.number
            for span in self._growth.present()
            if span.number not in asked | self._holds.keys() and span.id not in self._look_first
        )

    @cached_property
    def _holds(self) -> dict[int, Hold]:
        growing = {span.id: span.number for span in self._growth.present()}
        snoozed = flags(self._connection, self._now, state=FlagState.SNOOZED)
        return {
            hold.tray: hold for hold in holds(self._connection, growing, [*self._flags, *snoozed])
        }

    @cached_property
    def _look_first(self) -> dict[int, list[LookFirst]]:
        told = {flag.run_id for flag in self._flags if flag.kind == FlagKind.POSSIBLE_MOULD}
        return looks_first(
            self._connection,
            self._growth.readings(self._growth.present()),
            self._now,
            newest=self._newest,
            told={run for run in told if run is not None} | {one.run_id for one in self.holds()},
        )

    @cached_property
    def _newest(self) -> dict[int, NewestPhoto]:
        return newest_photos(self._connection, self._growth.readings(self._growth.present()))

    def _present(self, tray_id: int) -> RunSpan | None:
        return self._growth.present_by_tray.get(tray_id)

    def _state(self, tray_id: int, span: RunSpan | None) -> tuple[TrayState, datetime | None]:
        if span is not None:
            return TrayState.GROWING, span.row["in_tray_from"] or span.soaked_at or span.spread_at
        said = last_until(self._states.get(tray_id, ()), "since_at", self._now)
        # Runs of one tray do not overlap: the last one that ended, ended last.
        ends = (other.ended_at for other in reversed(self._runs.get(tray_id, ())))
        ended_at = next(filter(None, ends), None)
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
        if due is not None and self._now >= due + OVERDUE_AFTER:
            return "overdue"
        if due is not None and self._now >= due:
            return "ready"
        covers = (row["cover"] for row in reversed(readings.series.rows_of_whole_tray))
        cover = next((cover for cover in covers if cover is not None), None)
        if cover is not None and cover >= _CARPET_COVER:
            return "carpet"
        if cover is not None and cover >= _GREENING_COVER:
            return "greening"
        return "spread" if day < 1 else "roots"
