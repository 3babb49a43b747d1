"""How the log says that originals were let go; always before they are."""

from collections.abc import Iterable
from datetime import datetime

import sqlalchemy as sa

from service.log.retention_tables import LET_GO
from service.log.schema import PHOTO


def enter_let_go(
    connection: sa.Connection, photo_ids: Iterable[int], let_go_at: datetime, *, rule: str
) -> None:
    """Say of photos that their originals are not kept from now on, and why."""
    for photo_id in photo_ids:
        connection.execute(
            sa.update(PHOTO).where(PHOTO.c.id == photo_id).values(original_kept=False)
        )
        row = {"photo_id": photo_id, "let_go_at": let_go_at, "rule": rule}
        # An edited archive may say of one photo both that it is kept and that it was let go.
        connection.execute(sa.delete(LET_GO).where(LET_GO.c.photo_id == photo_id))
        connection.execute(sa.insert(LET_GO).values(row))


def enter_put_back(connection: sa.Connection, photo_id: int) -> None:
    """Say of a photo that its original is kept again; always after it is."""
    connection.execute(sa.update(PHOTO).where(PHOTO.c.id == photo_id).values(original_kept=True))
    connection.execute(sa.delete(LET_GO).where(LET_GO.c.photo_id == photo_id))


def kept_count(connection: sa.Connection) -> int:
    """How many photos have an original that the log says is kept."""
    # The whole table need not be read for that: what was let go is written down by itself.
    count = sa.select(sa.func.count())
    photos, gone = (count.select_from(table).scalar_subquery() for table in (PHOTO, LET_GO))
    return int(connection.execute(sa.select(photos - gone)).scalar_one())


def let_go_between(connection: sa.Connection, first: int, last: int) -> list[int]:
    """Ids of photos from one id to another whose originals were let go."""
    statement = sa.select(LET_GO.c.photo_id).where(
        LET_GO.c.photo_id >= first, LET_GO.c.photo_id <= last
    )
    return list(connection.execute(statement).scalars())


def named_digests(connection: sa.Connection) -> frozenset[str]:
    """sha256 of all photos of the log, whether their originals are kept or were let go."""
    return frozenset(connection.execute(sa.select(PHOTO.c.sha256)).scalars())


def let_go_digests(connection: sa.Connection) -> list[str]:
    """sha256 of all photos whose originals the log says are not kept."""
    return list(
        connection.execute(
            sa.select(PHOTO.c.sha256).where(PHOTO.c.original_kept.is_(sa.false()))
        ).scalars()
    )
