"""Trays that are behind, and whether the tray, the shelf, the lot or the room differs.

Each tray's shoot height becomes a lag in days behind the room's normal. Whole shelves and lots
are compared with the rest by an exact rank test; single trays by how far they stand out of their
batch. Where shelf and lot cannot be told apart, both are named.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from statistics import median
from typing import Final

import numpy as np
from scipy.stats import binomtest, mannwhitneyu

from trayvision.expectations import SHOOT_HEIGHT, usual_range
from trayvision.sequential_test import cusum

# Trays of one batch differ by a day either way (common practice): less is no reason.
LEAST_LAG_DAYS: Final = 1.0
_LEAST_GROUP_LAG_DAYS: Final = 0.75
_LEAST_GROUP: Final = 3
_LEAST_SIBLINGS: Final = 4
# B. Iglewicz, D. C. Hoaglin, "How to Detect and Handle Outliers" (1993): modified z above 3.5
# (from memory).
_MODIFIED_Z: Final = 3.5
_Z_OF_MAD: Final = 0.6745
# Half the day by which siblings differ: a batch that happens to lie closer hides nothing.
_SMALLEST_MAD_DAYS: Final = 0.2
_SIGNIFICANT: Final = 0.05
_ALLOWED_LAG_DAYS: Final = 0.5


class Factor(StrEnum):
    """What differs."""

    TRAY = "tray"
    SHELF = "shelf"
    LOT = "seed lot"
    SHELF_OR_LOT = "shelf or seed lot"
    ROOM = "room"


@dataclass(frozen=True, slots=True)
class TrayLag:
    """How far one tray is behind the room's normal, with what it shares with others.

    Parameters
    ----------
    tray : int
    lag_days : float
        Positive: behind.
    batch : str
        Trays spread together carry the same one.
    shelf : str or None
    lot : str or None
    """

    tray: int
    lag_days: float
    batch: str
    shelf: str | None = None
    lot: str | None = None


@dataclass(frozen=True, slots=True)
class Behind:
    """One finding: these trays are behind, and this is what they have in common.

    Parameters
    ----------
    factor : Factor
    names : tuple of str
        Of the shelf, the lot, or both.
    trays : tuple of int
    lag_days : float
        Median of these trays less that of the others.
    p_value : float or None
        Of the exact test against the others; None for a single tray.
    """

    factor: Factor
    names: tuple[str, ...]
    trays: tuple[int, ...]
    lag_days: float
    p_value: float | None = None


@dataclass(frozen=True, slots=True)
class UsualHeight:
    """Shoot height by day, rising: the room's own, or the middle of the published range."""

    by_day: Mapping[float, float] = field(default_factory=dict)

    def lag_days(self, height_mm: float, day: float) -> float:
        """Days since a tray of the usual pace had this height."""
        days, heights = self._rows()
        return day - float(np.interp(height_mm, heights, days))

    def _rows(self) -> tuple[list[float], list[float]]:
        if self.by_day:
            days = sorted(self.by_day)
            heights = [self.by_day[day] for day in days]
        else:
            days = [float(day) for day in range(1, 9)]
            heights = [sum(usual_range(SHOOT_HEIGHT, day)) / 2 for day in days]
        return days, list(np.maximum.accumulate(heights) + 1e-6 * np.arange(len(heights)))


def find_behind(lags: Sequence[TrayLag]) -> tuple[Behind, ...]:
    """What the lags of a room's trays have in common, widest cause first.

    Parameters
    ----------
    lags : sequence of TrayLag
        One per tray; fewer than four give nothing.

    Returns
    -------
    tuple of Behind
        Each tray in at most one of them.
    """
    if len(lags) < _LEAST_SIBLINGS:
        return ()
    found = _whole_room(lags)
    level = found[0].lag_days if found else 0.0
    rest = [replace_lag(one, one.lag_days - level) for one in lags]
    groups = _groups(rest)
    taken = {tray for group in groups for tray in group.trays}
    singles = _single_trays([one for one in rest if one.tray not in taken])
    return (*found, *groups, *singles)


def replace_lag(lag: TrayLag, days: float) -> TrayLag:
    """The same tray with another lag."""
    return TrayLag(lag.tray, days, lag.batch, lag.shelf, lag.lot)


def _whole_room(lags: Sequence[TrayLag]) -> tuple[Behind, ...]:
    values = [one.lag_days for one in lags]
    middle = median(values)
    behind = sum(value > _ALLOWED_LAG_DAYS for value in values)
    p_value = float(binomtest(behind, len(values), 0.5, alternative="greater").pvalue)
    if middle < LEAST_LAG_DAYS or p_value > _SIGNIFICANT:
        return ()
    trays = tuple(sorted(one.tray for one in lags))
    return (Behind(Factor.ROOM, (), trays, middle, p_value),)


def _groups(lags: Sequence[TrayLag]) -> list[Behind]:
    shelves = _significant(lags, Factor.SHELF, {one.tray: one.shelf for one in lags})
    lots = _significant(lags, Factor.LOT, {one.tray: one.lot for one in lags})
    found = []
    for shelf in shelves:
        rivals = [lot for lot in lots if set(lot.trays) & set(shelf.trays)]
        if not rivals:
            found.append(shelf)
            continue
        lot = max(rivals, key=lambda one: len(set(one.trays) & set(shelf.trays)))
        lots.remove(lot)
        found += _told_apart(shelf, lot, lags)
    return [*found, *lots]


def _significant(
    lags: Sequence[TrayLag], factor: Factor, names: Mapping[int, str | None]
) -> list[Behind]:
    """Shelves or lots whose trays are behind all others, by an exact one-sided rank test."""
    levels = sorted({name for name in names.values() if name is not None})
    found = []
    for name in levels:
        inside = [one for one in lags if names[one.tray] == name]
        outside = [one.lag_days for one in lags if names[one.tray] != name]
        if min(len(inside), len(outside)) < _LEAST_GROUP:
            continue
        values = [one.lag_days for one in inside]
        lag = median(values) - median(outside)
        p_value = float(mannwhitneyu(values, outside, alternative="greater", method="exact").pvalue)
        # Every shelf and lot gets its chance to stand out by luck (Bonferroni).
        if lag >= _LEAST_GROUP_LAG_DAYS and p_value * len(levels) <= _SIGNIFICANT:
            trays = tuple(sorted(one.tray for one in inside))
            found.append(Behind(factor, (name,), trays, lag, p_value))
    return found


def _told_apart(shelf: Behind, lot: Behind, lags: Sequence[TrayLag]) -> list[Behind]:
    """Of a shelf and a lot that share trays: which one the trays outside the overlap accuse."""
    both = set(shelf.trays) | set(lot.trays)
    others = [one.lag_days for one in lags if one.tray not in both]
    level = median(others) if others else 0.0
    only_shelf = _stays_behind(set(shelf.trays) - set(lot.trays), lags, level)
    only_lot = _stays_behind(set(lot.trays) - set(shelf.trays), lags, level)
    if only_shelf and only_lot:
        alone = Behind(
            lot.factor,
            lot.names,
            tuple(sorted(set(lot.trays) - set(shelf.trays))),
            lot.lag_days,
            lot.p_value,
        )
        return [shelf, alone]
    if only_shelf and only_lot is False:
        return [shelf]
    if only_lot and only_shelf is False:
        return [lot]
    worse = max(shelf, lot, key=lambda one: one.lag_days)
    names = (*shelf.names, *lot.names)
    return [Behind(Factor.SHELF_OR_LOT, names, tuple(sorted(both)), worse.lag_days, worse.p_value)]


def _stays_behind(trays: set[int], lags: Sequence[TrayLag], level: float) -> bool | None:
    """Whether these trays are behind the rest; None with too few to tell."""
    values = [one.lag_days for one in lags if one.tray in trays]
    if len(values) < 2:
        return None
    return median(values) - level >= _LEAST_GROUP_LAG_DAYS / 2


def _single_trays(lags: Sequence[TrayLag]) -> list[Behind]:
    found = []
    for batch in sorted({one.batch for one in lags}):
        siblings = [one for one in lags if one.batch == batch]
        if len(siblings) < _LEAST_SIBLINGS:
            continue
        middle = median(one.lag_days for one in siblings)
        spread = median(abs(one.lag_days - middle) for one in siblings)
        spread = max(spread, _SMALLEST_MAD_DAYS)
        for one in siblings:
            lag = one.lag_days - middle
            if lag >= LEAST_LAG_DAYS and _Z_OF_MAD * lag / spread >= _MODIFIED_Z:
                found.append(Behind(Factor.TRAY, (), (one.tray,), lag))
    return found


def behind_since(lags: Sequence[tuple[datetime, float]]) -> datetime:
    """When a tray fell behind: the first reading after its cumulative sum last stood at 0.

    The usual estimate of the moment of change in Page's test; lags within half a day of normal
    count as none.

    Raises
    ------
    ValueError
        If `lags` is empty.
    """
    if not lags:
        raise ValueError("lags must hold at least one reading, got none")
    ordered = sorted(lags)
    sums = cusum([lag - _ALLOWED_LAG_DAYS for _, lag in ordered])
    at_zero = np.flatnonzero(sums <= 0)
    first = int(at_zero[-1]) + 1 if at_zero.size else 0
    return ordered[min(first, len(ordered) - 1)][0]
