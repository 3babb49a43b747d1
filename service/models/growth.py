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
    day: tuple[float, ...]
    median: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    coverage: float
    prior: str = Field(description="What the fit started from.")


class Forecast(Model):
    """When the harvest target is met; without a target nothing is forecast."""

    target_shoot_height_mm: float | None = None
    target_day: float | None = None
    harvest_at: datetime | None = Field(
        default=None, description="As likely before as after; null: never, or no target is set."
    )
    low_at: datetime | None = None
    high_at: datetime | None = None
    coverage: float
    probability_met: float | None = Field(default=None, description="Null: no target is set.")
    standard_uncertainty_hours: float | None = None
    by_days_alone: bool = Field(
        default=False, description="No height of it was measured yet: reckoned from its days."
    )


class QuantityCurve(Model):
    """Points and curve of one quantity of one run."""

    quantity: str
    unit: str
    points: tuple[CurvePoint, ...]
    fitted: FittedCurve


class ThermalPoint(Model):
    """One reading of a run over thermal time since spreading."""

    photo_id: int
    degree_days: float
    value: float
    uncertainty: float


class ThermalFit(Model):
    """The curve over `degree_days`, with the interval that holds it with `coverage`."""

    shape: str
    degree_days: tuple[float, ...]
    median: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    coverage: float
    prior: str = Field(description="What the fit started from.")


class ThermalQuantity(Model):
    """Points and curve of one quantity of one run over thermal time."""

    quantity: str
    unit: str
    points: list[ThermalPoint]
    fitted: ThermalFit


class ThermalCurve(Model):
    """Height and cover over thermal time (°C d above 0 °C), where room readings carry it."""

    known_until: datetime = Field(description="Up to when the readings carry thermal time.")
    mean_c: float
    height: ThermalQuantity
    cover: ThermalQuantity
    forecast: Forecast = Field(description="Of the height, by the warmth read and expected.")


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


class ThermalUsual(Model):
    """The usual growth on one shelf over thermal time."""

    runs: int
    degree_days: list[float]
    mean: list[float]
    mean_uncertainty: list[float]
    run_low: list[float]
    run_high: list[float]
    lag_degree_days: float = Field(description="Later than the room's average; negative: sooner.")
    lag_uncertainty_degree_days: float
    prior: str = Field(description="What it was learned from.")


class ShelfCurves(Model):
    """All runs that stand on a shelf now, or ended there, comparable by age and by warmth."""

    shelf_id: int
    shelf: str
    runs: list[RunCurves]
    usual: ShelfUsual = Field(description="Shoot height, mm.")
    usual_cover: ShelfUsual
    thermal_usual: ThermalUsual | None = Field(
        description="Shoot height, mm. Null: no finished run's warmth is known."
    )
    thermal_usual_cover: ThermalUsual | None
