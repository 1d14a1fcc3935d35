"""A broker that stays away: a person is warned without it, and a charge soon has it back."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from adapters.bus import bus as bus_module
from adapters.bus.events import Connected, Disconnected, Published
from adapters.clocks.clock import SystemClock
from adapters.ledger.ledger import Ledger
from daemon.service.broker_watch import AWAY_FOR, HARDWARE_BACK
from tests.daemon.sites import Site, household_file
from tests.daemon.worlds import EVENING, HOUR
from tests.support.brokers import Mosquitto
from tests.support.daemons import POINT, TOPICS, Person, RunningDaemon
from tests.support.waiting import wait_until

SECOND = timedelta(seconds=1)
NOTHING_LISTENS = Disconnected("nothing listens at 127.0.0.1:1883")
ON_ALERT = ("# on_alert: [./tell-me]", "on_alert: [./tell-me]")

Ran = tuple[Sequence[str], dict[str, Any]]


@pytest.fixture
def ran() -> list[Ran]:
    """Return the commands that have run for alerts, with what they read."""
    return []


@pytest.fixture
def site(tmp_path: Path, ledger: Ledger, ran: list[Ran]) -> Site:
    return Site(
        household_file(tmp_path, ON_ALERT), ledger, EVENING,
        run_command=lambda command, payload: ran.append((command, json.loads(payload))),
    )  # fmt: skip


@pytest.mark.usefixtures("no_log")
def nobody_listens(site: Site) -> None:
    site.service.handle(Published(site.topics.command(POINT), "nobody-listens"))


def alerts(site: Site) -> list[str]:
    codes: list[str] = site.bus.last("status")["alerts"]
    return codes


def test_hardware_may_take_a_while_to_connect_again(site: Site) -> None:
    """When the broker is back nothing listens at first; the command is sent again later."""
    site.begin()
    site.service.handle(NOTHING_LISTENS)
    site.pass_time(20 * SECOND)
    site.service.handle(Connected("5"))
    nobody_listens(site)
    assert alerts(site) == []
    site.bus.clear()
    site.pass_time(HARDWARE_BACK + SECOND, every=HARDWARE_BACK)
    assert len(site.bus.on("command")) == 1
    nobody_listens(site)
    assert alerts(site) == ["nobody-listens"]


def test_the_alert_command_runs_although_the_broker_is_away(site: Site, ran: list[Ran]) -> None:
    """Once, a minute after the connection was lost; a later reason is no news."""
    site.begin()
    site.service.handle(NOTHING_LISTENS)
    site.pass_time(AWAY_FOR - SECOND)
    assert ran == []
    site.service.handle(Disconnected("127.0.0.1:1883 does not answer"))
    site.pass_time(SECOND, every=HOUR)
    [(command, alert)] = ran
    assert command[0].endswith("tell-me")
    assert (alert["code"], alert["at"]) == ("no-broker", "2026-06-03T06:31:00Z")
    assert alert["message"] == "The broker can't be reached: 127.0.0.1:1883 does not answer."
    site.service.handle(NOTHING_LISTENS)
    site.pass_time(HOUR)
    assert len(ran) == 1
    [row] = site.ledger.alerts_between(EVENING, EVENING + HOUR)
    assert row.code == "no-broker"
    assert site.state.alerts == {"no-broker"}
    site.bus.clear()
    site.service.handle(Connected("5"))
    assert site.state.alerts == frozenset()
    assert site.bus.last("status")["alerts"] == []
    rows = site.ledger.alerts_between(EVENING, site.clock.now() + SECOND)
    assert [row.code for row in rows] == ["no-broker", "broker-back"]


@pytest.mark.usefixtures("no_log")
def test_a_broker_that_is_soon_back_is_no_alert(site: Site, ran: list[Ran]) -> None:
    """Each time that it is away for less than a minute is forgotten."""
    site.begin()
    for _ in range(3):
        site.service.handle(NOTHING_LISTENS)
        site.pass_time(AWAY_FOR - SECOND)
        site.service.handle(Connected("5"))
    site.pass_time(HOUR)
    assert ran == []


@pytest.mark.usefixtures("no_log")
def test_a_broker_that_never_was_there_is_an_alert(site: Site, ran: list[Ran]) -> None:
    """A daemon that starts without one warns too."""
    site.wake_up()
    site.service.handle(NOTHING_LISTENS)
    site.pass_time(AWAY_FOR)
    assert [alert["code"] for _, alert in ran] == ["no-broker"]


def test_a_charge_does_not_wait_long_for_the_broker(
    make_mosquitto: Callable[..., Mosquitto],
    run_daemon: Callable[..., RunningDaemon],
    meet: Callable[..., Person],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """While a start is in force, the pause before the next attempt is cut short."""
    monkeypatch.setattr(bus_module, "URGENT_PAUSE_SECONDS", 0.1)
    broker = make_mosquitto()
    broker.start()
    daemon = run_daemon("home", broker.bus)
    daemon.daemon._mqtt._main._first_pause_seconds = 3600
    person = meet(broker.bus)
    person.wait_for(TOPICS.daemon, state="online")
    at = SystemClock().now().isoformat()
    person.say(TOPICS.vehicle(POINT), {"at": at, "pilot": "B", "soc_percent": 35})
    person.say(TOPICS.request(POINT), {"charge_now": True})
    person.wait_for(TOPICS.command(POINT), do="start")
    service = daemon.daemon._service
    broker.kill()
    wait_until(lambda: service._connected is None, what="the daemon misses its broker")
    broker.start()
    wait_until(lambda: service._connected is not None, what="it is connected again")
