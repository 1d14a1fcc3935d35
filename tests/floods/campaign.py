"""The flood campaign: ``python -m tests.floods.campaign``, or ``make floods``.

For each kind of flood, a real daemon charges by a plan that ends in mid-flood. Measured are its
memory, how late its stop is, how long requests wait for their answers, and how long it takes to
end. The exit code is 1 if a limit is not kept.

LULLWATT_FLOODS=small floods for some seconds only.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Event, Thread
from time import monotonic
from typing import Final

from adapters.bus.bus import MqttBus
from adapters.bus.events import BusEvent, Connected, MessageArrived
from adapters.clocks.clock import SystemClock
from tests.faults.tally import say
from tests.floods.flooder import FORGED_SERIAL, SECOND_DAEMON, kinds
from tests.support.brokers import Mosquitto
from tests.support.waiting import wait_until

_CLOCK: Final = SystemClock()
BASE: Final = "lullwatt/hilltop"
RATE: Final = 20_000.0

MOST_MB: Final = 120.0
MOST_LATE_SECONDS: Final = 1.0
MOST_WAIT_SECONDS: Final = 2.0
MOST_WAIT_AFTER_SECONDS: Final = 30.0
MOST_END_SECONDS: Final = 5.0
MOST_MB_LEFT: Final = 10.0

HOUSE: Final = """
household: {{name: Hilltop, timezone: UTC, currency: NZD, main_fuse_amps: 63, tick_minutes: 1}}
tariffs:
  - name: Two bands
    bands:
      - {{name: low, rate: 0.10, hours: ["{begin}-{end}"]}}
      - {{name: high, rate: 0.40}}
charge_points:
  driveway: {{charging_mode: 3, max_amps: 32, switching: current}}
vehicles:
  car: {{charge_point: driveway, usable_kwh: 60, everyday_limit_percent: 90}}
departures:
  - {{vehicle: car, days: [mon, tue, wed, thu, fri, sat, sun], at: "{leaves}", need_percent: 40,
     want_percent: 90, max_rate: 0.20}}
bus: {{broker: "mqtt://127.0.0.1:{port}"}}
ledger: {{path: ledger.sqlite3}}
"""


@dataclass
class Found:
    """What one kind of flood cost."""

    kind: str
    sent: int = 0
    delivered: int = 0
    peak_mb: float = 0.0
    before_mb: float = 0.0
    after_mb: float = 0.0
    stop_late_seconds: float = float("inf")
    waits_seconds: list[float] = field(default_factory=list)
    wait_after_seconds: float = float("inf")
    end_seconds: float = float("inf")

    def wrongs(self) -> list[str]:
        """List the limits that were not kept."""
        kept = {
            "memory": self.peak_mb < MOST_MB,
            "memory a minute later": self.after_mb < self.before_mb + MOST_MB_LEFT,
            "stop": self.stop_late_seconds <= MOST_LATE_SECONDS,
            "answers": self.kind == "requests"
            or max(self.waits_seconds, default=0.0) <= MOST_WAIT_SECONDS,
            "answer after it": self.wait_after_seconds <= MOST_WAIT_AFTER_SECONDS,
            "end": self.end_seconds <= MOST_END_SECONDS,
        }
        return [name for name, is_kept in kept.items() if not is_kept]

    def line(self) -> str:
        """Return the figures as a line of text."""
        waits = f"{max(self.waits_seconds):.2f}" if self.waits_seconds else "-"
        return (
            f"{self.kind:<24}{self.sent:>10,}{self.delivered:>10,}{self.before_mb:>7.0f}"
            f"{self.peak_mb:>7.0f}{self.after_mb:>7.0f}{self.stop_late_seconds:>8.2f}{waits:>8}"
            f"{self.wait_after_seconds:>8.2f}{self.end_seconds:>8.2f}  {', '.join(self.wrongs())}"
        )


HEAD: Final = (
    f"{'flood':<24}{'sent':>10}{'daemon':>10}{'MB':>7}{'peak':>7}{'after':>7}{'stop s':>8}"
    f"{'answer':>8}{'after':>8}{'end s':>8}  wrong"
)


class Home:
    """A person and a charge point at a real broker, and the real daemon as a process."""

    def __init__(self, directory: Path, ending: ExitStack) -> None:
        self.broker = Mosquitto(directory / "broker", "allow_anonymous true", "sys_interval 1")
        self.broker.start()
        ending.callback(self.broker.kill)
        self.commands: list[tuple[datetime, dict[str, object]]] = []
        self.delivered = 0
        self._answers: dict[str, Event] = {}
        self._asked = 0
        up = Event()

        def on_event(event: BusEvent) -> None:
            if isinstance(event, Connected):
                up.set()
            if isinstance(event, MessageArrived):
                self._on_message(event)
                event.ack()

        self._bus = MqttBus(
            self.broker.bus, client_id="someone", on_event=on_event, keep_session=False,
            subscriptions=[f"{BASE}/driveway/command", f"{BASE}/driveway/answer",
                           "$SYS/broker/publish/messages/sent"],
        )  # fmt: skip
        self._bus.start()
        ending.callback(self._bus.stop)
        assert up.wait(20)
        now = _CLOCK.now()
        self.stops_at = (now + timedelta(seconds=165)).replace(second=0, microsecond=0)
        leaves = now + timedelta(hours=2)
        begin, end = (f"{each:%H:%M}" for each in (now - timedelta(hours=1), self.stops_at))
        self._house = HOUSE.format(
            port=self.broker.port, begin=begin, end=end, leaves=f"{leaves:%H:%M}"
        )
        self._log = (directory / "daemon.log").open("wb")
        ending.callback(self._log.close)
        self._ending = ending
        self.process = self._start(directory)

    def _start(self, directory: Path) -> subprocess.Popen[bytes]:
        """Start a daemon with its ledger in this directory."""
        house = directory / "house.yaml"
        house.write_text(self._house)
        process = subprocess.Popen(
            [str(Path(sys.executable).with_name("lullwatt")), "run", str(house)],
            stderr=self._log,
            stdout=self._log,
        )
        self._ending.callback(process.wait)
        self._ending.callback(process.kill)
        return process

    def replace_daemon(self, directory: Path) -> None:
        """Start a second daemon of the household: the first must end, and it takes over."""
        directory.mkdir()
        first, begins = self.process, _CLOCK.now()
        second = self._start(directory)
        wait_until(lambda: first.poll() is not None, 30, what="the first daemon ends")
        self.process = second
        has_begun = lambda: bool(self.commands) and self.commands[-1][0] > begins  # noqa: E731
        wait_until(has_begun, 30, what="the second daemon's first command")
        self.report(7_360.0)

    def _on_message(self, message: MessageArrived) -> None:
        if message.topic.startswith("$SYS"):
            self.delivered = int(message.payload)
        elif message.topic.endswith("command") and message.payload:
            command = json.loads(message.payload)
            if command["serial"] < FORGED_SERIAL:
                self.commands.append((_CLOCK.now(), command))
        elif message.topic.endswith("answer"):
            answered = self._answers.get(json.loads(message.payload)["id"])
            if answered is not None:
                answered.set()

    def report(self, watts: float) -> None:
        """Report as the charge point does."""
        at = _CLOCK.now().isoformat()
        vehicle = {"v": 1, "at": at, "pilot": "C" if watts else "B", "soc_percent": 50.0}
        reading = {"v": 1, "at": at, "register_kwh": 1000.0, "watts": watts}
        for name, message in (("vehicle", vehicle), ("reading", reading)):
            topic = f"{BASE}/driveway/{name}"
            self._bus.publish(topic, json.dumps(message).encode(), retain=False)

    def ask(self, limit_seconds: float = 60.0) -> float:
        """Ask for a preview and return how long the answer took [s]."""
        self._asked += 1
        name = f"asked-{self._asked}"
        self._answers[name] = Event()
        request = {"v": 1, "id": name, "want_percent": 80, "preview": True}
        begin = monotonic()
        self._bus.publish(f"{BASE}/driveway/request", json.dumps(request).encode(), retain=False)
        self._answers[name].wait(limit_seconds)
        return monotonic() - begin

    def resident_mb(self) -> float:
        """Return the resident memory of the daemon [MB]."""
        pages = int(Path(f"/proc/{self.process.pid}/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 1e6

    def is_told(self, what: str) -> bool:
        """Whether the last command is this."""
        return bool(self.commands) and self.commands[-1][1]["do"] == what

    def stop_late_seconds(self) -> float:
        """Return how long after the plan's end it still charged [s]."""
        late = [(at, it["do"]) for at, it in self.commands if at >= self.stops_at]
        before = [it["do"] for at, it in self.commands if at < self.stops_at]
        if before[-1] == "stop":  # a second daemon starts no charge for the last seconds
            return 0.0
        stops = [(at - self.stops_at).total_seconds() for at, do in late if do == "stop"]
        return min(stops, default=float("inf"))


def play(kind: str, directory: Path, seconds: float, settle_seconds: float) -> Found:
    """Flood a daemon while its plan ends, and measure."""
    found = Found(kind)
    with ExitStack() as ending:
        home = Home(directory, ending)
        wait_until(lambda: bool(home.commands), 30, what="the first command")
        home.report(0.0)
        wait_until(lambda: home.is_told("start"), 30, what="the charge begins")
        home.report(7_360.0)
        _pause(2)
        home.ask()
        found.before_mb = home.resident_mb()
        begins = home.stops_at - timedelta(seconds=min(20.0, seconds / 2))
        _pause(max(0.0, (begins - _CLOCK.now()).total_seconds()))
        delivered = home.delivered
        flooder = _flooder(home, kind, seconds)
        ending.callback(flooder.kill)
        watching = Event()
        watcher = Thread(target=_watch, args=[home, found, watching])
        watcher.start()
        until = monotonic() + seconds
        if kind == SECOND_DAEMON:
            home.replace_daemon(directory / "second")
        while monotonic() < until - 2:
            found.waits_seconds.append(home.ask())
            _pause(min(2.0, max(0.0, until - monotonic())))
        found.sent = int(flooder.communicate(timeout=120)[0] or 0)
        found.wait_after_seconds = home.ask()
        found.delivered = home.delivered - delivered
        found.stop_late_seconds = home.stop_late_seconds()
        _pause(settle_seconds)
        found.after_mb = home.resident_mb()
        again = _flooder(home, kind, 10.0)
        ending.callback(again.kill)
        _pause(3)
        home.process.send_signal(signal.SIGTERM)
        begin = monotonic()
        home.process.wait(120)
        found.end_seconds = monotonic() - begin
        watching.set()
        watcher.join()
        again.communicate(timeout=120)
    return found


def _pause(seconds: float) -> None:
    """Let real time pass: the flood and the daemon run on it."""
    Event().wait(seconds)


def _flooder(home: Home, kind: str, seconds: float) -> subprocess.Popen[str]:
    given = [str(home.broker.port), BASE, kind, str(RATE), str(seconds)]
    command = [sys.executable, "-m", "tests.floods.flooder", *given]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def _watch(home: Home, found: Found, ended: Event) -> None:
    while not ended.wait(0.05):
        if home.process.poll() is None:
            found.peak_mb = max(found.peak_mb, home.resident_mb())


def main() -> int:
    """Play every kind of flood and print what it cost."""
    small = os.environ.get("LULLWATT_FLOODS") == "small"
    wanted = sys.argv[1:] or list(kinds(BASE))
    say(HEAD)
    wrongs = 0
    for kind in wanted:
        with TemporaryDirectory() as directory:
            found = play(kind, Path(directory), 10 if small else 60, 5 if small else 60)
        say(found.line())
        wrongs += len(found.wrongs())
    return 1 if wrongs else 0


if __name__ == "__main__":
    sys.exit(main())
