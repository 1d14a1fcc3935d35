"""What all simulated boxes share: one connector, a vehicle, a meter, and what they may draw.

Time is passed in. A box draws what its profiles, its hardware and its vehicle allow, and keeps a
trace of that, which is the truth that a night is judged by.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import cycle
from threading import RLock
from typing import Any

from tests.ocpp_boxes.kinds import Kind
from tests.ocpp_boxes.link import Answer, Link, LostError
from tests.ocpp_boxes.profiles import Stored, allowed_amps, fault_of

VOLTS = 230.0
LOWEST_AMPS = 6.0
"""IEC 61851-1 can offer no less."""
SECOND = timedelta(seconds=1)
UNLIMITED = 1e9
GAPS = (7, 5, 8, 6)
"""How many messages come from one that is lost to the next."""


@dataclass
class Vehicle:
    """A battery behind a cable."""

    missing_kwh: float
    phases: int
    max_amps: float = 32.0


@dataclass(frozen=True)
class Drawn:
    """A current that flowed from one instant to another [A per phase]."""

    start: datetime
    end: datetime
    amps: float


@dataclass
class Moods:
    """What it does wrong now."""

    never_starts: bool = False
    sticks: bool = False
    refuses_stops: int = 0
    loses: bool = False
    limited_to: float = UNLIMITED
    """A limit from elsewhere [A per phase]."""


@dataclass
class Hardware:
    """A box of one kind, in no version of OCPP yet."""

    kind: Kind
    now: datetime
    connects: Callable[[Callable[[str, dict[str, Any]], Answer | None]], Link]
    moods: Moods = field(default_factory=Moods)
    vehicle: Vehicle | None = None
    stored: list[Stored] = field(default_factory=list)
    trace: list[Drawn] = field(default_factory=list)
    asked: list[tuple[datetime, str, Any]] = field(default_factory=list)
    register_wh: float = 1_000_000.0
    link: Link | None = None
    paused_until: datetime | None = None
    has_charged: bool = False
    is_stuck_at: float = 0.0
    queue: list[Callable[[], None]] = field(default_factory=list)
    reported: str = ""
    sampled_at: datetime | None = None
    lock: Any = field(default_factory=RLock)
    invalid: list[str] = field(default_factory=list)
    gaps: dict[str, Iterator[int]] = field(default_factory=dict)
    left: dict[str, int] = field(default_factory=dict)

    # --- time ---------------------------------------------------------------------------------

    def amps(self) -> float:
        """Return the current that flows now [A per phase]."""
        vehicle = self.vehicle
        if vehicle is None or vehicle.missing_kwh <= 0:
            return 0.0
        if self.is_stuck_at:
            return self.is_stuck_at
        begun = self.charging_since()
        if begun is None or (self.paused_until or self.now) > self.now:
            return 0.0
        limit = allowed_amps(self.stored, self.now, begun, volts=VOLTS, phases=vehicle.phases)
        amps = min(limit, self.kind.own_amps, vehicle.max_amps, self.moods.limited_to)
        return amps if amps >= LOWEST_AMPS else 0.0

    def advance(self, to: datetime) -> None:
        """Let time pass in seconds, and draw what is allowed."""
        with self.lock:
            while self.now < to:
                step = min(to - self.now, 10 * SECOND)
                amps = self.amps()
                if amps:
                    self._draw(amps, step)
                self.now += step
                self.notice()

    def _draw(self, amps: float, step: timedelta) -> None:
        vehicle, last = self.vehicle, self.trace[-1] if self.trace else None
        assert vehicle is not None
        kwh = amps * VOLTS * vehicle.phases / 1000 * step.total_seconds() / 3600
        self.register_wh += 1000 * kwh
        vehicle.missing_kwh -= 0.9 * kwh
        self.has_charged = True
        if last is not None and last.end == self.now and last.amps == amps:
            self.trace[-1] = Drawn(last.start, self.now + step, amps)
        else:
            self.trace.append(Drawn(self.now, self.now + step, amps))

    # --- what happens to it -------------------------------------------------------------------

    def plug_in(self, vehicle: Vehicle) -> None:
        with self.lock:
            self.vehicle = vehicle
            if self.kind.charges_by_itself and not self.moods.never_starts:
                self.begin("FREE")

    def unplug(self) -> Vehicle:
        with self.lock:
            vehicle = self.vehicle
            assert vehicle is not None
            self.vehicle, self.is_stuck_at = None, 0.0
            self.end("EVDisconnected")
            return vehicle

    def reboot(self) -> None:
        """Lose power: the transaction ends, and its profiles are gone; others stay."""
        self.disconnect()
        with self.lock:
            self.end("PowerLoss")
            if self.vehicle is not None and self.kind.charges_by_itself:
                self.begin("FREE")

    def disconnect(self) -> None:
        link, self.link = self.link, None
        if link is not None:
            link.close()

    def limit_elsewhere(self, amps: float) -> None:
        """Keep to a limit that somebody else has set."""
        with self.lock:
            self.moods.limited_to = amps
            self.notice()

    def loses(self, way: str) -> bool:
        """Return whether a message is lost; in no rhythm that a series of tries could have too."""
        if not self.moods.loses:
            return False
        gaps = self.gaps.setdefault(way, cycle(GAPS))
        left = self.left.get(way) or next(gaps)
        self.left[way] = left - 1
        return left == 1

    # --- what its version of OCPP says ----------------------------------------------------------

    def charging_since(self) -> datetime | None:
        """Return when the transaction began in which it may charge; None without one."""
        raise NotImplementedError

    def begin(self, who: str) -> None:
        """Let somebody charge."""
        raise NotImplementedError

    def end(self, reason: str) -> None:
        """End the transaction, if there is one."""
        raise NotImplementedError

    def notice(self) -> None:
        """Look whether there is something to report, though nobody may be connected."""

    def check(self, kind: int, action: str, payload: Any) -> None:  # noqa: ANN401 - JSON
        """Look whether a message fits its schema."""

    def boot(self) -> None:
        """Say what it is."""
        raise NotImplementedError

    def status(self) -> str:
        """Return the status that it reports."""
        raise NotImplementedError

    def say_status(self, status: str) -> None:
        """Report the status."""
        raise NotImplementedError

    def say_samples(self) -> None:
        """Report what its meter shows."""
        raise NotImplementedError

    def answer(self, action: str, payload: dict[str, Any]) -> Answer:
        """Answer a request of the central system."""
        raise NotImplementedError

    def is_active(self) -> bool:
        """Return whether a transaction runs of which samples are sent."""
        raise NotImplementedError

    # --- its messages ---------------------------------------------------------------------------

    def report(self) -> bool:
        """Connect if need be, and send all that there is to say; return whether something was."""
        if self.link is None or not self.link.is_open:
            self.link = None
            with suppress(LostError):
                self.link = self.connects(self._on_call)
                self.boot()
                self.reported = ""
        if self.link is None:
            return False
        said = False
        self.notice()
        try:
            said |= self._send_queue()
            status = self.status()
            if status != self.reported:
                self.say_status(status)
                said = True
            if self._is_sample_due():
                self.say_samples()
                said = True
        except LostError:
            return True
        return said

    def _send_queue(self) -> bool:
        said = False
        while self.queue:
            self.queue[0]()  # stays in the queue if its answer is lost
            self.queue.pop(0)
            said = True
        return said

    def call(self, action: str, payload: dict[str, Any]) -> dict[str, Any]:
        if self.link is None:
            raise LostError(action)
        return self.link.call(action, payload)

    def _is_sample_due(self) -> bool:
        if not self.is_active() and not self.is_stuck_at:
            return False
        return self.sampled_at is None or self.now - self.sampled_at >= timedelta(minutes=1)

    def at(self) -> str:
        return self.now.isoformat().replace("+00:00", "Z")

    def _on_call(self, action: str, payload: dict[str, Any]) -> Answer | None:
        with self.lock:
            if self.loses("in"):
                return None
            answer = self.answer(action, payload)
            self.asked.append((self.now, action, payload))
            self.notice()
            return answer

    def stick(self) -> None:
        """Go on with what flows, as a welded contactor does when it should open."""
        if self.moods.sticks and not self.is_stuck_at:
            self.is_stuck_at = self.amps()

    def refuses(self, profile: dict[str, Any]) -> bool:
        kind = self.kind
        if profile["chargingProfilePurpose"] not in kind.purposes:
            return True
        fault = fault_of(
            profile, units=kind.units, most_periods=kind.most_periods, levels=kind.levels
        )
        others = {(e.purpose, e.level, e.connector) for e in self.stored}
        new = (profile["chargingProfilePurpose"], profile["stackLevel"])
        is_new = all(new != pair[:2] for pair in others)
        return fault is not None or (is_new and len(self.stored) >= kind.most_profiles)

    def store(self, connector: int, profile: dict[str, Any]) -> None:
        """Store a profile in place of that with its number, or its purpose, level and connector."""
        new = Stored(connector, profile)
        self.stored = [
            each
            for each in self.stored
            if each.profile["chargingProfileId"] != profile["chargingProfileId"]
            and (each.purpose, each.level, each.connector) != (new.purpose, new.level, connector)
        ]
        self.stored.append(new)
