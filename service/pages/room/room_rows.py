"""What the room's page says of each tray, shelf by shelf as they stand."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property

from service.growth.run_series import RunReadings
from service.models.room import TrayState
from service.pages.flags.near_looks import NearLook, near_words_of_row
from service.pages.growth.forecast_words import by_day, due_words
from service.pages.growth.trend import trend
from service.pages.photos.measure_words import why_it_asks
from service.pages.room.free_places import free_words
from service.pages.words import Say
from service.photos.photo_scores import NewestPhoto
from service.room.rack_log import Rack, Shelf
from service.room.trays_now import TrayNow
from trayvision.attention.flags import FlagKind
from trayvision.attention.state import Level
from trayvision.kit.guide import number_ranges

_STAGES = {"soaking": "", "spread": "", "carpet": "green carpet"}
# Stages that follow from dates, whatever the tray looks like.
_IN_TIME = ("soaking", "ready", "overdue")
# Further ahead a weekday would name two days.
_WITHIN_A_WEEK = timedelta(days=6)


@dataclass(frozen=True)
class TrayRow:
    """A growing tray.

    Parameters
    ----------
    number, run_id : int
    shelf_id : int or None
    position : str or None
        Name of its place on the shelf.
    age : str
        As this room counts it.
    level : str
        "hold", "look" or "".
    state : str
        Such as "ready" or "greening, due about Friday".
    due : bool
        It is due before today ends.
    no_photo : str
        "no photo since …", "no photo yet", that the last one cannot show mould, or empty.
    near : str
        Which of its neighbours are to be looked at, where it is not itself; may be empty.
    newest : str
        Why its last photo by itself asks for a look, where nothing else does; may be empty.
    trend : str
        How it grows; empty where no photo shows it.
    photo_id : int or None
        The last photo of this run.
    photo_words : str
        When it was taken.
    """

    number: int
    run_id: int
    shelf_id: int | None
    position: str | None
    age: str
    level: str
    state: str
    due: bool
    no_photo: str
    near: str
    newest: str
    trend: str
    photo_id: int | None
    photo_words: str


@dataclass(frozen=True)
class IdleTray:
    """A tray in which nothing grows: its number and since when."""

    number: int
    since: str


@dataclass(frozen=True)
class IdleTrays:
    """Trays in which nothing grows."""

    trays: tuple[IdleTray, ...] = ()

    @property
    def numbers(self) -> tuple[int, ...]:
        """Their numbers."""
        return tuple(tray.number for tray in self.trays)

    @property
    def in_short(self) -> str:
        """Such as "1-20, 25"."""
        return number_ranges(self.numbers)


@dataclass(frozen=True)
class ShelfRows:
    """A shelf from left to right.

    Parameters
    ----------
    id : int
    name : str
    strip : tuple of TrayRow or str
        Trays, and names of places where none stands.
    """

    id: int
    name: str
    strip: tuple[TrayRow | str, ...]

    @cached_property
    def trays(self) -> tuple[TrayRow, ...]:
        """Its trays from left to right."""
        return tuple(one for one in self.strip if isinstance(one, TrayRow))

    @cached_property
    def free(self) -> tuple[str, ...]:
        """Names of places where none stands."""
        return tuple(one for one in self.strip if isinstance(one, str))

    @property
    def free_words(self) -> str:
        """How many of these there are, or which."""
        return free_words(self.free)


@dataclass(frozen=True)
class RackRows:
    """A rack: its shelves, the top one first."""

    name: str
    shelves: tuple[ShelfRows, ...]


def tray_row(
    tray: TrayNow,
    readings: RunReadings,
    say: Say,
    *,
    position: str | None,
    near: Collection[NearLook],
    finished: tuple[RunReadings, ...],
) -> TrayRow:
    """What is said of a growing tray."""
    span = readings.span
    last = readings.rows[-1] if readings.rows else None
    photo_at = None if last is None else last["taken_at"]
    due_at = None if tray.forecast is None else tray.forecast.harvest_at
    grows = trend(readings, finished)
    level = level_of(tray)
    unjudged = tray.newest is not None and tray.newest.taken_at != tray.newest.judged_at
    asks = "" if tray.newest is None or level or unjudged else why_it_asks(tray.newest.score, say)
    return TrayRow(
        number=tray.number,
        run_id=span.id,
        shelf_id=tray.shelf_id,
        position=position,
        age=say.day_of_run(span),
        level=level,
        state=_row_state(tray, say),
        due=is_due(due_at, say),
        no_photo=_no_photo(tray.newest, span.begins_at, say),
        near="" if level else near_words_of_row(near, tray.look_first),
        newest=asks,
        trend="" if grows is None else grows.words(say),
        photo_id=None if last is None else last["photo_id"],
        photo_words="" if photo_at is None else say.moment(photo_at),
    )


def state_words(tray: TrayNow, say: Say) -> str:
    """Such as "ready" or "greening, due about Friday"; a tray never measured goes by its days."""
    forecast = tray.forecast
    due_at = None if forecast is None else forecast.harvest_at
    stage = tray.stage or ""
    if forecast is not None and due_at is not None and forecast.by_days_alone:
        seen = tray.newest is not None and stage not in _IN_TIME
        looks = f"{_STAGES.get(stage, stage)}, " if seen and _STAGES.get(stage, stage) else ""
        words = f"{looks}by its days {due_words(due_at, say)}"
    elif stage == "ready" and forecast is not None and by_day(forecast):
        words = "due"
    else:
        words = _state_words(stage, due_at, say)
    return words


def _row_state(tray: TrayNow, say: Say) -> str:
    due_at = None if tray.forecast is None else tray.forecast.harvest_at
    words = state_words(tray, say)
    return f"{words}, look first" if is_due(due_at, say) and asks_first(tray) else words


def rack_rows(
    standing: Sequence[Rack], rows: Iterable[TrayRow], places: dict[int, int]
) -> tuple[RackRows, ...]:
    """Growing trays on their shelves.

    Parameters
    ----------
    standing : sequence of Rack
    rows : iterable of TrayRow
    places : mapping of tray number to the id of its position
    """
    by_shelf: dict[int | None, list[TrayRow]] = {}
    for row in rows:
        by_shelf.setdefault(row.shelf_id, []).append(row)
    return tuple(
        RackRows(
            rack.name,
            tuple(_shelf_rows(shelf, by_shelf.get(shelf.id, []), places) for shelf in rack.shelves),
        )
        for rack in standing
    )


def idle(trays: Iterable[TrayNow], state: TrayState, say: Say) -> IdleTrays:
    """Trays of one state in which nothing grows; those to be washed are no empty ones."""
    return IdleTrays(
        tuple(
            IdleTray(tray.number, "" if tray.since is None else say.date(tray.since))
            for tray in trays
            if tray.state is state and not tray.to_wash
        )
    )


def to_wash(trays: Iterable[TrayNow], say: Say) -> IdleTrays:
    """Trays that nobody wrote as washed since something was taken out of them."""
    return IdleTrays(
        tuple(
            IdleTray(tray.number, "" if tray.since is None else say.date(tray.since))
            for tray in trays
            if tray.to_wash
        )
    )


def _shelf_rows(shelf: Shelf, rows: Sequence[TrayRow], places: dict[int, int]) -> ShelfRows:
    standing: dict[int | None, list[TrayRow]] = {}
    known = {one.id for one in shelf.positions}
    for row in sorted(rows, key=lambda row: row.number):
        place = places.get(row.number)
        standing.setdefault(place if place in known else None, []).append(row)
    strip: list[TrayRow | str] = []
    for one in shelf.positions:
        strip += standing.get(one.id, [one.name])
    return ShelfRows(shelf.id, shelf.name, (*strip, *standing.get(None, [])))


def is_due(due_at: datetime | None, say: Say) -> bool:
    """Whether a harvest falls due before today ends."""
    return due_at is not None and due_at < say.day_ends


def level_of(tray: TrayNow) -> str:
    """How much attention a tray asks for: "hold", "look" or ""."""
    if tray.hold is not None:
        return "hold"
    look = tray.look_first or any(flag.level == Level.LOOK for flag in tray.flags)
    return "look" if look else ""


def asks_first(tray: TrayNow) -> bool:
    """Whether something asks to look at it before it is taken; that it is overdue does not."""
    kinds = {flag.kind for flag in tray.flags if flag.level == Level.LOOK}
    return bool(tray.look_first or kinds - {FlagKind.OVERDUE})


def _state_words(stage: str, due_at: datetime | None, say: Say) -> str:
    """Such as "ready" or "greening, due about Friday"."""
    words = [_STAGES.get(stage, stage)]
    if stage not in ("ready", "overdue") and due_at is not None:
        if is_due(due_at, say):
            words.append(f"due about {say.clock(due_at)}")
        elif due_at - say.now < _WITHIN_A_WEEK:
            words.append(f"due about {say.weekday(due_at)}")
        else:
            words.append(f"due about {say.date(due_at)}")
    return ", ".join(filter(None, words))


def _no_photo(newest: NewestPhoto | None, begins_at: datetime, say: Say) -> str:
    late = timedelta(hours=say.room.photo_every_hours)
    if newest is not None:
        judged_at = newest.judged_at
        if judged_at is not None and say.now - judged_at < late:
            return ""
        if judged_at is None or judged_at != newest.taken_at:
            return f"mould cannot be judged in the photo of {say.moment(newest.taken_at)}"
        return f"no photo since {say.moment(judged_at)}"
    return "no photo yet" if say.now - begins_at >= late else ""
