"""`lullwatt simulate` over a real Mosquitto: it plays, and makes way for whoever is there."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from threading import Event, Thread
from typing import TYPE_CHECKING

import pytest
from typing_extensions import override

from adapters.bus.bus import MqttBus
from adapters.bus.events import BusEvent, Connected, MessageArrived
from adapters.clocks.clock import SystemClock, VirtualClock
from adapters.ledger.ledger import open_ledger
from adapters.simulated.faults import IN_WORDS, Fault
from config.files.errors import UsageError
from config.household.loading import load_household
from daemon.simulation import playing
from daemon.simulation.command import FAULTS
from daemon.simulation.playing import Simulation
from tests.support.waiting import patience, wait_until

if TYPE_CHECKING:
    from collections.abc import Callable

    from config.doors.broker import Bus
    from tests.support.brokers import Mosquitto
    from tests.support.commands import Ran

EXAMPLES = Path(__file__).parents[3] / "config" / "examples"


def household(mosquitto: Mosquitto, folder: Path, example: str) -> Path:
    text = (EXAMPLES / f"{example}.yaml").read_text(encoding="utf-8")
    path = folder / "house.yaml"
    path.write_text(text.replace(":1883", f":{mosquitto.port}"), encoding="utf-8")
    return path


class Other:
    """Somebody else on the bus."""

    def __init__(self, bus: Bus, topics: Sequence[str]) -> None:
        self.heard: list[tuple[str, str]] = []
        self._up = Event()
        self.bus = MqttBus(
            bus, client_id="other", on_event=self._on_event, subscriptions=topics,
            keep_session=False,
        )  # fmt: skip

    @contextmanager
    def connected(self) -> Iterator[Other]:
        self.bus.start()
        try:
            assert self._up.wait(patience(10))
            yield self
        finally:
            self.bus.stop()

    def say(self, topic: str, text: str, *, retain: bool = False) -> None:
        assert self.bus.publish(topic, text.encode(), retain=retain)
        assert self.bus.wait_acknowledged(patience(10))

    def _on_event(self, event: BusEvent) -> None:
        match event:
            case Connected():
                self._up.set()
            case MessageArrived(topic, payload):
                self.heard.append((topic, payload.decode()))
                event.ack()
            case _:
                pass


def say_yes(_facts: Sequence[str]) -> None:
    """Say that no real hardware is there."""


def test_it_plays_a_plug_until_somebody_else_speaks_for_it(
    mosquitto: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A press switches it on, power is reported; a foreign power ends it, and nothing is left."""
    monkeypatch.setattr(playing, "LISTEN_SECONDS", 0.1)
    file = load_household(household(mosquitto, tmp_path, "push-button"))
    printed: list[str] = []
    ended: list[Exception] = []
    simulation = Simulation(file, "carport", SystemClock(), printed.append)

    def play() -> None:
        try:
            simulation.run(say_yes)
        except UsageError as error:
            ended.append(error)

    with Other(file.bus, simulation.topics).connected() as other:
        playing_it = Thread(target=play)
        playing_it.start()
        wait_until(lambda: ("carport/plug/state", "off") in other.heard, what="its state")
        other.say("carport/plug/button", "press")
        wait_until(lambda: ("carport/plug/power", "2,3 kW") in other.heard, what="its power")
        assert ("carport/plug/state", "on") in other.heard
        other.say("carport/plug/power", "5 kW")
        playing_it.join(patience(10))
        assert [str(each).partition(":")[0] for each in ended] == [
            "somebody else publishes on carport/plug/power"
        ]
        assert any("hears  carport/plug/button  `press`: change over" in line for line in printed)
        wait_until(lambda: ("carport/plug/there", "offline") in other.heard, what="that it is gone")
    with Other(file.bus, ["carport/plug/#"]).connected() as later:
        later.say("carport/plug/other", "x")
        wait_until(lambda: bool(later.heard), what="its own message")
        assert later.heard == [("carport/plug/other", "x")]  # nothing is stored


def test_it_publishes_nothing_where_hardware_answers(
    mosquitto: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Hardware that only answers is asked whether it is there, before anything is said."""
    monkeypatch.setattr(playing, "LISTEN_SECONDS", patience(30))
    file = load_household(household(mosquitto, tmp_path, "text-commands"))
    simulation = Simulation(file, "garage", SystemClock(), lambda _line: None)

    class Box(Other):
        @override
        def _on_event(self, event: BusEvent) -> None:
            super()._on_event(event)
            if isinstance(event, MessageArrived) and event.payload == b"HOW?":
                self.bus.publish("garage/box/says", b"P=0 kW; E=1 kWh; waits", retain=False)

    with (
        Box(file.bus, ["garage/box/line", "garage/box/says"]).connected() as box,
        pytest.raises(UsageError, match="somebody else publishes on garage/box/says"),
    ):
        simulation.run(say_yes)
    assert len([topic for topic, _ in box.heard if topic == "garage/box/says"]) == 1


def test_it_asks_before_it_publishes(
    mosquitto: Mosquitto,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    run: Callable[..., Ran],
) -> None:
    """It names what the broker has stored, and a ledger that has readings; no is no."""
    monkeypatch.setattr(playing, "LISTEN_SECONDS", 0.2)
    path = household(mosquitto, tmp_path, "plug")
    file = load_household(path)
    with open_ledger(file.ledger.path) as ledger:
        ledger.add_reading("carport", SystemClock().now(), 1000)
    with Other(file.bus, ["carport/plug/energy"]).connected() as other:
        other.say("carport/plug/energy", '{"power": 0, "total": 1}', retain=True)
        monkeypatch.setattr("click.prompt", lambda *_words, **_options: "no")
        ran = run("simulate", str(path))
        assert ran.code == 2
        assert "The broker has stored a message on carport/plug/energy" in ran.err
        assert "simulated ones would be added to them" in ran.err
        assert "nothing was published" in ran.err
        assert len(other.heard) == 1
        other.say("carport/plug/energy", "", retain=True)


def test_what_it_says_is_dated_after_a_late_yes(
    mosquitto: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A person may think for long: the daemon's own messages carry the instant of each value."""
    monkeypatch.setattr(playing, "LISTEN_SECONDS", 0.1)
    file = load_household(household(mosquitto, tmp_path, "kowhai"))
    clock = VirtualClock(SystemClock().now())
    simulation = Simulation(file, "driveway", clock, lambda _line: None)

    def say_yes_late(_facts: Sequence[str]) -> None:
        clock.advance_to(clock.now() + timedelta(hours=1))

    with Other(file.bus, simulation.topics).connected() as other:
        playing_it = Thread(target=lambda: simulation.run(say_yes_late))
        playing_it.start()
        wait_until(lambda: len({topic for topic, _ in other.heard}) == 2, what="its reports")
        simulation.stop()
        playing_it.join(patience(10))
    said = {json.loads(text)["at"] for _, text in other.heard}
    assert said == {clock.now().isoformat().replace("+00:00", "Z")}


def test_every_fault_is_named() -> None:
    """The command's help lists them without loading them."""
    assert set(FAULTS) == {str(each) for each in Fault} == {str(each) for each in IN_WORDS}
