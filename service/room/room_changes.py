"""Commands on several trays at once: started, moved, swapped, put to rest; all or nothing."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import cast

import sqlalchemy as sa

from service.context import Service
from service.log.entries import Entrant
from service.log.refusals import Conflict, Refusal
from service.log.told_moments import RUN_FURTHEST_AHEAD
from service.models.room import NewPlacement, NewTrayState, Placement, TrayStateEntry
from service.models.runs import EndReason, Harvest, Lot, NewHarvest, NewLot, NewRun, Seed
from service.photos.ingest import tell_watchers
from service.room.resources import Resource
from service.room.room_log import Row, in_utc, placement_at, the_room, tray_numbered
from service.room.things import HARVESTS, LOTS, PLACEMENTS, TRAY_STATES
from service.runs.run_calendar import RunSpan, run_spans, span_of
from service.runs.run_changes import enter_run
from service.runs.run_places import growing_in_place

# Trays that are spread from a date to come are put there then.
_TO_BE_SPREAD = replace(PLACEMENTS, furthest=RUN_FURTHEST_AHEAD)


@dataclass(frozen=True)
class Bag:
    """A lot that comes with the trays it is spread in, and how much of it goes into each.

    Parameters
    ----------
    lot : NewLot
    weight_g : float or None
        In each tray.
    """

    lot: NewLot
    weight_g: float | None = None


@dataclass(frozen=True)
class Move:
    """One tray and where it is put."""

    tray: int
    to: NewPlacement


@dataclass(frozen=True)
class Started:
    """What starting trays entered.

    Parameters
    ----------
    runs : tuple of int
        Ids, in the order of the trays.
    lot : Lot or None
        The new bag.
    unended : tuple of int
        Numbers of trays whose run before had no end, and ended here.
    placed : tuple of Placement
    """

    runs: tuple[int, ...]
    lot: Lot | None
    unended: tuple[int, ...]
    placed: tuple[Placement, ...]


def start_trays(
    service: Service,
    runs: Sequence[NewRun],
    by: Entrant,
    *,
    bag: Bag | None = None,
    places: Sequence[NewPlacement] = (),
) -> Started:
    """Start runs in several trays.

    Parameters
    ----------
    service : Service
    runs : sequence of NewRun
    by : Entrant
    bag : Bag, optional
        A new lot of which seed goes into each of them, before what they name.
    places : sequence of NewPlacement
        Where they are put, one for each run; without any they stay where they stand.

    Raises
    ------
    Refusal
        If a rule of a run is broken, or one starts before its tray's last harvest.
    Conflict
        If a tray has another run that starts within the hour, or the lot's name is taken.
    NotFound
        If a lot is not in the log.
    """
    trays: set[int] = set()
    ids, unended, placed = [], [], []
    with service.database.write() as connection:
        lot = None if bag is None else cast(Lot, LOTS.add(connection, bag.lot, by))
        for new in runs:
            seed = list(new.seed)
            if bag is not None and lot is not None:
                seed.insert(0, Seed(lot_id=lot.id, weight_g=bag.weight_g))
            try:
                run_id = enter_run(connection, new.model_copy(update={"seed": seed}), by)
            except Conflict as error:
                # Of several trays, whoever reads it must know which one.
                raise Conflict(error.field, f"{error.rule} (tray {new.tray})") from error
            span = span_of(connection, run_id)
            if ends_another(connection, span):
                unended.append(new.tray)
            ids.append(run_id)
            trays.add(span.tray_id)
        for new, place in zip(runs, places, strict=bool(places)):
            placed.append(_placed(connection, Move(new.tray, place), by, _TO_BE_SPREAD))
    tell_watchers(service, trays)
    return Started(tuple(ids), lot, tuple(unended), tuple(placed))


def ends_another(connection: sa.Connection, span: RunSpan) -> bool:
    """Whether a run without an end lay in the tray before this one, and ends here."""
    before = [one for one in run_spans(connection, span.tray_id) if one.begins_at < span.begins_at]
    return bool(before) and before[-1].reason is EndReason.NEXT_RUN


def move_trays(service: Service, moves: Sequence[Move], by: Entrant) -> list[Placement]:
    """Put several trays somewhere. Raises NotFound and Refusal."""
    with service.database.write() as connection:
        placed = [_placed(connection, move, by) for move in moves]
    tell_watchers(service, [one.tray_id for one in placed])
    return placed


def place_tray(service: Service, number: int, new: NewPlacement, by: Entrant) -> Placement:
    """Put one tray somewhere.

    Raises
    ------
    NotFound
        If it is not registered, or there is no such place.
    Refusal
        If the position is not on the shelf.
    Conflict
        If another tray grows at that position at that time: several trays that go round are moved
        together on the page, or one of them is taken off the racks first.
    """
    with service.database.write() as connection:
        placed = _placed(connection, Move(number, new), by)
        position_id, at = placed.position_id, placed.placed_at
        there = [] if position_id is None else growing_in_place(connection, position_id, at)
        other = next((span for span in there if span.tray_id != placed.tray_id), None)
        if other is not None:
            raise Conflict(
                "position_id",
                f"must be free at {at:%Y-%m-%d %H:%M} UTC, but tray {other.number} (run "
                f"{other.id}) grows at position {position_id} then; move that tray first",
            )
    tell_watchers(service, [placed.tray_id])
    return placed


def _placed(
    connection: sa.Connection, move: Move, by: Entrant, placements: Resource = PLACEMENTS
) -> Placement:
    belongs = {"tray_id": tray_numbered(connection, move.tray)["id"]}
    return cast(Placement, placements.add(connection, move.to, by, belongs_to=belongs))


def swap_trays(
    service: Service, numbers: tuple[int, int], at: datetime | None, by: Entrant
) -> list[Placement]:
    """Let two trays change places.

    Raises
    ------
    NotFound
        If one of them is not registered.
    Refusal
        If they are the same, or both stand on no shelf.
    """
    if numbers[0] == numbers[1]:
        raise Refusal("swap_with", f"must be another tray, got {numbers[1]} twice")
    with service.database.read() as connection:
        moment = by.at if at is None else in_utc(at, the_room(connection))
        first, second = (_place(connection, number, moment) for number in numbers)
    if first is None and second is None:
        raise Refusal("swap_with", f"must stand on a shelf, or tray {numbers[0]} must, got neither")
    places = (second, first)
    moves = [
        Move(number, _put(place, moment)) for number, place in zip(numbers, places, strict=True)
    ]
    return move_trays(service, moves, by)


def _place(connection: sa.Connection, number: int, moment: datetime) -> Row | None:
    place = placement_at(connection, tray_numbered(connection, number)["id"], moment)
    return place if place is not None and place["shelf_id"] is not None else None


def _put(place: Row | None, moment: datetime) -> NewPlacement:
    if place is None:
        return NewPlacement(placed_at=moment)
    return NewPlacement(
        shelf_id=place["shelf_id"], position_id=place["position_id"], placed_at=moment
    )


def say_state(
    service: Service, numbers: Sequence[int], new: NewTrayState, by: Entrant
) -> list[TrayStateEntry]:
    """Say that several trays are empty, rest or are out of use.

    Raises
    ------
    NotFound
        If one is not registered.
    Refusal
        If one still grows: its harvest comes first.
    """
    said = []
    with service.database.write() as connection:
        for number in numbers:
            belongs = {"tray_id": tray_numbered(connection, number)["id"]}
            said.append(
                cast(TrayStateEntry, TRAY_STATES.add(connection, new, by, belongs_to=belongs))
            )
    return said


def harvest_run(service: Service, run_id: int, new: NewHarvest, by: Entrant) -> Harvest:
    """Take a tray, or a part of it. Raises like `harvest_runs`."""
    with service.database.write() as connection:
        out = _harvested(connection, run_id, new, by)
        tray_id = span_of(connection, run_id).tray_id
    tell_watchers(service, [tray_id])
    return out


def harvest_runs(
    service: Service, harvests: Sequence[tuple[int, NewHarvest]], by: Entrant
) -> list[Harvest]:
    """Take several trays, or parts of them, all or none.

    Parameters
    ----------
    service : Service
    harvests : sequence of (int, NewHarvest)
        Each with the id of its run.
    by : Entrant

    Raises
    ------
    NotFound
        If there is no such run.
    Refusal
        If one lies before its run's spreading, after its tray was spread again, or its run was
        harvested whole already.
    """
    taken, trays = [], []
    with service.database.write() as connection:
        for run_id, new in harvests:
            span = span_of(connection, run_id)
            try:
                taken.append(_harvested(connection, run_id, new, by))
            except Refusal as refusal:
                # Of several trays, whoever reads it must know which one.
                refusal.rule = f"{refusal.rule} (tray {span.number})"
                raise
            trays.append(span.tray_id)
    tell_watchers(service, trays)
    return taken


def _harvested(connection: sa.Connection, run_id: int, new: NewHarvest, by: Entrant) -> Harvest:
    return cast(Harvest, HARVESTS.add(connection, new, by, belongs_to={"run_id": run_id}))
