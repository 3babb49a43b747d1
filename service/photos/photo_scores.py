"""What the newest photo of each run said by its own score, and when mould could last be judged."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import sqlalchemy as sa

from service.growth.run_series import RunReadings
from service.log.log_memory import LogMemory, Seen
from service.log.schema import PHOTO_INSPECTION, TRAY_INSPECTION
from service.room.room_log import Row
from trayvision.score.expectations import MOULD

PhotoScore = Mapping[str, Any]

# Of a camera in a dark room many photos in a row judge nothing: they are read back in steps.
_STEP: Final = 32
_MOST_KEPT: Final = 50_000


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
    scores = _scores(connection, {of_run[-1]["id"] for of_run in rows.values()})
    judged = _JUDGED.of(connection)
    judged.update({inspection: _judges_mould(score) for inspection, score in scores.items()})
    return {
        run_id: NewestPhoto(
            of_run[-1]["taken_at"],
            scores[of_run[-1]["id"]],
            _last_judged(connection, of_run, judged),
        )
        for run_id, of_run in rows.items()
    }


def _last_judged(
    connection: sa.Connection, rows: tuple[Row, ...], judged: dict[int, bool]
) -> datetime | None:
    for end in range(len(rows), 0, -_STEP):
        step = rows[max(0, end - _STEP) : end]
        for row in reversed(step):
            if row["id"] not in judged:
                unknown = {one["id"] for one in step} - judged.keys()
                scores = _scores(connection, unknown)
                judged.update({one: _judges_mould(score) for one, score in scores.items()})
            if judged[row["id"]]:
                at: datetime = row["taken_at"]
                return at
    return None


def _judges_mould(score: PhotoScore) -> bool:
    """Whether a photo could have shown mould: one that is dark or fogged tells nothing of it."""
    return all(part["known"] for part in score["parts"] if part["name"] == MOULD)


def _scores(connection: sa.Connection, inspections: Collection[int]) -> dict[int, PhotoScore]:
    if not inspections:
        return {}
    statement = sa.select(
        TRAY_INSPECTION.c.id, TRAY_INSPECTION.c.record["score"].as_json().label("score")
    ).where(TRAY_INSPECTION.c.id.in_(inspections))
    return {row.id: row.score for row in connection.execute(statement)}


def _renewed(
    _connection: sa.Connection, before: tuple[dict[int, bool], Seen] | None
) -> dict[int, bool]:
    # A copy: what a writer finds may still be taken back.
    return {} if before is None or len(before[0]) > _MOST_KEPT else dict(before[0])


# By inspection of a tray, whether mould could be judged in it.
_JUDGED: LogMemory[dict[int, bool]] = LogMemory((PHOTO_INSPECTION,), _renewed)
