"""The report for an inspector or a certifier, on paper and as tables."""

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Path, Request
from starlette.datastructures import FormData
from starlette.responses import Response

from service.api.dependencies import TheService
from service.models.room import Room
from service.models.runs import EndReason
from service.pages import addresses
from service.pages.forms import Typed, answered
from service.pages.frame import show
from service.pages.words import Say
from service.period_report.period import Period, typed_period
from service.period_report.report import Report, period_report
from service.period_report.tables import PARTS, report_table
from service.refusals import NotFound
from service.room_log import the_room

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True)
class ReportPage:
    """The form and, where its dates can be read, the report.

    Parameters
    ----------
    first, last : str
        As a field for a date takes them.
    period : str
        In words.
    report : Report or None
    tables : sequence of (str, str)
        Names and addresses of its tables.
    ended : mapping of words to number of runs
    broken : sentences by field
    """

    first: str
    last: str
    period: str
    report: Report | None
    tables: tuple[tuple[str, str], ...]
    ended: dict[str, int]
    broken: dict[str, str]


@router.get(addresses.PRINT_REPORT)
def report_page(service: TheService, request: Request) -> Response:
    """Over any period; by default the present month so far."""
    typed = Typed(FormData(dict(request.query_params)))
    with service.database.read() as connection:
        room, now = the_room(connection), service.clock()

        def act() -> Response:
            page = _page(period_report(connection, room, _period(typed, room, now), now=now))
            return show(request, connection, "print_report.html", page, here=addresses.MORE)

        def again(said: Typed) -> Response:
            first, last = said.text("from") or "", said.text("to") or ""
            page = ReportPage(first, last, "", None, (), {}, dict(said.broken))
            return show(request, connection, "print_report.html", page, here=addresses.MORE)

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
        report = period_report(connection, room, _period(typed, room, now), now=now)
    period = report.period
    name = f"{part}-{period.first}-to-{period.last}.csv"
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(
        report_table(report, part), media_type="text/csv; charset=utf-8", headers=headers
    )


def _period(typed: Typed, room: Room, now: datetime) -> Period:
    say = Say(room, now)
    return typed_period(
        typed.text("from"), typed.text("to"), zone=say.zone, today=say.local(now).date()
    )


def _page(report: Report) -> ReportPage:
    period = report.period
    first, last = period.first.isoformat(), period.last.isoformat()
    dates = (("from", first), ("to", last))
    return ReportPage(
        first=first,
        last=last,
        period=f"{Say.calendar_day(period.first)} to {Say.calendar_day(period.last)}",
        report=report,
        tables=tuple(
            (name, addresses.with_query(addresses.report_table(name), dates)) for name in PARTS
        ),
        ended={str(reason): report.totals.ended.get(reason, 0) for reason in EndReason},
        broken={},
    )
