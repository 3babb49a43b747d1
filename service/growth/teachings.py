"""What finished runs teach: from which points the fit of another run starts."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

from service.growth.kept_fits import hash_of
from service.growth.run_series import RunReadings
from trayvision.growth.fit import GrowthPoint
from trayvision.growth.prior import Quantity

Points = tuple[GrowthPoint, ...]
PointsOf = Callable[[RunReadings, Quantity], Points]
_MOST_MARKED = 8192
_MARKED: dict[int, tuple[Points, str]] = {}


@dataclass(frozen=True)
class Teaching:
    """What a run's fit starts from; two are equal when the same points teach the same.

    Parameters
    ----------
    quantity : Quantity
    grain : str
    room : tuple of Points
        Of the room's finished runs of that grain.
    shelf : tuple of Points
        Those of them that ended on the same shelf.
    lot : tuple of Points
        Those of them that were spread with the same seed.
    thermal : bool
        Whether ages are in °C d.
    """

    quantity: Quantity = field(compare=False)
    grain: str = field(compare=False)
    room: tuple[Points, ...] = field(default=(), compare=False)
    shelf: tuple[Points, ...] = field(default=(), compare=False)
    lot: tuple[Points, ...] = field(default=(), compare=False)
    thermal: bool = field(default=False, compare=False)
    mark: str = field(init=False)

    def __post_init__(self) -> None:
        # Of thousands of numbers, and asked for at every look for a fit.
        said = (str(self.quantity), self.grain, str(self.thermal))
        runs = (hash_of(map(points_mark, runs)) for runs in (self.room, self.shelf, self.lot))
        object.__setattr__(self, "mark", hash_of([*said, *runs]))

    @property
    def published(self) -> "Teaching":
        """The same without any run."""
        return Teaching(self.quantity, self.grain, thermal=self.thermal)

    @cached_property
    def of_room(self) -> "Teaching":
        """The same without the shelf and the seed."""
        return replace(self, shelf=(), lot=())


class Teachings:
    """What finished runs teach: the same object for the same question, as the caches like it.

    Parameters
    ----------
    finished : sequence of RunReadings
    thermal_points : callable or None
        Gives the readings of one of them over °C d; None: what they teach is by age in days.
    """

    def __init__(
        self, finished: Sequence[RunReadings], *, thermal_points: PointsOf | None = None
    ) -> None:
        self.finished = tuple(finished)
        self._thermal = thermal_points is not None
        self._points_of: PointsOf = thermal_points or RunReadings.points
        self._runs = {one.span.id for one in finished}
        self._known: dict[tuple[object, ...], Teaching] = {}

    def same(self, finished: Sequence[RunReadings]) -> bool:
        """Whether these finished runs teach the same."""
        return len(finished) == len(self.finished) and all(
            (one.series is other.series, one.grain, one.lots, one.shelf_id)
            == (True, other.grain, other.lots, other.shelf_id)
            for one, other in zip(finished, self.finished, strict=True)
        )

    def for_run(self, quantity: Quantity, readings: RunReadings) -> Teaching:
        """For one run; a finished run does not teach itself."""
        run = readings.span.id
        without = run if run in self._runs else None
        return self.of(
            quantity, readings.grain, readings.shelf_id, lots=readings.lots, without=without
        )

    def of(
        self,
        quantity: Quantity,
        grain: str,
        shelf_id: int | None,
        *,
        lots: frozenset[int] = frozenset(),
        without: int | None = None,
    ) -> Teaching:
        """For runs of a grain on a shelf, and of some seed where that is told."""
        question = (quantity, grain, shelf_id, lots, without)
        if question not in self._known:
            self._known[question] = self._of(*question)
        return self._known[question]

    def of_runs(self, quantity: Quantity, grain: str, runs: frozenset[int]) -> Teaching:
        """Of some of the finished runs against the room's, whatever they have in common."""
        question = (quantity, grain, runs)
        if question not in self._known:
            past = [
                (run.span.id, points)
                for run in self.finished
                if run.grain == grain and (points := self._points_of(run, quantity))
            ]
            self._known[question] = Teaching(
                quantity,
                grain,
                room=tuple(points for _, points in past),
                shelf=tuple(points for run, points in past if run in runs),
                thermal=self._thermal,
            )
        return self._known[question]

    def _of(
        self,
        quantity: Quantity,
        grain: str,
        shelf_id: int | None,
        lots: frozenset[int],
        without: int | None,
    ) -> Teaching:
        past = [
            (other, points)
            for other in self.finished
            if other.grain == grain
            and other.span.id != without
            and (points := self._points_of(other, quantity))
        ]
        return Teaching(
            quantity,
            grain,
            room=tuple(points for _, points in past),
            shelf=tuple(points for run, points in past if run.shelf_id == shelf_id is not None),
            lot=tuple(points for run, points in past if lots and run.lots == lots),
            thermal=self._thermal,
        )


def points_mark(points: Points) -> str:
    """Hash of a run's readings, to the last digit."""
    known = _MARKED.get(id(points))
    # By identity, since hashing all points would take longer than all else that a page asks for.
    if known is not None and known[0] is points:
        return known[1]
    mark = hash_of([repr(points)])
    if len(_MARKED) > _MOST_MARKED:
        _MARKED.clear()
    _MARKED[id(points)] = points, mark
    return mark
