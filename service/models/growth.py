"""Growth curves and forecasts."""

from datetime import datetime

from pydantic import Field

from service.models.base import Model


class CurvePoint(Model):
    """One reading of a run with its standard uncertainty."""

    photo_id: int
    taken_at: datetime
    day: float
    value: float
    uncertainty: float
    watering: str


class FittedCurve(Model):
    """The curve over `day`, with the interval that holds it with probability `coverage`."""

    shape: str
    day: list[float]
    median: list[float]
    low: list[float]
    high: list[float]
    coverage: float
    prior: str = Field(description="What the fit started from.")


class Forecast(Model):
    """When the harvest target is met."""

    target_shoot_height_mm: float | None
    target_day: float | None
    harvest_at: datetime | None = Field(description="As likely before as after; null: never.")
    low_at: datetime | None
    high_at: datetime | None
    coverage: float
    probability_met: float
    standard_uncertainty_hours: float | None


class QuantityCurve(Model):
    """Points and curve of one quantity of one run."""

    quantity: str
    unit: str
    points: list[CurvePoint]
    fitted: FittedCurve


class ThermalPoint(Model):
    """One reading of a run over thermal time since spreading."""

    photo_id: int
    degree_days: float
    value: float
    uncertainty: float


class ThermalCurve(Model):
    """Shoot height over thermal time (°C d above 0 °C), where room readings carry it."""

    known_until: datetime = Field(description="Up to when the readings carry thermal time.")
    mean_c: float | None
    points: list[ThermalPoint]
    degree_days: list[float]
    median: list[float]
    low: list[float]
    high: list[float]
    coverage: float
    forecast: Forecast
    prior: str


class RunCurves(Model):
    """Growth of one run by age, day 0 the spreading."""

    run_id: int
    tray: int
    shelf_id: int | None
    grain: str
    spread_at: datetime
    soaked_at: datetime | None
    ended_at: datetime | None
    height: QuantityCurve
    cover: QuantityCurve
    thermal: ThermalCurve | None = Field(description="Null without room readings.")
    forecast: Forecast


class ShelfUsual(Model):
    """The usual growth on one shelf: what its finished runs teach."""

    runs: int
    day: list[float]
    mean: list[float]
    mean_uncertainty: list[float]
    run_low: list[float]
    run_high: list[float]
    lag_days: float = Field(description="Later than the room's average, negative when sooner.")
    lag_uncertainty_days: float


class ShelfCurves(Model):
    """All runs that stand on a shelf now, or ended there, comparable by age."""

    shelf_id: int
    shelf: str
    runs: list[RunCurves]
    usual: ShelfUsual
