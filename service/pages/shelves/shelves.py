"""The shelves' pages: which runs are ahead or behind, and why."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Annotated

from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from service.charts import Chart, Size
from service.growth.group_growth import GroupGrowth
from service.models.base import LARGEST_ID
from service.models.flags import FlagOut
from service.pages import addresses
from service.pages.frame import show
from service.pages.growth.chart_pictures import ChartShown, answer_chart, chart_shown
from service.pages.growth.curve_kinds import CurveKind
from service.pages.growth.pace_words import runs_words
from service.pages.growth.present_pace import RunPace, not_told, present_answer, shared
from service.pages.printed.record_tables import RecordTable
from service.pages.shelves.shelf import heights_now
from service.pages.shelves.shelf_charts import (
    AgeRow,
    groups_alt,
    groups_chart,
    usual_rows,
)
from service.pages.shelves.shelves_content import PaceRow, PaceTable, ShelvesContent
from service.pages.words import Say
from service.room.room_log import the_room
from service.route_arguments import TheService

router = APIRouter(include_in_schema=False)

_Id = Annotated[int, Path(ge=1, le=LARGEST_ID)]
_Grain = Annotated[str | None, Query(max_length=200)]
# Of more shelves, the list below leads to each one's chart.
_MOST_SHELVES = 6
_HALVES = {True: "Upper shelves", False: "Lower shelves"}


class Period(IntEnum):
    """How far back yields and records reach, days."""

    MONTH = 30
    QUARTER = 90
    YEAR = 365


@dataclass(frozen=True)
class CurvesShown:
    """Usual curves as a chart, and as a table by days."""

    chart: ChartShown
    names: tuple[str, ...]
    days: tuple[AgeRow, ...]


@dataclass(frozen=True)
class GrowingShelf:
    """A shelf's name and page, and the chart of what grows on it."""

    name: str
    address: str
    chart: ChartShown


@dataclass(frozen=True)
class ShelvesPage:
    """The room by shelves.

    Parameters
    ----------
    answer, not_told, shared : str
        Which runs are ahead or behind; what cannot be told yet; what those behind have in common.
    grain : str
        Whose runs are compared.
    grains : tuple of str
        That can be asked for.
    behind : tuple of FlagOut
        Open reasons to look at runs that lag behind their siblings.
    astray : tuple of RunPace
        Runs ahead or behind.
    curves : CurvesShown or None
    curves_words : str
        What the curves are of, or why there are none.
    growing : tuple of GrowingShelf
        What grows, shelf by shelf, as long as usual curves cannot be compared.
    shelves, halves, lots : PaceTable or None
        None where there is none to compare.
    period : int
        Days that yields and records reach back.
    yields, mould : tuple of RecordTable
    """

    answer: str
    not_told: str
    shared: str
    grain: str
    grains: tuple[str, ...]
    behind: tuple[FlagOut, ...]
    astray: tuple[RunPace, ...]
    curves: CurvesShown | None
    curves_words: str
    growing: tuple[GrowingShelf, ...]
    shelves: PaceTable | None
    halves: PaceTable | None
    lots: PaceTable | None
    period: int
    yields: tuple[RecordTable, ...]
    mould: tuple[RecordTable, ...]
    periods: tuple[int, ...] = tuple(Period)

    @property
    def weighed(self) -> bool:
        """Whether anything with both weights was harvested in that time."""
        return any(table.rows for table in self.yields)


@router.get(addresses.SHELVES)
def shelves_page(
    service: TheService, request: Request, days: Period = Period.QUARTER, grain: _Grain = None
) -> Response:
    """Shelves, upper and lower ones, lots and months against the room's own normal."""
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())
        content = ShelvesContent(connection, say, grain)
        if grain is None:
            # The first line names the trays that lag, of whatever grain: the rest is about them.
            content.grain = content.noticed_grain
        page = _page(content, say, int(days))
        return show(request, connection, "shelves/shelves.html", page, here=addresses.SHELVES)


@router.get("/charts/shelves")
def chart_of_shelves(
    service: TheService,
    request: Request,
    size: Size = Size.PHONE,
    grain: _Grain = None,
) -> Response:
    """What is usual on each shelf, or on upper and lower ones where too little is known of each."""
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())
        content = ShelvesContent(connection, say, grain)
        chart = _groups_chart(content, say, _compared(content)[0])
    return answer_chart(request, chart, size)


def _page(content: ShelvesContent, say: Say, days: int) -> ShelvesPage:
    paces, facts = content.paces(), content.facts
    names = {shelf.id: shelf.name for shelf in content.shelves.values()}
    lots = {
        pace.run_id: {content.lots.get(lot, "") for lot in facts[pace.run_id].lots}
        for pace in paces
        if pace.run_id in facts
    }
    behind = content.behind_flags()
    # Of whatever grain: the heading must not say that none lags above the one that does.
    lagging = sorted({tray for flag in behind for tray in flag.trays})
    (compared, words), half = _compared(content), content.by_half
    records = content.records(days)
    return ShelvesPage(
        answer=present_answer(paces, content.normal, content.grain, lagging),
        not_told=not_told(paces, content.normal, content.grain),
        shared=shared(paces, names, lots),
        grain=content.grain,
        grains=content.grains,
        behind=behind,
        astray=tuple(pace for pace in paces if pace.side),
        curves=None if not compared else _curves(content, say, compared),
        curves_words=words,
        growing=() if compared else _growing(content, paces, say),
        shelves=PaceTable.of(content.shelf_rows()),
        halves=PaceTable.of(
            [PaceRow.of(name, None, half.get(upper)) for upper, name in _HALVES.items()]
        ),
        lots=PaceTable.of(content.lot_rows()),
        period=days,
        yields=records.yields,
        mould=records.mould,
    )


def _compared(content: ShelvesContent) -> tuple[dict[str, GroupGrowth], str]:
    """The groups whose usual curves are drawn, and what is said of them."""
    told = {
        shelf.name: group
        for shelf in content.shelves.values()
        if (group := content.by_shelf.get(shelf.id)) is not None and group.can_tell
    }
    if told:
        return told, "What is usual on each shelf, from finished runs."
    halves = {_HALVES[upper]: group for upper, group in content.by_half.items() if group.can_tell}
    if halves:
        words = "Too few runs have finished on any one shelf to compare them; upper against lower:"
        return halves, words
    runs = content.normal.runs
    finished = f"{runs_words(runs)} of {content.grain} finished"
    if not runs:
        finished = f"no run of {content.grain} has finished"
    return {}, f"Curves cannot be compared yet: {finished}."


def _growing(
    content: ShelvesContent, paces: Sequence[RunPace], say: Say
) -> tuple[GrowingShelf, ...]:
    here = {pace.shelf_id for pace in paces}
    shelves = [shelf for shelf in content.shelves.values() if shelf.id in here][:_MOST_SHELVES]
    return tuple(
        GrowingShelf(one.name, addresses.shelf(one.id), heights_now(content, one.id, say))
        for one in shelves
    )


def _curves(content: ShelvesContent, say: Say, groups: dict[str, GroupGrowth]) -> CurvesShown:
    query = [("grain", content.grain if content.grain != say.room.grain else None)]
    room = ("This room",) if content.normal.ages else ()
    return CurvesShown(
        chart_shown(
            _groups_chart(content, say, groups),
            addresses.with_query(addresses.shelves_chart(), query),
            groups_alt(groups),
        ),
        (*groups, *room),
        usual_rows(CurveKind.HEIGHT, list(groups.values()), content.normal, say),
    )


def _groups_chart(content: ShelvesContent, say: Say, groups: dict[str, GroupGrowth]) -> Chart:
    return groups_chart(groups, content.normal, say.room.target_shoot_height_mm, say)
