"""What is kept from one answer to the next is what a fresh look would find."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import pytest
import sqlalchemy as sa

from service.flags.flag_answers import _renewed as answers_anew
from service.flags.flag_log import flags
from service.flags.flag_rows import _renewed as last_events_anew
from service.flags.flag_rows import _standing as standing_anew
from service.flags.flag_rows import flags_where
from service.growth.curve_warming import CurveWarmer
from service.growth.run_readings import run_series
from service.log.entries import enter
from service.log.log_memory import LogMemory, Seen
from service.log.schema import FLAG, FLAG_EVENT, RUN
from service.models.flags import FlagState
from service.photos.photo_log import latest_photos
from service.room.last_air import last_readings
from service.room.washing import STATES
from service.runs.run_calendar import _renewed as calendar_anew
from service.runs.run_calendar import run_calendar, run_spans
from service.runs.run_places import PLACES
from service.settings import Settings
from tests.service.conftest import START, Room, opened

# Readings may be written down late, and of a time to come.
_DAYS = (0, -4, 2)
RUNNING = {"spread_at": (START - timedelta(days=6)).isoformat()}


def _known(room: Room) -> Any:
    """All that is kept, as plain values."""
    with room.service.database.read() as connection:
        calendar = run_calendar(connection)
        spans = list(calendar.all())
        series = run_series(connection, spans)
        return {
            "spans": [(span.id, span.tray_id, span.spread_at, span.ended_at) for span in spans],
            "ends": list(calendar.ends),
            "open": sorted(span.id for span in calendar.without_end),
            "series": {
                run: [
                    (row["photo_id"], row["taken_at"], row["shoot_height_mm"]) for row in one.rows
                ]
                for run, one in series.items()
            },
            "places": {
                tray: [row["shelf_id"] for row in rows]
                for tray, rows in PLACES.of(connection).items()
                if rows
            },
            "states": {
                tray: [row["state"] for row in rows]
                for tray, rows in STATES.of(connection).items()
                if rows
            },
            "latest": latest_photos(connection, range(1, 5)),
            "flags": flags(connection, room.watch()),
            "air": [last_readings(connection, room.watch() + timedelta(days=day)) for day in _DAYS],
        }


def _fresh(room: Room, settings: Settings) -> Any:
    """The same as a service finds it that was just started.

    It is closed again: its own look at the clock would go on writing beside the room's.
    """
    with opened(settings, room.watch, room.inspector) as started:
        return _known(started)


def _at(day: float) -> datetime:
    return START - timedelta(days=6 - day)


@dataclass
class _Entering:
    """Somebody who enters things, and remembers what they were called."""

    room: Room
    shelf: dict[str, Any] = field(default_factory=dict)
    runs: list[int] = field(default_factory=list)
    photos: list[dict[str, Any]] = field(default_factory=list)
    readings: list[int] = field(default_factory=list)

    def stand(self) -> None:
        rack = self.room.post("/api/racks", name="Rack")
        self.shelf |= self.room.post("/api/shelves", rack_id=rack["id"], name="Top", level=1)
        self.room.post(
            "/api/trays/7/placements", shelf_id=self.shelf["id"], placed_at=_at(0).isoformat()
        )

    def run(self, tray: int, day: float) -> None:
        made = self.room.post("/api/runs", tray=tray, spread_at=_at(day).isoformat())
        self.runs.append(made["id"])

    def photo(self, tray: int, day: float, height_mm: float) -> None:
        note = str(len(self.photos))
        self.photos.append(self.room.photograph(tray, _at(day), height_mm=height_mm, note=note))

    def air(self, day: float, warm_c: float) -> None:
        body = {"read_at": _at(day).isoformat(), "temperature_c": warm_c}
        shelves = {"shelf_id": self.shelf["id"]} if self.shelf else {}
        self.readings.append(self.room.post("/api/readings", **body, **shelves)["id"])


def _entries(room: Room) -> list[Callable[[], Any]]:
    """What people enter, correct and withdraw, one after the other; trays 7 and 8."""
    by = _Entering(room)
    return [
        lambda: by.air(1, 17.0),
        lambda: by.run(7, 0),
        lambda: by.photo(7, 3, 40.0),
        by.stand,
        lambda: by.photo(7, 1, 5.0),
        lambda: by.run(8, 0),
        lambda: by.air(5, 18.0),
        lambda: by.air(3, 19.0),
        lambda: by.photo(8, 2, 20.0),
        lambda: by.air(7.5, 20.0),
        lambda: room.patch(f"/api/readings/{by.readings[1]}", temperature_c=18.5),
        # A photo moves into another time, and a run onto another tray.
        lambda: room.patch(f"/api/photos/{by.photos[0]['id']}", taken_at=_at(4).isoformat()),
        lambda: room.patch(f"/api/runs/{by.runs[0]}", spread_at=_at(2).isoformat()),
        lambda: by.run(7, -5),
        lambda: room.post(f"/api/runs/{by.runs[1]}/harvests", harvested_at=_at(5).isoformat()),
        lambda: room.patch(f"/api/runs/{by.runs[1]}", tray=9),
        lambda: room.post("/api/trays/8/states", state="resting", since_at=_at(5).isoformat()),
        lambda: room.post(f"/api/photos/{by.photos[2]['id']}/trays", tray=7),
        lambda: room.client.delete(f"/api/photos/{by.photos[2]['id']}/trays/7"),
        lambda: room.client.delete(f"/api/runs/{by.runs[2]}"),
        lambda: room.patch(f"/api/readings/{by.readings[2]}", read_at=_at(5.5).isoformat()),
        lambda: room.client.delete(f"/api/readings/{by.readings[2]}"),
        lambda: _time_passes(room, days=3),
        lambda: by.photo(7, 8, 90.0),
    ]


def _time_passes(room: Room, *, days: float) -> None:
    """The clock goes on, and what looks at it has looked, as whoever starts later will."""
    room.watch.forward(days=days)
    room.client.app.state.attention.look()  # type: ignore[attr-defined]


def test_what_is_kept_is_what_a_fresh_look_finds(room: Room, settings: Settings) -> None:
    # All but the last is written down afterwards: nothing may be told ahead.
    room.watch.forward(days=7)
    for enter_one in _entries(room):
        enter_one()
        room.remeasured()
        assert _known(room) == _fresh(room, settings)


def test_what_a_writer_takes_back_is_not_kept(room: Room) -> None:
    room.post("/api/runs", tray=7, **RUNNING)
    before = _known(room)
    values = {"tray_id": 1, "spread_at": START}
    with room.service.database.write() as writing:
        enter(writing, RUN, values, room.service.entrant())
        assert len(run_spans(writing)) == 2
        writing.get_transaction().rollback()  # type: ignore[union-attr]
    assert _known(room) == before


def test_reader_that_began_earlier_sees_what_was_there_then(room: Room) -> None:
    room.post("/api/runs", tray=7, **RUNNING)
    with room.service.database.read() as early:
        assert early.execute(sa.select(sa.func.count()).select_from(RUN)).scalar_one() == 1
        room.post("/api/runs", tray=8, **RUNNING)
        assert len(_known(room)["spans"]) == 2
        assert len(run_spans(early)) == 1
    assert len(_known(room)["spans"]) == 2


def test_only_new_rows_are_worked_out_again(room: Room) -> None:
    asked: list[Seen | None] = []

    def renew(_connection: sa.Connection, before: tuple[int, Seen] | None) -> int:
        asked.append(None if before is None else before[1])
        return 1 if before is None else before[0] + 1

    memory = LogMemory((RUN,), renew)
    counts = []
    for tray in (7, 8):
        with room.service.database.read() as connection:
            counts += [memory.of(connection), memory.of(connection)]
        room.post("/api/runs", tray=tray, **RUNNING)
    assert counts == [1, 1, 2, 2]
    assert [None if seen is None else seen.last for seen in asked] == [None, {"run": 0}]


def test_renewing_from_before_is_renewing_anew(room: Room) -> None:
    """Flags, answered and undone."""
    room.post("/api/runs", tray=7, **RUNNING)
    room.watch.forward(days=1)
    flag = room.get("/api/flags")["flags"][0]["id"]
    empty = Seen(None, {"flag_event": 0, "run": 0, "harvest": 0, "tray": 0})
    for path in ("snooze", "done"):
        body = {"until": (room.watch() + timedelta(days=1)).isoformat()} if path == "snooze" else {}
        room.post(f"/api/flags/{flag}/{path}", **body)
        with room.service.database.read() as connection:
            for anew in (last_events_anew, standing_anew, answers_anew, calendar_anew):
                whole: Any = anew(connection, None)
                assert anew(connection, (whole, empty)) == whole
    with room.service.database.read() as connection:
        assert (
            connection.execute(sa.select(sa.func.count()).select_from(FLAG_EVENT)).scalar_one() > 2
        )


def test_flag_that_was_put_off_stands_open_again_by_itself(room: Room) -> None:
    room.post("/api/runs", tray=7, **RUNNING)
    room.watch.forward(days=1)
    flag = room.get("/api/flags")["flags"][0]["id"]
    until = room.watch() + timedelta(hours=2)
    room.post(f"/api/flags/{flag}/snooze", until=until.isoformat())
    for moment, state in (
        (until - timedelta(seconds=1), FlagState.SNOOZED),
        (until, FlagState.OPEN),
    ):
        with room.service.database.read() as connection:
            for other in (FlagState.OPEN, FlagState.SNOOZED):
                found = [one for one in flags(connection, moment, state=other) if one.id == flag]
                anew = flags_where(connection, FLAG.c.id == flag, moment)
                assert found == (anew if other is state else [])
                assert [one.state for one in anew] == [state]


def test_curves_are_worked_out_before_anybody_asks(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    rack = room.post("/api/racks", name="Rack")
    shelf = room.post("/api/shelves", rack_id=rack["id"], name="Top", level=1)["id"]
    for tray in (7, 8):
        room.post("/api/runs", tray=tray, **RUNNING)
        room.post(f"/api/trays/{tray}/placements", shelf_id=shelf, placed_at=RUNNING["spread_at"])
        room.photograph(tray, START, height_mm=60.0 + tray)
    assert CurveWarmer(room.service).look() == 2
    monkeypatch.setattr("service.growth.growth_fits.fit_growth", None)
    assert len(room.get(f"/api/shelves/{shelf}/curves")["runs"]) == 2
