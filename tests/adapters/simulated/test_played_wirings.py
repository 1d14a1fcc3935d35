"""Every example with wiring, played in memory: what the daemon tells and what hardware says."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from adapters.bus.events import BusEvent, Connected, MessageArrived
from adapters.contract.messages import Command, Reading, VehicleReport
from adapters.contract.topics import Topics, matches
from adapters.simulated import hardware as hardware_module
from adapters.simulated.backwards import Reports, told_by
from adapters.simulated.faults import Fault, FaultyChargePoint
from adapters.simulated.vehicle import SimulatedVehicle
from adapters.simulated.wired import SimulatedWiredHardware
from adapters.wired.hardware import WiredHardware
from config.files.errors import UsageError
from config.household.loading import load_household
from config.household.wiring import Wiring
from tests.virtual_years.homes import WIRED as WIRED_HOME

if TYPE_CHECKING:
    from adapters.contract.messages import Message

EXAMPLES = Path(__file__).parents[3] / "config" / "examples"
WIRED = [path for path in sorted(EXAMPLES.glob("*.yaml")) if "    wiring:" in path.read_text()]
NOW = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)
SECOND = timedelta(seconds=1)


class MemoryBus:
    """A bus in memory: what hardware publishes goes into a list."""

    def __init__(self, _bus: object, *, on_event: Callable[[BusEvent], None], **_more: Any) -> None:  # noqa: ANN401
        self.on_event = on_event
        self.published: list[tuple[str, bytes]] = []

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:  # noqa: ARG002 - a bus
        self.published.append((topic, payload))
        return True


class Pair:
    """The daemon's half of a wiring and simulated hardware, a second at a time."""

    def __init__(self, path: Path, fault: Fault | None = None) -> None:
        file = load_household(path)
        ((name, point),) = file.charge_points.items()
        assert point.wiring is not None
        volts = file.household.nominal_volts
        self.now = NOW
        self.watts = point.max_amps * volts * point.phases
        self.amps = point.max_amps
        self.simulated = FaultyChargePoint(
            NOW, max_amps=point.max_amps, phases=point.phases, volts=volts,
            on_off=point.switching == "on_off", register_wh=1_000_000,
        )  # fmt: skip
        self.simulated.plug_in(SimulatedVehicle(60, 20, phases=point.phases), NOW)
        self.hardware = SimulatedWiredHardware(
            self.simulated, file.bus, Topics.of_file(file), name, wiring=point.wiring,
            max_amps=point.max_amps, watts_per_amp=volts * point.phases, phases=point.phases,
            fault=fault,
        )  # fmt: skip
        self.daemon = WiredHardware(
            point.wiring, self, watts_per_amp=volts * point.phases, phases=point.phases
        )
        self.read: list[Message] = []
        self.bus: MemoryBus = vars(self.hardware)["_bus"]
        self.bus.on_event(Connected("5"))
        self._serial = 0

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:  # noqa: ARG002 - a bus
        self.bus.on_event(MessageArrived(topic, payload, False, lambda: None))  # noqa: FBT003
        return True

    def command(self, amps: float | None) -> None:
        self._serial += 1
        channel = self.daemon.channel
        assert channel is not None
        do = "stop" if amps is None else "start"
        until = self.now + timedelta(hours=2)
        body = {"serial": self._serial, "do": do, "amps": amps, "valid_until": until, "why": "x"}
        channel.send(Command.model_validate(body), (), self.now)

    def wait(self, minutes: int) -> None:
        for _ in range(minutes * 12):
            self.now += 5 * SECOND
            self.daemon.advance(self.now)
            channel = self.daemon.channel
            repeat = channel.next_repeat() if channel is not None else None
            if repeat is not None and repeat <= self.now:
                channel.send_again(self.now)  # type: ignore[union-attr] # it has a repeat
            self.hardware.step(self.now)
            published, self.bus.published[:] = list(self.bus.published), []
            for topic, payload in published:
                assert any(matches(each, topic) for each in self.daemon.topic_filters)
                self.read += self.daemon.read(topic, payload, self.now, retain=False)

    def last(self, name: str) -> Any:  # noqa: ANN401 - a value of a message
        values = [getattr(each, name, None) for each in self.read]
        return next((each for each in reversed(values) if each is not None), None)


@pytest.fixture(autouse=True)
def _in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hardware_module, "MqttBus", MemoryBus)


@pytest.mark.parametrize("path", WIRED, ids=lambda path: path.stem)
def test_every_wired_example_is_played(path: Path) -> None:
    """Its hardware starts, reports what its wiring says, and stops; nothing is misunderstood."""
    pair = Pair(path)
    pair.command(None)
    pair.wait(2)
    pair.command(pair.amps)
    pair.wait(31)
    assert pair.simulated.watts() == pytest.approx(pair.watts)
    channel, point = pair.daemon.channel, pair.daemon.point
    assert channel is not None
    assert point is not None
    assert channel.trouble is None
    inputs = load_household(path).charge_points
    hear = next(iter(inputs.values())).wiring.hear  # type: ignore[union-attr] # it is wired
    assert hear is not None
    if hear.power is not None or hear.current is not None:
        assert pair.last("watts") == pytest.approx(pair.watts, rel=0.001)
    if hear.energy is not None:
        assert pair.last("register_kwh") == pytest.approx(pair.simulated.register_kwh, abs=0.2)
    if hear.pilot is not None:
        assert pair.last("pilot") == "C"
    if hear.soc is not None:
        assert pair.last("soc_percent") > 20
    pair.command(None)
    pair.wait(2)
    assert pair.simulated.watts() == 0
    assert pair.last("watts") in {0, None}
    assert channel.trouble is None


def test_a_message_that_carries_register_and_state_of_charge_fits_together(tmp_path: Path) -> None:
    """It carried one of the two as it was some minutes ago, so that each read as news."""
    path = tmp_path / "house.yaml"
    path.write_text(WIRED_HOME.text, "utf-8")
    pair = Pair(path)
    pair.hardware.reading_every = timedelta(minutes=4)
    pair.command(32.0)
    pair.wait(30)
    registers = [each.register_kwh for each in pair.read if isinstance(each, Reading)]
    percents = [each.soc_percent for each in pair.read if isinstance(each, VehicleReport)]
    assert len(registers) == len(percents) > 10
    for register, percent in zip(registers, percents, strict=True):
        assert register is not None
        assert percent == pytest.approx(20 + (register - 1000) * 0.9 / 60 * 100, abs=0.02)


def test_every_kind_of_wiring_has_an_example() -> None:
    """What can be declared under tell and hear is declared by some example."""
    texts = " ".join(path.read_text(encoding="utf-8") for path in WIRED)
    keys = """topic text object qos retain start stop current repeat_minutes repeat_seconds
        acknowledgement answer_seconds stop_as_will pointer pattern scale decimal_comma unit words
        sum highest power energy soc pilot plugged_in switched_on availability ask every_seconds
        in_text"""
    seldom = {"qos", "scale"}
    assert {key for key in keys.split() if key not in texts} == seldom


@pytest.mark.parametrize(
    ("fault", "watts", "register_rises"),
    [
        (Fault.NEVER_STARTS, 0.0, 0),
        (Fault.STICKS_ON, 2300.0, 1),
        (Fault.COUNTS_BACKWARDS, 0.0, -1),
        (Fault.KW_FOR_W, 0.0, 1),
    ],
)
def test_faults_of_what_is_switched_and_counted(
    fault: Fault, watts: float, register_rises: int
) -> None:
    """A start of half an hour, and a stop."""
    pair = Pair(EXAMPLES / "plug.yaml", fault)
    pair.wait(1)
    before = pair.last("register_kwh")
    pair.command(10.0)
    pair.wait(30)
    reported = {e.watts for e in pair.read if isinstance(e, Reading)}
    assert (2.3 in reported) == (fault is Fault.KW_FOR_W)
    pair.command(None)
    pair.wait(2)
    assert pair.last("watts") == watts
    rise = pair.last("register_kwh") - before
    assert (rise > 0) - (rise < 0) == register_rises


def test_faults_of_messages() -> None:
    """A meter that falls silent once it charges, and messages that get lost."""
    silent = Pair(EXAMPLES / "plug.yaml", Fault.SILENT)
    silent.wait(1)
    known = len(silent.read)
    silent.command(10.0)
    silent.wait(30)
    assert (known > 0, len(silent.read)) == (True, known)
    lossy = Pair(EXAMPLES / "plug.yaml", Fault.DROPS_TENTH)
    lossy.command(10.0)
    lossy.wait(30)
    assert 20 <= len(lossy.read) <= 30


def test_a_plug_that_comes_loose_goes_back() -> None:
    """The vehicle is away and there again, with what it has been charged."""
    pair = Pair(EXAMPLES / "settable.yaml", Fault.UNPLUGGED)
    pair.wait(300)
    pilots = [e.pilot for e in pair.read if isinstance(e, VehicleReport) and e.pilot]
    assert {"A", "B"} <= set(pilots)
    assert pair.hardware.unplug(pair.now).soc_percent == 20


@pytest.mark.parametrize(
    ("start", "payload", "values"),
    [
        ({"text": "on {amps}"}, b"on 13.5", {"amps": "13.5"}),
        ({"text": "on {amps}"}, b"on and on", None),
        ({"text": "{seconds}"}, b"-5", None),
        ({"object": {"on": [True, "{seconds}"]}}, b'{"on": [true, 60]}', {"seconds": 60}),
        ({"object": {"on": [True, "{seconds}"]}}, b'{"on": [1, 60]}', None),
        ({"object": {"until": "{valid_until}"}}, b'{"until": "soon"}', None),
        ({"object": {"a": 1}}, b"[" * 5000, None),
    ],
)  # fmt: skip
def test_what_hardware_is_told_is_understood(
    start: dict[str, Any], payload: bytes, values: dict[str, Any] | None
) -> None:
    """By text or JSON; a payload that is none of the wiring's is not."""
    wiring = {"start": {"topic": "t", **start}, "stop": {"topic": "t", "text": "off"}}
    told = told_by(Wiring.model_validate({"tell": wiring}), "t", payload)
    assert (None if told is None else told.values) == values


def test_values_that_no_text_has_together_are_refused() -> None:
    """Two patterns of one topic that describe different texts: no hardware writes both."""
    hear = {
        "power": {"topic": "t", "pattern": "P={power}"},
        "energy": {"topic": "t", "pattern": "E={energy}"},
    }
    inputs = Wiring.model_validate({"hear": hear}).hear
    assert inputs is not None
    with pytest.raises(UsageError, match="the values on t describe different texts"):
        Reports(inputs)


def test_phases_and_watts_that_hardware_is_told(tmp_path: Path) -> None:
    """A start on one phase of three has its power from that phase alone."""
    text = (EXAMPLES / "three-phases.yaml").read_text(encoding="utf-8")
    path = tmp_path / "house.yaml"
    told = 'text: "closed {seconds} {watts} W on {phases}"'
    path.write_text(text.replace('text: "closed {seconds}"', told).replace("on_off", "current"))
    pair = Pair(path)
    channel = pair.daemon.channel
    assert channel is not None
    until = NOW + timedelta(hours=1)
    for serial, phases in ((1, 1), (2, 3)):
        body = {"serial": serial, "do": "start", "amps": 10, "valid_until": until, "why": "x"}
        channel.send(Command.model_validate({**body, "phases": phases}), (), pair.now)
        pair.wait(1)
        assert (pair.simulated.amps(), pair.simulated.watts()) == (10, 2300 * phases)
