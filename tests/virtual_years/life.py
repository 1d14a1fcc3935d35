"""What happens at the home: the vehicle comes and goes, the hardware obeys, people ask."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from typing_extensions import override

from adapters.bus.events import BusEvent, Disconnected
from adapters.contract.messages import Request, encode
from adapters.simulated.charge_point import SimulatedChargePoint, SimulatedVehicle
from adapters.simulated.hardware import SimulatedHardware
from tests.virtual_years.broker import Broker, Client
from tests.virtual_years.process import RECONNECTS_EVERY

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.virtual_years.process import DaemonProcess
    from tests.virtual_years.world import World

POINT: Final = "driveway"
ZONE: Final = ZoneInfo("Europe/London")
COMES: Final = time(18, 30)
LEAVES: Final = time(7, 40)
CHEAP: Final = (time(0, 30), time(5, 30))
AMPS: Final = 32.0
VOLTS: Final = 230.0
USABLE_KWH: Final = 52.0
EFFICIENCY: Final = 0.9
_READS_EVERY: Final = timedelta(minutes=4)
_DAY: Final = timedelta(days=1)

HOUSEHOLD: Final = """\
household: {name: Kowhai Cottage, timezone: Europe/London, currency: GBP}
tariffs:
  - name: Day and night
    bands:
      - {name: night, rate: 0.10, hours: ["00:30-05:30"]}
      - {name: day, rate: 0.30}
charge_points:
  driveway:
    charging_mode: 3
    max_amps: 32
    switching: current
    min_run_minutes: 5
    min_rest_minutes: 5
vehicles:
  hatchback:
    charge_point: driveway
    usable_kwh: 52
    chemistry: nmc
    kwh_per_100km: 16.5
    daily_distance_km: 60
departures:
  - vehicle: hatchback
    days: [mon, tue, wed, thu, fri, sat, sun]
    at: "07:45"
    need_percent: 60
    want_percent: 80
    max_rate: 0.15
    margin_minutes: 5
bus: {broker: embedded}
ledger: {path: ledger.sqlite3}
"""


@dataclass
class Night:
    """What really happened in one night, from one coming of the vehicle to its leaving.

    Attributes
    ----------
    comes_at, leaves_at : datetime
        UTC.
    soc_before, soc_after : float
        State of charge [percent].
    cheap_kwh, dear_kwh : float
        By the hours in which it flowed, at the meter.
    well_seconds : float
        For how much of the cheap hours all was well.
    breaks : int
        How often something ceased to be well.
    has_wish : bool
        Whether a person asked for something.
    has_wrong_clock : bool
        Whether the daemon's clock was wrong for a while.
    """

    comes_at: datetime
    leaves_at: datetime
    soc_before: float
    soc_after: float = 0.0
    cheap_kwh: float = 0.0
    dear_kwh: float = 0.0
    well_seconds: float = 0.0
    breaks: int = 0
    has_wish: bool = False
    has_wrong_clock: bool = False


class _Hardware(SimulatedHardware):
    """Reports less often than usual, so that years pass quickly."""

    @override
    def _due_by_time(self) -> datetime:
        usual = super()._due_by_time()
        if self._point.watts() <= 0:
            return usual
        due = self._reading_at + _READS_EVERY
        expiry = self._point.expires_at
        return due if expiry is None else min(due, expiry)


class _Connection:
    """The hardware's connection, as `SimulatedHardware` wants it."""

    def __init__(self, broker: Broker, client: Client) -> None:
        self._broker, self._client = broker, client

    def start(self) -> None:
        self._broker.connect(self._client)

    def stop(self) -> None:
        self._broker.vanish(self._client)

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:  # noqa: ARG002
        return self._broker.publish(self._client, topic, payload, retain=retain)


class Life:
    """The home and its people.

    Parameters
    ----------
    world : World
        Time and chance.
    broker : Broker
        Where the hardware connects.
    process : DaemonProcess
        The daemon.
    """

    def __init__(self, world: World, broker: Broker, process: DaemonProcess) -> None:
        self._world, self._broker, self._process = world, broker, process
        self._vehicle: SimulatedVehicle = SimulatedVehicle(
            usable_kwh=USABLE_KWH, soc_percent=55.0, efficiency=EFFICIENCY
        )
        self.point = SimulatedChargePoint(
            world.now, max_amps=AMPS, min_amps=6, phases=1, volts=VOLTS, register_wh=1_000_000
        )
        self._register_kwh = self.point.register_kwh
        self.nights: list[Night] = []
        self._is_cut = self._is_asked_before = False
        self._due = 0
        self._person = Client(lambda _event: None, (), keeps_session=False)
        topics = process.topics
        self.hardware = _Hardware(
            self.point, process.watch.house.file.bus, topics, POINT, connect=self._connect_hardware
        )
        self._topics = topics

    @property
    def now_on(self) -> Night | None:
        """The night under way; None while the vehicle is away."""
        return self.nights[-1] if self.point.vehicle is not None else None

    def begin(self) -> None:
        """Switch the hardware on, and let days pass."""
        self._broker.connect(self._person)
        self.hardware.start()
        self._plan_day(self._world.now)
        self._look_after_health()
        self._follow()

    def _connect_hardware(
        self, _bus: object, *, on_event: Callable[[BusEvent], None], subscriptions: list[str],
        **_rest: object,
    ) -> _Connection:  # fmt: skip
        def take(event: BusEvent) -> None:
            self.move()
            on_event(event)
            if isinstance(event, Disconnected):
                self._world.after(RECONNECTS_EVERY, self._reconnect)
            self._follow()

        self.client = Client(take, subscriptions, keeps_session=False)
        return _Connection(self._broker, self.client)

    def cut_off(self, seconds: float) -> None:
        """Take the hardware's network away for a while."""
        self._is_cut = True
        self._broker.vanish(self.client)
        self.client.on_event(Disconnected("no network"))

        def mend() -> None:
            self._is_cut = False

        self._world.after(seconds, mend)

    def _reconnect(self) -> None:
        if self.client.is_connected:
            return
        if self._is_cut or not self._broker.connect(self.client):
            self._world.after(RECONNECTS_EVERY, self._reconnect)

    def ask(self, request: Request) -> None:
        """Ask for something as a person."""
        night = self.now_on
        if night is None:
            self._is_asked_before = True
        else:
            night.has_wish = True
        if not self._person.is_connected:
            self._broker.connect(self._person)
        self._world.note(f"asked {encode(request).decode()}")
        topic = self._topics.request(POINT)
        self._broker.publish(self._person, topic, encode(request), retain=False)

    def move(self) -> None:
        """Let the hardware go on to the present instant, and count what flowed since."""
        self.hardware.step(self._world.now)
        flowed = self.point.register_kwh - self._register_kwh
        self._register_kwh = self.point.register_kwh
        night = self.now_on
        if night is not None and flowed:
            if is_cheap(self._world.now - timedelta(microseconds=1)):
                night.cheap_kwh += flowed
            else:
                night.dear_kwh += flowed

    def _follow(self) -> None:
        """Have the hardware do what comes next when it is due."""
        self._due += 1
        number = self._due

        def go_on() -> None:
            if number == self._due:
                self.move()
                self._follow()

        self._world.at(self.hardware.next_due(), go_on)

    def _plan_day(self, noon: datetime) -> None:
        world, chance = self._world, self._world.chance
        today = noon.astimezone(ZONE).date()
        comes = _local(today, COMES) + timedelta(minutes=chance.uniform(-60, 150))
        leaves = _local(today + _DAY, LEAVES)
        world.at(comes, lambda: self._come(comes, leaves))
        for edge in CHEAP:
            world.at(_local(today + _DAY, edge), self.move)
        world.at(leaves, self._leave)
        next_noon = _local(today + _DAY, time(12))
        world.at(next_noon, lambda: self._plan_day(next_noon))

    def _come(self, now: datetime, leaves: datetime) -> None:
        self.move()
        night = Night(now, leaves, self._vehicle.soc_percent, has_wish=self._is_asked_before)
        self.nights.append(night)
        self._is_asked_before = False
        self.hardware.plug_in(self._vehicle, now)
        self._world.note(f"comes with {self._vehicle.soc_percent:.1f} %")
        self.move()
        self._follow()

    def _leave(self) -> None:
        self.move()
        night = self.nights[-1]
        self._vehicle = self.hardware.unplug(self._world.now)
        night.soc_after = self._vehicle.soc_percent
        self._world.note(f"leaves with {night.soc_after:.1f} %")
        used = 100 * 60 * 0.165 / USABLE_KWH * self._world.chance.uniform(0.3, 1.7)
        self._vehicle.soc_percent = max(8.0, night.soc_after - used)
        self.move()
        self._follow()

    def _look_after_health(self) -> None:
        """Note every few seconds of a night whether all is well."""
        process, night, step = self._process, self.now_on, 20.0
        is_well = process.is_connected and self.client.is_connected and self._broker.slowest < 2
        if night is not None:
            night.has_wrong_clock |= bool(process.clock.wrong_by)
            if is_well and is_cheap(self._world.now):
                night.well_seconds += step
            if self._was_well and not is_well:
                night.breaks += 1
        self._was_well = is_well
        self._world.after(step, self._look_after_health)

    _was_well = True


def is_cheap(instant: datetime) -> bool:
    """Return whether energy is cheap at an instant."""
    return CHEAP[0] <= instant.astimezone(ZONE).time() < CHEAP[1]


def _local(day: date, at: time) -> datetime:
    return datetime.combine(day, at, tzinfo=ZONE).astimezone(UTC)
