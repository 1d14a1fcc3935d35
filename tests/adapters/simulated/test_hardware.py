"""The simulated hardware on a real broker obeys and reports, with time passed in."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from adapters.bus.bus import MqttBus
from adapters.contract.messages import Command, Message, Reading, VehicleReport, decode, encode
from adapters.contract.topics import Topics
from adapters.simulated.charge_point import SimulatedChargePoint, SimulatedVehicle
from adapters.simulated.hardware import SimulatedHardware
from tests.support.brokers import Mosquitto
from tests.support.listening import Listener
from tests.support.waiting import patience, wait_until

START = datetime(2026, 6, 3, 6, 30, tzinfo=UTC)
HOUR = timedelta(hours=1)
MINUTE = timedelta(minutes=1)
TOPICS = Topics("lullwatt", "Kowhai Cottage")
READING = TOPICS.reading("driveway")
VEHICLE = TOPICS.vehicle("driveway")
COMMAND = TOPICS.command("driveway")


class Bench:
    """The hardware, and on the other side of the broker its commander."""

    def __init__(self, broker: Mosquitto) -> None:
        self.heard = Listener()
        self._marks = 0
        self.commander = MqttBus(
            broker.bus,
            client_id="commander",
            on_event=self.heard,
            subscriptions=[READING, VEHICLE],
            first_pause_seconds=0.05,
        )
        point = SimulatedChargePoint(START, max_amps=32, register_wh=1_234_560)
        self.hardware = SimulatedHardware(point, broker.bus, TOPICS, "driveway")

    def start(self) -> None:
        self.commander.start()
        self.heard.wait_connected()
        self.hardware.start()
        assert self.hardware.wait_connected(patience())

    def stop(self) -> None:
        self.hardware.stop()
        self.commander.stop()

    def command(self, serial: int, amps: float | None, valid_until: datetime) -> None:
        """Publish a start with this current, or a stop, without waiting."""
        do = "stop" if amps is None else "start"
        message = Command.model_validate(
            {"serial": serial, "do": do, "amps": amps, "valid_until": valid_until, "why": "a test"}
        )
        assert self.commander.publish(COMMAND, encode(message), retain=True)

    def obeys(self, serial: int, amps: float | None, valid_until: datetime) -> None:
        """Publish a command and wait until it was obeyed."""
        self.command(serial, amps, valid_until)
        assert self.hardware.wait_obeyed(serial, patience())

    def reports(self) -> list[Message]:
        """Return the reports since the last call: readings first, then the vehicle's."""
        # All reports reach the broker before the mark, so the mark arrives after them.
        assert isinstance(self.hardware._bus, MqttBus)
        assert self.hardware._bus.wait_acknowledged(patience())
        self._marks += 1
        mark = b"mark %d" % self._marks
        for topic in (READING, VEHICLE):
            assert self.commander.publish(topic, mark, retain=False)
            self.heard.wait_payload(topic, mark)
        return [
            *self._since_last_mark(READING, Reading),
            *self._since_last_mark(VEHICLE, VehicleReport),
        ]

    def _since_last_mark(self, topic: str, model: type[Message]) -> list[Message]:
        payloads = self.heard.payloads(topic)[:-1]
        last = b"mark %d" % (self._marks - 1)
        start = payloads.index(last) + 1 if last in payloads else 0
        return [decode(model, payload) for payload in payloads[start:]]


@pytest.fixture
def bench(mosquitto: Mosquitto) -> Iterator[Bench]:
    """Return both sides connected, after the first reports."""
    made = Bench(mosquitto)
    made.start()
    made.hardware.step(START)
    assert made.reports() == [reading(0), VehicleReport(at=START, pilot="A")]
    yield made
    made.stop()


def reading(minute: float, kwh: float = 1234.56, amps: float = 0.0) -> Reading:
    """Make a reading some minutes after the start, at 230 V."""
    return Reading(
        at=START + minute * MINUTE, register_kwh=kwh, watts=round(230 * amps, 1), amps=amps
    )


def test_it_reports_every_ten_minutes_while_idle(bench: Bench) -> None:
    """However far one step goes, each reading has the instant at which it was due."""
    assert bench.hardware.next_due() == START + 10 * MINUTE
    bench.hardware.step(START + 35 * MINUTE)
    assert bench.reports() == [reading(10), reading(20), reading(30)]
    assert bench.hardware.next_due() == START + 40 * MINUTE


def test_it_reports_every_minute_while_charging(bench: Bench) -> None:
    """A start is followed at once by a reading with power, then by one each minute."""
    bench.hardware.plug_in(SimulatedVehicle(52, 40), START)
    bench.hardware.step(START)
    assert bench.reports() == [reading(0), VehicleReport(at=START, pilot="B", soc_percent=40)]
    bench.obeys(1, 10, START + HOUR)
    assert bench.hardware.next_due() == START
    bench.hardware.step(START + 2 * MINUTE)
    assert bench.reports() == [
        reading(0, amps=10),
        reading(1, 1234.598, 10),  # 38.3 Wh a minute at 2300 W
        reading(2, 1234.637, 10),
        VehicleReport(at=START, pilot="C", soc_percent=40),
    ]
    bench.obeys(2, None, START + HOUR)
    bench.hardware.step(START + 2 * MINUTE)
    assert bench.reports() == [
        reading(2, 1234.637),
        VehicleReport(at=START + 2 * MINUTE, pilot="B", soc_percent=40.13),
    ]


def test_it_reports_each_percent(bench: Bench) -> None:
    """While it charges, the state of charge is reported each time it has risen by one percent."""
    bench.hardware.plug_in(SimulatedVehicle(52, 40), START)
    bench.obeys(1, 32, START + 2 * HOUR)
    bench.hardware.step(START + HOUR)
    percents = [each.soc_percent for each in bench.reports() if isinstance(each, VehicleReport)]
    # 12.7 percent are gained in the hour, 0.21 in each minute.
    assert len(percents) == 13
    assert all(
        1 <= later - earlier < 1.22
        for earlier, later in pairwise(percents)
        if earlier is not None and later is not None
    )


def test_a_start_that_is_not_renewed_ends_at_its_time(bench: Bench) -> None:
    """Power stops at valid_until; that is due then, and reported with that instant."""
    bench.hardware.plug_in(SimulatedVehicle(52, 40), START)
    bench.obeys(1, 10, START + timedelta(seconds=84))
    bench.hardware.step(START + MINUTE)
    assert bench.hardware.next_due() == START + 1.4 * MINUTE
    bench.hardware.step(START + 5 * MINUTE)
    readings = [each for each in bench.reports() if isinstance(each, Reading)]
    assert readings == [reading(0, amps=10), reading(1, 1234.598, 10), reading(1.4, 1234.614)]


def test_a_full_battery_is_reported(bench: Bench) -> None:
    """When the battery is full, the pilot returns to B and the power to zero."""
    bench.hardware.plug_in(SimulatedVehicle(52, 99.9), START)
    bench.obeys(1, 32, START + 2 * HOUR)
    bench.hardware.step(START + HOUR)
    reports = bench.reports()
    assert VehicleReport(at=START + MINUTE, pilot="B", soc_percent=100) in reports
    assert reading(1, 1234.618) in reports  # 52 Wh gained, 57.8 Wh metered


def test_unplugging_is_reported(bench: Bench) -> None:
    """A vehicle that leaves is reported as pilot A, without a state of charge."""
    bench.hardware.plug_in(SimulatedVehicle(52, 40), START)
    bench.hardware.step(START)
    assert bench.hardware.unplug(START + MINUTE).soc_percent == 40
    bench.hardware.step(START + MINUTE)
    assert bench.reports()[-1] == VehicleReport(at=START + MINUTE, pilot="A")


def test_repeated_and_late_commands_are_passed_over(bench: Bench) -> None:
    """A serial that is not higher than the last one changes nothing."""
    bench.hardware.plug_in(SimulatedVehicle(52, 40), START)
    bench.obeys(5, None, START + HOUR)
    bench.command(5, 16, START + HOUR)
    bench.command(4, 16, START + HOUR)
    bench.obeys(6, None, START + HOUR)
    bench.hardware.step(START + MINUTE)
    assert bench.hardware.last_serial == 6
    assert all(each.watts == 0 for each in bench.reports() if isinstance(each, Reading))


@pytest.mark.parametrize("payload", [b"", b"start", b'{"v":1}', b"\xff", b"[" * 60_000])
def test_nonsense_does_not_disturb_it(bench: Bench, payload: bytes) -> None:
    """A payload that is no command is ignored, and the next command is obeyed."""
    assert bench.commander.publish(COMMAND, payload, retain=False)
    bench.obeys(1, 16, START + HOUR)
    assert bench.hardware.last_serial == 1


def test_waiting_for_a_command_that_does_not_come_ends(bench: Bench) -> None:
    """Waiting for a serial has a limit."""
    assert not bench.hardware.wait_obeyed(1, 0.01)


def test_time_does_not_run_backwards(bench: Bench) -> None:
    """An earlier instant is refused."""
    bench.hardware.step(START + MINUTE)
    with pytest.raises(ValueError, match="backwards"):
        bench.hardware.step(START)


def test_without_a_broker_it_goes_on_and_tells_it_all_afterwards(
    bench: Bench, mosquitto: Mosquitto
) -> None:
    """Without a broker it charges until the command expires; reconnected, it reports."""
    bench.hardware.plug_in(SimulatedVehicle(52, 40), START)
    bench.obeys(1, 10, START + HOUR)
    bench.hardware.step(START)
    bench.reports()
    mosquitto.kill()
    wait_until(lambda: not bench.hardware.wait_connected(0), what="the loss is noticed")
    bench.hardware.step(START + 2 * HOUR)
    assert bench.hardware.next_due() > START + 2 * HOUR
    mosquitto.start()
    bench.heard.wait_connected(2)
    assert bench.hardware.wait_connected(patience())
    assert bench.hardware.next_due() == START + 2 * HOUR
    bench.hardware.step(START + 2 * HOUR)
    assert bench.reports() == [
        reading(120, 1236.86),
        VehicleReport(at=START + 2 * HOUR, pilot="B", soc_percent=43.98),
    ]


def test_a_retained_command_waits_for_the_hardware(mosquitto: Mosquitto) -> None:
    """Hardware that connects later receives the command in force."""
    bench = Bench(mosquitto)
    bench.commander.start()
    bench.heard.wait_connected()
    bench.command(7, 16, START + HOUR)
    bench.hardware.start()
    assert bench.hardware.wait_obeyed(7, patience())
    bench.stop()
