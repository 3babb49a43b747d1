"""Flags: reasons to look at a tray, and what people answered."""

from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any, Final

from pydantic import Field

from service.models.base import Model, Moment, Text

# What is said within this time of what shows it was told at once.
TOLD_AT_ONCE: Final = timedelta(hours=1)


class FlagState(StrEnum):
    """What has become of a flag."""

    OPEN = "open"
    SNOOZED = "snoozed"
    DONE = "done"
    GONE = "gone"


class Verdict(StrEnum):
    """What a person found on going to look."""

    RIGHT = "right"
    # Somebody looked and there was nothing to see to: wrong, without a cause that could be named.
    FINE = "fine"
    ROOT_HAIRS = "root hairs"
    GLARE = "glare"
    HUSKS = "husks"
    SHADOW = "shadow"
    FLOOR = "bare floor"
    OTHER = "something else"


class FlagOut(Model):
    """A reason to look: where, since when, why, what shows it, what to look at."""

    id: int
    kind: str
    state: FlagState
    level: str | None = Field(description="In the grower's words, such as look or hold.")
    urgency: float = Field(description="Larger is more urgent.")
    tray: int | None = Field(description="Null where it is about several trays, or none.")
    trays: list[int]
    shelf_id: int | None
    run_id: int | None
    lot_id: int | None
    since: datetime = Field(description="When it began, as far as is known by now.")
    opened_at: datetime = Field(description="When it was first said.")
    noticed_at: datetime
    reason: str
    look: str = Field(description="What to look at or do.")
    evidence: dict[str, Any]
    now: str | None = Field(description="Picture of the place in the latest photo that shows it.")
    before: str | None = Field(description="Picture of the same place last time.")
    snoozed_until: datetime | None
    verdict: Verdict | None
    answered_at: datetime | None
    gone_at: datetime | None = Field(
        description="When what asked for a look was no longer there; null while it may be."
    )

    @property
    def told_late(self) -> bool:
        """Photos of days ago may show, by what came after, what nobody could know by then."""
        return self.opened_at - self.since > TOLD_AT_ONCE


class Hold(Model):
    """A tray that stands on hold from feeding: until its run ends or a person says otherwise."""

    tray: int
    run_id: int
    flag_id: int = Field(description="The flag that says why.")
    since: datetime
    confirmed: bool = Field(
        description="A person said that it is mould; else its photos ask to hold it."
    )
    confirmed_by: int | None = Field(description="Who; null in a room without log-ins.")


class VerdictCount(Model):
    """How flags of one kind turned out."""

    kind: str
    right: int
    wrong: int
    was: dict[str, int] = Field(description="How often each answer was given.")


class MouldThreshold(Model):
    """The evidence, in nats, at which a look and a hold are said in this room."""

    share_right: float = Field(
        description="Expected share of right looks, what was expected before verdicts counted in."
    )
    shift: float = Field(description="What this room's verdicts add to the bounds, within limits.")
    lowest_shift: float
    highest_shift: float
    look_at: float
    hold_at: float
    look_at_without_verdicts: float
    hold_at_without_verdicts: float
    words: str


class VerdictsOut(Model):
    """How often flags were right in this room, and what follows for its thresholds."""

    kinds: list[VerdictCount]
    mould: MouldThreshold


class FlagsOut(Model):
    """Flags, most urgent first."""

    flags: list[FlagOut]


class Snooze(Model):
    """Not now."""

    until: Moment
    note: Text | None = None


class Done(Model):
    """Looked at and dealt with."""

    note: Text | None = None
    at: Moment | None = Field(default=None, description="When somebody looked. Default: now.")


class VerdictIn(Model):
    """What it was."""

    verdict: Verdict
    note: Text | None = None
    at: Moment | None = Field(default=None, description="When somebody looked. Default: now.")
