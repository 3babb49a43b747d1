"""How the log says that originals were let go; always before they are."""

from collections.abc import Iterable
from datetime import datetime

import sqlalchemy as sa

from service.retention_tables import LET_GO
from service.schema import PHOTO


def enter_let_go(
    connection: sa.Connection, photo_ids: Iterable[int], let_go_at: datetime, *, rule: str
) -> None:
    """Say of photos that their originals are not kept from now on, and why."""
    for photo_id in photo_ids:
        connection.execute(
            sa.update(PHOTO).where(PHOTO.c.id == photo_id).values(original_kept=False)
        )
        row = {"photo_id": photo_id, "let_go_at": let_go_at, "rule": rule}
        connection.execute(sa.insert(LET_GO).values(row))


def let_go_digests(connection: sa.Connection) -> list[str]:
    """sha256 of all photos whose originals the log says are not kept."""
    return list(
        connection.execute(
            sa.select(PHOTO.c.sha256).where(PHOTO.c.original_kept.is_(sa.false()))
        ).scalars()
    )
