"""The kinds of things whose paths are all alike, and the rules that hold for them."""

from typing import Any

import sqlalchemy as sa

from service.log.entries import current
from service.log.refusals import Conflict, NotFound, Refusal
from service.log.schema import (
    CAPTURE,
    CHORE,
    HARVEST,
    PLACEMENT,
    POSITION,
    RACK,
    READING,
    RUN,
    SEED_LOT,
    SHELF,
    TRAY,
    TRAY_STATE,
)
from service.models import photos, runs
from service.models import room as rooms
from service.models.base import LARGEST_ID
from service.room.resources import Resource, Values
from service.room.room_log import Row, one, tray_numbered
from service.runs.run_calendar import last_begun, run_calendar, run_spans
from service.runs.run_rules import check_harvest


def _position_on_its_shelf(
    connection: sa.Connection, values: Values, _thing_id: int | None
) -> None:
    if values["position_id"] is None:
        return
    shelf_id = one(connection, POSITION, values["position_id"])["shelf_id"]
    if values["shelf_id"] != shelf_id:
        raise Refusal(
            "position_id",
            f"must be a position of shelf_id {values['shelf_id']}, "
            f"but {values['position_id']} is on shelf {shelf_id}",
        )


_SPOKEN = {SEED_LOT.name: "seed lot"}


def name_is_free(table: sa.Table, *within: str) -> Any:
    """A rule: of the things that agree in the columns `within` no two have one name."""

    def check(connection: sa.Connection, values: Values, thing_id: int | None) -> None:
        now = current(table)
        statement = sa.select(now.c.id).where(now.c.name == values["name"])
        for name in within:
            statement = statement.where(now.c[name] == values[name])
        taken = connection.execute(statement).scalar()
        if taken is not None and taken != thing_id:
            raise Conflict(
                "name", f"must be new, but another {_SPOKEN.get(table.name, table.name)} has it"
            )

    return check


_position_name_is_free = name_is_free(POSITION, "shelf_id")


def _position_stays(connection: sa.Connection, values: Values, thing_id: int | None) -> None:
    """A position stays on the shelf where trays were put at it, or their past would move with it.

    Each placement names its shelf too: from a position on another shelf the two would disagree.
    """
    _position_name_is_free(connection, values, thing_id)
    if thing_id is None:
        return
    now = current(PLACEMENT)
    elsewhere = (now.c.position_id == thing_id, now.c.shelf_id != values["shelf_id"])
    used = connection.execute(sa.select(now.c.shelf_id).where(*elsewhere).limit(1)).scalar()
    if used is not None:
        raise Conflict(
            "shelf_id",
            f"must stay {used}, since trays were put at position {thing_id} there, "
            f"got {values['shelf_id']}; add a position to the other shelf and move its trays",
        )


def _taken_of(connection: sa.Connection, before: Row, given: Values) -> Values:
    """The run of the tray of which a harvest is said to be, as it lay there when it was taken."""
    if "tray" not in given:
        return given
    values = dict(given)
    number, at = values.pop("tray"), values.get("harvested_at", before["harvested_at"])
    if number is None:
        raise Refusal("tray", "must have a value, got null")
    spans = run_spans(connection, tray_numbered(connection, number)["id"])
    if before["run_id"] in {span.id for span in spans}:
        return values
    span = last_begun(spans, at)
    if span is None:
        raise Refusal(
            "tray",
            f"must have had a run by {at:%Y-%m-%d %H:%M} UTC, but nothing was spread in tray "
            f"{number} before",
        )
    return {**values, "run_id": span.id}


def _within_its_run(connection: sa.Connection, values: Values, thing_id: int | None) -> None:
    # Older logs hold harvests of runs that were withdrawn: those can still be put right.
    if values["run_id"] in run_calendar(connection).by_id:
        check_harvest(connection, values, harvest_id=thing_id)


def _names_a_known_lot(connection: sa.Connection, values: Values, thing_id: int | None) -> None:
    """Of what was soaked. A bag that was withdrawn since need not be put right with the rest."""
    lot_id = (values["details"] or {}).get("lot_id")
    before = _as_it_holds(connection, CHORE, thing_id)
    known = None if before is None else (before["details"] or {}).get("lot_id")
    # A script may keep anything there: what is no number of the log names no bag of it.
    if type(lot_id) is int and lot_id != known:
        if not 0 < lot_id <= LARGEST_ID:
            raise NotFound(SEED_LOT.name, lot_id)
        one(connection, SEED_LOT, lot_id)


def _holds_together(connection: sa.Connection, values: Values, thing_id: int | None) -> None:
    """What is written of a chore: a bag of the log, and no more left over than was fed."""
    _names_a_known_lot(connection, values, thing_id)
    details = values["details"] or {}
    before = _as_it_holds(connection, CHORE, thing_id)
    if before is not None and before["details"] == values["details"]:
        return
    fed_g, left_g = (_number(details.get(name)) for name in ("weight_g", "refusals_g"))
    if fed_g is not None and left_g is not None and left_g > fed_g:
        raise Refusal(
            "details.refusals_g", f"must not exceed weight_g, {fed_g:g} g fed, got {left_g:g}"
        )


def _number(value: Any) -> float | None:
    """A script may keep anything there: what is no number is compared with none."""
    return float(value) if type(value) in (int, float) else None


def _says_air(_connection: sa.Connection, values: Values, _thing_id: int | None) -> None:
    said = [name for name in values if name.startswith(("temperature", "humidity"))]
    if all(values[name] is None for name in said):
        raise Refusal(
            "reading", "must hold a temperature or humidity; if it never was, withdraw it"
        )
    for low, high in (
        ("temperature_low_c", "temperature_high_c"),
        ("humidity_low_percent", "humidity_high_percent"),
    ):
        if values[low] is not None and values[high] is not None and values[low] > values[high]:
            raise Refusal(low, f"must not exceed {high}, got {values[low]} and {values[high]}")


def _said_of_an_empty_tray(connection: sa.Connection, values: Values, thing_id: int | None) -> None:
    before = _as_it_holds(connection, TRAY_STATE, thing_id)
    since = values["since_at"]
    # A run that was entered later for that time goes before it; what it was can still be put right.
    if before is not None and before["since_at"] == since:
        return
    for span in run_spans(connection, values["tray_id"]):
        if span.begins_at <= since and (span.ended_at is None or since < span.ended_at):
            raise Refusal(
                "state",
                f"must be said of a tray that does not grow, but tray {span.number} grew at "
                f"{since:%Y-%m-%d %H:%M} UTC; enter its harvest first",
            )


def _as_it_holds(connection: sa.Connection, table: sa.Table, thing_id: int | None) -> Row | None:
    now = current(table)
    statement = sa.select(now).where(now.c.id == thing_id)
    return None if thing_id is None else connection.execute(statement).mappings().first()


RACKS = Resource(RACK, rooms.NewRack, rooms.RackChange, rooms.Rack, check=name_is_free(RACK))
SHELVES = Resource(
    SHELF,
    rooms.NewShelf,
    rooms.ShelfChange,
    rooms.Shelf,
    check=name_is_free(SHELF, "rack_id"),
)
POSITIONS = Resource(
    POSITION,
    rooms.NewPosition,
    rooms.PositionChange,
    rooms.Position,
    check=_position_stays,
)
# Its number must be free in the whole history: registered by `room_log.register_tray`.
TRAYS = Resource(TRAY, rooms.NewTray, rooms.TrayChange, rooms.Tray)
TRAY_STATES = Resource(
    TRAY_STATE,
    rooms.NewTrayState,
    rooms.TrayStateChange,
    rooms.TrayStateEntry,
    newest_by="since_at",
    now_if_missing="since_at",
    happened=("since_at",),
    check=_said_of_an_empty_tray,
)
PLACEMENTS = Resource(
    PLACEMENT,
    rooms.NewPlacement,
    rooms.PlacementChange,
    rooms.Placement,
    newest_by="placed_at",
    now_if_missing="placed_at",
    happened=("placed_at",),
    check=_position_on_its_shelf,
)
LOTS = Resource(
    SEED_LOT,
    runs.NewLot,
    runs.LotChange,
    runs.Lot,
    happened=("received_at",),
    check=name_is_free(SEED_LOT),
)
HARVESTS = Resource(
    HARVEST,
    runs.NewHarvest,
    runs.HarvestChange,
    runs.Harvest,
    newest_by="harvested_at",
    now_if_missing="harvested_at",
    happened=("harvested_at",),
    meant=_taken_of,
    check=_within_its_run,
)
READINGS = Resource(
    READING,
    runs.NewReading,
    runs.ReadingChange,
    runs.Reading,
    newest_by="read_at",
    now_if_missing="read_at",
    happened=("read_at",),
    check=_says_air,
)
CHORES = Resource(
    CHORE,
    runs.NewChore,
    runs.ChoreChange,
    runs.Chore,
    newest_by="first_entered_at",
    happened=("done_at",),
    said_by={"done_at": "done_by"},
    check=_holds_together,
)
# Only its history is shown this way; a capture is entered with its photo.
CAPTURES = Resource(CAPTURE, photos.PhotoChange, photos.PhotoChange, rooms.Room)
# A run brings its seed along: it is entered and corrected by `service.runs.run_changes`.
RUNS = Resource(RUN, runs.NewRun, runs.RunChange, runs.Run)
