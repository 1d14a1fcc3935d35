"""Keep the limits of the grid operator, and what is to be recorded of them."""

from __future__ import annotations

from collections import deque
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from adapters.clocks.instants import parse_instant
from adapters.ledger.rows import StoredGridLimit
from config.home.grid_limit import LimitInForce
from daemon.control.events import HouseholdHealth
from daemon.grid_limit.heard import LimitHeard
from planners.home.grid_limit import limit_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    from adapters.ledger.ledger import Ledger
    from adapters.ledger.rows import GridLimitKind
    from config.household.household_file import HouseholdFile

OVER_AFTER = timedelta(minutes=1)
"""A limit that does not come back for so long is over: one that comes and goes is one alert."""

MOST_UNRECORDED = 1000
"""Rows that wait for a ledger that refuses them; the oldest are lost."""


class GridLimits:
    """The limits of one household, by source."""

    def __init__(self) -> None:
        self._heard: dict[str, LimitHeard] = {}
        self._unrecorded: deque[StoredGridLimit] = deque(maxlen=MOST_UNRECORDED)
        self._commanded: Mapping[str, float] | None = None
        # Whether a person was told that a limit holds; None until that is known, after a start.
        self._is_told: bool | None = None
        self._over_since: datetime | None = None

    def recover(self, rows: Iterable[StoredGridLimit]) -> None:
        """Take up what the ledger holds: the last of each source."""
        for row in rows:
            limit = _limit_in(row.body) if row.what == "set" else None
            issued = row.body.get("issued")
            self._heard[row.source] = LimitHeard(
                row.source, limit, None if issued is None else parse_instant(issued)
            )

    def in_force(self, now: datetime) -> tuple[LimitInForce, ...]:
        """Return the limits that hold now, each once."""
        limits = (each.limit for each in self._heard.values())
        return tuple(
            dict.fromkeys(each for each in limits if each is not None and _holds(each, now))
        )

    def take(self, heard: LimitHeard, now: datetime) -> bool:
        """Take up a limit, or the end of one.

        Parameters
        ----------
        heard : LimitHeard
            What came.
        now : datetime
            UTC.

        Returns
        -------
        bool
            Whether something else holds now. What is not newer, or says the same, changes nothing.
        """
        before, known = self.in_force(now), self._heard.get(heard.source)
        if known is not None and _is_earlier(heard, known):
            return False
        self._heard[heard.source] = heard
        if self.in_force(now) == before:
            return False
        is_set = heard.limit is not None and _holds(heard.limit, now)
        self._note("set" if is_set else "lifted", heard, now)
        self._commanded = None
        return True

    def expire(self, now: datetime) -> bool:
        """End the limits whose time is over; whether there was one."""
        ended = [
            heard
            for heard in self._heard.values()
            if heard.limit is not None and not _holds(heard.limit, now)
        ]
        for heard in ended:
            self._note("ended", heard, now)
            self._heard[heard.source] = LimitHeard(heard.source, None, heard.issued)
        return bool(ended)

    def due(self, now: datetime) -> datetime | None:
        """Return when a limit ends, or a person is to be told that all are over."""
        ends = [limit.until for limit in self.in_force(now) if limit.until is not None]
        if self._is_told and self._over_since is not None:
            ends.append(self._over_since + OVER_AFTER)
        return min(ends, default=None)

    def note_commands(self, amps: Mapping[str, float], now: datetime) -> None:
        """Note what is commanded while a limit holds, whenever that changes [A per phase]."""
        sources = [
            each.source
            for each in self._heard.values()
            if each.limit is not None and _holds(each.limit, now)
        ]
        if not sources:
            self._commanded = None
        elif self._commanded != amps:
            self._commanded = dict(amps)
            row = StoredGridLimit(now, ", ".join(sources), "obeyed", {"amps": dict(amps)})
            self._unrecorded.append(row)

    def record(self, ledger: Ledger) -> None:
        """Record what has not been recorded yet.

        Raises
        ------
        LedgerError
            If the ledger refuses it; then it is kept for the next time.
        """  # noqa: DOC502 - raised by the ledger
        while self._unrecorded:
            ledger.add_grid_limit(self._unrecorded[0])
            self._unrecorded.popleft()

    def news(self, file: HouseholdFile, now: datetime) -> HouseholdHealth | None:
        """Report, once, that a limit holds, or that none has held for a minute."""
        limits = self.in_force(now)
        if limits:
            self._over_since = None
            if self._is_told:
                return None
            self._is_told = True
            words = " and ".join(limit_words(file, each, now) for each in limits)
            return HouseholdHealth("grid-limited", f"{words[0].upper()}{words[1:]}")
        self._over_since = self._over_since or now
        is_over = self._is_told and now >= self._over_since + OVER_AFTER
        if self._is_told is False or not (self._is_told is None or is_over):
            return None
        self._is_told = False
        return HouseholdHealth("grid-limited", None)

    def _note(self, what: GridLimitKind, heard: LimitHeard, now: datetime) -> None:
        body = _body_of(heard)
        self._unrecorded.append(StoredGridLimit(now, heard.source, what, body))


def _holds(limit: LimitInForce, now: datetime) -> bool:
    return limit.until is None or limit.until > now


def _is_earlier(heard: LimitHeard, known: LimitHeard) -> bool:
    if heard.issued is None or known.issued is None:
        return False
    return heard.issued < known.issued


def _body_of(heard: LimitHeard) -> dict[str, Any]:
    limit = heard.limit or LimitInForce()
    instants = {"issued": heard.issued, "until": limit.until}
    found: dict[str, Any] = {
        "kw": limit.kw, "amps": limit.amps, "charge_point": limit.charge_point,
        **{name: None if at is None else at.isoformat() for name, at in instants.items()},
    }  # fmt: skip
    return {name: value for name, value in found.items() if value is not None}


def _limit_in(body: Mapping[str, Any]) -> LimitInForce:
    until = body.get("until")
    return LimitInForce(
        body.get("kw"),
        body.get("amps"),
        None if until is None else parse_instant(until),
        body.get("charge_point"),
    )
