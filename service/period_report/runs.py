"""Runs of a period: seed, harvests, photos; and lots and totals that follow from them."""

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from service.entries import current
from service.models.room import Room
from service.models.runs import EndReason, Harvest, Lot, Run
from service.period_report.names import Names
from service.period_report.period import Period
from service.run_calendar import RunCalendar, RunSpan, last_spread, run_calendar
from service.run_log import runs_out
from service.schema import CAPTURE, HARVEST, PHOTO, PHOTO_INSPECTION, TRAY_INSPECTION

# A database takes only so many numbers in one query.
_AT_ONCE = 500


@dataclass(frozen=True)
class ReportedRun:
    """One run that lies in a period, wholly or in part.

    Parameters
    ----------
    run : Run
    harvests : sequence of Harvest
        All parts that were taken, the oldest first.
    harvested_g : float or None
        What was taken in the period; None: nothing, or nothing weighed.
    photos, originals : int
        Photos of the period that show it; of how many the original is kept.
    """

    run: Run
    harvests: tuple[Harvest, ...]
    harvested_g: float | None
    photos: int
    originals: int

    @property
    def seed_g(self) -> float | None:
        """Weight of all seed; None where a part was not weighed."""
        weights = [part.weight_g for part in self.run.seed if part.weight_g is not None]
        return sum(weights) if weights and len(weights) == len(self.run.seed) else None


@dataclass(frozen=True)
class LotUse:
    """Seed of one lot that was spread in a period.

    Parameters
    ----------
    lot : Lot
    runs : int
    weight_g : float
        Of what was weighed.
    not_weighed : int
        Runs without a weight of this lot.
    """

    lot: Lot
    runs: int
    weight_g: float
    not_weighed: int


@dataclass(frozen=True)
class Totals:
    """What the table of runs adds up to.

    Parameters
    ----------
    runs, spread : int
        Runs that lie in the period; those of them that were spread in it.
    seed_g : float
        Seed spread in the period, of the runs whose seed was weighed.
    seed_not_weighed : int
        Runs spread in the period without the weight of all their seed.
    ended : mapping of EndReason to number of runs
        Those that ended in the period.
    growing_on : int
        Runs that had not ended when the period did.
    harvests, not_weighed : int
        Times that something was taken and not thrown in the period; those without a weight.
    harvested_g, thrown_g : float
        Weights taken in the period, as feed or for other ends; and thrown.
    photos, originals : int
    """

    runs: int
    spread: int
    seed_g: float
    seed_not_weighed: int
    ended: dict[EndReason, int]
    growing_on: int
    harvests: int
    not_weighed: int
    harvested_g: float
    thrown_g: float
    photos: int
    originals: int


def reported_runs(
    connection: sa.Connection, room: Room, period: Period, now: datetime
) -> tuple[ReportedRun, ...]:
    """Runs that lie in a period, by spreading and tray."""
    calendar = run_calendar(connection)
    spans = sorted(
        (span for span in calendar.all() if _lies_in(span, period)),
        key=lambda span: (span.spread_at, span.number),
    )
    harvests = _harvests(connection, [span.id for span in spans])
    photos = _photos(connection, calendar, period)
    return tuple(
        _reported(run, harvests.get(run.id, []), photos, period)
        for run in runs_out(connection, spans, room=room, now=now)
    )


def lot_uses(runs: Sequence[ReportedRun], period: Period, names: Names) -> tuple[LotUse, ...]:
    """Lots of the runs that were spread in a period."""
    parts = [part for one in runs if period.holds(one.run.spread_at) for part in one.run.seed]
    found = []
    for lot_id in sorted({part.lot_id for part in parts} & set(names.lots)):
        weights = [part.weight_g for part in parts if part.lot_id == lot_id]
        weighed = [weight for weight in weights if weight is not None]
        missing = len(weights) - len(weighed)
        found.append(LotUse(names.lots[lot_id], len(weights), sum(weighed), missing))
    return tuple(found)


def totals_of(runs: Sequence[ReportedRun], period: Period) -> Totals:
    """What the runs add up to."""
    spread = [one for one in runs if period.holds(one.run.spread_at)]
    seed = [one.seed_g for one in spread]
    ends = [one.run for one in runs if one.run.ended_at and period.holds(one.run.ended_at)]
    taken = [part for one in runs for part in one.harvests if period.holds(part.harvested_at)]
    kept = [part for part in taken if part.reason is not EndReason.THROWN]
    thrown = [part.weight_g or 0.0 for part in taken if part.reason is EndReason.THROWN]
    return Totals(
        runs=len(runs),
        spread=len(spread),
        seed_g=sum(weight for weight in seed if weight is not None),
        seed_not_weighed=sum(weight is None for weight in seed),
        ended=dict(Counter(run.ended_reason for run in ends if run.ended_reason is not None)),
        growing_on=len(runs) - len(ends),
        harvests=len(kept),
        not_weighed=sum(part.weight_g is None for part in kept),
        harvested_g=sum(part.weight_g or 0.0 for part in kept),
        thrown_g=sum(thrown),
        photos=sum(one.photos for one in runs),
        originals=sum(one.originals for one in runs),
    )


def _lies_in(span: RunSpan, period: Period) -> bool:
    begins = span.row["soaked_at"] or span.spread_at
    return bool(begins < period.end) and span.until >= period.start


def _reported(
    run: Run, harvests: list[Harvest], photos: dict[int, tuple[int, int]], period: Period
) -> ReportedRun:
    weights = [
        part.weight_g
        for part in harvests
        if part.weight_g is not None
        and part.reason is not EndReason.THROWN
        and period.holds(part.harvested_at)
    ]
    seen, kept = photos.get(run.id, (0, 0))
    return ReportedRun(run, tuple(harvests), sum(weights) if weights else None, seen, kept)


def parts_of(ids: Collection[int]) -> Iterator[list[int]]:
    """Ids in parts that one query takes."""
    known = list(ids)
    for start in range(0, len(known), _AT_ONCE):
        yield known[start : start + _AT_ONCE]


def _harvests(connection: sa.Connection, runs: Collection[int]) -> dict[int, list[Harvest]]:
    now = current(HARVEST)
    found: dict[int, list[Harvest]] = {}
    for part in parts_of(runs):
        statement = (
            sa.select(now).where(now.c.run_id.in_(part)).order_by(now.c.harvested_at, now.c.id)
        )
        for row in connection.execute(statement).mappings():
            harvest = Harvest.model_validate({name: row[name] for name in Harvest.model_fields})
            found.setdefault(harvest.run_id, []).append(harvest)
    return found


def _photos(
    connection: sa.Connection, calendar: RunCalendar, period: Period
) -> dict[int, tuple[int, int]]:
    """Photos and kept originals of a period, by run."""
    passes, capture = current(PHOTO_INSPECTION), current(CAPTURE)
    statement = (
        sa.select(TRAY_INSPECTION.c.tray_id, capture.c.taken_at, PHOTO.c.original_kept)
        .join(passes, passes.c.entry_id == TRAY_INSPECTION.c.photo_inspection_id)
        .join(capture, capture.c.photo_id == passes.c.photo_id)
        .join(PHOTO, PHOTO.c.id == passes.c.photo_id)
        .where(
            capture.c.taken_at >= period.start,
            capture.c.taken_at < period.end,
            TRAY_INSPECTION.c.tray_id.is_not(None),
        )
    )
    found: dict[int, tuple[int, int]] = {}
    for tray_id, taken_at, kept in connection.execute(statement):
        # Runs of one tray do not overlap.
        span = last_spread(calendar.by_tray.get(tray_id, ()), taken_at)
        if span is not None and span.holds(taken_at):
            seen, originals = found.get(span.id, (0, 0))
            found[span.id] = (seen + 1, originals + bool(kept))
    return found
