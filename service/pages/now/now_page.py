"""What the first page shows: where one must go, then the day's round in a grower's order."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import sqlalchemy as sa

from service.flags.looks_record import LooksRecord
from service.flags.today import RoomNow
from service.models.flags import FlagOut, Hold
from service.models.today import Today
from service.pages.chores.chore_form import chore_form
from service.pages.flags.answers import Choices, snoozes
from service.pages.flags.flag_view import Beside, FlagView, flag_views
from service.pages.flags.near_looks import near_looks
from service.pages.forms.filled import Filled
from service.pages.forms.forms import Typed
from service.pages.now.air_now import AirNow, air_now
from service.pages.now.air_places import AirPlace, air_places, every_air_place
from service.pages.now.chores_now import ChoresNow, chores_now
from service.pages.now.first_steps import Step, first_steps, way_in
from service.pages.now.now_words import (
    NEW_ROOM,
    HarvestLine,
    first_line,
    harvest_line,
    later_words,
    stopped_words,
)
from service.pages.words import Say
from service.room.room_log import shelf_names
from trayvision.attention.flags import FlagKind


@dataclass(frozen=True)
class HeldTray:
    """A tray on hold, and the flag of possible mould that still stands open for it, if any."""

    hold: Hold
    still: FlagOut | None


@dataclass(frozen=True)
class NowPage:
    """The first page.

    Parameters
    ----------
    first_line : str
        Where one must go, in a sentence.
    stopped : str
        That reasons to look cannot be worked out; empty while they can.
    looks : tuple of FlagView
        The few to walk to, most urgent first.
    held : tuple of HeldTray
        Trays that a person put on hold.
    later : tuple of tuple of FlagOut and str
        What can wait, each with its sentence.
    harvests : tuple of HarvestLine
        Due before today ends, or overdue; those on hold say so.
    today : Today
        The rest of the day's round, without its chores.
    shelves : mapping of int to str
        Names by id.
    air : AirNow
        As it was read last.
    air_places : tuple of AirPlace
        For the form.
    choices : Choices
        What can be answered to the looks.
    steps : tuple of Step
        Of a new room: empty as soon as something is grown or photographed.
    way_in : tuple of Step
        From registered trays to the first look: empty once one was had.
    typed : Typed
        What was typed into a form that broke a rule.
    air_form : Filled
        The air as it is typed, at each place.
    chores : ChoresNow
    chore_form : Filled
        To add one.
    """

    first_line: str
    stopped: str
    looks: tuple[FlagView, ...]
    held: tuple[HeldTray, ...]
    later: tuple[tuple[FlagOut, str], ...]
    harvests: tuple[HarvestLine, ...]
    today: Today
    shelves: Mapping[int, str]
    air: AirNow
    air_places: tuple[AirPlace, ...]
    choices: Choices
    air_form: Filled
    chores: ChoresNow
    chore_form: Filled
    steps: tuple[Step, ...] = ()
    way_in: tuple[Step, ...] = ()
    typed: Typed = field(default_factory=Typed)

    @property
    def to_take(self) -> tuple[int, ...]:
        """Trays that are due, neither on hold nor to be looked at first."""
        return tuple(one.tray for one in self.harvests if not (one.hold or one.look_first))

    def shelf(self, shelf_id: int | None) -> str:
        """Name of a shelf, of the room where none is meant."""
        return "The room" if shelf_id is None else self.shelves.get(shelf_id, "A shelf taken down")


def now_page(connection: sa.Connection, say: Say, typed: Typed, *, looks: LooksRecord) -> NowPage:
    """Put the first page together."""
    # Chores stand below, with those that can wait and those done.
    today = RoomNow(connection, say.room, say.now).today(chores=False)
    shelves = shelf_names(connection)
    confirmed = {hold.run_id: hold for hold in today.holds if hold.confirmed}
    asked = [flag for flag in today.looks if not _is_known(flag, confirmed)]
    looked_at = {tray for flag in asked for tray in flag.trays}
    near = near_looks((*today.looks, *today.later), today.holds)
    places = _air_places(connection, say, typed)
    steps = () if today.not_measured else first_steps(connection, has_shelves=bool(shelves))
    return NowPage(
        first_line=NEW_ROOM if steps else first_line(today, asked, say, looks=looks),
        stopped=stopped_words(looks, say),
        looks=flag_views(connection, asked, Beside(today.holds, today.readings)),
        held=_held(today, confirmed),
        later=tuple(
            (flag, words)
            for flag in today.later
            if not _is_known(flag, confirmed) and (words := later_words(flag, today))
        ),
        harvests=tuple(
            harvest_line(one, say, look_first=one.tray in looked_at, near=near.get(one.tray, ()))
            for one in today.harvests
            if one.due
        ),
        today=today,
        shelves=shelves,
        air=air_now(today, say),
        air_places=places,
        choices=Choices(snoozes(say)),
        air_form=air_form(places, Typed() if typed.text("form") == "chore" else typed),
        chores=chores_now(connection, say),
        chore_form=chore_form(connection, {}, typed if typed.text("form") == "chore" else Typed()),
        steps=steps,
        way_in=way_in(connection),
        typed=typed,
    )


def _air_places(connection: sa.Connection, say: Say, typed: Typed) -> tuple[AirPlace, ...]:
    """Where air is to be read, and where somebody just typed some."""
    begun = {name.rpartition(" ")[0] for name in typed.form if typed.text(name) is not None}
    offered = air_places(connection, say.now)
    more = (place for place in every_air_place(connection) if place.key in begun)
    return tuple(dict.fromkeys((*offered, *more)))


# Fields of each place by the names that the log gives them, and as the form calls them.
AIR_FIELDS: Final[Mapping[str, tuple[str, str]]] = {
    "temperature_c": ("now", "Now"),
    "temperature_low_c": ("lowest", "Lowest"),
    "temperature_high_c": ("highest", "Highest"),
    "humidity_percent": ("humidity", "Humidity"),
    "humidity_low_percent": ("humidity_lowest", "Lowest humidity"),
    "humidity_high_percent": ("humidity_highest", "Highest humidity"),
}


def air_form(places: Sequence[AirPlace], typed: Typed) -> Filled:
    """The form of the air; its fields are named by place."""
    labels = {
        f"{place.key} {name}": f"{place.name}, {label}"
        for place in places
        for name, label in AIR_FIELDS.values()
    }
    return Filled({**labels, "read_at": "Read at"}, typed=typed)


def _is_known(flag: FlagOut, confirmed: Mapping[int, Hold]) -> bool:
    """Possible mould on a tray that somebody put on hold for it already: no news to walk to."""
    return flag.kind == FlagKind.POSSIBLE_MOULD and flag.run_id in confirmed


def _held(today: Today, confirmed: Mapping[int, Hold]) -> tuple[HeldTray, ...]:
    still = {
        flag.run_id: flag for flag in (*today.looks, *today.later) if _is_known(flag, confirmed)
    }
    return tuple(HeldTray(hold, still.get(hold.run_id)) for hold in confirmed.values())
