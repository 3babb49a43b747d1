"""Charts of shelves, by age or by warmth: their usual curves, and the runs of one of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from service.charts import Chart, Line, Stroke, Target
from service.growth.group_growth import GroupGrowth
from service.growth.room_normal import RoomNormal
from service.models.growth import RunCurves
from service.pages.growth.curve_kinds import (
    LAST_DAY,
    LAST_DEGREE_DAYS,
    Course,
    CurveKind,
    course_of,
)
from service.pages.growth.growth_charts import NAMES, Unit, normal_line, unit_of
from service.pages.growth.pace_words import runs_words
from service.pages.words import Say
from trayvision.growth.prior import Quantity

# More labels than that cannot be told apart on a phone: of more lines the outermost are named.
_MOST_NAMED = 6


@dataclass(frozen=True)
class AgeRow:
    """Values at one age: of each line of a chart, in the order of its names."""

    age: str
    values: tuple[str, ...]


@dataclass(frozen=True)
class ShelfRuns:
    """The runs of one shelf as one kind of curve compares them.

    Parameters
    ----------
    kind : CurveKind
    runs : sequence of RunCurves
        Growing and finished ones; by warmth those that it is not known of are left out.
    here : GroupGrowth or None
        What is usual on the shelf; None where no run of it has finished.
    normal : RoomNormal
        What is usual in the room.
    """

    kind: CurveKind
    runs: Sequence[RunCurves]
    here: GroupGrowth | None
    normal: RoomNormal

    @property
    def usual(self) -> tuple[GroupGrowth, ...]:
        """What is usual on the shelf, if it can be told."""
        return (self.here,) if self.here is not None and self.here.can_tell else ()

    @cached_property
    def compared(self) -> tuple[tuple[RunCurves, Course], ...]:
        """Those that can be compared, with their courses."""
        courses = ((run, course_of(run, self.kind)) for run in self.runs)
        return tuple((run, course) for run, course in courses if course is not None)

    def growing(self, say: Say) -> list[tuple[RunCurves, Course]]:
        """Those of them that have not ended."""
        return [one for one in self.compared if _grows(one[0], say)]


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
    kind = CurveKind.HEIGHT
    return _chart(kind, (*normal_line(normal, unit, LAST_DAY), *lines), target_mm, say)


def groups_alt(groups: Mapping[str, GroupGrowth]) -> str:
    """What that chart shows."""
    order = sorted(groups, key=lambda name: groups[name].lag)
    return (
        f"Chart of the usual height over days since spreading of {len(groups)} groups of runs: "
        f"{order[0]} comes up soonest, {order[-1]} latest."
    )


def shelf_runs_chart(shelf: ShelfRuns, target_mm: float | None, say: Say) -> Chart:
    """The runs of one shelf, what is usual there, and the room's normal behind them."""
    unit, last = unit_of(shelf.kind.quantity, say), _last(shelf.kind)
    faint, growing = [], []
    for run, course in shelf.compared:
        if not course.readings or course.readings[-1].age <= 0:
            continue
        if _grows(run, say):
            growing.append(_run_line(course, unit, last, Stroke.RUN, f"tray\xa0{run.tray}"))
        else:
            faint.append(_run_line(course, unit, last, Stroke.FAINT, ""))
    usual = (_line(one, unit, Stroke.PENCIL, "usual on this shelf") for one in shelf.usual)
    behind = normal_line(shelf.normal, unit, last)
    target = target_mm if shelf.kind.quantity is Quantity.HEIGHT else None
    return _chart(shelf.kind, (*behind, *usual, *faint, *growing), target, say)


def shelf_runs_alt(name: str, shelf: ShelfRuns, say: Say) -> str:
    """What that chart shows: where its lines end, the highest first."""
    growing = shelf.growing(say)
    what = "height" if shelf.kind.quantity is Quantity.HEIGHT else "cover"
    right = "thermal time" if shelf.kind.by_warmth else shelf.kind.below
    finished = len(shelf.compared) - len(growing)
    ends = _ends_words(shelf.kind, growing, say)
    return (
        f"Chart of the {what} over {right} on {name}: "
        f"{runs_words(len(growing))} growing, {runs_words(finished)} finished.{ends}"
    )


def _ends_words(kind: CurveKind, growing: list[tuple[RunCurves, Course]], say: Say) -> str:
    unit = unit_of(kind.quantity, say)
    ends = [(course.readings[-1], run.tray) for run, course in growing if course.readings]
    ends.sort(key=lambda end: -end[0].value)
    told = [
        f"tray {tray} {unit.words(last.value)} "
        + (f"after {last.age:.0f} °C d" if kind.by_warmth else f"on day {last.age:.1f}")
        for last, tray in ends
    ]
    if not told:
        return ""
    if len(told) > _MOST_NAMED:
        few = _MOST_NAMED // 2
        told = [*told[:few], f"{len(told) - 2 * few} between", *told[-few:]]
    return f" The last photos show {', '.join(told)}."


def usual_rows(
    kind: CurveKind, groups: Sequence[GroupGrowth], normal: RoomNormal, say: Say
) -> tuple[AgeRow, ...]:
    """Usual curves as a table; the room's own normal last, where there is one."""
    unit = unit_of(kind.quantity, say)
    means = [np.interp(kind.steps, group.ages, group.mean).tolist() for group in groups]
    rows = []
    for age, *there in zip(kind.steps, *means, strict=True):
        values = [unit.number(value) for value in there]
        usual = normal.at(age)
        room = "cannot tell"
        if usual is not None:
            low, middle, high = (unit.number(value) for value in usual)
            room = f"{middle} ({low} to {high})"
        rows.append(AgeRow(f"{age:g}", (*values, *((room,) if normal.ages else ()))))
    return tuple(rows)


def shelf_rows(shelf: ShelfRuns, say: Say) -> tuple[AgeRow, ...]:
    """A shelf's chart as a table: its runs up to their last readings, its usual, the room's."""
    unit = unit_of(shelf.kind.quantity, say)
    seen = [_seen(course, shelf.kind, unit) for _, course in shelf.growing(say)]
    rows = [
        AgeRow(row.age, (*values, *row.values))
        for row, *values in zip(
            usual_rows(shelf.kind, shelf.usual, shelf.normal, say), *seen, strict=True
        )
    ]
    # Beyond the last photo of all there may be nothing to say.
    return tuple(row for row in rows if any(row.values))


def _seen(course: Course, kind: CurveKind, unit: Unit) -> list[str]:
    """A run's curve at the ages of the table, empty beyond its last reading."""
    last = course.readings[-1].age if course.readings else -np.inf
    values = np.interp(kind.steps, course.ages, course.median).tolist()
    return [
        unit.number(value) if age <= last else ""
        for age, value in zip(kind.steps, values, strict=True)
    ]


def _outermost(groups: Mapping[str, GroupGrowth]) -> set[str]:
    order = sorted(groups, key=lambda name: (groups[name].lag, name))
    if len(order) <= _MOST_NAMED:
        return set(order)
    return {*order[: _MOST_NAMED // 2], *order[-(_MOST_NAMED // 2) :]}


def _last(kind: CurveKind) -> float:
    return LAST_DEGREE_DAYS if kind.by_warmth else LAST_DAY


def _chart(kind: CurveKind, lines: tuple[Line, ...], target_mm: float | None, say: Say) -> Chart:
    unit = unit_of(kind.quantity, say)
    target = None
    if target_mm is not None:
        label = f"target {unit.words(target_mm)}".replace(" ", "\xa0").replace("\xa0", " ", 1)
        target = Target(unit.factor * target_mm, label)
    return Chart(
        title=f"{NAMES[kind.quantity]}, {unit.sign}",
        below=kind.below,
        ticks=tuple((age, f"{age:g}") for age in kind.steps),
        lines=lines,
        target=target,
        top=100.0 if kind.quantity is Quantity.COVER else 0.0,
    )


def _line(group: GroupGrowth, unit: Unit, stroke: Stroke, label: str) -> Line:
    values = tuple(round(unit.factor * value, 3) for value in group.mean)
    return Line(group.ages, values, stroke, label)


def _grows(run: RunCurves, say: Say) -> bool:
    return run.ended_at is None or run.ended_at > say.now


def _run_line(course: Course, unit: Unit, until: float, stroke: Stroke, label: str) -> Line:
    """A run's curve up to its last reading."""
    last = min(course.readings[-1].age, until)
    ages = (*(age for age in course.ages if age < last), last)
    values = np.round(unit.factor * np.interp(ages, course.ages, course.median), 3)
    return Line(ages, tuple(values.tolist()), stroke, label)
