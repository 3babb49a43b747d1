"""Garbage is found between answers, also what was known for long."""

import gc
from weakref import ref

import pytest

from service import garbage
from service.answering import Answering
from service.garbage import searched_in_pauses


class _Ring:
    """Refers to itself: only a search finds that nothing else does."""

    def __init__(self) -> None:
        self.itself = self


def test_old_garbage_is_found_by_rounds_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(garbage, "_ROUNDS_UNTIL_ALL", 3)
    before = gc.get_threshold()
    with searched_in_pauses(Answering()) as rounds:
        assert gc.get_threshold()[2] > 1000 * before[2]
        rounds.look()
        new, old = _Ring(), _Ring()
        known = ref(new), ref(old)
        del new
        rounds.look()
        assert (known[0]() is None, known[1]() is None) == (True, False)
        del old
        # The third round looks through what earlier ones left alone.
        rounds.look()
        assert known[1]() is None
    assert gc.get_threshold() == before
    assert gc.get_freeze_count() == 0
