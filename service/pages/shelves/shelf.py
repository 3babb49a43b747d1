"""The page of one shelf: its runs by age and, where the air was read, by warmth."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Path, Query, Request
from pydantic import BaseModel, Field
from starlette.responses import Response

from service.charts import Size
from service.growth.group_growth import group_growth
from service.growth.room_normal import room_normal
from service.models.base import LARGEST_ID
from service.pages import addresses
from service.pages.frame import show
from service.pages.growth.chart_pictures import ChartShown, answer_chart, chart_shown
from service.pages.growth.curve_kinds import BY_WARMTH, CurveKind
from service.pages.growth.growth_charts import unit_of
from service.pages.growth.pace_words import pace_words, warmth_pace_words
from service.pages.growth.present_pace import RunPace, not_told, present_answer
from service.pages.shelves.shelf_charts import (
    AgeRow,
    ShelfRuns,
    shelf_rows,
    shelf_runs_alt,
    shelf_runs_chart,
)
from service.pages.shelves.shelves_content import ShelvesContent
from service.pages.words import Say
from service.room.room_log import the_room
from service.route_arguments import TheService
from trayvision.growth.prior import Quantity

router = APIRouter(include_in_schema=False)

_Id = Annotated[int, Path(ge=1, le=LARGEST_ID)]
_Grain = Annotated[str | None, Query(max_length=200)]


class AskedChart(BaseModel):
    """Which chart of a shelf, and how it is drawn."""

    kind: CurveKind = CurveKind.HEIGHT
    size: Size = Size.PHONE
    grain: str | None = Field(default=None, max_length=200)


@dataclass(frozen=True)
class CurvesShown:
    """One kind of curve of a shelf.

    Parameters
    ----------
    name : str
        Such as "Height by age".
    chart : ChartShown
    caption, age : str
        Of its table, and of the table's first column.
    columns : tuple of str
        What the table's values are of.
    rows : tuple of AgeRow
    """

    name: str
    chart: ChartShown
    caption: str
    age: str
    columns: tuple[str, ...]
    rows: tuple[AgeRow, ...]


@dataclass(frozen=True)
class ShelfPage:
    """One shelf.

    Parameters
    ----------
    shelf_id : int
    name, answer, not_told : str
    grain : str
    runs : tuple of RunPace
        Growing there, by tray.
    by_age, by_warmth : tuple of CurvesShown
        Height, then cover; by warmth empty where it is not known of any run there.
    warmth : str
        How the shelf compares by warmth, or why it cannot be.
    """

    shelf_id: int
    name: str
    answer: str
    not_told: str
    grain: str
    runs: tuple[RunPace, ...]
    by_age: tuple[CurvesShown, ...]
    by_warmth: tuple[CurvesShown, ...]
    warmth: str


class _Shelf:
    """One answer's view of a shelf: its runs of one grain, that of most where none is asked for."""

    def __init__(self, content: ShelvesContent, shelf_id: int, grain: str | None) -> None:
        self._compared: dict[CurveKind, ShelfRuns] = {}
        self.content = content
        self.shelf_id = shelf_id
        curves = content.growth.curves_on(shelf_id)
        if grain is None and curves:
            grains = [run.grain for run in curves]
            self.content.grain = max(sorted(set(grains)), key=grains.count)
        self.runs = [run for run in curves if run.grain == self.content.grain]

    @property
    def warm(self) -> bool:
        """Whether the warmth of any of them is known."""
        return any(run.thermal is not None for run in self.runs)

    def compared(self, kind: CurveKind) -> ShelfRuns:
        """Its runs as one kind of curve compares them."""
        if kind not in self._compared:
            self._compared[kind] = self._compare(kind)
        return self._compared[kind]

    def _compare(self, kind: CurveKind) -> ShelfRuns:
        growth, grain, shelf_id = self.content.growth, self.content.grain, self.shelf_id
        teaching = (
            growth.thermal_teaching(kind.quantity, grain, shelf_id)
            if kind.by_warmth
            else growth.shelf_teaching(kind.quantity, grain, shelf_id)
        )
        here = group_growth(teaching) if teaching.shelf else None
        return ShelfRuns(kind, self.runs, here, room_normal(teaching.of_room))


@router.get(f"{addresses.SHELVES}/{{shelf_id}}")
def shelf_page(
    service: TheService, request: Request, shelf_id: _Id, grain: _Grain = None
) -> Response:
    """The runs of one shelf."""
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())
        content = ShelvesContent(connection, say, grain)
        page = _page(_Shelf(content, shelf_id, grain), say, grain)
        return show(request, connection, "shelves/shelf.html", page, here=addresses.SHELVES)


@router.get("/charts/shelves/{shelf_id}")
def chart_of_shelf(
    service: TheService, request: Request, shelf_id: _Id, asked: Annotated[AskedChart, Query()]
) -> Response:
    """The runs of one shelf as one kind of curve."""
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())
        content = ShelvesContent(connection, say, asked.grain)
        compared = _Shelf(content, shelf_id, asked.grain).compared(asked.kind)
        chart = shelf_runs_chart(compared, say.room.target_shoot_height_mm, say)
    return answer_chart(request, chart, asked.size)


def heights_now(content: ShelvesContent, shelf_id: int, say: Say) -> ChartShown:
    """The chart of a shelf's runs by age, of the content's grain."""
    query = [("kind", str(CurveKind.HEIGHT)), ("grain", content.grain)]
    address = addresses.with_query(addresses.shelf_chart(shelf_id), query)
    compared = _Shelf(content, shelf_id, content.grain).compared(CurveKind.HEIGHT)
    return _shown(content.shelves[shelf_id].name, compared, address, say).chart


def _page(shelf: _Shelf, say: Say, grain: str | None) -> ShelfPage:
    content, shelf_id = shelf.content, shelf.shelf_id
    name = content.shelves[shelf_id].name
    here = shelf.compared(CurveKind.HEIGHT).here
    told = here is not None and here.can_tell
    runs = tuple(content.paces(shelf_id))
    lag = content.lagging(pace.tray for pace in runs)
    pace = pace_words(here) if told else present_answer(runs, content.normal, content.grain, lag)

    def shown(kind: CurveKind) -> CurvesShown:
        query = [("kind", str(kind)), ("grain", content.grain if grain is not None else None)]
        address = addresses.with_query(addresses.shelf_chart(shelf_id), query)
        return _shown(name, shelf.compared(kind), address, say)

    return ShelfPage(
        shelf_id=shelf_id,
        name=name,
        answer=f"{name}: {pace[:1].lower()}{pace[1:]}",
        not_told="" if told else not_told(runs, content.normal, content.grain),
        grain=content.grain,
        runs=runs,
        by_age=tuple(shown(kind) for kind in (CurveKind.HEIGHT, CurveKind.COVER)),
        by_warmth=tuple(shown(kind) for kind in BY_WARMTH) if shelf.warm else (),
        warmth=_warmth(shelf),
    )


def _warmth(shelf: _Shelf) -> str:
    if not shelf.warm:
        return "No readings of the air carry these runs, so they are compared by age alone."
    height = shelf.compared(CurveKind.THERMAL_HEIGHT)
    left = len(shelf.runs) - len(height.compared)
    pace = warmth_pace_words(height.here)
    out = f" The warmth of {left} of {len(shelf.runs)} runs is not known." if left else ""
    return f"Height after the same warmth: {pace}.{out}"


def _shown(name: str, compared: ShelfRuns, address: str, say: Say) -> CurvesShown:
    kind, unit = compared.kind, unit_of(compared.kind.quantity, say)
    what = "Height" if kind.quantity is Quantity.HEIGHT else "Cover"
    chart = shelf_runs_chart(compared, say.room.target_shoot_height_mm, say)
    in_room = ("This room",) if compared.normal.ages else ()
    return CurvesShown(
        name=f"{what} by {'warmth' if kind.by_warmth else 'age'}",
        chart=chart_shown(chart, address, shelf_runs_alt(name, compared, say)),
        caption=(
            f"{what} in {unit.sign} by {kind.below}, of growing runs up to their last photo"
            + ("; usual in this room with the interval of 9 runs in 10" if in_room else "")
        ),
        age="°C d" if kind.by_warmth else "Day",
        columns=(
            *(f"Tray {run.tray}" for run, _ in compared.growing(say)),
            *(("This shelf",) if compared.usual else ()),
            *in_room,
        ),
        rows=shelf_rows(compared, say),
    )
