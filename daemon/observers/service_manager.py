"""Tell the service manager that the daemon is ready, that it lives, and what it does.

The loop's own thread sends every notice, above all the watchdog's signs of life: a loop that is
stuck sends none and is killed and started again, even if other threads go on.

Ready means that the household file is read, the ledger is open, the state is recovered from it and
the loop has made its first turn. It does not mean that the broker is there: the daemon survives a
broker that is down, so the manager must not kill it for that.
"""

from __future__ import annotations

from time import monotonic
from typing import TYPE_CHECKING, Final

from daemon.control.state import FLOWING_WATTS, watts_of
from daemon.messaging.incoming import Reload
from daemon.messaging.status import next_start
from daemon.presentation.figures import local_time

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime
    from pathlib import Path
    from zoneinfo import ZoneInfo

    from adapters.host.service_notice import ServiceNotice
    from daemon.control.state import PointState
    from daemon.messaging.incoming import Incoming
    from daemon.observers.turn import Turn

SILENCE_SECONDS: Final = 60.0
"""A loop without any event for this long is stuck: a wake-up comes every 15 seconds."""

WAITING_SECONDS: Final = 60
"""The extra time that each turn asks for, every 15 seconds, until the clock is set."""

_LEAST_SECONDS: Final = 60
_BYTES_PER_SECOND: Final = 2_000_000
"""The speed of the slowest memory card, with room to spare: opening a ledger reads all of it, and
upgrading an older one copies it first."""

_MOST_NAMED: Final = 3
_STATUS_SECONDS: Final = 1.0


def patience_usec(ledger: Path) -> int:
    """Return the longest time to open, recover or copy a ledger [microseconds].

    Parameters
    ----------
    ledger : Path
        Its file, which may be missing.

    Returns
    -------
    int
        A minute, and more for a large file.
    """
    size = ledger.stat().st_size if ledger.is_file() else 0
    return (_LEAST_SECONDS + size // _BYTES_PER_SECOND) * 1_000_000


class ServiceManager:
    """Sends notices about one household's daemon to the service manager.

    Parameters
    ----------
    notice : ServiceNotice
        Sends them.
    ledger : Path
        The ledger's file: its size tells how long things may take.
    seconds : callable
        A clock that only goes forwards, CLOCK_MONOTONIC as the manager reads it [s].
    """

    def __init__(
        self, notice: ServiceNotice, ledger: Path, seconds: Callable[[], float] = monotonic
    ) -> None:
        self._notice = notice
        self._ledger = ledger
        self._seconds = seconds
        watchdog = notice.watchdog_seconds
        self._every = None if watchdog is None else watchdog / 2
        self._ping_due = self._event_at = seconds()
        self._ready = False
        self._status: str | None = None
        self._status_due = self._event_at

    def opens_the_ledger(self) -> None:
        """Ask for the time that opening a large ledger takes."""
        self._notice.send(
            EXTEND_TIMEOUT_USEC=patience_usec(self._ledger), STATUS="Opening the ledger."
        )

    def patience_seconds(self) -> float | None:
        """Return how long the loop may wait for an event; None for ever."""
        return None if self._every is None else max(0.0, self._ping_due - self._seconds())

    def before(self, event: Incoming) -> None:
        """Announce a reload before it begins: the manager waits for its end."""
        if self._ready and isinstance(event, Reload):
            self._notice.send(RELOADING=1, MONOTONIC_USEC=int(self._seconds() * 1_000_000))
            self._ready = False

    def after(self, turn: Turn) -> None:
        """Send what is new after a turn, and a sign of life."""
        if not self._notice.has_manager:
            return
        self._event_at = self._seconds()
        if not turn.states:
            self._send_status("Waiting for the clock to be set.", WAITING_SECONDS)
            return
        if not self._ready:
            self._ready = self._notice.send(READY=1)
        if self._event_at >= self._status_due:
            self._status_due = self._event_at + _STATUS_SECONDS
            self._send_status(status_line(turn))
        self._send_sign_of_life()

    def nothing_came(self) -> None:
        """Send a sign of life although no event came, unless the timer is dead."""
        now = self._seconds()
        if now - self._event_at < SILENCE_SECONDS:
            self._send_sign_of_life()
        elif self._every is not None:
            self._ping_due = now + self._every

    def stopping(self) -> None:
        """Announce that the daemon is about to end; it waits for a backup in progress."""
        self._notice.send(
            STOPPING=1, EXTEND_TIMEOUT_USEC=patience_usec(self._ledger), STATUS="Ending."
        )

    def _send_sign_of_life(self) -> None:
        now = self._seconds()
        # A notice that can't be sent is sent at the next turn, at the latest a second later.
        if self._every is not None and now >= self._ping_due:
            is_sent = self._notice.send(WATCHDOG=1)
            self._ping_due = now + (self._every if is_sent else min(1.0, self._every))

    def _send_status(self, text: str, more_seconds: int | None = None) -> None:
        if more_seconds is not None:
            self._notice.send(STATUS=text, EXTEND_TIMEOUT_USEC=more_seconds * 1_000_000)
        elif text != self._status and self._notice.send(STATUS=text):
            self._status = text


def status_line(turn: Turn) -> str:
    """Write one line: whether there is a broker, what charges, and what starts next.

    Parameters
    ----------
    turn : Turn
        The turn that has ended.

    Returns
    -------
    str
        With the household's local times.
    """
    parts = ["connected to the broker" if turn.connected else "no broker, trying again"]
    if not turn.records:
        parts.append("the ledger refuses")
    charging = [point for point, state in turn.states.items() if _charges(state)]
    named = ", ".join(charging[:_MOST_NAMED])
    more = f" and {len(charging) - _MOST_NAMED} more" if len(charging) > _MOST_NAMED else ""
    parts.append(f"charging: {named}{more}" if charging else "nothing charges")
    plans = [state.plan for state in turn.states.values() if state.plan is not None]
    starts = [start for plan in plans if (start := next_start(plan, turn.now)) is not None]
    when = f"next start {_local(min(starts), turn.house.file.zone)}" if starts else "no start ahead"
    parts.append(when)
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}."


def _charges(state: PointState) -> bool:
    return (watts_of(state) or 0.0) > FLOWING_WATTS


def _local(instant: datetime, zone: ZoneInfo) -> str:
    return local_time(instant, zone, "%a %d %b %H:%M")
