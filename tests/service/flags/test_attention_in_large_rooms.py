"""In a large room nobody who enters something waits for the look at the flags."""

import threading
from datetime import timedelta
from typing import Any

import pytest

from service.flags import attention_watch
from tests.service.conftest import START, Room
from trayvision.attention.attention import AttentionList, find_attention
from trayvision.attention.flags import FlagKind

# Longer than any look takes; a test that waits so long has failed.
_SECONDS = 60.0


class HeldLook:
    """Looks that wait until they are let go, and how many began."""

    def __init__(self) -> None:
        self.began = threading.Semaphore(0)
        self.go_on = threading.Event()

    def __call__(self, state: Any) -> AttentionList:
        self.began.release()
        assert self.go_on.wait(_SECONDS)
        return find_attention(state)


@pytest.fixture
def held(room: Room, monkeypatch: pytest.MonkeyPatch) -> HeldLook:
    # What the start of the service looks at is over by then.
    room.client.app.state.attention.look()  # type: ignore[attr-defined]
    look = HeldLook()
    monkeypatch.setattr(attention_watch, "find_attention", look)
    monkeypatch.setattr(attention_watch, "_FEW_RUNS", 0)
    return look


def _flags(room: Room) -> list[str]:
    return [flag["kind"] for flag in room.get("/api/flags")["flags"]]


def test_entries_do_not_wait_for_the_look_and_are_weighed_by_it(room: Room, held: HeldLook) -> None:
    run = room.post("/api/runs", tray=7, spread_at=(START - timedelta(days=3)).isoformat())
    assert held.began.acquire(timeout=_SECONDS)
    # Nobody has looked yet, and these come while somebody does.
    assert _flags(room) == []
    room.photograph(8, START, cover=0.1)
    room.post("/api/runs", tray=8, spread_at=(START - timedelta(days=2)).isoformat())
    assert _flags(room) == []
    held.go_on.set()
    room.client.app.state.attention.look()  # type: ignore[attr-defined]
    assert _flags(room) == [FlagKind.NO_PHOTO]
    (flag,) = room.get("/api/flags")["flags"]
    assert flag["trays"] == [run["tray"]]


def test_what_is_entered_during_a_look_is_looked_at_by_the_thread_itself(
    room: Room, held: HeldLook
) -> None:
    for tray in (7, 8, 9):
        room.post("/api/runs", tray=tray, spread_at=(START - timedelta(days=3)).isoformat())
    assert held.began.acquire(timeout=_SECONDS)
    room.post("/api/runs", tray=10, spread_at=(START - timedelta(days=3)).isoformat())
    held.go_on.set()
    # The first look may have begun before the second entry; another one follows without a call.
    assert held.began.acquire(timeout=_SECONDS)
