"""Trays that are behind, and whether the tray, the shelf, the lot or the room differs.

Each tray's cover, or its height once cover is full, is a lag in days behind the room's normal.
Shelves and lots are compared by a rank test, exact without ties; single trays by how far they
stand out of their batch. Where shelf and lot cannot be told apart, both are named; without a
normal of the room's own, batches are not compared with each other.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from math import sqrt
from statistics import median
from typing import Final

import numpy as np
from scipy.stats import binomtest, mannwhitneyu

from trayvision.score.expectations import COVER, SHOOT_HEIGHT, usual_range
from trayvision.warning.sequential_test import cusum

# Trays of one batch differ by a day either way (common practice): less is no reason.
LEAST_LAG_DAYS: Final = 1.0
_LEAST_GROUP_LAG_DAYS: Final = 0.75
_LEAST_GROUP: Final = 3
_LEAST_SIBLINGS: Final = 4
# Above that, cover hardly rises any more and height tells the days.
COVER_TELLS: Final = 0.8
# Iglewicz, Hoaglin, "How to Detect and Handle Outliers" (1993): modified z above 3.5; from memory.
_MODIFIED_Z: Final = 3.5
_Z_OF_MAD: Final = 0.6745
# A day either way (two sigmas) is the usual spread of a batch; it weighs as much as four trays.
_USUAL_SPREAD_DAYS: Final = 0.5
_USUAL_WEIGHT: Final = 4
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
    taken : bool
        It no longer grows: it shows what its batch was like and is not behind itself.
    """

    tray: int
    lag_days: float
    batch: str
    shelf: str | None = None
    lot: str | None = None
    taken: bool = False


@dataclass(frozen=True, slots=True)
class Behind:
    """One finding: these trays are behind, and this is what they have in common.

    Parameters
    ----------
    factor : Factor
    names : tuple of str
        Of the shelf, the lot, or both; of a single tray, where set, the lot that it alone has.
    trays : tuple of int
    lag_days : float
        Median of these trays less that of the others.
    p_value : float or None
        Of the test against the others; None for a single tray or batches that stand nowhere else.
    """

    factor: Factor
    names: tuple[str, ...]
    trays: tuple[int, ...]
    lag_days: float
    p_value: float | None = None


@dataclass(frozen=True, slots=True)
class UsualGrowth:
    """Cover and shoot height by day, rising: the room's own, or the middle of published ranges."""

    cover_by_day: Mapping[float, float] = field(default_factory=dict)
    height_mm_by_day: Mapping[float, float] = field(default_factory=dict)

    @property
    def is_own(self) -> bool:
        """Whether the room has its own normal."""
        return bool(self.cover_by_day) and bool(self.height_mm_by_day)

    def cover_lag_days(self, day: float, cover: float) -> float:
        """Days since a tray of the usual pace had this cover."""
        return _lag(day, cover, self.cover_by_day, COVER)

    def height_lag_days(self, day: float, height_mm: float) -> float:
        """Days since a tray of the usual pace had this height."""
        return _lag(day, height_mm, self.height_mm_by_day, SHOOT_HEIGHT)


def _lag(day: float, value: float, own: Mapping[float, float], quantity: str) -> float:
    days = sorted(own) if own else [float(day) for day in range(1, 9)]
    values = [own[day] if own else sum(usual_range(quantity, day)) / 2 for day in days]
    if not own and quantity == COVER:
        # The published rows begin on day 3; nothing is green before day 2.
        days, values = [2.0, *days[2:]], [0.0, *values[2:]]
    rising = np.maximum.accumulate(values) + 1e-9 * np.arange(len(values))
    # Later than the usual is known a tray is older than any day that it could be told to be like.
    return min(day, days[-1]) - float(np.interp(value, rising, days))


def find_behind(lags: Sequence[TrayLag], *, own_normal: bool = True) -> tuple[Behind, ...]:
    """What the lags of a room's trays have in common, widest cause first.

    Parameters
    ----------
    lags : sequence of TrayLag
        One per tray; fewer than four give nothing.
    own_normal : bool
        Whether the lags are behind this room's own normal. If not, each batch is its own normal:
        nothing is said of the whole room, nor of trays without three siblings.

    Returns
    -------
    tuple of Behind
        Each tray in at most one of them.
    """
    growing = [one for one in lags if not one.taken]
    if len(lags) < _LEAST_SIBLINGS or not growing:
        return ()
    found = _whole_room(growing) if own_normal else ()
    level = found[0].lag_days if found else 0.0
    rest = [replace(one, lag_days=one.lag_days - level) for one in lags]
    if not own_normal:
        rest = _within_batches(rest)
    groups = _groups([one for one in rest if not one.taken])
    named = {tray for group in groups for tray in group.trays}
    singles = _single_trays([one for one in rest if one.taken or one.tray not in named])
    return (*found, *groups, *singles)


def _within_batches(lags: Sequence[TrayLag]) -> list[TrayLag]:
    """Lags behind the median of their own batch; small batches have none."""
    found = []
    for batch in sorted({one.batch for one in lags}):
        siblings = [one for one in lags if one.batch == batch]
        if len(siblings) >= _LEAST_SIBLINGS:
            middle = median(one.lag_days for one in siblings)
            found += [replace(one, lag_days=one.lag_days - middle) for one in siblings]
    return found


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
            found.append(_if_crossed(shelf, lags))
            continue
        lot = max(rivals, key=lambda one: len(set(one.trays) & set(shelf.trays)))
        lots.remove(lot)
        found += _told_apart(shelf, lot, lags)
    return [*found, *(_if_crossed(lot, lags) for lot in lots)]


def _if_crossed(one: Behind, lags: Sequence[TrayLag]) -> Behind:
    """The finding itself if the other factor has trays on both sides of it; else both named."""
    by_shelf = one.factor is Factor.SHELF
    other = {lag.tray: lag.lot if by_shelf else lag.shelf for lag in lags}
    inside = {other[tray] for tray in one.trays} - {None}
    outside = {name for tray, name in other.items() if tray not in one.trays} - {None}
    if not inside or inside & outside:
        return one
    rivals = tuple(sorted(name for name in inside if name is not None))
    names = (*one.names, *rivals) if by_shelf else (*rivals, *one.names)
    return replace(one, factor=Factor.SHELF_OR_LOT, names=names)


def _significant(
    lags: Sequence[TrayLag], factor: Factor, names: Mapping[int, str | None]
) -> list[Behind]:
    """Shelves or lots whose trays are behind all others, by a one-sided rank test."""
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
            # Trays of one batch are alike, and the test takes each for itself.
            fair = {i.batch for i in inside} <= {i.batch for i in lags if names[i.tray] != name}
            found.append(Behind(factor, (name,), trays, lag, p_value if fair else None))
    return found


def _told_apart(shelf: Behind, lot: Behind, lags: Sequence[TrayLag]) -> list[Behind]:
    """Of a shelf and a lot that share trays: which one the trays outside the overlap accuse."""
    both = set(shelf.trays) | set(lot.trays)
    level = median([one.lag_days for one in lags if one.tray not in both] or [0.0])
    only_shelf = _stays_behind(set(shelf.trays) - set(lot.trays), lags, level)
    only_lot = _stays_behind(set(lot.trays) - set(shelf.trays), lags, level)
    if only_shelf and only_lot:
        return [shelf, replace(lot, trays=tuple(sorted(set(lot.trays) - set(shelf.trays))))]
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
        for one in siblings:
            others = [other.lag_days for other in siblings if other is not one]
            middle = median(others)
            spread = _spread_days(others, middle)
            lag = one.lag_days - middle
            if not one.taken and lag >= LEAST_LAG_DAYS and lag / spread >= _MODIFIED_Z:
                found.append(Behind(Factor.TRAY, (), (one.tray,), lag))
    return found


def _spread_days(lags: Sequence[float], middle: float) -> float:
    """Robust standard deviation of a batch, drawn to what is usual: three trays tell little."""
    own = median(abs(lag - middle) for lag in lags) / _Z_OF_MAD
    count = len(lags)
    variance = (count * own**2 + _USUAL_WEIGHT * _USUAL_SPREAD_DAYS**2) / (count + _USUAL_WEIGHT)
    return sqrt(variance)


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
