"""What the newest photo of each run said by its own score, and when mould could last be judged."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from service.run_readings import RunReadings
from service.schema import TRAY_INSPECTION
from trayvision.expectations import MOULD

PhotoScore = Mapping[str, Any]


@dataclass(frozen=True)
class NewestPhoto:
    """The newest photo of a run.

    Parameters
    ----------
    taken_at : datetime
    score : mapping
        As it was recorded.
    judged_at : datetime or None
        When the last photo was taken in which mould could be judged; None where it never could.
    """

    taken_at: datetime
    score: PhotoScore
    judged_at: datetime | None


def newest_photos(
    connection: sa.Connection, growing: Iterable[RunReadings]
) -> dict[int, NewestPhoto]:
    """The newest photo of each run, by run id; runs without one are left out."""
    rows = {readings.span.id: readings.rows for readings in growing if readings.rows}
    last = _scores(connection, {of_run[-1]["id"] for of_run in rows.values()})
    # Nearly all can be judged: of the others alone the earlier ones are read.
    earlier = {
        row["id"]
        for of_run in rows.values()
        if not judges_mould(last[of_run[-1]["id"]])
        for row in of_run[:-1]
    }
    scores = last | _scores(connection, earlier)
    found = {}
    for run_id, of_run in rows.items():
        newest = of_run[-1]
        judged = (row["taken_at"] for row in reversed(of_run) if judges_mould(scores[row["id"]]))
        found[run_id] = NewestPhoto(
            newest["taken_at"], scores[newest["id"]], judged_at=next(judged, None)
        )
    return found


def judges_mould(score: PhotoScore) -> bool:
    """Whether a photo could have shown mould: one that is dark or fogged tells nothing of it."""
    return all(part["known"] for part in score["parts"] if part["name"] == MOULD)


def _scores(connection: sa.Connection, inspections: Collection[int]) -> dict[int, PhotoScore]:
    if not inspections:
        return {}
    statement = sa.select(
        TRAY_INSPECTION.c.id, TRAY_INSPECTION.c.record["score"].as_json().label("score")
    ).where(TRAY_INSPECTION.c.id.in_(inspections))
    return {row.id: row.score for row in connection.execute(statement)}
