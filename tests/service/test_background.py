"""Rounds come by themselves, outlive a failing one, and stop."""

import logging
import threading

import pytest

from service.background import Rounds


def test_rounds_come_again_after_one_that_fails_and_stop_when_closed(
    caplog: pytest.LogCaptureFixture,
) -> None:
    came, enough = [0], threading.Event()

    def work() -> None:
        came[0] += 1
        if came[0] == 3:
            enough.set()
        if came[0] == 1:
            raise RuntimeError("the first one fails")

    rounds = Rounds("a test", 0.001, work)
    with caplog.at_level(logging.ERROR):
        rounds.start()
        assert enough.wait(20)
        rounds.close()
    stopped_at = came[0]
    assert "a round of a test failed" in caplog.text
    assert not any(thread.name == "a test" for thread in threading.enumerate())
    assert came[0] == stopped_at


def test_rounds_that_never_started_close() -> None:
    Rounds("a test", 1.0, lambda: None).close()
