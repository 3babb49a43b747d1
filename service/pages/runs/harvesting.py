"""The page that writes down that a tray, or a part of it, was taken."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Final

import sqlalchemy as sa
from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from service.flags.holds import is_held
from service.flags.mould_when_taken import MouldThen, MouldWhenTaken
from service.log.refusals import Refusal
from service.models.base import LARGEST_ID
from service.models.runs import EndReason, Harvest, NewHarvest, Run
from service.pages import addresses
from service.pages.forms.clock_changes import twice_words
from service.pages.forms.filled import Choice, Filled, typed_weight
from service.pages.forms.forms import Typed, TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, done
from service.pages.runs.weight_doubts import fresh_doubt
from service.pages.words import Say
from service.room.room_changes import harvest_run
from service.room.room_log import the_room, tray_sizes
from service.route_arguments import By, TheService
from service.runs.run_calendar import span_of
from service.runs.run_log import run_out

router = APIRouter(include_in_schema=False)

RunId = Annotated[int, Path(ge=1, le=LARGEST_ID)]
WHOLE, PART = "whole", "part"
LABELS: Mapping[str, str] = {
    "weight": "Weight",
    "part": "How much",
    "reason": "What became of it",
    "harvested_at": "Taken",
    "note": "Note",
}
PARTS: Final = (
    Choice(WHOLE, "the whole tray"),
    Choice(PART, "a part of it; the rest grows on"),
)
# In the grower's words, in an order that suggests none of them.
REASONS: Final = (
    Choice(EndReason.HARVESTED, "harvested"),
    Choice(EndReason.THROWN, "thrown"),
    Choice(EndReason.OTHER, "something else"),
)
ENDED: Final = {
    EndReason.HARVESTED: "harvested",
    EndReason.THROWN: "thrown",
    EndReason.OTHER: "taken",
}


@dataclass(frozen=True)
class HarvestPage:
    """The form of one run's harvest.

    Parameters
    ----------
    run : Run
    on_hold : bool
        An open flag asks to hold its tray from feeding.
    mould_words : str
        What stands open of possible mould; empty where nothing does.
    form : Filled
    weight_unit : str
    back : str
        Address to go on to.
    """

    run: Run
    on_hold: bool
    mould_words: str
    form: Filled
    weight_unit: str
    back: str


def harvest_form(say: Say, *, on_hold: bool, typed: Typed | None = None) -> Filled:
    """The form as it is shown; of a tray on hold nothing is said beforehand of its use."""
    return Filled(
        LABELS,
        {
            "part": WHOLE,
            "reason": "" if on_hold else EndReason.HARVESTED,
            "harvested_at": say.field_moment(),
        },
        typed or Typed(),
        {"weight_g": "weight"},
        {"part": PARTS, "reason": REASONS},
    )


def mould_words(connection: sa.Connection, run_id: int, now: datetime) -> str:
    """What stands open of possible mould of a run, for the form that takes it; may be empty."""
    found = MouldWhenTaken(connection).of(span_of(connection, run_id), now)
    if found is None:
        return ""
    is_so = {
        MouldThen.CONFIRMED: "Somebody looked and found mould",
        MouldThen.HOLD: "Its photos ask to hold it from feeding for possible mould",
        MouldThen.LOOK: "A look for possible mould is open: nobody has said yet what it was",
    }[found]
    return f"{is_so}. The report will say so beside what is written down here."


def mould_notice(connection: sa.Connection, taken: Sequence[tuple[int, Harvest]]) -> str:
    """What stood open of possible mould when some were taken, by tray number; may be empty."""
    record = MouldWhenTaken(connection)
    words = ""
    for number, harvest in taken:
        then = record.of(span_of(connection, harvest.run_id), harvest.harvested_at)
        if then is not None and harvest.reason is not EndReason.THROWN:
            words += f" Tray {number} was {then}; the report says so."
    return words


@router.get("/runs/{run_id}/harvest")
def harvest_page(
    service: TheService,
    request: Request,
    run_id: RunId,
    back: Annotated[str, Query(max_length=2000)] = "",
) -> Response:
    """Asks for weight, whole or part, and what became of it."""
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())
        return _show(request, connection, say, run_id, Typed(), back=back)


@router.post("/runs/{run_id}/harvest")
def post_harvest(
    service: TheService, by: By, request: Request, run_id: RunId, typed: TypedForm
) -> Response:
    """Writes it down."""
    with service.database.read() as connection:
        say = Say(the_room(connection), by.at)
        number = span_of(connection, run_id).number
        sizes = tray_sizes(connection)

    def act() -> Response:
        form = harvest_form(say, on_hold=False, typed=typed)
        if typed.text("reason") is None:
            raise Refusal("reason", "must be chosen, got nothing")
        whole = typed.text("part") != PART
        new = typed.read(
            NewHarvest,
            "reason",
            "note",
            harvested_at=form.moment("harvested_at"),
            weight_g=typed_weight(typed, "weight", say),
            ends_run=whole,
        )
        entry = harvest_run(service, run_id, new, by)
        what = f"Tray {number} " if whole else f"A part of tray {number} "
        weight = "not weighed" if entry.weight_g is None else say.weight(entry.weight_g)
        to = addresses.own_path(typed.text("back") or addresses.tray(number))
        words = f"{what}{ENDED[entry.reason]}, {weight}."
        with service.database.read() as connection:
            words += mould_notice(connection, [(number, entry)])
        words += fresh_doubt({number: entry.weight_g}, sizes, say)
        words += twice_words(typed, say)
        return done(to, words, undo=[Entry("harvest", entry.entry_id)])

    def again(said: Typed) -> Response:
        with service.database.read() as connection:
            return _show(request, connection, say, run_id, said)

    return answered(typed, act, again)


def _show(
    request: Request,
    connection: sa.Connection,
    say: Say,
    run_id: int,
    typed: Typed,
    *,
    back: str = "",
) -> Response:
    run = run_out(connection, span_of(connection, run_id), room=say.room, now=say.now)
    held = is_held(connection, run_id, run.tray, say.now)
    page = HarvestPage(
        run=run,
        on_hold=held,
        mould_words=mould_words(connection, run_id, say.now),
        form=harvest_form(say, on_hold=held, typed=typed),
        weight_unit=str(say.room.weight_unit),
        back=addresses.own_path(typed.text("back") or back or addresses.tray(run.tray)),
    )
    return show(request, connection, "runs/harvest.html", page, here=addresses.ROOM)
