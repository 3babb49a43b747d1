"""Trays that are behind, and whether the tray, the shelf, the lot or the room differs.

Each tray's cover, or its height once cover is full, is a lag in days behind the room's normal.
Shelves and lots are compared by an exact rank test, corrected for all that is asked at once; single
trays by how far they stand out of their batch. Where shelf and lot cannot be told apart, both are
named; without a normal of the room's own, batches are not compared with each other.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from math import sqrt
from statistics import median
from typing import Final

import numpy as np
from scipy.stats import binomtest

from trayvision.attention.rank_test import holm, rank_sum_p_value
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
        Those behind themselves: half a day, or half of what a shelf or lot must be.
    compared : int
        How many growing trays share it, those on time included.
    lag_days : float
        Median of these trays less `level_days`.
    level_days : float
        Lag of what they are behind: the median of the others, or 0, the room's own normal.
    p_value : float or None
        That chance alone puts any shelf, lot or the room so far behind (Holm's correction). None
        for a single tray or batches that stand nowhere else.
    """

    factor: Factor
    names: tuple[str, ...]
    trays: tuple[int, ...]
    compared: int
    lag_days: float
    level_days: float
    p_value: float | None = None


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
    if len(lags) < _LEAST_SIBLINGS or all(one.taken for one in lags):
        return ()
    compared = lags if own_normal else _within_batches(lags)
    growing = [one for one in compared if not one.taken]
    asked = [*_levels(growing, Factor.SHELF), *_levels(growing, Factor.LOT)]
    if own_normal:
        asked.insert(0, _whole_room(growing))
    far = _far_behind(asked)
    found = [one for one in far if one.factor is Factor.ROOM]
    found += _groups([one for one in far if one.factor is not Factor.ROOM], growing)
    found = [one for one in found if _chance(one) <= _SIGNIFICANT]
    named = {tray for one in found if one.factor is not Factor.ROOM for tray in one.trays}
    singles = _single_trays([one for one in compared if one.taken or one.tray not in named])
    return (*(_behind_themselves(one, growing) for one in found), *singles)


def _within_batches(lags: Sequence[TrayLag]) -> list[TrayLag]:
    """Lags behind the median of their own batch; small batches have none."""
    found = []
    for batch in sorted({one.batch for one in lags}):
        siblings = [one for one in lags if one.batch == batch]
        if len(siblings) >= _LEAST_SIBLINGS:
            middle = median(one.lag_days for one in siblings)
            found += [replace(one, lag_days=one.lag_days - middle) for one in siblings]
    return found


def _whole_room(lags: Sequence[TrayLag]) -> Behind:
    values = [one.lag_days for one in lags]
    behind = sum(value > _ALLOWED_LAG_DAYS for value in values)
    p_value = float(binomtest(behind, len(values), 0.5, alternative="greater").pvalue)
    trays = tuple(sorted(one.tray for one in lags))
    return Behind(Factor.ROOM, (), trays, len(trays), median(values), 0.0, p_value)


def _chance(one: Behind) -> float:
    return 1.0 if one.p_value is None else one.p_value


def _far_behind(asked: Sequence[Behind]) -> list[Behind]:
    """Of all that was asked what is, for itself, beyond chance, its p-value then corrected."""
    found = []
    for one, p_value in zip(asked, holm([_chance(one) for one in asked]), strict=True):
        least = LEAST_LAG_DAYS if one.factor is Factor.ROOM else _LEAST_GROUP_LAG_DAYS
        if one.lag_days >= least and _chance(one) <= _SIGNIFICANT:
            found.append(replace(one, p_value=p_value))
    return found


def _behind_themselves(one: Behind, lags: Sequence[TrayLag]) -> Behind:
    """The finding with those trays alone that are behind; no odds where batches are not shared."""
    inside = [lag for lag in lags if lag.tray in one.trays]
    room = one.factor is Factor.ROOM
    least = one.level_days + (_ALLOWED_LAG_DAYS if room else _LEAST_GROUP_LAG_DAYS / 2)
    behind = [lag for lag in inside if lag.lag_days >= least]
    # Trays of one batch are alike, and the test takes each for itself.
    others = {lag.batch for lag in lags if lag.tray not in one.trays}
    fair = room or {lag.batch for lag in inside} <= others
    return replace(
        one,
        trays=tuple(sorted(lag.tray for lag in behind)),
        lag_days=median(lag.lag_days for lag in behind) - one.level_days,
        p_value=one.p_value if fair else None,
    )


def _groups(found: Sequence[Behind], lags: Sequence[TrayLag]) -> list[Behind]:
    lots = [one for one in found if one.factor is Factor.LOT]
    causes = []
    for shelf in (one for one in found if one.factor is Factor.SHELF):
        rivals = [lot for lot in lots if set(lot.trays) & set(shelf.trays)]
        if not rivals:
            causes.append(_if_crossed(shelf, lags))
            continue
        lot = max(rivals, key=lambda one: len(set(one.trays) & set(shelf.trays)))
        lots.remove(lot)
        causes += _told_apart(shelf, lot, lags)
    return [*causes, *(_if_crossed(lot, lags) for lot in lots)]


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


def _levels(lags: Sequence[TrayLag], factor: Factor) -> list[Behind]:
    """Each shelf or lot against all others, by a one-sided rank test, however far it is behind."""
    names = {one.tray: one.shelf if factor is Factor.SHELF else one.lot for one in lags}
    asked = []
    for name in sorted({name for name in names.values() if name is not None}):
        inside = [one.lag_days for one in lags if names[one.tray] == name]
        outside = [one.lag_days for one in lags if names[one.tray] != name]
        if min(len(inside), len(outside)) < _LEAST_GROUP:
            continue
        level, p_value = median(outside), rank_sum_p_value(inside, outside)
        trays = tuple(sorted(tray for tray, its in names.items() if its == name))
        lag = median(inside) - level
        asked.append(Behind(factor, (name,), trays, len(trays), lag, level, p_value))
    return asked


def _told_apart(shelf: Behind, lot: Behind, lags: Sequence[TrayLag]) -> list[Behind]:
    """Of a shelf and a lot that share trays: which one the trays outside the overlap accuse."""
    both = set(shelf.trays) | set(lot.trays)
    level = median([one.lag_days for one in lags if one.tray not in both] or [0.0])
    only_shelf = _stays_behind(set(shelf.trays) - set(lot.trays), lags, level)
    only_lot = _stays_behind(set(lot.trays) - set(shelf.trays), lags, level)
    if only_shelf and only_lot:
        rest = tuple(sorted(set(lot.trays) - set(shelf.trays)))
        return [shelf, replace(lot, trays=rest, compared=len(rest), level_days=level)]
    surer = min(_chance(shelf), _chance(lot))
    if only_shelf and only_lot is False:
        return [replace(shelf, p_value=surer)]
    if only_lot and only_shelf is False:
        return [replace(lot, p_value=surer)]
    worse = max(shelf, lot, key=lambda one: one.lag_days)
    names, trays = (*shelf.names, *lot.names), tuple(sorted(both))
    either = replace(worse, factor=Factor.SHELF_OR_LOT, names=names, trays=trays, p_value=surer)
    return [replace(either, compared=len(trays))]


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
                found.append(Behind(Factor.TRAY, (), (one.tray,), 1, lag, middle))
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
