"""Chores as they hold now: those of a day, and the trays whose kits somebody said are mounted."""

from datetime import datetime
from typing import Final

import sqlalchemy as sa

from service.log.entries import current
from service.log.schema import CHORE
from service.photos.inspection_log import seen_numbers
from service.room.room_log import Row
from trayvision.commands.kit import parse_tray_numbers

# The chore by which somebody says it, with the numbers under "trays" in its details.
KITS_MOUNTED: Final = "kits mounted"


def planned_or_done_since(connection: sa.Connection, begins: datetime) -> list[Row]:
    """Chores that are not done, planned or not, and those done since, in order of time."""
    now = current(CHORE)
    wanted = sa.or_(now.c.done_at.is_(None), now.c.done_at >= begins)
    moment = sa.func.coalesce(now.c.done_at, now.c.planned_for, now.c.first_entered_at)
    statement = sa.select(now).where(wanted).order_by(moment, now.c.id)
    return list(connection.execute(statement).mappings())


def mounted_numbers(connection: sa.Connection) -> frozenset[int]:
    """Trays of which a kit is known to be mounted, registered or not."""
    now = current(CHORE)
    said = sa.select(now.c.details).where(now.c.kind == KITS_MOUNTED, now.c.done_at.is_not(None))
    found = set(seen_numbers(connection))
    for details in connection.execute(said).scalars():
        try:
            found.update(parse_tray_numbers(str((details or {}).get("trays", ""))))
        except ValueError:
            # Entered otherwise than by its form: it names no trays.
            continue
    return frozenset(found)
