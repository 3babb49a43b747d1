"""What is told, in words of the trade: never that feed is good, never to throw it away."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from service.models.cameras import CameraHealth
from service.models.flags import FlagOut, Hold
from service.models.notifications import AtOnce
from service.models.today import HarvestDue, LookFirst, LookWhy, PhotoDue, Today
from trayvision.attention.flags import FlagKind, trays_words
from trayvision.attention.state import Level

CAUTION = (
    "A photo cannot smell, nor see under the mat, nor tell toxic from harmless. It says where to "
    "look; you decide. On trembling, staggering or drooling stock hold the feed and call a vet."
)
TEST_TITLE, TEST_BODY = (
    "Test from the growing room",
    "This is a test. Messages from {room} reach you here.",
)
_FEW = 12
# As the reasons to look name air that is.
_TOO_HOT = "too hot"
# Flags of what the digest lists in sections of its own.
_WITH_SECTIONS = (FlagKind.CAMERA, FlagKind.NO_PHOTO, FlagKind.READY, FlagKind.OVERDUE)


@dataclass(frozen=True)
class Message:
    """One message, and the flags that it speaks of, as `flag_word` names them."""

    key: str
    title: str
    body: str
    flags: tuple[str, ...] = ()
    while_open: bool = False


def cannot_wait(flag: FlagOut) -> AtOnce | None:
    """Whether a flag is of a kind that can be told at once."""
    if flag.level == Level.HOLD:
        return AtOnce.HOLD
    if flag.kind == FlagKind.HOT_OR_HUMID and _TOO_HOT in flag.evidence.get("air", ()):
        return AtOnce.TOO_HOT
    return None


def flag_word(flag: FlagOut) -> str:
    """A flag as it is told once: told again only when it comes to hold, or to too hot."""
    return f"{flag.id} {cannot_wait(flag) or 'look'}"


def at_once_message(flag: FlagOut, zone: ZoneInfo) -> Message:
    """Told as soon as it is noticed."""
    word = flag_word(flag)
    what = "Too hot" if cannot_wait(flag) is AtOnce.TOO_HOT else "Hold"
    where = "" if flag.tray is None else f": tray {flag.tray}"
    since = moment_words(flag.since, zone)
    began = "Looking back, it began" if flag.told_late else "Since"
    parts = [flag.reason, flag.look, f"{began} {since}."]
    if _means_mould([flag]):
        parts.append(CAUTION)
    return Message(f"flag {word}", f"{what}{where}", "\n\n".join(parts), (word,), while_open=True)


def digest_message(
    today: Today, cameras: Sequence[CameraHealth], told: Collection[str], room: str
) -> Message:
    """The morning's one message.

    Parameters
    ----------
    today : Today
    cameras : sequence of CameraHealth
        Of those in use.
    told : collection of str
        What this target was told before, by `flag_word`; named in one line only.
    room : str
        Name of the room.
    """
    zone = ZoneInfo(today.time_zone)
    looks = [flag for flag in today.looks if flag.kind not in _WITH_SECTIONS]
    new = [flag for flag in looks if flag_word(flag) not in told]
    known = [flag for flag in looks if flag_word(flag) in told]
    due = [one for one in today.harvests if one.due]
    # What is due says that it is held.
    said = {flag.id for flag in looks}
    named = {one.tray for one in due}
    held = [one for one in today.holds if one.flag_id not in said and one.tray not in named]
    troubled = [camera for camera in cameras if not camera.ok]
    sections = [
        _section("Look at", (f"{flag.reason} {flag.look}" for flag in new)),
        _section("Told before, still open", (_short(flag) for flag in known)),
        _section("On hold: do not feed", (_held(one, zone) for one in held)),
        _section("Harvest", (_harvest(one, zone) for one in due)),
        _section("No fresh photo", _photos(today.photos_due, zone)),
        _section("Cameras", (camera.sentence for camera in troubled)),
        CAUTION if _means_mould(looks) or held or any(one.look_first for one in due) else "",
    ]
    body = "\n\n".join(part for part in sections if part)
    nothing = f"Nothing asks for a look this morning; {_growing(len(today.harvests))}."
    return Message(
        f"digest {today.date.isoformat()}",
        f"{room}, {today.date:%a} {today.date.day} {today.date:%b}: {_to_look_at(today)} to look "
        f"at, {len(due)} to harvest",
        body or nothing,
        tuple(flag_word(flag) for flag in looks),
    )


def moment_words(moment: datetime, zone: ZoneInfo) -> str:
    """A moment in the room's time, such as "Mon 2 Mar 07:30"."""
    local = moment.astimezone(zone)
    return f"{local:%a} {local.day} {local:%b %H:%M}"


def _growing(trays: int) -> str:
    return f"{trays} {'tray' if trays == 1 else 'trays'} growing"


def _section(title: str, lines: Iterable[str]) -> str:
    found = list(lines)
    if not found:
        return ""
    shown = [f"- {line}" for line in found[:_FEW]]
    if len(found) > _FEW:
        shown.append(f"- and {len(found) - _FEW} more")
    return "\n".join([f"{title}:", *shown])


def _to_look_at(today: Today) -> int:
    """Trays to walk to, as the first page counts them, and the air."""
    asked = [flag for flag in today.looks if flag.kind not in (FlagKind.CAMERA, FlagKind.NO_PHOTO)]
    trays = {tray for flag in asked if not _is_of_air(flag) for tray in flag.trays}
    return len(trays) + sum(_is_of_air(flag) or not flag.trays for flag in asked)


def _is_of_air(flag: FlagOut) -> bool:
    return flag.kind == FlagKind.HOT_OR_HUMID


def _short(flag: FlagOut) -> str:
    """A reason that was told before; of the air its newest words, since it names the place."""
    if _is_of_air(flag) or not flag.trays:
        return flag.reason
    words = trays_words(flag.trays)
    return f"{words[0].upper()}{words[1:]}: {flag.kind}, {flag.level}"


def _held(hold: Hold, zone: ZoneInfo) -> str:
    found = "somebody found mould" if hold.confirmed else "possible mould"
    return f"Tray {hold.tray}: {found}, {moment_words(hold.since, zone)}"


def _harvest(due: HarvestDue, zone: ZoneInfo) -> str:
    at = due.forecast.harvest_at
    when = "" if at is None else f", {moment_words(at, zone)}"
    hold = "; on hold: do not feed" if due.hold else ""
    first = "".join(f"; look first: {_first(one)}" for one in due.look_first)
    return f"Tray {due.tray}: {due.stage}{when}{hold}{first}"


def _first(one: LookFirst) -> str:
    if one.why is LookWhy.PHOTO:
        return "a photo of it shows a spot that may be mould"
    return f"mould was found in tray {one.tray}, beside it or with the same water or seed"


def _photos(due: Sequence[PhotoDue], zone: ZoneInfo) -> list[str]:
    return [f"Tray {one.tray}: {_photo(one, zone)}" for one in due]


def _photo(due: PhotoDue, zone: ZoneInfo) -> str:
    if due.not_judged_at is not None:
        at = moment_words(due.not_judged_at, zone)
        return f"mould cannot be judged in the photo of {at}"
    if due.last_photo_at is None:
        return "no photo in this run yet"
    return f"last photo {moment_words(due.last_photo_at, zone)}"


def _means_mould(flags: Iterable[FlagOut]) -> bool:
    return any(flag.kind == FlagKind.POSSIBLE_MOULD for flag in flags)
