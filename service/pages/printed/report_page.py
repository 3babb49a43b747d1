"""The report for an inspector or a certifier, on paper and as tables."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Annotated, Final

from fastapi import APIRouter, Path, Query, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from service.flags.flag_history import FlagEvent
from service.log.refusals import NotFound
from service.models.room import Room
from service.models.runs import EndReason
from service.pages import addresses
from service.pages.chores.chore_words import details_words
from service.pages.flags.verdict_words import verdict_words
from service.pages.forms.forms import Typed, answered
from service.pages.frame import show
from service.pages.words import Say
from service.pages.written.correction_words import after_words, before_words
from service.period_report.chores import DoneChore
from service.period_report.corrections import ChangedValue
from service.period_report.period import Period, typed_period
from service.period_report.report import Report
from service.period_report.tables import PARTS, report_table
from service.room.room_log import the_room
from service.route_arguments import TheService

router = APIRouter(include_in_schema=False)


# More rows of one part than that are shown page by page.
ON_A_PAGE: Final = 60
# In the order of the report.
_PARTS: Final[dict[str, tuple[str, Callable[[Report], Sequence[object]]]]] = {
    "runs": ("Runs", lambda report: report.in_period.spans),
    "flags": ("Possible mould and holds", lambda report: report.flags),
    "air": ("Air by week", lambda report: report.air),
    "cleaning": ("Cleaning and sanitising", lambda report: report.chores.cleaning),
    "feeding": ("Fed out", lambda report: report.chores.feeding),
    "corrections": ("What was corrected later", lambda report: report.corrections),
}


_ENDED: Final = {
    EndReason.HARVESTED: "Ended: harvested",
    EndReason.THROWN: "Ended: thrown",
    EndReason.OTHER: "Ended: taken for something else",
    EndReason.NEXT_RUN: "Spread again without a harvest written",
}
_BECAME: Final = {
    "done": "seen to",
    "snoozed": "put off",
    "gone": "no longer there",
    "reopened": "asked for again",
}


@dataclass(frozen=True)
class Sheet:
    """Rows of one part that a page shows.

    Parameters
    ----------
    rows : sequence
    first : int
        Number of its first row, from 1.
    count : int
        Rows of the whole part.
    """

    rows: Sequence[object]
    first: int
    count: int

    @property
    def last(self) -> int:
        """Number of its last row."""
        return self.first + len(self.rows) - 1


@dataclass(frozen=True)
class PartLink:
    """Where one part of a record stands that is too long for one page."""

    title: str
    address: str


@dataclass(frozen=True)
class ReportPage:
    """The form and, where its dates can be read, the report or a page of it.

    Parameters
    ----------
    first, last : str
        As a field for a date takes them.
    heading : str
    report : Report or None
    summary : bool
        Whether what it adds up to is shown.
    sheets : mapping of parts to Sheet
        What of the record is shown.
    links : sequence of PartLink
        The parts, where they are shown page by page.
    earlier, later : str
        Addresses of the pages of this part beside this one; empty where there is none.
    tables : sequence of (str, str)
        Names and addresses of its tables.
    broken : sentences by field
    """

    first: str
    last: str
    heading: str
    report: Report | None = None
    summary: bool = True
    sheets: Mapping[str, Sheet] = field(default_factory=dict)
    links: tuple[PartLink, ...] = ()
    earlier: str = ""
    later: str = ""
    tables: tuple[tuple[str, str], ...] = ()
    broken: Mapping[str, str] = field(default_factory=dict)

    @staticmethod
    def before(change: ChangedValue, say: Say) -> str:
        """What was said first, with its label."""
        return before_words(change, say)

    @staticmethod
    def after(change: ChangedValue, say: Say) -> str:
        """What it was corrected to."""
        return after_words(change, say)

    @staticmethod
    def details(chore: DoneChore, say: Say) -> str:
        """With what, how much, how long; empty where nobody wrote it."""
        return details_words(chore.details, say)

    @property
    def ended(self) -> dict[str, int]:
        """Runs that ended in the period, by how."""
        assert self.report is not None
        return {words: self.report.totals.ended.get(end, 0) for end, words in _ENDED.items()}

    @staticmethod
    def answered(event: FlagEvent) -> str:
        """What a person answered to a look, or what became of it."""
        return (
            _BECAME.get(event.kind, event.kind)
            if event.verdict is None
            else verdict_words(event.verdict)
        )


@router.get(addresses.PRINT_REPORT)
def report_page(
    service: TheService,
    request: Request,
    part: Annotated[str, Query(max_length=20)] = "",
    page: Annotated[int, Query(ge=1, le=1_000_000)] = 1,
) -> Response:
    """Over any period; by default the present month so far. A long record has pages by part."""
    typed = Typed(FormData(dict(request.query_params)))
    with service.database.read() as connection:
        room, now = the_room(connection), service.clock()

        def act() -> Response:
            report = Report(connection, room, _period(typed, room, now), now=now)
            shown = _page(report, part, page)
            return show(request, connection, "printed/report.html", shown, here=addresses.MORE)

        def again(said: Typed) -> Response:
            first, last = said.text("from") or "", said.text("to") or ""
            shown = ReportPage(first, last, "Report: which period?", broken=dict(said.broken))
            return show(request, connection, "printed/report.html", shown, here=addresses.MORE)

        return answered(typed, act, again)


@router.get(addresses.PRINT_REPORT_TABLE)
def report_csv(
    service: TheService, request: Request, part: Annotated[str, Path(max_length=20)]
) -> Response:
    """One part of the report as CSV."""
    if part not in PARTS:
        raise NotFound("table", part)
    typed = Typed(FormData(dict(request.query_params)))
    with service.database.read() as connection:
        room, now = the_room(connection), service.clock()
        report = Report(connection, room, _period(typed, room, now), now=now)
        table = report_table(report, part)
    name = f"{part}-{report.period.first}-to-{report.period.last}.csv"
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(table, media_type="text/csv; charset=utf-8", headers=headers)


def _period(typed: Typed, room: Room, now: datetime) -> Period:
    say = Say(room, now)
    return typed_period(
        typed.text("from"), typed.text("to"), zone=say.zone, today=say.local(now).date()
    )


def _page(report: Report, part: str, page: int) -> ReportPage:
    period = report.period
    first, last = period.first.isoformat(), period.last.isoformat()
    dates = (("from", first), ("to", last))
    words = f"{Say.calendar_day(period.first)} to {Say.calendar_day(period.last)}"

    def at(*more: tuple[str, object]) -> str:
        return addresses.with_query(addresses.PRINT_REPORT, (*dates, *more))

    shown = ReportPage(
        first,
        last,
        f"Report, {words}",
        report,
        tables=tuple(
            (name, addresses.with_query(addresses.report_table(name), dates)) for name in PARTS
        ),
    )
    if not part:
        if _is_short(report):
            return replace(shown, sheets={name: _sheet(report, name) for name in _PARTS})
        links = (PartLink(title, at(("part", name))) for name, (title, _) in _PARTS.items())
        return replace(shown, links=tuple(links))
    if part not in _PARTS:
        raise NotFound("part", part)
    sheet = _sheet(report, part, page)
    title = _PARTS[part][0]
    rows = f"{sheet.first} to {sheet.last} of {sheet.count}" if sheet.count else "none"
    return replace(
        shown,
        heading=f"{title}, {rows}: {words}",
        summary=False,
        sheets={part: sheet},
        earlier=at(("part", part), ("page", page - 1)) if page > 1 else "",
        later=at(("part", part), ("page", page + 1)) if sheet.last < sheet.count else "",
    )


def _is_short(report: Report) -> bool:
    """Whether all of it fits on one page; the parts that take longest to read come last."""
    return all(len(rows(report)) <= ON_A_PAGE for _, rows in _PARTS.values())


def _sheet(report: Report, part: str, page: int | None = None) -> Sheet:
    """All rows of a part, or those of one page. Raises NotFound."""
    count = len(_PARTS[part][1](report))
    first, last = (0, count) if page is None else (ON_A_PAGE * (page - 1), ON_A_PAGE * page)
    if page is not None and page > 1 and first >= count:
        raise NotFound("page", f"{page} of {part}: there are {count} rows, {ON_A_PAGE} on a page")
    # Runs are put together when they are shown, which takes longer than to list them.
    rows = (
        report.in_period.reported(first, last)
        if part == "runs"
        else _PARTS[part][1](report)[first:last]
    )
    return Sheet(rows, first + 1, count)
