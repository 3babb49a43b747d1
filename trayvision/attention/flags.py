"""A reason to look: its kind, its words, its evidence."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from trayvision.attention.readings import TrayReading
from trayvision.attention.state import Level, RoomState, RunState
from trayvision.score.parts import likelihood_words
from trayvision.warning.patch_sighting import Spot

# A sentence names no more trays than a person takes along.
_MOST_NAMED = 5


class FlagKind(StrEnum):
    """What deserves a look, most urgent first among flags of one level."""

    POSSIBLE_MOULD = "possible mould"
    HOT_OR_HUMID = "hot or humid"
    SLIME = "slime"
    STANDING_WATER = "standing water"
    OVERDUE = "overdue"
    UNEVEN_SPREADING = "uneven spreading"
    POOR_GERMINATION = "poor germination"
    BEHIND = "behind its siblings"
    DRY_OR_BARE = "dry or bare patch"
    LODGED = "lodged"
    YELLOWING = "yellowing"
    CAMERA = "camera"
    NO_PHOTO = "no photo since"
    READY = "ready"


@dataclass(frozen=True, slots=True)
class FlagEvidence:
    """One place in one photo, for crops side by side.

    Parameters
    ----------
    photo_id : str
    taken_at : datetime
    tray : int
    spot : Spot or None
        None: the whole tray.
    role : str
        "now" or "before": the same place last time.
    found_mm : float or None
        How large a followed spot is in this photo; None where it was not found in it.
    """

    photo_id: str
    taken_at: datetime
    tray: int
    spot: Spot | None
    role: str = "now"
    found_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Flag:
    """One reason to look.

    Parameters
    ----------
    key : str
        Names the flag for as long as its cause lasts; answers refer to it.
    kind : FlagKind
    level : Level
    trays : tuple of int
    since : datetime
    latest_at : datetime
        Of the newest evidence.
    reason : str
        One sentence.
    look_at : str
        What to look at or do.
    evidence : tuple of FlagEvidence
    confidence : float or None
        0 to 1, where the reason is an inference and not a reading. None where a hold stands on one
        photo's own call and all that is known together speaks against it: the reason tells both.
    strength : float
        Orders flags of one kind; comparable over time for one key.
    could_be : tuple of str
        What else it could be.
    related : tuple of int
        Trays to look at with it: beside it, below on the same water path, or of the same lot.
    near : tuple of int
        Those of them beside it or below on the same water path.
    also : tuple of str
        Keys of flags that were joined to this one; an answer to it is one to them.
    air : tuple of str
        What the air is, or was when it was read last: words of `AIR_BANDS`.
    """

    key: str
    kind: FlagKind
    level: Level
    trays: tuple[int, ...]
    since: datetime
    latest_at: datetime
    reason: str
    look_at: str
    evidence: tuple[FlagEvidence, ...] = ()
    confidence: float | None = None
    strength: float = 0.0
    could_be: tuple[str, ...] = ()
    related: tuple[int, ...] = ()
    near: tuple[int, ...] = ()
    also: tuple[str, ...] = ()
    air: tuple[str, ...] = ()

    @property
    def confidence_words(self) -> str | None:
        """How sure, in words and a number."""
        return None if self.confidence is None else likelihood_words(self.confidence)


def flag_key(kind: FlagKind, *names: object) -> str:
    """Key of a flag from what it is about."""
    return "/".join([str(kind), *(str(name) for name in names)])


def tray_words(room: RoomState, run: RunState) -> str:
    """A tray as its people call it: number, shelf, day."""
    shelf = room.shelf_of(run)
    place = f", {shelf}" if shelf else ""
    return f"Tray {run.tray}{place}, day {run.said_day(room.now)}"


def trays_words(trays: Iterable[int]) -> str:
    """Tray numbers as a list in words."""
    numbers = [str(tray) for tray in sorted(trays)]
    if len(numbers) == 1:
        return f"tray {numbers[0]}"
    return f"trays {', '.join(numbers[:-1])} and {numbers[-1]}"


def some_trays_words(trays: Sequence[int]) -> str:
    """The first few of many trays in words, and how many more."""
    more = len(trays) - _MOST_NAMED
    if more <= 1:
        return trays_words(trays)
    return f"trays {', '.join(str(tray) for tray in trays[:_MOST_NAMED])} and {more} more"


def moment_words(room: RoomState, moment: datetime) -> str:
    """A moment in the room's time, such as "Mon 2 Mar 07:30"."""
    local = moment.astimezone(room.now.tzinfo)
    return f"{local:%a} {local.day} {local:%b %H:%M}"


def placed_before(run: RunState, moment: datetime) -> list[TrayReading]:
    """Readings before a moment in which places of the tray can be shown, in order of time."""
    return [one for one in run.until(moment) if one.in_mm and one.photo.taken_at < moment]


def at_once(
    run: RunState, reading: TrayReading, spots: Iterable[Spot] = ()
) -> tuple[FlagEvidence, ...]:
    """Evidence of one reading: its largest spots, or the whole tray, and the same place before.

    None of a photo without millimetres, in which no place can be shown.
    """
    if not reading.in_mm:
        return ()
    earlier = placed_before(run, reading.photo.taken_at)
    largest = sorted(spots, key=lambda spot: -spot.diameter_mm)[:2]
    found = []
    for spot in largest or (None,):
        pairs = [(reading, "now"), *([(earlier[-1], "before")] if earlier else [])]
        found += [
            FlagEvidence(one.photo.photo_id, one.photo.taken_at, run.tray, spot, role)
            for one, role in pairs
        ]
    return tuple(found)
