"""What nobody waits for goes after whoever waits for an answer."""

import asyncio
import threading

import pytest
from starlette.types import Message, Receive, Scope, Send

from service.answering import Answering, CountsAnswers

# Longer than any answer of these tests takes.
_SECONDS = 60.0


def test_work_goes_after_the_answer_that_is_under_way() -> None:
    answering, order, begun = Answering(), list[str](), threading.Event()

    def work() -> None:
        begun.set()
        answering.wait_for_pause(_SECONDS)
        order.append("work")

    with answering.one():
        thread = threading.Thread(target=work)
        thread.start()
        assert begun.wait(_SECONDS)
        with answering.one():
            order.append("one answer")
        order.append("the other")
    thread.join(_SECONDS)
    assert order == ["one answer", "the other", "work"]


def test_work_does_not_wait_for_ever() -> None:
    answering = Answering()
    with answering.one():
        answering.wait_for_pause(0.0)
        assert answering.under_way == 1
    assert answering.under_way == 0


def test_each_request_counts_from_its_beginning_to_its_end_also_one_that_fails() -> None:
    answering, seen = Answering(), list[int]()

    async def app(scope: Scope, _receive: Receive, _send: Send) -> None:
        seen.append(answering.under_way)
        if scope["path"] == "/fails":
            raise ValueError("path must be another, got /fails")

    async def receive() -> Message:
        raise AssertionError("nothing is read")

    async def send(_message: Message) -> None:
        raise AssertionError("nothing is said")

    async def ask(kind: str, path: str) -> None:
        await CountsAnswers(app, answering=answering)({"type": kind, "path": path}, receive, send)

    asyncio.run(ask("http", "/"))
    with pytest.raises(ValueError, match="path must be another, got /fails"):
        asyncio.run(ask("http", "/fails"))
    asyncio.run(ask("lifespan", "/"))
    assert seen == [1, 1, 0]
    assert answering.under_way == 0
