"""What a photo said of its moment where that is not believed."""

import sqlalchemy as sa
from alembic import op

from service.log.sql_types import Moment

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    """Give what is said about photos the moment of their own clock; of earlier ones it is gone."""
    op.add_column("capture", sa.Column("photo_said_at", Moment))
