"""What reaches out of the room: cameras' tries, messages, and the addresses' secrets."""

import sqlalchemy as sa
from alembic import op

from service.log.sql_types import Id, Json, Moment

revision = "0002"
down_revision = "0001"

_LOG = sa.MetaData(
    naming_convention={
        "ix": "ix_%(column_0_label)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ck": "ck_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)
# Only to be referred to: revision 0001 made them.
for _name in ("person", "camera", "photo"):
    sa.Table(_name, _LOG, sa.Column("id", Id, primary_key=True))


def _refers(name: str, table: str, *, required: bool = False) -> sa.Column[int]:
    return sa.Column(name, Id, sa.ForeignKey(f"{table}.id"), nullable=not required, index=True)


def _text(name: str, *, required: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=not required)


def _moment(name: str, *, required: bool = False, index: bool = False) -> sa.Column[object]:
    return sa.Column(name, Moment, nullable=not required, index=index)


def _row_id() -> sa.Column[int]:
    return sa.Column("id", Id, primary_key=True, autoincrement=True)


_NEW: list[sa.Table] = [
    sa.Table(
        "secret",
        _LOG,
        sa.Column("owner", sa.String(100), primary_key=True),
        _text("value", required=True),
    ),
    sa.Table(
        "camera_shot",
        _LOG,
        _row_id(),
        _refers("camera_id", "camera", required=True),
        _moment("planned_at"),
        _moment("tried_at", required=True, index=True),
        _text("outcome", required=True),
        _text("error"),
        _refers("photo_id", "photo"),
        _text("poor"),
    ),
    sa.Table(
        "seen_file",
        _LOG,
        _row_id(),
        _refers("camera_id", "camera", required=True),
        _text("name", required=True),
        sa.Column("size_bytes", sa.BigInteger, nullable=False),
        _moment("modified_at", required=True),
    ),
    sa.Table(
        "notification_target",
        _LOG,
        _row_id(),
        sa.Column("original_id", Id, sa.ForeignKey("notification_target.id"), index=True),
        sa.Column("replaces_id", Id, sa.ForeignKey("notification_target.id"), unique=True),
        _moment("entered_at", required=True),
        sa.Column("entered_by", Id, sa.ForeignKey("person.id")),
        _text("why"),
        sa.Column("withdrawn", sa.Boolean, nullable=False, server_default=sa.false()),
        sa.CheckConstraint(
            "(original_id IS NULL) = (replaces_id IS NULL)",
            name="notification_target_correction_is_whole",
        ),
        _text("name", required=True),
        _text("address", required=True),
        _text("digest_at"),
        _text("quiet_from"),
        _text("quiet_until"),
        sa.Column("at_once", Json, nullable=False),
        sa.Column("in_quiet_hours", Json, nullable=False),
        sa.Column("active", sa.Boolean, nullable=False),
    ),
    sa.Table(
        "notification",
        _LOG,
        _row_id(),
        _refers("target_id", "notification_target", required=True),
        sa.Column("key", sa.String(200), nullable=False),
        _text("title", required=True),
        _text("body", required=True),
        sa.Column("flags", Json, nullable=False),
        sa.Column("while_open", sa.Boolean, nullable=False),
        _moment("made_at", required=True),
        sa.Column("state", sa.String(20), nullable=False, index=True),
        _moment("next_try_at", required=True),
        sa.Column("tries", sa.Integer, nullable=False),
        _moment("ended_at"),
        _text("error"),
        sa.UniqueConstraint("target_id", "key"),
    ),
]


def upgrade() -> None:
    """Make the new tables; what is there stays as it is."""
    _LOG.create_all(op.get_bind(), tables=_NEW, checkfirst=False)
