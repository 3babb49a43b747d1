"""How old trays were when photos of them were taken, and which trays a person may pick."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from service.entries import current
from service.models.photos import PhotoOut
from service.pages.words import Say
from service.run_calendar import LONGEST_RUN
from service.schema import HARVEST, RUN, TRAY


@dataclass(frozen=True)
class TrayChoice:
    """A tray to pick by its number."""

    number: int
    growing: bool


def ages(
    connection: sa.Connection, photos: Sequence[PhotoOut], say: Say
) -> dict[int, dict[int, str]]:
    """How old each tray was, in words, by photo and tray number; from one query."""
    shown = [(photo, tray) for photo in photos for tray in photo.trays if tray["day"] is not None]
    if not shown:
        return {}
    moments = [photo.taken_at for photo, _ in shown]
    runs = _runs(connection, {tray["tray"] for _, tray in shown}, min(moments), max(moments))
    words: dict[int, dict[int, str]] = {}
    for photo, tray in shown:
        before = [
            run for run in runs if run.number == tray["tray"] and run.spread_at <= photo.taken_at
        ]
        soaked_at = before[-1].soaked_at if before else None
        from_soak = None if soaked_at is None else _days(soaked_at, photo.taken_at)
        words.setdefault(photo.id, {})[tray["tray"]] = say.age(tray["day"], from_soak)
    return words


def _runs(
    connection: sa.Connection, numbers: Iterable[int | None], since: datetime, until: datetime
) -> list[sa.Row[tuple[int, datetime, datetime | None]]]:
    runs, trays = current(RUN), current(TRAY)
    statement = (
        sa.select(trays.c.number, runs.c.spread_at, runs.c.soaked_at)
        .join(trays, trays.c.id == runs.c.tray_id)
        .where(
            trays.c.number.in_([number for number in numbers if number is not None]),
            runs.c.spread_at >= since - LONGEST_RUN,
            runs.c.spread_at <= until,
        )
        .order_by(runs.c.spread_at)
    )
    return list(connection.execute(statement))


def _days(since: datetime, until: datetime) -> float:
    return (until - since).total_seconds() / 86400


def tray_choices(connection: sa.Connection, now: datetime) -> list[TrayChoice]:
    """All trays, those that grow now first, each group by number."""
    runs, ends, trays = current(RUN), current(HARVEST), current(TRAY)
    ended = sa.exists().where(ends.c.run_id == runs.c.id, ends.c.ends_run.is_(sa.true()))
    # Of an open run that a later one replaced, the later one answers for the tray.
    growing = set(
        connection.execute(
            sa.select(runs.c.tray_id).where(runs.c.spread_at > now - LONGEST_RUN, ~ended)
        ).scalars()
    )
    rows = connection.execute(sa.select(trays.c.id, trays.c.number))
    choices = [TrayChoice(row.number, row.id in growing) for row in rows]
    return sorted(choices, key=lambda one: (not one.growing, one.number))
