"""What the buttons beside a reason to look mean in the log."""

from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import Final

from service.flags.flag_log import Answer
from service.log.refusals import Refusal
from service.models.flags import FlagOut, Verdict
from service.pages.flags.flag_view import INSTEAD, title_of
from service.pages.flags.verdict_words import verdict_words
from service.pages.words import Say
from trayvision.attention.flags import FlagKind

DONE: Final = "done"
_MORNING: Final = time(6)


@dataclass(frozen=True)
class Snooze:
    """One way to put a look off."""

    value: str
    label: str
    until: datetime


@dataclass(frozen=True)
class Choices:
    """What can be answered beside the large buttons.

    Parameters
    ----------
    snoozes : tuple of Snooze
    instead : tuple of (Verdict, str)
        What it may have been instead of mould.
    """

    snoozes: tuple[Snooze, ...]
    instead: tuple[tuple[Verdict, str], ...] = INSTEAD


def snoozes(say: Say) -> tuple[Snooze, ...]:
    """Ways to put a look off, soonest first but for the morning, which is asked for most."""
    tomorrow = say.local(say.now).date() + timedelta(days=1)
    morning = datetime.combine(tomorrow, _MORNING, say.zone)
    return (
        Snooze("tomorrow morning", "Until tomorrow morning", morning),
        Snooze("3 hours", "For 3 hours", say.now + timedelta(hours=3)),
        Snooze("2 days", "For 2 days", say.now + timedelta(days=2)),
    )


def answer_of(value: str, note: str | None, say: Say, *, at: datetime | None = None) -> Answer:
    """An answer as the log takes it.

    "Looked: fine" is a verdict that the flag was wrong, without a cause: it counts as wrong and
    the place stays quiet until its evidence has clearly grown. What is put off is put off from
    now, whatever `at` says. Raises Refusal.
    """
    if value == DONE:
        return Answer("done", note, at=at)
    for snooze in snoozes(say):
        if value == snooze.value:
            return Answer("snoozed", note, until_at=snooze.until)
    if value in list(Verdict):
        return Answer("verdict", note, verdict=Verdict(value), at=at)
    known = ", ".join([DONE, *(one.value for one in snoozes(say)), *Verdict])
    raise Refusal("answer", f"must be one of {known}, got {value[:60]!r}")


def said_words(flag: FlagOut, said: Answer, say: Say) -> str:
    """What was just answered, in a sentence."""
    who = title_of(flag)
    if said.until_at is not None:
        return f"{who}: put off until {say.moment(said.until_at)}."
    if said.verdict is None:
        return f"{who}: done."
    if flag.kind != FlagKind.POSSIBLE_MOULD:
        return f"{who}: {verdict_words(said.verdict, flag.kind)}."
    if said.verdict is Verdict.RIGHT:
        return f"Tray {flag.tray} stands on hold: do not feed."
    return f"Tray {flag.tray}: {verdict_words(said.verdict)}."
