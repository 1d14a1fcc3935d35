"""What happens at one charge point: the vehicle comes and goes, the hardware obeys, people ask."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any, Final

from adapters.bus.events import BusEvent, Disconnected, MessageArrived
from adapters.contract.messages import Request, encode
from adapters.simulated.charge_point import SimulatedChargePoint, SimulatedVehicle
from adapters.simulated.hardware import SimulatedHardware
from adapters.simulated.wired import SimulatedWiredHardware
from tests.virtual_years.broker import Broker, Client
from tests.virtual_years.homes import CHEAP, COMES, EFFICIENCY, KWH_PER_KM, LEAVES, VOLTS, ZONE
from tests.virtual_years.process import RECONNECTS_EVERY

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.virtual_years.homes import Place
    from tests.virtual_years.process import DaemonProcess
    from tests.virtual_years.world import World

READS_EVERY: Final = timedelta(minutes=4)
"""Seldom, so that years pass quickly; a reading is trusted for a quarter of an hour."""
_READS_IDLE_EVERY: Final = timedelta(minutes=60)
_DAY: Final = timedelta(days=1)


@dataclass
class Night:
    """What really happened in one night, from one coming of the vehicle to its leaving.

    Attributes
    ----------
    point : str
        The charge point.
    comes_at, leaves_at : datetime
        UTC.
    soc_before, soc_after : float
        State of charge [percent].
    cheap_kwh, dear_kwh : float
        By the hours in which it flowed, at the meter.
    has_wish : bool
        Whether a person asked for something.
    faults_before : int
        How many faults there had been when it came.
    is_calm : bool
        Whether nothing went wrong in it.
    """

    point: str
    comes_at: datetime
    leaves_at: datetime
    soc_before: float
    soc_after: float = 0.0
    cheap_kwh: float = 0.0
    dear_kwh: float = 0.0
    has_wish: bool = False
    is_calm: bool = False


class _Connection:
    """The hardware's connection, as `SimulatedHardware` wants it."""

    def __init__(self, broker: Broker, client: Client, on_sent: Callable[[], None]) -> None:
        self._broker, self._client, self._on_sent = broker, client, on_sent

    def start(self) -> None:
        self._broker.connect(self._client)

    def stop(self) -> None:
        self._broker.vanish(self._client)

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:  # noqa: ARG002
        is_sent = self._broker.publish(self._client, topic, payload, retain=retain)
        if is_sent:
            self._on_sent()
        return is_sent


class Life:
    """One charge point, its vehicle, and the people who ask.

    Parameters
    ----------
    world : World
        Time and chance.
    broker : Broker
        Where the hardware connects.
    process : DaemonProcess
        The daemon.
    place : Place
        The charge point.

    Attributes
    ----------
    nights : list of Night
        All nights so far.
    register_at : mapping of date to float
        The meter's register at each noon [kWh].
    is_undated : bool
        Whether the hardware says no dates.
    is_deaf : bool
        Whether the hardware loses what it is told.
    upset_until : datetime
        Until when hardware may do what a stranger told it: it knows no serials.
    is_misheard : bool
        Whether the last that is heard of a box is old: it says no dates, so nobody can know.
    misheard : set of date
        The nights in which that was so.
    misheard_kwh : float
        By how much registers fell in it. What a meter counts that has restored an older total can
        look the same, and counts.
    """

    def __init__(self, world: World, broker: Broker, process: DaemonProcess, place: Place) -> None:
        self._world, self._broker, self._process = world, broker, process
        self.place = place
        self._vehicle = SimulatedVehicle(
            usable_kwh=place.usable_kwh, soc_percent=55.0, efficiency=EFFICIENCY
        )
        self.point = SimulatedChargePoint(
            world.now, max_amps=place.amps, min_amps=6, phases=1, volts=VOLTS,
            register_wh=1_000_000,
        )  # fmt: skip
        self._register_kwh = self.begun_kwh = self.point.register_kwh
        self.nights: list[Night] = []
        self.register_at: dict[date, float] = {}
        self.is_deaf = self._is_cut = self._is_asked_before = self._did_flow = False
        self.went_off_at: datetime | None = None
        self.upset_until = world.now
        self.is_misheard = False
        self.misheard: set[date] = set()
        self.misheard_kwh = 0.0
        self._due = 0
        self._person = Client(lambda _event: None, (), keeps_session=False)
        file, topics = process.watch.house.file, process.topics
        self._request_topic = topics.request(place.point)
        wiring = file.charge_points[place.point].wiring
        self.is_undated = wiring is not None
        if wiring is None:
            self.hardware = SimulatedHardware(
                self.point, file.bus, topics, place.point, connect=self._connect_hardware
            )
        else:
            self.hardware = SimulatedWiredHardware(
                self.point, file.bus, topics, place.point, wiring=wiring, max_amps=place.amps,
                watts_per_amp=VOLTS, connect=self._connect_hardware,
            )  # fmt: skip
        self.hardware.reading_every, self.hardware.idle_reading_every = (
            READS_EVERY,
            _READS_IDLE_EVERY,
        )

    @property
    def tonight(self) -> Night | None:
        """The night under way; None while the vehicle is away."""
        return self.nights[-1] if self.point.vehicle is not None else None

    @property
    def is_connected(self) -> bool:
        """Whether the hardware has a broker, hears what it is told, and heard nothing else."""
        is_upset = self._world.now < self.upset_until or self.is_misheard
        return self.client.is_connected and not self.is_deaf and not is_upset

    def begin(self) -> None:
        """Switch the hardware on, and let days pass."""
        self._broker.connect(self._person)
        self.hardware.start()
        self._plan_day(self._world.now)
        self._follow()

    def _connect_hardware(
        self, _bus: object, *, on_event: Callable[[BusEvent], None], subscriptions: list[str],
        will: tuple[str, bytes] | None = None, **_rest: Any,  # noqa: ANN401 - as for `MqttBus`
    ) -> _Connection:  # fmt: skip
        def take(event: BusEvent) -> None:
            self.move()
            if self.is_deaf and isinstance(event, MessageArrived):
                event.ack()
                return
            on_event(event)
            if isinstance(event, Disconnected):
                self._world.after(RECONNECTS_EVERY, self._reconnect)
            self.move()
            self._follow()

        self.client = Client(take, subscriptions, keeps_session=False, will=will)
        return _Connection(self._broker, self.client, self._was_heard)

    def _was_heard(self) -> None:
        self.is_misheard = False

    def mishear(self, register_kwh: float) -> None:
        """Have the box's last word be an old one, until it speaks again."""
        self.is_misheard = True
        self.misheard_kwh += self.point.register_kwh - register_kwh
        self.misheard.add(night_of(self._world.now))

    def cut_off(self, seconds: float) -> None:
        """Take the hardware's network away for a while."""
        self._is_cut = True
        self._broker.vanish(self.client)
        self.client.on_event(Disconnected("no network"))

        def mend() -> None:
            self._is_cut = False

        self._world.after(seconds, mend)

    def turn_deaf(self, seconds: float) -> None:
        """Let the hardware lose what it is told, for a while."""

        def mend() -> None:
            self.is_deaf = False

        self.is_deaf = True
        self._world.after(seconds, mend)

    def _reconnect(self) -> None:
        if self.client.is_connected:
            return
        if self._is_cut or not self._broker.connect(self.client):
            self._world.after(RECONNECTS_EVERY, self._reconnect)

    def ask(self, request: Request) -> None:
        """Ask for something as a person."""
        self.note_wish()
        if not self._person.is_connected:
            self._broker.connect(self._person)
        self._world.note(f"asked {encode(request).decode()}")
        self._broker.publish(self._person, self._request_topic, encode(request), retain=False)

    def note_wish(self) -> None:
        """Note that somebody asked, or that something old was said again."""
        night = self.tonight
        if night is None:
            self._is_asked_before = True
        else:
            night.has_wish = True

    def move(self) -> None:
        """Let the hardware go on to the present instant, and count what flowed since."""
        now = self._world.now
        self.hardware.step(now)
        flowed = self.point.register_kwh - self._register_kwh
        self._register_kwh = self.point.register_kwh
        night = self.tonight
        flows = self.point.offered_amps > 0 and night is not None
        if night is not None and flowed:
            if is_cheap(now - timedelta(microseconds=1)):
                night.cheap_kwh += flowed
            else:
                night.dear_kwh += flowed
        if flows != self._did_flow:
            self._did_flow = flows
            if not flows:
                self.went_off_at = now

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
        self.move()
        self.register_at[today] = self.point.register_kwh
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
        night = Night(
            self.place.point, now, leaves, self._vehicle.soc_percent,
            has_wish=self._is_asked_before,
        )  # fmt: skip
        self.nights.append(night)
        self._is_asked_before = False
        self.hardware.plug_in(self._vehicle, now)
        self._world.note(f"{self.place.vehicle} comes with {self._vehicle.soc_percent:.1f} %")
        self.move()
        self._follow()

    def _leave(self) -> None:
        self.move()
        night = self.nights[-1]
        self._vehicle = self.hardware.unplug(self._world.now)
        night.soc_after = self._vehicle.soc_percent
        self._world.note(f"{self.place.vehicle} leaves with {night.soc_after:.1f} %")
        used = 100 * 60 * KWH_PER_KM / self.place.usable_kwh * self._world.chance.uniform(0.3, 1.7)
        self._vehicle.soc_percent = max(8.0, night.soc_after - used)
        self.move()
        self._follow()


def is_cheap(instant: datetime) -> bool:
    """Return whether energy is cheap at an instant."""
    return CHEAP[0] <= instant.astimezone(ZONE).time() < CHEAP[1]


def night_of(instant: datetime) -> date:
    """Return on which day the night of an instant began, at noon."""
    return (instant.astimezone(ZONE) - timedelta(hours=12)).date()


def _local(day: date, at: time) -> datetime:
    return datetime.combine(day, at, tzinfo=ZONE).astimezone(UTC)
