"""One short list: what is in it, what is not, in which order, and what answers do to it."""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from math import pi

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.attention.rooms import SPREAD_AT, air, at, healthy, reading, room, run, usual_height
from trayvision.attention.answers import is_open
from trayvision.attention.attention import AttentionList, all_flags, find_attention
from trayvision.attention.flags import Flag, FlagKind
from trayvision.attention.readings import reading_of_record
from trayvision.attention.state import (
    Answer,
    AnswerKind,
    CameraState,
    HarvestDue,
    Level,
    Placement,
    RoomState,
    RunState,
)
from trayvision.measurement import Measurement
from trayvision.quality_flags import Doubt
from trayvision.warning.patch_sighting import PatchSighting, Spot, Watering

HOUR = timedelta(hours=1)
_BESIDE = re.compile(r"Check ([^.]*) beside it")


def kinds(found: RoomState) -> list[FlagKind]:
    return [flag.kind for flag in find_attention(found).flags]


def only(found: RoomState, kind: FlagKind) -> Flag:
    (flag,) = [flag for flag in find_attention(found).flags if flag.kind is kind]
    return flag


def patch(diameter: float, likelihood: float, x: float = -200.0) -> PatchSighting:
    return PatchSighting(x, 40.0, diameter, 0.1 * diameter, likelihood)


def mouldy(tray: int, *, until: float = 6.0, x: float = -200.0, **said: object) -> RunState:
    """Clean till day 4, then a patch that spreads 6 mm a day to each side."""
    readings = []
    for half_days in range(1, int(2 * until) + 1):
        day = half_days / 2
        size = 12 * (day - 4)
        seen = (patch(size, 0.75 + 0.08 * min(day - 4, 2), x),) if size > 4 else ()
        readings.append(reading(tray, day, *seen, cover=0.3))
    return run(tray, readings, **said)


def test_a_healthy_room_asks_for_nothing() -> None:
    runs = [healthy(tray, 5.0, shelf=f"shelf {tray % 3}") for tray in range(12)]
    assert find_attention(room(runs, 5.1)) == AttentionList((), ())
    assert find_attention(room([], 5.1)).flags == ()


def test_mould_goes_from_look_to_hold_and_names_what_it_threatens() -> None:
    runs = [
        mouldy(17, shelf="top shelf", level=1),
        healthy(3, 6.0, shelf="second shelf", level=2, lots=("L2",)),
        healthy(6, 6.0, shelf="top shelf", level=1, lots=("L2",)),
        healthy(4, 6.0, shelf="other rack", level=2, rack="rack 2", lots=("L2",)),
        healthy(5, 6.0, shelf="other rack", level=1, rack="rack 2", lots=("L1",)),
    ]
    early = only(room(runs, 4.55), FlagKind.POSSIBLE_MOULD)
    assert early.level is Level.LOOK
    flag = only(room(runs, 6.0), FlagKind.POSSIBLE_MOULD)
    assert (flag.level, flag.trays, flag.related) == (Level.HOLD, (17,), (3, 5, 6))
    assert flag.near == (3, 6)
    assert flag.key == early.key
    assert flag.reason == (
        "Tray 17, top shelf, day 6: white fuzz towards bar A, 24 mm across, spreading 6 mm a day "
        "to each side, first seen Fri 6 Mar 20:00."
    )
    assert "Hold it from feeding until someone has looked." in flag.look_at
    assert "Check tray 6 beside it. Check tray 3 below on the same water path." in flag.look_at
    assert "Look again after watering" in flag.look_at
    assert [one.role for one in flag.evidence] == ["now", "before"]
    assert flag.evidence[0].photo_id == "t17-d6.000"
    assert flag.evidence[0].spot == flag.evidence[1].spot == Spot(-200.0, 40.0, 24.0)
    assert flag.confidence is not None and early.confidence is not None
    assert flag.confidence > early.confidence
    assert flag.confidence_words is not None and "in 10" in flag.confidence_words


def test_the_next_places_of_the_shelf_are_beside_it() -> None:
    def beside(*places: str | None) -> str:
        stand = [
            healthy(
                tray,
                6.0,
                placements=(Placement(SPREAD_AT, "top", "rack 1", 1, place),),
                lots=("L2",),
            )
            for tray, place in enumerate(places)
        ]
        mould = mouldy(17, placements=(Placement(SPREAD_AT, "top", "rack 1", 1, "place 3"),))
        other = healthy(
            9, 6.0, placements=(Placement(SPREAD_AT, "top", "rack 2", 1, "place 2"),), lots=("L3",)
        )
        flag = only(room([mould, other, *stand], 6.0), FlagKind.POSSIBLE_MOULD)
        assert flag.related == tuple(
            int(tray) for tray in re.findall(r"\d+", "".join(_BESIDE.findall(flag.look_at)))
        )
        return "".join(_BESIDE.findall(flag.look_at))

    assert beside("place 1", "place 2", "place 4", "place 5", "place 13") == "trays 1 and 2"
    # Where nobody said at which place, it may be the next one.
    assert beside("place 1", None, "by the wall") == "trays 1 and 2"
    assert beside("place 5") == ""


def test_a_spot_that_later_photos_do_not_show_says_when_it_was_last_seen() -> None:
    seen = mouldy(17)
    later = [reading(17, day) for day in (6.5, 7.0)]
    # A photo that could not have shown it says nothing.
    blind = reading(17, 7.2, smallest_patch_mm=None)
    flag = only(
        room([replace(seen, readings=(*seen.readings, *later, blind))], 7.3),
        FlagKind.POSSIBLE_MOULD,
    )
    assert "last seen Sun 8 Mar 08:00, and the 2 photos since that could have shown it do not" in (
        flag.reason
    )
    once = replace(seen, readings=(*seen.readings, later[0]))
    assert (
        ", and the one photo since that could have shown it does not"
        in only(room([once], 6.6), FlagKind.POSSIBLE_MOULD).reason
    )
    assert "last seen" not in only(room([seen], 6.0), FlagKind.POSSIBLE_MOULD).reason


def test_days_are_counted_as_the_room_counts_them() -> None:
    soaked = replace(mouldy(17), counted_from=SPREAD_AT - timedelta(hours=20))
    reasons = [only(room([soaked], day), FlagKind.POSSIBLE_MOULD).reason for day in (5.6, 5.7)]
    assert [reason[:23] for reason in reasons] == [
        "Tray 17, shelf A, day 6",
        "Tray 17, shelf A, day 7",
    ]


def test_the_first_look_says_it_was_not_there() -> None:
    flag = only(room([mouldy(17)], 4.55), FlagKind.POSSIBLE_MOULD)
    assert flag.reason.endswith("6 mm across, none told there Fri 6 Mar 08:00.")


def test_of_many_trays_a_few_are_named_nearest_first() -> None:
    below = [healthy(t, 6.0, level=2 + t % 4, shelf="x", lots=("L2",)) for t in range(20, 30)]
    flag = only(room([mouldy(17), *below], 6.0), FlagKind.POSSIBLE_MOULD)
    assert "Check trays 20, 24, 28, 21, 25 and 5 more below on the same water path." in flag.look_at
    assert flag.related == tuple(range(20, 30))


def test_two_patches_of_one_tray_are_one_flag() -> None:
    one, two = mouldy(17), mouldy(17, x=120.0)
    both = [
        replace(a, photo=replace(a.photo, patches=a.photo.patches + b.photo.patches))
        for a, b in zip(one.readings, two.readings, strict=True)
    ]
    found = room([run(17, both)], 6.0)
    assert len([f for f in all_flags(found) if f.kind is FlagKind.POSSIBLE_MOULD]) == 2
    flag = only(found, FlagKind.POSSIBLE_MOULD)
    assert "1 more such place" in flag.reason
    assert len(flag.evidence) == 4


def test_suspects_on_one_water_path_are_named_together() -> None:
    runs = [mouldy(17, level=1), mouldy(3, level=2, shelf="second shelf")]
    flags = [f for f in find_attention(room(runs, 6.0)).flags if f.trays == (17,)]
    assert "Suspect as well: tray 3; clean what they share." in flags[0].look_at


def test_hairs_on_all_siblings_on_day_2_stay_quiet_and_on_one_tray_do_not() -> None:
    def hairy(tray: int, *, patchy: bool, fuzz: float) -> RunState:
        seen = (patch(12.0, 0.8),) if patchy else ()
        return run(tray, [reading(tray, 2.5, *seen, fuzz=fuzz, height_mm=None)])

    same = [hairy(tray, patchy=True, fuzz=0.4) for tray in range(5)]
    assert kinds(room(same, 2.6)) == []
    alone = [hairy(0, patchy=True, fuzz=0.4), *(healthy(t, 2.5) for t in range(1, 5))]
    assert kinds(room([replace(alone[0], readings=(
        reading(0, 2.5, patch(14.0, 0.95), fuzz=0.4, height_mm=None),)), *alone[1:]], 2.6,
    )) == [FlagKind.POSSIBLE_MOULD]  # fmt: skip


def spots(area_mm2: float) -> tuple[Spot, ...]:
    return (Spot(100.0, -30.0, 2 * (area_mm2 / pi) ** 0.5),)


# Each kind just beyond and just within its threshold.
@pytest.mark.parametrize(
    ("kind", "day", "beyond", "within"),
    [
        (FlagKind.UNEVEN_SPREADING, 0.2, {"seed_layer_share": 0.94}, {"seed_layer_share": 0.96}),
        (FlagKind.POOR_GERMINATION, 4.0, {"cover": 0.0}, {"cover": 0.06}),
        (
            FlagKind.POOR_GERMINATION,
            3.5,
            {"height_mm": 1.0, "cover": None},
            {"height_mm": 9.0, "cover": None},
        ),
        (FlagKind.POOR_GERMINATION, 3.5, {"cover_variation": 1.4}, {"cover_variation": 1.2}),
        (FlagKind.DRY_OR_BARE, 5.5, {"bare": spots(8000.0)}, {"bare": spots(1500.0)}),
        (FlagKind.SLIME, 3.0, {"slime": spots(310.0)}, {"slime": spots(290.0)}),
        (FlagKind.STANDING_WATER, 3.0, {"standing_water": spots(900.0)}, {}),
        (FlagKind.YELLOWING, 6.0, {"yellow_share": 0.4}, {"yellow_share": 0.25}),
    ],
)
def test_one_reading_beyond_its_limit(
    kind: FlagKind, day: float, beyond: dict[str, object], within: dict[str, object]
) -> None:
    flag = only(room([run(7, [reading(7, day, **beyond)])], day + 0.05), kind)
    assert (flag.trays, flag.level, flag.since) == ((7,), Level.LOOK, at(day))
    assert flag.evidence[0].photo_id == f"t7-d{day:.3f}"
    assert flag.reason.startswith(f"Tray 7, shelf A, day {int(day)}: ")
    assert kinds(room([run(7, [reading(7, day, **within)])], day + 0.05)) == []
    # A photo of two days ago, or of a tray hardly seen, says nothing about now.
    late = room([run(7, [reading(7, day, **beyond)])], day + 2.0, photo_every=9 * 24 * HOUR)
    assert kind not in kinds(late)
    hidden = room([run(7, [reading(7, day, **beyond, seen=0.3)])], day + 0.05)
    assert kind not in kinds(hidden)


def test_yellow_is_not_told_under_a_pink_light() -> None:
    pink = reading(7, 6.0, yellow_share=0.9, doubts=(Doubt.COLOURED_LIGHT,))
    assert kinds(room([run(7, [pink])], 6.05)) == []


def test_water_that_is_still_draining_is_not_standing() -> None:
    wet = reading(7, 3.0, standing_water=spots(900.0), watering=Watering.AFTER)
    later = reading(7, 3.2, standing_water=spots(800.0), watering=Watering.AFTER)
    assert kinds(room([run(7, [wet])], 3.05)) == []
    assert only(room([run(7, [wet, later])], 3.25), FlagKind.STANDING_WATER).since == at(3.0)
    gone = reading(7, 3.2)
    assert kinds(room([run(7, [wet, gone])], 3.25)) == []


def test_a_bare_patch_lasts_since_it_was_first_seen_without_a_break() -> None:
    readings = [reading(7, day, bare=spots(9000.0)) for day in (4.6, 5.0, 5.5)]
    assert only(room([run(7, readings)], 5.6), FlagKind.DRY_OR_BARE).since == at(4.6)
    readings[1] = reading(7, 5.0)
    assert only(room([run(7, readings)], 5.6), FlagKind.DRY_OR_BARE).since == at(5.5)


def test_a_canopy_that_sank_has_lodged_and_one_that_was_misread_has_not() -> None:
    tall = reading(7, 7.0, height_mm=160.0)
    assert kinds(room([run(7, [tall, reading(7, 7.5, height_mm=110.0)])], 7.6)) == [FlagKind.LODGED]
    assert kinds(room([run(7, [tall, reading(7, 7.5, height_mm=130.0)])], 7.6)) == []
    rough = replace(tall, shoot_height_mm=Measurement(160.0, 25.0, "mm"))
    assert kinds(room([run(7, [rough, reading(7, 7.5, height_mm=110.0)])], 7.6)) == []


def test_germination_is_held_against_the_siblings() -> None:
    others = [run(t, [reading(t, 3.5, cover=0.2)]) for t in range(3)]
    few = run(9, [reading(9, 3.5, cover=0.03)])
    flag = only(room([*others, few], 3.6), FlagKind.POOR_GERMINATION)
    assert flag.trays == (9,)
    assert "they cover 3%, on its siblings 20%" in flag.reason
    assert kinds(room([*others, run(9, [reading(9, 3.5, cover=0.05)])], 3.6)) == []
    assert kinds(room([*others[:2], few], 3.6)) == []


def test_poor_germination_of_a_lot_is_one_flag() -> None:
    runs = [run(t, [reading(t, 4.0, cover=0.0)], lots=("new bag",)) for t in (4, 8, 9)]
    others = [healthy(tray, 4.0, lots=("old bag",)) for tray in (1, 2, 3)]
    flag = only(room([*runs, *others], 4.1), FlagKind.POOR_GERMINATION)
    assert flag.trays == (4, 8, 9)
    assert flag.reason.startswith("Seed lot new bag: poor germination in trays 4, 8 and 9, of 3")


@pytest.mark.parametrize(
    ("said", "day", "expected"),
    [
        ({"target_day": 7.0}, 6.4, []),
        ({"target_day": 7.0}, 6.6, [FlagKind.READY]),
        ({"target_day": 7.0}, 8.1, [FlagKind.OVERDUE]),
        ({"target_shoot_height_mm": 500.0, "target_day": 7.0}, 6.6, [FlagKind.READY]),
        ({"target_shoot_height_mm": 60.0}, 6.1, [FlagKind.OVERDUE]),
        ({"harvest": HarvestDue(at(7.0))}, 6.6, [FlagKind.READY]),
        ({"harvest": HarvestDue(at(9.0))}, 6.6, []),
        ({}, 6.6, []),
    ],
)
def test_ready_and_overdue(said: dict[str, object], day: float, expected: list[FlagKind]) -> None:
    assert kinds(room([healthy(7, day, **said)], day)) == expected


def test_a_batch_is_what_was_spread_on_one_day_of_the_room() -> None:
    # 15:00 and 17:00 in Los Angeles are two days in UTC, 23:00 and the next morning two there.
    zone = timezone(timedelta(hours=-8))
    begun = [datetime(2026, 3, 1, hour, tzinfo=zone) for hour in (15, 17, 23)]
    begun.append(datetime(2026, 3, 2, 6, tzinfo=zone))
    runs = [
        replace(healthy(tray, 7.0, target_day=6.0), spread_at=moment.astimezone(UTC))
        for tray, moment in enumerate(begun)
    ]
    there = replace(room(runs, 6.2), now=at(6.2).astimezone(zone))
    assert [there.batch_of(one) for one in runs] == ["2026-03-01"] * 3 + ["2026-03-02"]
    assert there.siblings_of(runs[1]) == (runs[0], runs[2])
    ready = [flag.trays for flag in find_attention(there).flags if flag.kind is FlagKind.READY]
    assert sorted(ready) == [(0, 1, 2), (3,)]


def test_ready_trays_of_a_batch_are_one_flag() -> None:
    runs = [healthy(tray, 7.0, target_day=7.0) for tray in (3, 1, 2)]
    found = find_attention(room(runs, 7.0))
    assert [flag.reason for flag in found.later] == ["Trays 1, 2 and 3, day 7: ready to harvest."]
    assert found.first == ()


def test_harvest_ahead_says_when_and_one_by_its_days_says_so() -> None:
    """Who reads "ready" in the morning cuts a tray that is due in the evening."""
    runs = [healthy(tray, 6.5, target_day=7.0) for tray in (3, 1, 2)]
    (flag,) = find_attention(room(runs, 6.6)).later
    assert flag.reason == "Trays 1, 2 and 3, day 6: due for harvest Mon 9 Mar 08:00."
    assert flag.since == at(7.0)
    unseen = [reading(4, 6.9, height_mm=None, cover=0.0)]
    (flag,) = find_attention(room([run(4, unseen, target_day=7.0)], 7.0)).later
    assert flag.reason.endswith("day 7: due for harvest by its days.")


def test_trays_without_a_photo_are_one_flag_with_since_when() -> None:
    runs = [healthy(1, 5.0), healthy(2, 3.0), healthy(3, 2.5), run(4, [])]
    flag = only(room(runs, 5.0), FlagKind.NO_PHOTO)
    assert (flag.trays, flag.since) == ((2, 3, 4), SPREAD_AT)


def test_a_blurred_photo_is_no_look() -> None:
    blurred = reading(1, 5.0, smallest_patch_mm=None)
    found = room([run(1, [reading(1, 2.0), blurred])], 5.1)
    flag = only(found, FlagKind.NO_PHOTO)
    assert flag.since == at(2.0)
    assert "again" in flag.look_at


def test_most_urgent_first_and_few() -> None:
    runs = [
        mouldy(17),
        healthy(1, 6.0, target_day=6.0, lots=("L9",)),
        *(
            run(t, [reading(t, 6.0, cover=0.3, slime=spots(400.0 + t))], lots=(f"L{t}",))
            for t in range(20, 26)
        ),
    ]
    found = find_attention(room(runs, 6.0))
    assert found.first[0].level is Level.HOLD
    assert len(found.first) == 5
    assert [flag.level for flag in found.flags] == [Level.HOLD, *[Level.LOOK] * 6, Level.NOTE]
    # Among equals the larger one leads.
    assert [flag.trays for flag in found.flags][1:3] == [(25,), (24,)]
    assert len(find_attention(room(runs, 6.0), few=0).first) == 1
    with pytest.raises(ValueError, match="few must be 0 or more, got -1"):
        find_attention(room(runs, 6.0), few=-1)


def answered(found: RoomState, kind: AnswerKind, day: float, **said: object) -> RoomState:
    """The room after an answer to its only flag as it stood on a day."""
    flag = find_attention(replace(found, now=at(day))).flags[0]
    answer = Answer(flag.key, kind, at(day), level=flag.level, strength=flag.strength)
    return replace(found, answers=(replace(answer, **said),))  # type: ignore[arg-type]


def test_snooze_holds_until_its_time() -> None:
    found = room([run(7, [reading(7, 3.0, slime=spots(900.0))])], 3.1)
    snoozed = answered(found, AnswerKind.SNOOZE, 3.1, until=at(3.5))
    assert kinds(snoozed) == []
    assert kinds(replace(snoozed, now=at(3.6))) == [FlagKind.SLIME]


@pytest.mark.parametrize("kind", [AnswerKind.DONE, AnswerKind.SNOOZE])
def test_answer_for_one_ready_tray_leaves_its_batch_alone(kind: AnswerKind) -> None:
    runs = [healthy(number, 6.5, target_day=day) for number, day in ((7, 7.0), (8, 7.5), (9, 9.0))]
    found = room(runs, 6.6)
    assert [flag.trays for flag in find_attention(found).flags] == [(7,)]
    done = answered(found, kind, 6.6, trays=(7,), until=at(8.0))
    assert kinds(done) == []
    later = find_attention(replace(done, now=at(7.1))).flags
    assert [(flag.kind, flag.trays) for flag in later] == [(FlagKind.READY, (7, 8))]


def test_snooze_gives_way_to_a_hold() -> None:
    found = room([mouldy(17)], 6.0)
    snoozed = answered(found, AnswerKind.SNOOZE, 4.55, until=at(9.0))
    assert kinds(replace(snoozed, now=at(4.6))) == []
    assert only(snoozed, FlagKind.POSSIBLE_MOULD).level is Level.HOLD


def test_done_holds_until_something_newer_shows_it() -> None:
    readings = [reading(7, day, slime=spots(900.0)) for day in (3.0, 4.5)]
    found = room([run(7, readings)], 4.6)
    done = answered(found, AnswerKind.DONE, 3.1)
    assert kinds(replace(done, now=at(3.9))) == []
    assert kinds(done) == [FlagKind.SLIME]
    healed = room([run(7, [readings[0], reading(7, 4.5)])], 4.6, answers=done.answers)
    assert kinds(healed) == []


def test_no_it_was_hairs_holds_until_it_clearly_grows_more_likely() -> None:
    found = room([mouldy(17)], 4.6)
    wrong = answered(found, AnswerKind.WRONG, 4.55, cause="root hairs")
    assert kinds(wrong) == []
    assert kinds(replace(wrong, now=at(6.0))) == [FlagKind.POSSIBLE_MOULD]


def test_what_opens_a_mould_flag_after_a_no() -> None:
    flag = only(room([mouldy(17)], 4.55), FlagKind.POSSIBLE_MOULD)
    no = Answer(flag.key, AnswerKind.WRONG, at(4.55), level=Level.LOOK, strength=flag.strength)
    assert not is_open(flag, no, at(9.0))
    assert not is_open(replace(flag, strength=flag.strength + 1.9), no, at(9.0))
    assert is_open(replace(flag, strength=flag.strength + 2.1), no, at(4.6))
    held = replace(flag, level=Level.HOLD)
    assert is_open(held, no, at(4.6))
    assert not is_open(held, replace(no, level=Level.HOLD), at(4.6))


def test_what_opens_other_flags_after_a_no() -> None:
    flag = only(room([run(7, [reading(7, 3.0, slime=spots(900.0))])], 3.1), FlagKind.SLIME)
    no = Answer(flag.key, AnswerKind.WRONG, at(3.1), strength=flag.strength)
    assert not is_open(flag, no, at(6.0))
    assert is_open(flag, no, at(6.2))
    assert is_open(replace(flag, strength=1.6 * flag.strength), no, at(3.2))


def test_right_stays_open_and_counts() -> None:
    found = room([mouldy(17)], 6.0)
    assert kinds(answered(found, AnswerKind.RIGHT, 6.0)) == [FlagKind.POSSIBLE_MOULD]


def test_many_wrong_looks_make_the_room_ask_for_more() -> None:
    found = room([run(7, [reading(7, 5.0, patch(8.0, 0.75), cover=0.3)])], 5.1)
    assert kinds(found) == [FlagKind.POSSIBLE_MOULD]
    said = tuple(
        Answer(f"possible mould/run-{n}/0,0", AnswerKind.WRONG, at(1.0), cause="glare")
        for n in range(10)
    )
    assert kinds(replace(found, answers=said)) == []


def test_answers_of_the_future_are_not_heard() -> None:
    found = room([run(7, [reading(7, 3.0, slime=spots(900.0))])], 3.1)
    assert kinds(replace(answered(found, AnswerKind.DONE, 3.1), now=at(3.05))) == [FlagKind.SLIME]


@settings(max_examples=10, deadline=None)
@given(st.permutations(range(8)))
def test_order_of_what_the_log_gives_does_not_matter(order: list[int]) -> None:
    runs = [
        mouldy(0), healthy(1, 6.0, target_day=6.0), mouldy(2, x=10.0), run(3, []),
        run(4, [reading(4, 6.0, slime=spots(500.0))]), healthy(5, 6.0), healthy(6, 2.0),
        run(7, [reading(7, 6.0, yellow_share=0.9)]),
    ]  # fmt: skip
    shuffled = [replace(runs[k], readings=runs[k].readings[::-1] * 2) for k in order]
    assert find_attention(room(shuffled, 6.0)) == find_attention(room(runs, 6.0))


def test_no_sentence_clears_feed_or_orders_a_discard() -> None:
    bad = reading(
        9, 5.5, patch(30.0, 0.9), cover=0.3, slime=spots(900.0), bare=spots(9000.0),
        standing_water=spots(900.0), yellow_share=0.9,
    )  # fmt: skip
    rooms = [
        room(
            [mouldy(1), run(9, [bad]), run(8, []), healthy(7, 6.0, target_day=4.0)], 6.0,
            air=tuple(air(None, 7, 6.0, temperature_c=29.0, humidity_percent=95.0)),
            cameras=(CameraState("c", "x", None),),
        ),
        room([run(1, [reading(1, 0.2, seed_layer_share=0.5)])], 0.3),
        room([run(1, [reading(1, 4.0, cover=0.0)])], 4.1),
    ]  # fmt: skip
    flags = [flag for one in rooms for flag in all_flags(one)]
    assert len({flag.kind for flag in flags}) >= 11
    forbidden = r"\b(safe|discard|throw|class|anomaly|score|fine to feed|inference|instance)\b"
    for flag in flags:
        assert not re.search(forbidden, f"{flag.reason} {flag.look_at}", re.IGNORECASE), flag
        assert flag.reason.endswith(".") and "  " not in flag.reason
        assert flag.look_at and flag.since <= flag.latest_at


def test_record_becomes_a_reading() -> None:
    known, unknown = {"value": 0.4, "uncertainty": 0.1}, {"value": None, "uncertainty": None}
    area = {"x_mm": 5.0, "y_mm": 6.0, "area_mm2": pi * 25}
    record = {
        "pose": {}, "cover": known, "shoot_height_mm": {"value": 41.0, "uncertainty": 2.0},
        "colour": {"yellow_share": known}, "seen": 0.9, "fuzz": 0.2, "slime": [area],
        "evenness": {
            "cover_variation": known, "seed_layer": unknown, "bare_floor": [],
            "bare_areas": [area],
        },
        "sharpness": {"smallest_patch_mm": {"value": 7.0, "uncertainty": 1.0}},
        "mould": [{**area, "diameter_mm": 10.0, "likelihood": 0.7, "look": "dark"}],
        "doubts": ["far_end_less_exact"],
    }  # fmt: skip
    found = reading_of_record(record, photo_id="p", taken_at=at(5), watering=Watering.BEFORE)
    assert (found.height_mm, found.yellow_share, found.photo.cover) == (41.0, 0.4, 0.4)
    assert found.bare == found.slime
    assert [(one.x_mm, one.y_mm) for one in found.bare] == [(5.0, 6.0)]
    assert found.bare[0].diameter_mm == pytest.approx(10.0)
    assert found.photo.smallest_patch_mm == 7.0
    assert found.photo.position_uncertainty_mm == 6.0
    (seen,) = found.photo.patches
    # u(d) = 2 u(A) / (pi d); without its own, an area is known to 20 %: u(d) / d = 10 %.
    assert seen.diameter_uncertainty_mm == pytest.approx(1.0)
    for changed in ({"doubts": ["blurred"]}, {"sharpness": None}, {"pose": None}):
        blind = reading_of_record({**record, **changed}, photo_id="p", taken_at=at(5))
        assert blind.photo.smallest_patch_mm is None


def test_wrong_calls_are_named() -> None:
    with pytest.raises(ValueError, match="now must have a time zone"):
        RoomState(datetime(2026, 3, 2))  # noqa: DTZ001
    with pytest.raises(ValueError, match=r"one open run a tray, got two of \[7\]"):
        room([healthy(7, 2.0), healthy(7, 2.0)], 2.0)
    with pytest.raises(ValueError, match="spread_at must have a time zone"):
        RunState("r", 1, datetime(2026, 3, 2))  # noqa: DTZ001
    assert usual_height(4.0) > 0
