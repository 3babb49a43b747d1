"""The page that starts trays: one as last time in one tap, or several at once with their seed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import sqlalchemy as sa
from fastapi import APIRouter, Request
from starlette.responses import Response

from service.log.refusals import Refusal
from service.pages import addresses
from service.pages.forms.filled import Choice, Filled
from service.pages.forms.forms import Typed, TypedForm
from service.pages.forms.tray_numbers import (
    growing_numbers,
    in_words,
    new_numbers_words,
    registered_numbers,
    sentence,
    tray_numbers,
)
from service.pages.forms.trays_form import Asked, NamedTrays, TraysForm, WrittenDown
from service.pages.frame import show
from service.pages.notices import Entry
from service.pages.room import racks
from service.pages.runs import start_sent, starting
from service.pages.runs.stock_words import overdrawn_words, with_what_is_left
from service.pages.runs.weight_doubts import seed_doubt
from service.pages.set_up.fields import size_in_words
from service.pages.words import Say
from service.room.rack_log import racks_as_they_stand
from service.room.room_changes import Started, start_trays
from service.room.room_log import tray_sizes, trays_by_number
from service.room.seed_stock import seed_stock
from service.room.washing import unwashed_after_mould
from service.route_arguments import By, TheService

router = APIRouter(include_in_schema=False)

_AS_LAST_TIME = "as_last_time"
_UNWASHED = "unwashed"


@dataclass(frozen=True)
class StartPage:
    """The form that starts trays.

    Parameters
    ----------
    form : Filled
    free : tuple of int
        Numbers of registered trays in which nothing grows.
    growing : tuple of int
        Of those named, the ones that grow still: starting them ends their runs.
    unwashed : tuple of int
        Trays of which is asked whether they start though nobody wrote that they were washed.
    lots, places : tuple of Choice
    weight_unit : str
    floor : str
        Size of tray that the weights shown are for, where the room's trays differ.
    back : str
        Address to go on to.
    """

    form: Filled
    free: tuple[int, ...]
    growing: tuple[int, ...]
    unwashed: tuple[int, ...]
    lots: tuple[Choice, ...]
    places: tuple[Choice, ...]
    weight_unit: str
    floor: str
    back: str


@router.get(addresses.START)
def start_page(service: TheService, request: Request, trays: NamedTrays = None) -> Response:
    """Asks which trays, when, and with which seed."""
    return TraysForm(service, request, _show).asked(trays)


@router.post(addresses.START)
def post_start(service: TheService, by: By, request: Request, typed: TypedForm) -> Response:
    """Starts them, all or none."""

    def write(say: Say) -> WrittenDown:
        numbers = tray_numbers(typed)
        with service.database.read() as connection:
            last = starting.remembered_of(connection, numbers)
            lots = starting.lot_choices(connection)
            sizes = tray_sizes(connection)
            places = racks_as_they_stand(connection)
            known = registered_numbers(connection)
            stock = seed_stock(connection)
            unwashed = unwashed_after_mould(connection, numbers, say.now)
        _ask_about_washing(typed, unwashed)
        if typed.text(_AS_LAST_TIME) is not None:
            runs, bag = starting.runs_as_last_time(last, numbers, say), None
        else:
            form = starting.start_form(last[0], say, typed=typed, first_bag=not lots)
            runs = start_sent.typed_runs(form, numbers, sizes, say)
            bag = start_sent.typed_bag(form, say)
        place = typed.text("place")
        put = [] if place is None else racks.placements_from(places, place, len(numbers), None)
        put = [one.model_copy(update={"placed_at": runs[0].spread_at}) for one in put]
        started = start_trays(service, runs, by, bag=bag, places=put)
        of_bag = 0.0 if bag is None else bag.weight_g or 0.0
        weights = {
            one.tray: of_bag + sum(part.weight_g or 0.0 for part in one.seed) for one in runs
        }
        words = _words(numbers, started) + _by_area(weights, say)
        words += seed_doubt(weights, sizes, say)
        # In a room without a tray each number is new.
        new = [number for number in numbers if number not in known] if known else []
        words += new_numbers_words(new)
        with service.database.read() as connection:
            words += overdrawn_words(stock, seed_stock(connection), say)
            trays = trays_by_number(connection)
            if len({one.shelf_id for one in started.placed}) > 1:
                words += f" They stand {racks.places_words(connection, started.placed)}."
            words += racks.also_there(connection, started.placed, now=say.now)
        entered = [Entry("tray", trays[number]["entry_id"]) for number in new]
        return WrittenDown(numbers, words, [*entered, *_undo(started)])

    return TraysForm(service, request, _show).sent(typed, by, write)


def _ask_about_washing(typed: Typed, unwashed: Sequence[int]) -> None:
    """Ask once of trays that mould was on and that nobody wrote as washed. Raises Refusal."""
    asked = typed.texts(_UNWASHED)
    left = [number for number in unwashed if str(number) not in asked]
    if not left:
        return
    named = sentence(in_words(tuple(left)))
    was, it_was, it = ("was", "it was", "it") if len(left) == 1 else ("were", "they were", "them")
    raise Refusal(
        _UNWASHED,
        f"{named} {was} taken out with possible mould, and nobody wrote that {it_was} washed "
        f"since. Start {it} all the same?",
    )


def _undo(started: Started) -> list[Entry]:
    bags = [] if started.lot is None else [Entry("seed_lot", started.lot.entry_id)]
    runs = [Entry("run", run_id) for run_id in started.runs]
    return [*bags, *runs, *(Entry("placement", one.entry_id) for one in started.placed)]


def _words(numbers: tuple[int, ...], started: Started) -> str:
    words = f"{sentence(in_words(numbers))} started."
    if started.unended:
        what = "The run before ends" if len(started.unended) == 1 else "The runs before end"
        words += f" {what} there without a harvest in {in_words(started.unended)}."
    return words


def _by_area(weights_g: Mapping[int, float], say: Say) -> str:
    """What each tray took, where trays of several sizes took their own; else empty."""
    taken: dict[float, list[int]] = {}
    for number, weight_g in weights_g.items():
        taken.setdefault(weight_g, []).append(number)
    if len(taken) < 2:
        return ""
    parts = [f"{say.weight(weight)} in {in_words(tuple(some))}" for weight, some in taken.items()]
    return f" By their floors, {', '.join(parts)}."


def _show(request: Request, connection: sa.Connection, asked: Asked) -> Response:
    unwashed: tuple[int, ...] = ()
    if _UNWASHED in asked.typed.broken:
        trays = tray_numbers(asked.typed)
        unwashed = unwashed_after_mould(connection, trays, asked.say.now)
        if asked.typed.text(_AS_LAST_TIME) is not None:
            # One tap sent no field: what it would have spread stands in them now.
            kept = Typed(broken=asked.typed.broken)
            asked = replace(asked, typed=kept, trays=trays, came_from=asked.back)
    say, trays = asked.say, asked.trays
    last = starting.remembered(connection, trays[0] if len(trays) == 1 else None)
    growing = growing_numbers(connection, say.now)
    differ = bool(tray_sizes(connection))
    lots = starting.lot_choices(connection)
    page = StartPage(
        form=starting.start_form(
            last, say, trays=asked.named, typed=asked.typed, first_bag=not lots
        ),
        free=tuple(number for number in registered_numbers(connection) if number not in growing),
        growing=tuple(number for number in trays if number in growing),
        unwashed=unwashed,
        lots=with_what_is_left(lots, seed_stock(connection), say),
        places=racks.place_choices(connection),
        weight_unit=str(say.room.weight_unit),
        floor=size_in_words(last.size, say.room.length_unit) if last.seed and differ else "",
        back=asked.back,
    )
    return show(request, connection, "runs/start.html", page, here=addresses.ROOM)
