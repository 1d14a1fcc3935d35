"""Two daemons of one household: within seconds only the later one goes on."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from adapters.clocks.clock import SystemClock
from adapters.contract.messages import DaemonState
from daemon.messaging.instance import Instance
from tests.daemon.service.test_run import Running, household
from tests.daemon.worlds import EVENING, HOUR, MINUTE
from tests.support.brokers import Mosquitto
from tests.support.daemons import POINT, TOPICS, Person, RunningDaemon
from tests.support.waiting import wait_until

RunDaemon = Callable[..., RunningDaemon]
Meet = Callable[[Any], Person]

ME = Instance("mine", EVENING)


def daemon_state(**fields: object) -> DaemonState:
    given = {
        "state": "online",
        "instance": "other",
        "since": EVENING + MINUTE,
        "stale_after": EVENING + HOUR,
    } | fields
    return DaemonState.model_validate(given)


@pytest.mark.parametrize(
    ("other", "is_replaced"),
    [
        (daemon_state(), True),
        (daemon_state(since=EVENING - MINUTE), False),
        (daemon_state(since=EVENING), True),  # "other" sorts after "mine": both decide alike
        (daemon_state(since=EVENING, instance="a"), False),
        (daemon_state(state="offline"), False),
        (daemon_state(stale_after=EVENING), False),
        (daemon_state(since=EVENING + HOUR), False),
        (daemon_state(instance="mine", since=EVENING), False),
        (daemon_state(instance=None), False),
        (daemon_state(since=None), False),
        (daemon_state(stale_after=None), False),
    ],
)
def test_which_daemon_is_replaced(other: DaemonState, *, is_replaced: bool) -> None:
    """Only one that is online, later, not stale and not from the future replaces another."""
    assert ME.is_replaced_by(other, EVENING + 2 * MINUTE) is is_replaced


def test_of_two_daemons_exactly_one_is_replaced() -> None:
    """Whichever two meet, both come to the same decision."""
    others = [Instance(name, EVENING + n * MINUTE) for n in range(3) for name in ("a", "mine", "z")]
    for one in others:
        for two in others:
            states = [daemon_state(instance=each.name, since=each.since) for each in (one, two)]
            ways = [
                one.is_replaced_by(states[1], EVENING + HOUR),
                two.is_replaced_by(states[0], EVENING + HOUR),
            ]
            assert sum(ways) == (one != two)


@pytest.fixture(params=["5", "3.1.1"])
def _protocol(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Use one version of MQTT; only version 5 gives a reason when a connection is taken over."""
    monkeypatch.setattr("adapters.bus.bus.FIRST_PROTOCOL", request.param)


@pytest.mark.usefixtures("_protocol")
@pytest.mark.parametrize("ids", ["the same client id", "two client ids"])
def test_the_later_daemon_stays(
    mosquitto: Mosquitto, run_daemon: RunDaemon, meet: Meet, ids: str
) -> None:
    """Within 15 s the earlier one has ended by itself; the other is online, and is obeyed."""
    person = meet(mosquitto.bus)
    first = run_daemon("first", mosquitto.bus)
    person.wait_for(TOPICS.daemon, state="online", instance=first.name)
    other_id = None if ids == "the same client id" else "another"
    second = run_daemon("second", mosquitto.bus, client_id=other_id)
    wait_until(lambda: not first.running, 15, what="the first daemon ends")
    assert first.was_halted is False
    person.wait_for(TOPICS.daemon, state="online", instance=second.name)
    now = SystemClock().now().isoformat()
    person.say(TOPICS.vehicle(POINT), {"at": now, "pilot": "B", "soc_percent": 35})
    person.say(TOPICS.request(POINT), {"charge_now": True})
    person.wait_for(TOPICS.command(POINT), do="start")
    assert second.running
    assert second.ledger.last_command(POINT) is not None
    assert person.last(TOPICS.daemon)["instance"] == second.name


def test_the_replaced_daemon_publishes_nothing_more(
    mosquitto: Mosquitto, run_daemon: RunDaemon, meet: Meet
) -> None:
    """No offline, no Will and no command of the first comes after the second is online."""
    person = meet(mosquitto.bus)
    first = run_daemon("first", mosquitto.bus, client_id="one")
    person.wait_for(TOPICS.daemon, state="online", instance=first.name)
    second = run_daemon("second", mosquitto.bus, client_id="two")
    wait_until(lambda: not first.running, 15, what="the first daemon ends")
    person.say(f"{TOPICS.base}/probe", {"n": 1})
    person.wait_for(f"{TOPICS.base}/probe", n=1)
    states = [(state["state"], state.get("instance")) for state in person.on(TOPICS.daemon)]
    from_then_on = states[states.index(("online", second.name)) :]
    assert set(from_then_on) == {("online", second.name)}


@pytest.mark.parametrize("since_minutes", [-60, 60])
def test_a_dead_daemon_stops_no_start(
    mosquitto: Mosquitto, run_daemon: RunDaemon, meet: Meet, since_minutes: int
) -> None:
    """A retained `online` of a daemon that died with its broker does not replace the next one.

    Nor does one from the future, which a wrong clock may have left.
    """
    person = meet(mosquitto.bus)
    now = SystemClock().now()
    dead = {
        "state": "online",
        "instance": "dead",
        "at": now.isoformat(),
        "since": (now + timedelta(minutes=since_minutes)).isoformat(),
        "stale_after": (now + timedelta(hours=2)).isoformat(),
    }
    person.say(TOPICS.daemon, dead, retain=True)
    person.wait_for(TOPICS.daemon, instance="dead")
    started = run_daemon("first", mosquitto.bus)
    person.wait_for(TOPICS.daemon, state="online", instance=started.name)
    person.say(TOPICS.request(POINT), {"id": "still there?", "clear": True})
    person.wait_for(TOPICS.answer(POINT), id="still there?")
    assert started.running


def test_a_false_offline_is_corrected(
    mosquitto: Mosquitto, run_daemon: RunDaemon, meet: Meet
) -> None:
    """The Will of a connection that was taken over is followed by `online` again."""
    person = meet(mosquitto.bus)
    started = run_daemon("first", mosquitto.bus)
    person.wait_for(TOPICS.daemon, state="online")
    person.say(TOPICS.daemon, {"state": "offline"}, retain=True)
    wait_until(lambda: {"v": 1, "state": "offline"} in person.on(TOPICS.daemon), what="offline")
    person.wait_for(TOPICS.daemon, state="online", instance=started.name)


def test_lullwatt_run_says_why_it_ends_with_4(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Two processes: the first says in one sentence why it ends, and the second goes on."""
    running = []
    try:
        for name in ("first", "second"):
            (tmp_path / name).mkdir()
            running.append(Running(household(tmp_path / name, mosquitto.bus.broker)))
            running[-1].wait_logged("connected to the broker")
        assert running[0].ends() == 4
        assert running[0].log.count("another daemon of this household was started later") == 1
        assert "Traceback" not in running[0].log
        assert running[1].process.poll() is None
    finally:
        for each in running:
            each.process.terminate()
            each.ends()
    assert running[1].process.returncode == 0
