"""`lullwatt wiring` over a real Mosquitto: its messages, and devices that misbehave."""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Event, Thread
from typing import TYPE_CHECKING, Literal

import pytest
from typing_extensions import override

from adapters.bus.bus import MqttBus
from adapters.clocks.clock import SystemClock, VirtualClock
from adapters.contract.messages import DaemonState, Message, Reading, encode
from adapters.contract.topics import Topics
from adapters.ledger.ledger import open_ledger
from adapters.simulated.charge_point import SimulatedChargePoint, SimulatedVehicle
from config.doors.broker import Bus
from config.household.loading import load_household
from daemon.trial import command
from daemon.trial import trial as trial_module
from daemon.trial.command import currents_to_try
from daemon.trial.exercise import Exercise, LatestValues
from daemon.trial.trial import Trial
from tests.support.waiting import given_time, patience, wait_until
from tests.support.wired_hardware import Plug

if TYPE_CHECKING:
    from adapters.ledger.ledger import Ledger
    from config.household.household_file import HouseholdFile
    from tests.support.brokers import Mosquitto
    from tests.support.commands import Ran

EXAMPLE = Path(__file__).parents[3] / "config" / "examples" / "plug.yaml"
PATIENCE_SECONDS = 90.0
NOW = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)


class NeverStarts(Plug):
    @override
    def receive(self, topic: str, text: str) -> None:
        self.switch(None)


class NeverStops(Plug):
    @override
    def receive(self, topic: str, text: str) -> None:
        if text == "on":
            self.switch(10.0)


class ReportsKilowatts(Plug):
    @override
    def _encoded(self, topic: str, report: Message) -> list[tuple[str, bytes]]:
        return [
            (t, _with(payload, "power", 0.001)) for t, payload in super()._encoded(topic, report)
        ]


class ReportsWattHours(Plug):
    @override
    def _encoded(self, topic: str, report: Message) -> list[tuple[str, bytes]]:
        return [
            (t, _with(payload, "total", 1000)) for t, payload in super()._encoded(topic, report)
        ]


class IsSilent(Plug):
    @override
    def _encoded(self, topic: str, report: Message) -> list[tuple[str, bytes]]:
        return []


class CountsBackwards(Plug):
    @override
    def _encoded(self, topic: str, report: Message) -> list[tuple[str, bytes]]:
        if not isinstance(report, Reading) or report.register_kwh is None:
            return super()._encoded(topic, report)
        back = report.model_copy(update={"register_kwh": 9000 - report.register_kwh})
        return super()._encoded(topic, back)


def _with(payload: bytes, key: str, factor: float) -> bytes:
    body = json.loads(payload)
    return json.dumps({**body, key: body[key] * factor}).encode()


def household(mosquitto: Mosquitto, folder: Path) -> Path:
    text = EXAMPLE.read_text(encoding="utf-8").replace(":1883", f":{mosquitto.port}")
    path = folder / "house.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def plug(file: HouseholdFile, kind: type[Plug], now: datetime) -> Plug:
    """Make a plug with a car."""
    point = SimulatedChargePoint(now, max_amps=10.0, on_off=True, register_wh=1_000_000)
    hardware = kind(point, file.bus, Topics.of_file(file), "carport")
    hardware.plug_in(SimulatedVehicle(usable_kwh=5000.0, soc_percent=20.0), now)
    return hardware


@contextmanager
def connected(hardware: Plug) -> Iterator[Plug]:
    hardware.start()
    try:
        assert hardware.wait_connected(patience(10))
        yield hardware
    finally:
        hardware.stop()


class PlugInVirtualTime:
    """A plug under trial: each second goes on once the plug's messages have arrived."""

    def __init__(
        self, trial: Trial, hardware: Plug, clock: VirtualClock, ledger: Ledger, printed: list[str]
    ) -> None:
        self._trial = trial
        self._hardware = hardware
        self._clock = clock
        self._ledger = ledger
        self._printed = printed

    @property
    def latest(self) -> LatestValues:
        return self._trial.latest

    def command(self, do: Literal["start", "stop"], amps: float | None) -> None:
        self._trial.command(do, amps)
        command = self._ledger.last_command("carport")
        assert command is not None
        assert self._hardware.wait_obeyed(command.serial, patience(10))

    def wait(self, until: Callable[[LatestValues], bool], seconds: float) -> float | None:
        for second in range(1, int(seconds) + 1):
            self._clock.advance_to(self._clock.now() + timedelta(seconds=1))
            self._hardware.step(self._clock.now())
            wait_until(lambda: len(self._printed) >= self._hardware.sent, what="a reading")
            if until(self.latest):
                return float(second)
        return None


@pytest.mark.parametrize(
    ("kind", "wrong"),
    [
        (Plug, None),
        (NeverStarts, ("start at 10 A", "no power")),
        (NeverStops, ("stop", "it did not stop")),
        (ReportsKilowatts, ("start at 10 A", "is the power's unit kW?")),
        (ReportsWattHours, ("the register counts what flows", "is its unit Wh?")),
        (CountsBackwards, ("the register counts what flows", "runs backwards")),
        (IsSilent, ("start at 10 A", "no message from it")),
    ],
)
def test_an_exercise_names_what_is_wrong(
    kind: type[Plug],
    wrong: tuple[str, str] | None,
    mosquitto: Mosquitto,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Over a real broker: a good plug passes, and each bad one fails the step that shows it."""
    monkeypatch.setattr(trial_module, "RETAINED_SECONDS", 0.1)  # all of it is waited for
    file = load_household(household(mosquitto, tmp_path))
    clock, printed = VirtualClock(NOW), list[str]()
    with (
        open_ledger(tmp_path / "ledger.sqlite3") as ledger,
        connected(plug(file, kind, NOW)) as hardware,
        Trial(file, "carport", clock, printed.append, ledger) as trial,
    ):
        trial.connect(patience(10))
        device = PlugInVirtualTime(trial, hardware, clock, ledger, printed)
        exercise = Exercise(
            device, currents_to_try(file, "carport"), watts_per_amp=230.0,
            patience_seconds=PATIENCE_SECONDS,
        )  # fmt: skip
        bad = [(step.name, step.observed) for step in exercise.run() if not step.passed]
    if wrong is None:
        assert bad == []
        assert any("2,300 W" in line for line in printed)
    else:
        assert [name for name, _ in bad][:1] == [wrong[0]], bad
        assert wrong[1] in bad[0][1]


@contextmanager
def reporting(bus: Bus) -> Iterator[None]:
    """Publish a plug's reading again and again until the block ends."""
    ended = Event()
    reading = b'{"power": 0, "total": 1000.0, "voltage": 231}'

    def report(open_bus: MqttBus) -> None:
        while not ended.wait(0.05):
            open_bus.publish("carport/plug/energy", reading, retain=False)

    with opened(bus) as open_bus:
        thread = Thread(target=report, args=[open_bus])
        thread.start()
        try:
            yield
        finally:
            ended.set()
            thread.join(patience(10))


def test_it_shows_messages_and_what_they_mean(
    mosquitto: Mosquitto, tmp_path: Path, run: Callable[..., Ran]
) -> None:
    """Without an exercise nothing is sent; each line has a message and its meaning.

    The grid operator's contact is shown as well.
    """
    path = household(mosquitto, tmp_path)
    contact = {"topic": "relay/7", "words": {"closed": True, "open": False}, "limit_kw": 4.2}
    limit = json.dumps({"contact": contact})
    text = path.read_text("utf-8").replace("household:\n", f"household:\n  grid_limit: {limit}\n")
    path.write_text(text, "utf-8")
    file = load_household(path)
    with opened(file.bus) as bus:
        bus.publish("relay/7", b"closed", retain=True)
    with reporting(file.bus):
        shown = given_time(
            lambda seconds: run("wiring", str(path), "--listen", f"{seconds}"),
            lambda shown: "read as 0 W" in shown.out and "relay/7  " in shown.out,  # both have come
            0.5,
        )
    assert shown.code == 0
    assert "Listening to carport/plug/energy" in shown.out
    assert "read as 0 W, 1,000.000 kWh" in shown.out
    assert "relay/7  heard `closed` (stored by the broker), read as closed: 4.2 kW are allowed" in (
        shown.out
    )


def test_each_error_names_the_next_step(
    make_mosquitto: Callable[..., Mosquitto],
    tmp_path: Path,
    run: Callable[..., Ran],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """No broker, and no word on which charge point."""
    monkeypatch.setattr(command, "PATIENCE_SECONDS", 0.5)  # all of it is waited for
    path = household(make_mosquitto(), tmp_path)
    shown = run("wiring", str(path), "--listen", "0")
    assert shown.code == 4
    assert shown.err.endswith("; start it, or correct broker under bus in the household file\n")
    shed = "charge_points:\n  shed: {charging_mode: 3, max_amps: 16, switching: current}\n"
    path.write_text(path.read_text("utf-8").replace("charge_points:\n", shed), "utf-8")
    shown = run("wiring", str(path))
    assert (shown.code, shown.err) == (
        2, "which charge point? Add --charge-point and one of shed, carport\n",
    )  # fmt: skip


def test_nothing_is_sent_without_a_yes(
    mosquitto: Mosquitto,
    tmp_path: Path,
    run: Callable[..., Ran],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Without a typed yes the caution is printed, and nothing is sent."""
    path = household(mosquitto, tmp_path)
    monkeypatch.setattr(sys, "stdin", io.StringIO("no\n"))
    shown = run("wiring", str(path), "--exercise")
    assert shown.code == 2
    assert "licensed electrician" in shown.err
    assert "nothing was sent; type yes at the question, or add --yes" in shown.err


def test_nothing_is_sent_beside_a_daemon(
    mosquitto: Mosquitto,
    tmp_path: Path,
    run: Callable[..., Ran],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """While a daemon of the household runs, an exercise is refused."""
    path = household(mosquitto, tmp_path)
    file = load_household(path)
    now = SystemClock().now()
    online = DaemonState(state="online", at=now, stale_after=_later(now), instance="x", since=now)
    with opened(file.bus) as bus:
        bus.publish("lullwatt/kowhai-cottage/daemon", encode(online), retain=True)
        assert bus.wait_acknowledged(patience(10))
    monkeypatch.setattr(trial_module, "RETAINED_SECONDS", patience())
    shown = run("wiring", str(path), "--exercise", "--yes")
    assert shown.code == 2
    assert "a daemon of this household runs: stop it first (systemctl stop lullwatt" in shown.err


@contextmanager
def opened(bus: Bus) -> Iterator[MqttBus]:
    """Connect to a broker for as long as the block lasts."""
    up = Event()
    opened_bus = MqttBus(
        bus, client_id="a test", on_event=lambda _event: up.set(), keep_session=False
    )
    opened_bus.start()
    try:
        assert up.wait(patience(10))
        yield opened_bus
    finally:
        opened_bus.stop()


def _later(now: datetime) -> datetime:
    return now + timedelta(days=365)


def test_an_unknown_charge_point_is_refused(run: Callable[..., Ran]) -> None:
    """The error lists the known names."""
    shown = run("wiring", str(EXAMPLE), "--charge-point", "garage")
    assert shown.code == 2
    assert "expected one of carport" in shown.err
