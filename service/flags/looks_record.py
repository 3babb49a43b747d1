"""Whether the reasons to look are being worked out: a room that nobody warns must know it."""

import threading
from datetime import datetime


class LooksRecord:
    """When the reasons to look were last worked out, and since when that fails.

    Written by `service.flags.attention_watch`, read by pages and the health check; safe to share.
    """

    def __init__(self) -> None:
        self._turn = threading.Lock()
        self._last_at: datetime | None = None
        self._failing_since: datetime | None = None

    @property
    def last_at(self) -> datetime | None:
        """When they were last worked out; None where not since the service started."""
        return self._last_at

    @property
    def failing_since(self) -> datetime | None:
        """Since when they cannot be; None while they can."""
        return self._failing_since

    def worked(self, at: datetime) -> None:
        """They were worked out."""
        with self._turn:
            self._last_at, self._failing_since = at, None

    def failed(self, at: datetime) -> None:
        """They could not be."""
        with self._turn:
            self._failing_since = self._failing_since or at
