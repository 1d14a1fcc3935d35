"""Keep what can't be a new limit out of the daemon's queue, so that no flood of it hides one."""

from __future__ import annotations

from datetime import timedelta
from threading import Lock
from typing import TYPE_CHECKING

import structlog

from adapters.contract.messages import MalformedMessage
from daemon.grid_limit.heard import limit_of

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.bus.events import MessageArrived

SAID_ONCE_IN = timedelta(minutes=1)

_log = structlog.get_logger(__name__)


class LimitSieve:
    """Tells the messages that may set another limit; may be asked from any thread."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._last: bytes | None = None
        self._newest: datetime | None = None
        self._said_at: datetime | None = None

    def passes(self, message: MessageArrived, now: datetime) -> bool:
        """Return whether a message is understood, no older than the newest, and not the same.

        Parameters
        ----------
        message : MessageArrived
            On the topic of limits.
        now : datetime
            UTC.

        Returns
        -------
        bool
            False for one that changes nothing; what is not understood is logged once a minute.
        """
        with self._lock:
            try:
                issued = limit_of(message.payload, now).issued
            except MalformedMessage as error:
                self._say(message, error, now)
                return False
            is_late = issued is not None and self._newest is not None and issued < self._newest
            if is_late or message.payload == self._last:
                return False
            self._last, self._newest = message.payload, issued or self._newest
            return True

    def _say(self, message: MessageArrived, error: MalformedMessage, now: datetime) -> None:
        if self._said_at is None or now >= self._said_at + SAID_ONCE_IN:
            self._said_at = now
            _log.warning("message not understood", topic=message.topic, reason=str(error))
