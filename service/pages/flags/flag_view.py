"""A reason to look as pages show it: its pictures, how sure it is, what can be answered."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import sqlalchemy as sa

from service.models.flags import FlagOut, Hold, Verdict
from service.models.photos import PhotoOut
from service.models.runs import Reading
from service.pages.flags.since_words import since_words
from service.pages.words import Say
from service.photos.photo_log import latest_photos, photos_out
from service.room.room_log import trays_by_number
from service.runs.run_calendar import run_calendar
from service.runs.run_log import lot_names, seed_of_entries
from trayvision.attention.flags import FlagKind

# What a person may say that it was instead of mould, in the words of the buttons.
INSTEAD: Final = (
    (Verdict.ROOT_HAIRS, "Root hairs"),
    (Verdict.GLARE, "Glare of water or lamp"),
    (Verdict.HUSKS, "Husks or bare seed"),
    (Verdict.SHADOW, "A shadow"),
    (Verdict.FLOOR, "Bare floor"),
    (Verdict.OTHER, "Something else"),
)
# What lies in the room and not in a tray has no picture.
_OF_THE_ROOM: Final[Mapping[str, str]] = {
    FlagKind.HOT_OR_HUMID: "The air",
    FlagKind.CAMERA: "A camera",
    FlagKind.NO_PHOTO: "Trays to photograph",
}
# No photo of a tray shows whether these were seen to.
_NOT_IN_PHOTOS: Final = (FlagKind.HOT_OR_HUMID, FlagKind.CAMERA)


@dataclass(frozen=True)
class Moment:
    """A picture of a place, and the photo it was cut from.

    Parameters
    ----------
    picture : str
    taken_at : aware datetime
    photo_id : int
    found_mm : float or None
        How large a followed spot is in it; None where it was not found.
    """

    picture: str
    taken_at: datetime
    photo_id: int
    found_mm: float | None


@dataclass(frozen=True)
class Place:
    """One place of a flag, as it is now and as it was last time.

    Parameters
    ----------
    tray : int
    at_mm : tuple of float or None
        Where the ringed spot lies in the tray's frame; None: the whole tray.
    followed : bool
        Whether the spot was looked for in both photos.
    now : Moment
    before : Moment or None
    """

    tray: int
    at_mm: tuple[float, float] | None
    followed: bool
    now: Moment
    before: Moment | None


@dataclass(frozen=True)
class FlagView:
    """A flag with what stands beside it on a page.

    Parameters
    ----------
    flag : FlagOut
    title : str
        Where and what, in a few words.
    places : tuple of Place
        The strongest first; empty where no place of a tray shows it.
    last_photo : PhotoOut or None
        Of the tray, where no place shows the reason.
    readings : tuple of Reading
        Of the air that it is about.
    lots : tuple of str
        Names of the seed lots in the tray.
    held : tuple of Hold
        Those of its trays that stand on hold.
    """

    flag: FlagOut
    title: str
    places: tuple[Place, ...]
    last_photo: PhotoOut | None
    readings: tuple[Reading, ...]
    lots: tuple[str, ...]
    held: tuple[Hold, ...]

    @property
    def where(self) -> str:
        """Such as "tray 17": tells buttons of one page apart for whoever hears them alone."""
        place = where_of(self.flag)
        return place[0].lower() + place[1:]

    def since(self, say: Say) -> str:
        """When it began, when it was noticed where that was later, and when it was over."""
        return since_words(self.flag, say)

    @property
    def is_mould(self) -> bool:
        """Whether it is about possible mould."""
        return self.flag.kind == FlagKind.POSSIBLE_MOULD

    @property
    def confidence(self) -> float | None:
        """Likelihood, where it is an inference and not a reading."""
        return self.flag.evidence.get("confidence")

    @property
    def could_be(self) -> str:
        """What else it could be, empty where nothing is known."""
        return " or ".join(self.flag.evidence.get("could_be", []))

    @property
    def photograph(self) -> str:
        """What a new photo would show again; empty where none can show it."""
        if self.flag.kind in _NOT_IN_PHOTOS or not self.flag.trays:
            return ""
        if self.flag.kind == FlagKind.NO_PHOTO:
            return "Take photos of them" if len(self.flag.trays) > 1 else "Take a photo of it"
        return f"Photograph {'it' if len(self.flag.trays) == 1 else 'them'} again"

    @property
    def neighbours(self) -> list[int]:
        """Trays to look at with it: beside it, below on the same water, or of the same seed."""
        return list(self.flag.evidence.get("related", []))

    @property
    def confirmed(self) -> Hold | None:
        """The hold that a person set on this flag's tray."""
        return next((hold for hold in self.held if hold.confirmed), None)


@dataclass(frozen=True)
class Beside:
    """What is known of the room when flags are shown."""

    holds: Sequence[Hold]
    readings: Sequence[Reading]


def flag_views(
    connection: sa.Connection, flags: Sequence[FlagOut], beside: Beside
) -> tuple[FlagView, ...]:
    """Flags as pages show them, in their order."""
    photos = _last_photos(connection, flags)
    lots = _lots(connection, [flag.run_id for flag in flags if flag.run_id is not None])
    return tuple(
        FlagView(
            flag=flag,
            title=title_of(flag),
            places=flag_places(flag),
            last_photo=photos.get(flag.tray)
            if flag.tray is not None and _shows_its_tray(flag)
            else None,
            readings=tuple(_readings(flag, beside.readings)),
            lots=tuple(lots.get(flag.run_id or 0, ())),
            held=tuple(hold for hold in beside.holds if hold.tray in flag.trays),
        )
        for flag in flags
    )


def title_of(flag: FlagOut) -> str:
    """Where and what, such as "Tray 17: possible mould"."""
    return where_of(flag) if flag.kind in _OF_THE_ROOM else f"{where_of(flag)}: {flag.kind}"


def where_of(flag: FlagOut) -> str:
    """Where it is, such as "Tray 17"."""
    if flag.kind in _OF_THE_ROOM:
        return _OF_THE_ROOM[flag.kind]
    number = len(flag.trays)
    return f"Tray {flag.trays[0]}" if number == 1 else f"{number} trays" if number else "The room"


def is_of_the_room(flag: FlagOut) -> bool:
    """Whether it lies in the room and not in a tray."""
    return flag.kind in _OF_THE_ROOM or not flag.trays


def flag_places(flag: FlagOut) -> tuple[Place, ...]:
    """The places that show a flag, the strongest first."""
    return tuple(
        Place(
            tray=place["tray"],
            at_mm=None if place["x_mm"] is None else (place["x_mm"], place["y_mm"]),
            followed=flag.kind == FlagKind.POSSIBLE_MOULD and "found_mm" in place["now"],
            now=_moment(flag, place["now"], "now", number),
            before=None
            if place["before"] is None
            else _moment(flag, place["before"], "before", number),
        )
        for number, place in enumerate(flag.evidence.get("places", []))
    )


def _moment(flag: FlagOut, photo: Mapping[str, Any], role: str, number: int) -> Moment:
    which = f"?place={number}" if number else ""
    return Moment(
        picture=f"/api/flags/{flag.id}/evidence/{role}.jpg{which}",
        taken_at=datetime.fromisoformat(photo["taken_at"]),
        photo_id=photo["photo_id"],
        found_mm=photo.get("found_mm"),
    )


def _last_photos(connection: sa.Connection, flags: Sequence[FlagOut]) -> dict[int, PhotoOut]:
    """The last photo of each tray that has a flag of its own without a place, by tray number."""
    numbers = {
        flag.tray
        for flag in flags
        if flag.tray is not None and _shows_its_tray(flag) and not flag.evidence.get("places")
    }
    if not numbers:
        return {}
    trays = trays_by_number(connection)
    ids = {trays[number]["id"]: number for number in numbers if number in trays}
    latest = latest_photos(connection, list(ids))
    photos = {photo.id: photo for photo in photos_out(connection, list(latest.values()))}
    return {ids[tray_id]: photos[photo_id] for tray_id, photo_id in latest.items()}


def _shows_its_tray(flag: FlagOut) -> bool:
    """Not of a camera or the air, though only one tray is left there: that looks well enough."""
    return flag.kind not in _NOT_IN_PHOTOS


def _readings(flag: FlagOut, readings: Sequence[Reading]) -> list[Reading]:
    if flag.kind != FlagKind.HOT_OR_HUMID:
        return []
    return [one for one in readings if flag.shelf_id is None or one.shelf_id == flag.shelf_id]


def _lots(connection: sa.Connection, runs: Sequence[int]) -> dict[int, list[str]]:
    """Names of the seed lots by run id."""
    calendar, names = run_calendar(connection).by_id, lot_names(connection)
    entries = {run: calendar[run].row["entry_id"] for run in runs if run in calendar}
    seed = seed_of_entries(connection, entries.values())
    return {
        run: sorted(names[part.lot_id] for part in seed.get(entry, ()) if part.lot_id in names)
        for run, entry in entries.items()
    }
