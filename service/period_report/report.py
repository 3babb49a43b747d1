"""The whole report over a period, put together on one open connection."""

from datetime import datetime
from functools import cached_property

import sqlalchemy as sa

from service.models.room import Room
from service.period_report.air import WeekOfAir, weeks_of_air
from service.period_report.chores import Chores, chores_of
from service.period_report.corrections import Correction, corrections_of
from service.period_report.flags import ReportedFlag, flags_in, reported_flags
from service.period_report.names import Names, names_of
from service.period_report.period import Period
from service.period_report.runs import LotUse, PeriodRuns, ReportedRun, Totals


class Report:
    """What the log says of a period, as known at a moment; each part is read when it is asked for.

    Parameters
    ----------
    connection : Connection
        Open for as long as parts are asked for.
    room : Room
    period : Period
    now : aware datetime
    """

    def __init__(
        self, connection: sa.Connection, room: Room, period: Period, *, now: datetime
    ) -> None:
        self._connection = connection
        self._room = room
        self.period = period
        self.known_at = now

    @cached_property
    def names(self) -> Names:
        """What stands for numbers."""
        return names_of(self._connection)

    @cached_property
    def in_period(self) -> PeriodRuns:
        """The runs that lie in the period, not yet put together."""
        return PeriodRuns(self._connection, self._room, self.period, self.known_at)

    @cached_property
    def totals(self) -> Totals:
        """What the runs add up to."""
        return self.in_period.totals()

    @cached_property
    def lots(self) -> tuple[LotUse, ...]:
        """Lots of the runs that were spread in the period."""
        return self.in_period.lots(self.names)

    @cached_property
    def runs(self) -> tuple[ReportedRun, ...]:
        """All runs, by spreading and tray."""
        return self.in_period.reported()

    @cached_property
    def flags(self) -> tuple[ReportedFlag, ...]:
        """Possible mould and holds."""
        return reported_flags(self._connection, self.flag_ids, self.names)

    @cached_property
    def flag_ids(self) -> list[int]:
        """Those of which the period tells something, not yet read."""
        return flags_in(self._connection, self.period)

    @cached_property
    def air(self) -> tuple[WeekOfAir, ...]:
        """Lowest and highest by week and place."""
        return weeks_of_air(self._connection, self.period, self.names)

    @cached_property
    def chores(self) -> Chores:
        """Cleaning, feeding out, and how much of the rest."""
        return chores_of(self._connection, self.period, self.names)

    @cached_property
    def corrections(self) -> tuple[Correction, ...]:
        """Corrections beside what they correct."""
        runs = [span.id for span in self.in_period.spans]
        return corrections_of(self._connection, self.period, self.names, runs=runs)
