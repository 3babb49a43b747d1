"""What the pages of shelves show, put together from the room's growth and its records."""

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import Final

import sqlalchemy as sa

from service.flags.flag_log import flags
from service.flags.mould_record import Answers, mould_answers
from service.growth.group_growth import GroupGrowth, grouped_growth
from service.growth.growth import RoomGrowth
from service.growth.room_normal import RoomNormal, room_normal
from service.growth.run_series import RunReadings
from service.log.log_memory import LogMemory
from service.log.schema import HARVEST, PLACEMENT, RACK, ROOM, RUN, SEED_LOT, SHELF, TRAY
from service.models.flags import FlagOut
from service.pages import addresses
from service.pages.growth.pace_words import pace_words
from service.pages.growth.present_pace import RunPace, run_pace
from service.pages.printed.record_tables import (
    Grouping,
    RecordTable,
    lasting_since,
    month_name,
    month_of,
    mould_table,
    yield_table,
)
from service.pages.words import Say
from service.room.rack_log import racks_as_they_stand
from service.room.room_log import shelf_names
from service.runs.run_facts import RunFact, facts_by_run
from service.runs.run_log import lot_names
from trayvision.attention.flags import FlagKind
from trayvision.growth.prior import Quantity


@dataclass(frozen=True)
class Shelf:
    """A shelf: its name, with its rack's where two shelves have one, and whether it is upper."""

    id: int
    name: str
    upper: bool


@dataclass(frozen=True)
class PaceRow:
    """A group's pace in words, if it can be told, and the address of its page where it has one."""

    name: str
    address: str | None
    words: str
    can_tell: bool

    @classmethod
    def of(cls, name: str, address: str | None, group: GroupGrowth | None) -> "PaceRow":
        """The row of a group; None: no run of it has finished."""
        return cls(name, address, pace_words(group), group is not None and group.can_tell)


# Of more groups of which too little is known, a table folds them away.
_FEW_UNKNOWN: Final = 6


@dataclass(frozen=True)
class PaceTable:
    """Groups side by side: those `shown`, and where many cannot be told, these `unknown` apart."""

    shown: tuple[PaceRow, ...]
    unknown: tuple[PaceRow, ...] = ()

    @classmethod
    def of(cls, rows: Sequence[PaceRow]) -> "PaceTable | None":
        """The table of some groups, in their order; None of none."""
        if not rows:
            return None
        unknown = tuple(row for row in rows if not row.can_tell)
        if len(unknown) <= _FEW_UNKNOWN:
            return cls(tuple(rows))
        return cls(tuple(row for row in rows if row.can_tell), unknown)


@dataclass(frozen=True)
class Records:
    """Yields by shelf, lot and month; possible mould by shelf, lot, tray and month.

    Parameters
    ----------
    answers : mapping
        What was answered to possible mould when this was counted.
    yields, mould : tuple of RecordTable
    """

    answers: Answers
    yields: tuple[RecordTable, ...]
    mould: tuple[RecordTable, ...]


def _renewed(_connection: sa.Connection, _before: object) -> dict[tuple[int, datetime], Records]:
    return {}


# Counted anew when anything of this changes, and every day.
_RECORDS = LogMemory((RUN, HARVEST, TRAY, PLACEMENT, SHELF, RACK, SEED_LOT, ROOM), _renewed)


class ShelvesContent:
    """One answer's view of the room by shelves, on one open connection.

    Parameters
    ----------
    connection : Connection
    say : Say
    grain : str or None
        Of the runs that are compared; the room's where none is asked for.
    """

    def __init__(self, connection: sa.Connection, say: Say, grain: str | None) -> None:
        self._connection = connection
        self._say = say
        self.growth = RoomGrowth(connection, say.room, say.now)
        self.grain = grain or say.room.grain

    @cached_property
    def shelves(self) -> dict[int, Shelf]:
        """All shelves by id, rack by rack from the top."""
        names = shelf_names(self._connection)
        return {
            one.id: Shelf(one.id, names[one.id], one.level <= rack.shelves[-1].level / 2)
            for rack in racks_as_they_stand(self._connection)
            for one in rack.shelves
        }

    @cached_property
    def lots(self) -> Mapping[int, str]:
        """Names of the seed lots by id."""
        return lot_names(self._connection)

    @cached_property
    def facts(self) -> Mapping[int, RunFact]:
        """All runs by id."""
        return facts_by_run(self._connection)

    @cached_property
    def normal(self) -> RoomNormal:
        """What is usual in this room."""
        return room_normal(self.growth.teaching(Quantity.HEIGHT, self.grain))

    def paces(self, shelf_id: int | None = None) -> list[RunPace]:
        """Growing runs of the grain, of one shelf or all, against what is usual, by tray."""
        present = [
            run
            for run in self._present
            if run.grain == self.grain
            and run.span.spread_at <= self._say.now
            and (shelf_id is None or run.shelf_id == shelf_id)
        ]
        found = [run_pace(run, self.normal, self._say) for run in present]
        return sorted(found, key=lambda pace: pace.tray)

    @cached_property
    def grains(self) -> tuple[str, ...]:
        """Grains that grow now or have finished, and the one that is compared."""
        runs = [*self.growth.finished, *self._present]
        return tuple(sorted({self.grain, *(run.grain for run in runs)}))

    @property
    def noticed_grain(self) -> str:
        """The grain of what a look asks for first of those that lag, else the compared one."""
        grain_of = {run.span.number: run.grain for run in self._present}
        lagging = (tray for flag in self.behind_flags() for tray in flag.trays)
        return next((grain_of[tray] for tray in lagging if tray in grain_of), self.grain)

    @cached_property
    def _present(self) -> list[RunReadings]:
        return self.growth.readings(self.growth.present())

    @cached_property
    def by_shelf(self) -> dict[int, GroupGrowth]:
        """Usual growth by shelf, of finished runs."""
        return grouped_growth(
            self.growth,
            self.grain,
            lambda run: () if run.shelf_id not in self.shelves else (run.shelf_id,),
        )

    @cached_property
    def by_half(self) -> dict[bool, GroupGrowth]:
        """Usual growth on upper shelves (True) and on lower ones."""
        return grouped_growth(
            self.growth,
            self.grain,
            lambda run: (
                () if run.shelf_id not in self.shelves else (self.shelves[run.shelf_id].upper,)
            ),
        )

    def lot_rows(self) -> tuple[PaceRow, ...]:
        """Pace by seed lot, the soonest first; what cannot be told last."""
        facts = self.facts
        found = grouped_growth(
            self.growth,
            self.grain,
            lambda run: facts[run.span.id].lots if run.span.id in facts else (),
        )
        order = sorted(found, key=lambda lot: (not found[lot].can_tell, found[lot].lag))
        return tuple(
            PaceRow.of(self.lots.get(lot, "a lot that is no more"), None, found[lot])
            for lot in order
        )

    def shelf_rows(self) -> tuple[PaceRow, ...]:
        """Pace by shelf, as they stand."""
        return tuple(
            PaceRow.of(one.name, addresses.shelf(one.id), self.by_shelf.get(one.id))
            for one in self.shelves.values()
        )

    def behind_flags(self) -> tuple[FlagOut, ...]:
        """Open reasons to look at runs that lag behind those spread with them."""
        found = flags(self._connection, self._say.now)
        return tuple(flag for flag in found if flag.kind == FlagKind.BEHIND)

    def lagging(self, trays: Iterable[int]) -> list[int]:
        """Those of some trays that lag behind the ones spread with them, as flags say."""
        lag = {tray for flag in self.behind_flags() for tray in flag.trays}
        return sorted(lag.intersection(trays))

    def records(self, days: int) -> Records:
        """Yields and possible mould of runs that were not over before the last so many days."""
        answers, kept = mould_answers(self._connection), _RECORDS.of(self._connection)
        today = self._say.local(self._say.now).replace(hour=0, minute=0, second=0, microsecond=0)
        known = kept.get((days, today))
        if known is None or known.answers is not answers:
            facts = lasting_since(self.facts.values(), today - timedelta(days=days))
            known = kept[days, today] = Records(
                answers,
                tuple(
                    yield_table(facts, by) for by in (self._of_shelf, self._of_lot, self._of_month)
                ),
                tuple(
                    mould_table(facts, answers, by)
                    for by in (self._of_shelf, self._of_lot, self._of_tray, self._of_month)
                ),
            )
        return known

    @property
    def _of_shelf(self) -> Grouping:
        order = {shelf_id: at for at, shelf_id in enumerate(self.shelves)}

        def names(group: Hashable) -> tuple[str, str | None]:
            shelf = self.shelves.get(group)  # type: ignore[call-overload]
            return ("no shelf", None) if shelf is None else (shelf.name, addresses.shelf(shelf.id))

        return Grouping(
            "Shelf",
            lambda fact: (fact.shelf_id if fact.shelf_id in self.shelves else None,),
            names,
            lambda group: order.get(group, len(order)),  # type: ignore[call-overload]
        )

    @property
    def _of_lot(self) -> Grouping:
        def names(group: Hashable) -> tuple[str, str | None]:
            return self.lots.get(group, "lot not said"), None  # type: ignore[call-overload]

        return Grouping(
            "Seed lot",
            lambda fact: fact.lots or (None,),
            names,
            lambda group: (group is None, group),
        )

    @property
    def _of_tray(self) -> Grouping:
        return Grouping(
            "Tray",
            lambda fact: (fact.tray,),
            lambda tray: (f"Tray {tray}", addresses.tray(tray)),  # type: ignore[arg-type]
            lambda tray: tray,
        )

    @property
    def _of_month(self) -> Grouping:
        say = self._say
        return Grouping(
            "Month of spreading",
            lambda fact: (month_of(fact, say),),
            lambda month: (month_name(month), None),  # type: ignore[arg-type]
            lambda month: (-month[0], -month[1]),  # type: ignore[index]
        )
