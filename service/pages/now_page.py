"""What the first page shows: where one must go, then the day's round in a grower's order."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import sqlalchemy as sa

from service.entries import current
from service.models.flags import FlagOut, Hold
from service.models.photos import PhotoOut
from service.models.room import Room
from service.models.runs import Chore, Reading
from service.models.today import HarvestDue, PhotoDue, Resting, Today
from service.pages.flag_view import Beside, FlagView, flag_views, is_of_the_room
from service.pages.forms import Typed
from service.pages.words import Say, number_word
from service.room_log import shelf_names
from service.schema import SHELF, TRAY
from service.today import RoomNow
from trayvision.attention_flags import FlagKind

_MOST_NAMED = 3


@dataclass(frozen=True)
class HeldTray:
    """A tray on hold, and the flag of possible mould that still stands open for it, if any."""

    hold: Hold
    still: FlagOut | None


@dataclass(frozen=True)
class AirPlace:
    """Where air is read: the top and the bottom shelf, else the room."""

    shelf_id: int | None
    name: str

    @property
    def key(self) -> str:
        """Start of the names of its fields in the form."""
        return "room" if self.shelf_id is None else f"shelf {self.shelf_id}"


@dataclass(frozen=True)
class NowPage:
    """The first page.

    Parameters
    ----------
    first_line : str
        Where one must go, in a sentence.
    looks : tuple of FlagView
        The few to walk to, most urgent first.
    held : tuple of HeldTray
        Trays that a person put on hold.
    later : tuple of FlagOut
        What can wait.
    harvests : tuple of HarvestDue
        Due before today ends, or overdue; those on hold say so.
    photos_due, resting, chores, readings, not_measured
        As in the day's round.
    shelves : mapping of int to str
        Names by id.
    air_places : tuple of AirPlace
        For the form.
    typed : Typed
        What was typed into a form that broke a rule.
    is_new : bool
        Nothing was ever grown or photographed here.
    has_shelves : bool
    growing : int
        How many trays grow.
    """

    first_line: str
    looks: tuple[FlagView, ...]
    held: tuple[HeldTray, ...]
    later: tuple[FlagOut, ...]
    harvests: tuple[HarvestDue, ...]
    photos_due: tuple[PhotoDue, ...]
    resting: tuple[Resting, ...]
    chores: tuple[Chore, ...]
    readings: tuple[Reading, ...]
    not_measured: tuple[PhotoOut, ...]
    shelves: Mapping[int, str]
    air_places: tuple[AirPlace, ...]
    is_new: bool
    growing: int
    typed: Typed = field(default_factory=Typed)

    def shelf(self, shelf_id: int | None) -> str:
        """Name of a shelf, of the room where none is meant."""
        return "The room" if shelf_id is None else self.shelves.get(shelf_id, "A shelf taken down")


def now_page(
    connection: sa.Connection, room: Room, say: Say, typed: Typed | None = None
) -> NowPage:
    """Put the first page together."""
    today = RoomNow(connection, room, say.now).today()
    trays = connection.execute(sa.select(current(TRAY).c.id).limit(1)).first()
    confirmed = {hold.run_id: hold for hold in today.holds if hold.confirmed}
    asked = [flag for flag in today.looks if not _is_known(flag, confirmed)]
    looks = flag_views(connection, asked, Beside(today.holds, today.readings))
    harvests = tuple(one for one in today.harvests if one.due)
    is_new = trays is None and not today.not_measured
    return NowPage(
        first_line=_first_line(today, asked, say, is_new=is_new),
        looks=looks,
        held=_held(today, confirmed),
        later=tuple(flag for flag in today.later if not _is_known(flag, confirmed)),
        harvests=harvests,
        photos_due=tuple(today.photos_due),
        resting=tuple(today.resting),
        chores=tuple(today.chores),
        readings=tuple(today.readings),
        not_measured=tuple(today.not_measured),
        shelves=shelf_names(connection),
        air_places=air_places(connection),
        is_new=is_new,
        growing=len(today.harvests),
        typed=typed or Typed(),
    )


def air_places(connection: sa.Connection) -> tuple[AirPlace, ...]:
    """The top and the bottom shelf, between which a room's air differs most; else the room."""
    shelves = current(SHELF)
    statement = sa.select(shelves.c.id, shelves.c.name).order_by(shelves.c.level, shelves.c.id)
    places = [AirPlace(row.id, row.name) for row in connection.execute(statement)]
    if not places:
        return (AirPlace(None, "The room"),)
    return (places[0], places[-1]) if len(places) > 1 else (places[0],)


def _is_known(flag: FlagOut, confirmed: Mapping[int, Hold]) -> bool:
    """Possible mould on a tray that somebody put on hold for it already: no news to walk to."""
    return flag.kind == FlagKind.POSSIBLE_MOULD and flag.run_id in confirmed


def _held(today: Today, confirmed: Mapping[int, Hold]) -> tuple[HeldTray, ...]:
    still = {
        flag.run_id: flag for flag in (*today.looks, *today.later) if _is_known(flag, confirmed)
    }
    return tuple(HeldTray(hold, still.get(hold.run_id)) for hold in confirmed.values())


def _first_line(today: Today, asked: Sequence[FlagOut], say: Say, *, is_new: bool) -> str:
    if is_new:
        return "This room is new: three steps to the first look"
    parts = _to_look_at(asked)
    if parts:
        return _sentence(parts)
    rest = []
    late = len(today.photos_due)
    if late:
        rest.append(f"{_trays(late)} {_has(late)} no fresh photo{_since(today.photos_due, say)}")
    due = sum(one.due and not one.hold for one in today.harvests)
    if due:
        rest.append(f"{_trays(due)} {'is' if due == 1 else 'are'} due for harvest")
    if not today.harvests:
        rest.append("nothing grows here now")
    return "; ".join(["Nothing asks for a look", " and ".join(rest)]) if rest else (
        "Nothing asks for a look"
    )


def _to_look_at(asked: Sequence[FlagOut]) -> list[str]:
    trays = list(dict.fromkeys(tray for flag in asked if not is_of_the_room(flag) for tray in flag.trays))
    parts = []
    if trays:
        named = ""
        if len(trays) <= _MOST_NAMED:
            named = f": {_and([str(tray) for tray in trays])}"
        parts.append(f"{_trays(len(trays))} to look at{named}")
    kinds = {flag.kind: flag for flag in asked}
    if FlagKind.HOT_OR_HUMID in kinds:
        parts.append("the air to see to")
    if FlagKind.CAMERA in kinds:
        parts.append("a camera to see to")
    if FlagKind.NO_PHOTO in kinds:
        parts.append(f"{_trays(len(kinds[FlagKind.NO_PHOTO].trays))} to photograph")
    return parts


def _sentence(parts: Sequence[str]) -> str:
    words = "; ".join(parts)
    return f"{words[0].upper()}{words[1:]}"


def _trays(number: int) -> str:
    return f"{number_word(number)} {'tray' if number == 1 else 'trays'}"


def _has(number: int) -> str:
    return "has" if number == 1 else "have"


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _since(due: Sequence[PhotoDue], say: Say) -> str:
    """Since the longest of them, where all had one."""
    moments = [one.last_photo_at for one in due if one.last_photo_at is not None]
    if len(moments) < len(due):
        return ""
    return f" since {say.moment(min(moments)).rsplit(' ', 1)[0]}"
