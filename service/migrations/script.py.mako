"""${message}"""

import sqlalchemy as sa
from alembic import op

from service.sql_types import Id, Json, Moment

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}


def upgrade() -> None:
    """${message}."""
    ${upgrades if upgrades else "pass"}
