"""The units in which people of the room read and type quantities."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

_METRIC = {
    "temperature_unit": "°C",
    "weight_unit": "kg",
    "volume_unit": "L",
    "length_unit": "cm",
}


def upgrade() -> None:
    """Give the room its units; a room that is there already was read as metric."""
    for name, unit in _METRIC.items():
        op.add_column("room", sa.Column(name, sa.Text, nullable=False, server_default=unit))
