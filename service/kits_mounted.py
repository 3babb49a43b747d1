"""Which trays carry their printed kit: a photo showed them, or somebody said so."""

from typing import Final

import sqlalchemy as sa

from service.entries import current
from service.schema import CHORE, TRAY, TRAY_INSPECTION
from trayvision.kit_command import parse_tray_numbers

# The chore by which somebody says it, with the numbers under "trays" in its details.
KITS_MOUNTED: Final = "kits mounted"


def seen_numbers(connection: sa.Connection) -> frozenset[int]:
    """Registered trays that any photo ever showed."""
    now = current(TRAY)
    shown = sa.exists().where(TRAY_INSPECTION.c.tray_id == now.c.id)
    return frozenset(connection.execute(sa.select(now.c.number).where(shown)).scalars())


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
