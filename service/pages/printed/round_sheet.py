"""The round for a helper on paper: what is due at which tray, in the order of a walk."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Annotated

import sqlalchemy as sa
from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.flags.today import RoomNow
from service.log.log_memory import last_until
from service.log.refusals import Refusal
from service.models.room import TrayState
from service.models.today import Today
from service.pages import addresses
from service.pages.flags.look_first_words import look_first_words
from service.pages.frame import show
from service.pages.now.air_places import air_places
from service.pages.printed import round_words as words
from service.pages.words import Say, Spread
from service.room.rack_log import racks_as_they_stand
from service.room.room_log import shelf_names, the_room, trays_by_number
from service.room.walking_order import NO_PLACE, TrayPlace, tray_places
from service.room.washing import STATES
from service.route_arguments import TheService
from service.runs.run_calendar import run_calendar
from trayvision.attention.flags import trays_words
from trayvision.attention.state import Level
from trayvision.kit.guide import number_ranges

router = APIRouter(include_in_schema=False)
_LINES_FOR_SPREADING = 2
# Further ahead forecasts say little.
_FURTHEST = timedelta(days=7)
# By then a photo that is due on that day at all is due.
_EVENING = time(20)


@dataclass
class TrayLine:
    """One tray of the walk.

    Parameters
    ----------
    tray : int
    place : TrayPlace
    day : str
        Age of its run in words, empty where nothing grows.
    level : str
        ``"hold"``, ``"look"`` or empty.
    todo : list of str
        Sentences, each with a box to tick.
    """

    tray: int
    place: TrayPlace
    day: str
    level: str = ""
    todo: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class ChoreLine:
    """A chore in words: what, by when, where."""

    title: str
    when: str
    where: str


@dataclass(frozen=True)
class RoundSheet:
    """What is due today.

    Parameters
    ----------
    lines : trays in the order of a walk
    due : int
        All things with a box to tick.
    about_the_room : flags that are about no single tray, as level and sentence
    later : sentences on flags that can wait
    wash, to_wash, resting, free : numbers of trays in words, empty where none
        `wash` after today's harvest; `to_wash` since they were taken out before.
    chores : sequence of ChoreLine
    places_to_read : names of what is read: shelves, top and bottom, or the room
    spreading : how many lines are left to write new trays on
    heading : str
        The day that the sheet is for.
    ahead : bool
        Whether that day is still to come.
    """

    lines: tuple[TrayLine, ...]
    due: int
    about_the_room: tuple[tuple[str, str], ...]
    later: tuple[str, ...]
    wash: str
    to_wash: str
    resting: tuple[str, ...]
    free: str
    chores: tuple[ChoreLine, ...]
    places_to_read: tuple[str, ...]
    spreading: int = _LINES_FOR_SPREADING
    heading: str = ""
    ahead: bool = False


@router.get(addresses.PRINT_ROUND)
def round_page(
    service: TheService, request: Request, day: Annotated[date | None, Query()] = None
) -> Response:
    """Reads on a phone too; meant for one sheet, of today or of a day to come."""
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())
        evening = _evening_of(day, say)
        sheet = round_sheet(connection, say if evening is None else Say(say.room, evening))
        sheet = replace(sheet, ahead=evening is not None)
        return show(request, connection, "printed/round.html", sheet, here=addresses.MORE)


def _evening_of(day: date | None, say: Say) -> datetime | None:
    """The evening of a day to come, None for today. Raises Refusal."""
    if day is None or day == say.today:
        return None
    if not timedelta(0) < day - say.today <= _FURTHEST:
        last = say.today + _FURTHEST
        raise Refusal("day", f"must lie from {say.today} to {last}, got {day}")
    return datetime.combine(day, _EVENING, say.zone).astimezone(UTC)


def round_sheet(connection: sa.Connection, say: Say) -> RoundSheet:
    """The day's round, put into lines."""
    today = RoomNow(connection, say.room, say.now).today(not_measured=False)
    places = tray_places(connection, say.now)
    lines = _tray_lines(connection, today, places, say)
    about_room = tuple(
        (flag.level or "", words.about_trays(flag, say))
        for flag in today.looks
        if not words.of_one_tray(flag)
    )
    about_room += _neighbours(today, {line.tray for line in lines}, say)
    chores = _chores(connection, today, say)
    return RoundSheet(
        lines=lines,
        due=sum(len(line.todo) for line in lines) + len(about_room) + len(chores),
        about_the_room=about_room,
        later=tuple(filter(None, (words.later(flag, today) for flag in today.later))),
        wash=number_ranges([one.tray for one in today.harvests if one.due]),
        to_wash=number_ranges([one.tray for one in today.to_wash]),
        resting=tuple(f"{one.tray} (since {say.moment(one.since_at)})" for one in today.resting),
        free=number_ranges(_free(connection, today, say)),
        chores=chores,
        places_to_read=_places_to_read(connection, say),
        heading=f"{say.weekday(say.now)}, {say.date(say.now)}",
    )


def _neighbours(today: Today, named: set[int], say: Say) -> tuple[tuple[str, str], ...]:
    """Trays without a line of their own that something else asks to look at, by what does."""
    trays: dict[str, list[int]] = {}
    for one in today.harvests:
        if one.look_first and not one.hold and one.tray not in named:
            trays.setdefault(look_first_words(one.look_first, say), []).append(one.tray)
    return tuple(
        (str(Level.LOOK), f"Look at {trays_words(numbers)}: {why}.")
        for why, numbers in trays.items()
    )


class _Walk:
    """Lines of trays, begun when something is found to do there."""

    def __init__(self, places: dict[int, TrayPlace], age_of: Callable[[int], str]) -> None:
        self._places = places
        self._age_of = age_of
        self._lines: dict[int, TrayLine] = {}

    def at(self, tray: int) -> TrayLine:
        """The line of a tray."""
        if tray not in self._lines:
            place = self._places.get(tray, NO_PLACE)
            self._lines[tray] = TrayLine(tray, place, self._age_of(tray))
        return self._lines[tray]

    def __contains__(self, tray: int) -> bool:
        """Whether something was found to do there."""
        return tray in self._lines

    def in_order(self) -> tuple[TrayLine, ...]:
        """All lines as one walks."""
        return tuple(
            sorted(
                self._lines.values(),
                key=lambda one: (one.place.shelf_order, one.place.position_order, one.tray),
            )
        )


def _tray_lines(
    connection: sa.Connection, today: Today, places: dict[int, TrayPlace], say: Say
) -> tuple[TrayLine, ...]:
    runs = run_calendar(connection).by_id
    run_of = {one.tray: runs[one.run_id] for one in today.harvests}
    walk = _Walk(places, lambda tray: _age(run_of[tray], say) if tray in run_of else "")
    for flag in today.looks:
        if flag.tray is not None and words.of_one_tray(flag):
            walk.at(flag.tray).todo.append(words.flag_words(flag, say))
            walk.at(flag.tray).level = flag.level or ""
    for hold in today.holds:
        line = walk.at(hold.tray)
        if line.level != Level.HOLD:
            line.todo.insert(0, words.held(hold, say))
            line.level = Level.HOLD
    for one in today.harvests:
        why = look_first_words(one.look_first, say)
        if why and not one.hold and (one.due or one.tray in walk):
            line = walk.at(one.tray)
            line.todo.append(f"{why[0].upper()}{why[1:]}.")
            line.level = line.level or str(Level.LOOK)
        if one.due:
            line = walk.at(one.tray)
            line.todo.append(words.harvest(one, say, first_look=bool(line.level)))
    for photo in today.photos_due:
        walk.at(photo.tray).todo.append(words.photograph(photo, say))
    return walk.in_order()


def _age(run: Spread, say: Say) -> str:
    """Its day as this room counts; both counts where it has not said yet how it does."""
    both = say.day_of_run(run)
    return both if say.room.day_zero is None else both.partition(" (")[0]


def _chores(connection: sa.Connection, today: Today, say: Say) -> tuple[ChoreLine, ...]:
    shelves, trays = shelf_names(connection), _tray_numbers(connection)
    lines = []
    for chore in today.chores:
        when = "" if chore.planned_for is None else say.moment(chore.planned_for)
        tray = "" if chore.tray_id not in trays else f"tray {trays[chore.tray_id]}"
        shelf = "" if chore.shelf_id is None else shelves.get(chore.shelf_id, "")
        lines.append(ChoreLine(chore.title, when, ", ".join(filter(None, (tray, shelf)))))
    return tuple(lines)


def _free(connection: sa.Connection, today: Today, say: Say) -> list[int]:
    """Trays in which nothing grows, that neither rest, are to be washed nor are out of use."""
    taken = {one.tray for one in today.harvests} | {one.tray for one in today.resting}
    taken |= {one.tray for one in today.to_wash}
    said, free = STATES.of(connection), []
    for tray_id, number in _tray_numbers(connection).items():
        last = last_until(said.get(tray_id, ()), "since_at", say.now)
        retired = last is not None and last["state"] == TrayState.RETIRED
        if number not in taken and not retired:
            free.append(number)
    return free


def _tray_numbers(connection: sa.Connection) -> dict[int, int]:
    return {row["id"]: number for number, row in trays_by_number(connection).items()}


def _places_to_read(connection: sa.Connection, say: Say) -> tuple[str, ...]:
    """Top and bottom, by name where there are several shelves."""
    names = tuple(place.name for place in air_places(connection, say.now))
    if len(racks_as_they_stand(connection)) > 1:
        return names
    ends = ("Top", "Bottom")
    if len(names) == 1:
        return ends
    return tuple(
        name if end.lower() in name.lower() else f"{end}: {name}"
        for end, name in zip(ends, (names[0], names[-1]), strict=True)
    )
