"""Seed lots: what came, from whom, and how much of it germinated."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from service.log.entries import history
from service.log.refusals import Conflict, Refusal
from service.log.schema import SEED_LOT
from service.models.base import LARGEST_ID
from service.models.runs import Lot, LotChange, NewLot
from service.pages import addresses
from service.pages.forms.forms import Typed, TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.runs.stock_words import left_words, stock_words
from service.pages.set_up.fields import (
    NOTHING_SAID,
    Fields,
    Said,
    converted,
    plain_number,
    shown_again,
    typed_count,
)
from service.pages.words import Say
from service.photos.ingest import tell_watchers
from service.room.room_log import the_room
from service.room.seed_stock import seed_stock
from service.room.things import LOTS
from service.route_arguments import By, TheService

router = APIRouter(include_in_schema=False)

LotId = Annotated[int, Path(ge=1, le=LARGEST_ID)]
_ALL = 1000
_MOST_SEEDS = 10_000
_LOT = f"{addresses.SET_UP_LOTS}/{{lot_id}}"
# What a lot's form has under the same names as the log.
_PLAIN = ("name", "grain", "supplier", "certificate", "note")


@dataclass(frozen=True)
class LotsPage:
    """All lots, the last entered first, what is left of them by id, and the form of a new one."""

    lots: tuple[Lot, ...]
    left: Mapping[int, str]
    form: Fields


@dataclass(frozen=True)
class LotPage:
    """One lot; `stock` says what is left of it, empty where nobody said what came."""

    lot: Lot
    stock: str
    form: Fields
    broken: Mapping[str, str]


@router.get(addresses.SET_UP_LOTS)
def lots_page(service: TheService, request: Request) -> Response:
    """All lots, and a form for a new one."""
    with service.database.read() as connection:
        return _show_lots(request, connection, NOTHING_SAID)


@router.post(addresses.SET_UP_LOTS)
def post_lot(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Enters a lot."""

    def act() -> Response:
        with service.database.write() as connection:
            values = _typed_lot(typed, Say(the_room(connection), service.clock()))
            given = {name: value for name, value in values.items() if value is not None}
            lot = LOTS.add(connection, NewLot.model_validate(given), by)
        tell_watchers(service, ())
        said = f"{given['name']} is entered."
        return done(addresses.SET_UP_LOTS, said, undo=[Entry("seed_lot", lot.entry_id)])

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_lots(request, connection, said)

    return answered(typed, act, shown_again(service, "new", shown))


@router.get(_LOT)
def lot_page(service: TheService, request: Request, lot_id: LotId) -> Response:
    """One lot."""
    with service.database.read() as connection:
        return _show_lot(request, connection, lot_id)


@router.post(_LOT)
def patch_lot(
    service: TheService, by: By, request: Request, lot_id: LotId, typed: TypedForm
) -> Response:
    """Corrects a lot, or enters its germination count."""

    def act() -> Response:
        with service.database.write() as connection:
            say = Say(the_room(connection), service.clock())
            before = LOTS.get(connection, lot_id)
            assert isinstance(before, Lot)
            values = _typed_lot(typed, say, before)
            if values["germination_share"] is None and typed.text("keep_count"):
                del values["germination_share"]
            lot = LOTS.correct(connection, lot_id, LotChange.model_validate(values), by)
        tell_watchers(service, ())
        undo = [Entry("seed_lot", lot.entry_id)]
        return done(addresses.SET_UP_LOTS, f"{values['name']} is corrected.", undo=undo)

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_lot(request, connection, lot_id, said)

    return answered(typed, act, shown_again(service, "form", shown))


@router.post(f"{_LOT}/withdraw")
def post_withdraw_lot(
    service: TheService, by: By, request: Request, lot_id: LotId, typed: TypedForm
) -> Response:
    """Takes a lot out of the list that was entered by mistake."""

    def act() -> Response:
        with service.database.write() as connection:
            lot = LOTS.get(connection, lot_id)
            assert isinstance(lot, Lot)
            try:
                LOTS.withdraw(connection, lot_id, by=by, why=None)
            except Conflict as conflict:
                raise Conflict(
                    "lot", f"{lot.name} is spoken of in the log: rename it instead"
                ) from conflict
            entry_id = history(connection, SEED_LOT, lot_id)[-1]["id"]
        tell_watchers(service, ())
        undo = [Entry("seed_lot", entry_id)]
        return done(addresses.SET_UP_LOTS, f"{lot.name} is out of the list.", undo=undo)

    def shown(connection: sa.Connection, said: Said) -> Response:
        return _show_lot(request, connection, lot_id, said)

    return answered(typed, act, shown_again(service, "withdraw", shown))


def _typed_lot(typed: Typed, say: Say, before: Lot | None = None) -> dict[str, Any]:
    """All values of a lot's form, None where nothing was typed. Raises Refusal."""
    values: dict[str, Any] = {name: typed.text(name) for name in _PLAIN}
    if values["name"] is None:
        raise Refusal("name", "must be given, such as what stands on the bag")
    values["grain"] = values["grain"] or say.room.grain
    weight = typed.number("weight")
    if weight is not None and not 0 < weight <= 1_000_000:
        raise Refusal("weight", f"must be above 0, got {weight:g}")
    kept = None if before is None else before.weight_kg
    values["weight_kg"] = converted(
        weight, lambda amount: say.grams(amount) / 1000.0, shown=_shown_weight(kept, say), kept=kept
    )
    values["received_at"] = typed.text("received_at")
    values["germination_share"] = _germinated(typed)
    return values


def _shown_weight(weight_kg: float | None, say: Say) -> str:
    return "" if weight_kg is None else plain_number(say.weight_number(1000.0 * weight_kg))


def _germinated(typed: Typed) -> float | None:
    counted = typed_count(typed, "seeds_counted", low=1, high=_MOST_SEEDS)
    sprouted = typed_count(typed, "seeds_germinated", low=0, high=_MOST_SEEDS)
    if (counted is None) != (sprouted is None):
        raise Refusal("seeds_germinated", "must be given together with how many were counted")
    if counted is None or sprouted is None:
        return None
    if sprouted > counted:
        raise Refusal("seeds_germinated", f"must not exceed those counted, {counted}: {sprouted}")
    return sprouted / counted


def _show_lots(request: Request, connection: sa.Connection, said: Said) -> Response:
    lots = [lot for lot in LOTS.all(connection, limit=_ALL) if isinstance(lot, Lot)]
    room = the_room(connection)
    say = Say(room, request.app.state.service.clock())
    left = {lot: left_words(stock, say) for lot, stock in seed_stock(connection).items()}
    page = LotsPage(tuple(reversed(lots)), left, said.fields("new", {"grain": room.grain}))
    return show(request, connection, "set_up/lots.html", page, here=addresses.MORE)


def _show_lot(
    request: Request, connection: sa.Connection, lot_id: int, said: Said = NOTHING_SAID
) -> Response:
    lot = LOTS.get(connection, lot_id)
    assert isinstance(lot, Lot)
    say = Say(the_room(connection), request.app.state.service.clock())
    held: dict[str, str] = {name: getattr(lot, name) or "" for name in _PLAIN}
    held["weight"] = _shown_weight(lot.weight_kg, say)
    if lot.received_at is not None:
        held["received_at"] = f"{say.local(lot.received_at):%Y-%m-%d}"
    stock = stock_words(seed_stock(connection).get(lot.id), say)
    page = LotPage(lot, stock, said.fields("form", held), said.broken)
    return show(request, connection, "set_up/lot.html", page, here=addresses.MORE)
