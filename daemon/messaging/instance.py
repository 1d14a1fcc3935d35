"""Decide which of two daemons of a household goes on: the one started later. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from secrets import token_hex
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.contract.messages import DaemonState


@dataclass(frozen=True, slots=True)
class Instance:
    """One process of the daemon: its unique name, and when it started."""

    name: str
    since: datetime

    def is_replaced_by(self, other: DaemonState, now: datetime) -> bool:
        """Return whether another daemon has taken over from this one.

        Parameters
        ----------
        other : DaemonState
            From the household's daemon topic; may be retained, from a daemon that died long ago.
        now : datetime
            UTC.

        Returns
        -------
        bool
            True if the other is online, was started later than this one but not in the future,
            and its message is not stale. A daemon that died before this one started was also
            started before it.
        """
        if other.state != "online" or other.instance is None or other.since is None:
            return False
        if other.stale_after is None or now > other.stale_after or other.since > now:
            return False
        return (other.since, other.instance) > (self.since, self.name)


def new_instance(now: datetime) -> Instance:
    """Return a process that starts now, with a new name."""
    return Instance(token_hex(8), now)
