"""Python's search for garbage, moved from within answers to the pauses between them."""

import gc
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from service.answering import Answering
from service.background import Rounds

_SECONDS: Final = 60.0
# A room that is never quiet must not grow without end.
_MOST_SECONDS: Final = 30.0
# What was known for long may have become garbage too; to look through all of it takes some tenths
# of a second in a large room.
_ROUNDS_UNTIL_ALL: Final = 24 * 60
_NEVER: Final = 1_000_000


@contextmanager
def searched_in_pauses(answering: Answering) -> Iterator["GarbageRounds"]:
    """For a process that serves one room: no answer waits for a search through all that is known.

    The large search would else come in the middle of any answer, as soon as enough was made, and
    hold all of them up by a tenth of a second and more. The small ones, of what was made just
    now, go on as ever.
    """
    young, middle, old = gc.get_threshold()
    gc.set_threshold(young, middle, _NEVER)
    rounds = GarbageRounds(answering)
    rounds.start()
    try:
        yield rounds
    finally:
        rounds.close()
        gc.set_threshold(young, middle, old)
        gc.unfreeze()


class GarbageRounds:
    """Looks for garbage among what was made since the last round, and once a day among all.

    Parameters
    ----------
    answering : Answering
    """

    def __init__(self, answering: Answering) -> None:
        self._answering = answering
        self._turn = threading.Lock()
        self._done = 0
        self._rounds = Rounds("garbage", _SECONDS, self.look)

    def start(self) -> None:
        """Begin."""
        self._rounds.start()

    def close(self) -> None:
        """Stop after the round at hand."""
        self._rounds.close()

    def look(self) -> int:
        """One round, in a pause; returns how many objects were garbage."""
        self._answering.wait_for_pause(_MOST_SECONDS)
        with self._turn:
            self._done += 1
            if self._done % _ROUNDS_UNTIL_ALL == 0:
                gc.unfreeze()
            found = gc.collect()
            # What is left will mostly stay: the next round need not look through it again.
            gc.freeze()
            return found
