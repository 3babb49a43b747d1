"""The look of the report's plots: warm paper, dark ink, one straw, one deep red for short."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from matplotlib import style
from matplotlib.axes import Axes
from matplotlib.figure import Figure

PAPER = "#faf6ee"
INK = "#26221c"
QUIET = "#9a9284"
STRAW = "#c9a24b"
DARK_STRAW = "#8a6a1f"
SHORT = "#9b2226"

STYLE: dict[str, Any] = {
    "figure.facecolor": PAPER,
    "axes.facecolor": PAPER,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.8,
    "axes.titlelocation": "left",
    "axes.titlesize": 11,
    "font.family": "serif",
    "font.size": 9.5,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "svg.hashsalt": "trayvision",
}
DPI = 130
_WORST_NAMED = 3


@contextmanager
def page(path: Path, title: str, *, size: tuple[float, float] = (6.2, 4.6)) -> Iterator[Axes]:
    """One plot on paper, written to `path` without any date, so that it repeats to the byte."""
    with style.context(STYLE):
        figure = Figure(figsize=size, layout="constrained")
        axes = figure.add_subplot()
        figure.suptitle(title, x=0.01, ha="left", fontsize=11)
        yield axes
        figure.savefig(path, dpi=DPI, metadata={"Software": None})


def name_worst(axes: Axes, points: Sequence[tuple[float, float, float, str]]) -> None:
    """Write the photo's name beside the points (x, y, badness, name) that are worst."""
    for x, y, _, name in sorted(points, key=lambda point: -point[2])[:_WORST_NAMED]:
        axes.annotate(name, (x, y), (6, -3), textcoords="offset points", fontsize=8, color=INK)


def say_colours(axes: Axes, good: str, bad: str) -> None:
    """Name the two colours in words of their own, in place of a legend."""
    axes.annotate(good, (1, 1), xycoords="axes fraction", color=DARK_STRAW, ha="right", va="bottom")
    axes.annotate(
        bad,
        (1, 1),
        (0, -11),
        xycoords="axes fraction",
        textcoords="offset points",
        color=SHORT,
        ha="right",
        va="bottom",
    )
