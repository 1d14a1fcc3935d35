"""Send a charge point its command over OCPP 1.6, until the equipment accepts it.

What is sent depends on whether a transaction runs:

=============  ====================================  =========================================
command        while a transaction runs              without one
=============  ====================================  =========================================
start          SetChargingProfile                    RemoteStartTransaction with that profile
stop           SetChargingProfile with a limit of 0  nothing; it is sent once one begins
expired start  nothing                               nothing
=============  ====================================  =========================================

A stop keeps the transaction: after RemoteStopTransaction much equipment begins another only once
the plug has been pulled, so that a pause would end charging for the night. RemoteStopTransaction is
sent all the same if the equipment refuses the limit of 0, or still charges a minute later when the
same stop is sent again.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final

from ocpp.v16 import call

from adapters.clocks.clock import Clock
from adapters.contract.current_period import CurrentPeriod
from adapters.contract.messages import Command
from adapters.ocpp.call import ask, request_samples, request_status, wait_for_event
from adapters.ocpp.charging_profile import charging_profile, limits
from adapters.ocpp.events import CallRefused, EquipmentEvent, EquipmentReady
from adapters.ocpp.point import RUNNING
from adapters.ocpp.session import Session

ID_TAG: Final = "lullwatt"
"""Names who starts a transaction; the standard allows 20 characters."""
OBEYS_WITHIN: Final = timedelta(minutes=1)
"""Equipment that still charges this long after a stop does not obey a limit of 0."""


@dataclass(frozen=True)
class Patience:
    """How long to wait [seconds].

    Attributes
    ----------
    answer_seconds : float
        For an answer from equipment.
    greeting_seconds : float
        For the first message from equipment, before any request is sent to it.
    sample_seconds : float
        For the meter values that it is then asked for. They count what was charged while it was
        disconnected, which the first command must take into account.
    retry_seconds, most_retry_seconds : float
        The first pause after a refusal, which doubles each time, and the longest.
    stop_seconds : float
        How long after a stop equipment is asked for meter values, which show whether it stopped.
        By itself it may send them every quarter of an hour.
    """

    answer_seconds: float = 30.0
    greeting_seconds: float = 10.0
    sample_seconds: float = 5.0
    retry_seconds: float = 5.0
    most_retry_seconds: float = 300.0
    stop_seconds: float = 10.0

    def pauses(self) -> Iterator[float]:
        """Yield the pauses between tries."""
        seconds = self.retry_seconds
        while True:
            yield min(seconds, self.most_retry_seconds)
            seconds = min(2 * seconds, self.most_retry_seconds)


@dataclass(frozen=True)
class CommandWithPlan:
    """The command in force, and the plan to follow if the connection is lost."""

    command: Command
    periods: tuple[CurrentPeriod, ...]


class CommandSender:
    """Sends commands to one charge point, for as long as one connection lasts.

    Parameters
    ----------
    session
        The connection.
    notify
        Takes events of the equipment; does not raise.
    clock
        The daemon's.
    patience
        How long to wait.
    """

    def __init__(
        self,
        session: Session,
        notify: Callable[[EquipmentEvent], Awaitable[None]],
        clock: Clock,
        patience: Patience,
    ) -> None:
        self._session = session
        self._notify = notify
        self._clock = clock
        self._patience = patience
        self.is_ready = False
        """Whether the equipment accepts commands."""
        self._in_force: CommandWithPlan | None = None
        self._in_force_since = clock.now()
        self._has_changed = asyncio.Event()

    def send(self, command: Command, periods: Sequence[CurrentPeriod]) -> None:
        """Send a command and the plan; they replace the ones in force."""
        if self._in_force is None or self._in_force.command.serial != command.serial:
            self._in_force_since = self._clock.now()
        self._in_force = CommandWithPlan(command, tuple(periods))
        self._has_changed.set()

    def send_again(self) -> None:
        """Send the command in force again, for a transaction that has just become known."""
        if self._in_force is not None:
            self._has_changed.set()

    async def greet(self) -> None:
        """Ask for status and meter, and report equipment as ready; again when it boots."""
        greeted = self._session.greeted
        await wait_for_event(greeted, self._patience.greeting_seconds)
        while True:
            greeted.clear()
            self._session.sampled.clear()
            if await request_status(self._session, self._session.equipment.connector):
                await wait_for_event(self._session.sampled, self._patience.sample_seconds)
            self.is_ready = True
            await self._notify(EquipmentReady(self._session.equipment.name))
            point = self._session.equipment
            await request_samples(
                self._session, of_home=point.home_phases > 0, of_grid=point.reports_grid
            )
            await greeted.wait()

    async def run(self) -> None:
        """Send each new command, until cancelled."""
        while True:
            await self._has_changed.wait()
            await self._send_until_accepted()
            if self._is_stopping and not await self._changes_within(self._patience.stop_seconds):
                await request_status(self._session, self._session.equipment.connector)

    @property
    def _is_stopping(self) -> bool:
        """Whether the command in force is a stop, and its transaction may not have ended."""
        return (
            self._in_force is not None
            and self._in_force.command.do == "stop"
            and self._session.state.runs(self._session.equipment.connector)
        )

    async def _changes_within(self, seconds: float) -> bool:
        return await wait_for_event(self._has_changed, seconds)

    async def _send_until_accepted(self) -> None:
        for seconds in self._patience.pauses():
            self._has_changed.clear()
            refused = await self._send_in_force()
            if refused is not None:
                await self._notify(refused)
            if refused is None or await self._changes_within(seconds):
                return

    async def _send_in_force(self) -> CallRefused | None:
        """Send the command in force once: with the plan, or without it if that is refused."""
        in_force = self._in_force
        if in_force is None or self._has_expired(in_force.command):
            return None
        command = in_force.command
        if self._is_stopping and self._session.state.transaction is None:
            await self._learn_transaction()
        refused = await self._send(command, in_force.periods)
        if refused is not None and in_force.periods:
            refused = await self._send(command, ())
        if command.do == "start":
            return None if refused is None else await self._start_again(command, refused)
        disobeys = (
            self._clock.now() - self._in_force_since >= OBEYS_WITHIN and self._status == "Charging"
        )
        if refused is None and not disobeys:
            return None
        refused = await self._stop_transaction(refused)
        # Equipment whose status shows no transaction has nothing to stop. It gets the stop again
        # when its status shows one.
        return refused if self._status in {None, *RUNNING} else None

    async def _learn_transaction(self) -> None:
        """Ask for meter values: they have the number of the transaction that runs."""
        self._session.sampled.clear()
        if await request_status(self._session, self._session.equipment.connector):
            await wait_for_event(self._session.sampled, self._patience.sample_seconds)

    @property
    def _status(self) -> str | None:
        return self._session.state.statuses.get(self._session.equipment.connector)

    def _has_expired(self, command: Command) -> bool:
        return command.do == "start" and command.valid_until <= self._clock.now()

    async def _send(self, command: Command, periods: Sequence[CurrentPeriod]) -> CallRefused | None:
        equipment, state = self._session.equipment, self._session.state
        if state.runs(equipment.connector):
            profile = self._profile(command, periods, state.transaction)
            return await self._ask(call.SetChargingProfile(equipment.connector, profile))
        return None if command.do == "stop" else await self._begin_transaction(command, periods)

    async def _begin_transaction(
        self, command: Command, periods: Sequence[CurrentPeriod]
    ) -> CallRefused | None:
        connector, profile = (
            self._session.equipment.connector,
            self._profile(command, periods, None),
        )
        return await self._ask(call.RemoteStartTransaction(ID_TAG, connector, profile))

    def _profile(
        self, command: Command, periods: Sequence[CurrentPeriod], transaction: int | None
    ) -> dict[str, Any]:
        equipment = self._session.equipment
        found = limits(command, periods, self._clock.now(), equipment.max_amps)
        return charging_profile(found, equipment, transaction)

    async def _start_again(self, command: Command, refused: CallRefused) -> CallRefused | None:
        """Begin a new transaction if the status shows that the known one has ended."""
        # The status may be late: the known number is kept, since a stop may yet need it.
        if self._session.state.transaction is None or self._status in {None, *RUNNING}:
            return refused
        return await self._begin_transaction(command, ())

    async def _stop_transaction(self, refused: CallRefused | None) -> CallRefused | None:
        transaction = self._session.state.last_transaction
        if transaction is None:
            return refused
        return await self._ask(call.RemoteStopTransaction(transaction))

    async def _ask(self, request: object) -> CallRefused | None:
        reason = await ask(self._session, request)
        if reason is None:
            return None
        return CallRefused(self._session.equipment.name, type(request).__name__, reason)
