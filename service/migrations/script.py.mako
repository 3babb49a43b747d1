"""${message}"""

import sqlalchemy as sa
from alembic import op

from service.log.sql_types import Id, Json, Moment

revision = ${repr(up_revision)}
down_revision = ${repr(down_revision)}


def upgrade() -> None:
    """${message}."""
    ${upgrades if upgrades else "pass"}
