"""Record every night, at once or later, and forget none.

A night that can't be recorded when it is closed stays pending and is tried again; so is each night
that a later reading tells more about. Pending nights are saved with the state in one row, so a
restart forgets none. If even that row can't be written, the row before it remains, and the restart
closes the same night again.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import structlog

from adapters.clocks.instants import parse_instant
from config.files.errors import TariffError
from daemon.control.state import vehicle_of
from daemon.nights.account import intensities_are_known, rates_are_known
from daemon.nights.recount import (
    MOST_NIGHTS,
    compared_by_older_version,
    facts_again,
    facts_unseen,
    has_estimated_carbon,
    has_estimated_rates,
    nights_between,
    same_account,
)
from daemon.nights.retention import has_all_readings
from daemon.nights.saved_state import PendingNights, memory_of, read_saved, saved_body
from planners.local_time.departures import night_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from adapters.ledger.ledger import Ledger
    from config.calendar.account_days import AccountDays
    from daemon.control.events import NightFacts
    from daemon.control.state import House, PointState
    from daemon.messaging.outbox import Outbox

PRICED_AGAIN_FOR = timedelta(days=60)
"""How long a night waits for the rates that were estimated when it was priced."""

AT_ONCE = 20
"""The most nights accounted for in one turn: more would delay commands."""

_log = structlog.get_logger(__name__)


@dataclass(slots=True)
class _Point:
    facts: dict[date, NightFacts] = field(default_factory=dict)
    nights: set[date] = field(default_factory=set)
    compare_again: set[date] = field(default_factory=set)
    price_again: set[date] = field(default_factory=set)
    priced_with: House | None = None
    read_to: datetime | None = None
    body: dict[str, Any] | None = None
    made_from: tuple[object, ...] = ()

    @property
    def pending(self) -> PendingNights:
        return PendingNights(tuple(self.facts.values()), tuple(sorted(self.nights)), self.read_to)


class NightKeeper:
    """Records the nights of all charge points.

    Parameters
    ----------
    ledger : Ledger
        Where they are recorded.
    outbox : Outbox
        Accounts for nights, records and publishes them.
    """

    def __init__(self, ledger: Ledger, outbox: Outbox) -> None:
        self._ledger = ledger
        self._outbox = outbox
        self._points: dict[str, _Point] = {}
        self._not_priced_with: House | None = None

    def begin(self, state: PointState, now: datetime, days: AccountDays) -> None:
        """Read the pending nights of a charge point from the ledger.

        Parameters
        ----------
        state : PointState
            As it was recovered.
        now : datetime
            UTC.
        days : AccountDays
            The days of the home's account.

        Raises
        ------
        LedgerError
            If it can't be read.
        """  # noqa: DOC502 - raised by the ledger
        point = self._points[state.charge_point] = _Point()
        body = self._ledger.open_night(state.charge_point)
        if body is not None:
            pending = read_saved(body).pending
            point.facts = {facts.night: facts for facts in pending.facts}
            point.nights = set(pending.nights)
            if pending.read_to is not None and pending.read_to <= now:
                # A reading may have been stored just before the daemon ended, and not checked.
                point.nights.update(nights_between(pending.read_to, now, days))
        point.read_to = state.register.at if state.register else None
        tonight = night_of(now, days)
        first = tonight - timedelta(days=MOST_NIGHTS)
        for record in self._ledger.nights(first, tonight, state.charge_point):
            night = date.fromisoformat(record["night"])
            if compared_by_older_version(record):
                point.compare_again.add(night)
            if _rests_on_estimates(record):
                point.price_again.add(night)

    def save(self, state: PointState) -> None:
        """Save a state and its pending nights, if they differ from what is saved."""
        point = self._points[state.charge_point]
        pending = point.pending
        made_from = (state.night, memory_of(state), pending.facts, pending.nights)
        if made_from == point.made_from:
            return
        body = saved_body(state, pending)
        # A new reading alone has its own row.
        if point.body is None or body | {"read_to": None} != point.body | {"read_to": None}:
            self._ledger.save_open_night(state.charge_point, body)
            point.body = body
        point.made_from = made_from

    def note_reading(self, charge_point: str, at: datetime, days: AccountDays) -> None:
        """Note a reading of the register, and the nights that it tells more about.

        Parameters
        ----------
        charge_point : str
            Its name.
        at : datetime
            The reading's instant.
        days : AccountDays
            The days of the home's account.
        """
        point = self._points[charge_point]
        before = point.read_to
        if before is None or at >= before:
            point.read_to = at
            if before is not None and night_of(before, days) != night_of(at, days):
                point.nights.update(nights_between(before, at, days))
            return
        around = [reading.at for reading in self._ledger.register_readings(charge_point, at, at)]
        point.nights.update(nights_between(min([at, *around]), max([at, *around]), days))

    def close(self, facts: NightFacts, house: House) -> dict[str, Any] | None:
        """Record a night, or leave it pending.

        Parameters
        ----------
        facts : NightFacts
            The facts about it.
        house : House
            The household file and the rates.

        Returns
        -------
        dict or None
            Its record, if it is new.

        Raises
        ------
        LedgerError
            If it can't be recorded now.
        """  # noqa: DOC502 - raised by the ledger
        point = self._points[facts.charge_point]
        point.facts[facts.night] = facts
        try:
            record = self._outbox.record_night(facts, house)
        except TariffError as error:
            self._not_priced_with = house
            _log.error("the night can't be priced", night=facts.night.isoformat(), why=str(error))
            return None
        del point.facts[facts.night]
        if record is not None and _rests_on_estimates(record):
            point.price_again.add(facts.night)
        return record

    def record_pending(
        self, state: PointState, now: datetime, house: House
    ) -> list[dict[str, Any]]:
        """Record the pending nights that can be recorded now.

        Parameters
        ----------
        state : PointState
            The charge point.
        now : datetime
            UTC.
        house : House
            The household file and the rates.

        Returns
        -------
        list of dict
            The records that are new.

        Raises
        ------
        LedgerError
            If they can't be recorded now.
        """  # noqa: DOC502 - raised by the ledger
        point = self._points[state.charge_point]
        made: list[dict[str, Any] | None] = []
        if self._not_priced_with is not house:
            made += [self.close(facts, house) for facts in list(point.facts.values())]
        tonight = night_of(now, house.file.days)
        # The controller closes its own night first, or again. Nights long ago, from a wrong clock,
        # go.
        in_progress = state.night.night if state.night else None
        closing = in_progress if state.night and not state.night.closed else None
        over = sorted(night for night in point.nights if night < tonight and night != in_progress)
        for night in over[:AT_ONCE]:
            if night not in point.facts and self._has_readings(night, tonight, house):
                made.append(self._again(state, night, house))
            point.nights.discard(night)
        for night in sorted(point.compare_again)[: AT_ONCE - len(over[:AT_ONCE])]:
            if night not in point.nights and self._has_readings(night, tonight, house):
                made.append(self._compare_again(state.charge_point, night, house))
            point.compare_again.discard(night)
        if point.priced_with is not house:
            made += self._price_again(state.charge_point, tonight, closing, house)
            if closing not in point.price_again:
                point.priced_with = house
        return [record for record in made if record is not None]

    def _has_readings(self, night: date, tonight: date, house: House) -> bool:
        """Whether a night is not too long ago and the ledger still has all its readings."""
        is_near = tonight - night <= timedelta(days=MOST_NIGHTS)
        return is_near and has_all_readings(night, house.file.days, self._ledger.kept_from())

    def _again(self, state: PointState, night: date, house: House) -> dict[str, Any] | None:
        """Account for a night again, and record it if the meter shows something else now."""
        file, name = house.file, state.charge_point
        closed = next(iter(self._ledger.nights(night, night, name)), None)
        facts = (
            facts_unseen(night, name, vehicle_of(state, file) or "", file)
            if closed is None
            else facts_again(closed, file)
        )
        try:
            record = self._outbox.night_account(facts, house)
        except TariffError:
            return self.close(facts, house)  # pending until there are rates
        if same_account(closed, record) if closed else not record["energy_kwh"]:
            return None
        if _rests_on_estimates(record):
            self._points[name].price_again.add(night)
        return self._outbox.record_night(facts, house)

    def _compare_again(self, charge_point: str, night: date, house: House) -> dict[str, Any] | None:
        """Compare a night of an earlier version with other rules again, at the rates of then."""
        closed, facts = self._facts_of(charge_point, night, house)
        try:
            record = self._outbox.night_account(facts, house)
        except TariffError:
            return None
        # A file whose rates were edited since must not change what a night cost.
        is_same = same_account(closed, record) and compared_by_older_version(closed)
        return self._outbox.record_night(facts, house) if is_same else None

    def _price_again(
        self, charge_point: str, tonight: date, closing: date | None, house: House
    ) -> Iterator[dict[str, Any] | None]:
        """Account again for nights that rest on estimates, if what they rest on is known now."""
        point = self._points[charge_point]
        for night in sorted(point.price_again):
            if tonight - night > PRICED_AGAIN_FOR or not self._has_readings(night, tonight, house):
                point.price_again.discard(night)
            elif night != closing:
                closed, facts = self._facts_of(charge_point, night, house)
                is_priced = not has_estimated_rates(closed)
                if rates_are_known(house, facts) and (
                    not is_priced or intensities_are_known(house, facts)
                ):
                    point.price_again.discard(night)
                    yield self._outbox.record_night(facts, house)

    def _facts_of(
        self, charge_point: str, night: date, house: House
    ) -> tuple[dict[str, Any], NightFacts]:
        """Return a closed night's record, and the facts to account for the same time again."""
        (closed,) = self._ledger.nights(night, night, charge_point)
        facts = facts_again(closed, house.file)
        return closed, replace(facts, closed_at=parse_instant(closed["closed_at"]))


def _rests_on_estimates(record: dict[str, Any]) -> bool:
    return has_estimated_rates(record) or has_estimated_carbon(record)
