"""Growth of one run over thermal time as its tray's page shows it."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from service.charts import Chart, Dot
from service.growth.room_normal import RoomNormal
from service.models.growth import RunCurves
from service.pages import addresses
from service.pages.growth.chart_pictures import ChartShown, chart_shown
from service.pages.growth.curve_kinds import BY_WARMTH, Course, CurveKind, course_of
from service.pages.growth.forecast_words import ready_words, target_words
from service.pages.growth.growth_charts import (
    BAR_SIGMAS,
    NAMES,
    normal_line,
    seen_and_ahead,
    side_of_usual,
    unit_of,
)
from service.pages.words import Say
from trayvision.growth.prior import Quantity

# By kind of curve, over °C d.
Normals = Mapping[CurveKind, RoomNormal]


@dataclass(frozen=True)
class WarmthRow:
    """Height and cover after so much warmth: of one photo, or of the curves."""

    degree_days: str
    height: str
    cover: str


@dataclass(frozen=True)
class WarmthShown:
    """Height and cover over thermal time.

    Parameters
    ----------
    words : str
        How warm it was, and when the run is ready by that.
    usual : tuple of str
        How each lies against what is usual after that much warmth.
    charts : tuple of ChartShown
    readings : tuple of WarmthRow
        By photo.
    steps : tuple of WarmthRow
        The curves with their intervals, every 20 °C d.
    """

    words: str
    usual: tuple[str, ...]
    charts: tuple[ChartShown, ...]
    readings: tuple[WarmthRow, ...]
    steps: tuple[WarmthRow, ...]


def warmth_shown(curves: RunCurves, normals: Normals, say: Say) -> WarmthShown | None:
    """A run over thermal time; None where no readings of the air carry it."""
    thermal = curves.thermal
    courses = {kind: course for kind in BY_WARMTH if (course := course_of(curves, kind))}
    if thermal is None or not courses:
        return None
    last = max(reading.age for course in courses.values() for reading in course.readings)
    growing = curves.ended_at is None or curves.ended_at > say.now
    forecast = thermal.forecast
    told = growing and target_words(forecast, say) and not forecast.by_days_alone
    ready = f" By warmth: {ready_words(forecast, say)}." if told else ""
    words = (
        f"{last:.0f} degree-days (°C) from spreading to the last photo within the readings, "
        f"{say.temperature(thermal.mean_c)} on average, by readings of the air "
        f"that hold until {say.moment(thermal.known_until)}.{ready}"
    )
    return WarmthShown(
        words,
        _usual(courses, normals, say),
        tuple(
            chart_shown(
                warmth_chart(kind, course, normals[kind], say),
                addresses.run_chart(curves.run_id, kind),
                _alt(curves.tray, kind, course, say),
            )
            for kind, course in courses.items()
        ),
        _reading_rows(courses, say),
        _step_rows(courses, say),
    )


def warmth_chart(kind: CurveKind, course: Course, normal: RoomNormal, say: Say) -> Chart:
    """Height or cover of one run over thermal time, the room's normal behind it."""
    unit = unit_of(kind.quantity, say)
    seen = course.readings[-1].age if course.readings else 0.0
    last = max(course.ages)
    step = 20.0 * np.ceil(last / 200.0)
    ticks = tuple((float(value), f"{value:g}") for value in np.arange(0.0, last + step, step))
    ends = (seen, last)
    own = seen_and_ahead(course.ages, (course.median, course.low, course.high), unit, ends)
    return Chart(
        title=f"{NAMES[kind.quantity]}, {unit.sign}",
        below=kind.below,
        ticks=ticks,
        lines=(*normal_line(normal, unit, last), *own),
        dots=tuple(
            Dot(one.age, unit.factor * one.value, unit.factor * BAR_SIGMAS * one.uncertainty)
            for one in course.readings
        ),
        top=100.0 if kind.quantity is Quantity.COVER else 0.0,
    )


def _alt(tray: int, kind: CurveKind, course: Course, say: Say) -> str:
    unit = unit_of(kind.quantity, say)
    what = f"Chart of tray {tray}, {NAMES[kind.quantity].lower()} over thermal time"
    if not course.readings:
        return f"{what}: no reading yet, only what is expected."
    first, last = course.readings[0], course.readings[-1]
    return (
        f"{what}: from {unit.words(first.value)} after {first.age:.0f} degree-days to "
        f"{unit.words(last.value)} after {last.age:.0f}."
    )


def _usual(courses: Mapping[CurveKind, Course], normals: Normals, say: Say) -> tuple[str, ...]:
    said = [_usual_words(kind, course, normals[kind], say) for kind, course in courses.items()]
    told = tuple(words for words in said if words)
    if told:
        return told
    runs = max(normal.runs for normal in normals.values())
    words = (
        "What is usual in this room after that much warmth cannot be told yet "
        f"({runs or 'no'} finished {'run' if runs == 1 else 'runs'} to go by)."
    )
    return (words,)


def _usual_words(kind: CurveKind, course: Course, normal: RoomNormal, say: Say) -> str:
    """Empty where it cannot be told."""
    usual = normal.at(course.readings[-1].age) if course.readings else None
    if usual is None:
        return ""
    name = "Height" if kind.quantity is Quantity.HEIGHT else "Cover"
    unit, last = unit_of(kind.quantity, say), course.readings[-1]
    side = side_of_usual(last.value, last.uncertainty, usual)
    how = ("less than", "as", "more than")[side + 1]
    between = f"{unit.number(usual[0])} to {unit.words(usual[2])}"
    return f"{name}: {how} usual in this room after that much warmth ({between})."


def _reading_rows(courses: Mapping[CurveKind, Course], say: Say) -> tuple[WarmthRow, ...]:
    """One row for each photo that shows either."""
    ages = {one.photo_id: one.age for course in courses.values() for one in course.readings}

    def said(kind: CurveKind, photo_id: int) -> str:
        unit = unit_of(kind.quantity, say)
        for one in courses[kind].readings:
            if one.photo_id == photo_id:
                return f"{unit.number(one.value)} ± {unit.words(BAR_SIGMAS * one.uncertainty)}"
        return ""

    return tuple(
        WarmthRow(f"{age:.0f}", *(said(kind, photo_id) for kind in BY_WARMTH))
        for photo_id, age in sorted(ages.items(), key=lambda one: (one[1], one[0]))
    )


def _step_rows(courses: Mapping[CurveKind, Course], say: Say) -> tuple[WarmthRow, ...]:
    steps = CurveKind.THERMAL_HEIGHT.steps

    def said(kind: CurveKind) -> list[str]:
        course, unit = courses[kind], unit_of(kind.quantity, say)
        lines = (
            np.interp(steps, course.ages, values).tolist()
            for values in (course.median, course.low, course.high)
        )
        return [
            f"{unit.words(value)} ({unit.number(low)} to {unit.number(high)})"
            for value, low, high in zip(*lines, strict=True)
        ]

    return tuple(
        WarmthRow(f"{age:.0f}", *values)
        for age, *values in zip(steps, *map(said, BY_WARMTH), strict=True)
    )
