"""A simulated meter at the grid connection: it publishes what a simulated home draws.

It reads no clock: the caller passes the time to `step`.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from threading import Event
from typing import TYPE_CHECKING, Final

from adapters.bus.bus import BusEvent, Connected, MqttBus
from adapters.contract.messages import HomeLoad, encode
from adapters.simulated.home import DAY, HOUR, home_amps
from config.fields.names import topic_level

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from adapters.contract.topics import Topics
    from config.household.household_file import Bus

REPORT_EVERY: Final = timedelta(seconds=25)
"""How often an unchanged load is published; a changed one is published at once."""


class SimulatedLoadMeter:
    """A meter of a simulated home, with its own connection to the bus.

    Parameters
    ----------
    bus : Bus
        The household's bus, as `MqttBus` takes it.
    topics : Topics
        The household's topics.
    zone : ZoneInfo
        The home's time zone: its appliances follow the local clock.
    phases : int
        1 or 3.
    at : datetime
        When it is switched on.

    Attributes
    ----------
    amps : tuple of float
        What the home draws now, on each phase [A].
    sent : int
        The number of messages published.
    """

    def __init__(self, bus: Bus, topics: Topics, zone: ZoneInfo, phases: int, at: datetime) -> None:
        self._zone = zone
        self._phases = phases
        self._topic = topics.load
        self._due = at
        self._is_connected = Event()
        self._bus = MqttBus(
            bus,
            client_id=f"simulated-{topic_level(topics.household)}-load",
            on_event=self._on_event,
            keep_session=False,
        )
        self.amps = self._amps_at(at)
        self.sent = 0

    def start(self, timeout: float) -> bool:
        """Connect to the broker, and wait for it.

        Parameters
        ----------
        timeout : float
            The longest wait [seconds].

        Returns
        -------
        bool
            False if it took too long.
        """
        self._bus.start()
        return self._is_connected.wait(timeout)

    def stop(self) -> None:
        """Disconnect."""
        self._bus.stop()

    def next_due(self) -> datetime:
        """Return when `step` will next have something to publish."""
        return self._due

    def step(self, now: datetime) -> None:
        """Publish what the home draws, if that is due.

        Parameters
        ----------
        now : datetime
            UTC.
        """
        if now < self._due:
            return
        self.amps = self._amps_at(now)
        load = HomeLoad(at=now, amps=self.amps)
        self.sent += self._bus.publish(self._topic, encode(load), retain=False)
        self._due = self._next_after(now)

    def _next_after(self, now: datetime) -> datetime:
        second = now.replace(microsecond=0)
        for _ in range(int(REPORT_EVERY.total_seconds())):
            second += timedelta(seconds=1)
            if self._amps_at(second) != self.amps:
                break
        return second

    def _amps_at(self, instant: datetime) -> tuple[float, ...]:
        local = instant.astimezone(self._zone)
        second = local.hour * HOUR + local.minute * 60 + local.second
        return tuple(round(each, 3) for each in home_amps(second % DAY, self._phases))

    def _on_event(self, event: BusEvent) -> None:
        if isinstance(event, Connected):
            self._is_connected.set()
