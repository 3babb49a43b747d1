"""Indexes for what is asked of a large log: the last air of a shelf, photos with a problem."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Make the indexes."""
    op.create_index("ix_reading_of_shelf", "reading", ["shelf_id", "read_at"])
    op.create_index(
        "ix_photo_inspection_with_problem",
        "photo_inspection",
        ["photo_id"],
        sqlite_where=sa.text("problem IS NOT NULL"),
        postgresql_where=sa.text("problem IS NOT NULL"),
    )
