"""Work that comes round by itself while the service runs."""

import logging
import threading
from collections.abc import Callable

from service.log.refusals import Busy

_LOG = logging.getLogger(__name__)


class Rounds:
    """Does the same work again and again in a thread of its own, with a pause before each round.

    Parameters
    ----------
    name : str
    seconds : float
        Length of the pause.
    work : callable
        One round; what it raises is logged and does not end the rounds.
    first_seconds : float, optional
        Length of the first pause; default as the others.
    """

    def __init__(
        self,
        name: str,
        seconds: float,
        work: Callable[[], object],
        *,
        first_seconds: float | None = None,
    ) -> None:
        self._name = name
        self._seconds = seconds
        self._first_seconds = seconds if first_seconds is None else first_seconds
        self._work = work
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def close(self) -> None:
        """Stop after the round at hand."""
        self._stopped.set()
        if self._thread.is_alive():
            self._thread.join()

    def _run(self) -> None:
        seconds = self._first_seconds
        while not self._stopped.wait(seconds):
            seconds = self._seconds
            try:
                self._work()
            except Busy as busy:
                _LOG.info("a round of %s comes later: %s", self._name, busy)
            except Exception:
                _LOG.exception("a round of %s failed", self._name)


def delay_seconds(tries: int, *, first: float, most: float, chance: float) -> float:
    """Pause before the next try: twice as long each time, spread by a quarter to each side.

    Parameters
    ----------
    tries : int
        Tries that failed so far, 1 or more.
    first, most : float
        Pause after the first one, and the longest, s.
    chance : float
        From 0 to 1; spreads those that failed together.
    """
    doubled: float = first * 2.0 ** min(tries - 1, 30)
    return min(doubled, most) * (0.75 + 0.5 * chance)
