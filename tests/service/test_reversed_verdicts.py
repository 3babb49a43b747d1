"""A verdict that is reversed counts once, whatever moment the last word names."""

from datetime import timedelta

from service.flag_log import Notice, notice
from tests.service.conftest import START, Room


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
