"""Parts of a tray that grow on in another tray."""

import sqlalchemy as sa
from alembic import op

from service.log.sql_types import Id, Moment

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    """Give runs the tray's part; every earlier run is of a whole tray."""
    op.add_column("run", sa.Column("in_tray_from", Moment))
    op.add_column(
        "run",
        sa.Column("split_from_id", Id, sa.ForeignKey("run.id", name="fk_run_split_from_id")),
        inline_references=True,
    )
    op.create_index("ix_run_split_from_id", "run", ["split_from_id"])
