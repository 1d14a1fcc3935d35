"""The daemon obeys limits of the grid operator, and plans around them."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from adapters.contract.messages import GridLimit
from config.home.grid_limit import LimitInForce
from daemon.grid_limit.heard import LimitHeard
from daemon.messaging.incoming import WakeUp
from tests.daemon.grid_limit.homes import SECOND, Home
from tests.daemon.worlds import HOUR, MINUTE, NIGHT_BEGINS, POINT, arrived

if TYPE_CHECKING:
    from pathlib import Path

    from adapters.ledger.ledger import Ledger


def test_a_power_becomes_whole_amperes_at_once(tmp_path: Path, ledger: Ledger) -> None:
    """4.2 kW at 230 V are 18.3 A: 18 A are commanded in the same turn, and the reason says why."""
    home = Home(tmp_path, ledger)
    home.ask(charge_now=True)
    assert home.told() == 32
    home.limit(kw=4.2, until=home.clock.now() + HOUR)
    assert home.told() == 18
    allowed = "the grid operator allows charging only 4.2 kW until 19:30"
    assert home.why() == f"{allowed}; a person asked to charge now"
    assert f"T{allowed[1:]}." in home.bus.last("plan")["why"]
    alert = home.bus.last("alert")
    assert (alert["code"], alert["message"][: len(allowed)]) == ("grid-limited", f"T{allowed[1:]}")
    assert home.bus.last("status")["grid_limits"] == [{"kw": 4.2, "until": "2026-06-03T07:30:00Z"}]


@pytest.mark.parametrize(
    ("limit", "amps"),
    [({"kw": 4.2}, 6), ({"kw": 4.13}, 0), ({"kw": 11}, 15), ({"amps": 9.7}, 9), ({"kw": 0}, 0)],
)
def test_three_phases_share_a_power(
    limit: dict[str, float], amps: float, tmp_path: Path, ledger: Ledger
) -> None:
    """4.2 kW on three phases are 6.09 A each; below 6 A, the least current, it stops."""
    home = Home(tmp_path, ledger, phases=3)
    home.ask(charge_now=True)
    home.limit(**limit)
    assert home.told() == amps


def test_below_the_least_current_charging_stops_until_it_is_lifted(
    tmp_path: Path, ledger: Ledger
) -> None:
    """1 kW is less than 6 A: no wish overrides it."""
    home = Home(tmp_path, ledger)
    home.limit(kw=1.0)
    home.ask(charge_now=True)
    assert home.told() == 0
    assert home.why() == (
        "the grid operator allows charging only 1 kW, which is too little for the 6 A that it takes"
        " at least"
    )
    home.advance(3 * HOUR)
    assert home.told() == 0
    home.limit(lifted=True)
    assert home.told() == 32
    assert "grid_limits" not in home.bus.last("status")
    assert not any("grid operator" in each for each in home.bus.last("plan")["why"])


def test_several_charge_points_give_way_together(tmp_path: Path, ledger: Ledger) -> None:
    """Of 4.2 kW, 18 A, each of three keeps 6 A; none is stopped until others have given way."""
    home = Home(tmp_path, ledger, "garage", "yard")
    for point in home.points:
        home.ask(point, charge_now=True)
    assert home.total() == 96
    home.limit(kw=4.2)
    assert [home.told(point) for point in home.points] == [6, 6, 6]
    home.limit(kw=3.0)
    assert sorted(map(home.told, home.points)) == [0, 6, 6]
    reasons = {each["why"].partition(";")[0] for each in home.bus.on("command")[-3:]}
    assert all(each.startswith("the grid operator allows charging only 3 kW") for each in reasons)
    home.limit(lifted=True)
    home.advance(35 * MINUTE)
    assert home.total() == 96


def test_plans_are_made_around_it(tmp_path: Path, ledger: Ledger) -> None:
    """The cheap hours begin at 21:00; with a limit until 23:00 the rest is charged after it."""
    home = Home(tmp_path, ledger)
    ends = NIGHT_BEGINS + 2 * HOUR
    home.limit(kw=4.2, until=ends)
    periods = [(each["start"], each["amps"]) for each in home.bus.last("plan")["periods"]]
    assert periods[0] == (NIGHT_BEGINS.strftime("%Y-%m-%dT%H:%M:%SZ"), 18)
    assert (ends.strftime("%Y-%m-%dT%H:%M:%SZ"), 32) in periods
    home.advance(ends - home.clock.now() - MINUTE)
    assert home.told() == 18
    home.advance(MINUTE + SECOND)
    assert home.told() == 32
    home.advance(2 * MINUTE)
    assert home.bus.last("status")["alerts"] == []


def test_the_joint_plan_keeps_below_it(tmp_path: Path, ledger: Ledger) -> None:
    """Two vehicles share 7.4 kW, 32 A, while it holds; after it each may have all."""
    home = Home(tmp_path, ledger, "garage")
    ends = NIGHT_BEGINS + 4 * HOUR
    home.limit(kw=7.4, until=ends)
    spans = [
        (datetime.fromisoformat(each["start"]), datetime.fromisoformat(each["end"]), each["amps"])
        for point in home.points
        for each in _plan_of(home, point)["periods"]
    ]
    for at in {start for start, _, _ in spans}:
        together = sum(amps for start, end, amps in spans if start <= at < end)
        assert together <= (32 if at < ends else 64)
    used = [amps * (min(end, ends) - start) / HOUR for start, end, amps in spans if start < ends]
    assert sum(used) >= 4 * 31
    home.advance(NIGHT_BEGINS - home.clock.now() + MINUTE)
    assert 0 < home.total() <= 32


def _plan_of(home: Home, point: str) -> dict[str, Any]:
    sent = [payload for topic, payload, _ in home.bus.messages if topic == home.topics.plan(point)]
    plan: dict[str, Any] = json.loads(sent[-1])
    return plan


def test_it_holds_through_restarts_until_it_is_lifted(tmp_path: Path, ledger: Ledger) -> None:
    """A retained message from before it was lifted does not bring it back."""
    home = Home(tmp_path, ledger)
    home.ask(charge_now=True)
    first = home.clock.now()
    home.limit(kw=4.2)
    home.advance(5 * MINUTE)
    home.start()
    assert home.told() == 18
    home.limit(lifted=True)
    assert home.told() == 32
    home.start()
    home.limit(at=first, kw=4.2)
    assert home.told() == 32


def test_what_is_late_past_or_malformed_changes_nothing(tmp_path: Path, ledger: Ledger) -> None:
    """Only the newest counts, and only if it can be understood."""
    home = Home(tmp_path, ledger)
    home.ask(charge_now=True)
    home.limit(amps=20)
    assert home.told() == 20
    now = home.clock.now().isoformat()
    for limit in (
        '"kw": -1', '"kw": 1e9', '"kw": NaN', '"kw": "4"', '"kw": 4.2, "amps": 16', '"kw": null',
        '"lifted": false', '"lifted": true, "until": "' + now + '"', '"kw": 4.2, "until": 7',
        '"kw": ' + "9" * 400,
    ):  # fmt: skip
        home.say(home.topics.grid_limit, f'{{"v": 1, "at": "{now}", {limit}}}'.encode())
    for payload in (b"{", b"\xff", b"[]", b"4.2", b'{"v": 1, "kw": 4.2}', b"x" * 100_000):
        home.say(home.topics.grid_limit, payload)
    home.limit(at=home.clock.now() - SECOND, kw=1)
    home.limit(at=home.clock.now() + HOUR, kw=1)
    assert home.told() == 20
    home.limit(at=home.clock.now(), kw=1, until=home.clock.now() - SECOND)
    assert home.told() == 32


def test_plans_do_not_hold_up_the_next_limit(tmp_path: Path, ledger: Ledger) -> None:
    """While something waits, limits are obeyed and nothing is planned, for a second at most."""
    home = Home(tmp_path, ledger)
    home.ask(charge_now=True)
    plans = len(home.bus.on("plan"))
    home.service.post(WakeUp())
    home.limit(amps=20)
    home.limit(amps=10)
    assert home.told() == 10
    assert len(home.bus.on("plan")) == plans
    assert home.woken[-1] <= home.clock.now() + SECOND
    home.handle(home.service._queue.get())
    assert any("only 10 A" in each for each in home.bus.last("plan")["why"])


def test_what_changes_nothing_hides_no_limit(tmp_path: Path, ledger: Ledger) -> None:
    """A hundred bad, late and repeated messages come after a limit before it is handled."""
    home = Home(tmp_path, ledger)
    topic, now = home.topics.grid_limit, home.clock.now()
    good = GridLimit(at=now, kw=4.2)
    home.service.post(arrived(topic, good))
    for n in range(100):
        home.service.post(arrived(topic, b"{"))
        home.service.post(arrived(topic, GridLimit(at=now - n * SECOND - SECOND, kw=n)))
        home.service.post(arrived(topic, good))
    queue = home.service._queue
    home.handle(queue.get())
    assert queue.empty()
    assert home.bus.last("status")["grid_limits"] == [{"kw": 4.2}]


def test_an_empty_payload_lifts_it(tmp_path: Path, ledger: Ledger) -> None:
    """Whoever deletes the retained limit lifts it."""
    home = Home(tmp_path, ledger)
    home.ask(charge_now=True)
    home.limit(amps=10)
    home.say(home.topics.grid_limit, b"")
    assert home.told() == 32


def test_a_contact_limits_while_it_is_closed(tmp_path: Path, ledger: Ledger) -> None:
    """A stored state counts; beside a limit on the bus, the lower one holds."""
    contact = {"topic": "relay/7", "words": {"closed": True, "open": False}, "limit_kw": 4.2}
    home = Home(tmp_path, ledger, more=f"grid_limit: {json.dumps({'contact': contact})}")
    home.ask(charge_now=True)
    home.say("relay/7", b"closed", retain=True)
    assert home.told() == 18
    home.limit(amps=20)
    assert home.told() == 18
    home.limit(amps=10)
    assert home.told() == 10
    home.say("relay/7", b"nonsense")
    home.say("relay/7", b"open")
    assert home.told() == 10
    home.limit(lifted=True)
    assert home.told() == 32


def test_it_may_bound_the_whole_home(tmp_path: Path, ledger: Ledger) -> None:
    """Of 5 kW, 21.7 A, the rest of the home draws 8 A: 13 A are left."""
    home = Home(tmp_path, ledger, more="main_fuse_amps: [63]\n  grid_limit: {bounds: home}")
    home.ask(charge_now=True)
    home.limit(kw=5)
    assert home.told() == 21
    home.say(
        home.topics.load,
        json.dumps({"v": 1, "at": home.clock.now().isoformat(), "amps": [8.0]}).encode(),
    )
    assert home.told() == 13
    assert home.why().startswith("the grid operator allows the home only 5 kW; ")


def test_equipment_may_report_its_own(tmp_path: Path, ledger: Ledger) -> None:
    """What comes over OCPP bounds that charge point alone."""
    home = Home(tmp_path, ledger, "garage")
    for point in home.points:
        home.ask(point, charge_now=True)
    home.handle(LimitHeard(f"ocpp {POINT}", LimitInForce(amps=10, charge_point=POINT)))
    assert [home.told(point) for point in home.points] == [10, 32]
    home.handle(LimitHeard(f"ocpp {POINT}", None))
    assert home.total() == 64


def test_the_record_shows_what_came_and_what_was_commanded(tmp_path: Path, ledger: Ledger) -> None:
    """The limit, the currents commanded below it, and its end."""
    home = Home(tmp_path, ledger)
    home.ask(charge_now=True)
    began = home.clock.now()
    home.limit(kw=4.2, until=began + HOUR)
    home.limit(kw=4.2, until=began + HOUR)
    home.advance(HOUR + SECOND)
    rows = ledger.grid_limits(began, began + 2 * HOUR)
    assert [row.what for row in rows] == ["set", "obeyed", "ended"]
    assert rows[0].body["kw"] == 4.2
    assert rows[1].body == {"amps": {POINT: 18.0}}


def test_a_limit_that_comes_and_goes_is_one_alert(tmp_path: Path, ledger: Ledger) -> None:
    """A person's command is not run a hundred times."""
    home = Home(tmp_path, ledger)
    for _ in range(5):
        home.limit(kw=4.2)
        home.advance(timedelta(seconds=5))
        home.limit(lifted=True)
    assert [each["code"] for each in home.bus.on("alert")].count("grid-limited") == 1
    home.advance(2 * MINUTE)
    home.handle(WakeUp())
    assert home.bus.last("status")["alerts"] == []
