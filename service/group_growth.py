"""How groups of runs grow against the room: shelves, upper and lower ones, seed lots."""

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, TypeVar

import numpy as np

from service.growth import RoomGrowth
from service.growth_fits import Teaching, taught_prior
from service.run_readings import RunReadings
from trayvision.growth_curve import fit_growth
from trayvision.growth_prior import Quantity
from trayvision.sigmoid import sigmoid

# With fewer a group's pace is one or two trays' own story.
LEAST_RUNS: Final = 3
_DAYS: Final = tuple(np.arange(0.0, 9.01, 0.25).tolist())

Group = TypeVar("Group", bound=Hashable)


@dataclass(frozen=True)
class GroupGrowth:
    """The usual height of a group of runs of one grain, shrunk towards the room's by their number.

    Parameters
    ----------
    runs : int
        Finished runs that it was learned from.
    lag_days, lag_uncertainty_days : float
        How much later than the room's average they reach half their final height, negative when
        sooner; and its standard uncertainty.
    days, mean_mm : tuple of float
        Height over days since spreading.
    """

    runs: int
    lag_days: float
    lag_uncertainty_days: float
    days: tuple[float, ...]
    mean_mm: tuple[float, ...]

    @property
    def can_tell(self) -> bool:
        """Whether there are runs enough to say anything."""
        return self.runs >= LEAST_RUNS


def grouped_growth(
    growth: RoomGrowth, grain: str, groups: Callable[[RunReadings], Iterable[Group]]
) -> dict[Group, GroupGrowth]:
    """The growth of groups of the room's finished runs.

    Parameters
    ----------
    growth : RoomGrowth
    grain : str
        Of the runs that are compared; one grain's pace says nothing of another's.
    groups : callable
        Gives the groups of a run.
    """
    members: dict[Group, set[int]] = {}
    for run in growth.finished:
        if run.grain == grain and run.points(Quantity.HEIGHT):
            for group in groups(run):
                members.setdefault(group, set()).add(run.span.id)
    return {
        group: group_growth(growth.teaching(Quantity.HEIGHT, grain, frozenset(runs)))
        for group, runs in members.items()
    }


@lru_cache(maxsize=512)
def group_growth(teaching: Teaching) -> GroupGrowth:
    """The growth of the runs that a teaching calls its shelf's, against its room's."""
    prior, room = taught_prior(teaching), taught_prior(teaching.of_room)
    shape = fit_growth([], prior=prior).best.shape
    mean = sigmoid(shape, prior.mean[: shape.parameters], np.asarray(_DAYS))
    return GroupGrowth(
        runs=len(teaching.shelf),
        lag_days=round(float(prior.mean[1] - room.mean[1]), 3),
        lag_uncertainty_days=round(float(np.sqrt(prior.mean_covariance[1, 1])), 3),
        days=_DAYS,
        mean_mm=tuple(np.round(mean, 3).tolist()),
    )
