"""Fresh weight for seed weight, by shelf, lot or month: medians and spread of what was weighed."""

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass
from statistics import median, quantiles
from typing import Final, TypeVar

from service.models.runs import EndReason
from service.runs.run_facts import RunFact

# With fewer the middle half is no more than two or three trays: then the extremes are said.
LEAST_FOR_HALF: Final = 5

Group = TypeVar("Group", bound=Hashable)


@dataclass(frozen=True)
class Yield:
    """Fresh weight for seed weight of some harvested runs.

    Parameters
    ----------
    harvested, weighed : int
        Runs, and those of them with both weights.
    middle : float or None
        Median ratio.
    low, high : float or None
        The middle half of the ratios from `LEAST_FOR_HALF` on, else the smallest and largest.
    """

    harvested: int
    weighed: int
    middle: float | None
    low: float | None
    high: float | None


def yields_by(
    facts: Iterable[RunFact], groups: Callable[[RunFact], Iterable[Group]]
) -> dict[Group, Yield]:
    """Yields of harvested runs by whatever they are grouped by.

    A run of several lots counts for each of them; one that ended by being thrown away, or of
    which nobody said how it ended, counts for none.
    """
    ratios: dict[Group, list[float | None]] = {}
    for fact in facts:
        if fact.reason is EndReason.HARVESTED:
            for group in groups(fact):
                ratios.setdefault(group, []).append(fact.ratio)
    return {group: _yield(found) for group, found in ratios.items()}


def _yield(ratios: list[float | None]) -> Yield:
    known = sorted(ratio for ratio in ratios if ratio is not None)
    if not known:
        return Yield(len(ratios), 0, None, None, None)
    low, high = known[0], known[-1]
    if len(known) >= LEAST_FOR_HALF:
        low, _, high = quantiles(known, n=4, method="inclusive")
    return Yield(len(ratios), len(known), median(known), low, high)
