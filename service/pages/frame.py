"""What stands around every page: who is asking, where one can go, what was just done."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import sqlalchemy as sa
from fastapi import Request
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import HTMLResponse

from service.accounts.people import PEOPLE
from service.accounts.roles import Entrance, Right, Visitor
from service.context import Service
from service.models.accounts import Person
from service.pages import addresses
from service.pages.forms.rule_links import leading_to_runs
from service.pages.notices import Notice, forget_notice, notice_of
from service.pages.now.air_now import air_words
from service.pages.words import Say
from service.room.room_log import the_room

_TEMPLATES: Final = Path(__file__).parents[1] / "templates"
# What stands at the foot of a phone's page, in the order of a day.
PLACES: Final = (
    ("Now", addresses.NOW),
    ("Snap", addresses.SNAP),
    ("Room", addresses.ROOM),
    ("Shelves", addresses.SHELVES),
    ("More", addresses.MORE),
)


@dataclass(frozen=True)
class Frame:
    """What a page's frame shows.

    Parameters
    ----------
    room_name : str
    who : str or None
        Name of the person logged in; None in an open room.
    open_room : bool
        No password is set yet.
    may_work, may_own : bool
        Whether forms that enter, or that set things up, are shown.
    here : str
        Address of the place that this page belongs to.
    notice : Notice or None
    """

    room_name: str
    who: str | None
    open_room: bool
    may_work: bool
    may_own: bool
    here: str
    notice: Notice | None


# Of more, a list on a phone hides what stands below it.
_FEW: Final = 8


@dataclass(frozen=True)
class Folded:
    """A list of which the first `few` are shown and `more` is folded away."""

    few: Sequence[Any]
    more: Sequence[Any]


def folded(rows: Sequence[Any]) -> Folded:
    """A list as a page shows it; templates know this as a filter."""
    return Folded(rows[:_FEW], rows[_FEW:])


def is_many(rows: Sequence[Any]) -> bool:
    """Whether a list is too long to be shown open; templates know this as the test `many`."""
    return len(rows) > _FEW


@lru_cache(maxsize=1)
def environment() -> Environment:
    """Templates of all pages; what a template asks for and was not given is an error."""
    made = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    made.globals.update(to=addresses, places=PLACES, air_words=air_words)
    made.filters.update(leading_to_runs=leading_to_runs, folded=folded)
    made.tests["many"] = is_many
    return made


def show(
    request: Request,
    connection: sa.Connection,
    template: str,
    page: Any,
    *,
    here: str,
    status: int = 200,
) -> HTMLResponse:
    """A page of the room.

    Parameters
    ----------
    request : Request
    connection : Connection
        For the room and who is asking.
    template : str
        File in the folder of templates; it finds `page`, `frame`, `say` (`Say`) and `to`
        (`service.pages.addresses`).
    page : dataclass
        What the page shows.
    here : str
        Address of the place that the page belongs to, such as `addresses.ROOM`.
    status : int
    """
    service: Service = request.app.state.service
    say = Say(the_room(connection), service.clock())
    frame = _frame(request, connection, say, here)
    text = environment().get_template(template).render(page=page, frame=frame, say=say)
    response = HTMLResponse(text, status_code=status)
    if frame.notice is not None:
        forget_notice(response)
    return response


def show_plain(template: str, page: Any, *, status: int = 200) -> HTMLResponse:
    """A page that needs neither the log nor a log-in, such as an error's."""
    text = environment().get_template(template).render(page=page)
    return HTMLResponse(text, status_code=status)


def visitor_of(request: Request) -> Visitor:
    """Who is asking."""
    visitor: Visitor = request.state.visitor
    return visitor


def _frame(request: Request, connection: sa.Connection, say: Say, here: str) -> Frame:
    visitor = visitor_of(request)
    who = None
    if visitor.person_id is not None:
        person = PEOPLE.get(connection, visitor.person_id)
        assert isinstance(person, Person)
        who = person.name
    return Frame(
        room_name=say.room.name,
        who=who,
        open_room=visitor.entrance is Entrance.OPEN_ROOM,
        may_work=Right.WORK in visitor.rights,
        may_own=Right.OWN in visitor.rights,
        here=here,
        notice=notice_of(request),
    )
