"""Hold every instant against what must be so, from what is on the bus and in the hardware alone.

Each rule says what an honest daemon can always do once all has been well for a short while: the
daemon runs and is connected, so is the hardware, messages are quick, the clock is right. What
happens while something is not well is bounded by the leases of the commands.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from adapters.clocks.instants import parse_instant
from adapters.contract.messages import Command, Request, decode
from tests.virtual_years.homes import BOX_SAYS, NEED_PERCENT, WANTED_PERCENT
from tests.virtual_years.life import is_cheap, night_of
from tests.virtual_years.world import BEGINS

if TYPE_CHECKING:
    from tests.virtual_years.broker import Broker, Client
    from tests.virtual_years.homes import Home
    from tests.virtual_years.life import Life
    from tests.virtual_years.process import DaemonProcess
    from tests.virtual_years.world import World

_MINUTE: Final = timedelta(minutes=1)
START_HOLDS: Final = timedelta(minutes=30)
"""The longest lease of a start, as the guide for firmware says."""
LIVE: Final = timedelta(seconds=90)
"""After this, what is retained and what the hardware does must be what the plan says."""
HEARD: Final = timedelta(seconds=20)
"""A message has arrived by then."""
REPORTED: Final = timedelta(minutes=5)
"""After this, the daemon knows all that the hardware does; a meter is read every four minutes."""
RESUMED: Final = timedelta(minutes=12)
"""After this, an interrupted charge goes on: two reports, a rest of five minutes, a tick."""
REST: Final = timedelta(minutes=5)
_SECOND: Final = timedelta(seconds=1)
_LONG_LEFT_ALONE: Final = timedelta(minutes=20)
_EMPTY: Final[Mapping[str, Any]] = {}


class Told(NamedTuple):
    """A command as it was sent, or recorded, first."""

    at: datetime
    do: str
    valid_until: datetime


class _Topics(NamedTuple):
    daemon: str
    command: str
    plan: str
    status: str


class Watch:
    """Looks at the home every minute while a vehicle is there, and at every message.

    Parameters
    ----------
    world, broker, process, lives, home
        What is watched.
    faults_until : callable
        When the last fault was over.

    Attributes
    ----------
    wrong : list of str
        What must not be, once for each rule, place and night.
    acknowledged : list of (str, bytes)
        The messages that the daemon acknowledged while its clock was right.
    sent : set of (str, int)
        The serials of the commands that it sent to each place while its disk took what it wrote.
    disturbed, known : set of (str, date)
        The nights in or shortly before which something went wrong, and those at whose end the
        daemon knew the vehicle, by place.
    met_at : dict of (str, date) to datetime
        When the daemon first acknowledged a report from a night of a vehicle there, by place.
    told : dict of (str, int) to Told
        What each place was told, by serial.
    told_percent : set of (str, date)
        The nights in which a person said a state of charge, which need not be true, by place.
    read_at : dict of (str, date) to float
        The register that the daemon heard of last in each night [kWh], by place.
    with_wrong_clock : set of date
        The nights in which the daemon's clock was wrong.
    """

    def __init__(
        self,
        world: World,
        broker: Broker,
        process: DaemonProcess,
        *,
        lives: Sequence[Life],
        home: Home,
        faults_until: Callable[[], datetime],
    ) -> None:
        self._world, self._broker, self._process = world, broker, process
        self._lives, self._home, self._faults_until = lives, home, faults_until
        self.wrong: list[str] = []
        self.acknowledged: list[tuple[str, bytes]] = []
        self.sent: set[tuple[str, int]] = set()
        self.disturbed: set[tuple[str, date]] = set()
        self.known: set[tuple[str, date]] = set()
        self.met_at: dict[tuple[str, date], datetime] = {}
        self.told: dict[tuple[str, int], Told] = {}
        self.told_percent: set[tuple[str, date]] = set()
        self.read_at: dict[tuple[str, date], float] = {}
        self.with_wrong_clock: set[date] = set()
        self._last: dict[str, Command] = {}
        self._planned_at: dict[str, datetime] = {}
        self._unrecorded: set[tuple[str, int]] = set()
        self._stopped_at: dict[str, datetime | None] = {}
        self._unheard: dict[str, int] = {}
        self._said: set[tuple[str, str, str]] = set()
        self._well_since: dict[str, datetime | None] = {}
        self._wish: dict[str, Request | None] = {}
        self._wished_at: dict[str, datetime] = {}
        self._serials: dict[str, tuple[int, bytes]] = {}
        self._published_at: dict[str, datetime] = {}
        self._parsed: dict[str, tuple[bytes, dict[str, Any]]] = {}
        self._topics = {
            each.place.point: _Topics(
                process.topics.daemon,
                *(
                    of(each.place.point)
                    for of in (process.topics.command, process.topics.plan, process.topics.status)
                ),
            )
            for each in lives
        }
        broker.on_published = self._on_published
        broker.on_acknowledged = self._on_acknowledged
        process.is_left_alone = self._is_left_alone

    def begin(self) -> None:
        """Look for the first time."""
        self._look()

    # --- every message ------------------------------------------------------------------------

    def _on_published(self, client: Client, topic: str, payload: bytes) -> None:
        if client is not self._process.client:
            return
        self._published_at[topic] = self._world.now
        if topic.endswith("/command"):
            self._check_command(topic, payload)

    def _check_command(self, topic: str, payload: bytes) -> None:
        command = decode(Command, payload)
        now = self._world.now
        self._world.note(
            f"{topic.split('/')[-2]} {command.do} {command.serial} {command.amps}"
            f" to {command.valid_until:%H:%M:%S}"
        )
        life = next(each for each in self._lives if f"/{each.place.point}/" in topic)
        key = life.place.point, command.serial
        if key not in self.told:
            (self._unrecorded if self._process.disk.is_full else self.sent).add(key)
        told = self.told.setdefault(key, Told(now, command.do, command.valid_until))
        # One that is only extended keeps its serial.
        self.told[key] = told._replace(valid_until=command.valid_until)
        last, said = self._serials.get(topic, (0, b""))
        if command.serial < last or (command.serial == last and payload != said):
            self._say(life, f"serial {command.serial} after {last}")
        self._serials[topic] = (command.serial, payload)
        self._check_switching(life, command, topic)
        at = now + self._process.clock.wrong_by
        if life.is_deaf:
            self._unheard[topic] = command.serial
        if command.do == "stop":
            return
        if command.valid_until - at > START_HOLDS + _SECOND:
            self._say(life, "a start is good for too long")
        if (command.amps or 0) > life.place.amps:
            self._say(life, "more current than the charge point gives")

    def _check_switching(self, life: Life, command: Command, topic: str) -> None:
        """Hold a start against the rest of the charge point."""
        now, process = self._world.now, self._process
        before, self._last[topic] = self._last.get(topic), command
        if before is not None and command.do == before.do:
            return
        if command.do == "stop":
            is_known = not process.disk.is_full and not process.clock.wrong_by
            # Started again by a kill, it knows nothing of a start that the full disk did not take,
            # and counts the rest from the end of the one before.
            is_known &= before is None or (life.place.point, before.serial) not in self._unrecorded
            self._stopped_at[topic] = min(now, before.valid_until) if is_known and before else None
            return
        stopped_at = self._stopped_at.get(topic)
        is_early = stopped_at is not None and now < stopped_at + REST - _SECOND
        if is_early and night_of(now) not in self.with_wrong_clock:
            self._say(life, "it starts again before it has rested")

    def _on_acknowledged(self, client: Client, topic: str, payload: bytes) -> None:
        if client is not self._process.client or self._process.clock.wrong_by:
            return
        self.acknowledged.append((topic, payload))
        now, point = self._world.now, topic.split("/")[-2]
        if topic == BOX_SAYS:
            place = self._lives[0].place.point
            self.read_at[place, night_of(now)] = json.loads(payload)["total"] / 1000
        if topic.endswith("/vehicle") and b'"pilot":"A"' not in payload:
            # What comes late may be of the night before, and an old one that is said again too.
            at = parse_instant(json.loads(payload)["at"])
            self.met_at.setdefault((point, night_of(at)), now)
        if topic.endswith("/request"):
            wish = self._wish[point] = decode(Request, payload)
            self._wished_at[point] = now
            if wish.soc_percent is not None:
                self.told_percent.add((point, night_of(now)))

    # --- every minute --------------------------------------------------------------------

    def _is_left_alone(self) -> bool:
        now = self._world.now
        return (
            now > self._faults_until() + _LONG_LEFT_ALONE
            and not self._world.is_crashing
            and all(self._well_for(each) > _LONG_LEFT_ALONE for each in self._lives)
        )

    def _look(self) -> None:
        now = self._world.now
        if self._process.clock.wrong_by or self._process.clock_set_at >= now - _MINUTE:
            self.with_wrong_clock.add(night_of(now))
        for life in self._lives:
            self._note_health(life)
            if life.tonight is not None:
                self._look_at(life)
        if self._home.fuse_amps is not None:
            amps = sum(each.point.offered_amps for each in self._lives)
            if amps > self._home.fuse_amps:
                self._say(self._lives[0], f"{amps} A behind the fuse")
        self._world.at(now + _MINUTE, self._look)

    def _note_health(self, life: Life) -> None:
        process = self._process
        is_well = (
            process.is_connected
            and life.is_connected
            and self._broker.slowest < 1
            and not process.clock.wrong_by
            and process.timers_late_by < 1
        )
        if not is_well:
            self._well_since[life.place.point] = None
        elif self._well_since.get(life.place.point) is None:
            self._well_since[life.place.point] = self._world.now

    def _well_for(self, life: Life) -> timedelta:
        since = self._well_since.get(life.place.point)
        return timedelta(0) if since is None else self._world.now - since

    def _look_at(self, life: Life) -> None:
        """Hold one place with a vehicle against all rules."""
        night, now = life.tonight, self._world.now
        if night is None:
            return
        key = (life.place.point, night_of(now))
        if not self._is_left_alone():
            self.disturbed.add(key)
        well = min(self._well_for(life), now - night.comes_at)
        # What counts is the last look before it leaves: an alert may come as late as that.
        self.known.discard(key)
        if well < LIVE:
            return
        if well > RESUMED:
            self.known.add(key)
        self._check_state(life)
        self._check_command_in_force(life)
        if night.has_wish:
            self._check_wish(life)
            return
        self._check_plan(life)
        self._check_flow(life, well)

    def _check_state(self, life: Life) -> None:
        """Hold what is said of daemon and vehicle against the truth."""
        topics = self._topics[life.place.point]
        state = self._document(topics.daemon).get("state")
        if state != "online":
            self._say(life, f"the daemon runs and is said to be {state}")
        if not self._document(topics.status).get("connected"):
            self._say(life, "the vehicle is there, and the status denies it")

    def _check_command_in_force(self, life: Life) -> None:
        """Hold the command that is retained against what the hardware does."""
        now, topic = self._world.now, self._topics[life.place.point].command
        command = self._document(topic)
        if not command:
            self._say(life, "no command is retained")
            return
        is_new = now < self._published_at.get(topic, now) + HEARD
        if is_new or self._unheard.get(topic) == command["serial"]:
            return
        is_over, is_start = command["valid_until"] - now, command["do"] == "start"
        if is_over < -HEARD:
            self._say(life, "the command that is retained has expired")
        elif is_over < _SECOND:
            pass
        elif not self._home.is_wired and life.point.last_serial != command["serial"]:
            self._say(life, "the hardware has not heard the command that is retained")
        elif is_start != (life.point.offered_amps > 0):
            self._say(life, f"the hardware does not {command['do']}")

    def _check_plan(self, life: Life) -> None:
        """Hold the command against the plan: within its periods a start, outside a stop."""
        now, topics = self._world.now, self._topics[life.place.point]
        flows = self._document(topics.command).get("do") == "start"
        periods = self._document(topics.plan).get("periods", ())
        if any(start - LIVE <= now <= end for start, end in periods):
            self._planned_at[life.place.point] = now
        if any(start + LIVE <= now <= end - LIVE for start, end in periods):
            rests = life.went_off_at is not None and now < life.went_off_at + REST + LIVE
            if not flows and not rests:
                self._say(life, "the plan has a period now, and it is stopped")
        # The last half percent is charged, though a plan that is published again lacks it.
        elif flows and now > self._planned_at.get(life.place.point, BEGINS) + REPORTED:
            self._say(life, "the plan has no period now, and it is started")

    def _check_flow(self, life: Life, well: timedelta) -> None:
        """Hold what flows against the rates: all cheap hours are used until it is enough."""
        now, vehicle = self._world.now, life.point.vehicle
        soc, flows = 0.0 if vehicle is None else vehicle.soc_percent, life.point.offered_amps > 0
        if is_cheap(now) and is_cheap(now - RESUMED):
            none_flows = not any(each.point.offered_amps > 0 for each in self._lives)
            if well >= RESUMED and none_flows and soc < WANTED_PERCENT - 1:
                self._say(life, f"nothing flows at {soc:.1f} % in cheap hours")
        if not flows or well < REPORTED:
            return
        is_dear = not is_cheap(now) and not is_cheap(now - LIVE)
        is_needed = soc < NEED_PERCENT + 1 and now.hour < 12
        if is_dear and not is_needed:
            self._say(life, f"it charges at {soc:.1f} % in dear hours")
        if soc > WANTED_PERCENT + 1:
            self._say(life, f"it charges at {soc:.1f} %")

    def _check_wish(self, life: Life) -> None:
        """Hold what flows against what was asked for last, and acknowledged."""
        now, point = self._world.now, life.place.point
        wish = self._wish.get(point)
        night, vehicle = life.tonight, life.point.vehicle
        if wish is None or night is None or vehicle is None:
            return
        asked_at = self._wished_at[point]
        if asked_at < night.comes_at or now - asked_at < REPORTED:
            return
        flows = life.point.offered_amps > 0
        if wish.skip_until is not None and now < wish.skip_until and flows:
            self._say(life, "a person asked to skip this, and it charges")
        rests = life.went_off_at is not None and now < life.went_off_at + RESUMED
        is_due = wish.charge_now and not rests and self._well_for(life) > RESUMED
        if is_due and not flows and vehicle.soc_percent < NEED_PERCENT - 1:
            self._say(life, "a person asked to charge now, and it does not")

    # --- what all rules share -----------------------------------------------------------------

    def _document(self, topic: str) -> Mapping[str, Any]:
        payload = self._broker.stored(topic)
        if not payload:
            return _EMPTY
        known = self._parsed.get(topic)
        if known is None or known[0] is not payload:
            known = self._parsed[topic] = (payload, _read(payload))
        return known[1]

    def _say(self, life: Life, what: str) -> None:
        """Note something wrong, once a night."""
        now = self._world.now
        kind = "".join(each for each in what if not each.isdigit())
        key = (life.place.point, kind, night_of(now).isoformat())
        if key not in self._said:
            self._said.add(key)
            self._world.note(f"WRONG {what}")
            self.wrong.append(f"{now:%m-%d %H:%M:%S} {life.place.point}: {what}")


def _read(payload: bytes) -> dict[str, Any]:
    """Read a message, with the instants that the rules compare."""
    document: dict[str, Any] = json.loads(payload)
    if "valid_until" in document:
        document["valid_until"] = parse_instant(document["valid_until"])
    if "periods" in document:
        document["periods"] = [
            (parse_instant(each["start"]), parse_instant(each["end"]))
            for each in document["periods"]
        ]
    return document
