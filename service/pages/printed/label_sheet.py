"""Tray labels on paper: any grid on any sheet, filled in or left to the pencil."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Annotated, Final

import sqlalchemy as sa
from fastapi import APIRouter, Query, Request
from pydantic import Field
from starlette.datastructures import FormData
from starlette.responses import Response

from service.flags.today import RoomNow
from service.log.refusals import Refusal
from service.models.base import Model
from service.models.room import DayZero, LengthUnit
from service.models.today import HarvestDue
from service.pages import addresses
from service.pages.forms.forms import Typed, answered
from service.pages.frame import show
from service.pages.words import Say
from service.room.room_log import the_room, trays_by_number
from service.route_arguments import TheService
from service.runs.run_calendar import RunSpan, run_calendar
from service.runs.run_log import lot_names, seed_of_entries
from trayvision.commands.kit import parse_tray_numbers
from trayvision.kit.guide import number_ranges

router = APIRouter(include_in_schema=False)
_MOST_LABELS: Final = 500


class Paper(StrEnum):
    """Sizes of paper, as browsers name them."""

    A4 = "A4"
    LETTER = "letter"


class Grid(Model):
    """How labels lie on a sheet: so many across and down, within the sheet's margins."""

    paper: Paper = Paper.A4
    columns: Annotated[int, Field(ge=1, le=6)] = 2
    rows: Annotated[int, Field(ge=1, le=20)] = 6
    margin_top_mm: Annotated[float, Field(ge=0, le=40)] = 10.0
    margin_side_mm: Annotated[float, Field(ge=0, le=40)] = 10.0
    cut_lines: bool = True


_PAPER_MM: Final = {Paper.A4: (210.0, 297.0), Paper.LETTER: (215.9, 279.4)}
# Below that, the words beside the number are smaller than 10 pt (`static/print.css`).
_LEGIBLE_MM: Final = (59.0, 30.0)
# A sheet that is as high as its page to the last bit would push an empty page out.
_SPARE_MM: Final = 0.2
_RULES: Final = """@page {{
  size: {paper} portrait;
  margin: {top:g}mm {side:g}mm;
  @bottom-right {{ content: none; }}
}}
@media print {{
  .label-sheet {{ width: {width:g}mm; height: {height:g}mm; }}
  .label-sheet {{ grid-template: repeat({rows}, 1fr) / repeat({columns}, 1fr); }}
}}
"""
GridQuery = Annotated[Grid, Query()]

# In one piece: a label is narrow.
_DAY_ZERO: Final = ", day\u00a00"


@dataclass(frozen=True)
class Label:
    """What stands on one label.

    Parameters
    ----------
    tray : int or None
        None: also the number is left to the pencil.
    lines : sequence of (str, str)
        Names and words; without words there is a line to write on.
    hold : bool
    """

    tray: int | None
    lines: tuple[tuple[str, str], ...] = (("spread", ""), ("due", ""), ("lot", ""))
    hold: bool = False


@dataclass(frozen=True)
class LabelPage:
    """The form and the sheets.

    Parameters
    ----------
    grid : Grid
    grid_address : str
        Of the style sheet that lays the grid out.
    typed_trays : str
    blank : str
    pencil : bool
    sheets : labels by sheet
    label_mm : (width, height)
    broken : sentences by field
    """

    grid: Grid
    grid_address: str
    typed_trays: str
    blank: str
    pencil: bool
    sheets: tuple[tuple[Label, ...], ...]
    label_mm: tuple[float, float]
    broken: dict[str, str]

    @property
    def small(self) -> bool:
        """Whether words on its labels are too small to be read at arm's length."""
        return any(mm < least for mm, least in zip(self.label_mm, _LEGIBLE_MM, strict=True))


@router.get(addresses.PRINT_LABELS_SHEET)
def grid_sheet(grid: GridQuery) -> Response:
    """Page size and grid as a style sheet, since pages hold no styles of their own."""
    width, height = _area_mm(grid)
    rules = _RULES.format(
        paper=grid.paper,
        top=grid.margin_top_mm,
        side=grid.margin_side_mm,
        width=width,
        height=height,
        rows=grid.rows,
        columns=grid.columns,
    )
    return Response(rules, media_type="text/css")


@router.get(addresses.PRINT_LABELS)
def label_page(service: TheService, request: Request) -> Response:
    """Labels of the trays that grow, or of those that are chosen."""
    typed = Typed(FormData(dict(request.query_params)))
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())

        def act() -> Response:
            grid = _grid(typed, say)
            labels = _labels(connection, say, typed)
            return show(
                request,
                connection,
                "printed/labels.html",
                _page(typed, grid, labels),
                here=addresses.MORE,
            )

        def again(said: Typed) -> Response:
            page = _page(said, _usual_grid(say), [])
            return show(request, connection, "printed/labels.html", page, here=addresses.MORE)

        return answered(typed, act, again)


def _usual_grid(say: Say) -> Grid:
    inches = say.room.length_unit is LengthUnit.INCH
    return Grid(paper=Paper.LETTER if inches else Paper.A4)


def _grid(typed: Typed, say: Say) -> Grid:
    known = {} if typed.text("paper") else {"paper": _usual_grid(say).paper}
    return typed.read(Grid, *Grid.model_fields, **known)


def _area_mm(grid: Grid) -> tuple[float, float]:
    width, height = _PAPER_MM[grid.paper]
    return width - 2 * grid.margin_side_mm, height - 2 * grid.margin_top_mm - _SPARE_MM


def _page(typed: Typed, grid: Grid, labels: list[Label]) -> LabelPage:
    width, height = _area_mm(grid)
    on_sheet = grid.columns * grid.rows
    sheets = [labels[start : start + on_sheet] for start in range(0, len(labels), on_sheet)]
    return LabelPage(
        grid=grid,
        grid_address=addresses.with_query(
            addresses.PRINT_LABELS_SHEET, grid.model_dump(mode="json").items()
        ),
        typed_trays=typed.text("trays") or "",
        blank=typed.text("blank") or "0",
        pencil=typed.text("fill") == "pencil",
        sheets=tuple(map(tuple, sheets)),
        label_mm=(round(width / grid.columns, 1), round(height / grid.rows, 1)),
        broken=dict(typed.broken),
    )


def _labels(connection: sa.Connection, say: Say, typed: Typed) -> list[Label]:
    trays, blank = _chosen(connection, typed), _blank(typed)
    if typed.text("fill") == "pencil":
        chosen = _registered(connection) if trays is None else trays
        found = [Label(tray) for tray in chosen]
    else:
        found = _filled(connection, say, trays)
    if len(found) + blank > _MOST_LABELS:
        raise Refusal("blank", f"must leave at most {_MOST_LABELS} labels, got {blank} more")
    return found + [Label(None)] * blank


def _chosen(connection: sa.Connection, typed: Typed) -> list[int] | None:
    """The trays that were named; None where none was."""
    text = typed.text("trays")
    if text is None:
        return None
    try:
        named = parse_tray_numbers(text.replace("–", "-").replace(" ", ""))
    except ValueError as error:
        raise Refusal("trays", str(error).removeprefix("trays ")) from error
    known = set(_registered(connection))
    unknown = [tray for tray in named if tray not in known]
    if unknown:
        raise Refusal("trays", f"must be in the log, but {number_ranges(unknown)} is not")
    return list(dict.fromkeys(named))


def _blank(typed: Typed) -> int:
    number = typed.number("blank") or 0
    if not 0 <= number <= _MOST_LABELS or number != int(number):
        raise Refusal("blank", f"must be a whole number up to {_MOST_LABELS}, got {number:g}")
    return int(number)


def _registered(connection: sa.Connection) -> list[int]:
    return list(trays_by_number(connection))


def _filled(connection: sa.Connection, say: Say, trays: list[int] | None) -> list[Label]:
    """Labels of what grows in these trays, or in all in which something grows."""
    growing = {one.tray: one for one in RoomNow(connection, say.room, say.now).harvests()}
    shown = sorted(growing) if trays is None else trays
    by_id = run_calendar(connection).by_id
    spans = {tray: by_id[growing[tray].run_id] for tray in shown if tray in growing}
    seed = seed_of_entries(connection, [span.row["entry_id"] for span in spans.values()])
    names = lot_names(connection)

    def lots(span: RunSpan) -> str:
        sown = seed.get(span.row["entry_id"], [])
        return ", ".join(names.get(one.lot_id, f"lot {one.lot_id}") for one in sown)

    return [
        _label(spans[tray], growing[tray], lots(spans[tray]), say) if tray in spans else Label(tray)
        for tray in shown
    ]


def _label(span: RunSpan, due: HarvestDue, lots: str, say: Say) -> Label:
    from_soak = say.room.day_zero is DayZero.SOAK and span.soaked_at is not None
    lines = [("spread", _date(span.spread_at, say, zero=not from_soak))]
    if from_soak:
        lines.insert(0, ("soaked", _date(span.soaked_at, say, zero=True)))
    lines += [("due", _date(due.forecast.harvest_at, say)), ("lot", lots)]
    return Label(span.number, tuple(lines), due.hold)


def _date(moment: datetime | None, say: Say, *, zero: bool = False) -> str:
    if moment is None:
        return ""
    return f"{say.weekday(moment)[:3]} {say.date(moment)}{_DAY_ZERO if zero else ''}"
