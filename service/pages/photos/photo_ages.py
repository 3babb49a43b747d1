"""How old trays were when photos of them were taken, and which trays a person may pick."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from service.models.photos import PhotoOut
from service.pages.words import Say
from service.room.room_log import trays_by_number
from service.runs.run_calendar import LONGEST_RUN, last_begun, run_calendar


@dataclass(frozen=True)
class TrayChoice:
    """A tray to pick by its number."""

    number: int
    growing: bool


def ages(
    connection: sa.Connection, photos: Sequence[PhotoOut], say: Say
) -> dict[int, dict[int, str]]:
    """How old each tray was, in words, by photo and tray number.

    That is by the run in the log; how old it was when it was measured stays with the measures.
    """
    shown = [(photo, tray) for photo in photos for tray in photo.trays if tray["day"] is not None]
    if not shown:
        return {}
    by_tray, trays = run_calendar(connection).by_tray, trays_by_number(connection)
    words: dict[int, dict[int, str]] = {}
    for photo, tray in shown:
        row = trays.get(tray["tray"])
        run = None if row is None else last_begun(by_tray.get(row["id"], ()), photo.taken_at)
        if run is not None:
            words.setdefault(photo.id, {})[tray["tray"]] = say.day_of_run(run, photo.taken_at)
    return words


def tray_choices(connection: sa.Connection, now: datetime) -> list[TrayChoice]:
    """All trays, those that grow now first, each group by number."""
    # Of an open run that a later one replaced, the later one answers for the tray.
    growing = {
        span.tray_id
        for span in run_calendar(connection).without_end
        if span.spread_at > now - LONGEST_RUN
    }
    choices = [
        TrayChoice(number, row["id"] in growing)
        for number, row in trays_by_number(connection).items()
    ]
    return sorted(choices, key=lambda one: (not one.growing, one.number))
