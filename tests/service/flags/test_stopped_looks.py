"""A room in which reasons to look cannot be worked out says so, and says when they can again."""

import pytest

from service.flags import attention_watch
from tests.service.conftest import Room
from tests.service.flags.test_attention import only, snap_mouldy, spread
from trayvision.attention.attention import AttentionList
from trayvision.attention.state import RoomState


def page(room: Room) -> str:
    return room.client.get("/", headers={"accept": "text/html"}).text


def test_stopped_looks_are_said_on_the_first_page_and_by_the_health_check(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    spread(room, 17)
    assert room.get("/healthz") == {"status": "ok"}
    assert "no warning works now" not in page(room)

    def broken(_state: RoomState) -> AttentionList:
        raise KeyError("invented")

    with monkeypatch.context() as patched:
        patched.setattr(attention_watch, "find_attention", broken)
        for day in (3.5, 4.25):
            snap_mouldy(room, 17, day)
        since = room.watch.now
        snap_mouldy(room, 17, 4.75)
        health = room.get("/healthz")
        assert health["status"] == "looks stopped"
        # Since the first that failed, not the last.
        assert health["looks_stopped_since"] < since.isoformat()
        shown = page(room)
        assert "Look over every tray: no warning works now" in shown
        assert "Nothing asks for a look" not in shown
        assert "What stands here is of" in shown
    room.post("/api/readings", temperature_c=19.0)
    assert room.get("/healthz") == {"status": "ok"}
    assert "no warning works now" not in page(room)
    assert only(room, "possible mould")["tray"] == 17
