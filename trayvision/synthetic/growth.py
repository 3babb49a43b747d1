"""Growth runs drawn with known truth, to show that a forecast holds as often as it says.

Synthetic: no published height-by-day series exists. The room's averages, the spread between
runs, shelves and hours, the readings' noise, outliers and gaps are stated in the dataclasses.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from trayvision.growth.fit import GrowthPoint
from trayvision.growth.prior import REFERENCE_TEMPERATURE_C
from trayvision.growth.sigmoid import Shape, age_at_value, sigmoid
from trayvision.growth.thermal_time import RoomReading

Floats = NDArray[np.float64]

_HOURS = 21 * 24


@dataclass(frozen=True, slots=True)
class ReadingHabits:
    """How a synthetic grower takes photos, and how wrong their readings are.

    Parameters
    ----------
    uncertainty_mm, uncertainty_share : float
        Stated standard uncertainty: a fixed part and a share of the height, added.
    misstated : float
        Log standard deviation by which a reading's real scatter differs from the stated one.
    bed_mm : float
        Standard deviation of an offset common to all readings of a run (the bed's height).
    outlier_share : float
        Share of photos read wrongly, by 15 to 60 mm either way.
    missing_photo, missing_day : float
        Probability that a photo, and that both photos of a day, were not taken.
    """

    uncertainty_mm: float = 2.0
    uncertainty_share: float = 0.02
    misstated: float = 0.2
    bed_mm: float = 1.0
    outlier_share: float = 0.04
    missing_photo: float = 0.15
    missing_day: float = 0.10


@dataclass(frozen=True, eq=False)
class SyntheticRoom:
    """A room whose runs vary around its own averages.

    Parameters
    ----------
    asymptote_mm, half_age_days, width_days, skew : float
        Room averages, as in `trayvision.growth.sigmoid.Shape`.
    shelf_days : ndarray, shape (shelves,)
        How much later each shelf's trays reach half height.
    asymptote_spread, half_age_spread_days, width_spread, skew_spread : float
        Standard deviations between runs (log, days, log, log).
    season_c : float
        Standard deviation of a run's mean temperature around the reference one, °C.
    temperature_spread_c : float
        Standard deviation of the hourly temperature around that, correlated over a day, °C;
        growth keeps pace with temperature above 0 °C.
    pace_spread : float
        Standard deviation of what else (water, light) makes the pace wander around 1.
    habits : ReadingHabits
        Of the grower.
    """

    asymptote_mm: float
    half_age_days: float
    width_days: float
    skew: float
    shelf_days: Floats
    asymptote_spread: float = 0.12
    half_age_spread_days: float = 0.25
    width_spread: float = 0.10
    skew_spread: float = 0.4
    season_c: float = 0.8
    temperature_spread_c: float = 1.4
    pace_spread: float = 0.04
    habits: ReadingHabits = field(default_factory=ReadingHabits)


@dataclass(frozen=True, eq=False)
class SyntheticRun:
    """One run: its readings and its true course.

    Parameters
    ----------
    points : tuple of GrowthPoint
        Readings over eight days, ages in days, values in mm.
    shelf : int
        Index into the room's shelves.
    theta : ndarray, shape (4,)
        True Richards parameters.
    pace_days : ndarray, shape (hours + 1,)
        Inner age of the run at each full hour, in days at the reference temperature.
    temperature_c : ndarray, shape (hours,)
        Temperature of each hour, °C.
    """

    points: tuple[GrowthPoint, ...]
    shelf: int
    theta: Floats
    pace_days: Floats
    temperature_c: Floats

    def true_hours(self, height_mm: float) -> float:
        """Hour at which the true height passes `height_mm`; inf when never in 21 days."""
        inner = float(age_at_value(Shape.RICHARDS, self.theta, height_mm))
        if inner > self.pace_days[-1]:
            return np.inf
        return float(np.interp(inner, self.pace_days, np.arange(len(self.pace_days), dtype=float)))

    def room_readings(self, until_days: float) -> tuple[RoomReading, ...]:
        """Temperature read in the middle of every hour up to `until_days`."""
        hours = np.arange(_HOURS) + 0.5
        return tuple(
            RoomReading(float(hour), float(temperature))
            for hour, temperature in zip(hours, self.temperature_c, strict=True)
            if hour <= until_days * 24.0
        )

    def seen_by(self, age_days: float) -> tuple[GrowthPoint, ...]:
        """The readings taken up to `age_days`."""
        return tuple(point for point in self.points if point.age <= age_days)


def draw_room(*, rng: np.random.Generator, shelves: int = 4) -> SyntheticRoom:
    """A room whose averages lie in published ranges of barley (see `trayvision.growth.prior`)."""
    return SyntheticRoom(
        asymptote_mm=float(np.exp(rng.normal(np.log(190.0), 0.15))),
        half_age_days=float(rng.uniform(5.0, 7.0)),
        width_days=float(np.exp(rng.normal(np.log(5.2), 0.12))),
        skew=float(np.exp(rng.uniform(np.log(0.15), np.log(1.5)))),
        shelf_days=rng.normal(0.0, 0.25, shelves),
    )


def draw_run(room: SyntheticRoom, *, shelf: int, rng: np.random.Generator) -> SyntheticRun:
    """One run of a room: true course, then readings with noise, outliers and gaps."""
    theta = np.array(
        [
            rng.normal(np.log(room.asymptote_mm), room.asymptote_spread),
            rng.normal(room.half_age_days + room.shelf_days[shelf], room.half_age_spread_days),
            rng.normal(np.log(room.width_days), room.width_spread),
            rng.normal(np.log(room.skew), room.skew_spread),
        ]
    )
    temperature = rng.normal(REFERENCE_TEMPERATURE_C, room.season_c) + _wandering(
        room.temperature_spread_c, rng
    )
    pace = temperature / REFERENCE_TEMPERATURE_C + _wandering(room.pace_spread, rng)
    pace_days = np.concatenate([[0.0], np.cumsum(np.maximum(pace, 0.1)) / 24.0])
    ages = _photo_ages(room.habits, rng)
    inner = np.interp(ages * 24.0, np.arange(len(pace_days)), pace_days)
    truth = sigmoid(Shape.RICHARDS, theta, inner)
    return SyntheticRun(_read(ages, truth, room.habits, rng), shelf, theta, pace_days, temperature)


def _wandering(spread: float, rng: np.random.Generator) -> Floats:
    """Hourly values of an Ornstein-Uhlenbeck process around 0, correlated over a day."""
    keep = np.exp(-1.0 / 24.0)
    kicks = spread * rng.standard_normal(_HOURS)
    kicks[1:] *= np.sqrt(1.0 - keep**2)
    level = np.empty(_HOURS)
    level[0] = kicks[0]
    for hour in range(1, _HOURS):
        level[hour] = keep * level[hour - 1] + kicks[hour]
    return level


def _photo_ages(habits: ReadingHabits, rng: np.random.Generator) -> Floats:
    """Two rounds a day, morning and evening of a tray spread at ten in the morning."""
    days = np.arange(9)
    kept_day = rng.random(len(days)) >= habits.missing_day
    rounds = []
    for clock_hour, scatter in ((7.0, 1.0), (18.0, 1.5)):
        hours = days * 24.0 + clock_hour - 10.0 + rng.normal(0.0, scatter, len(days))
        kept = kept_day & (rng.random(len(days)) >= habits.missing_photo)
        rounds.append(hours[kept] / 24.0)
    ages = np.sort(np.concatenate(rounds))
    return np.asarray(ages[(ages > 0.5) & (ages < 8.5)])


def _read(
    ages: Floats, truth: Floats, habits: ReadingHabits, rng: np.random.Generator
) -> tuple[GrowthPoint, ...]:
    stated = habits.uncertainty_mm + habits.uncertainty_share * truth
    real = stated * np.exp(rng.normal(0.0, habits.misstated, len(ages)))
    value = truth + rng.normal(0.0, habits.bed_mm) + real * rng.standard_normal(len(ages))
    wrong = rng.random(len(ages)) < habits.outlier_share
    value += wrong * rng.uniform(15.0, 60.0, len(ages)) * rng.choice([-1.0, 1.0], len(ages))
    return tuple(
        GrowthPoint(float(age), float(reading), float(uncertainty))
        for age, reading, uncertainty in zip(ages, value, stated, strict=True)
    )
