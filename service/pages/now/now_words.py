"""The first page's sentences: where one must go, and when a tray is due."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from service.flags.looks_record import LooksRecord
from service.models.flags import FlagOut
from service.models.growth import Forecast
from service.models.today import HarvestDue, PhotoDue, Today
from service.pages.flags.flag_view import is_of_the_room
from service.pages.flags.look_first_words import look_first_words
from service.pages.flags.near_looks import NearLook, near_words_of_row
from service.pages.growth.forecast_words import by_day, due_words
from service.pages.words import Say, number_word
from trayvision.attention.flags import FlagKind, trays_words
from trayvision.attention.state import Level

NEW_ROOM: Final = "This room is new: three steps to the first look"
NOTHING: Final = "Nothing asks for a look"
_MOST_NAMED: Final = 3
# A spread below that is no news to somebody who walks in twice a day.
_NARROW: Final = timedelta(hours=2)


@dataclass(frozen=True)
class HarvestLine:
    """A tray that is due today, in words.

    Parameters
    ----------
    tray : int
    shelf_id : int or None
    when : str
        Such as "ready about today 15:00".
    spread : str
        How well that is known; empty where a date says it, or once it is ready.
    hold : bool
        It stands on hold from feeding.
    look_first : bool
        Something on it deserves a look before it is taken.
    look_why : str
        What does, where none of its own flags says so; else empty.
    near : str
        Which of its neighbours are to be looked at, where it is not itself; may be empty.
    """

    tray: int
    shelf_id: int | None
    when: str
    spread: str
    hold: bool
    look_first: bool
    look_why: str = ""
    near: str = ""


def stopped_words(looks: LooksRecord, say: Say) -> str:
    """That reasons to look cannot be worked out, empty while they can."""
    if looks.failing_since is None:
        return ""
    last = "" if looks.last_at is None else f" What stands here is of {say.moment(looks.last_at)}."
    return (
        f"Since {say.moment(looks.failing_since)} something in the log stops Trayvision from "
        f"working out what deserves a look.{last} Look over every tray yourself; the service's own "
        "log says what it is."
    )


def first_line(today: Today, asked: Sequence[FlagOut], say: Say, *, looks: LooksRecord) -> str:
    """Where one must go, in a sentence; `asked` are the flags to walk to."""
    if looks.failing_since is not None:
        return "Look over every tray: no warning works now"
    parts = _to_look_at(asked, today)
    rest = _to_do(today, say, asked)
    if not parts:
        return f"{NOTHING}; {_and(rest)}" if rest else NOTHING
    words = _and(parts)
    more = f"; {_and(rest)}" if rest else ""
    return f"{words[0].upper()}{words[1:]}{more}"


def _to_do(today: Today, say: Say, asked: Sequence[FlagOut]) -> list[str]:
    """What else is to be done; trays on hold that are named to be looked at are not named again."""
    rest = []
    named = {tray for flag in asked if flag.level == Level.HOLD for tray in flag.trays}
    held = sum(hold.tray not in named for hold in today.holds)
    if held:
        rest.append(f"{_trays(held)} {'stands' if held == 1 else 'stand'} on hold")
    late = len(today.photos_due)
    if late and not any(flag.kind == FlagKind.NO_PHOTO for flag in asked):
        verb = "has" if late == 1 else "have"
        rest.append(f"{_trays(late)} {verb} no fresh photo{_since(today.photos_due, say)}")
    due = sum(one.due and not one.hold for one in today.harvests)
    if due:
        rest.append(f"{_trays(due)} {'is' if due == 1 else 'are'} due for harvest")
    if not today.harvests:
        rest.append("no tray grows here now")
    return rest


def harvest_line(
    due: HarvestDue, say: Say, *, look_first: bool, near: Collection[NearLook] = ()
) -> HarvestLine:
    """When a tray is due, and how well that is known."""
    at = due.forecast.harvest_at
    assert at is not None, "a tray without a forecast is not due"
    spread = ""
    what = "due" if by_day(due.forecast) else "ready"
    if due.forecast.by_days_alone:
        when = f"by its days {due_words(at, say)}, no height of it was measured"
    elif due.stage == "overdue":
        when = f"overdue since {say.moment(at)}"
    elif at <= say.now:
        when = f"{what} since {say.moment(at)}"
    else:
        when, spread = f"{what} about {say.moment(at)}", _spread(due.forecast, say)
    why = look_first_words(due.look_first, say)
    looks = look_first or bool(why)
    beside = "" if looks or due.hold else near_words_of_row(near, due.look_first)
    return HarvestLine(
        due.tray, due.shelf_id, when, spread, due.hold, looks, look_why=why, near=beside
    )


def later_words(flag: FlagOut, today: Today) -> str:
    """A flag that can wait, in a sentence; empty where its trays stand above already.

    What is ready is said of the trays that are not due today anyway and stand not on hold.
    """
    if flag.kind not in (FlagKind.READY, FlagKind.OVERDUE):
        return flag.reason
    above = {one.tray for one in today.harvests if one.due or one.hold}
    left = [tray for tray in flag.trays if tray not in above]
    if not left:
        return ""
    words = trays_words(left)
    return f"{words[0].upper()}{words[1:]}: {flag.reason.rpartition(': ')[2]}"


def _spread(forecast: Forecast, say: Say) -> str:
    low, high = forecast.low_at, forecast.high_at
    if by_day(forecast):
        return "the day to harvest it by, whatever its height"
    often = f"{round(10 * forecast.coverage)} times in 10"
    if low is None or high is None:
        return f"{often} no sooner than {say.moment(low)}" if low is not None else ""
    if high - low < _NARROW:
        return ""
    return f"{often} between {say.moment(low)} and {say.moment(high)}"


def _to_look_at(asked: Sequence[FlagOut], today: Today) -> list[str]:
    flags = {flag.kind: flag for flag in asked}
    in_trays = [flag for flag in asked if not is_of_the_room(flag)]
    trays = list(dict.fromkeys(tray for flag in in_trays for tray in flag.trays))
    parts = []
    if trays:
        few = len(trays) <= _MOST_NAMED
        named = f" ({_and([str(tray) for tray in trays])})" if few else ""
        parts.append(f"{_trays(len(trays))} to look at{named}")
    if FlagKind.HOT_OR_HUMID in flags:
        parts.append("the air to see to")
    if FlagKind.CAMERA in flags:
        parts.append("a camera to see to")
    if FlagKind.NO_PHOTO in flags:
        # All that have no fresh photo, as the list below: the flag names those that lack one long.
        due = {one.tray for one in today.photos_due}
        parts.append(f"{_trays(len(due.union(flags[FlagKind.NO_PHOTO].trays)))} to photograph")
    known = (FlagKind.HOT_OR_HUMID, FlagKind.CAMERA, FlagKind.NO_PHOTO)
    if any(is_of_the_room(flag) and flag.kind not in known for flag in asked):
        parts.append("the room to look at")
    return parts


def _trays(number: int) -> str:
    return f"{number_word(number)} {'tray' if number == 1 else 'trays'}"


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _since(due: Sequence[PhotoDue], say: Say) -> str:
    """Since the longest of them, where all had one."""
    moments = [one.last_photo_at for one in due if one.last_photo_at is not None]
    return f" since {say.moment(min(moments))}" if len(moments) == len(due) else ""
