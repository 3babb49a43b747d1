"""Growth of one run as its tray's page shows it: charts, the same figures, and their words."""

from dataclasses import dataclass

import numpy as np

from service.growth.growth import RoomGrowth
from service.growth.room_normal import RoomNormal, room_normal
from service.growth.run_series import RunReadings
from service.models.growth import RunCurves
from service.pages import addresses
from service.pages.growth.chart_pictures import ChartShown, chart_shown
from service.pages.growth.curve_kinds import BY_WARMTH
from service.pages.growth.forecast_words import by_day, interval_words, ready_words, target_words
from service.pages.growth.growth_charts import (
    BAR_SIGMAS,
    DayRow,
    PhotoRow,
    against_usual,
    day_rows,
    photo_rows,
    run_alt,
    run_chart,
    side_of_usual,
    unit_of,
)
from service.pages.tray.tray_warmth import Normals, WarmthShown, warmth_shown
from service.pages.words import Say
from trayvision.growth.prior import Quantity


@dataclass(frozen=True)
class QuantityShown:
    """Height or cover of a run.

    Parameters
    ----------
    name, unit : str
    words : str
        The last reading, and how it lies against the room's own normal.
    chart : ChartShown
    readings : tuple of PhotoRow
    days : tuple of DayRow
    """

    name: str
    unit: str
    words: str
    chart: ChartShown
    readings: tuple[PhotoRow, ...]
    days: tuple[DayRow, ...]


@dataclass(frozen=True)
class GrowthShown:
    """How a run grows.

    Parameters
    ----------
    forecast : str
        When it will be ready, empty for a run that has ended.
    interval, target : str
        How sure that is; what it is to reach.
    as_usual : bool or None
        Whether the last height is as usual in this room; None where that cannot be told.
    height, cover : QuantityShown
    warmth : WarmthShown or None
    """

    forecast: str
    interval: str
    target: str
    as_usual: bool | None
    height: QuantityShown
    cover: QuantityShown
    warmth: WarmthShown | None


def growth_shown(growth: RoomGrowth, readings: RunReadings, say: Say) -> GrowthShown:
    """Curves, forecast and normal of one run."""
    curves, normals = growth.curves(readings), normals_of(growth, readings)
    growing = curves.ended_at is None or curves.ended_at > say.now
    return GrowthShown(
        forecast=ready_words(curves.forecast, say) if growing else "",
        interval=f"{interval_words(curves.forecast, say)}{_expected(curves, say)}"
        if growing
        else "",
        target=target_words(curves.forecast, say),
        as_usual=_as_usual(curves, normals[Quantity.HEIGHT]),
        height=_quantity(curves, Quantity.HEIGHT, normals[Quantity.HEIGHT], say),
        cover=_quantity(curves, Quantity.COVER, normals[Quantity.COVER], say),
        warmth=warmth_shown(curves, thermal_normals_of(growth, readings), say),
    )


def _expected(curves: RunCurves, say: Say) -> str:
    """How tall a tray will be that its day makes due; empty where the height decides."""
    forecast, curve = curves.forecast, curves.height.fitted
    day = forecast.target_day
    if day is None or forecast.by_days_alone or not by_day(forecast):
        return ""
    if forecast.harvest_at is None or forecast.harvest_at <= say.now or day > curve.day[-1]:
        return ""
    height_mm = float(np.interp(day, curve.day, curve.median))
    return f" About {say.length(height_mm)} are expected by then."


def normals_of(growth: RoomGrowth, readings: RunReadings) -> dict[Quantity, RoomNormal]:
    """What is normal for a run's grain; a finished run is none of its own measure."""
    finished = any(run.span.id == readings.span.id for run in growth.finished)
    return {
        quantity: room_normal(
            growth.teaching_for(readings, quantity)
            if finished
            else growth.teaching(quantity, readings.grain)
        )
        for quantity in Quantity
    }


def thermal_normals_of(growth: RoomGrowth, readings: RunReadings) -> Normals:
    """What is normal for a run's grain over °C d; a finished run is none of its own measure."""
    return {
        kind: room_normal(growth.thermal_teaching_for(readings, kind.quantity).of_room)
        for kind in BY_WARMTH
    }


def _as_usual(curves: RunCurves, normal: RoomNormal) -> bool | None:
    if not curves.height.points:
        return None
    last = curves.height.points[-1]
    usual = normal.at(last.day)
    if usual is None:
        return None
    return side_of_usual(last.value, last.uncertainty, usual) == 0


def _quantity(curves: RunCurves, quantity: Quantity, normal: RoomNormal, say: Say) -> QuantityShown:
    curve = curves.height if quantity is Quantity.HEIGHT else curves.cover
    unit = unit_of(quantity, say)
    words = against_usual(curves, quantity, normal, say)
    if curve.points:
        last = curve.points[-1]
        spread = unit.words(BAR_SIGMAS * last.uncertainty)
        what = "Shoots" if quantity is Quantity.HEIGHT else "Covered"
        said = f"{what} {unit.words(last.value)}, give or take {spread}"
        # Of a tray that was split the last cover is older than the last photo.
        words = f"{said}, in the photo of {say.moment(last.taken_at)}. {words}"
    return QuantityShown(
        name="Height" if quantity is Quantity.HEIGHT else "Cover",
        unit=unit.sign,
        words=words,
        chart=chart_shown(
            run_chart(curves, quantity, normal, say),
            addresses.run_chart(
                curves.run_id, "height" if quantity is Quantity.HEIGHT else "cover"
            ),
            run_alt(curves, quantity, say),
        ),
        readings=photo_rows(curves, quantity, normal, say),
        days=day_rows(curves, quantity, normal, say),
    )
