"""Tells one charge point over OCPP 1.6 what is in force, until it has taken it.

What is sent depends on whether a transaction runs:

============  ====================================  =========================================
command       while a transaction runs              while none does
============  ====================================  =========================================
start         SetChargingProfile                    RemoteStartTransaction with that profile
stop          SetChargingProfile with a limit of 0  nothing; it is told once one begins
void start    nothing                               nothing
============  ====================================  =========================================

A stop keeps the transaction: after RemoteStopTransaction much equipment waits for the plug to be
pulled before it begins another, so that a pause would be the end of the night. Where the limit of
0 is refused, or is not heeded for a minute when the same stop is told again, RemoteStopTransaction
is sent all the same.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from ocpp.v16 import call

from adapters.clocks.clock import Clock
from adapters.contract.current_period import CurrentPeriod
from adapters.contract.messages import Command
from adapters.ocpp.call import ask, introduce, pause, say, set_up
from adapters.ocpp.charging_profile import charging_profile, limits
from adapters.ocpp.events import CallRefused, EquipmentEvent, EquipmentReady
from adapters.ocpp.point import RUNNING
from adapters.ocpp.session import Session

ID_TAG: Final = "lullwatt"
"""Who starts a transaction; the standard has 20 characters for it."""
HEEDED: Final = timedelta(minutes=1)
"""Equipment that charges on for so long after a stop does not heed a limit of 0."""


@dataclass(frozen=True)
class Patience:
    """How long things may take [seconds].

    Attributes
    ----------
    answer_seconds : float
        For an answer of equipment.
    greeting_seconds : float
        For the first word of equipment, before it is spoken to.
    sample_seconds : float
        For the meter values that it is asked for then. What is told depends on what was charged
        while it was away.
    retry_seconds, most_retry_seconds : float
        The first pause after a refusal, which doubles each time, and the longest.
    """

    answer_seconds: float = 30.0
    greeting_seconds: float = 10.0
    sample_seconds: float = 5.0
    retry_seconds: float = 5.0
    most_retry_seconds: float = 300.0

    def pauses(self) -> Iterator[float]:
        """Yield the pauses between tries."""
        seconds = self.retry_seconds
        while True:
            yield min(seconds, self.most_retry_seconds)
            seconds = min(2 * seconds, self.most_retry_seconds)


@dataclass(frozen=True)
class CommandWithPlan:
    """What a charge point is told, and the plan that it can go on with."""

    command: Command
    schedule: tuple[CurrentPeriod, ...]


class CommandSender:
    """Tells one charge point, for as long as one connection lasts.

    Parameters
    ----------
    session
        The connection.
    notify
        Takes what is to be known of it; does not raise.
    clock
        The daemon's.
    patience
        How long things may take.
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
        """Whether the equipment has been greeted, and can be told things."""
        self._told: CommandWithPlan | None = None
        self._since = clock.now()
        self._news = asyncio.Event()

    def send(self, command: Command, schedule: Sequence[CurrentPeriod]) -> None:
        """Put something in force; it takes the place of whatever was told before."""
        if self._told is None or self._told.command.serial != command.serial:
            self._since = self._clock.now()
        self._told = CommandWithPlan(command, tuple(schedule))
        self._news.set()

    def send_again(self) -> None:
        """Tell what is in force once more, for a transaction that has just become known."""
        if self._told is not None:
            self._news.set()

    async def greet(self) -> None:
        """Learn how things are, say that equipment is ready, set it up; again when it boots."""
        greeted = self._session.greeted
        await pause(greeted, self._patience.greeting_seconds)
        while True:
            greeted.clear()
            self._session.sampled.clear()
            if await introduce(self._session, self._session.equipment.connector):
                await pause(self._session.sampled, self._patience.sample_seconds)
            self.is_ready = True
            await self._notify(EquipmentReady(self._session.equipment.name))
            await set_up(self._session)
            await greeted.wait()

    async def run(self) -> None:
        """Tell what there is to tell, until cancelled."""
        while True:
            await self._news.wait()
            await self._until_taken()

    async def _until_taken(self) -> None:
        for seconds in self._patience.pauses():
            self._news.clear()
            refused = await self._try()
            if refused is not None:
                await self._notify(refused)
            if refused is None or await pause(self._news, seconds):
                return

    async def _try(self) -> CallRefused | None:
        """Tell what is in force once: with the plan, or else without it."""
        told = self._told
        if told is None or self._is_void(told.command):
            return None
        refused = await self._tell(told.command, told.schedule)
        if refused is not None and told.schedule:
            refused = await self._tell(told.command, ())
        if told.command.do == "start":
            return None if refused is None else await self._start_anew(told.command, refused)
        is_unheeded = self._clock.now() - self._since >= HEEDED and self._status == "Charging"
        return await self._stop_transaction(refused) if refused or is_unheeded else None

    @property
    def _status(self) -> str | None:
        return self._session.state.statuses.get(self._session.equipment.connector)

    def _is_void(self, command: Command) -> bool:
        return command.do == "start" and command.valid_until <= self._clock.now()

    async def _tell(
        self, command: Command, schedule: Sequence[CurrentPeriod]
    ) -> CallRefused | None:
        equipment, state = self._session.equipment, self._session.state
        runs = state.runs(equipment.connector)
        if command.do == "stop" and not runs:
            return None
        found = limits(command, schedule, self._clock.now(), equipment.max_amps)
        profile = charging_profile(found, equipment, state.transaction)
        if runs:
            return await self._ask(call.SetChargingProfile(equipment.connector, profile))
        return await self._ask(call.RemoteStartTransaction(ID_TAG, equipment.connector, profile))

    async def _start_anew(self, command: Command, refused: CallRefused) -> CallRefused | None:
        """Begin a transaction where the one that was believed to run may have ended unheard."""
        state = self._session.state
        if state.transaction is None or self._status in {None, *RUNNING}:
            return refused
        state.transaction = None
        return await self._tell(command, ())

    async def _stop_transaction(self, refused: CallRefused | None) -> CallRefused | None:
        transaction = self._session.state.transaction
        if transaction is None:
            return refused
        return await self._ask(call.RemoteStopTransaction(transaction))

    async def _ask(self, message: object) -> CallRefused | None:
        why = await ask(self._session, message)
        return None if why is None else CallRefused(self._session.equipment.name, say(message), why)
