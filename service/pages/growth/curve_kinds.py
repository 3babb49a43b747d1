"""The ways in which growth is drawn: height or cover, by age or by warmth."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from service.models.growth import RunCurves, ThermalQuantity
from trayvision.growth.prior import Quantity

LAST_DAY: Final = 9.0
LAST_DEGREE_DAYS: Final = 180.0
_DEGREE_DAYS_APART: Final = 20.0


class CurveKind(StrEnum):
    """What a curve is of, as its chart's address names it."""

    HEIGHT = "height"
    COVER = "cover"
    THERMAL_HEIGHT = "thermal"
    THERMAL_COVER = "thermal-cover"

    @property
    def quantity(self) -> Quantity:
        """What goes up."""
        covers = (CurveKind.COVER, CurveKind.THERMAL_COVER)
        return Quantity.COVER if self in covers else Quantity.HEIGHT

    @property
    def by_warmth(self) -> bool:
        """Whether °C d go to the right instead of days."""
        return self in BY_WARMTH

    @property
    def below(self) -> str:
        """What goes to the right, in words."""
        return "°C d above 0 °C" if self.by_warmth else "days since spreading"

    @property
    def steps(self) -> tuple[float, ...]:
        """Ages that a table names: whole days, or every 20 °C d."""
        last, apart = (LAST_DEGREE_DAYS, _DEGREE_DAYS_APART) if self.by_warmth else (LAST_DAY, 1.0)
        return tuple(apart * step for step in range(round(last / apart) + 1))


BY_WARMTH: Final = (CurveKind.THERMAL_HEIGHT, CurveKind.THERMAL_COVER)


@dataclass(frozen=True)
class Reading:
    """What one photo showed at an age, with its standard uncertainty."""

    photo_id: int
    age: float
    value: float
    uncertainty: float


@dataclass(frozen=True)
class Course:
    """One run's readings and its curve over one kind of age.

    Parameters
    ----------
    readings : tuple of Reading
        By age.
    ages, median, low, high : sequence of float
    """

    readings: tuple[Reading, ...]
    ages: Sequence[float]
    median: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]


def course_of(curves: RunCurves, kind: CurveKind) -> Course | None:
    """A run's readings and curve; None by warmth where no readings of the air carry it."""
    if not kind.by_warmth:
        curve = curves.height if kind.quantity is Quantity.HEIGHT else curves.cover
        fitted = curve.fitted
        readings = tuple(
            Reading(point.photo_id, point.day, point.value, point.uncertainty)
            for point in curve.points
        )
        return Course(readings, fitted.day, fitted.median, fitted.low, fitted.high)
    if curves.thermal is None:
        return None
    cover, height = curves.thermal.cover, curves.thermal.height
    return _thermal_course(height if kind.quantity is Quantity.HEIGHT else cover)


def _thermal_course(curve: ThermalQuantity) -> Course:
    fitted = curve.fitted
    readings = tuple(
        Reading(point.photo_id, point.degree_days, point.value, point.uncertainty)
        for point in curve.points
    )
    return Course(readings, fitted.degree_days, fitted.median, fitted.low, fitted.high)
