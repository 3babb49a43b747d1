"""Corners of trays without a kit, as people mark them on photos."""

import sqlalchemy as sa
from alembic import op

from service.log.sql_types import Id, Json, Moment

revision = "0007"
down_revision = "0006"

_TABLE = "tray_corners"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        _TABLE,
        sa.Column("id", Id, autoincrement=True),
        sa.Column("original_id", Id),
        sa.Column("replaces_id", Id),
        sa.Column("entered_at", Moment, nullable=False),
        sa.Column("entered_by", Id),
        sa.Column("why", sa.Text),
        sa.Column("withdrawn", sa.Boolean, nullable=False, server_default=sa.false()),
        sa.Column("photo_id", Id, nullable=False),
        sa.Column("tray_id", Id),
        sa.Column("size", sa.Text, nullable=False),
        sa.Column("corners", Json, nullable=False),
        sa.PrimaryKeyConstraint("id", name=f"pk_{_TABLE}"),
        sa.UniqueConstraint("replaces_id", name=f"uq_{_TABLE}_replaces_id"),
        sa.CheckConstraint(
            "(original_id IS NULL) = (replaces_id IS NULL)",
            name=f"ck_{_TABLE}_correction_is_whole",
        ),
        *(
            sa.ForeignKeyConstraint([column], [f"{other}.id"], name=f"fk_{_TABLE}_{column}")
            for column, other in (
                ("original_id", _TABLE),
                ("replaces_id", _TABLE),
                ("entered_by", "person"),
                ("photo_id", "photo"),
                ("tray_id", "tray"),
            )
        ),
    )
    for column in ("original_id", "photo_id", "tray_id"):
        op.create_index(f"ix_{_TABLE}_{column}", _TABLE, [column])
