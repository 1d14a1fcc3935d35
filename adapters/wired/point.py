"""One wired charge point: makes readings and reports of what its hardware says, and counts energy.

Hardware that reports power alone gets a register here: power times time, held for a quarter of an
hour at most. Knows no bus and no clock; every instant is passed in.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, Final

from pydantic import ValidationError

from adapters.contract.messages import MalformedMessage, Message, Reading, VehicleReport
from adapters.wired.values import LONGEST_HOLD, HardwareValue, read_values, topic_filters
from config.fields.value_types import WATT_HOURS_PER_KWH
from config.household.wiring import Hearing

SHORTEST: Final = timedelta(seconds=5)
"""Readings that come faster are passed over, unless the power has changed: the register waits."""

CHANGED: Final = 0.1
"""Power that differs by more than this share has changed."""

AWAKE_WATTS: Final = 50.0
"""A change by less is none: electronics that wait draw as much."""


class WiredPoint:
    """Reads one charge point's topics.

    Parameters
    ----------
    hearing
        The charge point's wiring.
    watts_per_amp
        Power of each ampere [W]: phases times volts; for hardware that reports a current alone.
    register_kwh
        Where a register that is counted here goes on from.
    """

    def __init__(
        self, hearing: Hearing, *, watts_per_amp: float, register_kwh: float = 0.0
    ) -> None:
        self._hearing = hearing
        self._watts_per_amp = watts_per_amp
        self._counted_kwh = register_kwh
        self._watts: float | None = None
        self._watts_at: datetime | None = None
        self._told: Reading | None = None

    @property
    def topic_filters(self) -> tuple[str, ...]:
        """The topics to subscribe to."""
        return topic_filters(self._hearing)

    @property
    def measures(self) -> bool:
        """Whether a meter is heard at all."""
        return self.counts or self._hearing.energy is not None

    @property
    def counts(self) -> bool:
        """Whether energy is counted here, because no register is heard."""
        hearing = self._hearing
        return hearing.energy is None and (hearing.power or hearing.current) is not None

    def read(
        self, topic: str, payload: bytes, now: datetime, *, retain: bool
    ) -> tuple[Message, ...]:
        """Read a message.

        Parameters
        ----------
        topic, payload
            What the bus carried.
        now
            When it came, which is when it is taken to be so.
        retain
            Whether the broker had kept it: power and current of another time say nothing.

        Returns
        -------
        tuple of Message
            A reading, a report, both or neither.

        Raises
        ------
        MalformedMessage
            If it is not what the household file says it is.
        """
        heard: dict[str, HardwareValue] = {
            each.what: each for each in read_values(self._hearing, topic, payload)
        }
        if retain:
            heard.pop("power", None)
            heard.pop("current", None)
        try:
            return (*self._reading(heard, now), *_report(heard, now))
        except ValidationError as error:
            wrong = error.errors(include_url=False)[0]
            place = ".".join(str(part) for part in wrong["loc"])
            raise MalformedMessage(f"{place}: {wrong['msg']}") from error

    def _reading(self, heard: dict[str, HardwareValue], now: datetime) -> tuple[Message, ...]:
        fields: dict[str, Any] = {
            key: heard[what].value
            for what, key in (("power", "watts"), ("current", "amps"), ("energy", "register_kwh"))
            if what in heard
        }
        if "amps" in fields and self._hearing.power is None:
            fields["watts"] = fields["amps"] * self._watts_per_amp
        if not fields:
            return ()
        if self.counts:
            fields["register_kwh"] = self._count(now)
        reading = Reading.model_validate({"at": now, **fields})
        if reading.watts is not None:
            self._watts, self._watts_at = max(0.0, reading.watts), now
        if not self._is_news(reading):
            return ()
        self._told = reading
        return (reading,)

    def _count(self, now: datetime) -> float:
        """Add what has flowed since the last power that was heard [kWh]."""
        if self._watts is not None and self._watts_at is not None:
            held = max(timedelta(0), min(now - self._watts_at, LONGEST_HOLD))
            hours = held / timedelta(hours=1)
            self._counted_kwh += self._watts * hours / WATT_HOURS_PER_KWH
            self._watts_at = now
        return self._counted_kwh

    def _is_news(self, reading: Reading) -> bool:
        told = self._told
        if told is None or reading.at - told.at >= SHORTEST:
            return True
        before, after = told.watts, reading.watts
        if before is None or after is None:
            return before is not after
        return abs(after - before) > max(AWAKE_WATTS, CHANGED * abs(before))


def _report(heard: dict[str, HardwareValue], now: datetime) -> tuple[Message, ...]:
    fields: dict[str, Any] = {}
    if "soc" in heard:
        fields["soc_percent"] = heard["soc"].value
    if "pilot" in heard:
        fields["pilot"] = heard["pilot"].value
    if "plugged_in" in heard:
        fields["pilot"] = "B" if heard["plugged_in"].value else "A"
    return (VehicleReport.model_validate({"at": now, **fields}),) if fields else ()
