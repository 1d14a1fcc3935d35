"""Send a charge point its command over OCPP, until the equipment accepts it.

What is sent depends on whether a transaction runs, and on what the equipment can (see `limiter`):

=============  ======================================  =======================================
command        while a transaction runs                without one
=============  ======================================  =======================================
start          SetChargingProfile                      RemoteStartTransaction, in one of the
                                                       ways below
stop           SetChargingProfile with a limit of 0    nothing; it is sent once one begins
expired start  nothing                                 nothing
=============  ======================================  =======================================

These are the names of OCPP 1.6. In OCPP 2 they are RequestStartTransaction and
RequestStopTransaction, and a transaction that waits for somebody to begin counts as none.

A start goes the first way that the equipment accepts. No way lets it begin with more current than
was commanded:

1. with its profile;
2. alone, and its profile once the transaction has begun, if until then a default profile holds it
   back, or if it may take the highest current;
3. alone, after a default profile with its limits;
4. alone and without any limit, if the household file does not count on one, or if it may take the
   highest current.

A stop keeps the transaction: after RemoteStopTransaction much equipment begins another only once
the plug has been pulled, so that a pause would end charging for the night. RemoteStopTransaction is
sent all the same if the equipment refuses the limit of 0, or still charges a minute later when the
same stop is sent again; and if it refuses a lower current twice.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from adapters.clocks.clock import Clock
from adapters.contract.current_period import CurrentPeriod
from adapters.contract.messages import Command
from adapters.ocpp.limiter import Limiter, Regulator
from adapters.ocpp.troubles import Troubles
from adapters.ocpp_point.events import CallRefused, EquipmentEvent, EquipmentReady
from adapters.ocpp_point.state import RUNNING
from adapters.ocpp_versions.call import NO_ANSWER, ask, wait_for_event
from adapters.ocpp_versions.session import Session

OBEYS_WITHIN: Final = timedelta(minutes=1)
"""Equipment that still charges this long after a stop does not obey a limit of 0."""
DONE_WITHIN: Final = timedelta(seconds=30)
"""How long equipment may take to begin or end a transaction; it would refuse to be asked again."""
LEARNS_AT_TRY: Final = 2
"""At this try equipment is asked again what it can, unless it has said so."""
LOWERS_AT_TRY: Final = 2
"""At this try a charge is ended whose current can't be lowered."""


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
    start_seconds : float
        How long after an accepted start it is asked, if no transaction has begun.
    """

    answer_seconds: float = 30.0
    greeting_seconds: float = 10.0
    sample_seconds: float = 5.0
    retry_seconds: float = 5.0
    most_retry_seconds: float = 300.0
    stop_seconds: float = 10.0
    start_seconds: float = 30.0

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
    limiter
        Sets its charging profiles.
    keeps_profiles
        Whether profiles are to stay in the equipment.
    """

    def __init__(
        self,
        session: Session,
        notify: Callable[[EquipmentEvent], Awaitable[None]],
        clock: Clock,
        patience: Patience,
        limiter: Limiter,
        *,
        keeps_profiles: bool = True,
    ) -> None:
        self._keeps_profiles = keeps_profiles
        self._session = session
        self._limiter = limiter
        self._troubles = Troubles(session, notify)
        self._notify = notify
        self._clock = clock
        self._patience = patience
        self.is_ready = False
        """Whether the equipment accepts commands."""
        self.is_settled = True
        """Whether the equipment has accepted the command in force."""
        self._in_force: CommandWithPlan | None = None
        self._allowed_amps: float | None = None
        self._accepted: tuple[object, datetime] | None = None
        self._in_force_since = clock.now()
        self._has_changed = asyncio.Event()

    def send(self, command: Command, periods: Sequence[CurrentPeriod]) -> None:
        """Send a command and the plan; they replace the ones in force."""
        if self._in_force is None or self._in_force.command.serial != command.serial:
            self._in_force_since = self._clock.now()
        self._in_force = CommandWithPlan(command, tuple(periods))
        self.is_settled = False
        self._has_changed.set()

    def send_again(self) -> None:
        """Send the command in force again, for a transaction that has just become known."""
        if self._in_force is not None:
            self.is_settled = False
            self._has_changed.set()

    def has_accepted(self, serial: int | None) -> bool:
        """Whether the equipment has accepted the command in force, and that is the one meant."""
        in_force = self._in_force
        is_meant = serial is None or (in_force is not None and in_force.command.serial == serial)
        return self.is_settled and is_meant

    async def greet(self) -> None:
        """Ask for status and meter, and report equipment as ready; again when it boots."""
        greeted = self._session.greeted
        await wait_for_event(greeted, self._patience.greeting_seconds)
        while True:
            greeted.clear()
            self._accepted = None
            self._session.sampled.clear()
            if await self._session.requests.status():
                await wait_for_event(self._session.sampled, self._patience.sample_seconds)
            was_known = self._limiter.is_known
            if not was_known:
                await self._limiter.learn()
            self.is_ready = True
            await self._notify(EquipmentReady(self._session.equipment.name))
            if was_known:
                await self._limiter.learn()
            if self._keeps_profiles:
                await self._limiter.set_up()
            await self._troubles.judge(self._limiter)
            await self._session.requests.samples()
            await greeted.wait()

    async def run(self) -> None:
        """Send each new command, until cancelled."""
        while True:
            await self._has_changed.wait()
            await self._send_until_accepted()
            seconds = self._patience.stop_seconds if self._is_stopping else None
            seconds = self._patience.start_seconds if self._is_waiting else seconds
            # If it does what it was told, it has said so by then; else it is asked what it does.
            if seconds is not None and not await self._changes_within(seconds):
                await self._session.requests.status()

    async def watch(self) -> None:
        """Look whether the equipment pauses by itself, though it may charge."""
        in_force = self._in_force
        is_started = (
            in_force is not None
            and in_force.command.do == "start"
            and not self._has_expired(in_force.command)
        )
        # The last limit that it accepted counts, also while the same command is sent again.
        is_allowed = is_started and self._allowed_amps != 0
        is_paused = is_allowed and self._status == "SuspendedEVSE"
        await self._troubles.note_pause(self._clock.now(), is_paused=is_paused)

    def _may_charge(self) -> bool:
        """Return whether a start is in force that the equipment has accepted."""
        in_force = self._in_force
        return (
            in_force is not None
            and in_force.command.do == "start"
            and not self._has_expired(in_force.command)
            and self.is_settled
        )

    @property
    def _is_waiting(self) -> bool:
        """Whether a start has been accepted, and no transaction has begun."""
        return self._may_charge() and not self._session.state.runs(
            self._session.equipment.connector
        )

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
        for tries, seconds in enumerate(self._patience.pauses(), start=1):
            self._has_changed.clear()
            refused = await self._send_in_force(tries)
            if refused is not None:
                await self._notify(refused)
            if refused is not None and tries >= LEARNS_AT_TRY:
                await self._limiter.learn_again()
            await self._troubles.note(refused, tries)
            self.is_settled = refused is None and not self._has_changed.is_set()
            if refused is None or await self._changes_within(seconds):
                return

    async def _send_in_force(self, tries: int) -> CallRefused | None:
        """Send the command in force once, in each way until one is accepted."""
        in_force = self._in_force
        if in_force is None or self._has_expired(in_force.command):
            return None
        runs = self._session.state.runs(self._session.equipment.connector)
        if in_force.command.do == "start":
            if runs:
                return await self._change(in_force, tries)
            # One that has just accepted gets its limit once its transaction has begun.
            return None if self._has_just_accepted("start") else await self._begin(in_force)
        if not runs:
            by_default = self._limiter.regulates_by_default
            return await self._limiter.hold_back(again=True) if by_default else None
        return await self._stop(in_force)

    async def _stop(self, in_force: CommandWithPlan) -> CallRefused | None:
        if self._session.state.transaction is None:
            await self._learn_transaction()
        # To end the transaction is surer than a way that was never tried.
        refused = await self._limit(in_force, next(iter(self._limiter.regulators), None))
        disobeys = (
            self._clock.now() - self._in_force_since >= OBEYS_WITHIN and self._status == "Charging"
        )
        if refused is None and not disobeys:
            return None
        refused = await self._stop_transaction(refused)
        # Equipment whose status shows no transaction has nothing to stop. It gets the stop again
        # when its status shows one.
        return refused if self._status in {None, *RUNNING} else None

    async def _change(self, in_force: CommandWithPlan, tries: int) -> CallRefused | None:
        """Set the current of the transaction that runs."""
        best, *others = self._limiter.regulators or (None,)
        refused = await self._limit(in_force, best)
        if refused is None:
            return None
        # The status may be late: the known number is kept, since a stop may yet need it.
        if self._session.state.transaction is not None and self._status not in {None, *RUNNING}:
            return await self._begin(in_force)
        for other in others:
            if refused.reason != NO_ANSWER and await self._limit(in_force, other) is None:
                self._limiter.learn_refused("TxProfile")
                return None
        if self._allowed_amps is None and self._may_take_all(in_force.command):
            return None
        if tries >= LOWERS_AT_TRY and self._takes_more_than(in_force.command):
            await self._stop_transaction(refused)
        return refused

    def _takes_more_than(self, command: Command) -> bool:
        """Whether the equipment may draw more than a start allows, as it refuses the new limit."""
        return self._allowed_amps is None or self._allowed_amps > (command.amps or 0.0)

    async def _limit(
        self, in_force: CommandWithPlan, regulator: Regulator | None
    ) -> CallRefused | None:
        """Limit the transaction that runs; None for equipment that can't."""
        if regulator is None:
            return self._no_way("SetChargingProfile", "it can't set its current")
        command = in_force.command
        refused = await self._limiter.limit(regulator, command, in_force.periods)
        if refused is None:
            self._allowed_amps = command.amps or 0.0
        return refused

    def _no_way(self, name: str, reason: str) -> CallRefused:
        return CallRefused(self._session.equipment.name, name, reason)

    def _may_take_all(self, command: Command) -> bool:
        """Whether a start without any limit keeps to the command, and may be without an end."""
        equipment = self._session.equipment
        if not equipment.sets_current:
            return True
        return equipment.may_not_end and (command.amps or 0.0) >= equipment.max_amps

    async def _begin(self, in_force: CommandWithPlan) -> CallRefused | None:
        """Begin a transaction in the first way that the equipment accepts."""
        refused = await self._begin_first(in_force)
        if refused is None:
            self._accepted = "start", self._clock.now()
        return refused

    def _has_just_accepted(self, what: object) -> bool:
        """Whether it has accepted a moment ago to begin or end a transaction."""
        if self._accepted is None or self._accepted[0] != what:
            return False
        return abs(self._clock.now() - self._accepted[1]) < DONE_WITHIN

    async def _begin_first(self, in_force: CommandWithPlan) -> CallRefused | None:
        command, limiter = in_force.command, self._limiter
        refused: CallRefused | None = None
        if limiter.may_start_with_profile:
            refused = await limiter.start_with(
                command, in_force.periods, self._session.requests.start
            )
            if refused is None:
                self._allowed_amps = command.amps
                return None
            if refused.reason == NO_ANSWER:
                return refused
        for regulator in limiter.regulators:
            if not await self._is_held(regulator, in_force):
                continue
            alone = await self._ask(self._session.requests.start())
            if alone is None and refused is not None and limiter.waits:
                # It was the profile that it did not want. It is remembered where nothing is lost.
                limiter.learn_refused("with-start")
            return alone
        if self._may_take_all(command):
            self._allowed_amps = None
            return await self._ask(self._session.requests.start())
        return refused or self._no_way(
            "RemoteStartTransaction", f"it can't be held to {command.amps:g} A"
        )

    async def _is_held(self, regulator: str, in_force: CommandWithPlan) -> bool:
        """Whether a charge that begins without a profile takes no more than was commanded."""
        limiter, command = self._limiter, in_force.command
        if regulator == "TxDefaultProfile":
            return await limiter.limit("TxDefaultProfile", command, in_force.periods) is None
        alone_amps = self._session.equipment.alone_amps
        if alone_amps <= (command.amps or 0.0):
            if not limiter.waits:
                await limiter.hold_back()
            if limiter.waits:
                self._allowed_amps = alone_amps
                return True
        self._allowed_amps = None
        return self._may_take_all(command)

    async def _learn_transaction(self) -> None:
        """Ask for meter values: they have the number of the transaction that runs."""
        self._session.sampled.clear()
        if await self._session.requests.status():
            await wait_for_event(self._session.sampled, self._patience.sample_seconds)

    @property
    def _status(self) -> str | None:
        return self._session.state.statuses.get(self._session.equipment.connector)

    def _has_expired(self, command: Command) -> bool:
        return command.do == "start" and command.valid_until <= self._clock.now()

    async def _stop_transaction(self, refused: CallRefused | None) -> CallRefused | None:
        transaction = self._session.state.last_transaction
        if transaction is None:
            return refused
        if self._has_just_accepted(transaction):
            return None
        refused = await self._ask(self._session.requests.stop(transaction))
        if refused is None:
            self._accepted = transaction, self._clock.now()
        return refused

    async def _ask(self, request: object) -> CallRefused | None:
        reason = await ask(self._session, request)
        if reason is None:
            return None
        return CallRefused(self._session.equipment.name, type(request).__name__, reason)
