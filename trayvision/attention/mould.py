"""Possible mould as a reason to look or to hold, with what stands in its way next."""

import re
from bisect import bisect_right
from collections.abc import Collection
from datetime import timedelta
from statistics import median

from trayvision.attention.flags import (
    Flag,
    FlagEvidence,
    FlagKind,
    flag_key,
    moment_words,
    placed_before,
    some_trays_words,
    tray_words,
)
from trayvision.attention.state import AnswerKind, Level, RoomState, RunState
from trayvision.attention.warmth import ShelfWarmth
from trayvision.score.expectations import CALLED_LIKELIHOOD
from trayvision.score.health_score import HOLD_BACK, LOOK_AGAIN, LOOK_FIRST, MASK, WATER_FIRST
from trayvision.score.parts import likelihood_words
from trayvision.warning.early_warning import Alert, RoomVerdicts, Suspicion, watch_run
from trayvision.warning.harmless_causes import Cause
from trayvision.warning.patch_evidence import PatchContext
from trayvision.warning.patch_sighting import Spot, TrayPhoto, hidden_shares
from trayvision.warning.patch_tracking import SPEAKS_AGAINST

# A sibling's photo tells of the same hours.
_SAME_HOURS = timedelta(hours=12)
_LEAST_GROWTH_SIGMAS = 2.0
_END_SHARE = 1 / 3
_MOSTLY_HIDDEN = 0.3


def mould_flags(room: RoomState, *, among: Collection[str] | None = None) -> list[Flag]:
    """One flag for every followed patch that asks for a look or a hold.

    Parameters
    ----------
    room : RoomState
    among : collection of str, optional
        Ids of the runs that are asked about; default all.
    """
    verdicts = room_verdicts(room)
    air = ShelfWarmth(room)
    flags = []
    for run in room.runs:
        if among is not None and run.run_id not in among:
            continue
        photos = [reading.photo for reading in run.until(room.now)]
        context = PatchContext(
            days={photo.photo_id: run.day_at(photo.taken_at) for photo in photos},
            siblings_fuzz=_siblings_fuzz(room, run, photos),
            temperature_c=air.of_shelf(room.shelf_of(run)),
            said=dict(verdicts.wrong),
        )
        warning = watch_run(photos, context=context, rates=room.rates, verdicts=verdicts)
        flags += [
            _flag(room, run, suspicion)
            for suspicion in warning.suspicions
            if suspicion.alert is not Alert.QUIET
        ]
    return flags


def room_verdicts(room: RoomState) -> RoomVerdicts:
    """The room's answers to its mould flags, counted; each flag by its last verdict.

    The last is the one entered last: a verdict may be written down later, with an earlier moment.
    """
    last = {}
    for answer in room.answers:
        about_mould = answer.flag_key.startswith(f"{FlagKind.POSSIBLE_MOULD}/")
        if about_mould and answer.kind in (AnswerKind.RIGHT, AnswerKind.WRONG):
            last[answer.flag_key] = answer
    wrong = [answer.cause for answer in last.values() if answer.kind is AnswerKind.WRONG]
    named = {cause: wrong.count(str(cause)) for cause in Cause}
    return RoomVerdicts(
        right=len(last) - len(wrong),
        wrong=tuple((cause, count) for cause, count in named.items() if count),
        wrong_otherwise=len(wrong) - sum(named.values()),
    )


def _siblings_fuzz(room: RoomState, run: RunState, photos: list[TrayPhoto]) -> dict[str, float]:
    """Median fuzz of the batch's other trays around the time of each photo."""
    asked = [photo for photo in photos if photo.patches and photo.fuzz > 0]
    if not asked:
        return {}
    siblings = [other.until(room.now) for other in room.siblings_of(run)]
    found = {}
    for photo in asked:
        beside = []
        for readings in siblings:
            # The latest one up to then: a later photo must not change what this one said.
            place = bisect_right(readings, photo.taken_at, key=lambda one: one.photo.taken_at)
            latest = readings[place - 1].photo if place else None
            if latest is not None and photo.taken_at - latest.taken_at <= _SAME_HOURS:
                beside.append(latest.fuzz)
        if beside:
            found[photo.photo_id] = float(median(beside))
    return found


def _flag(room: RoomState, run: RunState, suspicion: Suspicion) -> Flag:
    first = suspicion.track.sightings[0][1]
    photo, now = suspicion.track.last
    hold = suspicion.alert is Alert.HOLD
    look_at = [LOOK_AGAIN if hold else LOOK_FIRST]
    if not suspicion.evidence.watered and now.look == "white fuzz":
        look_at.append(WATER_FIRST)
    if hold:
        look_at += [HOLD_BACK, MASK]
    beside, below, lot = _beside(room, run), _below(room, run), _same_lot(room, run)
    if beside:
        look_at.append(f"Check {some_trays_words(beside)} beside it.")
    if below:
        look_at.append(f"Check {some_trays_words(below)} below on the same water path.")
    if lot:
        look_at.append(f"Of the same seed lot: {some_trays_words(lot)}.")
    return Flag(
        key=flag_key(FlagKind.POSSIBLE_MOULD, run.run_id, f"{first.x_mm:.0f},{first.y_mm:.0f}"),
        kind=FlagKind.POSSIBLE_MOULD,
        level=Level.HOLD if hold else Level.LOOK,
        trays=(run.tray,),
        since=suspicion.evidence.since.taken_at,
        latest_at=photo.taken_at,
        reason=_reason(room, run, suspicion),
        look_at=" ".join(look_at),
        evidence=_crops(run, suspicion),
        # A number that speaks against the hold would be taken for an all-clear: the reason weighs
        # the one against the other.
        confidence=None if hold and _rests_on_one_photo(suspicion) else suspicion.likelihood,
        strength=suspicion.evidence.total,
        could_be=(str(suspicion.evidence.likeliest_harmless),),
        related=tuple(sorted({*beside, *below, *lot})),
        near=tuple(sorted({*beside, *below})),
    )


def _rests_on_one_photo(suspicion: Suspicion) -> bool:
    """Whether a photo's own call stands against all that is known together."""
    called = suspicion.track.standing_likelihood
    return suspicion.likelihood < CALLED_LIKELIHOOD.value <= called


def _call_words(suspicion: Suspicion) -> str:
    called, now = suspicion.track.standing_likelihood, suspicion.track.last[1]
    photo = "that photo" if now.likelihood == called else "an earlier photo"
    words = f", by {photo} alone {likelihood_words(called)}"
    if suspicion.alert is Alert.HOLD:
        together = likelihood_words(suspicion.likelihood)
        words += f", and so held, though with its day and all photos counted {together}"
    return words


def _reason(room: RoomState, run: RunState, suspicion: Suspicion) -> str:
    photo, now = suspicion.track.last
    where = _where(now.x_mm, run.opening_mm[0])
    size = suspicion.track.largest_mm
    words = f"{tray_words(room, run)}: {now.look} {where}, {size:.0f} mm across"
    if hidden_shares(suspicion.track.sightings)[-1] > _MOSTLY_HIDDEN:
        words += ", by now partly under blades"
    growth = suspicion.growth
    if growth and growth.mm_per_day > _LEAST_GROWTH_SIGMAS * growth.uncertainty_mm_per_day:
        words += f", spreading {growth.mm_per_day:.0f} mm a day to each side"
    if suspicion.evidence.watered:
        words += ", looked at before and after watering"
    before = placed_before(run, photo.taken_at)
    if _rests_on_one_photo(suspicion):
        words += _call_words(suspicion)
    later = [one.photo for one in run.until(room.now) if one.photo.taken_at > photo.taken_at]
    if later:
        clear = sum(one.could_show(now.diameter_mm) >= SPEAKS_AGAINST for one in later)
        words += f", last seen {moment_words(room, photo.taken_at)}"
        words += f", and {_without_it(clear)}" if clear else ", perhaps hidden since"
    if len(suspicion.track.sightings) > 1:
        words += f", first seen {moment_words(room, suspicion.track.sightings[0][0].taken_at)}"
    elif before:
        # What a photo does not tell may have been there: whoever reads on compares the pictures.
        words += f", none told there {moment_words(room, before[-1].photo.taken_at)}"
    return words + "."


def _without_it(count: int) -> str:
    which, does = ("one photo", "does") if count == 1 else (f"{count} photos", "do")
    return f"the {which} since that could have shown it {does} not"


def _where(x_mm: float, length_mm: float) -> str:
    if abs(x_mm) < length_mm / 2 * _END_SHARE:
        return "in the middle"
    return "towards bar A" if x_mm < 0 else "towards bar B"


def _crops(run: RunState, suspicion: Suspicion) -> tuple[FlagEvidence, ...]:
    """The spot in the latest photo that shows it, and the same place in the photo before."""
    photo, now = suspicion.track.last
    spot = Spot(now.x_mm, now.y_mm, now.diameter_mm)
    pairs = [(photo, "now")]
    earlier = placed_before(run, photo.taken_at)
    if earlier:
        pairs.append((earlier[-1].photo, "before"))
    found = {one.photo_id: seen.diameter_mm for one, seen in suspicion.track.sightings}
    return tuple(
        FlagEvidence(
            one.photo_id, one.taken_at, run.tray, spot, role, found_mm=found.get(one.photo_id)
        )
        for one, role in pairs
    )


def _beside(room: RoomState, run: RunState) -> list[int]:
    """Trays in the next places of the same shelf; all of a shelf whose places have no numbers."""
    here = run.placement_at(room.now)
    if here is None:
        return []
    found = []
    for other in room.runs:
        there = other.placement_at(room.now)
        if other is run or there is None or (there.rack, there.shelf) != (here.rack, here.shelf):
            continue
        apart = _places_apart(here.position, there.position)
        if apart is None or apart <= 1:
            found.append(other.tray)
    return sorted(found)


def _places_apart(one: str | None, other: str | None) -> int | None:
    """How far two places lie apart by the numbers in their names; None where they have none."""
    numbers = [re.findall(r"\d+", name or "")[-1:] for name in (one, other)]
    return None if [] in numbers else abs(int(numbers[0][0]) - int(numbers[1][0]))


def _below(room: RoomState, run: RunState) -> list[int]:
    """Trays on which the water of this one runs next, nearest first."""
    here = run.placement_at(room.now)
    if here is None or here.level is None or here.water_path is None:
        return []
    found = []
    for other in room.runs:
        there = other.placement_at(room.now)
        if other is run or there is None or there.level is None:
            continue
        same = (there.rack, there.water_path) == (here.rack, here.water_path)
        if same and there.level > here.level:
            found.append((there.level, other.tray))
    return [tray for _, tray in sorted(found)]


def _same_lot(room: RoomState, run: RunState) -> list[int]:
    return sorted(
        other.tray for other in room.runs if other is not run and set(other.lots) & set(run.lots)
    )
