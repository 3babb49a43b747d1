"""What a chart shows, in the units and words of its reader; drawn by `service.chart_drawing`."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Size(StrEnum):
    """How wide a chart is shown at least: text of 16 px stays 16 px."""

    PHONE = "phone"
    DESK = "desk"


class Stroke(StrEnum):
    """How a line is drawn."""

    PENCIL = "pencil"
    AHEAD = "ahead"
    USUAL = "usual"
    FAINT = "faint"
    RUN = "run"


@dataclass(frozen=True)
class Line:
    """One line over days, or over °C d where its chart says so.

    Parameters
    ----------
    days, values : tuple of float
    stroke : Stroke
        PENCIL what was seen, AHEAD its dashed continuation, USUAL grey, FAINT thin and
        grey, RUN thin: one of several.
    label : str
        Stands at the line's end; none where empty.
    low, high : tuple of float
        Band around it; none where empty.
    """

    days: tuple[float, ...]
    values: tuple[float, ...]
    stroke: Stroke
    label: str = ""
    low: tuple[float, ...] = ()
    high: tuple[float, ...] = ()


@dataclass(frozen=True)
class Dot:
    """One reading with half the length of its bar."""

    day: float
    value: float
    reach: float


@dataclass(frozen=True)
class Target:
    """A dotted line across at a value, and when it is expected to be met."""

    value: float
    label: str
    met_on: float | None = None
    met_from: float | None = None
    met_until: float | None = None


@dataclass(frozen=True)
class Chart:
    """Everything that one chart shows, in the units and words of its reader.

    Parameters
    ----------
    title : str
        What goes up, with its unit; stands over the axis.
    below : str
        What goes to the right.
    ticks : tuple of (day, words)
        Words under days; those of the least and largest day are always shown.
    lines : tuple of Line
        Drawn in this order, the last on top.
    dots : tuple of Dot
    target : Target or None
    said : str
        A sentence under the title.
    top : float
        Least upper end of the values' axis.
    """

    title: str
    below: str
    ticks: tuple[tuple[float, str], ...]
    lines: tuple[Line, ...]
    dots: tuple[Dot, ...] = ()
    target: Target | None = None
    said: str = ""
    top: float = 0.0


@dataclass(frozen=True)
class Sheet:
    """Widths of one size of chart, px."""

    width: int
    plot_height: int
    right: int
    ticks_apart: int
    label_letters: int


SHEETS: Final = {
    Size.PHONE: Sheet(324, 230, 104, 2, 11),
    Size.DESK: Sheet(720, 290, 170, 1, 18),
}
