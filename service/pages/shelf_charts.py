"""Charts of shelves, by age or by warmth: their usual curves, and the runs of one of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from service.charts import Chart, Line, Stroke, Target
from service.group_growth import GroupGrowth
from service.models.growth import RunCurves
from service.pages.curve_kinds import LAST_DAY, LAST_DEGREE_DAYS, CurveKind, course_of
from service.pages.growth_charts import NAMES, Unit, normal_line, unit_of
from service.pages.pace_words import runs_words
from service.pages.words import Say
from service.room_normal import RoomNormal
from trayvision.growth_prior import Quantity

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

    def growing(self, say: Say) -> list[RunCurves]:
        """Those that can be compared and have not ended."""
        return [
            run
            for run in self.runs
            if (run.ended_at is None or run.ended_at > say.now) and course_of(run, self.kind)
        ]


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
    unit, growing = unit_of(shelf.kind.quantity, say), shelf.growing(say)
    lines = [
        line
        for run in sorted(shelf.runs, key=lambda run: run in growing)
        if (line := _run_line(run, shelf.kind, unit, growing=run in growing))
    ]
    usual = (_line(one, unit, Stroke.PENCIL, "usual on this shelf") for one in shelf.usual)
    behind = normal_line(shelf.normal, unit, _last(shelf.kind))
    target = target_mm if shelf.kind.quantity is Quantity.HEIGHT else None
    return _chart(shelf.kind, (*behind, *usual, *lines), target, say)


def shelf_runs_alt(name: str, shelf: ShelfRuns, say: Say) -> str:
    """What that chart shows."""
    growing = shelf.growing(say)
    over = sum(run not in growing and course_of(run, shelf.kind) is not None for run in shelf.runs)
    what = "height" if shelf.kind.quantity is Quantity.HEIGHT else "cover"
    right = "thermal time" if shelf.kind.by_warmth else shelf.kind.below
    return (
        f"Chart of the {what} over {right} on {name}: "
        f"{runs_words(len(growing))} growing, {runs_words(over)} finished."
    )


def usual_rows(
    kind: CurveKind, groups: Sequence[GroupGrowth], normal: RoomNormal, say: Say
) -> tuple[AgeRow, ...]:
    """Usual curves as a table; the room's own normal last, where there is one."""
    unit = unit_of(kind.quantity, say)
    rows = []
    for age in kind.steps:
        values = [unit.number(float(np.interp(age, group.ages, group.mean))) for group in groups]
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
    courses = [course_of(run, shelf.kind) for run in shelf.growing(say)]
    rows = []
    for row in usual_rows(shelf.kind, shelf.usual, shelf.normal, say):
        age = float(row.age)
        values = [
            unit.number(float(np.interp(age, course.ages, course.median)))
            if course.readings and age <= course.readings[-1].age
            else ""
            for course in courses
            if course is not None
        ]
        rows.append(AgeRow(row.age, (*values, *row.values)))
    return tuple(rows)


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


def _run_line(run: RunCurves, kind: CurveKind, unit: Unit, *, growing: bool) -> Line | None:
    """A run's curve up to its last reading; None before the first."""
    course = course_of(run, kind)
    if course is None or not course.readings or course.readings[-1].age <= 0:
        return None
    last = min(course.readings[-1].age, _last(kind))
    ages = (*(age for age in course.ages if age < last), last)
    values = tuple(np.round(unit.factor * np.interp(ages, course.ages, course.median), 3).tolist())
    if not growing:
        return Line(ages, values, Stroke.FAINT, "")
    return Line(ages, values, Stroke.RUN, f"tray\xa0{run.tray}")
