"""Which originals a rule of retention let go, and why."""

import sqlalchemy as sa
from alembic import op

from service.log.sql_types import Id, Moment

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Make the table of originals that were let go."""
    op.create_table(
        "let_go",
        sa.Column("photo_id", Id, autoincrement=False, nullable=False),
        sa.Column("let_go_at", Moment, nullable=False),
        sa.Column("rule", sa.Text, nullable=False),
        sa.ForeignKeyConstraint(["photo_id"], ["photo.id"], name="fk_let_go_photo_id"),
        sa.PrimaryKeyConstraint("photo_id", name="pk_let_go"),
    )
