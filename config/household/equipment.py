"""What a household declares about its charge points, and the rules for each."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import Field, model_validator

from config.calendar.day_kinds import repeated
from config.calendar.timed_hours import PoweredHours
from config.doors.ocpp import OcppPoint
from config.fields.home_fields import PHASES, PhaseNames
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import (
    Amount,
    Amps,
    ClockHours,
    Expected,
    Flag,
    Minutes,
    Model,
    Phases,
    TextOrTexts,
)
from config.household.wiring import Wiring, wiring_problems

if TYPE_CHECKING:
    from collections.abc import Iterator

LOWEST_SIGNAL_AMPS = 6
"""The lowest current that the control pilot of IEC 61851-1 can offer."""
SOCKET_AMPS = 10
"""Usual limit of an in-cable box on a household socket for hours (common practice, no source)."""
MODE_2_AMPS = 32
"""The highest current of charging mode 2 in IEC 61851-1."""
UNSAID_REST_MINUTES = 5
"""How long a plug or relay stays off if the file does not say."""


LONGEST_DELAY_SECONDS = 1800
"""The longest random delay that SI 2021/1467, regulation 11, lets equipment be set to."""

DelaySeconds = Annotated[
    int,
    Field(ge=0, le=LONGEST_DELAY_SECONDS),
    Expected(f"a whole number of seconds from 0 to {LONGEST_DELAY_SECONDS}"),
]


class ChargePoint(Model):
    """One outlet that charges one vehicle at a time."""

    charging_mode: Annotated[
        Literal[2, 3],
        Expected("2 (socket and in-cable box) or 3 (fixed equipment), as in IEC 61851"),
    ] = Field(description="IEC 61851 mode: 2 (socket and in-cable box) or 3 (fixed equipment).")
    max_amps: Amps = Field(description="The highest current it may draw [A per phase].")
    min_amps: Amps = Field(6.0, description="The lowest current it can be set to [A per phase].")
    phases: Phases = Field(1, description="Phases it is connected to.")
    connected_to: PhaseNames | None = Field(
        None,
        description="The phases of the supply that it is connected to, in the order of its own; "
        "without: L1 first. A vehicle with fewer phases loads the first ones.",
    )
    switching: Annotated[
        Literal["on_off", "current"],
        Expected(
            "on_off (a plug or relay) or current (its current can be set)", ("on_off", "current")
        ),
    ] = Field(description="on_off: a plug or relay; current: its current can be set.")
    min_run_minutes: Minutes = Field(0, description="Shortest time on, once it is on [minutes].")
    min_rest_minutes: Minutes | None = Field(
        None,
        description="Shortest time off, once it is off [minutes]; without it 5 with on_off, else 0."
        " A run that a stop cuts short has a longer rest: the next start comes no sooner than"
        " min_run_minutes + min_rest_minutes after the last one.",
    )
    start_cost: Amount = Field(
        Decimal(0), description="What it is worth to avoid one more start [currency]."
    )
    confirm_seconds: Annotated[
        int, Field(ge=10, le=3600), Expected("a whole number of seconds from 10 to 3600")
    ] = Field(
        120,
        description="How long the power may take to follow a command, before the command is "
        "repeated [seconds].",
    )
    random_delay_seconds: DelaySeconds = Field(
        0,
        description="The longest random delay before each start, and each change of the current,"
        " that a price or a time causes [seconds].",
    )
    delays_itself_seconds: DelaySeconds = Field(
        0,
        description="The longest random delay of equipment that delays by itself [seconds].",
    )
    phase_switching_seconds: (
        Annotated[int, Field(ge=1, le=300), Expected("a whole number of seconds from 1 to 300")]
        | None
    ) = Field(
        None,
        description="For equipment that can switch between one phase and all of its phases, which"
        " lets it follow a small surplus of the home's roof: how long it must be stopped for that"
        " [seconds]. It switches only once power has ended, and at most four times an hour.",
    )
    plugged_in: ClockHours | None = Field(
        None, description="When a vehicle counts as plugged in, for hardware that can't tell."
    )
    tariff: TextOrTexts | None = Field(
        None,
        description="Name of the tariff of a meter of its own, or of several by their valid_from;"
        " without: it is on the home's meter. No other use is on a tariff that is named here.",
    )
    powered: (
        Annotated[tuple[PoweredHours, ...], Field(strict=False, min_length=1, max_length=50)] | None
    ) = Field(
        None,
        description="When its circuit has power, by the clock of its own tariff, if it has one;"
        " without: always.",
    )
    circuit_checked_by_electrician: Flag = Field(
        default=False, description="Needed for charging mode 2 above 10 A."
    )
    wiring: Wiring | None = Field(
        None, description="For hardware with its own topics and payloads."
    )
    ocpp: OcppPoint | None = Field(None, description="For equipment that speaks OCPP.")

    @property
    def longest_delay(self) -> timedelta:
        """The longest random delay of a start, whoever delays it."""
        return timedelta(seconds=max(self.random_delay_seconds, self.delays_itself_seconds))

    @property
    def ends_by_itself(self) -> bool:
        """Whether a start ends by itself, and readings show it; without wiring it does.

        Over OCPP it ends with the limits that the equipment stores. A point that is only switched
        may have equipment that stores none.
        """
        if self.wiring is None:
            return self.ocpp is None or self.switching == "current"
        tell = self.wiring.tell
        return self.wiring.hear is not None and (tell is None or tell.is_start_limited)

    @property
    def phase_names(self) -> tuple[str, ...]:
        """The phases of the supply that it is connected to."""
        return self.connected_to or PHASES[: self.phases]

    @property
    def rest_minutes(self) -> int:
        """How long it stays off, once it is off [minutes]."""
        if self.min_rest_minutes is not None:
            return self.min_rest_minutes
        return UNSAID_REST_MINUTES if self.switching == "on_off" else 0

    @model_validator(mode="after")
    def _check(self) -> Self:
        wiring = wiring_problems(self.wiring, self.switching)
        refuse(
            [
                *self._current_problems(),
                *self._mode_2_problems(),
                *wiring,
                *self._protocol_problems(),
                *self._phase_problems(),
                *self._delay_problems(),
            ]
        )
        return self

    def _phase_problems(self) -> Iterator[KeyProblem]:
        yield from repeated(self.connected_to, "connected_to")
        if self.phase_switching_seconds is not None:
            expected = None
            if self.phases == 1:
                expected = "phases: 2 or 3: one phase leaves nothing to switch"
            elif self.switching == "on_off":
                expected = "switching: current: a plug or relay does not choose its phases"
            elif self.wiring is not None:
                expected = self.wiring.missing_for_phases
            if expected is not None:
                yield KeyProblem(("phase_switching_seconds",), f"expected {expected}")
        if self.connected_to is not None and len(self.connected_to) != self.phases:
            yield KeyProblem(
                ("connected_to",),
                f"expected as many as phases says ({self.phases}), got {len(self.connected_to)}",
            )

    def _delay_problems(self) -> Iterator[KeyProblem]:
        if self.random_delay_seconds and self.delays_itself_seconds:
            yield KeyProblem(
                ("random_delay_seconds",),
                "expected it without delays_itself_seconds: a start would be delayed twice",
            )

    def _protocol_problems(self) -> Iterator[KeyProblem]:
        if self.wiring is not None and self.ocpp is not None:
            yield KeyProblem(("ocpp",), "expected either wiring or ocpp, got both")

    def _current_problems(self) -> Iterator[KeyProblem]:
        if self.switching == "current" and self.min_amps < LOWEST_SIGNAL_AMPS:
            yield KeyProblem(
                ("min_amps",),
                f"expected {LOWEST_SIGNAL_AMPS} A or more with switching: current "
                f"(IEC 61851 can't offer less), got {self.min_amps:g}",
            )
        if self.min_amps > self.max_amps:
            low, high = f"{self.min_amps:g}", f"{self.max_amps:g}"
            if "min_amps" in self.model_fields_set:
                yield KeyProblem(("min_amps",), f"expected at most max_amps ({high} A), got {low}")
            else:
                message = f"expected at least min_amps ({low} A unless set), got {high}"
                yield KeyProblem(("max_amps",), message)

    def _mode_2_problems(self) -> Iterator[KeyProblem]:
        if self.charging_mode != 2:  # noqa: PLR2004 - IEC 61851 mode 2
            return
        if self.max_amps > MODE_2_AMPS:
            yield KeyProblem(
                ("max_amps",),
                f"expected {MODE_2_AMPS} A or less in charging mode 2, got {self.max_amps:g}",
            )
        elif self.max_amps > SOCKET_AMPS and not self.circuit_checked_by_electrician:
            yield KeyProblem(
                ("max_amps",),
                f"expected {SOCKET_AMPS} A or less in charging mode 2, got {self.max_amps:g}; more "
                "for hours needs circuit_checked_by_electrician: true, once an electrician has "
                "checked the socket and its circuit",
            )
