"""How groups of runs grow against the room: shelves, upper and lower ones, seed lots."""

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, TypeVar

import numpy as np

from service.growth.growth import RoomGrowth
from service.growth.growth_fits import taught_prior
from service.growth.run_series import DIGITS, RunReadings
from service.growth.teachings import Teaching
from trayvision.growth.prior import Quantity
from trayvision.growth.sigmoid import sigmoid

# With fewer a group's pace is one or two trays' own story.
LEAST_RUNS: Final = 3
_DAYS: Final = tuple(np.arange(0.0, 9.01, 0.25).tolist())
_DEGREE_DAYS: Final = tuple(np.arange(0.0, 180.01, 5.0).tolist())

Group = TypeVar("Group", bound=Hashable)


@dataclass(frozen=True)
class GroupGrowth:
    """The usual growth of a group of runs of one grain, shrunk towards the room's by their number.

    Parameters
    ----------
    runs : int
        Finished runs that it was learned from.
    lag, lag_uncertainty : float
        How much later than the room's average they reach half their final value, negative when
        sooner, in the unit of the ages; and its standard uncertainty.
    ages, mean : tuple of float
        Height in mm, or share covered, over days since spreading or °C d.
    """

    runs: int
    lag: float
    lag_uncertainty: float
    ages: tuple[float, ...]
    mean: tuple[float, ...]

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
    shape = prior.likeliest_shape
    ages = _DEGREE_DAYS if teaching.thermal else _DAYS
    mean = sigmoid(shape, prior.mean[: shape.parameters], np.asarray(ages))
    digits = DIGITS[teaching.quantity] + 1
    return GroupGrowth(
        runs=len(teaching.shelf),
        lag=round(float(prior.mean[1] - room.mean[1]), 3),
        lag_uncertainty=round(float(np.sqrt(prior.mean_covariance[1, 1])), 3),
        ages=ages,
        mean=tuple(np.round(mean, digits).tolist()),
    )
