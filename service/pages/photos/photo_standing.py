"""What stands open of possible mould on the trays that a photo shows, whatever it shows itself."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import sqlalchemy as sa

from service.flags.flag_log import flags
from service.flags.holds import holds
from service.models.flags import FlagState
from service.models.photos import PhotoOut
from service.pages import addresses
from service.pages.words import Say
from service.room.room_log import trays_by_number
from service.room.trays_now import TraysNow
from service.runs.run_calendar import present_run, run_calendar
from trayvision.attention.flags import FlagKind
from trayvision.attention.state import Level


@dataclass(frozen=True)
class Standing:
    """One hold, or one open look for possible mould.

    Parameters
    ----------
    tray : int
    level : str
        "look" or "hold".
    words : str
        Such as "tray 17 is on hold for possible mould".
    address : str
        Of the flag that says why.
    sure : bool
        Whether the words say how likely it is mould by all its photos together.
    """

    tray: int
    level: str
    words: str
    address: str
    sure: bool = False


@dataclass(frozen=True)
class Standings:
    """How things stand with the trays of a photo, in the runs that still grow.

    Parameters
    ----------
    opened : tuple of Standing
    quiet : frozenset of int
        Numbers of trays that nothing asks to look at, going by all their photos.
    """

    opened: tuple[Standing, ...] = ()
    quiet: frozenset[int] = frozenset()


NOTHING_STANDS: Final = Standings()


def standing(
    connection: sa.Connection, photos: Sequence[PhotoOut], say: Say
) -> dict[int, Standings]:
    """By photo, of the trays that it shows or is said to show, in the run that still grows."""
    by_tray, trays = run_calendar(connection).by_tray, trays_by_number(connection)
    present = {}
    for number in {number for photo in photos for number in _numbers(photo)} & trays.keys():
        span = present_run(by_tray.get(trays[number]["id"], ()), say.now)
        if span is not None:
            present[number] = span
    if not present:
        return {}
    known = _of_trays(connection, {span.id: number for number, span in present.items()}, say)
    quiet: frozenset[int] = frozenset()
    if any(map(_asks, photos)):
        quiet = TraysNow(connection, say.room, say.now).quiet()
    found = {}
    for photo in photos:
        shown = sorted(_numbers(photo) & present.keys())
        of_now = [number for number in shown if present[number].holds(photo.taken_at)]
        opened = tuple(known[number] for number in of_now if number in known)
        found[photo.id] = Standings(opened, quiet.intersection(of_now))
    return found


def _asks(photo: PhotoOut) -> bool:
    return any(tray["score"].get("attention", "quiet") != "quiet" for tray in photo.trays)


def _numbers(photo: PhotoOut) -> set[int]:
    measured = {tray["tray"] for tray in photo.trays if tray["tray"] is not None}
    return measured | set(photo.assigned_trays)


def _of_trays(connection: sa.Connection, growing: dict[int, int], say: Say) -> dict[int, Standing]:
    opened = flags(connection, say.now)
    snoozed = flags(connection, say.now, state=FlagState.SNOOZED)
    found = {}
    for flag in reversed(opened):
        if flag.kind == FlagKind.POSSIBLE_MOULD and flag.run_id in growing:
            number = growing[flag.run_id]
            sure = flag.evidence.get("confidence")
            likely = "" if sure is None else f" (by all its photos together: {say.likely(sure)})"
            words = f"tray {number} is to be looked at for possible mould{likely}"
            address = addresses.flag(flag.id)
            found[number] = Standing(number, str(Level.LOOK), words, address, sure is not None)
    for hold in holds(connection, growing, [*opened, *snoozed]):
        why = "somebody found mould" if hold.confirmed else "possible mould"
        words = f"tray {hold.tray} is on hold: {why}"
        found[hold.tray] = Standing(hold.tray, str(Level.HOLD), words, addresses.flag(hold.flag_id))
    return found
