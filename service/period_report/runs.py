"""Runs of a period: seed, harvests, photos; and lots and totals that follow from them."""

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property

import sqlalchemy as sa

from service.flags.mould_when_taken import MouldThen, MouldWhenTaken
from service.models.room import Room
from service.models.runs import EndReason, Harvest, Lot, Run, Seed
from service.period_report.names import Names
from service.period_report.period import Period
from service.period_report.tray_photos import PeriodPhotos
from service.runs.run_calendar import RunSpan, run_calendar
from service.runs.run_harvests import harvests_of_runs, runs_taken
from service.runs.run_log import runs_out, seed_of_entries

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
    thrown_g : float or None
        What was thrown in it; None: nothing, or nothing weighed.
    mould_then : MouldThen or None
        The gravest that stood open of possible mould when something was taken and not thrown.
    photos, originals : int
        Photos of the period that show it; of how many the original is kept.
    """

    run: Run
    harvests: tuple[Harvest, ...]
    harvested_g: float | None
    thrown_g: float | None
    mould_then: MouldThen | None
    photos: int
    originals: int

    @property
    def seed_g(self) -> float | None:
        """Weight of all seed; None where a part was not weighed."""
        return seed_weight(self.run.seed)


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
    harvested_g, other_g, thrown_g : float
        Weights taken in the period, as feed or for other ends; of these for other ends; and thrown.
    with_mould, with_mould_not_weighed : int
        Those of the harvests that were taken while possible mould stood open; without a weight.
    with_mould_g : float
        What these weighed.
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
    other_g: float
    thrown_g: float
    with_mould: int
    with_mould_not_weighed: int
    with_mould_g: float
    photos: int
    originals: int

    @property
    def feed_g(self) -> float:
        """Weight taken as feed."""
        return self.harvested_g - self.other_g


class PeriodRuns:
    """Runs of a period, by spreading and tray; each is put together when it is shown.

    They are those that lie in it, and those of which something was taken in it.

    Parameters
    ----------
    connection : Connection
    room : Room
    period : Period
    now : aware datetime
    """

    def __init__(
        self, connection: sa.Connection, room: Room, period: Period, now: datetime
    ) -> None:
        self._connection = connection
        self._room = room
        self._period = period
        self._now = now
        calendar, before = run_calendar(connection), period.start - timedelta(microseconds=1)
        self._lying = {
            span.id: span for span in calendar.not_ended(before) if _lies_in(span, period)
        }
        # A harvest counts where it was, also one that an older entry dates after the tray was
        # spread again: periods must add up to the whole.
        late = runs_taken(connection, period.start, period.end) - self._lying.keys()
        spans = [
            *self._lying.values(),
            *(calendar.by_id[one] for one in late & calendar.by_id.keys()),
        ]
        self.spans = sorted(spans, key=lambda span: (span.spread_at, span.number))
        self._seed = seed_of_entries(connection, [span.row["entry_id"] for span in self.spans])
        self._harvests = harvests_of_runs(connection)

    def reported(self, first: int = 0, last: int | None = None) -> tuple[ReportedRun, ...]:
        """All of them, or those of some places in the order."""
        spans = self.spans[first:last]
        counts = self._counts(spans)
        runs = runs_out(self._connection, spans, room=self._room, now=self._now)
        return tuple(map(self._reported, spans, runs, counts))

    def lots(self, names: Names) -> tuple[LotUse, ...]:
        """Lots of the runs that were spread in the period."""
        weights: dict[int, list[float]] = {}
        runs: Counter[int] = Counter()
        unweighed: Counter[int] = Counter()
        for span in self._spread:
            for part in self._seed_of(span):
                # What lies in another tray since is still the seed of one spreading.
                runs[part.lot_id] += span.split_from_id is None
                weighed = weights.setdefault(part.lot_id, [])
                weighed += [] if part.weight_g is None else [part.weight_g]
                unweighed[part.lot_id] += part.weight_g is None and span.split_from_id is None
        return tuple(
            LotUse(names.lots[lot_id], runs[lot_id], sum(weights[lot_id]), unweighed[lot_id])
            for lot_id in sorted(weights.keys() & names.lots.keys())
        )

    def totals(self) -> Totals:
        """What they add up to."""
        spans, holds = self.spans, self._period.holds
        spread = self._spread
        seed = {span.id: seed_weight(self._seed_of(span)) for span in spread}
        own = [span for span in spread if span.split_from_id is None]
        ends = [
            span
            for span in self._lying.values()
            if span.ended_at is not None and holds(span.ended_at)
        ]
        taken = [
            (span, part)
            for span in spans
            for part in self._harvests.get(span.id, ())
            if holds(part.harvested_at)
        ]
        kept = [part for _, part in taken if part.reason is not EndReason.THROWN]
        thrown = [part.weight_g or 0.0 for _, part in taken if part.reason is EndReason.THROWN]
        doubtful = [part for span, part in taken if self._mould_then(span, [part]) is not None]
        counts = self._counts(spans)
        return Totals(
            runs=len(spans),
            spread=len(own),
            seed_g=sum(weight for weight in seed.values() if weight is not None),
            seed_not_weighed=sum(seed[span.id] is None for span in own),
            ended=dict(Counter(span.reason for span in ends if span.reason is not None)),
            growing_on=len(self._lying) - len(ends),
            harvests=len(kept),
            not_weighed=sum(part.weight_g is None for part in kept),
            harvested_g=sum(part.weight_g or 0.0 for part in kept),
            other_g=sum(
                part.weight_g or 0.0 for part in kept if part.reason is not EndReason.HARVESTED
            ),
            thrown_g=sum(thrown),
            with_mould=len(doubtful),
            with_mould_not_weighed=sum(part.weight_g is None for part in doubtful),
            with_mould_g=sum(part.weight_g or 0.0 for part in doubtful),
            photos=sum(photos for photos, _ in counts),
            originals=sum(originals for _, originals in counts),
        )

    @cached_property
    def _photos(self) -> PeriodPhotos:
        return PeriodPhotos(self._connection, self._period.start, self._period.end)

    @cached_property
    def _spread(self) -> list[RunSpan]:
        return [span for span in self.spans if self._period.holds(span.spread_at)]

    def _seed_of(self, span: RunSpan) -> Sequence[Seed]:
        return self._seed.get(span.row["entry_id"], ())

    def _counts(self, spans: Sequence[RunSpan]) -> list[tuple[int, int]]:
        """Photos of the period that show each of some runs, and of how many the original stays."""
        photos = self._photos
        return [photos.of_tray(span.tray_id, span.begins_at, span.until) for span in spans]

    @cached_property
    def _mould(self) -> MouldWhenTaken:
        return MouldWhenTaken(self._connection)

    def _mould_then(self, span: RunSpan, parts: Sequence[Harvest]) -> MouldThen | None:
        """The gravest that stood open when parts of a run were taken in the period for use."""
        found = {
            self._mould.of(span, part.harvested_at)
            for part in parts
            if part.reason is not EndReason.THROWN and self._period.holds(part.harvested_at)
        }
        return next((one for one in MouldThen if one in found), None)

    def _reported(self, span: RunSpan, run: Run, counts: tuple[int, int]) -> ReportedRun:
        harvests = self._harvests.get(run.id, ())
        weighed: dict[bool, list[float]] = {False: [], True: []}
        for part in harvests:
            if part.weight_g is not None and self._period.holds(part.harvested_at):
                weighed[part.reason is EndReason.THROWN].append(part.weight_g)
        taken, thrown = (sum(some) if some else None for some in weighed.values())
        return ReportedRun(run, harvests, taken, thrown, self._mould_then(span, harvests), *counts)


def seed_weight(seed: Sequence[Seed]) -> float | None:
    """Weight of all seed of a run; None where a part was not weighed."""
    weights = [part.weight_g for part in seed if part.weight_g is not None]
    return sum(weights) if weights and len(weights) == len(seed) else None


def _lies_in(span: RunSpan, period: Period) -> bool:
    begins = span.soaked_at or span.spread_at
    return begins < period.end and span.until >= period.start


def parts_of(ids: Collection[int]) -> Iterator[list[int]]:
    """Ids in parts that one query takes."""
    known = list(ids)
    for start in range(0, len(known), _AT_ONCE):
        yield known[start : start + _AT_ONCE]
