"""What is counted of runs: where and from which seed, when, what was weighed; kept by the log."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import sqlalchemy as sa

from service.log.log_memory import MANY_TRAYS, LogMemory, Seen, last_until, news
from service.log.schema import HARVEST, PLACEMENT, RUN, RUN_SEED, TRAY
from service.models.runs import EndReason
from service.room.room_log import Row
from service.runs.run_calendar import RunSpan, run_calendar
from service.runs.run_harvests import harvested_g, harvests_of_runs
from service.runs.run_places import PLACES

# Of a run without an end: where its tray was said to stand last.
_EVER = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class RunFact:
    """One run as yields and records count it.

    Parameters
    ----------
    run_id, tray : int
    spread_at : aware datetime
    ended_at : aware datetime or None
    reason : EndReason or None
    shelf_id : int or None
        Where it stands, or stood at its end.
    lots : tuple of int
    seed_g : float or None
        All lots together; None where one was not weighed.
    fresh_g : float or None
        All parts but those thrown; None where one was not weighed, or none was taken.
    """

    run_id: int
    tray: int
    spread_at: datetime
    ended_at: datetime | None
    reason: EndReason | None
    shelf_id: int | None
    lots: tuple[int, ...]
    seed_g: float | None
    fresh_g: float | None

    @property
    def ratio(self) -> float | None:
        """Fresh weight over seed weight, None where it cannot be told."""
        return None if self.fresh_g is None or not self.seed_g else self.fresh_g / self.seed_g


FactsByTray = Mapping[int, tuple[RunFact, ...]]


def run_facts(connection: sa.Connection) -> FactsByTray:
    """All runs by tray id, oldest first; the same object while the log says the same of them."""
    return _FACTS.of(connection)


def facts_by_run(connection: sa.Connection) -> Mapping[int, RunFact]:
    """The same by run id."""
    return _BY_RUN.of(connection)


def _renewed(connection: sa.Connection, before: tuple[FactsByTray, Seen] | None) -> FactsByTray:
    by_tray = run_calendar(connection).by_tray
    if before is None:
        return _facts(connection, by_tray, few=False)
    kept, seen = before
    trays = _trays_with_news(connection, seen)
    concerned = {tray: spans for tray in trays if (spans := by_tray.get(tray))}
    fresh = _facts(connection, concerned, few=len(trays) < MANY_TRAYS)
    return {tray: fresh.get(tray, kept.get(tray, ())) for tray in by_tray}


def _trays_with_news(connection: sa.Connection, seen: Seen) -> set[int]:
    thing: sa.ColumnElement[int] = sa.func.coalesce(TRAY.c.original_id, TRAY.c.id)
    trays = news(connection, TRAY, seen, thing) | news(connection, RUN, seen, RUN.c.tray_id)
    trays |= news(connection, PLACEMENT, seen, PLACEMENT.c.tray_id)
    harvested: set[int] = news(connection, HARVEST, seen, HARVEST.c.run_id)
    by_id = run_calendar(connection).by_id
    trays |= {by_id[run].tray_id for run in harvested if run in by_id}
    return run_calendar(connection).with_parts(trays)


def _facts(
    connection: sa.Connection, by_tray: Mapping[int, Sequence[RunSpan]], *, few: bool
) -> FactsByTray:
    spans = [span for of_tray in by_tray.values() for span in of_tray]
    seed = _seed(connection, [span.row["entry_id"] for span in spans] if few else None)
    harvests = harvests_of_runs(connection)
    places = PLACES.of(connection)
    return {
        tray: tuple(
            _fact(
                span,
                last_until(places.get(tray, ()), "placed_at", _last_moment(span)),
                seed.get(span.row["entry_id"], []),
                harvested_g(harvests.get(span.id, ())),
            )
            for span in of_tray
        )
        for tray, of_tray in by_tray.items()
    }


def _last_moment(span: RunSpan) -> datetime:
    return _EVER if span.ended_at is None else span.ended_at - timedelta(seconds=1)


def _fact(
    span: RunSpan,
    place: Row | None,
    seed: list[tuple[int, float | None]],
    fresh_g: float | None,
) -> RunFact:
    return RunFact(
        run_id=span.id,
        tray=span.number,
        spread_at=span.spread_at,
        ended_at=span.ended_at,
        reason=span.reason,
        shelf_id=None if place is None else place["shelf_id"],
        lots=tuple(lot for lot, _ in seed),
        seed_g=_sum([weight for _, weight in seed]),
        fresh_g=fresh_g,
    )


def _sum(weights: Sequence[float | None]) -> float | None:
    known = [weight for weight in weights if weight is not None]
    return sum(known) if known and len(known) == len(weights) else None


def _seed(
    connection: sa.Connection, entries: Iterable[int] | None
) -> dict[int, list[tuple[int, float | None]]]:
    statement = sa.select(RUN_SEED).order_by(RUN_SEED.c.run_entry_id, RUN_SEED.c.lot_id)
    if entries is not None:
        statement = statement.where(RUN_SEED.c.run_entry_id.in_(list(entries)))
    seed: dict[int, list[tuple[int, float | None]]] = {}
    for row in connection.execute(statement):
        seed.setdefault(row.run_entry_id, []).append((row.lot_id, row.weight_g))
    return seed


def _by_run(connection: sa.Connection, _before: object) -> Mapping[int, RunFact]:
    return {fact.run_id: fact for facts in run_facts(connection).values() for fact in facts}


_FOLLOW_FROM = (RUN, HARVEST, TRAY, PLACEMENT)
_FACTS = LogMemory(_FOLLOW_FROM, _renewed)
_BY_RUN = LogMemory(_FOLLOW_FROM, _by_run)
