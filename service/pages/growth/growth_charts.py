"""Charts of growth in the units and words of their reader, and the same figures as a table."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from service.charts import Chart, Dot, Line, Stroke, Target
from service.growth.room_normal import RoomNormal
from service.models.growth import QuantityCurve, RunCurves
from service.models.room import LengthUnit
from service.pages.growth.forecast_words import ready_words
from service.pages.words import MM_IN_AN_INCH, Say
from trayvision.growth.prior import Quantity
from trayvision.measurement import WITHIN_95

# Readings are told alike on all pages; the bands of curves and forecasts hold nine of ten.
BAR_SIGMAS: Final = WITHIN_95
_MOST_TICKS: Final = 11
NAMES: Final = {Quantity.HEIGHT: "Height of the shoots", Quantity.COVER: "Covered by shoots"}


@dataclass(frozen=True)
class Unit:
    """How values of a quantity are shown: what they are multiplied with, and its sign."""

    factor: float
    sign: str
    digits: int

    def words(self, value: float) -> str:
        """Such as "10.6 cm"."""
        return f"{self.factor * value:.{self.digits}f} {self.sign}"

    def number(self, value: float) -> str:
        """The same without the sign."""
        return f"{self.factor * value:.{self.digits}f}"


@dataclass(frozen=True)
class PhotoRow:
    """One reading of a run as its table shows it."""

    photo_id: int
    when: str
    day: str
    value: str
    usual: str


@dataclass(frozen=True)
class DayRow:
    """The curve on one day: likeliest value, its interval, the room's normal."""

    day: str
    date: str
    value: str
    between: str
    usual: str


def unit_of(quantity: Quantity, say: Say) -> Unit:
    """The room's unit of a quantity."""
    if quantity is Quantity.COVER:
        return Unit(100.0, "%", 0)
    inches = say.room.length_unit is LengthUnit.INCH
    return Unit(1 / (MM_IN_AN_INCH if inches else 10.0), str(say.room.length_unit), 1)


def run_chart(curves: RunCurves, quantity: Quantity, normal: RoomNormal, say: Say) -> Chart:
    """Height or cover of one run over days since spreading, the room's normal behind it."""
    curve, unit = _curve(curves, quantity), unit_of(quantity, say)
    last = _last_day(curves, curve)
    target = _target(curves, unit, say) if quantity is Quantity.HEIGHT else None
    growing = curves.ended_at is None or curves.ended_at > say.now
    forecast = ready_words(curves.forecast, say)
    said = f"{forecast[0].upper()}{forecast[1:]}." if growing and target is not None else ""
    return Chart(
        title=f"{NAMES[quantity]}, {unit.sign}",
        below="days since spreading",
        ticks=_dated_ticks(curves, last, say),
        lines=(*normal_line(normal, unit, last), *_own_lines(curve, unit, last)),
        dots=tuple(
            Dot(p.day, unit.factor * p.value, unit.factor * BAR_SIGMAS * p.uncertainty)
            for p in curve.points
            if p.day <= last
        ),
        target=target,
        said=said,
        top=100.0 if quantity is Quantity.COVER else 0.0,
    )


def run_alt(curves: RunCurves, quantity: Quantity, say: Say) -> str:
    """What the chart of a run shows; the words above it say how that compares."""
    curve, unit = _curve(curves, quantity), unit_of(quantity, say)
    what = f"Chart of tray {curves.tray}, {NAMES[quantity].lower()}"
    if not curve.points:
        return f"{what}: no reading yet, only what is expected."
    first, last = curve.points[0], curve.points[-1]
    return (
        f"{what}: from {unit.words(first.value)} on day "
        f"{first.day:.1f} to {unit.words(last.value)} on day {last.day:.1f} since spreading."
    )


def against_usual(curves: RunCurves, quantity: Quantity, normal: RoomNormal, say: Say) -> str:
    """The last reading against the room's own normal at that age, in a sentence."""
    curve, unit = _curve(curves, quantity), unit_of(quantity, say)
    if not curve.points:
        return "No photo has shown it yet."
    last = curve.points[-1]
    usual = normal.at(last.day)
    if usual is None:
        return (
            "What is usual in this room at that age cannot be told yet "
            f"({normal.runs or 'no'} finished {'run' if normal.runs == 1 else 'runs'} to go by)."
        )
    between = f"{unit.number(usual[0])} to {unit.words(usual[2])} is usual in this room at that age"
    side = side_of_usual(last.value, last.uncertainty, usual)
    return f"That is {('less than', 'as', 'more than')[side + 1]} usual: {between}."


def side_of_usual(value: float, uncertainty: float, usual: tuple[float, float, float]) -> int:
    """-1 below, 0 within, 1 above what is usual: outside only where the reading's whole bar is."""
    reach = BAR_SIGMAS * uncertainty
    return int(value - reach > usual[2]) - int(value + reach < usual[0])


def photo_rows(
    curves: RunCurves, quantity: Quantity, normal: RoomNormal, say: Say
) -> tuple[PhotoRow, ...]:
    """The readings of a run, latest last."""
    curve, unit = _curve(curves, quantity), unit_of(quantity, say)
    return tuple(
        PhotoRow(
            point.photo_id,
            say.moment(point.taken_at),
            f"{point.day:.1f}",
            f"{unit.number(point.value)} ± {unit.words(BAR_SIGMAS * point.uncertainty)}",
            _usual_words(normal, unit, point.day),
        )
        for point in curve.points
    )


def day_rows(
    curves: RunCurves, quantity: Quantity, normal: RoomNormal, say: Say
) -> tuple[DayRow, ...]:
    """The curve of a run on whole days, with the room's normal."""
    curve, unit = _curve(curves, quantity), unit_of(quantity, say)
    fitted, last = curve.fitted, _last_day(curves, curve)
    rows = []
    for day, value, low, high in zip(
        fitted.day, fitted.median, fitted.low, fitted.high, strict=True
    ):
        if day != round(day) or day > last:
            continue
        rows.append(
            DayRow(
                f"{day:g}",
                say.date(curves.spread_at + timedelta(days=day)),
                unit.words(value),
                f"{unit.number(low)} to {unit.number(high)}",
                _usual_words(normal, unit, day),
            )
        )
    return tuple(rows)


def _usual_words(normal: RoomNormal, unit: Unit, day: float) -> str:
    usual = normal.at(day)
    return "" if usual is None else f"{unit.number(usual[0])} to {unit.number(usual[2])}"


def _curve(curves: RunCurves, quantity: Quantity) -> QuantityCurve:
    return curves.height if quantity is Quantity.HEIGHT else curves.cover


def _last_day(curves: RunCurves, curve: QuantityCurve) -> float:
    """Up to when a run is drawn: its end, or as far as its curve goes."""
    drawn = curve.fitted.day[-1]
    if curves.ended_at is None:
        return drawn
    return min(drawn, max((curves.ended_at - curves.spread_at).total_seconds() / 86400, 1.0))


def _dated_ticks(curves: RunCurves, last: float, say: Say) -> tuple[tuple[float, str], ...]:
    step = max(1, int(np.ceil(last / _MOST_TICKS)))
    days = np.arange(0, np.ceil(last) + step, step)
    days = days[days < last + step]
    return tuple(
        (float(day), f"{day:g}\n{say.short_date(curves.spread_at + timedelta(days=float(day)))}")
        for day in days
    )


def _target(curves: RunCurves, unit: Unit, say: Say) -> Target | None:
    forecast = curves.forecast
    if forecast.target_shoot_height_mm is None:
        return None
    value = unit.factor * forecast.target_shoot_height_mm
    height = unit.words(forecast.target_shoot_height_mm).replace(" ", "\xa0")
    label = f"target {height}"
    if curves.ended_at is not None and curves.ended_at <= say.now:
        return Target(value, label)
    met = (forecast.harvest_at, forecast.low_at, forecast.high_at)
    return Target(value, label, *(_day(curves, moment) for moment in met))


def _day(curves: RunCurves, moment: datetime | None) -> float | None:
    return None if moment is None else (moment - curves.spread_at).total_seconds() / 86400


def normal_line(normal: RoomNormal, unit: Unit, last: float) -> tuple[Line, ...]:
    """The room's own normal up to an age: its median with its band; nothing while not known."""
    kept = [index for index, age in enumerate(normal.ages) if age <= last]
    if not kept:
        return ()

    def of(values: Sequence[float]) -> tuple[float, ...]:
        return tuple(round(unit.factor * values[index], 3) for index in kept)

    ages = tuple(normal.ages[index] for index in kept)
    line = Line(
        ages, of(normal.median), Stroke.USUAL, "usual in this room", of(normal.low), of(normal.high)
    )
    return (line,)


def _own_lines(curve: QuantityCurve, unit: Unit, last: float) -> tuple[Line, ...]:
    fitted = curve.fitted
    seen = min(curve.points[-1].day, last) if curve.points else 0.0
    return seen_and_ahead(fitted.day, (fitted.median, fitted.low, fitted.high), unit, (seen, last))


def seen_and_ahead(
    days: Sequence[float],
    curves: tuple[Sequence[float], Sequence[float], Sequence[float]],
    unit: Unit,
    ends: tuple[float, float],
) -> tuple[Line, ...]:
    """A curve up to the last reading, and its dashed continuation from there on."""
    seen, last = ends

    def part(first: float, until: float, stroke: Stroke, label: str) -> Line:
        at = [first, *(day for day in days if first < day < until), until]
        median, low, high = (
            tuple(np.round(unit.factor * np.interp(at, days, values), 3).tolist())
            for values in curves
        )
        return Line(tuple(at), median, stroke, label, low, high)

    lines = []
    if seen > 0:
        lines.append(part(0.0, seen, Stroke.PENCIL, "" if last > seen else "this tray"))
    if last > seen:
        lines.append(part(seen, last, Stroke.AHEAD, "this tray"))
    return tuple(lines)
