"""Coverage and error of the harvest forecast over simulated runs with known truth.

Usage: python tests/benchmarks/benchmark_harvest_forecast.py [--rooms 20] [--runs 25] [--seed 1]
One seed lot that ends 40 % lower, one tray of which was harvested: --lot 0.6 --of-lot 1
"""

import argparse
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from trayvision.growth.curve import GrowthCurve, fit_growth
from trayvision.growth.fit import GrowthPoint
from trayvision.growth.harvest_forecast import (
    Clock,
    HarvestForecast,
    HarvestTarget,
    days_to_hours,
    forecast_harvest,
)
from trayvision.growth.past_runs import LOT_VARIANCE, learn_prior, of_both
from trayvision.growth.prior import GrowthPrior, Quantity, published_prior
from trayvision.growth.shelf_curves import SHELF_VARIANCE
from trayvision.growth.sigmoid import Shape, sigmoid
from trayvision.growth.thermal_growth import ThermalClock, ahead_uncertainty_c, thermal_points
from trayvision.growth.thermal_time import TemperatureResponse, ThermalTime, thermal_time
from trayvision.synthetic.growth import (
    ReadingHabits,
    SyntheticRoom,
    SyntheticRun,
    draw_room,
    draw_run,
)

TARGET_MM = 130.0
SHELVES = 4

# How far ahead of the day of the forecast the room's change of temperature is told from.
AHEAD_HOURS = 72.0

Sight = tuple[tuple[GrowthPoint, ...], Clock]
Seer = Callable[[SyntheticRun, float], Sight]
Way = tuple[str, Seer, list[GrowthPrior]]
# The forecast, the true hour, and whether the height two days on was held; by days only.
Row = tuple[HarvestForecast, float, bool | None]


def by_days(run: SyntheticRun, day: float) -> Sight:
    return run.seen_by(day), days_to_hours


def warmth(run: SyntheticRun, day: float) -> ThermalTime:
    return thermal_time(run.room_readings(day), response=TemperatureResponse())


def by_thermal_time(past_runs: Sequence[SyntheticRun], rng: np.random.Generator) -> Seer:
    histories = [warmth(run, 9.0) for run in past_runs]

    @cache
    def unsure(day: float) -> float:
        return ahead_uncertainty_c(histories, from_hours=day * 24.0, for_hours=AHEAD_HOURS)

    def seen(run: SyntheticRun, day: float) -> Sight:
        past = warmth(run, day)
        clock = ThermalClock(
            past=past, ahead_c=past.mean_c or 0.0, ahead_uncertainty_c=unsure(day), rng=rng
        )
        return thermal_points(run.seen_by(day), past=past), clock.hours_at

    return seen


def shelf_priors(
    curves: Sequence[GrowthCurve], parent: GrowthPrior, *, of_lot: int
) -> list[GrowthPrior]:
    """The curves' shelves take turns; the last `of_lot` curves are of the seed that is forecast."""
    room = learn_prior(curves, parent=parent, group="barley in this room")
    shelves = [
        learn_prior(
            curves[shelf::SHELVES], parent=room, group="shelf", group_variance=SHELF_VARIANCE
        )
        for shelf in range(SHELVES)
    ]
    if not of_lot:
        return shelves
    seed = learn_prior(
        curves[-of_lot:], parent=room, group="this seed", group_variance=LOT_VARIANCE
    )
    return [of_both(shelf, seed, room=room) for shelf in shelves]


def holds(given: HarvestForecast, truth: float) -> bool:
    low = np.inf if given.low_hours is None else given.low_hours
    high = np.inf if given.high_hours is None else given.high_hours
    return low <= truth <= high


def height_two_days_on(curve: GrowthCurve, run: SyntheticRun, day: float) -> bool:
    """Whether the 95 % band holds the true height two days after a day."""
    inner = np.interp((day + 2.0) * 24.0, np.arange(len(run.pace_days)), run.pace_days)
    truth = sigmoid(Shape.RICHARDS, run.theta, np.array([inner]))[0]
    low, _, high = curve.band([day + 2.0], rng=np.random.default_rng(0), coverage=0.95)
    return bool(low[0] <= truth <= high[0])


def report(name: str, rows: list[Row]) -> None:
    """One line: coverage, error of the median, width, share never met and said so."""
    inside = [holds(given, truth) for given, truth, _ in rows]
    ahead = [held for _, _, held in rows if held is not None]
    told = f"  height two days on, 95 %: {np.mean(ahead):.3f}" if ahead else ""
    met = np.array(
        [
            (given.median_hours - truth, (given.high_hours or np.nan) - (given.low_hours or np.nan))
            for given, truth, _ in rows
            if given.median_hours is not None and np.isfinite(truth)
        ]
    )
    error, width = met.T
    never = np.mean([np.isinf(truth) for _, truth, _ in rows])
    said = np.mean([1.0 - given.probability_met for given, _, _ in rows])
    print(
        f"{name:36s} runs {len(rows):4d}  90 % interval holds {np.mean(inside):.3f}  "
        f"|error| mean {np.abs(error).mean():4.1f} h, median {np.median(np.abs(error)):4.1f} h  "
        f"bias {error.mean():+4.1f} h  width {np.nanmedian(width):5.1f} h  "
        f"never met {never:.3f}, said {said:.3f}{told}"
    )


def read_options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rooms", type=int, default=20)
    parser.add_argument("--runs", type=int, default=25, help="forecast runs per room")
    parser.add_argument("--past", type=int, default=30, help="past runs per room")
    parser.add_argument("--days", type=float, nargs="+", default=[0.0, 3.0, 4.0, 5.0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--outliers", type=float, default=0.04, help="share of wrong readings")
    parser.add_argument("--pace", type=float, default=1.0, help="factor on the pace's wandering")
    parser.add_argument("--lot", type=float, default=1.0, help="final height of the lot, of usual")
    parser.add_argument("--of-lot", type=int, default=0, help="past runs of the lot per room")
    parser.add_argument("--bed", type=float, default=1.0, help="sd of a run's bed height, mm")
    return parser.parse_args()


def open_room(options: argparse.Namespace, rng: np.random.Generator) -> SyntheticRoom:
    room = draw_room(rng=rng, shelves=SHELVES)
    return replace(
        room,
        habits=ReadingHabits(outlier_share=options.outliers, bed_mm=options.bed),
        temperature_spread_c=options.pace * room.temperature_spread_c,
        pace_spread=options.pace * room.pace_spread,
    )


def ways_to_forecast(
    past: Sequence[SyntheticRun], rng: np.random.Generator, *, of_lot: int
) -> list[Way]:
    """Name, what is seen, and the prior of each shelf."""
    published = published_prior(Quantity.HEIGHT, grain="barley")
    thermal = published_prior(Quantity.HEIGHT, grain="barley", thermal=True)
    ways: list[Way] = [("published ranges only", by_days, [published] * SHELVES)]
    for name, sight, parent in (
        ("own past runs", by_days, published),
        ("own past runs, thermal", by_thermal_time(past, rng), thermal),
    ):
        curves = [fit_growth(sight(run, 8.0)[0], prior=parent) for run in past]
        ways.append((name, sight, shelf_priors(curves, parent, of_lot=of_lot)))
        if of_lot:
            unaware = shelf_priors(curves, parent, of_lot=0)
            ways.append((f"{name}, lot unknown", sight, unaware))
    return ways


def main() -> None:
    """Draw rooms, learn each from its past runs, forecast new ones, print the figures."""
    options = read_options()
    rng = np.random.default_rng(options.seed)
    # A poor lot is harvested no later than others, hence lower.
    target_mm = TARGET_MM * options.lot
    target = HarvestTarget(target_mm)
    rows: defaultdict[str, list[Row]] = defaultdict(list)
    for _ in range(options.rooms):
        room = open_room(options, rng)
        past = [draw_run(room, shelf=index % SHELVES, rng=rng) for index in range(options.past)]
        lot = replace(room, asymptote_mm=room.asymptote_mm * options.lot)
        past += [draw_run(lot, shelf=index % SHELVES, rng=rng) for index in range(options.of_lot)]
        ways = ways_to_forecast(past, rng, of_lot=options.of_lot)
        for index in range(options.runs):
            run = draw_run(lot, shelf=index % SHELVES, rng=rng)
            truth = run.true_hours(target_mm)
            for name, sight, priors in ways:
                # On day 0 no hour of the room has been read yet.
                for day in options.days if sight is by_days else filter(None, options.days):
                    points, clock = sight(run, day)
                    curve = fit_growth(points, prior=priors[run.shelf])
                    given = forecast_harvest(curve, target=target, rng=rng, clock=clock)
                    ahead = height_two_days_on(curve, run, day) if sight is by_days else None
                    rows[f"{name}, day {day:g}"].append((given, truth, ahead))
    for name, group in sorted(rows.items()):
        report(name, group)


if __name__ == "__main__":
    main()
