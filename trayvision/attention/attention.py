"""Everything that deserves a look, as one short ranked list: one cause, one flag."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from trayvision.attention.air import air_flags, cold_trays
from trayvision.attention.answers import confirmed_runs, open_flags
from trayvision.attention.behind import behind_flags, without_germination
from trayvision.attention.cameras import camera_flags
from trayvision.attention.dates import harvest_flags
from trayvision.attention.flags import Flag, FlagKind, flag_key, trays_words
from trayvision.attention.growth import growth_flags
from trayvision.attention.mould import mould_flags
from trayvision.attention.room import no_photo_flags
from trayvision.attention.state import AnswerKind, Level, RoomState
from trayvision.attention.unplaced import unplaced_flags
from trayvision.score.health_score import COMPARE

FEW: Final = 5
_LEVELS: Final = (Level.HOLD, Level.LOOK, Level.NOTE)
_KINDS: Final = tuple(FlagKind)


@dataclass(frozen=True, slots=True)
class AttentionList:
    """Open flags, most urgent first.

    Parameters
    ----------
    first : tuple of Flag
        The few to walk to now: every hold, then looks, up to `FEW` in all.
    later : tuple of Flag
        The others.
    silenced : tuple of Flag
        What an answer keeps quiet, though its cause is still there.
    """

    first: tuple[Flag, ...]
    later: tuple[Flag, ...]
    silenced: tuple[Flag, ...] = ()

    @property
    def flags(self) -> tuple[Flag, ...]:
        """All of them, most urgent first."""
        return self.first + self.later


def find_attention(room: RoomState, *, few: int = FEW) -> AttentionList:
    """All open reasons to look at a moment, ranked.

    A pure function of the room's log: the same log gives the same list.

    Parameters
    ----------
    room : RoomState
    few : int
        Length of the first part; holds are never cut.

    Raises
    ------
    ValueError
        If `few` is negative.
    """
    if few < 0:
        raise ValueError(f"few must be 0 or more, got {few!r}")
    flags = all_flags(room)
    opened = open_flags(flags, room.answers, room.now)
    heard = {flag.key for flag in opened}
    silenced = _one_per_tray([flag for flag in flags if flag.key not in heard])
    ranked = sorted(_one_per_tray(opened), key=_urgency)
    cut = few_to_walk_to([flag.level for flag in ranked], few=few)
    return AttentionList(tuple(ranked[:cut]), tuple(ranked[cut:]), tuple(silenced))


def few_to_walk_to(levels: Sequence[str | None], *, few: int = FEW) -> int:
    """How many of the ranked flags are to be walked to now: every hold, then looks up to `few`."""
    holds = sum(level == Level.HOLD for level in levels)
    walk_to = sum(level != Level.NOTE for level in levels)
    return max(holds, min(few, walk_to))


def all_flags(room: RoomState) -> list[Flag]:
    """Every reason to look, answered or not, each patch of possible mould by itself."""
    air, cameras = air_flags(room), camera_flags(room)
    growth = growth_flags(room)
    germination = _by_lot(room, [f for f in growth if f.kind is FlagKind.POOR_GERMINATION])
    others = [flag for flag in growth if flag.kind is not FlagKind.POOR_GERMINATION]
    behind = without_germination(behind_flags(room), germination)
    # Where it is cold, slow trays are no second cause.
    cold = cold_trays(room)
    mould = [*mould_flags(room), *unplaced_flags(room)]
    return [
        *mould,
        *air,
        *others,
        *germination,
        *(flag for flag in behind if not set(flag.trays) <= cold),
        *_after_looks(harvest_flags(room, on_hold=_on_hold(room, mould)), _unsettled(room, mould)),
        *cameras,
        *no_photo_flags(room, cameras),
    ]


def _on_hold(room: RoomState, mould: Sequence[Flag]) -> set[int]:
    """Trays whose photos ask to hold them, or whose mould somebody confirmed.

    Whoever looked and found nothing ended that; putting a look off feeds no animal.
    """
    confirmed = confirmed_runs([one for one in room.answers if one.said_at <= room.now])
    unsettled = _unsettled(room, mould)
    asked = {tray for flag in unsettled if flag.level is Level.HOLD for tray in flag.trays}
    return asked | {run.tray for run in room.runs if run.run_id in confirmed}


def _unsettled(room: RoomState, mould: Sequence[Flag]) -> list[Flag]:
    """Flags of possible mould that nobody has looked at yet."""
    looked = [one for one in room.answers if one.kind is not AnswerKind.SNOOZE]
    return open_flags(mould, looked, room.now)


def _after_looks(harvests: Sequence[Flag], unsettled: Sequence[Flag]) -> Iterator[Flag]:
    """What may be harvested, and which of it somebody should look at before."""
    suspected = {tray for flag in unsettled for tray in flag.trays}
    for flag in harvests:
        first = suspected & {*flag.trays}
        words = f" Look for mould first: {trays_words(first)}." if first else ""
        yield replace(flag, look_at=flag.look_at + words)


def _urgency(flag: Flag) -> tuple[int, int, float, str]:
    return _LEVELS.index(flag.level), _KINDS.index(flag.kind), -flag.strength, flag.key


def _one_per_tray(flags: Sequence[Flag]) -> list[Flag]:
    """Patches of possible mould on one tray as one flag, led by the strongest."""
    by_tray: dict[int, list[Flag]] = defaultdict(list)
    merged = []
    for flag in flags:
        if flag.kind is FlagKind.POSSIBLE_MOULD:
            by_tray[flag.trays[0]].append(flag)
        else:
            merged.append(flag)
    for tray, patches in sorted(by_tray.items()):
        lead, *more = sorted(patches, key=_urgency)
        others = sorted({f.trays[0] for f in flags if f.kind is lead.kind} - {tray})
        suspect = [other for other in others if other in lead.related]
        words = lead.reason
        if more:
            words = f"{words[:-1]}; {len(more)} more such {_places(len(more))}."
        look_at = lead.look_at
        if suspect:
            look_at += f" Suspect as well: {trays_words(suspect)}; clean what they share."
        evidence = [one for flag in (lead, *more) for one in flag.evidence]
        since = min(flag.since for flag in patches)
        merged.append(
            replace(
                lead,
                reason=words,
                look_at=look_at,
                evidence=tuple(evidence),
                since=since,
                also=tuple(flag.key for flag in more),
            )
        )
    return merged


def _places(count: int) -> str:
    return "place" if count == 1 else "places"


def _by_lot(room: RoomState, flags: Sequence[Flag]) -> list[Flag]:
    """Poor germination of several trays of one seed lot as one flag."""
    lots = {run.tray: "+".join(sorted(run.lots)) for run in room.runs}
    by_lot: dict[str, list[Flag]] = defaultdict(list)
    for flag in flags:
        by_lot[lots[flag.trays[0]]].append(flag)
    merged = []
    for lot, same in by_lot.items():
        if not lot or len(same) < 2:
            merged += same
            continue
        trays = tuple(sorted(flag.trays[0] for flag in same))
        sown = sum(lots[run.tray] == lot for run in room.runs)
        worst = max(same, key=lambda flag: flag.strength)
        reason = (
            f"Seed lot {lot}: poor germination in {trays_words(trays)}, of {sown} sown with it."
        )
        evidence = tuple(one for flag in same for one in flag.evidence)
        merged.append(
            replace(
                worst,
                key=flag_key(FlagKind.POOR_GERMINATION, "lot", lot),
                trays=trays,
                since=min(flag.since for flag in same),
                latest_at=max(flag.latest_at for flag in same),
                reason=reason,
                look_at=f"Test this lot's germination before soaking more of it. {COMPARE}",
                evidence=evidence,
                also=tuple(flag.key for flag in same),
            )
        )
    return merged
