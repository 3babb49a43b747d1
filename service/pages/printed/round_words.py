"""What stands on the round's paper at a tray, in sentences."""

import re
from typing import Final

from service.models.flags import FlagOut, Hold
from service.models.today import HarvestDue, PhotoDue, Today
from service.pages.now.now_words import later_words
from service.pages.words import Say

# As the library's flags say how old their trays are.
_AGE: Final = re.compile(r", day \d+(?=[:.])")


def held(hold: Hold, say: Say) -> str:
    """Why a tray is on hold, and what to do there."""
    why = "Somebody found mould" if hold.confirmed else "Its photos ask for it"
    return f"{why}, since {say.moment(hold.since)}. Look and smell; keep it apart."


def of_one_tray(flag: FlagOut) -> bool:
    """Whether a flag is about one tray alone."""
    return flag.tray is not None and len(flag.trays) == 1


def flag_words(flag: FlagOut, say: Say) -> str:
    """Why and what to look at, with how likely it is mould where it is about that."""
    sure = flag.evidence.get("confidence")
    likely = "" if sure is None else f" Is it mould? {_sentence(say.likely(sure))}."
    return f"{_without_tray(flag)}{likely} {flag.look}"


def about_trays(flag: FlagOut, say: Say) -> str:
    """The same of several trays, or of the room."""
    return _undated(flag_words(flag, say))


def harvest(one: HarvestDue, say: Say, *, first_look: bool) -> str:
    """That a tray is due."""
    due = one.forecast.harvest_at
    today = due is not None and say.local(due).date() == say.local(say.now).date()
    when = f", due {say.clock(due)}" if due is not None and today else ", overdue"
    if one.hold:
        return f"Harvest{when}: do not feed it."
    return f"Harvest{when}: look first." if first_look else f"Harvest and weigh{when}."


def photograph(photo: PhotoDue, say: Say) -> str:
    """That a tray is to be photographed."""
    if photo.not_judged_at is not None:
        since = say.ago(photo.not_judged_at)
        return f"Photograph again: the photo of {since} cannot show mould."
    if photo.last_photo_at is None:
        return "Photograph (first)."
    return f"Photograph, last {say.ago(photo.last_photo_at)}."


def later(flag: FlagOut, today: Today) -> str:
    """A flag that can wait; empty where its trays stand above as due already, or on hold."""
    words = later_words(flag, today)
    if words != flag.reason or flag.tray is None:
        return _undated(words)
    own = _without_tray(flag)
    return own if own.startswith(f"Tray {flag.tray}") else f"Tray {flag.tray}: {own}"


def _without_tray(flag: FlagOut) -> str:
    """A flag's reason without the tray and its age, which stand at the line's beginning."""
    begins, _, rest = flag.reason.partition(": ")
    named = begins.startswith(f"Tray {flag.tray},") and bool(rest)
    return _sentence(rest) if named else _undated(flag.reason)


def _undated(words: str) -> str:
    """Without the age of its trays: it was said on the day on which it was noticed."""
    return _AGE.sub("", words)


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}"
