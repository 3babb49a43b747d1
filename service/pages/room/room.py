"""The room: how many trays grow, which are due or on hold, and all of them as they stand."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, Final

import sqlalchemy as sa
from fastapi import APIRouter, Query, Request
from markupsafe import Markup
from starlette.responses import Response

from service.log.refusals import NotFound, Refusal
from service.models.base import LARGEST_ID
from service.models.room import DayZero, RoomChange, TrayState
from service.pages import addresses
from service.pages.flags.near_looks import near_looks
from service.pages.forms.forms import TypedForm
from service.pages.forms.tray_numbers import in_words, sentence
from service.pages.frame import environment, show
from service.pages.notices import Entry, done
from service.pages.room.room_rows import (
    IdleTrays,
    RackRows,
    TrayRow,
    idle,
    rack_rows,
    to_wash,
    tray_row,
)
from service.pages.runs import starting
from service.pages.words import Say
from service.room.rack_log import Rack, racks_as_they_stand
from service.room.room_figures import correct_room
from service.room.room_log import the_room
from service.room.trays_now import TrayNow, TraysNow
from service.route_arguments import By, TheService

router = APIRouter(include_in_schema=False)

# A sentence names no more trays than a person takes along.
_MOST_NAMED: Final = 5
# All, and the only state that any tray is in: both show the same.
_FEWEST_FILTERS: Final = 2
_DUE, _HOLD, _LOOK, _NO_PHOTO, _IDLE = "due", "hold", "look", "no-photo", "idle"


def _is_due(row: TrayRow) -> bool:
    """Whether it is to be taken today: what is on hold is not."""
    return row.due and row.level != "hold"


_SHOWS: Final[dict[str, tuple[str, Callable[[TrayRow], bool]]]] = {
    _DUE: ("due today", _is_due),
    _HOLD: ("on hold", lambda row: row.level == "hold"),
    _LOOK: ("to look at", lambda row: row.level == "look"),
    _NO_PHOTO: ("without a fresh photo", lambda row: bool(row.no_photo)),
}


@dataclass(frozen=True)
class Filter:
    """A link to some of the trays: `words` with their number, and whether it is shown now."""

    words: str
    address: str
    here: bool


@dataclass(frozen=True)
class RoomPage:
    """The room as it stands.

    Parameters
    ----------
    sentence : str
        How many trays grow, which are due, what is on hold.
    empty : bool
        Nothing was ever entered.
    due : tuple of TrayRow
        Due today and not on hold.
    racks : tuple of RackRows
        Growing trays on their shelves; with a filter, the shelves that hold some of them.
    off_shelf : tuple of TrayRow
        Growing trays that stand on no shelf.
    to_wash, resting, unused, retired : IdleTrays
    states, shelves : tuple of Filter
    filtered : bool
    last : tuple of AsLastTime
        Trays that one tap starts, by what is spread in them.
    day_zero : DayZero or None
        None: the room was not asked yet.
    """

    sentence: str
    empty: bool
    due: tuple[TrayRow, ...]
    racks: tuple[RackRows, ...]
    off_shelf: tuple[TrayRow, ...]
    to_wash: IdleTrays
    resting: IdleTrays
    unused: IdleTrays
    retired: IdleTrays
    states: tuple[Filter, ...]
    shelves: tuple[Filter, ...]
    filtered: bool
    last: tuple[starting.AsLastTime, ...]
    day_zero: DayZero | None

    @property
    def to_take(self) -> tuple[int, ...]:
        """Trays due that nothing asks to look at first."""
        return tuple(row.number for row in self.due if not row.level)

    @property
    def has_filters(self) -> bool:
        """Whether trays can be told apart by more than one state, or by shelf."""
        return len(self.states) > _FEWEST_FILTERS or bool(self.shelves)

    @staticmethod
    def stand(row: TrayRow) -> Markup:
        """A tray on its shelf, as the page shows it."""
        return _stand(row)


# Most of what stands on the page stood there before, word for word.
@lru_cache(maxsize=2048)
def _stand(row: TrayRow) -> Markup:
    return Markup(environment().get_template("room/room_stand.html").render(row=row))


@router.get(addresses.ROOM)
def room_page(
    service: TheService,
    request: Request,
    shown: Annotated[str, Query(alias="show", max_length=20)] = "",
    shelf: Annotated[int | None, Query(ge=1, le=LARGEST_ID)] = None,
) -> Response:
    """All trays, or those of a state or shelf."""
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())
        page = _page(connection, say, shown, shelf)
        return show(request, connection, "room/room.html", page, here=addresses.ROOM)


@router.post(addresses.DAY_ZERO)
def post_day_zero(service: TheService, by: By, typed: TypedForm) -> Response:
    """From when this room counts its days."""
    if typed.text("day_zero") is None:
        raise Refusal("day_zero", "must be soak or spread, got nothing")
    change = typed.read(RoomChange, "day_zero")
    room = correct_room(service, change, by)
    words = "when seed is soaked" if change.day_zero is DayZero.SOAK else "when seed is spread"
    said = f"Day 0 is {words}. The foot of this page changes it."
    return done(addresses.ROOM, said, undo=[Entry("room", room.entry_id)])


def _page(connection: sa.Connection, say: Say, shown: str, shelf: int | None) -> RoomPage:
    now = TraysNow(connection, say.room, say.now)
    trays = now.standing()
    standing = racks_as_they_stand(connection)
    rows = _rows(now, trays, standing, say)
    places = {tray.number: tray.position_id for tray in trays if tray.position_id is not None}
    kept = [row for row in rows if _kept(row, shown, shelf)]
    filtered = bool(shown) or shelf is not None
    all_racks = rack_rows(standing, kept, places)
    known = {one.id for rack in standing for one in rack.shelves}
    if shelf is not None and shelf not in known:
        raise NotFound("shelf", shelf)
    not_growing = trays if shown in ("", _IDLE) and shelf is None else []
    washing = to_wash(not_growing, say)
    resting, unused = (
        idle(not_growing, state, say) for state in (TrayState.RESTING, TrayState.EMPTY)
    )
    return RoomPage(
        sentence=_sentence(rows),
        empty=not trays,
        due=tuple(row for row in rows if _is_due(row)),
        racks=_with_trays(all_racks) if filtered else all_racks,
        off_shelf=tuple(row for row in kept if row.shelf_id not in known),
        to_wash=washing,
        resting=resting,
        unused=unused,
        retired=idle(not_growing, TrayState.RETIRED, say),
        states=_state_filters(rows, len(trays) - len(rows), shown),
        shelves=_shelf_filters(standing, rows, shelf),
        filtered=filtered,
        last=()
        if filtered
        else starting.as_last_time(
            connection, say, [*unused.numbers, *resting.numbers], washing.numbers
        ),
        day_zero=say.room.day_zero,
    )


def _rows(
    now: TraysNow, trays: Sequence[TrayNow], standing: Sequence[Rack], say: Say
) -> list[TrayRow]:
    near = near_looks(now.open_flags(), now.holds())
    names = {
        place.id: place.name for rack in standing for one in rack.shelves for place in one.positions
    }
    return [
        tray_row(
            tray,
            tray.readings,
            say,
            position=names.get(tray.position_id or 0),
            near=near.get(tray.number, ()),
            finished=now.finished,
        )
        for tray in trays
        if tray.readings is not None
    ]


def _kept(row: TrayRow, shown: str, shelf: int | None) -> bool:
    if shown == _IDLE or (shelf is not None and row.shelf_id != shelf):
        return False
    return shown not in _SHOWS or _SHOWS[shown][1](row)


def _with_trays(rack: Sequence[RackRows]) -> tuple[RackRows, ...]:
    some = [(one.name, tuple(shelf for shelf in one.shelves if shelf.trays)) for one in rack]
    return tuple(RackRows(name, shelves) for name, shelves in some if shelves)


def _sentence(rows: Sequence[TrayRow]) -> str:
    if not rows:
        return "Nothing grows."
    words = ["One tray grows." if len(rows) == 1 else f"{len(rows)} trays grow."]
    due = tuple(row.number for row in rows if _is_due(row))
    held = tuple(row.number for row in rows if row.level == "hold")
    if len(due) == len(rows) > 1:
        words = [f"{len(rows)} trays grow, and all are due today."]
    else:
        words.append(f"{_named(due)} due today." if due else "None is due today.")
    look = tuple(row.number for row in rows if row.level == "look")
    if look:
        words.append(f"{_named(look, of=len(rows))} to be looked at first.")
    if held:
        words.append(f"{_named(held, of=len(rows))} on hold: do not feed.")
    return " ".join(words)


def _named(numbers: tuple[int, ...], *, of: int = 0) -> str:
    """Such as "Tray 17 is", "9 trays are", or "All are" of so many."""
    if len(numbers) == of > 1:
        return "All are"
    if len(numbers) > _MOST_NAMED:
        return f"{len(numbers)} trays are"
    return f"{sentence(in_words(numbers))} {'is' if len(numbers) == 1 else 'are'}"


def _state_filters(rows: Sequence[TrayRow], idle_trays: int, shown: str) -> tuple[Filter, ...]:
    counted = [(name, words, sum(map(which, rows))) for name, (words, which) in _SHOWS.items()]
    counted.append((_IDLE, "not growing", idle_trays))
    return (
        Filter("all", addresses.ROOM, not shown),
        *(
            Filter(
                f"{count} {words}",
                addresses.with_query(addresses.ROOM, [("show", name)]),
                shown == name,
            )
            for name, words, count in counted
            if count or shown == name
        ),
    )


def _shelf_filters(
    standing: Sequence[Rack], rows: Sequence[TrayRow], shelf: int | None
) -> tuple[Filter, ...]:
    counts = {row.shelf_id for row in rows}
    names = [one.name for rack in standing for one in rack.shelves]
    found = [
        Filter(
            one.name if names.count(one.name) == 1 else f"{rack.name}, {one.name}",
            addresses.with_query(addresses.ROOM, [("shelf", one.id)]),
            shelf == one.id,
        )
        for rack in standing
        for one in rack.shelves
        if one.id in counts or shelf == one.id
    ]
    return tuple(found) if len(found) > 1 or shelf is not None else ()
