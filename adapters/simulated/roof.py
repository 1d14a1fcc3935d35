"""Simulated solar roofs under simulated clouds: their meter and the grid's, and forecasts.

The sky is the clear one of `planners.generation`; the clouds are invented. It reads no clock: the
caller passes the time to `step`.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from math import sin, tau
from threading import Event
from typing import TYPE_CHECKING, Final, Literal

from adapters.bus.bus import BusEvent, Connected, MqttBus
from adapters.contract.messages import Forecast, Generated, GridPower, PowerStart, encode
from config.fields.names import topic_level
from planners.generation.outlook import clear_sky_kw
from planners.local_time.conversion import minute_of

if TYPE_CHECKING:
    from adapters.contract.topics import Topics
    from config.home.generation import Generation
    from config.household.household_file import Bus

Sky = Literal["clear", "broken", "dull"]
"""A blue sky, one of many clouds with sun between them, or one without any sun."""

SKIES: Final = ("clear", "broken", "dull")

REPORT_EVERY: Final = timedelta(minutes=1)
"""How often the meter reports by day."""

REPORT_AT_NIGHT: Final = timedelta(minutes=30)
"""How often it reports while the roofs give nothing."""

GRID_EVERY: Final = timedelta(seconds=20)
"""How often the meter at the grid reports while the roofs give something."""

FORECAST_HOURS: Final = 60
"""How far ahead its forecast reaches."""

FORECAST_SHARES: Final = {"clear": 0.95, "broken": 0.65, "dull": 0.15}
"""The part of a clear sky that its forecast expects."""

BEHIND_CLOUD: Final = 0.3
"""The part of a clear sky that a cloud lets through."""

WATTS_PER_KW: Final = 1000


def part_of_clear_sky(sky: Sky, minute: int) -> float:
    """Return the part of a clear sky that is left in a UTC minute."""
    if sky == "clear":
        return 0.97
    if sky == "dull":
        return 0.15 + 0.05 * sin(tau * minute / 53)
    # Clouds of several sizes: no period of the sum is shorter than many days.
    cover = sin(tau * minute / 17) + sin(tau * minute / 7.3 + 1) + sin(tau * minute / 41 + 2)
    return BEHIND_CLOUD if cover > 0.4 else 1.0  # noqa: PLR2004 - the sun is hidden for a third


class SimulatedRoof:
    """Roofs under a sky, with a connection to the bus of their own.

    Parameters
    ----------
    bus : Bus
        The household's bus, as `MqttBus` takes it.
    topics : Topics
        The household's topics.
    generation : Generation
        The roofs, as the household file declares them.
    sky : {"clear", "broken", "dull"}
        What is above them.
    at : datetime
        When it begins.

    Attributes
    ----------
    watts : float
        What the roofs give now [W].
    used_watts : float
        What home and vehicles use now; the caller sets it [W].
    sent : int
        The number of messages published.
    """

    def __init__(
        self, bus: Bus, topics: Topics, generation: Generation, sky: Sky, at: datetime
    ) -> None:
        self._generation = generation
        self._sky: Sky = sky
        self._topics = topics
        self._due = at
        self._has_forecast = False
        self._is_connected = Event()
        self._bus = MqttBus(
            bus,
            client_id=f"simulated-{topic_level(topics.household)}-roof",
            on_event=self._on_event,
            keep_session=False,
        )
        self._grid_due = at
        self.watts = self._watts_at(at)
        self.used_watts = 0.0
        self.sent = 0

    def start(self, timeout: float) -> bool:
        """Connect to the broker, and wait for it; False if that takes longer [seconds]."""
        self._bus.start()
        return self._is_connected.wait(timeout)

    def stop(self) -> None:
        """Disconnect."""
        self._bus.stop()

    def next_due(self) -> datetime:
        """Return when `step` will next have something to publish."""
        return min(self._due, self._grid_due)

    def step(self, now: datetime) -> None:
        """Publish what is due: what the roofs give, what flows at the grid, first a forecast.

        Parameters
        ----------
        now : datetime
            UTC.
        """
        if now >= self._due:
            self._report(now)
        if now >= self._grid_due:
            power = GridPower(at=now, watts=(round(self.used_watts - self.watts, 1),))
            self.sent += self._bus.publish(self._topics.grid, encode(power), retain=False)
            self._grid_due = now + GRID_EVERY if self.watts else self._due

    def _report(self, now: datetime) -> None:
        if not self._has_forecast:
            self._has_forecast = True
            forecast = encode(self._forecast(now))
            self.sent += self._bus.publish(self._topics.forecast, forecast, retain=False)
        self.watts = self._watts_at(now)
        given = encode(Generated(at=now, watts=round(self.watts, 1)))
        self.sent += self._bus.publish(self._topics.generation, given, retain=False)
        self._due = now + (REPORT_EVERY if self.watts else REPORT_AT_NIGHT)

    def _watts_at(self, instant: datetime) -> float:
        minute = minute_of(instant)
        clear = float(clear_sky_kw(self._generation, minute, minute + 1)[0])
        return clear * part_of_clear_sky(self._sky, minute) * WATTS_PER_KW

    def _forecast(self, now: datetime) -> Forecast:
        first = now.replace(minute=0, second=0, microsecond=0)
        minute, share = minute_of(first), FORECAST_SHARES[self._sky]
        kw = clear_sky_kw(self._generation, minute, minute + 60 * FORECAST_HOURS)
        means = kw.reshape(FORECAST_HOURS, 60).mean(axis=1) * share
        power = tuple(
            PowerStart(start=first + timedelta(hours=hour), kw=round(mean, 3))
            for hour, mean in enumerate(means.tolist())
        )
        return Forecast(issued=now, power=power)

    def _on_event(self, event: BusEvent) -> None:
        if isinstance(event, Connected):
            self._is_connected.set()
