"""Of a part of a part: which tray it was taken from, not only the run that was spread."""

import sqlalchemy as sa
from alembic import op

from service.log.sql_types import Id

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    """Say of which run's tray each part was taken; of earlier ones the log tells it.

    Splitting corrected the run whose seed became less, and entered the part next, at once.
    """
    op.add_column(
        "run",
        sa.Column("taken_from_id", Id, sa.ForeignKey("run.id", name="fk_run_taken_from_id")),
        inline_references=True,
    )
    op.create_index("ix_run_taken_from_id", "run", ["taken_from_id"])
    run = sa.table(
        "run",
        *(sa.column(name) for name in ("id", "original_id", "entered_at")),
        *(sa.column(name) for name in ("split_from_id", "taken_from_id")),
    )
    connection = op.get_bind()
    taken_from: dict[int, int] = {}
    last: tuple[object, int | None] = (None, None)
    for row in connection.execute(sa.select(run).order_by(run.c.id)).all():
        if row.split_from_id is not None:
            part = row.original_id or row.id
            corrected = last[1] if last[0] == row.entered_at else None
            taken_from.setdefault(part, corrected or row.split_from_id)
            connection.execute(
                sa.update(run).where(run.c.id == row.id).values(taken_from_id=taken_from[part])
            )
        last = row.entered_at, row.original_id
