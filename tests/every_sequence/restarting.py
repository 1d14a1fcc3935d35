"""Kill the daemon and start it again, with the real recovery on a ledger that is only imagined."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

from adapters.ledger.exact_json import dump_exact, load_exact
from adapters.ledger.rows import LastVehicleReports, StoredCommand, StoredReading
from daemon.nights.saved_state import saved_body
from daemon.service.recovery import recover
from planners.accounts.register import RegisterReading

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import datetime, timedelta

    from adapters.ledger.ledger import Ledger
    from daemon.control.events import CommandInForce
    from daemon.control.state import House, PointState
    from planners.power.rest import LastSwitches


class ImaginedLedger:
    """What the ledger would hold if everything until now was recorded."""

    def __init__(
        self, state: PointState, sent: CommandInForce | None, reported: float | None, watts: float
    ) -> None:
        self._state, self._sent = state, sent
        self._reported, self._watts = reported, watts

    def last_vehicle_reports(self, _point: str) -> LastVehicleReports:
        state = self._state
        percent = self._reported if state.soc_at is not None else None
        return LastVehicleReports(state.pilot, state.pilot_at, percent, state.soc_at)

    def pilot_changed_at(
        self, _point: str, pilots: Collection[str], _since: datetime
    ) -> datetime | None:
        return self._state.idle_since if self._state.pilot in pilots else None

    def last_reading(self, _point: str) -> StoredReading | None:
        register = self._state.register
        if register is None:
            return None
        return StoredReading(register.at, register.register_wh, self._watts, None)

    def open_night(self, _point: str) -> dict[str, Any]:
        return load_exact(dump_exact(saved_body(self._state)))

    def register_readings(
        self, _point: str, _start: datetime, _end: datetime
    ) -> list[RegisterReading]:
        return [self._state.register] if self._state.register is not None else []

    def last_switches(self, _point: str, _late: timedelta) -> LastSwitches:
        return self._state.switches

    def last_command(self, _point: str) -> StoredCommand | None:
        sent = self._sent
        if sent is None:
            return None
        return StoredCommand(
            sent.valid_until, sent.serial, sent.do, sent.amps, sent.valid_until, sent.why,
            sent.plan, sent.phases,
        )  # fmt: skip


def recovered(
    state: PointState,
    now: datetime,
    house: House,
    *,
    sent: CommandInForce | None,
    reported: float | None,
    watts: float,
) -> PointState:
    """Recover a charge point's state as a daemon does that was killed and starts again now.

    Parameters
    ----------
    state : PointState
        What the daemon knew before.
    now : datetime
        UTC.
    house : House
        The household file and the rates.
    sent : CommandInForce or None
        The last command that it issued.
    reported : float or None
        The state of charge that the vehicle reported last [percent].
    watts : float
        The power of the last reading [W].

    Returns
    -------
    PointState
        By `daemon.service.recovery`, of a ledger that holds all until now.
    """
    ledger = ImaginedLedger(state, sent, reported, watts)
    return recover(cast("Ledger", ledger), state.charge_point, now, house)
