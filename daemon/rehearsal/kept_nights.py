"""Play many nights of one home without a broker, and keep them in a ledger.

The real service runs with its real ledger; the bus is within the process, so that a month takes
seconds. `Rehearsal` plays a single night, with a real broker and everything else that is real.
"""

from __future__ import annotations

from datetime import timedelta
from random import Random
from typing import TYPE_CHECKING, Final

from adapters.bus.events import Connected, MessageArrived
from adapters.clocks.clock import VirtualClock
from adapters.contract.topics import Topics
from adapters.simulated.hardware import SimulatedHardware
from adapters.simulated.local_bus import LocalBus
from daemon.messaging.hardware_channels import without_wiring
from daemon.messaging.incoming import WakeUp
from daemon.rehearsal.rehearsal import (
    CLOSED_WITHIN,
    UNPLUGGED_BEFORE,
    Evening,
    evening_after,
    simulated_point,
    simulated_vehicle,
)
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import Service
from planners.local_time.departures import night_bounds, night_of
from planners.local_time.wished_departures import next_departure

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.bus.events import BusEvent
    from adapters.ledger.ledger import Ledger
    from adapters.simulated.faults import Fault

DISTANCE_SHARES: Final = (0.5, 1.5)
"""A day's distance is between these shares of the usual one."""
LATEST: Final = timedelta(hours=2)
"""A vehicle comes up to this much after the usual time."""
LEAST_PERCENT: Final = 8.0
"""Nobody drives a battery emptier than this."""
_DAY: Final = timedelta(days=1)


class KeptNights:
    """Plays the nights of one vehicle at its charge point.

    Parameters
    ----------
    watch : HouseholdWatch
        The household.
    ledger : Ledger
        Keeps the nights.
    evening : Evening
        The first evening: which vehicle comes, when, and with what state of charge.
    seed : int
        Draws distances and times of arrival; the same seed draws the same ones.
    fault : Fault, optional
        What is wrong with the hardware.
    """

    def __init__(
        self,
        watch: HouseholdWatch,
        ledger: Ledger,
        evening: Evening,
        *,
        seed: int,
        fault: Fault | None = None,
    ) -> None:
        self._file = file = without_wiring(watch.house.file)
        self._evening = evening
        self._random = Random(seed)  # noqa: S311 - no secret
        self._clock = VirtualClock(evening.at)
        self._wake = evening.at
        topics = Topics.of_file(file)
        name = file.vehicles[evening.vehicle].charge_point
        bus = LocalBus()
        own = bus.connect(
            on_event=self._on_event,
            subscriptions=[topics.reading(name), topics.vehicle(name)],
        )
        self._connection = own
        self._service = Service(watch, ledger, self._clock, bus=own, wake_at=self._wake_at)
        self._vehicle = simulated_vehicle(file, evening)
        self._moves_at: datetime | None = None
        """When it leaves, or comes back; None if it stays for good."""
        self._point = simulated_point(file, name, evening.at)
        self._hardware = SimulatedHardware(
            self._point, file.bus, topics, name, fault=fault, connect=bus.connect
        )

    def play(self, nights: int) -> float:
        """Play so many nights.

        Parameters
        ----------
        nights
            How many.

        Returns
        -------
        float
            What the simulated meter counted [kWh].
        """
        begun, days = self._evening.at, self._file.days
        end = night_bounds(night_of(begun, days) + (nights - 1) * _DAY, days)[1] + CLOSED_WITHIN
        register_kwh = self._point.register_kwh
        self._come(begun)
        self._service.handle(WakeUp())
        self._connection.start()
        self._hardware.start()
        now = begun
        while now <= end:
            if self._moves_at is not None and now >= self._moves_at:
                if self._point.vehicle is None:
                    self._come(now)
                else:
                    self._leave(now)
            self._hardware.step(now)
            if self._wake <= now:
                self._service.handle(WakeUp())
            due = min(self._wake, self._hardware.next_due(), self._moves_at or end + _DAY)
            now = max(due, now + timedelta(microseconds=1))
            self._clock.advance_to(now)
        return self._point.register_kwh - register_kwh

    def _come(self, now: datetime) -> None:
        self._hardware.plug_in(self._vehicle, now)
        departure = next_departure(self._file, self._evening.vehicle, now)
        self._moves_at = None if departure is None else departure.instant - UNPLUGGED_BEFORE

    def _leave(self, now: datetime) -> None:
        """Drive, and come back in the evening, some time after the usual one."""
        self._vehicle = self._hardware.unplug(now)
        left = self._vehicle.soc_percent - self._used_percent()
        self._vehicle.soc_percent = max(LEAST_PERCENT, left)
        usual = evening_after(now, self._evening.at, self._file.zone)
        self._moves_at = usual + self._random.random() * LATEST

    def _used_percent(self) -> float:
        car = self._file.vehicles[self._evening.vehicle]
        daily_kwh = (car.daily_distance_km or 0.0) * (car.kwh_per_100km or 0.0) / 100
        return 100 * daily_kwh / car.usable_kwh * self._random.uniform(*DISTANCE_SHARES)

    def _wake_at(self, instant: datetime) -> None:
        self._wake = instant

    def _on_event(self, event: BusEvent) -> None:
        if isinstance(event, MessageArrived | Connected):
            self._service.handle(event)
