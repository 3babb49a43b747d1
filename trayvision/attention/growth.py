"""Reasons to look at one tray that its photos and dates give, other than mould.

Thresholds are those of the health score where it has one (`trayvision.score.expectations`); the
others stand below and are judgement.
"""

from collections.abc import Callable, Sequence
from datetime import timedelta
from math import pi
from statistics import median
from typing import Final

from trayvision.attention.flags import Flag, FlagKind, at_once, flag_key, tray_words
from trayvision.attention.readings import TrayReading
from trayvision.attention.state import Level, RoomState, RunState
from trayvision.quality_flags import Doubt
from trayvision.score.expectations import (
    BARE_SHARE,
    COVER,
    COVER_VARIATION,
    RESPREAD_SHARE,
    SEED_LAYER,
    SEED_LAYER_TOLERANCE,
    SHOOT_HEIGHT,
    YELLOW_SHARE,
    days_behind,
    usual_range,
)
from trayvision.score.health_score import COMPARE, SPREAD_AGAIN
from trayvision.warning.patch_sighting import Spot, Watering

# A reading that old says nothing about now.
RECENT: Final = timedelta(hours=36)
# Photos of one round lie closer together than that, those of a morning and an evening do not.
ONE_ROUND: Final = timedelta(hours=8)
_LEAST_SEEN: Final = 0.5
_SPREADING_DAYS: Final = 1.5
_GERMINATED_BY_DAY: Final = 2.75
_GERMINATION_LAST_DAY: Final = 6.0
_BARE_FROM_DAY: Final = 4.5
_GERMINATION_BEHIND_DAYS: Final = 0.75
_FEW_OF_SIBLINGS: Final = 1 / 3
_LEAST_SIBLINGS: Final = 3
_LEAST_COVER: Final = 0.1
_SAME_HOURS: Final = timedelta(hours=12)
_UNEVEN_EXCESS: Final = 0.5
_SLIME_MM2: Final = 300.0
_LARGE_BARE_MM: Final = 60.0
_GREEN_BY_DAY: Final = 5.0
_YELLOW_EXCESS: Final = 0.15
_LODGED_DAY: Final = 6.0
_LODGED_COVER: Final = 0.8
_LODGED_SHARE: Final = 0.25
_SIGMAS: Final = 3.0
_COLOUR_DOUBTS: Final = {Doubt.COLOURED_LIGHT, Doubt.MIXED_LIGHT, Doubt.NO_WHITE, Doubt.GREYSCALE}

Judge = Callable[[RoomState, RunState, Sequence[TrayReading]], Flag | None]


def growth_flags(room: RoomState) -> list[Flag]:
    """Spreading, germination, bare patches, slime, water, yellowing and lodging of each tray."""
    flags = []
    for run in room.runs:
        readings = [one for one in run.until(room.now) if one.photo.seen >= _LEAST_SEEN]
        if not readings or room.now - readings[-1].photo.taken_at > RECENT:
            continue
        flags += [flag for judge in _JUDGES if (flag := judge(room, run, readings)) is not None]
    return flags


def _flag(
    room: RoomState,
    run: RunState,
    found: tuple[FlagKind, str, str],
    readings: Sequence[TrayReading],
    *,
    spots: Sequence[Spot] = (),
    strength: float = 0.0,
) -> Flag:
    """A look at one tray; `readings` are those that show it, oldest first."""
    kind, what, look_at = found
    return Flag(
        key=flag_key(kind, run.run_id),
        kind=kind,
        level=Level.LOOK,
        trays=(run.tray,),
        since=readings[0].photo.taken_at,
        latest_at=readings[-1].photo.taken_at,
        reason=f"{tray_words(room, run)}: {what}.",
        look_at=look_at,
        evidence=at_once(run, readings[-1], spots),
        strength=strength,
    )


def _lasting(
    readings: Sequence[TrayReading], shows: Callable[[TrayReading], bool]
) -> Sequence[TrayReading]:
    """The unbroken row of readings up to the last one that show it; empty if that does not."""
    first = len(readings)
    while first and shows(readings[first - 1]):
        first -= 1
    return readings[first:]


def _area_mm2(spots: Sequence[Spot]) -> float:
    return sum(pi * spot.diameter_mm**2 / 4 for spot in spots)


def _spreading(room: RoomState, run: RunState, readings: Sequence[TrayReading]) -> Flag | None:
    least = SEED_LAYER.value - RESPREAD_SHARE.value * SEED_LAYER_TOLERANCE.value
    last = readings[-1]
    share = last.seed_layer_share
    if run.day_at(room.now) >= _SPREADING_DAYS or share is None or share >= least:
        return None
    what = f"seed lies on {share:.0%} of the floor only"
    return _flag(
        room,
        run,
        (FlagKind.UNEVEN_SPREADING, what, SPREAD_AGAIN),
        [last],
        spots=last.bare,
        strength=least - share,
    )


def _germination(room: RoomState, run: RunState, readings: Sequence[TrayReading]) -> Flag | None:
    last = readings[-1]
    day = run.day_at(last.photo.taken_at)
    if not _GERMINATED_BY_DAY <= day < _GERMINATION_LAST_DAY:
        return None
    behind, beside = _germination_lag(last, day), _beside_siblings(room, run)
    uneven = last.cover_variation or 0.0
    excess = uneven - usual_range(COVER_VARIATION, day)[1]
    if behind >= _GERMINATION_BEHIND_DAYS:
        what = f"few shoots for its age, {behind:.0f} {_days(behind)} behind the slowest usual"
    elif beside is not None and _highest_cover(beside[0]) < _FEW_OF_SIBLINGS * beside[1]:
        own, usual = beside[0].photo.cover, beside[1]
        what = f"few shoots: they cover {own:.0%}, on its siblings {usual:.0%}"
    elif excess >= _UNEVEN_EXCESS:
        what = "shoots stand unevenly for this age"
    else:
        return None
    look_at = f"Count sprouted seeds in a hand-size square. {COMPARE}"
    found = (FlagKind.POOR_GERMINATION, what, look_at)
    return _flag(room, run, found, [last], spots=last.bare, strength=max(behind, excess))


def _germination_lag(reading: TrayReading, day: float) -> float:
    """Days behind the slowest usual tray, at the upper end of what was measured."""
    height = reading.shoot_height_mm
    # A short tray may be merely slow: seeds that sprouted are counted by cover where it is known.
    if reading.photo.cover is not None:
        return days_behind(COVER, _highest_cover(reading), day)
    if height is None or height.value is None:
        return 0.0
    return days_behind(SHOOT_HEIGHT, height.value + 2 * (height.uncertainty or 0.0), day)


def _highest_cover(reading: TrayReading) -> float:
    return min(1.0, (reading.photo.cover or 0.0) + 2 * reading.cover_uncertainty)


def _beside_siblings(room: RoomState, run: RunState) -> tuple[TrayReading, float] | None:
    """A reading and the median cover of the batch about then, where that says something.

    While a round of photos goes on, of the one before: shoots cover twice as much half a day
    later, and a tray whose new photo is still to come would be held against those of the others.
    """
    siblings = room.siblings_of(run)
    last = [seen[-1].photo.taken_at for one in (run, *siblings) if (seen := one.until(room.now))]
    recent = [moment for moment in last if room.now - moment <= RECENT]
    upto = min(recent, default=room.now) + ONE_ROUND
    reading = next(reversed(run.until(min(upto, room.now))), None)
    if reading is None or reading.photo.cover is None:
        return None
    covers = [
        seen[-1].photo.cover
        for other in siblings
        if (seen := other.until(min(upto, room.now)))
        and abs(reading.photo.taken_at - seen[-1].photo.taken_at) <= _SAME_HOURS
    ]
    known = [cover for cover in covers if cover is not None]
    if len(known) < _LEAST_SIBLINGS:
        return None
    usual = median(known)
    return (reading, usual) if usual >= _LEAST_COVER else None


def _days(count: float) -> str:
    return "day" if round(count) == 1 else "days"


def _bare(room: RoomState, run: RunState, readings: Sequence[TrayReading]) -> Flag | None:
    opening = run.opening_mm[0] * run.opening_mm[1]

    def shows(reading: TrayReading) -> bool:
        large = any(spot.diameter_mm >= _LARGE_BARE_MM for spot in reading.bare)
        grown = run.day_at(reading.photo.taken_at) >= _BARE_FROM_DAY
        return grown and (large or _area_mm2(reading.bare) > BARE_SHARE.value * opening)

    lasting = _lasting(readings, shows)
    if not lasting:
        return None
    spots = lasting[-1].bare
    share = _area_mm2(spots) / opening
    largest = max(spot.diameter_mm for spot in spots)
    what = f"{share:.0%} of the tray without shoots, the largest place {largest:.0f} mm across"
    look_at = (
        "Feel whether it is dry or soaked. Compare with the inlet side and look for a missed "
        "watering; dead seed that is wetted again moulds next."
    )
    found = (FlagKind.DRY_OR_BARE, what, look_at)
    return _flag(room, run, found, lasting, spots=spots, strength=share)


def _slime(room: RoomState, run: RunState, readings: Sequence[TrayReading]) -> Flag | None:
    lasting = _lasting(readings, lambda one: _area_mm2(one.slime) >= _SLIME_MM2)
    if not lasting:
        return None
    spots = lasting[-1].slime
    area = _area_mm2(spots)
    what = f"glossy brown wet places, {area / 100:.0f} cm² in all, possibly slime"
    look_at = "Smell it: sour means slime. Look at the drain and the depth of the seed."
    found = (FlagKind.SLIME, what, look_at)
    return _flag(room, run, found, lasting, spots=spots, strength=area)


def _water(room: RoomState, run: RunState, readings: Sequence[TrayReading]) -> Flag | None:
    lasting = _lasting(readings, lambda one: bool(one.standing_water))
    # Right after watering a tray may still be draining: it must be there in another photo too.
    settled = [one for one in lasting if one.photo.watering is not Watering.AFTER]
    if not lasting or (len(lasting) < 2 and not settled):
        return None
    spots = lasting[-1].standing_water
    what = f"water seems to stand, {_area_mm2(spots) / 100:.0f} cm²"
    look_at = "Clear the outlet, level the tray, prop a sagging shelf; photograph it again."
    found = (FlagKind.STANDING_WATER, what, look_at)
    return _flag(room, run, found, lasting, spots=spots, strength=_area_mm2(spots))


def _yellowing(room: RoomState, run: RunState, readings: Sequence[TrayReading]) -> Flag | None:
    def excess(reading: TrayReading) -> float:
        day = run.day_at(reading.photo.taken_at)
        if day < _GREEN_BY_DAY or reading.yellow_share is None:
            return 0.0
        # Under coloured light, or without the kit's white, yellow cannot be told.
        if _COLOUR_DOUBTS & set(reading.doubts):
            return 0.0
        return reading.yellow_share - usual_range(YELLOW_SHARE, day)[1]

    lasting = _lasting(readings, lambda one: excess(one) > _YELLOW_EXCESS)
    if not lasting:
        return None
    what = f"{lasting[-1].yellow_share or 0:.0%} of the shoots are yellow"
    look_at = (
        "All over: is the light on, is a cover still lying on it? One patch: is it waterlogged or "
        "hot there? Yellow tips: is it dry?"
    )
    found = (FlagKind.YELLOWING, what, look_at)
    return _flag(room, run, found, lasting, strength=excess(lasting[-1]))


def _lodged(room: RoomState, run: RunState, readings: Sequence[TrayReading]) -> Flag | None:
    last = readings[-1]
    measured = [one for one in readings if one.height_mm is not None]
    if (
        last.height_mm is None
        or run.day_at(last.photo.taken_at) < _LODGED_DAY
        or (last.photo.cover or 0.0) < _LODGED_COVER
        or len(measured) < 2
    ):
        return None
    tallest = max(measured[:-1], key=lambda one: one.height_mm or 0.0)
    before, now = tallest.height_mm or 0.0, last.height_mm
    doubt = sum(_variance(one) for one in (tallest, last)) ** 0.5
    if before - now < max(_LODGED_SHARE * before, _SIGMAS * doubt):
        return None
    what = f"the canopy stood {before:.0f} mm high and now {now:.0f} mm: it may have laid over"
    look_at = "If blades lie in swirls, part them and look at the mat below: mould hides there."
    found = (FlagKind.LODGED, what, look_at)
    return _flag(room, run, found, [last], strength=1 - now / before)


def _variance(reading: TrayReading) -> float:
    height = reading.shoot_height_mm
    return 0.0 if height is None or height.uncertainty is None else height.uncertainty**2


_JUDGES: Final[tuple[Judge, ...]] = (
    _spreading,
    _germination,
    _bare,
    _slime,
    _water,
    _yellowing,
    _lodged,
)
