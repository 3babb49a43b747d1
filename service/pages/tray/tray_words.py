"""What a tray's page says first, and its reasons to look."""

from collections.abc import Iterable
from dataclasses import dataclass

from service.flags.mould_record import UNANSWERED
from service.models.flags import FlagOut, FlagState
from service.models.room import TrayState
from service.models.today import TrayOut
from service.pages.flags.flag_view import Place, flag_places
from service.pages.flags.look_first_words import look_first_address, look_first_words
from service.pages.flags.since_words import since_words
from service.pages.flags.verdict_words import verdict_words
from service.pages.tray.tray_growth import GrowthShown
from service.pages.words import Say
from service.room.tray_history import PastRun
from trayvision.attention.flags import FlagKind
from trayvision.attention.state import Level

_QUIET = "growing, nothing stands out"
_STATES = {
    TrayState.EMPTY: "empty",
    TrayState.RESTING: "resting",
    TrayState.RETIRED: "out of use",
}


@dataclass(frozen=True)
class FlagShown:
    """One open reason to look.

    Parameters
    ----------
    flag : FlagOut
    since : str
        A sentence.
    sure : str
        How sure, in words; empty where that is not a matter of likelihood.
    could_be : str
        What else it could be; may be empty.
    spot : Place or None
        Where possible mould is followed.
    """

    flag: FlagOut
    since: str
    sure: str
    could_be: str
    spot: Place | None


def flag_shown(flag: FlagOut, say: Say) -> FlagShown:
    """A flag as pages show it."""
    confidence = flag.evidence.get("confidence")
    # Trays of one batch share such a flag, which is as old as what was noticed of its first.
    shared = flag.kind in (FlagKind.READY, FlagKind.OVERDUE) and len(flag.trays) > 1
    since = since_words(flag, say)
    return FlagShown(
        flag,
        f"{since.removesuffix('.')}, the first of them." if shared else since,
        "" if confidence is None else say.likely(confidence),
        listed(flag.evidence.get("could_be", ())),
        next(iter(flag_places(flag)), None) if flag.kind == FlagKind.POSSIBLE_MOULD else None,
    )


def asking(tray: TrayOut, say: Say) -> tuple[tuple[str, str], ...]:
    """What asks to look at a growing tray beside its flags: words and where it is shown."""
    return tuple((look_first_words([one], say), look_first_address(one)) for one in tray.look_first)


def tray_answer(
    tray: TrayOut,
    growth: GrowthShown | None,
    say: Say,
    *,
    photographed: bool,
    newest: str = "",
    stray: str = "",
) -> str:
    """The first line of a tray's page.

    Parameters
    ----------
    tray : TrayOut
    growth : GrowthShown or None
    say : Say
    photographed : bool
        Whether a photo of its present or last run was measured.
    newest : str, optional
        Why its last photo by itself asks for a look.
    stray : str, optional
        What a photo asks for that lies in no run of it.
    """
    name = f"Tray {tray.tray}"
    where = f", {tray.shelf}" if tray.shelf is not None else ""
    if tray.state is not TrayState.GROWING or tray.run is None:
        since = "" if tray.state_since is None else f" since {say.moment(tray.state_since)}"
        never = "" if growth is not None else ". Nothing was ever spread in it"
        asks = f", but {stray}" if stray else ""
        return f"{name}{where}: {_STATES[tray.state]}{since}{never}{asks}."
    # As this room counts; the other count stands beside the photo.
    day = say.day_of_run(tray.run).partition(" (")[0]
    if tray.run.day_from_spread < 0:
        return f"{name}{where}: soaking, to be spread {say.moment(tray.run.spread_at)}."
    forecast = f", {growth.forecast}" if growth is not None and growth.forecast else ""
    asks = "" if _is_asked_for(tray) or not newest else f"; its newest photo: {newest}"
    how = _how(tray, growth, say, photographed=photographed)
    if asks and how == _QUIET:
        how = "over the days nothing stands out"
    return f"{name}{where}, {day}: {how}{forecast}{asks}."


def _is_asked_for(tray: TrayOut) -> bool:
    """Whether a tray's page begins with a hold or a look."""
    looks = any(flag.level == Level.LOOK for flag in tray.flags)
    return looks or bool(tray.look_first) or tray.hold is not None


def _how(tray: TrayOut, growth: GrowthShown | None, say: Say, *, photographed: bool) -> str:
    looks = [flag.kind for flag in tray.flags if flag.level == Level.LOOK]
    if tray.hold is not None:
        why = "somebody looked: it is mould" if tray.hold.confirmed else FlagKind.POSSIBLE_MOULD
        return f"hold, do not feed ({why})"
    if tray.look_first:
        asks = [*dict.fromkeys(looks), look_first_words(tray.look_first, say)]
        return f"look at it first ({listed(asks)})"
    if looks:
        return f"look at it ({listed(dict.fromkeys(looks))})"
    if not photographed:
        return "not photographed yet in this run"
    if growth is None or growth.as_usual is None:
        return _QUIET
    return "growing as usual" if growth.as_usual else "growing, but not as is usual here"


def became_words(flag: FlagOut, say: Say) -> str:
    """What became of a flag, such as "Answered: it was root hairs, yesterday 18:40."."""
    if flag.state is FlagState.SNOOZED and flag.snoozed_until is not None:
        return f"Put off until {say.moment(flag.snoozed_until)}."
    at = "" if flag.answered_at is None else f", {say.moment(flag.answered_at)}"
    if flag.verdict is not None:
        return f"Answered: {verdict_words(flag.verdict, flag.kind)}{at}."
    if flag.state is FlagState.DONE:
        return f"Seen to{at}."
    return "It no longer holds." if flag.gone_at is None else f"Until {say.moment(flag.gone_at)}."


def happened_words(run: PastRun) -> str:
    """What became of a run, such as "harvested; possible mould, answered: it is mould"."""
    reason = run.run.ended_reason
    said = [] if reason is None else [str(reason)]
    if run.mould is not None:
        answer = "" if run.mould == UNANSWERED else f"answered: {verdict_words(run.mould)}"
        said.append(f"possible mould, {answer or UNANSWERED}")
    return "; ".join([*said, *run.notes]) or "grows"


def listed(words: Iterable[str]) -> str:
    """Such as "a, b and c"."""
    said = list(words)
    return " and ".join(filter(None, [", ".join(said[:-1]), *said[-1:]]))
