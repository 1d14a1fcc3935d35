"""Turn a wired charge point's messages into readings, and count its energy.

Hardware that reports only power gets its register here: power times time, with each power assumed
to flow for a quarter of an hour at most. Knows no bus and no clock; every instant is passed in.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Any, Final

from pydantic import ValidationError

from adapters.contract.messages import MalformedMessage, Message, Reading, VehicleReport
from adapters.wired.values import LONGEST_HOLD, HardwareValue, Value, read_values
from config.fields.value_types import WATT_HOURS_PER_KWH
from config.household.wiring import WiringInputs

SHORTEST_INTERVAL: Final = timedelta(seconds=5)
"""A reading that follows another sooner is dropped, unless the power has changed. No energy is
lost: the register of the next reading includes it."""

CHANGED_SHARE: Final = 0.1
"""Power has changed if it differs by more than this share ..."""

STANDBY_WATTS: Final = 50.0
"""... and by more than this, which waiting electronics may draw [W]."""


class WiredPoint:
    """Reads one charge point's messages.

    Parameters
    ----------
    inputs
        The charge point's wiring.
    watts_per_amp
        Power of each ampere [W]: phases times volts; for hardware that reports only a current.
    register_kwh
        Where a register that is counted here starts.

    Attributes
    ----------
    available : bool or None
        Whether the hardware is there, by its birth message and its Will; None as long as it has
        not said so.
    switched_on : bool or None
        The state that the last message reported; None if it reported none.
    stated : mapping of str to Value
        What the last message said, by key, whether or not it counts.
    was_born : bool
        Whether the last message said that the hardware is there: it may have lost its command.
    """

    def __init__(
        self, inputs: WiringInputs, *, watts_per_amp: float, register_kwh: float = 0.0
    ) -> None:
        self._inputs = inputs
        self._watts_per_amp = watts_per_amp
        self._counted_kwh = register_kwh
        self._watts: float | None = None
        self._watts_at: datetime | None = None
        self._last: Reading | None = None
        self.available: bool | None = None
        self.switched_on: bool | None = None
        self.was_born = False
        self.stated: Mapping[str, Value] = {}
        # The latest values of sums, by key and part.
        self._parts: dict[str, dict[int, tuple[datetime, float]]] = {}

    @property
    def topic_filters(self) -> tuple[str, ...]:
        """The topics to subscribe to."""
        return self._inputs.topics

    @property
    def measures(self) -> bool:
        """Whether the wiring has any meter."""
        return self._inputs.measures

    @property
    def counts(self) -> bool:
        """Whether energy is counted here, because the hardware reports no register."""
        inputs = self._inputs
        return inputs.energy is None and (inputs.power or inputs.current) is not None

    def read(
        self, topic: str, payload: bytes, now: datetime, *, retain: bool
    ) -> tuple[Message, ...]:
        """Return what a message says.

        Parameters
        ----------
        topic, payload
            What the bus carried.
        now
            When it arrived; its values are dated with this.
        retain
            Whether the broker had stored it; a stored power or current is too old to use.

        Returns
        -------
        tuple of Message
            A reading, a report, both or neither.

        Raises
        ------
        MalformedMessage
            If it does not match the household file.
        """
        self.switched_on, self.was_born, self.stated = None, False, {}
        values = read_values(self._inputs, topic, payload)
        if retain:
            values = tuple(each for each in values if each.key not in {"power", "current"})
        found = self.stated = self._put_together(values, now)
        if "availability" in found:
            self._take_availability(is_there=bool(found["availability"]), now=now)
        if self.available is False:
            return ()
        if "switched_on" in found:
            self.switched_on = bool(found["switched_on"])
        try:
            return (*self._reading(found, now), *_report(found, now))
        except ValidationError as error:
            wrong = error.errors(include_url=False)[0]
            place = ".".join(str(part) for part in wrong["loc"])
            raise MalformedMessage(f"{place}: {wrong['msg']}") from error

    def _take_availability(self, *, is_there: bool, now: datetime) -> None:
        """Drop all values of hardware that is gone; what flowed until now has flowed."""
        if not is_there and self.available is not False:
            self._count(now)
            self._watts, self._watts_at, self._last = None, None, None
            self._parts.clear()
        self.available = self.was_born = is_there

    def _put_together(self, values: Iterable[HardwareValue], now: datetime) -> dict[str, Value]:
        """Add up the parts of sums; a sum is known once all its parts are."""
        counts = Counter(key for key, _ in self._inputs.sources)
        found: dict[str, Value] = {}
        for each in values:
            if counts[each.key] == 1 or not isinstance(each.value, float):
                found[each.key] = each.value
                continue
            parts = self._parts.setdefault(each.key, {})
            parts[each.part] = now, each.value
            known = [value for at, value in parts.values() if self._counts(each.key, at, now)]
            if len(known) == counts[each.key]:
                found[each.key] = max(known) if each.key == "current" else sum(known)
        return found

    def _counts(self, key: str, at: datetime, now: datetime) -> bool:
        """Whether a part's value may still be used; a register stands until it is read again."""
        return key == "energy" or now - at < LONGEST_HOLD

    def _reading(self, found: Mapping[str, Value], now: datetime) -> tuple[Message, ...]:
        fields: dict[str, Any] = {
            key: found[name]
            for name, key in (("power", "watts"), ("current", "amps"), ("energy", "register_kwh"))
            if name in found
        }
        if "amps" in fields and self._inputs.power is None:
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
        self._last = reading
        return (reading,)

    def _count(self, now: datetime) -> float:
        """Return the register, with the energy since the last reported power [kWh]."""
        if self._watts is not None and self._watts_at is not None:
            held = max(timedelta(0), min(now - self._watts_at, LONGEST_HOLD))
            hours = held / timedelta(hours=1)
            self._counted_kwh += self._watts * hours / WATT_HOURS_PER_KWH
            self._watts_at = now
        return self._counted_kwh

    def _is_news(self, reading: Reading) -> bool:
        last = self._last
        if last is None or reading.at - last.at >= SHORTEST_INTERVAL:
            return True
        before, after = last.watts, reading.watts
        if before is None or after is None:
            return before is not after
        return abs(after - before) > max(STANDBY_WATTS, CHANGED_SHARE * abs(before))


def _report(found: Mapping[str, Value], now: datetime) -> tuple[Message, ...]:
    fields: dict[str, Any] = {}
    if "soc" in found:
        fields["soc_percent"] = found["soc"]
    if "pilot" in found:
        fields["pilot"] = found["pilot"]
    if "plugged_in" in found:
        fields["pilot"] = "B" if found["plugged_in"] else "A"
    return (VehicleReport.model_validate({"at": now, **fields}),) if fields else ()
