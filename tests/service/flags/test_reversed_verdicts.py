"""A verdict that is reversed counts once, whatever moment the last word names."""

from datetime import timedelta

import pytest

from service.flags.flag_log import Notice, notice
from tests.service.conftest import START, Room
from tests.service.flags.test_attention import mouldy, only, spread
from tests.service.flags.test_holds import held


def test_the_last_word_entered_counts_with_an_earlier_moment_too(room: Room) -> None:
    key = "possible mould/1/10,20"
    seen = Notice(
        cause=key,
        kind="possible mould",
        level="look",
        urgency=5.0,
        since=START,
        at=START,
        reason="A white patch.",
        look="Wet it.",
        evidence={"keys": [key], "strength": 3.0},
    )
    with room.service.database.write() as connection:
        flag = notice(connection, seen, room.service.entrant())
    room.watch.forward(hours=4)
    room.post(f"/api/flags/{flag}/verdict", verdict="root hairs")
    earlier = (START + timedelta(hours=1)).isoformat()
    room.post(f"/api/flags/{flag}/verdict", verdict="right", at=earlier)
    said = room.get("/api/verdicts")
    (count,) = said["kinds"]
    assert (count["right"], count["wrong"]) == (1, 0)
    assert said["mould"]["words"].startswith("Possible mould was right 1 of 1 times")


# The word that was entered last counts: the fixed rule of `service.flags.holds`.
@pytest.mark.parametrize(
    ("words", "trays"), [(("root hairs", "right"), [17]), (("right", "root hairs"), [])]
)
def test_a_hold_follows_the_word_entered_last_and_not_the_latest_moment(
    room: Room, words: tuple[str, str], trays: list[int]
) -> None:
    spread(room, 17, 18)
    mouldy(room, 17, 3.5, 4.25, 4.75)
    flag = only(room, "possible mould")
    for word, hours_ago in zip(words, (1, 3), strict=True):
        said_at = (room.watch.now - timedelta(hours=hours_ago)).isoformat()
        room.post(f"/api/flags/{flag['id']}/verdict", verdict=word, at=said_at)
    assert held(room) == trays
