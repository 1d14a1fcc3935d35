"""Take the broker away at random instants of rehearsed nights, and bring it back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from random import Random
from threading import Timer
from typing import Final

from tests.faults.handle import LIMIT_SECONDS, Stuck
from tests.faults.night import Night
from tests.support.waiting import patience, wait_until

KEEPALIVE_SECONDS: Final = 1
"""Shorter than the daemon's own, so that a frozen broker is noticed soon."""

LONGEST_SECONDS: Final = 0.03
LONGEST_MOMENT_SECONDS: Final = 0.4
LONGEST_DRIFT: Final = timedelta(minutes=75)
EXPIRES_AFTER: Final = timedelta(minutes=30)
"""A start expires after this if it is not extended: design, section 5, invariant 3."""

KINDS: Final = (
    *("killed, and back with its store",) * 4,
    *("killed, and back empty",) * 3,
    *("frozen for a moment",) * 2,
    "frozen past the keepalive",
)


@dataclass(slots=True)
class Cuts:
    """Strikes at these instants, each time in another way."""

    chance: Random
    instants: list[datetime]

    def prepare(self, night: Night) -> None:
        """Nothing yet."""

    def strike(self, night: Night) -> None:
        """Take the broker away while it works, and bring it back some time later."""
        kind = self.chance.choice(KINDS)
        tally = night.stage.tally
        tally.tried["broker faults"] += 1
        tally.tried[f"broker faults: {kind}"] += 1
        if kind == "frozen for a moment":
            self._freeze_a_moment(night)
        else:
            self._cut(night, kind)

    def _freeze_a_moment(self, night: Night) -> None:
        broker = night.stage.broker
        broker.freeze()
        thaw = Timer(self.chance.uniform(0.02, LONGEST_MOMENT_SECONDS), broker.thaw)
        thaw.start()
        night.burst(self.chance.randint(1, 5))
        thaw.join()

    def _cut(self, night: Night, kind: str) -> None:
        stage, chance = night.stage, self.chance
        counts = stage.daemon.connections, stage.hardware.connections
        lost = stage.daemon.disconnections, stage.hardware.losses
        frozen = kind == "frozen past the keepalive"
        cut = Timer(
            chance.uniform(0, LONGEST_SECONDS), stage.broker.freeze if frozen else stage.broker.kill
        )
        cut.start()
        night.burst(chance.randint(1, 5))
        cut.join()
        stage.daemon.wait(
            lambda: stage.daemon.disconnections > lost[0], "it notices the lost broker"
        )
        if not stage.hardware.wait_lost(lost[1] + 1, patience(LIMIT_SECONDS)):
            raise Stuck("the hardware does not notice the lost broker")
        if chance.random() < 0.4:
            self._drift(night)
        if frozen:
            stage.broker.thaw()
        else:
            if kind == "killed, and back empty":
                stage.broker._configuration.with_name("mosquitto.db").unlink(missing_ok=True)
            stage.broker.start()
        _come_back(night, counts)

    def _drift(self, night: Night) -> None:
        """Let time pass without a broker, and check that the hardware stops by itself."""
        stage = night.stage
        begun = night.now
        last = stage.leaves - timedelta(minutes=1)
        until = min(begun + self.chance.random() * LONGEST_DRIFT, last)
        while night.now < until:
            wake = stage.daemon.wake
            assert wake is not None
            following = min(until, wake, stage.hardware.next_due())
            night.now = max(following, night.now + timedelta(microseconds=1))
            stage.daemon.set_clock(night.now)
            stage.hardware.step(night.now)
            stage.daemon.wake_up()
            if night.now - begun > EXPIRES_AFTER and stage.point.offered_amps > 0:
                stage.tally.wrong("left charging", f"without a broker, {night.place()}")
        minutes = (night.now - begun) // timedelta(minutes=1)
        stage.tally.tried["broker faults: virtual minutes without it"] += minutes
        night.reference = []  # from here on the commands differ


def _come_back(night: Night, counts: tuple[int, int]) -> None:
    """Wait until both sides are connected again; messages on their way may be lost."""
    stage = night.stage
    stage.daemon.wait(lambda: stage.daemon.connections > counts[0], "it comes back")
    night.check_prompt(counts[1] + 1)
    wait_until(
        lambda: stage.person.publish(stage.topics.load, b"{}", retain=False),
        what="the person is connected again",
    )
    night.collect()
    night.pending.clear()
    night.restarted = True
    night.serial_before = max(stage.daemon.serial, stage.hardware.last_serial)
