"""What one physical tray has been through: its runs, where it stood, what became of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from service.flags.mould_record import mould_answers
from service.log.entries import current
from service.log.log_memory import LogMemory
from service.log.schema import POSITION, SHELF
from service.models.room import Room
from service.models.runs import Run
from service.room.room_log import Row
from service.runs.run_calendar import RunSpan
from service.runs.run_harvests import harvests_of_runs
from service.runs.run_log import lot_names, runs_out
from service.runs.run_places import PLACES

PlaceNames = dict[tuple[int | None, int | None], str]


@dataclass(frozen=True)
class PastRun:
    """One run of a tray.

    Parameters
    ----------
    run : Run
    days : float
        From spreading to its end, or to now.
    seed_g : float or None
        All lots together; None where one was not weighed.
    lots : tuple of str
    places : tuple of str
        Where it stood meanwhile, in order.
    notes : tuple of str
        What people wrote of the run and of its harvests.
    mould : str or None
        As `service.flags.mould_record.mould_answers` says it; None where no mould was flagged.
    """

    run: Run
    days: float
    seed_g: float | None
    lots: tuple[str, ...]
    places: tuple[str, ...]
    notes: tuple[str, ...]
    mould: str | None

    @property
    def ratio(self) -> float | None:
        """Fresh weight over seed weight; None where either was not weighed."""
        fresh = self.run.harvest_weight_g
        return None if fresh is None or not self.seed_g else fresh / self.seed_g


def tray_history(
    connection: sa.Connection, spans: Sequence[RunSpan], *, room: Room, now: datetime
) -> tuple[PastRun, ...]:
    """Runs of one tray, the last one first.

    Parameters
    ----------
    connection : Connection
    spans : sequence of RunSpan
        Of one tray.
    room : Room
    now : aware datetime
    """
    if not spans:
        return ()
    lots, harvests = lot_names(connection), harvests_of_runs(connection)
    mould = mould_answers(connection)
    stood = PLACES.of(connection).get(spans[0].tray_id, ())
    places = place_names(connection)
    found = []
    runs = runs_out(connection, spans, room=room, now=now)
    for span, run in reversed(list(zip(spans, runs, strict=True))):
        weights = [part.weight_g for part in run.seed]
        notes = [run.note, *(part.note for part in harvests.get(span.id, ()))]
        found.append(
            PastRun(
                run=run,
                days=run.day_from_spread,
                seed_g=sum(filter(None, weights)) if weights and None not in weights else None,
                lots=tuple(lots.get(part.lot_id, "a lot") for part in run.seed),
                places=_places_of(span, stood, places),
                notes=tuple(filter(None, notes)),
                mould=mould.get(span.id),
            )
        )
    return tuple(found)


def place_names(connection: sa.Connection) -> PlaceNames:
    """What a shelf, and a position on it, are called; by both ids."""
    return _NAMES.of(connection)


def _renewed(connection: sa.Connection, _before: object) -> PlaceNames:
    shelves, positions = current(SHELF), current(POSITION)
    names: PlaceNames = {(None, None): "off the racks"}
    for row in connection.execute(sa.select(shelves.c.id, shelves.c.name)):
        names[row.id, None] = row.name
    statement = sa.select(positions.c.id, positions.c.shelf_id, positions.c.name)
    for place in connection.execute(statement):
        shelf = names.get((place.shelf_id, None))
        names[place.shelf_id, place.id] = place.name if shelf is None else f"{shelf}, {place.name}"
    return names


def _places_of(span: RunSpan, stood: Sequence[Row], names: PlaceNames) -> tuple[str, ...]:
    before = [row for row in stood if row["placed_at"] <= span.begins_at][-1:]
    during = [row for row in stood if span.begins_at < row["placed_at"] < span.until]
    said = [
        names.get((row["shelf_id"], row["position_id"]))
        or names.get((row["shelf_id"], None), "a shelf that is no more")
        for row in (*before, *during)
    ]
    return tuple(one for one, earlier in zip(said, [None, *said], strict=False) if one != earlier)


_NAMES = LogMemory((SHELF, POSITION), _renewed)
