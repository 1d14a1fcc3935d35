"""A night of one box beside the real daemon, in virtual time, over real connections."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from threading import Condition, Thread
from time import monotonic
from typing import Any, Final

import structlog
import yaml

from adapters.clocks.clock import VirtualClock
from adapters.contract.messages import HomeLoad
from adapters.ledger.ledger import open_ledger
from adapters.ocpp.command_sender import Patience
from config.doors.broker import Bus
from daemon.control.events import AnnouncePlan, CloseNight, Issue, Warn
from daemon.messaging.incoming import HandledEvent, HomeReport, WakeUp
from daemon.messaging.ocpp_equipment import OcppEquipment
from daemon.service import running
from daemon.service.household_watch import HouseholdWatch
from daemon.service.running import Daemon
from tests.ocpp_boxes.box import Box
from tests.ocpp_boxes.hardware import UNLIMITED, Drawn, Hardware, Vehicle
from tests.ocpp_boxes.kinds import Kind
from tests.ocpp_boxes.link import Answer, Link

IDENTITY: Final = "driveway-1"
PASSWORD: Final = "rata and rimu"  # noqa: S105 - of an invented charge point
MOST_AMPS: Final = 16.0
START: Final = datetime(2026, 6, 3, 7, 30, tzinfo=UTC)
"""19:30 in Auckland."""
PLUGS_IN: Final = START + timedelta(minutes=30)
CHEAP_FROM: Final = datetime(2026, 6, 3, 11, 0, tzinfo=UTC)
"""23:00, the begin of the night's rate, which ends at 04:00."""
UNPLUGS: Final = datetime(2026, 6, 3, 18, 20, tzinfo=UTC)
END: Final = datetime(2026, 6, 3, 19, 0, tzinfo=UTC)
"""Half an hour after the departure, when the night has been closed."""
NEEDED_KWH: Final = 8.0
"""What the battery needs: 20 % of 40 kWh."""
ROOM_KWH: Final = 24.0
"""What it could take, if nobody stopped the charge."""
MINUTE: Final = timedelta(minutes=1)
PATIENCE: Final = Patience(
    answer_seconds=1.0, greeting_seconds=3.0, sample_seconds=1.0, retry_seconds=0.02,
    most_retry_seconds=0.05, stop_seconds=0.01, start_seconds=0.03,
)  # fmt: skip
LOSING: Final = 0.25
"""How long the daemon waits for answers, and the box too, if messages are lost [seconds]."""
SETTLES: Final = 0.6
"""How long a daemon that is refused may go on trying before time goes on [seconds]."""
HANDLES: Final = 30.0


ELSEWHERE: Final = "limited from elsewhere in the charge"
ELSEWHERE_AMPS: Final = 8.0
LOAD: Final = "home load in the charge"
LOAD_AMPS: Final = 15.0
"""What the rest of the home draws then, of a main fuse of 25 A."""


def household(folder: Path, kind: Kind, behaviour: str, port: int, broker: str) -> Path:
    """Write the file of a home with one box; a vehicle that arrives with 40 % needs 60 %."""
    password = folder / "password"
    password.write_text(PASSWORD)
    password.chmod(0o600)
    proof: dict[str, Any] = {"password_file": "password"}
    if not kind.has_password:
        proof = {"without_password_from": ["127.0.0.1"]}
    house = {
        "household": {
            "name": "Kowhai", "timezone": "Pacific/Auckland", "currency": "NZD",
            **({"main_fuse_amps": 25} if behaviour == LOAD else {}),
        },
        "tariffs": [{
            "name": "Two-band",
            "bands": [
                {"name": "night", "rate": 0.10, "hours": ["23:00-04:00"]},
                {"name": "day", "rate": 0.40},
            ],
        }],
        "charge_points": {"driveway": {
            "charging_mode": 3, "max_amps": MOST_AMPS, "switching": kind.switching,
            "phases": kind.phases, "ocpp": {"identity": IDENTITY, **proof},
        }},
        "vehicles": {"hatchback": {
            "charge_point": "driveway", "usable_kwh": 40, "arrives_with_percent": 40,
            "phases": kind.vehicle_phases,
        }},
        "departures": [{
            "vehicle": "hatchback", "days": ["mon", "tue", "wed", "thu", "fri", "sat", "sun"],
            "at": "06:30", "need_percent": 60,
        }],
        "bus": {"broker": broker, "root": f"boxes-{port}"},
        "ocpp": {"listen": f"127.0.0.1:{port}"},
        "ledger": {"path": "ledger.sqlite3"},
    }  # fmt: skip
    path = folder / "house.yaml"
    path.write_text(yaml.safe_dump(house))
    return path


@dataclass
class Record:
    """What the daemon did in a night, and what flowed in truth."""

    commands: list[tuple[datetime, float, datetime]] = field(default_factory=list)
    """When, how much [A per phase; 0 for a stop], and until when."""
    plans: list[tuple[datetime, list[tuple[datetime, datetime, float]]]] = field(
        default_factory=list
    )
    alerts: list[str] = field(default_factory=list)
    nights: list[dict[str, Any]] = field(default_factory=list)
    trace: list[Drawn] = field(default_factory=list)
    away: list[tuple[datetime, datetime]] = field(default_factory=list)
    """When the daemon was away, or the box not connected."""
    register_kwh: float = 0.0
    missing_kwh: float = 0.0
    invalid: list[str] = field(default_factory=list)
    """Messages that do not fit their schemas."""


class Night:
    """One cell of the table."""

    def __init__(
        self,
        folder: Path,
        kind: Kind,
        behaviour: str,
        broker: str,
        port: int,
        *,
        make_box: Callable[..., Hardware] = Box,
    ) -> None:
        self._kind, self._behaviour = kind, behaviour
        self._port = port
        self._path = household(folder, kind, behaviour, port, broker)
        self._bus = Bus(broker=broker)
        self._folder = folder
        self.clock = VirtualClock(START)
        self.record = Record()
        self._changed = Condition()
        self._wakes = 0
        self._daemon: Daemon | None = None
        self._thread: Thread | None = None
        self._ledger = open_ledger(folder / "ledger.sqlite3")
        self._loses = behaviour == "loses messages"
        self.box = make_box(kind, START, self._connect)
        self._vehicle = Vehicle(ROOM_KWH, kind.vehicle_phases)
        self._done: set[str] = set()
        self._replug_at: datetime | None = None
        self._back_at: datetime | None = None
        self._link_back_at: datetime | None = None
        self._load_until: datetime | None = None
        self._lifted_at: datetime | None = None

    def play(self) -> Record:
        """Play it from the evening to the departure."""
        patience = PATIENCE
        if self._loses:
            patience = Patience(LOSING, 1.0, 0.3, 0.02, 0.05, 0.01, 0.03)
        vars(running)["OcppEquipment"] = partial(OcppEquipment, patience=patience)
        self._start_daemon()
        try:
            while self.clock.now() < END:
                self._happen()
                self._settle()
                self._move_on()
        finally:
            self._stop_daemon()
            self.box.disconnect()
            self._ledger.close()
        record = self.record
        record.trace, record.invalid = self.box.trace, self.box.invalid
        record.register_kwh = (self.box.register_wh - 1_000_000) / 1000
        record.missing_kwh = NEEDED_KWH - (ROOM_KWH - self._vehicle.missing_kwh)
        return record

    # --- time -----------------------------------------------------------------------------------

    def _move_on(self) -> None:
        now = self.clock.now()
        is_busy = self.box.amps() > 0
        step = MINUTE if is_busy or now < PLUGS_IN + 5 * MINUTE else 5 * MINUTE
        if now > UNPLUGS + 10 * MINUTE:
            step = 20 * MINUTE
        # A plan's edge is met to the second, as the box itself would.
        edges = [at for at in self._edges() if at > now]
        to = min([now + step, *edges])
        self.box.advance(to)
        self.clock.advance_to(to)

    def _edges(self) -> Iterator[datetime]:
        if self.record.plans:
            for start, end, _ in self.record.plans[-1][1]:
                yield from (start, end)
        for _, _, until in self.record.commands[-1:]:
            yield until

    def _settle(self) -> None:
        """Let the box and the daemon exchange what there is to say now."""
        for _ in range(12):
            said = self._report()
            self._handle()
            heard = self._until_settled()
            if not said and not heard:
                return

    def _report(self) -> bool:
        if self._daemon is None or self._link_back_at is not None:
            self.box.disconnect()
            self._note_away()
            return False
        return self.box.report()

    def _note_away(self) -> None:
        now, away = self.clock.now(), self.record.away
        if away and now - away[-1][1] <= 5 * MINUTE:
            away[-1] = (away[-1][0], now)
        else:
            away.append((now, now))

    def _handle(self) -> None:
        """Wake the daemon, and wait until it has handled all that came before."""
        daemon = self._daemon
        if daemon is None:
            return
        with self._changed:
            wanted = self._wakes + 1
            daemon.post(WakeUp())
            if not self._changed.wait_for(lambda: self._wakes >= wanted, HANDLES):
                raise TimeoutError("the daemon does not answer")

    def _until_settled(self) -> bool:
        """Wait until the daemon's command is accepted, or has been refused for a while."""
        daemon, link = self._daemon, self.box.link
        if daemon is None or link is None or daemon._ocpp is None:
            return False
        server, heard, until = daemon._ocpp._server, link.heard, monotonic() + SETTLES
        quiet_since = monotonic()
        while monotonic() < until:
            with self._changed:
                self._changed.wait(0.004)
            if link.heard != heard:
                heard, quiet_since = link.heard, monotonic()
            is_settled = server.has_accepted("driveway") or "driveway" not in server.ready
            quiet = monotonic() - quiet_since
            if is_settled and quiet > 0.02 + 2 * self._kind.answers_after:
                break
        return bool(self.box.queue) or self.box.reported != self.box.status()

    # --- what happens ---------------------------------------------------------------------------

    def _once(self, name: str, at: datetime) -> bool:
        if name in self._done or self.clock.now() < at:
            return False
        self._done.add(name)
        return True

    @property
    def _charges(self) -> bool:
        return self.box.amps() > 0 and self.clock.now() > CHEAP_FROM + 40 * MINUTE

    def _happen(self) -> None:
        self._misbehave()
        self._come_back()
        now, box = self.clock.now(), self.box
        if self._behaviour == LOAD and self._daemon is not None:
            amps = LOAD_AMPS if self._load_until is not None and now < self._load_until else 1.0
            load = HomeLoad(at=now, amps=(amps,), includes_charge_points=False)
            self._daemon.post(HomeReport(load))
        if self._once("plugs in", PLUGS_IN):
            box.plug_in(self._vehicle)
        if self._kind.reboots and self._charges and self._once("reboots", now):
            box.reboot()
        if self._kind.pauses and self._charges and self._once("pauses", now):
            box.paused_until = now + 20 * MINUTE
        if box.is_stuck_at and now > CHEAP_FROM + timedelta(hours=6):
            box.is_stuck_at = 0.0  # somebody has switched it off
        if box.vehicle is not None and self._once("leaves", UNPLUGS):
            box.unplug()

    def _misbehave(self) -> None:
        """Do what the behaviour of this night has at its time."""
        now, moods = self.clock.now(), self.box.moods
        moods.never_starts = self._behaviour == "never starts"
        moods.sticks = self._behaviour == "sticks on"
        moods.loses = self._loses
        happens: dict[str, tuple[bool, Callable[[], None]]] = {
            "refuses stops": (now >= PLUGS_IN, self._refuse_stops),
            "daemon away at plug-in": (
                now >= PLUGS_IN - 10 * MINUTE, partial(self._lose_daemon, 55 * MINUTE),
            ),
            "daemon killed in the charge": (
                self._charges, partial(self._lose_daemon, 30 * MINUTE),
            ),
            "daemon away at the end": (
                now >= CHEAP_FROM + 130 * MINUTE, partial(self._lose_daemon, 90 * MINUTE),
            ),
            LOAD: (self._charges, self._begin_load),
            "reconnects in the charge": (self._charges, self._lose_link),
            "unplugged in the charge": (self._charges, self._pull_the_plug),
            ELSEWHERE: (self._charges, self._limit_elsewhere),
        }  # fmt: skip
        is_time, happen = happens.get(self._behaviour, (False, lambda: None))
        if is_time and self._once(self._behaviour, now):
            happen()

    def _refuse_stops(self) -> None:
        self.box.moods.refuses_stops = 2

    def _lose_daemon(self, lasts: timedelta) -> None:
        self._stop_daemon()
        self._back_at = self.clock.now() + lasts

    def _begin_load(self) -> None:
        self._load_until = self.clock.now() + 30 * MINUTE

    def _limit_elsewhere(self) -> None:
        self.box.limit_elsewhere(ELSEWHERE_AMPS)
        self._lifted_at = self.clock.now() + 30 * MINUTE

    def _lose_link(self) -> None:
        self._link_back_at = self.clock.now() + 20 * MINUTE

    def _pull_the_plug(self) -> None:
        self.box.unplug()
        self._replug_at = self.clock.now() + 20 * MINUTE

    def _come_back(self) -> None:
        now = self.clock.now()
        if self._back_at is not None and now >= self._back_at:
            self._back_at = None
            self._start_daemon()
        if self._link_back_at is not None and now >= self._link_back_at:
            self._link_back_at = None
        if self._lifted_at is not None and now >= self._lifted_at:
            self._lifted_at = None
            self.box.limit_elsewhere(UNLIMITED)
        if self._replug_at is not None and now >= self._replug_at:
            self._replug_at = None
            self.box.plug_in(self._vehicle)

    # --- the daemon and the connection ------------------------------------------------------------

    def _connect(self, on_call: Any) -> Link:  # noqa: ANN401
        def answer(action: str, payload: dict[str, Any]) -> Answer | None:
            return on_call(action, payload)  # type: ignore[no-any-return]

        return Link(
            f"ws://127.0.0.1:{self._port}{self._kind.path}", IDENTITY,
            PASSWORD if self._kind.has_password else None, answer,
            answers_after=self._kind.answers_after, answer_seconds=10.0,
            version=self._kind.version, check=self.box.check,
        )  # fmt: skip

    def _start_daemon(self) -> None:
        watch = HouseholdWatch(self._path)
        self._daemon = daemon = Daemon(
            watch, self._ledger, self.clock, watch.house.file.bus,
            wake_at=lambda _instant: None, observer=self._observe,
        )  # fmt: skip
        self._thread = Thread(target=daemon.run, daemon=True)
        self._thread.start()
        self._handle()

    def _stop_daemon(self) -> None:
        daemon, thread = self._daemon, self._thread
        self._daemon = self._thread = None
        if daemon is not None and thread is not None:
            daemon.halt()
            thread.join(HANDLES)
        self.box.disconnect()

    def _observe(self, handled: HandledEvent) -> None:
        with self._changed:
            now = self.clock.now()
            for _, action in handled.actions:
                match action:
                    case Issue(command):
                        self.record.commands.append((now, command.amps or 0.0, command.valid_until))
                    case Warn(code):
                        self.record.alerts.append(code)
                    case AnnouncePlan(plan):
                        periods = [(p.start, p.end, p.amps) for p in plan.periods]
                        self.record.plans.append((now, periods))
                    case CloseNight():
                        pass
                    case _:
                        pass
            self.record.nights += handled.nights
            self._wakes += isinstance(handled.event, WakeUp)
            self._changed.notify_all()


@contextmanager
def quiet() -> Iterator[None]:
    """Log nothing."""
    structlog.configure(
        wrapper_class=structlog.make_filtering_bound_logger(50), cache_logger_on_first_use=False
    )
    yield
