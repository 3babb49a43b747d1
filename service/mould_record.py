"""Runs with possible mould, and what people answered when they went to look."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import sqlalchemy as sa

from service.entries import current
from service.models.flags import Verdict
from service.schema import FLAG, FLAG_EVENT
from trayvision.attention_flags import FlagKind

UNANSWERED: Final = "unanswered"


def mould_answers(connection: sa.Connection) -> dict[int, str]:
    """What was answered to possible mould by run id; `UNANSWERED` where nobody said what it was.

    Of several flags of one run a confirmed one counts, else the last answer. A run that never
    had such a flag is not in it: that no photo showed any mould proves nothing.
    """
    flags = sa.select(FLAG.c.id, FLAG.c.run_id).where(
        FLAG.c.kind == str(FlagKind.POSSIBLE_MOULD), FLAG.c.run_id.is_not(None)
    )
    runs = {row.id: row.run_id for row in connection.execute(flags)}
    events = current(FLAG_EVENT)
    said = (
        sa.select(events.c.flag_id, events.c.verdict)
        .where(events.c.verdict.is_not(None))
        .order_by(events.c.id)
    )
    last = {row.flag_id: row.verdict for row in connection.execute(said)}
    found = dict.fromkeys(runs.values(), UNANSWERED)
    for flag_id, run_id in sorted(runs.items()):
        verdict = last.get(flag_id)
        if verdict is not None and found[run_id] != Verdict.RIGHT:
            found[run_id] = verdict
    return found


@dataclass(frozen=True)
class MouldCount:
    """Of how many runs how many had possible mould, and how it turned out."""

    runs: int = 0
    confirmed: int = 0
    otherwise: int = 0
    unanswered: int = 0

    @property
    def flagged(self) -> int:
        """Runs with possible mould."""
        return self.confirmed + self.otherwise + self.unanswered

    def with_run(self, answer: str | None) -> "MouldCount":
        """The same with one run more; `answer` as in `mould_answers`, None without a flag."""
        return MouldCount(
            self.runs + 1,
            self.confirmed + (answer == Verdict.RIGHT),
            self.otherwise + (answer not in (None, UNANSWERED, Verdict.RIGHT)),
            self.unanswered + (answer == UNANSWERED),
        )


def count_mould(
    runs_of: Mapping[str, list[int]], answers: Mapping[int, str]
) -> dict[str, MouldCount]:
    """Counts by whatever runs are grouped by."""
    counts = {}
    for group, runs in runs_of.items():
        count = MouldCount()
        for run in runs:
            count = count.with_run(answers.get(run))
        counts[group] = count
    return counts
