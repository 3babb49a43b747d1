"""Tables for people who open an export in a spreadsheet: what holds now, in the trade's words.

They follow from the log's own tables, which hold everything and are what is read back.
"""

from collections.abc import Iterator, Mapping
from datetime import datetime

import sqlalchemy as sa

from service.flags.flag_log import flags
from service.log.entries import current
from service.log.schema import CAMERA, CAPTURE, PHOTO, PHOTO_INSPECTION, TRAY, TRAY_INSPECTION
from service.log.written_values import cell
from service.models.flags import FlagState
from service.models.runs import Run
from service.room.room_log import shelf_names, the_room
from service.runs.run_calendar import RunSpan, run_spans
from service.runs.run_log import lot_names, runs_out

Cells = Iterator[list[str]]

RUN_HEADER = """
run_id tray grain lots seed_weight_g soaked_at spread_at in_tray_from split_from_run_id ended_at
ended_reason days_from_spread harvest_weight_g thrown_weight_g harvest_to_seed_ratio
target_shoot_height_mm target_day note
""".split()
_MEASURES = """
cover cover_uncertainty canopy_height_mm canopy_height_uncertainty_mm shoot_height_mm
shoot_height_uncertainty_mm yellow_share fuzz mould_likelihood seen score
""".split()
INSPECTION_HEADER = [
    *"photo_id photo sha256 taken_at watering camera tray run_id day_from_spread".split(),
    *_MEASURES,
    "library_version",
]
FLAG_HEADER = """
flag_id kind level state urgency tray shelf run_id lot since opened_at noticed_at reason look
snoozed_until verdict answered_at
""".split()


def run_rows(connection: sa.Connection, now: datetime) -> Cells:
    """One row for each run, in the order of `RUN_HEADER`."""
    room, lots = the_room(connection), lot_names(connection)
    for run in runs_out(connection, run_spans(connection), room=room, now=now):
        seed_weight_g = _seed_weight_g(run)
        ratio = (
            round(run.harvest_weight_g / seed_weight_g, 3)
            if run.harvest_weight_g is not None and seed_weight_g
            else None
        )
        yield _cells(
            *(run.id, run.tray, run.grain),
            "; ".join(lots.get(part.lot_id, f"lot {part.lot_id}") for part in run.seed) or None,
            *(seed_weight_g, run.soaked_at, run.spread_at, run.in_tray_from, run.split_from_id),
            *(run.ended_at, run.ended_reason),
            *(run.day_from_spread, run.harvest_weight_g, run.thrown_weight_g, ratio),
            *(run.target_shoot_height_mm, run.target_day, run.note),
        )


def inspection_rows(connection: sa.Connection) -> Cells:
    """One row for each tray in each photo as it holds now, in the order of `INSPECTION_HEADER`."""
    spans: dict[int, list[RunSpan]] = {}
    for span in run_spans(connection):
        spans.setdefault(span.tray_id, []).append(span)
    result = connection.execution_options(yield_per=500).execute(_inspections())
    for row in result.mappings():
        taken_at = row["taken_at"]
        run = next((one for one in spans.get(row["tray_id"], []) if one.holds(taken_at)), None)
        day = None if run is None else (taken_at - run.spread_at).total_seconds() / 86400
        yield _cells(
            *(row["photo_id"], row["name"], row["sha256"], taken_at, row["watering"]),
            *(row["camera"], row["number"], None if run is None else run.id),
            None if day is None else round(day, 4),
            *(row[name] for name in _MEASURES),
            row["library_version"],
        )


def flag_rows(connection: sa.Connection, now: datetime) -> Cells:
    """One row for each flag with its last answer, in the order of `FLAG_HEADER`."""
    shelves, lots = shelf_names(connection), lot_names(connection)
    found = [flag for state in FlagState for flag in flags(connection, now, state=state)]
    for flag in sorted(found, key=lambda flag: flag.id):
        yield _cells(
            *(flag.id, flag.kind, flag.level, flag.state, flag.urgency, flag.tray),
            *(_named(shelves, flag.shelf_id), flag.run_id, _named(lots, flag.lot_id)),
            *(flag.since, flag.opened_at, flag.noticed_at, flag.reason, flag.look),
            *(flag.snoozed_until, flag.verdict, flag.answered_at),
        )


def _inspections() -> sa.Select[tuple[object, ...]]:
    passes, capture = current(PHOTO_INSPECTION), current(CAPTURE)
    camera, trays = current(CAMERA), current(TRAY)
    return (
        sa.select(
            passes.c.photo_id,
            PHOTO.c.name,
            PHOTO.c.sha256,
            capture.c.taken_at,
            capture.c.watering,
            camera.c.name.label("camera"),
            TRAY_INSPECTION.c.tray_id,
            trays.c.number,
            *(TRAY_INSPECTION.c[name] for name in _MEASURES),
            passes.c.library_version,
        )
        .join(passes, passes.c.entry_id == TRAY_INSPECTION.c.photo_inspection_id)
        .join(capture, capture.c.photo_id == passes.c.photo_id)
        .join(PHOTO, PHOTO.c.id == passes.c.photo_id)
        .join(trays, trays.c.id == TRAY_INSPECTION.c.tray_id, isouter=True)
        .join(camera, camera.c.id == capture.c.camera_id, isouter=True)
        .order_by(capture.c.taken_at, PHOTO.c.sha256, TRAY_INSPECTION.c.id)
    )


def _named(names: Mapping[int, str], key: int | None) -> str | None:
    return None if key is None else names.get(key, str(key))


def _seed_weight_g(run: Run) -> float | None:
    """Weight of all seed; None where a part was not weighed."""
    weights = [part.weight_g for part in run.seed if part.weight_g is not None]
    return sum(weights) if weights and len(weights) == len(run.seed) else None


def _cells(*values: object) -> list[str]:
    return [cell(value) for value in values]
