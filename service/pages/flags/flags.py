"""Pages of reasons to look: one by one, and all that were answered."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from math import exp
from typing import Annotated, Final

import sqlalchemy as sa
from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from service.context import Service
from service.flags.flag_answers import verdicts_out
from service.flags.flag_history import FlagEvent, flag_history, last_answer_entry, told_once
from service.flags.flag_log import answer, flag_out, flags
from service.flags.holds import end_hold
from service.flags.today import RoomNow
from service.models.base import LARGEST_ID
from service.models.flags import TOLD_AT_ONCE, Done, FlagOut, FlagState, Verdict, VerdictsOut
from service.pages import addresses
from service.pages.flags.answers import Choices, answer_of, said_words, snoozes
from service.pages.flags.flag_view import Beside, FlagView, flag_views
from service.pages.flags.verdict_words import verdict_words
from service.pages.forms.filled import Filled
from service.pages.forms.forms import Typed, TypedForm, answered
from service.pages.frame import show
from service.pages.notices import Entry, back, done
from service.pages.words import Say
from service.photos.ingest import tell_watchers
from service.room.room_log import in_utc, shelf_names, the_room
from service.route_arguments import By, TheService
from trayvision.attention.flags import FlagKind

router = APIRouter(include_in_schema=False)

FlagId = Annotated[int, Path(ge=1, le=LARGEST_ID)]
# More than a person reads; the others are found from their tray's page.
_LISTED: Final = 40


@dataclass(frozen=True)
class FlagPage:
    """One reason to look.

    Parameters
    ----------
    view : FlagView
    history : list of FlagEvent
        Last first.
    choices : Choices
    shelves : mapping of int to str
        Names by id.
    typed : Typed
    """

    view: FlagView
    history: list[FlagEvent]
    choices: Choices
    shelves: Mapping[int, str]
    typed: Typed = field(default_factory=Typed)

    @staticmethod
    def was_told_later(event: FlagEvent) -> bool:
        """Whether what was noticed was said well after the last photo that shows it."""
        return event.kind == "noticed" and event.said_at - event.at > TOLD_AT_ONCE

    def said(self, verdict: str) -> str:
        """What somebody answered to it, in words."""
        return verdict_words(verdict, self.view.flag.kind)


@dataclass(frozen=True)
class FlagsPage:
    """What was put off, answered or went by itself, and how often looks were right.

    Parameters
    ----------
    snoozed, answered, gone : list of FlagOut
        The last ones first.
    verdicts : VerdictsOut
    strength, least, most : float
        How many times as strong as in a room without verdicts a sign of mould must be, and the
        limits of that.
    """

    snoozed: list[FlagOut]
    answered: list[FlagOut]
    gone: list[FlagOut]
    verdicts: VerdictsOut
    strength: float
    least: float
    most: float

    @staticmethod
    def said(verdict: str, kind: str = FlagKind.POSSIBLE_MOULD) -> str:
        """What somebody answered, in words."""
        return verdict_words(verdict, kind)


@router.get(addresses.FLAGS)
def flags_page(service: TheService, request: Request) -> Response:
    """What became of the looks that were asked for."""
    with service.database.read() as connection:
        page = what_became(connection, service.clock())
        return show(request, connection, "flags/flags.html", page, here=addresses.NOW)


def what_became(connection: sa.Connection, now: datetime) -> FlagsPage:
    """All that the page of flags shows at a moment."""
    verdicts = verdicts_out(connection)
    return FlagsPage(
        snoozed=flags(connection, now, state=FlagState.SNOOZED),
        answered=_last(connection, now, FlagState.DONE),
        gone=_last(connection, now, FlagState.GONE),
        verdicts=verdicts,
        strength=exp(verdicts.mould.shift),
        least=exp(verdicts.mould.lowest_shift),
        most=exp(verdicts.mould.highest_shift),
    )


@router.get("/flags/{flag_id}")
def flag_page(service: TheService, request: Request, flag_id: FlagId) -> Response:
    """One reason to look: all its pictures, its history, its answers."""
    return _show_flag(service, request, flag_id, Typed())


@router.post("/flags/{flag_id}/answer")
def post_answer(
    service: TheService, by: By, request: Request, flag_id: FlagId, typed: TypedForm
) -> Response:
    """Enter what somebody found; after "it is mould" its page says what to take care of."""

    def act() -> Response:
        said_earlier = typed.read(Done, "note", at=Filled({}, typed=typed).moment("at"))
        with service.database.write() as connection:
            say = Say(the_room(connection), by.at)
            flag = flag_out(connection, flag_id, by.at)
            at = None if said_earlier.at is None else in_utc(said_earlier.at, say.room)
            said = answer_of(typed.text("answer") or "", said_earlier.note, say, at=at)
            ends = said.verdict not in (None, Verdict.RIGHT)
            if ends:
                ids = end_hold(connection, flag, said, by)
            else:
                ids = [answer(connection, flag_id, said, by).id]
            undo = [Entry("flag_event", last_answer_entry(connection, one)) for one in ids]
        # Other flags speak of trays on hold.
        tell_watchers(service, ())
        mould = flag.kind == FlagKind.POSSIBLE_MOULD and said.verdict is Verdict.RIGHT
        to = addresses.flag(flag_id) if mould else back(request, addresses.NOW)
        return done(to, said_words(flag, said, say), undo=undo)

    return answered(typed, act, lambda again: _show_flag(service, request, flag_id, again))


def _show_flag(service: Service, request: Request, flag_id: int, typed: Typed) -> Response:
    with service.database.read() as connection:
        now = service.clock()
        flag = flag_out(connection, flag_id, now)
        room = the_room(connection)
        known = RoomNow(connection, room, now)
        beside = Beside(known.holds(), known.last_readings())
        (view,) = flag_views(connection, [flag], beside)
        page = FlagPage(
            view=view,
            history=told_once(flag_history(connection, flag_id))[::-1],
            choices=Choices(snoozes(Say(room, now))),
            shelves=shelf_names(connection) if view.readings else {},
            typed=typed,
        )
        return show(request, connection, "flags/flag.html", page, here=addresses.NOW)


def _last(connection: sa.Connection, now: datetime, state: FlagState) -> list[FlagOut]:
    found = flags(connection, now, state=state, limit=_LISTED)
    ends = {flag.id: flag.gone_at or flag.answered_at or flag.noticed_at for flag in found}
    return sorted(found, key=lambda flag: ends[flag.id], reverse=True)
