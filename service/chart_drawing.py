"""Charts drawn on the server as SVG: pencil on paper, labelled at the ends of their lines.

The same description gives the same bytes, in the tones of the day with a sheet that makes those of
the night of them: the browser chooses, and on paper it is day. Drawn by matplotlib's figures,
without pyplot and its global state; words are set beside them, since the browser's own fonts lay
them out anyway.
"""

import threading
from dataclasses import dataclass, field
from functools import lru_cache
from html import escape
from io import BytesIO
from textwrap import wrap
from typing import TYPE_CHECKING, Any, Final

from service.charts import SHEETS, Chart, Dot, Line, Sheet, Size, Stroke, Target

if TYPE_CHECKING:
    from matplotlib.figure import Figure

# What is drawn changes with this module, and with it what browsers may keep.
DRAWN_BY: Final = "3"
_LEFT, _BOTTOM, _LINE, _TEXT = 40, 66, 21, 16
_FONTS: Final = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', sans-serif"
_LETTER_PX: Final = 9.2
_ANCHORS: Final = {"left": "start", "center": "middle", "right": "end"}

# The pages' own tones by day and at night; text has a contrast of 7:1 at least on either paper.
_INKS: Final = {
    "paper": ("#f8f2e6", "#1e1610"),
    "ink": ("#2a1c11", "#f2e3c0"),
    "pencil": ("#55442f", "#e3d2ab"),
    "band": ("#d9c9a8", "#5d4a30"),
    "grey": ("#8f8676", "#8d8272"),
    "grey band": ("#e9e2d3", "#332a21"),
    "rule": ("#9a8664", "#85714f"),
}
_BY_DAY: Final = {name: day for name, (day, _) in _INKS.items()}
# As matplotlib and the words write them; what reads no sheets shows the day.
_NIGHT_RULES: Final = "".join(
    f'[style*="{what}: {day}"]{{{what}:{night} !important}}'
    for day, night in _INKS.values()
    for what in ("fill", "stroke")
)
_NIGHT: Final = (
    "<style>:root{color-scheme:light dark}"
    f"@media (prefers-color-scheme:dark){{{_NIGHT_RULES}}}</style>"
)
_STYLES: Final[dict[Stroke, tuple[str, str, float, Any]]] = {
    Stroke.PENCIL: ("pencil", "band", 2.4, "-"),
    Stroke.AHEAD: ("pencil", "band", 2.0, (0, (5, 4))),
    Stroke.USUAL: ("grey", "grey band", 2.0, "-"),
    Stroke.FAINT: ("grey", "grey band", 1.0, "-"),
    Stroke.RUN: ("pencil", "band", 1.4, "-"),
}
# matplotlib's settings are the process's own.
_DRAWING: Final = threading.Lock()


def height_of(chart: Chart, size: Size) -> int:
    """Height of a chart of some size, px; its width is `SHEETS[size].width`."""
    return SHEETS[size].plot_height + _bottom(chart) + _LINE * len(_head(chart, size)) + 10


def _bottom(chart: Chart) -> int:
    """Room under the plot, px: one line of ticks, a second one where they have it, and words."""
    return _BOTTOM if any("\n" in words for _, words in chart.ticks) else _BOTTOM - _LINE


@lru_cache(maxsize=128)
def draw(chart: Chart, size: Size) -> bytes:
    """The chart as an SVG file.

    Parameters
    ----------
    chart : Chart
    size : Size

    Returns
    -------
    bytes
        The same for the same chart and size.
    """
    with _DRAWING:
        # Loaded when the first chart is asked for: most of a service's life needs none of it.
        from matplotlib import rc_context
        from matplotlib.backends.backend_svg import FigureCanvasSVG

        settings: Any = {"svg.hashsalt": "trayvision"}
        with rc_context(settings):
            plot = _plot(chart, size)
            file = BytesIO()
            FigureCanvasSVG(plot.figure).print_svg(  # type: ignore[no-untyped-call]
                file, metadata=dict.fromkeys(("Date", "Creator", "Format", "Type"))
            )
    drawn, end, _ = file.getvalue().decode().rpartition("</svg>")
    return "\n".join([drawn, _NIGHT, *plot.words, f"{end}\n"]).encode()


def _head(chart: Chart, size: Size) -> list[str]:
    letters = int((SHEETS[size].width - 4) / _LETTER_PX)
    return [*wrap(chart.title, letters), *wrap(chart.said, letters)]


@dataclass
class _Plot:
    """One chart while it is drawn: from days and values to px, counted from the lower left."""

    figure: "Figure"
    sheet: Sheet
    days: tuple[float, float]
    top: float
    bottom: int
    height: int
    words: list[str] = field(default_factory=list)
    taken: list[tuple[float, float, float]] = field(default_factory=list)

    def x(self, day: float) -> float:
        first, last = self.days
        inner = self.sheet.width - _LEFT - self.sheet.right
        return _LEFT + inner * (day - first) / (last - first)

    def y(self, value: float) -> float:
        return self.bottom + self.sheet.plot_height * value / self.top

    def path(self, days: Any, values: Any, ink: str, width: float, dash: Any = "-") -> None:
        from matplotlib.lines import Line2D

        line = Line2D(
            [self.x(day) for day in days],
            [self.y(value) for value in values],
            color=_BY_DAY[ink],
            linewidth=width,
            linestyle=dash,
            solid_capstyle="round",
        )
        self.figure.add_artist(line)

    def band(self, line: Line, ink: str) -> None:
        from matplotlib.patches import Polygon

        there = [(self.x(d), self.y(v)) for d, v in zip(line.days, line.high, strict=True)]
        back = [(self.x(d), self.y(v)) for d, v in zip(line.days, line.low, strict=True)]
        shape = Polygon([*there, *reversed(back)], closed=True, linewidth=0)
        shape.set_facecolor(_BY_DAY[ink])
        self.figure.add_artist(shape)

    def text(
        self, x: float, y: float, words: str, *, ink: str = "ink", where: str = "left"
    ) -> None:
        style = (
            f"font-size: {_TEXT}px; font-family: {_FONTS}; "
            f"text-anchor: {_ANCHORS[where]}; fill: {_BY_DAY[ink]}"
        )
        place = f'x="{x:.6g}" y="{self.height - y:.6g}"'
        self.words.append(f'<text style="{style}" {place}>{escape(words)}</text>')

    def free_height(self, x: float, wanted: float, lines: int) -> float:
        """Middle of the nearest free place for a label beside others that begin near there."""
        height = lines * _LINE * 0.9
        near = [one for one in self.taken if abs(one[0] - x) < self.sheet.right]
        lowest = self.bottom + height / 2 - 6
        tries = sorted(
            {wanted, *(m + (h + height) / 2 * s for _, m, h in near for s in (-1, 1)), lowest},
            key=lambda middle: abs(middle - wanted),
        )
        for middle in tries:
            clear = all(abs(middle - m) >= (h + height) / 2 - 0.01 for _, m, h in near)
            if clear and middle >= lowest:
                break
        self.taken.append((x, middle, height))
        return middle


def _plot(chart: Chart, size: Size) -> _Plot:
    from matplotlib.figure import Figure

    sheet = SHEETS[size]
    height = height_of(chart, size)
    figure = Figure(figsize=(sheet.width / 72, height / 72), dpi=72, facecolor=_BY_DAY["paper"])
    # One px of the figure is one unit of its coordinates.
    days = chart.ticks[0][0], chart.ticks[-1][0]
    plot = _Plot(figure, sheet, days, _top(chart), _bottom(chart), height)
    for number, words in enumerate(_head(chart, size)):
        plot.text(2, height - _LINE * (number + 1) + 4, words)
    _draw_axes(plot, chart)
    for line in chart.lines:
        if line.low:
            plot.band(line, _STYLES[line.stroke][1])
    if chart.target is not None:
        _draw_target(plot, chart.target)
    for line in chart.lines:
        ink, _, width, dash = _STYLES[line.stroke]
        plot.path(line.days, line.values, ink, width, dash)
    for dot in chart.dots:
        _draw_dot(plot, dot)
    for line in sorted(chart.lines, key=lambda one: -one.values[-1] if one.values else 0.0):
        if line.label:
            _draw_label(plot, line.days[-1], line.values[-1], line.label)
    # Artists of a figure lie in px only where they are told so.
    from matplotlib.transforms import IdentityTransform

    for artist in figure.get_children()[1:]:
        artist.set_transform(IdentityTransform())
    return plot


def _top(chart: Chart) -> float:
    values = [value for line in chart.lines for value in (line.high or line.values)]
    values += [dot.value + dot.reach for dot in chart.dots]
    values += [chart.target.value * 1.05] if chart.target is not None else []
    return max([chart.top, *values, 1e-6]) * 1.02


def _steps(top: float) -> list[float]:
    """Round values up to the top, four or five of them."""
    from matplotlib.ticker import MaxNLocator

    ticks = MaxNLocator(nbins=5, steps=[1, 2, 2.5, 5, 10]).tick_values(0.0, top)
    return [float(tick) for tick in ticks if 0.0 <= tick <= top]


def _draw_axes(plot: _Plot, chart: Chart) -> None:
    for value in _steps(plot.top):
        plot.path(plot.days, (value, value), "rule", 0.5)
        plot.text(_LEFT - 6, plot.y(value) - 5, f"{value:g}", where="right")
    last = len(chart.ticks) - 1
    for number, (day, words) in enumerate(chart.ticks):
        above, _, under = words.partition("\n")
        if number % plot.sheet.ticks_apart == 0:
            plot.text(plot.x(day), plot.bottom - _LINE, above, where="center")
        if under and (number in (0, last) or (plot.sheet.ticks_apart == 1 and number % 3 == 0)):
            plot.text(plot.x(day), plot.bottom - 2 * _LINE, under, where=_side(number, last))
    plot.text(_LEFT, 4, chart.below)


def _side(number: int, last: int) -> str:
    return "left" if number == 0 else "center" if number < last else "right"


def _draw_target(plot: _Plot, target: Target) -> None:
    plot.path(plot.days, (target.value, target.value), "ink", 1.6, (0, (1, 3)))
    if target.met_on is not None:
        low = target.met_on if target.met_from is None else target.met_from
        high = target.met_on if target.met_until is None else target.met_until
        first, last = plot.days
        plot.path(
            (min(max(low, first), last), min(max(high, first), last)),
            (target.value, target.value),
            "ink",
            3.0,
        )
        if first <= target.met_on <= last:
            reach = 7 * plot.top / plot.sheet.plot_height
            ends = (target.value - reach, target.value + reach)
            plot.path((target.met_on, target.met_on), ends, "ink", 3.0)
    _draw_label(plot, plot.days[1], target.value, target.label)


def _draw_dot(plot: _Plot, dot: Dot) -> None:
    from matplotlib.patches import Ellipse

    low, high = max(dot.value - dot.reach, 0.0), dot.value + dot.reach
    plot.path((dot.day, dot.day), (low, high), "ink", 1.4)
    place = (plot.x(dot.day), plot.y(dot.value))
    mark = Ellipse(place, 8, 8, facecolor=_BY_DAY["paper"], linewidth=1.8)
    mark.set_edgecolor(_BY_DAY["ink"])
    plot.figure.add_artist(mark)


def _draw_label(plot: _Plot, day: float, value: float, label: str) -> None:
    lines = wrap(label, plot.sheet.label_letters)
    x, wanted = plot.x(day), plot.y(value)
    middle = plot.free_height(x, wanted, len(lines))
    for number, words in enumerate(lines):
        below = (number - (len(lines) - 1) / 2) * _LINE * 0.9
        plot.text(x + 10, middle - below - 5, words)
    if abs(middle - wanted) > 3:
        first, last = plot.days
        px = (last - first) / (plot.sheet.width - _LEFT - plot.sheet.right)
        value_at = (middle - plot.bottom) * plot.top / plot.sheet.plot_height
        plot.path((day + px, day + 8 * px), (value, value_at), "pencil", 0.8)
