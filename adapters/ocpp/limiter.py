"""Limit the current of one charge point by charging profiles, in a form that it accepts.

Three profiles may be in the equipment, one of each purpose:

=====================  =============================================================================
TxProfile              what the charge in progress may take: the command, then the plan, then 0 A
TxDefaultProfile       what a charge may take that begins without the daemon; it stays there
ChargePointMaxProfile  the highest current of the household file; it stays there
=====================  =============================================================================

Equipment without TxProfile is limited by TxDefaultProfile. What is refused in amperes is tried in
watts, and what is refused with the plan without it, and with a single period.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Any, Final, Literal

import structlog

from adapters.clocks.clock import Clock
from adapters.contract.current_period import CurrentPeriod
from adapters.contract.messages import Command
from adapters.ocpp_point.abilities import Abilities, Feature, Purpose
from adapters.ocpp_point.charging_profile import (
    LOWEST_LEVEL,
    PROFILE_IDS,
    STACK_LEVEL,
    Form,
    charging_profile,
    highest_profile,
    limits,
    waiting_profile,
)
from adapters.ocpp_point.events import CallRefused
from adapters.ocpp_point.point import Equipment
from adapters.ocpp_point.remembered import Remembered
from adapters.ocpp_point.state import TransactionId
from adapters.ocpp_versions.call import NEVER, NO_ANSWER, ask, ask_for
from adapters.ocpp_versions.session import Session

MOST_UNANSWERED: Final = 3
"""After so many requests without an answer, a kind of profile counts as refused for now."""
LOOKS_AHEAD_SECONDS: Final = 3600

_log = structlog.get_logger(__name__)

Regulator = Literal["TxProfile", "TxDefaultProfile"]
Request = Callable[[dict[str, Any]], object]


class Limiter:
    """Sets the charging profiles of one charge point, for as long as one connection lasts.

    Parameters
    ----------
    session
        The connection.
    remembered
        What is known of all equipment.
    clock
        The daemon's.
    """

    def __init__(self, session: Session, remembered: Remembered, clock: Clock) -> None:
        self._session = session
        self._remembered = remembered
        self._clock = clock
        self._one_at_a_time = asyncio.Lock()
        self._unanswered: Counter[str] = Counter()
        self._asked_again = 0
        self._regulates_by_default = False
        self._phases: int | None = None
        self.waits = False
        """Whether the equipment holds a new charge back by its default profile."""

    # --- what it can ------------------------------------------------------------------------

    @property
    def abilities(self) -> Abilities:
        """What is known of the equipment."""
        return self._remembered.of(self._session.equipment.name)

    @property
    def is_known(self) -> bool:
        """Whether it has said before what it can, and has the same firmware now."""
        known, model = self.abilities, self._session.state.model
        is_same = (known.version or "1.6") == self._session.version
        return known.answered and is_same and model in {"", known.model}

    async def learn(self) -> None:
        """Ask the equipment what it can; another firmware may refuse and accept other things."""
        known, model = self.abilities, self._session.state.model
        version = self._session.version
        if model not in {"", known.model} or (known.version or "1.6") != version:
            known = Abilities(model=model)
        known = replace(known, version="" if version == "1.6" else version)
        # What was not answered in time is tried again after a while.
        self._unanswered.clear()
        said = await self._session.requests.abilities(known)
        self._keep(known if said is None else said)

    async def learn_again(self) -> None:
        """Ask once more, a few times at most: its answer may have been lost."""
        if not self.abilities.answered and self._asked_again < MOST_UNANSWERED:
            self._asked_again += 1
            await self.learn()

    @property
    def regulators(self) -> tuple[Regulator, ...]:
        """The purposes by which the current may be set, the best one first.

        A TxProfile that was accepted overrules a default profile. So there is no way back to that.
        """
        found: list[Regulator] = ["TxProfile"] if self._may_have("TxProfile") else []
        has_accepted = {"TxProfile", "with-start"} & self.abilities.accepted
        if not has_accepted and self._may_have("TxDefaultProfile"):
            found.append("TxDefaultProfile")
        return tuple(found)

    @property
    def may_start_with_profile(self) -> bool:
        """Whether a start may carry its profile."""
        return self._may_have("TxProfile") and self._may_have("with-start")

    def learn_refused(self, feature: Feature) -> None:
        """Remember that the equipment refuses a kind of profile."""
        self._keep(self.abilities.refuses(feature))

    def _may_have(self, feature: Feature) -> bool:
        return self.abilities.may_have(feature) and self._unanswered[feature] < MOST_UNANSWERED

    def _keep(self, abilities: Abilities) -> None:
        try:
            self._remembered.keep(self._session.equipment.name, abilities)
        except OSError as error:  # it is asked again after a restart
            _log.warning("what equipment can do is not kept", reason=str(error))

    # --- what is in the equipment for good ----------------------------------------------------

    async def set_up(self) -> None:
        """Let new charges wait for the daemon, and bound all of them; a refusal does no harm."""
        await self.hold_back()
        # One number bounds all connectors together.
        if self._may_have("ChargePointMaxProfile") and (self.abilities.connectors or 1) == 1:
            equipment, now = self._session.equipment, self._clock.now()

            def request(form: Form) -> object:
                profile = highest_profile(equipment, form, now)
                return self._session.requests.set_profile(profile)

            await self._first_accepted("ChargePointMaxProfile", self._forms(LOWEST_LEVEL), request)

    async def hold_back(self, *, again: bool = False) -> CallRefused | None:
        """Let a charge that begins without the daemon wait, unless one is regulated in that way.

        Parameters
        ----------
        again
            Whether no charge is regulated any more.

        Returns
        -------
        CallRefused or None
            None as well if the equipment has no default profile.
        """
        async with self._one_at_a_time:
            if again:
                self._regulates_by_default = False
            if self._regulates_by_default or not self._may_have("TxDefaultProfile"):
                return None
            equipment = self._session.equipment

            def request(form: Form) -> object:
                profile = waiting_profile(equipment, form)
                return self._session.requests.set_profile(profile)

            refused = await self._first_accepted(
                "TxDefaultProfile", self._forms(LOWEST_LEVEL), request
            )
            self.waits = refused is None
            return refused

    @property
    def regulates_by_default(self) -> bool:
        """Whether the default profile holds the limits of a charge now."""
        return self._regulates_by_default

    async def release(self) -> tuple[str, ...]:
        """Take all profiles of the daemon out of the equipment.

        Returns
        -------
        tuple of str
            What is left in it, in words for people; empty if nothing is.
        """
        left = [purpose for purpose in PROFILE_IDS if not await self._clear(purpose)]
        self.waits = False
        if "TxDefaultProfile" in left and await self._open_default():
            left.remove("TxDefaultProfile")
        asked = self._session.requests.schedule(LOOKS_AHEAD_SECONDS)
        answer = await ask_for(self._session, asked)
        words = [f"it keeps its {purpose}" for purpose in left]
        if _allows_nothing(answer):
            words.append("it still allows no current")
        return tuple(words)

    async def _clear(self, purpose: Purpose) -> bool:
        """Clear a profile; `Unknown` means that there is none."""
        level = self.abilities.level(STACK_LEVEL if purpose == "TxProfile" else LOWEST_LEVEL)
        reasons = []
        for request in self._session.requests.clear(purpose, level):
            reason = await ask(self._session, request)
            if reason is None:
                return True
            reasons.append(reason)
        return reasons[-1] == "Unknown"

    async def _open_default(self) -> bool:
        """Replace a default profile that can't be cleared by one that allows the most."""
        equipment = self._session.equipment
        opened = replace(equipment, alone_amps=equipment.max_amps)

        def request(form: Form) -> object:
            return self._session.requests.set_profile(waiting_profile(opened, form))

        return (
            await self._first_accepted("TxDefaultProfile", self._forms(LOWEST_LEVEL), request)
            is None
        )

    # --- what a charge may take ---------------------------------------------------------------

    async def limit(
        self, regulator: Regulator, command: Command, periods: Sequence[CurrentPeriod]
    ) -> CallRefused | None:
        """Limit the charge in progress, or the next one, to a command and the plan after it."""
        request, state = self._session.requests.set_profile, self._session.state
        if regulator == "TxProfile":
            return await self._limit(
                "TxProfile", command, periods, request, transaction=state.transaction
            )
        async with self._one_at_a_time:
            before = self._regulates_by_default, self.waits
            self._regulates_by_default, self.waits = True, False
            refused = await self._limit("TxDefaultProfile", command, periods, request)
            if refused is not None and refused.reason != NO_ANSWER:
                self._regulates_by_default, self.waits = before  # the one before is still there
            return refused

    async def start_with(
        self, command: Command, periods: Sequence[CurrentPeriod], request: Request
    ) -> CallRefused | None:
        """Send a start that carries its profile."""
        return await self._limit("with-start", command, periods, request)

    async def _limit(
        self,
        feature: Feature,
        command: Command,
        periods: Sequence[CurrentPeriod],
        request: Request,
        transaction: TransactionId | None = None,
    ) -> CallRefused | None:
        # A stop stays on the phases of the start before it.
        self._phases = command.phases or self._phases
        switches = self.abilities.switches_phases is True
        equipment = _on_phases(self._session.equipment, self._phases, switches=switches)
        now = self._clock.now()
        purpose: Purpose = "TxDefaultProfile" if feature == "TxDefaultProfile" else "TxProfile"
        refused: CallRefused | None = None
        # A start without a profile comes after those that carry one. So they need no single period.
        may_be_single = feature != "with-start" and command.do == "start"
        for plan, form in self._tries(periods, may_be_single=may_be_single):
            found = limits(command, plan, now, equipment.max_amps)
            profile = charging_profile(found, equipment, transaction, form, purpose)
            refused = await self._first_accepted(
                feature,
                [form],
                lambda _form, made=profile: request(made),  # type: ignore[misc]
            )
            if refused is None or refused.reason == NO_ANSWER:
                break
        return refused

    def _tries(
        self, periods: Sequence[CurrentPeriod], *, may_be_single: bool
    ) -> Iterator[tuple[Sequence[CurrentPeriod], Form]]:
        """Yield plans and forms to try: with the plan, without it, with a single period."""
        for form in self._forms(STACK_LEVEL):
            if periods:
                yield periods, form
            yield (), form
            may_end = form.expires or self._session.equipment.may_not_end
            if may_be_single and may_end and self.abilities.most_periods is None:
                yield (), replace(form, most_periods=1)

    def _forms(self, level: int) -> list[Form]:
        known = self.abilities
        return [
            Form(unit, known.periods_to_send, known.level(level), expires=self.waits)
            for unit in known.units_to_try
        ]

    async def _first_accepted(
        self, feature: Feature, forms: Sequence[Form], request: Callable[[Form], object]
    ) -> CallRefused | None:
        """Send a request in each form until one is accepted, and remember what was learned."""
        refused: CallRefused | None = None
        for form in forms:
            made = request(form)
            reason = await ask(self._session, made)
            if reason is None:
                self._learn_accepted(feature, form)
                return None
            refused = CallRefused(self._session.equipment.name, type(made).__name__, reason)
            if reason == NO_ANSWER:
                self._unanswered[feature] += 1
                break
            if reason.startswith(NEVER) and feature != "with-start":
                self._keep(self.abilities.refuses(feature))
                break
        return refused

    def _learn_accepted(self, feature: Feature, form: Form) -> None:
        self._unanswered[feature] = 0
        known = self.abilities.accepts(feature)
        self._keep(known if known.units else replace(known, units=(form.unit,)))


def _allows_nothing(answer: object) -> bool:
    """Whether a composite schedule begins with a limit of 0."""
    schedule = getattr(answer, "charging_schedule", None) or getattr(answer, "schedule", None)
    periods = schedule.get("charging_schedule_period") if isinstance(schedule, dict) else None
    first = periods[0] if isinstance(periods, list) and periods else None
    return isinstance(first, dict) and first.get("limit") == 0


def _on_phases(equipment: Equipment, phases: int | None, *, switches: bool) -> Equipment:
    """Return the equipment as it is on the phases that a start names, if it switches them."""
    if phases is None:
        return equipment
    # A limit in watts is that of all phases: where equipment does not say that it switches, all of
    # it may flow on one.
    counted = min(phases if switches else 1, equipment.vehicle_phases or phases)
    return replace(equipment, phases=phases, vehicle_phases=counted)
