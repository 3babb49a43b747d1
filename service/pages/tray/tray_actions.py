"""What can be done with one tray: forms that a tray's page includes.

A page that shows them gives `actions(…)` to its template, which includes them so::

    {% with actions = page.actions %}{% include "tray/tray_actions.html" %}{% endwith %}

Whoever may only read sees nothing of them.
"""

from dataclasses import dataclass
from typing import Final

import sqlalchemy as sa

from service.models.room import TrayState
from service.models.runs import Run
from service.models.today import TrayOut
from service.pages import addresses
from service.pages.forms.filled import Choice, Filled
from service.pages.room import racks
from service.pages.runs import starting
from service.pages.runs.harvesting import harvest_form, mould_words
from service.pages.words import Say
from service.room.room_log import trays_by_number
from service.runs.run_calendar import run_spans
from trayvision.attention.flags import FlagKind

# Stages of a run in which its harvest is the first thing to write down.
_HARVEST_FIRST: Final = ("ready", "overdue")


@dataclass(frozen=True)
class Actions:
    """What can be written down of a tray.

    Parameters
    ----------
    tray : int
        Its number.
    state : str
        "growing", "empty", "resting" or "retired".
    run : Run or None
        What grows in it now.
    last_run_id : int or None
        Its last run, where nothing grows in it now.
    on_hold : bool
        It is held from feeding.
    mould_words : str
        What stands open of possible mould; empty where nothing does.
    answer_at : str
        Where somebody says what a possible mould was; empty where nobody is asked.
    photograph_first : bool
        Something else than a flag asks to look at it before it is taken.
    harvest_first : bool
        It is ready, overdue or on hold, and not to be looked at first: the form of its harvest
        stands open.
    harvest, start : Filled
        The form of its harvest, and the one that starts it, as it was started last.
    seed_words : str
        What one tap spreads in it.
    soak_words : str
        How long before it was soaked, empty where nobody said.
    lots, places : tuple of Choice
        Seed lots, newest first; shelves and positions as they stand.
    place : str
        Where it stands, as the value of one of the places.
    weight_unit : str
        In which this room reads and types weights.
    back : str
        Address of the page to come back to.
    """

    tray: int
    state: str
    run: Run | None
    last_run_id: int | None
    on_hold: bool
    mould_words: str
    answer_at: str
    photograph_first: bool
    harvest_first: bool
    harvest: Filled
    start: Filled
    seed_words: str
    soak_words: str
    lots: tuple[Choice, ...]
    places: tuple[Choice, ...]
    place: str
    weight_unit: str
    back: str


def actions(connection: sa.Connection, tray: TrayOut, say: Say, *, back: str) -> Actions:
    """What can be done with a tray.

    Parameters
    ----------
    connection : Connection
    tray : TrayOut
        As it is now.
    say : Say
    back : str
        Address of the page that shows them.
    """
    last = starting.remembered(connection, tray.tray)
    lots = starting.lot_choices(connection)
    on_hold = tray.hold is not None
    run = tray.run if tray.state is TrayState.GROWING else None
    tray_id = trays_by_number(connection)[tray.tray]["id"]
    spans = run_spans(connection, tray_id) if run is None else []
    hours = last.soak_hours
    found = tray.hold is not None and tray.hold.confirmed
    asked = [] if found else [one for one in tray.flags if one.kind == FlagKind.POSSIBLE_MOULD]
    photograph_first = bool(tray.look_first) and not asked and not on_hold
    ready = on_hold or tray.stage in _HARVEST_FIRST
    return Actions(
        tray=tray.tray,
        state=str(tray.state),
        run=run,
        last_run_id=spans[-1].id if spans else None,
        on_hold=on_hold,
        mould_words="" if run is None else mould_words(connection, run.id, say.now),
        answer_at=f"{addresses.flag(asked[0].id)}#answer" if asked else "",
        photograph_first=photograph_first,
        harvest_first=ready and not asked and not photograph_first,
        harvest=harvest_form(say, on_hold=on_hold),
        start=starting.start_form(last, say, trays=str(tray.tray)),
        seed_words=starting.seed_words(last.seed, lots, say),
        soak_words="" if hours is None else f"soaked {hours:g} hours before",
        lots=lots,
        places=racks.place_choices(connection),
        place=racks.chosen_value(tray.shelf_id, tray.position_id),
        weight_unit=str(say.room.weight_unit),
        back=back,
    )
