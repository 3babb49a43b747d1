"""Growing runs against what is usual in this room: which are ahead or behind, and how much."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from service.growth.room_normal import LEAST_RUNS, RoomNormal
from service.growth.run_series import RunReadings
from service.pages.growth.growth_charts import BAR_SIGMAS, side_of_usual, unit_of
from service.pages.growth.pace_words import runs_words, span_words
from service.pages.tray.tray_words import listed
from service.pages.words import Say
from trayvision.growth.fit import GrowthPoint
from trayvision.growth.prior import Quantity

# Where the usual curve rises more slowly than that, a height says nothing of days.
_LEAST_RISE_MM: Final = 3.0
_MOST_NAMED: Final = 12


@dataclass(frozen=True)
class RunPace:
    """One growing run.

    Parameters
    ----------
    run_id, tray : int
    shelf_id : int or None
    day : float
        Age at its last reading of height.
    height : str
    side : int or None
        -1 behind, 0 as usual, 1 ahead; None where that cannot be told.
    words : str
    """

    run_id: int
    tray: int
    shelf_id: int | None
    day: float
    height: str
    side: int | None
    words: str


def run_pace(run: RunReadings, normal: RoomNormal, say: Say) -> RunPace:
    """A run's last height against the room's own normal."""
    points = run.points(Quantity.HEIGHT)
    span = run.span
    if not points:
        return RunPace(span.id, span.number, run.shelf_id, 0.0, "", None, "no height read yet")
    last = points[-1]
    height = unit_of(Quantity.HEIGHT, say).words(last.value)
    usual = normal.at(last.age)
    side, words = None, "cannot tell: too few finished runs of that age"
    if usual is not None:
        side, words = side_of_usual(last.value, last.uncertainty, usual), "as usual"
        if side:
            words = _words(side, _days_ahead(last, normal))
    return RunPace(span.id, span.number, run.shelf_id, last.age, height, side, words)


def present_answer(
    paces: Sequence[RunPace], normal: RoomNormal, grain: str, lagging: Sequence[int]
) -> str:
    """Which runs are ahead or behind, in a sentence; `lagging` trays are so flagged."""
    if not paces:
        return f"Nothing of {grain} grows now."
    if not normal.ages:
        if not lagging:
            return "Nothing is noticed to lag behind the trays spread with it"
        words = f"{_numbered(lagging, 'lag', 'lags')} behind the trays spread with it"
        return f"{words[:1].upper()}{words[1:]}"
    behind = [pace for pace in paces if pace.side == -1]
    ahead = [pace for pace in paces if pace.side == 1]
    unknown = [pace for pace in paces if pace.side is None]
    said = [_named(behind, "behind"), _named(ahead, "ahead of")]
    told = " and ".join(filter(None, said))
    told = f"{told[:1].upper()}{told[1:]}"
    usual = len(paces) - len(behind) - len(ahead) - len(unknown)
    if not told:
        return f"No run is ahead or behind: {runs_words(usual)} of {grain} as usual here"
    as_usual = f", {runs_words(usual)} as usual" if usual else ""
    return f"{told} what is usual here{as_usual}"


def not_told(paces: Sequence[RunPace], normal: RoomNormal, grain: str) -> str:
    """What cannot be told of the present runs yet, and why; empty where all can."""
    if not normal.ages:
        have = {0: "None has", 1: "One has"}.get(normal.runs, f"{normal.runs} have")
        return (
            f"What is usual in this room cannot be told before {LEAST_RUNS} runs of {grain} have "
            f"finished. {have} so far; one that finishes today counts from tomorrow."
        )
    unknown = sum(pace.side is None for pace in paces)
    return f"{runs_words(unknown).capitalize()} cannot be told yet." if unknown else ""


def shared(paces: Iterable[RunPace], names: dict[int, str], lots: dict[int, set[str]]) -> str:
    """What the runs behind have in common and the others have not, as far as the log knows."""
    everyone = list(paces)
    behind = [pace for pace in everyone if pace.side == -1]
    if len(behind) < 2:
        return ""
    shelves = {pace.shelf_id for pace in behind}
    common = set.intersection(*(lots.get(pace.run_id, set()) for pace in behind))
    others = [pace for pace in everyone if pace.side not in (-1, None)]
    elsewhere = {lot for pace in others for lot in lots.get(pace.run_id, set())}
    said = []
    if len(shelves) == 1 and None not in shelves:
        said.append(f"all stand on {names.get(behind[0].shelf_id or 0, 'one shelf')}")
    if common - elsewhere:
        said.append(f"all are from {listed(sorted(common - elsewhere))}, which no other run is")
    if not said:
        return "Those behind share neither a shelf nor a lot that the others have not."
    return f"Those behind: {listed(said)}."


def _named(paces: Sequence[RunPace], how: str) -> str:
    numbers = [pace.tray for pace in paces]
    return f"{_numbered(numbers, 'are', 'is')} {how}" if numbers else ""


def _numbered(trays: Sequence[int], several: str, single: str) -> str:
    """Such as "trays 6, 12 and 14 are"."""
    numbers = [str(tray) for tray in trays[:_MOST_NAMED]]
    more = len(trays) - len(numbers)
    names = f"{', '.join(numbers)} and {more} more" if more else listed(numbers)
    return f"tray {names} {single}" if len(trays) == 1 else f"trays {names} {several}"


def _days_ahead(point: GrowthPoint, normal: RoomNormal) -> tuple[float, float] | None:
    """How many days ahead of the usual median a height is, and its reach in days."""
    days, (median, rise) = normal.ages, normal.climb
    if not median[0] < point.value < median[-1]:
        return None
    at = float(np.interp(point.value, median, days))
    slope = float(np.interp(at, days, rise))
    if slope < _LEAST_RISE_MM:
        return None
    return at - point.age, BAR_SIGMAS * point.uncertainty / slope


def _words(side: int, ahead: tuple[float, float] | None) -> str:
    how = "ahead" if side > 0 else "behind"
    if ahead is None:
        return how
    return f"{span_words(abs(ahead[0]))} {how}, give or take {ahead[1]:.1f} days"
