"""What the service manager is told, and when: that the daemon is ready, lives, and what it does.

Everything is said by the loop's own thread as it turns, the watchdog's signs of life above all: a
loop that is stuck says nothing, and is killed and started again, whatever other threads go on.

Ready means that the household file is read, the ledger is open, the state is recovered from it and
the loop has made its first turn. It does not wait for the broker: one that is down is outlived, and
is no reason to be killed by a manager that loses patience.
"""

from __future__ import annotations

from time import monotonic
from typing import TYPE_CHECKING, Final

from daemon.control.state import FLOWING_WATTS
from daemon.messaging.incoming import Reload
from daemon.messaging.status import next_start

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
"""A wake-up comes every 15 seconds: a loop to which nothing comes for so long is stuck too."""

WAITING_SECONDS: Final = 60
"""While the clock is waited for the loop turns every 15 seconds, and asks for so much more."""

_LEAST_SECONDS: Final = 60
_BYTES_PER_SECOND: Final = 2_000_000
"""What the slowest card reads and writes, with room to spare: opening a ledger reads it whole, and
bringing one of an older version up to date copies it first."""

_MOST_NAMED: Final = 3
_STATUS_SECONDS: Final = 1.0


def patience_usec(ledger: Path) -> int:
    """Tell how long opening, recovering or copying a ledger may take at the most [microseconds].

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
    """Tells the service manager of one household's daemon.

    Parameters
    ----------
    notice : ServiceNotice
        Tells it.
    ledger : Path
        The ledger's file, whose size tells how long things may take.
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
        self._ping_due = self._heard_at = seconds()
        self._ready = False
        self._status: str | None = None
        self._status_due = self._heard_at

    def opens_the_ledger(self) -> None:
        """Ask for the time that a large ledger takes."""
        self._notice.say(
            EXTEND_TIMEOUT_USEC=patience_usec(self._ledger), STATUS="Opening the ledger."
        )

    def patience_seconds(self) -> float | None:
        """Tell for how long the loop may wait for an event; None for ever."""
        return None if self._every is None else max(0.0, self._ping_due - self._seconds())

    def before(self, event: Incoming) -> None:
        """Tell what is about to be done, where the manager waits for it to be done."""
        if self._ready and isinstance(event, Reload):
            self._notice.say(RELOADING=1, MONOTONIC_USEC=int(self._seconds() * 1_000_000))
            self._ready = False

    def after(self, turn: Turn) -> None:
        """Tell what is news after a turn, and that the loop turns."""
        if not self._notice.listens:
            return
        self._heard_at = self._seconds()
        if not turn.states:
            self._say_status("Waiting for a clock that can be believed.", WAITING_SECONDS)
            return
        if not self._ready:
            self._ready = self._notice.say(READY=1)
        if self._heard_at >= self._status_due:
            self._status_due = self._heard_at + _STATUS_SECONDS
            self._say_status(status_line(turn))
        self._show_life()

    def nothing_came(self) -> None:
        """Tell that the loop turns, though nothing came; unless the timer is dead."""
        now = self._seconds()
        if now - self._heard_at < SILENCE_SECONDS:
            self._show_life()
        elif self._every is not None:
            self._ping_due = now + self._every

    def stopping(self) -> None:
        """Tell that the daemon is about to end; a backup in progress is waited for."""
        self._notice.say(
            STOPPING=1, EXTEND_TIMEOUT_USEC=patience_usec(self._ledger), STATUS="Ending."
        )

    def _show_life(self) -> None:
        now = self._seconds()
        # What can't be told is told at the next turn, and a second later where there is none.
        if self._every is not None and now >= self._ping_due:
            said = self._notice.say(WATCHDOG=1)
            self._ping_due = now + (self._every if said else min(1.0, self._every))

    def _say_status(self, text: str, more_seconds: int | None = None) -> None:
        if more_seconds is not None:
            self._notice.say(STATUS=text, EXTEND_TIMEOUT_USEC=more_seconds * 1_000_000)
        elif text != self._status and self._notice.say(STATUS=text):
            self._status = text


def status_line(turn: Turn) -> str:
    """Say in one plain line whether there is a broker, what charges, and what starts next.

    Parameters
    ----------
    turn : Turn
        After it.

    Returns
    -------
    str
        Local times of the household.
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
    return state.watts is not None and state.watts > FLOWING_WATTS


def _local(instant: datetime, zone: ZoneInfo) -> str:
    return f"{instant.astimezone(zone):%a %d %b %H:%M}"
