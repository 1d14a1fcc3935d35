"""Which of two daemons of one household stays: the one that was started later. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from secrets import token_hex
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.contract.messages import DaemonState


@dataclass(frozen=True, slots=True)
class Instance:
    """One process of the daemon: a name that no other has, and when it began."""

    name: str
    since: datetime

    def gives_way(self, heard: DaemonState, now: datetime) -> bool:
        """Whether what was heard is from a daemon that has taken over from this one.

        Parameters
        ----------
        heard : DaemonState
            From the household's own topic; it may be retained, and from a daemon long dead.
        now : datetime
            UTC.

        Returns
        -------
        bool
            True for one that is online, was started later than this one, but not in the future,
            and is still to be believed. A daemon that died before this one began was started
            before it, too.
        """
        if heard.state != "online" or heard.instance is None or heard.since is None:
            return False
        if heard.stale_after is None or now > heard.stale_after or heard.since > now:
            return False
        return (heard.since, heard.instance) > (self.since, self.name)


def new_instance(now: datetime) -> Instance:
    """Give a process that begins now its name."""
    return Instance(token_hex(8), now)
