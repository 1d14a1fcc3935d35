"""Count wrong passwords, and say how long the next one has to wait. Pure: reads no clock.

The wait grows for each address up to a minute, whatever it tries. It grows for each identity up to
a few seconds, so that many addresses gain little. It is counted before a password is looked at, so
that nobody learns anything sooner. Equipment does not wait for its identity at the address where
it was let in last; anywhere else it waits only these seconds, however hard strangers try.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

FIRST_SECONDS: Final = 0.1
MOST_SECONDS: Final = 60.0
MOST_HELD_SECONDS: Final = 3.0
FORGOTTEN_SECONDS: Final = 3600.0
ALERT_AFTER: Final = 10
MOST_ROWS: Final = 1024
"""How many pairs of identity and address are remembered."""


@dataclass(frozen=True, slots=True)
class _Row:
    count: int
    last_seconds: float


class WrongPasswords:
    """What was tried in vain in the last hour."""

    def __init__(self) -> None:
        self._rows: dict[tuple[str, str], _Row] = {}
        self._last_address: dict[str, str] = {}

    def wait_seconds(self, identity: str, address: str, now: float) -> float:
        """Return how long a password has to wait until it may be looked at.

        Parameters
        ----------
        identity
            Whose password; an empty text for an unknown one.
        address
            Where it comes from.
        now
            Seconds of a clock that only grows.

        Returns
        -------
        float
            Seconds; 0 if nothing was wrong lately.
        """
        wait = self._of_address_seconds(address, now)
        if self._last_address.get(identity) == address:
            return wait
        of_identity = [row for (whose, _), row in self._recent(now) if whose == identity]
        return max(wait, min(_delay(of_identity), MOST_HELD_SECONDS))

    def bars(self, address: str, now: float) -> bool:
        """Return whether an address has to wait so long that nothing of it need be looked at."""
        return self._of_address_seconds(address, now) > MOST_HELD_SECONDS

    def note_wrong(self, identity: str, address: str, now: float) -> None:
        """Note a wrong password; the oldest row goes if there are too many."""
        self._rows = dict(self._recent(now))
        before = self._rows.pop((identity, address), None)
        if len(self._rows) >= MOST_ROWS:
            del self._rows[min(self._rows, key=lambda key: self._rows[key].last_seconds)]
        self._rows[identity, address] = _Row(1 if before is None else before.count + 1, now)

    def note_right(self, identity: str, address: str) -> None:
        """Note that equipment was let in: what it had wrong before, there, is forgotten."""
        self._rows.pop((identity, address), None)
        self._last_address[identity] = address

    def alarm(self, now: float) -> str | None:
        """Say what was tried, if it was more than a mistake; from any thread.

        Returns
        -------
        str or None
            Words for people if there were ten wrong passwords for one identity or from one address.
        """
        rows = self._recent(now)
        sums: dict[tuple[int, str], int] = {}
        for key, row in rows:
            for place, name in enumerate(key):
                sums[place, name] = sums.get((place, name), 0) + row.count
        if max(sums.values(), default=0) < ALERT_AFTER:
            return None
        (identity, address), _ = max(rows, key=lambda pair: pair[1].last_seconds)
        name = f"for {identity}" if identity else "for an unknown identity"
        return f"{sum(row.count for _, row in rows)} lately, the last one {name} from {address}"

    def _of_address_seconds(self, address: str, now: float) -> float:
        rows = [row for (_, where), row in self._recent(now) if where == address]
        last = max((row.last_seconds for row in rows), default=now)
        return max(0.0, last + _delay(rows) - now)

    def _recent(self, now: float) -> list[tuple[tuple[str, str], _Row]]:
        rows = list(self._rows.items())
        return [(key, row) for key, row in rows if now < row.last_seconds + FORGOTTEN_SECONDS]


def _delay(rows: list[_Row]) -> float:
    count = sum(row.count for row in rows)
    return min(MOST_SECONDS, FIRST_SECONDS * 2 ** (min(count, 64) - 1)) if count else 0.0
