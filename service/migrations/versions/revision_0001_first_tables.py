"""The log's first tables: a frozen copy, which changes to `service.log.schema` never reach."""

from typing import Any

import sqlalchemy as sa
from alembic import op

from service.log.sql_types import Id, Json, Moment

revision = "0001"
down_revision = None

_LOG = sa.MetaData(
    naming_convention={
        "ix": "ix_%(column_0_label)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ck": "ck_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _entry(table: str) -> list[sa.schema.SchemaItem]:
    return [
        sa.Column("id", Id, primary_key=True, autoincrement=True),
        sa.Column("original_id", Id, sa.ForeignKey(f"{table}.id"), index=True),
        sa.Column("replaces_id", Id, sa.ForeignKey(f"{table}.id"), unique=True),
        sa.Column("entered_at", Moment, nullable=False),
        sa.Column("entered_by", Id, sa.ForeignKey("person.id")),
        sa.Column("why", sa.Text),
        sa.Column("withdrawn", sa.Boolean, nullable=False, server_default=sa.false()),
        sa.CheckConstraint(
            "(original_id IS NULL) = (replaces_id IS NULL)", name=f"{table}_correction_is_whole"
        ),
    ]


def _refers(name: str, table: str, *, required: bool = False, index: bool = True) -> sa.Column[int]:
    return sa.Column(name, Id, sa.ForeignKey(f"{table}.id"), nullable=not required, index=index)


def _text(name: str, *, required: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text, nullable=not required)


def _number(name: str, *, required: bool = False) -> sa.Column[float]:
    return sa.Column(name, sa.Float, nullable=not required)


def _moment(name: str, *, required: bool = False, index: bool = False) -> sa.Column[object]:
    return sa.Column(name, Moment, nullable=not required, index=index)


def _entries(name: str, *columns: sa.Column[Any]) -> sa.Table:
    return sa.Table(name, _LOG, *_entry(name), *columns)


PERSON = _entries(
    "person",
    _text("name", required=True),
    _text("role", required=True),
    sa.Column("active", sa.Boolean, nullable=False),
)

ROOM = _entries(
    "room",
    _text("name", required=True),
    _text("time_zone", required=True),
    _text("tray_size", required=True),
    _text("day_zero"),
    _text("grain", required=True),
    _number("target_shoot_height_mm"),
    _number("target_day"),
    _number("photo_every_hours", required=True),
)

RACK = _entries(
    "rack",
    _text("name", required=True),
    _text("note"),
)

SHELF = _entries(
    "shelf",
    _refers("rack_id", "rack", required=True),
    _text("name", required=True),
    sa.Column("level", sa.Integer, nullable=False),
    _text("water_path"),
    _text("note"),
)

POSITION = _entries(
    "position",
    _refers("shelf_id", "shelf", required=True),
    _text("name", required=True),
)

TRAY = _entries(
    "tray",
    sa.Column("number", sa.Integer, nullable=False),
    _text("size"),
    _text("note"),
)
sa.Index(
    "uq_tray_number_of_originals",
    TRAY.c.number,
    unique=True,
    sqlite_where=TRAY.c.original_id.is_(None),
    postgresql_where=TRAY.c.original_id.is_(None),
)

TRAY_STATE = _entries(
    "tray_state",
    _refers("tray_id", "tray", required=True),
    _text("state", required=True),
    _moment("since_at", required=True),
)

PLACEMENT = _entries(
    "placement",
    _refers("tray_id", "tray", required=True),
    _refers("shelf_id", "shelf"),
    _refers("position_id", "position"),
    _moment("placed_at", required=True),
)

SEED_LOT = _entries(
    "seed_lot",
    _text("name", required=True),
    _text("grain", required=True),
    _text("supplier"),
    _text("certificate"),
    _moment("received_at"),
    _number("weight_kg"),
    _number("germination_share"),
    _text("note"),
)

RUN = _entries(
    "run",
    _refers("tray_id", "tray", required=True),
    _moment("spread_at", required=True),
    _moment("soaked_at"),
    _number("target_shoot_height_mm"),
    _number("target_day"),
    _text("note"),
)

sa.Table(
    "run_seed",
    _LOG,
    sa.Column("run_entry_id", Id, sa.ForeignKey("run.id"), primary_key=True),
    sa.Column("lot_id", Id, sa.ForeignKey("seed_lot.id"), primary_key=True),
    _number("weight_g"),
)

HARVEST = _entries(
    "harvest",
    _refers("run_id", "run", required=True),
    _moment("harvested_at", required=True),
    _number("weight_g"),
    sa.Column("ends_run", sa.Boolean, nullable=False),
    _text("reason", required=True),
    _text("note"),
)

CAMERA = _entries(
    "camera",
    _text("name", required=True),
    _text("kind", required=True),
    _refers("shelf_id", "shelf"),
    _text("address"),
    sa.Column("options", Json),
    sa.Column("calibration", Json),
    sa.Column("active", sa.Boolean, nullable=False),
)

sa.Table(
    "photo",
    _LOG,
    sa.Column("id", Id, primary_key=True, autoincrement=True),
    sa.Column("sha256", sa.String(64), nullable=False, unique=True),
    _text("name", required=True),
    _text("media_type", required=True),
    sa.Column("size_bytes", sa.BigInteger, nullable=False),
    _moment("received_at", required=True),
    _refers("received_from", "person"),
    sa.Column("original_kept", sa.Boolean, nullable=False),
)

CAPTURE = _entries(
    "capture",
    _refers("photo_id", "photo", required=True),
    _moment("taken_at", required=True, index=True),
    _text("taken_at_from", required=True),
    _text("watering", required=True),
    _refers("camera_id", "camera"),
    _text("note"),
)

PHOTO_INSPECTION = _entries(
    "photo_inspection",
    _refers("photo_id", "photo", required=True),
    _text("problem"),
    sa.Column("record", Json, nullable=False),
    _text("library_version", required=True),
)

sa.Table(
    "tray_inspection",
    _LOG,
    sa.Column("id", Id, primary_key=True, autoincrement=True),
    _refers("photo_inspection_id", "photo_inspection", required=True),
    _refers("tray_id", "tray"),
    _number("day"),
    _number("cover"),
    _number("cover_uncertainty"),
    _number("canopy_height_mm"),
    _number("canopy_height_uncertainty_mm"),
    _number("shoot_height_mm"),
    _number("shoot_height_uncertainty_mm"),
    _number("yellow_share"),
    _number("fuzz"),
    _number("mould_likelihood"),
    _number("seen"),
    _number("score"),
    sa.Column("record", Json, nullable=False),
)

ASSIGNMENT = _entries(
    "assignment",
    _refers("photo_id", "photo", required=True),
    _refers("tray_id", "tray", required=True),
)

sa.Table(
    "flag",
    _LOG,
    sa.Column("id", Id, primary_key=True, autoincrement=True),
    sa.Column("cause", sa.Text, nullable=False, index=True),
    _text("kind", required=True),
    _refers("tray_id", "tray"),
    _refers("shelf_id", "shelf"),
    _refers("run_id", "run"),
    _refers("lot_id", "seed_lot"),
    _moment("since", required=True),
    _moment("opened_at", required=True),
)

FLAG_EVENT = _entries(
    "flag_event",
    _refers("flag_id", "flag", required=True),
    _text("kind", required=True),
    _moment("at", required=True),
    _number("urgency"),
    _text("level"),
    _text("reason"),
    _text("look"),
    sa.Column("evidence", Json),
    _moment("until_at"),
    _text("verdict"),
    _text("note"),
)

READING = _entries(
    "reading",
    _refers("shelf_id", "shelf"),
    _moment("read_at", required=True, index=True),
    _number("temperature_c"),
    _number("temperature_low_c"),
    _number("temperature_high_c"),
    _number("humidity_percent"),
    _number("humidity_low_percent"),
    _number("humidity_high_percent"),
    _text("source", required=True),
    _text("note"),
)

CHORE = _entries(
    "chore",
    _text("kind", required=True),
    _text("title", required=True),
    _moment("planned_for", index=True),
    _moment("done_at", index=True),
    _refers("done_by", "person"),
    _refers("tray_id", "tray"),
    _refers("shelf_id", "shelf"),
    _refers("run_id", "run"),
    sa.Column("details", Json),
    _text("note"),
)


def upgrade() -> None:
    """Make all tables."""
    _LOG.create_all(op.get_bind(), checkfirst=False)
