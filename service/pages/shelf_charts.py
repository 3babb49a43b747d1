"""Charts of shelves, comparable by age: their usual curves, and the runs of one of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from service.charts import Chart, Line, Stroke, Target
from service.group_growth import GroupGrowth
from service.models.growth import RunCurves
from service.pages.growth_charts import Unit, normal_line, unit_of
from service.pages.pace_words import runs_words
from service.pages.words import Say
from service.room_normal import RoomNormal
from trayvision.growth_prior import Quantity

# More labels than that cannot be told apart on a phone: of more lines the outermost are named.
_MOST_NAMED = 6
_LAST_DAY = 9


@dataclass(frozen=True)
class DayHeights:
    """Heights on one day: of each line of a chart, in the order of its names."""

    day: str
    heights: tuple[str, ...]


def groups_chart(
    groups: Mapping[str, GroupGrowth], normal: RoomNormal, target_mm: float | None, say: Say
) -> Chart:
    """Usual height of several groups of runs over days since spreading."""
    unit = unit_of(Quantity.HEIGHT, say)
    named = _outermost(groups)
    lines = [
        _line(group, unit, Stroke.RUN if name in named else Stroke.FAINT, name * (name in named))
        for name, group in groups.items()
    ]
    lines.sort(key=lambda line: line.stroke is not Stroke.FAINT)
    return _chart((*normal_line(normal, unit, _LAST_DAY), *lines), target_mm, say)


def groups_alt(groups: Mapping[str, GroupGrowth]) -> str:
    """What that chart shows."""
    order = sorted(groups, key=lambda name: groups[name].lag_days)
    return (
        f"Chart of the usual height over days since spreading of {len(groups)} groups of runs: "
        f"{order[0]} comes up soonest, {order[-1]} latest."
    )


def shelf_runs_chart(
    runs: Sequence[RunCurves],
    here: GroupGrowth | None,
    normal: RoomNormal,
    target_mm: float | None,
    say: Say,
) -> Chart:
    """The runs of one shelf by age, what is usual there, and the room's normal behind them."""
    unit = unit_of(Quantity.HEIGHT, say)
    growing = [run for run in runs if run.ended_at is None or run.ended_at > say.now]
    over = [run for run in runs if run not in growing]
    lines = [
        *(line for run in over if (line := _run_line(run, unit, Stroke.FAINT, ""))),
        *(
            line
            for run in growing
            if (line := _run_line(run, unit, Stroke.RUN, f"tray\xa0{run.tray}"))
        ),
    ]
    usual = []
    if here is not None and here.can_tell:
        usual = [_line(here, unit, Stroke.PENCIL, "usual on this shelf")]
    return _chart((*normal_line(normal, unit, _LAST_DAY), *usual, *lines), target_mm, say)


def shelf_runs_alt(name: str, runs: Sequence[RunCurves], say: Say) -> str:
    """What that chart shows."""
    growing = [run for run in runs if run.ended_at is None or run.ended_at > say.now]
    return (
        f"Chart of the height over days since spreading on {name}: "
        f"{runs_words(len(growing))} growing, {runs_words(len(runs) - len(growing))} finished."
    )


def day_heights(
    groups: Sequence[GroupGrowth], normal: RoomNormal, say: Say
) -> tuple[DayHeights, ...]:
    """The same as a table, by whole days; the room's own normal last, where there is one."""
    unit = unit_of(Quantity.HEIGHT, say)
    rows = []
    for day in range(_LAST_DAY + 1):
        heights = [
            unit.number(float(np.interp(day, group.days, group.mean_mm))) for group in groups
        ]
        usual = normal.at(day)
        room = "cannot tell"
        if usual is not None:
            low, middle, high = (unit.number(value) for value in usual)
            room = f"{middle} ({low} to {high})"
        rows.append(DayHeights(str(day), (*heights, *((room,) if normal.days else ()))))
    return tuple(rows)


def shelf_heights(
    runs: Sequence[RunCurves], here: GroupGrowth | None, normal: RoomNormal, say: Say
) -> tuple[DayHeights, ...]:
    """A shelf's chart as a table: its runs up to their last readings, its usual, the room's."""
    unit = unit_of(Quantity.HEIGHT, say)
    usual = day_heights([here] if here is not None and here.can_tell else [], normal, say)
    rows = []
    for row in usual:
        day = float(row.day)
        heights = []
        for run in runs:
            seen = run.height.points[-1].day if run.height.points else -1.0
            value = float(np.interp(day, run.height.fitted.day, run.height.fitted.median))
            heights.append(unit.number(value) if day <= seen else "")
        rows.append(DayHeights(row.day, (*heights, *row.heights)))
    return tuple(rows)


def _outermost(groups: Mapping[str, GroupGrowth]) -> set[str]:
    order = sorted(groups, key=lambda name: (groups[name].lag_days, name))
    if len(order) <= _MOST_NAMED:
        return set(order)
    return {*order[: _MOST_NAMED // 2], *order[-(_MOST_NAMED // 2) :]}


def _chart(lines: tuple[Line, ...], target_mm: float | None, say: Say) -> Chart:
    unit = unit_of(Quantity.HEIGHT, say)
    target = None
    if target_mm is not None:
        label = f"target {unit.words(target_mm)}".replace(" ", "\xa0").replace("\xa0", " ", 1)
        target = Target(unit.factor * target_mm, label)
    return Chart(
        title=f"Height of the shoots, {unit.sign}",
        below="days since spreading",
        ticks=tuple((float(day), str(day)) for day in range(_LAST_DAY + 1)),
        lines=lines,
        target=target,
    )


def _line(group: GroupGrowth, unit: Unit, stroke: Stroke, label: str) -> Line:
    values = tuple(round(unit.factor * value, 3) for value in group.mean_mm)
    return Line(group.days, values, stroke, label)


def _run_line(run: RunCurves, unit: Unit, stroke: Stroke, label: str) -> Line | None:
    """A run's curve up to its last reading; None before the first."""
    points, fitted = run.height.points, run.height.fitted
    if not points or points[-1].day <= 0:
        return None
    last = min(points[-1].day, float(_LAST_DAY))
    days = (*(day for day in fitted.day if day < last), last)
    values = np.round(unit.factor * np.interp(days, fitted.day, fitted.median), 3)
    return Line(days, tuple(values.tolist()), stroke, label)
