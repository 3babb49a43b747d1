"""The tables of the log. How rows are corrected without overwriting: `service.log.entries`.

Times are UTC. A moment of the room's life (`spread_at`, `placed_at`, …) is what a person or camera
says; `entered_at` is when it was entered. What follows from other rows is not stored: a photo's
run, a tray's state or place, a flag's state are worked out when asked.
"""

import sqlalchemy as sa

import service.log.account_tables
import service.log.outside_schema
import service.log.retention_tables  # noqa: F401  # Declared beside these.
from service.log.columns import (
    METADATA,
    entries_table,
    moment_column,
    number_column,
    refers_column,
    text_column,
)
from service.log.sql_types import Id, Json

PERSON = entries_table(
    "person",
    text_column("name", required=True),
    text_column("role", required=True),
    sa.Column("active", sa.Boolean, nullable=False),
)

ROOM = entries_table(
    "room",
    text_column("name", required=True),
    text_column("time_zone", required=True),
    text_column("tray_size", required=True),
    # "soak" or "spread": what the room calls day 0; NULL until somebody was asked.
    text_column("day_zero"),
    text_column("grain", required=True),
    number_column("target_shoot_height_mm"),
    number_column("target_day"),
    number_column("photo_every_hours", required=True),
    # How people of this room read and type quantities; the log itself is metric.
    text_column("temperature_unit", required=True),
    text_column("weight_unit", required=True),
    text_column("volume_unit", required=True),
    text_column("length_unit", required=True),
)

RACK = entries_table("rack", text_column("name", required=True), text_column("note"))

SHELF = entries_table(
    "shelf",
    refers_column("rack_id", "rack", required=True),
    text_column("name", required=True),
    # 1 is the top: water runs from a shelf to the next number.
    sa.Column("level", sa.Integer, nullable=False),
    text_column("water_path"),
    text_column("note"),
)

POSITION = entries_table(
    "position",
    refers_column("shelf_id", "shelf", required=True),
    text_column("name", required=True),
)

TRAY = entries_table(
    "tray",
    # The kit's number, printed on the tags: a tray keeps it for life.
    sa.Column("number", sa.Integer, nullable=False),
    text_column("size"),
    text_column("note"),
)
sa.Index(
    "uq_tray_number_of_originals",
    TRAY.c.number,
    unique=True,
    sqlite_where=TRAY.c.original_id.is_(None),
    postgresql_where=TRAY.c.original_id.is_(None),
)

TRAY_STATE = entries_table(
    "tray_state",
    refers_column("tray_id", "tray", required=True),
    # "resting", "empty" or "retired"; growing follows from an open run.
    text_column("state", required=True),
    moment_column("since_at", required=True),
)

PLACEMENT = entries_table(
    "placement",
    refers_column("tray_id", "tray", required=True),
    # No shelf: the tray was taken off the racks.
    refers_column("shelf_id", "shelf"),
    refers_column("position_id", "position"),
    moment_column("placed_at", required=True),
)

SEED_LOT = entries_table(
    "seed_lot",
    text_column("name", required=True),
    text_column("grain", required=True),
    text_column("supplier"),
    text_column("certificate"),
    moment_column("received_at"),
    number_column("weight_kg"),
    number_column("germination_share"),
    text_column("note"),
)

RUN = entries_table(
    "run",
    refers_column("tray_id", "tray", required=True),
    moment_column("spread_at", required=True),
    moment_column("soaked_at"),
    # Of a part: since when it lies in this tray, the run that was spread, and whose tray it left.
    moment_column("in_tray_from"),
    refers_column("split_from_id", "run"),
    refers_column("taken_from_id", "run"),
    number_column("target_shoot_height_mm"),
    number_column("target_day"),
    text_column("note"),
)

# Of one entry of a run, not of the run: a corrected run brings its seed along again.
RUN_SEED = sa.Table(
    "run_seed",
    METADATA,
    sa.Column("run_entry_id", Id, sa.ForeignKey("run.id"), primary_key=True),
    sa.Column("lot_id", Id, sa.ForeignKey("seed_lot.id"), primary_key=True),
    number_column("weight_g"),
)

HARVEST = entries_table(
    "harvest",
    refers_column("run_id", "run", required=True),
    moment_column("harvested_at", required=True),
    number_column("weight_g"),
    # A tray fed in parts is harvested more than once; the last one ends the run.
    sa.Column("ends_run", sa.Boolean, nullable=False),
    # "harvested", "thrown" or "other".
    text_column("reason", required=True),
    text_column("note"),
)

CAMERA = entries_table(
    "camera",
    text_column("name", required=True),
    text_column("kind", required=True),
    refers_column("shelf_id", "shelf"),
    text_column("address"),
    sa.Column("options", Json),
    sa.Column("calibration", Json),
    sa.Column("active", sa.Boolean, nullable=False),
)

# The bytes and nothing that anybody could correct.
PHOTO = sa.Table(
    "photo",
    METADATA,
    sa.Column("id", Id, primary_key=True, autoincrement=True),
    sa.Column("sha256", sa.String(64), nullable=False, unique=True),
    text_column("name", required=True),
    text_column("media_type", required=True),
    sa.Column("size_bytes", sa.BigInteger, nullable=False),
    moment_column("received_at", required=True),
    refers_column("received_from", "person"),
    # False once a rule of retention let the original go; the record stays.
    sa.Column("original_kept", sa.Boolean, nullable=False),
)

# What is said about a photo beyond its bytes.
CAPTURE = entries_table(
    "capture",
    refers_column("photo_id", "photo", required=True),
    moment_column("taken_at", required=True, index=True),
    # "given", "photo", "photo, in the room's time" or "received".
    text_column("taken_at_from", required=True),
    text_column("watering", required=True),
    refers_column("camera_id", "camera"),
    text_column("note"),
    moment_column("photo_said_at"),  # Where its clock is not believed.
)

# One pass of the library over one photo; measuring again stands beside the pass before.
PHOTO_INSPECTION = entries_table(
    "photo_inspection",
    refers_column("photo_id", "photo", required=True),
    text_column("problem"),
    sa.Column("record", Json, nullable=False),
    text_column("library_version", required=True),
)

sa.Index(
    "ix_photo_inspection_with_problem",
    PHOTO_INSPECTION.c.photo_id,
    sqlite_where=PHOTO_INSPECTION.c.problem.is_not(None),
    postgresql_where=PHOTO_INSPECTION.c.problem.is_not(None),
)

TRAY_INSPECTION = sa.Table(
    "tray_inspection",
    METADATA,
    sa.Column("id", Id, primary_key=True, autoincrement=True),
    refers_column("photo_inspection_id", "photo_inspection", required=True),
    refers_column("tray_id", "tray"),
    number_column("day"),
    number_column("cover"),
    number_column("cover_uncertainty"),
    number_column("canopy_height_mm"),
    number_column("canopy_height_uncertainty_mm"),
    number_column("shoot_height_mm"),
    number_column("shoot_height_uncertainty_mm"),
    number_column("yellow_share"),
    number_column("fuzz"),
    number_column("mould_likelihood"),
    number_column("seen"),
    number_column("score"),
    sa.Column("record", Json, nullable=False),
)

# A person says which tray a photo shows that the tags do not tell.
ASSIGNMENT = entries_table(
    "assignment",
    refers_column("photo_id", "photo", required=True),
    refers_column("tray_id", "tray", required=True),
)

# Of a tray without a kit, as a person marks it: [x, y] px in the order of `marked_tray`.
TRAY_CORNERS = entries_table(
    "tray_corners",
    refers_column("photo_id", "photo", required=True),
    refers_column("tray_id", "tray"),
    text_column("size", required=True),
    sa.Column("corners", Json, nullable=False),
)

FLAG = sa.Table(
    "flag",
    METADATA,
    sa.Column("id", Id, primary_key=True, autoincrement=True),
    # One cause, one flag: what is noticed again under an open flag's cause joins that flag.
    sa.Column("cause", sa.Text, nullable=False, index=True),
    text_column("kind", required=True),
    refers_column("tray_id", "tray"),
    refers_column("shelf_id", "shelf"),
    refers_column("run_id", "run"),
    refers_column("lot_id", "seed_lot"),
    moment_column("since", required=True),
    moment_column("opened_at", required=True),
)

FLAG_EVENT = entries_table(
    "flag_event",
    refers_column("flag_id", "flag", required=True),
    # "noticed" carries urgency to evidence; "snoozed", "done", "verdict", "gone" what became of it.
    text_column("kind", required=True),
    moment_column("at", required=True),
    number_column("urgency"),
    text_column("level"),
    text_column("reason"),
    text_column("look"),
    sa.Column("evidence", Json),
    moment_column("until_at"),
    text_column("verdict"),
    text_column("note"),
)

READING = entries_table(
    "reading",
    refers_column("shelf_id", "shelf"),
    moment_column("read_at", required=True, index=True),
    number_column("temperature_c"),
    number_column("temperature_low_c"),
    number_column("temperature_high_c"),
    number_column("humidity_percent"),
    number_column("humidity_low_percent"),
    number_column("humidity_high_percent"),
    text_column("source", required=True),
    text_column("note"),
)
sa.Index("ix_reading_of_shelf", READING.c.shelf_id, READING.c.read_at)

CHORE = entries_table(
    "chore",
    text_column("kind", required=True),
    text_column("title", required=True),
    moment_column("planned_for", index=True),
    moment_column("done_at", index=True),
    refers_column("done_by", "person"),
    refers_column("tray_id", "tray"),
    refers_column("shelf_id", "shelf"),
    refers_column("run_id", "run"),
    sa.Column("details", Json),
    text_column("note"),
)

CORRECTABLE = {table.name: table for table in METADATA.sorted_tables if "replaces_id" in table.c}
