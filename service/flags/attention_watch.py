"""What turns the log into flags: after every entry that matters, and as time goes by.

All reasons to look are worked out anew from the log each time, so that late, corrected and
out-of-order entries need no repair: what no longer holds is let go, and what answers keep quiet
stays quiet. So nothing is lost either where a service stops before it has looked.

In a small room whoever enters something waits for the look, a few hundredths of a second. In a
large one the look takes some tenths of a second and is left to the thread that looks at the clock,
once nobody waits for a page; what else follows from the entries is worked out after it.
"""

import logging
import threading
from collections.abc import Collection
from dataclasses import replace
from typing import Final

from service.context import Service, Watcher
from service.flags.attention_notices import KINDS, cause_of, notice_of
from service.flags.flag_answers import followed, run_of_mould
from service.flags.flag_log import close_missing, last_answer, notice_all, unsettled_causes
from service.flags.room_state import TrayReadings, room_state
from service.log.refusals import Busy
from service.room.room_log import the_room
from service.runs.run_calendar import run_calendar
from trayvision.attention.attention import find_attention
from trayvision.attention.mould import mould_flags
from trayvision.attention.state import RoomState

_LOG = logging.getLogger(__name__)
# With more runs under way nobody waits for a look; each adds some 4 ms of processor time to it.
_FEW_RUNS: Final = 50
_RETRY_SECONDS: Final = 5.0
# Who goes through the room from page to page must not keep the flags from being worked out.
_MOST_SECONDS: Final = 2.0


class AttentionWatch:
    """Works the room's flags out; a watcher of the service, and a clock of its own.

    Parameters
    ----------
    service : Service
    every_minutes : float
        How often time alone is looked at: photos that did not come, harvests overdue.
    afterwards : callable, optional
        Called as ``afterwards(service, tray_ids)`` after the look that followed entries about
        these trays in a large room.
    """

    def __init__(
        self, service: Service, *, every_minutes: float, afterwards: Watcher | None = None
    ) -> None:
        self._service = service
        self._seconds = 60 * every_minutes
        self._afterwards = afterwards
        self._readings = TrayReadings()
        self._turn = threading.Lock()
        self._counting = threading.Lock()
        self._asked = 0
        self._answered = 0
        self._entered: set[int] | None = None
        self._idle = threading.Event()
        self._stopped = threading.Event()
        self._wake = threading.Event()
        self._thread = threading.Thread(target=self._tick, name="attention", daemon=True)

    def __call__(self, _service: Service, tray_ids: Collection[int]) -> None:
        """Work the flags out after something was entered; one tray's photo may concern others."""
        try:
            if not (self._thread.is_alive() and self._is_large_room()):
                self.look()
                return
        except Busy:
            # Left to the thread, which looks again until the log answers.
            _LOG.info("the flags are worked out once the log answers")
        with self._counting:
            self._entered = (self._entered or set()).union(tray_ids)
            self._idle.clear()
            self._wake.set()

    def start(self) -> None:
        """Look now, for what time brought while the service was off, and from then on."""
        self._thread.start()

    def close(self) -> None:
        """Stop looking at the clock."""
        self._stopped.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join()

    def wait(self) -> None:
        """Return when all that followed from entries was worked out by the thread."""
        self._idle.wait()

    def look(self) -> None:
        """Bring the log's flags up to date with all that was entered before this call."""
        with self._counting:
            self._asked += 1
            mine = self._asked
        # One at a time: an older look must not write after a newer one.
        with self._turn:
            if self._answered >= mine:
                return
            with self._counting:
                covers = self._asked
            try:
                self._look()
            except Busy:
                raise
            except Exception:
                self._service.looks.failed(self._service.clock())
                raise
            self._service.looks.worked(self._service.clock())
            self._answered = covers

    def _tick(self) -> None:
        while not self._stopped.is_set():
            # Before the look: what is entered meanwhile asks for another one.
            with self._counting:
                self._wake.clear()
                entered, self._entered = self._entered, None
            pause = self._follow(entered)
            if self._stopped.is_set():
                break
            if self._wake.wait(pause) and not self._stopped.is_set():
                self._service.answering.wait_for_pause(_MOST_SECONDS)

    def _follow(self, entered: Collection[int] | None) -> float:
        """One look and what comes after it; returns the seconds until the next one."""
        try:
            self.look()
            if entered is not None and self._afterwards is not None:
                self._afterwards(self._service, entered)
        except Busy:
            return _RETRY_SECONDS
        except Exception:
            _LOG.exception("the flags could not be worked out")
        with self._counting:
            if not self._wake.is_set():
                self._idle.set()
        return self._seconds

    def _is_large_room(self) -> bool:
        with self._service.database.read() as connection:
            return len(run_calendar(connection).not_ended(self._service.clock())) > _FEW_RUNS

    def _look(self) -> None:
        service = self._service
        by = service.entrant()
        with service.database.read() as connection:
            room = the_room(connection)
            state, names = room_state(connection, room, by.at, readings=self._readings)
            # Nobody else opens flags of these kinds; whether they are open still is asked again.
            standing = unsettled_causes(connection, KINDS)
            weighed = last_answer(connection)
        found = find_attention(_with_answers_followed(state))
        with service.database.write() as connection:
            noticed = [notice_of(flag, names) for flag in found.flags]
            notice_all(connection, noticed, by, weighed=weighed)
            still = {cause_of(flag, names) for flag in (*found.flags, *found.silenced)}
            close_missing(connection, still=still, among=standing, by=by)


def _with_answers_followed(state: RoomState) -> RoomState:
    """Answers given to the patches as they are known now."""
    growing = {run.run_id for run in state.runs}
    asked = (run_of_mould(answer.flag_key) for answer in state.answers)
    runs = {run for run in asked if run in growing}
    if not runs:
        return state
    keys = [flag.key for flag in mould_flags(state, among=runs)]
    return replace(state, answers=followed(state.answers, keys))
